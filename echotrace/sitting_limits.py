"""When a sitting is not to be trusted: a part of the settings that needs no signal processing."""

from __future__ import annotations

import math
from dataclasses import dataclass

from echotrace.errors import ParameterError

__all__ = ["REPEATABILITY_FACTOR", "SittingLimits"]

REPEATABILITY_FACTOR = 1.959963984540054 * math.sqrt(2.0)
"""95 % limit of the difference of two readings over their SD (ISO 5725-6, which rounds it to 2.8;
Bland & Altman 1986, Lancet 327:307)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SittingLimits:
    """When a sitting is not to be trusted. Common practice, no source, except where said.

    Attributes
    ----------
    min_accepted : int
        Least number of accepted scans (three within 0.1 mm; common practice, no source).
    max_sd_contact_mm, max_sd_immersion_mm, max_sd_other_mm : float
        Largest standard deviation of the accepted lengths, mm (0.10 to 0.12 and 0.06: value from
        memory).
    max_outliers : int
        Number of outliers tested by the generalised extreme Studentized deviate.
    outlier_alpha : float
        Its significance level.
    drift_alpha : float
        Significance at which a trend through the sitting is reported.
    min_effect_mm : float
        Least distance of an outlier from the mean, and least change by a drift over the sitting,
        that is worth a word, mm: significance alone would report micrometres.
    max_chamber_range_mm : float
        Shortening of the chamber between scans beyond which compression is reported, mm.
    confidence : float
        Of the intervals.
    """

    min_accepted: int = 3
    max_sd_contact_mm: float = 0.12
    max_sd_immersion_mm: float = 0.06
    max_sd_other_mm: float = 0.06
    max_outliers: int = 2
    outlier_alpha: float = 0.05
    drift_alpha: float = 0.05
    min_effect_mm: float = 0.03
    max_chamber_range_mm: float = 0.15
    confidence: float = 0.95

    def __post_init__(self) -> None:
        if self.min_accepted < 1:
            raise ParameterError(f"min_accepted={self.min_accepted!r} must be at least 1")
        if self.max_outliers < 0:
            raise ParameterError(f"max_outliers={self.max_outliers!r} must be zero or more")
        for name in ("outlier_alpha", "drift_alpha", "confidence"):
            if not 0.0 < getattr(self, name) < 1.0:
                raise ParameterError(f"{name}={getattr(self, name)!r} must lie between 0 and 1")
        for name in (
            "max_sd_contact_mm",
            "max_sd_immersion_mm",
            "max_sd_other_mm",
            "min_effect_mm",
            "max_chamber_range_mm",
        ):
            if not getattr(self, name) > 0.0:
                raise ParameterError(f"{name}={getattr(self, name)!r} must be positive")
