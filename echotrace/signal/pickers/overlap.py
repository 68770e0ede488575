"""Picker by a least-squares fit of the pulse, jointly with other echoes close by."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.signal.crowded import noise_of_samples
from echotrace.signal.parting import MOST_ECHOES, part_around
from echotrace.signal.pickers.peaks import read_matched_filter
from echotrace.signal.pickers.windows import (
    EchoWindows,
    PickerSettings,
    PickReason,
    Picks,
    finish,
    interpolate,
)

__all__ = ["read_least_squares"]

Float = NDArray[np.float64]

# How far, in widths of the pulse, others are looked for, and what is no echo beside a taller one.
_NEAR_WIDTHS, _CHAIN_WIDTHS, _LEAST_HEIGHT = 2.5, 3.0, 0.1


def read_least_squares(windows: EchoWindows, settings: PickerSettings) -> Picks:
    """Fit of the pulse, jointly with other echoes close by where there are any.

    With one echo of free phase and amplitude that is the matched filter. Where something is left
    when it is taken out, one echo, one of another shape than the template's, and several are held
    against each other by :func:`~echotrace.signal.parting.part_around`; of several, the one
    nearest the candidate is read, the first of two that lie about it.

    Parameters
    ----------
    windows : EchoWindows
    settings : PickerSettings

    Returns
    -------
    Picks
        Before calibration: what the picker itself measures.

    Raises
    ------
    ParameterError
        The windows were cut from envelopes.

    Notes
    -----
    The stated uncertainty is the Cramér-Rao bound of all delays with free heights and phases (Kay
    SM, Estimation Theory, ch. 3), for the noise at the echo. Where that fit is not sure, the single
    echo is read, and how far the other lies from it is added to its uncertainty.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.recording import Signal
    >>> from echotrace.signal.conditioning import condition
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> rf = np.pad(pulse.analytic.real, 300)[None]
    >>> traces = condition(rf, rf > 2.0, signal=Signal.RF, sampling_rate_hz=100e6,
    ...                    start_delay_us=0.0, pulse=pulse)
    >>> from echotrace.signal.pickers.windows import PickerSettings, gather_windows
    >>> windows = gather_windows(traces, np.array([0]), np.array([329]))
    >>> from echotrace.signal.pickers.overlap import read_least_squares
    >>> read_least_squares(windows, PickerSettings()).sample.round(1).tolist()
    [329.0]
    """
    if windows.matched is None or windows.rf is None:
        raise ParameterError("picker 'least_squares' needs RF; this recording holds envelopes")
    single = read_matched_filter(windows, settings)
    rows = np.flatnonzero(_leaves_something(windows, single, settings))
    if not rows.size:
        return single
    width = windows.pulse.width_us / windows.step_us
    seeds = _seeds(windows, single, rows, width)
    noise = noise_of_samples(
        windows.matched_noise[rows], windows.matched_slope[rows], windows.pulse
    )
    rf = windows.rf[rows]
    # Echoes fill less than half of the window before a crest.
    total = np.median(np.abs(rf[:, : windows.at]), axis=1) / 0.6745
    allowed = np.ones(rf.shape, np.bool_)
    parted = part_around(rf, allowed, seeds, noise, windows.pulse, total_noise=total)
    column, u_sample = single.sample - windows.first_sample, single.u_sample.copy()
    several = np.flatnonzero(parted.count > 1)
    found, at = parted.sample[several], column[rows[several]]
    # Of two that lie evenly about a crest which both have made, the first.
    away = np.abs(found - at[:, None]) + 1e-3 * np.arange(found.shape[1]) * width
    nearest = np.nanargmin(away, axis=1)
    k = np.arange(several.size)
    found = found[k, nearest]
    u_found = np.sqrt(parted.covariance[several][k, nearest, nearest])
    # Where the fit is not sure, the crest is kept, and how far the fit lies from it is its doubt.
    sure, at_rows = parted.sure[several], rows[several]
    doubt = np.hypot(u_sample[at_rows], found - at)
    column[at_rows] = np.where(sure, found, at)
    u_sample[at_rows] = np.where(sure, u_found, doubt)
    return finish(windows, column, u_sample, single.reason)


def _leaves_something(
    windows: EchoWindows, single: Picks, settings: PickerSettings
) -> NDArray[np.bool_]:
    """Echoes beside which something stands over the noise when they are taken out."""
    assert windows.matched is not None
    pulse, n_columns = windows.pulse, windows.matched.shape[1]
    at = single.sample - windows.first_sample
    found = single.reason == PickReason.FOUND
    at = np.where(found, at, windows.at)
    omega = 2.0 * np.pi * pulse.centre_frequency_hz / pulse.sampling_rate_hz
    columns = np.arange(n_columns)
    base = windows.matched * np.exp(-1j * omega * columns)
    height = interpolate(base, at) * np.exp(1j * omega * at)
    correlation = np.correlate(pulse.analytic, pulse.analytic, mode="full")
    middle = correlation.size // 2
    correlation = correlation / correlation[middle]
    correlation = correlation * np.exp(-1j * omega * (np.arange(correlation.size) - middle))
    away = columns - at[:, None]
    model = np.interp(away, np.arange(correlation.size) - middle, correlation, left=0.0, right=0.0)
    rest = np.abs(windows.matched - height[:, None] * model * np.exp(1j * omega * away))
    near = np.abs(away) <= _NEAR_WIDTHS * pulse.width_us / windows.step_us
    left = np.max(np.where(near, rest, 0.0), axis=1)
    # The straight line between its samples is as near to the correlation as this.
    least = windows.matched_noise * 10.0 ** (settings.overlap_threshold_db / 20.0)
    return np.asarray(found & (left > np.maximum(least, 0.02 * np.abs(height))))


def _seeds(windows: EchoWindows, single: Picks, rows: NDArray[np.intp], width: float) -> Float:
    """Columns of the echo and of the crests about it that reach into one another."""
    seeds = np.full((rows.size, MOST_ECHOES), np.nan)
    for seed, row in zip(seeds, rows.tolist(), strict=True):
        envelope = windows.matched_envelope[row]
        own = float(single.sample[row] - windows.first_sample[row])
        least = max(
            _LEAST_HEIGHT * float(envelope[round(own)]), 5.0 * float(windows.matched_noise[row])
        )
        inner = envelope[1:-1]
        crest = (inner > envelope[:-2]) & (inner >= envelope[2:]) & (inner > least)
        others = np.flatnonzero(crest) + 1.0
        others = others[np.abs(others - own) > 0.5 * width]
        group = [own]
        for place in sorted(others, key=lambda x: abs(x - own)):
            reached = min(abs(place - member) for member in group) <= _CHAIN_WIDTHS * width
            if reached and len(group) < MOST_ECHOES:
                group.append(place)
        seed[: len(group)] = sorted(group)
    return seeds
