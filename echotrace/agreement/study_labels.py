"""One spelling for each label of a table: eyes and methods are joined, other doubles refused."""

from __future__ import annotations

import re

from echotrace.errors import FileFormatError
from echotrace.files.csv_table import CsvTable
from echotrace.user_input import shorten

__all__ = ["column_names", "labels_of", "refuse_third_eyes"]

_EYES = {
    "right": ("right", "r", "od", "re", "right eye", "dex", "dexter", "oculus dexter"),
    "left": ("left", "l", "os", "le", "left eye", "sin", "sinister", "oculus sinister"),
}
"""How an eye is written: common practice, no source."""
_EYE_WORDS = {word: eye for eye, words in _EYES.items() for word in words}
_NO_LABEL = ("na", "n/a", "nan", "null", "<na>")
"""What data frames write where a label is missing; case does not matter."""
_METHODS = ("contact", "immersion")


def column_names(table: CsvTable, known: tuple[str, ...]) -> CsvTable:
    """The table with its known columns under their names, however these are written.

    Parameters
    ----------
    table : CsvTable
    known : tuple of str
        Such as ``"axial_length_mm"``, for which ``"Axial length (mm)"`` is taken too.

    Returns
    -------
    CsvTable

    Raises
    ------
    FileFormatError
        Two columns are the same but for capitals and signs.

    Examples
    --------
    >>> from pathlib import Path
    >>> table = CsvTable(Path("a.csv"), ("Subject", "Length [mm]"), (), ())
    >>> column_names(table, ("subject", "length_mm")).names
    ('subject', 'length_mm')
    """
    names: list[str] = []
    for name in table.names:
        plain = re.sub(r"[^0-9a-z]+", "_", name.lower()).strip("_")
        put = plain if plain in known and name not in known else name
        if put in names or (put != name and put in table.names):
            raise FileFormatError(
                f"{table.path}: columns {name!r} and {put!r} are one but for the spelling; "
                "remove one, or rename it"
            )
        names.append(put)
    return table.renamed(tuple(names))


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


def _eye(text: str) -> str:
    plain = _plain(text)
    return _EYE_WORDS.get(plain, _EYE_WORDS.get(plain.replace(".", ""), plain))


def labels_of(table: CsvTable, name: str, default: str = "") -> tuple[list[str], list[str]]:
    """Labels of a column, one spelling for each, and what was joined.

    Parameters
    ----------
    table : CsvTable
    name : str
        ``"eye"`` and ``"method"`` join what is the same but for capitals and blanks, eyes also the
        usual words and letters for right and left.
    default : str
        For an empty cell; without one an empty cell is refused.

    Returns
    -------
    labels : list of str
    notes : list of str

    Raises
    ------
    FileFormatError
        An empty cell where others are filled, or two codes that differ by their spelling only.

    Examples
    --------
    >>> from pathlib import Path
    >>> table = CsvTable(Path("a.csv"), ("eye",), (("OD",), ("right",)), (2, 3))
    >>> labels_of(table, "eye")
    (['right', 'right'], ["column 'eye': 'OD' (line 2) is read as 'right'"])
    """
    cells = ["" if _plain(cell) in _NO_LABEL else cell for cell in table.texts(name)]
    empty = [k for k, cell in enumerate(cells) if not cell]
    if empty and (not default or name == "eye") and len(empty) < len(cells):
        told = "; other rows name the eye" if name == "eye" else ""
        raise table.error(empty[0], name, f"the cell is empty{told}")
    if empty and len(empty) == len(cells):
        if not default:
            raise table.error(0, name, "the cell is empty")
        return [default] * len(cells), []
    joins = name in ("eye", "method")
    key = _eye if name == "eye" else _plain
    chosen: dict[str, str] = {}
    first: dict[str, int] = {}
    out, read_as = [], {}
    for k, cell in enumerate(cells):
        if not cell:
            out.append(default)
            continue
        plain = key(cell)
        if (name == "eye" and plain in _EYES) or (name == "method" and plain in _METHODS):
            chosen.setdefault(plain, plain)
        label = chosen.setdefault(plain, cell)
        first.setdefault(cell, k)
        if label != cell:
            if not joins:
                raise table.error(
                    k,
                    name,
                    f"{shorten(cell)!r} and {shorten(label)!r} of line "
                    f"{table.lines[first[label]]} differ by their spelling only; write one code "
                    "alike everywhere",
                )
            read_as[cell] = label
        out.append(label)

    def named(cell: str) -> str:
        more = cells.count(cell) - 1
        lines = f"line {table.lines[first[cell]]}{f' and {more} more' if more else ''}"
        return f"column {name!r}: {shorten(cell)!r} ({lines})"

    notes = [f"{named(cell)} is read as {shorten(label)!r}" for cell, label in read_as.items()]
    if name == "eye":
        notes += [
            f"{named(cell)} is neither right nor left, and is taken for an eye of its own"
            for cell in first
            if key(cell) not in _EYES
        ]
    return out, notes


def refuse_third_eyes(table: CsvTable, subject: list[str], eye: list[str]) -> None:
    """Refuse a table that gives a subject three eyes.

    Parameters
    ----------
    table : CsvTable
    subject, eye : list of str
        One label for each row.

    Raises
    ------
    FileFormatError
        Naming the line at which the third eye begins.

    Examples
    --------
    >>> from pathlib import Path
    >>> rows = (("right",), ("left",), ("rigth",))
    >>> table = CsvTable(Path("a.csv"), ("eye",), rows, (2, 3, 4))
    >>> refuse_third_eyes(table, ["S1"] * 3, ["right", "left", "rigth"])
    Traceback (most recent call last):
    ...
    echotrace.errors.FileFormatError: a.csv: line 4, column 'eye': 'rigth' is a third eye of \
subject 'S1', beside 'right' and 'left'; write each eye alike, as right and left
    """
    eyes: dict[str, list[str]] = {}
    for k, (who, which) in enumerate(zip(subject, eye, strict=True)):
        seen = eyes.setdefault(who, [])
        if which in seen:
            continue
        if len(seen) == 2:
            raise table.error(
                k,
                "eye",
                f"{shorten(which)!r} is a third eye of subject {shorten(who)!r}, beside "
                f"{shorten(seen[0])!r} and {shorten(seen[1])!r}; write each eye alike, as right "
                "and left",
            )
        seen.append(which)
