"""Start-up: what is imported when, and kernels where nothing may be written."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import echotrace

TESTS = Path(__file__).parent
MEASURE = """
import numpy as np
from closed_form import eye_traces, recording_of
from echotrace.chain.measure import measure
result = measure(recording_of(eye_traces(2)))
print(np.round(result.axial_length_mm, 2).tolist())
"""
REFUSE = """
import numba.core.caching as caching
def refuse(self):
    raise OSError("read-only")
for name in dir(caching):
    if name.endswith("CacheLocator"):
        setattr(getattr(caching, name), "ensure_cache_path", refuse)
"""


def _run(code, **changes):
    environment = {**os.environ, "PYTHONPATH": f"{Path(echotrace.__file__).parents[1]}:{TESTS}"}
    return subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=False,
        env={**environment, **changes.pop("env", {})},
        **changes,
    )


def test_help_and_import_leave_the_heavy_libraries_alone():
    heavy = "{'numba', 'h5py', 'matplotlib', 'scipy.fft', 'scipy.signal', 'dask', 'tqdm'}"
    for code in ("import echotrace", "from echotrace.cli import main; main(['--help'])"):
        done = _run(f"import sys\n{code}\nprint(sorted({heavy} & set(sys.modules)))")
        assert done.stdout.splitlines()[-1] == "[]", done.stderr


def test_every_kernel_loads_where_no_folder_can_be_written():
    """Each is made by the one decorator that then does without a cache."""
    load = """
import importlib, pkgutil, echotrace.kernels as kernels
names = [item.name for item in pkgutil.iter_modules(kernels.__path__)]
for name in names:
    importlib.import_module(f"echotrace.kernels.{name}")
print(sorted(names))
"""
    done = _run(REFUSE + load)
    assert "'facets'" in done.stdout, done.stderr
    assert "'fused'" in done.stdout


@pytest.mark.slow
def test_measures_where_no_folder_can_be_written():
    """numba then has nowhere to keep its machine code; every folder is refused here."""
    done = _run(REFUSE + MEASURE)
    assert done.stdout.strip() == "[24.2, 24.2]", done.stderr


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="needs another user to be")
def test_measures_from_an_install_that_may_not_be_written(tmp_path):
    """Another user, a package folder and a cache folder that are not theirs."""
    package = tmp_path / "site"
    shutil.copytree(
        Path(echotrace.__file__).parent, package / "echotrace",
        ignore=shutil.ignore_patterns("__pycache__"),
    )  # fmt: skip
    for parent in (package, *package.parents):
        if parent.stat().st_uid == os.geteuid() and parent.is_relative_to(tmp_path.parent.parent):
            parent.chmod(0o755)
    nobody = {"user": 65534, "group": 65534, "extra_groups": []}
    try:
        _run("print(1)", **nobody, env={"HOME": "/nonexistent"})
    except PermissionError:
        pytest.skip("the other user may not run this Python")
    done = _run(
        "import echotrace; print(echotrace.__file__)\n" + MEASURE,
        env={"PYTHONPATH": f"{package}:{TESTS}", "HOME": "/nonexistent"},
        **nobody,
    )
    assert done.stdout.splitlines()[1:] == ["[24.2, 24.2]"], done.stderr
    assert str(package) in done.stdout


OUTER = """
from echotrace.kernels.inner import inner
from echotrace.kernels.jit import kernel

@kernel
def outer(x):
    return 2.0 * inner(x)
"""
INNER = """
from echotrace.kernels.jit import kernel

@kernel
def inner(x):
    return x + 1.0
"""
CALL = """
from echotrace.kernels.outer import outer
print(outer(3.0), sum(outer.stats.cache_hits.values()), outer.__qualname__)
"""


@pytest.mark.elsewhere
def test_a_kernel_is_compiled_anew_when_one_it_calls_changes_in_another_file(tmp_path):
    """Same size and same time of change: the content alone tells. Unchanged, it is not compiled."""
    package = tmp_path / "echotrace"
    shutil.copytree(Path(echotrace.__file__).parent, package, ignore=shutil.ignore_patterns("data"))
    (package / "kernels" / "outer.py").write_text(OUTER, encoding="utf-8")
    inner = package / "kernels" / "inner.py"

    def call(text):
        inner.write_text(text, encoding="utf-8")
        os.utime(inner, (1e9, 1e9))
        environment = {
            "PYTHONPATH": str(tmp_path),
            "PYTHONDONTWRITEBYTECODE": "1",
            "NUMBA_CACHE_DIR": str(tmp_path / "cache"),
            "NUMBA_DISABLE_JIT": "0",
        }
        done = _run(CALL, env=environment, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        return done.stdout.split()

    assert call(INNER) == ["8.0", "0", "outer"]
    assert call(INNER) == ["8.0", "1", "outer"]
    assert call(INNER.replace("1.0", "2.0")) == ["10.0", "0", "outer"]
    assert call(INNER) == ["8.0", "1", "outer"]


@pytest.mark.skipif(os.name != "posix", reason="locks of POSIX systems")
def test_processes_that_start_together_run_the_same_machine_code(tmp_path):
    """One of them compiles each kernel, the other finds it: last digits are those of one code."""
    package = tmp_path / "echotrace"
    shutil.copytree(Path(echotrace.__file__).parent, package, ignore=shutil.ignore_patterns("data"))
    (package / "kernels" / "outer.py").write_text(OUTER, encoding="utf-8")
    (package / "kernels" / "inner.py").write_text(INNER, encoding="utf-8")
    environment = {
        **os.environ,
        "PYTHONPATH": str(tmp_path),
        "NUMBA_CACHE_DIR": str(tmp_path / "cache"),
        "NUMBA_DISABLE_JIT": "0",
    }
    # Both wait for a sign when numba is loaded, so that they compile at the same time.
    ready = "from echotrace.kernels.outer import outer; import sys; print(1, flush=True); "
    ready += "sys.stdin.readline(); print(outer(3.0), sum(outer.stats.cache_misses.values()))"
    both = [
        subprocess.Popen(
            [sys.executable, "-c", ready], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            text=True, env=environment, cwd=tmp_path,
        )
        for _ in range(2)
    ]  # fmt: skip
    for run in both:
        assert run.stdout.readline() == "1\n"
    for run in both:
        run.stdin.write("\n")
        run.stdin.flush()
    said = sorted(run.communicate(timeout=300)[0] for run in both)
    assert said == ["8.0 0\n", "8.0 1\n"]


def test_the_first_run_on_a_machine_does_not_wait_for_the_compiler(tmp_path):
    """A sitting is then read in plain Python: nothing is compiled, and the text is the same."""
    recording = Path(__file__).parents[1] / "synthetic_traces" / "immersion_sitting.h5"
    command = "import sys\nfrom echotrace.cli import main\n"
    command += f"sys.argv[1:] = ['measure', {str(recording)!r}]\nsys.exit(main())"
    first = _run(command, env={"NUMBA_CACHE_DIR": str(tmp_path)})
    assert first.returncode == 0, first.stderr
    assert not list(tmp_path.rglob("*.nbi"))
    assert first.stderr == ""
    compiled = _run(command.replace("main())", f"main(['measure', {str(recording)!r}]))"))
    assert first.stdout == compiled.stdout


def test_a_sitting_loads_nothing_that_it_does_not_need(tmp_path):
    """Nor does its report: each of these takes longer to load than the sitting to read."""
    recording = Path(__file__).parents[1] / "synthetic_traces" / "immersion_sitting.h5"
    heavy = "{'numba', 'scipy.fft', 'scipy.stats', 'scipy.signal', 'matplotlib.pyplot'}"
    for more in ([], ["--report", str(tmp_path / "report.html")]):
        words = ["measure", str(recording), *more]
        code = f"import sys\nfrom echotrace.cli import main\nsys.argv[1:] = {words!r}\n"
        done = _run(f"{code}code = main()\nprint(sorted({heavy} & set(sys.modules)), code)")
        assert done.stdout.splitlines()[-1] == "[] 0", done.stderr


def test_compiling_is_said_and_chosen_by_the_number_of_traces(monkeypatch, capsys):
    from echotrace.commands import first_run

    # Set once, so that it goes back to what it was: what is only deleted later comes back as the
    # code under test left it, and every child of this process would run in plain Python.
    monkeypatch.setenv("NUMBA_DISABLE_JIT", "0")
    monkeypatch.delenv("NUMBA_DISABLE_JIT")
    monkeypatch.delitem(sys.modules, "echotrace.kernels.jit", raising=False)
    kept = [False]
    monkeypatch.setattr(first_run, "is_own_process", lambda: True)
    monkeypatch.setattr(first_run, "machine_code_is_kept", lambda: kept[0])
    for kept[0], n_traces, plain, said in (
        (True, 10**6, False, ""),
        (True, 1, True, ""),
        (False, first_run.FEW_TRACES + 1, False, "this happens once"),
        (False, first_run.FEW_TRACES, True, ""),
    ):
        monkeypatch.delenv("NUMBA_DISABLE_JIT", raising=False)
        first_run.prepare_kernels("measure", n_traces)
        err = capsys.readouterr().err
        assert err.count("\n") == bool(said)
        assert said in err
        assert ("NUMBA_DISABLE_JIT" in os.environ) == plain
    # Whoever calls from Python has the package compiled.
    monkeypatch.delenv("NUMBA_DISABLE_JIT")
    monkeypatch.setattr(first_run, "is_own_process", lambda: False)
    first_run.prepare_kernels("measure", 1)
    assert "NUMBA_DISABLE_JIT" not in os.environ


def test_machine_code_is_kept_where_it_is_as_new_as_the_kernels(tmp_path, monkeypatch):
    from echotrace.commands.first_run import machine_code_is_kept

    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    assert not machine_code_is_kept()
    (tmp_path / "kernels_1").mkdir()
    tag = f"py{sys.version_info.major}{sys.version_info.minor}"
    index = tmp_path / "kernels_1" / f"fused.walk-1.{tag}.nbi"
    index.touch()
    assert machine_code_is_kept()
    os.utime(index, (1.0, 1.0))
    assert not machine_code_is_kept()
