"""How fast, as ratios to references that run in turn with it in the same process.

    python -m pytest -o addopts= tests/benchmarks -s

Nothing here fails on a slow machine: figures are printed, kept in pytest-benchmark's ``extra_info``
and drawn by ``scaling.py``. One-core times are CPU times of the thread, which other programs on
the machine disturb less than the clock on the wall.
"""

import dataclasses
import os
import subprocess
import sys
import time
from pathlib import Path

import h5py
import numpy as np
import pytest
from long_recording import eyes, recording, write_long
from references import VectorisedPicks, again, hilbert_picks, multiply_add, obspy_picks

from echotrace.chain.block import measure_block, prepare
from echotrace.chain.measure import measure
from echotrace.files.atomic import atomic_target
from echotrace.files.native import MeasurementWriter, read_recording
from echotrace.files.parts import write_part
from echotrace.kernels import filters as walk
from echotrace.kernels.choice import choose_rows
from echotrace.kernels.evidence import LOOKED_FOR
from echotrace.kernels.extremes import extremes
from echotrace.kernels.noise import ENVELOPE, noise_of
from echotrace.many.summaries import ManySummary
from echotrace.many.to_file import measure_to_file
from echotrace.measurement import ARRAYS, concatenate
from echotrace.recording import COLUMNS
from echotrace.signal.envelope import matched_taps
from echotrace.signal.pulse import gaussian_pulse

SHIPPED = Path(__file__).parents[2] / "synthetic_traces"
N, M, RATE_HZ = 2048, 4096, 1e8
PULSE = gaussian_pulse(RATE_HZ, 1e7, 0.6)


@pytest.fixture(scope="module")
def samples():
    return eyes(N, M, seed=1)


def in_turn(functions, rounds, clock=time.thread_time):
    """Seconds of each function, one after the other, again and again: (rounds, functions)."""
    for function in functions:
        function()
    taken = np.empty((rounds, len(functions)))
    for i in range(rounds):
        for k, function in enumerate(functions):
            start = clock()
            function()
            taken[i, k] = clock() - start
    return taken


def say(benchmark, what, values, unit=""):
    low, middle, high = np.min(values), np.median(values), np.max(values)
    benchmark.extra_info[what] = [float(low), float(middle), float(high)]
    print(f"\n  {what}: {low:.3g} / {middle:.3g} / {high:.3g}{unit} (min / median / max)", end="")


def once(benchmark, function):
    benchmark.pedantic(function, rounds=1, iterations=1)


def test_one_core_against_references(benchmark, samples):
    """All picks and features of 6 interfaces against (a), (b) and (c), which pick 4 gates."""
    whole = recording(samples)
    few = samples[:128]
    vectorised = VectorisedPicks(PULSE, M, RATE_HZ)
    prepared = prepare(whole)
    plain = dataclasses.replace(prepared, readers={})
    (reader,) = prepared.readers.values()
    by_gate = dataclasses.replace(reader, chooser=reader.chooser._replace(jointly=False))
    small = whole.select(slice(0, 64))
    block = samples[:64]
    functions = [
        lambda: measure(whole, workers=1),
        lambda: hilbert_picks(few, RATE_HZ),
        lambda: [vectorised(block) for _ in range(4)],
        lambda: measure_block(small, plain),
    ]
    counts = [N, len(few), 4 * len(block), 64]
    names = ["(a) hilbert, float64", "(b) scipy.fft, float32, picks only", "plain chain, same job"]
    try:
        obspy_picks(few[:1], RATE_HZ)
    except ImportError:
        print("\n  obspy is not installed: (c) is left out", end="")
    else:
        functions.append(lambda: obspy_picks(few, RATE_HZ))
        counts.append(len(few))
        names.append("(c) obspy")
    functions.append(lambda: by_gate.read(whole))
    counts.append(N)
    each = in_turn(functions, 31) / np.array(counts) * 1e6
    say(benchmark, "measure, us a trace", each[:, 0])
    say(benchmark, "traces a second", 1e6 / each[:, 0])
    for k, name in enumerate(names, 1):
        say(benchmark, f"{name}, us a trace", each[:, k])
        say(benchmark, f"times faster than {name}", each[:, k] / each[:, 0])
    say(benchmark, "the walk alone, gate by gate, us a trace", each[:, -1])
    say(benchmark, f"times faster than {names[0]}", each[:, 1] / each[:, -1])
    say(benchmark, f"times faster than {names[1]}", each[:, 2] / each[:, -1])
    picks = measure(whole).delay_us[:, [0, 2, 3, 4]]
    theirs, _ = vectorised(samples)
    benchmark.extra_info["picks differ, samples"] = float(np.nanmax(np.abs(picks - theirs)) * 100)
    once(benchmark, functions[0])


def test_what_a_sitting_costs(benchmark):
    """Five scans in one call: what is worked out once, the scans alone, and their sitting."""
    sitting = read_recording(SHIPPED / "immersion_sitting.h5").select(slice(0, 5))
    prepared = prepare(sitting)
    functions = [
        lambda: measure(sitting, workers=1),
        lambda: prepare(sitting),
        lambda: measure_block(sitting, prepared),
    ]
    each = in_turn(functions, 31) * 1e3
    say(benchmark, "measure a sitting of five, ms", each[:, 0])
    say(benchmark, "worked out once, share of that", each[:, 1] / each[:, 0])
    say(benchmark, "its scans alone, share", each[:, 2] / each[:, 0])
    judged = each[:, 0] - each[:, 1] - each[:, 2]
    say(benchmark, "judged and corrected as a sitting, share", judged / each[:, 0])
    once(benchmark, functions[0])


def test_against_the_machine(benchmark, samples):
    """Copy rate, multiply-add roof, and what the filter stage reaches of it."""
    plan = prepare(recording(samples)).readers
    (reader,) = plan.values()
    filters = reader.filters
    rng = np.random.default_rng(0)
    n_band, wide = filters.turn.shape[1], filters.band.shape[2]
    rows = rng.normal(size=(filters.stride, n_band + 16 * wide)).astype(np.float32)
    real, imag = (np.empty(n_band, np.float32) for _ in range(2))
    x = np.random.default_rng(1).normal(size=2048).astype(np.float32)
    c = np.arange(8, dtype=np.float32)

    def roof_of_the_machine():
        multiply_add(x, c, 1000)

    def band():
        again(walk.band, 200, rows, filters.band, real, imag)

    source = np.ones(2**24, np.int16)
    into = np.empty_like(source)
    each = in_turn([roof_of_the_machine, band, lambda: np.copyto(into, source)], 41)
    roof = 1000 * 16 * x.size / each[:, 0] * 1e-9
    # Two multiply-adds a tap, of two operations each; zeros that fill up the taps do not count.
    n_taps = 2 * filters.near_half + 1
    work = 200 * n_band * 4 * n_taps
    stage = work / each[:, 1] * 1e-9
    say(benchmark, "multiply-add roof, GFLOP/s", roof)
    say(benchmark, "filter stage, GFLOP/s", stage)
    say(benchmark, "filter stage over roof", stage / roof)
    say(benchmark, "copy, GB/s", 2 * source.nbytes / each[:, 2] * 1e-9)
    # The same kernel with longer filters.
    for times in (4, 16):
        taps = np.tile(filters.band, (1, 1, times))
        arguments = (rows, taps, real, imag)
        each = in_turn([roof_of_the_machine, lambda a=arguments: again(walk.band, 50, *a)], 21)
        work = 50 * n_band * 4 * filters.stride * taps.shape[2]
        ratio = work / each[:, 1] / (1000 * 16 * x.size / each[:, 0])
        say(benchmark, f"over roof with {filters.stride * taps.shape[2]} taps", ratio)
    benchmark.extra_info["taps"] = n_taps
    benchmark.extra_info["matched taps"] = matched_taps(PULSE).size
    once(benchmark, band)


def test_where_the_time_goes(benchmark, samples):
    """The walk with less and less of it, in turn; and single stages of it on one trace."""
    whole = recording(samples)
    (reader,) = prepare(whole).readers.values()
    gates = reader.chooser.gate.copy()
    gates[:, LOOKED_FOR] = 0.0
    unchosen = dataclasses.replace(
        reader, chooser=reader.chooser._replace(gate=gates, jointly=False)
    )
    silent = dataclasses.replace(reader, search=reader.search._replace(threshold_ratio=1e9))
    each = in_turn(
        [
            lambda: measure(whole, workers=1),
            lambda: reader.read(whole),
            lambda: unchosen.read(whole),
            lambda: silent.read(whole),
        ],
        31,
    )
    each *= 1e6 / N
    say(benchmark, "all, us a trace", each[:, 0])
    say(benchmark, "lengths, figures, score and findings", each[:, 0] - each[:, 1])
    say(benchmark, "choosing, picking, shapes of echoes", each[:, 1] - each[:, 2])
    say(benchmark, "finding and describing echoes", each[:, 2] - each[:, 3])
    say(benchmark, "gain, filters, noise", each[:, 3])

    filters = reader.filters
    columns = -(-M // filters.stride)
    unit = np.ones((filters.stride, columns), np.float32)
    n_band = filters.turn.shape[1]
    rows = np.zeros((filters.stride, n_band + filters.band.shape[2] + filters.lead), np.float32)
    real, imag = (np.empty(n_band, np.float32) for _ in range(2))
    envelope, matched, slope = (np.empty(filters.n_grid, np.float32) for _ in range(3))
    sparse = np.empty((filters.n_grid + 1) // 2, np.float32)
    kept = reader.read(whole).candidates
    shape = (N, reader.chooser.gate.shape[0])
    choice, margin = np.empty(shape, np.int32), np.empty(shape)
    stages = {
        "largest sample": (extremes, samples[0]),
        "gain": (walk.split_by_phase, samples[0], unit, np.float32(1e-4), filters.lead, rows),
        "band filter": (walk.band, rows, filters.band, real, imag),
        "to baseband": (walk.to_baseband, filters.turn, real, imag),
        "magnitude": (walk.magnitude, real[walk.ARM :], imag[walk.ARM :], envelope),
        "matched filter and slope": (
            walk.matched_grid, real, imag, filters.rest, matched, slope,
        ),
        "every second value": (walk.every_second, matched, sparse),
        "noise of one row": (noise_of, sparse, ENVELOPE),
    }  # fmt: skip
    # The first round fills what the later stages read.
    each = in_turn(
        [lambda stage=stage: again(stage[0], 200, *stage[1:]) for stage in stages.values()], 31
    )
    for k, name in enumerate(stages):
        say(benchmark, f"{name}, us a trace", each[:, k] / 200 * 1e6)
    each = in_turn(
        [
            lambda: choose_rows(
                reader.chooser, kept.count, kept.delay_us, kept.level_db, kept.before_db,
                kept.broadening, choice, margin,
            )
        ],
        31,
    )  # fmt: skip
    say(benchmark, "joint choice, us a trace", each[:, 0] / N * 1e6)
    once(benchmark, lambda: reader.read(whole))


def test_two_workers(benchmark):
    """By the clock on the wall: means something only where two cores are free."""
    whole = recording(eyes(16 * 1024, M, seed=2))
    each = in_turn(
        [lambda: measure(whole, workers=1), lambda: measure(whole, workers=2)],
        11,
        time.perf_counter,
    )
    say(benchmark, "two workers over one", each[:, 0] / each[:, 1])
    once(benchmark, lambda: measure(whole))


@pytest.mark.parametrize("n_traces", [100_000])
def test_streaming(benchmark, tmp_path, n_traces):
    """A file that lies in the page cache against the same traces in memory."""
    path = tmp_path / "long.h5"
    write_long(path, n_traces)
    lazy = read_recording(path, lazy=True)
    held = lazy.select(slice(0, 16_384))
    functions = [
        lambda: measure(held, workers=1),
        lambda: measure_to_file(read_recording(path, lazy=True), tmp_path / "out.h5", workers=1),
    ]
    for what, clock in (("", time.perf_counter), (" of processor time", time.process_time)):
        each = in_turn(functions, 3, clock)
        in_memory, streamed = held.n_traces / each[:, 0], n_traces / each[:, 1]
        say(benchmark, f"in memory, traces/s{what}", in_memory)
        say(benchmark, f"streamed with results written, traces/s{what}", streamed)
        say(benchmark, f"streamed over in memory{what}", streamed / in_memory)
    # What streaming adds, step by step, of a part's traces; the joining of files is no more.
    one = measure(held)
    part = concatenate([one, one])
    starts = range(0, part.n_traces, 2048)
    blocks = [one.select(slice(k, k + 2048)) for k in range(0, one.n_traces, 2048)] * 2
    with MeasurementWriter(tmp_path / "out.h5") as writer:
        steps = {
            "one core, in memory": lambda: measure(held, workers=1),
            "reading and checking": lambda: [
                lazy.select(slice(k, k + 2048)).n_traces for k in starts
            ],
            "joining blocks to a part": lambda: concatenate(blocks),
            "saving a part": lambda: write_part(part, tmp_path / "one.part", "here"),
            "appending to the result": lambda: writer.append(part),
            "summing up": lambda: ManySummary.of(part, ("method",)),
        }
        each = in_turn(list(steps.values()), 11, time.process_time) / part.n_traces * 1e6
    each[:, 0] *= part.n_traces / held.n_traces
    for k, name in enumerate(steps):
        say(benchmark, f"{name}, us of processor time a trace", each[:, k])
    once(benchmark, lambda: None)


def test_saving_a_part(benchmark, tmp_path):
    """A part of 32,768 scans against its bare bytes, and against numpy's own archive."""
    whole = recording(eyes(64, M, seed=2))
    part = measure(whole).select(np.arange(32_768) % 64)
    columns = [getattr(part, name) for name in ARRAYS]
    columns += [getattr(part, name).codes for name in COLUMNS]
    arrays = [np.ascontiguousarray(item) for item in (*columns, *part.features.values())]

    def bare():
        with (
            atomic_target(tmp_path / "bare.part") as partial,
            partial.open("wb") as file,
        ):
            for array in arrays:
                array.tofile(file)

    def archive():
        with atomic_target(tmp_path / "archive.part") as partial, partial.open("wb") as file:
            np.savez(file, *arrays)

    def ours():
        write_part(part, tmp_path / "one.part", "here")

    each = in_turn([bare, ours, archive], 21, time.process_time)
    say(benchmark, "a part over its bare bytes, processor time", each[:, 1] / each[:, 0])
    say(benchmark, "a part less its bare bytes, ms", 1e3 * (each[:, 1] - each[:, 0]))
    say(benchmark, "numpy's archive less bare bytes, ms", 1e3 * (each[:, 2] - each[:, 0]))
    once(benchmark, bare)


LAYOUTS = {
    "plain": {},
    "checksum": {"fletcher32": True},
    "shuffle + lzf": {"shuffle": True, "compression": "lzf"},
    "shuffle + gzip-1": {"shuffle": True, "compression": "gzip", "compression_opts": 1},
    "shuffle + gzip-4": {"shuffle": True, "compression": "gzip", "compression_opts": 4},
}
"""What plain h5py reads and writes without a plugin; lzf is not read by the NetCDF libraries."""


@pytest.mark.parametrize("noise", [0.003, 0.0003])
def test_file_layouts(benchmark, tmp_path, noise):
    """Reading rate against size, by filter, in the native file's chunks of 512 KiB."""
    samples = eyes(8192, M, seed=3, noise=noise)

    def write(name):
        path = tmp_path / f"{name}.h5"
        with h5py.File(path, "w") as file:
            file.create_dataset("samples", data=samples, chunks=(64, M), **LAYOUTS[name])
        return path

    def read(path):
        with h5py.File(path) as file:
            file["samples"].read_direct(into)

    into = np.empty_like(samples)
    paths = {name: write(name) for name in LAYOUTS}
    each = in_turn([lambda path=path: read(path) for path in paths.values()], 5)
    for k, (name, path) in enumerate(paths.items()):
        say(benchmark, f"{name}, read, traces/s", len(samples) / each[:, k])
        size = path.stat().st_size / samples.nbytes
        benchmark.extra_info[f"{name}, size"] = size
        print(f"; {size:.2f} of the size", end="")
    once(benchmark, lambda: None)


def test_start_up(benchmark, tmp_path):
    """Seconds of fresh interpreters: ratios to one that imports numpy."""
    tests = str(Path(__file__).resolve().parents[1])
    script = (
        f"import sys, numpy as np; sys.path.insert(0, {tests!r}); "
        "from closed_form import eye_traces, recording_of; r = recording_of(eye_traces(10)); "
    )
    imports = "import numba, h5py, scipy.fft, echotrace.chain.measure, echotrace.kernels.fused; "
    codes = {
        "import numpy": "import numpy",
        "import echotrace": "import echotrace",
        "echotrace --help": "from echotrace.cli import main; main(['--help'])",
        "imports of measure": script + imports,
        "measure 10 traces": script
        + imports
        + "from echotrace.chain.measure import measure; measure(r)",
    }

    def fresh(code):
        return lambda: subprocess.run(
            [sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL
        )

    each = in_turn([fresh(code) for code in codes.values()], 9, time.perf_counter)
    for k, name in enumerate(codes):
        say(benchmark, f"{name}, s", each[:, k])
    say(benchmark, "import echotrace over import numpy", each[:, 1] / each[:, 0])
    say(benchmark, "--help over import numpy", each[:, 2] / each[:, 0])
    say(benchmark, "measure 10 traces over its imports", each[:, 4] / each[:, 3])
    cold = fresh(codes["measure 10 traces"])
    start = time.perf_counter()
    subprocess.run(
        [sys.executable, "-c", codes["measure 10 traces"]],
        check=True,
        env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)},
    )
    print(f"\n  first time ever, compiling: {time.perf_counter() - start:.1f} s", end="")
    once(benchmark, cold)
