"""Shared look of all figures: colours that survive colour blindness and grey print.

Functions in this package take data and an ``ax`` (or build their own figure), return what they
drew on, and never show it, set a backend or touch global settings.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "CAUTION_MARK",
    "COLOURS",
    "INTERFACE_COLOURS",
    "INTERFACE_STYLES",
    "SYNTHETIC_MARK",
    "mark_figure",
    "new_axes",
    "new_figure",
    "quiet_axes",
    "with_room_below",
]

COLOURS = {
    "ink": "#1b2a33",
    "muted": "#5b6a72",
    "grid": "#d5dcdf",
    "trace": "#31688e",
    "envelope": "#0b7a75",
    "accent": "#b34d14",
    "good": "#1f7a4d",
    "bad": "#a8324a",
    "band": "#dfe9ec",
}
"""Colours by role. Chosen by lightness as well as hue, so that they differ in grey print."""

INTERFACE_COLOURS = {
    "cornea_front": "#062448",
    "cornea_back": "#206182",
    "lens_front": "#483210",
    "lens_back": "#8d6b49",
    "retina": "#6e3641",
    "sclera": "#937ea9",
}
"""One colour for each interface of the eye; other targets take them in this order.

Lightness tells them apart in grey print and without the green or red cones: neighbours on the beam
lie 13 or more apart in CIELAB L*, any two 4.5 or more (``tests/test_look.py``). Style and marker
differ as well, so that no line is told by its colour alone.
"""

INTERFACE_STYLES = (
    ("-", "o"),
    ((0, (5, 1.5)), "s"),
    ((0, (1.2, 1.2)), "^"),
    ((0, (6, 1.5, 1.2, 1.5)), "D"),
    ((0, (9, 2)), "v"),
    ((0, (2.5, 1.2, 1.2, 1.2, 1.2, 1.2)), "P"),
)
"""Line style and marker of an interface, by its place on the beam."""

SYNTHETIC_MARK = "synthetic, invented"
CAUTION_MARK = "not a medical device"


def new_figure(width_in: float = 6.4, height_in: float = 3.6, *, fixed: bool = False) -> Figure:
    """A figure of its own, drawn without any window system.

    Parameters
    ----------
    width_in, height_in : float
        Inches.
    fixed : bool
        Axes stay where they are put; laying them out takes longer than drawing them.

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

    figure = Figure(figsize=(width_in, height_in), layout=None if fixed else "constrained")
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


def mark_figure(figure: Figure, *, synthetic: bool) -> Figure:
    """Say small, in the lower right margin, what the picture must not be taken for.

    Parameters
    ----------
    figure : Figure
    synthetic : bool
        Its traces are invented.

    Returns
    -------
    Figure
        The one given.

    Examples
    --------
    >>> mark_figure(new_figure(), synthetic=True).texts[0].get_text()
    'synthetic, invented; not a medical device'
    """
    words = f"{SYNTHETIC_MARK}; {CAUTION_MARK}" if synthetic else CAUTION_MARK
    figure.text(0.995, 0.004, words, ha="right", va="bottom", fontsize=6, color=COLOURS["muted"])
    return figure


def with_room_below(figure: Figure, share: float) -> Figure:
    """Keep the foot of a figure free for the mark.

    Parameters
    ----------
    figure : Figure
        As :func:`new_figure` makes them.
    share : float
        Of the height.

    Returns
    -------
    Figure
        The one given.

    Examples
    --------
    >>> with_room_below(new_figure(), 0.02).get_layout_engine().get()["rect"]
    (0.0, 0.02, 1.0, 0.98)
    """
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    engine = figure.get_layout_engine()
    if isinstance(engine, ConstrainedLayoutEngine):
        engine.set(rect=(0.0, share, 1.0, 1.0 - share))
    return figure
