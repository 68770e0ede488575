"""What every reader of names, numbers and settings needs: one gate for each kind of input."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from echotrace.errors import EchotraceError, ParameterError

__all__ = ["check_keys", "did_you_mean", "number", "read_toml", "shorten", "whole_number"]

# Plain decimal digits only: float() and int() also take other scripts' digits and underscores,
# which in a measured value are far more often damage than intent.
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?")
_WHOLE = re.compile(r"[+-]?[0-9]+")
_MOST_DIGITS = 60
_ECHOED = 60


def shorten(text: str, most: int = _ECHOED) -> str:
    """A text of at most ``most`` characters, the middle left out where it is longer.

    Parameters
    ----------
    text : str
    most : int
        Characters that stay, 20 or more.

    Examples
    --------
    >>> shorten("9" * 5000, 20)
    '9999999 … 9999999999'
    """
    if len(text) <= most:
        return text
    tail = most // 2
    return f"{text[: most - tail - 3]} … {text[-tail:]}"


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
        raise error(f"{place}{shorten(repr(value))} is not a number")
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
        raise error(f"{place}{shorten(repr(value))} is not a whole number")
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
            raise ParameterError(f"{where}: unknown key {key!r}: {hint}Allowed: {', '.join(known)}")


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    ParameterError
        Naming the file, where it cannot be read or is no TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ParameterError(f"{path}: cannot be read ({error.strerror})") from error
    except RecursionError:
        raise ParameterError(f"{path}: not a TOML file (nested too deeply)") from None
    except ValueError as error:
        # Beside its own errors the parser lets those of dates and of long numbers through.
        raise ParameterError(f"{path}: not a TOML file ({shorten(str(error), 200)})") from error
