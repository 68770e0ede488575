"""How the predicted refraction follows each input, by the derivatives of the formula itself.

JCGM 100:2008, law of propagation. Inputs are taken as independent. Readings of one eye are not
quite that (Langenbucher et al. 2024, PLoS One 19:e0297869, found the spreads of length, chamber and
lens correlated); it matters only for Haigis, where the chamber depth enters beside the length.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.power.biometry import Biometry
from echotrace.power.constants import LensConstant
from echotrace.power.formulas import N_MM_D, ThinLensEye
from echotrace.power.uncertainty import InputUncertainty

__all__ = ["Sensitivity", "combined_d", "parts_d", "sensitivity"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sensitivity:
    """Derivatives of the predicted spectacle refraction; all arrays broadcast alike.

    Attributes
    ----------
    length_d_per_mm, chamber_d_per_mm, lens_position_d_per_mm : ndarray
        D/mm. ``length`` holds what the formula makes of a longer eye, its shift of the lens
        position included; negative: a true eye longer than measured ends myopic.
    k_d_per_d, lens_power_d_per_d : ndarray
        D/D.

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> round(float(et.power.sensitivity(eye, srk_t, 20.0).length_d_per_mm), 1)
    -2.1
    """

    length_d_per_mm: Array
    k_d_per_d: Array
    chamber_d_per_mm: Array
    lens_position_d_per_mm: Array
    lens_power_d_per_d: Array


def sensitivity(eye: Biometry, constant: LensConstant, power_d: ArrayLike) -> Sensitivity:
    """How the predicted refraction follows each input, by exact derivatives of the formula.

    Parameters
    ----------
    eye : Biometry
    constant : LensConstant
    power_d : array_like
        Power of the implant, D.

    Returns
    -------
    Sensitivity

    Raises
    ------
    ParameterError
        Haigis, and the chamber depth is known of some of the eyes only.

    Notes
    -----
    Within the guard of SRK/T the derivative is that of the guarded formula; just before it the
    derivative grows without bound, and only :func:`simulate_refraction` describes the spread.

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> slopes = et.power.sensitivity(eye, srk_t, 20.0)
    >>> round(0.1 * float(slopes.length_d_per_mm), 2)  # a tenth of a millimetre, in dioptres
    -0.21
    """
    return _sensitivity(eye.thin_lens(constant), np.asarray(power_d, dtype=np.float64))


def _sensitivity(model: ThinLensEye, power: Array) -> Sensitivity:
    gap = model.optical_length_mm - model.lens_position_mm
    behind = N_MM_D / gap - power
    denominator = N_MM_D + model.lens_position_mm * behind
    at_cornea = N_MM_D * behind / denominator - model.corneal_power_d
    to_spectacles = 1.0 / (1.0 + model.vertex_mm / 1000.0 * at_cornea) ** 2
    per_behind = to_spectacles * (N_MM_D / denominator) ** 2
    per_optical_length = -per_behind * N_MM_D / gap**2
    per_position = -per_optical_length - to_spectacles * N_MM_D * (behind / denominator) ** 2
    length, k, chamber, position, label = np.broadcast_arrays(
        per_optical_length * model.length_per_length + per_position * model.position_per_length,
        -to_spectacles * model.cornea_per_k + per_position * model.position_per_k,
        per_position * model.position_per_chamber,
        per_position,
        -per_behind,
    )
    return Sensitivity(
        length_d_per_mm=np.asarray(length),
        k_d_per_d=np.asarray(k),
        chamber_d_per_mm=np.asarray(chamber),
        lens_position_d_per_mm=np.asarray(position),
        lens_power_d_per_d=np.asarray(label),
    )


def parts_d(slopes: Sensitivity, u: InputUncertainty) -> dict[str, Array]:
    """Standard uncertainty of the refraction from each input, D, by name of the input.

    Parameters
    ----------
    slopes : Sensitivity
    u : InputUncertainty

    Returns
    -------
    dict of str to ndarray
        D; arrays as in ``slopes``.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.power.sensitivities import combined_d, parts_d
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> u = et.power.InputUncertainty(length_mm=0.1)
    >>> parts = parts_d(et.power.sensitivity(eye, srk_t, 20.0), u)
    >>> round(float(parts["length_mm"]), 2), float(parts["k_d"])
    (0.21, 0.0)
    """
    one = np.ones_like(slopes.length_d_per_mm)
    return {
        "length_mm": np.abs(slopes.length_d_per_mm) * u.length_mm,
        "length_shared_mm": np.abs(slopes.length_d_per_mm) * u.length_shared_mm,
        "pressing_mm": np.abs(slopes.length_d_per_mm) * u.pressing_mm,
        "k_d": np.abs(slopes.k_d_per_d) * u.k_d,
        "chamber_mm": np.abs(slopes.chamber_d_per_mm) * u.chamber_mm,
        "lens_position_mm": np.abs(slopes.lens_position_d_per_mm) * u.lens_position_mm,
        "lens_power_d": np.abs(slopes.lens_power_d_per_d) * u.lens_power_d,
        "refraction_d": one * u.refraction_d,
    }


def combined_d(parts: Mapping[str, Array]) -> Array:
    """All parts together, D: the root of the sum of squares (JCGM 100:2008, 5.1.2).

    Parameters
    ----------
    parts : mapping of str to ndarray
        Standard uncertainties, D.

    Returns
    -------
    ndarray
        D.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.power.sensitivities import combined_d, parts_d
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> u = et.power.InputUncertainty(length_mm=0.1)
    >>> parts = parts_d(et.power.sensitivity(eye, srk_t, 20.0), u)
    >>> float(combined_d(parts)) == float(parts["length_mm"])
    True
    """
    return np.asarray(np.sqrt(sum(part**2 for part in parts.values())))
