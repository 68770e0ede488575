"""The lesson: ships with its pictures, uses the public names only, runs, and shows what it says."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

import pytest

NOTEBOOK = Path(__file__).parent.parent / "notebooks" / "good_versus_off_axis.ipynb"
CELLS = json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]
CODE = [cell for cell in CELLS if cell["cell_type"] == "code"]


def _source(cell):
    return "".join(line for line in cell["source"] if not line.startswith("%"))


def _printed(cell):
    return "".join(
        "".join(output["text"]) for output in cell["outputs"] if output.get("name") == "stdout"
    )


def test_it_ships_with_the_outputs_and_pictures_of_one_run_from_the_top():
    assert [cell["execution_count"] for cell in CODE] == list(range(1, len(CODE) + 1))
    outputs = [output for cell in CODE for output in cell["outputs"]]
    assert not [o for o in outputs if o["output_type"] == "error" or o.get("name") == "stderr"]
    pictures = [o for o in outputs if "image/png" in o.get("data", {})]
    assert len(pictures) == sum(_source(cell).count("plt.show()") for cell in CODE) == 5
    assert NOTEBOOK.stat().st_size < 500_000
    text = NOTEBOOK.read_text(encoding="utf-8")
    assert not re.search(r'"(/|[A-Z]:)[\\/\w.-]+/[\w.-]+', text), "a path of some machine"
    words = "".join("".join(cell["source"]) for cell in CELLS)
    assert "No trace here is of a\npatient, and echotrace is not a medical device" in words
    assert all(f"**Exercise {n}.**" in words for n in (1, 2, 3))


def test_it_uses_public_names_and_nothing_deeper():
    import echotrace as et

    used = set()
    for cell in CODE:
        for node in ast.walk(ast.parse(_source(cell))):
            if isinstance(node, ast.ImportFrom):
                assert not (node.module or "").startswith("echotrace")
            if (
                isinstance(node, ast.Attribute)
                and isinstance(node.value, ast.Name)
                and node.value.id == "et"
            ):
                used.add(node.attr)
    assert used <= set(et.__all__)
    assert {"synthesise", "measure", "plot_trace", "summarise"} <= used


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
    _check(json.loads(_printed(CODE[-1])))


def test_the_notebook_runs(tmp_path):
    nbclient = pytest.importorskip("nbclient")
    nbformat = pytest.importorskip("nbformat")
    pytest.importorskip("ipykernel")
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    nbclient.NotebookClient(
        notebook, timeout=600, kernel_name="python3", resources={"metadata": {"path": tmp_path}}
    ).execute()
    cells = [cell for cell in notebook.cells if cell.cell_type == "code"]
    _check(json.loads(_printed(cells[-1])))
