"""Sums over facets and scatterers in the field of a focused disc.

Both kernels look the disc's field up in a table of the Lommel integral (see
:mod:`echotrace.synthesis.probe`), linearly along its first axis and cubically along its second.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.kernels.jit import filter_kernel, kernel

__all__ = ["deposit_scatterers", "facet_sum"]

FloatArray = NDArray[np.float64]


@filter_kernel
def _look_up(flat: Any, n_u: int, n_v: int, position_u: float, position_v: float) -> Any:
    """Interpolated table value, zero outside the table: (real, imaginary)."""
    row: Any = np.int32(position_u)
    column: Any = np.int32(position_v)
    inside = (position_u >= 0.0) & (row <= n_u - 2) & (column <= n_v - 4)
    upper = np.float32(position_u - row)
    s = np.float32(position_v - column)
    # Cubic Lagrange weights for nodes at -1, 0, 1, 2.
    p, q, r = s + np.float32(1.0), s - np.float32(1.0), s - np.float32(2.0)
    sixth, half = np.float32(1.0 / 6.0), np.float32(0.5)
    qr, ps = q * r, p * s
    w0, w1, w2, w3 = -sixth * s * qr, half * p * qr, -half * ps * r, sixth * ps * q
    # Unsigned, so that no index can count from the end.
    # Whatever the position, even NaN: nothing outside the table is read.
    row, column = min(max(row, 0), n_u - 2), min(max(column, 0), n_v - 4)
    a = np.uint64(2 * (row * n_v + column))
    b = a + np.uint64(2 * n_v)
    one, two, three, four = np.uint64(1), np.uint64(2), np.uint64(3), np.uint64(4)
    five, six, seven = np.uint64(5), np.uint64(6), np.uint64(7)
    real_a = w0 * flat[a] + w1 * flat[a + two] + w2 * flat[a + four] + w3 * flat[a + six]
    imag_a = w0 * flat[a + one] + w1 * flat[a + three] + w2 * flat[a + five] + w3 * flat[a + seven]
    real_b = w0 * flat[b] + w1 * flat[b + two] + w2 * flat[b + four] + w3 * flat[b + six]
    imag_b = w0 * flat[b + one] + w1 * flat[b + three] + w2 * flat[b + five] + w3 * flat[b + seven]
    real, imag = real_a + upper * (real_b - real_a), imag_a + upper * (imag_b - imag_a)
    nothing = np.float32(0.0)
    return real if inside else nothing, imag if inside else nothing


@filter_kernel
def _turns(phase: float, turn: float, cosine: FloatArray, sine: FloatArray) -> None:
    """Cosine and sine of equally spaced angles; from the ninth on each from that eight before.

    So the compiler can take several at a time, and errors add up over a few steps only.
    """
    cos_now, sin_now = math.cos(phase), math.sin(phase)
    cos_turn, sin_turn = math.cos(turn), math.sin(turn)
    for m in range(min(8, cosine.size)):
        cosine[m], sine[m] = cos_now, sin_now
        cos_now, sin_now = (
            cos_now * cos_turn - sin_now * sin_turn,
            sin_now * cos_turn + cos_now * sin_turn,
        )
    for _ in range(3):
        cos_turn, sin_turn = cos_turn * cos_turn - sin_turn * sin_turn, 2.0 * cos_turn * sin_turn
    eight = np.uint64(8)
    for m in range(eight, np.uint64(cosine.size)):
        c, s = cosine[m - eight], sine[m - eight]
        cosine[m] = c * cos_turn - s * sin_turn
        sine[m] = s * cos_turn + c * sin_turn


@filter_kernel
def _add_facet(
    flat: Any,
    n_u: int,
    n_v: int,
    row_zero: float,
    rows_per_k: float,
    columns_per_k: float,
    weight: float,
    k: FloatArray,
    turns: FloatArray,
    total: FloatArray,
) -> None:
    """Add one facet's weight times squared field at all wavenumbers, turned by its phase."""
    cosine, sine, total_real, total_imag = turns[0], turns[1], total[0], total[1]
    for m in range(np.uint64(k.size)):
        real, imag = _look_up(flat, n_u, n_v, row_zero + k[m] * rows_per_k, k[m] * columns_per_k)
        square_real = weight * (real * real - imag * imag)
        square_imag = weight * (2.0 * real * imag)
        total_real[m] += square_real * cosine[m] - square_imag * sine[m]
        total_imag[m] += square_real * sine[m] + square_imag * cosine[m]


@kernel
def facet_sum(
    table: NDArray[np.float32],
    u_min: float,
    step_u: float,
    step_v: float,
    u_per_k: FloatArray,
    v_per_k: FloatArray,
    phase_per_k: FloatArray,
    weight: FloatArray,
    k_first: float,
    k_step: float,
    total: FloatArray,
) -> None:
    """Add up weight times squared field over the facets, at equally spaced wavenumbers.

    Parameters
    ----------
    table : ndarray of float32, (n_u, n_v, 2)
        Lommel integral with its mean phase taken out, real and imaginary part. Its first column
        is at ``v = -step_v``.
    u_min, step_u, step_v : float
        Its axes.
    u_per_k, v_per_k, phase_per_k : ndarray of float64, (n_facets,)
        Lommel coordinates and two-way phase of each facet per unit wavenumber, mm.
    weight : ndarray of float64, (n_facets,)
        Real weight of each facet.
    k_first, k_step : float
        First wavenumber and step, 1/mm.
    total : ndarray of float64, (n_k, 2)
        The sum is added to it, real and imaginary part, for a time factor exp(-i omega t).
    """
    flat = table.ravel()
    n_u, n_v, n_k = table.shape[0], table.shape[1], total.shape[0]
    k: Any = k_first + k_step * np.arange(n_k)
    turns, added = np.empty((2, n_k)), np.zeros((2, n_k))
    for j in range(u_per_k.size):
        _turns(k_first * phase_per_k[j], k_step * phase_per_k[j], turns[0], turns[1])
        _add_facet(
            flat, n_u, n_v, -u_min / step_u, u_per_k[j] / step_u, v_per_k[j] / step_v, weight[j],
            k, turns, added,
        )  # fmt: skip
    total += added.T


@kernel
def deposit_scatterers(
    table: NDArray[np.float32],
    u_min: float,
    step_u: float,
    step_v: float,
    u: FloatArray,
    v: FloatArray,
    phase_rad: FloatArray,
    weight: FloatArray,
    position: FloatArray,
    cycles_per_sample: float,
    baseband: FloatArray,
) -> None:
    """Put weight times squared field of each scatterer into the sample nearest its delay.

    The part of a sample that is left over is put into the phase of the carrier, so that only the
    pulse's envelope, which changes little within half a sample, is misplaced.

    Parameters
    ----------
    table, u_min, step_u, step_v
        As in :func:`facet_sum`.
    u, v, phase_rad, weight : ndarray of float64, (n_scatterers,)
        Lommel coordinates, two-way phase beyond that of the delay and real weight, all at the
        carrier.
    position : ndarray of float64, (n_scatterers,)
        Delay in samples.
    cycles_per_sample : float
        Carrier frequency over sampling rate.
    baseband : ndarray of float64, (n_samples, 2)
        Added to: real and imaginary part, for a time factor exp(+i omega t).
    """
    flat = table.ravel()
    n_u, n_v = table.shape[0], table.shape[1]
    for j in range(u.size):
        n = int(math.floor(position[j] + 0.5))
        if n < 0 or n >= baseband.shape[0]:
            continue
        real, imag = _look_up(flat, n_u, n_v, (u[j] - u_min) / step_u, v[j] / step_v)
        square_real = weight[j] * (real * real - imag * imag)
        square_imag = -weight[j] * 2.0 * real * imag
        phase = -phase_rad[j] - 2.0 * math.pi * cycles_per_sample * (position[j] - n)
        cosine, sine = math.cos(phase), math.sin(phase)
        baseband[n, 0] += square_real * cosine - square_imag * sine
        baseband[n, 1] += square_real * sine + square_imag * cosine
