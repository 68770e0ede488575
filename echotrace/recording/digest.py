"""Digests of samples: of a block of them, and of all traces of a recording."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from echotrace.recording.traces import Recording

__all__ = ["block_digest", "little_endian", "traces_digest"]

# As native files have it, so that their own digests of blocks serve.
_BLOCK_BYTES = 512 * 1024


def block_digest(values: NDArray[Any]) -> int:
    """Digest of a block of samples, 64 bits.

    Parameters
    ----------
    values : ndarray
        Contiguous.

    Returns
    -------
    int

    Notes
    -----
    XXH3 of the bytes, low byte first (the description of the algorithm and its reference code are
    open, BSD-2-Clause). Unlike sums it notices words that change places, and 0xFFFF for 0.

    Examples
    --------
    >>> block_digest(np.array([0, 1], "<i2")) == block_digest(np.array([1, 0], "<i2"))
    False
    """
    import xxhash

    return int(xxhash.xxh3_64_intdigest(little_endian(values).data))


def little_endian(values: NDArray[Any]) -> NDArray[Any]:
    """The values contiguous, with the low byte first and truth values as bytes.

    Parameters
    ----------
    values : ndarray

    Returns
    -------
    ndarray

    Examples
    --------
    >>> little_endian(np.array([True, False])).dtype
    dtype('uint8')
    """
    plain = np.ascontiguousarray(values)
    if plain.dtype.kind == "b":
        plain = plain.view(np.uint8)
    return plain.astype(plain.dtype.newbyteorder("<"), copy=False)


def traces_digest(recording: Recording) -> str:
    """What tells the traces of a recording from all others: their samples and when they were taken.

    Labels and what is known of the probe do not count: who corrects one has the same traces.

    Parameters
    ----------
    recording : Recording
        In memory or in its file, whose own digests of blocks are taken where it has them.

    Returns
    -------
    str
        32 hexadecimal digits.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.recording.digest import traces_digest
    >>> path = "synthetic_traces/immersion_sitting.h5"
    >>> traces_digest(et.read(path)) == traces_digest(et.read(path, lazy=True))
    True
    >>> traces_digest(et.read(path)) == traces_digest(et.read(path).select([0, 1]))
    False
    """
    import xxhash

    samples = recording.samples
    n_traces, n_samples = samples.shape
    rows = max(1, _BLOCK_BYTES // (n_samples * samples.dtype.itemsize))
    blocks = b""
    if getattr(samples, "block_rows", 0) == rows:
        blocks = getattr(samples, "digests", b"")
    if not blocks:
        found = [block_digest(np.asarray(samples[k : k + rows])) for k in range(0, n_traces, rows)]
        blocks = np.array(found, "<u8").tobytes()
    what = (
        f"{n_traces} {n_samples} {samples.dtype.newbyteorder('<').str} "
        f"{float(recording.sampling_rate_hz).hex()} {float(recording.start_delay_us).hex()} "
    )
    return str(xxhash.xxh3_128_hexdigest(what.encode("ascii") + blocks))
