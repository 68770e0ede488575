"""Numbers in a text file, and where they stand in it; what is odd among them is never skipped.

A preamble may stand before the numbers. The first line that is all numbers ends it for good: from
there on every line must be numbers, as many as in the first. A line before it that looks like
numbers with a fault is refused too, for leaving it out would shift or drop a trace.
"""

from __future__ import annotations

import csv
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import EchotraceWarning, FileFormatError
from echotrace.files.csv_table import decoded_text
from echotrace.user_input import shorten

__all__ = ["DECIMALS", "DELIMITERS", "NumberLines", "counts", "read_number_lines"]

DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "blank": " "}
"""Names of what can stand between values."""

DECIMALS = {"point": ".", "comma": ","}
"""Names of the decimal mark."""

_DIGITS = r"([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?"
_NUMBER = re.compile(rf"[+-]?{_DIGITS}|[+-]?(nan|inf(inity)?)", re.IGNORECASE)
_WITH_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+([eE][+-]?[0-9]+)?")
# What a line of plain numbers cannot hold; behind commas also a number such as "012".
_UNPLAIN = re.compile(r"[^0-9 \t.,;+\-eE]")
_UNPLAIN_COMMAS = re.compile(rf"{_UNPLAIN.pattern}|(^|,)[ \t]*0[0-9]")
_BLANKS = " \t"
# Longer than any number: what is said of it in a message is cut.
_LONGEST_CELL = 400


@dataclass(frozen=True, slots=True)
class NumberLines:
    """The numbers of a text file, and where they stand in it.

    Attributes
    ----------
    values : ndarray, (n_lines, n_columns)
    first_line : int
        Line of the file that holds the first row; the first line is 1.
    header : list of list of str
        Cells of the lines before it.
    """

    values: NDArray[np.float64]
    first_line: int
    header: list[list[str]]


def read_number_lines(
    path: Path,
    *,
    delimiter: str | None = None,
    decimal: str | None = None,
    skip_lines: int | None = None,
) -> NumberLines:
    r"""Read the numbers of a text file.

    Parameters
    ----------
    path : Path
    delimiter : {"comma", "semicolon", "tab", "blank"}, optional
    decimal : {"point", "comma"}, optional
        Told from the numbers where they are not given.
    skip_lines : int, optional
        Lines at the beginning that are left out, whatever they hold.

    Returns
    -------
    NumberLines

    Raises
    ------
    FileFormatError
        No numbers, something else among them, or lines of mixed lengths, with line and column.

    Warns
    -----
    EchotraceWarning
        The last line has no end: the file may have been cut short.

    Examples
    --------
    >>> file = folder / "rows.txt"
    >>> _ = file.write_text("1,5;2,5\n3,5;4,5\n")
    >>> read_number_lines(file).values
    array([[1.5, 2.5],
           [3.5, 4.5]])
    """
    text = decoded_text(path)
    lines = _lines_of(text)
    skipped = min(skip_lines or 0, len(lines))
    lines[:skipped] = [""] * skipped
    mark = DELIMITERS[delimiter] if delimiter else _guess_delimiter(lines, decimal)
    point = DECIMALS[decimal] if decimal else _guess_decimal(lines, mark)
    reader = _Reader(path, lines, mark, point)
    header = reader.preamble(told=skip_lines is not None)
    values = reader.numbers()
    if text[-1:] not in ("\n", "\r"):
        warnings.warn(
            f"{path}: its last line has no end, as when a copy was cut short; see that the last "
            "numbers are whole",
            EchotraceWarning,
            stacklevel=4,
        )
    return NumberLines(values, reader.first, header)


class _Reader:
    """The lines of one file, cut into cells."""

    def __init__(self, path: Path, lines: list[str], mark: str, point: str) -> None:
        self.path, self.lines, self.mark, self.point = path, lines, mark, point
        self.beside = self._columns_beside() or self._labels_in_front()
        self.first = 0

    def cells(self, number: int) -> list[str]:
        """Cells of a line, without those of a preamble that stands beside the numbers."""
        return _split(self.lines[number - 1], self.mark)[self.beside :]

    def preamble(self, told: bool) -> list[list[str]]:
        """Cells of the lines before the numbers; finds the first line of numbers."""
        header: list[list[str]] = []
        places: list[int] = []
        for number in range(1, len(self.lines) + 1):
            cells = self.cells(number)
            if not any(cells):
                continue
            if _as_numbers(cells, self.point) is not None:
                self.first = number
                break
            header.append(cells)
            places.append(number)
        if not self.first:
            raise FileFormatError(f"{self.path}: no numbers found; is it a text file of traces?")
        if not told:
            width = len(self.cells(self.first))
            for number, cells in zip(places, header, strict=True):
                at = _fault(cells, width, self.point)
                if at is not None:
                    raise FileFormatError(
                        f"{self.path}: line {number}, column {at + 1 + self.beside} holds "
                        f"{_shown(cells[at])} among the numbers; repair it, or give --skip-lines "
                        f"{self.first - 1} if this line is a heading"
                    )
        return header

    def numbers(self) -> NDArray[np.float64]:
        """All lines from the first line of numbers on."""
        rows: list[list[float]] = []
        blank = 0
        for number in range(self.first, len(self.lines) + 1):
            if not self.lines[number - 1].strip(_BLANKS):
                continue
            cells = self.cells(number)
            if not any(cells):
                # Spreadsheets leave such lines at the end; between numbers a row is missing.
                blank = blank or number
                continue
            if blank:
                raise FileFormatError(
                    f"{self.path}: line {blank} holds only empty cells between the numbers; "
                    "repair it or take it out"
                )
            values = _as_numbers(cells, self.point)
            if values is None:
                at = next(
                    k for k, cell in enumerate(cells) if _as_numbers([cell], self.point) is None
                )
                raise FileFormatError(
                    f"{self.path}: line {number}, column {at + 1 + self.beside} holds "
                    f"{_shown(cells[at])} among the numbers, which begin in line {self.first}; "
                    "repair it or take it out (lines before the numbers: --skip-lines)"
                )
            if rows and len(values) != len(rows[0]):
                raise FileFormatError(
                    f"{self.path}: line {number} has {len(values)} values, the lines before "
                    f"{len(rows[0])} (cut short, or traces of mixed lengths?); repair it, or give "
                    "--skip-lines if the lines before are a heading"
                )
            if self.mark == "," and self.point == ".":
                self._check_not_decimal_commas(number, cells)
            rows.append(values)
            if len(rows) == 2 and not self.beside:
                rest = self._plain_rest(number, len(values))
                if rest is not None:
                    return np.vstack([rows, rest])
        return np.array(rows, dtype=np.float64)

    def _plain_rest(self, after: int, n_columns: int) -> NDArray[np.float64] | None:
        """The lines behind the first two at once, ten times faster than one by one.

        None where anything is out of the ordinary: the careful way then finds the line to name.
        """
        body = [line for line in self.lines[after:] if line.strip(_BLANKS)]
        unplain = _UNPLAIN_COMMAS if self.mark == "," else _UNPLAIN
        most = _LONGEST_CELL * n_columns
        if not body or any(len(line) > most or unplain.search(line) for line in body):
            return None
        if self.point == ",":
            body = [line.replace(",", ".") for line in body]
        mark = None if self.mark == " " else self.mark
        try:
            values = np.loadtxt(body, delimiter=mark, comments=None, ndmin=2, dtype=np.float64)
        except ValueError:
            return None
        return values if values.shape == (len(body), n_columns) else None

    def _columns_beside(self) -> int:
        """Columns that hold a preamble beside the first numbers and are empty at the last.

        Their cells are not read, so they must look like names and values that end for good.
        """
        last = next((line for line in reversed(self.lines) if line.strip(_BLANKS)), "")
        cells = _split(last, self.mark)
        n = next((k for k, cell in enumerate(cells) if cell), 0)
        if not n:
            return 0
        ended = False
        for line in self.lines:
            beside = _split(line, self.mark)[:n]
            if not any(beside):
                ended = True
            elif ended or _as_numbers(beside[:1], self.point) is not None:
                return 0
        return n

    def _labels_in_front(self) -> int:
        """One where each line of numbers begins with a name of its own, as tables of traces have.

        Once lines are named all are; a first cell that is damaged is no name.
        """
        names: list[str] = []
        for line in reversed(self.lines):
            cells = _split(line, self.mark)
            if not cells:
                continue
            numbers = len(cells) > 1 and _as_numbers(cells[1:], self.point) is not None
            if not numbers or not _is_name(cells[0], self.point):
                if numbers:
                    return 0
                break
            names.append(cells[0])
        if len(names) < 2 or len(set(names)) < len(names):
            return 0
        warnings.warn(
            f"{self.path}: its first column holds names, from {_shown(names[-1])} to "
            f"{_shown(names[0])}; they are left out",
            EchotraceWarning,
            stacklevel=5,
        )
        return 1

    def _check_not_decimal_commas(self, number: int, cells: Sequence[str]) -> None:
        """Find unquoted decimal commas in a comma-separated file by zeros before a number."""
        for cell in cells:
            if re.fullmatch(r"0[0-9]+([eE][+-]?[0-9]+)?", cell):
                raise FileFormatError(
                    f"{self.path}: line {number} holds {_shown(cell)}, which looks like the part "
                    "behind a decimal comma; save the file with semicolons between values, or "
                    "give --delimiter and --decimal"
                )


def counts(values: NDArray[np.float64]) -> bool:
    """Whether values count 0, 1, 2, … or 1, 2, 3, ….

    Parameters
    ----------
    values : ndarray, (n,)

    Returns
    -------
    bool

    Examples
    --------
    >>> counts(np.array([1.0, 2.0, 3.0])), counts(np.array([5.0, 6.0]))
    (True, False)
    """
    return bool(
        values[0] in (0.0, 1.0) and np.array_equal(values, values[0] + np.arange(values.size))
    )


def _lines_of(text: str) -> list[str]:
    """Lines as instruments end them; other control characters end none, as in a damaged cell."""
    if "\n" in text:
        return [line.removesuffix("\r") for line in text.split("\n")]
    return text.split("\r")


def _split(line: str, mark: str) -> list[str]:
    if mark == " ":
        cells = [cell for cell in re.split(r"[ \t]+", line.replace('"', "")) if cell]
    else:
        cells = []
        if '"' in line:
            try:
                cells = next(csv.reader([line], delimiter=mark, strict=True), [])
            except csv.Error:
                # A quote left open: the cells then show what is wrong with them.
                cells = []
        cells = [cell.strip(_BLANKS) for cell in cells or line.split(mark)]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def _as_numbers(cells: Sequence[str], point: str) -> list[float] | None:
    if point == ",":
        cells = [cell.replace(",", ".") for cell in cells]
    # float() alone would also take "1_000", and digits of other scripts.
    if not all(len(cell) <= _LONGEST_CELL and _NUMBER.fullmatch(cell) for cell in cells):
        return None
    return [float(cell) for cell in cells]


def _fault(cells: Sequence[str], width: int, point: str) -> int | None:
    """The cell for which a line before the numbers looks like numbers with a fault, or None."""
    odd = [k for k, cell in enumerate(cells) if _as_numbers([cell], point) is None]
    plain = len(cells) - len(odd)
    if len(cells) == width and _is_count(cells):
        # Column names of a table: nothing or a name over the index, then 0, 1, 2, ….
        return None
    only_holes = plain > 0 and not any(cells[k] for k in odd)
    mostly = len(cells) > max(2, width / 2) and plain > len(cells) / 2
    near = all(_almost_number(cells[k], point) for k in odd)
    if len(cells) == width == 1:
        near = near or (len(cells[0]) == 1 and not cells[0].isupper())
    else:
        near = near and (plain > 0 or len(cells) < width)
    return odd[0] if only_holes or mostly or near else None


def _is_count(cells: Sequence[str]) -> bool:
    rest = cells[1:]
    return (
        len(rest) > 1
        and all(cell.isascii() and cell.isdigit() and len(cell) < 10 for cell in rest)
        and counts(np.array(rest, dtype=np.float64))
        and not _almost_number(cells[0], ".")
    )


def _is_name(cell: str, point: str) -> bool:
    """Whether a cell names a line: a letter first, and no number of which that letter is a slip."""
    if not cell[:1].isalpha() or _as_numbers([cell], point) is not None:
        return False
    slip = "0" + cell[1:]
    return _as_numbers([slip], point) is None or slip.isdigit()


def _almost_number(cell: str, point: str) -> bool:
    """Whether one character taken out or put right would make a number of a cell."""
    if not 1 < len(cell) <= _LONGEST_CELL:
        return False
    for k in range(len(cell)):
        for instead in ("", "0", "."):
            if _as_numbers([cell[:k] + instead + cell[k + 1 :]], point) is not None:
                return True
    return False


def _shown(cell: str) -> str:
    return repr(shorten(cell))


def _past_preamble(lines: Sequence[str]) -> list[str]:
    """Some lines from the second half, which lies past any preamble."""
    filled = [line.strip(_BLANKS) for line in lines if line.strip(_BLANKS)]
    return filled[len(filled) // 2 :][:200]


def _guess_delimiter(lines: Sequence[str], decimal: str | None) -> str:
    """Take the strongest mark that most lines have; a line without it is then an error."""
    tail = _past_preamble(lines)
    most = len(tail) / 2
    for mark in (";", "\t"):
        if tail and sum(mark in line for line in tail) > most:
            return mark
    with_comma = [line for line in tail if "," in line]
    if decimal != "comma" and tail and len(with_comma) >= most:
        words = [line.split() for line in with_comma]
        # "0,5 0,7" is blank separated with decimal commas; "0.5, 0.7" is not.
        commas = re.compile(r"[+-]?[0-9]+,[0-9]+\S*")
        if all(len(w) > 1 and all(commas.fullmatch(x) for x in w) for w in words):
            return " "
        return ","
    return " "


def _guess_decimal(lines: Sequence[str], mark: str) -> str:
    cells = [cell for line in _past_preamble(lines) for cell in _split(line, mark)]
    return "," if any(_WITH_COMMA.fullmatch(cell) for cell in cells) else "."
