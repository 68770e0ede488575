"""A walk through an HDF5 file in a process of its own, before this process opens it.

What the library does with a damaged or hostile structure cannot be undone: it may never come back,
fill the memory, or end the process. A file without a seal of ours is therefore first walked
through by a child that can be spared. Systems that cannot fork go without.
"""

from __future__ import annotations

import faulthandler
import os
import select
import signal
import time
import warnings
from contextlib import suppress
from pathlib import Path
from typing import Any

__all__ = ["rehearse"]

_MOST_SECONDS = 20.0
"""Of the clock, for a walk that takes some milliseconds (common practice, no source)."""
_BASE_BYTES = 512 * 1024 * 1024
"""Address space for the walk beside what the file may claim."""
_SMALL_BYTES = 8 * 1024 * 1024
"""Arrays up to this are read whole, of others the first row and the last."""


def rehearse(open_file: Any, affordable: int) -> str | None:
    """Walk through an HDF5 file in a child process.

    Parameters
    ----------
    open_file : callable
        Gives a context that opens the file; called in the child.
    affordable : int
        Bytes of memory that the arrays of the file may claim.

    Returns
    -------
    str or None
        What is wrong with the file; None where it can be opened here.

    Examples
    --------
    >>> import h5py
    >>> with h5py.File(folder / "new.h5", "w") as file:
    ...     file["samples"] = [1, 2, 3]
    >>> rehearse(lambda: h5py.File(folder / "new.h5"), 1000) is None
    True
    """
    if not hasattr(os, "fork"):
        return None
    # Loaded here: both processes need it, and what is loaded before the fork is loaded once.
    import h5py  # noqa: F401

    read, write = os.pipe()
    with warnings.catch_warnings():
        # Threads do not follow into the child, which ends without needing any of them.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child == 0:
        with suppress(BaseException):
            os.close(read)
            os.write(write, _walk(open_file, affordable).encode()[:400] + b"\n")
        os._exit(0)
    os.close(write)
    try:
        said = _answer(read)
    finally:
        os.close(read)
        with suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
    if said.endswith(b"\n"):
        return said.decode("utf-8", "replace").strip() or None
    return "its structure leads nowhere" if status else "its structure cannot be followed"


def _answer(read: int) -> bytes:
    """What the child says before it ends or its time is over."""
    said = b""
    until = time.monotonic() + _MOST_SECONDS
    while not said.endswith(b"\n"):
        ready, _, _ = select.select([read], [], [], max(until - time.monotonic(), 0.0))
        if not ready:
            break
        piece = os.read(read, 512)
        if not piece:
            break
        said += piece
    return said


def _walk(open_file: Any, affordable: int) -> str:
    """Everything a reader could ask for, within limits; says what filled the memory."""
    import resource

    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)
    # A crash here is an answer, not a report for the user.
    faulthandler.disable()
    # Only Linux says how much is taken already, and only there the limit is heard.
    with suppress(OSError):
        used = int(Path("/proc/self/statm").read_text().split()[0]) * os.sysconf("SC_PAGE_SIZE")
        limit = used + _BASE_BYTES + 2 * affordable
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    said: list[str] = []
    _tried(said, _visit, open_file, said)
    return said[0] if said else ""


def _visit(open_file: Any, said: list[str]) -> None:
    import h5py

    with open_file() as file:

        def look(_: str, item: Any) -> None:
            for key in item.attrs:
                _tried(said, item.attrs.__getitem__, key)
            if isinstance(item, h5py.Dataset) and item.shape is not None:
                _tried(said, _glance, item)

        look("/", file)
        file.visititems(look)


def _glance(data: Any) -> None:
    if data.is_virtual or data.external:
        return
    if data.size * data.dtype.itemsize <= _SMALL_BYTES:
        data[()]
    elif data.shape[0]:
        data[0]
        data[-1]


def _tried(said: list[str], do: Any, *words: Any) -> None:
    """Do something that may fail, which the reader will then see for itself, but not for memory."""
    try:
        do(*words)
    except Exception as error:
        if isinstance(error, MemoryError) or "alloc" in str(error):
            said.append("its structure asks for more memory than the file can hold")
