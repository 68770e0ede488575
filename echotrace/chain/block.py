"""The chain on one block of traces in memory, and what is worked out once for all blocks."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.by_hand import with_verdicts
from echotrace.chain.close_echoes import is_a_wall
from echotrace.chain.columns import interleave, under, union
from echotrace.chain.fused import BlockReader, block_reader
from echotrace.chain.hand_marks import check_decisions, mark_codes, notes_of_decisions
from echotrace.chain.near_field import near_field_of
from echotrace.chain.offset import baseline_offset, check_bits, head_of, say_offset, without_offset
from echotrace.chain.plain import read_reference_path
from echotrace.chain.reading import TraceReading
from echotrace.chain.second_look import close_pairs_of, look_again
from echotrace.chain.sitting_rows import SittingRows, sitting_rows
from echotrace.chain.speeds import speeds_words
from echotrace.chain.stated import check_stated
from echotrace.chain.states import (
    State,
    check_gates_apply,
    gate_empty,
    gates_for,
    mark_own_gates,
    rows_of_state,
    targets_of,
)
from echotrace.chain.template import template_pulse
from echotrace.decisions import Decisions, ScanMarks
from echotrace.errors import ParameterError
from echotrace.measurement import Measurement
from echotrace.quality.features import score_traces, trace_features
from echotrace.quality.filling import filling_likeness, implant_features
from echotrace.quality.finding_list import FINDINGS
from echotrace.quality.findings import accepted_by_findings, bits_of, finding_bits
from echotrace.recording import COLUMNS, Method, Recording
from echotrace.settings import Settings
from echotrace.signal.crowded import ClosePair
from echotrace.signal.downshift import carrier_downshift
from echotrace.signal.gates import Gate
from echotrace.signal.lengths import measure_lengths
from echotrace.signal.pulse import Pulse
from echotrace.signal.sitting_choice import SittingPath
from echotrace.target import Target

__all__ = ["Prepared", "measure_block", "prepare"]

# Traces of a block: in the fused walk as many as make the work outside the kernel small, yet
# blocks of 16 MB at most; step by step about 50 MB of working arrays for 4,096 samples.
_BLOCK_TRACES, _BLOCK_BYTES, _PLAIN_BLOCK_TRACES = 2048, 2**24, 512


@dataclass(frozen=True, slots=True)
class Prepared:
    """What is worked out once for all blocks of a recording.

    Attributes
    ----------
    settings : Settings
    settings_json : str
    pulse : Pulse
        Template of the matched filter.
    targets : mapping
        Target of each combination of states; None where the cavity holds gas.
    engine : {"fused", "plain", "fused and plain", "none"}
        What reads the traces; ``none`` where all cavities hold gas.
    readers : mapping
        Fused reader of each combination of states; empty where the engine is another.
    close_pairs : mapping
        Interfaces of each combination of states whose echoes may overlap.
    interfaces, segments : tuple of str
        Names over all of them.
    block_traces : int
        Traces of a block.
    offset : float
        Offset of the converter that is taken off every block, in the units of the samples.
    near_field_us : float
        Delay before which what the transmit pulse leaves hides echoes, in contact.
    stated : mapping of str to float
        Features that all traces share: what was stated against what the echoes say.
    decisions : Decisions
        By hand, held against the recording.
    notes : mapping of str to str
        What is kept of them with the results.
    speeds : str
        The sound speeds, in words.
    sittings : SittingRows
        Which traces are of one sitting.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.block import prepare
    >>> prepared = prepare(recording)
    >>> prepared.engine, prepared.block_traces
    ('fused', 1024)
    """

    settings: Settings
    settings_json: str
    pulse: Pulse
    targets: Mapping[State, Target | None]
    engine: str
    readers: Mapping[State, BlockReader]
    close_pairs: Mapping[State, tuple[ClosePair, ...]]
    interfaces: tuple[str, ...]
    segments: tuple[str, ...]
    block_traces: int
    stated: Mapping[str, float]
    near_field_us: float
    offset: float
    decisions: Decisions
    notes: Mapping[str, str]
    speeds: str
    sittings: SittingRows


def prepare(
    recording: Recording,
    settings: Settings | None = None,
    *,
    target: Target | None = None,
    decisions: Decisions | None = None,
) -> Prepared:
    """Work out once what :func:`measure_block` needs for every block of a recording.

    Parameters
    ----------
    recording : Recording
    settings, target, decisions
        As for :func:`measure`.

    Returns
    -------
    Prepared

    Raises
    ------
    MissingDetailError
        As :func:`measure`.
    RecordingError
        Samples of another kind than they are said to be.
    ParameterError
        Settings or decisions that do not fit the recording; ``engine="fused"`` where it does not
        apply.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.block import prepare
    >>> prepare(recording).segments
    ('cornea', 'aqueous', 'lens', 'vitreous')
    """
    settings = settings or Settings()
    first = head_of(recording)
    check_bits(first)
    offset = baseline_offset(first)
    pulse = template_pulse(recording, settings)
    targets = targets_of(recording, target)
    decisions = Decisions() if decisions is None else decisions
    check_decisions(recording, targets, decisions)
    check_gates_apply(settings, targets)
    known = {state: found for state, found in targets.items() if found is not None}
    gates = {state: gates_for(found, state[0], settings) for state, found in known.items()}
    readers = _readers(recording, known, settings, pulse, gates)
    block_traces = _PLAIN_BLOCK_TRACES
    if len(readers) == len(known):
        most = max(1, _BLOCK_BYTES // (recording.n_samples * recording.samples.dtype.itemsize))
        # A power of two: then blocks fill whole chunks of the file of results.
        block_traces = min(_BLOCK_TRACES, 1 << (most.bit_length() - 1))
    engine = "fused" if readers else "plain" if known else "none"
    if readers and decisions.marked:
        engine = "fused and plain"
    near_field_us = near_field_of(recording, pulse, offset)
    stated = check_stated(first, pulse, near_field_us, offset=offset)
    said = say_offset(first, offset)
    notes = {"offset": said} if said else {}
    if decisions:
        notes["by_hand"] = notes_of_decisions(decisions, pulse)
        notes["decisions"] = json.dumps(decisions.to_table(), ensure_ascii=False)
    return Prepared(
        settings=settings,
        settings_json=mark_own_gates(settings, targets).to_json(),
        pulse=pulse,
        targets=targets,
        engine=engine,
        readers=readers,
        close_pairs=close_pairs_of(recording, known, pulse, gates),
        interfaces=union([target.interface_names for target in known.values()]),
        segments=union([[s.name for s in target.length_segments] for target in known.values()]),
        block_traces=block_traces,
        stated=stated,
        near_field_us=near_field_us,
        offset=offset,
        decisions=decisions,
        notes=notes,
        speeds=" ".join(speeds_words(known.values(), settings.lengths.average_speed_m_per_s)),
        sittings=sitting_rows(recording),
    )


def _readers(
    recording: Recording,
    targets: Mapping[State, Target],
    settings: Settings,
    pulse: Pulse,
    gates: Mapping[State, Sequence[Gate]],
) -> dict[State, BlockReader]:
    """Fused readers of all states; none where the settings or the recording are for another."""
    readers: dict[State, BlockReader] = {}
    if settings.engine == "plain":
        return readers
    for state, found in targets.items():
        reader = block_reader(recording, state[0], found, settings, pulse, gates[state])
        if isinstance(reader, str):
            if settings.engine == "auto":
                return {}
            raise ParameterError(
                f"engine='fused' does not apply: {reader}; use engine='auto' or 'plain'"
            )
        readers[state] = reader
    return readers


def measure_block(
    block: Recording, prepared: Prepared, *, first: int = 0, path: SittingPath | None = None
) -> Measurement:
    """The chain on one block of traces in memory.

    Parameters
    ----------
    block : Recording
    prepared : Prepared
        From :func:`prepare`; the columns of the result are the union over all of its targets.
    first : int
        Scan of the recording that the block begins with, for decisions by hand.
    path : SittingPath, optional
        Of the one trace of the block, in place of its own choice.

    Returns
    -------
    Measurement

    Raises
    ------
    ParameterError
        A scan without a length that is to be accepted by hand.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.block import measure_block, prepare
    >>> measure_block(recording.select(slice(0, 2)), prepare(recording)).n_traces
    2
    """
    block = without_offset(block, prepared.offset)
    n = block.n_traces
    parts: list[tuple[NDArray[np.intp], dict[str, NDArray[Any]]]] = []
    for state, target in prepared.targets.items():
        rows = rows_of_state(block, state) if len(prepared.targets) > 1 else np.arange(n)
        if rows.size:
            part = block if rows.size == n else block.select(rows)
            parts.append((rows, _measure_state(part, state, target, prepared, first + rows, path)))
    columns = parts[0][1] if len(parts) == 1 else interleave(parts, n)
    arrays: dict[str, Any] = {name: columns.pop(name) for name in _MEASURED}
    labels: dict[str, Any] = {name: getattr(block, name) for name in COLUMNS}
    none = np.full(n, np.nan)
    result = Measurement(
        interfaces=prepared.interfaces,
        segments=prepared.segments,
        length_right=columns.get("length_right", none).astype(np.float64),
        aligned=columns.get("aligned", none).astype(np.float64),
        finding_names=tuple(FINDINGS),
        decided_by=np.zeros(n, np.uint8),
        features=columns,
        settings_json=prepared.settings_json,
        engine=prepared.engine,
        attributes={**block.attributes, "sound_speeds": prepared.speeds, **prepared.notes},
        **arrays,
        **labels,
    )
    by_hand = prepared.decisions
    if by_hand.accept or by_hand.reject:
        result = with_verdicts(result, by_hand.accept, by_hand.reject, first=first)
    return result


# What :func:`_measure_state` gives beside features.
_MEASURED = (
    "delay_us",
    "delay_u_us",
    "length_mm",
    "axial_length_mm",
    "axial_length_u_mm",
    "axial_length_u_shared_mm",
    "findings",
    "accepted",
    "by_hand",
)


def _measure_state(
    block: Recording,
    state: State,
    target: Target | None,
    prepared: Prepared,
    scans: NDArray[np.intp],
    path: SittingPath | None,
) -> dict[str, NDArray[Any]]:
    """Columns of :data:`_MEASURED`, and features, of traces of one state."""
    if target is None:
        return _behind_gas(block.n_traces, prepared)
    if state in prepared.readers and path is None:
        reading = prepared.readers[state].read(block)
        pairs = prepared.close_pairs[state]
        reading = look_again(
            block, state[0], target, prepared.settings, prepared.pulse, pairs, reading
        )
    else:
        reading = read_reference_path(
            block, state[0], target, prepared.settings, prepared.pulse, path=path
        )
    columns = _judge(block, state, target, prepared, reading)
    marked = np.flatnonzero(np.isin(scans, prepared.decisions.marked))
    if marked.size:
        columns = {name: values.copy() for name, values in columns.items()}
    for row in marked.tolist():
        marks = prepared.decisions.of_scan(int(scans[row]))
        as_found = {name: values[[row]] for name, values in columns.items()}
        one = _measure_marked(block.select([row]), state, target, prepared, marks, as_found)
        for name, values in columns.items():
            values[row] = one[name][0]
    return columns


def _measure_marked(
    block: Recording,
    state: State,
    target: Target,
    prepared: Prepared,
    marks: ScanMarks,
    as_found: Mapping[str, NDArray[Any]],
) -> Mapping[str, NDArray[Any]]:
    """Columns of one scan in which a person set gates or picks, by the reference path."""

    def columns(of: ScanMarks, most: Mapping[str, NDArray[Any]] | None) -> dict[str, NDArray[Any]]:
        reading = read_reference_path(
            block, state[0], target, prepared.settings, prepared.pulse, of
        )
        return _judge(block, state, target, prepared, reading, of.gates, most)

    found: Mapping[str, NDArray[Any]] = as_found
    if marks.gates:
        found = columns(ScanMarks(marks.gates, {}), None)
    if marks.picks:
        found = columns(marks, found)
    return {**found, "by_hand": mark_codes(marks, prepared.interfaces)[None]}


def _judge(
    block: Recording,
    state: State,
    target: Target,
    prepared: Prepared,
    reading: TraceReading,
    gated: Iterable[str] = (),
    most: Mapping[str, NDArray[Any]] | None = None,
) -> dict[str, NDArray[Any]]:
    """Columns of traces of one state; none of them better judged than ``most``, where it is given.

    That is what the chain found without the pick of a person, which raises no probability.
    """
    method, settings = state[0], prepared.settings
    offset_u_us = block.probe.face_delay_u_us if method == Method.CONTACT else 0.0
    lengths = measure_lengths(
        reading.delay_us,
        reading.delay_u_us,
        target,
        delay_cov_us2=None if reading.close is None else reading.close.covariance_us2,
        offset_u_us=0.0 if np.isnan(offset_u_us) else offset_u_us,
        settings=settings.lengths,
    )
    features = trace_features(
        reading.echo_features,
        reading.delay_us,
        target,
        method=method,
        candidates=reading.candidates,
        face_delay_us=block.probe.face_delay_us,
        margin=reading.margin,
        length_u_mm=lengths.total_u_mm,
        near_field_us=prepared.near_field_us,
        receiver_known=block.receiver is not None,
    )
    features |= {
        name: np.full(block.n_traces, value, np.float32) for name, value in prepared.stated.items()
    }
    # What all scans share, by source: the sitting's budget is made of these.
    features |= {
        f"u_{name}_mm": values.astype(np.float32)
        for name, values in lengths.budget_mm.items()
        if name != "picks"
    }
    features |= implant_features(reading.delay_us, target, settings.lengths.implant_mm)
    if reading.close is not None:
        features["unsure_echo_count"] = reading.close.unsure
        if "carrier_misfit" in features:
            features["carrier_misfit"][reading.close.as_stated] = np.nan
        if is_a_wall(target, method):
            features["repeat_count"] = reading.close.repeats
    if target.anatomy:
        features |= _filling(block, target, reading.delay_us, features)
        scores = score_traces(features)
        if most is not None:
            scores = {name: np.minimum(value, most[name]) for name, value in scores.items()}
        features |= scores
    bits = finding_bits(
        features,
        settings.quality,
        cornea_assumed=lengths.assumed[:, target.length_slice].any(axis=1)
        & ~np.isnan(lengths.total_mm),
        receiver_known=block.receiver is not None,
        gate_empty=gate_empty(reading.delay_us, state[0], target, settings, gated),
    )
    accepted = accepted_by_findings(bits, features, settings.quality)
    if most is not None:
        accepted &= most["accepted"]
    names = target.interface_names
    return {
        "delay_us": under(prepared.interfaces, names, reading.delay_us),
        "delay_u_us": under(prepared.interfaces, names, reading.delay_u_us),
        "length_mm": under(
            prepared.segments, [segment.name for segment in target.segments], lengths.segment_mm
        ),
        "axial_length_mm": lengths.total_mm,
        "axial_length_u_mm": lengths.total_u_mm,
        "axial_length_u_shared_mm": lengths.total_u_shared_mm,
        "findings": bits,
        "accepted": accepted,
        "by_hand": np.zeros((block.n_traces, len(prepared.interfaces)), np.uint8),
        **features,
    }


# Shorter than this no cavity that holds something else than is stated looks, mm.
_LONG_CAVITY_MM = 19.5


def _filling(
    block: Recording,
    target: Target,
    delay_us: NDArray[np.float64],
    features: Mapping[str, NDArray[np.float32]],
) -> dict[str, NDArray[np.float32]]:
    """Whether the cavity can hold what is stated, of the traces where that is in question."""
    likeness = np.full(block.n_traces, np.nan, np.float32)
    names, retina = target.interface_names, target.index("retina")
    oil = target.segments[retina - 1].medium.name.startswith("silicone_oil")
    before = names.index("lens_back") if "lens_back" in names else 0
    long_mm = _LONG_CAVITY_MM + (0.0 if before else 6.5)
    seen = before > 0 or Method.CONTACT not in block.method.present
    rows = np.flatnonzero((features["cavity_mm"] > long_mm) | oil)
    if block.signal == "rf" and seen and rows.size:
        place = (delay_us[rows] - block.start_delay_us) * block.sampling_rate_hz * 1e-6
        pulse_us = 1.0 / (block.probe.fractional_bandwidth * block.probe.centre_frequency_hz * 1e-6)
        half_width = max(8, round(1.2 * pulse_us * block.sampling_rate_hz * 1e-6))
        rf = np.asarray(block.samples[rows])
        downshift = carrier_downshift(rf, place[:, before], place[:, retina], half_width=half_width)
        likeness[rows] = filling_likeness(
            downshift,
            delay_us[rows, retina] - delay_us[rows, before],
            centre_frequency_hz=block.probe.centre_frequency_hz,
            fractional_bandwidth=block.probe.fractional_bandwidth,
            oil_stated=oil,
        )
    return {"filling_likeness": likeness, "oil_stated": np.full(likeness.size, oil, np.float32)}


def _behind_gas(n_traces: int, prepared: Prepared) -> dict[str, NDArray[Any]]:
    """No length can be measured through gas."""
    picks, parts = (len(prepared.interfaces),), (len(prepared.segments),)
    width = {"delay_us": picks, "delay_u_us": picks, "length_mm": parts}
    nothing: dict[str, NDArray[Any]] = {
        name: np.full((n_traces, *width.get(name, ())), np.nan) for name in _MEASURED
    }
    return nothing | {
        "findings": np.full(n_traces, bits_of(["gas_filling"])),
        "accepted": np.zeros(n_traces, np.bool_),
        "by_hand": np.zeros((n_traces, len(prepared.interfaces)), np.uint8),
    }
