"""What the campaigns share: how long, which seed, a folder of good inputs, and how a run is judged.

``ECHOTRACE_FUZZ=long`` makes the long campaign, ``ECHOTRACE_FUZZ_SEED`` another one.
"""

import os
import re
import shutil
from collections import Counter
from pathlib import Path

import numpy as np
from closed_form import eye_traces, recording_of

from echotrace.files.native import read_measurement, read_recording, write_recording

LONG = os.environ.get("ECHOTRACE_FUZZ") == "long"
SEED = int(os.environ.get("ECHOTRACE_FUZZ_SEED", "1"))

DETAILS = [
    "--sampling-rate-mhz", "100", "--start-delay-us", "0", "--signal", "rf", "--method",
    "immersion", "--eye", "left", "--lens-state", "phakic", "--centre-frequency-mhz", "10",
]  # fmt: skip
GIVEN = [
    "--axial-length-mm", "23.5", "--axial-length-u-mm", "0.03", "--eye", "right", "--k1", "43.5",
    "--k2", "44", "--constant", "srk_t=118.4", "--target", "0", "--history", "none",
]  # fmt: skip
SCENARIO = "scans = 3\n[hold]\nalignments = 2\n"


def make_inputs(folder, traces=3):
    """Good inputs of every command, in a folder."""
    rf = eye_traces(traces)
    write_recording(recording_of(rf), folder / "r.h5")
    np.save(folder / "a.npy", (rf * 1000).astype(np.int16))
    lines = ["subject,eye,method,operator,sitting,order,axial_length_mm"]
    for k in range(6):
        for method, longer in (("contact", 0.0), ("immersion", 0.1)):
            for n in range(3):
                value = 23 + 0.3 * k + longer * (1 + k % 3) + 0.02 * n
                lines.append(f"S{k},right,{method},A,1,{n},{value}")
    (folder / "s.csv").write_text("\n".join(lines) + "\n")
    (folder / "s.toml").write_text(SCENARIO)
    (folder / "set.toml").write_text("")


class Judge:
    """Counts failures by class; a campaign passes when there are none."""

    def __init__(self):
        self.runs = Counter()
        self.failures = {}

    def fail(self, kind, what):
        """Note a failure."""
        self.failures.setdefault(kind, []).append(what)

    def exit(self, code, err, words, allowed=(0, 1, 2)):
        """Judge how a run ended and what it said."""
        self.runs[code] += 1
        shown = f"{code}: {[word[:60] for word in words]}: {err[:300]!r}"
        if code not in allowed:
            self.fail("exit code", shown)
        if "Traceback" in err or ("Error:" in err and "unexpected" in err):
            self.fail("traceback", shown)
        if code == 2 and (err.count("\n") != 1 or not err.startswith("echotrace")):
            self.fail("not one line", shown)
        if "usage" in err or "Warning" in err:
            self.fail("noise", shown)
        if any(len(line) > 1000 for line in err.splitlines()):
            self.fail("long message", shown)

    def whole(self, path, words):
        """Judge that a file under its final name is complete."""
        try:
            if path.suffix == ".h5":
                try:
                    read_measurement(path)
                except Exception:
                    read_recording(path)
            elif path.suffix == ".html":
                assert path.read_text(encoding="utf-8").rstrip().endswith("</html>")
            elif path.suffix == ".svg":
                assert path.read_text(encoding="utf-8").rstrip().endswith("</svg>")
            elif path.suffix == ".csv":
                assert path.read_text(encoding="utf-8").endswith("\n")
        except Exception as error:
            self.fail("half file", f"{path.name}: {error!r}: {words}")

    def verdict(self):
        """Say all, and fail where there is anything to say."""
        runs = ", ".join(f"exit {code}: {n}" for code, n in sorted(self.runs.items()))
        print(f"\n{sum(self.runs.values())} runs ({runs})")
        # In the message too: a log may be kept from its end only.
        told = [
            f"{kind}: {len(found)}\n" + "\n".join(f"   {item}" for item in found[:8])
            for kind, found in self.failures.items()
        ]
        assert not told, "\n".join(told)


def partials(folder):
    """Half-written files anywhere below a folder."""
    return [p for p in Path(folder).rglob("*") if re.search(r"\.partial$", p.name)]


def clear(folder, keep):
    """Delete what a run has made."""
    for item in Path(folder).iterdir():
        if item.name not in keep:
            shutil.rmtree(item) if item.is_dir() else item.unlink()
