"""Writing so that a file is either wholly new or wholly as it was."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from echotrace.errors import FileFormatError

__all__ = ["LEFT_BEHIND", "atomic_target", "checked_target", "push", "save_text", "writing"]

LEFT_BEHIND = ".echotrace-*.partial"
"""Pattern of the temporary files that a killed process leaves."""


def checked_target(path: str | Path) -> Path:
    """The file that a path stands for, links followed; refused where none could be written.

    Raises
    ------
    FileFormatError
        It is a folder, or its folder does not exist.
    """
    target = Path(os.path.realpath(path))
    if target.is_dir():
        raise FileFormatError(f"{path}: is a folder; give the name of a file in it")
    if not target.parent.is_dir():
        raise FileFormatError(
            f"{path}: cannot be written: the folder {target.parent} does not exist; make it first"
        )
    return target


@contextmanager
def atomic_target(path: str | Path, *, workplace: Path | None = None) -> Iterator[Path]:
    """Give a temporary path in the folder of ``path``; rename it to ``path`` at a clean end.

    The temporary file is flushed to the disk before it takes the name, and the folder after. Any
    exception inside the block, an interrupt included, removes the temporary file and leaves what
    was at ``path`` untouched.

    Parameters
    ----------
    path : str or Path
        Where the file is to appear. A symbolic link is followed, so that the file it points to is
        replaced and the link stays. An existing file's permissions are kept.
    workplace : Path, optional
        Another folder on the same drive for the temporary file.

    Raises
    ------
    FileFormatError
        The folder does not exist, or the file cannot be written.
    """
    target = checked_target(path)
    # A fixed-length name, so that a long file name cannot make the temporary one too long.
    partial = (workplace or target.parent) / f".echotrace-{secrets.token_hex(8)}.partial"
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
    # The file is complete under its name by now; some systems cannot flush a folder.
    with suppress(OSError):
        folder = os.open(target.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def push(path: Path) -> None:
    """Wait until the disk has what was written to a file."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


@contextmanager
def writing(path: str | Path) -> Iterator[None]:
    """Turn a failure of the disk or of permissions into a :class:`FileFormatError`."""
    try:
        yield
    except OSError as error:
        raise FileFormatError(
            f"{path}: cannot be written ({error.strerror or error}); what was there before is "
            "untouched"
        ) from error


def save_text(path: str | Path, text: str) -> None:
    """Write a text file so that it is either the old one or the whole new one.

    Raises
    ------
    FileFormatError
        Naming the file; an existing file is then untouched.
    """
    with atomic_target(path) as partial, writing(path):
        partial.write_text(text, encoding="utf-8")
