"""Pickers of a peak: of the matched output's envelope, and of the plain one."""

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

__all__ = ["read_envelope_peak", "read_matched_filter"]

Float = NDArray[np.float64]


def _peak_pick(windows: EchoWindows, rows: Float, slope: Float, reach: int) -> Picks:
    """Peak of an envelope: the noise's slope over the peak's curvature is its jitter."""
    k, column, height, curvature = local_peak(rows, windows.at, reach)
    i = np.arange(windows.n)
    # No extrapolation: where it still rises at the end of the reach, no echo stands there.
    crest = rows[i, k] >= np.maximum(rows[i, k - 1], rows[i, k + 1])
    found = crest & (curvature > 0.0) & (height > 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        u_sample = slope * windows.step_us / (height * curvature)
    reason = np.where(found, int(PickReason.FOUND), int(PickReason.NO_ECHO))
    return finish(windows, column, u_sample, reason)


def read_matched_filter(windows: EchoWindows, settings: PickerSettings) -> Picks:
    """Peak of the matched output's envelope.

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
    >>> from echotrace.signal.pickers.peaks import read_matched_filter
    >>> read_matched_filter(windows, PickerSettings()).sample.round(1).tolist()
    [329.0]
    """
    del settings
    reach = max(2, windows.pulse.grid_stride)
    return _peak_pick(windows, windows.matched_envelope, windows.matched_slope, reach)


def read_envelope_peak(windows: EchoWindows, settings: PickerSettings) -> Picks:
    """Peak of the plain envelope.

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
    >>> from echotrace.signal.pickers.peaks import read_envelope_peak
    >>> read_envelope_peak(windows, PickerSettings()).sample.round(1).tolist()
    [329.0]
    """
    del settings
    return _peak_pick(windows, windows.envelope, windows.envelope_slope, peak_reach(windows))
