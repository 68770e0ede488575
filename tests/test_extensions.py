"""Pickers and formats from outside: registered in a session, or of an installed distribution."""

import importlib.metadata
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from closed_form import LE_GRAND_AXIAL_MM, eye_traces, recording_of

import echotrace as et
from echotrace.errors import EchotraceError, EchotraceWarning, FileFormatError, ParameterError
from echotrace.files import readers
from echotrace.files.native import write_recording
from echotrace.settings import PickingSettings
from echotrace.signal import picking

MODULE = """
import numpy as np
import echotrace as et


def tallest(windows, options):
    first = windows.at - 10
    column = first + windows.envelope[:, first : first + 21].argmax(axis=1)
    nothing = np.zeros(windows.n, np.uint8)
    return et.Picks(windows.first_sample + column, np.full(windows.n, 0.3), nothing)


RF_ONLY = et.Picker(tallest, "peak", needs_rf=True)


def read_counts(path, description):
    counts = np.frombuffer(path.read_bytes()[4:], "<i2").reshape(-1, 600)
    return et.Foreign(counts, sampling_rate_hz=1e8, rate_from="the header")


COUNTS = et.Reader(read_counts, lambda path, head: head[:4] == b"CNT1")
ONE_ARGUMENT = lambda windows: windows
NUMBER = 3


def wrong_shape(windows, options):
    return et.Picks(np.zeros(1), np.zeros(1), np.zeros(1, np.uint8))


def fails(windows, options):
    raise ZeroDivisionError("no width")


def reads_nothing(path, description):
    return [1, 2, 3]


def read_fails(path, description):
    raise KeyError("rate")
"""
DETAILS = {
    "signal": "rf", "method": "other", "target": "block", "start_delay_us": 0.0,
    "probe": et.Probe(centre_frequency_hz=1e7),
}  # fmt: skip


def _install(folder, name, module, text, **groups):
    """What an installer leaves of a distribution: a module and its metadata."""
    (folder / f"{module}.py").write_text(text, "utf-8")
    info = folder / f"{name.replace('-', '_')}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n", "utf-8")
    lines = [
        line
        for group, points in groups.items()
        for line in (f"[echotrace.{group}]", *(f"{n} = {at}" for n, at in points.items()))
    ]
    (info / "entry_points.txt").write_text("\n".join(lines) + "\n", "utf-8")


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A folder on the path, and registries that forget what a test put into them."""
    folder = tmp_path / "site"
    folder.mkdir()
    monkeypatch.syspath_prepend(str(folder))
    monkeypatch.setattr(picking._REGISTRY, "_added", {})
    monkeypatch.setattr(readers._REGISTRY, "_added", {})
    picking._offset_sample.cache_clear()
    yield folder
    picking._offset_sample.cache_clear()
    for name in list(sys.modules):
        if name.startswith("throw_away"):
            del sys.modules[name]


@pytest.fixture
def counts(tmp_path):
    path = tmp_path / "scan.cnt"
    path.write_bytes(b"CNT1\0\0"[:4] + np.arange(1200, dtype="<i2").tobytes())
    return path


def test_an_installed_picker_is_known_by_its_name(place):
    points = {"throw_tallest": "throw_away:tallest", "throw_rf": "throw_away:RF_ONLY"}
    _install(place, "throw-away", "throw_away", MODULE, pickers=points)
    recording = recording_of(eye_traces(2))
    for name in points:
        result = et.measure(recording, et.Settings(picking=PickingSettings(picker=name)))
        assert result.engine == "plain"
        np.testing.assert_allclose(result.axial_length_mm, LE_GRAND_AXIAL_MM, atol=0.02)
    traces = et.condition(
        np.abs(recording.samples), pulse=et.gaussian_pulse(1e8, 1e7, 0.6), signal="envelope"
    )
    with pytest.raises(ParameterError, match="'throw_rf' needs RF"):
        et.pick_echoes(traces, 0, np.array([1000]), picker="throw_rf")
    # Settings that name it are read back.
    settings = et.Settings(picking=PickingSettings(picker="throw_tallest"))
    assert et.Settings.from_table(settings.to_table()) == settings


def test_an_installed_format_is_recognised_or_named(place, counts):
    _install(
        place, "throw-away", "throw_away", MODULE,
        readers={"throw_counts": "throw_away:COUNTS", "throw_named": "throw_away:read_counts"},
    )  # fmt: skip
    found = et.import_recording(counts, **DETAILS)
    assert found.attributes["source_format"] == "throw_counts"
    assert found.samples.shape == (2, 600)
    assert found.sampling_rate_hz == 1e8
    named = et.import_recording(counts, format="throw_named", **DETAILS)
    np.testing.assert_array_equal(named.samples, found.samples)
    with pytest.raises(ParameterError, match="the header says sampling_rate_hz"):
        et.import_recording(counts, sampling_rate_hz=5e7, **DETAILS)
    other = et.import_recording(counts, sampling_rate_hz=5e7, ignore_file_timing=True, **DETAILS)
    assert other.sampling_rate_hz == 5e7


def test_the_commands_know_what_is_installed(place, counts, tmp_path):
    """In a process of its own, as after an installation."""
    _install(
        place, "throw-away", "throw_away", MODULE,
        pickers={"throw_tallest": "throw_away:tallest"},
        readers={"throw_counts": "throw_away:COUNTS"},
    )  # fmt: skip
    recording, settings = tmp_path / "r.h5", tmp_path / "s.toml"
    write_recording(recording_of(eye_traces(1)), recording)
    settings.write_text('[picking]\npicker = "throw_tallest"\n', "utf-8")
    root = Path(et.__file__).parents[1]
    path = os.pathsep.join([str(place), str(root)])

    def run(*words):
        code = "import sys; from echotrace.cli import main; sys.exit(main(sys.argv[1:]))"
        return subprocess.run(
            [sys.executable, "-c", code, *map(str, words)],
            check=False, capture_output=True, text=True, env={**os.environ, "PYTHONPATH": path},
        )  # fmt: skip

    measured = run("measure", recording, "--settings", settings)
    assert re.search(r" 24\.[12]\d ", measured.stdout), measured.stderr
    told = ["--signal", "rf", "--method", "other", "--target", "block", "--start-delay-us", "0"]
    told += ["--centre-frequency-mhz", "10"]
    out = tmp_path / "i.h5"
    imported = run("import", counts, "-o", out, *told, "--format", "throw_counts")
    assert imported.returncode == 0, imported.stderr
    wrong = run("import", counts, "-o", out, "--overwrite", *told, "--format", "throw_count")
    assert wrong.returncode == 2
    assert "did you mean 'throw_counts'" in wrong.stderr
    assert wrong.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("point", "said"),
    [
        ("throw_away:missing", "of throw-away .* cannot be loaded .AttributeError"),
        ("throw_nowhere:read", "cannot be loaded .ModuleNotFoundError: .*throw_nowhere"),
        ("throw_away_broken:read", "cannot be loaded .RuntimeError: not today"),
        ("throw_away:NUMBER", "must be a function of"),
        ("throw_away:ONE_ARGUMENT", "must be a function of"),
    ],
)
def test_broken_packages_are_one_error_that_names_them(place, counts, point, said):
    (place / "throw_away_broken.py").write_text("raise RuntimeError('not today')\n", "utf-8")
    points = {"throw_bad": point}
    _install(place, "throw-away", "throw_away", MODULE, pickers=points, readers=points)
    for call in (
        lambda: PickingSettings(picker="throw_bad"),
        lambda: et.import_recording(counts, format="throw_bad", **DETAILS),
    ):
        with pytest.raises(ParameterError, match=f"'throw_bad'.*{said}") as found:
            call()
        assert "throw-away" in str(found.value)
        assert "\n" not in str(found.value)
    # Where no name was given a broken package is told of, and does not stop what works without it.
    counts.write_bytes(b"1 2 3\n" * 600)
    with pytest.warns(EchotraceWarning, match="throw_bad"):
        assert readers.format_by_content(counts, b"1 2 3\n") == "text"


def test_what_a_picker_or_reader_gives_is_checked(place, counts):
    _install(
        place, "throw-away", "throw_away", MODULE,
        pickers={"throw_shape": "throw_away:wrong_shape", "throw_fails": "throw_away:fails"},
        readers={"throw_list": "throw_away:reads_nothing", "throw_key": "throw_away:read_fails"},
    )  # fmt: skip
    recording = recording_of(eye_traces(1))
    for name, said in (("throw_shape", "must give Picks of three"), ("throw_fails", "no width")):
        with pytest.raises(ParameterError, match=f"picker '{name}' .*{said}"):
            et.measure(recording, et.Settings(picking=PickingSettings(picker=name)))
    for name, said in (("throw_list", "must give a Foreign"), ("throw_key", "not a file of form")):
        with pytest.raises(FileFormatError, match=said) as found:
            et.import_recording(counts, format=name, **DETAILS)
        assert str(found.value).startswith(str(counts))


def test_a_taken_name_is_refused(place, counts):
    def read(one, two):
        raise AssertionError

    for register in (et.register_picker, et.register_reader):
        register("throw_once", read)
        with pytest.raises(ParameterError, match="'throw_once' is there already"):
            register("throw_once", read)
        for name in ("not a name", "", "1st"):
            with pytest.raises(ParameterError, match="use letters, digits and '_'"):
                register(name, read)
        for wrong in (3, lambda one: one):
            with pytest.raises(ParameterError, match="must be a function of"):
                register("throw_wrong", wrong)
    with pytest.raises(ParameterError, match="'matched_filter' is there already"):
        et.register_picker("matched_filter", read)
    with pytest.raises(ParameterError, match="'npy' is there already"):
        et.register_reader("npy", read)
    with pytest.raises(ParameterError, match="recognises must be a function"):
        et.register_reader("throw_wrong", read, recognises=lambda path: True)
    # A package cannot take the place of what is built in, and two cannot offer one name.
    _install(
        place, "throw-away", "throw_away", MODULE,
        pickers={"matched_filter": "throw_away:fails", "throw_twice": "throw_away:fails"},
    )  # fmt: skip
    _install(
        place, "throw-away-too", "throw_away_too", MODULE,
        pickers={"throw_twice": "throw_away_too:fails"},
    )  # fmt: skip
    assert picking.picker_named("matched_filter") is picking.PICKERS["matched_filter"]
    with pytest.raises(ParameterError, match=r"offered twice: throw-away.* and throw-away"):
        picking.picker_named("throw_twice")


def test_two_formats_that_claim_a_file_are_named(place, counts):
    for name in ("throw_a", "throw_b"):
        et.register_reader(
            name, lambda path, told: None, recognises=lambda path, head: head[:3] == b"CNT"
        )
    with pytest.raises(FileFormatError, match="could be throw_a or throw_b; name the format"):
        et.import_recording(counts, **DETAILS)


def test_packages_are_looked_for_only_where_something_is_not_known(place, counts, monkeypatch):
    asked = []
    look = importlib.metadata.entry_points
    monkeypatch.setattr(
        importlib.metadata, "entry_points", lambda **how: asked.append(how) or look(**how)
    )
    et.measure(recording_of(eye_traces(1)))
    PickingSettings(picker="least_squares")
    np.save(counts.with_suffix(".npy"), np.arange(1200.0).reshape(2, 600))
    et.import_recording(counts.with_suffix(".npy"), sampling_rate_hz=1e8, **DETAILS)
    assert asked == []
    with pytest.raises(ParameterError, match="picker='nothing_such': use one of matched_filter"):
        PickingSettings(picker="nothing_such")
    with pytest.raises(EchotraceError, match="cannot be told from the content"):
        et.import_recording(counts, **DETAILS)
    assert [how["group"] for how in asked] == ["echotrace.pickers", "echotrace.readers"]
