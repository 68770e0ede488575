"""Agreement of two methods: bias, limits of agreement, regression, equivalence.

Differences are method A minus method B, of each eye measured by both. Subjects, not eyes, are the
independent units: two eyes of a subject are analysed as a subject with two eyes (nested analysis,
or leaving out and drawing whole subjects).
"""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import numpy as np

from echotrace.agreement.apart import told_apart
from echotrace.agreement.differences import Differences, analyse_differences, hidden_spread
from echotrace.agreement.equivalence import equivalence
from echotrace.agreement.limits import DIFFERENT_OPERATORS, SAME_OPERATOR, Limits, limits_of
from echotrace.agreement.nested import Nested
from echotrace.agreement.pairing import (
    common_eyes,
    eye_keys,
    eye_sd,
    method_means,
    two_methods,
)
from echotrace.agreement.regression import (
    concordance_bootstrap,
    concordance_estimate,
    deming,
    deming_statistics,
    line_slope,
    line_sums,
    passing_bablok,
)
from echotrace.agreement.repeatability import repeatability
from echotrace.agreement.resampling import (
    JACKKNIFE,
    STUDENTISED,
    jackknife,
    studentised_interval,
    subject_draws,
)
from echotrace.agreement.results import Agreement, Equivalence, OperatorBias
from echotrace.agreement.robust import ALPHA_NORMAL, check_intervals
from echotrace.agreement.spreads import N_BOOTSTRAP, SpreadRatio, spread_ratio, within_sums
from echotrace.agreement.student import tail_words
from echotrace.agreement.study import LABELS, Study
from echotrace.agreement.text import NOT_MODELLED, number, paragraph
from echotrace.agreement.variance import (
    WIDER_OF,
    Estimate,
    Floats,
    check_confidence,
    t_interval,
)
from echotrace.errors import ParameterError

if TYPE_CHECKING:
    from echotrace.measurement import Measurement

__all__ = ["Agreement", "Equivalence", "Limits", "compare_methods"]

DIOPTRE_PER_MM = 2.7
"""Lens power for a millimetre of axial length: middle of the 2.5 to 3.0 D that StatPearls gives
for an average eye; long eyes have less, short eyes more."""


_WANTED = {"same": SAME_OPERATOR, "different": DIFFERENT_OPERATORS}


def compare_methods(
    a: Study | Measurement,
    b: Study | Measurement | None = None,
    *,
    methods: tuple[str, str] | None = None,
    margin_mm: float | None = None,
    margin_d: float | None = None,
    dioptre_per_mm: float = DIOPTRE_PER_MM,
    linked: bool = False,
    operators: str = "same",
    intervals: str = "by test",
    confidence: float = 0.95,
    n_bootstrap: int = N_BOOTSTRAP,
    seed: int = 0,
) -> Agreement:
    """Agreement of two methods on the same eyes.

    Parameters
    ----------
    a, b : Study or Measurement
        Readings of method A and of method B; or one study that holds both.
    methods : tuple of str, optional
        Which methods A and B are, where a study holds more than one; or names for them where both
        studies say the same.
    margin_mm, margin_d : float, optional
        Clinical margin of equivalence, mm, or dioptres of lens power. ``margin_mm`` is in the
        unit of the study, whatever that is.
    dioptre_per_mm : float
        How ``margin_d`` becomes a length.
    linked : bool
        Readings of A and B were taken in pairs of a value that changes between pairs: the k-th
        reading of one belongs to the k-th of the other. By default the length of an eye is taken
        as constant, and the readings as not linked.
    operators : {"same", "different"}
        Which limits answer the question, where the design gives both: those of both methods in the
        hands of the same operator (methods are compared), or of different ones (any two results
        are compared). All are in ``all_limits``.
    intervals : {"by test", "wider"}
        Whether intervals of limits and SDs that withstand heavy tails lead only where a test finds
        that values are not normal, or always; to be chosen before the data are seen. They stand in
        ``wider`` in either case.
    confidence : float
    n_bootstrap, seed : int

    Returns
    -------
    Agreement

    Raises
    ------
    ParameterError
        One subject, no eye measured by both methods, identical values, mixed units.

    Notes
    -----
    Replicates: Bland & Altman 1999, Stat Methods Med Res 8:135, section 5, and 2007, J Biopharm
    Stat 17:571; their intervals: Zou 2013, Stat Methods Med Res 22:630.

    Examples
    --------
    >>> study = Study(
    ...     value=[23.0, 23.4, 24.1, 24.2, 22.0, 22.3],
    ...     subject=["a", "a", "b", "b", "c", "c"],
    ...     method=["contact", "immersion"] * 3,
    ... )
    >>> result = compare_methods(study)
    >>> round(result.bias.value, 3), result.limits.label
    (-0.267, 'pairs, one operator')
    """
    check_confidence(confidence)
    check_intervals(intervals)
    if operators not in _WANTED:
        raise ParameterError(f"operators={operators!r}: use one of {', '.join(_WANTED)}")
    study_a, study_b, joined = two_methods(a, b, methods)
    design = joined.design()
    warnings = list(design.warnings)
    label_a, label_b = study_a.method.present[0], study_b.method.present[0]

    study_a, study_b, eyes, left_out = common_eyes(study_a, study_b)
    if left_out:
        shown = ", ".join(left_out[:6]) + (" …" if len(left_out) > 6 else "")
        n_lost = joined.n_readings - study_a.n_readings - study_b.n_readings
        warnings.append(
            f"{len(left_out)} {'eye' if len(left_out) == 1 else 'eyes'} measured by one method "
            f"only and left out: {shown} ({n_lost} of {joined.n_readings} readings)"
        )
    subject_labels = tuple(subject for subject, _ in eyes)
    subject = np.unique(np.array(subject_labels), return_inverse=True)[1].reshape(-1)
    n_subjects, n_eyes = int(subject.max()) + 1, len(eyes)
    if n_subjects < 2:
        raise ParameterError(
            f"{joined.source}: one subject only ({subject_labels[0]}) was measured by both "
            "methods; agreement needs at least two subjects, better thirty"
        )
    nested_a, nested_b = (method_means(study, eyes) for study in (study_a, study_b))
    mean_a, mean_b = nested_a.mean, nested_b.mean
    if np.ptp(np.concatenate([study_a.value, study_b.value])) == 0.0:
        raise ParameterError(
            f"{joined.source}: all readings are identical ({study_a.value[0]:g} {joined.unit}); "
            "there is nothing to compare"
        )
    difference, average = mean_a - mean_b, 0.5 * (mean_a + mean_b)
    if np.ptp(difference) == 0.0:
        raise ParameterError(
            f"{joined.source}: {label_a} and {label_b} differ by exactly {difference[0]:g} "
            f"{joined.unit} in every eye; is one a copy of the other?"
        )

    warnings += told_apart(joined, eyes, difference, linked=linked)
    replicated = [bool((nested.mean_squares()[1][1:] > 0).any()) for nested in (nested_a, nested_b)]
    draws = subject_draws(n_subjects, n_bootstrap, seed)
    found = analyse_differences(
        study_a,
        study_b,
        eyes,
        subject,
        linked=linked,
        confidence=confidence,
        draws=draws,
        intervals=intervals,
    )
    warnings += found.warnings
    bias = found.bias
    wanted = _WANTED[operators]
    kinds = list(dict.fromkeys(item.of for item in found.limits))
    limits = found.of(kinds[0], wanted)
    assert limits is not None
    limits_reading = found.of(kinds[1], wanted) if len(kinds) > 1 else None

    shift = float(average.mean())
    on_average = line_sums(average - shift, difference, subject, n_subjects)
    slope, slope_error, df = jackknife(line_slope, on_average)
    slope_estimate = Estimate(slope, *t_interval(slope, slope_error, df, confidence), JACKKNIFE)
    both = line_sums(mean_b - shift, mean_a - shift, subject, n_subjects)
    ratio = _error_ratio(nested_a, nested_b) if all(replicated) else 1.0

    line, ranked = None, None
    if n_eyes >= 4 and n_subjects >= 4 and np.ptp(mean_b) > 0:
        line = deming(mean_b, mean_a, ratio, subjects=subject, confidence=confidence)
        count = np.bincount(subject)
        ranked = passing_bablok(
            np.bincount(subject, mean_b) / count,
            np.bincount(subject, mean_a) / count,
            confidence=confidence,
        )
        if n_eyes > n_subjects:
            ranked = dataclasses.replace(ranked, note=f"{ranked.note}, one mean of each subject")

    spread = repeat_a = repeat_b = None
    if all(replicated) and all(
        float(within_sums(study, study.group("subject"), len(study.subject.labels))[:, 0].sum()) > 0
        for study in (study_a, study_b)
    ):
        spread = spread_ratio(
            study_a, study_b, confidence=confidence, n_bootstrap=n_bootstrap, seed=seed
        )
        repeat_a, repeat_b = (
            repeatability(
                study,
                intervals=intervals,
                confidence=confidence,
                n_bootstrap=n_bootstrap,
                seed=seed,
            )
            for study in (study_a, study_b)
        )

    elif all(replicated):
        warnings.append(
            "the readings of every sitting are identical by one of the methods, so that spreads "
            "are not compared: are they copies of one another?"
        )

    boot = dict(found.bootstrap)
    boot["concordance"] = concordance_bootstrap(both, draws, confidence)
    if line is not None:
        statistic = deming_statistics(ratio, shift, shift)[0]
        ends = studentised_interval(statistic, both, draws, confidence)
        boot["deming_slope"] = Estimate(line.slope.value, *ends, STUDENTISED)
    boot = {name: item for name, item in boot.items() if not math.isnan(item.low)}

    synthetic = any(item.synthetic for item in joined.files)
    if spread is not None and synthetic:
        spread = dataclasses.replace(spread, caveat=f"{NOT_MODELLED}.")

    normality = found.normality_p
    tau = _spread_of_differences(difference - bias.value, average)
    warnings += _cautions(
        n_subjects,
        difference,
        tau,
        normality,
        spread,
        slope_estimate,
        label_a,
        label_b,
        _remedy(found, n_subjects),
    )
    if (margin_mm is not None) and (margin_d is not None):
        raise ParameterError("give the margin of equivalence in mm or in dioptres, not in both")
    if margin_d is not None:
        if joined.unit != "mm":
            raise ParameterError(f"a margin in dioptres needs lengths in mm, not {joined.unit}")
        if not dioptre_per_mm > 0:
            raise ParameterError(f"dioptre_per_mm={dioptre_per_mm!r} must be positive")
        margin_mm = margin_d / dioptre_per_mm
    margins = None
    if margin_mm is not None:
        margins = equivalence(
            bias.value, found.error, found.df, found.limits, margin_mm, confidence
        )

    result = Agreement(
        label_a=label_a,
        label_b=label_b,
        unit=joined.unit,
        confidence=confidence,
        subject=subject_labels,
        eye=tuple(eye for _, eye in eyes),
        mean_a=mean_a,
        mean_b=mean_b,
        difference=difference,
        average=average,
        sd_a=eye_sd(study_a, eyes),
        sd_b=eye_sd(study_b, eyes),
        n_subjects=n_subjects,
        n_eyes=n_eyes,
        bias=bias,
        bias_p=_t_p(bias.value, found.error, found.df),
        limits=limits,
        limits_reading=limits_reading,
        all_limits=found.limits,
        cells=found.cells,
        quantile_limits=found.quantiles,
        slope_on_average=slope_estimate,
        slope_p=_t_p(slope, slope_error, df),
        deming=line,
        passing_bablok=ranked,
        concordance=concordance_estimate(both, confidence),
        equivalence=margins,
        spread=spread,
        repeatability_a=repeat_a,
        repeatability_b=repeat_b,
        by_operator=_by_operator(study_a, study_b, confidence),
        normality_p=normality,
        skewness=_moment(difference, 3),
        excess_kurtosis=_moment(difference, 4) - 3.0,
        bootstrap=boot,
        tails=""
        if normality < ALPHA_NORMAL
        else tail_words(n_subjects, withstood=any(item.wider for item in found.limits)),
        intervals=intervals,
        design=design,
        bias_df=found.df,
        difference_tau=tau[0],
        difference_tau_p=tau[1],
        readings_per_mean_a=_readings_per_mean(study_a),
        readings_per_mean_b=_readings_per_mean(study_b),
        n_bootstrap=n_bootstrap,
        seed=seed,
        files=joined.files,
        left_out=joined.left_out,
        synthetic=synthetic,
        warnings=tuple(warnings),
    )
    return dataclasses.replace(result, paragraph=paragraph(result))


def _t_p(value: float, error: float, df: float) -> float:
    import scipy

    return float(2.0 * scipy.stats.t.sf(abs(value) / error, df)) if error > 0 else math.nan


def _error_ratio(a: Nested, b: Nested) -> float:
    """Error variance of the eye means of A over that of B, from their replicates."""
    errors = []
    for nested in (a, b):
        parts = nested.mean_squares()[2][0].copy()
        parts[0] = 0.0
        errors.append(float(nested.combination(parts)))
    return errors[0] / errors[1] if min(errors) > 0 else 1.0


def _by_operator(a: Study, b: Study, confidence: float) -> tuple[OperatorBias, ...]:
    found = []
    for operator in sorted(set(a.operator.present) & set(b.operator.present)):
        part_a = a.select(a.operator.where(operator))
        part_b = b.select(b.operator.where(operator))
        if not set(eye_keys(part_a)[0]) & set(eye_keys(part_b)[0]):
            continue
        part_a, part_b, eyes, _ = common_eyes(part_a, part_b)
        codes = np.unique([key[0] for key in eyes], return_inverse=True)[1].reshape(-1)
        means = [method_means(part, eyes) for part in (part_a, part_b)]
        d = means[0].mean - means[1].mean
        nested = Nested(d, [("subject", codes)])
        value, n = float(nested.mean.mean()), nested.n_top
        error = math.sqrt(nested.mean_squares()[0][0] / n) if n > 1 else math.nan
        limits = None
        if n > 1 and np.ptp(d) > 0.0:
            extras = [
                hidden_spread(item, part, reading=False)
                for item, part in zip(means, (part_a, part_b), strict=True)
            ]
            limits = limits_of(nested, extras[0], extras[1], "means of a sitting", confidence)[1]
        within = [
            within_sums(part, np.zeros(part.n_readings, np.intp), 1)[0] for part in (part_a, part_b)
        ]
        sd_a, sd_b = (math.sqrt(w[0] / w[1]) if w[1] > 0 else math.nan for w in within)
        found.append(
            OperatorBias(
                operator=operator,
                n_eyes=len(eyes),
                bias=Estimate(value, *t_interval(value, error, n - 1, confidence), "t"),
                limits=limits,
                within_sd_a=sd_a,
                within_sd_b=sd_b,
            )
        )
    return tuple(found)


def _spread_of_differences(rest: Floats, average: Floats) -> tuple[float, float]:
    """Kendall's rank correlation of the size of differences with the average, and its p-value."""
    import scipy

    if rest.size < 3 or np.ptp(average) == 0.0 or np.ptp(np.abs(rest)) == 0.0:
        return math.nan, math.nan
    found = scipy.stats.kendalltau(np.abs(rest), average)
    return float(found.statistic), float(found.pvalue)


def _readings_per_mean(study: Study) -> tuple[int, int]:
    counts = np.bincount(study.group(*LABELS))
    return int(counts.min()), int(counts.max())


def _moment(value: Floats, order: int) -> float:
    """Standardised moment, about the mean."""
    spread = value - value.mean()
    return float(np.mean(spread**order) / np.mean(spread**2) ** (order / 2))


def _remedy(found: Differences, n_subjects: int) -> str:
    """What was done about differences that are not normal."""
    if found.cells is not None:
        return "intervals that count operators assume normal differences"
    if found.limits[0].as_quantiles:
        return (
            "the limits are quantiles, whose intervals assume no distribution; those by the SD, "
            "beside them, hold less often than they say"
        )
    how = found.limits[0].lower.how
    if not how.startswith(WIDER_OF):
        return "intervals assume normal differences"
    return (
        f"intervals of the limits have the {how}, which withstand heavy tails"
        + ("; with skewed differences they hold 92 to 99 times in 100" if n_subjects > 19 else "")
        + (", and quantile limits stand beside" if found.quantiles is not None else "")
    )


def _cautions(
    n_subjects: int,
    difference: Floats,
    tau: tuple[float, float],
    normality: float,
    spread: SpreadRatio | None,
    slope: Estimate,
    label_a: str,
    label_b: str,
    remedy: str,
) -> list[str]:
    out = []
    if n_subjects < 20:
        out.append(f"{n_subjects} subjects are few: the intervals of the limits are wide")
    if normality < ALPHA_NORMAL:
        out.append(
            "the differences are not normally distributed (Shapiro-Wilk "
            f"p = {normality:.2g}, skewness {number(_moment(difference, 3), 2)}, excess kurtosis "
            f"{number(_moment(difference, 4) - 3.0, 2)}): look at the plot for outliers; {remedy}"
        )
    if difference.size >= 10 and tau[1] < 0.01:
        out.append(
            f"the differences spread {'more' if tau[0] > 0 else 'less'} in longer eyes (Kendall's "
            f"tau {number(tau[0], 2)}): one pair of limits does not fit all lengths"
        )
    if spread is not None and spread.p < 0.05 and (slope.low > 0 or slope.high < 0):
        out.append(
            f"{label_a} and {label_b} spread differently, which alone tilts differences against "
            "averages: judge proportional bias by the Deming slope"
        )
    return out
