"""What an echo looks like: height, rise, width, clipped samples, level of a window of the trace."""

from __future__ import annotations

import numpy as np

from echotrace.kernels.extremes import largest
from echotrace.kernels.jit import filter_kernel_or, kernel

__all__ = [
    "count_behind",
    "count_clipped",
    "echo_shapes",
    "shape_row",
    "tallest_between",
    "window_row",
    "windows",
]


@kernel
def _crossing(row, start, stop, step, level):
    """Sample before a row first falls below a level, walking from start, and where it does.

    NaN where it does not.
    """
    k = start
    while k != stop:
        nxt = k + step
        if row[nxt] < level:
            return k, k + step * (row[k] - level) / (row[k] - row[nxt])
        k = nxt
    return k, np.nan


@kernel
def shape_row(row, first, last, far):
    """Height, 10-90 % rise and full width at half height of the largest echo in [first, last].

    Returns
    -------
    height, rise, width : float
        Rise and width in samples; NaN where the envelope does not come down within ``far``.
    """
    top, peak = first, row[first]
    for k in range(first, last + 1):
        if row[k] > peak:
            top, peak = k, row[k]
    if peak <= 0.0:
        return float(peak), np.nan, np.nan
    left_stop = max(0, top - far)
    right_stop = min(row.size - 1, top + far)
    # One walk down the flank: a lower level is first met where the level above it was, or further.
    k, t90 = _crossing(row, top, left_stop, -1, 0.9 * peak)
    k, t50 = _crossing(row, k, left_stop, -1, 0.5 * peak)
    k, t10 = _crossing(row, k, left_stop, -1, 0.1 * peak)
    _, r50 = _crossing(row, top, right_stop, 1, 0.5 * peak)
    return float(peak), t90 - t10, r50 - t50


@kernel
def count_clipped(row, first, last):
    """Clipped samples in [first, last]."""
    found = 0
    for k in range(first, last + 1):
        found += row[k]
    return found


@kernel
def echo_shapes(envelope, clipped, at, reach, far, height, rise, width, clipped_count):
    """Describe the echo nearest to each sample position.

    Parameters
    ----------
    envelope : (n, m) float32
    clipped : (n, m) uint8
    at : (n, q) float64
        Position in samples; NaN where there is no echo.
    reach : int
        The echo's maximum is looked for within this many samples.
    far : int
        Longest rise looked for, samples.
    height, rise, width : (n, q) float32, out
        See :func:`shape_row`.
    clipped_count : (n, q) int32, out
    """
    n, m = envelope.shape
    for i in range(n):
        for j in range(at.shape[1]):
            height[i, j] = np.nan
            rise[i, j] = np.nan
            width[i, j] = np.nan
            clipped_count[i, j] = 0
            if np.isnan(at[i, j]):
                continue
            centre = int(np.rint(at[i, j]))
            first = max(1, centre - reach)
            last = min(m - 2, centre + reach)
            if first > last:
                continue
            height[i, j], rise[i, j], width[i, j] = shape_row(envelope[i], first, last, far)
            clipped_count[i, j] = count_clipped(clipped[i], first, last)


def _power_by_arrays(row):
    return row @ row


@filter_kernel_or(_power_by_arrays)
def _power(row):
    """Sum of squares."""
    total = np.float32(0.0)
    for k in range(row.size):
        total += row[k] * row[k]
    return total


@kernel
def window_row(row, start, stop):
    """Largest value and mean square between two positions; NaN where nothing lies there."""
    if np.isnan(start) or np.isnan(stop):
        return np.nan, np.nan
    first = max(0, int(np.ceil(start)))
    last = min(row.size, int(np.floor(stop)) + 1)
    if first >= last:
        return np.nan, np.nan
    inside = row[first:last]
    return float(largest(inside)), float(_power(inside)) / (last - first)


@kernel
def windows(envelope, start, stop, tallest, mean_square):
    """Largest envelope and mean square in windows of each trace.

    Parameters
    ----------
    envelope : (n, m) float32
    start, stop : (n, w) float64
        In columns of ``envelope``, clipped to the trace.
    tallest, mean_square : (n, w) float32, out
    """
    for i in range(envelope.shape[0]):
        for k in range(start.shape[1]):
            tallest[i, k], mean_square[i, k] = window_row(envelope[i], start[i, k], stop[i, k])


@kernel
def count_behind(count, delay, near, reach, behind):
    """Echoes farther than a reach behind the first that stands behind the near field.

    Parameters
    ----------
    count : (n,) int32
    delay : (n, c) float64, rising
    near, reach : float
        End of the near field, and the reach; zero counts the first one too.
    behind : (n,) float32, out
    """
    for i in range(count.size):
        found, start = 0, np.inf
        for j in range(count[i]):
            at = delay[i, j]
            if at > near:
                start = min(start, at + reach)
                found += at >= start
        behind[i] = found


@kernel
def tallest_between(count, delay, level, low, high, known, tolerance, tallest):
    """Level of the tallest echo between two delays that is not one of the known ones.

    Parameters
    ----------
    count : (n,) int32
    delay : (n, c) float64, rising
    level : (n, c) float32
    low, high : (n,) float64
    known : (n, r) float64
        Delays at which an echo is left out; NaN for none.
    tolerance : float
    tallest : (n,) float32, out; NaN where there is none
    """
    for i in range(count.size):
        tallest[i] = np.nan
        for j in range(count[i]):
            at = delay[i, j]
            if not (low[i] < at < high[i]) or level[i, j] <= tallest[i]:
                continue
            left_out = False
            for k in range(known.shape[1]):
                left_out |= abs(at - known[i, k]) < tolerance
            if not left_out:
                tallest[i] = level[i, j]
