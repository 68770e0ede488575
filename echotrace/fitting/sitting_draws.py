"""Whole sittings: hands with real pivots, eyes with speeds of their own, pressing of any kind.

What the two probabilities are fitted to and tried on. Hands turn about the corneal vertex, the
nodal point, the centre of rotation or a wrist in front, gaze is aside, all scans of a sitting may
be held obliquely alike: tilt and decentration go together as the pivot makes them. Invented by the
synthesis; no patient data.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from echotrace.fitting.calibration_draws import draw_table
from echotrace.recording import Recording
from echotrace.synthesis.compose import Synthesis
from echotrace.target import eye_target

__all__ = ["HANDS", "PIVOTS", "DrawnSitting", "draw_sitting", "sitting_table"]

PIVOTS: dict[str, float] = {"vertex": 0.0, "nodal point": 7.2, "rotation": 13.5, "wrist": -12.0}
"""What hands turn about, mm behind the corneal vertex."""

_HAND_SHARE = {
    "vertex": 0.22,
    "nodal point": 0.22,
    "rotation": 0.18,
    "wrist": 0.18,
    "gaze": 0.12,
    "nerve": 0.03,
    "pupil edge": 0.05,
}
HANDS = tuple(_HAND_SHARE)
"""Kinds of hand: what it turns about, an eye that looks aside, or a beam aimed at the optic nerve
or at the edge of the pupil."""

# Steady to shaking, standard deviation of each component from scan to scan; oblique alike.
_TILT_SD_DEG, _SHIFT_SD_MM, _GAZE_SD_DEG = (0.25, 3.0), (0.03, 0.3), (0.5, 3.0)
_OBLIQUE_DEG, _OBLIQUE_SHARE = (1.0, 7.0), 0.35
_PRESSES = ("lognormal", "light or heavy", "studies")


@dataclass(frozen=True, slots=True)
class DrawnSitting:
    """One drawn sitting.

    Attributes
    ----------
    synthesis : Synthesis
    recording : Recording
        Its traces, with their truth.
    table : dict
        The scenario.
    scans : int
    number, probe_kind : int
    method, state, hand : str
        ``hand`` is one of :data:`HANDS`.
    oblique : bool
        All scans are held obliquely alike.
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
    recording: Recording
    table: dict[str, Any]
    scans: int
    number: int
    probe_kind: int
    method: str
    state: str
    hand: str
    oblique: bool
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


def _between(rng: np.random.Generator, ends: tuple[float, float]) -> float:
    """As likely to lie in one octave as in another."""
    return float(np.exp(rng.uniform(*np.log(ends))))


def _pose(rng: np.random.Generator) -> tuple[str, dict[str, Any]]:
    """A hand and how it holds the probe in all scans of a sitting."""
    hand = str(rng.choice(HANDS, p=list(_HAND_SHARE.values())))
    pose: dict[str, Any] = {
        "tilt_sd_deg": _between(rng, _TILT_SD_DEG),
        "decentration_sd_mm": _between(rng, _SHIFT_SD_MM),
        "azimuth_deg": rng.uniform(0.0, 360.0),
    }
    gaze_sd_deg, oblique_deg, aside_mm = (
        _between(rng, _GAZE_SD_DEG),
        rng.uniform(*_OBLIQUE_DEG),
        rng.uniform(0.7, 1.4),
    )
    oblique = bool(rng.random() < _OBLIQUE_SHARE)
    if hand in PIVOTS:
        pose["pivot_mm"] = PIVOTS[hand]
    elif hand == "gaze":
        pose |= {"pivot_mm": PIVOTS["rotation"], "fixation_sd_deg": gaze_sd_deg}
    else:
        pose["tilt_sd_deg"], pose["decentration_sd_mm"] = 0.8, 0.12
        pose["kind"] = {"nerve": "optic_nerve", "pupil edge": "pupil_edge"}[hand]
        if hand == "pupil edge":
            pose["decentration_mm"] = aside_mm
        oblique = False
    if oblique:
        pose |= {"kind": "oblique", "tilt_deg": oblique_deg}
    return hand, pose


def sitting_table(
    seed: int,
    number: int,
    *,
    scans: int = 5,
    changes: Mapping[str, Mapping[str, Any]] | None = None,
    speed_spread: float = 1.0,
    noise_shift_db: float = 0.0,
) -> tuple[dict[str, Any], str]:
    """The scenario of one sitting, and its hand; nothing is synthesised.

    Parameters
    ----------
    seed, number, scans, changes, speed_spread, noise_shift_db
        As for :func:`draw_sitting`.

    Returns
    -------
    dict, str

    Examples
    --------
    >>> table, hand = sitting_table(3, 0)
    >>> table["scans"], hand in HANDS
    (5, True)
    """
    table = draw_table(seed, number, noise_shift_db=noise_shift_db).table
    rng = np.random.default_rng([seed, number, 1])
    table["scans"] = scans
    table["eye"] |= {"eyes": 1, "speed_spread": speed_spread}
    hand, table["pose"] = _pose(rng)
    for section, keys in (changes or {}).items():
        table[section] = dict(table.get(section, {})) | dict(keys)
    if table["method"]["kind"] == "contact":
        table["scan"] = [
            {"number": k + 1, "compression_mm": float(value)}
            for k, value in enumerate(_pressing_mm(rng, scans))
        ]
    return table, hand


def draw_sitting(
    seed: int,
    number: int,
    *,
    scans: int = 5,
    changes: Mapping[str, Mapping[str, Any]] | None = None,
    speed_spread: float = 1.0,
    noise_shift_db: float = 0.0,
) -> DrawnSitting:
    """Draw one sitting.

    Parameters
    ----------
    seed, number : int
        Of the whole set and of the sitting in it: a sitting does not depend on the others.
    scans : int
    changes : mapping of mapping, optional
        Keys of the scenario's sections that replace what was drawn.
    speed_spread : float
        As in a scenario.
    noise_shift_db : float
        Added to the noise, dB.

    Returns
    -------
    DrawnSitting

    Examples
    --------
    >>> draw_sitting(3, 1, changes={"method": {"kind": "contact"}}).method
    'contact'
    """
    drawn = draw_table(seed, number, noise_shift_db=noise_shift_db)
    table, hand = sitting_table(
        seed, number, scans=scans, changes=changes, speed_spread=speed_spread,
        noise_shift_db=noise_shift_db,
    )  # fmt: skip
    synthesis = Synthesis(table)
    eye, said = synthesis.eye(0), synthesis.scenario.eye
    target = eye_target(said.lens_state, lens_material=said.lens_material, vitreous=said.vitreous)
    made = synthesis.block(0, scans)
    truth = made.truth
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
        recording=made if drawn.receiver_told else replace(made, receiver=None),
        table=table,
        scans=scans,
        number=number,
        probe_kind=drawn.probe_kind,
        method=table["method"]["kind"],
        state=drawn.state,
        hand=hand,
        oblique=table["pose"].get("kind") == "oblique",
        receiver_told=drawn.receiver_told,
        length_mm=eye.axial_length_mm,
        read_mm=read,
    )
