"""The noise along a trace: its level in sixteen parts, and a smooth curve through them.

Echoes only ever raise a part. Within a part single echoes are held off by a robust scale; a part
that is full of them (a wall, a cataract) stands over the curve and is left out of it.
"""

from __future__ import annotations

import math

import numpy as np

from echotrace.kernels.extremes import largest
from echotrace.kernels.jit import filter_kernel_or, kernel
from echotrace.kernels.logarithm import ln

__all__ = [
    "LEAST_PART",
    "NORMAL",
    "PARTS",
    "RAYLEIGH",
    "part_space",
    "profile_at",
    "profile_of",
    "profile_rows",
]

PARTS = 16
LEAST_PART = 8
"""Values of a part: of fewer its level cannot be told, and the trace has one level."""

# Mean of min(x / s, 1) at s = twice the variance, where x is the square of the values: of a
# Rayleigh envelope (1 - 1/e), and of normal values (chi-squared of one and three degrees).
RAYLEIGH, NORMAL = 0.632121, 0.371106

_ROUNDS = 6
# Relative spread of a part's level for n independent values: 0.68 / sqrt(n); neighbours are not
# quite independent.
_SPREAD = 0.75
# A part that stands over the curve by more than this many spreads holds more than noise.
_SLACK = 2.0
# Nor does noise jump: by more than 5 dB from a part to the next it is a crowd of echoes (a wall at
# the end, ring-down at the start), and one until it has come back.
_JUMP, _BEHIND_JUMP = 0.6, 0.15
# Weight of the curve's bends (second differences) against parts of 25 values: a time gain bends
# over a few microseconds, and six parts or so share what they say of the level.
_STIFFNESS, _STIFFNESS_AT = 4.0, 25.0
# A part left out still holds the curve where nothing else does.
_LITTLE = 1e-3
_ROUNDING = 1e-6
_TINY = 1e-18
# Of the square of the noise: what float32 holds.
_LEAST = 1e-36


def _square_by_arrays(values, size, out):
    out[:size] = values[: PARTS * size].reshape(PARTS, size).T ** 2


@filter_kernel_or(_square_by_arrays)
def _square(values, size, out):
    """Squares of the values, one column a part: all parts are gone through side by side."""
    for k in range(np.uint64(size)):
        row = out[k]
        for p in range(np.uint64(PARTS)):
            x = values[p * np.uint64(size) + k]
            row[p] = x * x


def _quietest_by_arrays(squares, size, level, total):
    quarter = size // 4
    squares[: 4 * quarter].reshape(4, quarter, PARTS).sum(axis=1).min(axis=0, out=total)
    level[:] = total / np.float32(quarter)


@filter_kernel_or(_quietest_by_arrays)
def _quietest(squares, size, level, total):
    """Begin at the mean of the quietest quarter of each part."""
    quarter = np.uint64(size // 4)
    level[:] = np.float32(np.inf)
    for q in range(np.uint64(4)):
        total[:] = np.float32(0.0)
        for k in range(q * quarter, (q + np.uint64(1)) * quarter):
            row = squares[k]
            for p in range(np.uint64(PARTS)):
                total[p] += row[p]
        for p in range(np.uint64(PARTS)):
            level[p] = total[p] if total[p] < level[p] else level[p]
    for p in range(np.uint64(PARTS)):
        level[p] /= np.float32(quarter)


def _capped_sums_by_arrays(squares, cap, total):
    total[:] = np.minimum(squares, cap).sum(axis=0)


@filter_kernel_or(_capped_sums_by_arrays)
def _capped_sums(squares, cap, total):
    """Sum of each part, no value counted for more than its part's cap."""
    total[:] = np.float32(0.0)
    for k in range(np.uint64(squares.shape[0] // 4)):
        first = np.uint64(4) * k
        a, b = squares[first], squares[first + np.uint64(1)]
        c, d = squares[first + np.uint64(2)], squares[first + np.uint64(3)]
        for p in range(np.uint64(PARTS)):
            most = cap[p]
            one = (a[p] if a[p] < most else most) + (b[p] if b[p] < most else most)
            other = (c[p] if c[p] < most else most) + (d[p] if d[p] < most else most)
            total[p] += one + other


def _step_by_arrays(level, total, moving, expected_sum):
    step = moving * np.maximum(2.0 * (total / (level * expected_sum)) - 2.0, np.float32(-0.8))
    level += step * level
    moving[:] = step * step >= 0.01


@filter_kernel_or(_step_by_arrays)
def _step(level, total, moving, expected_sum):
    """Move each level that is still on its way towards that which its capped sum asks for."""
    one, least = np.float32(1.0), np.float32(0.2)
    for p in range(np.uint64(PARTS)):
        step = np.float32(2.0) * (total[p] / (level[p] * expected_sum)) - one
        step = moving[p] * ((step if step > least else least) - one)
        level[p] += step * level[p]
        on_its_way = step * step >= np.float32(0.01)
        moving[p] = one if on_its_way else np.float32(0.0)


def _raise_to_by_arrays(level, least):
    np.maximum(level, least, out=level)


@filter_kernel_or(_raise_to_by_arrays)
def _raise_to(level, least):
    for p in range(np.uint64(PARTS)):
        level[p] = level[p] if level[p] > least else least


@kernel
def _part_levels(squares, size, expected, lanes):
    """Twice the noise's variance in each part: ``lanes[0]``. Parts have ``size`` values."""
    level, total, moving = lanes[0], lanes[1], lanes[2]
    _quietest(squares, size, level, total)
    moving[:] = np.float32(1.0)
    for _ in range(_ROUNDS):
        _raise_to(level, np.float32(_TINY))
        _capped_sums(squares, level, total)
        _step(level, total, moving, np.float32(expected * size))
        if largest(moving) == np.float32(0.0):
            break


def _logarithms_by_arrays(level, floor, least, seen, lowest):
    low = np.maximum(floor * floor, least)
    seen[:] = 0.5 * np.log(np.maximum(0.5 * level, low))
    lowest[:] = 0.5 * np.log(low)


@filter_kernel_or(_logarithms_by_arrays)
def _logarithms(level, floor, least, seen, lowest):
    """Of the noise, and of the least that it can be."""
    half = np.float32(0.5)
    for p in range(np.uint64(PARTS)):
        low = floor[p] * floor[p]
        low = low if low > least else least
        power = half * level[p]
        seen[p] = half * ln(power if power > low else low)
        lowest[p] = half * ln(low)


@kernel
def _solve(weight, stiffness, values, curve, factor):
    """Weighted smoothing by second differences: a banded Cholesky (LDL) solution."""
    n = values.size
    d, u, v = factor[0], factor[1], factor[2]
    for i in range(n):
        inner = min(i, n - 1 - i)
        bend = 1.0 if inner == 0 else 5.0 if inner == 1 else 6.0
        # A trace of crowds alone still has a curve.
        own = weight[i] + 1e-6
        d[i] = own + stiffness * bend
        u[i] = stiffness * (-2.0 if i in (0, n - 2) else -4.0)
        v[i] = stiffness
        if i >= 1:
            d[i] -= d[i - 1] * u[i - 1] * u[i - 1]
            u[i] -= d[i - 1] * u[i - 1] * v[i - 1]
        if i >= 2:
            d[i] -= d[i - 2] * v[i - 2] * v[i - 2]
        u[i] /= d[i]
        v[i] /= d[i]
        curve[i] = own * values[i]
        if i >= 1:
            curve[i] -= u[i - 1] * curve[i - 1]
        if i >= 2:
            curve[i] -= v[i - 2] * curve[i - 2]
    for i in range(n - 1, -1, -1):
        curve[i] /= d[i]
        if i + 1 < n:
            curve[i] -= u[i] * curve[i + 1]
        if i + 2 < n:
            curve[i] -= v[i] * curve[i + 2]


@kernel
def _leave_out_crowds(seen, limit, weight):
    """Give no weight to what follows a jump, as long as it stays up there."""
    low = seen[0]
    for p in range(1, seen.size):
        if seen[p] > low + _JUMP + limit:
            weight[p] = 0.0
            low += _BEHIND_JUMP
        else:
            low = seen[p]


@kernel
def part_space(n_values):
    """Scratch of :func:`profile_of` for rows of so many values."""
    # Whole steps of four: zeros add nothing.
    size = (n_values // PARTS + 3) // 4 * 4
    return np.zeros((size + 6, PARTS), np.float32), np.empty((5, PARTS))


@kernel
def profile_of(values, expected, floor, squares, space, curve):
    """Logarithm of the noise's standard deviation at the middle of each part of a trace.

    Parameters
    ----------
    values : (m,) float32
        Zero or more, of which ``m // PARTS`` fall to a part; at least ``LEAST_PART``.
    expected : float
        ``RAYLEIGH`` for magnitudes of complex values (noise of one quadrature), ``NORMAL`` for
        magnitudes of normal ones.
    floor : (PARTS,) float64
        The noise is at least this.
    squares : (k, PARTS) float32
    space : (5, PARTS) float64
        Scratch, from :func:`part_space`.
    curve : (PARTS,) float64, out
    """
    size = values.size // PARTS
    least = np.float32(_ROUNDING * largest(values))
    seen, weight = space[0], space[1]
    lanes = squares[squares.shape[0] - 6 :]
    _square(values, size, squares)
    _part_levels(squares[: squares.shape[0] - 6], size, expected, lanes)
    for p in range(PARTS):
        lanes[3, p] = floor[p]
    _logarithms(lanes[0], lanes[3], max(least * least, np.float32(_LEAST)), lanes[4], lanes[5])
    for p in range(PARTS):
        seen[p] = lanes[4, p]
    limit = _SLACK * _SPREAD / math.sqrt(size)
    weight[:] = 1.0
    _leave_out_crowds(seen, limit, weight)
    _leave_out_crowds(seen[::-1], limit, weight[::-1])
    stiffness = _STIFFNESS * _STIFFNESS_AT / size
    for _ in range(4):
        _solve(weight, stiffness, seen, curve, space[2:])
        same = True
        for p in range(PARTS):
            if weight[p] == 0.0:
                continue
            new = _LITTLE if seen[p] > curve[p] + limit else 1.0
            same &= new == weight[p]
            weight[p] = new
        if same:
            break
    for p in range(PARTS):
        curve[p] = max(curve[p], float(lanes[5, p]))


@kernel
def profile_at(curve, position):
    """The curve at a place counted in parts; beyond the middles of the outer ones, theirs."""
    x = min(max(position - 0.5, 0.0), PARTS - 1.0)
    k = min(int(x), PARTS - 2)
    return math.exp(curve[k] + (x - k) * (curve[k + 1] - curve[k]))


@kernel
def profile_rows(rows, expected, floor, out):
    """:func:`profile_of` for every row of ``rows`` (n, m); ``floor``, ``out`` (n, PARTS)."""
    squares, space = part_space(rows.shape[1])
    for i in range(rows.shape[0]):
        profile_of(rows[i], expected, floor[i], squares, space, out[i])
