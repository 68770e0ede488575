"""The window without a display: keys and clicks do what they say, and what is saved holds."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from matplotlib.backend_bases import KeyEvent, MouseEvent

import echotrace as et
from echotrace.cli import main
from echotrace.errors import ParameterError
from echotrace.figures.style import new_figure
from echotrace.teaching.desk import Desk, receive_again
from echotrace.teaching.kept_text import KeptText
from echotrace.teaching.window import Window

RECORDING = "synthetic_traces/immersion_sitting.h5"


@pytest.fixture(autouse=True)
def _at_the_top(request, monkeypatch):
    monkeypatch.chdir(request.config.rootpath)


@pytest.fixture
def window(tmp_path):
    made = Window(
        Desk(et.read(RECORDING)), new_figure(12.5, 7.2), tmp_path / "s.toml", tmp_path / "d.toml"
    )
    made.figure.canvas.draw()
    return made


def key(window, *names):
    canvas = window.figure.canvas
    for name in names:
        canvas.callbacks.process("key_press_event", KeyEvent("key_press_event", canvas, name))


def drag(window, start, stop):
    """Press at one place of the trace's axes and let go at another; both in its own units."""
    canvas = window.figure.canvas
    for name, place in (("button_press_event", start), ("button_release_event", stop)):
        x, y = window.ax.transData.transform(place)
        canvas.callbacks.process(name, MouseEvent(name, canvas, x, y, button=1))


def same_as_measure(window):
    """What is shown is what measuring the recording with the same settings and decisions says."""
    desk = window.desk
    whole = et.measure(desk.recording, desk.settings, decisions=desk.decisions)
    shown = window.look.result
    np.testing.assert_allclose(shown.delay_us[0], whole.delay_us[desk.scan], atol=1e-9)
    assert shown.axial_length_mm[0] == pytest.approx(
        whole.axial_length_mm[desk.scan], abs=1e-9, nan_ok=True
    )
    assert bool(shown.accepted[0]) == bool(whole.accepted[desk.scan])
    for name, at in zip(shown.interfaces, shown.delay_us[0], strict=True):
        np.testing.assert_array_equal(window._picks[name].get_xdata(), [at, at])
    length = shown.axial_length_mm[0]
    assert ("no length" if np.isnan(length) else f"{length:.2f} mm") in window._said.get_text()


def test_keys_step_through_scans_and_interfaces(window):
    key(window, "right", "right")
    assert window.desk.scan == 2
    assert "Scan 3 of 6" in window._title.get_text()
    assert "rejected" in window._said.get_text()
    same_as_measure(window)
    key(window, *["right"] * 9)
    assert window.desk.scan == 5
    key(window, *["left"] * 9)
    assert window.desk.scan == 0
    key(window, "down")
    assert window.interface == "sclera"
    key(window, "up", "up")
    assert window.interface == "lens_back"


def test_a_click_places_the_interface(window):
    key(window, "right", "right")
    at = float(window.look.result.delay_us[0, window.names.index("retina")]) + 0.3
    before = float(window.look.result.axial_length_mm[0])
    drag(window, (at, -30.0), (at, -30.0))
    assert window.look.result.picked_by_hand(0) == ("retina",)
    assert window.desk.decisions.picks[2]["retina"].delay_us == pytest.approx(at, abs=0.05)
    assert float(window.look.result.axial_length_mm[0]) > before + 0.1
    same_as_measure(window)
    key(window, "u")
    assert not window.desk.decisions
    same_as_measure(window)


def test_a_gate_is_drawn_and_its_ends_are_dragged(window):
    lane = -80.0
    at = float(window.look.result.delay_us[0, window.names.index("retina")])
    drag(window, (at - 12.0, lane), (at - 6.0, lane))
    gate = window.desk.decisions.gates[0]["retina"]
    assert (gate.start_us, gate.stop_us) == pytest.approx((at - 12.0, at - 6.0), abs=0.05)
    same_as_measure(window)
    drag(window, (gate.stop_us, lane), (at + 1.0, lane))
    moved = window.desk.decisions.gates[0]["retina"]
    assert (moved.start_us, moved.stop_us) == pytest.approx((gate.start_us, at + 1.0), abs=0.05)
    # A gate of its own lets echoes stand close to the retina, and close echoes are fitted jointly.
    retina_us = window.look.result.delay_us[0, window.names.index("retina")]
    assert retina_us == pytest.approx(at, abs=2e-3)
    same_as_measure(window)


def test_picker_threshold_and_gain_change_what_is_seen(window):
    window._widgets["picker"].set_active(1)
    same_as_measure(window)
    window._widgets["threshold"].set_val(30.0)
    assert window.desk.settings.picking.search_threshold_db == 30.0
    same_as_measure(window)
    window._widgets["gain"].set_val(18.0)
    assert "gain too high" in window._said.get_text()
    window._widgets["gain"].set_val(0.0)
    assert "gain too high" not in window._said.get_text()
    same_as_measure(window)
    window._widgets["time_gain"].set_val(-20.0)
    assert window.look.recording.receiver != window.desk.recording.receiver


def pixels(window):
    return np.array(window.figure.canvas.buffer_rgba())


def test_a_change_redraws_what_changed_and_looks_as_if_all_were_drawn_anew(window):
    first = pixels(window)
    key(window, "right", "right", "down")
    window._widgets["gain"].set_val(6.0)
    drag(window, (42.3, -30.0), (42.3, -30.0))
    window._widgets["picker"].set_active(2)
    changed = pixels(window)
    window.figure.canvas.draw()
    np.testing.assert_array_equal(changed, pixels(window))
    assert (changed != first).any(axis=2).mean() > 0.02
    # What stands still is not drawn: a mark on it stays, and goes when all is drawn.
    axis = window.ax.xaxis.label
    axis.set_text("another label")
    key(window, "left")
    moved = pixels(window)
    window.figure.canvas.draw()
    assert (moved != pixels(window)).any()


def test_words_that_are_kept_look_as_matplotlib_draws_them():
    """Up to a pixel of place: the same words, as large, as dark, on the same line."""
    figures = new_figure(5, 1), new_figure(5, 1)
    how = {"size": 9.0, "colour": "#1b2a33"}
    kept = KeptText((0.1, 0.4), figures[0].transFigure, **how)
    kept.set_text("retina low, 23.43 mm")
    figures[0].add_artist(kept)
    figures[1].text(0.1, 0.4, kept.get_text(), fontsize=9.0, color="#1b2a33", va="bottom")
    dark = []
    for figure in figures:
        figure.canvas.draw()
        dark.append(255.0 - np.array(figure.canvas.buffer_rgba())[..., :3].mean(axis=2))
    assert dark[0].sum() == pytest.approx(dark[1].sum(), rel=0.02)
    for axis in (0, 1):
        ends = [np.flatnonzero(seen.sum(axis=axis) > 20)[[0, -1]] for seen in dark]
        np.testing.assert_allclose(ends[0], ends[1], atol=3)


def test_more_gain_is_what_a_receiver_with_more_gain_gives():
    """The same scene received anew by the synthesis, 6 dB louder, within the converter's steps."""
    quiet = et.synthesise({"scans": 1, "receiver": {"bits": 16}}, 1)
    loud = et.synthesise({"scans": 1, "receiver": {"bits": 16, "gain_db": 28.0}}, 1)
    again = receive_again(quiet, 6.0, 0.0)
    off = np.asarray(again.samples, float) - np.asarray(loud.samples, float)
    whole = np.abs(np.asarray(quiet.samples, float)) < 16000
    assert np.abs(off[whole]).max() <= 2.0
    np.testing.assert_allclose(again.gain_db, loud.gain_db)
    with pytest.raises(ParameterError, match="does not state its receiver"):
        receive_again(dataclasses.replace(quiet, receiver=None), 6.0, 0.0)


def test_decisions_need_a_reason_and_are_saved_for_measure(window, tmp_path, capsys):
    key(window, "r")
    assert window._note.get_text() == "give a reason first, in the line above the buttons"
    assert not window.desk.decisions
    window._widgets["reason"].set_val("lid in the way")
    key(window, "r")
    assert "rejected by hand" in window._said.get_text()
    key(window, "right")
    drag(window, (42.3, -30.0), (42.3, -30.0))
    window._widgets["threshold"].set_val(20.0)
    key(window, "s")
    assert "saved s.toml, d.toml" in window._note.get_text()
    table = tmp_path / "r.h5"
    words = ["measure", RECORDING, "--settings", str(tmp_path / "s.toml"), "--decisions",
             str(tmp_path / "d.toml"), "-o", str(table)]  # fmt: skip
    assert main(words) in (0, 1)
    assert "lid in the way" in capsys.readouterr().out
    kept = et.read_measurement(table)
    assert not kept.accepted[0]
    assert kept.picked_by_hand(1) == ("retina",)
    assert kept.axial_length_mm[1] == pytest.approx(
        float(window.look.result.axial_length_mm[0]), abs=1e-9
    )


def test_keys_in_the_line_for_reasons_are_letters(window):
    window._widgets["reason"].capturekeystrokes = True
    key(window, "r", "s", "right")
    assert window.desk.scan == 0
    assert not window.desk.decisions


def test_without_a_display_one_error_names_what_to_do(monkeypatch, capsys):
    for name in ("DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("sys.platform", "linux")
    assert main(["inspect", RECORDING, "--window"]) == 2
    err = capsys.readouterr().err
    assert "no display" in err
    assert "echotrace draw" in err
    assert err.count("\n") == 1
    assert main(["inspect", RECORDING, "--write-decisions", "d.toml"]) == 2
    assert "goes with --window" in capsys.readouterr().err
