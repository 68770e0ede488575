"""What the transmit pulse leaves at the start of a recording's traces, looked at once."""

from __future__ import annotations

import math

import numpy as np

from echotrace.chain.offset import without_offset
from echotrace.recording import Method, Recording, Signal
from echotrace.signal.envelope import matched_filter, smooth_envelope
from echotrace.signal.near_field import near_field_end_us
from echotrace.signal.pulse import Pulse
from echotrace.signal.receiver import undo_receiver

__all__ = ["near_field_of"]

# Probe and receiver are the recording's: a few scans show what they leave.
_TRACES = 16


def near_field_of(recording: Recording, pulse: Pulse, offset: float) -> float:
    """Delay before which what the transmit pulse leaves hides echoes, by the first contact scans.

    Parameters
    ----------
    recording : Recording
        In memory or lazy.
    pulse : Pulse
        Template of the matched filter.
    offset : float
        Of the converter, in the units of the samples.

    Returns
    -------
    float
        µs; minus infinity where nothing is hidden, or no scan is in contact.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.near_field import near_field_of
    >>> from echotrace.chain.template import template_pulse
    >>> recording = et.read("synthetic_traces/contact_sitting.h5")
    >>> pulse = template_pulse(recording, et.Settings())
    >>> near_field_of(recording, pulse, 0.0) < recording.probe.face_delay_us
    True
    """
    contact = np.flatnonzero(recording.method.where(Method.CONTACT))
    if not contact.size:
        return -math.inf
    first = int(contact[0])
    some = without_offset(recording.select(slice(first, first + _TRACES)), offset)
    here = some.method.where(Method.CONTACT)
    undone = undo_receiver(np.asarray(some.samples), some.delay_us, some.receiver, some.gain_db)
    amplitude, clipped = undone.amplitude[here], undone.clipped[here]
    rf = some.signal == Signal.RF
    matched = matched_filter(amplitude, pulse).output if rf else smooth_envelope(amplitude, pulse)
    face_us = some.probe.face_delay_us
    return near_field_end_us(
        matched,
        clipped,
        some.delay_us,
        face_delay_us=0.0 if math.isnan(face_us) else face_us,
        pulse_us=pulse.width_us,
    )
