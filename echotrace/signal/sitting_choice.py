"""The choice of echoes of one scan in the light of the other scans of its sitting.

A scan whose choice disagrees with the others is looked at again: is there another path through its
echoes that agrees with them and is not much less likely in itself? It is taken only where both
together make it far more probable than the path the scan takes alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from echotrace.signal.agreement_of_scans import AGREE_SPREADS
from echotrace.signal.candidates import Candidates
from echotrace.signal.choice_plan import Choice, run_choice
from echotrace.signal.picking import PickReason

if TYPE_CHECKING:
    from echotrace.kernels.evidence import ChoicePlan

__all__ = ["LEAST_LEAD_NATS", "EyeSeen", "SittingPath", "path_of_the_sitting"]

Float64 = NDArray[np.float64]

LEAST_LEAD_NATS = math.log(20.0)
"""A path that the sitting proposes is kept where it is at least 20 times as probable."""

# Probability that a segment is not the eye's at all although its echoes were taken for its ends:
# what keeps agreement from outweighing everything.
_STRAY = 0.05
# Student's t with 3 degrees of freedom: its density at zero.
_T3 = 2.0 / (math.pi * math.sqrt(3.0))


@dataclass(frozen=True, slots=True, eq=False)
class EyeSeen:
    """What other scans say of the segments of an eye.

    Attributes
    ----------
    centre_us, spread_us : ndarray of float64, (n_segments,)
        Delay through each segment, and how far a scan of this sitting lies from it, µs; NaN where
        nothing is said.

    Examples
    --------
    >>> import numpy as np
    >>> EyeSeen(np.array([21.6]), np.array([0.04])).centre_us.size
    1
    """

    centre_us: Float64
    spread_us: Float64

    def leg(self, before: int, k: int) -> tuple[float, float]:
        """Delay from interface ``before`` to ``k`` and its spread, µs; NaN where not all is known.

        Parameters
        ----------
        before, k : int

        Returns
        -------
        delay_us, spread_us : float
        """
        part = slice(before, k)
        spread_us = math.sqrt(float((self.spread_us[part] ** 2).sum()))
        return float(self.centre_us[part].sum()), spread_us


@dataclass(frozen=True, slots=True, eq=False)
class SittingPath:
    """The path that the sitting proposes for a scan.

    Attributes
    ----------
    candidate : ndarray of int32, (n_interfaces,)
        Column of the scan's candidates; -1 for none.
    delay_us : ndarray of float64, (n_interfaces,)
        Of these candidates; NaN for none.
    margin : ndarray of float64, (n_interfaces,)
        How far each choice leads, nats, with what the sitting says.
    lead_nats : float
        Natural logarithm of how much more probable the path is than the one taken alone.
    loss_nats : float
        How much less likely it is in itself.

    Examples
    --------
    >>> import numpy as np
    >>> path = SittingPath(np.int32([0, 2]), np.array([10.0, 33.0]), np.ones(2), 4.2, 1.1)
    >>> path.lead_nats > LEAST_LEAD_NATS
    True
    """

    candidate: NDArray[np.int32]
    delay_us: Float64
    margin: Float64
    lead_nats: float
    loss_nats: float

    @classmethod
    def as_measured(cls, delay_us: Float64) -> SittingPath:
        """The path of a scan that was corrected before.

        Parameters
        ----------
        delay_us : ndarray of float64, (n_interfaces,)
            Its picks, µs; NaN for none.

        Returns
        -------
        SittingPath
            Of which nothing but the picks is known.
        """
        taken = np.where(np.isfinite(delay_us), 0, -1).astype(np.int32)
        unknown = np.full(delay_us.size, np.nan)
        return cls(taken, np.asarray(delay_us), unknown, math.nan, math.nan)

    def choice(self, candidates: Candidates) -> Choice:
        """The path among the candidates of the scan, whichever engine found them.

        Parameters
        ----------
        candidates : Candidates
            Of the one scan.

        Returns
        -------
        Choice
        """
        found = self.candidate[None] >= 0
        at = candidates.delay_us[:, : max(1, int(candidates.count[0]))]
        nearest = np.abs(at[0] - np.nan_to_num(self.delay_us)[:, None]).argmin(axis=1)
        return Choice(
            np.where(found, nearest, -1).astype(np.int32),
            np.where(found, int(PickReason.FOUND), int(PickReason.LEFT_OUT)).astype(np.uint8),
            self.margin[None].copy(),
        )


def path_of_the_sitting(
    candidates: Candidates,
    plan: ChoicePlan,
    seen: EyeSeen,
    *,
    beside: Sequence[EyeSeen] = (),
    least_lead_nats: float = LEAST_LEAD_NATS,
) -> SittingPath | None:
    """The path of one scan that agrees with its sitting, where that is the one to take.

    Parameters
    ----------
    candidates : Candidates
        Of the one scan.
    plan : ChoicePlan
        Of its choice alone.
    seen : EyeSeen
        What the other scans of the sitting say: segments of which nothing is said need not agree.
    beside : sequence of EyeSeen
        What else is known of the eye: other sittings of it, the other eye. It is weighed, but need
        not be agreed with.
    least_lead_nats : float

    Returns
    -------
    SittingPath or None
        None where the scan keeps its own path.

    Notes
    -----
    The posterior rule: with S the joint score of a path in the scan alone, and for each leg x of it
    the ratio r(x) = (1 - e) t(x) / g(x) + e of its density among rightly picked scans of the
    sitting (Student's t with 3 degrees of freedom about their middle, e = 0.05 for strays) to the
    published one, a path is kept where S + sum ln r exceeds that of the scan's own path by
    ln 20. It must agree in all segments of which something is said, and lose no interface.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.choice_plan import choice_plan
    >>> from echotrace.signal.gates import preset_gates
    >>> from echotrace.target import eye_target
    >>> at = np.array([[10.0, 10.67, 14.65, 19.53, 38.0, 41.19]])  # one too many behind the lens
    >>> n, level = np.arange(6, dtype=np.int32)[None], np.full((1, 6), 60.0, np.float32)
    >>> echoes = Candidates(np.array([6], np.int32), 100 * n, at, level, level - 60, 0 * level)
    >>> eye = eye_target("phakic")
    >>> plan = choice_plan(preset_gates(eye, "immersion"), eye, jointly=True)
    >>> run_choice(plan, echoes)[0].tolist()
    [[0, 1, 2, 3, 5, -1]]
    >>> seen = EyeSeen(np.array([0.67, 3.98, 4.88, 18.47, np.nan]), np.full(5, 0.05))
    >>> path_of_the_sitting(echoes, plan, seen).candidate.tolist()
    [0, 1, 2, 3, 4, -1]
    """
    from echotrace.kernels import evidence as kernel

    (alone,), _ = run_choice(plan, candidates)
    (other,), (margin,) = run_choice(_held_to(plan, seen), candidates)
    # What lies behind the last segment of which something is said is no part of the length.
    said = np.flatnonzero(np.isfinite(seen.centre_us))
    if not said.size:
        return None
    ends = slice(0, int(said[-1]) + 2)
    changed = alone[ends] != other[ends]
    if not changed.any() or (changed & (plan.gate[ends, kernel.BINDS] != 0.0)).any():
        return None
    weigh = _Weigher(candidates, plan)
    at_us = weigh.delays(other)
    if (other[ends] < 0)[alone[ends] >= 0].any() or not _agree(np.diff(at_us), seen):
        return None
    loss = weigh.score(alone) - weigh.score(other)
    lead = -loss + sum(
        weigh.agreement(other, eye) - weigh.agreement(alone, eye) for eye in (seen, *beside)
    )
    if not lead >= least_lead_nats:
        return None
    margin = np.where(other != alone, np.minimum(margin, lead), margin)
    return SittingPath(other, at_us, np.where(np.isnan(at_us), np.nan, margin), lead, loss)


def _agree(through_us: Float64, seen: EyeSeen) -> bool:
    """Whether every segment of which something is said is as it is said to be."""
    said = np.isfinite(seen.centre_us)
    off = np.abs(through_us[said] - seen.centre_us[said])
    return bool((off <= AGREE_SPREADS * seen.spread_us[said]).all())


def _held_to(plan: ChoicePlan, seen: EyeSeen) -> ChoicePlan:
    """The plan with what the sitting says in place of what is published."""
    from echotrace.kernels import evidence as kernel

    pair = plan.pair.copy()
    for before in range(len(pair)):
        for k in range(before + 1, len(pair)):
            mean, spread = seen.leg(before, k)
            # The window of a binding gate stays what it is.
            if math.isnan(mean) or plan.gate[k, kernel.BINDS] != 0.0:
                continue
            reach = AGREE_SPREADS * spread
            pair[before, k, [kernel.PAIR_LOW_US, kernel.PAIR_HIGH_US]] = mean - reach, mean + reach
            pair[before, k, [kernel.PAIR_MEAN_US, kernel.PAIR_WEIGHT]] = mean, 0.5 / spread**2
    return plan._replace(pair=pair)


class _Weigher:
    """The joint score of paths through the echoes of one scan, as the kernels add it up."""

    def __init__(self, candidates: Candidates, plan: ChoicePlan) -> None:
        from echotrace.kernels import evidence as kernel

        n = int(candidates.count[0])
        self._plan, self._fixed = plan, not math.isnan(plan.first_us)
        self._at_us, self._level_db = candidates.delay_us[0, :n], candidates.level_db[0, :n]
        space = kernel.choice_space(plan.gate.shape[0], max(n, 1))
        kernel.weigh_evidence(
            plan.gate,
            self._fixed,
            plan.weight,
            n,
            candidates.delay_us[0],
            candidates.level_db[0],
            candidates.before_db[0],
            candidates.broadening[0],
            space,
        )
        self._own = space.table[kernel.OWN]

    def delays(self, path: NDArray[np.int32]) -> Float64:
        """Delay of each interface, µs; NaN where it is left out."""
        at = np.full(path.size, np.nan)
        at[path >= 0] = self._at_us[path[path >= 0]]
        if self._fixed:
            at[0] = self._plan.first_us
        return at

    def score(self, path: NDArray[np.int32]) -> float:
        """In the scan alone, nats."""
        from echotrace.kernels import evidence as kernel

        gate, pair, at = self._plan.gate, self._plan.pair, self.delays(path)
        taken = np.flatnonzero(np.isfinite(at)).tolist()
        if not taken:
            return -float(gate[0, kernel.TAIL])
        total = -float(gate[taken[-1], kernel.TAIL])
        if not self._fixed:
            total -= float(gate[taken[0], kernel.LEAD])
        total += sum(float(self._own[k, path[k]]) for k in taken if path[k] >= 0)
        for before, k in pairwise(taken):
            leg = pair[before, k]
            off = at[k] - at[before] - leg[kernel.PAIR_MEAN_US]
            total -= float(leg[kernel.PAIR_SKIP] + leg[kernel.PAIR_WEIGHT] * off**2)
            if gate[k, kernel.CLEAR_BEFORE] != 0.0 and path[before] >= 0:
                rival = self._rival(path[before], path[k])
                total -= float(self._plan.weight[kernel.ECHO_BETWEEN]) * rival
        return total

    def _rival(self, j: int, i: int) -> float:
        """How far an echo between two others rivals the lower of them, 0 to 1."""
        between = self._level_db[j + 1 : i]
        if not between.size:
            return 0.0
        lower = min(self._level_db[j], self._level_db[i])
        return float(np.clip((between.max() - lower + 6.0) / 12.0, 0.0, 1.0))

    def agreement(self, path: NDArray[np.int32], seen: EyeSeen) -> float:
        """What its legs gain, or lose, by what other scans say of the eye, nats."""
        from echotrace.kernels import evidence as kernel

        at, total = self.delays(path), 0.0
        for before, k in pairwise(np.flatnonzero(np.isfinite(at)).tolist()):
            centre, spread = seen.leg(before, k)
            stiffness = float(self._plan.pair[before, k, kernel.PAIR_WEIGHT])
            if math.isnan(centre) or stiffness == 0.0:
                continue
            through = float(at[k] - at[before])
            off = through - float(self._plan.pair[before, k, kernel.PAIR_MEAN_US])
            published = 0.5 * math.log(stiffness / math.pi) - stiffness * off**2
            z = (through - centre) / spread
            sitting = math.log((1.0 - _STRAY) * _T3 / spread) - 2.0 * math.log1p(z**2 / 3.0)
            total += float(np.logaddexp(sitting - published, math.log(_STRAY)))
        return total
