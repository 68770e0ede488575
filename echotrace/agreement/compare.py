"""Agreement of two methods: bias, limits of agreement, regression, equivalence.

Differences are method A minus method B, of each eye measured by both. Subjects, not eyes, are the
independent units: two eyes of a subject are analysed as a subject with two eyes (nested analysis,
or leaving out and drawing whole subjects).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.agreement.repeatability import (
    N_BOOTSTRAP,
    Repeatability,
    SpreadRatio,
    check_confidence,
    line_slope,
    line_sums,
    repeatability,
    spread_ratio,
    within_sums,
)
from echotrace.agreement.study import LABELS, Design, Study
from echotrace.agreement.variance import (
    Estimate,
    Floats,
    Nested,
    bootstrap_interval,
    jackknife,
    mean_square_interval,
    subject_draws,
    t_interval,
)
from echotrace.errors import ParameterError

if TYPE_CHECKING:
    from echotrace.measurement import Measurement

__all__ = [
    "Agreement",
    "Equivalence",
    "Limits",
    "Line",
    "compare_methods",
    "deming",
    "limits_of_agreement",
    "passing_bablok",
    "tolerance_factor",
]

Z_LIMITS = 1.959963984540054
"""Limits of agreement hold 95 % of the differences."""

DIOPTRE_PER_MM = 2.7
"""Lens power for a millimetre of axial length: middle of the 2.5 to 3.0 D that StatPearls gives
for an average eye; long eyes have less, short eyes more."""

_EXACT_MOST = 1000
_REGRESSION_MOST = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Limits of agreement.

    Attributes
    ----------
    of : str
        Which values differ: ``"pairs"``, ``"means of a sitting"`` or ``"single readings"``.
    sd : Estimate
        SD of the differences.
    lower, upper : Estimate
        Each with the interval of that limit alone.
    pair_factors : tuple of float or None
        Bias ± factor times SD: inner and outer bound of both limits taken as a pair. Only where
        the intervals are exact.
    """

    of: str
    sd: Estimate
    lower: Estimate
    upper: Estimate
    pair_factors: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A regression of method A (y) on method B (x) with error in both.

    Attributes
    ----------
    slope, intercept : Estimate
    n_points : int
    note : str
    """

    slope: Estimate
    intercept: Estimate
    n_points: int
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Equivalence:
    """Two one-sided tests of the bias against a margin (Schuirmann 1987, J Pharmacokinet
    Biopharm 15:657).

    Attributes
    ----------
    margin : float
        In the unit of the readings.
    p : float
        The larger of both one-sided p-values.
    low, high : float
        Interval of confidence 1 - 2 alpha, which lies within the margin exactly if p < alpha.
    equivalent : bool
    """  # noqa: D205

    margin: float
    p: float
    low: float
    high: float
    equivalent: bool


# ----------------------------------------------------------------------------- single pieces


def tolerance_factor(n: int, confidence: float, content: float = 0.95, *, df: int = 0) -> float:
    """Factor ``k`` such that mean ± k SD holds ``content`` of a normal population.

    Parameters
    ----------
    n : int
        Number of differences.
    confidence : float
        Probability that it holds at least that share. 0.025 and 0.975 bound a pair of limits of
        agreement (Carkeet 2015, Optom Vis Sci 92:e71).
    content : float
    df : int, optional
        Degrees of freedom of the SD; ``n - 1`` by default.
    """
    import scipy

    df = df or n - 1
    if n < 2 or df < 1:
        raise ParameterError(f"tolerance factor: n={n!r} must be at least 2")
    nodes, weights = np.polynomial.hermite_e.hermegauss(101)
    weights = weights / weights.sum()
    shift = nodes / math.sqrt(n)
    # Half width that holds `content` about a mean that is off by `shift` SDs.
    half = np.abs(shift) + scipy.stats.norm.ppf((1.0 + content) / 2.0)
    for _ in range(60):
        excess = scipy.stats.norm.cdf(shift + half) - scipy.stats.norm.cdf(shift - half) - content
        density = scipy.stats.norm.pdf(shift + half) + scipy.stats.norm.pdf(shift - half)
        step = excess / np.maximum(density, 1e-300)
        half = np.maximum(half - np.clip(step, -0.5, 0.5), 1e-6)
        if np.abs(step).max() < 1e-13:
            break

    def excess_confidence(log_k: float) -> float:
        k = math.exp(log_k)
        return float(weights @ scipy.stats.chi2.sf(df * half**2 / k**2, df)) - confidence

    return math.exp(scipy.optimize.brentq(excess_confidence, -3.0, 8.0, xtol=1e-12))


def _exact_limits(of: str, bias: float, sd: Estimate, n: int, confidence: float) -> Limits:
    import scipy

    tail = (1.0 - confidence) / 2.0
    root = math.sqrt(n)
    inner, outer = (
        sd.value * float(scipy.stats.nct.ppf(p, n - 1, Z_LIMITS * root)) / root
        for p in (tail, 1.0 - tail)
    )
    return Limits(
        of=of,
        sd=sd,
        lower=Estimate(bias - Z_LIMITS * sd.value, bias - outer, bias - inner, "exact"),
        upper=Estimate(bias + Z_LIMITS * sd.value, bias + inner, bias + outer, "exact"),
        pair_factors=(tolerance_factor(n, tail), tolerance_factor(n, 1.0 - tail)),
    )


def _recovered_limits(of: str, bias: Estimate, sd: Estimate) -> Limits:
    """Limits whose intervals are recovered from those of bias and SD (Zou 2013)."""
    z = Z_LIMITS
    near = z * (sd.value - sd.low)
    far = z * (sd.high - sd.value)
    down, up = bias.value - bias.low, bias.high - bias.value
    lower, upper = bias.value - z * sd.value, bias.value + z * sd.value
    how = "recovered from bias and SD"
    return Limits(
        of=of,
        sd=sd,
        lower=Estimate(lower, lower - math.hypot(down, far), lower + math.hypot(up, near), how),
        upper=Estimate(upper, upper - math.hypot(down, near), upper + math.hypot(up, far), how),
    )


def limits_of_agreement(difference: ArrayLike, confidence: float = 0.95) -> tuple[Estimate, Limits]:
    """Bias and limits of agreement of independent single differences, with exact intervals.

    Parameters
    ----------
    difference : array_like of float, (n,)
        One of each subject.
    confidence : float

    Returns
    -------
    bias : Estimate
    limits : Limits

    Raises
    ------
    ParameterError
        Fewer than two differences, or differences that are all the same.

    Notes
    -----
    Bland & Altman 1986, Lancet 327:307; intervals by the noncentral t distribution, Carkeet 2015,
    Optom Vis Sci 92:e71.
    """
    d = np.asarray(difference, dtype=np.float64)
    return _limits(Nested(d, [("subject", np.arange(d.size))]), None, None, "pairs", confidence)


@dataclass(frozen=True, slots=True)
class _Extra:
    """Spread of one method that the eye means do not show, as weighted mean squares."""

    nested: Nested
    parts: Floats


def _limits(
    difference: Nested, a: _Extra | None, b: _Extra | None, of: str, confidence: float
) -> tuple[Estimate, Limits]:
    n = difference.n_top
    if n < 2:
        raise ParameterError("agreement: one subject only; at least two are needed, better thirty")
    ms, _, content = difference.mean_squares()
    weights = [difference.weights(np.ones(difference.depth), content)]
    squares, freedoms = [ms], [difference.interval_df()]
    for extra in (a, b):
        if extra is not None:
            ms_x, _, content_x = extra.nested.mean_squares()
            weights.append(extra.nested.weights(extra.parts, content_x))
            squares.append(ms_x)
            freedoms.append(extra.nested.interval_df())
    w, all_ms, all_df = (np.concatenate(items) for items in (weights, squares, freedoms))
    w[np.abs(w) < 1e-12] = 0.0
    used = w != 0.0
    variance = float(w[used] @ all_ms[used])
    if variance <= 0.0:
        raise ParameterError(
            "agreement: all differences are identical; there is no spread to analyse"
        )
    low, high = mean_square_interval(w, all_ms, all_df, confidence)
    simple = bool(used.sum() == 1 and used[0])
    how = "chi-square" if simple else "modified large sample"
    sd = Estimate(variance, max(low, 0.0), high, how).sqrt()
    bias_value = float(difference.mean.mean())
    error = math.sqrt(ms[0] / n)
    bias = Estimate(bias_value, *t_interval(bias_value, error, n - 1, confidence), "t")
    if simple and abs(w[0] - 1.0) < 1e-9 and n <= _EXACT_MOST:
        return bias, _exact_limits(of, bias_value, sd, n, confidence)
    return bias, _recovered_limits(of, bias, sd)


def _deming_statistics(ratio: float, x_shift: float, y_shift: float) -> tuple[Any, Any]:
    def slope(s: Floats) -> Floats:
        n, x, y, xx, xy, yy = (s[..., k] for k in range(6))
        with np.errstate(invalid="ignore", divide="ignore"):
            sxx, sxy, syy = xx - x * x / n, xy - x * y / n, yy - y * y / n
            u = syy - ratio * sxx
            return np.asarray((u + np.sqrt(u * u + 4.0 * ratio * sxy**2)) / (2.0 * sxy))

    def intercept(s: Floats) -> Floats:
        with np.errstate(invalid="ignore", divide="ignore"):
            x, y = s[..., 1] / s[..., 0] + x_shift, s[..., 2] / s[..., 0] + y_shift
        return np.asarray(y - slope(s) * x)

    return slope, intercept


def deming(
    x: ArrayLike,
    y: ArrayLike,
    error_ratio: float = 1.0,
    *,
    subjects: NDArray[np.intp] | None = None,
    confidence: float = 0.95,
) -> Line:
    """Line through points with error in both coordinates.

    Parameters
    ----------
    x, y : array_like of float, (n,)
    error_ratio : float
        Error variance of ``y`` over that of ``x``.
    subjects : ndarray of int, (n,), optional
        Points of one subject are left out together; by default each point is one.
    confidence : float

    Notes
    -----
    Deming 1943, Statistical Adjustment of Data; standard errors by the jackknife, Linnet 1993,
    Clin Chem 39:424.
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if not error_ratio > 0:
        raise ParameterError(f"deming: error_ratio={error_ratio!r} must be positive")
    if x.size < 3 or x.shape != y.shape or np.ptp(x) == 0.0:
        raise ParameterError("deming: at least three points with different x are needed")
    codes = np.arange(x.size) if subjects is None else subjects
    x_shift, y_shift = float(x.mean()), float(y.mean())
    sums = line_sums(x - x_shift, y - y_shift, codes, int(codes.max()) + 1)
    estimates = []
    for statistic in _deming_statistics(error_ratio, x_shift, y_shift):
        value, error, df = jackknife(statistic, sums)
        estimates.append(
            Estimate(value, *t_interval(value, error, df, confidence), "jackknife by subject")
        )
    return Line(
        slope=estimates[0],
        intercept=estimates[1],
        n_points=int(x.size),
        note=f"Deming, error variance ratio {error_ratio:.3g}",
    )


def passing_bablok(x: ArrayLike, y: ArrayLike, *, confidence: float = 0.95) -> Line:
    """Line by the shifted median of the slopes between all points.

    Parameters
    ----------
    x, y : array_like of float, (n,)
        Independent points, positively related. More than 4,000 are thinned evenly, which the
        note of the result says.
    confidence : float

    Notes
    -----
    Passing & Bablok 1983, J Clin Chem Clin Biochem 21:709.
    """
    import scipy

    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if x.size < 4 or x.shape != y.shape:
        raise ParameterError("passing_bablok: at least four points are needed")
    note = "Passing-Bablok"
    if x.size > _REGRESSION_MOST:
        order = np.argsort(x, kind="stable")
        rows = order[np.linspace(0, x.size - 1, _REGRESSION_MOST).astype(np.intp)]
        note += f" on {_REGRESSION_MOST} of {x.size} points, evenly thinned"
        x, y = x[rows], y[rows]
    n = x.size
    i, j = np.triu_indices(n, 1)
    dx, dy = x[i] - x[j], y[i] - y[j]
    # A vertical pair has slope ±infinity by its sign; two equal points have none.
    with np.errstate(divide="ignore", invalid="ignore"):
        slopes = dy / dx
    slopes = slopes[~np.isnan(slopes) & (slopes != -1.0)]
    if slopes.size < 2:
        raise ParameterError("passing_bablok: the points are identical; no line can be drawn")
    n_slopes, offset = slopes.size, int(np.sum(slopes < -1.0))
    z = float(scipy.stats.norm.ppf(0.5 + confidence / 2.0))
    half = z * math.sqrt(n * (n - 1) * (2 * n + 5) / 18.0)
    first = round((n_slopes - half) / 2.0)
    last = n_slopes - first + 1
    middle = (n_slopes - 1) / 2.0 + offset
    wanted = [math.floor(middle), math.ceil(middle), first - 1 + offset, last - 1 + offset]
    inside = [k for k in wanted if 0 <= k < n_slopes]
    slopes = np.partition(slopes, inside)

    def pick(k: int) -> float:
        return float(slopes[k]) if 0 <= k < n_slopes else (-math.inf if k < 0 else math.inf)

    slope = 0.5 * (pick(wanted[0]) + pick(wanted[1]))
    low, high = pick(wanted[2]), pick(wanted[3])

    def at(b: float) -> float:
        return float(np.median(y - b * x)) if math.isfinite(b) else math.nan

    how = "rank"
    return Line(
        slope=Estimate(slope, low, high, how),
        intercept=Estimate(at(slope), at(high), at(low), how),
        n_points=n,
        note=note,
    )


def concordance(sums: Floats) -> Floats:
    """Concordance correlation from sums of 1, x, y, x², xy, y² (Lin 1989, Biometrics 45:255)."""
    n, x, y, xx, xy, yy = (sums[..., k] for k in range(6))
    with np.errstate(invalid="ignore", divide="ignore"):
        sxx, syy, sxy = xx / n - (x / n) ** 2, yy / n - (y / n) ** 2, xy / n - x * y / n**2
        return np.asarray(2.0 * sxy / (sxx + syy + ((x - y) / n) ** 2))


# ------------------------------------------------------------------------------ whole analysis


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorBias:
    """Bias of the eyes that one operator measured by both methods."""

    operator: str
    n_eyes: int
    bias: Estimate
    within_sd_a: float
    within_sd_b: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Agreement:
    """Agreement of method A with method B; differences are A minus B.

    Attributes
    ----------
    label_a, label_b, unit : str
    confidence : float
    subject, eye : tuple of str
        One label for each eye measured by both methods.
    mean_a, mean_b, difference, average : ndarray of float64, (n_eyes,)
    sd_a, sd_b : ndarray of float64, (n_eyes,)
        SD of the readings within the sittings of each eye; NaN with one reading a sitting.
    n_subjects, n_eyes : int
    bias : Estimate
    bias_p : float
        Two-sided, for no bias.
    limits : Limits
        Of the values handed over: means of a sitting (or the single pairs).
    limits_reading : Limits or None
        Of single readings; None where the readings are single anyway.
    slope_on_average : Estimate
        Change of the difference per unit of the average.
    slope_p : float
    deming, passing_bablok : Line or None
    concordance : Estimate
    equivalence : Equivalence or None
    spread : SpreadRatio or None
        Repeatability of A over that of B; None where a method has single readings.
    repeatability_a, repeatability_b : Repeatability or None
    by_operator : tuple of OperatorBias
    normality_p : float
        Shapiro-Wilk test of the differences.
    bootstrap : mapping of str to tuple of float
        Percentile intervals, subjects drawn anew: a check on the intervals above.
    design : Design
    warnings : tuple of str
    """

    label_a: str
    label_b: str
    unit: str
    confidence: float
    subject: tuple[str, ...]
    eye: tuple[str, ...]
    mean_a: Floats
    mean_b: Floats
    difference: Floats
    average: Floats
    sd_a: Floats
    sd_b: Floats
    n_subjects: int
    n_eyes: int
    bias: Estimate
    bias_p: float
    limits: Limits
    limits_reading: Limits | None
    slope_on_average: Estimate
    slope_p: float
    deming: Line | None
    passing_bablok: Line | None
    concordance: Estimate
    equivalence: Equivalence | None
    spread: SpreadRatio | None
    repeatability_a: Repeatability | None
    repeatability_b: Repeatability | None
    by_operator: tuple[OperatorBias, ...]
    normality_p: float
    bootstrap: Mapping[str, tuple[float, float]]
    design: Design
    warnings: tuple[str, ...]

    def text(self) -> str:
        """The results as a paragraph."""
        from echotrace.agreement.text import paragraph

        return paragraph(self)

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, strings and lists, as for JSON; what is not estimable is None."""
        plain = {item.name: _plain(getattr(self, item.name)) for item in dataclasses.fields(self)}
        return {"text": self.text(), **plain}


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        plain = {item.name: _plain(getattr(value, item.name)) for item in dataclasses.fields(value)}
        if isinstance(value, Design):
            plain["paragraph"] = value.paragraph
        return plain
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray | tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return int(value) if isinstance(value, np.integer) else value


def compare_methods(
    a: Study | Measurement,
    b: Study | Measurement | None = None,
    *,
    methods: tuple[str, str] | None = None,
    margin_mm: float | None = None,
    margin_d: float | None = None,
    dioptre_per_mm: float = DIOPTRE_PER_MM,
    linked: bool = False,
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
    """
    check_confidence(confidence)
    study_a, study_b, joined = _two_methods(a, b, methods)
    design = joined.design()
    warnings = list(design.warnings)
    label_a, label_b = study_a.method.present[0], study_b.method.present[0]

    study_a, study_b, eyes, left_out = _common_eyes(study_a, study_b)
    if left_out:
        shown = ", ".join(left_out[:6]) + (" …" if len(left_out) > 6 else "")
        warnings.append(
            f"{len(left_out)} {'eye' if len(left_out) == 1 else 'eyes'} measured by one method "
            f"only and left out: {shown}"
        )
    subject_labels = tuple(subject for subject, _ in eyes)
    subject = np.unique(np.array(subject_labels), return_inverse=True)[1].reshape(-1)
    n_subjects, n_eyes = int(subject.max()) + 1, len(eyes)
    if n_subjects < 2:
        raise ParameterError(
            f"{joined.source}: one subject only ({subject_labels[0]}) was measured by both "
            "methods; agreement needs at least two subjects, better thirty"
        )
    nested_a, nested_b = (_method_means(study, eyes) for study in (study_a, study_b))
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

    replicated = [bool((nested.mean_squares()[1][1:] > 0).any()) for nested in (nested_a, nested_b)]
    extras: tuple[_Extra | None, _Extra | None] = (None, None)
    limits_reading = None
    if linked:
        pairs, dropped = _linked_pairs(study_a, study_b, eyes, subject)
        if dropped:
            warnings.append(f"{dropped} readings without a partner were left out of the pairs")
        nested_d = pairs
        bias, limits = _limits(nested_d, None, None, "single readings", confidence)
    else:
        nested_d = Nested(difference, [("subject", subject)])
        of = "means of a sitting" if any(replicated) else "pairs"
        extras = (
            _extra(nested_a, study_a, reading=False),
            _extra(nested_b, study_b, reading=False),
        )
        bias, limits = _limits(nested_d, *extras, of, confidence)
        if any(replicated):
            _, limits_reading = _limits(
                nested_d,
                _extra(nested_a, study_a, reading=True),
                _extra(nested_b, study_b, reading=True),
                "single readings",
                confidence,
            )
    error = math.sqrt(nested_d.mean_squares()[0][0] / n_subjects)
    bias_p = _t_p(bias.value, error, n_subjects - 1)

    shift = float(average.mean())
    on_average = line_sums(average - shift, difference, subject, n_subjects)
    slope, slope_error, df = jackknife(line_slope, on_average)
    slope_estimate = Estimate(
        slope, *t_interval(slope, slope_error, df, confidence), "jackknife by subject"
    )
    both = line_sums(mean_b - shift, mean_a - shift, subject, n_subjects)
    draws = subject_draws(n_subjects, n_bootstrap, seed)
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
            repeatability(study, confidence=confidence, n_bootstrap=n_bootstrap, seed=seed)
            for study in (study_a, study_b)
        )

    boot = _bootstrap(nested_d, extras, subject, draws, confidence)
    boot["concordance"] = bootstrap_interval(concordance, both, draws, confidence)
    if line is not None:
        statistic = _deming_statistics(ratio, shift, shift)[0]
        boot["deming_slope"] = bootstrap_interval(statistic, both, draws, confidence)

    normality = _normality(difference)
    warnings += _cautions(
        n_subjects,
        difference,
        average,
        bias.value,
        normality,
        spread,
        slope_estimate,
        label_a,
        label_b,
    )
    if (margin_mm is not None) and (margin_d is not None):
        raise ParameterError("give the margin of equivalence in mm or in dioptres, not in both")
    if margin_d is not None:
        if joined.unit != "mm":
            raise ParameterError(f"a margin in dioptres needs lengths in mm, not {joined.unit}")
        if not dioptre_per_mm > 0:
            raise ParameterError(f"dioptre_per_mm={dioptre_per_mm!r} must be positive")
        margin_mm = margin_d / dioptre_per_mm
    equivalence = None
    if margin_mm is not None:
        equivalence = _equivalence(bias.value, error, n_subjects - 1, margin_mm, confidence)

    return Agreement(
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
        sd_a=_eye_sd(study_a, eyes),
        sd_b=_eye_sd(study_b, eyes),
        n_subjects=n_subjects,
        n_eyes=n_eyes,
        bias=bias,
        bias_p=bias_p,
        limits=limits,
        limits_reading=limits_reading,
        slope_on_average=slope_estimate,
        slope_p=_t_p(slope, slope_error, df),
        deming=line,
        passing_bablok=ranked,
        concordance=_concordance_estimate(both, confidence),
        equivalence=equivalence,
        spread=spread,
        repeatability_a=repeat_a,
        repeatability_b=repeat_b,
        by_operator=_by_operator(study_a, study_b, confidence),
        normality_p=normality,
        bootstrap=boot,
        design=design,
        warnings=tuple(warnings),
    )


def _t_p(value: float, error: float, df: float) -> float:
    import scipy

    return float(2.0 * scipy.stats.t.sf(abs(value) / error, df)) if error > 0 else math.nan


def _as_study(item: Study | Measurement) -> Study:
    return item if isinstance(item, Study) else Study.from_measurements(item)


def _two_methods(
    a: Study | Measurement, b: Study | Measurement | None, methods: tuple[str, str] | None
) -> tuple[Study, Study, Study]:
    study = _as_study(a)
    if b is None:
        present = study.method.present
        if methods is None:
            if len(present) != 2:
                raise ParameterError(
                    f"{study.source}: holds {', '.join(present)}; "
                    + ("a second method is needed" if len(present) < 2 else "say which two methods")
                )
            methods = (present[0], present[1])
        if methods[0] == methods[1]:
            raise ParameterError(f"method {methods[0]!r} cannot be compared with itself")
        parts = (study.of_method(methods[0]), study.of_method(methods[1]))
        both = study.method.where(methods[0]) | study.method.where(methods[1])
        return (*parts, study.select(both))
    other = _as_study(b)
    found = []
    for part, which in ((study, "A"), (other, "B")):
        present = part.method.present
        wanted = methods[0 if which == "A" else 1] if methods else None
        if len(present) != 1:
            if wanted is None:
                raise ParameterError(
                    f"{part.source}: holds {', '.join(present) or 'no readings'}; say which method "
                    f"is {which}"
                )
            part = part.of_method(wanted)
        elif wanted is not None:
            part = part.relabelled(wanted)
        found.append(part)
    if found[0].method.present == found[1].method.present:
        name = found[0].method.present[0]
        found = [part.relabelled(f"{name} {x}") for part, x in zip(found, "AB", strict=True)]
    return found[0], found[1], Study.join(found)


def _eye_keys(study: Study) -> tuple[list[tuple[str, str]], NDArray[np.intp]]:
    """Subject and eye of each eye of a study, and the number of its eye for each reading."""
    codes = study.group("subject", "eye")
    first = np.unique(codes, return_index=True)[1]
    return [(study.subject[int(k)], study.eye[int(k)]) for k in first], codes


def _common_eyes(a: Study, b: Study) -> tuple[Study, Study, list[tuple[str, str]], list[str]]:
    (keys_a, codes_a), (keys_b, codes_b) = _eye_keys(a), _eye_keys(b)
    shared = set(keys_a) & set(keys_b)
    if not shared:
        raise ParameterError(
            f"no eye was measured by both {a.method.present[0]} and {b.method.present[0]}; "
            "subjects and eyes are matched by their labels"
        )
    keep_a = np.array([key in shared for key in keys_a])[codes_a]
    keep_b = np.array([key in shared for key in keys_b])[codes_b]
    alone = sorted(set(keys_a) ^ set(keys_b))
    left_out = [s if e == "none" else f"{s} {e}" for s, e in alone]
    return a.select(keep_a), b.select(keep_b), sorted(shared), left_out


def _eye_numbers(study: Study, eyes: list[tuple[str, str]]) -> NDArray[np.intp]:
    keys, codes = _eye_keys(study)
    number = {key: k for k, key in enumerate(eyes)}
    return np.array([number[key] for key in keys], dtype=np.intp)[codes]


def _method_means(study: Study, eyes: list[tuple[str, str]]) -> Nested:
    return Nested(
        study.value,
        [("eye", _eye_numbers(study, eyes)), ("sitting", study.group(*LABELS))],
    )


def _extra(nested: Nested, study: Study, *, reading: bool) -> _Extra:
    """What a single reading, or a sitting's mean, varies more than the mean of its eye.

    A mean of several sittings hides part of their spread; a mean of readings hides part of theirs.
    """
    content = nested.mean_squares()[2]
    hidden = content[0].copy()
    hidden[0] = 0.0
    parts = np.zeros(nested.depth)
    if nested.depth == 3:
        parts[1] = 1.0 - hidden[1]
    last = nested.depth - 1
    n = np.bincount(study.group(*LABELS))
    wanted = 1.0 if reading else float(np.mean(1.0 / n))
    if nested.mean_squares()[1][last] > 0:
        parts[last] = wanted - hidden[last]
    parts[np.abs(parts) < 1e-12] = 0.0
    return _Extra(nested, parts)


def _linked_pairs(
    a: Study, b: Study, eyes: list[tuple[str, str]], subject: NDArray[np.intp]
) -> tuple[Nested, int]:
    tables = []
    for study in (a, b):
        eye = _eye_numbers(study, eyes)
        key = study.order if study.order is not None else np.arange(eye.size)
        order = np.lexsort((key, eye))
        eye = eye[order]
        start = np.searchsorted(eye, np.arange(len(eyes)))
        tables.append((eye, np.arange(eye.size) - start[eye], study.value[order]))
    (eye_a, rank_a, value_a), (eye_b, rank_b, value_b) = tables
    most = int(max(rank_a.max(), rank_b.max())) + 1
    code_a, code_b = eye_a * most + rank_a, eye_b * most + rank_b
    common, in_a, in_b = np.intersect1d(code_a, code_b, return_indices=True)
    eye = common // most
    dropped = code_a.size + code_b.size - 2 * common.size
    return Nested(value_a[in_a] - value_b[in_b], [("subject", subject[eye]), ("eye", eye)]), dropped


def _error_ratio(a: Nested, b: Nested) -> float:
    """Error variance of the eye means of A over that of B, from their replicates."""
    errors = []
    for nested in (a, b):
        parts = nested.mean_squares()[2][0].copy()
        parts[0] = 0.0
        errors.append(float(nested.combination(parts)))
    return errors[0] / errors[1] if min(errors) > 0 else 1.0


def _concordance_estimate(sums: Floats, confidence: float) -> Estimate:
    def z_value(s: Floats) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.arctanh(concordance(s)))

    value, error, df = jackknife(z_value, sums)
    low, high = t_interval(value, error, df, confidence)
    return Estimate(math.tanh(value), math.tanh(low), math.tanh(high), "jackknife by subject, z")


def _equivalence(
    bias: float, error: float, df: int, margin: float, confidence: float
) -> Equivalence:
    import scipy

    if not (margin > 0 and math.isfinite(margin)):
        raise ParameterError(f"margin of equivalence {margin!r} must be a positive number")
    alpha = 1.0 - confidence
    t = scipy.stats.t
    p = max(float(t.sf((margin + bias) / error, df)), float(t.sf((margin - bias) / error, df)))
    low, high = t_interval(bias, error, df, 1.0 - 2.0 * alpha)
    return Equivalence(margin=margin, p=p, low=low, high=high, equivalent=p < alpha)


def _bootstrap(
    nested: Nested,
    extras: tuple[_Extra | None, _Extra | None],
    subject: NDArray[np.intp],
    draws: Floats,
    confidence: float,
) -> dict[str, tuple[float, float]]:
    tables = [nested.sums]
    for extra in extras:
        if extra is not None:
            by_subject = np.zeros((nested.n_top, extra.nested.sums.shape[1]))
            np.add.at(by_subject, subject, extra.nested.sums)
            tables.append(by_subject)
    edges = np.cumsum([0, *(table.shape[1] for table in tables)])
    table = np.concatenate(tables, axis=1)

    def bias(s: Floats) -> Floats:
        return np.asarray(s[..., 1] / s[..., 0] + nested.shift)

    def sd(s: Floats) -> Floats:
        variance = nested.combination(np.ones(nested.depth), s[..., : edges[1]])
        present = [extra for extra in extras if extra is not None]
        for k, extra in enumerate(present, start=1):
            if extra.parts.any():
                part = s[..., edges[k] : edges[k + 1]]
                variance = variance + extra.nested.combination(extra.parts, part)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))

    statistics = {
        "bias": bias,
        "sd": sd,
        "lower_limit": lambda s: bias(s) - Z_LIMITS * sd(s),
        "upper_limit": lambda s: bias(s) + Z_LIMITS * sd(s),
    }
    return {
        name: bootstrap_interval(statistic, table, draws, confidence)
        for name, statistic in statistics.items()
    }


def _eye_sd(study: Study, eyes: list[tuple[str, str]]) -> Floats:
    eye = _eye_numbers(study, eyes)
    sums = within_sums(study, eye, len(eyes))
    out = np.full(len(eyes), np.nan)
    used = sums[:, 1] > 0
    out[used] = np.sqrt(sums[used, 0] / sums[used, 1])
    return out


def _by_operator(a: Study, b: Study, confidence: float) -> tuple[OperatorBias, ...]:
    found = []
    for operator in sorted(set(a.operator.present) & set(b.operator.present)):
        part_a = a.select(a.operator.where(operator))
        part_b = b.select(b.operator.where(operator))
        if not set(_eye_keys(part_a)[0]) & set(_eye_keys(part_b)[0]):
            continue
        part_a, part_b, eyes, _ = _common_eyes(part_a, part_b)
        codes = np.unique([key[0] for key in eyes], return_inverse=True)[1].reshape(-1)
        d = _method_means(part_a, eyes).mean - _method_means(part_b, eyes).mean
        nested = Nested(d, [("subject", codes)])
        value, n = float(nested.mean.mean()), nested.n_top
        error = math.sqrt(nested.mean_squares()[0][0] / n) if n > 1 else math.nan
        within = [
            within_sums(part, np.zeros(part.n_readings, np.intp), 1)[0] for part in (part_a, part_b)
        ]
        sd_a, sd_b = (math.sqrt(w[0] / w[1]) if w[1] > 0 else math.nan for w in within)
        found.append(
            OperatorBias(
                operator=operator,
                n_eyes=len(eyes),
                bias=Estimate(value, *t_interval(value, error, n - 1, confidence), "t"),
                within_sd_a=sd_a,
                within_sd_b=sd_b,
            )
        )
    return tuple(found)


def _normality(difference: Floats) -> float:
    import scipy

    if not 3 <= difference.size <= 5000:
        return math.nan
    return float(scipy.stats.shapiro(difference).pvalue)


def _cautions(
    n_subjects: int,
    difference: Floats,
    average: Floats,
    bias: float,
    normality: float,
    spread: SpreadRatio | None,
    slope: Estimate,
    label_a: str,
    label_b: str,
) -> list[str]:
    import scipy

    out = []
    if n_subjects < 20:
        out.append(f"{n_subjects} subjects are few: the intervals of the limits are wide")
    if normality < 0.01:
        out.append(
            f"the differences are not normally distributed (Shapiro-Wilk p = {normality:.2g}); "
            "limits and their exact intervals assume that they are: look at the plot for outliers"
        )
    if difference.size >= 10 and np.ptp(average) > 0:
        tau = scipy.stats.kendalltau(np.abs(difference - bias), average)
        if tau.pvalue < 0.01:
            out.append(
                f"the differences spread {'more' if tau.statistic > 0 else 'less'} in longer eyes "
                f"(Kendall's tau {tau.statistic:.2f}): one pair of limits does not fit all lengths"
            )
    if spread is not None and spread.p < 0.05 and (slope.low > 0 or slope.high < 0):
        out.append(
            f"{label_a} and {label_b} spread differently, which alone tilts differences against "
            "averages: judge proportional bias by the Deming slope"
        )
    return out
