"""The reader of CSV tables: what spreadsheets and statistics programs save, and what is refused."""

from __future__ import annotations

import csv
import math
import re

import numpy as np
import pytest

from echotrace.errors import FileFormatError
from echotrace.files.csv_table import read_csv_table


def save(tmp_path, data):
    path = tmp_path / "table.csv"
    path.write_bytes(data if isinstance(data, bytes) else data.encode("utf-8"))
    return path


ROWS = [["S1", "23.41", "true"], ["S2", "", "false"], ["Ä 3", "-1.5", "yes"]]


def same(table):
    assert table.names == ("subject", "length_mm", "accepted")
    assert table.texts("subject") == ["S1", "S2", "Ä 3"]
    np.testing.assert_array_equal(table.numbers("length_mm"), [23.41, math.nan, -1.5])
    assert table.truths("accepted").tolist() == [True, False, True]


HEAD = "subject,length_mm,accepted\n"
PLAIN = HEAD + "".join(",".join(row) + "\n" for row in ROWS)


@pytest.mark.parametrize(
    "data",
    [
        PLAIN,
        PLAIN.encode("utf-8-sig"),
        PLAIN.encode("utf-16"),
        PLAIN.encode("latin-1"),
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace(",", "\t"),
        PLAIN.replace(",", ";").replace(".", ","),
        "sep=;\n" + PLAIN.replace(",", ";").replace(".", ","),
        PLAIN.replace("\n", ",,\n"),
        PLAIN.replace("\n", "\n\n"),
        PLAIN.replace("S2,,", "S2,NA,").replace("true", "TRUE").replace("false", "0"),
        '"subject","length_mm","accepted"\n"S1",23.41,"true"\n"S2",NA,"false"\n"Ä 3",-1.5,"yes"\n',
    ],
    ids=["plain", "mark", "utf-16", "latin-1", "crlf", "tabs", "semicolons", "sep line",
         "empty columns", "empty lines", "NA", "quoted"],
)  # fmt: skip
def test_ways_to_save_one_table(tmp_path, data):
    same(read_csv_table(save(tmp_path, data)))


def test_rows_are_those_of_the_standard_reader(tmp_path):
    text = 'a,b\n"x, y","line\nbreak"\n3,"say ""yes"""\n'
    path = save(tmp_path, text)
    with path.open(newline="", encoding="utf-8") as file:
        expected = list(csv.reader(file))[1:]
    table = read_csv_table(path)
    assert [list(row) for row in table.rows] == expected
    # Lines of the file, not rows: the first row takes two of them.
    assert table.lines == (2, 4)


def test_some_rows_keep_their_lines(tmp_path):
    part = read_csv_table(save(tmp_path, PLAIN)).select([False, True, True])
    assert part.lines == (3, 4)
    assert part.texts("subject") == ["S2", "Ä 3"]
    assert part.texts("length_mm", "none") == ["none", "-1.5"]
    assert part.texts("eye", "right") == ["right", "right"]
    assert len(part) == 2


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "the file is empty"),
        (b"\n \n", "the file is empty"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "binary data"),
        (b"a,b\n\x81,2\n", "not a text file"),
        (b"a,a\n1,2\n", "line 1: column 'a' occurs twice"),
        (b"a,,b\n1,2,3\n,,\n1,,3\n", ""),
        (b"a,,,b\n1,2,3,4\n", "a column has no name"),
        (b"\na,b\n1,2\n\n1,2,3\n", "line 5 has 3 cells, the header has 2"),
        (b'a,b\n1,2\n"3,4\n', "line 3: not a table"),
        (
            b"a,b\n1,23,4\n5,6\n",
            "has 3 cells, the header has 2; a number with a decimal comma",
        ),
        (b"Eyes of May\n\na,b\n1,2\n", "must stand first: remove 'Eyes of May' above them"),
        (b"Eyes,,\na,b,c\n1,2,3\n", "must stand first: remove 'Eyes,,' above them"),
    ],
)
def test_what_is_no_table_is_told_in_one_line(tmp_path, data, message):
    path = save(tmp_path, data)
    if not message:
        assert read_csv_table(path).names == ("a", "", "b")
        return
    with pytest.raises(FileFormatError, match=re.escape(message)) as caught:
        read_csv_table(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)


def test_missing_file_is_told():
    with pytest.raises(FileFormatError, match=r"absent\.csv: cannot be read"):
        read_csv_table("absent.csv")


@pytest.mark.parametrize(
    ("ask", "cell", "message"),
    [
        (lambda table: table.numbers("x"), "23,4", "'23,4' is not a number"),
        (lambda table: table.numbers("x"), "2_3", "'2_3' is not a number"),
        (lambda table: table.numbers("x"), "inf", "'inf' must be finite"),
        (lambda table: table.numbers("x", least=0.0), "-1", "'-1' must be 0 or more"),
        (lambda table: table.whole_numbers("x"), "1.5", "'1.5' is not a whole number"),
        (lambda table: table.whole_numbers("x"), "", "'' is not a whole number"),
        (lambda table: table.truths("x"), "maybe", "'maybe' is neither true nor false"),
    ],
)
def test_cells_that_are_not_what_they_should_be(tmp_path, ask, cell, message):
    table = read_csv_table(save(tmp_path, f'y,x\n1,1\n2,"{cell}"\n'))
    with pytest.raises(FileFormatError, match=re.escape(f"line 3, column 'x': {message}")):
        ask(table)
