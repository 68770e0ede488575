"""The fit of the probabilities and their figures of merit, against definitions and libraries."""

import hashlib
import json

import numpy as np
import pytest
import scipy
import statsmodels.api as sm

from echotrace.errors import EstimationError, FileFormatError, ParameterError
from echotrace.fitting import calibration, score_fit
from echotrace.fitting.calibration_draws import hash_of_tables
from echotrace.fitting.kept_sittings import drawn_or_kept
from echotrace.fitting.kept_sittings import main as keep_sittings
from echotrace.fitting.roc import (
    brier_score,
    calibration_chance,
    calibration_curve,
    calibration_error,
    roc_area,
    roc_band,
    roc_curve,
)
from echotrace.fitting.score_fit import fit_model, fit_models, leave_out
from echotrace.fitting.score_report import kind_errors, probabilities, score_report
from echotrace.fitting.score_sets import (
    SHIPPED_SETS,
    DrawSet,
    ScoreSet,
    draws_hash,
    join_sets,
    judge_truth,
    make_sets,
    measured_part,
    read_sets,
    shipped_sets,
    write_sets,
)
from echotrace.quality.features import score_traces
from echotrace.quality.limits import QualityLimits
from echotrace.quality.score import shipped_models
from echotrace.quality.score_reasons import against_the_length

# --- figures of merit -----------------------------------------------------------------------


def test_roc_area_is_the_chance_of_the_right_order():
    """By counting all pairs, and scipy's Mann-Whitney U (Hanley & McNeil 1982)."""
    rng = np.random.default_rng(1)
    score = np.round(rng.normal(size=200), 1)
    positive = rng.random(200) < 1 / (1 + np.exp(-score))
    good, bad = score[positive], score[~positive]
    pairs = (good[:, None] > bad) + 0.5 * (good[:, None] == bad)
    assert roc_area(score, positive) == pytest.approx(pairs.mean(), abs=1e-12)
    u = scipy.stats.mannwhitneyu(good, bad).statistic
    assert roc_area(score, positive) == pytest.approx(u / pairs.size, abs=1e-12)
    false, true = roc_curve(score, positive)
    assert np.trapezoid(true, false) == pytest.approx(pairs.mean(), abs=1e-12)
    assert (false[0], true[0], false[-1], true[-1]) == (0.0, 0.0, 1.0, 1.0)


def test_band_of_the_roc_draws_scenarios_not_traces():
    """Copies of a trace in one scenario add nothing: the interval stays as wide."""
    rng = np.random.default_rng(1)
    score = rng.normal(size=120)
    positive = rng.random(120) < 1 / (1 + np.exp(-2 * score))
    groups = np.arange(120)
    *_, once = roc_band(score, positive, groups, seed=2)
    *_, copied = roc_band(*(np.repeat(x, 8) for x in (score, positive, groups)), seed=2)
    assert copied[1] - copied[0] == pytest.approx(once[1] - once[0], rel=0.15)
    # DeLong's or Hanley & McNeil's standard error, 1982, formula 2.
    area = roc_area(score, positive)
    n, m = positive.sum(), (~positive).sum()
    q1, q2 = area / (2 - area), 2 * area**2 / (1 + area)
    var = area * (1 - area) + (n - 1) * (q1 - area**2) + (m - 1) * (q2 - area**2)
    assert once[1] - once[0] == pytest.approx(2 * 1.96 * np.sqrt(var / (n * m)), rel=0.25)


def test_brier_score_and_calibration():
    rng = np.random.default_rng(1)
    outcome = np.array([True, False, True, True])
    score = np.array([0.9, 0.2, 0.6, 0.5])
    # Brier 1950: mean of 0.01, 0.04, 0.16, 0.25.
    assert brier_score(score, outcome) == pytest.approx(0.115)
    p = np.tile(np.arange(0.05, 1.0, 0.1), 2000)
    honest = rng.random(p.size) < p
    assert calibration_error(p, honest) < 0.01
    assert calibration_error(np.clip(p + 0.1, 0, 1), honest) == pytest.approx(0.1, abs=0.015)
    mean, share, number = calibration_curve(p, honest)
    np.testing.assert_allclose(mean, np.arange(0.05, 1.0, 0.1), atol=1e-9)
    assert number.sum() == p.size
    assert np.abs(share - mean).max() < 0.04


def test_chance_of_a_calibration_error_is_what_other_draws_show():
    """Against errors of perfect probabilities, drawn again; four scans alike a sitting."""
    rng = np.random.default_rng(4)
    groups = np.arange(800) // 4

    def draw():
        p = np.repeat(rng.random(200), 4)
        return p, np.repeat(rng.random(200) < p[::4], 4)

    seen = np.mean([calibration_error(*draw()) for _ in range(40)])
    told = np.mean([calibration_chance(*draw(), groups) for _ in range(10)])
    assert told == pytest.approx(seen, rel=0.2)


# --- the fit --------------------------------------------------------------------------------


def test_one_ramp_without_penalty_is_logistic_regression(monkeypatch):
    """Against statsmodels' Logit on the same ramp."""
    rng = np.random.default_rng(1)
    x = rng.uniform(-1.0, 2.0, 4000).astype(np.float32)
    ramp = np.clip(x, 0.0, 1.0)
    outcome = rng.random(x.size) < 1 / (1 + np.exp(1.0 - 2.5 * ramp))
    monkeypatch.setattr(score_fit, "_KNOTS", {"x": (0.0, 1.0)})
    model = fit_model({"x": x}, outcome, penalty=1e-9, directions={"x": 1})
    expected = sm.Logit(outcome, sm.add_constant(ramp)).fit(disp=0).params
    (term,) = model.terms
    assert model.intercept_nats == pytest.approx(expected[0], abs=2e-3)
    assert term.nats[-1] - term.nats[0] == pytest.approx(expected[1], abs=2e-3)


def test_the_fit_finds_monotone_terms_and_drops_what_says_nothing():
    rng = np.random.default_rng(1)
    n = 6000
    features = {name: rng.normal(size=n).astype(np.float32) for name in ("up", "down", "idle")}
    features["down"][::5] = np.nan
    down = np.where(np.isnan(features["down"]), 0.8, -np.tanh(features["down"]))
    truth = 1 / (1 + np.exp(-(1.5 * np.clip(features["up"], -1, 1) + 1.2 * down)))
    outcome = rng.random(n) < truth
    model = fit_model(features, outcome, penalty=4.0, directions={"up": 1, "down": -1, "idle": 1})
    assert np.abs(model.probability(features) - truth).mean() < 0.03
    worth = {term.feature: np.ptp(term.nats) for term in model.terms}
    assert worth["up"] > 2.0
    assert worth["down"] > 1.4
    # What chance leaves of it: other seeds gave up to 0.21.
    assert worth.get("idle", 0.0) < 0.4
    # A direction that the draws contradict is not taken.
    wrong = fit_model(features, outcome, penalty=4.0, directions={"up": -1})
    assert all(np.ptp(term.nats) < 0.05 for term in wrong.terms)
    with pytest.raises(ParameterError, match="both outcomes"):
        fit_model(features, np.ones(n, bool))


def test_a_fit_that_does_not_settle_is_refused(monkeypatch):
    rng = np.random.default_rng(3)
    x = rng.normal(size=400)
    outcome = rng.random(400) < 1 / (1 + np.exp(-x))
    minimise = scipy.optimize.minimize

    def hurried(*args, options, **given):
        return minimise(*args, options={**options, "maxiter": 1}, **given)

    monkeypatch.setattr(scipy.optimize, "minimize", hurried)
    with pytest.raises(EstimationError, match="did not settle"):
        fit_model({"x": x}, outcome, directions={"x": 1})


# --- the shipped files ----------------------------------------------------------------------


@pytest.fixture(scope="module")
def sets():
    return shipped_sets()


@pytest.fixture(scope="module")
def fitted(sets):
    return fit_models(sets["fit"])


def test_shipped_model_is_what_the_command_gives(sets, fitted):
    """The coefficients are those of the shipped draws; the draws' scenarios are those stated."""
    everything = join_sets(list(sets.values())).features
    everything = dict(everything) | {
        # Of the second probability: all that a sitting can say, in any combination.
        "length_right_nats": np.linspace(-8.0, 8.0, 14000, dtype=np.float32),
        "sitting_length_apart_mm": np.geomspace(1e-3, 3.0, 14000, dtype=np.float32)[::-1],
        "sitting_alike_share": (np.arange(14000, dtype=np.float32) % 5) / 4.0,
    }
    for name, model in shipped_models().items():
        np.testing.assert_allclose(
            model.probability(everything), fitted[name].probability(everything), atol=2e-3
        )
    provenance = shipped_models()["length_right"].provenance
    assert provenance["fit_scenarios_sha256"] == draws_hash(SHIPPED_SETS["fit"])


def test_eyes_with_oil_have_the_model_of_eyes_with_oil(sets):
    """Each scan by the model of its filling, among scans of both, and what is said against it."""
    data, models = sets["develop"], shipped_models()
    oil = data.state == "oil"
    np.testing.assert_array_equal(data.features["oil_stated"] > 0, oil)
    said = score_traces(data.features)["length_right"]
    whole = data.features["missing_count"] == 0
    for rows, name in ((oil, "length_right_oil"), (~oil, "length_right")):
        rows = np.flatnonzero(rows & whole)
        expected = models[name].probability(data.select(rows).features)
        np.testing.assert_allclose(said[rows], expected, atol=1e-6)
    row = int(np.flatnonzero(oil & whole & (said < 0.2))[0])
    one = {name: float(values[row]) for name, values in data.features.items()}
    told = against_the_length(one)
    assert told == against_the_length(one, model=models["length_right_oil"])
    assert told != against_the_length(one, model=models["length_right"])


def test_without_oil_in_the_draws_there_is_one_model_for_all(sets):
    data = sets["develop"]
    natural = fit_models(data.select(data.state != "oil"))
    assert natural["length_right_oil"] == natural["length_right"]
    # Oil of one outcome only tells nothing either.
    some = fit_models(data.select((data.state != "oil") | data.length_right))
    assert some["length_right_oil"] == some["length_right"] == natural["length_right"]


def test_hash_of_draws_is_that_of_their_text_and_blind_to_the_last_digit():
    """Processors differ in the last digit of an exponential."""
    tables = [{"b": [1.5, "x"], "a": {"c": 2, "d": 0.1}}]
    text = json.dumps(tables, sort_keys=True).encode()
    assert hash_of_tables(tables) == hashlib.sha256(text).hexdigest()
    nearly = [{"b": [np.nextafter(1.5, 2.0), "x"], "a": {"c": 2, "d": np.nextafter(0.1, 1.0)}}]
    assert hash_of_tables(nearly) == hash_of_tables(tables)
    other = [{"b": [1.5, "x"], "a": {"c": 2, "d": 0.1 + 1e-9}}]
    assert hash_of_tables(other) != hash_of_tables(tables)


def test_refit_command_writes_both_files_anew(tmp_path, sets, monkeypatch):
    few = {name: data.select(np.arange(300)) for name, data in sets.items()}
    write_sets(tmp_path / "score_draws.npz", few)
    assert calibration.main(["--refit", "--folder", str(tmp_path)]) == 0
    text = (tmp_path / "score_model.toml").read_text(encoding="utf-8")
    assert "intercept_nats" in text
    assert "no patient data" in text
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "score_draws.npz",
        "score_model.toml",
    ]


@pytest.mark.compiled
def test_whole_command_from_nothing(tmp_path, monkeypatch):
    """Draws, traces kept and found again, measuring, fit and both files, on a few sittings."""
    few = {"fit": DrawSet(3, 6, scans=3), "develop": DrawSet(4, 1, scans=2)}
    monkeypatch.setattr(calibration, "SHIPPED_SETS", few)
    folder, traces = tmp_path / "made", tmp_path / "traces"
    folder.mkdir()
    given = ["--folder", str(folder), "--traces", str(traces)]
    assert calibration.main(given) == 0
    made = read_sets(folder / "score_draws.npz")
    assert {name: data.aligned.size for name, data in made.items()} == {"fit": 18, "develop": 2}
    assert sorted(path.name for path in (traces / "4").iterdir()) == ["00000.h5", "00000.json"]
    model = (folder / "score_model.toml").read_bytes()
    assert calibration.main(given) == 0
    assert (folder / "score_model.toml").read_bytes() == model
    again = make_sets({"fit": few["fit"]}, workers=2)["fit"]
    for name in ScoreSet.__slots__:
        if name != "features":
            np.testing.assert_array_equal(getattr(again, name), getattr(made["fit"], name))


def test_kept_sittings_of_other_draws_are_refused(tmp_path):
    assert keep_sittings([str(tmp_path), "--seed", "3", "--sittings", "1", "--scans", "2"]) == 0
    kept = drawn_or_kept(tmp_path, 3, 0, scans=2)
    fresh = drawn_or_kept(None, 3, 0, scans=2)
    assert kept.about == fresh.about
    np.testing.assert_array_equal(kept.recording.samples[:], fresh.recording.samples[:])
    with pytest.raises(FileFormatError, match="kept from other draws"):
        drawn_or_kept(tmp_path, 3, 0, scans=3)


@pytest.mark.slow
@pytest.mark.parametrize("name", list(SHIPPED_SETS))
def test_draws_made_again_give_the_shipped_rows(sets, name):
    """Synthesised and measured again: what ships is what the code in hand gives."""
    draws, data = SHIPPED_SETS[name], sets[name]
    for number in range(3):
        made = drawn_or_kept(None, draws.seed, number, noise_shift_db=draws.noise_shift_db)
        again, rows = measured_part(made), np.flatnonzero(data.sitting == number)
        np.testing.assert_array_equal(again.length_right, data.length_right[rows])
        for key, values in again.features.items():
            np.testing.assert_allclose(
                data.features[key][rows], values, rtol=1e-3, atol=0.05, err_msg=key
            )


def test_sets_survive_the_file_and_bad_files_are_refused(tmp_path, sets):
    some = sets["develop"].select(np.arange(50))
    write_sets(tmp_path / "some.npz", {"some": some})
    (back,) = read_sets(tmp_path / "some.npz").values()
    for key in ScoreSet.__slots__:
        if key != "features":
            np.testing.assert_array_equal(getattr(back, key), getattr(some, key))
    assert set(back.features) == set(some.features)
    (tmp_path / "bad.npz").write_text("no numbers", encoding="utf-8")
    for name in ("bad.npz", "missing.npz"):
        with pytest.raises(FileFormatError, match="no measured draws"):
            read_sets(tmp_path / name)


def test_truth_is_needed(tmp_path):
    from closed_form import eye_traces, recording_of

    from echotrace.chain.measure import measure

    recording = recording_of(eye_traces(1))
    with pytest.raises(ParameterError, match="no truth"):
        judge_truth(recording, measure(recording), 24.0)


# --- how they do on what the fit never saw ---------------------------------------------------


def test_draws_the_fit_never_saw(sets):
    """What holds there; see DEVELOPERS.md."""
    data = sets["develop"]
    said = probabilities(data)
    right, aligned = said["in_sitting"], said["aligned"]
    assert roc_area(said["length_right"], data.length_right) > 0.94
    assert calibration_error(said["length_right"], data.length_right) < 0.04
    free = ~data.rejected
    assert roc_area(right[free], data.length_right[free]) > 0.94
    assert calibration_error(right[free], data.length_right[free]) < 0.03
    kinds = kind_errors(right[free], data.length_right[free], data.select(free))
    assert max(kinds.values()) < 0.1
    assert calibration_error(aligned, data.aligned) < 0.05
    taken = (right >= QualityLimits().min_length_right_in_sitting) & free
    assert np.mean(taken[data.length_right]) > 0.72
    assert np.mean(~data.length_right[taken]) < 0.015


def test_report_counts_what_is_accepted(sets):
    """Against the same counts made here."""
    data = sets["develop"]
    right = probabilities(data)["in_sitting"]
    text = score_report(data, 0.5)
    accepted = (right >= 0.5) & ~data.rejected
    assert f"({int((accepted & ~data.length_right).sum())} of {int(accepted.sum())})" in text
    alone = probabilities(data)["length_right"]
    error = calibration_error(alone, data.length_right)
    chance = calibration_chance(alone, data.length_right, data.sitting)
    assert f"length right, alone (other sittings of as many) | {error:.3f} ({chance:.3f})" in text


def test_calibration_of_a_kind_is_that_of_its_scans(sets):
    data = sets["develop"]
    outcome = data.length_right
    off = np.where(data.kind == data.kind[0], 0.0, outcome.astype(float))
    errors = kind_errors(off, outcome, data)
    kind = str(data.kind[0])
    assert errors.pop(kind, outcome[data.kind == kind].mean()) == pytest.approx(
        outcome[data.kind == kind].mean()
    )
    assert set(errors.values()) == {0.0}


@pytest.mark.slow
@pytest.mark.parametrize("groups", ["probe_kind", "state"])
def test_probes_and_states_left_out(sets, groups):
    """Each kind of probe, or state of the eye, by a model fitted to all others."""
    data = sets["fit"]
    labels = getattr(data, groups)
    right = leave_out(data, labels)
    found = {}
    for label in np.unique(labels):
        rows = labels == label
        found[str(label)] = roc_area(right[rows], data.length_right[rows])
    print({name: round(value, 3) for name, value in found.items()})
    assert min(found.values()) > (0.9 if groups == "probe_kind" else 0.75)
