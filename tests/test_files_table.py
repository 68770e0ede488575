"""Tables: what is written reads back exactly, and an independent validator agrees."""

import csv
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented import measurement

from echotrace.errors import FileFormatError, ParameterError
from echotrace.files.measurement_table import read_measurement_table
from echotrace.files.table import Field, schema_path, write_measurement_table, write_table


def read(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def table(tmp_path):
    path = tmp_path / "results.csv"
    write_measurement_table(measurement(), path)
    return path


def test_every_scan_is_there_and_numbers_read_back_exactly(table):
    original = measurement()
    rows = read(table)
    assert [int(row["scan"]) for row in rows] == list(range(1, 7))
    assert [row["accepted"] for row in rows] == ["true", "false"] * 3
    assert [row["decided_by"] for row in rows] == ["findings", "hand"] * 3
    assert rows[3]["findings"] == "off_axis clipped"
    assert rows[0]["findings"] == ""
    assert rows[2]["axial_length_mm"] == ""
    for name, values in (
        ("axial_length_mm", original.axial_length_mm),
        ("vitreous_mm", original.length_mm[:, 1]),
        ("retina_delay_us", original.delay_us[:, 2]),
        ("retina_delay_u_us", original.delay_u_us[:, 2]),
    ):
        for row, value in zip(rows, values, strict=True):
            assert row[name] == "" if np.isnan(value) else float(row[name]) == value
    shown = np.array([row["feature_snr_db"] for row in rows], np.float32)
    assert np.array_equal(shown, original.features["snr_db"])
    assert [row["subject"] for row in rows] == list(original.subject)


def test_the_schema_describes_every_column(table):
    schema = json.loads(schema_path(table).read_text(encoding="utf-8"))
    assert schema_path(table).name == "results.schema.json"
    assert "Not a medical device" in schema["description"]
    assert [item["name"] for item in schema["fields"]] == list(read(table)[0])
    fields = {item["name"]: item for item in schema["fields"]}
    assert fields["axial_length_mm"]["unit"] == "mm"
    assert fields["retina_delay_us"]["unit"] == "us"
    assert fields["length_right"]["constraints"] == {"minimum": 0, "maximum": 1}
    assert fields["method"]["constraints"]["enum"] == ["contact", "immersion", "other"]
    assert "unit" not in fields["feature_snr_db"]
    assert all(item["description"] for item in schema["fields"])


def test_no_findings_known_and_no_traces(tmp_path):
    bare = measurement(finding_names=(), findings=np.zeros(6, np.uint64))
    write_measurement_table(bare, tmp_path / "a.csv")
    assert {row["findings"] for row in read(tmp_path / "a.csv")} == {""}
    write_measurement_table(measurement(0), tmp_path / "b.csv")
    assert read(tmp_path / "b.csv") == []


def validate(path):
    """Exit code and report of the independent validator."""
    pytest.importorskip("frictionless", reason="frictionless is not installed")
    done = subprocess.run(
        [sys.executable, "-m", "frictionless", "validate", path.name, "--schema",
         schema_path(path).name, "--json"],
        cwd=path.parent, capture_output=True, text=True, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout


def test_an_independent_validator_accepts_the_table(table):
    code, report = validate(table)
    assert code == 0, report


BROKEN = {
    "method": ("contact", "contcat", "constraint-error"),
    "finding": ("off_axis", "of_axis", "constraint-error"),
    "number": ("true", "perhaps", "type-error"),
    "column": ("axial_length_mm", "axial_length", "label"),
}


@pytest.mark.parametrize("case", BROKEN)
def test_the_validator_finds_a_broken_table(table, case):
    before, after, kind = BROKEN[case]
    text = table.read_text(encoding="utf-8")
    assert before in text
    table.write_text(text.replace(before, after), encoding="utf-8")
    code, report = validate(table)
    assert code == 1
    assert kind in report


FIELDS = [
    Field(name="step", type="integer", description="step"),
    Field(name="error_mm", type="number", description="error", unit="mm"),
    Field(name="ok", type="boolean", description="fine"),
]


def test_any_table(tmp_path):
    path = tmp_path / "t.csv"
    columns = {"step": [1, 2], "error_mm": np.array([0.1, np.nan]), "ok": np.array([True, False])}
    write_table(path, FIELDS, columns, description="Steps.", primary_key="step")
    assert path.read_text() == "step,error_mm,ok\n1,0.1,true\n2,,false\n"
    assert json.loads(schema_path(path).read_text())["primaryKey"] == "step"
    assert sorted(item.name for item in tmp_path.iterdir()) == ["t.csv", "t.schema.json"]


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"step": [1], "ok": [True]}, "error_mm"),
        ({"step": [1], "error_mm": [1.0], "ok": [True], "more": [1]}, "more"),
        ({"step": [1, 2], "error_mm": [1.0], "ok": [True]}, "different lengths"),
    ],
)
def test_columns_must_match_the_fields(tmp_path, columns, words):
    with pytest.raises(ParameterError, match=words):
        write_table(tmp_path / "t.csv", FIELDS, columns)
    assert list(tmp_path.iterdir()) == []


def test_names_and_types_are_checked(tmp_path):
    with pytest.raises(ParameterError, match="type='real'"):
        Field(name="a", type="real", description="")
    with pytest.raises(ParameterError, match=r"another ending than \.json"):
        write_table(tmp_path / "a.json", FIELDS, {})


def test_a_failing_disk_leaves_both_old_files(table, monkeypatch):
    before = table.read_bytes(), schema_path(table).read_bytes()

    def refuse(self, target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(FileFormatError, match=r"results\.csv: cannot be written"):
        write_measurement_table(measurement(3), table)
    assert (table.read_bytes(), schema_path(table).read_bytes()) == before
    assert len(list(table.parent.iterdir())) == 2


def test_what_a_person_set_is_still_marked_when_a_table_is_read_back(table, tmp_path):
    original = measurement()
    by_hand = np.zeros((6, len(original.interfaces)), np.uint8)
    by_hand[1, 1], by_hand[4, 0], by_hand[4, 1] = 2, 1, 2
    path = tmp_path / "marked.csv"
    write_measurement_table(replace(original, by_hand=by_hand), path)
    again = read_measurement_table(path)
    first, second = original.interfaces[:2]
    assert [again.marks(k) for k in range(6)] == [
        {}, {second: "pick"}, {}, {}, {first: "gate", second: "pick"}, {},
    ]  # fmt: skip
    assert again.picked_by_hand(4) == (second,)
    twice = tmp_path / "twice.csv"
    write_measurement_table(again, twice)
    words = [[sorted(row["by_hand"].split()) for row in read(file)] for file in (path, twice)]
    assert words[0] == words[1]
    assert read_measurement_table(table).interfaces == ()
    path.write_text(path.read_text("utf-8").replace(f"{first}:gate", f"{first}:guess"), "utf-8")
    with pytest.raises(FileFormatError, match=r"by_hand.*guess.*use an interface with :gate or"):
        read_measurement_table(path)
