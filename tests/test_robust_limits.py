"""What is offered where differences are not normal: quantile limits, the studentised bootstrap."""

from __future__ import annotations

import math

import numpy as np
import pytest
from agreement_coverage import (
    NORMAL_CASES,
    SHAPE_CASES,
    SPREAD_CASES,
    limits_coverage,
    simulated,
    summary,
)
from tail_intervals import chi_square, jackknife, studentised

from echotrace.agreement.compare import compare_methods
from echotrace.agreement.limits import limits_of, limits_of_agreement
from echotrace.agreement.methods_text import methods_paragraph
from echotrace.agreement.nested import Nested
from echotrace.agreement.resampling import studentised_interval, subject_draws
from echotrace.agreement.robust import limit_intervals, quantile_limits
from echotrace.agreement.student import (
    student_intervals,
    student_limits,
    student_pooled_sd,
    tail_words,
)
from echotrace.agreement.study import Study
from echotrace.agreement.text import repeatability_paragraph
from echotrace.agreement.variance import chi_square_interval
from echotrace.errors import ParameterError


def pairs(difference):
    """A study with these differences of two methods."""
    n = len(difference)
    length = np.random.default_rng(1).normal(23.5, 1.2, n)
    return Study(
        value=np.concatenate([length + difference, length]),
        subject=[f"S{k:03d}" for k in range(n)] * 2,
        method=["contact"] * n + ["immersion"] * n,
    )


def test_quantile_limits_are_order_statistics():
    from scipy import stats

    d = np.random.default_rng(2).standard_t(3, 200)
    found = quantile_limits(d, np.arange(200), "pairs", "one operator", 0.95)
    # scipy's own quantile, definition 8, and its binomial interval of a quantile.
    assert found.lower.value == pytest.approx(
        np.quantile(d, 0.025, method="median_unbiased"), rel=1e-12
    )
    assert found.upper.value == pytest.approx(
        np.quantile(d, 0.975, method="median_unbiased"), rel=1e-12
    )
    for p, estimate in ((0.025, found.lower), (0.975, found.upper)):
        reference = stats.quantile_test(d, q=0.0, p=p).confidence_interval(0.95)
        assert (estimate.low, estimate.high) == pytest.approx(tuple(reference))


def test_quantile_intervals_need_146_subjects():
    # 0.975^146 is the first power below 0.025.
    d = np.random.default_rng(3).normal(size=146)
    assert not math.isnan(quantile_limits(d, np.arange(146), "", "", 0.95).lower.low)
    fewer = quantile_limits(d[:145], np.arange(145), "", "", 0.95)
    assert math.isnan(fewer.lower.low)
    assert fewer.lower.how == "too few subjects: 146 are needed"
    assert quantile_limits(d[:38], np.arange(38), "", "", 0.95) is None
    assert quantile_limits(d[:39], np.arange(39), "", "", 0.95).lower.value >= d[:39].min()


def test_two_eyes_of_a_subject_share_its_weight():
    d = np.random.default_rng(4).normal(size=150)
    one = quantile_limits(d, np.arange(150), "", "", 0.95)
    twice = quantile_limits(np.repeat(d, 2), np.repeat(np.arange(150), 2), "", "", 0.95)
    assert twice.lower.value == pytest.approx(one.lower.value, abs=0.1)
    assert (twice.lower.low, twice.lower.high) == pytest.approx(
        (one.lower.low, one.lower.high), abs=0.2
    )


def test_studentised_bootstrap_of_a_mean_follows_its_definition():
    # Efron & Tibshirani 1993, section 12.5: for a mean the jackknife's standard error is s over
    # the square root of n, in the sample and in every draw.
    x = np.random.default_rng(5).exponential(size=25)
    draws = subject_draws(25, 999, seed=7)
    sums = np.stack([np.ones(25), x], axis=1)
    found = studentised_interval(lambda s: s[..., 1] / s[..., 0], sums, draws, 0.9)
    t = []
    for counts in draws.astype(int):
        drawn = np.repeat(x, counts)
        t.append((drawn.mean() - x.mean()) / (drawn.std(ddof=1) / 5.0))
    error = x.std(ddof=1) / 5.0
    low, high = np.quantile(t, [0.05, 0.95])
    assert found == pytest.approx((x.mean() - high * error, x.mean() - low * error), rel=1e-9)


def test_studentised_bootstrap_is_dropped_where_it_falls_short():
    for n in (19, 501):
        sums = np.stack([np.ones(n), np.arange(n)], axis=1)
        draws = subject_draws(n, 50, seed=0)
        low, high = studentised_interval(lambda s: s[..., 1] / s[..., 0], sums, draws, 0.95)
        assert math.isnan(low)
        assert math.isnan(high)


def test_the_rule_chooses_intervals_by_the_test_of_normality():
    rng = np.random.default_rng(6)
    plain = compare_methods(pairs(rng.normal(-0.2, 0.1, 60)))
    assert plain.normality_p > 0.05
    assert plain.limits.lower.how == "exact for normal differences"
    assert plain.limits.pair_factors is not None
    assert not any("normally" in text for text in plain.warnings)
    skewed = compare_methods(pairs(0.1 * rng.exponential(size=60)))
    assert skewed.normality_p < 0.05
    assert skewed.skewness > 1.0
    assert skewed.limits.pair_factors is None
    exact = limits_of_agreement(skewed.difference)[1]
    for name in ("lower", "upper", "sd"):
        normal = "chi-square" if name == "sd" else "noncentral t"
        estimate, one = getattr(skewed.limits, name), getattr(exact, name)
        others = (
            skewed.bootstrap[f"{name}, pairs"],
            student_limits(skewed.difference, 0.95)[name],
            one,
        )
        assert estimate == skewed.limits.wider[name]
        assert estimate.how == (
            f"outer ends of {normal}; Student's t with 3 degrees of freedom; studentised bootstrap "
            "by subject"
        )
        assert (estimate.value, estimate.low, estimate.high) == pytest.approx(
            (one.value, min(e.low for e in others), max(e.high for e in others)), rel=1e-9
        )
    # Exponential differences end at nil, which the usual lower limit overshoots.
    assert skewed.limits.lower.value < 0.0 <= skewed.quantile_limits.lower.value
    assert any("quantile limits stand beside" in text for text in skewed.warnings)
    assert "lie between the quantiles" in skewed.text()
    few = compare_methods(pairs(0.1 * rng.exponential(size=18) ** 2))
    how = "outer ends of noncentral t; Student's t with 3 degrees of freedom; jackknife by subject"
    assert few.limits.lower.how == how
    assert any(f"have the {how}" in text for text in few.warnings)
    assert few.tails == skewed.tails == ""
    assert not few.bootstrap


def test_wider_intervals_stand_beside_normal_ones_and_lead_where_that_was_chosen():
    d = np.random.default_rng(6).normal(-0.2, 0.1, 60)
    by_test = compare_methods(pairs(d))
    wide = compare_methods(pairs(d), intervals="wider")
    assert by_test.limits.wider == wide.limits.wider == by_test.limits.beside
    assert not wide.limits.beside
    assert set(by_test.to_dict()["limits"]["wider"]) == {"sd", "lower", "upper"}
    assert (by_test.intervals, wide.intervals) == ("by test", "wider")
    assert wide.limits.lower == wide.limits.wider["lower"] != by_test.limits.lower
    for name in ("sd", "lower", "upper"):
        inner, outer = getattr(by_test.limits, name), getattr(wide.limits, name)
        assert outer.low <= inner.low < inner.value == outer.value < inner.high <= outer.high
    normal, student = limits_of_agreement(by_test.difference)[1], student_limits(d, 0.95)
    for name, estimate in student.items():
        one, found = getattr(normal, name), by_test.limits.wider[name]
        assert (found.low, found.high) == pytest.approx(
            (min(one.low, estimate.low), max(one.high, estimate.high)), rel=1e-9
        )
        assert found.how.endswith("; Student's t with 3 degrees of freedom")
    assert by_test.tails == tail_words(60, withstood=True) == wide.tails
    assert f"{by_test.tails}; these are −" in by_test.text()
    assert f"{wide.tails}." in wide.text()
    assert by_test.to_dict()["tails"] == by_test.tails
    assert "outer ends" in methods_paragraph(wide, {})[0]
    assert "as chosen beforehand" in methods_paragraph(wide, {})[0]
    # A margin is held against the intervals that lead.
    margin = -by_test.limits.lower.low + 1e-9
    assert compare_methods(pairs(d), margin_mm=margin).equivalence.limits == {
        "limits of pairs, one operator": "within"
    }
    found = compare_methods(pairs(d), margin_mm=margin, intervals="wider").equivalence.limits
    within = wide.limits.lower.low >= -margin
    assert (found["limits of pairs, one operator"] == "within") == within
    with pytest.raises(ParameterError, match="use one of by test, wider"):
        compare_methods(pairs(d), intervals="widest")
    assert not compare_methods(pairs(d[:7])).limits.wider


def test_the_text_gives_both_intervals_of_single_readings_and_of_repeatability():
    rng = np.random.default_rng(17)
    eye, bias = rng.normal(23.4, 1.0, 30), rng.normal(-0.1, 0.1, 30)
    value = eye[:, None, None] + np.stack([bias, 0.0 * bias], 1)[:, :, None]
    value = value + rng.normal(0.0, 0.05, (30, 2, 3))
    study = Study(
        value=value.ravel(),
        subject=np.repeat([f"s{k}" for k in range(30)], 6),
        method=np.tile(np.repeat(["contact", "immersion"], 3), 30),
    )
    result = compare_methods(study)

    def ends(estimate, places):
        return f"{estimate.low:.{places}f} to {estimate.high:.{places}f}".replace("-", "−")

    reading, text = result.limits_reading, result.text()
    wide = [reading.wider[name] for name in ("lower", "upper")]
    assert wide[0].low < reading.lower.low
    assert wide[1].high > reading.upper.high
    tails = text.index("cannot rule out heavy tails")
    sentence = next(x for x in text[tails:].split(". ") if x.startswith("For single readings"))
    places = len(sentence.split(" mm")[0].rpartition(".")[2])
    assert sentence.endswith(
        f"(95 % interval {ends(reading.upper, places)}), the wider intervals "
        f"{ends(wide[0], places)} and {ends(wide[1], places)} mm"
    )
    assert f"(95 % interval {ends(reading.lower, places)})" in sentence
    for repeat in (result.repeatability_a, result.repeatability_b):
        assert repeat.wider.high > repeat.within_sd.high
        words = f"Should tails be heavy, the interval of the SD is {ends(repeat.wider, 3)} mm."
        assert words in repeatability_paragraph(repeat)
    # Where the wider ones lead, they are not told twice.
    chosen = compare_methods(study, intervals="wider")
    assert "the wider intervals" not in chosen.text()
    assert "Should tails be heavy" not in repeatability_paragraph(chosen.repeatability_a)


def test_quantile_limits_lead_where_differences_are_not_normal_and_subjects_enough():
    d = 0.1 * np.random.default_rng(8).exponential(size=150)
    result = compare_methods(pairs(d), margin_mm=0.6)
    assert result.limits == result.quantile_limits
    assert [item.label for item in result.all_limits] == [
        "pairs, one operator, as quantiles",
        "pairs, one operator",
    ]
    how = (
        "outer ends of noncentral t; Student's t with 3 degrees of freedom; studentised bootstrap "
        "by subject"
    )
    assert result.all_limits[1].lower.how == how
    assert set(result.equivalence.limits) == {f"limits of {x.label}" for x in result.all_limits}
    assert "These are the 2.5 % and 97.5 % quantiles" in result.text()
    assert any("assume no distribution" in text for text in result.warnings)
    normal = compare_methods(pairs(np.random.default_rng(9).normal(0, 0.1, 150)))
    assert not normal.limits.as_quantiles
    assert normal.quantile_limits.as_quantiles


def test_jackknife_of_few_differences_follows_its_definition():
    # Miller 1974, Biometrika 61:1: pseudo-values of the logarithm of the SD.
    from scipy import stats

    d = np.random.default_rng(10).standard_t(3, 15)
    nested = Nested(d, [("subject", np.arange(15))])
    none = np.empty((0, 15))
    found = limit_intervals(nested, (None, None), np.arange(15), none, 0.95)
    without = np.array([np.delete(d, k) for k in range(15)])
    pseudo = 15 * np.log(d.std(ddof=1)) - 14 * np.log(without.std(axis=1, ddof=1))
    half = stats.t.ppf(0.975, 14) * pseudo.std(ddof=1) / math.sqrt(15)
    center = math.log(d.std(ddof=1))
    assert (found["sd"].low, found["sd"].high) == pytest.approx(
        (math.exp(center - half), math.exp(center + half)), rel=1e-9
    )
    # Zou 2013 with the correlation of mean and SD: differences of opposite sign swap the limits.
    other = Nested(-d, [("subject", np.arange(15))])
    mirrored = limit_intervals(other, (None, None), np.arange(15), none, 0.95)
    assert (-mirrored["upper"].high, -mirrored["upper"].low) == pytest.approx(
        (found["lower"].low, found["lower"].high), rel=1e-9
    )
    seven = Nested(d[:7], [("subject", np.arange(7))])
    assert limit_intervals(seven, (None, None), np.arange(7), np.empty((0, 7)), 0.95) == {}


@pytest.mark.parametrize("n", [8, 12, 30, 150])
def test_students_intervals_are_the_exact_ones_where_the_law_is_normal(n):
    # Carkeet 2015, Optom Vis Sci 92:e71, by the noncentral t of scipy; the SD by chi-square.
    d = np.random.default_rng(n).normal(-0.2, 0.1, n)
    found, exact = student_limits(d, 0.95, math.inf), limits_of_agreement(d)[1]
    for name, estimate in found.items():
        one = getattr(exact, name)
        assert (estimate.value, estimate.low, estimate.high) == pytest.approx(
            (one.value, one.low, one.high), abs=2e-4 * d.std()
        )
    sitting = np.arange(n) // 3
    df = n - np.unique(sitting).size
    pooled = student_pooled_sd(d, sitting, 0.95, math.inf)
    low, high = chi_square_interval(pooled.value**2, df, 0.95)
    assert (pooled.low, pooled.high) == pytest.approx((math.sqrt(low), math.sqrt(high)), rel=1e-4)


def test_students_intervals_are_those_of_its_likelihood():
    # The definition, by scipy's density and its adaptive quadrature.
    from scipy import integrate, stats

    d = np.array([-0.31, -0.22, -0.2, -0.15, -0.18, -0.26, 0.1, -0.24, -0.19])

    def density(place, log_scale):
        return math.exp(stats.t.logpdf(d, 3, place, math.exp(log_scale)).sum() - 5.0)

    def mass(below):
        return integrate.dblquad(density, -6.0, below, -1.5, 1.0, epsabs=1e-9)[0]

    found = student_limits(d, 0.9)["sd"]
    total = mass(1.0)
    for end, part in ((found.low, 0.05), (found.high, 0.95)):
        assert mass(math.log(end / math.sqrt(3.0))) / total == pytest.approx(part, abs=2e-3)
    # Place and unit of the values change nothing else.
    moved = student_limits(100.0 - 1000.0 * d, 0.9)
    same = student_limits(d, 0.9)
    assert moved["sd"].high == pytest.approx(1000.0 * same["sd"].high, rel=1e-6)
    assert moved["upper"].high == pytest.approx(100.0 - 1000.0 * same["lower"].low, rel=1e-3)


def test_students_intervals_hold_whatever_the_sample_looks_like():
    from scipy import stats

    rng = np.random.default_rng(31)
    held = {True: [], False: []}
    for _ in range(600):
        d = rng.standard_t(3, 30) / math.sqrt(3.0)
        found = student_limits(d, 0.95)["sd"]
        held[bool(stats.shapiro(d).pvalue < 0.05)].append(found.low <= 1.0 <= found.high)
    # Three standard errors of some 250 and 350 samples.
    assert all(0.909 <= np.mean(inside) <= 0.985 for inside in held.values()), held


def test_students_intervals_are_stretched_where_limits_hang_on_more():
    d = np.random.default_rng(13).normal(size=40)
    subject = np.arange(40) // 2
    nested = Nested(d, [("subject", subject)])
    bias, limits = limits_of(nested, None, None, "pairs", 0.95)
    found = student_intervals(nested, bias, limits, 0.95)
    alone = student_limits(nested.mean, 0.95)["sd"]
    chi = chi_square_interval(alone.value**2, 19.0, 0.95)[1]
    power = math.log(alone.high / alone.value) / math.log(math.sqrt(chi) / alone.value)
    assert found["sd"].high == pytest.approx(
        limits.sd.value * (limits.sd.high / limits.sd.value) ** power, rel=1e-9
    )
    assert found["sd"].low <= limits.sd.low
    assert found["upper"].high > limits.upper.high
    assert found["lower"].low < limits.lower.low


def test_there_are_no_students_intervals_of_too_few_or_too_many_values():
    d = np.random.default_rng(14).normal(size=501)
    assert student_limits(d[:7], 0.95) == student_limits(d, 0.95) == {}
    assert student_limits(np.ones(9), 0.95) == {}
    assert student_pooled_sd(d, np.arange(501) // 3, 0.95) is None
    assert student_pooled_sd(d[:9], np.arange(9), 0.95) is None
    assert student_pooled_sd(np.ones(9), np.arange(9) // 3, 0.95) is None


def test_what_a_study_of_its_size_cannot_tell_is_said():
    assert tail_words(146, withstood=True) == ""
    assert "no interval of the limits" in tail_words(7, withstood=True)
    assert "no interval of the limits" in tail_words(40, withstood=False)
    for n, noticed in ((8, "14 to 22"), (29, "22 to 43"), (30, "43 to 71"), (145, "71 to 95")):
        text = tail_words(n, withstood=True)
        assert text.startswith(f"{n} subjects cannot rule out heavy tails")
        assert f"noticed {noticed} times in 100" in text


def test_what_is_tried_beside_is_what_the_package_has():
    """The table of intervals in the docs is of the package's own ones, computed apart."""
    d = np.random.default_rng(11).standard_t(3, 30)
    nested = Nested(d, [("subject", np.arange(30))])
    none = np.empty((0, 30))
    exact = limits_of_agreement(d)[1].sd
    by_jackknife = limit_intervals(nested, (None, None), np.arange(30), none, 0.95)["sd"]
    for estimate, ends in ((exact, chi_square(d[None])), (by_jackknife, jackknife(d[None]))):
        assert np.exp(ends[:, 0]) == pytest.approx([estimate.low, estimate.high], rel=1e-9)
    draws = np.random.default_rng(12).multinomial(30, np.full(30, 1 / 30), 400).astype(float)
    boot = limit_intervals(nested, (None, None), np.arange(30), draws, 0.95)["sd"]
    ends = studentised(d[None], np.random.default_rng(12))
    assert np.exp(ends[:, 0]) == pytest.approx([boot.low, boot.high], rel=1e-6)


def test_exact_is_said_only_where_it_is():
    rng = np.random.default_rng(7)
    length = np.repeat(rng.normal(23.5, 1.2, 30), 8)
    method = (["contact"] * 4 + ["immersion"] * 4) * 30
    subject = np.repeat([f"S{k:02d}" for k in range(30)], 8).tolist()
    bias = np.where(np.array(method) == "contact", np.repeat(rng.normal(0, 0.1, 30), 8), 0.0)
    study = Study(value=length + bias + rng.normal(0, 0.05, 240), subject=subject, method=method)
    alike = compare_methods(study, n_bootstrap=0)
    assert alike.limits.lower.how == "exact for normal differences"
    unlike = compare_methods(study.select(np.arange(240) % 8 != 3 * (np.arange(240) // 80)))
    assert unlike.limits.lower.how == "noncentral t"
    assert "exact" not in alike.limits_reading.lower.how


def test_coverage_in_short():
    held = limits_coverage(SHAPE_CASES["differences normal, 150 subjects"], 12, 150, 200)
    assert {"lower quantile", "upper quantile", "sd, pairs, bootstrap"} <= set(held)
    # Four standard errors of a share of 0.95.
    assert all(value >= 0.879 for value in held.values()), held


# Slow: the very rows of the table, whose seeds are those of the cases; -s shows them.


def row_of(name):
    held = simulated(name)
    print(f"| {name} | {summary(held)} |")
    return held.shares()


@pytest.mark.slow
@pytest.mark.parametrize("name", NORMAL_CASES)
def test_coverage_of_normal_differences(name):
    held = row_of(name)
    # The bootstrap, which leads nowhere by itself, holds 0.92 to 0.95.
    least = {name: 0.905 if "bootstrap" in name else 0.93 for name in held}
    most = {name: 0.998 if "wider" in name else 0.975 for name in held}
    assert all(least[name] <= value <= most[name] for name, value in held.items()), held


# What is reached by the rule, and by the wider intervals, over all studies, noticed or not.
LEAST = {
    "differences t with 5 df, 30 subjects": (0.88, 0.92),
    "differences t with 3 df, 30 subjects": (0.73, 0.82),
    "differences exponential, 30 subjects": (0.88, 0.88),
    "differences t with 3 df, 150 subjects": (0.83, 0.88),
    "differences exponential, 150 subjects": (0.87, 0.92),
    "differences normal, 150 subjects": (0.935, 0.94),
    "differences normal, 12 subjects": (0.935, 0.955),
    "differences t with 3 df, 12 subjects": (0.775, 0.825),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", SHAPE_CASES)
def test_coverage_of_other_shapes(name):
    held = row_of(name)
    by_rule, wide = LEAST[name]
    for key, value in held.items():
        if "quantile" in key:
            assert value >= 0.935, held
        elif "bootstrap" not in key:
            assert value >= (wide if "wider" in key else by_rule), held


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "least"),
    list(zip(SPREAD_CASES, (0.925, 0.925, 0.89, 0.80, 0.755), strict=True)),
)
def test_coverage_of_spreads(name, least):
    held = row_of(name)
    assert all(value >= least for value in held.values()), held
