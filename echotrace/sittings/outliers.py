"""Readings that stand apart from the rest of a sitting."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.distributions import t_quantile
from echotrace.errors import ParameterError

__all__ = ["critical_deviate", "extreme_studentized_deviates"]


def critical_deviate(n: int, i: int, alpha: float = 0.05) -> float:
    """Largest deviate, in standard deviations, that chance alone gives to the i-th of n values.

    Parameters
    ----------
    n : int
        Values of the sample.
    i : int
        Which of the outliers in turn, from 1 to ``n - 2``; the ``i - 1`` before it are left out.
    alpha : float
        Significance level, two-sided.

    Returns
    -------
    float

    Notes
    -----
    Rosner B 1983, Technometrics 25:165; NIST/SEMATECH e-Handbook of Statistical Methods,
    1.3.5.17.3. For ``i = 1`` it is the critical value of Grubbs's test.

    Examples
    --------
    >>> round(critical_deviate(54, 1), 3)
    3.159
    """
    p = 1.0 - alpha / (2.0 * (n - i + 1))
    t = float(t_quantile(p, n - i - 1))
    return (n - i) * t / math.sqrt((n - i - 1 + t * t) * (n - i + 1))


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

    Raises
    ------
    ParameterError
        The values are not a row of finite numbers.

    Notes
    -----
    Rosner B 1983, Technometrics 25:165; NIST/SEMATECH e-Handbook of Statistical Methods,
    1.3.5.17.3. The approximation is close from 15 values up; for one outlier it is Grubbs's test,
    which is exact.

    Examples
    --------
    >>> from echotrace.sittings.outliers import extreme_studentized_deviates
    >>> extreme_studentized_deviates([23.40, 23.41, 23.42, 23.40, 23.80], max_outliers=1).tolist()
    [4]
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
        order.append(int(left[worst]))
        if deviation[worst] / sd > critical_deviate(data.size, i, alpha):
            found = i
        left = np.delete(left, worst)
    return np.array(order[:found], np.intp)
