"""Sweeps of settings: scores by hand, designs, resuming to the same bits, gain on other eyes."""

import dataclasses
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import scipy

import echotrace as et
from echotrace.cli import main
from echotrace.errors import FileFormatError, ParameterError
from echotrace.many.run_folder import parts_folder
from echotrace.recording import Truth
from echotrace.tuning import sweep
from echotrace.tuning.batches import batches_of, recording_of_batch
from echotrace.tuning.kept import KeptTrials
from echotrace.tuning.scoring import eye_losses, interface_scores, length_quantiles_mm
from echotrace.tuning.sensitivity import sensitivity_of
from echotrace.tuning.space import Condition, Factor, Space, design_points, read_space
from echotrace.tuning.sweep import _gain, tune
from echotrace.tuning.trial import Trial

SCENARIO = {"eye": {"model": "population"}, "receiver": {"noise_db": -80.0}}
SPACE = Space(
    factors=(
        Factor(key="picking.picker", choices=("matched_filter", "steepest_slope")),
        Factor(key="picking.search_threshold_db", low=9.0, high=30.0),
    )
)
FILE = """
[factors]
"picking.picker" = ["matched_filter", "envelope_peak"]
"picking.search_threshold_db" = { low = 9, high = 20 }
[[condition]]
name = "noisy"
"receiver.noise_db" = -78
"""


def test_scores_by_hand():
    """Four traces, one interface: one missed, one of something else, two right."""
    recording = et.read("synthetic_traces/immersion_sitting.h5").select(slice(0, 4))
    result = et.measure(recording)
    names = result.interfaces
    true_us = np.full((4, len(names)), np.nan)
    delay = np.full((4, len(names)), np.nan)
    true_us[:, 0] = [10.0, 11.0, 12.0, 13.0]
    delay[:, 0] = [10.02, 11.04, 14.0, np.nan]
    result = dataclasses.replace(
        result, delay_us=delay, delay_u_us=np.full(delay.shape, 0.01),
        axial_length_mm=np.array([23.01, 23.9, 23.0, np.nan]),
    )  # fmt: skip
    columns = {"eye_number": np.array([0, 0, 1, 1]), "beam_length_mm": np.full(4, 23.0)}
    truth = Truth(interfaces=names, delay_us=true_us, columns=columns)
    (score,) = interface_scores(result, truth, {names[0]: np.full(4, 0.005)})
    assert (score.n, score.missed, score.wrong) == (4, 0.25, 0.25)
    assert score.bias_us == pytest.approx(0.03)
    assert score.sd_us == pytest.approx(0.01)
    assert score.rmse_us == pytest.approx(np.sqrt((0.02**2 + 0.04**2) / 2))
    within = 0.02 / np.sqrt(2)
    assert score.bound_ratio == pytest.approx(within / 0.005)
    assert score.stated_ratio == pytest.approx(0.01 / within)
    # 0.01 and 0.9 (counts 0.5); 0 and missing (0.5).
    assert eye_losses(result, truth) == pytest.approx({0: 0.255, 1: 0.25})
    assert length_quantiles_mm(result, truth)["length_missing"] == 0.25
    assert length_quantiles_mm(result, truth)["length_q50_mm"] == pytest.approx(0.01)


def test_designs():
    grid = design_points(SPACE, "grid", 3, 0)
    assert grid.tolist() == [[a, b] for a in (0.25, 0.75) for b in (0.0, 0.5, 1.0)]
    for design in ("sobol", "latin_hypercube"):
        points = design_points(SPACE, design, 32, 5)
        assert points.shape == (32, 2)
        assert (points == design_points(SPACE, design, 32, 5)).all()
        assert not (points == design_points(SPACE, design, 32, 6)).all()
        assert scipy.stats.qmc.discrepancy(points) < 0.01
    saltelli = design_points(SPACE, "sensitivity", 8, 1)
    assert saltelli.shape == (8 * 4, 2)
    a, b, first, second = saltelli.reshape(4, 8, 2)
    assert (first == np.column_stack([b[:, 0], a[:, 1]])).all()
    assert (second == np.column_stack([a[:, 0], b[:, 1]])).all()
    with pytest.raises(ParameterError, match="the grid has"):
        design_points(SPACE, "grid", 600_000, 0)


def test_nothing_is_reported_on_what_was_tuned_on():
    space = dataclasses.replace(SPACE, conditions=(
        Condition(name="a", changes={}), Condition(name="b", changes={"receiver.bits": 8}),
    ))  # fmt: skip
    batches = batches_of(SCENARIO, space, 80, 3)
    tuned, reported = ([b for b in batches if b.split == s] for s in ("tune", "report"))
    assert len(tuned) == len(reported) == 4
    assert not {b.seed for b in tuned} & {b.seed for b in reported}
    probes = [
        {json.dumps(json.loads(b.source)["probe"]) for b in part} for part in (tuned, reported)
    ]
    assert not probes[0] & probes[1]
    lengths = [
        {round(float(x), 9) for b in part for x in
         recording_of_batch(b)[0].truth.columns["axial_length_mm"]}
        for part in (tuned[:1], reported[:1])
    ]  # fmt: skip
    assert not lengths[0] & lengths[1]
    assert json.loads(batches[-1].source)["receiver"]["bits"] == 8


def test_gain_is_students_interval_over_eyes():
    def trial(values):
        eyes = {str(k): v for k, v in enumerate(values)}
        return Trial(number=0, split="report", values={}, loss_mm=0.0, eyes=eyes, rows=())

    rng = np.random.default_rng(1)
    a, b = rng.random(9), rng.random(9)
    found = scipy.stats.ttest_rel(a, b).confidence_interval(0.95)
    assert _gain(trial(a), trial(b)) == pytest.approx((np.mean(a - b), found.low, found.high))
    assert _gain(trial([1.0]), trial([0.0]))[1] == -np.inf


@pytest.mark.compiled
def test_a_worse_setting_is_told_and_the_presets_are_recommended(tmp_path):
    """A picker that reads one flank with noise cannot beat the presets: it is not recommended."""
    space = Space(factors=(Factor(key="picking.picker", choices=("steepest_slope",)),))
    found = tune(SCENARIO, space, design="grid", n=1, traces=40)
    assert found.gain_mm < 0.0
    assert not found.beats_presets
    assert found.settings == et.Settings()
    assert found.tuned.picking.picker == "steepest_slope"
    # And from there back to the presets is a gain.
    worse = et.Settings.from_table({"picking": {"picker": "steepest_slope"}})
    better = Space(factors=(Factor(key="picking.picker", choices=("matched_filter",)),))
    back = tune(SCENARIO, better, design="grid", n=1, traces=40, settings=worse)
    assert back.gain_mm == pytest.approx(-found.gain_mm)
    assert back.settings.picking.picker == "matched_filter" or not back.beats_presets


@pytest.mark.compiled
def test_interrupted_sweep_goes_on_to_the_same_bits(tmp_path):
    whole = tune(SCENARIO, SPACE, n=6, traces=20, output=tmp_path / "a.csv")
    stopped = tmp_path / "b.csv"

    class Stop(Exception):
        pass

    def stop(done, _):
        if done == 4:
            raise Stop

    with pytest.raises(Stop):
        tune(SCENARIO, SPACE, n=6, traces=20, output=stopped, progress=stop)
    kept = sorted(parts_folder(stopped).glob("*.part"))
    assert len(kept) == 4
    with pytest.raises(ParameterError, match="--resume"):
        tune(SCENARIO, SPACE, n=6, traces=20, output=stopped)
    with pytest.raises(ParameterError, match="another recording, other settings"):
        tune(SCENARIO, SPACE, n=7, traces=20, output=stopped, resume=True)
    counts = []
    again = tune(
        SCENARIO, SPACE, n=6, traces=20, output=stopped, resume=True,
        progress=lambda done, _: counts.append(done),
    )  # fmt: skip
    assert counts == list(range(1, len(whole.trials) + 3))
    assert repr(again.trials) == repr(whole.trials)
    assert repr(again.reported) == repr(whole.reported)
    # A damaged trial is told, never taken.
    text = kept[1].read_text()
    kept[1].write_text(text.replace('"number": 1', '"number": 2'))
    with pytest.raises(FileFormatError, match="damaged"):
        list(KeptTrials(stopped, "").finished_trials())


@pytest.mark.compiled
def test_a_client_gives_the_same_bits():
    """Whatever submits calls and gives futures will do, as a dask client does."""
    from concurrent.futures import ThreadPoolExecutor

    class Client(ThreadPoolExecutor):
        def submit(self, function, *given, pure):
            assert not pure
            return super().submit(function, *given)

    here = tune(SCENARIO, SPACE, n=4, traces=20)
    with Client(2) as client:
        there = tune(SCENARIO, SPACE, n=4, traces=20, client=client)
    assert repr(there.trials) == repr(here.trials)
    assert repr(there.reported) == repr(here.reported)


@pytest.mark.compiled
@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX systems")
def test_killed_command_goes_on_to_the_same_files(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    Path("space.toml").write_text(FILE)
    Path("family.toml").write_text('scans = 5\n[eye]\nmodel = "population"\n')
    words = ["tune", "family.toml", "--space", "space.toml", "-n", "8", "--traces", "20"]
    assert main([*words, "-o", "a.csv", "--write-settings", "a.toml", "--figure", "a.png"]) == 0
    said = capsys.readouterr().out
    assert "Gain over the presets" in said
    assert not parts_folder("a.csv").exists()
    assert et.read_settings("a.toml").picking.picker in ("matched_filter", "envelope_peak")
    assert Path("a.toml").read_text().startswith("# 8 settings (sobol) on 20 traces")
    run = subprocess.Popen(
        [sys.executable, "-m", "echotrace.cli", *words, "-o", "b.csv"],
        env={**os.environ, "PYTHONPATH": str(Path(et.__file__).parents[1])},
    )
    deadline = time.monotonic() + 300
    while len(list(Path("b.csv.parts").glob("*.part"))) < 3 and time.monotonic() < deadline:
        time.sleep(0.02)
    run.send_signal(signal.SIGKILL)
    run.wait()
    assert not Path("b.csv").exists()
    assert main([*words, "-o", "b.csv", "--resume"]) == 0
    assert Path("b.csv").read_bytes() == Path("a.csv").read_bytes()
    lines = Path("a.csv").read_text().splitlines()
    assert lines[0].startswith("trial,split,condition,probe,interface,picking.picker")
    assert main([*words, "-o", "c.h5"]) == 0
    import xarray

    with xarray.open_dataset("c.h5", engine="h5netcdf") as table:
        assert table.sizes["row"] == len(lines) - 1
        assert table["rmse_us"].attrs["units"] == "us"


@pytest.mark.compiled
def test_search_and_sensitivity_find_what_matters():
    found = tune(SCENARIO, SPACE, design="search", n=12, traces=20)
    again = tune(SCENARIO, SPACE, design="search", n=12, traces=20)
    assert repr(found.trials) == repr(again.trials)
    assert found.best.loss_mm <= found.trials[0].loss_mm + 0.002
    # A loss whose indices are known: the first factor alone decides.
    points = design_points(SPACE, "sensitivity", 256, 1)
    trials = [
        Trial(number=k, split="tune", values={}, loss_mm=float(p[0] ** 2), eyes={}, rows=())
        for k, p in enumerate([[0.0, 0.0], *points])
    ]
    made = dataclasses.replace(found, trials=tuple(trials), design="sensitivity", points=points)
    indices = sensitivity_of(made)
    assert indices.first == pytest.approx([1.0, 0.0], abs=0.05)
    assert indices.total == pytest.approx([1.0, 0.0], abs=0.05)
    assert (indices.total_high >= indices.total - 1e-9).all()
    with pytest.raises(ParameterError, match="design 'sensitivity'"):
        sensitivity_of(found)
    one = Space(factors=SPACE.factors[:1])
    with pytest.raises(ParameterError, match="a single factor; name two"):
        tune(SCENARIO, one, design="sensitivity", n=4, traces=20)


@pytest.mark.compiled
def test_recording_is_divided_by_eyes(tmp_path):
    from echotrace.synthesis import Synthesis

    scenario = {"scans": 3, "eye": {"model": "population", "eyes": 6}}
    path = tmp_path / "many.h5"
    et.write(Synthesis(scenario, seed=2).block(0, 18), path)
    found = tune(path, SPACE, n=2)
    assert len(found.trials[0].eyes) == 3
    assert not set(found.trials[0].eyes) & set(found.reported[0].eyes)
    with pytest.raises(ParameterError, match="holds 1 eyes"):
        tune("synthetic_traces/immersion_sitting.h5", SPACE)
    et.write(et.read(path).without_truth(), tmp_path / "blind.h5")
    with pytest.raises(ParameterError, match="no truth"):
        tune(tmp_path / "blind.h5", SPACE)


def test_gates_can_be_varied():
    space = Space(factors=(Factor(key="gate.retina.stop_us", low=34.0, high=40.0),))
    gates = [{"method": "immersion", "target": "phakic", "interface": "retina", "start_us": 20.0,
              "stop_us": 45.0, "relative_to": "cornea_front", "preset": True}]  # fmt: skip
    settings = space.settings_at([0.5], {}, gates)
    assert settings.gates[0].gate.stop_us == 37.0
    assert not settings.gates[0].gate.preset
    with pytest.raises(ParameterError, match="no gate of 'retina'"):
        space.settings_at([0.5], {}, [])


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", "names no setting"),
        ('[factors]\n"picking.pickr" = ["a"]', None),
        ('[factors]\n"picking.picker" = {low = 1}', "low and high"),
        ("[factors]\npicker = [1]", "TABLE.KEY"),
        ('[factors]\n"a.b" = {low = 2, high = 1}', "low below high"),
        ('[factor]\n"a.b" = [1]', "factors"),
        ('[factors]\n"a.b" = [1]\n[[condition]]\nbits = 8', "name"),
    ],
)
def test_what_is_varied_is_checked(tmp_path, text, match):
    (tmp_path / "s.toml").write_text(text)
    with pytest.raises(ParameterError, match=match):
        tune(SCENARIO, read_space(tmp_path / "s.toml"), traces=20)


def test_every_value_is_checked_before_traces_are_made(tmp_path, monkeypatch):
    monkeypatch.setattr(sweep, "recording_of_batch", lambda batch: pytest.fail("traces are made"))
    path = tmp_path / "s.toml"
    threshold = '"picking.search_threshold_db" = {low = 9, high = 20}'
    for bad, match in (
        ('"picking.picker" = ["matched_filter", "no_such", "envelope_peak"]', "no_such"),
        ('"joint_weights.priors" = {low = 0.3, high = 3.0}', "did you mean 'prior'"),
        ('"envelope.bandwidth" = {low = 1.0, high = 1e9}', "bandwidth"),
    ):
        path.write_text(f"[factors]\n{threshold}\n{bad}\n")
        with pytest.raises(ParameterError, match=match) as caught:
            tune(SCENARIO, path, n=2)
        assert str(path) in str(caught.value)


def test_one_eye_is_no_population():
    with pytest.raises(ParameterError, match="eyes that differ"):
        tune({"eye": {"model": "navarro"}}, SPACE)
    broken = dataclasses.replace(SPACE, conditions=(Condition(name="x", changes={"eye.no": 1}),))
    with pytest.raises(ParameterError, match="condition 'x'"):
        tune(SCENARIO, broken)
