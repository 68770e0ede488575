"""What a table of readings means: its columns as the values and labels of a study."""

from __future__ import annotations

from typing import Any

from echotrace.errors import FileFormatError, MissingDetailError
from echotrace.files.csv_table import CsvTable

__all__ = ["study_columns"]

_VALUE_COLUMNS = ("axial_length_mm", "length_mm", "value")
_DEFAULTS = {"eye": "none", "operator": "unnamed", "sitting": "1"}


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
    value_name = next((name for name in _VALUE_COLUMNS if name in table), None)
    missing = [name for name in ("subject", "method") if name not in table]
    if value_name is None:
        missing.append("axial_length_mm (or length_mm, or value with unit)")
    if missing:
        raise FileFormatError(
            f"{path}: no column {', '.join(missing)}; the header has {', '.join(table.names)}"
        )
    assert value_name is not None
    if value_name == "value" and "unit" not in table:
        raise MissingDetailError(
            f"{path}: the column 'value' needs a column 'unit'; name it length_mm if it is in mm"
        )
    if not len(table):
        raise FileFormatError(f"{path}: a header, but no readings below it")
    n_all = len(table)
    if "accepted" in table and not all_scans:
        table = table.select(table.truths("accepted"))
        if not len(table):
            raise FileFormatError(f"{path}: no row is accepted; count rejected scans too?")
    for name in ("subject", "method"):
        if "" in table.texts(name):
            raise table.error(table.texts(name).index(""), name, "the cell is empty")
    value = table.numbers(value_name)
    labels = {
        name: table.texts(name, default) for name, default in _DEFAULTS.items() if name in table
    }
    return {
        "value": value,
        "subject": table.texts("subject"),
        "method": table.texts("method"),
        "order": table.whole_numbers("order") if "order" in table else None,
        "unit": _unit(table, value_name),
        "source": str(path),
        "n_missing": n_all - len(table),
        **labels,
    }


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
