"""Order statistics by counting, and the noise of a trace from them.

Counting how many values lie below a level runs in vector registers, so that halving the bracket
twenty times is several times cheaper than sorting.
"""

from __future__ import annotations

import math

import numpy as np

from echotrace.kernels.jit import kernel

__all__ = ["noise_of_envelope", "noise_of_slope", "select_kth"]

# Halving stops when the bracket is this many units in the last place wide: 1.5e-5 of the value.
_ULP = np.int32(256)
_QUARTER = -math.log1p(-0.25)
_MEDIAN_OF_NORMAL = 0.674490
_TINY = float(np.finfo(np.float32).tiny)


@kernel
def _count_below(bits, level):
    found = np.int32(0)
    for k in range(bits.size):
        found += np.int32(bits[k] < level)
    return found


@kernel
def _bracketed(bits, k, low, high):
    """Halve [low, high) on the bit patterns, which rise with the values where none is negative."""
    while high - low > _ULP:
        middle = low + (high - low) // np.int32(2)
        if _count_below(bits, middle) <= k:
            low = middle
        else:
            high = middle
    return low


@kernel
def select_kth(values, k):
    """The k-th smallest of float32 values that are zero or more, to 1.5e-5 of itself.

    Parameters
    ----------
    values : (m,) float32
    k : int
        From zero.
    """
    bits = values.view(np.int32)
    few = bits[: (bits.size // 8) * 8].reshape(bits.size // 8, 8)[:, 0].copy()
    low, high = np.int32(0), np.int32(0x7F800000)
    if few.size >= 16:
        # One value in eight says roughly where; the rest is only asked about that stretch.
        rough = _bracketed(few, k // 8, low, high)
        step = np.int32(1 << 20)
        low = max(np.int32(0), rough - step)
        high = rough + step
        while low > 0 and _count_below(bits, low) > k:
            low = max(np.int32(0), low - np.int32(4) * step)
        while high < 0x7F000000 and _count_below(bits, high) <= k:
            high = high + np.int32(4) * step
    out = np.empty(1, np.int32)
    out[0] = _bracketed(bits, k, low, high)
    return out.view(np.float32)[0]


@kernel
def noise_of_envelope(values):
    """Standard deviation of one quadrature from the lower quartile of an envelope, in two passes.

    See :func:`echotrace.envelope.noise_level`.
    """
    n = values.size
    scale = 1.0 / math.sqrt(2.0 * _QUARTER)
    sigma = select_kth(values, max(0, int(np.rint(0.25 * n)) - 1)) * scale
    limit = np.float32(4.0 * sigma)
    below = 0
    for k in range(n):
        below += values[k] < limit
    sigma = select_kth(values, max(0, int(np.rint(0.25 * below)) - 1)) * scale
    return max(sigma, math.sqrt(_TINY))


@kernel
def noise_of_slope(values):
    """Standard deviation of normal values from the median of their magnitudes, in two passes."""
    n = values.size
    sd = select_kth(values, n // 2) / _MEDIAN_OF_NORMAL
    limit = np.float32(4.0 * sd)
    below = 0
    for k in range(n):
        below += values[k] < limit
    sd = select_kth(values, max(0, min(below // 2, n - 1))) / _MEDIAN_OF_NORMAL
    return max(sd, _TINY)
