"""The virtual study: kept without outputs, runs from a fresh kernel, recovers its own truth."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

NOTEBOOK = Path(__file__).parent.parent / "notebooks" / "contact_versus_immersion.ipynb"


def test_notebook_is_kept_without_outputs():
    cells = json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    assert len(code) > 5
    assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in code)
    for cell in code:
        lines = [line for line in cell["source"] if not line.startswith("%")]
        compile("".join(lines), str(NOTEBOOK), "exec")


@pytest.mark.slow
def test_notebook_runs_and_recovers_the_truth(tmp_path):
    nbclient = pytest.importorskip("nbclient")
    nbformat = pytest.importorskip("nbformat")
    pytest.importorskip("ipykernel")
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    client = nbclient.NotebookClient(
        notebook, timeout=600, kernel_name="python3", resources={"metadata": {"path": tmp_path}}
    )
    client.execute()
    printed = "".join(
        output.get("text", "")
        for output in notebook.cells[-1].outputs
        if output.get("name") == "stdout"
    )
    found = json.loads(printed)
    low, _, high = found["bias"]
    assert low < found["true_bias"] < high
    assert found["within"] == pytest.approx(found["true_within"], rel=0.35)
    assert found["between"] == pytest.approx(found["true_between"], rel=0.25)
    # Gel under the probe, left in, hides compression and adds scatter.
    for name, all_name in (("bias", "bias_all"), ("within", "within_all")):
        truth = found[f"true_{name}"]
        believed = found[name][1] if name == "bias" else found[name]
        assert abs(found[all_name] - truth) > 1.5 * abs(believed - truth)
    # Averaging helps, but not below what the scans of a contact sitting share.
    assert found["contact_rms"][4] < found["contact_rms"][0]
    assert found["contact_rms"][-1] > 5 * found["immersion_rms"][-1]
