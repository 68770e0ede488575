"""One digest over all that a result depends on, and all labels: what the checksums of HDF5 miss.

HDF5 keeps a checksum with each chunk of an array, but none with single numbers, texts, or the way
from a name to its data. The digest is taken of what a reader has in hand, so that what was checked
is what is used.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.recording.digest import block_digest, little_endian

__all__ = ["BlockDigests", "ContentDigest", "block_digest"]


class BlockDigests:
    """Digests of the blocks of an array that comes in pieces.

    Parameters
    ----------
    block_rows : int
        Rows of a block; the last one may have fewer.

    Examples
    --------
    >>> digests = BlockDigests(2)
    >>> digests.add(np.zeros((1, 3), np.int16)); digests.add(np.ones((2, 3), np.int16))
    >>> digests.finish().shape
    (2,)
    """

    def __init__(self, block_rows: int) -> None:
        self._block_rows = block_rows
        self._rows = 0
        self._state: Any = None
        self._done: list[int] = []

    def add(self, rows: NDArray[Any]) -> None:
        """Add rows.

        Parameters
        ----------
        rows : ndarray, (n, n_samples)
        """
        import xxhash

        plain = little_endian(rows)
        start = 0
        while start < plain.shape[0]:
            if self._state is None:
                self._state, self._rows = xxhash.xxh3_64(), 0
            stop = min(plain.shape[0], start + self._block_rows - self._rows)
            self._state.update(plain[start:stop].data)
            self._rows += stop - start
            start = stop
            if self._rows == self._block_rows:
                self._done.append(self._state.intdigest())
                self._state = None

    def finish(self) -> NDArray[np.uint64]:
        """The digest of each block, in order."""
        if self._state is not None:
            self._done.append(self._state.intdigest())
            self._state = None
        return np.array(self._done, np.uint64)


class ContentDigest:
    """The digest of named numbers, texts and arrays, which may come row by row.

    The order in which names come does not matter; nor does in how many pieces the rows of an array
    come.

    Examples
    --------
    >>> one, other = ContentDigest(), ContentDigest()
    >>> one.array("gain_db", np.arange(4.0))
    >>> other.array("gain_db", np.arange(2.0)); other.array("gain_db", np.arange(2.0, 4.0))
    >>> one.hexdigest() == other.hexdigest()
    True
    """

    def __init__(self) -> None:
        self._states: dict[str, Any] = {}
        self._forms: dict[str, tuple[str, tuple[int, ...]]] = {}
        self._rows: dict[str, int] = {}
        self._texts: dict[str, Any] = {}

    def array(self, name: str, values: NDArray[Any]) -> None:
        """Add rows of an array of numbers.

        Parameters
        ----------
        name : str
        values : ndarray, (n, ...)
        """
        import xxhash

        plain = little_endian(values)
        if name not in self._states:
            self._states[name] = xxhash.xxh3_128()
            self._forms[name] = (plain.dtype.str, plain.shape[1:])
            self._rows[name] = 0
        self._rows[name] += plain.shape[0]
        if plain.size:
            self._states[name].update(plain.data)

    def number(self, name: str, value: float) -> None:
        """Add one number, to the last bit.

        Parameters
        ----------
        name : str
        value : float
        """
        self._texts[name] = float(value).hex()

    def texts(self, name: str, value: str | Sequence[str] | Mapping[str, str]) -> None:
        """Add a text, a list of texts, or texts by name.

        Parameters
        ----------
        name : str
        value : str, sequence or mapping
        """
        if isinstance(value, Mapping):
            self._texts[name] = dict(sorted(value.items()))
        else:
            self._texts[name] = value if isinstance(value, str) else list(value)

    def hexdigest(self) -> str:
        """The digest of all that was added, 32 hexadecimal digits."""
        import xxhash

        arrays = {
            name: [*self._forms[name], self._rows[name], state.hexdigest()]
            for name, state in self._states.items()
        }
        text = json.dumps([arrays, self._texts], sort_keys=True, ensure_ascii=True)
        return str(xxhash.xxh3_128_hexdigest(text.encode("ascii")))
