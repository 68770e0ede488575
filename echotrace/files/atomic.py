"""Where output may be written, and writing so that a file is wholly new or wholly as it was."""

from __future__ import annotations

import os
import re
import secrets
import shutil
import stat
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path

from echotrace.errors import FileFormatError, ParameterError

__all__ = [
    "LEFT_BEHIND",
    "atomic_target",
    "check_outputs",
    "checked_target",
    "push",
    "remove_partial_files",
    "save_text",
    "sweep",
    "writing",
]

LEFT_BEHIND = ".echotrace-*.partial"
"""Pattern of the temporary files that a killed process leaves."""

_PARTIAL = re.compile(r"\.echotrace-([0-9a-f]{8})-([0-9]+)-[0-9a-f]{16}\.partial")

# Temporary files of this process: what has to go when it is told to stop.
_mine: set[Path] = set()


def checked_target(path: str | Path) -> Path:
    """The file that a path stands for, links followed; refused where none could be written.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Path
        Absolute; of the file itself, not of a link to it.

    Raises
    ------
    FileFormatError
        It is a folder, a device or a pipe, its folder does not exist, or the disk says no.

    Examples
    --------
    >>> checked_target(folder / "new.csv").name
    'new.csv'
    >>> checked_target("synthetic_traces")
    Traceback (most recent call last):
    ...
    echotrace.errors.FileFormatError: synthetic_traces: is a folder; give the name of a file in it
    """
    with writing(path):
        target = Path(os.path.realpath(path))
        try:
            kind = target.stat().st_mode
        except FileNotFoundError:
            kind = stat.S_IFREG
        except NotADirectoryError:
            raise FileFormatError(
                f"{path}: cannot be written: {target.parent} is a file, not a folder"
            ) from None
        if stat.S_ISDIR(kind):
            raise FileFormatError(f"{path}: is a folder; give the name of a file in it")
        if not stat.S_ISREG(kind):
            raise FileFormatError(
                f"{path}: is a device or a pipe; only ordinary files are written, give another name"
            )
        if not target.parent.is_dir():
            raise FileFormatError(
                f"{path}: cannot be written: the folder {target.parent} does not exist; make it "
                "first"
            )
    return target


def check_outputs(
    outputs: Iterable[str | Path], inputs: Iterable[str | Path] = (), *, overwrite: bool = False
) -> None:
    """Refuse outputs that cannot be written or would destroy something, before any work is done.

    Parameters
    ----------
    outputs : iterable of path
        Everything that is going to be written, descriptions beside tables included.
    inputs : iterable of path
        Everything that is read. No output may be one of them, under whatever name.
    overwrite : bool
        Files that exist already may be replaced.

    Raises
    ------
    ParameterError
        An output is an input, is named twice, or exists and ``overwrite`` is not given.
    FileFormatError
        An output cannot be written.

    Examples
    --------
    >>> check_outputs(["README.md"])
    Traceback (most recent call last):
    ...
    echotrace.errors.ParameterError: README.md: exists already; give --overwrite to replace it, or \
    another name
    """
    read = list(inputs)
    places: dict[Path, str | Path] = {}
    for path in outputs:
        target = checked_target(path)
        for source in read:
            if _same(target, source):
                raise ParameterError(
                    f"{path}: would overwrite the input {source}; choose another name"
                )
        if target in places or any(_same(target, other) for other in places.values()):
            raise ParameterError(f"{path}: is to be written twice; give each output its own name")
        places[target] = path
        if target.exists() and not overwrite:
            raise ParameterError(
                f"{path}: exists already; give --overwrite to replace it, or another name"
            )
        if not os.access(target.parent, os.W_OK):
            raise FileFormatError(f"{path}: cannot be written: no permission for {target.parent}")


def _same(target: Path, other: str | Path) -> bool:
    """Whether two names are of one file, by links, relative paths or spelling."""
    with suppress(OSError):
        return target.samefile(other)
    return target == Path(os.path.realpath(other))


@cache
def _here() -> str:
    """What tells this machine, and the numbering of its processes, from others on one drive."""
    try:
        numbering = str(Path("/proc/self/ns/pid").stat().st_ino)
    except OSError:
        numbering = ""
    machine = os.uname().nodename if hasattr(os, "uname") else ""
    return f"{zlib.crc32(f'{machine}/{numbering}'.encode()):08x}"


def sweep(folder: Path) -> None:
    """Delete what processes of this machine left half written in a folder when they were killed.

    Files of a process that still runs stay, as do those of other machines.

    Parameters
    ----------
    folder : Path

    Examples
    --------
    >>> sweep(folder)
    """
    with suppress(OSError):
        for entry in os.scandir(folder):
            found = _PARTIAL.fullmatch(entry.name)
            if found and found[1] == _here() and not _alive(int(found[2])):
                with suppress(OSError):
                    Path(entry.path).unlink()


def _alive(process: int) -> bool:
    if os.name == "nt":
        return True  # Asking would end the process there.
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:
        return True
    return True


def remove_partial_files() -> None:
    """Delete the half-written files of this process; for when it has been told to stop.

    Examples
    --------
    >>> remove_partial_files()
    """
    for path in list(_mine):
        with suppress(OSError):
            path.unlink()
        _mine.discard(path)


@contextmanager
def atomic_target(path: str | Path, *, workplace: Path | None = None) -> Iterator[Path]:
    """Give a temporary path in the folder of ``path``; rename it to ``path`` at a clean end.

    The temporary file is flushed to the disk before it takes the name, and the folder after. Any
    exception inside the block, an interrupt included, removes the temporary file and leaves what
    was at ``path`` untouched. What killed processes left half written in the folder is deleted.

    Parameters
    ----------
    path : str or Path
        Where the file is to appear. A symbolic link is followed, so that the file it points to is
        replaced and the link stays. An existing file's permissions are kept.
    workplace : Path, optional
        Another folder on the same drive for the temporary file.

    Yields
    ------
    Path
        Where to write.

    Raises
    ------
    FileFormatError
        The folder does not exist, the path is no ordinary file, or it cannot be written.

    Examples
    --------
    >>> with atomic_target(folder / "note.txt") as partial:
    ...     _ = partial.write_text("whole")
    >>> (folder / "note.txt").read_text()
    'whole'
    """
    target = checked_target(path)
    folder = workplace or target.parent
    sweep(folder)
    # A fixed-length name, so that a long file name cannot make the temporary one too long.
    partial = folder / f".echotrace-{_here()}-{os.getpid()}-{secrets.token_hex(8)}.partial"
    _mine.add(partial)
    try:
        yield partial
        with writing(path):
            if target.exists():
                shutil.copymode(target, partial)
            push(partial)
            partial.replace(target)
    finally:
        with suppress(FileNotFoundError):
            partial.unlink()
        _mine.discard(partial)
    # The file is complete under its name by now; some systems cannot flush a folder.
    with suppress(OSError):
        handle = os.open(target.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def push(path: Path) -> None:
    """Wait until the disk has what was written to a file.

    Parameters
    ----------
    path : Path

    Examples
    --------
    >>> file = folder / "note.txt"
    >>> _ = file.write_text("whole")
    >>> push(file)
    """
    with path.open("rb+") as file:
        os.fsync(file.fileno())


@contextmanager
def writing(path: str | Path) -> Iterator[None]:
    """Turn a failure of the disk or of permissions into a :class:`FileFormatError`.

    Parameters
    ----------
    path : str or Path
        As messages name it.

    Yields
    ------
    None

    Raises
    ------
    FileFormatError
        In place of an :class:`OSError` from within.

    Examples
    --------
    >>> with writing("note.txt"):
    ...     raise PermissionError(13, "Permission denied")
    Traceback (most recent call last):
    ...
    echotrace.errors.FileFormatError: note.txt: cannot be written (Permission denied); what was \
    there before is untouched
    """
    try:
        yield
    except OSError as error:
        raise FileFormatError(
            f"{path}: cannot be written ({error.strerror or error}); what was there before is "
            "untouched"
        ) from error


def save_text(path: str | Path, text: str) -> None:
    """Write a text file so that it is either the old one or the whole new one.

    Parameters
    ----------
    path : str or Path
    text : str
        Written as UTF-8.

    Raises
    ------
    FileFormatError
        Naming the file; an existing file is then untouched.

    Examples
    --------
    >>> save_text(folder / "note.txt", "23.45 mm")
    >>> (folder / "note.txt").read_text(encoding="utf-8")
    '23.45 mm'
    """
    with atomic_target(path) as partial, writing(path):
        partial.write_text(text, encoding="utf-8")
