"""What is believed of a hand before a trace is seen, on the grid that carries every posterior."""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

__all__ = ["DECENTRATION_STEP_MM", "TILT_STEP_DEG", "alignment_prior", "grid", "marginals"]

Float64 = NDArray[np.float64]


# The hand's distribution (common practice, no source): two normal components each of tilt and
# decentration, so that each is Rayleigh distributed. Their scales are anywhere between a steady
# hand's and a poor one's, and go together: who tilts the probe also centres it badly.
_TILT_SCALES_DEG = tuple(float(x) for x in np.geomspace(0.4, 6.0, 8))

_DECENTRATION_PER_TILT_MM = 0.15

TILT_STEP_DEG, DECENTRATION_STEP_MM = 0.4, 0.1

N_TILT, N_DECENTRATION = 30, 16

_AZIMUTHS_DEG = (22.5, 67.5, 112.5, 157.5)


def alignment_prior() -> tuple[Float64, Float64, Float64]:
    """Believed of a hand before a trace is seen: centres of cells, and their probabilities.

    Returns
    -------
    tilt_deg, decentration_mm : ndarray of float64
    probability : ndarray of float64, (n_tilts, n_decentrations)
        Rayleigh distributions of a common unknown scale, 0.4 to 6 degrees and 0.06 to 0.9 mm,
        each octave alike; common practice, no source.

    Examples
    --------
    >>> from echotrace.sittings.alignment_prior import alignment_prior
    >>> tilt_deg, decentration_mm, probability = alignment_prior()
    >>> probability.shape, round(float(probability.sum()), 12)
    ((30, 16), 1.0)
    """
    tilt: Float64 = np.asarray((np.arange(N_TILT) + 0.5) * TILT_STEP_DEG, np.float64)
    aside: Float64 = np.asarray(
        (np.arange(N_DECENTRATION) + 0.5) * DECENTRATION_STEP_MM, np.float64
    )
    probability = np.zeros((tilt.size, aside.size))
    for scale in _TILT_SCALES_DEG:
        of_tilt = _rayleigh(tilt, TILT_STEP_DEG, scale)
        of_aside = _rayleigh(aside, DECENTRATION_STEP_MM, _DECENTRATION_PER_TILT_MM * scale)
        probability += np.outer(of_tilt, of_aside)
    return tilt, aside, probability / probability.sum()


def _rayleigh(centres: Float64, step: float, scale: float) -> Float64:
    """Probability of each cell."""
    edges = np.append(centres - 0.5 * step, centres[-1] + 0.5 * step)
    return np.diff(1.0 - np.exp(-0.5 * (edges / scale) ** 2))


@functools.cache
def grid() -> tuple[Float64, Float64]:
    """Points of tilt, decentration, azimuth difference, the last fastest; their log prior.

    Returns
    -------
    points : ndarray of float64, (n_points, 3)
        Degrees, mm, degrees.
    log_prior : ndarray of float64, (n_points,)

    Examples
    --------
    >>> from echotrace.sittings.alignment_prior import grid
    >>> points, log_prior = grid()
    >>> points.shape[1], points.shape[0] == log_prior.size
    (3, True)
    """
    tilt, aside, probability = alignment_prior()
    points = np.stack(np.meshgrid(tilt, aside, _AZIMUTHS_DEG, indexing="ij"), axis=-1)
    weights = np.repeat(probability[:, :, None], len(_AZIMUTHS_DEG), axis=2) / len(_AZIMUTHS_DEG)
    return points.reshape(-1, 3), np.log(weights.ravel())


def marginals(
    mass: Float64, centres: Float64, step: float, confidence: float
) -> tuple[Float64, Float64]:
    """Median and shortest interval of distributions on cells, (n,) and (n, 2).

    Parameters
    ----------
    mass : ndarray of float64, (n, n_cells)
        Probability of each cell; a row with NaN gives NaN.
    centres : ndarray of float64, (n_cells,)
        Of the cells, rising.
    step : float
        Width of a cell, in the unit of ``centres``.
    confidence : float
        Content of the intervals.

    Returns
    -------
    median : ndarray of float64, (n,)
    interval : ndarray of float64, (n, 2)
        In the unit of ``centres``.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.sittings.alignment_prior import marginals
    >>> median, interval = marginals(np.full((1, 10), 0.1), np.arange(10) + 0.5, 1.0, 0.5)
    >>> round(float(median[0]), 6), round(float(np.diff(interval[0])[0]), 6)
    (5.0, 5.0)
    """
    edges = np.append(centres - 0.5 * step, centres[-1] + 0.5 * step)
    median = np.full(mass.shape[0], np.nan)
    interval = np.full((mass.shape[0], 2), np.nan)
    start = np.linspace(0.0, 1.0 - confidence, 41)
    for k, row in enumerate(mass):
        if not np.isfinite(row).all():
            continue
        # Strictly rising, so that it can be turned round.
        cumulative = np.concatenate([[0.0], np.cumsum(row + 1e-12)])
        cumulative /= cumulative[-1]
        median[k] = np.interp(0.5, cumulative, edges)
        low = np.interp(start, cumulative, edges)
        high = np.interp(start + confidence, cumulative, edges)
        best = int(np.argmin(high - low))
        interval[k] = low[best], high[best]
    return median, interval
