"""Samples to picks and features in one walk over each trace, while it is in cache.

The plain chain (:mod:`echotrace.signal.conditioning` and what follows) filters whole traces at the
full rate by fast Fourier transform. Here :mod:`echotrace.kernels.filters` filters them at a lower
one. What needs the full rate, the surroundings of chosen echoes, is filtered there and nowhere
else.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from echotrace.kernels.choice import choose_row
from echotrace.kernels.echoes import find_row, find_space
from echotrace.kernels.evidence import choice_space
from echotrace.kernels.extremes import extremes
from echotrace.kernels.features import count_clipped, shape_row, window_row
from echotrace.kernels.filters import (
    ARM,
    amplitude_of,
    band,
    every_second,
    magnitude,
    matched_at,
    matched_grid,
    split_by_phase,
    to_baseband,
)
from echotrace.kernels.jit import kernel, kernel_or
from echotrace.kernels.noise import ENVELOPE, noise_of
from echotrace.kernels.noise_profile import (
    LEAST_PART,
    PARTS,
    RAYLEIGH,
    part_space,
    profile_at,
    profile_of,
)

__all__ = ["FEATURES", "ReadPlan", "Reading", "read_rows"]


class ReadPlan(NamedTuple):
    """What is read off a trace once its echoes are chosen.

    Attributes
    ----------
    clip_high, clip_low : float32
        Samples at or beyond are clipped.
    flat_tops : bool
        The limit is not known: flat tops tell.
    offset_sample : float
        Calibrated offset of the picker, samples.
    climb : int
        How far the full-rate peak may lie from the grid's, samples.
    skirt : int
        An echo nearer to an end of the trace is not wholly inside it.
    first_sample : float
        Position of a known first interface, NaN where it is looked for.
    reach, far : int
        As in :func:`echotrace.kernels.features.echo_shapes`.
    lsb_noise : (3,) float64
        Noise of the plain envelope, the matched output, and its slope per µs that rounding to a
        step of one leaves.
    window : (w, 4) float64
        Interface each window begins at, offset from there, samples; and the same for its end.
    """

    clip_high: Any
    clip_low: Any
    flat_tops: bool
    offset_sample: float
    climb: int
    skirt: int
    first_sample: float
    reach: int
    far: int
    lsb_noise: Any
    window: Any


# Columns of Reading.feature.
MARGIN, SAMPLE, U_SAMPLE, HEIGHT, RISE, WIDTH, CLIPPED = 0, 1, 2, 3, 4, 5, 6
FEATURES = 7


class Reading(NamedTuple):
    """What is read off ``n`` traces: ``c`` candidates, ``q`` interfaces, ``w`` windows.

    Attributes
    ----------
    count : (n,) int32
    sample : (n, c) int32
    delay_us : (n, c) float64
    level_db, before_db, broadening : (n, c) float32
    feature : (n, q, FEATURES) float64
        Lead of the joint choice; pick and its standard uncertainty, samples; height, rise and
        width (samples) of its echo in the plain envelope, and its clipped samples.
    noise : (n,) float64
        Of the plain envelope.
    clipped : (n,) int64
        Clipped samples of the whole trace.
    window : (n, w, 2) float32
        Largest value and mean square of the plain envelope.
    """

    count: Any
    sample: Any
    delay_us: Any
    level_db: Any
    before_db: Any
    broadening: Any
    feature: Any
    noise: Any
    clipped: Any
    window: Any


def _mark_limit_by_arrays(samples, high, low, clipped):
    clipped[:] = (samples >= high) | (samples <= low)
    return int(np.count_nonzero(clipped))


@kernel_or(_mark_limit_by_arrays)
def _mark_limit(samples, high, low, clipped):
    """Mark the samples that stand at the limit; count them."""
    found = 0
    for k in range(samples.size):
        x = np.float32(samples[k])
        clipped[k] = x >= high or x <= low
        found += clipped[k]
    return found


@kernel
def _flat_tops(samples, high, low, clipped):
    """Mark runs of three or more samples at a trace's own largest or smallest value; count them."""
    total, length = 0, 0
    for k in range(samples.size + 1):
        if k < samples.size and (samples[k] == high or samples[k] == low):
            length += 1
        elif length:
            if length >= 3:
                clipped[k - length : k] = 1
                total += length
            length = 0
    return total


@kernel
def _pick(signal, shift, taps, start, climb):
    """Sub-sample peak of the matched envelope near a sample; ``shift`` is where sample 0 starts.

    Returns
    -------
    position : float
        NaN where there is no peak.
    sharpness : float
        Height times curvature of the logarithm, per sample squared.
    """
    k = start
    before = matched_at(signal, shift + k - 1, taps)
    middle = matched_at(signal, shift + k, taps)
    after = matched_at(signal, shift + k + 1, taps)
    while after > middle and after > before and k < start + climb:
        k += 1
        before, middle = middle, after
        after = matched_at(signal, shift + k + 1, taps)
    while before > middle and before > after and k > start - climb:
        k -= 1
        after, middle = middle, before
        before = matched_at(signal, shift + k - 1, taps)
    # No extrapolation: where it still rises at the end of the reach, no echo stands there.
    if after > middle or before > middle:
        return np.nan, np.nan
    tiny = 1e-300
    before, middle, after = max(before, tiny), max(middle, tiny), max(after, tiny)
    rise, fall = math.log(middle / before), math.log(middle / after)
    curvature, tilt = rise + fall, rise - fall
    if not curvature > 0.0:
        return np.nan, np.nan
    offset = min(1.0, max(-1.0, 0.5 * tilt / curvature))
    height = middle * math.exp(0.25 * tilt * offset)
    return k + offset, height * curvature


@kernel
def _shape(row, sample_scale, trace_scale, taps, half, reach, far, centre, near):
    """Height, rise and width of the echo near a sample, filtered at the full rate around it.

    A short window nearly always holds the whole rise; only where it does not, longer ones are
    filtered. ``near`` is scratch of four rows.
    """
    n_samples = row.size
    first, last = max(1, centre - reach), min(n_samples - 2, centre + reach)
    height, rise, width = np.nan, np.nan, np.nan
    if first > last:
        return height, rise, width
    left, right = max(1, reach // 2), 0
    while True:
        begin, end = max(0, first - left), min(n_samples, last + right + 1)
        n = (end - begin + 7) // 8 * 8
        amplitude_of(row, sample_scale, trace_scale, begin - half, near[0][: n + taps.shape[2]])
        band(near, taps, near[1][:n], near[2][:n])
        envelope = near[3][: end - begin]
        magnitude(near[1], near[2], envelope)
        height, rise, width = shape_row(envelope, first - begin, last - begin, far)
        if left == far or not (np.isnan(rise) or np.isnan(width)):
            return height, rise, width
        left = right = min(far, 6 * left)


@kernel
def read_rows(samples, trace_scale, sample_scale, step, filters, search, chooser, plan, out):
    """Read everything off traces, one after the other.

    Parameters
    ----------
    samples : (n, m) int16 or float32
    trace_scale : (n,) float32
    sample_scale : (m,) float32
        Amplitude is sample times both.
    filters : FilterPlan
    search : SearchPlan
    chooser : ChoicePlan
    plan : ReadPlan
    out : Reading
    """
    n, m = samples.shape
    n_grid, stride, lead = filters.n_grid, filters.stride, filters.lead
    columns = (m + stride - 1) // stride
    split_scale = np.zeros((stride, columns), np.float32)
    for k in range(m):
        split_scale[k % stride, k // stride] = sample_scale[k]
    n_band = filters.turn.shape[1]
    rows = np.zeros((stride, max(n_band + filters.band.shape[2], lead + columns)), np.float32)
    clipped = np.zeros(m, np.uint8)
    room = 2 * (plan.reach + plan.far) + 16 + filters.near.shape[2] + filters.pulse.shape[1]
    near = np.zeros((4, room), np.float32)
    real, imag = np.empty(n_band, np.float32), np.empty(n_band, np.float32)
    envelope, matched = np.empty(n_grid, np.float32), np.empty(n_grid, np.float32)
    slope, sparse = np.empty(n_grid, np.float32), np.empty((n_grid + 1) // 2, np.float32)
    search_space = find_space(n_grid, out.sample.shape[1])
    q = out.feature.shape[1]
    choice, margin, place = np.empty(q, np.int32), np.empty(q), np.empty(q)
    space = choice_space(q, out.sample.shape[1])
    # Slopes at the very ends have no neighbours on both sides.
    last_slope = min(sparse.size, (m - 3) // (2 * stride) + 1)
    part = (last_slope - 1) // PARTS
    squares, part_scratch = part_space(last_slope)
    floor, curve = np.zeros(PARTS), np.zeros(PARTS)
    noise = plan.lsb_noise
    marked = 0
    for i in range(n):
        row, scale = samples[i], trace_scale[i]
        # First what takes long enough to hide that the samples come from memory.
        split_by_phase(row, split_scale, scale, lead, rows)
        if marked:
            clipped[:] = 0
        marked = 0
        high, low = extremes(row)
        if plan.flat_tops:
            marked = _flat_tops(row, high, low, clipped)
        elif np.float32(high) >= plan.clip_high or np.float32(low) <= plan.clip_low:
            marked = _mark_limit(row, plan.clip_high, plan.clip_low, clipped)
        out.clipped[i] = marked
        band(rows, filters.band, real, imag)
        to_baseband(filters.turn, real, imag)
        magnitude(real[ARM:], imag[ARM:], envelope)
        matched_grid(real, imag, filters.rest, matched, slope)
        rounding = step[i]
        every_second(envelope, sparse)
        out.noise[i] = max(noise_of(sparse, ENVELOPE), rounding * noise[0])
        every_second(matched, sparse)
        matched_noise = max(noise_of(sparse, ENVELOPE), rounding * noise[1])
        every_second(slope, sparse)
        slopes = sparse[1:last_slope]
        if part >= LEAST_PART:
            for p in range(PARTS):
                # Rounding in the middle of the part, as its gain makes it.
                at = int((1 + (p + 0.5) * part) * 2 * stride)
                floor[p] = sample_scale[at] * scale * noise[2] if rounding > 0.0 else 0.0
            profile_of(slopes, RAYLEIGH, floor, squares, part_scratch, curve)
        else:
            curve[:] = math.log(max(noise_of(slopes, ENVELOPE), rounding * noise[2]))
        count = find_row(
            search, matched, matched_noise, search_space, out.sample[i], out.delay_us[i],
            out.level_db[i], out.before_db[i], out.broadening[i],
        )  # fmt: skip
        out.count[i] = count
        choose_row(
            chooser, count, out.delay_us[i], out.level_db[i], out.before_db[i], out.broadening[i],
            space, choice, margin,
        )  # fmt: skip
        for k in range(q):
            position, u_sample = np.nan, np.nan
            height, rise, width, n_clipped = np.nan, np.nan, np.nan, 0
            start = out.sample[i, choice[k]] if choice[k] >= 0 else -1
            if plan.skirt <= start < m - plan.skirt:
                first = start - plan.climb - 1 - filters.pulse_half
                around = near[0][: filters.pulse.shape[1] + 2 * plan.climb + 3]
                amplitude_of(row, sample_scale, scale, first, around)
                position, sharpness = _pick(
                    around, -first - filters.pulse_half, filters.pulse, start, plan.climb
                )
                position -= plan.offset_sample
                place_in_parts = (start / (2.0 * stride) - 1.0) / max(part, 1)
                u_sample = profile_at(curve, place_in_parts) * search.step_us / sharpness
            if not np.isnan(position):
                centre = int(np.rint(position))
                height, rise, width = _shape(
                    row, sample_scale, scale, filters.near, filters.near_half, plan.reach,
                    plan.far, centre, near,
                )  # fmt: skip
                n_clipped = count_clipped(
                    clipped, max(1, centre - plan.reach), min(m - 2, centre + plan.reach)
                )
            place[k] = position
            feature = out.feature[i, k]
            feature[MARGIN], feature[SAMPLE], feature[U_SAMPLE] = margin[k], position, u_sample
            feature[HEIGHT], feature[RISE], feature[WIDTH] = height, rise, width
            feature[CLIPPED] = n_clipped
        if not np.isnan(plan.first_sample):
            place[0] = plan.first_sample
        for w in range(plan.window.shape[0]):
            begins, after, ends, before = plan.window[w]
            out.window[i, w, 0], out.window[i, w, 1] = window_row(
                envelope,
                (place[int(begins)] + after) / stride,
                (place[int(ends)] + before) / stride,
            )
