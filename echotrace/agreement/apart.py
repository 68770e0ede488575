"""Readings to be looked at before a study is believed: those that stand apart, and equal ones."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from echotrace.agreement.readings import LABELS, Readings
from echotrace.sittings.outliers import critical_deviate, extreme_studentized_deviates

__all__ = ["eyes_apart", "readings_apart", "repeated_block", "repeated_readings", "told_apart"]

ALPHA = 0.01
"""Of the outlier test of all readings of a method together: a false alarm in 100 studies."""
_MOST = 10
_STEPS = (1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001, 1e-4, 1e-5, 1e-6)
_ALPHA_REPEATED = 1e-3
# Rows that follow each other twice alike, at least, and different readings among them.
_LEAST_BLOCK, _LEAST_DIFFERENT = 6, 4
_LEAST_MM = 0.03
"""As the least effect that a sitting's outliers must have (``SittingLimits``)."""


def readings_apart(study: Readings) -> list[int]:
    """Readings that stand apart from the others of their sittings, most extreme first.

    Distances from the means of the sittings, each with the weight of its leverage, are tested
    together for each method by the generalised extreme Studentized deviate, at 0.01. In a sitting
    of two it is the one that is farther from the median of its eye.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of int
        Python's indices; at most ten of a method, and at most a tenth of its readings.

    Notes
    -----
    Rosner B 1983, Technometrics 25:165.

    Examples
    --------
    >>> from echotrace.agreement.study import Study
    >>> value = 23.5 + 0.05 * np.sin(np.arange(20.0))
    >>> value[7] += 3.0
    >>> readings_apart(Study(value=value, subject=np.repeat(list("abcd"), 5), method="contact"))
    [7]
    """
    found: list[int] = []
    eye = study.group("subject", "eye")
    sitting = study.group(*LABELS)
    for method in study.method.present:
        rows = np.flatnonzero(study.method.where(method))
        rows = rows[np.bincount(sitting)[sitting[rows]] > 1]
        found += _apart(study, rows, sitting, eye)
    return found


def _apart(
    study: Readings, rows: NDArray[np.intp], sitting: NDArray[np.intp], eye: NDArray[np.intp]
) -> list[int]:
    n_start = rows.size
    order: list[int] = []
    n_apart = 0
    least = _LEAST_MM if study.unit == "mm" else 0.0
    for i in range(1, min(_MOST, n_start // 10) + 1):
        code = np.unique(sitting[rows], return_inverse=True)[1].reshape(-1)
        count = np.bincount(code)
        value = study.value[rows]
        rest = value - (np.bincount(code, value) / count)[code]
        weight = np.sqrt(1.0 - 1.0 / np.maximum(count, 2))[code]
        deviate = np.where(count[code] > 1, np.abs(rest) / weight, 0.0)
        df = int((count - 1).sum())
        if df < 3:
            break
        # The spread of the others: a distance is judged by what it does not itself inflate.
        sd = math.sqrt(float(rest @ rest) / df)
        worst = np.flatnonzero(deviate >= (1.0 - 1e-9) * deviate.max())
        if worst.size > 1:
            apart = [
                abs(study.value[rows[k]] - np.median(study.value[eye == eye[rows[k]]]))
                for k in worst
            ]
            worst = worst[[int(np.argmax(apart))]]
        k = int(worst[0])
        order.append(int(rows[k]))
        if (
            sd > 0.0
            and deviate[k] / sd > critical_deviate(df + i, i, ALPHA)
            and (abs(rest[k]) >= least)
        ):
            n_apart = i
        rows = np.delete(rows, k)
    return order[:n_apart]


def eyes_apart(difference: NDArray[np.float64], unit: str) -> list[int]:
    """Eyes whose difference of methods stands apart from the others', most extreme first.

    Parameters
    ----------
    difference : ndarray of float64, (n_eyes,)
    unit : str

    Returns
    -------
    list of int
        By the generalised extreme Studentized deviate, at 0.01; at most ten, and a tenth.

    Examples
    --------
    >>> eyes_apart(np.append(0.1 * np.sin(np.arange(19.0)), 3.0), "mm")
    [19]
    """
    most = min(_MOST, difference.size // 10)
    found = extreme_studentized_deviates(difference, max_outliers=most, alpha=ALPHA)
    least = _LEAST_MM if unit == "mm" else 0.0
    middle = float(np.median(difference))
    return [int(k) for k in found if abs(difference[k] - middle) >= least]


def repeated_readings(study: Readings) -> int:
    """Readings equal to another of their sitting, where these are more than rounding makes.

    Parameters
    ----------
    study : Study

    Returns
    -------
    int
        0 where as many can be expected from the steps in which the readings were written down and
        their spread within sittings.

    Notes
    -----
    Two readings of SD s, rounded to steps of r, are equal with the probability that a normal
    difference of SD s·√2 falls into a triangle of half width r. The number of such pairs is held
    against Poisson's distribution, at 0.001.

    Examples
    --------
    >>> from echotrace.agreement.study import Study
    >>> rng = np.random.default_rng(0)
    >>> value = np.round(23.5 + 0.05 * rng.normal(size=100), 2)
    >>> repeated_readings(Study(value=value, subject=np.repeat(np.arange(20), 5), method="m"))
    0
    """
    import scipy

    sitting = study.group(*LABELS)
    pairs = np.unique(np.vstack([sitting, study.value]), axis=1, return_counts=True)[1]
    equal = float(np.sum(pairs * (pairs - 1.0) / 2.0))
    extra = study.n_readings - pairs.size
    if not extra:
        return 0
    expected = sum(chance * pairs for chance, pairs in _ties(study, sitting))
    return int(extra) if scipy.stats.poisson.sf(equal - 1.0, expected) < _ALPHA_REPEATED else 0


def _ties(study: Readings, sitting: NDArray[np.intp]) -> list[tuple[float, float]]:
    """Of each method: probability that two readings of a sitting are equal, and pairs of them."""
    step = next(
        (s for s in _STEPS if np.allclose(study.value / s, np.round(study.value / s), atol=1e-6)),
        0.0,
    )
    found = []
    for method in study.method.present:
        rows = study.method.where(method)
        code = np.unique(sitting[rows], return_inverse=True)[1].reshape(-1)
        count = np.bincount(code)
        rest = study.value[rows] - (np.bincount(code, study.value[rows]) / count)[code]
        square = np.bincount(code, rest**2)[count > 1] / (count[count > 1] - 1.0)
        if square.size:
            # The median of the sittings: where eyes differ, steady ones make most equal pairs.
            chance = _tie(math.sqrt(float(np.median(square))), step)
            found.append((chance, float(np.sum(count * (count - 1.0) / 2.0))))
    return found


def repeated_block(study: Readings) -> tuple[int, int, int]:
    """The longest run of rows that comes again, in the same order, further down.

    Parameters
    ----------
    study : Study

    Returns
    -------
    first, again, length : int
        Python's indices of its first row and of that of the copy, and rows of each; zeros where
        none of six rows and more, four of them different readings, comes again, or where rounded
        readings of as steady methods would give such a run in more than one study in a thousand.

    Examples
    --------
    >>> from echotrace.agreement.study import Study
    >>> value = np.array([23.41, 23.4, 24.2, 24.25, 22.9, 22.95, 23.7, 23.8])
    >>> subject = np.repeat(["a", "b", "c", "d"], 2)
    >>> twice = np.r_[0:8, 0:6]
    >>> repeated_block(Study(value=value[twice], subject=subject[twice], method="m"))
    (0, 8, 6)
    """
    sitting = study.group(*LABELS)
    rows = np.vstack([sitting, study.value])
    code = np.unique(rows, axis=1, return_inverse=True)[1].reshape(-1)
    least = _least_block(_ties(study, sitting))
    first, again, length = 0, 0, 0
    for back in range(least, code.size - least + 1):
        # Runs of rows that are alike so far apart, no longer than that: copies do not overlap.
        alike = np.concatenate([[False], code[back:] == code[:-back], [False]])
        edges = np.flatnonzero(np.diff(alike))
        sizes = np.minimum(edges[1::2] - edges[::2], back)
        for k in np.flatnonzero(sizes >= max(least, length + 1)):
            start, size = int(edges[2 * k]), int(sizes[k])
            several = np.unique(study.value[start : start + size]).size >= _LEAST_DIFFERENT
            if several and size > length:
                first, again, length = start, start + back, size
    return first, again, length


def _least_block(ties: list[tuple[float, float]]) -> int:
    """Rows of a run that rounding makes in at most one study in a thousand."""
    chance = max((p for p, _ in ties), default=0.0)
    pairs = sum(pairs for _, pairs in ties)
    if chance == 0.0 or pairs <= _ALPHA_REPEATED:
        return _LEAST_BLOCK
    if chance >= 1.0:
        return sys.maxsize
    return max(_LEAST_BLOCK, math.ceil(math.log(_ALPHA_REPEATED / pairs) / math.log(chance)))


def _tie(sd: float, step: float) -> float:
    """Probability that two rounded readings are equal."""
    import scipy

    if step == 0.0:
        return 0.0
    spread = math.sqrt(2.0 * max(sd**2 - step**2 / 12.0, 0.0))
    if spread < 0.01 * step:
        return 1.0
    x = step / spread
    normal = scipy.stats.norm
    inside = 2.0 * normal.cdf(x) - 1.0
    return float(inside - 2.0 / x * (normal.pdf(0.0) - normal.pdf(x)))


def told_apart(
    study: Readings,
    eyes: Sequence[tuple[str, str]],
    difference: NDArray[np.float64],
    *,
    linked: bool = False,
) -> list[str]:
    """Warnings that name each reading, and each eye, that stands apart.

    Parameters
    ----------
    study : Study
        Both methods.
    eyes : sequence of (subject, eye)
    difference : ndarray of float64, (n_eyes,)
        Of both methods.
    linked : bool
        Readings of an eye are of a value that changes, so that only differences are judged.

    Returns
    -------
    list of str

    Examples
    --------
    >>> from echotrace.agreement.study import Study
    >>> study = Study(value=[23.4, 23.6], subject="a", method=["contact", "immersion"])
    >>> told_apart(study, [("a", "none")], np.array([-0.2]))
    []
    """
    out = []
    named: set[tuple[str, str]] = set()
    for k in () if linked else readings_apart(study):
        named.add((study.subject[k], study.eye[k]))
        # A micrometre is more than any reading of an eye is known to.
        value = round(float(study.value[k]), 3) if study.unit == "mm" else study.value[k]
        out.append(
            f"the {study.method[k]} reading {value:g} {study.unit} of "
            f"{_eye(study.subject[k], study.eye[k])} ({study.where([k])}) stands apart from "
            "the rest of its sitting (generalised extreme Studentized deviate, 1 %): look at "
            "it before a spread or a limit is believed"
        )
    for k in eyes_apart(difference, study.unit):
        if eyes[k] in named:
            continue
        here = study.subject.where(eyes[k][0]) & study.eye.where(eyes[k][1])
        lines = [
            f"{method}: {study.where(np.flatnonzero(here & study.method.where(method)))}"
            for method in study.method.present
        ]
        apart = f"{difference[k]:.3g}".replace("-", "−")
        out.append(
            f"the methods differ by {apart} {study.unit} in {_eye(*eyes[k])}, apart "
            "from the other eyes (generalised extreme Studentized deviate, 1 %): look at its "
            f"readings ({'; '.join(lines)})"
        )
    return out


def _eye(subject: str, eye: str) -> str:
    return f"subject {subject}" if eye == "none" else f"subject {subject}, {eye} eye"
