"""Cost against traces, samples, interfaces looked for and workers: figures and a picture.

python tests/benchmarks/scaling.py tests/benchmarks/scaling.png
"""

import argparse
import dataclasses
import os
import sys
import time
from functools import partial
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).resolve().parents[1])]

from long_recording import eyes, recording, write_long

from echotrace.chain.measure import measure
from echotrace.files.native import read_recording
from echotrace.media import medium
from echotrace.settings import Settings, TargetGate
from echotrace.signal.gates import Gate
from echotrace.target import Interface, Segment, Target


def seconds(functions, rounds=15, clock=time.process_time, *, warm=True):
    """Least of some rounds of each, all in turn, for a machine whose speed changes by the second.

    The processor's time, which other programs disturb least.
    """
    if warm:
        for function in functions:
            function()
    taken = np.full(len(functions), np.inf)
    for _ in range(rounds):
        for k, function in enumerate(functions):
            start = clock()
            function()
            taken[k] = min(taken[k], clock() - start)
    return taken


def layers(n):
    """A stack of ``n`` interfaces, 2 to 8 mm apart in water, and a gate for the first."""
    water = medium("aqueous")
    target = Target(
        name=f"stack_of_{n}",
        interfaces=tuple(Interface(name=f"layer_{k}") for k in range(n)),
        segments=tuple(
            Segment(name=f"gap_{k}", medium=water, mean_mm=4.0, sd_mm=2.0, range_mm=(0.3, 20.0))
            for k in range(n - 1)
        ),
        length_from="layer_0",
        length_to=f"layer_{n - 1}",
    )
    gate = Gate(interface="layer_0", start_us=3.0, stop_us=9.0)
    return target, Settings(gates=(TargetGate(method="any", target="any", gate=gate),))


def by_traces(folder, largest):
    path = folder / "scaling.h5"
    short = [10**k for k in range(2, 5) if 10**k <= largest]
    wholes = [recording(eyes(n, seed=1)) for n in short]
    found = [*zip(short, seconds([partial(measure, w, workers=1) for w in wholes]), strict=True)]
    for n in [n for n in (100_000, 1_000_000) if n <= largest]:
        write_long(path, n)
        stored = read_recording(path, lazy=True)
        rounds = 5 if n <= 100_000 else 1
        (taken,) = seconds([partial(measure, stored, workers=1)], rounds, warm=False)
        found.append((n, taken))
        path.unlink()
    return found


def by_samples():
    sizes = (1024, 2048, 4096, 8192, 16_384, 32_768, 65_536)
    # The same number of samples in all; noise behind the eye.
    numbers = [2**22 // m for m in sizes]
    wholes = [recording(eyes(n, m, seed=2)) for n, m in zip(numbers, sizes, strict=True)]
    taken = seconds([partial(measure, w, workers=1) for w in wholes])
    return [*zip(sizes, 1e6 * taken / numbers, strict=True)]


def by_interfaces():
    whole = dataclasses.replace(recording(eyes(1024, seed=3)), target="stack")
    numbers = range(2, 9)
    stacks = [layers(n) for n in numbers]
    taken = seconds([partial(measure, whole, s, target=t, workers=1) for t, s in stacks])
    return [*zip(numbers, 1e6 * taken / whole.n_traces, strict=True)]


def by_workers():
    whole = recording(eyes(16_384, seed=4))
    numbers = range(1, len(os.sched_getaffinity(0)) + 1)
    each = [partial(measure, whole, workers=n) for n in numbers]
    clocks = [seconds(each, 11, clock) for clock in (time.perf_counter, time.process_time)]
    return [*zip(numbers, *(1e6 * taken / whole.n_traces for taken in clocks), strict=True)]


def draw(results, path):
    """Four panels of time a trace; dotted: what strict proportion to the last point would be."""
    figure = Figure(figsize=(9.0, 6.4), layout="constrained")
    panels = figure.subplots(2, 2).ravel()
    labels = {
        "traces": "traces of the recording (from 10⁵ on read from a file)",
        "samples": "samples of a trace",
        "interfaces": "interfaces looked for",
        "workers": "workers (threads)",
    }
    for ax, (name, label) in zip(panels, labels.items(), strict=True):
        x, y, *more = np.array(results[name]).T
        if name == "traces":
            y = y / x * 1e6
        ax.plot(x, y, "o-", color="#0072b2", label="by the clock" if more else "measured")
        if name == "samples":
            ax.plot(x, y[-1] * x / x[-1], ":", color="0.3", label="in proportion to samples")
            ax.set(xscale="log", yscale="log")
            ax.set_xticks(x, [f"{int(m) // 1024} k" for m in x])
            marks = [
                m for m in (5, 10, 20, 50, 100, 200, 500, 1000) if y.min() / 2 < m < 2 * y.max()
            ]
            ax.set_yticks(marks, [str(m) for m in marks])
            ax.minorticks_off()
        else:
            ax.set_ylim(0.0, 1.25 * y.max())
        if name == "traces":
            ax.axhline(y[-1], ls=":", color="0.3", label="in proportion to traces")
            ax.set_xscale("log")
            ax.minorticks_off()
        if name == "interfaces":
            slope, start = np.polyfit(x, y, 1)
            ax.plot(x, start + slope * x, ":", color="0.3", label="straight line")
            ax.set_xticks(x)
        if name == "workers":
            ax.plot(x, more[0], "s--", color="#d55e00", label="processor time of all threads")
            ax.plot(x, y[0] / x, ":", color="0.3", label="one worker's clock time shared out")
            ax.set_ylim(0.0, 1.6 * max(y.max(), more[0].max()))
            ax.set_xticks(x)
            ax.margins(x=0.2)
        ax.set(xlabel=label, ylabel="time a trace, µs")
        ax.legend(
            frameon=False, loc="upper left" if name in ("samples", "workers") else "lower left"
        )
        ax.grid(alpha=0.3)
    figure.savefig(path, dpi=110)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("picture", type=Path)
    parser.add_argument("--folder", type=Path, default=Path.cwd(), help="for temporary files")
    parser.add_argument("--traces", type=int, default=1_000_000, help="largest number of traces")
    given = parser.parse_args()
    results = {
        "traces": by_traces(given.folder, given.traces),
        "samples": by_samples(),
        "interfaces": by_interfaces(),
        "workers": by_workers(),
    }
    for name, points in results.items():
        print(name, ", ".join(f"{x}: {' '.join(f'{y:.4g}' for y in more)}" for x, *more in points))
    draw(results, given.picture)


if __name__ == "__main__":
    main()
