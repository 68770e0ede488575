"""From the uncertainty of a length to the uncertainty of the refraction after surgery.

The uncertainty of each input goes through the formula twice: by the derivatives of the formula
itself (JCGM 100:2008, law of propagation) and by drawing (JCGM 101:2008, Monte Carlo). What comes
out is predicted refraction with an interval, the chance of landing near the target, the budget
that says which input to improve, and what one more scan would buy.

Inputs are taken as independent. Readings of one eye are not quite that (Langenbucher et al. 2024,
PLoS One 19:e0297869, found the spreads of length, chamber and lens correlated); it matters only
for Haigis, where the chamber depth enters beside the length.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from echotrace.errors import ParameterError
from echotrace.power.lens_power import (
    N_MM_D,
    POWER_RANGE_D,
    Biometry,
    LensConstant,
    ThinLensEye,
    lens_power_d,
    refraction_d,
    refraction_of,
    thin_lens_eye,
)

__all__ = [
    "PARTS",
    "PUBLISHED",
    "Budget",
    "InputUncertainty",
    "Outcome",
    "PowerTable",
    "ScanGain",
    "Sensitivity",
    "budget",
    "chance_within",
    "one_more_scan",
    "outcome",
    "power_table",
    "published_uncertainty",
    "sensitivity",
    "simulate_refraction",
]

Array = NDArray[np.float64]

STEP_D = 0.5
"""Step in which implants are usually made, D (common practice, no source)."""
BOUNDS_D = (0.25, 0.5, 1.0)
"""Distances from the target for which a chance is given, D."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InputUncertainty:
    """Standard uncertainty of every input; zero leaves one out.

    Attributes
    ----------
    length_mm : float
        Of the mean axial length, the part that shrinks with more scans, mm.
    length_shared_mm : float
        Of the mean axial length, the part that all scans share (sound speeds, probe), mm.
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
    """

    length_mm: float
    length_shared_mm: float = 0.0
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

# What the person who measures can do something about.
MEASURED_PARTS = ("length_mm", "length_shared_mm", "k_d", "chamber_mm")


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
    """
    values = {name: value for name, (value, _) in PUBLISHED.items()}
    unknown = set(changes) - set(values)
    if unknown:
        raise ParameterError(f"unknown uncertainty {sorted(unknown)[0]!r}: use {', '.join(values)}")
    return InputUncertainty(
        length_mm=length_mm, length_shared_mm=length_shared_mm, **(values | changes)
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sensitivity:
    """Derivatives of the predicted spectacle refraction; all arrays broadcast alike.

    Attributes
    ----------
    length_d_per_mm, chamber_d_per_mm, lens_position_d_per_mm : ndarray
        D/mm. ``length`` holds what the formula makes of a longer eye, its shift of the lens
        position included; negative: a true eye longer than measured ends myopic.
    k_d_per_d, lens_power_d_per_d : ndarray
        D/D.
    """

    length_d_per_mm: Array
    k_d_per_d: Array
    chamber_d_per_mm: Array
    lens_position_d_per_mm: Array
    lens_power_d_per_d: Array


def sensitivity(eye: Biometry, constant: LensConstant, power_d: ArrayLike) -> Sensitivity:
    """How the predicted refraction follows each input, by exact derivatives of the formula.

    Parameters
    ----------
    eye : Biometry
    constant : LensConstant
    power_d : array_like
        Power of the implant, D.

    Returns
    -------
    Sensitivity

    Notes
    -----
    Within the guard of SRK/T the derivative is that of the guarded formula; just before it the
    derivative grows without bound, and only :func:`simulate_refraction` describes the spread.
    """
    return _sensitivity(eye.thin_lens(constant), np.asarray(power_d, dtype=np.float64))


def _sensitivity(model: ThinLensEye, power: Array) -> Sensitivity:
    gap = model.optical_length_mm - model.lens_position_mm
    behind = N_MM_D / gap - power
    denominator = N_MM_D + model.lens_position_mm * behind
    at_cornea = N_MM_D * behind / denominator - model.corneal_power_d
    to_spectacles = 1.0 / (1.0 + model.vertex_mm / 1000.0 * at_cornea) ** 2
    per_behind = to_spectacles * (N_MM_D / denominator) ** 2
    per_optical_length = -per_behind * N_MM_D / gap**2
    per_position = -per_optical_length - to_spectacles * N_MM_D * (behind / denominator) ** 2
    length, k, chamber, position, label = np.broadcast_arrays(
        per_optical_length * model.length_per_length + per_position * model.position_per_length,
        -to_spectacles * model.cornea_per_k + per_position * model.position_per_k,
        per_position * model.position_per_chamber,
        per_position,
        -per_behind,
    )
    return Sensitivity(
        length_d_per_mm=np.asarray(length),
        k_d_per_d=np.asarray(k),
        chamber_d_per_mm=np.asarray(chamber),
        lens_position_d_per_mm=np.asarray(position),
        lens_power_d_per_d=np.asarray(label),
    )


def _parts(slopes: Sensitivity, u: InputUncertainty) -> dict[str, Array]:
    one = np.ones_like(slopes.length_d_per_mm)
    return {
        "length_mm": np.abs(slopes.length_d_per_mm) * u.length_mm,
        "length_shared_mm": np.abs(slopes.length_d_per_mm) * u.length_shared_mm,
        "k_d": np.abs(slopes.k_d_per_d) * u.k_d,
        "chamber_mm": np.abs(slopes.chamber_d_per_mm) * u.chamber_mm,
        "lens_position_mm": np.abs(slopes.lens_position_d_per_mm) * u.lens_position_mm,
        "lens_power_d": np.abs(slopes.lens_power_d_per_d) * u.lens_power_d,
        "refraction_d": one * u.refraction_d,
    }


def _total(parts: Mapping[str, Array]) -> Array:
    return np.asarray(np.sqrt(sum(part**2 for part in parts.values())))


def _effective_dof(parts: Mapping[str, Array], total: Array, length_dof: float) -> Array:
    """Welch-Satterthwaite: only the scatter of the scans has few degrees of freedom."""
    own = np.asarray(parts["length_mm"])
    with np.errstate(divide="ignore", invalid="ignore"):
        dof = length_dof * np.where(own > 0.0, (total / own) ** 4, np.inf)
    return np.asarray(dof)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outcome:
    """Predicted refraction with its spread.

    Attributes
    ----------
    refraction_d : ndarray
        Spectacle plane, D.
    u_d : ndarray
        Standard uncertainty from all inputs, D.
    u_length_d : ndarray
        Standard uncertainty from the axial length alone, D.
    low_d, high_d : ndarray
        Interval at the coverage asked for, D.
    dof : ndarray
        Effective degrees of freedom.
    """

    refraction_d: Array
    u_d: Array
    u_length_d: Array
    low_d: Array
    high_d: Array
    dof: Array


def outcome(
    eye: Biometry,
    constant: LensConstant,
    power_d: ArrayLike,
    uncertainty: InputUncertainty,
    *,
    coverage: float = 0.95,
    length_dof: float = math.inf,
) -> Outcome:
    """Refraction that an implant is predicted to leave, with its interval.

    Parameters
    ----------
    eye : Biometry
    constant : LensConstant
    power_d : array_like
        D.
    uncertainty : InputUncertainty
    coverage : float
        Probability content of the interval.
    length_dof : float
        Degrees of freedom behind ``uncertainty.length_mm``: accepted scans less one.

    Returns
    -------
    Outcome

    Notes
    -----
    JCGM 100:2008, 5.1.2 for the combination, G.4 (Welch-Satterthwaite) for the degrees of
    freedom.
    """
    if not 0.0 < coverage < 1.0:
        raise ParameterError(f"coverage={coverage:g} must lie between 0 and 1")
    if not length_dof > 0.0:
        raise ParameterError(
            f"length_dof={length_dof:g} must be positive: at least two accepted scans are needed "
            "for a spread"
        )
    power = np.asarray(power_d, dtype=np.float64)
    predicted = refraction_d(eye, constant, power)
    parts = _parts(sensitivity(eye, constant, power), uncertainty)
    total = _total(parts)
    dof = _effective_dof(parts, total, length_dof)
    factor = scipy.stats.t.ppf(0.5 + coverage / 2.0, dof)
    return Outcome(
        refraction_d=predicted,
        u_d=total,
        u_length_d=np.asarray(np.hypot(parts["length_mm"], parts["length_shared_mm"])),
        low_d=predicted - factor * total,
        high_d=predicted + factor * total,
        dof=dof,
    )


def chance_within(
    predicted: Outcome, target_d: float, bounds_d: Sequence[float] = BOUNDS_D
) -> Array:
    """Chance that the refraction after surgery lies within some distance of the target.

    Parameters
    ----------
    predicted : Outcome
    target_d : float
        D.
    bounds_d : sequence of float
        Distances, D.

    Returns
    -------
    ndarray
        Last axis along ``bounds_d``. It holds for the uncertainties that were given and for a
        formula that is right on average for such eyes.
    """
    distance = np.asarray(bounds_d, dtype=np.float64)
    centre = (predicted.refraction_d - target_d)[..., None]
    spread = np.where(predicted.u_d > 0.0, predicted.u_d, np.finfo(np.float64).tiny)[..., None]
    dof = predicted.dof[..., None]
    upper = scipy.stats.t.cdf((distance - centre) / spread, dof)
    lower = scipy.stats.t.cdf((-distance - centre) / spread, dof)
    return np.asarray(upper - lower)


def simulate_refraction(
    eye: Biometry,
    constant: LensConstant,
    power_d: float,
    uncertainty: InputUncertainty,
    *,
    n_draws: int = 20_000,
    seed: int = 0,
    length_dof: float = math.inf,
) -> Array:
    """Draw the refraction of one eye with every input spread by its uncertainty.

    Parameters
    ----------
    eye : Biometry
        One eye.
    constant : LensConstant
    power_d : float
        D.
    uncertainty : InputUncertainty
    n_draws : int
    seed : int
    length_dof : float
        Degrees of freedom behind the scatter of the scans; finite draws it from Student's t.

    Returns
    -------
    ndarray, (n_draws,)
        Refraction, D.

    Notes
    -----
    JCGM 101:2008. No linear approximation, so it holds across the branches of the formulas too.
    """
    if np.broadcast(eye.axial_length_mm, eye.k1_d, eye.k2_d).size != 1:
        raise ParameterError("simulate_refraction is for one eye at a time")
    if n_draws < 2:
        raise ParameterError(f"n_draws={n_draws} must be at least 2")
    rng = np.random.default_rng(seed)

    def spread(size: float) -> Array:
        return size * rng.standard_normal(n_draws)

    scatter = spread(uncertainty.length_mm)
    if math.isfinite(length_dof):
        # A normal over the root of a chi-square per degree of freedom: Student's t.
        scatter /= np.sqrt(rng.chisquare(length_dof, n_draws) / length_dof)
    shift_k = spread(uncertainty.k_d)
    model = thin_lens_eye(
        constant,
        axial_length_mm=eye.axial_length_mm.reshape(-1)
        + scatter
        + spread(uncertainty.length_shared_mm),
        k1_d=eye.k1_d.reshape(-1) + shift_k,
        k2_d=eye.k2_d.reshape(-1) + shift_k,
        chamber_depth_mm=eye.chamber_depth_mm.reshape(-1) + spread(uncertainty.chamber_mm),
        keratometric_index=eye.keratometric_index,
        vertex_mm=eye.vertex_mm,
        position_shift_mm=spread(uncertainty.lens_position_mm),
    )
    power = power_d + spread(uncertainty.lens_power_d)
    return refraction_of(model, power) + spread(uncertainty.refraction_d)


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Where the uncertainty of the refraction comes from.

    Attributes
    ----------
    parts_d : mapping of str to float
        Standard uncertainty from each input, D; names as in :class:`InputUncertainty`.
    total_d : float
        D.
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
    """Split the uncertainty of the refraction of one eye into its sources."""
    slopes = sensitivity(eye, constant, power_d)
    if slopes.length_d_per_mm.size != 1:
        raise ParameterError("budget is for one eye and one power at a time")
    parts = _parts(slopes, uncertainty)
    return Budget(
        parts_d=MappingProxyType({name: part.item() for name, part in parts.items()}),
        total_d=_total(parts).item(),
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
    """
    if n_scans < 1 or extra < 1:
        raise ParameterError(f"n_scans={n_scans} and extra={extra} must be at least 1")
    after = asdict(uncertainty)
    after["length_mm"] = uncertainty.length_mm * math.sqrt(n_scans / (n_scans + extra))
    later = InputUncertainty(**after)
    return ScanGain(
        extra=extra,
        length_now_mm=math.hypot(uncertainty.length_mm, uncertainty.length_shared_mm),
        length_after_mm=math.hypot(later.length_mm, later.length_shared_mm),
        floor_mm=uncertainty.length_shared_mm,
        refraction_now_d=budget(eye, constant, power_d, uncertainty).total_d,
        refraction_after_d=budget(eye, constant, power_d, later).total_d,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PowerTable:
    """Powers around the target, formulas side by side.

    Attributes
    ----------
    power_d : ndarray, (n_powers,)
        In steps, rising, D.
    constants : tuple of LensConstant
    for_target_d : ndarray, (n_formulas,)
        Power with which each formula reaches the target exactly, D.
    outcomes : tuple of Outcome
        One a formula, each over ``power_d``.
    chance : ndarray, (n_formulas, n_powers, 3)
        Chance of ending within 0.25, 0.5 and 1 D of the target.
    target_d : float
    """

    power_d: Array
    constants: tuple[LensConstant, ...]
    for_target_d: Array
    outcomes: tuple[Outcome, ...]
    chance: Array
    target_d: float

    def disagreement_d(self) -> tuple[Array, Array]:
        """Lowest and highest refraction that the formulas predict for each power, D."""
        predicted = np.stack([item.refraction_d for item in self.outcomes])
        return np.asarray(predicted.min(axis=0)), np.asarray(predicted.max(axis=0))

    def nearest(self, formula: int) -> int:
        """Row whose refraction is nearest to the target by one formula."""
        return int(np.argmin(np.abs(self.outcomes[formula].refraction_d - self.target_d)))

    def to_records(self) -> list[dict[str, Any]]:
        """One flat dictionary per power and formula."""
        return [
            {
                "power_d": float(power),
                "formula": str(constant.formula),
                "refraction_d": float(result.refraction_d[row]),
                "u_d": float(result.u_d[row]),
                "u_length_d": float(result.u_length_d[row]),
                "low_d": float(result.low_d[row]),
                "high_d": float(result.high_d[row]),
                **{
                    f"chance_within_{bound:g}_d": float(self.chance[column, row, k])
                    for k, bound in enumerate(BOUNDS_D)
                },
            }
            for row, power in enumerate(self.power_d)
            for column, (constant, result) in enumerate(
                zip(self.constants, self.outcomes, strict=True)
            )
        ]


def power_table(
    eye: Biometry,
    constants: Sequence[LensConstant],
    target_d: float,
    uncertainty: InputUncertainty,
    *,
    n_each_side: int = 3,
    step_d: float = STEP_D,
    coverage: float = 0.95,
    length_dof: float = math.inf,
) -> PowerTable:
    """Powers in steps around the target for one eye, with what each formula predicts.

    Parameters
    ----------
    eye : Biometry
        One eye.
    constants : sequence of LensConstant
        One a formula.
    target_d : float
        Wanted spectacle refraction, D.
    uncertainty : InputUncertainty
    n_each_side : int
        Steps shown on either side of the powers that the formulas find.
    step_d : float
        D.
    coverage, length_dof : float
        As in :func:`outcome`.

    Returns
    -------
    PowerTable
    """
    if not constants:
        raise ParameterError("at least one constant is needed: give srk_t=A or another")
    repeated = {item.formula for item in constants}
    if len(repeated) != len(constants):
        raise ParameterError("two constants of one formula were given; give one for each formula")
    if not 0.0 < step_d <= 5.0 or n_each_side < 0:
        raise ParameterError(f"step_d={step_d:g} must lie between 0 and 5 D")
    wanted = np.array([lens_power_d(eye, item, target_d).item() for item in constants])
    first = math.floor(wanted.min() / step_d + 0.5) - n_each_side
    last = math.floor(wanted.max() / step_d + 0.5) + n_each_side
    steps = np.arange(first, last + 1) * step_d
    steps = steps[(steps >= POWER_RANGE_D[0]) & (steps <= POWER_RANGE_D[1])]
    if steps.size == 0:
        raise ParameterError(
            f"no power between {POWER_RANGE_D[0]:g} and {POWER_RANGE_D[1]:g} D reaches "
            f"{target_d:+.2f} D in this eye: check length, keratometry and target"
        )
    outcomes = tuple(
        outcome(eye, item, steps, uncertainty, coverage=coverage, length_dof=length_dof)
        for item in constants
    )
    return PowerTable(
        power_d=steps,
        constants=tuple(constants),
        for_target_d=wanted,
        outcomes=outcomes,
        chance=np.stack([chance_within(item, target_d) for item in outcomes]),
        target_d=target_d,
    )
