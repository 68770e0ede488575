"""``echotrace block``: check the instrument on a block of known thickness, and keep a log of it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from echotrace.commands.arguments import (
    PICTURES,
    InputFile,
    add_output,
    add_overwrite,
    add_toml,
    floating,
)
from echotrace.commands.process import say
from echotrace.errors import ParameterError

if TYPE_CHECKING:
    from echotrace.media import Medium
    from echotrace.reference_block.check import BlockCheck

SUMMARY = "Check the instrument on a block of known thickness, and keep its log."
EXAMPLE = (
    "echotrace block wedge.h5 --thickness 2 5 10 --thickness-u 0.002 --material steel "
    "--temperature 21 --tolerance 0.05 --log block.log"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command."""
    parser.add_argument(
        "recording", metavar="RECORDING", nargs="?", type=Path, action=InputFile,
        help="traces of the block (native file); left out: the log is shown",
    )  # fmt: skip
    parser.add_argument(
        "--thickness", type=floating(0, 1e4, "mm", above=True), nargs="+", metavar="MM",
        help="of the block, mm; of a wedge one for each sitting in the file, in their order",
    )  # fmt: skip
    parser.add_argument(
        "--thickness-u", type=floating(0, 100, "mm", above=True), nargs="+", default=[0.005],
        metavar="MM", help="standard uncertainty of the thickness, mm (default 0.005)",
    )  # fmt: skip
    parser.add_argument("--material", metavar="NAME", help="a built-in medium, such as steel")
    parser.add_argument(
        "--speed", type=floating(100, 20000, "m/s"), metavar="M/S",
        help="speed of sound of the block at its temperature instead of a built-in medium's",
    )  # fmt: skip
    parser.add_argument(
        "--speed-u", type=floating(0, 1000, "m/s"), metavar="M/S",
        help="its standard uncertainty, m/s; needed with --speed, replaces a built-in one",
    )  # fmt: skip
    parser.add_argument(
        "--temperature", type=floating(-20, 90, "°C"), default=20.0, metavar="C",
        help="of the block, °C (default 20)",
    )  # fmt: skip
    parser.add_argument(
        "--temperature-u", type=floating(0, 20, "°C"), default=0.5, metavar="C",
        help="its standard uncertainty, °C (default 0.5)",
    )  # fmt: skip
    parser.add_argument(
        "--tolerance", type=floating(0, 100, "mm", above=True), metavar="MM",
        help="largest length error allowed, mm",
    )  # fmt: skip
    parser.add_argument(
        "--first-echo", choices=("front", "back"),
        help="what the earliest echo of the block is (default: back in contact, else front)",
    )  # fmt: skip
    parser.add_argument(
        "--after-us", type=floating(0, 1e6, "us"), metavar="US",
        help="delay before which nothing counts: transmit pulse and ringing",
    )  # fmt: skip
    add_toml(parser, "--settings", "settings (TOML): picker, template, clock")
    parser.add_argument(
        "--log", metavar="LOG", type=Path,
        help="log to append the check to, or to show; it is never overwritten",
    )  # fmt: skip
    parser.add_argument(
        "--block", default="block", metavar="NAME", help="name of the block in the log"
    )
    parser.add_argument(
        "--operator", default="unnamed", metavar="CODE", help="code of who checked, never a name"
    )
    add_output(
        parser, "--write-probe", suffixes=(".toml",), metavar="FILE.toml",
        help="write the probe with its measured face delay, for import --description",
    )  # fmt: skip
    add_output(parser, "--figure", suffixes=PICTURES, help="draw the fit and the errors")
    add_output(
        parser, "--chart", suffixes=PICTURES,
        help="draw the log as an individuals and moving-range chart",
    )  # fmt: skip
    add_overwrite(parser)


def run(args: argparse.Namespace) -> int:
    """Check, print, log; or show the log. 1 where a tolerance was not kept."""
    if args.recording is None and args.log is None:
        raise ParameterError("give a RECORDING of a block, or --log FILE to show its log")
    if args.log is None and args.chart is not None:
        raise ParameterError("--chart draws a log: give --log FILE")
    code = 0
    if args.recording is None:
        if args.figure is not None or args.write_probe is not None:
            raise ParameterError("--figure and --write-probe need a RECORDING of a block")
    else:
        code = _check(args)
    if args.log is not None:
        _show_log(args)
    return code


def _material(args: argparse.Namespace) -> Medium:
    from dataclasses import replace

    from echotrace.media import Medium, medium

    if (args.material is None) == (args.speed is None):
        raise ParameterError("give either --material NAME or --speed M/S of the block")
    if args.material is not None:
        built_in = medium(args.material)
        return built_in if args.speed_u is None else replace(built_in, speed_u_m_per_s=args.speed_u)
    if args.speed_u is None:
        raise ParameterError("--speed needs --speed-u, its standard uncertainty in m/s")
    return Medium(
        name="stated", speed_m_per_s=args.speed, speed_u_m_per_s=args.speed_u, source="command line"
    )


def _check(args: argparse.Namespace) -> int:
    from echotrace.files.description import ImportDescription, write_description
    from echotrace.files.native import read_recording
    from echotrace.reference_block.check import check_block
    from echotrace.reference_block.log import append_record, block_record
    from echotrace.reference_block.text import block_text
    from echotrace.settings import read_settings

    if args.thickness is None:
        raise ParameterError("--thickness MM of the block must be given")
    material = _material(args)
    settings = None if args.settings is None else read_settings(args.settings)
    found = check_block(
        read_recording(args.recording),
        args.thickness if len(args.thickness) > 1 else args.thickness[0],
        material=material,
        thickness_u_mm=args.thickness_u if len(args.thickness_u) > 1 else args.thickness_u[0],
        temperature_c=args.temperature,
        temperature_u_c=args.temperature_u,
        tolerance_mm=args.tolerance,
        first=args.first_echo,
        after_us=args.after_us,
        settings=settings,
    )
    say(block_text(found, material=material.name, tolerance_mm=args.tolerance))
    if args.write_probe is not None:
        _check_face(found)
        write_description(ImportDescription(probe=found.probe), args.write_probe)
        say(f"wrote {args.write_probe}")
    if args.figure is not None:
        from echotrace.figures.reference_block import block_figure
        from echotrace.report.page import save_figure

        save_figure(block_figure(found, tolerance_mm=args.tolerance), args.figure)
        say(f"wrote {args.figure}")
    if args.log is not None:
        record = block_record(
            found,
            block=args.block,
            material=material.name,
            recording=args.recording.name,
            operator=args.operator,
            tolerance_mm=args.tolerance,
        )
        append_record(args.log, record)
        say(f"appended to {args.log}")
    return 1 if found.verdict in ("fail", "undecided") else 0


def _check_face(found: BlockCheck) -> None:
    if not found.touching:
        raise ParameterError(
            "--write-probe: the earliest echo is the block's front, so the delay of the probe's "
            "face is not measured; touch the block, and say --first-echo back if it was touched"
        )
    if found.intercept_us < 0.0:
        raise ParameterError(
            f"--write-probe: the face lies at {found.intercept_us:.4f} us, before delay zero: look "
            "at the recording's start delay, --after-us and --first-echo"
        )


def _show_log(args: argparse.Namespace) -> None:
    import math

    from echotrace.reference_block.chart import individuals_chart
    from echotrace.reference_block.log import block_notes, read_block_log
    from echotrace.reference_block.text import chart_text
    from echotrace.text_out import visible

    records = read_block_log(args.log)
    say("\n".join(block_notes(records, args.log)))
    for block in dict.fromkeys(record.block for record in records):
        errors = [r.error_mm for r in records if r.block == block and math.isfinite(r.error_mm)]
        if len(errors) > 1:
            say(chart_text(individuals_chart(errors), visible(block)))
    if args.chart is not None:
        from echotrace.figures.reference_block import block_log_figure
        from echotrace.report.page import save_figure

        save_figure(block_log_figure(records), args.chart)
        say(f"wrote {args.chart}")
