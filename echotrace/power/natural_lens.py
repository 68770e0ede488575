"""The natural lens and the chamber that belong to an eye: by its optics, and by its age."""

from __future__ import annotations

import math

from echotrace.power.plausibility_limits import POPULATION

__all__ = ["AGE_SOURCE", "expected_mm", "natural_lens_power_d"]


# Chamber (corneal front to lens front) and lens of cataract eyes, mm; mean age taken as the one
# at which the lens law below gives the mean (67 years).
_CHAMBER_MM, _CHAMBER_SD_MM = 3.02, 0.45

_LENS_MM, _LENS_SD_MM = 4.52, 0.45

_MEAN_AGE_YEARS = 67.0

# Growth of the lens 0.0236 mm and loss of the chamber 0.010 mm a year: Dubbelman et al. 2001,
# Optom Vis Sci 78:411 (values from memory; his lens law 2.93 + 0.0236 age gives 4.51 at 67).
_LENS_PER_YEAR_MM, _CHAMBER_PER_YEAR_MM = 0.0236, -0.010

AGE_SOURCE = (
    f"{POPULATION}; change with age: Dubbelman et al. 2001, Optom Vis Sci 78:411 (value from "
    "memory)"
)


def natural_lens_power_d(
    length_mm: float,
    mean_k_d: float,
    refraction_d: float,
    chamber_mm: float = _CHAMBER_MM,
    lens_mm: float = _LENS_MM,
) -> float:
    """Power that the natural lens must have for length, cornea and refraction to belong together.

    Parameters
    ----------
    length_mm : float
        mm.
    mean_k_d : float
        Mean keratometry, D (index 1.3375).
    refraction_d : float
        Spherical equivalent in the spectacle plane at 12 mm, D.
    chamber_mm, lens_mm : float
        Corneal front to lens front, and lens thickness, mm.

    Returns
    -------
    float
        Equivalent power of the lens in the eye, D.

    Notes
    -----
    Bennett 1988, Ophthalmic Physiol Opt 8:53, with the principal planes of the lens 0.571 T
    behind its front and 0.378 T before its back (values from memory).

    Examples
    --------
    >>> import echotrace as et
    >>> round(et.power.natural_lens_power_d(23.5, 43.5, 0.0), 1)
    23.2
    """
    cornea = mean_k_d * (1000.0 / 3.0) / 337.5
    in_front = cornea + refraction_d / (1.0 - 0.012 * refraction_d)
    first_plane = chamber_mm + 0.571 * lens_mm
    behind = length_mm - chamber_mm - lens_mm + 0.378 * lens_mm
    return 1336.0 / behind - 1336.0 / (1336.0 / in_front - first_plane)


def expected_mm(part: str, age_years: float) -> tuple[float, float]:
    """Chamber depth or lens thickness expected at an age, and its spread.

    Parameters
    ----------
    part : {"chamber", "lens"}
        Corneal front to lens front, or front to back of the lens.
    age_years : float
        NaN takes the age at which the means of the population hold.

    Returns
    -------
    mean_mm, sd_mm : float
        mm; source: :data:`AGE_SOURCE`.

    Examples
    --------
    >>> from echotrace.power.natural_lens import expected_mm
    >>> mean, sd = expected_mm("lens", 75.0)
    >>> round(mean, 2), sd
    (4.71, 0.45)
    """
    mean, slope, sd = {
        "chamber": (_CHAMBER_MM, _CHAMBER_PER_YEAR_MM, _CHAMBER_SD_MM),
        "lens": (_LENS_MM, _LENS_PER_YEAR_MM, _LENS_SD_MM),
    }[part]
    years = 0.0 if math.isnan(age_years) else age_years - _MEAN_AGE_YEARS
    return mean + slope * years, sd
