"""The words of an agreement analysis: the results as a paragraph, and numbers with their units."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from echotrace.agreement.limits import (
    DIFFERENT_OPERATORS,
    ONE_OPERATOR,
    OWN_OPERATORS,
    SAME_OPERATOR,
    TOO_FEW,
    Limits,
)
from echotrace.agreement.results import BEYOND, NOT_SHOWN, WITHIN
from echotrace.agreement.robust import ALPHA_NORMAL
from echotrace.agreement.variance import Estimate
from echotrace.sittings.pressing_term import PRESSING_SOURCE

if TYPE_CHECKING:
    from echotrace.agreement.regression import Line
    from echotrace.agreement.repeatability import Repeatability
    from echotrace.agreement.results import Agreement, Equivalence

__all__ = [
    "ICC_WORDS",
    "NOT_MODELLED",
    "decimals",
    "number",
    "p_text",
    "paragraph",
    "places_of",
    "places_of_ratio",
    "places_of_share",
    "repeatability_paragraph",
    "with_interval",
]


def decimals(uncertainty: float, unit: str = "") -> int:
    """Decimals for a value of this uncertainty: one digit of it, two where the first is 1 or 2.

    Parameters
    ----------
    uncertainty : float
    unit : str
        Two or three decimals of a millimetre are given, whatever is known.

    Returns
    -------
    int

    Examples
    --------
    >>> decimals(0.5), decimals(0.0123), decimals(0.00012, "mm")
    (1, 3, 3)
    """
    if not uncertainty > 0 or not math.isfinite(uncertainty):
        return 3
    lead = math.floor(math.log10(uncertainty))
    two = uncertainty / 10.0**lead < 2.95
    least, most = (2, 3) if unit == "mm" else (0, 6)
    return max(least, min(most, -lead + (1 if two else 0)))


def places_of(unit: str, *estimates: Estimate | None) -> int:
    """Decimals that the best known of some values is worth.

    Parameters
    ----------
    unit : str
    *estimates : Estimate or None
        Half the width of their intervals is their uncertainty; a tenth of the value where there
        is no interval.

    Returns
    -------
    int

    Examples
    --------
    >>> places_of("mm", Estimate(0.2, 0.16, 0.24)), places_of("", Estimate(84.03, 60.0, 110.0))
    (2, 0)
    """
    found = []
    for item in estimates:
        if item is None:
            continue
        half = 0.5 * (item.high - item.low)
        found.append(half if half > 0 and math.isfinite(half) else 0.1 * abs(item.value))
    found = [value for value in found if value > 0]
    return decimals(min(found, default=math.nan), unit)


def places_of_ratio(ratio: Estimate) -> int:
    """Decimals of a ratio: by the nearer end of its interval, for errors of ratios are factors.

    Parameters
    ----------
    ratio : Estimate

    Returns
    -------
    int

    Examples
    --------
    >>> places_of_ratio(Estimate(0.22, 0.002, 23.0)), places_of_ratio(Estimate(2.5, 1.8, 3.4))
    (2, 1)
    """
    near = min(ratio.value - ratio.low, ratio.high - ratio.value)
    return decimals(near if near > 0 else 0.1 * ratio.value)


def places_of_share(estimate: Estimate) -> int:
    """Decimals of a share or correlation, up to six: near 1, those that tell it from 1.

    Parameters
    ----------
    estimate : Estimate

    Returns
    -------
    int

    Examples
    --------
    >>> places_of_share(Estimate(0.9984)), places_of_share(Estimate(0.98, 0.95, 0.99))
    (5, 3)
    """
    half = 0.5 * (estimate.high - estimate.low)
    unknown = not half > 0
    return decimals(0.1 * (1.0 - abs(estimate.value)) if unknown else half)


ICC_WORDS = {
    "reading": "one reading, between eyes against all else, by variance components (one-way random "
    "effects)",
    "sitting_mean": "the mean of a sitting, between eyes against all else, by variance components "
    "(one-way random effects)",
    "ICC(1)": "one operator's mean, one-way random effects, absolute agreement",
    "ICC(k)": "the mean of all operators, one-way random effects, absolute agreement",
    "ICC(C,1)": "one operator's mean, two-way effects, consistency (operators' biases left out)",
    "ICC(C,k)": "the mean of all operators, two-way effects, consistency (operators' biases left "
    "out)",
    "ICC(A,1)": "one operator's mean, two-way random effects, absolute agreement",
    "ICC(A,k)": "the mean of all operators, two-way random effects, absolute agreement",
}
"""Forms of the intraclass correlation in words; McGraw & Wong 1996, Psychological Methods 1:30."""

NOT_MODELLED = (
    "The traces are synthetic and, unless their scenario asks for it, leave out what makes real "
    "readings scatter: steps of an instrument, an operator who goes on until readings agree, a "
    "shell off centre. Immersion scatters far too little without them, so its SD and any ratio to "
    "it are no findings about methods"
)
"""Said beside the spreads of synthetic traces; ``synthetic_traces/README.md`` has the figures."""


def number(value: float, places: int) -> str:
    """A number with a true minus sign, or a dash where there is none.

    Parameters
    ----------
    value : float
    places : int
        Decimals.

    Returns
    -------
    str

    Examples
    --------
    >>> number(-0.1234, 2)
    '−0.12'
    """
    if math.isnan(value):
        return "–"
    if math.isinf(value):
        return "∞" if value > 0 else "−∞"
    text = f"{value:.{places}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def with_interval(estimate: Estimate, places: int, unit: str = "", percent: str = "95 %") -> str:
    """Figure, unit and interval, or why there is none.

    Parameters
    ----------
    estimate : Estimate
    places : int
        Decimals.
    unit, percent : str

    Returns
    -------
    str

    Examples
    --------
    >>> with_interval(Estimate(0.5, 0.4, 0.6), 2, "mm")
    '0.50 mm (95 % interval 0.40 to 0.60)'
    """
    unit = f" {unit}" if unit else ""
    text = f"{number(estimate.value, places)}{unit}"
    if math.isnan(estimate.low) or math.isnan(estimate.high):
        return f"{text} ({estimate.how if estimate.how.startswith('too few') else 'no interval'})"
    low, high = number(estimate.low, places), number(estimate.high, places)
    return f"{text} ({percent} interval {low} to {high})"


def p_text(p: float) -> str:
    """A p-value as journals print it.

    Parameters
    ----------
    p : float

    Returns
    -------
    str

    Examples
    --------
    >>> p_text(0.0123)
    'p = 0.012'
    """
    if math.isnan(p):
        return "p not given"
    return "p < 0.001" if p < 0.001 else f"p = {p:.3f}" if p < 0.1 else f"p = {p:.2f}"


def _pressing_words(result: Agreement) -> str:
    """The difference against what a single contact length is stated with."""
    longer = result.bias.value if result.label_b == "contact" else -result.bias.value
    return (
        f"Immersion less contact is {longer:.2f} mm here; the interval of a single contact length "
        f"takes in what is published: {PRESSING_SOURCE}."
    )


def paragraph(result: Agreement) -> str:
    """The results of an agreement analysis as a paragraph.

    Parameters
    ----------
    result : Agreement

    Returns
    -------
    str

    Examples
    --------
    >>> import echotrace as et
    >>> study = et.Study(
    ...     value=[23.0, 23.4, 24.1, 24.2, 22.0, 22.3],
    ...     subject=["a", "a", "b", "b", "c", "c"],
    ...     method=["contact", "immersion"] * 3,
    ... )
    >>> paragraph(et.compare_methods(study))[:29]
    'In 3 eyes of 3 subjects, cont'
    """
    a, b, unit = result.label_a, result.label_b, result.unit
    places = places_of(unit, result.bias, result.limits.lower, result.limits.upper)
    percent = f"{100 * result.confidence:g} %"

    def shown(estimate: Estimate, digits: int = places, of: str = unit) -> str:
        return with_interval(estimate, digits, of, percent)

    eyes = (
        f"{result.n_eyes} {'eye' if result.n_eyes == 1 else 'eyes'} of {result.n_subjects} subjects"
    )
    direction = "longer" if result.bias.value > 0 else "shorter"
    if unit != "mm":
        direction = "higher" if result.bias.value > 0 else "lower"
    size = Estimate(
        abs(result.bias.value),
        *(
            (result.bias.low, result.bias.high)
            if result.bias.value > 0
            else (-result.bias.high, -result.bias.low)
        ),
    )
    out = [
        f"In {eyes}, {a} read {shown(size)} {direction} than {b} ({p_text(result.bias_p)}).",
        f"For {_values(result.limits)}, {_hands(result.limits)}, the differences {a} − {b} had "
        + _limits_words(result.limits, places, unit, percent),
    ]
    out += _wider_words(result, places)
    if unit == "mm" and {a, b} == {"contact", "immersion"}:
        out.insert(1, _pressing_words(result))
    for other in result.all_limits:
        # Where there is a margin, the sentences about it list them all.
        if other is not result.limits and result.equivalence is None:
            by = ", by the SD," if result.limits.as_quantiles else ""
            wide = _wider_ends(result, other, places, ", the wider intervals {} and {}")
            out.append(
                f"For {_values(other)}, {_hands(other)}, the limits{by} are {shown(other.lower)} "
                f"and {shown(other.upper)}{wide}."
            )
    quantiles = result.quantile_limits
    if (
        quantiles is not None
        and result.normality_p < ALPHA_NORMAL
        and not result.limits.as_quantiles
    ):
        out.append(
            "The differences are not normally distributed; 95 % of them lie between the quantiles "
            f"{shown(quantiles.lower)} and {shown(quantiles.upper)}."
        )
    if result.deming is not None:
        out.append(_line_sentence(result.deming, percent))
    out.append(
        "Concordance correlation was "
        f"{with_interval(result.concordance, places_of_share(result.concordance), '', percent)}."
    )
    if result.spread is not None and result.repeatability_a and result.repeatability_b:
        sd_a, sd_b = result.repeatability_a.within_sd, result.repeatability_b.within_sd
        ratio = result.spread.ratio
        if result.synthetic:
            out.append(f"{NOT_MODELLED}; none is told here.")
        else:
            out.append(
                f"Within a sitting the SD was {number(sd_a.value, places_of(unit, sd_a))} {unit} "
                f"by {a} and {number(sd_b.value, places_of(unit, sd_b))} {unit} by {b}, a ratio of "
                f"{with_interval(ratio, places_of_ratio(ratio), '', percent)}, "
                f"{p_text(result.spread.p)} for equal spreads."
            )
    if result.equivalence is not None:
        out += _margin_sentences(result, result.equivalence, places)
    return " ".join(out)


def _wider_words(result: Agreement, places: int) -> list[str]:
    """What a study of this size cannot tell of tails, and the intervals that withstand them."""
    if not result.tails:
        return []
    ends = _wider_ends(result, result.limits, places, "{} and {}")
    if not ends:
        return [f"{result.tails}."]
    return [
        f"{result.tails}; these are {ends}. Publish these, unless "
        "something outside these data shows that such differences are normal."
    ]


def _wider_ends(result: Agreement, limits: Limits, places: int, words: str) -> str:
    """Intervals of both limits that withstand heavy tails; empty where the leading ones do."""
    if not result.tails or not limits.beside:
        return ""
    wide = [limits.beside[name] for name in ("lower", "upper")]
    ends = [f"{number(x.low, places)} to {number(x.high, places)}" for x in wide]
    return f"{words.format(*ends)} {result.unit}"


def _margin_sentences(result: Agreement, found: Equivalence, places: int) -> list[str]:
    unit = result.unit
    margin = f"±{found.margin:.3g} {unit}"
    verdict = "lies within" if found.equivalent["bias"] else "was not shown to lie within"
    out = [
        f"The bias {verdict} {margin} (two one-sided tests, {p_text(found.p)}; "
        f"{100 * (2 * result.confidence - 1):g} % interval {number(found.low, places)} to "
        f"{number(found.high, places)} {unit})."
    ]
    by = ", by the SD" if result.limits.as_quantiles else ""
    for item in result.all_limits:
        words = {
            WITHIN: f"lie within {margin}, with their intervals",
            NOT_SHOWN: f"lie within {margin}, but this is not shown: "
            + (
                f"intervals are missing ({TOO_FEW})"
                if math.isnan(item.lower.low)
                else "their intervals reach beyond"
            ),
            BEYOND: f"reach beyond {margin}",
        }[found.limits[f"limits of {item.label}"]]
        out.append(
            f"The limits of {_values(item)}, {_hands(item)}"
            f"{', as quantiles' if item.as_quantiles else by}, "
            f"{number(item.lower.value, places)} to {number(item.upper.value, places)} {unit}, "
            f"{words}."
        )
    return out


def _limits_words(limits: Limits, places: int, unit: str, percent: str) -> str:
    if limits.sd.how == TOO_FEW:
        sd, lower, upper = (
            number(item.value, places) for item in (limits.sd, limits.lower, limits.upper)
        )
        return (
            f"an SD of {sd} {unit} and limits of agreement from {lower} to {upper} {unit}, without "
            f"intervals: {TOO_FEW}."
        )
    sd, lower, upper = (
        with_interval(item, places, unit, percent)
        for item in (limits.sd, limits.lower, limits.upper)
    )
    if limits.as_quantiles:
        return (
            f"limits of agreement from {lower} to {upper}. These are the 2.5 % and 97.5 % "
            "quantiles, since the differences are not normally distributed."
        )
    return f"an SD of {sd} and limits of agreement from {lower} to {upper}."


def _values(limits: Limits) -> str:
    return {"pairs": "single pairs", "means of a sitting": "the mean of a sitting"}.get(
        limits.of, limits.of
    )


def _hands(limits: Limits) -> str:
    """Who takes the two values that are compared."""
    return {
        ONE_OPERATOR: "taken by the study's one operator",
        SAME_OPERATOR: "both taken by the same operator",
        DIFFERENT_OPERATORS: "taken by different operators",
        OWN_OPERATORS: "each method taken by its own operator",
    }[limits.operators]


def _line_sentence(line: Line, percent: str) -> str:
    slope = line.slope
    text = f"The Deming slope was {with_interval(slope, places_of('', slope), '', percent)}"
    if math.isnan(slope.low):
        return f"{text}."
    if slope.low <= 1.0 <= slope.high:
        return f"{text}, which does not exclude 1: no proportional bias was shown."
    return f"{text}, which excludes 1: the bias changes with the length."


def repeatability_paragraph(result: Repeatability, confidence: float = 0.95) -> str:
    """The repeatability of one method as a paragraph.

    Parameters
    ----------
    result : Repeatability
    confidence : float
        Of its intervals.

    Returns
    -------
    str

    Examples
    --------
    >>> from echotrace.agreement.repeatability import repeatability
    >>> from echotrace.agreement.study import Study
    >>> study = Study(value=[23.0, 23.2, 24.1, 24.2], subject=list("aabb"), method="contact")
    >>> repeatability_paragraph(repeatability(study))[:31]
    'contact: 4 readings in 2 sittin'
    """
    percent = f"{100 * confidence:g} %"
    unit = result.unit
    places = places_of(unit, result.within_sd)
    out = [
        f"{result.method}: {result.n_readings} readings in {result.n_sittings} sittings of "
        f"{result.n_eyes} eyes of {result.n_subjects} subjects. The repeatability SD was "
        f"{with_interval(result.within_sd, places, unit, percent)} on {result.df_within} degrees "
        f"of freedom, the repeatability limit "
        f"{with_interval(result.repeatability_limit, places, unit, percent)}."
    ]
    if result.wider != result.within_sd:
        wide = f"{number(result.wider.low, places)} to {number(result.wider.high, places)} {unit}"
        out.append(f"Should tails be heavy, the interval of the SD is {wide}.")
    if result.cv_percent is not None:
        out.append(
            f"The SD grows with the length; the CV was {number(result.cv_percent.value, 2)} %."
        )
    if result.reproducibility_sd is not None:
        out.append(
            "The reproducibility SD was "
            f"{with_interval(result.reproducibility_sd, places, unit, percent)}."
        )
    for name in ("operator", "sitting"):
        if name in result.components:
            out.append(
                f"The SD between {name}s was "
                f"{with_interval(result.components[name], places, unit, percent)}."
            )
    icc = result.icc.get("reading")
    if icc is not None:
        out.append(
            "The intraclass correlation of a single reading, between eyes against all else, was "
            f"{with_interval(icc, places_of_share(icc), '', percent)}."
        )
    if result.trend is not None:
        t = result.trend
        out.append(
            f"The SD {'changed' if t.p < 0.05 else 'did not demonstrably change'} with the length "
            f"(Kendall's tau {number(t.tau, 2)}, {p_text(t.p)})."
        )
    out += [f"Note: {note}." for note in result.notes]
    return " ".join(out)
