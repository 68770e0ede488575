"""Keywords, fields and keys of earlier versions, under their names of today."""

from __future__ import annotations

import functools
import warnings
from collections.abc import Callable, Mapping
from typing import Any, ParamSpec, TypeVar

from echotrace.errors import ParameterError

__all__ = ["old_fields", "old_keywords", "renamed_keys"]

P = ParamSpec("P")
R = TypeVar("R")
T = TypeVar("T")


def _say(old: str, new: str, where: str) -> None:
    warnings.warn(
        f"{where}: {old} is now {new}; the old name goes with version 0.3",
        FutureWarning,
        stacklevel=3,
    )


def old_keywords(**names: str) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Let a function be called with keywords of earlier versions, with a warning.

    Parameters
    ----------
    **names : str
        Old keyword to new one. Type checkers see the new ones only.

    Returns
    -------
    callable
        A decorator.

    Examples
    --------
    >>> import warnings
    >>> from echotrace._renamed import old_keywords
    >>> @old_keywords(colour="shade")
    ... def paint(shade=0):
    ...     return shade
    >>> with warnings.catch_warnings(action="ignore"):
    ...     paint(colour=3)
    3
    """

    def decorate(function: Callable[P, R]) -> Callable[P, R]:
        @functools.wraps(function)
        def call(*args: P.args, **given: P.kwargs) -> R:
            for old in names.keys() & given.keys():
                if names[old] in given:
                    raise ParameterError(
                        f"{function.__name__}: {old!r} is the old name of {names[old]!r}; give one"
                    )
                _say(old, names[old], function.__name__)
                given[names[old]] = given.pop(old)
            return function(*args, **given)

        return call

    return decorate


def old_fields(**names: str) -> Callable[[type[T]], type[T]]:
    """Let a dataclass be made and read with field names of earlier versions, with a warning.

    Parameters
    ----------
    **names : str
        Old field to new one.

    Returns
    -------
    callable
        A decorator, which goes above that of the dataclass.

    Examples
    --------
    >>> import warnings
    >>> from dataclasses import dataclass
    >>> from echotrace._renamed import old_fields
    >>> @old_fields(colour="shade")
    ... @dataclass
    ... class Paint:
    ...     shade: int = 0
    >>> with warnings.catch_warnings(action="ignore"):
    ...     Paint(colour=3).colour
    3
    """

    def decorate(cls: type[T]) -> type[T]:
        made: Any = cls
        made.__init__ = old_keywords(**names)(made.__init__)
        for old, new in names.items():

            def read(self: object, old: str = old, new: str = new) -> Any:
                _say(old, new, cls.__name__)
                return getattr(self, new)

            setattr(cls, old, property(read))
        return cls

    return decorate


def renamed_keys(table: Mapping[str, Any], names: Mapping[str, str], where: str) -> dict[str, Any]:
    """A table out of a file, with keys of earlier versions under their names of today.

    Files are read without a warning: who reads one may not be who wrote it.

    Parameters
    ----------
    table : mapping
    names : mapping of str to str
        Old key to new one.
    where : str
        What errors name as the place.

    Returns
    -------
    dict

    Raises
    ------
    ParameterError
        Both names of a key are given.

    Examples
    --------
    >>> from echotrace._renamed import renamed_keys
    >>> renamed_keys({"hold": 1, "eye": 2}, {"hold": "pose"}, "eye.toml")
    {'pose': 1, 'eye': 2}
    """
    for old, new in names.items():
        if old in table and new in table:
            raise ParameterError(f"{where}: {old!r} is the old name of {new!r}; give one of them")
    return {names.get(key, key): value for key, value in table.items()}
