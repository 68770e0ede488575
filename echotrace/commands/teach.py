"""``echotrace teach``: plates, a page to play with, exercises, and how learners get on."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TypeVar

from echotrace.caution import CAUTION, SYNTHETIC
from echotrace.commands.arguments import (
    PAGES,
    PICTURES,
    InputFile,
    add_output,
    add_overwrite,
    add_toml,
    integer,
)
from echotrace.commands.process import say

SUMMARY = "Teach: plates of good and spoilt traces, a page to play with, exercises."
EXAMPLE = "echotrace teach plates -o lesson"

T = TypeVar("T")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command and of what it can make."""
    kinds = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    plates = kinds.add_parser(
        "plates",
        help="the same eye held well and spoilt, as pictures, document and page",
        description="Plates: each shows an eye held well above and spoilt below. Without files the "
        "lesson of twelve that ships.",
        allow_abbrev=False,
    )
    plates.add_argument(
        "source",
        metavar="SCENARIO|RECORDING",
        nargs="*",
        type=Path,
        action=InputFile,
        help="scenario (.toml) or recording (.h5), one plate each",
    )
    add_toml(
        plates,
        "--recipe",
        "a lesson of your own (echotrace/teaching/lesson.toml is the one that ships)",
    )
    plates.add_argument(
        "--scan", metavar="N", type=integer(1), help="the spoilt scan of each file, from 1"
    )
    _add_folder(plates)
    page = kinds.add_parser(
        "page",
        help="one page with sliders: tilt, aim, gain, pressing, gel, lens",
        description="A page to play with, without server or network. Making it takes a minute or "
        "two: every step is synthesised and measured.",
        allow_abbrev=False,
    )
    add_output(
        page, "-o", "--output", suffixes=PAGES, metavar="FILE.html", required=True,
        help="page to write",
    )  # fmt: skip
    add_overwrite(page)
    exercise = kinds.add_parser(
        "exercise",
        help="traces to judge, as a page and as a sheet with the key apart",
        description="An exercise: page, sheet to print, key to print, key as a table.",
        allow_abbrev=False,
    )
    exercise.add_argument("--count", metavar="N", type=integer(1, 200), default=20, help="traces")
    exercise.add_argument("--seed", metavar="S", type=integer(0, 2**53), default=0, help="seed")
    exercise.add_argument(
        "--level", metavar="LEVEL", default="beginner", help="beginner, trained, expert"
    )
    add_toml(
        exercise,
        "--recipe",
        "levels of your own (echotrace/teaching/exercise.toml holds those that ship)",
    )
    _add_folder(exercise)
    score = kinds.add_parser(
        "score",
        help="hold answers against a key",
        description="Scores of learners: hit rate, false alarms, d', criterion, kappa, misplaced "
        "retinas, causes that were missed.",
        allow_abbrev=False,
    )
    score.add_argument(
        "answers", metavar="ANSWERS.csv", nargs="+", type=Path, action=InputFile,
        help="as the page saves them: learner,date,exercise,case,answer,cause,retina_us",
    )  # fmt: skip
    score.add_argument(
        "--key", metavar="KEY.csv", type=Path, required=True, action=InputFile, help="the key"
    )
    add_output(
        score, "-o", "--output", suffixes=(".csv",), metavar="RESULTS.csv",
        help="table to write",
    )  # fmt: skip
    add_overwrite(score)
    results = kinds.add_parser(
        "results",
        help="how learners get on over weeks",
        description="Draws d' and criterion of each learner and of the class over the days.",
        allow_abbrev=False,
    )
    results.add_argument(
        "results", metavar="RESULTS.csv", nargs="+", type=Path, action=InputFile,
        help="tables that 'teach score' wrote",
    )  # fmt: skip
    add_output(
        results, "-o", "--output", suffixes=PICTURES, metavar="FILE.png|pdf|svg",
        help="picture to write",
    )  # fmt: skip
    add_overwrite(results)


def _add_folder(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "-o", "--output", metavar="FOLDER", type=Path, required=True,
        help="folder to write to; made if it is not there",
    )  # fmt: skip
    add_overwrite(parser)


def run(args: argparse.Namespace) -> int:
    """Make what was asked for and say where it is."""
    commands = {
        "plates": _plates,
        "page": _page,
        "exercise": _exercise,
        "score": _score,
        "results": _results,
    }
    return commands[args.what](args)


def _shown(items: Sequence[T]) -> Iterable[T]:
    """The items, with a bar on a terminal."""
    from tqdm import tqdm

    return tqdm(items, file=sys.stderr, disable=not sys.stderr.isatty(), leave=False)


def _make_folder(folder: Path) -> None:
    from echotrace.errors import FileFormatError
    from echotrace.files.atomic import writing

    if folder.exists() and not folder.is_dir():
        raise FileFormatError(f"-o {folder}: is a file; give a folder")
    with writing(folder):
        folder.mkdir(exist_ok=True)


def _plates(args: argparse.Namespace) -> int:
    from echotrace.errors import ParameterError
    from echotrace.files.atomic import check_outputs
    from echotrace.teaching.plate_page import lesson_files, write_lesson
    from echotrace.teaching.plates import plate_of_file, plate_of_recipe
    from echotrace.teaching.recipe import read_lesson, shipped_lesson

    if args.source and args.recipe:
        raise ParameterError("give files or --recipe, not both")
    if args.scan and not args.source:
        raise ParameterError("--scan N says which scan of a file is shown; give the file")
    scan = None if args.scan is None else args.scan - 1
    lesson = None
    if not args.source:
        lesson = shipped_lesson() if args.recipe is None else read_lesson(args.recipe)
    names = [p.stem for p in args.source] if lesson is None else [p.name for p in lesson.plates]
    _make_folder(args.output)
    check_outputs(
        lesson_files(names, args.output), getattr(args, "files_read", ()), overwrite=args.overwrite
    )
    if lesson is None:
        plates = [plate_of_file(path, scan=scan) for path in _shown(args.source)]
    else:
        plates = [plate_of_recipe(recipe, lesson.seed) for recipe in _shown(lesson.plates)]
    title = "Plates" if lesson is None else lesson.title
    for path in write_lesson(plates, title, args.output):
        say(f"wrote {path}")
    invented = all(plate.spoilt.recording.truth is not None for plate in plates)
    say(f"{SYNTHETIC if invented else ''} {CAUTION}".strip())
    return 0


def _page(args: argparse.Namespace) -> int:
    from echotrace.files.atomic import save_text
    from echotrace.teaching.play_page import play_page

    save_text(args.output, play_page(_shown))
    say(f"wrote {args.output}")
    say(f"{SYNTHETIC} {CAUTION}")
    return 0


def _exercise(args: argparse.Namespace) -> int:
    from echotrace.files.atomic import check_outputs
    from echotrace.teaching.exercise import make_exercise, read_levels
    from echotrace.teaching.exercise_page import exercise_files, write_exercise

    levels = read_levels(args.recipe)
    name = f"{args.level}-{args.count}-{args.seed}"
    if args.level in levels:
        _make_folder(args.output)
        check_outputs(
            exercise_files(name, args.output),
            getattr(args, "files_read", ()),
            overwrite=args.overwrite,
        )
    for path in write_exercise(
        make_exercise(args.count, args.seed, args.level, levels), args.output
    ):
        say(f"wrote {path}")
    say(f"{SYNTHETIC} {CAUTION}")
    return 0


def _score(args: argparse.Namespace) -> int:
    from echotrace.teaching.results import results_text, score_answers, write_results

    results = score_answers(args.answers, args.key)
    say(results_text(results))
    if args.output is not None:
        write_results(results, args.output)
        say(f"wrote {args.output}")
    say(f"{SYNTHETIC} {CAUTION}")
    return 0


def _results(args: argparse.Namespace) -> int:
    from echotrace.figures.style import mark_figure
    from echotrace.report.page import save_figure
    from echotrace.teaching.results import course_figure, read_results, results_text

    results = read_results(args.results)
    say(results_text(results))
    if args.output is not None:
        save_figure(mark_figure(course_figure(results), synthetic=True), args.output)
        say(f"wrote {args.output}")
    say(f"{SYNTHETIC} {CAUTION}")
    return 0
