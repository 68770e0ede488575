"""Columns of results: those of several states put together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["interleave", "under", "union"]


def interleave(
    parts: list[tuple[NDArray[np.intp], dict[str, NDArray[Any]]]], n_traces: int
) -> dict[str, NDArray[Any]]:
    """Put the columns of several states in the order of the traces; NaN where a state has none.

    Parameters
    ----------
    parts : list of (ndarray of int, dict of str to ndarray)
        Rows of each state, and its columns.
    n_traces : int

    Returns
    -------
    dict of str to ndarray, each (n_traces, ...)

    Examples
    --------
    >>> one, other = {"score": np.array([0.5])}, {"score": np.array([0.9])}
    >>> interleave([(np.array([1]), one), (np.array([0]), other)], 2)["score"].tolist()
    [0.9, 0.5]
    """
    joined: dict[str, NDArray[Any]] = {}
    for rows, columns in parts:
        for name, values in columns.items():
            if name not in joined:
                blank = np.nan if values.dtype.kind == "f" else 0
                joined[name] = np.full((n_traces, *values.shape[1:]), blank, values.dtype)
            joined[name][rows] = values
    return joined


def under(
    wanted: tuple[str, ...], names: Sequence[str], values: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Columns under the names of all states together; NaN where this state has none.

    Parameters
    ----------
    wanted, names : sequence of str
        Names of all states, and of the columns there are.
    values : ndarray of float64, (n, n_names)

    Returns
    -------
    ndarray of float64, (n, n_wanted)

    Examples
    --------
    >>> under(("a", "b"), ["b"], np.ones((1, 1))).tolist()
    [[nan, 1.0]]
    """
    out = np.full((values.shape[0], len(wanted)), np.nan)
    for k, name in enumerate(names):
        if name in wanted:
            out[:, wanted.index(name)] = values[:, k]
    return out


def union(names: list[Any]) -> tuple[str, ...]:
    """Names of several ordered lists, each once, the longest list's order first.

    Parameters
    ----------
    names : list of sequence of str

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> union([["a", "c"], ["a", "b", "c"]])
    ('a', 'b', 'c')
    """
    ordered = sorted(names, key=len, reverse=True)
    return tuple(dict.fromkeys(name for item in ordered for name in item))
