"""A finding whose bit lies above the 32nd goes wherever the others go."""

import dataclasses

import numpy as np
import pytest
from invented import measurement, same_measurement, sitting_of

from echotrace.errors import FileFormatError, ParameterError
from echotrace.files.layout import layout_problems
from echotrace.files.measurement_table import read_measurement_table
from echotrace.files.native import MeasurementWriter, read_measurement, write_measurement
from echotrace.files.parts import read_part, write_part
from echotrace.files.table import write_measurement_table
from echotrace.many.summaries import GroupSummary
from echotrace.measurement import concatenate
from echotrace.quality.limits import QualityLimits
from echotrace.report.measured_json import measurement_json
from echotrace.sittings.sitting import summarise
from echotrace.sittings.sitting_quality import judge_sittings

NAMES = (*(f"reason_{k}" for k in range(40)), "retina_low", *(f"reason_{k}" for k in range(41, 64)))
BITS = np.array([0, 1 << 31, 1 << 32, 1 << 40, 1 << 63, (1 << 64) - 1], np.uint64)
LISTS = [(), NAMES[31:32], NAMES[32:33], NAMES[40:41], NAMES[63:], NAMES]


@pytest.fixture
def wide():
    return measurement(findings=BITS, finding_names=NAMES)


def lists(result):
    return [result.finding_list(k) for k in range(result.n_traces)]


def test_each_bit_has_its_name(wide):
    assert lists(wide) == LISTS
    for k, name in enumerate(NAMES):
        assert wide.has_finding(name).tolist() == [bool(int(b) >> k & 1) for b in BITS]


def test_sets_of_32_bits_are_taken():
    old = measurement(findings=np.full(6, 1 << 31, np.uint32), finding_names=NAMES)
    assert old.findings.dtype == np.uint64
    assert lists(old) == [NAMES[31:32]] * 6


def test_native_file(wide, tmp_path):
    write_measurement(wide, tmp_path / "m.h5")
    same_measurement(wide, read_measurement(tmp_path / "m.h5"))
    assert layout_problems(tmp_path / "m.h5") == []


def test_streamed_file_and_its_blocks(wide, tmp_path):
    blocks = [wide.select(slice(0, 2)), wide.select(slice(2, 5)), wide.select(slice(5, 6))]
    same_measurement(wide, concatenate(blocks))
    with MeasurementWriter(tmp_path / "m.h5") as writer:
        for block in blocks:
            writer.append(block)
    assert lists(read_measurement(tmp_path / "m.h5")) == LISTS


def test_part_of_a_long_measurement(wide, tmp_path):
    write_part(wide, tmp_path / "0.part", "here")
    same_measurement(wide, read_part(tmp_path / "0.part", "here"))


def test_table(wide, tmp_path):
    write_measurement_table(wide, tmp_path / "m.csv")
    back = read_measurement_table(tmp_path / "m.csv")
    # A table names kinds in the order in which they are met.
    assert [set(found) for found in lists(back)] == [set(found) for found in LISTS]


def test_counts_of_many(wide):
    counts = GroupSummary.of(wide, np.arange(6)).findings
    assert counts == {name: sum(name in found for found in LISTS) for name in NAMES}


def test_json():
    bits = np.array([0, 1 << 40, 1 << 40 | 1], np.uint64)
    result = dataclasses.replace(
        sitting_of([23.1, 23.2, 23.3]),
        findings=bits,
        finding_names=("echo_missing", *NAMES[1:]),
    )
    about = measurement_json(
        result, summarise(result), QualityLimits(), judgements=judge_sittings(result), made_with=[]
    )
    assert [scan["findings"] for scan in about["scans"]] == [
        [],
        ["retina_low"],
        ["echo_missing", "retina_low"],
    ]


def test_more_than_64_are_refused(wide, tmp_path):
    names = (*NAMES, "one_more")
    with pytest.raises(ParameterError, match="65 findings do not fit a set of 64 bits"):
        write_measurement(measurement(finding_names=names), tmp_path / "m.h5")
    write_measurement_table(wide, tmp_path / "m.csv")
    text = (tmp_path / "m.csv").read_text(encoding="utf-8")
    (tmp_path / "m.csv").write_text(
        text.replace(" reason_63", " reason_63 one_more"), encoding="utf-8"
    )
    with pytest.raises(FileFormatError, match="more than 64 kinds"):
        read_measurement_table(tmp_path / "m.csv")
