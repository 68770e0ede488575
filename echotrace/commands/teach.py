"""``echotrace teach``: plates, a page to play with, exercises, and how learners get on."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TypeVar

from echotrace.caution import CAUTION, SYNTHETIC
from echotrace.commands.arguments import InputFile, add_overwrite, integer
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
    plates.add_argument(
        "--recipe", metavar="FILE.toml", type=Path, action=InputFile,
        help="a lesson of your own (echotrace/teaching/lesson.toml is the one that ships)",
    )  # fmt: skip
    plates.add_argument(
        "--scan", metavar="N", type=integer(1), help="the spoilt scan of each file, from 1"
    )
    _add_folder(plates)


def _add_folder(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "-o", "--output", metavar="FOLDER", type=Path, required=True,
        help="folder to write to; made if it is not there",
    )  # fmt: skip
    add_overwrite(parser)


def run(args: argparse.Namespace) -> int:
    """Make what was asked for and say where it is."""
    return {"plates": _plates}[args.what](args)


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
    say(f"{SYNTHETIC if lesson else ''} {CAUTION}".strip())
    return 0
