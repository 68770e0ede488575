"""One eye after the other: from the length of a sitting to what is said about an implant.

Brings together the length with its uncertainty, keratometry, plausibility, formulas, budget and
cautions, so that the command line, the page and a notebook all show the same numbers under the
same warnings.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from echotrace.errors import ParameterError
from echotrace.power.biometry import AXIAL_LENGTH_RANGE_MM, CHAMBER_DEPTH_RANGE_MM, Biometry
from echotrace.power.budgets import budget, one_more_scan
from echotrace.power.eye_cautions import cautions
from echotrace.power.eye_length import EyeLength
from echotrace.power.eye_record import EyeRecord, PlausibilityFinding
from echotrace.power.eye_study import EyeStudy
from echotrace.power.formulas import KERATOMETRIC_INDEX
from echotrace.power.history import EyeHistory, refuse_history
from echotrace.power.outcomes import simulate_refraction
from echotrace.power.plausibility import check_plausibility
from echotrace.power.pressing import length_for_constants
from echotrace.power.settings import PowerSettings
from echotrace.power.study_cautions import study_cautions
from echotrace.power.table import power_table
from echotrace.power.uncertainty import InputUncertainty

__all__ = ["study_eyes"]


def study_eyes(lengths: Sequence[EyeLength], settings: PowerSettings) -> tuple[EyeStudy, ...]:
    """What the lengths of one subject's eyes mean for an implant.

    Parameters
    ----------
    lengths : sequence of EyeLength
        Sittings of one subject, both eyes perhaps.
    settings : PowerSettings

    Returns
    -------
    tuple of EyeStudy
        One a sitting, in order. An eye the formulas were not made for, and a sitting without an
        accepted scan, come back refused with the reason; they do not stop the others.

    Raises
    ------
    ParameterError
        No sitting, several subjects, keratometry or constants that cannot be used, or a contact
        length without a word of which lengths the constants belong to.

    Examples
    --------
    >>> import echotrace as et
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> length = et.power.EyeLength(eye="right", mean_mm=23.4, u_mm=0.03, n=5, n_accepted=5)
    >>> given = et.power.PowerSettings(
    ...     constants=(srk_t,), target_d=-0.25, k1_d={"right": 43.5}, k2_d={"right": 44.5}
    ... )
    >>> (study,) = et.power.study_eyes([length], given)
    >>> study.warnings[0][:46]
    'Nobody has declared that the cornea is untouch'
    """
    if not lengths:
        raise ParameterError("there is no sitting to work on")
    subjects = {item.subject for item in lengths}
    if len(subjects) > 1:
        raise ParameterError(
            f"{len(subjects)} subjects ({', '.join(sorted(subjects)[:3])}, ...) but one "
            "keratometry: choose one subject"
        )
    findings = _plausibility(lengths, settings)
    return tuple(_study(item, settings, findings) for item in lengths)


def _record(length: EyeLength, settings: PowerSettings) -> EyeRecord:
    to_standard = (KERATOMETRIC_INDEX - 1.0) / (settings.keratometric_index - 1.0)
    return EyeRecord(
        eye=length.eye,
        length_mm=length.mean_mm,
        length_u_mm=math.hypot(length.u_mm, length.u_shared_mm),
        method=length.method,
        lens_state=length.lens_state,
        chamber_mm=_chamber(length, settings)[0],
        lens_mm=length.lens_mm,
        k1_d=settings.k1_d.get(length.eye, math.nan) * to_standard,
        k2_d=settings.k2_d.get(length.eye, math.nan) * to_standard,
        refraction_d=settings.refraction_d.get(length.eye, math.nan),
        age_years=settings.age_years,
        label=_record_label(length),
    )


def _plausibility(
    lengths: Sequence[EyeLength], settings: PowerSettings
) -> tuple[PlausibilityFinding, ...]:
    # A length that no eye has is refused by itself and compared with nothing.
    known = [item for item in lengths if 10.0 <= item.mean_mm <= 50.0]
    return check_plausibility(
        [_record(item, settings) for item in known],
        earlier=settings.earlier,
        limits=settings.limits,
    )


def _concerns(finding: PlausibilityFinding, length: EyeLength) -> bool:
    if finding.subject.startswith("right against left"):
        return True
    own = _record_label(length)
    name = f"{length.eye} eye, {own}" if own else f"{length.eye} eye"
    return finding.subject in (name, f"{length.eye} eye, contact against immersion")


def _record_label(length: EyeLength) -> str:
    parts = (length.method, length.sitting, length.operator)
    return ", ".join(part for part in parts if part)


def _chamber(length: EyeLength, settings: PowerSettings) -> tuple[float, str]:
    if length.eye in settings.chamber_mm:
        return settings.chamber_mm[length.eye], "given"
    if length.lens_state in ("", "phakic") and not math.isnan(length.chamber_mm):
        return length.chamber_mm, "from these scans"
    return math.nan, "not known"


def _history_of(length: EyeLength, settings: PowerSettings) -> tuple[EyeHistory, ...]:
    seen = list(settings.history.get(length.eye, ()))
    if length.lens_state == "aphakic":
        seen.append(EyeHistory.APHAKIA)
    if length.lens_state == "pseudophakic":
        seen.append(EyeHistory.EXISTING_IMPLANT)
    if length.vitreous.startswith("silicone_oil"):
        seen.append(EyeHistory.SILICONE_OIL)
    if length.vitreous == "gas":
        seen.append(EyeHistory.GAS)
    return tuple(seen)


def _study(
    length: EyeLength, settings: PowerSettings, findings: Sequence[PlausibilityFinding]
) -> EyeStudy:
    mine = tuple(item for item in findings if _concerns(item, length))
    history = _history_of(length, settings)
    if math.isnan(length.mean_mm):
        return EyeStudy(
            length=length,
            plausibility=mine,
            refused="no lens power is given, no accepted scan: measure this eye again",
        )
    low, high = AXIAL_LENGTH_RANGE_MM
    if not low <= length.mean_mm <= high:
        return EyeStudy(
            length=length,
            plausibility=mine,
            refused=f"no lens power is given, the length of {length.mean_mm:.2f} mm lies outside "
            f"{low:g} to {high:g} mm, for which these formulas were not made; measure again, and "
            "check the gates and the eye's state",
        )
    try:
        refuse_history(history)
    except ParameterError as error:
        return EyeStudy(length=length, plausibility=mine, refused=str(error))
    chamber, origin = _chamber(length, settings)
    low, high = CHAMBER_DEPTH_RANGE_MM
    if origin == "from these scans" and not low <= chamber <= high:
        # Plausibility tells of it; the formulas go on without.
        chamber, origin = math.nan, f"{chamber:.2f} mm in these scans is not used"
    used_mm, pressing_u_mm, pressing_words = length_for_constants(length, settings.constant_method)
    eye = Biometry(
        axial_length_mm=np.array(used_mm),
        k1_d=np.array(settings.k1_d[length.eye]),
        k2_d=np.array(settings.k2_d[length.eye]),
        chamber_depth_mm=np.array(chamber),
        keratometric_index=settings.keratometric_index,
        vertex_mm=settings.vertex_mm,
    )
    uncertainty = InputUncertainty(
        length_mm=length.u_mm,
        length_shared_mm=length.u_shared_mm,
        pressing_mm=pressing_u_mm,
        **settings.uncertainty,
    )
    dof = float(length.n_accepted - 1) if length.n_accepted > 1 else math.inf
    table = power_table(
        eye,
        settings.constants,
        settings.target_d,
        uncertainty,
        n_each_side=settings.n_each_side,
        coverage=settings.coverage,
        length_dof=dof,
    )
    nearest = [table.power_d[table.nearest(k)].item() for k in range(len(table.constants))]
    warned = cautions(
        eye,
        settings.constants,
        target_d=settings.target_d,
        history_asked=EyeHistory.NONE in history,
        constant_method=settings.constant_method,
        length_method=length.method,
    )
    tails = [0.5 - settings.coverage / 2.0, 0.5 + settings.coverage / 2.0]
    drawn = []
    for constant, power in zip(table.constants, nearest, strict=True):
        values = simulate_refraction(
            eye,
            constant,
            power,
            uncertainty,
            n_draws=settings.n_draws,
            seed=settings.seed,
            length_dof=dof,
        )
        low, high = np.quantile(values, tails)
        drawn.append((float(low), float(high)))
    return EyeStudy(
        length=length,
        biometry=eye,
        chamber_origin=origin,
        pressing=pressing_words,
        uncertainty=uncertainty,
        table=table,
        budgets=tuple(
            budget(eye, constant, power, uncertainty)
            for constant, power in zip(table.constants, nearest, strict=True)
        ),
        drawn_d=tuple(drawn),
        gain=(
            one_more_scan(eye, table.constants[0], nearest[0], uncertainty, length.n_accepted)
            if length.n_accepted > 1
            else None
        ),
        cautions=(*study_cautions(length, settings, table, drawn, origin), *warned),
        plausibility=mine,
        coverage=settings.coverage,
    )
