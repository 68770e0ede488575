"""Jackknife and bootstrap by subject.

Everything a study is analysed by is a sum over subjects, so that leaving out a subject (jackknife)
or drawing subjects anew (bootstrap) is a product of matrices.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from echotrace.agreement.variance import Floats

__all__ = ["bootstrap_interval", "jackknife", "subject_draws"]


def jackknife(statistic: Callable[[Floats], Floats], sums: Floats) -> tuple[float, float, int]:
    """Value of a statistic of sums over subjects and its standard error, one subject left out.

    Parameters
    ----------
    statistic : callable
        Maps sums ``(…, n_sums)`` to values ``(…,)``.
    sums : ndarray of float64, (n_subjects, n_sums)

    Returns
    -------
    value, standard_error : float
    df : int
        One less than the number of subjects.

    Notes
    -----
    Miller 1974, Biometrika 61:1.
    """
    n = sums.shape[0]
    total = sums.sum(axis=0)
    value = float(statistic(total))
    if n < 3:
        return value, math.nan, n - 1
    left_out = statistic(total - sums)
    spread = left_out - left_out.mean()
    return value, math.sqrt(float(np.sum(spread**2)) * (n - 1) / n), n - 1


def subject_draws(n_subjects: int, n_draws: int, seed: int) -> Floats:
    """How often each subject is drawn, (n_draws, n_subjects); subjects drawn with replacement."""
    rng = np.random.default_rng(seed)
    return rng.multinomial(n_subjects, np.full(n_subjects, 1.0 / n_subjects), n_draws).astype(
        np.float64
    )


def bootstrap_interval(
    statistic: Callable[[Floats], Floats], sums: Floats, draws: Floats, confidence: float
) -> tuple[float, float]:
    """Percentile interval of a statistic of sums over subjects, subjects drawn anew.

    Efron & Tibshirani 1993, An Introduction to the Bootstrap, chapter 13; drawing whole subjects
    keeps both eyes and all readings of a subject together.
    """
    if sums.shape[0] < 2 or not draws.shape[0]:
        return math.nan, math.nan
    values = statistic(draws @ sums)
    values = values[np.isfinite(values)]
    if values.size < draws.shape[0] // 2:
        return math.nan, math.nan
    tail = (1.0 - confidence) / 2.0
    low, high = np.quantile(values, [tail, 1.0 - tail])
    return float(low), float(high)
