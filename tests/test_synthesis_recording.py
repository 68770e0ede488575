"""Recordings made from scenarios: truth, repeatability, receiver, artefacts, the command."""

import math
from pathlib import Path

import numpy as np
import pytest

from echotrace.commands import synth
from echotrace.commands.arguments import CommandParser
from echotrace.errors import ParameterError
from echotrace.files.native import read_recording
from echotrace.synthesis import Synthesis, read_scenario, synthesise
from echotrace.synthesis.artefact_names import ARTEFACTS
from echotrace.synthesis.echoes import eye_echoes

SCENARIOS = sorted((Path(__file__).parents[1] / "synthetic_traces").glob("*.toml"))
STILL = {"pose": {"tilt_sd_deg": 0.0, "decentration_sd_mm": 0.0, "fixation_sd_deg": 0.0}}


def flags(recording):
    return [
        {name for n, name in enumerate(ARTEFACTS) if int(value) >> n & 1}
        for value in recording.truth.columns["artefacts"]
    ]


def with_tables(**changes):
    tables = {key: dict(value) for key, value in STILL.items()}
    for key, value in changes.items():
        tables[key] = {**tables.get(key, {}), **value} if isinstance(value, dict) else value
    return tables


# --- repeatability -------------------------------------------------------------------------


def test_a_trace_depends_on_scenario_seed_and_number_only():
    tables = with_tables(
        method={"kind": "contact"}, pose={"tilt_sd_deg": 0.5}, artefacts={"interference": 0.5}
    )
    whole = synthesise(tables, 4, count=7)
    made = Synthesis(tables, seed=4)
    late = made.block(5, 7)
    early = made.block(0, 5)
    assert np.array_equal(whole.samples[:5], early.samples)
    assert np.array_equal(whole.samples[5:], late.samples)
    assert np.array_equal(whole.truth.delay_us[5:], late.truth.delay_us)
    assert not np.array_equal(whole.samples, synthesise(tables, 5, count=7).samples)


def test_blocks_join_to_the_whole():
    made = Synthesis(STILL, seed=2)
    parts = list(made.blocks(5, 2))
    assert [part.n_traces for part in parts] == [2, 2, 1]
    assert np.array_equal(
        np.concatenate([part.samples for part in parts]), synthesise(STILL, 2, count=5).samples
    )


def test_alignments_are_used_in_turn():
    tables = {"pose": {"alignments": 2, "tilt_sd_deg": 1.0}, "scans": 4}
    truth = synthesise(tables, 1).truth
    tilt = truth.columns["tilt_deg"]
    assert tilt[0] == tilt[2] != tilt[1] == tilt[3]


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_every_scenario_can_be_read(path):
    scenario = read_scenario(path)
    assert scenario.name == path.stem
    assert scenario.description


@pytest.mark.parametrize("stem", ["immersion_sitting", "contact_sitting"])
def test_stored_recordings_are_reproduced(stem):
    folder = Path(__file__).parents[1] / "synthetic_traces"
    stored = read_recording(folder / f"{stem}.h5")
    made = synthesise(folder / f"{stem}.toml")
    # Bit for bit on one machine; another processor may round one count differently.
    difference = np.abs(stored.samples.astype(int) - made.samples.astype(int))
    assert difference.max() <= 1
    assert np.mean(difference != 0) < 1e-3
    assert np.allclose(stored.truth.delay_us, made.truth.delay_us, atol=1e-9, equal_nan=True)


# --- truth ---------------------------------------------------------------------------------


def test_truth_of_an_aligned_scan():
    recording = synthesise(with_tables(scans=1, receiver={"jitter_ns": 0.0}), 1)
    truth = recording.truth
    assert truth.interfaces == (
        "cornea_front", "cornea_back", "lens_front", "lens_back", "retina", "sclera", "orbit",
    )  # fmt: skip
    # Echo times of the Navarro eye after the corneal front.
    after = truth.delay_us[0, 1:5] - truth.delay_us[0, 0]
    assert after == pytest.approx((0.6703, 4.6520, 9.5271, 30.8330), abs=6e-5)
    assert truth.columns["axial_length_mm"][0] == pytest.approx(23.9203)
    assert truth.columns["beam_length_mm"][0] == pytest.approx(23.9203)
    assert "corneal vertex" in recording.attributes["alignment_convention"]
    assert recording.attributes["artefact_names"].split() == list(ARTEFACTS)


def test_off_axis_the_beam_and_the_axis_differ():
    tables = with_tables(scans=1, pose={"kind": "oblique", "tilt_deg": 5.0})
    columns = synthesise(tables, 1).truth.columns
    assert columns["tilt_deg"][0] == pytest.approx(5.0)
    assert columns["axial_length_mm"][0] == pytest.approx(23.9203)
    # Tilted about the vertex the beam meets a retina that curves towards it: shorter.
    assert -0.4 < columns["beam_length_mm"][0] - 23.9203 < -0.05


def test_echoes_lie_at_their_true_arrival_and_shift():
    tables = with_tables(scans=1, receiver={"bits": 0, "noise_db": -150.0, "jitter_ns": 3.0})
    recording = synthesise(tables, 3)
    envelope = np.abs(analytic(recording.samples[0]))
    for name in ("cornea_front", "cornea_back", "lens_front", "lens_back"):
        n = recording.truth.interfaces.index(name)
        expected = recording.truth.delay_us[0, n]
        expected += recording.truth.columns[f"{name}_echo_shift_us"][0]
        near = np.abs(recording.delay_us - expected) < 0.15
        top = int(np.flatnonzero(near)[envelope[near].argmax()])
        left, middle, right = envelope[top - 1 : top + 2]
        found = recording.delay_us[top] + 0.01 * 0.5 * (left - right) / (left - 2 * middle + right)
        assert found == pytest.approx(expected, abs=0.0005), name


def analytic(trace):
    import scipy

    return scipy.signal.hilbert(np.asarray(trace, np.float64))


def test_compression_moves_everything_behind_the_chamber_and_nothing_else():
    tables = with_tables(
        scans=2, method={"kind": "contact"}, receiver={"jitter_ns": 0.0},
        scan=[{"number": 1, "compression_mm": 0.0}, {"number": 2, "compression_mm": 0.383}],
    )  # fmt: skip
    truth = synthesise(tables, 1).truth
    moved = truth.delay_us[1] - truth.delay_us[0]
    assert moved[:2] == pytest.approx(0.0, abs=1e-9)
    assert moved[2:] == pytest.approx(-2.0 * 0.383 / 1.532, abs=1e-6)  # 0.5 µs
    lengths = truth.columns["beam_length_mm"]
    assert lengths[1] - lengths[0] == pytest.approx(-0.383, abs=1e-6)


def test_compression_draws_have_the_published_mean_and_spread():
    tables = with_tables(
        method={"kind": "contact"}, pose={"alignments": 1}, receiver={"duration_us": 12.0}
    )
    made = Synthesis(tables, seed=8)
    drawn = np.concatenate(
        [block.truth.columns["compression_mm"] for block in made.blocks(1500, 250)]
    )
    # Contact minus immersion -0.20 mm, 0.14 mm within an eye: Ademola-Popoola 2016.
    assert drawn.mean() == pytest.approx(0.20, abs=0.015)
    assert drawn.std() == pytest.approx(0.14, abs=0.015)
    assert drawn.min() >= 0.0


# --- receiver ------------------------------------------------------------------------------

QUIET = {"ring_down_db": -120.0, "jitter_ns": 0.0, "tgc_delay_us": [0.0], "tgc_gain_db": [0.0]}


def quiet_stretch(recording):
    """The vitreous, where there is nothing but noise."""
    t = recording.delay_us
    return np.asarray(recording.samples[:, (t > 32.0) & (t < 39.0)], np.float64)


def test_noise_has_the_stated_level():
    receiver = {**QUIET, "bits": 0, "noise_db": -60.0, "gain_db": 0.0}
    tables = with_tables(scans=8, receiver=receiver, artefacts={"bath_reverberation": 0.0})
    noise = quiet_stretch(synthesise(tables, 1))
    # Standard error of the RMS of n samples: 1/sqrt(2 n).
    assert noise.std() == pytest.approx(1e-3, rel=4.0 / math.sqrt(2.0 * noise.size))


def test_gain_and_tgc_raise_the_noise_by_their_decibels():
    artefacts = {"bath_reverberation": 0.0}
    plain = {**QUIET, "bits": 0, "noise_db": -60.0, "gain_db": 0.0}
    raised = {**plain, "gain_db": 6.0, "tgc_delay_us": [10.0, 20.0], "tgc_gain_db": [0.0, 14.0]}
    low = quiet_stretch(synthesise(with_tables(receiver=plain, artefacts=artefacts), 1))
    high = quiet_stretch(synthesise(with_tables(receiver=raised, artefacts=artefacts), 1))
    assert high == pytest.approx(low * 10.0, rel=1e-5, abs=1e-9)


def test_quantisation_noise_is_a_step_over_root_twelve():
    artefacts = {"bath_reverberation": 0.0}
    base = {**QUIET, "noise_db": -46.0, "gain_db": 0.0}
    exact = synthesise(with_tables(scans=8, receiver={**base, "bits": 0}, artefacts=artefacts), 1)
    coarse = synthesise(with_tables(scans=8, receiver={**base, "bits": 8}, artefacts=artefacts), 1)
    step = 1.0 / 127.0
    error = quiet_stretch(coarse) * step - quiet_stretch(exact)
    # Bennett 1948, Bell Syst Tech J 27:446; holds as the noise here is 0.64 of a step.
    assert error.std() == pytest.approx(step / math.sqrt(12.0), rel=0.03)
    assert abs(error.mean()) < 4.0 * error.std() / math.sqrt(error.size)


def test_snr_of_the_truth():
    tables = with_tables(scans=1, receiver={**QUIET, "bits": 0, "noise_db": -90.0, "gain_db": 0.0})
    recording = synthesise(tables, 1)
    n = recording.truth.interfaces.index("retina")
    near = np.abs(recording.delay_us - recording.truth.delay_us[0, n]) < 0.1
    top_db = 20.0 * math.log10(np.abs(analytic(recording.samples[0]))[near].max())
    assert recording.truth.columns["snr_db"][0] == pytest.approx(top_db + 90.0, abs=3.0)


def test_snr_of_the_truth_is_that_of_what_reaches_the_receiver():
    tables = with_tables(
        scans=3,
        scan=[{"number": 2, "artefacts": ["blink"]}, {"number": 3, "artefacts": ["bubbles"]}],
    )
    clear, shut, shadowed = synthesise(tables, 1).truth.columns["snr_db"]
    assert math.isnan(shut)
    assert 3.0 <= clear - shadowed <= 12.0  # the shadow of the bubbles


# --- artefacts ------------------------------------------------------------------------------


def test_forced_artefacts_are_flagged_in_their_scan_only():
    tables = with_tables(scans=3, scan=[{"number": 2, "artefacts": ["bubbles", "interference"]}])
    found = flags(synthesise(tables, 1))
    assert found[0] == found[2] == {"bath_reverberation"}
    assert found[1] == {"bath_reverberation", "bubbles", "interference"}


def test_a_blink_leaves_the_near_field_only():
    tables = with_tables(scans=2, scan=[{"number": 2, "artefacts": ["blink"]}])
    recording = synthesise(tables, 1)
    wall = (recording.delay_us > 44.0) & (recording.delay_us < 49.0)
    level = np.asarray(recording.samples[:, wall], np.float64).std(axis=1)
    assert level[1] < 0.1 * level[0]


def test_gain_errors_clip_or_starve():
    tables = with_tables(
        scans=3,
        scan=[
            {"number": 2, "artefacts": ["gain_too_high"]},
            {"number": 3, "artefacts": ["gain_too_low"]},
        ],
    )
    recording = synthesise(tables, 1)
    assert recording.gain_db[1] - recording.gain_db[0] == pytest.approx(18.0)
    limit = 2**11 - 1
    after = recording.delay_us > 2.0
    clipped = (np.abs(recording.samples[:, after].astype(int)) >= limit).sum(axis=1)
    assert clipped[1] > 10 * max(1, clipped[0])
    assert clipped[2] == 0


def test_the_optic_nerve_has_no_sclera_behind_it():
    tables = with_tables(scans=1, pose={"kind": "optic_nerve"})
    recording = synthesise(tables, 1)
    by_name = dict(zip(recording.truth.interfaces, recording.truth.delay_us[0], strict=True))
    assert math.isfinite(by_name["retina"])
    assert math.isnan(by_name["sclera"])
    assert math.isnan(by_name["orbit"])
    assert "optic_nerve" in flags(recording)[0]


def test_fat_is_silent_behind_the_nerve():
    # The nerve's sheath keeps the fat out of the beam: level 3 to 5 µs behind the retina, against
    # the same beam on a wall without a nerve.
    made = Synthesis(with_tables(scans=1, pose={"kind": "optic_nerve"}), seed=1)
    path, grid, levels = made.echoes(0).path, made.grid, []
    retina_us = path.delay_us[path.index("retina")]
    behind = (grid.delay_us > retina_us + 3.0) & (grid.delay_us < retina_us + 5.0)
    for on_nerve in (True, False):
        rng = np.random.default_rng(1)
        echoes = eye_echoes(made.disc, grid, made.eye(0), path, rng, on_nerve=on_nerve)
        levels.append(20.0 * math.log10(np.std(grid.trace(echoes.inner)[behind])))
    assert levels[1] - levels[0] > 10.0


def test_silicone_oil_delays_the_retina():
    natural = with_tables(scans=1, eye={"lens_state": "aphakic"})
    oil = with_tables(scans=1, eye={"lens_state": "aphakic", "vitreous": "silicone_oil_1000"})
    late = [synthesise(tables, 1).truth.delay_us[0] for tables in (natural, oil)]
    ways = [row[2] - row[1] for row in late]
    assert ways[1] / ways[0] == pytest.approx(1532.0 / 987.0, rel=1e-6)


def test_an_implant_reverberates_by_its_impedance():
    tables = with_tables(
        scans=1, eye={"lens_state": "pseudophakic", "lens_material": "pmma"},
        receiver={**QUIET, "bits": 0, "noise_db": -150.0, "gain_db": 0.0},
        artefacts={"bath_reverberation": 0.0},
    )  # fmt: skip
    made = Synthesis(tables, seed=1)
    recording = made.block(0, 1)
    truth = dict(zip(recording.truth.interfaces, recording.truth.delay_us[0], strict=True))
    envelope = np.abs(analytic(recording.samples[0]))
    step_us = truth["lens_back"] - truth["lens_front"]
    assert step_us == pytest.approx(2.0 * 0.8 / 2.718, abs=2e-3)

    def level(at_us):
        return envelope[np.abs(recording.delay_us - at_us) < 0.05].max()

    # Each bounce inside loses R² (R = 0.36: PMMA in aqueous) and 1 dB/(cm MHz) over 1.6 mm.
    z1, z2 = 1532.0 * 1003.0, 2718.0 * 1190.0
    expected_db = 40.0 * math.log10((z2 - z1) / (z2 + z1)) - 0.16 * 10.0
    found_db = 20.0 * math.log10(
        level(truth["lens_back"] + 2.0 * step_us) / level(truth["lens_back"] + step_us)
    )
    assert found_db == pytest.approx(expected_db, abs=1.0)


# --- the command ---------------------------------------------------------------------------


def run(*arguments):
    parser = CommandParser(prog="echotrace synth")
    synth.add_arguments(parser)
    return synth.run(parser.read([str(item) for item in arguments]))


def scenario_file(tmp_path, text="scans = 3\n[pose]\nalignments = 2\n"):
    path = tmp_path / "small.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_command_writes_what_the_function_makes(tmp_path, capsys):
    path = scenario_file(tmp_path)
    assert run(path, "-o", tmp_path / "out.h5", "--count", 5, "--seed", 9) == 0
    stored = read_recording(tmp_path / "out.h5")
    made = synthesise(path, 9, count=5)
    assert np.array_equal(stored.samples, made.samples)
    assert stored.attributes["seed"] == "9"
    assert list(stored.sitting) == ["1", "1", "1", "2", "2"]
    out = capsys.readouterr()
    assert "5 traces" in out.out
    assert out.err == ""


def test_command_fills_a_folder(tmp_path):
    path = scenario_file(tmp_path)
    folder = tmp_path / "made"
    folder.mkdir()
    assert run(path, "-o", folder) == 0
    assert read_recording(folder / "small.h5").n_traces == 3


@pytest.mark.parametrize(
    "arguments",
    [
        ["-o", "out.csv"],
        ["-o", "out.h5", "--count", "0"],
        ["-o", "nowhere/out.h5"],
    ],
)
def test_command_refuses(arguments, tmp_path, monkeypatch):
    path = scenario_file(tmp_path)
    monkeypatch.chdir(tmp_path)
    from echotrace.errors import EchotraceError

    with pytest.raises(EchotraceError):
        run(path, *arguments)
    assert not list(tmp_path.glob("**/*.h5"))


def test_two_scenarios_need_a_folder(tmp_path):
    path = scenario_file(tmp_path)
    with pytest.raises(ParameterError, match="folder"):
        run(path, path, "-o", tmp_path / "out.h5")


def test_an_interrupted_run_leaves_no_half_file(tmp_path, monkeypatch):
    path = scenario_file(tmp_path)
    monkeypatch.setattr(synth, "_BLOCK_TRACES", 2)
    target = tmp_path / "out.h5"
    target.write_bytes(b"what was there before")
    original = Synthesis.block

    def stops(self, start, stop):
        if start >= 4:
            raise KeyboardInterrupt
        return original(self, start, stop)

    monkeypatch.setattr(Synthesis, "block", stops)
    with pytest.raises(KeyboardInterrupt):
        run(path, "-o", target, "--count", 8, "--overwrite")
    assert target.read_bytes() == b"what was there before"
    assert sorted(item.name for item in tmp_path.iterdir()) == ["out.h5", "small.toml"]


def test_memory_does_not_grow_with_the_count(tmp_path, monkeypatch):
    import tracemalloc

    path = scenario_file(tmp_path)
    monkeypatch.setattr(synth, "_BLOCK_TRACES", 64)
    run(path, "-o", tmp_path / "warm.h5", "--count", 64)
    peaks = []
    for count in (128, 640):
        tracemalloc.start()
        run(path, "-o", tmp_path / f"{count}.h5", "--count", count)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # Five times as many traces: kept in memory they would take five times as much.
    assert peaks[1] < 1.5 * peaks[0]
