"""``echotrace tune``: try settings on traces of known truth, report the best on other eyes."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from echotrace.commands.arguments import (
    PICTURES,
    InputFile,
    add_output,
    add_overwrite,
    add_toml,
    integer,
)
from echotrace.commands.process import say

SUMMARY = "Try settings on traces of known truth, and hold the best against the presets."
EXAMPLE = "echotrace tune family.toml --space space.toml -o sweep.csv --write-settings tuned.toml"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command."""
    parser.add_argument(
        "source", metavar="SCENARIO|RECORDING", type=Path, action=InputFile,
        help="scenario of a population of eyes (.toml), or a recording with its truth (.h5)",
    )  # fmt: skip
    parser.add_argument(
        "--space", metavar="FILE.toml", type=Path, action=InputFile, required=True,
        help="[factors]: settings with a list of values or {low, high}; [[condition]]: changes of "
        "the scenario",
    )  # fmt: skip
    parser.add_argument(
        "--design", choices=("grid", "sobol", "latin_hypercube", "search", "sensitivity"),
        default="sobol",
        help="which settings are tried (default sobol); search: differential evolution; "
        "sensitivity: for Sobol's indices",
    )  # fmt: skip
    parser.add_argument(
        "-n", "--settings-tried", type=integer(1, 1_000_000), default=64, metavar="N",
        help="settings, or values of each range of a grid (default 64)",
    )  # fmt: skip
    parser.add_argument(
        "--traces", type=integer(10, 10_000_000), default=1000, metavar="N",
        help="traces of a scenario, on each side (default 1000)",
    )  # fmt: skip
    parser.add_argument(
        "--seed", type=integer(0, 2**40), default=1, help="of eyes, noise and design (default 1)"
    )
    add_toml(parser, "--settings", "the presets that are varied (default: the built-in ones)")
    add_output(
        parser, "-o", "--output", suffixes=(".csv", ".h5"), required=True,
        help="table of all trials, .csv (with a table schema) or .h5",
    )  # fmt: skip
    add_output(
        parser, "--write-settings", suffixes=(".toml",), metavar="FILE.toml",
        help="the best settings, for measure --settings, with what justifies them",
    )  # fmt: skip
    add_output(parser, "--figure", suffixes=PICTURES, help="draw losses, gain and indices")
    parser.add_argument(
        "--resume", action="store_true", help="take up an interrupted run of the same output"
    )
    parser.add_argument("--workers", metavar="N", type=integer(1, 1024), help="threads")
    add_overwrite(parser)


def run(args: argparse.Namespace) -> int:
    """Tune, print, write."""
    from tqdm import tqdm

    from echotrace.many.run_folder import parts_folder
    from echotrace.settings import read_settings
    from echotrace.tuning.kept import finish
    from echotrace.tuning.report import tuning_text, write_tuned_settings, write_tuning_table
    from echotrace.tuning.sensitivity import sensitivity_of
    from echotrace.tuning.sweep import tune

    try:
        with tqdm(unit="trial", disable=not sys.stderr.isatty(), leave=False) as bar:

            def count(done: int, total: int) -> None:
                bar.total = total
                bar.update(done - bar.n)

            found = tune(
                args.source,
                args.space,
                design=args.design,
                n=args.settings_tried,
                traces=args.traces,
                seed=args.seed,
                settings=None if args.settings is None else read_settings(args.settings),
                output=args.output,
                resume=args.resume,
                workers=args.workers,
                progress=count,
            )
    except KeyboardInterrupt as stop:
        if parts_folder(args.output).exists():
            stop.add_note("the same command with --resume goes on from where it was")
        raise
    sensitivity = sensitivity_of(found) if args.design == "sensitivity" else None
    write_tuning_table(found, args.output)
    say(tuning_text(found, sensitivity))
    say(f"wrote {args.output}")
    if args.write_settings is not None:
        write_tuned_settings(found, args.write_settings)
        say(f"wrote {args.write_settings}")
    if args.figure is not None:
        from echotrace.figures.tuning import tuning_figure
        from echotrace.report.page import save_figure

        save_figure(tuning_figure(found, sensitivity), args.figure)
        say(f"wrote {args.figure}")
    finish(args.output)
    return 0
