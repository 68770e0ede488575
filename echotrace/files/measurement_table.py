"""Reading a measurement back from its CSV table.

The table is what :func:`echotrace.files.table.write_measurement_table` writes, or one that
somebody made by hand or with another program with at least the columns that must not be guessed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.caution import SYNTHETIC
from echotrace.errors import FileFormatError, MissingDetailError
from echotrace.files.csv_table import CsvTable, read_csv_table
from echotrace.measurement import BY_HAND, Measurement
from echotrace.recording import COLUMNS, Column, Eye, LensState, Method
from echotrace.user_input import shorten

__all__ = ["read_measurement_table"]

_REQUIRED = ("eye", "method", "lens_state", "accepted", "axial_length_mm")
_ALLOWED = {"eye": Eye, "method": Method, "lens_state": LensState}
_DEFAULTS = {"lens_material": "none", "vitreous": "natural"}
_MOST_MM = 1e4
_LENGTHS = ("axial_length_mm", "axial_length_u_mm", "axial_length_u_shared_mm")


def read_measurement_table(path: str | Path) -> Measurement:
    r"""Read the lengths, labels and findings of scans from a CSV table.

    Parameters
    ----------
    path : str or Path
        One row a scan, names of the columns in the first row: at least ``eye``,
        ``method``, ``lens_state``, ``accepted`` (true or false) and ``axial_length_mm``. Columns
        named after a segment with ``_mm`` at the end are its lengths.

    Returns
    -------
    Measurement
        Without delays and features, which stay in the native file; the ``score`` of a table of
        version 0.1 is among the features. Its interfaces are those in which a person set a gate or
        a pick; the scans are marked as the table says.

    Raises
    ------
    FileFormatError
        The file cannot be read, or a cell is not what its column says; row and column are named.
    MissingDetailError
        A column is missing that must not be guessed.

    Examples
    --------
    >>> file = folder / "lengths.csv"
    >>> _ = file.write_text(
    ...     "subject,eye,method,lens_state,accepted,axial_length_mm\n"
    ...     "demo-1,right,contact,phakic,true,23.41\n"
    ... )
    >>> read_measurement_table(file).axial_length_mm
    array([23.41])
    """
    table = read_csv_table(path)
    if not len(table):
        raise FileFormatError(f"{path}: holds no scans; a row of column names and rows are needed")
    missing = [name for name in _REQUIRED if name not in table]
    if missing:
        raise MissingDetailError(
            f"{path}: no column {missing[0]!r}; a table of lengths needs {', '.join(_REQUIRED)}"
        )
    n = len(table)
    columns: dict[str, Any] = {}
    for name in COLUMNS:
        values = table.texts(name, _DEFAULTS.get(name, "") if name not in table else "")
        allowed = [str(item) for item in _ALLOWED.get(name, ())]
        for k, value in enumerate(values):
            if allowed and value not in allowed:
                raise table.error(k, name, f"{shorten(value)!r}: use one of {', '.join(allowed)}")
        columns[name] = Column.of(values, n, name)
    segments = tuple(
        name.removesuffix("_mm")
        for name in table.names
        if name.endswith("_mm") and name not in _LENGTHS and not name.startswith("feature_")
    )
    lengths = {name: _lengths(table, name) for name in _LENGTHS}
    # A spread that was not written down is not zero; for one scan it is then not known.
    shared = lengths["axial_length_u_shared_mm"]
    if "axial_length_u_shared_mm" not in table:
        shared = np.zeros(n)
    found = [text.split() for text in table.texts("findings")]
    finding_names = tuple(dict.fromkeys(word for words in found for word in words))
    if len(finding_names) > 64:
        raise FileFormatError(f"{path}: column findings names more than 64 kinds")
    bits = [sum(1 << finding_names.index(word) for word in set(words)) for words in found]
    decided = [text == "hand" for text in table.texts("decided_by")]
    interfaces, marks = _marks(table)
    nothing = np.full((n, len(interfaces)), np.nan)
    return Measurement(
        interfaces=interfaces,
        segments=segments,
        delay_us=nothing,
        delay_u_us=nothing,
        by_hand=marks,
        length_mm=np.stack([_lengths(table, f"{name}_mm") for name in segments], axis=1)
        if segments
        else np.empty((n, 0)),
        axial_length_mm=lengths["axial_length_mm"],
        axial_length_u_mm=lengths["axial_length_u_mm"],
        axial_length_u_shared_mm=shared,
        length_right=_up_to(table, "length_right", 1.0),
        aligned=_up_to(table, "aligned", 1.0),
        # Tables of version 0.1: aligned and correctly picked.
        features={"score": _up_to(table, "score", 1.0).astype(np.float32)}
        if "score" in table
        else {},
        findings=np.array(bits, dtype=np.uint64),
        finding_names=finding_names,
        accepted=table.truths("accepted"),
        decided_by=np.array(decided, dtype=np.uint8),
        attributes=_provenance(table),
        **columns,
    )


def _marks(table: CsvTable) -> tuple[tuple[str, ...], NDArray[np.uint8]]:
    """Interfaces that a person set in any scan, and what was set in each."""
    found: list[dict[str, int]] = []
    for k, text in enumerate(table.texts("by_hand")):
        marks = {}
        for word in text.split():
            name, _, what = word.partition(":")
            if not name or what not in BY_HAND[1:]:
                raise table.error(
                    k, "by_hand", f"{shorten(word)!r}: use an interface with :gate or :pick"
                )
            marks[name] = BY_HAND.index(what)
        found.append(marks)
    names = tuple(dict.fromkeys(name for marks in found for name in marks))
    codes = [[marks.get(name, 0) for name in names] for marks in found]
    return names, np.array(codes, np.uint8).reshape(len(found), len(names))


def _lengths(table: CsvTable, name: str) -> NDArray[np.float64]:
    return _up_to(table, name, _MOST_MM)


def _up_to(table: CsvTable, name: str, most: float) -> NDArray[np.float64]:
    """Numbers of a column from zero up to a limit; NaN where one is missing."""
    values = table.numbers(name, least=0.0)
    for k in np.flatnonzero(values > most):
        raise table.error(int(k), name, f"{values[k]:g} must be {most:g} or less")
    return values


def _provenance(table: CsvTable) -> dict[str, str]:
    """Where the readings come from, as far as the table says."""
    invented = any(text.startswith(SYNTHETIC) for text in table.texts("caution"))
    about = {"source": f"synthetic: {table.path.name}" if invented else table.path.name}
    said = dict.fromkeys(text for text in table.texts("made_with") if text)
    return about | ({"made_with": "\n".join(said)} if said else {})
