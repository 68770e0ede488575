"""What every reader of names, numbers and settings needs: one gate for each kind of input."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from echotrace.errors import EchotraceError, FileFormatError, ParameterError

__all__ = [
    "check_keys",
    "did_you_mean",
    "given",
    "number",
    "parsing",
    "read_toml",
    "shorten",
    "table_of",
    "tables_of",
    "text_of",
    "truth_of",
    "whole_number",
]

# Plain decimal digits only: float() and int() also take other scripts' digits and underscores,
# which in a measured value are far more often damage than intent.
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?")
_WHOLE = re.compile(r"[+-]?[0-9]+")
_MOST_DIGITS = 60
_ECHOED = 60
# Settings are a page of text; what is larger is another kind of file.
_MOST_TOML_BYTES = 4_000_000


def shorten(text: str, most: int = _ECHOED) -> str:
    """A text of at most ``most`` characters, the middle left out where it is longer.

    Parameters
    ----------
    text : str
    most : int
        Characters that stay, 20 or more.

    Returns
    -------
    str

    Examples
    --------
    >>> shorten("9" * 5000, 20)
    '9999999 … 9999999999'
    """
    if len(text) <= most:
        return text
    tail = most // 2
    return f"{text[: most - tail - 3]} … {text[-tail:]}"


def given(value: object) -> str:
    """What was given, for a message: its text, cut short.

    Parameters
    ----------
    value : object

    Returns
    -------
    str

    Examples
    --------
    >>> given([1, 2])
    '[1, 2]'
    """
    try:
        return shorten(repr(value))
    # A whole number of thousands of digits has no text.
    except ValueError:
        return f"a {type(value).__name__}"


def number(
    value: object,
    name: str = "",
    *,
    low: float = -math.inf,
    high: float = math.inf,
    unit: str = "",
    above: bool = False,
    infinite: bool = False,
    missing: bool = False,
    error: type[EchotraceError] = ParameterError,
) -> float:
    """A number that came from outside, checked: plain digits, finite, within its range.

    Parameters
    ----------
    value : str, int or float
        Text from a command line or a cell, or a number from a settings file.
    name : str
        What it is called where it was written, for the message.
    low, high : float
        Least and largest value that is allowed.
    unit : str
        For the message.
    above : bool
        The least value itself is not allowed.
    infinite, missing : bool
        ``inf`` and ``nan`` are allowed.
    error : type
        Class of the error raised.

    Returns
    -------
    float

    Raises
    ------
    ParameterError
        Or ``error``; with the name, the value (cut if it is long) and what is allowed.

    Examples
    --------
    >>> number("23.5", "length_mm", low=10, high=45)
    23.5
    """
    place = f"{name}=" if name else ""
    if isinstance(value, str):
        text = value.strip()
        shown = f"{place}{shorten(text)!r}"
        if text.lower().lstrip("+-") in ("inf", "infinity", "nan"):
            found = float(text)
        elif len(text) > _MOST_DIGITS or not _NUMBER.fullmatch(text):
            raise error(f"{shown} is not a number; write it with plain digits and a point")
        else:
            found = float(text)
    elif isinstance(value, bool) or not hasattr(value, "__float__"):
        raise error(f"{place}{given(value)} is not a number")
    else:
        try:
            found = float(value)
        except (TypeError, ValueError, OverflowError):
            # A whole number of thousands of digits cannot even be written out.
            raise error(f"{place or 'the number '}is too large or no single number") from None
        shown = f"{place}{found!r}"
    if math.isnan(found):
        if missing:
            return found
        raise error(f"{shown} is not a number that can be used here")
    if math.isinf(found) and not infinite:
        raise error(f"{shown} must be finite")
    if found < low or found > high or (above and found == low):
        raise error(f"{shown} must {_allowed(low, high, unit, above)}")
    return found


def whole_number(
    value: object,
    name: str = "",
    *,
    low: int | None = None,
    high: int | None = None,
    error: type[EchotraceError] = ParameterError,
) -> int:
    """A whole number that came from outside, checked like :func:`number`.

    Parameters
    ----------
    value : str or int
    name : str
    low, high : int, optional
        Least and largest value that is allowed.
    error : type
        Class of the error raised.

    Returns
    -------
    int

    Raises
    ------
    ParameterError
        Or ``error``; with the name, the value (cut if it is long) and what is allowed.

    Examples
    --------
    >>> whole_number("12", "bits", low=0, high=32)
    12
    """
    place = f"{name}=" if name else ""
    if isinstance(value, str):
        text = value.strip()
        shown = f"{place}{shorten(text)!r}"
        if len(text) > _MOST_DIGITS or not _WHOLE.fullmatch(text):
            raise error(f"{shown} is not a whole number")
        found = int(text)
    elif isinstance(value, bool) or not hasattr(value, "__index__"):
        raise error(f"{place}{given(value)} is not a whole number")
    else:
        found = value.__index__()
        if found.bit_length() > 4 * _MOST_DIGITS:
            raise error(f"{place or 'the number '}is too large")
        shown = f"{place}{found}"
    least, largest = -math.inf if low is None else low, math.inf if high is None else high
    if not least <= found <= largest:
        raise error(f"{shown} must {_allowed(least, largest, '', False)}")
    return found


def _allowed(low: float, high: float, unit: str, above: bool) -> str:
    tail = f" {unit}" if unit else ""
    if math.isinf(high):
        return f"be above {low:g}{tail}" if above else f"be {low:g}{tail} or more"
    if math.isinf(low):
        return f"be {high:g}{tail} or less"
    if above:
        return f"be above {low:g} and at most {high:g}{tail}"
    return f"lie between {low:g} and {high:g}{tail}"


def did_you_mean(name: str, known: Iterable[str], *, cutoff: float = 0.6) -> str:
    """``"did you mean 'x'? "`` for the known name nearest to a wrong one, or nothing.

    Parameters
    ----------
    name : str
    known : iterable of str
    cutoff : float
        Least likeness, 0 to 1.

    Returns
    -------
    str
        Ending in a blank, to be put before what follows.

    Examples
    --------
    >>> did_you_mean("lens_frnt", ["lens_front", "lens_back"])
    "did you mean 'lens_front'? "
    """
    near = get_close_matches(name, [str(item) for item in known], n=1, cutoff=cutoff)
    return f"did you mean {near[0]!r}? " if near else ""


def check_keys(keys: Iterable[str], allowed: Iterable[str], where: str) -> None:
    """Refuse a key that is not known, with the known one nearest to it.

    Parameters
    ----------
    keys : iterable of str
        What was given.
    allowed : iterable of str
        What may be given, in the order in which it is told.
    where : str
        File and table, for the message.

    Raises
    ------
    ParameterError
        Naming the first key that is not allowed.

    Examples
    --------
    >>> check_keys(["gian_db"], ["gain_db", "delay_us"], "scan.toml: [receiver]")
    Traceback (most recent call last):
    ...
    echotrace.errors.ParameterError: scan.toml: [receiver]: unknown key 'gian_db': did you mean \
'gain_db'? Allowed: gain_db, delay_us
    """
    known = [str(item) for item in allowed]
    for key in keys:
        if key not in known:
            hint = did_you_mean(str(key), known, cutoff=0.5)
            raise ParameterError(
                f"{where}: unknown key {shorten(str(key))!r}: {hint}Allowed: {', '.join(known)}"
            )


@contextmanager
def parsing(
    path: str | Path, what: str, *, error: type[EchotraceError] = FileFormatError
) -> Iterator[None]:
    """Turn whatever a parser raises on a damaged or mistyped file into one clear error.

    Parameters
    ----------
    path : str or Path
        The file, and the line where it is known, as messages name it.
    what : str
        What it should be: ``"a MAT file"``.
    error : type
        Class of the error raised.

    Yields
    ------
    None

    Raises
    ------
    FileFormatError
        Or ``error``. An :class:`~echotrace.errors.EchotraceError` from within passes as it is.

    Examples
    --------
    >>> with parsing("odd.toml", "a TOML file"):
    ...     tomllib.loads("a = [")
    Traceback (most recent call last):
    ...
    echotrace.errors.FileFormatError: odd.toml: not a TOML file (Invalid value (at end of document))
    """
    try:
        yield
    except EchotraceError:
        raise
    except MemoryError:
        raise error(f"{path}: too large for the memory; split it into files") from None
    except RecursionError:
        raise error(f"{path}: not {what} (nested too deeply)") from None
    except OSError as found:
        reason = found.strerror or " ".join(str(found).split())
        raise error(f"{path}: cannot be read ({shorten(reason, 200)})") from found
    # Parsers meet damage anywhere, and each library reports it by another class.
    except Exception as found:
        detail = " ".join(str(found).split()) or type(found).__name__
        raise error(f"{path}: not {what} ({shorten(detail, 200)})") from found


def read_toml(path: Path) -> dict[str, Any]:
    r"""Read a TOML file.

    Parameters
    ----------
    path : Path

    Returns
    -------
    dict

    Raises
    ------
    ParameterError
        Naming the file, where it cannot be read or is no TOML.

    Examples
    --------
    >>> file = folder / "mine.toml"
    >>> _ = file.write_text("[receiver]\nbits = 12\n")
    >>> read_toml(file)
    {'receiver': {'bits': 12}}
    """
    with parsing(path, "a TOML file", error=ParameterError):
        with path.open("rb") as file:
            raw = file.read(_MOST_TOML_BYTES + 1)
        if len(raw) > _MOST_TOML_BYTES:
            raise ParameterError(f"{path}: larger than any settings; is it a TOML file?")
        return tomllib.loads(raw.decode("utf-8").replace("\r\n", "\n"))


def table_of(value: Any, where: str) -> Mapping[str, Any]:
    """A value that must be a table of keys.

    Parameters
    ----------
    value : object
        As a parser gives it.
    where : str
        File and table, for the message.

    Returns
    -------
    mapping
        The value.

    Raises
    ------
    ParameterError
        It is something else.

    Examples
    --------
    >>> table_of([1], "mine.toml: [probe]")
    Traceback (most recent call last):
    ...
    echotrace.errors.ParameterError: mine.toml: [probe]: must be a table of keys, got [1]
    """
    if not isinstance(value, Mapping):
        raise ParameterError(f"{where}: must be a table of keys, got {given(value)}")
    return value


def tables_of(table: Mapping[str, Any], key: str, where: str) -> list[Mapping[str, Any]]:
    """The tables of an array of tables, ``[[key]]``; none where the key is not there.

    Parameters
    ----------
    table : mapping
    key : str
    where : str
        File and table, for the message.

    Returns
    -------
    list of mapping

    Raises
    ------
    ParameterError
        The key holds something else.

    Examples
    --------
    >>> tables_of({"scan": [{"number": 1}]}, "scan", "mine.toml")
    [{'number': 1}]
    """
    items = table.get(key, [])
    if not isinstance(items, list):
        raise ParameterError(f"{where}: {key} must be an array of tables, [[{key}]]")
    return [table_of(item, f"{where}: [[{key}]] {k + 1}") for k, item in enumerate(items)]


def text_of(table: Mapping[str, Any], key: str, where: str, default: str | None = None) -> str:
    """The text that a key holds.

    Parameters
    ----------
    table : mapping
    key : str
    where : str
        File and table, for the message.
    default : str, optional
        Where the key is not there; without one it must be.

    Returns
    -------
    str

    Raises
    ------
    ParameterError
        It holds something else, or is missing.

    Examples
    --------
    >>> text_of({"name": "block"}, "name", "mine.toml")
    'block'
    """
    value = table.get(key, default)
    if not isinstance(value, str):
        told = f", got {given(value)}" if key in table else ""
        raise ParameterError(f"{where}: {key} must be a text{told}")
    return value


def truth_of(table: Mapping[str, Any], key: str, where: str, default: bool = False) -> bool:
    """Whether a key says true; a text such as ``"no"`` is neither true nor false.

    Parameters
    ----------
    table : mapping
    key : str
    where : str
        File and table, for the message.
    default : bool
        Where the key is not there.

    Returns
    -------
    bool

    Raises
    ------
    ParameterError
        It holds something else.

    Examples
    --------
    >>> truth_of({"optional": True}, "optional", "mine.toml")
    True
    """
    value = table.get(key, default)
    if not isinstance(value, bool):
        raise ParameterError(f"{where}: {key} must be true or false, got {given(value)}")
    return value
