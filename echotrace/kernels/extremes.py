"""Largest and smallest of many values."""

from __future__ import annotations

import numpy as np

from echotrace.kernels.jit import filter_kernel_or

__all__ = ["extremes", "largest"]


def _largest_by_arrays(values):
    return values.max(initial=np.float32(0.0))


@filter_kernel_or(_largest_by_arrays)
def largest(values):
    """Largest of some float32 that are zero or more, as envelopes are; zero where there are none.

    Compared as the whole numbers with the same bits, which have the same order: the compiler
    keeps maxima of floats out of vector registers.
    """
    bits = values.view(np.int32)
    top = np.int32(0)
    for k in range(bits.size):
        x = bits[k]
        top = x if x > top else top
    return np.int32(top).view(np.float32)


def _extremes_by_arrays(samples):
    return samples.max(), samples.min()


@filter_kernel_or(_extremes_by_arrays)
def extremes(samples):
    """Largest and smallest sample."""
    high, low = samples[0], samples[0]
    for k in range(samples.size):
        x = samples[k]
        high = x if x > high else high
        low = x if x < low else low
    return high, low
