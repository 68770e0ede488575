"""What is said and refused in studies, on both sides of the number where it begins.

The numbers are the project's own rules, as its pages state them (common practice, no source).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from echotrace.agreement.apart import readings_apart
from echotrace.agreement.compare import compare_methods
from echotrace.agreement.differences import analyse_differences
from echotrace.agreement.icc import intraclass_correlations
from echotrace.agreement.limits import limits_of_agreement
from echotrace.agreement.nested import Nested
from echotrace.agreement.pairing import common_eyes
from echotrace.agreement.regression import deming, passing_bablok
from echotrace.agreement.repeatability import repeatability
from echotrace.agreement.resampling import jackknife, studentised_interval, subject_draws
from echotrace.agreement.robust import normality_p
from echotrace.agreement.sample_size import (
    limits_power,
    spread_heterogeneity,
    spread_ratio_power,
    subjects_for_equivalence,
)
from echotrace.agreement.study import Study
from echotrace.errors import FileFormatError, MissingDetailError, ParameterError


def repeats(n, each=2, *, seed=1, operators=1, method="m", scatter=None):
    """Readings of some subjects, as many by each operator."""
    rng = np.random.default_rng(seed)
    subject = np.repeat(np.arange(n), each * operators)
    draw = rng.normal(size=subject.size) if scatter is None else scatter(rng, subject.size)
    return Study(
        value=23.0 + 0.3 * subject + 0.05 * draw,
        subject=[f"S{k:03d}" for k in subject],
        operator=[f"op{k}" for k in np.tile(np.repeat(np.arange(operators), each), n)],
        method=method,
    )


def pair(n, *, seed=1, off=None):
    """One reading of each subject by two methods."""
    rng = np.random.default_rng(seed)
    length = np.linspace(21.0, 27.0, n)
    off = 0.05 * rng.normal(size=n) if off is None else off
    return Study(
        value=np.concatenate([length + off, length]),
        subject=[f"S{k:03d}" for k in range(n)] * 2,
        method=["a"] * n + ["b"] * n,
    )


def said(notes, words):
    return [text for text in notes if words in text]


def test_repeatability_on_few_degrees_of_freedom_is_said_up_to_fourteen():
    for n, few in ((14, True), (15, False)):
        notes = repeatability(repeats(n)).notes
        assert said(notes, "rests on") == (
            [f"the repeatability rests on {n} degrees of freedom only"] if few else []
        )


def test_few_operators_are_said_up_to_five():
    for operators, few in ((5, True), (6, False)):
        study = repeats(6, operators=operators)
        notes = said(repeatability(study).notes, "the spread between operators rests on")
        assert len(notes) == few
        (allowed,) = said(study.design().allows, "the spread between operators")
        assert allowed.endswith("so that its interval is wide") == few


def test_tails_of_readings_are_tested_from_twenty_on():
    """Ten subjects read twice, each pair as far apart as the others: tails lighter than normal."""

    def alike(_, size):
        return np.resize([1.0, -1.0], size) * (1.0 + 1e-3 * np.arange(size))

    for n, told in ((9, False), (10, True)):
        notes = repeatability(repeats(n, scatter=alike)).notes
        assert bool(said(notes, "heavier or lighter tails")) == told


def test_normality_is_tested_of_three_to_five_thousand_values():
    assert math.isnan(normality_p(np.array([1.0, 2.0])))
    assert normality_p(np.array([1.0, 2.0, 4.0])) > 0.1
    rng = np.random.default_rng(1)
    assert normality_p(rng.normal(size=5000)) > 0.0
    assert math.isnan(normality_p(rng.normal(size=5001)))
    assert math.isnan(normality_p(np.ones(9)))


def test_a_trend_of_the_spread_needs_five_sittings_with_repeats():
    assert repeatability(repeats(4, 3)).trend is None
    assert repeatability(repeats(5, 3)).trend is not None


def test_lines_are_fitted_from_four_eyes_on():
    assert compare_methods(pair(3)).deming is None
    found = compare_methods(pair(4))
    assert found.deming is not None
    assert found.passing_bablok is not None
    with pytest.raises(ParameterError, match="at least four points"):
        passing_bablok([1.0, 2.0, 3.0], [1.0, 2.0, 3.0])
    with pytest.raises(ParameterError):
        deming([1.0, 2.0], [1.0, 2.1])
    assert deming([1.0, 2.0, 3.0], [1.0, 2.1, 2.9]).n_points == 3


def test_spreads_that_change_with_length_are_said_from_ten_eyes_on():
    for n, told in ((9, False), (10, True)):
        off = 0.01 * np.arange(1.0, n + 1.0) * np.resize([1.0, -1.0], n)
        assert bool(said(compare_methods(pair(n, off=off)).warnings, "in longer eyes")) == told


def test_one_subject_is_refused_and_two_are_not():
    with pytest.raises(ParameterError, match="one subject only"):
        compare_methods(pair(1))
    assert compare_methods(pair(2)).n_subjects == 2


@pytest.mark.parametrize("n", [1, 6, 7])
def test_eyes_left_out_are_counted_and_six_are_named(n):
    whole = pair(12)
    kept = np.ones(24, bool)
    kept[-n:] = False
    study = Study(
        value=whole.value[kept],
        subject=[whole.subject[k] for k in np.flatnonzero(kept)],
        method=[whole.method[k] for k in np.flatnonzero(kept)],
    )
    (text,) = said(compare_methods(study).warnings, "measured by one method only")
    assert text.startswith(f"{n} eye{'s' if n > 1 else ''} measured")
    assert text.endswith(f"({n} of {24 - n} readings)")
    assert text.count("S0") == min(n, 6)
    assert ("…" in text) == (n > 6)


def test_places_are_named_as_ranges_from_three_on_and_eight_at_most():
    places = pair(10).places
    assert places.names([0]) == "row 1"
    assert places.names([0, 1]) == "rows 1 and 2"
    assert places.names([0, 1, 2, 6]) == "rows 1 to 3 and 7"
    assert places.names([0, 2, 4]) == "rows 1, 3 and 5"
    assert places.names(range(8)) == "rows 1 to 8"
    assert places.names(range(9)) == "rows 1 to 8 and 1 more"


def test_resampling_needs_three_subjects_and_twenty_to_five_hundred():
    def mean(sums):
        return sums[..., 1] / sums[..., 0]

    for n, exists in ((2, False), (3, True)):
        value, error, df = jackknife(mean, np.stack([np.ones(n), np.arange(float(n))], axis=1))
        assert value == pytest.approx((n - 1) / 2.0)
        assert df == n - 1
        if exists:  # of a mean it is the textbook's, s / sqrt(n)
            assert error == pytest.approx(np.std(np.arange(n), ddof=1) / math.sqrt(n))
        else:
            assert math.isnan(error)
    for n, exists in ((19, False), (20, True), (500, True), (501, False)):
        x = np.random.default_rng(2).normal(size=n)
        sums = np.stack([np.ones(n), x], axis=1)
        low, high = studentised_interval(mean, sums, subject_draws(n, 300, 0), 0.95)
        assert math.isfinite(low) == math.isfinite(high) == exists
        if exists:
            # Near Student's interval of the same mean.
            half = 1.96 * x.std(ddof=1) / math.sqrt(n)
            assert high - low == pytest.approx(2.0 * half, rel=0.35)


def test_skewed_differences_are_cautioned_where_the_bootstrap_leads():
    """From 20 subjects on the intervals are by the bootstrap, below by the jackknife."""
    for n, told in ((19, False), (20, True)):
        off = 0.05 * np.exp(1.5 * np.random.default_rng(4).normal(size=n))
        warnings = said(compare_methods(pair(n, off=off)).warnings, "heavy tails")
        assert warnings
        assert bool(said(warnings, "with skewed differences they hold")) == told


def test_quantile_limits_begin_where_the_smallest_difference_can_bound_them():
    """(1 - 0.025)^n falls to 0.025: from n = 146 on an order statistic bounds the 2.5 % point."""
    assert 0.975**146 <= 0.025 < 0.975**145
    for n, exists in ((145, False), (146, True)):
        a, b, eyes, _ = common_eyes(pair(n).of_method("a"), pair(n).of_method("b"))
        found = analyse_differences(a, b, eyes, np.arange(n)).quantiles
        assert found is not None
        assert math.isfinite(found.lower.low) == exists
        assert math.isfinite(found.upper.high) == exists
        if not exists:
            assert found.lower.how == "too few subjects: 146 are needed"


def test_plans_are_refused_at_their_edges():
    assert 0.0 < spread_ratio_power(1.5, 3, 2) < 1.0
    assert 0.0 < spread_ratio_power(1.5, 20, 2, heterogeneity=2.0, shared=-1.0) < 1.0
    for change in ({"n_eyes": 2}, {"n_readings": 1}, {"ratio": 0.0}, {"alpha": 1.0}, {"alpha": 0.0},
                   {"heterogeneity": 2.01}, {"shared": 1.01}, {"shared": -1.01}):  # fmt: skip
        with pytest.raises(ParameterError):
            spread_ratio_power(**({"ratio": 1.5, "n_eyes": 20, "n_readings": 5} | change))
    for power in (0.0, 1.0):
        with pytest.raises(ParameterError, match="power="):
            subjects_for_equivalence(0.2, 0.1, power=power)
    for change in (
        {"sd": 0.0},
        {"n_subjects": 1},
        {"confidence": 1.0},
        {"confidence": 0.49},
        {"margin": 0.0},
    ):
        with pytest.raises(ParameterError):
            limits_power(**({"margin": 0.3, "sd": 0.1, "n_subjects": 20} | change))
    assert 0.0 <= limits_power(0.3, 0.1, 2) < 1.0
    a, b = repeats(4, 3), repeats(4, 3, seed=2)
    with pytest.raises(ParameterError, match="4 subjects have replicates by both methods"):
        spread_heterogeneity(a, b)
    assert len(spread_heterogeneity(repeats(5, 3), repeats(5, 3, seed=2))[0]) == 2


def test_limits_of_single_readings_with_sittings_add_what_the_means_hide():
    """Balanced: variance of the means, and what of sittings and readings they average away.

    By the expected mean squares of a nested design (any textbook of analysis of variance).
    """
    rng = np.random.default_rng(12)
    n, s, m = 14, 3, 2
    eye = np.repeat(rng.normal(23.5, 1.0, n), s * m)
    columns = {
        "subject": [f"S{k:02d}" for k in np.repeat(np.arange(n), s * m)] * 2,
        "sitting": [str(k) for k in np.tile(np.repeat(np.arange(s), m), n)] * 2,
        "method": ["a"] * (n * s * m) + ["b"] * (n * s * m),
    }
    tables, values = [], []
    for sitting_sd, reading_sd in ((0.08, 0.05), (0.03, 0.02)):
        value = (
            eye
            + np.repeat(sitting_sd * rng.normal(size=n * s), m)
            + reading_sd * rng.normal(size=n * s * m)
        )
        values.append(value)
        tables.append(value.reshape(n, s, m))
    hidden, hidden_mean = 0.0, 0.0
    for table in tables:
        of_reading = table.var(axis=2, ddof=1).mean()
        of_sitting = (m * table.mean(axis=2).var(axis=1, ddof=1).mean() - of_reading) / m
        hidden += (1.0 - 1.0 / s) * of_sitting + (1.0 - 1.0 / (s * m)) * of_reading
        hidden_mean += (1.0 - 1.0 / s) * of_sitting + (1.0 / m - 1.0 / (s * m)) * of_reading
    means = (tables[0].mean(axis=(1, 2)) - tables[1].mean(axis=(1, 2))).var(ddof=1)
    study = Study(value=np.concatenate(values), **columns)
    found = {item.of: item.sd.value for item in compare_methods(study).all_limits}
    assert found["single readings"] == pytest.approx(math.sqrt(means + hidden), rel=1e-9)
    assert found["means of a sitting"] == pytest.approx(math.sqrt(means + hidden_mean), rel=1e-9)
    assert "the spread between sittings" in study.design().allows


def test_readings_without_a_partner_are_left_out_and_counted():
    value = [23.0, 23.4, 23.1, 24.1, 24.2, 24.0, 22.0, 22.3, 22.1, 25.0, 25.2]
    study = Study(
        value=value,
        subject=list("aaabbbcccdd"),
        method=["m", "n", "m", "m", "n", "m", "m", "n", "m", "m", "n"],
    )
    found = compare_methods(study, linked=True)
    assert "3 readings without a partner were left out of the pairs" in found.warnings
    assert found.bias.value == pytest.approx(np.mean([-0.4, -0.1, -0.3, -0.2]))


def crossed(cells):
    """Two readings by each method for each (subject, operator of a, operator of b)."""
    rng = np.random.default_rng(7)
    rows = []
    for subject, *by in cells:
        for method, operator in zip("ab", by, strict=True):
            if operator:
                rows += [(f"S{subject:02d}", method, operator)] * 2
    subject, method, operator = zip(*rows, strict=True)
    value = 23.0 + 0.1 * np.array([int(name[1:]) for name in subject])
    value += rng.normal(0.0, 0.05, value.size)
    return Study(value=value, subject=subject, method=method, operator=operator)


def test_eyes_that_no_operator_took_by_both_methods_are_counted():
    cells = [(k, op, op) for k in range(6) for op in ("p", "q")]
    cells += [(6, "p", "q"), (7, "q", "p")]
    warnings = compare_methods(crossed(cells)).warnings
    assert said(warnings, "no operator who took both methods") == [
        "2 eyes have no operator who took both methods; limits of agreement are made without them"
    ]


def test_operators_who_never_meet_give_limits_without_intervals():
    """p and q share eyes, r and s share others: the two pairs cannot be compared."""
    cells = [(k, op, op) for k in range(4) for op in ("p", "q")]
    cells += [(k, op, op) for k in range(4, 8) for op in ("r", "s")]
    found = compare_methods(crossed(cells))
    assert said(found.warnings, "not so that all operators could be compared")
    assert math.isfinite(found.limits.lower.value)
    assert math.isnan(found.limits.lower.low)
    assert math.isnan(found.limits.upper.high)


def test_readings_without_error_correlate_fully():
    found = intraclass_correlations(np.repeat([[1.0], [2.0], [4.0], [-7.0]], 3, axis=1))
    for name in ("ICC(1)", "ICC(k)", "ICC(C,1)", "ICC(C,k)", "ICC(A,1)"):
        assert (found[name].value, found[name].low, found[name].high) == (1.0, 1.0, 1.0), name
    with pytest.raises(ParameterError, match="all values are identical"):
        intraclass_correlations(np.zeros((3, 2)))
    for table in (np.zeros((1, 3)), np.zeros((3, 1)), np.zeros(3)):
        with pytest.raises(ParameterError):
            intraclass_correlations(table)


def test_what_gives_no_limits_is_refused():
    with pytest.raises(ParameterError, match="one subject only; at least two"):
        limits_of_agreement(np.array([0.1]))
    with pytest.raises(ParameterError, match="differences are identical"):
        limits_of_agreement(np.full(5, 0.125))
    assert limits_of_agreement(np.array([0.1, 0.2]))[0].value == pytest.approx(0.15)


def test_single_readings_tell_no_share_of_the_spread():
    nested = Nested(np.array([1.0, 2.0, 4.0]), [("subject", np.arange(3))])
    assert nested.names == ("reading",) or math.isnan(
        nested.ratio(nested.parts("subject"), 1.0 - nested.parts("subject"), 0.95).value
    )
    assert repeatability(repeats(1, 5)).notes[-1] == (
        "one subject only: nothing can be said about other subjects"
    )


def test_eyes_without_a_method_are_named_in_the_design():
    whole = pair(12)
    for lost, named in ((2, ""), (8, " and 2 more")):
        rows = range(24 - lost)
        study = Study(
            value=whole.value[list(rows)],
            subject=[whole.subject[k] for k in rows],
            method=[whole.method[k] for k in rows],
        )
        text = study.design().paragraph
        assert f"{lost} eyes without one of the methods: " in text
        assert text.count("S0") == min(lost, 6)
        assert (" more." in text) == bool(named)
        assert named in text


@pytest.mark.parametrize(
    ("table", "error", "words"),
    [
        ("subject,method,length_mm,unit\na,m,23.0,cm\n", FileFormatError, "says mm, column 'unit'"),
        ("subject,method,length_mm,accepted\na,m,23.0,no\n", FileFormatError, "no row is accepted"),
        ("subject,method,length_mm\n", FileFormatError, "a header, but no readings"),
        ("subject,method\na,m\n", FileFormatError, "no column axial_length_mm"),
        ("method,length_mm\nm,23\n", FileFormatError, "no column subject;"),
        ("subject,method,value\na,m,23.0\n", MissingDetailError, "needs a column 'unit'"),
        ("subject,method,value,unit\na,m,23,mm\na,m,24,cm\n", FileFormatError, "'cm' after 'mm'"),
        ("subject,method,length_mm\n,m,23.0\n,m,23.1\n", FileFormatError, "the cell is empty"),
    ],
)  # fmt: skip
def test_tables_without_what_a_study_needs(tmp_path, table, error, words):
    path = tmp_path / "study.csv"
    path.write_text(table, encoding="utf-8")
    with pytest.raises(error, match=words):
        Study.read_csv(path)


def test_empty_cells_of_operator_and_sitting_take_their_default(tmp_path):
    path = tmp_path / "study.csv"
    path.write_text(
        "subject,method,operator,sitting,length_mm\na,m,,1,23.0\na,m,op1,1,23.1\nb,m,,,24.0\n",
        encoding="utf-8",
    )
    study = Study.read_csv(path)
    assert study.operator.labels[study.operator.codes[1]] == "op1"
    assert study.operator[0] == study.operator[2] != "op1"


def test_subjects_read_once_change_nothing_about_tails_and_readings_apart():
    """Forty of them beside readings that are normal, and beside too few to name one apart."""
    once = {"subject": [f"T{k}" for k in range(40)], "value": list(np.linspace(21.0, 27.0, 40))}

    def both(study):
        return Study(
            value=[*study.value, *once["value"]],
            subject=[*(study.subject[k] for k in range(study.n_readings)), *once["subject"]],
            method="m",
        )

    normal = repeats(20, seed=3)
    assert not said(repeatability(normal).notes, "heavier or lighter tails")
    assert not said(repeatability(both(normal)).notes, "heavier or lighter tails")

    def one_off(rng, size):
        return np.where(np.arange(size) == 0, 60.0, rng.normal(size=size))

    # A tenth of the readings at most is named: of 8 none, of 16 one.
    assert readings_apart(both(repeats(2, 4, scatter=one_off))) == []
    assert readings_apart(both(repeats(4, 4, scatter=one_off))) == [0]
