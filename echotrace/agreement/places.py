"""Where each reading of a study stands: line of a table, scan of a recording, row of an array."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.recording import Column

__all__ = ["Places", "SourceFile", "sha256_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFile:
    """A file that readings come from.

    Attributes
    ----------
    name : str
    sha256 : str
        Of its bytes, in hexadecimal; empty where there is no file.
    synthetic : bool or None
        Whether it says that its traces are invented; None where it says nothing of it.
    """

    name: str
    sha256: str
    synthetic: bool | None = None


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        In hexadecimal; empty where the file cannot be read.

    Examples
    --------
    >>> sha256_of(Path("not there"))
    ''
    """
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


@dataclass(frozen=True, slots=True)
class Places:
    """File and number of each reading, as its reader would look for it.

    Attributes
    ----------
    file, kind : Column
        ``kind`` is ``"line"``, ``"scan"`` or ``"row"``.
    number : ndarray of int64, (n_readings,)
        Counted from 1.
    """

    file: Column
    kind: Column
    number: NDArray[np.int64]

    @classmethod
    def of(cls, file: str, kind: str, number: ArrayLike) -> Places:
        """Places in one file.

        Parameters
        ----------
        file, kind : str
        number : array_like of int, (n_readings,)

        Examples
        --------
        >>> Places.of("a.csv", "line", [2, 3, 7]).names([0, 2])
        'lines 2 and 7'
        """
        number = np.array(number, dtype=np.int64)
        return cls(
            Column.of(file, number.size, "file"), Column.of(kind, number.size, "kind"), number
        )

    @classmethod
    def join(cls, parts: Sequence[Places]) -> Places:
        """Places of several files, one after the other."""
        number = np.concatenate([part.number for part in parts])
        file, kind = (
            Column.of([name for part in parts for name in getattr(part, which)], number.size, which)
            for which in ("file", "kind")
        )
        return cls(file, kind, number)

    def take(self, rows: NDArray[Any]) -> Places:
        """Places of some of the readings."""
        return Places(self.file.take(rows), self.kind.take(rows), self.number[rows])

    def names(self, rows: Iterable[int], most: int = 8) -> str:
        """Places of some readings in words; the file is named where there are several.

        Parameters
        ----------
        rows : iterable of int
            Python's indices, from 0.
        most : int
            How many are named; the rest is counted.
        """
        chosen = np.array([int(k) for k in rows], dtype=np.intp)
        several = len(self.file.present) > 1
        groups: dict[tuple[str, str], list[int]] = {}
        for k in chosen[:most]:
            groups.setdefault((self.kind[k], self.file[k]), []).append(int(self.number[k]))
        parts = []
        for (kind, file), numbers in groups.items():
            text = f"{kind}{'s' if len(numbers) > 1 else ''} {_list(numbers)}"
            parts.append(f"{text} of {file}" if several else text)
        more = chosen.size - most
        return "; ".join(parts) + (f" and {more} more" if more > 0 else "")


def _list(numbers: Sequence[int]) -> str:
    """Numbers in words; three and more that follow one another as a range."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    words = []
    for run in runs:
        words += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else [str(number) for number in run]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
