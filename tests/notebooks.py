"""What the tests of notebooks share: reading, the checks that all of them pass, running anew."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

import pytest

FOLDER = Path(__file__).parent.parent / "notebooks"


class Notebook:
    """A notebook as it is shipped."""

    def __init__(self, name, most_bytes):
        self.path, self.most_bytes = FOLDER / name, most_bytes
        self.text = self.path.read_text(encoding="utf-8")
        self.cells = json.loads(self.text)["cells"]
        self.code = code_of(self.cells)
        self.words = " ".join(" ".join("".join(cell["source"]) for cell in self.cells).split())

    def check_outputs(self):
        """Of one run from the top, no error, no path of a machine; gives the number of pictures."""
        assert [cell["execution_count"] for cell in self.code] == list(range(1, len(self.code) + 1))
        outputs = [output for cell in self.code for output in cell["outputs"]]
        assert not [o for o in outputs if o["output_type"] == "error" or o.get("name") == "stderr"]
        assert self.path.stat().st_size < self.most_bytes
        assert not re.search(r'"(/|[A-Z]:)[\\/\w.-]+/[\w.-]+', self.text), "a path of some machine"
        return sum("image/png" in o.get("data", {}) for o in outputs)

    def check_public(self, needed):
        """It takes public names from ``et`` and nothing deeper, some of them for certain."""
        import echotrace as et

        used = set()
        for cell in self.code:
            for node in ast.walk(ast.parse(source(cell))):
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
        assert needed <= used

    def run_anew(self, folder):
        """What the last cell prints in a fresh kernel; skips where none can be had."""
        nbclient = pytest.importorskip("nbclient")
        nbformat = pytest.importorskip("nbformat")
        pytest.importorskip("ipykernel")
        notebook = nbformat.read(self.path, as_version=4)
        nbclient.NotebookClient(
            notebook, timeout=900, kernel_name="python3", resources={"metadata": {"path": folder}}
        ).execute()
        return told_by(code_of(notebook.cells))

    def told(self):
        """What the last cell prints as shipped."""
        return told_by(self.code)


def code_of(cells):
    """The cells of code."""
    return [cell for cell in cells if cell["cell_type"] == "code"]


def source(cell):
    """Its code without lines for the shell of notebooks."""
    return "".join(line for line in cell["source"] if not line.startswith("%"))


def printed(cell):
    """What it prints."""
    return "".join(
        "".join(output["text"]) for output in cell["outputs"] if output.get("name") == "stdout"
    )


def told_by(code):
    """The JSON in the last line that the last cell prints."""
    return json.loads(printed(code[-1]).splitlines()[-1])
