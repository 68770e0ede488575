"""Candidate echoes of a trace, and the choice among them, gate by gate or jointly.

Everything here works on one trace (``..._row``); the functions over many rows below are loops
around it, and the fused path calls the same rows.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from echotrace.kernels.jit import filter_kernel, kernel

__all__ = [
    "ChoicePlan",
    "SearchPlan",
    "choose_row",
    "choose_rows",
    "choice_space",
    "find_row",
    "find_rows",
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
# Planes of ChoicePlan.pair.
PAIR_LOW_US, PAIR_HIGH_US, PAIR_MEAN_US, PAIR_WEIGHT, PAIR_SKIP = 0, 1, 2, 3, 4
# Entries of ChoicePlan.weight.
PER_10_DB, HEIGHT_LIMIT, SHAPE, QUIET_RISE, EARLIER_ECHO, OUTSIDE_GATE = 0, 1, 2, 3, 4, 5
WALL_STEP, LEADING_ECHO, ECHO_BETWEEN = 6, 7, 8
# Where a wall begins the energy of a stretch behind, µs, stands over that of a stretch before; a
# step beyond the limit, dB, says no more.
_STEP_BEHIND_US, _STEP_BEFORE_US, _STEP_LIMIT_DB = 1.0, 3.0, 40.0


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
    pair : (5, q, q)
        Of the delay from interface ``k_before`` to ``k``, at ``[:, k_before, k]``: range and
        prior mean, µs; half the prior's weight over its variance; cost of leaving out those
        between.
    weight : (9,)
        As named in :class:`echotrace.gates.JointWeights`.
    """

    jointly: bool
    first_us: float
    gate: Any
    pair: Any
    weight: Any


@filter_kernel
def _largest(row, first, stop):
    top = np.float32(0.0)
    for x in row[first:stop]:
        top = x if x > top else top
    return top


@filter_kernel
def _largest_of_16(row, first):
    """Largest of sixteen values from ``first`` on."""
    k = np.uint64(first)
    top = row[k]
    for i in range(np.uint64(16)):
        x = row[k + i]
        top = x if x > top else top
    return top


@kernel
def _maxima(row, threshold, dip_ratio, at):
    """Grid points of the local maxima that stand out; their number."""
    m = row.size
    room = at.size
    found = 0
    high = row[0]
    high_at = 0
    low = row[0]
    rising = True
    quiet = dip_ratio * threshold
    k = 1
    while k < m:
        # Below the dip under the threshold nothing that came before matters any more: jump over.
        if row[k] < quiet and k + 16 < m and _largest_of_16(row, k) < quiet:
            if rising and high >= threshold and high_at > 0 and found < room:
                at[found] = high_at
                found += 1
            k += 16
            rising = True
            high = row[k - 1]
            high_at = k - 1
            continue
        x = row[k]
        if rising:
            if x > high:
                high = x
                high_at = k
            elif x < dip_ratio * high:
                if high >= threshold and high_at > 0 and found < room:
                    at[found] = high_at
                    found += 1
                rising = False
                low = x
        elif x < low:
            low = x
        elif x * dip_ratio > low:
            rising = True
            high = x
            high_at = k
        k += 1
    return found


@kernel
def _log_at(row, k):
    return float(np.log(max(row[k], _TINY)))


@kernel
def find_row(plan, row, noise, at, sample, delay_us, level_db, before_db, stretch):
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
    at : (c,) int32, scratch
    sample : (c,) int32, out
    delay_us : (c,) float64, out
    level_db, before_db, stretch : (c,) float32, out
        See :class:`echotrace.gates.Candidates`.

    Returns
    -------
    int
        Number of echoes.
    """
    m = row.size
    log_noise = math.log(noise)
    found = _maxima(row, np.float32(noise * plan.threshold_ratio), plan.dip_ratio, at)
    for j in range(found):
        g = at[j]
        left, middle, right = _log_at(row, g - 1), _log_at(row, g), _log_at(row, g + 1)
        bend = 2.0 * middle - left - right
        offset = 0.0
        if bend > 0.0:
            offset = min(0.5, max(-0.5, 0.5 * (right - left) / bend))
        level_db[j] = _DB * (middle + 0.25 * (right - left) * offset - log_noise)
        position = (g + offset) * plan.stride
        sample[j] = int(np.rint(position))
        delay_us[j] = plan.start_us + position * plan.step_us
        first = max(0, g - plan.far)
        top = _largest(row, first, max(first, g - plan.near))
        before_db[j] = _DB * (float(np.log(top)) - log_noise) if top > 0.0 else -np.inf
        k = min(max(g, plan.arm), m - 1 - plan.arm)
        if k != g:
            middle = _log_at(row, k)
        seen = 2.0 * middle - _log_at(row, k - plan.arm) - _log_at(row, k + plan.arm)
        stretch[j] = np.log(np.float32(max(seen / plan.curvature, 0.02)))
    return found


@kernel
def find_rows(plan, grid, noise, count, sample, delay_us, level_db, before_db, stretch):
    """:func:`find_row` for every row of ``grid`` (n, m)."""
    at = np.empty(sample.shape[1], np.int32)
    for i in range(grid.shape[0]):
        count[i] = find_row(
            plan, grid[i], noise[i], at, sample[i], delay_us[i], level_db[i], before_db[i],
            stretch[i],
        )  # fmt: skip


@kernel
def choice_space(n_interfaces, n_candidates):
    """Scratch of :func:`choose_row`: real and whole numbers."""
    return (
        np.empty((3, n_interfaces, n_candidates)),
        np.empty((2, n_interfaces, n_candidates), np.int32),
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
    against_noise = 1.0 - (before_db - 13.0) / 12.0
    against_echo = (level_db - before_db - 6.0) / 20.0
    return min(max(against_noise, against_echo, 0.0), 1.0)


@kernel
def _taller_before(delay_us, level_db, j, first_us, margin_db, span_db):
    """Echoes from ``first_us`` up to echo ``j`` that rival it, at most 2.

    One counts in full ``margin_db - span_db`` below it, not at all ``margin_db`` below.
    """
    found = 0.0
    i = j - 1
    while i >= 0 and found < 2.0 and delay_us[i] > first_us:
        found += min(max((level_db[i] - level_db[j] + margin_db) / span_db, 0.0), 1.0)
        i -= 1
    return min(found, 2.0)


@kernel
def _energy_step_db(count, delay_us, level_db, j):
    """Energy of the echoes from ``j`` on over that of those just before it, dB."""
    behind = 0.0
    i = j
    while i < count and delay_us[i] <= delay_us[j] + _STEP_BEHIND_US:
        behind += 10.0 ** (0.1 * level_db[i])
        i += 1
    # Below the threshold of the search nothing is known: 10 dB stands for it.
    before = 10.0
    i = j - 1
    while i >= 0 and delay_us[i] > delay_us[j] - _STEP_BEFORE_US:
        before += 10.0 ** (0.1 * level_db[i])
        i -= 1
    return 10.0 * math.log10(behind / before)


@kernel
def _evidence(gate, first_us, weight, count, delay_us, level_db, before_db, stretch, own):
    """Evidence of each echo for each interface; -inf where it cannot be that one."""
    fixed = not np.isnan(first_us)
    for k in range(own.shape[0]):
        for j in range(count):
            own[k, j] = -np.inf
        if gate[k, LOOKED_FOR] == 0.0 or (k == 0 and fixed):
            continue
        for j in range(count):
            if level_db[j] < gate[k, THRESHOLD_DB] or delay_us[j] < gate[k, EARLIEST_US]:
                continue
            over = weight[PER_10_DB] * (level_db[j] - gate[k, THRESHOLD_DB]) / 10.0
            e = min(max(over, 0.0), weight[HEIGHT_LIMIT])
            e -= min(weight[SHAPE] * float(stretch[j]) ** 2, 2.0)
            if gate[k, FIRST_RISE] != 0.0:
                e += weight[QUIET_RISE] * _quiet(level_db[j], before_db[j])
                e -= weight[EARLIER_ECHO] * _taller_before(
                    delay_us, level_db, j, delay_us[j] - gate[k, WALL_US], 26.0, 16.0
                )
                step_db = _energy_step_db(count, delay_us, level_db, j)
                e += weight[WALL_STEP] * min(max(step_db, 0.0), _STEP_LIMIT_DB) / 10.0
            elif k == 0 and gate[k, RELATIVE_TO] < 0:
                # Nothing as tall should stand in front of the first interface.
                e -= weight[LEADING_ECHO] * _taller_before(
                    delay_us, level_db, j, gate[k, LOW_US], 14.0, 8.0
                )
            if gate[k, RELATIVE_TO] < 0 and (
                delay_us[j] < gate[k, LOW_US] or delay_us[j] > gate[k, HIGH_US]
            ):
                e -= weight[OUTSIDE_GATE]
            own[k, j] = e


@kernel
def _rival(tallest_db, before_db, after_db):
    """How far an echo between two chosen ones rivals the lower of them, 0 to 1."""
    return min(max((tallest_db - min(before_db, after_db) + 6.0) / 12.0, 0.0), 1.0)


@kernel
def _forward(gate, pair, first_us, between, count, at, level_db, own, forward, came_q, came_c):
    """Best score of a path that ends at (interface, candidate).

    The known first interface is candidate ``count`` of interface 0.
    """
    fixed = not np.isnan(first_us)
    for k in range(own.shape[0]):
        mine, best = own[k], forward[k]
        from_q, from_c = came_q[k], came_c[k]
        lead = gate[k, LEAD]
        cost = between if gate[k, CLEAR_BEFORE] != 0.0 else 0.0
        for j in range(count):
            from_q[j] = -1
            best[j] = -np.inf if fixed else mine[j] - lead
        for kp in range(k - 1, -1, -1):
            low, high = pair[PAIR_LOW_US, kp, k], pair[PAIR_HIGH_US, kp, k]
            mean, stiffness = pair[PAIR_MEAN_US, kp, k], pair[PAIR_WEIGHT, kp, k]
            skip = pair[PAIR_SKIP, kp, k]
            if kp == 0 and fixed:
                for j in range(count):
                    d = at[j] - first_us
                    s = mine[j] - skip - stiffness * (d - mean) ** 2
                    if low <= d <= high and s > best[j]:
                        best[j] = s
                        from_q[j] = 0
                        from_c[j] = count
                continue
            before = forward[kp]
            begin = 0
            for j in range(1, count):
                while at[begin] < at[j] - high:
                    begin += 1
                if at[j] - at[begin] < low:
                    continue
                gain = mine[j] - skip
                if gain == -np.inf:
                    continue
                tallest = -np.inf
                for jp in range(j - 1, begin - 1, -1):
                    d = at[j] - at[jp]
                    if d >= low:
                        s = before[jp] + gain - stiffness * (d - mean) ** 2
                        if cost != 0.0:
                            s -= cost * _rival(tallest, level_db[jp], level_db[j])
                        if s > best[j]:
                            best[j] = s
                            from_q[j] = kp
                            from_c[j] = jp
                    tallest = max(tallest, level_db[jp])


@kernel
def _backward(gate, pair, between, count, at, level_db, own, backward):
    """Best score of what can follow (interface, candidate)."""
    q = own.shape[0]
    for k in range(q - 1, -1, -1):
        best = backward[k]
        tail = gate[k, TAIL]
        for j in range(count):
            best[j] = -tail
        for kn in range(k + 1, q):
            low, high = pair[PAIR_LOW_US, k, kn], pair[PAIR_HIGH_US, k, kn]
            mean, stiffness = pair[PAIR_MEAN_US, k, kn], pair[PAIR_WEIGHT, k, kn]
            skip = pair[PAIR_SKIP, k, kn]
            mine, after = own[kn], backward[kn]
            cost = between if gate[kn, CLEAR_BEFORE] != 0.0 else 0.0
            begin = 0
            for jn in range(1, count):
                while at[begin] < at[jn] - high:
                    begin += 1
                if at[jn] - at[begin] < low:
                    continue
                gain = mine[jn] + after[jn] - skip
                if gain == -np.inf:
                    continue
                tallest = -np.inf
                for j in range(jn - 1, begin - 1, -1):
                    d = at[jn] - at[j]
                    if d >= low:
                        s = gain - stiffness * (d - mean) ** 2
                        if cost != 0.0:
                            s -= cost * _rival(tallest, level_db[j], level_db[jn])
                        best[j] = max(best[j], s)
                    tallest = max(tallest, level_db[j])


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
    own, forward, backward = space[0][0], space[0][1], space[0][2]
    came_q, came_c = space[1][0], space[1][1]
    fixed = not np.isnan(first_us)
    q = choice.size
    _evidence(gate, first_us, plan.weight, count, delay_us, level_db, before_db, stretch, own)
    between = plan.weight[ECHO_BETWEEN]
    _forward(
        gate, plan.pair, first_us, between, count, delay_us, level_db, own, forward, came_q, came_c
    )
    best = -gate[0, TAIL] if fixed else -np.inf
    k, j = -1, -1
    for kk in range(q):
        choice[kk] = -1
        margin[kk] = np.nan
        for jj in range(count):
            if forward[kk, jj] - gate[kk, TAIL] > best:
                best = forward[kk, jj] - gate[kk, TAIL]
                k, j = kk, jj
    if fixed:
        margin[0] = np.inf
    if k < 0:
        return
    while k >= 0 and j < count:
        choice[k] = j
        k, j = came_q[k, j], came_c[k, j]
    _backward(gate, plan.pair, between, count, delay_us, level_db, own, backward)
    for k in range(q):
        if choice[k] < 0:
            continue
        second = -np.inf
        for j in range(count):
            if j != choice[k] and forward[k, j] > -np.inf:
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
