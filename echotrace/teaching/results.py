"""Answers of learners held against the key, and how they get on over weeks."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from echotrace.caution import SYNTHETIC
from echotrace.errors import FileFormatError, ParameterError
from echotrace.figures.style import COLOURS, INTERFACE_COLOURS, new_figure, quiet_axes
from echotrace.files.csv_table import CsvTable, read_csv_table
from echotrace.files.table import Field, write_table
from echotrace.teaching.detection import Detection, Estimate, cohen_kappa, detection
from echotrace.teaching.exercise import CAUSES
from echotrace.text_out import picture_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "Result",
    "course_figure",
    "read_results",
    "results_text",
    "score_answers",
    "write_results",
]

_CODE = re.compile(r"(?=.*[0-9])[A-Za-z0-9_-]{1,12}")
_ESTIMATES = ("hit_rate", "false_alarm_rate", "d_prime", "criterion", "kappa")


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What one learner made of one exercise.

    Attributes
    ----------
    learner, date, exercise : str
        A code; year-month-day; its name.
    n : int
        Traces judged.
    detection : Detection
    kappa : Estimate
        Agreement with the truth.
    pick_error_mm, pick_spread_mm : float
        Mean and root mean square of the retina's misplacement, positive where it was placed too
        deep, mm; NaN where none was placed.
    missed : mapping of str to int
        Causes that were accepted, and how often.

    Examples
    --------
    >>> from echotrace.teaching.detection import cohen_kappa, detection
    >>> result = Result(
    ...     learner="T07", date="2026-03-31", exercise="trained-20-7", n=20,
    ...     detection=detection(9, 1, 2, 8), kappa=cohen_kappa(9, 2, 1, 8),
    ...     pick_error_mm=0.02, pick_spread_mm=0.1, missed={"tilt": 1},
    ... )
    >>> result.estimate("hit_rate").value
    0.9
    """

    learner: str
    date: str
    exercise: str
    n: int
    detection: Detection
    kappa: Estimate
    pick_error_mm: float
    pick_spread_mm: float
    missed: Mapping[str, int]

    def estimate(self, name: str) -> Estimate:
        """One of hit_rate, false_alarm_rate, d_prime, criterion, kappa."""
        return self.kappa if name == "kappa" else getattr(self.detection, name)


def _columns(table: CsvTable, names: Sequence[str]) -> None:
    missing = [name for name in names if name not in table]
    if missing:
        raise FileFormatError(f"{table.path}: no column {', '.join(missing)}")


def score_answers(answers: Sequence[str | Path], key: str | Path) -> list[Result]:
    r"""Hold answers against the key of their exercise.

    Parameters
    ----------
    answers : sequence of path
        Tables with the columns learner, date, exercise, case, answer (accept or reject), and if
        wanted cause and retina_us.
    key : path
        As :func:`~echotrace.teaching.exercise_page.write_exercise` writes it.

    Returns
    -------
    list of Result
        One for each learner, day and exercise, in this order.

    Raises
    ------
    FileFormatError
        No such table.
    ParameterError
        Naming file, line and remedy: a learner who is no code, an answer that is none, a trace that
        is not in the key or is answered twice.

    Examples
    --------
    >>> key, answers = folder / "key.csv", folder / "answers-T07.csv"
    >>> _ = key.write_text(
    ...     "exercise,case,cause,retina_us,vitreous_speed_mm_per_us\n"
    ...     "mine,1,,42.0,1.532\nmine,2,tilt,42.0,1.532\n"
    ... )
    >>> _ = answers.write_text(
    ...     "learner,date,exercise,case,answer\nT07,2026-03-31,mine,1,accept\n"
    ...     "T07,2026-03-31,mine,2,reject\n"
    ... )
    >>> [result] = score_answers([answers], key)
    >>> result.learner, result.detection.hit_rate.value, result.detection.false_alarm_rate.value
    ('T07', 1.0, 0.0)
    """
    table = read_csv_table(key)
    _columns(table, ("exercise", "case", "cause", "retina_us", "vitreous_speed_mm_per_us"))
    truth = {
        (exercise, int(case)): (cause, retina_us, speed)
        for exercise, case, cause, retina_us, speed in zip(
            table.texts("exercise"), table.whole_numbers("case"), table.texts("cause"),
            table.numbers("retina_us"), table.numbers("vitreous_speed_mm_per_us"), strict=True,
        )
    }  # fmt: skip
    groups: dict[tuple[str, str, str], dict[int, tuple[bool, float]]] = {}
    for path in answers:
        for group, case, given in _answers(read_csv_table(path)):
            if (group[2], case) not in truth:
                raise ParameterError(
                    f"{path}: {group[2]} trace {case} is not in {key}; give the key of the exercise"
                )
            if case in groups.setdefault(group, {}):
                raise ParameterError(f"{path}: {group[0]} judged trace {case} twice on {group[1]}")
            groups[group][case] = given
    return [_result(group, given, truth) for group, given in sorted(groups.items())]


def _answers(
    table: CsvTable,
) -> Iterator[tuple[tuple[str, str, str], int, tuple[bool, float]]]:
    _columns(table, ("learner", "date", "exercise", "case", "answer"))
    places = table.numbers("retina_us") if "retina_us" in table else [math.nan] * len(table)
    for k, (learner, date, exercise, case, answer) in enumerate(
        zip(table.texts("learner"), table.texts("date"), table.texts("exercise"),
            table.whole_numbers("case"), table.texts("answer"), strict=True)
    ):  # fmt: skip
        where = f"{table.path}: line {table.lines[k]}"
        _check_code(learner, where)
        _check_date(date, where)
        if answer not in ("accept", "reject"):
            raise ParameterError(f"{where}: answer={answer!r}; write accept or reject")
        yield (learner, date, exercise), int(case), (answer == "reject", float(places[k]))


def _check_code(learner: str, where: str) -> None:
    if not _CODE.fullmatch(learner):
        raise ParameterError(
            f"{where}: learner={learner!r}: use a code of letters and digits with one digit at "
            "least, such as T07; never a name"
        )


def _check_date(date: str, where: str) -> None:
    try:
        datetime.date.fromisoformat(date)
    except ValueError:
        raise ParameterError(f"{where}: date={date!r}; write it as 2026-03-31") from None


def _result(
    group: tuple[str, str, str],
    given: Mapping[int, tuple[bool, float]],
    truth: Mapping[tuple[str, int], tuple[str, float, float]],
) -> Result:
    counts = {(spoilt, reject): 0 for spoilt in (True, False) for reject in (True, False)}
    off: list[float] = []
    missed: dict[str, int] = {}
    for case, (reject, place_us) in given.items():
        cause, retina_us, speed = truth[group[2], case]
        counts[cause != "", reject] += 1
        if cause and not reject:
            missed[cause] = missed.get(cause, 0) + 1
        error = 0.5 * (place_us - retina_us) * speed
        if math.isfinite(error):
            off.append(error)
    hits, misses = counts[True, True], counts[True, False]
    alarms, right = counts[False, True], counts[False, False]
    return Result(
        learner=group[0],
        date=group[1],
        exercise=group[2],
        n=len(given),
        detection=detection(hits, misses, alarms, right),
        kappa=cohen_kappa(hits, alarms, misses, right),
        pick_error_mm=float(np.mean(off)) if off else math.nan,
        pick_spread_mm=float(np.sqrt(np.mean(np.square(off)))) if off else math.nan,
        missed=missed,
    )


_WORDS = {
    "hit_rate": "share of spoilt traces that were rejected",
    "false_alarm_rate": "share of good traces that were rejected",
    "d_prime": "d', how well spoilt and good are told apart",
    "criterion": "criterion c; positive: accepts too readily",
    "kappa": "Cohen's kappa against the truth",
}


def write_results(results: Sequence[Result], path: str | Path) -> None:
    """Write results as a CSV table with its schema.

    Parameters
    ----------
    results : sequence of Result
    path : path

    Examples
    --------
    >>> write_results([], f"{folder}/results.csv")
    """
    fields = [
        Field(name="learner", type="string", description="code of the learner, never a name"),
        Field(name="date", type="string", description="year-month-day"),
        Field(name="exercise", type="string", description="name of the exercise"),
        Field(name="n", type="integer", description="traces judged"),
    ]
    columns: dict[str, list[object]] = {
        "learner": [r.learner for r in results],
        "date": [r.date for r in results],
        "exercise": [r.exercise for r in results],
        "n": [r.n for r in results],
    }
    for name in _ESTIMATES:
        for part, words in (
            ("", ""),
            ("_low", ", low end at 95 %"),
            ("_high", ", high end at 95 %"),
        ):
            fields.append(Field(name=name + part, type="number", description=_WORDS[name] + words))
            attribute = part.removeprefix("_") or "value"
            columns[name + part] = [getattr(r.estimate(name), attribute) for r in results]
    fields += [
        Field(name="pick_error_mm", type="number", unit="mm",
              description="mean misplacement of the retina, positive: too deep"),
        Field(name="pick_rms_mm", type="number", unit="mm",
              description="root mean square of the misplacement"),
        Field(name="missed", type="string", description="causes that were accepted, with counts"),
    ]  # fmt: skip
    columns["pick_error_mm"] = [r.pick_error_mm for r in results]
    columns["pick_rms_mm"] = [r.pick_spread_mm for r in results]
    columns["missed"] = [" ".join(f"{c}:{n}" for c, n in r.missed.items()) for r in results]
    write_table(path, fields, columns, description=f"Results of exercises. {SYNTHETIC}")


def read_results(paths: Sequence[str | Path]) -> list[Result]:
    """Read tables of results back.

    Parameters
    ----------
    paths : sequence of path

    Returns
    -------
    list of Result
        By learner and date.

    Raises
    ------
    FileFormatError
        No such table.
    ParameterError
        A learner who is no code, or a date that is none.

    Examples
    --------
    >>> write_results([], folder / "results.csv")
    >>> read_results([folder / "results.csv"])
    []
    """
    found = []
    for path in paths:
        table = read_csv_table(path)
        wanted = [n + part for n in _ESTIMATES for part in ("", "_low", "_high")]
        _columns(table, ("learner", "date", "exercise", "n", *wanted))
        numbers = {name: table.numbers(name) for name in ("n", *wanted)}
        picks = [
            table.numbers(name) if name in table else [math.nan] * len(table)
            for name in ("pick_error_mm", "pick_rms_mm")
        ]
        missed = table.texts("missed") if "missed" in table else [""] * len(table)
        for k in range(len(table)):
            where = f"{path}: line {table.lines[k]}"
            _check_code(table.texts("learner")[k], where)
            _check_date(table.texts("date")[k], where)
            estimates = {
                n: Estimate(*(float(numbers[n + p][k]) for p in ("", "_low", "_high")))
                for n in _ESTIMATES
            }
            kappa = estimates.pop("kappa")
            found.append(
                Result(
                    learner=table.texts("learner")[k],
                    date=table.texts("date")[k],
                    exercise=table.texts("exercise")[k],
                    n=int(numbers["n"][k]),
                    detection=Detection(**estimates),
                    kappa=kappa,
                    pick_error_mm=float(picks[0][k]),
                    pick_spread_mm=float(picks[1][k]),
                    missed={
                        cause: int(count)
                        for cause, _, count in (w.partition(":") for w in missed[k].split())
                        if cause in CAUSES and count.isdigit()
                    },
                )
            )
    return sorted(found, key=lambda r: (r.learner, r.date))


def course_figure(results: Sequence[Result]) -> Figure:
    r"""How each learner and the class get on: d' and criterion over the days.

    Parameters
    ----------
    results : sequence of Result

    Returns
    -------
    Figure

    Raises
    ------
    ParameterError
        There are no results.

    Examples
    --------
    >>> key, answers = folder / "key.csv", folder / "answers-T07.csv"
    >>> _ = key.write_text(
    ...     "exercise,case,cause,retina_us,vitreous_speed_mm_per_us\n"
    ...     "mine,1,,42.0,1.532\nmine,2,tilt,42.0,1.532\n"
    ... )
    >>> _ = answers.write_text(
    ...     "learner,date,exercise,case,answer\nT07,2026-03-31,mine,1,accept\n"
    ...     "T07,2026-03-31,mine,2,reject\n"
    ... )
    >>> course_figure(score_answers([answers], key)).savefig(folder / "course.png")
    """
    if not results:
        raise ParameterError("no results to draw")
    figure = new_figure(8.4, 6.4)
    upper, lower = figure.subplots(2, 1, sharex=True)
    _course(upper, results, "d_prime", "d′: spoilt told from good")
    _course(lower, results, "criterion", "criterion: above 0 accepts too readily")
    lower.set_xlabel("day of the exercise", fontsize=9)
    upper.legend(fontsize=8, frameon=False, loc="upper left", bbox_to_anchor=(1.0, 1.0))
    return figure


def results_text(results: Sequence[Result]) -> str:
    """Results as a table for the terminal.

    Parameters
    ----------
    results : sequence of Result

    Returns
    -------
    str

    Examples
    --------
    >>> results_text([])
    'no results'
    """
    if not results:
        return "no results"
    head = ["learner", "date", "exercise", "n", "hits", "false alarms", "d'", "criterion", "kappa",
            "retina (mm)", "missed"]  # fmt: skip
    rows = [
        [
            r.learner, r.date, r.exercise, str(r.n), _share(r.estimate("hit_rate")),
            _share(r.estimate("false_alarm_rate")), _with_interval(r.estimate("d_prime")),
            _with_interval(r.estimate("criterion")), _with_interval(r.kappa),
            _placed(r),
            ", ".join(f"{CAUSES[c]} ({n})" for c, n in r.missed.items()) or "none",
        ]
        for r in results
    ]  # fmt: skip
    wide = [max(len(row[k]) for row in (head, *rows)) for k in range(len(head))]
    return "\n".join(
        "  ".join(cell.ljust(w) for cell, w in zip(row, wide, strict=True)).rstrip()
        for row in (head, ["-" * w for w in wide], *rows)
    )


def _placed(r: Result) -> str:
    if math.isnan(r.pick_error_mm):
        return "-"
    return f"{r.pick_error_mm:+.2f} rms {r.pick_spread_mm:.2f}"


def _share(found: Estimate) -> str:
    return "-" if math.isnan(found.value) else f"{100 * found.value:.0f} %"


def _with_interval(found: Estimate) -> str:
    if math.isnan(found.value):
        return "-"
    return f"{found.value:.2f} ({found.low:.2f} to {found.high:.2f})"


_MARKERS = "osD^vPX*"
_LINES = ("-", "--", "-.", ":")


def _course(ax: Axes, results: Sequence[Result], name: str, label: str) -> None:
    quiet_axes(ax)
    by_day: dict[datetime.date, list[float]] = {}
    learners = sorted({r.learner for r in results})
    # Told apart by lightness, so in grey as well; and by marker and line.
    palette = tuple(INTERFACE_COLOURS.values())
    span = {datetime.date.fromisoformat(r.date).toordinal() for r in results}
    # Bars of one day stand beside one another.
    aside = max(0.012 * (max(span) - min(span)), 0.02)
    for k, learner in enumerate(learners):
        place = aside * (k - 0.5 * (len(learners) - 1))
        own = [r for r in results if r.learner == learner]
        days = [datetime.date.fromisoformat(r.date) for r in own]
        found = [r.estimate(name) for r in own]
        values = np.array([e.value for e in found])
        bars = np.array([[e.value - e.low, e.high - e.value] for e in found]).T
        ax.errorbar(
            [d.toordinal() + place for d in days], values, yerr=bars, color=palette[k % 6],
            marker=_MARKERS[k % 8], linestyle=_LINES[k % 4], linewidth=1.2, markersize=5,
            elinewidth=0.7, capsize=2, label=picture_text(learner),
        )  # fmt: skip
        for day, value in zip(days, values, strict=True):
            by_day.setdefault(day, []).append(float(value))
    if len(learners) > 1:
        days = sorted(by_day)
        mean = [float(np.nanmean(by_day[day])) for day in days]
        ax.plot([d.toordinal() for d in days], mean, color=COLOURS["ink"], linewidth=2.6,
                label="class (mean)", zorder=1, alpha=0.55)  # fmt: skip
    ax.axhline(0.0, color=COLOURS["muted"], linewidth=0.6)
    days = sorted(by_day)
    shown = days[:: max(1, math.ceil(len(days) / 8))]
    ax.set_xticks([d.toordinal() for d in shown], [d.isoformat() for d in shown], fontsize=7)
    ax.set_title(label, loc="left", fontsize=9.5, color=COLOURS["ink"])
    ax.set_ylabel("d′" if name == "d_prime" else "c", fontsize=9)
