"""Sums over facets and scatterers in the field of a focused disc.

Both kernels look the disc's field up in a table of the Lommel integral (see
:mod:`echotrace.synthesis.probe`), linearly along its first axis and cubically along its second.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["deposit_scatterers", "facet_sum"]

FloatArray = NDArray[np.float64]


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _look_up(  # type: ignore[no-untyped-def]
    table, u_min, steps_per_u, steps_per_v, u, v
):
    """Interpolated table value, zero outside the table: (real, imaginary)."""
    position_u = (u - u_min) * steps_per_u
    position_v = v * steps_per_v
    row = int(math.floor(position_u))
    column = int(position_v)
    if row < 0 or row + 1 >= table.shape[0] or column + 3 >= table.shape[1]:
        return 0.0, 0.0
    upper = position_u - row
    lower = 1.0 - upper
    s = position_v - column
    w0 = -s * (s - 1.0) * (s - 2.0) / 6.0
    w1 = (s + 1.0) * (s - 1.0) * (s - 2.0) / 2.0
    w2 = -(s + 1.0) * s * (s - 2.0) / 2.0
    w3 = (s + 1.0) * s * (s - 1.0) / 6.0
    a, b = table[row], table[row + 1]
    c = column
    real = lower * (w0 * a[c, 0] + w1 * a[c + 1, 0] + w2 * a[c + 2, 0] + w3 * a[c + 3, 0])
    real += upper * (w0 * b[c, 0] + w1 * b[c + 1, 0] + w2 * b[c + 2, 0] + w3 * b[c + 3, 0])
    imag = lower * (w0 * a[c, 1] + w1 * a[c + 1, 1] + w2 * a[c + 2, 1] + w3 * a[c + 3, 1])
    imag += upper * (w0 * b[c, 1] + w1 * b[c + 1, 1] + w2 * b[c + 2, 1] + w3 * b[c + 3, 1])
    return real, imag


@njit(cache=True, nogil=True, error_model="numpy")
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
    steps_per_u, steps_per_v = 1.0 / step_u, 1.0 / step_v
    for j in range(u_per_k.size):
        phase = k_first * phase_per_k[j]
        cos_now, sin_now = math.cos(phase), math.sin(phase)
        turn = k_step * phase_per_k[j]
        cos_turn, sin_turn = math.cos(turn), math.sin(turn)
        w = weight[j]
        for m in range(total.shape[0]):
            k = k_first + m * k_step
            real, imag = _look_up(
                table, u_min, steps_per_u, steps_per_v, k * u_per_k[j], k * v_per_k[j]
            )
            square_real = w * (real * real - imag * imag)
            square_imag = w * 2.0 * real * imag
            total[m, 0] += square_real * cos_now - square_imag * sin_now
            total[m, 1] += square_real * sin_now + square_imag * cos_now
            cos_now, sin_now = (
                cos_now * cos_turn - sin_now * sin_turn,
                sin_now * cos_turn + cos_now * sin_turn,
            )


@njit(cache=True, nogil=True, error_model="numpy")
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
    steps_per_u, steps_per_v = 1.0 / step_u, 1.0 / step_v
    for j in range(u.size):
        n = int(math.floor(position[j] + 0.5))
        if n < 0 or n >= baseband.shape[0]:
            continue
        real, imag = _look_up(table, u_min, steps_per_u, steps_per_v, u[j], v[j])
        square_real = weight[j] * (real * real - imag * imag)
        square_imag = -weight[j] * 2.0 * real * imag
        phase = -phase_rad[j] - 2.0 * math.pi * cycles_per_sample * (position[j] - n)
        cosine, sine = math.cos(phase), math.sin(phase)
        baseband[n, 0] += square_real * cosine - square_imag * sine
        baseband[n, 1] += square_real * sine + square_imag * cosine
