"""A logarithm of which many are taken at a time."""

from __future__ import annotations

import numpy as np

from echotrace.kernels.jit import filter_kernel

__all__ = ["ln"]


@filter_kernel
def ln(x):
    """Natural logarithm of a float32 above its smallest normal value, to a part in 10^7.

    Unlike the library's, the compiler can take many at a time. The area tangent's series of
    (m - 1) / (m + 1), for a mantissa within a factor of the root of two about one.
    """
    bits = np.float32(x).view(np.int32)
    exponent = (bits >> np.int32(23)) - np.int32(127)
    mantissa = np.int32((bits & np.int32(0x7FFFFF)) | np.int32(0x3F800000)).view(np.float32)
    high = mantissa > np.float32(1.4142135)
    mantissa = np.float32(0.5) * mantissa if high else mantissa
    whole = np.float32(exponent) + (np.float32(1.0) if high else np.float32(0.0))
    s = (mantissa - np.float32(1.0)) / (mantissa + np.float32(1.0))
    z = s * s
    series = np.float32(1 / 7) + z * np.float32(1 / 9)
    series = np.float32(1.0) + z * (np.float32(1 / 3) + z * (np.float32(1 / 5) + z * series))
    return whole * np.float32(0.6931472) + np.float32(2.0) * s * series
