"""Limits beyond which a length is worth a second look, each with its source."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from echotrace.errors import ParameterError
from echotrace.user_input import did_you_mean, read_toml, shorten

__all__ = ["LIMITS", "NO_SOURCE", "POPULATION", "Limit", "limits_with", "read_limits"]


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit and its standing.

    Attributes
    ----------
    value : float
        In the unit that ends its name.
    source : str
        Published source, ``common practice, no source``, or ``value from memory`` beside it.

    Examples
    --------
    >>> import echotrace as et
    >>> et.power.LIMITS["k_difference_d"].value
    0.9
    """

    value: float
    source: str


_GUIDELINE = (
    "Royal College of Ophthalmologists, cataract surgery guidelines 2010, and Knox Cartwright et "
    "al. 2010, Eye 24:894 (value from memory)"
)

_FELLOW = (
    "Interocular axial length difference and age-related cataract, J Cataract Refract Surg 2008"
)

POPULATION = "28,709 cataract eyes, BMC Ophthalmology 2021"

_METHODS = "contact less immersion -0.20 (SD 0.26) mm, Ademola-Popoola 2016; mean and 1.96 SD"

NO_SOURCE = "common practice, no source"

LIMITS: Mapping[str, Limit] = MappingProxyType(
    {
        "length_low_mm": Limit(21.20, _GUIDELINE),
        "length_high_mm": Limit(26.60, _GUIDELINE),
        "k_low_d": Limit(41.0, _GUIDELINE),
        "k_high_d": Limit(47.0, _GUIDELINE),
        "k_difference_d": Limit(0.9, _GUIDELINE),
        "length_difference_note_mm": Limit(
            0.30, f"trade rule; exceeded by 24 % of 1379 patients: {_FELLOW}"
        ),
        "length_difference_check_mm": Limit(0.70, _GUIDELINE),
        "length_difference_short_mm": Limit(
            0.5, f"95th centile where the longer eye is 22.0 mm or less: {_FELLOW}"
        ),
        "length_difference_long_mm": Limit(
            4.0, f"95th centile where the longer eye is 28 mm or more: {_FELLOW}"
        ),
        "length_radius_ratio_low": Limit(2.6, NO_SOURCE),
        "length_radius_ratio_high": Limit(3.7, NO_SOURCE),
        # Mean 22.3 to 22.5 D in 1006 older adults (Shahroud Eye Cohort Study, PMC4795389) and
        # three times a spread of 2 D (value from memory).
        "natural_lens_low_d": Limit(
            16.5, "mean of the Shahroud Eye Cohort Study less 3 SD (SD: value from memory)"
        ),
        "natural_lens_high_d": Limit(
            28.5, "mean of the Shahroud Eye Cohort Study and 3 SD (SD: value from memory)"
        ),
        "natural_lens_difference_d": Limit(1.5, NO_SOURCE),
        "chamber_deviation_sd": Limit(2.5, f"spread of {POPULATION}; factor: {NO_SOURCE}"),
        "lens_deviation_sd": Limit(2.5, f"spread of {POPULATION}; factor: {NO_SOURCE}"),
        "contact_less_immersion_low_mm": Limit(-0.71, _METHODS),
        "contact_less_immersion_high_mm": Limit(0.31, _METHODS),
        "earlier_contact_mm": Limit(0.51, "between sessions, contact, 95 %: Cass et al. 2002"),
        "earlier_immersion_mm": Limit(0.2, NO_SOURCE),
    }
)
"""Limits by name; change them with :func:`limits_with` or a TOML file."""


def limits_with(
    changes: Mapping[str, float], *, source: str = "set by the user"
) -> dict[str, Limit]:
    """The limits with some of them changed.

    Parameters
    ----------
    changes : mapping of str to float
    source : str
        Who set them.

    Returns
    -------
    dict of str to Limit
        All of :data:`LIMITS`.

    Raises
    ------
    ParameterError
        Unknown name, a value that is not a number, or a pair of limits in the wrong order.

    Examples
    --------
    >>> import echotrace as et
    >>> et.power.limits_with({"length_high_mm": 27.0})["length_high_mm"]
    Limit(value=27.0, source='set by the user')
    """
    limits = dict(LIMITS)
    for name, value in changes.items():
        if name not in LIMITS:
            hint = did_you_mean(name, LIMITS)
            raise ParameterError(
                f"unknown limit {shorten(repr(name))}: {hint}Known: {', '.join(LIMITS)}"
            )
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not math.isfinite(value)
        ):
            raise ParameterError(f"limit {name}={value!r} must be a number")
        limits[name] = Limit(float(value), source)
    for name in limits:
        partner = name.replace("_low", "_high")
        if partner != name and limits[name].value >= limits[partner].value:
            raise ParameterError(
                f"limit {name}={limits[name].value:g} must be below "
                f"{partner}={limits[partner].value:g}"
            )
    return limits


def read_limits(path: str | Path) -> dict[str, Limit]:
    """Read changed limits from a TOML file of ``name = number`` lines.

    Parameters
    ----------
    path : str or Path
        Names as in :data:`LIMITS`.

    Returns
    -------
    dict of str to Limit
        All of :data:`LIMITS`, those of the file changed.

    Raises
    ------
    ParameterError
        Not a TOML file, or a name or number as in :func:`limits_with`; naming the file.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import echotrace as et
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "limits.toml"
    >>> _ = path.write_text("length_high_mm = 27.0")
    >>> et.power.read_limits(path)["length_high_mm"].source
    'set in limits.toml'
    """
    path = Path(path)
    table = read_toml(path)
    try:
        return limits_with(table, source=f"set in {path.name}")
    except ParameterError as error:
        raise ParameterError(f"{path}: {error}") from None
