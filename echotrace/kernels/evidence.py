"""Gates and candidates as arrays, and what speaks for each candidate to be each interface."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from echotrace.kernels.echoes import LANES
from echotrace.kernels.jit import filter_kernel_or, kernel

__all__ = [
    "NEPERS_PER_DB",
    "ChoicePlan",
    "ChoiceSpace",
    "choice_space",
    "choose_in_gates",
    "follow_pick",
    "keep_choice",
    "weigh_evidence",
]

# Columns of ChoicePlan.gate. Few wide arrays keep compiling several times shorter than many
# narrow ones.
LOOKED_FOR, THRESHOLD_DB, FRACTION_DB, LOW_US, HIGH_US = 0, 1, 2, 3, 4
RELATIVE_TO, TAKE_FIRST, FIRST_RISE, WALL_US, LEAD, TAIL = 5, 6, 7, 8, 9, 10
CLEAR_BEFORE, EARLIEST_US, BINDS = 11, 12, 13
GATE_COLUMNS = 14
# Entries of ChoicePlan.pair.
PAIR_LOW_US, PAIR_HIGH_US, PAIR_MEAN_US, PAIR_WEIGHT, PAIR_SKIP = 0, 1, 2, 3, 4
# Entries of ChoicePlan.weight.
PER_10_DB, HEIGHT_LIMIT, SHAPE, QUIET_RISE, EARLIER_ECHO, OUTSIDE_GATE = 0, 1, 2, 3, 4, 5
WALL_STEP, LEADING_ECHO, ECHO_BETWEEN = 6, 7, 8
# Where a wall begins the energy of a window behind, µs, stands over that of a window before; a
# step beyond the limit, dB, says no more.
_STEP_BEHIND_US, _STEP_BEFORE_US, _STEP_LIMIT_DB = 1.0, 3.0, 40.0
# What an echo inside a binding gate is worth over leaving its interface out, nats: more than all
# other evidence together.
_BOUND = np.float32(1000.0)
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
        before; the delay before which it cannot lie, µs; whether the gate binds: no echo outside
        it is taken, and one inside is not left out.
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
    """Scratch of the choice, of float32; ``c`` is a whole number of vector registers.

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


AT, LEVEL, ECHO_SHAPE, ENERGY = 0, 1, 2, 3
OWN, FORWARD, BACKWARD = 0, 1, 2
_FAR_US, LOW_DB = np.float32(1e6), np.float32(-1e3)
# No echo follows on itself.
LEAST_US = 1e-6


@kernel
def choice_space(n_interfaces, n_candidates):
    """Scratch of :func:`echotrace.kernels.choice.choose_row`."""
    c = (n_candidates + LANES - 1) // LANES * LANES
    return ChoiceSpace(
        np.zeros((4, c), np.float32),
        np.zeros((3, n_interfaces, c), np.float32),
        np.zeros((c, c), np.float32),
    )


@kernel
def choose_in_gates(gate, first_us, count, delay_us, level_db, choice):
    """The tallest echo of each gate, or the first; ``choice`` must hold -1."""
    fixed = not np.isnan(first_us)
    for k in range(choice.size):
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


def _weigh_by_arrays(gate, fixed, weight, n, count, space):
    at, level, shape = space.row[AT][:n], space.row[LEVEL][:n], space.row[ECHO_SHAPE][:n]
    per_db, limit = np.float32(weight[PER_10_DB] * 0.1), np.float32(weight[HEIGHT_LIMIT])
    for k in range(space.table.shape[1]):
        own = space.table[OWN, k][:n]
        own[:] = -np.inf
        if gate[k, LOOKED_FOR] == 0.0 or (k == 0 and fixed):
            continue
        threshold, earliest, low, high = gate[
            k, [THRESHOLD_DB, EARLIEST_US, LOW_US, HIGH_US]
        ].astype(np.float32)
        outside = np.float32(weight[OUTSIDE_GATE] if gate[k, RELATIVE_TO] < 0.0 else 0.0)
        e = np.clip(per_db * (level - threshold), np.float32(0.0), limit) - shape
        e -= np.where((at < low) | (at > high), outside, np.float32(0.0))
        here = (level >= threshold) & (at >= earliest)
        here[count:] = False
        own[here] = e[here]


@filter_kernel_or(_weigh_by_arrays)
def _weigh(gate, fixed, weight, n, count, space):
    """Height over the threshold, shape and fixed gate; -inf where it cannot be this interface."""
    at, level, shape = space.row[AT][:n], space.row[LEVEL][:n], space.row[ECHO_SHAPE][:n]
    per_db, limit = np.float32(weight[PER_10_DB] * 0.1), np.float32(weight[HEIGHT_LIMIT])
    zero, never = np.float32(0.0), np.float32(-np.inf)
    for k in range(space.table.shape[1]):
        own = space.table[OWN, k][:n]
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
def _bind(at, own, low, high, count):
    """Rule out what lies outside a window, and let what lies inside not be left out."""
    for j in range(count):
        own[j] = own[j] + _BOUND if low <= at[j] <= high else np.float32(-np.inf)


@kernel
def follow_pick(gate, k, count, choice, space):
    """Hold an interface to its binding gate behind the pick of another."""
    back = int(gate[k, RELATIVE_TO])
    own, at = space.table[OWN, k], space.row[AT]
    if choice[back] < 0:
        own[:count] = np.float32(-np.inf)
        return
    origin = at[choice[back]]
    _bind(at, own, origin + gate[k, LOW_US], origin + gate[k, HIGH_US], count)


@kernel
def keep_choice(k, count, choice, space):
    """Let no other candidate be an interface than the one chosen."""
    for j in range(count):
        if j != choice[k]:
            space.table[OWN, k, j] = np.float32(-np.inf)


@kernel
def weigh_evidence(gate, fixed, weight, count, delay_us, level_db, before_db, broadening, space):
    """Evidence of each echo for each interface; -inf where it cannot be that one."""
    n = (count + LANES - 1) // LANES * LANES
    at, level = space.row[AT], space.row[LEVEL]
    shape, energy = space.row[ECHO_SHAPE], space.row[ENERGY]
    at[count:n] = _FAR_US
    level[count:n] = LOW_DB
    shape[count:n] = np.float32(0.0)
    for j in range(count):
        at[j], level[j] = delay_us[j], level_db[j]
        energy[j] = np.exp(np.float32(NEPERS_PER_DB) * level_db[j])
        shape[j] = min(weight[SHAPE] * float(broadening[j]) ** 2, 2.0)
    _weigh(gate, fixed, weight, n, count, space)
    for k in range(space.table.shape[1]):
        own = space.table[OWN, k]
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
    for k in range(space.table.shape[1]):
        if gate[k, BINDS] != 0.0 and gate[k, RELATIVE_TO] < 0.0:
            _bind(at, space.table[OWN, k], gate[k, LOW_US], gate[k, HIGH_US], count)
