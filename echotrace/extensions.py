"""Pickers and file formats from outside: by one call in a session, or by a package's entry points.

Entry points are looked for only when something is asked for that is not known: a look at all
installed packages takes longer than the rest of the start.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Generic, TypeVar

from echotrace.errors import EchotraceWarning, ParameterError
from echotrace.user_input import did_you_mean, shorten

__all__ = ["Registry", "takes"]

T = TypeVar("T")


class Registry(Generic[T]):
    """Things of one kind by name: built in, registered in this session, or of installed packages.

    Parameters
    ----------
    kind : str
        What they are, for messages: ``"picker"``.
    group : str
        Of the entry points.
    built_in : mapping of str to T
    checked : callable
        Turns what was given into a T, or raises a :class:`~echotrace.errors.ParameterError` that
        says what is wrong with it.

    Examples
    --------
    >>> from echotrace.extensions import Registry
    >>> registry = Registry("shape", "echotrace.shapes", {"round": 1}, lambda name, given: given)
    >>> registry.register("square", 4)
    >>> registry.get("square"), registry.names()
    (4, ('round', 'square'))
    """

    def __init__(
        self,
        kind: str,
        group: str,
        built_in: Mapping[str, T],
        checked: Callable[[str, Any], T],
    ) -> None:
        self.kind, self.group = kind, group
        self._built_in = built_in
        self._checked = checked
        self._added: dict[str, T] = {}

    def register(self, name: str, given: Any) -> None:
        """Add one for this session.

        Parameters
        ----------
        name : str
            Letters, digits and ``_``; not taken yet.
        given

        Raises
        ------
        ParameterError
            A name that is taken or cannot be one, or something that is not of this kind.
        """
        if not isinstance(name, str) or not name.isidentifier():
            raise ParameterError(
                f"{self.kind} {shorten(str(name))!r}: use letters, digits and '_' in its name"
            )
        if name in self._built_in or name in self._added:
            raise ParameterError(f"{self.kind} {name!r} is there already; choose another name")
        self._added[name] = self._checked(name, given)

    def get(self, name: str) -> T:
        """The one of a name; entry points are looked for where it is not known otherwise.

        Parameters
        ----------
        name : str

        Returns
        -------
        T

        Raises
        ------
        ParameterError
            There is none, or its package is broken.
        """
        if name in self._built_in:
            return self._built_in[name]
        if name not in self._added:
            points = self._points()
            if name not in points:
                known = list(dict.fromkeys([*self.names(), *points]))
                hint = did_you_mean(name, known)
                raise ParameterError(
                    f"{self.kind}={shorten(name)!r}: {hint}use one of {', '.join(known)}"
                )
            self._added[name] = self._load(name, points[name])
        return self._added[name]

    def names(self) -> tuple[str, ...]:
        """Names of those built in and of those of this session.

        Returns
        -------
        tuple of str
        """
        return (*self._built_in, *self._added)

    def installed(self) -> dict[str, T]:
        """Those of this session and of all installed packages, by name.

        Returns
        -------
        dict of str to T

        Warns
        -----
        EchotraceWarning
            The package of one is broken; it is left out.
        """
        for name, points in self._points().items():
            if name in self._added or name in self._built_in:
                continue
            try:
                self._added[name] = self._load(name, points)
            except ParameterError as error:
                warnings.warn(str(error), EchotraceWarning, stacklevel=2)
        return dict(self._added)

    def _points(self) -> dict[str, list[Any]]:
        from importlib.metadata import entry_points

        found: dict[str, list[Any]] = {}
        for point in entry_points(group=self.group):
            found.setdefault(point.name, []).append(point)
        return found

    def _load(self, name: str, points: Iterable[Any]) -> T:
        first, *others = {point.value: point for point in points}.values()
        if others:
            raise ParameterError(
                f"{self.kind} {shorten(name)!r} is offered twice: {_origin(first)} and "
                f"{_origin(others[0])}; uninstall one of them"
            )
        try:
            given = first.load()
        # A package of others may fail in any way while it is imported.
        except Exception as error:
            detail = shorten(" ".join(str(error).split()), 200) or "no reason given"
            raise ParameterError(
                f"{self.kind} {shorten(name)!r} of {_origin(first)} cannot be loaded "
                f"({type(error).__name__}: {detail}); mend or uninstall that package"
            ) from error
        try:
            return self._checked(name, given)
        except ParameterError as error:
            raise ParameterError(f"{error} ({_origin(first)})") from None


def _origin(point: Any) -> str:
    package = point.dist.name if point.dist is not None else "an unnamed package"
    return f"{package} [{point.value}]"


def takes(function: Any, n: int) -> bool:
    """Whether something can be called with ``n`` arguments by position.

    Parameters
    ----------
    function
    n : int

    Returns
    -------
    bool

    Examples
    --------
    >>> from echotrace.extensions import takes
    >>> takes(max, 2), takes(lambda a: a, 2), takes("max", 1)
    (True, False, False)
    """
    import inspect

    if not callable(function):
        return False
    try:
        inspect.signature(function).bind(*range(n))
    except TypeError:
        return False
    except ValueError:
        # Compiled functions may not tell what they take.
        return True
    return True
