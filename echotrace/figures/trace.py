"""One trace as the chain saw it: RF, envelope in dB, gates, picks and segment lengths."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from echotrace.chain.plain import TraceView, view_trace
from echotrace.figures.style import (
    COLOURS,
    INTERFACE_COLOURS,
    new_axes,
    new_figure,
    quiet_axes,
)
from echotrace.measurement import BY_HAND
from echotrace.settings import Settings
from echotrace.signal.receiver import log_compress
from echotrace.target import Target

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from echotrace.decisions import Decisions
    from echotrace.recording import Recording

__all__ = ["plot_envelope", "plot_rf", "plot_trace", "trace_figure"]

_FLOOR_DB = -70.0


def interface_colour(name: str, position: int) -> str:
    """Colour of an interface: its own in an eye, else by its place on the beam."""
    own = tuple(INTERFACE_COLOURS.values())
    return INTERFACE_COLOURS.get(name, own[position % len(own)])


def _shown_us(view: TraceView) -> tuple[float, float]:
    """Stretch of delay worth showing: from the start to a little behind the last pick."""
    traces = view.traces
    first = traces.start_delay_us
    last = float(traces.to_delay_us(np.array(traces.envelope.shape[1] - 1.0)))
    if np.isfinite(view.delay_us[0]).any():
        last = min(last, float(np.nanmax(view.delay_us[0])) + 8.0)
    return first, last


def plot_rf(view: TraceView, *, ax: Axes | None = None) -> Axes:
    """The RF (or envelope) samples of one trace, clipped stretches marked.

    Parameters
    ----------
    view : TraceView
        Of one trace.
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
    >>> plot_rf(view_trace(recording, 0)).get_xlabel()
    'delay (µs)'
    """
    ax = quiet_axes(new_axes(ax, 7.2, 1.6))
    traces = view.traces
    samples = traces.envelope[0] if traces.rf is None else traces.rf[0]
    delay_us = traces.to_delay_us(np.arange(samples.size, dtype=np.float64))
    ax.plot(delay_us, samples, color=COLOURS["trace"], linewidth=0.6)
    # The transmitted pulse must not set the scale: the tallest echo picked does.
    picks = view.delay_us[0][np.isfinite(view.delay_us[0])]
    near = np.any(np.abs(delay_us[:, None] - picks) < 0.3, axis=1)
    if near.any():
        height = 1.25 * float(np.abs(samples[near]).max())
        ax.set_ylim(-height if traces.rf is not None else 0.0, height)
    if traces.clipped[0].any():
        low, high = ax.get_ylim()
        marked = np.where(traces.clipped[0], np.clip(samples, low, high), np.nan)
        ax.plot(
            delay_us,
            marked,
            linestyle="none",
            marker="s",
            markersize=2.5,
            color=COLOURS["bad"],
            label="clipped",
        )
        ax.legend(loc="upper right", fontsize=7, frameon=False)
    ax.set_xlim(*_shown_us(view))
    ax.set_ylabel("amplitude\n(relative)", fontsize=8)
    ax.set_xlabel("delay (µs)", fontsize=8)
    return ax


def plot_envelope(view: TraceView, *, ax: Axes | None = None) -> Axes:
    """The envelope of one trace in dB with gates, picks and segment lengths.

    Parameters
    ----------
    view : TraceView
        Of one trace.
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
    >>> plot_envelope(view_trace(recording, 0)).get_ylabel()
    'envelope (dB)'
    """
    ax = quiet_axes(new_axes(ax, 7.2, 3.0))
    traces = view.traces
    first_us, last_us = _shown_us(view)
    envelope = np.asarray(traces.envelope[0], np.float64)
    delay_us = traces.to_delay_us(np.arange(envelope.size, dtype=np.float64))
    # The transmit pulse must not set the scale: 0 dB is the tallest echo picked.
    picks = view.delay_us[0]
    near = [envelope[np.abs(delay_us - t) < 0.3].max(initial=0.0) for t in picks if np.isfinite(t)]
    reference = max([x for x in near if x > 0.0], default=float(envelope.max()))
    level = log_compress(envelope, reference=reference, floor_db=_FLOOR_DB)
    ax.plot(delay_us, level, color=COLOURS["envelope"], linewidth=0.8)
    noise_db = 20.0 * np.log10(max(float(traces.envelope_noise[0]) / reference, 1e-9))
    if noise_db > _FLOOR_DB:
        ax.axhline(noise_db, color=COLOURS["muted"], linewidth=0.7, linestyle=(0, (2, 2)))
        ax.annotate(
            "noise",
            (1.0, noise_db),
            xycoords=("axes fraction", "data"),
            xytext=(3, 0),
            textcoords="offset points",
            va="center",
            fontsize=7,
            color=COLOURS["muted"],
        )
    _draw_gates(view, ax, first_us, last_us)
    if _own_gates(view):
        _name_own_gates(ax, first_us)
    _draw_picks(view, ax)
    ax.set_xlim(first_us, last_us)
    ax.set_ylim(_FLOOR_DB - 16.0, 18.0)
    ax.set_yticks(np.arange(_FLOOR_DB + 10, 1, 20))
    ax.set_ylabel("envelope (dB)", fontsize=8)
    ax.set_xlabel("delay (µs)", fontsize=8)
    return ax


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


def _draw_gates(view: TraceView, ax: Axes, first_us: float, last_us: float) -> None:
    """Gates as bars along the foot, one row for each interface so that none hides another."""
    names = view.target.interface_names
    own = _own_gates(view)
    for name, start_us, stop_us in _absolute_gates(view):
        k = names.index(name)
        row = _FLOOR_DB - 3.0 - 2.2 * k
        ax.plot(
            [max(start_us, first_us), min(stop_us, last_us)],
            [row, row],
            color=interface_colour(name, k),
            linewidth=2.2,
            solid_capstyle="butt",
        )
        if name in own:
            ends = [t for t in (start_us, stop_us) if first_us <= t <= last_us]
            ax.plot(
                ends,
                [row] * len(ends),
                linestyle="none",
                marker="|",
                markersize=8,
                markeredgewidth=1.6,
                color=interface_colour(name, k),
            )
    ax.annotate(
        "gates",
        (first_us, _FLOOR_DB - 3.0),
        xytext=(2, 0),
        textcoords="offset points",
        fontsize=7,
        va="center",
        color=COLOURS["muted"],
    )


def _name_own_gates(ax: Axes, first_us: float) -> None:
    """Say what end marks on a gate mean, below all gates."""
    ax.annotate(
        "|–| gate set by the user",
        (first_us, _FLOOR_DB - 12.2),
        xytext=(2, 0),
        textcoords="offset points",
        fontsize=7,
        va="center",
        color=COLOURS["muted"],
    )


def _draw_picks(view: TraceView, ax: Axes) -> None:
    """Picks as lines with names above, staggered where they stand close together."""
    names = view.target.interface_names
    first_us, last_us = _shown_us(view)
    shown: list[tuple[float, int]] = []
    for k, name in enumerate(names):
        t = float(view.delay_us[0, k])
        if not np.isfinite(t):
            continue
        colour = interface_colour(name, k)
        picked = BY_HAND[view.by_hand[k]] == "pick"
        ax.axvline(t, color=colour, linewidth=0.9, ymax=0.86, linestyle="--" if picked else "-")
        taken = {row for at, row in shown if t - at < 0.13 * (last_us - first_us)}
        row = next(r for r in (0, 1, 2, 3) if r not in taken or r == 3)
        shown.append((t, row))
        at_end = t > first_us + 0.9 * (last_us - first_us)
        ax.annotate(
            name.replace("_", " ") + (" (by hand)" if picked else ""),
            (t, 2.0 + 5.2 * row),
            xytext=(-2 if at_end else 2, 0),
            textcoords="offset points",
            ha="right" if at_end else "left",
            va="bottom",
            fontsize=7,
            color=colour,
        )


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

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> et.plot_trace(recording, 2).figure.savefig(folder / "scan_3.png")
    """
    view = view_trace(recording, trace, settings, target=target, decisions=decisions)
    return plot_envelope(view, ax=ax)


def trace_figure(view: TraceView) -> Figure:
    """RF above and envelope below, on one delay axis.

    Parameters
    ----------
    view : TraceView
        Of one trace.

    Returns
    -------
    Figure

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> len(trace_figure(view_trace(recording, 0)).axes)
    2
    """
    figure = new_figure(7.6, 3.7)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(1.0, 2.4))
    plot_rf(view, ax=upper)
    plot_envelope(view, ax=lower)
    upper.set_xlabel("")
    upper.tick_params(labelbottom=False)
    return figure
