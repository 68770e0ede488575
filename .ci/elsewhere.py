"""Run the tests marked ``elsewhere`` again as another machine or other versions would.

``python .ci/elsewhere.py [NAME ...]`` with the Python of the environment that has the ``test``
extra; without names all, one after the other. ``NAME+NAME`` is one run with both: versions and an
arithmetic. What cannot be run here is said on a line of its own.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
# Variables that are changed for a run.
Changes = dict[str, str]

# Of the extra ``test``, what the marked tests import.
NEEDED = {"pytest", "pytest-xdist", "hypothesis", "statsmodels", "pingouin", "pandas"}

# What is active in a fresh interpreter, and numbers whose last bits tell one arithmetic from
# another. The machine code of a sum of products tells what numba compiles for.
PROBE = """
import hashlib, json, math
import numba, numpy as np, scipy.linalg, threadpoolctl
x = np.linspace(-3.0, 3.0, 20001)
a = np.sin(np.arange(90000.0)).reshape(300, 300)
@numba.njit(fastmath=True)
def dot(u, v):
    total = 0.0
    for k in range(u.size):
        total += u[k] * v[k]
    return total
dot(x, x)
code = "".join(dot.inspect_asm().values())
simd = np.show_config(mode="dicts").get("SIMD Extensions", {})
pools = threadpoolctl.threadpool_info()
blas = [item["architecture"] for item in pools if item["internal_api"] == "openblas"]
libm = [f(v) for f in (math.exp, math.sin, math.atan) for v in x.tolist()]
def digest(values):
    return hashlib.sha256(np.asarray(values).tobytes()).hexdigest()
told = {
    "numpy": digest(np.exp(x)), "blas": digest(a @ a.T), "libm": digest(libm),
    "numba": hashlib.sha256(code.encode()).hexdigest(),
}
print(json.dumps({"beyond": simd.get("found", []), "cores": blas, "fma": "fmadd" in code} | told))
"""


class NotHereError(Exception):
    """A run makes no sense or cannot be made on this machine."""


def pythons() -> dict[tuple[int, int], str]:
    """Pythons that this project allows, on the PATH or beside the one that runs, that start."""
    floor = tuple(map(int, re.findall(r"\d+", PROJECT["requires-python"])))
    versions = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv")) / "versions"
    names = [sys.executable, *sorted(map(str, versions.glob("3.*/bin/python")))]
    names += [found for minor in range(floor[1], 40) if (found := shutil.which(f"python3.{minor}"))]
    there: dict[tuple[int, int], str] = {}
    for name in names:
        ask = [name, "-c", "import sys, ensurepip; print(*sys.version_info[:2])"]
        done = subprocess.run(ask, capture_output=True, text=True, check=False)
        if done.returncode == 0:
            major, minor = map(int, done.stdout.split())
            if (major, minor) >= floor:
                there.setdefault((major, minor), name)
    return there


def probe(python: str, changes: Changes) -> dict[str, Any]:
    """What a fresh interpreter says of its arithmetic under changed variables."""
    command = [python, "-c", PROBE]
    done = subprocess.run(
        command, capture_output=True, text=True, check=False, env={**os.environ, **changes}
    )
    if done.returncode:
        raise SystemExit(f"the probe fails under {changes}:\n{done.stderr}")
    told: dict[str, Any] = json.loads(done.stdout)
    return told


def masked(python: str, core: str, cpu: str, features: list[str], tunables: str) -> Changes:
    """Variables under which libraries use less than the processor has; checked to be heard."""
    plain = probe(python, {})
    changes = {
        "OPENBLAS_CORETYPE": core,
        "NPY_DISABLE_CPU_FEATURES": " ".join(features),
        "NUMBA_CPU_NAME": cpu,
        "NUMBA_CPU_FEATURES": "",
    }
    if tunables:
        changes["GLIBC_TUNABLES"] = tunables
    told = probe(python, changes)
    deaf = [f"numpy still uses {name}" for name in features if name in told["beyond"]]
    if not plain["cores"]:
        print("   numpy's and scipy's linear algebra is not OpenBLAS: it stays as it is")
    elif set(told["cores"]) != {core}:
        deaf.append(f"OpenBLAS runs {told['cores']}, not {core}")
    if cpu == "generic" and told["fma"]:
        deaf.append("numba still compiles for this processor")
    if deaf:
        raise SystemExit(f"variables without effect: {'; '.join(deaf)}")
    alike = [name for name in ("numpy", "blas", "numba", "libm") if told[name] == plain[name]]
    print(f"   OpenBLAS {core}, numba for {cpu}, numpy without {' '.join(features)}")
    print(f"   the same bits all the same in: {', '.join(alike) or 'nothing'}", flush=True)
    return changes


def without_avx512(python: str) -> Changes:
    """Nothing beyond AVX2."""
    beyond = [name for name in probe(python, {})["beyond"] if "AVX512" in name or name == "X86_V4"]
    if not beyond:
        raise NotHereError("this processor has no AVX-512: the suite itself was that run")
    return masked(python, "Haswell", "haswell", beyond, "")


def oldest_processor(python: str) -> Changes:
    """Nothing beyond what the wheels demand: no AVX, no fused multiply-add, in libm neither."""
    beyond = probe(python, {})["beyond"]
    if not beyond:
        raise NotHereError("numpy finds nothing beyond its baseline here")
    if not set(beyond) & {"X86_V3", "AVX2"}:
        raise NotHereError("the variables are known for x86-64 only")
    tunables = "glibc.cpu.hwcaps=-AVX2,-FMA,-FMA4,-AVX512F"
    return masked(python, "Nehalem", "generic", list(beyond), tunables)


def install(python: str, folder: Path, requirements: list[str]) -> str:
    """Make a new environment of wheels; the tests find the package in the current folder."""
    subprocess.run([python, "-m", "venv", str(folder)], check=True)
    inside = str(folder / ("Scripts" if os.name == "nt" else "bin") / "python")
    extra = PROJECT["optional-dependencies"]["test"]
    tools = [item for item in extra if re.split(r"[\[<>=]", item)[0] in NEEDED]
    command = [inside, "-m", "pip", "install", "-q", "--only-binary=:all:", *requirements, *tools]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise NotHereError(f"no wheels: {done.stderr.strip().splitlines()[-1]}")
    return inside


def oldest_versions(folder: Path) -> tuple[str, Changes]:
    """The lower bounds of pyproject.toml, on the oldest Python that is here."""
    oldest = [re.sub(r"^([\w-]+)>=([\w.]+)$", r"\1==\2", item) for item in PROJECT["dependencies"]]
    if wrong := [item for item in oldest if "==" not in item]:
        raise SystemExit(f"no lower bound to be read in {wrong}")
    version, python = min(pythons().items())
    print(f"   Python {version[0]}.{version[1]}, {' '.join(oldest)}", flush=True)
    # Libraries of that time use what their neighbours of today deprecate.
    inside = install(python, folder / "oldest", oldest)
    return inside, {"PYTEST_ADDOPTS": "-W ignore::DeprecationWarning"}


def newest_python(folder: Path) -> tuple[str, Changes]:
    """The newest Python here for which all wheels exist, and the newest versions for it."""
    newer = {v: path for v, path in pythons().items() if v > sys.version_info[:2]}
    for version, python in sorted(newer.items(), reverse=True):
        name = f"Python {version[0]}.{version[1]}"
        try:
            inside = install(python, folder / name, PROJECT["dependencies"])
        except NotHereError as error:
            print(f"   not run on {name}: {error}")
            continue
        print(f"   {name}", flush=True)
        return inside, {}
    raise NotHereError("no Python newer than the suite's own is here")


MARKED = "elsewhere and not slow"

VERSIONS = {"oldest-versions": oldest_versions, "newest-python": newest_python}
ARITHMETIC = {"without-avx512": without_avx512, "oldest-processor": oldest_processor}
NAMES = [*ARITHMETIC, *VERSIONS]


def prepared(parts: list[str], folder: Path) -> tuple[str, Changes] | None:
    """The interpreter of a run and its variables; None where nothing of it can be had here."""
    python, there = sys.executable, False
    changes: Changes = {}
    for name in sorted(parts, key=NAMES.index, reverse=True):
        try:
            if name in VERSIONS:
                python, more = VERSIONS[name](folder)
            else:
                more = ARITHMETIC[name](python)
        except NotHereError as error:
            print(f"   NOT RUN: {name}: {error}", flush=True)
            continue
        changes |= more
        there = True
    return (python, changes) if there else None


def main() -> int:
    """Make the runs one after the other; 1 if tests failed in any."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME[+NAME]", help=f"of {', '.join(NAMES)}")
    failed = []
    for run in parser.parse_args().names or NAMES:
        parts = run.split("+")
        if unknown := [name for name in parts if name not in NAMES]:
            parser.error(f"no run is called {unknown[0]}; use {', '.join(NAMES)}")
        print(f"-- elsewhere: {run}", flush=True)
        with tempfile.TemporaryDirectory() as folder:
            found = prepared(parts, Path(folder))
            if found is None:
                continue
            python, changes = found
            changes |= {"NUMBA_CACHE_DIR": str(Path(folder) / "kernels"), "MPLBACKEND": "agg"}
            done = subprocess.run(
                [python, "-m", "pytest", "-q", "-n", "2", "-m", MARKED],
                cwd=ROOT,
                env={**os.environ, **changes},
                check=False,
            )
            if done.returncode:
                failed.append(f"{run} (exit code {done.returncode})")
    if failed:
        print(f"elsewhere: failed in {', '.join(failed)}")
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
