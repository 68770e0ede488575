"""What the other scans of its sitting say of a scan: features, and a second probability.

How far a scan lies from what most others agree on, how many of those agree with one another, and
how many agree with the scan. A table that can be read (``in_sitting`` of
``echotrace/data/score_model.toml``) adds this to the log-odds of the scan alone; it was fitted to
sittings of which many are wrong in all scans alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from echotrace.quality.score import shipped_models
from echotrace.signal.agreement_of_scans import (
    AGREE_SPREADS,
    PRESSED_MM,
    ScanAgreement,
    agreement_of,
)
from echotrace.target import Target

__all__ = [
    "SITTING_DIRECTIONS",
    "SITTING_FEATURES",
    "heard_in_sitting",
    "lengths_beside",
    "right_in_sitting",
    "sitting_features",
    "steady_segments",
    "votes_beside",
    "vouched_in_sitting",
]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

# Lengths that differ by no more are alike: a quarter of a dioptre.
_ALIKE_MM = 0.1
# Pressing alone hardly makes a scan longer than another by more: twice what two scans differ by.
# Pressed harder, it is shorter by any.
_PRESSED_APART_MM = 2.0 * math.sqrt(2.0) * PRESSED_MM
# No scan agrees: as if one did that is surely wrong.
_NO_PEER_NATS = -4.0
# Agreement multiplies the odds of a scan by no more: scans that are held alike, or that repeat one
# trace, agree whatever is wrong with them. Of the fitted sittings it keeps back 6 of 6,663 scans,
# none of them wrong; three full-wave scans at 8 degrees, 0.25 each, would have been 0.96 together.
_MOST_SUPPORT = 10.0

SITTING_FEATURES = (
    "sitting_distance",
    "sitting_against",
    "sitting_agreeing",
    "sitting_length_apart_mm",
    "sitting_alike_share",
    "sitting_longer_mm",
    "sitting_votes",
    "sitting_peer_nats",
)
"""Names of the features."""

SITTING_DIRECTIONS: Mapping[str, int] = MappingProxyType(
    {
        "length_right_nats": 1,
        "sitting_length_apart_mm": -1,
        "sitting_alike_share": 1,
        "sitting_longer_mm": -1,
        "sitting_votes": 1,
        "sitting_peer_nats": 1,
    }
)
"""Features of the second probability, and the sign with which each may act."""


def sitting_features(
    length_mm: Float64,
    others_mm: Float64,
    spread_mm: Float64,
    *,
    steady: NDArray[np.bool_] | None = None,
    seen: ScanAgreement | None = None,
    pressed_mm: tuple[Float64, Float64] | None = None,
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
    steady : ndarray of bool, (n_segments,), optional
        Segments that are as long in every scan, from :func:`steady_segments`: all of which
        something is known where it is None.
    seen : ScanAgreement, optional
        Of the others, where it is known already.
    pressed_mm : tuple of ndarray of float64, each (n_sittings, n_scans), optional
        In contact, what lies between the probe's face and the first interface that pressing leaves
        alone: of each scan as it is judged, and by its own choice.

    Returns
    -------
    dict of str to ndarray of float32, each (n_sittings, n_scans)
        ``sitting_distance``: from the middle of the largest group of others that agree, in expected
        spreads, of the segment in which that is most; ``sitting_against``: scans of that group;
        ``sitting_agreeing``: others that agree with the scan in that segment. NaN where no two
        others agree on anything that the scan has. ``sitting_length_apart_mm``: the steady segments
        together, from the median of the others, and ``sitting_alike_share``: the share of the
        others within 0.1 mm of the scan; NaN where fewer than two others have all of them.
        ``sitting_longer_mm``: how much longer than in the middle of the others is what lies between
        the probe and what pressing leaves alone. Pressing differs by a tenth of a millimetre or
        two; gel in one scan is longer by its thickness, whatever the segments behind it say.

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

    steady = np.isfinite(spread_mm) if steady is None else steady
    if steady.any():
        whole = lengths_beside(
            length_mm[..., steady].sum(axis=2), others_mm[..., steady].sum(axis=2)
        )
    else:
        whole = (np.full(nothing.shape, np.nan, np.float32),) * 2
    longer = np.full(nothing.shape, np.nan, np.float32)
    if pressed_mm is not None:
        now_mm, own_mm = pressed_mm
        longer = (now_mm - _middle_of_others(own_mm)).astype(np.float32)
    return {
        "sitting_distance": there(off),
        "sitting_against": there(seen.agreeing),
        "sitting_agreeing": there(near.sum(axis=2)),
        "sitting_length_apart_mm": whole[0],
        "sitting_alike_share": whole[1],
        "sitting_longer_mm": longer,
    }


def _middle_of_others(length_mm: Float64) -> Float64:
    """Median of the other scans of each; NaN where fewer than two have a length."""
    n = length_mm.shape[1]
    found = np.full(length_mm.shape, np.nan)
    for i in range(n):
        # In order of length: the order of the scans cannot matter. NaN comes last.
        rest = np.sort(np.delete(length_mm, i, axis=1), axis=1)
        known = np.isfinite(rest).sum(axis=1)
        rows = np.flatnonzero(known >= 2)
        low, high = (known[rows] - 1) // 2, known[rows] // 2
        found[rows, i] = 0.5 * (rest[rows, low] + rest[rows, high])
    return found


def lengths_beside(length_mm: Float64, others_mm: Float64) -> tuple[Float32, Float32]:
    """Each length beside those of the other scans of its sitting.

    Parameters
    ----------
    length_mm, others_mm : ndarray of float64, (n_sittings, n_scans)
        Of each scan, as it is judged and by its own choice; NaN where there is none.

    Returns
    -------
    apart_mm, alike : ndarray of float32, (n_sittings, n_scans)
        Distance from the median of the others, mm; share of the others within 0.1 mm. NaN where
        fewer than two others have a length, or the scan has none.

    Examples
    --------
    >>> import numpy as np
    >>> lengths = np.array([[23.40, 23.41, 23.95, 23.42]])
    >>> apart_mm, alike = lengths_beside(lengths, lengths)
    >>> f"{apart_mm[0, 2]:.2f} mm", [f"{share:.2f}" for share in alike[0]]
    ('0.54 mm', ['0.67', '0.67', '0.00', '0.67'])
    """
    apart = np.abs(length_mm - _middle_of_others(others_mm)).astype(np.float32)
    known, near = _others_near(length_mm, others_mm)
    share = near.sum(axis=2) / np.maximum(known.sum(axis=2), 1)
    return apart, np.where(np.isfinite(apart), share, np.nan).astype(np.float32)


def _others_near(
    length_mm: Float64, others_mm: Float64
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Of each scan, which others have a length, and which of these are within 0.1 mm of its own."""
    known = np.isfinite(others_mm)[:, None] & ~np.eye(length_mm.shape[1], dtype=np.bool_)
    with np.errstate(invalid="ignore"):
        near = known & (np.abs(length_mm[:, :, None] - others_mm[:, None]) <= _ALIKE_MM)
    return known, near


def votes_beside(
    length_mm: Float64,
    others_mm: Float64,
    nats: NDArray[np.floating],
    *,
    pressed_mm: tuple[Float64, Float64] | None = None,
    silent: NDArray[np.bool_] | None = None,
) -> dict[str, Float32]:
    """What scans that are likely right by themselves say of the length of each other scan.

    Parameters
    ----------
    length_mm, others_mm : ndarray of float64, (n_sittings, n_scans)
        Of each scan, as it is judged and by its own choice; NaN where there is none.
    nats : ndarray, (n_sittings, n_scans)
        Log-odds of each scan's own choice, by itself.
    pressed_mm : tuple of ndarray of float64, each (n_sittings, n_scans), optional
        Lengths are those behind what pressing changes, and this is what lies before them, likewise.
        Scans that were pressed unlike agree; a scan with gel is longer than that.
    silent : ndarray of bool, (n_sittings, n_scans), optional
        Scans that speak neither for nor against another: what may be wrong with them is likely
        wrong with all alike.

    Returns
    -------
    dict of str to ndarray of float32, each (n_sittings, n_scans)
        ``sitting_votes``: probabilities of the others within 0.1 mm of the scan, less those of the
        rest, over the number of all others that have a length; ``sitting_peer_nats``: mean
        log-odds of the others within 0.1 mm. NaN where fewer than two others have a length, none
        of them speaks, or the scan has none.

    Examples
    --------
    >>> import numpy as np
    >>> lengths = np.array([[23.40, 23.41, 23.95]])
    >>> found = votes_beside(lengths, lengths, np.array([[3.0, 2.0, 1.0]]))
    >>> {name: values.astype(float).round(2).tolist() for name, values in found.items()}
    {'sitting_votes': [[0.07, 0.11, -0.92]], 'sitting_peer_nats': [[2.0, 3.0, -4.0]]}
    """
    known, near = _others_near(length_mm, others_mm)
    if pressed_mm is not None:
        with np.errstate(invalid="ignore"):
            near &= pressed_mm[0][:, :, None] - pressed_mm[1][:, None] <= _PRESSED_APART_MM
    others = known.sum(axis=2)
    if silent is not None:
        known, near = known & ~silent[:, None], near & ~silent[:, None]
    nats = np.clip(nats.astype(np.float64), -40.0, 40.0)[:, None]
    chance = 1.0 / (1.0 + np.exp(-nats))
    # In order of size: the order of the scans cannot matter.
    votes = np.sort(np.where(near, chance, np.where(known, -chance, 0.0)), axis=2).sum(axis=2)
    total = np.sort(np.where(near, nats, 0.0), axis=2).sum(axis=2)
    count = near.sum(axis=2)
    peer = np.where(count > 0, total / np.maximum(count, 1), _NO_PEER_NATS)
    votes /= np.maximum(others, 1)
    nothing = (others < 2) | ~known.any(axis=2) | ~np.isfinite(length_mm)
    return {
        "sitting_votes": np.where(nothing, np.nan, votes).astype(np.float32),
        "sitting_peer_nats": np.where(nothing, np.nan, peer).astype(np.float32),
    }


def steady_segments(target: Target, *, pressed: bool) -> NDArray[np.bool_]:
    """Segments of the length that are as long in every scan of a sitting.

    Parameters
    ----------
    target : Target
    pressed : bool
        Whether the probe presses (contact): the segment behind the cornea is then not.

    Returns
    -------
    ndarray of bool, (n_segments,)
        The cornea is left out: its back is not always found.

    Examples
    --------
    >>> from echotrace.quality.sitting_evidence import steady_segments
    >>> from echotrace.target import eye_target
    >>> steady_segments(eye_target("phakic"), pressed=True).tolist()
    [False, False, True, True, False]
    """
    found = np.zeros(len(target.segments), np.bool_)
    found[target.length_slice] = True
    first = target.length_slice.start
    found[first : first + (2 if pressed else 1)] = False
    return found


def heard_in_sitting(features: Mapping[str, Float32]) -> NDArray[np.bool_]:
    """Scans of which the other scans of their sitting say anything.

    Parameters
    ----------
    features : mapping of str to ndarray of float32, each (n_traces,)
        Those of :func:`sitting_features` and :func:`votes_beside`.

    Returns
    -------
    ndarray of bool, (n_traces,)

    Examples
    --------
    >>> import numpy as np
    >>> features = dict.fromkeys(SITTING_FEATURES, np.float32([np.nan, 0.1]))
    >>> heard_in_sitting(features).tolist()
    [False, True]
    """
    told = ("sitting_length_apart_mm", "sitting_longer_mm", "sitting_votes")
    return np.asarray(np.isfinite([features[name] for name in told]).any(axis=0))


def vouched_in_sitting(features: Mapping[str, Float32]) -> NDArray[np.bool_]:
    """Scans for or against which some other scan of their sitting may speak.

    Parameters
    ----------
    features : mapping of str to ndarray of float32, each (n_traces,)
        Those of :func:`votes_beside`.

    Returns
    -------
    ndarray of bool, (n_traces,)
        False where all others are silent, or there are not two. Such a scan is accepted by itself
        or not at all.

    Examples
    --------
    >>> import numpy as np
    >>> vouched_in_sitting({"sitting_votes": np.float32([np.nan, 0.9])}).tolist()
    [False, True]
    """
    return np.isfinite(features["sitting_votes"])


def right_in_sitting(features: Mapping[str, Float32]) -> Float32:
    """Probability that each length is right, with what the other scans of its sitting say.

    Parameters
    ----------
    features : mapping of str to ndarray of float32, each (n_traces,)
        ``length_right``, ``length_right_nats`` and those of :func:`sitting_features`.

    Returns
    -------
    ndarray of float32, (n_traces,)
        That of the scan alone where nothing is there to hold it against, and no more than that
        where no other scan may vouch for it; zero where it has no length. Its odds are at most ten
        times those of the scan alone.

    Examples
    --------
    >>> import numpy as np
    >>> features = {"length_right": np.float32([0.9]), "length_right_nats": np.float32([2.2])}
    >>> features |= dict.fromkeys(SITTING_FEATURES, np.float32([np.nan]))
    >>> round(float(right_in_sitting(features)[0]), 2)
    0.9
    """
    alone = features["length_right"]
    with np.errstate(over="ignore"):
        most = 1.0 / (1.0 + np.exp(-features["length_right_nats"]) / _MOST_SUPPORT)
    most = np.where(vouched_in_sitting(features), most, alone)
    both = np.minimum(shipped_models()["in_sitting"].probability(features), most)
    silent = ~heard_in_sitting(features) | (alone == 0.0)
    return np.where(silent, alone, both).astype(np.float32)
