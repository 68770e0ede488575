"""Chunks read and written past HDF5's filters, against HDF5 itself."""

import h5py
import numpy as np
import pytest
from closed_form import recording_of

from echotrace.errors import FileFormatError
from echotrace.files import chunks, hdf5_reading
from echotrace.files.chunks import GrowingRows, read_rows
from echotrace.files.native import read_recording, write_recording
from echotrace.kernels.checksum import fletcher32

ROWS, WIDTH = 200, 4096

pytestmark = pytest.mark.compiled


def samples_of(dtype, seed=0):
    rng = np.random.default_rng(seed)
    if np.dtype(dtype).kind == "f":
        return rng.normal(size=(ROWS, WIDTH)).astype(dtype)
    return rng.integers(-32768, 32768, (ROWS, WIDTH)).astype(dtype)


# --- checksum -------------------------------------------------------------------------------


def hdf5_checksum(values):
    """What HDF5 writes behind a chunk that holds all of the values."""
    with h5py.File("memory", "w", driver="core", backing_store=False) as file:
        data = file.create_dataset("x", data=values, chunks=values.shape, fletcher32=True)
        file.flush()
        _, raw = data.id.read_direct_chunk((0,) * values.ndim)
    return int.from_bytes(raw[-4:], "little")


def test_checksum_against_hdf5():
    """Of all lengths about the kernel's lanes and tiles, and where a sum is 0 modulo 65,535."""
    rng = np.random.default_rng(0)
    lengths = [1, 2, 3, 4095, 4096, 4097, 8191, 262_143, 262_144, 262_145, 266_240, 700_001]
    for n in lengths + rng.integers(1, 600_000, 20).tolist():
        whole = rng.integers(0, 65536, n).astype("<u2")
        highest = np.full(n, 65535, "<u2")
        single = np.zeros(n, "<u2")
        single[rng.integers(n)] = 65535
        balanced = whole.copy()
        balanced[0] = (65535 - int(whole[1:].sum(dtype=np.int64)) % 65535) % 65535
        odd = whole.view(np.uint8)[: 2 * n - 1].copy()
        for values in (whole, highest, single, balanced, np.zeros(n, "<u2"), odd):
            assert fletcher32(values) == hdf5_checksum(values), n


def test_checksum_by_hand():
    """Words 0x6162 and 0x6364: their sum 0xc4c6, of the running sums 0x12628 less 0xffff."""
    assert fletcher32(np.frombuffer(b"abcd", np.uint8)) == 0x2629C4C6


# --- reading --------------------------------------------------------------------------------


@pytest.fixture(params=["int16", "float32"])
def stored(request, tmp_path):
    values = samples_of(request.param)
    write_recording(recording_of(values), tmp_path / "r.h5")
    return tmp_path / "r.h5", values


def test_rows_come_back_exactly(stored):
    path, values = stored
    form = values.shape, values.dtype
    for start, stop in ((0, 200), (0, 1), (199, 200), (49, 51), (50, 100), (13, 187)):
        rows = read_rows(path, "samples", *form, start, stop)
        assert rows is not None
        assert rows.tobytes() == values[start:stop].tobytes()
    assert read_rows(path, "samples", (201, WIDTH), values.dtype, 0, 1) is None
    assert read_rows(path, "samples", values.shape, np.dtype("<f8"), 0, 1) is None
    assert read_rows(path, "gain_db", *form, 0, 1) is None
    assert read_rows(path.with_name("none.h5"), "samples", *form, 0, 1) is None


def test_blocks_do_not_pass_through_hdf5(stored, monkeypatch):
    path, values = stored
    recording = read_recording(path, lazy=True)
    monkeypatch.setattr(hdf5_reading, "opened", None)
    assert recording.select(slice(3, 180)).samples.tobytes() == values[3:180].tobytes()
    assert recording.samples[20:150, 5:9].tobytes() == values[20:150, 5:9].tobytes()


def test_a_changed_file_is_looked_at_again(tmp_path):
    path = tmp_path / "r.h5"
    write_recording(recording_of(samples_of(np.int16)), path)
    lazy = read_recording(path, lazy=True)
    _ = lazy.samples[:]
    for other in (samples_of(np.int16, seed=1), samples_of(np.int16)[:150]):
        write_recording(recording_of(other), path)
        with pytest.raises(FileFormatError, match="replaced, rewritten or cut short"):
            _ = lazy.samples[:]
        with pytest.raises(FileFormatError, match="replaced, rewritten or cut short"):
            _ = lazy.samples[3]
        assert np.array_equal(read_recording(path, lazy=True).samples[:], other)


def chunk_places(path):
    infos = []
    with h5py.File(path) as file:
        file["samples"].id.chunk_iter(infos.append)
    return sorted((info.chunk_offset[0], info.byte_offset, info.size) for info in infos)


def flip(path, place):
    with path.open("rb+") as file:
        file.seek(place)
        byte = file.read(1)[0]
        file.seek(place)
        file.write(bytes([byte ^ 4]))


@pytest.mark.parametrize("at", ["first sample", "last sample", "checksum"])
def test_one_changed_byte_is_refused(stored, at):
    path, values = stored
    row, place, size = chunk_places(path)[1]
    end = chunk_places(path)[2][0]
    flip(path, place + {"first sample": 0, "last sample": size - 5, "checksum": size - 2}[at])
    assert read_rows(path, "samples", values.shape, values.dtype, row, row + 1) is None
    recording = read_recording(path, lazy=True)
    if at == "checksum":
        # Only HDF5 uses it: what the digest vouches for is read.
        assert np.array_equal(recording.samples[:], values)
        return
    with pytest.raises(
        FileFormatError, match=r"r\.h5: damaged .* copy it again from where it came"
    ):
        recording.select(slice(0, 200))
    assert np.array_equal(recording.samples[end:], values[end:])


def test_a_file_cut_short_while_it_is_read(stored):
    path, _ = stored
    recording = read_recording(path, lazy=True)
    _ = recording.samples[:]
    with path.open("rb+") as file:
        file.truncate(chunk_places(path)[-1][1] + 1000)
    with pytest.raises(FileFormatError, match="replaced, rewritten or cut short"):
        _ = recording.samples[:]


def test_a_file_rewritten_behind_its_table(stored, monkeypatch):
    """Between the table of chunks and the reading of them another program writes into the file."""
    path, _ = stored
    recording = read_recording(path, lazy=True)
    table = chunks._chunks_of

    def table_before_the_change(*given):
        found = table(*given)
        flip(path, chunk_places(path)[-1][1] + 1000)
        return found

    monkeypatch.setattr(chunks, "_chunks_of", table_before_the_change)
    with pytest.raises(FileFormatError, match="replaced, rewritten or cut short"):
        _ = recording.samples[:]


def test_what_sums_do_not_notice_is_noticed(stored):
    """0xFFFF for 0 and words that changed places leave HDF5's own checksum as it is."""
    path, values = stored
    row, place, _ = chunk_places(path)[1]
    with path.open("rb+") as file:
        file.seek(place)
        raw = np.frombuffer(file.read(50 * WIDTH * values.itemsize), np.uint8).copy()
        words = raw.view("<u2")
        words[10] = 0
        before = fletcher32(words)
        words[10] = 0xFFFF
        assert fletcher32(words) == before
        file.seek(place)
        file.write(raw)
    with h5py.File(path, "r+") as file:
        stored_sum = file["samples"].id.read_direct_chunk((row, 0))[1][-4:]
        rows = raw.tobytes() + int(before).to_bytes(4, "little")
        assert len(stored_sum) == 4
        file["samples"].id.write_direct_chunk((row, 0), rows)
    with pytest.raises(FileFormatError, match=f"traces {row} to"):
        read_recording(path)
    with pytest.raises(FileFormatError, match=f"traces {row} to"):
        _ = read_recording(path, lazy=True).samples[:]
    with pytest.raises(FileFormatError, match=f"traces {row} to"):
        _ = read_recording(path, lazy=True).samples[row]


def other_forms():
    checked = {"chunks": (50, WIDTH), "fletcher32": True}
    return {
        "no checksum": {"chunks": (50, WIDTH)},
        "contiguous": {},
        "compressed": {**checked, "compression": "gzip", "compression_opts": 1},
        "shuffled": {**checked, "shuffle": True},
        "parts of rows": {"chunks": (50, 2048), "fletcher32": True},
        "high byte first": {**checked, "dtype": ">i2"},
        "behind a user block": checked,
        "a chunk never written": {**checked, "shape": (ROWS + 50, WIDTH), "fillvalue": 7},
        "a chunk without its checksum": checked,
    }


@pytest.mark.parametrize("form", other_forms())
def test_other_forms_are_left_to_hdf5(tmp_path, form):
    values = samples_of(np.int16)
    options = {"dtype": "<i2", "shape": values.shape, **other_forms()[form]}
    path = tmp_path / "x.h5"
    with h5py.File(path, "w", userblock_size=512 if form == "behind a user block" else 0) as file:
        data = file.create_dataset("samples", **options)
        data[:ROWS] = values
        if form == "a chunk without its checksum":
            data.id.write_direct_chunk((50, 0), values[50:100].tobytes(), filter_mask=1)
    dtype = np.dtype(options["dtype"])
    assert read_rows(path, "samples", options["shape"], dtype, 0, ROWS) is None
    with h5py.File(path) as file:
        assert np.array_equal(file["samples"][:ROWS], values)


# --- writing --------------------------------------------------------------------------------


@pytest.mark.parametrize("dtype", ["<f4", "<f8", "u1", "<i4", ">f4"])
@pytest.mark.parametrize("width", [(), (3,)])
@pytest.mark.parametrize("fletcher32", [True, False])
def test_appended_rows_lie_in_the_file_as_hdf5_writes_them(tmp_path, dtype, width, fletcher32):
    rng = np.random.default_rng(0)
    values = rng.integers(0, 250, (150, *width)).astype(dtype)
    raw = []
    with h5py.File(tmp_path / "x.h5", "w") as file:
        for name in ("ours", "theirs"):
            data = file.create_dataset(
                name, (0, *width), dtype, maxshape=(None, *width), chunks=(8, *width),
                fletcher32=fletcher32,
            )  # fmt: skip
            rows, start = GrowingRows(data), 0
            for n in (0, 5, 11, 16, 3, 5, 0, 40, 70):
                part = values[start : start + n]
                if name == "ours":
                    rows.append(part)
                else:
                    data.resize(start + n, axis=0)
                    data[start:] = part
                start += n
        for name in ("ours", "theirs"):
            data = file[name]
            assert np.array_equal(data[()], values)
            file.flush()
            places = range(0, 150, 8)
            raw.append([data.id.read_direct_chunk((k,) + (0,) * len(width)) for k in places])
    assert raw[0] == raw[1]


def test_whole_chunks_are_written_directly(tmp_path, monkeypatch):
    """Truth values become bytes, doubles singles, and none of it passes HDF5's filters."""
    with h5py.File(tmp_path / "x.h5", "w") as file:
        for name, dtype in (("flag", "u1"), ("single", "<f4")):
            file.create_dataset(name, (0,), dtype, maxshape=(None,), chunks=(8,), fletcher32=True)
        flag, single = (GrowingRows(file[name]) for name in ("flag", "single"))
        with monkeypatch.context() as patched:
            patched.setattr(h5py.Dataset, "__setitem__", None)
            flag.append(np.arange(16) % 3 == 0)
            single.append(np.linspace(0.0, 1.0, 16))
        assert np.array_equal(file["flag"][()], np.arange(16) % 3 == 0)
        assert np.array_equal(file["single"][()], np.linspace(0.0, 1.0, 16, dtype=np.float32))


def test_the_table_of_chunks_is_kept(stored):
    path, values = stored
    chunks._chunks_of.cache_clear()
    recording = read_recording(path, lazy=True)
    for _ in range(3):
        _ = recording.samples[:]
    assert chunks._chunks_of.cache_info().misses == 1
    assert len(values) == ROWS
