"""Gates, picks and decisions of a person's for single scans: they bind, are marked, and are kept.

Echoes are closed form.
"""

import json
import re
import tomllib

import h5py
import numpy as np
import pytest
from closed_form import LE_GRAND_AXIAL_MM, LE_GRAND_US, echo, eye_traces, recording_of, up_to

import echotrace as et
from echotrace.chain import block as chain_block
from echotrace.chain.plain import view_trace
from echotrace.cli import main
from echotrace.errors import EchotraceError, ParameterError
from echotrace.figures.trace import trace_figure
from echotrace.files.native import read_measurement, read_recording, write_recording
from echotrace.measurement import ARRAYS
from echotrace.media import medium
from echotrace.recording.digest import traces_digest
from echotrace.settings import PickingSettings, TargetGate
from echotrace.signal.gates import Gate

RETINA_US = 10.0 + LE_GRAND_US[4]
# Two-way, mm per µs.
VITREOUS_MM_PER_US = 1532.0 * 5e-4


def _sitting(n=4, **changes):
    return recording_of(eye_traces(n, seed=5, **changes))


def _same_rows(one, other, rows):
    for name in ARRAYS:
        np.testing.assert_array_equal(getattr(one, name)[rows], getattr(other, name)[rows], name)


@pytest.mark.parametrize("engine", ["auto", "plain"])
@pytest.mark.parametrize("choice", ["jointly", "gate_by_gate"])
def test_a_gate_by_hand_binds_in_its_scan_alone(engine, choice):
    recording = _sitting(up_to(4, 3))
    settings = et.Settings(
        engine=engine, picking=PickingSettings(choice=choice)
    )  # fmt: skip
    plain = et.measure(recording, settings)
    decisions = et.Decisions(gates={1: {"retina": (38.0, 40.0)}, 2: {"retina": (40.0, 43.0)}})
    result = et.measure(recording, settings, decisions=decisions)
    others = [k for k in range(recording.n_traces) if k not in (1, 2)]
    _same_rows(result, plain, others)
    assert np.isnan(result.delay_us[1, 4])
    assert "echo_missing" in result.finding_list(1)
    assert not result.accepted[1]
    assert result.delay_us[2, 4] == pytest.approx(RETINA_US, abs=0.02)
    assert [result.marks(k) for k in (0, 1, 2)] == [{}, {"retina": "gate"}, {"retina": "gate"}]
    assert result.engine == ("fused and plain" if engine == "auto" else "plain")


def test_both_engines_say_the_same_of_marked_scans():
    recording = _sitting(3)
    decisions = et.Decisions(
        gates={0: {"lens_back": (19.0, 20.0)}}, picks={1: {"retina": RETINA_US + 0.03}}
    )
    fused, plain = (
        et.measure(recording, et.Settings(engine=engine), decisions=decisions)
        for engine in ("fused", "plain")
    )
    _same_rows(fused, plain, [0])
    for name in ("delay_us", "delay_u_us", "length_mm", "by_hand", "accepted", "findings"):
        np.testing.assert_array_equal(getattr(fused, name)[1], getattr(plain, name)[1])
    # The probability is held to what each engine found without the pick.
    np.testing.assert_allclose(fused.length_right, plain.length_right, atol=1e-4)


@pytest.mark.parametrize("u_us", [None, 0.02])
def test_a_pick_by_hand_is_the_length_and_has_its_uncertainty(u_us):
    recording = _sitting(3)
    moved_us = 0.31
    pick = et.HandPick(delay_us=RETINA_US + moved_us, u_us=u_us)
    result = et.measure(recording, decisions=et.Decisions(picks={2: {"retina": pick}}))
    assert result.delay_us[2, 4] == RETINA_US + moved_us
    longer = moved_us * VITREOUS_MM_PER_US
    assert result.axial_length_mm[2] == pytest.approx(LE_GRAND_AXIAL_MM + longer, abs=2e-3)
    # A rectangle over the width at half height of a Gaussian echo: JCGM 100:2008, 4.3.7.
    width_us = 2.0 * np.sqrt(2.0 * np.log(2.0)) * np.sqrt(2.0 * np.log(2.0)) / (np.pi * 6.0)
    expected = width_us / np.sqrt(12.0) if u_us is None else u_us
    assert result.delay_u_us[2, 4] == pytest.approx(expected, rel=2e-3)
    assert result.axial_length_u_mm[2] == pytest.approx(expected * VITREOUS_MM_PER_US, rel=0.02)
    assert result.picked_by_hand(2) == ("retina",)
    assert result.picked_by_hand(0) == ()


def test_a_pick_by_hand_raises_no_probability_and_accepts_nothing():
    """A retina too low to be found: with the right place picked the probability stays at zero."""
    recording = recording_of(
        eye_traces(2, seed=5, amplitudes=(1.0, 0.9, 0.6, 0.55, 0.0005), with_wall=False)
    )
    without = et.measure(recording)
    assert np.isnan(without.axial_length_mm).all()
    picks = {0: {"retina": RETINA_US}}
    result = et.measure(recording, decisions=et.Decisions(picks=picks))
    assert result.axial_length_mm[0] == pytest.approx(LE_GRAND_AXIAL_MM, abs=2e-3)
    assert result.length_right[0] <= without.length_right[0] == 0.0
    assert result.features["length_right"][0] == 0.0
    assert not result.accepted[0]
    assert "length_doubtful" in result.finding_list(0)
    accepted = et.measure(
        recording, decisions=et.Decisions(picks=picks, accept={0: "seen on the next scan too"})
    )
    assert accepted.accepted.tolist() == [True, False]
    assert accepted.decided_by.tolist() == [1, 0]
    assert accepted.length_right[0] == 0.0


def test_no_pick_anywhere_gets_better_probabilities_than_none():
    recording = _sitting(1)
    before = et.measure(recording)
    for interface, at_us in (("retina", 41.19), ("lens_back", 19.6), ("cornea_front", 9.97)):
        result = et.measure(recording, decisions=et.Decisions(picks={0: {interface: at_us}}))
        assert result.length_right[0] <= before.length_right[0]
        assert result.aligned[0] <= before.aligned[0]


def test_a_pick_by_hand_makes_no_plate_accepted_without_a_reason():
    rf = np.zeros((1, 2000), np.float32)
    rng = np.random.default_rng(2)
    rf += 0.002 * rng.standard_normal(rf.shape).astype(np.float32)
    rf += echo(np.arange(2000) * 0.01, 5.0).astype(np.float32)
    plate = et.Target(
        name="plate",
        interfaces=(et.Interface(name="near"), et.Interface(name="far")),
        segments=(
            et.Segment(
                name="plate", medium=medium("water"), mean_mm=4.0, sd_mm=1.0,
                range_mm=(2.0, 8.0),
            ),
        ),
        length_from="near",
        length_to="far",
        anatomy=False,
    )  # fmt: skip
    recording = recording_of(rf, method="other", lens_state="none", eye="none", target="plate")
    gate = TargetGate(
        method="any", target="plate", gate=Gate(interface="near", start_us=4.0, stop_us=6.0)
    )
    settings = et.Settings(gates=(gate,))
    picks = {0: {"far": 10.0}}
    result = et.measure(recording, settings, target=plate, decisions=et.Decisions(picks=picks))
    assert np.isfinite(result.axial_length_mm[0])
    assert not result.accepted[0]
    kept = et.Decisions(picks=picks, accept={0: "far face is dull"})
    assert et.measure(recording, settings, target=plate, decisions=kept).accepted[0]


def test_what_lies_about_a_pick_follows_it():
    """The wall is looked for behind the retina that was picked, and nothing stands out of order."""
    recording = _sitting(1)
    for at_us in (12.0, 41.9):
        result = et.measure(recording, decisions=et.Decisions(picks={0: {"retina": at_us}}))
        found = result.delay_us[0][np.isfinite(result.delay_us[0])]
        assert (np.diff(found) > 0.0).all()
        assert result.delay_us[0, 4] == at_us


def test_what_is_marked_says_so_everywhere(tmp_path, capsys):
    path, out = tmp_path / "r.h5", {e: tmp_path / f"m.{e}" for e in ("h5", "csv", "html")}
    write_recording(_sitting(3), path)
    told = ["--pick", "2:retina=41.20+-0.05", "--gate", "3:lens_front=14.2..15.1"]
    told += ["--reject", "1=lid in the way"]
    kept = tmp_path / "d.toml"
    told += ["-o", str(out["h5"]), "-o", str(out["csv"]), "--report", str(out["html"])]
    # Two scans are left, of three that a sitting needs: it is measured, and not acceptable.
    assert main(["measure", str(path), *told, "--write-decisions", str(kept)]) == 1
    text = capsys.readouterr().out
    for said in (
        "retina picked by hand",
        "lens front in a gate by hand",
        "scan 2: retina picked by hand at 41.2 µs, u 0.05 µs",
        "scan 3: lens front looked for in 14.2 to 15.1 µs, a gate by hand",
        "scan 1 rejected by hand: lid in the way",
        "A pick by hand raises no probability",
        f"wrote {kept}",
    ):
        assert said in text, said
    page = re.sub(r"\s+", " ", out["html"].read_text("utf-8"))
    assert "By hand: retina picked by hand." in page
    assert "scan 2: retina picked by hand at 41.2 µs" in page
    result = read_measurement(out["h5"])
    assert result.marks(1) == {"retina": "pick"}
    assert result.marks(2) == {"lens_front": "gate"}
    assert result.engine == "fused and plain"
    with h5py.File(out["h5"]) as file:
        assert file["by_hand"].attrs["flag_meanings"] == "no gate pick"
        assert file["by_hand"][1].tolist() == [0, 0, 0, 0, 2, 0]
    rows = out["csv"].read_text("utf-8").splitlines()
    column = rows[0].split(",").index("by_hand")
    assert [row.split(",")[column] for row in rows[1:]] == ["", "retina:pick", "lens_front:gate"]
    main(["inspect", str(out["h5"])])
    assert re.search(r"gate or pick by hand +2\n", capsys.readouterr().out)
    assert main(["measure", str(path), "--decisions", str(kept), "--json"]) == 1
    table = json.loads(capsys.readouterr().out)
    assert [scan["by_hand"] for scan in table["scans"]] == [
        {}, {"retina": "pick"}, {"lens_front": "gate"},
    ]  # fmt: skip
    assert len(table["by_hand"]) == 3
    assert table["decisions"] == tomllib.loads(kept.read_text("utf-8"))
    assert table["engine"] == "fused and plain"
    again = et.measure(read_recording(path), decisions=et.read_decisions(kept))
    for name in ARRAYS:
        np.testing.assert_array_equal(getattr(again, name), getattr(result, name))
    # What the results themselves keep is enough to measure again.
    own = et.Decisions.from_table(json.loads(result.attributes["decisions"]))
    assert own == et.read_decisions(kept)


def test_the_words_of_a_missing_echo_name_the_gate_by_hand(tmp_path, capsys):
    path = tmp_path / "r.h5"
    write_recording(_sitting(2), path)
    main(["measure", str(path), "--gate", "2:retina=30.1..31.0"])
    text = re.sub(r"\s+", " ", capsys.readouterr().out)
    assert "scan 2: Not found: retina (the user's gate: 30.1 to 31 µs)." in text


def test_the_picture_marks_a_pick_by_hand():
    recording = _sitting(1)
    decisions = et.Decisions(picks={0: {"retina": 41.25}}, gates={0: {"lens_front": (14.2, 15.1)}})
    for given, marked in ((decisions, True), (None, False)):
        figure = trace_figure(view_trace(recording, 0, decisions=given))
        axes = figure.axes[1]
        texts = [item.get_text() for item in axes.texts]
        assert ("retina (by hand)" in texts) == marked
        assert ("|–| gate set by the user" in texts) == marked
        hollow = [
            line.get_xdata()[0] for line in axes.lines if line.get_markerfacecolor() == "none"
        ]
        assert hollow == ([41.25] if marked else [])
    assert et.plot_trace(recording, 0, decisions=decisions).texts


WRONG = [
    ({"picks": {1: {"retna": 41.0}}}, "scan 2: target 'phakic' has no interface 'retna': did you"),
    ({"gates": {1: {"retna": (40, 41)}}}, "did you mean 'retina'"),
    ({"picks": {9: {"retina": 41.0}}}, "scan 10 .* recording has scans 1 to 2"),
    ({"gates": {2: {"retina": (40, 41)}}}, "scan 3 .* recording has scans 1 to 2"),
    ({"reject": {2: "why"}}, "scan 3 .* recording has scans 1 to 2"),
    ({"accept": {7: "why"}}, "scan 8 .* recording has scans 1 to 2"),
    ({"gates": {0: {"retina": (60.0, 61.0)}}}, "scan 1: the gate of retina .* outside the trace"),
    ({"gates": {0: {"retina": (-3.0, -1.0)}}}, "outside the trace, which runs from 0 to 51.99 µs"),
    ({"picks": {0: {"retina": 60.0}}}, "scan 1: the pick of retina .* outside the trace"),
    ({"picks": {0: {"retina": -0.5}}}, "outside the trace"),
    ({"picks": {0: {"retina": 41.0, "lens_back": 41.5}}}, "retina is picked at 41 .* not behind"),
]
IMPOSSIBLE = [
    ({"gates": {0: {"retina": (41.0, 40.0)}}}, "scan 1, retina: gate by hand: stop_us=40 must be"),
    ({"gates": {0: {"retina": (41.0, 41.0)}}}, "must be more than"),
    ({"gates": {0: {"retina": 41.0}}}, "give its start and its stop"),
    ({"gates": {0: {"retina": (np.nan, 41.0)}}}, "not a number"),
    ({"picks": {0: {"retina": np.inf}}}, "must be finite"),
    ({"picks": {0: {"retina": "here"}}}, "not a number"),
    ({"picks": {-1: {"retina": 41.0}}}, "scan=-1 must be 0 or more"),
    ({"picks": {0: {"retina": 41}}, "gates": {0: {"retina": (30, 31)}}}, "outside its gate by"),
    ({"accept": {0: "yes"}, "reject": {0: "no"}}, "scan 1 is both accepted and rejected"),
]


@pytest.mark.parametrize(("given", "said"), WRONG + IMPOSSIBLE)
def test_decisions_that_cannot_be_are_refused_before_the_work(given, said):
    recording = _sitting(2)
    with pytest.raises(ParameterError, match=said):
        et.measure(recording, decisions=et.Decisions(**given))


@pytest.mark.parametrize("u_us", [0.0, -0.1, np.nan])
def test_an_uncertainty_by_hand_is_above_zero(u_us):
    with pytest.raises(ParameterError, match="u_us"):
        et.HandPick(delay_us=41.0, u_us=u_us)


def test_what_lies_at_the_face_and_what_lies_in_gas_is_not_picked():
    contact = recording_of(eye_traces(1, cornea_us=0.0, shift_us=np.zeros(1)), method="contact")
    with pytest.raises(ParameterError, match="in contact cornea_front lies at the probe's face"):
        et.measure(contact, decisions=et.Decisions(picks={0: {"cornea_front": 0.1}}))
    gas = recording_of(eye_traces(2), vitreous=["natural", "gas"])
    et.measure(gas, decisions=et.Decisions(picks={0: {"retina": 41.2}}))
    with pytest.raises(ParameterError, match="scan 2: the vitreous cavity holds gas"):
        et.measure(gas, decisions=et.Decisions(picks={1: {"retina": 41.2}}))


COMMANDS = [
    (["--gate", "3retina=1..2"], "--gate '3retina=1..2': give a scan, an interface and µs"),
    (["--gate", "1:retina=41"], "--gate '1:retina=41': give a scan"),
    (["--gate", "1:retina=41..40"], "--gate '1:retina=41..40': .*stop_us=40 must be more"),
    (["--gate", "1:retina=41..x"], "is not a number"),
    (["--gate", "0:retina=40..41"], "--gate SCAN='0' must be 1 or more|SCAN=0 must be"),
    (["--gate", "1:retina=40..41", "--gate", "1:retina=40..42"], "retina of scan 1 is given twice"),
    (["--pick", "1:retina"], "--pick '1:retina': give a scan"),
    (["--pick", "1:retina=41+-0.1+-0.2"], "give a scan"),
    (["--pick", "1:retina=41+-0"], "u_us=0.0 must be above 0"),
    (["--pick", "1:retina=41", "--pick", "1:retina=42"], "retina of scan 1 is given twice"),
    (["--pick", "9:retina=41"], "scan 9 was decided by hand, but the recording has scans 1 to 2"),
    (["--pick", "1:retna=41"], "did you mean 'retina'"),
    (["--pick", "1:retina=99"], "outside the trace"),
    (["--decisions", "nowhere.toml"], "nowhere.toml: cannot be read"),
]


@pytest.mark.parametrize(("options", "said"), COMMANDS)
def test_command_lines_that_cannot_be_are_one_line_and_exit_2(options, said, tmp_path, capsys):
    path = tmp_path / "r.h5"
    write_recording(_sitting(2), path)
    assert main(["measure", str(path), *options]) == 2
    told = capsys.readouterr().err
    assert re.search(said, told), told
    assert told.count("\n") == 1


def test_decisions_go_with_one_recording(tmp_path, capsys):
    paths = [tmp_path / "a.h5", tmp_path / "b.h5"]
    for path in paths:
        write_recording(_sitting(1), path)
    assert main(["measure", *map(str, paths), "--pick", "1:retina=41.2"]) == 2
    assert "go with one recording" in capsys.readouterr().err


def test_a_file_of_decisions_reads_back_and_is_bound(tmp_path):
    recording, other = _sitting(2), _sitting(2, noise=0.004)
    path = tmp_path / "d.toml"
    decisions = et.Decisions(
        gates={0: {"retina": et.HandGate(start_us=40.0, stop_us=42.0, reason="two echoes")}},
        picks={1: {"lens_back": et.HandPick(delay_us=19.5, u_us=0.02, reason="by eye")}},
        reject={0: 'lid "in" the way\nand more'},
        source="r.h5",
    )
    et.write_decisions(decisions, path, recording)
    read = et.read_decisions(path)
    assert read == decisions.bound(traces_digest(recording))
    et.write_decisions(read, tmp_path / "again.toml", recording)
    assert (tmp_path / "again.toml").read_text() == path.read_text()
    et.measure(recording, decisions=read)
    for refused in (
        lambda: et.measure(other, decisions=read),
        lambda: et.write_decisions(read, tmp_path / "no.toml", other),
        lambda: et.measure(recording.select([1, 0]), decisions=read),
    ):
        with pytest.raises(ParameterError, match=r"made on other traces \(r.h5\)"):
            refused()
    assert not (tmp_path / "no.toml").exists()
    # A label that was corrected leaves the traces what they were.
    et.measure(recording_of(recording.samples, subject="invented-02"), decisions=read)


def test_the_command_names_the_file_of_another_recording(tmp_path, capsys):
    for name, seed in (("a", 1), ("b", 2)):
        write_recording(recording_of(eye_traces(1, seed=seed)), tmp_path / f"{name}.h5")
    kept = str(tmp_path / "d.toml")
    assert main(["measure", str(tmp_path / "a.h5"), "--write-decisions", kept]) == 1
    capsys.readouterr()
    assert main(["measure", str(tmp_path / "a.h5"), "--decisions", kept]) == 1
    capsys.readouterr()
    assert main(["measure", str(tmp_path / "b.h5"), "--decisions", kept]) == 2
    assert "d.toml: these decisions by hand were made on other traces (a.h5)" in (
        capsys.readouterr().err
    )


HEAD = 'decisions_version = 1\ntraces_digest = "00"\n'
BROKEN = [
    ("decisions_version = 1\n", "no traces_digest"),
    ('traces_digest = "00"\n', "decisions_version"),
    ('decisions_version = 2\ntraces_digest = "00"\n', "newer than this echotrace reads"),
    (HEAD + "wrong = 1\n", "unknown key 'wrong'"),
    (HEAD + "[[scan]]\nnumber = 0\n", "must be 1 or more"),
    (HEAD + "[[scan]]\ndecision = 'accept'\n", "number"),
    (HEAD + "[[scan]]\nnumber = 1\n[[scan]]\nnumber = 1\n", "named twice"),
    (HEAD + "[[scan]]\nnumber = 1\ndecision = 'maybe'\nreason = 'x'\n", "use 'accept' or"),
    (HEAD + "[[scan]]\nnumber = 1\ndecision = 'accept'\n", "give a reason"),
    (HEAD + "[[scan]]\nnumber = 1\ngate = [{interface = 'retina'}]\n", "start_us and stop_us must"),
    (HEAD + "[[scan]]\nnumber = 1\npick = [{delay_us = 1.0}]\n", "interface must be a text"),
    (HEAD + "[[scan]]\nnumber = 1\npick = [{interface = 'r', delay_us = 'x'}]\n", "not a number"),
    (HEAD + "[[scan]]\nnumber = 1\npick = [{interface = 'r', at = 1}]\n", "unknown key 'at'"),
    (HEAD + "[[scan]]\nnumber = 1\npick = 3\n", "array of tables"),
    (
        HEAD + "[[scan]]\nnumber = 1\npick = [{interface='r', delay_us=1}, "
        "{interface='r', delay_us=2}]\n",
        "r is named twice",
    ),
    (
        HEAD + "[[scan]]\nnumber = 1\ngate = [{interface='r', start_us=2, stop_us=1}]\n",
        "must be more than",
    ),
    ("\0", "not a TOML file"),
]


def test_draw_takes_decisions(tmp_path, capsys):
    """Scan 2 alone: its own pick, found under the number that it has in the whole recording."""
    path, kept, out = (str(tmp_path / name) for name in ("r.h5", "d.toml", "p.svg"))
    write_recording(_sitting(3), path)
    main(["measure", path, "--pick", "2:retina=41.5", "--write-decisions", kept])
    capsys.readouterr()
    assert main(["draw", path, "--scan", "2", "-o", out, "--decisions", kept]) == 0
    moved = LE_GRAND_AXIAL_MM + (41.5 - RETINA_US) * VITREOUS_MM_PER_US
    assert f"Scan 2: {moved:.2f} mm" in capsys.readouterr().out


@pytest.mark.parametrize(("text", "said"), BROKEN)
def test_a_broken_file_of_decisions_is_one_error(text, said, tmp_path):
    path = tmp_path / "d.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(EchotraceError, match=said) as found:
        et.read_decisions(path)
    assert str(found.value).startswith(str(path))


def test_later_decisions_come_on_top():
    old = et.Decisions(
        gates={0: {"retina": (40, 42), "lens_back": (19, 20)}}, picks={1: {"retina": 41.0}},
        accept={2: "fine"}, reject={3: "lid"}, traces_digest="aa", source="r.h5",
    )  # fmt: skip
    new = et.Decisions(
        gates={0: {"retina": (41, 42)}}, picks={1: {"sclera": 42.0}}, reject={2: "not fine"}
    )
    both = old.merged(new)
    assert both.gates[0]["retina"].start_us == 41.0
    assert set(both.gates[0]) == {"retina", "lens_back"}
    assert set(both.picks[1]) == {"retina", "sclera"}
    assert dict(both.accept) == {}
    assert dict(both.reject) == {2: "not fine", 3: "lid"}
    assert (both.traces_digest, both.source) == ("aa", "r.h5")


def test_traces_have_one_digest_wherever_they_lie(tmp_path):
    recording = recording_of(np.random.default_rng(4).integers(-900, 900, (300, 2100), np.int16))
    digest = traces_digest(recording)
    for compress in (False, True):
        path = tmp_path / f"{compress}.h5"
        write_recording(recording, path, compress=compress)
        assert traces_digest(read_recording(path)) == digest
        assert traces_digest(read_recording(path, lazy=True)) == digest
    changed = np.array(recording.samples)
    changed[299, 2099] += 1
    for other in (
        recording_of(changed),
        recording_of(recording.samples, sampling_rate_hz=1.01e8),
        recording_of(recording.samples, start_delay_us=0.01),
        recording_of(np.asarray(recording.samples, np.float32)),
        recording.select(slice(0, 299)),
    ):
        assert traces_digest(other) != digest


def test_decisions_find_their_scans_in_any_block(tmp_path, monkeypatch):
    """Blocks of four scans: what was set in the sixth and ninth is theirs, streamed or not."""
    recording = _sitting(10)
    decisions = et.Decisions(
        picks={5: {"retina": 41.22}}, gates={8: {"retina": (38.0, 40.0)}}, reject={9: "lid"}
    )
    whole = et.measure(recording, decisions=decisions)
    monkeypatch.setattr(chain_block, "_BLOCK_TRACES", 4)
    for workers in (1, 2):
        blocks = et.measure(recording, decisions=decisions, workers=workers)
        _same_rows(blocks, whole, slice(None))
        assert blocks.attributes == whole.attributes
    write_recording(recording, tmp_path / "r.h5")
    out = tmp_path / "m.h5"
    et.measure_to_file(et.read(tmp_path / "r.h5", lazy=True), out, decisions=decisions, workers=1)
    written = read_measurement(out)
    _same_rows(written, whole, slice(None))
    assert written.marks(5) == {"retina": "pick"}
    assert written.decided_by.tolist() == [0] * 9 + [1]
    assert written.attributes["by_hand"] == whole.attributes["by_hand"]


def test_states_have_their_own_interfaces():
    """In an aphakic eye of the same recording there is no lens to pick."""
    recording = recording_of(eye_traces(2), lens_state=["phakic", "aphakic"])
    et.measure(recording, decisions=et.Decisions(picks={0: {"lens_back": 19.5}}))
    with pytest.raises(ParameterError, match="scan 2: target 'aphakic' has no interface"):
        et.measure(recording, decisions=et.Decisions(picks={1: {"lens_back": 19.5}}))
    result = et.measure(recording, decisions=et.Decisions(picks={1: {"retina": 41.2}}))
    assert result.marks(1) == {"retina": "pick"}
    assert result.marks(0) == {}


def test_nothing_by_hand_leaves_no_trace():
    recording = _sitting(2)
    bare, empty = et.measure(recording), et.measure(recording, decisions=et.Decisions())
    _same_rows(empty, bare, slice(None))
    assert empty.engine == bare.engine == "fused"
    assert dict(empty.attributes) == dict(bare.attributes)
    assert not bare.by_hand.any()
