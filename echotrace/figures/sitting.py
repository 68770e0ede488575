"""Several scans in one picture, on one scale: side by side, or one over the other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from echotrace.chain.plain import TraceView
from echotrace.errors import ParameterError
from echotrace.figures.style import (
    COLOURS,
    INTERFACE_COLOURS,
    INTERFACE_STYLES,
    new_figure,
    quiet_axes,
)
from echotrace.figures.trace import draw_scan
from echotrace.figures.trace_scale import common_scale
from echotrace.signal.receiver import log_compress

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["MOST_OVERLAID", "overlay_figure", "scans_figure"]

MOST_OVERLAID = len(INTERFACE_STYLES)
"""Scans that can be told apart where they lie over one another."""

_WIDTH_IN, _HEIGHT_IN = 4.8, 3.7
_FLOOR_DB = -70.0


def scans_figure(views: Sequence[TraceView], titles: Sequence[str]) -> Figure:
    """Scans side by side, two in a row, on one scale of delay, level and amplitude.

    Parameters
    ----------
    views : sequence of TraceView
        Of one trace each.
    titles : sequence of str
        One for each.

    Returns
    -------
    Figure

    Raises
    ------
    ParameterError
        No scans.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.plain import view_trace
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> views = [view_trace(recording, k) for k in (0, 2)]
    >>> len(scans_figure(views, ["Scan 1", "Scan 3"]).axes)
    4
    """
    if not views:
        raise ParameterError("no scans to draw")
    columns = min(2, len(views))
    rows = math.ceil(len(views) / columns)
    scale = common_scale(views)
    figure = new_figure(_WIDTH_IN * columns, _HEIGHT_IN * rows, fixed=True)
    for k, (view, title) in enumerate(zip(views, titles, strict=True)):
        left, base = (k % columns) / columns, 1.0 - (k // columns + 1) / rows
        upper = figure.add_axes(
            (left + 0.115 / columns, base + 0.8 / rows, 0.865 / columns, 0.13 / rows)
        )
        lower = figure.add_axes(
            (left + 0.115 / columns, base + 0.11 / rows, 0.865 / columns, 0.62 / rows)
        )
        draw_scan(view, upper, lower, title=title, scale=scale)
    return figure


def overlay_figure(views: Sequence[TraceView], titles: Sequence[str]) -> Figure:
    """Envelopes one over the other, each counted from its own first interface.

    Parameters
    ----------
    views : sequence of TraceView
        Of one trace each, six at most.
    titles : sequence of str
        One for each.

    Returns
    -------
    Figure

    Raises
    ------
    ParameterError
        No scans, or more than can be told apart.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.plain import view_trace
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> views = [view_trace(recording, k) for k in (0, 2)]
    >>> overlay_figure(views, ["scan 1", "scan 3"]).axes[0].get_xlabel()
    'delay behind the first interface (µs)'
    """
    if not 0 < len(views) <= MOST_OVERLAID:
        raise ParameterError(
            f"{len(views)} scans cannot be told apart over one another; name 1 to {MOST_OVERLAID}"
        )
    scale = common_scale(views)
    figure = new_figure(7.6, 4.2)
    ax = quiet_axes(figure.add_subplot())
    ends = []
    for k, (view, title) in enumerate(zip(views, titles, strict=True)):
        envelope = np.asarray(view.traces.envelope[0], np.float64)
        delay_us = view.traces.to_delay_us(np.arange(envelope.size, dtype=np.float64))
        found = view.delay_us[0][np.isfinite(view.delay_us[0])]
        zero_us = float(found.min()) if found.size else 0.0
        level = log_compress(envelope, reference=scale.reference, floor_db=_FLOOR_DB)
        line, marker = INTERFACE_STYLES[k]
        colour = tuple(INTERFACE_COLOURS.values())[k]
        ax.plot(
            delay_us - zero_us, np.minimum(level, 3.0), color=colour, linewidth=0.8, linestyle=line
        )
        picks = np.interp(found, delay_us, np.minimum(level, 3.0))
        ax.plot(
            found - zero_us,
            picks,
            linestyle="none",
            marker=marker,
            markersize=5,
            color=colour,
            label=title,
            markerfacecolor="none",
        )
        ends.append(scale.last_us - zero_us)
    ax.set_xlim(-3.0, max(ends))
    ax.set_ylim(_FLOOR_DB, 6.0)
    ax.set_ylabel("envelope (dB; 0: tallest echo; marks: picks)", fontsize=8)
    ax.set_xlabel("delay behind the first interface (µs)", fontsize=8)
    ax.legend(fontsize=8, frameon=False, ncols=2, loc="lower left", bbox_to_anchor=(0.0, 1.0))
    ax.grid(visible=True, color=COLOURS["grid"], linewidth=0.5)
    return figure
