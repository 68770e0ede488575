"""One sitting of one eye beside what else is known of it, and what may be odd about it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from echotrace.errors import ParameterError
from echotrace.power.plausibility_limits import Limit

__all__ = ["EyeRecord", "FindingList", "PlausibilityFinding", "Severity"]


Severity = Literal["note", "check"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeRecord:
    """One sitting of one eye, with what else is known of the eye. NaN or empty: not known.

    Attributes
    ----------
    eye : {"right", "left"}
    length_mm, length_u_mm : float
        Mean axial length and its standard uncertainty, mm.
    method : {"", "contact", "immersion", "other"}
    lens_state : {"", "phakic", "aphakic", "pseudophakic"}
    chamber_mm, lens_mm : float
        Corneal front to lens front, and lens thickness, mm.
    k1_d, k2_d : float
        Keratometry, D (index 1.3375).
    refraction_d : float
        Spherical equivalent, D, before surgery.
    age_years : float
    label : str
        How findings name this sitting.

    Raises
    ------
    ParameterError
        Neither a right nor a left eye, or a value in another unit.

    Examples
    --------
    >>> import echotrace as et
    >>> et.power.EyeRecord(eye="left", length_mm=23.4, k1_d=43.0, k2_d=44.0).mean_k_d
    43.5
    """

    eye: str
    length_mm: float
    length_u_mm: float = math.nan
    method: str = ""
    lens_state: str = ""
    chamber_mm: float = math.nan
    lens_mm: float = math.nan
    k1_d: float = math.nan
    k2_d: float = math.nan
    refraction_d: float = math.nan
    age_years: float = math.nan
    label: str = ""

    def __post_init__(self) -> None:
        if self.eye not in ("right", "left"):
            raise ParameterError(f"eye={self.eye!r}: use right or left")
        bounds = {
            "length_mm": (10.0, 50.0, "mm"),
            "k1_d": (30.0, 60.0, "D; a radius in mm is not meant"),
            "k2_d": (30.0, 60.0, "D; a radius in mm is not meant"),
            "refraction_d": (-40.0, 25.0, "D"),
            "age_years": (0.0, 120.0, "years"),
            "chamber_mm": (0.0, 8.0, "mm"),
            "lens_mm": (0.0, 10.0, "mm"),
        }
        for name, (low, high, unit) in bounds.items():
            value = getattr(self, name)
            missing = math.isnan(value) and name != "length_mm"
            if not missing and not low <= value <= high:
                raise ParameterError(
                    f"{self.eye} eye: {name}={value:g} must lie between {low:g} and {high:g} {unit}"
                )

    @property
    def mean_k_d(self) -> float:
        """Mean keratometry, D; NaN where not known."""
        return (self.k1_d + self.k2_d) / 2.0

    @property
    def name(self) -> str:
        """How findings name it: the eye, and the sitting where it has a label."""
        return f"{self.eye} eye, {self.label}" if self.label else f"{self.eye} eye"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlausibilityFinding:
    """One reason to look again.

    Attributes
    ----------
    name : str
    severity : {"note", "check"}
        ``check``: do not pass the length on before somebody has looked at it.
    subject : str
        The eye or sittings it speaks of.
    value, limit : float
        The figure found, and the limit that it crossed.
    unit : str
    text : str
        What was found, what may be behind it and what to do.
    source : str
        Where the limit comes from.

    Examples
    --------
    >>> import echotrace as et
    >>> right = et.power.EyeRecord(eye="right", length_mm=27.1, length_u_mm=0.03)
    >>> (found,) = et.power.check_plausibility([right])
    >>> found.name, found.severity, found.limit
    ('length_second_look', 'check', 26.6)
    """

    name: str
    severity: Severity
    subject: str
    value: float
    limit: float
    unit: str
    text: str
    source: str


class FindingList:
    """Collects findings; looks limits and their sources up.

    Parameters
    ----------
    limits : mapping of str to Limit

    Examples
    --------
    >>> from echotrace.power.eye_record import FindingList
    >>> from echotrace.power.plausibility_limits import LIMITS
    >>> FindingList(LIMITS).value("k_low_d")
    41.0
    """

    def __init__(self, limits: Mapping[str, Limit]) -> None:
        self.limits = limits
        self.found: list[PlausibilityFinding] = []

    def value(self, name: str) -> float:
        """The number of a limit.

        Parameters
        ----------
        name : str
            Of a limit.

        Returns
        -------
        float
            In the unit that ends its name.
        """
        return self.limits[name].value

    def add(
        self,
        name: str,
        severity: Severity,
        subject: str,
        value: float,
        limit: str,
        text: str,
        source: str = "",
    ) -> None:
        """Add a finding; ``limit`` is the name of the limit that was crossed.

        Parameters
        ----------
        name : str
        severity : {"note", "check"}
        subject : str
            The eye or sittings it speaks of.
        value : float
            The figure found, in the limit's unit.
        limit : str
            Name of the limit that was crossed.
        text : str
        source : str
            In place of the limit's own.
        """
        unit = {"mm": "mm", "d": "D", "sd": "SD"}.get(limit.rsplit("_", 1)[1], "1")
        self.found.append(
            PlausibilityFinding(
                name=name,
                severity=severity,
                subject=subject,
                value=value,
                limit=self.value(limit),
                unit=unit,
                text=text,
                source=source or self.limits[limit].source,
            )
        )
