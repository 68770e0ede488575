"""Quantiles and probabilities of a few distributions, and a straight line, from ``scipy.special``.

``scipy.stats`` has all of this and more, and takes as long to load as a sitting to measure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

__all__ = ["Line", "chi_square_quantile", "line_through", "normal_quantile", "t_cdf", "t_quantile"]


def normal_quantile(probability: float) -> float:
    """Quantile of the standard normal distribution.

    Parameters
    ----------
    probability : float
        Of the lower tail, 0 to 1.

    Returns
    -------
    float

    Examples
    --------
    >>> round(normal_quantile(0.975), 4)
    1.96
    """
    return float(scipy.special.ndtri(probability))


def t_quantile(probability: float, dof: ArrayLike) -> NDArray[np.float64]:
    """Quantile of Student's distribution.

    Parameters
    ----------
    probability : float
        Of the lower tail, 0 to 1.
    dof : array_like of float
        Degrees of freedom, positive; infinity gives the normal distribution.

    Returns
    -------
    ndarray of float64
        Of the shape of ``dof``.

    Examples
    --------
    >>> round(float(t_quantile(0.975, 4)), 3)
    2.776
    """
    known = np.asarray(dof, dtype=np.float64)
    finite = np.minimum(known, 1e12)
    value = scipy.special.stdtrit(finite, probability)
    return np.where(np.isinf(known), scipy.special.ndtri(probability), value)


def t_cdf(value: ArrayLike, dof: ArrayLike) -> NDArray[np.float64]:
    """Probability below a value in Student's distribution.

    Parameters
    ----------
    value, dof : array_like of float
        Shapes that go together; degrees of freedom are positive.

    Returns
    -------
    ndarray of float64

    Examples
    --------
    >>> round(float(t_cdf(2.776, 4.0)), 4)
    0.975
    """
    known, below = np.asarray(dof, dtype=np.float64), np.asarray(value, dtype=np.float64)
    return np.asarray(scipy.special.stdtr(known, below), dtype=np.float64)


def chi_square_quantile(probability: float, dof: float) -> float:
    """Quantile of the chi-square distribution.

    Parameters
    ----------
    probability : float
        Of the lower tail, 0 to 1.
    dof : float
        Degrees of freedom, positive.

    Returns
    -------
    float

    Examples
    --------
    >>> round(chi_square_quantile(0.95, 1.0), 3)
    3.841
    """
    return float(2.0 * scipy.special.gammaincinv(0.5 * dof, probability))


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line fitted by least squares.

    Attributes
    ----------
    slope, intercept : float
    slope_error : float
        Standard error of the slope; nil where the points lie on the line, NaN below three points.
    p_value : float
        Two-sided probability of so steep a slope where there is none; NaN below three points.
    """

    slope: float
    intercept: float
    slope_error: float
    p_value: float


def line_through(x: NDArray[np.floating], y: NDArray[np.floating]) -> Line:
    """Fit a straight line by least squares.

    Parameters
    ----------
    x, y : ndarray of float, (n,)
        Two points or more; ``x`` not all alike.

    Returns
    -------
    Line

    Raises
    ------
    ValueError
        Fewer than two points, or ``x`` all alike: the caller knows what that means to the user.

    Examples
    --------
    >>> line = line_through(np.array([0.0, 1.0, 2.0]), np.array([1.0, 3.0, 5.0]))
    >>> line.slope, line.intercept
    (2.0, 1.0)
    """
    n = x.size
    dx, dy = x - x.mean(), y - y.mean()
    sxx = float(dx @ dx)
    if n < 2 or sxx == 0.0:
        raise ValueError("a line needs two points that lie apart")
    slope = float(dx @ dy) / sxx
    intercept = float(y.mean() - slope * x.mean())
    if n == 2:
        return Line(slope, intercept, math.nan, math.nan)
    rest = dy - slope * dx
    error = math.sqrt(float(rest @ rest) / (n - 2) / sxx)
    if error == 0.0:
        return Line(slope, intercept, 0.0, 0.0 if slope else 1.0)
    return Line(slope, intercept, error, 2.0 * float(t_cdf(-abs(slope / error), float(n - 2))))
