"""More than fits in memory or on one machine: streaming to a file, and studies of many files.

The work is always done by :func:`echotrace.chain.block.measure_block` on the same blocks of
traces, so the numbers do not depend on how they are spread over threads, processes or like
machines.
"""

from __future__ import annotations

import json
import math
import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import lru_cache, partial
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

import echotrace
from echotrace.chain.block import Prepared, prepare
from echotrace.chain.measure import measure_blocks
from echotrace.errors import ParameterError
from echotrace.files.atomic import LEFT_BEHIND, checked_target, save_text, writing
from echotrace.files.native import MeasurementWriter, read_recording
from echotrace.files.parts import read_part, write_part
from echotrace.measurement import Measurement, concatenate
from echotrace.recording import COLUMNS, Recording, distinct_rows
from echotrace.settings import Settings
from echotrace.target import Target

__all__ = [
    "GroupSummary",
    "ManySummary",
    "Moments",
    "measure_many",
    "measure_to_file",
    "parts_folder",
]


@dataclass(frozen=True, slots=True)
class Moments:
    """Number, mean and sum of squared deviations of some values; two can be merged.

    Attributes
    ----------
    n : int
    mean : float
        NaN where there are none.
    squares : float
        Sum of the squared deviations from the mean.
    least, largest : float

    Notes
    -----
    Merged by the pairwise update of Chan TF, Golub GH, LeVeque RJ 1983, Am Stat 37:242, which
    loses nothing to cancellation.
    """

    n: int = 0
    mean: float = math.nan
    squares: float = 0.0
    least: float = math.inf
    largest: float = -math.inf

    @classmethod
    def of(cls, values: NDArray[np.float64]) -> Moments:
        """Moments of the values that are not NaN."""
        values = values[~np.isnan(values)]
        if not values.size:
            return cls()
        mean = float(values.mean())
        return cls(
            int(values.size),
            mean,
            float(np.sum((values - mean) ** 2)),
            float(values.min()),
            float(values.max()),
        )

    def merge(self, other: Moments) -> Moments:
        """Moments of both sets of values together."""
        if not (self.n and other.n):
            return self if self.n else other
        n = self.n + other.n
        step = other.mean - self.mean
        return Moments(
            n,
            self.mean + step * other.n / n,
            self.squares + other.squares + step * step * self.n * other.n / n,
            min(self.least, other.least),
            max(self.largest, other.largest),
        )

    @property
    def sd(self) -> float:
        """Standard deviation, n - 1 in the denominator; NaN for fewer than two values."""
        return math.sqrt(self.squares / (self.n - 1)) if self.n > 1 else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupSummary:
    """What the traces of one group say.

    Attributes
    ----------
    n, n_accepted : int
    length_mm : Moments
        Of the accepted total lengths.
    segment_mm : mapping of str to Moments
        Of the segments of accepted traces.
    findings : mapping of str to int
        Number of traces that carry each finding.
    """

    n: int = 0
    n_accepted: int = 0
    length_mm: Moments = field(default_factory=Moments)
    segment_mm: Mapping[str, Moments] = field(default_factory=dict)
    findings: Mapping[str, int] = field(default_factory=dict)

    @classmethod
    def of(cls, part: Measurement, rows: NDArray[np.intp]) -> GroupSummary:
        """Summary of some traces of a measurement."""
        used = rows[part.accepted[rows]]
        bits = part.findings[rows]
        counts = {
            name: int(np.count_nonzero(bits >> np.uint32(k) & np.uint32(1)))
            for k, name in enumerate(part.finding_names)
        }
        return cls(
            n=int(rows.size),
            n_accepted=int(used.size),
            length_mm=Moments.of(part.axial_length_mm[used]),
            segment_mm={
                name: Moments.of(part.length_mm[used, k]) for k, name in enumerate(part.segments)
            },
            findings={name: count for name, count in counts.items() if count},
        )

    def merge(self, other: GroupSummary) -> GroupSummary:
        """Summary of the traces of both."""
        segments = dict(self.segment_mm)
        for name, moments in other.segment_mm.items():
            segments[name] = segments.get(name, Moments()).merge(moments)
        findings = dict(self.findings)
        for name, count in other.findings.items():
            findings[name] = findings.get(name, 0) + count
        return GroupSummary(
            n=self.n + other.n,
            n_accepted=self.n_accepted + other.n_accepted,
            length_mm=self.length_mm.merge(other.length_mm),
            segment_mm=segments,
            findings=findings,
        )

    def to_record(self) -> dict[str, Any]:
        """A flat dictionary, as JSON has it; missing numbers are None."""

        def number(value: float) -> float | None:
            return value if math.isfinite(value) else None

        return {
            "n": self.n,
            "n_accepted": self.n_accepted,
            "mean_mm": number(self.length_mm.mean),
            "sd_mm": number(self.length_mm.sd),
            "least_mm": number(self.length_mm.least),
            "largest_mm": number(self.length_mm.largest),
            "segment_mean_mm": {k: number(v.mean) for k, v in self.segment_mm.items()},
            "findings": dict(self.findings),
        }


Labels = tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ManySummary:
    """Summaries of the traces of one or many recordings, by label.

    Attributes
    ----------
    by : tuple of str
        Label columns that make the groups.
    groups : mapping of tuple of str to GroupSummary
        In order of first appearance.
    """

    by: tuple[str, ...]
    groups: Mapping[Labels, GroupSummary]

    @classmethod
    def of(cls, part: Measurement, by: tuple[str, ...]) -> ManySummary:
        """Summary of a measurement."""
        if not by:
            return cls(by=by, groups={(): GroupSummary.of(part, np.arange(part.n_traces))})
        columns = [getattr(part, name) for name in by]
        first, inverse = distinct_rows(columns)
        return cls(
            by=by,
            groups={
                tuple(column[int(row)] for column in columns): GroupSummary.of(
                    part, np.flatnonzero(inverse == k)
                )
                for k, row in enumerate(first)
            },
        )

    def merge(self, other: ManySummary) -> ManySummary:
        """Summary of both, this one's traces first."""
        groups = dict(self.groups)
        for labels, summary in other.groups.items():
            groups[labels] = groups[labels].merge(summary) if labels in groups else summary
        return ManySummary(by=self.by, groups=MappingProxyType(groups))

    @property
    def total(self) -> GroupSummary:
        """All groups together."""
        whole = GroupSummary()
        for summary in self.groups.values():
            whole = whole.merge(summary)
        return whole

    def to_records(self) -> list[dict[str, Any]]:
        """One dictionary a group: its labels and its summary."""
        return [
            {**dict(zip(self.by, labels, strict=True)), **summary.to_record()}
            for labels, summary in self.groups.items()
        ]


def _check_by(by: Sequence[str]) -> tuple[str, ...]:
    for name in by:
        if name not in COLUMNS:
            raise ParameterError(f"by={name!r}: use label columns, {', '.join(COLUMNS)}")
    return tuple(by)


# Blocks of one task on a cluster: long enough to make the reading of the file's head small.
_TASK_BLOCKS = 8


def measure_many(
    paths: Iterable[str | Path],
    settings: Settings | None = None,
    *,
    target: Target | None = None,
    by: Sequence[str] = ("method",),
    client: Any = None,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> ManySummary:
    """Measure many recordings and summarise them, here or on a cluster.

    Parameters
    ----------
    paths : iterable of str or Path
        Native files. With a client every worker must see them under these names.
    settings, target
        As for :func:`echotrace.measure`.
    by : sequence of str
        Label columns that make the groups.
    client : dask.distributed.Client, optional
        Where the blocks are measured (extra ``dask``); None measures here.
    workers : int, optional
        Threads, without a client; None takes one for each core.
    progress : callable, optional
        Called with (tasks done, tasks in all); a task is some blocks of one file.

    Returns
    -------
    ManySummary

    Notes
    -----
    The tasks and the order in which their summaries are merged depend on the files alone, so one
    thread and a cluster of like machines give the same numbers to the last bit. A task that is
    lost with its worker is done again by the engine.
    """
    settings = settings or Settings()
    labels = _check_by(by)
    tasks: list[tuple[str, int, int]] = []
    for path in paths:
        name = str(Path(path).resolve())
        recording, prepared = _ready(name, settings, target)
        span = prepared.block_traces * _TASK_BLOCKS
        tasks += [
            (name, start, min(start + span, recording.n_traces))
            for start in range(0, recording.n_traces, span)
        ]
    if not tasks:
        raise ParameterError("give at least one recording")
    if client is None:
        results = (_measure_span(task, settings, target, labels, workers=workers) for task in tasks)
    else:
        # The order rides in each task: as a shared argument it would be data of its own, which
        # ties the tasks to the worker that holds it and is lost with that worker.
        span_of = partial(_measure_span, settings=settings, target=target, by=labels, workers=1)
        futures = [client.submit(span_of, task, pure=False) for task in tasks]
        results = (future.result() for future in futures)
    whole = ManySummary(by=labels, groups={})
    for k, summary in enumerate(results):
        whole = whole.merge(summary)
        if progress is not None:
            progress(k + 1, len(tasks))
    return whole


def _ready(path: str, settings: Settings, target: Target | None) -> tuple[Recording, Prepared]:
    """A file's labels and what all of its blocks need: seconds of work for a million traces."""
    try:
        state = Path(path).stat()
    except OSError:
        read_recording(path, lazy=True)  # Says what is wrong.
        raise
    return _ready_once(path, state.st_size, state.st_mtime_ns, settings, target)


@lru_cache(maxsize=2)
def _ready_once(
    path: str, size: int, changed_ns: int, settings: Settings, target: Target | None
) -> tuple[Recording, Prepared]:
    del size, changed_ns  # Another file of the same name is read anew.
    recording = read_recording(path, lazy=True)
    return recording, prepare(recording, settings, target=target)


def _measure_span(
    task: tuple[str, int, int],
    settings: Settings,
    target: Target | None,
    by: tuple[str, ...],
    workers: int | None = 1,
) -> ManySummary:
    """Summary of some blocks of one file."""
    path, start, stop = task
    recording, prepared = _ready(path, settings, target)
    whole = ManySummary(by=by, groups={})
    for part in measure_blocks(recording, prepared, workers=workers, first=start, stop=stop):
        whole = whole.merge(ManySummary.of(part, by))
    return whole


# --- streaming -----------------------------------------------------------------------------

# Traces of one part on the disk: what an interrupted run loses, beside blocks measured ahead, and a
# whole number of the result file's chunks. About 15 MB.
_PART_TRACES = 32_768
_ORDER = "order.json"


def measure_to_file(
    recording: Recording,
    path: str | Path,
    settings: Settings | None = None,
    *,
    target: Target | None = None,
    by: Sequence[str] = ("method",),
    carry_on: bool = False,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> ManySummary:
    """Measure a recording of any length at constant memory, writing results as they come.

    Parameters
    ----------
    recording : Recording
        Read lazily, or memory is no longer constant.
    path : str or Path
        Where the measurement is to appear, when it is complete. Until then finished parts lie in
        a folder beside it, named after it with ``.parts``.
    settings, target
        As for :func:`echotrace.measure`.
    by : sequence of str
        Label columns by which the returned summary is grouped.
    carry_on : bool
        Take up what an interrupted run has left in that folder.
    workers : int, optional
        Threads; None takes one for each core.
    progress : callable, optional
        Called with (traces done, traces in all).

    Returns
    -------
    ManySummary

    Raises
    ------
    ParameterError
        An earlier run was interrupted and it is not said to carry on, or it was of another
        recording, other settings or another version; another run is writing the file; or the file
        is the recording itself.
    FileFormatError
        The file cannot be written, or a part of an interrupted run is damaged.
    """
    labels = _check_by(by)
    path = Path(path)
    _check_path(path, recording)
    prepared = prepare(recording, settings, target=target)
    folder = parts_folder(path)
    summary = ManySummary(by=labels, groups={})
    with _alone(path, folder):
        _take_up(folder, _order_of(recording, prepared, target), carry_on)
        # The file grows in the folder, where the next run deletes what a killed one leaves.
        with MeasurementWriter(path, workplace=folder) as writer:
            for part in _finished(folder):
                writer.append(part)
                summary = summary.merge(ManySummary.of(part, labels))
            for part in _parts(recording, prepared, writer.n_traces, workers, progress):
                if writer.n_traces + part.n_traces < recording.n_traces:
                    write_part(part, folder / f"{writer.n_traces:012d}.part")
                writer.append(part)
                writer.push()
                summary = summary.merge(ManySummary.of(part, labels))
        # The result is complete. Without its order the next run deletes what may stay.
        with suppress(OSError):
            (folder / _ORDER).unlink()
            shutil.rmtree(folder)
    return summary


def _check_path(path: Path, recording: Recording) -> None:
    """Refuse what would fail, or destroy the recording, only after hours of work."""
    checked_target(path)
    source = getattr(recording.samples, "path", None)
    # A file that does not exist yet is not the recording.
    with suppress(OSError):
        if source is not None and path.samefile(source):
            raise ParameterError(f"{path}: would overwrite the recording; choose another name")


def parts_folder(path: str | Path) -> Path:
    """Where :func:`measure_to_file` keeps finished parts until ``path`` is complete."""
    path = Path(path)
    # Beside the file itself: parts and file are of one drive.
    path = path.resolve() if path.is_symlink() else path
    return path.with_name(f"{path.name}.parts")


def _parts(
    recording: Recording,
    prepared: Prepared,
    first: int,
    workers: int | None,
    progress: Callable[[int, int], None] | None,
) -> Iterator[Measurement]:
    """Measured blocks, joined to parts."""
    waiting: list[Measurement] = []
    done = first
    if progress is not None:
        progress(done, recording.n_traces)
    for block in measure_blocks(recording, prepared, workers=workers, first=first):
        waiting.append(block)
        done += block.n_traces
        if progress is not None:
            progress(done, recording.n_traces)
        if sum(item.n_traces for item in waiting) >= _PART_TRACES:
            part, waiting = concatenate(waiting), []
            yield part
            del part
    if waiting:
        yield concatenate(waiting)


def _order_of(recording: Recording, prepared: Prepared, target: Target | None) -> str:
    """What a run was asked for, as text: only the same order can be carried on."""
    order: dict[str, Any] = {
        "version": echotrace.__version__,
        "settings": prepared.settings_json,
        "target": repr(target),
        "shape": list(recording.samples.shape),
        "sampling_rate_hz": recording.sampling_rate_hz,
        "block_traces": prepared.block_traces,
    }
    source = getattr(recording.samples, "path", None)
    if source is not None:
        state = Path(source).stat()
        order |= {"source": str(source), "size": state.st_size, "changed_ns": state.st_mtime_ns}
    return json.dumps(order, indent=1)


@contextmanager
def _alone(path: Path, folder: Path) -> Iterator[None]:
    """Make the folder of parts and keep other runs out of it for as long as the block lasts.

    The system ends the lock with the process, however that ends. Windows and some network drives
    have no such locks; there it is for the user to start one run only.
    """
    with writing(folder):
        folder.mkdir(exist_ok=True)
    try:
        import fcntl
    except ImportError:
        yield
        return
    with writing(folder):
        file = (folder / "run.lock").open("ab")
    with file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            taken = False
        except OSError as error:
            taken = isinstance(error, BlockingIOError)
        # Or the other run has just ended, and deleted the file between the two calls.
        if taken or not os.fstat(file.fileno()).st_nlink:
            raise ParameterError(f"{path}: another run is writing this file; wait until it ends")
        yield


def _take_up(folder: Path, order: str, carry_on: bool) -> None:
    """Leave the order in a new folder of parts, or see that an earlier run had the same."""
    note = folder / _ORDER
    with writing(folder):
        if not note.exists():
            # Left over where the folder of a finished run could not wholly be deleted.
            for file in _part_files(folder):
                file.unlink()
            save_text(note, order)
        elif not carry_on:
            raise ParameterError(
                f"{folder}: an earlier run was interrupted; carry it on (--carry-on), or delete "
                "the folder to begin again"
            )
        elif note.read_text(encoding="utf-8", errors="replace") != order:
            raise ParameterError(
                f"{folder}: the interrupted run had another recording, other settings or another "
                f"version of echotrace, or its {_ORDER} is damaged; delete the folder to begin "
                "again"
            )
        for file in folder.glob(LEFT_BEHIND):
            file.unlink()


def _part_files(folder: Path) -> list[Path]:
    return sorted(folder.glob("[0-9]" * 12 + ".part"))


def _finished(folder: Path) -> Iterator[Measurement]:
    """The parts that an earlier run has finished, in order."""
    done = 0
    for file in _part_files(folder):
        # A part that does not follow on the one before is of no use.
        if int(file.stem) != done:
            with writing(folder):
                file.unlink()
            continue
        part = read_part(file)
        done += part.n_traces
        yield part
