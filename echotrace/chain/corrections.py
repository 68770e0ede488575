"""Scans corrected by their sitting: the eye is the same in all of them.

A scan whose picks disagree with those of the other scans is chosen anew in their light
(:mod:`echotrace.signal.sitting_choice`) and judged anew. It carries a finding with both lengths.
Each sitting is looked at whole, in whichever blocks its scans lie, so results do not depend on
blocks; and each scan is held against what the others chose by themselves, so not on their order.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.block import Prepared, measure_block
from echotrace.chain.offset import without_offset
from echotrace.chain.plain import view_block
from echotrace.chain.states import State, gates_for, state_of
from echotrace.measurement import ARRAYS, BY_HAND, Measurement
from echotrace.quality.finding_list import FINDINGS
from echotrace.recording import Method, Recording
from echotrace.signal.agreement_of_scans import (
    AGREE_SPREADS,
    MOST_SCANS,
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
    if prepared.settings.picking.choice != "jointly" or not prepared.sittings.start.size:
        return result
    stop = first + result.n_traces
    corrected: dict[int, Measurement] = {}
    sittings = prepared.sittings.touching(first, stop, MOST_SCANS)
    read = _Read(recording, prepared, result, first, sittings)
    for state, target, rows in _alike(recording, prepared, sittings):
        for row, seen in _apart(target, state, rows, read):
            if not first <= row < stop or read.by_hand(row):
                continue
            path = _path(recording, prepared, state, target, row, seen)
            if path is not None:
                one = measure_block(
                    recording.select(slice(row, row + 1)), prepared, first=row, path=path
                )
                corrected[row - first] = _told(
                    one, float(result.axial_length_mm[row - first]), path
                )
    return _with_rows(result, corrected) if corrected else result


class _Read:
    """Picks of all scans of some sittings; those of other blocks are measured here."""

    def __init__(
        self,
        recording: Recording,
        prepared: Prepared,
        result: Measurement,
        first: int,
        sittings: list[NDArray[np.intp]],
    ) -> None:
        self._parts = [(first, result)]
        rows = np.sort(np.concatenate(sittings)) if sittings else np.empty(0, np.intp)
        rows = rows[(rows < first) | (rows >= first + result.n_traces)]
        runs = np.split(rows, np.flatnonzero(np.diff(rows) != 1) + 1) if rows.size else []
        for run in runs:
            part = recording.select(slice(int(run[0]), int(run[-1]) + 1))
            self._parts.append((int(run[0]), measure_block(part, prepared, first=int(run[0]))))
        self._interfaces = prepared.interfaces
        self._starts = np.array([start for start, _ in self._parts])
        self._order = np.argsort(self._starts)

    def _find(self, row: int) -> tuple[Measurement, int]:
        at = np.searchsorted(self._starts[self._order], row, side="right") - 1
        start, part = self._parts[self._order[at]]
        return part, row - start

    def delays(self, rows: NDArray[np.intp], target: Target) -> Float64:
        """Picks of some scans, µs, in the target's interfaces."""
        columns = [self._interfaces.index(name) for name in target.interface_names]
        start, part = self._parts[0]
        inside = (rows >= start) & (rows < start + part.n_traces)
        found = part.delay_us[np.where(inside, rows - start, 0)][..., columns]
        for at in np.argwhere(~inside):
            other, k = self._find(int(rows[tuple(at)]))
            found[tuple(at)] = other.delay_us[k, columns]
        return found

    def by_hand(self, row: int) -> bool:
        """Whether a person set something in a scan."""
        part, k = self._find(row)
        return bool((part.by_hand[k] != BY_HAND.index("no")).any())


def _alike(
    recording: Recording, prepared: Prepared, sittings: list[NDArray[np.intp]]
) -> Iterator[tuple[State, Target, NDArray[np.intp]]]:
    """Sittings of one state and of as many scans, (n_sittings, n_scans)."""
    groups: dict[tuple[State, int], list[NDArray[np.intp]]] = {}
    for rows in sittings:
        groups.setdefault((state_of(recording, int(rows[0])), rows.size), []).append(rows)
    for (state, _), members in groups.items():
        target = prepared.targets[state]
        if target is not None and target.anatomy:
            yield state, target, np.array(members)


def _apart(
    target: Target, state: State, rows: NDArray[np.intp], read: _Read
) -> Iterator[tuple[int, EyeSeen]]:
    """Scans that disagree with most of the others, and what these say."""
    us_per_mm = np.array([two_way_us(1.0, s.medium.speed_m_per_s) for s in target.segments])
    length_mm = np.diff(read.delays(rows, target), axis=-1) / us_per_mm
    spread_mm = expected_spread_mm(target, pressed=state[0] == Method.CONTACT)
    found = agreement_of(length_mm, spread_mm)
    # More than half of all scans: no two groups can be that.
    most = 2 * found.agreeing > rows.shape[1]
    centre_mm = np.where(most, found.centre_mm, np.nan)
    with np.errstate(invalid="ignore"):
        agrees = np.abs(length_mm - centre_mm) <= AGREE_SPREADS * spread_mm
    for sitting, scan in np.argwhere((most & ~agrees).any(axis=2)).tolist():
        seen = EyeSeen(centre_mm[sitting, scan] * us_per_mm, spread_mm * us_per_mm)
        yield int(rows[sitting, scan]), seen


def _path(
    recording: Recording,
    prepared: Prepared,
    state: State,
    target: Target,
    row: int,
    seen: EyeSeen,
) -> SittingPath | None:
    """The path that the sitting proposes for one scan."""
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
    return path_of_the_sitting(candidates, plan, seen)


def _told(one: Measurement, alone_mm: float, path: SittingPath) -> Measurement:
    """A corrected scan that says so, with both lengths."""
    bit = np.uint64(1) << np.uint64(list(FINDINGS).index("corrected_by_sitting"))
    features = {
        "alone_length_mm": alone_mm,
        "sitting_length_mm": float(one.axial_length_mm[0]),
        "sitting_lead_nats": path.lead_nats,
    }
    return dataclasses.replace(
        one,
        findings=one.findings | bit,
        features={**one.features, **{k: np.float32([v]) for k, v in features.items()}},
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
