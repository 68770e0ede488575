"""The carrier that echoes really have, to hold what was stated of rate and probe against.

A sampling rate that is stated wrongly scales every delay, and nothing in a length shows it; but it
scales the echoes' spectrum as well, and the probe's centre frequency is stated beside it.

Echoes do not all have the probe's carrier: what lies in front of them, and a beam that meets them
obliquely, take the high frequencies first, each echo by another amount. So the carrier is where
the upper edge of all their centroids lies, and the doubt is a ratio of likelihoods: how much better
the echoes are explained by another carrier than by the stated one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.signal.kind import thinned

__all__ = ["Carrier", "carrier_of", "echo_carrier", "echo_centroids"]

_ECHOES = 5
# Peaks of 26 dB over the noise: it moves the centroid by less than one per cent of the carrier.
_LEAST_OVER_NOISE = 20.0
# Steps of a converter scatter by 1 / sqrt(12) of one.
_STEP = 1.0 / math.sqrt(12.0)
# The transmit pulse itself is no echo; what follows it rings at the carrier as well.
_NEAR_FIELD_US = 0.3
# The centroid is taken where the spectrum stands within 10 dB of its peak: neither baseline nor
# wide-band noise moves it.
_BAND_POWER = 0.1

# Mean downshift of an echo over the square of the fractional bandwidth: some 1 dB/(cm MHz) on ways
# of a few millimetres there and back (Narayana PA, Ophir J 1983, IEEE Trans Sonics Ultrason 30:147,
# for the square; value from memory).
_DOWNSHIFT, _LEAST_DOWNSHIFT = 0.25, 0.02
# Echoes that interfere with neighbours lie to either side.
_SCATTER = 0.012
# Some lie anywhere, seldom above: share, and logarithms of the carrier over which they spread.
_BELOW, _BELOW_WIDTH = 0.12, 1.2
_ABOVE, _ABOVE_WIDTH = 0.06, 1.0
# Common to all echoes of a scan: a beam off axis loses high frequencies as well.
_TILT_DOWNSHIFT = 0.06
# Relative standard uncertainty of a frequency that is stated from a measurement of the probe.
_PROBE_U = 0.012
# Scans of one hand are alike: more than this many count as so many.
_INDEPENDENT_SCANS = 3
_GRID_STEP = 0.004


@dataclass(frozen=True, slots=True)
class Carrier:
    """What the echoes say of their carrier.

    Attributes
    ----------
    carrier_hz : float
        That explains them best, Hz; NaN where no echo stands.
    doubt : float
        How surely it is another than the stated one, in standard deviations of a normal variable
        that is that unlikely: the square root of twice the logarithm of the ratio of likelihoods
        (Wilks SS 1938, Ann Math Stat 9:60); NaN where no echo stands.
    n_echoes : int

    Examples
    --------
    >>> from echotrace.signal.carrier import Carrier
    >>> Carrier(carrier_hz=12.4e6, doubt=6.2, n_echoes=10).carrier_hz / 10e6
    1.24
    """

    carrier_hz: float
    doubt: float
    n_echoes: int


def echo_centroids(
    amplitude: NDArray[np.floating],
    clipped: NDArray[np.bool_],
    delay_us: NDArray[np.float64],
    *,
    sampling_rate_hz: float,
    pulse_us: float,
    face_delay_us: float = 0.0,
    step: NDArray[np.floating] | float = 0.0,
) -> NDArray[np.float64]:
    """Centroids of the strong unclipped echoes of RF traces.

    Parameters
    ----------
    amplitude : ndarray of float, (n_traces, n_samples)
        RF.
    clipped : ndarray of bool, (n_traces, n_samples)
    delay_us : ndarray of float64, (n_samples,)
    sampling_rate_hz : float
    pulse_us : float
        Full width at half height of the stated pulse: how much of an echo is looked at.
    face_delay_us : float
        Delay of the probe's face; what stands before 0.3 µs behind it is left out.
    step : float or ndarray, (n_samples,) or (n_traces, n_samples)
        Of the converter, in units of the amplitude.

    Returns
    -------
    ndarray of float64, (n_traces, 5)
        Hz, the tallest echo first; NaN where there are no more.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.carrier import echo_centroids
    >>> t = np.arange(2000) * 0.01
    >>> rf = np.exp(-0.5 * ((t - 9.0) / 0.0625) ** 2) * np.cos(2 * np.pi * 12.0 * t)
    >>> found = echo_centroids(rf[None], np.zeros((1, 2000), bool), t, sampling_rate_hz=1e8,
    ...                        pulse_us=0.147)
    >>> (1e-6 * found).round(2).tolist()
    [[12.0, nan, nan, nan, nan]]
    """
    x = np.asarray(amplitude, np.float32)
    n, m = x.shape
    half = round(pulse_us * 1e-6 * sampling_rate_hz)
    # A probe that is stated far too low must not make one echo of the whole trace.
    half = min(max(half, 8), max(8, m // 16))
    found = np.full((n, _ECHOES), np.nan)
    if m < 4 * half:
        return found
    x = x - np.median(thinned(x), axis=1)[:, None]
    height = np.abs(x)
    # Under a time gain that is not told noise rises along the trace: its loudest quarter counts.
    quarters = [np.median(thinned(part), axis=1) for part in np.array_split(height, 4, axis=1)]
    noise = np.max(quarters, axis=0) / 0.6745
    height[:, delay_us < face_delay_us + _NEAR_FIELD_US] = 0.0
    # Where there is no noise, what is left of an echo's skirts is no echo.
    least = np.maximum(_LEAST_OVER_NOISE * noise, 1e-3 * height.max(axis=1))
    height[height < _LEAST_OVER_NOISE * _STEP * np.asarray(step)] = 0.0
    rows = np.arange(n)
    near, wide = np.arange(-half, half + 1), np.arange(-2 * half, 2 * half + 1)
    places, usable = [], []
    for _ in range(2 * _ECHOES):
        at = height.argmax(axis=1)
        stands = height[rows, at] > least
        if not stands.any():
            break
        around = np.clip(at[:, None] + near, 0, m - 1)
        # An echo cut off by the record's end has another spectrum.
        whole = (at >= half) & (at < m - half) & ~clipped[rows[:, None], around].any(axis=1)
        places.append(at)
        usable.append(stands & whole)
        height[rows[:, None], np.clip(at[:, None] + wide, 0, m - 1)] = 0.0
    if not places:
        return found
    used = np.stack(usable, axis=1)
    order = np.cumsum(used, axis=1) - 1
    i, k = np.nonzero(used & (order < _ECHOES))
    if i.size:
        windows = x[i[:, None], np.stack(places, axis=1)[i, k][:, None] + near]
        found[i, order[i, k]] = _centroids(windows) * sampling_rate_hz
    return found


def _centroids(windows: NDArray[np.float32]) -> NDArray[np.float64]:
    """Centroid of the power about its peak, cycles a sample, of each window."""
    length = windows.shape[1]
    size = max(512, 1 << math.ceil(math.log2(4 * length)))
    taper = np.hanning(length + 2)[1:-1].astype(np.float32)
    shaped = (windows - windows.mean(axis=1, keepdims=True)) * taper
    power = np.abs(np.fft.rfft(shaped, size, axis=1)) ** 2
    k = np.arange(power.shape[1])
    peak = power.argmax(axis=1)[:, None]
    low = power < _BAND_POWER * power.max(axis=1, keepdims=True)
    first = np.where(low & (k < peak), k, -1).max(axis=1)[:, None]
    stop = np.where(low & (k > peak), k, k.size).min(axis=1)[:, None]
    band = np.where((k > first) & (k < stop), power, 0.0).astype(np.float64)
    return np.asarray((band @ k) / band.sum(axis=1) / size)


@lru_cache(maxsize=16)
def _log_likelihood(downshift: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Of the logarithm of an echo's centroid over the carrier: places and values.

    A normal scatter less an exponential downshift, and a few that lie anywhere.
    """
    x = np.arange(-3.0, 3.0, 0.5 * _GRID_STEP)
    s = _SCATTER
    z = (x + s**2 / downshift) / (math.sqrt(2.0) * s)
    # exp() of the one and erfc() of the other are kept from overflow by the scaled function.
    with np.errstate(over="ignore", invalid="ignore"):
        tall = np.exp(-0.5 * (x / s) ** 2) * scipy.special.erfcx(z)
        flat = np.exp(x / downshift + 0.5 * (s / downshift) ** 2) * scipy.special.erfc(z)
    density = np.where(z > 0.0, tall, flat) / (2.0 * downshift)
    outliers = np.where(x < 0.0, _BELOW / _BELOW_WIDTH, _ABOVE / _ABOVE_WIDTH)
    return x, np.log((1.0 - _BELOW - _ABOVE) * density + outliers)


def carrier_of(
    centroid_hz: NDArray[np.float64], *, stated_hz: float, fractional_bandwidth: float
) -> Carrier:
    """Carrier of echoes by their centroids, and how surely it is not the stated one.

    Parameters
    ----------
    centroid_hz : ndarray of float64, (n_traces, n_echoes)
        From :func:`echo_centroids`; NaN for none.
    stated_hz : float
        Centre frequency of the stated probe.
    fractional_bandwidth : float

    Returns
    -------
    Carrier

    Notes
    -----
    The logarithm of a centroid over the probe's carrier is normal (interference, 1.2 %) less
    exponential (attenuation, 0.25 of the band squared on average); all echoes of a scan share a
    second exponential downshift (a beam off axis, 0.06 of the band squared); 12 % lie anywhere
    below, 6 % above. The stated frequency itself is known to 1.2 %. Scans of one hand are alike, so
    that they count as three at the most.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.carrier import carrier_of
    >>> true = np.array([[10.0, 9.9, 9.4, 9.1, 8.8]]) * 1e6
    >>> for factor in (1.0, 1.1):
    ...     found = carrier_of(factor * true, stated_hz=10e6, fractional_bandwidth=0.6)
    ...     print(round(1e-6 * found.carrier_hz, 1), found.doubt > 3.3)
    10.1 False
    11.1 True
    """
    seen = np.log(centroid_hz / stated_hz)
    seen = seen[np.isfinite(seen).any(axis=1)]
    if not seen.size:
        return Carrier(math.nan, math.nan, 0)
    band = fractional_bandwidth**2
    x, value = _log_likelihood(max(_DOWNSHIFT * band, _LEAST_DOWNSHIFT))
    # Wide enough for the stated carrier and for whatever is seen.
    first = min(-0.3, float(np.nanmin(seen)) - 0.1)
    last = max(0.3, float(np.nanmax(seen)) + 0.1)
    step = max(_GRID_STEP, (last - first) / 1000.0)
    at = step * np.arange(math.floor(first / step), math.ceil(last / step) + 1)
    known = np.isfinite(seen)
    place = np.where(known, seen, 0.0)[:, :, None] - at
    each = np.where(known[:, :, None], np.interp(place, x, value), 0.0).sum(axis=1)
    # The downshift that a scan's echoes share is whatever explains them best.
    cost = at / max(_TILT_DOWNSHIFT * band, _LEAST_DOWNSHIFT)
    tilted = np.maximum.accumulate(each + cost, axis=1) - cost
    total = tilted.sum(axis=0) * min(1.0, _INDEPENDENT_SCANS / seen.shape[0])
    stated = float((total - 0.5 * (at / _PROBE_U) ** 2).max())
    best = int(total.argmax())
    doubt = math.sqrt(2.0 * max(0.0, float(total[best]) - stated))
    return Carrier(stated_hz * math.exp(float(at[best])), doubt, int(known.sum()))


def echo_carrier(
    amplitude: NDArray[np.floating],
    clipped: NDArray[np.bool_],
    delay_us: NDArray[np.float64],
    *,
    sampling_rate_hz: float,
    pulse_us: float,
    stated_hz: float,
    fractional_bandwidth: float,
    face_delay_us: float = 0.0,
    step: NDArray[np.floating] | float = 0.0,
) -> Carrier:
    """Carrier of the strong unclipped echoes of RF traces.

    Parameters
    ----------
    amplitude, clipped, delay_us, sampling_rate_hz, pulse_us, face_delay_us, step
        As for :func:`echo_centroids`.
    stated_hz, fractional_bandwidth : float
        As for :func:`carrier_of`.

    Returns
    -------
    Carrier
        Somewhat above a lone echo's centroid, which has mostly been shifted down.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.carrier import echo_carrier
    >>> t = np.arange(2000) * 0.01
    >>> rf = np.exp(-0.5 * ((t - 9.0) / 0.0625) ** 2) * np.cos(2 * np.pi * 12.0 * t)
    >>> found = echo_carrier(rf[None], np.zeros((1, 2000), bool), t, sampling_rate_hz=1e8,
    ...                      pulse_us=0.147, stated_hz=10e6, fractional_bandwidth=0.6)
    >>> round(1e-6 * found.carrier_hz, 1), found.n_echoes
    (12.3, 1)
    """
    centroid_hz = echo_centroids(
        amplitude,
        clipped,
        delay_us,
        sampling_rate_hz=sampling_rate_hz,
        pulse_us=pulse_us,
        face_delay_us=face_delay_us,
        step=step,
    )
    return carrier_of(centroid_hz, stated_hz=stated_hz, fractional_bandwidth=fractional_bandwidth)
