"""Exercises: seeded, sealed, scored as signal detection theory scores."""

from __future__ import annotations

import re

import numpy as np
import pytest

from echotrace.cli import main
from echotrace.errors import EchotraceError, ParameterError
from echotrace.teaching.detection import cohen_kappa, detection, rate
from echotrace.teaching.exercise import CAUSES, make_exercise, read_levels
from echotrace.teaching.exercise_page import (
    exercise_files,
    exercise_page,
    key_figures,
    sheet_figures,
    write_exercise,
)
from echotrace.teaching.results import course_figure, read_results, score_answers


@pytest.fixture(scope="module")
def exercise():
    return make_exercise(10, 7, "trained")


@pytest.fixture(scope="module")
def key(exercise, tmp_path_factory):
    return write_exercise(exercise, tmp_path_factory.mktemp("key"))[3]


# --- published values ----------------------------------------------------------------------------


def test_d_prime_and_criterion_against_published_values():
    # Manual of statpsych 1.7 (R), function `signal`, example signal(82, 46, 100, 100): hit rate
    # 0.8168317, false alarms 0.460396, d' 1.002793, bias -0.4019603 (counts plus a half).
    found = detection(82, 18, 46, 54)
    assert found.d_prime.value == pytest.approx(1.002793, abs=5e-7)
    assert found.criterion.value == pytest.approx(-0.4019603, abs=5e-8)
    assert found.hit_rate.value == 0.82
    # W. Schneider, Short Notes on Theory of Signal Detection, worked table: (0.7, 0.1) gives 1.806,
    # (0.85, 0.05) 2.681, (0.5, 0.4) 0.253; ten million trials make the added half vanish.
    for hits, alarms, d_prime in ((0.7, 0.1, 1.806), (0.85, 0.05, 2.681), (0.5, 0.4, 0.253)):
        n = 10_000_000
        many = detection(round(hits * n), n - round(hits * n), round(alarms * n),
                         n - round(alarms * n))  # fmt: skip
        assert many.d_prime.value == pytest.approx(d_prime, abs=6e-4)


# Two rates and two parameters: the fit is exact, as it should be, and statsmodels warns of that.
@pytest.mark.filterwarnings("ignore:Perfect separation")
def test_intervals_of_d_prime_against_a_probit_regression():
    """In a probit model of the answers the slope is d' and its standard error that of d'."""
    api = pytest.importorskip("statsmodels.api")
    hits, misses, alarms, right = 17.5, 3.5, 6.5, 14.5
    # Each row twice with half its counts: the same likelihood, and degrees of freedom left over.
    counts = np.array([[hits, misses], [hits, misses], [alarms, right], [alarms, right]]) / 2
    design = np.array([[1.0, 1.0], [1.0, 1.0], [1.0, 0.0], [1.0, 0.0]])
    family = api.families.Binomial(link=api.families.links.Probit())
    fit = api.GLM(counts, design, family=family).fit()
    found = detection(17, 3, 6, 14)
    assert found.d_prime.value == pytest.approx(fit.params[1], abs=1e-6)
    np.testing.assert_allclose(
        (found.d_prime.low, found.d_prime.high), fit.conf_int()[1], atol=1e-5
    )
    # c = -(z(H) + z(F)) / 2: minus the intercept less half the slope.
    weights = np.array([-1.0, -0.5])
    half = 1.959964 * np.sqrt(weights @ fit.cov_params() @ weights)
    assert found.criterion.value == pytest.approx(weights @ fit.params, abs=1e-6)
    assert found.criterion.high - found.criterion.value == pytest.approx(half, abs=1e-5)


def test_kappa_against_published_values():
    # Manual of statpsych (R), function `ci.kappa`, example ci.kappa(.05, 31, 12, 4, 58): Cohen's
    # kappa 0.6756757, standard error 0.07344761, 0.5317210 to 0.8196303.
    found = cohen_kappa(31, 12, 4, 58)
    np.testing.assert_allclose(
        (found.value, found.low, found.high), (0.6756757, 0.5317210, 0.8196303), atol=5e-8
    )
    assert np.isnan(cohen_kappa(5, 0, 0, 0).value)
    assert cohen_kappa(5, 0, 0, 5).value == 1.0


def test_rates_against_published_values():
    # Newcombe 1998, Stat Med 17:857, 81 of 263: 0.2553 to 0.3662 (value from memory).
    found = rate(81, 263)
    np.testing.assert_allclose((found.low, found.high), (0.2553, 0.3662), atol=5e-5)
    for bad in ((-1, 3), (4, 3), (True, 3)):
        with pytest.raises(ParameterError):
            rate(*bad)


def test_a_faultless_learner_and_one_without_good_traces():
    perfect = detection(10, 0, 0, 10)
    assert np.isfinite([perfect.d_prime.low, perfect.d_prime.high]).all()
    assert perfect.criterion.value == pytest.approx(0.0, abs=1e-12)
    assert np.isnan(detection(5, 2, 0, 0).d_prime.value)


# --- what is made --------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_traces_and_another_others(exercise):
    again, other = make_exercise(10, 7, "trained"), make_exercise(10, 8, "trained")
    for a, b in zip(exercise.cases, again.cases, strict=True):
        assert a.cause == b.cause
        assert np.array_equal(a.judged.recording.samples, b.judged.recording.samples)
    assert [c.cause for c in exercise.cases] != [c.cause for c in other.cases]


def test_what_is_called_good_is_aligned_and_what_is_spoilt_is_not(exercise):
    assert sum(case.cause == "" for case in exercise.cases) == 5
    for case in exercise.cases:
        truth = {k: float(v[0]) for k, v in case.judged.recording.truth.columns.items()}
        assert case.retina_us == case.judged.true_us["retina"]
        if case.cause in ("", "gel", "gain_too_high"):
            assert truth["tilt_deg"] < 2.5
            assert truth["decentration_mm"] < 0.5
        if case.cause == "":
            assert truth["couplant_mm"] == 0.0
            assert abs(case.judged.error_mm) < 0.15
        if case.cause in ("tilt", "optic_nerve"):
            assert truth["tilt_deg"] > 2.5
        if case.cause == "decentred":
            assert truth["decentration_mm"] > 0.5


def test_nothing_that_is_seen_gives_an_answer_away(exercise, tmp_path):
    page = exercise_page(exercise)
    seen = re.sub(r"<script.*?</script>|<style.*?</style>", "", page, flags=re.S)
    # The list of causes is the same whatever the exercise holds.
    listed = re.findall(r'<option value="(\w+)">', seen)
    assert listed == list(CAUSES)
    assert re.sub(r"<select.*?</select>", "", seen, flags=re.S).count("tilted") == 0
    pack = page.split('id="pack">')[1].split("</script>")[0]
    for cause in CAUSES:
        assert cause not in pack
    names = [path.name for path in exercise_files(exercise.name, tmp_path)]
    assert not [name for name in names for cause in CAUSES if cause in name]
    for figure in sheet_figures(exercise):
        words = " ".join(text.get_text() for text in figure.texts)
        for case in exercise.cases:
            assert f"{case.retina_us:.2f}" not in words
    key = " ".join(t.get_text() for figure in key_figures(exercise) for t in figure.texts)
    for case in exercise.cases:
        assert f"{case.retina_us:.2f}" in key


def _answers(exercise, learner, date, wrong=()):
    lines = ["learner,date,exercise,case,answer,cause,retina_us"]
    for case in exercise.cases:
        spoilt = (case.cause != "") != (case.number in wrong)
        at = case.retina_us + 0.2
        lines.append(
            f"{learner},{date},{exercise.name},{case.number},"
            f"{'reject' if spoilt else 'accept'},,{at:.4f}"
        )
    return "\n".join(lines) + "\n"


def test_scores_and_course(exercise, key, tmp_path, capsys):
    spoilt = [case for case in exercise.cases if case.cause]
    good = [case for case in exercise.cases if not case.cause]
    one, two = tmp_path / "one.csv", tmp_path / "two.csv"
    one.write_text(_answers(exercise, "T07", "2026-03-02", (spoilt[0].number, good[0].number)))
    two.write_text(_answers(exercise, "T07", "2026-03-09"))
    other = tmp_path / "other.csv"
    other.write_text(_answers(exercise, "B2", "2026-03-09", [case.number for case in spoilt]))
    results = tmp_path / "results.csv"
    words = ["teach", "score", str(one), str(two), str(other), "--key", str(key)]
    assert main([*words, "-o", str(results)]) == 0
    assert "T07" in capsys.readouterr().out
    found = {(r.learner, r.date): r for r in read_results([results])}
    assert len(found) == 3
    first = found["T07", "2026-03-02"]
    expected = detection(4, 1, 1, 4)
    assert first.detection == expected
    assert first.missed == {spoilt[0].cause: 1}
    # 0.2 µs two-way at 1532 m/s: 0.153 mm too deep (arithmetic).
    assert first.pick_error_mm == pytest.approx(0.2 * 1.532 / 2, abs=1e-4)
    assert found["T07", "2026-03-09"].kappa.value == 1.0
    assert found["B2", "2026-03-09"].detection.hit_rate.value == 0.0
    assert [r for r in score_answers([one, two, other], key)] == list(
        sorted(found.values(), key=lambda r: (r.learner, r.date))
    )
    figure = course_figure(list(found.values()))
    assert {t.get_text() for t in figure.axes[0].get_legend().get_texts()} == {
        "B2", "T07", "class (mean)",
    }  # fmt: skip
    assert main(["teach", "results", str(results), "-o", str(tmp_path / "course.png")]) == 0
    assert (tmp_path / "course.png").read_bytes()[:4] == b"\x89PNG"


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("T07", "Anna"), "never a name"),
        (("T07", "Anna Bell 1"), "never a name"),
        (("2026-03-02", "2.3.2026"), "2026-03-31"),
        (("accept", "perhaps"), "accept or reject"),
        (("trained-10-7,1,", "trained-10-7,99,"), "is not in"),
        (("trained-10-7,1,", "trained-10-7,2,"), "twice"),
        (("trained-10-7,1,", "trained-10-7,1.5,"), "whole number"),
        (("answer,cause", "says,cause"), "no column answer"),
    ],
)
def test_answers_that_are_none_are_told_in_one_line(exercise, key, tmp_path, capsys, change, told):
    path = tmp_path / "answers.csv"
    path.write_text(_answers(exercise, "T07", "2026-03-02").replace(*change, 1))
    assert main(["teach", "score", str(path), "--key", str(key)]) == 2
    err = capsys.readouterr().err
    assert told in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "no level"),
        ("[a]\n", "no causes"),
        ("[a.causes]\nsneeze = []\n", "sneeze"),
        ("[a.causes]\ntilt = [1.0, 2.0]\n", "tilt"),
        ("[a.causes]\ntilt = [6.0, 5.0]\n", "the first must be the smaller"),
        ("[a]\ngood = 2\n[a.causes]\nlid = []\n", "good"),
    ],
)
def test_recipes_that_are_wrong_are_told(tmp_path, text, told):
    path = tmp_path / "levels.toml"
    path.write_text(text)
    with pytest.raises(EchotraceError, match=told):
        read_levels(path)


def test_a_level_that_is_not_there(tmp_path, capsys):
    words = ["teach", "exercise", "--level", "master", "-o", str(tmp_path / "x")]
    assert main(words) == 2
    assert "there are beginner, expert, trained" in capsys.readouterr().err
