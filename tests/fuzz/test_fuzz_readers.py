"""Damaged files over all readers: refused, or what the good file gives; never a hang or a crash."""

import hashlib
import random
import tempfile
from pathlib import Path

import h5py
import numpy as np
import pytest
from invented import resealed

from fuzz.campaign import LONG, SEED, Judge
from fuzz.readers import CASES, Reader, damaged

pytestmark = pytest.mark.compiled

INPUTS = 750 if LONG else 50
FINE = {"refused", "same", "read", "as the file says"}
NATIVE = [name for name, case in CASES.items() if case.exact and case.suffix == ".h5"]


@pytest.fixture(scope="module")
def reader(tmp_path_factory):
    made = Reader(tmp_path_factory.mktemp("fuzz"))
    yield made
    made.close()


def note(judge, name, what, verdict, raw):
    kind, detail = verdict
    judge.runs[kind] += 1
    if kind not in FINE:
        digest = hashlib.sha256(raw).hexdigest()[:12]
        kept = Path(tempfile.gettempdir()) / f"fuzz-{name.replace(' ', '_')}-{digest}"
        kept.write_bytes(raw)
        judge.fail(kind, f"{name}: {what}: {detail} ({kept})")


@pytest.mark.parametrize("name", CASES)
def test_damaged_files(name, reader, capsys):
    judge = Judge()
    draw = random.Random(f"{SEED} {name}")
    others = [reader.good(name), b"\x89HDF\r\n\x1a\n" * 40, random.Random(0).randbytes(4096)]
    for k in range(INPUTS):
        raw, way = damaged(reader.good(name), draw, others)
        note(judge, name, f"input {k}, way {way}", reader.judge(name, raw), raw)
    with capsys.disabled():
        print(f"\n{name}", end="")
        judge.verdict()


@pytest.mark.parametrize("name", CASES)
def test_every_truncation(name, reader, capsys):
    """At every 4 KiB, and at as many places of the head."""
    judge = Judge()
    size = len(reader.good(name))
    places = {*range(0, size, 4096), *range(0, min(size, 4096), 512), size - 1, size - 2}
    if not LONG and len(places) > 40:
        places = random.Random(SEED).sample(sorted(places), 40)
    for place in sorted(places):
        raw = reader.good(name)[:place]
        verdict = reader.judge(name, raw)
        note(judge, name, f"cut at {place} of {size}", verdict, raw)
        if CASES[name].exact and verdict[0] != "refused":
            judge.fail("cut and read", f"{name}: at {place} of {size}")
    with capsys.disabled():
        print(f"\n{name}", end="")
        judge.verdict()


@pytest.mark.parametrize("name", [n for n in CASES if CASES[n].suffix in (".h5", ".mat")])
def test_every_sector_of_zeros(name, reader, capsys):
    judge = Judge()
    places = range(0, len(reader.good(name)), 512)
    if not LONG:
        places = random.Random(SEED).sample(places, min(len(places), 8))
    for place in places:
        raw = reader.good(name)[:place] + bytes(512) + reader.good(name)[place + 512 :]
        raw = raw[: len(reader.good(name))]
        note(judge, name, f"zeros at {place}", reader.judge(name, raw), raw)
    with capsys.disabled():
        print(f"\n{name}", end="")
        judge.verdict()


def flips_of(file):
    """Every dataset and attribute, with the bytes of its content."""

    def visit(name, item):
        found.extend((name, key) for key in item.attrs if key not in SCALE)
        if isinstance(item, h5py.Dataset) and name not in ("samples", "sample", "delay_us"):
            found.append((name, None))

    found = [("/", key) for key in file.attrs]
    file.visititems(visit)
    return found


SCALE = {"DIMENSION_LIST", "REFERENCE_LIST", "CLASS", "NAME", "_Netcdf4Dimid"}


def flipped(file, name, key, bit):
    """Change one bit of a dataset's or attribute's content; False where it has no such bit.

    All of HDF5's own checksums are made anew, so only the digest is left to notice.
    """
    item = file[name]
    value = item[()] if key is None else item.attrs[key]
    text = isinstance(value, str | bytes) or getattr(value, "dtype", np.dtype("u1")).hasobject
    if text:
        texts = [value] if isinstance(value, str | bytes) else list(np.ravel(value))
        raw = [bytearray(t.encode() if isinstance(t, str) else t) for t in texts]
        for k, one in enumerate(raw):
            if bit < 8 * len(one):
                one[bit // 8] ^= 1 << bit % 8
                if 0 in one:
                    return True
                changed = [bytes(t) for t in raw]
                new = changed[0] if np.ndim(value) == 0 else np.array(changed, dtype=object)
                del k
                break
            bit -= 8 * len(one)
        else:
            return False
        kind = h5py.string_dtype()
        if key is None:
            item[...] = new
        else:
            item.attrs.create(key, new, dtype=kind)
        return True
    plain = np.array(value)
    raw = plain.reshape(-1).view(np.uint8)
    if bit >= 8 * raw.size:
        return False
    raw[bit // 8] ^= 1 << bit % 8
    if key is None:
        item[...] = plain
    else:
        item.attrs[key] = plain
    return True


@pytest.mark.parametrize("name", ["recording", "recording, packed", "measurement"])
def test_every_bit_of_every_field_and_label(name, reader, capsys):
    judge = Judge()
    work = reader.folder / "work.h5"
    work.write_bytes(reader.good(name))
    draw = random.Random(SEED)
    with h5py.File(work) as file:
        fields = flips_of(file)
    for field, key in fields:
        bit = 0
        while True:
            work.write_bytes(reader.good(name))
            with h5py.File(work, "r+") as file:
                there = flipped(file, field, key, bit)
            if not there:
                break
            # Sealed anew, so that it comes to the digest and not to the walk of a child.
            raw = resealed(work.read_bytes())
            note(judge, name, f"{field} {key} bit {bit}", reader.judge(name, raw), raw)
            bit += 1 if LONG else draw.randrange(1, 800)
    with capsys.disabled():
        print(f"\n{name}", end="")
        judge.verdict()
