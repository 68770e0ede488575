"""The choice among candidate echoes, gate by gate or jointly.

:func:`choose_row` works on one trace; :func:`choose_rows` is a loop around it, and the fused walk
calls the same rows.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from echotrace.kernels.echoes import LANES
from echotrace.kernels.jit import filter_kernel, kernel

__all__ = [
    "NEPERS_PER_DB",
    "ChoicePlan",
    "ChoiceSpace",
    "choice_space",
    "choose_row",
    "choose_rows",
]

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
# Where a wall begins the energy of a window behind, µs, stands over that of a window before; a
# step beyond the limit, dB, says no more.
_STEP_BEHIND_US, _STEP_BEFORE_US, _STEP_LIMIT_DB = 1.0, 3.0, 40.0
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
        As named in :class:`echotrace.signal.choice_plan.JointChoiceSettings`.
    """

    jointly: bool
    first_us: float
    gate: Any
    pair: Any
    weight: Any


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
    c = (n_candidates + LANES - 1) // LANES * LANES
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
def _evidence(gate, fixed, weight, count, delay_us, level_db, before_db, broadening, space):
    """Evidence of each echo for each interface; -inf where it cannot be that one."""
    n = (count + LANES - 1) // LANES * LANES
    at, level = space.row[_AT], space.row[_LEVEL]
    shape, energy = space.row[_SHAPE], space.row[_ENERGY]
    at[count:n] = _FAR_US
    level[count:n] = _LOW_DB
    shape[count:n] = np.float32(0.0)
    for j in range(count):
        at[j], level[j] = delay_us[j], level_db[j]
        energy[j] = np.exp(np.float32(NEPERS_PER_DB) * level_db[j])
        shape[j] = min(weight[SHAPE] * float(broadening[j]) ** 2, 2.0)
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
    n = (count + LANES - 1) // LANES * LANES
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
    n = (count + LANES - 1) // LANES * LANES
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
def choose_row(plan, count, delay_us, level_db, before_db, broadening, space, choice, margin):
    """Choose one candidate of a trace, or none, for every interface.

    Jointly: the chosen delays rise in the order of the interfaces, and the sum of the candidates'
    evidence, of a normal prior on each segment's delay and of a cost for every interface left out
    is maximised by dynamic programming over (interface, candidate).

    Parameters
    ----------
    plan : ChoicePlan
    count : int
    delay_us : (c,) float64, rising
    level_db, before_db, broadening : (c,) float32
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
    _evidence(gate, fixed, plan.weight, count, delay_us, level_db, before_db, broadening, space)
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
def choose_rows(plan, count, delay_us, level_db, before_db, broadening, choice, margin):
    """:func:`choose_row` for every trace."""
    space = choice_space(choice.shape[1], delay_us.shape[1])
    for i in range(count.size):
        choose_row(
            plan, count[i], delay_us[i], level_db[i], before_db[i], broadening[i], space, choice[i],
            margin[i],
        )  # fmt: skip
