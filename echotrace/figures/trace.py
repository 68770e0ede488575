"""One trace as the chain saw it: RF, envelope in dB, gates, picks and segment lengths."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from echotrace.caution import is_synthetic
from echotrace.chain.plain import TraceView, view_trace
from echotrace.figures.style import (
    CAUTION_MARK,
    COLOURS,
    INTERFACE_COLOURS,
    INTERFACE_STYLES,
    SYNTHETIC_MARK,
    new_axes,
    new_figure,
    quiet_axes,
)
from echotrace.figures.trace_scale import TraceScale, common_scale, depth_mm, shown_segments
from echotrace.measurement import BY_HAND
from echotrace.settings import Settings
from echotrace.signal.receiver import log_compress
from echotrace.target import Target

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from echotrace.decisions import Decisions
    from echotrace.recording import Recording

__all__ = [
    "draw_scan",
    "interface_colour",
    "plot_envelope",
    "plot_rf",
    "plot_trace",
    "trace_figure",
]

_FLOOR_DB = -70.0
_TOP_DB = 3.0
_SEGMENTS_DB = 8.0
_NAMES_DB = 13.0
_ROW_DB = 8.0
_FONT, _SMALL = 8.0, 7.4
# Mean width of a letter, as a part of the font's size (of the font that matplotlib ships).
_LETTER = 0.56
_DEPTH_STEPS_MM = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)


def interface_colour(name: str, position: int) -> str:
    """Colour of an interface: its own in an eye, else by its place on the beam.

    Parameters
    ----------
    name : str
    position : int
        Place on the beam, from 0.

    Returns
    -------
    str

    Examples
    --------
    >>> interface_colour("retina", 4) == interface_colour("near_face", 4)
    True
    """
    own = tuple(INTERFACE_COLOURS.values())
    return INTERFACE_COLOURS.get(name, own[position % len(own)])


def _style(position: int) -> tuple[Any, str]:
    return INTERFACE_STYLES[position % len(INTERFACE_STYLES)]


def plot_rf(view: TraceView, *, ax: Axes | None = None, scale: TraceScale | None = None) -> Axes:
    """The RF (or envelope) samples of one trace, clipped stretches marked.

    Parameters
    ----------
    view : TraceView
        Of one trace.
    ax : Axes, optional
        None makes a new figure.
    scale : TraceScale, optional
        None takes the trace's own.

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> plot_rf(view_trace(recording, 0)).get_xlabel()
    'delay (µs)'
    """
    ax = quiet_axes(new_axes(ax, 7.2, 1.6))
    scale = scale or common_scale([view])
    traces = view.traces
    samples = traces.envelope[0] if traces.rf is None else traces.rf[0]
    delay_us = traces.to_delay_us(np.arange(samples.size, dtype=np.float64))
    ax.plot(delay_us, samples, color=COLOURS["trace"], linewidth=0.6)
    low = -scale.rf_height if traces.rf is not None else 0.0
    ax.set_ylim(low, scale.rf_height)
    if traces.clipped[0].any():
        marked = np.where(traces.clipped[0], np.clip(samples, low, scale.rf_height), np.nan)
        ax.plot(
            delay_us,
            marked,
            linestyle="none",
            marker="s",
            markersize=2.5,
            color=COLOURS["bad"],
            label="clipped",
        )
        ax.legend(loc="upper center", fontsize=_FONT, frameon=False, handletextpad=0.1)
    ax.set_xlim(scale.first_us, scale.last_us)
    ax.set_ylabel("RF" if traces.rf is not None else "samples", fontsize=_FONT)
    ax.set_yticks([0.0])
    ax.set_xlabel("delay (µs)", fontsize=_FONT)
    return ax


def plot_envelope(
    view: TraceView, *, ax: Axes | None = None, scale: TraceScale | None = None
) -> Axes:
    """The envelope of one trace in dB with gates, picks, depth in mm and segment lengths.

    Parameters
    ----------
    view : TraceView
        Of one trace.
    ax : Axes, optional
        None makes a new figure.
    scale : TraceScale, optional
        None takes the trace's own: 0 dB is then its tallest echo picked.

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> plot_envelope(view_trace(recording, 0)).get_ylabel()
    'envelope (dB; 0: tallest echo)'
    """
    ax = quiet_axes(new_axes(ax, 7.2, 3.0))
    scale = scale or common_scale([view])
    traces = view.traces
    envelope = np.asarray(traces.envelope[0], np.float64)
    delay_us = traces.to_delay_us(np.arange(envelope.size, dtype=np.float64))
    level = log_compress(envelope, reference=scale.reference, floor_db=_FLOOR_DB)
    # The transmitted pulse does not run into the names above.
    ax.plot(delay_us, np.minimum(level, _TOP_DB), color=COLOURS["envelope"], linewidth=0.8)
    noise_db = 20.0 * np.log10(max(float(traces.envelope_noise[0]) / scale.reference, 1e-9))
    if noise_db > _FLOOR_DB:
        ax.axhline(noise_db, color=COLOURS["muted"], linewidth=0.7, linestyle=(0, (2, 2)))
        _say(ax, "noise", scale.last_us, noise_db + 0.8, ha="right", va="bottom")
    ax.set_xlim(scale.first_us, scale.last_us)
    _draw_gates(view, ax, scale)
    own = _own_gates(view)
    foot = "|–| gate set by the user" if own else "gates"
    if view.average_speed_m_per_s and shown_segments(view):
        foot += f"; length at {view.average_speed_m_per_s:g} m/s: segments do not add up to it"
    _say(ax, foot, scale.first_us, _FLOOR_DB - 17.0)
    rows = _draw_picks(view, ax, scale, level)
    _draw_segments(view, ax, scale)
    top = _NAMES_DB + _ROW_DB * rows + 2.0
    ax.set_ylim(_FLOOR_DB - 21.0, top)
    _draw_depth(view, ax, scale)
    ax.set_yticks(np.arange(_FLOOR_DB + 10, 1, 20))
    ax.set_ylabel("envelope (dB; 0: tallest echo)", fontsize=_FONT)
    ax.set_xlabel("delay (µs)", fontsize=_FONT)
    return ax


def _line(ax: Axes, x: Any, y: Any, **how: Any) -> None:
    """A line that moves no limit: the axes have theirs, and finding them anew takes a while."""
    from matplotlib.lines import Line2D

    line = Line2D(x, y, **how)
    if "transform" not in how:
        line.set_transform(ax.transData)
    if how.get("clip_on", True):
        line.set_clip_path(ax.patch)
    ax.add_artist(line)


def _say(ax: Axes, text: str, x: float, y: float, **how: Any) -> None:
    ax.annotate(
        text,
        (x, y),
        xytext=(-2 if how.get("ha") == "right" else 2, 0),
        textcoords="offset points",
        fontsize=how.pop("fontsize", _SMALL),
        va=how.pop("va", "center"),
        color=how.pop("color", COLOURS["muted"]),
        **how,
    )


def _us_a_letter(ax: Axes, scale: TraceScale, fontsize: float = _FONT) -> float:
    """Delay that one letter takes, about."""
    width_points = 72.0 * ax.bbox.width / ax.figure.dpi
    return float((scale.last_us - scale.first_us) * _LETTER * fontsize / width_points)


def _absolute_gates(view: TraceView) -> list[tuple[str, float, float]]:
    """Windows of the gates in delay; those whose reference has no pick are left out."""
    names = view.target.interface_names
    found = []
    picked = {
        name for name, code in zip(names, view.by_hand, strict=True) if BY_HAND[code] == "pick"
    }
    for gate in view.gates:
        if gate.interface in picked:
            continue
        origin = view.delay_us[0, names.index(gate.relative_to)] if gate.relative_to else 0.0
        if np.isfinite(origin):
            found.append((gate.interface, origin + gate.start_us, origin + gate.stop_us))
    return found


def _own_gates(view: TraceView) -> set[str]:
    """Interfaces with a gate of the user's; a pick by hand has none."""
    shown = {name for name, _, _ in _absolute_gates(view)}
    return shown & {gate.interface for gate in view.gates if not gate.preset}


def _draw_gates(view: TraceView, ax: Axes, scale: TraceScale) -> None:
    """Gates as bars along the foot, one row for each interface so that none hides another."""
    names = view.target.interface_names
    own = _own_gates(view)
    first_us, last_us = scale.first_us, scale.last_us
    for name, start_us, stop_us in _absolute_gates(view):
        k = names.index(name)
        row = _FLOOR_DB - 2.5 - 2.2 * k
        _line(
            ax,
            [max(start_us, first_us), min(stop_us, last_us)],
            [row, row],
            color=interface_colour(name, k),
            linewidth=2.0,
            solid_capstyle="butt",
        )
        if name in own:
            ends = [t for t in (start_us, stop_us) if first_us <= t <= last_us]
            _line(
                ax,
                ends,
                [row] * len(ends),
                linestyle="none",
                marker="|",
                markersize=8,
                markeredgewidth=1.6,
                color=interface_colour(name, k),
            )


def _draw_picks(view: TraceView, ax: Axes, scale: TraceScale, level: Any) -> int:
    """Picks as lines with names above that no other line crosses; gives the rows of names."""
    names = view.target.interface_names
    traces = view.traces
    letter_us = _us_a_letter(ax, scale)
    # From the far end: a name goes above those whose line it would be crossed by.
    placed: list[tuple[float, int]] = []
    for k in reversed(range(len(names))):
        t = float(view.delay_us[0, k])
        if not np.isfinite(t):
            continue
        picked = BY_HAND[view.by_hand[k]] == "pick"
        text = names[k].replace("_", " ") + (" (by hand)" if picked else "")
        colour, (line, marker) = interface_colour(names[k], k), _style(k)
        at_end = t + letter_us * (len(text) + 1) > scale.last_us
        reach = (
            (t - letter_us * (len(text) + 1), t) if at_end else (t, t + letter_us * (len(text) + 1))
        )
        rows = [row for at, row in placed if reach[0] <= at < reach[1]]
        row = max(rows, default=-1) + 1
        placed.append((t, row))
        foot = _NAMES_DB + _ROW_DB * row
        top = foot + 0.75 * _ROW_DB
        _line(ax, [t, t], [_FLOOR_DB, top], color=colour, linewidth=0.9, linestyle=line)
        sample = round((t - traces.start_delay_us) / traces.step_us)
        at = min(float(level[min(max(sample, 0), len(level) - 1)]), _TOP_DB)
        # What a person picked is drawn hollow.
        _line(
            ax,
            [t],
            [at],
            linestyle="none",
            marker=marker,
            markersize=7 if picked else 4,
            markerfacecolor="none" if picked else colour,
            color=colour,
        )
        ha = "right" if at_end else "left"
        _say(ax, text, t, foot, ha=ha, va="bottom", fontsize=_FONT, color=COLOURS["ink"])
        if np.isfinite(alone_us := float(view.alone_us[0, k])):
            # Where the scan alone would have found it, before its sitting corrected it.
            ax.plot([alone_us] * 2, [_FLOOR_DB, 0.0], color=colour, linewidth=0.9, linestyle=":")
            side = "right" if alone_us < t else "left"
            _say(ax, f"{names[k].replace('_', ' ')} alone", alone_us, -5.0, ha=side)
    return max((row for _, row in placed), default=0) + 1


def _draw_segments(view: TraceView, ax: Axes, scale: TraceScale) -> None:
    """Lengths of the segments between their lines; a narrow one stands in front of its segment."""
    letter_us = _us_a_letter(ax, scale, _SMALL)
    segments = shown_segments(view)
    picks = view.delay_us[0][np.isfinite(view.delay_us[0])]
    narrow: list[tuple[float, float, str]] = []
    taken: list[tuple[float, float]] = []
    for _, near, far, length in segments:
        text = f"{length:.2f}"
        width_us = letter_us * (len(text) + 0.5)
        if far - near <= width_us:
            narrow.append((near - width_us, near, text))
            continue
        middle = 0.5 * (near + far)
        taken.append((middle - 0.5 * width_us, middle + 0.5 * width_us))
        _say(ax, text, middle, _SEGMENTS_DB, ha="center", color=COLOURS["ink"])
    for low, high, text in narrow:
        if low < scale.first_us or np.any((picks > low) & (picks < high)):
            continue
        beside = any(left < high and low < right for left, right in taken)
        row = _SEGMENTS_DB - (6.5 if beside else 0.0)
        _say(ax, text, high, row, ha="right", color=COLOURS["ink"])
    if segments:
        _say(ax, "mm", scale.last_us, _SEGMENTS_DB, ha="right", color=COLOURS["ink"])


def _draw_depth(view: TraceView, ax: Axes, scale: TraceScale) -> None:
    """A scale of depth in mm along the top."""
    grid_us = np.linspace(scale.first_us, scale.last_us, 400)
    depth = depth_mm(view, grid_us)
    if not np.isfinite(depth).all():
        return
    span = float(depth[-1] - depth[0])
    step = next((s for s in _DEPTH_STEPS_MM if span / s <= 8), _DEPTH_STEPS_MM[-1])
    marks = np.arange(np.ceil(depth[0] / step), np.floor(depth[-1] / step) + 1) * step + 0.0
    across = ax.get_xaxis_transform()
    places = np.interp(marks, depth, grid_us)
    # The scale and its marks are one line with gaps.
    x, y = [scale.first_us, scale.last_us], [1.0, 1.0]
    for at in places:
        x += [np.nan, at, at]
        y += [np.nan, 0.985, 1.015]
    muted, ink = COLOURS["muted"], COLOURS["ink"]
    _line(ax, x, y, transform=across, color=muted, linewidth=0.8, clip_on=False)
    how: dict[str, Any] = {"va": "bottom", "fontsize": _SMALL, "color": ink}
    for mark, at in zip(marks, places, strict=True):
        ax.text(at, 1.022, f"{mark:g}", transform=across, ha="center", **how)
    ax.text(1.0, 1.022, "mm", transform=ax.transAxes, ha="right", **how)


def plot_trace(
    recording: Recording,
    trace: int,
    settings: Settings | None = None,
    *,
    target: Target | None = None,
    decisions: Decisions | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the envelope of one trace with its gates and picks.

    Parameters
    ----------
    recording : Recording
    trace : int
        Number of the trace.
    settings, target, decisions
        As for :func:`echotrace.measure`.
    ax : Axes, optional
        None makes a new figure.

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> plot_trace(recording, 2).get_ylabel()
    'envelope (dB; 0: tallest echo)'
    """
    view = view_trace(recording, trace, settings, target=target, decisions=decisions)
    ax = plot_envelope(view, ax=ax)
    words = [SYNTHETIC_MARK] if is_synthetic(recording.attributes) else []
    ax.text(
        1.004,
        0.0,
        "; ".join([*words, CAUTION_MARK]),
        transform=ax.transAxes,
        rotation=90,
        va="bottom",
        fontsize=6,
        color=COLOURS["muted"],
    )
    return ax


def draw_scan(
    view: TraceView, upper: Axes, lower: Axes, *, title: str = "", scale: TraceScale | None = None
) -> None:
    """RF above and envelope below, on one delay axis.

    Parameters
    ----------
    view : TraceView
        Of one trace.
    upper, lower : Axes
        Of one width.
    title : str
    scale : TraceScale, optional
        None takes the trace's own.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> upper, lower = new_figure().subplots(2, 1)
    >>> draw_scan(view_trace(recording, 0), upper, lower, title="Scan 1")
    >>> upper.get_title(loc="left")
    'Scan 1'
    """
    plot_rf(view, ax=upper, scale=scale)
    plot_envelope(view, ax=lower, scale=scale)
    upper.set_xlabel("")
    upper.tick_params(labelbottom=False)
    if title:
        upper.set_title(title, loc="left", fontsize=_FONT + 1.0, color=COLOURS["ink"], pad=4)


def trace_figure(view: TraceView, *, title: str = "", scale: TraceScale | None = None) -> Figure:
    """One scan: RF above and envelope below, on one delay axis.

    Parameters
    ----------
    view : TraceView
        Of one trace.
    title : str
    scale : TraceScale, optional
        None takes the trace's own; several scans to be compared need a common one.

    Returns
    -------
    Figure

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> len(trace_figure(view_trace(recording, 0), title="Scan 1").axes)
    2
    """
    # Without a title the space above is cut off.
    whole = 3.7 if title else 3.48
    figure = new_figure(4.8, whole, fixed=True)
    upper = figure.add_axes((0.115, 0.8 * 3.7 / whole, 0.865, 0.13 * 3.7 / whole))
    lower = figure.add_axes((0.115, 0.11 * 3.7 / whole, 0.865, 0.62 * 3.7 / whole))
    draw_scan(view, upper, lower, title=title, scale=scale)
    return figure
