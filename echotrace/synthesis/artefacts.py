"""Artefacts, as functions that add to or change a trace at the receiver's input.

Levels are relative to the echo of a perfect plane reflector just in front of the disc. Where no
source is named they are chosen to look like traces of the trade (common practice, no source).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from echotrace.signal.receiver import db_to_ratio
from echotrace.synthesis.echoes import SampleGrid
from echotrace.synthesis.probe import Disc, pulse

__all__ = [
    "GAIN_ERROR_DB",
    "PUPIL_EDGE_PASSES",
    "add_bubbles",
    "add_face_echo",
    "add_interference",
    "add_iris",
    "add_lid",
    "bath_reverberation",
    "cornea_reverberation",
]

Trace = NDArray[np.float64]
Spectrum = NDArray[np.complex128]

GAIN_ERROR_DB = 18.0
"""How far a gain that is too high or too low lies from the right one, dB."""

PUPIL_EDGE_PASSES = 0.35
"""Amplitude that a beam on the edge of the pupil brings back from behind the iris."""

_FACE_REFLECTION_DB = -16.0
_CORNEA_REFLECTION_DB = -24.5
_FACE_ECHO_DB = -40.0


def bath_reverberation(grid: SampleGrid, front: Spectrum, way_us: float) -> Spectrum:
    """Cornea's echo that went from the probe's face to the cornea and back once and twice more.

    Parameters
    ----------
    grid : SampleGrid
    front : ndarray
        Spectrum of the cornea's echoes.
    way_us : float
        Two-way delay between face and cornea.

    Returns
    -------
    ndarray of complex128, (n_bins,)

    Examples
    --------
    >>> grid = SampleGrid(Disc(), 100e6, 4096)
    >>> front = np.ones(grid.frequency_hz.size, complex)
    >>> round(float(20 * np.log10(abs(bath_reverberation(grid, front, 13.0)).min())))
    -41
    """
    once = db_to_ratio(_FACE_REFLECTION_DB + _CORNEA_REFLECTION_DB)
    return np.asarray(
        once * grid.shifted(front, way_us) + once**2 * grid.shifted(front, 2.0 * way_us)
    )


def cornea_reverberation(grid: SampleGrid, front: Spectrum, way_us: float) -> Spectrum:
    """Train of echoes between the probe's face and the back of a cornea pressed against it.

    Parameters
    ----------
    grid : SampleGrid
    front : ndarray
        Spectrum of the cornea's echoes.
    way_us : float
        Two-way delay between the cornea's front and back.

    Returns
    -------
    ndarray of complex128, (n_bins,)

    Examples
    --------
    >>> grid = SampleGrid(Disc(), 100e6, 4096)
    >>> cornea_reverberation(grid, np.ones(grid.frequency_hz.size, complex), 0.67).shape == (
    ...     grid.frequency_hz.size,
    ... )
    True
    """
    total = np.zeros_like(front)
    for bounce in range(1, 7):
        total = total + db_to_ratio(-7.0 * bounce) * grid.shifted(front, bounce * way_us)
    return total


def add_bubbles(
    disc: Disc,
    trace: Trace,
    delay_us: Trace,
    first_us: float,
    last_us: float,
    rng: np.random.Generator,
) -> float:
    """Bubbles in the bath: strong spikes that throw a shadow.

    Parameters
    ----------
    disc : Disc
    trace : ndarray of float64, (n_samples,)
        Is changed.
    delay_us : ndarray of float64, (n_samples,)
        Evenly spaced, µs.
    first_us, last_us : float
        Where they may be.
    rng : numpy.random.Generator

    Returns
    -------
    float
        What is left of the amplitude of all echoes behind them.

    Examples
    --------
    >>> delay_us = np.arange(4096) * 0.01
    >>> trace = np.zeros_like(delay_us)
    >>> 0.0 < add_bubbles(Disc(), trace, delay_us, 6.0, 12.0, np.random.default_rng(1)) < 1.0
    True
    """
    for _ in range(int(rng.integers(1, 4))):
        at_us = rng.uniform(first_us, last_us)
        level = db_to_ratio(rng.uniform(-34.0, -22.0))
        for k in range(3):
            offset = delay_us - at_us - k * rng.uniform(0.2, 0.5)
            trace += level * 0.45**k * pulse(disc, offset)
    return float(db_to_ratio(-rng.uniform(3.0, 12.0)))


def add_interference(trace: Trace, delay_us: Trace, rng: np.random.Generator) -> None:
    """Electrical spikes from outside: short, at any delay, of any frequency.

    Parameters
    ----------
    trace : ndarray of float64, (n_samples,)
        Is changed.
    delay_us : ndarray of float64, (n_samples,)
    rng : numpy.random.Generator

    Examples
    --------
    >>> delay_us = np.arange(4096) * 0.01
    >>> trace = np.zeros_like(delay_us)
    >>> add_interference(trace, delay_us, np.random.default_rng(1))
    >>> bool(abs(trace).max() > 0.0)
    True
    """
    for _ in range(int(rng.integers(1, 5))):
        at_us = rng.uniform(delay_us[0], delay_us[-1])
        f_mhz = rng.uniform(3.0, 22.0)
        width_us = rng.uniform(0.02, 0.10)
        level = db_to_ratio(rng.uniform(-48.0, -30.0))
        t = delay_us - at_us
        near = np.abs(t) < 6.0 * width_us
        burst = np.cos(2.0 * math.pi * f_mhz * t[near] + rng.uniform(0.0, 2.0 * math.pi))
        trace[near] += level * burst * np.exp(-np.abs(t[near]) / width_us)


def _noise_burst(
    disc: Disc, delay_us: Trace, start_us: float, decay_us: float, rng: np.random.Generator
) -> Trace:
    """Band-limited noise that starts at a delay and dies away, of about unit RMS at its start."""
    out = np.zeros_like(delay_us)
    step_us = float(delay_us[1] - delay_us[0])
    begin = int(np.searchsorted(delay_us, start_us))
    n = min(out.size - begin, int(8.0 * decay_us / step_us))
    if n <= 0:
        return out
    kernel_t = np.arange(-30, 31) * step_us
    kernel = pulse(disc, kernel_t)
    kernel /= np.sqrt(np.sum(kernel**2))
    noise = np.convolve(rng.standard_normal(n + kernel.size - 1), kernel, "valid")
    out[begin : begin + n] = noise * np.exp(-np.arange(n) * step_us / decay_us)
    return out


def add_lid(
    disc: Disc, trace: Trace, delay_us: Trace, start_us: float, rng: np.random.Generator
) -> None:
    """The lid in the way: a scattering layer, and nothing behind it.

    Parameters
    ----------
    disc : Disc
    trace : ndarray of float64, (n_samples,)
        Is changed.
    delay_us : ndarray of float64, (n_samples,)
        Evenly spaced, µs.
    start_us : float
        Where the lid begins.
    rng : numpy.random.Generator

    Examples
    --------
    >>> delay_us = np.arange(4096) * 0.01
    >>> trace = np.zeros_like(delay_us)
    >>> add_lid(Disc(), trace, delay_us, 10.0, np.random.default_rng(1))
    >>> bool(abs(trace[:900]).max() == 0.0 < abs(trace).max())
    True
    """
    trace += db_to_ratio(-44.0) * _noise_burst(disc, delay_us, start_us, 0.7, rng)


def add_iris(
    disc: Disc, trace: Trace, delay_us: Trace, lens_front_us: float, rng: np.random.Generator
) -> None:
    """The iris in part of the beam, just in front of the lens.

    Parameters
    ----------
    disc : Disc
    trace : ndarray of float64, (n_samples,)
        Is changed.
    delay_us : ndarray of float64, (n_samples,)
        Evenly spaced, µs.
    lens_front_us : float
        Delay of the front of the lens.
    rng : numpy.random.Generator

    Examples
    --------
    >>> delay_us = np.arange(4096) * 0.01
    >>> trace = np.zeros_like(delay_us)
    >>> add_iris(Disc(), trace, delay_us, 18.0, np.random.default_rng(1))
    >>> int(np.flatnonzero(trace)[0])
    1765
    """
    trace += db_to_ratio(-42.0) * _noise_burst(disc, delay_us, lens_front_us - 0.35, 0.2, rng)


def add_face_echo(disc: Disc, trace: Trace, delay_us: Trace, face_us: float) -> None:
    """The faint echo of the face itself where liquid lies in front of it.

    Parameters
    ----------
    disc : Disc
    trace : ndarray of float64, (n_samples,)
        Is changed.
    delay_us : ndarray of float64, (n_samples,)
        Evenly spaced, µs.
    face_us : float
        Delay of the face.

    Examples
    --------
    >>> delay_us = np.arange(4096) * 0.01
    >>> trace = np.zeros_like(delay_us)
    >>> add_face_echo(Disc(), trace, delay_us, 1.0)
    >>> round(float(20 * np.log10(trace.max())))
    -40
    """
    trace += db_to_ratio(_FACE_ECHO_DB) * pulse(disc, delay_us - face_us)
