"""The page of a measurement: the answer, each scan with its picture, and why."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from echotrace.caution import SYNTHETIC, is_synthetic
from echotrace.chain.plain import TraceView, view_trace
from echotrace.decisions import Decisions
from echotrace.errors import EchotraceError
from echotrace.figures.trace import trace_figure
from echotrace.figures.trace_scale import common_scale
from echotrace.measurement import Measurement
from echotrace.quality.findings import describe_finding
from echotrace.recording import Recording
from echotrace.report.gates import hand_lines, hand_words, own_gates_line
from echotrace.report.made_with import made_with
from echotrace.report.measured_text import (
    WORDS_MEAN,
    budget_line,
    length_text,
    probabilities_mean,
    scan_rows,
    sitting_title,
    summary_line,
)
from echotrace.report.page import figure_svg, render_page
from echotrace.report.reasons import notes_of, reasons, scan_verdict
from echotrace.settings import Settings
from echotrace.sittings.sitting import SittingSummary
from echotrace.sittings.sitting_quality import SittingJudgement
from echotrace.target import Target
from echotrace.text_out import scan_names

__all__ = ["measurement_page"]

# A page with a figure for every scan of a large file would be of no use to anyone.
_MAX_FIGURES = 60


def measurement_page(
    recording: Recording,
    result: Measurement,
    summaries: Sequence[SittingSummary],
    settings: Settings,
    *,
    source: str,
    target: Target | None = None,
    judgements: Sequence[SittingJudgement] = (),
    decisions: Decisions | None = None,
    truth: tuple[Sequence[str], Sequence[Sequence[str]]] | None = None,
) -> str:
    """What a measurement says, as one self-contained HTML page with a figure for each scan.

    Parameters
    ----------
    recording : Recording
    result : Measurement
    summaries : sequence of SittingSummary
    settings : Settings
        Those that made the result: the figures are drawn with them.
    source : str
        Name of the file, shown on the page.
    target : Target, optional
        As for :func:`echotrace.measure`.
    judgements
        As for :func:`measurement_text`.
    decisions : Decisions, optional
        Those that made the result.
    truth : tuple of names and rows, optional
        A table of what is true of each scan, to be shown.

    Returns
    -------
    str
        Self-contained HTML.

    Examples
    --------
    >>> import echotrace as et
    >>> recording, settings = et.read("synthetic_traces/immersion_sitting.h5"), et.Settings()
    >>> result = et.measure(recording)
    >>> page = measurement_page(recording, result, et.summarise(result), settings, source="a.h5")
    >>> "23.40 mm" in page
    True
    """
    left = _MAX_FIGURES
    sittings: list[dict[str, Any]] = []
    for number, summary in enumerate(summaries):
        traces = [int(k) for k in summary.traces]
        scans = _scans(recording, result, traces[:left], settings, target, decisions)
        left -= len(scans)
        judged = judgements[number].statements if judgements else ()
        sittings.append(
            {
                "title": sitting_title(summary),
                "summary": summary,
                "line": summary_line(summary),
                "budget": budget_line(summary),
                "table": _table(result, traces),
                "reasons": reasons(result, traces, settings.quality),
                "judged": [item.text for item in judged],
                "scans": scans,
                "without_figure": len(traces) - len(scans),
                "notes": [describe_finding(name, {}) for name in notes_of(result, traces)],
            }
        )
    return render_page(
        "measured.html.j2",
        f"Measured lengths: {source}",
        {
            "sittings": sittings,
            "source": source,
            "synthetic": SYNTHETIC
            if recording.truth is not None or is_synthetic(recording.attributes)
            else "",
            "made_with": made_with(recording, settings, target),
            "by_hand": hand_lines(result),
            "truth": truth,
            "probabilities_mean": probabilities_mean(result),
            "words_mean": WORDS_MEAN,
            "own_gates": own_gates_line(result),
            "settings_json": result.settings_json,
        },
    )


def _table(result: Measurement, traces: Sequence[int]) -> dict[str, Any]:
    """The scans of a sitting, length and decision in front, where a narrow screen shows them."""
    header, rows = scan_rows(result, traces)
    length, decided, last = header.index("length"), header.index("accepted"), len(header) - 1
    segments = list(range(1, length))
    order = [0, length, decided, length + 1, *range(length + 2, decided), *segments, last]
    text = {last, decided, *(k for k, name in enumerate(header) if name == "aligned")}
    unit = {length, length + 1, *segments}
    return {
        "header": [(f"{header[k]} (mm)" if k in unit else header[k], k in text) for k in order],
        "rows": [
            {
                "cells": [(row[k], k in text) for k in order],
                "accepted": bool(result.accepted[trace]),
            }
            for row, trace in zip(rows, traces, strict=True)
        ],
    }


def _scans(
    recording: Recording,
    result: Measurement,
    traces: Sequence[int],
    settings: Settings,
    target: Target | None,
    decisions: Decisions | None,
) -> list[dict[str, Any]]:
    """Pictures of the scans of a sitting, all on one scale."""
    views: dict[int, TraceView] = {}
    trouble: dict[int, str] = {}
    for k in traces:
        try:
            views[k] = view_trace(
                recording, k, settings, target=target, decisions=decisions, result=result
            )
        except EchotraceError as error:
            trouble[k] = str(error)
    scale = common_scale(list(views.values())) if views else None
    found = []
    for k in traces:
        title = f"Scan {k + 1}: {length_text(result.axial_length_mm[k])} mm"
        picture = None
        if k in views:
            about = f"RF and envelope of {scan_names([k])} with gates and picks"
            picture = figure_svg(trace_figure(views[k], scale=scale), about)
        verdict = scan_verdict(result, k)
        by_hand = " by hand" if result.decided_by[k] else ""
        word, _, why = verdict.partition(": ")
        found.append(
            {
                "title": title,
                "accepted": bool(result.accepted[k]),
                "verdict": f"{word}{by_hand}",
                "why": why,
                "marks": hand_words(result, k),
                "figure": picture,
                "why_no_figure": trouble.get(k, ""),
            }
        )
    return found
