"""Candidates: every echo of a trace that stands out of the noise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from echotrace.recording import Signal
from echotrace.signal.conditioning import Conditioned
from echotrace.signal.pulse import Pulse

if TYPE_CHECKING:
    from echotrace.kernels.echoes import SearchPlan

__all__ = ["Candidates", "empty_candidates", "find_echoes", "search_plan"]

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


def find_echoes(traces: Conditioned, *, threshold_db: float = 13.0) -> Candidates:
    """Find every echo of each trace that stands over the noise.

    Parameters
    ----------
    traces : Conditioned
    threshold_db : float
        Least height over the noise, dB. At 13 dB the matched noise of a whole trace passes it
        about once in a hundred traces.

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
    shape = (n_traces, _MAX_CANDIDATES)
    return Candidates(
        np.empty(n_traces, np.int32),
        np.empty(shape, np.int32),
        np.empty(shape),
        *(np.empty(shape, np.float32) for _ in range(3)),
    )
