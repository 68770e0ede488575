"""Samples to picks and figures in one walk over each trace, while it is in cache.

The plain chain (:mod:`echotrace.signal.conditioning` and what follows) filters whole traces at the
full rate by fast Fourier transform. Here the quadrature filter of the plain envelope is evaluated
at every ``stride``-th sample only; at that rate a short second filter turns it into the matched
filter's output, for the matched filter of a Gaussian pulse is the narrower Gaussian of the plain
envelope followed by another. What needs the full rate, the surroundings of chosen echoes, is
filtered there and nowhere else.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from echotrace.kernels.echoes import choice_space, choose_row, find_row, find_space
from echotrace.kernels.extremes import extremes
from echotrace.kernels.features import count_clipped, shape_row, window_row
from echotrace.kernels.jit import filter_kernel, kernel
from echotrace.kernels.noise import ENVELOPE, SLOPE, noise_of

__all__ = ["ARM", "TAPS", "FilterPlan", "ReadPlan", "Reading", "read_rows"]

ARM = 5
"""Grid points on either side of the second filter's centre."""
TAPS = 7
"""Taps of the band that are held in registers at a time."""


class FilterPlan(NamedTuple):
    """Filters as arrays of float32.

    Attributes
    ----------
    stride : int
        Samples between grid points.
    n_grid : int
        Grid points of a trace.
    lead : int
        Columns of zeros in front of the samples once they are split by phase (see :func:`_split`).
    pulse_half : int
        Taps of ``pulse`` before its centre.
    band : (2, stride, TAPS * a) float32
        Taps of the plain envelope's band about the carrier, cosine and sine, split by phase.
    near : (2, 1, TAPS * b) float32
        The same taps in a row, for the full rate.
    near_half : int
        Taps of ``near`` before its centre.
    turn : (2, k) float32
        Carrier at the grid points, from ``ARM`` before the first on, by which the output is
        brought to baseband.
    rest : (2, ARM + 1) float32
        Half of the second filter (symmetric), and of its derivative per µs (antisymmetric).
    pulse : (2, p) float32
        Taps of the whole matched filter.
    """

    stride: int
    n_grid: int
    lead: int
    pulse_half: int
    band: Any
    near: Any
    near_half: int
    turn: Any
    rest: Any
    pulse: Any


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
    step_noise : (3,) float64
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
    step_noise: Any
    window: Any


# Columns of Reading.figure.
MARGIN, SAMPLE, U_SAMPLE, HEIGHT, RISE, WIDTH, CLIPPED = 0, 1, 2, 3, 4, 5, 6
FIGURES = 7


class Reading(NamedTuple):
    """What is read off ``n`` traces: ``c`` candidates, ``q`` interfaces, ``w`` windows.

    Attributes
    ----------
    count : (n,) int32
    sample : (n, c) int32
    delay_us : (n, c) float64
    level_db, before_db, stretch : (n, c) float32
    figure : (n, q, FIGURES) float64
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
    stretch: Any
    figure: Any
    noise: Any
    clipped: Any
    window: Any


@kernel
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


@filter_kernel
def _amplitude(samples, sample_scale, trace_scale, first, out):
    """Samples from ``first`` on with gain and time gain undone; zeros beyond the trace."""
    before = min(max(-first, 0), out.size)
    stop = max(before, min(out.size, samples.size - first))
    out[:before] = np.float32(0.0)
    out[stop:] = np.float32(0.0)
    x = samples[first + before : first + stop]
    scale = sample_scale[first + before : first + stop]
    amplitude = out[before:stop]
    for k in range(x.size):
        amplitude[k] = np.float32(x[k]) * scale[k] * trace_scale


@filter_kernel
def _split(samples, sample_scale, trace_scale, lead, out):
    """Undo gain and time gain, and put every ``stride``-th sample in a row of its own.

    The filter of every ``stride``-th output then reads and writes neighbours, and fills vector
    registers without sums across them.

    Parameters
    ----------
    samples : (m,)
    sample_scale : (stride, columns) float32
        Split in the same way.
    trace_scale : float32
    lead : int
    out : (stride, lead + columns or more) float32
        From column ``lead`` on.
    """
    stride = np.uint64(out.shape[0])
    whole = np.uint64(samples.size) // stride
    if stride == 5:
        # A distance that the compiler knows makes this three times faster.
        s0, s1, s2, s3, s4 = (
            sample_scale[0], sample_scale[1], sample_scale[2], sample_scale[3], sample_scale[4],
        )  # fmt: skip
        o0, o1, o2, o3, o4 = (
            out[0][lead:], out[1][lead:], out[2][lead:], out[3][lead:], out[4][lead:],
        )  # fmt: skip
        for k in range(whole):
            at = np.uint64(5) * k
            o0[k] = np.float32(samples[at]) * s0[k] * trace_scale
            o1[k] = np.float32(samples[at + np.uint64(1)]) * s1[k] * trace_scale
            o2[k] = np.float32(samples[at + np.uint64(2)]) * s2[k] * trace_scale
            o3[k] = np.float32(samples[at + np.uint64(3)]) * s3[k] * trace_scale
            o4[k] = np.float32(samples[at + np.uint64(4)]) * s4[k] * trace_scale
    else:
        for p in range(out.shape[0]):
            row, scale, x = out[p][lead:], sample_scale[p], samples[p:]
            for k in range(whole):
                row[k] = np.float32(x[stride * k]) * scale[k] * trace_scale
    for p in range(samples.size - int(whole * stride)):
        x = np.float32(samples[int(whole * stride) + p])
        out[p, lead + int(whole)] = x * sample_scale[p, whole] * trace_scale


@filter_kernel
def _band(rows, taps, real, imag):
    """Complex filter of samples split by phase, at every ``stride``-th sample.

    Seven taps at a time, cosine and sine, stay in registers while all outputs pass. Unsigned
    indices, for a signed one that could be negative keeps the loop out of vector registers.

    Parameters
    ----------
    rows : (stride, at least k + TAPS * a) float32
    taps : (2, stride, TAPS * a) float32
    real, imag : (k,) float32, out
    """
    one, two, three, four, five, six = (
        np.uint64(1), np.uint64(2), np.uint64(3), np.uint64(4), np.uint64(5), np.uint64(6),
    )  # fmt: skip
    real[:] = np.float32(0.0)
    imag[:] = np.float32(0.0)
    for p in range(taps.shape[1]):
        for group in range(0, taps.shape[2], TAPS):
            x, c, s = rows[p][group:], taps[0, p][group:], taps[1, p][group:]
            c0, c1, c2, c3, c4, c5, c6 = c[0], c[1], c[2], c[3], c[4], c[5], c[6]
            s0, s1, s2, s3, s4, s5, s6 = s[0], s[1], s[2], s[3], s[4], s[5], s[6]
            for k in range(np.uint64(real.size)):
                x0, x1, x2, x3 = x[k], x[k + one], x[k + two], x[k + three]
                x4, x5, x6 = x[k + four], x[k + five], x[k + six]
                real[k] += c0 * x0 + c1 * x1 + c2 * x2 + c3 * x3 + c4 * x4 + c5 * x5 + c6 * x6
                imag[k] += s0 * x0 + s1 * x1 + s2 * x2 + s3 * x3 + s4 * x4 + s5 * x5 + s6 * x6


@filter_kernel
def _to_baseband(turn, real, imag):
    turn_cos, turn_sin = turn[0], turn[1]
    for k in range(real.size):
        re, im = real[k], imag[k]
        real[k] = re * turn_cos[k] + im * turn_sin[k]
        imag[k] = im * turn_cos[k] - re * turn_sin[k]


@filter_kernel
def _magnitude(real, imag, out):
    for k in range(out.size):
        out[k] = np.sqrt(real[k] * real[k] + imag[k] * imag[k])


@filter_kernel
def _matched_grid(real, imag, taps, envelope, slope):
    """Matched envelope and the magnitude of its slope, from the baseband of the plain envelope.

    Written out for ``ARM`` = 5, so that all taps stay in registers.
    """
    one, two, three, four, five = (
        np.uint64(1), np.uint64(2), np.uint64(3), np.uint64(4), np.uint64(5),
    )  # fmt: skip
    six, seven, eight, nine, ten = five + one, five + two, five + three, five + four, five + five
    rest, rest_slope = taps[0], taps[1]
    c0, c1, c2, c3, c4, c5 = rest[0], rest[1], rest[2], rest[3], rest[4], rest[5]
    s1, s2, s3, s4, s5 = (
        rest_slope[1], rest_slope[2], rest_slope[3], rest_slope[4], rest_slope[5],
    )  # fmt: skip
    tiny = np.float32(1e-30)
    for k in range(np.uint64(envelope.size)):
        a0, b0 = real[k], real[k + ten]
        a1, b1 = real[k + one], real[k + nine]
        a2, b2 = real[k + two], real[k + eight]
        a3, b3 = real[k + three], real[k + seven]
        a4, b4 = real[k + four], real[k + six]
        zr = c0 * real[k + five] + c1 * (a4 + b4) + c2 * (a3 + b3) + c3 * (a2 + b2)
        zr += c4 * (a1 + b1) + c5 * (a0 + b0)
        dr = s1 * (b4 - a4) + s2 * (b3 - a3) + s3 * (b2 - a2) + s4 * (b1 - a1) + s5 * (b0 - a0)
        a0, b0 = imag[k], imag[k + ten]
        a1, b1 = imag[k + one], imag[k + nine]
        a2, b2 = imag[k + two], imag[k + eight]
        a3, b3 = imag[k + three], imag[k + seven]
        a4, b4 = imag[k + four], imag[k + six]
        zi = c0 * imag[k + five] + c1 * (a4 + b4) + c2 * (a3 + b3) + c3 * (a2 + b2)
        zi += c4 * (a1 + b1) + c5 * (a0 + b0)
        di = s1 * (b4 - a4) + s2 * (b3 - a3) + s3 * (b2 - a2) + s4 * (b1 - a1) + s5 * (b0 - a0)
        magnitude = np.sqrt(zr * zr + zi * zi)
        envelope[k] = magnitude
        slope[k] = abs(zr * dr + zi * di) / (magnitude + tiny)


@filter_kernel
def _matched_at(signal, first, taps):
    """Envelope of the matched output at one sample."""
    taps_cos, taps_sin = taps[0], taps[1]
    x = signal[first : first + taps_cos.size]
    real, imag = np.float32(0.0), np.float32(0.0)
    for j in range(x.size):
        real += taps_cos[j] * x[j]
        imag += taps_sin[j] * x[j]
    return float(np.sqrt(real * real + imag * imag))


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
    before = _matched_at(signal, shift + k - 1, taps)
    middle = _matched_at(signal, shift + k, taps)
    after = _matched_at(signal, shift + k + 1, taps)
    while after > middle and after > before and k < start + climb:
        k += 1
        before, middle = middle, after
        after = _matched_at(signal, shift + k + 1, taps)
    while before > middle and before > after and k > start - climb:
        k -= 1
        after, middle = middle, before
        before = _matched_at(signal, shift + k - 1, taps)
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

    A short stretch nearly always holds the whole rise; only where it does not, longer ones are
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
        _amplitude(row, sample_scale, trace_scale, begin - half, near[0][: n + taps.shape[2]])
        _band(near, taps, near[1][:n], near[2][:n])
        envelope = near[3][: end - begin]
        _magnitude(near[1], near[2], envelope)
        height, rise, width = shape_row(envelope, first - begin, last - begin, far)
        if left == far or not (np.isnan(rise) or np.isnan(width)):
            return height, rise, width
        left = right = min(far, 6 * left)


@filter_kernel
def _sparse(row, out):
    """Every second value."""
    two = np.uint64(2)
    for k in range(np.uint64(out.size)):
        out[k] = row[two * k]


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
    q = out.figure.shape[1]
    choice, margin, place = np.empty(q, np.int32), np.empty(q), np.empty(q)
    space = choice_space(q, out.sample.shape[1])
    # Slopes at the very ends have no neighbours on both sides.
    last_slope = min(sparse.size, (m - 3) // (2 * stride) + 1)
    noise = plan.step_noise
    marked = 0
    for i in range(n):
        row, scale = samples[i], trace_scale[i]
        # First what takes long enough to hide that the samples come from memory.
        _split(row, split_scale, scale, lead, rows)
        if marked:
            clipped[:] = 0
        marked = 0
        high, low = extremes(row)
        if plan.flat_tops:
            marked = _flat_tops(row, high, low, clipped)
        elif np.float32(high) >= plan.clip_high or np.float32(low) <= plan.clip_low:
            marked = _mark_limit(row, plan.clip_high, plan.clip_low, clipped)
        out.clipped[i] = marked
        _band(rows, filters.band, real, imag)
        _to_baseband(filters.turn, real, imag)
        _magnitude(real[ARM:], imag[ARM:], envelope)
        _matched_grid(real, imag, filters.rest, matched, slope)
        rounding = step[i]
        _sparse(envelope, sparse)
        out.noise[i] = max(noise_of(sparse, ENVELOPE), rounding * noise[0])
        _sparse(matched, sparse)
        matched_noise = max(noise_of(sparse, ENVELOPE), rounding * noise[1])
        _sparse(slope, sparse)
        slope_noise = max(noise_of(sparse[1:last_slope], SLOPE), rounding * noise[2])
        count = find_row(
            search, matched, matched_noise, search_space, out.sample[i], out.delay_us[i],
            out.level_db[i], out.before_db[i], out.stretch[i],
        )  # fmt: skip
        out.count[i] = count
        choose_row(
            chooser, count, out.delay_us[i], out.level_db[i], out.before_db[i], out.stretch[i],
            space, choice, margin,
        )  # fmt: skip
        for k in range(q):
            position, u_sample = np.nan, np.nan
            height, rise, width, n_clipped = np.nan, np.nan, np.nan, 0
            start = out.sample[i, choice[k]] if choice[k] >= 0 else -1
            if plan.skirt <= start < m - plan.skirt:
                first = start - plan.climb - 1 - filters.pulse_half
                stretch = near[0][: filters.pulse.shape[1] + 2 * plan.climb + 3]
                _amplitude(row, sample_scale, scale, first, stretch)
                position, sharpness = _pick(
                    stretch, -first - filters.pulse_half, filters.pulse, start, plan.climb
                )
                position -= plan.offset_sample
                u_sample = slope_noise * search.step_us / sharpness
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
            figure = out.figure[i, k]
            figure[MARGIN], figure[SAMPLE], figure[U_SAMPLE] = margin[k], position, u_sample
            figure[HEIGHT], figure[RISE], figure[WIDTH] = height, rise, width
            figure[CLIPPED] = n_clipped
        if not np.isnan(plan.first_sample):
            place[0] = plan.first_sample
        for w in range(plan.window.shape[0]):
            begins, after, ends, before = plan.window[w]
            out.window[i, w, 0], out.window[i, w, 1] = window_row(
                envelope,
                (place[int(begins)] + after) / stride,
                (place[int(ends)] + before) / stride,
            )
