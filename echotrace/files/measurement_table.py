"""Reading a measurement back from its CSV table.

The table is what :func:`echotrace.files.table.write_measurement_table` writes, or one that
somebody made by hand or with another program with at least the columns that must not be guessed.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import FileFormatError, MissingDetailError
from echotrace.measurement import Measurement
from echotrace.recording import COLUMNS, Column, Eye, LensState, Method

__all__ = ["read_measurement_table"]

_REQUIRED = ("eye", "method", "lens_state", "accepted", "axial_length_mm")
_ALLOWED = {"eye": Eye, "method": Method, "lens_state": LensState}
_DEFAULTS = {"lens_material": "none", "vitreous": "natural"}
_LENGTHS = ("axial_length_mm", "axial_length_u_mm", "axial_length_u_shared_mm")


def read_measurement_table(path: str | Path) -> Measurement:
    """Read the lengths, labels and findings of scans from a CSV table.

    Parameters
    ----------
    path : str or Path
        Comma-separated, one row a scan, names of the columns in the first row: at least ``eye``,
        ``method``, ``lens_state``, ``accepted`` (true or false) and ``axial_length_mm``. Columns
        named after a segment with ``_mm`` at the end are its lengths.

    Returns
    -------
    Measurement
        Without delays and features, which stay in the native file.

    Raises
    ------
    FileFormatError
        The file cannot be read, or a cell is not what its column says; row and column are named.
    MissingDetailError
        A column is missing that must not be guessed.
    """
    path = Path(path)
    names, rows = _rows(path)
    missing = [name for name in _REQUIRED if name not in names]
    if missing:
        raise MissingDetailError(
            f"{path}: no column {missing[0]!r}; a table of lengths needs {', '.join(_REQUIRED)}"
        )
    cells = {name: [row[k] for row in rows] for k, name in enumerate(names)}
    n = len(rows)
    columns: dict[str, Any] = {}
    for name in COLUMNS:
        values = cells.get(name, [_DEFAULTS.get(name, "")] * n)
        allowed = [str(item) for item in _ALLOWED.get(name, ())]
        for k, value in enumerate(values):
            if allowed and value not in allowed:
                raise FileFormatError(
                    f"{path}: row {k + 2}: {name}={value!r}; use one of {', '.join(allowed)}"
                )
        columns[name] = Column.of(values, n, name)
    segments = tuple(
        name.removesuffix("_mm")
        for name in names
        if name.endswith("_mm") and name not in _LENGTHS and not name.startswith("feature_")
    )
    lengths = {name: _numbers(path, name, cells.get(name), n) for name in _LENGTHS}
    # A spread that was not written down is not zero; for one scan it is then not known.
    shared = lengths["axial_length_u_shared_mm"]
    if "axial_length_u_shared_mm" not in cells:
        shared = np.zeros(n)
    finding_names = tuple(
        dict.fromkeys(word for text in cells.get("findings", []) for word in text.split())
    )
    if len(finding_names) > 32:
        raise FileFormatError(f"{path}: column findings names more than 32 kinds")
    bits = [
        sum(1 << finding_names.index(word) for word in set(text.split()))
        for text in cells.get("findings", [""] * n)
    ]
    by_hand = [text == "hand" for text in cells.get("decided_by", [""] * n)]
    return Measurement(
        interfaces=(),
        segments=segments,
        delay_us=np.empty((n, 0)),
        delay_u_us=np.empty((n, 0)),
        length_mm=np.stack(
            [_numbers(path, f"{name}_mm", cells[f"{name}_mm"], n) for name in segments], axis=1
        )
        if segments
        else np.empty((n, 0)),
        axial_length_mm=lengths["axial_length_mm"],
        axial_length_u_mm=lengths["axial_length_u_mm"],
        axial_length_u_shared_mm=shared,
        score=_numbers(path, "score", cells.get("score"), n),
        findings=np.array(bits, dtype=np.uint32),
        finding_names=finding_names,
        accepted=_truths(path, "accepted", cells["accepted"]),
        decided_by=np.array(by_hand, dtype=np.uint8),
        attributes={"source": path.name},
        **columns,
    )


def _rows(path: Path) -> tuple[list[str], list[list[str]]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            table = [row for row in csv.reader(file, strict=True) if row]
    except OSError as error:
        raise FileFormatError(f"{path}: cannot be read ({error.strerror})") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise FileFormatError(f"{path}: not a comma-separated table ({error})") from error
    if len(table) < 2:
        raise FileFormatError(f"{path}: holds no scans; a row of column names and rows are needed")
    names = [name.strip() for name in table[0]]
    if len(names) == 1 and ";" in names[0]:
        raise FileFormatError(
            f"{path}: columns are separated by semicolons; save it with commas and decimal points"
        )
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise FileFormatError(f"{path}: two columns are called {twice[0]!r}")
    for k, row in enumerate(table[1:], start=2):
        if len(row) != len(names):
            raise FileFormatError(
                f"{path}: row {k} has {len(row)} cells, the first row has {len(names)}"
            )
    return names, [[cell.strip() for cell in row] for row in table[1:]]


def _numbers(path: Path, name: str, cells: Sequence[str] | None, n: int) -> NDArray[np.float64]:
    values = np.full(n, math.nan)
    for k, cell in enumerate(cells or ()):
        if not cell:
            continue
        try:
            values[k] = float(cell)
        except ValueError:
            raise FileFormatError(f"{path}: row {k + 2}: {name}={cell!r} is not a number") from None
        if values[k] < 0.0 or math.isinf(values[k]):
            raise FileFormatError(f"{path}: row {k + 2}: {name}={cell} must be zero or more")
    return values


def _truths(path: Path, name: str, cells: Sequence[str]) -> NDArray[np.bool_]:
    words = {"true": True, "1": True, "false": False, "0": False}
    for k, cell in enumerate(cells):
        if cell.lower() not in words:
            raise FileFormatError(f"{path}: row {k + 2}: {name}={cell!r} must be true or false")
    return np.array([words[cell.lower()] for cell in cells], dtype=np.bool_)
