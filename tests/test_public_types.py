"""What a type checker sees of the public names: their types, and an error where there is none."""

import ast
import importlib
import importlib.util
import re
import subprocess
import sys
import types
from pathlib import Path

import pytest

import echotrace as et

PACKAGE = Path(et.__file__).parent
SNIPPET = """
import echotrace as et
from echotrace import no_other_name

recording = et.read("recording.h5")
result = et.measure(recording)
wrong: str = result.axial_length_mm
et.measure(et.EchotraceError("no recording"))
et.no_such_name
et.measure(recording, engines="plain")
et.power.no_such_name
et.import_recording("scan.csv", sampling_rate=1e8)
"""


def test_every_line_of_a_stub_names_what_is_there():
    for package in (et, et.power):
        stub = Path(package.__file__).with_name("__init__.pyi").read_text(encoding="utf-8")
        tree = ast.parse(stub)
        shown = {
            item.asname or item.name: (node.module, item.name)
            for node in tree.body
            if isinstance(node, ast.ImportFrom)
            for item in node.names
        }
        told = {
            name: where for group in package.PUBLIC_GROUPS.values() for name, where in group.items()
        }
        assert shown == told
        assert dir(package) == sorted(told)
        for name, (module, attribute) in told.items():
            if module != package.__name__:
                assert getattr(package, name) is getattr(importlib.import_module(module), attribute)


def test_what_public_functions_return_is_public():
    shown = {f"{p.__name__}.{name}": getattr(p, name) for p in (et, et.power) for name in dir(p)}
    functions = [item for item in shown.values() if isinstance(item, types.FunctionType)]
    assert len(functions) > 25
    public = {item for item in shown.values() if isinstance(item, type)}
    ours = {
        item.__name__: item
        for name, module in list(sys.modules.items())
        if name.startswith("echotrace.")
        for item in vars(module).values()
        if isinstance(item, type) and item.__module__.startswith("echotrace.")
    }
    assert ours["Measurement"] is et.Measurement
    # By the words of the annotation: some types are there for type checkers only.
    returned = {
        word
        for function in functions
        for word in re.findall(r"\w+", str(function.__annotations__["return"]))
        if word in ours
    }
    assert {"Recording", "Agreement"} <= returned
    assert {name for name in returned if ours[name] not in public} == set()


def test_dir_shows_public_names_only():
    assert set(dir(et)) == set(et.__all__) - {"__version__"}
    assert not {name for name in dir(et) if name.startswith("_")}
    assert isinstance(et.power, types.ModuleType)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("load_settings", "echotrace.read_settings"),
        ("load_target", "echotrace.read_target"),
        ("load_scenario", "echotrace.read_scenario"),
        ("lens_power_d", "echotrace.power.lens_power_d"),
        ("refraction_d", "echotrace.power.refraction_d"),
        ("Biometry", "echotrace.power.Biometry"),
        ("LensConstant", "echotrace.power.LensConstant"),
    ],
)
def test_an_old_name_still_works_and_names_the_new_one(old, new):
    with pytest.warns(FutureWarning, match=f"echotrace.{old} is now {new};") as caught:
        value = getattr(et, old)
    assert caught[0].filename == __file__
    package, _, name = new.rpartition(".")
    assert value is getattr(importlib.import_module(package), name)


@pytest.mark.skipif(importlib.util.find_spec("mypy") is None, reason="mypy is not installed")
def test_a_type_checker_tells_a_wrong_use_and_a_name_that_is_not_there(tmp_path):
    assert (PACKAGE / "py.typed").is_file()
    (tmp_path / "use.py").write_text(SNIPPET, encoding="utf-8")
    # From the repository's folder with its (strict) settings: what `mypy` checked there before is
    # taken from its cache.
    done = subprocess.run(
        [sys.executable, "-m", "mypy", str(tmp_path / "use.py")],
        capture_output=True,
        text=True,
        check=False,
        cwd=PACKAGE.parent,
    )
    # Its cache knows the file of an earlier run by that one's folder.
    said = [line[line.index("use.py:") :] for line in done.stdout.splitlines() if "use.py:" in line]
    lines = [line.split(": ", 2) for line in said]
    told = [line for line in lines if line[1] != "note"]
    wanted = [
        ("use.py:3", "no_other_name", "[attr-defined]"),
        ("use.py:7", "float64", "[assignment]"),
        ("use.py:8", 'expected "Recording"', "[arg-type]"),
        ("use.py:9", "no_such_name", "[attr-defined]"),
        ("use.py:10", '"engines" for "measure"', "[call-arg]"),
        ("use.py:11", "no_such_name", "[attr-defined]"),
        ("use.py:12", '"sampling_rate" for "import_recording"', "[call-arg]"),
    ]
    assert [(where, kind) for where, kind, _ in told] == [(line, "error") for line, *_ in wanted]
    for (_, _, message), (_, name, code) in zip(told, wanted, strict=True):
        assert name in message
        assert message.endswith(code)
