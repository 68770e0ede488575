"""Plates: the same eye held well and spoilt, one above the other, from recipes or files."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from echotrace.errors import ParameterError
from echotrace.files.native import read_recording
from echotrace.recording import Recording
from echotrace.synthesis import Synthesis
from echotrace.synthesis.scenario import read_scenario
from echotrace.synthesis.scenario_model import Scenario
from echotrace.synthesis.sections import ArtefactSection, PoseSection
from echotrace.teaching.judged import Judged, judge
from echotrace.teaching.recipe import Lesson, Note, PlateRecipe

__all__ = ["Plate", "lesson_plates", "plate_of_file", "plate_of_recipe"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plate:
    """A pair of traces with what is said of them.

    Attributes
    ----------
    name, title, point : str
    labels : tuple of str, (2,)
    good, spoilt : Judged
    notes : tuple of Note

    Examples
    --------
    >>> plate_of_file("synthetic_traces/immersion_sitting.h5", scan=2).spoilt.accepted
    False
    """

    name: str
    title: str
    point: str
    labels: tuple[str, str]
    good: Judged
    spoilt: Judged
    notes: tuple[Note, ...] = ()


def plate_of_recipe(recipe: PlateRecipe, seed: int) -> Plate:
    """Make the two traces of a recipe and measure them.

    Parameters
    ----------
    recipe : PlateRecipe
    seed : int

    Returns
    -------
    Plate

    Examples
    --------
    >>> from echotrace.teaching.recipe import shipped_lesson
    >>> plate = plate_of_recipe(shipped_lesson().plates[5], 7)
    >>> round(plate.spoilt.error_mm, 1)
    -0.5
    """
    return Plate(
        name=recipe.name,
        title=recipe.title,
        point=recipe.point,
        labels=recipe.labels,
        good=judge(Synthesis(recipe.good, seed=seed).block(0, 1)),
        spoilt=judge(Synthesis(recipe.spoilt, seed=seed).block(0, 1), told=recipe.told),
        notes=recipe.notes,
    )


def lesson_plates(lesson: Lesson) -> list[Plate]:
    """All plates of a lesson.

    Parameters
    ----------
    lesson : Lesson

    Returns
    -------
    list of Plate

    Examples
    --------
    >>> import dataclasses
    >>> from echotrace.teaching.recipe import shipped_lesson
    >>> lesson = shipped_lesson()
    >>> short = dataclasses.replace(lesson, plates=lesson.plates[:1])
    >>> [plate.name for plate in lesson_plates(short)]
    ['01_on_axis']
    """
    return [plate_of_recipe(recipe, lesson.seed) for recipe in lesson.plates]


def plate_of_file(path: str | Path, *, scan: int | None = None, seed: int | None = None) -> Plate:
    """A plate of a scenario or of a recording.

    A scenario's eye is shown on axis as well: without shake, artefacts, pressing and what single
    scans change. Of a recording the accepted scan that looks best stands above.

    Parameters
    ----------
    path : str or Path
        ``.toml`` or ``.h5``.
    scan : int, optional
        The spoilt one, counted from 0; None takes the one that looks worst.
    seed : int, optional
        Of a scenario; its own where it is None.

    Returns
    -------
    Plate

    Raises
    ------
    ParameterError
        There is no such scan, or a recording of one scan has nothing to be compared with.

    Examples
    --------
    >>> plate_of_file("synthetic_traces/immersion_sitting.h5").labels
    ('scan 4', 'scan 3')
    """
    path = Path(path)
    if path.suffix.lower() == ".toml":
        scenario = read_scenario(path)
        made = Synthesis(scenario, seed=seed)
        recording = made.block(0, scenario.scans)
        bad = _spoilt_scan(recording, scan, path)
        upright = Synthesis(_on_axis(scenario), seed=made.seed).block(0, 1)
        return _named(
            path, scenario.description, ("the same eye on axis", f"scan {bad + 1}"),
            judge(upright), judge(recording, bad),
        )  # fmt: skip
    recording = read_recording(path)
    if recording.n_traces < 2:
        raise ParameterError(f"{path}: one scan only; a plate compares two of a recording")
    bad = _spoilt_scan(recording, scan, path)
    looks = np.array(_looks(recording))
    looks[bad] = -np.inf
    best = int(np.argmax(looks))
    return _named(
        path, recording.attributes.get("description", ""), (f"scan {best + 1}", f"scan {bad + 1}"),
        judge(recording, best), judge(recording, bad),
    )  # fmt: skip


def _named(path: Path, point: str, labels: tuple[str, str], good: Judged, spoilt: Judged) -> Plate:
    return Plate(
        name=path.stem,
        title=path.stem.replace("_", " "),
        point=point,
        labels=labels,
        good=good,
        spoilt=spoilt,
        notes=_level_notes(good, spoilt),
    )


def _looks(recording: Recording) -> list[float]:
    """How good each scan looks: both probabilities, and whether it is accepted."""
    from echotrace.chain.measure import measure

    result = measure(recording)
    looks = np.nan_to_num(result.length_right + result.aligned, nan=-2.0)
    return list(looks + 2.0 * result.accepted)


def _spoilt_scan(recording: Recording, scan: int | None, path: Path) -> int:
    if scan is None:
        return int(np.argmin(_looks(recording)))
    if not 0 <= scan < recording.n_traces:
        raise ParameterError(f"{path}: no scan {scan + 1}; there are {recording.n_traces}")
    return scan


def _on_axis(scenario: Scenario) -> Scenario:
    """The scenario's eye held well: one steady scan without what spoils it."""
    method = replace(scenario.method, compression_mm=0.0)
    plain = replace(
        scenario,
        scans=1,
        scan=(),
        pose=PoseSection(tilt_sd_deg=0.0, decentration_sd_mm=0.0, fixation_sd_deg=0.0),
        artefacts=ArtefactSection(),
        method=method,
    )
    if scenario.receiver.tgc_is_wrong:
        receiver = replace(
            scenario.receiver, tgc_delay_us=None, tgc_gain_db=None, tgc_is_wrong=False
        )
        plain = replace(plain, receiver=receiver)
    return plain


_WORTH_TELLING_DB = 6.0


def _level_notes(good: Judged, spoilt: Judged) -> tuple[Note, ...]:
    """What differs most, in numbers: levels of the echoes in the two traces."""
    notes: list[tuple[float, Note]] = []
    for name in ("cornea_front", "lens_front", "lens_back", "retina", "sclera"):
        here, there = _level_at(good, name), _level_at(spoilt, name)
        change = there - here
        if abs(change) >= _WORTH_TELLING_DB:
            word = "lower" if change < 0.0 else "higher"
            text = f"{name.replace('_', ' ')} {abs(change):.0f} dB {word}"
            notes.append((-abs(change), Note(at=name, words=text)))
    return tuple(note for _, note in sorted(notes, key=lambda item: item[0])[:3])


def _level_at(one: Judged, name: str) -> float:
    at = one.true_us.get(name, one.picks_us.get(name, np.nan))
    near = np.abs(one.recording.delay_us - at) < 0.3
    return float(one.level_db[near].max()) if near.any() else np.nan
