"""From the ``[eye]`` of a scenario to an eye."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from echotrace.errors import ParameterError
from echotrace.synthesis.eye_model import SCHEMATIC_EYES, EyeModel, draw_eye
from echotrace.synthesis.sections import EyeSection

__all__ = ["eye_of"]

_OVERRIDES = (
    "cornea_front_radius_mm",
    "cornea_back_radius_mm",
    "lens_front_radius_mm",
    "lens_back_radius_mm",
    "retina_radius_mm",
    "cornea_mm",
    "aqueous_mm",
    "lens_mm",
)
_MIN_VITREOUS_MM = 5.0
# Behind the iris an implant lies deeper than the natural lens did: 4.3 mm from the corneal front
# (value from memory), 0.8 mm thick with faces of 12 mm (common practice, no source).
_IMPLANT_CHAMBER_MM, _IMPLANT_MM, _IMPLANT_RADIUS_MM = 4.3, 0.8, 12.0


def eye_of(section: EyeSection, rng: np.random.Generator | None) -> EyeModel:
    """The eye that a section describes.

    Parameters
    ----------
    section : EyeSection
    rng : numpy.random.Generator or None
        Draws a population's eye; None gives a typical one.

    Returns
    -------
    EyeModel

    Raises
    ------
    ParameterError
        Lengths that put the retina in front of, or too near, the lens.

    Examples
    --------
    >>> round(eye_of(EyeSection(axial_length_mm=22.0), None).axial_length_mm, 6)
    22.0
    """
    if section.model == "population" and rng is not None:
        base = draw_eye(rng)
    else:
        base = SCHEMATIC_EYES[section.model if section.model in SCHEMATIC_EYES else "navarro"]
    axial = base.axial_length_mm
    changes: dict[str, Any] = {}
    if section.lens_state == "pseudophakic":
        changes = {
            "aqueous_mm": _IMPLANT_CHAMBER_MM - base.cornea_mm,
            "lens_mm": _IMPLANT_MM,
            "lens_front_radius_mm": _IMPLANT_RADIUS_MM,
            "lens_back_radius_mm": _IMPLANT_RADIUS_MM,
        }
    for key in _OVERRIDES:
        if not math.isnan(getattr(section, key)):
            changes[key] = getattr(section, key)
    eye = replace(base, **changes)
    if not math.isnan(section.axial_length_mm):
        axial = section.axial_length_mm
    front = eye.cornea_mm + eye.aqueous_mm + eye.lens_mm
    if axial - front < _MIN_VITREOUS_MM:
        raise ParameterError(
            f"[eye] axial_length_mm={axial:g} puts the retina {axial - front:.2f} mm behind the "
            f"lens back, which lies at {front:.2f} mm; it must be at least "
            f"{front + _MIN_VITREOUS_MM:.2f} mm"
        )
    return replace(
        eye,
        vitreous_mm=axial - front,
        lens_tilt_deg=section.lens_tilt_deg,
        lens_decentration_mm=section.lens_decentration_mm,
        lens_azimuth_deg=section.lens_azimuth_deg,
        lens_state=section.lens_state,
        lens_material=section.lens_material,
        vitreous=section.vitreous,
        cataract_grade=section.cataract_grade,
        staphyloma_slope_deg=section.staphyloma_slope_deg,
        staphyloma_step_mm=section.staphyloma_step_mm,
        vitreous_opacities=section.vitreous_opacities,
        retina_echo_db=section.retina_echo_db,
        backscatter_db=section.backscatter_db,
    )
