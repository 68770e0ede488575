"""Whether samples are what they are said to be: RF, an envelope, or an envelope in decibels.

An envelope is never negative and an RF echo swings to both sides. Where no echo is, the envelope of
normal noise is distributed after Rayleigh, whatever its level, and its logarithm after Gumbel (the
logarithm of an exponential variable; standard deviation pi / sqrt(6) nepers of power, 5.57 dB):
the one leans to high values, the other to low ones. And an echo is a Gaussian bell in the one, a
parabola in the other.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import RecordingError
from echotrace.recording import Signal

__all__ = [
    "check_kind",
    "lean",
    "noise_skewness",
    "opposite_swing",
    "peak_shape",
    "row_medians",
    "thinned",
]

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
# A recording has one kind of signal: a few traces tell it.
_TRACES = 8
# Parts of a trace, of which the quieter half is looked at: few echoes lie there.
_PARTS = 16
# Independent samples of a part that make quantiles of it; and how sure the lean must be, in
# standard errors over the parts.
_LEAST_INDEPENDENT = 8
_SURE = 4.0
# Skewness of an envelope's noise is 0.63, of its logarithm's -1.14 (Rayleigh, Gumbel), and of parts
# of some twenty independent values about 0.5 and -0.8. Below this, its mean over enough parts is
# that of a logarithm.
_LIMIT_SKEWNESS, _LEAST_PARTS_VALUES = -0.25, 80
# That of RF is 0, with a standard error of 0.2 in one trace of some 140 independent values.
_LIMIT_OF_RF = -0.45
# A bell is sqrt(ln 4 / ln(4/3)) = 2.19 times as wide at a quarter of its height as at three
# quarters, a parabola sqrt(3) times; half way. Half the height of an echo of 24 dB is 12 dB down
# in decibels: 1.4 times as far out as 6 dB; of one of 31 dB, 1.6 times, whatever lies under it.
_LIMIT_SHAPE, _LIMIT_WIDTH, _SURELY_WIDE = 1.96, 1.4, 1.6
_TALLEST, _TALL, _FLAT = 3, 0.6, 0.35

_UNDO = "export RF or the envelope before log compression, or undo it: 10 ** (dB / 20)"


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
    values = np.asarray(samples, np.float32)
    aside = values - row_medians(thinned(values))[:, None]
    heights = np.abs(aside)
    levels = row_medians(thinned(heights))
    for off, height, level in zip(aside, heights, levels.tolist(), strict=True):
        noise = level / 0.6745
        # What a blocked amplifier leaves from the first sample on is no echo.
        height[: int(np.argmax(height <= _LEAST_OVER_NOISE * noise))] = 0.0
        least = max(_LEAST_OVER_NOISE * noise, _LEAST_OF_TALLEST * float(height.max()))
        found = []
        for _ in range(_PEAKS):
            at = int(np.argmax(height))
            if height[at] <= least:
                break
            upright = off if off[at] > 0.0 else -off
            behind, before = (_swing(upright[at:]), _swing(upright[at::-1]))
            found.append(max(behind[0], before[0]) / height[at])
            # With its skirts, whose lobes stand beside taller ones.
            height[max(0, at - 4 * before[1]) : at + 4 * behind[1] + 1] = 0.0
        if found:
            swings.append(max(found))
    return float(np.median(swings)) if swings else math.nan


def thinned(samples: NDArray[Any]) -> NDArray[Any]:
    """Every eighth run of 64 samples along the last axis: enough for a median.

    Runs, as single samples might keep step with a carrier.

    Parameters
    ----------
    samples : ndarray, (..., n_samples)

    Returns
    -------
    ndarray, (..., k)
        A view where it can be; all samples of short traces.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.kind import thinned
    >>> thinned(np.zeros((3, 4096))).shape, thinned(np.zeros(300)).shape
    ((3, 512), (300,))
    """
    size = samples.shape[-1]
    if size < 1024:
        return samples
    runs = samples[..., : size // 64 * 64].reshape(*samples.shape[:-1], -1, 64)
    return runs[..., ::8, :].reshape(*samples.shape[:-1], -1)


def row_medians(samples: NDArray[Any]) -> NDArray[Any]:
    """Medians along the last axis, of finite values.

    By sorting, which runs in vector registers: of rows of some hundred values several times faster
    than ``np.median``, and equal to it in every bit.

    Parameters
    ----------
    samples : ndarray, (..., n_samples)

    Returns
    -------
    ndarray, (...)
        Of the type that ``np.median`` gives.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.kind import row_medians
    >>> row_medians(np.array([[3, 1, 2, 9], [4, 4, 5, 6]])).tolist()
    [2.5, 4.5]
    """
    size = samples.shape[-1]
    return np.asarray(np.sort(samples, axis=-1)[..., (size - 1) // 2 : size // 2 + 1].mean(axis=-1))


def _swing(away: NDArray[np.float32]) -> tuple[float, int]:
    """The deepest point behind the first crossing, from a crest on, and how far was looked."""
    start, size = 0, 64
    while start < away.size:
        # The crossing is near as a rule: no need to look at the whole trace.
        crossed = away[start : start + size] <= 0.0
        k = int(crossed.argmax())
        if crossed[k]:
            reach = 2 * (start + k) + 2
            return max(0.0, -float(away[reach // 2 - 1 : reach].min())), reach
        start, size = start + size, 4 * size
    return 0.0, away.size


def lean(
    envelope: NDArray[np.generic], pulse_sample: float, *, narrow: bool = False
) -> tuple[float, float]:
    """To which side the noise of envelopes leans: quantile skewness of their quietest parts.

    Parameters
    ----------
    envelope : ndarray, (n_traces, n_samples)
    pulse_sample : float
        Width of an echo: samples nearer than that are not independent.
    narrow : bool
        Quietest are the parts that spread least and not those that lie lowest: of RF, in which the
        slope of an amplifier that recovers lies low and leans.

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
    quiet = _quiet_parts(envelope, narrow=narrow)
    if quiet.shape[2] / max(1.0, pulse_sample) < _LEAST_INDEPENDENT:
        return math.nan, math.nan
    low, middle, high = (_sorted_quantile(quiet, share) for share in (_TAIL, 0.5, 1.0 - _TAIL))
    if not _fine_enough(quiet, low, high):
        return math.nan, math.nan
    # Each part by itself: under time gain they have scales of their own.
    leans = (high + low - 2.0 * middle) / (high - low)
    return float(leans.mean()), float(leans.std(ddof=1) / math.sqrt(leans.size))


def _quiet_parts(envelope: NDArray[np.generic], *, narrow: bool = False) -> NDArray[np.float64]:
    """The quieter half of the parts of each trace, each in order of height: (n_traces, 8, size)."""
    values = np.asarray(envelope)
    size = values.shape[1] // _PARTS
    if size == 0:
        return np.empty((values.shape[0], _PARTS // 2, 0))
    parts = np.sort(values[:, : size * _PARTS].reshape(values.shape[0], _PARTS, size), axis=2)
    height = parts[:, :, size // 2]
    if narrow:
        height = _sorted_quantile(parts, 1.0 - _TAIL) - _sorted_quantile(parts, _TAIL)
    quiet = np.argsort(height, axis=1, kind="stable")[:, : _PARTS // 2]
    return np.asarray(np.take_along_axis(parts, quiet[:, :, None], axis=1), np.float64)


def _sorted_quantile(values: NDArray[np.float64], share: float) -> NDArray[np.float64]:
    place = share * (values.shape[2] - 1)
    k = min(int(place), values.shape[2] - 2)
    return np.asarray(values[:, :, k] + (place - k) * (values[:, :, k + 1] - values[:, :, k]))


def _fine_enough(
    quiet: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64]
) -> bool:
    """Whether the converter's steps are fine enough for the shape of a distribution."""
    inside = (quiet[:, :, 1:] > low[..., None]) & (quiet[:, :, 1:] <= high[..., None])
    levels = ((np.diff(quiet, axis=2) > 0.0) & inside).sum(axis=2)
    return bool(levels.max(axis=1).min() >= _LEAST_LEVELS and (high > low).all())


def noise_skewness(envelope: NDArray[np.generic], pulse_sample: float) -> float:
    """Skewness of an envelope's noise: mean over the quietest parts of each trace.

    It needs fewer values than :func:`lean`, one trace as a rule, and says nothing of RF, whose
    noise has none.

    Parameters
    ----------
    envelope : ndarray, (n_traces, n_samples)
    pulse_sample : float
        Width of an echo: samples nearer than that are not independent.

    Returns
    -------
    float
        NaN where too few samples, a converter too coarse, or a floor that cuts the noise off
        tell nothing.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.kind import noise_skewness
    >>> noise = np.random.default_rng(1).rayleigh(size=(5, 4000))
    >>> round(noise_skewness(noise, 1.0), 1), round(noise_skewness(np.log(noise), 1.0), 1)
    (0.6, -1.1)
    """
    quiet = _quiet_parts(envelope)
    each = quiet.shape[2] / max(1.0, pulse_sample)
    if each < _LEAST_INDEPENDENT or each * quiet[:, :, 0].size < _LEAST_PARTS_VALUES:
        return math.nan
    low, high = (_sorted_quantile(quiet, share) for share in (_TAIL, 1.0 - _TAIL))
    if not _fine_enough(quiet, low, high):
        return math.nan
    off = quiet - quiet.mean(axis=2, keepdims=True)
    square = off * off
    moments = (square * off).mean(axis=2) / square.mean(axis=2) ** 1.5
    return float(moments.mean())


def peak_shape(envelope: NDArray[np.generic]) -> tuple[float, float]:
    """Width and shape of the tallest echoes of envelopes.

    Parameters
    ----------
    envelope : ndarray, (n_traces, n_samples)

    Returns
    -------
    width_sample, shape : float
        The least width at half height of a trace's three tallest echoes, samples, and the median
        of their widths at a quarter of the height over those at three quarters: 2.19 for a
        Gaussian, 1.73 for a parabola. Medians over traces; NaN where all are clipped or none is
        tall.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.kind import peak_shape
    >>> t = np.arange(-300, 301) / 20.0
    >>> bell = np.exp(-0.5 * t**2)
    >>> [round(value, 2) for value in peak_shape(bell[None])]
    [47.1, 2.2]
    >>> decibels = np.maximum(20.0 * np.log10(bell), -60.0)
    >>> [round(value, 2) for value in peak_shape(decibels[None])]
    [105.13, 1.73]
    """
    found = []
    for trace in np.asarray(envelope, np.float32):
        height = trace - np.median(thinned(trace))
        tallest = float(height.max())
        shapes: list[tuple[float, float]] = []
        for _ in range(2 * _TALLEST):
            at = int(np.argmax(height))
            if height[at] < _TALL * tallest or height[at] <= 0.0 or len(shapes) == _TALLEST:
                break
            sides = [_half_widths(height[at:]), _half_widths(height[at::-1])]
            wide, half, narrow, top = (a + b for a, b in zip(*sides, strict=True))
            if math.isfinite(wide) and top < _FLAT * half:
                shapes.append((half, wide / narrow))
            # What is left of its flanks is too low for an echo.
            reach = [int(min(side[0], height.size)) + 1 for side in sides]
            height[max(0, at - reach[1]) : at + reach[0] + 1] = 0.0
        if shapes:
            widths, ratios = zip(*shapes, strict=True)
            found.append((min(widths), float(np.median(ratios))))
    if not found:
        return math.nan, math.nan
    # Of two traces the lesser: noise in the flanks only ever widens.
    width, shape = np.sort(found, axis=0)[(len(found) - 1) // 2]
    return float(width), float(shape)


def _half_widths(away: NDArray[np.float32]) -> list[float]:
    """From a peak outwards to a quarter, a half, three quarters and nearly all of its height."""
    found = []
    for share in (0.25, 0.5, 0.75, 0.98):
        limit = share * float(away[0])
        below = np.flatnonzero(away < limit)
        if not below.size:
            return [math.inf] * 4
        k = int(below[0])
        # Between two samples.
        found.append(k - (limit - float(away[k])) / float(away[k - 1] - away[k]))
    return found


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
    samples = np.asarray(samples[:_TRACES])
    # That of RF says nothing.
    skewness = noise_skewness(samples, pulse_sample) if signal == Signal.ENVELOPE else math.nan
    if skewness < _LIMIT_OF_RF:
        raise _in_decibels(signal)
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
    leans_low = _leans_low(samples, pulse_sample)
    if leans_low and signal == Signal.RF:
        # So does the slope on which an amplifier recovers.
        leans_low = _leans_low(samples, pulse_sample, narrow=True)
    if skewness < _LIMIT_SKEWNESS or leans_low:
        raise _in_decibels(signal)
    if signal == Signal.ENVELOPE:
        width, shape = peak_shape(samples)
        wide = width / pulse_sample
        if wide > _SURELY_WIDE or (wide > _LIMIT_WIDTH and shape < _LIMIT_SHAPE):
            raise RecordingError(
                f"signal='envelope': the echoes are {wide:.1f} times as wide as "
                "the stated probe's pulse and rounded off, as those of an envelope in decibels "
                f"(display data) are; {_UNDO}. If it is linear, state the probe's bandwidth, "
                "which then is less"
            )


def _leans_low(samples: NDArray[np.generic], pulse_sample: float, *, narrow: bool = False) -> bool:
    leaning, u_lean = lean(samples, pulse_sample, narrow=narrow)
    return leaning + _SURE * u_lean < _LIMIT_LEAN


def _in_decibels(signal: str) -> RecordingError:
    return RecordingError(
        f"signal={str(signal)!r}: the noise leans to low values as that of an envelope in "
        f"decibels (display data) does, and such heights cannot be measured; {_UNDO}"
    )
