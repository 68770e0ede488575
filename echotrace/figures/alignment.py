"""Pictures of what the echoes say of the beam's tilt and decentration."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from echotrace.errors import ParameterError
from echotrace.figures.style import COLOURS, new_axes, new_figure, quiet_axes
from echotrace.text_out import scan_names

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from echotrace.recording import Recording
    from echotrace.sittings.alignment import AlignmentEstimate

__all__ = ["alignment_figure", "plot_alignment"]

_MOST_PANELS = 20
_PER_ROW = 5
_SHARES = (0.9, 0.5)
# Light for what is barely inside, dark for what is likely; one hue, told apart in grey.
_FILL = ("#c9dcec", "#6f9fc4")


def plot_alignment(
    estimate: AlignmentEstimate,
    trace: int,
    *,
    truth: tuple[float, float] | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Posterior of tilt and decentration of one trace: regions of 50 and 90 % and the medians.

    Parameters
    ----------
    estimate : AlignmentEstimate
    trace : int
    truth : tuple of float, optional
        True tilt, degrees, and decentration, mm, where known.
    ax : Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    ParameterError
        There is no such trace.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> result = et.measure(recording)
    >>> estimate = et.estimate_alignment(result, recording)
    >>> et.plot_alignment(estimate, 2).get_xlabel()
    'tilt (°)'
    """
    if not 0 <= trace < estimate.tilt_deg.size:
        raise ParameterError(f"trace={trace!r} must lie in 0 to {estimate.tilt_deg.size - 1}")
    ax = quiet_axes(new_axes(ax, 3.4, 2.8))
    tilt, aside = estimate.grid_tilt_deg, estimate.grid_decentration_mm
    mass = estimate.posterior[trace].astype(np.float64)
    ax.set_xlim(0.0, float(tilt[-1]))
    ax.set_ylim(0.0, float(aside[-1]))
    if not np.isfinite(mass).all():
        ax.text(0.5, 0.5, "no estimate", transform=ax.transAxes, ha="center", va="center",
                fontsize=8, color=COLOURS["muted"])  # fmt: skip
    else:
        ordered = np.sort(mass.ravel())[::-1]
        reached = np.cumsum(ordered)
        levels = [
            float(ordered[min(int(np.searchsorted(reached, s)), ordered.size - 1)]) for s in _SHARES
        ]
        levels[1] = max(levels[1], levels[0] * 1.0001)
        # Cells reach to the axes: what a contour would leave open is filled with the first cell.
        x = np.concatenate([[0.0], tilt])
        y = np.concatenate([[0.0], aside])
        padded = np.pad(mass, ((1, 0), (1, 0)), mode="edge").T
        top = max(float(mass.max()), levels[1]) * 1.01
        ax.contourf(x, y, padded, levels=[*levels, top], colors=_FILL)
        ax.plot(
            estimate.tilt_deg[trace],
            estimate.decentration_mm[trace],
            marker="+",
            markersize=8,
            markeredgewidth=1.6,
            color=COLOURS["ink"],
            linestyle="",
        )
    if truth is not None:
        ax.plot(
            min(truth[0], float(tilt[-1])),
            min(truth[1], float(aside[-1])),
            marker="o",
            markersize=6,
            markerfacecolor="none",
            markeredgewidth=1.6,
            color=COLOURS["accent"],
            linestyle="",
            clip_on=False,
        )
    ax.set_xlabel("tilt (°)", fontsize=8)
    ax.set_ylabel("decentration (mm)", fontsize=8)
    return ax


def alignment_figure(
    estimate: AlignmentEstimate, traces: Sequence[int], recording: Recording | None = None
) -> Figure:
    """One panel for each scan of a sitting, at most twenty.

    Parameters
    ----------
    estimate : AlignmentEstimate
    traces : sequence of int
    recording : Recording, optional
        Its truth, where it has one, is marked.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    ParameterError
        No trace was given.

    Examples
    --------
    >>> from echotrace.figures.alignment import alignment_figure
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> result = et.measure(recording)
    >>> estimate = et.estimate_alignment(result, recording)
    >>> len(alignment_figure(estimate, [0, 1, 2]).axes)
    3
    """
    shown = [int(k) for k in traces[:_MOST_PANELS]]
    if not shown:
        raise ParameterError("give at least one trace to draw")
    columns = min(_PER_ROW, len(shown))
    rows = math.ceil(len(shown) / columns)
    figure = new_figure(max(4.0, 1.9 * columns), 2.0 * rows + 0.55)
    axes = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
    known = recording is not None and recording.truth is not None
    for n, ax in enumerate(axes.flat):
        if n >= len(shown):
            ax.set_visible(False)
            continue
        k = shown[n]
        truth = None
        if recording is not None and recording.truth is not None:
            column = recording.truth.columns
            truth = (float(column["tilt_deg"][k]), float(column["decentration_mm"][k]))
        plot_alignment(estimate, k, truth=truth, ax=ax)
        low, high = estimate.tilt_interval_deg[k]
        tilt = "" if math.isnan(low) else f": {low:.1f} to {high:.1f}°"
        ax.set_title(f"{scan_names([k])}{tilt}", fontsize=8, loc="left", color=COLOURS["ink"])
        ax.label_outer()
        if n + columns >= len(shown):
            ax.tick_params(labelbottom=True)
            ax.set_xlabel("tilt (°)", fontsize=8)
    _legend(figure, known)
    return figure


def _legend(figure: Figure, with_truth: bool) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Line2D | Patch] = [
        Patch(color=_FILL[1], label="likeliest 50 %"),
        Patch(color=_FILL[0], label="90 %"),
        Line2D([], [], marker="+", linestyle="", color=COLOURS["ink"], label="medians"),
    ]
    if with_truth:
        handles.append(
            Line2D(
                [],
                [],
                marker="o",
                markerfacecolor="none",
                linestyle="",
                color=COLOURS["accent"],
                label="truth (synthetic)",
            )
        )
    figure.legend(
        handles=handles,
        loc="outside upper left",
        ncols=len(handles),
        frameon=False,
        fontsize=8,
        labelcolor=COLOURS["ink"],
    )
