"""The noise along a trace: its level in sixteen parts, and a smooth curve through them.

Echoes only ever raise a part. Within a part single echoes are held off by a robust scale; a part
that is full of them (a wall, a cataract) stands over the curve and is left out of it.
"""

from __future__ import annotations

import math

import numpy as np

from echotrace.kernels.extremes import largest
from echotrace.kernels.jit import filter_kernel, filter_kernel_or, kernel

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


def _capped_sum_by_arrays(squares, cap):
    return np.minimum(squares, cap).sum()


@filter_kernel_or(_capped_sum_by_arrays)
def _capped_sum(squares, cap):
    """Sum of values, none counted for more than a cap."""
    total = np.float32(0.0)
    for k in range(np.uint64(squares.size)):
        total += squares[k] if squares[k] < cap else cap
    return total


@filter_kernel
def _square(values, out):
    """Squares, filled up with zeros."""
    for k in range(np.uint64(values.size)):
        out[k] = values[k] * values[k]
    for k in range(np.uint64(values.size), np.uint64(out.size)):
        out[k] = np.float32(0.0)


@kernel
def _part_level(squares, size, expected):
    """Twice the noise's variance in a part whose first ``size`` squares count."""
    quarter = size // 4
    level = np.float32(np.inf)
    # Begin at the quietest quarter.
    for k in range(4):
        some = squares[k * quarter : (k + 1) * quarter]
        level = min(level, _capped_sum(some, np.float32(np.inf)))
    level /= np.float32(quarter)
    for _ in range(_ROUNDS):
        level = max(level, np.float32(_TINY))
        share = _capped_sum(squares, level) / (level * np.float32(size))
        step = max(1.0 + 2.0 * (share / expected - 1.0), 0.2)
        level *= np.float32(step)
        if abs(step - 1.0) < 0.1:
            break
    return level


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
    # Whole vector registers: zeros add nothing.
    return np.zeros((n_values // PARTS + 15) // 16 * 16, np.float32), np.empty((5, PARTS))


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
    squares : (k,) float32
        Scratch: zeros, from :func:`part_space`.
    space : (5, PARTS) float64
        Scratch.
    curve : (PARTS,) float64, out
    """
    size = values.size // PARTS
    least = _ROUNDING * largest(values)
    seen, weight = space[0], space[1]
    for p in range(PARTS):
        _square(values[p * size : (p + 1) * size], squares)
        level = _part_level(squares, size, expected)
        noise = max(math.sqrt(0.5 * float(level)), floor[p], least)
        seen[p] = math.log(noise)
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
        curve[p] = max(curve[p], math.log(max(floor[p], least, 1e-30)))


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
