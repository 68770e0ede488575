"""What the files of recordings and of measurements share: label columns, names, provenance."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import FileFormatError, ParameterError
from echotrace.files import hdf5
from echotrace.recording import Column

__all__ = [
    "CHUNK_CACHE_BYTES",
    "check_column_name",
    "portable",
    "read_column",
    "read_provenance",
    "row_codes",
    "write_label_table",
]

CHUNK_CACHE_BYTES = 8 * 1024 * 1024

_CODED = ("eye", "method", "lens_state", "lens_material", "vitreous")
"""Label columns whose few values are also given as CF flags."""


def portable(dtype: np.dtype[Any]) -> np.dtype[Any]:
    """The nearest number type that NetCDF-4 knows and that holds every value."""
    if dtype.kind == "f":
        return np.dtype(np.float32 if dtype.itemsize <= 4 else np.float64)
    return dtype.newbyteorder("=")


def check_column_name(name: str, what: str, group: Any) -> None:
    """Refuse a name under which no further dataset of a group can be stored."""
    if not name.isidentifier() or name in group:
        raise ParameterError(
            f"{what}: a column cannot be stored under the name {name!r}; use letters, digits and "
            "'_', and none of " + ", ".join(group)
        )


def row_codes(column: Column, name: str, known: dict[str, int]) -> NDArray[np.int32]:
    """Codes of a block's labels in the table of the whole file, which grows by those not known."""
    table = [known.setdefault(hdf5.storable(label, name), len(known)) for label in column.labels]
    return np.array(table, np.int32)[column.codes]


def write_label_table(file: Any, name: str, labels: tuple[str, ...]) -> None:
    """Write the table of labels of a column, by code."""
    hdf5.add_axis(file, f"{name}_label", labels, long_name=f"{name}, by code")
    if name in _CODED and all(hdf5.is_flag_word(label) for label in labels):
        hdf5.set_flags(file[name], labels)


def read_column(file: Any, name: str, n_traces: int) -> Column:
    """Read a label column: its codes and their table."""
    codes = hdf5.read_array(file, name, (n_traces,), np.int32, kinds="iu")
    labels = hdf5.read_label_table(file, f"{name}_label")
    if codes.size and not (codes.min() >= 0 and codes.max() < len(labels)):
        raise FileFormatError(
            f"{file.filename}: a code of /{name} points outside /{name}_label; the file is damaged "
            "or was made by another program"
        )
    return Column(codes, labels)


def read_provenance(file: Any) -> dict[str, str]:
    """Read where the data come from; empty where the file does not say."""
    group = file.get("provenance")
    return {} if group is None else hdf5.read_texts(group)
