"""Limits of agreement where several operators measured: identities, other methods, every output."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest
from agreement_coverage import CONTACT, OPERATOR_CASES, World, differences_of, limits_coverage
from scipy.stats import shapiro
from test_compare_command import write_csv

from echotrace import cli
from echotrace.agreement.compare import compare_methods
from echotrace.agreement.methods_text import methods_paragraph
from echotrace.agreement.operators import Crossing, OperatorLimits
from echotrace.agreement.study import Study
from echotrace.agreement.variance import mean_square_interval
from echotrace.errors import ParameterError
from echotrace.figures.agreement import difference_plot

KINDS = {
    "means of a sitting, same operator",
    "means of a sitting, different operators",
    "single readings, same operator",
    "single readings, different operators",
}


def table(n_subjects=12, n_operators=4, n_readings=1, seed=0, **change):
    """Values by subject, operator, method and reading, and the study of them."""
    rng = np.random.default_rng(seed)
    sd = {"common": 0.1, "own": 0.05, "rest": 0.05} | change
    shape = (n_subjects, n_operators, 2, n_readings)
    value = np.broadcast_to(rng.normal(23.5, 1.2, n_subjects)[:, None, None, None], shape).copy()
    value[:, :, 0] += -0.2 + rng.normal(0, 0.08, n_subjects)[:, None, None]
    value += sd["common"] * rng.normal(size=n_operators)[None, :, None, None]
    value += sd["own"] * rng.normal(size=(n_operators, 2))[None, :, :, None]
    value += sd["rest"] * rng.normal(size=shape)
    s, o, m, _ = np.indices(shape)
    study = Study(
        value=value.ravel(),
        subject=[f"S{k}" for k in s.ravel()],
        operator=[f"op{k}" for k in o.ravel()],
        method=[("contact", "immersion")[k] for k in m.ravel()],
        order=np.arange(value.size),
    )
    return value, study


def mean_squares(x):
    """Textbook two-way analysis without replicates: eyes, operators, rest."""
    n, k = x.shape
    rows, columns = x.mean(axis=1), x.mean(axis=0)
    rest = x - rows[:, None] - columns + x.mean()
    return (
        k * rows.var(ddof=1),
        n * columns.var(ddof=1),
        float(np.sum(rest**2)) / ((n - 1) * (k - 1)),
    )


def test_balanced_tables_give_the_textbook_analysis_of_variance():
    value, study = table()
    n, k = value.shape[:2]
    found = {item.label: item for item in compare_methods(study, n_bootstrap=0).all_limits}
    assert set(found) == {"pairs, same operator", "pairs, different operators"}
    a, b = value[:, :, 0, 0], value[:, :, 1, 0]
    ms_eye, ms_operator, rest = mean_squares(a - b)
    same = (ms_eye - rest) / k + (ms_operator - rest) / n + rest
    assert found["pairs, same operator"].sd.value == pytest.approx(math.sqrt(same), rel=1e-7)
    both = [mean_squares(x) for x in (a, b)]
    different = (ms_eye - rest) / k + sum((o - r) / n + r for _, o, r in both)
    assert found["pairs, different operators"].sd.value == pytest.approx(
        math.sqrt(different), rel=1e-7
    )


REFERENCE = Path(__file__).parent / "operator_reference"


@pytest.mark.parametrize("name", ["crossed", "gaps", "nested"])
def test_standard_deviations_agree_with_lme4(name):
    # R 4.2.2, lme4 1.1.31; operator_reference/ holds the readings, reml_reference/fit.R the fit.
    sd: dict[str, dict[str, float]] = {}
    with (REFERENCE / "components.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            sd.setdefault(row["study"], {})[row["name"]] = float(row["sd"])
    variance = {key: {k: v**2 for k, v in found.items()} for key, found in sd.items()}
    with (REFERENCE / "readings.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["study"] in (f"{name} a", f"{name} b")]
    study = Study(
        value=[float(row["value"]) for row in rows],
        subject=[row["subject"] for row in rows],
        eye=[row["eye"] for row in rows],
        operator=[row["operator"] for row in rows],
        method=["contact" if row["study"].endswith("a") else "immersion" for row in rows],
    )
    found = {item.operators: item.sd.value for item in differences_of(study).limits}
    of_difference = variance[f"{name} d"]
    same = sum(of_difference.values())
    assert found["same operator"] == pytest.approx(math.sqrt(same), rel=1e-5)
    if name == "nested":
        assert set(found) == {"same operator"}
        return
    both = sum(variance[f"{name} {x}"][part] for x in "ab" for part in ("operator", "reading"))
    different = same - of_difference["operator"] - of_difference["reading"] + both
    assert found["different operators"] == pytest.approx(math.sqrt(different), rel=1e-5)


def test_intervals_do_not_hang_on_the_fit_of_the_mixed_model(monkeypatch):
    """So the simulation of their coverage can leave it out."""
    _, study = table(n_readings=2)
    before = differences_of(study)
    monkeypatch.setattr(OperatorLimits, "_components", lambda *_: {})
    after = differences_of(study)
    assert [item.sd.value for item in before.limits] != [item.sd.value for item in after.limits]
    for one, other in zip(before.limits, after.limits, strict=True):
        for name in ("sd", "lower", "upper"):
            a, b = getattr(one, name), getattr(other, name)
            assert (a.low, a.high) == (b.low, b.high)


def test_bias_and_its_degrees_of_freedom_for_few_operators():
    value, study = table()
    n, k = value.shape[:2]
    found = differences_of(study)
    ms_eye, ms_operator, rest = mean_squares(value[:, :, 0, 0] - value[:, :, 1, 0])
    parts = ms_operator, max(ms_eye - rest, 0.0)
    assert found.bias.value == pytest.approx(np.mean(value[:, :, 0] - value[:, :, 1]), rel=1e-12)
    assert found.error == pytest.approx(math.sqrt(sum(parts) / (n * k)), rel=1e-9)
    # Hillis 2007, Statistics in Medicine 26:596, has more degrees of freedom and holds too rarely.
    df = sum(parts) ** 2 / (parts[0] ** 2 / (k - 1) + parts[1] ** 2 / (n - 1))
    assert k - 1 <= found.df < df


def test_bias_has_the_degrees_of_freedom_of_operators_or_of_subjects_where_one_decides():
    _, operators = table(n_subjects=200, own=1.0)
    assert differences_of(operators).df == pytest.approx(3.0, rel=0.05)
    rng = np.random.default_rng(9)
    shift = np.repeat(rng.normal(0, 5.0, 12), 4)
    _, plain = table(own=0.0, rest=1e-3)
    contact = np.array(list(plain.method)) == "contact"
    moved = plain.value + np.where(contact, np.repeat(shift, 2), 0.0)
    subjects = Study(value=moved, subject=list(plain.subject), method=list(plain.method),
                     operator=list(plain.operator))  # fmt: skip
    assert differences_of(subjects).df == pytest.approx(11.0, rel=0.05)


@pytest.mark.parametrize("eye_sd", [0.0, 0.3])
def test_the_pivots_of_the_bias_have_the_interval_that_is_stated_of_it(monkeypatch, eye_sd):
    """Also where all that differs between eyes is the rest, which is then taken off."""
    drawn = []
    draw = OperatorLimits._draws

    def kept(self, extras):
        drawn.append(draw(self, extras))
        return drawn[-1]

    monkeypatch.setattr(OperatorLimits, "_draws", kept)
    n, k = 10, 4
    subject, operator = np.repeat(np.arange(n), k), np.tile(np.arange(k), n)
    for seed in (1, 2, 3):
        rng = np.random.default_rng(seed)
        off = 0.1 * rng.normal(size=n * k) + eye_sd * rng.normal(size=n)[subject]
        length = 23.0 + 0.3 * subject
        found = differences_of(
            Study(
                value=np.concatenate([length + off, length]),
                subject=[f"S{j}" for j in subject] * 2,
                operator=[f"op{j}" for j in operator] * 2,
                method=["contact"] * (n * k) + ["immersion"] * (n * k),
            )
        )
        low, high = np.quantile(drawn[-1].bias, [0.025, 0.975])
        assert high - low == pytest.approx(found.bias.high - found.bias.low, rel=0.06)


def test_interval_of_the_sd_agrees_with_the_modified_large_sample_method():
    # Another published interval for the same sum of mean squares (Graybill & Wang 1980, JASA
    # 75:869), which leans to the wide side.
    value, study = table(n_subjects=30, own=0.1)
    n, k = value.shape[:2]
    ms = np.array(mean_squares(value[:, :, 0, 0] - value[:, :, 1, 0]))
    weights = np.array([1.0 / k, 1.0 / n, 1.0 - 1.0 / k - 1.0 / n])
    df = np.array([n - 1.0, k - 1.0, (n - 1.0) * (k - 1.0)])
    low, high = np.sqrt(mean_square_interval(weights, ms, df, 0.95))
    sd = compare_methods(study, n_bootstrap=0).limits.sd
    assert sd.low == pytest.approx(low, rel=0.03)
    assert sd.high == pytest.approx(high, rel=0.03)


def test_effects_of_operators_agree_with_least_squares_where_cells_are_missing():
    sm = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(3)
    eye, operator = np.divmod(np.arange(60), 4)
    keep = rng.random(60) < 0.7
    keep[:4] = True
    eye, operator = eye[keep], operator[keep]
    y = rng.normal(size=eye.size)
    design = np.hstack([np.eye(15)[eye], np.eye(4)[operator][:, 1:]])
    fit = sm.OLS(y, design).fit()
    crossing = Crossing(eye, operator)
    effects = crossing.effects(y)
    assert crossing.connected
    np.testing.assert_allclose(effects[1:] - effects[0], fit.params[15:], rtol=1e-9)
    assert crossing.df == fit.df_resid
    assert crossing.rest(y) == pytest.approx(fit.mse_resid, rel=1e-9)
    # Mean variance of a difference of two effects is twice that of an effect about their mean.
    v = np.zeros((4, 4))
    v[1:, 1:] = fit.cov_params()[15:, 15:] / fit.mse_resid
    pairs = [v[i, i] + v[j, j] - 2 * v[i, j] for i in range(4) for j in range(i)]
    assert crossing.share == pytest.approx(np.mean(pairs) / 2.0, rel=1e-9)


def test_operators_without_a_common_eye_are_not_connected():
    assert not Crossing(np.array([0, 0, 1, 1]), np.array([0, 1, 2, 3])).connected
    assert Crossing(np.array([0, 0, 1, 1, 2, 2]), np.array([0, 1, 1, 2, 2, 3])).connected


def test_an_effect_common_to_both_methods_is_in_the_limits_of_different_operators_only():
    # 0.1 mm common to both methods: differences within an operator do not have it.
    world = World(n_subjects=200, n_operators=40, operator_a=0.1, operator_b=0.1, operator_rho=1.0)
    found = differences_of(world.draw(np.random.default_rng(4)))
    limits = {item.label: item for item in found.limits}
    assert set(limits) == KINDS
    for label, item in limits.items():
        truth = world.sd(reading="single" in label, same="same" in label)
        assert item.sd.value == pytest.approx(truth, rel=0.08), label
    for of in ("means of a sitting", "single readings"):
        same, other = (limits[f"{of}, {x}"].sd for x in ("same operator", "different operators"))
        assert other.value**2 - same.value**2 == pytest.approx(2 * 0.1**2, rel=0.4)


def test_subjects_of_their_own_tell_the_same_operator_only():
    world = World(n_operators=4, n_subjects=24, design="nested", **CONTACT)
    found = differences_of(world.draw(np.random.default_rng(5)))
    assert {item.operators for item in found.limits} == {"same operator"}
    assert found.df == 3


def test_two_operators_are_too_few():
    world = World(n_operators=2, **CONTACT)
    found = differences_of(world.draw(np.random.default_rng(6)))
    for item in found.limits:
        for estimate in (item.sd, item.lower, item.upper):
            assert math.isfinite(estimate.value)
            assert math.isnan(estimate.low)
            assert math.isnan(estimate.high)
            assert estimate.how == "too few operators to tell"
    assert any("2 operators are too few" in text for text in found.warnings)


def test_each_method_by_its_own_operator_is_said():
    _, study = table(n_operators=1)
    own = Study(
        value=study.value,
        subject=list(study.subject),
        method=list(study.method),
        operator=["x" if name == "contact" else "y" for name in study.method],
    )
    result = compare_methods(own, n_bootstrap=0)
    assert result.limits.operators == "the operator of each method"
    assert any("for other operators they cannot be told" in text for text in result.warnings)
    assert "each method taken by its own operator" in result.text()


def test_operators_who_exchange_the_methods_cannot_be_counted():
    _, study = table(n_operators=1, n_subjects=20)
    exchanged = [
        "xy"[(int(subject[1:]) + (method == "contact")) % 2]
        for subject, method in zip(study.subject, study.method, strict=True)
    ]
    mixed = Study(value=study.value, subject=list(study.subject), method=list(study.method),
                  operator=exchanged)  # fmt: skip
    result = compare_methods(mixed, n_bootstrap=0)
    assert result.limits.operators == "different operators"
    assert math.isnan(result.limits.lower.low)
    assert any("could be counted" in text for text in result.warnings)


def test_linked_pairs_stay_within_an_operator():
    value, study = table(n_readings=3)
    result = compare_methods(study, linked=True, n_bootstrap=0)
    d = value[:, :, 0] - value[:, :, 1]
    ms_eye, ms_operator, rest = mean_squares(d.mean(axis=2))
    n, k = d.shape[:2]
    within = float(np.mean(d.var(axis=2, ddof=1)))
    variance = (ms_eye - rest) / k + (ms_operator - rest) / n + rest + (1 - 1 / 3) * within
    assert [item.label for item in result.all_limits] == ["single readings, same operator"]
    assert result.limits.sd.value == pytest.approx(math.sqrt(variance), rel=1e-7)


def test_question_chooses_the_limits():
    _, study = table(n_readings=3)
    same, different = (
        compare_methods(study, operators=name, n_bootstrap=0) for name in ("same", "different")
    )
    assert {item.label for item in same.all_limits} == KINDS
    assert same.limits.label == "means of a sitting, same operator"
    assert different.limits.label == "means of a sitting, different operators"
    assert different.limits_reading.label == "single readings, different operators"
    assert different.limits.sd.value > 1.2 * same.limits.sd.value
    with pytest.raises(ParameterError, match="same, different"):
        compare_methods(study, operators="any")


@pytest.mark.parametrize("n_operators", [2, 3])
def test_every_output_names_the_operators(tmp_path, capsys, n_operators):
    _, study = table(n_readings=3, n_operators=n_operators)
    path = write_csv(tmp_path / "study.csv", study)
    page = tmp_path / "page.html"
    assert cli.main(["compare", str(path), "--report", str(page)]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert cli.main(["compare", str(path), "--json", "--operators", "different"]) == 0
    loaded = json.loads(capsys.readouterr().out)
    html = page.read_text(encoding="utf-8")
    assert "both taken by the same operator" in text
    assert "taken by different operators" in text
    assert loaded["limits"]["operators"] == "different operators"
    assert {f"{item['of']}, {item['operators']}" for item in loaded["all_limits"]} == KINDS
    # A row of the page for each: its SD and both limits.
    assert {kind for kind in KINDS if f'">{kind}</td>' in html} == KINDS
    shown = [item.get_text() for item in
             difference_plot(compare_methods(study, n_bootstrap=0)).texts]  # fmt: skip
    assert "limits: means of a sitting, same operator" in shown
    for output in (text, html, json.dumps(loaded)):
        assert ("too few operators to tell" in output) == (n_operators == 2)


def test_operators_who_differ_do_not_make_normal_differences_something_else():
    """Against Shapiro and Wilk's test in scipy of what is independent in each design."""
    value, study = table(30, 3, own=0.5)
    cells = value[:, :, 0, 0] - value[:, :, 1, 0]
    found = compare_methods(study, n_bootstrap=0)
    assert shapiro(cells.ravel()).pvalue < 1e-3
    # In a full table operators add the same to the mean of every subject.
    assert found.normality_p == pytest.approx(shapiro(cells.mean(axis=1)).pvalue, rel=1e-9)
    assert found.normality_p > 0.05
    assert not any("not normal" in text for text in found.warnings)
    assert "means by subject without what operators add" in methods_paragraph(found, {})[0]
    # One cell missing: effects by least squares.
    gap = study.select(np.arange(60 * 3) >= 2)
    s, o = (index.ravel()[1:] for index in np.indices((30, 3)))
    design = np.column_stack([np.eye(30)[s], np.eye(3)[o]])
    left = cells.ravel()[1:] - np.linalg.lstsq(design, cells.ravel()[1:])[0][30:][o]
    means = np.bincount(s, left) / np.bincount(s)
    assert compare_methods(gap, n_bootstrap=0).normality_p == pytest.approx(
        shapiro(means).pvalue, rel=1e-9
    )
    # Subjects of their own: from the mean of their operator.
    s, o, _, _ = np.indices(value.shape)
    own = study.select(((s % 3) == o).ravel())
    apart = np.array([cells[k, k % 3] for k in range(30)])
    apart -= np.array([apart[k::3].mean() for k in range(3)])[np.arange(30) % 3]
    assert compare_methods(own, n_bootstrap=0).normality_p == pytest.approx(
        shapiro(apart).pvalue, rel=1e-9
    )


def test_coverage_in_short():
    # Four standard errors about 0.95 with 60 studies; the slow test is sharper.
    name = "3 operators, effect common to both methods"
    held = limits_coverage(OPERATOR_CASES[name], 11, 60)
    assert len(held) == 13
    assert all(value >= 0.8375 for value in held.values()), held


@pytest.mark.slow
@pytest.mark.parametrize("name", OPERATOR_CASES)
def test_coverage(name):
    held = limits_coverage(OPERATOR_CASES[name], 3000 + list(OPERATOR_CASES).index(name), 2000)
    assert all(0.925 <= value <= 0.985 for value in held.values()), held
