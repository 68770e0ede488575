"""Repeatability and reproducibility of one method.

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
from numpy.typing import NDArray

from echotrace.agreement.icc import intraclass_correlations
from echotrace.agreement.nested import Nested
from echotrace.agreement.regression import line_slope, line_sums
from echotrace.agreement.reml import reml
from echotrace.agreement.resampling import (
    JACKKNIFE,
    STUDENTISED,
    jackknife,
    studentised_interval,
    subject_draws,
)
from echotrace.agreement.robust import ALPHA_NORMAL, FEWEST_FOR_JACKKNIFE, check_intervals
from echotrace.agreement.spreads import N_BOOTSTRAP, within_sums
from echotrace.agreement.student import student_pooled_sd
from echotrace.agreement.study import LABELS, Study
from echotrace.agreement.variance import (
    Estimate,
    Floats,
    check_confidence,
    chi_square_interval,
    effective_df,
    t_interval,
    wider,
)
from echotrace.errors import EstimationError, ParameterError
from echotrace.sitting_limits import REPEATABILITY_FACTOR

__all__ = ["Repeatability", "SpreadTrend", "repeatability"]


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
    cv_percent : Estimate or None
        s_r over the mean; None unless the spread was shown to grow with the length (Kendall's tau
        above 0 with p below 0.05), for only there it describes the method.
    components : mapping of str to Estimate
        SD between subjects, eyes, operators and sittings, as far as the design tells them apart;
        empty, with a note that says why, where the best fit to crossed operators was not proven.
    reproducibility_sd, reproducibility_limit : Estimate or None
        Readings in other sittings (and by other operators where crossed); None where every eye
        has one sitting.
    icc : mapping of str to Estimate
        ``reading`` and ``sitting_mean``: share of the variance that lies between eyes. With
        crossed operators and no empty cell also the forms of McGraw & Wong.
    trend : SpreadTrend or None
        None with fewer than five sittings that have a spread.
    bootstrap : mapping of str to Estimate
        Intervals by the studentised bootstrap by subject: a check on the intervals above that
        assumes no distribution. Empty with fewer than 20 subjects, where it falls short.
    wider : Estimate
        ``within_sd`` with the outer ends of its normal interval and of that for Student's t with 3
        degrees of freedom, where readings have such tails or subjects differ in their spread also
        of one by resampling; the normal one with fewer than 8 readings.
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
    cv_percent: Estimate | None
    components: Mapping[str, Estimate]
    reproducibility_sd: Estimate | None
    reproducibility_limit: Estimate | None
    icc: Mapping[str, Estimate]
    trend: SpreadTrend | None
    bootstrap: Mapping[str, Estimate]
    wider: Estimate
    notes: tuple[str, ...]


def _log_pooled_sd(sums: Floats) -> Floats:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(0.5 * np.log(sums[..., 0] / sums[..., 1]))


def _kurtosis_p(study: Study, sitting: NDArray[np.intp]) -> float:
    """P-value for normal kurtosis of the readings about the means of their sittings.

    Anscombe & Glynn 1983, Biometrika 70:227.
    """
    import scipy

    n = np.bincount(sitting)
    rest = study.value - (np.bincount(sitting, study.value) / n)[sitting]
    rest = (rest / np.sqrt(1.0 - 1.0 / np.maximum(n, 2)[sitting]))[n[sitting] > 1]
    if rest.size < 20 or np.ptp(rest) == 0.0:
        return math.nan
    return float(scipy.stats.kurtosistest(rest).pvalue)


def _resampled_sd(boot: Estimate, within: Floats, confidence: float) -> Estimate:
    """The pooled SD by the bootstrap where that has ends, else by leaving out subjects."""
    used = within[within[:, 1] > 0]
    if not math.isnan(boot.low) or used.shape[0] < FEWEST_FOR_JACKKNIFE:
        return boot
    value, error, df = jackknife(_log_pooled_sd, used)
    return Estimate(value, *t_interval(value, error, df, confidence), JACKKNIFE).map(math.exp)


def repeatability(
    study: Study,
    method: str | None = None,
    *,
    intervals: str = "by test",
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
    intervals : {"by test", "wider"}
        Whether the wider interval leads only where readings have heavy tails or subjects differ in
        their spread, or always.
    confidence : float
    n_bootstrap, seed : int

    Raises
    ------
    ParameterError
        No sitting with two readings, all readings identical, or a method that is not there.

    Returns
    -------
    Repeatability

    Examples
    --------
    >>> study = Study(
    ...     value=[23.0, 23.2, 24.1, 24.2, 22.0, 22.3],
    ...     subject=["a", "a", "b", "b", "c", "c"],
    ...     method="contact",
    ... )
    >>> round(repeatability(study).within_sd.value, 3)
    0.153
    """
    check_confidence(confidence)
    check_intervals(intervals)
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
    df_counted = effective_df(within[:, 0], within[:, 1])
    within_sd = Estimate(
        square / df,
        *chi_square_interval(square / df, df_counted, confidence),
        "chi-square" if df_counted == df else "chi-square, as subjects differ in spread",
    ).sqrt()
    if df_counted < df:
        notes.append(
            f"subjects differ in their spread: intervals count {df_counted:.0f} instead of "
            f"{int(df)} degrees of freedom, and a pooled SD describes no single eye"
        )
    if square == 0.0:
        notes.append("readings within every sitting are identical: are they copies of one another?")
    elif int(df) < 15:
        notes.append(f"the repeatability rests on {int(df)} degrees of freedom only")

    # A subject without repeats tells nothing of their spread, and must not count as one that does.
    telling = within[within[:, 1] > 0]
    draws = subject_draws(telling.shape[0], n_bootstrap, seed)
    boot = {
        "within_sd": Estimate(
            0.5 * math.log(square / df) if square else -math.inf,
            *studentised_interval(_log_pooled_sd, telling, draws, confidence),
            STUDENTISED,
        ).map(math.exp)
    }
    heavy = _kurtosis_p(study, sitting) < ALPHA_NORMAL
    student = student_pooled_sd(study.value, sitting, confidence)
    others = [] if student is None else [student]
    if heavy or df_counted < df or not others:
        others.append(_resampled_sd(boot["within_sd"], within, confidence))
    wide = wider(within_sd, *others)
    if heavy:
        notes.append(
            "readings within sittings have heavier or lighter tails than normal ones"
            + (
                "; with few subjects no interval of their SD withstands that"
                if wide is within_sd
                else f": the interval of their SD has the {wide.how}"
            )
        )
    if heavy or df_counted < df or intervals == "wider":
        within_sd = wide

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

            def log_ratio(sums: Floats) -> Floats:
                a, b = nested.combination(truth, sums), nested.combination(1.0 - truth, sums)
                with np.errstate(divide="ignore", invalid="ignore"):
                    return np.asarray(np.log(np.maximum(a, 0.0) / b))

            draws = subject_draws(n_subjects, n_bootstrap, seed)
            ends = studentised_interval(log_ratio, nested.sums, draws, confidence)
            low, high = (1.0 / (1.0 + math.exp(-x)) for x in ends)
            boot["icc_reading"] = Estimate(icc["reading"].value, low, high, STUDENTISED)
        if "sitting" in nested.names and n_subjects > 1:
            reproducibility = nested.estimate(nested.parts("sitting", "reading"), confidence).sqrt()
    if reproducibility is not None:
        reproducibility = _at_least(reproducibility, within_sd)
    if n_eyes > n_subjects and "ICC(1)" in icc:
        notes.append(
            "the F intervals of the two-way intraclass correlations take the two eyes of a "
            "subject as independent"
        )
    trend = _spread_trend(study, sitting, subject, confidence)
    grows = trend is not None and trend.tau > 0 and trend.p < 0.05
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
        cv_percent=within_sd.map(lambda s: 100.0 * s / mean) if grows and mean else None,
        components=components,
        reproducibility_sd=reproducibility,
        reproducibility_limit=(
            None
            if reproducibility is None
            else reproducibility.map(lambda s: REPEATABILITY_FACTOR * s)
        ),
        icc=icc,
        trend=trend,
        bootstrap={name: item for name, item in boot.items() if not math.isnan(item.low)},
        wider=wide,
        notes=tuple(notes),
    )


def _at_least(reproducibility: Estimate, within_sd: Estimate) -> Estimate:
    """Reproducibility adds to repeatability: a negative part is nil (ISO 5725-2, from memory)."""
    one, other = reproducibility, within_sd
    low, high = (
        least if math.isnan(end) else max(end, least)
        for end, least in ((one.low, other.low), (one.high, other.high))
    )
    return Estimate(max(one.value, other.value), low, high, one.how)


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
    known, home = np.unique(home[used], return_inverse=True)
    value, error, df = jackknife(line_slope, line_sums(level, sd, home, known.size))
    return SpreadTrend(
        tau=float(tau.statistic),
        p=float(tau.pvalue),
        slope=Estimate(value, *t_interval(value, error, df, confidence), JACKKNIFE),
    )
