"""The gate for names and texts that go out: to a terminal, a page, a picture, a table, JSON.

Labels come from files of others and from the command line. What is harmless in one place is an
instruction in another: escape sequences on a terminal, ``$…$`` in a picture, ``=…`` in a
spreadsheet.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from typing import Any

__all__ = [
    "from_cell",
    "json_text",
    "one_line",
    "picture_text",
    "scan_names",
    "scan_numbers",
    "table_cell",
    "visible",
]

# C0 and C1 controls but for the line's end, marks that turn the direction of writing, other
# line ends, and half characters (bytes of a file name that are no UTF-8).
_CONTROL = re.compile(
    "[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff\ud800-\udfff]"
)
_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_ESCAPED_FORMULA = re.compile(r"'+[=+\-@\t\r]")
_MOST_IN_PICTURES = 32


def _written_out(found: re.Match[str]) -> str:
    code = ord(found[0])
    if 0xDC80 <= code <= 0xDCFF:
        code -= 0xDC00
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


def scan_numbers(scans: Iterable[int]) -> list[int]:
    """Numbers of scans as people count them, from 1; Python's indices count from 0.

    Parameters
    ----------
    scans : iterable of int
        Python's indices, from 0.

    Returns
    -------
    list of int

    Examples
    --------
    >>> scan_numbers([0, 4])
    [1, 5]
    """
    return [int(k) + 1 for k in scans]


def scan_names(scans: Iterable[int], most: int = 20) -> str:
    """Scans by their numbers, counted from 1.

    Parameters
    ----------
    scans : iterable of int
        Python's indices, from 0.
    most : int
        How many are named; the rest is counted.

    Returns
    -------
    str

    Examples
    --------
    >>> scan_names([2]), scan_names([0, 1, 4])
    ('scan 3', 'scans 1, 2 and 5')
    """
    numbers = [str(k) for k in scan_numbers(scans)]
    if len(numbers) == 1:
        return f"scan {numbers[0]}"
    if len(numbers) > most:
        return f"scans {', '.join(numbers[:most])} and {len(numbers) - most} more"
    return f"scans {', '.join(numbers[:-1])} and {numbers[-1]}"


def visible(text: str) -> str:
    r"""A text whose control characters are written out; line ends stay.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> visible("demo\x1b[31m")
    'demo\\x1b[31m'
    """
    return _CONTROL.sub(_written_out, text)


def one_line(text: str, most: int = 0) -> str:
    r"""A name for a line of text: nothing in it ends the line or steers a terminal.

    Parameters
    ----------
    text : str
    most : int
        Characters that stay; 0 keeps all.

    Returns
    -------
    str

    Examples
    --------
    >>> one_line("left\neye")
    'left\\x0aeye'
    """
    text = visible(text).replace("\n", "\\x0a")
    if most and len(text) > most:
        text = f"{text[: most - 1]}…"
    return text


def picture_text(text: str, most: int = _MOST_IN_PICTURES) -> str:
    r"""A name for a picture: short, one line, no mathematics, only signs that the font has.

    Parameters
    ----------
    text : str
    most : int
        Letters; what is longer is cut, and an ellipsis says so.

    Returns
    -------
    str

    Examples
    --------
    >>> picture_text("cost $5$")
    'cost \\$5\\$'
    """
    found = one_line(text, most)
    missing = {sign for sign in set(found) if ord(sign) > 0x7E and not _drawable(sign)}
    return "".join("?" if sign in missing else sign for sign in found).replace("$", r"\$")


def _drawable(sign: str) -> bool:
    return _glyphs(ord(sign))


def _glyphs(code: int) -> bool:
    from matplotlib.font_manager import FontProperties, findfont, get_font

    return code in get_font(findfont(FontProperties())).get_charmap()


def table_cell(text: str) -> str:
    """A text for a cell of a table: a spreadsheet does not take it for a formula.

    An apostrophe is put in front of what begins with ``=``, ``+``, ``-``, ``@``, a tab or a
    carriage return; :func:`from_cell` takes it away.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> table_cell("=1+1"), table_cell("demo-eye-1")
    ("'=1+1", 'demo-eye-1')
    """
    return f"'{text}" if _FORMULA.match(text) else text


def from_cell(text: str) -> str:
    """The text that :func:`table_cell` made a cell of.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> from_cell("'=1+1"), from_cell("'tis")
    ('=1+1', "'tis")
    """
    return text[1:] if _ESCAPED_FORMULA.match(text) else text


def json_text(value: Any, encoding: str | None = "utf-8") -> str:
    """Valid JSON of anything made of plain values.

    Parameters
    ----------
    value
        Numbers that are not finite become null (NaN) or the texts ``infinite`` and ``-infinite``,
        because JSON has no number for them.
    encoding : str, optional
        Of where the text goes: signs that it lacks are written as escapes.

    Returns
    -------
    str
        Indented, without a line end at the end.

    Examples
    --------
    >>> print(json_text({"focus_mm": math.inf}))
    {
      "focus_mm": "infinite"
    }
    """
    plain = _plain(value)
    text = json.dumps(plain, indent=2, ensure_ascii=False, allow_nan=False)
    try:
        text.encode(encoding or "ascii")
    except UnicodeEncodeError:
        text = json.dumps(plain, indent=2, allow_nan=False)
    return text


def _plain(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else "infinite" if value > 0 else "-infinite"
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value
