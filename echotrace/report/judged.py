"""What the scans of a sitting say of one another, for the terminal and the page."""

from __future__ import annotations

import math
from typing import Any

from echotrace.figures.alignment import alignment_figure
from echotrace.recording import Recording
from echotrace.report.page import figure_svg
from echotrace.report.text import wrapped
from echotrace.sittings.alignment import AlignmentEstimate
from echotrace.sittings.sitting_quality import SittingJudgement
from echotrace.text_out import scan_names

__all__ = ["judgement_lines", "judgement_view", "tilt_line"]

_MOST_LISTED = 20


def tilt_line(
    estimate: AlignmentEstimate, traces: list[int], spoken_of: tuple[int, ...] = ()
) -> str:
    """Tilt of the beam of each scan with its interval; scans that do not tell are named.

    Empty where there is no estimate at all. Scans that are ``spoken_of`` elsewhere are left out.
    """
    shown = [k for k in traces if not math.isnan(estimate.tilt_deg[k]) and k not in spoken_of]
    if not shown:
        return ""
    told = [k for k in shown if estimate.tilt_told[k]]
    percent = f"{100 * estimate.confidence:g} %"
    low, high = estimate.prior_tilt_interval_deg
    silent = [k for k in shown if k not in told]
    if not told:
        which = "the other" if spoken_of else "these"
        return (
            f"The echoes of {which} scans do not tell how the beam was tilted: no better than the "
            f"{low:.0f} to {high:.0f}° of any hand."
        )
    items = []
    for k in told[:_MOST_LISTED]:
        a, b = estimate.tilt_interval_deg[k]
        items.append(f"{scan_names([k])} {estimate.tilt_deg[k]:.1f}° ({a:.1f} to {b:.1f})")
    text = f"Tilt of the beam, with {percent} interval: {', '.join(items)}"
    if len(told) > _MOST_LISTED:
        text += f", and {len(told) - _MOST_LISTED} more"
    if silent:
        text += f"; not told by {scan_names(silent, _MOST_LISTED)}"
    return text + "."


def judgement_lines(
    judgement: SittingJudgement, estimate: AlignmentEstimate | None, traces: list[int]
) -> list[str]:
    """Lines for the terminal; none where there is nothing to say."""
    lines = []
    tilt = "" if estimate is None else tilt_line(estimate, traces, judgement.off_axis_scans)
    if tilt:
        lines.append(wrapped(tilt, indent="", hanging=""))
    lines += [wrapped(f"> {item.text}") for item in judgement.statements]
    return lines


def judgement_view(
    judgement: SittingJudgement,
    estimate: AlignmentEstimate | None,
    traces: list[int],
    recording: Recording,
) -> dict[str, Any]:
    """What the page's template shows of it."""
    tilt = "" if estimate is None else tilt_line(estimate, traces, judgement.off_axis_scans)
    figure = None
    if estimate is not None and tilt:
        figure = figure_svg(
            alignment_figure(estimate, traces, recording),
            "Likely tilt and decentration of the beam, scan by scan",
        )
    return {"tilt": tilt, "figure": figure, "texts": [item.text for item in judgement.statements]}
