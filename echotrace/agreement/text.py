"""The words of an agreement analysis: the results as a paragraph, and figures with their units."""

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
from echotrace.agreement.robust import ALPHA_NORMAL
from echotrace.agreement.variance import Estimate
from echotrace.sittings.pressing_term import PRESSING_SOURCE

if TYPE_CHECKING:
    from echotrace.agreement.regression import Line
    from echotrace.agreement.repeatability import Repeatability
    from echotrace.agreement.results import Agreement

__all__ = ["decimals", "number", "p_text", "paragraph", "repeatability_paragraph", "with_interval"]


def decimals(spread: float) -> int:
    """Decimals that show a spread with three significant digits.

    Parameters
    ----------
    spread : float

    Returns
    -------
    int

    Examples
    --------
    >>> decimals(0.123)
    3
    """
    if not spread > 0 or not math.isfinite(spread):
        return 3
    return max(0, min(6, 2 - math.floor(math.log10(spread))))


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
    places = decimals(result.limits.sd.value)
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
        f"For {_values(result.limits)}, {_hands(result.limits)}, the differences {a} − {b} had an "
        + _limits_words(result.limits, places, unit, percent),
    ]
    if unit == "mm" and {a, b} == {"contact", "immersion"}:
        out.insert(1, _pressing_words(result))
    for other in result.all_limits:
        if other is not result.limits:
            out.append(
                f"For {_values(other)}, {_hands(other)}, the limits are "
                f"{number(other.lower.value, places)} and {number(other.upper.value, places)} "
                f"{unit}."
            )
    quantiles = result.quantile_limits
    if quantiles is not None and result.normality_p < ALPHA_NORMAL:
        out.append(
            "The differences are not normally distributed; 95 % of them lie between the quantiles "
            f"{shown(quantiles.lower)} and {shown(quantiles.upper)}."
        )
    if result.deming is not None:
        out.append(_line_sentence(result.deming, percent))
    out.append(f"Concordance correlation was {with_interval(result.concordance, 3, '', percent)}.")
    if result.spread is not None and result.repeatability_a and result.repeatability_b:
        sd_a, sd_b = result.repeatability_a.within_sd, result.repeatability_b.within_sd
        out.append(
            f"Within a sitting the SD was {number(sd_a.value, decimals(sd_a.value))} {unit} by {a} "
            f"and {number(sd_b.value, decimals(sd_b.value))} {unit} by {b}, a ratio of "
            f"{with_interval(result.spread.ratio, 2, '', percent)}, {p_text(result.spread.p)} for "
            "equal spreads."
        )
    if result.equivalence is not None:
        e = result.equivalence
        verdict = "lies within" if e.equivalent else "was not shown to lie within"
        out.append(
            f"The bias {verdict} ±{e.margin:.3g} {unit} (two one-sided tests, {p_text(e.p)}; "
            f"{100 * (2 * result.confidence - 1):g} % interval {number(e.low, places)} to "
            f"{number(e.high, places)} {unit})."
        )
    return " ".join(out)


def _limits_words(limits: Limits, places: int, unit: str, percent: str) -> str:
    if limits.sd.how == TOO_FEW:
        sd, lower, upper = (
            number(item.value, places) for item in (limits.sd, limits.lower, limits.upper)
        )
        return (
            f"SD of {sd} {unit} and limits of agreement from {lower} to {upper} {unit}, without "
            f"intervals: {TOO_FEW}."
        )
    sd, lower, upper = (
        with_interval(item, places, unit, percent)
        for item in (limits.sd, limits.lower, limits.upper)
    )
    return f"SD of {sd} and limits of agreement from {lower} to {upper}."


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
    text = f"The Deming slope was {with_interval(slope, 3, '', percent)}"
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
    places = decimals(result.within_sd.value)
    unit = result.unit
    out = [
        f"{result.method}: {result.n_readings} readings in {result.n_sittings} sittings of "
        f"{result.n_eyes} eyes of {result.n_subjects} subjects. The repeatability SD was "
        f"{with_interval(result.within_sd, places, unit, percent)} on {result.df_within} degrees "
        f"of freedom, the repeatability limit "
        f"{with_interval(result.repeatability_limit, places, unit, percent)}, the CV "
        f"{number(result.cv_percent.value, 2)} %."
    ]
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
    if "reading" in result.icc:
        out.append(
            "The intraclass correlation of a single reading was "
            f"{with_interval(result.icc['reading'], 4, '', percent)}."
        )
    if result.trend is not None:
        t = result.trend
        out.append(
            f"The SD {'changed' if t.p < 0.05 else 'did not demonstrably change'} with the length "
            f"(Kendall's tau {number(t.tau, 2)}, {p_text(t.p)})."
        )
    out += [f"Note: {note}." for note in result.notes]
    return " ".join(out)
