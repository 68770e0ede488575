"""What the formulas want to know of an eye, and the hard limits of each number."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.errors import ParameterError
from echotrace.power.constants import Formula, LensConstant
from echotrace.power.formulas import KERATOMETRIC_INDEX, VERTEX_MM, ThinLensEye, thin_lens_eye

__all__ = [
    "AXIAL_LENGTH_RANGE_MM",
    "CHAMBER_DEPTH_RANGE_MM",
    "POWER_RANGE_D",
    "TARGET_RANGE_D",
    "Biometry",
    "check_axial_length_mm",
    "check_range",
]

Array = NDArray[np.float64]


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

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> float(eye.mean_k_d)
    44.0
    >>> et.power.Biometry(axial_length_mm=23.5, k1_d=7.7, k2_d=44.5)
    Traceback (most recent call last):
        ...
    echotrace.errors.ParameterError: k1_d=7.7 must lie between 30 and 60 D: this looks like a radius
    in mm; give the radius as such, or 43.83 D (index 1.3375)
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
        check_range(self.k1_d, "k1_d", K_RANGE_D, "D", _k_hint)
        check_range(self.k2_d, "k2_d", K_RANGE_D, "D", _k_hint)
        known = self.chamber_depth_mm[~np.isnan(self.chamber_depth_mm)]
        check_range(known, "chamber_depth_mm", CHAMBER_DEPTH_RANGE_MM, "mm", _chamber_hint)
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
        """Make it from the corneal radii, mm: free of any keratometric index.

        Parameters
        ----------
        axial_length_mm : array_like
            Corneal front to retina, mm.
        r1_mm, r2_mm : array_like
            The two radii of the corneal front, mm.
        chamber_depth_mm : array_like
            Corneal front to lens front, mm; NaN where not measured.
        vertex_mm : float
            Distance from spectacle lens to cornea, mm.

        Returns
        -------
        Biometry
            With keratometer readings of index 1.3375.

        Raises
        ------
        ParameterError
            A value in the wrong unit, out of its range, or not a number.

        Examples
        --------
        >>> import echotrace as et
        >>> eye = et.power.Biometry.from_radii(axial_length_mm=23.5, r1_mm=7.5, r2_mm=7.5)
        >>> round(float(eye.k1_d), 2)
        45.0
        """
        radii = [np.asarray(item, dtype=np.float64) for item in (r1_mm, r2_mm)]
        for name, radius in zip(("r1_mm", "r2_mm"), radii, strict=True):
            check_range(radius, name, RADIUS_RANGE_MM, "mm", _radius_hint)
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
        """The eye as the formula of this constant sees it.

        Parameters
        ----------
        constant : LensConstant
            Names the formula.

        Returns
        -------
        ThinLensEye

        Raises
        ------
        ParameterError
            Haigis, and the chamber depth is known of some of the eyes only.
        """
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


def check_range(
    values: Array,
    name: str,
    limits: tuple[float, float],
    unit: str,
    hint: Callable[[float], str],
) -> None:
    """Refuse values outside their limits, NaN among them.

    Parameters
    ----------
    values : ndarray
        In ``unit``.
    name : str
        As the message says it.
    limits : tuple of float
        Lowest and highest that are accepted.
    unit : str
    hint : callable
        Given the first value refused, what to do.

    Raises
    ------
    ParameterError
        Naming value, limits and remedy.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.power.biometry import check_range
    >>> check_range(np.array([1.0, 2.0]), "x_mm", (0.0, 3.0), "mm", lambda value: "check it")
    """
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

    Parameters
    ----------
    axial_length_mm : array_like
        mm.

    Raises
    ------
    ParameterError
        Saying which unit it looks like.

    Examples
    --------
    >>> import echotrace as et
    >>> et.power.check_axial_length_mm([22.1, 26.0])
    """
    values = np.asarray(axial_length_mm, dtype=np.float64)
    check_range(values, "axial_length_mm", AXIAL_LENGTH_RANGE_MM, "mm", _length_hint)


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
