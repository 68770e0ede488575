"""From a recording to lengths one can trust: the composition of the chain's steps.

:func:`measure` walks the recording in blocks of traces; ``measure_block`` of
:mod:`echotrace.chain.block` is the chain on one block in memory. Neither holds any logic of its
own: undo the receiver, filter, find echoes, choose interfaces, pick, measure lengths, judge.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from threading import Semaphore

import numpy as np

from echotrace.chain.block import Prepared, measure_block, prepare
from echotrace.chain.corrections import correct_by_sittings
from echotrace.decisions import Decisions
from echotrace.errors import ParameterError
from echotrace.measurement import Measurement, concatenate
from echotrace.recording import Recording
from echotrace.settings import Settings
from echotrace.target import Target

__all__ = ["measure", "measure_blocks"]

# Blocks measured ahead, beside two a worker, while whoever asked for them writes a part to the
# disk: results only, about 1 MB each.
_AHEAD = 16


def measure(
    recording: Recording,
    settings: Settings | None = None,
    *,
    target: Target | None = None,
    decisions: Decisions | None = None,
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
    decisions : Decisions, optional
        Gates and picks by hand for single scans, and scans that a person accepts or rejects. What
        was set by hand is marked in the result. A pick by hand raises no probability, and makes no
        scan accepted that would be rejected without it; that takes a decision with a reason.
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
    RecordingError
        RF said to be an envelope, an envelope said to be RF, or one in decibels.
    ParameterError
        Settings that do not fit the recording, or decisions that are not about it.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> result = et.measure(recording)
    >>> result.n_traces, result.engine, result.axial_length_mm.round(2).tolist()
    (6, 'fused', [23.4, 23.4, 23.43, 23.4, 23.4, 23.4])
    """
    prepared = prepare(recording, settings, target=target, decisions=decisions)
    parts: list[Measurement] = []
    done = 0
    for part in measure_blocks(recording, prepared, workers=workers):
        parts.append(part)
        done += part.n_traces
        if progress is not None:
            progress(done, recording.n_traces)
    return concatenate(parts)


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

    Raises
    ------
    ParameterError
        Fewer than one worker.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.block import prepare
    >>> from echotrace.chain.measure import measure_blocks
    >>> [part.n_traces for part in measure_blocks(recording, prepare(recording))]
    [6]
    """
    workers = _worker_count(workers)
    size = prepared.block_traces
    end = recording.n_traces if stop is None else min(stop, recording.n_traces)
    starts = range(first, end, size)
    rows = (slice(start, min(start + size, end)) for start in starts)
    lazy = not isinstance(recording.samples, np.ndarray)
    if len(starts) <= 1 or (workers == 1 and not lazy):
        for key in rows:
            part = measure_block(recording.select(key), prepared, first=key.start)
            yield correct_by_sittings(recording, prepared, part, first=key.start)
        return
    measuring = Semaphore(workers)

    def read_and_measure(key: slice) -> Measurement:
        block = recording.select(key)
        with measuring:
            part = measure_block(block, prepared, first=key.start)
            return correct_by_sittings(recording, prepared, part, first=key.start)

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


def _worker_count(workers: int | None) -> int:
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
