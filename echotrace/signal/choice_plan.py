"""The choice among candidates as a plan of arrays, and its result."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.signal.candidates import Candidates
from echotrace.signal.gates import Gate, check_gates, two_way_us
from echotrace.target import Target

if TYPE_CHECKING:
    from echotrace.kernels.evidence import ChoicePlan

__all__ = ["Choice", "JointChoiceSettings", "choice_plan", "run_choice"]


@dataclass(frozen=True, slots=True)
class Choice:
    """Which candidate is which interface.

    Attributes
    ----------
    candidate : ndarray of int32, (n_traces, n_interfaces)
        Column of :class:`Candidates`, -1 for none.
    reason : ndarray of uint8, (n_traces, n_interfaces)
        A :class:`~echotrace.signal.picking.PickReason`.
    margin : ndarray of float64, (n_traces, n_interfaces)
        How much better the choice is than the best one with another echo there, in nats of the
        joint score; below zero, for gates searched one by one, where it is worse.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.choice_plan import Choice
    >>> from echotrace.signal.picking import PickReason
    >>> chosen, reason = np.array([[0, -1]], np.int32), np.array([[0, 1]], np.uint8)
    >>> choice = Choice(chosen, reason, np.ones((1, 2)))
    >>> PickReason(int(choice.reason[0, 1])).name
    'NO_ECHO'
    """

    candidate: NDArray[np.int32]
    reason: NDArray[np.uint8]
    margin: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class JointChoiceSettings:
    """How evidence is weighed in the joint choice, in nats of log likelihood.

    The values are round numbers chosen on synthetic traces, none of them sharp.

    Attributes
    ----------
    per_10_db : float
        For each 10 dB that an echo stands over its threshold…
    height_limit : float
        …up to this: a reverberation must not win by sheer size.
    shape : float
        Cost of a broadening by a factor e in curvature, up to twice as much.
    quiet_rise : float
        For an echo that should be the first to rise and does so out of silence.
    earlier_echo : float
        Cost of each echo of like height just before one that should be the first to rise.
    wall_step : float
        For each 10 dB by which the energy rises at an echo where a wall should begin, up to 40.
    leading_echo : float
        Cost of each echo of like height in front of the first interface.
    echo_between : float
        Cost of an echo between two chosen ones, up to the lens, that is taller than either.
    missing : float
        Cost of leaving out an interface that must be there.
    missing_optional : float
        Cost of leaving out one that need not.
    outside_gate : float
        Cost of an echo outside a fixed gate of the presets; a gate of the user's binds.
    prior : float
        Weight of the published segment lengths.

    Raises
    ------
    ParameterError
        A weight below zero or above 1000.

    Examples
    --------
    >>> from echotrace.signal.choice_plan import JointChoiceSettings
    >>> JointChoiceSettings(missing=8.0).missing
    8.0
    """

    per_10_db: float = 1.0
    height_limit: float = 4.5
    shape: float = 0.5
    quiet_rise: float = 3.0
    earlier_echo: float = 3.0
    wall_step: float = 1.5
    leading_echo: float = 1.5
    echo_between: float = 2.0
    missing: float = 6.0
    missing_optional: float = 0.5
    outside_gate: float = 2.0
    prior: float = 1.0

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if not 0.0 <= value <= 1000.0:
                raise ParameterError(f"joint weight {name}={value!r} must be zero or more")


def choice_plan(
    gates: Sequence[Gate],
    target: Target,
    *,
    jointly: bool,
    first_us: float = np.nan,
    settings: JointChoiceSettings | None = None,
    threshold_db: float = 13.0,
) -> ChoicePlan:
    """Gates, priors and weights as arrays, for the kernels.

    Parameters
    ----------
    gates : sequence of Gate
        An interface without a gate is not looked for.
    target : Target
    jointly : bool
        Or gate by gate.
    first_us : float
        Known delay of the first interface, µs (contact); NaN where it is looked for.
    settings : JointChoiceSettings, optional
    threshold_db : float
        Of gates that have none of their own, dB over the noise.

    Returns
    -------
    ChoicePlan

    Raises
    ------
    ParameterError
        As :func:`~echotrace.signal.gates.check_gates`.

    Examples
    --------
    >>> from echotrace.signal.choice_plan import choice_plan
    >>> from echotrace.signal.gates import preset_gates
    >>> from echotrace.target import eye_target
    >>> eye = eye_target("phakic")
    >>> choice_plan(preset_gates(eye, "immersion"), eye, jointly=True).gate.shape
    (6, 14)
    """
    from echotrace.kernels import evidence as kernel

    settings = settings or JointChoiceSettings()
    by_name = check_gates(gates, target)
    names = target.interface_names
    q = len(names)
    skip = [
        settings.missing_optional if i.optional else settings.missing for i in target.interfaces
    ]
    table = np.zeros((q, kernel.GATE_COLUMNS))
    table[:, kernel.THRESHOLD_DB] = np.inf
    table[:, kernel.FRACTION_DB] = -np.inf
    table[:, kernel.RELATIVE_TO] = -1
    table[:, kernel.LEAD] = np.cumsum([0.0, *skip[:-1]])
    walls = [k for k, item in enumerate(target.interfaces) if item.first_rise]
    last_clear = min(walls, default=q) - 1
    for k, item in enumerate(target.interfaces):
        row = table[k]
        row[kernel.FIRST_RISE] = item.first_rise
        # Behind the lens, repeats of the bath and bounces of an implant may be taller. Where
        # nothing is known of a thickness, the first of a train is the wall, not its repeat.
        unknown = k > 0 and np.isinf(target.segments[k - 1].sd_mm)
        row[kernel.CLEAR_BEFORE] = (target.anatomy and k <= last_clear) or unknown
        row[kernel.TAIL] = sum(skip[k + 1 :])
        if k < len(target.segments):
            wall = target.segments[k]
            row[kernel.WALL_US] = two_way_us(wall.range_mm[1], wall.medium.speed_m_per_s)
        gate = by_name.get(item.name)
        if gate is None:
            continue
        row[kernel.LOOKED_FOR] = 1
        row[kernel.THRESHOLD_DB] = threshold_db if gate.threshold_db is None else gate.threshold_db
        row[kernel.LOW_US], row[kernel.HIGH_US] = gate.start_us, gate.stop_us
        row[kernel.BINDS] = not gate.preset
        row[kernel.TAKE_FIRST] = gate.select == "first"
        if gate.threshold_fraction:
            row[kernel.FRACTION_DB] = 20.0 * np.log10(gate.threshold_fraction)
        if gate.relative_to:
            row[kernel.RELATIVE_TO] = names.index(gate.relative_to)
        if not gate.preset and row[kernel.RELATIVE_TO] == 0 and np.isfinite(first_us):
            row[kernel.RELATIVE_TO] = -1
            row[[kernel.LOW_US, kernel.HIGH_US]] += first_us
    pair = np.zeros((q, q, 5))
    for before in range(q):
        low = high = mean = variance = 0.0
        for k in range(before + 1, q):
            segment = target.segments[k - 1]
            us_per_mm = two_way_us(1.0, segment.medium.speed_m_per_s)
            low += segment.range_mm[0] * us_per_mm
            high += segment.range_mm[1] * us_per_mm
            mean += segment.mean_mm * us_per_mm
            variance += (segment.sd_mm * us_per_mm) ** 2
            stiffness = 0.5 * settings.prior / variance
            pair[before, k] = low, high, mean, stiffness, sum(skip[before + 1 : k])
    # The delay zero of an eye's traces is the probe's face: nothing of the eye comes before it,
    # and the retina not before the shortest eye's. A target of another kind may begin anywhere.
    table[:, kernel.EARLIEST_US] = pair[0, :, kernel.PAIR_LOW_US] if target.anatomy else -np.inf
    for k in map(int, np.flatnonzero(table[:, kernel.BINDS])):
        # The window of a binding gate takes the place of all that is published.
        table[k, kernel.EARLIEST_US] = -np.inf
        pair[:k, k, : kernel.PAIR_SKIP] = 0.0, np.inf, 0.0, 0.0
        back = int(table[k, kernel.RELATIVE_TO])
        if back >= 0:
            # Without the pick it is given behind it cannot be chosen at all.
            table[k, kernel.LEAD] = pair[:back, k, kernel.PAIR_LOW_US] = np.inf
            pair[back, k, : kernel.PAIR_MEAN_US] = table[k, [kernel.LOW_US, kernel.HIGH_US]]
    weight = [
        settings.per_10_db,
        settings.height_limit,
        settings.shape,
        settings.quiet_rise,
        settings.earlier_echo,
        settings.outside_gate,
        settings.wall_step,
        settings.leading_echo,
        settings.echo_between,
    ]
    return kernel.ChoicePlan(jointly, float(first_us), table, pair, np.array(weight))


def run_choice(
    plan: ChoicePlan, candidates: Candidates
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Choose in every trace.

    Parameters
    ----------
    plan : ChoicePlan
    candidates : Candidates

    Returns
    -------
    chosen : ndarray of int32, (n_traces, n_interfaces)
    margin : ndarray of float64, (n_traces, n_interfaces)

    Examples
    --------
    >>> from echotrace.signal.candidates import empty_candidates
    >>> from echotrace.signal.choice_plan import choice_plan, run_choice
    >>> from echotrace.signal.gates import preset_gates
    >>> from echotrace.target import eye_target
    >>> eye, nothing = eye_target("phakic"), empty_candidates(1)
    >>> nothing.count[:] = 0
    >>> plan = choice_plan(preset_gates(eye, "immersion"), eye, jointly=True)
    >>> run_choice(plan, nothing)[0].tolist()
    [[-1, -1, -1, -1, -1, -1]]
    """
    from echotrace.kernels.choice import choose_rows

    shape = (candidates.count.size, plan.gate.shape[0])
    chosen, margin = np.empty(shape, np.int32), np.empty(shape)
    choose_rows(
        plan,
        candidates.count,
        candidates.delay_us,
        candidates.level_db,
        candidates.before_db,
        candidates.broadening,
        chosen,
        margin,
    )
    return chosen, margin
