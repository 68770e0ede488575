"""Keys of a scenario: fields whose metadata say what may be written, and what it means."""

from __future__ import annotations

from dataclasses import field
from typing import Any

__all__ = ["number_key", "other_key", "word_key"]


def number_key(default: float, low: float, high: float, unit: str = "", *, about: str) -> Any:
    """A number within a range.

    Parameters
    ----------
    default : float
        NaN where the key is not set.
    low, high : float
        Least and largest value allowed.
    unit : str
    about : str
        What it means, for the table of keys.

    Returns
    -------
    dataclasses.Field

    Examples
    --------
    >>> number_key(10.0, 3.0, 30.0, "mm", about="bath").metadata["range"]
    (3.0, 30.0)
    """
    return field(default=default, metadata={"range": (low, high), "unit": unit, "about": about})


def word_key(default: str, *allowed: str, about: str) -> Any:
    """One of some words.

    Parameters
    ----------
    default : str
    *allowed : str
    about : str

    Returns
    -------
    dataclasses.Field

    Examples
    --------
    >>> word_key("right", "right", "left", about="which eye").metadata["words"]
    ('right', 'left')
    """
    return field(default=default, metadata={"words": allowed, "about": about})


def other_key(default: Any, about: str) -> Any:
    """A text, a truth value or a list.

    Parameters
    ----------
    default : object
    about : str

    Returns
    -------
    dataclasses.Field

    Examples
    --------
    >>> other_key("", about="in words").default
    ''
    """
    return field(default=default, metadata={"about": about})
