"""Writing HDF5 that is also valid NetCDF-4: axes, label columns, attributes.

Every axis is a dimension scale with real data, and every axis of every dataset is attached to
one. Nothing is stored as a reference, a compound, a truth value or a complex number, because the
NetCDF-4 readers either fail on these or read them differently.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

import echotrace
from echotrace.caution import CAUTION
from echotrace.errors import ParameterError

__all__ = [
    "add",
    "add_axis",
    "append_rows",
    "is_flag_word",
    "set_flags",
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
_SMALL_FILTER = {
    "shuffle": True,
    "compression": "gzip",
    "compression_opts": 1,
    "fletcher32": True,
}
_SMALL_CHUNK_ROWS = 32_768


def unit_of(name: str) -> str | None:
    """The unit that a name ends in, in a spelling both UCUM and udunits know.

    Parameters
    ----------
    name : str
        Of a dataset, as ``axial_length_mm``.

    Returns
    -------
    str or None
        ``"1"`` for names without a unit; None where no common spelling exists (``_db``,
        ``_deg``, compound units).

    Examples
    --------
    >>> unit_of("axial_length_mm"), unit_of("speed_m_per_s"), unit_of("score"), unit_of("gain_db")
    ('mm', 'm/s', '1', None)
    """
    if name.endswith("_m_per_s"):
        return "m/s"
    if "_per_" in name:
        return None
    last = name.rpartition("_")[2]
    if last in {"db", "deg", "c", "dioptre"}:
        return None
    return _UNITS.get(last, "1")


def stamp(
    file: Any, *, kind: str, version: int, title: str, summary: str, provenance: Mapping[str, str]
) -> None:
    """Write what the file is and where it comes from.

    All of ``provenance`` goes into the group ``provenance``, from which it is read back; what
    catalogues of NetCDF files look for is repeated at the root.

    Parameters
    ----------
    file : h5py.File
    kind : {"recording", "measurement"}
    version : int
        Of the schema.
    title, summary : str
    provenance : mapping of str to str

    Examples
    --------
    >>> import h5py
    >>> with h5py.File(folder / "new.h5", "w") as file:
    ...     stamp(
    ...         file, kind="recording", version=2, title="", summary="", provenance={"seed": "7"}
    ...     )
    ...     file.attrs["schema_name"], file.attrs["seed"], file["provenance"].attrs["seed"]
    ('echotrace_recording', '7', '7')
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
    """Write a mapping of texts as attributes of a group.

    Parameters
    ----------
    group : h5py.Group
    texts : mapping of str to str
    what : str
        What they are, for messages.

    Raises
    ------
    ParameterError
        A name or a text that HDF5, or a reader of NetCDF-4, could not hold.

    Examples
    --------
    >>> import h5py
    >>> with h5py.File(folder / "new.h5", "w") as file:
    ...     write_texts(file, {"setting up": "bath"}, "attributes")
    Traceback (most recent call last):
    ...
    echotrace.errors.ParameterError: attributes: the name 'setting up' cannot be stored; use \
    letters, digits and '_', beginning with a letter
    """
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

    Parameters
    ----------
    group : h5py.Group
    name : str
    values : sequence of int or of str
        What the axis counts, one each.
    long_name : str
        In words.
    grows : bool
        More can be appended.

    Returns
    -------
    h5py.Dataset

    Raises
    ------
    ParameterError
        A text that HDF5 cannot hold.

    Examples
    --------
    >>> import h5py
    >>> with h5py.File(folder / "new.h5", "w") as file:
    ...     axis = add_axis(file, "scan", [0, 1, 2], long_name="number of the scan")
    ...     axis.is_scale, axis.shape
    (True, (3,))
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

    Examples
    --------
    >>> import h5py
    >>> with h5py.File(folder / "new.h5", "w") as file:
    ...     scan = add_axis(file, "scan", [0, 1], long_name="number of the scan")
    ...     length = add(file, "axial_length_mm", [23.4, 23.5], [scan])
    ...     str(length.attrs["units"]), str(length.attrs["long_name"])
    ('mm', 'axial length')
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
        # Masks are of the type of what they mask, as CF asks.
        bit = np.arange(len(masks), dtype=data.dtype)
        data.attrs["flag_masks"] = np.left_shift(data.dtype.type(1), bit)
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
    """Say what the codes 0, 1, … of a dataset mean, as CF does.

    Parameters
    ----------
    data : h5py.Dataset
        Of whole numbers.
    meanings : sequence of str
        One word for each code.

    Examples
    --------
    >>> import h5py
    >>> with h5py.File(folder / "new.h5", "w") as file:
    ...     data = file.create_dataset("eye", data=[0, 1, 1])
    ...     set_flags(data, ["left", "right"])
    ...     data.attrs["flag_values"].tolist(), str(data.attrs["flag_meanings"])
    ([0, 1], 'left right')
    """
    data.attrs["flag_values"] = np.arange(len(meanings), dtype=data.dtype)
    data.attrs["flag_meanings"] = " ".join(meanings)


def is_flag_word(text: str) -> bool:
    """Tell whether a text can stand in CF's blank-separated ``flag_meanings``.

    Parameters
    ----------
    text : str

    Returns
    -------
    bool

    Examples
    --------
    >>> is_flag_word("silicone_oil_1000"), is_flag_word("silicone oil")
    (True, False)
    """
    return re.fullmatch(r"[A-Za-z0-9_.+@-]+", text) is not None


def append_rows(data: Any, values: NDArray[Any]) -> None:
    """Append rows to a dataset that grows.

    Parameters
    ----------
    data : h5py.Dataset
        Made with ``grows``.
    values : ndarray, (n, ...)

    Examples
    --------
    >>> import h5py
    >>> with h5py.File(folder / "new.h5", "w") as file:
    ...     data = file.create_dataset("rows", data=np.zeros((1, 2)), maxshape=(None, 2))
    ...     append_rows(data, np.ones((3, 2)))
    ...     data.shape
    (4, 2)
    """
    start = data.shape[0]
    data.resize(start + values.shape[0], axis=0)
    data[start:] = values
