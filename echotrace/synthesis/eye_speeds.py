"""Sound speeds and temperature of single eyes, drawn from what is published of their spread."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from echotrace.media import BODY_TEMPERATURE_C
from echotrace.synthesis.beam import BeamPath
from echotrace.synthesis.eye_model import EyeModel
from echotrace.target import Target

__all__ = ["TEMPERATURE_SD_C", "draw_speeds", "speeds_truth", "with_speeds"]

TEMPERATURE_SD_C = 0.5
"""Spread of the temperature of eyes, °C (common practice, no source)."""

# In the order in which they are drawn: part of what a seed means, so new ones come last.
_SPEEDS_DRAWN = (
    "cornea", "aqueous", "lens", "vitreous", "pmma", "silicone", "acrylic", "collagen_copolymer",
    "glass", "silicone_oil_1000", "silicone_oil_5000",
)  # fmt: skip


def draw_speeds(rng: np.random.Generator, spread: float) -> tuple[dict[str, float], float]:
    """Draw the speeds and the temperature of one eye from their published spread.

    Parameters
    ----------
    rng : numpy.random.Generator
    spread : float
        Standard deviation in published standard uncertainties; 1 is the published spread.

    Returns
    -------
    speed_errors : dict of str to float
        By medium, see :class:`~echotrace.synthesis.eye_model.EyeModel`.
    temperature_c : float
        °C.

    Examples
    --------
    >>> errors, temperature_c = draw_speeds(np.random.default_rng(1), 0.0)
    >>> temperature_c, set(errors.values())
    (37.0, {0.0})
    """
    drawn = spread * rng.standard_normal(len(_SPEEDS_DRAWN) + 1)
    errors = {name: float(x) for name, x in zip(_SPEEDS_DRAWN, drawn[1:], strict=True)}
    return errors, BODY_TEMPERATURE_C + TEMPERATURE_SD_C * float(drawn[0])


def with_speeds(eye: EyeModel, rng: np.random.Generator, spread: float) -> EyeModel:
    """An eye with speeds and temperature of its own.

    Parameters
    ----------
    eye : EyeModel
    rng : numpy.random.Generator
    spread : float
        As for :func:`draw_speeds`.

    Returns
    -------
    EyeModel

    Examples
    --------
    >>> from echotrace.synthesis.eye_model import SCHEMATIC_EYES
    >>> eye = with_speeds(SCHEMATIC_EYES["navarro"], np.random.default_rng(1), 1.0)
    >>> eye.temperature_c != 37.0
    True
    """
    errors, temperature_c = draw_speeds(rng, spread)
    return replace(eye, speed_errors=errors, temperature_c=temperature_c)


def speeds_truth(eye: EyeModel, path: BeamPath, target: Target) -> dict[str, float]:
    """What the truth says of the speeds of one eye.

    Parameters
    ----------
    eye : EyeModel
    path : BeamPath
        Of a beam through it.
    target : Target
        Names its segments.

    Returns
    -------
    dict of str to float
        Speed of each segment from cornea to retina, m/s, and the temperature, °C.

    Examples
    --------
    >>> from echotrace.synthesis.alignment import Pose, beam_through_eye
    >>> from echotrace.synthesis.eye_model import SCHEMATIC_EYES
    >>> from echotrace.synthesis.probe import Disc
    >>> from echotrace.synthesis.sections import MethodSection
    >>> from echotrace.target import eye_target
    >>> eye = SCHEMATIC_EYES["navarro"]
    >>> path = beam_through_eye(Disc(), eye, MethodSection(), Pose())
    >>> speeds_truth(eye, path, eye_target("phakic"))["lens_speed_m_per_s"]
    1641.0
    """
    speeds = path.speed_mm_per_us[1 : path.index("retina") + 1]
    found = {
        f"{segment.name}_speed_m_per_s": 1e3 * float(speed)
        for segment, speed in zip(target.length_segments, speeds, strict=True)
    }
    return found | {"temperature_c": eye.temperature_c}
