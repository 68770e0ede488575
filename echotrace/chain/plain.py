"""The reference path: the chain step by step, for every picker and envelope.

The fused walk (:mod:`echotrace.chain.fused`) is held against it, and pictures show its steps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.close_echoes import covariance_of, is_a_wall, lay_train, overlap_of_picks
from echotrace.chain.conditioned import condition_block
from echotrace.chain.hand_marks import gates_of_scan, lay_picks, mark_codes, offer_picks
from echotrace.chain.offset import baseline_offset, without_offset
from echotrace.chain.reading import CloseReading, TraceReading
from echotrace.chain.states import gates_for, targets_of
from echotrace.chain.template import template_pulse
from echotrace.decisions import Decisions, ScanMarks
from echotrace.errors import ParameterError
from echotrace.measurement import Measurement
from echotrace.quality.features import echo_features
from echotrace.recording import Method, Recording
from echotrace.settings import Settings
from echotrace.signal.candidates import Candidates, find_echoes
from echotrace.signal.choice import choose_in_gates, choose_jointly
from echotrace.signal.choice_plan import Choice
from echotrace.signal.conditioning import Conditioned
from echotrace.signal.crowded import (
    ClosePair,
    CrowdedEchoes,
    close_pairs,
    crowded_echoes,
    part_echoes,
)
from echotrace.signal.gates import Gate, lowest_threshold_db
from echotrace.signal.picking import PickReason, pick_echoes
from echotrace.signal.pulse import Pulse
from echotrace.signal.repeats import repeats_behind, taken_at_a_multiple
from echotrace.signal.sitting_choice import SittingPath
from echotrace.target import Target

__all__ = ["TraceView", "read_reference_path", "view_block", "view_trace"]


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
    by_hand : ndarray of uint8, (n_interfaces,)
        What a person set in all of these traces, codes of :data:`echotrace.measurement.BY_HAND`.
    close : CloseReading or None
        Overlaps and repeats; None where the target can have neither.
    alone_us : ndarray of float64, (n_traces, n_interfaces)
        Where a scan that was corrected by its sitting would find an interface alone, µs; NaN
        elsewhere.
    average_speed_m_per_s : float
        At which the whole length is read, be the segments what they are; zero: each at its own.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.plain import view_trace
    >>> view = view_trace(recording, 0)
    >>> view.gates[0].interface, view.choice.candidate.shape
    ('cornea_front', (1, 6))
    """

    target: Target
    gates: tuple[Gate, ...]
    traces: Conditioned
    candidates: Candidates
    choice: Choice
    delay_us: NDArray[np.float64]
    delay_u_us: NDArray[np.float64]
    reason: NDArray[np.uint8]
    by_hand: NDArray[np.uint8]
    close: CloseReading | None
    alone_us: NDArray[np.float64]
    average_speed_m_per_s: float = 0.0


_NO_MARKS = ScanMarks({}, {})


def view_block(
    block: Recording,
    method: str,
    target: Target,
    settings: Settings,
    pulse: Pulse,
    marks: ScanMarks = _NO_MARKS,
    path: SittingPath | None = None,
) -> TraceView:
    """Undo the receiver, filter, find, choose and pick: traces of one state.

    Parameters
    ----------
    block : Recording
        In memory, of one state.
    method : str
    target : Target
    settings : Settings
    pulse : Pulse
        Template of the matched filter.
    marks : ScanMarks
        What a person set; then the block holds that one scan.
    path : SittingPath, optional
        What its sitting proposes in place of its own choice; then the block holds that one scan.

    Returns
    -------
    TraceView

    Raises
    ------
    ParameterError
        Gates, or a picker, that do not fit target or recording.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.plain import view_block
    >>> from echotrace.chain.template import template_pulse
    >>> eye, settings = et.eye_target("phakic"), et.Settings()
    >>> pulse = template_pulse(recording, settings)
    >>> view_block(recording, "immersion", eye, settings, pulse).delay_us.shape
    (6, 6)
    """
    traces = condition_block(block, pulse, settings)
    gates = gates_for(target, method, settings)
    if marks:
        gates = gates_of_scan(gates, marks, target, pulse)
    threshold_db = settings.picking.threshold_db(pulse, block.n_samples)
    candidates = find_echoes(traces, threshold_db=lowest_threshold_db(gates, threshold_db))
    first_us = block.probe.face_delay_us if method == Method.CONTACT else np.nan
    choose = choose_jointly if settings.picking.choice == "jointly" else choose_in_gates
    offered = offer_picks(candidates, marks, traces) if marks.picks else candidates
    choice = choose(
        offered,
        gates,
        target,
        first_us=first_us,
        settings=settings.joint_choice,
        threshold_db=threshold_db,
    )
    shape = choice.candidate.shape
    alone_us = np.full(shape, np.nan)
    if path is not None:
        alone, choice = choice, path.choice(offered)
        rows, columns = np.nonzero((alone.candidate != choice.candidate) & (alone.candidate >= 0))
        alone_us[rows, columns] = offered.delay_us[rows, alone.candidate[rows, columns]]
    picked = _read_chosen(traces, offered, choice, settings, None)
    pairs: tuple[ClosePair, ...] = ()
    wall = is_a_wall(target, method)
    if traces.rf is not None:
        pairs = close_pairs(target, gates, pulse, first_known=method == Method.CONTACT)
    if traces.rf is not None and not marks.picks and path is None:
        crowded = None
        asked = crowded_echoes(candidates, picked[0], pairs, pulse, anatomy=target.anatomy)
        if asked.any():
            least_us = min(pair.least_us for pair in pairs)
            candidates, crowded = part_echoes(traces, candidates, asked, least_us=least_us)
            offered = candidates
            choice = choose(
                offered,
                gates,
                target,
                first_us=first_us,
                settings=settings.joint_choice,
                threshold_db=threshold_db,
            )
            picked = _read_chosen(traces, offered, choice, settings, crowded)
        if wall:
            _follow_train(traces, candidates, choice, picked, settings, crowded)
    delay_us, delay_u_us, reason, close = picked
    if method == Method.CONTACT:
        # The corneal front lies at the probe's face; its uncertainty is shared by all scans.
        delay_us[:, 0], delay_u_us[:, 0] = first_us, 0.0
        reason[:, 0] = int(PickReason.FOUND)
    if marks.picks:
        lay_picks(delay_us, delay_u_us, marks, target, pulse)
        # What a person picked leads over nothing.
        for name in marks.picks:
            choice.margin[:, target.index(name)] = np.nan
        reason = np.where(np.isnan(delay_us), np.maximum(reason, 1), 0).astype(np.uint8)
    codes = mark_codes(marks, target.interface_names)
    return TraceView(
        target,
        gates,
        traces,
        candidates,
        choice,
        delay_us,
        delay_u_us,
        reason,
        codes,
        close if pairs or wall else None,
        alone_us,
        settings.lengths.average_speed_m_per_s,
    )


_Picked = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.uint8], CloseReading]


def _read_chosen(
    traces: Conditioned,
    candidates: Candidates,
    choice: Choice,
    settings: Settings,
    crowded: CrowdedEchoes | None,
) -> _Picked:
    """Delays of the chosen candidates, by the picker or, where echoes overlap, their joint fit."""
    shape = choice.candidate.shape
    delay_us, delay_u_us = np.full(shape, np.nan), np.full(shape, np.nan)
    reason, close = choice.reason.copy(), CloseReading.nothing(*shape)
    rows, columns = np.nonzero(choice.candidate >= 0)
    picks = pick_echoes(
        traces,
        rows,
        candidates.sample[rows, choice.candidate[rows, columns]],
        picker=settings.picking.picker,
        settings=settings.pickers,
    )
    delay_us[rows, columns] = traces.to_delay_us(picks.sample)
    delay_u_us[rows, columns] = picks.u_sample * traces.step_us
    reason[rows, columns] = picks.reason
    if crowded is not None:
        sample, u_sample, close = overlap_of_picks(choice.candidate, crowded, traces.step_us)
        fitted = np.isfinite(sample)
        delay_us[fitted] = traces.to_delay_us(sample[fitted])
        delay_u_us[fitted] = u_sample[fitted] * traces.step_us
        reason[fitted] = int(PickReason.FOUND)
    return delay_us, delay_u_us, reason, close


def _follow_train(
    traces: Conditioned,
    candidates: Candidates,
    choice: Choice,
    picked: _Picked,
    settings: Settings,
    crowded: CrowdedEchoes | None,
) -> None:
    """Lay the repeats of a wall to its faces; a face that may be a repeat itself is in doubt."""
    delay_us, delay_u_us, _, close = picked
    faces = candidates, delay_us[:, 0], delay_us[:, 1], traces.pulse
    doubted = taken_at_a_multiple(*faces)
    choice.margin[doubted, 1] = np.fmin(choice.margin[doubted, 1], 0.0)
    train = repeats_behind(*faces)
    train[doubted] = -1
    behind = Choice(train.astype(np.int32), np.zeros(train.shape, np.uint8), np.zeros(train.shape))
    train_us, train_u_us, _, _ = _read_chosen(traces, candidates, behind, settings, crowded)
    chain = np.concatenate([choice.candidate, behind.candidate], axis=1)
    covariance_us2 = np.zeros((*chain.shape, chain.shape[1]))
    if crowded is not None:
        covariance_us2 = covariance_of(chain, crowded, traces.step_us)
    # The train ends where a repeat cannot be read.
    gone = np.logical_or.accumulate(~np.isfinite(train_us), axis=1)
    train_us[gone] = np.nan
    lay_train(delay_us, delay_u_us, close, train_us, train_u_us, covariance_us2)


def read_reference_path(
    block: Recording,
    method: str,
    target: Target,
    settings: Settings,
    pulse: Pulse,
    marks: ScanMarks = _NO_MARKS,
    path: SittingPath | None = None,
) -> TraceReading:
    """What the fused walk reads, step by step.

    Parameters
    ----------
    block : Recording
        In memory, of one state.
    method : str
    target : Target
    settings : Settings
    pulse : Pulse
        Template of the matched filter.
    marks : ScanMarks
        What a person set; then the block holds that one scan.
    path : SittingPath, optional
        As for :func:`view_block`.

    Returns
    -------
    TraceReading

    Raises
    ------
    ParameterError
        As :func:`view_block`.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.plain import read_reference_path
    >>> from echotrace.chain.template import template_pulse
    >>> eye, settings = et.eye_target("phakic"), et.Settings()
    >>> pulse = template_pulse(recording, settings)
    >>> read_reference_path(recording, "immersion", eye, settings, pulse).margin.shape
    (6, 6)
    """
    view = view_block(block, method, target, settings, pulse, marks, path)
    return TraceReading(
        delay_us=view.delay_us,
        delay_u_us=view.delay_u_us,
        margin=view.choice.margin,
        candidates=view.candidates,
        echo_features=echo_features(view.traces, view.delay_us, target, method=method),
        close=view.close,
    )


def view_trace(
    recording: Recording,
    trace: int,
    settings: Settings | None = None,
    *,
    target: Target | None = None,
    decisions: Decisions | None = None,
    result: Measurement | None = None,
) -> TraceView:
    """What the chain saw of one trace: signals, gates, candidates, choice and picks.

    Parameters
    ----------
    recording : Recording
    trace : int
        Number of the trace.
    settings, target, decisions
        As for :func:`measure`.
    result : Measurement, optional
        Of the recording: a scan that was corrected by its sitting is then seen as it was measured,
        otherwise as by itself.

    Returns
    -------
    TraceView
        Of one trace.

    Raises
    ------
    ParameterError
        No such trace, or one of an eye filled with gas; settings that do not fit the recording.
    MissingDetailError
        As :func:`~echotrace.chain.measure.measure`.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.plain import view_trace
    >>> view = view_trace(recording, 2)
    >>> view.target.interface_names[0], view.traces.envelope.shape[0]
    ('cornea_front', 1)
    """
    if not 0 <= trace < recording.n_traces:
        raise ParameterError(
            f"trace={trace}: the recording has traces 0 to {recording.n_traces - 1}"
        )
    settings = settings or Settings()
    one = recording.select(slice(trace, trace + 1))
    one = without_offset(one, baseline_offset(recording))
    ((state, found),) = targets_of(one, target).items()
    if found is None:
        raise ParameterError(f"trace={trace}: the vitreous cavity holds gas; nothing to look at")
    marks = _NO_MARKS if decisions is None else decisions.of_scan(trace)
    pulse, path = template_pulse(recording, settings), None
    if result is not None and result.corrected(trace):
        columns = [result.interfaces.index(name) for name in found.interface_names]
        path = SittingPath.as_measured(result.delay_us[trace, columns])
    return view_block(one, state[0], found, settings, pulse, marks, path)
