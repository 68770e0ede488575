"""Picker of the onset by Akaike's criterion, with a table of its error against height."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from echotrace.signal.pickers.template import TemplateKey, template_key_of, template_traces
from echotrace.signal.pickers.windows import (
    EchoWindows,
    PickerSettings,
    PickReason,
    Picks,
    finish,
    gather_windows,
    local_peak,
    peak_reach,
    window_reach,
)

__all__ = ["read_akaike_onset"]

Float = NDArray[np.float64]


def _akaike_raw(windows: EchoWindows) -> tuple[Float, NDArray[np.integer]]:
    """Column of the onset by Akaike's criterion on the samples up to the envelope's peak."""
    rows = windows.envelope if windows.rf is None else windows.rf
    peak, _, height, _ = local_peak(windows.envelope, windows.at, peak_reach(windows))
    w = rows.shape[1]
    columns = np.arange(w)
    # Sums over [0, k) and [k, peak]; a floor 60 dB below the echo keeps silence finite.
    inside = columns <= peak[:, None]
    values = np.where(inside, rows, 0.0)
    total = np.cumsum(values, axis=1)
    square = np.cumsum(values**2, axis=1)
    count_before = columns + 1.0
    count_after = (peak[:, None] + 1.0) - count_before
    floor = (1e-3 * height[:, None]) ** 2 + np.finfo(np.float64).tiny
    with np.errstate(divide="ignore", invalid="ignore"):
        var_before = square / count_before - (total / count_before) ** 2
        var_after = (square[:, -1:] - square) / count_after - (
            (total[:, -1:] - total) / count_after
        ) ** 2
        aic = count_before * np.log(np.maximum(var_before, 0.0) + floor) + (
            count_after - 1.0
        ) * np.log(np.maximum(var_after, 0.0) + floor)
    usable = (columns >= 8) & (count_after >= 4.0)
    aic = np.where(usable, aic, np.inf)
    k = np.clip(np.argmin(aic, axis=1), 1, w - 2)
    i = np.arange(windows.n)
    before, middle, after = aic[i, k - 1], aic[i, k], aic[i, k + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        curvature = before + after - 2.0 * middle
        offset = 0.5 * (before - after) / curvature
    offset = np.where(np.isfinite(offset), np.clip(offset, -0.5, 0.5), 0.0)
    found = np.isfinite(middle)
    # The onset lies after sample k, which still belongs to the quiet part.
    column = k + 1.0 + offset
    return column, np.where(found, int(PickReason.FOUND), int(PickReason.NO_RISE))


_ONSET_LEVELS_DB = np.concatenate([np.arange(8.0, 24.0, 2.0), np.arange(24.0, 100.0, 6.0)])
# Samples that are simulated for a level below 20 dB and above, and traces at a time: high sampling
# rates get fewer traces, not minutes and gigabytes.
_SIMULATED = 1_200_000, 240_000
_AT_A_TIME = 128


@lru_cache(maxsize=32)
def _onset_table(key: TemplateKey) -> tuple[Float, Float, Float]:
    """Mean error and spread of the Akaike onset against the height seen over the noise.

    The onset comes later the deeper the foot of the echo lies in the noise; there is no closed
    form, so it is simulated once for each template, with a fixed seed. Below 16 dB the spread
    falls steeply with height, and the height that is seen scatters: the table is corrected until
    its root mean square over what is seen equals the spread at every true height.
    """
    rng = np.random.default_rng(20240611)
    seen: list[Float] = []
    mean, spread = [], []
    before, after = window_reach(key.pulse)
    for snr_db in _ONSET_LEVELS_DB:
        noisy = snr_db < 20.0
        room = _SIMULATED[0 if noisy else 1] // (4 * (before + after))
        n = min(max(room, 80), 1600 if noisy else 200)
        error, heights = [], []
        for part in np.array_split(np.arange(n), -(-n // _AT_A_TIME)):
            sd = 10.0 ** (-snr_db / 20.0)
            traces, truth = template_traces(key, part.size, noise_to_amplitude=sd, rng=rng)
            windows = gather_windows(traces, np.arange(part.size), np.rint(truth).astype(np.intp))
            column, _ = _akaike_raw(windows)
            error.append(windows.first_sample + column - truth)
            heights.append(_seen_level(windows))
        mean.append(float(np.concatenate(error).mean()))
        spread.append(float(np.concatenate(error).std()))
        seen.append(np.concatenate(heights))
    level = np.array([np.median(values) for values in seen])
    table = np.log(spread)
    for _ in range(8):
        stated = [
            0.5 * np.log(np.mean(np.exp(2.0 * np.interp(values, level, table)))) for values in seen
        ]
        table += np.log(spread) - np.array(stated)
    return level, np.array(mean), np.exp(table)


def _seen_level(windows: EchoWindows) -> Float:
    """Logarithm of the echo's height over the noise in the matched envelope."""
    _, _, height, _ = local_peak(windows.matched_envelope, windows.at, 2)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(height / windows.matched_noise))


def read_akaike_onset(windows: EchoWindows, settings: PickerSettings) -> Picks:
    """Where quiet ends and the echo begins, by Akaike's criterion on two normal variances.

    Parameters
    ----------
    windows : EchoWindows
    settings : PickerSettings

    Returns
    -------
    Picks
        The onset already corrected by its table, to the centre of the pulse.

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
    >>> from echotrace.signal.pickers.onset import read_akaike_onset
    >>> bool(abs(read_akaike_onset(windows, PickerSettings()).sample[0] - 329) < 2)
    True
    """
    del settings
    column, reason = _akaike_raw(windows)
    level, mean, spread = _onset_table(template_key_of(windows))
    seen = _seen_level(windows)
    return finish(
        windows,
        column - np.interp(seen, level, mean),
        np.exp(np.interp(seen, level, np.log(spread))),
        reason,
    )
