"""The seal over a native file's structure, and the walk through files that have none."""

import io
import os
import random
import signal

import h5py
import numpy as np
import pytest
import xxhash
from invented import measurement, recording, same_recording, unsealed

import echotrace.files.guarded as guarded
from echotrace.errors import FileFormatError
from echotrace.files.guarded import GuardedFile
from echotrace.files.native import (
    read_measurement,
    read_recording,
    write_measurement,
    write_recording,
)
from echotrace.files.rehearsal import rehearse
from echotrace.files.seal import TAIL, seal, seal_holds


@pytest.mark.parametrize(
    ("write", "read", "thing"),
    [
        (write_recording, read_recording, recording),
        (write_measurement, read_measurement, measurement),
    ],
)  # fmt: skip
def test_a_changed_byte_of_the_structure_is_noticed_before_hdf5_sees_it(
    tmp_path, monkeypatch, write, read, thing
):
    path = tmp_path / "a.h5"
    write(thing(), path)
    whole = path.read_bytes()
    with h5py.File(path) as file:
        infos = []
        if "samples" in file:
            file["samples"].id.chunk_iter(infos.append)
    free = {k for info in infos for k in range(info.byte_offset, info.byte_offset + info.size)}
    read(path)
    monkeypatch.setattr(h5py, "File", None)
    places = random.Random(3).sample(range(8, len(whole) - TAIL.size), 300)
    noticed = 0
    for place in places:
        raw = bytearray(whole)
        raw[place] ^= 1 << place % 8
        path.write_bytes(raw)
        if place in free:
            continue
        with pytest.raises(FileFormatError, match=r"a\.h5: .*(damaged|not an HDF5 file)"):
            read(path)
        noticed += 1
    assert noticed > 200


def test_the_digest_is_xxh3_of_what_the_seal_says_it_covers():
    """Put together by hand: the bytes beside the stretch, the stretch, the tail without digest."""
    body = bytes(range(200))
    file = io.BytesIO(body)
    seal(file, 200, [(50, 60)])
    raw = file.getvalue()
    stretch = (50).to_bytes(8, "little") + (60).to_bytes(8, "little")
    tail = b"echotrace seal 1" + (200).to_bytes(8, "little") + (1).to_bytes(8, "little")
    digest = xxhash.xxh3_128(body[:50] + body[110:] + stretch + tail + bytes(16)).digest()
    assert raw == body + stretch + tail + digest
    assert seal_holds(io.BytesIO(raw), len(raw)) is True


@pytest.mark.parametrize("place", range(200, 216 + TAIL.size))
def test_a_changed_byte_of_the_seal_is_noticed(place):
    file = io.BytesIO(bytes(200))
    seal(file, 200, [(50, 60)])
    raw = bytearray(file.getvalue())
    raw[place] ^= 4
    # A name that is no longer the seal's: the file has none.
    expected = None if 216 <= place < 232 else False
    assert seal_holds(io.BytesIO(raw), len(raw)) is expected


@pytest.mark.parametrize("stretches", [[(50, 100), (90, 5)], [(150, 60)], [(2**63, 2**63)]])
def test_stretches_that_cannot_be(stretches):
    file = io.BytesIO(bytes(200))
    seal(file, 200, stretches)
    raw = file.getvalue()
    assert seal_holds(io.BytesIO(raw), len(raw)) is False


def test_what_is_cut_off_or_put_behind_is_refused(tmp_path):
    path = tmp_path / "a.h5"
    write_recording(recording(), path)
    whole = path.read_bytes()
    end = len(unsealed(whole))
    for raw in (whole[:-1], whole[: end + 3], whole + b"\0", whole[:end] + b"note"):
        path.write_bytes(raw)
        with pytest.raises(FileFormatError, match="its end is cut short, or something was put"):
            read_recording(path)
    path.write_bytes(whole[:end])
    same_recording(read_recording(path), recording())


@pytest.mark.parametrize("libver", ["earliest", "v110", "latest"])
def test_the_end_is_found_in_every_first_block(tmp_path, libver):
    """Of versions 0, 2 and 3, also behind a user block."""
    for user in (0, 1024):
        path = tmp_path / f"{libver}{user}.h5"
        with h5py.File(path, "w", libver=libver, userblock_size=user) as file:
            file["a"] = np.arange(5)
        with GuardedFile(path) as guard:
            assert not guard.more_bytes
            assert not guard.sealed
        path.write_bytes(path.read_bytes() + b"x")
        with GuardedFile(path) as guard:
            assert guard.more_bytes


def test_a_file_that_another_program_adds_to_loses_its_seal_and_is_read(tmp_path):
    path = tmp_path / "a.h5"
    write_recording(recording(), path)
    with h5py.File(path, "r+") as file:
        file.attrs["comment"] = "added elsewhere"
    with GuardedFile(path) as guard:
        assert not guard.sealed
        assert not guard.more_bytes
    same_recording(read_recording(path), recording())


FORKS = pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork on this system")


class Opens:
    """Stands for a damaged file: opening it in the child does something."""

    def __init__(self, do):
        self.do = do

    def __call__(self):
        self.do()


def crash():
    signal.raise_signal(signal.SIGSEGV)


def fill():
    # More address space than the child has.
    bytearray(1 << 36)


def hang():
    while True:
        pass


@FORKS
def test_the_child_is_spared_nothing(monkeypatch):
    monkeypatch.setattr("echotrace.files.rehearsal._MOST_SECONDS", 0.5)
    assert rehearse(Opens(crash), 1000) == "its structure leads nowhere"
    assert "asks for more memory" in rehearse(Opens(fill), 1000)
    assert rehearse(Opens(hang), 1000) == "its structure leads nowhere"
    # What the reader will say for itself.
    assert rehearse(Opens(lambda: 1 / 0), 1000) is None


@FORKS
def test_a_file_without_seal_is_walked_through_once(tmp_path, monkeypatch):
    path = tmp_path / "a.h5"
    write_recording(recording(), path)
    path.write_bytes(unsealed(path.read_bytes()))
    walked = []

    def count(open_file, affordable):
        walked.append(path)
        return rehearse(open_file, affordable)

    monkeypatch.setattr(guarded, "rehearse", count)
    for _ in range(3):
        same_recording(read_recording(path), recording())
    assert len(walked) == 1
    monkeypatch.setattr(guarded, "rehearse", lambda *_: "its structure leads nowhere")
    path.write_bytes(path.read_bytes())
    guarded._REHEARSED.clear()
    with pytest.raises(FileFormatError, match="its structure leads nowhere"):
        read_recording(path)
