"""The choice among candidate echoes, gate by gate or jointly.

:func:`choose_row` works on one trace; :func:`choose_rows` is a loop around it, and the fused walk
calls the same rows.
"""

from __future__ import annotations

import numpy as np

from echotrace.kernels.echoes import LANES
from echotrace.kernels.evidence import (
    AT,
    BACKWARD,
    BINDS,
    CLEAR_BEFORE,
    ECHO_BETWEEN,
    FORWARD,
    LEAD,
    LEAST_US,
    LEVEL,
    LOW_DB,
    OWN,
    PAIR_HIGH_US,
    PAIR_LOW_US,
    PAIR_MEAN_US,
    PAIR_SKIP,
    PAIR_WEIGHT,
    RELATIVE_TO,
    TAIL,
    choice_space,
    choose_in_gates,
    follow_pick,
    keep_choice,
    weigh_evidence,
)
from echotrace.kernels.jit import filter_kernel_or, kernel, kernel_or

__all__ = ["choose_row", "choose_rows"]

# The lead, nats, of a choice that the joint weighing rules out.
_RULED_OUT = -100.0


def _rivals_by_arrays(count, level, rival):
    for j in range(count):
        rival[j, j] = 0.0
        later = level[j + 1 : count]
        tallest = np.maximum.accumulate(np.concatenate(([LOW_DB], later[:-1])))[: later.size]
        over = (tallest - np.minimum(level[j], later) + np.float32(6.0)) * np.float32(1 / 12)
        rival[j, j + 1 : count] = rival[j + 1 : count, j] = np.clip(over, 0.0, 1.0)


@kernel_or(_rivals_by_arrays)
def _rivals(count, level, rival):
    """How far an echo between two others rivals the lower of them, 0 to 1, for every two.

    Nothing lies between an echo and itself: ``rival[0, 0]`` is always zero.
    """
    for j in range(count):
        rival[j, j] = np.float32(0.0)
        tallest = LOW_DB
        for i in range(j + 1, count):
            over = (tallest - min(level[j], level[i]) + np.float32(6.0)) * np.float32(1 / 12)
            rival[j, i] = rival[i, j] = min(max(over, np.float32(0.0)), np.float32(1.0))
            tallest = max(tallest, level[i])


# A dozen echoes at once in vector registers, the impossible ones too, take less time than finding
# out which are possible. A plain maximum would be compiled to stores under a mask, of which each
# waits for the one before: so a zero is added to it that the compiler does not know to be one,
# ``rival[0, 0]``.


def _best_over_leg(apart, head, leg, cost, rival):
    """Best score of a leg between two interfaces, for each candidate on its other side."""
    low, high = np.float32(max(leg[PAIR_LOW_US], LEAST_US)), np.float32(leg[PAIR_HIGH_US])
    mean, stiffness = np.float32(leg[PAIR_MEAN_US]), np.float32(leg[PAIR_WEIGHT])
    off = apart - mean
    score = head[:, None] - stiffness * off * off - np.float32(cost) * rival
    score[~((apart >= low) & (apart <= high))] = -np.inf
    return score.max(axis=0, initial=-np.inf)


def _forward_by_arrays(gate, pair, fixed, first_us, between, count, space):
    if count == 0:
        return
    n = (count + LANES - 1) // LANES * LANES
    at, rival = space.row[AT][:n], space.rival[:count, :n]
    for k in range(space.table.shape[1]):
        best = space.table[FORWARD, k][:n]
        best[:] = -np.inf if fixed else -gate[k, LEAD]
        cost = between if gate[k, CLEAR_BEFORE] != 0.0 else 0.0
        for kp in range(k):
            leg = pair[kp, k]
            if fixed and kp == 0:
                head = np.full(1, -leg[PAIR_SKIP], np.float32)
                found = _best_over_leg(at[None] - first_us, head, leg, 0.0, rival[:1])
            else:
                head = space.table[FORWARD, kp, :count] - np.float32(leg[PAIR_SKIP])
                found = _best_over_leg(at[None] - at[:count, None], head, leg, cost, rival)
            np.maximum(best, found, out=best)
        best += space.table[OWN, k][:n]


@filter_kernel_or(_forward_by_arrays)
def _forward(gate, pair, fixed, first_us, between, count, space):
    """Best score of a path that ends at (interface, candidate)."""
    n = (count + LANES - 1) // LANES * LANES
    never, free = np.float32(-np.inf), np.float32(0.0)
    at, last = space.row[AT][:n], space.row[AT, max(0, count - 1)]
    nothing = space.rival[0, 0]
    for k in range(space.table.shape[1]):
        mine, best = space.table[OWN, k][:n], space.table[FORWARD, k][:n]
        between_cost = np.float32(between if gate[k, CLEAR_BEFORE] != 0.0 else 0.0)
        best[:] = never if fixed else np.float32(-gate[k, LEAD])
        for kp in range(k):
            leg = pair[kp, k]
            low, high = np.float32(max(leg[PAIR_LOW_US], LEAST_US)), np.float32(leg[PAIR_HIGH_US])
            mean, stiffness = np.float32(leg[PAIR_MEAN_US]), np.float32(leg[PAIR_WEIGHT])
            skip = np.float32(leg[PAIR_SKIP])
            known = fixed and kp == 0
            cost = free if known else between_cost
            for jp in range(1 if known else count):
                start_us = first_us if known else at[jp]
                head = -skip if known else space.table[FORWARD, kp, jp] - skip
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


def _backward_by_arrays(gate, pair, between, count, space):
    if count == 0:
        return
    q = space.table.shape[1]
    n = (count + LANES - 1) // LANES * LANES
    at, rival = space.row[AT][:n], space.rival[1:count, :n]
    for k in range(q - 1, -1, -1):
        best = space.table[BACKWARD, k][:n]
        best[:] = -gate[k, TAIL]
        for kn in range(k + 1, q):
            leg = pair[k, kn]
            cost = between if gate[kn, CLEAR_BEFORE] != 0.0 else 0.0
            head = space.table[OWN, kn, 1:count] + space.table[BACKWARD, kn, 1:count]
            head -= np.float32(leg[PAIR_SKIP])
            found = _best_over_leg(at[1:count, None] - at[None], head, leg, cost, rival)
            np.maximum(best, found, out=best)


@filter_kernel_or(_backward_by_arrays)
def _backward(gate, pair, between, count, space):
    """Best score of what can follow (interface, candidate)."""
    q = space.table.shape[1]
    n = (count + LANES - 1) // LANES * LANES
    never, at, nothing = np.float32(-np.inf), space.row[AT][:n], space.rival[0, 0]
    for k in range(q - 1, -1, -1):
        best = space.table[BACKWARD, k][:n]
        best[:] = np.float32(-gate[k, TAIL])
        for kn in range(k + 1, q):
            leg = pair[k, kn]
            low, high = np.float32(max(leg[PAIR_LOW_US], LEAST_US)), np.float32(leg[PAIR_HIGH_US])
            mean, stiffness = np.float32(leg[PAIR_MEAN_US]), np.float32(leg[PAIR_WEIGHT])
            skip = np.float32(leg[PAIR_SKIP])
            cost = np.float32(between if gate[kn, CLEAR_BEFORE] != 0.0 else 0.0)
            for jn in range(1, count):
                end_us = at[jn]
                head = space.table[OWN, kn, jn] + space.table[BACKWARD, kn, jn] - skip
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
    at = space.row[AT]
    while k >= 0:
        choice[k] = j
        best, best_k, best_j = -np.inf if fixed else -gate[k, LEAD], -1, -1
        cost = between if gate[k, CLEAR_BEFORE] != 0.0 else 0.0
        for kp in range(k):
            leg = pair[kp, k]
            # In float32, for the same echoes are in reach as before.
            low, high = np.float32(max(leg[PAIR_LOW_US], LEAST_US)), np.float32(leg[PAIR_HIGH_US])
            known = fixed and kp == 0
            for jp in range(1 if known else j):
                apart = at[j] - (np.float32(first_us) if known else at[jp])
                if not low <= apart <= high:
                    continue
                score = -leg[PAIR_SKIP] - leg[PAIR_WEIGHT] * (apart - leg[PAIR_MEAN_US]) ** 2
                if not known:
                    score += space.table[FORWARD, kp, jp] - cost * space.rival[jp, j]
                if score > best:
                    best, best_k, best_j = score, (-1 if known else kp), jp
        k, j = best_k, best_j


@kernel
def _best_path(plan, count, space, choice):
    """The best choice, and its score; the forward table must be full."""
    gate = plan.gate
    forward = space.table[FORWARD]
    best = -np.inf if np.isnan(plan.first_us) else -gate[0, TAIL]
    last, which = -1, -1
    for k in range(choice.size):
        choice[k] = -1
        for j in range(count):
            if forward[k, j] - gate[k, TAIL] > best:
                best = forward[k, j] - gate[k, TAIL]
                last, which = k, j
    if last >= 0:
        between = plan.weight[ECHO_BETWEEN]
        _trace_back(gate, plan.pair, plan.first_us, between, last, which, space, choice)
    return best


@kernel
def _leads(best, count, space, choice, margin):
    """How much worse the best choice with another candidate is; both tables must be full.

    ``best`` is the score of the choice; NaN: each candidate is held against its rivals alone.
    """
    forward, backward = space.table[FORWARD], space.table[BACKWARD]
    for k in range(choice.size):
        if choice[k] < 0:
            continue
        second = -np.inf
        for j in range(count):
            if j != choice[k]:
                second = max(second, forward[k, j] + backward[k, j])
        if not np.isnan(best):
            margin[k] = max(best - second, 0.0)
            continue
        own = forward[k, choice[k]] + backward[k, choice[k]]
        margin[k] = max(own - second, _RULED_OUT) if own > -np.inf else _RULED_OUT


@kernel
def choose_row(plan, count, delay_us, level_db, before_db, broadening, space, choice, margin):
    """Choose one candidate of a trace, or none, for every interface.

    Jointly: the chosen delays rise in the order of the interfaces, and the sum of the candidates'
    evidence, of a normal prior on each segment's delay and of a cost for every interface left out
    is maximised by dynamic programming over (interface, candidate); binding gates behind a pick are
    held to once it is known. Gate by gate, the same sum tells how far each choice leads.

    Parameters
    ----------
    plan : ChoicePlan
    count : int
    delay_us : (c,) float64, rising
    level_db, before_db, broadening : (c,) float32
    space : from :func:`choice_space`
    choice : (q,) int32, out: candidate number, -1 for none
    margin : (q,) float64, out: how much worse the best choice with another candidate is, below zero
        where it is better; NaN where nothing is chosen
    """
    gate, first_us = plan.gate, plan.first_us
    fixed = not np.isnan(first_us)
    between = plan.weight[ECHO_BETWEEN]
    known_us = np.float32(first_us if fixed else 0.0)
    choice[:] = -1
    margin[:] = np.nan
    if fixed:
        margin[0] = np.inf
    weigh_evidence(
        gate, fixed, plan.weight, count, delay_us, level_db, before_db, broadening, space
    )
    _rivals(count, space.row[LEVEL], space.rival)
    if not plan.jointly:
        choose_in_gates(gate, first_us, count, delay_us, level_db, choice)
        for k in range(choice.size):
            if gate[k, BINDS] != 0.0 and gate[k, RELATIVE_TO] >= 0.0:
                follow_pick(gate, k, count, choice, space)
        _forward(gate, plan.pair, fixed, known_us, between, count, space)
        _backward(gate, plan.pair, between, count, space)
        _leads(np.nan, count, space, choice, margin)
        return
    _forward(gate, plan.pair, fixed, known_us, between, count, space)
    best = _best_path(plan, count, space, choice)
    _backward(gate, plan.pair, between, count, space)
    _leads(best, count, space, choice, margin)
    for k in range(choice.size):
        if gate[k, BINDS] == 0.0 or gate[k, RELATIVE_TO] < 0.0:
            continue
        back = int(gate[k, RELATIVE_TO])
        if choice[back] < 0:
            # Where what it is given behind was left out for its sake, that is chosen first.
            own = space.table[OWN, k].copy()
            follow_pick(gate, k, count, choice, space)
            _forward(gate, plan.pair, fixed, known_us, between, count, space)
            _best_path(plan, count, space, choice)
            space.table[OWN, k] = own
        # What is kept from here on has the lead that it had among all.
        lead = margin.copy()
        follow_pick(gate, k, count, choice, space)
        if choice[back] >= 0:
            keep_choice(back, count, choice, space)
        _forward(gate, plan.pair, fixed, known_us, between, count, space)
        best = _best_path(plan, count, space, choice)
        _backward(gate, plan.pair, between, count, space)
        margin[1 if fixed else 0 :] = np.nan
        _leads(best, count, space, choice, margin)
        for i in range(back + 1):
            if lead[i] < margin[i]:
                margin[i] = lead[i]
        if choice[back] < 0:
            choice[k] = -1
            margin[k] = np.nan


@kernel
def choose_rows(plan, count, delay_us, level_db, before_db, broadening, choice, margin):
    """:func:`choose_row` for every trace."""
    space = choice_space(choice.shape[1], delay_us.shape[1])
    for i in range(count.size):
        choose_row(
            plan, count[i], delay_us[i], level_db[i], before_db[i], broadening[i], space, choice[i],
            margin[i],
        )  # fmt: skip
