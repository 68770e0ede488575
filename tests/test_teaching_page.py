"""The pages in a browser, by keyboard: their numbers are those of the chain."""

from __future__ import annotations

import itertools
import math
import re

import numpy as np
import pytest
import tomli_w
from browser import Browser

import echotrace as et
from echotrace.cli import main
from echotrace.teaching import play
from echotrace.teaching.exercise import CAUSES, make_exercise
from echotrace.teaching.exercise_page import exercise_page
from echotrace.teaching.judged import error_words, length_words
from echotrace.teaching.play import GROUPS, SLIDERS, combinations, make_states, state_scenario
from echotrace.teaching.play_page import play_page


@pytest.fixture(scope="module")
def few():
    """Fewer stops, so that the page is made in seconds; all else is as it ships."""
    stops = {
        "tilt": (0.0, 4.0, 6.0), "aside": (0.0, 1.0), "up": (0.0, 0.5), "gain": (22.0, 40.0),
        "time_gain": ("rises", "falls"), "pressing": (0.0, 0.5), "gel": (0.0, 0.3),
        "lens": ("clear", "none"),
    }  # fmt: skip
    patch = pytest.MonkeyPatch()
    sliders = {}
    for name, slider in SLIDERS.items():
        words = tuple(
            word for stop, word in zip(slider.stops, slider.words, strict=False)
            if stop in stops[name]
        )  # fmt: skip
        sliders[name] = play.Slider(
            name=name, label=slider.label, unit=slider.unit, stops=stops[name], words=words
        )
    for name in SLIDERS:
        patch.setitem(SLIDERS, name, sliders[name])
    states = {name: list(make_states(name)) for name in GROUPS}
    yield play_page(groups=states)
    patch.undo()


@pytest.fixture
def page(few, tmp_path):
    path = tmp_path / "lesson.html"
    path.write_text(few, encoding="utf-8")
    browser = Browser(path, tmp_path)
    yield browser
    browser.close()


def _measured(tmp_path, group, stops):
    """What the commands synth and measure make of a state's scenario, on its own."""
    scenario, recording = tmp_path / "state.toml", tmp_path / "state.h5"
    scenario.write_text(tomli_w.dumps(state_scenario(group, stops)))
    assert main(["synth", str(scenario), "-o", str(recording), "--overwrite"]) == 0
    made = et.read(recording)
    return made, et.measure(made)


def _shown(page):
    return page.value("document.getElementById('yours-line').innerText").split("\n")


MOVES = [
    ("probe", {"tilt": 2}, (6.0, 0.0, 0.0)),
    ("probe", {"tilt": 1, "aside": 1, "up": 1}, (4.0, 1.0, 0.5)),
    ("receiver", {"gain": 1}, (0.0, 40.0, "rises")),
    ("receiver", {"tilt": 1, "time_gain": 1}, (4.0, 22.0, "falls")),
    ("contact", {"pressing": 1}, (0.0, 0.5, 0.0)),
    ("contact", {"tilt": 1, "gel": 1}, (4.0, 0.0, 0.3)),
    ("eye", {"lens": 1}, (0.0, "none")),
]


def test_sliders_moved_by_keyboard_show_what_measure_says(page, tmp_path, capsys):
    for group, moves, stops in MOVES:
        page.tab_to("home")
        page.press("Enter")
        page.value("document.activeElement.blur()")
        for name, steps in moves.items():
            page.tab_to(name)
            page.press("ArrowRight", steps)
        made, result = _measured(tmp_path, group, stops)
        length = float(result.axial_length_mm[0])
        error = length - float(made.truth.columns["axial_length_mm"][0])
        verdict = "accepted" if result.accepted[0] else "rejected"
        text = " ".join(_shown(page))
        assert length_words(length) in text, (group, stops)
        assert error_words(error) in text, (group, stops)
        assert f"the chain: {verdict}" in text
        label = page.value("document.getElementById('yours-trace').getAttribute('aria-label')")
        picks = dict(re.findall(r"([a-z ]+) at ([\d.]+) µs", label.split("Picks:")[1]))
        expected = {
            name.replace("_", " "): f"{at:.2f}"
            for name, at in zip(result.interfaces, result.delay_us[0], strict=True)
            if math.isfinite(at)
        }
        assert {k.strip(): v for k, v in picks.items()} == expected
        drawn = page.value("document.querySelectorAll('#yours-trace .pick').length")
        assert drawn == len(expected)
        assert float(page.value("document.body.dataset.stepMs")) < 1000
    assert page.errors == []
    capsys.readouterr()


def test_what_leaves_the_computed_steps_is_put_back_and_told(page):
    page.tab_to("gain")
    page.press("ArrowRight")
    page.tab_to("pressing")
    page.press("ArrowRight")
    assert page.value("document.getElementById('gain').value") == "0"
    assert page.value("document.getElementById('touching').checked") is True
    assert "gain" in page.value("document.getElementById('notice').textContent")
    assert page.errors == []


def test_every_control_has_a_name_and_nothing_is_fetched(page, few):
    unnamed = page.value(
        "[...document.querySelectorAll('input,select,button')].filter(e => !(e.labels && "
        "e.labels.length) && !e.getAttribute('aria-label') && !e.textContent.trim()).length"
    )
    assert unnamed == 0
    assert page.value("document.querySelectorAll('svg:not([aria-label])').length") == 0
    assert page.value("performance.getEntriesByType('resource').length") == 0
    assert not re.findall(r'(?:src|href)="(?!#)', few)
    assert "invented data, no patient" in few
    assert "Not a medical device" in few


def test_it_fits_a_phone(few, tmp_path):
    path = tmp_path / "lesson.html"
    path.write_text(few, encoding="utf-8")
    phone = Browser(path, tmp_path, 500, 900)
    try:
        phone.ask("Emulation.setDeviceMetricsOverride", width=390, height=844,
                  deviceScaleFactor=1, mobile=True)  # fmt: skip
        assert phone.value("document.documentElement.scrollWidth") <= 390
        assert phone.errors == []
    finally:
        phone.close()


def test_the_steps_that_ship():
    for group, axes in GROUPS.items():
        assert len(combinations(group)) == math.prod(len(SLIDERS[name].stops) for name in axes)
        for stops in itertools.islice(combinations(group), 3):
            assert et.Synthesis(state_scenario(group, stops)).scenario.scans == 1
    # A seal: the check above compares the page with what it was made from, one state at a time.
    states = list(make_states("eye", lambda items: items[:2]))
    assert not np.array_equal(
        states[0].judged.recording.samples, states[1].judged.recording.samples
    )


# --- the exercise --------------------------------------------------------------------------------


def test_an_exercise_is_done_by_keyboard(tmp_path):
    exercise = make_exercise(3, 7, "trained")
    path = tmp_path / "exercise.html"
    path.write_text(exercise_page(exercise), encoding="utf-8")
    page = Browser(path, tmp_path)
    try:
        for case in exercise.cases:
            visible = page.value("document.getElementById('task').innerText")
            assert case.judged.recording.method[0] in visible
            assert page.value("document.querySelectorAll('#trace .truth').length") == 0
            page.value("document.querySelector('input[name=verdict]').focus()")
            page.press(" ")
            page.tab_to("check")
            page.press("Enter")
            told = page.value("document.getElementById('feedback').innerText")
            if case.cause:
                assert "had to be rejected" in told
                assert CAUSES[case.cause] in told
            else:
                assert told.startswith("Right.")
            assert length_words(case.judged.length_mm) in told
            assert page.value("document.querySelectorAll('#trace .truth').length") > 0
            page.press("Enter")
        summary = page.value("document.getElementById('summary').textContent")
        spoilt = sum(case.cause != "" for case in exercise.cases)
        assert summary.startswith(f"0 of {spoilt} spoilt traces were rejected, and 0 of")
        page.value("document.getElementById('save').click()")
        assert "never a name" in page.value("document.getElementById('summary').textContent")
        assert page.errors == []
    finally:
        page.close()
