"""What must be read before a lens power, worded for the person who decides.

Whatever can make a number wrong goes beside it as a warning, whatever is only worth knowing as a
note.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from echotrace.errors import ParameterError
from echotrace.power.biometry import Biometry
from echotrace.power.constants import Formula, LensConstant, implied_a_constant
from echotrace.power.lens_power import lens_power_d

__all__ = ["FULL_CAUTION", "NOT_A_PRESCRIPTION", "Caution", "cautions"]


_Add = Callable[[str, str, str], None]

NOT_A_PRESCRIPTION = (
    "Not a prescription: the surgeon in charge, licensed to practise, chooses lens and power, by "
    "local protocol and with a system cleared for it."
)
"""What every output about lens power says."""

FULL_CAUTION = (
    f"Not a medical device; for teaching and research. {NOT_A_PRESCRIPTION} A number that carries "
    "a warning must not be used unchecked."
)
"""The same for outputs that carry no other caution."""

# Where a result is still given but carries a warning (chosen here, no source; a published list
# for repeating a measurement is close to it: < 22 or > 25 mm, < 40 or > 47 D, from memory).
USUAL_AXIAL_LENGTH_MM = (22.0, 26.0)

USUAL_K_D = (40.0, 48.0)

USUAL_DISAGREEMENT_D = 0.5

# Keratometers rarely read more than a few dioptres between meridians (chosen here, no source).
USUAL_ASTIGMATISM_D = 4.0


@dataclass(frozen=True, slots=True)
class Caution:
    """One reason to be careful with a result.

    Attributes
    ----------
    name : str
    severity : {"note", "warning"}
    text : str
        What is the matter, and what to do.

    Examples
    --------
    >>> import echotrace as et
    >>> et.power.Caution("k_order", "note", "K1 is steeper than K2.").severity
    'note'
    """

    name: str
    severity: str
    text: str


def cautions(
    eye: Biometry,
    constants: Sequence[LensConstant],
    *,
    target_d: float = 0.0,
    history_asked: bool = False,
    constant_method: str = "",
    length_method: str = "",
) -> tuple[Caution, ...]:
    """Everything a careful reader must know before looking at the numbers of one eye.

    Parameters
    ----------
    eye : Biometry
        One eye.
    constants : sequence of LensConstant
    target_d : float
        D.
    history_asked : bool
        Somebody asked for earlier corneal surgery, disease and implants, and there were none.
    constant_method : {"", "optical", "immersion", "contact"}
        How the lengths were measured on which the constants were optimised; empty if unknown.
    length_method : str
        How this length was measured.

    Returns
    -------
    tuple of Caution
        Warnings first.

    Raises
    ------
    ParameterError
        More than one eye, or a target outside -20 to +20 D.

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> [item.name for item in et.power.cautions(eye, [srk_t]) if item.severity == "warning"]
    ['history_not_asked']
    """
    if np.broadcast(eye.axial_length_mm, eye.k1_d, eye.k2_d).size != 1:
        raise ParameterError("cautions are for one eye at a time")
    found: list[Caution] = []

    def add(name: str, severity: str, text: str) -> None:
        found.append(Caution(name, severity, text))

    length = float(eye.axial_length_mm.reshape(-1)[0])
    k_mean = float(eye.mean_k_d.reshape(-1)[0])
    k1, k2 = float(eye.k1_d.reshape(-1)[0]), float(eye.k2_d.reshape(-1)[0])
    if not history_asked:
        add(
            "history_not_asked",
            "warning",
            "Nobody has declared that the cornea is untouched. Ask about laser or other "
            "refractive surgery, keratoconus, a graft, oil and implants: after any of them these "
            "powers are wrong.",
        )
    _range_cautions(add, length, k_mean)
    for constant in constants:
        if bool(np.any(eye.thin_lens(constant).at_limit)):
            _limit_caution(add, constant.formula, length, k_mean)
    powers = [float(np.ravel(lens_power_d(eye, item, target_d))[0]) for item in constants]
    if len(powers) > 1:
        table = {item.formula: value for item, value in zip(constants, powers, strict=True)}
        spread = max(powers) - min(powers)
        weakest, strongest = min(table, key=table.__getitem__), max(table, key=table.__getitem__)
        if spread > USUAL_DISAGREEMENT_D:
            add(
                "formulas_disagree",
                "warning",
                f"The formulas differ by {spread:.2f} D of lens power ({weakest.label} lowest, "
                f"{strongest.label} highest). Find out why before one is chosen: constants of "
                "different origin, or an eye out of the ordinary.",
            )
    _constant_cautions(add, constants, constant_method, length_method)
    astigmatism = abs(k1 - k2)
    if astigmatism > USUAL_ASTIGMATISM_D:
        add(
            "astigmatism",
            "warning",
            f"The two keratometer readings differ by {astigmatism:.2f} D: repeat keratometry and "
            "look at the shape of the cornea (keratoconus, scar, contact lens wear).",
        )
    if k1 > k2 + 0.005:
        add(
            "k_order",
            "note",
            f"K1 ({k1:.2f} D) is steeper than K2 ({k2:.2f} D). Harmless here, where only their "
            "mean counts; check that the readings belong to this eye.",
        )
    if any(item.formula is Formula.HAIGIS for item in constants) and bool(
        np.any(np.isnan(eye.chamber_depth_mm))
    ):
        add(
            "chamber_not_measured",
            "warning",
            "Haigis is computed without a measured chamber depth (estimated from the length): "
            "what sets the formula apart is missing.",
        )
    add(
        "speed_convention",
        "note",
        "The length is the sum of segments at their own sound speeds. A constant optimised on "
        "lengths of another convention (1532 m/s + 0.28 mm, 1550 or 1555 m/s) differs by up to "
        "0.08 mm, about 0.17 D.",
    )
    return tuple(sorted(found, key=lambda item: item.severity != "warning"))


def _range_cautions(add: _Add, length: float, k_mean: float) -> None:
    low, high = USUAL_AXIAL_LENGTH_MM
    advice = (
        "Hoffer 1993 (J Cataract Refract Surg 19:700) preferred Hoffer Q below 22.0 mm, Holladay "
        "from 24.5 to 26.0 mm and SRK/T above 26.0 mm."
    )
    if length < low:
        add(
            "short_eye",
            "warning",
            f"{length:.2f} mm is a short eye: the power is high, each 0.1 mm of error costs more "
            f"than in an average eye, and the formulas differ. {advice}",
        )
    elif length > high:
        add(
            "long_eye",
            "warning",
            f"{length:.2f} mm is a long eye: third-generation formulas tend to leave such eyes "
            "hyperopic (Abulafia 2015, J Cataract Refract Surg), and a staphyloma can make the "
            f"measured length too long. {advice}",
        )
    elif length > 24.5:
        add("length_over_24_5", "note", advice)
    low, high = USUAL_K_D
    if not low <= k_mean <= high:
        add(
            "steep_or_flat_cornea",
            "warning",
            f"A mean K of {k_mean:.2f} D is outside {low:g} to {high:g} D: repeat keratometry, "
            "and ask again about surgery, keratoconus and contact lenses.",
        )


def _limit_caution(add: _Add, formula: Formula, length: float, k_mean: float) -> None:
    if formula is Formula.SRK_T:
        add(
            "srk_t_guard",
            "warning",
            f"SRK/T has no solution for the corneal height at {k_mean:.2f} D and {length:.2f} mm; "
            "its usual guard overestimates the lens position (Aramberri 2005, J Cataract Refract "
            "Surg 31:255). Do not use SRK/T for this eye.",
        )
    elif formula is Formula.HOFFER_Q:
        add(
            "hoffer_q_limit",
            "warning",
            f"{length:.2f} mm is beyond the 31.0 mm to which Hoffer Q predicts the lens position; "
            "the position of 31.0 mm is used.",
        )
    else:
        add(
            "holladay_1_limit",
            "note",
            "Holladay 1 uses a fixed anterior segment (13.5 mm) or corneal radius (7.0 mm) for "
            "this eye, as published.",
        )


def _constant_cautions(
    add: _Add, constants: Sequence[LensConstant], constant_method: str, length_method: str
) -> None:
    converted = [item.formula.label for item in constants if item.converted_from]
    if converted:
        haigis = (
            " Haigis reads about 1 D more power than the others this way."
            if Formula.HAIGIS.label in converted
            else ""
        )
        add(
            "converted_constant",
            "warning",
            f"The constants of {', '.join(converted)} are converted from another formula's: start "
            f"values, not fit for choosing a lens.{haigis}",
        )
    implied = {
        item.formula.label: implied_a_constant(item)
        for item in constants
        if not item.converted_from and not math.isnan(implied_a_constant(item))
    }
    # a0 of Haigis scatters more than the others around the conversion: it is left out here.
    implied.pop(Formula.HAIGIS.label, None)
    if len(implied) > 1 and max(implied.values()) - min(implied.values()) > 1.0:
        text = ", ".join(f"{name} {value:.1f}" for name, value in implied.items())
        add(
            "constants_of_two_lenses",
            "warning",
            f"The constants do not seem to belong to one lens; on the scale of A they are {text}. "
            "Check that none was given under another formula's name.",
        )
    if not constant_method:
        add(
            "constant_origin_unknown",
            "note",
            "A constant belongs to a lens and to a way of measuring. It is not stated whether "
            "these were optimised on optical, immersion or contact lengths.",
        )
    elif (
        length_method
        and constant_method != length_method
        and "contact"
        in (
            constant_method,
            length_method,
        )
    ):
        add(
            "constant_of_another_method",
            "warning",
            f"The constants were optimised on {constant_method} lengths, this eye was measured "
            f"by {length_method}. Contact lengths came out 0.1 to 0.3 mm shorter than immersion or "
            "optical ones in most studies: about 0.2 to 0.7 D of refraction, all one way.",
        )
