"""Summaries of lengths that can be merged: of blocks, of files, of groups of traces."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.measurement import Measurement
from echotrace.recording import COLUMNS, distinct_rows

__all__ = ["GroupSummary", "ManySummary", "Moments", "label_columns"]


@dataclass(frozen=True, slots=True)
class Moments:
    """Number, mean and sum of squared deviations of some values; two can be merged.

    Attributes
    ----------
    n : int
    mean : float
        NaN where there are none.
    squares : float
        Sum of the squared deviations from the mean.
    least, largest : float

    Notes
    -----
    Merged by the pairwise update of Chan TF, Golub GH, LeVeque RJ 1983, Am Stat 37:242, which
    loses nothing to cancellation.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.many.summaries import Moments
    >>> both = Moments.of(np.array([1.0, 2.0])).merge(Moments.of(np.array([3.0])))
    >>> both.n, both.mean, both.sd
    (3, 2.0, 1.0)
    """

    n: int = 0
    mean: float = math.nan
    squares: float = 0.0
    least: float = math.inf
    largest: float = -math.inf

    @classmethod
    def of(cls, values: NDArray[np.float64]) -> Moments:
        """Moments of the values that are not NaN.

        Parameters
        ----------
        values : ndarray of float64, (n,)
            NaN is left out.

        Returns
        -------
        Moments
        """
        values = values[~np.isnan(values)]
        if not values.size:
            return cls()
        mean = float(values.mean())
        return cls(
            int(values.size),
            mean,
            float(np.sum((values - mean) ** 2)),
            float(values.min()),
            float(values.max()),
        )

    def merge(self, other: Moments) -> Moments:
        """Moments of both sets of values together.

        Parameters
        ----------
        other : Moments

        Returns
        -------
        Moments
        """
        if not (self.n and other.n):
            return self if self.n else other
        n = self.n + other.n
        step = other.mean - self.mean
        return Moments(
            n,
            self.mean + step * other.n / n,
            self.squares + other.squares + step * step * self.n * other.n / n,
            min(self.least, other.least),
            max(self.largest, other.largest),
        )

    @property
    def sd(self) -> float:
        """Standard deviation, n - 1 in the denominator; NaN for fewer than two values."""
        return math.sqrt(self.squares / (self.n - 1)) if self.n > 1 else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupSummary:
    """What the traces of one group say.

    Attributes
    ----------
    n, n_accepted : int
    length_mm : Moments
        Of the accepted total lengths.
    segment_mm : mapping of str to Moments
        Of the segments of accepted traces.
    findings : mapping of str to int
        Number of traces that carry each finding.

    Examples
    --------
    >>> import echotrace as et
    >>> found = et.measure_many(["synthetic_traces/immersion_sitting.h5"])
    >>> round(found.total.length_mm.mean, 2)
    23.4
    """

    n: int = 0
    n_accepted: int = 0
    length_mm: Moments = field(default_factory=Moments)
    segment_mm: Mapping[str, Moments] = field(default_factory=dict)
    findings: Mapping[str, int] = field(default_factory=dict)

    @classmethod
    def of(cls, part: Measurement, rows: NDArray[np.intp]) -> GroupSummary:
        """Summary of some traces of a measurement.

        Parameters
        ----------
        part : Measurement
        rows : ndarray of int, (n,)
            Numbers of its traces.

        Returns
        -------
        GroupSummary
        """
        used = rows[part.accepted[rows]]
        bits = part.findings[rows]
        counts = {
            name: int(np.count_nonzero(bits >> np.uint64(k) & np.uint64(1)))
            for k, name in enumerate(part.finding_names)
        }
        return cls(
            n=int(rows.size),
            n_accepted=int(used.size),
            length_mm=Moments.of(part.axial_length_mm[used]),
            segment_mm={
                name: Moments.of(part.length_mm[used, k]) for k, name in enumerate(part.segments)
            },
            findings={name: count for name, count in counts.items() if count},
        )

    def merge(self, other: GroupSummary) -> GroupSummary:
        """Summary of the traces of both.

        Parameters
        ----------
        other : GroupSummary

        Returns
        -------
        GroupSummary
        """
        segments = dict(self.segment_mm)
        for name, moments in other.segment_mm.items():
            segments[name] = segments.get(name, Moments()).merge(moments)
        findings = dict(self.findings)
        for name, count in other.findings.items():
            findings[name] = findings.get(name, 0) + count
        return GroupSummary(
            n=self.n + other.n,
            n_accepted=self.n_accepted + other.n_accepted,
            length_mm=self.length_mm.merge(other.length_mm),
            segment_mm=segments,
            findings=findings,
        )

    def to_record(self) -> dict[str, Any]:
        """A flat dictionary, as JSON has it; missing numbers are None.

        Returns
        -------
        dict
            Lengths in mm.
        """

        def number(value: float) -> float | None:
            return value if math.isfinite(value) else None

        return {
            "n": self.n,
            "n_accepted": self.n_accepted,
            "mean_mm": number(self.length_mm.mean),
            "sd_mm": number(self.length_mm.sd),
            "least_mm": number(self.length_mm.least),
            "largest_mm": number(self.length_mm.largest),
            "segment_mean_mm": {k: number(v.mean) for k, v in self.segment_mm.items()},
            "findings": dict(self.findings),
        }


Labels = tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ManySummary:
    """Summaries of the traces of one or many recordings, by label.

    Attributes
    ----------
    by : tuple of str
        Label columns that make the groups.
    groups : mapping of tuple of str to GroupSummary
        In order of first appearance.

    Examples
    --------
    >>> import echotrace as et
    >>> found = et.measure_many(["synthetic_traces/immersion_sitting.h5"], by=("method",))
    >>> list(found.groups)
    [('immersion',)]
    """

    by: tuple[str, ...]
    groups: Mapping[Labels, GroupSummary]

    @classmethod
    def of(cls, part: Measurement, by: tuple[str, ...]) -> ManySummary:
        """Summary of a measurement.

        Parameters
        ----------
        part : Measurement
        by : tuple of str
            Label columns; empty for one group of all.

        Returns
        -------
        ManySummary
        """
        if not by:
            return cls(by=by, groups={(): GroupSummary.of(part, np.arange(part.n_traces))})
        columns = [getattr(part, name) for name in by]
        first, inverse = distinct_rows(columns)
        return cls(
            by=by,
            groups={
                tuple(column[int(row)] for column in columns): GroupSummary.of(
                    part, np.flatnonzero(inverse == k)
                )
                for k, row in enumerate(first)
            },
        )

    def merge(self, other: ManySummary) -> ManySummary:
        """Summary of both, this one's traces first.

        Parameters
        ----------
        other : ManySummary
            By the same label columns.

        Returns
        -------
        ManySummary
        """
        groups = dict(self.groups)
        for labels, summary in other.groups.items():
            groups[labels] = groups[labels].merge(summary) if labels in groups else summary
        return ManySummary(by=self.by, groups=MappingProxyType(groups))

    @property
    def total(self) -> GroupSummary:
        """All groups together."""
        whole = GroupSummary()
        for summary in self.groups.values():
            whole = whole.merge(summary)
        return whole

    def to_records(self) -> list[dict[str, Any]]:
        """One dictionary a group: its labels and its summary.

        Returns
        -------
        list of dict
            Lengths in mm.
        """
        return [
            {**dict(zip(self.by, labels, strict=True)), **summary.to_record()}
            for labels, summary in self.groups.items()
        ]


def label_columns(by: Sequence[str]) -> tuple[str, ...]:
    """Names of label columns, checked.

    Parameters
    ----------
    by : sequence of str

    Returns
    -------
    tuple of str

    Raises
    ------
    ParameterError
        A name is not that of a label column.

    Examples
    --------
    >>> from echotrace.many.summaries import label_columns
    >>> label_columns(["method", "operator"])
    ('method', 'operator')
    """
    for name in by:
        if name not in COLUMNS:
            raise ParameterError(f"by={name!r}: use label columns, {', '.join(COLUMNS)}")
    return tuple(by)
