"""Studies of many files, here or on a cluster.

The work is always done by :func:`echotrace.chain.block.measure_block` on the same blocks of
traces, so the numbers do not depend on how they are spread over threads, processes or like
machines.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

from echotrace.chain.block import Prepared, prepare
from echotrace.chain.measure import measure_blocks
from echotrace.errors import ParameterError
from echotrace.files.guarded import changed
from echotrace.files.native import StoredSamples, read_recording
from echotrace.many.summaries import ManySummary, label_columns
from echotrace.recording import Recording
from echotrace.settings import Settings
from echotrace.target import Target

__all__ = ["measure_many"]


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

    Raises
    ------
    ParameterError
        No file, or ``by`` names what is no label column.
    FileFormatError
        A file cannot be read.

    Notes
    -----
    The tasks and the order in which their summaries are merged depend on the files alone, so one
    thread and a cluster of like machines give the same numbers to the last bit. A task that is
    lost with its worker is done again by the engine.

    Examples
    --------
    >>> import echotrace as et
    >>> found = et.measure_many(["synthetic_traces/immersion_sitting.h5"], by=("eye",))
    >>> [(labels, group.n) for labels, group in found.groups.items()]
    [(('right',), 6)]
    """
    settings = settings or Settings()
    labels = label_columns(by)
    tasks: list[_Task] = []
    for path in paths:
        name = str(Path(path).resolve())
        recording, prepared = _ready(name, settings, target)
        span = prepared.block_traces * _TASK_BLOCKS
        tasks += [
            (name, start, min(start + span, recording.n_traces), _state(recording))
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


# File, first trace, trace to end before, and the state of the file when the tasks were made: size
# and time of the last change, which all machines see alike.
_Task = tuple[str, int, int, tuple[int, ...]]


def _state(recording: Recording) -> tuple[int, ...]:
    samples = recording.samples
    return samples.state[2:] if isinstance(samples, StoredSamples) else ()


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
    task: _Task,
    settings: Settings,
    target: Target | None,
    by: tuple[str, ...],
    workers: int | None = 1,
) -> ManySummary:
    """Summary of some blocks of one file."""
    path, start, stop, state = task
    recording, prepared = _ready(path, settings, target)
    if _state(recording) != state:
        raise changed(Path(path))
    whole = ManySummary(by=by, groups={})
    for part in measure_blocks(recording, prepared, workers=workers, first=start, stop=stop):
        whole = whole.merge(ManySummary.of(part, by))
    return whole
