"""The page of a measurement: the answer, each scan with its picture, and why."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from echotrace.caution import SYNTHETIC, is_synthetic
from echotrace.chain.plain import view_trace
from echotrace.decisions import Decisions
from echotrace.errors import EchotraceError
from echotrace.figures.trace import trace_figure
from echotrace.measurement import Measurement
from echotrace.quality.finding_list import FINDINGS
from echotrace.quality.findings import describe_finding
from echotrace.recording import Recording
from echotrace.report.gates import hand_lines, hand_words, own_gates_line
from echotrace.report.made_with import made_with
from echotrace.report.measured_text import (
    SCORE_MEANS,
    explain_finding,
    length_text,
    named_findings,
    notes_of,
    scan_rows,
    sitting_title,
    summary_line,
)
from echotrace.report.page import figure_svg, render_page
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
    """
    left = _MAX_FIGURES
    sittings: list[dict[str, Any]] = []
    for number, summary in enumerate(summaries):
        traces = [int(k) for k in summary.traces]
        header, rows = scan_rows(result, traces)
        judged = []
        if judgements:
            judged = [item.text for item in judgements[number].statements]
        scans = []
        for k in traces[:left]:
            findings = [
                {
                    "text": explain_finding(result, k, name, settings.quality),
                    "severity": FINDINGS[name].severity.value,
                }
                for name in named_findings(result, k)
            ]
            try:
                figure = trace_figure(
                    view_trace(recording, k, settings, target=target, decisions=decisions)
                )
            except EchotraceError as error:
                picture, why = None, str(error)
            else:
                picture = figure_svg(
                    figure, f"RF and envelope of {scan_names([k])} with gates and picks"
                )
                why = ""
            scans.append(
                {
                    "number": k + 1,
                    "length": length_text(result.axial_length_mm[k]),
                    "accepted": bool(result.accepted[k]),
                    "by_hand": bool(result.decided_by[k]),
                    "marks": hand_words(result, k),
                    "findings": findings,
                    "figure": picture,
                    "why_no_figure": why,
                }
            )
        left -= len(scans)
        sittings.append(
            {
                "title": sitting_title(summary),
                "summary": summary,
                "line": summary_line(summary),
                "header": header,
                "rows": [
                    {"cells": row, "accepted": bool(result.accepted[k])}
                    for row, k in zip(rows, traces, strict=True)
                ],
                "judged": judged,
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
            "score_means": SCORE_MEANS,
            "own_gates": own_gates_line(result),
            "settings_json": result.settings_json,
        },
    )
