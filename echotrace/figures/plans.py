"""Power of a planned study against its number of subjects."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from echotrace.figures.agreement import COLUMN_IN
from echotrace.figures.style import COLOURS, new_axes, quiet_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["power_plot"]

_FONT = 7.5


def power_plot(
    power: Mapping[str, Callable[[int], float]],
    n_subjects: Sequence[int],
    *,
    wanted: float = 0.9,
    ax: Axes | None = None,
) -> Axes:
    """Power against the number of subjects, one curve for each assumption.

    Parameters
    ----------
    power : mapping of str to callable
        Label, and power as a function of the number of subjects; up to four.
    n_subjects : sequence of int
        Where the curves are drawn.
    wanted : float
        Marked by a line.
    ax : Axes, optional
        By default a figure one column wide.

    Returns
    -------
    Axes

    Examples
    --------
    >>> ax = power_plot({"SD 0.2 mm": lambda n: 1.0 - 1.0 / n}, [10, 20, 40])
    >>> ax.get_xlabel(), ax.get_ylabel()
    ('subjects', 'power')
    """
    ax = new_axes(ax, COLUMN_IN, 2.7)
    ax.axhline(wanted, color=COLOURS["muted"], linewidth=0.8, linestyle=":", zorder=0)
    for (label, function), style in zip(power.items(), ("-", "--", "-.", ":"), strict=False):
        values = [function(int(n)) for n in n_subjects]
        ax.plot(n_subjects, values, color=COLOURS["trace"], linestyle=style, label=label)
    ax.set_ylim(0.0, 1.0)
    ax.legend(fontsize=_FONT - 0.5, frameon=False, loc="lower right", labelcolor=COLOURS["ink"])
    quiet_axes(ax)
    ax.set_xlabel("subjects", fontsize=_FONT)
    ax.set_ylabel("power", fontsize=_FONT)
    ax.tick_params(labelsize=_FONT - 0.5)
    return ax
