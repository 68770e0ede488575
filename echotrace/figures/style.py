"""Shared look of all figures: colours that survive colour blindness and grey print.

Functions in this package take data and an ``ax`` (or build their own figure), return what they
drew on, and never show it, set a backend or touch global settings.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["COLOURS", "INTERFACE_COLOURS", "new_axes", "new_figure", "quiet_axes"]

COLOURS = {
    "ink": "#1b2a33",
    "muted": "#6b7a82",
    "grid": "#d5dcdf",
    "trace": "#31688e",
    "envelope": "#0b7a75",
    "accent": "#c2571a",
    "good": "#1f7a4d",
    "bad": "#a8324a",
    "band": "#dfe9ec",
}
"""Colours by role. Chosen by lightness as well as hue, so that they differ in grey print."""

INTERFACE_COLOURS = {
    "cornea_front": "#3a5ba0",
    "cornea_back": "#5f93b8",
    "lens_front": "#8a5a00",
    "lens_back": "#c98a1b",
    "retina": "#b23a5e",
    "sclera": "#7b5c8e",
}
"""One colour for each interface of the eye; other targets take them in this order."""


def new_figure(width_in: float = 6.4, height_in: float = 3.6) -> Figure:
    """A figure of its own, drawn without any window system.

    Parameters
    ----------
    width_in, height_in : float
        Inches.

    Returns
    -------
    Figure
        With the raster canvas; nothing is shown.

    Examples
    --------
    >>> new_figure(4.0, 3.0).get_size_inches()
    array([4., 3.])
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def new_axes(ax: Axes | None, width_in: float = 6.4, height_in: float = 3.6) -> Axes:
    """The axes given, or those of a new figure.

    Parameters
    ----------
    ax : Axes or None
        To be drawn on; None makes a new figure.
    width_in, height_in : float
        Of the new figure, inches.

    Returns
    -------
    Axes

    Examples
    --------
    >>> ax = new_axes(None)
    >>> new_axes(ax) is ax
    True
    """
    if ax is not None:
        return ax
    return new_figure(width_in, height_in).add_subplot()


def quiet_axes(ax: Axes) -> Axes:
    """Take away the frame's upper and right lines and lighten the rest.

    Parameters
    ----------
    ax : Axes

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> quiet_axes(new_axes(None)).spines["top"].get_visible()
    False
    """
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(COLOURS["muted"])
    ax.tick_params(colors=COLOURS["muted"], labelcolor=COLOURS["ink"], labelsize=8)
    ax.xaxis.label.set_color(COLOURS["ink"])
    ax.yaxis.label.set_color(COLOURS["ink"])
    return ax
