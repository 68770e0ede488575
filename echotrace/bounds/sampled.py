"""What rounding and clipping leave of the information in a sample."""

from __future__ import annotations

import math

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

__all__ = ["cell_information", "sample_information"]

Float = NDArray[np.float64]

# LSBs finer than this part of the noise are told by Sheppard's term alone.
_FINE = 0.25
# Cells further than this from the mean, in standard deviations, hold no information.
_REACH = 8.0


def cell_information(mean: ArrayLike, edges: ArrayLike, noise: float) -> Float:
    """Share of a sample's information on its mean that is left when only its cell is told.

    Parameters
    ----------
    mean : array_like, (n,)
        Value of each sample without noise.
    edges : array_like, (k,)
        Rising values at which one cell ends and the next begins; the outer two are open.
    noise : float
        Standard deviation of the noise, in the same unit.

    Returns
    -------
    ndarray of float64, (n,)
        Fisher information over that of the unrounded sample, ``1 / noise**2``: 0 to 1.

    Notes
    -----
    The sum over cells of the squared derivative of a cell's probability over that probability. A
    single edge at the mean leaves 2/pi, the published loss of a one-bit converter (1.96 dB; Van
    Vleck JH, Middleton D 1966, Proc IEEE 54:2; value from memory).

    Examples
    --------
    >>> from echotrace.bounds.sampled import cell_information
    >>> round(float(cell_information([0.0], [0.0], 1.0)[0]), 4)  # 2 / pi
    0.6366
    """
    at = (np.asarray(edges, np.float64)[None, :] - np.asarray(mean, np.float64)[:, None]) / noise
    ends = np.full((at.shape[0], 1), np.inf)
    at = np.hstack([-ends, at, ends])
    density = np.exp(-0.5 * at**2) / math.sqrt(2.0 * math.pi)
    # Of a cell above the mean the upper tail is differenced, or its probability would be lost.
    below = scipy.special.ndtr(at)
    above = scipy.special.ndtr(-at)
    upper = at[:, :-1] > 0.0
    probability = np.where(upper, above[:, :-1] - above[:, 1:], below[:, 1:] - below[:, :-1])
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.diff(density, axis=1) ** 2 / probability
    return np.asarray(np.sum(np.where(probability > 0.0, part, 0.0), axis=1))


def sample_information(
    mean: Float, noise: float, *, full_scale: float = math.inf, bits: int = 0
) -> Float:
    """Share of the information that a converter leaves in each sample.

    Parameters
    ----------
    mean : ndarray of float64, (n,)
        Value of each sample without noise.
    noise : float
        Standard deviation of the noise.
    full_scale : float
        Magnitude at which samples clip.
    bits : int
        Bits of the converter; 0: samples are clipped only.

    Returns
    -------
    ndarray of float64, (n,)
        0 to 1.

    Notes
    -----
    A clipped sample still tells that it lies beyond the limit (censored sampling; Cohen AC 1959,
    Technometrics 1:217; value from memory). Where an LSB is below a quarter of the noise, rounding
    adds a twelfth of its square to the variance (Sheppard; Widrow & Kollar, Quantization Noise;
    value from memory).

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.bounds.sampled import sample_information
    >>> sample_information(np.array([0.0, 0.9, 1.2]), 0.1, full_scale=1.0).round(3).tolist()
    [1.0, 0.968, 0.134]
    """
    lsb = full_scale / 2.0 ** (bits - 1) if bits else 0.0
    # The outermost codes stand for all that lies beyond them.
    low, high = -full_scale + 0.5 * lsb, full_scale - 1.5 * lsb
    if lsb > _FINE * noise:
        first = math.floor((max(low, mean.min() - _REACH * noise) - low) / lsb)
        last = math.ceil((min(high, mean.max() + _REACH * noise) - low) / lsb)
        edges = low + lsb * np.arange(max(first, 0), min(last, 2**bits - 2) + 1)
        return cell_information(mean, edges, noise)
    below, above = (low - mean) / noise, (high - mean) / noise
    tails = _tail(-below) + _tail(above)
    return np.asarray((_between(below, above) + tails) / (1.0 + lsb**2 / (12.0 * noise**2)))


def _density(z: Float) -> Float:
    return np.asarray(np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi))


def _tail(z: Float) -> Float:
    """Information of knowing that a standard normal value lies above ``z``."""
    # Deep in the tail the ratio tends to z; there its density has gone long before.
    return np.asarray(_density(z) ** 2 / np.maximum(scipy.special.ndtr(-z), 1e-300))


def _between(below: Float, above: Float) -> Float:
    """The part of a standard normal's second moment between two limits."""
    first, second = (
        np.where(np.isfinite(z), z, 0.0) * _density(np.where(np.isfinite(z), z, 0.0))
        for z in (below, above)
    )
    return np.asarray(scipy.special.ndtr(above) - scipy.special.ndtr(below) + first - second)
