"""Tables for the terminal: aligned columns, numbers to the right."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

__all__ = ["spread_text", "table", "wrapped"]

# A column is not broken into narrower lines than so many signs.
_LEAST_BROKEN = 20


def table(
    header: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    left: Sequence[int] = (),
    width: int | None = None,
) -> str:
    """Align cells in columns.

    Parameters
    ----------
    header : sequence of str
        Names of the columns, units included.
    rows : sequence of sequence of str
    left : sequence of int
        Columns that hold text and are aligned to the left.
    width : int, optional
        Signs a line: the last column is broken between words to fit.

    Returns
    -------
    str

    Examples
    --------
    >>> print(table(["scan", "mm"], [["1", "23.40"]]))
    scan     mm
    ----  -----
       1  23.40
    """
    cells = [list(header)]
    if width is None:
        cells += [list(row) for row in rows]
    else:
        columns = list(zip(header, *rows, strict=True))
        before = sum(max(map(len, column)) + 2 for column in columns[:-1])
        for row in rows:
            parts = textwrap.wrap(row[-1], max(width - before, _LEAST_BROKEN)) or [""]
            cells.append([*row[:-1], parts[0]])
            cells += [[""] * (len(header) - 1) + [part] for part in parts[1:]]
    widths = [max(len(row[k]) for row in cells) for k in range(len(header))]
    lines = []
    for number, row in enumerate(cells):
        parts = [
            cell.ljust(width) if k in left else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(parts).rstrip())
        if number == 0:
            lines.append("  ".join("-" * width for width in widths))
    return "\n".join(lines)


def wrapped(text: str, *, indent: str = "  ", width: int = 96, hanging: str = "  ") -> str:
    """Break a sentence into lines that fit a terminal.

    Parameters
    ----------
    text : str
    indent : str
        Before the first line.
    width : int
        Signs a line.
    hanging : str
        What further lines have beside the indent.

    Returns
    -------
    str

    Examples
    --------
    >>> wrapped("a sentence", indent="> ")
    '> a sentence'
    """
    return textwrap.fill(text, width, initial_indent=indent, subsequent_indent=indent + hanging)


def spread_text(value: float, digits: int = 3) -> str:
    """A spread or uncertainty in mm; never a zero that is none.

    Parameters
    ----------
    value : float
    digits : int
        Behind the point.

    Returns
    -------
    str

    Examples
    --------
    >>> spread_text(0.0423), spread_text(0.0001), spread_text(float("nan"))
    ('0.042', '<0.001', '-')
    """
    if math.isnan(value):
        return "-"
    text = f"{value:.{digits}f}"
    return f"<{10.0**-digits:.{digits}f}" if value > 0.0 and float(text) == 0.0 else text
