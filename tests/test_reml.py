"""Restricted likelihood against lme4, a dense likelihood of its own, and published components."""

from __future__ import annotations

import csv
import gzip
import math
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
from published import PASTES, numbers
from reml_designs import LEVELS, random_study
from scipy import optimize
from test_repeatability import sittings
from test_variance import DYESTUFF

from echotrace.agreement import reml as engine
from echotrace.agreement.reml import fit_components, reml
from echotrace.agreement.reml_likelihood import Likelihood
from echotrace.agreement.repeatability import repeatability
from echotrace.agreement.text import repeatability_paragraph
from echotrace.errors import EstimationError, ParameterError

FOLDER = Path(__file__).parent / "reml_reference"


def references():
    """Readings and factors of each study, and what lme4 made of them.

    R 4.2.2 with lme4 1.1.31; ``reml_reference/fit.R`` says how, ``make_readings.py`` of what.
    """
    rows, found = defaultdict(list), defaultdict(dict)
    with gzip.open(FOLDER / "readings.csv.gz", "rt", newline="") as file:
        for row in csv.DictReader(file):
            rows[row["study"]].append(row)
    with (FOLDER / "components.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            found[row["study"]][row["name"]] = float(row["sd"])
            found[row["study"]]["deviance"] = float(row["deviance"])
    for study, table in rows.items():
        value = np.array([float(row["value"]) for row in table])
        factors = [
            (name, np.array([int(row[name]) for row in table]))
            for name in LEVELS
            if table[0][name] != "NA"
        ]
        yield study, value, factors, found[study]


REFERENCES = list(references())


def test_references_are_of_all_kinds():
    assert len(REFERENCES) >= 30
    of = {study: [name for name, _ in factors] for study, _, factors, _ in REFERENCES}
    sds = [sd for *_, found in REFERENCES for name, sd in found.items() if name != "deviance"]
    assert sum("operator" in names for names in of.values()) >= 20
    assert sum("operator" not in names for names in of.values()) >= 8
    assert sum("eye" in names for names in of.values()) >= 8
    assert sum("eye" not in names for names in of.values()) >= 8
    assert sum(sd < 1e-5 for sd in sds) >= 10
    assert sum(1e-4 < sd < 0.01 for sd in sds) >= 5


@pytest.mark.parametrize(
    ("value", "factors", "found"),
    [case[1:] for case in REFERENCES],
    ids=[case[0] for case in REFERENCES],
)
def test_all_components_and_the_deviance_are_those_of_lme4(value, factors, found):
    fit = fit_components(value, factors)
    assert fit.deviance == pytest.approx(found["deviance"], abs=2e-5)
    assert {*fit.names} == {*found} - {"deviance"}
    # Near nil the deviance hardly knows an SD: 1e-5 mm there, 0.2 % elsewhere.
    for name, variance in zip(fit.names, fit.variance.tolist(), strict=True):
        assert math.sqrt(variance) == pytest.approx(found[name], rel=2e-3, abs=1e-5), name


def dense(value, factors, ratios):
    """Deviance, its two derivatives and the traces, from the covariance of all readings."""
    n = value.size
    groups = [(codes[:, None] == np.unique(codes)).astype(float) for _, codes in factors]
    parts = [z @ z.T for z in groups]
    covariance = np.eye(n) + sum(r * part for r, part in zip(ratios, parts, strict=True))
    inverse = np.linalg.inv(covariance)
    ones = inverse.sum(axis=1)
    p = inverse - np.outer(ones, ones) / ones.sum()
    square = value @ p @ value
    deviance = (
        np.linalg.slogdet(covariance)[1]
        + math.log(ones.sum())
        + (n - 1) * (1.0 + math.log(2.0 * math.pi * square / (n - 1)))
    )
    trace = np.array([np.trace(p @ a) for a in parts])
    information = np.array([[np.trace(p @ a @ p @ b) for b in parts] for a in parts])
    share = np.array([value @ p @ a @ p @ value for a in parts]) / square
    both = np.array([[value @ p @ a @ p @ b @ p @ value for b in parts] for a in parts]) / square
    gradient = trace - (n - 1) * share
    curvature = (n - 1) * (2.0 * both - np.outer(share, share)) - information
    return deviance, gradient, curvature, trace, information


SMALL = [case for case in REFERENCES if case[1].size <= 120]


@pytest.mark.parametrize("case", SMALL, ids=[case[0] for case in SMALL])
def test_likelihood_and_derivatives_are_those_of_the_whole_covariance(case):
    _, value, factors, _ = case
    y = (value - value.mean()) / value.std()
    data = Likelihood(y, [codes for _, codes in factors])
    rng = np.random.default_rng(y.size)
    for ratios in (rng.uniform(0, 5, len(factors)), np.zeros(len(factors))):
        at = data.evaluate(ratios)
        found = (at.deviance, at.gradient, at.curvature, at.trace, at.information)
        for mine, theirs in zip(found, dense(y, factors, ratios), strict=True):
            np.testing.assert_allclose(mine, theirs, rtol=1e-8, atol=1e-8 * np.abs(theirs).max())


@pytest.mark.parametrize("case", SMALL[:5], ids=[case[0] for case in SMALL[:5]])
def test_a_dense_search_without_derivatives_finds_nothing_better_than_lme4(case):
    _, value, factors, found = case
    scale = value.std()
    y = (value - value.mean()) / scale
    shift = 2.0 * (y.size - 1) * math.log(scale)

    def deviance(roots):
        return dense(y, factors, roots**2)[0] + shift

    start = [found[name] / found["reading"] for name, _ in factors]
    searched = [
        optimize.minimize(deviance, s, method="Nelder-Mead", options={"maxiter": 300})
        for s in (start, np.ones(len(factors)))
    ]
    assert min(result.fun for result in searched) > found["deviance"] - 1e-5
    assert deviance(np.array(start)) == pytest.approx(found["deviance"], abs=1e-4)


def test_dyestuff_and_pastes():
    # Dyestuff (Davies & Goldsmith 1972; value from memory) batch 1764, residual 2451. Pastes by
    # lme4 as quoted in statsmodels' tests: batch 1.657, residual 0.678; cask 8.434 (from memory).
    batch = np.repeat(np.arange(6), 5)
    found = reml(np.ravel(DYESTUFF).astype(float), [("batch", batch)], 0.95)
    assert [e.value for e in found.values()] == pytest.approx([1764.05, 2451.25], rel=1e-5)
    factors = [("batch", np.repeat(np.arange(10), 6)), ("cask", np.repeat(np.arange(30), 2))]
    found = reml(numbers(PASTES), factors, 0.95)
    assert [e.value for e in found.values()] == pytest.approx([1.657, 8.434, 0.678], abs=6e-4)


def test_covariance_of_a_balanced_nest_is_that_of_its_mean_squares():
    # Searle, Casella & McCulloch 1992, section 3.5 (value from memory): mean squares are
    # independent with variance 2 MS² / df, and the components are their differences.
    fit = fit_components(np.ravel(DYESTUFF).astype(float), [("batch", np.repeat(np.arange(6), 5))])
    within, between = 2451.25, 2451.25 + 5 * 1764.05
    expected = [
        [2 * between**2 / 5 / 25 + 2 * within**2 / 24 / 25, -2 * within**2 / 24 / 5],
        [-2 * within**2 / 24 / 5, 2 * within**2 / 24],
    ]
    np.testing.assert_allclose(fit.covariance, expected, rtol=1e-4)


def test_interval_is_chi_square_with_satterthwaites_freedom():
    # Chi-square table (Pearson & Hartley): 2.5 % and 97.5 % points with 24 df, 12.4012, 39.3641.
    found = reml(np.ravel(DYESTUFF).astype(float), [("batch", np.repeat(np.arange(6), 5))], 0.95)
    reading = found["reading"]
    assert reading.low == pytest.approx(24 * 2451.25 / 39.3641, rel=1e-4)
    assert reading.high == pytest.approx(24 * 2451.25 / 12.4012, rel=1e-4)
    assert reading.how == "REML, Satterthwaite"


def test_shift_unit_order_and_names_of_groups_change_nothing():
    value, factors = random_study(7)
    fit = fit_components(value, list(factors.items()))
    rng = np.random.default_rng(0)
    rows = rng.permutation(value.size)
    other = [(name, 5 * codes[rows] + 3) for name, codes in reversed(factors.items())]
    moved = fit_components(1e3 * value[rows] + 1e4, other)
    by_name = dict(zip(moved.names, moved.variance.tolist(), strict=True))
    for name, variance in zip(fit.names, fit.variance.tolist(), strict=True):
        assert by_name[name] == pytest.approx(1e6 * variance, rel=1e-5, abs=1e-6)


def test_a_huge_offset_of_an_operator_leaves_the_other_components():
    value, factors = random_study(7)
    assert "operator" in factors
    shifted = value + 500.0 * (factors["operator"] == 0)
    plain = fit_components(value, list(factors.items()))
    found = fit_components(shifted, list(factors.items()))
    for name, a, b in zip(plain.names, plain.variance, found.variance, strict=True):
        if name == "operator":
            assert b > 1e4
        else:
            assert math.sqrt(b) == pytest.approx(math.sqrt(a), rel=0.05, abs=1e-4)


@pytest.mark.parametrize("ratio", [0.0, 0.4, 3.0])
def test_expected_curvature_of_a_balanced_layout_is_that_of_its_mean_squares(ratio):
    """Two independent mean squares: Fisher's information by hand, the residual taken out."""
    groups, each = 7, 4
    slope = each / (1.0 + each * ratio)  # of the logarithm of the expected mean square of groups
    fisher = np.array(
        [
            [(groups - 1) * slope**2, (groups - 1) * slope],
            [(groups - 1) * slope, groups * each - 1.0],
        ]
    )
    value = np.random.default_rng(2).normal(size=groups * each)
    at = Likelihood(value, [np.repeat(np.arange(groups), each)]).evaluate(np.array([ratio]))
    wanted = 1.0 / np.linalg.inv(fisher)[0, 0]
    assert at.expected(value.size)[0, 0] == pytest.approx(wanted, rel=1e-10)


def test_a_component_of_nil_has_an_upper_limit_only():
    *_, study = (c for c in REFERENCES if any(c[3][name] == 0.0 for name, _ in c[2]))
    _, value, factors, truth = study
    found = reml(value, factors, 0.95)
    nil = [name for name, _ in factors if truth[name] == 0.0]
    assert nil
    for name in nil:
        assert found[name].value == pytest.approx(0.0, abs=1e-9)
        assert found[name].low == 0.0
        assert found[name].high > 0.0
        assert "upper limit only" in found[name].how


# ---------------------------------------------------------------------------------- refusals


def test_one_level_is_refused():
    with pytest.raises(ParameterError, match="operator: one level only"):
        reml(np.arange(4.0), [("operator", np.zeros(4, np.intp))], 0.95)


@pytest.mark.parametrize(
    ("value", "words"),
    [([1.0, np.nan, 2.0, 3.0], "finite"), ([2.0, 2.0, 2.0, 2.0], "all values are identical")],
)
def test_values_without_an_answer_are_refused(value, words):
    with pytest.raises(ParameterError, match=words):
        reml(np.array(value), [("subject", np.array([0, 0, 1, 1]))], 0.95)


def test_factors_that_cannot_be_told_apart_are_named():
    value, factors = random_study(7)
    alike = [*factors.items(), ("device", factors["operator"] + 4)]
    with pytest.raises(EstimationError, match=r"spreads of operator and device cannot be told"):
        reml(value, alike, 0.95)
    single = [("subject", factors["subject"]), ("scan", np.arange(value.size))]
    with pytest.raises(EstimationError, match="spreads of scan and reading cannot be told"):
        reml(value, single, 0.95)


def test_copies_of_readings_are_refused():
    subject = np.repeat(np.arange(6), 4)
    value = 23.5 + np.repeat(np.random.default_rng(0).normal(size=6), 4)
    with pytest.raises(EstimationError, match="copies of a reading"):
        reml(value, [("subject", subject)], 0.95)


def test_each_proof_can_fail():
    """A result that is no optimum is refused, whichever condition it breaks."""
    value, factors = random_study(7)
    names = tuple(factors)
    scaled = (value - value.mean()) / value.std()
    search = engine._Search(Likelihood(scaled, list(factors.values())), names)
    best = search.best()
    search.prove(best)
    k = int(np.argmax(best.t))
    moved, nil, top = best.t.copy(), best.t.copy(), best.t.copy()
    moved[k] += 0.05
    nil[k] = 0.0
    top[k] = search.top[k]
    with pytest.raises(EstimationError, match=f"another spread between {names[k]}"):
        search.prove(search.point(moved))
    with pytest.raises(EstimationError, match=f"if the spread between {names[k]} were above nil"):
        search.prove(search.point(nil))
    with pytest.raises(EstimationError, match="no spread of their own"):
        search.prove(search.point(top))
    far = best.t.copy()
    far[k] += 12.0
    with pytest.raises(EstimationError, match=f"many spreads between {names[k]}"):
        search.prove(search.point(far))


def test_a_refusal_reaches_the_reader_of_a_study(monkeypatch):
    study = sittings(operators=3, operator_sd=0.1, n=8)

    def refuse(*_):
        raise EstimationError("the best fit could not be proven: invented")

    monkeypatch.setattr("echotrace.agreement.repeatability.reml", refuse)
    result = repeatability(study, n_bootstrap=0)
    assert not result.components
    assert result.reproducibility_sd is None
    assert "reading" not in result.icc
    assert result.within_sd.value == pytest.approx(0.05, rel=0.1)
    text = repeatability_paragraph(result)
    assert "the spread between operators, the reproducibility" in text
    assert "are not given: the best fit could not be proven: invented." in text


# ------------------------------------------------------------------------ minutes, so marked slow


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "seeds"), [("crossed", 12), ("nested", 6)])
def test_no_study_is_missed_against_a_search_without_derivatives(kind, seeds):
    """COBYQA of scipy from several starts on the same studies; none may end lower."""
    for seed in range(2001, 2001 + seeds):
        value, factors = random_study(seed, kind)
        fit = fit_components(value, list(factors.items()))
        scale = value.std()
        data = Likelihood((value - value.mean()) / scale, list(factors.values()))
        shift = 2.0 * (value.size - 1) * math.log(scale)

        def deviance(logs, data=data, shift=shift):
            return data.evaluate(np.exp(logs)).deviance + shift

        lowest = min(
            optimize.minimize(
                deviance,
                np.full(len(factors), start),
                method="COBYQA",
                bounds=[(-25.0, 25.0)] * len(factors),
                options={"maxfev": 250},
            ).fun
            for start in (-3.0, 0.0, 3.0)
        )
        assert fit.deviance < lowest + 1e-3, (kind, seed)


@pytest.mark.slow
def test_intervals_of_crossed_components_hold_the_truth():
    """Nominal 95 %: Satterthwaite's interval is approximate, for few operators most of all."""
    n_draws = 400
    truth = {"subject": 1.2, "operator": 0.1, "cell": 0.05, "reading": 0.06}
    held = dict.fromkeys(truth, 0)
    rng = np.random.default_rng(77)
    shape = (15, 6, 3)
    s, o, _ = (a.ravel() for a in np.indices(shape))
    for _ in range(n_draws):
        y = (
            truth["subject"] * rng.normal(size=15)[s]
            + truth["operator"] * rng.normal(size=6)[o]
            + truth["cell"] * rng.normal(size=90)[s * 6 + o]
            + truth["reading"] * rng.normal(size=s.size)
        )
        found = reml(y, [("subject", s), ("operator", o), ("cell", s * 6 + o)], 0.95)
        for name, sd in truth.items():
            held[name] += found[name].low <= sd**2 <= found[name].high
    share = {name: count / n_draws for name, count in held.items()}
    assert all(0.92 <= value <= 0.98 for value in share.values()), share


@pytest.mark.slow
def test_no_random_study_is_refused():
    """A refusal is for what cannot be answered; these studies all can."""
    for seed in range(3001, 3101):
        value, factors = random_study(seed)
        assert np.isfinite(fit_components(value, list(factors.items())).variance).all()
