"""Arrays from NumPy's NPY and NPZ files, without ever loading a pickled object.

What a header claims is held against what the file holds before memory is taken for it.
"""

from __future__ import annotations

import math
import warnings
import zipfile
from functools import partial
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import FileFormatError
from echotrace.files.foreign import Variable, trouble_with
from echotrace.files.guarded import affordable_bytes, open_regular, state_of
from echotrace.user_input import parsing

__all__ = ["npy_variables", "npz_variables"]


def npy_variables(path: Path) -> dict[str, Variable]:
    """The one array of an NPY file, under the name ``array``.

    Parameters
    ----------
    path : Path

    Returns
    -------
    dict of str to Variable

    Raises
    ------
    FileFormatError
        It is no NPY file, damaged, or claims more than it holds.

    Examples
    --------
    >>> np.save(folder / "rf.npy", np.zeros((5, 300)))
    >>> str(npy_variables(folder / "rf.npy")["array"])
    '5 × 300 float64'
    """
    with parsing(path, "an NPY file"), open_regular(path) as file:
        size = state_of(file.fileno())[2]
        return {"array": _variable(path, file, size, partial(_load, path, None))}


def npz_variables(path: Path) -> dict[str, Variable]:
    """The arrays of an NPZ file by name; only their headers are read.

    Parameters
    ----------
    path : Path

    Returns
    -------
    dict of str to Variable

    Raises
    ------
    FileFormatError
        It is no NPZ file, damaged, or claims more than a file of its size can hold.

    Examples
    --------
    >>> np.savez(folder / "run.npz", rf=np.zeros((5, 300)), rate=1e8)
    >>> sorted(npz_variables(folder / "run.npz"))
    ['rate', 'rf']
    """
    found = {}
    most = affordable_bytes(state_of(path)[2])
    with parsing(path, "an NPZ file"), zipfile.ZipFile(path) as archive:
        for member in archive.infolist():
            if not member.filename.endswith(".npy"):
                continue
            if member.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise FileFormatError(
                    f"{path}: {member.filename} is packed in a way that NPZ files are not"
                )
            name = member.filename.removesuffix(".npy")
            with archive.open(member) as file:
                load = partial(_load, path, name)
                found[name] = _variable(path, file, min(member.file_size, most), load)
    return found


def _variable(path: Path, file: IO[bytes], most: int, load: Any) -> Variable:
    with warnings.catch_warnings():
        # What numpy thinks of an odd header is of no interest: it is read or refused.
        warnings.simplefilter("ignore")
        version = np.lib.format.read_magic(file)
        read_header = (
            np.lib.format.read_array_header_1_0
            if version == (1, 0)
            else np.lib.format.read_array_header_2_0
        )
        shape, _, dtype = read_header(file)
    trouble = trouble_with(shape, dtype)
    if not trouble and math.prod(shape) * dtype.itemsize > most:
        raise FileFormatError(
            f"{path}: cut short, or its header claims more than the file can hold ({shape} "
            f"{dtype}); copy it again from where it came"
        )
    return Variable(shape, str(dtype), load, trouble)


def _load(path: Path, name: str | None) -> NDArray[Any]:
    with parsing(path, "a NumPy file"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        loaded = np.load(path, allow_pickle=False)
        if name is None:
            return np.asarray(loaded)
        with loaded:
            return np.asarray(loaded[name])
