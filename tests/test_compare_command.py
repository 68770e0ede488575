"""The compare command and the figures: what they write, that others can read it, how they fail."""

from __future__ import annotations

import csv
import importlib.util
import json
import re
import subprocess
import sys

import numpy as np
import pytest
from test_agreement import clinic

from echotrace import cli
from echotrace.agreement.compare import compare_methods
from echotrace.figures import agreement as figures


@pytest.fixture(autouse=True)
def _registered(monkeypatch):
    monkeypatch.setitem(cli._COMMANDS, "compare", "compare")


def write_csv(path, study, methods=None):
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        names = ("subject", "eye", "method", "operator", "sitting")
        writer.writerow([*names, "order", "length_mm"])
        for k in range(study.n_readings):
            if methods is None or study.method[k] in methods:
                labels = [getattr(study, name)[k] for name in names]
                writer.writerow([*labels, k, f"{study.value[k]:.4f}"])
    return path


@pytest.fixture
def table(tmp_path):
    return write_csv(tmp_path / "study.csv", clinic(n=12, operators=2))


def test_text_is_a_summary(table, capsys):
    assert cli.main(["compare", str(table), "--margin", "0.1"]) == 0
    out = capsys.readouterr().out
    for words in ("The design allows", "shorter than immersion", "repeatability limit", "Warning:",
                  "Not a medical device", "two one-sided tests"):  # fmt: skip
        assert words in " ".join(out.split())
    assert max(len(line) for line in out.splitlines()) <= 88


def test_json_is_json(table, capsys):
    assert cli.main(["compare", str(table), "--json"]) == 0
    loaded = json.loads(capsys.readouterr().out)
    assert loaded["label_a"] == "contact"
    assert loaded["limits"]["lower"]["value"] < loaded["bias"]["value"]
    assert "medical" in loaded["caution"]


def test_two_files_give_what_one_gives(tmp_path, table, capsys):
    study = clinic(n=12, operators=2)
    a = write_csv(tmp_path / "a.csv", study, ("contact",))
    b = write_csv(tmp_path / "b.csv", study, ("immersion",))
    assert cli.main(["compare", str(a), str(b), "--json"]) == 0
    two = json.loads(capsys.readouterr().out)
    assert cli.main(["compare", str(table), "--json"]) == 0
    one = json.loads(capsys.readouterr().out)
    assert two["bias"] == one["bias"]
    assert two["limits"] == one["limits"]


def test_table_reads_back_and_fits_its_schema(tmp_path, table):
    out = tmp_path / "eyes.csv"
    assert cli.main(["compare", str(table), "-o", str(out)]) == 0
    schema = json.loads((tmp_path / "eyes.schema.json").read_text(encoding="utf-8"))
    with out.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [field["name"] for field in schema["fields"]] == list(rows[0])
    result = compare_methods(clinic(n=12, operators=2), n_bootstrap=0)
    assert len(rows) == result.n_eyes
    np.testing.assert_allclose(
        [float(row["difference_mm"]) for row in rows], result.difference, atol=1e-4
    )


@pytest.mark.skipif(not importlib.util.find_spec("frictionless"), reason="needs frictionless")
def test_frictionless_accepts_the_table_and_refuses_a_spoiled_one(tmp_path, table):
    out = tmp_path / "eyes.csv"
    assert cli.main(["compare", str(table), "-o", str(out)]) == 0
    command = [sys.executable, "-m", "frictionless", "validate", "eyes.csv", "--schema",
               "eyes.schema.json"]  # fmt: skip
    assert subprocess.run(command, cwd=tmp_path, capture_output=True, check=False).returncode == 0
    text = out.read_text(encoding="utf-8")
    out.write_text(text.replace("0.", "zero.", 1), encoding="utf-8")
    assert subprocess.run(command, cwd=tmp_path, capture_output=True, check=False).returncode == 1


def test_report_is_one_page_with_its_figures_and_warnings(tmp_path, table):
    page = tmp_path / "page.html"
    assert cli.main(["compare", str(table), "--report", str(page)]) == 0
    text = page.read_text(encoding="utf-8")
    assert text.count("<svg") == 5
    assert "By operator" in text
    assert "not independent" in text
    assert "Not a medical device" in text
    assert not re.search(r"(src|href)=\"https?:", text)


def test_labels_cannot_break_the_page(tmp_path):
    study = clinic(n=8)
    names = ("<script>alert(1)</script>", "b & c")
    contact = study.of_method("contact").relabelled(names[0])
    immersion = study.of_method("immersion").relabelled(names[1])
    from echotrace.report.agreement_page import write_agreement_page

    page = tmp_path / "page.html"
    write_agreement_page(str(page), compare_methods(contact, immersion, n_bootstrap=0))
    text = page.read_text(encoding="utf-8")
    assert "<script>alert" not in text
    assert "&lt;script&gt;" in text


@pytest.mark.parametrize("suffix", ["pdf", "svg", "png"])
def test_figures_are_written(tmp_path, table, suffix):
    path = tmp_path / f"figure.{suffix}"
    assert cli.main(["compare", str(table), "--figure", str(path)]) == 0
    assert path.stat().st_size > 5000


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["missing.csv"], "missing.csv"),
        (["{table}", "--figure", "{tmp}/figure.bmp"], ".png or .pdf or .svg"),
        (["{table}", "--methods", "contact", "laser"], "no readings by method 'laser'"),
        (["{table}", "--confidence", "95"], "--confidence: '95' must lie between"),
        (["{table}", "--report", "{tmp}/no/page.html"], "cannot be written"),
        (["{table}", "{table}"], "say which method is A"),
    ],
)
def test_bad_input_is_one_line_and_exit_code_2(tmp_path, table, capsys, arguments, message):
    filled = [item.format(table=table, tmp=tmp_path) for item in arguments]
    assert cli.main(["compare", *filled]) == 2
    error = capsys.readouterr().err
    assert message in error
    assert error.count("\n") == 1


def test_a_measured_file_is_compared(tmp_path, capsys):
    native = pytest.importorskip("echotrace.files.native")
    study = clinic(n=6)
    paths = []
    for method in ("contact", "immersion"):
        path = tmp_path / f"{method}.h5"
        native.write_measurement(measured(study.of_method(method)), path)
        paths.append(str(path))
    assert cli.main(["compare", *paths, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    expected = compare_methods(study)
    assert found["bias"]["value"] == pytest.approx(expected.bias.value, abs=1e-9)


def measured(study):
    """A measurement with the lengths of a study, every seventh scan rejected and far off."""
    from echotrace.measurement import Measurement
    from echotrace.recording import Column

    n = study.n_readings
    n_all = n + n // 6
    rows = np.sort(np.concatenate([np.arange(n), np.arange(0, n, 6)[: n // 6]]))
    spoiled = np.concatenate([[False], rows[1:] == rows[:-1]])
    length = study.value[rows] + np.where(spoiled, 3.0, 0.0)
    columns = {name: getattr(study, name).take(rows)
               for name in ("subject", "eye", "method", "operator", "sitting")}  # fmt: skip
    for name in ("lens_state", "lens_material", "vitreous", "target"):
        columns[name] = Column.of("phakic" if name == "lens_state" else "none", n_all, name)
    return Measurement(
        interfaces=("cornea_front", "retina"),
        segments=("whole",),
        delay_us=np.zeros((n_all, 2)),
        delay_u_us=np.zeros((n_all, 2)),
        length_mm=length[:, None],
        axial_length_mm=length,
        axial_length_u_mm=np.full(n_all, 0.01),
        axial_length_u_shared_mm=np.full(n_all, 0.01),
        length_right=np.where(spoiled, 0.1, 0.9),
        aligned=np.where(spoiled, 0.1, 0.9),
        findings=spoiled.astype(np.uint64),
        finding_names=("off_axis",),
        accepted=~spoiled,
        decided_by=np.zeros(n_all, np.uint8),
        **columns,
    )


def test_rejected_scans_count_only_when_asked_for():
    study = clinic(n=6)
    parts = [measured(study.of_method(method)) for method in ("contact", "immersion")]
    accepted = compare_methods(*parts, n_bootstrap=0)
    assert accepted.bias.value == pytest.approx(compare_methods(study).bias.value)
    from echotrace.agreement.study import Study

    everything = Study.from_measurements(parts, all_scans=True)
    assert everything.n_readings > Study.from_measurements(parts).n_readings
    assert Study.from_measurements(parts).n_missing > 0


# ----------------------------------------------------------------------------------- figures


@pytest.fixture(scope="module")
def result():
    return compare_methods(clinic(n=20, operators=2), n_bootstrap=0)


def test_difference_plot_shows_bias_and_limits(result):
    ax = figures.difference_plot(result)
    levels = [line.get_ydata()[0] for line in ax.lines]
    for value in (result.bias.value, result.limits.lower.value, result.limits.upper.value):
        assert any(abs(level - value) < 1e-12 for level in levels)
    assert ax.get_ylabel() == "contact − immersion (mm)"
    assert len(ax.collections[-1].get_offsets()) == result.n_eyes


@pytest.mark.parametrize(
    "plot",
    [figures.difference_plot, figures.spread_plot, figures.paired_plot, figures.operator_plot,
     figures.scatter_plot],
)  # fmt: skip
def test_plots_fit_one_column_and_draw_into_given_axes(result, plot):
    from echotrace.figures.style import new_figure

    ax = plot(result)
    assert ax.figure.get_figwidth() * 25.4 == pytest.approx(85.0)
    sizes = [text.get_fontsize() for text in (ax.xaxis.label, ax.yaxis.label)]
    sizes += [label.get_fontsize() for label in ax.get_xticklabels()]
    assert min(sizes) >= 6.5
    given = new_figure().add_subplot()
    assert plot(result, given) is given


def test_single_readings_are_drawn_too():
    study = clinic(n=10)
    _, first = np.unique(study.group("subject", "eye", "method"), return_index=True)
    single = compare_methods(study.select(np.sort(first)), n_bootstrap=0)
    assert single.repeatability_a is None
    assert "length" in figures.paired_plot(single).get_ylabel()
    assert any("single readings" in text.get_text() for text in figures.spread_plot(single).texts)
    figures.agreement_figure(single).savefig("/dev/null", format="pdf")
