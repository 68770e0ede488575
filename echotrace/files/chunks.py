"""Whole chunks with a checksum, read and written without HDF5's own filters.

HDF5 lets one thread work at a time, and half of what it takes is the checksum. A chunk whose only
filter is the checksum lies in the file as its numbers and four bytes more, so it can be read like
any file, by several threads at once, and checked by its digest or by a kernel. Whatever is not of
this form, or does not check, is left to HDF5, which then also says what is wrong.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import FileFormatError
from echotrace.files.digest import block_digest
from echotrace.files.guarded import State, changed, open_hdf5, state_of
from echotrace.files.hdf5_reading import reading

__all__ = ["GrowingRows", "read_rows"]

_CHECKSUM_BYTES = 4


@dataclass(frozen=True, slots=True, eq=False)
class _Chunks:
    """Where the chunks of a dataset of whole rows lie.

    Attributes
    ----------
    form : tuple
        Shape of the dataset and type of its numbers.
    rows : int
        Rows of a chunk.
    offsets : list of int
        Place of each in the file, bytes.
    """

    form: tuple[tuple[int, ...], np.dtype[Any]]
    rows: int
    offsets: list[int]


def read_rows(
    path: Path,
    name: str,
    shape: tuple[int, ...],
    dtype: np.dtype[Any],
    start: int,
    stop: int,
    state: State | None = None,
    digests: NDArray[np.uint64] | None = None,
) -> NDArray[Any] | None:
    """Read rows of a dataset past HDF5.

    Parameters
    ----------
    path : Path
    name : str
        Of the dataset.
    shape, dtype
        What the dataset must be.
    start, stop : int
        First row, and the one to end before.
    state : tuple of int, optional
        What the file must be in; None takes it as it is.
    digests : ndarray of uint64, optional
        Digest of each chunk, which are then checked in place of HDF5's own checksums.

    Returns
    -------
    ndarray or None
        None where only HDF5 can read them, or can say what is wrong with them.

    Raises
    ------
    FileFormatError
        The file is in another state, or changed while it was read.

    Examples
    --------
    >>> from echotrace.files.native import read
    >>> path = Path("synthetic_traces/contact_sitting.h5")
    >>> recording = read(path)
    >>> shape, kind = recording.samples.shape, recording.samples.dtype
    >>> rows = read_rows(path, "samples", shape, kind, 1, 3)
    >>> rows is None or bool((rows == recording.samples[1:3]).all())
    True
    """
    try:
        with path.open("rb", buffering=0) as file:
            found = state_of(file.fileno())
            if state is not None and found != state:
                raise changed(path)
            chunks = _chunks_of(path, name, found)
            if chunks is None or chunks.form != (shape, dtype):
                return None
            if digests is not None and digests.size != len(chunks.offsets):
                return None
            rows = _read(file, chunks, start, stop, digests)
            if rows is not None and state_of(file.fileno()) != found:
                raise changed(path)
            return rows
    except (OSError, OverflowError, MemoryError):
        return None


def _read(
    file: Any, chunks: _Chunks, start: int, stop: int, digests: NDArray[np.uint64] | None
) -> NDArray[Any] | None:
    from echotrace.kernels.checksum import fletcher32

    shape, dtype = chunks.form
    width = shape[1] * dtype.itemsize
    size = chunks.rows * width
    first, end = start // chunks.rows, -(-stop // chunks.rows)
    raw = np.empty((end - first) * size + _CHECKSUM_BYTES, np.uint8)
    view = raw.data
    for k, offset in enumerate(chunks.offsets[first:end]):
        place, behind = k * size, (k + 1) * size
        file.seek(offset)
        # The next chunk takes the place of this one's checksum.
        if file.readinto(view[place : behind + _CHECKSUM_BYTES]) != size + _CHECKSUM_BYTES:
            return None
        if digests is None:
            told = int.from_bytes(view[behind : behind + _CHECKSUM_BYTES], "little")
            if fletcher32(raw[place:behind]) != told:
                return None
        else:
            # Rows behind the last one are not part of what was written.
            used = min(chunks.rows, shape[0] - (first + k) * chunks.rows) * width
            if block_digest(raw[place : place + used]) != int(digests[first + k]):
                return None
    rows = raw[:-_CHECKSUM_BYTES].view(dtype).reshape(-1, shape[1])
    return rows[start - first * chunks.rows : stop - first * chunks.rows]


@lru_cache(maxsize=4)
def _chunks_of(path: Path, name: str, state: State) -> _Chunks | None:
    """Where the chunks lie, or None if not all of them are plain numbers and a checksum."""
    import h5py

    infos: list[Any] = []
    try:
        with reading(path), open_hdf5(path) as (file, guard):
            data = file.get(name)
            chunk = _plain_chunk(data) if isinstance(data, h5py.Dataset) else None
            if chunk is None or len(chunk) != 2:
                return None
            form = (tuple(int(n) for n in data.shape), data.dtype)
            data.id.chunk_iter(infos.append)
            if file.userblock_size or guard.state != state:
                return None
    # Damage, a lock, or an HDF5 that cannot list chunks: the careful way then says what is wrong.
    except FileFormatError:
        return None
    rows, width = chunk
    size = rows * width * form[1].itemsize + _CHECKSUM_BYTES
    if width != form[0][1] or any(info.filter_mask or info.size != size for info in infos):
        return None
    offset = {info.chunk_offset[0]: info.byte_offset for info in infos}
    places = range(0, form[0][0], rows)
    # A chunk that was never written holds the fill value; several in one place are damage.
    if len(set(offset.values())) != len(places) or any(place not in offset for place in places):
        return None
    return _Chunks(form, rows, [offset[place] for place in places])


def _plain_chunk(data: Any) -> tuple[int, ...] | None:
    """Shape of the chunks if they are the bytes of numbers of this machine and a checksum."""
    import h5py

    created = data.id.get_create_plist()
    if (
        created.get_layout() == h5py.h5d.CHUNKED
        and created.get_nfilters() == 1
        and created.get_filter(0)[0] == h5py.h5z.FILTER_FLETCHER32
        and sys.byteorder == "little"
        and data.dtype.isnative
    ):
        return tuple(created.get_chunk())
    return None


class GrowingRows:
    """A dataset to which rows are appended; whole chunks go past HDF5's filters.

    Parameters
    ----------
    data : h5py.Dataset
        Can grow along its first axis.
    """

    def __init__(self, data: Any) -> None:
        self._data = data
        self._n = int(data.shape[0])
        chunk = _plain_chunk(data)
        self._chunk = chunk if chunk is not None and chunk[1:] == data.shape[1:] else None

    def append(self, values: NDArray[Any]) -> None:
        """Append rows."""
        if not values.shape[0]:
            return
        start, self._n = self._n, self._n + values.shape[0]
        self._data.id.set_extent((self._n, *values.shape[1:]))
        if self._chunk is not None:
            rows = self._chunk[0]
            while start % rows == 0 and values.shape[0] >= rows:
                self._write(start, values[:rows])
                start, values = start + rows, values[rows:]
        if values.shape[0]:
            self._data[start:] = values

    def _write(self, start: int, rows: NDArray[Any]) -> None:
        from echotrace.kernels.checksum import fletcher32

        dtype = self._data.dtype
        raw = np.empty(rows.size * dtype.itemsize + _CHECKSUM_BYTES, np.uint8)
        numbers = raw[:-_CHECKSUM_BYTES].view(dtype).reshape(rows.shape)
        np.copyto(numbers, rows, casting="unsafe")
        raw[-_CHECKSUM_BYTES:].view("<u4")[0] = fletcher32(numbers)
        self._data.id.write_direct_chunk((start,) + (0,) * (rows.ndim - 1), raw)
