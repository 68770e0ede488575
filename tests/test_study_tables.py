"""Tables of readings as spreadsheets, data frames and R save them: read rightly, or refused."""

from __future__ import annotations

import re
import zipfile

import numpy as np
import pytest

from echotrace import cli
from echotrace.agreement.apart import repeated_block, repeated_readings
from echotrace.agreement.compare import compare_methods
from echotrace.agreement.repeatability import repeatability
from echotrace.agreement.study import Study
from echotrace.errors import EchotraceError, ParameterError

COLUMNS = ("subject", "eye", "method", "operator", "sitting", "length_mm")


def rows(n=12, decimals=4, seed=0):
    """Rows of a study: both eyes of each subject, three readings by each method."""
    rng = np.random.default_rng(seed)
    found = []
    for s in range(n):
        for eye in ("right", "left"):
            length = rng.normal(23.5, 1.0)
            for method, bias, sd in (("contact", -0.2, 0.10), ("immersion", 0.0, 0.05)):
                for _ in range(3):
                    value = round(length + bias + rng.normal(0, sd), decimals)
                    found.append([f"S{s}", eye, method, "op1", "1", value])
    return found


def save(path, table, names=COLUMNS):
    text = "\n".join(",".join(map(str, row)) for row in [names, *table]) + "\n"
    path.write_text(text, encoding="utf-8")
    return path


def refused(path):
    with pytest.raises(EchotraceError) as caught:
        Study.read_csv(path)
    text = str(caught.value)
    assert text.startswith(str(path))
    assert "\n" not in text
    return text


def same(a, b):
    assert (a.n_readings, a.unit) == (b.n_readings, b.unit)
    np.testing.assert_array_equal(a.value, b.value)
    for name in ("subject", "eye", "method", "operator", "sitting"):
        assert list(getattr(a, name)) == list(getattr(b, name)), name


# ----------------------------------------------------------------------- units and missing codes


@pytest.mark.parametrize("column", ["length_mm", "axial_length_mm"])
def test_micrometres_in_a_column_of_mm(tmp_path, column):
    names = (*COLUMNS[:-1], column)
    table = [[*row[:-1], row[-1] * 1000.0] for row in rows()]
    text = refused(save(tmp_path / "all.csv", table, names))
    assert f"line 2, column '{column}'" in text
    assert "µm" in text
    # Two subjects of many, all readings of each.
    some = [[*row[:-1], row[-1] * (1000.0 if row[0] in ("S3", "S7") else 1.0)] for row in rows()]
    text = refused(save(tmp_path / "some.csv", some, names))
    assert f"line 38, column '{column}'" in text
    assert "lines 39" in text


def test_centimetres_in_a_column_of_axial_lengths(tmp_path):
    table = [[*row[:-1], row[-1] / 10.0] for row in rows()]
    names = (*COLUMNS[:-1], "axial_length_mm")
    assert "in cm" in refused(save(tmp_path / "a.csv", table, names))
    # So where the table names the eye.
    assert "in cm" in refused(save(tmp_path / "c.csv", table, (*COLUMNS[:-1], "length_mm")))
    # A thin plate is measured under the same name.
    plate = [[*row, "plate"] for row in table]
    assert Study.read_csv(save(tmp_path / "b.csv", plate, (*names, "target"))).n_readings == 144


@pytest.mark.parametrize(("offset_mm", "word"), [(19.5, "long"), (-11.0, "short"), (0.0, None)])
def test_readings_that_are_another_quantity_are_told_by_their_middle(tmp_path, offset_mm, word):
    """Corneal powers of 43 dioptres, say, in the column of lengths: no group of eyes is so long."""
    table = [[*row[:-1], row[-1] + offset_mm] for row in rows()]
    study = Study.read_csv(save(tmp_path / "a.csv", table, (*COLUMNS[:-1], "length_mm")))
    told = [text for text in study.design().warnings if "median of all readings" in text]
    assert len(told) == (word is not None)
    assert all(f"no group of eyes is so {word}" in text for text in told)
    # Without a column of eyes anything may have been measured.
    names = ("subject", "method", "length_mm")
    plates = [[row[0], row[COLUMNS.index("method")], row[-1]] for row in table]
    study = Study.read_csv(save(tmp_path / "b.csv", plates, names))
    assert not any("median of all readings" in text for text in study.design().warnings)


def test_an_eye_that_is_neither_right_nor_left_is_said(tmp_path):
    column = COLUMNS.index("eye")
    table = [
        [*row[:column], "both", *row[column + 1 :]] for row in rows() if row[column] == "right"
    ]
    study = Study.read_csv(save(tmp_path / "a.csv", table))
    (told,) = [text for text in study.design().warnings if "neither right nor left" in text]
    assert told.startswith(f"column 'eye': 'both' (line 2 and {len(table) - 1} more)")


@pytest.mark.parametrize("code", ["0", "0.0", "-9", "-99.9"])
def test_codes_for_missing_are_named_and_do_not_hide_other_units(tmp_path, code):
    table = rows()
    table[5][-1] = code
    text = refused(save(tmp_path / "a.csv", table))
    assert "line 7, column 'length_mm'" in text
    assert "leave the cell empty" in text


@pytest.mark.parametrize("code", ["999", "99"])
def test_high_codes_for_missing(tmp_path, code):
    table = rows()
    table[5][-1] = code
    text = refused(save(tmp_path / "a.csv", table, (*COLUMNS[:-1], "axial_length_mm")))
    assert "line 7, column 'axial_length_mm'" in text
    assert "missing" in text


@pytest.mark.parametrize("word", ["#N/A", "--", "?", "missing"])
def test_words_that_are_no_numbers_are_refused_with_what_helps(tmp_path, word):
    table = rows()
    table[5][-1] = word
    text = refused(save(tmp_path / "a.csv", table))
    assert f"line 7, column 'length_mm': '{word}' is not a number; leave the cell empty" in text


def test_thousands_are_micrometres_or_a_code_and_both_are_said(tmp_path):
    table = rows()
    table[5][-1] = "9999"
    text = refused(save(tmp_path / "a.csv", table))
    assert "line 7" in text
    assert "µm" in text
    assert "leave the cell empty" in text


def test_a_nil_in_another_unit_does_not_switch_the_check_off(tmp_path):
    table = [[*row, "um"] for row in rows()]
    table[0][-2] = 0.0
    text = refused(save(tmp_path / "a.csv", table, (*COLUMNS[:-1], "value", "unit")))
    assert "line 2, column 'value': 0 is no length" in text
    # Where nothing is a length, a nil may be one of the readings.
    table = [[*row, "D"] for row in rows()]
    table[0][-2] = 0.0
    table[20][-2] *= 1000.0
    text = refused(save(tmp_path / "a.csv", table, (*COLUMNS[:-1], "value", "unit")))
    assert "units seem to be mixed" in text
    assert re.search(r"lines? .*22", text)
    # Whole subjects, so that every eye agrees with itself.
    whole = [[*row, "um"] for row in rows()]
    for row in whole[:24]:
        row[-2] *= 1000.0
    text = refused(save(tmp_path / "b.csv", whole, (*COLUMNS[:-1], "value", "unit")))
    assert "lines 2 to 9" in text
    assert "median of all readings" in text


def test_readings_that_are_no_lengths_may_be_nil(tmp_path):
    table = [[*row[:-1], row[-1] - 23.0, "D"] for row in rows()]
    study = Study.read_csv(save(tmp_path / "a.csv", table, (*COLUMNS[:-1], "value", "unit")))
    assert (study.value < 0).any()


# --------------------------------------------------------------------------------------- labels


def test_eyes_and_methods_in_other_spellings_are_one(tmp_path):
    plain = rows()
    written = {"right": ["OD", "right", "R", "Right eye", "o.d."], "left": ["os", "L", "LEFT"]}
    table = [list(row) for row in plain]
    for k, row in enumerate(table):
        words = written[row[1]]
        row[1] = words[k % len(words)]
        row[2] = [row[2], row[2].upper(), f" {row[2].title()} "][k % 3]
    study = Study.read_csv(save(tmp_path / "a.csv", table))
    same(study, Study.read_csv(save(tmp_path / "b.csv", plain)))
    design = study.design()
    assert (design.n_eyes, design.methods) == (24, ("contact", "immersion"))
    told = " ".join(design.warnings)
    assert "column 'eye': 'OD' (line 2 and" in told
    assert "column 'method': 'CONTACT' (line 3 and" in told
    assert any("'OD'" in warning for warning in compare_methods(study, n_bootstrap=0).warnings)


def test_methods_of_other_names_keep_the_first_spelling(tmp_path):
    table = [[*r[:2], ("Optical" if k % 2 else "optical") if r[2] == "contact" else r[2], *r[3:]]
             for k, r in enumerate(rows())]  # fmt: skip
    study = Study.read_csv(save(tmp_path / "a.csv", table))
    assert study.method.present == ("immersion", "optical")


def test_a_third_method_is_named_with_its_line(tmp_path):
    table = rows()
    table[40][2] = "imersion"
    with pytest.raises(ParameterError) as caught:
        compare_methods(Study.read_csv(save(tmp_path / "a.csv", table)))
    assert "imersion (line 42)" in str(caught.value)
    assert "spell each alike" in str(caught.value)


def test_one_column_for_each_method_is_refused_and_the_shape_told(tmp_path):
    text = refused(save(tmp_path / "a.csv", [["S1", 23.4, 23.6]], ("subject", "contact", "b")))
    assert "no column method" in text
    assert "Each row is one reading" in text


def test_a_third_eye_is_refused(tmp_path):
    table = rows()
    table[4][1] = "rigth"
    text = refused(save(tmp_path / "a.csv", table))
    assert "line 8, column 'eye': 'left' is a third eye of subject 'S0'" in text


@pytest.mark.parametrize(
    ("column", "put", "message"),
    [
        (0, "s1", "line 15, column 'subject': 's1' and 'S1' of line 14 differ by their spelling"),
        (3, "OP1", "line 15, column 'operator': 'OP1' and 'op1' of line 2"),
        (1, "", "line 15, column 'eye': the cell is empty; other rows name the eye"),
        (1, "NA", "line 15, column 'eye': the cell is empty"),
        (2, "NA", "line 15, column 'method': the cell is empty"),
        (0, "NA", "line 15, column 'subject': the cell is empty"),
    ],
)
def test_labels_that_would_make_another_subject_eye_or_operator(tmp_path, column, put, message):
    table = rows()
    table[13][column] = put
    assert message in refused(save(tmp_path / "a.csv", table))


def test_eyes_with_one_method_are_named_and_their_readings_counted(tmp_path):
    table = [r for r in rows() if r[:3] != ["S2", "left", "contact"]]
    result = compare_methods(Study.read_csv(save(tmp_path / "a.csv", table)), n_bootstrap=0)
    (told,) = [text for text in result.warnings if "one method" in text]
    assert told.endswith("left out: S2 left (3 of 141 readings)")


# -------------------------------------------------------------------------------- 3 mm too long


def test_a_reading_that_stands_apart_is_named_with_its_eye_and_line(tmp_path):
    table = rows()
    table[40][-1] += 3.0
    path = save(tmp_path / "a.csv", table)
    result = compare_methods(Study.read_csv(path), n_bootstrap=0)
    (told,) = [text for text in result.warnings if "stands apart" in text]
    subject, eye, method, *_, value = table[40]
    shown = f"{round(value, 3):g} mm of subject {subject}, {eye} eye (line 42)"
    start = f"the {method} reading {shown} stands"
    assert told.startswith(start)
    assert not any("stands apart" in text for text in compare_methods(
        Study.read_csv(save(tmp_path / "b.csv", rows())), n_bootstrap=0).warnings)  # fmt: skip


def test_the_right_one_of_two_readings_is_named(tmp_path):
    table = [row for k, row in enumerate(rows(20)) if k % 3]
    table[21][-1] -= 3.0
    result = compare_methods(Study.read_csv(save(tmp_path / "a.csv", table)), n_bootstrap=0)
    assert ["(line 23)" in text for text in result.warnings if "stands apart" in text] == [True]


def test_single_readings_that_stand_apart_are_named_by_their_eye(tmp_path):
    table = [row for k, row in enumerate(rows()) if k % 3 == 0]
    table[10][-1] += 3.0
    result = compare_methods(Study.read_csv(save(tmp_path / "a.csv", table)), n_bootstrap=0)
    (told,) = [text for text in result.warnings if "apart from the other eyes" in text]
    assert f"subject {table[10][0]}, {table[10][1]} eye" in told
    assert "contact: line 12; immersion: line 13" in told


def test_false_alarms_of_the_outlier_test_are_few():
    """Normal readings: at 0.01 for each method and the eyes, some 3 studies in 100 have one."""
    alarms = 0
    for seed in range(100):
        table = rows(15, decimals=9, seed=seed)
        columns = dict(zip(COLUMNS[:-1], list(zip(*table, strict=True))[:-1], strict=True))
        study = Study(value=[row[-1] for row in table], **columns)
        alarms += any("apart" in text for text in compare_methods(study, n_bootstrap=0).warnings)
    assert alarms <= 9


# ------------------------------------------------------------------------------ equal readings


@pytest.mark.parametrize(("decimals", "step"), [(2, 0.01), (2, 0.02), (1, 0.1), (3, 0.001)])
def test_rounding_makes_no_repeated_readings(decimals, step):
    for seed in range(5):
        table = rows(20, decimals=9, seed=seed)
        columns = dict(zip(COLUMNS[:-1], list(zip(*table, strict=True))[:-1], strict=True))
        value = np.round(np.array([row[-1] for row in table]) / step) * step
        warnings = Study(value=np.round(value, decimals), **columns).design().warnings
        assert not any("equal to another" in text for text in warnings)


def test_pairs_that_are_equal_by_rounding_are_no_repeated_readings():
    rng = np.random.default_rng(3)
    subject = [f"S{k}" for k in range(40) for _ in range(2 + k % 2)]
    value = np.round(23.5 + 0.05 * rng.normal(size=len(subject)), 1)
    assert np.sum(np.diff(value) == 0.0) > 30
    assert repeated_readings(Study(value=value, subject=subject, method="m")) == 0
    pairs = Study(value=value[:80], subject=np.repeat(np.arange(40), 2), method="m")
    assert repeated_readings(pairs) == 0


def test_rows_entered_twice_are_counted():
    table = rows(20, decimals=3)
    table += table[11::-1]
    columns = dict(zip(COLUMNS[:-1], list(zip(*table, strict=True))[:-1], strict=True))
    warnings = Study(value=[row[-1] for row in table], **columns).design().warnings
    (told,) = [text for text in warnings if "equal to another" in text]
    assert int(told.split()[0]) >= 12


def test_rows_pasted_again_are_named_with_both_places(tmp_path):
    """Six rows of the first subject once more at the end; in another order nothing is said."""
    table = rows(20, decimals=3)
    study = Study.read_csv(save(tmp_path / "a.csv", table + table[:6]))
    (told,) = [text for text in study.design().warnings if "in the same order" in text]
    n = len(table)
    assert told.startswith(f"lines {n + 2} to {n + 7} repeat lines 2 to 7 in the same order")
    for rest in ([], table[:5], table[5::-1]):
        study = Study.read_csv(save(tmp_path / "b.csv", table + rest))
        assert not any("in the same order" in text for text in study.design().warnings)


@pytest.mark.parametrize("step", [0.01, 0.05, 0.1])
def test_rounding_makes_no_rows_pasted_again(step):
    """Scan by scan over all subjects, by a method that hardly scatters: like runs are by chance."""
    subject, longest = np.tile([f"S{k}" for k in range(30)], 5), 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        length_mm = np.tile(rng.normal(23.5, 1.0, 30), 5) + 0.02 * rng.normal(size=150)
        value = np.round(length_mm / step) * step
        assert repeated_block(Study(value=value, subject=subject, method="immersion"))[2] == 0
        same = np.r_[False, value[:120] == value[30:], False]
        ends = np.flatnonzero(~same)
        longest = max(longest, int(np.diff(ends).max()) - 1)
    # Without its own chance a run of six would have been told.
    assert (longest >= 6) == (step > 0.01)


def test_a_long_series_of_equal_readings_is_no_rows_pasted_again():
    """Every row is like every other: runs of any length, at any distance, but of one reading."""
    value = np.full(3000, 23.4)
    value[1500] = 23.5
    assert repeated_block(Study(value=value, subject="a", method="contact")) == (0, 0, 0)


# ------------------------------------------------------------------------- what programs write


def test_capitals_units_and_signs_in_the_names_of_columns(tmp_path):
    names = ("Subject", "EYE", "Method", "Operator ", "Sitting", "Axial length (mm)")
    same(
        Study.read_csv(save(tmp_path / "a.csv", rows(), names)),
        Study.read_csv(save(tmp_path / "b.csv", rows())),
    )
    doubled = (*names[:-2], "Length mm", "length_MM")
    assert "one but for the spelling" in refused(save(tmp_path / "c.csv", rows(), doubled))


def test_missing_words_a_separator_line_and_empty_columns(tmp_path):
    table = rows()
    for k, word in enumerate(["NA", "-", "", "n/a", "NaN", "."]):
        table[3 * k][-1] = word
    path = save(tmp_path / "a.csv", table)
    study = Study.read_csv(path)
    assert (study.n_readings, study.n_missing) == (138, 6)
    assert study.left_out == ("6 without a reading: lines 2, 5, 8, 11, 14 and 17",)
    text = path.read_text(encoding="utf-8").replace(",", ";").replace(".", ",")
    text = text.replace(";,", ";.").replace("\n", ";;;\n")
    other = tmp_path / "b.csv"
    other.write_bytes(("sep=;\r\n" + text).encode("utf-8-sig"))
    same(Study.read_csv(other), study)
    # Lines of the file: the line that names the separator is one.
    assert Study.read_csv(other).left_out[0].startswith("6 without a reading: lines 3, 6")


def test_latin_1_is_read(tmp_path):
    table = [[f"Ä{row[0]}", *row[1:]] for row in rows()]
    path = save(tmp_path / "a.csv", table)
    study = Study.read_csv(path)
    other = tmp_path / "b.csv"
    other.write_bytes(path.read_text(encoding="utf-8").encode("latin-1"))
    same(Study.read_csv(other), study)
    assert study.subject.present[0] == "ÄS0"


def test_a_workbook_is_refused_with_the_words_that_help(tmp_path, capsys):
    path = tmp_path / "study.xlsx"
    with zipfile.ZipFile(path, "w") as file:
        file.writestr("xl/workbook.xml", "<workbook/>")
    assert cli.main(["compare", str(path)]) == 2
    assert "save the sheet as CSV" in capsys.readouterr().err


def test_messages_count_lines_of_the_file(tmp_path):
    table = [[*row, k + 1] for k, row in enumerate(rows())]
    table[9] = table[7]
    path = tmp_path / "b.csv"
    # Row 8 stands in line 11, row 10 in line 13.
    lines = save(tmp_path / "a.csv", table, (*COLUMNS, "order")).read_text().splitlines()
    lines[3:3] = ["", ""]
    path.write_text("\n".join(lines), encoding="utf-8")
    assert "lines 11 and 13 are duplicates" in refused(path)


# What R 4 wrote (write.csv, write.csv2, write.table, each as it is by default), rows cut to four.
R_FILES = {
    "csv": '"","subject","eye","method","length_mm"\n"1","S1","right","contact",23.1\n'
    '"2","S1","right","contact",NA\n"3","S1","right","immersion",23.42\n'
    '"10","S2","right","immersion",24.1\n',
    "csv2": '"";"subject";"eye";"method";"length_mm"\n"1";"S1";"right";"contact";23,1\n'
    '"2";"S1";"right";"contact";NA\n"3";"S1";"right";"immersion";23,42\n'
    '"10";"S2";"right";"immersion";24,1\n',
    "table": '"subject" "eye" "method" "length_mm"\n"1" "S1" "right" "contact" 23.1\n'
    '"2" "S1" "right" "contact" NA\n"3" "S1" "right" "immersion" 23.42\n'
    '"10" "S2" "right" "immersion" 24.1\n',
    "table, tabs, no quotes": "subject\teye\tmethod\tlength_mm\n1\tS1\tright\tcontact\t23.1\n"
    "2\tS1\tright\tcontact\tNA\n3\tS1\tright\timmersion\t23.42\n10\tS2\tright\timmersion\t24.1\n",
    "table, no row names": '"subject" "eye" "method" "length_mm"\n"S1" "right" "contact" 23.1\n'
    '"S1" "right" "contact" NA\n"S1" "right" "immersion" 23.42\n'
    '"S2" "right" "immersion" 24.1\n',
}


@pytest.mark.parametrize("text", R_FILES.values(), ids=R_FILES)
def test_what_r_writes_is_read(tmp_path, text):
    path = tmp_path / "a.txt"
    path.write_text(text, encoding="utf-8")
    study = Study.read_csv(path)
    np.testing.assert_array_equal(study.value, [23.1, 23.42, 24.1])
    assert list(study.subject) == ["S1", "S1", "S2"]
    assert list(study.method) == ["contact", "immersion", "immersion"]
    assert study.left_out == ("1 without a reading: line 3",)


def test_a_row_with_a_cell_too_many_is_no_row_name(tmp_path):
    path = save(tmp_path / "a.csv", [[*row, "note"] for row in rows()])
    assert "7 cells, the header has 6" in refused(path)


def frame():
    pandas = pytest.importorskip("pandas")
    data = pandas.DataFrame(rows(), columns=list(COLUMNS))
    data.loc[4, "length_mm"] = np.nan
    return data


@pytest.mark.parametrize(
    "options",
    [{}, {"index": False}, {"sep": "\t"}, {"sep": ";", "decimal": ","}, {"na_rep": "NA"},
     {"quoting": 2}, {"encoding": "utf-16"}, {"index_label": "n"}, {"float_format": "%.4f"},
     {"lineterminator": "\r\n"}],
    ids=str,
)  # fmt: skip
def test_what_a_data_frame_writes_is_read(tmp_path, options):
    data = frame()
    path = tmp_path / "a.csv"
    data.to_csv(path, **options)
    study = Study.read_csv(path)
    kept = data.dropna()
    np.testing.assert_array_equal(study.value, kept["length_mm"])
    assert list(study.subject) == list(kept["subject"])
    assert study.left_out == ("1 without a reading: line 6",)


def test_what_measure_writes_is_read_and_goes_through_a_data_frame(tmp_path):
    pandas = pytest.importorskip("pandas")
    from test_agreement import clinic
    from test_compare_command import measured

    from echotrace.files.measurement_table import read_measurement_table
    from echotrace.files.table import write_measurement_table

    study = clinic(n=6)
    frames = []
    for method in ("contact", "immersion"):
        path = tmp_path / f"{method}.csv"
        result = measured(study.of_method(method))
        write_measurement_table(result, path)
        assert read_measurement_table(path).n_traces == result.n_traces
        read = Study.read_csv(path)
        same(read, Study.from_measurements(result))
        assert read.n_missing == (~result.accepted).sum()
        assert "off axis" in read.left_out[0]
        frames.append(pandas.read_csv(path))
    both = tmp_path / "both.csv"
    pandas.concat(frames).to_csv(both)
    found = compare_methods(Study.read_csv(both), n_bootstrap=0)
    expected = compare_methods(study, n_bootstrap=0)
    assert found.bias.value == pytest.approx(expected.bias.value, abs=1e-12)
    # Scans that count from 1 in each file do not say which method came first.
    assert found.design.order_confounded is None
    assert not any("equal to another" in text for text in found.warnings)


def test_compare_reads_tables_of_measure_as_files(tmp_path, capsys):
    from test_agreement import clinic
    from test_compare_command import measured

    from echotrace.files.table import write_measurement_table

    paths = []
    for method in ("contact", "immersion"):
        paths.append(str(tmp_path / f"{method}.csv"))
        write_measurement_table(measured(clinic(n=6).of_method(method)), paths[-1])
    assert cli.main(["compare", *paths]) == 0
    assert "In 10 eyes of 6 subjects" in capsys.readouterr().out


def test_identical_readings_are_said_and_raise_no_numerical_warning(recwarn):
    table = rows(24)
    for k, row in enumerate(table):
        if row[2] == "immersion":
            row[-1] = table[3 * (k // 3)][-1]
    columns = dict(zip(COLUMNS[:-1], list(zip(*table, strict=True))[:-1], strict=True))
    study = Study(value=[row[-1] for row in table], order=range(len(table)), **columns)
    result = compare_methods(study, n_bootstrap=50)
    assert result.spread is None
    assert any("identical by one of the methods" in text for text in result.warnings)
    repeat = repeatability(study, "immersion", n_bootstrap=50)
    assert repeat.within_sd.value == 0.0
    assert any("copies of one another" in note for note in repeat.notes)
    # One reading of all that differs: nothing is left without its subject.
    value = study.value.copy()
    value[3] += 0.01
    result = compare_methods(Study(value=value, order=range(len(table)), **columns), n_bootstrap=50)
    assert np.isfinite(result.spread.ratio.value)
    assert np.isnan(result.spread.ratio.low)
    assert not recwarn.list
