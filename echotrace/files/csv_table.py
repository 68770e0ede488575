"""The one reader of CSV tables: rows of texts below a line of names, as spreadsheets save them.

Every message names the file, its line and the column. What a column means (a label, a number, yes
or no) is asked for column by column, so that a caller never parses a cell by itself.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import FileFormatError
from echotrace.text_out import from_cell
from echotrace.user_input import number, shorten

__all__ = ["CsvTable", "decoded_text", "read_csv_table"]

MISSING_WORDS = ("", "na", "n/a", "nan", "null", "none", "-", "–", ".")
"""What stands in a numeric cell that has no number, as spreadsheets and statistics programs write
it; case does not matter."""

_TRUE, _FALSE = ("true", "t", "1", "yes"), ("false", "f", "0", "no")
_SEPARATORS = ",;\t"
_DIGIT_OR_INFINITE = re.compile(r"\d|^[+-]?inf", re.IGNORECASE)
_ROW_NAME = re.compile(r"[0-9]+")


def decoded_text(path: Path) -> str:
    """Text of a file in UTF-8, UTF-16 or the one-byte code of older spreadsheets and instruments.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        Without a byte-order mark.

    Raises
    ------
    FileFormatError
        The file cannot be read or holds no text.

    Examples
    --------
    >>> file = folder / "old.csv"
    >>> _ = file.write_bytes("delay;µs".encode("cp1252"))
    >>> decoded_text(file)
    'delay;µs'
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise FileFormatError(f"{path}: cannot be read ({error.strerror or error})") from None
    try:
        if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
            return raw.decode("utf-16")
        if b"\0" in raw:
            raise FileFormatError(f"{path}: holds binary data, so it is not a text file")
        try:
            return raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            return raw.decode("cp1252")
    except UnicodeDecodeError:
        raise FileFormatError(
            f"{path}: not a text file in UTF-8; save it as CSV in UTF-8"
        ) from None


@dataclass(frozen=True, slots=True)
class CsvTable:
    """Rows of a CSV file as texts, and where each stands in the file.

    Attributes
    ----------
    path : Path
    names : tuple of str
        Of the columns, each once.
    rows : tuple of tuple of str, (n_rows, n_names)
        Cells without the blanks around them, and without the apostrophe that keeps a
        spreadsheet from taking a text for a formula.
    lines : tuple of int, (n_rows,)
        Line of the file at which each row begins; the first line is 1.
    decimal_comma : bool
        Numbers may be written with a comma: the columns are separated by something else.
    """

    path: Path
    names: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    decimal_comma: bool = False

    def __contains__(self, name: str) -> bool:
        """Whether there is such a column."""
        return name in self.names

    def __len__(self) -> int:
        """Number of rows."""
        return len(self.rows)

    def error(self, row: int, name: str, what: str) -> FileFormatError:
        """An error that names file, line and column; to be raised.

        Parameters
        ----------
        row : int
            Row, counted from 0.
        name : str
            Column.
        what : str
            What is wrong and what to do, in words.
        """
        return FileFormatError(f"{self.path}: line {self.lines[row]}, column {name!r}: {what}")

    def texts(self, name: str, default: str = "") -> list[str]:
        """Cells of a column; ``default`` where they are empty or the column is missing."""
        if name not in self.names:
            return [default] * len(self.rows)
        at = self.names.index(name)
        return [row[at] or default for row in self.rows]

    def numbers(self, name: str, *, least: float = -math.inf) -> NDArray[np.float64]:
        """Numbers of a column; NaN where one is missing.

        Parameters
        ----------
        name : str
        least : float
            Smallest number allowed.

        Raises
        ------
        FileFormatError
            A cell that is no number, an infinite one or one that is too small.
        """
        cells = self.texts(name)
        out = np.full(len(cells), math.nan)
        for k, cell in enumerate(cells):
            if cell.lower() in MISSING_WORDS:
                continue
            text = cell.replace(",", ".") if self.decimal_comma else cell
            if not _DIGIT_OR_INFINITE.search(cell):
                what = "is not a number; leave the cell empty where there is none"
                raise self.error(k, name, f"{shorten(cell)!r} {what}")
            try:
                out[k] = number(text, low=least, error=FileFormatError)
            except FileFormatError as error:
                raise self.error(k, name, str(error)) from None
        return out

    def whole_numbers(self, name: str) -> NDArray[np.int64]:
        """Whole numbers of a column, of which none may be missing.

        Raises
        ------
        FileFormatError
            A cell that is not a whole number.
        """
        values = self.numbers(name)
        for k in np.flatnonzero(~(np.isfinite(values) & (values == np.round(values)))):
            raise self.error(int(k), name, f"{self.texts(name)[k]!r} is not a whole number")
        return values.astype(np.int64)

    def truths(self, name: str) -> NDArray[np.bool_]:
        """Answers of a column of true and false (also yes and no, 1 and 0).

        Raises
        ------
        FileFormatError
            A cell that is neither.
        """
        cells = [cell.lower() for cell in self.texts(name)]
        for k, cell in enumerate(cells):
            if cell not in (*_TRUE, *_FALSE):
                raise self.error(k, name, f"{self.texts(name)[k]!r} is neither true nor false")
        return np.array([cell in _TRUE for cell in cells], dtype=np.bool_)

    def renamed(self, names: tuple[str, ...]) -> CsvTable:
        """The table with other names of its columns."""
        return replace(self, names=names)

    def select(self, keep: Sequence[bool] | NDArray[np.bool_]) -> CsvTable:
        """The table of some of its rows."""
        chosen = [k for k, kept in enumerate(keep) if kept]
        return replace(
            self,
            rows=tuple(self.rows[k] for k in chosen),
            lines=tuple(self.lines[k] for k in chosen),
        )


def read_csv_table(path: str | Path) -> CsvTable:
    r"""Read a CSV table.

    Parameters
    ----------
    path : str or Path
        A line of names, then one row a line; commas, semicolons or tabs between the cells (a first
        line such as ``sep=;`` says which), or blanks where the line of names has none of these;
        quotes around cells that hold them. Empty lines, empty columns behind the last name, and
        the row names of a data frame, which have no name above them, are left out.

    Returns
    -------
    CsvTable

    Raises
    ------
    FileFormatError
        The file cannot be read, is no such table, or names a column twice.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "lengths.csv"
    >>> _ = path.write_text("subject;length_mm\nS1;23,41\nS2;\n")
    >>> table = read_csv_table(path)
    >>> table.texts("subject"), table.numbers("length_mm")
    (['S1', 'S2'], array([23.41,   nan]))
    """
    path = Path(path)
    text = decoded_text(path)
    first, _, rest = text.partition("\n")
    said = first.strip().lower().removeprefix("sep=") if first.lower().startswith("sep=") else ""
    skipped = 0
    if said or first.strip().lower() == "sep=":
        skipped, text = 1, rest
        first = rest.partition("\n")[0]
    separator = said if said and said in _SEPARATORS else max(_SEPARATORS, key=first.count)
    blanks = not said and not first.count(separator) and " " in first.strip()
    separator = " " if blanks else separator
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=separator, strict=True, skipinitialspace=blanks
    )
    table: list[list[str]] = []
    lines: list[int] = []
    begins = 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                table.append([from_cell(cell.strip()) for cell in cells])
                lines.append(begins + skipped)
            begins = reader.line_num + 1
    except csv.Error as error:
        raise FileFormatError(
            f"{path}: line {begins + skipped}: not a table of separated cells ({error}); is a "
            "quote left open?"
        ) from None
    if not table:
        raise FileFormatError(f"{path}: the file is empty; a header line is needed")
    names = table[0]
    while names and not names[-1]:
        names.pop()
    names, table[1:] = _without_row_names(names, table[1:], quoted='"' in first)
    for name in names:
        if names.count(name) > 1:
            what = f"column {name!r} occurs twice; rename one" if name else "a column has no name"
            raise FileFormatError(f"{path}: line {lines[0]}: {what}")
    for row, line in zip(table[1:], lines[1:], strict=True):
        while len(row) > len(names) and not row[-1]:
            row.pop()
        if len(row) != len(names):
            raise FileFormatError(
                f"{path}: line {line} has {len(row)} cells, the header has {len(names)}"
                f"{_why_cells_differ(first, names, table[1:], row, separator)}"
            )
    return CsvTable(
        path=path,
        names=tuple(names),
        rows=tuple(tuple(row) for row in table[1:]),
        lines=tuple(lines[1:]),
        decimal_comma=separator != ",",
    )


def _why_cells_differ(
    first: str, names: list[str], rows: list[list[str]], row: list[str], separator: str
) -> str:
    """What may be the matter where a row has more cells or fewer than there are names."""
    elsewhere = any(sign in cell for sign in _SEPARATORS for cell in row)
    if all(len(cells) != len(names) for cells in rows) and (elsewhere or len(names) == 1):
        return f"; names of columns must stand first: remove {shorten(first.strip())!r} above them"
    if separator == "," and len(row) == len(names) + 1:
        return "; a number with a decimal comma needs semicolons between the cells"
    return ""


def _without_row_names(
    names: list[str], rows: list[list[str]], *, quoted: bool
) -> tuple[list[str], list[list[str]]]:
    """A table without a first column that has no name, or stands to the left of all names.

    Data frames write the names of their rows so. Without a name above, every row has one cell more
    than there are names, and the first ones are all different numbers, or quoted texts.
    """
    first = [row[0] for row in rows]
    if names and names[0] == "" and names.count("") == 1:
        return names[1:], [row[1:] for row in rows]
    if (
        rows
        and all(len(row) == len(names) + 1 and row[-1] for row in rows)
        and len(set(first)) == len(first)
        and (quoted or all(_ROW_NAME.fullmatch(cell) for cell in first))
    ):
        return names, [row[1:] for row in rows]
    return names, rows
