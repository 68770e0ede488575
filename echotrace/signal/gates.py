"""Which echo is which interface: gates, candidates, and the choice among them.

A gate is a delay window with a threshold, in which one interface is looked for. Two choices are
offered: gate by gate, as instruments do, and jointly (:func:`choose_jointly`), where a published
prior of the segment lengths and the shape of each echo are weighed for all interfaces at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.media import medium
from echotrace.recording import Method, Signal
from echotrace.signal.conditioning import Conditioned
from echotrace.signal.picking import PickReason
from echotrace.signal.pulse import Pulse
from echotrace.target import Target

if TYPE_CHECKING:
    from echotrace.kernels.echoes import ChoicePlan, SearchPlan

__all__ = [
    "Candidates",
    "Choice",
    "Gate",
    "JointWeights",
    "choice_plan",
    "choose_in_gates",
    "choose_jointly",
    "empty_candidates",
    "find_echoes",
    "preset_gates",
    "search_plan",
    "two_way_us",
]

_MAX_CANDIDATES = 160
Select = Literal["largest", "first"]


def two_way_us(length_mm: float, speed_m_per_s: float) -> float:
    """Two-way delay through a length, µs."""
    return 2e3 * length_mm / speed_m_per_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """A delay window in which one interface is looked for.

    Attributes
    ----------
    interface : str
    start_us, stop_us : float
        Window, µs: after delay zero, or after the pick of ``relative_to``.
    relative_to : str
        Interface whose pick the window follows; empty for a fixed window.
    threshold_db : float
        Least height of an echo over the noise (standard deviation of one quadrature of the
        matched output), dB.
    threshold_fraction : float
        Least height as a fraction of the largest echo in the gate. Only where gates are searched
        one by one: the joint choice weighs height and the silence before an echo instead.
    select : {"largest", "first"}
        Which echo over the threshold is taken when gates are searched one by one.
    """

    interface: str
    start_us: float
    stop_us: float
    relative_to: str = ""
    threshold_db: float = 13.0
    threshold_fraction: float = 0.0
    select: Select = "largest"

    def __post_init__(self) -> None:
        where = f"gate {self.interface!r}"
        if not self.start_us < self.stop_us:
            raise ParameterError(
                f"{where}: stop_us={self.stop_us:g} must be more than start_us={self.start_us:g}"
            )
        if self.relative_to == self.interface:
            raise ParameterError(f"{where}: relative_to must name another interface")
        if not 6.0 <= self.threshold_db <= 80.0:
            raise ParameterError(
                f"{where}: threshold_db={self.threshold_db:g} must lie between 6 and 80 dB over "
                "the noise"
            )
        if not 0.0 <= self.threshold_fraction < 1.0:
            raise ParameterError(
                f"{where}: threshold_fraction={self.threshold_fraction:g} must lie between 0 and 1"
            )
        if self.select not in ("largest", "first"):
            raise ParameterError(f"{where}: select={self.select!r}: use 'largest' or 'first'")


# Bath in front of the eye in immersion: the probe stands 2.5 to 20 mm off the cornea (common
# practice, no source).
_BATH_MM = (2.5, 20.0)


def preset_gates(target: Target, method: str) -> tuple[Gate, ...]:
    """Gates from the published ranges of the target's segments.

    Parameters
    ----------
    target : Target
    method : {"contact", "immersion", "other"}
        In contact the first interface lies at the probe's face and has no gate, nor has the back
        of the cornea, which the ring-down hides. In immersion the first gate covers the bath. For
        ``other`` the first gate is left to the user and the rest follow it.

    Returns
    -------
    tuple of Gate
        In the order of the target's interfaces; each follows the last interface before it that
        must be there.
    """
    gates: list[Gate] = []
    names = target.interface_names
    if method == Method.IMMERSION:
        speed = medium("saline").speed_at(30.0)
        low, high = _BATH_MM
        gates.append(
            Gate(
                interface=names[0],
                start_us=round(two_way_us(low, speed), 3),
                stop_us=round(two_way_us(high, speed), 3),
            )
        )
    reference = 0
    for k in range(1, len(names)):
        item = target.interfaces[k]
        between = target.segments[reference:k]
        low_us = sum(two_way_us(s.range_mm[0], s.medium.speed_m_per_s) for s in between)
        high_us = sum(two_way_us(s.range_mm[1], s.medium.speed_m_per_s) for s in between)
        hidden = method == Method.CONTACT and k == 1 and item.optional
        if not hidden:
            gates.append(
                Gate(
                    interface=item.name,
                    start_us=round(low_us, 3),
                    stop_us=round(high_us, 3),
                    relative_to=names[reference],
                    threshold_fraction=0.03 if item.first_rise else 0.0,
                    select="first" if item.first_rise else "largest",
                )
            )
        if not item.optional:
            reference = k
    return tuple(gates)


@dataclass(frozen=True, slots=True)
class Candidates:
    """Echoes that stand out of each trace, in order of delay.

    Attributes
    ----------
    count : ndarray of int32, (n_traces,)
    sample : ndarray of int32, (n_traces, c)
        Sample nearest to the peak in the matched envelope; only the first ``count`` of a row mean
        anything.
    delay_us : ndarray of float64, (n_traces, c)
        Of the peak, as seen on the grid of :attr:`~echotrace.signal.pulse.Pulse.grid_stride`.
    level_db : ndarray of float32, (n_traces, c)
        Height over the noise, dB.
    before_db : ndarray of float32, (n_traces, c)
        Largest envelope in the microsecond or so before the echo, over the noise, dB.
    stretch : ndarray of float32, (n_traces, c)
        Natural logarithm of the echo's curvature over that of an undistorted echo: zero for the
        pulse's own shape, negative for a drawn-out echo, positive for a spike.
    """

    count: NDArray[np.int32]
    sample: NDArray[np.int32]
    delay_us: NDArray[np.float64]
    level_db: NDArray[np.float32]
    before_db: NDArray[np.float32]
    stretch: NDArray[np.float32]


# A dip of 2 dB parts two echoes; ripples on one flank are shallower.
_DIP_RATIO = 0.8


def search_plan(
    pulse: Pulse, signal: Signal, start_delay_us: float, threshold_db: float
) -> SearchPlan:
    """How echoes are looked for, for the kernels."""
    from echotrace.kernels.echoes import SearchPlan

    stride = pulse.grid_stride
    width = pulse.width_us * pulse.sampling_rate_hz * 1e-6 / stride
    # The curvature of a peak is read over half a width to either side, where noise matters little.
    arm = max(1, round(0.5 * width))
    analytic = pulse.analytic if signal == Signal.RF else np.abs(pulse.analytic)
    own = np.abs(np.correlate(analytic, analytic, mode="full"))
    middle, d = own.size // 2, arm * stride
    expected = 2.0 * np.log(own[middle]) - np.log(own[middle - d]) - np.log(own[middle + d])
    return SearchPlan(
        stride=stride,
        dip_ratio=np.float32(_DIP_RATIO),
        threshold_ratio=float(10.0 ** (threshold_db / 20.0)),
        far=int(np.ceil(12.0 * width)),
        near=int(np.ceil(2.2 * width)),
        arm=arm,
        curvature=float(expected),
        start_us=float(start_delay_us),
        step_us=1e6 / pulse.sampling_rate_hz,
    )


def find_echoes(traces: Conditioned, *, threshold_db: float = 13.0) -> Candidates:
    """Find every echo of each trace that stands over the noise.

    Parameters
    ----------
    traces : Conditioned
    threshold_db : float
        Least height over the noise, dB. At 13 dB the matched noise of a whole trace passes it
        about once in a hundred traces.
    """
    from echotrace.kernels.echoes import find_rows

    signal = Signal.ENVELOPE if traces.rf is None else Signal.RF
    plan = search_plan(traces.pulse, signal, traces.start_delay_us, threshold_db)
    grid = np.ascontiguousarray(traces.matched_envelope[:, :: plan.stride], np.float32)
    found = empty_candidates(grid.shape[0])
    find_rows(
        plan,
        grid,
        traces.matched_noise,
        found.count,
        found.sample,
        found.delay_us,
        found.level_db,
        found.before_db,
        found.stretch,
    )
    used = max(1, int(found.count.max(initial=1)))
    return Candidates(
        found.count,
        *(
            np.ascontiguousarray(getattr(found, name)[:, :used])
            for name in ("sample", "delay_us", "level_db", "before_db", "stretch")
        ),
    )


def empty_candidates(n_traces: int) -> Candidates:
    """Room for the echoes of some traces."""
    shape = (n_traces, _MAX_CANDIDATES)
    return Candidates(
        np.empty(n_traces, np.int32),
        np.empty(shape, np.int32),
        np.empty(shape),
        *(np.empty(shape, np.float32) for _ in range(3)),
    )


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
        joint score; NaN for gates searched one by one.
    """

    candidate: NDArray[np.int32]
    reason: NDArray[np.uint8]
    margin: NDArray[np.float64]


def _check_gates(gates: Sequence[Gate], target: Target) -> dict[str, Gate]:
    by_name: dict[str, Gate] = {}
    for gate in gates:
        k = target.index(gate.interface)
        if gate.interface in by_name:
            raise ParameterError(f"gate {gate.interface!r} is given twice")
        if gate.relative_to and target.index(gate.relative_to) >= k:
            raise ParameterError(
                f"gate {gate.interface!r}: relative_to={gate.relative_to!r} must come before it "
                "on the beam"
            )
        by_name[gate.interface] = gate
    return by_name


def choose_in_gates(
    candidates: Candidates,
    gates: Sequence[Gate],
    target: Target,
    *,
    first_us: float = np.nan,
) -> Choice:
    """Search the gates one by one, in beam order.

    Parameters
    ----------
    candidates : Candidates
    gates : sequence of Gate
        An interface without a gate is not looked for.
    target : Target
    first_us : float
        Known delay of the first interface, µs (contact); NaN where it is looked for.
    """
    by_name = _check_gates(gates, target)
    plan = choice_plan(gates, target, jointly=False, first_us=first_us)
    chosen, margin = _choose(plan, candidates)
    reason = np.where(chosen >= 0, int(PickReason.FOUND), int(PickReason.NO_ECHO))
    fixed = bool(np.isfinite(first_us))
    for k, gate in enumerate(by_name.get(name) for name in target.interface_names):
        back = target.index(gate.relative_to) if gate is not None and gate.relative_to else -1
        if back >= 0 and not (back == 0 and fixed):
            reason[chosen[:, back] < 0, k] = int(PickReason.REFERENCE_MISSING)
    if fixed:
        reason[:, 0] = int(PickReason.FOUND)
    return Choice(chosen, reason.astype(np.uint8), margin)


def _choose(
    plan: ChoicePlan, candidates: Candidates
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    from echotrace.kernels.echoes import choose_rows

    shape = (candidates.count.size, plan.gate.shape[0])
    chosen, margin = np.empty(shape, np.int32), np.empty(shape)
    choose_rows(
        plan,
        candidates.count,
        candidates.delay_us,
        candidates.level_db,
        candidates.before_db,
        candidates.stretch,
        chosen,
        margin,
    )
    return chosen, margin


@dataclass(frozen=True, slots=True, kw_only=True)
class JointWeights:
    """How evidence is weighed in the joint choice, in nats of log likelihood.

    The values are round numbers chosen on synthetic traces, none of them sharp.

    Attributes
    ----------
    per_10_db : float
        For each 10 dB that an echo stands over its threshold…
    height_limit : float
        …up to this: a reverberation must not win by sheer size.
    shape : float
        Cost of a stretch by a factor e in curvature, up to twice as much.
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
        Cost of an echo outside a fixed gate.
    prior : float
        Weight of the published segment lengths.
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


def choose_jointly(
    candidates: Candidates,
    gates: Sequence[Gate],
    target: Target,
    *,
    first_us: float = np.nan,
    weights: JointWeights | None = None,
) -> Choice:
    """Choose all interfaces at once.

    Dynamic programming over (interface, candidate) maximises the sum of each chosen echo's
    evidence (height over its threshold, shape, rise out of silence), the normal log prior of each
    segment's delay, and costs for interfaces left out. Segment ranges of the target are hard
    limits; a fixed gate is a preference that strong evidence overrules.

    Parameters
    ----------
    candidates : Candidates
    gates : sequence of Gate
        An interface without a gate is not looked for.
    target : Target
    first_us : float
        Known delay of the first interface, µs (contact); NaN where it is looked for.
    weights : JointWeights, optional
    """
    plan = choice_plan(gates, target, jointly=True, first_us=first_us, weights=weights)
    chosen, margin = _choose(plan, candidates)
    given = {gate.interface for gate in gates}
    looked_for = np.array([name in given for name in target.interface_names])
    missed = np.where(looked_for, int(PickReason.LEFT_OUT), int(PickReason.NO_ECHO))
    reason = np.where(chosen >= 0, int(PickReason.FOUND), missed).astype(np.uint8)
    if np.isfinite(first_us):
        reason[:, 0] = int(PickReason.FOUND)
    return Choice(chosen, reason, margin)


def choice_plan(
    gates: Sequence[Gate],
    target: Target,
    *,
    jointly: bool,
    first_us: float = np.nan,
    weights: JointWeights | None = None,
) -> ChoicePlan:
    """Gates, priors and weights as arrays, for the kernels."""
    from echotrace.kernels import echoes

    weights = weights or JointWeights()
    by_name = _check_gates(gates, target)
    names = target.interface_names
    q = len(names)
    skip = [weights.missing_optional if i.optional else weights.missing for i in target.interfaces]
    table = np.zeros((q, echoes.GATE_COLUMNS))
    table[:, echoes.THRESHOLD_DB] = np.inf
    table[:, echoes.FRACTION_DB] = -np.inf
    table[:, echoes.RELATIVE_TO] = -1
    table[:, echoes.LEAD] = np.cumsum([0.0, *skip[:-1]])
    walls = [k for k, item in enumerate(target.interfaces) if item.first_rise]
    last_clear = min(walls, default=q) - 1
    for k, item in enumerate(target.interfaces):
        row = table[k]
        row[echoes.FIRST_RISE] = item.first_rise
        # Behind the lens, repeats of the bath and bounces of an implant may be taller.
        row[echoes.CLEAR_BEFORE] = target.anatomy and k <= last_clear
        row[echoes.TAIL] = sum(skip[k + 1 :])
        if k < len(target.segments):
            wall = target.segments[k]
            row[echoes.WALL_US] = two_way_us(wall.range_mm[1], wall.medium.speed_m_per_s)
        gate = by_name.get(item.name)
        if gate is None:
            continue
        row[echoes.LOOKED_FOR] = 1
        row[echoes.THRESHOLD_DB] = gate.threshold_db
        row[echoes.LOW_US], row[echoes.HIGH_US] = gate.start_us, gate.stop_us
        row[echoes.TAKE_FIRST] = gate.select == "first"
        if gate.threshold_fraction:
            row[echoes.FRACTION_DB] = 20.0 * np.log10(gate.threshold_fraction)
        if gate.relative_to:
            row[echoes.RELATIVE_TO] = names.index(gate.relative_to)
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
            stiffness = 0.5 * weights.prior / variance
            pair[before, k] = low, high, mean, stiffness, sum(skip[before + 1 : k])
    # The delay zero of an eye's traces is the probe's face: nothing of the eye comes before it,
    # and the retina not before the shortest eye's. A target of another kind may begin anywhere.
    table[:, echoes.EARLIEST_US] = pair[0, :, echoes.PAIR_LOW_US] if target.anatomy else -np.inf
    weight = [
        weights.per_10_db,
        weights.height_limit,
        weights.shape,
        weights.quiet_rise,
        weights.earlier_echo,
        weights.outside_gate,
        weights.wall_step,
        weights.leading_echo,
        weights.echo_between,
    ]
    return echoes.ChoicePlan(jointly, float(first_us), table, pair, np.array(weight))
