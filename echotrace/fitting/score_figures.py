"""How the two probabilities do: ROC, reliability, what is accepted, and alignment against tilt."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from echotrace.figures.style import COLOURS, new_axes, new_figure, quiet_axes, with_room_below
from echotrace.fitting.calibration_draws import PROBE_KINDS
from echotrace.fitting.roc import (
    calibration_curve,
    calibration_error,
    roc_area,
    roc_band,
    roc_curve,
)
from echotrace.fitting.score_fit import leave_out
from echotrace.fitting.score_sets import OFF_AXIS_DEG, ScoreSet

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "error_plot",
    "left_out_figure",
    "left_out_plot",
    "reliability_plot",
    "roc_plot",
    "score_figure",
    "tilt_plot",
]

_FONT = 8
_ERROR_LIMIT_MM = 0.1
_ERROR_RANGE_MM = (1e-3, 10.0)


def _finish(ax: Axes, title: str, x: str, y: str) -> Axes:
    ax.set_title(title, fontsize=_FONT + 1, color=COLOURS["ink"], loc="left")
    ax.set_xlabel(x, fontsize=_FONT)
    ax.set_ylabel(y, fontsize=_FONT)
    return quiet_axes(ax)


def _note(ax: Axes, x: float, y: float, text: str) -> None:
    """Text in the corner of the axes that is nearest to a place, given in parts of their size."""
    ax.text(
        x, y, text, transform=ax.transAxes, ha="right" if x > 0.5 else "left",
        va="top" if y > 0.5 else "bottom", fontsize=_FONT, color=COLOURS["ink"],
    )  # fmt: skip


def roc_plot(
    score: NDArray[np.float64],
    positive: NDArray[np.bool_],
    groups: NDArray[np.intp],
    ax: Axes | None = None,
    *,
    title: str = "ROC",
) -> Axes:
    """ROC curve with its 95 % band by drawing whole scenarios again.

    Parameters
    ----------
    score : ndarray of float64, (n,)
    positive : ndarray of bool, (n,)
    groups : ndarray of int, (n,)
        Scenario of each trace.
    ax : Axes, optional
    title : str

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> score = rng.normal(size=400)
    >>> good = rng.random(400) < 1 / (1 + np.exp(-3 * score))
    >>> roc_plot(score, good, np.arange(400) // 4).get_xlabel()
    'wrong lengths taken for right'
    """
    ax = new_axes(ax, 3.2, 3.0)
    false, true = roc_curve(score, positive)
    axis, low, high, (least, most) = roc_band(score, positive, groups)
    ax.fill_between(axis, low, high, color=COLOURS["band"], linewidth=0)
    ax.plot([0, 1], [0, 1], color=COLOURS["grid"], linewidth=0.8)
    ax.plot(false, true, color=COLOURS["trace"], linewidth=1.4)
    area = f"area {roc_area(score, positive):.3f}\n95 % band {least:.3f} to {most:.3f}"
    _note(ax, 0.97, 0.05, f"{area}\n{positive.sum()} and {(~positive).sum()} traces")
    ax.set(xlim=(-0.01, 1.0), ylim=(0.0, 1.01))
    return _finish(ax, title, "wrong lengths taken for right", "right lengths taken for right")


def reliability_plot(
    score: NDArray[np.float64],
    outcome: NDArray[np.bool_],
    ax: Axes | None = None,
    *,
    what: str = "length right",
) -> Axes:
    """Share of what came true against its probability, in ten bins of equal numbers.

    The bars are binomial: two standard errors each way, as if all traces were independent.

    Parameters
    ----------
    score : ndarray of float64, (n,)
    outcome : ndarray of bool, (n,)
    ax : Axes, optional
    what : str
        What the probability is of.

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> score = rng.normal(size=400)
    >>> good = rng.random(400) < 1 / (1 + np.exp(-3 * score))
    >>> reliability_plot(1 / (1 + np.exp(-score)), good).get_xlabel()
    'probability: length right'
    """
    ax = new_axes(ax, 3.2, 3.0)
    mean, share, number = calibration_curve(score, outcome)
    error = 2.0 * np.sqrt(np.maximum(share * (1.0 - share), 1e-4) / number)
    ax.plot([0, 1], [0, 1], color=COLOURS["grid"], linewidth=0.8)
    ax.errorbar(
        mean,
        share,
        yerr=error,
        color=COLOURS["trace"],
        marker="o",
        markersize=4,
        linewidth=1.0,
        elinewidth=0.8,
    )
    _note(ax, 0.03, 0.97, f"mean distance {calibration_error(score, outcome):.3f}")
    ax.set(xlim=(-0.02, 1.02), ylim=(-0.04, 1.05))
    return _finish(ax, "Reliability", f"probability: {what}", "share of scans")


def error_plot(
    score: NDArray[np.float64],
    error_mm: NDArray[np.float64],
    level: float,
    ax: Axes | None = None,
) -> Axes:
    """Length error of every trace against its probability, with the level of acceptance.

    Parameters
    ----------
    score : ndarray of float64, (n,)
    error_mm : ndarray of float64, (n,)
        Measured less true length; NaN where nothing was measured.
    level : float
    ax : Axes, optional

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> error_plot(np.array([0.2, 0.9]), np.array([1.2, 0.01]), 0.4).get_yscale()
    'log'
    """
    ax = new_axes(ax, 3.2, 3.0)
    error = np.clip(np.abs(error_mm), *_ERROR_RANGE_MM)
    bad = error > _ERROR_LIMIT_MM
    for rows, colour, marker in ((~bad, "good", "o"), (bad, "bad", "x")):
        ax.scatter(
            score[rows],
            error[rows],
            s=7 if marker == "o" else 11,
            marker=marker,
            color=COLOURS[colour],
            alpha=0.6,
            linewidths=0 if marker == "o" else 0.8,
            rasterized=True,
        )
    ax.axhline(_ERROR_LIMIT_MM, color=COLOURS["muted"], linewidth=0.8, linestyle="--")
    ax.axvline(level, color=COLOURS["ink"], linewidth=0.8)
    taken = (score >= level) & np.isfinite(error_mm)
    share = float(np.mean(bad[taken])) if taken.any() else float("nan")
    beyond = f"{100 * share:.1f} % beyond {_ERROR_LIMIT_MM:g} mm"
    # Left of the line of the level, which is drawn over the whole height.
    at = min((level + 0.02) / 1.04, 1.0) - 0.02
    _note(ax, at, 0.97, f"{level:g} and more:\n{taken.sum()} scans,\n{beyond}")
    ax.set_yscale("log")
    ax.set(xlim=(-0.02, 1.02), ylim=(_ERROR_RANGE_MM[0], 60.0))
    return _finish(ax, "Length error", "probability: length right", "size of the error (mm)")


def tilt_plot(
    score: NDArray[np.float64],
    tilt_deg: NDArray[np.float64],
    retina_incidence_deg: NDArray[np.float64],
    ax: Axes | None = None,
) -> Axes:
    """Probability of alignment against tilt; open marks where the beam meets the retina squarely.

    Parameters
    ----------
    score : ndarray of float64, (n,)
    tilt_deg : ndarray of float64, (n,)
    retina_incidence_deg : ndarray of float64, (n,)
    ax : Axes, optional

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> tilt_plot(np.array([0.9]), np.array([1.0]), np.array([0.5])).get_xlabel()
    'tilt (degrees)'
    """
    ax = new_axes(ax, 3.2, 3.0)
    square = (tilt_deg > OFF_AXIS_DEG) & (retina_incidence_deg < 0.5 * OFF_AXIS_DEG)
    ax.scatter(
        tilt_deg[~square], score[~square], s=7, color=COLOURS["trace"], alpha=0.5, linewidths=0,
        rasterized=True,
    )  # fmt: skip
    ax.scatter(
        tilt_deg[square], score[square], s=12, facecolors="none", edgecolors=COLOURS["accent"],
        linewidths=0.8, label="square to the retina all the same", rasterized=True,
    )  # fmt: skip
    ax.axvline(OFF_AXIS_DEG, color=COLOURS["muted"], linewidth=0.8, linestyle="--")
    if square.any():
        ax.legend(loc="upper right", fontsize=_FONT - 1, frameon=False, handletextpad=0.2)
    ax.set(xlim=(0.0, 16.0), ylim=(-0.02, 1.12))
    return _finish(ax, "Alignment", "tilt (degrees)", "probability: aligned")


def score_figure(
    data: ScoreSet,
    right: NDArray[np.float64],
    aligned: NDArray[np.float64],
    *,
    level: float,
    title: str = "",
) -> Figure:
    """The pictures side by side.

    Parameters
    ----------
    data : ScoreSet
        Traces that the fit did not see.
    right, aligned : ndarray of float64, (n,)
        The two probabilities.
    level : float
        Of acceptance.
    title : str

    Returns
    -------
    Figure

    Examples
    --------
    >>> from echotrace.fitting.score_sets import shipped_sets
    >>> data = shipped_sets()["develop"]
    >>> data = data.select(np.arange(0, data.aligned.size, 8))
    >>> from echotrace.quality.score import shipped_models
    >>> models = shipped_models()
    >>> right, aligned = (models[n].probability(data.features) for n in ("length_right", "aligned"))
    >>> score_figure(data, right, aligned, level=0.4).savefig(folder / "score.png")
    """
    figure = with_room_below(new_figure(7.2, 9.4), 0.02)
    axes = figure.subplots(3, 2)
    roc_plot(right, data.length_right, data.sitting, axes[0, 0], title="Right against wrong")
    error_plot(right, data.error_mm, level, axes[0, 1])
    reliability_plot(right, data.length_right, axes[1, 0])
    reliability_plot(aligned, data.aligned, axes[1, 1], what="aligned")
    for ax, method in ((axes[2, 0], "immersion"), (axes[2, 1], "contact")):
        rows = data.method == method
        tilt_plot(aligned[rows], data.tilt_deg[rows], data.retina_incidence_deg[rows], ax)
        ax.set_title(f"Alignment, {method}", fontsize=_FONT + 1, color=COLOURS["ink"], loc="left")
    if title:
        figure.suptitle(title, fontsize=_FONT + 2, color=COLOURS["ink"], x=0.01, ha="left")
    return figure


def left_out_plot(
    score: NDArray[np.float64],
    positive: NDArray[np.bool_],
    names: NDArray[np.str_],
    ax: Axes | None = None,
    *,
    title: str = "Left out",
) -> Axes:
    """ROC curve of each group by models that did not see it.

    Parameters
    ----------
    score : ndarray of float64, (n,)
        From :func:`echotrace.fitting.score_fit.leave_out`.
    positive : ndarray of bool, (n,)
    names : ndarray of str, (n,)
        Group of each trace.
    ax : Axes, optional
    title : str

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> score = rng.normal(size=400)
    >>> good = rng.random(400) < 1 / (1 + np.exp(-3 * score))
    >>> left_out_plot(score, good, np.where(np.arange(400) < 200, "a", "b")).get_title(loc="left")
    'Left out'
    """
    ax = new_axes(ax, 3.4, 3.0)
    roles = ("trace", "accent", "envelope", "ink", "muted")
    styles = ("-", "--", "-.", ":", "-")
    for k, name in enumerate(np.unique(names)):
        rows = names == name
        false, true = roc_curve(score[rows], positive[rows])
        ax.plot(
            false,
            true,
            color=COLOURS[roles[k % len(roles)]],
            linestyle=styles[k % len(styles)],
            linewidth=1.2,
            label=f"{name}: {roc_area(score[rows], positive[rows]):.3f}",
        )
    ax.legend(loc="lower right", fontsize=_FONT - 1, frameon=False, title="area", title_fontsize=7)
    ax.set(xlim=(-0.01, 1.0), ylim=(0.0, 1.01))
    return _finish(ax, title, "wrong lengths taken for right", "right lengths taken for right")


def left_out_figure(data: ScoreSet) -> Figure:
    """Kinds of probe and eye states left out of the fit.

    Parameters
    ----------
    data : ScoreSet
        What the model is fitted to; a fit is made for each, a few seconds all together.

    Returns
    -------
    Figure

    Examples
    --------
    >>> from echotrace.fitting.score_sets import shipped_sets
    >>> data = shipped_sets()["develop"]
    >>> data = data.select(np.arange(0, data.aligned.size, 30))
    >>> left_out_figure(data).savefig(folder / "left_out.png")
    """
    figure = with_room_below(new_figure(7.2, 3.3), 0.06)
    axes = figure.subplots(1, 2)
    probes = np.array([f"{k[0]:g} MHz, {k[2]:g} mm" for k in PROBE_KINDS])[data.probe_kind]
    for ax, names, title in (
        (axes[0], probes, "Each probe left out"),
        (axes[1], data.state, "Each eye state left out"),
    ):
        left_out_plot(leave_out(data, names), data.length_right, names, ax, title=title)
    return figure
