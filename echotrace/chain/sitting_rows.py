"""Which traces of a recording belong to one sitting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.states import STATE_COLUMNS
from echotrace.recording import COLUMNS, Recording, distinct_rows

__all__ = ["SittingRows", "sitting_rows"]


# What two sittings share whose eyes may be held against one another.
_PERSON = ("subject", "lens_state", "lens_material", "vitreous", "target")


@dataclass(frozen=True, slots=True, eq=False)
class SittingRows:
    """The sittings of a recording: the traces of equal labels.

    Attributes
    ----------
    number : ndarray of int, (n_traces,)
        Of the sitting that each trace belongs to.
    order : ndarray of int, (n_traces,)
        Traces sitting by sitting, each in the order of the recording.
    start : ndarray of int, (n_sittings + 1,)
        Where each sitting begins in ``order``.
    state : ndarray of int, (n_sittings,)
        Number of the method, lens, cavity and target.
    person : ndarray of int, (n_sittings,)
        Number of the person, in one state of the lens and the cavity; -1 where none is named.

    Examples
    --------
    >>> import echotrace as et
    >>> sitting_rows(et.read("synthetic_traces/immersion_sitting.h5")).of(0).tolist()
    [0, 1, 2, 3, 4, 5]
    """

    number: NDArray[np.intp]
    order: NDArray[np.intp]
    start: NDArray[np.intp]
    state: NDArray[np.intp]
    person: NDArray[np.intp]

    def of(self, sitting: int) -> NDArray[np.intp]:
        """Traces of a sitting.

        Parameters
        ----------
        sitting : int

        Returns
        -------
        ndarray of int
        """
        return self.order[self.start[sitting] : self.start[sitting + 1]]

    def beside(self, row: int) -> list[NDArray[np.intp]]:
        """Other sittings of the person who was measured in a trace.

        Parameters
        ----------
        row : int
            Trace.

        Returns
        -------
        list of ndarray of int
            Their traces.
        """
        sitting = int(self.number[row])
        if self.person[sitting] < 0:
            return []
        same = np.flatnonzero(self.person == self.person[sitting])
        return [self.of(int(k)) for k in same if k != sitting]

    def alike(self, first: int, stop: int, most: int) -> list[NDArray[np.intp]]:
        """Sittings of 3 to ``most`` traces of which some lie in a block.

        Parameters
        ----------
        first, stop : int
            The block.
        most : int

        Returns
        -------
        list of ndarray of int, each (n_sittings, n_traces)
            Traces of the sittings of one state and one size together.
        """
        there = np.unique(self.number[first:stop])
        size = self.start[there + 1] - self.start[there]
        kept = (size >= 3) & (size <= most)
        there, size = there[kept], size[kept]
        key = self.state[there] * (most + 1) + size
        groups = [np.flatnonzero(key == one) for one in np.unique(key)]
        return [self.order[self.start[there[g]][:, None] + np.arange(size[g[0]])] for g in groups]


def sitting_rows(recording: Recording) -> SittingRows:
    """Sort the traces of a recording by sitting.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    SittingRows

    Examples
    --------
    >>> import echotrace as et
    >>> sitting_rows(et.read("synthetic_traces/contact_sitting.h5")).start.tolist()
    [0, 6]
    """
    first, number = distinct_rows([getattr(recording, name) for name in COLUMNS])
    size = np.bincount(number, minlength=first.size)
    start = np.concatenate([[0], np.cumsum(size)])
    _, state = distinct_rows([getattr(recording, name).take(first) for name in STATE_COLUMNS])
    _, person = distinct_rows([getattr(recording, name).take(first) for name in _PERSON])
    named = np.array([bool(recording.subject[int(row)]) for row in first])
    order = np.argsort(number, kind="stable")
    return SittingRows(number, order, start, state, np.where(named, person, -1))
