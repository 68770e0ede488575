"""The second judgement of a scan: accepted alone, and accepted in its sitting."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from echotrace.measurement import BY_HAND, Measurement
from echotrace.quality.finding_list import FINDINGS
from echotrace.quality.limits import QualityLimits

__all__ = ["judged_in_sittings"]

# Others that must agree with one another against a scan. Of 2,358 scans accepted alone (919
# synthetic sittings, looked at while this was chosen) 7 stood apart from four others by more than
# ten spreads, and 6 of them were wrong; of 3 that stood apart from three others none was.
_LEAST_AGAINST = 4


def judged_in_sittings(
    result: Measurement, seen: Mapping[str, NDArray[np.float32]], limits: QualityLimits
) -> Measurement:
    """Reject scans that stand apart from their sitting, and keep how each was judged alone.

    What a person decided, and scans in which a person set a gate or a pick, stay as they are.

    Parameters
    ----------
    result : Measurement
        Judged alone.
    seen : mapping of str to ndarray of float32, each (n_traces,)
        From :func:`~echotrace.quality.sitting_evidence.sitting_features`; NaN where a scan stands
        by itself.
    limits : QualityLimits

    Returns
    -------
    Measurement
        With these features, ``accepted_alone`` (1 or 0), and the finding ``apart_from_sitting``.

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> apart = {"sitting_distance": np.full(6, 50.0, np.float32)}
    >>> seen = apart | {"sitting_against": np.full(6, 5.0, np.float32)}
    >>> judged_in_sittings(result, seen, et.Settings().quality).accepted.tolist()
    [False, False, False, False, False, False]
    """
    features = {**result.features, **seen, "accepted_alone": result.accepted.astype(np.float32)}
    with np.errstate(invalid="ignore"):
        apart = (seen["sitting_against"] >= _LEAST_AGAINST) & (
            seen["sitting_distance"] > limits.max_sitting_distance
        )
    apart &= (result.decided_by == 0) & (result.by_hand == BY_HAND.index("no")).all(axis=1)
    bit = np.uint64(1) << np.uint64(list(FINDINGS).index("apart_from_sitting"))
    return dataclasses.replace(
        result,
        features=features,
        findings=np.where(apart, result.findings | bit, result.findings),
        accepted=result.accepted & ~apart,
    )
