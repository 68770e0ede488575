"""A lesson of plates as one page, as pictures, and as a document to print."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from echotrace.caution import SYNTHETIC
from echotrace.errors import ParameterError
from echotrace.figures.style import new_figure
from echotrace.files.atomic import atomic_target, save_text, writing
from echotrace.report.page import figure_svg, render_page, save_figure
from echotrace.teaching.judged import Judged, error_words, length_words
from echotrace.teaching.plate_figure import plate_figure, plot_pair
from echotrace.teaching.plates import Plate

__all__ = ["lesson_files", "plates_page", "write_lesson"]


def plates_page(plates: Sequence[Plate], title: str) -> str:
    """All plates on one self-contained HTML page.

    Parameters
    ----------
    plates : sequence of Plate
    title : str

    Returns
    -------
    str

    Examples
    --------
    >>> from echotrace.teaching.plates import plate_of_file
    >>> plate = plate_of_file("synthetic_traces/immersion_sitting.h5", scan=2)
    >>> "rejected" in plates_page([plate], "One plate")
    True
    """
    items: list[dict[str, Any]] = []
    for plate in plates:
        figure = new_figure(7.8, 5.4)
        upper, lower = figure.subplots(2, 1, sharex=True, sharey=True)
        plot_pair(plate, (upper, lower), size=8.5)
        items.append(
            {
                "name": plate.name,
                "title": plate.title,
                "point": plate.point,
                "figure": figure_svg(
                    figure,
                    f"Two traces with picks. Above, {plate.labels[0]}: {_said(plate.good)}. "
                    f"Below, {plate.labels[1]}: {_said(plate.spoilt)}. "
                    + " ".join(f"{note.words}." for note in plate.notes),
                ),
                "traces": [
                    _verdict(one, label)
                    for one, label in zip((plate.good, plate.spoilt), plate.labels, strict=True)
                ],
            }
        )
    invented = all(plate.spoilt.recording.truth is not None for plate in plates)
    return render_page(
        "plates.html.j2",
        title,
        {"plates": items, "synthetic": SYNTHETIC if invented else ""},
        package="echotrace.teaching",
    )


def _said(one: Judged) -> str:
    word = "accepted" if one.accepted else "rejected"
    if math.isnan(one.true_length_mm):
        return f"{length_words(one.length_mm)}, {word}"
    return f"{length_words(one.length_mm)}, {error_words(one.error_mm)}, {word}"


def _verdict(one: Judged, label: str) -> dict[str, Any]:
    known = not math.isnan(one.true_length_mm)
    return {
        "label": label,
        "length": length_words(one.length_mm),
        "error": error_words(one.error_mm) if known else "",
        "accepted": one.accepted,
        "reasons": one.reasons(),
    }


def lesson_files(names: Sequence[str], folder: Path) -> list[Path]:
    """Every file that a lesson is written to.

    Parameters
    ----------
    names : sequence of str
        Of the plates.
    folder : Path

    Returns
    -------
    list of Path

    Raises
    ------
    ParameterError
        Two plates have the same name.

    Examples
    --------
    >>> [path.name for path in lesson_files(["tilt"], Path("out"))]
    ['lesson.html', 'lesson.pdf', 'tilt.png', 'tilt.svg']
    """
    for name in names:
        if names.count(name) > 1 or name == "lesson":
            raise ParameterError(f"two plates or files would be named {name!r}; rename one")
    pictures = [folder / f"{name}.{kind}" for name in names for kind in ("png", "svg")]
    return [folder / "lesson.html", folder / "lesson.pdf", *pictures]


def write_lesson(plates: Sequence[Plate], title: str, folder: Path) -> Iterator[Path]:
    """Write the page, the document of A4 sheets, and each plate as PNG and SVG.

    Parameters
    ----------
    plates : sequence of Plate
    title : str
    folder : Path

    Yields
    ------
    Path
        What was written, one after the other.

    Examples
    --------
    >>> from echotrace.teaching.plates import plate_of_file
    >>> plate = plate_of_file("synthetic_traces/immersion_sitting.h5")
    >>> [path.name for path in write_lesson([plate], "Tilt", folder)]
    ['lesson.html', 'lesson.pdf', 'immersion_sitting.png', 'immersion_sitting.svg']
    """
    import matplotlib
    from matplotlib.backends.backend_pdf import PdfPages

    page = folder / "lesson.html"
    save_text(page, plates_page(plates, title))
    yield page
    sheets = folder / "lesson.pdf"
    figures = [plate_figure(plate) for plate in plates]
    with (
        atomic_target(sheets) as partial,
        writing(sheets),
        matplotlib.rc_context({"pdf.fonttype": 42}),
        PdfPages(partial) as pages,
    ):
        for figure in figures:
            pages.savefig(figure)
    yield sheets
    for plate, figure in zip(plates, figures, strict=True):
        for kind in ("png", "svg"):
            path = folder / f"{plate.name}.{kind}"
            save_figure(figure, path, dpi=160)
            yield path
