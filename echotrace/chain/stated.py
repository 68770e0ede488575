"""What was stated of a recording against what its samples say."""

from __future__ import annotations

import math

import numpy as np

from echotrace.chain.offset import baseline_offset, full_scale_of, without_offset
from echotrace.recording import Method, Recording, Signal
from echotrace.signal.carrier import echo_carrier, least_attenuated_hz
from echotrace.signal.kind import check_kind
from echotrace.signal.pulse import Pulse
from echotrace.signal.receiver import undo_receiver

__all__ = ["check_stated"]

# Rate, probe and kind of signal are the recording's: its first traces tell them. No later ones, or
# damage in the middle of a long file would end a run before anything is measured.
_TRACES = 32


def check_stated(
    recording: Recording, pulse: Pulse, near_field_us: float = -math.inf
) -> dict[str, float]:
    """Hold rate, probe and kind of signal against the first 32 traces of a recording.

    Parameters
    ----------
    recording : Recording
        In memory or lazy.
    pulse : Pulse
        Of the stated probe.
    near_field_us : float
        Delay before which what the transmit pulse leaves hides echoes, µs: it has a carrier of its
        own, or none, and may stand on one side of the baseline.

    Returns
    -------
    dict of str to float
        ``carrier_mhz`` and ``stated_carrier_mhz``, and ``carrier_misfit``, their relative
        difference beyond the expected shift in contact (without its sign); NaN where no strong
        echo tells; ``offset_percent``, of the converter's full scale. Empty for envelopes.

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
    >>> found["stated_carrier_mhz"], round(found["carrier_misfit"], 2)
    (10.0, 0.0)
    """
    some = recording.select(slice(0, min(recording.n_traces, _TRACES)))
    samples = np.asarray(some.samples)
    rate_hz = recording.sampling_rate_hz
    first = int(np.searchsorted(some.delay_us, near_field_us))
    check_kind(samples[:, first:], some.signal, pulse_sample=pulse.width_us * rate_hz * 1e-6)
    if some.signal != Signal.RF:
        return {}
    offset = baseline_offset(some)
    samples = np.asarray(without_offset(some, offset).samples)
    undone = undo_receiver(samples, some.delay_us, some.receiver, some.gain_db)
    face_us = some.probe.face_delay_us
    carrier = echo_carrier(
        undone.amplitude[:, first:],
        undone.clipped[:, first:],
        some.delay_us[first:],
        sampling_rate_hz=rate_hz,
        pulse_us=pulse.width_us,
        face_delay_us=0.0 if math.isnan(face_us) else face_us,
    )
    stated_hz = some.probe.centre_frequency_hz
    # What stands behind the face in contact has at least the chamber to pass.
    contact = all(name == Method.CONTACT for name in some.method.present)
    expected_hz = least_attenuated_hz(stated_hz, some.probe.fractional_bandwidth, contact=contact)
    misfit = carrier.misfit(expected_hz)
    return {
        "carrier_mhz": math.nan if math.isnan(misfit) else 1e-6 * carrier.nearest_hz(expected_hz),
        "stated_carrier_mhz": 1e-6 * stated_hz,
        "carrier_misfit": abs(misfit),
        "offset_percent": 100.0 * abs(offset) / full_scale_of(some),
    }
