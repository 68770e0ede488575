"""Rows of the tables on the page of a comparison: text of numbers, nothing computed."""

from __future__ import annotations

from echotrace.agreement.repeatability import Repeatability
from echotrace.agreement.results import Agreement
from echotrace.agreement.text import ICC_WORDS, number, places_of, places_of_ratio, places_of_share
from echotrace.agreement.variance import Estimate

__all__ = ["answer_rows", "limit_rows", "method_rows", "operator_rows", "rows_of"]


def _value(estimate: Estimate, digits: int, of: str = "") -> str:
    return f"{number(estimate.value, digits)} {of}".strip()


def _interval(estimate: Estimate, digits: int) -> str:
    if estimate.low != estimate.low:
        return "–"
    return f"{number(estimate.low, digits)} to {number(estimate.high, digits)}"


def _limit_places(result: Agreement) -> int:
    return places_of(result.unit, result.bias, result.limits.lower, result.limits.upper)


def answer_rows(result: Agreement) -> list[tuple[str, str, str]]:
    """What a reader came for: name, value and interval, and what it says; few lines.

    Parameters
    ----------
    result : Agreement

    Returns
    -------
    list of (name, value, verdict)
        Spreads of synthetic traces are not among them: they leave out what makes readings scatter.

    Examples
    --------
    >>> answer_rows(agreement)[0][0]  # of `et.compare_methods`
    'bias contact − immersion'
    """
    unit, places = result.unit, _limit_places(result)
    percent = f"{100 * result.confidence:g} %"
    margin, found = result.equivalence, {}
    if margin is not None:
        found = {"bias": "within" if margin.equivalent["bias"] else "not shown to lie within"}
        found |= {key.removeprefix("limits of "): text for key, text in margin.limits.items()}

    def verdict(key: str) -> str:
        return f"{found[key]} ±{margin.margin:.3g} {unit}" if margin is not None else ""

    bias = _interval(result.bias, places)
    rows = [
        (
            f"bias {result.label_a} − {result.label_b}",
            f"{_value(result.bias, places, unit)} ({percent} interval {bias})",
            verdict("bias"),
        )
    ]
    shown = [result.limits]
    if result.limits_reading is not None:
        shown.append(result.limits_reading)
    for item in shown:
        ends = [_value(end, places) for end in (item.lower, item.upper)]
        outer = f"{number(item.lower.low, places)} to {number(item.upper.high, places)}"
        known = item.lower.low == item.lower.low
        told = [f"with their intervals {outer}" if known else item.lower.how]
        if result.tails and item.beside:
            low, high = item.beside["lower"].low, item.beside["upper"].high
            far = f"{number(low, places)} to {number(high, places)}"
            told.append(f"should tails be heavy {far}")
        rows.append(
            (
                f"limits of agreement, {item.label}",
                f"{ends[0]} to {ends[1]} {unit} ({'; '.join(told)})",
                verdict(item.label),
            )
        )
    if result.repeatability_a is not None and not result.synthetic:
        repeats = [item for item in (result.repeatability_a, result.repeatability_b) if item]
        for repeat in repeats:
            sd, fine = repeat.within_sd, places_of(unit, repeat.within_sd)
            known = sd.low == sd.low
            told = [f"{percent} interval {_interval(sd, fine)}" if known else "no interval"]
            if repeat.wider != sd:
                told.append(f"should tails be heavy {_interval(repeat.wider, fine)}")
            rows.append(
                (
                    f"repeatability SD, {repeat.method}",
                    f"{_value(sd, fine, unit)} ({'; '.join(told)})",
                    "",
                )
            )
    return rows


def limit_rows(result: Agreement) -> list[list[str]]:
    """Limits of every kind: what they are of, SD, lower and upper limit with intervals, and how.

    Parameters
    ----------
    result : Agreement

    Returns
    -------
    list of list of str
        Eight texts a row. An interval of another make stands in a row of its own.

    Examples
    --------
    >>> limit_rows(agreement)[0][0]  # of `et.compare_methods`
    'means of a sitting, same operator'
    """
    places = _limit_places(result)
    rows = []
    kinds = list(result.all_limits)
    if result.quantile_limits is not None and not result.limits.as_quantiles:
        kinds.append(result.quantile_limits)
    for item in kinds:
        row = [item.label]
        for estimate in (item.sd, item.lower, item.upper):
            row += [_value(estimate, places), _interval(estimate, places)]
        if item.as_quantiles:
            row[1:3] = ["–", "–"]
        rows.append([*row, item.lower.how])
        if item.beside:
            row = ["the same, should tails be heavy"]
            for name in ("sd", "lower", "upper"):
                row += ["", _interval(item.beside[name], places)]
            rows.append([*row, item.beside["lower"].how])
    return rows


def rows_of(result: Agreement) -> list[tuple[str, str, str, str]]:
    """Name, value, interval and how it was made, of what is neither limits nor of one method.

    Parameters
    ----------
    result : Agreement

    Returns
    -------
    list[tuple[str, str, str, str]]

    Examples
    --------
    >>> rows_of(agreement)[0][0]  # of `et.compare_methods`
    'bias contact − immersion'
    """
    unit = result.unit
    places = _limit_places(result)
    rows: list[tuple[str, str, str, str]] = []

    def put(name: str, estimate: Estimate, digits: int, of: str = "", check: str = "") -> None:
        how = estimate.how
        if check in result.bootstrap and how != result.bootstrap[check].how:
            other = result.bootstrap[check]
            how += f"; {other.how}: {_interval(other, digits)}"
        rows.append((name, _value(estimate, digits, of), _interval(estimate, digits), how))

    put(f"bias {result.label_a} − {result.label_b}", result.bias, places, unit)
    fine = places_of("", result.slope_on_average)
    put("slope of difference on average", result.slope_on_average, fine)
    if result.deming is not None:
        slope, intercept = result.deming.slope, result.deming.intercept
        put("Deming slope", slope, places_of("", slope), "", "deming_slope")
        put("Deming intercept", intercept, places_of(unit, intercept), unit)
    if result.passing_bablok is not None:
        slope, intercept = result.passing_bablok.slope, result.passing_bablok.intercept
        put("Passing-Bablok slope", slope, places_of("", slope))
        put("Passing-Bablok intercept", intercept, places_of(unit, intercept), unit)
    fine = places_of_share(result.concordance)
    put("concordance correlation", result.concordance, fine, "", "concordance")
    if result.spread is not None:
        ratio, ratio_f = result.spread.ratio, result.spread.ratio_f
        told = " of these synthetic traces, which leave out most of immersion's spread"
        put(
            f"ratio of repeatability SDs{told if result.synthetic else ''}",
            ratio,
            places_of_ratio(ratio),
        )
        told = "the same, if each method spreads alike in all eyes"
        put(told, ratio_f, places_of_ratio(ratio_f))
    return rows


def method_rows(result: Agreement) -> list[list[str]]:
    """What each method has by itself: name, value and interval by A and by B, and how.

    Parameters
    ----------
    result : Agreement

    Returns
    -------
    list of list of str
        Six texts a row; none where readings are single.

    Examples
    --------
    >>> method_rows(agreement)[0][0]  # of `et.compare_methods`
    'repeatability SD'
    """
    repeats = (result.repeatability_a, result.repeatability_b)
    if any(item is None for item in repeats):
        return []
    tables = [_method_values(item, result.unit) for item in repeats if item is not None]
    rows = []
    for name in dict.fromkeys(name for table in tables for name in table):
        row, made = [name], []
        for table in tables:
            estimate, digits, of = table.get(name, (Estimate(float("nan")), 0, ""))
            row += [_value(estimate, digits, of), _interval(estimate, digits)]
            made.append(estimate.how)
        labels = (result.label_a, result.label_b)
        each = [f"{how} ({label})" for label, how in zip(labels, made, strict=True) if how]
        rows.append([*row, made[0] if made[0] == made[1] else ", ".join(each)])
    return rows


def _method_values(repeat: Repeatability, unit: str) -> dict[str, tuple[Estimate, int, str]]:
    """Values of one method with decimals and unit, by name."""
    fine = places_of(unit, repeat.within_sd)
    found = {"repeatability SD": (repeat.within_sd, fine, unit)}
    if repeat.wider != repeat.within_sd:
        found["the same, should tails be heavy"] = (repeat.wider, fine, unit)
    found |= {
        "repeatability limit": (repeat.repeatability_limit, fine, unit),
    }
    if repeat.cv_percent is not None:
        found["CV"] = (repeat.cv_percent, places_of("", repeat.cv_percent), "%")
    if repeat.reproducibility_sd is not None:
        found["reproducibility SD"] = (repeat.reproducibility_sd, fine, unit)
    for name, component in repeat.components.items():
        found[f"SD between {name}s"] = (component, places_of(unit, component), unit)
    for name, value in repeat.icc.items():
        form = f" {name}" if name.startswith("ICC") else ""
        label = f"intraclass correlation{form}: {ICC_WORDS[name]}"
        found[label] = (value, places_of_share(value), "")
    return found


def operator_rows(result: Agreement) -> list[list[str]]:
    """Operator, eyes, bias and limits with intervals, and SDs within sittings, of each operator.

    Parameters
    ----------
    result : Agreement

    Returns
    -------
    list[list[str]]

    Examples
    --------
    >>> operator_rows(agreement)[0][0]  # of `et.compare_methods`
    'op0'
    """
    places = places_of(result.unit, *(item.bias for item in result.by_operator))
    rows = []
    for item in result.by_operator:
        row = [item.operator, str(item.n_eyes)]
        found = [item.bias]
        if item.limits is not None:
            found += [item.limits.lower, item.limits.upper]
        for estimate in found:
            row += [_value(estimate, places), _interval(estimate, places)]
        row += ["–"] * (8 - len(row))
        row += [number(sd, 3) for sd in (item.within_sd_a, item.within_sd_b)]
        rows.append(row)
    return rows
