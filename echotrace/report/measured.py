"""The report and the terminal text of a measurement."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from echotrace.caution import CAUTION
from echotrace.chain.plain import view_trace
from echotrace.errors import EchotraceError
from echotrace.figures.trace import trace_figure
from echotrace.measurement import Measurement
from echotrace.quality.finding_list import FINDINGS, Severity
from echotrace.quality.findings import describe_finding, rank_findings
from echotrace.quality.limits import QualityLimits
from echotrace.recording import Recording
from echotrace.report.judged import judgement_lines, judgement_view
from echotrace.report.page import figure_svg, render_page
from echotrace.report.text import table, wrapped
from echotrace.settings import Settings
from echotrace.sittings.alignment import AlignmentEstimate
from echotrace.sittings.sitting import SittingSummary
from echotrace.sittings.sitting_quality import SittingJudgement
from echotrace.target import Target
from echotrace.text_out import one_line

SCORE_MEANS = (
    "Score: the probability that a scan is aligned (tilt up to 2.5°, decentration up to 0.5 mm) "
    "and correctly picked. It was fitted to synthetic eyes only."
)
"""What the score says, and what it was made from."""

__all__ = [
    "SCORE_MEANS",
    "explain_finding",
    "measurement_page",
    "measurement_text",
    "sitting_title",
    "summary_line",
]

# A page with a figure for every scan of a large file would be of no use to anyone.
_MAX_FIGURES = 60


def _mm(value: float, digits: int = 2) -> str:
    return "-" if math.isnan(value) else f"{value:.{digits}f}"


def sitting_title(summary: SittingSummary) -> str:
    """Who and how, in one line."""
    labels = {name: one_line(text, 40) for name, text in summary.labels.items()}
    parts = [f"subject {labels['subject']}"]
    if labels["eye"] != "none":
        parts.append(f"{labels['eye']} eye")
    parts.append(labels["method"] if labels["method"] != "other" else labels["target"])
    state = [labels["lens_state"], labels["lens_material"], labels["vitreous"]]
    shown = [word.replace("_", " ") for word in state if word not in ("none", "natural")]
    if shown:
        parts.append(" ".join(shown))
    parts.append(f"operator {labels['operator']}")
    parts.append(f"sitting {labels['sitting']}")
    return ", ".join(parts)


def summary_line(summary: SittingSummary) -> str:
    """The one number of a sitting with all that belongs to it, or why there is none."""
    if summary.n_accepted == 0:
        return f"No length: none of {summary.n} scans can be accepted."
    text = f"{summary.mean_mm:.2f} mm from {summary.n_accepted} of {summary.n} scans"
    if summary.n_accepted > 1:
        low, high = summary.interval_mm
        percent = f"{100 * summary.confidence:g} %"
        text += (
            f"; SD {summary.sd_mm:.3f}, median {summary.median_mm:.2f}, range "
            f"{summary.range_mm[0]:.2f} to {summary.range_mm[1]:.2f}, repeatability "
            f"{summary.repeatability_mm:.2f}; standard error {summary.u_mm:.3f} ({percent} "
            f"interval of the mean {low:.2f} to {high:.2f}); shared by all scans "
            f"{summary.u_shared_mm:.3f}; together ± {summary.expanded_mm:.2f} at {percent} (mm)"
        )
    else:
        text += (
            f"; one scan has no spread: standard uncertainty {summary.u_combined_mm:.3f} mm from "
            "picks and shared sources only, which says nothing of alignment"
        )
    return text + "."


def _status(result: Measurement, k: int) -> str:
    word = "yes" if result.accepted[k] else "no"
    return f"{word} (by hand)" if result.decided_by[k] else word


def _named_findings(result: Measurement, k: int, *, notes: bool = False) -> list[str]:
    """Findings of a scan, the one that could cost most length first."""
    return [
        name
        for name in rank_findings(result.finding_list(k))
        if notes or FINDINGS[name].severity is not Severity.NOTE
    ]


def _segments_of(result: Measurement, traces: Sequence[int]) -> list[int]:
    """Segments that the scans of a sitting have at all."""
    return [
        j
        for j in range(len(result.segments))
        if not all(math.isnan(result.length_mm[k, j]) for k in traces)
    ]


def _scan_rows(result: Measurement, traces: Sequence[int]) -> tuple[list[str], list[list[str]]]:
    segments = _segments_of(result, traces)
    header = ["scan", *[f"{result.segments[j]}" for j in segments]]
    header += ["length", "u", "score", "accepted", "findings"]
    rows = []
    for k in traces:
        rows.append(
            [
                str(k),
                *[_mm(result.length_mm[k, j]) for j in segments],
                _mm(result.axial_length_mm[k]),
                _mm(result.axial_length_u_mm[k], 3),
                _mm(float(result.score[k])),
                _status(result, k),
                ", ".join(name.replace("_", " ") for name in _named_findings(result, k)) or "none",
            ]
        )
    return header, rows


def _notes(result: Measurement, traces: Sequence[int]) -> list[str]:
    """Notes that scans of a sitting carry, each once."""
    names = {name for k in traces for name in result.finding_list(k)}
    return [
        name for name, item in FINDINGS.items() if name in names and item.severity is Severity.NOTE
    ]


def explain_finding(result: Measurement, k: int, name: str, limits: QualityLimits) -> str:
    """A finding of one scan in words, with its figure; a missing echo is named.

    Parameters
    ----------
    result : Measurement
    k : int
        The scan.
    name : str
        The finding.
    limits : QualityLimits
    """
    if name == "echo_missing":
        lost = [
            interface.replace("_", " ")
            for j, interface in enumerate(result.interfaces)
            if math.isnan(result.delay_us[k, j]) and interface not in ("cornea_back", "sclera")
        ]
        do = FINDINGS[name].do
        return f"Not found: {', '.join(lost)}. {do[0].upper()}{do[1:]}."
    features = {key: float(values[k]) for key, values in result.features.items()}
    return describe_finding(name, features, limits)


def measurement_text(
    result: Measurement,
    summaries: Sequence[SittingSummary],
    limits: QualityLimits,
    *,
    judgements: Sequence[SittingJudgement] = (),
    alignment: AlignmentEstimate | None = None,
    max_scans: int = 40,
) -> str:
    """What a measurement says, for the terminal.

    Parameters
    ----------
    result : Measurement
    summaries : sequence of SittingSummary
    limits : QualityLimits
    judgements : sequence of SittingJudgement
        One for each summary, or none.
    alignment : AlignmentEstimate, optional
        Of the same traces.
    max_scans : int
        Scans of a sitting that are listed; the rest is counted.
    """
    blocks = []
    for number, summary in enumerate(summaries):
        traces = [int(k) for k in summary.traces]
        header, rows = _scan_rows(result, traces[:max_scans])
        lines = [
            sitting_title(summary),
            "(lengths and their standard uncertainty u in mm)",
        ]
        lines += ["", table(header, rows, left=[len(header) - 2, len(header) - 1])]
        if len(traces) > max_scans:
            lines.append(f"… and {len(traces) - max_scans} more scans (all with --json or -o)")
        lines += ["", wrapped(summary_line(summary), indent="", hanging="")]
        if not summary.acceptable:
            lines.append("NOT ACCEPTABLE:")
        lines += [wrapped(f"! {finding.text}") for finding in summary.findings]
        if judgements:
            lines += judgement_lines(judgements[number], alignment, traces)
        told = []
        for k in traces[:max_scans]:
            for name in _named_findings(result, k):
                told.append(wrapped(f"scan {k}: {explain_finding(result, k, name, limits)}"))
        if told:
            lines += ["Why:", *told]
        notes = _notes(result, traces)
        if not np.isnan(result.score[traces]).all():
            lines.append(wrapped(SCORE_MEANS, indent="", hanging=""))
        lines += [wrapped(f"Note: {describe_finding(name, {})}", indent="") for name in notes]
        blocks.append("\n".join(lines))
    blocks.append(wrapped(CAUTION, indent="", hanging=""))
    return "\n\n".join(blocks)


def measurement_page(
    recording: Recording,
    result: Measurement,
    summaries: Sequence[SittingSummary],
    settings: Settings,
    *,
    source: str,
    target: Target | None = None,
    judgements: Sequence[SittingJudgement] = (),
    alignment: AlignmentEstimate | None = None,
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
    judgements, alignment
        As for :func:`measurement_text`.
    """
    left = _MAX_FIGURES
    sittings: list[dict[str, Any]] = []
    for number, summary in enumerate(summaries):
        traces = [int(k) for k in summary.traces]
        header, rows = _scan_rows(result, traces)
        judged = None
        if judgements:
            judged = judgement_view(judgements[number], alignment, traces, recording)
        scans = []
        for k in traces[:left]:
            findings = [
                {
                    "text": explain_finding(result, k, name, settings.quality),
                    "severity": FINDINGS[name].severity.value,
                }
                for name in _named_findings(result, k)
            ]
            try:
                figure = trace_figure(view_trace(recording, k, settings, target=target))
            except EchotraceError as error:
                picture, why = None, str(error)
            else:
                picture = figure_svg(figure, f"RF and envelope of scan {k} with gates and picks")
                why = ""
            scans.append(
                {
                    "number": k,
                    "length": _mm(result.axial_length_mm[k]),
                    "accepted": bool(result.accepted[k]),
                    "by_hand": bool(result.decided_by[k]),
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
                "notes": [describe_finding(name, {}) for name in _notes(result, traces)],
            }
        )
    return render_page(
        "measured.html.j2",
        f"Measured lengths: {source}",
        {
            "sittings": sittings,
            "source": source,
            "synthetic": recording.truth is not None
            or recording.attributes.get("source") == "synthetic",
            "by_hand": [line for line in result.attributes.get("by_hand", "").split("\n") if line],
            "score_means": SCORE_MEANS,
            "settings_json": result.settings_json,
        },
    )
