"""Where mutants are tested: a copy of the repository, a survey of it, and processes to fork from.

Starting Python, importing the package and collecting its tests costs far more than the few tests
that run a changed line. So one process does all that once; each trial is forked from it and puts
the changed code into the functions that are loaded. What is changed outside of functions (a
constant, a default) is tested in a process that imports the changed file.
"""

from __future__ import annotations

import ast
import gc
import json
import os
import resource
import shutil
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import Any

import pytest

TOP = Path(__file__).parents[2]
QUIET = [
    "-q", "-n", "0", "-p", "no:cacheprovider", "--hypothesis-seed=0", "-m", "not slow",
    "-W", "ignore:Module already imported",
]  # fmt: skip

Survey = dict[str, Any]
Lines = dict[int, list[str]]


def changed_functions(old: CodeType, new: CodeType) -> list[tuple[CodeType, CodeType]] | None:
    """Functions of a module that differ, innermost classes looked into; None if more than these do.

    Examples
    --------
    >>> one, two = (compile(f"def f(x):\\n return x + {k}", "m", "exec") for k in (1, 2))
    >>> [(a.co_name, b.co_consts) for a, b in changed_functions(one, two)]
    [('f', (None, 2))]
    >>> changed_functions(compile("LIMIT = 1", "m", "exec"), compile("LIMIT = 2", "m", "exec"))
    """
    inner = [[c for c in code.co_consts if isinstance(c, CodeType)] for code in (old, new)]
    plain = [[c for c in code.co_consts if not isinstance(c, CodeType)] for code in (old, new)]
    if (
        old.co_code != new.co_code
        or old.co_names != new.co_names
        or list(map(repr, plain[0])) != list(map(repr, plain[1]))
        or len(inner[0]) != len(inner[1])
    ):
        return None
    found = []
    for before, after in zip(*inner, strict=True):
        if before.co_flags & 0x1:  # CO_OPTIMIZED: a function, not the body of a class
            if before != after:
                found.append((before, after))
            continue
        below = changed_functions(before, after)
        if below is None:
            return None
        found += below
    return found


def statement_lines(source: str, line: int) -> tuple[int, int, bool]:
    """First and last line to look at for a change on a line, and whether it runs at import.

    Of a compound statement only the head counts; a default of a function stands for its body.
    """
    best: ast.stmt | None = None
    inside = False

    def visit(node: ast.AST, within: bool) -> None:
        nonlocal best, inside
        for child in ast.iter_child_nodes(node):
            if not isinstance(child, ast.stmt | ast.excepthandler | ast.match_case):
                continue
            first, last = getattr(child, "lineno", line), getattr(child, "end_lineno", line)
            decorators = [d.lineno for d in getattr(child, "decorator_list", ())]
            if min([first, *decorators]) <= line <= last:
                if isinstance(child, ast.stmt):
                    best, inside = child, within
                visit(child, within or isinstance(child, ast.FunctionDef))

    visit(ast.parse(source), False)
    if best is None:
        return line, line, True
    body = getattr(best, "body", None)
    if isinstance(best, ast.FunctionDef):
        return best.body[0].lineno, best.end_lineno or line, False
    if body:
        return best.lineno, max(best.lineno, body[0].lineno - 1), not inside
    return best.lineno, best.end_lineno or line, not inside


class _Watch:
    """Tells coverage which test or shared fixture runs, and how long each test takes."""

    def __init__(self, coverage: Any) -> None:
        self.coverage, self.seconds, self.uses = coverage, {}, {}
        self.now = ""

    def pytest_runtest_protocol(self, item: Any) -> None:
        self.now = item.nodeid
        self.uses[item.nodeid] = list(getattr(item, "fixturenames", ()))
        _forget_cached()
        self.coverage.switch_context(item.nodeid)

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any) -> Iterator[None]:
        shared = fixturedef.scope != "function"
        before = self.now
        if shared:
            self.now = f"fixture {fixturedef.argname}"
            self.coverage.switch_context(self.now)
        try:
            return (yield)
        finally:
            if shared:
                self.now = before
                self.coverage.switch_context(self.now)

    def pytest_runtest_logreport(self, report: Any) -> None:
        spent = self.seconds.get(report.nodeid, 0.0) + report.duration
        self.seconds[report.nodeid] = spent


class _First:
    """Writes down the first test that fails."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed:
            self.path.write_text(report.nodeid, encoding="utf-8")


def _forget_cached() -> None:
    """Empty the caches of the package's functions, so that each test runs what it needs."""
    for name, module in list(sys.modules.items()):
        if name.startswith("echotrace.") and isinstance(module, ModuleType):
            for value in list(vars(module).values()):
                if callable(getattr(value, "cache_clear", None)):
                    value.cache_clear()


class Bench:
    """A copy of the repository, in which nothing else is changed meanwhile."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        left_out = shutil.ignore_patterns(".git", "pictures", ".*_cache", "*.pyc")
        for name in ("echotrace", "tests", "synthetic_traces", ".docs"):
            shutil.copytree(TOP / name, folder / name, ignore=left_out)
        for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
            shutil.copy(TOP / name, folder / name)
        beside = TOP.parent / "shared"
        if beside.is_dir():  # recordings that tests read from beside the repository
            (folder.parent / "shared").symlink_to(beside)

    def fork(self, work: Callable[[], int], cpu_s: int, *, quiet: bool = True) -> int:
        """Do some work in a forked process, within the copy; its exit status."""
        child = os.fork()
        if child == 0:
            os.chdir(self.folder)
            os.environ["MPLBACKEND"] = "agg"
            sys.path[:] = [str(self.folder), *(p for p in sys.path if Path(p or ".") != TOP)]
            sys.dont_write_bytecode = True
            resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s))
            signal.alarm(60 + 12 * cpu_s)  # a test that waits for ever
            if quiet:
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, 1)
                os.dup2(nowhere, 2)
            status = 70
            try:
                status = int(work())
            finally:
                os._exit(status)
        return os.waitpid(child, 0)[1]

    def survey(self, folder: str, tests: Sequence[str]) -> Survey:
        """Which test runs which line of a folder of the package, and how long each test takes."""
        told = self.folder / "survey.json"

        def work() -> int:
            import coverage

            watched = coverage.Coverage(
                data_file=None, config_file=False, include=[f"{self.folder / folder}/*"]
            )
            watch = _Watch(watched)
            watched.start()
            watched.switch_context("import")
            status = pytest.main([*QUIET, *tests], plugins=[watch])
            watched.stop()
            data = watched.get_data()
            lines: dict[str, Lines] = {}
            for path in data.measured_files():
                module = str(Path(path).relative_to(self.folder))
                lines[module] = {
                    n: sorted(names) for n, names in data.contexts_by_lineno(path).items()
                }
            told.write_text(
                json.dumps({"lines": lines, "seconds": watch.seconds, "uses": watch.uses})
            )
            return int(status)

        status = self.fork(work, 3000, quiet=False)
        if status:
            raise SystemExit(f"tests fail without any change (status {status})")
        return dict(json.loads(told.read_text()))

    @property
    def failed(self) -> Path:
        """Where the first test that fails is written down."""
        return self.folder / "failed.txt"

    def passes(self, tests: Sequence[str], cpu_s: int) -> bool:
        """Whether tests pass in a process that imports the package anew."""

        def work() -> int:
            return int(pytest.main([*QUIET, "-x", *tests], plugins=[_First(self.failed)]))

        return self.fork(work, cpu_s) == 0

    def survives_import(self, module: str, changed: str, tests: Sequence[str], cpu_s: int) -> bool:
        """Whether no test notices a changed file."""
        path = self.folder / module
        before = path.read_text(encoding="utf-8")
        path.write_text(changed, encoding="utf-8")
        try:
            return self.passes(tests, cpu_s)
        finally:
            path.write_text(before, encoding="utf-8")


class Server:
    """A process that has imported the package and collected tests, from which trials are forked."""

    def __init__(self, bench: Bench, tests: Sequence[str]) -> None:
        self._bench = bench
        ask, self._ask = os.pipe()
        self._answer, answer = os.pipe()
        self._child = os.fork()
        if self._child == 0:
            os.close(self._ask)
            os.close(self._answer)
            try:
                _serve(bench, list(tests), os.fdopen(ask), os.fdopen(answer, "w"))
            finally:
                os._exit(0)
        os.close(ask)
        os.close(answer)
        self._out, self._in = os.fdopen(self._ask, "w"), os.fdopen(self._answer)

    def survives(
        self, module: str, before: str, changed: str, tests: Sequence[str], cpu_s: int
    ) -> bool | None:
        """Whether no test notices a change; None where it lies outside of functions."""
        question = [module, before, changed, list(tests), cpu_s]
        self._out.write(json.dumps(question) + "\n")
        self._out.flush()
        answer = self._in.readline()
        if not answer:
            raise SystemExit("the process that trials are forked from has ended")
        said: bool | None = json.loads(answer)
        return said

    def close(self) -> None:
        """End the process."""
        self._out.close()
        os.waitpid(self._child, 0)


def _serve(bench: Bench, tests: list[str], questions: Any, answers: Any) -> None:
    os.chdir(bench.folder)
    os.environ["MPLBACKEND"] = "agg"
    sys.path[:] = [str(bench.folder), *(p for p in sys.path if Path(p or ".") != TOP)]
    sys.dont_write_bytecode = True
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    pytest.main([*QUIET, "--collect-only", *tests])
    _load_kernels()
    _forget_cached()
    loaded: dict[tuple[str, str, int], list[FunctionType]] = {}
    for item in gc.get_objects():
        if type(item) is FunctionType:
            code = item.__code__
            where = code.co_filename, code.co_qualname, code.co_firstlineno
            loaded.setdefault(where, []).append(item)
    gc.freeze()  # forked processes then share what is loaded
    for line in questions:
        module, before, changed, chosen, cpu_s = json.loads(line)
        path = str(bench.folder / module)
        pairs = changed_functions(compile(before, path, "exec"), compile(changed, path, "exec"))
        swaps = None if pairs is None else list(_swaps(loaded, pairs))
        said: bool | None = None
        if before == changed or (swaps and None not in swaps):

            def work(swaps: list[Any] = swaps, chosen: list[str] = chosen) -> int:
                for function, code in swaps:
                    function.__code__ = code
                return int(pytest.main([*QUIET, "-x", *chosen], plugins=[_First(bench.failed)]))

            said = bench.fork(work, cpu_s) == 0
        answers.write(json.dumps(said) + "\n")
        answers.flush()


def _load_kernels() -> None:
    """Machine code of the kernels, loaded once for all trials."""
    import echotrace as et

    recording = et.read("synthetic_traces/immersion_sitting.h5")
    for engine in ("fused", "plain"):
        et.measure(recording, et.Settings(engine=engine))


def _swaps(
    loaded: dict[tuple[str, str, int], list[FunctionType]], pairs: list[tuple[CodeType, CodeType]]
) -> Iterator[tuple[FunctionType, CodeType] | None]:
    """Loaded functions and their new code; None for a function that is not found."""
    for old, new in pairs:
        found = loaded.get((old.co_filename, old.co_qualname, old.co_firstlineno), [])
        if not found or old.co_freevars != new.co_freevars:
            yield None
        for function in found:
            yield function, new


def tests_of(survey: Survey, module: str, source: str, line: int) -> list[str]:
    """Tests that run the statement on a line, the quickest first."""
    by_line = survey["lines"].get(module, {})
    first, last, at_import = statement_lines(source, line)
    wanted = range(1, 10**6) if at_import else range(first, last + 1)
    names = {name for n, names in by_line.items() if int(n) in wanted for name in names}
    fixtures = {name.removeprefix("fixture ") for name in names if name.startswith("fixture ")}
    seconds = survey["seconds"]
    names = {name for name in names if name in seconds}
    names |= {test for test, used in survey["uses"].items() if fixtures & set(used)}
    return sorted(names & seconds.keys(), key=lambda name: (seconds[name], name))


def within(tests: Sequence[str], seconds: dict[str, float], most_s: float) -> tuple[list[str], int]:
    """As many of the tests as fit into a time, and the seconds of processor time to allow them."""
    chosen, total = [], 0.0
    for name in tests:
        if chosen and total + seconds[name] > most_s:
            break
        chosen.append(name)
        total += seconds[name]
    return chosen, 10 + int(6 * total)


def cached_survey(bench: Bench, folder: str, tests: Sequence[str], cache: Path | None) -> Survey:
    """The survey, kept in a folder and taken anew for test files that have changed since."""
    import hashlib

    def survey_of(names: Sequence[str]) -> Survey:
        start = time.monotonic()
        found = bench.survey(folder, names)
        print(f"survey of {len(names)} files: {time.monotonic() - start:.0f} s", flush=True)
        return found

    if cache is None:
        return survey_of(tests)
    state = hashlib.sha256()
    for path in sorted((TOP / "echotrace").rglob("*.py")):
        state.update(path.read_bytes())
    whole: Survey = {"lines": {}, "seconds": {}, "uses": {}}
    cache.mkdir(parents=True, exist_ok=True)
    for name in tests:
        key = hashlib.sha256(state.digest() + folder.encode() + (TOP / name).read_bytes())
        kept = cache / f"{Path(name).stem}-{key.hexdigest()[:16]}.json"
        if not kept.exists():
            kept.write_text(json.dumps(survey_of([name])))
        part = json.loads(kept.read_text())
        whole["seconds"] |= part["seconds"]
        whole["uses"] |= part["uses"]
        for module, by_line in part["lines"].items():
            there = whole["lines"].setdefault(module, {})
            for n, names in by_line.items():
                there[n] = sorted({*there.get(n, ()), *names})
    return whole
