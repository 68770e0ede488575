"""Pictures of the probabilities show the figures they claim."""

import numpy as np
import pytest

from echotrace.fitting.roc import roc_area
from echotrace.fitting.score_figures import (
    error_plot,
    left_out_plot,
    reliability_plot,
    roc_plot,
    score_figure,
    tilt_plot,
)
from echotrace.fitting.score_sets import shipped_sets
from echotrace.quality.score import shipped_models


@pytest.fixture(scope="module")
def data():
    return shipped_sets()["develop"]


@pytest.fixture(scope="module")
def score(data):
    return shipped_models()["length_right"].probability(data.features)


def _texts(ax):
    return " ".join(text.get_text() for text in ax.texts)


def test_roc_picture_says_its_area(data, score):
    ax = roc_plot(score, data.length_right, data.sitting)
    assert f"area {roc_area(score, data.length_right):.3f}" in _texts(ax)
    x, y = ax.lines[-1].get_data()
    assert np.trapezoid(y, x) == pytest.approx(roc_area(score, data.length_right), abs=1e-9)


def test_reliability_has_ten_bins_of_all_traces(data, score):
    ax = reliability_plot(score, data.length_right)
    share = ax.containers[0].lines[0].get_ydata()
    assert share.size == 10
    # Bins of equal numbers: their mean share is that of all traces.
    assert share.mean() == pytest.approx(data.length_right.mean(), abs=0.01)


def test_error_picture_counts_what_is_accepted(data, score):
    ax = error_plot(score, data.error_mm, 0.4)
    taken = (score >= 0.4) & np.isfinite(data.error_mm)
    assert f"{taken.sum()} scans" in _texts(ax)
    share = 100 * np.mean(np.abs(data.error_mm[taken]) > 0.1)
    assert f"{share:.1f} % beyond 0.1 mm" in _texts(ax)


def test_every_trace_stands_in_the_picture_of_tilt(data, score):
    ax = tilt_plot(score, data.tilt_deg, data.retina_incidence_deg)
    assert sum(len(item.get_offsets()) for item in ax.collections) == data.length_right.size


def test_the_four_together(data, score):
    figure = score_figure(data, score, data.aligned.astype(float), level=0.4, title="t")
    assert [ax.get_title(loc="left") for ax in figure.axes] == [
        "Right against wrong",
        "Length error",
        "Reliability",
        "Reliability",
        "Alignment, immersion",
        "Alignment, contact",
    ]
    assert [ax.get_xlabel() for ax in figure.axes[2:4]] == [
        "probability: length right",
        "probability: aligned",
    ]


def test_each_group_has_its_own_curve(data, score):
    ax = left_out_plot(score, data.length_right, data.state)
    words = [text.get_text() for text in ax.get_legend().get_texts()]
    for name, word in zip(np.unique(data.state), words, strict=True):
        rows = data.state == name
        assert word == f"{name}: {roc_area(score[rows], data.length_right[rows]):.3f}"
