"""What a table of readings means: its columns as the values and labels of a study."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.agreement.places import Places, SourceFile, sha256_of
from echotrace.agreement.study_checks import impossible_lengths, unusual_lengths
from echotrace.agreement.study_labels import column_names, labels_of, refuse_third_eyes
from echotrace.caution import SYNTHETIC
from echotrace.errors import FileFormatError, MissingDetailError
from echotrace.files.csv_table import CsvTable

__all__ = ["study_columns"]

_VALUE_COLUMNS = ("axial_length_mm", "length_mm", "value")
_DEFAULTS = {
    "subject": "",
    "method": "",
    "eye": "none",
    "operator": "unnamed",
    "sitting": "1",
}
_KNOWN = (
    *_VALUE_COLUMNS,
    *_DEFAULTS,
    "unit",
    "order",
    "scan",
    "accepted",
    "findings",
    "decided_by",
    "target",
    "caution",
)


def study_columns(table: CsvTable, *, all_scans: bool = False) -> dict[str, Any]:
    """Arguments of a study from a table of readings.

    Parameters
    ----------
    table : CsvTable
        Columns as :meth:`Study.read_csv` describes them.
    all_scans : bool
        Keep the rows whose ``accepted`` is false.

    Returns
    -------
    dict
        Keyword arguments of ``Study``.

    Raises
    ------
    FileFormatError
        A column is missing or a cell is not what its column says; line and column are named.
    MissingDetailError
        A ``value`` column without a unit.

    Examples
    --------
    >>> from pathlib import Path
    >>> table = CsvTable(
    ...     path=Path("lengths.csv"),
    ...     names=("subject", "method", "length_mm"),
    ...     rows=(("S1", "contact", "23.41"),),
    ...     lines=(2,),
    ... )
    >>> study_columns(table)["value"]
    array([23.41])
    """
    path = table.path
    table = column_names(table, _KNOWN)
    value_name = next((name for name in _VALUE_COLUMNS if name in table), None)
    missing = [name for name in ("subject", "method") if name not in table]
    if value_name is None:
        missing.append("axial_length_mm (or length_mm, or value with unit)")
    if missing:
        raise FileFormatError(
            f"{path}: no column {', '.join(missing)}; the header has "
            f"{', '.join(name for name in table.names if name)}. Each row is one reading"
        )
    assert value_name is not None
    if value_name == "value" and "unit" not in table:
        raise MissingDetailError(
            f"{path}: the column 'value' needs a column 'unit'; name it length_mm if it is in mm"
        )
    if not len(table):
        raise FileFormatError(f"{path}: a header, but no readings below it")
    n_all, left_out = len(table), []
    if "accepted" in table and not all_scans:
        keep = table.truths("accepted")
        left_out = _not_accepted(table, ~keep)
        table = table.select(keep)
        if not len(table):
            raise FileFormatError(f"{path}: no row is accepted; count rejected scans too?")
    value = table.numbers(value_name)
    unit = _unit(table, value_name)
    # A block or plate is measured under the same name; its column says so.
    named = value_name == "axial_length_mm" or "eye" in table
    eyes = named and set(table.texts("target", "eye")) == {"eye"}
    rows, what = impossible_lengths(value, unit, eyes=eyes)
    if rows.size:
        others = Places.of(str(path), "line", np.array(table.lines)[rows[1:]])
        more = f" (also {others.names(range(rows.size - 1))})" if rows.size > 1 else ""
        raise table.error(int(rows[0]), value_name, f"{what}{more}")
    labels, notes = {}, []
    if eyes and unit == "mm":
        notes += unusual_lengths(value)
    for name, default in _DEFAULTS.items():
        if name in table:
            labels[name], told = labels_of(table, name, default)
            notes += told
    if "eye" in labels:
        refuse_third_eyes(table, labels["subject"], labels["eye"])
    order = next((name for name in ("order", "scan") if name in table), None)
    return {
        "value": value,
        "order": None if order is None else table.whole_numbers(order),
        "unit": unit,
        "source": str(path),
        "n_missing": n_all - len(table),
        "places": Places.of(str(path), "line", table.lines),
        "files": (SourceFile(name=path.name, sha256=sha256_of(path), synthetic=_synthetic(table)),),
        "left_out": tuple(left_out),
        "notes": tuple(notes),
        **labels,
    }


def _synthetic(table: CsvTable) -> bool | None:
    """Whether the table says that its readings are of invented traces."""
    cautions = table.texts("caution")
    return any(text.startswith(SYNTHETIC) for text in cautions) if any(cautions) else None


def _not_accepted(table: CsvTable, rejected: NDArray[np.bool_]) -> list[str]:
    lines: dict[str, list[int]] = {}
    findings = table.texts("findings")
    hands = table.texts("decided_by")
    for k in np.flatnonzero(rejected):
        why = findings[k].replace(" ", ", ").replace("_", " ") or "no reason given"
        lines.setdefault("by hand" if hands[k] == "hand" else why, []).append(table.lines[k])
    return [
        f"{table.path.name}: {len(found)} not accepted ({why}): "
        f"{Places.of('', 'line', found).names(range(len(found)))}"
        for why, found in lines.items()
    ]


def _unit(table: CsvTable, value_name: str) -> str:
    if "unit" not in table:
        return "mm"
    cells = table.texts("unit")
    units = list(dict.fromkeys(cells))
    if len(units) > 1:
        raise table.error(
            cells.index(units[1]),
            "unit",
            f"{units[1]!r} after {units[0]!r}; the units are mixed. Convert all readings to one "
            "unit",
        )
    if value_name != "value" and units[0] != "mm":
        raise FileFormatError(
            f"{table.path}: column {value_name!r} says mm, column 'unit' says {units[0]!r}"
        )
    return units[0]
