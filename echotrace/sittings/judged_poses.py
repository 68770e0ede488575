"""What alignment says of the scans: off the axis, aligned best, badly posed throughout."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from echotrace.measurement import Measurement
from echotrace.sittings.alignment import AlignmentEstimate
from echotrace.sittings.finding import SittingFinding
from echotrace.text_out import scan_names

__all__ = ["aligned_probability", "best_aligned", "off_axis", "pose_statements"]

Float64 = NDArray[np.float64]


# An aligned beam, as the score has it: within both, the length errs by less than 0.05 mm.
ALIGNED_TILT_DEG, ALIGNED_DECENTRATION_MM = 2.5, 0.5

_SURE = 0.85

_HARDLY = 0.15


def _tilt(alignment: AlignmentEstimate, k: int) -> str:
    low, high = alignment.tilt_interval_deg[k]
    return f"{alignment.tilt_deg[k]:.1f}° ({low:.1f} to {high:.1f})"


def aligned_probability(alignment: AlignmentEstimate, traces: NDArray[np.intp]) -> Float64:
    """Probability of each trace that its beam is aligned as the score has it.

    Parameters
    ----------
    alignment : AlignmentEstimate
    traces : ndarray of int, (n,)

    Returns
    -------
    ndarray of float64, (n,)
        Of a tilt of at most 2.5 degrees and a decentration of at most 0.5 mm.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.sittings.judged_poses import aligned_probability
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> result = et.measure(recording)
    >>> estimate = et.estimate_alignment(result, recording)
    >>> bool(aligned_probability(estimate, np.array([0]))[0] > 0.5)
    True
    """
    return alignment.probability_within(ALIGNED_TILT_DEG, ALIGNED_DECENTRATION_MM)[traces]


def off_axis(
    alignment: AlignmentEstimate, traces: NDArray[np.intp]
) -> tuple[tuple[int, ...], list[SittingFinding]]:
    """Scans whose beam is off the axis with near certainty.

    Parameters
    ----------
    alignment : AlignmentEstimate
    traces : ndarray of int, (n,)
        Numbers of the sitting's scans.

    Returns
    -------
    scans : tuple of int
        Those aligned with a probability below 0.15.
    statements : list of SittingFinding
        None where all of them are.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.sittings.judged_poses import off_axis
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> result = et.measure(recording)
    >>> estimate = et.estimate_alignment(result, recording)
    >>> off_axis(estimate, np.arange(6))[0]
    (2,)
    """
    aligned = aligned_probability(alignment, traces)
    with np.errstate(invalid="ignore"):
        off = traces[aligned < _HARDLY]
    if off.size == 0 or off.size == traces.size:
        # Where all are off, the pose is at fault and is spoken of once.
        return tuple(int(k) for k in off), []
    percent = round(100 * alignment.confidence)
    list_of = "; ".join(f"{scan_names([k])}: {_tilt(alignment, int(k))}" for k in off[:6])
    more = f"; and {off.size - 6} more" if off.size > 6 else ""
    return tuple(int(k) for k in off), [
        SittingFinding(
            "scans_off_axis",
            f"The beam is off the visual axis in {scan_names(off[:6])}"
            f"{more and ' and others'}; tilt with its {percent} % interval, {list_of}{more}. Leave "
            f"{'them' if off.size > 1 else 'it'} out of the mean.",
        )
    ]


def best_aligned(
    result: Measurement, alignment: AlignmentEstimate, used: NDArray[np.intp]
) -> tuple[int | None, list[SittingFinding]]:
    """The scan that is aligned better than the usual one of the sitting, if any surely is.

    Parameters
    ----------
    result : Measurement
    alignment : AlignmentEstimate
    used : ndarray of int, (n,)
        Numbers of the accepted scans.

    Returns
    -------
    scan : int or None
        None where none is tilted less than half of the others with 85 % probability.
    statements : list of SittingFinding

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.sittings.judged_poses import best_aligned
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> result = et.measure(recording)
    >>> estimate = et.estimate_alignment(result, recording)
    >>> best_aligned(result, estimate, np.array([0]))
    (None, [])
    """
    if used.size < 2:
        return None, []
    value = aligned_probability(alignment, used) * result.score[used]
    if not np.isfinite(value).all():
        return None, []
    k = int(used[int(np.argmax(value))])
    others = used[used != k]
    mass = alignment.posterior.sum(axis=2).astype(np.float64)
    below = np.cumsum(mass, axis=1) - 0.5 * mass
    # Probability that scan k is tilted less than each of the others.
    less = np.array([float(mass[j] @ below[k]) for j in others])
    if float(np.median(less)) < _SURE:
        return None, []
    low, high = alignment.decentration_interval_mm[k]
    return k, [
        SittingFinding(
            "best_aligned",
            f"{scan_names([k]).capitalize()} is aligned best: tilt {_tilt(alignment, k)}, "
            f"decentration {alignment.decentration_mm[k]:.2f} mm ({low:.2f} to {high:.2f}), score "
            f"{result.score[k]:.2f}; it is tilted less than half of the others with "
            f"{100 * float(np.median(less)):.0f} % probability.",
        )
    ]


def pose_statements(alignment: AlignmentEstimate, traces: NDArray[np.intp]) -> list[SittingFinding]:
    """What is wrong with the pose in most scans, where the echoes tell.

    Parameters
    ----------
    alignment : AlignmentEstimate
    traces : ndarray of int, (n,)
        Numbers of the sitting's scans.

    Returns
    -------
    list of SittingFinding
        At most one of tilt and one of decentration.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.sittings.judged_poses import pose_statements
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> result = et.measure(recording)
    >>> estimate = et.estimate_alignment(result, recording)
    >>> pose_statements(estimate, np.arange(6))
    []
    """
    known = np.isfinite(alignment.tilt_deg[traces])
    if known.sum() < 2:
        return []
    everything = 1e9
    tilt = 1.0 - alignment.probability_within(ALIGNED_TILT_DEG, everything)[traces][known]
    aside = 1.0 - alignment.probability_within(everything, ALIGNED_DECENTRATION_MM)[traces][known]
    found = []
    rows = traces[known]
    if float(np.median(tilt)) > _SURE:
        middle = float(np.median(alignment.tilt_deg[rows]))
        low, high = np.median(alignment.tilt_interval_deg[rows], axis=0)
        found.append(
            SittingFinding(
                "pose_tilted",
                f"Most scans are tilted, by {middle:.1f}° ({low:.1f} to {high:.1f}) in the middle "
                "one. The echoes do not tell in which direction: rock the probe about the corneal "
                "vertex until the fronts of cornea and lens and the retina stand tall together.",
            )
        )
    if float(np.median(aside)) > _SURE:
        middle = float(np.median(alignment.decentration_mm[rows]))
        low, high = np.median(alignment.decentration_interval_mm[rows], axis=0)
        found.append(
            SittingFinding(
                "pose_decentred",
                f"In most scans the beam passes beside the corneal vertex, by {middle:.1f} mm "
                f"({low:.1f} to {high:.1f}) in the middle one. The echoes do not tell to which "
                "side: slide the probe across the cornea until all spikes stand tall together.",
            )
        )
    return found
