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
    """
    power = np.asarray(power_d, dtype=np.float64)
    check_range(power, "power_d", POWER_RANGE_D, "D", lambda _: "check the sign and the number")
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


def corneal_plane_d(spectacle_d: ArrayLike, vertex_mm: float = VERTEX_MM) -> Array:
    """Refraction at the cornea of a spectacle correction, D: S/(1 - v S)."""
    value = np.asarray(spectacle_d, dtype=np.float64)
    return np.asarray(value / (1.0 - vertex_mm / 1000.0 * value))


def spectacle_plane_d(corneal_d: ArrayLike, vertex_mm: float = VERTEX_MM) -> Array:
    """Spectacle correction of a refraction at the cornea, D: C/(1 + v C), the exact inverse."""
    value = np.asarray(corneal_d, dtype=np.float64)
    return np.asarray(value / (1.0 + vertex_mm / 1000.0 * value))
