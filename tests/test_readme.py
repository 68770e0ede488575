"""Every command of the front page runs as shown, from top to bottom, and says what is shown."""

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[1]
PAGE = (ROOT / "README.md").read_text("utf-8")
BLOCK = re.compile(r"```(sh|console)\n(.*?)```", re.S)
# Minutes of synthesis; what teaches is run by its own tests.
ELSEWHERE = ("echotrace teach",)


def commands():
    """Command lines of the page with the output that is shown, if any."""
    for kind, text in BLOCK.findall(PAGE):
        if kind == "console":
            first, _, shown = text.partition("\n")
            yield first.removeprefix("$ "), shown
        else:
            for line in text.splitlines():
                yield line.split("   #")[0].strip(), None


def ours():
    for line, shown in commands():
        if line.startswith("echotrace ") and not line.startswith(ELSEWHERE):
            yield line, shown


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A folder like a clone of the repository, and the folder of exported traces it speaks of."""
    folder = tmp_path_factory.mktemp("clone")
    shutil.copytree(
        ROOT / "synthetic_traces", folder / "synthetic_traces",
        ignore=shutil.ignore_patterns("pictures"),
    )  # fmt: skip
    from echotrace.files.native import read_recording

    recording = read_recording(ROOT / "synthetic_traces" / "immersion_sitting.h5")
    (folder / "exported").mkdir()
    for k, trace in enumerate(np.asarray(recording.samples)[:5]):
        lines = ["Second;Volt", *(f"{i * 1e-8:.9g};{v / 2048:.6f}" for i, v in enumerate(trace))]
        (folder / "exported" / f"trace {k + 8}.csv").write_text("\n".join(lines) + "\n", "utf-8")
    return folder


def test_the_page_shows_the_commands_that_there_are():
    from echotrace.cli import _COMMANDS

    shown = set(re.findall(r"\| `echotrace ([a-z]+)` \|", PAGE))
    assert shown == set(_COMMANDS)
    assert len(list(ours())) >= 10
    # The environment is made known before the program is called by its short name.
    assert PAGE.index(". .venv/bin/activate") < PAGE.index("\n$ echotrace ")


def test_commands_run_as_shown(place):
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}
    for line, shown in ours():
        words = shlex.split(line)
        done = subprocess.run(
            [sys.executable, "-m", "echotrace.cli", *words[1:]],
            check=False, capture_output=True, text=True, cwd=place, env=environment,
            encoding="utf-8",
        )  # fmt: skip
        # 1: done, but some sitting has no acceptable result.
        assert done.returncode in (0, 1), f"{line}: {done.stderr}"
        if shown is not None:
            assert done.stdout == shown, line
    assert (place / "scans.png").exists()
    assert (place / "sitting.html").exists()
    assert "trace 8.csv" in subprocess.run(
        [sys.executable, "-m", "echotrace.cli", "import", "exported", "--dry-run"],
        check=True, capture_output=True, text=True, cwd=place, env=environment,
        encoding="utf-8",
    ).stdout  # fmt: skip
