"""The sources of what an agreement analysis computes, for reference lists and BibTeX files."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from echotrace.errors import ParameterError

__all__ = ["REFERENCES", "Reference", "bibtex"]


@dataclass(frozen=True, slots=True)
class Reference:
    """A published source.

    Attributes
    ----------
    key : str
    author : str
        As BibTeX writes it.
    year : int
    title, journal, volume, pages : str
        ``volume`` and ``pages`` are empty for books, whose ``journal`` is the publisher.
    use : str
        What is taken from it.
    checked : bool
        The entry was looked up; otherwise title and first names are from memory.
    """

    key: str
    author: str
    year: int
    title: str
    journal: str
    volume: str
    pages: str
    use: str
    checked: bool = False

    @property
    def text(self) -> str:
        """The entry as a line of a reference list."""
        names = self.author.split(" and ")
        who = ", ".join(name.replace(",", "") for name in names)
        where = f"{self.journal} {self.volume}:{self.pages}" if self.pages else self.journal
        return f"{who}. {self.title}. {where}, {self.year}."


def _entries() -> Iterable[Reference]:
    smmr = "Statistical Methods in Medical Research"
    yield Reference(
        "bland1986", "Bland, J M and Altman, D G", 1986, "Statistical methods for assessing "
        "agreement between two methods of clinical measurement", "Lancet", "327", "307--310",
        "limits of agreement",
    )  # fmt: skip
    yield Reference(
        "bland1999", "Bland, J M and Altman, D G", 1999, "Measuring agreement in method comparison "
        "studies", smmr, "8", "135--160",
        "limits from replicates, repeatability, spread against length",
    )  # fmt: skip
    yield Reference(
        "bland2007", "Bland, J M and Altman, D G", 2007, "Agreement between methods of measurement "
        "with multiple observations per individual", "Journal of Biopharmaceutical Statistics",
        "17", "571--582", "limits from replicates",
    )  # fmt: skip
    yield Reference(
        "carkeet2015", "Carkeet, A", 2015, "Exact parametric confidence intervals for Bland-Altman "
        "limits of agreement", "Optometry and Vision Science", "92", "e71--e80",
        "intervals of limits by the noncentral t distribution",
    )  # fmt: skip
    yield Reference(
        "zou2013", "Zou, G Y", 2013, "Confidence interval estimation for the Bland-Altman limits "
        "of agreement with multiple observations per individual", smmr, "22", "630--642",
        "intervals of limits recovered from those of bias and SD",
    )  # fmt: skip
    yield Reference(
        "weerahandi1993", "Weerahandi, S", 1993, "Generalized confidence intervals",
        "Journal of the American Statistical Association", "88", "899--905", "generalised pivots",
    )  # fmt: skip
    yield Reference(
        "liao2005", "Liao, C T and Lin, T Y and Iyer, H K", 2005, "One- and two-sided tolerance "
        "intervals for general balanced mixed models and unbalanced one-way random models",
        "Technometrics", "47", "323--335", "pivots in mixed models",
    )  # fmt: skip
    yield Reference(
        "efron1993", "Efron, B and Tibshirani, R J", 1993, "An Introduction to the Bootstrap",
        "Chapman and Hall", "", "", "studentised bootstrap",
    )  # fmt: skip
    yield Reference(
        "miller1968", "Miller, R G", 1968, "Jackknifing variances",
        "Annals of Mathematical Statistics", "39", "567--582", "ratio of repeatability SDs",
    )  # fmt: skip
    yield Reference(
        "miller1974", "Miller, R G", 1974, "The jackknife: a review", "Biometrika", "61", "1--15",
        "jackknife by subject",
    )  # fmt: skip
    yield Reference(
        "fisher1934", "Fisher, R A", 1934, "Two new properties of mathematical likelihood",
        "Proceedings of the Royal Society A", "144", "285--307",
        "exact intervals of place and scale of a known law", checked=True,
    )  # fmt: skip
    yield Reference(
        "taraldsen2013", "Taraldsen, Gunnar and Lindqvist, Bo Henry", 2013, "Fiducial theory and "
        "optimal inference", "Annals of Statistics", "41", "323--341",
        "the same where every sitting has a place of its own", checked=True,
    )  # fmt: skip
    yield Reference(
        "linnet1993", "Linnet, K", 1993, "Evaluation of regression procedures for methods "
        "comparison studies", "Clinical Chemistry", "39", "424--432", "Deming line",
    )  # fmt: skip
    yield Reference(
        "passing1983", "Passing, H and Bablok, W", 1983, "A new biometrical procedure for testing "
        "the equality of measurements from two different analytical methods",
        "Journal of Clinical Chemistry and Clinical Biochemistry", "21", "709--720", "ranked line",
    )  # fmt: skip
    yield Reference(
        "lin1989", "Lin, L I", 1989, "A concordance correlation coefficient to evaluate "
        "reproducibility", "Biometrics", "45", "255--268", "concordance correlation",
    )  # fmt: skip
    yield Reference(
        "schuirmann1987", "Schuirmann, D J", 1987, "A comparison of the two one-sided tests "
        "procedure and the power approach for assessing the equivalence of average bioavailability",
        "Journal of Pharmacokinetics and Biopharmaceutics", "15", "657--680", "equivalence",
    )  # fmt: skip
    yield Reference(
        "shapiro1965", "Shapiro, S S and Wilk, M B", 1965, "An analysis of variance test for "
        "normality (complete samples)", "Biometrika", "52", "591--611", "normality of differences",
    )  # fmt: skip
    yield Reference(
        "anscombe1983", "Anscombe, F J and Glynn, W J", 1983, "Distribution of the kurtosis "
        "statistic b2 for normal samples", "Biometrika", "70", "227--234",
        "tails within sittings",
    )  # fmt: skip
    yield Reference(
        "rosner1983", "Rosner, B", 1983, "Percentage points for a generalized ESD many-outlier "
        "procedure", "Technometrics", "25", "165--172", "readings that stand apart",
    )  # fmt: skip
    yield Reference(
        "hyndman1996", "Hyndman, R J and Fan, Y", 1996, "Sample quantiles in statistical packages",
        "The American Statistician", "50", "361--365", "quantile limits",
    )  # fmt: skip
    yield Reference(
        "patterson1971", "Patterson, H D and Thompson, R", 1971, "Recovery of inter-block "
        "information when block sizes are unequal", "Biometrika", "58", "545--554",
        "variance components of crossed operators",
    )  # fmt: skip
    yield Reference(
        "mcgraw1996", "McGraw, K O and Wong, S P", 1996, "Forming inferences about some intraclass "
        "correlation coefficients", "Psychological Methods", "1", "30--46",
        "intraclass correlations",
    )  # fmt: skip
    yield Reference(
        "kottner2011", "Kottner, J and Audigé, L and Brorson, S and Donner, A and Gajewski, B J "
        "and Hróbjartsson, A and Roberts, C and Shoukri, M and Streiner, D L", 2011,
        "Guidelines for reporting reliability and agreement studies (GRRAS) were proposed",
        "Journal of Clinical Epidemiology", "64", "96--106", "what a report must say", True,
    )  # fmt: skip


REFERENCES = {item.key: item for item in _entries()}
"""Every source that a methods paragraph may cite, by its key."""


def bibtex(keys: Iterable[str] = tuple(REFERENCES)) -> str:
    """Entries of sources for a BibTeX file.

    Parameters
    ----------
    keys : iterable of str
        By default all.

    Returns
    -------
    str

    Raises
    ------
    ParameterError
        A key that is not known.

    Examples
    --------
    >>> print(bibtex(["bland1986"]).splitlines()[0])
    @article{bland1986,
    """
    out = []
    for key in keys:
        if key not in REFERENCES:
            raise ParameterError(f"reference {key!r}: use one of {', '.join(REFERENCES)}")
        item = REFERENCES[key]
        fields = {"author": item.author, "year": str(item.year), "title": f"{{{item.title}}}"}
        if item.pages:
            fields |= {"journal": item.journal, "volume": item.volume, "pages": item.pages}
        else:
            fields["publisher"] = item.journal
        fields["note"] = f"Used for: {item.use}." + (
            "" if item.checked else " Title and last page from memory; check before printing."
        )
        rows = ",\n".join(f"  {name} = {{{value}}}" for name, value in fields.items())
        out.append(f"@{'article' if item.pages else 'book'}{{{key},\n{rows}\n}}\n")
    return "\n".join(out)
