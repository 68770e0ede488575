"""An exercise as a page that answers at once, as sheets to print, and its key apart."""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from echotrace.caution import CAUTION, SYNTHETIC
from echotrace.figures.style import COLOURS, new_figure, quiet_axes
from echotrace.files.atomic import atomic_target, save_text, writing
from echotrace.files.table import Field, write_table
from echotrace.report.page import render_page
from echotrace.teaching.exercise import CAUSES, Case, Exercise
from echotrace.teaching.judged import error_words, length_words
from echotrace.teaching.packed import STEP_SAMPLES, asset, level_bytes, named, packed, script_json

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["exercise_files", "exercise_page", "key_figures", "sheet_figures", "write_exercise"]

_CASES_A_SHEET = 4
_SEAL = 0x5A


def _last_us(case: Case) -> float:
    return float(case.judged.recording.delay_us[-1])


def exercise_page(exercise: Exercise) -> str:
    """The exercise as one self-contained page.

    What is right lies sealed in the page: nothing that is seen or read out gives it away.

    Parameters
    ----------
    exercise : Exercise

    Returns
    -------
    str

    Examples
    --------
    >>> from echotrace.teaching.exercise import make_exercise
    >>> "Would you accept it?" in exercise_page(make_exercise(2, 7, "beginner"))
    True
    """
    pack = {
        "exercise": exercise.name,
        "step_us": STEP_SAMPLES * 1e6 / exercise.cases[0].judged.recording.sampling_rate_hz,
        "cases": [
            {
                "number": case.number,
                "method": str(case.judged.recording.method[0]),
                "last_us": round(_last_us(case), 3),
                "level": packed(level_bytes(case.judged, _last_us(case))),
                "sealed": packed(_sealed(_key(case))),
            }
            for case in exercise.cases
        ],
    }
    return render_page(
        "exercise.html.j2",
        f"Exercise {exercise.name}",
        {
            "synthetic": SYNTHETIC,
            "causes": list(CAUSES.items()),
            "pack": script_json(pack),
            "trace_js": asset("trace.js"),
            "script": asset("exercise.js"),
        },
        package="echotrace.teaching",
    )


def _sealed(key: dict[str, Any]) -> bytes:
    return bytes(b ^ _SEAL for b in json.dumps(key, allow_nan=False).encode())


def _key(case: Case) -> dict[str, Any]:
    one = case.judged
    wanted = [at for name, at in one.true_us.items() if name in one.result.interfaces]
    return {
        "cause": case.cause,
        "words": CAUSES.get(case.cause, ""),
        "retina_us": None if math.isnan(case.retina_us) else case.retina_us,
        "speed_mm_per_us": case.vitreous_speed_mm_per_us,
        "picks": named(one.picks_us),
        "truth": [] if case.cause == "lid" else [round(at, 3) for at in wanted],
        "told": _told(case),
    }


def _told(case: Case) -> list[str]:
    """What is explained once a trace has been judged."""
    one = case.judged
    columns = one.recording.truth.columns if one.recording.truth is not None else {}
    word = "accepts" if one.accepted else "rejects"
    told = [
        f"The chain {word} it and reads {length_words(one.length_mm)}"
        + (f", {error_words(one.error_mm)}." if math.isfinite(one.length_mm) else "."),
        f"The beam was {float(columns['tilt_deg'][0]):.1f}° off the axis and "
        f"{float(columns['decentration_mm'][0]):.1f} mm beside it.",
    ]
    return told + one.reasons()


def sheet_figures(exercise: Exercise) -> Iterator[Figure]:
    """Sheets of A4, upright, four traces each, with boxes to tick and nothing of the answers.

    Parameters
    ----------
    exercise : Exercise

    Yields
    ------
    Figure

    Examples
    --------
    >>> from echotrace.teaching.exercise import make_exercise
    >>> len(list(sheet_figures(make_exercise(5, 7, "beginner"))))
    2
    """
    for start in range(0, len(exercise.cases), _CASES_A_SHEET):
        figure = _sheet(f"Exercise {exercise.name}", start // _CASES_A_SHEET + 1, _WHO)
        for row, case in enumerate(exercise.cases[start : start + _CASES_A_SHEET]):
            top = 0.895 - 0.213 * row
            method = case.judged.recording.method[0]
            figure.text(0.08, top, f"Trace {case.number}, {method}", fontsize=11, va="top")
            ax = figure.add_axes((0.08, top - 0.143, 0.86, 0.125))
            _plain_trace(ax, case)
            figure.text(
                0.94, top, "□ accept      □ reject, because", fontsize=10, va="top", ha="right"
            )
            for k, cause in enumerate(CAUSES.values()):
                place = (0.08 + 0.28 * (k % 3), top - 0.177 - 0.013 * (k // 3))
                figure.text(*place, f"□ {cause}", fontsize=8, va="top")
        yield figure


_WHO = "Learner (a code, never a name): ____________    Date: ____________"


def _sheet(title: str, number: int, below: str) -> Figure:
    figure = new_figure(8.27, 11.69)
    figure.set_layout_engine("none")
    figure.patch.set_facecolor("white")
    figure.text(0.08, 0.955, title, fontsize=15, weight="bold", color=COLOURS["ink"])
    figure.text(0.08, 0.932, below, fontsize=9, color=COLOURS["ink"])
    figure.text(0.94, 0.955, f"sheet {number}", fontsize=9, ha="right", color=COLOURS["muted"])
    said = "\n".join(textwrap.wrap(f"{SYNTHETIC} {CAUTION}", 125))
    figure.text(0.08, 0.014, said, fontsize=7, color=COLOURS["muted"])
    return figure


def _plain_trace(ax: Axes, case: Case) -> None:
    quiet_axes(ax)
    one = case.judged
    level = level_bytes(one, _last_us(case)) / 3.0 - 60.0
    at = np.arange(level.size) * STEP_SAMPLES * 1e6 / one.recording.sampling_rate_hz
    ax.plot(at, level, color=COLOURS["envelope"], linewidth=0.8)
    ax.axhline(0.0, color=COLOURS["muted"], linewidth=0.5, linestyle=(0, (4, 3)))
    ax.set_xlim(0.0, _last_us(case))
    ax.set_ylim(-62.0, 8.0)
    ax.set_yticks([-60, -40, -20, 0])
    ax.tick_params(labelsize=7)
    ax.set_ylabel("dB of full scale", fontsize=7)
    ax.set_xlabel("delay (µs)", fontsize=7, labelpad=1)


def key_figures(exercise: Exercise) -> Iterator[Figure]:
    """The key to the sheets, as sheets of their own.

    Parameters
    ----------
    exercise : Exercise

    Yields
    ------
    Figure

    Examples
    --------
    >>> from echotrace.teaching.exercise import make_exercise
    >>> len(list(key_figures(make_exercise(5, 7, "beginner"))))
    1
    """
    most = 30
    for start in range(0, len(exercise.cases), most):
        figure = _sheet(f"Key to exercise {exercise.name}", start // most + 1, "For the trainer.")
        for row, case in enumerate(exercise.cases[start : start + most]):
            y = 0.90 - 0.028 * row
            one = case.judged
            verdict = f"reject: {CAUSES[case.cause]}" if case.cause else "accept"
            at = "no retina" if math.isnan(case.retina_us) else f"retina at {case.retina_us:.2f} µs"
            figure.text(0.08, y, f"{case.number}", fontsize=10, weight="bold", va="top")
            figure.text(0.12, y, verdict, fontsize=10, va="top")
            figure.text(0.53, y, at, fontsize=9, va="top")
            read = length_words(one.length_mm)
            error = f", {error_words(one.error_mm)}" if math.isfinite(one.length_mm) else ""
            figure.text(0.70, y, read + error, fontsize=9, va="top")
        yield figure


_KEY = (
    Field(name="exercise", type="string", description="name of the exercise"),
    Field(name="case", type="integer", description="number of the trace, from 1"),
    Field(name="cause", type="string", description="what is wrong; empty where the trace is good"),
    Field(name="retina_us", type="number", unit="us", description="true arrival of the retina"),
    Field(name="vitreous_speed_mm_per_us", type="number", unit="mm/us",
          description="speed that turns a misplaced retina into a length"),
)  # fmt: skip


def exercise_files(name: str, folder: Path) -> list[Path]:
    """Every file that an exercise is written to; no name says anything of an answer.

    Parameters
    ----------
    name : str
    folder : Path

    Returns
    -------
    list of Path

    Examples
    --------
    >>> [path.name for path in exercise_files("trained-20-7", Path("out"))][:2]
    ['trained-20-7.html', 'trained-20-7-sheet.pdf']
    """
    ends = (".html", "-sheet.pdf", "-key.pdf", "-key.csv", "-key.schema.json")
    return [folder / f"{name}{end}" for end in ends]


def write_exercise(exercise: Exercise, folder: Path) -> list[Path]:
    """Write page, sheet and key.

    Parameters
    ----------
    exercise : Exercise
    folder : Path

    Returns
    -------
    list of Path
        What was written.

    Examples
    --------
    >>> from echotrace.teaching.exercise import make_exercise
    >>> exercise = make_exercise(4, 7, "trained")
    >>> [path.name for path in write_exercise(exercise, folder)][:2]
    ['trained-4-7.html', 'trained-4-7-sheet.pdf']
    """
    import matplotlib
    from matplotlib.backends.backend_pdf import PdfPages

    page, sheet, key, table, schema = exercise_files(exercise.name, folder)
    save_text(page, exercise_page(exercise))
    for path, figures in ((sheet, sheet_figures), (key, key_figures)):
        with (
            atomic_target(path) as partial,
            writing(path),
            matplotlib.rc_context({"pdf.fonttype": 42}),
            PdfPages(partial) as pages,
        ):
            for figure in figures(exercise):
                pages.savefig(figure)
    cases = exercise.cases
    write_table(
        table,
        _KEY,
        {
            "exercise": [exercise.name] * len(cases),
            "case": [case.number for case in cases],
            "cause": [case.cause for case in cases],
            "retina_us": [case.retina_us for case in cases],
            "vitreous_speed_mm_per_us": [case.vitreous_speed_mm_per_us for case in cases],
        },
        description=f"Key of an exercise for learners. {SYNTHETIC}",
    )
    return [page, sheet, key, table, schema]
