"""Public names of echotrace.power; the one list of them (see ``_public.py``)."""
# ruff: noqa: I001

# -- powers and refractions
from echotrace.power.lens_power import Biometry as Biometry
from echotrace.power.lens_power import LensConstant as LensConstant
from echotrace.power.lens_power import convert_constant as convert_constant
from echotrace.power.lens_power import lens_power_d as lens_power_d
from echotrace.power.lens_power import refraction_d as refraction_d

# -- what the spread means
from echotrace.power.propagation import InputUncertainty as InputUncertainty
from echotrace.power.propagation import Outcome as Outcome
from echotrace.power.propagation import PowerTable as PowerTable
from echotrace.power.propagation import chance_within as chance_within
from echotrace.power.propagation import power_table as power_table

# -- the study of one eye
from echotrace.power.study import EyeLength as EyeLength
from echotrace.power.study import EyeStudy as EyeStudy
from echotrace.power.study import PowerInputs as PowerInputs
from echotrace.power.study import study_eyes as study_eyes
from echotrace.power.cautions import EyeHistory as EyeHistory
from echotrace.power.plausibility import EyeRecord as EyeRecord
from echotrace.power.plausibility import check_plausibility as check_plausibility

__all__: list[str]
PUBLIC_GROUPS: dict[str, dict[str, tuple[str, str]]]
