"""What the other scans of its sitting say of a scan, as features.

How far a scan lies from what most others agree on, how many of those agree with one another, and
how many agree with the scan.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from echotrace.signal.agreement_of_scans import AGREE_SPREADS, ScanAgreement, agreement_of

__all__ = ["SITTING_FEATURES", "sitting_features"]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

SITTING_FEATURES = ("sitting_distance", "sitting_against", "sitting_agreeing")
"""Names of the features."""


def sitting_features(
    length_mm: Float64,
    others_mm: Float64,
    spread_mm: Float64,
    *,
    seen: ScanAgreement | None = None,
) -> dict[str, Float32]:
    """Features of each scan against the other scans of its sitting.

    Parameters
    ----------
    length_mm : ndarray of float64, (n_sittings, n_scans, n_segments)
        Segments of each scan, as they are judged; NaN where one was not found.
    others_mm : ndarray of float64, (n_sittings, n_scans, n_segments)
        The same by each scan's own choice: a scan that was corrected does not vouch for others.
    spread_mm : ndarray of float64, (n_segments,)
        From :func:`~echotrace.signal.agreement_of_scans.expected_spread_mm`.
    seen : ScanAgreement, optional
        Of the others, where it is known already.

    Returns
    -------
    dict of str to ndarray of float32, each (n_sittings, n_scans)
        ``sitting_distance``: from the middle of the largest group of others that agree, in expected
        spreads, of the segment in which that is most; ``sitting_against``: scans of that group;
        ``sitting_agreeing``: others that agree with the scan in that segment. NaN where no two
        others agree on anything that the scan has.

    Examples
    --------
    >>> import numpy as np
    >>> lengths = np.array([[[16.60], [16.61], [18.20], [16.62]]])
    >>> found = sitting_features(lengths, lengths, np.array([0.03]))
    >>> found["sitting_against"].tolist(), found["sitting_agreeing"].tolist()
    ([[2.0, 2.0, 3.0, 2.0]], [[2.0, 2.0, 0.0, 2.0]])
    """
    n = length_mm.shape[1]
    seen = agreement_of(others_mm, spread_mm) if seen is None else seen
    with np.errstate(invalid="ignore"):
        off = np.abs(length_mm - seen.centre_mm) / spread_mm
        near = np.abs(length_mm[:, :, None] - others_mm[:, None]) <= AGREE_SPREADS * spread_mm
    near[:, np.arange(n), np.arange(n)] = False
    nothing = ~np.isfinite(off).any(axis=2)
    worst = np.where(np.isfinite(off), off, -1.0).argmax(axis=2)[..., None]

    def there(values: NDArray[np.floating] | NDArray[np.intp]) -> Float32:
        found = np.take_along_axis(values, worst, axis=2)[..., 0]
        return np.where(nothing, np.nan, found).astype(np.float32)

    return {
        "sitting_distance": there(off),
        "sitting_against": there(seen.agreeing),
        "sitting_agreeing": there(near.sum(axis=2)),
    }
