"""The carrier that echoes really have, to hold what was stated of rate and probe against.

A sampling rate that is stated wrongly scales every delay, and nothing in a length shows it; but it
scales the echoes' spectrum as well, and the probe's centre frequency is stated beside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Carrier", "echo_carrier", "least_attenuated_hz"]

# A recording has one rate and one probe, so a few traces tell all that can be told.
_ECHOES = 5
# Peaks of 20 dB over the noise: below, it moves the centroid by more than a few per cent.
_LEAST_OVER_NOISE = 10.0
# Transmit pulse and ring-down are no echoes.
_NEAR_FIELD_US = 2.0
# The centroid is taken where the spectrum stands within 10 dB of its peak: neither baseline nor
# wide-band noise moves it.
_BAND_POWER = 0.1
# Front of the lens in synthetic contact: 0.143 of the band squared, whatever the band; 0.056 in a
# full-wave trace.
_CONTACT_SHIFT = 0.1


@dataclass(frozen=True, slots=True)
class Carrier:
    """Centroids of the echoes' spectra, each the median over traces, Hz; NaN where no echo stands.

    Attributes
    ----------
    front_hz : float
        Of the frontmost echo of a trace or of its tallest, whichever is lower.
    highest_hz : float
        The highest of a trace. Attenuation, tilt and roughness take high frequencies first, so
        an echo that is higher than the probe's carrier is an exception, lower ones are not.

    Examples
    --------
    >>> from echotrace.signal.carrier import Carrier
    >>> Carrier(front_hz=12.4e6, highest_hz=12.6e6).misfit(10e6)
    0.24
    """

    front_hz: float
    highest_hz: float

    def misfit(self, stated_hz: float) -> float:
        """How far the carrier lies off the stated one, as a part of it; NaN where not known.

        Zero as long as the stated one lies between the two centroids.

        Parameters
        ----------
        stated_hz : float
            Hz.

        Returns
        -------
        float
            Positive where the echoes' carrier is the higher.
        """
        if math.isnan(self.front_hz):
            return math.nan
        return self.nearest_hz(stated_hz) / stated_hz - 1.0

    def nearest_hz(self, stated_hz: float) -> float:
        """The carrier between the two centroids that comes nearest to the stated one, Hz.

        Parameters
        ----------
        stated_hz : float
            Hz.

        Returns
        -------
        float
        """
        return min(max(stated_hz, self.front_hz), self.highest_hz)


def least_attenuated_hz(stated_hz: float, fractional_bandwidth: float, *, contact: bool) -> float:
    """Carrier of the least attenuated echo that can be looked at, Hz.

    Loss that grows with frequency moves the centroid of a Gaussian band down in proportion to the
    band squared (Narayana PA, Ophir J 1983, IEEE Trans Sonics Ultrason 30:147; value from memory).
    In contact the face hides what stands before the lens: chamber and diffraction take a tenth of
    the band squared, at the least.

    Parameters
    ----------
    stated_hz : float
        Centre frequency of the stated probe.
    fractional_bandwidth : float
    contact : bool
        The probe touches the eye; else some echo has passed nothing but water.

    Returns
    -------
    float

    Examples
    --------
    >>> from echotrace.signal.carrier import least_attenuated_hz
    >>> least_attenuated_hz(10e6, 0.5, contact=True), least_attenuated_hz(10e6, 0.5, contact=False)
    (9750000.0, 10000000.0)
    """
    return stated_hz * (1.0 - (_CONTACT_SHIFT * fractional_bandwidth**2 if contact else 0.0))


def echo_carrier(
    amplitude: NDArray[np.floating],
    clipped: NDArray[np.bool_],
    delay_us: NDArray[np.float64],
    *,
    sampling_rate_hz: float,
    pulse_us: float,
    face_delay_us: float = 0.0,
) -> Carrier:
    """Carrier of the strong unclipped echoes of RF traces.

    Parameters
    ----------
    amplitude : ndarray of float, (n_traces, n_samples)
        RF at the receiver's input.
    clipped : ndarray of bool, (n_traces, n_samples)
    delay_us : ndarray of float64, (n_samples,)
    sampling_rate_hz : float
    pulse_us : float
        Full width at half height of the stated pulse: how much of an echo is looked at.
    face_delay_us : float
        Delay of the probe's face; what follows it within 2 µs is left out.

    Returns
    -------
    Carrier

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.carrier import echo_carrier
    >>> t = np.arange(2000) * 0.01
    >>> rf = np.exp(-0.5 * ((t - 9.0) / 0.0625) ** 2) * np.cos(2 * np.pi * 12.0 * t)
    >>> found = echo_carrier(rf[None], np.zeros((1, 2000), bool), t, sampling_rate_hz=1e8,
    ...                      pulse_us=0.147)
    >>> round(found.front_hz * 1e-6, 2)
    12.0
    """
    half = round(pulse_us * 1e-6 * sampling_rate_hz)
    # A probe that is stated far too low must not make one echo of the whole trace.
    half = min(max(half, 8), max(8, delay_us.size // 16))
    near = delay_us < face_delay_us + _NEAR_FIELD_US
    front, highest = [], []
    for trace, marks in zip(np.asarray(amplitude, np.float64), clipped, strict=True):
        found = _centroids(trace - np.median(trace), marks, near, half)
        if found:
            # In order of height; the frontmost has the least sample.
            front.append(min(found[0][1], min(found)[1]))
            highest.append(max(value for _, value in found))
    if not front:
        return Carrier(math.nan, math.nan)
    low, high = (float(np.median(values)) * sampling_rate_hz for values in (front, highest))
    return Carrier(low, high)


def _centroids(
    trace: NDArray[np.float64], clipped: NDArray[np.bool_], near: NDArray[np.bool_], half: int
) -> list[tuple[int, float]]:
    """Sample and centroid (cycles a sample) of the tallest echoes of one trace, tallest first."""
    height = np.abs(trace)
    least = _LEAST_OVER_NOISE * float(np.median(height)) / 0.6745
    height[near] = 0.0
    # Where there is no noise, what is left of an echo's skirts is no echo.
    least = max(least, 1e-3 * float(height.max()))
    found: list[tuple[int, float]] = []
    for _ in range(2 * _ECHOES):
        at = int(np.argmax(height))
        if height[at] <= least or len(found) == _ECHOES:
            break
        height[max(at - 2 * half, 0) : at + 2 * half + 1] = 0.0
        # An echo cut off by the record's end has another spectrum.
        if half <= at < trace.size - half and not clipped[at - half : at + half + 1].any():
            found.append((at, _centroid(trace[at - half : at + half + 1])))
    return found


def _centroid(window: NDArray[np.float64]) -> float:
    """Centroid of the power about its peak, cycles a sample."""
    size = max(512, 1 << math.ceil(math.log2(4 * window.size)))
    shaped = (window - window.mean()) * np.hanning(window.size + 2)[1:-1]
    power = np.abs(np.fft.rfft(shaped, size)) ** 2
    peak = int(np.argmax(power))
    low = np.flatnonzero(power[: peak + 1] < _BAND_POWER * power[peak])
    high = np.flatnonzero(power[peak:] < _BAND_POWER * power[peak])
    first = int(low[-1]) + 1 if low.size else 0
    stop = peak + int(high[0]) if high.size else power.size
    band = np.arange(first, stop)
    return float(np.average(band, weights=power[band])) / size
