"""How well a score tells good traces from bad ones, and how well it is calibrated."""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = [
    "brier_score",
    "calibration_chance",
    "calibration_curve",
    "calibration_error",
    "roc_area",
    "roc_band",
    "roc_curve",
]

Float64 = NDArray[np.float64]


def roc_curve(score: Float64, positive: NDArray[np.bool_]) -> tuple[Float64, Float64]:
    """False and true positive rates over all thresholds, from none to all accepted.

    Parameters
    ----------
    score : ndarray of float64, (n,)
    positive : ndarray of bool, (n,)

    Returns
    -------
    false_rate, true_rate : ndarray of float64, (n_thresholds + 1,)

    Examples
    --------
    >>> false, true = roc_curve(np.array([0.9, 0.8, 0.3]), np.array([True, False, True]))
    >>> false.tolist(), true.tolist()
    ([0.0, 0.0, 1.0, 1.0], [0.0, 0.5, 0.5, 1.0])
    """
    order = np.argsort(-score, kind="stable")
    hits = positive[order]
    last = np.flatnonzero(np.diff(score[order], append=-np.inf))
    true = np.cumsum(hits)[last] / max(1, hits.sum())
    false = np.cumsum(~hits)[last] / max(1, (~hits).sum())
    return np.concatenate([[0.0], false]), np.concatenate([[0.0], true])


def roc_area(score: Float64, positive: NDArray[np.bool_]) -> float:
    """Area under the ROC curve: the chance that a good trace scores above a bad one.

    Parameters
    ----------
    score : ndarray of float64, (n,)
    positive : ndarray of bool, (n,)

    Returns
    -------
    float
        NaN where all traces are of one kind.

    Notes
    -----
    Mann-Whitney statistic with ties counted half (Hanley & McNeil 1982, Radiology 143:29).

    Examples
    --------
    >>> roc_area(np.array([0.9, 0.8, 0.3]), np.array([True, False, True]))
    0.5
    """
    rank = scipy.stats.rankdata(score)
    n_pos = int(positive.sum())
    n_neg = positive.size - n_pos
    if not n_pos or not n_neg:
        return float("nan")
    return float((rank[positive].sum() - n_pos * (n_pos + 1) / 2.0) / (n_pos * n_neg))


def roc_band(
    score: Float64,
    positive: NDArray[np.bool_],
    groups: NDArray[np.intp],
    *,
    seed: int = 0,
    rounds: int = 400,
    confidence: float = 0.95,
) -> tuple[Float64, Float64, Float64, tuple[float, float]]:
    """Band of the ROC curve and interval of its area, by drawing whole scenarios again.

    Parameters
    ----------
    score, positive
        As for :func:`roc_curve`.
    groups : ndarray of int
        Scenario of each trace: traces of one scenario are alike and are drawn together.
    seed, rounds : int
    confidence : float

    Returns
    -------
    false_rate, low, high : ndarray of float64
    area_interval : tuple of float

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> positive = rng.random(60) < 0.5
    >>> *_, (low, high) = roc_band(rng.normal(positive), positive, np.arange(60) // 3, rounds=50)
    >>> 0.5 < low < high < 1.0
    True
    """
    rng = np.random.default_rng(seed)
    axis = np.linspace(0.0, 1.0, 201)
    members = [np.flatnonzero(groups == g) for g in np.unique(groups)]
    curves, areas = [], []
    for _ in range(rounds):
        rows = np.concatenate([members[k] for k in rng.integers(len(members), size=len(members))])
        if positive[rows].all() or not positive[rows].any():
            continue
        false, true = roc_curve(score[rows], positive[rows])
        curves.append(np.interp(axis, false, true))
        areas.append(roc_area(score[rows], positive[rows]))
    tails = [0.5 - 0.5 * confidence, 0.5 + 0.5 * confidence]
    low, high = np.quantile(curves, tails, axis=0)
    a, b = np.quantile(areas, tails)
    return axis, np.asarray(low), np.asarray(high), (float(a), float(b))


def brier_score(score: Float64, outcome: NDArray[np.bool_]) -> float:
    """Mean squared difference of probability and outcome (Brier 1950, Mon Weather Rev 78:1).

    Parameters
    ----------
    score : ndarray of float64, (n,)
        Probabilities.
    outcome : ndarray of bool, (n,)

    Returns
    -------
    float

    Examples
    --------
    >>> brier_score(np.array([0.5, 1.0]), np.array([True, True]))
    0.125
    """
    return float(np.mean((score - outcome) ** 2))


def calibration_curve(
    score: Float64, outcome: NDArray[np.bool_], *, bins: int = 10
) -> tuple[Float64, Float64, NDArray[np.intp]]:
    """Mean score, share of good traces and number of traces in bins of equal numbers.

    Parameters
    ----------
    score : ndarray of float64, (n,)
    outcome : ndarray of bool, (n,)
    bins : int

    Returns
    -------
    mean, share : ndarray of float64, (bins,)
    number : ndarray of int, (bins,)

    Examples
    --------
    >>> calibration_curve(np.array([0.2, 0.4]), np.array([False, True]), bins=1)[1].tolist()
    [0.5]
    """
    order = np.argsort(score, kind="stable")
    parts = np.array_split(order, bins)
    return (
        np.array([score[p].mean() for p in parts]),
        np.array([outcome[p].mean() for p in parts]),
        np.array([p.size for p in parts]),
    )


def calibration_error(score: Float64, outcome: NDArray[np.bool_], *, bins: int = 10) -> float:
    """Mean distance of score and share of good traces over the bins, weighted by number.

    Parameters
    ----------
    score : ndarray of float64, (n,)
    outcome : ndarray of bool, (n,)
    bins : int

    Returns
    -------
    float

    Examples
    --------
    >>> round(calibration_error(np.array([0.2, 0.4]), np.array([False, True]), bins=1), 3)
    0.2
    """
    mean, share, number = calibration_curve(score, outcome, bins=bins)
    return float(np.sum(np.abs(mean - share) * number) / number.sum())


def calibration_chance(
    score: Float64,
    outcome: NDArray[np.bool_],
    groups: NDArray[np.intp],
    *,
    bins: int = 10,
    rounds: int = 200,
    seed: int = 0,
) -> float:
    """How far shares of good traces lie from those of other draws of as many groups, on average.

    A probability without any error shows about this calibration error: scans of one sitting are
    right or wrong, aligned or not, together.

    Parameters
    ----------
    score : ndarray of float64, (n,)
    outcome : ndarray of bool, (n,)
    groups : ndarray of int, (n,)
        Sitting of each trace; sittings are drawn again with replacement.
    bins, rounds, seed : int

    Returns
    -------
    float

    Examples
    --------
    >>> score, outcome = np.full(400, 0.5), np.arange(400) % 2 == 0
    >>> one_by_one = calibration_chance(score, outcome, np.arange(400))
    >>> sitting = np.arange(400) // 20
    >>> together = calibration_chance(score, sitting % 2 == 0, sitting)
    >>> one_by_one < 0.1 < together
    True
    """
    rng = np.random.default_rng(seed)
    number = np.empty(score.size, np.intp)
    for k, part in enumerate(np.array_split(np.argsort(score, kind="stable"), bins)):
        number[part] = k
    _, group = np.unique(groups, return_inverse=True)
    n = int(group.max()) + 1
    good, there = np.zeros((n, bins)), np.zeros((n, bins))
    np.add.at(there, (group, number), 1.0)
    np.add.at(good, (group, number), outcome.astype(np.float64))
    share, weight = good.sum(0) / there.sum(0), there.sum(0) / there.sum()
    apart = []
    for _ in range(rounds):
        times = np.bincount(rng.integers(n, size=n), minlength=n)
        seen = times @ there
        with np.errstate(invalid="ignore"):
            off = np.abs(times @ good / seen - share)
        apart.append(float(np.nansum(off * weight)))
    return float(np.mean(apart))
