"""Lines through two methods with error in both, and the concordance of the two."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.agreement.resampling import JACKKNIFE, STUDENTISED, jackknife, studentised_interval
from echotrace.agreement.variance import Estimate, Floats, t_interval
from echotrace.errors import ParameterError

__all__ = [
    "Line",
    "concordance",
    "concordance_bootstrap",
    "concordance_estimate",
    "deming",
    "deming_statistics",
    "line_slope",
    "line_sums",
    "passing_bablok",
]

_REGRESSION_MOST = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A regression of method A (y) on method B (x) with error in both.

    Attributes
    ----------
    slope, intercept : Estimate
    n_points : int
    note : str
    """

    slope: Estimate
    intercept: Estimate
    n_points: int
    note: str = ""


def line_sums(x: Floats, y: Floats, subjects: NDArray[np.intp], n_subjects: int) -> Floats:
    """Sums of 1, x, y, x², xy, y² of each subject, (n_subjects, 6).

    Parameters
    ----------
    x, y : ndarray of float64, (n,)
    subjects : ndarray of int, (n,)
    n_subjects : int

    Returns
    -------
    ndarray of float64, (n_subjects, 6)

    Examples
    --------
    >>> line_sums(np.array([2.0]), np.array([3.0]), np.array([0]), 1)
    array([[1., 2., 3., 4., 6., 9.]])
    """
    columns = (np.ones_like(x), x, y, x * x, x * y, y * y)
    return np.stack([np.bincount(subjects, column, n_subjects) for column in columns], axis=1)


def line_slope(sums: Floats) -> Floats:
    """Least-squares slope from sums of 1, x, y, x², xy, y².

    Parameters
    ----------
    sums : ndarray of float64, (…, 6)

    Returns
    -------
    ndarray of float64, (…,)

    Examples
    --------
    >>> x = np.array([1.0, 2.0, 3.0])
    >>> float(line_slope(line_sums(x, 2.0 * x, np.arange(3), 3).sum(axis=0)))
    2.0
    """
    n, x, y, xx, xy = (sums[..., k] for k in range(5))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((xy - x * y / n) / (xx - x * x / n))


def deming_statistics(ratio: float, x_shift: float, y_shift: float) -> tuple[Any, Any]:
    """Slope and intercept as functions of sums of 1, x, y, x², xy, y².

    Parameters
    ----------
    ratio : float
        Error variance of ``y`` over that of ``x``.
    x_shift, y_shift : float
        Taken from ``x`` and ``y`` before they were summed.

    Returns
    -------
    slope, intercept : callable
        Each maps sums ``(…, 6)`` to values ``(…,)``.

    Examples
    --------
    >>> slope, intercept = deming_statistics(1.0, 0.0, 0.0)
    >>> x = np.array([1.0, 2.0, 3.0])
    >>> round(float(slope(line_sums(x, 2.0 * x, np.arange(3), 3).sum(axis=0))), 6)
    2.0
    """

    def slope(s: Floats) -> Floats:
        n, x, y, xx, xy, yy = (s[..., k] for k in range(6))
        with np.errstate(invalid="ignore", divide="ignore"):
            sxx, sxy, syy = xx - x * x / n, xy - x * y / n, yy - y * y / n
            u = syy - ratio * sxx
            return np.asarray((u + np.sqrt(u * u + 4.0 * ratio * sxy**2)) / (2.0 * sxy))

    def intercept(s: Floats) -> Floats:
        with np.errstate(invalid="ignore", divide="ignore"):
            x, y = s[..., 1] / s[..., 0] + x_shift, s[..., 2] / s[..., 0] + y_shift
        return np.asarray(y - slope(s) * x)

    return slope, intercept


def deming(
    x: ArrayLike,
    y: ArrayLike,
    error_ratio: float = 1.0,
    *,
    subjects: NDArray[np.intp] | None = None,
    confidence: float = 0.95,
) -> Line:
    """Line through points with error in both coordinates.

    Parameters
    ----------
    x, y : array_like of float, (n,)
    error_ratio : float
        Error variance of ``y`` over that of ``x``.
    subjects : ndarray of int, (n,), optional
        Points of one subject are left out together; by default each point is one.
    confidence : float

    Notes
    -----
    Deming 1943, Statistical Adjustment of Data; standard errors by the jackknife, Linnet 1993,
    Clin Chem 39:424.

    Returns
    -------
    Line

    Raises
    ------
    ParameterError
        Fewer than three points, equal ``x``, or an error ratio that is not positive.

    Examples
    --------
    >>> round(deming([1.0, 2.0, 3.0, 4.0], [1.1, 1.9, 3.2, 3.8]).slope.value, 3)
    0.948
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if not error_ratio > 0:
        raise ParameterError(f"deming: error_ratio={error_ratio!r} must be positive")
    if x.size < 3 or x.shape != y.shape or np.ptp(x) == 0.0:
        raise ParameterError("deming: at least three points with different x are needed")
    codes = np.arange(x.size) if subjects is None else subjects
    x_shift, y_shift = float(x.mean()), float(y.mean())
    sums = line_sums(x - x_shift, y - y_shift, codes, int(codes.max()) + 1)
    estimates = []
    for statistic in deming_statistics(error_ratio, x_shift, y_shift):
        value, error, df = jackknife(statistic, sums)
        estimates.append(Estimate(value, *t_interval(value, error, df, confidence), JACKKNIFE))
    return Line(
        slope=estimates[0],
        intercept=estimates[1],
        n_points=int(x.size),
        note=f"Deming, error variance ratio {error_ratio:.3g}",
    )


def passing_bablok(x: ArrayLike, y: ArrayLike, *, confidence: float = 0.95) -> Line:
    """Line by the shifted median of the slopes between all points.

    Parameters
    ----------
    x, y : array_like of float, (n,)
        Independent points, positively related. More than 4,000 are thinned evenly, which the
        note of the result says.
    confidence : float

    Notes
    -----
    Passing & Bablok 1983, J Clin Chem Clin Biochem 21:709.

    Returns
    -------
    Line

    Raises
    ------
    ParameterError
        Fewer than four points, or points that are all the same.

    Examples
    --------
    >>> round(passing_bablok([1.0, 2.0, 3.0, 4.0], [1.1, 1.9, 3.2, 3.8]).slope.value, 3)
    0.925
    """
    import scipy

    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if x.size < 4 or x.shape != y.shape:
        raise ParameterError("passing_bablok: at least four points are needed")
    note = "Passing-Bablok"
    if x.size > _REGRESSION_MOST:
        order = np.argsort(x, kind="stable")
        rows = order[np.linspace(0, x.size - 1, _REGRESSION_MOST).astype(np.intp)]
        note += f" on {_REGRESSION_MOST} of {x.size} points, evenly thinned"
        x, y = x[rows], y[rows]
    n = x.size
    i, j = np.triu_indices(n, 1)
    dx, dy = x[i] - x[j], y[i] - y[j]
    # A vertical pair has slope ±infinity by its sign; two equal points have none.
    with np.errstate(divide="ignore", invalid="ignore"):
        slopes = dy / dx
    slopes = slopes[~np.isnan(slopes) & (slopes != -1.0)]
    if slopes.size < 2:
        raise ParameterError("passing_bablok: the points are identical; no line can be drawn")
    n_slopes, offset = slopes.size, int(np.sum(slopes < -1.0))
    z = float(scipy.stats.norm.ppf(0.5 + confidence / 2.0))
    half = z * math.sqrt(n * (n - 1) * (2 * n + 5) / 18.0)
    first = round((n_slopes - half) / 2.0)
    last = n_slopes - first + 1
    middle = (n_slopes - 1) / 2.0 + offset
    wanted = [math.floor(middle), math.ceil(middle), first - 1 + offset, last - 1 + offset]
    inside = [k for k in wanted if 0 <= k < n_slopes]
    slopes = np.partition(slopes, inside)

    def pick(k: int) -> float:
        return float(slopes[k]) if 0 <= k < n_slopes else (-math.inf if k < 0 else math.inf)

    slope = 0.5 * (pick(wanted[0]) + pick(wanted[1]))
    low, high = pick(wanted[2]), pick(wanted[3])

    def at(b: float) -> float:
        return float(np.median(y - b * x)) if math.isfinite(b) else math.nan

    how = "rank"
    return Line(
        slope=Estimate(slope, low, high, how),
        intercept=Estimate(at(slope), at(high), at(low), how),
        n_points=n,
        note=note,
    )


def concordance(sums: Floats) -> Floats:
    """Concordance correlation from sums of 1, x, y, x², xy, y² (Lin 1989, Biometrics 45:255).

    Parameters
    ----------
    sums : ndarray of float64, (…, 6)

    Returns
    -------
    ndarray of float64, (…,)

    Examples
    --------
    >>> x = np.array([1.0, 2.0, 3.0])
    >>> float(concordance(line_sums(x, x, np.arange(3), 3).sum(axis=0)))
    1.0
    """
    n, x, y, xx, xy, yy = (sums[..., k] for k in range(6))
    with np.errstate(invalid="ignore", divide="ignore"):
        sxx, syy, sxy = xx / n - (x / n) ** 2, yy / n - (y / n) ** 2, xy / n - x * y / n**2
        return np.asarray(2.0 * sxy / (sxx + syy + ((x - y) / n) ** 2))


def _z_concordance(sums: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.arctanh(concordance(sums)))


def concordance_estimate(sums: Floats, confidence: float) -> Estimate:
    """Concordance correlation with its interval: jackknife by subject of its inverse tanh.

    Parameters
    ----------
    sums : ndarray of float64, (n_subjects, 6)
        As :func:`line_sums` gives them.
    confidence : float

    Returns
    -------
    Estimate

    Examples
    --------
    >>> x = np.array([1.0, 2.0, 3.0, 4.0])
    >>> sums = line_sums(x, x + [0.1, -0.1, 0.2, 0.0], np.arange(4), 4)
    >>> round(concordance_estimate(sums, 0.95).value, 3)
    0.994
    """
    value, error, df = jackknife(_z_concordance, sums)
    low, high = t_interval(value, error, df, confidence)
    return Estimate(math.tanh(value), math.tanh(low), math.tanh(high), "jackknife by subject, z")


def concordance_bootstrap(sums: Floats, draws: Floats, confidence: float) -> Estimate:
    """Concordance correlation with the interval of the studentised bootstrap by subject.

    Parameters
    ----------
    sums : ndarray of float64, (n_subjects, 6)
        As :func:`line_sums` gives them.
    draws : ndarray of float64, (n_draws, n_subjects)
    confidence : float

    Returns
    -------
    Estimate

    Examples
    --------
    >>> x = np.array([1.0, 2.0, 3.0, 4.0])
    >>> sums = line_sums(x, x + [0.1, -0.1, 0.2, 0.0], np.arange(4), 4)
    >>> round(concordance_bootstrap(sums, np.empty((0, 4)), 0.95).value, 3)
    0.994
    """
    low, high = studentised_interval(_z_concordance, sums, draws, confidence)
    value = float(concordance(sums.sum(axis=0)))
    return Estimate(value, math.tanh(low), math.tanh(high), STUDENTISED)
