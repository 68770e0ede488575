"""The shared page: template loading, figures as inline SVG.

Figures are drawn with the colours of :mod:`echotrace.figures.style`; on the page those that must
change with a dark background become CSS variables.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from echotrace import __version__
from echotrace.caution import CAUTION
from echotrace.figures.style import COLOURS, INTERFACE_COLOURS
from echotrace.text_out import one_line, visible

if TYPE_CHECKING:
    from markupsafe import Markup
    from matplotlib.figure import Figure

__all__ = ["figure_svg", "render_page", "save_figure"]


def figure_svg(figure: Figure, label: str) -> Markup:
    """Draw a figure as inline SVG whose ink follows the page's light or dark scheme.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    label : str
        What the picture shows, for readers who cannot see it.

    Returns
    -------
    markupsafe.Markup
        Not to be escaped again.

    Examples
    --------
    >>> from echotrace.figures.style import new_figure
    >>> figure_svg(new_figure(), "nothing")[:4]
    Markup('<svg')
    """
    import matplotlib
    from markupsafe import Markup, escape

    buffer = io.StringIO()
    # hashsalt: element ids then depend on the drawing only, so that a page is reproducible.
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "echotrace"}):
        figure.savefig(
            buffer,
            format="svg",
            transparent=True,
            metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")),
        )
    svg = buffer.getvalue()
    svg = svg[svg.index("<svg") :]
    roles = {**COLOURS, **{name.replace("_", "-"): c for name, c in INTERFACE_COLOURS.items()}}
    for role, colour in roles.items():
        svg = re.sub(re.escape(colour), f"var(--{role}, {colour})", svg, flags=re.IGNORECASE)
    # Ids must differ between the figures of one page.
    figure_svg.counter = getattr(figure_svg, "counter", 0) + 1  # type: ignore[attr-defined]
    prefix = f"f{figure_svg.counter}-"  # type: ignore[attr-defined]
    svg = re.sub(r'\bid="', f'id="{prefix}', svg)
    svg = re.sub(r'href="#', f'href="#{prefix}', svg)
    svg = re.sub(r"url\(#", f"url(#{prefix}", svg)
    svg = svg.replace("<svg", f'<svg role="img" aria-label="{escape(one_line(label))}"', 1)
    return Markup(svg)


def _printed(value: Any) -> Any:
    """What a template prints: control characters of a name are written out."""
    return visible(value) if type(value) is str else value


def save_figure(figure: Figure, path: str | Path, *, dpi: int = 200) -> None:
    """Write a figure as a file of its own, whole or not at all; the ending decides the format.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    path : str or Path
        ``.png``, ``.svg`` or ``.pdf``.
    dpi : int
        Of a PNG.

    Raises
    ------
    FileFormatError
        The file cannot be written; an existing one is then untouched.

    Examples
    --------
    >>> from echotrace.figures.style import new_figure
    >>> save_figure(new_figure(), folder / "empty.png")
    >>> (folder / "empty.png").read_bytes()[1:4]
    b'PNG'
    """
    import matplotlib

    from echotrace.files.atomic import atomic_target, writing

    kind = Path(path).suffix.lower().removeprefix(".")
    # Type 42 keeps the letters of a PDF as letters, as journals ask.
    with (
        atomic_target(path) as partial,
        writing(path),
        matplotlib.rc_context({"pdf.fonttype": 42, "svg.fonttype": "none"}),
    ):
        figure.savefig(partial, format=kind, dpi=dpi)


def render_page(
    template: str, title: str, values: Mapping[str, Any], *, package: str = "echotrace.report"
) -> str:
    """Fill a template of this package; everything but figures is escaped.

    Parameters
    ----------
    template : str
        File name below ``echotrace/report/templates``; it extends ``base.html.j2``.
    title : str
    values : mapping
        Passed to the template, which also gets ``title``, ``caution``, ``version``, ``made_utc``.
    package : str
        Where the template lies; ``base.html.j2`` is always that of this package.

    Returns
    -------
    str
        Self-contained HTML.

    Examples
    --------
    >>> render_page("base.html.j2", "Nothing", {})[:15]
    '<!doctype html>'
    """
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.ChoiceLoader(
            [jinja2.PackageLoader(name) for name in (package, "echotrace.report")]
        ),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_printed,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(template).render(
        **values,
        title=title,
        caution=CAUTION,
        version=__version__,
        made_utc=datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
    )
