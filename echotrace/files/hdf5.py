"""HDF5 that is also valid NetCDF-4: axes, label columns, attributes, and clear errors.

Every axis is a dimension scale with real data, and every axis of every dataset is attached to
one. Nothing is stored as a reference, a compound, a truth value or a complex number, because the
NetCDF-4 readers either fail on these or read them differently.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import echotrace
from echotrace.caution import CAUTION
from echotrace.errors import (
    EchotraceError,
    FileFormatError,
    ParameterError,
    SchemaVersionError,
)

__all__ = [
    "add",
    "add_axis",
    "append_rows",
    "opened",
    "read_array",
    "read_label_table",
    "read_number",
    "read_texts",
    "stamp",
    "unit_of",
    "write_texts",
]

# Units that mean the same in UCUM and in udunits (checked with the `ucumvert` and `cf-units`
# packages); dB and degrees have no spelling that both know, so they go without.
_UNITS = {
    "us": "us",
    "ns": "ns",
    "s": "s",
    "mm": "mm",
    "hz": "Hz",
    "mhz": "MHz",
    "percent": "%",
}
_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_SMALL_FILTER = {
    "shuffle": True,
    "compression": "gzip",
    "compression_opts": 1,
    "fletcher32": True,
}
_SMALL_CHUNK_ROWS = 32_768


def unit_of(name: str) -> str | None:
    """The unit that a name ends in, in a spelling both UCUM and udunits know.

    Returns
    -------
    str or None
        ``"1"`` for names without a unit; None where no common spelling exists (``_db``,
        ``_deg``, compound units).
    """
    if name.endswith("_m_per_s"):
        return "m/s"
    if "_per_" in name:
        return None
    last = name.rpartition("_")[2]
    if last in {"db", "deg", "c", "dioptre"}:
        return None
    return _UNITS.get(last, "1")


# --- writing -------------------------------------------------------------------------------


def stamp(
    file: Any, *, kind: str, version: int, title: str, summary: str, provenance: Mapping[str, str]
) -> None:
    """Write what the file is and where it comes from.

    All of ``provenance`` goes into the group ``provenance``, from which it is read back; what
    catalogues of NetCDF files look for is repeated at the root.
    """
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    tool = f"echotrace {echotrace.__version__}"
    line = f"{now} {tool}: wrote {kind}"
    texts = {
        "Conventions": "CF-1.11, ACDD-1.3",
        "title": title,
        "summary": summary,
        "schema_name": f"echotrace_{kind}",
        "creator_name": "echotrace",
        "software": "echotrace",
        "software_version": echotrace.__version__,
        "date_created": now,
        "caution": CAUTION,
        "history": "\n".join(filter(None, (provenance.get("history"), line))),
    }
    texts |= {key: provenance[key] for key in _REPEATED if provenance.get(key)}
    for key, value in texts.items():
        file.attrs[key] = value
    file.attrs["schema_version"] = np.int32(version)
    write_texts(file.create_group("provenance"), provenance, "attributes")


_REPEATED = ("source", "source_sha256", "seed", "settings")


def write_texts(group: Any, texts: Mapping[str, str], what: str) -> None:
    """Write a mapping of texts as attributes of a group."""
    for key, value in texts.items():
        if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_.+-]*", key):
            raise ParameterError(
                f"{what}: the name {key!r} cannot be stored; use letters, digits and '_', "
                "beginning with a letter"
            )
        group.attrs[key] = storable(value, f"{what}: {key}")


def storable(text: str, what: str) -> str:
    """Return a text that HDF5 can hold, or refuse it."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        raise ParameterError(
            f"{what}: the text is not valid Unicode and cannot be stored"
        ) from None
    if "\0" in text:
        raise ParameterError(f"{what}: the text holds a NUL character; take it out")
    return text


def add_axis(group: Any, name: str, values: Any, *, long_name: str, grows: bool = False) -> Any:
    """Add an axis: a dimension scale whose data are numbers or texts.

    Returns
    -------
    h5py.Dataset
    """
    import h5py

    array = np.asarray(values)
    if array.dtype.kind not in "iu":
        array = np.array(
            [storable(str(value), name) for value in values], dtype=h5py.string_dtype()
        )
    options: dict[str, Any] = {}
    if grows:
        options = {"maxshape": (None,), "chunks": (_SMALL_CHUNK_ROWS,), **_SMALL_FILTER}
    data = group.create_dataset(name, data=array, **options)
    data.make_scale(name)
    data.attrs["long_name"] = long_name
    return data


def add(
    group: Any,
    name: str,
    values: Any,
    axes: Sequence[Any] = (),
    *,
    long_name: str = "",
    units: str | None = None,
    grows: bool = False,
    flags: Sequence[str] | None = None,
    masks: Sequence[str] | None = None,
    chunk_rows: int = _SMALL_CHUNK_ROWS,
    compress: bool = True,
) -> Any:
    """Add a dataset with its axes attached, its unit, and the meaning of its codes or bits.

    Parameters
    ----------
    group : h5py.Group
    name : str
        Ends in the unit where there is one.
    values : array_like
        Numbers; truth values become ``uint8``.
    axes : sequence of h5py.Dataset
        A scale for each dimension.
    long_name : str
    units : str, optional
        Where the name does not say it; empty for none.
    grows : bool
        Rows can be appended.
    flags, masks : sequence of str, optional
        Meanings of the codes 0, 1, …, or of the bits 0, 1, ….
    chunk_rows : int
    compress : bool
        Shuffle and gzip; a checksum is kept either way.

    Returns
    -------
    h5py.Dataset
    """
    array = np.asarray(values)
    if array.dtype.kind == "b":
        array = array.astype(np.uint8)
    options: dict[str, Any] = {}
    if array.ndim and (grows or array.size):
        chunk = (min(chunk_rows, max(1, array.shape[0])) if not grows else chunk_rows,)
        options = {"chunks": chunk + array.shape[1:], "fletcher32": True}
        if compress:
            options |= _SMALL_FILTER
        if grows:
            options["maxshape"] = (None, *array.shape[1:])
    data = group.create_dataset(name, data=array, **options)
    for k, axis in enumerate(axes):
        data.dims[k].attach_scale(axis)
    unit = unit_of(name) if units is None else units
    if unit and flags is None and masks is None:
        data.attrs["units"] = unit
    data.attrs["long_name"] = long_name or _spelled_out(name)
    if flags:
        set_flags(data, flags)
    if masks:
        data.attrs["flag_masks"] = np.left_shift(
            np.uint32(1), np.arange(len(masks), dtype=np.uint32)
        )
        data.attrs["flag_meanings"] = " ".join(masks)
    return data


def _spelled_out(name: str) -> str:
    """A name as words, with its unit only where the ``units`` attribute cannot say it."""
    words, _, last = name.rpartition("_")
    if last in ("db", "deg"):
        return f"{words} in {'decibels' if last == 'db' else 'degrees'}".replace("_", " ")
    if name.endswith("_m_per_s"):
        words = name.removesuffix("_m_per_s")
    elif last not in _UNITS or unit_of(name) is None:
        words = name
    return words.replace("_", " ")


def set_flags(data: Any, meanings: Sequence[str]) -> None:
    """Say what the codes 0, 1, … of a dataset mean, as CF does."""
    data.attrs["flag_values"] = np.arange(len(meanings), dtype=data.dtype)
    data.attrs["flag_meanings"] = " ".join(meanings)


def is_flag_word(text: str) -> bool:
    """Tell whether a text can stand in CF's blank-separated ``flag_meanings``."""
    return re.fullmatch(r"[A-Za-z0-9_.+@-]+", text) is not None


def append_rows(data: Any, values: NDArray[Any]) -> None:
    """Append rows to a dataset that grows."""
    start = data.shape[0]
    data.resize(start + values.shape[0], axis=0)
    data[start:] = values


# --- reading -------------------------------------------------------------------------------


@contextmanager
def opened(path: str | Path, *, kind: str | None, newest: int = 0) -> Iterator[tuple[Any, int]]:
    """Open a native file for reading; whatever goes wrong inside becomes one clear error.

    Parameters
    ----------
    path : str or Path
    kind : {"recording", "measurement"} or None
        What the file must hold; None takes either.
    newest : int
        Newest schema version that the caller can read.

    Yields
    ------
    file : h5py.File
    version : int
        Schema version of the file.

    Raises
    ------
    FileFormatError
        Not there, not HDF5, cut short, damaged, locked, or of another kind.
    SchemaVersionError
        Written by a newer echotrace.
    """
    import h5py

    path = Path(path)
    _check_signature(path)
    try:
        with h5py.File(path, "r") as file:
            yield file, _check_schema(file, path, kind, newest)
    except EchotraceError:
        raise
    except MemoryError:
        raise FileFormatError(
            f"{path}: too large for the memory; read it with lazy=True, block by block"
        ) from None
    # h5py reports damage by any of these, depending on where in the file it lies.
    except (OSError, RuntimeError, KeyError, ValueError, TypeError, AttributeError) as error:
        raise FileFormatError(_what_went_wrong(path, error)) from error


def _check_signature(path: Path) -> None:
    try:
        with path.open("rb") as file:
            size = file.seek(0, 2)
            offset = 0
            # The signature stands at 0 or behind a user block of 512 · 2ⁿ bytes.
            while offset < size:
                file.seek(offset)
                if file.read(8) == _SIGNATURE:
                    return
                offset = max(512, 2 * offset)
    except OSError as error:
        raise FileFormatError(f"{path}: cannot be read ({error.strerror})") from error
    raise FileFormatError(
        f"{path}: not an HDF5 file (or cut short before its first block); bring other formats in "
        "with `echotrace import`"
    )


def _check_schema(file: Any, path: Path, kind: str | None, newest: int) -> int:
    name = file.attrs.get("schema_name")
    if name not in ("echotrace_recording", "echotrace_measurement"):
        raise FileFormatError(
            f"{path}: an HDF5 file, but not one of echotrace (schema_name is "
            f"{'missing' if name is None else repr(name)}); bring its array in with "
            "`echotrace import`"
        )
    if kind is not None and name != f"echotrace_{kind}":
        found = str(name).removeprefix("echotrace_")
        raise FileFormatError(f"{path}: holds a {found}, not a {kind}; read it with read_{found}")
    version = file.attrs.get("schema_version")
    if not isinstance(version, int | np.integer) or version < 1:
        raise FileFormatError(
            f"{path}: schema_version={version!r} is not a positive whole number; the file is "
            "damaged or was made by another program"
        )
    if newest and version > newest:
        raise SchemaVersionError(
            f"{path}: schema version {int(version)} is newer than {newest}, the newest that "
            f"echotrace {echotrace.__version__} can read; update echotrace"
        )
    return int(version)


def _what_went_wrong(path: Path, error: Exception) -> str:
    text = str(error)
    if "unable to lock file" in text or "errno = 11," in text:
        return (
            f"{path}: locked by another program, or on a drive without file locks; close the "
            "other program, or set the environment variable HDF5_USE_FILE_LOCKING=FALSE for a "
            "network drive"
        )
    if "truncated" in text:
        return f"{path}: cut short; copy it again from where it came"
    detail = " ".join(text.split()).strip("'\"")
    return f"{path}: damaged or not of this layout ({detail}); copy it again from where it came"


def dataset(group: Any, name: str) -> Any:
    """Find a dataset or say that it is missing."""
    import h5py

    item = group.get(name)
    where = f"{group.name.rstrip('/')}/{name}"
    if item is None:
        raise FileFormatError(
            f"{group.file.filename}: dataset {where} is missing; the file is damaged or was made "
            "by another program"
        )
    if not isinstance(item, h5py.Dataset):
        raise FileFormatError(f"{group.file.filename}: {where} is not a dataset")
    return item


def check_form(data: Any, shape: tuple[int | None, ...], kinds: str) -> None:
    """Check the shape (None: any) and the kind of numbers of a dataset."""
    ok = len(data.shape) == len(shape) and all(
        want is None or have == want for have, want in zip(data.shape, shape, strict=False)
    )
    if not ok:
        wanted = ", ".join("any" if n is None else str(n) for n in shape)
        raise FileFormatError(
            f"{data.file.filename}: dataset {data.name} has shape {tuple(data.shape)}, expected "
            f"({wanted}); the file is damaged or was made by another program"
        )
    if data.dtype.kind not in kinds:
        raise FileFormatError(
            f"{data.file.filename}: dataset {data.name} holds {data.dtype}, which is not the kind "
            "of number expected there; the file is damaged or was made by another program"
        )


def read_array(
    group: Any, name: str, shape: tuple[int | None, ...], dtype: Any = None, kinds: str = "fiu"
) -> NDArray[Any]:
    """Read a whole dataset of a known shape."""
    data = dataset(group, name)
    check_form(data, shape, kinds)
    values = np.asarray(data[()])
    return values if dtype is None else values.astype(dtype, copy=False)


def read_number(group: Any, name: str) -> float:
    """Read a dataset that holds one number."""
    return float(read_array(group, name, ()))


def read_label_table(group: Any, name: str) -> tuple[str, ...]:
    """Read a one-dimensional dataset of texts."""
    data = dataset(group, name)
    check_form(data, (None,), "O")
    return tuple(str(item) for item in data.asstr()[()])


def read_texts(group: Any) -> dict[str, str]:
    """Read the attributes of a group as texts."""
    return {str(key): str(value) for key, value in group.attrs.items()}
