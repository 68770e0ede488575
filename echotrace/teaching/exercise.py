"""Exercises: seeded traces of mixed quality, and what is right to say of each."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from echotrace.errors import ParameterError
from echotrace.media import medium
from echotrace.synthesis import Synthesis
from echotrace.teaching.judged import Judged, judge
from echotrace.user_input import check_keys, number, read_toml, table_of

__all__ = ["CAUSES", "Case", "Exercise", "Level", "make_exercise", "read_levels"]

CAUSES: Mapping[str, str] = {
    "tilt": "the probe is tilted",
    "decentred": "the probe is beside the axis",
    "optic_nerve": "the beam is on the optic nerve",
    "gel": "gel between probe and cornea",
    "gain_too_high": "too much gain",
    "lid": "a lid or nothing in front of the probe",
}
"""What can be wrong with a trace, in the words of sheet and page."""

_RANGES: Mapping[str, tuple[float, float]] = {
    # A beam counts as aligned up to 2.5 degrees and 0.5 mm: what is spoilt lies beyond.
    "tilt": (2.5, 15.0),
    "decentred": (0.5, 3.0),
    "gel": (0.05, 1.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """The mix of an exercise.

    Attributes
    ----------
    good, contact : float
        Shares of good traces, and of traces by contact, 0 to 1.
    cataract_grade : tuple of float, (2,)
    causes : mapping of str to tuple of float
        The range of each cause's strength; empty where it has none.

    Examples
    --------
    >>> read_levels()["beginner"].causes["tilt"]
    (6.0, 9.0)
    """

    good: float
    contact: float
    cataract_grade: tuple[float, float]
    causes: Mapping[str, tuple[float, ...]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """One trace of an exercise.

    Attributes
    ----------
    number : int
        From 1.
    cause : str
        A key of :data:`CAUSES`; empty where the trace is good.
    judged : Judged
    vitreous_speed_mm_per_us : float
        To turn a misplaced retina into millimetres.

    Examples
    --------
    >>> make_exercise(1, 7, "beginner").cases[0].number
    1
    """

    number: int
    cause: str
    judged: Judged
    vitreous_speed_mm_per_us: float

    @property
    def retina_us(self) -> float:
        """True arrival of the retina's echo, µs; NaN where nothing comes back from it."""
        return float("nan") if self.cause == "lid" else self.judged.true_us["retina"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Exercise:
    """Traces to be judged.

    Attributes
    ----------
    name : str
        Says level, number and seed, and nothing of the answers.
    level : str
    cases : tuple of Case

    Examples
    --------
    >>> make_exercise(2, 7, "beginner").name
    'beginner-2-7'
    """

    name: str
    level: str
    cases: tuple[Case, ...]


def read_levels(path: str | Path | None = None) -> dict[str, Level]:
    """The levels of a recipe.

    Parameters
    ----------
    path : str or Path, optional
        None reads the one that ships.

    Returns
    -------
    dict of str to Level

    Raises
    ------
    ParameterError
        Naming the file, the key and what is allowed.

    Examples
    --------
    >>> sorted(read_levels())
    ['beginner', 'expert', 'trained']
    """
    path = Path(__file__).with_name("exercise.toml") if path is None else Path(path)
    table = read_toml(path)
    if not table:
        raise ParameterError(f"{path}: no level; write [beginner] or another name of your own")
    return {name: _level(item, f"{path}: [{name}]") for name, item in table.items()}


def _range(value: Any, where: str, low: float, high: float) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        raise ParameterError(f"{where}: give two numbers, [least, most]")
    least, most = (number(item, where, low=low, high=high) for item in value)
    if least > most:
        raise ParameterError(f"{where}: {least:g} to {most:g}: the first must be the smaller")
    return least, most


def _level(item: Any, where: str) -> Level:
    table = table_of(item, where)
    check_keys(table, ("good", "contact", "cataract_grade", "causes"), where)
    given = table_of(table.get("causes", {}), f"{where}: causes")
    check_keys(given, CAUSES, f"{where}: causes")
    if not given:
        raise ParameterError(f"{where}: no causes; give one at least of {', '.join(CAUSES)}")
    causes = {
        cause: _range(value, f"{where}: {cause}", *_RANGES[cause]) if cause in _RANGES else ()
        for cause, value in given.items()
    }
    return Level(
        good=number(table.get("good", 0.5), f"{where}: good", low=0.0, high=1.0),
        contact=number(table.get("contact", 0.0), f"{where}: contact", low=0.0, high=1.0),
        cataract_grade=_range(
            table.get("cataract_grade", [0.0, 0.0]), f"{where}: cataract_grade", 0.0, 5.0
        ),
        causes=causes,
    )


def make_exercise(
    count: int, seed: int, level: str, levels: Mapping[str, Level] | None = None
) -> Exercise:
    """Make the traces of an exercise; the same count, seed and level give the same ones.

    Parameters
    ----------
    count : int
    seed : int
    level : str
        A name of the recipe.
    levels : mapping of str to Level, optional
        None takes those that ship.

    Returns
    -------
    Exercise

    Raises
    ------
    ParameterError
        There is no such level, or no trace is asked for.

    Examples
    --------
    >>> len(make_exercise(2, 7, "trained").cases)
    2
    """
    levels = read_levels() if levels is None else levels
    if level not in levels:
        raise ParameterError(f"--level {level}: there are {', '.join(sorted(levels))}")
    if count < 1:
        raise ParameterError(f"count={count!r} must be at least 1")
    mix = levels[level]
    # A name as the key of the draws: levels of one seed have nothing in common.
    word = int.from_bytes(hashlib.sha256(level.encode()).digest()[:4], "big")
    rng = np.random.default_rng([seed, count, word])
    n_good = round(mix.good * count)
    names = list(mix.causes)
    causes = [""] * n_good + [names[k % len(names)] for k in range(count - n_good)]
    order = rng.permutation(count)
    cases = tuple(
        _case(k + 1, causes[order[k]], mix, rng, int(rng.integers(2**31))) for k in range(count)
    )
    return Exercise(name=f"{level}-{count}-{seed}", level=level, cases=cases)


def _case(number_: int, cause: str, mix: Level, rng: np.random.Generator, seed: int) -> Case:
    low, high = mix.causes.get(cause) or (0.0, 0.0)
    strength = float(rng.uniform(low, high))
    azimuth = float(rng.uniform(0.0, 360.0))
    contact = bool(rng.random() < mix.contact) if cause not in ("gel", "lid") else cause == "gel"
    grade = float(rng.uniform(*mix.cataract_grade))
    scenario: dict[str, Any] = {
        "scans": 1,
        "subject": "exercise",
        "eye": {"model": "population", "cataract_grade": grade},
        "method": {"kind": "contact" if contact else "immersion", "compression_mm": 0.05},
        "pose": {"azimuth_deg": azimuth},
        "artefacts": {},
    }
    if cause == "tilt":
        scenario["pose"] |= {"kind": "oblique", "tilt_deg": strength}
    elif cause == "decentred":
        scenario["pose"] |= {"decentration_mm": strength}
    elif cause == "optic_nerve":
        scenario["pose"] = {"kind": "optic_nerve"}
    elif cause == "gel":
        scenario["method"]["couplant_mm"] = strength
        scenario["artefacts"]["couplant"] = 1.0
    elif cause == "gain_too_high":
        scenario["artefacts"]["gain_too_high"] = 1.0
    elif cause == "lid":
        scenario["artefacts"]["blink"] = 1.0
    judged = judge(Synthesis(scenario, seed=seed).block(0, 1))
    return Case(
        number=number_,
        cause=cause,
        judged=judged,
        vitreous_speed_mm_per_us=medium("vitreous").speed_m_per_s * 1e-3,
    )
