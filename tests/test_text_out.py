"""Names and texts that go out: to a terminal, a page, a picture, a table, JSON."""

import csv
import io
import json
import math
import warnings

import pytest
from closed_form import eye_traces, recording_of
from hypothesis import given
from hypothesis import strategies as st

from echotrace.cli import main
from echotrace.errors import ParameterError
from echotrace.files.csv_table import read_csv_table
from echotrace.files.native import write_recording
from echotrace.files.table import Field, write_table
from echotrace.media import medium
from echotrace.target import Interface, Segment, Target
from echotrace.text_out import from_cell, json_text, one_line, picture_text, table_cell, visible

HOSTILE = [
    "\x1b[31mred", "a\x07b", "left\nright", "=HYPERLINK(1)", "+1", "-1+2", "@SUM(A1)", "'=x",
    "$\\frac{1}$", "100$", "$x$ and $y", "日本語", "\u202eevil", "x" * 5000, "a\u2028b", "\x85",
    "<script>alert(1)</script>", "&amp;", "\\", "{0}", "%s", "'", '"',
]  # fmt: skip


def steers(text):
    return any(ord(c) < 0x20 and c != "\n" for c in text) or any(
        c in text for c in "\x7f\x85\x9b\u2028\u2029\u202e\u2066\u200f"
    )


@given(st.text(st.characters()))
def test_no_text_steers_a_terminal(text):
    assert not steers(visible(text))
    assert "\n" not in one_line(text)
    one_line(text).encode("utf-8")
    assert len(one_line(text, 30)) <= 30


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_cells_come_back_and_are_no_formulas(text):
    cell = table_cell(text)
    assert from_cell(cell) == text
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r"))


@pytest.mark.parametrize("name", HOSTILE)
def test_every_name_can_be_drawn_without_a_warning(name):
    import matplotlib

    from echotrace.figures.style import new_figure

    figure = new_figure(5.0, 3.0)
    ax = figure.add_subplot()
    ax.set_title(picture_text(name))
    ax.set_xticks([0.5], [picture_text(name)])
    with warnings.catch_warnings(), matplotlib.rc_context({"svg.fonttype": "none"}):
        warnings.simplefilter("error")
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg")
        figure.savefig(io.BytesIO(), format="png")
    assert len(picture_text(name).replace("\\$", "$")) <= 32
    assert not steers(buffer.getvalue())
    assert ax.get_position().width > 0.3


def test_json_is_always_valid():
    text = json_text({"a": math.inf, "b": [math.nan, -math.inf], "c": "−°\x1b\udce9"})
    assert json.loads(text) == {"a": "infinite", "b": [None, "-infinite"], "c": "−°\x1b\udce9"}
    assert json.loads(json_text({"°": 1}, "ascii")) == {"°": 1}
    json_text({"°": "µ"}, "ascii").encode("ascii")


def test_table_cells(tmp_path):
    path = tmp_path / "t.csv"
    names = [name for name in HOSTILE if not steers(name) and "\n" not in name]
    field = Field(name="subject", type="string", description="x")
    write_table(path, [field], {"subject": names})
    with path.open(newline="", encoding="utf-8") as file:
        cells = [row[0] for row in csv.reader(file)][1:]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]
    assert read_csv_table(path).texts("subject") == [name.strip() for name in names]


@pytest.mark.compiled
@pytest.mark.parametrize("name", ["\x1b[31mred", "=1+1", "left\nright", "$x_{$", "\u202eevil"])
def test_labels_of_a_file_through_every_output(tmp_path, name, capsys):
    source = tmp_path / "r.h5"
    write_recording(recording_of(eye_traces(3), subject=name, operator=name), source)
    out = [tmp_path / "m.csv", tmp_path / "m.h5", tmp_path / "m.html"]
    words = ["-o", str(out[0]), "-o", str(out[1]), "--report", str(out[2])]
    assert main(["measure", str(source), *words]) in (0, 1)
    assert main(["inspect", str(source)]) == 0
    assert main(["inspect", str(out[1])]) == 0
    printed = capsys.readouterr()
    assert not steers(printed.out)
    assert printed.err == ""
    assert not steers(out[2].read_text(encoding="utf-8"))
    with out[0].open(newline="", encoding="utf-8") as file:
        row = next(csv.DictReader(file))
    assert not row["subject"].startswith(("=", "\x1b"))


def test_agreement_with_hostile_names(tmp_path, capsys):
    for k, name in enumerate(HOSTILE[:1] + HOSTILE[8:13:2] + HOSTILE[13:14] + HOSTILE[16:17]):
        path = tmp_path / f"{k}.csv"
        with path.open("w", newline="", encoding="utf-8") as file:
            rows = csv.writer(file)
            rows.writerow(["subject", "eye", "method", "operator", "sitting", "axial_length_mm"])
            for subject in range(5):
                for method, more in (("contact", 0.0), (name, 0.1)):
                    for n in range(3):
                        length = 23 + 0.3 * subject + more * (1 + subject % 3) + 0.02 * n
                        rows.writerow([f"S{subject}", "right", method, name, "1", length])
        page, table = tmp_path / f"{k}.html", tmp_path / f"out{k}.csv"
        figure = tmp_path / f"{k}.svg"
        words = ["--report", str(page), "-o", str(table), "--figure", str(figure)]
        code = main(["compare", str(path), *words])
        printed = capsys.readouterr()
        assert "unexpected" not in printed.err
        assert not steers(printed.out)
        if code == 0:
            for one in (page, figure):
                assert not steers(one.read_text(encoding="utf-8"))
            assert "<script>" not in page.read_text(encoding="utf-8")
        else:
            assert printed.err.count("\n") == 1


@pytest.mark.parametrize(
    "name", ["", "a/b", "a b", "1a", "x" * 41, "a\x00", "a\udce9", "axial_length", "a\n"]
)
def test_interface_names_that_no_file_can_hold_are_refused_at_once(name):
    water = medium("aqueous")
    segment = Segment(name="s", medium=water, mean_mm=1.0, sd_mm=0.5, range_mm=(0.5, 2.0))
    ends = (Interface(name="a"), Interface(name="b"))
    good = Target(name="t", interfaces=ends, segments=(segment,), length_from="a", length_to="b")
    assert good.interface_names == ("a", "b")
    with pytest.raises(ParameterError, match="cannot be called that"):
        Target(
            name="t", interfaces=(ends[0], Interface(name=name)), segments=(segment,),
            length_from="a", length_to=name,
        )  # fmt: skip
    with pytest.raises(ParameterError, match="cannot be called that"):
        Target(
            name="t", interfaces=ends, length_from="a", length_to="b",
            segments=(Segment(name=name, medium=water, mean_mm=1.0, sd_mm=0.5,
                              range_mm=(0.5, 2.0)),),
        )  # fmt: skip
