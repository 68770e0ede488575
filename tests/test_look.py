"""What a reader sees: colours in grey print and without green cones, names that no line crosses."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from colour_seen import (
    KINDS_OF_CONES,
    WITHOUT_GREEN_CONES,
    WITHOUT_RED_CONES,
    contrast,
    lightness,
    linear,
)
from matplotlib.lines import Line2D

from echotrace.chain.plain import view_trace
from echotrace.cli import main
from echotrace.figures.style import COLOURS, INTERFACE_COLOURS, INTERFACE_STYLES
from echotrace.figures.trace import trace_figure
from echotrace.figures.trace_scale import common_scale, depth_mm, shown_segments
from echotrace.files.native import read_recording
from echotrace.settings import Settings
from echotrace.signal.lengths import LengthSettings

ROOT = Path(__file__).resolve().parents[1]
SITTING = ROOT / "synthetic_traces" / "immersion_sitting.h5"

# Least distances of interface colours in L*, as INTERFACE_COLOURS states them.
LEAST_OF_NEIGHBOURS, LEAST_OF_ANY = 13.0, 4.5


def schemes():
    """Colours of the page, light and dark, as the template has them."""
    page = (ROOT / "echotrace/report/templates/base.html.j2").read_text("utf-8")
    parts = page.split("@media screen and (prefers-color-scheme: dark)")
    light, dark = parts[0], parts[1].split("* { box-sizing")[0]
    return [dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", part)) for part in (light, dark)]


def told_apart(colours):
    for seen in KINDS_OF_CONES:
        value = np.array([lightness(seen @ linear(c)) for c in colours])
        yield np.abs(np.diff(value)).min(), np.diff(np.sort(value)).min()


def test_lightness_is_that_of_the_standards():
    """Mid grey of sRGB has L* 53.585 (value from memory); white 100; black 0."""
    assert lightness(linear("#808080")) == pytest.approx(53.585, abs=2e-3)
    assert lightness(linear("#ffffff")) == pytest.approx(100.0, abs=1e-9)
    assert lightness(linear("#000000")) == 0.0


def test_white_stays_white_without_cones():
    for seen in (WITHOUT_GREEN_CONES, WITHOUT_RED_CONES):
        np.testing.assert_allclose(seen.sum(axis=1), 1.0, atol=2e-6)


def test_interfaces_differ_in_grey_and_without_green_or_red_cones():
    names = [name.replace("_", "-") for name in INTERFACE_COLOURS]
    for scheme in schemes():
        for neighbours, any_two in told_apart([scheme[name] for name in names]):
            assert neighbours >= LEAST_OF_NEIGHBOURS
            assert any_two >= LEAST_OF_ANY
    assert [schemes()[0][name] for name in names] == list(INTERFACE_COLOURS.values())
    # What was there before, two greys for seven lines, does not pass.
    old = ["#3a5ba0", "#5f93b8", "#8a5a00", "#c98a1b", "#b23a5e", "#7b5c8e"]
    assert min(any_two for _, any_two in told_apart(old)) < LEAST_OF_ANY
    assert len({str(style) for style, _ in INTERFACE_STYLES}) == len(INTERFACE_COLOURS)
    assert len({marker for _, marker in INTERFACE_STYLES}) == len(INTERFACE_COLOURS)


def test_lines_and_text_stand_out_from_the_paper():
    """WCAG 2.2: 4.5 to 1 for text (1.4.3), 3 to 1 for what a picture is read by (1.4.11)."""
    for scheme in schemes():
        for name in ("ink", "muted", "good", "bad", "accent"):
            assert contrast(scheme[name], scheme["paper"]) >= 4.5, name
        for name in ("trace", "envelope", *(n.replace("_", "-") for n in INTERFACE_COLOURS)):
            assert contrast(scheme[name], scheme["paper"]) >= 3.0, name
    for name in ("ink", "muted", "accent", "good", "bad"):
        assert contrast(COLOURS[name], "#ffffff") >= 4.5, name


@pytest.mark.parametrize("name", ["immersion_sitting", "contact_sitting", "pseudophakic_pmma"])
def test_no_name_is_crossed_by_a_line_or_another_name(name):
    recording = read_recording(ROOT / "synthetic_traces" / f"{name}.h5")
    figure = trace_figure(view_trace(recording, 0), title="Scan 1")
    lower = figure.axes[1]
    figure.canvas.draw()
    texts = [t for t in lower.texts if t.get_text() != "mm"]
    boxes = [(t.get_text(), t.get_window_extent()) for t in texts]
    uprights = []
    for line in (a for a in lower.get_children() if isinstance(a, Line2D)):
        if line.get_transform() != lower.transData:
            continue
        x, y = lower.transData.transform(np.column_stack(line.get_data())).T
        if len(x) == 2 and np.ptp(x) == 0.0 and np.ptp(y) > 30:
            uprights.append((x[0], y.min(), y.max()))
    assert len(uprights) >= 4
    for text, box in boxes:
        for x, low, high in uprights:
            crossed = box.x0 + 0.5 < x < box.x1 - 0.5 and low < box.y1 and high > box.y0
            assert not crossed, text
        for other, second in boxes:
            assert other == text or not box.shrunk(0.98, 0.9).overlaps(second), (text, other)


def test_scans_of_a_picture_have_one_scale_and_state_it():
    recording = read_recording(SITTING)
    views = [view_trace(recording, k) for k in (0, 2)]
    scale = common_scale(views)
    figures = [trace_figure(view, scale=scale) for view in views]
    assert figures[0].axes[0].get_ylim() == figures[1].axes[0].get_ylim()
    assert figures[0].axes[1].get_xlim() == figures[1].axes[1].get_xlim()
    tallest = [np.nanmax(f.axes[1].lines[0].get_ydata()[1000:]) for f in figures]
    assert max(tallest) == pytest.approx(0.0, abs=0.2)
    # Off the axis the corneal echoes are 17 dB lower: on a scale of its own that is not seen.
    front = [f.axes[1].lines[0].get_ydata()[1250:1350].max() for f in figures]
    assert front[0] - front[1] > 12.0
    assert figures[0].axes[1].get_ylabel() == "envelope (dB; 0: tallest echo)"


def test_depths_and_segments_are_those_that_are_measured():
    from echotrace.chain.measure import measure

    recording = read_recording(SITTING)
    view, result = view_trace(recording, 0), measure(recording)
    shown = [length for *_, length in shown_segments(view)]
    assert shown == pytest.approx(result.length_mm[0].tolist(), abs=2e-3)
    depth = depth_mm(view, view.delay_us[0])
    retina = view.target.interface_names.index("retina")
    assert depth[retina] == pytest.approx(result.axial_length_mm[0], abs=2e-3)


def test_a_picture_says_where_segments_do_not_add_up():
    recording = read_recording(SITTING)
    for speed, says in (
        (0.0, ""),
        (1555.0, "gates; length at 1555 m/s: segments do not add up to it"),
    ):
        settings = Settings(lengths=LengthSettings(average_speed_m_per_s=speed))
        figure = trace_figure(view_trace(recording, 0, settings), title="Scan 1")
        figure.canvas.draw()
        found = [text for text in figure.axes[1].texts if "add up" in text.get_text()]
        assert [text.get_text() for text in found] == [says] * bool(says)
        assert all(text.get_window_extent().x1 < figure.axes[1].bbox.x1 for text in found)


def test_what_is_true_but_beyond_a_trace_is_an_arrow_at_its_end():
    from echotrace.figures.synthesis import plot_display

    recording = read_recording(SITTING)
    ticks = [line.get_marker() for line in plot_display(recording, 0).lines]
    cut = replace(recording, samples=np.asarray(recording.samples)[:, :4000])
    assert cut.truth.delay_us[0].max() > cut.delay_us[-1]
    ax = plot_display(cut, 0)
    arrows = [line for line in ax.lines if line.get_marker() == ">"]
    assert ">" not in ticks
    assert len(arrows) >= 1
    assert len(ax.lines) == len(ticks)
    assert all(line.get_xdata()[0] == cut.delay_us[-1] for line in arrows)


def test_draw_writes_what_the_ending_says(tmp_path, capsys):
    begins = {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}
    for ending, first in begins.items():
        out = tmp_path / f"scan.{ending}"
        assert main(["draw", str(SITTING), "--scan", "2", "4-5", "-o", str(out)]) == 0
        assert out.read_bytes().startswith(first)
    said = capsys.readouterr().out
    assert "scans 2, 4 and 5" in said
    assert "Synthetic traces" in said
    svg = (tmp_path / "scan.svg").read_text("utf-8")
    assert "synthetic, invented; not a medical device" in svg
    assert "Scan 5: 23.40 mm, rejected: gain too high" in svg


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--scan", "7"], "--scan 7: the recording has scans 1 to 6"),
        (["--scan", "0"], "--scan"),
        (["--scan", "3-2"], "--scan 3-2"),
        (["--scan", "2", "1-3"], "named twice"),
    ],
)
def test_draw_refuses_in_one_line(words, message, tmp_path, capsys):
    assert main(["draw", str(SITTING), *words, "-o", str(tmp_path / "x.png")]) == 2
    err = capsys.readouterr().err
    assert message in err
    assert err.count("\n") == 1
    assert not list(tmp_path.iterdir())
