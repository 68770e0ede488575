"""The pictures of the README files: ``python -m echotrace.fitting.gallery FOLDER``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from echotrace.chain.plain import view_trace
from echotrace.figures.sitting import scans_figure
from echotrace.figures.style import mark_figure
from echotrace.figures.synthesis import artefact_figure, level_figure, tilt_figure
from echotrace.files.native import read_recording
from echotrace.fitting.findings_figure import confusion_figure
from echotrace.fitting.score_figures import left_out_figure, score_figure
from echotrace.fitting.score_report import probabilities
from echotrace.fitting.score_sets import shipped_sets
from echotrace.quality.limits import QualityLimits
from echotrace.teaching.exercise import make_exercise
from echotrace.teaching.exercise_page import sheet_figures
from echotrace.teaching.plate_figure import plate_figure
from echotrace.teaching.plates import plate_of_recipe
from echotrace.teaching.recipe import shipped_lesson

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["gallery", "write_gallery"]


def gallery(recording_path: Path) -> dict[str, Figure]:
    """Every picture by its file name.

    Parameters
    ----------
    recording_path : Path
        The recording whose first scan is shown as measured.

    Returns
    -------
    dict of str to Figure

    Examples
    --------
    >>> sorted(gallery(Path("synthetic_traces/immersion_sitting.h5")))  # doctest: +SKIP
    """
    recording = read_recording(recording_path)
    sets = shipped_sets()
    unseen = sets["develop"]
    said = probabilities(unseen)
    lesson = shipped_lesson()
    return {
        "measured_scan": scans_figure(
            [view_trace(recording, k) for k in (0, 2)],
            ["Scan 1, on the axis", "Scan 3, 4.5° off the axis: rejected"],
        ),
        "on_and_off_axis": tilt_figure(),
        "levels_against_tilt": level_figure(),
        "artefacts": artefact_figure(),
        "score_on_unseen_eyes": score_figure(
            unseen,
            said["in_sitting"],
            said["aligned"],
            level=QualityLimits().min_length_right_in_sitting,
            title="Both probabilities on invented sittings that the fit never saw",
        ),
        "score_left_out": left_out_figure(sets["fit"]),
        "findings_by_case": confusion_figure(),
        "exercise_sheet": next(iter(sheet_figures(make_exercise(20, 7, "beginner")))),
        "plate_tilt": plate_figure(plate_of_recipe(lesson.plates[1], lesson.seed)),
    }


def write_gallery(folder: Path) -> list[Path]:
    """Draw the pictures into ``folder/pictures``; the recordings lie in ``folder``.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    list of Path
        What was written.

    Examples
    --------
    >>> write_gallery(Path("synthetic_traces"))  # doctest: +SKIP
    """
    target = folder / "pictures"
    target.mkdir(exist_ok=True)
    written = []
    for name, figure in gallery(folder / "immersion_sitting.h5").items():
        figure.patch.set_facecolor("white")
        mark_figure(figure, synthetic=True)
        path = target / f"{name}.png"
        figure.savefig(path, dpi=130)
        written.append(path)
    return written


if __name__ == "__main__":
    write_gallery(Path(sys.argv[1]))
