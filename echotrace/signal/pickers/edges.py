"""Pickers of the rise: where it crosses a level, and where it is steepest."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from echotrace.signal.pickers.windows import (
    EchoWindows,
    PickerSettings,
    PickReason,
    Picks,
    finish,
    local_peak,
    peak_reach,
)

__all__ = ["read_edge_fraction", "read_edge_level", "read_steepest_slope"]

Float = NDArray[np.float64]


def _last_below(
    rows: Float, peak: NDArray[np.intp], level: Float
) -> tuple[Float, Float, NDArray[np.bool_]]:
    """Where each row last crosses a level upwards before its peak.

    Returns
    -------
    column : crossing by straight line between samples, NaN where there is none
    slope : of the row there, per sample
    has : whether there is one
    """
    columns = np.arange(rows.shape[1])
    below = (rows < level[:, None]) & (columns < peak[:, None])
    has = below.any(axis=1)
    last = rows.shape[1] - 1 - np.argmax(below[:, ::-1], axis=1)
    last = np.clip(last, 0, rows.shape[1] - 2)
    i = np.arange(rows.shape[0])
    low, high = rows[i, last], rows[i, last + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        column = last + (level - low) / (high - low)
    return (
        np.where(has, column, np.nan),
        np.asarray(high - low, np.float64),
        np.asarray(has, np.bool_),
    )


def _edge(windows: EchoWindows, level: Float, fraction: Float, too_low: NDArray[np.bool_]) -> Picks:
    peak, peak_column, _, _ = local_peak(windows.envelope, windows.at, peak_reach(windows))
    column, slope, has = _last_below(windows.envelope, peak, level)
    # Noise at the crossing and, through the level, at the peak; their correlation falls like that
    # of Gaussian noise of the same slope.
    noise = windows.envelope_noise
    rms = windows.envelope_slope * windows.step_us / noise
    rho = np.exp(-0.5 * (rms * (peak_column - np.nan_to_num(column))) ** 2)
    variance = noise**2 * (1.0 + fraction**2 - 2.0 * fraction * rho)
    with np.errstate(divide="ignore", invalid="ignore"):
        u_sample = np.sqrt(variance) / slope
    reason = np.where(has, int(PickReason.FOUND), int(PickReason.NO_RISE))
    reason = np.where(too_low, int(PickReason.LEVEL_NOT_REACHED), reason)
    return finish(windows, column, u_sample, reason)


def read_edge_fraction(windows: EchoWindows, settings: PickerSettings) -> Picks:
    """Where the rise crosses a fraction of the echo's own height.

    Parameters
    ----------
    windows : EchoWindows
    settings : PickerSettings

    Returns
    -------
    Picks
        Before calibration: what the picker itself measures.

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
    >>> from echotrace.signal.pickers.edges import read_edge_fraction
    >>> read_edge_fraction(windows, PickerSettings()).sample.round(1).tolist()
    [320.2]
    """
    _, _, height, _ = local_peak(windows.envelope, windows.at, peak_reach(windows))
    fraction = np.full(windows.n, settings.edge_fraction)
    return _edge(windows, settings.edge_fraction * height, fraction, np.zeros(windows.n, np.bool_))


def read_edge_level(windows: EchoWindows, settings: PickerSettings) -> Picks:
    """Where the rise crosses one level for all echoes of a trace.

    Parameters
    ----------
    windows : EchoWindows
    settings : PickerSettings

    Returns
    -------
    Picks
        Before calibration: what the picker itself measures.

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
    >>> from echotrace.signal.pickers.edges import read_edge_level
    >>> read_edge_level(windows, PickerSettings()).sample.round(1).tolist()
    [317.6]
    """
    _, _, height, _ = local_peak(windows.envelope, windows.at, peak_reach(windows))
    level = windows.largest * 10.0 ** (settings.edge_level_db / 20.0)
    # A level that the noise itself reaches is crossed anywhere.
    hidden = level < 3.0 * windows.envelope_noise
    return _edge(windows, level, np.zeros(windows.n), (height <= level) | hidden)


def read_steepest_slope(windows: EchoWindows, settings: PickerSettings) -> Picks:
    """Where the envelope rises fastest.

    Parameters
    ----------
    windows : EchoWindows
    settings : PickerSettings

    Returns
    -------
    Picks
        Before calibration: what the picker itself measures.

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
    >>> from echotrace.signal.pickers.edges import read_steepest_slope
    >>> read_steepest_slope(windows, PickerSettings()).sample.round(1).tolist()
    [321.5]
    """
    del settings
    rows = windows.envelope
    slope = np.zeros_like(rows)
    slope[:, 1:-1] = 0.5 * (rows[:, 2:] - rows[:, :-2])
    peak, _, _, _ = local_peak(rows, windows.at, peak_reach(windows))
    # The steepest rise lies less than one width before the peak.
    reach = int(np.ceil(1.2 * windows.pulse.width_us / windows.step_us))
    columns = np.arange(rows.shape[1])
    near = (columns <= peak[:, None]) & (columns >= peak[:, None] - reach)
    masked = np.where(near, slope, -np.inf)
    k = np.clip(np.argmax(masked, axis=1), 2, rows.shape[1] - 3)
    i = np.arange(windows.n)
    before, middle, after = slope[i, k - 1], slope[i, k], slope[i, k + 1]
    curvature = 2.0 * middle - before - after
    with np.errstate(divide="ignore", invalid="ignore"):
        offset = np.clip(np.where(curvature > 0.0, 0.5 * (after - before) / curvature, 0.0), -1, 1)
        # The zero of the second derivative moves by the noise's second derivative over the third
        # derivative of the echo. The band's noise is Gaussian in frequency, for which the fourth
        # moment is three times the squared second.
        rms = windows.envelope_slope * windows.step_us / windows.envelope_noise
        u_sample = np.sqrt(3.0) * windows.envelope_noise * rms**2 / curvature
    reason = np.where(curvature > 0.0, int(PickReason.FOUND), int(PickReason.NO_RISE))
    return finish(windows, k + offset, u_sample, reason)
