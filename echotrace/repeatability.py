"""Repeatability and reproducibility of one method, and whether two methods spread alike.

Vocabulary of ISO 5725-1: *repeatability* is the spread of readings of one eye by one operator in
one sitting; *reproducibility* adds what changes between sittings and between operators. The
repeatability limit 1.96 √2 s_r is what two readings differ by at most, 95 times in 100 (ISO 5725-6;
Bland & Altman 1999, Stat Methods Med Res 8:135, section 2).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.errors import EstimationError, ParameterError
from echotrace.reml import reml
from echotrace.study import LABELS, Study
from echotrace.variance import (
    Estimate,
    Floats,
    Nested,
    bootstrap_interval,
    chi_square_interval,
    effective_df,
    jackknife,
    subject_draws,
    t_interval,
)

__all__ = [
    "Repeatability",
    "SpreadRatio",
    "SpreadTrend",
    "intraclass_correlations",
    "repeatability",
    "spread_ratio",
]

REPEATABILITY_FACTOR = 1.959963984540054 * math.sqrt(2.0)
"""95 % limit of the difference of two readings over their SD; ISO 5725-6 rounds it to 2.8."""

N_BOOTSTRAP = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadTrend:
    """Whether the spread within sittings changes with the length.

    Attributes
    ----------
    tau, p : float
        Kendall's rank correlation of the SD and the mean of each sitting (Bland & Altman 1999,
        section 3) and its p-value. With two eyes of a subject the p-value is optimistic.
    slope : Estimate
        Change of the SD per unit of length, interval by leaving out subjects.
    """

    tau: float
    p: float
    slope: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """Spread of one method.

    Attributes
    ----------
    method, unit : str
    n_subjects, n_eyes, n_sittings, n_readings, df_within : int
    readings_per_sitting : float
        Harmonic mean.
    mean : float
    within_sd : Estimate
        Repeatability standard deviation s_r.
    repeatability_limit : Estimate
        1.96 √2 s_r.
    cv_percent : Estimate
        s_r over the mean; describes the method only where the spread grows with the length.
    components : mapping of str to Estimate
        SD between subjects, eyes, operators and sittings, as far as the design tells them apart.
    reproducibility_sd, reproducibility_limit : Estimate or None
        Readings in other sittings (and by other operators where crossed); None where every eye
        has one sitting.
    icc : mapping of str to Estimate
        ``reading`` and ``sitting_mean``: share of the variance that lies between eyes. With
        crossed operators and no empty cell also the forms of McGraw & Wong.
    trend : SpreadTrend or None
        None with fewer than five sittings that have a spread.
    bootstrap : mapping of str to tuple of float
        Percentile intervals, subjects drawn anew: a check on the intervals above.
    notes : tuple of str
    """

    method: str
    unit: str
    n_subjects: int
    n_eyes: int
    n_sittings: int
    n_readings: int
    df_within: int
    readings_per_sitting: float
    mean: float
    within_sd: Estimate
    repeatability_limit: Estimate
    cv_percent: Estimate
    components: Mapping[str, Estimate]
    reproducibility_sd: Estimate | None
    reproducibility_limit: Estimate | None
    icc: Mapping[str, Estimate]
    trend: SpreadTrend | None
    bootstrap: Mapping[str, tuple[float, float]]
    notes: tuple[str, ...]


def intraclass_correlations(table: ArrayLike, confidence: float = 0.95) -> dict[str, Estimate]:
    """Intraclass correlations of a complete table, with their intervals.

    Parameters
    ----------
    table : array_like of float, (n_targets, k)
        Eyes in rows; operators, sittings or readings in columns.
    confidence : float

    Returns
    -------
    dict of str to Estimate
        ``ICC(1)``, ``ICC(k)`` one-way; ``ICC(C,1)``, ``ICC(C,k)`` two-way, consistency;
        ``ICC(A,1)``, ``ICC(A,k)`` two-way, absolute agreement.

    Raises
    ------
    ParameterError
        Fewer than two rows or columns, empty cells, or values that are all the same.

    Notes
    -----
    McGraw & Wong 1996, Psychological Methods 1:30, tables 4 and 7. Shrout & Fleiss 1979,
    Psychological Bulletin 86:420, call the six forms (1,1), (1,k), (3,1), (3,k), (2,1), (2,k).
    """
    import scipy

    x = np.asarray(table, dtype=np.float64)
    if x.ndim != 2 or min(x.shape) < 2:
        raise ParameterError(
            f"intraclass correlation: a table of shape {x.shape}; at least 2 rows (eyes) and 2 "
            "columns (readings of each) are needed"
        )
    if not np.isfinite(x).all():
        row, column = np.argwhere(~np.isfinite(x))[0]
        raise ParameterError(
            f"intraclass correlation: row {row + 1}, column {column + 1} is missing; every cell "
            "must be filled"
        )
    n, k = x.shape
    x = x - x.mean()
    rows, columns = x.mean(axis=1), x.mean(axis=0)
    df_e = (n - 1) * (k - 1)
    ms_r = k * float(rows @ rows) / (n - 1)
    ms_c = n * float(columns @ columns) / (k - 1)
    residual = x - rows[:, None] - columns
    ms_e = float(np.sum(residual**2)) / df_e
    ms_w = float(np.sum((x - rows[:, None]) ** 2)) / (n * (k - 1))
    if ms_r + ms_w == 0.0:
        raise ParameterError("intraclass correlation: all values are identical")
    tail = (1.0 - confidence) / 2.0

    def upper(df_1: float, df_2: float) -> float:
        return float(scipy.stats.f.isf(tail, df_1, df_2))

    def single_and_mean(ms: float, df: float, names: tuple[str, str]) -> dict[str, Estimate]:
        value = (ms_r - ms) / (ms_r + (k - 1) * ms)
        if ms == 0.0:
            return {name: Estimate(1.0, 1.0, 1.0, "no error") for name in names}
        f_low = ms_r / ms / upper(n - 1, df)
        f_high = ms_r / ms * upper(df, n - 1)
        return {
            names[0]: Estimate(
                value, (f_low - 1) / (f_low + k - 1), (f_high - 1) / (f_high + k - 1), "F"
            ),
            names[1]: Estimate(
                (ms_r - ms) / ms_r if ms_r else -math.inf, 1 - 1 / f_low, 1 - 1 / f_high, "F"
            ),
        }

    out = single_and_mean(ms_w, n * (k - 1), ("ICC(1)", "ICC(k)"))
    out |= single_and_mean(ms_e, df_e, ("ICC(C,1)", "ICC(C,k)"))

    agreement = (ms_r - ms_e) / (ms_r + (k - 1) * ms_e + k * (ms_c - ms_e) / n)
    a = k * agreement / (n * (1 - agreement)) if agreement < 1 else math.inf
    b = 1 + k * agreement * (n - 1) / (n * (1 - agreement)) if agreement < 1 else math.inf
    if math.isinf(a):
        low = high = 1.0
    else:
        v = (a * ms_c + b * ms_e) ** 2 / ((a * ms_c) ** 2 / (k - 1) + (b * ms_e) ** 2 / df_e)
        f_1, f_2 = upper(n - 1, v), upper(v, n - 1)
        pooled = k * ms_c + (k * n - k - n) * ms_e
        low = n * (ms_r - f_1 * ms_e) / (f_1 * pooled + n * ms_r)
        high = n * (f_2 * ms_r - ms_e) / (pooled + n * f_2 * ms_r)
    how = "F, Satterthwaite"
    out["ICC(A,1)"] = Estimate(agreement, low, high, how)

    def of_mean(rho: float) -> float:
        return float(rho * k / (1 + rho * (k - 1)))

    out["ICC(A,k)"] = Estimate(
        (ms_r - ms_e) / (ms_r + (ms_c - ms_e) / n), of_mean(low), of_mean(high), how
    )
    return out


def within_sums(study: Study, subjects: NDArray[np.intp], n_subjects: int) -> Floats:
    """Sums of squares and degrees of freedom within sittings, (n_subjects, 2)."""
    sitting = study.group(*LABELS)
    n = np.bincount(sitting)
    value = study.value - study.value.mean()
    mean = np.bincount(sitting, value) / n
    square = np.bincount(subjects, (value - mean[sitting]) ** 2, n_subjects)
    home = np.zeros(n.size, dtype=np.intp)
    home[sitting] = subjects
    return np.stack([square, np.bincount(home, n - 1.0, n_subjects)], axis=1)


def _pooled_sd(sums: Floats) -> Floats:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.sqrt(sums[..., 0] / sums[..., 1]))


def repeatability(
    study: Study,
    method: str | None = None,
    *,
    confidence: float = 0.95,
    n_bootstrap: int = N_BOOTSTRAP,
    seed: int = 0,
) -> Repeatability:
    """Spread of one method within and between sittings, operators and eyes.

    Parameters
    ----------
    study : Study
    method : str, optional
        Needed where the study holds more than one.
    confidence : float
    n_bootstrap, seed : int

    Raises
    ------
    ParameterError
        No sitting with two readings, all readings identical, or a method that is not there.
    """
    check_confidence(confidence)
    present = study.method.present
    if method is None:
        if len(present) != 1:
            raise ParameterError(f"{study.source}: holds {', '.join(present)}; say which method")
        method = present[0]
    study = study.of_method(method)
    subject = study.group("subject")
    eye = study.group("subject", "eye")
    sitting = study.group(*LABELS)
    n_subjects, n_eyes = int(subject.max()) + 1, int(eye.max()) + 1
    n_per_sitting = np.bincount(sitting)
    within = within_sums(study, subject, n_subjects)
    square, df = within.sum(axis=0)
    if df < 1:
        raise ParameterError(
            f"{study.source}: {method}: every sitting has one reading; repeatability needs at "
            "least two readings in a sitting"
        )
    if np.ptp(study.value) == 0.0:
        raise ParameterError(
            f"{study.source}: {method}: all {study.n_readings} readings are identical "
            f"({study.value[0]:g} {study.unit}); there is no spread to analyse"
        )
    notes: list[str] = []
    mean = float(study.value.mean())
    freedom = effective_df(within[:, 0], within[:, 1])
    within_sd = Estimate(
        square / df,
        *chi_square_interval(square / df, freedom, confidence),
        "chi-square" if freedom == df else "chi-square, as subjects differ in spread",
    ).sqrt()
    if freedom < df:
        notes.append(
            f"subjects differ in their spread: intervals count {freedom:.0f} instead of "
            f"{int(df)} degrees of freedom, and a pooled SD describes no single eye"
        )
    if square == 0.0:
        notes.append("readings within every sitting are identical: are they copies of one another?")
    elif int(df) < 15:
        notes.append(f"the repeatability rests on {int(df)} degrees of freedom only")

    draws = subject_draws(n_subjects, n_bootstrap, seed)
    boot = {"within_sd": bootstrap_interval(_pooled_sd, within, draws, confidence)}

    crossed = bool((_distinct(eye, study.group("operator")) > 1).any())
    levels = [("subject", subject), ("eye", eye)]
    cell = study.group("subject", "eye", "operator")
    components: dict[str, Estimate] = {}
    icc: dict[str, Estimate] = {}
    reproducibility = None
    has_sittings = int(sitting.max()) + 1 > int(cell.max()) + 1
    if crossed:
        factors = []
        if n_subjects > 1:
            factors.append(("subject", subject))
        if n_eyes > n_subjects:
            factors.append(("eye", eye))
        factors.append(("operator", study.group("operator")))
        factors.append(("eye by operator", cell))
        if has_sittings:
            factors.append(("sitting", sitting))
        try:
            variance = reml(study.value, factors, confidence)
        except EstimationError as error:
            notes.append(
                "the spread between operators, the reproducibility and the intraclass correlation "
                f"of a reading are not given: {error}"
            )
        else:
            components = {
                name: estimate.sqrt() for name, estimate in variance.items() if name != "reading"
            }
            between = sum(variance[name].value for name in variance if name in ("subject", "eye"))
            total = sum(estimate.value for estimate in variance.values())
            icc["reading"] = Estimate(between / total, how="REML, no interval")
            change = total - between
            # The operators decide the interval: their few degrees of freedom dominate it.
            spreads = [variance[name] for name in variance if name not in ("subject", "eye")]
            low = change - math.hypot(*(e.value - e.low for e in spreads))
            high = change + math.hypot(*(e.high - e.value for e in spreads))
            reproducibility = Estimate(change, max(low, 0.0), high, "REML, recovered").sqrt()
        n_operators = len(study.operator.present)
        if components and n_operators < 6:
            notes.append(
                f"the spread between operators rests on {n_operators} operators; its interval is "
                "wide because of that, not because of the readings"
            )
        complete = _operator_table(study, eye)
        if complete is None:
            notes.append(
                "not every operator measured every eye: the two-way intraclass correlations are "
                "not given"
            )
        elif n_eyes > 1:
            icc |= intraclass_correlations(complete, confidence)
    else:
        if has_sittings:
            levels.append(("sitting", sitting))
        nested = Nested(study.value, levels)
        if n_subjects > 1:
            for name in nested.names[:-1]:
                components[name] = nested.estimate(nested.parts(name), confidence).sqrt()
            truth = nested.parts("subject", "eye")
            icc["reading"] = nested.ratio(truth, 1.0 - truth, confidence)
            m = _harmonic(n_per_sitting)
            rest = nested.parts("sitting") + nested.parts("reading") / m
            if nested.depth == 2:
                icc["sitting_mean"] = icc["reading"].map(
                    lambda rho: rho * m / (1.0 + rho * (m - 1.0))
                )
            else:
                icc["sitting_mean"] = nested.ratio(truth, rest, confidence)

            def share(sums: Floats) -> Floats:
                a, b = nested.combination(truth, sums), nested.combination(1.0 - truth, sums)
                return np.asarray(np.maximum(a, 0.0) / np.maximum(np.maximum(a, 0.0) + b, 1e-300))

            boot["icc_reading"] = bootstrap_interval(share, nested.sums, draws, confidence)
        if "sitting" in nested.names and n_subjects > 1:
            reproducibility = nested.estimate(nested.parts("sitting", "reading"), confidence).sqrt()
    if n_eyes > n_subjects and "ICC(1)" in icc:
        notes.append(
            "the F intervals of the two-way intraclass correlations take the two eyes of a "
            "subject as independent"
        )
    if n_subjects < 2:
        notes.append("one subject only: nothing can be said about other subjects")

    return Repeatability(
        method=method,
        unit=study.unit,
        n_subjects=n_subjects,
        n_eyes=n_eyes,
        n_sittings=int(n_per_sitting.size),
        n_readings=study.n_readings,
        df_within=int(df),
        readings_per_sitting=_harmonic(n_per_sitting),
        mean=mean,
        within_sd=within_sd,
        repeatability_limit=within_sd.map(lambda s: REPEATABILITY_FACTOR * s),
        cv_percent=within_sd.map(lambda s: 100.0 * s / mean) if mean else Estimate(math.nan),
        components=components,
        reproducibility_sd=reproducibility,
        reproducibility_limit=(
            None
            if reproducibility is None
            else reproducibility.map(lambda s: REPEATABILITY_FACTOR * s)
        ),
        icc=icc,
        trend=_spread_trend(study, sitting, subject, confidence),
        bootstrap=boot,
        notes=tuple(notes),
    )


def check_confidence(confidence: float) -> None:
    """Refuse a confidence level that is not a probability worth the name."""
    if not 0.5 <= confidence < 1.0:
        raise ParameterError(f"confidence={confidence!r} must lie between 0.5 and 1, as in 0.95")


def _distinct(outer: NDArray[np.intp], inner: NDArray[np.intp]) -> NDArray[np.intp]:
    pairs = np.unique(np.stack([outer, inner]), axis=1)
    return np.bincount(pairs[0])


def _harmonic(counts: NDArray[np.intp]) -> float:
    return float(counts.size / np.sum(1.0 / counts))


def _operator_table(study: Study, eye: NDArray[np.intp]) -> Floats | None:
    """Mean of each eye by each operator; None where a cell is empty."""
    operator = study.group("operator")
    shape = (int(eye.max()) + 1, int(operator.max()) + 1)
    flat = eye * shape[1] + operator
    n = np.bincount(flat, minlength=shape[0] * shape[1])
    if (n == 0).any():
        return None
    return (np.bincount(flat, study.value, shape[0] * shape[1]) / n).reshape(shape)


def line_slope(sums: Floats) -> Floats:
    """Least-squares slope from sums of 1, x, y, x², xy, y²."""
    n, x, y, xx, xy = (sums[..., k] for k in range(5))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((xy - x * y / n) / (xx - x * x / n))


def line_sums(x: Floats, y: Floats, subjects: NDArray[np.intp], n_subjects: int) -> Floats:
    """Sums of 1, x, y, x², xy, y² of each subject, (n_subjects, 6)."""
    columns = (np.ones_like(x), x, y, x * x, x * y, y * y)
    return np.stack([np.bincount(subjects, column, n_subjects) for column in columns], axis=1)


def _spread_trend(
    study: Study, sitting: NDArray[np.intp], subject: NDArray[np.intp], confidence: float
) -> SpreadTrend | None:
    import scipy

    n = np.bincount(sitting)
    centred = study.value - study.value.mean()
    mean = np.bincount(sitting, centred) / n
    square = np.bincount(sitting, (centred - mean[sitting]) ** 2)
    used = n > 1
    if used.sum() < 5:
        return None
    sd, level = np.sqrt(square[used] / (n[used] - 1.0)), mean[used]
    if np.ptp(level) == 0.0 or np.ptp(sd) == 0.0:
        return None
    home = np.zeros(n.size, dtype=np.intp)
    home[sitting] = subject
    tau = scipy.stats.kendalltau(sd, level)
    value, error, df = jackknife(
        line_slope, line_sums(level, sd, home[used], int(subject.max()) + 1)
    )
    return SpreadTrend(
        tau=float(tau.statistic),
        p=float(tau.pvalue),
        slope=Estimate(value, *t_interval(value, error, df, confidence), "jackknife by subject"),
    )


# ------------------------------------------------------------------- spreads of two methods


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
    bootstrap : tuple of float
        Percentile interval, subjects drawn anew.
    """

    ratio: Estimate
    p: float
    ratio_f: Estimate
    p_f: float
    bootstrap: tuple[float, float]


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
    boot = bootstrap_interval(lambda s: np.exp(log_ratio(s)), table, draws, confidence)
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
