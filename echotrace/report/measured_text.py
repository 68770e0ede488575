"""The terminal text of a measurement: the answer first, then why, each reason once."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from echotrace.caution import CAUTION, SYNTHETIC, is_synthetic
from echotrace.measurement import Measurement
from echotrace.quality.findings import describe_finding
from echotrace.quality.limits import QualityLimits
from echotrace.report.gates import (
    hand_lines,
    hand_words,
    own_gates_line,
)
from echotrace.report.reasons import named_findings, notes_of, reasons
from echotrace.report.text import spread_text, table, wrapped
from echotrace.sittings.sitting import SittingSummary
from echotrace.sittings.sitting_quality import SittingJudgement
from echotrace.text_out import one_line

_PROBABILITIES_MEAN = (
    "Length right: the probability that the length of a scan is within 0.1 mm of the eye's, by its "
    "echoes and by the other scans of its sitting; pressing and sound speeds apart, which no scan "
    "can show. It decides what is accepted, with the findings that reject. "
    "Aligned: the probability that the beam was on the visual axis (tilt up to 2.5°, decentration "
    "up to 0.5 mm); where neither answer is four times as likely as the other, it cannot be told. "
    "Both were fitted to synthetic eyes only."
)
_OLD_SCORE_MEANS = (
    "Score: what the version that measured this file gave, the probability that a scan is aligned "
    "(tilt up to 2.5°, decentration up to 0.5 mm) and correctly picked. It was fitted to synthetic "
    "eyes only."
)

WORDS_MEAN = (
    "u, standard uncertainty: the usual size of the error that is still possible. SD, standard "
    "deviation: the usual distance of single scans from their mean. ± at 95 %: if the stated "
    "uncertainties are right, the length lies inside 95 times in 100."
)
"""Terms of statistics in plain words, where they stand."""

__all__ = [
    "WORDS_MEAN",
    "budget_line",
    "length_text",
    "measurement_text",
    "overview",
    "probabilities_mean",
    "scan_rows",
    "sitting_title",
    "summary_line",
]

# More sittings than these get one line each.
_MANY_SITTINGS = 6
# Signs a line, which a terminal that is not narrow holds.
_TABLE_WIDTH = 120


def length_text(value: float, digits: int = 2) -> str:
    """A length in mm, or a dash where there is none.

    Parameters
    ----------
    value : float
        In mm.
    digits : int
        Behind the point.

    Returns
    -------
    str

    Examples
    --------
    >>> length_text(23.4), length_text(math.nan)
    ('23.40', '-')
    """
    return "-" if math.isnan(value) else f"{value:.{digits}f}"


def sitting_title(summary: SittingSummary) -> str:
    """Who and how, in one line.

    Parameters
    ----------
    summary : SittingSummary

    Returns
    -------
    str

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> sitting_title(et.summarise(result)[0])
    'subject demo-eye-1, right eye, immersion, phakic, operator demo, sitting 1'
    """
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
    """The one number of a sitting with all that belongs to it, or why there is none.

    Parameters
    ----------
    summary : SittingSummary

    Returns
    -------
    str
        Lengths in mm.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> summary_line(et.summarise(result)[0])[:26]
    '23.40 mm from 4 of 6 scans'
    """
    if summary.n_accepted == 0:
        return f"No length: none of {summary.n} scans can be accepted."
    percent = f"{100 * summary.confidence:g} %"
    text = f"{summary.mean_mm:.2f} mm from {summary.n_accepted} of {summary.n} scans"
    if summary.n_accepted == 1:
        return (
            f"{text}. One scan has no spread. Standard uncertainty "
            f"{spread_text(summary.u_combined_mm)} mm, from picks and shared sources only; it says "
            "nothing of alignment."
        )
    low, high = summary.stated_interval_mm
    stated = f"± {spread_text(summary.expanded_mm, 2)} mm at {percent}"
    if summary.pressing is not None:
        stated = (
            f"as pressed. The eye: {summary.stated_mm:.2f} mm, {low:.2f} to {high:.2f} mm at "
            f"{percent}, pressing included"
        )
    joint = " " if summary.pressing is not None else ", "
    return (
        f"{text}{joint}{stated}. Spread of the scans: SD "
        f"{spread_text(summary.sd_mm)}, median {summary.median_mm:.2f}, range "
        f"{summary.range_mm[0]:.2f} to {summary.range_mm[1]:.2f} mm; two scans differ by at most "
        f"{spread_text(summary.repeatability_mm)} mm in {percent} of cases (repeatability limit)."
    )


def budget_line(summary: SittingSummary) -> str:
    """Where the uncertainty of a sitting's length comes from; empty where there is no length.

    Parameters
    ----------
    summary : SittingSummary

    Returns
    -------
    str
        Standard uncertainties in mm.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> budget_line(et.summarise(result)[0])[:31]
    'Standard uncertainty by source,'
    """
    if summary.n_accepted == 0:
        return ""
    parts = ", ".join(
        f"{_SOURCES[name]} {spread_text(value)}"
        for name, value in summary.budget_mm.items()
        if name != "pressing" and value != 0.0
    )
    if summary.pressing is not None:
        parts = parts.replace(_SOURCES["scatter"], f"{_SOURCES['scatter']} apart from pressing")
    text = f"Standard uncertainty by source, mm: {parts}. More scans lower the first alone."
    if summary.pressing is not None:
        text += (
            f" Pressing: the eye is longer by {summary.pressing.mean_mm:.2f} mm, standard "
            f"uncertainty {summary.pressing.u_mm:.2f} ({summary.pressing.basis})."
        )
    return text


_SOURCES = {
    "scatter": "scatter of the scans",
    "speed": "sound speeds",
    "temperature": "temperature",
    "clock": "clock",
    "offset": "offset of the face",
    "distortion": "distortion of echoes",
    "assumed": "cornea taken as usual",
    "shared": "what all scans share",
}


def _probability_text(value: float) -> str:
    """Never a certainty."""
    return ">0.99" if value >= 0.995 else length_text(value)


def _status(result: Measurement, k: int) -> str:
    word = "yes" if result.accepted[k] else "no"
    if result.decided_by[k]:
        return f"{word} (by hand)"
    other = "yes" if result.accepted_alone[k] else "no"
    return word if result.accepted_alone[k] == result.accepted[k] else f"{word} ({other} alone)"


def _segments_of(result: Measurement, traces: Sequence[int]) -> list[int]:
    """Segments that the scans of a sitting have at all."""
    return [
        j
        for j in range(len(result.segments))
        if not all(math.isnan(result.length_mm[k, j]) for k in traces)
    ]


def scan_rows(result: Measurement, traces: Sequence[int]) -> tuple[list[str], list[list[str]]]:
    """Names of the columns and one row a scan, as texts.

    Parameters
    ----------
    result : Measurement
    traces : sequence of int

    Returns
    -------
    header : list of str
    rows : list of list of str

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> scan_rows(result, [0])[0][:2]
    ['scan', 'cornea']
    """
    segments = _segments_of(result, traces)
    header = ["scan", *[f"{result.segments[j]}" for j in segments]]
    old = "score" in result.features
    header += ["length", "u", *(["score"] if old else ["length right", "aligned"])]
    header += ["accepted", "findings"]
    rows, right = [], result.length_right_in_sitting
    for k in traces:
        rows.append(
            [
                str(k + 1),
                *[length_text(result.length_mm[k, j]) for j in segments],
                length_text(result.axial_length_mm[k]),
                spread_text(float(result.axial_length_u_mm[k])),
                *(
                    [length_text(float(result.features["score"][k]))]
                    if old
                    else [_probability_text(float(right[k])), result.aligned_in_words(k)]
                ),
                _status(result, k),
                ", ".join(
                    [
                        *hand_words(result, k),
                        *(name.replace("_", " ") for name in named_findings(result, k)),
                    ]
                )
                or "none",
            ]
        )
    return header, rows


def probabilities_mean(result: Measurement) -> str:
    """What the probabilities beside the lengths say, and what they were made from.

    Parameters
    ----------
    result : Measurement

    Returns
    -------
    str
        Empty where there are none.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> probabilities_mean(result)[:30]
    'Length right: the probability '
    """
    if "score" in result.features:
        return _OLD_SCORE_MEANS
    return "" if np.isnan(result.length_right).all() else _PROBABILITIES_MEAN


def measurement_text(
    result: Measurement,
    summaries: Sequence[SittingSummary],
    limits: QualityLimits,
    *,
    judgements: Sequence[SittingJudgement] = (),
    made_with: Sequence[str] = (),
    details: bool = False,
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
    made_with : sequence of str
        Speeds, probe and settings, as :func:`echotrace.report.made_with.made_with` says them.
    details : bool
        Tell all of every sitting, where many have one line each.
    max_scans : int
        Scans of a sitting that are listed; the rest is counted.

    Returns
    -------
    str

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> text = measurement_text(result, et.summarise(result), QualityLimits())
    >>> text.splitlines()[0]
    'Synthetic traces: invented data, no patient.'
    """
    blocks = [SYNTHETIC] if is_synthetic(result.attributes) else []
    if len(summaries) > _MANY_SITTINGS and not details:
        blocks.append(overview(summaries))
    else:
        blocks += [
            _sitting_text(
                result,
                summary,
                limits,
                judgements[number] if judgements else None,
                max_scans,
            )
            for number, summary in enumerate(summaries)
        ]
    means = probabilities_mean(result)
    if means:
        blocks.append(wrapped(means, indent="", hanging=""))
    if any(item.n_accepted for item in summaries):
        blocks.append(wrapped(WORDS_MEAN, indent="", hanging=""))
    if made_with:
        blocks.append("\n".join(wrapped(text, indent="", hanging="  ") for text in made_with))
    by_hand = hand_lines(result)
    if by_hand:
        blocks.append("\n".join(["By hand:", *[wrapped(line) for line in by_hand]]))
    gates = own_gates_line(result)
    if gates:
        blocks.append(wrapped(gates, indent="", hanging=""))
    blocks.append(wrapped(CAUTION, indent="", hanging=""))
    return "\n\n".join(blocks)


def _ends(summary: SittingSummary) -> str:
    low, high = summary.stated_interval_mm
    return "-" if math.isnan(low) else f"{low:.2f} to {high:.2f}"


def overview(summaries: Sequence[SittingSummary], recordings: Sequence[str] = ()) -> str:
    """Sittings with one line each.

    Parameters
    ----------
    summaries : sequence of SittingSummary
    recordings : sequence of str
        Of which recording each is; none: all of one.

    Returns
    -------
    str

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> overview(et.summarise(result) * 2, ["a.h5", "b.h5"]).splitlines()[0][:37]
    '2 sittings, 0 of them not acceptable '
    """
    rows = []
    for k, item in enumerate(summaries):
        labels = {name: one_line(text, 24) for name, text in item.labels.items()}
        said = ", ".join(finding.name.replace("_", " ") for finding in item.findings) or "none"
        rows.append(
            [
                *([one_line(recordings[k], 32)] if recordings else []),
                *[labels[name] for name in ("subject", "eye", "method", "operator", "sitting")],
                f"{item.n_accepted} of {item.n}",
                length_text(item.mean_mm),
                _ends(item),
                "yes" if item.acceptable else "NO",
                said,
            ]
        )
    header = ["recording"] if recordings else []
    header += ["subject", "eye", "method", "operator", "sitting", "accepted", "mm", "the eye, mm"]
    header += ["acceptable", "findings"]
    end = len(header)
    bad = sum(not item.acceptable for item in summaries)
    return "\n".join(
        [
            f"{len(summaries)} sittings, {bad} of them not acceptable (the eye: what holds its "
            "length at 95 %, pressing included)",
            "",
            table(header, rows, left=[*range(end - 5), end - 2, end - 1]),
            "",
            "All scans and reasons: " + ("above." if recordings else "--details, or -o FILE.csv."),
        ]
    )


def _sitting_text(
    result: Measurement,
    summary: SittingSummary,
    limits: QualityLimits,
    judgement: SittingJudgement | None,
    max_scans: int,
) -> str:
    traces = [int(k) for k in summary.traces]
    header, rows = scan_rows(result, traces[:max_scans])
    lines = [sitting_title(summary), "(lengths and their standard uncertainty u in mm)"]
    lines += ["", table(header, rows, left=[len(header) - 2, len(header) - 1], width=_TABLE_WIDTH)]
    if len(traces) > max_scans:
        lines.append(f"… and {len(traces) - max_scans} more scans (all with --json or -o)")
    for text in (summary_line(summary), budget_line(summary)):
        lines += ["", wrapped(text, indent="", hanging="")] if text else []
    if not summary.acceptable:
        lines.append("NOT ACCEPTABLE:")
    lines += [wrapped(f"! {finding.text}") for finding in summary.findings]
    if judgement is not None:
        lines += [wrapped(f"> {item.text}") for item in judgement.statements]
    told = reasons(result, traces, limits)
    if told:
        lines += ["Why:", *[wrapped(f"{scans}: {why}") for scans, why in told]]
    notes = notes_of(result, traces)
    lines += [wrapped(f"Note: {describe_finding(name, {})}", indent="") for name in notes]
    return "\n".join(lines)
