"""Studies: reading, refusing bad designs with one clear message, saying what a design allows."""

from __future__ import annotations

import re

import numpy as np
import pytest
from published import peak_flow

from echotrace.agreement.compare import compare_methods
from echotrace.agreement.repeatability import repeatability
from echotrace.agreement.study import Study
from echotrace.errors import EchotraceError, FileFormatError, MissingDetailError, ParameterError

GOOD = """subject,eye,method,operator,sitting,order,axial_length_mm
S1,right,contact,op1,1,1,23.10
S1,right,contact,op1,1,2,23.30
S1,right,immersion,op1,1,3,23.40
S1,right,immersion,op1,1,4,23.42
S2,right,contact,op1,1,1,24.10
S2,right,contact,op1,1,2,24.05
S2,right,immersion,op1,1,3,24.31
S2,right,immersion,op1,1,4,24.29
S3,left,contact,op1,1,1,22.05
S3,left,contact,op1,1,2,22.15
S3,left,immersion,op1,1,3,22.31
S3,left,immersion,op1,1,4,22.30
"""


def write(tmp_path, text, name="study.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def changed(line, old, new):
    lines = GOOD.splitlines()
    assert old in lines[line - 1]
    lines[line - 1] = lines[line - 1].replace(old, new)
    return "\n".join(lines) + "\n"


def test_csv_is_read(tmp_path):
    study = Study.read_csv(write(tmp_path, GOOD))
    assert study.n_readings == 12
    assert study.unit == "mm"
    assert study.subject.present == ("S1", "S2", "S3")
    assert study.value[0] == 23.10
    assert list(study.order[:4]) == [1, 2, 3, 4]


def test_semicolons_and_decimal_commas(tmp_path):
    text = GOOD.replace(".", "#").replace(",", ";").replace("#", ",")
    np.testing.assert_array_equal(
        Study.read_csv(write(tmp_path, text)).value,
        Study.read_csv(write(tmp_path, GOOD, "other.csv")).value,
    )


def test_rejected_and_empty_rows_are_left_out_and_counted(tmp_path):
    lines = GOOD.splitlines()
    lines[0] += ",accepted"
    lines[1:] = [f"{line},{'false' if k == 0 else 'true'}" for k, line in enumerate(lines[1:])]
    lines[3] = lines[3].replace("23.40", "")
    path = write(tmp_path, "\n".join(lines))
    study = Study.read_csv(path)
    assert (study.n_readings, study.n_missing) == (10, 2)
    assert Study.read_csv(path, all_scans=True).n_readings == 11


@pytest.mark.parametrize(
    ("text", "error", "message"),
    [
        ("", FileFormatError, "empty"),
        (GOOD.splitlines()[0], FileFormatError, "no readings below"),
        (GOOD.replace("method", "way", 1), FileFormatError, "no column method"),
        (GOOD.replace("axial_length_mm", "value"), MissingDetailError, "'unit'"),
        (changed(3, "23.30", "23.3O"), FileFormatError,
         "line 3, column 'axial_length_mm': '23.3O' is not a number"),
        (changed(3, ",2,23.30", ",two,23.30"), FileFormatError, "line 3, column 'order'"),
        (changed(3, ",2,", ",1,"), ParameterError, "lines 2 and 3 are duplicates"),
        (changed(5, "23.42", "2.342"), FileFormatError,
         "line 5, column 'axial_length_mm': 2.342 is not an eye's length in mm"),
        (changed(3, "23.30", "inf"), FileFormatError, "'inf' must be finite"),
        (changed(4, ",23.40", ""), FileFormatError, "line 4 has 6 cells, the header has 7"),
        (changed(4, "S1", ""), FileFormatError, "line 4, column 'subject': the cell is empty"),
        (GOOD.replace("eye,method", "eye,eye", 1), FileFormatError, "'eye' occurs twice"),
    ],
)  # fmt: skip
def test_bad_tables_get_one_clear_message(tmp_path, text, error, message):
    path = write(tmp_path, text)
    with pytest.raises(error, match=re.escape(message)) as caught:
        Study.read_csv(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_units_that_change_from_row_to_row_are_refused(tmp_path):
    lines = GOOD.replace("axial_length_mm", "value,unit").splitlines()
    lines[1:] = [f"{line},{'um' if k == 4 else 'mm'}" for k, line in enumerate(lines[1:])]
    with pytest.raises(FileFormatError, match="line 6, column 'unit': 'um' after 'mm'"):
        Study.read_csv(write(tmp_path, "\n".join(lines)))


def test_a_table_pasted_twice_is_refused_without_an_order():
    once = {"subject": ["a", "b"] * 2, "method": "m", "value": [1.0, 2.0, 1.1, 2.1]}
    Study(**once)
    with pytest.raises(ParameterError, match=r"\(rows 1 and 5 for a start\).*pasted twice"):
        Study(subject=once["subject"] * 2, method="m", value=once["value"] * 2)


def test_a_file_that_is_missing_or_no_text(tmp_path):
    with pytest.raises(FileFormatError, match=r"none\.csv"):
        Study.read_csv(tmp_path / "none.csv")
    path = tmp_path / "binary.csv"
    path.write_bytes(b"\x89PNG\r\n\x1a\n\x00\x00")
    with pytest.raises(FileFormatError, match="not a text file"):
        Study.read_csv(path)


# ------------------------------------------------------------------------- designs that fail


def lengths(n=6, **change):
    rng = np.random.default_rng(0)
    rows = {
        "subject": np.repeat([f"S{k}" for k in range(n)], 4).tolist(),
        "method": ["contact", "contact", "immersion", "immersion"] * n,
        "value": (np.repeat(rng.normal(23.5, 1, n), 4) + rng.normal(0, 0.1, 4 * n)).tolist(),
    }
    return Study(**(rows | change))


def test_one_subject():
    with pytest.raises(ParameterError, match="one subject only"):
        compare_methods(lengths(1))


def test_one_replicate():
    study = lengths().select(np.arange(24) % 2 == 0)
    with pytest.raises(ParameterError, match="at least two readings in a sitting"):
        repeatability(study, "contact")
    assert compare_methods(study).spread is None
    assert "repeatability" in study.design().forbids[0]


def test_all_values_identical():
    study = lengths(value=[23.5] * 24, order=list(range(24)))
    with pytest.raises(ParameterError, match="identical"):
        compare_methods(study)
    with pytest.raises(ParameterError, match="identical"):
        repeatability(study, "contact")


def test_a_copy_compared_with_itself():
    value = np.repeat(np.arange(22.0, 28.0), 4)
    with pytest.raises(ParameterError, match="copy of the other"):
        compare_methods(lengths(value=value, order=list(range(24))))


def test_a_method_missing_for_some_and_for_all():
    study = lengths()
    result = compare_methods(study.select(np.arange(24) != 0).select(np.arange(23) != 0))
    assert result.n_eyes == 5
    assert any("left out: S0" in warning for warning in result.warnings)
    assert study.select(np.arange(24) > 1).design().missing_cells == ("S0",)
    a, b = study.of_method("contact"), study.of_method("immersion")
    with pytest.raises(ParameterError, match="no eye was measured by both"):
        compare_methods(a.select(np.arange(12) < 4), b.select(np.arange(12) > 8))
    with pytest.raises(ParameterError, match="a second method is needed"):
        compare_methods(a)


def test_mixed_units_of_two_studies():
    study = lengths()
    other = lengths(unit="um").of_method("immersion")
    with pytest.raises(ParameterError, match="units are mixed"):
        compare_methods(study.of_method("contact"), other)


def test_one_sitting_given_twice():
    contact = lengths().of_method("contact")
    with pytest.raises(ParameterError, match="occurs in"):
        Study.join([contact, contact])


@pytest.mark.parametrize("bad", [{"subject": ["a", " "]}, {"value": [1.0, np.inf]}, {"order": [1]}])
def test_labels_and_values_that_do_not_fit(bad):
    rows = {"subject": ["a", "b"], "method": "m", "value": [1.0, 2.0]}
    with pytest.raises(EchotraceError):
        Study(**(rows | bad))


# ------------------------------------------------------------------------------- design text


def test_design_of_a_balanced_study():
    design = peak_flow().design()
    assert (design.n_subjects, design.n_eyes, design.n_sittings) == (17, 17, 34)
    assert design.balanced
    assert design.readings_per_sitting == (2, 2)
    assert not design.operators_crossed
    assert "a spread between operators" in design.forbids
    assert "bias and limits of agreement" in design.paragraph
    assert "\n" not in design.paragraph


def test_design_notes_what_cannot_be_told_apart(tmp_path):
    design = Study.read_csv(write(tmp_path, GOOD)).design()
    assert design.order_confounded
    assert any("before the other" in warning for warning in design.warnings)
    operators = [f"op {m}" for m in ["c", "c", "i", "i"] * 6]
    nested = lengths(operator=operators).design()
    assert nested.operator_confounded
    assert any("operators of its own" in warning for warning in nested.warnings)


def test_design_counts_both_eyes_and_sittings():
    study = lengths(
        eye=["right", "right", "right", "right", "left", "left", "left", "left"] * 3,
        subject=np.repeat(["A", "B", "C"], 8).tolist(),
        sitting=["1", "2"] * 12,
        operator=["x", "y"] * 12,
    )
    design = study.design()
    assert (design.n_subjects, design.n_eyes, design.n_both_eyes) == (3, 6, 3)
    assert design.operators_crossed
    assert any("not independent" in warning for warning in design.warnings)


def test_an_unbalanced_study_is_called_so():
    assert not lengths().select(np.arange(24) != 5).design().balanced
    assert lengths().design().balanced
