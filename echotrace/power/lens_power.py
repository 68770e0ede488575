"""What an axial length means for the power of an implant: one equation in its two directions.

:func:`lens_power_d` and :func:`refraction_d` are Gaussian optics of two thin lenses; what the
published formulas put into it is :mod:`echotrace.power.formulas`. The results are for teaching and
research.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.power.biometry import POWER_RANGE_D, TARGET_RANGE_D, Biometry, check_range
from echotrace.power.constants import LensConstant
from echotrace.power.formulas import N_MM_D, VERTEX_MM, ThinLensEye

__all__ = [
    "corneal_plane_d",
    "lens_power_d",
    "power_of",
    "refraction_d",
    "refraction_of",
    "spectacle_plane_d",
]

Array = NDArray[np.float64]


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

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> round(float(et.power.lens_power_d(eye, srk_t, -0.25)), 2)
    20.4
    """
    target = np.asarray(target_d, dtype=np.float64)
    check_range(target, "target_d", TARGET_RANGE_D, "D", lambda _: "check the sign and the number")
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

    Notes
    -----
    The equation of :func:`lens_power_d` solved for the refraction.

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> et.power.refraction_d(eye, srk_t, [19.5, 20.0]).round(2).tolist()
    [0.37, 0.03]
    """
    power = np.asarray(power_d, dtype=np.float64)
    check_range(power, "power_d", POWER_RANGE_D, "D", lambda _: "check the sign and the number")
    return refraction_of(eye.thin_lens(constant), power)


def power_of(eye: ThinLensEye, target_d: ArrayLike) -> Array:
    """:func:`lens_power_d` of an eye already reduced to thin lenses.

    Parameters
    ----------
    eye : ThinLensEye
    target_d : array_like
        Wanted refraction in the spectacle plane, D. Broadcasts.

    Returns
    -------
    ndarray
        Power, D; no limits are enforced.

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> round(float(et.power.power_of(eye.thin_lens(srk_t), -0.25)), 2)
    20.4
    """
    in_front = eye.corneal_power_d + corneal_plane_d(target_d, eye.vertex_mm)
    d = eye.lens_position_mm
    return np.asarray(N_MM_D / (eye.optical_length_mm - d) - N_MM_D / (N_MM_D / in_front - d))


def refraction_of(eye: ThinLensEye, power_d: ArrayLike) -> Array:
    """:func:`refraction_d` of an eye already reduced to thin lenses.

    Parameters
    ----------
    eye : ThinLensEye
    power_d : array_like
        Power of the implant, D. Broadcasts.

    Returns
    -------
    ndarray
        Refraction in the spectacle plane, D; no limits are enforced.

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> round(float(et.power.refraction_of(eye.thin_lens(srk_t), 20.0)), 2)
    0.03
    """
    d = eye.lens_position_mm
    behind = N_MM_D / (eye.optical_length_mm - d) - np.asarray(power_d, dtype=np.float64)
    in_front = N_MM_D * behind / (N_MM_D + d * behind)
    return spectacle_plane_d(in_front - eye.corneal_power_d, eye.vertex_mm)


def corneal_plane_d(spectacle_d: ArrayLike, vertex_mm: float = VERTEX_MM) -> Array:
    """Refraction at the cornea of a spectacle correction, D: S/(1 - v S).

    Parameters
    ----------
    spectacle_d : array_like
        D.
    vertex_mm : float
        Distance from spectacle lens to cornea, mm.

    Returns
    -------
    ndarray
        D.

    Examples
    --------
    >>> import echotrace as et
    >>> round(float(et.power.corneal_plane_d(-6.0)), 3)
    -5.597
    """
    value = np.asarray(spectacle_d, dtype=np.float64)
    return np.asarray(value / (1.0 - vertex_mm / 1000.0 * value))


def spectacle_plane_d(corneal_d: ArrayLike, vertex_mm: float = VERTEX_MM) -> Array:
    """Spectacle correction of a refraction at the cornea, D: C/(1 + v C), the exact inverse.

    Parameters
    ----------
    corneal_d : array_like
        D.
    vertex_mm : float
        Distance from spectacle lens to cornea, mm.

    Returns
    -------
    ndarray
        D.

    Examples
    --------
    >>> import echotrace as et
    >>> round(float(et.power.spectacle_plane_d(-5.597)), 3)
    -6.0
    """
    value = np.asarray(corneal_d, dtype=np.float64)
    return np.asarray(value / (1.0 + vertex_mm / 1000.0 * value))
