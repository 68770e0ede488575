"""Limits and intervals for differences and readings that are not normal.

The rule: where Shapiro and Wilk's test of the differences (or the kurtosis of the readings within
sittings) has p below 0.05, intervals are those of the studentised bootstrap by subject, and
quantile limits stand beside the usual ones. With heavy tails even these intervals fall short,
because the SD itself is then hardly known from few subjects: the quantile limits of a study of 146
subjects or more have intervals that assume no distribution.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from echotrace.agreement.limits import Z_LIMITS, Extra, Limits
from echotrace.agreement.nested import Nested
from echotrace.agreement.resampling import STUDENTISED, studentised_interval
from echotrace.agreement.variance import Estimate, Floats

__all__ = [
    "ALPHA_NORMAL",
    "limit_intervals",
    "normality_p",
    "quantile_limits",
    "with_intervals",
]

ALPHA_NORMAL = 0.05
_FEWEST_FOR_QUANTILES = 39
"""With fewer the 2.5 % quantile lies beyond the smallest difference."""


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
    """Studentised bootstrap of the SD of differences and of both limits.

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
        ``"sd"``, ``"lower"`` and ``"upper"``; empty where the bootstrap gives no interval.

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

    def bias(s: Floats) -> Floats:
        return np.asarray(s[..., 1] / s[..., 0] + difference.shift)

    def variance(s: Floats) -> Floats:
        found = difference.combination(np.ones(difference.depth), s[..., : edges[1]])
        for k, extra in enumerate(present, start=1):
            part = s[..., edges[k] : edges[k + 1]]
            found = found + extra.nested.combination(extra.parts, part)
        return np.asarray(np.maximum(found, 0.0))

    def log_sd(s: Floats) -> Floats:
        with np.errstate(divide="ignore"):
            return np.asarray(0.5 * np.log(variance(s)))

    def limit(sign: float) -> Callable[[Floats], Floats]:
        return lambda s: np.asarray(bias(s) + sign * Z_LIMITS * np.sqrt(variance(s)))

    found = {}
    with np.errstate(divide="ignore", invalid="ignore"):
        for name, statistic in (("sd", log_sd), ("lower", limit(-1.0)), ("upper", limit(1.0))):
            low, high = studentised_interval(statistic, table, draws, confidence)
            if math.isnan(low):
                return {}
            found[name] = Estimate(float(statistic(table.sum(axis=0))), low, high, STUDENTISED)
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
    )


def _fewest(confidence: float) -> int:
    """Fewest subjects of whom the smallest difference lies below the 2.5 % quantile surely."""
    return math.ceil(math.log((1.0 - confidence) / 2.0) / math.log(0.975))
