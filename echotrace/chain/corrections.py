"""Scans in the light of their sitting: the eye is the same in all of them.

A scan whose picks disagree with those of the other scans is chosen anew in their light
(:mod:`echotrace.signal.sitting_choice`) and judged anew. It carries a finding with both lengths.
Then every scan is judged a second time, with what the others say
(:mod:`echotrace.chain.sitting_judgement`). Each sitting is looked at whole, in whichever blocks its
scans lie, so results do not depend on blocks; and each scan is held against what the others chose
by themselves, so not on their order.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.block import Prepared, measure_block
from echotrace.chain.offset import without_offset
from echotrace.chain.plain import view_block
from echotrace.chain.sitting_judgement import judged_in_sittings, warned_of_fluid
from echotrace.chain.states import State, gates_for, state_of
from echotrace.measurement import ARRAYS, BY_HAND, Measurement
from echotrace.quality.findings import bits_of
from echotrace.quality.sitting_evidence import (
    SITTING_FEATURES,
    sitting_features,
    steady_segments,
    votes_beside,
)
from echotrace.recording import Method, Recording
from echotrace.signal.agreement_of_scans import (
    AGREE_SPREADS,
    MOST_SCANS,
    ScanAgreement,
    agreement_of,
    expected_spread_mm,
)
from echotrace.signal.candidates import Candidates
from echotrace.signal.choice_plan import choice_plan
from echotrace.signal.gates import two_way_us
from echotrace.signal.sitting_choice import EyeSeen, SittingPath, path_of_the_sitting
from echotrace.target import Target

__all__ = ["correct_by_sittings"]

Float64 = NDArray[np.float64]

# What lies between two sittings of one eye, and between a person's two eyes, beside what lies
# between two scans, mm: 24 % of 1,379 patients differ by 0.3 mm and more (J Cataract Refract Surg
# 2008); alignment leaves 0.03.
_SAME_EYE_MM, _OTHER_EYE_MM = 0.03, 0.18
# Other sittings of a person that are looked at.
_MOST_BESIDE = 8


def correct_by_sittings(
    recording: Recording, prepared: Prepared, result: Measurement, *, first: int = 0
) -> Measurement:
    """Correct the scans of a block in the light of their sittings.

    Scans in which a person set a gate or a pick stay as they are, and so do sittings of fewer than
    three scans and of more than :data:`~echotrace.signal.agreement_of_scans.MOST_SCANS`.

    Parameters
    ----------
    recording : Recording
        The whole, for scans of these sittings may lie in other blocks.
    prepared : Prepared
    result : Measurement
        Of the block.
    first : int
        Trace of the recording that the block begins with.

    Returns
    -------
    Measurement
        With the finding ``corrected_by_sitting`` and its features where a scan was corrected.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.block import measure_block, prepare
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> prepared = prepare(recording)
    >>> alone = measure_block(recording, prepared)
    >>> correct_by_sittings(recording, prepared, alone).axial_length_mm.round(2).tolist()
    [23.4, 23.4, 23.43, 23.4, 23.4, 23.4]
    """
    if not prepared.sittings.start.size:
        return result
    # A scan is chosen anew only as a whole; judged in its sitting it is by any choice.
    jointly = prepared.settings.picking.choice == "jointly"
    stop = first + result.n_traces
    corrected: dict[int, Measurement] = {}
    sittings = prepared.sittings.alike(first, stop, MOST_SCANS)
    read = _Read(recording, prepared, result, first)
    by_hand = (result.by_hand != BY_HAND.index("no")).any(axis=1)
    groups = list(_alike(recording, prepared, sittings, read))
    for group in groups if jointly else []:
        for row, seen in _apart(group):
            if not first <= row < stop or by_hand[row - first]:
                continue
            beside = _beside(recording, prepared, group.target, row, read)
            path = _path(recording, prepared, group, row, seen, beside)
            if path is not None:
                one = measure_block(
                    recording.select(slice(row, row + 1)), prepared, first=row, path=path
                )
                corrected[row - first] = _told(
                    one, float(result.axial_length_mm[row - first]), path
                )
    if corrected:
        result = _with_rows(result, corrected)
    if not groups:
        return result
    fluid = [_fluid(group, prepared, read) for group in groups]
    result = _warned(result, groups, [said_us for _, said_us in fluid], first)
    seen_by = {name: np.full(result.n_traces, np.nan, np.float32) for name in SITTING_FEATURES}
    length_apart_mm = np.full(result.n_traces, np.nan)
    for group, (may_hold_fluid, said_us) in zip(groups, fluid, strict=True):
        inside = (group.rows >= first) & (group.rows < stop)
        here = group.rows[inside] - first
        now_us = result.delay_us[here]
        now_mm = _but_for(group.own_mm, inside, _segments_mm(group.target, prepared, now_us))
        contact = group.state[0] == Method.CONTACT
        pressed_mm = None
        if contact:
            own_mm = read.pressed_mm(group.rows, group.target)
            now_pressed_mm = _pressed_mm(group.target, prepared, now_us)
            pressed_mm = _but_for(own_mm, inside, now_pressed_mm), own_mm
        steady = steady_segments(group.target, pressed=contact)
        found = sitting_features(
            now_mm,
            group.own_mm,
            group.spread_mm,
            steady=steady,
            seen=group.seen,
            pressed_mm=pressed_mm,
        )
        nats = read.feature("length_right_nats", group.rows)
        if contact and steady.any():
            now_sum_mm, own_sum_mm = (x[..., steady].sum(axis=2) for x in (now_mm, group.own_mm))
            # Gel in one scan is likely in all: one that may hold some vouches for none.
            silent = may_hold_fluid | ~np.isnan(said_us)
            found |= votes_beside(
                now_sum_mm, own_sum_mm, nats, pressed_mm=pressed_mm, silent=silent
            )
        else:
            # Without a lens nothing lies behind what pressing changes, and no chamber tells of gel:
            # its scans go on being held to the level of a sitting.
            own_mm = read.length_mm(group.rows)
            whole_mm = _but_for(own_mm, inside, result.axial_length_mm[here])
            found |= votes_beside(whole_mm, own_mm, nats)
        for name, values in found.items():
            seen_by[name][here] = values[inside]
        part = group.target.length_slice
        apart_mm = np.nansum((now_mm - group.seen.centre_mm)[..., part], axis=2)
        length_apart_mm[here] = np.abs(apart_mm[inside])
    return judged_in_sittings(
        result, seen_by, prepared.settings.quality, length_apart_mm=length_apart_mm
    )


def _but_for(own: Float64, inside: NDArray[np.bool_], now: Float64) -> Float64:
    """What scans have by their own choice, but for those of the block as they are judged."""
    values = own.copy()
    values[inside] = now
    return values


def _warned(
    result: Measurement, groups: list[_Alike], said: list[NDArray[np.float32]], first: int
) -> Measurement:
    """With the warning of fluid that other scans of the sitting do not exclude."""
    unseen_us, findings = result.features["fluid_unseen_us"].copy(), result.findings.copy()
    bit = bits_of(["fluid_not_excluded"])
    for group, said_us in zip(groups, said, strict=True):
        rows = group.rows[~np.isnan(said_us)] - first
        inside = (rows >= 0) & (rows < result.n_traces)
        unseen_us[rows[inside]] = said_us[~np.isnan(said_us)][inside]
        findings[rows[inside]] |= bit
    return dataclasses.replace(
        result, features={**result.features, "fluid_unseen_us": unseen_us}, findings=findings
    )


def _fluid(
    group: _Alike, prepared: Prepared, read: _Read
) -> tuple[NDArray[np.bool_], NDArray[np.float32]]:
    """Scans in contact that show fluid or do not exclude it; what others say of the rest, µs."""
    if group.state[0] != Method.CONTACT:
        return np.zeros(group.rows.shape, np.bool_), np.full(group.rows.shape, np.nan, np.float32)
    limits = prepared.settings.quality
    cornea, us_per_mm = group.target.segments[0], _us_per_mm(group.target)[0]
    unseen_us, gap_us = (
        read.feature(name, group.rows) for name in ("fluid_unseen_us", "fluid_gap_us")
    )
    said_us = warned_of_fluid(
        unseen_us,
        gap_us,
        cornea_us=(cornea.mean_mm * us_per_mm, cornea.sd_mm * us_per_mm),
        limits=limits,
    )
    alone = (unseen_us > limits.max_fluid_unseen_us) | (gap_us > limits.max_fluid_gap_us)
    return alone, said_us


@dataclass(frozen=True, slots=True, eq=False)
class _Alike:
    """Sittings of one state and of as many scans: rows, segments by their own choice, agreement."""

    state: State
    target: Target
    rows: NDArray[np.intp]
    own_mm: Float64
    spread_mm: Float64
    seen: ScanAgreement


def _segments_mm(target: Target, prepared: Prepared, delay_us: Float64) -> Float64:
    """Segments between picks that are there, mm; of interfaces as the results have them."""
    columns = [prepared.interfaces.index(name) for name in target.interface_names]
    return np.asarray(np.diff(delay_us[..., columns], axis=-1) / _us_per_mm(target))


def _pressed_mm(target: Target, prepared: Prepared, delay_us: Float64) -> Float64:
    """From the probe's face to the first interface that pressing leaves alone, mm.

    As if all of it were chamber: whether the cornea's back was found cannot matter.
    """
    first = target.length_slice.start
    at, to = (prepared.interfaces.index(target.interface_names[k]) for k in (first, first + 2))
    return np.asarray((delay_us[..., to] - delay_us[..., at]) / _us_per_mm(target)[first + 1])


class _Read:
    """Picks of the scans of a recording; those outside the block are measured when asked for."""

    def __init__(
        self, recording: Recording, prepared: Prepared, result: Measurement, first: int
    ) -> None:
        self._recording, self._prepared = recording, prepared
        self._result, self._first = result, first
        self._outside: dict[int, tuple[Measurement, int]] = {}

    def _inside(self, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
        return (rows >= self._first) & (rows < self._first + self._result.n_traces)

    def _measure(self, rows: NDArray[np.intp]) -> None:
        """Measure scans of other blocks that were not asked for yet, in runs."""
        new = np.array(sorted({int(row) for row in rows} - set(self._outside)), np.intp)
        for run in np.split(new, np.flatnonzero(np.diff(new) != 1) + 1):
            if run.size:
                first = int(run[0])
                block = self._recording.select(slice(first, first + run.size))
                part = measure_block(block, self._prepared, first=first)
                self._outside |= {first + k: (part, k) for k in range(run.size)}

    def _values(self, rows: NDArray[np.intp], of: Callable[[Measurement], Any]) -> Any:
        """One array of the measurement, for some scans."""
        inside = self._inside(rows)
        found = of(self._result)[np.where(inside, rows - self._first, 0)]
        if not inside.all():
            self._measure(rows[~inside])
            parts = [self._outside[int(row)] for row in rows[~inside]]
            found[~inside] = [of(part)[k] for part, k in parts]
        return found

    def feature(self, name: str, rows: NDArray[np.intp]) -> NDArray[np.float32]:
        """A feature of some scans, by each alone."""
        found: NDArray[np.float32] = self._values(rows, lambda part: part.features[name])
        return found

    def _delay_us(self, rows: NDArray[np.intp]) -> Float64:
        return np.asarray(self._values(rows, lambda part: part.delay_us))

    def length_mm(self, rows: NDArray[np.intp]) -> Float64:
        """Length of some scans by their own choice, mm."""
        return np.asarray(self._values(rows, lambda part: part.axial_length_mm))

    def segments_mm(self, rows: NDArray[np.intp], target: Target) -> Float64:
        """Segments of some scans by their own choice, mm."""
        return _segments_mm(target, self._prepared, self._delay_us(rows))

    def pressed_mm(self, rows: NDArray[np.intp], target: Target) -> Float64:
        """What pressing changes, of some scans by their own choice, mm."""
        return _pressed_mm(target, self._prepared, self._delay_us(rows))


def _alike(
    recording: Recording, prepared: Prepared, sittings: list[NDArray[np.intp]], read: _Read
) -> Iterator[_Alike]:
    """Sittings of eyes, those of one state and of as many scans together."""
    for rows in sittings:
        state = state_of(recording, int(rows[0, 0]))
        target = prepared.targets[state]
        if target is not None and target.anatomy:
            spread_mm = expected_spread_mm(target, pressed=state[0] == Method.CONTACT)
            own_mm = read.segments_mm(rows, target)
            seen = agreement_of(own_mm, spread_mm)
            yield _Alike(state, target, rows, own_mm, spread_mm, seen)


def _apart(group: _Alike) -> Iterator[tuple[int, EyeSeen]]:
    """Scans that disagree with most of their sitting, and what the others say."""
    us_per_mm = _us_per_mm(group.target)
    found = group.seen
    # More than half of all scans: no two groups can be that.
    most = 2 * found.agreeing > group.rows.shape[1]
    centre_mm = np.where(most, found.centre_mm, np.nan)
    with np.errstate(invalid="ignore"):
        agrees = np.abs(group.own_mm - centre_mm) <= AGREE_SPREADS * group.spread_mm
    for sitting, scan in np.argwhere((most & ~agrees).any(axis=2)).tolist():
        seen = EyeSeen(centre_mm[sitting, scan] * us_per_mm, group.spread_mm * us_per_mm)
        yield int(group.rows[sitting, scan]), seen


def _us_per_mm(target: Target) -> Float64:
    return np.array([two_way_us(1.0, s.medium.speed_m_per_s) for s in target.segments])


def _path(
    recording: Recording,
    prepared: Prepared,
    group: _Alike,
    row: int,
    seen: EyeSeen,
    beside: Sequence[EyeSeen],
) -> SittingPath | None:
    """The path that the sitting proposes for one scan."""
    state, target = group.state, group.target
    block = without_offset(recording.select(slice(row, row + 1)), prepared.offset)
    reader = prepared.readers.get(state)
    candidates: Candidates
    if reader is not None:
        plan, candidates = reader.chooser, reader.read(block).candidates
    else:
        settings = prepared.settings
        candidates = view_block(block, state[0], target, settings, prepared.pulse).candidates
        plan = choice_plan(
            gates_for(target, state[0], settings),
            target,
            jointly=True,
            first_us=block.probe.face_delay_us if state[0] == Method.CONTACT else np.nan,
            settings=settings.joint_choice,
            threshold_db=settings.picking.search_threshold_db,
        )
    return path_of_the_sitting(candidates, plan, seen, beside=beside)


def _beside(
    recording: Recording, prepared: Prepared, target: Target, row: int, read: _Read
) -> list[EyeSeen]:
    """What other sittings of the person say: by another method or person, or of the other eye."""
    found = []
    us_per_mm = _us_per_mm(target)
    for rows in prepared.sittings.beside(row)[:_MOST_BESIDE]:
        if not 2 <= rows.size <= MOST_SCANS:
            continue
        length_mm = read.segments_mm(rows[None], target)
        same = recording.eye[row] == recording.eye[int(rows[0])]
        pressed = Method.CONTACT in (recording.method[row], recording.method[int(rows[0])])
        spread_mm = expected_spread_mm(target, pressed=pressed)
        # One scan more that nothing is known of, so that all others are held against it.
        blank = np.full((1, 1, length_mm.shape[-1]), np.nan)
        others = agreement_of(np.concatenate([blank, length_mm], axis=1), spread_mm)
        most = 2 * others.agreeing[0, 0] > rows.size
        centre_mm = np.where(most, others.centre_mm[0, 0], np.nan)
        spread_mm = np.hypot(spread_mm, _SAME_EYE_MM if same else _OTHER_EYE_MM)
        found.append(EyeSeen(centre_mm * us_per_mm, spread_mm * us_per_mm))
    return found


def _told(one: Measurement, alone_mm: float, path: SittingPath) -> Measurement:
    """A corrected scan that says so, with both lengths."""
    bit = bits_of(["corrected_by_sitting"])
    features = {
        "alone_length_mm": alone_mm,
        "sitting_length_mm": float(one.axial_length_mm[0]),
        "sitting_lead_nats": path.lead_nats,
    }
    return dataclasses.replace(
        one,
        findings=one.findings | bit,
        features={**one.features, **{k: np.array([v], np.float32) for k, v in features.items()}},
    )


def _with_rows(result: Measurement, ones: dict[int, Measurement]) -> Measurement:
    """The measurement with some of its scans replaced."""
    changes: dict[str, Any] = {name: getattr(result, name).copy() for name in ARRAYS}
    names = dict.fromkeys([*result.features, *(f for one in ones.values() for f in one.features)])
    missing = np.full(result.n_traces, np.nan, np.float32)
    features = {name: result.features.get(name, missing).copy() for name in names}
    for row, one in ones.items():
        for name in ARRAYS:
            changes[name][row] = getattr(one, name)[0]
        for name, values in features.items():
            values[row] = one.features[name][0] if name in one.features else np.nan
    return dataclasses.replace(result, features=features, **changes)
