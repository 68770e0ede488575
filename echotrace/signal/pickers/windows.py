"""The surroundings of echoes that pickers read, and what they give back."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.signal.conditioning import Conditioned
from echotrace.signal.envelope import EnvelopeMethod
from echotrace.signal.pulse import Pulse

__all__ = [
    "EchoWindows",
    "PickReason",
    "PickerSettings",
    "Picks",
    "cubic",
    "finish",
    "gather_windows",
    "interpolate",
    "local_peak",
    "peak_reach",
    "skirt_samples",
    "window_reach",
]

Float = NDArray[np.float64]


class PickReason(IntEnum):
    """Why a picker has no delay to give.

    Examples
    --------
    >>> from echotrace.signal.picking import PickReason
    >>> PickReason(2).name
    'AT_THE_EDGE'
    """

    FOUND = 0
    NO_ECHO = 1
    AT_THE_EDGE = 2
    LEVEL_NOT_REACHED = 3
    NO_RISE = 4
    REFERENCE_MISSING = 5
    LEFT_OUT = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class PickerSettings:
    """What the pickers need to be told.

    Attributes
    ----------
    edge_fraction : float
        ``leading_edge_fraction``: fraction of the echo's own height at which its rise is read.
    edge_level_db : float
        ``leading_edge_level``: level at which every rise is read, dB relative to the largest echo
        of the trace.
    overlap_threshold_db : float
        ``least_squares``: how far over the noise a second echo must stand, after the first was
        taken out, to be fitted with it, dB.

    Raises
    ------
    ParameterError
        A value out of range.

    Examples
    --------
    >>> from echotrace.signal.picking import PickerSettings
    >>> PickerSettings(edge_fraction=0.3).edge_fraction
    0.3
    """

    edge_fraction: float = 0.5
    edge_level_db: float = -10.0
    overlap_threshold_db: float = 14.0

    def __post_init__(self) -> None:
        if not 0.05 <= self.edge_fraction <= 0.95:
            raise ParameterError(
                f"edge_fraction={self.edge_fraction!r} must lie between 0.05 and 0.95"
            )
        if not -60.0 <= self.edge_level_db < 0.0:
            raise ParameterError(
                f"edge_level_db={self.edge_level_db!r} must lie between -60 and 0 dB"
            )
        if not 6.0 <= self.overlap_threshold_db <= 60.0:
            raise ParameterError(
                f"overlap_threshold_db={self.overlap_threshold_db!r} must lie between 6 and 60 dB"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class EchoWindows:
    """The surroundings of echoes, one row an echo.

    Attributes
    ----------
    matched : ndarray of complex, (n, w), or None
    matched_envelope, envelope : ndarray of float64, (n, w)
    rf : ndarray of float64, (n, w), or None
    at : int
        Column of the candidate's largest sample.
    first_sample : ndarray of int, (n,)
        Sample of the trace that column 0 is.
    matched_noise, envelope_noise, matched_slope, envelope_slope : ndarray of float64, (n,)
        As in :class:`~echotrace.signal.conditioning.Conditioned`.
    largest : ndarray of float64, (n,)
        Height of the largest echo of the trace in the plain envelope.
    inside : ndarray of bool, (n,)
        The echo lies wholly inside the trace; beyond the ends windows repeat the end samples.
    pulse : Pulse
    envelope_method : str
    bandwidth_hz : float

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
    >>> windows.n, windows.at, windows.first_sample.tolist()
    (1, 118, [211])
    """

    matched: NDArray[np.complex128] | None
    matched_envelope: Float
    envelope: Float
    rf: Float | None
    at: int
    first_sample: NDArray[np.intp]
    matched_noise: Float
    envelope_noise: Float
    matched_slope: Float
    envelope_slope: Float
    largest: Float
    inside: NDArray[np.bool_]
    pulse: Pulse
    envelope_method: EnvelopeMethod
    bandwidth_hz: float

    @property
    def n(self) -> int:
        """Number of echoes."""
        return int(self.first_sample.size)

    @property
    def step_us(self) -> float:
        """Time between samples, µs."""
        return 1e6 / self.pulse.sampling_rate_hz


@dataclass(frozen=True, slots=True)
class Picks:
    """What a picker found.

    Attributes
    ----------
    sample : ndarray of float64, (n,)
        Position in samples from the start of the trace, NaN where nothing was found.
    u_sample : ndarray of float64, (n,)
        Standard uncertainty from noise, samples.
    reason : ndarray of uint8, (n,)
        A :class:`PickReason`.

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
    >>> from echotrace.signal.picking import pick_echoes
    >>> picks = pick_echoes(traces, np.array([0, 0]), np.array([329, 2]))
    >>> picks.sample.round(2).tolist(), picks.reason.tolist()
    ([329.0, nan], [0, 2])
    """

    sample: Float
    u_sample: Float
    reason: NDArray[np.uint8]


def window_reach(pulse: Pulse) -> tuple[int, int]:
    """Samples before and after an echo that the pickers look at.

    Parameters
    ----------
    pulse : Pulse

    Returns
    -------
    before, after : int
        Samples.

    Examples
    --------
    >>> from echotrace.signal.pickers.windows import window_reach
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> window_reach(gaussian_pulse(100e6, 10e6, 0.6))
    (118, 74)
    """
    width = pulse.width_us * pulse.sampling_rate_hz * 1e-6
    return int(np.ceil(8.0 * width)), int(np.ceil(5.0 * width))


def skirt_samples(pulse: Pulse) -> int:
    """Samples on either side of an echo's centre that must lie inside the trace.

    Parameters
    ----------
    pulse : Pulse

    Returns
    -------
    int
        Samples: one and a half widths of the pulse.

    Examples
    --------
    >>> from echotrace.signal.picking import skirt_samples
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> skirt_samples(gaussian_pulse(100e6, 10e6, 0.6))
    23
    """
    return int(np.ceil(1.5 * pulse.width_us * pulse.sampling_rate_hz * 1e-6))


def gather_windows(
    traces: Conditioned, trace_idx: NDArray[np.integer], sample_idx: NDArray[np.integer]
) -> EchoWindows:
    """Cut the surroundings of echoes out of traces.

    Parameters
    ----------
    traces : Conditioned
    trace_idx, sample_idx : ndarray of int, (n,)
        Trace and sample of each candidate: its maximum in the matched envelope.

    Returns
    -------
    EchoWindows

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
    >>> windows.matched.shape, bool(windows.inside[0])
    ((1, 193), True)
    """
    before, after = window_reach(traces.pulse)
    n_samples = traces.envelope.shape[1]
    first = np.asarray(sample_idx, np.intp) - before
    columns = np.clip(first[:, None] + np.arange(before + after + 1), 0, n_samples - 1)
    # An echo must stand wholly inside the trace; the quiet window before it need not.
    skirt = skirt_samples(traces.pulse)
    inside = (np.asarray(sample_idx) >= skirt) & (np.asarray(sample_idx) < n_samples - skirt)
    rows = np.asarray(trace_idx, np.intp)[:, None]
    along = traces.noise
    return EchoWindows(
        matched=None
        if traces.matched is None
        else np.asarray(traces.matched[rows, columns], np.complex128),
        matched_envelope=np.asarray(traces.matched_envelope[rows, columns], np.float64),
        envelope=np.asarray(traces.envelope[rows, columns], np.float64),
        rf=None if traces.rf is None else np.asarray(traces.rf[rows, columns], np.float64),
        at=before,
        first_sample=first,
        matched_noise=along.matched.at(trace_idx, sample_idx),
        envelope_noise=along.envelope.at(trace_idx, sample_idx),
        matched_slope=along.matched_slope.at(trace_idx, sample_idx),
        envelope_slope=along.envelope_slope.at(trace_idx, sample_idx),
        largest=np.asarray(traces.envelope.max(axis=1), np.float64)[trace_idx],
        inside=inside,
        pulse=traces.pulse,
        envelope_method=traces.envelope_method,
        bandwidth_hz=traces.bandwidth_hz,
    )


def finish(
    windows: EchoWindows, column: Float, u_sample: Float, reason: NDArray[np.integer]
) -> Picks:
    """Turn columns into samples of the trace, and blank what was not found.

    Parameters
    ----------
    windows : EchoWindows
    column : ndarray of float64, (n,)
        Of each reading in its window.
    u_sample : ndarray of float64, (n,)
        Standard uncertainty, samples.
    reason : ndarray of int, (n,)
        A :class:`PickReason`; an echo at the edge of its trace gets that one.

    Returns
    -------
    Picks

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
    >>> from echotrace.signal.pickers.windows import finish
    >>> column, u_sample, reason = np.array([118.25]), np.array([0.1]), np.array([0])
    >>> finish(windows, column, u_sample, reason).sample.tolist()
    [329.25]
    """
    why = np.where(windows.inside, reason, int(PickReason.AT_THE_EDGE)).astype(np.uint8)
    found = why == PickReason.FOUND
    sample = np.where(found, windows.first_sample + column, np.nan)
    return Picks(sample, np.where(found, u_sample, np.nan), why)


def local_peak(
    rows: Float, centre: int, reach: int
) -> tuple[NDArray[np.intp], Float, Float, Float]:
    """Peak of each row near a column.

    Parameters
    ----------
    rows : ndarray of float64, (n, w)
        Zero or more.
    centre, reach : int
        The peak is looked for within ``reach`` columns of ``centre``.

    Returns
    -------
    k : column of the largest sample
    column : column of the vertex of the parabola through the logarithm around it: exact for a
        Gaussian
    height : of the vertex
    curvature : minus the second derivative of the logarithm, per sample squared

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.pickers.windows import local_peak
    >>> rows = np.exp(-0.5 * ((np.arange(21) - 10.3) / 3.0) ** 2)[None]
    >>> k, column, height, curvature = local_peak(rows, 10, 3)
    >>> round(float(column[0]), 6), round(float(1 / curvature[0]), 6)
    (10.3, 9.0)
    """
    n, w = rows.shape
    low, high = max(1, centre - reach), min(w - 1, centre + reach + 1)
    k = low + np.argmax(rows[:, low:high], axis=1)
    k = np.clip(k, 1, w - 2)
    i = np.arange(n)
    tiny = np.finfo(np.float64).tiny
    before, middle, after = (np.log(np.maximum(rows[i, k + d], tiny)) for d in (-1, 0, 1))
    curvature = 2.0 * middle - before - after
    with np.errstate(divide="ignore", invalid="ignore"):
        offset = np.where(curvature > 0.0, 0.5 * (after - before) / curvature, 0.0)
    offset = np.clip(offset, -1.0, 1.0)
    height = np.exp(middle + 0.25 * (after - before) * offset)
    return k, k + offset, height, curvature


def peak_reach(windows: EchoWindows) -> int:
    """How far from the matched peak the plain envelope's own peak may lie, samples.

    Parameters
    ----------
    windows : EchoWindows

    Returns
    -------
    int
        Samples: 0.7 widths of the pulse.

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
    >>> from echotrace.signal.pickers.windows import peak_reach
    >>> peak_reach(windows)
    11
    """
    return int(np.ceil(0.7 * windows.pulse.width_us / windows.step_us))


def cubic(x: NDArray[np.floating]) -> tuple[NDArray[np.floating], ...]:
    """Weights of the samples -1, 0, 1, 2 in four-point Lagrange interpolation at x in [0, 1).

    Parameters
    ----------
    x : ndarray of float
        Place between the second and third of the four samples, 0 to 1.

    Returns
    -------
    tuple of four ndarray of float, each of the shape of ``x``

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.pickers.windows import cubic
    >>> [float(weight) for weight in cubic(np.float64(0.5))]
    [-0.0625, 0.5625, 0.5625, -0.0625]
    """
    return (
        -x * (x - 1) * (x - 2) / 6,
        (x + 1) * (x - 1) * (x - 2) / 2,
        -(x + 1) * x * (x - 2) / 2,
        (x + 1) * x * (x - 1) / 6,
    )


def interpolate(
    values: NDArray[np.complex128], column: NDArray[np.floating]
) -> NDArray[np.complex128]:
    """Cubic interpolation of each row at one column.

    Parameters
    ----------
    values : ndarray of complex, (n, w)
    column : ndarray of float, (n,)

    Returns
    -------
    ndarray of complex128, (n,)

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.pickers.windows import interpolate
    >>> interpolate(np.arange(8.0)[None] ** 2 + 0j, np.array([3.5])).tolist()
    [(12.25+0j)]
    """
    k = np.clip(np.floor(column).astype(np.intp), 1, values.shape[1] - 3)
    i = np.arange(values.shape[0])
    weights = cubic(column - k)
    return np.asarray(sum(weight * values[i, k + d - 1] for d, weight in enumerate(weights)))
