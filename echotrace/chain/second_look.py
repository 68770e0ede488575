"""Traces that the fused walk hands to the reference path: overlapping echoes, repeats of a wall."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence

import numpy as np

from echotrace.chain.close_echoes import is_a_wall, merge_readings, rows_to_look_at
from echotrace.chain.plain import read_reference_path
from echotrace.chain.reading import CloseReading, TraceReading
from echotrace.chain.states import State
from echotrace.recording import Method, Recording, Signal
from echotrace.settings import Settings
from echotrace.signal.crowded import ClosePair, close_pairs
from echotrace.signal.gates import Gate
from echotrace.signal.pulse import Pulse
from echotrace.target import Target

__all__ = ["close_pairs_of", "look_again"]

# In parts, for the reference path needs some 0.1 MB for each trace.
_PART = 256


def close_pairs_of(
    recording: Recording,
    targets: Mapping[State, Target],
    pulse: Pulse,
    gates: Mapping[State, Sequence[Gate]],
) -> dict[State, tuple[ClosePair, ...]]:
    """Interfaces of each combination of states whose echoes may overlap.

    Parameters
    ----------
    recording : Recording
    targets : mapping of tuple to Target
    pulse : Pulse
    gates : mapping of tuple to sequence of Gate
        Those that apply, by state.

    Returns
    -------
    dict of tuple to tuple of ClosePair
        None of envelopes, in which overlapping echoes cannot be parted.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.second_look import close_pairs_of
    >>> from echotrace.chain.states import gates_for, targets_of
    >>> from echotrace.chain.template import template_pulse
    >>> recording, settings = et.read("synthetic_traces/immersion_sitting.h5"), et.Settings()
    >>> pulse, targets = template_pulse(recording, settings), targets_of(recording, None)
    >>> gates = {state: gates_for(found, state[0], settings) for state, found in targets.items()}
    >>> list(close_pairs_of(recording, targets, pulse, gates).values())
    [()]
    """
    if recording.signal != Signal.RF:
        return dict.fromkeys(targets, ())
    return {
        state: close_pairs(target, gates[state], pulse, first_known=state[0] == Method.CONTACT)
        for state, target in targets.items()
    }


def look_again(
    block: Recording,
    method: str,
    target: Target,
    settings: Settings,
    pulse: Pulse,
    pairs: Sequence[ClosePair],
    reading: TraceReading,
) -> TraceReading:
    """A reading in which traces with overlaps or repeats are read anew, step by step.

    Parameters
    ----------
    block : Recording
        In memory, of one state.
    method : str
    target : Target
    settings : Settings
    pulse : Pulse
    pairs : sequence of ClosePair
        From :func:`close_pairs_of`; where there is none, and the target is no wall, nothing is
        looked at.
    reading : TraceReading
        Of the fused walk.

    Returns
    -------
    TraceReading

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.block import prepare
    >>> from echotrace.chain.second_look import look_again
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> prepared = prepare(recording)
    >>> ((state, reader),) = prepared.readers.items()
    >>> reading = reader.read(recording)
    >>> given = prepared.targets[state], prepared.settings, prepared.pulse, ()
    >>> look_again(recording, "immersion", *given, reading) is reading
    True
    """
    if not pairs and not is_a_wall(target, method):
        return reading
    nothing = CloseReading.nothing(*reading.delay_us.shape)
    reading = dataclasses.replace(reading, close=nothing)
    looked = rows_to_look_at(reading.candidates, reading.delay_us, pairs, pulse, target, method)
    rows = np.flatnonzero(looked)
    for part in np.split(rows, range(_PART, rows.size, _PART)):
        if part.size:
            again = read_reference_path(block.select(part), method, target, settings, pulse)
            reading = merge_readings(reading, part, again)
    return reading
