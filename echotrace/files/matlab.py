"""Arrays from MAT files of all versions, and from other HDF5 files.

Version 4 goes through scipy, version 5 through a reader of ours whose every step is checked (one
wrong byte of a tag ends scipy's with the whole process), version 7.3 and other HDF5 through h5py.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import FileFormatError
from echotrace.files.foreign import Variable, trouble_with
from echotrace.files.guarded import affordable_bytes, open_hdf5, open_regular, state_of
from echotrace.files.mat5 import is_mat5, mat5_variables, stacked
from echotrace.user_input import parsing

__all__ = ["hdf5_variables", "mat_variables"]

_NUMERIC = {
    "double", "single", "int8", "int16", "int32", "int64", "uint8", "uint16", "uint32", "uint64",
}  # fmt: skip
_HINT = "save the numeric array itself as a variable of its own"
_MOST_ELEMENTS = 100_000


def mat_variables(path: Path, *, other_files: bool = False) -> dict[str, Variable]:
    """The variables of a MAT file of any version; numbers come in MATLAB's own order of axes.

    Parameters
    ----------
    path : Path
    other_files : bool
        As for :func:`hdf5_variables`.

    Returns
    -------
    dict of str to Variable

    Raises
    ------
    FileFormatError
        It is no MAT file, or damaged.

    Examples
    --------
    >>> import scipy
    >>> file = folder / "traces.mat"
    >>> scipy.io.savemat(file, {"rf": np.zeros((5, 300))})
    >>> mat_variables(file)["rf"].load().shape
    (5, 300)
    """
    with parsing(path, "a MAT file"):
        with open_regular(path) as file:
            head = file.read(10)
        if head == b"MATLAB 7.3":
            return hdf5_variables(path, other_files=other_files)
        if is_mat5(path):
            return mat5_variables(path)
        return _variables_v4(path)


def _variables_v4(path: Path) -> dict[str, Variable]:
    import scipy

    size = state_of(path)[2]
    found = {}
    for name, shape, kind in scipy.io.whosmat(path):
        trouble = "" if kind in _NUMERIC else f"is a {kind} variable, not numbers; {_HINT}"
        if not trouble and len(shape) != 2:
            trouble = f"has {len(shape)} dimensions, not 1 or 2"
        # The numbers of this version lie in the file as they are, a byte each at least.
        if math.prod(int(n) for n in shape) > size:
            raise FileFormatError(f"{path}: variable {name!r} claims more than the file holds")
        found[name] = Variable(tuple(shape), kind, partial(_load_v4, path, name), trouble)
    return found


def _load_v4(path: Path, name: str) -> NDArray[Any]:
    import scipy

    with parsing(path, "a MAT file"):
        return np.asarray(scipy.io.loadmat(path, variable_names=[name])[name])


def hdf5_variables(path: Path, *, other_files: bool = False) -> dict[str, Variable]:
    """The datasets of an HDF5 file; those that MATLAB wrote come in MATLAB's order of axes.

    Parameters
    ----------
    path : Path
    other_files : bool
        Also read datasets whose content lies in another file. Not done unasked: such a dataset
        brings the content of any file of this machine into the recording.

    Returns
    -------
    dict of str to Variable
        Fields of structures of MATLAB as ``name.field``.

    Raises
    ------
    FileFormatError
        It is no HDF5 file, or damaged.

    Examples
    --------
    >>> import h5py
    >>> with h5py.File(folder / "traces.h5", "w") as file:
    ...     file["rf"] = np.zeros((5, 300))
    >>> hdf5_variables(folder / "traces.h5")["rf"].shape
    (5, 300)
    """
    import h5py

    found: dict[str, Variable] = {}
    inside: dict[str, str] = {}

    def note(name: str, item: Any) -> None:
        # MATLAB's own store.
        if name.startswith("#"):
            return
        kind = _matlab_class(item)
        shown = _shown_name(name, inside)
        if isinstance(item, h5py.Group):
            if kind == "struct":
                inside[name] = shown
            elif kind is not None:
                trouble = f"is a {kind} variable, not numbers; {_HINT}"
                found[shown] = Variable((), kind, partial(_load, path, name, other_files), trouble)
            return
        found[shown] = _variable(path, item, name, kind, other_files)

    with parsing(path, "an HDF5 file"), _opened(path, other_files) as file:
        file.visititems(note)
        for name in file:
            link = file.get(name, getlink=True)
            if isinstance(link, h5py.ExternalLink):
                found[name] = _linked(path, file, name, other_files)
    return found


@contextmanager
def _opened(path: Path, other_files: bool) -> Iterator[Any]:
    """The file, through the guard; where other files are to be read, the library goes by itself."""
    import h5py

    with open_hdf5(path) as (file, _):
        if not other_files:
            yield file
            return
    with h5py.File(path, "r") as file:
        yield file


def _shown_name(name: str, inside: dict[str, str]) -> str:
    """The name as MATLAB shows it where it is a field, else the path in the file."""
    group, _, last = name.rpartition("/")
    return f"{inside[group]}.{last}" if group in inside else name


def _matlab_class(item: Any) -> str | None:
    kind = item.attrs.get("MATLAB_class")
    if isinstance(kind, bytes):
        return kind.decode("ascii", "replace")
    return None if kind is None else str(kind)


def _variable(path: Path, item: Any, name: str, kind: str | None, other_files: bool) -> Variable:
    import h5py

    shape = tuple(item.shape or ())
    trouble = trouble_with(shape, item.dtype)
    load = partial(_load, path, name, other_files)
    if (item.is_virtual or item.external) and not other_files:
        trouble = "has its content in another file; if that is wanted, give --other-files"
    elif h5py.check_ref_dtype(item.dtype) is h5py.Reference:
        one = _stacked_references(path, item, other_files)
        if one is not None:
            return one
        trouble = (
            f"is a {kind or 'struct'} variable whose elements are not traces of one length; {_HINT}"
        )
    elif item.dtype.names is not None and set(item.dtype.names) == {"real", "imag"}:
        trouble = "is complex; store the real RF or its envelope"
    elif kind is not None and kind not in _NUMERIC:
        trouble = f"is a {kind} variable, not numbers; {_HINT}"
    elif "MATLAB_empty" in item.attrs:
        trouble = "is empty"
    elif not trouble:
        trouble = _too_large(item, shape)
    return Variable(shape if kind is None else shape[::-1], str(kind or item.dtype), load, trouble)


def _too_large(item: Any, shape: tuple[int, ...]) -> str:
    size = int(item.file.id.get_filesize())
    claimed = math.prod(shape) * item.dtype.itemsize
    chunk = math.prod(item.chunks or (1,)) * item.dtype.itemsize
    if max(claimed, chunk) > affordable_bytes(size) and not (item.is_virtual or item.external):
        return (
            f"claims {max(claimed, chunk) / 1e6:.0f} MB, more than a file of {size / 1e6:.3g} MB "
            "can hold"
        )
    return ""


def _stacked_references(path: Path, item: Any, other_files: bool) -> Variable | None:
    """Traces that a cell or a field of an array of structures refers to, as one variable."""
    import h5py

    if item.size > _MOST_ELEMENTS:
        return None
    if item.size * item.dtype.itemsize > affordable_bytes(int(item.file.id.get_filesize())):
        return None
    parts = []
    for reference in np.asarray(item[()]).T.reshape(-1):
        if not reference:
            return None
        element = item.file[reference]
        if not isinstance(element, h5py.Dataset):
            return None
        parts.append(_variable(path, element, element.name, _matlab_class(element), other_files))
    return stacked(parts)


def _linked(path: Path, file: Any, name: str, other_files: bool) -> Variable:
    import h5py

    if other_files:
        item = file[name]
        if isinstance(item, h5py.Dataset):
            return _variable(path, item, name, None, other_files)
    trouble = "is a link to another file; if that is wanted, give --other-files"
    return Variable((), "link", partial(_load, path, name, other_files), trouble)


def _load(path: Path, name: str, other_files: bool) -> NDArray[Any]:
    with parsing(path, "an HDF5 file"), _opened(path, other_files) as file:
        item = file[name]
        values = np.asarray(item[()])
        # MATLAB stores its arrays column by column, so h5py sees the axes reversed.
        return values.T if "MATLAB_class" in item.attrs else values
