"""A lesson as a short TOML file: what plates it has, and how each spoils the same eye."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from echotrace.errors import ParameterError
from echotrace.user_input import (
    check_keys,
    read_toml,
    table_of,
    tables_of,
    text_of,
    whole_number,
)

__all__ = ["Lesson", "Note", "PlateRecipe", "merged", "read_lesson", "shipped_lesson"]

_TOLD = ("lens_state", "lens_material", "vitreous")


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A few words that point at a place of a trace.

    Attributes
    ----------
    at : str
        An interface, or ``bath``, ``lens``, ``vitreous`` for what lies between two.
    words : str
    on : {"spoilt", "good"}
        Which trace of the pair.

    Examples
    --------
    >>> Note(at="retina", words="low").on
    'spoilt'
    """

    at: str
    words: str
    on: str = "spoilt"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateRecipe:
    """How one plate is made.

    Attributes
    ----------
    name : str
        Of its files.
    title, point : str
        What it is about, and what to look for.
    labels : tuple of str, (2,)
        What the upper and the lower trace are.
    good, spoilt : mapping
        Tables of two scenarios.
    told : mapping of str to str
        What the eye of the lower trace is taken for, where that is wrong.
    notes : tuple of Note

    Examples
    --------
    >>> shipped_lesson().plates[1].spoilt["pose"]["tilt_deg"]
    6.0
    """

    name: str
    title: str
    point: str
    labels: tuple[str, str]
    good: Mapping[str, Any]
    spoilt: Mapping[str, Any]
    told: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """A title, a seed and plates.

    Attributes
    ----------
    title : str
    seed : int
    plates : tuple of PlateRecipe

    Examples
    --------
    >>> len(shipped_lesson().plates)
    12
    """

    title: str
    seed: int
    plates: tuple[PlateRecipe, ...]


def merged(under: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """Tables of a scenario with others laid over them, key by key.

    Parameters
    ----------
    under, over : mapping

    Returns
    -------
    dict

    Examples
    --------
    >>> merged({"eye": {"lens_mm": 4.0}, "scans": 1}, {"eye": {"aqueous_mm": 3.0}})
    {'eye': {'lens_mm': 4.0, 'aqueous_mm': 3.0}, 'scans': 1}
    """
    found = {key: dict(v) if isinstance(v, Mapping) else v for key, v in under.items()}
    for key, value in over.items():
        if isinstance(value, Mapping) and isinstance(found.get(key), dict):
            found[key] = {**found[key], **value}
        else:
            found[key] = value
    return found


def shipped_lesson() -> Lesson:
    """The lesson of twelve plates that ships.

    Returns
    -------
    Lesson

    Examples
    --------
    >>> shipped_lesson().plates[0].name
    '01_on_axis'
    """
    return read_lesson(Path(__file__).with_name("lesson.toml"))


def read_lesson(path: str | Path) -> Lesson:
    """Read a lesson.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Lesson

    Raises
    ------
    ParameterError
        Naming the file, the key and what is allowed.

    Examples
    --------
    >>> read_lesson("echotrace/teaching/lesson.toml").seed
    7
    """
    path = Path(path)
    table = read_toml(path)
    check_keys(table, ("title", "seed", "base", "plate"), str(path))
    base = table_of(table.get("base", {}), f"{path}: [base]")
    plates = tuple(
        _plate(item, base, f"{path}: [[plate]] {n + 1}")
        for n, item in enumerate(tables_of(table, "plate", str(path)))
    )
    if not plates:
        raise ParameterError(f"{path}: no [[plate]]; a lesson needs one at least")
    names = [plate.name for plate in plates]
    for name in names:
        if names.count(name) > 1:
            raise ParameterError(f"{path}: two plates are named {name!r}; give each its own name")
    return Lesson(
        title=text_of(table, "title", str(path), "A lesson"),
        seed=whole_number(table.get("seed", 0), f"{path}: seed", low=0),
        plates=plates,
    )


def _plate(table: Mapping[str, Any], base: Mapping[str, Any], where: str) -> PlateRecipe:
    check_keys(table, ("name", "title", "point", "labels", "base", "spoilt", "told", "note"), where)
    name = text_of(table, "name", where)
    if not name or not name.replace("_", "").replace("-", "").isalnum():
        raise ParameterError(f"{where}: name={name!r}; use letters, digits, _ and - only")
    labels = table.get("labels", ["on axis", "spoilt"])
    if not (
        isinstance(labels, list) and len(labels) == 2 and all(isinstance(x, str) for x in labels)
    ):
        raise ParameterError(f"{where}: labels must be two texts: of the upper and lower trace")
    good = merged(base, table_of(table.get("base", {}), f"{where}: base"))
    told = table_of(table.get("told", {}), f"{where}: told")
    check_keys(told, _TOLD, f"{where}: told")
    return PlateRecipe(
        name=name,
        title=text_of(table, "title", where, name),
        point=text_of(table, "point", where, ""),
        labels=(labels[0], labels[1]),
        good=good,
        spoilt=merged(good, table_of(table.get("spoilt", {}), f"{where}: spoilt")),
        told={key: text_of(told, key, f"{where}: told") for key in told},
        notes=tuple(
            _note(item, f"{where}: [[plate.note]] {n + 1}")
            for n, item in enumerate(tables_of(table, "note", where))
        ),
    )


def _note(table: Mapping[str, Any], where: str) -> Note:
    check_keys(table, ("at", "words", "on"), where)
    on = text_of(table, "on", where, "spoilt")
    if on not in ("spoilt", "good"):
        raise ParameterError(f"{where}: on={on!r}; use 'spoilt' or 'good'")
    return Note(at=text_of(table, "at", where), words=text_of(table, "words", where), on=on)
