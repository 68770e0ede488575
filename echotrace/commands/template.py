"""``echotrace template``: measure the pulse on a named echo, keep it and look at it."""

from __future__ import annotations

import argparse
import math
import textwrap
from pathlib import Path

from echotrace.commands.arguments import InputFile, OutputFile, add_overwrite, add_toml
from echotrace.commands.process import say

SUMMARY = "Measure the pulse on an echo of a recording, to keep and to look at."
EXAMPLE = "echotrace template sitting.h5 --echo cornea_front -o pulse.toml --figure pulse.png"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command."""
    parser.add_argument("recording", metavar="RECORDING", type=Path, action=InputFile)
    parser.add_argument(
        "--echo",
        metavar="INTERFACE",
        required=True,
        help="interface whose echo is taken: one that mirrors and stands free, like cornea_front",
    )
    parser.add_argument(
        "--scan",
        metavar="N",
        nargs="+",
        default=[],
        help="scans, counted from 1, like 2 or 2 4 or 1-6 (default: all, up to the first 256)",
    )
    parser.add_argument(
        "-o", "--output", metavar="PULSE.toml", type=Path, action=OutputFile, suffixes=(".toml",),
        help="keep the pulse; `echotrace measure --template PULSE.toml` measures with it",
    )  # fmt: skip
    parser.add_argument(
        "--figure", metavar="FILE", type=Path, action=OutputFile, suffixes=(".png", ".pdf", ".svg"),
        help="draw it beside the pulse that the probe is said to send",
    )  # fmt: skip
    add_overwrite(parser)
    add_toml(parser, "--settings", "read settings")
    add_toml(parser, "--target", "what the beam passes, for recordings that are not of an eye")


def run(args: argparse.Namespace) -> int:
    """Measure the pulse, print, write."""
    from echotrace.caution import CAUTION, SYNTHETIC, is_synthetic
    from echotrace.chain.measured_template import measure_template
    from echotrace.commands.draw import scans_named
    from echotrace.files.native import read_recording
    from echotrace.settings import Settings, read_settings
    from echotrace.signal.pulse import gaussian_pulse, likeness
    from echotrace.target import read_target

    settings = Settings() if args.settings is None else read_settings(args.settings)
    target = None if args.target is None else read_target(args.target)
    recording = read_recording(args.recording, lazy=True)
    scans = scans_named(args.scan, recording.n_traces) if args.scan else None
    template = measure_template(recording, args.echo, scans=scans, settings=settings, target=target)
    probe = recording.probe
    pulse = template.pulse(recording.sampling_rate_hz)
    described = gaussian_pulse(
        recording.sampling_rate_hz, probe.centre_frequency_hz, probe.fractional_bandwidth
    )
    synthetic = is_synthetic(recording.attributes)
    if synthetic:
        say(SYNTHETIC)
    say(f"{template.source}:")
    for name, unit, measured, stated in (
        ("carrier", "MHz", 1e-6 * pulse.centre_frequency_hz, 1e-6 * probe.centre_frequency_hz),
        ("width", "µs", pulse.width_us, described.width_us),
    ):
        say(f"  {name} {measured:.3g} {unit}, as described {stated:.3g} {unit}")
    alike = likeness(pulse, described)
    loss_db = -20.0 * math.log10(alike)
    say(f"  likeness to the pulse as described {alike:.3f} (1: the same; {loss_db:.1f} dB lost)")
    if args.output is not None:
        from echotrace.files.template_file import write_template

        write_template(template, args.output)
        say(f"wrote {args.output}")
    if args.figure is not None:
        from echotrace.figures.style import mark_figure, new_figure
        from echotrace.figures.template import plot_template
        from echotrace.report.page import save_figure

        figure = new_figure(7.2, 3.6)
        plot_template(template, described, ax=figure.add_subplot())
        save_figure(mark_figure(figure, synthetic=synthetic), args.figure)
        say(f"wrote {args.figure}")
    say(textwrap.fill(CAUTION, 96))
    return 0
