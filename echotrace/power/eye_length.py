"""The length of one sitting of one eye, as a lens power needs it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from echotrace.caution import is_synthetic
from echotrace.errors import ParameterError
from echotrace.measurement import Measurement
from echotrace.sittings.sitting import summarise

__all__ = ["EyeLength", "lengths_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeLength:
    """The length of one sitting of one eye, as it was measured.

    Attributes
    ----------
    eye : {"right", "left"}
    mean_mm : float
        Mean of the accepted scans, mm; NaN where there is none.
    u_mm, u_shared_mm : float
        Standard uncertainty of the mean: the scans' own part and the part they share, mm.
    pressing_mm, pressing_u_mm : float
        By how much the eye is longer than its mean in contact, and the standard uncertainty of it,
        mm; NaN where nothing but what is published is known.
    n, n_accepted : int
        Scans taken and accepted; zero where it is not known.
    subject, method, operator, sitting : str
    lens_state, vitreous : str
    chamber_mm, lens_mm : float
        Corneal front to lens front and lens thickness from the same scans, mm.
    findings : tuple of str
        What the chain found wrong with the sitting, in words.
    stops : bool
        One of them says that the sitting has no acceptable result.
    synthetic : bool
        Its traces are invented.
    made_with : str
        Speeds, probe and settings of the measurement, in lines.

    Raises
    ------
    ParameterError
        Neither a right nor a left eye, or an uncertainty below zero.

    Examples
    --------
    >>> import echotrace as et
    >>> et.power.EyeLength(eye="right", mean_mm=23.4, u_mm=0.03, n=6, n_accepted=5).name
    'right eye'
    """

    eye: str
    mean_mm: float
    u_mm: float
    u_shared_mm: float = 0.0
    n: int = 0
    n_accepted: int = 0
    subject: str = ""
    method: str = ""
    operator: str = ""
    sitting: str = ""
    lens_state: str = ""
    vitreous: str = ""
    chamber_mm: float = math.nan
    lens_mm: float = math.nan
    pressing_mm: float = math.nan
    pressing_u_mm: float = math.nan
    findings: tuple[str, ...] = ()
    stops: bool = False
    synthetic: bool = False
    made_with: str = ""

    def __post_init__(self) -> None:
        if self.eye not in ("right", "left"):
            raise ParameterError(f"eye={self.eye!r}: a lens power belongs to a right or a left eye")
        for name in ("u_mm", "u_shared_mm"):
            if not (getattr(self, name) >= 0.0 or math.isnan(self.mean_mm)):
                raise ParameterError(
                    f"{self.eye} eye: {name}={getattr(self, name)!r} must be zero or more, in mm"
                )

    @property
    def name(self) -> str:
        """Title of this sitting."""
        parts = [
            f"{self.eye} eye",
            self.method,
            f"sitting {self.sitting}" if self.sitting else "",
            f"operator {self.operator}" if self.operator else "",
        ]
        return ", ".join(part for part in parts if part)


def lengths_of(measurement: Measurement) -> list[EyeLength]:
    """The lengths of the sittings of a measurement.

    Parameters
    ----------
    measurement : Measurement

    Returns
    -------
    list of EyeLength
        One a sitting, in order of first appearance.

    Raises
    ------
    ParameterError
        A sitting is not of an eye.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> (one,) = et.power.lengths_of(result)
    >>> one.eye, round(one.mean_mm, 2), one.n_accepted
    ('right', 23.4, 4)
    """
    found = []
    for one in summarise(measurement):
        labels, segments = one.labels, one.segment_mean_mm
        if labels["eye"] not in ("right", "left"):
            raise ParameterError(
                f"the sitting of target {labels['target']!r} says eye={labels['eye']!r}: a lens "
                "power belongs to a right or a left eye"
            )
        phakic = labels["lens_state"] == "phakic"
        chamber = segments.get("cornea", math.nan) + segments.get("aqueous", math.nan)
        found.append(
            EyeLength(
                eye=labels["eye"],
                mean_mm=one.mean_mm,
                # What of the scatter is pressing is in the term of pressing.
                u_mm=one.budget_mm["scatter"],
                u_shared_mm=one.u_shared_mm,
                n=one.n,
                n_accepted=one.n_accepted,
                subject=labels["subject"],
                method=labels["method"],
                operator=labels["operator"],
                sitting=labels["sitting"],
                lens_state=labels["lens_state"],
                vitreous=labels["vitreous"],
                chamber_mm=chamber if phakic else math.nan,
                lens_mm=segments.get("lens", math.nan) if phakic else math.nan,
                pressing_mm=math.nan if one.pressing is None else one.pressing.mean_mm,
                pressing_u_mm=math.nan if one.pressing is None else one.pressing.u_mm,
                findings=tuple(item.text for item in one.findings),
                stops=not one.acceptable,
                synthetic=is_synthetic(measurement.attributes),
                made_with=measurement.attributes.get("made_with", ""),
            )
        )
    return found
