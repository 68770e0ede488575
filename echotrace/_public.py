"""Public names are listed once, in a package's stub, and loaded on first use.

The stub (``__init__.pyi``) is what type checkers read: lines of the form ``from module import name
as public_name`` below headings ``# -- group``. At run time the same lines say where each name
lives, so that ``import echotrace`` costs little more than importing numpy: scipy, numba, h5py and
matplotlib wait until they are needed.
"""

from __future__ import annotations

import importlib
import re
import warnings
from collections.abc import Callable, Mapping
from typing import Any

__all__ = ["public_names"]

_LINE = re.compile(
    r"# -- (?P<group>.+)|from (?P<module>[\w.]+) import (?P<it>\w+) as (?P<name>\w+)"
)

Groups = dict[str, dict[str, tuple[str, str]]]


def _read(stub: str) -> Groups:
    """Group to public name to module and attribute."""
    groups: Groups = {}
    names: dict[str, tuple[str, str]] = {}
    for found in map(_LINE.match, stub.splitlines()):
        if found is None:
            continue
        if found["group"]:
            names = groups.setdefault(found["group"], {})
        else:
            names[found["name"]] = (found["module"], found["it"])
    return groups


def public_names(
    namespace: dict[str, Any], old: Mapping[str, str] | None = None
) -> tuple[Callable[[str], Any], Callable[[], list[str]], list[str], Groups]:
    """What a package needs to show the names of its stub.

    Parameters
    ----------
    namespace : dict
        ``globals()`` of the package's ``__init__``.
    old : mapping of str to str, optional
        Names that go with version 0.3, and the names within the package to use instead.

    Returns
    -------
    getattr_, dir_ : callable
        For ``__getattr__`` and ``__dir__`` of the package.
    names : list of str
        For ``__all__``; old names are left out.
    groups : dict
        Group to public name to (module, attribute), in the order of the stub.

    Examples
    --------
    >>> import echotrace
    >>> echotrace.PUBLIC_GROUPS["measure"]["measure"]
    ('echotrace.chain.measure', 'measure')
    """
    package = namespace["__name__"]
    groups = _read(namespace["__loader__"].get_data(f"{namespace['__file__']}i").decode())
    places = {name: where for names in groups.values() for name, where in names.items()}
    renamed = old or {}

    def load(name: str) -> Any:
        if name in renamed:
            new = renamed[name]
            warnings.warn(
                f"{package}.{name} is now {package}.{new}; the old name goes with version 0.3",
                FutureWarning,
                stacklevel=2,
            )
            below, _, attribute = new.rpartition(".")
            module = importlib.import_module(f"{package}.{below}" if below else package)
            return getattr(module, attribute)
        if name not in places:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        module_name, attribute = places[name]
        if module_name == package:
            return importlib.import_module(f"{package}.{attribute}")
        namespace[name] = getattr(importlib.import_module(module_name), attribute)
        return namespace[name]

    names = sorted(places)
    return load, lambda: names, names, groups
