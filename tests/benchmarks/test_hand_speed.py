"""What a technician waits for: whole commands, and a change in the window, in processor time.

Run with ``pytest tests/benchmarks``; not part of the default suite.
"""

import os
import resource
import subprocess
import sys
import time
from pathlib import Path

from test_speed import in_turn, once, say

import echotrace as et
from echotrace.figures.style import new_figure
from echotrace.teaching.desk import Desk
from echotrace.teaching.window import Window

SITTING = Path(__file__).resolve().parents[2] / "synthetic_traces" / "immersion_sitting.h5"


def test_whole_commands(benchmark, tmp_path):
    """Ratios to an interpreter that imports what they rest on; Python's own caches are warm."""
    measure_it = ["-m", "echotrace.cli", "measure", str(SITTING)]
    report = ["--report", str(tmp_path / "report.html"), "--overwrite"]
    words = {
        "import numpy, h5py, numba": ["-c", "import numpy, h5py, numba"],
        "measure": measure_it,
        "measure --report": [*measure_it, *report],
    }
    environment = {**os.environ, "PYTHONPYCACHEPREFIX": str(tmp_path / "bytecode")}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)

    def used_s():
        now = resource.getrusage(resource.RUSAGE_CHILDREN)
        return now.ru_utime + now.ru_stime

    def fresh(command, **changes):
        return lambda: subprocess.run(
            [sys.executable, *command],
            check=True,
            stdout=subprocess.DEVNULL,
            env={**environment, **changes},
        )

    runs = [fresh(command) for command in words.values()]
    for run in runs:
        run()
    each = in_turn(runs, 9, used_s)
    for k, name in enumerate(words):
        say(benchmark, f"{name}, s of processor time", each[:, k])
    say(benchmark, "measure over the imports", each[:, 1] / each[:, 0])
    say(benchmark, "measure --report over the imports", each[:, 2] / each[:, 0])
    # No caches at all, as on a new machine.
    new = {"NUMBA_CACHE_DIR": str(tmp_path / "none"), "PYTHONPYCACHEPREFIX": str(tmp_path / "new")}
    first = fresh(measure_it, **new)
    start = used_s()
    first()
    print(f"\n  first run ever: {used_s() - start:.1f} s of processor time", end="")
    once(benchmark, lambda: None)


def test_a_change_in_the_window(benchmark):
    """Over drawing the same window anew: measuring included, the picture on the canvas."""
    window = Window(Desk(et.read(SITTING)), new_figure(12.5, 7.2))
    canvas, gain = window.figure.canvas, window._widgets["gain"]
    canvas.draw()
    steps = [0]

    def another_scan():
        steps[0] += 1
        window._do(window.desk.step, 1 if steps[0] % 10 < 5 else -1)

    changes = {
        "another scan": another_scan,
        "gain": lambda: gain.set_val(0.5 - gain.val),
        "a pick by hand": lambda: window._do(window.desk.place, "retina", 43.2 + gain.val / 10, ""),
    }
    for change in changes.values():
        for _ in range(12):
            change()
    each = in_turn([*changes.values(), canvas.draw], 41, time.process_time)
    for k, name in enumerate(changes):
        say(benchmark, f"{name}, ms", 1e3 * each[:, k])
        say(benchmark, f"{name} over drawing all anew", each[:, k] / each[:, -1])
    once(benchmark, lambda: None)
