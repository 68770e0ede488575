"""Long recordings and studies of many files: the same numbers however the work is spread."""

import dataclasses
import itertools
import os
import shutil
import signal
import subprocess
import sys
import textwrap
import tracemalloc

import h5py
import numpy as np
import pytest
from closed_form import eye_traces, recording_of

from echotrace.chain import block as chain
from echotrace.chain import measure as measuring
from echotrace.chain.measure import measure
from echotrace.cli import main
from echotrace.errors import FileFormatError, ParameterError
from echotrace.files import hdf5
from echotrace.files.atomic import LEFT_BEHIND
from echotrace.files.native import (
    MeasurementWriter,
    read_measurement,
    read_recording,
    write_measurement,
    write_recording,
)
from echotrace.files.parts import read_part, write_part
from echotrace.many import many_files, to_file
from echotrace.many.many_files import measure_many
from echotrace.many.run_folder import parts_folder
from echotrace.many.summaries import GroupSummary, ManySummary, Moments
from echotrace.many.to_file import measure_to_file
from echotrace.recording import Probe
from echotrace.settings import PickingSettings, Settings


@pytest.fixture
def small_blocks(monkeypatch):
    monkeypatch.setattr(chain, "_BLOCK_TRACES", 8)
    monkeypatch.setattr(to_file, "_PART_TRACES", 16)
    # What is kept of a file holds the size of its blocks.
    many_files._ready_once.cache_clear()
    yield
    many_files._ready_once.cache_clear()


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Two files: immersion of 50 traces in two operators' hands, contact of 21."""
    folder = tmp_path_factory.mktemp("many")
    samples = eye_traces(50, seed=1, noise=0.004, shift_us=np.linspace(0, 0.1, 50))
    operators = ["a"] * 30 + ["b"] * 20
    write_recording(recording_of(samples, operator=operators), folder / "one.h5")
    # The face of a real probe lies behind a tip: the cornea's echo is seen whole.
    contact = eye_traces(21, seed=2, noise=0.004, cornea_us=1.0)
    probe = Probe(
        centre_frequency_hz=1e7, fractional_bandwidth=0.6, face_delay_us=1.0, face_delay_u_us=0.005
    )
    write_recording(recording_of(contact, method="contact", probe=probe), folder / "two.h5")
    return [folder / "one.h5", folder / "two.h5"]


def _same(a, b):
    for name in ("delay_us", "delay_u_us", "length_mm", "axial_length_mm", "findings", "accepted"):
        assert getattr(a, name).tobytes() == getattr(b, name).tobytes(), name
    for name in (
        "axial_length_u_mm",
        "axial_length_u_shared_mm",
        "length_right",
        "aligned",
        "decided_by",
    ):
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name))
    assert list(a.features) == list(b.features)
    for name, values in a.features.items():
        np.testing.assert_array_equal(values, b.features[name])
    assert list(a.operator) == list(b.operator)
    assert a.settings_json == b.settings_json
    assert a.finding_names == b.finding_names


# --- mergeable moments ----------------------------------------------------------------------


def test_moments_against_numpy():
    values = 24.0 + 1e-3 * np.random.default_rng(0).normal(size=1000)
    whole = Moments()
    for part in np.split(values, [1, 1, 300, 999]):
        whole = whole.merge(Moments.of(part))
    assert whole.n == 1000
    assert whole.mean == pytest.approx(values.mean(), rel=1e-14)
    assert whole.sd == pytest.approx(values.std(ddof=1), rel=1e-10)
    assert (whole.least, whole.largest) == (values.min(), values.max())
    assert Moments.of(np.array([np.nan])) == Moments()
    assert np.isnan(Moments.of(np.array([1.0])).sd)


@pytest.mark.elsewhere
@pytest.mark.compiled
def test_groups_add_up(files):
    result = measure(read_recording(files[0]))
    parts = [result.select(slice(0, 33)), result.select(slice(33, 50))]
    merged = ManySummary.of(parts[0], ("operator",)).merge(ManySummary.of(parts[1], ("operator",)))
    assert list(merged.groups) == [("a",), ("b",)]
    for label, rows in (("a", slice(0, 30)), ("b", slice(30, 50))):
        part, group = result.select(rows), merged.groups[(label,)]
        used = part.axial_length_mm[part.accepted]
        assert (group.n, group.n_accepted) == (part.n_traces, used.size)
        assert group.length_mm.mean == pytest.approx(used.mean(), rel=1e-14)
        assert group.length_mm.sd == pytest.approx(used.std(ddof=1), rel=1e-9)
        for k, name in enumerate(part.segments):
            lens = part.length_mm[part.accepted, k]
            assert group.segment_mm[name].mean == pytest.approx(lens.mean(), rel=1e-12)
    whole = GroupSummary.of(result, np.arange(50))
    assert merged.total.n_accepted == whole.n_accepted
    assert merged.total.findings == whole.findings
    assert merged.to_records()[0]["operator"] == "a"


# --- streaming ------------------------------------------------------------------------------


@pytest.mark.elsewhere
@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_streamed_file_holds_what_measure_gives(files, tmp_path):
    recording = read_recording(files[0], lazy=True)
    seen = []
    summary = measure_to_file(
        recording, tmp_path / "out.h5", by=(), progress=lambda done, total: seen.append(done)
    )
    streamed = read_measurement(tmp_path / "out.h5")
    expected = measure(recording)
    _same(streamed, expected)
    assert summary.total.n == 50
    assert seen[-1] == 50
    assert [path.name for path in tmp_path.iterdir()] == ["out.h5"]


@pytest.mark.compiled
def test_streamed_file_is_the_one_that_is_written_at_once(tmp_path, monkeypatch):
    """Byte for byte, for any number of threads, with samples and results of whole chunks."""
    monkeypatch.setattr(chain, "_BLOCK_TRACES", 64)
    monkeypatch.setattr(to_file, "_PART_TRACES", 128)
    monkeypatch.setitem(hdf5.add.__kwdefaults__, "chunk_rows", 64)
    samples = np.round(8000 * eye_traces(300, seed=9, noise=0.01)).astype(np.int16)
    operators = ["a"] * 70 + ["b"] * 230
    write_recording(recording_of(samples, operator=operators), tmp_path / "in.h5")
    recording = read_recording(tmp_path / "in.h5", lazy=True)
    write_measurement(measure(read_recording(tmp_path / "in.h5")), tmp_path / "once.h5")
    for workers in (1, 2, 3):
        measure_to_file(recording, tmp_path / "out.h5", workers=workers)
        with h5py.File(tmp_path / "once.h5") as once, h5py.File(tmp_path / "out.h5") as out:
            expected, found = _contents(once), _contents(out)
        assert list(found) == list(expected)
        for name, (values, attributes) in expected.items():
            assert found[name][0] == values, name
            assert found[name][1] == attributes, name


def _contents(file):
    """Bytes and plain attributes of every dataset and group."""
    found = {}

    def look(name, item):
        values = None
        if isinstance(item, h5py.Dataset):
            values = item[()]
            values = list(values) if item.dtype.kind == "O" else (item.dtype, values.tobytes())
        attributes = {
            key: np.asarray(value).tolist()
            for key, value in item.attrs.items()
            if key not in ("DIMENSION_LIST", "REFERENCE_LIST")
        }
        found[name] = values, attributes

    file.visititems(look)
    return found


@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_damage_in_the_middle_keeps_what_was_done(tmp_path, monkeypatch, capsys):
    """Blocks before the damaged one are saved; the command says which file it is."""
    monkeypatch.setattr(chain, "_BLOCK_TRACES", 64)
    samples = np.round(8000 * eye_traces(300, seed=9, noise=0.01)).astype(np.int16)
    path, out = tmp_path / "in.h5", tmp_path / "out.h5"
    write_recording(recording_of(samples), path)
    sound = path.read_bytes()
    with h5py.File(path) as file:
        place = file["samples"].id.get_chunk_info_by_coord((260, 0)).byte_offset
    path.write_bytes(sound[: place + 99] + bytes([sound[place + 99] ^ 1]) + sound[place + 100 :])
    assert main(["measure", str(path), "-o", str(out), "--resume"]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "in.h5: damaged" in told
    assert "copy it again" in told
    assert len(list((tmp_path / "out.h5.parts").glob("*.part"))) >= 2


@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_eye_states_that_come_late_bring_their_features(tmp_path):
    """Lens features exist in the middle part only; the file holds what `measure` joins."""
    states = ["aphakic"] * 20 + ["phakic"] * 12 + ["aphakic"] * 18
    samples = eye_traces(50, seed=4, noise=0.01)
    samples[:20] = samples[32:] = 0.0
    samples[:20] += eye_traces(20, seed=5, noise=0.01, skip=(1, 2))
    samples[32:] += eye_traces(18, seed=6, noise=0.01, skip=(1, 2))
    recording = recording_of(samples, lens_state=states)
    measure_to_file(recording, tmp_path / "out.h5")
    streamed, expected = read_measurement(tmp_path / "out.h5"), measure(recording)
    assert "lens_front_against_back_db" in expected.features
    assert set(streamed.features) == set(expected.features)
    for name, values in expected.features.items():
        np.testing.assert_array_equal(streamed.features[name], values)
    assert np.isfinite(streamed.features["level_db_lens_front"]).tolist() == [
        state == "phakic" for state in states
    ]


@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_an_interrupted_run_is_carried_on(files, tmp_path, monkeypatch):
    recording = read_recording(files[0], lazy=True)
    out = tmp_path / "out.h5"

    def interrupt(done, total):
        if done >= 40:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        measure_to_file(recording, out, progress=interrupt)
    assert not out.exists()
    parts = sorted(path.name for path in (tmp_path / "out.h5.parts").glob("*.part"))
    assert parts == ["000000000000.part", "000000000016.part"]
    with pytest.raises(ParameterError, match="--resume"):
        measure_to_file(recording, out)
    other = Settings(picking=PickingSettings(choice="gate_by_gate"))
    with pytest.raises(ParameterError, match="other settings"):
        measure_to_file(recording, out, other, resume=True)
    starts = []
    measure_again = chain.measure_block
    monkeypatch.setattr(
        measuring,
        "measure_block",
        lambda block, prepared, **place: (
            starts.append(block.n_traces),
            measure_again(block, prepared, **place),
        )[1],
    )
    part = parts_folder(out) / parts[1]
    sound = part.read_bytes()
    for place in (3, len(sound) // 2, len(sound) - 1):
        part.write_bytes(sound[:place] + bytes([sound[place] ^ 1]) + sound[place + 1 :])
        with pytest.raises(FileFormatError, match=rf"{parts[1]}: damaged part .* delete it"):
            measure_to_file(recording, out, resume=True)
    part.write_bytes(sound)
    assert not starts
    measure_to_file(recording, out, resume=True)
    assert sum(starts) == 50 - 32
    _same(read_measurement(out), measure(recording))


@pytest.mark.compiled
def test_a_killed_command_is_carried_on(files, tmp_path):
    """The process is killed outright in the middle; the command takes up the rest."""
    out = tmp_path / "out.h5"
    code = f"""
        import os, signal
        from echotrace.chain import block as chain
        from echotrace.many import to_file
        from echotrace.files.native import read_recording
        chain._BLOCK_TRACES, to_file._PART_TRACES = 8, 16
        def stop(done, total):
            if done >= 40:
                os.kill(os.getpid(), signal.SIGKILL)
        to_file.measure_to_file(read_recording({str(files[0])!r}, lazy=True), {str(out)!r},
                             progress=stop)
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(code)], check=False)
    assert done.returncode == -signal.SIGKILL
    assert [path.name for path in tmp_path.iterdir()] == ["out.h5.parts"]
    assert list(parts_folder(out).glob(LEFT_BEHIND))
    code = f"""
        import sys
        from echotrace import cli
        from echotrace.chain import block as chain
        from echotrace.many import to_file
        chain._BLOCK_TRACES, to_file._PART_TRACES = 8, 16
        sys.exit(cli.main(["measure", {str(files[0])!r}, "-o", {str(out)!r}, "--resume"]))
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code)], check=False, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert "50        50" in done.stdout
    assert done.stderr == ""
    assert [path.name for path in tmp_path.iterdir()] == ["out.h5"]
    _same(read_measurement(out), measure(read_recording(files[0])))


@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_a_stopped_command_says_how_to_go_on(files, tmp_path, monkeypatch, capsys):
    def stop_in_the_middle(recording, prepared, done, *_):
        yield measure(recording).select(slice(0, 16))
        raise KeyboardInterrupt

    out = tmp_path / "out.h5"
    with monkeypatch.context() as patched:
        patched.setattr(to_file, "_parts", stop_in_the_middle)
        assert main(["measure", str(files[0]), "-o", str(out), "--resume"]) == 130
    told = capsys.readouterr().err
    assert "out.h5.parts" in told
    assert "--resume goes on from there" in told
    assert main(["measure", str(files[0]), "-o", str(out), "--resume"]) == 0
    _same(read_measurement(out), measure(read_recording(files[0])))


@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_parts_without_their_order_are_not_taken_up(files, tmp_path):
    """A folder that could only half be deleted after an earlier, longer run."""
    out = tmp_path / "out.h5"
    folder = parts_folder(out)
    folder.mkdir()
    write_part(measure(read_recording(files[0])), folder / "000000000000.part", "here")
    measure_to_file(read_recording(files[1], lazy=True), out)
    _same(read_measurement(out), measure(read_recording(files[1])))


def _interrupted(recording, out, at, settings=None):
    """Stop a run when so many traces are done; the folder of its parts."""

    def interrupt(done, total):
        if done >= at:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        measure_to_file(recording, out, settings, progress=interrupt)
    return parts_folder(out)


@pytest.mark.compiled
def test_no_damage_to_a_part_goes_unseen(files, tmp_path):
    """One bit in every 37th byte, and cut at as many places."""
    part, path = measure(read_recording(files[1])), tmp_path / "000000000000.part"
    write_part(part, path, "here")
    again = read_part(path, "here")
    _same(again, part)
    assert again.interfaces == part.interfaces
    assert again.segments == part.segments
    assert again.attributes == part.attributes
    sound = path.read_bytes()
    places = range(0, len(sound), 37)
    assert len(places) > 100
    for k, place in enumerate(places):
        changed = bytes([sound[place] ^ 1 << k % 8])
        for broken in (sound[:place] + changed + sound[place + 1 :], sound[:place]):
            path.write_bytes(broken)
            with pytest.raises(FileFormatError, match=r"damaged part .* delete it"):
                read_part(path, "here")


@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_a_part_of_no_segments_and_no_features_comes_back(files, tmp_path):
    whole = measure(read_recording(files[1]))
    empty = dataclasses.replace(whole, segments=(), length_mm=np.empty((21, 0)), features={})
    write_part(empty, tmp_path / "x.part", "here")
    again = read_part(tmp_path / "x.part", "here")
    _same(again, empty)
    assert again.length_mm.shape == (21, 0)


@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_what_lies_behind_a_missing_part_is_measured_again(files, tmp_path):
    recording, out = read_recording(files[0], lazy=True), tmp_path / "out.h5"
    folder = _interrupted(recording, out, 50)
    parts = sorted(folder.glob("*.part"))
    assert [part.name for part in parts] == [f"{k:012d}.part" for k in (0, 16, 32)]
    parts[1].unlink()
    seen = []
    measure_to_file(recording, out, resume=True, progress=lambda done, total: seen.append(done))
    assert seen[0] == 16
    _same(read_measurement(out), measure(recording))


@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_parts_of_another_place_or_run_are_refused(files, tmp_path):
    recording, out = read_recording(files[0], lazy=True), tmp_path / "out.h5"
    folder = _interrupted(recording, out, 50)
    parts = sorted(folder.glob("*.part"))
    sound = [part.read_bytes() for part in parts]
    assert len(set(sound)) == 3
    # Every exchange and every copy of one for another; parts in their own places are taken.
    for order in itertools.product(range(3), repeat=3):
        if order == (0, 1, 2):
            continue
        for part, k in zip(parts, order, strict=True):
            part.write_bytes(sound[k])
        wrong = parts[next(k for k in range(3) if order[k] != k)].name
        with pytest.raises(FileFormatError, match=rf"{wrong}: .* not the part that belongs here"):
            measure_to_file(recording, out, resume=True)
    # The same scans, measured with other settings, in a folder of the same name elsewhere.
    other = Settings(picking=PickingSettings(choice="gate_by_gate"))
    (tmp_path / "elsewhere").mkdir()
    alike = _interrupted(recording, tmp_path / "elsewhere" / "out.h5", 50, other)
    for part, whole in zip(parts, sound, strict=True):
        part.write_bytes(whole)
    parts[0].write_bytes((alike / parts[0].name).read_bytes())
    with pytest.raises(FileFormatError, match="not the part that belongs here"):
        measure_to_file(recording, out, resume=True)
    parts[0].write_bytes(sound[0])
    measure_to_file(recording, out, resume=True)
    _same(read_measurement(out), measure(recording))


@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_old_names_of_resuming(files, tmp_path):
    """The folder of version 0.1 is refused in so many words; its option and keyword still work."""
    recording, out = read_recording(files[0], lazy=True), tmp_path / "out.h5"
    folder = _interrupted(recording, out, 40)
    (folder / "manifest.json").rename(folder / "order.json")
    for resume in (False, True):
        with pytest.raises(ParameterError, match=r"earlier version of echotrace.* delete"):
            measure_to_file(recording, out, resume=resume)
    assert len(list(folder.glob("*.part"))) == 2
    (folder / "order.json").rename(folder / "manifest.json")
    with pytest.warns(FutureWarning, match="carry_on is now resume"):
        measure_to_file(recording, out, carry_on=True)
    out.unlink()
    _interrupted(recording, out, 40)
    assert main(["measure", str(files[0]), "-o", str(out), "--carry-on"]) == 0
    _same(read_measurement(out), measure(recording))


@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_a_second_run_of_the_same_file_is_refused(files, tmp_path):
    pytest.importorskip("fcntl", reason="no locks on this system")
    recording, out = read_recording(files[0], lazy=True), tmp_path / "out.h5"
    refused = []

    def start_another(done, total):
        for resume in (False, True):
            with pytest.raises(ParameterError, match=r"out\.h5: another run is writing this file"):
                measure_to_file(recording, out, resume=resume)
            refused.append(done)

    folder = _interrupted(recording, out, 40)
    measure_to_file(recording, out, resume=True, progress=start_another)
    assert refused[0] == 32
    assert not folder.exists()
    out.unlink()
    measure_to_file(recording, out, progress=start_another)
    _same(read_measurement(out), measure(recording))


@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_bad_targets_are_refused_before_anything_is_made(files, tmp_path):
    path, link = tmp_path / "in.h5", tmp_path / "link.h5"
    path.write_bytes(files[1].read_bytes())
    link.symlink_to(path)
    before = path.read_bytes()
    recording = read_recording(path, lazy=True)
    for name in (path, link, str(path)):
        with pytest.raises(ParameterError, match="would overwrite the recording"):
            measure_to_file(recording, name)
    assert path.read_bytes() == before
    (tmp_path / "folder.h5").mkdir()
    with pytest.raises(FileFormatError, match=r"folder\.h5: is a folder"):
        measure_to_file(recording, tmp_path / "folder.h5")
    assert {item.name for item in tmp_path.iterdir()} == {"in.h5", "link.h5", "folder.h5"}


@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_trouble_in_the_folder_of_parts_is_told(files, tmp_path):
    """A damaged order; folders, which cannot be deleted like files, under the names of files."""
    recording, out = read_recording(files[0], lazy=True), tmp_path / "out.h5"
    folder = _interrupted(recording, out, 40)
    manifest = (folder / "manifest.json").read_bytes()
    (folder / "manifest.json").write_bytes(b"\xff" + manifest[1:])
    with pytest.raises(ParameterError, match=r"manifest\.json is damaged; delete the folder"):
        measure_to_file(recording, out, resume=True)
    (folder / "manifest.json").write_bytes(manifest)
    # Names that are none of a part's.
    for name in ("0.part", "000000000000 copy.part"):
        (folder / name).write_bytes(b"")
    for name in ("000000000099.part", ".echotrace-0.partial"):
        (folder / name).mkdir()
        with pytest.raises(FileFormatError, match=r"out\.h5\.parts: cannot be written"):
            measure_to_file(recording, out, resume=True)
        (folder / name).rmdir()
    (folder / "manifest.json").unlink()
    (folder / "000000000099.part").mkdir()
    with pytest.raises(FileFormatError, match=r"out\.h5\.parts: cannot be written"):
        measure_to_file(recording, out)
    (folder / "000000000099.part").rmdir()
    measure_to_file(recording, out)
    _same(read_measurement(out), measure(recording))


@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_a_folder_that_cannot_be_deleted_spoils_nothing(files, tmp_path, monkeypatch):
    def refuse(*_, **__):
        raise PermissionError(13, "in use")

    recording, out = read_recording(files[0], lazy=True), tmp_path / "out.h5"
    with monkeypatch.context() as patched:
        patched.setattr(shutil, "rmtree", refuse)
        assert measure_to_file(recording, out).total.n == 50
    assert list(parts_folder(out).glob("*.part"))
    assert measure_to_file(recording, out).total.n == 50
    assert [path.name for path in tmp_path.iterdir()] == ["out.h5"]
    _same(read_measurement(out), measure(recording))


@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_parts_lie_beside_the_file_a_link_points_to(files, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    link, out = tmp_path / "out.h5", tmp_path / "elsewhere" / "real.h5"
    link.symlink_to(out)
    assert parts_folder(link) == out.with_name("real.h5.parts")
    measure_to_file(read_recording(files[1], lazy=True), link)
    assert link.is_symlink()
    _same(read_measurement(out), measure(read_recording(files[1])))
    with pytest.raises(FileFormatError, match="cannot be written"):
        measure_to_file(read_recording(files[1], lazy=True), tmp_path / "none" / "out.h5")


def test_resume_needs_one_native_output(files, capsys):
    assert main(["measure", str(files[0]), "--resume", "--json"]) == 2
    assert "--resume goes with one -o FILE.h5" in capsys.readouterr().err


@pytest.mark.compiled
def test_growing_file_refuses_what_does_not_belong(files, tmp_path):
    one, two = (measure(read_recording(path)) for path in files)
    with (
        pytest.raises(ParameterError, match="nothing was measured"),
        MeasurementWriter(tmp_path / "none.h5"),
    ):
        pass
    other = Settings(picking=PickingSettings(choice="gate_by_gate"))
    elsewise = measure(read_recording(files[1]), other)
    with MeasurementWriter(tmp_path / "one.h5") as writer:
        writer.append(one)
        with pytest.raises(ParameterError, match="settings_json"):
            writer.append(elsewise)
    with MeasurementWriter(tmp_path / "both.h5") as writer:
        writer.append(one)
        writer.append(two)
    both = read_measurement(tmp_path / "both.h5")
    assert both.n_traces == 71
    assert both.method.present == ("immersion", "contact")
    np.testing.assert_array_equal(both.axial_length_mm[50:], two.axial_length_mm)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["both.h5", "one.h5"]


@pytest.mark.compiled
def test_memory_does_not_grow_with_the_file(tmp_path, monkeypatch):
    """Python's own and numpy's allocations while streaming 2,400 and 6,000 traces."""
    monkeypatch.setattr(chain, "_BLOCK_TRACES", 100)
    monkeypatch.setattr(to_file, "_PART_TRACES", 400)
    peaks = []
    samples = eye_traces(40, seed=3, noise=0.01)
    for n in (2400, 6000):
        path = tmp_path / f"{n}.h5"
        write_recording(recording_of(np.tile(samples, (n // 40, 1))), path)
        recording = read_recording(path, lazy=True)
        tracemalloc.start()
        measure_to_file(recording, tmp_path / "out.h5", workers=2)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # Which blocks wait at the peak is chance; the samples of the longer file would be 75 MB more.
    added = 3600 * samples.shape[1] * samples.itemsize
    assert peaks[1] - peaks[0] < 0.1 * added


# --- many files, one machine or several -----------------------------------------------------


def _equal(a, b):
    assert a.to_records() == b.to_records()


@pytest.mark.compiled
@pytest.mark.usefixtures("small_blocks")
def test_many_files_are_their_measurements_together(files):
    found = measure_many(files, by=("method", "operator"), workers=2)
    assert list(found.groups) == [("immersion", "a"), ("immersion", "b"), ("contact", "unnamed")]
    contact = measure(read_recording(files[1]))
    used = contact.axial_length_mm[contact.accepted]
    assert found.groups[("contact", "unnamed")].length_mm.mean == pytest.approx(
        used.mean(), rel=1e-13
    )
    _equal(measure_many(files, by=("method", "operator"), workers=1), found)
    with pytest.raises(ParameterError, match="by='colour'"):
        measure_many(files, by=("colour",))
    with pytest.raises(ParameterError, match="at least one recording"):
        measure_many([])


def test_a_file_that_was_replaced_is_read_anew(tmp_path):
    path = tmp_path / "one.h5"
    for n in (1, 2):
        write_recording(recording_of(eye_traces(n)), path)
        assert measure_many([path]).total.n == n


@pytest.mark.compiled
@pytest.mark.filterwarnings("ignore")
def test_a_cluster_of_two_processes_gives_the_same_bits(files, tmp_path):
    """With `dask.distributed`; a worker is killed while it works, and nothing changes."""
    distributed = pytest.importorskip("dask.distributed", reason="extra 'dask' is not installed")
    expected = measure_many(files, by=("method",))
    settings = {
        "distributed.scheduler.allowed-failures": 10,
        "distributed.worker.daemon": False,
        "distributed.admin.log-format": "%(message)s",
    }
    import dask

    with (
        dask.config.set(settings),
        distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=True,
            dashboard_address=None,
            local_directory=tmp_path,
            silence_logs=60,
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        _equal(measure_many(files, by=("method",), client=client), expected)
        many_times = files * 20
        once = measure_many(many_times, by=("method",))
        victim = next(iter(client.run(os.getpid).values()))
        killed = []

        def kill_one(done, total):
            if done == 5 and not killed:
                os.kill(victim, signal.SIGKILL)
                killed.append(done)

        _equal(measure_many(many_times, by=("method",), client=client, progress=kill_one), once)
        assert killed
        assert victim not in client.run(os.getpid).values()
