"""Plans and statistics of agreement at the ends of their arguments, and identities between them."""

import math

import numpy as np
import pytest
import scipy

from echotrace.agreement.apart import _tie
from echotrace.agreement.icc import intraclass_correlations
from echotrace.agreement.limits import tolerance_factor
from echotrace.agreement.regression import deming, passing_bablok
from echotrace.agreement.resampling import jackknife
from echotrace.agreement.robust import normality_p
from echotrace.agreement.sample_size import (
    equivalence_power,
    eyes_for_spread_ratio,
    limits_power,
    limits_width,
    spread_ratio_power,
    subjects_for_equivalence,
    subjects_for_limits,
)
from echotrace.agreement.variance import check_confidence, chi_square_interval, t_interval
from echotrace.errors import ParameterError

FOUR = (np.array([1.0, 2.0, 3.0, 4.0]), np.array([1.1, 1.9, 3.2, 3.8]))


@pytest.mark.parametrize(
    "call",
    [
        lambda: limits_width(1, 0.1),
        lambda: limits_width(30, 0.0),
        lambda: limits_width(30, 0.1, confidence=0.49),
        lambda: limits_width(30, 0.1, confidence=1.0),
        lambda: limits_width(30, 0.1, assurance=0.0),
        lambda: limits_width(30, 0.1, assurance=1.0),
        lambda: limits_width(30, 0.1, eyes_per_subject=0),
        lambda: limits_width(30, 0.1, eye_correlation=-0.01),
        lambda: limits_width(30, 0.1, eye_correlation=1.01),
        lambda: subjects_for_limits(0.0, 0.1),
        lambda: subjects_for_limits(1e-6, 0.1),
        lambda: spread_ratio_power(0.0, 20, 5),
        lambda: spread_ratio_power(-0.5, 20, 5),
        lambda: spread_ratio_power(1.5, 2, 5),
        lambda: spread_ratio_power(1.5, 20, 1),
        lambda: spread_ratio_power(1.5, 20, 5, 1),
        lambda: spread_ratio_power(1.5, 20, 5, alpha=0.0),
        lambda: spread_ratio_power(1.5, 20, 5, alpha=1.0),
        lambda: spread_ratio_power(1.5, 20, 5, heterogeneity=2.01),
        lambda: spread_ratio_power(1.5, 20, 5, heterogeneity=(0.1, -0.1)),
        lambda: spread_ratio_power(1.5, 20, 5, shared=1.01),
        lambda: spread_ratio_power(1.5, 20, 5, shared=-1.01),
        lambda: eyes_for_spread_ratio(1.0, 5),
        lambda: eyes_for_spread_ratio(1.5, 5, power=0.05),
        lambda: eyes_for_spread_ratio(1.5, 5, power=1.0),
        lambda: equivalence_power(0.0, 0.1, 20),
        lambda: equivalence_power(0.1, 0.0, 20),
        lambda: equivalence_power(0.1, 0.1, 1),
        lambda: equivalence_power(0.1, 0.1, 20, bias=math.inf),
        lambda: limits_power(0.0, 0.1, 20),
        lambda: subjects_for_equivalence(0.1, 0.1, bias=-0.1),
        lambda: subjects_for_equivalence(0.1, 0.1, power=0.0),
        lambda: subjects_for_equivalence(0.1, 0.1, power=1.0),
        lambda: tolerance_factor(1, 0.5),
        lambda: check_confidence(0.49),
        lambda: check_confidence(1.0),
        lambda: intraclass_correlations(np.zeros((1, 3))),
        lambda: intraclass_correlations(np.zeros((3, 1))),
        lambda: intraclass_correlations(np.zeros(3)),
        lambda: intraclass_correlations(np.array([[1.0, 2.0], [math.nan, 3.0]])),
        lambda: deming(FOUR[0][:2], FOUR[1][:2]),
        lambda: deming(FOUR[0], FOUR[1][:3]),
        lambda: deming(np.ones(4), FOUR[1]),
        lambda: deming(*FOUR, error_ratio=0.0),
        lambda: passing_bablok(FOUR[0][:3], FOUR[1][:3]),
        lambda: passing_bablok(np.ones(4), np.ones(4)),
    ],
)
def test_what_cannot_be_is_refused(call):
    with pytest.raises(ParameterError):
        call()


def test_the_ends_themselves_are_taken():
    assert limits_width(2, 0.1, confidence=0.5) > 0.0
    assert spread_ratio_power(1.5, 3, 2, heterogeneity=2.0, shared=1.0) > 0.0
    assert spread_ratio_power(1.5, 3, 2, heterogeneity=0.0, shared=-1.0) > 0.0
    assert spread_ratio_power(0.5, 3, 2) > 0.0
    assert equivalence_power(0.1, 0.1, 2) > 0.0
    assert tolerance_factor(2, 0.5) > 0.0
    assert len(intraclass_correlations([[1.0, 2.0], [2.0, 3.5]])) >= 1
    assert deming(FOUR[0][:3], FOUR[1][:3]).slope.value > 0.0
    check_confidence(0.5)


@pytest.mark.parametrize("n", [5, 30])
@pytest.mark.parametrize("eyes", [1, 2, 3])
def test_eyes_of_a_subject_count_by_the_design_effect(n, eyes):
    # Kish 1965: m observations of correlation r count as m / (1 + (m - 1) r).
    alone = limits_width(n, 0.1)
    assert limits_width(n, 0.1, eyes_per_subject=eyes) == pytest.approx(alone)
    assert limits_width(n, 0.1, eyes_per_subject=eyes, eye_correlation=0.0) == pytest.approx(
        limits_width(n * eyes, 0.1)
    )
    # Two of correlation 1/3 count as 1.5, three as 1.8: whole numbers of subjects again.
    counted = {1: n, 2: 1.5 * n, 3: 1.8 * n}[eyes]
    if counted == int(counted):
        half = limits_width(n, 0.1, eyes_per_subject=eyes, eye_correlation=1.0 / 3.0)
        assert half == pytest.approx(limits_width(int(counted), 0.1))


def test_expected_width_against_drawn_samples():
    # The exact interval of a limit of agreement by the non-central t (Carkeet 2015), drawn.
    rng = np.random.default_rng(5)
    n, sd = 12, 0.2
    low, high = (
        scipy.stats.nct.ppf(p, n - 1, scipy.stats.norm.ppf(0.975) * math.sqrt(n)) / math.sqrt(n)
        for p in (0.025, 0.975)
    )
    drawn = rng.normal(0.0, sd, (40_000, n)).std(axis=1, ddof=1) * (high - low)
    assert limits_width(n, sd) == pytest.approx(drawn.mean(), rel=0.005)
    assert limits_width(n, sd, assurance=0.8) == pytest.approx(np.quantile(drawn, 0.8), rel=0.01)


@pytest.mark.parametrize("width", [0.05, 0.1, 0.3])
@pytest.mark.parametrize("assurance", [None, 0.8])
def test_the_number_of_subjects_is_the_fewest(width, assurance):
    n = subjects_for_limits(width, 0.12, assurance=assurance)
    assert limits_width(n, 0.12, assurance=assurance) <= width
    assert limits_width(n - 1, 0.12, assurance=assurance) > width


@pytest.mark.parametrize("limits", [False, True])
def test_the_number_for_equivalence_is_the_fewest(limits):
    power = limits_power if limits else equivalence_power
    n = subjects_for_equivalence(0.4, 0.12, bias=0.05, power=0.8, limits=limits)
    assert power(0.4, 0.12, n, bias=0.05) >= 0.8
    assert n == 3 or power(0.4, 0.12, n - 1, bias=0.05) < 0.8


def test_three_subjects_are_the_fewest_of_all():
    assert subjects_for_limits(1e6, 0.1) == 3
    assert subjects_for_equivalence(1e6, 0.1) == 3


@pytest.mark.parametrize("alpha", [0.05, 0.2])
def test_spreads_that_do_not_differ_are_told_apart_as_often_as_alpha(alpha):
    found = spread_ratio_power(1.0, 40, 5, alpha=alpha, heterogeneity=0.0)
    assert found == pytest.approx(alpha, abs=0.01)
    # Few eyes that differ much are told apart a little too often: the plan says so.
    assert alpha < spread_ratio_power(1.0, 15, 4, alpha=alpha) < alpha + 0.05


def test_a_ratio_and_its_inverse_and_the_methods_change_places():
    assert spread_ratio_power(1.6, 15, 4, 6) == pytest.approx(spread_ratio_power(1 / 1.6, 15, 6, 4))
    assert spread_ratio_power(1.6, 15, 4, heterogeneity=0.3) == spread_ratio_power(
        1.6, 15, 4, 4, heterogeneity=(0.3, 0.3)
    )
    n = eyes_for_spread_ratio(1.6, 4, heterogeneity=0.2)
    assert spread_ratio_power(1.6, n, 4, heterogeneity=0.2) >= 0.9
    assert spread_ratio_power(1.6, n - 1, 4, heterogeneity=0.2) < 0.9


@pytest.mark.parametrize(("bias", "n", "factor_of"), [(0.0, 12, "mean"), (0.04, 8, "limits")])
def test_power_of_a_margin_against_drawn_studies(bias, n, factor_of):
    rng = np.random.default_rng(11)
    margin, sd = (0.15, 0.12) if factor_of == "mean" else (0.6, 0.12)
    drawn = rng.normal(bias, sd, (60_000, n))
    mean, spread = drawn.mean(axis=1), drawn.std(axis=1, ddof=1)
    if factor_of == "mean":
        # Two one-sided t tests, each at 5 % (Schuirmann 1987).
        factor = scipy.stats.t.ppf(0.95, n - 1) / math.sqrt(n)
        power = equivalence_power(margin, sd, n, bias=bias)
    else:
        shift = scipy.stats.norm.ppf(0.975) * math.sqrt(n)
        factor = scipy.stats.nct.ppf(0.975, n - 1, shift) / math.sqrt(n)
        power = limits_power(margin, sd, n, bias=bias)
    inside = (mean + factor * spread < margin) & (mean - factor * spread > -margin)
    assert 0.1 < inside.mean() < 0.99
    assert power == pytest.approx(inside.mean(), abs=0.01)


def test_without_degrees_of_freedom_there_is_no_interval():
    for df in (0.0, -1.0, math.nan):
        assert all(math.isnan(end) for end in chi_square_interval(1.0, df, 0.95))
        assert all(math.isnan(end) for end in t_interval(1.0, 0.1, df, 0.95))
    assert all(math.isnan(end) for end in chi_square_interval(math.nan, 5.0, 0.95))
    # One degree of freedom is enough: tables of chi-square, 0.000982 and 5.024; of t, 12.706.
    assert chi_square_interval(1.0, 1.0, 0.95) == (
        pytest.approx(1.0 / 5.024, rel=1e-3),
        pytest.approx(1.0 / 0.000982, rel=1e-3),
    )
    assert t_interval(1.0, 0.1, 1.0, 0.95)[1] == pytest.approx(2.2706, abs=1e-4)


def test_a_jackknife_of_a_mean_is_its_standard_error():
    x = np.array([1.0, 2.0, 4.0, 5.0, 9.0])
    sums = np.stack([np.ones(5), x], axis=1)
    value, error, df = jackknife(lambda s: s[..., 1] / s[..., 0], sums)
    assert (value, error, df) == (x.mean(), pytest.approx(scipy.stats.sem(x)), 4)
    for few in (1, 2):
        assert math.isnan(jackknife(lambda s: s[..., 1] / s[..., 0], sums[:few])[1])
    assert math.isfinite(jackknife(lambda s: s[..., 1] / s[..., 0], sums[:3])[1])


def test_shapiro_is_asked_where_it_can_answer():
    x = np.random.default_rng(2).normal(size=5001)
    for n in (3, 40, 5000):
        assert normality_p(x[:n]) == scipy.stats.shapiro(x[:n]).pvalue
    assert math.isnan(normality_p(x[:2]))
    assert math.isnan(normality_p(x))
    assert math.isnan(normality_p(np.ones(20)))


@pytest.mark.parametrize("steps", [0.3, 1.0, 3.0])
def test_rounded_readings_are_equal_as_often_as_in_a_simulation(steps):
    # Pairs of normal readings anywhere between two steps, rounded; the SD is that of the rounded.
    rng = np.random.default_rng(4)
    readings = rng.random((400_000, 1)) + rng.standard_normal((400_000, 2)) / steps
    rounded = np.round(readings)
    sd = math.sqrt(1.0 / steps**2 + 1.0 / 12.0)
    equal = float(np.mean(rounded[:, 0] == rounded[:, 1]))
    assert _tie(0.01 * sd, 0.01) == pytest.approx(equal, abs=0.004)
    assert _tie(0.05, 0.0) == 0.0


def test_readings_of_one_step_are_always_equal():
    assert _tie(0.0, 0.01) == 1.0
    assert _tie(0.01 / math.sqrt(12.0), 0.01) == 1.0
