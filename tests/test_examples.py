"""The examples in the docstrings give what they say."""

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
MODULES = sorted(
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for path in (ROOT / "echotrace").rglob("*.py")
    if ">>> " in path.read_text(encoding="utf-8")
)
# One name each; those of the layers that are worked through so far.
WHOLE = ("echotrace.signal", "echotrace.quality", "echotrace.chain", "echotrace.settings")


@pytest.mark.compiled
@pytest.mark.parametrize("name", MODULES)
def test_examples(name, monkeypatch):
    monkeypatch.chdir(ROOT)
    found = doctest.testmod(importlib.import_module(name))
    assert found.failed == 0
    if name.startswith(WHOLE):
        assert found.attempted > 0


@pytest.mark.parametrize("name", [name for name in MODULES if name.startswith(WHOLE)])
def test_every_public_name_has_one(name):
    module = importlib.import_module(name)
    for public in module.__all__:
        value = getattr(module, public)
        # Data, and names of other modules, have their say elsewhere.
        if getattr(value, "__module__", None) == name and not isinstance(value, dict | tuple):
            assert ">>> " in (value.__doc__ or ""), f"{name}.{public} has no example"
