"""What every reader of names and settings needs: the nearest known name, and a TOML file."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from echotrace.errors import ParameterError

__all__ = ["check_keys", "did_you_mean", "read_toml"]


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
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ParameterError(f"{path}: not a TOML file ({error})") from error
