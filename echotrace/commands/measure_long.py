"""A long recording measured block by block: results are written as they come, totals printed."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from echotrace.commands.by_hand import write_hand
from echotrace.commands.process import say, say_json
from echotrace.commands.progress import Progress
from echotrace.errors import ParameterError

if TYPE_CHECKING:
    from echotrace.decisions import Decisions
    from echotrace.recording import Recording
    from echotrace.settings import Settings
    from echotrace.target import Target

__all__ = ["LONG_TRACES", "is_long", "measure_long"]

LONG_TRACES = 100_000
"""From here on results are written as they come and only totals are printed."""


def is_long(args: argparse.Namespace, n_traces: int) -> bool:
    """Whether a recording is measured block by block: when told, or when long enough for it.

    Parameters
    ----------
    args : argparse.Namespace
        With ``resume``, ``output`` and ``report``.
    n_traces : int

    Returns
    -------
    bool

    Examples
    --------
    >>> is_long(argparse.Namespace(resume=True), 6)
    True
    """
    return bool(args.resume) or (n_traces >= LONG_TRACES and _only_native(args))


def _only_native(args: argparse.Namespace) -> bool:
    """Whether the one thing to be written is a native file."""
    one = len(args.output) == 1 and args.output[0].suffix.lower() == ".h5"
    return one and args.report is None


def measure_long(
    args: argparse.Namespace,
    recording: Recording,
    settings: Settings,
    target: Target | None,
    decisions: Decisions,
) -> int:
    """Measure at constant memory, write block by block, print totals.

    Parameters
    ----------
    args : argparse.Namespace
        As :func:`is_long`, with ``workers``, ``json`` and ``write_decisions``.
    recording : Recording
        Lazy.
    settings : Settings
    target : Target or None
    decisions : Decisions
        By hand.

    Returns
    -------
    int
        Exit code: 0, or 1 where no scan is accepted.

    Raises
    ------
    ParameterError
        Something else is to be written than one native file.

    Examples
    --------
    >>> from pathlib import Path
    >>> import echotrace as et
    >>> source = Path("synthetic_traces/immersion_sitting.h5")
    >>> args = argparse.Namespace(
    ...     output=[folder / "long.h5"], report=None, resume=False, workers=1, json=False,
    ...     write_decisions=None, recording=[source],
    ... )
    >>> recording = et.read(source, lazy=True)
    >>> measure_long(args, recording, et.Settings(), None, et.Decisions())  # doctest: +ELLIPSIS
    Synthetic traces: invented data, no patient.
    ...
    0
    """
    from echotrace.caution import CAUTION, SYNTHETIC, is_synthetic
    from echotrace.many.run_folder import parts_folder
    from echotrace.many.to_file import measure_to_file
    from echotrace.report.made_with import made_with
    from echotrace.report.text import wrapped

    if not _only_native(args):
        raise ParameterError("--resume goes with one -o FILE.h5 and without --report")
    path = args.output[0]
    try:
        with Progress(recording.n_traces, resume=args.resume) as advance:
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
    notice = SYNTHETIC if is_synthetic(recording.attributes) else None
    said = made_with(recording, settings, target)
    if args.json:
        groups = summary.to_records()
        say_json({"caution": CAUTION, "synthetic": notice, "made_with": said, "groups": groups})
    else:
        if notice:
            say(f"{notice}\n")
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
        say("")
        for text in said:
            say(wrapped(text, indent=""))
        say(f"\n{wrapped(CAUTION, indent='', hanging='')}")
    return 0 if total.n_accepted else 1
