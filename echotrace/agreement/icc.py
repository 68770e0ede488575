"""Intraclass correlations of complete tables."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from echotrace.agreement.variance import Estimate
from echotrace.errors import ParameterError

__all__ = ["intraclass_correlations"]


def intraclass_correlations(table: ArrayLike, confidence: float = 0.95) -> dict[str, Estimate]:
    """Intraclass correlations of a complete table, with their intervals.

    Parameters
    ----------
    table : array_like of float, (n_targets, k)
        Eyes in rows; operators, sittings or readings in columns.
    confidence : float

    Returns
    -------
    dict of str to Estimate
        ``ICC(1)``, ``ICC(k)`` one-way; ``ICC(C,1)``, ``ICC(C,k)`` two-way, consistency;
        ``ICC(A,1)``, ``ICC(A,k)`` two-way, absolute agreement.

    Raises
    ------
    ParameterError
        Fewer than two rows or columns, empty cells, or values that are all the same.

    Notes
    -----
    McGraw & Wong 1996, Psychological Methods 1:30, tables 4 and 7. Shrout & Fleiss 1979,
    Psychological Bulletin 86:420, call the six forms (1,1), (1,k), (3,1), (3,k), (2,1), (2,k).

    Examples
    --------
    >>> found = intraclass_correlations([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8]])
    >>> round(found["ICC(A,1)"].value, 2)
    0.34
    """
    import scipy

    x = np.asarray(table, dtype=np.float64)
    if x.ndim != 2 or min(x.shape) < 2:
        raise ParameterError(
            f"intraclass correlation: a table of shape {x.shape}; at least 2 rows (eyes) and 2 "
            "columns (readings of each) are needed"
        )
    if not np.isfinite(x).all():
        row, column = np.argwhere(~np.isfinite(x))[0]
        raise ParameterError(
            f"intraclass correlation: row {row + 1}, column {column + 1} is missing; every cell "
            "must be filled"
        )
    n, k = x.shape
    x = x - x.mean()
    rows, columns = x.mean(axis=1), x.mean(axis=0)
    df_e = (n - 1) * (k - 1)
    ms_r = k * float(rows @ rows) / (n - 1)
    ms_c = n * float(columns @ columns) / (k - 1)
    residual = x - rows[:, None] - columns
    ms_e = float(np.sum(residual**2)) / df_e
    ms_w = float(np.sum((x - rows[:, None]) ** 2)) / (n * (k - 1))
    if ms_r + ms_w == 0.0:
        raise ParameterError("intraclass correlation: all values are identical")
    tail = (1.0 - confidence) / 2.0

    def upper(df_1: float, df_2: float) -> float:
        return float(scipy.stats.f.isf(tail, df_1, df_2))

    def single_and_mean(ms: float, df: float, names: tuple[str, str]) -> dict[str, Estimate]:
        value = (ms_r - ms) / (ms_r + (k - 1) * ms)
        if ms == 0.0:
            return {name: Estimate(1.0, 1.0, 1.0, "no error") for name in names}
        f_low = ms_r / ms / upper(n - 1, df)
        f_high = ms_r / ms * upper(df, n - 1)
        return {
            names[0]: Estimate(
                value, (f_low - 1) / (f_low + k - 1), (f_high - 1) / (f_high + k - 1), "F"
            ),
            names[1]: Estimate(
                (ms_r - ms) / ms_r if ms_r else -math.inf, 1 - 1 / f_low, 1 - 1 / f_high, "F"
            ),
        }

    out = single_and_mean(ms_w, n * (k - 1), ("ICC(1)", "ICC(k)"))
    out |= single_and_mean(ms_e, df_e, ("ICC(C,1)", "ICC(C,k)"))

    agreement = (ms_r - ms_e) / (ms_r + (k - 1) * ms_e + k * (ms_c - ms_e) / n)
    a = k * agreement / (n * (1 - agreement)) if agreement < 1 else math.inf
    b = 1 + k * agreement * (n - 1) / (n * (1 - agreement)) if agreement < 1 else math.inf
    if math.isinf(a):
        low = high = 1.0
    else:
        v = (a * ms_c + b * ms_e) ** 2 / ((a * ms_c) ** 2 / (k - 1) + (b * ms_e) ** 2 / df_e)
        f_1, f_2 = upper(n - 1, v), upper(v, n - 1)
        pooled = k * ms_c + (k * n - k - n) * ms_e
        low = n * (ms_r - f_1 * ms_e) / (f_1 * pooled + n * ms_r)
        high = n * (f_2 * ms_r - ms_e) / (pooled + n * f_2 * ms_r)
    how = "F, Satterthwaite"
    out["ICC(A,1)"] = Estimate(agreement, low, high, how)

    def of_mean(rho: float) -> float:
        return float(rho * k / (1 + rho * (k - 1)))

    out["ICC(A,k)"] = Estimate(
        (ms_r - ms_e) / (ms_r + (ms_c - ms_e) / n), of_mean(low), of_mean(high), how
    )
    return out
