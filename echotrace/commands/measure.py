"""``echotrace measure``: from a recording to lengths, and why not."""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from echotrace.commands.arguments import InputFile, OutputFile, add_overwrite, integer
from echotrace.commands.by_hand import add_hand_arguments, hand_options, read_hand, write_hand
from echotrace.commands.process import say, say_json
from echotrace.errors import ParameterError

if TYPE_CHECKING:
    from echotrace.decisions import Decisions
    from echotrace.measurement import Measurement
    from echotrace.recording import Recording
    from echotrace.settings import Settings
    from echotrace.sittings.sitting import SittingSummary
    from echotrace.sittings.sitting_quality import SittingJudgement
    from echotrace.target import Target

SUMMARY = "Measure the lengths in a recording, scan by scan and sitting by sitting."
EXAMPLE = "echotrace measure synthetic_traces/immersion_sitting.h5 --report report.html"

# From here on results are written as they come and only totals are printed.
_LONG_TRACES = 100_000


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command."""
    parser.add_argument(
        "recording",
        metavar="RECORDING",
        nargs="*",
        type=Path,
        action=InputFile,
        help="recording (native file); several are measured one after the other",
    )
    parser.add_argument(
        "-o",
        "--output",
        metavar="FILE",
        type=Path,
        action=OutputFile,
        suffixes=(".csv", ".h5"),
        repeatable=True,
        default=[],
        help="write every scan, accepted or not: .csv (with a table schema) or .h5; repeatable",
    )
    parser.add_argument(
        "--report",
        metavar="FILE.html",
        type=Path,
        action=OutputFile,
        suffixes=(".html", ".htm"),
        help="write one HTML page",
    )
    add_overwrite(parser)
    parser.add_argument("--json", action="store_true", help="print JSON instead of tables")
    parser.add_argument(
        "--details", action="store_true", help="all scans of every sitting, however many there are"
    )
    parser.add_argument(
        "--settings", metavar="FILE.toml", type=Path, action=InputFile, help="read settings"
    )
    parser.add_argument(
        "--write-settings",
        metavar="FILE.toml",
        type=Path,
        action=OutputFile,
        suffixes=(".toml",),
        help="write all settings in force, and the gates of RECORDING if one is given, and stop",
    )
    parser.add_argument(
        "--target",
        metavar="FILE.toml",
        type=Path,
        action=InputFile,
        help="what the beam passes, for recordings that are not of an eye",
    )
    parser.add_argument(
        "--resume",
        "--carry-on",
        action="store_true",
        help="take up an interrupted run that wrote one .h5 file; recordings of "
        f"{_LONG_TRACES} scans and more are measured that way without being told",
    )
    parser.add_argument(
        "--workers",
        metavar="N",
        type=integer(1, 1024),
        help="threads; the results do not depend on it",
    )
    add_hand_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Measure, print, write."""
    from echotrace.settings import Settings, read_settings
    from echotrace.target import read_target

    settings = Settings() if args.settings is None else read_settings(args.settings)
    target = None if args.target is None else read_target(args.target)
    if args.write_settings is not None:
        return _write_settings(args, settings, target)
    if not args.recording:
        raise ParameterError("give a RECORDING to measure, or --write-settings FILE.toml")
    several = len(args.recording) > 1
    if several and (args.output or args.report or hand_options(args) or args.resume):
        raise ParameterError(
            f"{len(args.recording)} recordings are measured and printed only; -o, --report, "
            "--resume and what is decided by hand (--gate, --pick, --accept, --reject, "
            "--decisions, --write-decisions) go with one recording"
        )
    decisions = read_hand(args)
    code, records = 0, []
    from echotrace.files.decisions_file import bound_to
    from echotrace.files.native import read_recording

    for path in args.recording:
        recording = read_recording(path, lazy=True)
        if decisions or args.decisions is not None:
            decisions = bound_to(
                decisions,
                recording,
                path.name,
                "" if args.decisions is None else str(args.decisions),
            )
        if args.resume or (recording.n_traces >= _LONG_TRACES and _only_native(args)):
            return _stream(args, recording, settings, target, decisions)
        if several and not args.json:
            say(f"{'' if path is args.recording[0] else chr(10)}{path}:")
        one = _measure(args, recording, settings, target, decisions)
        _write(args, path, one)
        if args.json:
            records.append({"file": str(path)} | _json(one) if several else _json(one))
        else:
            _print(args, one)
        code = max(code, 0 if all(item.acceptable for item in one.summaries) else 1)
    if args.json:
        say_json({"recordings": records} if several else records[0])
    return code


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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measured:
    """A recording, and all that is said of it."""

    recording: Recording
    settings: Settings
    target: Target | None
    decisions: Decisions
    result: Measurement
    summaries: list[SittingSummary]
    judgements: list[SittingJudgement]
    made_with: list[str]


def _measure(
    args: argparse.Namespace,
    recording: Recording,
    settings: Settings,
    target: Target | None,
    decisions: Decisions,
) -> _Measured:
    from echotrace.chain.measure import measure
    from echotrace.report.made_with import made_with
    from echotrace.sittings.sitting import summarise
    from echotrace.sittings.sitting_quality import judge_sittings

    with _progress(recording.n_traces) as advance:
        result = measure(
            recording,
            settings,
            target=target,
            decisions=decisions,
            progress=advance,
            workers=args.workers,
        )
    said = made_with(recording, settings, target)
    # Kept with the numbers wherever they go.
    result = replace(result, attributes={**result.attributes, "made_with": "\n".join(said)})
    return _Measured(
        recording=recording,
        settings=settings,
        target=target,
        decisions=decisions,
        result=result,
        summaries=summarise(result, settings.sitting),
        judgements=judge_sittings(result, limits=settings.sitting),
        made_with=said,
    )


def _write(args: argparse.Namespace, source: Path, one: _Measured) -> None:
    from echotrace.files.atomic import save_text
    from echotrace.files.native import write_measurement
    from echotrace.files.table import write_measurement_table

    for path in args.output:
        write = write_measurement_table if path.suffix.lower() == ".csv" else write_measurement
        write(one.result, path)
    if args.report is not None:
        from echotrace.report.measured import measurement_page

        page = measurement_page(
            one.recording,
            one.result,
            one.summaries,
            one.settings,
            source=source.name,
            target=one.target,
            judgements=one.judgements,
            decisions=one.decisions,
        )
        save_text(args.report, page)
    write_hand(args, one.recording, one.decisions)


def _print(args: argparse.Namespace, one: _Measured) -> None:
    from echotrace.report.measured_text import measurement_text

    say(
        measurement_text(
            one.result,
            one.summaries,
            one.settings.quality,
            judgements=one.judgements,
            made_with=one.made_with,
            details=args.details,
        )
    )
    for path in (*args.output, args.report, args.write_decisions):
        if path is not None:
            say(f"wrote {path}")


def _only_native(args: argparse.Namespace) -> bool:
    """Whether the one thing to be written is a native file."""
    one = len(args.output) == 1 and args.output[0].suffix.lower() == ".h5"
    return one and args.report is None


def _stream(
    args: argparse.Namespace,
    recording: Recording,
    settings: Settings,
    target: Target | None,
    decisions: Decisions,
) -> int:
    """Measure at constant memory, write block by block, print totals."""
    from echotrace.caution import CAUTION
    from echotrace.many.run_folder import parts_folder
    from echotrace.many.to_file import measure_to_file
    from echotrace.report.text import wrapped

    if not _only_native(args):
        raise ParameterError("--resume goes with one -o FILE.h5 and without --report")
    path = args.output[0]
    try:
        with _progress(recording.n_traces, resume=args.resume) as advance:
            summary = measure_to_file(
                recording,
                path,
                settings,
                target=target,
                decisions=decisions,
                resume=args.resume,
                workers=args.workers,
                progress=advance,
            )
    except KeyboardInterrupt as stop:
        if parts_folder(path).exists():
            stop.add_note(
                f"what is done so far lies in {parts_folder(path)}: the same command with "
                "--resume goes on from there"
            )
        raise
    write_hand(args, recording, decisions)
    total = summary.total
    if args.json:
        say_json({"caution": CAUTION, "groups": summary.to_records()})
    else:
        say(f"{'method':<10} {'scans':>9} {'accepted':>9} {'mean mm':>8} {'sd mm':>7}")
        for (method,), group in summary.groups.items():
            length = group.length_mm
            say(
                f"{method:<10} {group.n:>9} {group.n_accepted:>9} {length.mean:>8.3f} "
                f"{length.sd:>7.3f}"
            )
        for name, count in sorted(total.findings.items(), key=lambda item: -item[1]):
            say(f"  {count:>9} scans: {name}")
        if args.write_decisions is not None:
            say(f"wrote {args.write_decisions}")
        say(f"wrote {path}; sittings of so long a recording are not judged here")
        say(f"\n{wrapped(CAUTION, indent='', hanging='')}")
    return 0 if total.n_accepted else 1


class _progress:
    """A bar on a terminal for long work; nothing where output is piped."""

    def __init__(self, total: int, *, resume: bool = False) -> None:
        from tqdm import tqdm

        self._resume = resume
        self._bar = tqdm(
            total=total,
            unit="trace",
            unit_scale=True,
            file=sys.stderr,
            disable=not sys.stderr.isatty() or total < 2000,
            leave=False,
        )

    def __enter__(self) -> _progress:
        return self

    def __call__(self, done: int, total: int) -> None:
        del total
        if self._resume:
            # What an earlier run has done says nothing of this one's rate.
            self._resume = False
            self._bar.initial = self._bar.n = self._bar.last_print_n = done
        self._bar.update(done - self._bar.n)

    def __exit__(self, *_: object) -> None:
        self._bar.close()


def _json(one: _Measured) -> dict[str, Any]:
    import json

    from echotrace.caution import CAUTION, SYNTHETIC, is_synthetic
    from echotrace.quality.findings import rank_findings
    from echotrace.report.measured_text import SCORE_MEANS, explain_finding

    result = one.result
    scans = []
    for k, record in enumerate(result.to_records()):
        names = rank_findings(result.finding_list(k))
        why = [explain_finding(result, k, name, one.settings.quality) for name in names]
        scans.append(record | {"findings": names, "why": why})
    return {
        "caution": CAUTION,
        "synthetic": SYNTHETIC if is_synthetic(result.attributes) else None,
        "score_means": SCORE_MEANS,
        "made_with": one.made_with,
        "sittings": [
            {**item.to_record(), "judgement": judged.to_record()}
            for item, judged in zip(one.summaries, one.judgements, strict=True)
        ],
        "scans": scans,
        "by_hand": [line for line in result.attributes.get("by_hand", "").split("\n") if line],
        "decisions": one.decisions.to_table() if one.decisions else None,
        "engine": result.engine,
        "settings": json.loads(result.settings_json),
    }
