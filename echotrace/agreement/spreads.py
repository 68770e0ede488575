"""Spread within sittings: of each subject, and of two methods against one another."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.agreement.resampling import (
    STUDENTISED,
    jackknife,
    studentised_interval,
    subject_draws,
)
from echotrace.agreement.study import LABELS, Study
from echotrace.agreement.variance import Estimate, Floats, check_confidence, t_interval
from echotrace.errors import ParameterError

__all__ = ["N_BOOTSTRAP", "SpreadRatio", "spread_ratio", "within_sums"]

N_BOOTSTRAP = 2000


def within_sums(study: Study, subjects: NDArray[np.intp], n_subjects: int) -> Floats:
    """Sums of squares and degrees of freedom within sittings, (n_subjects, 2).

    Parameters
    ----------
    study : Study
    subjects : ndarray of int, (n_readings,)
        Group (subject, eye) of each reading.
    n_subjects : int

    Returns
    -------
    ndarray of float64, (n_subjects, 2)

    Examples
    --------
    >>> study = Study(value=[23.0, 23.2, 24.0], subject=["a", "a", "b"], method="contact")
    >>> within_sums(study, study.group("subject"), 2).round(3)
    array([[0.02, 1.  ],
           [0.  , 0.  ]])
    """
    sitting = study.group(*LABELS)
    n = np.bincount(sitting)
    value = study.value - study.value.mean()
    mean = np.bincount(sitting, value) / n
    square = np.bincount(subjects, (value - mean[sitting]) ** 2, n_subjects)
    home = np.zeros(n.size, dtype=np.intp)
    home[sitting] = subjects
    return np.stack([square, np.bincount(home, n - 1.0, n_subjects)], axis=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadRatio:
    """Repeatability SD of method A over that of method B.

    Attributes
    ----------
    ratio : Estimate
        Interval by leaving out one subject at a time, on the logarithm: keeps what the methods
        share of a difficult eye, both eyes of a subject, and unequal numbers of readings.
    p : float
        Two-sided, for equal spreads.
    ratio_f, p_f : Estimate, float
        The variance-ratio F interval and p-value: exact only if a method spreads alike in all
        eyes.
    bootstrap : Estimate
        Interval by the studentised bootstrap by subject; none with fewer than 20 subjects.
    caveat : str
        Why the ratio is no finding, where it is none.
    """

    ratio: Estimate
    p: float
    ratio_f: Estimate
    p_f: float
    bootstrap: Estimate
    caveat: str = ""


def spread_ratio(
    study_a: Study,
    study_b: Study,
    *,
    confidence: float = 0.95,
    n_bootstrap: int = N_BOOTSTRAP,
    seed: int = 0,
) -> SpreadRatio:
    """Compare the spread within sittings of two methods on the same subjects.

    Parameters
    ----------
    study_a, study_b : Study
        One method each; subjects are matched by their codes.
    confidence : float
    n_bootstrap, seed : int

    Raises
    ------
    ParameterError
        A method without a sitting of two readings, or without any spread.

    Notes
    -----
    Jackknife of the logarithm of a variance ratio: Miller 1968, Annals of Mathematical Statistics
    39:567.

    Returns
    -------
    SpreadRatio

    Examples
    --------
    >>> subject = ["a", "a", "b", "b", "c", "c"]
    >>> a = Study(value=[23.0, 23.4, 24.0, 24.2, 22.0, 22.2], subject=subject, method="contact")
    >>> b = Study(value=[23.1, 23.2, 24.1, 24.2, 22.1, 22.2], subject=subject, method="immersion")
    >>> round(spread_ratio(a, b).ratio.value, 2)
    2.83
    """
    import scipy

    check_confidence(confidence)
    codes = {
        label: k
        for k, label in enumerate(sorted({*study_a.subject.present, *study_b.subject.present}))
    }
    sums = []
    for study in (study_a, study_b):
        lookup = np.array([codes.get(label, -1) for label in study.subject.labels], dtype=np.intp)
        part = within_sums(study, lookup[study.subject.codes], len(codes))
        square, df = part.sum(axis=0)
        if df < 1 or square == 0.0:
            raise ParameterError(
                f"{study.source}: {'/'.join(study.method.present)}: "
                + (
                    "no sitting has two readings"
                    if df < 1
                    else "readings within sittings are equal"
                )
                + "; spreads cannot be compared"
            )
        sums.append(part)
    table = np.concatenate(sums, axis=1)
    table = table[(table[:, 1] > 0) | (table[:, 3] > 0)]
    n = table.shape[0]

    def log_ratio(s: Floats) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(0.5 * np.log(s[..., 0] * s[..., 3] / (s[..., 1] * s[..., 2])))

    value, error, df_subjects = jackknife(log_ratio, table)
    low, high = t_interval(value, error, df_subjects, confidence)
    p = float(2.0 * scipy.stats.t.sf(abs(value) / error, df_subjects)) if error > 0 else math.nan
    df_a, df_b = float(table[:, 1].sum()), float(table[:, 3].sum())
    f = math.exp(2.0 * value)
    tail = (1.0 - confidence) / 2.0
    dist = scipy.stats.f(df_a, df_b)
    draws = subject_draws(n, n_bootstrap, seed)
    ends = studentised_interval(log_ratio, table, draws, confidence)
    boot = Estimate(value, *ends, STUDENTISED).map(math.exp)
    return SpreadRatio(
        ratio=Estimate(
            math.exp(value), math.exp(low), math.exp(high), "jackknife by subject, logarithm"
        ),
        p=p,
        ratio_f=Estimate(
            math.sqrt(f),
            math.sqrt(f / float(dist.isf(tail))),
            math.sqrt(f / float(dist.ppf(tail))),
            "F",
        ),
        p_f=float(2.0 * min(dist.cdf(f), dist.sf(f))),
        bootstrap=boot,
    )
