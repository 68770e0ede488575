"""Sittings to try on what ships: other hands, eyes with speeds of their own, pressing of any kind.

None of it is drawn by the formulas that judge it: hands turn about the corneal vertex, the nodal
point, the centre of rotation or a wrist, gaze is aside, all scans may be held obliquely alike, and
pressing follows hands of several kinds. Invented by the synthesis; no patient data.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from echotrace.fitting.calibration_draws import draw_table
from echotrace.synthesis.compose import Synthesis
from echotrace.target import eye_target

__all__ = ["PIVOTS", "DrawnSitting", "draw_sitting"]

PIVOTS: dict[str, float] = {"vertex": 0.0, "nodal point": 7.2, "rotation": 13.5, "wrist": -12.0}
"""What hands turn about, mm behind the corneal vertex; gaze aside turns about the centre of
rotation."""

_STEADY_DEG, _OBLIQUE_DEG = (0.3, 1.2), (1.0, 6.0)
_OBLIQUE_SHARE = 0.35
_PRESSES = ("lognormal", "light or heavy", "studies")


@dataclass(frozen=True, slots=True)
class DrawnSitting:
    """One drawn sitting.

    Attributes
    ----------
    synthesis : Synthesis
    table : dict
        The scenario.
    scans : int
    method, state, pivot : str
    receiver_told : bool
    length_mm : float
        The eye's, along the visual axis.
    read_mm : float
        The same read at the speeds of the convention: what is left of an error when what no trace
        can show is taken out.

    Examples
    --------
    >>> draw_sitting(3, 0).scans
    5
    """

    synthesis: Synthesis
    table: dict[str, Any]
    scans: int
    method: str
    state: str
    pivot: str
    receiver_told: bool
    length_mm: float
    read_mm: float


def _pressing_mm(rng: np.random.Generator, scans: int) -> np.ndarray:
    """Pressing of each scan, mm: the published mean and spread, by hands of several kinds."""
    kind = str(rng.choice(_PRESSES))
    if kind == "lognormal":
        s = math.sqrt(math.log(1.0 + (0.26 / 0.20) ** 2))
        mean = float(rng.lognormal(math.log(0.20) - 0.5 * s * s, s))
    elif kind == "light or heavy":
        light = rng.random() < 0.6
        mean = abs(rng.normal(0.05, 0.04)) if light else rng.uniform(0.1, 0.8)
    else:
        # Means of several studies, eyes exponential about them.
        mean = float(rng.choice([0.1, 0.15, 0.2, 0.29, 0.3])) * float(rng.exponential())
    # A steady hand presses alike, another does not; in proportion or not.
    within = rng.uniform(0.01, 0.1) if rng.random() < 0.5 else mean * rng.uniform(0.1, 0.7)
    return np.clip(mean + within * rng.standard_normal(scans), 0.0, 1.0)


def draw_sitting(
    seed: int,
    number: int,
    *,
    scans: int = 5,
    changes: dict[str, dict[str, Any]] | None = None,
    speed_spread: float = 1.0,
) -> DrawnSitting:
    """Draw one sitting.

    Parameters
    ----------
    seed, number : int
    scans : int
    changes : dict of dict, optional
        Keys of the scenario's sections that replace what was drawn.
    speed_spread : float
        As in a scenario.

    Returns
    -------
    DrawnSitting

    Examples
    --------
    >>> draw_sitting(3, 1, changes={"method": {"kind": "contact"}}).method
    'contact'
    """
    drawn = draw_table(seed, number, poses=1)
    rng = np.random.default_rng([seed, number, 1])
    table: dict[str, Any] = {key: value for key, value in drawn.table.items()}
    table["scans"] = scans
    table["eye"] = dict(table["eye"]) | {"eyes": 1, "speed_spread": speed_spread}
    pivot = str(rng.choice(list(PIVOTS)))
    pose: dict[str, Any] = {
        "tilt_sd_deg": rng.uniform(*_STEADY_DEG),
        "decentration_sd_mm": rng.uniform(0.03, 0.15),
        "pivot_mm": PIVOTS[pivot],
        "azimuth_deg": rng.uniform(0.0, 360.0),
    }
    if rng.random() < _OBLIQUE_SHARE:
        pose |= {"kind": "oblique", "tilt_deg": rng.uniform(*_OBLIQUE_DEG)}
    table["pose"] = pose
    for section, keys in (changes or {}).items():
        table[section] = dict(table.get(section, {})) | keys
    method = table["method"]["kind"]
    if method == "contact":
        table["scan"] = [
            {"number": k + 1, "compression_mm": float(value)}
            for k, value in enumerate(_pressing_mm(rng, scans))
        ]
    synthesis = Synthesis(table)
    eye, said = synthesis.eye(0), synthesis.scenario.eye
    target = eye_target(said.lens_state, lens_material=said.lens_material, vitreous=said.vitreous)
    truth = synthesis.block(0, 1).truth
    assert truth is not None
    lengths = {"cornea": eye.cornea_mm, "aqueous": eye.aqueous_mm, "lens": eye.lens_mm}
    aphakic = said.lens_state == "aphakic"
    lengths["vitreous"] = eye.axial_length_mm - eye.cornea_mm
    if not aphakic:
        lengths["vitreous"] = eye.vitreous_mm
    read = 0.0
    for segment in target.length_segments:
        speed = segment.medium.speed_at(target.temperature_c)
        true = truth.columns.get(f"{segment.name}_speed_m_per_s", np.array([speed]))[0]
        read += lengths[segment.name] * speed / float(true)
    return DrawnSitting(
        synthesis=synthesis,
        table=table,
        scans=scans,
        method=method,
        state=drawn.state,
        pivot=pivot,
        receiver_told=drawn.receiver_told,
        length_mm=eye.axial_length_mm,
        read_mm=read,
    )
