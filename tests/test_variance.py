"""Variance components against certified and published values and reference implementations."""

from __future__ import annotations

import math

import numpy as np
import pytest
from published import ATMWTAG, PASTES, SIRSTV, numbers, simon_lesage

from echotrace.agreement.nested import Nested
from echotrace.agreement.resampling import jackknife
from echotrace.agreement.variance import (
    chi_square_interval,
    effective_df,
    mean_square_interval,
)


def f_statistic(groups):
    """F, and the SD within, of groups of equal size."""
    groups = np.asarray(groups)
    n = groups.shape[1]
    nested = Nested(groups.ravel(), [("group", np.repeat(np.arange(len(groups)), n))])
    ms, df, content = nested.mean_squares()
    assert list(df) == [len(groups) - 1, len(groups) * (n - 1)]
    np.testing.assert_allclose(content, [[1.0, 1.0 / n], [0.0, 1.0]])
    return n * ms[0] / ms[1], math.sqrt(ms[1])


def digits(value, certified):
    """Correct digits: the log relative error that NIST reports."""
    error = abs(value - certified) / abs(certified)
    return 15.0 if error == 0 else min(15.0, -math.log10(error))


# NIST StRD: file, values, certified F, certified residual SD, digits that float64 data allow. The
# average-difficulty sets have lost 7 and the higher ones 13 of 16 digits to leading constants
# before any analysis starts.
@pytest.mark.parametrize(
    ("values", "f", "sd", "least"),
    [
        (numbers(SIRSTV).reshape(5, 5), 1.18046237440255, 1.04076068334656e-01, 11.0),
        (107.8600000 + numbers(ATMWTAG).reshape(2, 24) * 1e-7, 15.9467335677930,
         1.51048314446410e-05, 8.0),
        (simon_lesage(0, 21), 21.0, 0.1, 12.0),
        (simon_lesage(0, 201), 201.0, 0.1, 12.0),
        (simon_lesage(0, 2001), 2001.0, 0.1, 12.0),
        (simon_lesage(1_000_000, 21), 21.0, 0.1, 8.0),
        (simon_lesage(1_000_000, 201), 201.0, 0.1, 8.0),
        (simon_lesage(1_000_000, 2001), 2001.0, 0.1, 8.0),
        (simon_lesage(1_000_000_000_000, 21), 21.0, 0.1, 2.0),
        (simon_lesage(1_000_000_000_000, 201), 201.0, 0.1, 2.0),
        (simon_lesage(1_000_000_000_000, 2001), 2001.0, 0.1, 2.0),
    ],
    ids=["SiRstv", "AtmWtAg", *(f"SmLs0{k}" for k in range(1, 10))],
)  # fmt: skip
def test_nist_one_way(values, f, sd, least):
    found_f, found_sd = f_statistic(values)
    assert digits(found_f, f) >= least
    assert digits(found_sd, sd) >= least


def test_simon_lesage_construction_is_that_of_the_published_file():
    # First values of SmLs04 (NIST): 1000000.4, .3, .5, .3 in treatment 1; .3, .2, .4 in 2.
    table = simon_lesage(1_000_000, 21)
    assert table[0, :4].tolist() == [1000000.4, 1000000.3, 1000000.5, 1000000.3]
    assert table[1, :3].tolist() == [1000000.3, 1000000.2, 1000000.4]
    assert table.shape == (9, 21)


# Dyestuff yields (Davies & Goldsmith 1972; Box & Tiao 1973), 6 batches of 5. Value from memory;
# published components: batch 1764, residual 2451.
DYESTUFF = [
    [1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495],
    [1595, 1550, 1605, 1510, 1560], [1445, 1440, 1595, 1465, 1545],
    [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445],
]  # fmt: skip


def test_dyestuff_components():
    y = np.ravel(DYESTUFF).astype(float)
    batch = np.repeat(np.arange(6), 5)
    nested = Nested(y, [("batch", batch)])
    assert nested.estimate(nested.parts("batch"), 0.95).value == pytest.approx(1764.05, abs=0.01)
    assert nested.estimate(nested.parts("reading"), 0.95).value == pytest.approx(2451.25, abs=0.01)


def test_pastes_nested_components():
    # lme4's REML fit as quoted in statsmodels' tests: batch 1.657, residual 0.678; cask within
    # batch 8.434 (value from memory). The design is balanced, so mean squares agree with it.
    y = numbers(PASTES)
    batch, cask = np.repeat(np.arange(10), 6), np.repeat(np.arange(30), 2)
    nested = Nested(y, [("batch", batch), ("cask", cask)])
    found = [nested.estimate(nested.parts(name), 0.95).value for name in nested.names]
    np.testing.assert_allclose(found, [1.657, 8.434, 0.678], atol=6e-4)


def unbalanced(seed, n_subjects=40, crossed=False):
    rng = np.random.default_rng(seed)
    rows = []
    eye = 0
    operators = rng.normal(0, 0.5, 5)
    for s in range(n_subjects):
        subject_effect = rng.normal(0, 1.0)
        for _ in range(rng.integers(1, 3)):
            eye_effect = rng.normal(0, 0.4)
            for _ in range(rng.integers(2, 7)):
                o = int(rng.integers(0, 5))
                value = 23.5 + subject_effect + eye_effect + rng.normal(0, 0.2)
                rows.append((s, eye, o, value + (operators[o] if crossed else 0.0)))
            eye += 1
    table = np.array(rows)
    return [table[:, k].astype(np.intp) for k in range(3)] + [table[:, 3]]


def test_unweighted_means_are_unbiased_for_unbalanced_nests():
    truth = np.array([1.0, 0.16, 0.04])
    sums = np.zeros(3)
    for seed in range(150):
        subject, eye, _, y = unbalanced(1000 + seed, n_subjects=25)
        nested = Nested(y, [("subject", subject), ("eye", eye)])
        sums += [float(nested.combination(nested.parts(name))) for name in nested.names]
    np.testing.assert_allclose(sums / 150, truth, rtol=0.12)


def test_levels_that_split_nothing_are_dropped():
    y = np.random.default_rng(0).normal(size=12)
    subject = np.repeat(np.arange(4), 3)
    nested = Nested(y, [("subject", subject), ("eye", subject), ("sitting", np.arange(12))])
    assert nested.names == ("subject", "reading")


def test_sums_over_subjects_equal_an_analysis_without_them():
    subject, eye, _, y = unbalanced(5, n_subjects=12)
    nested = Nested(y, [("subject", subject), ("eye", eye)])
    keep = subject != 3
    without = Nested(y[keep], [("subject", subject[keep]), ("eye", eye[keep])])
    left = nested.sums.sum(axis=0) - nested.sums[3]
    for parts in (nested.parts("subject"), nested.parts("eye"), np.ones(3)):
        assert float(nested.combination(parts, left)) == pytest.approx(
            float(without.combination(parts)), rel=1e-9
        )


def test_jackknife_of_a_mean_is_the_textbook_standard_error():
    x = np.random.default_rng(1).normal(size=25)
    value, error, df = jackknife(lambda s: s[..., 1] / s[..., 0], np.stack([np.ones(25), x], 1))
    assert value == pytest.approx(x.mean())
    assert error == pytest.approx(x.std(ddof=1) / 5.0)
    assert df == 24


def test_interval_of_one_mean_square_is_the_chi_square_interval():
    # Chi-square table (Pearson & Hartley): 2.5 % and 97.5 % points with 10 df, 3.24697, 20.4832.
    low, high = mean_square_interval(np.ones(1), np.ones(1), np.array([10.0]), 0.95)
    assert low == pytest.approx(10 / 20.4832, rel=1e-5)
    assert high == pytest.approx(10 / 3.24697, rel=1e-5)
    # The same points for a variance of 2.5, and of the same table with 5 df: 0.831211, 12.8325.
    assert chi_square_interval(2.5, 10, 0.95) == pytest.approx(
        (25 / 20.4832, 25 / 3.24697), rel=1e-5
    )
    assert chi_square_interval(2.5, 5, 0.95) == pytest.approx(
        (12.5 / 12.8325, 12.5 / 0.831211), rel=1e-5
    )


@pytest.mark.parametrize("df", [(9.0, 30.0), (30.0, 4.0), (3.0, 3.0)])
@pytest.mark.parametrize("weights", [(1.0, -1.0), (0.2, -0.5)])
def test_interval_of_a_difference_ends_at_nil_where_the_f_test_begins_to_reject(df, weights):
    # What Ting, Burdick, Graybill, Jeyaratnam & Lu 1990, J Stat Comput Simul 35:135, chose their
    # cross terms for: two mean squares whose ratio is the F test's critical value.
    from scipy import stats

    w, nu = np.array(weights), np.array(df)
    for tail, which in ((0.975, 0), (0.025, 1)):
        critical = stats.f.ppf(tail, *df)
        ms = np.array([critical / w[0], 1.0 / -w[1]])
        limits = mean_square_interval(w, ms, nu, 0.95)
        assert limits[which] == pytest.approx(0.0, abs=1e-9 * critical)
        assert limits[0] < limits[1]
        further = mean_square_interval(w, ms * [1.1 if which == 0 else 0.9, 1.0], nu, 0.95)
        assert (further[0] > 0.0) if which == 0 else (further[1] < 0.0)


def test_degrees_of_freedom_are_satterthwaites_from_five_groups_on():
    squares, df = np.array([1.0, 9.0, 1.0, 1.0, 40.0]), np.full(5, 4.0)
    # Satterthwaite 1946 (Biometrics Bulletin 2:110; value from memory): 2 S² / var S.
    wanted = 2.0 * squares.sum() ** 2 / (5 * squares.var(ddof=1))
    assert effective_df(squares, df) == pytest.approx(wanted, rel=1e-12)
    # A group without repeats is none, and four groups tell no spread of theirs.
    more = effective_df(np.append(squares, 0.0), np.append(df, 0.0))
    assert more == pytest.approx(wanted, rel=1e-12)
    assert effective_df(squares[1:], df[1:]) == 16.0


def test_without_spread_within_groups_all_of_it_lies_between_them():
    nested = Nested(np.repeat([-2.0, 0.0, 2.0], 4), [("subject", np.repeat(np.arange(3), 4))])
    found = nested.ratio(nested.parts("subject"), 1.0 - nested.parts("subject"), 0.95)
    assert (found.value, found.low, found.high) == (1.0, 1.0, 1.0)
    assert found.how == "no spread within groups"


def test_groups_count_as_fewer_only_beyond_two_standard_errors():
    """The ratio of ten sums with four degrees each scatters by sqrt((2 + 12 / 4) / 10) = 0.71."""
    df = np.full(10, 4.0)
    shape = np.array([1.0, -1.0] * 5)
    for ratio, fewer in ((2.40, False), (2.43, True), (3.5, True)):
        # Sums 4 ± d about the mean: ratio = d² 10 / 9 / (2 · 4).
        squares = 4.0 + shape * math.sqrt(ratio * 8.0 * 0.9)
        found = effective_df(squares, df)
        assert found == pytest.approx(40.0 / ratio if fewer else 40.0)
