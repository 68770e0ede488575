"""What a type checker sees of the public names: their types, and an error where there is none."""

import ast
import importlib.util
import os
import subprocess
import sys
from pathlib import Path

import pytest

import echotrace

PACKAGE = Path(echotrace.__file__).parent
SNIPPET = """
import echotrace as et
from echotrace import no_other_name

recording = et.read("recording.h5")
result = et.measure(recording)
wrong: str = result.axial_length_mm
et.measure(et.EchotraceError("no recording"))
et.no_such_name
"""


def test_names_for_type_checkers_are_those_loaded_on_first_use():
    tree = ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8"))
    (block,) = (
        node
        for node in tree.body
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
    )
    shown = {
        item.asname or item.name: f"{node.module}:{item.name}"
        for node in block.body
        for item in node.names
    }
    assert shown == {name: f"echotrace.{where}" for name, where in echotrace._PUBLIC.items()}
    assert echotrace.__all__ == ["__version__", *sorted(echotrace._PUBLIC)]


@pytest.mark.skipif(importlib.util.find_spec("mypy") is None, reason="mypy is not installed")
def test_a_type_checker_tells_a_wrong_use_and_a_name_that_is_not_there(tmp_path):
    assert (PACKAGE / "py.typed").is_file()
    (tmp_path / "use.py").write_text(SNIPPET, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--config-file=", "--cache-dir=cache", "use.py"],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        env={**os.environ, "MYPYPATH": str(PACKAGE.parent)},
    )
    told = [line.split(": ", 2) for line in done.stdout.splitlines() if line.startswith("use.py")]
    wanted = [
        ("use.py:3", "no_other_name", "[attr-defined]"),
        ("use.py:7", "float64", "[assignment]"),
        ("use.py:8", 'expected "Recording"', "[arg-type]"),
        ("use.py:9", "no_such_name", "[attr-defined]"),
    ]
    assert [(where, kind) for where, kind, _ in told] == [(line, "error") for line, *_ in wanted]
    for (_, _, message), (_, name, code) in zip(told, wanted, strict=True):
        assert name in message
        assert message.endswith(code)
