"""Text whose lines are kept as pictures: laying out letters takes most of a change in a window."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.figure import Figure
from matplotlib.transforms import Transform
from numpy.typing import NDArray

__all__ = ["KeptText"]

_LINE = 1.35
"""Distance of lines, in sizes of the letters."""


@lru_cache(maxsize=2048)
def _picture(
    line: str, size: float, colour: str, weight: str, paper: str, dpi: float
) -> NDArray[np.uint8]:
    """Pixels of one line, lowest row first, as a raster canvas takes them."""
    pixel = 72.0 / dpi
    high = int(np.ceil(_LINE * size / pixel))
    wide = int(np.ceil((len(line) + 2) * size / pixel)) + 2
    figure = Figure(figsize=(wide / dpi, high / dpi), dpi=dpi, layout=None)
    canvas: Any = FigureCanvasAgg(figure)
    figure.patch.set_alpha(0.0)
    text = figure.text(
        1 / wide, 0.28, line, size=size, color=colour, weight=weight, va="baseline", ha="left"
    )
    canvas.draw()
    right = min(wide, int(np.ceil(text.get_window_extent().x1)) + 2)
    seen = np.array(canvas.buffer_rgba())[:, :right]
    if paper != "none":
        part = seen[..., 3:] / 255.0
        seen[..., :3] = np.rint(seen[..., :3] * part + 255.0 * (1.0 - part))
        seen[..., 3] = 255
    return np.ascontiguousarray(seen[::-1])


class KeptText(Artist):
    r"""Words at a place, left aligned; lines that were drawn before are not laid out again.

    Parameters
    ----------
    place : tuple of float
        Of the first line's left end, in the units of ``transform``.
    transform : Transform
    size : float
        Of the letters, points.
    colour : str
    under : bool
        The place is that of the upper edge of the first line; else of its lower edge.
    paper : {"none", "white"}
        What is behind the letters.

    Examples
    --------
    >>> from echotrace.figures.style import new_figure
    >>> figure = new_figure(4.0, 3.0)
    >>> text = KeptText((0.1, 0.9), figure.transFigure, size=9.0, colour="#1b2a33")
    >>> text.set_text("two\nlines")
    >>> text.get_text()
    'two\nlines'
    """

    def __init__(
        self,
        place: tuple[float, float],
        transform: Transform,
        *,
        size: float,
        colour: str,
        under: bool = False,
        paper: str = "none",
    ) -> None:
        super().__init__()
        self.set_transform(transform)
        self._place, self._words, self._weight = place, "", "normal"
        self._size, self._colour, self._under, self._paper = size, colour, under, paper

    def set_text(self, words: str) -> None:
        """Change the words."""
        self._words = words

    def get_text(self) -> str:
        """The words."""
        return self._words

    def set_position(self, place: tuple[float, float]) -> None:
        """Change the place."""
        self._place = place

    def set_fontweight(self, weight: str) -> None:
        """Change the weight of the letters."""
        self._weight = weight

    def draw(self, renderer: Any) -> None:
        """Draw on a raster canvas; others have no use for a window's text."""
        if not self.get_visible() or not self._words or not isinstance(renderer, RendererAgg):
            return
        x, y = self.get_transform().transform(self._place)
        gc = renderer.new_gc()
        for line in self._words.split("\n"):
            seen = _picture(
                line, self._size, self._colour, self._weight, self._paper, float(renderer.dpi)
            )
            y -= len(seen) if self._under else 0
            renderer.draw_image(gc, round(x), round(y), seen)
            y -= 0 if self._under else len(seen)
        gc.restore()
