"""The noise of a trace, by counting how much of it lies below a level.

Counting runs in vector registers: a few rounds of it find a quantile many times faster than
sorting does.
"""

from __future__ import annotations

import math

import numpy as np

from echotrace.kernels.extremes import largest
from echotrace.kernels.jit import filter_kernel_or, kernel

__all__ = ["ENVELOPE", "SLOPE", "noise_of"]

ENVELOPE, SLOPE = 0.25, 0.5
"""Shares that are looked for: a quartile of a Rayleigh envelope, a median of normal magnitudes."""

_TINY = float(np.finfo(np.float32).tiny)
# Float32 filters round at about this fraction of a trace's largest value: less is no noise.
_ROUNDING = 1e-6
_ROUNDS = 40
# Lower quartile of a Rayleigh envelope, and median of the magnitude of a normal value, in
# standard deviations.
_QUARTILE = math.sqrt(-2.0 * math.log1p(-0.25))
_MEDIAN = 0.674490
# Slope of the quantile of that magnitude at its median, 1 / (2 phi(0.6745)).
_MEDIAN_SLOPE = 1.573


def _count_by_arrays(values, low, high):
    return np.count_nonzero(values < low), np.count_nonzero(values < high)


@filter_kernel_or(_count_by_arrays)
def _count(values, low, high):
    """How many values lie below each of two levels.

    Counted in float32, exact to 16 million: whole numbers would be widened to 64 bits.
    """
    below, inside = np.float32(0.0), np.float32(0.0)
    for k in range(values.size):
        below += np.float32(values[k] < low)
        inside += np.float32(values[k] < high)
    return below, inside


def _quiet_mean_by_arrays(values):
    size = values.size // 16
    seen = values if size == 0 else values[: 16 * size].reshape(16, size).sum(axis=1) / size
    return float(seen[seen > 0.0].min(initial=np.inf))


@filter_kernel_or(_quiet_mean_by_arrays)
def _quiet_mean(values):
    """Least mean of sixteen windows of the values that is not zero.

    Four at a time: one sum would wait for itself at each step.
    """
    size = np.uint64(values.size // 16)
    never = np.float32(np.inf)
    least = never
    if values.size < 16:
        # Too few for windows: the least value that is not zero.
        for x in values:
            least = min(least, x if x > np.float32(0.0) else never)
        return float(least)
    for quarter in range(np.uint64(4)):
        first = quarter * np.uint64(4) * size
        a, b, c, d = np.float32(0.0), np.float32(0.0), np.float32(0.0), np.float32(0.0)
        for k in range(first, first + size):
            a += values[k]
            b += values[k + size]
            c += values[k + size + size]
            d += values[k + size + size + size]
        for total in (a, b, c, d):
            least = min(least, total if total > np.float32(0.0) else never)
    return float(least) / (values.size // 16)


@kernel
def noise_of(values, share):
    """Standard deviation of the noise that most of some values are.

    That at which the wanted share of the values below 4 of it lies where it must. Bracketed, with
    steps by the distribution: three or four rounds as a rule.

    Parameters
    ----------
    values : (m,) float32
        Zero or more.
    share : float
        ``ENVELOPE`` for an envelope: noise of one quadrature; ``SLOPE`` for magnitudes of normal
        values.
    """
    least = max(_TINY, _ROUNDING * largest(values))
    sigma = _quiet_mean(values)
    if not 0.0 < sigma < np.inf:
        return least
    low, high = 0.0, np.inf
    level = _QUARTILE if share == ENVELOPE else _MEDIAN
    for _ in range(_ROUNDS):
        below, inside = _count(values, np.float32(level * sigma), np.float32(4.0 * sigma))
        p = float(below) / max(float(inside), 1.0)
        if p < share:
            low = sigma
        else:
            high = sigma
        if not share - 0.15 < p < share + 0.15:
            step = 2.0 if p < share else 0.5
        elif share == ENVELOPE:
            step = _QUARTILE / math.sqrt(-2.0 * math.log1p(-p))
        else:
            d = p - 0.5
            step = _MEDIAN / (_MEDIAN + _MEDIAN_SLOPE * d * (1.0 + 0.53 * d))
        new = sigma * step
        if abs(step - 1.0) < 0.01:
            return max(new, least)
        # Ties or a few values only can send the steps to and fro: then the bracket is halved.
        if not low < new < high:
            new = 0.5 * (low + high)
        sigma = new
    return max(sigma, least)
