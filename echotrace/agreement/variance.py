"""Variances with their intervals.

A variance that is a sum of mean squares has an interval by the modified large-sample method.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError

__all__ = [
    "Estimate",
    "check_confidence",
    "chi_square_interval",
    "effective_df",
    "mean_square_interval",
    "t_interval",
    "wider",
]

Floats = NDArray[np.float64]
WIDER_OF = "outer ends of "
"""How an interval begins to be named that is nowhere narrower than a normal one."""
_LEAST_GROUPS = 5


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its interval.

    Attributes
    ----------
    value, low, high : float
        NaN where the design does not give it.
    how : str
        How the interval was made.
    """

    value: float
    low: float = math.nan
    high: float = math.nan
    how: str = ""

    def map(self, function: Callable[[float], float], how: str | None = None) -> Estimate:
        """Transform value and interval by a rising function."""
        return Estimate(
            function(self.value), function(self.low), function(self.high), how or self.how
        )

    def sqrt(self) -> Estimate:
        """SD of a variance; a negative variance gives 0."""
        return self.map(lambda x: math.sqrt(max(x, 0.0)) if not math.isnan(x) else x)


def wider(normal: Estimate, *others: Estimate) -> Estimate:
    """A figure with the outer ends of several of its intervals.

    Parameters
    ----------
    normal : Estimate
        Its interval assumes normal values.
    *others : Estimate
        Theirs do not; those without ends are passed over, and ``normal`` stays where none has.

    Returns
    -------
    Estimate

    Examples
    --------
    >>> found = wider(Estimate(1.0, 0.8, 1.3, "t"), Estimate(1.0, 0.9, 1.6, "jackknife"))
    >>> found.low, found.high, found.how
    (0.8, 1.6, 'outer ends of t; jackknife')
    """
    others = tuple(e for e in others if not (math.isnan(e.low) or math.isnan(e.high)))
    if not others:
        return normal
    low, high = (
        one if math.isnan(one) else pick(one, *ends)
        for pick, one, ends in (
            (min, normal.low, [e.low for e in others]),
            (max, normal.high, [e.high for e in others]),
        )
    )
    # No pair of limits is exact any more.
    made = "noncentral t" if normal.how.startswith("exact") else normal.how
    how = "; ".join([made, *(e.how for e in others)])
    return Estimate(normal.value, low, high, f"{WIDER_OF}{how}")


def check_confidence(confidence: float) -> None:
    """Refuse a confidence level that is not a probability worth the name.

    Parameters
    ----------
    confidence : float

    Raises
    ------
    ParameterError
        Less than 0.5, 1 or more.

    Examples
    --------
    >>> check_confidence(0.95)
    """
    if not 0.5 <= confidence < 1.0:
        raise ParameterError(f"confidence={confidence!r} must lie between 0.5 and 1, as in 0.95")


def chi_square_interval(variance: float, df: float, confidence: float) -> tuple[float, float]:
    """Interval of a variance with ``df`` degrees of freedom, exact for normal values.

    Parameters
    ----------
    variance, df, confidence : float

    Returns
    -------
    low, high : float
        NaN without degrees of freedom.

    Examples
    --------
    >>> low, high = chi_square_interval(1.0, 10.0, 0.95)
    >>> round(low, 4), round(high, 4)
    (0.4882, 3.0798)
    """
    import scipy

    if not df > 0 or math.isnan(variance):
        return math.nan, math.nan
    tail = (1.0 - confidence) / 2.0
    chi2 = scipy.stats.chi2
    return float(variance * df / chi2.isf(tail, df)), float(variance * df / chi2.ppf(tail, df))


def effective_df(squares: Floats, df: Floats) -> float:
    """Degrees of freedom of a pooled variance, fewer where the pooled groups spread differently.

    Parameters
    ----------
    squares, df : ndarray of float64, (n_groups,)
        Sum of squares and degrees of freedom of each group (each subject).

    Returns
    -------
    float
        The total; divided by the ratio of the variance seen between groups to that of a common
        normal spread where this ratio is more than two of its standard errors above one
        (Satterthwaite's matching, with the variance taken from the data).

    Examples
    --------
    >>> effective_df(np.array([1.0, 9.0, 1.0, 1.0, 40.0]), np.full(5, 4.0)) < 20
    True
    """
    used = df > 0
    total, n = float(df[used].sum()), int(used.sum())
    square = float(squares[used].sum())
    if n < _LEAST_GROUPS or square == 0.0:
        return total
    pooled = square / total
    seen = n / (n - 1.0) * float(np.sum((squares[used] - pooled * df[used]) ** 2))
    ratio = seen / (2.0 * pooled**2 * total)
    # Standard error of the ratio from the fourth moment of chi-square with total / n df each.
    error = math.sqrt((2.0 + 12.0 * n / total) / n)
    return total / ratio if ratio > 1.0 + 2.0 * error else total


def mean_square_interval(
    weights: Floats, mean_squares: Floats, df: Floats, confidence: float
) -> tuple[float, float]:
    """Interval of a sum of weighted independent mean squares; weights may be negative.

    Modified large-sample interval: exact when one mean square carries all, and close to nominal
    otherwise (Graybill & Wang 1980, JASA 75:869, for positive weights; Ting, Burdick, Graybill,
    Jeyaratnam & Lu 1990, J Stat Comput Simul 35:135, for differences).

    Parameters
    ----------
    weights, mean_squares, df : ndarray of float64, (n,)
    confidence : float

    Returns
    -------
    low, high : float
        NaN where a mean square that is used has no degrees of freedom.

    Examples
    --------
    >>> low, high = mean_square_interval(np.ones(1), np.ones(1), np.array([10.0]), 0.95)
    >>> round(low, 4), round(high, 4)
    (0.4882, 3.0798)
    """
    import scipy

    used = weights != 0.0
    if not used.any() or not (df[used] > 0).all() or np.isnan(mean_squares[used]).any():
        return math.nan, math.nan
    w, ms, nu = weights[used], mean_squares[used], df[used]
    tail = (1.0 - confidence) / 2.0
    f_high = scipy.stats.chi2.isf(tail, nu) / nu
    f_low = scipy.stats.chi2.ppf(tail, nu) / nu
    g = 1.0 - 1.0 / f_high
    h = 1.0 / f_low - 1.0
    term = w * ms
    down = np.where(w > 0, g, h) * term
    up = np.where(w > 0, h, g) * term
    var_down, var_up = float(np.sum(down**2)), float(np.sum(up**2))
    plus, minus = np.flatnonzero(w > 0), np.flatnonzero(w < 0)
    for q in plus:
        for r in minus:
            f1 = scipy.stats.f.isf(tail, nu[q], nu[r])
            f2 = scipy.stats.f.ppf(tail, nu[q], nu[r])
            cross = abs(term[q] * term[r])
            var_down += cross * ((f1 - 1.0) ** 2 - (g[q] * f1) ** 2 - h[r] ** 2) / f1
            var_up += cross * ((1.0 - f2) ** 2 - (h[q] * f2) ** 2 - g[r] ** 2) / f2
    total = float(term.sum())
    return total - math.sqrt(max(var_down, 0.0)), total + math.sqrt(max(var_up, 0.0))


def t_interval(value: float, error: float, df: float, confidence: float) -> tuple[float, float]:
    """Student interval.

    Parameters
    ----------
    value, error, df, confidence : float
        Estimate, its standard error and the degrees of freedom of that.

    Returns
    -------
    low, high : float

    Examples
    --------
    >>> low, high = t_interval(0.0, 1.0, 9.0, 0.95)
    >>> round(high, 3)
    2.262
    """
    import scipy

    if not df > 0 or math.isnan(error):
        return math.nan, math.nan
    half = float(scipy.stats.t.ppf(0.5 + confidence / 2.0, df)) * error
    return value - half, value + half
