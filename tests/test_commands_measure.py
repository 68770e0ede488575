"""``echotrace measure`` as a user meets it."""

import json
import re
import shutil
import subprocess
import sys

import numpy as np
import pytest
from closed_form import LE_GRAND_AXIAL_MM, LE_GRAND_US, echo, eye_traces, recording_of

from echotrace.chain.measure import measure
from echotrace.cli import main
from echotrace.files.measurement_table import read_measurement_table
from echotrace.files.native import read_measurement, read_recording, write_recording
from echotrace.fitting.score_sets import ALIGNED_DECENTRATION_MM, ALIGNED_TILT_DEG, RIGHT_MM
from echotrace.quality.findings import rank_findings
from echotrace.recording import Receiver
from echotrace.report.measured_text import probabilities_mean
from echotrace.settings import read_settings


@pytest.fixture(scope="module")
def sitting(tmp_path_factory):
    """Six scans of one eye: one clipped, one along the optic nerve."""
    rf = eye_traces(6, seed=3)
    rf[2] = np.clip(rf[2] * 12, -1, 1)
    rf[4] = eye_traces(1, seed=9, with_wall=False)[0]
    rf = np.clip(rf, -1, 1)
    path = tmp_path_factory.mktemp("rec") / "sitting.h5"
    recording = recording_of(rf * 0.9, receiver=Receiver(full_scale=0.9))
    write_recording(recording, path)
    return path


def test_text_says_the_number_the_reasons_and_the_caution(sitting, capsys):
    assert main(["measure", str(sitting)]) == 0
    out = capsys.readouterr().out
    assert "24.20 mm from 4 of 6 scans" in out
    assert "gain too high" in out
    assert "no wall behind retina" in out
    assert "Lower the gain" in out
    assert "Not a medical device" in out
    assert "provisional" not in out
    said = " ".join(out.split())
    assert "the probability that the length of a scan is within 0.1 mm of the eye's" in said
    assert "the probability that the beam was on the visual axis" in said
    assert "fitted to synthetic eyes only" in said
    table = [line for line in out.splitlines() if re.match(r"\s+\d ", line)]
    assert len(table) == 6
    assert len({line.index(" yes") for line in table if " yes" in line}) == 1
    assert max(len(line) for line in out.splitlines()) <= 120


def test_json_holds_everything(sitting, capsys):
    assert main(["measure", str(sitting), "--json", "--reject", "6=lid in the way"]) == 0
    table = json.loads(capsys.readouterr().out)
    assert "Not a medical device" in table["caution"]
    (one,) = table["sittings"]
    assert one["n"] == 6
    assert one["n_accepted"] == 3
    assert one["mean_mm"] == pytest.approx(LE_GRAND_AXIAL_MM, abs=2e-3)
    assert len(table["scans"]) == 6
    assert table["scans"][2]["accepted"] is False
    for scan in table["scans"]:
        assert scan["findings"] == rank_findings(scan["findings"])
        assert len(scan["why"]) == len(scan["findings"])
    assert any("Lower the gain" in text for text in table["scans"][2]["why"])
    assert "synthetic eyes only" in table["probabilities_mean"]
    assert table["scans"][5]["decided_by"] == "hand"
    assert table["by_hand"] == ["scan 6 rejected by hand: lid in the way"]


def test_outputs_keep_rejected_scans_and_reasons(sitting, tmp_path, capsys):
    out = [tmp_path / "r.csv", tmp_path / "r.h5", tmp_path / "r.html"]
    code = main(
        ["measure", str(sitting), "-o", str(out[0]), "-o", str(out[1]), "--report", str(out[2]),
         "--accept", "3=gain judged harmless"]
    )  # fmt: skip
    assert code == 0
    said = capsys.readouterr().out.splitlines()
    assert [line for line in said if line.startswith("wrote ")] == [f"wrote {path}" for path in out]
    assert all(path.stat().st_size > 1000 for path in out)
    result = read_measurement(out[1])
    assert result.accepted.tolist() == [True, True, True, True, False, True]
    assert result.decided_by.tolist() == [0, 0, 1, 0, 0, 0]
    assert "gain judged harmless" in result.attributes["by_hand"]
    lines = out[0].read_text().splitlines()
    assert len(lines) == 7
    page = out[2].read_text()
    # One picture a scan, and no word of a tilt that the echoes do not tell.
    assert page.count("<svg") == 6
    assert "tilt of the beam" not in page.lower()
    assert "gain judged harmless" in page
    assert "Not a medical device" in page
    assert "http://" not in re.sub(r"http://www\.w3\.org\S*|http://purl\.org\S*", "", page)
    assert "prefers-color-scheme: dark" in page


def test_text_and_page_put_first_what_could_cost_most(tmp_path, capsys):
    """A retina in steps and a clipped lens: the steps first, though their bit comes later."""
    rf = eye_traces(3, seed=4)
    delay_us = np.arange(rf.shape[1]) * 0.01
    lens_us, retina_us = 10.0 + LE_GRAND_US[2], 10.0 + LE_GRAND_US[4]
    rf = rf + echo(delay_us, lens_us, 0.6).astype(np.float32)
    rf = rf + echo(delay_us, retina_us - 0.2, 0.3, 0.4).astype(np.float32)
    around = np.abs(delay_us - lens_us) < 0.3
    rf[:, around] = np.clip(rf[:, around] * 9.0, -2.0, 2.0)
    path, page = tmp_path / "two.h5", tmp_path / "two.html"
    write_recording(recording_of(rf, receiver=Receiver(full_scale=2.0)), path)
    main(["measure", str(path), "--report", str(page)])
    text = capsys.readouterr().out
    for shown in (text, page.read_text()):
        steps = shown.index("rises slowly or in steps")
        assert steps < shown.index("lens or the implant are clipped")
    result = read_recording(path)
    bits = measure(result).finding_list(0)
    assert {"retina_not_steep", "lens_echo_clipped"} <= set(bits)


def test_limits_in_words_are_those_the_probabilities_were_fitted_to(sitting):
    words = probabilities_mean(measure(read_recording(sitting)))
    assert f"within {RIGHT_MM:g} mm" in words
    assert f"tilt up to {ALIGNED_TILT_DEG:g}°" in words
    assert f"decentration up to {ALIGNED_DECENTRATION_MM:g} mm" in words


def test_page_escapes_what_a_file_says(tmp_path):
    path = tmp_path / "odd.h5"
    write_recording(recording_of(eye_traces(3), subject="<script>alert(1)</script>"), path)
    page = tmp_path / "odd.html"
    assert main(["measure", str(path), "--report", str(page)]) == 0
    assert "<script>alert" not in page.read_text()
    assert "&lt;script&gt;" in page.read_text()


def test_no_acceptable_result_exits_one(tmp_path, capsys):
    path = tmp_path / "bad.h5"
    write_recording(recording_of(eye_traces(4, with_wall=False)), path)
    assert main(["measure", str(path)]) == 1
    out = capsys.readouterr().out
    assert "No length: none of 4 scans can be accepted" in out
    assert "NOT ACCEPTABLE" in out


def test_settings_of_a_users_target_are_written_with_a_gate_to_narrow(tmp_path, capsys):
    """A plate of 3.3 mm at 1641 m/s from 5 µs on; ASTM E797: T = V t / 2."""
    t = np.arange(2000) * 0.01
    rf = echo(t, 5.0)[None] + echo(t, 5.0 + 2e3 * 3.3 / 1641.0, 0.4, np.pi)[None]
    rf = rf + 0.002 * np.random.default_rng(0).standard_normal((3, 2000))
    recording = recording_of(rf, method="other", lens_state="none", eye="none", target="plate")
    write_recording(recording, tmp_path / "p.h5")
    (tmp_path / "plate.toml").write_text(
        "[[interface]]\nname = 'near_face'\n[[interface]]\nname = 'far_face'\n"
        "[[segment]]\nname = 'plate'\nspeed_m_per_s = 1641.0\nmean_mm = 3.0\nsd_mm = 1.0\n"
        "range_mm = [1.0, 6.0]\n"
    )
    words = ["measure", str(tmp_path / "p.h5"), "--target", str(tmp_path / "plate.toml")]
    path = tmp_path / "s.toml"
    assert main([*words, "--write-settings", str(path)]) == 0
    assert "the gate of near_face spans the whole trace: narrow it" in capsys.readouterr().out
    gates = {item.gate.interface: item.gate for item in read_settings(path).gates}
    assert (gates["near_face"].start_us, gates["near_face"].stop_us) == (0.0, 20.0)
    assert [name for name, gate in gates.items() if gate.preset] == ["far_face"]
    assert gates["far_face"].relative_to == "near_face"
    text = path.read_text().replace("start_us = 0.0", "start_us = 4.0")
    path.write_text(text.replace("stop_us = 20.0", "stop_us = 6.0"))
    assert main([*words, "--settings", str(path), "--json"]) in (0, 1)
    (first, *_) = json.loads(capsys.readouterr().out)["scans"]
    assert abs(first["axial_length_mm"] - 3.3) < 2e-3
    # A gate that is given stays, and nothing is asked for.
    again = tmp_path / "again.toml"
    assert main([*words, "--settings", str(path), "--write-settings", str(again)]) == 0
    assert "narrow" not in capsys.readouterr().out
    assert read_settings(again) == read_settings(path)


def test_settings_are_written_and_used(sitting, tmp_path, capsys):
    path = tmp_path / "s.toml"
    assert main(["measure", "--write-settings", str(path)]) == 0
    text = path.read_text()
    assert "min_level_db" in text
    assert "gate = []" in text
    assert main(["measure", str(sitting), "--write-settings", str(path), "--overwrite"]) == 0
    text = path.read_text()
    assert text.count("[[gate]]") == 6
    path.write_text(text.replace('picker = "matched_filter"', 'picker = "envelope_peak"'))
    capsys.readouterr()
    assert main(["measure", str(sitting), "--settings", str(path), "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    assert table["settings"]["picking"]["picker"] == "envelope_peak"
    assert table["engine"] == "plain"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["measure"], "give a RECORDING"),
        (["measure", "nowhere.h5"], "nowhere.h5"),
        (["measure", "REC", "-o", "r.txt"], "use .csv or .h5"),
        (["measure", "REC", "-o", "no/such/folder/r.csv"], "does not exist"),
        (["measure", "REC", "-o", "REC"], "would overwrite the input"),
        (["measure", "REC", "--reject", "5"], "and a reason"),
        (["measure", "REC", "--reject", "99=x"], "scans 1 to 6"),
        (["measure", "REC", "--reject", "1=x", "--reject", "1=y"], "named twice"),
        (["measure", "REC", "--settings", "nowhere.toml"], "nowhere.toml"),
        (["measure", "REC", "--target", "nowhere.toml"], "nowhere.toml"),
        (["sing"], "no command 'sing'"),
    ],
)
def test_bad_input_is_one_line_and_exit_two(sitting, capsys, arguments, says):
    before = sitting.read_bytes()
    assert main([str(sitting) if a == "REC" else a for a in arguments]) == 2
    err = capsys.readouterr().err
    assert says in err
    assert err.count("\n") == 1
    assert "Traceback" not in err
    assert sitting.read_bytes() == before


def test_several_recordings_make_one_file_each(sitting, tmp_path, capsys):
    other = tmp_path / "other.h5"
    shutil.copy(sitting, other)
    both = ["measure", str(sitting), str(other)]
    out = ["-o", str(tmp_path / "{name}.csv"), "--report", str(tmp_path / "of_{name}.html")]
    assert main([*both, *out]) == main(["measure", str(sitting)])
    said = capsys.readouterr().out
    last = said.split("2 sittings, ")[1].splitlines()
    assert [line.split()[0] for line in last[4:6]] == [sitting.name, "other.h5"]
    assert "All scans and reasons: above." in last
    for name in (sitting.stem, "other"):
        assert f"wrote {tmp_path / name}.csv" in said
        assert read_measurement_table(tmp_path / f"{name}.csv").n_traces > 1
        assert f"Measured lengths: {name}.h5" in (tmp_path / f"of_{name}.html").read_text("utf-8")
    for words, says in (
        ([*both, *out], "exists already"),
        ([*both, "-o", str(tmp_path / "all.csv")], "put {name} where"),
        ([*both[:2], str(sitting), "-o", str(tmp_path / "x_{name}.csv")], "written twice"),
        ([*both, "-o", str(tmp_path / "{name}.h5"), "--overwrite"], "overwrite the input"),
    ):
        assert main(words) == 2
        err = capsys.readouterr().err
        assert says in err
        assert err.count("\n") == 1
    assert not list(tmp_path.glob("x_*"))


def test_help_and_version(capsys):
    assert main(["--help"]) == 0
    out = capsys.readouterr().out
    assert "measure" in out
    assert "$ echotrace measure" in out
    assert "Not a medical device" in out
    assert main(["--version"]) == 0
    assert main([]) == 2
    assert main(["measure", "--help"]) == 0
    assert "Example:" in capsys.readouterr().out


def test_as_a_process_with_a_closed_pipe(sitting):
    """``echotrace measure … | head -1`` ends quietly."""
    command = f"{sys.executable} -m echotrace.cli measure {sitting} | head -1"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("subject")
    assert "Traceback" not in done.stderr
