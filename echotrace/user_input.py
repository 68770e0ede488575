"""What every reader of names and settings needs: the nearest known name, and a TOML file."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from echotrace.errors import ParameterError

__all__ = ["did_you_mean", "read_toml"]


def did_you_mean(name: str, known: Iterable[str], *, cutoff: float = 0.6) -> str:
    """``"did you mean 'x'? "`` for the known name nearest to a wrong one, or nothing.

    Parameters
    ----------
    name : str
    known : iterable of str
    cutoff : float
        Least likeness, 0 to 1.
    """
    near = get_close_matches(name, [str(item) for item in known], n=1, cutoff=cutoff)
    return f"did you mean {near[0]!r}? " if near else ""


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
