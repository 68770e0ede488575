"""What is refused before anything is concluded: rows given twice, mixed units, impossible ones."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from echotrace.agreement.places import Places
from echotrace.agreement.readings import Readings
from echotrace.errors import ParameterError
from echotrace.recording import Column

__all__ = ["impossible_lengths", "refuse_duplicates", "refuse_mixed_units", "unusual_lengths"]

_SAME_EYE_FACTOR = 5.0
"""Readings of one eye that differ by more than this factor cannot share a unit."""
_ALL_FACTOR = 50.0
"""Lengths of one study that differ by more than this factor from their median cannot either: eyes
differ by a factor of three at most, the units of length by ten and more."""
_LENGTH_UNITS = ("mm", "um", "µm", "μm", "nm", "m", "cm")
EYE_MM = (5.0, 60.0)
"""Axial lengths outside are no eye's: the shortest and longest published lie well within (value
from memory)."""
_USUAL_MM = (15.0, 36.0)
"""The middle of a study lies between: from an infant's eye to one of 33.15 mm, two standard
deviations beyond the mean of pathological myopia (28.75 ± 2.20, openophthalmologyjournal 13:70)."""
ANY_MM = 1000.0
"""No A-mode length is a metre: echoes at 10 MHz fade within 0.1 m of tissue (value from memory)."""


def refuse_duplicates(
    value: NDArray[np.float64],
    columns: Mapping[str, Column],
    order: NDArray[np.int64] | None,
    source: str,
    places: Places,
) -> None:
    """Refuse rows that are one, and a table that was pasted twice.

    Parameters
    ----------
    value : ndarray of float64, (n_readings,)
    columns : mapping of str to Column
        What tells readings apart.
    order : ndarray of int64 or None, (n_readings,)
    source : str
    places : Places

    Raises
    ------
    ParameterError
        Naming two rows that are the same.

    Examples
    --------
    >>> subject = {"subject": Column.of("a", 2, "subject")}
    >>> rows = Places.of("a.csv", "line", [2, 3])
    >>> refuse_duplicates(np.array([1.0, 2.0]), subject, np.array([1, 1]), "a.csv", rows)
    Traceback (most recent call last):
    ...
    echotrace.errors.ParameterError: a.csv: lines 2 and 3 are duplicates (same subject and order \
1); remove one
    """
    rows = np.stack([column.codes.astype(np.float64) for column in columns.values()])
    if order is not None:
        rows = np.vstack([rows, order])
        _, first, inverse, count = np.unique(
            rows, axis=1, return_index=True, return_inverse=True, return_counts=True
        )
        if (count > 1).any():
            which = int(np.flatnonzero(count > 1)[0])
            second = int(np.flatnonzero(inverse.reshape(-1) == which)[1])
            raise ParameterError(
                f"{source}: {places.names([int(first[which]), second])} are duplicates (same "
                f"{', '.join(columns)} and order {int(order[second])}); remove one"
            )
        return
    if value.size < 2:
        return
    rows = np.vstack([rows, value])
    _, inverse, count = np.unique(rows, axis=1, return_inverse=True, return_counts=True)
    if count.size > 1 and (count > 1).all():
        pair = np.flatnonzero(inverse.reshape(-1) == inverse.reshape(-1)[0])[:2]
        raise ParameterError(
            f"{source}: every row occurs more than once ({places.names(pair)} for a start); the "
            "table seems to be pasted twice. Remove the duplicates, or add a column 'order' that "
            "tells repeated readings apart"
        )


def impossible_lengths(
    value: NDArray[np.float64], unit: str = "mm", *, eyes: bool = False
) -> tuple[NDArray[np.intp], str]:
    """Readings that no length can have: codes for missing ones, other units.

    Parameters
    ----------
    value : ndarray of float64, (n_readings,)
        NaN where missing.
    unit : str
        In any but mm only zeros and less are found; in what is no length nothing is.
    eyes : bool
        They are axial lengths of eyes.

    Returns
    -------
    rows : ndarray of int
        Python's indices of the readings; empty where all are possible.
    what : str
        What is wrong and what to do.

    Examples
    --------
    >>> impossible_lengths(np.array([23.4, 0.0, 0.0]))[1]
    '0 is no length; leave the cell empty where a reading is missing'
    """
    none = np.empty(0, np.intp)
    if unit not in _LENGTH_UNITS:
        return none, ""
    low, high = EYE_MM if eyes else (0.0, ANY_MM)
    length = "an eye's length" if eyes else "such a length"
    if (value > ANY_MM).any():
        above = (
            f"not {length} in mm; were readings written in µm? Give all in mm, and leave the cell "
            "empty where a reading is missing"
        )
    else:
        above = (
            f"not {length} in mm ({high:g} at most); leave the cell empty where a reading is "
            "missing"
        )
    checks = [(value <= 0.0, "no length; leave the cell empty where a reading is missing")]
    if unit == "mm":
        below = (
            f"not an eye's length in mm ({low:g} at least); were readings written in cm? Give all "
            "in mm; where no eye was measured, name the column length_mm and leave out 'eye'"
        )
        checks += [(value > high, above), (value < low, below)]
    for bad, what in checks:
        rows = np.flatnonzero(bad)
        if rows.size:
            return rows, f"{value[rows[0]]:g} is {what}"
    return none, ""


def unusual_lengths(value: NDArray[np.float64]) -> list[str]:
    """What is to be said where the middle of all readings is that of no group of eyes.

    Parameters
    ----------
    value : ndarray of float64, (n_readings,)
        Axial lengths of eyes, mm; NaN where missing.

    Returns
    -------
    list of str
        One sentence, or nothing.

    Examples
    --------
    >>> unusual_lengths(np.array([23.4, 24.1])), len(unusual_lengths(np.array([43.2, 43.9])))
    ([], 1)
    """
    known = value[np.isfinite(value)]
    if not known.size:
        return []
    middle = float(np.median(known))
    low, high = _USUAL_MM
    if low <= middle <= high:
        return []
    return [
        f"the median of all readings is {middle:.4g} mm, and no group of eyes is so "
        f"{'long' if middle > high else 'short'}: see whether this is the axial length in mm"
    ]


def refuse_mixed_units(study: Readings) -> None:
    """Refuse readings of which some must be in another unit; readings up to nil are no help.

    Parameters
    ----------
    study : Study

    Raises
    ------
    ParameterError
        Naming two rows.

    Examples
    --------
    >>> from echotrace.agreement.study import Study
    >>> Study(value=[23.4, 2.34], subject="a", method="contact")
    Traceback (most recent call last):
    ...
    echotrace.errors.ParameterError: study: rows 2 and 1 are 2.34 and 23.4 for one eye of subject \
a; the units seem to be mixed. Give all readings in mm
    """
    used = np.flatnonzero(study.value > 0.0)
    if not used.size:
        return
    value, eye = study.value[used], study.group("subject", "eye")[used]
    n = int(eye.max()) + 1
    low, high = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(low, eye, value)
    np.maximum.at(high, eye, value)
    bad = np.flatnonzero(high > _SAME_EYE_FACTOR * low)
    if bad.size:
        rows = used[eye == bad[0]]
        a, b = rows[np.argmin(study.value[rows])], rows[np.argmax(study.value[rows])]
        raise ParameterError(
            f"{study.source}: {study.where([a, b])} are {study.value[a]:g} and "
            f"{study.value[b]:g} for one eye of subject {study.subject[int(a)]}; the units seem "
            f"to be mixed. Give all readings in {study.unit}"
        )
    if study.unit not in _LENGTH_UNITS:
        return
    middle = float(np.median(value))
    far = used[(value > _ALL_FACTOR * middle) | (value < middle / _ALL_FACTOR)]
    if far.size:
        raise ParameterError(
            f"{study.source}: {study.where(far)}: {study.value[far[0]]:g}, where the median of all "
            f"readings is {middle:g}; the units seem to be mixed. Give all readings in {study.unit}"
        )
