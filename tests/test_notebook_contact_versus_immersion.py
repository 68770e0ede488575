"""The virtual study: ships with its outputs, uses the public names only, recovers its own truth."""

from __future__ import annotations

import re

import pytest

from notebooks import Notebook, printed, source

STUDY = Notebook("contact_versus_immersion.ipynb", 400_000)


def test_it_ships_with_the_outputs_of_one_run_from_the_top():
    pictures = STUDY.check_outputs()
    assert pictures == sum(source(cell).count("plt.show()") for cell in STUDY.code) > 4
    assert all(
        printed(cell)
        for cell in STUDY.code
        if "print(" in source(cell) and "def " not in source(cell)
    )


def test_it_uses_public_names_and_nothing_deeper():
    STUDY.check_public({"Synthesis", "measure", "compare_methods", "plot_differences"})


def test_what_is_said_before_any_number():
    """The small spread of immersion is told to be an artefact; no ratio and no test rests on it."""
    assert STUDY.cells[0]["cell_type"] == "markdown"
    first = " ".join("".join(STUDY.cells[0]["source"]).split())
    assert "an artefact of what the scenarios leave out" in first
    assert "0.03 ± 0.04 mm" in first
    everything = "".join(source(cell) + printed(cell) for cell in STUDY.code)
    assert not re.search(r"bias_p|slope_p|\.spread\b|p-value|\bp ?[=<] ?0|\bratio", everything)
    for said in (
        "within a sitting",
        "between eyes",
        "skewed",
        "a pose of its own",
        "same operator by both methods",
    ):
        assert said in STUDY.words, said


def _check(found):
    low, _, high = found["bias"]
    assert low < found["true_bias"] < high
    assert found["within"] == pytest.approx(found["true_within"], rel=0.35)
    assert found["between"] == pytest.approx(found["true_between"], rel=0.25)
    assert found["within_all"] > found["within"]
    # Averaging helps, but not below what the scans of a contact sitting share.
    assert found["contact_rms"][4] < found["contact_rms"][0]
    assert found["contact_rms"][-1] > 5 * found["immersion_rms"][-1]
    # Compression only shortens: a tail on one side.
    assert found["skewness"] < -0.5
    case = found["within_by_case"]
    plain = case["immersion, exact readings"]
    # Rounding to steps of 0.01 mm adds at most their standard deviation, a step over the root of
    # twelve (JCGM 100:2008, 4.3.7), in variance; a shell off centre is what adds.
    assert plain < case["steps of 0.01 mm"] < (plain**2 + 1.5 * 0.01**2 / 12) ** 0.5
    assert plain < case["shell 0.3 mm off centre"] < case["shell 0.6 mm off centre"]
    assert case["shell 0.6 mm off centre"] > 5 * plain
    assert abs(case["first crossing of -20 dB"] - plain) < 0.002


def test_the_outputs_recover_the_truth():
    _check(STUDY.told())


@pytest.mark.slow
def test_notebook_runs_and_gives_what_it_ships(tmp_path):
    found, shipped = STUDY.run_anew(tmp_path), STUDY.told()
    _check(found)
    for name in ("true_bias", "true_within", "true_between"):
        assert found[name] == pytest.approx(shipped[name], abs=1e-6)
    for name in ("within", "between", "bias_all", "skewness"):
        assert found[name] == pytest.approx(shipped[name], rel=1e-3)
