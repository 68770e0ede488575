"""From a recording to lengths one can trust: the composition of the chain's steps.

:func:`measure` walks the recording in blocks of traces; :func:`measure_block` is the chain on one
block in memory. Neither holds any logic of its own: undo the receiver, filter, find echoes, choose
interfaces, pick, measure lengths, judge.
"""

from __future__ import annotations

import dataclasses
import os
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from threading import Semaphore
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.fused import BlockReader, TraceReading, block_reader
from echotrace.errors import MissingDetailError, ParameterError
from echotrace.measurement import Measurement, concatenate
from echotrace.quality.features import look_at_echoes, score_traces, trace_features
from echotrace.quality.findings import FINDINGS, finding_bits, rejecting_bits
from echotrace.recording import COLUMNS, Method, Recording, Signal, distinct_rows
from echotrace.settings import Settings, TargetGate
from echotrace.signal.conditioning import Conditioned, condition
from echotrace.signal.envelope import analytic_signal
from echotrace.signal.gates import (
    Candidates,
    Choice,
    Gate,
    choose_in_gates,
    choose_jointly,
    find_echoes,
    preset_gates,
)
from echotrace.signal.lengths import measure_lengths
from echotrace.signal.picking import PickReason, pick_echoes
from echotrace.signal.pulse import Pulse, estimate_pulse, gaussian_pulse
from echotrace.signal.receiver import converter_step, inverse_gain, undo_receiver
from echotrace.target import Target, eye_target

__all__ = [
    "Prepared",
    "TraceView",
    "decide_by_hand",
    "expand_gates",
    "gates_for",
    "measure",
    "measure_block",
    "measure_blocks",
    "prepare",
    "read_plainly",
    "view_trace",
]

# Traces of a block: in the fused walk as many as make the work outside the kernel small, yet
# blocks of 16 MB at most; step by step about 50 MB of working arrays for 4,096 samples.
_BLOCK_TRACES, _BLOCK_BYTES, _PLAIN_BLOCK_TRACES = 2048, 2**24, 512
# Blocks measured ahead, beside two a worker, while whoever asked for them writes a part to the
# disk: results only, about 1 MB each.
_AHEAD = 16
# Traces from which a recording's own pulse is estimated.
_TEMPLATE_TRACES = 256

State = tuple[str, str, str, str, str]
_STATE_COLUMNS = ("method", "lens_state", "lens_material", "vitreous", "target")


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
    readers : mapping
        Fused reader of each combination of states, where it applies.
    interfaces, segments : tuple of str
        Names over all of them.
    block_traces : int
        Traces of a block.
    """

    settings: Settings
    settings_json: str
    pulse: Pulse
    targets: Mapping[State, Target | None]
    readers: Mapping[State, BlockReader]
    interfaces: tuple[str, ...]
    segments: tuple[str, ...]
    block_traces: int


def prepare(
    recording: Recording, settings: Settings | None = None, *, target: Target | None = None
) -> Prepared:
    """Work out once what :func:`measure_block` needs for every block of a recording.

    Parameters
    ----------
    recording : Recording
    settings, target
        As for :func:`measure`.
    """
    settings = settings or Settings()
    pulse = _template(recording, settings)
    targets = _targets(recording, target)
    known = [target for target in targets.values() if target is not None]
    readers = {}
    for state, found in targets.items():
        if found is not None:
            gates = gates_for(found, state[0], settings)
            reader = block_reader(recording, state[0], found, settings, pulse, gates)
            if reader is not None:
                readers[state] = reader
    block_traces = _PLAIN_BLOCK_TRACES
    if len(readers) == len(known):
        row_bytes = recording.n_samples * recording.samples.dtype.itemsize
        most = max(1, _BLOCK_BYTES // row_bytes)
        # A power of two: then blocks fill whole chunks of the file of results.
        block_traces = min(_BLOCK_TRACES, 1 << (most.bit_length() - 1))
    return Prepared(
        settings=settings,
        settings_json=settings.to_json(),
        pulse=pulse,
        targets=targets,
        readers=readers,
        interfaces=_union([target.interface_names for target in known]),
        segments=_union([[s.name for s in target.length_segments] for target in known]),
        block_traces=block_traces,
    )


def measure_blocks(
    recording: Recording,
    prepared: Prepared,
    *,
    workers: int | None = None,
    first: int = 0,
    stop: int | None = None,
) -> Iterator[Measurement]:
    """Measure a recording block by block, in order, reading ahead and measuring several at once.

    Parameters
    ----------
    recording : Recording
        In memory or lazy.
    prepared : Prepared
    workers : int, optional
        Threads that measure; None takes one for each core. The results do not depend on it.
        Of a lazy recording one more thread reads.
    first, stop : int, optional
        Trace to begin with, and the one to end before.

    Yields
    ------
    Measurement
        Of ``prepared.block_traces`` traces each, the last one of the rest.
    """
    workers = _workers(workers)
    size = prepared.block_traces
    end = recording.n_traces if stop is None else min(stop, recording.n_traces)
    starts = range(first, end, size)
    rows = (slice(start, min(start + size, end)) for start in starts)
    lazy = not isinstance(recording.samples, np.ndarray)
    if len(starts) <= 1 or (workers == 1 and not lazy):
        for key in rows:
            yield measure_block(recording.select(key), prepared)
        return
    measuring = Semaphore(workers)

    def read_and_measure(key: slice) -> Measurement:
        block = recording.select(key)
        with measuring:
            return measure_block(block, prepared)

    with ThreadPoolExecutor(workers + lazy) as pool:
        pending: deque[Future[Measurement]] = deque()
        try:
            for key in rows:
                pending.append(pool.submit(read_and_measure, key))
                while len(pending) > 2 * workers + _AHEAD or (pending and pending[0].done()):
                    yield pending.popleft().result()
            while pending:
                yield pending.popleft().result()
        finally:
            for future in pending:
                future.cancel()


def _workers(workers: int | None) -> int:
    if workers is None:
        # The cores this process may use, which can be fewer than the machine has.
        return (
            len(os.sched_getaffinity(0))
            if hasattr(os, "sched_getaffinity")
            else (os.cpu_count() or 1)
        )
    if workers < 1:
        raise ParameterError(f"workers={workers!r} must be at least 1")
    return workers


def measure(
    recording: Recording,
    settings: Settings | None = None,
    *,
    target: Target | None = None,
    progress: Callable[[int, int], None] | None = None,
    workers: int | None = None,
) -> Measurement:
    """Measure every trace of a recording.

    Parameters
    ----------
    recording : Recording
    settings : Settings, optional
        None takes the presets by method and lens state.
    target : Target, optional
        What the beam passes, for recordings that are not of an eye.
    progress : callable, optional
        Called with (traces done, traces in all) after each block.
    workers : int, optional
        Threads; None takes one for each core. The results do not depend on it.

    Returns
    -------
    Measurement

    Raises
    ------
    MissingDetailError
        A contact recording that does not say where the probe's face is, or a recording of
        something that is no eye without a target.
    ParameterError
        Settings that do not fit the recording.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")  # doctest: +SKIP
    >>> et.measure(recording).axial_length_mm  # doctest: +SKIP
    """
    prepared = prepare(recording, settings, target=target)
    parts: list[Measurement] = []
    done = 0
    for part in measure_blocks(recording, prepared, workers=workers):
        parts.append(part)
        done += part.n_traces
        if progress is not None:
            progress(done, recording.n_traces)
    return concatenate(parts)


def _template(recording: Recording, settings: Settings) -> Pulse:
    """The pulse of the matched filter."""
    probe = recording.probe
    pulse = gaussian_pulse(
        recording.sampling_rate_hz, probe.centre_frequency_hz, probe.fractional_bandwidth
    )
    if settings.picking.template == "probe":
        return pulse
    if recording.signal != Signal.RF:
        raise ParameterError("template='recording' needs RF; this recording holds envelopes")
    first = recording.select(slice(0, _TEMPLATE_TRACES))
    undone = undo_receiver(np.asarray(first.samples), first.delay_us, first.receiver, first.gain_db)
    traces = _condition(first, undone.amplitude, undone.clipped, pulse, settings)
    candidates = find_echoes(traces, threshold_db=max(26.0, settings.picking.search_threshold_db))
    rows, sample = _cleanest_echoes(candidates, traces)
    if rows.size == 0:
        raise ParameterError(
            "template='recording': no trace holds an unclipped echo 26 dB over the noise that "
            "stands free; use template='probe'"
        )
    picks = pick_echoes(traces, rows, sample)
    usable = np.isfinite(picks.sample)
    return estimate_pulse(
        analytic_signal(undone.amplitude), rows[usable], picks.sample[usable], pulse
    )


def _cleanest_echoes(
    candidates: Candidates, traces: Conditioned
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The tallest echo of each trace that is neither clipped nor crowded."""
    n, c = candidates.sample.shape
    real = np.arange(c) < candidates.count[:, None]
    width_us = traces.pulse.width_us
    delay = np.where(real, candidates.delay_us, np.inf)
    gap = np.full((n, c), np.inf)
    if c > 1:
        with np.errstate(invalid="ignore"):
            step = np.diff(delay, axis=1)
        step = np.where(np.isfinite(step), step, np.inf)
        gap[:, 1:] = step
        gap[:, :-1] = np.minimum(gap[:, :-1], step)
    reach = int(np.ceil(1.5 * width_us / traces.step_us))
    rows = np.broadcast_to(np.arange(n)[:, None], (n, c))
    clipped = np.zeros((n, c), np.bool_)
    for shift in range(-reach, reach + 1):
        columns = np.clip(candidates.sample + shift, 0, traces.clipped.shape[1] - 1)
        clipped |= traces.clipped[rows, columns]
    free = real & (gap > 4.0 * width_us) & ~clipped & (np.abs(candidates.stretch) < 0.5)
    free &= candidates.before_db < candidates.level_db - 20.0
    level = np.where(free, candidates.level_db, -np.inf)
    best = np.argmax(level, axis=1)
    has = np.flatnonzero(free.any(axis=1))
    return has, candidates.sample[has, best[has]].astype(np.intp)


def _targets(recording: Recording, target: Target | None) -> dict[State, Target | None]:
    """The target of every combination of states in the recording; None where it holds gas."""
    columns = [getattr(recording, name) for name in _STATE_COLUMNS]
    first, _ = distinct_rows(columns)
    found: dict[State, Target | None] = {}
    for row in first:
        method, lens_state, lens_material, vitreous, name = state = tuple(
            column[int(row)] for column in columns
        )
        if target is not None:
            found[state] = target
        elif name != "eye":
            raise MissingDetailError(
                f"the recording is of target {name!r}, which is not built in; give its "
                "description (--target FILE.toml)"
            )
        elif lens_state == "none":
            raise MissingDetailError(
                "the recording does not say the lens state (phakic, aphakic, pseudophakic); "
                "import it again with --lens-state, or give --target FILE.toml if it is no eye"
            )
        elif vitreous == "gas":
            found[state] = None
        else:
            found[state] = eye_target(lens_state, lens_material=lens_material, vitreous=vitreous)
        if method == Method.CONTACT and np.isnan(recording.probe.face_delay_us):
            raise MissingDetailError(
                "a contact recording needs the delay of the probe's face after delay zero; "
                "import it again with --face-delay-us (and --face-delay-u-us)"
            )
    return found


def gates_for(target: Target, method: str, settings: Settings) -> tuple[Gate, ...]:
    """The gates that apply: the user's where there is one, else the preset."""
    own = {
        item.gate.interface: item.gate
        for item in settings.gates
        if item.method in ("any", method) and item.target in ("any", target.name)
    }
    for name in own:
        target.index(name)
    preset = {gate.interface: gate for gate in preset_gates(target, method)}
    if method == Method.OTHER and target.interface_names[0] not in own:
        raise ParameterError(
            f"target {target.name!r}: the first interface ({target.interface_names[0]}) has no "
            "preset gate for method 'other'; give one in the settings ([[gate]])"
        )
    merged = {**preset, **own}
    return tuple(merged[name] for name in target.interface_names if name in merged)


def expand_gates(settings: Settings, recording: Recording, target: Target | None) -> Settings:
    """The settings with every gate written out that applies to a recording."""
    gates: list[TargetGate] = []
    for state, found in _targets(recording, target).items():
        if found is None:
            continue
        gates += [
            TargetGate(method=state[0], target=found.name, gate=gate)
            for gate in gates_for(found, state[0], settings)
        ]
    return dataclasses.replace(settings, gates=tuple(dict.fromkeys(gates)))


def _condition(
    block: Recording,
    amplitude: NDArray[np.float32],
    clipped: NDArray[np.bool_],
    pulse: Pulse,
    settings: Settings,
) -> Conditioned:
    trace_scale, sample_scale = inverse_gain(
        block.delay_us, block.receiver, block.gain_db, block.n_traces
    )
    return condition(
        amplitude,
        clipped,
        signal=block.signal,
        sampling_rate_hz=block.sampling_rate_hz,
        start_delay_us=block.start_delay_us,
        pulse=pulse,
        envelope_method=settings.envelope.method,
        envelope_bandwidth=settings.envelope.bandwidth,
        step=converter_step(block.samples.dtype, trace_scale, sample_scale),
    )


@dataclass(frozen=True, slots=True)
class TraceView:
    """Everything the chain saw of some traces of one state, for pictures and for tuning.

    Attributes
    ----------
    target : Target
    gates : tuple of Gate
    traces : Conditioned
    candidates : Candidates
    choice : Choice
    delay_us, delay_u_us : ndarray of float64, (n_traces, n_interfaces)
    reason : ndarray of uint8, (n_traces, n_interfaces)
    """

    target: Target
    gates: tuple[Gate, ...]
    traces: Conditioned
    candidates: Candidates
    choice: Choice
    delay_us: NDArray[np.float64]
    delay_u_us: NDArray[np.float64]
    reason: NDArray[np.uint8]


def _look(
    block: Recording, method: str, target: Target, settings: Settings, pulse: Pulse
) -> TraceView:
    """Undo the receiver, filter, find, choose and pick: traces of one state."""
    undone = undo_receiver(np.asarray(block.samples), block.delay_us, block.receiver, block.gain_db)
    traces = _condition(block, undone.amplitude, undone.clipped, pulse, settings)
    gates = gates_for(target, method, settings)
    candidates = find_echoes(traces, threshold_db=settings.picking.search_threshold_db)
    first_us = block.probe.face_delay_us if method == Method.CONTACT else np.nan
    if settings.picking.choice == "jointly":
        choice = choose_jointly(
            candidates, gates, target, first_us=first_us, weights=settings.joint_weights
        )
    else:
        choice = choose_in_gates(candidates, gates, target, first_us=first_us)
    shape = choice.candidate.shape
    delay_us, delay_u_us = np.full(shape, np.nan), np.full(shape, np.nan)
    reason = choice.reason.copy()
    rows, columns = np.nonzero(choice.candidate >= 0)
    picks = pick_echoes(
        traces,
        rows,
        candidates.sample[rows, choice.candidate[rows, columns]],
        picker=settings.picking.picker,
        options=settings.picker_options,
    )
    delay_us[rows, columns] = traces.to_delay_us(picks.sample)
    delay_u_us[rows, columns] = picks.u_sample * traces.step_us
    reason[rows, columns] = picks.reason
    if method == Method.CONTACT:
        # The corneal front lies at the probe's face; its uncertainty is shared by all scans.
        delay_us[:, 0], delay_u_us[:, 0] = first_us, 0.0
        reason[:, 0] = int(PickReason.FOUND)
    return TraceView(target, gates, traces, candidates, choice, delay_us, delay_u_us, reason)


def measure_block(block: Recording, prepared: Prepared) -> Measurement:
    """The chain on one block of traces in memory.

    Parameters
    ----------
    block : Recording
    prepared : Prepared
        From :func:`prepare`; the columns of the result are the union over all of its targets.
    """
    n = block.n_traces
    parts: list[tuple[NDArray[np.intp], dict[str, NDArray[Any]]]] = []
    for state, target in prepared.targets.items():
        rows = _rows_of(block, state) if len(prepared.targets) > 1 else np.arange(n)
        if rows.size:
            part = block if rows.size == n else block.select(rows)
            parts.append((rows, _measure_state(part, state, target, prepared)))
    columns = parts[0][1] if len(parts) == 1 else _interleave(parts, n)
    arrays: dict[str, Any] = {name: columns.pop(name) for name in _MEASURED}
    labels: dict[str, Any] = {name: getattr(block, name) for name in COLUMNS}
    score = columns["score"] if "score" in columns else np.full(n, np.nan)
    return Measurement(
        interfaces=prepared.interfaces,
        segments=prepared.segments,
        score=score.astype(np.float64),
        finding_names=tuple(FINDINGS),
        accepted=(arrays["findings"] & rejecting_bits()) == 0,
        decided_by=np.zeros(n, np.uint8),
        features=columns,
        settings_json=prepared.settings_json,
        attributes=block.attributes,
        **arrays,
        **labels,
    )


def _interleave(
    parts: list[tuple[NDArray[np.intp], dict[str, NDArray[Any]]]], n_traces: int
) -> dict[str, NDArray[Any]]:
    """Put the columns of several states in the order of the traces; NaN where a state has none."""
    joined: dict[str, NDArray[Any]] = {}
    for rows, columns in parts:
        for name, values in columns.items():
            if name not in joined:
                blank = np.nan if values.dtype.kind == "f" else 0
                joined[name] = np.full((n_traces, *values.shape[1:]), blank, values.dtype)
            joined[name][rows] = values
    return joined


def _rows_of(block: Recording, state: State) -> NDArray[np.intp]:
    """Traces of one combination of states."""
    has = [
        getattr(block, name).where(label) for name, label in zip(_STATE_COLUMNS, state, strict=True)
    ]
    return np.flatnonzero(np.all(has, axis=0))


def _union(names: list[Any]) -> tuple[str, ...]:
    """Names of several ordered lists, each once, the longest list's order first."""
    ordered = sorted(names, key=len, reverse=True)
    return tuple(dict.fromkeys(name for item in ordered for name in item))


def read_plainly(
    block: Recording, method: str, target: Target, settings: Settings, pulse: Pulse
) -> TraceReading:
    """The same step by step, for every picker and envelope; what the fused walk is held against."""
    view = _look(block, method, target, settings, pulse)
    return TraceReading(
        delay_us=view.delay_us,
        delay_u_us=view.delay_u_us,
        margin=view.choice.margin,
        candidates=view.candidates,
        looks=look_at_echoes(view.traces, view.delay_us, target, method=method),
    )


# What :func:`_measure_state` gives beside features.
_MEASURED = (
    "delay_us",
    "delay_u_us",
    "length_mm",
    "axial_length_mm",
    "axial_length_u_mm",
    "axial_length_u_shared_mm",
    "findings",
)


def _measure_state(
    block: Recording, state: State, target: Target | None, prepared: Prepared
) -> dict[str, NDArray[Any]]:
    """Columns of :data:`_MEASURED`, and features, of traces of one state."""
    if target is None:
        return _behind_gas(block.n_traces, prepared)
    method, settings = state[0], prepared.settings
    if state in prepared.readers:
        reading = prepared.readers[state].read(block)
    else:
        reading = read_plainly(block, method, target, settings, prepared.pulse)
    offset_u_us = block.probe.face_delay_u_us if method == Method.CONTACT else 0.0
    lengths = measure_lengths(
        reading.delay_us,
        reading.delay_u_us,
        target,
        offset_u_us=0.0 if np.isnan(offset_u_us) else offset_u_us,
        options=settings.lengths,
    )
    features = trace_features(
        reading.looks,
        reading.delay_us,
        target,
        method=method,
        candidates=reading.candidates,
        face_delay_us=block.probe.face_delay_us,
        margin=reading.margin,
        length_u_mm=lengths.total_u_mm,
        receiver_known=block.receiver is not None,
    )
    if target.anatomy:
        features |= score_traces(features)
    bits = finding_bits(
        features,
        settings.quality,
        cornea_assumed=lengths.assumed[:, target.length_slice].any(axis=1)
        & ~np.isnan(lengths.total_mm),
        receiver_known=block.receiver is not None,
    )
    names = target.interface_names
    return {
        "delay_us": _under(prepared.interfaces, names, reading.delay_us),
        "delay_u_us": _under(prepared.interfaces, names, reading.delay_u_us),
        "length_mm": _under(
            prepared.segments, [segment.name for segment in target.segments], lengths.segment_mm
        ),
        "axial_length_mm": lengths.total_mm,
        "axial_length_u_mm": lengths.total_u_mm,
        "axial_length_u_shared_mm": lengths.total_u_shared_mm,
        "findings": bits,
        **features,
    }


def _behind_gas(n_traces: int, prepared: Prepared) -> dict[str, NDArray[Any]]:
    """No length can be measured through gas."""
    width = {
        "delay_us": (len(prepared.interfaces),),
        "delay_u_us": (len(prepared.interfaces),),
        "length_mm": (len(prepared.segments),),
    }
    nothing: dict[str, NDArray[Any]] = {
        name: np.full((n_traces, *width.get(name, ())), np.nan) for name in _MEASURED
    }
    gas = 1 << list(FINDINGS).index("gas_filling")
    return nothing | {"findings": np.full(n_traces, gas, np.uint32)}


def _under(
    wanted: tuple[str, ...], names: Sequence[str], values: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Columns under the names of all states together; NaN where this state has none."""
    out = np.full((values.shape[0], len(wanted)), np.nan)
    for k, name in enumerate(names):
        if name in wanted:
            out[:, wanted.index(name)] = values[:, k]
    return out


def view_trace(
    recording: Recording,
    trace: int,
    settings: Settings | None = None,
    *,
    target: Target | None = None,
) -> TraceView:
    """What the chain saw of one trace: signals, gates, candidates, choice and picks.

    Parameters
    ----------
    recording : Recording
    trace : int
        Number of the trace.
    settings, target
        As for :func:`measure`.
    """
    if not 0 <= trace < recording.n_traces:
        raise ParameterError(
            f"trace={trace}: the recording has traces 0 to {recording.n_traces - 1}"
        )
    settings = settings or Settings()
    one = recording.select(slice(trace, trace + 1))
    ((state, found),) = _targets(one, target).items()
    if found is None:
        raise ParameterError(f"trace={trace}: the vitreous cavity holds gas; nothing to look at")
    return _look(one, state[0], found, settings, _template(recording, settings))


def decide_by_hand(
    result: Measurement,
    *,
    accept: Mapping[int, str] | None = None,
    reject: Mapping[int, str] | None = None,
) -> Measurement:
    """Accept or reject scans by hand; the reason is kept with the result.

    Parameters
    ----------
    result : Measurement
    accept, reject : mapping of int to str
        Number of the trace and the reason.

    Raises
    ------
    ParameterError
        A trace that is not there, named twice, or accepted without a length.
    """
    accept, reject = dict(accept or {}), dict(reject or {})
    accepted, decided = result.accepted.copy(), result.decided_by.copy()
    notes = []
    for word, chosen in (("accepted", accept), ("rejected", reject)):
        for trace, why in sorted(chosen.items()):
            if not 0 <= trace < result.n_traces:
                raise ParameterError(
                    f"scan {trace}: the recording has scans 0 to {result.n_traces - 1}"
                )
            if trace in accept and trace in reject:
                raise ParameterError(f"scan {trace} is both accepted and rejected by hand")
            if word == "accepted" and np.isnan(result.axial_length_mm[trace]):
                raise ParameterError(
                    f"scan {trace} has no length ({', '.join(result.finding_list(trace))}); it "
                    "cannot be accepted by hand"
                )
            accepted[trace] = word == "accepted"
            decided[trace] = 1
            notes.append(f"scan {trace} {word} by hand: {why or 'no reason given'}")
    if not notes:
        return result
    attributes = dict(result.attributes)
    earlier = attributes.get("by_hand", "")
    attributes["by_hand"] = "\n".join([*([earlier] if earlier else []), *notes])
    return dataclasses.replace(result, accepted=accepted, decided_by=decided, attributes=attributes)
