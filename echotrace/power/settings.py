"""Everything but the length that a lens power is worked out from."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from echotrace.power.constants import LensConstant
from echotrace.power.eye_record import EyeRecord
from echotrace.power.formulas import KERATOMETRIC_INDEX, VERTEX_MM
from echotrace.power.history import EyeHistory
from echotrace.power.plausibility_limits import LIMITS, Limit
from echotrace.power.uncertainty import PUBLISHED

__all__ = ["PowerSettings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerSettings:
    """Everything but the length. Mappings go from ``right``/``left`` to a number.

    Attributes
    ----------
    constants : tuple of LensConstant
    target_d : float
        Wanted spectacle refraction, D.
    k1_d, k2_d : mapping of str to float
        Keratometry as read, D.
    keratometric_index, vertex_mm : float
    chamber_mm : mapping of str to float
        Chamber depth from elsewhere, mm; takes the place of the one in the scans.
    refraction_d : mapping of str to float
        Spherical equivalent before surgery, D: for plausibility only.
    age_years : float
        For plausibility only.
    history : mapping of str to tuple of EyeHistory
        What was declared of each eye.
    constant_method : str
        How the lengths behind the constants were measured.
    uncertainty : mapping of str to float
        Standard uncertainty of the inputs other than the length, by the names of
        :data:`~echotrace.power.uncertainty.PUBLISHED`.
    uncertainty_given : frozenset of str
        Those of them that are the user's own.
    coverage : float
    n_each_side : int
        Steps of 0.5 D shown on either side.
    n_draws, seed : int
        Monte Carlo draws, and their seed.
    earlier : tuple of EyeRecord
    limits : mapping of str to Limit

    Examples
    --------
    >>> import echotrace as et
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> given = et.power.PowerSettings(
    ...     constants=(srk_t,), target_d=-0.25, k1_d={"right": 43.5}, k2_d={"right": 44.5}
    ... )
    >>> given.coverage, given.n_each_side
    (0.95, 3)
    """

    constants: tuple[LensConstant, ...]
    target_d: float
    k1_d: Mapping[str, float]
    k2_d: Mapping[str, float]
    keratometric_index: float = KERATOMETRIC_INDEX
    vertex_mm: float = VERTEX_MM
    chamber_mm: Mapping[str, float] = field(default_factory=dict)
    refraction_d: Mapping[str, float] = field(default_factory=dict)
    age_years: float = math.nan
    history: Mapping[str, tuple[EyeHistory, ...]] = field(default_factory=dict)
    constant_method: str = ""
    uncertainty: Mapping[str, float] = field(
        default_factory=lambda: {name: value for name, (value, _) in PUBLISHED.items()}
    )
    uncertainty_given: frozenset[str] = frozenset()
    coverage: float = 0.95
    n_each_side: int = 3
    n_draws: int = 20_000
    seed: int = 0
    earlier: tuple[EyeRecord, ...] = ()
    limits: Mapping[str, Limit] = field(default_factory=lambda: LIMITS)
