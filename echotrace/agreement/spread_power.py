"""Power of the test of a ratio of spreads: the test itself, run on simulated studies."""

from __future__ import annotations

import functools
import math

import numpy as np

from echotrace.agreement.variance import Floats

__all__ = ["ratio_test_power"]

_MOST_SIMULATED = 1000
_VALUES = 1_000_000
"""Variances that are drawn for each method, at most; a power is then known to 0.003 to 0.01."""
_AT_ONCE = 250_000
_SEED = 20260403


@functools.lru_cache(maxsize=4096)
def ratio_test_power(
    log_ratio: float,
    n_eyes: int,
    readings: tuple[int, int],
    alpha: float,
    heterogeneity: tuple[float, float],
    shared: float,
) -> float:
    """Power of the jackknife test of a ratio of repeatability SDs.

    Parameters
    ----------
    log_ratio : float
        Logarithm of the true ratio.
    n_eyes : int
        Of as many subjects.
    readings : tuple of int
        In each sitting by A and by B.
    alpha : float
    heterogeneity : tuple of float
        SD between eyes of the logarithm of the SD within an eye, by A and by B.
    shared : float
        Correlation of these logarithms.

    Returns
    -------
    float
        Share of simulated studies that the test finds, of 1,000 to 20,000 with a fixed seed; with
        more than 1,000 eyes by the delta method. That alone would plan too many eyes where eyes
        differ much, since the error that a study finds is then mostly below its expectation.

    Examples
    --------
    >>> power = ratio_test_power(0.4, 30, (5, 5), 0.05, (0.0, 0.0), 0.0)
    >>> 0.9 < power < 1.0
    True
    """
    import scipy

    if log_ratio < 0.0:
        # The same study, its methods called the other way round.
        turned = heterogeneity[::-1], shared
        return ratio_test_power(-log_ratio, n_eyes, readings[::-1], alpha, *turned)
    critical = float(scipy.stats.t.isf(alpha / 2.0, n_eyes - 1))
    if n_eyes > _MOST_SIMULATED:
        error = math.sqrt(_variance(readings, heterogeneity, shared) / n_eyes)
        t = scipy.stats.nct(n_eyes - 1, abs(log_ratio) / error)
        return float(t.sf(critical) + t.cdf(-critical))
    rng = np.random.default_rng(_SEED)
    n_draws = min(max(_VALUES // n_eyes, 1000), 20_000)
    found = 0
    for start in range(0, n_draws, max(_AT_ONCE // n_eyes, 1)):
        shape = (min(max(_AT_ONCE // n_eyes, 1), n_draws - start), n_eyes)
        squares = _squares(rng, shape, readings, heterogeneity, shared)
        total = [item.sum(axis=1, keepdims=True) for item in squares]
        value = log_ratio + 0.5 * np.log(total[0] / total[1])[:, 0]
        without = 0.5 * np.log((total[0] - squares[0]) / (total[1] - squares[1]))
        off = without - without.mean(axis=1, keepdims=True)
        error_found = np.sqrt(np.sum(off**2, axis=1) * (n_eyes - 1) / n_eyes)
        found += int(np.count_nonzero(np.abs(value) > critical * error_found))
    return found / n_draws


def _squares(
    rng: np.random.Generator,
    shape: tuple[int, int],
    readings: tuple[int, int],
    heterogeneity: tuple[float, float],
    shared: float,
) -> list[Floats]:
    """Sums of squares within eyes by A and by B, of unit mean variance, for a ratio of one."""
    z = rng.normal(size=(2, *shape))
    z[1] = shared * z[0] + math.sqrt(1.0 - shared**2) * z[1]
    found = []
    for item, n, h in zip(z, readings, heterogeneity, strict=True):
        chi2 = rng.chisquare(n - 1, shape) / (n - 1)
        found.append(np.exp(2.0 * h * item - 2.0 * h**2) * chi2)
    return found


def _variance(
    readings: tuple[int, int], heterogeneity: tuple[float, float], shared: float
) -> float:
    """Variance of the logarithm of the ratio times the number of eyes, by the delta method."""
    spread = sum(
        math.exp(4.0 * h**2) * (1.0 + 2.0 / (n - 1)) - 1.0
        for h, n in zip(heterogeneity, readings, strict=True)
    )
    return 0.25 * (spread - 2.0 * math.expm1(4.0 * shared * heterogeneity[0] * heterogeneity[1]))
