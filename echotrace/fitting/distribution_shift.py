"""What holds elsewhere: receivers, probes and eyes that the score was not fitted to.

``python -m echotrace.fitting.distribution_shift`` draws sittings, changes one thing for each row of
the table, measures, and prints what was accepted, what of that was wrong, and how many of the
stated intervals held the eye. Ten minutes for 40 sittings a row.
"""

from __future__ import annotations

import argparse
import functools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from echotrace.chain.measure import measure
from echotrace.errors import EchotraceError
from echotrace.fitting.sitting_draws import DrawnSitting, draw_sitting
from echotrace.quality.finding_list import FINDINGS, Severity
from echotrace.recording import Recording
from echotrace.recording.labels import Signal
from echotrace.sittings.sitting import summarise

__all__ = ["ROWS", "Row", "RowResult", "main", "measure_row", "shift_table"]

_WRONG_MM = 0.1
_WARNING = np.uint64(
    sum(1 << k for k, item in enumerate(FINDINGS.values()) if item.severity is not Severity.NOTE)
)

Change = Callable[[Recording], Recording]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row: what is changed.

    Attributes
    ----------
    name : str
    changes : mapping of str to mapping
        Keys of the scenario.
    change : callable, optional
        What is done to the recording afterwards.
    longer : float
        By what all speeds of the eye are higher, and so its length for the same delays.
    cannot_tell : str
        Why no trace can show it, where that is so.

    Examples
    --------
    >>> ROWS[0].name
    'as fitted'
    """

    name: str
    changes: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    change: Change | None = None
    longer: float = 1.0
    cannot_tell: str = ""


def _untold(recording: Recording) -> Recording:
    return replace(recording, receiver=None)


def _envelope(recording: Recording) -> Recording:
    import scipy

    made = np.abs(scipy.signal.hilbert(np.asarray(recording.samples, np.float64), axis=1))
    return replace(
        recording, samples=made.astype(np.float32), signal=Signal.ENVELOPE, receiver=None
    )


def _log_envelope(recording: Recording) -> Recording:
    made = np.asarray(_envelope(recording).samples, np.float64)
    shown = 20.0 * np.log10(np.maximum(made, 1e-3))
    return replace(_envelope(recording), samples=(shown - shown.min()).astype(np.float32))


def _slower(recording: Recording, *, by: int) -> Recording:
    """A recorder of a lower rate, with its filter against what lies above half of it."""
    import scipy

    made = scipy.signal.resample_poly(np.asarray(recording.samples, np.float64), 1, by, axis=1)
    return replace(
        recording,
        samples=np.round(made).astype(recording.samples.dtype),
        sampling_rate_hz=recording.sampling_rate_hz / by,
    )


_FAST = {"receiver": {"sampling_rate_mhz": 100.0}}


def _cut(recording: Recording) -> Recording:
    truth = recording.truth
    assert truth is not None
    last_us = float(np.nanmax(truth.delay_us[:, truth.interfaces.index("retina")])) + 0.8
    stop = int(last_us * recording.sampling_rate_hz * 1e-6)
    return replace(recording, samples=np.asarray(recording.samples)[:, :stop])


_NO_ECHO_TELLS = "a speed is in no echo: the shared uncertainty is all there is to say of it"

ROWS: tuple[Row, ...] = (
    Row(name="as fitted"),
    Row(name="8 bits", changes={"receiver": {"bits": 8}}),
    Row(name="6 bits", changes={"receiver": {"bits": 6}}),
    Row(
        name="time gain of 50 dB, untold",
        changes={"receiver": {"tgc_delay_us": [5.0, 55.0], "tgc_gain_db": [0.0, 50.0]}},
        change=_untold,
    ),
    Row(name="sampled at 25 MHz", changes=_FAST, change=functools.partial(_slower, by=4)),
    Row(name="sampled at 50 MHz", changes=_FAST, change=functools.partial(_slower, by=2)),
    Row(name="probe of 6 MHz", changes={"probe": {"centre_frequency_mhz": 6.0}}),
    Row(name="probe of 15 MHz", changes={"probe": {"centre_frequency_mhz": 15.0}, **_FAST}),
    Row(name="band of 0.3", changes={"probe": {"fractional_bandwidth": 0.3}}),
    Row(name="aperture of 2.5 mm", changes={"probe": {"aperture_mm": 2.5}}),
    Row(name="envelope only", change=_envelope),
    Row(name="envelope in decibels", change=_log_envelope),
    Row(name="cut 0.8 µs behind the retina", change=_cut),
    Row(name="speeds of the eye 1 % higher", longer=1.01, cannot_tell=_NO_ECHO_TELLS),
    *(
        Row(
            name=f"gel of {gel_mm:g} mm",
            changes={
                "method": {"kind": "contact", "couplant_mm": gel_mm},
                "artefacts": {"couplant": 1.0},
            },
        )
        for gel_mm in (0.2, 0.5, 1.0)
    ),
    Row(
        name="long, loud ring-down",
        changes={"receiver": {"ring_down_db": 6.0, "ring_down_us": 0.5}},
    ),
    Row(name="next to no ring-down", changes={"receiver": {"ring_down_db": -60.0}}),
)
"""The rows of the table."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RowResult:
    """What came of one row.

    Attributes
    ----------
    row : Row
    scans, refused : int
        Scans drawn, and those of recordings that were refused whole.
    accepted, wrong, silent : int
        Accepted scans; of these wrong by more than 0.1 mm, pressing and speeds apart; of these
        without any warning.
    intervals, held : dict of str to int
        By method: stated intervals, and those that held the eye's length.

    Examples
    --------
    >>> measure_row(ROWS[0], 3, 1).scans
    5
    """

    row: Row
    scans: int
    refused: int
    accepted: int
    wrong: int
    silent: int
    intervals: dict[str, int]
    held: dict[str, int]


def measure_row(row: Row, seed: int, sittings: int) -> RowResult:
    """Draw the sittings of one row and measure them.

    Parameters
    ----------
    row : Row
    seed : int
    sittings : int

    Returns
    -------
    RowResult

    Examples
    --------
    >>> measure_row(ROWS[0], 3, 1).refused
    0
    """
    count = dict.fromkeys(("scans", "refused", "accepted", "wrong", "silent"), 0)
    intervals, held = {"contact": 0, "immersion": 0}, {"contact": 0, "immersion": 0}
    for number in range(sittings):
        changes = {key: dict(values) for key, values in row.changes.items()}
        drawn = draw_sitting(seed, number, changes=changes)
        recording = drawn.recording
        count["scans"] += drawn.scans
        try:
            if row.change is not None:
                recording = row.change(recording)
            result = measure(recording)
        except EchotraceError:
            count["refused"] += drawn.scans
            continue
        wrong = _wrong(drawn, recording, result.axial_length_mm, row.longer)
        wrong &= result.accepted
        count["accepted"] += int(result.accepted.sum())
        count["wrong"] += int(wrong.sum())
        count["silent"] += int((wrong & ((result.findings & _WARNING) == 0)).sum())
        (one,) = summarise(result)
        low, high = one.stated_interval_mm
        if np.isfinite(low):
            intervals[drawn.method] += 1
            held[drawn.method] += low <= drawn.length_mm * row.longer <= high
    return RowResult(row=row, intervals=intervals, held=held, **count)


def _wrong(
    drawn: DrawnSitting, recording: Recording, length_mm: np.ndarray, longer: float
) -> np.ndarray:
    assert recording.truth is not None
    pressed = recording.truth.columns["compression_mm"]
    right = drawn.read_mm * longer
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(length_mm - (right - pressed)) > _WRONG_MM)


def shift_table(results: Sequence[RowResult]) -> str:
    """The table as text.

    Parameters
    ----------
    results : sequence of RowResult

    Returns
    -------
    str
        Markdown.

    Examples
    --------
    >>> shift_table([measure_row(ROWS[0], 3, 1)]).splitlines()[0][:30]
    '| changed | scans | refused | '
    """

    def held(item: RowResult, method: str) -> str:
        n = item.intervals[method]
        return f"{item.held[method]} of {n}" if n else "–"

    lines = [
        "| changed | scans | refused | accepted | accepted and wrong | … without a warning "
        "| interval holds the eye, contact | immersion |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for item in results:
        why = f" ({item.row.cannot_tell})" if item.row.cannot_tell else ""
        lines.append(
            f"| {item.row.name}{why} | {item.scans} | {item.refused} | {item.accepted} "
            f"| {item.wrong} | {item.silent} | {held(item, 'contact')} "
            f"| {held(item, 'immersion')} |"
        )
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    """Print what holds where receivers, probes and eyes are others than the score was fitted to.

    Parameters
    ----------
    arguments : list of str, optional
        Those of the process where it is None.

    Returns
    -------
    int
        0.

    Examples
    --------
    >>> main(["--sittings", "1", "--seed", "3"])  # doctest: +SKIP
    """
    from tqdm import tqdm

    parser = argparse.ArgumentParser(
        description=main.__doc__, prog="python -m echotrace.fitting.distribution_shift"
    )
    parser.add_argument("--sittings", type=int, default=40, help="of each row (default 40)")
    parser.add_argument("--seed", type=int, default=7001, help="of the draws (default 7001)")
    given = parser.parse_args(arguments)
    results = [
        measure_row(row, given.seed, given.sittings) for row in tqdm(ROWS, unit="row", disable=None)
    ]
    print(shift_table(results))  # noqa: T201
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
