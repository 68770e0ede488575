"""Packed chunks of HDF5 are held to the size that their dataset states before they are unpacked.

HDF5 unpacks a chunk into as much memory as it asks for and looks at its size afterwards: a chunk of
1 MB can ask for 1 GB.
"""

from __future__ import annotations

import math
import zlib
from typing import Any

__all__ = ["unpacks_beyond"]

_MOST_TIMES = 1032
"""Deflate packs no better: 258 bytes in two bits (Deutsch 1996, RFC 1951, section 3.2.5)."""


def unpacks_beyond(data: Any, most_bytes: int) -> bool:
    """Whether a chunk of a dataset asks for more memory than its shape says.

    Chunks that cannot unpack to more than ``most_bytes`` are not looked at.

    Parameters
    ----------
    data : h5py.Dataset
    most_bytes : int
        What any chunk may take.

    Returns
    -------
    bool

    Raises
    ------
    OSError
        HDF5 cannot list or read the chunks.

    Examples
    --------
    >>> import h5py
    >>> with h5py.File("synthetic_traces/contact_sitting.h5") as file:
    ...     unpacks_beyond(file["truth/axial_length_mm"], 1_000_000)
    False
    """
    import h5py

    created = data.id.get_create_plist()
    if created.get_layout() != h5py.h5d.CHUNKED:
        return False
    filters = [created.get_filter(k)[0] for k in range(created.get_nfilters())]
    packing = filters.count(h5py.h5z.FILTER_DEFLATE)
    if not packing:
        return False
    infos: list[Any] = []
    data.id.chunk_iter(infos.append)
    suspects = [info for info in infos if info.size * _MOST_TIMES**packing > most_bytes]
    if packing > 1 and suspects:
        # Packed twice, a chunk of a few bytes is enough; no program of good will does that.
        return True
    stated = math.prod(data.chunks) * data.dtype.itemsize
    # A checksum made before packing is packed with the numbers.
    stated += 4 * len(filters)
    for info in suspects:
        mask, raw = data.id.read_direct_chunk(info.chunk_offset)
        if mask & 1 << filters.index(h5py.h5z.FILTER_DEFLATE):
            continue
        try:
            if len(zlib.decompressobj().decompress(raw, stated + 1)) > stated:
                return True
        except zlib.error:
            # Damage: HDF5 says so itself, before it takes more than this.
            continue
    return False
