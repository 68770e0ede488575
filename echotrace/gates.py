"""Which echo is which interface: gates, candidates, and the choice among them.

A gate is a delay window with a threshold, in which one interface is looked for. Two choices are
offered: gate by gate, as instruments do, and jointly (:func:`choose_jointly`), where a published
prior of the segment lengths and the shape of each echo are weighed for all interfaces at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from echotrace.conditioning import Conditioned
from echotrace.errors import ParameterError
from echotrace.media import medium
from echotrace.picking import PickReason
from echotrace.recording import Method
from echotrace.target import Target

__all__ = [
    "Candidates",
    "Choice",
    "Gate",
    "JointWeights",
    "choose_in_gates",
    "choose_jointly",
    "find_echoes",
    "preset_gates",
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
        Largest sample in the matched envelope; only the first ``count`` of a row mean anything.
    delay_us : ndarray of float64, (n_traces, c)
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


def find_echoes(traces: Conditioned, *, threshold_db: float = 13.0) -> Candidates:
    """Find every echo of each trace that stands over the noise.

    Parameters
    ----------
    traces : Conditioned
    threshold_db : float
        Least height over the noise, dB. At 13 dB the matched noise of a whole trace passes it
        about once in a hundred traces.
    """
    from echotrace.kernels.echoes import find_candidates

    envelope = np.ascontiguousarray(traces.matched_envelope, np.float32)
    n = envelope.shape[0]
    threshold = (traces.matched_noise * 10.0 ** (threshold_db / 20.0)).astype(np.float32)
    count = np.zeros(n, np.int32)
    sample = np.zeros((n, _MAX_CANDIDATES), np.int32)
    value = np.zeros((n, _MAX_CANDIDATES), np.float32)
    before = np.zeros((n, _MAX_CANDIDATES), np.float32)
    width = traces.pulse.width_us / traces.step_us
    find_candidates(
        envelope,
        threshold,
        _DIP_RATIO,
        int(np.ceil(12.0 * width)),
        int(np.ceil(2.2 * width)),
        count,
        sample,
        value,
        before,
    )
    used = max(1, int(count.max(initial=1)))
    sample, value, before = sample[:, :used], value[:, :used], before[:, :used]
    noise = traces.matched_noise[:, None]
    with np.errstate(divide="ignore"):
        level_db = 20.0 * np.log10(value / noise)
        before_db = 20.0 * np.log10(before / noise)
    return Candidates(
        count,
        sample,
        traces.to_delay_us(sample.astype(np.float64)),
        level_db.astype(np.float32),
        before_db.astype(np.float32),
        _stretch(envelope, sample, traces),
    )


def _stretch(
    envelope: NDArray[np.float32], sample: NDArray[np.int32], traces: Conditioned
) -> NDArray[np.float32]:
    """Curvature of each candidate's peak against that of the pulse's own matched output.

    Read over half a width to either side, where noise matters little.
    """
    d = max(1, round(0.5 * traces.pulse.width_us / traces.step_us))
    k = np.clip(sample, d, envelope.shape[1] - 1 - d)
    rows = np.arange(envelope.shape[0])[:, None]
    tiny = np.finfo(np.float32).tiny
    logs = [np.log(np.maximum(envelope[rows, k + s], tiny)) for s in (-d, 0, d)]
    seen = 2.0 * logs[1] - logs[0] - logs[2]
    analytic = traces.pulse.analytic
    own = np.abs(np.correlate(analytic, analytic, mode="full"))
    if traces.rf is None:
        own = np.correlate(np.abs(analytic), np.abs(analytic), mode="full")
    middle = own.size // 2
    expected = 2.0 * np.log(own[middle]) - np.log(own[middle - d]) - np.log(own[middle + d])
    return np.asarray(np.log(np.maximum(seen, 0.02 * expected) / expected), np.float32)


@dataclass(frozen=True, slots=True)
class Choice:
    """Which candidate is which interface.

    Attributes
    ----------
    candidate : ndarray of int32, (n_traces, n_interfaces)
        Column of :class:`Candidates`, -1 for none.
    reason : ndarray of uint8, (n_traces, n_interfaces)
        A :class:`~echotrace.picking.PickReason`.
    margin : ndarray of float64, (n_traces, n_interfaces)
        How much better the choice is than the best one with another echo there, in nats of the
        joint score; NaN for gates searched one by one.
    """

    candidate: NDArray[np.int32]
    reason: NDArray[np.uint8]
    margin: NDArray[np.float64]


def _over_noise(candidates: Candidates, gate: Gate) -> NDArray[np.bool_]:
    """Candidates that stand over the noise by the gate's threshold."""
    real = np.arange(candidates.sample.shape[1]) < candidates.count[:, None]
    return np.asarray(real & (candidates.level_db >= gate.threshold_db), np.bool_)


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
    names = target.interface_names
    n = candidates.count.size
    chosen = np.full((n, len(names)), -1, np.int32)
    reason = np.full((n, len(names)), int(PickReason.NO_ECHO), np.uint8)
    at_us = np.full((n, len(names)), np.nan)
    if np.isfinite(first_us):
        at_us[:, 0] = first_us
        reason[:, 0] = int(PickReason.FOUND)
    rows = np.arange(n)
    for k, name in enumerate(names):
        gate = by_name.get(name)
        if gate is None or (k == 0 and np.isfinite(first_us)):
            continue
        origin = at_us[:, names.index(gate.relative_to)] if gate.relative_to else np.zeros(n)
        low, high = origin + gate.start_us, origin + gate.stop_us
        inside = (
            _over_noise(candidates, gate)
            & (candidates.delay_us >= low[:, None])
            & (candidates.delay_us <= high[:, None])
        )
        if gate.threshold_fraction > 0.0:
            level = np.where(inside, candidates.level_db, -np.inf)
            floor = level.max(axis=1, keepdims=True) + 20.0 * np.log10(gate.threshold_fraction)
            inside &= level >= floor
        if gate.select == "first":
            j = np.argmax(inside, axis=1)
        else:
            j = np.argmax(np.where(inside, candidates.level_db, -np.inf), axis=1)
        found = inside.any(axis=1)
        chosen[:, k] = np.where(found, j, -1)
        at_us[:, k] = np.where(found, candidates.delay_us[rows, j], np.nan)
        lost = np.where(
            np.isnan(origin), int(PickReason.REFERENCE_MISSING), int(PickReason.NO_ECHO)
        )
        reason[:, k] = np.where(found, int(PickReason.FOUND), lost)
    return Choice(chosen, reason, np.full((n, len(names)), np.nan))


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
        Cost of each echo just before one that should be the first to rise.
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
    height_limit: float = 3.0
    shape: float = 0.5
    quiet_rise: float = 3.0
    earlier_echo: float = 3.0
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
    from echotrace.kernels.echoes import choose_constellation

    weights = weights or JointWeights()
    by_name = _check_gates(gates, target)
    names = target.interface_names
    n, c = candidates.sample.shape
    q = len(names)
    emission = np.full((n, q, c), -np.inf)
    gate_low, gate_high = np.full(q, np.nan), np.full(q, np.nan)
    shape_cost = np.minimum(weights.shape * candidates.stretch.astype(np.float64) ** 2, 2.0)
    for k, item in enumerate(target.interfaces):
        gate = by_name.get(item.name)
        if gate is None:
            continue
        over = (candidates.level_db - gate.threshold_db) / 10.0
        height = np.clip(weights.per_10_db * over, 0.0, weights.height_limit)
        evidence = height - shape_cost
        if item.first_rise:
            evidence = evidence + _first_rise(candidates, target, k, weights)
        emission[:, k] = np.where(_over_noise(candidates, gate), evidence, -np.inf)
        if not gate.relative_to:
            gate_low[k], gate_high[k] = gate.start_us, gate.stop_us
    to_us = [2e3 / s.medium.speed_m_per_s for s in target.segments]
    low = np.array([s.range_mm[0] * f for s, f in zip(target.segments, to_us, strict=True)])
    high = np.array([s.range_mm[1] * f for s, f in zip(target.segments, to_us, strict=True)])
    mean = np.array([s.mean_mm * f for s, f in zip(target.segments, to_us, strict=True)])
    var = np.array([(s.sd_mm * f) ** 2 for s, f in zip(target.segments, to_us, strict=True)])
    skip = np.array(
        [weights.missing_optional if i.optional else weights.missing for i in target.interfaces]
    )
    chosen = np.empty((n, q), np.int32)
    margin = np.empty((n, q))
    choose_constellation(
        candidates.count,
        candidates.delay_us,
        emission,
        gate_low,
        gate_high,
        low,
        high,
        mean,
        var,
        skip,
        weights.outside_gate,
        weights.prior,
        float(first_us),
        chosen,
        margin,
    )
    looked_for = np.array([name in by_name for name in names])
    reason = np.where(
        chosen >= 0,
        int(PickReason.FOUND),
        np.where(looked_for, int(PickReason.LEFT_OUT), int(PickReason.NO_ECHO)),
    )
    # The known first interface is candidate number c: found, but no echo of the trace.
    chosen[chosen == c] = -1
    return Choice(chosen, reason.astype(np.uint8), margin)


def _first_rise(
    candidates: Candidates, target: Target, k: int, weights: JointWeights
) -> NDArray[np.float64]:
    """Evidence that an echo is the first of a wall: silence before it, no echo just before it."""
    silence = np.clip(1.0 - (candidates.before_db - 13.0) / 12.0, 0.0, 1.0)
    reach_us = 0.0
    if k < len(target.segments):
        wall = target.segments[k]
        reach_us = two_way_us(wall.range_mm[1], wall.medium.speed_m_per_s)
    delay = candidates.delay_us
    real = np.arange(delay.shape[1]) < candidates.count[:, None]
    padded = np.where(real, delay, np.inf)
    earlier = np.empty(delay.shape)
    for j in range(delay.shape[1]):
        near = (padded < delay[:, j : j + 1]) & (padded > delay[:, j : j + 1] - reach_us)
        earlier[:, j] = near.sum(axis=1)
    return np.asarray(
        weights.quiet_rise * silence - weights.earlier_echo * np.minimum(earlier, 2.0)
    )
