"""Files that were damaged or made to do harm: refused, never a hang, a crash or filled memory."""

import contextlib
import os
import resource
import subprocess
import sys
import zipfile
import zlib
from pathlib import Path

import h5py
import numpy as np
import pytest
import scipy
from invented import measurement, recording, resealed, same_recording, unsealed

from echotrace.errors import EchotraceError, FileFormatError
from echotrace.files.guarded import GuardedFile, affordable_bytes
from echotrace.files.importing import import_recording
from echotrace.files.native import (
    read_measurement,
    read_recording,
    write_measurement,
    write_recording,
)
from echotrace.recording import Probe

SAMPLES = np.floor(2000 * np.sin(np.arange(3 * 40) ** 1.3).reshape(3, 40)).astype(np.int16)
TIMED = {
    "signal": "rf",
    "method": "other",
    "target": "block",
    "probe": Probe(centre_frequency_hz=1e7),
    "sampling_rate_hz": 1e8,
    "start_delay_us": 0.5,
}


@pytest.fixture
def stored(tmp_path):
    path = tmp_path / "r.h5"
    write_recording(recording(), path)
    return path


# --- the guard of the HDF5 library ----------------------------------------------------------


@pytest.mark.parametrize(("write", "thing", "read"), [
    (write_recording, recording, read_recording),
    (write_measurement, measurement, read_measurement),
])  # fmt: skip
def test_zeros_in_the_heap_of_texts_end(tmp_path, write, thing, read):
    """Sixteen zero bytes there send the library into a loop that no signal ends."""
    path = tmp_path / "r.h5"
    write(thing(), path)
    whole = path.read_bytes()
    heap = whole.index(b"GCOL")
    found = 0
    while heap >= 0:
        for at in (16, 32, 64):
            raw = bytearray(whole)
            raw[heap + at : heap + at + 16] = bytes(16)
            path.write_bytes(raw)
            # Behind the first head a text may be hit that nobody here reads.
            with (
                pytest.raises(FileFormatError, match="damaged")
                if at == 16
                else (contextlib.suppress(FileFormatError))
            ):
                read(path)
            found += 1
        heap = whole.find(b"GCOL", heap + 1)
    assert found >= 3


def test_the_guard_counts_what_is_read(stored, monkeypatch):
    with GuardedFile(stored) as guard:
        guard._left = 100
        guard.seek(0)
        assert guard.readinto(bytearray(60)) == 60
        with pytest.raises(FileFormatError, match="over and over"):
            guard.readinto(bytearray(60))


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names on this system")
def test_a_pipe_and_a_device_are_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path / "pipe", Path("/dev/zero")):
        with pytest.raises(FileFormatError, match="is a device or a pipe"):
            read_recording(path)
        with pytest.raises(FileFormatError, match="is a device or a pipe"):
            import_recording(path, **TIMED)


def test_a_file_changed_while_it_is_read_is_refused(stored, monkeypatch):
    reading = GuardedFile.readinto
    times = []

    def and_change(self, buffer):
        times.append(None)
        if len(times) == 20:
            os.utime(stored, ns=(1, 1))
        return reading(self, buffer)

    monkeypatch.setattr(GuardedFile, "readinto", and_change)
    with pytest.raises(FileFormatError, match="replaced, rewritten or cut short"):
        read_recording(stored)


# --- content of other files -----------------------------------------------------------------


@pytest.fixture
def secret(tmp_path):
    SAMPLES.astype("<i2").tofile(tmp_path / "secret.bin")
    with h5py.File(tmp_path / "secret.h5", "w") as file:
        file["rf"] = SAMPLES
    return tmp_path


def external_storage(file, folder, name, shape):
    size = 2 * int(np.prod(shape))
    file.create_dataset(name, shape, "<i2", external=[(str(folder / "secret.bin"), 0, size)])


def virtual(file, folder, name, shape):
    layout = h5py.VirtualLayout(shape, "<i2")
    layout[:] = h5py.VirtualSource(folder / "secret.h5", "rf", shape)
    file.create_virtual_dataset(name, layout)


def external_link(file, folder, name, shape):
    del shape
    file[name] = h5py.ExternalLink(folder / "secret.h5", "rf")


@pytest.mark.parametrize("way", [external_storage, virtual, external_link])
def test_content_of_other_files_is_not_taken_unasked(secret, way):
    path = secret / "a.h5"
    with h5py.File(path, "w") as file:
        way(file, secret, "rf", (3, 40))
    with pytest.raises(FileFormatError, match=r"another file.*--other-files"):
        import_recording(path, **TIMED)
    made = import_recording(path, **TIMED, other_files=True)
    assert np.array_equal(made.samples, SAMPLES)


@pytest.mark.parametrize("way", [external_storage, virtual, external_link])
@pytest.mark.parametrize("lazy", [False, True])
def test_a_native_file_never_takes_it(secret, way, lazy):
    path = secret / "r.h5"
    write_recording(recording(3, 40), path)
    with h5py.File(path, "r+") as file:
        del file["samples"]
        way(file, secret, "samples", (3, 40))
    with pytest.raises(FileFormatError, match="another file, which is not followed"):
        read_recording(path, lazy=lazy)


# --- claims ---------------------------------------------------------------------------------


def test_a_small_file_that_claims_gigabytes(tmp_path):
    path = tmp_path / "a.h5"
    for options in ({"chunks": (1000, 1000)}, {"chunks": (1000, 1000), "compression": "gzip"}):
        with h5py.File(path, "w") as file:
            file.create_dataset("rf", (40_000, 40_000), "i2", **options)
        assert path.stat().st_size < 10_000
        with pytest.raises(FileFormatError, match="claims 3200 MB"):
            import_recording(path, **TIMED)
    write_recording(recording(), tmp_path / "r.h5")
    with h5py.File(tmp_path / "r.h5", "r+") as file:
        del file["gain_db"]
        file.create_dataset("gain_db", (6,), "f4", chunks=(6,))
        del file["samples"]
        file.create_dataset("samples", (400_000_000, 64), "i2", chunks=(100, 64))
    with pytest.raises(FileFormatError, match="claims"):
        read_recording(tmp_path / "r.h5")


def npy_head(shape):
    text = f"{{'descr': '<i2', 'fortran_order': False, 'shape': {shape}, }}".ljust(117) + "\n"
    return b"\x93NUMPY\x01\x00" + len(text).to_bytes(2, "little") + text.encode()


def test_packed_zeros_of_gigabytes(tmp_path):
    path = tmp_path / "a.npz"
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("rf.npy", "w", force_zip64=True) as file,
    ):
        file.write(npy_head((30_000, 5_000)))
        for _ in range(300):
            file.write(bytes(1_000_000))
    assert path.stat().st_size < 400_000
    with pytest.raises(FileFormatError, match="claims more than the file can hold"):
        import_recording(path, **TIMED)
    (tmp_path / "a.npy").write_bytes(npy_head((30_000, 50_000)) + bytes(1000))
    with pytest.raises(FileFormatError, match="claims more than the file can hold"):
        import_recording(tmp_path / "a.npy", **TIMED)


def test_a_packed_variable_of_gigabytes(tmp_path):
    path = tmp_path / "a.mat"
    scipy.io.savemat(path, {"rf": np.zeros((5_000, 5_000))}, do_compression=True)
    assert affordable_bytes(path.stat().st_size) < 200_000_000
    with pytest.raises(FileFormatError, match="claim more memory"):
        import_recording(path, **TIMED)


def test_reading_what_claims_much_takes_little_memory(tmp_path):
    """In a process of its own, whose memory is measured."""
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file.create_dataset("rf", (40_000, 40_000), "i2", chunks=(1000, 1000), compression="gzip")
    code = (
        "import sys, resource\n"
        "from echotrace.files.importing import import_recording\n"
        "from echotrace.errors import FileFormatError\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "try: import_recording(sys.argv[1])\n"
        "except FileFormatError: pass\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_CPU, (60, 60)),
    )  # fmt: skip
    assert int(done.stdout) < 100_000


# --- single bytes ---------------------------------------------------------------------------


def test_each_byte_of_a_tag_of_a_mat_file(tmp_path):
    """One of them ends scipy's reader with the whole process."""
    path = tmp_path / "a.mat"
    scipy.io.savemat(path, {"rf": SAMPLES, "fs": 1e8})
    whole = path.read_bytes()
    for place in range(128, 200):
        for bit in range(8):
            raw = bytearray(whole)
            raw[place] ^= 1 << bit
            path.write_bytes(raw)
            with contextlib.suppress(EchotraceError):
                made = import_recording(path, **TIMED, variable="rf")
                assert made.samples.size == SAMPLES.size


FIELDS = (
    "sampling_rate_hz", "start_delay_us", "signal", "probe_centre_frequency_hz",
    "probe_fractional_bandwidth", "probe_aperture_mm", "probe_focus_mm", "probe_face_delay_us",
    "probe_face_delay_u_us", "receiver_full_scale", "receiver_bits",
)  # fmt: skip


@pytest.mark.parametrize("name", FIELDS)
def test_bits_of_every_number_are_protected(stored, name):
    """Sign and exponent, and every third of the rest; the long campaign takes all of all fields."""
    original = read_recording(stored)
    with h5py.File(stored) as file:
        place = file[name].id.get_offset()
        size, value = file[name].dtype.itemsize, file[name][()]
    # Under a seal of its own each time, so that the digest alone has to notice.
    whole = unsealed(stored.read_bytes())
    for bit in [n for n in range(8 * size) if n % 3 == 0 or n >= 8 * size - 12]:
        raw = bytearray(whole)
        raw[place + bit // 8] ^= 1 << bit % 8
        stored.write_bytes(resealed(raw))
        if np.isnan(value) and (bit < 51 or bit == 63):
            # Still not a number, and so the same.
            same_recording(read_recording(stored), original)
            continue
        with pytest.raises(FileFormatError):
            read_recording(stored)
    stored.write_bytes(resealed(whole))
    same_recording(read_recording(stored), original)


@pytest.mark.parametrize("text", [b"S-0 ", b"immersion", b"right", b"phakic", b"synthetic"])
def test_bits_of_every_label_are_protected(stored, text):
    """Another bit of each letter; the long campaign takes all of all labels."""
    whole = unsealed(stored.read_bytes())
    original = read_recording(stored)
    start, refused = whole.find(text), 0
    while start >= 0:
        for n in range(len(text)):
            raw = bytearray(whole)
            raw[start + n] ^= 1 << n % 8
            stored.write_bytes(resealed(raw))
            try:
                same_recording(read_recording(stored), original)
            except FileFormatError:
                refused += 1
        start = whole.find(text, start + 1)
    # What is not refused is a copy for catalogues, which nobody here reads.
    assert refused >= len(text)


@pytest.mark.parametrize("name", ["probe_face_delay_us"])
@pytest.mark.parametrize("value", [-1.0, np.inf, -np.inf])
def test_a_face_delay_that_cannot_be(stored, name, value):
    with h5py.File(stored, "r+") as file:
        file.attrs["schema_version"] = np.int32(1)
        del file.attrs["content_digest"]
        file[name][()] = value
    with pytest.raises(FileFormatError, match=r"face_delay_us=-?(1.0|inf) must"):
        read_recording(stored)


def test_a_digest_cannot_be_taken_away(stored):
    for change in ("content_digest", "schema_version"):
        write_recording(recording(), stored)
        with h5py.File(stored, "r+") as file:
            if change == "content_digest":
                del file.attrs["content_digest"]
            else:
                file.attrs["schema_version"] = np.int32(1)
                file["probe_focus_mm"][()] = 12.0
        with pytest.raises(FileFormatError, match="content digest does not match"):
            read_recording(stored)


def planted(path, numbers):
    """A recording of few samples whose one packed chunk unpacks to so many zeros."""
    write_recording(recording(3, 40), path, compress=True)
    with h5py.File(path, "r+") as file:
        shape, chunks = file["samples"].shape, file["samples"].chunks
        attrs = dict(file["samples"].attrs)
        del file["samples"]
        made = file.create_dataset(
            "samples", shape, np.int16, chunks=chunks, shuffle=True, compression="gzip",
            fletcher32=True,
        )  # fmt: skip
        for key, value in attrs.items():
            if key not in ("DIMENSION_LIST", "CLASS", "NAME"):
                made.attrs[key] = value
        packer = zlib.compressobj(9)
        raw = b"".join([packer.compress(bytes(1_000_000)) for _ in range(numbers // 1_000_000)])
        made.id.write_direct_chunk((0, 0), raw + packer.flush() + bytes(4))


def test_a_chunk_that_unpacks_to_gigabytes(tmp_path):
    """The file is of 0.4 MB and its samples of a few hundred bytes; memory is measured."""
    path = tmp_path / "a.h5"
    planted(path, 400_000_000)
    assert path.stat().st_size < 500_000
    code = (
        "import sys, resource\n"
        "from echotrace.files.native import read_recording\n"
        "from echotrace.errors import FileFormatError\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "try: read_recording(sys.argv[1])\n"
        "except FileFormatError as error: print(error, file=sys.stderr)\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
    )
    assert "chunks of dataset /samples unpack to more than its shape says" in done.stderr
    assert int(done.stdout) < 100_000


def test_packed_recordings_are_read_as_before(tmp_path):
    path = tmp_path / "a.h5"
    # Chunks large enough to be looked at.
    made = recording(600, 4000)
    write_recording(made, path, compress=True)
    with h5py.File(path) as file:
        first = file["samples"].id.get_chunk_info(0)
        assert first.size * 1032 > affordable_bytes(path.stat().st_size)
    assert np.array_equal(np.asarray(read_recording(path).samples), made.samples)
    assert np.array_equal(read_recording(path, lazy=True).samples[37:590], made.samples[37:590])
