"""What an echo looks like: height, rise, width, clipped samples, level of a stretch of trace."""

from __future__ import annotations

import numpy as np

from echotrace.kernels.jit import kernel

__all__ = ["echo_shape", "window_levels"]


@kernel
def _crossing(row, start, stop, step, level):
    """Sample at which a row first falls below a level, walking from start; NaN if it does not."""
    k = start
    while k != stop:
        nxt = k + step
        if row[nxt] < level:
            return k + step * (row[k] - level) / (row[k] - row[nxt])
        k = nxt
    return np.nan


@kernel
def echo_shape(envelope, clipped, at, reach, far, height, rise, width, clipped_count):
    """Describe the echo nearest to each sample position.

    Parameters
    ----------
    envelope : (n, m) float32
    clipped : (n, m) bool
    at : (n, q) float64
        Position in samples; NaN where there is no echo.
    reach : int
        The echo's maximum is looked for within this many samples.
    far : int
        Longest rise looked for, samples.
    height : (n, q) float32, out
    rise : (n, q) float32, out
        From one tenth to nine tenths of the height, samples; NaN where the envelope does not come
        down to a tenth within ``far``.
    width : (n, q) float32, out
        Full width at half height, samples.
    clipped_count : (n, q) int32, out
    """
    n, m = envelope.shape
    for i in range(n):
        row = envelope[i]
        for j in range(at.shape[1]):
            height[i, j] = np.nan
            rise[i, j] = np.nan
            width[i, j] = np.nan
            clipped_count[i, j] = 0
            if np.isnan(at[i, j]):
                continue
            centre = int(round(at[i, j]))
            first = max(1, centre - reach)
            last = min(m - 2, centre + reach)
            if first > last:
                continue
            top = first
            for k in range(first, last + 1):
                if row[k] > row[top]:
                    top = k
                if clipped[i, k]:
                    clipped_count[i, j] += 1
            peak = row[top]
            height[i, j] = peak
            if peak <= 0.0:
                continue
            left_stop = max(0, top - far)
            right_stop = min(m - 1, top + far)
            t90 = _crossing(row, top, left_stop, -1, 0.9 * peak)
            t50 = _crossing(row, top, left_stop, -1, 0.5 * peak)
            t10 = _crossing(row, top, left_stop, -1, 0.1 * peak)
            r50 = _crossing(row, top, right_stop, 1, 0.5 * peak)
            rise[i, j] = t90 - t10
            width[i, j] = r50 - t50


@kernel
def window_levels(envelope, start, stop, largest, mean_square):
    """Largest envelope and mean square in one window of each trace.

    Parameters
    ----------
    envelope : (n, m) float32
    start, stop : (n,) float64
        Window in samples, clipped to the trace; NaN or an empty window gives NaN.
    largest, mean_square : (n,) float32, out
    """
    n, m = envelope.shape
    for i in range(n):
        largest[i] = np.nan
        mean_square[i] = np.nan
        if np.isnan(start[i]) or np.isnan(stop[i]):
            continue
        first = max(0, int(np.ceil(start[i])))
        last = min(m, int(np.floor(stop[i])) + 1)
        if first >= last:
            continue
        top = envelope[i, first]
        total = 0.0
        for k in range(first, last):
            x = envelope[i, k]
            total += x * x
            if x > top:
                top = x
        largest[i] = top
        mean_square[i] = total / (last - first)
