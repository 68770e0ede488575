"""How the scans of a sitting agree: the eye is the same in all of them.

Each scan is held against the others alone, segment by segment. What counts is the largest group of
other scans that agree among themselves, not a mean that one wrong echo would move.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from echotrace.target import Target

__all__ = [
    "AGREE_SPREADS",
    "MOST_SCANS",
    "PRESSED_MM",
    "ScanAgreement",
    "agreement_of",
    "expected_spread_mm",
]

Float64 = NDArray[np.float64]

AGREE_SPREADS = 3.0
"""Two lengths of one segment agree where they differ by at most so many expected spreads."""

MOST_SCANS = 64
"""Scans of a sitting beyond which it is a series, in which each scan is judged alone."""

# Standard deviation of a segment between scans of one sitting that are rightly picked, mm: what a
# hand and its aim leave (sittings of the synthesis, steady and oblique hands; no published source).
_SPREAD_MM: Mapping[str, float] = MappingProxyType(
    {"cornea": 0.015, "aqueous": 0.03, "lens": 0.03, "vitreous": 0.03}
)
PRESSED_MM = 0.14
"""Contact presses the chamber differently in each scan: standard deviation within an eye, mm
(Ademola-Popoola 2016). It lies in the segment behind the cornea."""


def expected_spread_mm(target: Target, *, pressed: bool) -> Float64:
    """Expected standard deviation of each segment between rightly picked scans of one sitting, mm.

    Parameters
    ----------
    target : Target
    pressed : bool
        Whether the probe presses (contact).

    Returns
    -------
    ndarray of float64, (n_segments,)
        NaN for segments that are no part of the length, or of which nothing is known.

    Examples
    --------
    >>> from echotrace.signal.agreement_of_scans import expected_spread_mm
    >>> from echotrace.target import eye_target
    >>> expected_spread_mm(eye_target("phakic"), pressed=True).round(2).tolist()
    [0.02, 0.14, 0.03, 0.03, nan]
    """
    found = np.full(len(target.segments), np.nan)
    part = target.length_slice
    if target.anatomy:
        for k in range(part.start, part.stop):
            found[k] = _SPREAD_MM.get(target.segments[k].name, np.nan)
        if pressed:
            found[part.start + 1] = np.hypot(found[part.start + 1], PRESSED_MM)
    return found


@dataclass(frozen=True, slots=True)
class ScanAgreement:
    """Each scan against the others of its sitting.

    Attributes
    ----------
    centre_mm : ndarray of float64, (n_sittings, n_scans, n_segments)
        Middle of the largest group of the other scans that agree; NaN where no two do.
    agreeing, others : ndarray of int, (n_sittings, n_scans, n_segments)
        Scans of that group, and other scans that have the segment at all.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.agreement_of_scans import agreement_of
    >>> lengths = np.array([[[16.60], [16.61], [18.20], [16.62]]])
    >>> agreement_of(lengths, np.array([0.03])).agreeing[0, :, 0].tolist()
    [2, 2, 3, 2]
    """

    centre_mm: Float64
    agreeing: NDArray[np.intp]
    others: NDArray[np.intp]


def agreement_of(length_mm: Float64, spread_mm: Float64) -> ScanAgreement:
    """Hold each scan of some sittings against the others of its sitting.

    Parameters
    ----------
    length_mm : ndarray of float64, (n_sittings, n_scans, n_segments)
        Sittings of equally many scans, in any order; NaN where a segment was not found.
    spread_mm : ndarray of float64, (n_segments,)
        From :func:`expected_spread_mm`.

    Returns
    -------
    ScanAgreement

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.agreement_of_scans import agreement_of
    >>> lengths = np.array([[[16.60], [16.61], [18.20], [16.62]]])
    >>> found = agreement_of(lengths, np.array([0.03]))
    >>> found.centre_mm[0, :, 0].round(3).tolist(), found.others[0, :, 0].tolist()
    ([16.615, 16.61, 16.61, 16.605], [3, 3, 3, 3])
    """
    n_sittings, n, n_segments = length_mm.shape
    centre = np.full(length_mm.shape, np.nan)
    agreeing = np.zeros(length_mm.shape, np.intp)
    others = np.zeros(length_mm.shape, np.intp)
    # In order of length, so that the order of the scans cannot matter; NaN comes last.
    order = np.argsort(length_mm, axis=1, kind="stable")
    ranked = np.take_along_axis(length_mm, order, axis=1)
    reach = AGREE_SPREADS * spread_mm
    rows, columns = np.arange(n_sittings)[:, None], np.arange(n_segments)[None, :]
    for i in range(n):
        rest = np.delete(ranked, i, axis=1)
        known = np.isfinite(rest)
        with np.errstate(invalid="ignore"):
            near = np.abs(rest[:, :, None] - rest[:, None, :]) <= reach
        count = near.sum(axis=2)
        at = order[:, i, :]
        others[rows, at, columns] = known.sum(axis=1)
        if n < 3:
            continue
        seed = count.argmax(axis=1)
        most = count[rows, seed, columns]
        first = near[rows, seed, :, columns].argmax(axis=-1)
        low, high = first + (most - 1) // 2, first + most // 2
        middle = 0.5 * (
            rest[rows, np.minimum(low, n - 2), columns]
            + rest[rows, np.minimum(high, n - 2), columns]
        )
        centre[rows, at, columns] = np.where(most >= 2, middle, np.nan)
        agreeing[rows, at, columns] = np.where(most >= 2, most, 0)
    return ScanAgreement(centre, agreeing, others)
