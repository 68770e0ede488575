"""What a measured length means for the power of an implant.

``et.power``: constants and biometry go in; :func:`lens_power_d` and :func:`refraction_d` are the
formulas, :func:`outcome`, :func:`budget` and :func:`power_table` what the uncertainty of the inputs
does to them, :func:`check_plausibility` whether a length makes sense beside everything else known,
:func:`study_eyes` all of it together under its warnings. For teaching and research; the surgeon in
charge decides.
"""

from __future__ import annotations

import warnings
from typing import Any

from echotrace.power.biometry import Biometry, check_axial_length_mm
from echotrace.power.budgets import Budget, ScanGain, budget, one_more_scan
from echotrace.power.constants import (
    Formula,
    LensConstant,
    acd_constant_mm,
    convert_constant,
    implied_a_constant,
    parse_constant,
    start_values,
)
from echotrace.power.eye_cautions import FULL_CAUTION, NOT_A_PRESCRIPTION, Caution, cautions
from echotrace.power.eye_length import EyeLength, lengths_of
from echotrace.power.eye_record import EyeRecord, PlausibilityFinding
from echotrace.power.eye_study import EyeStudy
from echotrace.power.formulas import ThinLensEye, thin_lens_eye
from echotrace.power.history import EyeHistory, parse_history, refuse_history
from echotrace.power.lens_power import (
    corneal_plane_d,
    lens_power_d,
    power_of,
    refraction_d,
    refraction_of,
    spectacle_plane_d,
)
from echotrace.power.natural_lens import natural_lens_power_d
from echotrace.power.outcomes import Outcome, chance_within, outcome, simulate_refraction
from echotrace.power.plausibility import check_plausibility
from echotrace.power.plausibility_limits import LIMITS, Limit, limits_with, read_limits
from echotrace.power.sensitivities import Sensitivity, sensitivity
from echotrace.power.settings import PowerSettings
from echotrace.power.study import study_eyes
from echotrace.power.table import PowerTable, power_table
from echotrace.power.uncertainty import PARTS, PUBLISHED, InputUncertainty, published_uncertainty

__all__ = [
    "FULL_CAUTION",
    "LIMITS",
    "NOT_A_PRESCRIPTION",
    "PARTS",
    "PUBLISHED",
    "Biometry",
    "Budget",
    "Caution",
    "EyeHistory",
    "EyeLength",
    "EyeRecord",
    "EyeStudy",
    "Formula",
    "InputUncertainty",
    "LensConstant",
    "Limit",
    "Outcome",
    "PlausibilityFinding",
    "PowerSettings",
    "PowerTable",
    "ScanGain",
    "Sensitivity",
    "ThinLensEye",
    "acd_constant_mm",
    "budget",
    "cautions",
    "chance_within",
    "check_axial_length_mm",
    "check_plausibility",
    "convert_constant",
    "corneal_plane_d",
    "implied_a_constant",
    "lengths_of",
    "lens_power_d",
    "limits_with",
    "natural_lens_power_d",
    "one_more_scan",
    "outcome",
    "parse_constant",
    "parse_history",
    "power_of",
    "power_table",
    "published_uncertainty",
    "read_limits",
    "refraction_d",
    "refraction_of",
    "refuse_history",
    "sensitivity",
    "simulate_refraction",
    "spectacle_plane_d",
    "start_values",
    "study_eyes",
    "thin_lens_eye",
]


def __getattr__(name: str) -> Any:
    if name == "PowerInputs":
        warnings.warn(
            "PowerInputs is now PowerSettings; the old name goes with version 0.3",
            FutureWarning,
            stacklevel=2,
        )
        return PowerSettings
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
