"""What was computed, as a paragraph for the methods section of a paper, with its references."""

from __future__ import annotations

from typing import TYPE_CHECKING

from echotrace.agreement.limits import TOO_FEW
from echotrace.agreement.references import REFERENCES, Reference
from echotrace.agreement.resampling import JACKKNIFE, STUDENTISED
from echotrace.agreement.student import STUDENT
from echotrace.agreement.variance import WIDER_OF

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from echotrace.agreement.results import Agreement

__all__ = ["methods_paragraph"]


def methods_paragraph(
    result: Agreement, versions: Mapping[str, str]
) -> tuple[str, tuple[Reference, ...]]:
    """A methods paragraph of exactly what was computed, and its references in their order.

    Parameters
    ----------
    result : Agreement
    versions : mapping of str to str
        Names of programs and their versions.

    Returns
    -------
    paragraph : str
        References by number in square brackets.
    references : tuple of Reference

    Examples
    --------
    >>> import echotrace as et
    >>> study = et.Study(
    ...     value=[23.0, 23.4, 24.1, 24.2, 22.0, 22.3],
    ...     subject=["a", "a", "b", "b", "c", "c"],
    ...     method=["contact", "immersion"] * 3,
    ... )
    >>> text, references = methods_paragraph(et.compare_methods(study), {"echotrace": "1.0"})
    >>> text[:45], references[0].key
    ('Agreement of contact with immersion was analy', 'kottner2011')
    """
    keys: list[str] = []

    def cite(*wanted: str) -> str:
        for key in wanted:
            if key not in keys:
                keys.append(key)
        return f"[{','.join(str(keys.index(key) + 1) for key in wanted)}]"

    a, b = result.label_a, result.label_b
    out = [
        f"Agreement of {a} with {b} was analysed in {result.n_eyes} eyes of {result.n_subjects} "
        f"subjects and is reported by the guidelines for agreement studies {cite('kottner2011')}.",
        f"Differences are {a} minus {b}; subjects, not eyes, count as independent. Limits of "
        f"agreement are bias ± 1.96 SD of the differences {cite('bland1986', 'bland1999')}.",
    ]
    if result.limits_reading is not None:
        out.append(
            "For single readings the spread that means hide was added from the replicates "
            f"{cite('bland1999', 'bland2007')}."
        )
    out += _intervals(result, cite)
    if result.cells is not None:
        out.append(
            "Parts of subjects, eyes and operators were told apart by restricted maximum "
            f"likelihood {cite('patterson1971')}."
        )
    checks = f"Normality of the differences was tested by Shapiro and Wilk {cite('shapiro1965')}"
    if result.cells is not None:
        checks += ", of the means by subject without what operators add"
    if result.repeatability_a is not None:
        checks += (
            f", the tails of readings within sittings by their kurtosis {cite('anscombe1983')}"
        )
    out.append(
        f"{checks}, their spread against the length by Kendall's rank correlation "
        f"{cite('bland1999')}, and readings apart from the rest by the generalised extreme "
        f"Studentized deviate at 1 % {cite('rosner1983')}."
    )
    if result.quantile_limits is not None and not result.limits.as_quantiles:
        out.append(
            f"Limits are also given as quantiles of the differences {cite('hyndman1996')}, with "
            "intervals from order statistics."
        )
    if result.deming is not None:
        out.append(
            f"Lines were fitted by Deming with jackknife errors {cite('linnet1993')} and by ranks "
            f"{cite('passing1983')}; concordance correlation follows Lin {cite('lin1989')}."
        )
    else:
        out.append(f"Concordance correlation follows Lin {cite('lin1989')}.")
    if result.spread is not None:
        out.append(
            "Repeatability SDs were pooled over sittings and their ratio tested by the jackknife "
            f"by subject on the logarithm {cite('miller1968', 'miller1974')}."
        )
    forms = {name for item in (result.repeatability_a, result.repeatability_b) if item is not None
             for name in item.icc}  # fmt: skip
    if any(name.startswith("ICC") for name in forms):
        out.append(
            f"Intraclass correlations are the forms of McGraw and Wong {cite('mcgraw1996')}."
        )
    if result.equivalence is not None:
        out.append(
            f"The bias was held against ±{result.equivalence.margin:.3g} {result.unit} by two "
            f"one-sided tests {cite('schuirmann1987')}; limits count as within the margin where "
            "the outer ends of their intervals are."
        )
    made = ", ".join(f"{name} {version}" for name, version in versions.items())
    out.append(
        f"Intervals are of {100 * result.confidence:g} %; those by resampling are of "
        f"{result.n_bootstrap} draws of subjects (seed {result.seed}). Computed by {made}."
    )
    if result.synthetic:
        out.append("The readings are of synthetic traces; no patient was measured.")
    return " ".join(out), tuple(REFERENCES[key] for key in keys)


def _intervals(result: Agreement, cite: Callable[..., str]) -> list[str]:
    """How the intervals of the limits were made, in words."""
    how = result.limits.lower.how
    if how == TOO_FEW:
        return ["Limits have no intervals, because operators were too few to be counted."]
    if result.limits.as_quantiles:
        return [
            "Since the differences were not normal, limits are their 2.5 % and 97.5 % quantiles "
            f"{cite('hyndman1996')}, with intervals from order statistics."
        ]
    if how.startswith(WIDER_OF):
        normal, others = _normal(how, cite), _others(how, cite)
        why = (
            "to withstand heavy tails, as chosen beforehand"
            if result.intervals == "wider"
            else "since the differences were not normal"
        )
        return [f"Intervals of the limits have the outer ends of those by {normal} and of "
                f"{' and of '.join(others)}, {why}."]  # fmt: skip
    if how.startswith("generalised pivots"):
        text = f"generalised pivots that count operators {cite('weerahandi1993', 'liao2005')}"
    else:
        text = _normal(how, cite)
    out = [f"Intervals of the limits were made by {text}."]
    beside = result.limits.beside
    if result.tails and beside:
        out.append(
            "Since a study of so many subjects cannot rule out heavy tails, wider intervals stand "
            "beside them, with the outer ends of these and of "
            f"{' and of '.join(_others(beside['lower'].how, cite))}."
        )
    return out


def _normal(how: str, cite: Callable[..., str]) -> str:
    """What intervals were made by where differences are taken for normal."""
    if "noncentral" in how:
        return f"the noncentral t distribution {cite('carkeet2015')}"
    return f"recovery from those of bias and SD {cite('zou2013')}"


def _others(how: str, cite: Callable[..., str]) -> list[str]:
    """Intervals whose ends count beside the normal ones where these are not the outer ones."""
    found = []
    if STUDENT in how:
        found.append(
            f"those for Student's t with 3 degrees of freedom {cite('fisher1934')}"
            + (
                ""
                if "noncentral" in how
                else f", recovered from those of bias and SD {cite('zou2013')}"
            )
        )
    if JACKKNIFE in how:
        found.append(
            f"those by the jackknife by subject {cite('miller1974')}, recovered from those of "
            f"bias and SD {cite('zou2013')}"
        )
    elif STUDENTISED in how:
        found.append(f"those by the studentised bootstrap by subject {cite('efron1993')}")
    return found
