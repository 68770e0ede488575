"""What was stated of a recording against what its samples say."""

from __future__ import annotations

import math
import warnings

import numpy as np

from echotrace.chain.near_field import near_field_of
from echotrace.chain.offset import baseline_offset, full_scale_of, head_of, without_offset
from echotrace.errors import EchotraceWarning
from echotrace.quality.findings import carrier_is_doubtful, describe_finding
from echotrace.quality.limits import QualityLimits
from echotrace.recording import Recording, Signal
from echotrace.signal.carrier import SHARED_DOWNSHIFT, echo_carrier
from echotrace.signal.kind import check_kind
from echotrace.signal.pulse import Pulse, fitting_in, gaussian_pulse
from echotrace.signal.receiver import inverse_gain, undo_receiver

__all__ = ["check_stated", "warn_of_stated"]

# Rate, probe and kind of signal are the recording's: its first traces tell them, and a sitting has
# no more. No later ones, or damage in the middle of a long file would end a run before anything is
# measured.
_TRACES = 16
# The same of what lies behind a cavity of silicone oil: 0.4 of the carrier at a band of 60 %.
_OIL_DOWNSHIFT = 1.5


def check_stated(
    recording: Recording,
    pulse: Pulse,
    near_field_us: float = -math.inf,
    *,
    offset: float | None = None,
) -> dict[str, float]:
    """Hold rate, probe and kind of signal against the first 16 traces of a recording.

    Parameters
    ----------
    recording : Recording
        In memory or lazy.
    pulse : Pulse
        Of the stated probe.
    near_field_us : float
        Delay before which what the transmit pulse leaves hides echoes, µs: it has a carrier of its
        own, or none, and may stand on one side of the baseline.
    offset : float, optional
        From :func:`~echotrace.chain.offset.baseline_offset`, where it is known already.

    Returns
    -------
    dict of str to float
        ``carrier_mhz`` and ``stated_carrier_mhz``, ``carrier_misfit``, their relative difference
        without its sign, and ``carrier_doubt``, how surely they differ, in standard deviations;
        NaN where no strong echo tells; ``offset_percent``, of the converter's full scale. Empty
        for envelopes.

    Raises
    ------
    RecordingError
        Samples of another kind than they are said to be.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.stated import check_stated
    >>> from echotrace.chain.template import template_pulse
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> found = check_stated(recording, template_pulse(recording, et.Settings()))
    >>> found["stated_carrier_mhz"], found["carrier_doubt"] < 3.0
    (10.0, True)
    """
    some = recording.select(slice(0, min(recording.n_traces, _TRACES)))
    rate_hz = recording.sampling_rate_hz
    delay_us = some.delay_us
    first = int(np.searchsorted(delay_us, near_field_us))
    raw = np.asarray(some.samples)[:, first:]
    check_kind(raw, some.signal, pulse_sample=pulse.width_us * rate_hz * 1e-6)
    if some.signal != Signal.RF:
        return {}
    if offset is None:
        offset = baseline_offset(recording)
    samples = np.asarray(without_offset(some, offset).samples)
    undone = undo_receiver(samples, delay_us, some.receiver, some.gain_db)
    trace_scale, sample_scale = inverse_gain(delay_us, some.receiver, some.gain_db, some.n_traces)
    counts = bool(np.issubdtype(samples.dtype, np.integer))
    # Without time gain a step is the same all along a trace.
    steady = bool((sample_scale == sample_scale[0]).all())
    along = sample_scale[:1] if steady else sample_scale[first:]
    face_us, stated_hz = some.probe.face_delay_us, some.probe.centre_frequency_hz
    carrier = echo_carrier(
        undone.amplitude[:, first:],
        undone.clipped[:, first:],
        delay_us[first:],
        sampling_rate_hz=rate_hz,
        pulse_us=pulse.width_us,
        stated_hz=stated_hz,
        fractional_bandwidth=some.probe.fractional_bandwidth,
        shared_downshift=_shared_downshift(some),
        face_delay_us=0.0 if math.isnan(face_us) else face_us,
        step=trace_scale[:, None] * along if counts else 0.0,
    )
    return {
        "carrier_mhz": 1e-6 * carrier.carrier_hz,
        "stated_carrier_mhz": 1e-6 * stated_hz,
        "carrier_misfit": abs(carrier.carrier_hz / stated_hz - 1.0),
        "carrier_doubt": carrier.doubt,
        "offset_percent": 100.0 * abs(offset) / full_scale_of(some),
    }


def _shared_downshift(recording: Recording) -> float:
    """What all echoes may have lost alike, by the likeliest to lose among the traces."""
    oil = any(filling.startswith("silicone_oil") for filling in recording.vitreous.present)
    return _OIL_DOWNSHIFT if oil else max(SHARED_DOWNSHIFT[m] for m in recording.method.present)


def warn_of_stated(recording: Recording) -> None:
    """Hold what is stated of a recording against its first traces before anything is measured.

    Parameters
    ----------
    recording : Recording

    Raises
    ------
    RecordingError
        Samples of another kind than they are said to be.
    ParameterError
        The stated probe's pulse is longer than a trace.

    Warns
    -----
    EchotraceWarning
        The echoes contradict the stated sampling rate or centre frequency.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.stated import warn_of_stated
    >>> warn_of_stated(et.read("synthetic_traces/immersion_sitting.h5"))
    """
    probe = recording.probe
    pulse = gaussian_pulse(
        recording.sampling_rate_hz, probe.centre_frequency_hz, probe.fractional_bandwidth
    )
    pulse = fitting_in(pulse, recording.n_samples)
    first = head_of(recording)
    offset, limits = baseline_offset(first), QualityLimits()
    near_field_us = near_field_of(recording, pulse, offset)
    stated = check_stated(first, pulse, near_field_us, offset=offset)
    if stated and carrier_is_doubtful(stated["carrier_doubt"], stated["carrier_misfit"], limits):
        words = describe_finding("carrier_doubtful", stated, limits)
        warnings.warn(words, EchotraceWarning, stacklevel=2)
