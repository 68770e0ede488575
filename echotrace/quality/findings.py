"""Findings of traces as bits, in order of importance, and in plain words.

They are made from the features of :mod:`echotrace.quality.features`, each held against its limit.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.quality.finding_list import FINDINGS, Finding, Severity
from echotrace.quality.limits import QualityLimits
from echotrace.quality.score_reasons import against_the_length

__all__ = [
    "accepted_by_findings",
    "bits_of",
    "carrier_is_doubtful",
    "describe_finding",
    "finding_bits",
    "rank_findings",
    "rejecting_bits",
]

Float32 = NDArray[np.float32]


_BELOW = frozenset(
    {
        "beam_off_axis",
        "chamber_shallow",
        "repeat_taken",
        "length_doubtful",
        "gain_too_low",
        "retina_low",
        "no_wall_behind_retina",
        "lens_echoes_unbalanced",
        "choice_uncertain",
        "apart_from_sitting",
    }
)


_WITHOUT_AN_EYE = frozenset(
    {
        "no_echo",
        "cornea_assumed",
        "receiver_unknown",
        "recording_unfit",
        "length_doubtful",
        "carrier_doubtful",
    }
)


def finding_bits(
    features: Mapping[str, Float32],
    limits: QualityLimits,
    *,
    cornea_assumed: NDArray[np.bool_],
    receiver_known: bool,
    gate_empty: NDArray[np.bool_] | None = None,
) -> NDArray[np.uint64]:
    """Findings of each trace as a bit set; bit ``k`` is the ``k``-th of :data:`FINDINGS`.

    Parameters
    ----------
    features : mapping
        From :func:`echotrace.quality.features.trace_features`; findings are made of those that are
        there.
    limits : QualityLimits
    cornea_assumed : ndarray of bool, (n_traces,)
    receiver_known : bool
    gate_empty : ndarray of bool, (n_traces,), optional
        A gate that a person set holds nothing.

    Returns
    -------
    ndarray of uint64, (n_traces,)

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.quality.findings import finding_bits
    >>> from echotrace.quality.limits import QualityLimits
    >>> features = {name: np.float32([value]) for name, value in
    ...             {"echo_count": 9, "missing_count": 0, "weakest_level_db": 14.0}.items()}
    >>> bits = finding_bits(features, QualityLimits(), cornea_assumed=np.array([False]),
    ...                     receiver_known=True)
    >>> bits.tolist()
    [16]
    """
    no_echo = features["echo_count"] < 1
    raised = np.zeros((len(FINDINGS), no_echo.size), np.bool_)
    of = dict(zip(FINDINGS, raised, strict=True))
    of["no_echo"][:] = no_echo
    of["echo_missing"][:] = features["missing_count"] > 0
    if gate_empty is not None:
        of["echo_missing"] |= gate_empty
    of["cornea_assumed"][:] = cornea_assumed
    of["receiver_unknown"][:] = not receiver_known
    # Counts, of which one is enough.
    for name in ("echoes_unresolved", "wall_repeats"):
        if FINDINGS[name].feature in features:
            of[name][:] = features[FINDINGS[name].feature] > 0
    # A feature that could not be had (NaN) raises nothing: what it lacks has its own finding.
    with np.errstate(invalid="ignore"):
        for name, finding in FINDINGS.items():
            if not finding.limit or finding.feature not in features:
                continue
            beyond = np.less if name in _BELOW else np.greater
            beyond(features[finding.feature], getattr(limits, finding.limit), out=of[name])
            if finding.also and finding.also[0] in features:
                of[name] |= features[finding.also[0]] > getattr(limits, finding.also[1])
        if "carrier_doubt" in features:
            of["carrier_doubtful"][:] = carrier_is_doubtful(
                features["carrier_doubt"], features["carrier_misfit"], limits
            )
        if "cavity_mm" in features:
            # In an aphakic eye the cavity runs from the cornea on.
            front = np.float32(0.0 if "lens_echo_db" in features else 6.5)
            cavity = features["cavity_mm"] - front
            of["filling_contradicted"] |= cavity > limits.max_published_cavity_mm
            of["vitreous_doubtful"][:] = (cavity < limits.min_cavity_mm) | (
                cavity > limits.max_cavity_mm
            )
        elif "clipped_samples" in features:
            np.greater(
                features["clipped_samples"], limits.max_clipped_samples, out=of["gain_too_high"]
            )
    bits = np.zeros(no_echo.size, np.uint64)
    for k in np.flatnonzero(raised.any(axis=1)):
        bits[raised[k]] |= 1 << int(k)
    # Where there is no eye on the trace, nothing can be said of it.
    bits[no_echo] &= bits_of(_WITHOUT_AN_EYE)
    return bits


def carrier_is_doubtful(doubt: Any, misfit: Any, limits: QualityLimits) -> Any:
    """Whether echoes have another carrier than stated: surely, and by more than a probe may be off.

    Parameters
    ----------
    doubt, misfit : float or ndarray
        Standard deviations, and part of the carrier; NaN where not known.
    limits : QualityLimits

    Returns
    -------
    bool or ndarray of bool
        False where not known.

    Examples
    --------
    >>> from echotrace.quality.findings import carrier_is_doubtful
    >>> from echotrace.quality.limits import QualityLimits
    >>> [carrier_is_doubtful(5.0, misfit, QualityLimits()) for misfit in (0.1, 0.02)]
    [True, False]
    """
    return (doubt > limits.max_carrier_doubt) & (misfit > limits.max_carrier_misfit)


def bits_of(names: Iterable[str]) -> np.uint64:
    """The bits of some findings.

    Parameters
    ----------
    names : iterable of str
        Of :data:`~echotrace.quality.finding_list.FINDINGS`.

    Returns
    -------
    numpy.uint64

    Raises
    ------
    ValueError
        There is no finding of such a name.

    Examples
    --------
    >>> from echotrace.quality.findings import bits_of
    >>> int(bits_of(["gas_filling", "no_echo"]))
    3
    """
    return np.uint64(sum(1 << list(FINDINGS).index(name) for name in names))


@functools.cache
def rejecting_bits() -> np.uint64:
    """The bits of all findings that reject a scan.

    Returns
    -------
    uint64

    Examples
    --------
    >>> from echotrace.quality.finding_list import FINDINGS
    >>> from echotrace.quality.findings import rejecting_bits
    >>> bool(rejecting_bits() >> list(FINDINGS).index("cornea_assumed") & 1)
    False
    """
    return bits_of(item.name for item in FINDINGS.values() if item.severity is Severity.REJECT)


def accepted_by_findings(
    findings: NDArray[np.uint64],
    features: Mapping[str, Float32],
    limits: QualityLimits | None = None,
) -> NDArray[np.bool_]:
    """Traces that no finding rejects.

    ``choice_uncertain`` only warns where the echo taken leads; where another one fits better, as
    it can where gates are searched one by one, it rejects. So does an echo as of a cornea in the
    chamber, of which ``spike_out_of_place`` tells.

    Parameters
    ----------
    findings : ndarray of uint64, (n_traces,)
    features : mapping
    limits : QualityLimits, optional

    Returns
    -------
    ndarray of bool, (n_traces,)

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.quality.findings import accepted_by_findings
    >>> nothing = np.zeros(2, np.uint64)
    >>> accepted_by_findings(nothing, {"least_margin": np.float32([0.5, -3.0])}).tolist()
    [True, False]
    """
    accepted: NDArray[np.bool_] = (findings & rejecting_bits()) == 0
    if "least_margin" in features:
        # NaN where a trace has no such choice: its missing echo has its own finding.
        accepted &= ~(features["least_margin"] < 0.0)
    if "chamber_echo_against_cornea_db" in features:
        most_db = (limits or QualityLimits()).max_chamber_echo_db
        accepted &= ~(features["chamber_echo_against_cornea_db"] > most_db)
    return accepted


def rank_findings(names: Iterable[str]) -> list[str]:
    """Findings by the length error that they can cause, largest first.

    A doubtful length comes behind them, for it only sums up; notes come last.

    Parameters
    ----------
    names : iterable of str

    Returns
    -------
    list of str

    Raises
    ------
    KeyError
        A name that is not in :data:`~echotrace.quality.finding_list.FINDINGS`.

    Examples
    --------
    >>> from echotrace.quality.findings import rank_findings
    >>> rank_findings(["cornea_assumed", "length_doubtful", "retina_low", "echo_missing"])
    ['echo_missing', 'retina_low', 'length_doubtful', 'cornea_assumed']
    """
    return sorted(
        names,
        key=lambda name: (
            FINDINGS[name].severity is Severity.NOTE,
            name == "length_doubtful",
            -FINDINGS[name].error_mm,
        ),
    )


_UNITS = (
    ("_db", " dB"),
    ("_us", " µs"),
    ("_mm", " mm"),
    ("_ratio", " times that of an undistorted echo"),
    ("_distance", " standard deviations"),
)


def describe_finding(
    name: str, features: Mapping[str, float], limits: QualityLimits | None = None
) -> str:
    """A finding in plain words, with its number and what to do.

    Parameters
    ----------
    name : str
    features : mapping of str to float
        The features of the one trace.
    limits : QualityLimits, optional
        To say what the feature was held against.

    Returns
    -------
    str
        Sentences.

    Raises
    ------
    ParameterError
        No such finding.

    Examples
    --------
    >>> from echotrace.quality.findings import describe_finding
    >>> from echotrace.quality.limits import QualityLimits
    >>> words = describe_finding("gain_too_low", {"weakest_level_db": 14.2}, QualityLimits())
    >>> print(words.split(". ")[1])
    Weakest echo over the noise: 14.2 dB; at least 20 dB wanted
    """
    if name not in FINDINGS:
        raise ParameterError(f"unknown finding {name!r}; known: {', '.join(FINDINGS)}")
    finding = FINDINGS[name]
    parts = [finding.says, _number_words(finding, features, limits)]
    if name == "length_doubtful" and features:
        against = against_the_length(features)
        parts.append(f"what weighs most against it: {', then '.join(against)}" if against else "")
    parts.append(finding.do)
    return " ".join(f"{part[0].upper()}{part[1:]}." for part in parts if part)


def _number_words(
    finding: Finding, features: Mapping[str, float], limits: QualityLimits | None
) -> str:
    """The feature that raised a finding, in words; empty where there is none."""
    feature, limit, words = finding.feature, finding.limit, finding.words
    below = finding.name in _BELOW
    if finding.also and limits is not None:
        second = features.get(finding.also[0], np.nan)
        first = features.get(feature, np.nan)
        least = getattr(limits, limit)
        if second > getattr(limits, finding.also[1]) and not (
            first < least if below else first > least
        ):
            (feature, limit, words), below = finding.also, False
    value = features.get(feature, np.nan)
    if finding.name == "corrected_by_sitting" and "sitting_length_mm" in features:
        alone = f"{value:.2f} mm" if np.isfinite(value) else "none"
        now = features["sitting_length_mm"]
        both = f"{words}: {alone}; with the sitting: {now:.2f} mm"
        return both if np.isfinite(now) else f"{words}: {alone}; with the sitting: none"
    if not words or not np.isfinite(value):
        return ""
    if finding.name == "carrier_doubtful":
        stated_mhz, found_mhz = features["stated_carrier_mhz"], features["carrier_mhz"]
        words += f" {found_mhz:.3g} MHz where {stated_mhz:.3g} MHz is stated, off"
        percent = 100.0 * features["carrier_misfit"]
        if limits is None:
            return f"{words}: {percent:.1f} %"
        return (
            f"{words}: {percent:.1f} % and {value:.1f} standard deviations; at most "
            f"{100.0 * limits.max_carrier_misfit:g} % or {limits.max_carrier_doubt:g} wanted"
        )
    unit = next((word for end, word in _UNITS if feature.endswith(end)), "")
    wanted = getattr(limits, limit) if limit and limits is not None else np.nan
    shown = _number(value, feature)
    # A long unit is said once.
    again = unit if len(unit) < 6 else ""
    text = f"{words}: {shown}{unit}"
    if np.isfinite(wanted) and float(shown) == wanted:
        text += f", just {'under' if below else 'over'} the {wanted:g}{again} wanted"
    elif np.isfinite(wanted):
        text += f"; {'at least' if below else 'at most'} {wanted:g}{again} wanted"
    elif feature == "cavity_mm" and limits is not None:
        text += f"; {limits.min_cavity_mm:g} to {limits.max_cavity_mm:g} expected"
    return text


def _number(value: float, feature: str) -> str:
    if feature.endswith(("_samples", "_count")):
        return f"{value:.0f}"
    return f"{value:.{1 if feature.endswith(('_db', '_ratio', '_distance')) else 2}f}"
