"""What is there to see of pressing in one contact sitting: its own scans, and immersion."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.measurement import Measurement
from echotrace.recording import Method
from echotrace.sittings.pressing import judge_pressing
from echotrace.sittings.pressing_term import Compared, PressingTerm, pressing_term

__all__ = ["ImmersionLength", "immersion_lengths", "sitting_pressing"]

# What alignment leaves between two sittings of one eye, mm (0.02 each), as Student's t.
_SAME_EYE_MM, _SAME_EYE_DOF = 0.03, 5.0
# Lengths of a person's two eyes: 24 % of 1,379 patients differ by 0.3 mm and more (J Cataract
# Refract Surg 2008), the rest of the tail as wide as Student's t with 2 degrees of freedom.
_OTHER_EYE_MM, _OTHER_EYE_DOF = 0.18, 2.0
_SAME_STATE = ("lens_state", "lens_material", "vitreous")
_OTHER = {"right": "left", "left": "right"}


@dataclass(frozen=True, slots=True, eq=False)
class ImmersionLength:
    """The mean of an immersion sitting, as something to hold contact against.

    Attributes
    ----------
    labels : mapping of str to str
    mean_mm, u_mm : float
        Of its accepted scans, and its standard uncertainty by their scatter.

    Examples
    --------
    >>> ImmersionLength({"subject": "a", "eye": "right"}, 23.4, 0.002).mean_mm
    23.4
    """

    labels: Mapping[str, str]
    mean_mm: float
    u_mm: float


def immersion_lengths(results: Sequence[Measurement]) -> list[ImmersionLength]:
    """The immersion sittings of eyes whose scans can be held against contact.

    Parameters
    ----------
    results : sequence of Measurement

    Returns
    -------
    list of ImmersionLength
        Of at least two accepted scans that lie within 0.1 mm.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> [round(item.mean_mm, 2) for item in immersion_lengths([result])]
    [23.4]
    """
    found = []
    for result in results:
        if Method.IMMERSION not in result.method.present:
            continue
        for labels, traces in result.sittings():
            if labels["method"] != Method.IMMERSION or labels["eye"] not in _OTHER:
                continue
            lengths = result.axial_length_mm[traces[result.accepted[traces]]]
            lengths = lengths[np.isfinite(lengths)]
            if lengths.size > 1 and np.ptp(lengths) <= 0.1:
                u = float(lengths.std(ddof=1)) / math.sqrt(lengths.size)
                found.append(ImmersionLength(labels, float(lengths.mean()), u))
    return found


def sitting_pressing(
    result: Measurement,
    labels: Mapping[str, str],
    used: NDArray[np.intp],
    u_mm: float,
    others: Sequence[ImmersionLength],
) -> PressingTerm:
    """What is believed of pressing in the mean of one contact sitting.

    Parameters
    ----------
    result : Measurement
    labels : mapping of str to str
        Of the sitting.
    used : ndarray of int, (n,)
        Its accepted scans.
    u_mm : float
        Standard uncertainty of their mean by scatter.
    others : sequence of ImmersionLength
        What is there to hold it against; those of other subjects are passed over.

    Returns
    -------
    PressingTerm

    Notes
    -----
    The same eye by immersion says more than the other eye, which is looked at without it only.
    Speeds are common to both and cancel.

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/contact_sitting.h5"))
    >>> (labels, traces), = result.sittings()
    >>> used = traces[result.accepted[traces]]
    >>> seen = ImmersionLength(labels, float(result.axial_length_mm[used].mean()) + 0.3, 0.01)
    >>> round(sitting_pressing(result, labels, used, 0.02, [seen]).mean_mm, 1)
    0.3
    """
    at_least = at_least_u = 0.0
    judged = judge_pressing(result, used)
    if judged is not None and judged.compression is not None and judged.compression.pressed:
        at_least = judged.compression.mean_shortening_mm
        at_least_u = judged.compression.mean_shortening_u_mm
    mean = float(result.axial_length_mm[used].mean())
    mine = [
        item
        for item in others
        if labels["subject"] and all(item.labels[k] == labels[k] for k in ("subject", *_SAME_STATE))
    ]
    compared = [
        Compared(
            item.mean_mm - mean,
            math.hypot(_SAME_EYE_MM, u_mm, item.u_mm),
            _SAME_EYE_DOF,
            "immersion of the same eye",
        )
        for item in mine
        if item.labels["eye"] == labels["eye"]
    ]
    if not compared:
        compared = [
            Compared(item.mean_mm - mean, _OTHER_EYE_MM, _OTHER_EYE_DOF, "immersion, other eye")
            for item in mine
            if item.labels["eye"] == _OTHER.get(labels["eye"])
        ]
    return pressing_term(at_least_mm=at_least, at_least_u_mm=at_least_u, compared=compared[:1])
