"""Change one token of a module, run the tests that belong to it, and see whether one fails.

    python tests/mutation/mutate.py sittings power --share 0.25

Cosmic Ray (extra ``mutation``) makes the mutants. They are sampled at a fixed seed, each is tested
in a copy of the repository by a process forked from one that has loaded the libraries already, and
the survivors are written to ``survivors/GROUP.csv``, where a reason is kept beside each. Which
tests belong to which module is told by ``modules.toml``.
"""

from __future__ import annotations

import argparse
import ast
import csv
import os
import random
import resource
import shutil
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).parent
TOP = HERE.parents[1]

# One change of each kind that a slip of the pen could make; all pairs of operators would be ten
# times as many and tell no more.
OPERATORS = (
    "AddNot",
    "NumberReplacer",
    "ReplaceAndWithOr",
    "ReplaceOrWithAnd",
    "ReplaceBinaryOperator_Add_Sub",
    "ReplaceBinaryOperator_Sub_Add",
    "ReplaceBinaryOperator_Mul_Div",
    "ReplaceBinaryOperator_Div_Mul",
    "ReplaceBinaryOperator_Pow_Mul",
    "ReplaceBinaryOperator_FloorDiv_Mul",
    "ReplaceBinaryOperator_Mod_Mul",
    "ReplaceBinaryOperator_BitAnd_BitOr",
    "ReplaceBinaryOperator_BitOr_BitAnd",
    "ReplaceBreakWithContinue",
    "ReplaceContinueWithBreak",
    "ReplaceComparisonOperator_Eq_NotEq",
    "ReplaceComparisonOperator_NotEq_Eq",
    "ReplaceComparisonOperator_Gt_GtE",
    "ReplaceComparisonOperator_Gt_Lt",
    "ReplaceComparisonOperator_GtE_Gt",
    "ReplaceComparisonOperator_GtE_LtE",
    "ReplaceComparisonOperator_Lt_LtE",
    "ReplaceComparisonOperator_Lt_Gt",
    "ReplaceComparisonOperator_LtE_Lt",
    "ReplaceComparisonOperator_LtE_GtE",
    "ReplaceComparisonOperator_Is_IsNot",
    "ReplaceComparisonOperator_IsNot_Is",
    "ReplaceFalseWithTrue",
    "ReplaceTrueWithFalse",
    "ReplaceUnaryOperator_Delete_Not",
    "ReplaceUnaryOperator_Delete_USub",
    "ReplaceUnaryOperator_Delete_Invert",
    "ZeroIterationForLoop",
)


@dataclass(frozen=True)
class Mutant:
    """One change of one module."""

    module: str
    operator: str
    occurrence: int
    line: int
    column: int


Span = tuple[tuple[int, int], tuple[int, int]]


def _spared(source: str) -> list[Span]:
    """Where a change does not matter: types, and what decorators say of slots and caches."""
    found = []
    for node in ast.walk(ast.parse(source)):
        parts = [getattr(node, name, None) for name in ("annotation", "returns")]
        for part in (*parts, *getattr(node, "decorator_list", ())):
            if part is not None:
                start, end = (part.lineno, part.col_offset), (part.end_lineno, part.end_col_offset)
                found.append((start, end))
    return found


def _signatures(source: str) -> list[Span]:
    """Signatures, whose bare ``*`` is no multiplication."""
    return [
        ((node.lineno, node.col_offset), (node.body[0].lineno, 0))
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.FunctionDef)
    ]


def mutants_of(module: str) -> Iterator[Mutant]:
    """All mutants of a module that could change what it does."""
    from cosmic_ray.ast import ast_nodes, get_ast
    from cosmic_ray.plugins import get_operator

    source = (TOP / module).read_text(encoding="utf-8")
    everywhere, signatures = _spared(source), _signatures(source)
    nodes = list(ast_nodes(get_ast(source)))
    for name in OPERATORS:
        operator = get_operator(f"core/{name}")()
        spared = everywhere + (signatures if "BinaryOperator" in name else [])
        places = (place for node in nodes for place in operator.mutation_positions(node))
        for number, (start, _end) in enumerate(places):
            if not any(first <= start < last for first, last in spared):
                yield Mutant(module, name, number, *start)


def code_of(mutant: Mutant) -> str | None:
    """The module with the change in it."""
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator

    source = (TOP / mutant.module).read_text(encoding="utf-8")
    operator = get_operator(f"core/{mutant.operator}")()
    changed: str | None = mutate_code(source, operator, mutant.occurrence)
    return changed


def _changed_line(before: str, after: str) -> tuple[str, str]:
    pairs = zip(before.splitlines(), after.splitlines(), strict=False)
    for old, new in pairs:
        if old != new:
            return old.strip(), new.strip()
    return "", ""


class Bench:
    """A copy of the repository in which mutants are tested, one after the other."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        left_out = shutil.ignore_patterns(".git", "__pycache__", "pictures", "*.cache", ".*_cache")
        for name in ("echotrace", "tests", "synthetic_traces"):
            shutil.copytree(TOP / name, folder / name, ignore=left_out)
        for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
            shutil.copy(TOP / name, folder / name)

    def passes(self, tests: list[str], seconds: int, *, keep: bool = False) -> bool:
        """Whether all tests pass, within so many seconds of processor time."""
        child = os.fork()
        if child == 0:
            os.chdir(self.folder)
            os.environ["MPLBACKEND"] = "agg"
            sys.path[:] = [str(self.folder), *(p for p in sys.path if Path(p or ".") != TOP)]
            sys.dont_write_bytecode = not keep
            resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, 1)
            os.dup2(nowhere, 2)
            import pytest

            options = [
                "-x",
                "-q",
                "-n",
                "0",
                "-p",
                "no:cacheprovider",
                "--hypothesis-seed=0",
                "-W",
                "ignore:Module already imported",
            ]
            os._exit(int(pytest.main([*options, *tests])))
        _, status = os.waitpid(child, 0)
        return status == 0

    def survives(self, mutant: Mutant, tests: list[str], seconds: int) -> bool:
        """Whether no test notices the change."""
        changed = code_of(mutant)
        path = self.folder / mutant.module
        for cached in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
            cached.unlink()
        path.write_text(changed or "", encoding="utf-8")
        try:
            return changed is not None and self.passes(tests, seconds)
        finally:
            shutil.copy(TOP / mutant.module, path)


def _known(path: Path) -> list[dict[str, str]]:
    """Survivors of earlier trials, those whose line is no longer there left out."""
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    lines = {
        module: {line.strip() for line in (TOP / module).read_text(encoding="utf-8").splitlines()}
        for module in {row["module"] for row in rows}
        if (TOP / module).exists()
    }
    return [row for row in rows if row["was"] in lines.get(row["module"], ())]


def _row(mutant: Mutant) -> tuple[str, str, str, str]:
    """What names a mutant in the list of survivors."""
    before = (TOP / mutant.module).read_text(encoding="utf-8")
    return (mutant.module, mutant.operator, *_changed_line(before, code_of(mutant) or ""))


def _listed(everything: list[Mutant], rows: list[dict[str, str]]) -> list[Mutant]:
    """The mutants of rows that are not said to be the same as the original."""
    wanted = {_key(row) for row in rows if not row["reason"].startswith("same")}
    lines = {key[:3] for key in wanted}
    text = {m: (TOP / m).read_text(encoding="utf-8").splitlines() for m, *_ in wanted}
    near = [
        mutant
        for mutant in everything
        if mutant.module in text
        and (mutant.module, mutant.operator, text[mutant.module][mutant.line - 1].strip()) in lines
    ]
    return [mutant for mutant in near if _row(mutant) in wanted]


def _key(row: dict[str, str]) -> tuple[str, str, str, str]:
    return row["module"], row["operator"], row["was"], row["became"]


def run_group(group: str, modules: dict[str, list[str]], args: argparse.Namespace) -> None:
    """Test a sample of the mutants of a group of modules and keep the list of survivors."""
    wanted = {name: tests for name, tests in modules.items() if args.only in name}
    everything = [mutant for module in sorted(wanted) for mutant in mutants_of(module)]
    report = HERE / "survivors" / f"{group}.csv"
    known = {_key(row): row["reason"] for row in _known(report)}
    if args.again:
        chosen = _listed(everything, _known(report))
    else:
        size = min(args.count or max(1, round(args.share * len(everything))), len(everything))
        # In the order of the draw, so that what was tried when time is up is a fair sample too.
        chosen = random.Random(args.seed).sample(everything, size)
    print(f"{group}: {len(chosen)} of {len(everything)} mutants", flush=True)
    survivors, tested = [], 0
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        longest: dict[tuple[str, ...], int] = {}
        for tests in {tuple(wanted[mutant.module]) for mutant in chosen}:
            start = time.monotonic()
            if not bench.passes(list(tests), 600, keep=True):
                raise SystemExit(f"tests fail without any change: {tests}")
            longest[tests] = 20 + int(5 * (time.monotonic() - start))
        began = time.monotonic()
        for mutant in chosen:
            if time.monotonic() - began > 60 * args.minutes:
                print(f"stopped after {args.minutes} minutes", flush=True)
                break
            tested += 1
            tests = tuple(wanted[mutant.module])
            key = _row(mutant)
            reason = known.pop(key, "")
            if bench.survives(mutant, list(tests), longest[tests]):
                survivors.append((mutant, key, reason))
                print(f"  {mutant.module}:{mutant.line}: {key[2]}  ->  {key[3]}", flush=True)
    # What was not tried now stays in the list, and reasons stay beside their mutants.
    if not args.only:
        report.parent.mkdir(exist_ok=True)
        rows = [(*key, reason) for key, reason in known.items()]
        rows += [(*key, reason) for _, key, reason in survivors]
        with report.open("w", encoding="utf-8", newline="") as file:
            table = csv.writer(file, lineterminator="\n")
            table.writerow(["module", "operator", "was", "became", "reason"])
            table.writerows(sorted(set(rows)))
    alive = sum(not reason.startswith("same") for *_, reason in survivors)
    low, high = interval(alive, tested)
    print(
        f"{group}: {len(survivors)} of {tested} survived, {alive} of them not the same as the "
        f"original ({100 * alive / max(tested, 1):.1f} %, 95 % interval {100 * low:.1f} to "
        f"{100 * high:.1f} %)"
    )


def interval(alive: int, tested: int) -> tuple[float, float]:
    """Exact 95 % interval of a share (Clopper & Pearson 1934, Biometrika 26:404)."""
    from scipy.stats import beta

    low = float(beta.ppf(0.025, alive, tested - alive + 1)) if alive else 0.0
    high = float(beta.ppf(0.975, alive + 1, tested - alive)) if alive < tested else 1.0
    return low, high


def main() -> None:
    """Run the groups that are asked for."""
    table = tomllib.loads((HERE / "modules.toml").read_text(encoding="utf-8"))
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("groups", nargs="+", choices=sorted(table), metavar="GROUP")
    parser.add_argument("--share", type=float, default=0.25, help="share of the mutants (0.25)")
    parser.add_argument("--count", type=int, help="their number, in place of a share")
    parser.add_argument(
        "--again", action="store_true", help="the listed survivors that are not the same, no sample"
    )
    parser.add_argument("--seed", type=int, default=1971, help="of the sample")
    parser.add_argument("--minutes", type=float, default=20.0, help="at most, for each group (20)")
    parser.add_argument(
        "--only", default="", help="modules whose path holds this text; nothing is then written"
    )
    args = parser.parse_args()
    # Loaded once, before any fork; the package itself only in the forked processes.
    import hypothesis  # noqa: F401
    import matplotlib.figure  # noqa: F401
    import numba  # noqa: F401
    import numpy as np  # noqa: F401
    import pytest  # noqa: F401
    import scipy.interpolate
    import scipy.linalg
    import scipy.optimize
    import scipy.stats  # noqa: F401

    for group in args.groups:
        modules = {f"echotrace/{name}.py": tests for name, tests in table[group].items()}
        run_group(group, modules, args)


if __name__ == "__main__":
    main()
