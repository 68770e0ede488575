"""Traces made ready for picking: matched output, envelope, and the noise of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.recording import Signal
from echotrace.signal.envelope import (
    EnvelopeMethod,
    detect_envelope,
    matched_filter,
    smooth_envelope,
)
from echotrace.signal.noise import NoiseAlong, NoiseCurve, lsb_noise, noise_along, noise_level
from echotrace.signal.pulse import HALF_HEIGHT_OVER_RMS, Pulse, fitting_in

__all__ = ["Conditioned", "condition", "condition_noiseless", "envelope_band_hz"]


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
        Standard deviation of one quadrature of the noise in each, over the whole trace.
    noise : NoiseAlong
        The same, and of the noise's slope, along each trace.
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
    noise: NoiseAlong
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
    clipped: NDArray[np.bool_] | None = None,
    *,
    pulse: Pulse,
    signal: Signal | str = Signal.RF,
    sampling_rate_hz: float | None = None,
    start_delay_us: float = 0.0,
    envelope_method: EnvelopeMethod = "quadrature",
    envelope_bandwidth: float = 1.5,
    lsb: NDArray[np.floating] | float = 0.0,
) -> Conditioned:
    """Filter traces and measure their noise.

    Parameters
    ----------
    amplitude : ndarray of float32, (n_samples,) or (n_traces, n_samples)
        RF after :func:`~echotrace.signal.receiver.undo_receiver`, or envelopes.
    clipped : ndarray of bool, of the same shape, optional
        None: nothing is clipped.
    pulse : Pulse
        Template, at the sampling rate of the traces.
    signal : {"rf", "envelope"}
    sampling_rate_hz : float, optional
        Hz; None takes the pulse's.
    start_delay_us : float
        Delay of the first sample, µs.
    envelope_method : {"analytic", "quadrature", "rectified"}
    envelope_bandwidth : float
        Band of the plain envelope as a multiple of the pulse's -6 dB band.
    lsb : float or ndarray, (n_traces,) or (n_traces, n_samples)
        One LSB of the converter in the units of ``amplitude``: noise is never taken to be less than
        rounding makes it. Zero where samples were not rounded.

    Returns
    -------
    Conditioned
        Of ``(n_traces, n_samples)``: one row where one trace was given.

    Raises
    ------
    ParameterError
        Arrays of another shape, a pulse of another sampling rate or longer than a trace, or an
        envelope another method than those.

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
    >>> condition(rf[0], pulse=pulse).envelope.shape
    (1, 659)
    """
    amplitude = np.atleast_2d(amplitude)
    clipped = np.zeros(amplitude.shape, np.bool_) if clipped is None else np.atleast_2d(clipped)
    if amplitude.ndim != 2 or clipped.shape != amplitude.shape or not amplitude.size:
        raise ParameterError(
            "amplitude and clipped must both be (n_samples,) or (n_traces, n_samples), got shapes "
            f"{amplitude.shape} and {clipped.shape}"
        )
    try:
        signal = Signal(str(signal))
    except ValueError:
        raise ParameterError(f"signal={signal!r}: use 'rf' or 'envelope'") from None
    sampling_rate_hz = pulse.sampling_rate_hz if sampling_rate_hz is None else sampling_rate_hz
    if abs(pulse.sampling_rate_hz - sampling_rate_hz) > 1e-6 * sampling_rate_hz:
        raise ParameterError(
            f"the pulse is sampled at {pulse.sampling_rate_hz:g} Hz, the traces at "
            f"{sampling_rate_hz:g} Hz"
        )
    filtered = _filtered(amplitude, pulse, signal, envelope_method, envelope_bandwidth)
    rf, envelope, bandwidth_hz = filtered["rf"], filtered["envelope"], filtered["bandwidth_hz"]
    matched_envelope = filtered["matched_envelope"]
    stride = 2 * pulse.grid_stride
    step = np.asarray(lsb, np.float64)
    step = step[:, None] if step.ndim == 1 else np.atleast_2d(step)
    along = noise_along(
        rf,
        matched_envelope,
        envelope,
        pulse,
        method=envelope_method,
        bandwidth_hz=bandwidth_hz,
        lsb=step,
    )
    least = lsb_noise(pulse, bandwidth_hz, signal)
    rounding = np.median(step, axis=1)
    envelope_noise = np.maximum(noise_level(envelope, stride=stride), rounding * least[0])
    if rf is not None:
        matched_noise = noise_level(matched_envelope, stride=stride)
    else:
        ratio = along.matched.level / along.envelope.level
        matched_noise = envelope_noise * np.median(ratio, axis=1)
    matched_noise = np.maximum(matched_noise, rounding * least[1])
    return Conditioned(
        clipped=clipped,
        matched_noise=matched_noise,
        envelope_noise=envelope_noise,
        noise=along,
        sampling_rate_hz=sampling_rate_hz,
        start_delay_us=start_delay_us,
        **filtered,
    )


# What float32 leaves beside an echo of height one.
_ROUNDING = 1e-6


def condition_noiseless(
    amplitude: NDArray[np.floating],
    *,
    pulse: Pulse,
    signal: Signal,
    envelope_method: EnvelopeMethod,
    envelope_bandwidth: float,
) -> Conditioned:
    """Filter traces of echoes of height one without noise: that of rounding stands for it.

    Measuring it would take longer than all else that a sitting's start needs.

    Parameters
    ----------
    amplitude : ndarray of float32, (n_traces, n_samples)
    pulse : Pulse
    signal : {"rf", "envelope"}
    envelope_method : {"analytic", "quadrature", "rectified"}
    envelope_bandwidth : float
        Band of the plain envelope as a multiple of the pulse's -6 dB band.

    Returns
    -------
    Conditioned

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.recording import Signal
    >>> from echotrace.signal.conditioning import condition_noiseless
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> rf = np.pad(pulse.analytic.real, 300)[None]
    >>> traces = condition_noiseless(rf, pulse=pulse, signal=Signal.RF,
    ...                              envelope_method="quadrature", envelope_bandwidth=1.5)
    >>> float(traces.envelope_noise[0])
    1e-06
    """
    n = amplitude.shape[0]
    level = np.full((n, 16), _ROUNDING)
    per_us = 2e-6 * np.pi * pulse.rms_bandwidth_hz
    here = NoiseCurve(level, 0.0, amplitude.shape[1] / 16)
    slope = NoiseCurve(level * per_us, 0.0, amplitude.shape[1] / 16)
    return Conditioned(
        clipped=np.zeros(amplitude.shape, np.bool_),
        matched_noise=level[:, 0],
        envelope_noise=level[:, 0],
        noise=NoiseAlong(matched=here, envelope=here, matched_slope=slope, envelope_slope=slope),
        sampling_rate_hz=pulse.sampling_rate_hz,
        start_delay_us=0.0,
        **_filtered(amplitude, pulse, signal, envelope_method, envelope_bandwidth),
    )


def _filtered(
    amplitude: NDArray[np.floating],
    pulse: Pulse,
    signal: Signal,
    envelope_method: EnvelopeMethod,
    envelope_bandwidth: float,
) -> dict[str, Any]:
    """The fields of :class:`Conditioned` that filters make."""
    fitting_in(pulse, amplitude.shape[1])
    bandwidth_hz = envelope_band_hz(pulse, envelope_bandwidth)
    if signal == Signal.RF:
        matched = matched_filter(amplitude, pulse)
        output: NDArray[np.complexfloating] | None = matched.output
        matched_envelope = matched.envelope
        envelope = detect_envelope(
            amplitude,
            pulse.sampling_rate_hz,
            method=envelope_method,
            centre_frequency_hz=pulse.centre_frequency_hz,
            bandwidth_hz=bandwidth_hz,
        )
        rf: NDArray[np.float32] | None = np.asarray(amplitude, np.float32)
    else:
        output, rf = None, None
        envelope = np.asarray(amplitude, np.float32)
        matched_envelope = smooth_envelope(envelope, pulse)
    return {
        "rf": rf,
        "matched": output,
        "matched_envelope": matched_envelope,
        "envelope": envelope,
        "pulse": pulse,
        "envelope_method": envelope_method,
        "bandwidth_hz": bandwidth_hz,
    }
