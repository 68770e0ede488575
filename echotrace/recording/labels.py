"""Labels of traces: the words they are made of, and a column of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import RecordingError
from echotrace.recording.samples import frozen

__all__ = [
    "ALLOWED",
    "COLUMNS",
    "Column",
    "Eye",
    "LensState",
    "Method",
    "Signal",
    "distinct_rows",
]


class Method(StrEnum):
    """How the probe meets the eye; ``other`` for blocks and plates.

    Examples
    --------
    >>> Method("contact").value
    'contact'
    """

    CONTACT = "contact"
    IMMERSION = "immersion"
    OTHER = "other"


class Eye(StrEnum):
    """Which eye; ``none`` for blocks and plates.

    Examples
    --------
    >>> [eye.value for eye in Eye]
    ['right', 'left', 'none']
    """

    RIGHT = "right"
    LEFT = "left"
    NONE = "none"


class LensState(StrEnum):
    """State of the lens; ``none`` for blocks and plates.

    Examples
    --------
    >>> LensState.APHAKIC == "aphakic"
    True
    """

    PHAKIC = "phakic"
    APHAKIC = "aphakic"
    PSEUDOPHAKIC = "pseudophakic"
    NONE = "none"


class Signal(StrEnum):
    """What the samples are: the oscillating echo, or its envelope.

    Examples
    --------
    >>> Signal("rf").value
    'rf'
    """

    RF = "rf"
    ENVELOPE = "envelope"


COLUMNS = (
    "subject",
    "eye",
    "method",
    "lens_state",
    "lens_material",
    "vitreous",
    "operator",
    "sitting",
    "target",
)
"""Names of the label columns of a recording."""

ALLOWED = {
    "eye": {str(item) for item in Eye},
    "method": {str(item) for item in Method},
    "lens_state": {str(item) for item in LensState},
}
"""The words of a column that takes no others."""


@dataclass(frozen=True, slots=True)
class Column:
    """One label per trace, stored as a code into a short table of labels.

    Attributes
    ----------
    codes : ndarray of int32, (n_traces,)
    labels : tuple of str

    Examples
    --------
    >>> column = Column.of(["a", "b", "a"], 3, "operator")
    >>> column[2], column.labels
    ('a', ('a', 'b'))
    >>> column.where("a").tolist()
    [True, False, True]
    """

    codes: NDArray[np.int32]
    labels: tuple[str, ...]

    @classmethod
    def of(cls, value: str | Sequence[str] | Column, n_traces: int, name: str) -> Column:
        """Make a column from one label for all traces, or one label each.

        Parameters
        ----------
        value : str, sequence of str or Column
        n_traces : int
        name : str
            What errors call it.

        Returns
        -------
        Column

        Raises
        ------
        RecordingError
            Not one label for each trace.
        """
        if isinstance(value, Column):
            column = value
        elif isinstance(value, str):
            column = cls(np.zeros(n_traces, np.int32), (str(value),))
        else:
            labels, codes = np.unique(
                np.asarray([str(item) for item in value], dtype=np.str_), return_inverse=True
            )
            column = cls(codes.astype(np.int32).reshape(-1), tuple(str(item) for item in labels))
        if column.codes.shape != (n_traces,):
            raise RecordingError(
                f"{name}: {column.codes.size} labels for {n_traces} traces; give one for each "
                "trace or a single one for all"
            )
        if n_traces and not (
            int(column.codes.min()) >= 0 and int(column.codes.max()) < len(column.labels)
        ):
            raise RecordingError(f"{name}: a code points outside its table of labels")
        return cls(frozen(column.codes, np.int32), column.labels)

    def __len__(self) -> int:
        return int(self.codes.size)

    def __getitem__(self, k: int) -> str:
        return self.labels[int(self.codes[k])]

    def __iter__(self) -> Iterator[str]:
        return (self.labels[int(code)] for code in self.codes)

    def take(self, rows: slice | NDArray[Any]) -> Column:
        """The column of some of the traces.

        Parameters
        ----------
        rows : slice or ndarray
            Trace numbers, or one truth value per trace.

        Returns
        -------
        Column
        """
        return Column(frozen(self.codes[rows], np.int32), self.labels)

    def where(self, label: str) -> NDArray[np.bool_]:
        """Mark the traces that carry a label.

        Parameters
        ----------
        label : str

        Returns
        -------
        ndarray of bool, (n_traces,)
        """
        if label not in self.labels:
            return np.zeros(len(self), dtype=np.bool_)
        return np.asarray(self.codes == self.labels.index(label), dtype=np.bool_)

    @property
    def present(self) -> tuple[str, ...]:
        """Labels that at least one trace carries, in table order."""
        used = np.bincount(self.codes, minlength=len(self.labels)) > 0
        return tuple(label for label, has in zip(self.labels, used, strict=True) if has)


def distinct_rows(columns: Sequence[Column]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Combinations of labels in several columns.

    Parameters
    ----------
    columns : sequence of Column
        Of as many traces each.

    Returns
    -------
    first : ndarray of int, (n_combinations,)
        Trace at which each appears first, rising.
    inverse : ndarray of int, (n_traces,)
        Number of each trace's combination.

    Examples
    --------
    >>> columns = [Column.of(["b", "a", "b"], 3, "eye"), Column.of("x", 3, "method")]
    >>> first, inverse = distinct_rows(columns)
    >>> first.tolist(), inverse.tolist()
    ([0, 1], [0, 1, 0])
    """
    n = len(columns[0])
    inverse = np.zeros(n, np.intp)
    first = np.zeros(1, np.intp)
    for column in columns:
        size = len(column.labels)
        if size == 1:
            continue
        key = inverse * size + column.codes
        # At most all pairs of what was distinct so far and this column's labels: by counting.
        first_of = np.full(first.size * size, n, np.intp)
        order = np.arange(n - 1, -1, -1)
        first_of[key[::-1]] = order
        used = np.flatnonzero(first_of < n)
        used = used[np.argsort(first_of[used], kind="stable")]
        number = np.empty(first_of.size, np.intp)
        number[used] = np.arange(used.size)
        inverse, first = number[key], first_of[used]
    return first, inverse
