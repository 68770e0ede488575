"""Agreement against published examples, tables and general statistics libraries."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from published import cardiac_output, peak_flow

from echotrace.agreement.compare import compare_methods
from echotrace.agreement.limits import limits_of_agreement, recovered_limits, tolerance_factor
from echotrace.agreement.regression import deming, passing_bablok
from echotrace.agreement.sample_size import (
    equivalence_power,
    eyes_for_spread_ratio,
    limits_width,
    spread_ratio_power,
    subjects_for_equivalence,
    subjects_for_limits,
)
from echotrace.agreement.study import Study
from echotrace.agreement.variance import Estimate
from echotrace.errors import ParameterError

# ----------------------------------------------------------------------- published examples


def test_peak_flow_limits_of_bland_and_altman_1986():
    result = compare_methods(peak_flow(1), methods=("large", "mini"))
    # Lancet 327:307: mean difference -2.1, SD 38.8, limits with 2 SD -79.7 and 75.4, standard
    # error of the mean 9.4, of the limits 16.3, correlation 0.94.
    assert result.bias.value == pytest.approx(-2.118, abs=5e-4)
    assert result.limits.sd.value == pytest.approx(38.765, abs=5e-4)
    assert result.bias.value - 2 * result.limits.sd.value == pytest.approx(-79.65, abs=0.01)
    assert result.bias.value + 2 * result.limits.sd.value == pytest.approx(75.41, abs=0.01)
    # Student's t with 16 df is 2.12: interval of the bias -22.0 to 17.8 in the paper.
    assert result.bias.low == pytest.approx(-22.0, abs=0.06)
    assert result.bias.high == pytest.approx(17.8, abs=0.06)
    assert np.corrcoef(result.mean_a, result.mean_b)[0, 1] == pytest.approx(0.943, abs=5e-4)
    assert result.limits.of == "pairs"
    assert result.limits_reading is None


def test_cardiac_output_of_bland_and_altman_1999():
    result = compare_methods(cardiac_output(), methods=("RV", "IC"), n_bootstrap=0)
    # Section 5.2 (value from memory): mean difference 0.7092, variance of the differences of the
    # subjects' means 0.9123, variance of single differences 1.1063 by adding what means hide.
    assert result.bias.value == pytest.approx(0.7092, abs=5e-5)
    assert np.var(result.difference, ddof=1) == pytest.approx(0.9127, abs=1e-3)
    counts = np.array([5, 4, 6, 5, 6, 4, 4, 6, 3, 5, 6, 6])
    hidden = 1.0 - np.mean(1.0 / counts)
    by_hand = 0.9127 + hidden * (0.1072 + 0.1379)
    assert result.limits_reading.sd.value**2 == pytest.approx(by_hand, abs=2e-4)


# Zou 2013, Stat Methods Med Res 22:630, as held in the public tests of an open statistics package:
# limits of the first four subjects, and their intervals, for a value that changes between pairs
# and for a constant one. For the latter two readings by the second method are left out there.
@pytest.mark.parametrize(
    ("linked", "limits", "lower", "upper"),
    [
        (True, (-2.14, 3.59), (-9.83, -0.33), (1.77, 11.27)),
        (False, (-2.23, 3.66), (-9.76, -0.48), (1.91, 11.20)),
    ],
)
def test_intervals_of_zou_for_replicates(linked, limits, lower, upper):
    study = cardiac_output(4)
    if not linked:
        rows = np.arange(study.n_readings)
        study = study.select((rows != 20 + 4) & (rows != 20 + 8))
    result = compare_methods(study, methods=("RV", "IC"), linked=linked, n_bootstrap=0)
    if linked:
        assert result.bias.value == pytest.approx(0.7255, abs=5e-5)
    ours = result.limits if linked else result.limits_reading
    np.testing.assert_allclose((ours.lower.value, ours.upper.value), limits, atol=0.005)
    # Zou takes the normal quantile for the mean where ours is Student's, which matters with 4.
    error = 1.959964 * math.sqrt(np.var(result.difference, ddof=1) / 4)
    bias = Estimate(result.bias.value, result.bias.value - error, result.bias.value + error)
    normal = recovered_limits("", bias, ours.sd)
    np.testing.assert_allclose((normal.lower.low, normal.lower.high), lower, atol=0.011)
    np.testing.assert_allclose((normal.upper.low, normal.upper.high), upper, atol=0.011)
    assert ours.lower.low < normal.lower.low
    assert ours.upper.high > normal.upper.high


# Carkeet 2015, Optom Vis Sci 92:e71, table of two-sided factors for a pair of 95 % limits: degrees
# of freedom, 2.5 %, 95 % and 97.5 % confidence; as held in the public tests of an open package.
@pytest.mark.parametrize(
    ("df", "inner", "middle", "outer"),
    [
        (1, 0.9744, 36.5192, 73.0772),
        (2, 1.1051, 9.7888, 13.9396),
        (4, 1.2397, 5.0769, 6.1569),
        (9, 1.3915, 3.3934, 3.7706),
        (19, 1.5175, 2.7603, 2.9445),
        (29, 1.5808, 2.5549, 2.6854),
        (49, 1.6505, 2.3816, 2.4703),
        (74, 1.6982, 2.2862, 2.3534),
    ],
)
def test_pair_factors_of_carkeet(df, inner, middle, outer):
    n = df + 1
    assert tolerance_factor(n, 0.025) == pytest.approx(inner, abs=6e-5)
    assert tolerance_factor(n, 0.95) == pytest.approx(middle, abs=6e-5)
    assert tolerance_factor(n, 0.975) == pytest.approx(outer, abs=6e-5)


def test_exact_interval_of_one_limit_is_the_one_sided_tolerance_factor():
    # One-sided factors for 97.5 % of a normal population are not tabled widely; those for 95 % of
    # it with 95 % confidence are 2.911 at n = 10 and 2.220 at n = 30 (Owen 1963; ISO 16269-6;
    # value from memory), and come from the same noncentral t distribution.
    from scipy import stats

    z = stats.norm.ppf(0.95)
    for n, k in ((10, 2.911), (30, 2.220)):
        assert stats.nct.ppf(0.95, n - 1, z * n**0.5) / n**0.5 == pytest.approx(k, abs=6e-4)
    d = np.random.default_rng(0).normal(0.2, 1.0, 10)
    bias, limits = limits_of_agreement(d)
    factor = stats.nct.ppf(0.975, 9, 1.959964 * 10**0.5) / 10**0.5
    assert limits.upper.high == pytest.approx(bias.value + factor * d.std(ddof=1), rel=1e-6)
    assert limits.lower.low == pytest.approx(bias.value - factor * d.std(ddof=1), rel=1e-6)
    assert limits.upper.low < limits.upper.value < limits.upper.high


# Worked Deming example of the manual of a general statistics package (chapter 303), as held in
# the public tests of an open statistics package: variance of x four times that of y.
DEMING_X = [7, 8.3, 10.5, 9, 5.1, 8.2, 10.2, 10.3, 7.1, 5.9]
DEMING_Y = [7.9, 8.2, 9.6, 9, 6.5, 7.3, 10.2, 10.6, 6.3, 5.2]


def test_deming_worked_example():
    line = deming(DEMING_X, DEMING_Y, error_ratio=0.25)
    assert line.slope.value == pytest.approx(1.0012, abs=5e-5)
    assert line.intercept.value == pytest.approx(-0.0897, abs=5e-5)
    t = 2.262157  # Student, 9 df, 97.5 %
    assert (line.slope.high - line.slope.value) / t == pytest.approx(0.1872, abs=5e-5)
    assert (line.intercept.high - line.intercept.value) / t == pytest.approx(1.7220, abs=5e-5)


def test_orthogonal_regression_of_pearson_1901():
    # Pearson 1901, Philosophical Magazine 2:559: ten points, best line y = 5.784 - 0.5456 x
    # (value from memory).
    x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
    y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
    line = deming(x, y)
    assert line.slope.value == pytest.approx(-0.5456, abs=5e-5)
    assert line.intercept.value == pytest.approx(5.784, abs=5e-4)


# Passing-Bablok example of the same manual. The public tests of an open statistics package hold
# slope 1.00 and intercept -0.15 for it, where they say that two further R packages agree.
PB_X = [69.3, 27.1, 61.3, 50.8, 34.4, 92.3, 57.5, 45.5, 33.3, 60.9, 56.3, 49.9, 89.7, 28.9, 96.3,
        76.6, 83.2, 79.4, 51.7, 32.5, 14.2, 99.1, 76.8, 95.4, 84.1, 48.8, 80.4, 84.5, 61.4,
        26.9]  # fmt: skip
PB_Y = [69.1, 26.7, 61.4, 51.2, 34.7, 88.5, 57.9, 45.1, 33.4, 60.8, 66.5, 48.2, 88.3, 29.3, 96.4,
        77.1, 82.7, 78.9, 51.6, 28.8, 12.7, 98.6, 77.3, 94.9, 83.3, 47.0, 80.9, 84.7, 61.3,
        26.7]  # fmt: skip


def test_passing_bablok_worked_example():
    line = passing_bablok(PB_X, PB_Y)
    assert line.slope.value == pytest.approx(1.00, abs=0.005)
    assert line.intercept.value == pytest.approx(-0.15, abs=0.005)


def naive_passing_bablok(x, y):
    """The steps of Passing & Bablok 1983 one by one, in plain Python."""
    slopes = []
    for i in range(len(x)):
        for j in range(i + 1, len(x)):
            if x[i] == x[j]:
                if y[i] != y[j]:
                    slopes.append(math.inf if y[i] > y[j] else -math.inf)
            elif (y[i] - y[j]) / (x[i] - x[j]) != -1.0:
                slopes.append((y[i] - y[j]) / (x[i] - x[j]))
    slopes.sort()
    n, count = len(x), len(slopes)
    k = sum(slope < -1.0 for slope in slopes)
    if count % 2:
        b = slopes[(count + 1) // 2 + k - 1]
    else:
        b = 0.5 * (slopes[count // 2 + k - 1] + slopes[count // 2 + k])
    c = 1.959963984540054 * math.sqrt(n * (n - 1) * (2 * n + 5) / 18.0)
    m1 = round((count - c) / 2.0)
    m2 = count - m1 + 1
    a = float(np.median([yi - b * xi for xi, yi in zip(x, y, strict=True)]))
    return b, slopes[m1 + k - 1], slopes[m2 + k - 1], a


@pytest.mark.parametrize("seed", range(5))
def test_passing_bablok_agrees_with_its_steps_one_by_one(seed):
    rng = np.random.default_rng(seed)
    x = np.round(rng.normal(23.5, 1.2, 21 + seed), 1)
    y = np.round(x + rng.normal(0, 0.3, x.size), 1)
    line = passing_bablok(x, y)
    expected = naive_passing_bablok(x.tolist(), y.tolist())
    found = (line.slope.value, line.slope.low, line.slope.high, line.intercept.value)
    np.testing.assert_allclose(found, expected, rtol=1e-12)


def test_four_points_leave_the_slope_open_on_both_sides():
    # Six slopes and half a width of 5.8: the ranks of both ends lie outside, one below, one above.
    line = passing_bablok([1.0, 2.0, 4.0, 5.0], [1.1, 2.3, 4.1, 5.2])
    assert (line.slope.low, line.slope.high) == (-math.inf, math.inf)
    assert math.isnan(line.intercept.low)
    assert math.isnan(line.intercept.high)
    # The median of the six by hand: 0.9, 1.0, 1.0, 1.025, 1.1, 1.2 lie 3rd and 4th.
    assert line.slope.value == pytest.approx(0.5 * (1.0 + 1.025))


@pytest.mark.parametrize(("word", "grows"), [("more", 1), ("less", -1)])
def test_which_eyes_spread_more_is_said(word, grows):
    length = np.linspace(21.0, 27.0, 40)
    size = 0.01 * np.arange(1.0, 41.0)[::grows]
    off = size * np.resize([1.0, -1.0], 40)
    study = Study(
        value=np.concatenate([length + off / 2.0, length - off / 2.0]),
        subject=list(range(40)) * 2,
        method=["a"] * 40 + ["b"] * 40,
    )
    (said,) = [text for text in compare_methods(study).warnings if "in longer eyes" in text]
    assert said.startswith(f"the differences spread {word} in longer eyes")


def test_passing_bablok_does_not_mind_exchanged_methods():
    rng = np.random.default_rng(3)
    x = rng.normal(23.5, 1.2, 30)
    y = 1.1 * x + rng.normal(0, 0.3, 30)
    assert passing_bablok(y, x).slope.value == pytest.approx(
        1.0 / passing_bablok(x, y).slope.value, rel=1e-6
    )


def test_thinning_of_very_many_points_is_said():
    rng = np.random.default_rng(0)
    x = rng.normal(23.5, 1.2, 5000)
    line = passing_bablok(x, x + rng.normal(0, 0.1, 5000))
    assert line.n_points == 4000
    assert "4000 of 5000" in line.note
    assert line.slope.value == pytest.approx(1.0, abs=0.01)


def test_bias_and_equivalence_agree_with_statsmodels():
    weightstats = pytest.importorskip("statsmodels.stats.weightstats")
    result = compare_methods(peak_flow(1), methods=("large", "mini"), margin_mm=20.0)
    reference = weightstats.DescrStatsW(result.difference)
    p, _, _ = reference.ttost_mean(-20.0, 20.0)
    assert result.equivalence.p == pytest.approx(p, rel=1e-9)
    assert result.bias_p == pytest.approx(reference.ttest_mean(0.0)[1], rel=1e-9)
    np.testing.assert_allclose(
        (result.bias.low, result.bias.high), reference.tconfint_mean(0.05), rtol=1e-9
    )
    np.testing.assert_allclose(
        (result.equivalence.low, result.equivalence.high), reference.tconfint_mean(0.1), rtol=1e-9
    )
    assert result.equivalence.equivalent["bias"]
    narrow = compare_methods(peak_flow(1), methods=("large", "mini"), margin_mm=18.0)
    assert not narrow.equivalence.equivalent["bias"]


def test_concordance_is_lins_coefficient():
    result = compare_methods(peak_flow(1), methods=("large", "mini"))
    x, y = result.mean_a, result.mean_b
    # Lin 1989, Biometrics 45:255, equation (1) with moments divided by n.
    lin = 2 * np.cov(x, y, bias=True)[0, 1] / (x.var() + y.var() + (x.mean() - y.mean()) ** 2)
    assert result.concordance.value == pytest.approx(lin, rel=1e-12)
    assert result.concordance.low < lin < result.concordance.high


# --------------------------------------------------------------------------- whole analyses


def clinic(seed=0, n=40, bias=-0.2, both_eyes=True, operators=1, truth_sd=(0.10, 0.06)):
    rng = np.random.default_rng(seed)
    rows = []
    for s in range(n):
        length, shift = rng.normal(23.5, 1.2), rng.normal(0, truth_sd[0])
        for eye in ("right", "left")[: 2 if both_eyes and s % 3 else 1]:
            here, difference = length + rng.normal(0, 0.2), shift + rng.normal(0, truth_sd[1])
            for o in range(operators):
                for method, offset, sd in (
                    ("contact", bias + difference, 0.13),
                    ("immersion", 0.0, 0.05),
                ):
                    for _ in range(rng.integers(3, 6)):
                        value = here + offset + rng.normal(0, sd)
                        rows.append((f"S{s:02d}", eye, method, f"op{o}", value))
    subject, eye, method, operator, value = zip(*rows, strict=True)
    return Study(
        value=value, subject=subject, eye=eye, method=method, operator=operator,
        order=np.arange(len(rows)),
    )  # fmt: skip


def test_two_eyes_of_a_subject_are_not_two_subjects():
    study = clinic(truth_sd=(0.3, 0.0))
    honest = compare_methods(study)
    pretended = Study(
        value=study.value,
        subject=[f"{s}{e}" for s, e in zip(study.subject, study.eye, strict=True)],
        method=study.method,
    )
    naive = compare_methods(pretended)
    wide = honest.bias.high - honest.bias.low
    assert wide > 1.15 * (naive.bias.high - naive.bias.low)
    assert any("not independent" in warning for warning in honest.warnings)
    assert honest.n_subjects == 40
    assert honest.n_eyes == naive.n_subjects > 40


def test_intervals_agree_with_the_bootstrap_by_subject():
    result = compare_methods(clinic(n=80))
    for name, estimate in (
        ("sd, means of a sitting", result.limits.sd),
        ("lower, means of a sitting", result.limits.lower),
        ("upper, means of a sitting", result.limits.upper),
        ("upper, single readings", result.limits_reading.upper),
        ("deming_slope", result.deming.slope),
        ("concordance", result.concordance),
    ):
        width = estimate.high - estimate.low
        found = result.bootstrap[name]
        assert found.value == pytest.approx(estimate.value, rel=1e-12)
        np.testing.assert_allclose(
            (found.low, found.high), (estimate.low, estimate.high), atol=0.3 * width
        )
    ratio, found = result.spread.ratio, result.spread.bootstrap
    assert found.value == pytest.approx(ratio.value)
    assert (found.low, found.high) == pytest.approx((ratio.low, ratio.high), rel=0.05)
    assert not compare_methods(clinic(n=19)).bootstrap


def test_single_readings_have_wider_limits_than_means():
    result = compare_methods(clinic())
    assert result.limits.of == "means of a sitting"
    assert result.limits_reading.sd.value > result.limits.sd.value
    single = compare_methods(clinic(n=400, both_eyes=False), n_bootstrap=0).limits_reading
    assert single.sd.value == pytest.approx(
        math.sqrt(0.1**2 + 0.06**2 + 0.13**2 + 0.05**2), rel=0.08
    )


@pytest.mark.parametrize(("n", "few"), [(19, True), (20, False)])
def test_few_subjects_are_said_up_to_nineteen(n, few):
    rng = np.random.default_rng(5)
    length = rng.normal(23.5, 1.0, n)
    study = Study(
        value=np.concatenate([length + rng.normal(0.0, 0.05, n) for _ in range(2)]),
        subject=list(range(n)) * 2,
        method=["a"] * n + ["b"] * n,
    )
    said = [text for text in compare_methods(study).warnings if "subjects are few" in text]
    assert said == [f"{n} subjects are few: the intervals of the limits are wide"] * few


def test_a_proportional_bias_shows_in_the_deming_slope():
    study = clinic(n=60)
    scale = np.where(study.method.where("contact"), 0.95, 1.0)
    scaled = Study(value=study.value * scale, subject=study.subject, eye=study.eye,
                   method=study.method)  # fmt: skip
    result = compare_methods(scaled)
    assert result.deming.slope.low < 0.95 < result.deming.slope.high
    assert result.deming.slope.high < 1.0
    assert "excludes 1" in result.text()


def test_operators_are_shown_side_by_side():
    result = compare_methods(clinic(operators=2, n=15), n_bootstrap=0)
    assert [row.operator for row in result.by_operator] == ["op0", "op1"]
    assert all(row.n_eyes == result.n_eyes for row in result.by_operator)
    assert any("operators" in note for note in result.repeatability_a.notes)


def test_text_reads_as_a_results_paragraph():
    result = compare_methods(clinic(), margin_d=0.25)
    text = result.text()
    assert "\n" not in text
    assert text.startswith(f"In {result.n_eyes} eyes of 40 subjects, contact read 0.")
    assert "shorter than immersion" in text
    for word in ("limits of agreement", "Deming slope", "Concordance", "two one-sided tests"):
        assert word in text
    assert "nan" not in text
    assert result.equivalence.margin == pytest.approx(0.25 / 2.7)


def test_numbers_survive_json():
    result = compare_methods(clinic(n=8), n_bootstrap=200)
    loaded = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    assert loaded["bias"]["value"] == pytest.approx(result.bias.value, rel=1e-9)
    assert loaded["design"]["paragraph"] == result.design.paragraph
    assert len(loaded["difference"]) == result.n_eyes


def test_two_recordings_by_one_method_get_names_of_their_own():
    study = clinic(n=10)
    a = study.of_method("contact")
    b = study.of_method("immersion").relabelled("contact")
    assert compare_methods(a, b).label_a == "contact A"
    named = compare_methods(a, b, methods=("first day", "second day"))
    assert (named.label_a, named.label_b) == ("first day", "second day")


def test_bad_arguments_are_refused():
    study = clinic(n=6)
    for change, message in (
        ({"margin_mm": -0.1}, "positive"),
        ({"margin_mm": 0.1, "margin_d": 0.2}, "not in both"),
        ({"margin_d": 0.2, "dioptre_per_mm": 0.0}, "dioptre_per_mm"),
        ({"methods": ("contact", "contact")}, "with itself"),
        ({"methods": ("contact", "other")}, "no readings by method 'other'"),
    ):
        with pytest.raises(ParameterError, match=message):
            compare_methods(study, **change)
    with pytest.raises(ParameterError, match="not l/min"):
        compare_methods(peak_flow(), margin_d=0.2)
    with pytest.raises(ParameterError, match="points"):
        deming([1.0], [2.0])
    with pytest.raises(ParameterError, match="four points"):
        passing_bablok([1.0, 2.0], [1.0, 2.0])


def test_input_is_left_alone():
    study = clinic(n=5)
    before = study.value.tobytes()
    compare_methods(study)
    assert study.value.tobytes() == before


# ------------------------------------------------------------------------------ sample sizes


def test_width_of_limits_for_large_studies_is_that_of_bland_and_altman():
    # Their standard error of a limit, sqrt(3 / n) SD, with the exact coefficient 1 + 1.96^2 / 2.
    n = 2000
    assert limits_width(n, 1.0) == pytest.approx(
        2 * 1.959964 * math.sqrt((1 + 1.959964**2 / 2) / n), rel=3e-3
    )


def test_sample_size_is_the_smallest_that_serves():
    for assurance in (None, 0.9):
        n = subjects_for_limits(0.1, 0.12, assurance=assurance)
        assert limits_width(n, 0.12, assurance=assurance) <= 0.1
        assert limits_width(n - 1, 0.12, assurance=assurance) > 0.1
    assert subjects_for_limits(0.1, 0.12, assurance=0.9) > subjects_for_limits(0.1, 0.12)
    two = {"eyes_per_subject": 2, "eye_correlation": 0.5}
    assert subjects_for_limits(0.1, 0.12, **two) == pytest.approx(
        0.75 * subjects_for_limits(0.1, 0.12), abs=1
    )
    n = eyes_for_spread_ratio(1.5, 5)
    assert spread_ratio_power(1.5, n, 5) >= 0.9 > spread_ratio_power(1.5, n - 1, 5)
    assert eyes_for_spread_ratio(1 / 1.5, 5) == n
    n = subjects_for_equivalence(0.1, 0.15, bias=0.02)
    powers = [equivalence_power(0.1, 0.15, k, bias=0.02) for k in (n - 1, n)]
    assert powers[0] < 0.9 <= powers[1]


def test_impossible_plans_are_refused():
    for call in (
        lambda: subjects_for_limits(0.0, 1.0),
        lambda: subjects_for_limits(1e-6, 1.0),
        lambda: limits_width(30, -1.0),
        lambda: limits_width(30, 1.0, assurance=2.0),
        lambda: eyes_for_spread_ratio(1.0, 5),
        lambda: spread_ratio_power(1.5, 10, 1),
    ):
        with pytest.raises(ParameterError):
            call()


def test_contact_against_immersion_is_held_against_what_is_published():
    """The same difference, whichever method is A; nothing of it for other methods."""
    study = Study(
        value=[23.0, 23.3, 24.0, 24.2, 22.0, 22.25],
        subject=["a", "a", "b", "b", "c", "c"],
        method=["contact", "immersion"] * 3,
    )
    for methods in (("contact", "immersion"), ("immersion", "contact")):
        text = compare_methods(study, methods=methods).text()
        assert "Immersion less contact is 0.25 mm here" in text
        assert "0.20 ± 0.26 mm between eyes" in text
    other = compare_methods(study, methods=("contact", "immersion")).text()
    assert other.count("Immersion less contact") == 1
    renamed = compare_methods(
        study.of_method("contact").relabelled("one"),
        study.of_method("immersion").relabelled("other"),
    ).text()
    assert "Immersion less contact" not in renamed
