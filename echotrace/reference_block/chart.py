"""Individuals and moving-range chart, which tells whether an error is what it always was."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.errors import ParameterError

__all__ = ["D2", "D4", "E2", "RUN_RULES", "Chart", "individuals_chart"]

Float = NDArray[np.float64]

D2 = 2.0 / math.sqrt(math.pi)
"""Mean range of two normal values over their standard deviation: 1.128 in published tables."""
E2 = 3.0 / D2
"""Three standard deviations for each mean moving range: 2.660 (2.66 in tables)."""
D4 = 1.0 + 3.0 * math.sqrt(2.0 - 4.0 / math.pi) / D2
"""Upper limit of a range of two over its mean: 3.267 in published tables."""

RUN_RULES = {
    "beyond 3 sigma": "one point beyond three standard deviations",
    "2 of 3 beyond 2 sigma": "two of three in a row beyond two, on one side",
    "4 of 5 beyond 1 sigma": "four of five in a row beyond one, on one side",
    "8 on one side": "eight in a row on one side of the middle",
    "range": "the change from one point to the next is above its limit",
}
"""Rules for drift, and what they say."""
_RUNS = (("2 of 3 beyond 2 sigma", 2, 3, 2.0), ("4 of 5 beyond 1 sigma", 4, 5, 1.0),
         ("8 on one side", 8, 8, 0.0))  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """Limits of an individuals and moving-range chart, and what breaks its rules.

    Attributes
    ----------
    values : ndarray of float64, (n,)
        In order of time.
    ranges : ndarray of float64, (n - 1,)
        Of one value to the next.
    middle, sigma, low, high : float
        Mean, standard deviation by the moving range, and limits at three of them.
    mean_range, high_range : float
    broken : tuple of tuple of (int, str)
        Point (Python's index) and the rule of :data:`RUN_RULES` that ends there.

    Examples
    --------
    >>> from echotrace.reference_block.chart import individuals_chart
    >>> individuals_chart([1.0, 2.0, 1.0, 2.0]).mean_range
    1.0
    """

    values: Float
    ranges: Float
    middle: float
    sigma: float
    low: float
    high: float
    mean_range: float
    high_range: float
    broken: tuple[tuple[int, str], ...]


def individuals_chart(values: ArrayLike, *, baseline: int | None = None) -> Chart:
    """Chart values that come one at a time.

    Parameters
    ----------
    values : array_like, (n,)
        In order of time, two or more.
    baseline : int, optional
        How many of the first values set the limits; None: all.

    Returns
    -------
    Chart

    Raises
    ------
    ParameterError
        Fewer than two values, or values that are no numbers.

    Notes
    -----
    Shewhart charts for individuals: ISO 7870-2:2013; constants d2 = 1.128, E2 = 2.66, D4 = 3.267
    for ranges of two (tables in every text; here exact, 2/sqrt(pi) and what follows). Run rules:
    zone tests of the Statistical Quality Control Handbook (1956; value from memory).

    Examples
    --------
    >>> from echotrace.reference_block.chart import individuals_chart
    >>> chart = individuals_chart([0.0, 1.0, 0.0, 1.0, 0.0, 9.0], baseline=5)
    >>> round(chart.high, 2), chart.broken
    (3.06, ((5, 'beyond 3 sigma'), (5, 'range')))
    """
    x = np.asarray(values, np.float64)
    if x.ndim != 1 or x.size < 2 or not np.isfinite(x).all():
        raise ParameterError("a chart needs two values or more, all of them numbers")
    first = x.size if baseline is None else baseline
    if not 2 <= first <= x.size:
        raise ParameterError(f"baseline={baseline!r} must be 2 to {x.size}")
    ranges = np.abs(np.diff(x))
    middle, mean_range = float(x[:first].mean()), float(ranges[: first - 1].mean())
    sigma, high_range = mean_range / D2, D4 * mean_range
    # Readings that are all alike have no limits: any change would break them.
    z = (x - middle) / sigma if sigma > 0.0 else np.zeros(x.size)
    broken = [(int(k), "beyond 3 sigma") for k in np.flatnonzero(np.abs(z) > 3.0)]
    for name, least, span, zone in _RUNS:
        for k in range(span - 1, x.size):
            part = z[k - span + 1 : k + 1]
            for side in (1.0, -1.0):
                beyond = side * part > zone
                if beyond.sum() >= least and beyond[-1]:
                    broken.append((k, name))
    if sigma > 0.0:
        broken += [(int(k) + 1, "range") for k in np.flatnonzero(ranges > high_range)]
    return Chart(
        values=x,
        ranges=ranges,
        middle=middle,
        sigma=sigma,
        low=middle - E2 * mean_range,
        high=middle + E2 * mean_range,
        mean_range=mean_range,
        high_range=high_range,
        broken=tuple(sorted(broken)),
    )
