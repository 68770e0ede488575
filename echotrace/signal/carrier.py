"""The carrier that echoes really have, to hold what was stated of rate and probe against.

A sampling rate that is stated wrongly scales every delay, and nothing in a length shows it; but it
scales the echoes' spectrum as well, and the probe's centre frequency and band are stated beside it.

Echoes do not all have the probe's carrier. What lies in front of them, a beam that meets them
obliquely and a surface out of focus take the high frequencies first; a neighbour less than two
widths away moves a centroid to either side. All of this goes with the band: one that were a line
could not be moved. So every scatter here is a part of the square of the fractional bandwidth.

What takes high frequencies moves the spectrum and leaves its width; a rate that is off scales both.
The widths therefore tell a rate that is too low from a beam off axis, which centroids cannot.

The doubt is a ratio of likelihoods: how much better the echoes are explained by another rate or
probe than by the stated ones.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.signal.kind import row_medians, thinned

__all__ = ["SHARED_DOWNSHIFT", "Carrier", "carrier_of", "echo_carrier", "echo_spectra"]

SHARED_DOWNSHIFT = {"contact": 0.05, "immersion": 0.1, "other": 0.1}
"""Mean downshift that all echoes of a recording share, over the square of the fractional bandwidth:
a beam off axis, and behind a bath a curved surface far from the focus."""

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

# All of these over the square of the fractional bandwidth, fitted by likelihood to drawn sittings.
# Mean downshift of an echo: some 1 dB/(cm MHz) on ways of a few millimetres there and back
# (Narayana PA, Ophir J 1983, IEEE Trans Sonics Ultrason 30:147, for the square; value from memory).
_DOWNSHIFT, _LEAST_DOWNSHIFT = 0.25, 0.02
# Of a first surface, or where nothing takes high frequencies.
_UNSHIFTED = 0.2
# Echoes that interfere with neighbours lie to either side, some much more than most. A neighbour of
# relative height r, one period away, moves the centroid by 4 pi r times the band's variance.
_SCATTER, _MORE_SCATTER, _MORE = 0.045, 0.145, 0.45
# Of a line, which cannot be moved: noise and the grid of the transform.
_LEAST_SCATTER = 0.006
# Some lie anywhere, seldom above: share, and logarithms of the carrier over which they spread.
_BELOW, _BELOW_WIDTH = 0.045, 1.2
_ABOVE, _ABOVE_WIDTH = 0.02, 1.0
_LEAST_SHARED = 0.01

# Relative standard uncertainty of a frequency that is stated from a measurement of the probe.
_PROBE_U = 0.012
# Of the width of the spectrum, seen through a window as long as the pulse, which halves what the
# band adds to it: of a band that was measured, and one time in twenty of one that was looked up.
_WIDTH_U, _LOOSE_WIDTH_U, _LOOSE = 0.012, 0.08, 0.05
# What takes high frequencies takes width as well where the band is wide: over its fourth power.
_WIDTH_LOST = 0.08
# Echoes have lost that much of their width; their median is known no better than the least.
_NARROWER, _LEAST_WIDTH_U = 0.01, 0.006
# Widths of echoes that do not interfere differ by less.
_ALIKE = 0.07
# A probe whose band in Hz is the stated one's though its carrier is not: one time in three.
_OTHER_PROBE = 1.0
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


def echo_spectra(
    amplitude: NDArray[np.floating],
    clipped: NDArray[np.bool_],
    delay_us: NDArray[np.float64],
    *,
    sampling_rate_hz: float,
    pulse_us: float,
    face_delay_us: float = 0.0,
    step: NDArray[np.floating] | float = 0.0,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Centroids and widths of the spectra of the strong unclipped echoes of RF traces.

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
    step : float or ndarray, (n_samples,), (n_traces, 1) or (n_traces, n_samples)
        Of the converter, in units of the amplitude.

    Returns
    -------
    centroid_hz, width_hz : ndarray of float64, (n_traces, 5)
        Mean and standard deviation of the power, the tallest echo first; NaN where there are no
        more.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.carrier import echo_spectra
    >>> t = np.arange(2000) * 0.01
    >>> rf = np.exp(-0.5 * ((t - 9.0) / 0.0625) ** 2) * np.cos(2 * np.pi * 12.0 * t)
    >>> centroid_hz, width_hz = echo_spectra(rf[None], np.zeros((1, 2000), bool), t,
    ...                                      sampling_rate_hz=1e8, pulse_us=0.147)
    >>> (1e-6 * centroid_hz).round(2).tolist()
    [[12.0, nan, nan, nan, nan]]
    >>> (1e-6 * width_hz[0, 0]).round(1).item()
    2.2
    """
    x = np.asarray(amplitude, np.float32)
    n, m = x.shape
    half = _half_window(pulse_us, sampling_rate_hz, m)
    centroid_hz, width_hz = np.full((2, n, _ECHOES), np.nan)
    if m < 4 * half:
        return centroid_hz, width_hz
    x = x - row_medians(thinned(x))[:, None]
    # Room at either end: what is taken out about an echo may reach beyond the trace.
    room = 2 * half
    wide_height = np.zeros((n, m + 2 * room), np.float32)
    height = np.abs(x, out=wide_height[:, room : m + room])
    # Under a time gain that is not told noise rises along the trace: its loudest quarter counts.
    quarters = height[:, : m // 4 * 4].reshape(n, 4, -1)
    noise = row_medians(thinned(quarters)).max(axis=1) / 0.6745
    height[:, delay_us < face_delay_us + _NEAR_FIELD_US] = 0.0
    # Where there is no noise, what is left of an echo's skirts is no echo.
    least = np.maximum(_LEAST_OVER_NOISE * noise, 1e-3 * height.max(axis=1))
    height *= height >= _LEAST_OVER_NOISE * _STEP * np.asarray(step)
    rows = np.arange(n)
    near, around = np.arange(-half, half + 1), np.arange(4 * half + 1)
    some_clipped = bool(clipped.any())
    places, usable = [], []
    for _ in range(2 * _ECHOES):
        at = wide_height.argmax(axis=1)
        stands = wide_height[rows, at] > least
        if not stands.any():
            break
        wide_height[rows[:, None], (at - room)[:, None] + around] = 0.0
        at -= room
        # An echo cut off by the record's end has another spectrum.
        usable.append(stands & (at >= half) & (at < m - half))
        if some_clipped:
            beside = np.clip(at[:, None] + near, 0, m - 1)
            usable[-1] &= ~clipped[rows[:, None], beside].any(axis=1)
        places.append(at)
        # Enough of every trace.
        if np.sum(usable, axis=0).min() == _ECHOES:
            break
    if not places:
        return centroid_hz, width_hz
    used = np.stack(usable, axis=1)
    order = np.cumsum(used, axis=1) - 1
    i, k = np.nonzero(used & (order < _ECHOES))
    if i.size:
        windows = x[i[:, None], np.stack(places, axis=1)[i, k][:, None] + near]
        centroid, width = _moments(windows)
        centroid_hz[i, order[i, k]] = centroid * sampling_rate_hz
        width_hz[i, order[i, k]] = width * sampling_rate_hz
    return centroid_hz, width_hz


def _half_window(pulse_us: float, sampling_rate_hz: float, n_samples: int) -> int:
    """Samples to either side of an echo that are looked at."""
    half = round(pulse_us * 1e-6 * sampling_rate_hz)
    # A probe that is stated far too low must not make one echo of the whole trace.
    return min(max(half, 8), max(8, n_samples // 16))


def _moments(windows: NDArray[np.floating]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean and standard deviation of the power about its peak, cycles a sample, of each window."""
    length = windows.shape[1]
    size = max(512, 1 << math.ceil(math.log2(4 * length)))
    taper = np.hanning(length + 2)[1:-1].astype(np.float32)
    shaped = (windows - windows.mean(axis=1, keepdims=True)) * taper
    spectrum = np.fft.rfft(shaped, size, axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    k = np.arange(power.shape[1])
    peak = power.argmax(axis=1)[:, None]
    low = power < _BAND_POWER * np.take_along_axis(power, peak, axis=1)
    first = np.where(low & (k < peak), k, -1).max(axis=1)[:, None]
    stop = np.where(low & (k > peak), k, k.size).min(axis=1)[:, None]
    band = np.where((k > first) & (k < stop), power, 0.0).astype(np.float64)
    total = band.sum(axis=1)
    mean = (band @ k) / total
    variance = (band @ k**2) / total - mean**2
    # No line is narrower than the grid.
    return np.asarray(mean / size), np.asarray(np.sqrt(np.maximum(variance, 1.0 / 12.0)) / size)


@lru_cache(maxsize=16)
def _stated_width(half: int, cycles: float, fractional_bandwidth: float) -> float:
    """Width of a Gaussian pulse's spectrum, seen as its echoes are; all in cycles a sample."""
    sigma = math.sqrt(2.0 * math.log(2.0)) / (math.pi * fractional_bandwidth * cycles)
    t = np.arange(-half, half + 1)
    # Of both phases, as an echo may have either.
    turn = 2.0 * math.pi * cycles * t
    phases = np.array([np.cos(turn), np.sin(turn)])
    _, width = _moments(np.exp(-0.5 * (t / sigma) ** 2) * phases)
    return float(width.mean())


@lru_cache(maxsize=16)
def _log_likelihood(band: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Of the logarithm of an echo's centroid over the carrier: places and values.

    Two normal scatters, mostly less an exponential downshift, and a few that lie anywhere.
    ``band`` is the square of the fractional bandwidth.
    """
    x = np.arange(-3.0, 3.0, 0.5 * _GRID_STEP)
    downshift = max(_DOWNSHIFT * band, _LEAST_DOWNSHIFT)
    density = np.zeros(x.size)
    for share, scatter in ((1.0 - _MORE, _SCATTER), (_MORE, _MORE_SCATTER)):
        s = math.hypot(_LEAST_SCATTER, scatter * band)
        z = (x + s**2 / downshift) / (math.sqrt(2.0) * s)
        # exp() of the one and erfc() of the other are kept from overflow by the scaled function.
        with np.errstate(over="ignore", invalid="ignore"):
            tall = np.exp(-0.5 * (x / s) ** 2) * scipy.special.erfcx(z)
            flat = np.exp(x / downshift + 0.5 * (s / downshift) ** 2) * scipy.special.erfc(z)
        shifted = np.where(z > 0.0, tall, flat) / (2.0 * downshift)
        unshifted = np.exp(-0.5 * (x / s) ** 2) / (math.sqrt(2.0 * math.pi) * s)
        density += share * ((1.0 - _UNSHIFTED) * shifted + _UNSHIFTED * unshifted)
    outliers = np.where(x < 0.0, _BELOW / _BELOW_WIDTH, _ABOVE / _ABOVE_WIDTH)
    return x, np.log((1.0 - _BELOW - _ABOVE) * density + outliers)


def _log_likelihood_of_width(
    widening: NDArray[np.float64], independent: float, band: float
) -> Callable[[NDArray[np.floating] | float], NDArray[np.float64]]:
    """Of the logarithm of true over stated rate, by the median width of the echoes' spectra."""
    known = widening[np.isfinite(widening)]
    middle = float(np.median(known))
    # A median absolute deviation of less than three echoes says nothing: then as wide as any.
    spread = 1.4826 * float(np.median(np.abs(known - middle))) if known.size > 2 else 0.1
    # Standard error of a median: 1.25 of a mean's.
    u = 1.25 * max(spread, 0.02) / math.sqrt(max(1.0, known.size * independent))
    u = math.hypot(u, _LEAST_WIDTH_U, _WIDTH_LOST * band**2)
    narrow, loose = math.hypot(u, _WIDTH_U), math.hypot(u, _LOOSE_WIDTH_U)

    def value(at: NDArray[np.floating] | float) -> NDArray[np.float64]:
        # Window and pulse are equally long, so that each has half of the variance.
        off = middle + _NARROWER - 0.5 * np.log(0.5 * (1.0 + np.exp(2.0 * np.asarray(at))))
        tight = (1.0 - _LOOSE) / narrow * np.exp(-0.5 * (off / narrow) ** 2)
        return np.asarray(np.log(tight + _LOOSE / loose * np.exp(-0.5 * (off / loose) ** 2)))

    return value


def carrier_of(
    centroid_hz: NDArray[np.float64],
    widening: NDArray[np.float64],
    *,
    stated_hz: float,
    fractional_bandwidth: float,
    shared_downshift: float = SHARED_DOWNSHIFT["other"],
) -> Carrier:
    """Carrier of echoes by their spectra, and how surely it is not the stated one.

    Parameters
    ----------
    centroid_hz : ndarray of float64, (n_traces, n_echoes)
        From :func:`echo_spectra`; NaN for none.
    widening : ndarray of float64, (n_traces, n_echoes)
        Logarithm of the width of each spectrum over the stated pulse's, seen through the same
        window; NaN for none.
    stated_hz : float
        Centre frequency of the stated probe.
    fractional_bandwidth : float
    shared_downshift : float
        Mean part of the carrier by which all echoes lie below it, over the square of the
        fractional bandwidth; :data:`SHARED_DOWNSHIFT` by method.

    Returns
    -------
    Carrier

    Notes
    -----
    With b the square of the fractional bandwidth, the logarithm of a centroid over the probe's
    carrier is normal with 0.045 b, or in 45 % of echoes 0.145 b (interference), in 80 % less
    exponential with mean 0.25 b (attenuation); all echoes of a recording share another exponential
    downshift; 4.5 % lie anywhere below, 2 % above. The stated frequency itself is known to 1.2 %.
    The median of the widths is normal with 1.2 % (the stated band), 0.08 b² (what wide bands lose)
    and its own standard error, and in 5 % of recordings with 8 % more. Another rate moves centroids
    and widths, another probe perhaps centroids alone. An echo whose width is unlike the others' by
    d counts 1 / (1 + (d / 0.07)²). Scans of one hand are alike, so that they count as three at the
    most.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.carrier import carrier_of
    >>> true, width = np.array([[10.0, 9.9, 9.4, 9.1, 8.8]]) * 1e6, np.full((1, 5), -0.01)
    >>> for factor in (1.0, 1.1):
    ...     found = carrier_of(factor * true, width + 0.5 * np.log(factor), stated_hz=10e6,
    ...                        fractional_bandwidth=0.6)
    ...     print(round(1e-6 * found.carrier_hz, 1), found.doubt > 3.0)
    10.0 False
    11.0 True
    """
    seen = np.log(centroid_hz / stated_hz)
    rows = np.isfinite(seen).any(axis=1)
    seen, widening = seen[rows], widening[rows]
    if not seen.size:
        return Carrier(math.nan, math.nan, 0)
    band = fractional_bandwidth**2
    x, value = _log_likelihood(band)
    # Wide enough for the stated carrier and for whatever is seen.
    first = min(-0.3, float(np.nanmin(seen)) - 0.1)
    last = max(0.3, float(np.nanmax(seen)) + 0.1)
    step = max(_GRID_STEP, (last - first) / 1000.0)
    steps = np.arange(math.floor(first / step), math.ceil(last / step) + 1, dtype=np.float64)
    at = step * steps
    known = np.isfinite(seen)
    place = np.where(known, seen, 0.0)[:, :, None] - at
    # An echo that interferes has another width than the rest: the less does its centroid tell.
    unlike = (widening - np.median(widening[np.isfinite(widening)])) / _ALIKE
    weight = np.where(known, 1.0 / (1.0 + unlike**2), 0.0)
    each = np.einsum("ij,ijk->k", weight, np.interp(place, x, value))
    independent = min(1.0, _INDEPENDENT_SCANS / seen.shape[0])
    # The downshift that all echoes share is whatever explains them best.
    cost = at / max(shared_downshift * band, _LEAST_SHARED)
    total = np.maximum.accumulate(independent * each + cost) - cost
    width = _log_likelihood_of_width(widening, independent, band)
    stated = float((total - 0.5 * (at / _PROBE_U) ** 2).max() + width(0.0))
    # A rate that is off scales both; a probe that was mistaken may have the stated band in Hz.
    other = total + np.maximum(width(at), width(0.0) - _OTHER_PROBE)
    best = int(other.argmax())
    doubt = math.sqrt(2.0 * max(0.0, float(other[best]) - stated))
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
    shared_downshift: float = SHARED_DOWNSHIFT["other"],
    face_delay_us: float = 0.0,
    step: NDArray[np.floating] | float = 0.0,
) -> Carrier:
    """Carrier of the strong unclipped echoes of RF traces.

    Parameters
    ----------
    amplitude, clipped, delay_us, sampling_rate_hz, pulse_us, face_delay_us, step
        As for :func:`echo_spectra`.
    stated_hz, fractional_bandwidth, shared_downshift : float
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
    (12.1, 1)
    """
    centroid_hz, width_hz = echo_spectra(
        amplitude,
        clipped,
        delay_us,
        sampling_rate_hz=sampling_rate_hz,
        pulse_us=pulse_us,
        face_delay_us=face_delay_us,
        step=step,
    )
    half = _half_window(pulse_us, sampling_rate_hz, amplitude.shape[1])
    width = _stated_width(half, stated_hz / sampling_rate_hz, fractional_bandwidth)
    return carrier_of(
        centroid_hz,
        np.log(width_hz / (width * sampling_rate_hz)),
        stated_hz=stated_hz,
        fractional_bandwidth=fractional_bandwidth,
        shared_downshift=shared_downshift,
    )
