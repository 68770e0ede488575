"""The filters of the fused walk: to amplitude, to the plain envelope, to the matched output.

The quadrature filter of the plain envelope is evaluated at every ``stride``-th sample only; at
that rate a short second filter turns it into the matched filter's output, for the matched filter
of a Gaussian pulse is the narrower Gaussian of the plain envelope followed by another.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from echotrace.kernels.jit import filter_kernel_or

__all__ = [
    "ARM",
    "TAPS",
    "FilterPlan",
    "amplitude_of",
    "band",
    "every_second",
    "magnitude",
    "matched_at",
    "matched_grid",
    "split_by_phase",
    "to_baseband",
]

ARM = 5
"""Grid points on either side of the second filter's centre."""
TAPS = 7


class FilterPlan(NamedTuple):
    """Filters as arrays of float32.

    Attributes
    ----------
    stride : int
        Samples between grid points.
    n_grid : int
        Grid points of a trace.
    lead : int
        Columns of zeros in front of the samples once :func:`split_by_phase` has sorted them.
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


def _amplitude_by_arrays(samples, sample_scale, trace_scale, first, out):
    before = min(max(-first, 0), out.size)
    stop = max(before, min(out.size, samples.size - first))
    out[:before] = out[stop:] = 0.0
    seen = slice(first + before, first + stop)
    out[before:stop] = samples[seen].astype(np.float32) * sample_scale[seen] * trace_scale


@filter_kernel_or(_amplitude_by_arrays)
def amplitude_of(samples, sample_scale, trace_scale, first, out):
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


def _split_by_arrays(samples, sample_scale, trace_scale, lead, out):
    stride, (whole, rest) = out.shape[0], divmod(samples.size, out.shape[0])
    x = samples[: whole * stride].reshape(whole, stride).T.astype(np.float32)
    out[:, lead : lead + whole] = x * sample_scale[:, :whole] * trace_scale
    if rest:
        x = samples[whole * stride :].astype(np.float32)
        out[:rest, lead + whole] = x * sample_scale[:rest, whole] * trace_scale


@filter_kernel_or(_split_by_arrays)
def split_by_phase(samples, sample_scale, trace_scale, lead, out):
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


def _band_by_arrays(rows, taps, real, imag):
    seen = real.size + taps.shape[2] - 1
    for part, out in zip(taps, (real, imag), strict=True):
        each = [np.correlate(rows[p][:seen], part[p]) for p in range(part.shape[0])]
        out[:] = np.sum(each, axis=0)


@filter_kernel_or(_band_by_arrays)
def band(rows, taps, real, imag):
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


def _to_baseband_by_arrays(turn, real, imag):
    re, im = real.copy(), imag.copy()
    real[:] = re * turn[0] + im * turn[1]
    imag[:] = im * turn[0] - re * turn[1]


@filter_kernel_or(_to_baseband_by_arrays)
def to_baseband(turn, real, imag):
    """Bring a band about the carrier to baseband, in place; ``turn`` (2, k) is the carrier."""
    turn_cos, turn_sin = turn[0], turn[1]
    for k in range(real.size):
        re, im = real[k], imag[k]
        real[k] = re * turn_cos[k] + im * turn_sin[k]
        imag[k] = im * turn_cos[k] - re * turn_sin[k]


def _magnitude_by_arrays(real, imag, out):
    real, imag = real[: out.size], imag[: out.size]
    out[:] = np.sqrt(real * real + imag * imag)


@filter_kernel_or(_magnitude_by_arrays)
def magnitude(real, imag, out):
    """Magnitude of a complex row."""
    for k in range(out.size):
        out[k] = np.sqrt(real[k] * real[k] + imag[k] * imag[k])


def _matched_grid_by_arrays(real, imag, taps, envelope, slope):
    seen = envelope.size + 2 * ARM
    whole = np.concatenate((taps[0, :0:-1], taps[0]))
    whole_slope = np.concatenate((-taps[1, :0:-1], taps[1]))
    whole_slope[ARM] = 0.0
    for filters, out in ((whole, envelope), (whole_slope, slope)):
        out[:] = np.hypot(np.correlate(real[:seen], filters), np.correlate(imag[:seen], filters))


@filter_kernel_or(_matched_grid_by_arrays)
def matched_grid(real, imag, taps, envelope, slope):
    """Magnitudes of the matched output and of its slope, from the baseband of the plain envelope.

    The slope is that of the complex output about the carrier, not of its magnitude: it holds what
    noise off the carrier does.

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
        envelope[k] = np.sqrt(zr * zr + zi * zi)
        slope[k] = np.sqrt(dr * dr + di * di)


def _matched_at_by_arrays(signal, first, taps):
    x = signal[first : first + taps.shape[1]]
    real, imag = taps[0] @ x, taps[1] @ x
    return float(np.sqrt(real * real + imag * imag))


@filter_kernel_or(_matched_at_by_arrays)
def matched_at(signal, first, taps):
    """Envelope of the matched output at one sample."""
    taps_cos, taps_sin = taps[0], taps[1]
    x = signal[first : first + taps_cos.size]
    real, imag = np.float32(0.0), np.float32(0.0)
    for j in range(x.size):
        real += taps_cos[j] * x[j]
        imag += taps_sin[j] * x[j]
    return float(np.sqrt(real * real + imag * imag))


def _every_second_by_arrays(row, out):
    out[:] = row[: 2 * out.size : 2]


@filter_kernel_or(_every_second_by_arrays)
def every_second(row, out):
    """Every second value."""
    two = np.uint64(2)
    for k in range(np.uint64(out.size)):
        out[k] = row[two * k]
