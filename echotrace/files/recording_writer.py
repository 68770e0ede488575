"""Writing the native file of a recording, whole or block by block."""

from __future__ import annotations

import math
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.files import hdf5
from echotrace.files.atomic import atomic_target, writing
from echotrace.files.digest import BlockDigests, ContentDigest
from echotrace.files.labels import (
    CHUNK_CACHE_BYTES,
    add_labels,
    check_column_name,
    portable,
    row_codes,
    write_digest,
    write_label_table,
)
from echotrace.files.recording_file import PROBE_NUMBERS, RECORDING_VERSION, SIGNALS, add_facts
from echotrace.files.sink import Sink
from echotrace.files.stored_samples import CHUNK_BYTES, rows_in
from echotrace.recording import COLUMNS, Recording, Truth

__all__ = ["RecordingWriter", "write_recording"]

_BLOCK_BYTES = 16 * 1024 * 1024

# Format of HDF5 1.10 (2016): the first whose own structures carry checksums. Of 1200 files with 1
# to 40 bytes changed anywhere, 89 % were refused; with the oldest format 66 % (of 400).
_LIBVER = "v110"


def write_recording(recording: Recording, path: str | Path, *, compress: bool = False) -> None:
    """Write a recording to a native file.

    The file appears under its name only when it is complete; a file that was there stays as it
    was if anything fails.

    Parameters
    ----------
    recording : Recording
        In memory or lazy; a lazy one is copied block by block.
    path : str or Path
    compress : bool
        Shuffle and gzip the samples: a third to two thirds of the size, at a quarter of the
        reading rate or less.

    Raises
    ------
    FileFormatError
        The file cannot be written.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/contact_sitting.h5")
    >>> write_recording(recording, folder / "small.h5", compress=True)
    >>> bool((et.read(folder / "small.h5").samples == recording.samples).all())
    True
    """
    n_traces = recording.n_traces
    with RecordingWriter(path, expected_traces=n_traces, compress=compress) as writer:
        if isinstance(recording.samples, np.ndarray):
            writer.append(recording)
        else:
            for block in recording.blocks(
                rows_in(_BLOCK_BYTES, recording.n_samples, recording.samples.dtype)
            ):
                writer.append(block)


class RecordingWriter:
    """Write a recording that grows block by block, at constant memory.

    Used as a context manager. The first block sets the sampling rate, receiver, probe, provenance
    and so on; the others must agree with it. The file appears under its name when the ``with``
    block ends; an exception inside it leaves nothing behind.

    Parameters
    ----------
    path : str or Path
    expected_traces : int, optional
        How many traces are to come, if known: a few traces then make a small file.
    compress : bool
        See :func:`write_recording`.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> with RecordingWriter(folder / "long.h5") as writer:
    ...     for block in (recording.select([0, 1]), recording.select([2, 3])):
    ...         writer.append(block)
    >>> et.read(folder / "long.h5").n_traces
    4
    """

    def __init__(
        self, path: str | Path, *, expected_traces: int | None = None, compress: bool = False
    ) -> None:
        self.path = Path(path)
        self._expected_traces = expected_traces
        self.n_traces = 0
        self._compress = compress
        self._stack: ExitStack | None = None
        self._file: Any = None
        self._sink: Any = None
        self._first: Recording | None = None
        self._labels: dict[str, dict[str, int]] = {}
        # Kept open: closing a dataset empties its chunk cache, and each block would then read,
        # unpack and pack again the chunks that the block before left half full.
        self._data: dict[str, Any] = {}
        self._digest = ContentDigest()
        self._blocks = BlockDigests(1)

    def __enter__(self) -> Self:
        import h5py

        with ExitStack() as stack:
            partial = stack.enter_context(atomic_target(self.path))
            with writing(self.path):
                self._sink = stack.enter_context(Sink(partial))
                self._file = stack.enter_context(
                    h5py.File(self._sink, "w", libver=_LIBVER, rdcc_nbytes=CHUNK_CACHE_BYTES)
                )
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        assert self._stack is not None
        stack, self._stack = self._stack, None
        if error is not None:
            self._data.clear()
            stack.__exit__(kind, error, trace)
            return
        with stack:
            if self._first is None:
                raise ParameterError(f"{self.path}: no traces were given, so nothing is written")
            with writing(self.path):
                self._finish()
                stretches = self._sample_chunks()
                self._data.clear()
                self._file.close()
                self._sink.seal(stretches)
                self._sink.check()

    def append(self, block: Recording) -> None:
        """Append the traces of a block.

        Raises
        ------
        ParameterError
            The block does not agree with the first one.
        FileFormatError
            The disk is full or cannot be written to.
        """
        if self._stack is None:
            raise ParameterError("append to a RecordingWriter inside its `with` block")
        with writing(self.path):
            if self._first is None:
                self._begin(block)
            else:
                self._check_agrees(block, self._first)
            self._append(block)
            self._sink.check()

    def _begin(self, block: Recording) -> None:
        file = self._file
        hdf5.stamp(
            file,
            kind="recording",
            version=RECORDING_VERSION,
            title="Pulse-echo (A-mode) ultrasound traces",
            summary=(
                "Received samples of single-element pulse-echo ultrasound, one row per trace. "
                "Delays are two-way, after the centre of the transmitted pulse."
            ),
            provenance=block.attributes,
        )
        rows = np.zeros(0, np.int32)
        trace = hdf5.add_axis(file, "trace", rows, long_name="trace number", grows=True)
        sample = hdf5.add_axis(
            file, "sample", np.arange(block.n_samples, dtype=np.int32), long_name="sample number"
        )
        chunk_rows = self._chunk_rows(block)
        self._blocks = BlockDigests(chunk_rows)
        self._digest.number("rows_per_block", chunk_rows)
        samples = hdf5.add(
            file,
            "samples",
            np.zeros((0, block.n_samples), block.samples.dtype),
            (trace, sample),
            long_name="received samples, as stored by the converter",
            grows=True,
            chunk_rows=chunk_rows,
            compress=self._compress,
        )
        samples.attrs["coordinates"] = "delay_us"
        hdf5.add(
            file,
            "delay_us",
            block.delay_us,
            (sample,),
            long_name="two-way delay after the centre of the transmitted pulse",
        )
        hdf5.add(
            file, "gain_db", np.zeros(0, np.float32), (trace,), grows=True,
            long_name="receiver gain of the trace, in decibels",
        )  # fmt: skip
        for name in COLUMNS:
            self._labels[name] = {}
            data = hdf5.add(
                file, name, rows, (trace,), grows=True, units="", long_name=f"code of {name}"
            )
            data.attrs["labels"] = f"{name}_label"
        _write_scalars(file, block)
        add_facts(
            self._digest,
            sampling_rate_hz=block.sampling_rate_hz,
            start_delay_us=block.start_delay_us,
            signal=block.signal,
            probe=block.probe,
            receiver=block.receiver,
            attributes=block.attributes,
        )
        growing = ["trace", "samples", "gain_db", *COLUMNS]
        if block.truth is not None:
            self._begin_truth(block.truth, trace)
            growing += [f"truth/{name}" for name in ("delay_us", *block.truth.columns)]
        self._data = {name: file[name] for name in growing}
        self._first = block.select(slice(0, 1))

    def _chunk_rows(self, block: Recording) -> int:
        most = rows_in(CHUNK_BYTES, block.n_samples, block.samples.dtype)
        if not self._expected_traces:
            return most
        # Equal chunks, so that the last one is not mostly empty.
        return math.ceil(self._expected_traces / math.ceil(self._expected_traces / most))

    def _begin_truth(self, truth: Truth, trace: Any) -> None:
        self._digest.texts("truth/interface", truth.interfaces)
        self._digest.texts("truth", list(truth.columns))
        group = self._file.create_group("truth", track_order=True)
        interface = hdf5.add_axis(
            group, "interface", truth.interfaces, long_name="interface, in beam order"
        )
        hdf5.add(
            group,
            "delay_us",
            np.zeros((0, len(truth.interfaces))),
            (trace, interface),
            long_name="true two-way delay of the interface's echo",
            grows=True,
        )
        for name, values in truth.columns.items():
            check_column_name(name, "truth", group)
            empty = np.zeros(0, portable(values.dtype))
            hdf5.add(group, name, empty, (trace,), grows=True)

    def _check_agrees(self, block: Recording, first: Recording) -> None:
        facts = {
            "n_samples": (block.n_samples, first.n_samples),
            "dtype of the samples": (block.samples.dtype, first.samples.dtype),
            "sampling_rate_hz": (block.sampling_rate_hz, first.sampling_rate_hz),
            "start_delay_us": (block.start_delay_us, first.start_delay_us),
            "signal": (block.signal, first.signal),
            # As text, because NaN differs from itself.
            "probe": (repr(block.probe), repr(first.probe)),
            "receiver": (block.receiver, first.receiver),
            "truth": (_truth_form(block.truth), _truth_form(first.truth)),
        }
        for name, (have, want) in facts.items():
            if have != want:
                raise ParameterError(
                    f"{self.path}: {name} of the block is {have}, of the first block {want}; "
                    "one recording has one"
                )

    def _append(self, block: Recording) -> None:
        start, stop = self.n_traces, self.n_traces + block.n_traces
        samples = np.asarray(block.samples[:])
        hdf5.append_rows(self._data["trace"], np.arange(start, stop, dtype=np.int32))
        hdf5.append_rows(self._data["samples"], samples)
        self._blocks.add(samples)
        self._put("gain_db", block.gain_db)
        for name in COLUMNS:
            self._put(name, row_codes(getattr(block, name), name, self._labels[name]))
        if block.truth is not None:
            for name, values in {"delay_us": block.truth.delay_us, **block.truth.columns}.items():
                self._put(f"truth/{name}", values)
        self.n_traces = stop

    def _sample_chunks(self) -> list[tuple[int, int]]:
        """Where the samples lie, each chunk of which has a digest of its own."""
        infos: list[Any] = []
        self._file.flush()
        self._data["samples"].id.chunk_iter(infos.append)
        return [(info.byte_offset, info.size) for info in infos]

    def _put(self, name: str, values: NDArray[Any]) -> None:
        data = self._data[name]
        stored = values.astype(data.dtype, copy=False)
        hdf5.append_rows(data, stored)
        self._digest.array(name, stored)

    def _finish(self) -> None:
        file, digest = self._file, self._digest
        labels = {name: tuple(self._labels[name]) for name in COLUMNS}
        for name, table in labels.items():
            write_label_table(file, name, table)
        add_labels(digest, labels)
        samples = self._data["samples"]
        digest.texts("samples", [str(tuple(samples.shape)), samples.dtype.str])
        blocks = self._blocks.finish()
        axis = hdf5.add_axis(
            file, "block", np.arange(blocks.size, dtype=np.int32), long_name="block of traces"
        )
        data = hdf5.add(
            file, "samples_digest", blocks, (axis,), units="",
            long_name="XXH3 of 64 bits over the samples of each block of traces",
        )  # fmt: skip
        data.attrs["rows_per_block"] = np.int32(samples.chunks[0])
        digest.array("samples_digest", blocks)
        write_digest(file, digest)


def _truth_form(truth: Truth | None) -> str:
    if truth is None:
        return "none"
    columns = ", ".join(f"{name} ({values.dtype})" for name, values in truth.columns.items())
    return f"{', '.join(truth.interfaces)} with {columns or 'no columns'}"


def _write_scalars(file: Any, recording: Recording) -> None:
    hdf5.add(file, "sampling_rate_hz", float(recording.sampling_rate_hz))
    hdf5.add(
        file,
        "start_delay_us",
        float(recording.start_delay_us),
        long_name="delay of the first sample",
    )
    hdf5.add(
        file,
        "signal",
        np.int32(SIGNALS.index(str(recording.signal))),
        long_name="what the samples are",
        flags=SIGNALS,
    )
    for name, meaning in PROBE_NUMBERS.items():
        hdf5.add(file, f"probe_{name}", float(getattr(recording.probe, name)), long_name=meaning)
    receiver = recording.receiver
    if receiver is None:
        return
    hdf5.add(
        file,
        "receiver_full_scale",
        float(receiver.full_scale),
        long_name="magnitude at which the converter clips",
    )
    hdf5.add(
        file, "receiver_bits", np.int32(receiver.bits), long_name="bits of the converter, 0: floats"
    )
    if receiver.tgc_delay_us:
        node = hdf5.add_axis(
            file,
            "tgc_node",
            np.arange(len(receiver.tgc_delay_us), dtype=np.int32),
            long_name="node of the time gain compensation",
        )
        for name in ("tgc_delay_us", "tgc_gain_db"):
            hdf5.add(file, name, np.array(getattr(receiver, name)), (node,))
