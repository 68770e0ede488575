"""Gates searched one by one, and gates of a user's, on the shipped recordings.

The truth is in the files: the simulated eye's length, shortened by what the probe presses in.
"""

import dataclasses
import json
import re
import warnings
from pathlib import Path

import numpy as np
import pytest
from closed_form import LE_GRAND_US, echo, eye_traces, recording_of

from echotrace.chain.measure import measure
from echotrace.chain.plain import view_trace
from echotrace.chain.states import expand_gates
from echotrace.errors import EchotraceWarning, ParameterError
from echotrace.figures.trace import trace_figure
from echotrace.files.native import read_recording
from echotrace.report.gates import own_gates_line
from echotrace.report.measured import measurement_page
from echotrace.report.reasons import explain_finding
from echotrace.settings import PickingSettings, Settings, TargetGate, read_settings, settings_toml
from echotrace.signal.gates import Gate
from echotrace.sittings.sitting import summarise
from echotrace.target import read_target

FILES = sorted((Path(__file__).resolve().parents[1] / "synthetic_traces").glob("*.h5"))
BY_GATE = Settings(picking=PickingSettings(choice="gate_by_gate"))


@pytest.mark.compiled
def test_gate_by_gate_every_shipped_recording_is_right_or_not_accepted():
    """0.1 mm is a quarter dioptre of lens power (common practice, no source)."""
    assert len(FILES) >= 15
    accepted = rejected = doubted = 0
    for path in FILES:
        recording = read_recording(path)
        truth = recording.truth.columns
        pressed = truth.get("compression_mm", 0.0)
        result = measure(recording, BY_GATE)
        error = result.axial_length_mm - (truth["axial_length_mm"] - pressed)
        taken = result.accepted
        assert not (taken & (np.abs(error) > 0.1)).any(), (path.name, error.round(2), taken)
        accepted += taken.sum()
        rejected += (~taken).sum()
        lead = result.features["least_margin"]
        doubted += (lead < 1.0).sum()
        np.testing.assert_array_equal(
            (lead < 1.0) & (result.features["echo_count"] >= 1),
            result.has_finding("choice_uncertain"),
        )
        assert not taken[lead < 0.0].any()
    # 86 scans are not accepted for being refused.
    assert accepted >= 60
    assert rejected >= 10
    assert doubted >= 1


def test_the_first_echo_behind_the_bath_is_the_cornea_though_the_lens_is_taller():
    result = measure(
        recording_of(eye_traces(6, seed=3, amplitudes=(0.3, 0.2, 1.0, 0.9, 0.8))), BY_GATE
    )
    np.testing.assert_allclose(result.delay_us[:, 0], 10.0, atol=0.02)
    np.testing.assert_allclose(result.delay_us[:, 4] - 10.0, LE_GRAND_US[4], atol=0.02)


@pytest.mark.parametrize("engine", ["fused", "plain"])
@pytest.mark.parametrize("choice", ["jointly", "gate_by_gate"])
def test_lowering_the_one_threshold_finds_weaker_echoes(engine, choice):
    """A retina some 11 dB over the matched noise, below what is searched for as a rule."""
    rf = eye_traces(8, seed=3, skip=(4,), noise=0.02, with_wall=False)
    t = np.arange(rf.shape[1]) * 0.01
    weak = recording_of(rf + echo(t, 10.0 + LE_GRAND_US[4], 0.022).astype(np.float32))
    near = {"interface": "retina", "start_us": 40.9, "stop_us": 41.5}
    for gates, threshold_db, least, most in (
        ((), 13.0, 0, 0),
        ((), 8.0, 4, 8),
        # A gate without a threshold has that of the settings, and may have one of its own.
        ((Gate(**near),), 13.0, 0, 0),
        ((Gate(**near),), 8.0, 4, 8),
        ((Gate(**near, threshold_db=8.0),), 20.0, 4, 8),
        ((Gate(**near, threshold_db=20.0),), 8.0, 0, 0),
    ):
        settings = Settings(
            engine=engine,
            picking=PickingSettings(choice=choice, search_threshold_db=threshold_db),
            gates=tuple(TargetGate(method="any", target="any", gate=gate) for gate in gates),
        )
        retina = measure(weak, settings).delay_us[:, 4]
        assert least <= np.isfinite(retina).sum() <= most
        if gates:
            assert (np.abs(retina[np.isfinite(retina)] - 41.19) < 0.35).all()


def test_written_gates_read_back_are_the_presets_until_they_are_edited(tmp_path):
    recording = recording_of(eye_traces(2))
    path = tmp_path / "s.toml"
    path.write_text(settings_toml(expand_gates(Settings(), recording, None)))
    settings = read_settings(path)
    assert all(item.gate.preset for item in settings.gates)
    plain, again = measure(recording), measure(recording, settings)
    np.testing.assert_array_equal(again.delay_us, plain.delay_us)
    np.testing.assert_array_equal(again.length_right, plain.length_right)
    retina = next(k for k, item in enumerate(settings.gates) if item.gate.interface == "retina")
    moved = dataclasses.replace(settings.gates[retina].gate, start_us=25.0)
    gates = list(settings.gates)
    gates[retina] = dataclasses.replace(gates[retina], gate=moved)
    edited = measure(recording, dataclasses.replace(settings, gates=tuple(gates)))
    assert np.isnan(edited.axial_length_mm).all()
    assert Settings.from_table(json.loads(edited.settings_json)).gates[retina].gate.preset is False


def test_a_gate_for_what_lies_at_the_face_is_refused():
    recording = recording_of(eye_traces(1, cornea_us=0.0, shift_us=np.zeros(1)), method="contact")
    gate = Gate(interface="cornea_front", start_us=1.0, stop_us=2.0)
    for method in ("any", "contact"):
        settings = Settings(gates=(TargetGate(method=method, target="any", gate=gate),))
        with pytest.raises(ParameterError, match="lies at the probe's face and is not looked for"):
            measure(recording, settings)
    other = Settings(gates=(TargetGate(method="immersion", target="any", gate=gate),))
    with pytest.warns(EchotraceWarning, match="'cornea_front' .* applies to no scan"):
        assert np.isfinite(measure(recording, other).axial_length_mm).all()


@pytest.mark.parametrize("engine", ["fused", "plain"])
@pytest.mark.parametrize("choice", ["jointly", "gate_by_gate"])
@pytest.mark.parametrize("interface", ["cornea_back", "sclera", "retina"])
def test_an_empty_gate_is_told_be_it_of_what_need_not_be_there(engine, choice, interface):
    recording = recording_of(eye_traces(2, seed=3))
    gate = Gate(interface=interface, start_us=12.2, stop_us=12.9)
    own = Settings(
        engine=engine,
        picking=PickingSettings(choice=choice),
        gates=(TargetGate(method="any", target="any", gate=gate),),
    )
    result = measure(recording, own)
    for k in range(2):
        assert np.isnan(result.delay_us[k, result.interfaces.index(interface)])
        assert "echo_missing" in result.finding_list(k)
        words = explain_finding(result, k, "echo_missing", own.quality)
        assert f"{interface.replace('_', ' ')} (the user's gate: 12.2 to 12.9 µs)" in words
    assert not result.accepted.any()


def _gates(*tables):
    return Settings.from_table({"gate": [{"start_us": 38.0, "stop_us": 43.0} | t for t in tables]})


def test_gates_that_apply_to_nothing_are_told():
    recording = recording_of(eye_traces(2))
    plain = measure(recording)
    for table, said in (
        ({"interface": "retina", "target": "phakik"}, "target='phakik' .* did you mean 'phakic'"),
        ({"interface": "retina", "target": "plate"}, "neither measured nor built in"),
        ({"interface": "retna"}, "gate 'retna': no target here has it: did you mean 'retina'"),
        ({"interface": "retna", "target": "phakic"}, "has no interface 'retna': did you mean"),
    ):
        with pytest.raises(ParameterError, match=said):
            measure(recording, _gates(table))
    for table in (
        {"interface": "retina", "target": "aphakic"},
        {"interface": "retina", "target": "pseudophakic_pmma"},
        {"interface": "retina", "method": "contact"},
    ):
        with pytest.warns(EchotraceWarning, match="gate 'retina' .* applies to no scan"):
            result = measure(recording, _gates(table))
        np.testing.assert_array_equal(result.delay_us, plain.delay_us)
    # What was written out of the presets for other recordings is no mistake.
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        measure(recording, _gates({"interface": "retina", "method": "contact", "preset": True}))


def test_a_gate_for_any_target_is_for_those_that_have_the_interface():
    recording = recording_of(eye_traces(2), lens_state=["phakic", "aphakic"])
    gate = {"interface": "lens_front", "start_us": 14.2, "stop_us": 15.2}
    result = measure(recording, _gates(gate))
    assert result.delay_us[0, 2] == pytest.approx(10.0 + LE_GRAND_US[2], abs=0.02)
    assert "echo_missing" not in result.finding_list(1)


@pytest.mark.parametrize("method", ["immersion", "contact"])
@pytest.mark.parametrize("choice", ["jointly", "gate_by_gate"])
def test_gates_that_version_01_wrote_are_the_presets_until_they_are_edited(method, choice):
    """It wrote 13 dB into each, the cornea as the tallest echo, and no word of presets."""
    shift = {} if method == "immersion" else {"cornea_us": 0.0, "shift_us": np.zeros(2)}
    recording = recording_of(eye_traces(2, **shift), method=method)
    table = expand_gates(Settings(), recording, None).to_table()
    for item in table["gate"]:
        del item["preset"]
        item["threshold_db"] = 13.0
        if not item["relative_to"]:
            item |= {"select": "largest", "threshold_fraction": 0.0}
    table["picking"]["choice"] = choice
    old = Settings.from_table(table)
    new = Settings(picking=PickingSettings(choice=choice))
    one, other = measure(recording, old), measure(recording, new)
    np.testing.assert_array_equal(one.delay_us, other.delay_us)
    np.testing.assert_array_equal(one.length_right, other.length_right)
    assert own_gates_line(one) == ""
    next(g for g in table["gate"] if g["interface"] == "retina")["stop_us"] = 14.0
    edited = measure(recording, Settings.from_table(table))
    assert edited.has_finding("echo_missing").all()
    assert "retina" in own_gates_line(edited)
    assert "lens front" not in own_gates_line(edited)


def test_page_and_picture_say_which_gates_are_the_users():
    recording = recording_of(eye_traces(1))
    gate = Gate(interface="retina", start_us=38.0, stop_us=43.0)
    own = Settings(gates=(TargetGate(method="immersion", target="phakic", gate=gate),))
    for settings, said in ((own, True), (Settings(), False)):
        result = measure(recording, settings)
        page = measurement_page(recording, result, summarise(result), settings, source="r.h5")
        words = "outside which nothing was taken: retina 38 to 43 µs (immersion, phakic)."
        assert (words in page) == said
        figure = trace_figure(view_trace(recording, 0, settings))
        texts = [item.get_text() for item in figure.axes[1].texts]
        assert ("|–| gate set by the user" in texts) == said
        ends = [line for line in figure.axes[1].lines if line.get_marker() == "|"]
        assert [list(line.get_xdata()) for line in ends] == ([[38.0, 43.0]] if said else [])


def test_gate_and_target_of_the_pages_are_read(tmp_path):
    root = Path(__file__).resolve().parents[1]
    (gate,) = re.findall(
        r"```toml\n(\[\[gate\]\].*?)```", (root / "README.md").read_text("utf-8"), re.S
    )
    (tmp_path / "s.toml").write_text(gate, "utf-8")
    (item,) = read_settings(tmp_path / "s.toml").gates
    assert not item.gate.preset
    recording = read_recording(root / "synthetic_traces" / "immersion_sitting.h5")
    settings = read_settings(tmp_path / "s.toml")
    # The gate lets more echoes stand close to the retina, and close echoes are fitted jointly.
    np.testing.assert_allclose(
        measure(recording, settings).axial_length_mm,
        measure(recording).axial_length_mm,
        rtol=0,
        atol=2e-3,
    )
    page = (root / "DEVELOPERS.md").read_text("utf-8")
    (target,) = re.findall(r"```toml\n(name = .*?)```", page, re.S)
    (tmp_path / "t.toml").write_text(target, "utf-8")
    assert read_target(tmp_path / "t.toml").interface_names == ("near_face", "far_face")
