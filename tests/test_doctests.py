"""Every example in a docstring runs and prints what it says."""

import doctest
import importlib
import pkgutil
from pathlib import Path

import numpy as np
import pytest
from closed_form import COMPILED

import echotrace

TOP = Path(__file__).parents[1]
MODULES = [
    item.name
    for item in pkgutil.walk_packages(echotrace.__path__, "echotrace.")
    if not item.name.endswith("__main__")
]


def _examples(name):
    finder = doctest.DocTestFinder(exclude_empty=True)
    module = importlib.import_module(name)
    return [test for test in finder.find(module, name) if test.examples]


def test_modules_are_found():
    assert {"echotrace.power.lens_power", "echotrace.sittings.sitting"} <= set(MODULES)
    assert sum(len(_examples(f"echotrace.power.{name}")) for name in ("table", "formulas")) >= 3


@pytest.mark.parametrize("name", MODULES)
def test_examples_run(name, monkeypatch, tmp_path):
    # Examples read the recordings that come with the repository and write into `folder`.
    monkeypatch.chdir(TOP)
    monkeypatch.setenv("MPLBACKEND", "agg")
    examples = _examples(name)
    if not COMPILED:
        # Whole recordings are too much for kernels in plain Python.
        examples = [test for test in examples if "synthetic_traces" not in test.docstring]
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    said = []
    with np.printoptions(legacy=False):
        for k, test in enumerate(examples):
            test.globs["folder"] = tmp_path / str(k)
            test.globs["folder"].mkdir()
            runner.run(test, out=said.append)
    assert runner.failures == 0, "".join(said)
