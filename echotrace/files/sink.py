"""A file that HDF5 can always close, whatever the disk says.

Where a write fails (full disk, size limit), HDF5 keeps what it could not write, tries again at
every close, complains from destructors, and at last reads freed memory. So HDF5 is given this in
place of the file: from the first failure on it takes everything and keeps nothing, HDF5 closes in
peace, and the failure is raised by :meth:`Sink.check`. The file is of no use then and is deleted.
"""

from __future__ import annotations

import io
import os
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from echotrace.files.seal import seal

__all__ = ["Sink"]


class Sink(io.RawIOBase):
    """A new file for :class:`h5py.File` to write to, in place of its name.

    Parameters
    ----------
    path : Path

    Examples
    --------
    >>> import h5py
    >>> with Sink(folder / "one.h5") as sink, h5py.File(sink, "w") as file:
    ...     file["samples"] = [1, 2, 3]
    ...     sink.check()
    >>> with h5py.File(folder / "one.h5") as file:
    ...     file["samples"][:].tolist()
    [1, 2, 3]
    """

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_TRUNC | _BINARY, 0o666)
        self._failure: OSError | None = None
        self._at = 0
        self._end = 0

    def check(self) -> None:
        """Raise what went wrong so far.

        Raises
        ------
        OSError
            As the system said it.
        """
        if self._failure is not None:
            raise OSError(self._failure.errno, self._failure.strerror)

    def seek(self, offset: int, whence: int = os.SEEK_SET, /) -> int:
        """Move to a place."""
        self._at = offset + (0, self._at, self._end)[whence]
        return self._at

    def tell(self) -> int:
        """The place where the next byte goes."""
        return self._at

    def readinto(self, buffer: Any, /) -> int:
        """Read what was written; zeros where it was lost."""
        view = memoryview(buffer).cast("B")
        os.lseek(self._file, self._at, os.SEEK_SET)
        found = os.read(self._file, len(view))
        view[: len(found)] = found
        if self._failure is not None:
            view[len(found) :] = bytes(len(view) - len(found))
            found = bytes(view)
        self._at += len(found)
        return len(found)

    def write(self, data: Any, /) -> int:
        """Write, and remember if that failed."""
        view = memoryview(data).cast("B")
        if self._failure is None:
            try:
                os.lseek(self._file, self._at, os.SEEK_SET)
                done = 0
                while done < len(view):
                    done += os.write(self._file, view[done:])
            except OSError as error:
                self._failure = error
        self._at += len(view)
        self._end = max(self._end, self._at)
        return len(view)

    def truncate(self, size: int | None = None, /) -> int:
        """Set the size, and remember if that failed."""
        size = self._at if size is None else size
        if self._failure is None:
            try:
                os.ftruncate(self._file, size)
            except OSError as error:
                self._failure = error
        self._end = size
        return size

    def flush(self) -> None:
        """Nothing is kept back."""

    def seal(self, left_out: Iterable[tuple[int, int]] = ()) -> None:
        """Put a seal behind the file, which HDF5 has closed.

        Parameters
        ----------
        left_out : iterable of (int, int)
            Place and size of stretches that have digests of their own, bytes.
        """
        if self._failure is None:
            seal(self, self._end, left_out)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        if not self.closed:
            os.close(self._file)
        super().close()


_BINARY = getattr(os, "O_BINARY", 0)
