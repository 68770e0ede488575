"""One trace as a lesson tells it: what is seen, what the chain says, what is true."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.measure import measure
from echotrace.chain.plain import view_trace
from echotrace.figures.synthesis import display_db
from echotrace.measurement import Measurement
from echotrace.quality.finding_list import FINDINGS, Severity
from echotrace.quality.findings import rank_findings
from echotrace.quality.limits import QualityLimits
from echotrace.recording import Recording
from echotrace.signal.receiver import log_compress

__all__ = ["Judged", "judge", "length_words", "error_words"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judged:
    """One trace, measured, beside its truth.

    Attributes
    ----------
    recording : Recording
        Of this one trace.
    result : Measurement
        Of this one trace.
    true_us : dict of str to float
        True arrivals of the echoes by interface, µs; empty where the recording has no truth.
    true_length_mm : float
        Length along the visual axis, not pressed, mm; NaN where there is no truth.

    Examples
    --------
    >>> from echotrace.synthesis import synthesise
    >>> one = judge(synthesise({"scans": 1}, 1))
    >>> one.result.accepted.tolist(), abs(one.error_mm) < 0.05
    ([True], True)
    """

    recording: Recording
    result: Measurement
    true_us: dict[str, float]
    true_length_mm: float

    @property
    def length_mm(self) -> float:
        """The length that the chain reads, mm; NaN where there is none."""
        return float(self.result.axial_length_mm[0])

    @property
    def error_mm(self) -> float:
        """Length read less the true one, mm; NaN where one of them is missing."""
        return self.length_mm - self.true_length_mm

    @property
    def accepted(self) -> bool:
        """Whether the chain accepts the scan."""
        return bool(self.result.accepted[0])

    @property
    def picks_us(self) -> dict[str, float]:
        """Picks by interface, µs; those that are missing are left out."""
        pairs = zip(self.result.interfaces, self.result.delay_us[0], strict=True)
        return {name: float(at) for name, at in pairs if math.isfinite(at)}

    @property
    def level_db(self) -> NDArray[np.float32]:
        """Envelope in dB of full scale, as it was received."""
        if self.recording.signal == "rf" and self.recording.receiver is not None:
            return display_db(self.recording, 0)
        # Full scale is not known: the tallest echo behind the transmitted pulse stands for it.
        traces = view_trace(self.recording, 0).traces
        envelope = np.asarray(traces.envelope[0], np.float64)
        picks = self.result.delay_us[0]
        near = np.abs(self.recording.delay_us[:, None] - picks[np.isfinite(picks)]) < 0.3
        tallest = envelope[near.any(axis=1)].max(initial=0.0) or envelope.max()
        return log_compress(envelope / tallest, floor_db=-60.0)

    def findings(self, *, notes: bool = False) -> list[str]:
        """Names of the findings, the one that could cost most length first."""
        return [
            name
            for name in rank_findings(self.result.finding_list(0))
            if notes or FINDINGS[name].severity is not Severity.NOTE
        ]

    def reasons(self) -> list[str]:
        """What the chain says of the scan, in short sentences."""
        from echotrace.report.reasons import explain_finding

        limits = QualityLimits()
        return [explain_finding(self.result, 0, name, limits) for name in self.findings()]


def judge(
    recording: Recording, scan: int = 0, *, told: Mapping[str, str] = MappingProxyType({})
) -> Judged:
    """Measure one scan of a recording and put the truth beside it.

    Parameters
    ----------
    recording : Recording
    scan : int
        Counted from 0.
    told : mapping of str to str
        What the eye is taken for, where that is not what the recording says: ``lens_state``,
        ``lens_material``, ``vitreous``.

    Returns
    -------
    Judged

    Examples
    --------
    >>> import echotrace as et
    >>> round(judge(et.read("synthetic_traces/immersion_sitting.h5"), 2).true_length_mm, 2)
    23.41
    """
    one = recording.select(slice(scan, scan + 1))
    labels: dict[str, Any] = dict(told)
    one = replace(one, **labels)
    truth = one.truth
    true_us: dict[str, float] = {}
    true_length_mm = math.nan
    if truth is not None:
        pairs = zip(truth.interfaces, truth.delay_us[0], strict=True)
        true_us = {name: float(at) for name, at in pairs if math.isfinite(at)}
        if "axial_length_mm" in truth.columns:
            true_length_mm = float(truth.columns["axial_length_mm"][0])
    return Judged(
        recording=one, result=measure(one), true_us=true_us, true_length_mm=true_length_mm
    )


def length_words(length_mm: float) -> str:
    """A length as every text of a lesson writes it.

    Parameters
    ----------
    length_mm : float
        NaN where there is none.

    Returns
    -------
    str

    Examples
    --------
    >>> length_words(23.404), length_words(float("nan"))
    ('23.40 mm', 'no length')
    """
    return "no length" if math.isnan(length_mm) else f"{length_mm:.2f} mm"


def error_words(error_mm: float) -> str:
    """The error of a length with its sign.

    Parameters
    ----------
    error_mm : float
        Read less true; NaN where one is missing.

    Returns
    -------
    str

    Examples
    --------
    >>> error_words(0.374), error_words(-0.011), error_words(-0.001)
    ('0.37 mm too long', '0.01 mm too short', 'right to 0.01 mm')
    """
    if math.isnan(error_mm):
        return "no length to compare"
    if abs(error_mm) < 0.005:
        return "right to 0.01 mm"
    return f"{abs(error_mm):.2f} mm too {'long' if error_mm > 0.0 else 'short'}"
