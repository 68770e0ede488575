"""Questions about the echoes of an eye, asked of the candidates of each trace."""

from __future__ import annotations

import numpy as np

from echotrace.kernels.jit import kernel

__all__ = [
    "ANSWERS",
    "BATH_PAIR_DB",
    "FACE_ECHO_US",
    "FACE_PAIR_DB",
    "IMPLANT_DB",
    "LAST",
    "LEAST_STRETCH",
    "LENS_BACK",
    "LENS_FRONT",
    "LENS_INSIDE_DB",
    "NATURAL_DB",
    "ORBIT_DB",
    "RETINA",
    "RETINA_SILENCE_DB",
    "RETINA_STRETCH",
    "SECOND_CORNEA_DB",
    "SECOND_LEVEL_DB",
    "VITREOUS_COUNT",
    "VITREOUS_DB",
    "WALL_DB",
    "WALL_STEP_DB",
    "ask_rows",
]

# Columns of the answers.
LENS_INSIDE_DB, WALL_STEP_DB, WALL_DB, SECOND_LEVEL_DB, ORBIT_DB = 0, 1, 2, 3, 4
VITREOUS_DB, VITREOUS_COUNT, RETINA_STRETCH, RETINA_SILENCE_DB, LEAST_STRETCH = 5, 6, 7, 8, 9
FACE_ECHO_US, FACE_PAIR_DB, BATH_PAIR_DB, IMPLANT_DB, NATURAL_DB = 10, 11, 12, 13, 14
SECOND_CORNEA_DB = 15
ANSWERS = 16
# Entries of the table of interfaces: their numbers, -1 where the target has none; the last one in
# front of the vitreous, and the first whose echo stands on the trace.
LENS_FRONT, LENS_BACK, RETINA, LAST, FIRST_SEEN = 0, 1, 2, 3, 4

# Echoes nearer to each other than this, µs, are one and the same to a search among candidates.
_SAME_US = 0.12
# Energy just behind the retina over that just before it.
_STEP_BEFORE_US, _STEP_BEHIND_US = 3.0, 1.0
# What the search does not hear stands at this level, dB over the noise.
_UNHEARD_DB = 10.0
# The front of a cornea and its back, µs apart.
_PAIR_LOW_US, _PAIR_HIGH_US = 0.45, 0.95


@kernel
def _tallest(count, at, level, start, stop):
    """Candidate of the tallest echo of a stretch, -1 where there is none."""
    best = -1
    for j in range(count):
        if at[j] > stop:
            break
        if at[j] >= start and (best < 0 or level[j] > level[best]):
            best = j
    return best


@kernel
def _height(count, at, level, start, stop):
    """Level of the tallest echo of a stretch, at least the unheard one, dB."""
    j = _tallest(count, at, level, start, stop)
    return max(float(level[j]), _UNHEARD_DB) if j >= 0 else _UNHEARD_DB


@kernel
def _energy(count, at, level, start, stop):
    """Sum of squares of the echoes of a stretch, over the noise's."""
    total = 0.0
    for j in range(count):
        if at[j] > stop:
            break
        if at[j] >= start:
            total += 10.0 ** (0.1 * level[j])
    return total


@kernel
def _nearest(count, at, place):
    """Candidate of a pick, -1 where none is near."""
    best, least = -1, _SAME_US
    for j in range(count):
        if abs(at[j] - place) < least:
            best, least = j, abs(at[j] - place)
    return best


@kernel
def _implant_db(count, at, level, cornea):
    """How clearly two tall close echoes stand where an implant would, and no natural lens, dB.

    An implant: a pair 0.25 to 2.4 µs apart behind the chamber (sound crosses silicone slowly), and
    nothing as tall where the back of a natural lens would be.
    """
    j = _tallest(count, at, level, cornea + 3.0, cornea + 8.0)
    if j < 0:
        return np.nan
    first = at[j]
    before = _height(count, at, level, first - 2.4, first - 0.25)
    after = _height(count, at, level, first + 0.25, first + 2.4)
    natural = _height(count, at, level, first + 3.2, first + 8.1)
    twin = max(before, after)
    return min(twin - float(level[j]) + 30.0, twin - natural)


@kernel
def _natural_db(count, at, level, cornea, reference_db):
    """How clearly a natural lens's front and back stand where none should be, dB.

    A tall pair 4 to 7 µs apart with little between, held against what was taken for the lens, or
    for the retina.
    """
    j = _tallest(count, at, level, cornea + 2.2, cornea + 6.5)
    if j < 0:
        return np.nan
    k = _tallest(count, at, level, at[j] + 4.0, at[j] + 7.0)
    if k < 0:
        return np.nan
    between = _height(count, at, level, at[j] + 0.3, at[k] - 0.3)
    return min(level[j], level[k]) - max(between + 6.0, reference_db)


@kernel
def _bath_pair_db(count, at, level, before_db, face_us):
    """Tallest pair of a cornea's thickness out of silence, behind where contact has none, dB.

    Held against the tallest echo behind the face.
    """
    pair, best = -np.inf, -np.inf
    for j in range(count):
        if at[j] <= face_us + 0.9:
            continue
        best = max(best, float(level[j]))
        if face_us + 3.0 < at[j] < face_us + 26.0 and before_db[j] < level[j] - 30.0:
            k = _tallest(count, at, level, at[j] + _PAIR_LOW_US, at[j] + _PAIR_HIGH_US)
            if k >= 0:
                pair = max(pair, min(float(level[j]), float(level[k])))
    return pair - best if pair > -np.inf else np.nan


@kernel
def _pair_before(count, at, level, cornea):
    """Tallest pair of a cornea's thickness where the cornea lies before an implant, dB."""
    pair = np.nan
    for j in range(count):
        if cornea - 8.0 <= at[j] <= cornea - 3.0:
            k = _tallest(count, at, level, at[j] + _PAIR_LOW_US, at[j] + _PAIR_HIGH_US)
            if k >= 0 and not pair >= min(float(level[j]), float(level[k])):
                pair = min(float(level[j]), float(level[k]))
    return pair


@kernel
def ask_rows(
    count, delay_us, level_db, before_db, stretch, pick_us, pick_db, face_us, table, natural, answer
):
    """Ask every trace.

    Parameters
    ----------
    count : (n,) int32
    delay_us : (n, c) float64, rising
    level_db, before_db, stretch : (n, c) float32
        Candidates, as :class:`echotrace.gates.Candidates` has them.
    pick_us : (n, q) float64
        Picks; NaN where there is none.
    pick_db : (n, q) float32
        Level of the echo at each pick.
    face_us : float
        Delay of the probe's face.
    table : (5,) int64
        Numbers of interfaces, see the columns above.
    natural : bool
        The lens, if there is one, is a natural one.
    answer : (n, ANSWERS) float64, out; NaN where there is none
    """
    front, back, retina_k = table[LENS_FRONT], table[LENS_BACK], table[RETINA]
    last_k, first_seen = table[LAST], table[FIRST_SEEN]
    for i in range(count.size):
        n, at, level, out = count[i], delay_us[i], level_db[i], answer[i]
        out[:] = np.nan
        cornea, retina = pick_us[i, 0], pick_us[i, retina_k]
        if front >= 0 and not np.isnan(pick_us[i, front] + pick_us[i, back]):
            out[LENS_INSIDE_DB] = _height(
                n, at, level, pick_us[i, front] + 0.5, pick_us[i, back] - 0.4
            )
        for k in range(first_seen, retina_k + 1):
            j = _nearest(n, at, pick_us[i, k])
            if j < 0:
                continue
            if not stretch[i, j] >= out[LEAST_STRETCH]:
                out[LEAST_STRETCH] = stretch[i, j]
            if k == retina_k:
                out[RETINA_STRETCH] = stretch[i, j]
                out[RETINA_SILENCE_DB] = level[j] - max(float(before_db[i, j]), _UNHEARD_DB)
        if not np.isnan(retina):
            behind = _energy(n, at, level, retina - _SAME_US, retina + _STEP_BEHIND_US)
            before = _energy(n, at, level, retina - _STEP_BEFORE_US, retina - _SAME_US)
            unheard = 10.0 ** (0.1 * _UNHEARD_DB)
            if behind > 0.0:
                out[WALL_STEP_DB] = 10.0 * np.log10(behind / (before + unheard))
            out[WALL_DB] = _height(n, at, level, retina + 0.45, retina + 1.2)
            out[SECOND_LEVEL_DB] = _height(n, at, level, retina + 1.2, retina + 3.0)
            orbit = _energy(n, at, level, retina + 1.6, retina + 7.0)
            out[ORBIT_DB] = 10.0 * np.log10(orbit + 1.0)
            last = pick_us[i, last_k] if last_k > 0 else cornea + 0.8
            out[VITREOUS_DB] = _height(n, at, level, last + 1.6, retina - 0.8)
            start = max(last + 1.6, retina - 6.0)
            found = 0
            for j in range(n):
                inside = start <= at[j] <= retina - _SAME_US
                found += inside and level[j] >= pick_db[i, retina_k] - 20.0
            out[VITREOUS_COUNT] = found
        j = _tallest(n, at, level, face_us - 0.05, face_us + 0.6)
        if j >= 0:
            out[FACE_ECHO_US] = at[j] - face_us
        j = _tallest(n, at, level, face_us - 0.1, face_us + 0.1)
        k = _tallest(n, at, level, face_us + 0.5, face_us + 0.95)
        if j >= 0 and k >= 0:
            out[FACE_PAIR_DB] = min(float(level[j]), float(level[k]))
        out[BATH_PAIR_DB] = _bath_pair_db(n, at, level, before_db[i], face_us)
        if natural:
            out[IMPLANT_DB] = _implant_db(n, at, level, cornea)
            if first_seen == 0:
                out[SECOND_CORNEA_DB] = _pair_before(n, at, level, cornea) - pick_db[i, 0]
        else:
            # The lower of the implant's faces, or what the retina leaves room for, less 6 dB.
            reference = np.nan
            if front >= 0:
                reference = pick_db[i, front]
                if np.isnan(reference) or pick_db[i, back] < reference:
                    reference = pick_db[i, back]
            if np.isnan(reference):
                reference = 20.0
                if pick_db[i, retina_k] > 26.0:
                    reference = pick_db[i, retina_k] - 6.0
            reference -= 6.0
            out[NATURAL_DB] = _natural_db(n, at, level, cornea, reference)
