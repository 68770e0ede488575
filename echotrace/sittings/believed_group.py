"""Which of several groups of lengths to believe, and why."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from echotrace.measurement import Measurement
from echotrace.recording import Method
from echotrace.sittings.alignment import AlignmentEstimate
from echotrace.sittings.finding import SittingFinding
from echotrace.sittings.judged_poses import aligned_probability
from echotrace.sittings.pressing import chamber_of
from echotrace.text_out import scan_names

__all__ = ["believed_group"]


def believed_group(
    result: Measurement,
    labels: Mapping[str, str],
    groups: list[NDArray[np.intp]],
    alignment: AlignmentEstimate | None,
) -> tuple[NDArray[np.intp], list[SittingFinding]]:
    """Which of the groups to believe, and why; an empty group where it cannot be told.

    Parameters
    ----------
    result : Measurement
    labels : mapping of str to str
        Of the sitting.
    groups : list of ndarray of int
        Numbers of the scans of each group, two groups at least.
    alignment : AlignmentEstimate or None

    Returns
    -------
    believed : ndarray of int
        Scans of the group to believe; empty where it cannot be told.
    statements : list of SittingFinding
        One, with the reason.

    Notes
    -----
    A group is believed for its alignment; in contact also where the chamber is deeper by as much as
    the length, since contact only shortens (common practice, no source). Never for being the
    longest or the largest alone.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> ((labels, scans),) = result.sittings()
    >>> believed, said = believed_group(result, labels, [scans[:3], scans[3:]], None)
    >>> believed.size, said[0].name
    (0, 'two_groups')
    """
    means = [float(result.axial_length_mm[group].mean()) for group in groups]
    parts = " and ".join(
        f"{mean:.2f} mm ({scan_names(group)})" for mean, group in zip(means, groups, strict=True)
    )
    start = f"The lengths fall into {len(groups)} groups: {parts}. "
    longest = int(np.argmax(means))
    choice: int | None = None
    why = ""
    if alignment is not None:
        aligned = np.array([aligned_probability(alignment, group).mean() for group in groups])
        if np.isfinite(aligned).all():
            best = int(np.argmax(aligned))
            second = float(np.partition(aligned, -2)[-2])
            # Twice as far from certainty of failure, and more likely aligned than not.
            if aligned[best] >= 0.5 and second <= 0.35 * aligned[best]:
                choice = best
                rank = "longest" if best == longest else "shorter"
                why = (
                    f"Believe {means[best]:.2f} mm, the {rank} one: its scans are aligned with "
                    f"{100 * aligned[best]:.0f} % probability, the others with "
                    f"{100 * second:.0f} %. A beam off the axis may read long as well as short."
                )
    if choice is None and labels["method"] == Method.CONTACT:
        choice, why = _by_chamber(result, groups, means, longest)
    if choice is None and not why:
        why = (
            "Neither alignment nor anything else tells which is right, and neither the longest "
            "nor the most frequent is so by that alone. Capture again."
        )
    believed = groups[choice] if choice is not None else np.empty(0, np.intp)
    return believed, [SittingFinding("two_groups", start + why)]


def _by_chamber(
    result: Measurement, groups: list[NDArray[np.intp]], means: list[float], longest: int
) -> tuple[int | None, str]:
    """In contact: whether the groups differ by what the chamber differs by."""
    found = [chamber_of(result, group) for group in groups]
    chambers = [float(item[0].mean()) if item is not None else math.nan for item in found]
    if not np.isfinite(chambers).all():
        return None, ""
    deepest = int(np.argmax(chambers))
    order = np.argsort(means)
    apart = means[order[-1]] - means[order[-2]]
    deeper = chambers[order[-1]] - chambers[order[-2]]
    if deepest != longest or not abs(deeper - apart) <= max(0.03, 0.25 * apart):
        return None, ""
    names = result.finding_names
    fluid = "fluid_before_cornea" in names and bool(
        result.has_finding("fluid_before_cornea")[groups[longest]].any()
    )
    if fluid:
        return None, (
            f"They differ by {apart:.2f} mm and the chamber by {deeper:.2f} mm, but fluid before "
            "the cornea was found in the longest: it may read long. Wipe the probe and capture "
            "again."
        )
    return longest, (
        f"Believe {means[longest]:.2f} mm, the longest: the anterior chamber is deeper there by "
        f"{deeper:.2f} mm, as much as the length, and contact only shortens; no fluid was found "
        "that would lengthen."
    )
