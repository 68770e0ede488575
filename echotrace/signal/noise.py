"""The noise along each trace: what stands between the echoes, where and how fast it changes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.recording import Signal
from echotrace.signal.envelope import EnvelopeMethod, envelope_slope, matched_slope
from echotrace.signal.pulse import Pulse

__all__ = ["NoiseAlong", "NoiseCurve", "lsb_noise", "noise_along", "noise_curve", "noise_level"]

# Noise under an echo over that of rounding alone, where rounding hides what else there is. Normal
# noise of 1/sqrt(40) of an LSB passes half an LSB in one of 640 samples, 2 Q(sqrt(10)); the largest
# of 440, more than a part of a trace holds, is as likely below it as not. And noise that may be
# anything up to 1/sqrt(12), from where on its rounded tails alone have the twelfth that is assumed,
# 2 Q(sqrt(3)), has a mean square of 1/36 (rectangular law), which makes 1.3 % more.
_HIDDEN = float(np.sqrt((1.0 / 12.0 + 1.0 / 40.0) * 12.0))


@dataclass(frozen=True, slots=True)
class NoiseCurve:
    """Noise of each trace against delay.

    Attributes
    ----------
    level : ndarray of float64, (n_traces, 16)
        Standard deviation in the middle of each part of the trace.
    first_sample, part_samples : float
        Where the first part begins, and how long each is, samples.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.noise import NoiseCurve
    >>> rising = NoiseCurve(np.geomspace(1.0, 2.0**15, 16)[None], 0.0, 100.0)
    >>> rising.at(np.array([0, 0, 0]), np.array([150, 200, 250])).round(2).tolist()
    [2.0, 2.83, 4.0]
    """

    level: NDArray[np.float64]
    first_sample: float
    part_samples: float

    def at(
        self, trace_idx: NDArray[np.integer], sample_idx: NDArray[np.integer]
    ) -> NDArray[np.float64]:
        """Noise at samples of traces, its logarithm interpolated between the parts' middles.

        Parameters
        ----------
        trace_idx, sample_idx : ndarray of int, (n,)

        Returns
        -------
        ndarray of float64, (n,)
        """
        last = self.level.shape[1] - 1
        place = (np.asarray(sample_idx) - self.first_sample) / self.part_samples - 0.5
        place = np.clip(place, 0.0, last)
        k = np.minimum(place.astype(np.intp), last - 1)
        row = np.asarray(trace_idx, np.intp)
        low, high = np.log(self.level[row, k]), np.log(self.level[row, k + 1])
        return np.asarray(np.exp(low + (place - k) * (high - low)))


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseAlong:
    """Noise along traces, as the pickers need it.

    Attributes
    ----------
    matched, envelope : NoiseCurve
        Of one quadrature, in the matched output and in the plain envelope.
    matched_slope, envelope_slope : NoiseCurve
        Of the slope that an echo's crest feels in each, per µs.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.noise import NoiseAlong, NoiseCurve
    >>> same = NoiseCurve(np.ones((1, 16)), 0.0, 100.0)
    >>> NoiseAlong(matched=same, envelope=same, matched_slope=same, envelope_slope=same).matched \
is same
    True
    """

    matched: NoiseCurve
    envelope: NoiseCurve
    matched_slope: NoiseCurve
    envelope_slope: NoiseCurve


def noise_curve(
    magnitude: NDArray[np.floating],
    *,
    stride: int,
    complex_values: bool = True,
    floor: NDArray[np.floating] | None = None,
) -> NoiseCurve:
    """Noise along traces that mostly hold noise.

    The trace is cut into sixteen parts. Of each a robust scale is taken, which single echoes hardly
    move, and a smooth curve is laid through them (second differences, as Whittaker ET 1923, Proc
    Edinburgh Math Soc 41:63, value from memory); parts that stand over it hold more than noise and
    are left out. Traces of fewer than 128 looked-at values get one level.

    Parameters
    ----------
    magnitude : ndarray of float, (n_traces, n_samples)
        Zero or more.
    stride : int
        Every how manieth sample is looked at; neighbours tell nothing new.
    complex_values : bool
        Magnitudes of complex normal values (noise of one quadrature); else of real ones.
    floor : ndarray of float, (n_traces, n_samples), optional
        What the noise is not below.

    Returns
    -------
    NoiseCurve

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.noise import noise_curve
    >>> re, im = np.random.default_rng(1).standard_normal((2, 1, 8192))
    >>> rising = np.hypot(re, im) * np.geomspace(1.0, 100.0, 8192)
    >>> level = noise_curve(rising, stride=4).level[0]
    >>> bool(60.0 < level[-1] / level[0] < 100.0)
    True
    """
    from echotrace.kernels.noise import ENVELOPE, SLOPE, noise_of
    from echotrace.kernels.noise_profile import LEAST_PART, NORMAL, PARTS, RAYLEIGH, profile_rows

    n_samples = magnitude.shape[-1]
    at = np.arange(min(max(2, stride), n_samples // 2), n_samples - 2, stride)
    rows = np.ascontiguousarray(magnitude[:, at], np.float32)
    part = rows.shape[1] // PARTS
    middle = at[0] + (np.arange(PARTS) + 0.5) * max(part, 1) * stride
    least = np.zeros((rows.shape[0], PARTS))
    if floor is not None:
        columns = np.minimum(middle, n_samples - 1).astype(np.intp)
        least[:] = floor[:, columns] if part >= LEAST_PART else np.median(floor, axis=1)[:, None]
    level = np.empty((rows.shape[0], PARTS))
    if part >= LEAST_PART:
        profile_rows(rows, RAYLEIGH if complex_values else NORMAL, least, level)
        level = np.exp(level)
    else:
        share = ENVELOPE if complex_values else SLOPE
        level[:] = np.array([noise_of(row, share) for row in rows]).reshape(-1, 1)
        level = np.maximum(level, least)
    return NoiseCurve(level, float(at[0]), float(max(part, 1) * stride))


def noise_along(
    rf: NDArray[np.floating] | None,
    matched_envelope: NDArray[np.floating],
    envelope: NDArray[np.floating],
    pulse: Pulse,
    *,
    method: EnvelopeMethod,
    bandwidth_hz: float,
    lsb: NDArray[np.floating],
) -> NoiseAlong:
    """Noise along traces in the matched output and the plain envelope, and of their slopes.

    Parameters
    ----------
    rf : ndarray of float, (n_traces, n_samples), or None
        None where the recording holds envelopes.
    matched_envelope, envelope : ndarray of float, (n_traces, n_samples)
    pulse : Pulse
    method : {"analytic", "quadrature", "rectified"}
        Of the plain envelope.
    bandwidth_hz : float
        Of the plain envelope.
    lsb : ndarray, (n_traces, n_samples)
        One LSB of the converter in the units of the traces, zero where there was none.

    Returns
    -------
    NoiseAlong

    Notes
    -----
    The crest of an echo feels the noise in phase with it, brought to baseband from the echo's own
    carrier: the slope's variance holds the distance of the noise's centroid from that carrier as
    well as its width about it. The slope of the magnitude alone (Rice SO 1945, Bell Syst Tech J
    24:46) holds the width only, and is all that an envelope tells.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.envelope import matched_filter
    >>> from echotrace.signal.noise import noise_along
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> rf = np.random.default_rng(1).standard_normal((1, 8192))
    >>> z = matched_filter(rf, pulse).envelope
    >>> found = noise_along(rf, z, z, pulse, method="quadrature", bandwidth_hz=9e6,
    ...                     lsb=np.zeros((1, 1)))
    >>> ratio = found.matched_slope.level / found.matched.level  # 2 pi times the RMS bandwidth
    >>> round(float(np.median(ratio)) / (2e-6 * np.pi * pulse.rms_bandwidth_hz), 1)
    1.0
    """
    stride = 2 * pulse.grid_stride
    signal = Signal.ENVELOPE if rf is None else Signal.RF
    lsb = np.broadcast_to(lsb, envelope.shape)
    plain, matched, slope = lsb_noise(pulse, bandwidth_hz, signal)
    if rf is None:
        level = noise_curve(envelope, stride=stride, floor=lsb * plain)
        rates = np.abs(np.gradient(np.asarray(envelope, np.float64), axis=-1))
        rates *= pulse.sampling_rate_hz * 1e-6
        own = noise_curve(rates, stride=stride, complex_values=False)
        smooth = _smoothed_noise(level.level, own.level, pulse)
        floors = lsb[:, :1] * matched, lsb[:, :1] * slope
        return NoiseAlong(
            envelope=level,
            envelope_slope=own,
            matched=_with_level(level, np.maximum(smooth[0], floors[0])),
            matched_slope=_with_level(level, np.maximum(smooth[1], floors[1])),
        )
    plain_slopes, whole = envelope_slope(
        rf,
        envelope,
        pulse.sampling_rate_hz,
        method=method,
        centre_frequency_hz=pulse.centre_frequency_hz,
        bandwidth_hz=bandwidth_hz,
    )
    return NoiseAlong(
        matched=noise_curve(matched_envelope, stride=stride, floor=lsb * matched),
        envelope=noise_curve(envelope, stride=stride, floor=lsb * plain),
        matched_slope=noise_curve(matched_slope(rf, pulse), stride=stride, floor=lsb * slope),
        envelope_slope=noise_curve(plain_slopes, stride=stride, complex_values=whole),
    )


def _with_level(curve: NoiseCurve, level: NDArray[np.float64]) -> NoiseCurve:
    return NoiseCurve(level, curve.first_sample, curve.part_samples)


def lsb_noise(pulse: Pulse, bandwidth_hz: float, signal: Signal) -> tuple[float, float, float]:
    """Noise that rounding to an LSB of one leaves: plain envelope, matched output, and its slope.

    Rounding errors are taken as white, a twelfth of an LSB squared (Widrow & Kollar, Quantization
    Noise; value from memory). Where a trace is mostly below one LSB, so that between the echoes
    nothing but single LSBs stand, its noise cannot be read off and this stands for it. To the
    slope, which sets the uncertainty, a fortieth of an LSB squared is added: noise of a sixth
    of an LSB is felt by an echo and is not seen where rounding hides it.

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
    >>> from echotrace.signal.noise import lsb_noise
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> [round(x, 2) for x in lsb_noise(gaussian_pulse(100e6, 10e6, 0.6), 9e6, Signal.RF)]
    [0.11, 0.12, 1.58]
    """
    rounding = 12.0**-0.5
    if signal != Signal.RF:
        return rounding, rounding, 2e-6 * np.pi * pulse.rms_bandwidth_hz * rounding
    # Of a Gaussian response with one half at half the band, and unit gain at its centre.
    sigma = np.sqrt(2.0 * np.log(2.0)) / (np.pi * bandwidth_hz) * pulse.sampling_rate_hz
    plain = rounding * np.sqrt(2.0) * float((2.0 * np.sqrt(np.pi) * sigma) ** -0.5)
    matched = rounding / np.sqrt(pulse.energy / 2.0)
    slope = 2e-6 * np.pi * pulse.rms_bandwidth_hz * matched * _HIDDEN
    return float(plain), float(matched), float(slope)


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


def noise_level(envelope: NDArray[np.floating], *, stride: int = 4) -> NDArray[np.float64]:
    """Noise of each trace seen in its envelope: standard deviation of one quadrature.

    Parameters
    ----------
    envelope : ndarray, (n_traces, n_samples)
        Magnitude of a complex (narrow-band) signal.
    stride : int
        Every how manieth sample is looked at; neighbours tell nothing new.

    Returns
    -------
    ndarray of float64, (n_traces,)

    Notes
    -----
    The magnitude of normal noise has a Rayleigh distribution, whose lower quartile lies at
    sqrt(-2 ln 0.75) standard deviations of one quadrature. Echoes, which fill a small part of a
    trace, hardly move it; what stands above 4 standard deviations is left out and the quartile is
    that of the rest.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.noise import noise_level
    >>> re, im = np.random.default_rng(1).standard_normal((2, 1, 8192))
    >>> noise_level(np.hypot(re, im)).round(1).tolist()
    [1.0]
    """
    from echotrace.kernels.noise import ENVELOPE, noise_of

    rows = np.ascontiguousarray(envelope[..., ::stride], np.float32)
    return np.array([noise_of(row, ENVELOPE) for row in rows])
