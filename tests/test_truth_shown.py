"""``--hide-truth`` leaves nothing that tells; ``--show-truth`` tells what the recording holds."""

from __future__ import annotations

import json

import numpy as np
import pytest

import echotrace as et
from echotrace.cli import main
from echotrace.files.native import read_measurement

RECORDING = "synthetic_traces/immersion_oblique.h5"


@pytest.fixture(autouse=True)
def _at_the_top(request, monkeypatch):
    monkeypatch.chdir(request.config.rootpath)


def _tells(text):
    """What in a text would give a test away."""
    recording = et.read(RECORDING)
    words = {
        "name": "immersion_oblique",
        "description": recording.attributes["description"],
        "truth": "delays of cornea_front",
        "tilt": "tilt_deg",
    }
    return [name for name, word in words.items() if word in text]


@pytest.mark.parametrize(
    "words",
    [
        ["inspect", RECORDING],
        ["inspect", RECORDING, "--json"],
        ["measure", RECORDING],
        ["measure", RECORDING, "--json"],
        ["measure", RECORDING, RECORDING, "--json"],
        ["measure", RECORDING, RECORDING],
    ],
)
def test_nothing_that_is_said_tells(words, capsys):
    assert main([*words, "--hide-truth"]) in (0, 1)
    hidden = capsys.readouterr().out
    assert _tells(hidden) == []
    assert "nvented data, no patient" in hidden
    if words[0] == "inspect" or len(words) == 4:
        main(words)
        assert _tells(capsys.readouterr().out)


def test_nothing_that_is_written_tells(tmp_path, capsys):
    page, table, results = (tmp_path / n for n in ("page.html", "r.csv", "r.h5"))
    words = ["measure", RECORDING, "--report", str(page), "-o", str(table), "-o", str(results)]
    main([*words, "--hide-truth"])
    for path in (page, table, table.with_suffix(".schema.json")):
        assert _tells(path.read_text(encoding="utf-8")) == [], path.name
    kept = read_measurement(results)
    assert not {"scenario", "description", "seed"} & set(kept.attributes)
    assert kept.attributes["source"].startswith("synthetic")
    plain = et.measure(et.read(RECORDING))
    assert np.array_equal(kept.axial_length_mm, plain.axial_length_mm, equal_nan=True)
    main([*words, "--overwrite"])
    assert _tells(page.read_text(encoding="utf-8")) == ["name"]
    capsys.readouterr()


def test_what_is_shown_is_the_truth_of_the_recording(tmp_path, capsys):
    recording = et.read("synthetic_traces/contact_sitting.h5")
    truth = recording.truth.columns
    error = et.measure(recording).axial_length_mm - truth["axial_length_mm"]
    page = tmp_path / "page.html"
    words = ["measure", "synthetic_traces/contact_sitting.h5", "--show-truth"]
    main([*words, "--report", str(page)])
    text = capsys.readouterr().out
    html = page.read_text(encoding="utf-8")
    for k in range(recording.n_traces):
        row = [f"{truth['axial_length_mm'][k]:.2f}", f"{error[k]:+.2f}",
               f"{truth['tilt_deg'][k]:.1f}", f"{truth['compression_mm'][k]:.2f}"]  # fmt: skip
        line = next(
            x for x in text.split("Truth (")[1].split("\n")[3:] if x.split()[0] == str(k + 1)
        )
        assert set(row) <= set(line.split()), k
        for cell in row:
            assert f"<td>{cell}</td>" in html
    main([*words, "--json"])
    about = json.loads(capsys.readouterr().out)
    np.testing.assert_allclose([row["error_mm"] for row in about["truth"]], error, atol=1e-12)
    main(["inspect", "synthetic_traces/contact_sitting.h5", "--show-truth"])
    assert f"{truth['compression_mm'][0]:.2f}" in capsys.readouterr().out


def test_truth_in_pictures(tmp_path, capsys):
    picture = tmp_path / "a.svg"
    words = ["draw", RECORDING, "--scan", "1", "-o", str(picture)]
    assert main([*words, "--show-truth"]) == 0
    shown = capsys.readouterr().out
    truth = float(et.read(RECORDING).truth.columns["axial_length_mm"][0])
    assert f"true {truth:.2f} mm" in shown
    assert f"true {truth:.2f} mm" in picture.read_text(encoding="utf-8")
    assert main([*words, "--hide-truth", "--overwrite"]) == 0
    assert "true" not in capsys.readouterr().out
    assert _tells(picture.read_text(encoding="utf-8")) == []


def test_what_cannot_be_told(tmp_path, capsys):
    assert main(["inspect", RECORDING, "--hide-truth", "--show-truth"]) == 2
    assert "not allowed with" in capsys.readouterr().err
    made = tmp_path / "r.h5"
    main(["measure", RECORDING, "-o", str(made)])
    capsys.readouterr()
    assert main(["inspect", str(made), "--show-truth"]) == 2
    assert "a measurement holds no truth" in capsys.readouterr().err
    import dataclasses

    bare = tmp_path / "bare.h5"
    et.write(dataclasses.replace(et.read(RECORDING), truth=None), bare)
    assert main(["measure", str(bare), "--show-truth"]) == 2
    assert "holds no truth; only synthetic" in capsys.readouterr().err
