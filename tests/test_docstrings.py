"""Every public function and class says what goes in, what comes out, what it raises, and shows it.

Sections follow the numpydoc standard (numpydoc documentation, "Docstring Standard"); numpydoc
itself parses them. ``test_doctests.py`` runs the examples.
"""

import ast
import dataclasses
import importlib
import inspect
from pathlib import Path

import pytest

import echotrace

# Not in the environments of .ci/elsewhere.py, which hold what numbers need.
NumpyDocString = pytest.importorskip("numpydoc.docscrape").NumpyDocString
PACKAGE = Path(echotrace.__file__).parent


def _public():
    """Module, name and object of all that a module lists in ``__all__`` and defines itself."""
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        if parts[-1].startswith("__") or parts[0] in ("kernels", "_moved"):
            continue
        name = ".".join(["echotrace", *parts])
        module = importlib.import_module(name)
        for public in getattr(module, "__all__", ()):
            value = getattr(module, public)
            if getattr(value, "__module__", None) == name and callable(value):
                yield name, public, value


def _raised(function):
    """Names of the errors that a function itself raises, but for those that it catches again.

    Nor for what functions within it raise, and for errors that it is given or has made elsewhere.
    """
    tree = ast.parse(inspect.cleandoc("\n" + inspect.getsource(function)))
    for node in ast.walk(tree.body[0]):
        if isinstance(node, ast.FunctionDef) and node is not tree.body[0]:
            node.body = [ast.Pass()]
    caught = {
        inner
        for node in ast.walk(tree)
        if isinstance(node, ast.Try)
        for statement in node.body
        for inner in ast.walk(statement)
    }
    for node in ast.walk(tree):
        call = node.exc if isinstance(node, ast.Raise) and node not in caught else None
        named = isinstance(call, ast.Call) and isinstance(call.func, ast.Name)
        if named and call.func.id[0].isupper():
            yield call.func.id


def _lacks(function, text):
    """What the docstring of a function lacks."""
    doc = NumpyDocString(text)
    signature = inspect.signature(function)
    wanted = [n for n in signature.parameters if n not in ("self", "cls")]
    documented = [n.strip().lstrip("*") for p in doc["Parameters"] for n in p.name.split(",")]
    lacks = [f"parameter {n}" for n in wanted if n not in documented]
    lacks += [f"no parameter {n} is there" for n in documented if n not in wanted]
    if signature.return_annotation not in (None, "None") and not (doc["Returns"] or doc["Yields"]):
        lacks.append("Returns")
    raised = {r.type for r in doc["Raises"]}
    lacks += [f"Raises {e}" for e in sorted(set(_raised(function)) - raised)]
    if not doc["Examples"]:
        lacks.append("Examples")
    return lacks


def _problems():
    for module, name, value in _public():
        if inspect.isfunction(value):
            lacks = _lacks(value, inspect.getdoc(value) or "")
        elif dataclasses.is_dataclass(value):
            doc = NumpyDocString(inspect.getdoc(value) or "")
            told = [
                n.strip()
                for p in (*doc["Attributes"], *doc["Parameters"])
                for n in p.name.split(",")
            ]
            lacks = [
                f"attribute {f.name}"
                for f in dataclasses.fields(value)
                if not f.name.startswith("_") and f.name not in told
            ]
        else:
            lacks = [] if inspect.getdoc(value) else ["a docstring"]
        if lacks:
            yield f"{module}.{name}", lacks


def test_public_docstrings_are_complete():
    assert dict(_problems()) == {}


def test_a_docstring_that_lacks_something_is_told():
    def broken(length_mm: float, speed_m_per_s: float) -> float:
        """Something.

        Parameters
        ----------
        length_mm, other : float
        """
        if length_mm < 0.0:
            raise ValueError(speed_m_per_s)
        return length_mm

    assert _lacks(broken, inspect.getdoc(broken)) == [
        "parameter speed_m_per_s",
        "no parameter other is there",
        "Returns",
        "Raises ValueError",
        "Examples",
    ]
