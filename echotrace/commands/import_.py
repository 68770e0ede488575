"""``echotrace import``: bring traces of another program into a native file."""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from echotrace.caution import CAUTION
from echotrace.commands.arguments import InputFile, add_output, add_overwrite, floating, integer
from echotrace.commands.process import say
from echotrace.errors import ParameterError

if TYPE_CHECKING:
    from echotrace.recording import Probe, Receiver

SUMMARY = "Bring traces from NPY, NPZ, CSV, WAV, MAT or HDF5 into a recording file."
EXAMPLE = (
    "echotrace import scan.csv -o scan.h5 --signal rf --method immersion --eye right "
    "--lens-state phakic --centre-frequency-mhz 10"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command."""
    from echotrace.files.importing import FORMATS
    from echotrace.files.text import DELIMITERS, TIME_UNITS
    from echotrace.recording import Eye, LensState, Method, Signal
    from echotrace.target import IMPLANT_MATERIALS, VITREOUS_FILLINGS

    parser.add_argument(
        "source",
        metavar="SOURCE",
        nargs="+",
        type=Path,
        action=InputFile,
        help="file to import; several files, or a folder of them, become one sitting, trace by "
        "trace in the natural order of their names",
    )
    add_output(
        parser,
        "-o",
        "--output",
        suffixes=(".h5", ".hdf5", ".nc"),
        metavar="FILE.h5",
        help="recording file to write",
    )
    add_overwrite(parser)
    parser.add_argument(
        "--dry-run",
        action="store_true",
        help="show what is understood, and what is still to be said; write nothing",
    )

    parser.add_argument(
        "--description",
        type=Path,
        action=InputFile,
        metavar="FILE.toml",
        help="probe, or what all files of this origin share; options given here override it",
    )

    place = parser.add_argument_group("where in the file")
    place.add_argument(
        "--format",
        metavar="NAME",
        help=f"{', '.join(FORMATS)}, or one that an installed package reads; told from the content "
        "if not given",
    )
    place.add_argument("--variable", metavar="NAME", help="array with the traces, if several fit")
    place.add_argument(
        "--samples-first",
        action="store_true",
        default=None,
        help="each row is a sample, each column a trace",
    )
    place.add_argument("--delimiter", choices=tuple(DELIMITERS), help="between values of a text")
    place.add_argument("--decimal", choices=("point", "comma"), help="decimal mark of a text")
    place.add_argument(
        "--skip-lines",
        type=integer(0, 100_000),
        metavar="N",
        help="lines of a text in front of its numbers",
    )
    place.add_argument(
        "--index-column",
        action=argparse.BooleanOptionalAction,
        help="the first column of a text numbers its lines, or holds samples",
    )
    place.add_argument(
        "--other-files",
        action="store_true",
        default=None,
        help="follow an HDF5 file's links and storage into other files",
    )

    time = parser.add_argument_group("time")
    time.add_argument(
        "--sampling-rate-mhz", type=floating(), metavar="MHZ", help="sampling rate, MHz"
    )
    time.add_argument(
        "--sampling-rate-variable", metavar="NAME", help="variable holding the rate in Hz"
    )
    time.add_argument(
        "--start-delay-us",
        type=floating(),
        metavar="US",
        help="two-way delay of the first sample after the centre of the transmitted pulse, us",
    )
    time.add_argument(
        "--start-delay-variable", metavar="NAME", help="variable holding that delay in us"
    )
    time.add_argument(
        "--time-unit", choices=tuple(TIME_UNITS), help="unit of a time column that names none"
    )
    time.add_argument(
        "--ignore-file-timing",
        action="store_true",
        default=None,
        help="do not take rate and delay from a WAV header or a time column",
    )

    what = parser.add_argument_group("what was measured")
    what.add_argument("--signal", choices=[str(x) for x in Signal], help="what the samples are")
    what.add_argument(
        "--method", choices=[str(x) for x in Method], help="how the probe met the eye"
    )
    what.add_argument("--eye", choices=[str(x) for x in Eye][:2], help="which eye")
    what.add_argument(
        "--lens-state", choices=[str(x) for x in LensState][:3], help="state of the lens"
    )
    what.add_argument(
        "--lens-material", choices=IMPLANT_MATERIALS, help="material of an implanted lens"
    )
    what.add_argument(
        "--vitreous",
        choices=VITREOUS_FILLINGS,
        help="what fills the vitreous cavity (default: natural; oils by viscosity in cSt)",
    )
    what.add_argument(
        "--target",
        metavar="NAME",
        help="name of a block or plate instead of an eye; needs neither eye nor lens state",
    )
    what.add_argument("--subject", metavar="CODE", help="code of the subject, never a name")
    what.add_argument("--operator", metavar="CODE", help="code of who held the probe")
    what.add_argument(
        "--sitting", metavar="LABEL", help="traces taken without a break (default: 1)"
    )

    probe = parser.add_argument_group("probe")
    probe.add_argument(
        "--centre-frequency-mhz", type=floating(), metavar="MHZ", help="centre frequency, MHz"
    )
    probe.add_argument(
        "--fractional-bandwidth",
        type=floating(),
        metavar="RATIO",
        help="-6 dB pulse-echo bandwidth over centre frequency, without unit (default: 0.6)",
    )
    for option, meaning in (
        ("--aperture-mm", "diameter of the active disc, mm"),
        ("--focus-mm", "distance of the geometric focus in water, mm"),
        ("--face-delay-us", "two-way delay of the probe's face, us; needed for contact"),
        ("--face-delay-u-us", "standard uncertainty of that delay, us"),
    ):
        metavar = "MM" if option.endswith("mm") else "US"
        probe.add_argument(option, type=float, metavar=metavar, help=meaning)

    receiver = parser.add_argument_group("receiver")
    receiver.add_argument(
        "--bits",
        type=integer(0, 16),
        metavar="N",
        help="bits of the converter; 0 where samples are floats",
    )
    receiver.add_argument(
        "--full-scale",
        type=floating(),
        metavar="V",
        help="magnitude at which the converter clips, V",
    )
    receiver.add_argument("--gain-db", type=floating(), metavar="DB", help="gain of all traces, dB")
    receiver.add_argument(
        "--tgc-delay-us",
        type=floating(),
        nargs="+",
        metavar="US",
        help="nodes of the time gain, us",
    )
    receiver.add_argument(
        "--tgc-gain-db", type=floating(), nargs="+", metavar="DB", help="gain at these nodes, dB"
    )


def run(args: argparse.Namespace) -> int:
    """Import the file and say in one line what was written."""
    from echotrace.chain.stated import warn_of_stated
    from echotrace.files.description import ImportDescription, read_description
    from echotrace.files.importing import import_recording
    from echotrace.files.native import write_recording

    described = ImportDescription()
    if args.description is not None:
        described = read_description(args.description)
    names = (
        "format", "variable", "samples_first", "sampling_rate_variable", "start_delay_us",
        "start_delay_variable", "ignore_file_timing", "delimiter", "decimal", "time_unit",
        "skip_lines", "index_column", "other_files",
        "signal", "method", "eye", "lens_state", "lens_material", "vitreous", "target",
        "subject", "operator", "sitting", "gain_db",
    )  # fmt: skip
    details = _given(args, names)
    if args.sampling_rate_mhz is not None:
        details["sampling_rate_hz"] = args.sampling_rate_mhz * 1e6
    details["probe"] = _probe(args, described.probe)
    details["receiver"] = _receiver(args, described.receiver)
    if args.dry_run:
        from echotrace.files.preview import preview_text

        say(preview_text(args.source, described.with_details(**details)))
        say("nothing was written (--dry-run)")
        return 0
    if args.output is None:
        raise ParameterError("-o FILE.h5 is needed, or --dry-run to see what is understood")
    recording = import_recording(args.source, described, **details)
    warn_of_stated(recording)
    write_recording(recording, args.output)
    n = recording.n_traces
    say(
        f"wrote {args.output}: {n} trace{'' if n == 1 else 's'} of {recording.n_samples} samples "
        f"({recording.samples.dtype}) at {recording.sampling_rate_hz / 1e6:g} MHz from "
        f"{recording.start_delay_us:g} us, {recording.signal}, "
        f"{'/'.join(recording.method.present)}, {_subject_of(recording)}; "
        f"from {recording.attributes['source']}"
    )
    say(textwrap.fill(CAUTION, 96))
    return 0


def _given(args: argparse.Namespace, names: Iterable[str]) -> Any:
    """Those of the options that were given."""
    return {name: getattr(args, name) for name in names if getattr(args, name) is not None}


def _probe(args: argparse.Namespace, described: Probe | None) -> Probe | None:
    from echotrace.recording import Probe

    names = ("fractional_bandwidth", "aperture_mm", "focus_mm", "face_delay_us", "face_delay_u_us")
    told = _given(args, names)
    if args.centre_frequency_mhz is not None:
        told["centre_frequency_hz"] = args.centre_frequency_mhz * 1e6
    if described is not None:
        return replace(described, **told)
    return Probe(**told) if "centre_frequency_hz" in told else None


def _receiver(args: argparse.Namespace, described: Receiver | None) -> Receiver | None:
    from echotrace.errors import MissingDetailError
    from echotrace.recording import Receiver

    told = _given(args, ("bits", "full_scale", "tgc_delay_us", "tgc_gain_db"))
    if described is not None:
        return replace(described, **told)
    if told and not {"bits", "full_scale"} <= told.keys():
        raise MissingDetailError(
            "a receiver is described by --full-scale and --bits together (--bits 0 where samples "
            "are floats), with --tgc-delay-us and --tgc-gain-db if it has a time gain"
        )
    return Receiver(**told) if told else None


def _subject_of(recording: Any) -> str:
    if recording.target.present != ("eye",):
        return f"target {'/'.join(recording.target.present)}"
    return f"{'/'.join(recording.eye.present)} eye, {'/'.join(recording.lens_state.present)}"
