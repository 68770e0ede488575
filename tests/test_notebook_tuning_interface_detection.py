"""The engineer's notebook: ships with its pictures, uses public names only, runs, proves it."""

from __future__ import annotations

import pytest

from notebooks import Notebook

TUNING = Notebook("tuning_interface_detection.ipynb", 500_000)


def test_it_ships_with_the_outputs_of_one_run_from_the_top():
    assert TUNING.check_outputs() == 4
    said = "No trace here is of a patient, and echotrace is not a medical device"
    assert said in TUNING.words


def test_it_uses_public_names_and_nothing_deeper():
    TUNING.check_public({"delay_bound", "picker_errors", "tune", "write_tuned_settings"})


def _check(found):
    # Eight echoes in a hundred scatter by 4 %: 300 each.
    assert max(found["default_ratio"]) < 1.15
    assert found["worst_ratio"] > 1.5
    matched, _, raw = found["detected"]
    assert matched > raw
    low, middle, high = found["gain_mm"]
    assert low <= middle <= high
    assert found["beats_presets"] == (low > 0)
    assert found["recommends_presets"] == (not found["beats_presets"])
    assert found["tuned_um"] < found["presets_um"] + 20


def test_the_outputs_prove_what_is_said():
    _check(TUNING.told())


@pytest.mark.compiled
def test_the_notebook_runs(tmp_path):
    _check(TUNING.run_anew(tmp_path))
