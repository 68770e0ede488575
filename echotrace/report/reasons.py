"""Why scans are bad, in words: each reason once, for all scans that it concerns."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from echotrace.measurement import Measurement
from echotrace.quality.finding_list import FINDINGS, Severity
from echotrace.quality.findings import describe_finding, rank_findings
from echotrace.quality.limits import QualityLimits
from echotrace.report.gates import gate_words, own_gates
from echotrace.text_out import scan_names

__all__ = ["explain_finding", "named_findings", "notes_of", "reasons", "scan_verdict"]

_MOST_VALUES = 8
_VALUE = re.compile(r"([^:]+): ([^;]*?)(; [^;]*)?\.")


def scan_verdict(result: Measurement, k: int, most: int = 2) -> str:
    """Whether a scan is accepted, and what was found that could cost most length.

    Parameters
    ----------
    result : Measurement
    k : int
        The scan.
    most : int
        Findings that are named; the rest is counted.

    Returns
    -------
    str

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> scan_verdict(result, 0)
    'accepted'
    """
    word = "accepted" if result.accepted[k] else "rejected"
    names = [name.replace("_", " ") for name in named_findings(result, k)]
    more = [f"{len(names) - most} more"] if len(names) > most else []
    said = ", ".join([*names[:most], *more])
    return f"{word}: {said}" if said else word


def named_findings(result: Measurement, k: int, *, notes: bool = False) -> list[str]:
    """Findings of a scan, the one that could cost most length first.

    Parameters
    ----------
    result : Measurement
    k : int
        The scan.
    notes : bool
        With those that only note something.

    Returns
    -------
    list of str

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> named_findings(result, 4)
    ['gain_too_high', 'lens_echo_clipped']
    """
    return [
        name
        for name in rank_findings(result.finding_list(k))
        if notes or FINDINGS[name].severity is not Severity.NOTE
    ]


def notes_of(result: Measurement, traces: Sequence[int]) -> list[str]:
    """Notes that scans of a sitting carry, each once.

    Parameters
    ----------
    result : Measurement
    traces : sequence of int

    Returns
    -------
    list of str

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> notes_of(result, range(6))
    []
    """
    names = {name for k in traces for name in result.finding_list(k)}
    return [
        name for name, item in FINDINGS.items() if name in names and item.severity is Severity.NOTE
    ]


def explain_finding(result: Measurement, k: int, name: str, limits: QualityLimits) -> str:
    """A finding of one scan in words, with its value; a missing echo is named.

    Parameters
    ----------
    result : Measurement
    k : int
        The scan.
    name : str
        The finding.
    limits : QualityLimits

    Returns
    -------
    str

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> explain_finding(result, 4, "gain_too_high", QualityLimits())[:38]
    'The first or the last echo of the leng'
    """
    if name == "echo_missing":
        own = own_gates(result, k)
        lost = [
            interface.replace("_", " ")
            + (f" (the user's gate: {gate_words(own[interface])})" if interface in own else "")
            for j, interface in enumerate(result.interfaces)
            if math.isnan(result.delay_us[k, j])
            and (interface in own or interface not in ("cornea_back", "sclera"))
        ]
        do = FINDINGS[name].do
        return f"Not found: {', '.join(lost)}. {do[0].upper()}{do[1:]}."
    features = {key: float(values[k]) for key, values in result.features.items()}
    return describe_finding(name, features, limits)


def reasons(
    result: Measurement, traces: Sequence[int], limits: QualityLimits
) -> list[tuple[str, str]]:
    """Why the scans of a sitting are bad: each reason once, for all scans it concerns.

    Parameters
    ----------
    result : Measurement
    traces : sequence of int
        Python's indices of the scans.
    limits : QualityLimits

    Returns
    -------
    list of tuple of str
        Names of the scans, and the reason with its values; what could cost most length first.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> [scans for scans, _ in reasons(result, range(6), QualityLimits())]
    ['scan 3', 'scan 3', 'scan 3', 'scan 5', 'scan 5']
    """
    concerned: dict[str, list[int]] = {}
    for k in traces:
        for name in named_findings(result, k):
            concerned.setdefault(name, []).append(k)
    return [
        (_names_of(concerned[name], traces), _for_all(result, concerned[name], name, limits))
        for name in rank_findings(concerned)
    ]


def _names_of(scans: Sequence[int], of: Sequence[int]) -> str:
    return "all scans" if len(scans) == len(of) > 1 else scan_names(scans)


def _for_all(result: Measurement, traces: Sequence[int], name: str, limits: QualityLimits) -> str:
    texts = [explain_finding(result, k, name, limits) for k in traces]
    if len(set(texts)) == 1:
        return texts[0]
    # What is said of one scan is: what is wrong, the value and its limit, what to do.
    says, do = FINDINGS[name].says, FINDINGS[name].do
    told = [text[len(says) + 2 : -len(do) - 1].strip() for text in texts]
    if len(told) > 2:
        # What weighs most differs from scan to scan: the page and JSON tell.
        told = [re.sub(r"\. What weighs .*", ".", text) for text in told]
    parts = [_VALUE.fullmatch(text) for text in told]
    if all(parts) and len({(p[1], p[3]) for p in parts if p}) == 1:
        values = [f"{p[2]} in {scan_names([k])}" for p, k in zip(parts, traces, strict=True) if p]
        first = parts[0]
        assert first is not None
        shown = f"{first[1]}: {', '.join(values[:_MOST_VALUES])}"
        if len(values) > _MOST_VALUES:
            shown += f", and {len(values) - _MOST_VALUES} more"
        shown += f"{first[3] or ''}."
    else:
        shown = " ".join(
            f"{scan_names([k]).capitalize()}: {text[:1].lower()}{text[1:]}"
            for k, text in zip(traces[:_MOST_VALUES], told[:_MOST_VALUES], strict=True)
        )
    return " ".join(f"{text[0].upper()}{text[1:]}" for text in (f"{says}.", shown, f"{do}."))
