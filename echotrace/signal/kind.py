"""Whether samples are what they are said to be: RF, an envelope, or an envelope in decibels.

An envelope is never negative and an RF echo swings to both sides. Where no echo is, the envelope of
normal noise is distributed after Rayleigh, whatever its level, and its logarithm after Gumbel (the
logarithm of an exponential variable; standard deviation pi / sqrt(6) nepers of power, 5.57 dB):
the one leans to high values, the other to low ones.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import RecordingError
from echotrace.recording import Signal

__all__ = ["check_kind", "lean", "opposite_swing"]

# Neighbouring half-waves of a Gaussian pulse are exp(-0.89 b^2) of the tallest for a -6 dB band of
# b times the carrier: 0.41 for b = 1. An envelope has none, noise beside its peak little.
_LEAST_SWING = 0.15
# Peaks of 20 dB over the noise tell one from the other; several, as a saturated transmit pulse may
# stand on one side of the baseline.
_LEAST_OVER_NOISE = 10.0
_PEAKS = 4
_LEAST_OF_TALLEST = 0.05
# Quantiles of the lean, and half way between where it stands for Rayleigh (0.248) and for its
# logarithm (-0.343), from sqrt(-2 ln(1 - p)). RF noise has none.
_TAIL = 0.02
_LIMIT_LEAN = 0.5 * (0.248 - 0.343)
# Fewer levels between the quantiles than this are a coarse converter's steps; 5.57 dB of noise
# fill them in any display of up to 360 dB in 8 bits.
_LEAST_LEVELS = 16
# Parts of a trace, of which the quieter half is looked at: few echoes lie there.
_PARTS = 16
# Independent samples of a part that make quantiles of it; and how sure the lean must be, in
# standard errors over the parts.
_LEAST_INDEPENDENT = 8
_SURE = 4.0


def opposite_swing(samples: NDArray[np.generic]) -> float:
    """How far the tallest excursions swing back to the other side, over their height, at most.

    The swing is looked for as far again from the peak as the level lies that it started from: half
    a period of any carrier.

    Parameters
    ----------
    samples : ndarray, (n_traces, n_samples)

    Returns
    -------
    float
        Median over traces; NaN where none has a peak of 20 dB over its noise.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.kind import opposite_swing
    >>> t = np.arange(2000) * 0.01
    >>> shape = np.exp(-0.5 * ((t - 9.0) / 0.0625) ** 2)
    >>> rf = shape * np.cos(2 * np.pi * 10.0 * (t - 9.0))
    >>> round(opposite_swing(rf[None]), 2), round(opposite_swing(shape[None]), 2)
    (0.73, 0.0)
    """
    swings = []
    for trace in np.asarray(samples, np.float64):
        off = trace - np.median(trace)
        height = np.abs(off)
        noise = float(np.median(height)) / 0.6745
        least = max(_LEAST_OVER_NOISE * noise, _LEAST_OF_TALLEST * float(height.max()))
        found = []
        for _ in range(_PEAKS):
            at = int(np.argmax(height))
            if height[at] <= least:
                break
            along = off * np.sign(off[at])
            behind, before = (_swing(along[at:]), _swing(along[at::-1]))
            found.append(max(behind[0], before[0]) / height[at])
            # With its skirts, whose lobes stand beside taller ones.
            height[max(0, at - 4 * before[1]) : at + 4 * behind[1] + 1] = 0.0
        if found:
            swings.append(max(found))
    return float(np.median(swings)) if swings else math.nan


def _swing(away: NDArray[np.float64]) -> tuple[float, int]:
    """The deepest point behind the first crossing, from a peak outwards, and how far was looked."""
    crossing = np.flatnonzero(away <= 0.0)
    if not crossing.size:
        return 0.0, away.size
    reach = 2 * int(crossing[0]) + 2
    return float(max(0.0, -away[reach // 2 - 1 : reach].min())), reach


def lean(envelope: NDArray[np.generic], pulse_sample: float) -> tuple[float, float]:
    """To which side the noise of envelopes leans: quantile skewness of their quietest parts.

    Parameters
    ----------
    envelope : ndarray, (n_traces, n_samples)
    pulse_sample : float
        Width of an echo: samples nearer than that are not independent.

    Returns
    -------
    lean, u_lean : float
        (high + low - 2 median) / (high - low), of the 2 % and 98 % quantiles: about 0.25 for an
        envelope, -0.34 for its logarithm; and its standard error. NaN where too few
        samples, or a converter too coarse, tell nothing.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.kind import lean
    >>> noise = np.random.default_rng(1).rayleigh(size=(5, 4000))
    >>> round(lean(noise, 1.0)[0], 1), round(lean(20.0 * np.log10(noise), 1.0)[0], 1)
    (0.3, -0.3)
    """
    values = np.asarray(envelope, np.float64)
    size = values.shape[1] // _PARTS
    parts = values[:, : size * _PARTS].reshape(values.shape[0], _PARTS, size)
    quiet = np.sort(np.argsort(np.median(parts, axis=2), axis=1)[:, : _PARTS // 2], axis=1)
    chosen = np.take_along_axis(parts, quiet[:, :, None], axis=1)
    if size / max(1.0, pulse_sample) < _LEAST_INDEPENDENT:
        return math.nan, math.nan
    low, middle, high = np.quantile(chosen, [_TAIL, 0.5, 1.0 - _TAIL], axis=2)
    inside = (chosen >= low[..., None]) & (chosen <= high[..., None])
    levels = min(np.unique(chosen[row][inside[row]]).size for row in range(values.shape[0]))
    if levels < _LEAST_LEVELS or (high <= low).any():
        return math.nan, math.nan
    # Each part by itself: under time gain they have scales of their own.
    leans = (high + low - 2.0 * middle) / (high - low)
    return float(leans.mean()), float(leans.std(ddof=1) / math.sqrt(leans.size))


def check_kind(samples: NDArray[np.generic], signal: str, *, pulse_sample: float) -> None:
    """Refuse samples that are not of the kind they are said to be.

    Parameters
    ----------
    samples : ndarray, (n_traces, n_samples)
        Some traces of a recording.
    signal : {"rf", "envelope"}
    pulse_sample : float
        Full width of the stated pulse at half height, samples.

    Raises
    ------
    RecordingError
        RF said to be an envelope, an envelope said to be RF, or an envelope in decibels.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.kind import check_kind
    >>> t = np.arange(2000) * 0.01
    >>> rf = np.exp(-0.5 * ((t - 9.0) / 0.0625) ** 2) * np.cos(2 * np.pi * 10.0 * (t - 9.0))
    >>> check_kind(rf[None], "rf", pulse_sample=14.7)
    >>> check_kind(rf[None], "envelope", pulse_sample=14.7)
    Traceback (most recent call last):
        ...
    echotrace.errors.RecordingError: signal='envelope': the echoes swing to both sides as RF \
does, 0.73 of their height, and an envelope cannot; state signal='rf' (--signal rf)
    """
    swing = opposite_swing(samples)
    if signal == Signal.ENVELOPE and swing >= _LEAST_SWING:
        raise RecordingError(
            f"signal='envelope': the echoes swing to both sides as RF does, {swing:.2f} of their "
            "height, and an envelope cannot; state signal='rf' (--signal rf)"
        )
    if signal == Signal.RF and swing < _LEAST_SWING:
        raise RecordingError(
            "signal='rf': the echoes stand on one side of the baseline and do not oscillate, as "
            "those of an envelope; state signal='envelope' (--signal envelope)"
        )
    leaning, u_lean = lean(samples, pulse_sample)
    if leaning + _SURE * u_lean < _LIMIT_LEAN:
        raise RecordingError(
            f"signal={str(signal)!r}: the noise leans to low values as that of an envelope in "
            "decibels (display data) does, and such heights cannot be measured; export RF or "
            "the envelope before log compression, or undo it: 10 ** (dB / 20)"
        )
