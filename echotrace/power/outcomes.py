"""From the uncertainty of a length to the uncertainty of the refraction after surgery.

The uncertainty of each input goes through the formula twice: by the derivatives of the formula
itself (JCGM 100:2008, law of propagation) and by drawing (JCGM 101:2008, Monte Carlo). What comes
out is the predicted refraction with an interval and the chance of landing near the target.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.distributions import t_cdf, t_quantile
from echotrace.errors import ParameterError
from echotrace.power.biometry import Biometry
from echotrace.power.constants import LensConstant
from echotrace.power.formulas import thin_lens_eye
from echotrace.power.lens_power import refraction_d, refraction_of
from echotrace.power.sensitivities import combined_d, parts_d, sensitivity
from echotrace.power.uncertainty import LENGTH_PARTS, InputUncertainty

__all__ = ["BOUNDS_D", "Outcome", "chance_within", "outcome", "simulate_refraction"]

Array = NDArray[np.float64]


BOUNDS_D = (0.25, 0.5, 1.0)
"""Distances from the target for which a chance is given, D."""


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

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> u = et.power.published_uncertainty(0.05, 0.02)
    >>> result = et.power.outcome(eye, srk_t, 20.0, u, length_dof=4)
    >>> bool(result.low_d < result.refraction_d < result.high_d)
    True
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

    Raises
    ------
    ParameterError
        A coverage outside 0 to 1, degrees of freedom that are not positive, or a power outside -30
        to +60 D.

    Notes
    -----
    JCGM 100:2008, 5.1.2 for the combination, G.4 (Welch-Satterthwaite) for the degrees of
    freedom.

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> u = et.power.published_uncertainty(0.05, 0.02)
    >>> result = et.power.outcome(eye, srk_t, 20.0, u, length_dof=4)
    >>> round(float(result.refraction_d), 2), round(float(result.u_d), 2)
    (0.03, 0.62)
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
    parts = parts_d(sensitivity(eye, constant, power), uncertainty)
    total = combined_d(parts)
    dof = _effective_dof(parts, total, length_dof)
    factor = t_quantile(0.5 + coverage / 2.0, dof)
    return Outcome(
        refraction_d=predicted,
        u_d=total,
        u_length_d=np.asarray(combined_d({name: parts[name] for name in LENGTH_PARTS})),
        low_d=predicted - factor * total,
        high_d=predicted + factor * total,
        dof=dof,
    )


def _effective_dof(parts: Mapping[str, Array], total: Array, length_dof: float) -> Array:
    """Welch-Satterthwaite: only the scatter of the scans has few degrees of freedom."""
    own = np.asarray(parts["length_mm"])
    with np.errstate(divide="ignore", invalid="ignore"):
        dof = length_dof * np.where(own > 0.0, (total / own) ** 4, np.inf)
    return np.asarray(dof)


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

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> u = et.power.published_uncertainty(0.05, 0.02)
    >>> result = et.power.outcome(eye, srk_t, 20.0, u, length_dof=4)
    >>> et.power.chance_within(result, -0.25).round(2).tolist()
    [0.28, 0.53, 0.86]
    """
    distance = np.asarray(bounds_d, dtype=np.float64)
    centre = (predicted.refraction_d - target_d)[..., None]
    spread = np.where(predicted.u_d > 0.0, predicted.u_d, np.finfo(np.float64).tiny)[..., None]
    dof = predicted.dof[..., None]
    # Without any uncertainty all is certain: infinitely many standard deviations.
    with np.errstate(over="ignore"):
        upper = t_cdf((distance - centre) / spread, dof)
        lower = t_cdf((-distance - centre) / spread, dof)
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

    Raises
    ------
    ParameterError
        More than one eye, or fewer than two draws.

    Notes
    -----
    JCGM 101:2008. No linear approximation, so it holds across the branches of the formulas too.

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> u = et.power.published_uncertainty(0.05, 0.02)
    >>> drawn = et.power.simulate_refraction(eye, srk_t, 20.0, u, n_draws=2000)
    >>> drawn.shape, round(float(drawn.std()), 1)
    ((2000,), 0.6)
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
    # Drawn only where there is any: the other draws stay as they are.
    pressed = spread(uncertainty.pressing_mm) if uncertainty.pressing_mm else 0.0
    model = thin_lens_eye(
        constant,
        axial_length_mm=eye.axial_length_mm.reshape(-1)
        + scatter
        + spread(uncertainty.length_shared_mm)
        + pressed,
        k1_d=eye.k1_d.reshape(-1) + shift_k,
        k2_d=eye.k2_d.reshape(-1) + shift_k,
        chamber_depth_mm=eye.chamber_depth_mm.reshape(-1) + spread(uncertainty.chamber_mm),
        keratometric_index=eye.keratometric_index,
        vertex_mm=eye.vertex_mm,
        position_shift_mm=spread(uncertainty.lens_position_mm),
    )
    power = power_d + spread(uncertainty.lens_power_d)
    return refraction_of(model, power) + spread(uncertainty.refraction_d)
