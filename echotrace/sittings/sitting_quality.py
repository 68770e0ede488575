"""What the scans of a sitting say of one another: pressing, and what more scans would bring.

:mod:`echotrace.sittings.sitting` says whether the mean may be handed on; this module says why the
scans differ and what to change. Each statement carries its figure, and none is made where the scans
cannot tell. Statements do not change what is accepted.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from echotrace.measurement import Measurement
from echotrace.recording import Method
from echotrace.sitting_limits import SittingLimits
from echotrace.sittings.finding import SittingFinding
from echotrace.sittings.more_scans import more_scans_statement, scans_needed
from echotrace.sittings.pressing import Compression, judge_pressing
from echotrace.sittings.sitting import SittingSummary, summarise
from echotrace.text_out import scan_numbers

__all__ = ["SittingJudgement", "judge_sittings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SittingJudgement:
    """What the scans of one sitting say of one another.

    Attributes
    ----------
    labels : mapping of str to str
    compression : Compression or None
        None outside contact, and where there are too few scans.
    more_scans : tuple of int or None, or None
        How many scans in all the wanted half width asks for: by the spread seen, and by the
        largest spread these few scans leave open; None in it where no number does. None alone
        where there are enough.
    statements : tuple of SittingFinding
        The same in words.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> (judgement,) = et.judge_sittings(result)
    >>> judgement.statements
    ()
    """

    labels: Mapping[str, str]
    compression: Compression | None
    more_scans: tuple[int | None, int | None] | None
    statements: tuple[SittingFinding, ...]

    def to_record(self) -> dict[str, object]:
        """A dictionary as JSON has it; scans count from 1 there.

        Returns
        -------
        dict
            Lengths in mm.
        """
        press = self.compression
        return {
            "compression": None
            if press is None
            else {
                "slope": round(press.slope, 3),
                "slope_interval": [round(x, 3) for x in press.slope_interval],
                "chamber_range_mm": round(press.chamber_range_mm, 4),
                "least_pressed": press.least_pressed + 1,
                "mean_shortening_mm": round(press.mean_shortening_mm, 4),
                "mean_shortening_u_mm": round(press.mean_shortening_u_mm, 4),
                "pressed": press.pressed,
                "scans": scan_numbers(press.scans),
            },
            "more_scans": None if self.more_scans is None else list(self.more_scans),
            "statements": [{"name": item.name, "text": item.text} for item in self.statements],
        }


def judge_sittings(
    result: Measurement,
    limits: SittingLimits | None = None,
    *,
    half_width_mm: float = 0.1,
    beside: Sequence[Measurement] = (),
) -> list[SittingJudgement]:
    """Judge the scans of each sitting against one another.

    Parameters
    ----------
    result : Measurement
    limits : SittingLimits, optional
    half_width_mm : float
        Wanted half width of the interval of the length: about a quarter dioptre (2.5 to 3 D per
        mm; StatPearls).
    beside : sequence of Measurement
        As for :func:`echotrace.summarise`.

    Returns
    -------
    list of SittingJudgement
        In the order of :func:`echotrace.summarise`.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/contact_sitting.h5"))
    >>> (judgement,) = et.judge_sittings(result)
    >>> [item.name for item in judgement.statements]
    ['compression', 'more_scans']
    """
    limits = limits or SittingLimits()
    return [
        _judge_one(result, one, limits, half_width_mm)
        for one in summarise(result, limits, beside=beside)
    ]


def _judge_one(
    result: Measurement, one: SittingSummary, limits: SittingLimits, half_width_mm: float
) -> SittingJudgement:
    used = one.traces[result.accepted[one.traces] & np.isfinite(result.axial_length_mm[one.traces])]
    contact = one.labels["method"] == Method.CONTACT
    statements: list[SittingFinding] = []
    pressing = judge_pressing(result, used) if contact else None
    if pressing is not None and pressing.statement is not None:
        statements.append(pressing.statement)
    more = None
    if used.size >= 3:
        shared = math.hypot(one.u_shared_mm, one.budget_mm.get("pressing", 0.0))
        n = int(used.size)
        more = scans_needed(
            one.sd_mm, n, half_width_mm, shared_u_mm=shared, confidence=limits.confidence
        )
        if more is not None:
            statements.append(
                more_scans_statement(
                    more,
                    sd_mm=one.sd_mm,
                    n=n,
                    half_width_mm=half_width_mm,
                    shared_u_mm=shared,
                    contact=contact,
                    confidence=limits.confidence,
                )
            )
    return SittingJudgement(
        labels=one.labels,
        compression=None if pressing is None else pressing.compression,
        more_scans=more,
        statements=tuple(statements),
    )
