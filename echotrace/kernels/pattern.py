"""Questions about the echoes of an eye, asked of the candidates of each trace."""

from __future__ import annotations

import numpy as np

from echotrace.kernels.evidence import NEPERS_PER_DB
from echotrace.kernels.jit import kernel

__all__ = [
    "ANSWERS",
    "BATH_PAIR_DB",
    "FACE_PAIR_DB",
    "FLUID_UNSEEN_US",
    "FLUID_US",
    "IMPLANT_DB",
    "LAST",
    "MOST_BROADENING",
    "LENS_BACK",
    "LENS_FRONT",
    "LENS_INSIDE_DB",
    "NATURAL_DB",
    "ORBIT_DB",
    "RETINA",
    "RETINA_SILENCE_DB",
    "RETINA_BROADENING",
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
VITREOUS_DB, VITREOUS_COUNT, RETINA_BROADENING, RETINA_SILENCE_DB, MOST_BROADENING = 5, 6, 7, 8, 9
FLUID_US, FACE_PAIR_DB, BATH_PAIR_DB, IMPLANT_DB, NATURAL_DB = 10, 11, 12, 13, 14
SECOND_CORNEA_DB, FLUID_UNSEEN_US = 15, 16
ANSWERS = 17
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
# Of a cornea of 0.55 ± 0.035 mm at 1641 m/s: the mean, and three standard deviations about it.
_CORNEA_US, _CORNEA_REACH_US = 0.67, 0.12
# From the front of the thinnest cornea to its back, and of the thickest; fluid is looked for up to
# 1.7 mm.
_THIN_US, _THICK_US, _FLUID_US = 0.45, 0.95, 2.2
# A back so far behind where contact has it may be that of a thick cornea; beyond three standard
# deviations and what a curved cornea lies behind a flat face (0.05 µs) it is none.
_THIN_BY_US, _SURE_US = 0.1, 0.25
# Front and back of one cornea are alike to this; a back that is lower than something near by so
# much is none, nor one that hardly stands over the noise.
_ALIKE_DB, _LOW_DB, _HEARD_DB = 9.0, 15.0, 25.0
# The front of a cornea in contact stands so near to the face; with fluid the face alone is lower
# than the cornea by more than this.
_AT_FACE_US, _LOW_FACE_DB = 0.1, 12.0
# Sound that runs to and fro in the cornea comes back in even steps, ever lower.
_EVEN_US, _LOWER_DB = 0.08, 5.0


@kernel
def _tallest(count, at, level, start, stop):
    """Candidate of the tallest echo of a window, -1 where there is none."""
    best = -1
    for j in range(count):
        if at[j] > stop:
            break
        if at[j] >= start and (best < 0 or level[j] > level[best]):
            best = j
    return best


@kernel
def _height(count, at, level, start, stop):
    """Level of the tallest echo of a window, at least the unheard one, dB."""
    j = _tallest(count, at, level, start, stop)
    return level[j] if j >= 0 and level[j] > _UNHEARD_DB else _UNHEARD_DB


@kernel
def _shapes(count, at, level, before_db, broadening, pick, first, retina, out):
    """Shape of the echo at each pick up to the retina, and the silence before that one."""
    for k in range(first, retina + 1):
        nearest, least = -1, _SAME_US
        for j in range(count):
            apart = at[j] - pick[k]
            if apart > _SAME_US:
                break
            if abs(apart) < least:
                nearest, least = j, abs(apart)
        if nearest < 0:
            continue
        if not broadening[nearest] <= out[MOST_BROADENING]:
            out[MOST_BROADENING] = broadening[nearest]
        if k == retina:
            out[RETINA_BROADENING] = broadening[nearest]
            quiet_db = before_db[nearest]
            out[RETINA_SILENCE_DB] = level[nearest] - (
                quiet_db if quiet_db > _UNHEARD_DB else _UNHEARD_DB
            )


@kernel
def _pair(count, at, level, before_db, start, stop, silence_db):
    """Lower level of the tallest pair of a cornea's thickness whose front lies in a window, dB.

    The front stands out of the silence before it by so much; NaN where there is no such pair.
    """
    tallest = np.nan
    for j in range(count):
        if at[j] > stop:
            break
        if at[j] < start or before_db[j] >= level[j] - silence_db:
            continue
        k = _tallest(count, at, level, at[j] + _PAIR_LOW_US, at[j] + _PAIR_HIGH_US)
        if k >= 0:
            lower = level[j] if level[j] < level[k] else level[k]
            if not tallest >= lower:
                tallest = lower
    return tallest


@kernel
def _repeats(at, level, j, face_us):
    """Whether an echo is an earlier one that ran to and fro in the cornea once more.

    It then stands at a multiple of that one's way from the face, and lower; or, where the first is
    hidden, it goes on with a train of even steps that falls.
    """
    for k in range(j):
        way = at[k] - face_us
        if way <= _THIN_US:
            continue
        ways = np.rint((at[j] - face_us) / way)
        even = ways >= 2.0 and abs(at[j] - face_us - ways * way) < _EVEN_US
        if even and level[j] <= level[k] - _LOWER_DB:
            return True
        step = at[j] - at[k]
        if step < _THIN_US or step > _THICK_US or level[j] >= level[k]:
            continue
        for i in range(k):
            if abs(at[k] - at[i] - step) < _EVEN_US and level[i] > level[k]:
                return True
    return False


@kernel
def _fluid_us(count, at, level, face_us, hidden_us):
    """Fluid between face and cornea in contact, and how much may be there unseen, both µs.

    Behind the cornea lies aqueous, which is silent. So the last tall echo near the face is the back
    of the cornea, and its front lies as tall a cornea's thickness before it: at the face in
    contact, behind it with fluid. What the transmit pulse leaves hides any front before its end;
    then the back tells alone, as far as corneas are alike. NaN where nothing tells.
    """
    stop = face_us + _FLUID_US + _THICK_US
    # A face that is not heard although nothing hides it says nothing: some recorders blank it.
    at_face, clear = -1, hidden_us <= face_us - _AT_FACE_US
    if clear:
        at_face = _tallest(count, at, level, face_us - _AT_FACE_US, face_us + _AT_FACE_US)
    if at_face >= 0:
        top = _tallest(count, at, level, face_us - _AT_FACE_US, stop)
        back = _tallest(count, at, level, face_us + _THIN_US, face_us + _THICK_US)
        alike = back >= 0 and abs(level[back] - level[at_face]) <= _ALIKE_DB
        if alike and level[at_face] >= level[top] - _ALIKE_DB:
            return max(0.0, at[at_face] - face_us), 0.0
    first = max(face_us + _THIN_US, hidden_us)
    unseen = max(hidden_us - face_us - _CORNEA_US + _CORNEA_REACH_US, _SURE_US)
    top = _tallest(count, at, level, first, stop)
    if top < 0 or level[top] < _HEARD_DB:
        return np.nan, unseen
    # Where the face is heard and low, no front hides there.
    low = at_face >= 0 and level[at_face] < level[top] - _LOW_FACE_DB
    for j in range(count - 1, -1, -1):
        if at[j] > stop or at[j] < first:
            continue
        behind = at[j] - face_us - _CORNEA_US
        lowest_db = _ALIKE_DB if behind > _THIN_BY_US else _LOW_DB
        if level[j] < level[top] - lowest_db or _repeats(at, level, j, face_us):
            continue
        k = _tallest(count, at, level, max(at[j] - _THICK_US, hidden_us), at[j] - _THIN_US)
        if k >= 0 and abs(level[k] - level[j]) <= _ALIKE_DB:
            # What is left of the pulse may look like a front, where there is any.
            gap_us = at[k] - face_us
            step_us = at[j] - at[k]
            even = gap_us > _THIN_US
            even = even and abs(gap_us - np.rint(gap_us / step_us) * step_us) < _EVEN_US
            if even and not clear and level[j] < level[k]:
                # It may be a back at the face and its repeat, which is never the taller one.
                return np.nan, max(unseen, gap_us)
            return max(0.0, gap_us if clear else min(gap_us, behind)), 0.0
        if low or behind < -_CORNEA_REACH_US:
            continue
        if behind <= _THIN_BY_US:
            return max(0.0, behind), 0.0
        if behind < _SURE_US:
            return np.nan, max(unseen, behind)
        if at[j] - _CORNEA_US - _CORNEA_REACH_US < hidden_us:
            # Where contact would hide its back, that one's repeat stands at twice its delay.
            twice = abs(behind - _CORNEA_US) < 2.0 * _CORNEA_REACH_US
            if twice and hidden_us > face_us + _CORNEA_US - _CORNEA_REACH_US:
                return np.nan, max(unseen, behind)
            return behind, 0.0
    if low:
        # The cornea begins where the first tall echo stands, whatever its back looks like.
        for j in range(count):
            if at[j] > face_us + _AT_FACE_US and level[j] >= level[top] - _LOW_FACE_DB:
                return at[j] - face_us, 0.0
    return np.nan, unseen


@kernel
def _around_retina(count, at, level, last, retina, retina_db, out):
    """What stands in the vitreous, just before the retina, just behind it, and in the orbit."""
    before = behind = orbit = 0.0
    vitreous_db = wall_db = second_db = _UNHEARD_DB
    found = 0
    for j in range(count):
        here, heard = at[j], level[j]
        after = here - retina
        if after > 7.0:
            break
        if here >= last + 1.6:
            if after <= -0.8 and heard > vitreous_db:
                vitreous_db = heard
            if -6.0 <= after <= -_SAME_US and heard >= retina_db - 20.0:
                found += 1
        if after < -_STEP_BEFORE_US:
            continue
        power = np.exp(NEPERS_PER_DB * heard)
        if after <= -_SAME_US:
            before += power
        if -_SAME_US <= after <= _STEP_BEHIND_US:
            behind += power
        if 0.45 <= after <= 1.2 and heard > wall_db:
            wall_db = heard
        if 1.2 <= after <= 3.0 and heard > second_db:
            second_db = heard
        if after >= 1.6:
            orbit += power
    if behind > 0.0:
        out[WALL_STEP_DB] = 10.0 * np.log10(behind / (before + 10.0 ** (0.1 * _UNHEARD_DB)))
    out[WALL_DB] = wall_db
    out[SECOND_LEVEL_DB] = second_db
    out[ORBIT_DB] = 10.0 * np.log10(orbit + 1.0)
    out[VITREOUS_DB] = vitreous_db
    out[VITREOUS_COUNT] = found


@kernel
def _implant_db(count, at, level, cornea):
    """How clearly two tall close echoes stand where an implant would, and no natural lens, dB.

    An implant: a pair 0.25 to 2.4 µs apart behind the chamber (sound crosses silicone slowly), and
    nothing as tall where the back of a natural lens would be.
    """
    j = _tallest(count, at, level, cornea + 3.0, cornea + 8.0)
    if j < 0:
        return np.nan
    twin_db = natural_db = _UNHEARD_DB
    for k in range(count):
        behind = at[k] - at[j]
        if 0.25 <= abs(behind) <= 2.4 and level[k] > twin_db:
            twin_db = level[k]
        if 3.2 <= behind <= 8.1 and level[k] > natural_db:
            natural_db = level[k]
    alike, alone = twin_db - level[j] + 30.0, twin_db - natural_db
    return alike if alike < alone else alone


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
    between = _height(count, at, level, at[j] + 0.3, at[k] - 0.3) + 6.0
    lower = level[j] if level[j] < level[k] else level[k]
    return lower - (reference_db if reference_db > between else between)


@kernel
def ask_rows(
    count,
    delay_us,
    level_db,
    before_db,
    broadening,
    pick_us,
    pick_db,
    face_us,
    hidden_us,
    table,
    natural,
    answer,
):
    """Ask every trace.

    Parameters
    ----------
    count : (n,) int32
    delay_us : (n, c) float64, rising
    level_db, before_db, broadening : (n, c) float32
        Candidates, as :class:`echotrace.signal.candidates.Candidates` has them.
    pick_us : (n, q) float64
        Picks; NaN where there is none.
    pick_db : (n, q) float32
        Level of the echo at each pick.
    face_us : float
        Delay of the probe's face.
    hidden_us : float
        Delay before which what the transmit pulse leaves hides echoes.
    table : (5,) int64
        Numbers of interfaces, see the columns above.
    natural : bool
        The lens, if there is one, is a natural one.
    answer : (n, ANSWERS) float64, out; NaN where there is none
    """
    front, back, retina_k = table[LENS_FRONT], table[LENS_BACK], table[RETINA]
    last_k, first_seen = table[LAST], table[FIRST_SEEN]
    for i in range(count.size):
        n, at, level, before, out = count[i], delay_us[i], level_db[i], before_db[i], answer[i]
        pick, height = pick_us[i], pick_db[i]
        for k in range(ANSWERS):
            out[k] = np.nan
        cornea, retina, retina_db = pick[0], pick[retina_k], height[retina_k]
        if front >= 0 and not np.isnan(pick[front] + pick[back]):
            out[LENS_INSIDE_DB] = _height(n, at, level, pick[front] + 0.5, pick[back] - 0.4)
        _shapes(n, at, level, before, broadening[i], pick, first_seen, retina_k, out)
        if not np.isnan(retina):
            last = pick[last_k] if last_k > 0 else cornea + 0.8
            _around_retina(n, at, level, last, retina, retina_db, out)
        if first_seen == 0:
            j = _tallest(n, at, level, face_us - 0.1, face_us + 0.1)
            k = _tallest(n, at, level, face_us + 0.5, face_us + 0.95)
            if j >= 0 and k >= 0:
                out[FACE_PAIR_DB] = level[j] if level[j] < level[k] else level[k]
        else:
            out[FLUID_US], out[FLUID_UNSEEN_US] = _fluid_us(n, at, level, face_us, hidden_us)
            # Out of silence, behind where contact has none; held against the tallest echo there.
            j = _tallest(n, at, level, face_us + 0.9, np.inf)
            if j >= 0:
                pair_db = _pair(n, at, level, before, face_us + 3.0, face_us + 26.0, 30.0)
                out[BATH_PAIR_DB] = pair_db - level[j]
        if natural:
            out[IMPLANT_DB] = _implant_db(n, at, level, cornea)
            if first_seen == 0:
                # Where the cornea lies before an implant.
                pair_db = _pair(n, at, level, before, cornea - 8.0, cornea - 3.0, -np.inf)
                out[SECOND_CORNEA_DB] = pair_db - height[0]
        else:
            # The lower of the implant's faces, or what the retina leaves room for, less 6 dB.
            reference = np.nan
            if front >= 0:
                reference = height[front]
                if np.isnan(reference) or height[back] < reference:
                    reference = height[back]
            if np.isnan(reference):
                reference = retina_db - 6.0 if retina_db > 26.0 else 20.0
            out[NATURAL_DB] = _natural_db(n, at, level, cornea, reference - 6.0)
