"""``echotrace power``: what the measured lengths mean for the power of an implant."""

from __future__ import annotations

import argparse
import math
from pathlib import Path

from echotrace.commands.arguments import (
    PAGES,
    InputFile,
    add_output,
    add_overwrite,
    floating,
    integer,
)
from echotrace.commands.process import say, say_json

SUMMARY = "Say what a measured length means for an implant: power, refraction, how sure."

EXAMPLE = (
    "echotrace power measured.h5 --eye right --k1 43.50 --k2 44.25 --constant srk_t=118.4 "
    "--target -0.25 --history none"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command.

    Parameters
    ----------
    parser : argparse.ArgumentParser
        Of the command.
    """
    per_eye = "one number, or right=NUMBER left=NUMBER where both eyes are worked on"
    source = parser.add_argument_group("length")
    source.add_argument(
        "measured",
        metavar="MEASURED",
        nargs="?",
        type=Path,
        action=InputFile,
        help="measurement file (.h5), or its table (.csv)",
    )
    source.add_argument(
        "--axial-length-mm", nargs="+", metavar="MM", help=f"in place of a file: {per_eye}; mm"
    )
    source.add_argument(
        "--axial-length-u-mm",
        nargs="+",
        metavar="MM",
        help=f"its standard uncertainty: {per_eye}; mm",
    )
    source.add_argument(
        "--scans", type=integer(0, 1_000_000), default=0, help="accepted scans behind that length"
    )
    source.add_argument("--subject", help="code of the subject, where the file holds several")
    source.add_argument("--eye", choices=("right", "left"), help="work on this eye only")
    source.add_argument(
        "--method",
        choices=("contact", "immersion"),
        help="work on this method only; how a length given by --axial-length-mm was measured",
    )
    cornea = parser.add_argument_group("cornea and chamber")
    for name in ("k1", "k2"):
        cornea.add_argument(
            f"--{name}", nargs="+", metavar="D", help=f"keratometry as read: {per_eye}; D"
        )
    for name in ("r1", "r2"):
        cornea.add_argument(
            f"--{name}-mm", nargs="+", metavar="MM", help=f"or corneal radius: {per_eye}; mm"
        )
    cornea.add_argument(
        "--keratometric-index",
        type=floating(1.3, 1.4),
        default=1.3375,
        metavar="N",
        help="index with which the keratometer makes dioptres (default 1.3375)",
    )
    cornea.add_argument(
        "--chamber-mm",
        nargs="+",
        metavar="MM",
        help=f"chamber depth, corneal front to lens front, in place of the scans' own: {per_eye}",
    )
    lens = parser.add_argument_group("lens and target")
    lens.add_argument(
        "--constant",
        nargs="+",
        action="extend",
        required=True,
        metavar="FORMULA=VALUE",
        help="srk_t=A, hoffer_q=pACD, holladay_1=SF, haigis=a0,a1,a2, vergence=ELP; of the lens "
        "in question and of the way the length was measured",
    )
    lens.add_argument(
        "--convert",
        action="store_true",
        help="fill the other formulas with start values converted from the first constant",
    )
    lens.add_argument(
        "--constant-method",
        choices=("optical", "immersion", "contact"),
        default="",
        help="how the lengths were measured on which the constants were optimised; needed where "
        "the length is by contact: constants of contact lengths hold the mean of pressing already",
    )
    lens.add_argument(
        "--target",
        type=floating(-30, 30, "D"),
        required=True,
        metavar="D",
        help="wanted refraction in the spectacle plane, D; minus is myopic",
    )
    lens.add_argument("--vertex-mm", type=floating(0, 30, "mm"), default=12.0, metavar="MM")
    lens.add_argument(
        "--steps", type=integer(0, 20), default=3, metavar="N", help="steps of 0.5 D on either side"
    )
    about = parser.add_argument_group("what else is known of the eyes")
    about.add_argument(
        "--history",
        nargs="+",
        action="extend",
        default=[],
        metavar="WORD",
        help="what was found on asking: none, corneal_refractive_surgery, keratoconus, "
        "corneal_graft, silicone_oil, gas, aphakia, existing_implant, phakic_implant, piggyback; "
        "right=WORD for one eye",
    )
    about.add_argument(
        "--refraction", nargs="+", metavar="D", help=f"spherical equivalent now: {per_eye}; D"
    )
    about.add_argument("--age", type=floating(0, 130, "years"), default=math.nan, metavar="YEARS")
    about.add_argument(
        "--earlier-mm", nargs="+", metavar="MM", help=f"length in an earlier record: {per_eye}"
    )
    about.add_argument(
        "--limits",
        type=Path,
        action=InputFile,
        metavar="FILE",
        help="TOML file of changed plausibility limits",
    )
    spread = parser.add_argument_group(
        "standard uncertainty of the other inputs (published values where not given; 0 leaves out)"
    )
    spread.add_argument("--k-u", type=floating(0, 20, "D"), metavar="D")
    spread.add_argument("--chamber-u-mm", type=floating(0, 10, "mm"), metavar="MM")
    spread.add_argument("--lens-position-u-mm", type=floating(0, 10, "mm"), metavar="MM")
    spread.add_argument("--lens-power-u", type=floating(0, 20, "D"), metavar="D")
    spread.add_argument("--refraction-u", type=floating(0, 20, "D"), metavar="D")
    spread.add_argument(
        "--coverage",
        type=floating(0.5, 0.9999),
        default=0.95,
        help="content of the intervals (default 0.95)",
    )
    output = parser.add_argument_group("output")
    output.add_argument("--json", action="store_true", help="machine-readable output")
    add_output(output, "--report", suffixes=PAGES, metavar="PAGE.html", help="write a page as well")
    add_overwrite(output)


def run(args: argparse.Namespace) -> int:
    """Work the eyes out and print them.

    Parameters
    ----------
    args : argparse.Namespace
        As parsed.

    Returns
    -------
    int
        Exit code: 0, or 1 where an eye has no acceptable result.
    """
    from echotrace.commands.power_inputs import eye_lengths, power_settings
    from echotrace.power.study import study_eyes

    lengths = eye_lengths(args)
    settings = power_settings(args, lengths)
    studies = study_eyes(lengths, settings)
    if args.report is not None:
        from echotrace.files.atomic import save_text
        from echotrace.report.power_page import power_page

        save_text(args.report, power_page(studies, settings))
    if args.json:
        from echotrace.power.eye_cautions import FULL_CAUTION

        say_json({"caution": FULL_CAUTION, "eyes": [item.to_dict() for item in studies]})
    else:
        from echotrace.report.power_text import power_text

        say(power_text(studies, settings))
        if args.report is not None:
            say(f"\nwrote {args.report}")
    return 0 if all(item.acceptable for item in studies) else 1
