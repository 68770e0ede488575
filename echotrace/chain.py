"""From a recording to lengths one can trust: the composition of the chain's steps.

:func:`measure` walks the recording in blocks of traces; :func:`measure_block` is the chain on one
block in memory. Neither holds any logic of its own: undo the receiver, filter, find echoes, choose
interfaces, pick, measure lengths, judge.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.conditioning import Conditioned, condition
from echotrace.envelope import analytic_signal
from echotrace.errors import MissingDetailError, ParameterError
from echotrace.gates import (
    Candidates,
    Choice,
    Gate,
    choose_in_gates,
    choose_jointly,
    find_echoes,
    preset_gates,
)
from echotrace.lengths import measure_lengths
from echotrace.measurement import Measurement, concatenate
from echotrace.pattern import PATTERN_FEATURES
from echotrace.picking import PickReason, pick_echoes
from echotrace.pulse import Pulse, estimate_pulse, gaussian_pulse
from echotrace.quality import (
    FINDINGS,
    finding_bits,
    look_at_echoes,
    rejecting_bits,
    score_traces,
    trace_features,
)
from echotrace.reading import TraceReading, read_traces
from echotrace.receiver import converter_step, inverse_gain, undo_receiver
from echotrace.recording import COLUMNS, Method, Recording, Signal
from echotrace.settings import Settings, TargetGate
from echotrace.target import Target, eye_target

__all__ = [
    "TraceView",
    "decide_by_hand",
    "expand_gates",
    "gates_for",
    "measure",
    "measure_block",
    "read_plainly",
    "view_trace",
]

# About 50 MB of working arrays for traces of 4,096 samples.
_BLOCK_TRACES = 512
# Traces from which a recording's own pulse is estimated.
_TEMPLATE_TRACES = 256

State = tuple[str, str, str, str, str]
_STATE_COLUMNS = ("method", "lens_state", "lens_material", "vitreous", "target")


def measure(
    recording: Recording,
    settings: Settings | None = None,
    *,
    target: Target | None = None,
    progress: Callable[[int, int], None] | None = None,
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
    settings = settings or Settings()
    pulse = _template(recording, settings)
    targets = _targets(recording, target)
    parts: list[Measurement] = []
    done = 0
    for block in recording.blocks(_BLOCK_TRACES):
        parts.append(measure_block(block, settings, pulse=pulse, targets=targets))
        done += block.n_traces
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
    codes = np.unique(np.stack([column.codes for column in columns], axis=1), axis=0)
    found: dict[State, Target | None] = {}
    for row in codes:
        state = tuple(column.labels[int(code)] for column, code in zip(columns, row, strict=True))
        method, lens_state, lens_material, vitreous, name = state
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


def measure_block(
    block: Recording,
    settings: Settings,
    *,
    pulse: Pulse,
    targets: Mapping[State, Target | None],
) -> Measurement:
    """The chain on one block of traces in memory.

    Parameters
    ----------
    block : Recording
    settings : Settings
    pulse : Pulse
        Template of the matched filter.
    targets : mapping
        Target of each combination of states, as :func:`measure` works them out; the columns of
        the result are the union over all of them.
    """
    known = [target for target in targets.values() if target is not None]
    interfaces = _union([target.interface_names for target in known])
    segments = _union([[s.name for s in target.length_segments] for target in known])
    n = block.n_traces
    arrays: dict[str, Any] = {
        "delay_us": np.full((n, len(interfaces)), np.nan),
        "delay_u_us": np.full((n, len(interfaces)), np.nan),
        "length_mm": np.full((n, len(segments)), np.nan),
        "axial_length_mm": np.full(n, np.nan),
        "axial_length_u_mm": np.full(n, np.nan),
        "axial_length_u_shared_mm": np.full(n, np.nan),
        "findings": np.zeros(n, np.uint32),
    }
    features: dict[str, NDArray[np.float32]] = {}
    for state, target in targets.items():
        rows = np.flatnonzero(
            np.all(
                [
                    getattr(block, name).where(label)
                    for name, label in zip(_STATE_COLUMNS, state, strict=True)
                ],
                axis=0,
            )
        )
        if target is None:
            gas = list(FINDINGS).index("gas_filling")
            arrays["findings"][rows] = np.uint32(1 << gas)
            continue
        if rows.size:
            part = block if rows.size == n else block.select(rows)
            measured = _measure_state(part, state[0], target, settings, pulse, interfaces, segments)
        else:
            measured = _empty_state(target)
        for name, values in measured.items():
            if name in arrays:
                arrays[name][rows] = values
            else:
                features.setdefault(name, np.full(n, np.nan, np.float32))[rows] = values
    bits = arrays["findings"]
    labels: dict[str, Any] = {name: getattr(block, name) for name in COLUMNS}
    return Measurement(
        interfaces=interfaces,
        segments=segments,
        score=features.get("score", np.full(n, np.nan, np.float32)).astype(np.float64),
        finding_names=tuple(FINDINGS),
        accepted=(bits & rejecting_bits()) == 0,
        decided_by=np.zeros(n, np.uint8),
        features=features,
        settings_json=settings.to_json(),
        attributes=block.attributes,
        **arrays,
        **labels,
    )


def _union(names: list[Any]) -> tuple[str, ...]:
    """Names of several ordered lists, each once, the longest list's order first."""
    ordered = sorted(names, key=len, reverse=True)
    return tuple(dict.fromkeys(name for item in ordered for name in item))


def _empty_state(target: Target) -> dict[str, NDArray[Any]]:
    """Names of a state's features where the block has no trace of it."""
    none = np.empty(0, np.float32)
    return {name: none for name in _feature_names(target)}


def _feature_names(target: Target) -> list[str]:
    names = [
        f"{kind}_{name}"
        for name in target.interface_names
        for kind in ("level_db", "rise_us", "width_us")
    ]
    names += [
        "echo_count",
        "missing_count",
        "clipped_samples",
        "clipped_fraction",
        "weakest_level_db",
        "least_margin",
        "last_margin",
        "length_u_mm",
    ]
    if target.anatomy:
        names += [
            "retina_against_wall_db",
            "orbit_level_db",
            "orbit_decay_db",
            "sclera_against_retina_db",
            "retina_against_scatter_db",
            "sclera_against_scatter_db",
            "vitreous_echo_db",
            "retina_rise_ratio",
            *PATTERN_FEATURES,
            "score",
            "on_axis_probability",
        ]
    if "lens_front" in target.interface_names:
        names.append("lens_echo_db")
        if target.segments[target.index("lens_front")].medium.name == "lens":
            names += ["lens_front_against_back_db", "retina_against_lens_db"]
    return names


def _read(
    block: Recording, method: str, target: Target, settings: Settings, pulse: Pulse
) -> TraceReading:
    """Everything that is read off traces of one state: in one walk where that applies."""
    gates = gates_for(target, method, settings)
    reading = read_traces(block, method, target, settings, pulse, gates)
    if reading is not None:
        return reading
    return read_plainly(block, method, target, settings, pulse)


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


def _measure_state(
    block: Recording,
    method: str,
    target: Target,
    settings: Settings,
    pulse: Pulse,
    interfaces: tuple[str, ...],
    segments: tuple[str, ...],
) -> dict[str, NDArray[Any]]:
    reading = _read(block, method, target, settings, pulse)
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
    n = block.n_traces
    delay_us, delay_u_us = (np.full((n, len(interfaces)), np.nan) for _ in range(2))
    for k, name in enumerate(target.interface_names):
        delay_us[:, interfaces.index(name)] = reading.delay_us[:, k]
        delay_u_us[:, interfaces.index(name)] = reading.delay_u_us[:, k]
    length_mm = np.full((n, len(segments)), np.nan)
    for k, segment in enumerate(target.segments):
        if segment.name in segments:
            length_mm[:, segments.index(segment.name)] = lengths.segment_mm[:, k]
    return {
        "delay_us": delay_us,
        "delay_u_us": delay_u_us,
        "length_mm": length_mm,
        "axial_length_mm": lengths.total_mm,
        "axial_length_u_mm": lengths.total_u_mm,
        "axial_length_u_shared_mm": lengths.total_u_shared_mm,
        "findings": bits,
        **features,
    }


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
