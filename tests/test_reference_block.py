"""A block of known thickness: trains, budget, decision rule, linearity, log, chart.

Echoes are closed form; the speed of steel (5920 m/s, longitudinal) is value from memory.
"""

import dataclasses
import json
import multiprocessing
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import scipy
from closed_form import echo, eye_traces, recording_of

import echotrace as et
from echotrace.cli import main
from echotrace.errors import FileFormatError, ParameterError, RecordingError
from echotrace.files.description import read_description
from echotrace.files.importing import import_recording
from echotrace.files.native import write_recording
from echotrace.media import Medium, medium
from echotrace.recording import Receiver
from echotrace.reference_block.chart import D2, D4, E2, individuals_chart
from echotrace.reference_block.decision import conformity
from echotrace.reference_block.linearity import gain_linearity, time_base_linearity
from echotrace.reference_block.log import append_record, block_notes, block_record, read_block_log

STEEL = Medium(
    name="steel", speed_m_per_s=5920.0, speed_u_m_per_s=2.0, temperature_c=20.0,
    source="value from memory",
)  # fmt: skip
DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
DELAY_US = np.arange(3000) * 0.01


def _block(steps_mm, *, face_us=0.8, speed=5920.0, clock=1.0, bend_us=0.0, n=4, noise=0.003, seed=1,
           gain_db=None, loss=0.8, **changes):  # fmt: skip
    """Contact traces of steps: echoes of alternating phase at every multiple of the thickness."""
    rng = np.random.default_rng(seed)
    rows, sitting = [], []
    for k, mm in enumerate(steps_mm):
        for _ in range(n):
            rf = noise * rng.standard_normal(DELAY_US.size)
            rf = rf + echo(DELAY_US, 0.0, 3.0)
            order, at = 1, 0.0
            while True:
                at = face_us + order * 2e3 * mm / speed
                at = at * clock + bend_us * (at / 20.0) ** 2
                if at > 27.0:
                    break
                rf = rf + echo(DELAY_US, at, loss**order, np.pi * order)
                order += 1
            rows.append(rf)
            sitting.append(f"step {k + 1}")
    return recording_of(
        np.array(rows, np.float32), method="contact", lens_state="none", eye="none", target="wedge",
        sitting=sitting, **changes,
    )  # fmt: skip


def test_wedge_gives_face_delay_and_speed_within_their_uncertainty():
    steps = [4.0, 7.5, 12.0]
    off, off_face = [], []
    for seed in range(8):
        check = et.check_block(
            _block(steps, seed=seed), steps, material=STEEL, thickness_u_mm=0.002
        )
        assert check.touching
        assert check.misfit == 1.0
        off.append((check.speed_m_per_s - 5920.0) / check.speed_u_m_per_s)
        off_face.append((check.intercept_us - 0.8) / check.intercept_u_us)
        assert check.probe.face_delay_us == check.intercept_us
    assert np.abs(off).max() < 2.5
    assert np.abs(off_face).max() < 2.5
    assert check.intercept_u_us < 0.02
    np.testing.assert_allclose(check.error_mm, 0.0, atol=0.004)
    # The budget adds up (JCGM 100:2008, 5.1.2).
    total = np.sqrt(sum(part**2 for part in check.budget_mm.values()))
    np.testing.assert_allclose(check.error_u_mm, total)
    assert check.budget_mm["speed"][0] == pytest.approx(4.0 * 2.0 / 5920.0)
    # Another picker reads the same.
    other = et.check_block(
        _block(steps), steps, material=STEEL, thickness_u_mm=0.002,
        settings=et.Settings.from_table({"picking": {"picker": "leading_edge_fraction"}}),
    )  # fmt: skip
    assert other.intercept_us == pytest.approx(0.8, abs=0.01)


def test_stated_uncertainty_covers_wrong_thicknesses():
    """Thicknesses drawn by their own uncertainty: speed and face delay stay within theirs."""
    rng = np.random.default_rng(4)
    face, speed = [], []
    recording = _block([4.0, 7.5, 12.0], n=1, noise=0.001)
    for _ in range(60):
        steps = np.array([4.0, 7.5, 12.0]) + 0.02 * rng.standard_normal(3)
        check = et.check_block(recording, steps, material=STEEL, thickness_u_mm=0.02)
        face.append((check.intercept_us - 0.8) / check.intercept_u_us)
        speed.append((check.speed_m_per_s - 5920.0) / check.speed_u_m_per_s)
    # Repeats of one step part the face from the thickness: there is nothing of 0.02 mm in it.
    assert 0.0 < np.std(face) < 1.3
    assert 0.6 < np.std(speed) < 1.3


def test_block_in_a_bath_starts_at_its_front():
    rf = np.zeros((3, DELAY_US.size))
    for k, height in enumerate((1.0, 0.5, 0.3, 0.18)):
        rf += echo(DELAY_US, 9.0 + k * 2e3 * 10.0 / 5920.0, height, np.pi * (k % 2))
    rf += 0.003 * np.random.default_rng(2).standard_normal(rf.shape)
    recording = recording_of(rf, method="other", lens_state="none", eye="none", target="block")
    check = et.check_block(recording, 10.0, material=STEEL)
    assert not check.touching
    assert check.intercept_us == pytest.approx(9.0, abs=0.01)
    assert check.error_mm[0] == pytest.approx(0.0, abs=0.01)
    assert check.time_base.largest < 0.1
    touched = et.check_block(recording, 10.0, material=STEEL, first="back")
    assert touched.intercept_us == pytest.approx(9.0 - 2e4 / 5920.0, abs=0.02)


def test_wrong_clock_and_wrong_speed_show_as_length_error():
    # A rate that is 2 per mille wrong: every delay reads long, and so does the length.
    check = et.check_block(_block([10.0], clock=1.002), 10.0, material=STEEL, tolerance_mm=0.015)
    assert check.error_mm[0] == pytest.approx(0.02, abs=0.004)
    assert check.speed_m_per_s == pytest.approx(5920.0 / 1.002, rel=4e-4)
    assert check.verdict in ("undecided", "fail")
    # A time base that bends shows as deviation from the line between first and last.
    bent = et.check_block(_block([4.0], bend_us=0.3, noise=0.001), 4.0, material=STEEL)
    k = bent.time_base.at
    t = 0.8 + k * 8e3 / 5920.0
    t = t + 0.3 * (t / 20.0) ** 2
    line = t[0] + (t[-1] - t[0]) * (k - k[0]) / (k[-1] - k[0])
    expected = 100 * (t - line) / (t[-1] - t[0])
    np.testing.assert_allclose(bent.time_base.deviation, expected, atol=0.03)
    assert bent.misfit > 1.0


def test_gain_linearity_of_a_recording():
    """Traces at stated gains; the receiver compresses by 0.6 dB at one of them."""
    gains = np.array([0.0, 6.0, 12.0, 18.0])
    quiet = _block([10.0], n=4, noise=0.0005)
    real = gains + np.array([0.0, 0.0, 0.0, -0.6])
    samples = (np.asarray(quiet.samples) * 0.05 * 10 ** (real[:, None] / 20)).astype(np.float32)
    recording = dataclasses.replace(
        quiet, samples=samples, gain_db=gains, receiver=Receiver(full_scale=4.0)
    )
    check = et.check_block(recording, 10.0, material=STEEL)
    assert check.gain.largest == pytest.approx(0.6, abs=0.05)
    np.testing.assert_array_equal(check.gain.at, gains)


def test_linearity_by_hand():
    """Set points and reading as T.O. 33B-1-1 describes them; arithmetic by hand.

    Six echoes, first at 0 and sixth at 10 divisions: the third should stand at 4 and stands at
    4.1: 1 % of full scale.
    """
    found = time_base_linearity(np.arange(1, 7), np.array([0.0, 2.0, 4.1, 6.0, 8.0, 10.0]))
    assert found.largest == pytest.approx(1.0)
    assert found.deviation[2] == pytest.approx(1.0)
    assert found.deviation[[0, 1, 3, 4, 5]] == pytest.approx(0.0)
    # A change over more than 20 dB is no step within them.
    far = gain_linearity(np.array([0.0, 10.0, 30.5]), np.array([0.0, 0.2, 1.0]))
    assert far.largest == pytest.approx(0.2)
    assert gain_linearity(np.array([0.0, 0.0, 6.0]), np.zeros(3)) is None


def test_decision_rule_against_its_guide():
    """JCGM 106:2012: conformance probability 0.92 of -5.47 V, u 0.05, limit -5.40 (7.3; memory).

    Shifted to a tolerance to both sides that is wide on the other. Guard band w = U = 2u (8.3.2).
    """
    item = conformity(-0.07 + 1000.0, 0.05, 1000.0)
    assert item.probability == pytest.approx(scipy.stats.norm.cdf(1.4), abs=1e-6)
    assert item.probability == pytest.approx(0.92, abs=0.005)
    assert conformity(0.08, 0.01, 0.1).verdict == "pass"
    assert conformity(0.0801, 0.01, 0.1).verdict == "undecided"
    assert conformity(-0.12, 0.01, 0.1).verdict == "undecided"
    assert conformity(-0.1201, 0.01, 0.1).verdict == "fail"
    assert conformity(0.0, 0.06, 0.1).verdict == "undecided"  # nothing can pass
    assert conformity(0.0, 0.06, None).verdict == "not judged"
    with pytest.raises(ParameterError, match="above 0"):
        conformity(0.0, 0.0, 0.1)
    # At most 2.3 % of blocks that are just out of tolerance pass.
    drawn = 0.1 + 0.01 * np.random.default_rng(1).standard_normal(20_000)
    passed = np.mean([conformity(e, 0.01, 0.1).verdict == "pass" for e in drawn])
    assert passed == pytest.approx(scipy.stats.norm.cdf(-2.0), abs=0.004)


def test_chart_constants_are_the_published_ones():
    """d2 1.128, E2 2.66, D4 3.267 for ranges of two: ASTM E2587, ISO 7870-2 (value from memory)."""
    assert round(D2, 3) == 1.128
    assert round(E2, 2) == 2.66
    assert round(D4, 3) == 3.267
    pairs = np.abs(np.diff(np.random.default_rng(3).standard_normal((200_000, 2)), axis=1))
    assert pairs.mean() == pytest.approx(D2, rel=0.01)
    assert 1 + 3 * pairs.std() / pairs.mean() == pytest.approx(D4, rel=0.01)


def test_chart_of_the_handbooks_flow_rates():
    """NIST/SEMATECH e-Handbook 6.3.2.2, ten flow rates (value from memory).

    Mean 50.81, mean moving range 1.8778, limits 45.8159 and 55.8041.
    """
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    chart = individuals_chart(flow)
    assert chart.middle == pytest.approx(50.81)
    assert chart.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert chart.low == pytest.approx(45.8159, abs=2e-3)
    assert chart.high == pytest.approx(55.8041, abs=2e-3)
    assert not any(rule == "beyond 3 sigma" for _, rule in chart.broken)


@pytest.mark.parametrize(
    ("tail", "rule"),
    [
        ([3.2], "beyond 3 sigma"),
        ([2.2, 0.1, 2.3], "2 of 3 beyond 2 sigma"),
        ([-1.2, -1.3, 0.2, -1.1, -1.4], "4 of 5 beyond 1 sigma"),
        ([0.3, 0.2, 0.4, 0.1, 0.3, 0.2, 0.5, 0.1], "8 on one side"),
    ],
)
def test_run_rules(tail, rule):
    # Mean 0 and a mean range of d2: one standard deviation is one.
    first = [D2 / 2 * (-1) ** k for k in range(20)]
    chart = individuals_chart(first + tail, baseline=20)
    assert chart.sigma == pytest.approx(1.0)
    assert (len(first) + len(tail) - 1, rule) in chart.broken
    assert individuals_chart(first, baseline=20).broken == ()
    # One point less breaks nothing of that kind.
    assert rule not in {
        name for _, name in individuals_chart(first + tail[:-1], baseline=20).broken
    }


def test_rules_rarely_cry_wolf():
    """Steady normal checks: some 1 in 92 breaks one of the four run rules (memory: ARL 91.75)."""
    x = np.random.default_rng(8).standard_normal(20_000)
    broken = {k for k, rule in individuals_chart(x).broken if rule != "range"}
    starts = len([k for k in broken if k - 1 not in broken])
    assert 20_000 / starts == pytest.approx(92.0, rel=0.25)


def _record(error=0.01, day=1, verdict="pass", block="B1"):
    check = et.check_block(_block([10.0], n=1), 10.0, material=STEEL, tolerance_mm=0.1)
    record = block_record(
        check, block=block, material="steel", recording="b.h5", tolerance_mm=0.1,
        when=datetime(2026, 3, day, 8, tzinfo=UTC),
    )  # fmt: skip
    return dataclasses.replace(record, error_mm=error, verdict=verdict)


def _append_some(path, record, n):
    for _ in range(n):
        append_record(path, record)


def test_log_is_appended_under_a_lock_and_shows_changes(tmp_path):
    path, record = tmp_path / "block.log", _record()
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=_append_some, args=(path, record, 10)) for _ in range(2)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
        assert worker.exitcode == 0
    assert read_block_log(path) == [record] * 20
    lines = path.read_text().splitlines(keepends=True)
    for broken in (
        lines[:4] + lines[5:],  # removed
        [*lines[:4], lines[4].replace('"pass"', '"fail"'), *lines[5:]],  # changed
        [*lines[:4], lines[14], *lines[4:]],  # put in between
        [*lines, "{}\n"],
        [*lines[:-1], lines[-1][:40]],  # cut off
        [*lines, lines[-1].replace("0.01", '"much"')],
    ):
        (tmp_path / "broken.log").write_text("".join(broken))
        before = (tmp_path / "broken.log").read_bytes()
        if broken == [*lines[:4], lines[4].replace('"pass"', '"fail"'), *lines[5:]]:
            assert broken != lines
        with pytest.raises(FileFormatError, match=r"broken\.log"):
            read_block_log(tmp_path / "broken.log")
        with pytest.raises(FileFormatError, match=r"broken\.log"):
            append_record(tmp_path / "broken.log", record)
        assert (tmp_path / "broken.log").read_bytes() == before
    (tmp_path / "noise").write_bytes(b"\x89HDF\r\n\x1a\n\xff\xfe")
    with pytest.raises(FileFormatError, match="no log"):
        append_record(tmp_path / "noise", record)


def test_notes_warn_of_tolerance_and_drift():
    good = [_record(0.001 * (-1) ** k, day=k + 1) for k in range(12)]
    assert block_notes(good, "b.log") == [
        "Reference block B1 (b.log): pass on 2026-03-12, error -0.001 ± "
        f"{good[0].error_u_mm:.3f} mm (u)."
    ]
    failed = block_notes([*good, _record(0.2, 13, "fail", "B2")], "b.log")
    assert "WARNING" not in failed[0]
    assert failed[1].startswith("WARNING: Reference block B2")
    assert "out of tolerance" in failed[1]
    drifting = block_notes([*good, _record(0.02, 13)], "b.log")
    assert "drifts (beyond 3 sigma, range)" in drifting[0]


def test_command_from_wedge_to_warned_measurement(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    write_recording(_block([4.0, 7.5, 12.0]), "wedge.h5")
    words = ["block", "wedge.h5", "--thickness", "4", "7.5", "12", "--thickness-u", "0.002",
             "--speed", "5920", "--speed-u", "2", "--tolerance", "0.05",
             "--log", "b.log"]  # fmt: skip
    more = ["--write-probe", "probe.toml", "--figure", "b.png", "--block", "W7"]
    assert main([*words, *more]) == 0
    said = capsys.readouterr().out
    assert "Delay of the probe's face: 0.80" in said
    assert "JCGM 106:2012" in said
    assert "appended to b.log" in said
    probe = read_description("probe.toml").probe
    assert probe.face_delay_us == pytest.approx(0.8, abs=0.01)
    np.save("foreign.npy", np.zeros((2, 300), np.float32) + np.sin(np.arange(300)))
    assert main([
        "import", "foreign.npy", "-o", "f.h5", "--description", "probe.toml", "--signal", "rf",
        "--sampling-rate-mhz", "100", "--start-delay-us", "0", "--method", "contact", "--eye",
        "left", "--lens-state", "phakic",
    ]) == 0  # fmt: skip
    assert et.read("f.h5").probe.face_delay_us == probe.face_delay_us
    assert et.read("f.h5").probe.face_delay_u_us == probe.face_delay_u_us
    write_recording(recording_of(eye_traces(2)), "eye.h5")
    capsys.readouterr()
    assert main(["measure", "eye.h5", "--block-log", "b.log"]) in (0, 1)
    said = capsys.readouterr().out
    assert "Reference block W7 (b.log): pass on" in said
    assert "WARNING" not in said
    # A tolerance that is not kept: the check says so, and so does every measurement after it.
    write_recording(_block([4.0, 7.5, 12.0], clock=1.01), "wrong.h5")
    assert main(["block", "wrong.h5", *words[2:], "--block", "W7"]) == 1
    assert "fail" in capsys.readouterr().out
    main(["measure", "eye.h5", "--block-log", "b.log", "--json", "-o", "eye.csv"])
    caught = capsys.readouterr()
    assert any(
        "WARNING: Reference block W7" in line for line in json.loads(caught.out)["made_with"]
    )
    assert "out of tolerance" in caught.err
    assert "WARNING: Reference block W7" in Path("eye.csv").read_text()
    assert main(["block", "--log", "b.log", "--chart", "chart.png"]) == 0
    assert Path("chart.png").stat().st_size > 5000


@pytest.mark.parametrize(
    ("words", "match"),
    [
        (["w.h5"], "--thickness MM"),
        (["w.h5", "--thickness", "4"], "either --material"),
        (["w.h5", "--thickness", "4", "--speed", "5920"], "--speed-u"),
        (["w.h5", "--thickness", "4", "5", "6", "--material", "steel"], "3 thicknesses"),
        (["w.h5", "--thickness", "1.1", "--material", "steel"], "no trace holds two echoes"),
        ([], "give a RECORDING"),
        (["--log", "none.log"], "cannot be read"),
        (["w.h5", "--thickness", "7", "--material", "steel", "--log", "w.h5"], "w.h5"),
        (["w.h5", "--thickness", "7", "--material", "steel", "--first-echo", "front",
          "--write-probe", "p.toml"], "not measured"),
    ],
)  # fmt: skip
def test_what_is_missing_is_asked_for(tmp_path, monkeypatch, capsys, words, match):
    monkeypatch.chdir(tmp_path)
    write_recording(_block([7.0], n=2), "w.h5")
    before = Path("w.h5").read_bytes()
    assert main(["block", *words]) == 2
    caught = capsys.readouterr().err
    assert match in caught
    assert caught.count("\n") == 1
    assert Path("w.h5").read_bytes() == before


def test_noise_holds_no_block():
    noise = np.random.default_rng(1).standard_normal((3, 2000)).astype(np.float32)
    recording = recording_of(noise, method="other", lens_state="none", eye="none", target="block")
    with pytest.raises(RecordingError, match="no trace holds two echoes"):
        et.check_block(recording, 10.0, material=STEEL)


def _real(name, frequency_hz, bandwidth):
    if not (DATA / name).exists():
        pytest.skip(f"no real recording {name} on this machine: it is not part of the project")
    return import_recording(
        DATA / name, variable="rf", sampling_rate_variable="fs", start_delay_variable="t0_us",
        signal="rf", method="other", target="block",
        probe=et.Probe(centre_frequency_hz=frequency_hz, fractional_bandwidth=bandwidth),
    )  # fmt: skip


@pytest.mark.compiled
def test_real_acrylic_block():
    """Acrylic of 31 mm nominal at 2730 m/s; by hand, half height of the leading edges: 31.09 mm.

    Source: M. H. Skjelvareid, synaptus repository, PlaneScan3D_PlexiAluFBH. Its front is clipped
    and a sample is 0.11 mm: 0.5 mm is what is allowed, as in the test of the chain.
    """
    acrylic = Medium(name="acrylic", speed_m_per_s=2730.0, speed_u_m_per_s=5.0, source="its README")
    recording = _real("three_layer_block.npz", 2.25e6, 0.6).select(slice(0, 80))
    check = et.check_block(
        recording, 31.0, material=acrylic, thickness_u_mm=0.1, after_us=82.0, tolerance_mm=0.5
    )
    assert abs(check.error_mm[0]) < 0.5
    assert abs(check.error_mm[0]) < 3 * check.error_u_mm[0]
    assert check.n_clipped > 40  # said, not passed over


@pytest.mark.compiled
def test_real_train_of_a_plate():
    """Echoes at 39.77 and 79.42 µs: their spacing is the first delay, so the face is at zero.

    Source: un0rick repository, usb folder, 32 repeats. The main bang's delay is not stated: half a
    microsecond, a period and a half, is what is allowed.
    """
    recording = _real("repeated_backwall.npz", 3.3e6, 0.3)
    water = medium("water")
    thickness = 39.65 * 1482.38 / 2e3
    check = et.check_block(
        recording, thickness, material=water, thickness_u_mm=0.1, after_us=20.0, first="back",
        tolerance_mm=0.6,
    )  # fmt: skip
    assert check.touching
    assert abs(check.intercept_us) < 0.5
    assert abs(check.error_mm[0]) < 0.3
    assert check.verdict == "pass"
    assert abs(check.intercept_us) < 4 * check.intercept_u_us
