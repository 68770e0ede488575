"""How well a learner tells spoilt traces from good ones: signal detection theory and agreement.

The signal is a spoilt trace. Rejecting it is a hit, accepting it a miss; rejecting a good trace is
a false alarm. The criterion is positive for those who accept too readily.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy

from echotrace.errors import ParameterError

__all__ = ["Detection", "Estimate", "cohen_kappa", "detection", "rate"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with the interval that goes with it; NaN where the answers do not give it.

    Attributes
    ----------
    value, low, high : float

    Examples
    --------
    >>> Estimate(0.8, 0.5, 0.9).value
    0.8
    """

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Detection:
    """What the answers to good and spoilt traces say of a learner.

    Attributes
    ----------
    hit_rate, false_alarm_rate : Estimate
        As counted, with Wilson intervals.
    d_prime, criterion : Estimate
        Of the normal model with equal variances.

    Examples
    --------
    >>> detection(9, 1, 3, 7).hit_rate.value
    0.9
    """

    hit_rate: Estimate
    false_alarm_rate: Estimate
    d_prime: Estimate
    criterion: Estimate


def _z(confidence: float) -> float:
    return float(scipy.special.ndtri(0.5 + 0.5 * confidence))


def _counts(*counts: int) -> None:
    for count in counts:
        if isinstance(count, bool) or int(count) != count or count < 0:
            raise ParameterError(f"count={count!r}: counts are whole numbers from 0")


def rate(count: int, of: int, confidence: float = 0.95) -> Estimate:
    """A proportion with its Wilson interval.

    Parameters
    ----------
    count, of : int
    confidence : float
        Of the interval, 0 to 1.

    Returns
    -------
    Estimate

    Raises
    ------
    ParameterError
        Counts that are no counts, or more than there are.

    Notes
    -----
    Wilson 1927, J Am Stat Assoc 22:209 (origin from memory).

    Examples
    --------
    >>> wilson = rate(81, 263)
    >>> round(wilson.low, 4), round(wilson.high, 4)
    (0.2553, 0.3662)
    """
    _counts(count, of)
    if count > of:
        raise ParameterError(f"{count} of {of}: more than there are")
    if of == 0:
        return Estimate(math.nan, math.nan, math.nan)
    z = _z(confidence)
    p = count / of
    middle = (p + z**2 / (2 * of)) / (1 + z**2 / of)
    half = z * math.sqrt(p * (1 - p) / of + z**2 / (4 * of**2)) / (1 + z**2 / of)
    return Estimate(p, max(0.0, middle - half), min(1.0, middle + half))


def detection(
    hits: int,
    misses: int,
    false_alarms: int,
    correct_rejections: int,
    confidence: float = 0.95,
) -> Detection:
    """Hit rate, false alarms, d' and criterion with intervals.

    Parameters
    ----------
    hits, misses : int
        Spoilt traces that were rejected, and accepted.
    false_alarms, correct_rejections : int
        Good traces that were rejected, and accepted.
    confidence : float
        Of the intervals, 0 to 1.

    Returns
    -------
    Detection

    Raises
    ------
    ParameterError
        Counts that are no counts.

    Notes
    -----
    d' = z(H) - z(F), c = -(z(H) + z(F)) / 2, from rates with one half added to each count (Hautus
    1995, as statpsych's ``signal`` does), so that a faultless learner has a finite d'. Variance of
    z by the delta method, H(1 - H) / (N phi(z)^2), as Gourevitch & Galanter 1967 have it; d' and
    twice c have the same. The origins are from memory; the values are tested against statpsych.

    Examples
    --------
    >>> found = detection(82, 18, 46, 54)
    >>> round(found.d_prime.value, 6), round(found.criterion.value, 6)
    (1.002793, -0.40196)
    """
    _counts(hits, misses, false_alarms, correct_rejections)
    spoilt, good = hits + misses, false_alarms + correct_rejections
    nothing = Estimate(math.nan, math.nan, math.nan)
    d_prime = criterion = nothing
    if spoilt and good:
        rates = np.array([(hits + 0.5) / (spoilt + 1), (false_alarms + 0.5) / (good + 1)])
        quantile = scipy.special.ndtri(rates)
        density = np.exp(-0.5 * quantile**2) / math.sqrt(2 * math.pi)
        variance = float(
            np.sum(rates * (1 - rates) / (np.array([spoilt + 1, good + 1]) * density**2))
        )
        half = _z(confidence) * math.sqrt(variance)
        d = float(quantile[0] - quantile[1])
        c = -0.5 * float(quantile[0] + quantile[1])
        d_prime = Estimate(d, d - half, d + half)
        criterion = Estimate(c, c - half / 2, c + half / 2)
    return Detection(
        hit_rate=rate(hits, spoilt, confidence),
        false_alarm_rate=rate(false_alarms, good, confidence),
        d_prime=d_prime,
        criterion=criterion,
    )


def cohen_kappa(
    both_reject: int,
    only_learner: int,
    only_truth: int,
    both_accept: int,
    confidence: float = 0.95,
) -> Estimate:
    """Agreement with the truth beyond chance: Cohen's kappa with its large-sample interval.

    Parameters
    ----------
    both_reject, only_learner, only_truth, both_accept : int
        Traces rejected by learner and truth, by one of them, by none.
    confidence : float
        Of the interval, 0 to 1.

    Returns
    -------
    Estimate
        NaN where there is nothing to agree on.

    Raises
    ------
    ParameterError
        Counts that are no counts.

    Notes
    -----
    Standard error of Fleiss, Cohen & Everitt 1969 (origin from memory), tested against statpsych's
    ``ci.kappa``, which refers to Fleiss & Paik 2003.

    Examples
    --------
    >>> kappa = cohen_kappa(31, 12, 4, 58)
    >>> round(kappa.value, 7), round(kappa.low, 4), round(kappa.high, 4)
    (0.6756757, 0.5317, 0.8196)
    """
    _counts(both_reject, only_learner, only_truth, both_accept)
    table = np.array([[both_reject, only_learner], [only_truth, both_accept]], np.float64)
    n = table.sum()
    if n == 0:
        return Estimate(math.nan, math.nan, math.nan)
    p = table / n
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    seen, chance = float(np.trace(p)), float(rows @ columns)
    if chance >= 1.0:
        return Estimate(math.nan, math.nan, math.nan)
    kappa = (seen - chance) / (1 - chance)
    own = np.diag(p) * (1 - (rows + columns) * (1 - kappa)) ** 2
    cross = p * (columns[:, None] + rows[None, :]) ** 2 * (1 - kappa) ** 2
    total = own.sum() + cross.sum() - np.trace(cross) - (kappa - chance * (1 - kappa)) ** 2
    half = _z(confidence) * math.sqrt(max(float(total), 0.0) / n) / (1 - chance)
    return Estimate(kappa, max(-1.0, kappa - half), min(1.0, kappa + half))
