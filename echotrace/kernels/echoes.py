"""Candidate echoes of a trace, and the choice among them, gate by gate or jointly.

Everything here works on one trace (``..._row``); the functions over many rows below are loops
around it, and the fused path calls the same rows.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from echotrace.kernels.extremes import largest
from echotrace.kernels.jit import filter_kernel, kernel

__all__ = [
    "NEPERS_PER_DB",
    "ChoicePlan",
    "ChoiceSpace",
    "SearchPlan",
    "choose_row",
    "choose_rows",
    "choice_space",
    "find_row",
    "find_rows",
    "find_space",
]

_TINY = np.finfo(np.float32).tiny
_DB = 20.0 / math.log(10.0)


class SearchPlan(NamedTuple):
    """How echoes are looked for on the grid of every ``stride``-th sample.

    Attributes
    ----------
    stride : int
    dip_ratio : float32
        An envelope that falls below this fraction of a maximum parts it from the next.
    threshold_ratio : float
        Least height over the noise.
    far, near : int
        The quiet window looked at before each maximum, grid points before it.
    arm : int
        Grid points on either side over which the curvature of a peak is read.
    curvature : float
        That of an undistorted echo.
    start_us, step_us : float
        Delay of the first sample, and time between samples.
    """

    stride: int
    dip_ratio: Any
    threshold_ratio: float
    far: int
    near: int
    arm: int
    curvature: float
    start_us: float
    step_us: float


# Columns of ChoicePlan.gate. Few wide arrays keep compiling several times shorter than many
# narrow ones.
LOOKED_FOR, THRESHOLD_DB, FRACTION_DB, LOW_US, HIGH_US = 0, 1, 2, 3, 4
RELATIVE_TO, TAKE_FIRST, FIRST_RISE, WALL_US, LEAD, TAIL = 5, 6, 7, 8, 9, 10
CLEAR_BEFORE, EARLIEST_US = 11, 12
GATE_COLUMNS = 13
# Entries of ChoicePlan.pair.
PAIR_LOW_US, PAIR_HIGH_US, PAIR_MEAN_US, PAIR_WEIGHT, PAIR_SKIP = 0, 1, 2, 3, 4
# Entries of ChoicePlan.weight.
PER_10_DB, HEIGHT_LIMIT, SHAPE, QUIET_RISE, EARLIER_ECHO, OUTSIDE_GATE = 0, 1, 2, 3, 4, 5
WALL_STEP, LEADING_ECHO, ECHO_BETWEEN = 6, 7, 8
# Where a wall begins the energy of a stretch behind, µs, stands over that of a stretch before; a
# step beyond the limit, dB, says no more.
_STEP_BEHIND_US, _STEP_BEFORE_US, _STEP_LIMIT_DB = 1.0, 3.0, 40.0
# Echoes are taken so many at a time.
_LANES = 16
# Energy from dB as a natural exponent.
NEPERS_PER_DB = 0.1 * math.log(10.0)


class ChoicePlan(NamedTuple):
    """Gates, priors and weights as arrays of float64; ``q`` interfaces.

    Attributes
    ----------
    jointly : bool
    first_us : float
        Known delay of the first interface, NaN where it is looked for.
    gate : (q, GATE_COLUMNS)
        Whether it is looked for; least level over the noise, and relative to the largest echo in
        the gate (-inf: none), dB; window, µs, after delay zero or the pick of interface
        ``RELATIVE_TO`` (-1: none); whether the first echo is taken; whether it rises out of
        silence, and how far before it no other echo should then stand, µs; cost of leaving out
        all interfaces before, and behind; whether no tall echo should stand between it and the one
        before; the delay before which it cannot lie, µs.
    pair : (q, q, 5)
        Of the delay from interface ``k_before`` to ``k``, at ``[k_before, k]``: range and
        prior mean, µs; half the prior's weight over its variance; cost of leaving out those
        between.
    weight : (9,)
        As named in :class:`echotrace.signal.gates.JointWeights`.
    """

    jointly: bool
    first_us: float
    gate: Any
    pair: Any
    weight: Any


@filter_kernel
def _all_below(bits, first, limit):
    """Whether sixteen values from ``first`` on lie below a limit, all as whole numbers."""
    k = np.uint64(first)
    signs = np.int32(-1)
    for i in range(np.uint64(16)):
        signs &= bits[k + i] - limit
    return signs < 0


@kernel
def _local_maxima(row, limit, turn, still):
    """Grid points of all local maxima over a limit; their number.

    ``still[n]`` becomes 1 where sixteen values in a row lie below the limit before maximum ``n``.
    """
    # Floats that are zero or more have the order of the whole numbers with the same bits.
    bits, limit_bits = row.view(np.int32), np.float32(limit).view(np.int32)
    n, k, m = 0, 1, row.size
    still[:] = 0
    while k < m - 1:
        stop = min(k + 16, m - 1)
        if stop == k + 16 and _all_below(bits, k, limit_bits):
            still[n] = 1
        else:
            # Written always, counted where it is one: nothing to foresee.
            for i in range(np.uint64(k), np.uint64(stop)):
                before, here, after = bits[i - np.uint64(1)], bits[i], bits[i + np.uint64(1)]
                turn[n] = i
                n += (here > before) & (here >= after) & (here >= limit_bits)
        k = stop
    return n


@kernel
def _maxima(row, threshold, dip_ratio, space, at):
    """Grid points of the local maxima that stand out; their number.

    Each is the tallest between two dips below ``dip_ratio`` of it, and over the threshold.
    """
    turn, still = space[0], space[1]
    # Below the dip under the threshold nothing matters but that the envelope was there.
    n = _local_maxima(row, dip_ratio * threshold, turn, still)
    found = 0
    high, high_at, low = row[0], 0, row[0]
    for i in range(n + 1):
        k = turn[i] if i < n else row.size
        if still[i]:
            low = np.float32(0.0)
        elif i < n or low >= dip_ratio * high:
            for x in row[(turn[i - 1] if i else 0) + 1 : k]:
                low = min(low, x)
        fell = low < dip_ratio * high
        top = row[k] if i < n else np.float32(np.inf)
        if fell and top * dip_ratio > low:
            if high >= threshold and high_at > 0 and found < at.size:
                at[found] = high_at
                found += 1
        elif fell or top <= high:
            continue
        high, high_at, low = top, k, top
    return found


@filter_kernel
def _ln(x):
    """Natural logarithm of a float32 above its smallest normal value, to a part in 10^7.

    Unlike the library's, the compiler can take many at a time. The area tangent's series of
    (m - 1) / (m + 1), for a mantissa within a factor of the root of two about one.
    """
    bits = np.float32(x).view(np.int32)
    exponent = (bits >> np.int32(23)) - np.int32(127)
    mantissa = np.int32((bits & np.int32(0x7FFFFF)) | np.int32(0x3F800000)).view(np.float32)
    high = mantissa > np.float32(1.4142135)
    mantissa = np.float32(0.5) * mantissa if high else mantissa
    whole = np.float32(exponent) + (np.float32(1.0) if high else np.float32(0.0))
    s = (mantissa - np.float32(1.0)) / (mantissa + np.float32(1.0))
    z = s * s
    series = np.float32(1 / 7) + z * np.float32(1 / 9)
    series = np.float32(1.0) + z * (np.float32(1 / 3) + z * (np.float32(1 / 5) + z * series))
    return whole * np.float32(0.6931472) + np.float32(2.0) * s * series


# Rows of the scratch of find_row.
_LEFT, _MIDDLE, _RIGHT, _BEFORE, _ARM_LEFT, _ARM_MIDDLE, _ARM_RIGHT, _OFFSET = range(8)


@kernel
def find_space(n_grid, n_candidates):
    """Scratch of :func:`find_row`: three rows of whole numbers, and those eight, of float32."""
    return np.zeros((3 + 8, max(n_grid, n_candidates)), np.int32)


@filter_kernel
def _describe(seen, per_noise, per_curvature, offset, level_db, before_db, stretch):
    """Parabola through the logarithm of each echo's peak, level before it, and its curvature."""
    left, middle, right, before = seen[_LEFT], seen[_MIDDLE], seen[_RIGHT], seen[_BEFORE]
    arm_left, arm_middle, arm_right = seen[_ARM_LEFT], seen[_ARM_MIDDLE], seen[_ARM_RIGHT]
    half, quarter, zero = np.float32(0.5), np.float32(0.25), np.float32(0.0)
    db, tiny = np.float32(_DB), np.float32(_TINY)
    for j in range(np.uint64(offset.size)):
        rise, fall = _ln(middle[j] / left[j]), _ln(middle[j] / right[j])
        tilt, bend = rise - fall, rise + fall
        at = min(half, max(-half, half * tilt / max(bend, tiny)))
        at = at if bend > zero else zero
        offset[j] = at
        level_db[j] = db * (_ln(middle[j] * per_noise) + quarter * tilt * at)
        quiet_db = db * _ln(max(before[j] * per_noise, tiny))
        before_db[j] = quiet_db if before[j] > zero else np.float32(-np.inf)
        arms = _ln((arm_middle[j] / arm_left[j]) * (arm_middle[j] / arm_right[j]))
        stretch[j] = _ln(max(arms * per_curvature, np.float32(0.02)))


@kernel
def find_row(plan, row, noise, space, sample, delay_us, level_db, before_db, stretch):
    """Find the echoes of one trace that stand out, and describe them.

    A maximum counts when it is over the threshold and the envelope falls below ``dip_ratio`` of
    it on both sides before it rises above it: ripples on the flank of an echo are no echoes. Its
    delay and height are those of the parabola through the logarithm of three grid points, exact
    for a Gaussian.

    Parameters
    ----------
    plan : SearchPlan
    row : (m,) float32
        Envelope on the grid.
    noise : float
    space : from :func:`find_space`
    sample : (c,) int32, out
    delay_us : (c,) float64, out
    level_db, before_db, stretch : (c,) float32, out
        See :class:`echotrace.signal.gates.Candidates`; what lies beyond the last echo means
        nothing.

    Returns
    -------
    int
        Number of echoes.
    """
    m, arm, at = row.size, plan.arm, space[2][: sample.size]
    found = _maxima(row, np.float32(noise * plan.threshold_ratio), plan.dip_ratio, space, at)
    seen = space[3:].view(np.float32)
    for j in range(found):
        g = at[j]
        k = min(max(g, arm), m - 1 - arm)
        first = max(0, g - plan.far)
        seen[_LEFT, j], seen[_MIDDLE, j] = max(row[g - 1], _TINY), max(row[g], _TINY)
        seen[_RIGHT, j] = max(row[g + 1], _TINY)
        seen[_ARM_LEFT, j] = max(row[k - arm], _TINY)
        seen[_ARM_MIDDLE, j] = max(row[k], _TINY)
        seen[_ARM_RIGHT, j] = max(row[k + arm], _TINY)
        seen[_BEFORE, j] = largest(row[first : max(first, g - plan.near)])
    n = min((found + _LANES - 1) // _LANES * _LANES, sample.size)
    seen[:, found:n] = np.float32(1.0)
    _describe(
        seen, np.float32(1.0 / noise), np.float32(1.0 / plan.curvature), seen[_OFFSET][:n],
        level_db, before_db, stretch,
    )  # fmt: skip
    for j in range(found):
        position = (at[j] + float(seen[_OFFSET, j])) * plan.stride
        sample[j] = int(np.rint(position))
        delay_us[j] = plan.start_us + position * plan.step_us
    return found


@kernel
def find_rows(plan, grid, noise, count, sample, delay_us, level_db, before_db, stretch):
    """:func:`find_row` for every row of ``grid`` (n, m)."""
    space = find_space(grid.shape[1], sample.shape[1])
    for i in range(grid.shape[0]):
        count[i] = find_row(
            plan, grid[i], noise[i], space, sample[i], delay_us[i], level_db[i], before_db[i],
            stretch[i],
        )  # fmt: skip


class ChoiceSpace(NamedTuple):
    """Scratch of :func:`choose_row`, of float32; ``c`` is a whole number of vector registers.

    Few arrays, for each costs time wherever it is handed over.

    Attributes
    ----------
    row : (4, c)
        Delays, µs, and levels, dB, of the candidates, with values at the end that lie beyond all;
        what the shape of each costs; its energy over the noise's.
    table : (3, q, c)
        Evidence; best score of a path that ends at (interface, candidate), and of what can follow.
    rival : (c, c)
        How far an echo between two candidates rivals the lower of them, 0 to 1.
    """

    row: Any
    table: Any
    rival: Any


_AT, _LEVEL, _SHAPE, _ENERGY = 0, 1, 2, 3
_OWN, _FORWARD, _BACKWARD = 0, 1, 2
_FAR_US, _LOW_DB = np.float32(1e6), np.float32(-1e3)
# No echo follows on itself.
_LEAST_US = 1e-6


@kernel
def choice_space(n_interfaces, n_candidates):
    """Scratch of :func:`choose_row`."""
    c = (n_candidates + _LANES - 1) // _LANES * _LANES
    return ChoiceSpace(
        np.zeros((4, c), np.float32),
        np.zeros((3, n_interfaces, c), np.float32),
        np.zeros((c, c), np.float32),
    )


@kernel
def _choose_in_gates(gate, first_us, count, delay_us, level_db, choice, margin):
    fixed = not np.isnan(first_us)
    for k in range(choice.size):
        choice[k] = -1
        margin[k] = np.nan
        if gate[k, LOOKED_FOR] == 0.0 or (k == 0 and fixed):
            continue
        origin = 0.0
        back = int(gate[k, RELATIVE_TO])
        if back == 0 and fixed:
            origin = first_us
        elif back >= 0:
            if choice[back] < 0:
                continue
            origin = delay_us[choice[back]]
        low, high = origin + gate[k, LOW_US], origin + gate[k, HIGH_US]
        tallest = -1
        for j in range(count):
            if delay_us[j] < low or delay_us[j] > high or level_db[j] < gate[k, THRESHOLD_DB]:
                continue
            if tallest < 0 or level_db[j] > level_db[tallest]:
                tallest = j
        choice[k] = tallest
        if tallest < 0 or gate[k, TAKE_FIRST] == 0.0:
            continue
        least = max(gate[k, THRESHOLD_DB], level_db[tallest] + gate[k, FRACTION_DB])
        for j in range(tallest, -1, -1):
            if low <= delay_us[j] <= high and level_db[j] >= least:
                choice[k] = j


@kernel
def _quiet(level_db, before_db):
    """How still it is before an echo, 0 to 1: against the noise, or against the echo itself."""
    against_noise = 1.0 - (before_db - 13.0) * (1.0 / 12.0)
    against_echo = (level_db - before_db - 6.0) * (1.0 / 20.0)
    return min(max(against_noise, against_echo, 0.0), 1.0)


@kernel
def _taller_before(delay_us, level_db, j, first_us, margin_db, per_span):
    """Echoes from ``first_us`` up to echo ``j`` that rival it, at most 2.

    One ``margin_db`` below it does not count, one ``1 / per_span`` dB taller counts in full.
    """
    found = 0.0
    i = j - 1
    while i >= 0 and found < 2.0 and delay_us[i] > first_us:
        found += min(max((level_db[i] - level_db[j] + margin_db) * per_span, 0.0), 1.0)
        i -= 1
    return min(found, 2.0)


@kernel
def _energy_step_db(count, delay_us, energy, j):
    """Energy of the echoes from ``j`` on over that of those just before it, dB."""
    behind = 0.0
    i = j
    while i < count and delay_us[i] <= delay_us[j] + _STEP_BEHIND_US:
        behind += energy[i]
        i += 1
    # Below the threshold of the search nothing is known: 10 dB stands for it.
    before = 10.0
    i = j - 1
    while i >= 0 and delay_us[i] > delay_us[j] - _STEP_BEFORE_US:
        before += energy[i]
        i -= 1
    return math.log(behind / before) / NEPERS_PER_DB


@filter_kernel
def _weigh(gate, fixed, weight, n, count, space):
    """Height over the threshold, shape and fixed gate; -inf where it cannot be this interface."""
    at, level, shape = space.row[_AT][:n], space.row[_LEVEL][:n], space.row[_SHAPE][:n]
    per_db, limit = np.float32(weight[PER_10_DB] * 0.1), np.float32(weight[HEIGHT_LIMIT])
    zero, never = np.float32(0.0), np.float32(-np.inf)
    for k in range(space.table.shape[1]):
        own = space.table[_OWN, k][:n]
        if gate[k, LOOKED_FOR] == 0.0 or (k == 0 and fixed):
            own[:] = never
            continue
        threshold, earliest = np.float32(gate[k, THRESHOLD_DB]), np.float32(gate[k, EARLIEST_US])
        low, high = np.float32(gate[k, LOW_US]), np.float32(gate[k, HIGH_US])
        outside = np.float32(weight[OUTSIDE_GATE] if gate[k, RELATIVE_TO] < 0.0 else 0.0)
        for j in range(np.uint64(n)):
            e = min(max(per_db * (level[j] - threshold), zero), limit) - shape[j]
            e -= outside if (at[j] < low) | (at[j] > high) else zero
            own[j] = e if (level[j] >= threshold) & (at[j] >= earliest) else never
        own[count:] = never


@kernel
def _evidence(gate, fixed, weight, count, delay_us, level_db, before_db, stretch, space):
    """Evidence of each echo for each interface; -inf where it cannot be that one."""
    n = (count + _LANES - 1) // _LANES * _LANES
    at, level = space.row[_AT], space.row[_LEVEL]
    shape, energy = space.row[_SHAPE], space.row[_ENERGY]
    at[count:n] = _FAR_US
    level[count:n] = _LOW_DB
    shape[count:n] = np.float32(0.0)
    for j in range(count):
        at[j], level[j] = delay_us[j], level_db[j]
        energy[j] = np.exp(np.float32(NEPERS_PER_DB) * level_db[j])
        shape[j] = min(weight[SHAPE] * float(stretch[j]) ** 2, 2.0)
    _weigh(gate, fixed, weight, n, count, space)
    for k in range(space.table.shape[1]):
        own = space.table[_OWN, k]
        rises = gate[k, FIRST_RISE] != 0.0
        if not rises and (k > 0 or gate[k, RELATIVE_TO] >= 0.0):
            continue
        for j in range(count):
            if own[j] == -np.inf:
                continue
            if rises:
                e = weight[QUIET_RISE] * _quiet(level_db[j], before_db[j])
                e -= weight[EARLIER_ECHO] * _taller_before(
                    delay_us, level_db, j, delay_us[j] - gate[k, WALL_US], 26.0, 1.0 / 16.0
                )
                step_db = _energy_step_db(count, delay_us, energy, j)
                e += weight[WALL_STEP] * min(max(step_db, 0.0), _STEP_LIMIT_DB) / 10.0
            else:
                # Nothing as tall should stand in front of the first interface.
                e = -weight[LEADING_ECHO] * _taller_before(
                    delay_us, level_db, j, gate[k, LOW_US], 14.0, 1.0 / 8.0
                )
            own[j] += e


@kernel
def _rivals(count, level, rival):
    """How far an echo between two others rivals the lower of them, 0 to 1, for every two.

    Nothing lies between an echo and itself: ``rival[0, 0]`` is always zero.
    """
    for j in range(count):
        rival[j, j] = np.float32(0.0)
        tallest = _LOW_DB
        for i in range(j + 1, count):
            over = (tallest - min(level[j], level[i]) + np.float32(6.0)) * np.float32(1 / 12)
            rival[j, i] = rival[i, j] = min(max(over, np.float32(0.0)), np.float32(1.0))
            tallest = max(tallest, level[i])


# A dozen echoes at once in vector registers, the impossible ones too, take less time than finding
# out which are possible. A plain maximum would be compiled to stores under a mask, of which each
# waits for the one before: so a zero is added to it that the compiler does not know to be one,
# ``rival[0, 0]``.


@filter_kernel
def _forward(gate, pair, fixed, first_us, between, count, space):
    """Best score of a path that ends at (interface, candidate)."""
    n = (count + _LANES - 1) // _LANES * _LANES
    never, free = np.float32(-np.inf), np.float32(0.0)
    at, last = space.row[_AT][:n], space.row[_AT, max(0, count - 1)]
    nothing = space.rival[0, 0]
    for k in range(space.table.shape[1]):
        mine, best = space.table[_OWN, k][:n], space.table[_FORWARD, k][:n]
        between_cost = np.float32(between if gate[k, CLEAR_BEFORE] != 0.0 else 0.0)
        best[:] = never if fixed else np.float32(-gate[k, LEAD])
        for kp in range(k):
            leg = pair[kp, k]
            low, high = np.float32(max(leg[PAIR_LOW_US], _LEAST_US)), np.float32(leg[PAIR_HIGH_US])
            mean, stiffness = np.float32(leg[PAIR_MEAN_US]), np.float32(leg[PAIR_WEIGHT])
            skip = np.float32(leg[PAIR_SKIP])
            known = fixed and kp == 0
            cost = free if known else between_cost
            for jp in range(1 if known else count):
                start_us = first_us if known else at[jp]
                head = -skip if known else space.table[_FORWARD, kp, jp] - skip
                if start_us + low > last:
                    break
                if head == never:
                    continue
                rival = space.rival[jp]
                for j in range(np.uint64(n)):
                    apart = at[j] - start_us
                    off = apart - mean
                    score = head - stiffness * off * off - cost * rival[j]
                    score = score if (apart >= low) & (apart <= high) else never
                    best[j] = max(best[j], score) + nothing
        for j in range(np.uint64(n)):
            best[j] += mine[j]


@filter_kernel
def _backward(gate, pair, between, count, space):
    """Best score of what can follow (interface, candidate)."""
    q = space.table.shape[1]
    n = (count + _LANES - 1) // _LANES * _LANES
    never, at, nothing = np.float32(-np.inf), space.row[_AT][:n], space.rival[0, 0]
    for k in range(q - 1, -1, -1):
        best = space.table[_BACKWARD, k][:n]
        best[:] = np.float32(-gate[k, TAIL])
        for kn in range(k + 1, q):
            leg = pair[k, kn]
            low, high = np.float32(max(leg[PAIR_LOW_US], _LEAST_US)), np.float32(leg[PAIR_HIGH_US])
            mean, stiffness = np.float32(leg[PAIR_MEAN_US]), np.float32(leg[PAIR_WEIGHT])
            skip = np.float32(leg[PAIR_SKIP])
            cost = np.float32(between if gate[kn, CLEAR_BEFORE] != 0.0 else 0.0)
            for jn in range(1, count):
                end_us = at[jn]
                head = space.table[_OWN, kn, jn] + space.table[_BACKWARD, kn, jn] - skip
                if head == never or end_us - low < at[0]:
                    continue
                rival = space.rival[jn]
                for j in range(np.uint64(n)):
                    apart = end_us - at[j]
                    off = apart - mean
                    score = head - stiffness * off * off - cost * rival[j]
                    score = score if (apart >= low) & (apart <= high) else never
                    best[j] = max(best[j], score) + nothing


@kernel
def _trace_back(gate, pair, first_us, between, k, j, space, choice):
    """Write down the best path that ends at an interface and candidate."""
    fixed = not np.isnan(first_us)
    at = space.row[_AT]
    while k >= 0:
        choice[k] = j
        best, best_k, best_j = -np.inf if fixed else -gate[k, LEAD], -1, -1
        cost = between if gate[k, CLEAR_BEFORE] != 0.0 else 0.0
        for kp in range(k):
            leg = pair[kp, k]
            # In float32, for the same echoes are in reach as before.
            low, high = np.float32(max(leg[PAIR_LOW_US], _LEAST_US)), np.float32(leg[PAIR_HIGH_US])
            known = fixed and kp == 0
            for jp in range(1 if known else j):
                apart = at[j] - (np.float32(first_us) if known else at[jp])
                if not low <= apart <= high:
                    continue
                score = -leg[PAIR_SKIP] - leg[PAIR_WEIGHT] * (apart - leg[PAIR_MEAN_US]) ** 2
                if not known:
                    score += space.table[_FORWARD, kp, jp] - cost * space.rival[jp, j]
                if score > best:
                    best, best_k, best_j = score, (-1 if known else kp), jp
        k, j = best_k, best_j


@kernel
def choose_row(plan, count, delay_us, level_db, before_db, stretch, space, choice, margin):
    """Choose one candidate of a trace, or none, for every interface.

    Jointly: the chosen delays rise in the order of the interfaces, and the sum of the candidates'
    evidence, of a normal prior on each segment's delay and of a cost for every interface left out
    is maximised by dynamic programming over (interface, candidate).

    Parameters
    ----------
    plan : ChoicePlan
    count : int
    delay_us : (c,) float64, rising
    level_db, before_db, stretch : (c,) float32
    space : from :func:`choice_space`
    choice : (q,) int32, out: candidate number, -1 for none
    margin : (q,) float64, out: how much worse the best choice with another candidate is; NaN gate
        by gate and where nothing is chosen
    """
    gate, first_us = plan.gate, plan.first_us
    if not plan.jointly:
        _choose_in_gates(gate, first_us, count, delay_us, level_db, choice, margin)
        return
    fixed = not np.isnan(first_us)
    forward, backward = space.table[_FORWARD], space.table[_BACKWARD]
    between = plan.weight[ECHO_BETWEEN]
    _evidence(gate, fixed, plan.weight, count, delay_us, level_db, before_db, stretch, space)
    _rivals(count, space.row[_LEVEL], space.rival)
    known_us = np.float32(first_us if fixed else 0.0)
    _forward(gate, plan.pair, fixed, known_us, between, count, space)
    best = -gate[0, TAIL] if fixed else -np.inf
    last, which = -1, -1
    for k in range(choice.size):
        choice[k] = -1
        margin[k] = np.nan
        for j in range(count):
            if forward[k, j] - gate[k, TAIL] > best:
                best = forward[k, j] - gate[k, TAIL]
                last, which = k, j
    if fixed:
        margin[0] = np.inf
    if last < 0:
        return
    _trace_back(gate, plan.pair, first_us, between, last, which, space, choice)
    _backward(gate, plan.pair, between, count, space)
    for k in range(last + 1):
        if choice[k] < 0:
            continue
        second = -np.inf
        for j in range(count):
            if j != choice[k]:
                second = max(second, forward[k, j] + backward[k, j])
        margin[k] = best - second


@kernel
def choose_rows(plan, count, delay_us, level_db, before_db, stretch, choice, margin):
    """:func:`choose_row` for every trace."""
    space = choice_space(choice.shape[1], delay_us.shape[1])
    for i in range(count.size):
        choose_row(
            plan, count[i], delay_us[i], level_db[i], before_db[i], stretch[i], space, choice[i],
            margin[i],
        )  # fmt: skip
