"""Arrays from NumPy's NPY and NPZ files, without ever loading a pickled object."""

from __future__ import annotations

import zipfile
from functools import partial
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from echotrace.files.foreign import Variable, loading, trouble_with

__all__ = ["npy_variables", "npz_variables"]


def npy_variables(path: Path) -> dict[str, Variable]:
    """The one array of an NPY file, under the name ``array``."""
    with loading(path, "an NPY file"), path.open("rb") as file:
        return {"array": _variable(file, partial(_load, path, None))}


def npz_variables(path: Path) -> dict[str, Variable]:
    """The arrays of an NPZ file by name; only their headers are read."""
    found = {}
    with loading(path, "an NPZ file"), zipfile.ZipFile(path) as archive:
        for member in archive.namelist():
            if member.endswith(".npy"):
                name = member.removesuffix(".npy")
                with archive.open(member) as file:
                    found[name] = _variable(file, partial(_load, path, name))
    return found


def _variable(file: IO[bytes], load: Any) -> Variable:
    version = np.lib.format.read_magic(file)
    read_header = (
        np.lib.format.read_array_header_1_0
        if version == (1, 0)
        else np.lib.format.read_array_header_2_0
    )
    shape, _, dtype = read_header(file)
    return Variable(shape, str(dtype), load, trouble_with(shape, dtype))


def _load(path: Path, name: str | None) -> NDArray[Any]:
    with loading(path, "a NumPy file"):
        loaded = np.load(path, allow_pickle=False)
        if name is None:
            return np.asarray(loaded)
        with loaded:
            return np.asarray(loaded[name])
