"""Whatever leaves the program says that it is no medical device, and what is invented."""

import csv
import json
from pathlib import Path

import pytest

from echotrace.caution import CAUTION, SYNTHETIC
from echotrace.cli import main
from echotrace.power.eye_cautions import FULL_CAUTION

SITTING = Path(__file__).resolve().parents[1] / "synthetic_traces" / "immersion_sitting.h5"
EYE = ["--eye", "right", "--k1", "43.5", "--k2", "44.25", "--constant", "srk_t=118.4"]
EYE += ["--target", "-0.25", "--history", "none"]


def flat(text):
    return " ".join(text.split())


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("marks")
    words = ["-o", str(folder / "m.h5"), "-o", str(folder / "m.csv")]
    assert main(["measure", str(SITTING), *words, "--report", str(folder / "m.html")]) == 0
    return folder


@pytest.mark.parametrize(
    "words",
    [
        ["measure", str(SITTING)],
        ["inspect", str(SITTING)],
        ["draw", str(SITTING), "--scan", "1", "-o", "{}/scan.svg"],
        ["synth", str(SITTING.with_suffix(".toml")), "--count", "1", "-o", "{}/s.h5"],
        ["inspect", "{}/m.h5"],
    ],
)
def test_texts_carry_caution_and_origin(measured, words, capsys):
    capsys.readouterr()
    words = [word.format(measured) for word in words]
    assert main([*words, *(["--overwrite"] if "-o" in words else [])]) == 0
    said = flat(capsys.readouterr().out)
    assert CAUTION in said
    assert SYNTHETIC in said


def test_tables_and_pages_carry_them(measured):
    with (measured / "m.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        assert row["caution"] == f"{SYNTHETIC} {CAUTION}"
        assert "cornea 1641" in row["made_with"]
        assert "1.01189" in row["made_with"]
    page = flat((measured / "m.html").read_text("utf-8"))
    assert CAUTION in page
    assert SYNTHETIC in page


@pytest.mark.parametrize("name", ["m.h5", "m.csv"])
def test_lens_power_says_what_its_length_rests_on(measured, name, capsys):
    page = measured / f"{name}.html"
    assert main(["power", str(measured / name), *EYE, "--report", str(page)]) == 0
    said = flat(capsys.readouterr().out)
    assert main(["power", str(measured / name), *EYE, "--json"]) == 0
    about = json.loads(capsys.readouterr().out)
    assert about["eyes"][0]["synthetic"] == SYNTHETIC
    assert about["caution"] == FULL_CAUTION
    told = flat(" ".join(about["eyes"][0]["made_with"]))
    for text in (said, flat(page.read_text("utf-8").replace("&#39;", "'")), told):
        assert "cornea 1641 (trade convention)" in text
        assert "1.01189 ± 0.005 µs" in text
    assert said.startswith(SYNTHETIC)
    assert SYNTHETIC in page.read_text("utf-8")
    assert "scatter <0.001" in said


def test_lengths_of_no_synthetic_source_are_not_called_so(tmp_path, capsys):
    words = ["--axial-length-mm", "23.40", "--axial-length-u-mm", "0.04"]
    assert main(["power", *words, *EYE, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["eyes"][0]["synthetic"] is None
