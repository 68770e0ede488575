"""What stands between a file and the HDF5 library: no read of a damaged file hangs or fills memory.

The library asks for each piece of a file through :class:`GuardedFile`. Pieces whose damage sends
the library into an endless loop are checked before it sees them, what it reads is counted against
the size of the file, and whether the file stayed the same while it was read is told at the end.
"""

from __future__ import annotations

import io
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from echotrace.errors import FileFormatError
from echotrace.files.rehearsal import rehearse
from echotrace.files.seal import seal_holds

__all__ = ["GuardedFile", "State", "affordable_bytes", "open_regular", "open_hdf5", "state_of"]

State = tuple[int, int, int, int]
"""Device, inode, size and time of the last change of a file."""

_SIGNATURE = b"\x89HDF\r\n\x1a\n"
# Noisy samples shrink to a quarter at best, columns of labels to nothing; what claims more than
# this of a file's size is damage (common practice, no source).
_FREE_BYTES, _TIMES = 64 * 1024 * 1024, 32
# A walk of a whole file reads its structure a few times over and its data once.
_FREE_READS, _READ_TIMES = 256 * 1024 * 1024, 8


def affordable_bytes(size: int) -> int:
    """Most bytes of memory that the arrays of a file of some size may claim.

    Parameters
    ----------
    size : int
        Of the file, bytes.

    Returns
    -------
    int

    Examples
    --------
    >>> affordable_bytes(1400) < 100_000_000
    True
    """
    return _FREE_BYTES + _TIMES * size


def state_of(file: int | Path) -> State:
    """What tells one state of a file from another.

    Parameters
    ----------
    file : int or Path
        An open descriptor, or a path.

    Returns
    -------
    tuple of int

    Examples
    --------
    >>> file = folder / "note.txt"
    >>> _ = file.write_text("one")
    >>> before = state_of(file)
    >>> _ = file.write_text("another")
    >>> state_of(file) == before
    False
    """
    found = os.stat(file)  # noqa: PTH116
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns


def open_regular(path: Path) -> io.FileIO:
    r"""Open an ordinary file for reading, without waiting for the other end of a pipe.

    Parameters
    ----------
    path : Path

    Returns
    -------
    io.FileIO

    Raises
    ------
    FileFormatError
        It is not there, not to be read, or not an ordinary file.

    Examples
    --------
    >>> with open_regular(Path("synthetic_traces/contact_sitting.h5")) as file:
    ...     file.read(4)
    b'\x89HDF'
    """
    try:
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | _BINARY)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise FileFormatError(f"{path}: cannot be read ({reason})") from error
    kind = os.fstat(descriptor).st_mode
    if not stat.S_ISREG(kind):
        os.close(descriptor)
        what = "a folder" if stat.S_ISDIR(kind) else "a device or a pipe"
        raise FileFormatError(f"{path}: is {what}; name an ordinary file")
    return io.FileIO(descriptor, "rb")


_BINARY = getattr(os, "O_BINARY", 0)
# Files whose seal held, and those that were walked through, as they were then: a long recording is
# opened for each of its blocks.
_SEALED: set[tuple[Path, State]] = set()
_REHEARSED: set[tuple[Path, State]] = set()


def _remember(where: set[tuple[Path, State]], key: tuple[Path, State]) -> None:
    if len(where) > 1000:
        where.clear()
    where.add(key)


def _rehearse(path: Path, state: State) -> None:
    if (path, state) in _REHEARSED:
        return
    wrong = rehearse(lambda: _bare(path), affordable_bytes(state[2]))
    if wrong is not None:
        raise FileFormatError(f"{path}: damaged ({wrong}); copy it again from where it came")
    _remember(_REHEARSED, (path, state))


@contextmanager
def _bare(path: Path) -> Iterator[Any]:
    """The file through the guard, without the seal, the walk, or an end that could fail."""
    import h5py

    yield h5py.File(GuardedFile(path), "r")


class GuardedFile(io.RawIOBase):
    """A file as the HDF5 library reads it.

    Parameters
    ----------
    path : Path

    Attributes
    ----------
    state : tuple of int
        Of the file when it was opened.
    sealed : bool
        Whether the file has a seal, which holds.
    more_bytes : bool
        Whether something stands behind the end that its first block states; a broken seal, or what
        another program put there.

    Raises
    ------
    FileFormatError
        It cannot be opened, is locked, is no HDF5 file, or is not what was sealed.
    """

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.path = path
        self._file = open_regular(path)
        try:
            self.state = state_of(self._file.fileno())
            self._length_bytes, end = self._superblock()
            self._lock()
            self.sealed = self._check_seal()
            self.more_bytes = not self.sealed and self.state[2] > end
        except BaseException:
            self._file.close()
            raise
        self._left = _FREE_READS + _READ_TIMES * self.state[2]

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()
        super().close()

    def readable(self) -> bool:
        """It can be read."""
        return True

    def seekable(self) -> bool:
        """It can be read anywhere."""
        return True

    def seek(self, offset: int, whence: int = 0, /) -> int:
        """Go to a place."""
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        """The place of the next read."""
        return self._file.tell()

    def readinto(self, buffer: Any, /) -> int:
        """Read into a buffer, after a look at what is read."""
        place = self._file.tell()
        view = memoryview(buffer).cast("B")
        self._left -= len(view)
        if self._left < 0:
            raise FileFormatError(
                f"{self.path}: damaged (its parts are read over and over); copy it again from "
                "where it came"
            )
        done = self._file.readinto(view) or 0
        if done >= 16 and bytes(view[:4]) == b"GCOL":
            self._check_heap(view[:done], place)
        return done

    def check_unchanged(self) -> None:
        """Refuse a file that was changed or cut short while it was read.

        Raises
        ------
        FileFormatError
            It is not as it was when it was opened.
        """
        if state_of(self._file.fileno()) != self.state:
            raise changed(self.path)

    def _superblock(self) -> tuple[int, int]:
        """Bytes of a length in this file, and where it ends by its own account."""
        size, place = self.state[2], 0
        # The signature stands at 0 or behind a user block of 512 · 2ⁿ bytes.
        while place < size:
            self._file.seek(place)
            head = self._file.read(80)
            if head[:8] == _SIGNATURE:
                version = head[8] if len(head) > 8 else 0
                # Where the sizes stand, and the first of the addresses, of which the end is third.
                sizes, first = {0: (13, 24), 1: (13, 28)}.get(version, (9, 12))
                address, length = (*head[sizes : sizes + 2], 8, 8)[:2]
                at = first + 2 * address
                return length, int.from_bytes(head[at : at + address], "little")
            place = max(512, 2 * place)
        raise FileFormatError(
            f"{self.path}: not an HDF5 file (or cut short before its first block); bring other "
            "formats in with `echotrace import`"
        )

    def _lock(self) -> None:
        """Share the lock that writers of HDF5 files hold, where the system has such locks."""
        try:
            import fcntl
        except ImportError:
            return
        if os.environ.get("HDF5_USE_FILE_LOCKING", "").upper() in ("FALSE", "0", "BEST_EFFORT"):
            return
        try:
            fcntl.flock(self._file.fileno(), fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError as error:
            raise FileFormatError(
                f"{self.path}: locked by another program, or on a drive without file locks; close "
                "the other program, or set the environment variable HDF5_USE_FILE_LOCKING=FALSE "
                "for a network drive"
            ) from error

    def _check_seal(self) -> bool:
        if (self.path, self.state) in _SEALED:
            return True
        holds = seal_holds(self._file, self.state[2])
        if holds is False:
            raise FileFormatError(
                f"{self.path}: damaged (not what was written); copy it again from where it came"
            )
        if holds:
            _remember(_SEALED, (self.path, self.state))
        return bool(holds)

    def _check_heap(self, view: memoryview, place: int) -> None:
        """Refuse a collection of texts through which the library would walk for ever.

        An object of it begins with its number, two bytes, and its size; that of the free space,
        number 0, counts its own head, and a size of 0 there is never got past.
        """
        length = self._length_bytes
        head = 8 + length
        size = int.from_bytes(view[8:head], "little")
        if size > self.state[2] - place or size < head:
            raise self._damaged_heap(place)
        if size > len(view):
            # The library reads the head first and comes again for the whole.
            return
        while head + 8 + length <= size:
            number = int.from_bytes(view[head : head + 2], "little")
            taken = int.from_bytes(view[head + 8 : head + 8 + length], "little")
            if number == 0:
                step = taken
                if step < 8 + length:
                    raise self._damaged_heap(place)
            else:
                step = 8 + length + -(-taken // 8) * 8
            head += step
        if head > size:
            raise self._damaged_heap(place)

    def _damaged_heap(self, place: int) -> FileFormatError:
        return FileFormatError(
            f"{self.path}: damaged (the texts stored at byte {place}); copy it again from where it "
            "came"
        )


def changed(path: Path) -> FileFormatError:
    """The error of a file that another program changed; to be raised.

    Parameters
    ----------
    path : Path
    """
    return FileFormatError(
        f"{path}: the file was replaced, rewritten or cut short while it was read; read it again"
    )


@contextmanager
def open_hdf5(path: Path) -> Iterator[tuple[Any, GuardedFile]]:
    """Open an HDF5 file for reading through the guard.

    Parameters
    ----------
    path : Path

    Yields
    ------
    file : h5py.File
    guard : GuardedFile

    Raises
    ------
    FileFormatError
        It cannot be opened, is locked, is no HDF5 file, or was changed while it was read.

    Examples
    --------
    >>> with open_hdf5(Path("synthetic_traces/contact_sitting.h5")) as (file, guard):
    ...     file["samples"].shape
    (6, 3904)
    """
    import h5py

    with GuardedFile(path) as guard:
        if not guard.sealed:
            _rehearse(path, guard.state)
        file = h5py.File(guard, "r")
        try:
            yield file, guard
            guard.check_unchanged()
        finally:
            # Closing a damaged file can fail; what matters was read or refused before.
            with suppress(Exception):
                file.close()
