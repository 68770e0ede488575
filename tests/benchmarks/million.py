"""A million traces from a file, results written as they come: rate and growth of memory.

python tests/benchmarks/million.py FOLDER --traces 1000000

Writes a file of 8 kB a trace into FOLDER and deletes it afterwards. One thread and all; the rate in
memory is read before and after each long run. Peak memory is the process's own (anonymous pages, so
that the page cache does not count).
"""

import argparse
import sys
import threading
import time
from functools import partial
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).resolve().parents[1])]

from long_recording import write_long

from echotrace.chain.block import prepare
from echotrace.chain.measure import measure
from echotrace.files.native import read_recording
from echotrace.many.to_file import measure_to_file


def resident_mb():
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("RssAnon"):
            return int(line.split()[1]) / 1024
    return 0.0


class Peak:
    """Largest resident memory while it is open."""

    def __enter__(self):
        self.start = self.peak = resident_mb()
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self._watch)
        self.thread.start()
        return self

    def _watch(self):
        while not self.stop.wait(0.05):
            self.peak = max(self.peak, resident_mb())

    def __exit__(self, *_):
        self.stop.set()
        self.thread.join()


def timed(n_traces, function):
    """Seconds a trace, by the clock on the wall and of processor time in all threads."""
    wall, processor = time.perf_counter(), time.process_time()
    function()
    return (time.perf_counter() - wall) / n_traces, (time.process_time() - processor) / n_traces


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--traces", type=int, default=1_000_000)
    given = parser.parse_args()
    path, out = given.folder / "million.h5", given.folder / "million_result.h5"
    try:
        start = time.perf_counter()
        write_long(path, given.traces)
        print(f"wrote {path.stat().st_size / 1e9:.2f} GB in {time.perf_counter() - start:.0f} s")
        start = time.perf_counter()
        prepare(read_recording(path, lazy=True))
        print(f"labels read and chain prepared in {time.perf_counter() - start:.2f} s")
        held = read_recording(path, lazy=True).select(slice(0, 16_384))
        measure(held.select(slice(0, 64)))
        for workers in (1, None):
            in_memory = partial(timed, held.n_traces, partial(measure, held, workers=workers))
            alone = [in_memory() for _ in range(5)]
            with Peak() as memory:
                streamed = timed(
                    given.traces,
                    lambda w=workers: measure_to_file(
                        read_recording(path, lazy=True), out, workers=w
                    ),
                )
            alone += [in_memory() for _ in range(5)]
            print(f"workers={workers}:")
            for k, what in enumerate(("by the clock", "of processor time")):
                rates = sorted(1.0 / item[k] for item in alone)
                print(
                    f"  {what}: in memory {rates[0]:.0f} / {rates[5]:.0f} / {rates[-1]:.0f} "
                    f"traces/s (min / median / max), streamed {1.0 / streamed[k]:.0f}, "
                    f"{1.0 / streamed[k] / rates[5]:.2f} of the median"
                )
            print(
                f"  memory {memory.start:.0f} MB and at most {memory.peak - memory.start:.0f} MB "
                f"more; result {out.stat().st_size / given.traces:.0f} bytes a trace",
                flush=True,
            )
    finally:
        path.unlink(missing_ok=True)
        out.unlink(missing_ok=True)


if __name__ == "__main__":
    main()
