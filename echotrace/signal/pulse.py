"""The echo of a plane at normal incidence: the template of the matched filter.

A pulse is kept as its analytic signal with a unit peak envelope and a known centre; its centre is
where delay is read, as delay zero is the centre of the transmitted pulse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.errors import ParameterError

__all__ = [
    "HALF_HEIGHT_OVER_RMS",
    "NYQUIST_SHARE",
    "Pulse",
    "estimate_pulse",
    "fitting_in",
    "fast_length",
    "gaussian_pulse",
    "gaussian_sigma_us",
    "likeness",
    "pulse_of",
]

HALF_HEIGHT_OVER_RMS = 3.3302
"""Width of a Gaussian band at half of its height (-6 dB) over the RMS width of its power:
``4 sqrt(ln 2)``."""

NYQUIST_SHARE = 0.85
"""Where a pulse's upper -6 dB edge must lie below, of half the sampling rate: beyond, what is cut
off its band makes stated uncertainties too small by up to six."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """An echo template.

    Attributes
    ----------
    analytic : ndarray of complex128, (n,)
        Analytic signal, largest magnitude one; ``n`` is odd and the centre is the middle sample.
    sampling_rate_hz : float
    centre_frequency_hz : float
        Centroid of the power spectrum.
    rms_bandwidth_hz : float
        Root mean square width of the power spectrum about its centroid.

    Examples
    --------
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> round(pulse.width_us, 3), pulse.half_length, pulse.grid_stride
    (0.147, 29, 5)
    """

    analytic: NDArray[np.complex128]
    sampling_rate_hz: float
    centre_frequency_hz: float
    rms_bandwidth_hz: float

    @property
    def half_length(self) -> int:
        """Samples on either side of the centre."""
        return int(self.analytic.size // 2)

    @property
    def energy(self) -> float:
        """Sum of the squared magnitude: twice the energy of the unit RF pulse in samples."""
        return float(np.sum(np.abs(self.analytic) ** 2))

    @property
    def width_us(self) -> float:
        """Full width of the envelope at half of its height, µs."""
        magnitude = np.abs(self.analytic)
        above = np.flatnonzero(magnitude >= 0.5)
        first, last = int(above[0]), int(above[-1])
        left = first - (magnitude[first] - 0.5) / (magnitude[first] - magnitude[first - 1])
        right = last + (magnitude[last] - 0.5) / (magnitude[last] - magnitude[last + 1])
        return float((right - left) * 1e6 / self.sampling_rate_hz)

    @property
    def grid_stride(self) -> int:
        """Every how manieth sample of an envelope tells all but the exact place of its peaks.

        Three points to the width of the pulse: between them the matched envelope of an echo falls
        by 4 % at most, and its band lies below their Nyquist frequency.
        """
        return max(1, int(self.width_us * self.sampling_rate_hz * 1e-6 / 2.9))


def gaussian_sigma_us(centre_frequency_hz: float, fractional_bandwidth: float) -> float:
    """Standard deviation of a Gaussian pulse's envelope, µs, from its -6 dB (half) band.

    The spectrum exp(-(2 pi f sigma)^2 / 2) has fallen to one half at f = B/2, hence
    sigma = sqrt(2 ln 2) / (pi B).

    Parameters
    ----------
    centre_frequency_hz : float
        Hz.
    fractional_bandwidth : float
        -6 dB pulse-echo bandwidth over centre frequency.

    Returns
    -------
    float
        µs.

    Examples
    --------
    >>> from echotrace.signal.pulse import gaussian_sigma_us
    >>> round(gaussian_sigma_us(10e6, 0.6), 4)
    0.0625
    """
    bandwidth_hz = centre_frequency_hz * fractional_bandwidth
    return math.sqrt(2.0 * math.log(2.0)) / (math.pi * bandwidth_hz) * 1e6


def gaussian_pulse(
    sampling_rate_hz: float, centre_frequency_hz: float, fractional_bandwidth: float
) -> Pulse:
    """A Gaussian-modulated pulse.

    Parameters
    ----------
    sampling_rate_hz, centre_frequency_hz : float
    fractional_bandwidth : float
        -6 dB pulse-echo bandwidth over centre frequency.

    Returns
    -------
    Pulse
        Cut at 4.5 standard deviations of its envelope.

    Raises
    ------
    ParameterError
        The sampling rate is too low for the pulse's band.

    Examples
    --------
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> round(pulse.centre_frequency_hz * 1e-6, 3), round(pulse.rms_bandwidth_hz * 1e-6, 3)
    (10.0, 1.802)
    """
    upper_hz = centre_frequency_hz * (1.0 + fractional_bandwidth / 2.0)
    least_hz = 2.0 * upper_hz / NYQUIST_SHARE
    if sampling_rate_hz < least_hz * (1.0 - 1e-9):
        raise ParameterError(
            f"sampling_rate_hz={sampling_rate_hz:g} is too low for a pulse at "
            f"{centre_frequency_hz:g} Hz of {100 * fractional_bandwidth:.0f} % bandwidth: at "
            f"least {least_hz:.4g} is needed, so that its band ends below {NYQUIST_SHARE:g} of "
            "half the rate (is the unit Hz?)"
        )
    sigma_us = gaussian_sigma_us(centre_frequency_hz, fractional_bandwidth)
    step_us = 1e6 / sampling_rate_hz
    # Four and a half standard deviations: the envelope has fallen to 4e-5.
    half = max(4, math.ceil(4.5 * sigma_us / step_us))
    time_us = np.arange(-half, half + 1) * step_us
    envelope = np.exp(-0.5 * (time_us / sigma_us) ** 2)
    analytic = envelope * np.exp(2j * np.pi * centre_frequency_hz * 1e-6 * time_us)
    return pulse_of(analytic, sampling_rate_hz)


@lru_cache(maxsize=64)
def fast_length(n: int) -> int:
    """Least length from ``n`` on that has no prime factor over five: Fourier transforms like it.

    ``scipy.fft`` tells it too; importing that takes a quarter of the time that a sitting takes.

    Parameters
    ----------
    n : int
        Positive.

    Returns
    -------
    int

    Examples
    --------
    >>> fast_length(4099)
    4320
    """
    while True:
        rest = n
        for prime in (2, 3, 5):
            while rest % prime == 0:
                rest //= prime
        if rest == 1:
            return n
        n += 1


def pulse_of(analytic: NDArray[np.complex128], sampling_rate_hz: float) -> Pulse:
    """A pulse of its samples, with the moments of its spectrum.

    Parameters
    ----------
    analytic : ndarray of complex128, (n,)
        Analytic signal, ``n`` odd, its centre in the middle.
    sampling_rate_hz : float

    Returns
    -------
    Pulse

    Examples
    --------
    >>> from echotrace.signal.pulse import gaussian_pulse, pulse_of
    >>> round(pulse_of(gaussian_pulse(100e6, 10e6, 0.6).analytic, 50e6).centre_frequency_hz * 1e-6)
    5
    """
    size = fast_length(8 * analytic.size)
    power = np.abs(np.fft.fft(analytic, size)) ** 2
    frequency_hz = np.fft.fftfreq(size, 1.0 / sampling_rate_hz)
    power[frequency_hz < 0.0] = 0.0
    centre_hz = float(np.sum(frequency_hz * power) / np.sum(power))
    variance = float(np.sum((frequency_hz - centre_hz) ** 2 * power) / np.sum(power))
    return Pulse(analytic, sampling_rate_hz, centre_hz, math.sqrt(variance))


def estimate_pulse(
    analytic_traces: NDArray[np.complexfloating],
    trace_idx: NDArray[np.integer],
    centre_sample: NDArray[np.floating],
    first_guess: Pulse,
) -> Pulse:
    """Estimate the pulse from a recording's own echoes.

    The echoes are shifted to a common centre by a linear phase in frequency, turned to a common
    phase, and averaged with weights by amplitude, which is the maximum-likelihood average in
    white noise.

    Parameters
    ----------
    analytic_traces : ndarray of complex, (n_traces, n_samples)
        Analytic signal of the traces.
    trace_idx : ndarray of int, (n_echoes,)
        Trace of each echo.
    centre_sample : ndarray of float, (n_echoes,)
        Centre of each echo, in samples from the start of the trace.
    first_guess : Pulse
        Gives the length, and the centre against which the average is aligned.

    Returns
    -------
    Pulse
        Largest magnitude one, its matched output's peak at the centre.

    Raises
    ------
    ParameterError
        No echo far enough from the ends of the traces.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.pulse import estimate_pulse, gaussian_pulse
    >>> sent, guess = gaussian_pulse(100e6, 9e6, 0.5), gaussian_pulse(100e6, 10e6, 0.6)
    >>> traces = np.zeros((2, 401), complex)
    >>> traces[:, 200 - sent.half_length : 201 + sent.half_length] = sent.analytic
    >>> pulse = estimate_pulse(traces, np.arange(2), np.full(2, 200.0), guess)
    >>> round(pulse.centre_frequency_hz * 1e-6, 2)
    9.0
    """
    half = 2 * first_guess.half_length
    centre_idx = np.rint(centre_sample).astype(np.intp)
    inside = (centre_idx >= half) & (centre_idx < analytic_traces.shape[1] - half)
    if not inside.any():
        raise ParameterError(
            "no echo stands free enough to take the pulse from; use the probe's description"
        )
    rows, columns = np.asarray(trace_idx)[inside], centre_idx[inside]
    windows = analytic_traces[rows[:, None], columns[:, None] + np.arange(-half, half + 1)]
    shift = np.asarray(centre_sample)[inside] - columns
    frequency = np.fft.fftfreq(2 * half + 1)
    spectra = np.fft.fft(windows, axis=1) * np.exp(2j * np.pi * frequency * shift[:, None])
    aligned = np.fft.ifft(spectra, axis=1)
    guess = np.zeros(2 * half + 1, np.complex128)
    guess[half - first_guess.half_length : half + first_guess.half_length + 1] = (
        first_guess.analytic
    )
    weight = aligned @ np.conj(guess)
    taper = np.asarray(scipy.signal.windows.tukey(aligned.shape[1], 0.5))
    average = _over_noise(aligned * np.conj(weight)[:, None] * taper)
    return pulse_of(_centred(average, guess), first_guess.sampling_rate_hz)


# Fewer echoes do not tell how they scatter. Noise alone passes four times its mean power once in
# fifty frequencies.
_FEWEST_TO_SCATTER, _OVER_SCATTER = 8, 4.0


def _over_noise(echoes: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Sum of aligned echoes, kept where its spectrum stands over what their scatter leaves of it.

    A template with a little noise at all frequencies lets noise of all frequencies through, and
    that has steep slopes: at 10 dB it would cost a quarter of the precision. Within the band the
    sum is weighted as Wiener's filter weights it.
    """
    n = echoes.shape[0]
    total = np.sum(echoes, axis=0)
    if n < _FEWEST_TO_SCATTER:
        return np.asarray(total)
    spectra = np.fft.fft(echoes, axis=1)
    summed = np.sum(spectra, axis=0)
    noise = n * np.var(spectra, axis=0, ddof=1)
    power = np.abs(summed) ** 2
    peak = int(np.argmax(power))
    # Once round from the peak: the band ends where the sum first falls to its noise.
    low = np.roll(power < _OVER_SCATTER * noise, -peak)
    if not low.any():
        return np.asarray(total)
    beyond = np.logical_or.accumulate(low) & np.logical_or.accumulate(low[::-1])[::-1]
    outside = np.roll(beyond, peak)
    summed[outside] = 0.0
    inside = ~outside
    summed[inside] *= 1.0 - noise[inside] / power[inside]
    return np.asarray(np.fft.ifft(summed))


def _centred(
    average: NDArray[np.complex128], guess: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """Move the average so that its matched output peaks at the centre, and scale it to one."""
    correlation = np.abs(scipy.signal.correlate(average, guess, mode="same"))
    k = int(np.argmax(correlation))
    logs = np.log(correlation[k - 1 : k + 2])
    offset = k + 0.5 * (logs[0] - logs[2]) / (logs[0] - 2 * logs[1] + logs[2]) - average.size // 2
    spectrum = np.fft.fft(average) * np.exp(2j * np.pi * np.fft.fftfreq(average.size) * offset)
    moved = np.fft.ifft(spectrum)
    return np.asarray(moved / np.abs(moved).max())


def likeness(one: Pulse, other: Pulse) -> float:
    """How much of the height of one pulse a filter matched to another passes.

    Parameters
    ----------
    one, other : Pulse
        Of one sampling rate.

    Returns
    -------
    float
        Largest magnitude of their normalised correlation: one for the same shape.

    Raises
    ------
    ParameterError
        Pulses of two sampling rates.

    Examples
    --------
    >>> from echotrace.signal.pulse import gaussian_pulse, likeness
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> round(likeness(pulse, pulse), 6), round(likeness(pulse, gaussian_pulse(1e8, 9e6, 0.6)), 2)
    (1.0, 0.96)
    """
    if one.sampling_rate_hz != other.sampling_rate_hz:
        raise ParameterError(
            f"pulses of {one.sampling_rate_hz:g} and {other.sampling_rate_hz:g} Hz cannot be "
            "compared sample by sample"
        )
    correlation = np.abs(scipy.signal.correlate(one.analytic, other.analytic))
    return float(correlation.max() / math.sqrt(one.energy * other.energy))


def fitting_in(pulse: Pulse, n_samples: int) -> Pulse:
    """The pulse, where a trace is long enough to hold an echo of it.

    Parameters
    ----------
    pulse : Pulse
    n_samples : int
        Of a trace.

    Returns
    -------
    Pulse

    Raises
    ------
    ParameterError
        It is longer than the trace.

    Examples
    --------
    >>> from echotrace.signal.pulse import fitting_in, gaussian_pulse
    >>> fitting_in(gaussian_pulse(100e6, 0.1e6, 0.6), 4096)
    Traceback (most recent call last):
    ...
    echotrace.errors.ParameterError: the pulse (0.1 MHz, 14.7 µs wide at half height, 56.2 µs from \
end to end) is longer than a trace, which has 41 µs: check centre frequency and bandwidth of the \
probe and the sampling rate (are the units Hz?), or record longer
    """
    per_us = pulse.sampling_rate_hz * 1e-6
    if pulse.analytic.size > n_samples:
        long_us = pulse.analytic.size / per_us
        raise ParameterError(
            f"the pulse ({pulse.centre_frequency_hz * 1e-6:.3g} MHz, {pulse.width_us:.3g} µs wide "
            f"at half height, {long_us:.3g} µs from end to end) is longer than a trace, which has "
            f"{n_samples / per_us:.3g} µs: check centre frequency and bandwidth of the probe and "
            "the sampling rate (are the units Hz?), or record longer"
        )
    return pulse
