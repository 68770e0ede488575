"""Traces made ready for picking: matched output, envelope, and the noise of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.recording import Signal
from echotrace.signal.envelope import (
    EnvelopeMethod,
    detect_envelope,
    matched_filter,
    noise_level,
    noise_slope,
    smooth_envelope,
)
from echotrace.signal.pulse import HALF_HEIGHT_OVER_RMS, Pulse

__all__ = ["Conditioned", "condition", "envelope_band_hz", "lsb_noise"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditioned:
    """Traces ready to be picked.

    Attributes
    ----------
    rf : ndarray of float32, (n_traces, n_samples), or None
        Amplitude after the receiver was undone; None where the recording holds envelopes.
    clipped : ndarray of bool, (n_traces, n_samples)
    matched : ndarray of complex64 or None
        Output of the matched filter; None where the recording holds envelopes.
    matched_envelope, envelope : ndarray of float32, (n_traces, n_samples)
        Envelope of the matched output, in which echoes are looked for; and the plain envelope, in
        which their shape is judged.
    matched_noise, envelope_noise : ndarray of float64, (n_traces,)
        Standard deviation of one quadrature of the noise in each.
    matched_slope, envelope_slope : ndarray of float64, (n_traces,)
        Standard deviation of the noise's slope in each, per µs.
    pulse : Pulse
    envelope_method : str
    bandwidth_hz : float
        Band of the plain envelope.
    sampling_rate_hz, start_delay_us : float

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.recording import Signal
    >>> from echotrace.signal.conditioning import condition
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> rf = np.pad(pulse.analytic.real, 300)[None]
    >>> traces = condition(rf, rf > 2.0, signal=Signal.RF, sampling_rate_hz=100e6,
    ...                    start_delay_us=0.0, pulse=pulse)
    >>> traces.step_us, int(traces.matched_envelope.argmax())
    (0.01, 329)
    """

    rf: NDArray[np.float32] | None
    clipped: NDArray[np.bool_]
    matched: NDArray[np.complexfloating] | None
    matched_envelope: NDArray[np.floating]
    envelope: NDArray[np.floating]
    matched_noise: NDArray[np.float64]
    envelope_noise: NDArray[np.float64]
    matched_slope: NDArray[np.float64]
    envelope_slope: NDArray[np.float64]
    pulse: Pulse
    envelope_method: EnvelopeMethod
    bandwidth_hz: float
    sampling_rate_hz: float
    start_delay_us: float

    @property
    def step_us(self) -> float:
        """Time between samples, µs."""
        return 1e6 / self.sampling_rate_hz

    def to_delay_us(self, sample: NDArray[np.floating]) -> NDArray[np.float64]:
        """Delay of a (fractional) sample, µs.

        Parameters
        ----------
        sample : ndarray of float
            Position from the start of the trace, samples.

        Returns
        -------
        ndarray of float64, same shape
            µs after delay zero.
        """
        return np.asarray(self.start_delay_us + np.asarray(sample, np.float64) * self.step_us)

    def to_sample(self, delay_us: NDArray[np.floating] | float) -> NDArray[np.float64]:
        """Fractional sample of a delay in µs.

        Parameters
        ----------
        delay_us : float or ndarray of float
            µs after delay zero.

        Returns
        -------
        ndarray of float64, same shape
            Samples from the start of the trace.
        """
        return np.asarray((np.asarray(delay_us, np.float64) - self.start_delay_us) / self.step_us)


def envelope_band_hz(pulse: Pulse, envelope_bandwidth: float) -> float:
    """Band of the plain envelope, Hz, from its multiple of the pulse's -6 dB band.

    Parameters
    ----------
    pulse : Pulse
    envelope_bandwidth : float
        Band as a multiple of the pulse's -6 dB band.

    Returns
    -------
    float
        Hz; 0.9 of the sampling rate at most.

    Examples
    --------
    >>> from echotrace.signal.conditioning import envelope_band_hz
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> round(envelope_band_hz(gaussian_pulse(100e6, 10e6, 0.6), 1.5) * 1e-6, 2)  # MHz
    9.0
    """
    return float(
        min(
            envelope_bandwidth * HALF_HEIGHT_OVER_RMS * pulse.rms_bandwidth_hz,
            0.9 * pulse.sampling_rate_hz,
        )
    )


def condition(
    amplitude: NDArray[np.floating],
    clipped: NDArray[np.bool_],
    *,
    signal: Signal,
    sampling_rate_hz: float,
    start_delay_us: float,
    pulse: Pulse,
    envelope_method: EnvelopeMethod = "quadrature",
    envelope_bandwidth: float = 1.5,
    lsb: NDArray[np.floating] | float = 0.0,
) -> Conditioned:
    """Filter traces and measure their noise.

    Parameters
    ----------
    amplitude : ndarray of float32, (n_traces, n_samples)
        RF after :func:`~echotrace.signal.receiver.undo_receiver`, or envelopes.
    clipped : ndarray of bool, (n_traces, n_samples)
    signal : Signal
    sampling_rate_hz, start_delay_us : float
    pulse : Pulse
        Template, at the sampling rate of the traces.
    envelope_method : {"analytic", "quadrature", "rectified"}
    envelope_bandwidth : float
        Band of the plain envelope as a multiple of the pulse's -6 dB band.
    lsb : float or ndarray, (n_traces,)
        One LSB of the converter in the units of ``amplitude``: noise is never taken to be less than
        rounding makes it. Zero where samples were not rounded.

    Returns
    -------
    Conditioned

    Raises
    ------
    ParameterError
        The pulse has another sampling rate, or the envelope another method than those.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.recording import Signal
    >>> from echotrace.signal.conditioning import condition
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> rf = np.pad(pulse.analytic.real, 300)[None]
    >>> traces = condition(rf, rf > 2.0, signal=Signal.RF, sampling_rate_hz=100e6,
    ...                    start_delay_us=0.0, pulse=pulse)
    >>> round(float(traces.matched_envelope.max()), 2), traces.envelope.shape
    (1.0, (1, 659))
    """
    if abs(pulse.sampling_rate_hz - sampling_rate_hz) > 1e-6 * sampling_rate_hz:
        raise ParameterError(
            f"the pulse is sampled at {pulse.sampling_rate_hz:g} Hz, the traces at "
            f"{sampling_rate_hz:g} Hz"
        )
    bandwidth_hz = envelope_band_hz(pulse, envelope_bandwidth)
    if signal == Signal.RF:
        matched = matched_filter(amplitude, pulse)
        output: NDArray[np.complexfloating] | None = matched.output
        matched_envelope = matched.envelope
        envelope = detect_envelope(
            amplitude,
            sampling_rate_hz,
            method=envelope_method,
            centre_frequency_hz=pulse.centre_frequency_hz,
            bandwidth_hz=bandwidth_hz,
        )
        rf: NDArray[np.float32] | None = np.asarray(amplitude, np.float32)
    else:
        output, rf = None, None
        envelope = np.asarray(amplitude, np.float32)
        matched_envelope = smooth_envelope(envelope, pulse)
    stride = 2 * pulse.grid_stride
    envelope_noise = noise_level(envelope, stride=stride)
    envelope_slope = noise_slope(envelope, sampling_rate_hz, stride=stride)
    if rf is not None:
        matched_noise = noise_level(matched_envelope, stride=stride)
        matched_slope = noise_slope(matched_envelope, sampling_rate_hz, stride=stride)
    else:
        matched_noise, matched_slope = _smoothed_noise(envelope_noise, envelope_slope, pulse)
    least = lsb_noise(pulse, bandwidth_hz, signal)
    envelope_noise = np.maximum(envelope_noise, lsb * least[0])
    matched_noise = np.maximum(matched_noise, lsb * least[1])
    matched_slope = np.maximum(matched_slope, lsb * least[2])
    return Conditioned(
        rf=rf,
        clipped=clipped,
        matched=output,
        matched_envelope=matched_envelope,
        envelope=envelope,
        matched_noise=matched_noise,
        envelope_noise=envelope_noise,
        matched_slope=matched_slope,
        envelope_slope=envelope_slope,
        pulse=pulse,
        envelope_method=envelope_method,
        bandwidth_hz=bandwidth_hz,
        sampling_rate_hz=sampling_rate_hz,
        start_delay_us=start_delay_us,
    )


def lsb_noise(pulse: Pulse, bandwidth_hz: float, signal: Signal) -> tuple[float, float, float]:
    """Noise that rounding to an LSB of one leaves: plain envelope, matched output, and its slope.

    Rounding errors are taken as white, a twelfth of an LSB squared (Widrow & Kollar, Quantization
    Noise; value from memory). Where a trace is mostly below one LSB, so that between the echoes
    nothing but single LSBs stand, its noise cannot be read off and this stands for it.

    Parameters
    ----------
    pulse : Pulse
    bandwidth_hz : float
        Of the plain envelope.
    signal : Signal
        A recorded envelope was not filtered again.

    Returns
    -------
    tuple of float
        Standard deviations of one quadrature; the last per µs.

    Examples
    --------
    >>> from echotrace.recording import Signal
    >>> from echotrace.signal.conditioning import lsb_noise
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> [round(x, 2) for x in lsb_noise(gaussian_pulse(100e6, 10e6, 0.6), 9e6, Signal.RF)]
    [0.11, 0.12, 1.39]
    """
    rounding = 12.0**-0.5
    if signal != Signal.RF:
        return rounding, rounding, 2e-6 * np.pi * pulse.rms_bandwidth_hz * rounding
    # Of a Gaussian response with one half at half the band, and unit gain at its centre.
    sigma = np.sqrt(2.0 * np.log(2.0)) / (np.pi * bandwidth_hz) * pulse.sampling_rate_hz
    plain = rounding * np.sqrt(2.0) * float((2.0 * np.sqrt(np.pi) * sigma) ** -0.5)
    matched = rounding / np.sqrt(pulse.energy / 2.0)
    return float(plain), float(matched), float(2e-6 * np.pi * pulse.rms_bandwidth_hz * matched)


def _smoothed_noise(
    noise: NDArray[np.float64], slope: NDArray[np.float64], pulse: Pulse
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Noise next to an echo, and its slope, after an envelope was smoothed by the pulse's.

    Not read off the smoothed envelope itself: between echoes an envelope's noise is Rayleigh,
    which smoothing treats otherwise than the normal noise that rides on an echo. That is worked
    out for noise and pulse of Gaussian spectra.
    """
    magnitude = np.abs(pulse.analytic)
    gain = float(np.sum(magnitude) / np.sum(magnitude**2))
    sigma_us = pulse.width_us / 2.3548
    rms = slope / noise
    narrowed = 1.0 / np.sqrt(1.0 / rms**2 + 2.0 * sigma_us**2)
    level = noise * gain * np.sqrt(narrowed / rms)
    return level, level * narrowed
