"""Several files, or a folder of them, as one sitting: in their natural order, and only if alike."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from echotrace.errors import FileFormatError
from echotrace.files.foreign import Foreign

__all__ = ["joined", "natural_key", "source_files"]

SUFFIXES = (
    ".csv", ".txt", ".tsv", ".dat", ".asc", ".npy", ".npz", ".wav", ".mat", ".h5", ".hdf5",
)  # fmt: skip
"""Endings of files that are taken from a folder."""


def natural_key(name: str) -> list[tuple[int, int, str]]:
    """Key that sorts names as people count: trace 2 before trace 10.

    Parameters
    ----------
    name : str

    Returns
    -------
    list of tuple

    Examples
    --------
    >>> sorted(["trace10.csv", "trace2.csv", "Trace1.csv"], key=natural_key)
    ['Trace1.csv', 'trace2.csv', 'trace10.csv']
    """
    parts = re.findall(r"[0-9]+|[^0-9]+", name.casefold())
    return [(0, int(part), "") if part[0] in "0123456789" else (1, 0, part) for part in parts]


def source_files(paths: Sequence[Path]) -> list[Path]:
    """The files that are meant: those named, and those in the folders named.

    Parameters
    ----------
    paths : sequence of Path

    Returns
    -------
    list of Path
        As named; those of a folder in natural order.

    Raises
    ------
    FileFormatError
        A folder without files of traces, or with files of several kinds; a file named twice.

    Examples
    --------
    >>> for k in (2, 10, 1):
    ...     np.save(folder / f"t{k}.npy", np.zeros((1, 300)))
    >>> [path.name for path in source_files([folder])]
    ['t1.npy', 't2.npy', 't10.npy']
    """
    found: list[Path] = []
    for path in paths:
        if not path.is_dir():
            found.append(path)
            continue
        inside = [
            item
            for item in path.iterdir()
            if item.suffix.lower() in SUFFIXES and not item.name.startswith(".") and item.is_file()
        ]
        if not inside:
            raise FileFormatError(
                f"{path}: the folder holds no files of traces ({', '.join(SUFFIXES)})"
            )
        kinds = sorted({item.suffix.lower() for item in inside})
        if len(kinds) > 1:
            raise FileFormatError(
                f"{path}: the folder holds {' and '.join(kinds)} files; name those that are meant, "
                f"like {path}/*{kinds[0]}"
            )
        found += sorted(inside, key=lambda item: natural_key(item.name))
    resolved = [path.resolve() for path in found]
    for k, path in enumerate(resolved):
        if path in resolved[:k]:
            raise FileFormatError(f"{found[k]}: is named twice; each file once")
    return found


def joined(paths: Sequence[Path], parts: Sequence[Foreign]) -> Foreign:
    """The traces of several files as those of one.

    Parameters
    ----------
    paths : sequence of Path
    parts : sequence of Foreign
        What each of them says.

    Returns
    -------
    Foreign

    Raises
    ------
    FileFormatError
        A file whose rate, first delay, length or unit is not that of the first one.

    Examples
    --------
    >>> one = Foreign(samples=np.zeros((1, 300)), sampling_rate_hz=1e8)
    >>> joined([Path("a.csv"), Path("b.csv")], [one, one]).samples.shape
    (2, 300)
    """
    first = parts[0]
    for path, part in zip(paths[1:], parts[1:], strict=True):
        why = _unlike(first, part)
        if why:
            raise FileFormatError(
                f"{path}: {why}, unlike {paths[0].name}; traces of one sitting are alike: import "
                "this file by itself"
            )
    samples = np.concatenate([part.samples for part in parts])
    return replace(first, samples=samples)


def _unlike(first: Foreign, part: Foreign) -> str:
    """What differs between two files that are to be one sitting, or an empty text."""
    if part.samples.shape[1] != first.samples.shape[1]:
        return f"its traces have {part.samples.shape[1]} samples, not {first.samples.shape[1]}"
    rate, other = first.sampling_rate_hz, part.sampling_rate_hz
    # Times that are printed with few digits give rates that differ in the last ones.
    tolerance = 2.0 * max(first.rate_tolerance, part.rate_tolerance)
    if _apart(rate, other, tolerance * (rate or 1.0)):
        return f"its sampling rate is {_said(other, 1e-6)} MHz, not {_said(rate, 1e-6)} MHz"
    start, other = first.start_delay_us, part.start_delay_us
    if _apart(start, other, 1e-3 * (1e6 / rate if rate else 1e-3)):
        return f"its first sample lies at {_said(other)} us, not at {_said(start)} us"
    if part.value_unit != first.value_unit:
        now, before = (unit or "no stated unit" for unit in (part.value_unit, first.value_unit))
        return f"its samples are in {now}, not in {before}"
    now, before = (
        "fractions" if item.samples.dtype.kind == "f" else "whole numbers" for item in (part, first)
    )
    return "" if now == before else f"its samples are {now}, not {before} (another unit?)"


def _apart(one: float | None, other: float | None, tolerance: float) -> bool:
    """Whether two statements differ; one that is missing differs from any."""
    if one is None or other is None:
        return one is not other
    return abs(other - one) > tolerance


def _said(value: float | None, factor: float = 1.0) -> str:
    return "not stated" if value is None else f"{value * factor:.9g}"
