"""Candidate echoes of a trace.

:func:`find_row` works on one trace; :func:`find_rows` is a loop around it, and the fused walk
calls the same rows.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from echotrace.kernels.extremes import largest
from echotrace.kernels.jit import filter_kernel, filter_kernel_or, kernel
from echotrace.kernels.logarithm import ln

__all__ = ["LANES", "SearchPlan", "find_row", "find_rows", "find_space"]

LANES = 16
"""Echoes are taken so many at a time."""

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


# Rows of the scratch of find_row.
_LEFT, _MIDDLE, _RIGHT, _BEFORE, _ARM_LEFT, _ARM_MIDDLE, _ARM_RIGHT, _OFFSET = range(8)


@kernel
def find_space(n_grid, n_candidates):
    """Scratch of :func:`find_row`: three rows of whole numbers, and those eight, of float32."""
    return np.zeros((3 + 8, max(n_grid, n_candidates)), np.int32)


def _describe_by_arrays(seen, per_noise, per_curvature, offset, level_db, before_db, broadening):
    n, db = offset.size, np.float32(_DB)
    left, middle, right, before, arm_left, arm_middle, arm_right, _ = seen[:, :n]
    rise, fall = np.log(middle / left), np.log(middle / right)
    tilt, bend = rise - fall, rise + fall
    at = np.clip(np.float32(0.5) * tilt / np.maximum(bend, _TINY), -0.5, 0.5)
    offset[:] = np.where(bend > 0.0, at, np.float32(0.0))
    level_db[:n] = db * (np.log(middle * per_noise) + np.float32(0.25) * tilt * offset)
    quiet_db = db * np.log(np.maximum(before * per_noise, _TINY))
    before_db[:n] = np.where(before > 0.0, quiet_db, -np.inf)
    arms = np.log((arm_middle / arm_left) * (arm_middle / arm_right))
    broadening[:n] = -np.log(np.maximum(arms * per_curvature, np.float32(0.02)))


@filter_kernel_or(_describe_by_arrays)
def _describe(seen, per_noise, per_curvature, offset, level_db, before_db, broadening):
    """Parabola through the logarithm of each echo's peak, level before it, and its curvature."""
    left, middle, right, before = seen[_LEFT], seen[_MIDDLE], seen[_RIGHT], seen[_BEFORE]
    arm_left, arm_middle, arm_right = seen[_ARM_LEFT], seen[_ARM_MIDDLE], seen[_ARM_RIGHT]
    half, quarter, zero = np.float32(0.5), np.float32(0.25), np.float32(0.0)
    db, tiny = np.float32(_DB), np.float32(_TINY)
    for j in range(np.uint64(offset.size)):
        rise, fall = ln(middle[j] / left[j]), ln(middle[j] / right[j])
        tilt, bend = rise - fall, rise + fall
        at = min(half, max(-half, half * tilt / max(bend, tiny)))
        at = at if bend > zero else zero
        offset[j] = at
        level_db[j] = db * (ln(middle[j] * per_noise) + quarter * tilt * at)
        quiet_db = db * ln(max(before[j] * per_noise, tiny))
        before_db[j] = quiet_db if before[j] > zero else np.float32(-np.inf)
        arms = ln((arm_middle[j] / arm_left[j]) * (arm_middle[j] / arm_right[j]))
        broadening[j] = -ln(max(arms * per_curvature, np.float32(0.02)))


@kernel
def find_row(plan, row, noise, space, sample, delay_us, level_db, before_db, broadening):
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
    level_db, before_db, broadening : (c,) float32, out
        See :class:`echotrace.signal.candidates.Candidates`; what lies beyond the last echo means
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
    n = min((found + LANES - 1) // LANES * LANES, sample.size)
    seen[:, found:n] = np.float32(1.0)
    _describe(
        seen, np.float32(1.0 / noise), np.float32(1.0 / plan.curvature), seen[_OFFSET][:n],
        level_db, before_db, broadening,
    )  # fmt: skip
    for j in range(found):
        position = (at[j] + float(seen[_OFFSET, j])) * plan.stride
        sample[j] = int(np.rint(position))
        delay_us[j] = plan.start_us + position * plan.step_us
    return found


@kernel
def find_rows(plan, grid, noise, count, sample, delay_us, level_db, before_db, broadening):
    """:func:`find_row` for every row of ``grid`` (n, m)."""
    space = find_space(grid.shape[1], sample.shape[1])
    for i in range(grid.shape[0]):
        count[i] = find_row(
            plan, grid[i], noise[i], space, sample[i], delay_us[i], level_db[i], before_db[i],
            broadening[i],
        )  # fmt: skip
