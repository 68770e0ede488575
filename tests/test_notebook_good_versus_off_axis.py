"""The lesson: ships with its pictures, uses the public names only, runs, and shows what it says."""

from __future__ import annotations

import pytest

from notebooks import Notebook, source

LESSON = Notebook("good_versus_off_axis.ipynb", 500_000)


def test_it_ships_with_the_outputs_and_pictures_of_one_run_from_the_top():
    pictures = LESSON.check_outputs()
    assert pictures == sum(source(cell).count("plt.show()") for cell in LESSON.code) == 5
    said = "No trace here is of a patient, and echotrace is not a medical device"
    assert said in LESSON.words
    assert all(f"**Exercise {n}.**" in LESSON.words for n in (1, 2, 3))


def test_it_uses_public_names_and_nothing_deeper():
    LESSON.check_public({"synthesise", "measure", "plot_trace", "summarise"})


def _check(found):
    """What the prose says of the traces."""
    assert found["on_axis"]["accepted"]
    assert abs(found["on_axis"]["error_mm"]) < 0.03
    for name in ("tilted", "aside"):
        assert not found[name]["accepted"]
        assert found[name]["error_mm"] > 0.1
    # Pressed by 0.5 mm, and nothing in the trace tells (arithmetic).
    assert found["pressed"]["accepted"]
    assert found["pressed"]["error_mm"] == pytest.approx(-0.5, abs=0.03)
    assert found["by_tilt_accepted"][0]
    assert not any(found["by_tilt_accepted"][5:])
    assert found["sitting_accepted"] == [True, True, True, False, True]
    assert abs(found["sitting_error_mm"]) < 0.03


def test_the_outputs_show_what_the_prose_says():
    _check(LESSON.told())


def test_the_notebook_runs(tmp_path):
    _check(LESSON.run_anew(tmp_path))
