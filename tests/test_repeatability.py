"""Repeatability against published figures and general statistics libraries."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
import scipy
from published import SHROUT_FLEISS, cardiac_output, peak_flow

from echotrace.agreement.icc import intraclass_correlations
from echotrace.agreement.repeatability import repeatability
from echotrace.agreement.spreads import spread_ratio
from echotrace.agreement.student import STUDENT, student_pooled_sd
from echotrace.agreement.study import Study
from echotrace.errors import ParameterError
from echotrace.sitting_limits import REPEATABILITY_FACTOR


def test_six_intraclass_correlations_of_shrout_and_fleiss():
    found = intraclass_correlations(SHROUT_FLEISS)
    # Shrout & Fleiss 1979, table 4: the six coefficients as printed.
    printed = {"ICC(1)": 0.17, "ICC(A,1)": 0.29, "ICC(C,1)": 0.71,
               "ICC(k)": 0.44, "ICC(A,k)": 0.62, "ICC(C,k)": 0.91}  # fmt: skip
    assert {name: round(found[name].value, 2) for name in printed} == printed


def test_intervals_of_mcgraw_and_wong_agree_with_pingouin():
    pingouin = pytest.importorskip("pingouin")
    pandas = pytest.importorskip("pandas")
    rng = np.random.default_rng(4)
    tables = [np.array(SHROUT_FLEISS, dtype=float)]
    tables += [rng.normal(size=(n, 1)) * s + rng.normal(size=(n, k)) + rng.normal(size=k)
               for n, k, s in ((12, 3, 2.0), (30, 2, 1.0), (8, 5, 0.3))]  # fmt: skip
    digits = pingouin.options["round.column.CI95"]
    pingouin.options["round.column.CI95"] = 9
    try:
        for table in tables:
            n, k = table.shape
            long = pandas.DataFrame(
                {"t": np.repeat(np.arange(n), k), "r": np.tile(np.arange(k), n), "v": table.ravel()}
            )
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                reference = pingouin.intraclass_corr(long, targets="t", raters="r", ratings="v")
            found = intraclass_correlations(table)
            assert len(reference) == len(found) == 6
            for kind, value, interval in zip(
                reference["Type"], reference["ICC"], reference["CI95"], strict=True
            ):
                estimate = found[kind.replace("(1,", "(")]
                assert estimate.value == pytest.approx(value, abs=1e-9)
                np.testing.assert_allclose([estimate.low, estimate.high], interval, atol=1e-8)
    finally:
        pingouin.options["round.column.CI95"] = digits


def test_repeatability_of_the_peak_flow_meters():
    study = peak_flow()
    large, mini = repeatability(study, "large"), repeatability(study, "mini")
    # Bland & Altman 1986: within-subject SD 15.3 and 19.9 l/min; Bland & Altman call twice the SD
    # of the differences, 43.2 (21.6) and 56.4 (28.2) l/min, the coefficient of repeatability.
    assert large.within_sd.value == pytest.approx(15.3, abs=0.05)
    assert mini.within_sd.value == pytest.approx(19.9, abs=0.05)
    assert 2 * math.sqrt(2) * large.within_sd.value == pytest.approx(43.2, abs=0.15)
    assert 2 * math.sqrt(2) * mini.within_sd.value == pytest.approx(56.4, abs=0.15)
    assert large.df_within == 17
    assert large.repeatability_limit.value == pytest.approx(
        2.7719 * large.within_sd.value, rel=1e-4
    )


def test_repeatability_factor_is_that_of_iso_5725():
    # ISO 5725-6 gives r = 2.8 s_r, from 1.96 times the square root of 2.
    assert round(REPEATABILITY_FACTOR, 1) == 2.8
    assert pytest.approx(2.7719, abs=1e-4) == REPEATABILITY_FACTOR


def test_within_subject_variances_of_cardiac_output():
    study = cardiac_output()
    # Bland & Altman 1999, section 5.2: residual mean squares 0.1072 and 0.1379 (value from memory).
    assert repeatability(study, "RV").within_sd.value ** 2 == pytest.approx(0.1072, abs=5e-5)
    assert repeatability(study, "IC").within_sd.value ** 2 == pytest.approx(0.1379, abs=5e-5)


def test_one_way_intraclass_correlation_is_that_of_the_table():
    study = peak_flow()
    found = intraclass_correlations(study.of_method("large").value.reshape(2, 17).T)
    large = repeatability(study, "large", n_bootstrap=0)
    for name, other in (("reading", "ICC(1)"), ("sitting_mean", "ICC(k)")):
        ours, theirs = large.icc[name], found[other]
        np.testing.assert_allclose(
            [ours.value, ours.low, ours.high], [theirs.value, theirs.low, theirs.high], rtol=1e-9
        )


def test_one_subject_who_spreads_more_widens_the_intervals():
    # Subject 7 differs by 96 l/min between two readings by the mini meter, five times the SD.
    study = peak_flow()
    found = intraclass_correlations(study.of_method("mini").value.reshape(2, 17).T)["ICC(1)"]
    mini = repeatability(study, "mini", n_bootstrap=0)
    assert mini.icc["reading"].value == pytest.approx(found.value)
    assert mini.icc["reading"].high - mini.icc["reading"].low > 1.05 * (found.high - found.low)
    assert "differ in spread" in mini.icc["reading"].how
    assert "differ in spread" in mini.within_sd.how
    assert any("differ in their spread" in note for note in mini.notes)


def sittings(seed=0, n=40, sd=(1.2, 0.08, 0.05), operators=1, operator_sd=0.0):
    rng = np.random.default_rng(seed)
    bias = rng.normal(0, 1, operators)
    bias = operator_sd * (bias - bias.mean()) / (bias.std(ddof=1) if operators > 1 else 1.0)
    rows = []
    for s in range(n):
        eye = rng.normal(23.5, sd[0])
        for o in range(operators):
            for t in range(2):
                mean = eye + bias[o] + rng.normal(0, sd[1])
                for _ in range(5):
                    rows.append((f"S{s}", f"o{o}", f"{t}", mean + rng.normal(0, sd[2])))
    subject, operator, sitting, value = zip(*rows, strict=True)
    return Study(value=value, subject=subject, operator=operator, sitting=sitting, method="contact")


def test_sittings_and_operators_are_told_apart():
    plain = repeatability(sittings(), n_bootstrap=500)
    assert plain.within_sd.value == pytest.approx(0.05, rel=0.1)
    assert plain.components["sitting"].low < 0.08 < plain.components["sitting"].high
    total = math.hypot(0.08, 0.05)
    assert plain.reproducibility_sd.low < total < plain.reproducibility_sd.high
    found = plain.bootstrap["within_sd"]
    assert found.value == pytest.approx(plain.within_sd.value, rel=1e-12)
    assert (found.low, found.high) == pytest.approx(
        (plain.within_sd.low, plain.within_sd.high), rel=0.1
    )
    crossed = repeatability(sittings(operators=4, operator_sd=0.1), n_bootstrap=0)
    assert crossed.components["operator"].value == pytest.approx(0.1, rel=0.35)
    assert crossed.components["sitting"].value == pytest.approx(0.08, rel=0.2)
    assert "ICC(A,1)" in crossed.icc
    assert any("4 operators" in note for note in crossed.notes)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("operators", [1, 2])
def test_reproducibility_is_never_below_repeatability(seed, operators):
    """A negative part between sittings or operators counts as nil (ISO 5725-2, from memory)."""
    rng = np.random.default_rng(seed)
    n = 10 * operators * 3 * 3
    part = [np.arange(n) // k for k in (9 * operators, 9, 3)]
    study = Study(
        value=23.5 + part[0] % 10 * 0.3 + rng.normal(0, 0.05, n),
        subject=[f"S{k}" for k in part[0]],
        operator=[f"o{k % operators}" for k in part[1]],
        sitting=[f"{k}" for k in part[2]],
        method="contact",
    )
    found = repeatability(study, n_bootstrap=0)
    for end in ("value", "low", "high"):
        assert getattr(found.reproducibility_sd, end) >= getattr(found.within_sd, end)


def test_crossed_operators_with_an_empty_cell_are_still_analysed():
    study = sittings(operators=3, operator_sd=0.1)
    gone = study.subject.where("S0") & study.operator.where("o0")
    result = repeatability(study.select(~gone), n_bootstrap=0)
    assert result.components["operator"].value > 0.03
    assert "ICC(A,1)" not in result.icc
    assert any("not every operator" in note for note in result.notes)


def chi_square_ends(values):
    """Ends of a pooled SD by chi-square, for subjects (rows) that differ in their spread.

    Satterthwaite 1946: 2 M² / var(M) degrees of freedom, M the mean of the subjects' variances.
    """
    chi2, squares = scipy.stats.chi2, values.var(axis=1, ddof=1)
    df = 2.0 * squares.mean() ** 2 * squares.size / squares.var(ddof=1)
    return [math.sqrt(squares.mean() * df / chi2.ppf(p, df)) for p in (0.975, 0.025)]


def test_heavy_tails_change_the_interval_of_the_repeatability_by_the_rule():
    rng = np.random.default_rng(8)
    subject = np.repeat([f"S{k}" for k in range(30)], 4).tolist()
    length = np.repeat(rng.normal(23.5, 1.2, 30), 4)
    normal = Study(value=length + rng.normal(0, 0.1, 120), subject=subject, method="m")
    heavy = Study(value=length + 0.1 * rng.standard_t(3, 120), subject=subject, method="m")
    plain, robust = repeatability(normal), repeatability(heavy)

    def ends(estimate):
        return estimate.low, estimate.high

    def student(study):
        n = study.value.size
        return ends(student_pooled_sd(study.value, np.arange(n) // 4, 0.95))

    def outer(found, *intervals):
        lows, highs = zip(*intervals, strict=True)
        assert found.wider.value == found.within_sd.value
        assert found.wider.low == pytest.approx(min(lows), rel=1e-9)
        assert found.wider.high == pytest.approx(max(highs), rel=1e-9)

    # Nothing noticed: the normal interval leads; with the one for Student's t it stands beside.
    assert plain.within_sd.how == "chi-square"
    assert not plain.notes
    outer(plain, ends(plain.within_sd), student(normal))
    assert plain.wider.how == f"outer ends of chi-square; {STUDENT}"
    assert repeatability(normal, intervals="wider").within_sd == plain.wider
    # Tails noticed: resampling besides, by the bootstrap of thirty subjects.
    assert robust.within_sd == robust.wider
    assert any("tails" in note or "differ in their spread" in note for note in robust.notes)
    chi = chi_square_ends(heavy.value.reshape(30, 4))
    outer(robust, chi, student(heavy), ends(robust.bootstrap["within_sd"]))
    assert robust.wider.how.endswith(f"; {STUDENT}; studentised bootstrap by subject")
    # The same of ten subjects, by the jackknife.
    shown = heavy.select(np.arange(120) < 40)
    shown.value[5] += 1.0
    few, squares = repeatability(shown), shown.value.reshape(10, 4).var(axis=1, ddof=1)
    without = np.log((squares.sum() - squares) / 9.0) / 2.0
    half = scipy.stats.t.ppf(0.975, 9) * math.sqrt(0.9 * np.sum((without - without.mean()) ** 2))
    left_out = [few.within_sd.value * math.exp(sign * half) for sign in (-1.0, 1.0)]
    assert not few.bootstrap
    assert few.within_sd == few.wider
    outer(few, chi_square_ends(shown.value.reshape(10, 4)), student(shown), left_out)
    assert few.wider.how.endswith(f"; {STUDENT}; jackknife by subject")
    # Ten and seven subjects, nothing noticed: no resampling, as with many.
    for n in (40, 28):
        quiet = heavy.select(np.arange(120) < n)
        fewer = repeatability(quiet)
        assert not fewer.bootstrap
        assert fewer.within_sd.how == "chi-square"
        assert fewer.wider.how == f"outer ends of chi-square; {STUDENT}"
        outer(fewer, ends(fewer.within_sd), student(quiet))


def test_a_spread_that_grows_with_length_is_seen():
    rng = np.random.default_rng(8)
    level = np.repeat(rng.uniform(21, 28, 80), 5)
    steady = level + rng.normal(0, 0.05, 400)
    growing = level + rng.normal(0, 1, 400) * 0.02 * (level - 20)
    subject = np.repeat([f"S{k}" for k in range(80)], 5).tolist()
    found = [repeatability(Study(value=v, subject=subject, method="m")) for v in (steady, growing)]
    assert found[0].trend.p > 0.05
    assert found[1].trend.p < 1e-6
    assert found[1].trend.slope.low < 0.02 < found[1].trend.slope.high


def two_methods(ratio, seed=0, n=30, shared=0.0, both_eyes=False):
    rng = np.random.default_rng(seed)
    studies = []
    eyes = 2 if both_eyes else 1
    length = np.repeat(rng.normal(23.5, 1.2, n * eyes), 4)
    difficulty = np.repeat(np.exp(rng.normal(0, shared, n)), 4 * eyes)
    for method, sd in (("contact", 0.05 * ratio), ("immersion", 0.05)):
        studies.append(
            Study(
                value=length + difficulty * sd * rng.normal(size=length.size),
                subject=np.repeat([f"S{k}" for k in range(n)], 4 * eyes).tolist(),
                eye=(["right"] * 4 + ["left"] * 4) * n if both_eyes else "right",
                method=method,
            )
        )
    return studies


def test_ratio_of_spreads():
    different = spread_ratio(*two_methods(3.0))
    assert different.ratio.low < 3.0 < different.ratio.high
    assert different.p < 1e-6
    assert different.ratio.value == pytest.approx(different.ratio_f.value)
    same = spread_ratio(*two_methods(1.0, seed=3))
    assert same.p > 0.05
    assert same.ratio.low < 1.0 < same.ratio.high


def test_f_interval_of_a_ratio_agrees_with_scipy():
    from scipy import stats

    a, b = two_methods(2.0, n=12)
    result = spread_ratio(a, b, n_bootstrap=0)
    va, vb = (np.mean([s.value[k : k + 4].var(ddof=1) for k in range(0, 48, 4)]) for s in (a, b))
    f = va / vb
    assert result.p_f == pytest.approx(2 * min(stats.f.sf(f, 36, 36), stats.f.cdf(f, 36, 36)))
    assert result.ratio_f.low == pytest.approx(math.sqrt(f / stats.f.ppf(0.975, 36, 36)))


@pytest.mark.parametrize("confidence", [0.2, 1.0, math.nan])
def test_confidence_must_make_sense(confidence):
    with pytest.raises(ParameterError, match="confidence"):
        repeatability(peak_flow(), "mini", confidence=confidence)


def test_bad_input_is_refused():
    with pytest.raises(ParameterError, match="say which method"):
        repeatability(peak_flow())
    with pytest.raises(ParameterError, match="no readings by method 'other'"):
        repeatability(peak_flow(), "other")
    with pytest.raises(ParameterError, match="row 2, column 1 is missing"):
        intraclass_correlations([[1.0, 2.0], [np.nan, 1.0]])
    with pytest.raises(ParameterError, match="shape"):
        intraclass_correlations([[1.0, 2.0]])
    with pytest.raises(ParameterError, match="identical"):
        intraclass_correlations(np.ones((3, 3)))
    a, b = two_methods(1.0)
    with pytest.raises(ParameterError, match="spreads cannot be compared"):
        spread_ratio(a, b.select(np.arange(120) % 4 == 0))


def test_subjects_without_repeats_change_nothing_that_rests_on_repeats():
    rng = np.random.default_rng(8)
    length = np.linspace(21.0, 27.0, 24)
    subject = np.repeat(np.arange(24), 3)
    value = length[subject] + 0.01 * (length[subject] - 18.0) * rng.standard_t(3, size=subject.size)
    codes = [f"S{2 * k:02d}" for k in subject]
    alone = repeatability(Study(value=value, subject=codes, method="m"))
    # Four more, among and behind the others, read once each.
    value, codes = [*value, *rng.normal(24.0, 1.0, 4)], [*codes, "S01", "S11", "S25", "S99"]
    more = repeatability(Study(value=value, subject=codes, method="m"))
    assert more.n_subjects == 28
    for name in ("value", "low", "high"):
        for one, other in (
            (alone.trend.slope, more.trend.slope),
            (alone.within_sd, more.within_sd),
            (alone.bootstrap["within_sd"], more.bootstrap["within_sd"]),
        ):
            assert getattr(one, name) == pytest.approx(getattr(other, name), rel=1e-9)
