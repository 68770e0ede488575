"""Arrays from MAT files, version 5 through scipy and version 7.3 (HDF5) through h5py.

Only plain numeric arrays are taken. Cells, structures, texts and objects are named and refused.
Other HDF5 files go the same way, their arrays named by their path.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.files.foreign import Variable, loading, trouble_with

__all__ = ["hdf5_variables", "mat_variables"]

_NUMERIC = {
    "double", "single", "int8", "int16", "int32", "int64", "uint8", "uint16", "uint32", "uint64",
}  # fmt: skip
_HINT = "save the numeric array itself as a variable of its own"


def mat_variables(path: Path) -> dict[str, Variable]:
    """The variables of a MAT file, of either kind; a v7.3 file is turned to MATLAB's own order."""
    if _is_hdf5_mat(path):
        return hdf5_variables(path)
    import scipy

    with loading(path, "a MAT file"):
        listed = scipy.io.whosmat(path)
    found = {}
    for name, shape, kind in listed:
        trouble = "" if kind in _NUMERIC else f"is a {kind} variable, not numbers; {_HINT}"
        if not trouble and len(shape) != 2:
            trouble = f"has {len(shape)} dimensions, not 1 or 2"
        found[name] = Variable(tuple(shape), kind, partial(_load_v5, path, name), trouble)
    return found


def _is_hdf5_mat(path: Path) -> bool:
    with loading(path, "a MAT file"), path.open("rb") as file:
        return file.read(10) == b"MATLAB 7.3"


def _load_v5(path: Path, name: str) -> NDArray[Any]:
    import scipy

    with loading(path, "a MAT file"):
        return np.asarray(scipy.io.loadmat(path, variable_names=[name])[name])


def hdf5_variables(path: Path) -> dict[str, Variable]:
    """The datasets of an HDF5 file; those that MATLAB wrote come in MATLAB's order of axes."""
    import h5py

    found: dict[str, Variable] = {}
    structures: list[str] = []

    def note(name: str, item: Any) -> None:
        # MATLAB's own store, and what lies inside a structure.
        if name.startswith("#") or any(name.startswith(f"{group}/") for group in structures):
            return
        kind = item.attrs.get("MATLAB_class")
        if isinstance(kind, bytes):
            kind = kind.decode("ascii", "replace")
        if isinstance(item, h5py.Group):
            if kind is not None:
                structures.append(name)
                trouble = f"is a {kind} variable, not numbers; {_HINT}"
                found[name] = Variable((), str(kind), partial(_load_hdf5, path, name), trouble)
            return
        shape = tuple(item.shape or ())
        trouble = trouble_with(shape, item.dtype)
        if item.dtype.names is not None and set(item.dtype.names) == {"real", "imag"}:
            trouble = "is complex; store the real RF or its envelope"
        elif kind is not None and kind not in _NUMERIC:
            trouble = f"is a {kind} variable, not numbers; {_HINT}"
        elif "MATLAB_empty" in item.attrs:
            trouble = "is empty"
        found[name] = Variable(
            shape if kind is None else shape[::-1],
            str(kind or item.dtype),
            partial(_load_hdf5, path, name),
            trouble,
        )

    with loading(path, "an HDF5 file"), h5py.File(path, "r") as file:
        file.visititems(note)
    return found


def _load_hdf5(path: Path, name: str) -> NDArray[Any]:
    import h5py

    with loading(path, "an HDF5 file"), h5py.File(path, "r") as file:
        item = file[name]
        values = np.asarray(item[()])
        # MATLAB stores its arrays column by column, so h5py sees the axes reversed.
        return values.T if "MATLAB_class" in item.attrs else values
