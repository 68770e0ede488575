"""Powers in steps around the target, formulas side by side."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.power.biometry import POWER_RANGE_D, Biometry
from echotrace.power.constants import LensConstant
from echotrace.power.lens_power import lens_power_d
from echotrace.power.outcomes import BOUNDS_D, Outcome, chance_within, outcome
from echotrace.power.uncertainty import InputUncertainty

__all__ = ["STEP_D", "PowerTable", "power_table"]

Array = NDArray[np.float64]


STEP_D = 0.5
"""Step in which implants are usually made, D (common practice, no source)."""


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

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> u = et.power.published_uncertainty(0.05, 0.02)
    >>> table = et.power.power_table(eye, [srk_t], -0.25, u)
    >>> float(table.power_d[table.nearest(0)])
    20.5
    """

    power_d: Array
    constants: tuple[LensConstant, ...]
    for_target_d: Array
    outcomes: tuple[Outcome, ...]
    chance: Array
    target_d: float

    def disagreement_d(self) -> tuple[Array, Array]:
        """Lowest and highest refraction that the formulas predict for each power, D.

        Returns
        -------
        low, high : ndarray, (n_powers,)
            D.
        """
        predicted = np.stack([item.refraction_d for item in self.outcomes])
        return np.asarray(predicted.min(axis=0)), np.asarray(predicted.max(axis=0))

    def nearest(self, formula: int) -> int:
        """Row whose refraction is nearest to the target by one formula.

        Parameters
        ----------
        formula : int
            Number of the formula, from 0.

        Returns
        -------
        int
            Position in ``power_d``.
        """
        return int(np.argmin(np.abs(self.outcomes[formula].refraction_d - self.target_d)))

    def to_records(self) -> list[dict[str, Any]]:
        """One flat dictionary per power and formula.

        Returns
        -------
        list of dict
            Powers and refractions in D.
        """
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

    Raises
    ------
    ParameterError
        No constant, two of one formula, a step outside 0 to 5 D, or no power reaches the target;
        as in :func:`outcome` besides.

    Examples
    --------
    >>> import echotrace as et
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> u = et.power.published_uncertainty(0.05, 0.02)
    >>> table = et.power.power_table(eye, [srk_t], -0.25, u)
    >>> table.power_d.tolist()
    [19.0, 19.5, 20.0, 20.5, 21.0, 21.5, 22.0]
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
