"""Where what the transmit pulse leaves ends, learned from the traces themselves.

It is the same in all scans of a sitting, while echoes of the eye move. And it ends: once a trace
has been silent for a while between the pulse and an echo, what follows is an echo.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["near_field_end_us"]

# Silence is so much below an echo that follows it. What the pulse leaves falls further until then.
_SILENT_DB = 15.0
# Modes that beat fall silent too, but for shorter than this, in widths of the pulse.
_SILENT_PULSES = 0.75
# Where no echo follows, the level over the noise at which a cornea would stand out, dB.
_HEARD_DB = 25.0
# Clipped samples that are nearer to each other than this, µs, belong to one pulse.
_CLIPPED_GAP_US = 0.15
_QUARTILE = math.sqrt(-2.0 * math.log(0.75))


def near_field_end_us(
    matched: NDArray[np.complexfloating] | NDArray[np.floating],
    clipped: NDArray[np.bool_],
    delay_us: NDArray[np.float64],
    *,
    face_delay_us: float,
    pulse_us: float,
    reach_us: float = 3.2,
) -> float:
    """Delay at which the near field has ended: before it, no echo can be told from the pulse.

    Parameters
    ----------
    matched : ndarray of complex or float, (n_traces, n_samples)
        Output of the matched filter, or recorded envelopes, of some scans of one probe; whole
        traces, from which the noise is read.
    clipped : ndarray of bool, (n_traces, n_samples)
    delay_us : ndarray of float64, (n_samples,)
    face_delay_us : float
        Delay of the probe's face.
    pulse_us : float
        Full width of the pulse at half height.
    reach_us : float
        How far behind the face echoes are looked at.

    Returns
    -------
    float
        µs; minus infinity where the traces begin silent, before the face.

    Notes
    -----
    What all scans share is their complex mean: echoes that move from scan to scan are averaged
    away, what is left of the pulse is not. It is held against the echoes of single scans that
    follow. A single scan is its own mean; then echoes count as near field as well, as far as they
    run into it.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.near_field import near_field_end_us
    >>> t = np.arange(400) * 0.01
    >>> echo = np.exp(-0.5 * ((t - 1.5) / 0.1) ** 2)
    >>> trace, unclipped = (10 * np.exp(-t / 0.1) + echo)[None], np.zeros((1, 400), bool)
    >>> round(near_field_end_us(trace, unclipped, t, face_delay_us=0.0, pulse_us=0.2), 2)
    0.41
    """
    stop = int(np.searchsorted(delay_us, face_delay_us + reach_us))
    if stop < 2:
        return float(delay_us[0]) + pulse_us
    step_us = float(delay_us[1] - delay_us[0])
    shared = np.abs(matched[:, :stop].mean(axis=0))
    # Magnitudes of normal noise have their lower quartile at 0.76 standard deviations.
    noise = np.quantile(np.abs(matched), 0.25) / _QUARTILE
    # The tallest that follows each sample, in the scan in which it is tallest half of the time.
    follows = np.maximum.accumulate(np.abs(matched[:, :stop])[:, ::-1], axis=1)[:, ::-1]
    level = noise * 10.0 ** (_HEARD_DB / 20.0)
    silent = np.maximum(np.median(follows, axis=0) * 10.0 ** (-_SILENT_DB / 20.0), level)
    first = _clipped_until(clipped[:, :stop].mean(axis=0) >= 0.5, _CLIPPED_GAP_US / step_us)
    if first:
        # The filter spreads what is clipped by half a pulse.
        first += round(0.5 * pulse_us / step_us)
    end = _first_run(shared <= silent, first, max(1, round(_SILENT_PULSES * pulse_us / step_us)))
    if end:
        return float(delay_us[min(end, stop - 1)])
    if delay_us[0] < face_delay_us - pulse_us:
        return -np.inf
    # A trace that begins later than an echo could holds part of it, or nothing.
    return float(delay_us[0]) + (0.0 if delay_us[0] <= 0.0 else 0.5 * pulse_us)


def _clipped_until(clipped: NDArray[np.bool_], gap: float) -> int:
    """Sample behind the clipped ones at the start of a trace, which may have short gaps."""
    until = 0
    for sample in np.flatnonzero(clipped).tolist():
        if sample - until > gap:
            break
        until = sample + 1
    return until


def _first_run(quiet: NDArray[np.bool_], first: int, least: int) -> int:
    """Where the first so long run of quiet samples begins; one at the very start may be shorter."""
    if not first and quiet[0]:
        return 0
    padded = np.concatenate([[False], quiet[first:], [False]]).astype(np.int8)
    change = np.diff(padded)
    begins, ends = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    long = begins[ends - begins >= least]
    return first + int(long[0]) if long.size else quiet.size
