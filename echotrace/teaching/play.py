"""All states of the page to play with: each made and measured by the real chain."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.synthesis import Synthesis
from echotrace.synthesis.beam import BeamPath
from echotrace.synthesis.facets import beam_radius_mm
from echotrace.synthesis.probe import REFERENCE_SPEED_MM_PER_US, Disc
from echotrace.teaching.judged import Judged, judge

__all__ = ["GROUPS", "SLIDERS", "Slider", "State", "combinations", "make_states", "state_scenario"]

SEED = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Slider:
    """One thing that the page lets be changed, and the steps it has.

    Attributes
    ----------
    name, label, unit : str
    stops : tuple
        Numbers or words.
    neutral : int
        The stop of an eye held well.
    words : tuple of str
        What each stop is called, where a number does not say it.

    Examples
    --------
    >>> SLIDERS["tilt"].stops[SLIDERS["tilt"].neutral]
    0.0
    """

    name: str
    label: str
    unit: str = ""
    stops: tuple[Any, ...]
    neutral: int = 0
    words: tuple[str, ...] = ()


SLIDERS: Mapping[str, Slider] = {
    item.name: item
    for item in (
        Slider(name="tilt", label="tilt, towards the nose", unit="°",
               stops=(0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)),
        Slider(name="aside", label="beside the axis, towards the nose", unit="mm",
               stops=(-1.0, -0.5, 0.0, 0.5, 1.0), neutral=2),
        Slider(name="up", label="beside the axis, upwards", unit="mm",
               stops=(-1.0, -0.5, 0.0, 0.5, 1.0), neutral=2),
        Slider(name="gain", label="gain", unit="dB", stops=(-2.0, 10.0, 22.0, 34.0, 46.0),
               neutral=2),
        Slider(name="time_gain", label="time gain", stops=("rises", "flat", "falls"),
               words=("rises with depth", "the same at all depths", "falls with depth")),
        Slider(name="pressing", label="pressing", unit="mm", stops=(0.0, 0.2, 0.4, 0.6, 0.8)),
        Slider(name="gel", label="gel in front of the cornea", unit="mm", stops=(0.0, 0.15, 0.3)),
        Slider(name="lens", label="the lens of the eye",
               stops=("clear", "cataract_2", "cataract_4", "none", "implant"),
               words=("clear", "cataract, grade 2", "dense cataract, grade 4", "none",
                      "an implant of acrylic glass (PMMA)")),
    )
}  # fmt: skip
"""Every slider of the page, by name."""

GROUPS: Mapping[str, tuple[str, ...]] = {
    "probe": ("tilt", "aside", "up"),
    "receiver": ("tilt", "gain", "time_gain"),
    "contact": ("tilt", "pressing", "gel"),
    "eye": ("tilt", "lens"),
}
"""What can be changed together: all combinations within a group are computed, none is guessed."""

_TIME_GAIN = {"flat": (4.0, 4.0), "falls": (6.0, -12.0)}
_LENS: Mapping[str, Mapping[str, Any]] = {
    "clear": {},
    "cataract_2": {"cataract_grade": 2.0},
    "cataract_4": {"cataract_grade": 4.0},
    "none": {"lens_state": "aphakic"},
    "implant": {"lens_state": "pseudophakic", "lens_material": "pmma"},
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class State:
    """One combination of stops.

    Attributes
    ----------
    judged : Judged
    ray_mm : ndarray of float32, (6, 4)
        Of the disc and of each interface that the beam meets up to the retina: x (to the nose), y
        (up), z (into the eye), and the radius of the beam there; NaN where there is none.

    Examples
    --------
    >>> next(iter(make_states("eye"))).ray_mm.shape
    (6, 4)
    """

    judged: Judged
    ray_mm: NDArray[np.float32]


def state_scenario(group: str, stops: Sequence[Any]) -> dict[str, Any]:
    """The scenario of a state: what a file would say, and ``echotrace synth`` would take.

    Parameters
    ----------
    group : str
        A key of :data:`GROUPS`.
    stops : sequence
        A stop of each of its sliders.

    Returns
    -------
    dict

    Examples
    --------
    >>> state_scenario("contact", (0.0, 0.4, 0.0))["scan"]
    [{'number': 1, 'tilt_deg': 0.0, 'azimuth_deg': 0.0, 'compression_mm': 0.4}]
    """
    at = dict(zip(GROUPS[group], stops, strict=True))
    x, y = at.get("aside", 0.0), at.get("up", 0.0)
    scan: dict[str, Any] = {"number": 1, "tilt_deg": at["tilt"], "azimuth_deg": 0.0}
    scenario: dict[str, Any] = {
        "name": "page",
        "scans": 1,
        "seed": SEED,
        "subject": "lesson-eye",
        "eye": {"model": "navarro", "axial_length_mm": 23.4, **_LENS[at.get("lens", "clear")]},
        "pose": {
            "tilt_sd_deg": 0.0,
            "decentration_sd_mm": 0.0,
            "fixation_sd_deg": 0.0,
            "decentration_mm": math.hypot(x, y),
            "azimuth_deg": math.degrees(math.atan2(y, x)),
        },
        "scan": [scan],
    }
    if group == "receiver":
        receiver: dict[str, Any] = {"gain_db": at["gain"]}
        if at["time_gain"] in _TIME_GAIN:
            receiver["tgc_delay_us"] = [24.0, 44.0]
            receiver["tgc_gain_db"] = list(_TIME_GAIN[at["time_gain"]])
        scenario["receiver"] = receiver
    if group == "contact":
        scenario["method"] = {
            "kind": "contact",
            "compression_mm": at["pressing"],
            "couplant_mm": at["gel"],
        }
        scan["compression_mm"] = at["pressing"]
        scenario["artefacts"] = {"couplant": 1.0 if at["gel"] else 0.0}
    return scenario


def combinations(group: str) -> list[tuple[Any, ...]]:
    """All stops of a group, the last slider running fastest.

    Parameters
    ----------
    group : str

    Returns
    -------
    list of tuple

    Examples
    --------
    >>> len(combinations("eye"))
    45
    """
    return list(product(*(SLIDERS[name].stops for name in GROUPS[group])))


def make_states(
    group: str, shown: Callable[[Sequence[Any]], Iterable[Any]] = list
) -> Iterable[State]:
    """Make and measure all states of a group.

    Parameters
    ----------
    group : str
    shown : callable
        Walks the combinations, to show how far it is.

    Yields
    ------
    State

    Examples
    --------
    >>> next(iter(make_states("probe"))).judged.recording.n_traces
    1
    """
    for stops in shown(combinations(group)):
        made = Synthesis(state_scenario(group, stops))
        judged = judge(made.block(0, 1))
        yield State(judged=judged, ray_mm=_ray_mm(made.disc, made.echoes(0).path))


_POINTS = ("cornea_front", "cornea_back", "lens_front", "lens_back", "retina")
# Where a plain disc's field falls to 0.71, half the height of an echo (2 J1(v) / v, tables).
_HALF_HEIGHT_V = 1.616


def _ray_mm(disc: Disc, path: BeamPath) -> NDArray[np.float32]:
    ray = np.full((1 + len(_POINTS), 4), np.nan, np.float32)
    start = path.point_mm[0] - path.direction[0] * path.length_mm[0]
    ray[0] = (*start, disc.radius_mm)
    names = [surface.name for surface in path.surfaces]
    for k, name in enumerate(_POINTS):
        if name in names:
            j = names.index(name)
            megahertz = disc.centre_frequency_hz * 1e-6
            wavenumber = 2.0 * math.pi * megahertz / REFERENCE_SPEED_MM_PER_US
            radius = beam_radius_mm(disc, path.matrix[j], wavenumber, reach=_HALF_HEIGHT_V)
            ray[k + 1] = (*path.point_mm[j], radius)
    return ray
