"""Change one token of a module, run the tests that belong to it, and see whether one fails.

    python tests/mutation/mutate.py sittings power --share 0.25

Cosmic Ray (extra ``mutation``) makes the mutants. They are sampled at a fixed seed; a survey by
coverage says which tests run the changed statement, and those alone are run, the quickest first, in
a process forked from one that has imported and collected everything (``bench.py``). Survivors are
written to ``survivors/GROUP.csv``, where a reason is kept beside each. ``groups.toml`` says which
tests are asked.
"""

from __future__ import annotations

import argparse
import ast
import csv
import random
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from bench import Bench, Server, Survey, cached_survey, tests_of, within

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


def survives(
    mutant: Mutant, bench: Bench, server: Server, survey: Survey, most_s: float
) -> tuple[bool, int]:
    """Whether no test notices a change, and how many tests run the changed statement."""
    before = (TOP / mutant.module).read_text(encoding="utf-8")
    changed = code_of(mutant)
    if changed is None:
        return False, 0
    running = tests_of(survey, mutant.module, before, mutant.line)
    if not running:
        return True, 0
    tests, cpu_s = within(running, survey["seconds"], most_s)
    alive = server.survives(mutant.module, before, changed, tests, cpu_s)
    if alive is None:
        alive = bench.survives_import(mutant.module, changed, tests, cpu_s + 30)
    return alive, len(tests)


def pass_unchanged(server: Server, survey: Survey, tests: set[str]) -> bool:
    """Whether tests pass as trials run them, forked and the quickest first, without any change."""
    if not tests:
        return True
    seconds = survey["seconds"]
    module = next(iter(survey["lines"]))
    source = (TOP / module).read_text(encoding="utf-8")
    chosen, cpu_s = within(sorted(tests, key=seconds.get), seconds, 1e6)
    return bool(server.survives(module, source, source, chosen, cpu_s))


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


def run_group(group: str, table: dict[str, list[str]], args: argparse.Namespace) -> None:
    """Test a sample of the mutants of a folder's modules and keep the list of survivors."""
    folder = f"echotrace/{group}"
    left_out = {f"{folder}/{name}.py" for name in [*table.get("left_out", ()), "__init__"]}
    modules = [str(path.relative_to(TOP)) for path in sorted((TOP / folder).rglob("*.py"))]
    wanted = [name for name in modules if name not in left_out and args.only in name]
    everything = [mutant for module in wanted for mutant in mutants_of(module)]
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
    noticing: set[str] = set()
    with tempfile.TemporaryDirectory() as place:
        bench = Bench(Path(place) / "repository")
        survey = cached_survey(bench, folder, table["tests"], args.cache)
        server = Server(bench, table["tests"])
        began = time.monotonic()
        for mutant in chosen:
            if time.monotonic() - began > 60 * args.minutes:
                print(f"stopped after {args.minutes} minutes", flush=True)
                break
            tested += 1
            key = _row(mutant)
            reason = known.pop(key, "")
            start = time.monotonic()
            bench.failed.unlink(missing_ok=True)
            alive, tests = survives(mutant, bench, server, survey, args.most_s)
            if bench.failed.exists():
                noticing.add(bench.failed.read_text(encoding="utf-8"))
            if args.talk:
                spent = time.monotonic() - start
                said = f"{'alive' if alive else 'noticed'}: {mutant.module}:{mutant.line}"
                print(f"    {said}, {tests} tests, {spent:.1f} s", flush=True)
            if alive:
                survivors.append((mutant, key, reason))
                print(f"  {mutant.module}:{mutant.line}: {key[2]}  ->  {key[3]}", flush=True)
        if not pass_unchanged(server, survey, noticing):
            raise SystemExit("tests that noticed something fail without any change too")
        server.close()
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
    table = tomllib.loads((HERE / "groups.toml").read_text(encoding="utf-8"))
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
    parser.add_argument("--cache", type=Path, help="folder that keeps surveys of test files")
    parser.add_argument(
        "--most-s", type=float, default=60.0, help="seconds of tests for one mutant (60)"
    )
    parser.add_argument("--talk", action="store_true", help="a line for each mutant")
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
        run_group(group, table[group], args)


if __name__ == "__main__":
    main()
