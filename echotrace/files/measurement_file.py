"""The native file of a measurement, written whole or block by block, and read.

Arrays lie over ``trace``, ``interface`` and ``segment``; what the findings were made from in the
group ``features``. Labels are stored as those of a recording.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import FileFormatError, ParameterError
from echotrace.files import chunks, hdf5
from echotrace.files.atomic import atomic_target, push, writing
from echotrace.files.digest import ContentDigest
from echotrace.files.hdf5_reading import NativeGroup, opened
from echotrace.files.labels import (
    CHUNK_CACHE_BYTES,
    add_labels,
    check_column_name,
    check_digest,
    portable,
    read_column,
    read_provenance,
    row_codes,
    warn_without_digest,
    write_digest,
    write_label_table,
)
from echotrace.files.sink import Sink
from echotrace.measurement import BY_HAND, NOT_RECORDED, Measurement
from echotrace.recording import COLUMNS

__all__ = ["MEASUREMENT_VERSION", "MeasurementWriter", "read_measurement", "write_measurement"]

MEASUREMENT_VERSION = 5
"""2: with a content digest, which version 1 had not. 3: with what a person set in each scan, which
an older reader would take for found by the chain. 4: with 64 bits of findings, of which an older
reader would keep 32. 5: with the probabilities that the length is right and that the beam was
aligned, in place of the score of both together."""

_DECISIONS = ("rejected", "accepted")
_DECIDERS = ("findings", "hand")
_FIRST_BY_HAND = 3
_LAST_SCORE = 4
_PER_TRACE = {
    "axial_length_mm": "total length",
    "axial_length_u_mm": "standard uncertainty of this scan's own part of the total length",
    "axial_length_u_shared_mm": (
        "standard uncertainty of the total length that all scans of a sitting share"
    ),
    "length_right": (
        "calibrated probability that the total length is within 0.1 mm of the eye's, pressing and "
        "sound speeds apart"
    ),
    "aligned": (
        "calibrated probability that the beam was within 2.5 degrees and 0.5 mm of the visual "
        "axis; between 0.2 and 0.8 it cannot be told"
    ),
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

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/contact_sitting.h5"))
    >>> et.write_measurement(result, folder / "measured.h5")
    >>> bool((et.read_measurement(folder / "measured.h5").accepted == result.accepted).all())
    True
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
        self._sink: Any = None
        self._first: Measurement | None = None
        self._labels: dict[str, dict[str, int]] = {name: {} for name in COLUMNS}
        self._data: dict[str, chunks.GrowingRows] = {}
        self._features: dict[str, chunks.GrowingRows] = {}
        self._digest = ContentDigest()

    def __enter__(self) -> Self:
        import h5py

        with ExitStack() as stack:
            self._partial = stack.enter_context(atomic_target(self.path, workplace=self._workplace))
            with writing(self.path):
                self._sink = stack.enter_context(Sink(self._partial))
                self._file = stack.enter_context(
                    h5py.File(self._sink, "w", rdcc_nbytes=CHUNK_CACHE_BYTES)
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
                self._finish()
                self._let_go()
                self._file.close()
                self._sink.seal()
                self._sink.check()

    def _let_go(self) -> None:
        self._data.clear()
        self._features.clear()

    def _finish(self) -> None:
        labels = {name: tuple(self._labels[name]) for name in COLUMNS}
        for name, table in labels.items():
            write_label_table(self._file, name, table)
        add_labels(self._digest, labels)
        self._digest.texts("features", list(self._file["features"]))
        write_digest(self._file, self._digest)

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
            self._sink.check()
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
        return row_codes(getattr(block, name), name, self._labels[name])

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
        file.attrs["engine"] = hdf5.storable(block.engine, "engine")
        numbers = np.arange(block.n_traces, dtype=np.int32)
        trace = hdf5.add_axis(
            file, "trace", numbers, long_name="trace number", grows=self._options["grows"]
        )
        _write_measurement(file, block, trace, self._options)
        for name in COLUMNS:
            codes = self._codes(block, name)
            self._digest.array(name, codes)
            data = hdf5.add(
                file, name, codes, (trace,), units="", long_name=f"code of {name}", **self._options
            )
            data.attrs["labels"] = f"{name}_label"
        file.create_group("features", track_order=True)
        for name, values in block.features.items():
            self._add_feature(name, values)
        if self._options["grows"]:
            self._data = {name: chunks.GrowingRows(file[name]) for name in _GROWING}
        _add_facts(
            self._digest,
            **{name: getattr(block, name) for name in _FACTS},
        )
        # Also where no rows follow, so that the digest knows every array.
        self._digest_rows(block)
        self._first = block.select(slice(0, 0))

    def _digest_rows(self, block: Measurement) -> None:
        for name in _MEASURED:
            self._digest.array(name, getattr(block, name).astype(_STORED.get(name, np.float64)))

    def _add_feature(self, name: str, values: NDArray[Any]) -> None:
        group = self._file["features"]
        check_column_name(name, "features", group)
        numbers = values.astype(portable(values.dtype))
        self._digest.array(f"features/{name}", numbers)
        data = hdf5.add(group, name, numbers, (self._file["trace"],), **self._options)
        if self._options["grows"]:
            self._features[name] = chunks.GrowingRows(data)

    def _check_agrees(self, block: Measurement, first: Measurement) -> None:
        for name in ("interfaces", "segments", "finding_names", "settings_json", "engine"):
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
        self._digest_rows(block)
        for name in COLUMNS:
            codes = self._codes(block, name)
            data[name].append(codes)
            self._digest.array(name, codes)
        # A block without traces of some eye state lacks that state's features: NaN there.
        missing = np.full(block.n_traces, np.nan, np.float32)
        for name in dict.fromkeys((*self._features, *block.features)):
            if name not in self._features:
                self._add_feature(name, np.full(start, np.nan, np.float32))
            values = block.features.get(name, missing)
            self._features[name].append(values)
            dtype = self._file["features"][name].dtype
            self._digest.array(f"features/{name}", values.astype(dtype, copy=False))


_MEASURED = (
    "delay_us", "delay_u_us", "length_mm", "by_hand", *_PER_TRACE, "findings", "accepted",
    "decided_by",
)  # fmt: skip
_GROWING = ("trace", *_MEASURED, *COLUMNS)
_STORED = {
    "findings": np.uint64, "accepted": np.uint8, "decided_by": np.uint8, "by_hand": np.uint8,
}  # fmt: skip
_FACTS = ("interfaces", "segments", "finding_names", "settings_json", "engine", "attributes")


def _add_facts(digest: ContentDigest, **facts: Any) -> None:
    """Add to a digest what all traces of a measurement share."""
    for name in _FACTS:
        digest.texts(name, facts[name])


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
    hdf5.add(
        file, "by_hand", measurement.by_hand.astype(np.uint8), (trace, interface), flags=BY_HAND,
        long_name="whether a person set a gate or picked the interface in this scan", **options,
    )  # fmt: skip
    for name, meaning in _PER_TRACE.items():
        hdf5.add(file, name, getattr(measurement, name), (trace,), long_name=meaning, **options)
    file["axial_length_mm"].attrs["ancillary_variables"] = (
        "axial_length_u_mm axial_length_u_shared_mm length_right findings accepted"
    )
    names = measurement.finding_names
    for name in names:
        if not hdf5.is_flag_word(name):
            raise ParameterError(f"finding {name!r}: use letters, digits and '_' in its name")
    if len(names) > 64:
        raise ParameterError(f"{len(names)} findings do not fit a set of 64 bits")
    hdf5.add(
        file, "findings", measurement.findings, (trace,), masks=names,
        long_name="reasons not to trust the trace, one bit each", **options,
    )  # fmt: skip
    hdf5.add(file, "accepted", measurement.accepted, (trace,), flags=_DECISIONS, **options)
    hdf5.add(
        file, "decided_by", measurement.decided_by.astype(np.uint8), (trace,), flags=_DECIDERS,
        long_name="what accepted or rejected the trace", **options,
    )  # fmt: skip


def read_measurement(path: str | Path) -> Measurement:
    """Read a measurement from a native file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Measurement

    Raises
    ------
    FileFormatError
        The file is not there, not of this layout, cut short, damaged, locked, or changed while it
        was read.
    SchemaVersionError
        The file was written by a newer echotrace.

    Warns
    -----
    EchotraceWarning
        The file is of schema 1, which has no content digest.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/contact_sitting.h5"))
    >>> et.write_measurement(result, folder / "measured.h5")
    >>> et.read_measurement(folder / "measured.h5").n_traces
    6
    """
    with opened(path, kind="measurement", newest=MEASUREMENT_VERSION) as root:
        digest = ContentDigest()
        n = int(root.form_of("trace", (None,), "iu").shape[0])
        columns: dict[str, Any] = {name: read_column(root, name, n) for name in COLUMNS}
        fields: dict[str, Any] = {
            "interfaces": root.labels("interface"),
            "segments": root.labels("segment"),
            "settings_json": root.text("settings", "{}"),
            "engine": root.text("engine", NOT_RECORDED),
            "attributes": read_provenance(root),
        }
        shapes = {
            **dict.fromkeys(_MEASURED, (n,)),
            **dict.fromkeys(("delay_us", "delay_u_us"), (n, len(fields["interfaces"]))),
            "length_mm": (n, len(fields["segments"])),
            "by_hand": (n, len(fields["interfaces"])),
        }
        if root.version < _FIRST_BY_HAND:
            del shapes["by_hand"]
        if root.version <= _LAST_SCORE:
            # In its place: the digest is taken in order.
            shapes = {
                ("score" if name == "length_right" else name): shape
                for name, shape in shapes.items()
                if name != "aligned"
            }
        for name, shape in shapes.items():
            kinds = "u" if name in _STORED else "fiu"
            # Earlier sets of findings have 32 bits, and their digest was taken of these.
            dtype = None if name == "findings" else _STORED.get(name, np.float64)
            fields[name] = root.array(name, shape, dtype, kinds)
            digest.array(name, fields[name])
        fields["accepted"] = fields["accepted"].astype(np.bool_)
        if "by_hand" in fields and fields["by_hand"].max(initial=0) >= len(BY_HAND):
            raise FileFormatError(
                f"{root.path}: /by_hand holds a code that is none of 0 to {len(BY_HAND) - 1}; the "
                "file is damaged or was made by another program"
            )
        fields["finding_names"] = _finding_names(root, fields["findings"])
        group = root.subgroup("features")
        features = {} if group is None else {name: group.array(name, (n,)) for name in group}
        _add_facts(digest, **{name: fields[name] for name in _FACTS})
        for name, column in columns.items():
            digest.array(name, column.codes)
        add_labels(digest, {name: column.labels for name, column in columns.items()})
        digest.texts("features", list(features))
        for name, values in features.items():
            digest.array(f"features/{name}", values)
        check_digest(root, digest)
        warn_without_digest(root)
        if "score" in fields:
            features = features | {"score": fields.pop("score").astype(np.float32)}
            fields |= {name: np.full(n, np.nan) for name in ("length_right", "aligned")}
        return Measurement(features=features, **columns, **fields)


def _finding_names(root: NativeGroup, findings: NDArray[Any]) -> tuple[str, ...]:
    names = tuple(str(root.dataset("findings").attrs.get("flag_meanings", "")).split())
    used = int(np.bitwise_or.reduce(findings)) if findings.size else 0
    if used.bit_length() > len(names):
        raise FileFormatError(
            f"{root.path}: /findings sets bit {used.bit_length() - 1}, but flag_meanings names "
            f"only {len(names)}; the file is damaged or was made by another program"
        )
    return names
