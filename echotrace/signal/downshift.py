"""How much lower the carrier of one echo is than that of an earlier one: what lies between them.

Attenuation takes high frequencies first. Watery fluids take next to nothing over an eye's length,
silicone oil most of the upper half of the band (its attenuation: see ``media.py``).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["carrier_downshift"]

# Frequencies within 10 dB of the peak count, so that the baseline moves nothing.
_BAND_POWER = 0.1
_SIZE = 512


def carrier_downshift(
    rf: NDArray[np.floating],
    first_sample: NDArray[np.float64],
    second_sample: NDArray[np.float64],
    *,
    half_width: int,
) -> NDArray[np.float64]:
    """Part by which the second echo's carrier lies below the first one's.

    Parameters
    ----------
    rf : ndarray of float, (n, n_samples)
        RF at the receiver's input.
    first_sample, second_sample : ndarray of float64, (n,)
        Positions of the two echoes, in samples; NaN where there is none.
    half_width : int
        How much of an echo is looked at on either side, samples.

    Returns
    -------
    ndarray of float64, (n,)
        Zero for equal carriers, negative where the second is higher; NaN where an echo is missing
        or cut off by the trace's end.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.downshift import carrier_downshift
    >>> t = np.arange(4000) * 0.01
    >>> rf = sum(np.exp(-0.5 * ((t - at) / 0.0625) ** 2) * np.cos(2 * np.pi * mhz * t)
    ...          for at, mhz in ((10.0, 10.0), (30.0, 8.0)))
    >>> carrier_downshift(rf[None], np.array([1000.0]), np.array([3000.0]), half_width=20).round(2)
    array([0.2])
    """
    first = _centroids(rf, first_sample, half_width)
    second = _centroids(rf, second_sample, half_width)
    return np.asarray(1.0 - second / first)


def _centroids(
    rf: NDArray[np.floating], at: NDArray[np.float64], half_width: int
) -> NDArray[np.float64]:
    """Centroid of the spectrum of one echo of each trace, in bins."""
    n_samples = rf.shape[1]
    inside = (at >= half_width) & (at < n_samples - half_width - 1)
    centre = np.rint(np.where(inside, at, half_width)).astype(np.intp)
    index = centre[:, None] + np.arange(-half_width, half_width + 1)
    echo = np.take_along_axis(np.asarray(rf, np.float64), index, axis=1)
    echo = (echo - echo.mean(axis=1, keepdims=True)) * np.hanning(index.shape[1] + 2)[1:-1]
    size = max(_SIZE, 1 << int(np.ceil(np.log2(4 * index.shape[1]))))
    power = np.abs(np.fft.rfft(echo, size, axis=1)) ** 2
    power[power < _BAND_POWER * power.max(axis=1, keepdims=True)] = 0.0
    total = power.sum(axis=1)
    bins = np.arange(power.shape[1])
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(inside & (total > 0.0), power @ bins / total, np.nan)
