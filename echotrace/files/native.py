"""The native file: HDF5 that is also valid NetCDF-4, one layout for a trace or a million.

A recording has ``samples (trace, sample)``, ``delay_us (sample)`` and one column per trace for
everything that can differ between traces; a synthetic one has its truth in the group ``truth``.
A measurement has its arrays over ``trace``, ``interface`` and ``segment``, and the group
``features``. Label columns are whole-number codes into a small table beside them
(``subject`` into ``subject_label``), so that they stream like numbers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import EchotraceError, FileFormatError, ParameterError
from echotrace.files import chunks, hdf5
from echotrace.files.atomic import atomic_target, push, writing
from echotrace.measurement import Measurement
from echotrace.recording import COLUMNS, Column, Probe, Receiver, Recording, Signal, Truth

__all__ = [
    "MeasurementWriter",
    "RecordingWriter",
    "StoredSamples",
    "file_kind",
    "read_measurement",
    "read_recording",
    "write_measurement",
    "write_recording",
]

RECORDING_VERSION = 1
MEASUREMENT_VERSION = 1

# Size of a chunk of samples, and why there is no compression unless asked for. 4000 noisy int16
# traces of 4096 samples (noise 0.5 % of full scale), chunks of 256 to 1024 KiB, one core, best of
# three, MB of samples per second:
#                          size   writing   reading
#   plain                  1.00    1200     800-3200
#   fletcher32             1.00     750     600-1200
#   shuffle, gzip 1, fl.   0.27 (8 bits) to 0.67 (16 bits)    55-85    160-290
# The checksum costs half of a rate that nothing else in the chain comes near, and finds damage
# that would otherwise be measured. Compression costs four times more on reading for half the disk.
_CHUNK_BYTES = 512 * 1024
_BLOCK_BYTES = 16 * 1024 * 1024
_CHUNK_CACHE_BYTES = 8 * 1024 * 1024

# Format of HDF5 1.10 (2016): the first whose own structures carry checksums. Of 1200 files with 1
# to 40 bytes changed anywhere, 89 % were refused; with the oldest format 66 % (of 400).
_LIBVER = "v110"

_CODED = ("eye", "method", "lens_state", "lens_material", "vitreous")
"""Label columns whose few values are also given as CF flags."""

_PROBE = {
    "centre_frequency_hz": "centre frequency of the probe",
    "fractional_bandwidth": "-6 dB pulse-echo bandwidth over centre frequency",
    "aperture_mm": "diameter of the active disc",
    "focus_mm": "distance of the geometric focus in water",
    "face_delay_us": "two-way delay of the probe's face after delay zero",
    "face_delay_u_us": "standard uncertainty of the probe's face delay",
}
_SIGNALS = tuple(str(item) for item in Signal)


# --- recordings ----------------------------------------------------------------------------


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
    """
    n_traces = recording.n_traces
    with RecordingWriter(path, expected_traces=n_traces, compress=compress) as writer:
        if isinstance(recording.samples, np.ndarray):
            writer.append(recording)
        else:
            for block in recording.blocks(_rows_in(_BLOCK_BYTES, recording)):
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
    >>> with RecordingWriter("long.h5") as writer:  # doctest: +SKIP
    ...     for block in blocks:
    ...         writer.append(block)
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
        self._first: Recording | None = None
        self._labels: dict[str, dict[str, int]] = {}
        # Kept open: closing a dataset empties its chunk cache, and each block would then read,
        # unpack and pack again the chunks that the block before left half full.
        self._data: dict[str, Any] = {}

    def __enter__(self) -> Self:
        import h5py

        with ExitStack() as stack:
            partial = stack.enter_context(atomic_target(self.path))
            with writing(self.path):
                self._file = stack.enter_context(
                    h5py.File(partial, "w", libver=_LIBVER, rdcc_nbytes=_CHUNK_CACHE_BYTES)
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
                self._data.clear()
                self._file.close()

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
        samples = hdf5.add(
            file,
            "samples",
            np.zeros((0, block.n_samples), block.samples.dtype),
            (trace, sample),
            long_name="received samples, as stored by the converter",
            grows=True,
            chunk_rows=self._chunk_rows(block),
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
        growing = ["trace", "samples", "gain_db", *COLUMNS]
        if block.truth is not None:
            self._begin_truth(block.truth, trace)
            growing += [f"truth/{name}" for name in ("delay_us", *block.truth.columns)]
        self._data = {name: file[name] for name in growing}
        self._first = block.select(slice(0, 1))

    def _chunk_rows(self, block: Recording) -> int:
        most = _rows_in(_CHUNK_BYTES, block)
        if not self._expected_traces:
            return most
        # Equal chunks, so that the last one is not mostly empty.
        return math.ceil(self._expected_traces / math.ceil(self._expected_traces / most))

    def _begin_truth(self, truth: Truth, trace: Any) -> None:
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
            _check_column_name(name, "truth", group)
            empty = np.zeros(0, _portable(values.dtype))
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
        data = self._data
        start, stop = self.n_traces, self.n_traces + block.n_traces
        hdf5.append_rows(data["trace"], np.arange(start, stop, dtype=np.int32))
        hdf5.append_rows(data["samples"], np.asarray(block.samples[:]))
        hdf5.append_rows(data["gain_db"], block.gain_db)
        for name in COLUMNS:
            column: Column = getattr(block, name)
            known = self._labels[name]
            table = [
                known.setdefault(hdf5.storable(label, name), len(known)) for label in column.labels
            ]
            hdf5.append_rows(data[name], np.array(table, np.int32)[column.codes])
        if block.truth is not None:
            hdf5.append_rows(data["truth/delay_us"], block.truth.delay_us)
            for name, values in block.truth.columns.items():
                hdf5.append_rows(data[f"truth/{name}"], values)
        self.n_traces = stop

    def _finish(self) -> None:
        for name in COLUMNS:
            _write_label_table(self._file, name, tuple(self._labels[name]))


def _rows_in(size_bytes: int, recording: Recording) -> int:
    return max(1, size_bytes // (recording.n_samples * recording.samples.dtype.itemsize))


def _portable(dtype: np.dtype[Any]) -> np.dtype[Any]:
    """The nearest number type that NetCDF-4 knows and that holds every value."""
    if dtype.kind == "f":
        return np.dtype(np.float32 if dtype.itemsize <= 4 else np.float64)
    return dtype.newbyteorder("=")


def _check_column_name(name: str, what: str, group: Any) -> None:
    if not name.isidentifier() or name in group:
        raise ParameterError(
            f"{what}: a column cannot be stored under the name {name!r}; use letters, digits and "
            "'_', and none of " + ", ".join(group)
        )


def _truth_form(truth: Truth | None) -> str:
    if truth is None:
        return "none"
    columns = ", ".join(f"{name} ({values.dtype})" for name, values in truth.columns.items())
    return f"{', '.join(truth.interfaces)} with {columns or 'no columns'}"


def _write_label_table(file: Any, name: str, labels: tuple[str, ...]) -> None:
    hdf5.add_axis(file, f"{name}_label", labels, long_name=f"{name}, by code")
    if name in _CODED and all(hdf5.is_flag_word(label) for label in labels):
        hdf5.set_flags(file[name], labels)


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
        np.int32(_SIGNALS.index(str(recording.signal))),
        long_name="what the samples are",
        flags=_SIGNALS,
    )
    for name, meaning in _PROBE.items():
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


@dataclass(frozen=True, slots=True)
class StoredSamples:
    """Samples that stay in their file; each slice opens it, reads, and closes it.

    Slices may be read by several threads at once.

    Attributes
    ----------
    path : Path
        Absolute, so that it holds when the working folder changes.
    shape : tuple of int
    dtype : numpy.dtype
    """

    path: Path
    shape: tuple[int, ...]
    dtype: np.dtype[Any]

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, key: Any, /) -> Any:
        row_key, rest = (key[0], key[1:]) if isinstance(key, tuple) else (key, ())
        if isinstance(row_key, slice) and row_key.step in (None, 1):
            # The usual case, a block of a long file, without a list of all of its rows.
            start, stop, _ = row_key.indices(self.shape[0])
            if (stop - start) * self.shape[1] * self.dtype.itemsize >= _CHUNK_BYTES:
                read = chunks.read_rows(self.path, "samples", self.shape, self.dtype, start, stop)
                if read is not None:
                    return read[(slice(None), *rest)]
            rows = np.arange(start, stop)
        else:
            rows = np.arange(self.shape[0])[row_key]
        wanted, place = np.unique(rows, return_inverse=True)
        out = np.empty((wanted.size, self.shape[1]), self.dtype)
        with hdf5.opened(self.path, kind="recording", newest=RECORDING_VERSION) as (file, _):
            data = hdf5.dataset(file, "samples")
            if (data.shape, data.dtype) != (self.shape, self.dtype):
                raise FileFormatError(
                    f"{self.path}: the file was replaced since it was opened; read it again"
                )
            # Run by run: h5py picks single rows far more slowly than it reads stretches.
            for run in np.split(np.arange(wanted.size), np.flatnonzero(np.diff(wanted) != 1) + 1):
                if run.size:
                    first = int(wanted[run[0]])
                    data.read_direct(
                        out,
                        np.s_[first : first + run.size],
                        np.s_[int(run[0]) : int(run[0]) + run.size],
                    )
        ordered = np.array_equal(rows.reshape(-1), wanted)
        picked = out if ordered else out[place.reshape(-1)]
        picked = picked.reshape((*rows.shape, self.shape[1]))
        return picked[(..., *rest)] if rest else picked

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        if copy is False:
            raise ValueError("samples that lie in a file cannot be had without a copy")
        return np.asarray(self[:], dtype=dtype)


def read_recording(path: str | Path, *, lazy: bool = False) -> Recording:
    """Read a recording from a native file.

    Parameters
    ----------
    path : str or Path
    lazy : bool
        Leave the samples in the file and read each slice when it is asked for. The file is open
        only while a slice is read. Values are then checked block by block instead of at once.

    Returns
    -------
    Recording

    Raises
    ------
    FileFormatError
        The file is not there, not of this layout, cut short, damaged or locked.
    SchemaVersionError
        The file was written by a newer echotrace.
    """
    with hdf5.opened(path, kind="recording", newest=RECORDING_VERSION) as (file, _):
        data = hdf5.dataset(file, "samples")
        hdf5.check_form(data, (None, None), "if")
        n_traces, n_samples = (int(n) for n in data.shape)
        _check_delays(file, n_samples)
        samples = (
            StoredSamples(Path(path).resolve(), tuple(data.shape), data.dtype) if lazy else data[()]
        )
        fields: dict[str, Any] = {name: _read_column(file, name, n_traces) for name in COLUMNS}
        fields |= {
            "sampling_rate_hz": hdf5.read_number(file, "sampling_rate_hz"),
            "start_delay_us": hdf5.read_number(file, "start_delay_us"),
            "signal": _read_signal(file),
            "gain_db": hdf5.read_array(file, "gain_db", (n_traces,), np.float32),
            "attributes": _read_provenance(file),
        }
        try:
            return Recording(
                samples=samples,
                probe=Probe(**{name: hdf5.read_number(file, f"probe_{name}") for name in _PROBE}),
                receiver=_read_receiver(file),
                truth=_read_truth(file, n_traces),
                **fields,
            )
        except FileFormatError:
            raise
        except EchotraceError as error:
            raise FileFormatError(f"{path}: {error}") from error


def _check_delays(file: Any, n_samples: int) -> None:
    """Compare the rate and the start with the delays, which say the same under a checksum."""
    rate_hz = hdf5.read_number(file, "sampling_rate_hz")
    start_us = hdf5.read_number(file, "start_delay_us")
    delay_us = hdf5.read_array(file, "delay_us", (n_samples,))
    with np.errstate(all="ignore"):
        told = start_us + np.arange(n_samples) * (1e6 / np.float64(rate_hz))
    if not np.allclose(delay_us, told, rtol=1e-9, atol=1e-9):
        raise FileFormatError(
            f"{file.filename}: /delay_us does not agree with /sampling_rate_hz={rate_hz:g} and "
            f"/start_delay_us={start_us:g}; the file is damaged or was changed by another program"
        )


def _read_column(file: Any, name: str, n_traces: int) -> Column:
    codes = hdf5.read_array(file, name, (n_traces,), np.int32, kinds="iu")
    labels = hdf5.read_label_table(file, f"{name}_label")
    if codes.size and not (codes.min() >= 0 and codes.max() < len(labels)):
        raise FileFormatError(
            f"{file.filename}: a code of /{name} points outside /{name}_label; the file is damaged "
            "or was made by another program"
        )
    return Column(codes, labels)


def _read_signal(file: Any) -> str:
    code = int(hdf5.read_array(file, "signal", (), kinds="iu"))
    if not 0 <= code < len(_SIGNALS):
        raise FileFormatError(
            f"{file.filename}: /signal is {code}, not one of 0 to {len(_SIGNALS) - 1}"
        )
    return _SIGNALS[code]


def _read_receiver(file: Any) -> Receiver | None:
    if "receiver_full_scale" not in file:
        return None
    nodes: dict[str, tuple[float, ...]] = {}
    if "tgc_node" in file:
        nodes = {
            name: tuple(hdf5.read_array(file, name, (None,)).tolist())
            for name in ("tgc_delay_us", "tgc_gain_db")
        }
    return Receiver(
        full_scale=hdf5.read_number(file, "receiver_full_scale"),
        bits=int(hdf5.read_number(file, "receiver_bits")),
        **nodes,
    )


def _read_truth(file: Any, n_traces: int) -> Truth | None:
    group = file.get("truth")
    if group is None:
        return None
    interfaces = hdf5.read_label_table(group, "interface")
    return Truth(
        interfaces=interfaces,
        delay_us=hdf5.read_array(group, "delay_us", (n_traces, len(interfaces)), np.float64),
        columns={
            name: hdf5.read_array(group, name, (n_traces,))
            for name in group
            if name not in ("interface", "delay_us")
        },
    )


def _read_provenance(file: Any) -> dict[str, str]:
    group = file.get("provenance")
    return {} if group is None else hdf5.read_texts(group)


# --- measurements --------------------------------------------------------------------------

_DECISIONS = ("rejected", "accepted")
_DECIDERS = ("findings", "hand")
_PER_TRACE = {
    "axial_length_mm": "total length",
    "axial_length_u_mm": "standard uncertainty of this scan's own part of the total length",
    "axial_length_u_shared_mm": (
        "standard uncertainty of the total length that all scans of a sitting share"
    ),
    "score": "calibrated probability that the trace is aligned and correctly picked",
}


def write_measurement(measurement: Measurement, path: str | Path, *, compress: bool = True) -> None:
    """Write a measurement to a native file.

    The file appears under its name only when it is complete; a file that was there stays as it
    was if anything fails.

    Parameters
    ----------
    measurement : Measurement
    path : str or Path
    compress : bool
        Shuffle and gzip.

    Raises
    ------
    FileFormatError
        The file cannot be written.
    ParameterError
        A name cannot be stored.
    """
    with MeasurementWriter(path, grows=False, compress=compress) as writer:
        writer.append(measurement)


class MeasurementWriter:
    """Write a measurement that grows block by block, at constant memory.

    Used as a context manager. The first block sets interfaces, segments, settings and
    provenance; the others must have the same. The file appears under its name when the ``with``
    block ends; an exception inside it leaves nothing behind.

    Parameters
    ----------
    path : str or Path
    grows : bool
        More than one block is to come.
    compress : bool
        Shuffle and gzip: half the size, at a twentieth of the writing rate.
    workplace : Path, optional
        Folder on the same drive in which the file grows; None takes that of ``path``.
    """

    def __init__(
        self,
        path: str | Path,
        *,
        grows: bool = True,
        compress: bool = False,
        workplace: Path | None = None,
    ) -> None:
        self.path = Path(path)
        self.n_traces = 0
        self._workplace = workplace
        self._partial = self.path
        self._options: dict[str, Any] = {"grows": grows, "compress": compress}
        self._stack: ExitStack | None = None
        self._file: Any = None
        self._first: Measurement | None = None
        self._labels: dict[str, dict[str, int]] = {name: {} for name in COLUMNS}
        self._data: dict[str, chunks.GrowingRows] = {}
        self._features: dict[str, chunks.GrowingRows] = {}

    def __enter__(self) -> Self:
        import h5py

        with ExitStack() as stack:
            self._partial = stack.enter_context(atomic_target(self.path, workplace=self._workplace))
            with writing(self.path):
                self._file = stack.enter_context(
                    h5py.File(self._partial, "w", rdcc_nbytes=_CHUNK_CACHE_BYTES)
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
            self._let_go()
            stack.__exit__(kind, error, trace)
            return
        with stack:
            if self._first is None:
                raise ParameterError(f"{self.path}: nothing was measured, so nothing is written")
            with writing(self.path):
                for name in COLUMNS:
                    _write_label_table(self._file, name, tuple(self._labels[name]))
                self._let_go()
                self._file.close()

    def _let_go(self) -> None:
        self._data.clear()
        self._features.clear()

    def append(self, block: Measurement) -> None:
        """Append the traces of a block.

        Raises
        ------
        ParameterError
            The block does not agree with the first one, or a name cannot be stored.
        FileFormatError
            The disk is full or cannot be written to.
        """
        if self._stack is None:
            raise ParameterError("append to a MeasurementWriter inside its `with` block")
        with writing(self.path):
            grows = self._options["grows"]
            if self._first is None:
                self._begin(block.select(slice(0, 0)) if grows else block)
            else:
                self._check_agrees(block, self._first)
            if grows:
                self._append(block)
        self.n_traces += block.n_traces

    def push(self) -> None:
        """Have what was appended taken to the disk, so that less is left to wait for at the end.

        Raises
        ------
        FileFormatError
            The disk is full or fails.
        """
        with writing(self.path):
            push(self._partial)

    def _codes(self, block: Measurement, name: str) -> NDArray[np.int32]:
        column: Column = getattr(block, name)
        known = self._labels[name]
        table = [
            known.setdefault(hdf5.storable(label, name), len(known)) for label in column.labels
        ]
        return np.array(table, np.int32)[column.codes]

    def _begin(self, block: Measurement) -> None:
        file = self._file
        hdf5.stamp(
            file,
            kind="measurement",
            version=MEASUREMENT_VERSION,
            title="Lengths measured from pulse-echo (A-mode) ultrasound traces",
            summary=(
                "Echo delays, segment lengths and total length of each trace, accepted or "
                "rejected, with standard uncertainties and the findings that decided."
            ),
            provenance=block.attributes,
        )
        file.attrs["settings"] = hdf5.storable(block.settings_json, "settings_json")
        numbers = np.arange(block.n_traces, dtype=np.int32)
        trace = hdf5.add_axis(
            file, "trace", numbers, long_name="trace number", grows=self._options["grows"]
        )
        _write_measurement(file, block, trace, self._options)
        for name in COLUMNS:
            data = hdf5.add(
                file, name, self._codes(block, name), (trace,), units="",
                long_name=f"code of {name}", **self._options,
            )  # fmt: skip
            data.attrs["labels"] = f"{name}_label"
        file.create_group("features", track_order=True)
        for name, values in block.features.items():
            self._add_feature(name, values)
        if self._options["grows"]:
            self._data = {name: chunks.GrowingRows(file[name]) for name in _GROWING}
        self._first = block.select(slice(0, 0))

    def _add_feature(self, name: str, values: NDArray[Any]) -> None:
        group = self._file["features"]
        _check_column_name(name, "features", group)
        portable = values.astype(_portable(values.dtype))
        data = hdf5.add(group, name, portable, (self._file["trace"],), **self._options)
        if self._options["grows"]:
            self._features[name] = chunks.GrowingRows(data)

    def _check_agrees(self, block: Measurement, first: Measurement) -> None:
        for name in ("interfaces", "segments", "finding_names", "settings_json"):
            if getattr(block, name) != getattr(first, name):
                raise ParameterError(
                    f"{self.path}: {name} of the block differ from those of the first block; one "
                    "measurement has one"
                )

    def _append(self, block: Measurement) -> None:
        data, start = self._data, self.n_traces
        data["trace"].append(np.arange(start, start + block.n_traces, dtype=np.int32))
        for name in _MEASURED:
            data[name].append(getattr(block, name))
        for name in COLUMNS:
            data[name].append(self._codes(block, name))
        # A block without traces of some eye state lacks that state's features: NaN there.
        missing = np.full(block.n_traces, np.nan, np.float32)
        for name in dict.fromkeys((*self._features, *block.features)):
            if name not in self._features:
                self._add_feature(name, np.full(start, np.nan, np.float32))
            self._features[name].append(block.features.get(name, missing))


_MEASURED = (
    "delay_us", "delay_u_us", "length_mm", *_PER_TRACE, "findings", "accepted", "decided_by",
)  # fmt: skip
_GROWING = ("trace", *_MEASURED, *COLUMNS)


def _write_measurement(
    file: Any, measurement: Measurement, trace: Any, options: Mapping[str, Any]
) -> None:
    interface = hdf5.add_axis(
        file, "interface", measurement.interfaces, long_name="interface, in beam order"
    )
    segment = hdf5.add_axis(
        file, "segment", measurement.segments, long_name="segment, in beam order"
    )
    hdf5.add(
        file, "delay_us", measurement.delay_us, (trace, interface),
        long_name="two-way delay of the pick", **options,
    )  # fmt: skip
    hdf5.add(
        file, "delay_u_us", measurement.delay_u_us, (trace, interface),
        long_name="standard uncertainty of the pick from noise", **options,
    )  # fmt: skip
    hdf5.add(
        file, "length_mm", measurement.length_mm, (trace, segment),
        long_name="length of the segment", **options,
    )  # fmt: skip
    for name, meaning in _PER_TRACE.items():
        hdf5.add(file, name, getattr(measurement, name), (trace,), long_name=meaning, **options)
    file["axial_length_mm"].attrs["ancillary_variables"] = (
        "axial_length_u_mm axial_length_u_shared_mm score findings accepted"
    )
    names = measurement.finding_names
    for name in names:
        if not hdf5.is_flag_word(name):
            raise ParameterError(f"finding {name!r}: use letters, digits and '_' in its name")
    if len(names) > 32:
        raise ParameterError(f"{len(names)} findings do not fit a set of 32 bits")
    hdf5.add(
        file, "findings", measurement.findings.astype(np.uint32), (trace,), masks=names,
        long_name="reasons not to trust the trace, one bit each", **options,
    )  # fmt: skip
    hdf5.add(file, "accepted", measurement.accepted, (trace,), flags=_DECISIONS, **options)
    hdf5.add(
        file, "decided_by", measurement.decided_by.astype(np.uint8), (trace,), flags=_DECIDERS,
        long_name="what accepted or rejected the trace", **options,
    )  # fmt: skip


def read_measurement(path: str | Path) -> Measurement:
    """Read a measurement from a native file.

    Raises
    ------
    FileFormatError
        The file is not there, not of this layout, cut short, damaged or locked.
    SchemaVersionError
        The file was written by a newer echotrace.
    """
    with hdf5.opened(path, kind="measurement", newest=MEASUREMENT_VERSION) as (file, _):
        interfaces = hdf5.read_label_table(file, "interface")
        segments = hdf5.read_label_table(file, "segment")
        trace = hdf5.dataset(file, "trace")
        hdf5.check_form(trace, (None,), "iu")
        n = int(trace.shape[0])
        fields: dict[str, Any] = {name: _read_column(file, name, n) for name in COLUMNS}
        fields |= {name: hdf5.read_array(file, name, (n,), np.float64) for name in _PER_TRACE}
        fields |= {
            "delay_us": hdf5.read_array(file, "delay_us", (n, len(interfaces)), np.float64),
            "delay_u_us": hdf5.read_array(file, "delay_u_us", (n, len(interfaces)), np.float64),
            "length_mm": hdf5.read_array(file, "length_mm", (n, len(segments)), np.float64),
            "findings": hdf5.read_array(file, "findings", (n,), np.uint32, kinds="u"),
            "accepted": hdf5.read_array(file, "accepted", (n,), np.bool_, kinds="u"),
            "decided_by": hdf5.read_array(file, "decided_by", (n,), np.uint8, kinds="u"),
        }
        features = file.get("features", {})
        return Measurement(
            interfaces=interfaces,
            segments=segments,
            finding_names=_finding_names(file, fields["findings"]),
            features={name: hdf5.read_array(features, name, (n,)) for name in features},
            settings_json=str(file.attrs.get("settings", "{}")),
            attributes=_read_provenance(file),
            **fields,
        )


def _finding_names(file: Any, findings: NDArray[np.uint32]) -> tuple[str, ...]:
    names = tuple(str(file["findings"].attrs.get("flag_meanings", "")).split())
    used = int(np.bitwise_or.reduce(findings)) if findings.size else 0
    if used.bit_length() > len(names):
        raise FileFormatError(
            f"{file.filename}: /findings sets bit {used.bit_length() - 1}, but flag_meanings names "
            f"only {len(names)}; the file is damaged or was made by another program"
        )
    return names


def file_kind(path: str | Path) -> str:
    """Tell whether a native file holds a ``"recording"`` or a ``"measurement"``.

    Raises
    ------
    FileFormatError
        It is neither.
    """
    with hdf5.opened(path, kind=None) as (file, _):
        return str(file.attrs["schema_name"]).removeprefix("echotrace_")
