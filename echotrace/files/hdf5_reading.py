"""Reading native HDF5 files: checked forms, memory within the file's own size, clear errors."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import echotrace
from echotrace.errors import EchotraceError, FileFormatError, SchemaVersionError
from echotrace.files.guarded import GuardedFile, State, affordable_bytes, open_hdf5
from echotrace.files.packed import unpacks_beyond
from echotrace.user_input import shorten

__all__ = ["NativeGroup", "damaged", "opened", "reading"]

# Datasets whose chunks were looked at, by name and state of the file.
_UNPACK_AS_STATED: set[tuple[str, State]] = set()

_MADE_ELSEWHERE = "the file is damaged or was made by another program"


class NativeGroup:
    """A group of a native file, whose datasets are read with their form checked.

    Parameters
    ----------
    group : h5py.Group
    guard : GuardedFile
    version : int
        Schema version of the file.
    left : list of int
        Bytes of memory that arrays may still claim, shared by all groups of the file.

    Attributes
    ----------
    group : h5py.Group
    path : Path
    version : int
    """

    def __init__(self, group: Any, guard: GuardedFile, version: int, left: list[int]) -> None:
        self.group, self.path, self.version = group, guard.path, version
        self.guard = guard
        self._left = left

    def __contains__(self, name: str) -> bool:
        """Whether there is something of that name."""
        return name in self.group

    def __iter__(self) -> Iterator[str]:
        """Names of what is in the group."""
        return iter(self.group)

    def place(self, name: str) -> str:
        """The name of a dataset with the groups around it, for messages."""
        return f"{self.group.name.rstrip('/')}/{name}"

    def subgroup(self, name: str) -> NativeGroup | None:
        """A group in this one, or None where it is not there.

        Raises
        ------
        FileFormatError
            It lies in another file, or is no group.
        """
        import h5py

        if name not in self.group:
            return None
        self._refuse_link(name)
        item = self.group[name]
        if not isinstance(item, h5py.Group):
            raise FileFormatError(f"{self.path}: {self.place(name)} is not a group")
        return NativeGroup(item, self.guard, self.version, self._left)

    def dataset(self, name: str) -> Any:
        """A dataset that lies in this very file.

        Returns
        -------
        h5py.Dataset

        Raises
        ------
        FileFormatError
            It is missing, no dataset, or its content lies in another file.
        """
        import h5py

        self._refuse_link(name)
        item = self.group.get(name)
        where = self.place(name)
        if item is None:
            raise FileFormatError(f"{self.path}: dataset {where} is missing; {_MADE_ELSEWHERE}")
        if not isinstance(item, h5py.Dataset):
            raise FileFormatError(f"{self.path}: {where} is not a dataset")
        if item.is_virtual or item.external:
            raise FileFormatError(
                f"{self.path}: the content of {where} lies in another file, which is not followed"
            )
        return item

    def form_of(self, name: str, shape: tuple[int | None, ...], kinds: str) -> Any:
        """A dataset of a known shape (None: any) and kind of numbers.

        Returns
        -------
        h5py.Dataset

        Raises
        ------
        FileFormatError
            It is missing or of another form.
        """
        data = self.dataset(name)
        found = data.shape
        ok = (
            found is not None
            and len(found) == len(shape)
            and all(want is None or have == want for have, want in zip(found, shape, strict=False))
        )
        if not ok:
            wanted = ", ".join("any" if n is None else str(n) for n in shape)
            told = None if found is None else tuple(found)
            raise FileFormatError(
                f"{self.path}: dataset {data.name} has shape {told}, expected ({wanted}); "
                f"{_MADE_ELSEWHERE}"
            )
        if data.dtype.kind not in kinds:
            raise FileFormatError(
                f"{self.path}: dataset {data.name} holds {data.dtype}, which is not the kind of "
                f"number expected there; {_MADE_ELSEWHERE}"
            )
        return data

    def afford(self, data: Any, n_rows: int | None = None) -> None:
        """Refuse a dataset that claims more memory than the size of the file allows.

        Parameters
        ----------
        data : h5py.Dataset
        n_rows : int, optional
            Rows that are to be read at a time; None reads all.

        Raises
        ------
        FileFormatError
            It claims too much.
        """
        chunk = math.prod(data.chunks or (1,)) * data.dtype.itemsize
        shape = data.shape if n_rows is None else (min(n_rows, data.shape[0]), *data.shape[1:])
        claimed = math.prod(shape) * data.dtype.itemsize
        if n_rows is None:
            self._left[0] -= claimed
        if self._left[0] < 0 or max(chunk, claimed) > affordable_bytes(self.guard.state[2]):
            raise FileFormatError(
                f"{self.path}: dataset {data.name} claims {max(chunk, claimed) / 1e6:.0f} MB, more "
                f"than a file of {self.guard.state[2] / 1e6:.3g} MB can hold; {_MADE_ELSEWHERE}"
            )
        if self._unpacks_beyond(data.name):
            raise FileFormatError(
                f"{self.path}: chunks of dataset {data.name} unpack to more than its shape says; "
                f"{_MADE_ELSEWHERE}"
            )

    def _unpacks_beyond(self, name: str) -> bool:
        """Asked once for a file as it is: its blocks are read one after the other."""
        key = (name, self.guard.state)
        if key not in _UNPACK_AS_STATED:
            if unpacks_beyond(self.group.file[name], affordable_bytes(self.guard.state[2])):
                return True
            if len(_UNPACK_AS_STATED) > 1000:
                _UNPACK_AS_STATED.clear()
            _UNPACK_AS_STATED.add(key)
        return False

    def array(
        self, name: str, shape: tuple[int | None, ...], dtype: Any = None, kinds: str = "fiu"
    ) -> NDArray[Any]:
        """Read a whole dataset of a known shape.

        Raises
        ------
        FileFormatError
            It is missing, of another form, or claims too much memory.
        """
        data = self.form_of(name, shape, kinds)
        self.afford(data)
        values = np.asarray(data[()])
        return values if dtype is None else values.astype(dtype, copy=False)

    def number(self, name: str) -> float:
        """Read a dataset that holds one number."""
        return float(self.array(name, ()))

    def whole_number(self, name: str) -> int:
        """Read a dataset that holds one whole number."""
        return int(self.array(name, (), kinds="iu"))

    def labels(self, name: str) -> tuple[str, ...]:
        """Read a one-dimensional dataset of texts."""
        data = self.form_of(name, (None,), "O")
        self.afford(data)
        return tuple(str(item) for item in data.asstr()[()])

    def texts(self) -> dict[str, str]:
        """Read the attributes of the group as texts."""
        return {str(key): str(value) for key, value in self.group.attrs.items()}

    def text(self, name: str, default: str = "") -> str:
        """Read one attribute as text."""
        return str(self.group.attrs.get(name, default))

    def _refuse_link(self, name: str) -> None:
        import h5py

        if isinstance(self.group.get(name, getlink=True), h5py.ExternalLink):
            raise FileFormatError(
                f"{self.path}: {self.place(name)} is a link to another file, which is not followed"
            )


@contextmanager
def opened(path: str | Path, *, kind: str | None, newest: int = 0) -> Iterator[NativeGroup]:
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
    NativeGroup
        The root.

    Raises
    ------
    FileFormatError
        Not there, not HDF5, cut short, damaged, locked, changed while it was read, or of another
        kind.
    SchemaVersionError
        Written by a newer echotrace.

    Examples
    --------
    >>> with opened("synthetic_traces/contact_sitting.h5", kind="recording") as root:
    ...     root.number("sampling_rate_hz")
    100000000.0
    """
    path = Path(path)
    with reading(path), open_hdf5(path) as (file, guard):
        version = _check_schema(file, path, kind, newest)
        if guard.more_bytes:
            raise damaged(path, "its end is cut short, or something was put behind it")
        yield NativeGroup(file, guard, version, [affordable_bytes(guard.state[2])])


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Turn whatever the HDF5 library raises into one clear error.

    Parameters
    ----------
    path : Path

    Yields
    ------
    None

    Raises
    ------
    FileFormatError
        Naming the file.

    Examples
    --------
    >>> with reading(Path("old.h5")):
    ...     raise KeyError("samples")
    Traceback (most recent call last):
    ...
    echotrace.errors.FileFormatError: old.h5: damaged or not of this layout (samples); copy it \
    again from where it came
    """
    try:
        yield
    except EchotraceError:
        raise
    except MemoryError:
        raise FileFormatError(
            f"{path}: too large for the memory; read it with lazy=True, block by block"
        ) from None
    # h5py reports damage by any of these, depending on where in the file it lies.
    except (
        OSError,
        RuntimeError,
        KeyError,
        ValueError,
        TypeError,
        AttributeError,
        IndexError,
        ArithmeticError,
        NotImplementedError,
        SystemError,
    ) as error:
        raise damaged(path, error) from error


def damaged(path: Path, error: BaseException | str) -> FileFormatError:
    """The error of a damaged file; to be raised.

    Parameters
    ----------
    path : Path
    error : exception or str
        What was found.

    Returns
    -------
    FileFormatError

    Examples
    --------
    >>> print(damaged(Path("old.h5"), OSError("truncated file")))
    old.h5: cut short; copy it again from where it came
    """
    text = " ".join(str(error).split()).strip("'\"")
    if "truncated" in text:
        return FileFormatError(f"{path}: cut short; copy it again from where it came")
    return FileFormatError(
        f"{path}: damaged or not of this layout ({shorten(text, 200)}); copy it again from where "
        "it came"
    )


def _check_schema(file: Any, path: Path, kind: str | None, newest: int) -> int:
    name = file.attrs.get("schema_name")
    if not isinstance(name, str) or name not in ("echotrace_recording", "echotrace_measurement"):
        raise FileFormatError(
            f"{path}: an HDF5 file, but not one of echotrace (schema_name is "
            f"{'missing' if name is None else shorten(repr(name))}); bring its array in with "
            "`echotrace import`"
        )
    if kind is not None and name != f"echotrace_{kind}":
        found = name.removeprefix("echotrace_")
        do = (
            "measure it first: echotrace measure RECORDING -o MEASURED.h5"
            if found == "recording"
            else "see what is in it: echotrace inspect FILE"
        )
        raise FileFormatError(f"{path}: holds a {found}, not a {kind}; {do}")
    version = file.attrs.get("schema_version")
    if not isinstance(version, int | np.integer) or version < 1:
        raise FileFormatError(
            f"{path}: schema_version={shorten(repr(version))} is not a positive whole number; "
            f"{_MADE_ELSEWHERE}"
        )
    if newest and version > newest:
        raise SchemaVersionError(
            f"{path}: schema version {int(version)} is newer than {newest}, the newest that "
            f"echotrace {echotrace.__version__} can read; update echotrace"
        )
    return int(version)
