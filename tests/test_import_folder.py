"""Folders of single-trace files as one sitting, and what a dry run says; it writes nothing."""

import csv
import hashlib

import numpy as np
import pytest
from closed_form import eye_traces

from echotrace.cli import main
from echotrace.errors import FileFormatError, MissingDetailError
from echotrace.files.importing import import_recording
from echotrace.files.native import read_recording
from echotrace.recording import Probe

DETAILS = {
    "signal": "rf",
    "method": "immersion",
    "eye": "right",
    "lens_state": "phakic",
    "probe": Probe(centre_frequency_hz=10e6),
}
WORDS = ["--signal", "rf", "--method", "immersion", "--eye", "right"]
WORDS += ["--lens-state", "phakic", "--centre-frequency-mhz", "10"]
NUMBERS = (1, 2, 3, 10, 20)


def write_scan(path, trace, *, heading=("Second", "Volt"), step_s=1e-8, start_s=0.0):
    """As a laboratory's instrument exports one trace: a preamble, then time and value."""
    with path.open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file, delimiter=";")
        rows.writerow(["Made by", "nobody, invented"])
        rows.writerow(heading)
        rows.writerows([f"{start_s + k * step_s:.9g}", f"{x:.6f}"] for k, x in enumerate(trace))


@pytest.fixture
def exported(tmp_path):
    folder = tmp_path / "exported"
    folder.mkdir()
    traces = eye_traces(len(NUMBERS))
    for number, trace in zip(NUMBERS, traces, strict=True):
        write_scan(folder / f"scan {number}.csv", trace)
    return folder, traces


def test_a_folder_becomes_one_sitting_in_natural_order(exported):
    folder, traces = exported
    recording = import_recording(folder, **DETAILS)
    np.testing.assert_allclose(recording.samples, traces, atol=1e-6)
    assert recording.sampling_rate_hz == 1e8
    assert recording.start_delay_us == 0.0
    about = recording.attributes
    assert about["source"] == "5 files, scan 1.csv to scan 20.csv"
    assert about["source_unit"] == "V"
    files = [line.split(" ", 1) for line in about["source_files"].split("\n")]
    assert [name for _, name in files] == [f"scan {n}.csv" for n in NUMBERS]
    for digest, name in files:
        assert digest == hashlib.sha256((folder / name).read_bytes()).hexdigest()
    one_by_one = import_recording(sorted(folder.iterdir())[:1], **DETAILS)
    assert one_by_one.attributes["source"] == "scan 1.csv"
    named = [folder / "scan 20.csv", folder / "scan 1.csv"]
    np.testing.assert_allclose(
        import_recording(named, **DETAILS).samples, traces[[4, 0]], atol=1e-6
    )


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"step_s": 2e-8}, "its sampling rate is 50 MHz, not 100 MHz"),
        ({"start_s": 1e-6}, "its first sample lies at 1 us, not at 0 us"),
        ({"heading": ("Second", "mV")}, "its samples are in mV, not in V"),
        ({"heading": ("Second", "Channel 1")}, "its samples are in no stated unit, not in V"),
        ({"cut": 3000}, "its traces have 3000 samples"),
        ({"whole": True}, "whole numbers, not fractions"),
    ],
)
def test_a_file_unlike_the_first_is_refused_by_name(exported, changed, says):
    folder, traces = exported
    changed = dict(changed)
    trace = traces[2][: changed.pop("cut", None)]
    trace = np.rint(trace * 1000) if changed.pop("whole", False) else trace
    write_scan(folder / "scan 3.csv", trace, **changed)
    with pytest.raises(FileFormatError, match="unlike scan 1") as error:
        import_recording(folder, **DETAILS)
    assert "scan 3.csv" in str(error.value)
    assert says in str(error.value)


def test_folders_that_cannot_be_meant_are_refused(exported, tmp_path):
    folder, traces = exported
    np.save(folder / "other.npy", traces)
    with pytest.raises(FileFormatError, match=r"holds \.csv and \.npy files"):
        import_recording(folder, **DETAILS)
    (tmp_path / "empty").mkdir()
    with pytest.raises(FileFormatError, match="no files of traces"):
        import_recording(tmp_path / "empty", **DETAILS)
    with pytest.raises(FileFormatError, match="named twice"):
        import_recording([folder / "scan 1.csv", folder / "scan 1.csv"], **DETAILS)
    with pytest.raises(MissingDetailError, match="whether samples are rf"):
        import_recording([folder / "scan 1.csv", folder / "scan 2.csv"])


def test_a_dry_run_shows_what_is_understood_and_writes_nothing(exported, capsys):
    folder, traces = exported
    before = sorted(folder.parent.rglob("*"))
    assert main(["import", str(folder), "--dry-run"]) == 0
    said = capsys.readouterr().out
    assert sorted(folder.parent.rglob("*")) == before
    assert f"5 of {traces.shape[1]} samples" in said
    assert "100 MHz (from the time column)" in said
    assert "0 us" in said
    assert "unit of samples    V" in said
    shown = ", ".join(f"{x:.6g}" for x in np.round(traces[0, :6], 6) + 0.0)
    assert shown.split(", ")[1:] == said.split("first samples")[1].split("\n")[0].split(", ")[1:6]
    rows = [line for line in said.splitlines() if "dB |" in line]
    assert len(rows) == 8
    # The tallest echo of the traces stands where it is in time, alone in the first row.
    at = rows[0].index("#") - rows[0].index("|") - 1
    assert abs((at + 0.5) / 72 - np.abs(traces[0]).argmax() / traces.shape[1]) < 1.5 / 72
    assert "the centre frequency of the probe (--centre-frequency-mhz)" in said
    assert "nothing was written" in said
    assert main(["import", str(folder), "--dry-run", *WORDS]) == 0
    assert "nothing is missing" in capsys.readouterr().out
    assert main(["import", str(folder), *WORDS]) == 2
    assert "-o FILE.h5 is needed" in capsys.readouterr().err


def test_the_command_joins_a_folder(exported, tmp_path, capsys):
    folder, traces = exported
    out = tmp_path / "sitting.h5"
    assert main(["import", str(folder), "-o", str(out), *WORDS]) == 0
    said = capsys.readouterr().out
    assert "5 traces" in said
    assert "Not a medical device" in said
    np.testing.assert_allclose(read_recording(out).samples, traces, atol=1e-6)


def test_an_index_in_front_of_the_times_is_no_trace(tmp_path):
    """As pandas writes a table by default (pandas documentation, DataFrame.to_csv, ``index``)."""
    traces = eye_traces(2)
    path = tmp_path / "table.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["", "time_us", "a", "b"])
        rows.writerows(
            [k, f"{0.01 * k:.6g}", f"{a:.6f}", f"{b:.6f}"] for k, (a, b) in enumerate(traces.T)
        )
    recording = import_recording(path, **DETAILS)
    np.testing.assert_allclose(recording.samples, traces, atol=1e-6)
    assert recording.sampling_rate_hz == 1e8
