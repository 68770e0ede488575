"""The virtual study: ships with its outputs, uses the public names only, recovers its own truth."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

import pytest

NOTEBOOK = Path(__file__).parent.parent / "notebooks" / "contact_versus_immersion.ipynb"
CELLS = json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]
CODE = [cell for cell in CELLS if cell["cell_type"] == "code"]


def _source(cell):
    return "".join(line for line in cell["source"] if not line.startswith("%"))


def _printed(cell):
    return "".join(
        "".join(output["text"]) for output in cell["outputs"] if output.get("name") == "stdout"
    )


def _last(cells):
    return json.loads(_printed(cells[-1]))


def test_it_ships_with_the_outputs_of_one_run_from_the_top():
    assert [cell["execution_count"] for cell in CODE] == list(range(1, len(CODE) + 1))
    outputs = [output for cell in CODE for output in cell["outputs"]]
    assert not [o for o in outputs if o["output_type"] == "error" or o.get("name") == "stderr"]
    pictures = [o for o in outputs if "image/png" in o.get("data", {})]
    assert len(pictures) == sum(_source(cell).count("plt.show()") for cell in CODE) > 4
    assert all(
        _printed(cell) for cell in CODE if "print(" in _source(cell) and "def " not in _source(cell)
    )
    assert NOTEBOOK.stat().st_size < 400_000
    text = NOTEBOOK.read_text(encoding="utf-8")
    assert not re.search(r'"(/|[A-Z]:)[\\/\w.-]+/[\w.-]+', text), "a path of some machine"


def test_it_uses_public_names_and_nothing_deeper():
    import echotrace as et

    used = set()
    for cell in CODE:
        for node in ast.walk(ast.parse(_source(cell))):
            if isinstance(node, ast.ImportFrom):
                assert not (node.module or "").startswith("echotrace")
            if isinstance(node, ast.Import):
                for alias in node.names:
                    assert not alias.name.startswith("echotrace.")
            if (
                isinstance(node, ast.Attribute)
                and isinstance(node.value, ast.Name)
                and node.value.id == "et"
            ):
                used.add(node.attr)
    assert used <= set(et.__all__)
    assert {"Synthesis", "measure", "compare_methods", "plot_differences"} <= used


def test_what_is_said_before_any_number():
    """The small spread of immersion is told to be an artefact; no ratio and no test rests on it."""
    assert CELLS[0]["cell_type"] == "markdown"
    first = " ".join("".join(CELLS[0]["source"]).split())
    assert "an artefact of what the scenarios leave out" in first
    assert "0.03 ± 0.04 mm" in first
    everything = "".join(_source(cell) + _printed(cell) for cell in CODE)
    assert not re.search(r"bias_p|slope_p|\.spread\b|p-value|\bp ?[=<] ?0|\bratio", everything)
    words = " ".join("".join("".join(cell["source"]) for cell in CELLS).split())
    for said in (
        "within a sitting",
        "between eyes",
        "skewed",
        "a pose of its own",
        "same operator by both methods",
    ):
        assert said in words, said


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
    _check(_last(CODE))


@pytest.mark.slow
def test_notebook_runs_and_gives_what_it_ships(tmp_path):
    nbclient = pytest.importorskip("nbclient")
    nbformat = pytest.importorskip("nbformat")
    pytest.importorskip("ipykernel")
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    client = nbclient.NotebookClient(
        notebook, timeout=900, kernel_name="python3", resources={"metadata": {"path": tmp_path}}
    )
    client.execute()
    found = _last([cell for cell in notebook.cells if cell.cell_type == "code"])
    _check(found)
    shipped = _last(CODE)
    for name in ("true_bias", "true_within", "true_between"):
        assert found[name] == pytest.approx(shipped[name], abs=1e-6)
    for name in ("within", "between", "bias_all", "skewness"):
        assert found[name] == pytest.approx(shipped[name], rel=1e-3)
