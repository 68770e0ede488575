"""What an axial length means for the power of an implant: the published thin-lens formulas.

SRK/T, Hoffer Q, Holladay 1, Haigis and the plain vergence equation see the eye in the same way:
two thin lenses, cornea and implant, and a retina. They differ only in the corneal power, the
predicted position of the implant and the optical length that they put into one equation (Haigis
2009, J Refract Surg 25:229). So does this module: :func:`thin_lens_eye` holds what differs,
:func:`lens_power_d` and :func:`refraction_d` the one equation in its two directions.

The results are for teaching and research. Constants come from the user; none of any lens is kept
here. Constants whose origin could not be re-read say ``value from memory``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.errors import ParameterError
from echotrace.user_input import did_you_mean

__all__ = [
    "Biometry",
    "Formula",
    "LensConstant",
    "ThinLensEye",
    "check_axial_length_mm",
    "convert_constant",
    "implied_a_constant",
    "corneal_plane_d",
    "lens_power_d",
    "parse_constant",
    "power_of",
    "refraction_d",
    "refraction_of",
    "spectacle_plane_d",
    "start_values",
    "thin_lens_eye",
]

Array = NDArray[np.float64]

# Refractive index of aqueous and vitreous times 1000, so that mm and dioptres go together: all
# five formulas (value from memory).
N_MM_D = 1336.0
KERATOMETRIC_INDEX = 1.3375
"""Index with which most keratometers turn a radius into dioptres: 7.5 mm reads 45.0 D."""
VERTEX_MM = 12.0

# Hard limits: outside them nothing is computed. 18.5 mm is the lower limit of Hoffer Q, and
# below 18 mm infants' eyes were predicted worst (Infant Aphakia Treatment Study, PMC3329400);
# beyond 36.2 mm the corrected length of SRK/T falls with growing length (computed here).
AXIAL_LENGTH_RANGE_MM = (18.5, 36.0)
# Wider than corneas are, so that it catches slips and not patients (chosen here, no source).
K_RANGE_D = (30.0, 60.0)
RADIUS_RANGE_MM = (5.6, 11.3)
CHAMBER_DEPTH_RANGE_MM = (1.5, 6.0)
POWER_RANGE_D = (-30.0, 60.0)
TARGET_RANGE_D = (-20.0, 20.0)

_A_RANGE = (114.0, 122.0)


class Formula(StrEnum):
    """The formulas, as they are written on the command line and in files."""

    SRK_T = "srk_t"
    HOFFER_Q = "hoffer_q"
    HOLLADAY_1 = "holladay_1"
    HAIGIS = "haigis"
    VERGENCE = "vergence"

    @property
    def label(self) -> str:
        """Name as the trade prints it."""
        return _LABELS[self]

    @property
    def constant_names(self) -> tuple[str, ...]:
        """Names of the constants, in the order in which they are given."""
        return _CONSTANT_NAMES[self]


_LABELS = {
    Formula.SRK_T: "SRK/T",
    Formula.HOFFER_Q: "Hoffer Q",
    Formula.HOLLADAY_1: "Holladay 1",
    Formula.HAIGIS: "Haigis",
    Formula.VERGENCE: "vergence",
}
_CONSTANT_NAMES: dict[Formula, tuple[str, ...]] = {
    Formula.SRK_T: ("A",),
    Formula.HOFFER_Q: ("pACD",),
    Formula.HOLLADAY_1: ("SF",),
    Formula.HAIGIS: ("a0", "a1", "a2"),
    Formula.VERGENCE: ("ELP",),
}
# What each scale can hold for a lens whose A-constant lies between 114 and 122 (chosen here, no
# source; the other rows follow through the published conversions, rounded outwards). Narrow
# enough that a constant of another scale is caught.
_CONSTANT_RANGES: dict[str, tuple[float, float]] = {
    "A": _A_RANGE,
    "pACD": (2.5, 7.5),
    "SF": (-1.2, 3.6),
    "a0": (-4.0, 5.0),
    "a1": (-1.0, 1.0),
    "a2": (-0.5, 0.6),
    "ELP": (2.0, 8.0),
}


@dataclass(frozen=True, slots=True)
class LensConstant:
    """The constant of one lens for one formula.

    Attributes
    ----------
    formula : Formula
    values : tuple of float
        ``(A,)`` for SRK/T; ``(pACD,)``, mm, for Hoffer Q; ``(SF,)``, mm, for Holladay 1;
        ``(a0, a1, a2)``, mm, 1 and 1, for Haigis; ``(ELP,)``, the position of the implant behind
        the cornea in mm, for the vergence equation.
    converted_from : str
        The constant it was computed from, empty when the user gave it. A converted constant is
        a start value only.
    """

    formula: Formula
    values: tuple[float, ...]
    converted_from: str = ""

    def __post_init__(self) -> None:
        names = self.formula.constant_names
        if len(self.values) != len(names):
            raise ParameterError(
                f"{self.formula.label} needs {len(names)} constant(s) ({', '.join(names)}), "
                f"got {len(self.values)}; write {self.formula}={','.join(names)}"
            )
        for name, value in zip(names, self.values, strict=True):
            low, high = _CONSTANT_RANGES[name]
            if not low <= value <= high:
                raise ParameterError(
                    f"{self.formula.label}: {name}={value:g} must lie between {low:g} and "
                    f"{high:g}{_other_scale(self.formula, value)}"
                )

    def __str__(self) -> str:
        pairs = zip(self.formula.constant_names, self.values, strict=True)
        text = ", ".join(f"{name} {round(value, 3):g}" for name, value in pairs)
        return f"{text} (start value, {self.converted_from})" if self.converted_from else text


def _other_scale(formula: Formula, value: float) -> str:
    if _A_RANGE[0] <= value <= _A_RANGE[1]:
        return (
            "; this looks like an A-constant: give it as srk_t=, or convert it (a converted "
            "constant is a start value only)"
        )
    if formula is Formula.HOLLADAY_1 and 3.6 < value <= 7.5:
        return "; this looks like an ACD constant (pACD): give it as hoffer_q="
    if formula is Formula.HOFFER_Q and -1.2 <= value < 2.5:
        return "; this looks like a surgeon factor (SF) or an a0: give it under its own formula"
    if formula is Formula.SRK_T and -4.0 <= value <= 8.0:
        return "; this looks like a pACD, SF or a0: give it under its own formula"
    return "; check which formula the constant belongs to"


def parse_constant(text: str) -> LensConstant:
    """Read a constant written as ``formula=value`` (``haigis=a0,a1,a2``).

    Raises
    ------
    ParameterError
        Unknown formula, a value that is not a number, or a constant of another scale.
    """
    name, sign, numbers = text.partition("=")
    known = [str(item) for item in Formula]
    if name not in known or not sign:
        hint = did_you_mean(name.lower().replace("/", "_"), known, cutoff=0.4)
        raise ParameterError(
            f"constant {text!r}: {hint}write FORMULA=VALUE with one of {', '.join(known)}"
        )
    try:
        values = tuple(float(item) for item in numbers.split(","))
    except ValueError:
        raise ParameterError(
            f"constant {text!r}: {numbers!r} is not a number (a decimal point, not a comma; "
            "commas separate a0,a1,a2 of Haigis)"
        ) from None
    return LensConstant(Formula(name), values)


def convert_constant(constant: LensConstant, to: Formula) -> LensConstant:
    """Turn the constant of one formula into a start value for another.

    Parameters
    ----------
    constant : LensConstant
        A, pACD, SF, or a Haigis triple with the standard a1 = 0.4 and a2 = 0.1.
    to : Formula

    Returns
    -------
    LensConstant
        Marked as converted: a start value, to be replaced by a constant optimised for the lens,
        the formula and the way of measuring.

    Raises
    ------
    ParameterError
        The vergence equation has no constant to convert, and neither has a Haigis triple with
        its own a1 and a2.

    Notes
    -----
    pACD = 0.58357 A - 63.896 and SF = 0.5663 A - 65.600, equivalent to
    pACD = (SF + 3.595)/0.9704: Holladay et al. 1988, J Cataract Refract Surg 14:17 (values from
    memory). a0 = ACDconst - 0.4 x 3.37 - 0.1 x 23.39 with ACDconst = 0.62467 A - 68.747 of
    Retzlaff et al. 1990, 16:333 (values from memory). In an eye of 23.5 mm and 44 D the a0 so
    found asks for 0.8 to 1.0 D more power than the other three formulas do (computed here).
    """
    if constant.formula is to:
        return constant
    if Formula.VERGENCE in (to, constant.formula):
        raise ParameterError(
            "the vergence equation has no lens constant to convert: give the position of the "
            "implant in mm, vergence=ELP"
        )
    a_constant = implied_a_constant(constant)
    if math.isnan(a_constant):
        raise ParameterError(
            "a Haigis triple with its own a1 and a2 cannot be converted: only a0 with a1 = 0.4 "
            "and a2 = 0.1 lies on the same scale as A"
        )
    values: tuple[float, ...]
    if to is Formula.SRK_T:
        values = (a_constant,)
    elif to is Formula.HOFFER_Q:
        values = (0.58357 * a_constant - 63.896,)
    elif to is Formula.HOLLADAY_1:
        values = (0.5663 * a_constant - 65.600,)
    else:
        values = (acd_constant_mm(a_constant) - 0.4 * 3.37 - 0.1 * 23.39, 0.4, 0.1)
    pairs = zip(constant.formula.constant_names, constant.values, strict=True)
    origin = "from " + ", ".join(f"{name} {round(value, 3):g}" for name, value in pairs)
    return LensConstant(to, values, converted_from=origin)


def acd_constant_mm(a_constant: float) -> float:
    """ACD constant of SRK/T from A, mm (Retzlaff et al. 1990, values from memory)."""
    return 0.62467 * a_constant - 68.747


def implied_a_constant(constant: LensConstant) -> float:
    """A-constant on whose scale a constant lies; NaN where there is no published relation."""
    value = constant.values[0]
    if constant.formula is Formula.SRK_T:
        return value
    if constant.formula is Formula.HOFFER_Q:
        return (value + 63.896) / 0.58357
    if constant.formula is Formula.HOLLADAY_1:
        return (value + 65.600) / 0.5663
    if constant.formula is Formula.HAIGIS and constant.values[1:] == (0.4, 0.1):
        return (value + 0.4 * 3.37 + 0.1 * 23.39 + 68.747) / 0.62467
    return math.nan


def start_values(constants: Sequence[LensConstant]) -> tuple[LensConstant, ...]:
    """The given constants, and start values for the other formulas converted from the first."""
    given = {item.formula: item for item in constants}
    source = next((item for item in constants if not math.isnan(implied_a_constant(item))), None)
    if source is None:
        raise ParameterError("no constant that can be converted was given: give srk_t=A")
    order = (Formula.SRK_T, Formula.HOFFER_Q, Formula.HOLLADAY_1, Formula.HAIGIS)
    filled = [given.get(item) or convert_constant(source, item) for item in order]
    extra = [item for item in constants if item.formula is Formula.VERGENCE]
    return (*filled, *extra)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Biometry:
    """What the formulas want to know of an eye, or of many eyes at once.

    All fields broadcast against one another.

    Attributes
    ----------
    axial_length_mm : ndarray
        Corneal front to retina, mm.
    k1_d, k2_d : ndarray
        The two keratometer readings, D, as read. Their order does not matter.
    chamber_depth_mm : ndarray
        Corneal front to lens front, mm, measured before surgery. Only Haigis uses it; NaN where
        not measured.
    keratometric_index : float
        Index with which the keratometer turned radius into dioptres.
    vertex_mm : float
        Distance from spectacle lens to cornea, mm.

    Raises
    ------
    ParameterError
        A value in the wrong unit, out of the domain of the formulas, or not a number.
    """

    axial_length_mm: Array
    k1_d: Array
    k2_d: Array
    chamber_depth_mm: Array = field(default_factory=lambda: np.array(np.nan))
    keratometric_index: float = KERATOMETRIC_INDEX
    vertex_mm: float = VERTEX_MM

    def __post_init__(self) -> None:
        for name in ("axial_length_mm", "k1_d", "k2_d", "chamber_depth_mm"):
            array = np.array(getattr(self, name), dtype=np.float64)
            array.flags.writeable = False
            object.__setattr__(self, name, array)
        try:
            np.broadcast_shapes(
                self.axial_length_mm.shape,
                self.k1_d.shape,
                self.k2_d.shape,
                self.chamber_depth_mm.shape,
            )
        except ValueError:
            raise ParameterError(
                "axial_length_mm, k1_d, k2_d and chamber_depth_mm must broadcast, got shapes "
                f"{self.axial_length_mm.shape}, {self.k1_d.shape}, {self.k2_d.shape}, "
                f"{self.chamber_depth_mm.shape}"
            ) from None
        _check_index(self.keratometric_index)
        check_axial_length_mm(self.axial_length_mm)
        _check(self.k1_d, "k1_d", K_RANGE_D, "D", _k_hint)
        _check(self.k2_d, "k2_d", K_RANGE_D, "D", _k_hint)
        known = self.chamber_depth_mm[~np.isnan(self.chamber_depth_mm)]
        _check(known, "chamber_depth_mm", CHAMBER_DEPTH_RANGE_MM, "mm", _chamber_hint)
        if not 0.0 <= self.vertex_mm <= 20.0 or 0.0 < self.vertex_mm < 1.0:
            raise ParameterError(
                f"vertex_mm={self.vertex_mm:g} must lie between 1 and 20 mm (12 is usual; 0 for "
                "a contact lens); metres are not meant"
            )

    @classmethod
    def from_radii(
        cls,
        *,
        axial_length_mm: ArrayLike,
        r1_mm: ArrayLike,
        r2_mm: ArrayLike,
        chamber_depth_mm: ArrayLike = math.nan,
        vertex_mm: float = VERTEX_MM,
    ) -> Biometry:
        """Make it from the corneal radii, mm: free of any keratometric index."""
        radii = [np.asarray(item, dtype=np.float64) for item in (r1_mm, r2_mm)]
        for name, radius in zip(("r1_mm", "r2_mm"), radii, strict=True):
            _check(radius, name, RADIUS_RANGE_MM, "mm", _radius_hint)
        scale = 1000.0 * (KERATOMETRIC_INDEX - 1.0)
        return cls(
            axial_length_mm=np.asarray(axial_length_mm, dtype=np.float64),
            k1_d=scale / radii[0],
            k2_d=scale / radii[1],
            chamber_depth_mm=np.asarray(chamber_depth_mm, dtype=np.float64),
            vertex_mm=vertex_mm,
        )

    @property
    def mean_k_d(self) -> Array:
        """Mean of the two readings referred to the index 1.3375, D."""
        factor = (KERATOMETRIC_INDEX - 1.0) / (self.keratometric_index - 1.0)
        return np.asarray((self.k1_d + self.k2_d) / 2.0 * factor)

    def thin_lens(self, constant: LensConstant) -> ThinLensEye:
        """The eye as the formula of this constant sees it."""
        if constant.formula is Formula.HAIGIS and constant.values[1] != 0.0:
            missing = np.isnan(self.chamber_depth_mm)
            if np.any(missing) and not np.all(missing):
                raise ParameterError(
                    "chamber_depth_mm is missing for some of the eyes: give it for all of them, "
                    "or for none"
                )
        return thin_lens_eye(
            constant,
            axial_length_mm=self.axial_length_mm,
            k1_d=self.k1_d,
            k2_d=self.k2_d,
            chamber_depth_mm=self.chamber_depth_mm,
            keratometric_index=self.keratometric_index,
            vertex_mm=self.vertex_mm,
        )


def _check(
    values: Array,
    name: str,
    limits: tuple[float, float],
    unit: str,
    hint: Callable[[float], str],
) -> None:
    low, high = limits
    bad = ~((values >= low) & (values <= high))
    if not np.any(bad):
        return
    worst = float(np.ravel(values)[int(np.flatnonzero(bad)[0])])
    raise ParameterError(
        f"{name}={worst:g} must lie between {low:g} and {high:g} {unit}: {hint(worst)}"
    )


def check_axial_length_mm(axial_length_mm: ArrayLike) -> None:
    """Refuse a length in another unit, or one that the formulas were not made for.

    Raises
    ------
    ParameterError
        Saying which unit it looks like.
    """
    values = np.asarray(axial_length_mm, dtype=np.float64)
    _check(values, "axial_length_mm", AXIAL_LENGTH_RANGE_MM, "mm", _length_hint)


def _length_hint(value: float) -> str:
    if 1.85 <= value <= 3.6:
        return f"this looks like centimetres; give {10.0 * value:g} mm"
    if 0.0185 <= value <= 0.036:
        return f"this looks like metres; give {1000.0 * value:g} mm"
    if 18_500.0 <= value <= 36_000.0:
        return f"this looks like micrometres; give {value / 1000.0:g} mm"
    if 10.0 < value < 18.5:
        return (
            "these formulas were not made for so short an eye, and infants' eyes were predicted "
            "worst; no power is given"
        )
    if math.isnan(value):
        return "the length is missing"
    return "check the number; no power is given outside this range"


def _k_hint(value: float) -> str:
    if RADIUS_RANGE_MM[0] <= value <= RADIUS_RANGE_MM[1]:
        return (
            f"this looks like a radius in mm; give the radius as such, or "
            f"{337.5 / value:.2f} D (index 1.3375)"
        )
    if math.isnan(value):
        return "the reading is missing"
    return "check the number; so flat or so steep a cornea is outside these formulas"


def _radius_hint(value: float) -> str:
    if K_RANGE_D[0] <= value <= K_RANGE_D[1]:
        return "this looks like dioptres; give it as k1_d and k2_d, with the keratometric index"
    return "check the number"


def _chamber_hint(value: float) -> str:
    if 0.15 <= value <= 0.6:
        return f"this looks like centimetres; give {10.0 * value:g} mm"
    return "corneal front to lens front before surgery is meant; check the number"


def _check_index(index: float) -> None:
    if not 1.325 <= index <= 1.345:
        hint = (
            "; 1.376 is the index of the corneal tissue, not the one a keratometer converts with"
            if abs(index - 1.376) < 0.005
            else ""
        )
        raise ParameterError(
            f"keratometric_index={index:g} must lie between 1.325 and 1.345 (1.3375 on most "
            f"keratometers, 1.332 or 1.336 on some){hint}"
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThinLensEye:
    """Two thin lenses and a retina, and how each follows from what was measured.

    Attributes
    ----------
    corneal_power_d : ndarray
        D.
    lens_position_mm : ndarray
        Predicted position of the implant behind the cornea (ELP), mm.
    optical_length_mm : ndarray
        Cornea to receptors, mm.
    vertex_mm : float
    cornea_per_k : ndarray
        Change of corneal power with a keratometer reading, D/D.
    position_per_length, position_per_chamber : ndarray
        Change of the lens position with axial length and with chamber depth, mm/mm.
    position_per_k : ndarray
        mm/D.
    length_per_length : ndarray
        Change of the optical length with the measured one, mm/mm.
    at_limit : ndarray of bool
        A guard or a limit inside the formula is active (see :func:`thin_lens_eye`).
    """

    corneal_power_d: Array
    lens_position_mm: Array
    optical_length_mm: Array
    vertex_mm: float
    cornea_per_k: Array
    position_per_length: Array
    position_per_k: Array
    position_per_chamber: Array
    length_per_length: Array
    at_limit: NDArray[np.bool_]


def thin_lens_eye(
    constant: LensConstant,
    *,
    axial_length_mm: ArrayLike,
    k1_d: ArrayLike,
    k2_d: ArrayLike,
    chamber_depth_mm: ArrayLike = math.nan,
    keratometric_index: float = KERATOMETRIC_INDEX,
    vertex_mm: float = VERTEX_MM,
    position_shift_mm: ArrayLike = 0.0,
) -> ThinLensEye:
    """What one formula makes of an eye; no limits are enforced here.

    Parameters
    ----------
    constant : LensConstant
    axial_length_mm : array_like
        mm.
    k1_d, k2_d : array_like
        Keratometer readings as read, D.
    chamber_depth_mm : array_like
        Corneal front to lens front, mm; only for Haigis. Where it is NaN the formula's own
        regression on axial length stands in for it.
    keratometric_index, vertex_mm : float
    position_shift_mm : array_like
        Added to the predicted lens position, mm: how far the implant comes to rest from it.

    Returns
    -------
    ThinLensEye

    Notes
    -----
    Steps and guards that the publications themselves have:

    - SRK/T: the corrected length changes its law at 24.2 mm and rises there by 0.0015 mm (0.001 D
      of power, up to 0.003 D in steep corneas). Where the corneal height would be the root of a
      negative number (45 D and more than 33.12 mm; Aramberri 2005, J Cataract Refract Surg
      31:255) the root is taken as zero; he reports that this overestimates the lens position.
      Just before the guard, at 48 D and more, the predicted power even rises with the length.
    - Hoffer Q: the length is kept between 18.5 and 31.0 mm in the prediction of the lens position
      only; its law changes at 23.0 mm and the position falls there by 0.0011 mm.
    - Holladay 1: the corneal radius is not taken below 7.0 mm (48.2 D) nor the anterior segment
      above 13.5 mm (25.3 mm of length): corners, not steps.

    References
    ----------
    Retzlaff, Sanders & Kraff 1990, J Cataract Refract Surg 16:333, with the coefficient 1.716 of
    the erratum: it alone gives the published guard length of 33.12 mm at 45 D. Hoffer 1993,
    19:700. Holladay et al. 1988, 14:17. Haigis, thin-lens form of Gernet, Ostholt & Werner 1970.
    Coefficients are values from memory; angles of Hoffer Q are in degrees.
    """
    length, k1, k2, chamber = (
        np.asarray(item, dtype=np.float64)
        for item in np.broadcast_arrays(
            np.asarray(axial_length_mm, np.float64),
            np.asarray(k1_d, np.float64),
            np.asarray(k2_d, np.float64),
            np.asarray(chamber_depth_mm, np.float64),
        )
    )
    to_standard = (KERATOMETRIC_INDEX - 1.0) / (keratometric_index - 1.0)
    k = (k1 + k2) / 2.0 * to_standard
    zero, one = np.zeros_like(length), np.ones_like(length)
    per_chamber, stretch, optical = zero, one, length
    at_limit = np.zeros(length.shape, dtype=np.bool_)
    if constant.formula is Formula.SRK_T:
        cornea_per_k = one * 333.0 / 337.5
        cornea = k * 333.0 / 337.5
        position, per_length, per_k, at_limit = _srk_t_position(length, k, constant.values[0])
        optical = length + 0.65696 - 0.02029 * length
        stretch = one * (1.0 - 0.02029)
    elif constant.formula is Formula.HOFFER_Q:
        cornea_per_k, cornea = one, k
        position, per_length, per_k, at_limit = _hoffer_q_position(length, k, constant.values[0])
    elif constant.formula is Formula.HOLLADAY_1:
        cornea_per_k = one * (1000.0 / 3.0) / 337.5
        cornea = k * (1000.0 / 3.0) / 337.5
        position, per_length, per_k, at_limit = _holladay_1_position(length, k, constant.values[0])
        optical = length + 0.2
    elif constant.formula is Formula.HAIGIS:
        # The mean of the two radii, not of the two powers.
        r1, r2 = 337.5 / (k1 * to_standard), 337.5 / (k2 * to_standard)
        radius = (r1 + r2) / 2.0
        cornea = 331.5 / radius
        cornea_per_k = 331.5 / radius**2 * (r1**2 + r2**2) / 2.0 / 337.5
        a0, a1, a2 = constant.values
        measured = ~np.isnan(chamber)
        position = np.where(
            measured,
            a0 + a1 * chamber + a2 * length,
            a0 + a1 * (0.139 * length - 0.241) + a2 * length,
        )
        per_length = np.where(measured, a2, a2 + 0.139 * a1)
        per_chamber = np.where(measured, a1, 0.0)
        per_k = zero
    else:
        cornea_per_k, cornea = one, k
        position, per_length, per_k = one * constant.values[0], zero, zero
    return ThinLensEye(
        corneal_power_d=np.asarray(cornea),
        lens_position_mm=np.asarray(position + np.asarray(position_shift_mm, np.float64)),
        optical_length_mm=np.asarray(optical),
        vertex_mm=vertex_mm,
        cornea_per_k=np.asarray(cornea_per_k) * to_standard,
        position_per_length=np.asarray(per_length),
        position_per_k=np.asarray(per_k) * to_standard,
        position_per_chamber=np.asarray(per_chamber),
        length_per_length=np.asarray(stretch),
        at_limit=at_limit,
    )


_Position = tuple[Array, Array, Array, NDArray[np.bool_]]


def _srk_t_position(length: Array, k: Array, a_constant: float) -> _Position:
    radius = 337.5 / k
    radius_per_k = -337.5 / k**2
    long = length > 24.2
    corrected = np.where(long, -3.446 + 1.716 * length - 0.0237 * length**2, length)
    corrected_per_length = np.where(long, 1.716 - 0.0474 * length, 1.0)
    width = -5.40948 + 0.58412 * corrected + 0.098 * k
    under_root = radius**2 - width**2 / 4.0
    guard = under_root < 0.0
    root = np.sqrt(np.where(guard, 0.0, under_root))
    safe = np.where(root > 0.0, root, np.inf)
    height = radius - root
    position = height + acd_constant_mm(a_constant) - 3.336
    per_length = width / 4.0 * 0.58412 * corrected_per_length / safe
    per_k = radius_per_k - (radius * radius_per_k - width / 4.0 * 0.098) / safe
    return position, per_length, per_k, guard


def _hoffer_q_position(length: Array, k: Array, pacd_mm: float) -> _Position:
    kept = np.clip(length, 18.5, 31.0)
    inside = (length >= 18.5) & (length <= 31.0)
    short = kept <= 23.0
    sign = np.where(short, 1.0, -1.0)
    pivot = np.where(short, 28.0, 23.5)
    angle = np.deg2rad(0.1 * (pivot - kept) ** 2)
    tangent = np.tan(angle)
    k_tangent = np.tan(np.deg2rad(k))
    chamber = (
        pacd_mm
        + 0.3 * (kept - 23.5)
        + k_tangent**2
        + 0.1 * sign * (23.5 - kept) ** 2 * tangent
        - 0.99166
    )
    angle_per_length = np.deg2rad(-0.2 * (pivot - kept))
    per_length = 0.3 + 0.1 * sign * (
        -2.0 * (23.5 - kept) * tangent + (23.5 - kept) ** 2 * (1.0 + tangent**2) * angle_per_length
    )
    per_k = 2.0 * k_tangent * (1.0 + k_tangent**2) * np.pi / 180.0
    return chamber + 0.05, np.where(inside, per_length, 0.0), per_k, ~inside


def _holladay_1_position(length: Array, k: Array, surgeon_factor_mm: float) -> _Position:
    radius = 337.5 / k
    steep = radius < 7.0
    kept = np.where(steep, 7.0, radius)
    wide = 12.5 * length / 23.45 > 13.5
    segment = np.where(wide, 13.5, 12.5 * length / 23.45)
    root = np.sqrt(kept**2 - segment**2 / 4.0)
    position = 0.56 + kept - root + surgeon_factor_mm
    per_length = np.where(wide, 0.0, segment / 4.0 * (12.5 / 23.45) / root)
    per_k = np.where(steep, 0.0, (1.0 - kept / root) * (-337.5 / k**2))
    return position, per_length, per_k, steep | wide


def corneal_plane_d(spectacle_d: ArrayLike, vertex_mm: float = VERTEX_MM) -> Array:
    """Refraction at the cornea of a spectacle correction, D: S/(1 - v S)."""
    value = np.asarray(spectacle_d, dtype=np.float64)
    return np.asarray(value / (1.0 - vertex_mm / 1000.0 * value))


def spectacle_plane_d(corneal_d: ArrayLike, vertex_mm: float = VERTEX_MM) -> Array:
    """Spectacle correction of a refraction at the cornea, D: C/(1 + v C), the exact inverse."""
    value = np.asarray(corneal_d, dtype=np.float64)
    return np.asarray(value / (1.0 + vertex_mm / 1000.0 * value))


def lens_power_d(eye: Biometry, constant: LensConstant, target_d: ArrayLike = 0.0) -> Array:
    """Power of the implant that leaves a wanted spectacle refraction.

    Parameters
    ----------
    eye : Biometry
    constant : LensConstant
        Names the formula.
    target_d : array_like
        Wanted refraction in the spectacle plane, D; minus is myopic. Broadcasts.

    Returns
    -------
    ndarray
        Power, D.

    Raises
    ------
    ParameterError
        A target outside -20 to +20 D.

    Notes
    -----
    Gaussian optics of two thin lenses: P = n/(L - d) - n/(n/(K + R) - d).
    """
    target = np.asarray(target_d, dtype=np.float64)
    _check(target, "target_d", TARGET_RANGE_D, "D", lambda _: "check the sign and the number")
    return power_of(eye.thin_lens(constant), target)


def refraction_d(eye: Biometry, constant: LensConstant, power_d: ArrayLike) -> Array:
    """Spectacle refraction that an implant of a given power is predicted to leave.

    Parameters
    ----------
    eye : Biometry
    constant : LensConstant
    power_d : array_like
        Power of the implant, D. Broadcasts.

    Returns
    -------
    ndarray
        Refraction in the spectacle plane, D.

    Raises
    ------
    ParameterError
        A power outside -30 to +60 D.
    """
    power = np.asarray(power_d, dtype=np.float64)
    _check(power, "power_d", POWER_RANGE_D, "D", lambda _: "check the sign and the number")
    return refraction_of(eye.thin_lens(constant), power)


def power_of(eye: ThinLensEye, target_d: ArrayLike) -> Array:
    """:func:`lens_power_d` of an eye already reduced to thin lenses."""
    in_front = eye.corneal_power_d + corneal_plane_d(target_d, eye.vertex_mm)
    d = eye.lens_position_mm
    return np.asarray(N_MM_D / (eye.optical_length_mm - d) - N_MM_D / (N_MM_D / in_front - d))


def refraction_of(eye: ThinLensEye, power_d: ArrayLike) -> Array:
    """:func:`refraction_d` of an eye already reduced to thin lenses."""
    d = eye.lens_position_mm
    behind = N_MM_D / (eye.optical_length_mm - d) - np.asarray(power_d, dtype=np.float64)
    in_front = N_MM_D * behind / (N_MM_D + d * behind)
    return spectacle_plane_d(in_front - eye.corneal_power_d, eye.vertex_mm)
