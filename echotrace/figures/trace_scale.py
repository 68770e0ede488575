"""What several traces share in a picture: their 0 dB, their stretch of delay, their depth in mm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from echotrace.chain.plain import TraceView

__all__ = ["TraceScale", "common_scale", "depth_mm", "shown_segments"]

# An echo's envelope within this distance of its pick is the echo's own.
_NEAR_US = 0.3
_BEHIND_US = 6.0


@dataclass(frozen=True, slots=True)
class TraceScale:
    """One scale for all traces of a picture, so that they can be compared by eye.

    Attributes
    ----------
    reference : float
        Envelope that is 0 dB: the tallest echo picked in any of them. The transmitted pulse must
        not set the scale.
    rf_height : float
        Half the height of the RF axis.
    first_us, last_us : float
        Delays shown.
    """

    reference: float
    rf_height: float
    first_us: float
    last_us: float


def common_scale(views: Sequence[TraceView]) -> TraceScale:
    """The scale that holds all of some traces.

    Parameters
    ----------
    views : sequence of TraceView
        Of one trace each.

    Returns
    -------
    TraceScale

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.plain import view_trace
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> common_scale([view_trace(recording, k) for k in (0, 2)]).first_us
    0.0
    """
    tallest, heights, firsts, lasts = [0.0], [0.0], [], []
    for view in views:
        traces = view.traces
        envelope = np.asarray(traces.envelope[0], np.float64)
        samples = envelope if traces.rf is None else np.abs(traces.rf[0])
        delay_us = traces.to_delay_us(np.arange(envelope.size, dtype=np.float64))
        picks = view.delay_us[0][np.isfinite(view.delay_us[0])]
        near = np.any(np.abs(delay_us[:, None] - picks) < _NEAR_US, axis=1)
        near = near if near.any() else np.ones(envelope.size, bool)
        tallest.append(float(envelope[near].max()))
        heights.append(1.25 * float(samples[near].max()))
        firsts.append(float(delay_us[0]))
        end = float(picks.max()) + _BEHIND_US if picks.size else float(delay_us[-1])
        lasts.append(min(float(delay_us[-1]), end))
    return TraceScale(max(tallest) or 1.0, max(heights) or 1.0, min(firsts), max(lasts))


def depth_mm(view: TraceView, delay_us: NDArray[np.float64]) -> NDArray[np.float64]:
    """Depth behind the first interface picked, each segment at its own speed.

    Parameters
    ----------
    view : TraceView
        Of one trace.
    delay_us : ndarray of float64, (n,)
        Two-way delays.

    Returns
    -------
    ndarray of float64, (n,)
        In mm; NaN where no interface was picked. In front of the first interface the speed of the
        first segment is taken, behind the last one that of the last.

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> from echotrace.chain.plain import view_trace
    >>> view = view_trace(et.read("synthetic_traces/immersion_sitting.h5"), 0)
    >>> depth_mm(view, view.delay_us[0])[:5].round(1)
    array([ 0. ,  0.5,  3.1,  7.7, 23.4])
    """
    picks = view.delay_us[0]
    found = np.flatnonzero(np.isfinite(picks))
    if found.size == 0:
        return np.full(np.shape(delay_us), np.nan)
    speeds = np.array([item.medium.speed_m_per_s for item in view.target.segments])
    means = np.array([item.mean_mm for item in view.target.segments])
    at_us, at_mm = [float(picks[found[0]])], [0.0]
    for i, j in pairwise(found):
        # Over an interface that was not found: the average speed by the usual thicknesses.
        speed = float(means[i:j].sum() / np.sum(means[i:j] / speeds[i:j]))
        at_us.append(float(picks[j]))
        at_mm.append(at_mm[-1] + 5e-4 * speed * (at_us[-1] - float(picks[i])))
    before = float(speeds[min(int(found[0]), len(speeds) - 1)])
    behind = float(speeds[min(int(found[-1]), len(speeds) - 1)])
    far_us = 1e3
    at_us = [at_us[0] - far_us, *at_us, at_us[-1] + far_us]
    at_mm = [-5e-4 * before * far_us, *at_mm, at_mm[-1] + 5e-4 * behind * far_us]
    return np.asarray(np.interp(delay_us, at_us, at_mm))


def shown_segments(view: TraceView) -> list[tuple[str, float, float, float]]:
    """Segments both ends of which were picked.

    Parameters
    ----------
    view : TraceView
        Of one trace.

    Returns
    -------
    list of tuple
        Name, delay of the near and of the far end in µs, and length in mm.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.plain import view_trace
    >>> view = view_trace(et.read("synthetic_traces/immersion_sitting.h5"), 0)
    >>> [(name, round(length, 2)) for name, _, _, length in shown_segments(view)]
    [('cornea', 0.54), ('aqueous', 2.57), ('lens', 4.56), ('vitreous', 15.73)]
    """
    names = view.target.interface_names
    part = view.target.length_slice
    found = []
    for k, item in enumerate(view.target.segments):
        near, far = view.delay_us[0, k], view.delay_us[0, k + 1]
        measured = part.start <= k < part.stop and k + 1 < len(names)
        if measured and np.isfinite(near) and np.isfinite(far):
            length = 5e-4 * item.medium.speed_m_per_s * float(far - near)
            found.append((item.name, float(near), float(far), length))
    return found
