"""Figures of an agreement study, drawn at the width they are printed at.

One journal column is 85 mm wide and two are 174 mm; fonts are 7 to 8 points at that width. Methods
differ by marker and by lightness, so that the figures survive colour blindness and grey print.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from echotrace.agreement.text import number, places_of
from echotrace.figures.style import COLOURS, new_axes, new_figure, quiet_axes
from echotrace.text_out import picture_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from echotrace.agreement.results import Agreement
    from echotrace.agreement.variance import Floats

__all__ = [
    "PLOTS",
    "agreement_figure",
    "difference_plot",
    "operator_plot",
    "paired_plot",
    "plot_differences",
    "plot_spreads",
    "scatter_plot",
    "spread_plot",
]

COLUMN_IN = 85.0 / 25.4
_FONT = 7.5
_MANY = 2000
"""More marks than this are drawn as pixels within the vector file, or thinned."""
_OPERATOR_MARKERS = ("o", "^", "s", "D")
_A: dict[str, Any] = {"marker": "o", "color": COLOURS["accent"]}
_B: dict[str, Any] = {"marker": "^", "color": COLOURS["trace"]}


def _names(result: Agreement) -> tuple[str, str]:
    """Names of both methods as a picture can show them."""
    return picture_text(result.label_a), picture_text(result.label_b)


def _operator(name: str, n_eyes: int) -> str:
    return f"{picture_text(name)}\n({n_eyes} {'eye' if n_eyes == 1 else 'eyes'})"


def _finish(ax: Axes, x_label: str, y_label: str) -> Axes:
    quiet_axes(ax)
    ax.set_xlabel(x_label, fontsize=_FONT)
    ax.set_ylabel(y_label, fontsize=_FONT)
    ax.tick_params(labelsize=_FONT - 0.5)
    return ax


def _size(n: int) -> float:
    """Marker area, points², that leaves many points apart."""
    return float(np.clip(1200.0 / max(n, 1), 2.0, 14.0))


def difference_plot(result: Agreement, ax: Axes | None = None) -> Axes:
    """Differences against averages, with bias, limits and the interval of each.

    The margin of equivalence, if there is one, is drawn as dotted lines.
    Where several operators measured there is one mark for each eye and operator, as the limits are
    of such differences; up to four operators have marks of their own.

    Parameters
    ----------
    result : Agreement
    ax : Axes, optional
        By default a figure one column wide.

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> import echotrace as et
    >>> lengths_mm = [23.0, 23.4, 24.1, 24.2, 22.0, 22.3]
    >>> methods = ["contact", "immersion"] * 3
    >>> study = et.Study(value=lengths_mm, subject=list("aabbcc"), method=methods)
    >>> result = et.compare_methods(study)
    >>> difference_plot(result).get_ylabel()
    'contact − immersion (mm)'
    """
    ax = new_axes(ax, COLUMN_IN, 2.7)
    limits = result.limits
    lines = [
        ("bias", result.bias, "-", 1.2),
        ("upper limit", limits.upper, "--", 1.0),
        ("lower limit", limits.lower, "--", 1.0),
    ]
    ax.axhline(0.0, color=COLOURS["grid"], linewidth=0.8, zorder=0)
    places = places_of(result.unit, result.bias, limits.lower, limits.upper)
    note = f"limits: {limits.label}"
    if result.equivalence is not None:
        margin = result.equivalence.margin
        for end in (-margin, margin):
            ax.axhline(end, color=COLOURS["accent"], linestyle=":", linewidth=1.2, zorder=1)
        note += f"\ndotted: margin ±{margin:.3g} {picture_text(result.unit)}"
    for name, estimate, style, width in lines:
        if np.isfinite(estimate.low) and np.isfinite(estimate.high):
            ax.axhspan(estimate.low, estimate.high, color=COLOURS["band"], linewidth=0, zorder=0)
        ax.axhline(estimate.value, color=COLOURS["ink"], linestyle=style, linewidth=width)
        ax.annotate(
            f"{name} {number(estimate.value, places)}",
            (1.0, estimate.value),
            xycoords=("axes fraction", "data"),
            xytext=(-1, 2),
            textcoords="offset points",
            ha="right",
            va="bottom",
            fontsize=_FONT - 1,
            color=COLOURS["ink"],
        )
    average, difference, groups = _marks(result)
    many = average.size > _MANY
    for (rows, label), marker in zip(groups, _OPERATOR_MARKERS, strict=False):
        ax.scatter(
            average[rows],
            difference[rows],
            s=_size(average.size),
            marker=marker,
            # Filled against open: operators differ in grey print too.
            facecolors=COLOURS["trace"] if marker in "os" else "none",
            edgecolors=COLOURS["trace"],
            alpha=0.35 if many else 0.85,
            linewidths=0 if marker in "os" else 0.7,
            zorder=3,
            rasterized=many,
            label=label,
        )
    if len(groups) > 1:
        _legend(ax, average.size)
    # Room on the right, so that no point hides behind the labels of the lines.
    low, high = float(average.min()), float(average.max())
    ax.annotate(
        note,
        (0.0, 0.0),
        xycoords="axes fraction",
        xytext=(3, 3),
        textcoords="offset points",
        fontsize=_FONT - 1,
        color=COLOURS["muted"],
    )
    # Room below, so that no mark hides behind the note.
    bottom, top = ax.get_ylim()
    ax.set_ylim(bottom - (0.06 + 0.07 * note.count("\n")) * (top - bottom), top)
    pad = (high - low) or 1.0
    ax.set_xlim(low - 0.05 * pad, high + 0.42 * pad)
    a, b = _names(result)
    unit = result.unit
    return _finish(
        ax,
        f"mean of {a} and {b} ({unit})",
        f"{a} − {b} ({unit})",
    )


def _marks(result: Agreement) -> tuple[Floats, Floats, list[tuple[Any, str]]]:
    """Averages and differences that are drawn, and which of them each operator has."""
    cells = result.cells
    if cells is None:
        return result.average, result.difference, [(slice(None), "")]
    average = 0.5 * (cells.mean_a + cells.mean_b)
    names = cells.operators
    if len(names) > len(_OPERATOR_MARKERS):
        return average, cells.difference, [(slice(None), "")]
    groups: list[tuple[Any, str]] = [(cells.operator == k, name) for k, name in enumerate(names)]
    return average, cells.difference, groups


def spread_plot(result: Agreement, ax: Axes | None = None) -> Axes:
    """SD within the sittings of each eye by both methods, with the pooled SD of each method.

    Parameters
    ----------
    result : Agreement
    ax : Axes, optional
        By default a figure one column wide.

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> import echotrace as et
    >>> lengths_mm = [23.0, 23.4, 24.1, 24.2, 22.0, 22.3]
    >>> methods = ["contact", "immersion"] * 3
    >>> study = et.Study(value=lengths_mm, subject=list("aabbcc"), method=methods)
    >>> result = et.compare_methods(study)
    >>> spread_plot(result).get_xlabel()
    'mean of both methods (mm)'
    """
    ax = new_axes(ax, COLUMN_IN, 2.7)
    a, b = _names(result)
    unit = result.unit
    for sd, look, label, pooled in (
        (result.sd_a, _A, a, result.repeatability_a),
        (result.sd_b, _B, b, result.repeatability_b),
    ):
        used = np.isfinite(sd)
        ax.scatter(
            result.average[used],
            sd[used],
            s=_size(result.n_eyes),
            # Filled against open: differs in grey print too.
            linewidths=0 if look is _A else 0.7,
            facecolors=look["color"] if look is _A else "none",
            edgecolors=look["color"],
            marker=look["marker"],
            alpha=0.8,
            label=label,
            rasterized=result.n_eyes > _MANY,
        )
        if pooled is not None:
            ax.axhline(
                pooled.within_sd.value,
                color=look["color"],
                linestyle="-" if look is _A else "--",
                linewidth=1.1,
            )
    ax.set_ylim(bottom=0.0)
    if not (np.isfinite(result.sd_a).any() or np.isfinite(result.sd_b).any()):
        ax.text(
            0.5,
            0.5,
            "single readings:\nno spread within sittings",
            transform=ax.transAxes,
            ha="center",
            va="center",
            fontsize=_FONT,
            color=COLOURS["muted"],
        )
    else:
        _legend(ax, result.n_eyes)
    return _finish(ax, f"mean of both methods ({unit})", f"SD within sittings ({unit})")


def _legend(ax: Axes, n: int = 0) -> None:
    ax.legend(
        fontsize=_FONT - 0.5,
        frameon=False,
        loc="lower right",
        bbox_to_anchor=(1.0, 1.0),
        ncols=4,
        handletextpad=0.2,
        columnspacing=1.0,
        borderaxespad=0.1,
        # Marks shrink where there are many; those of the legend must stay readable.
        markerscale=max(1.0, 3.0 / _size(n) ** 0.5) if n else 1.0,
        labelcolor=COLOURS["ink"],
    )


def paired_plot(result: Agreement, ax: Axes | None = None) -> Axes:
    """SD within sittings of each eye by both methods, joined: which method spreads more where.

    Without replicates, the means themselves are joined.

    Parameters
    ----------
    result : Agreement
    ax : Axes, optional
        By default a figure one column wide.

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> import echotrace as et
    >>> lengths_mm = [23.0, 23.4, 24.1, 24.2, 22.0, 22.3]
    >>> methods = ["contact", "immersion"] * 3
    >>> study = et.Study(value=lengths_mm, subject=list("aabbcc"), method=methods)
    >>> result = et.compare_methods(study)
    >>> paired_plot(result).get_ylabel()
    'length (mm)'
    """
    ax = new_axes(ax, COLUMN_IN, 2.7)
    replicated = bool(np.isfinite(result.sd_a).any() and np.isfinite(result.sd_b).any())
    pair = (result.sd_a, result.sd_b) if replicated else (result.mean_a, result.mean_b)
    rows = np.stack(pair, axis=1)
    rows = rows[np.isfinite(rows).all(axis=1)]
    x = np.array([0.0, 1.0])
    many = len(rows) > _MANY
    drawn = rows[:: max(1, len(rows) // _MANY)]
    alpha = float(np.clip(40.0 / max(len(drawn), 1), 0.02, 0.6))
    ax.plot(x, drawn.T, color=COLOURS["muted"], linewidth=0.6, alpha=alpha, rasterized=many)
    for k, look in ((0, _A), (1, _B)):
        ax.plot(
            np.full(len(drawn), x[k]), drawn[:, k], linestyle="", markersize=2.8, alpha=0.8,
            markeredgewidth=0, rasterized=many, **look,
        )  # fmt: skip
    if replicated and result.repeatability_a and result.repeatability_b:
        pooled = [result.repeatability_a.within_sd.value, result.repeatability_b.within_sd.value]
        ax.plot(x, pooled, color=COLOURS["ink"], linewidth=1.8, label="pooled")
        _legend(ax)
    if replicated:
        ax.set_ylim(bottom=0.0)
    ax.set_xticks(x, [*_names(result)])
    ax.set_xlim(-0.3, 1.3)
    what = "SD within sittings" if replicated else "length" if result.unit == "mm" else "value"
    return _finish(ax, "", f"{what} ({result.unit})")


def operator_plot(result: Agreement, ax: Axes | None = None) -> Axes:
    """Bias of the eyes of each operator with its interval, and this operator's own limits.

    Parameters
    ----------
    result : Agreement
    ax : Axes, optional
        By default a figure one column wide.

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> import echotrace as et
    >>> lengths_mm = [23.0, 23.4, 24.1, 24.2, 22.0, 22.3]
    >>> methods = ["contact", "immersion"] * 3
    >>> study = et.Study(value=lengths_mm, subject=list("aabbcc"), method=methods)
    >>> result = et.compare_methods(study)
    >>> operator_plot(result).get_xlabel()
    'bias contact − immersion (mm)'
    """
    ax = new_axes(ax, COLUMN_IN, 2.7)
    rows = result.by_operator
    ax.axvspan(result.bias.low, result.bias.high, color=COLOURS["band"], linewidth=0)
    ax.axvline(result.bias.value, color=COLOURS["ink"], linewidth=1.0)
    ax.axvline(0.0, color=COLOURS["grid"], linewidth=0.8, zorder=0)
    for k, row in enumerate(rows):
        y = len(rows) - 1 - k
        if np.isfinite(row.bias.low):
            ax.plot([row.bias.low, row.bias.high], [y, y], color=COLOURS["trace"], linewidth=1.4)
        ax.plot([row.bias.value], [y], marker="o", markersize=4, color=COLOURS["trace"])
        if row.limits is not None:
            ends = [row.limits.lower.value, row.limits.upper.value]
            ax.plot(ends, [y, y], linestyle="", marker="|", markersize=9, color=COLOURS["ink"])
    ax.set_yticks(
        range(len(rows)),
        [_operator(row.operator, row.n_eyes) for row in reversed(rows)],
    )
    ax.set_ylim(-0.7, max(len(rows) - 0.3, 0.7))
    ax.locator_params(axis="x", nbins=5)
    a, b = _names(result)
    return _finish(
        ax,
        f"bias {a} − {b} ({result.unit})",
        "",
    )


def scatter_plot(result: Agreement, ax: Axes | None = None) -> Axes:
    """Method A against method B, with the line of equality and the Deming line.

    Parameters
    ----------
    result : Agreement
    ax : Axes, optional
        By default a figure one column wide.

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> import echotrace as et
    >>> lengths_mm = [23.0, 23.4, 24.1, 24.2, 22.0, 22.3]
    >>> methods = ["contact", "immersion"] * 3
    >>> study = et.Study(value=lengths_mm, subject=list("aabbcc"), method=methods)
    >>> result = et.compare_methods(study)
    >>> scatter_plot(result).get_ylabel()
    'contact (mm)'
    """
    ax = new_axes(ax, COLUMN_IN, 2.9)
    ax.scatter(
        result.mean_b,
        result.mean_a,
        s=_size(result.n_eyes),
        color=COLOURS["trace"],
        linewidths=0,
        alpha=0.8,
        rasterized=result.n_eyes > _MANY,
    )
    ends = np.array([result.mean_b.min(), result.mean_b.max()])
    ax.plot(ends, ends, color=COLOURS["muted"], linewidth=1.0, linestyle=":", label="equality")
    if result.deming is not None:
        ax.plot(
            ends,
            result.deming.intercept.value + result.deming.slope.value * ends,
            color=COLOURS["accent"],
            linewidth=1.2,
            label="Deming",
        )
    _legend(ax)
    a, b = _names(result)
    unit = result.unit
    return _finish(ax, f"{b} ({unit})", f"{a} ({unit})")


def agreement_figure(result: Agreement) -> Figure:
    """Four panels, two columns wide: differences, spreads, pairs, operators (or both methods).

    Parameters
    ----------
    result : Agreement

    Returns
    -------
    Figure

    Examples
    --------
    >>> import echotrace as et
    >>> lengths_mm = [23.0, 23.4, 24.1, 24.2, 22.0, 22.3]
    >>> methods = ["contact", "immersion"] * 3
    >>> study = et.Study(value=lengths_mm, subject=list("aabbcc"), method=methods)
    >>> result = et.compare_methods(study)
    >>> [ax.get_title(loc="left") for ax in agreement_figure(result).axes]
    ['a', 'b', 'c', 'd']
    """
    figure = new_figure(174.0 / 25.4, 5.4)
    axes = figure.subplots(2, 2)
    difference_plot(result, axes[0, 0])
    spread_plot(result, axes[0, 1])
    paired_plot(result, axes[1, 0])
    if len(result.by_operator) > 1:
        operator_plot(result, axes[1, 1])
    else:
        scatter_plot(result, axes[1, 1])
    for ax, letter in zip(axes.flat, "abcd", strict=True):
        ax.set_title(letter, loc="left", fontsize=9, fontweight="bold", color=COLOURS["ink"])
    return figure


PLOTS: dict[str, Callable[..., Axes]] = {
    "differences": difference_plot,
    "spreads": spread_plot,
    "pairs": paired_plot,
    "methods": scatter_plot,
    "operators": operator_plot,
}
"""Every plot of a comparison, by the name that its file gets."""


# The names in the package's public list, where pictures begin with the verb.
plot_differences, plot_spreads = difference_plot, spread_plot
