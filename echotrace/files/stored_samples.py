"""Samples that stay in their file and are read block by block, each block checked."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.files import chunks, hdf5_reading
from echotrace.files.digest import block_digest
from echotrace.files.guarded import State, changed

__all__ = ["CHUNK_BYTES", "StoredSamples", "checked_blocks", "rows_in"]

# Size of a chunk of samples, and why there is no compression unless asked for. 4000 noisy int16
# traces of 4096 samples (noise 0.5 % of full scale), chunks of 256 to 1024 KiB, one core, best of
# three, MB of samples per second:
#                          size   writing   reading
#   plain                  1.00    1200     800-3200
#   fletcher32             1.00     750     600-1200
#   shuffle, gzip 1, fl.   0.27 (8 bits) to 0.67 (16 bits)    55-85    160-290
# The checksum costs half of a rate that nothing else in the chain comes near, and finds damage
# that would otherwise be measured. Compression costs four times more on reading for half the disk.
CHUNK_BYTES = 512 * 1024

# Rows that are picked here and there are read in stretches of so many blocks at most.
_BLOCKS_AT_ONCE = 32


def rows_in(size_bytes: int, n_samples: int, dtype: np.dtype[Any]) -> int:
    """Traces that fit into some bytes, one at least.

    Parameters
    ----------
    size_bytes, n_samples : int
    dtype : numpy.dtype

    Returns
    -------
    int

    Examples
    --------
    >>> rows_in(512 * 1024, 4096, np.dtype(np.int16))
    64
    """
    return max(1, size_bytes // (n_samples * dtype.itemsize))


def checked_blocks(
    path: Path, rows: NDArray[Any], first: int, block_rows: int, digests: bytes
) -> NDArray[Any]:
    """Samples, after each block was held against its digest.

    Parameters
    ----------
    path : Path
        For the message.
    rows : ndarray, (n, n_samples)
        Whole blocks, but for the last of the file.
    first : int
        Row of the file at which they begin.
    block_rows : int
        Rows of a block.
    digests : bytes
        Of all blocks of the file, 64 bits each; empty for a file that has none.

    Returns
    -------
    ndarray
        The same rows.

    Raises
    ------
    FileFormatError
        A block is not what was written.

    Examples
    --------
    >>> rows = np.zeros((4, 300), np.int16)
    >>> digests = np.array([block_digest(rows[:2]), block_digest(rows[2:])], np.uint64)
    >>> checked_blocks(Path("run.h5"), rows, 0, 2, digests.tobytes()) is rows
    True
    >>> rows[3, 7] = 1
    >>> checked_blocks(Path("run.h5"), rows, 0, 2, digests.tobytes())  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    echotrace.errors.FileFormatError: ...
    """
    if digests:
        told = np.frombuffer(digests, np.uint64)
        for k in range(0, rows.shape[0], block_rows):
            if block_digest(rows[k : k + block_rows]) != int(told[(first + k) // block_rows]):
                at = first + k
                raise hdf5_reading.damaged(
                    path,
                    f"traces {at} to {min(at + block_rows, first + rows.shape[0]) - 1} are not "
                    "what was written",
                )
    return rows


@dataclass(frozen=True, slots=True)
class StoredSamples:
    """Samples that stay in their file; each slice opens it, reads, checks and closes it.

    Slices may be read by several threads at once.

    Attributes
    ----------
    path : Path
        Absolute, so that it holds when the working folder changes.
    shape : tuple of int
    dtype : numpy.dtype
    state : tuple of int
        Of the file when its description was read; a file that has changed since is refused.
    block_rows : int
        Rows that are read and checked together.
    digests : bytes
        Of each block, 64 bits; empty where the file has none.
    """

    path: Path
    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    state: State
    block_rows: int
    digests: bytes = b""

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, key: Any, /) -> Any:
        row_key, rest = (key[0], key[1:]) if isinstance(key, tuple) else (key, ())
        if isinstance(row_key, slice) and row_key.step in (None, 1):
            # The usual case, a block of a long file, without a list of all of its rows.
            start, stop, _ = row_key.indices(self.shape[0])
            picked = self._stretch(start, max(start, stop))
        else:
            rows = np.arange(self.shape[0])[row_key]
            wanted, place = np.unique(rows, return_inverse=True)
            out = np.empty((wanted.size, self.shape[1]), self.dtype)
            for run in self._runs(wanted):
                first, last = int(wanted[run.start]), int(wanted[run.stop - 1])
                out[run] = self._stretch(first, last + 1)[wanted[run] - first]
            picked = out[place.reshape(-1)].reshape((*rows.shape, self.shape[1]))
        return picked[(..., *rest)] if rest else picked

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        if copy is False:
            raise ValueError("samples that lie in a file cannot be had without a copy")
        return np.asarray(self[:], dtype=dtype)

    def _runs(self, wanted: NDArray[np.intp]) -> Iterator[slice]:
        """Stretches of neighbouring blocks that hold some rows, which rise."""
        blocks = wanted // self.block_rows
        start = 0
        for k in range(1, wanted.size + 1):
            if (
                k == wanted.size
                or blocks[k] > blocks[k - 1] + 1
                or blocks[k] >= blocks[start] + _BLOCKS_AT_ONCE
            ):
                yield slice(start, k)
                start = k

    def _stretch(self, start: int, stop: int) -> NDArray[Any]:
        """Neighbouring rows, read as the blocks they lie in."""
        if start == stop:
            return np.empty((0, self.shape[1]), self.dtype)
        first = start // self.block_rows * self.block_rows
        end = min(-(-stop // self.block_rows) * self.block_rows, self.shape[0])
        rows = None
        if (stop - start) * self.shape[1] * self.dtype.itemsize >= CHUNK_BYTES:
            told = np.frombuffer(self.digests, np.uint64) if self.digests else None
            rows = chunks.read_rows(
                self.path, "samples", self.shape, self.dtype, first, end, self.state, told
            )
        if rows is None:
            rows = checked_blocks(
                self.path, self._by_hdf5(first, end), first, self.block_rows, self.digests
            )
        return rows[start - first : stop - first]

    def _by_hdf5(self, start: int, stop: int) -> NDArray[Any]:
        with hdf5_reading.opened(self.path, kind="recording") as root:
            if root.guard.state != self.state:
                raise changed(self.path)
            data = root.form_of("samples", self.shape, self.dtype.kind)
            root.afford(data, stop - start)
            out = np.empty((stop - start, self.shape[1]), self.dtype)
            data.read_direct(out, np.s_[start:stop])
            return out
