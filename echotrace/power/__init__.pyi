"""Public names of echotrace.power; the one list of them (see ``_public.py``)."""
# ruff: noqa: I001

# -- powers and refractions
from echotrace.power.biometry import Biometry as Biometry
from echotrace.power.biometry import check_axial_length_mm as check_axial_length_mm
from echotrace.power.constants import Formula as Formula
from echotrace.power.constants import LensConstant as LensConstant
from echotrace.power.constants import acd_constant_mm as acd_constant_mm
from echotrace.power.constants import convert_constant as convert_constant
from echotrace.power.constants import implied_a_constant as implied_a_constant
from echotrace.power.constants import parse_constant as parse_constant
from echotrace.power.constants import start_values as start_values
from echotrace.power.formulas import ThinLensEye as ThinLensEye
from echotrace.power.formulas import thin_lens_eye as thin_lens_eye
from echotrace.power.lens_power import corneal_plane_d as corneal_plane_d
from echotrace.power.lens_power import lens_power_d as lens_power_d
from echotrace.power.lens_power import power_of as power_of
from echotrace.power.lens_power import refraction_d as refraction_d
from echotrace.power.lens_power import refraction_of as refraction_of
from echotrace.power.lens_power import spectacle_plane_d as spectacle_plane_d

# -- what the spread of the length means
from echotrace.power.uncertainty import InputUncertainty as InputUncertainty
from echotrace.power.uncertainty import PARTS as PARTS
from echotrace.power.uncertainty import PUBLISHED as PUBLISHED
from echotrace.power.uncertainty import published_uncertainty as published_uncertainty
from echotrace.power.outcomes import Outcome as Outcome
from echotrace.power.outcomes import chance_within as chance_within
from echotrace.power.outcomes import outcome as outcome
from echotrace.power.outcomes import simulate_refraction as simulate_refraction
from echotrace.power.sensitivities import Sensitivity as Sensitivity
from echotrace.power.sensitivities import sensitivity as sensitivity
from echotrace.power.budgets import Budget as Budget
from echotrace.power.budgets import ScanGain as ScanGain
from echotrace.power.budgets import budget as budget
from echotrace.power.budgets import one_more_scan as one_more_scan
from echotrace.power.table import PowerTable as PowerTable
from echotrace.power.table import power_table as power_table

# -- whether it makes sense
from echotrace.power.eye_record import EyeRecord as EyeRecord
from echotrace.power.eye_record import PlausibilityFinding as PlausibilityFinding
from echotrace.power.plausibility import check_plausibility as check_plausibility
from echotrace.power.plausibility_limits import LIMITS as LIMITS
from echotrace.power.plausibility_limits import Limit as Limit
from echotrace.power.plausibility_limits import limits_with as limits_with
from echotrace.power.plausibility_limits import read_limits as read_limits
from echotrace.power.natural_lens import natural_lens_power_d as natural_lens_power_d

# -- the study of one eye
from echotrace.power.settings import PowerSettings as PowerSettings
from echotrace.power.eye_length import EyeLength as EyeLength
from echotrace.power.eye_length import lengths_of as lengths_of
from echotrace.power.history import EyeHistory as EyeHistory
from echotrace.power.history import parse_history as parse_history
from echotrace.power.history import refuse_history as refuse_history
from echotrace.power.eye_cautions import Caution as Caution
from echotrace.power.eye_cautions import FULL_CAUTION as FULL_CAUTION
from echotrace.power.eye_cautions import NOT_A_PRESCRIPTION as NOT_A_PRESCRIPTION
from echotrace.power.eye_cautions import cautions as cautions
from echotrace.power.eye_study import EyeStudy as EyeStudy
from echotrace.power.study import study_eyes as study_eyes

__all__: list[str]
PUBLIC_GROUPS: dict[str, dict[str, tuple[str, str]]]
