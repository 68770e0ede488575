"""``echotrace inspect``: say what is in a recording or a measurement file."""

from __future__ import annotations

import argparse
import math
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from echotrace.caution import CAUTION, SYNTHETIC, is_synthetic
from echotrace.commands.arguments import InputFile, add_output, add_overwrite, add_toml
from echotrace.commands.process import say, say_json
from echotrace.commands.truth import (
    HIDDEN_NAME,
    add_truth_arguments,
    blinded,
    open_provenance,
    truth_records,
    truth_text,
)
from echotrace.errors import ParameterError
from echotrace.text_out import one_line

SUMMARY = "Say what is in a recording or a measurement file."
EXAMPLE = "echotrace inspect scan.h5"

_SITTINGS_SHOWN = 40


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command."""
    parser.add_argument(
        "file", metavar="FILE", type=Path, action=InputFile, help="recording or measurement file"
    )
    parser.add_argument("--json", action="store_true", help="machine-readable output")
    add_truth_arguments(parser)
    parser.add_argument(
        "--window",
        action="store_true",
        help="open a window: step through scans, move gates, place picks, accept or reject",
    )
    add_toml(parser, "--settings", "read settings, for --window")
    add_toml(parser, "--decisions", "read what was decided by hand, for --window")
    for what in ("settings", "decisions"):
        add_output(
            parser,
            f"--write-{what}",
            suffixes=(".toml",),
            metavar="FILE.toml",
            help=f"where the window saves {what}, for `echotrace measure --{what}`",
        )
    add_overwrite(parser)


def run(args: argparse.Namespace) -> int:
    """Print the description of the file."""
    from echotrace.files.describe import describe

    if args.window:
        return _window(args)
    given = [name for name in _OF_WINDOW if getattr(args, name) is not None]
    if given:
        raise ParameterError(f"--{given[0].replace('_', '-')} goes with --window")
    about = describe(args.file)
    records = _truth(args, about["kind"])
    if args.hide_truth:
        about |= {"file": HIDDEN_NAME, "provenance": open_provenance(about["provenance"])}
        if about["kind"] == "recording":
            about["truth"] = None
    if args.json:
        notice = SYNTHETIC if is_synthetic(about["provenance"]) else None
        scans = {"truth_of_scans": records} if records else {}
        say_json({"caution": CAUTION, "synthetic": notice, **about, **scans})
        return 0
    rows = (
        _recording_rows(about, args.hide_truth)
        if about["kind"] == "recording"
        else _measurement_rows(about)
    )
    say(f"{about['file']}: {about['kind']}")
    say("")
    say(_pairs(rows))
    say("")
    say(_sitting_table(about["sittings"]))
    if records:
        say("")
        say(truth_text(records))
    provenance = {k: v for k, v in about["provenance"].items() if k != "settings"}
    if provenance:
        say("")
        say("provenance")
        say(_pairs([(name, text) for name, text in provenance.items()]))
    say("")
    if is_synthetic(about["provenance"]):
        say(SYNTHETIC)
    say(textwrap.fill(CAUTION, 98))
    return 0


_OF_WINDOW = ("settings", "decisions", "write_settings", "write_decisions")


def _window(args: argparse.Namespace) -> int:
    from echotrace.files.decisions_file import read_decisions
    from echotrace.files.native import read_recording
    from echotrace.settings import read_settings
    from echotrace.teaching.window import check_display

    if args.json or args.show_truth:
        raise ParameterError("--window shows scans; leave --json and --show-truth out")
    check_display(str(args.file))
    from echotrace.teaching.desk import Desk
    from echotrace.teaching.window import open_window

    recording = read_recording(args.file, lazy=True)
    desk = Desk(
        blinded(recording) if args.hide_truth else recording,
        None if args.settings is None else read_settings(args.settings),
        None if args.decisions is None else read_decisions(args.decisions),
    )
    window = open_window(desk, args.write_settings, args.write_decisions)
    import matplotlib.pyplot as plt

    plt.show()
    del window
    return 0


def _truth(args: argparse.Namespace, kind: str) -> list[dict[str, Any]]:
    if not args.show_truth:
        return []
    from echotrace.files.native import read_recording

    if kind != "recording":
        raise ParameterError(f"{args.file}: --show-truth: a measurement holds no truth")
    return truth_records(read_recording(args.file, lazy=True), None, str(args.file))


def _recording_rows(about: Mapping[str, Any], hidden: bool) -> list[tuple[str, str]]:
    probe, receiver, truth = about["probe"], about["receiver"], about["truth"]
    rate_mhz = about["sampling_rate_hz"] / 1e6
    rows = [
        ("traces", f"{about['n_traces']}"),
        ("samples per trace", f"{about['n_samples']} ({about['dtype']}, {about['signal']})"),
        ("sampling rate", f"{rate_mhz:g} MHz"),
        ("delays", f"{about['start_delay_us']:g} to {about['stop_delay_us']:g} us"),
        ("sample range", f"{about['sample_min']:g} to {about['sample_max']:g}"),
        (
            "clipped samples",
            f"{100 * about['clipped_share']:.3g} %"
            + ("" if receiver else " (flat tops; limit of the converter not stated)"),
        ),
        (
            "probe",
            f"{probe['centre_frequency_hz'] / 1e6:g} MHz, bandwidth "
            f"{100 * probe['fractional_bandwidth']:g} %"
            + _if_stated(probe["aperture_mm"], ", aperture {:g} mm")
            + (
                ", no focus"
                if probe["focus_mm"] == math.inf
                else _if_stated(probe["focus_mm"], ", focus {:g} mm")
            ),
        ),
        (
            "face delay",
            _if_stated(probe["face_delay_us"], "{:g} us")
            + _if_stated(probe["face_delay_u_us"], ", standard uncertainty {:g} us")
            or "not stated",
        ),
        ("receiver", _receiver_text(receiver)),
    ]
    if receiver and receiver["tgc_delay_us"]:
        nodes = zip(receiver["tgc_delay_us"], receiver["tgc_gain_db"], strict=True)
        rows.append(("time gain", ", ".join(f"{g:g} dB at {d:g} us" for d, g in nodes)))
    gain = about["gain_db"]
    if gain is None:
        rows.append(("gain", "not stated"))
    else:
        rows.append(
            ("gain", f"{gain[0]:g} dB" if gain[0] == gain[1] else "{:g} to {:g} dB".format(*gain))
        )
    if truth is None:
        rows.append(("truth", "not shown" if hidden else "none"))
    else:
        rows.append(("truth", f"delays of {', '.join(truth['interfaces'])}"))
        if truth["columns"]:
            rows.append(("", ", ".join(truth["columns"])))
    return [*rows, _digest_row(about), _layout_row(about)]


def _measurement_rows(about: Mapping[str, Any]) -> list[tuple[str, str]]:
    lengths = about["accepted_axial_length_mm"]
    findings = about["findings"]
    return [
        ("traces", f"{about['n_traces']}"),
        ("accepted", f"{about['n_accepted']}"),
        ("decided by hand", f"{about['n_decided_by_hand']}"),
        ("gate or pick by hand", f"{about['n_set_by_hand']}"),
        (
            "accepted lengths",
            "none" if lengths is None else "{:.2f} to {:.2f} mm".format(*lengths),
        ),
        ("interfaces", ", ".join(about["interfaces"])),
        ("segments", ", ".join(about["segments"])),
        ("features", ", ".join(about["features"]) or "none"),
        ("findings", ", ".join(f"{name} {n}" for name, n in findings.items()) or "none"),
        _digest_row(about),
        _layout_row(about),
    ]


def _digest_row(about: Mapping[str, Any]) -> tuple[str, str]:
    digest = about["content_digest"]
    none = "none (an earlier version wrote the file): damage to labels would not be noticed"
    return "content digest", f"{digest}, holds" if digest else none


def _layout_row(about: Mapping[str, Any]) -> tuple[str, str]:
    problems = about["layout_problems"]
    return "NetCDF-4 layout", "; ".join(problems) if problems else "kept"


def _if_stated(value: float | None, form: str) -> str:
    return "" if value is None else form.format(value)


def _receiver_text(receiver: Mapping[str, Any] | None) -> str:
    if receiver is None:
        return "not stated, levels are relative"
    bits = f"{receiver['bits']} bits" if receiver["bits"] else "floats"
    return f"{bits}, full scale {receiver['full_scale']:g}"


def _pairs(rows: Sequence[tuple[str, str]]) -> str:
    width = max(len(name) for name, _ in rows)
    lines = []
    for name, text in rows:
        pieces = [textwrap.wrap(line, max(40, 98 - width)) or [""] for line in text.splitlines()]
        first, *others = [piece for line in pieces for piece in line] or [""]
        lines.append(f"  {name:<{width}}  {first}".rstrip())
        lines += [f"  {'':<{width}}  {line}" for line in others]
    return "\n".join(lines)


def _sitting_table(sittings: Sequence[Mapping[str, Any]]) -> str:
    """One line per sitting; a column that says nothing anywhere is left out."""
    if not sittings:
        return "no sittings"
    silent = {"none", "unnamed", "natural"}
    names = [
        name
        for name in sittings[0]
        if name == "n_traces" or any(item[name] not in silent for item in sittings)
    ]
    heads = ["traces" if name == "n_traces" else name.replace("_", " ") for name in names]
    cells = [
        [one_line(str(item[name]), 60) for name in names] for item in sittings[:_SITTINGS_SHOWN]
    ]
    more = len(sittings) - len(cells)
    last = [f"  and {more} more, all of them with --json"] if more else []
    widths = [max(len(x) for x in column) for column in zip(heads, *cells, strict=True)]

    def line(row: Sequence[str]) -> str:
        parts = [x.ljust(w) for x, w in zip(row[:-1], widths[:-1], strict=True)]
        return "  " + "  ".join([*parts, row[-1].rjust(widths[-1])])

    return "\n".join(["sittings", line(heads), *(line(row) for row in cells), *last])
