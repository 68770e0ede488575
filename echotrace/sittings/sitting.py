"""One number from one sitting: statistics of the accepted scans, and why not to trust them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from echotrace.distributions import line_through, t_quantile
from echotrace.measurement import Measurement
from echotrace.recording import Method
from echotrace.sitting_limits import REPEATABILITY_FACTOR, SittingLimits
from echotrace.sittings.finding import SittingFinding
from echotrace.sittings.outliers import extreme_studentized_deviates
from echotrace.sittings.pressing import judge_pressing, scatter_apart_from_pressing
from echotrace.sittings.pressing_seen import ImmersionLength, immersion_lengths, sitting_pressing
from echotrace.sittings.pressing_term import PressingTerm, eye_length_interval
from echotrace.text_out import scan_names, scan_numbers

__all__ = ["SittingSummary", "summarise"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SittingSummary:
    """What one sitting says of the length of one eye.

    Attributes
    ----------
    labels : mapping of str to str
        Subject, eye, method, operator and so on.
    traces : ndarray of int
        Numbers of the sitting's scans in the measurement.
    n, n_accepted : int
    mean_mm, sd_mm, median_mm : float
        Of the accepted lengths. NaN where there are too few.
    u_mm : float
        Standard uncertainty of the mean by the scatter of the scans, mm: shrinks with their
        number. For a single scan that of its picks.
    u_shared_mm : float
        Standard uncertainty that all scans share, mm.
    u_combined_mm : float
        Both together.
    scatter_interval_mm : tuple of float
        Student t interval of the mean at ``confidence`` by the scatter of the scans alone: no
        interval of the eye's length, which what all scans share makes wider.
    expanded_mm : float
        Half width at ``confidence`` of the combined uncertainty, with the effective degrees of
        freedom of Welch and Satterthwaite (JCGM 100:2008, annex G); without pressing.
    pressing : PressingTerm or None
        In contact, by how much the eye is longer than the mean.
    stated_mm : float
        The eye's length: the mean, and in contact the mean of pressing on top.
    stated_interval_mm : tuple of float
        What holds the eye's length at ``confidence``: everything known, pressing included.
    budget_mm : mapping of str to float
        Standard uncertainty of the stated length by source, mm: ``scatter`` (in contact what of it
        is not pressing), what all scans share
        (``speed``, ``temperature``, ``clock``, ``offset``, ``distortion``, ``assumed``; ``shared``
        where a file does not tell them apart), and in contact ``pressing``.
    range_mm : tuple of float
        Smallest and largest accepted length.
    repeatability_mm : float
        1.96 sqrt(2) standard deviations.
    segment_mean_mm : mapping of str to float
    outliers : tuple of int
        Scans that the generalised extreme Studentized deviate singles out among the accepted.
    outliers_tested : int
        Largest number of outliers it was asked for.
    confidence : float
    findings : tuple of SittingFinding

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> (sitting,) = et.summarise(result)
    >>> sitting.n, sitting.n_accepted, round(sitting.mean_mm, 2)
    (6, 4, 23.4)
    """

    labels: Mapping[str, str]
    traces: NDArray[np.intp]
    n: int
    n_accepted: int
    mean_mm: float
    sd_mm: float
    median_mm: float
    u_mm: float
    u_shared_mm: float
    u_combined_mm: float
    scatter_interval_mm: tuple[float, float]
    expanded_mm: float
    pressing: PressingTerm | None
    stated_mm: float
    stated_interval_mm: tuple[float, float]
    budget_mm: Mapping[str, float]
    range_mm: tuple[float, float]
    repeatability_mm: float
    segment_mean_mm: Mapping[str, float]
    outliers: tuple[int, ...]
    outliers_tested: int
    confidence: float
    findings: tuple[SittingFinding, ...]

    @property
    def acceptable(self) -> bool:
        """Whether nothing speaks against handing the mean on to those who decide."""
        return not any(item.stops for item in self.findings)

    def to_record(self) -> dict[str, object]:
        """A flat dictionary, as JSON has it; missing numbers are None.

        Returns
        -------
        dict
            Lengths in mm.
        """

        def number(value: float) -> float | None:
            return None if math.isnan(value) else value

        return {
            **self.labels,
            "n": self.n,
            "n_accepted": self.n_accepted,
            "mean_mm": number(self.mean_mm),
            "sd_mm": number(self.sd_mm),
            "median_mm": number(self.median_mm),
            "u_mm": number(self.u_mm),
            "u_shared_mm": number(self.u_shared_mm),
            "u_combined_mm": number(self.u_combined_mm),
            "scatter_interval_mm": [number(x) for x in self.scatter_interval_mm],
            "expanded_mm": number(self.expanded_mm),
            "stated_mm": number(self.stated_mm),
            "stated_interval_mm": [number(x) for x in self.stated_interval_mm],
            "budget_mm": {name: number(value) for name, value in self.budget_mm.items()},
            "pressing": None
            if self.pressing is None
            else {
                "mean_mm": self.pressing.mean_mm,
                "u_mm": self.pressing.u_mm,
                "basis": self.pressing.basis,
            },
            "range_mm": [number(x) for x in self.range_mm],
            "repeatability_mm": number(self.repeatability_mm),
            "confidence": self.confidence,
            "segment_mean_mm": {k: number(v) for k, v in self.segment_mean_mm.items()},
            "outliers": scan_numbers(self.outliers),
            "outliers_tested": self.outliers_tested,
            "acceptable": self.acceptable,
            "findings": [{"name": f.name, "text": f.text} for f in self.findings],
        }


def summarise(
    result: Measurement,
    limits: SittingLimits | None = None,
    *,
    beside: Sequence[Measurement] = (),
) -> list[SittingSummary]:
    """Summarise each sitting of a measurement.

    Parameters
    ----------
    result : Measurement
        Scans accepted or rejected by hand count as such.
    limits : SittingLimits, optional
    beside : sequence of Measurement
        Other recordings of the same subjects: immersion of an eye, or of the other eye, says how
        far contact pressed.

    Returns
    -------
    list of SittingSummary
        In order of first appearance.

    Notes
    -----
    Mean and interval: JCGM 100:2008, 4.2 and G.3; shared and own parts: the same, 5.1.2 and G.4.
    Repeatability: ISO 5725-6.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> (sitting,) = et.summarise(result)
    >>> round(sitting.expanded_mm, 2), [item.name for item in sitting.findings]
    (0.08, [])
    """
    limits = limits or SittingLimits()
    others = immersion_lengths([result, *beside])
    return [
        _summarise_one(result, labels, traces, limits, others)
        for labels, traces in result.sittings()
    ]


def _summarise_one(
    result: Measurement,
    labels: Mapping[str, str],
    traces: NDArray[np.intp],
    limits: SittingLimits,
    others: Sequence[ImmersionLength],
) -> SittingSummary:
    used = traces[result.accepted[traces] & ~np.isnan(result.axial_length_mm[traces])]
    lengths = result.axial_length_mm[used]
    n = int(used.size)
    nan = math.nan
    mean = float(lengths.mean()) if n else nan
    sd = float(lengths.std(ddof=1)) if n > 1 else nan
    u = sd / math.sqrt(n) if n > 1 else nan
    if n == 1:
        u = float(result.axial_length_u_mm[used[0]])
    u_shared = float(np.sqrt(np.mean(result.axial_length_u_shared_mm[used] ** 2))) if n else nan
    combined = math.hypot(u, u_shared)
    half = nan
    expanded = nan
    if n > 1:
        tail = 0.5 + 0.5 * limits.confidence
        half = float(t_quantile(tail, n - 1)) * u
        # Shared sources are known by judgement: infinite degrees of freedom.
        dof = (n - 1) * (combined / u) ** 4 if u > 0.0 else math.inf
        expanded = float(t_quantile(tail, dof)) * combined
    term = None
    stated, interval = mean, (mean - expanded, mean + expanded)
    rest = u
    if n and labels["method"] == Method.CONTACT:
        rest = scatter_apart_from_pressing(result, used, u)
        term = sitting_pressing(result, labels, used, rest, others)
        stated = mean + term.mean_mm
        if n > 1:
            both = math.hypot(rest, u_shared)
            dof = (n - 1) * (both / rest) ** 4 if rest > 0.0 else math.inf
            interval = eye_length_interval(mean, both, dof, term, limits.confidence)
    outliers = extreme_studentized_deviates(
        lengths, max_outliers=limits.max_outliers, alpha=limits.outlier_alpha
    )
    outliers = outliers[np.abs(lengths[outliers] - mean) >= limits.min_effect_mm]
    findings = _sitting_findings(result, labels, used, sd, used[outliers], limits)
    return SittingSummary(
        labels=MappingProxyType(dict(labels)),
        traces=traces,
        n=int(traces.size),
        n_accepted=n,
        mean_mm=mean,
        sd_mm=sd,
        median_mm=float(np.median(lengths)) if n else nan,
        u_mm=u,
        u_shared_mm=u_shared,
        u_combined_mm=combined,
        scatter_interval_mm=(mean - half, mean + half),
        expanded_mm=expanded,
        pressing=term,
        stated_mm=stated,
        stated_interval_mm=interval,
        budget_mm=MappingProxyType(_budget(result, used, rest, u_shared, term)),
        range_mm=(float(lengths.min()), float(lengths.max())) if n else (nan, nan),
        repeatability_mm=REPEATABILITY_FACTOR * sd,
        segment_mean_mm=MappingProxyType(
            {
                name: float(np.mean(result.length_mm[used, k])) if n else nan
                for k, name in enumerate(result.segments)
                if not np.isnan(result.length_mm[traces, k]).all()
            }
        ),
        outliers=tuple(int(k) for k in used[outliers]),
        outliers_tested=max(0, min(limits.max_outliers, n - 2)),
        confidence=limits.confidence,
        findings=findings,
    )


def _budget(
    result: Measurement,
    used: NDArray[np.intp],
    u: float,
    u_shared: float,
    term: PressingTerm | None,
) -> dict[str, float]:
    """Standard uncertainty by source, mm."""
    found = {"scatter": u}
    by_source = result.shared_budget_mm
    for name, values in by_source.items():
        found[name] = float(np.sqrt(np.mean(values[used] ** 2))) if used.size else math.nan
    if not by_source:
        found["shared"] = u_shared
    if term is not None:
        found["pressing"] = term.u_mm
    return found


def _sitting_findings(
    result: Measurement,
    labels: Mapping[str, str],
    used: NDArray[np.intp],
    sd: float,
    outliers: NDArray[np.intp],
    limits: SittingLimits,
) -> tuple[SittingFinding, ...]:
    n = int(used.size)
    found = []
    if n < limits.min_accepted:
        found.append(
            SittingFinding(
                "too_few_scans",
                f"{f'Only {n}' if n else 'None'} of the scans can be accepted, "
                f"{limits.min_accepted} are needed. Capture more.",
                stops=True,
            )
        )
    largest = getattr(limits, f"max_sd_{labels['method']}_mm")
    if sd > largest:
        found.append(
            SittingFinding(
                "spread_too_large",
                f"The accepted lengths spread by a standard deviation of {sd:.3f} mm, at most "
                f"{largest:g} mm is wanted in {labels['method']}. Look for the scans that do not "
                "belong, or capture again.",
                stops=True,
            )
        )
    if outliers.size:
        stand, them = ("stands", "it") if outliers.size == 1 else ("stand", "them")
        tested = min(limits.max_outliers, n - 2)
        found.append(
            SittingFinding(
                "outlier",
                f"{scan_names(outliers).capitalize()} {stand} apart from the rest (generalised "
                f"extreme Studentized deviate, up to {tested} tested at "
                f"{limits.outlier_alpha:g}). Look at {them}; reject by hand what is bad.",
            )
        )
    found += _drift(result, used, limits)
    pressing = judge_pressing(result, used) if labels["method"] == Method.CONTACT else None
    if pressing is not None and (one := pressing.finding(limits.max_chamber_range_mm)):
        found.append(one)
    return tuple(found)


def _drift(
    result: Measurement, used: NDArray[np.intp], limits: SittingLimits
) -> list[SittingFinding]:
    """A straight trend of length against the order of the scans."""
    lengths = result.axial_length_mm[used]
    if used.size < 4 or lengths.std() == 0.0:
        return []
    fit = line_through(used.astype(np.float64), lengths)
    change = abs(fit.slope) * float(np.ptp(used))
    if not (fit.p_value < limits.drift_alpha and change >= limits.min_effect_mm):
        return []
    return [
        SittingFinding(
            "drift",
            f"Length changes by {fit.slope:+.3f} mm from scan to scan (p = {fit.p_value:.3f}). "
            "Check whether the probe presses more and more, or the fixation wanders.",
        )
    ]
