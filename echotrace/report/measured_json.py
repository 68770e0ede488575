"""What a measurement says, as plain values for JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from echotrace.caution import CAUTION, SYNTHETIC, is_synthetic
from echotrace.measurement import Measurement
from echotrace.quality.findings import rank_findings
from echotrace.quality.limits import QualityLimits
from echotrace.report.measured_text import probabilities_mean
from echotrace.report.reasons import explain_finding
from echotrace.sittings.sitting import SittingSummary
from echotrace.sittings.sitting_quality import SittingJudgement

__all__ = ["measurement_json"]


def measurement_json(
    result: Measurement,
    summaries: Sequence[SittingSummary],
    limits: QualityLimits,
    *,
    judgements: Sequence[SittingJudgement],
    made_with: Sequence[str],
) -> dict[str, Any]:
    """Everything that text and page say, under names.

    Parameters
    ----------
    result : Measurement
    summaries : sequence of SittingSummary
    limits : QualityLimits
        Those that the findings were made with.
    judgements : sequence of SittingJudgement
        One for each summary.
    made_with : sequence of str
        Speeds, probe and settings, as :func:`echotrace.report.made_with.made_with` says them.

    Returns
    -------
    dict
        Lengths in mm; scans are counted from 1.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> about = measurement_json(
    ...     result,
    ...     et.summarise(result),
    ...     et.Settings().quality,
    ...     judgements=et.judge_sittings(result),
    ...     made_with=[],
    ... )
    >>> about["synthetic"], about["scans"][2]["scan"]
    ('Synthetic traces: invented data, no patient.', 3)
    """
    scans = []
    for k, record in enumerate(result.to_records()):
        names = rank_findings(result.finding_list(k))
        why = [explain_finding(result, k, name, limits) for name in names]
        scans.append(record | {"findings": names, "why": why})
    return {
        "caution": CAUTION,
        "synthetic": SYNTHETIC if is_synthetic(result.attributes) else None,
        "probabilities_mean": probabilities_mean(result),
        "made_with": list(made_with),
        "sittings": [
            {**item.to_record(), "judgement": judged.to_record()}
            for item, judged in zip(summaries, judgements, strict=True)
        ],
        "scans": scans,
        "by_hand": [line for line in result.attributes.get("by_hand", "").split("\n") if line],
        "decisions": json.loads(result.attributes.get("decisions", "null")),
        "engine": result.engine,
        "settings": json.loads(result.settings_json),
    }
