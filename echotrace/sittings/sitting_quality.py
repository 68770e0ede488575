"""What the scans of a sitting say of one another: groups, pressing, alignment, what to do next.

:mod:`echotrace.sittings.sitting` says whether the mean may be handed on; this module says why the
scans differ, which to believe, and what to change. Each statement carries its figure, and none is
made where the scans cannot tell. Statements do not change what is accepted.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.measurement import Measurement
from echotrace.recording import Method
from echotrace.sitting_limits import SittingLimits
from echotrace.sittings.alignment import AlignmentEstimate
from echotrace.sittings.believed_group import believed_group
from echotrace.sittings.finding import SittingFinding
from echotrace.sittings.groups import length_groups, scans_needed
from echotrace.sittings.judged_poses import best_aligned, off_axis, pose_statements
from echotrace.sittings.pressing import Compression, judge_pressing
from echotrace.text_out import scan_numbers

__all__ = ["SittingJudgement", "judge_sittings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SittingJudgement:
    """What the scans of one sitting say of one another.

    Attributes
    ----------
    labels : mapping of str to str
    groups : tuple of tuple of int
        Accepted scans that belong together by length, the largest group first.
    believed : tuple of int
        The group to believe; empty where the scans cannot tell. All scans where there is one.
    best_scan : int or None
        Scan that is clearly aligned best.
    off_axis_scans : tuple of int
        Scans, accepted or not, whose beam is off the axis by more than chance.
    compression : Compression or None
        None outside contact, and where there are too few scans.
    more_scans : tuple of int or None
        How many scans in all the wanted half width asks for: by the spread seen, and by the
        largest spread these few scans leave open. None where there are enough.
    statements : tuple of SittingFinding
        The same in words.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> (judgement,) = et.judge_sittings(result)
    >>> judgement.believed
    (0, 1, 3, 5)
    """

    labels: Mapping[str, str]
    groups: tuple[tuple[int, ...], ...]
    believed: tuple[int, ...]
    best_scan: int | None
    off_axis_scans: tuple[int, ...]
    compression: Compression | None
    more_scans: tuple[int, int] | None
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
            "groups": [scan_numbers(group) for group in self.groups],
            "believed": scan_numbers(self.believed),
            "best_scan": None if self.best_scan is None else self.best_scan + 1,
            "off_axis_scans": scan_numbers(self.off_axis_scans),
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
    alignment: AlignmentEstimate | None = None,
    limits: SittingLimits | None = None,
    *,
    half_width_mm: float = 0.05,
) -> list[SittingJudgement]:
    """Judge the scans of each sitting against one another.

    Parameters
    ----------
    result : Measurement
    alignment : AlignmentEstimate, optional
        Of the same traces; without it nothing is said of alignment.
    limits : SittingLimits, optional
    half_width_mm : float
        Wanted half width of the interval of the mean: half of the 0.1 mm that are about a
        quarter dioptre (2.5 to 3 D per mm; StatPearls).

    Returns
    -------
    list of SittingJudgement
        In the order of :func:`echotrace.summarise`.

    Raises
    ------
    ParameterError
        The alignment is of another number of traces.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> result = et.measure(recording)
    >>> estimate = et.estimate_alignment(result, recording)
    >>> (judgement,) = et.judge_sittings(result, estimate)
    >>> judgement.off_axis_scans, len(judgement.groups)
    ((2,), 1)
    """
    limits = limits or SittingLimits()
    if alignment is not None and alignment.tilt_deg.size != result.n_traces:
        raise ParameterError(
            f"the alignment is of {alignment.tilt_deg.size} traces, the measurement of "
            f"{result.n_traces}"
        )
    return [
        _judge_one(result, labels, traces, alignment, limits, half_width_mm)
        for labels, traces in result.sittings()
    ]


def _judge_one(
    result: Measurement,
    labels: Mapping[str, str],
    traces: NDArray[np.intp],
    alignment: AlignmentEstimate | None,
    limits: SittingLimits,
    half_width_mm: float,
) -> SittingJudgement:
    used = traces[result.accepted[traces] & np.isfinite(result.axial_length_mm[traces])]
    lengths = result.axial_length_mm[used]
    statements: list[SittingFinding] = []

    off: tuple[int, ...] = ()
    best: int | None = None
    if alignment is not None:
        off, said = off_axis(alignment, traces)
        statements += said
        best, said = best_aligned(result, alignment, used)
        statements += said

    pressing = judge_pressing(result, used) if labels["method"] == Method.CONTACT else None
    if pressing is not None and pressing.statement is not None:
        statements.append(pressing.statement)

    groups = [used]
    if used.size:
        parts = length_groups(lengths, result.axial_length_u_mm[used])
        groups = [used[part] for part in parts]
    believed = used
    if len(groups) > 1:
        believed, said = believed_group(result, labels, groups, alignment)
        statements += said

    more = None
    if used.size >= 3:
        more = scans_needed(
            float(lengths.std(ddof=1)), int(used.size), half_width_mm, confidence=limits.confidence
        )
        if more is not None:
            statements.append(
                _more_statement(
                    more, float(lengths.std(ddof=1)), int(used.size), half_width_mm, len(groups)
                )
            )
    if alignment is not None:
        statements += pose_statements(alignment, traces)
    return SittingJudgement(
        labels=labels,
        groups=tuple(tuple(int(k) for k in group) for group in groups),
        believed=tuple(int(k) for k in believed),
        best_scan=best,
        off_axis_scans=off,
        compression=None if pressing is None else pressing.compression,
        more_scans=more,
        statements=tuple(statements),
    )


def _more_statement(
    more: tuple[int, int], sd_mm: float, n: int, half_width_mm: float, groups: int
) -> SittingFinding:
    seen, most = more
    text = (
        f"For a mean known within ± {half_width_mm:.2f} mm at 95 %, about {seen} scans like these "
        f"are needed in all, up to {most} since the spread ({sd_mm:.3f} mm) is that of only {n}. "
    )
    if groups > 1 or most > 3 * n:
        text += "A better pose brings more than more scans."
    return SittingFinding("more_scans", text.strip())
