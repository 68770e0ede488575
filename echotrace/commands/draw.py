"""``echotrace draw``: a picture of scans, with gates, picks, depth and lengths."""

from __future__ import annotations

import argparse
import re
import textwrap
from collections.abc import Sequence
from pathlib import Path

from echotrace.commands.arguments import PICTURES, InputFile, add_output, add_overwrite, add_toml
from echotrace.commands.first_run import prepare_kernels
from echotrace.commands.process import say
from echotrace.commands.truth import (
    add_truth_arguments,
    blinded,
    truth_records,
    truth_words,
)
from echotrace.errors import ParameterError
from echotrace.user_input import shorten, whole_number

SUMMARY = "Draw scans of a recording, with gates, picks, depth and lengths."
EXAMPLE = "echotrace draw synthetic_traces/immersion_sitting.h5 --scan 2 3 -o scans.png"

_MOST_SCANS = 12


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command.

    Parameters
    ----------
    parser : argparse.ArgumentParser

    Examples
    --------
    >>> parser = argparse.ArgumentParser()
    >>> add_arguments(parser)
    >>> parser.parse_args(["scan.h5", "--scan", "2", "-o", "scan.png"]).scan
    ['2']
    """
    parser.add_argument(
        "recording",
        metavar="RECORDING",
        type=Path,
        action=InputFile,
        help="recording (native file)",
    )
    add_output(
        parser, "-o", "--output", suffixes=PICTURES, required=True,
        help="picture to write: .png, .pdf or .svg",
    )  # fmt: skip
    add_overwrite(parser)
    parser.add_argument(
        "--scan",
        metavar="N",
        nargs="+",
        default=[],
        help="scans, counted from 1, like 2 or 2 4 or 1-6; all have one scale (default: all scans "
        f"of the recording, up to {_MOST_SCANS})",
    )
    parser.add_argument(
        "--overlay", action="store_true", help="envelopes one over the other, not side by side"
    )
    add_toml(parser, "--settings", "read settings")
    add_toml(parser, "--target", "what the beam passes, for recordings that are not of an eye")
    add_toml(
        parser,
        "--decisions",
        "gates and picks by hand for this recording, as `echotrace measure` writes them",
    )
    add_truth_arguments(parser)


def scans_named(words: Sequence[str], n_traces: int) -> list[int]:
    """Python's indices of the scans that a command line names.

    Parameters
    ----------
    words : sequence of str
        Numbers from 1 or ranges of them; none names all.
    n_traces : int
        Scans that there are.

    Returns
    -------
    list of int

    Raises
    ------
    ParameterError
        No such scan, one named twice, or too many for one picture.

    Examples
    --------
    >>> scans_named(["2", "4-6"], 8)
    [1, 3, 4, 5]
    """
    found: list[int] = []
    for word in words:
        ends = re.fullmatch(r"([0-9]{1,9})-([0-9]{1,9})", word)
        low, high = (ends[1], ends[2]) if ends else (word, word)
        first = whole_number(low, "--scan", low=1)
        last = whole_number(high, "--scan", low=1)
        if max(first, last) > n_traces or first > last:
            raise ParameterError(f"--scan {shorten(word)}: the recording has scans 1 to {n_traces}")
        found += range(first - 1, last)
    found = found or list(range(n_traces))
    if len(set(found)) != len(found):
        raise ParameterError("--scan: a scan is named twice")
    if len(found) > _MOST_SCANS:
        raise ParameterError(
            f"{len(found)} scans are too many for one picture; name up to {_MOST_SCANS} with "
            f"--scan, like --scan 1-6 (the recording has scans 1 to {n_traces})"
        )
    return found


def run(args: argparse.Namespace) -> int:
    """Measure the scans, draw them, write the picture.

    Parameters
    ----------
    args : argparse.Namespace
        From :func:`add_arguments`.

    Returns
    -------
    int
        Exit code: 0.

    Examples
    --------
    >>> parser = argparse.ArgumentParser()
    >>> add_arguments(parser)
    >>> words = ["synthetic_traces/immersion_sitting.h5", "--scan", "1", "-o", f"{folder}/scan.png"]
    >>> run(parser.parse_args(words))  # doctest: +ELLIPSIS
    wrote ...scan.png: scan 1
      Scan 1: 23.40 mm, accepted
    ...
    0
    """
    import numpy as np

    from echotrace.caution import CAUTION, SYNTHETIC, is_synthetic
    from echotrace.decisions import Decisions
    from echotrace.files.decisions_file import bound_to, read_decisions
    from echotrace.files.native import read_recording
    from echotrace.settings import Settings, read_settings
    from echotrace.target import read_target
    from echotrace.text_out import scan_names

    settings = Settings() if args.settings is None else read_settings(args.settings)
    target = None if args.target is None else read_target(args.target)
    recording = read_recording(args.recording, lazy=True)
    prepare_kernels("draw", len(args.scan) or recording.n_traces)
    scans = scans_named(args.scan, recording.n_traces)
    # Behind the choice of plain kernels.
    from echotrace.chain.measure import measure
    from echotrace.chain.plain import view_trace
    from echotrace.chain.sitting_rows import sitting_rows
    from echotrace.figures.sitting import overlay_figure, scans_figure
    from echotrace.figures.style import mark_figure
    from echotrace.report.measured_text import length_text
    from echotrace.report.page import save_figure
    from echotrace.report.reasons import scan_verdict
    from echotrace.signal.agreement_of_scans import MOST_SCANS

    # With the other scans of their sittings, which may correct them.
    sittings = sitting_rows(recording)
    together = np.unique(np.concatenate([sittings.of(sittings.number[scan]) for scan in scans]))
    if together.size > MOST_SCANS * len(scans):
        together = np.unique(scans)
    places = np.searchsorted(together, scans).tolist()
    chosen = recording.select(together)
    if args.hide_truth:
        chosen = blinded(chosen)
    decisions = Decisions()
    if args.decisions is not None:
        read = read_decisions(args.decisions)
        decisions = bound_to(read, recording, where=str(args.decisions)).take(together.tolist())
    result = measure(chosen, settings, target=target, decisions=decisions)
    views = [
        view_trace(chosen, k, settings, target=target, decisions=decisions, result=result)
        for k in places
    ]
    truth = truth_records(chosen, result, str(args.recording)) if args.show_truth else []
    titles = [
        f"Scan {scan + 1}: {length_text(result.axial_length_mm[k])} mm, {scan_verdict(result, k)}"
        + (f"; {truth_words(truth[k])}" if truth else "")
        for k, scan in zip(places, scans, strict=True)
    ]
    draw = overlay_figure if args.overlay else scans_figure
    synthetic = is_synthetic(recording.attributes)
    save_figure(mark_figure(draw(views, titles), synthetic=synthetic), args.output)
    say(f"wrote {args.output}: {scan_names(scans)}")
    for title in titles:
        say(f"  {title}")
    if synthetic:
        say(SYNTHETIC)
    say(textwrap.fill(CAUTION, 96))
    return 0
