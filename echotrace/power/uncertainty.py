"""How well each input of a lens power is known: measured, or published with its source."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from types import MappingProxyType

from echotrace.errors import ParameterError

__all__ = [
    "LENGTH_PARTS",
    "MEASURED_PARTS",
    "PARTS",
    "PUBLISHED",
    "InputUncertainty",
    "published_uncertainty",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class InputUncertainty:
    """Standard uncertainty of every input; zero leaves one out.

    Attributes
    ----------
    length_mm : float
        Of the mean axial length, the part that shrinks with more scans, mm.
    length_shared_mm : float
        Of the mean axial length, the part that all scans share (sound speeds, probe), mm.
    pressing_mm : float
        Of the mean axial length, what pressing in contact leaves open, mm.
    k_d : float
        Of the mean keratometer reading, D, both readings moving together.
    chamber_mm : float
        Of the chamber depth before surgery, mm; acts through Haigis only.
    lens_position_mm : float
        Of the implant's position as predicted by the formula, mm.
    lens_power_d : float
        Of the implant's power as labelled, D.
    refraction_d : float
        Of the refraction found after surgery, D: what the outcome is judged by.

    Raises
    ------
    ParameterError
        A value below zero, or not a number.

    Examples
    --------
    >>> import echotrace as et
    >>> et.power.InputUncertainty(length_mm=0.05, k_d=0.2).lens_position_mm
    0.0
    """

    length_mm: float
    length_shared_mm: float = 0.0
    pressing_mm: float = 0.0
    k_d: float = 0.0
    chamber_mm: float = 0.0
    lens_position_mm: float = 0.0
    lens_power_d: float = 0.0
    refraction_d: float = 0.0

    def __post_init__(self) -> None:
        for name, value in asdict(self).items():
            if not 0.0 <= value < math.inf:
                raise ParameterError(
                    f"uncertainty: {name}={value!r} must be a number, zero or more"
                )


# Value and where it comes from, for the inputs whose uncertainty this project cannot measure.
PUBLISHED: Mapping[str, tuple[float, str]] = MappingProxyType(
    {
        "k_d": (
            0.18,
            "within-subject spread of mean keratometry in 266 eyes, Langenbucher et al. 2025, "
            "PLoS One 20:e0321786",
        ),
        "chamber_mm": (0.1, "common practice, no source"),
        "lens_position_mm": (
            0.35,
            "spread of the implant's position about its prediction, Olsen T, on new optical "
            "biometry, Ophthalmology Times Europe",
        ),
        "lens_power_d": (
            0.11,
            "1 % of the error variance at a mean absolute error of 0.6 D, Norrby 2008, J Cataract "
            "Refract Surg 34:368; computed from these",
        ),
        "refraction_d": (
            0.39,
            "27 % of the error variance at a mean absolute error of 0.6 D, Norrby 2008, J "
            "Cataract Refract Surg 34:368; computed from these",
        ),
    }
)
"""Published uncertainties of the inputs other than the length, each with its source."""

# What each part of the budget is called, and what would make it smaller.
PARTS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "length_mm": (
            "axial length, scatter of the scans",
            "take more good scans (immersion scatters less than contact)",
        ),
        "length_shared_mm": (
            "axial length, common to all scans",
            "check the sound speeds of this eye's state and the probe's offset on a block; more "
            "scans do not help",
        ),
        "pressing_mm": (
            "axial length, pressing in contact",
            "measure by immersion, which does not press",
        ),
        "k_d": ("keratometry", "repeat keratometry on an undisturbed tear film"),
        "chamber_mm": (
            "chamber depth",
            "measure the chamber by immersion or optically",
        ),
        "lens_position_mm": (
            "lens position",
            "not measurable before surgery: constants optimised on own results reduce its mean "
            "error, not its spread",
        ),
        "lens_power_d": ("labelled lens power", "given by the maker's tolerance"),
        "refraction_d": (
            "refraction after surgery",
            "belongs to the judging of the outcome: repeat or automate the refraction",
        ),
    }
)
"""Label of each part of the budget, and what would improve it."""

LENGTH_PARTS = ("length_mm", "length_shared_mm", "pressing_mm")
"""The parts that come from the axial length."""

# What the person who measures can do something about.
MEASURED_PARTS = ("length_mm", "length_shared_mm", "pressing_mm", "k_d", "chamber_mm")


def published_uncertainty(
    length_mm: float, length_shared_mm: float = 0.0, **changes: float
) -> InputUncertainty:
    """Uncertainty of the length as measured, of everything else as published.

    Parameters
    ----------
    length_mm, length_shared_mm : float
        mm.
    **changes : float
        Own values for other fields of :class:`InputUncertainty`.

    Returns
    -------
    InputUncertainty
        Sources: :data:`PUBLISHED`.

    Raises
    ------
    ParameterError
        An unknown name, or a value below zero.

    Examples
    --------
    >>> import echotrace as et
    >>> et.power.published_uncertainty(0.05, k_d=0.25).lens_position_mm
    0.35
    """
    values = {name: value for name, (value, _) in PUBLISHED.items()}
    unknown = set(changes) - set(values)
    if unknown:
        raise ParameterError(f"unknown uncertainty {sorted(unknown)[0]!r}: use {', '.join(values)}")
    return InputUncertainty(
        length_mm=length_mm, length_shared_mm=length_shared_mm, **(values | changes)
    )
