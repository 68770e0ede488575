"""Limits and intervals for differences and readings that are not normal.

The rule: where Shapiro and Wilk's test of the differences (or the kurtosis of the readings within
sittings) has p below 0.05, quantile limits lead if subjects are enough for their intervals (146),
which assume no distribution. With fewer, an interval of bias ± 1.96 SD has the outer ends of the
normal one, of that for Student's t with 3 degrees of freedom, and of one by resampling: the
studentised bootstrap by subject, with fewer than 20 subjects the jackknife. Where the test finds
nothing, which few values seldom let it, the outer ends of the first two are given beside normal
ones, and lead where the caller says so beforehand.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from echotrace.agreement.limits import Z_LIMITS, Extra, Limits
from echotrace.agreement.nested import Nested
from echotrace.agreement.resampling import (
    FEWEST_SUBJECTS,
    JACKKNIFE,
    MOST_SUBJECTS,
    STUDENTISED,
    studentised_intervals,
)
from echotrace.agreement.variance import Estimate, Floats, t_interval
from echotrace.errors import ParameterError

__all__ = [
    "ALPHA_NORMAL",
    "FEWEST_FOR_JACKKNIFE",
    "INTERVALS",
    "check_intervals",
    "limit_intervals",
    "normality_p",
    "quantile_limits",
    "with_intervals",
]

INTERVALS = ("by test", "wider")
"""Whether a test of normality chooses the intervals that lead, or the wider ones always do."""

ALPHA_NORMAL = 0.05
_FEWEST_FOR_QUANTILES = 39
"""With fewer the 2.5 % quantile lies beyond the smallest difference."""
FEWEST_FOR_JACKKNIFE = 8


def check_intervals(intervals: str) -> None:
    """Refuse a choice of intervals that is none.

    Parameters
    ----------
    intervals : str

    Raises
    ------
    ParameterError
        Neither ``"by test"`` nor ``"wider"``.

    Examples
    --------
    >>> check_intervals("wider")
    """
    if intervals not in INTERVALS:
        raise ParameterError(f"intervals={intervals!r}: use one of {', '.join(INTERVALS)}")


def normality_p(value: Floats) -> float:
    """P-value of Shapiro and Wilk's test of normality; NaN outside 3 to 5,000 values.

    Parameters
    ----------
    value : ndarray of float64, (n,)

    Returns
    -------
    float

    Examples
    --------
    >>> normality_p(np.exp(np.linspace(0, 3, 30))) < 0.05
    True
    """
    import scipy

    if not 3 <= value.size <= 5000 or np.ptp(value) == 0.0:
        return math.nan
    return float(scipy.stats.shapiro(value).pvalue)


def limit_intervals(
    difference: Nested,
    extras: tuple[Extra | None, Extra | None],
    subject: NDArray[np.intp],
    draws: Floats,
    confidence: float,
) -> dict[str, Estimate]:
    """Intervals of the SD of differences and of both limits that assume no normal differences.

    Parameters
    ----------
    difference : Nested
        Differences, subjects outermost.
    extras : tuple of Extra or None
        Spread of each method that the differences do not show, eyes outermost.
    subject : ndarray of int, (n_eyes,)
        Number of the subject of each eye of the extras.
    draws : ndarray of float64, (n_draws, n_subjects)
    confidence : float

    Returns
    -------
    dict of str to Estimate
        ``"sd"``, ``"lower"`` and ``"upper"``; empty where no interval is to be had. By the
        studentised bootstrap; with fewer than 20 or more than 500 subjects by the jackknife, of the
        logarithm of the SD and, for the limits, recovered from those of bias and SD (Zou 2013, Stat
        Methods Med Res 22:630) with the jackknife's correlation of both.

    Examples
    --------
    >>> from echotrace.agreement.resampling import subject_draws
    >>> d = Nested(np.sin(np.arange(30.0)), [("subject", np.arange(30))])
    >>> found = limit_intervals(d, (None, None), np.arange(30), subject_draws(30, 500, 0), 0.95)
    >>> sorted(found), round(found["sd"].value, 3)
    (['lower', 'sd', 'upper'], 0.707)
    """
    tables = [difference.sums]
    present = [extra for extra in extras if extra is not None and extra.parts.any()]
    for extra in present:
        by_subject = np.zeros((difference.n_top, extra.nested.sums.shape[1]))
        np.add.at(by_subject, subject, extra.nested.sums)
        tables.append(by_subject)
    edges = np.cumsum([0, *(table.shape[1] for table in tables)])
    table = np.concatenate(tables, axis=1)

    def bias_and_log_sd(s: Floats) -> tuple[Floats, Floats]:
        variance = difference.combination(np.ones(difference.depth), s[..., : edges[1]])
        for k, extra in enumerate(present, start=1):
            part = s[..., edges[k] : edges[k + 1]]
            variance = variance + extra.nested.combination(extra.parts, part)
        bias = s[..., 1] / s[..., 0] + difference.shift
        return bias, 0.5 * np.log(np.maximum(variance, 0.0))

    def statistics(s: Floats) -> Floats:
        bias, log_sd = bias_and_log_sd(s)
        reach = Z_LIMITS * np.exp(log_sd)
        return np.stack([log_sd, bias - reach, bias + reach], axis=-1)

    with np.errstate(divide="ignore", invalid="ignore"):
        values = statistics(table.sum(axis=0))
        if FEWEST_SUBJECTS <= difference.n_top <= MOST_SUBJECTS and draws.shape[0]:
            ends = studentised_intervals(statistics, table, draws, confidence)
            how = STUDENTISED
        else:
            left_out = np.stack(bias_and_log_sd(table.sum(axis=0) - table))
            ends = _jackknife_ends(values, left_out, confidence)
            how = JACKKNIFE
    return {} if np.isnan(ends).any() else _named(values, ends, how)


def _jackknife_ends(values: Floats, left_out: Floats, confidence: float) -> Floats:
    """Ends for the logarithm of the SD and for both limits, (3, 2).

    ``left_out`` are bias and logarithm of the SD without each subject, (2, n_subjects).
    """
    n = left_out.shape[1]
    if n < FEWEST_FOR_JACKKNIFE or not np.isfinite(left_out).all():
        return np.full((3, 2), math.nan)
    covariance = np.cov(left_out, ddof=0) * (n - 1)
    error = np.sqrt(np.diag(covariance))
    rho = float(covariance[0, 1] / error.prod()) if error.all() else 0.0
    log_low, log_high = t_interval(float(values[0]), float(error[1]), n - 1, confidence)
    half = t_interval(0.0, float(error[0]), n - 1, confidence)[1]
    reach, near, far = (Z_LIMITS * math.exp(x) for x in (values[0], log_low, log_high))
    near, far = reach - near, far - reach

    def off(of_sd: float, sign: float) -> float:
        return math.sqrt(max(half**2 + 2.0 * sign * rho * half * of_sd + of_sd**2, 0.0))

    lower, upper = float(values[1]), float(values[2])
    return np.array(
        [
            (log_low, log_high),
            (lower - off(far, -1.0), lower + off(near, -1.0)),
            (upper - off(near, 1.0), upper + off(far, 1.0)),
        ]
    )


def _named(values: Floats, ends: Floats, how: str) -> dict[str, Estimate]:
    """Logarithm of an SD and both limits with the ends of their intervals, by name."""
    found = {
        name: Estimate(float(value), float(low), float(high), how)
        for name, value, (low, high) in zip(("sd", "lower", "upper"), values, ends, strict=True)
    }
    found["sd"] = found["sd"].map(math.exp)
    return found


def with_intervals(limits: Limits, found: Mapping[str, Estimate]) -> Limits:
    """The same limits with other intervals; a pair of limits has none then.

    Parameters
    ----------
    limits : Limits
    found : mapping of str to Estimate
        ``"sd"``, ``"lower"`` and ``"upper"``, whose intervals are taken.

    Returns
    -------
    Limits

    Examples
    --------
    >>> one = Estimate(1.0, 0.8, 1.3)
    >>> limits = Limits(of="pairs", sd=one, lower=one, upper=one)
    >>> other = Estimate(1.0, 0.7, 1.4)
    >>> with_intervals(limits, {"sd": other, "lower": other, "upper": other}).sd.low
    0.7
    """

    def moved(old: Estimate, new: Estimate) -> Estimate:
        return dataclasses.replace(old, low=new.low, high=new.high, how=new.how)

    return dataclasses.replace(
        limits,
        sd=moved(limits.sd, found["sd"]),
        lower=moved(limits.lower, found["lower"]),
        upper=moved(limits.upper, found["upper"]),
        pair_factors=None,
    )


def quantile_limits(
    difference: Floats, subject: NDArray[np.intp], of: str, operators: str, confidence: float
) -> Limits | None:
    """Limits of agreement as the 2.5 % and 97.5 % quantiles of the differences.

    Parameters
    ----------
    difference : ndarray of float64, (n_eyes,)
    subject : ndarray of int, (n_eyes,)
        Number of the subject of each eye; eyes of a subject share its weight.
    of, operators : str
        What the differences are of, for the result.
    confidence : float

    Returns
    -------
    Limits or None
        None with fewer than 39 subjects. The SD has no interval here. Intervals of the limits come
        from order statistics, assume no distribution (David & Nagaraja 2003, Order Statistics,
        section 7.1) and count subjects; with 95 % they exist from 146 subjects on.

    Notes
    -----
    Quantiles are median-unbiased (Hyndman & Fan 1996, Am Stat 50:361, definition 8).

    Examples
    --------
    >>> found = quantile_limits(np.arange(200.0), np.arange(200), "pairs", "one operator", 0.95)
    >>> round(found.lower.value, 2), found.lower.low, found.lower.high
    (4.34, 0.0, 10.0)
    """
    import scipy

    count = np.bincount(subject)
    n = count.size
    if n < _FEWEST_FOR_QUANTILES:
        return None
    order = np.argsort(difference, kind="stable")
    value = difference[order]
    # Position of each value among n subjects: it stands in the middle of its own weight.
    weight = 1.0 / count[subject[order]]
    rank = np.cumsum(weight) - 0.5 * weight + 0.5

    def at(position: float) -> float:
        return float(np.interp(position, rank, value))

    tail = (1.0 - confidence) / 2.0
    limits = []
    for part in (0.025, 0.975):
        # Ranks r and s with P(X_(r) <= quantile <= X_(s)) at least the confidence.
        r = int(scipy.stats.binom.ppf(tail, n, part))
        s = int(scipy.stats.binom.isf(tail, n, part)) + 1
        exists = r >= 1 and s <= n
        low, high = (at(r), at(s)) if exists else (math.nan, math.nan)
        how = "order statistics, no distribution assumed"
        if not exists:
            how = f"too few subjects: {_fewest(confidence)} are needed"
        limits.append(Estimate(at((n + 1 / 3) * part + 1 / 3), low, high, how))
    return Limits(
        of=of,
        operators=operators,
        sd=Estimate(float(difference.std(ddof=1)), how="for comparison"),
        lower=limits[0],
        upper=limits[1],
        as_quantiles=True,
    )


def _fewest(confidence: float) -> int:
    """Fewest subjects of whom the smallest difference lies below the 2.5 % quantile surely."""
    return math.ceil(math.log((1.0 - confidence) / 2.0) / math.log(0.975))
