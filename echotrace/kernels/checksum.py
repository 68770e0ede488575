"""Fletcher's checksum of 32 bits, as HDF5 keeps one with each chunk."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.kernels.jit import kernel

__all__ = ["fletcher32"]

_MODULUS = 65535
# Words side by side, each with its own two sums, so that vector registers can be used; and rows of
# them until the second sum, at most 65,535 · 256 · 257 / 2, would no longer fit 32 bits.
_LANES, _ROWS = 1024, 256


def fletcher32(values: NDArray[Any]) -> int:
    """Fletcher-32 of the bytes of an array, as HDF5 computes it.

    Parameters
    ----------
    values : ndarray
        Contiguous, on a machine that puts the low byte first.

    Returns
    -------
    int
        What HDF5 stores, low byte first, behind the data.

    Notes
    -----
    Fletcher JG 1982, IEEE Trans Commun 30:247, over words of 16 bits, high byte first. Because
    256² is 1 modulo 65,535, exchanging the bytes of every word multiplies both sums by 256
    (Braden R, Borman D, Partridge C 1988, RFC 1071), so the words are added as they lie. HDF5
    writes a sum of 0 as 65,535 unless all words are 0.
    """
    raw = values.reshape(-1).view(np.uint8)
    # An odd byte stands for itself and a zero.
    words = (np.append(raw, np.uint8(0)) if raw.size % 2 else raw).view(np.uint16)
    # One form of argument, hence one compiled version.
    words.flags.writeable = False
    first, second = (int(total) * 256 % _MODULUS for total in _sums(words))
    if not (first and second) and words.any():
        first, second = first or _MODULUS, second or _MODULUS
    return second << 16 | first


@kernel
def _sums(words: NDArray[np.uint16]) -> tuple[int, int]:
    """Sum of the words, and the sum of its running values, modulo 65,535."""
    n = words.size
    plain = np.empty(_LANES, np.uint32)
    running = np.empty(_LANES, np.uint32)
    first, second = 0, 0
    start = 0
    while start + 4 * _LANES <= n:
        rows = min(_ROWS, (n - start) // _LANES) // 4 * 4
        plain[:] = 0
        running[:] = 0
        for row in range(0, rows, 4):
            k = start + row * _LANES
            a, b = words[k : k + _LANES], words[k + _LANES : k + 2 * _LANES]
            k += 2 * _LANES
            c, d = words[k : k + _LANES], words[k + _LANES : k + 2 * _LANES]
            for lane in range(_LANES):
                after_a = np.uint32(plain[lane] + a[lane])
                after_b = np.uint32(after_a + b[lane])
                after_c = np.uint32(after_b + c[lane])
                after_d = np.uint32(after_c + d[lane])
                total = np.uint32(np.uint32(running[lane] + after_a) + after_b)
                running[lane] = np.uint32(np.uint32(total + after_c) + after_d)
                plain[lane] = after_d
        start += rows * _LANES
        # Word i counts n - i times in the second sum: as often as its row counts in its lane's
        # running sum, times the lanes, and once for each word from its lane's end on.
        for lane in range(_LANES):
            times = (n - start - lane) % _MODULUS
            own = int(plain[lane]) % _MODULUS
            first += own
            second += times * own + _LANES * (int(running[lane]) % _MODULUS)
        first %= _MODULUS
        second %= _MODULUS
    for k in range(start, n):
        first += int(words[k])
        second += (n - k) % _MODULUS * int(words[k]) % _MODULUS
    return first % _MODULUS, second % _MODULUS
