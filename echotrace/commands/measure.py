"""``echotrace measure``: from a recording to lengths, and why not."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from echotrace.commands.arguments import (
    PAGES,
    InputFile,
    add_output,
    add_overwrite,
    add_toml,
    check_files,
    floating,
    integer,
)
from echotrace.commands.by_hand import add_hand_arguments, hand_options, read_hand
from echotrace.commands.first_run import prepare_kernels
from echotrace.commands.measure_long import LONG_TRACES, is_long, measure_long
from echotrace.commands.measure_once import json_of, measure_once, print_measured, write_measured
from echotrace.commands.process import complain, say, say_json
from echotrace.commands.truth import (
    HIDDEN_NAME,
    add_truth_arguments,
    blinded,
    truth_records,
)
from echotrace.errors import ParameterError

if TYPE_CHECKING:
    from echotrace.settings import Settings
    from echotrace.sittings.sitting import SittingSummary
    from echotrace.target import Target

SUMMARY = "Measure the lengths in a recording, scan by scan and sitting by sitting."
EXAMPLE = "echotrace measure synthetic_traces/immersion_sitting.h5 --report report.html"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command."""
    parser.add_argument(
        "recording",
        metavar="RECORDING",
        nargs="*",
        type=Path,
        action=InputFile,
        help="recording (native file); several are measured one after the other, and make one file "
        "each of what -o and --report name with {name} in it, like -o '{name}.csv'",
    )
    add_output(
        parser,
        "-o",
        "--output",
        suffixes=(".csv", ".h5"),
        repeatable=True,
        default=[],
        help="write every scan, accepted or not: .csv (with a table schema) or .h5; repeatable",
    )
    add_output(parser, "--report", suffixes=PAGES, metavar="FILE.html", help="write one HTML page")
    add_overwrite(parser)
    parser.add_argument("--json", action="store_true", help="print JSON instead of tables")
    parser.add_argument(
        "--details", action="store_true", help="all scans of every sitting, however many there are"
    )
    add_toml(parser, "--settings", "read settings")
    add_output(
        parser,
        "--write-settings",
        suffixes=(".toml",),
        metavar="FILE.toml",
        help="write all settings in force, and the gates of RECORDING if one is given, and stop",
    )
    add_toml(parser, "--template", "measured pulse, as `echotrace template` keeps it")
    add_toml(parser, "--target", "what the beam passes, for recordings that are not of an eye")
    parser.add_argument(
        "--block-log",
        metavar="LOG",
        type=Path,
        action=InputFile,
        help="log of a reference block (echotrace block --log): warn where it was out of tolerance",
    )
    parser.add_argument(
        "--implant-mm",
        metavar="MM",
        type=floating(0.2, 2.0, "mm"),
        help="thickness on the label of the implant: what its two echoes are checked against",
    )
    parser.add_argument(
        "--beside",
        metavar="MEASURED.h5",
        type=Path,
        action=InputFile,
        nargs="+",
        default=[],
        help="measured files of the same subject by immersion, this eye or the other: they say how "
        "far contact pressed",
    )
    parser.add_argument(
        "--resume",
        "--carry-on",
        action="store_true",
        help="take up an interrupted run that wrote one .h5 file; recordings of "
        f"{LONG_TRACES} scans and more are measured that way without being told",
    )
    parser.add_argument(
        "--workers",
        metavar="N",
        type=integer(1, 1024),
        help="threads; the results do not depend on it",
    )
    add_hand_arguments(parser)
    add_truth_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Measure, print, write."""
    from echotrace.files.decisions_file import bound_to
    from echotrace.files.native import read_measurement, read_recording
    from echotrace.settings import Settings, read_settings
    from echotrace.target import read_target

    settings = Settings() if args.settings is None else read_settings(args.settings)
    if args.implant_mm is not None:
        lengths = replace(settings.lengths, implant_mm=args.implant_mm)
        settings = replace(settings, lengths=lengths)
    if args.template is not None:
        from echotrace.signal.echo_template import read_template

        settings = replace(settings, template=read_template(args.template))
    target = None if args.target is None else read_target(args.target)
    if args.write_settings is not None:
        return _write_settings(args, settings, target)
    if not args.recording:
        raise ParameterError("give a RECORDING to measure, or --write-settings FILE.toml")
    several = len(args.recording) > 1
    if several and (hand_options(args) or args.resume):
        raise ParameterError(
            f"{len(args.recording)} recordings: --resume and what is decided by hand (--gate, "
            "--pick, --accept, --reject, --decisions, --write-decisions) go with one recording"
        )
    outputs = _outputs_of_each(args)
    decisions = read_hand(args)
    notes = _block_notes(args.block_log)
    beside = [read_measurement(path) for path in args.beside]
    code, records = 0, []
    told: list[tuple[SittingSummary, str]] = []
    for path, written in zip(args.recording, outputs, strict=True):
        args = argparse.Namespace(**{**vars(args), **written})
        recording = read_recording(path, lazy=True)
        prepare_kernels("measure", len(args.recording) * recording.n_traces)
        if decisions or args.decisions is not None:
            where = "" if args.decisions is None else str(args.decisions)
            decisions = bound_to(decisions, recording, path.name, where)
        truth = truth_records(recording, None, str(path)) if args.show_truth else []
        if args.hide_truth:
            recording = blinded(recording)
        if is_long(args, recording.n_traces):
            if truth:
                raise ParameterError(f"{path}: --show-truth is for sittings, not for long runs")
            code = max(code, measure_long(args, recording, settings, target, decisions))
            continue
        named = HIDDEN_NAME if args.hide_truth else str(path)
        if several and not args.json:
            say(f"{'' if path is args.recording[0] else chr(10)}{named}:")
        one = measure_once(
            recording,
            settings,
            target,
            decisions=decisions,
            beside=beside,
            workers=args.workers,
            notes=notes,
        )
        if truth:
            one = replace(one, truth=truth_records(recording, one.result, str(path)))
        write_measured(args, path, one)
        if args.json:
            records.append({"file": named} | json_of(one) if several else json_of(one))
        else:
            print_measured(args, one)
            told += [(summary, Path(named).name) for summary in one.summaries]
        code = max(code, 0 if all(item.acceptable for item in one.summaries) else 1)
    if several and len(told) > 1:
        from echotrace.report.measured_text import overview

        say("")
        say(overview([summary for summary, _ in told], [name for _, name in told]))
    if args.json and records:
        say_json({"recordings": records} if several else records[0])
    return code


_PLACE = "{name}"


def _outputs_of_each(args: argparse.Namespace) -> list[dict[str, Any]]:
    """What is written of each recording; of several, each has its name in that of the file."""
    named = [*args.output, *([] if args.report is None else [args.report])]
    if len(args.recording) > 1:
        for path in named:
            if _PLACE not in path.name:
                raise ParameterError(
                    f"{path}: {len(args.recording)} recordings make one file each; put {_PLACE} "
                    f"where the name of the recording belongs, like "
                    f"'{path.with_stem(_PLACE + '_' + path.stem)}'"
                )
    if not any(_PLACE in path.name for path in named):
        return [{}] * len(args.recording)
    made: list[dict[str, Any]] = []
    files: list[Path] = []
    for recording in args.recording:
        own = {path: path.with_name(path.name.replace(_PLACE, recording.stem)) for path in named}
        report = None if args.report is None else own[args.report]
        made.append({"output": [own[path] for path in args.output], "report": report})
        files += own.values()
    # The names as they will be: none exists, is read or is written twice.
    check_files(argparse.Namespace(**{**vars(args), "files_written": tuple(files)}))
    return made


def _block_notes(log: Path | None) -> list[str]:
    """What the log of a reference block says; a warning is said at once as well."""
    if log is None:
        return []
    from echotrace.reference_block.log import block_notes, read_block_log

    notes = block_notes(read_block_log(log), log)
    for note in notes:
        if note.startswith("WARNING"):
            complain("echotrace measure", note)
    return notes


def _write_settings(args: argparse.Namespace, settings: Settings, target: Target | None) -> int:
    from echotrace.chain.states import expand_gates
    from echotrace.files.atomic import save_text
    from echotrace.files.native import read_recording
    from echotrace.settings import settings_toml

    if len(args.recording) > 1:
        raise ParameterError("--write-settings takes the gates of one recording; give one")
    if args.recording:
        given = {item.gate.interface for item in settings.gates}
        settings = expand_gates(settings, read_recording(args.recording[0], lazy=True), target)
    save_text(args.write_settings, settings_toml(settings))
    say(f"wrote {args.write_settings}")
    for item in settings.gates if args.recording else ():
        if not item.gate.preset and item.gate.interface not in given:
            say(
                f"the gate of {item.gate.interface} spans the whole trace: narrow it to where that "
                "echo is"
            )
    return 0
