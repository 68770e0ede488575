"""A seal behind the end of a native file: a digest of all that the HDF5 library walks through.

HDF5 trusts the structure of a file: a changed byte of it can send the library round in circles,
through all memory, or out of its own. The seal is checked before the library sees the file. Other
readers do not see it: HDF5 ends where its first block says, and what writes to the file later
cuts the seal off. Chunks of samples are left out where each has a digest of its own.

The seal is the list of what is left out (place and size of each stretch, 64 bits each), and behind
it :data:`TAIL`: a name, the size of the HDF5 file, the number of stretches, and XXH3 of 128 bits.
All numbers have their low byte first.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

__all__ = ["TAIL", "seal", "seal_holds"]

TAIL = struct.Struct("<16sQQ16s")
"""Name, size of the HDF5 file in bytes, number of stretches left out, digest."""

_NAME = b"echotrace seal 1"
_PIECE_BYTES = 1 << 20
Stretch = tuple[int, int]


def seal(file: Any, size: int, left_out: Iterable[Stretch] = ()) -> None:
    """Write a seal behind a finished HDF5 file.

    Parameters
    ----------
    file : file-like
        Can be read, sought and written.
    size : int
        Of the file, bytes.
    left_out : iterable of (int, int)
        Place and size of stretches that have digests of their own, bytes.

    Examples
    --------
    >>> import io
    >>> file = io.BytesIO(b"structure and samples")
    >>> seal(file, 21, [(14, 7)])
    >>> seal_holds(file, 21 + 16 + TAIL.size)
    True
    """
    stretches = sorted(left_out)
    body = np.array(stretches, "<u8").tobytes()
    head = TAIL.pack(_NAME, size, len(stretches), bytes(16))
    digest = _digest(file, size, stretches, body + head)
    file.seek(size)
    file.write(body + TAIL.pack(_NAME, size, len(stretches), digest))


def seal_holds(file: Any, size: int) -> bool | None:
    """Whether a file is what was sealed.

    Parameters
    ----------
    file : file-like
        Can be read and sought.
    size : int
        Of the whole file, bytes.

    Returns
    -------
    bool or None
        None where it has no seal.

    Examples
    --------
    >>> import io
    >>> file = io.BytesIO(b"structure")
    >>> seal(file, 9)
    >>> size = len(file.getvalue())
    >>> _ = file.seek(3), file.write(b"X")
    >>> seal_holds(file, size), seal_holds(io.BytesIO(b"other"), 5)
    (False, None)
    """
    if size < TAIL.size:
        return None
    name, told, n, digest = TAIL.unpack(_read(file, size - TAIL.size, TAIL.size))
    if name != _NAME:
        return None
    if told + 16 * n + TAIL.size != size:
        return False
    body = _read(file, told, 16 * n)
    stretches = [(int(at), int(long)) for at, long in np.frombuffer(body, "<u8").reshape(-1, 2)]
    ends = [0, *(at + long for at, long in stretches)]
    starts = [*(at for at, _ in stretches), told]
    if any(start < end for start, end in zip(starts, ends, strict=True)):
        return False
    head = TAIL.pack(_NAME, told, n, bytes(16))
    return bool(_digest(file, told, stretches, body + head) == digest)


def _digest(file: Any, size: int, left_out: Sequence[Stretch], rest: bytes) -> bytes:
    """Digest of a file without some stretches, and of what says so."""
    import xxhash

    found = xxhash.xxh3_128()
    place = 0
    for start, length in (*left_out, (size, 0)):
        while place < start:
            piece = _read(file, place, min(_PIECE_BYTES, start - place))
            if not piece:
                break
            found.update(piece)
            place += len(piece)
        place = start + length
    found.update(rest)
    return bytes(found.digest())


def _read(file: Any, place: int, size: int) -> bytes:
    file.seek(place)
    data: bytes = file.read(size)
    # A raw file may give less than was asked for.
    while 0 < len(data) < size and (more := file.read(size - len(data))):
        data += more
    return data
