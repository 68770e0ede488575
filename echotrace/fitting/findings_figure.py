"""Which findings each case raises: the confusion matrix as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from echotrace.figures.style import COLOURS, new_figure, with_room_below
from echotrace.fitting.confusion import ConfusionMatrix, confusion_of_findings

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["confusion_figure", "plot_confusion"]


def plot_confusion(matrix: ConfusionMatrix, ax: Axes, *, near_misses: bool = False) -> Axes:
    """Share of scans that raised each finding; the wanted cells are framed.

    Parameters
    ----------
    matrix : ConfusionMatrix
    ax : Axes
    near_misses : bool
        Show the near misses (the cell that must stay empty is framed by dashes) instead of the
        cases.

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> from echotrace.fitting.confusion import ConfusionMatrix
    >>> matrix = ConfusionMatrix(
    ...     done=("lid in the way",), wanted=(frozenset({"no_echo"}),), unwanted=("",),
    ...     findings=("no_echo",), scans=4, raised=np.array([[4]]), rejected=np.array([4]),
    ... )
    >>> plot_confusion(matrix, new_figure().add_subplot()).get_yticklabels()[0].get_text()
    'lid in the way'
    """
    from matplotlib.colors import LinearSegmentedColormap
    from matplotlib.patches import Rectangle

    rows = [k for k, name in enumerate(matrix.unwanted) if bool(name) == near_misses]
    share = matrix.raised[rows] / matrix.scans
    shade = LinearSegmentedColormap.from_list("share", ["#ffffff", COLOURS["trace"]])
    ax.imshow(share, cmap=shade, vmin=0.0, vmax=1.0, aspect="auto", interpolation="nearest")
    for y, row in enumerate(rows):
        for x, name in enumerate(matrix.findings):
            value = int(matrix.raised[row, x])
            if value:
                colour = "white" if share[y, x] > 0.6 else COLOURS["ink"]
                ax.text(x, y, str(value), ha="center", va="center", fontsize=7, color=colour)
            wanted = name in matrix.wanted[row]
            if (wanted and len(matrix.wanted[row]) == 1) or name == matrix.unwanted[row]:
                ax.add_patch(
                    Rectangle(
                        (x - 0.46, y - 0.44),
                        0.92,
                        0.88,
                        fill=False,
                        edgecolor=COLOURS["accent"] if wanted else COLOURS["good"],
                        linewidth=1.3,
                        linestyle="-" if wanted else (0, (2.5, 1.5)),
                    )
                )
    ax.set_yticks(range(len(rows)), [matrix.done[row] for row in rows], fontsize=7.5)
    names = [name.replace("_", " ") for name in matrix.findings]
    ax.set_xticks(range(len(names)), names, fontsize=7.5, rotation=60, ha="left")
    ax.xaxis.tick_top()
    ax.set_xticks(np.arange(len(names) + 1) - 0.5, minor=True)
    ax.set_yticks(np.arange(len(rows) + 1) - 0.5, minor=True)
    ax.grid(which="minor", color=COLOURS["grid"], linewidth=0.4)
    ax.tick_params(which="both", length=0, labelcolor=COLOURS["ink"])
    for spine in ax.spines.values():
        spine.set_color(COLOURS["muted"])
    return ax


def confusion_figure(matrix: ConfusionMatrix | None = None) -> Figure:
    """The whole matrix: what was done on the left, what was raised above.

    Parameters
    ----------
    matrix : ConfusionMatrix, optional
        None makes and measures all cases (a quarter of a minute).

    Returns
    -------
    Figure

    Examples
    --------
    >>> from echotrace.fitting.confusion import ConfusionMatrix
    >>> matrix = ConfusionMatrix(
    ...     done=("lid in the way", "half a lid"), wanted=(frozenset({"no_echo"}), frozenset()),
    ...     unwanted=("", "no_echo"), findings=("no_echo",), scans=4,
    ...     raised=np.array([[4], [0]]), rejected=np.array([4, 0]),
    ... )
    >>> confusion_figure(matrix).savefig(folder / "findings.png")
    """
    matrix = confusion_of_findings() if matrix is None else matrix
    near = sum(bool(name) for name in matrix.unwanted)
    cases = len(matrix.done) - near
    figure = with_room_below(new_figure(11.0, 1.9 + 0.21 * len(matrix.done)), 0.008)
    upper, lower = figure.subplots(2, 1, height_ratios=[cases, near])
    plot_confusion(matrix, upper)
    plot_confusion(matrix, lower, near_misses=True)
    lower.set_xticklabels([])
    upper.set_ylabel("what was done", fontsize=9, color=COLOURS["ink"])
    lower.set_ylabel("near misses", fontsize=9, color=COLOURS["ink"])
    figure.suptitle(
        f"Scans of {matrix.scans} that raised each finding. Solid frame: must be raised by all; "
        "dashed frame: by none. Synthetic traces.",
        fontsize=9,
        color=COLOURS["ink"],
        x=0.01,
        ha="left",
    )
    return figure
