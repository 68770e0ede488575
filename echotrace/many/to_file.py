"""Recordings of any length: measured at constant memory, written as results come."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from echotrace.chain.block import Prepared, prepare
from echotrace.chain.measure import measure_blocks
from echotrace.decisions import Decisions
from echotrace.errors import ParameterError
from echotrace.files.atomic import checked_target
from echotrace.files.native import MeasurementWriter
from echotrace.many.run_folder import RunFolder, manifest_of
from echotrace.many.summaries import ManySummary, label_columns
from echotrace.measurement import Measurement, concatenate
from echotrace.recording import Recording
from echotrace.settings import Settings
from echotrace.target import Target

__all__ = ["measure_to_file"]


# Traces of one part on the disk: what an interrupted run loses, beside blocks measured ahead, and a
# whole number of the result file's chunks. About 15 MB.
_PART_TRACES = 32_768


def measure_to_file(
    recording: Recording,
    path: str | Path,
    settings: Settings | None = None,
    *,
    target: Target | None = None,
    decisions: Decisions | None = None,
    by: Sequence[str] = ("method",),
    resume: bool = False,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
    carry_on: bool | None = None,
) -> ManySummary:
    """Measure a recording of any length at constant memory, writing results as they come.

    Parameters
    ----------
    recording : Recording
        Read lazily, or memory is no longer constant.
    path : str or Path
        Where the measurement is to appear, when it is complete. Until then finished parts lie in
        a folder beside it, named after it with ``.parts``.
    settings, target, decisions
        As for :func:`echotrace.measure`.
    by : sequence of str
        Label columns by which the returned summary is grouped.
    resume : bool
        Take up what an interrupted run has left in that folder.
    workers : int, optional
        Threads; None takes one for each core.
    progress : callable, optional
        Called with (traces done, traces in all).
    carry_on : bool, optional
        Old name of ``resume``; goes with version 0.3.

    Returns
    -------
    ManySummary

    Raises
    ------
    ParameterError
        An earlier run was interrupted and is not to be resumed, or it was of another
        recording, other settings or another version; another run is writing the file; or the file
        is the recording itself.
    FileFormatError
        The file cannot be written, or a part of an interrupted run is damaged or not in its place.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5", lazy=True)
    >>> out = pathlib.Path(tempfile.mkdtemp()) / "lengths.h5"
    >>> et.measure_to_file(recording, out).total.n
    6
    >>> et.read_measurement(out).n_traces
    6
    """
    if carry_on is not None:
        warnings.warn(
            "carry_on is now resume; the old name goes with version 0.3",
            FutureWarning,
            stacklevel=2,
        )
        resume = carry_on
    labels = label_columns(by)
    path = Path(path)
    _check_path(path, recording)
    prepared = prepare(recording, settings, target=target, decisions=decisions)
    folder = RunFolder(path, manifest_of(recording, prepared, target))
    summary = ManySummary(by=labels, groups={})
    with folder.alone():
        folder.take_up(resume)
        # The file grows in the folder, where the next run deletes what a killed one leaves.
        with MeasurementWriter(path, workplace=folder.path) as writer:
            for part in folder.finished():
                writer.append(part)
                summary = summary.merge(ManySummary.of(part, labels))
            for part in _parts(recording, prepared, writer.n_traces, workers, progress):
                if writer.n_traces + part.n_traces < recording.n_traces:
                    folder.save(part, writer.n_traces)
                writer.append(part)
                writer.push()
                summary = summary.merge(ManySummary.of(part, labels))
        folder.remove()
    return summary


def _check_path(path: Path, recording: Recording) -> None:
    """Refuse what would fail, or destroy the recording, only after hours of work."""
    checked_target(path)
    source = getattr(recording.samples, "path", None)
    # A file that does not exist yet is not the recording.
    with suppress(OSError):
        if source is not None and path.samefile(source):
            raise ParameterError(f"{path}: would overwrite the recording; choose another name")


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
