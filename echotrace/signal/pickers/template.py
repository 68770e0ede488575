"""Traces that hold the template alone, on which pickers are calibrated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.recording import Signal
from echotrace.signal.conditioning import Conditioned, condition, condition_noiseless
from echotrace.signal.envelope import EnvelopeMethod
from echotrace.signal.pickers.windows import EchoWindows, window_reach
from echotrace.signal.pulse import HALF_HEIGHT_OVER_RMS, Pulse

__all__ = ["TemplateKey", "template_key", "template_key_of", "template_traces"]

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TemplateKey:
    """What an offset depends on; hashable, so that it is worked out once.

    Attributes
    ----------
    pulse_bytes : bytes
        Samples of the template's analytic signal, complex128.
    pulse_size : int
        Their number.
    sampling_rate_hz, centre_frequency_hz, rms_bandwidth_hz : float
        As of the template, Hz.
    envelope_method : str
        As of the envelope that is picked.
    envelope_bandwidth : float
        Its filter's bandwidth, Hz.
    signal : Signal
        RF or envelope.

    Examples
    --------
    >>> from echotrace.recording import Signal
    >>> from echotrace.signal.pickers.template import template_key
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> key = template_key(pulse, "quadrature", 9e6, Signal.RF)
    >>> key == template_key(key.pulse, "quadrature", 9e6, Signal.RF)
    True
    """

    pulse_bytes: bytes
    pulse_size: int
    sampling_rate_hz: float
    centre_frequency_hz: float
    rms_bandwidth_hz: float
    envelope_method: EnvelopeMethod
    envelope_bandwidth: float
    signal: Signal

    @property
    def pulse(self) -> Pulse:
        """The template."""
        return Pulse(
            np.frombuffer(self.pulse_bytes, np.complex128),
            self.sampling_rate_hz,
            self.centre_frequency_hz,
            self.rms_bandwidth_hz,
        )


def template_key(
    pulse: Pulse, envelope_method: EnvelopeMethod, bandwidth_hz: float, signal: Signal
) -> TemplateKey:
    """Key of a template, and of the envelope in which it is read.

    Parameters
    ----------
    pulse : Pulse
    envelope_method : {"analytic", "quadrature", "rectified"}
    bandwidth_hz : float
        Of the plain envelope, Hz.
    signal : Signal

    Returns
    -------
    TemplateKey

    Examples
    --------
    >>> from echotrace.recording import Signal
    >>> from echotrace.signal.pickers.template import template_key
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> key = template_key(gaussian_pulse(100e6, 10e6, 0.6), "quadrature", 9e6, Signal.RF)
    >>> round(key.envelope_bandwidth, 2)
    1.5
    """
    return TemplateKey(
        pulse.analytic.tobytes(),
        pulse.analytic.size,
        pulse.sampling_rate_hz,
        pulse.centre_frequency_hz,
        pulse.rms_bandwidth_hz,
        envelope_method,
        bandwidth_hz / (HALF_HEIGHT_OVER_RMS * pulse.rms_bandwidth_hz),
        signal,
    )


def template_key_of(windows: EchoWindows) -> TemplateKey:
    """Key of the template and envelope that windows were cut from.

    Parameters
    ----------
    windows : EchoWindows

    Returns
    -------
    TemplateKey

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
    >>> from echotrace.signal.pickers.windows import PickerSettings, gather_windows
    >>> windows = gather_windows(traces, np.array([0]), np.array([329]))
    >>> from echotrace.signal.pickers.template import template_key_of
    >>> template_key_of(windows).signal.name
    'RF'
    """
    signal = Signal.ENVELOPE if windows.rf is None else Signal.RF
    return template_key(windows.pulse, windows.envelope_method, windows.bandwidth_hz, signal)


def template_traces(
    key: TemplateKey, n: int, *, noise_to_amplitude: float, rng: np.random.Generator | None
) -> tuple[Conditioned, Float]:
    """Traces of one echo each: the template at evenly spread fractions of a sample.

    Parameters
    ----------
    key : TemplateKey
    n : int
        Number of traces.
    noise_to_amplitude : float
        Standard deviation of white noise over the template's height.
    rng : numpy.random.Generator or None
        Draws noise and, for RF, the phase of each echo; None: no noise, phase zero.

    Returns
    -------
    traces : Conditioned
    truth : ndarray of float64, (n,)
        Centre of each echo, samples.

    Examples
    --------
    >>> from echotrace.recording import Signal
    >>> from echotrace.signal.pickers.template import template_key, template_traces
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> key = template_key(gaussian_pulse(100e6, 10e6, 0.6), "quadrature", 9e6, Signal.RF)
    >>> traces, truth = template_traces(key, 4, noise_to_amplitude=0.0, rng=None)
    >>> (truth - truth[0]).tolist()
    [0.0, 0.25, 0.5, 0.75]
    """
    pulse = key.pulse
    before, after = window_reach(pulse)
    size = 4 * (before + after)
    centre = 2 * (before + after)
    truth = centre + np.arange(n) / n
    template = np.zeros(size, np.complex128)
    template[: pulse.analytic.size] = pulse.analytic
    spectrum = np.fft.fft(np.roll(template, -pulse.half_length))
    shifted = np.fft.ifft(
        spectrum * np.exp(-2j * np.pi * np.fft.fftfreq(size) * truth[:, None]), axis=1
    )
    if key.signal == Signal.RF:
        amplitude = np.real(shifted)
        if rng is not None:
            # Every phase, for the echo of a rear interface is the negative of a front one.
            phase = np.exp(2j * np.pi * rng.random(n))[:, None]
            amplitude = np.real(shifted * phase) + noise_to_amplitude * rng.standard_normal(
                (n, size)
            )
    else:
        amplitude = np.abs(shifted)
    if rng is None:
        traces = condition_noiseless(
            amplitude.astype(np.float32),
            pulse=pulse,
            signal=key.signal,
            envelope_method=key.envelope_method,
            envelope_bandwidth=key.envelope_bandwidth,
        )
        return traces, truth
    traces = condition(
        amplitude.astype(np.float32),
        pulse=pulse,
        signal=key.signal,
        envelope_method=key.envelope_method,
        envelope_bandwidth=key.envelope_bandwidth,
    )
    return traces, truth
