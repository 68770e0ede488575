"""Good files for every reader, ways to damage them, and a process in which each is read.

A reader may refuse a file (an ``EchotraceError``) or give what the good file gives. Formats without
a checksum may also give another number where the file says another one, never another number of
samples. Nothing may hang, crash, fill memory, warn, or raise anything else.
"""

import dataclasses
import multiprocessing
import resource
import warnings
from pathlib import Path

import h5py
import numpy as np
import scipy
from invented import measurement, recording, unsealed

from echotrace.agreement.study import Study
from echotrace.errors import EchotraceError, EchotraceWarning
from echotrace.files.describe import describe
from echotrace.files.description import read_description
from echotrace.files.importing import import_recording
from echotrace.files.measurement_table import read_measurement_table
from echotrace.files.native import (
    RecordingWriter,
    read_measurement,
    read_recording,
    write_measurement,
    write_recording,
)
from echotrace.files.parts import read_part, write_part
from echotrace.files.table import write_measurement_table
from echotrace.power.plausibility_limits import read_limits
from echotrace.recording import COLUMNS, Probe
from echotrace.settings import Settings, read_settings, settings_toml
from echotrace.synthesis.scenario import read_scenario
from echotrace.target import read_target

SAMPLES = np.floor(2000 * np.sin(np.arange(3 * 600) ** 1.3).reshape(3, 600)).astype(np.int16)
TIMES_US = 2.0 + np.arange(600) / 50.0
TIMED = {
    "signal": "rf",
    "method": "other",
    "target": "block",
    "probe": Probe(centre_frequency_hz=1e7),
    "sampling_rate_hz": 1e8,
    "start_delay_us": 0.5,
}
BY_TIME = {key: TIMED[key] for key in ("signal", "method", "target", "probe")}
ROOT = Path(__file__).parents[2]

SECONDS = 30.0
"""Longest that any file may be read."""

MOST_MB = 400
"""Most memory that reading any file may take."""


@dataclasses.dataclass(frozen=True)
class Case:
    """A reader and its good file.

    ``exact``: nothing but the good result may come out. ``sampled``: a recording comes out, of
    which single samples may differ. Neither: only how the reader fares is judged. ``heading``: how
    many lines of a text stand before the numbers, and which side of the samples its lines are.
    """

    make: object
    read: object
    suffix: str = ".h5"
    exact: bool = False
    sampled: bool = False
    heading: tuple[int, int] | None = None


def fingerprint(thing):
    """All that a recording or a measurement holds, for comparison."""
    if hasattr(thing, "samples"):
        truth = thing.truth
        found = [
            thing.samples[:], thing.sampling_rate_hz, thing.start_delay_us, str(thing.signal),
            repr(thing.probe), repr(thing.receiver), thing.gain_db.tobytes(),
            sorted(thing.attributes.items()),
            None if truth is None else (
                truth.interfaces, truth.delay_us.tobytes(),
                [(name, values.tobytes()) for name, values in truth.columns.items()],
            ),
        ]  # fmt: skip
    else:
        found = [
            thing.axial_length_mm, thing.interfaces, thing.segments, thing.settings_json,
            thing.finding_names, sorted(thing.attributes.items()), thing.engine,
            [getattr(thing, name).tobytes() for name in (
                "delay_us", "delay_u_us", "length_mm", "axial_length_u_mm", "length_right",
                "aligned", "findings",
                "axial_length_u_shared_mm", "accepted", "decided_by",
            )],
            [(name, values.tobytes()) for name, values in thing.features.items()],
        ]  # fmt: skip
    labels = [(list(getattr(thing, name)), getattr(thing, name).labels) for name in COLUMNS]
    return found[0], repr([*found[1:], labels])


def text_of(columns, mark=",", point="."):
    return "".join(
        mark.join(f"{x:.10g}".replace(".", point) for x in row) + "\n" for row in columns.T
    )


def long_recording(path):
    """More chunks than one, so that samples are read past HDF5."""
    block = recording(20, 8192, truth=None)
    with RecordingWriter(path) as writer:
        for _ in range(8):
            writer.append(block)


def by_slices(path):
    thing = read_recording(path, lazy=True)
    samples = np.concatenate([thing.samples[k : k + 40] for k in range(0, thing.n_traces, 40)])
    return dataclasses.replace(thing, samples=samples)


def as_old(write, thing):
    def make(path):
        write(thing(), path)
        with h5py.File(path, "r+") as file:
            file.attrs["schema_version"] = np.int32(1)
            del file.attrs["content_digest"]
            if "length_right" in file:  # One score it was then.
                file["score"] = file["length_right"][:]
                del file["length_right"], file["aligned"]

    return make


def without_seal(write, thing):
    def make(path):
        write(thing(), path)
        path.write_bytes(unsealed(path.read_bytes()))

    return make


def foreign(**options):
    return lambda path: import_recording(path, **options)


def v73(path):
    with h5py.File(path, "w", userblock_size=512) as file:
        data = file.create_dataset("rf", data=SAMPLES.T)
        data.attrs["MATLAB_class"] = np.bytes_("int16")
        group = file.create_group("s")
        group.attrs["MATLAB_class"] = np.bytes_("struct")
        file["s/note"] = np.zeros((1, 1))
    head = b"MATLAB 7.3 MAT-file, Platform: invented, HDF5 schema 1.00 .".ljust(116)
    with path.open("r+b") as file:
        file.write(head + b"\0" * 8 + b"\x00\x02IM")


def hdf5(**options):
    def make(path):
        with h5py.File(path, "w", **options.get("file", {})) as file:
            file.create_dataset("scan/rf", data=SAMPLES, **options.get("data", {}))
            file["scan/note"] = "two words"
            file["scan"].attrs["who"] = "nobody"

    return make


def mat(**options):
    def make(path):
        cell = np.empty((1, 2), object)
        cell[0, :] = ["x", np.arange(4.0)]
        content = {"rf": SAMPLES, "fs": 1e8}
        if options.get("format") != "4":
            content |= {"s": {"a": 1.0, "deep": {"b": "text"}}, "c": cell}
        scipy.io.savemat(path, content, **options)

    return make


def study_table(path):
    lines = ["subject,eye,method,operator,sitting,order,axial_length_mm"]
    for k in range(5):
        for method in ("contact", "immersion"):
            lines += [f"S{k},right,{method},A,1,{n},{23 + 0.3 * k + 0.02 * n}" for n in range(3)]
    path.write_text("\n".join(lines) + "\n")


TARGET = (
    "name = 'block'\n[[interface]]\nname = 'front'\n[[interface]]\nname = 'back'\noptional = true\n"
    "[[segment]]\nname = 'plate'\nspeed_m_per_s = 2730.0\nrange_mm = [5.0, 40.0]\n"
)
DESCRIPTION = (
    "[file]\ndecimal = 'comma'\nskip_lines = 3\n[time]\nsampling_rate_hz = 1e8\n"
    "[traces]\nmethod = ['contact', 'immersion']\ngain_db = [40.0, 46.0]\n"
    "[probe]\ncentre_frequency_hz = 1e7\nfocus_mm = inf\n"
    "[receiver]\ntgc_delay_us = [0.0, 10.0]\ntgc_gain_db = [-3.0, 20.0]\nbits = 12\n"
)


def written(text):
    return lambda path: path.write_text(text)


CASES = {
    "recording": Case(lambda p: write_recording(recording(), p), read_recording, exact=True),
    "recording, lazy": Case(lambda p: write_recording(recording(), p), by_slices, exact=True),
    "recording, packed": Case(
        lambda p: write_recording(recording(dtype=np.float32), p, compress=True),
        read_recording, exact=True,
    ),
    "recording, long": Case(long_recording, by_slices, exact=True),
    "recording, whole long": Case(long_recording, read_recording, exact=True),
    "recording without seal": Case(
        without_seal(write_recording, recording), read_recording, exact=True
    ),
    "recording of schema 1": Case(as_old(write_recording, recording), read_recording),
    "description": Case(lambda p: write_recording(recording(), p), describe),
    "measurement": Case(
        lambda p: write_measurement(measurement(), p), read_measurement, exact=True
    ),
    "measurement without seal": Case(
        without_seal(write_measurement, measurement), read_measurement, exact=True
    ),
    "measurement of schema 1": Case(as_old(write_measurement, measurement), read_measurement),
    "part": Case(
        lambda p: write_part(measurement(), p, "here"), lambda p: read_part(p, "here"), ".part",
        exact=True,
    ),
    "npy": Case(lambda p: np.save(p, SAMPLES), foreign(**TIMED), ".npy", sampled=True),
    "npz": Case(
        lambda p: np.savez(p, rf=SAMPLES, fs=1e8), foreign(**TIMED), ".npz", sampled=True
    ),
    "npz, packed": Case(
        lambda p: np.savez_compressed(p, rf=SAMPLES), foreign(**TIMED), ".npz", sampled=True
    ),
    "text, time column": Case(
        lambda p: p.write_text("Time (us),A,B,C\n" + text_of(np.vstack([TIMES_US, SAMPLES]))),
        foreign(**BY_TIME), ".csv", sampled=True, heading=(1, 1),
    ),
    "text, semicolons": Case(
        lambda p: p.write_text(
            "Model;X\nPoints;600\nSecond;Volt;Volt;Volt\n"
            + text_of(np.vstack([TIMES_US * 1e-6, SAMPLES / 8.0]), ";", ",")
        ),
        foreign(**BY_TIME), ".csv", sampled=True, heading=(3, 1),
    ),
    "text, a trace a line": Case(
        lambda p: p.write_text(text_of(SAMPLES.T)), foreign(**TIMED), ".txt", sampled=True,
        heading=(0, 0),
    ),
    "text, one column": Case(
        lambda p: p.write_text("".join(f"{x}\n" for x in SAMPLES[0])), foreign(**TIMED), ".dat",
        sampled=True, heading=(0, 1),
    ),
    "wav": Case(
        lambda p: scipy.io.wavfile.write(p, 100_000_000, SAMPLES.T),
        foreign(**{**TIMED, "sampling_rate_hz": None}), ".wav", sampled=True,
    ),
    "mat 4": Case(mat(format="4"), foreign(**TIMED), ".mat"),
    "mat 5": Case(mat(), foreign(**TIMED), ".mat", sampled=True),
    "mat 5, packed": Case(mat(do_compression=True), foreign(**TIMED), ".mat", sampled=True),
    "mat 7.3": Case(v73, foreign(**TIMED), ".mat"),
    "hdf5": Case(hdf5(), foreign(**TIMED)),
    "hdf5, packed": Case(
        hdf5(file={"libver": "v110"}, data={"compression": "gzip", "chunks": (1, 600)}),
        foreign(**TIMED),
    ),
    "settings": Case(written(settings_toml(Settings())), read_settings, ".toml"),
    "target": Case(written(TARGET), read_target, ".toml"),
    "import description": Case(written(DESCRIPTION), read_description, ".toml"),
    "scenario": Case(
        lambda p: p.write_bytes((ROOT / "synthetic_traces/troubled_bath.toml").read_bytes()),
        read_scenario, ".toml",
    ),
    "limits": Case(written("length_low_mm = 21.0\nlength_high_mm = 27.5\n"), read_limits, ".toml"),
    "study": Case(study_table, Study.read_csv, ".csv"),
    "table": Case(
        lambda p: write_measurement_table(measurement(), p), read_measurement_table, ".csv"
    ),
}  # fmt: skip
"""Every reader of the project, each with a small good file."""

PIECES = [
    b"", b"\0", b"\0" * 16, b"\xff" * 8, b"\xff\xff\xff\x7f", b"-", b".", b"nan", b"inf", b"1e999",
    b"1_0", b"\xc2\xb3", b"9" * 5000, b",", b";", b'"', b"\n", b"\r", b"\n\n", b"[", b"]]", b"=",
    b"[[" * 2000, b"{a=1}", b"2026-02-31", b"'''", b"true", b"-1", b"0", b"1e308", b"5e-324",
    b"\xef\xbb\xbf", b"\xff\xfe", b"GCOL", b"OHDR", b"TREE", b"x" * 140_000,
]  # fmt: skip


def damaged(good, draw, others):
    """One way to damage a file, and how many bytes at most no longer say what they did."""
    raw = bytearray(good)
    at = draw.randrange(len(raw))
    way = draw.randrange(12)
    if way <= 2:
        raw[at] ^= 1 << draw.randrange(8)
    elif way == 3:
        for _ in range(draw.randrange(2, 40)):
            raw[draw.randrange(len(raw))] = draw.randrange(256)
    elif way == 4:
        size = draw.choice((1, 4, 8, 16, 64, 512, 4096))
        raw[at : at + size] = bytes(min(size, len(raw) - at))
    elif way == 5:
        del raw[at:]
    elif way == 6:
        at -= at % draw.choice((1, 4, 8))
        raw[at : at + 8] = draw.choice((
            b"\xff" * 8, b"\xff\xff\xff\x7f", b"\0\0\0\x80", bytes(7) + b"\x7f",
            draw.randbytes(8), len(raw).to_bytes(8, "little"), at.to_bytes(8, "little"),
        ))[: len(raw) - at]  # fmt: skip
    elif way == 7:
        raw[at:at] = draw.choice(PIECES)
    elif way == 8:
        size = draw.choice((1, 2, 8, 100, 1000))
        raw[at : at + size] = draw.choice(PIECES)
    elif way == 9:
        size, other = draw.choice((1, 16, 512)), draw.randrange(len(raw))
        raw[at : at + size] = raw[other : other + size]
    elif way == 10:
        other = draw.choice(others)
        start = draw.randrange(len(other))
        raw[at : at + 256] = other[start : start + 256]
    else:
        size = draw.choice((1, 3, 50))
        del raw[at : at + size]
    return bytes(raw), way


def judged(case, path, good):
    """Read a file and say how it went: a word, and what was found."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            thing = case.read(path)
            if hasattr(thing, "samples"):
                _ = thing.samples[:]
        except EchotraceError as error:
            thing, said = None, str(error)
            if len(said) > 1500 or "\n" in said:
                return "long message", said[:300]
        except BaseException as error:
            return "foreign exception", repr(error)[:300]
    odd = [str(w.message) for w in caught if not issubclass(w.category, EchotraceWarning)]
    if odd:
        return "warning", odd[0][:300]
    taken = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) // 1024
    if taken > MOST_MB:
        return "memory", f"{taken} MB"
    if thing is None:
        return "refused", ""
    if not (case.exact or case.sampled):
        return "read", ""
    values, rest = fingerprint(thing)
    if case.exact:
        same = values.tobytes() == good[0].tobytes() and rest == good[1]
        return ("same", "") if same else ("wrong result", "")
    if values.shape != good[0].shape:
        if case.heading is not None:
            # Lines may be fewer or more where the file has fewer or more.
            before, side = case.heading
            lines = [line for line in path.read_bytes().split(b"\n") if line.strip(b" \t\r")]
            if values.shape[side] == len(lines) - before:
                return "as the file says", ""
        return "other shape", f"{values.shape}"
    return ("same" if np.array_equal(values, good[0]) else "as the file says"), ""


def work(folder, pipe):
    """Read one file after another, as told; the first of each case is the good one."""
    resource.setrlimit(resource.RLIMIT_AS, (6 << 30, 6 << 30))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    good = {}
    pipe.send("ready")
    while (told := pipe.recv()) is not None:
        name, raw = told
        case = CASES[name]
        path = Path(folder) / f"file{case.suffix}"
        path.write_bytes(raw)
        if name in good:
            pipe.send(judged(case, path, good[name]))
        else:
            thing = case.read(path)
            good[name] = fingerprint(thing) if case.exact or case.sampled else None
            pipe.send("known")


class Reader:
    """A process that reads damaged files; begun anew when one of them was its end."""

    def __init__(self, folder):
        self.folder = folder
        self.process = None
        self._good = {}

    def good(self, name):
        """The good file of a case."""
        if name not in self._good:
            path = self.folder / f"good{CASES[name].suffix}"
            path.unlink(missing_ok=True)
            CASES[name].make(path)
            self._good[name] = path.read_bytes()
        return self._good[name]

    def judge(self, name, raw):
        """How reading such a file goes."""
        if self.process is None:
            context = multiprocessing.get_context("spawn")
            self.pipe, end = context.Pipe()
            self.process = context.Process(target=work, args=(str(self.folder), end))
            self.process.start()
            end.close()
            assert self.pipe.recv() == "ready"
            self._known = set()
        if name not in self._known:
            self.pipe.send((name, self.good(name)))
            assert self.pipe.recv() == "known"
            self._known.add(name)
        self.pipe.send((name, raw))
        try:
            if self.pipe.poll(SECONDS):
                return self.pipe.recv()
            found = "hang", f"{SECONDS:g} s"
        except EOFError:
            self.process.join(10)
            found = "crash", f"exit code {self.process.exitcode}"
        self.close()
        return found

    def close(self):
        """End the process."""
        if self.process is not None:
            self.process.kill()
            self.process.join()
            self.pipe.close()
        self.process = None
