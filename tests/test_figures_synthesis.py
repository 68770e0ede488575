"""Figures of synthetic traces: what they draw, not how it looks."""

import numpy as np
import pytest

from echotrace.figures.synthesis import (
    artefact_traces,
    level_figure,
    levels_against_tilt,
    plot_display,
    plot_levels_against_tilt,
    side_by_side,
    tilt_figure,
)
from echotrace.synthesis import synthesise
from echotrace.synthesis.artefact_names import ARTEFACTS


@pytest.fixture(scope="module")
def recording():
    return synthesise({"scans": 2}, 1)


def test_display_shows_the_envelope_in_db_and_the_true_arrivals(recording):
    ax = plot_display(recording, 1, title="second")
    envelope, full_scale, *ticks = ax.lines
    x, y = envelope.get_data()
    assert x.size == recording.n_samples
    assert y.min() >= -60.0
    assert "µs" in ax.get_xlabel()
    assert "dB" in ax.get_ylabel()
    assert full_scale.get_ydata()[0] == 0.0
    drawn = sorted(line.get_xdata()[0] for line in ticks)
    assert drawn == pytest.approx(sorted(recording.truth.delay_us[1]))


def test_display_without_truth(recording):
    assert len(plot_display(recording.without_truth()).lines) == 2


def test_side_by_side_hides_what_is_left_over(recording):
    figure = side_by_side([("a", recording, 0), ("b", recording, 1), ("c", recording, 0)])
    visible = [ax for ax in figure.axes if ax.get_visible()]
    assert [ax.get_title(loc="left") for ax in visible] == ["a", "b", "c"]
    assert len(figure.axes) == 4


def test_levels_against_tilt_fall_for_all_but_the_lens_back():
    tilts = [0.0, 3.0]
    levels = levels_against_tilt("immersion", tilts)
    assert abs(levels["lens_back"][1]) < 1.0
    for name in ("cornea_front", "lens_front", "retina"):
        assert levels[name][0] == 0.0
        assert levels[name][1] < -5.0
    ax = plot_levels_against_tilt(tilts, levels, title="immersion")
    assert len(ax.lines) == 7
    assert np.allclose(ax.lines[0].get_xdata(), tilts)
    assert "degrees" in ax.get_xlabel()


def test_tilts_of_both_methods_stand_side_by_side():
    titles = [ax.get_title(loc="left") for ax in tilt_figure(tilts_deg=(0.0, 5.0)).axes]
    assert titles == [
        "immersion, 0° off axis", "contact, 0° off axis",
        "immersion, 5° off axis", "contact, 5° off axis",
    ]  # fmt: skip


def test_every_artefact_has_its_picture():
    shown, first = set(), None
    for _, recording, trace in artefact_traces():
        flags = int(recording.truth.columns["artefacts"][trace])
        names = {name for n, name in enumerate(ARTEFACTS) if flags >> n & 1}
        first = names if first is None else first
        shown |= names
    # Bath reverberation belongs to immersion; oblique beams have a figure of their own.
    assert first == {"bath_reverberation"}
    assert shown | {"oblique"} == set(ARTEFACTS)


def test_level_figure_has_both_methods():
    axes = level_figure(tilts_deg=(0.0, 2.0)).axes
    assert [ax.get_title(loc="left") for ax in axes] == ["immersion", "contact"]
    assert all(len(ax.lines) == 7 for ax in axes)
