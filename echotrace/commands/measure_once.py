"""One recording measured whole, in memory: what is said of it, and what is written."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from echotrace.commands.by_hand import write_hand
from echotrace.commands.process import say
from echotrace.commands.progress import Progress
from echotrace.commands.truth import HIDDEN_NAME, truth_table, truth_text

if TYPE_CHECKING:
    from echotrace.decisions import Decisions
    from echotrace.measurement import Measurement
    from echotrace.recording import Recording
    from echotrace.settings import Settings
    from echotrace.sittings.sitting import SittingSummary
    from echotrace.sittings.sitting_quality import SittingJudgement
    from echotrace.target import Target

__all__ = ["Measured", "json_of", "measure_once", "print_measured", "write_measured"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A recording, and all that is said of it.

    Attributes
    ----------
    recording : Recording
    settings : Settings
    target : Target or None
    decisions : Decisions
        By hand.
    result : Measurement
    summaries : list of SittingSummary
    judgements : list of SittingJudgement
    made_with : list of str
        Speeds, probe and settings in words.
    truth : sequence of mapping
        What is true of each scan, where that is to be shown.
    """

    recording: Recording
    settings: Settings
    target: Target | None
    decisions: Decisions
    result: Measurement
    summaries: list[SittingSummary]
    judgements: list[SittingJudgement]
    made_with: list[str]
    truth: Sequence[Mapping[str, Any]] = ()


def measure_once(
    recording: Recording,
    settings: Settings,
    target: Target | None,
    *,
    decisions: Decisions,
    beside: Sequence[Measurement] = (),
    workers: int | None = None,
    notes: Sequence[str] = (),
) -> Measured:
    """Measure a recording with what was decided by hand, judge its sittings.

    Parameters
    ----------
    recording : Recording
    settings : Settings
    target : Target or None
        As for :func:`echotrace.measure`.
    decisions : Decisions
        By hand.
    beside : sequence of Measurement
        Others of the same subject, as for :func:`echotrace.summarise`.
    workers : int, optional
        Threads.
    notes : sequence of str
        What else is to be kept with the numbers, as of a reference block.

    Returns
    -------
    Measured

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> decisions = et.Decisions(reject={0: "a lid"})
    >>> one = measure_once(recording, et.Settings(), None, decisions=decisions)
    >>> bool(one.result.accepted[0]), one.made_with[-1]
    (False, 'All settings are the presets.')
    """
    from echotrace.chain.measure import measure
    from echotrace.report.made_with import made_with
    from echotrace.sittings.sitting import summarise
    from echotrace.sittings.sitting_quality import judge_sittings

    with Progress(recording.n_traces) as advance:
        result = measure(
            recording,
            settings,
            target=target,
            decisions=decisions,
            progress=advance,
            workers=workers,
        )
    said = [*made_with(recording, settings, target), *notes]
    # Kept with the numbers wherever they go.
    result = replace(result, attributes={**result.attributes, "made_with": "\n".join(said)})
    return Measured(
        recording=recording,
        settings=settings,
        target=target,
        decisions=decisions,
        result=result,
        summaries=summarise(result, settings.sitting, beside=beside),
        judgements=judge_sittings(result, limits=settings.sitting, beside=beside),
        made_with=said,
    )


def write_measured(args: argparse.Namespace, source: Path, one: Measured) -> None:
    """Write the files that the command line names.

    Parameters
    ----------
    args : argparse.Namespace
        With ``output``, ``report`` and ``write_decisions``.
    source : Path
        The recording's file.
    one : Measured

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> one = measure_once(recording, et.Settings(), None, decisions=et.Decisions())
    >>> args = argparse.Namespace(
    ...     output=[folder / "lengths.csv"], report=None, write_decisions=None, hide_truth=False
    ... )
    >>> write_measured(args, Path("immersion_sitting.h5"), one)
    >>> sorted(path.name for path in folder.iterdir())
    ['lengths.csv', 'lengths.schema.json']
    """
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
            source=HIDDEN_NAME if args.hide_truth else source.name,
            truth=truth_table(one.truth) if one.truth else None,
            target=one.target,
            judgements=one.judgements,
            decisions=one.decisions,
        )
        save_text(args.report, page)
    write_hand(args, one.recording, one.decisions)


def print_measured(args: argparse.Namespace, one: Measured) -> None:
    """Print the text of a measurement, and what was written.

    Parameters
    ----------
    args : argparse.Namespace
        With ``details``, ``output``, ``report`` and ``write_decisions``.
    one : Measured

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> one = measure_once(recording, et.Settings(), None, decisions=et.Decisions())
    >>> args = argparse.Namespace(details=False, output=[], report=None, write_decisions=None)
    >>> print_measured(args, one)  # doctest: +ELLIPSIS
    Synthetic traces: invented data, no patient.
    ...
    """
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
    if one.truth:
        say("")
        say(truth_text(one.truth))
    for path in (*args.output, args.report, args.write_decisions):
        if path is not None:
            say(f"wrote {path}")


def json_of(one: Measured) -> dict[str, Any]:
    """What a measurement says, for JSON.

    Parameters
    ----------
    one : Measured

    Returns
    -------
    dict

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> one = measure_once(recording, et.Settings(), None, decisions=et.Decisions())
    >>> json_of(one)["synthetic"]
    'Synthetic traces: invented data, no patient.'
    """
    from echotrace.report.measured_json import measurement_json

    about = measurement_json(
        one.result,
        one.summaries,
        one.settings.quality,
        judgements=one.judgements,
        made_with=one.made_with,
    )
    return about | ({"truth": list(one.truth)} if one.truth else {})
