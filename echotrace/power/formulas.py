"""The published thin-lens formulas: what each makes of length, cornea and chamber.

SRK/T, Hoffer Q, Holladay 1, Haigis and the plain vergence equation see the eye in the same way:
two thin lenses, cornea and implant, and a retina. They differ only in the corneal power, the
predicted position of the implant and the optical length that they put into one equation (Haigis
2009, J Refract Surg 25:229). :func:`thin_lens_eye` holds what differs, with its derivatives; the
one equation is :mod:`echotrace.power.lens_power`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.power.constants import Formula, LensConstant, acd_constant_mm

__all__ = ["KERATOMETRIC_INDEX", "N_MM_D", "VERTEX_MM", "ThinLensEye", "thin_lens_eye"]

Array = NDArray[np.float64]


# Refractive index of aqueous and vitreous times 1000, so that mm and dioptres go together: all
# five formulas (value from memory).
N_MM_D = 1336.0

KERATOMETRIC_INDEX = 1.3375
"""Index with which most keratometers turn a radius into dioptres: 7.5 mm reads 45.0 D."""

VERTEX_MM = 12.0


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

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> model = eye.thin_lens(srk_t)
    >>> round(float(model.corneal_power_d), 2), round(float(model.lens_position_mm), 2)
    (43.41, 5.19)
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

    Examples
    --------
    >>> import echotrace as et
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> model = et.power.thin_lens_eye(srk_t, axial_length_mm=34.0, k1_d=45.0, k2_d=45.0)
    >>> bool(model.at_limit)
    True
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
    per_chamber, length_per_length, optical = zero, one, length
    at_limit = np.zeros(length.shape, dtype=np.bool_)
    if constant.formula is Formula.SRK_T:
        cornea_per_k = one * 333.0 / 337.5
        cornea = k * 333.0 / 337.5
        position, per_length, per_k, at_limit = _srk_t_position(length, k, constant.values[0])
        optical = length + 0.65696 - 0.02029 * length
        length_per_length = one * (1.0 - 0.02029)
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
        length_per_length=np.asarray(length_per_length),
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
