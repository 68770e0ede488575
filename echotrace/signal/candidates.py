"""Candidates: every echo of a trace that stands out of the noise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.recording import Signal
from echotrace.signal.conditioning import Conditioned
from echotrace.signal.pulse import Pulse

if TYPE_CHECKING:
    from echotrace.kernels.echoes import SearchPlan

__all__ = [
    "Candidates",
    "empty_candidates",
    "false_alarm_rate_of",
    "false_alarm_threshold_db",
    "find_echoes",
    "search_plan",
]

_MAX_CANDIDATES = 160


@dataclass(frozen=True, slots=True)
class Candidates:
    """Echoes that stand out of each trace, in order of delay.

    Attributes
    ----------
    count : ndarray of int32, (n_traces,)
    sample : ndarray of int32, (n_traces, c)
        Sample nearest to the peak in the matched envelope; only the first ``count`` of a row mean
        anything.
    delay_us : ndarray of float64, (n_traces, c)
        Of the peak, as seen on the grid of :attr:`~echotrace.signal.pulse.Pulse.grid_stride`.
    level_db : ndarray of float32, (n_traces, c)
        Height over the noise, dB.
    before_db : ndarray of float32, (n_traces, c)
        Largest envelope in the microsecond or so before the echo, over the noise, dB.
    broadening : ndarray of float32, (n_traces, c)
        Natural logarithm of an undistorted echo's curvature over that of this one: zero for the
        pulse's own shape, positive for a drawn-out echo, negative for a spike.

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
    >>> from echotrace.signal.candidates import find_echoes
    >>> found = find_echoes(traces)
    >>> found.count.tolist(), found.delay_us[0, :1].round(2).tolist()
    ([1], [3.29])
    """

    count: NDArray[np.int32]
    sample: NDArray[np.int32]
    delay_us: NDArray[np.float64]
    level_db: NDArray[np.float32]
    before_db: NDArray[np.float32]
    broadening: NDArray[np.float32]


# Relative variance of a trace's noise level, times the values it is read from: 0.64 / sqrt(n).
_NOISE_VARIANCE = 0.41
# A dip of 2 dB parts two echoes; ripples on one flank are shallower.
_DIP_RATIO = 0.8


def search_plan(
    pulse: Pulse, signal: Signal, start_delay_us: float, threshold_db: float
) -> SearchPlan:
    """How echoes are looked for, for the kernels.

    Parameters
    ----------
    pulse : Pulse
        Template, at the sampling rate of the traces.
    signal : Signal
        RF, or recorded envelopes.
    start_delay_us : float
        Delay of the first sample, µs.
    threshold_db : float
        Least height of an echo over the noise, dB.

    Returns
    -------
    SearchPlan

    Examples
    --------
    >>> from echotrace.recording import Signal
    >>> from echotrace.signal.candidates import search_plan
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> plan = search_plan(gaussian_pulse(100e6, 10e6, 0.6), Signal.RF, 0.0, 20.0)
    >>> plan.stride, plan.threshold_ratio
    (5, 10.0)
    """
    from echotrace.kernels.echoes import SearchPlan

    stride = pulse.grid_stride
    width = pulse.width_us * pulse.sampling_rate_hz * 1e-6 / stride
    # The curvature of a peak is read over half a width to either side, where noise matters little.
    arm = max(1, round(0.5 * width))
    analytic = pulse.analytic if signal == Signal.RF else np.abs(pulse.analytic)
    own = np.abs(np.correlate(analytic, analytic, mode="full"))
    middle, d = own.size // 2, arm * stride
    expected = 2.0 * np.log(own[middle]) - np.log(own[middle - d]) - np.log(own[middle + d])
    return SearchPlan(
        stride=stride,
        dip_ratio=np.float32(_DIP_RATIO),
        threshold_ratio=float(10.0 ** (threshold_db / 20.0)),
        far=int(np.ceil(12.0 * width)),
        near=int(np.ceil(2.2 * width)),
        arm=arm,
        curvature=float(expected),
        start_us=float(start_delay_us),
        step_us=1e6 / pulse.sampling_rate_hz,
    )


def false_alarm_threshold_db(pulse: Pulse, n_samples: int, false_alarm_rate: float = 0.01) -> float:
    """Height over the noise that nothing but noise passes in so many traces, dB.

    Parameters
    ----------
    pulse : Pulse
        Template, at the sampling rate of the traces.
    n_samples : int
        Of a trace.
    false_alarm_rate : float
        Share of traces of white noise in which at least one echo is found.

    Returns
    -------
    float

    Raises
    ------
    ParameterError
        A rate that is not between 0 and 1.

    Notes
    -----
    The envelope of normal noise of RMS bandwidth B crosses r standard deviations upwards
    sqrt(2 pi) B r exp(-r^2 / 2) times a second (Rice SO 1945, Bell Syst Tech J 24:46; value from
    memory); crossings of high levels are independent.

    Examples
    --------
    >>> from echotrace.signal.candidates import false_alarm_threshold_db
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> round(false_alarm_threshold_db(gaussian_pulse(100e6, 10e6, 0.6), 4096), 1)
    13.7
    """
    if not 0.0 < false_alarm_rate < 1.0:
        raise ParameterError(f"false_alarm_rate={false_alarm_rate!r} must lie between 0 and 1")
    crossings, variance = _crossings(pulse, n_samples)
    wanted = -np.log1p(-false_alarm_rate)
    r = 3.0
    for _ in range(50):
        # Below one standard deviation the rate falls with the level no longer.
        exponent = max(np.log(crossings * r / wanted), 0.5)
        root = np.sqrt(max(1.0 - 8.0 * variance * exponent, 0.0))
        r = max(1.0, float(np.sqrt((1.0 - root) / (2.0 * variance))))
    return float(20.0 * np.log10(r))


def false_alarm_rate_of(pulse: Pulse, n_samples: int, threshold_db: float) -> float:
    """Share of traces of noise alone in which something passes a threshold.

    The inverse of :func:`false_alarm_threshold_db`, with the same source.

    Parameters
    ----------
    pulse : Pulse
        Template, at the sampling rate of the traces.
    n_samples : int
        Of a trace.
    threshold_db : float
        Height over the noise, dB.

    Returns
    -------
    float

    Examples
    --------
    >>> from echotrace.signal.candidates import false_alarm_rate_of
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> for bandwidth in (0.3, 0.6, 0.9):
    ...     print(round(false_alarm_rate_of(gaussian_pulse(100e6, 10e6, bandwidth), 5200, 13.0), 3))
    0.033
    0.055
    0.077
    """
    crossings, variance = _crossings(pulse, n_samples)
    r = 10.0 ** (threshold_db / 20.0)
    # Beyond the level at which the mean grows again the noise is not known well enough to tell.
    r_squared = min(r * r, 0.5 / variance)
    expected = crossings * r * np.exp(-0.5 * r_squared + 0.5 * variance * r_squared**2)
    return float(-np.expm1(-expected))


def _crossings(pulse: Pulse, n_samples: int) -> tuple[float, float]:
    """Upward crossings of a trace over r exp(-r^2 / 2), and relative variance of its noise level.

    The noise is read off the trace itself, from so many values, which alone makes high levels
    less high: its relative variance lifts the mean of exp(-r^2 / 2) by exp(r^4 variance / 2).
    """
    duration_s = n_samples / pulse.sampling_rate_hz
    crossings = float(np.sqrt(2.0 * np.pi)) * pulse.rms_bandwidth_hz * duration_s
    return crossings, _NOISE_VARIANCE * 2.0 * pulse.grid_stride / n_samples


def find_echoes(traces: Conditioned, *, threshold_db: float | None = None) -> Candidates:
    """Find every echo of each trace that stands over the noise.

    Parameters
    ----------
    traces : Conditioned
    threshold_db : float, optional
        Least height over the noise, dB; left out, that of :func:`false_alarm_threshold_db`: one
        trace of noise in a hundred holds an echo. (At 13 dB, of 52 µs: 3, 6 and 8 in a hundred at
        30, 60 and 90 % of 10 MHz, :func:`false_alarm_rate_of`.)

    Returns
    -------
    Candidates

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
    >>> from echotrace.signal.candidates import find_echoes
    >>> found = find_echoes(traces, threshold_db=20.0)
    >>> found.sample[0, : found.count[0]].tolist(), bool(found.level_db[0, 0] > 60.0)
    ([329], True)
    """
    from echotrace.kernels.echoes import find_rows

    signal = Signal.ENVELOPE if traces.rf is None else Signal.RF
    if threshold_db is None:
        threshold_db = false_alarm_threshold_db(traces.pulse, traces.envelope.shape[1])
    plan = search_plan(traces.pulse, signal, traces.start_delay_us, threshold_db)
    grid = np.ascontiguousarray(traces.matched_envelope[:, :: plan.stride], np.float32)
    found = empty_candidates(grid.shape[0])
    find_rows(
        plan,
        grid,
        traces.matched_noise,
        found.count,
        found.sample,
        found.delay_us,
        found.level_db,
        found.before_db,
        found.broadening,
    )
    used = max(1, int(found.count.max(initial=1)))
    return Candidates(
        found.count,
        *(
            np.ascontiguousarray(getattr(found, name)[:, :used])
            for name in ("sample", "delay_us", "level_db", "before_db", "broadening")
        ),
    )


def empty_candidates(n_traces: int) -> Candidates:
    """Room for the echoes of some traces.

    Parameters
    ----------
    n_traces : int

    Returns
    -------
    Candidates
        Whose values mean nothing yet.

    Examples
    --------
    >>> from echotrace.signal.candidates import empty_candidates
    >>> empty_candidates(3).delay_us.shape
    (3, 160)
    """
    # One piece of memory: large enough to come in large pages, where five would be handed over in
    # 2,000 small ones for every block, at the cost of a twentieth of the whole chain.
    memory = np.empty((6, n_traces, _MAX_CANDIDATES), np.float32)
    return Candidates(
        count=np.empty(n_traces, np.int32),
        sample=memory[0].view(np.int32),
        delay_us=memory[1:3].reshape(n_traces, _MAX_CANDIDATES, 2).view(np.float64)[:, :, 0],
        level_db=memory[3],
        before_db=memory[4],
        broadening=memory[5],
    )
