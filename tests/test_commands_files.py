"""``echotrace import`` and ``echotrace inspect`` at the command line."""

import json
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from invented import measurement, recording

from echotrace.caution import CAUTION
from echotrace.cli import main
from echotrace.files.native import read_recording, write_measurement, write_recording
from echotrace.recording import Probe

SAMPLES = np.floor(2000 * np.sin(np.arange(3 * 80) ** 1.3).reshape(3, 80)).astype(np.int16)
DETAILS = [
    "--sampling-rate-mhz", "100", "--start-delay-us", "-0.5", "--signal", "rf", "--method",
    "immersion", "--eye", "left", "--lens-state", "phakic", "--centre-frequency-mhz", "10",
]  # fmt: skip


@pytest.fixture
def source(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    np.save("a.npy", SAMPLES)
    return "a.npy"


def test_import_writes_a_recording_and_says_so(source, capsys):
    assert main(["import", source, "-o", "out.h5", *DETAILS]) == 0
    out, err = capsys.readouterr()
    first, caution = out.split("\n", 1)
    assert first == (
        "wrote out.h5: 3 traces of 80 samples (int16) at 100 MHz from -0.5 us, rf, immersion, "
        "left eye, phakic; from a.npy"
    )
    assert " ".join(caution.split()) == CAUTION
    assert err == ""
    made = read_recording("out.h5")
    assert np.array_equal(made.samples, SAMPLES)
    assert made.attributes["source"] == "a.npy"
    assert made.receiver is None


def test_import_takes_probe_and_receiver(source):
    more = [
        "--fractional-bandwidth", "0.5", "--aperture-mm", "7", "--focus-mm", "inf",
        "--face-delay-us", "0.4", "--face-delay-u-us", "0.01", "--bits", "12", "--full-scale",
        "2", "--gain-db", "40", "--tgc-delay-us", "0", "10", "--tgc-gain-db", "-3", "20",
        "--subject", "S1", "--operator", "B", "--sitting", "2",
    ]  # fmt: skip
    assert main(["import", source, "-o", "out.h5", *DETAILS, *more]) == 0
    made = read_recording("out.h5")
    assert made.probe == Probe(
        centre_frequency_hz=1e7,
        fractional_bandwidth=0.5,
        aperture_mm=7.0,
        focus_mm=math.inf,
        face_delay_us=0.4,
        face_delay_u_us=0.01,
    )
    assert made.receiver.tgc_gain_db == (-3.0, 20.0)
    assert (made.receiver.bits, made.receiver.full_scale) == (12, 2.0)
    assert (made.subject[0], made.operator[0], made.sitting[0]) == ("S1", "B", "2")
    assert made.gain_db[0] == 40.0


FAILURES = {
    "missing details": (["a.npy", "-o", "out.h5"], "--sampling-rate-mhz"),
    "missing file": (["none.npy", "-o", "out.h5", *DETAILS], "none.npy: cannot be read"),
    "half a receiver": (["a.npy", "-o", "out.h5", *DETAILS, "--bits", "12"], "--full-scale"),
    "no folder": (["a.npy", "-o", "no/out.h5", *DETAILS], "make it first"),
    "zero rate": (["a.npy", "-o", "out.h5", *DETAILS, "--sampling-rate-mhz", "0"], "=0.0"),
    "bad probe": (["a.npy", "-o", "out.h5", *DETAILS, "--centre-frequency-mhz", "-1"], "probe"),
    "itself": (["a.npy", "-o", "./a.npy", "--overwrite", *DETAILS], "use .h5 or .hdf5 or .nc"),
}


@pytest.mark.parametrize("case", FAILURES)
def test_import_failures_are_one_line_and_exit_2(source, capsys, case):
    arguments, words = FAILURES[case]
    before = Path(source).read_bytes()
    assert main(["import", *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert err.startswith("echotrace import: ")
    assert words in err
    assert [item.name for item in Path().iterdir()] == ["a.npy"]
    assert Path(source).read_bytes() == before


BAD_SAMPLES = {
    "NaN": np.where(SAMPLES > 0, np.nan, 1.0),
    "constant": np.ones((3, 40)),
    "no traces": np.zeros((0, 40)),
    "one sample": np.zeros((3, 1)),
    "complex": SAMPLES * 1j,
    "3-D": np.zeros((2, 3, 40)),
    "mixed lengths": np.array([[1] * 40, [2] * 41], dtype=object),
}


@pytest.mark.parametrize("case", BAD_SAMPLES)
def test_bad_samples_overwrite_nothing(source, capsys, case):
    np.save("bad.npy", BAD_SAMPLES[case], allow_pickle=True)
    Path("out.h5").write_bytes(b"precious")
    assert main(["import", "bad.npy", "-o", "out.h5", "--overwrite", *DETAILS]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "bad.npy" in err
    assert Path("out.h5").read_bytes() == b"precious"


def test_an_existing_file_is_overwritten_only_on_request(source, capsys):
    Path("out.h5").write_bytes(b"precious")
    assert main(["import", source, "-o", "out.h5", *DETAILS]) == 2
    assert "--overwrite" in capsys.readouterr().err
    assert Path("out.h5").read_bytes() == b"precious"
    assert main(["import", source, "-o", "out.h5", "--overwrite", *DETAILS]) == 0
    assert read_recording("out.h5").n_traces == 3


def test_a_hint_is_a_note_not_a_failure(source, capsys):
    np.save("t.npy", np.random.default_rng(0).normal(size=(800, 80)))
    assert main(["import", "t.npy", "-o", "out.h5", *DETAILS]) == 0
    out, err = capsys.readouterr()
    assert err.startswith("echotrace import: note: t.npy: 800 traces of only 80 samples")
    assert out.startswith("wrote out.h5: 800 traces")


def test_no_traceback_in_a_real_process(source):
    done = subprocess.run(
        [sys.executable, "-m", "echotrace.cli", "import", source, "-o", "out.h5"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert done.stderr.count("\n") == 1


def test_inspect_a_recording(source, capsys):
    write_recording(recording(), "r.h5")
    assert main(["inspect", "r.h5"]) == 0
    out = capsys.readouterr().out
    for words in (
        "r.h5: recording", "100 MHz", "64 (int16, rf)", "12 bits, full scale 2.5",
        "0 dB at 0 us, 20.5 dB at 10 us", "delays of cornea_front, retina", "aperture 7 mm",
        "40.25 dB", "NetCDF-4 layout    kept", "invented",
    ):  # fmt: skip
        assert words in out
    assert max(len(line) for line in out.splitlines()) <= 100
    assert all(line == line.rstrip() for line in out.splitlines())


def test_inspect_says_it_for_machines(source, capsys):
    write_recording(recording(4, truth=None, receiver=None), "r.h5")
    assert main(["inspect", "r.h5", "--json"]) == 0
    about = json.loads(capsys.readouterr().out)
    assert about["n_traces"] == 4
    assert about["truth"] is None
    assert about["receiver"] is None
    assert about["probe"]["focus_mm"] == "infinite"
    assert about["probe"]["face_delay_us"] is None
    assert sum(item["n_traces"] for item in about["sittings"]) == 4
    assert about["layout_problems"] == []


def test_inspect_shortens_a_long_list_of_sittings(source, capsys):
    write_recording(recording(100, subject=[f"S{k:03}" for k in range(100)]), "r.h5")
    assert main(["inspect", "r.h5"]) == 0
    out = capsys.readouterr().out
    assert "S039" in out
    assert "S040" not in out
    assert "and 60 more" in out


def test_inspect_counts_clipped_samples(source, capsys):
    samples = recording(2).samples.copy()
    samples[0, :8] = 2047
    samples[1, :8] = -2047
    write_recording(recording(2, samples=samples), "r.h5")
    assert main(["inspect", "r.h5", "--json"]) == 0
    about = json.loads(capsys.readouterr().out)
    assert about["clipped_share"] == 16 / 128
    assert (about["sample_min"], about["sample_max"]) == (-2047, 2047)


@pytest.mark.parametrize("n_traces", [6, 0])
def test_inspect_a_measurement(source, capsys, n_traces):
    write_measurement(measurement(n_traces), "m.h5")
    assert main(["inspect", "m.h5"]) == 0
    out = capsys.readouterr().out
    assert "m.h5: measurement" in out
    assert "aqueous, vitreous" in out
    assert main(["inspect", "m.h5", "--json"]) == 0
    about = json.loads(capsys.readouterr().out)
    assert about["n_traces"] == n_traces
    if n_traces:
        assert about["n_accepted"] == 3
        assert about["findings"] == {"off_axis": 3, "clipped": 2, "echo_missing": 2}


def test_inspect_names_what_it_cannot_read(source, capsys):
    assert main(["inspect", source]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "echotrace import" in err


def test_what_messages_ask_for_can_be_given_on_the_command_line(tmp_path, monkeypatch, capsys):
    """A heading that might be a damaged number, and a column that might hold samples."""
    monkeypatch.chdir(tmp_path)
    samples = [round(2000 * math.sin(k**1.3)) for k in range(60)]
    heading = "x1\n" + "".join(f"{value}\n" for value in samples)
    (tmp_path / "heading.csv").write_text(heading, encoding="utf-8")
    given = ["import", "heading.csv", "-o", "out.h5", *DETAILS]
    assert main(given) == 2
    assert "--skip-lines 1" in capsys.readouterr().err
    assert main([*given, "--skip-lines", "1"]) == 0
    assert read_recording("out.h5").samples.shape == (1, 60)
    numbered = "".join(f"{k + 5},{value}\n" for k, value in enumerate(samples))
    (tmp_path / "numbered.csv").write_text(numbered, encoding="utf-8")
    given = ["import", "numbered.csv", "-o", "two.h5", "--samples-first", *DETAILS]
    assert main([*given, "--index-column"]) == 0
    assert read_recording("two.h5").samples.shape == (1, 60)
    # Said not to number the lines, a column that rises evenly is time, whose unit is asked for.
    assert main([*given, "--no-index-column", "--overwrite"]) == 2
    assert "--time-unit" in capsys.readouterr().err
    for wrong in (["--skip-lines", "-1"], ["--gain-db", "-inf"], ["--bits", "³"]):
        assert main([*given, *wrong]) == 2
        assert len(capsys.readouterr().err.splitlines()) == 1
