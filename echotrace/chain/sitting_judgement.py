"""The second judgement of a scan: alone, and in its sitting."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from echotrace.measurement import BY_HAND, Measurement
from echotrace.quality.findings import accepted_by_findings, bits_of
from echotrace.quality.limits import QualityLimits
from echotrace.quality.sitting_evidence import (
    heard_in_sitting,
    right_in_sitting,
    vouched_in_sitting,
)

__all__ = ["judged_in_sittings", "warned_of_fluid"]

# Others that must agree with one another against a segment of a scan. Of 2,358 scans accepted alone
# (919 synthetic sittings, looked at while this was chosen) 7 stood apart from four others by more
# than ten spreads, and 6 of them were wrong; of 3 that stood apart from three others none was.
_LEAST_AGAINST = 4
# What a length is to be right to, a quarter dioptre (common practice, no source): an echo of the
# lens that was mistaken for another moves its two sides and hardly the length. In a thousand drawn
# sittings one accepted scan by immersion stood so far from four; it was right, and they were not.
_RIGHT_TO_MM = 0.1


def judged_in_sittings(
    result: Measurement,
    seen: Mapping[str, NDArray[np.float32]],
    limits: QualityLimits,
    *,
    length_apart_mm: NDArray[np.float64],
) -> Measurement:
    """Judge scans with what their sittings say, and keep how each was judged alone.

    A scan is accepted where the second probability reaches its level, no segment lies far from
    where four others have it with the length off by more than 0.1 mm, and no finding rejects it but
    that its length is doubtful. Where no other may vouch for it, the level is that of a scan alone;
    where the others say nothing of its length it is judged alone. What a person decided, and scans
    in which a person set a gate or a pick, stay as they are.

    Parameters
    ----------
    result : Measurement
        Judged alone.
    seen : mapping of str to ndarray of float32, each (n_traces,)
        From :func:`~echotrace.quality.sitting_evidence.sitting_features`; NaN where a scan stands
        by itself.
    limits : QualityLimits
    length_apart_mm : ndarray of float64, (n_traces,)
        Length against the segments that the others agree on; NaN where they agree on none.

    Returns
    -------
    Measurement
        With these features, ``length_right_in_sitting`` and ``accepted_alone`` (1 or 0), and a
        finding where both judgements differ.

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> from echotrace.quality.sitting_evidence import SITTING_FEATURES
    >>> seen = dict.fromkeys(SITTING_FEATURES, np.full(6, 50.0, np.float32))
    >>> judged_in_sittings(
    ...     result, seen, et.Settings().quality, length_apart_mm=np.full(6, 1.5)
    ... ).accepted.tolist()
    [False, False, False, False, False, False]
    """
    features = {**result.features, **seen, "accepted_alone": result.accepted.astype(np.float32)}
    right = right_in_sitting(features)
    features["length_right_in_sitting"] = right
    doubtful, apart, held = (
        bits_of([name]) for name in ("length_doubtful", "apart_from_sitting", "held_by_sitting")
    )
    open_to_it = (result.decided_by == 0) & (result.by_hand == BY_HAND.index("no")).all(axis=1)
    with np.errstate(invalid="ignore"):
        far = (seen["sitting_against"] >= _LEAST_AGAINST) & (
            seen["sitting_distance"] > limits.max_sitting_distance
        )
    far &= length_apart_mm > _RIGHT_TO_MM
    findings = result.findings
    alone_doubtful = (findings & doubtful) != 0
    nothing_else = accepted_by_findings(findings & ~doubtful, features, limits)
    level = np.where(
        vouched_in_sitting(seen), limits.min_length_right_in_sitting, limits.min_length_right
    )
    likely = np.where(heard_in_sitting(seen), right >= level, ~alone_doubtful)
    enough = likely & ~far
    rejected_now = open_to_it & ~enough & (far | ~alone_doubtful)
    held_now = open_to_it & enough & alone_doubtful & nothing_else
    findings = np.where(rejected_now, findings | apart, findings)
    findings = np.where(held_now, (findings & ~doubtful) | held, findings)
    return dataclasses.replace(
        result,
        features=features,
        findings=findings,
        accepted=np.where(open_to_it, nothing_else & enough, result.accepted),
    )


def warned_of_fluid(
    unseen_us: NDArray[np.float32],
    gap_us: NDArray[np.float32],
    *,
    cornea_us: tuple[float, float],
    limits: QualityLimits,
) -> NDArray[np.float32]:
    """Fluid that the other scans of its sitting say may lie before the cornea of a scan.

    Where what the transmit pulse leaves hides the probe's face, contact is shown by an echo as far
    behind it as a cornea is thick. In fluid of that thickness the front of the cornea stands
    there, and where its back is low it passes for contact. The cornea is the same in all scans: one
    in which that may be so speaks for the others too. And where half of the others show fluid, the
    hand leaves some.

    Parameters
    ----------
    unseen_us : ndarray of float32, (n_sittings, n_scans)
        Fluid that may be there unseen, by each scan alone; NaN where not in contact.
    gap_us : ndarray of float32, (n_sittings, n_scans)
        Fluid that each scan shows.
    cornea_us : (float, float)
        Two-way delay of a cornea, its mean and its standard deviation between eyes.
    limits : QualityLimits

    Returns
    -------
    ndarray of float32, (n_sittings, n_scans)
        Two-way delay; NaN where the scan tells itself, or the others say nothing of the kind.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.quality.limits import QualityLimits
    >>> unseen = np.array([[0.0, 0.68, 0.0]], np.float32)
    >>> warned_of_fluid(unseen, 0.0 * unseen, cornea_us=(0.65, 0.05), limits=QualityLimits())
    array([[0.68,  nan, 0.68]], dtype=float32)
    """
    mean, sd = cornea_us
    # Three standard deviations: all corneas but one in four hundred.
    as_thick = np.abs(unseen_us - mean) <= 3.0 * sd
    fluid = gap_us > limits.max_fluid_gap_us
    # A scan that is to be warned is none of these, so that none speaks for itself.
    shown = (unseen_us <= limits.max_fluid_unseen_us) & ~fluid
    often = 2 * (as_thick | fluid).sum(axis=1, keepdims=True) >= shown.shape[1] - 1
    most = np.where(as_thick, unseen_us, np.where(fluid & often, gap_us, np.float32(np.nan)))
    said = np.fmax.reduce(most, axis=1, keepdims=True)
    return np.where(shown, said, np.float32(np.nan))
