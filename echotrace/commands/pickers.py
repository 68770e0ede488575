"""``echotrace pickers``: every picker on isolated echoes, beside the least error there can be."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from echotrace.commands.arguments import PICTURES, add_output, add_overwrite, floating, integer
from echotrace.commands.process import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from echotrace.bounds.picker_trials import PickerErrors

SUMMARY = "Hold every picker against the least error there can be."
EXAMPLE = "echotrace pickers --snr-db 10 20 30 40 50 --figure pickers.png"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command."""
    parser.add_argument(
        "--snr-db",
        type=floating(-40, 120, "dB"),
        nargs="+",
        default=[10.0, 15.0, 20.0, 30.0, 40.0, 50.0],
        metavar="DB",
        help="peak of the envelope over the noise of one sample (default: 10 to 50 dB)",
    )
    parser.add_argument(
        "--count", type=integer(16, 1_000_000), default=2000, metavar="N",
        help="echoes at each ratio (default: 2000)",
    )  # fmt: skip
    parser.add_argument(
        "--template",
        choices=("estimated", "described", "known"),
        default="estimated",
        help="template of our pickers: estimated from the traces (default), the probe's "
        "description 8 %% off, or the true pulse",
    )
    parser.add_argument(
        "--libraries", action="store_true",
        help="pickers of scipy and, where installed, obspy on the same traces, marked as outside",
    )  # fmt: skip
    parser.add_argument(
        "--centre-frequency-mhz", type=floating(0.1, 5000, "MHz"), default=10.0, metavar="MHZ",
        help="of the pulse (default: 10)",
    )  # fmt: skip
    parser.add_argument(
        "--fractional-bandwidth", type=floating(0.1, 1.6), default=0.6, metavar="RATIO",
        help="of the pulse, -6 dB (default: 0.6)",
    )  # fmt: skip
    parser.add_argument(
        "--sampling-rate-mhz", type=floating(0.1, 100_000, "MHz"), default=100.0, metavar="MHZ",
        help="default: 100",
    )  # fmt: skip
    parser.add_argument(
        "--seed", type=integer(0, 2**63 - 1), default=1, help="of noise, delays and phases"
    )
    add_output(parser, "--figure", suffixes=PICTURES, help="draw every picker beside the bound")
    add_output(
        parser, "-o", "--output", suffixes=(".csv",), metavar="TABLE.csv",
        help="write one row for each picker and ratio, with a table schema beside it",
    )  # fmt: skip
    add_overwrite(parser)


def run(args: argparse.Namespace) -> int:
    """Pick, print, write."""
    from tqdm import tqdm

    from echotrace.bounds.outside import library_pickers
    from echotrace.bounds.picker_trials import picker_errors
    from echotrace.signal.pulse import gaussian_pulse

    pulse = gaussian_pulse(
        args.sampling_rate_mhz * 1e6, args.centre_frequency_mhz * 1e6, args.fractional_bandwidth
    )
    quiet = not sys.stderr.isatty()
    with tqdm(total=len(args.snr_db), unit="ratio", disable=quiet, leave=False) as bar:

        def count(done: int, _: int) -> None:
            bar.update(done - bar.n)

        errors = picker_errors(
            sorted(args.snr_db),
            pulse=pulse,
            n=args.count,
            outside=library_pickers() if args.libraries else None,
            template=args.template,
            seed=args.seed,
            progress=count,
        )
    from echotrace.bounds.picker_text import picker_text

    say(picker_text(errors, args.template, args.seed))
    if args.figure is not None:
        from echotrace.figures.bounds import plot_picker_errors
        from echotrace.figures.style import new_figure
        from echotrace.report.page import save_figure

        figure = new_figure(7.2, 4.2)
        plot_picker_errors(errors, pulse, ax=figure.add_subplot())
        save_figure(figure, args.figure)
        say(f"wrote {args.figure}")
    if args.output is not None:
        _write(args.output, errors)
        say(f"wrote {args.output}")
    return 0


def _write(path: Path, errors: Sequence[PickerErrors]) -> None:
    from echotrace.files.table import Field, write_table

    named = {
        "snr_db": "peak of the envelope over the noise of one sample",
        "bound_us": "phase-free Cramér-Rao bound",
        "rmse_us": "root mean square error",
        "bias_us": "mean error",
        "sd_us": "standard deviation of the error",
        "stated_us": "root mean square of the stated standard uncertainty",
        "ratio": "root mean square error over the bound",
        "found": "share of echoes with a reading",
    }
    units = {"snr_db": "dB"} | {name: "us" for name in named if name.endswith("_us")}
    write_table(
        path,
        [
            Field(name="picker", type="string", description="name of the picker"),
            Field(name="outside", type="boolean", description="not one of echotrace's own"),
            *(
                Field(name=name, type="number", description=text, unit=units.get(name, ""))
                for name, text in named.items()
            ),
        ],
        {
            "picker": [item.picker for item in errors for _ in item.snr_db],
            "outside": [item.outside for item in errors for _ in item.snr_db],
            **{name: [v for item in errors for v in getattr(item, name)] for name in named},
        },
        description="Isolated synthetic echoes of known delay in white noise.",
    )
