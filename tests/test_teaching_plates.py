"""Plates: what they show is what the chain says and what the recording's truth holds."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from colour_seen import KINDS_OF_CONES, contrast, lightness, linear

import echotrace as et
from echotrace.cli import main
from echotrace.errors import ParameterError
from echotrace.figures.style import COLOURS
from echotrace.teaching.judged import error_words, judge
from echotrace.teaching.plate_figure import plate_figure
from echotrace.teaching.plate_page import plates_page
from echotrace.teaching.plates import lesson_plates, plate_of_file
from echotrace.teaching.recipe import read_lesson, shipped_lesson

RECORDING = "synthetic_traces/immersion_sitting.h5"


@pytest.fixture(scope="module")
def plates():
    return lesson_plates(shipped_lesson())


@pytest.fixture(autouse=True)
def _at_the_top(request, monkeypatch):
    monkeypatch.chdir(request.config.rootpath)


def test_the_lesson_has_the_same_eye_in_twelve_plates(plates):
    assert len(plates) == 12
    for plate in plates:
        for one in (plate.good, plate.spoilt):
            assert one.true_length_mm == pytest.approx(23.4, abs=1e-9)
        assert plate.good.accepted
        assert abs(plate.good.error_mm) < 0.03


def test_errors_are_against_the_truth_and_not_against_the_labels(plates):
    for plate in plates:
        for one in (plate.good, plate.spoilt):
            truth = float(one.recording.truth.columns["axial_length_mm"][0])
            measured = float(et.measure(one.recording).axial_length_mm[0])
            np.testing.assert_equal(one.error_mm, measured - truth)
    # Told the wrong filling, the label would make the length right; the truth does not.
    oil = plates[11].spoilt
    assert oil.recording.vitreous[0] == "natural"
    assert oil.error_mm > 5.0
    told_right = judge(replace(oil.recording, vitreous="silicone_oil_1000"))
    assert abs(told_right.error_mm) < 0.03


def test_each_way_of_spoiling_does_what_its_words_say(plates):
    by_name = {plate.name[3:]: plate.spoilt for plate in plates}
    # Pressing shortens by what it presses, gel lengthens by its thickness over its own speed.
    assert by_name["pressed"].error_mm == pytest.approx(-0.5, abs=0.03)
    assert by_name["pressed"].accepted
    assert by_name["gel"].error_mm == pytest.approx(0.3, abs=0.05)
    for name, finding in (
        ("tilt", "beam_off_axis"),
        ("decentred", "retina_not_steep"),
        ("optic_nerve", "retina_not_steep"),
        ("gel", "fluid_before_cornea"),
        ("too_much_gain", "gain_too_high"),
        ("wrong_eye_state", "vitreous_doubtful"),
    ):
        assert finding in by_name[name].findings(), name


def _texts(figure):
    from matplotlib.text import Text

    renderer = figure.canvas.get_renderer()
    for text in figure.findobj(Text):
        if text.get_text().strip() and text.get_visible():
            # Of the words alone, without the line that leads to their place.
            yield text.get_text(), Text.get_window_extent(text, renderer)


def _overlapping(figure):
    figure.canvas.draw()
    boxes = list(_texts(figure))
    page = figure.bbox
    told = [
        f"{words!r} is clipped"
        for words, box in boxes
        if box.x0 < 0 or box.y0 < 0 or box.x1 > page.x1 or box.y1 > page.y1
    ]
    for k, (words, box) in enumerate(boxes):
        for other_words, other in boxes[k + 1 :]:
            wide = min(box.x1, other.x1) - max(box.x0, other.x0)
            high = min(box.y1, other.y1) - max(box.y0, other.y0)
            if wide > 1.5 and high > 1.5:
                told.append(f"{words!r} lies on {other_words!r}")
    return told


def test_no_words_overlap_or_are_clipped(plates):
    for plate in plates:
        assert _overlapping(plate_figure(plate)) == [], plate.name
    figure = plate_figure(plates[0])
    figure.text(0.06, 0.945, "on the title")
    assert any("on the title" in told for told in _overlapping(figure))


def test_plates_are_read_without_green_or_red_cones_and_in_grey(plates):
    """WCAG 2.2: text 4.5 to 1, lines 3 to 1; names and words stand beside all that is coloured."""
    from matplotlib.colors import to_hex
    from matplotlib.lines import Line2D
    from matplotlib.text import Text

    for plate in plates:
        figure = plate_figure(plate)
        texts = {to_hex(t.get_color()) for t in figure.findobj(Text) if t.get_text().strip()}
        lines = {
            to_hex(line.get_color())
            for ax in figure.axes
            for line in ax.get_children()
            if isinstance(line, Line2D)
        }
        faint = {"#bcc7cc", COLOURS["grid"]}
        assert COLOURS["envelope"] in lines
        for seen in KINDS_OF_CONES:
            assert min(contrast(colour, "#ffffff", seen) for colour in texts) >= 4.5
            assert min(contrast(colour, "#ffffff", seen) for colour in lines - faint) >= 3.0
            # RF faint, envelope strong.
            strong, weak = (lightness(seen @ linear(c)) for c in (COLOURS["envelope"], "#bcc7cc"))
            assert weak - strong >= 25.0
        # Colour alone tells nothing: each pick has its name beside it, the verdict its word.
        said = " ".join(t.get_text() for t in figure.findobj(Text))
        for one in (plate.good, plate.spoilt):
            assert all(name.replace("_", " ") in said for name in one.picks_us)
            assert ("accepted" if one.accepted else "rejected") in said


def test_a_figure_is_a_sheet_of_a4_and_marks_every_pick(plates):
    figure = plate_figure(plates[1])
    # ISO 216: A4 is 210 mm by 297 mm.
    np.testing.assert_allclose(figure.get_size_inches() * 25.4, [297, 210], atol=0.1)
    for ax, one in zip(figure.axes, (plates[1].good, plates[1].spoilt), strict=True):
        drawn = {float(line.get_xdata()[0]) for line in ax.lines if len(line.get_xdata()) == 2}
        assert set(one.picks_us.values()) <= drawn
    assert figure.axes[0].get_xlim() == figure.axes[1].get_xlim()
    assert figure.axes[0].get_ylim() == figure.axes[1].get_ylim()


def test_the_page_says_what_the_chain_says(plates):
    page = plates_page(plates, "A lesson")
    assert not re.search(r'(src|href)="(?!#)', page)
    words = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    for plate in plates:
        assert error_words(plate.spoilt.error_mm) in words
        for text in plate.spoilt.reasons():
            assert text.split(". ")[0] in words
    assert "invented data, no patient" in words
    assert "Not a medical device" in words


def test_one_command_makes_the_lesson(tmp_path, capsys):
    recipe = tmp_path / "short.toml"
    recipe.write_text(
        'title = "Two"\nseed = 3\n[base]\nscans = 1\n[[plate]]\nname = "tilt"\n'
        '[plate.spoilt.pose]\nkind = "oblique"\ntilt_deg = 6.0\n'
    )
    out = tmp_path / "lesson"
    words = ["teach", "plates", "--recipe", str(recipe), "-o", str(out)]
    assert main(words) == 0
    assert sorted(path.name for path in out.iterdir()) == [
        "lesson.html", "lesson.pdf", "tilt.png", "tilt.svg",
    ]  # fmt: skip
    assert (out / "tilt.png").read_bytes()[:4] == b"\x89PNG"
    assert (out / "lesson.pdf").read_bytes()[:4] == b"%PDF"
    assert "Not a medical device" in capsys.readouterr().out
    assert main(words) == 2
    assert "exists already; give --overwrite" in capsys.readouterr().err


def test_plates_of_files(tmp_path, capsys):
    plate = plate_of_file(RECORDING)
    assert plate.labels[1] == "scan 3"
    assert plate.spoilt.true_length_mm == pytest.approx(23.41)
    scenario = plate_of_file("synthetic_traces/immersion_oblique.toml", scan=1)
    assert scenario.labels == ("the same eye on axis", "scan 2")
    assert scenario.good.accepted
    assert scenario.good.true_length_mm == scenario.spoilt.true_length_mm
    with pytest.raises(ParameterError, match="no scan 9; there are 6"):
        plate_of_file(RECORDING, scan=8)
    one = tmp_path / "one.h5"
    et.write(et.read(RECORDING).select(slice(0, 1)), one)
    assert main(["teach", "plates", str(one), "-o", str(tmp_path / "x")]) == 2
    assert "one scan only" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "no \\[\\[plate\\]\\]"),
        ("[[plate]]\nname = 'a/b'\n", "letters, digits"),
        ("[[plate]]\nname = 'a'\n[[plate]]\nname = 'a'\n", "two plates are named"),
        ("[[plate]]\nname = 'a'\nlabels = ['x']\n", "two texts"),
        ("[[plate]]\nname = 'a'\n[plate.told]\nlens = 'x'\n", "lens"),
        ("[[plate]]\nname = 'a'\n[[plate.note]]\nat = 'retina'\nwords = 'x'\non = 'both'\n", "on="),
        ("[[plate]]\nname = 'a'\nspoilt = 3\n", "spoilt"),
    ],
)
def test_a_recipe_that_is_wrong_is_told_by_file_and_key(tmp_path, text, told):
    path = tmp_path / "lesson.toml"
    path.write_text(text)
    with pytest.raises(ParameterError, match=told) as error:
        read_lesson(path)
    assert "lesson.toml" in str(error.value)
