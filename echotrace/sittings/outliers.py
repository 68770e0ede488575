"""Readings that stand apart from the rest of a sitting."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.distributions import t_quantile
from echotrace.errors import ParameterError

__all__ = ["extreme_studentized_deviates"]


def extreme_studentized_deviates(
    values: ArrayLike, *, max_outliers: int, alpha: float = 0.05
) -> NDArray[np.intp]:
    """Outliers by the generalised extreme Studentized deviate test.

    Parameters
    ----------
    values : array_like, (n,)
        Approximately normal but for the outliers.
    max_outliers : int
        Largest number of outliers looked for; at most ``n - 2`` are tested.
    alpha : float
        Significance level.

    Returns
    -------
    ndarray of int
        Positions of the outliers, the most extreme first.

    Notes
    -----
    Rosner B 1983, Technometrics 25:165; NIST/SEMATECH e-Handbook of Statistical Methods,
    1.3.5.17.3. The approximation is close from 15 values up; for one outlier it is Grubbs's test,
    which is exact.
    """
    data = np.asarray(values, np.float64)
    if data.ndim != 1 or not np.isfinite(data).all():
        raise ParameterError("values must be a row of finite numbers")
    left = np.arange(data.size)
    order: list[int] = []
    found = 0
    for i in range(1, min(max_outliers, data.size - 2) + 1):
        rest = data[left]
        sd = rest.std(ddof=1)
        if sd == 0.0:
            break
        deviation = np.abs(rest - rest.mean())
        worst = int(np.argmax(deviation))
        n = data.size
        p = 1.0 - alpha / (2.0 * (n - i + 1))
        t = float(t_quantile(p, n - i - 1))
        critical = (n - i) * t / math.sqrt((n - i - 1 + t * t) * (n - i + 1))
        order.append(int(left[worst]))
        if deviation[worst] / sd > critical:
            found = i
        left = np.delete(left, worst)
    return np.array(order[:found], np.intp)
