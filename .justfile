# One word for each habit: `.venv/bin/just WORD` (extra `dev`), from the top of a clone.

python := ".venv/bin/python"

# The words there are.
default:
    @just --list

# Everything a contributor needs, into .venv.
setup:
    python3 -m venv .venv
    .venv/bin/pip install -q -e ".[dev]"

# Style and types.
lint:
    .venv/bin/ruff check .
    .venv/bin/ruff format --check .
    .venv/bin/mypy

# The suite, kernels compiled.
test *FILES:
    {{python}} -m pytest -q -n 2 {{FILES}}

# What calls kernels, in plain Python, with the coverage of every line; or of some test files.
coverage *FILES:
    NUMBA_DISABLE_JIT=1 {{python}} -m pytest -q -n 2 -m "kernels and not slow" --cov=echotrace --cov-branch --cov-report=term-missing:skip-covered {{FILES}}

# Coverage of intervals by simulation and other checks that take minutes.
slow:
    {{python}} -m pytest -q -m slow

# Whether a test notices a changed token: `just mutation sittings power`.
mutation *GROUPS:
    {{python}} tests/mutation/mutate.py {{GROUPS}}

# The numbers again under other arithmetic and other versions; names of runs to choose some.
elsewhere *NAMES:
    {{python}} .ci/elsewhere.py {{NAMES}}

# Speed, as ratios to references in the same process.
bench:
    {{python}} -m pytest -q -o addopts= tests/benchmarks -s

# The documentation site, warnings as errors, into out/docs.
docs:
    {{python}} -m sphinx -q -W --keep-going -b html .docs out/docs

# All that CI does, in a new environment.
ci:
    .ci/run
