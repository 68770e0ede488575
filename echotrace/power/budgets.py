"""Where the uncertainty of the refraction comes from, and what one more scan would buy."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from types import MappingProxyType

from echotrace.errors import ParameterError
from echotrace.power.biometry import Biometry
from echotrace.power.constants import LensConstant
from echotrace.power.sensitivities import combined_d, parts_d, sensitivity
from echotrace.power.uncertainty import MEASURED_PARTS, PARTS, InputUncertainty

__all__ = ["Budget", "ScanGain", "budget", "one_more_scan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Where the uncertainty of the refraction comes from.

    Attributes
    ----------
    parts_d : mapping of str to float
        Standard uncertainty from each input, D; names as in :class:`InputUncertainty`.
    total_d : float
        D.

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> u = et.power.published_uncertainty(0.05, 0.02)
    >>> parts = et.power.budget(eye, srk_t, 20.5, u)
    >>> parts.largest, round(parts.total_d, 2)
    ('lens_position_mm', 0.64)
    """

    parts_d: Mapping[str, float]
    total_d: float

    @property
    def shares(self) -> dict[str, float]:
        """Share of each part in the variance, largest first; they add up to one."""
        if self.total_d == 0.0:
            return dict.fromkeys(self.parts_d, 0.0)
        shares = {name: (part / self.total_d) ** 2 for name, part in self.parts_d.items()}
        return dict(sorted(shares.items(), key=lambda item: -item[1]))

    @property
    def largest(self) -> str:
        """Name of the largest part."""
        return max(self.parts_d, key=self.parts_d.__getitem__)

    @property
    def largest_measured(self) -> str:
        """Name of the largest part that the person who measures can do something about."""
        return max(MEASURED_PARTS, key=self.parts_d.__getitem__)

    @property
    def advice(self) -> str:
        """One or two sentences: which input to improve, and what that could buy."""
        if self.total_d == 0.0:
            return "No uncertainty was given."
        lines = []
        shares = self.shares
        label, _ = PARTS[self.largest]
        if self.largest not in MEASURED_PARTS:
            lines.append(
                f"Largest part: {label} ({100 * shares[self.largest]:.0f} % of the variance), "
                "which measuring this eye again does not change."
            )
        name = self.largest_measured
        if self.parts_d[name] > 0.0:
            label, remedy = PARTS[name]
            without = math.sqrt(max(self.total_d**2 - self.parts_d[name] ** 2, 0.0))
            lines.append(
                f"Largest part that measuring can reduce: {label} ({100 * shares[name]:.0f} % of "
                f"the variance): {remedy}. Without it the standard uncertainty would be "
                f"{without:.2f} in place of {self.total_d:.2f} D."
            )
        return " ".join(lines)


def budget(
    eye: Biometry, constant: LensConstant, power_d: float, uncertainty: InputUncertainty
) -> Budget:
    """Split the uncertainty of the refraction of one eye into its sources.

    Parameters
    ----------
    eye : Biometry
        One eye.
    constant : LensConstant
        Names the formula.
    power_d : float
        Power of the implant, D.
    uncertainty : InputUncertainty
        Standard uncertainty of every input.

    Returns
    -------
    Budget
        Parts and total, D in the spectacle plane.

    Raises
    ------
    ParameterError
        More than one eye or power, or a power outside -30 to +60 D.

    Notes
    -----
    JCGM 100:2008, 5.1.2: each part is a derivative times a standard uncertainty.

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> u = et.power.published_uncertainty(0.05, 0.02)
    >>> parts = et.power.budget(eye, srk_t, 20.5, u)
    >>> [name for name, share in parts.shares.items() if share > 0.1]
    ['lens_position_mm', 'refraction_d']
    """
    slopes = sensitivity(eye, constant, power_d)
    if slopes.length_d_per_mm.size != 1:
        raise ParameterError("budget is for one eye and one power at a time")
    parts = parts_d(slopes, uncertainty)
    return Budget(
        parts_d=MappingProxyType({name: part.item() for name, part in parts.items()}),
        total_d=combined_d(parts).item(),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanGain:
    """What more scans of the same kind would buy.

    Attributes
    ----------
    extra : int
        How many more.
    length_now_mm, length_after_mm : float
        Standard uncertainty of the mean length, shared part included, mm.
    floor_mm : float
        What no number of scans goes below: the shared part, mm.
    refraction_now_d, refraction_after_d : float
        Standard uncertainty of the refraction from all inputs, D.

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> u = et.power.published_uncertainty(0.05, 0.02)
    >>> et.power.one_more_scan(eye, srk_t, 20.5, u, 5).length_after_mm < u.length_mm
    True
    """

    extra: int
    length_now_mm: float
    length_after_mm: float
    floor_mm: float
    refraction_now_d: float
    refraction_after_d: float

    @property
    def sentence(self) -> str:
        """The gain in words."""
        who = "One more scan" if self.extra == 1 else f"{self.extra} more scans"
        floor = (
            f"No number of scans goes below {self.floor_mm:.3f} mm." if self.floor_mm > 0.0 else ""
        )
        if self.length_now_mm - self.length_after_mm < 5e-4:
            text = f"{who} would change the uncertainty of the length by less than 0.001 mm."
        else:
            text = (
                f"{who} as good as these would bring the length from {self.length_now_mm:.3f} "
                f"to {self.length_after_mm:.3f} mm and the refraction from "
                f"{self.refraction_now_d:.3f} to {self.refraction_after_d:.3f} D."
            )
        return f"{text} {floor}".strip()


def one_more_scan(
    eye: Biometry,
    constant: LensConstant,
    power_d: float,
    uncertainty: InputUncertainty,
    n_scans: int,
    *,
    extra: int = 1,
) -> ScanGain:
    """What one more scan (or ``extra`` more) would buy.

    Parameters
    ----------
    eye : Biometry
    constant : LensConstant
    power_d : float
        D.
    uncertainty : InputUncertainty
        Its ``length_mm`` is that of the mean of ``n_scans``.
    n_scans : int
        Accepted scans so far.
    extra : int
        Scans more, as good as those so far.

    Returns
    -------
    ScanGain

    Raises
    ------
    ParameterError
        Fewer than one scan, or more than one eye or power.

    Notes
    -----
    The scans' own part of the length falls as one over the root of their number; what they share
    stays.

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> u = et.power.published_uncertainty(0.05, 0.02)
    >>> gain = et.power.one_more_scan(eye, srk_t, 20.5, u, 4)
    >>> round(gain.length_now_mm, 4), round(gain.length_after_mm, 4)
    (0.0539, 0.049)
    """
    if n_scans < 1 or extra < 1:
        raise ParameterError(f"n_scans={n_scans} and extra={extra} must be at least 1")
    after = asdict(uncertainty)
    after["length_mm"] = uncertainty.length_mm * math.sqrt(n_scans / (n_scans + extra))
    later = InputUncertainty(**after)
    floor_mm = math.hypot(uncertainty.length_shared_mm, uncertainty.pressing_mm)
    return ScanGain(
        extra=extra,
        length_now_mm=math.hypot(uncertainty.length_mm, floor_mm),
        length_after_mm=math.hypot(later.length_mm, floor_mm),
        floor_mm=floor_mm,
        refraction_now_d=budget(eye, constant, power_d, uncertainty).total_d,
        refraction_after_d=budget(eye, constant, power_d, later).total_d,
    )
