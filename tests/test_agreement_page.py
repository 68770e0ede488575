"""What a comparison reports: the page's lines, digits, margins, methods, references, figures."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

import numpy as np
import pytest
from test_agreement import clinic
from test_compare_command import measured, write_csv

from echotrace import cli
from echotrace.agreement.compare import compare_methods
from echotrace.agreement.limits import TOO_FEW
from echotrace.agreement.methods_text import methods_paragraph
from echotrace.agreement.references import REFERENCES, bibtex
from echotrace.agreement.study import Study
from echotrace.agreement.text import NOT_MODELLED, decimals, paragraph
from echotrace.errors import ParameterError
from echotrace.report.agreement_page import lines_of, write_agreement_page
from echotrace.report.agreement_rows import answer_rows, limit_rows, method_rows, rows_of


def lines(result):
    return {name: " ".join(text) for name, text in lines_of(result, {"echotrace": "x"})}


# --------------------------------------------------------------------------------- the margin


def test_bias_and_limits_answer_a_margin_apart():
    """A bias of 0.2 mm lies within 0.3 mm while single readings reach beyond it."""
    result = compare_methods(clinic(n=30), margin_mm=0.3, n_bootstrap=0)
    found = result.equivalence
    single = "limits of single readings, one operator"
    assert found.equivalent["bias"]
    assert not found.equivalent[single]
    assert found.limits[single] == "beyond"
    assert result.limits_reading.lower.value < -0.3
    text = " ".join(result.text().split())
    assert "The bias lies within ±0.3 mm" in text
    assert re.search(r"limits of single readings.*reach beyond ±0.3 mm", text)
    # Between the limit and the outer end of its interval nothing is shown.
    between = -0.5 * (result.limits.lower.value + result.limits.lower.low)
    found = compare_methods(clinic(n=30), margin_mm=between, n_bootstrap=0).equivalence
    means = "limits of means of a sitting, one operator"
    assert found.limits[means] == "not shown to lie within"
    assert not found.equivalent[means]
    wide = compare_methods(clinic(n=30), margin_mm=2.0, n_bootstrap=0)
    assert set(wide.equivalence.limits.values()) == {"within"}
    assert all(wide.equivalence.equivalent.values())


def test_limits_without_intervals_are_never_shown_to_lie_within():
    result = compare_methods(clinic(n=12, operators=2), margin_mm=5.0, n_bootstrap=0)
    assert result.limits.lower.how == TOO_FEW
    assert result.equivalence.equivalent["bias"]
    assert set(result.equivalence.limits.values()) == {"not shown to lie within"}
    assert TOO_FEW in result.text()


def test_the_margin_is_drawn():
    from echotrace.figures.agreement import difference_plot

    ax = difference_plot(compare_methods(clinic(n=12), margin_mm=0.31, n_bootstrap=0))
    levels = [line.get_ydata()[0] for line in ax.lines]
    assert {-0.31, 0.31} <= set(levels)
    assert any("margin ±0.31 mm" in text.get_text() for text in ax.texts)


def test_json_says_which_is_equivalent(tmp_path, capsys):
    path = write_csv(tmp_path / "a.csv", clinic(n=12))
    assert cli.main(["compare", str(path), "--margin", "0.3", "--json"]) == 0
    loaded = json.loads(capsys.readouterr().out)
    assert set(loaded["equivalence"]["equivalent"]) == {
        "bias",
        "limits of means of a sitting, one operator",
        "limits of single readings, one operator",
    }
    assert set(loaded["made_with"]) == {"echotrace", "Python", "numpy", "scipy"}
    assert loaded["methods"]["references"]
    assert loaded["files"][0]["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()


# --------------------------------------------------------------------------- lines of the page


def test_the_page_has_every_line(tmp_path):
    path = tmp_path / "study.csv"
    write_csv(path, clinic(n=14, operators=3))
    with path.open("a", encoding="utf-8") as file:
        file.write("S00,right,contact,op0,1,99999,NA\n")
    result = compare_methods(Study.read_csv(path), margin_mm=0.3, n_bootstrap=30, seed=7)
    found = lines(result)
    assert hashlib.sha256(path.read_bytes()).hexdigest() in found["Source files"]
    assert "echotrace x" in found["Made with"]
    assert "30 draws, seed 7" in found["Made with"]
    assert "14 subjects" in found["Numbers measured"]
    assert "operators: op0, op1, op2" in found["Numbers measured"]
    assert found["Readings in each mean"] == "contact: 3 to 5. immersion: 3 to 5."
    n_lines = len(path.read_text(encoding="utf-8").splitlines())
    assert f"1 without a reading: line {n_lines}" in found["Left out"]
    assert "± 1.96 SD" in found["How limits are defined"]
    assert "different operators: intervals by generalised pivots" in found["How limits are defined"]
    assert re.search(
        r"Shapiro-Wilk p [=<] 0\.\d+, means by subject without what operators add; skewness",
        found["Normality of differences"],
    )
    assert found["Spread against length"].count("Kendall's tau") == 3
    assert re.search(r"Bias: \d+", found["Degrees of freedom"])
    assert "holds more often than it says" in found["Degrees of freedom"]
    assert found["SD within sittings by operator"].count("contact 0.1") == 3
    assert "do not say" in found["Kind of data"]
    assert "±0.3 mm" in found["Margin"]


def test_tau_and_normality_are_those_of_scipy():
    import scipy

    result = compare_methods(clinic(n=25), n_bootstrap=0)
    rest = np.abs(result.difference - result.bias.value)
    tau = scipy.stats.kendalltau(rest, result.average)
    assert (result.difference_tau, result.difference_tau_p) == pytest.approx(tuple(tau))
    assert result.normality_p == pytest.approx(scipy.stats.shapiro(result.difference).pvalue)


def test_rejected_scans_are_listed_with_their_reasons():
    parts = [measured(clinic(n=6).of_method(method)) for method in ("contact", "immersion")]
    studies = [Study.from_measurements(part, source=f"{k}.h5") for k, part in enumerate(parts)]
    found = lines(compare_methods(*studies, n_bootstrap=0))["Left out"]
    assert "0.h5" in found
    assert "not accepted (off axis): scans 2, 9" in found


def test_every_line_that_the_guide_names_is_on_the_page():
    """The table of the reporting guidelines speaks of lines that are there."""
    guide = Path(__file__).parents[1] / ".docs" / "agreement.md"
    rows = [row for row in guide.read_text(encoding="utf-8").splitlines() if row.startswith("| ")]
    items = [row.split("|")[1].strip() for row in rows]
    assert [item for item in items[:17] if item.isdigit()] == [str(k) for k in range(1, 16)]
    named = {name for row in rows for name in re.findall(r"\*([^*]+)\*", row)}
    template = Path(cli.__file__).parent / "report" / "templates" / "agreement.html.j2"
    heads = set(re.findall(r"<h2>([^<]+)</h2>", template.read_text(encoding="utf-8")))
    study = clinic(n=14, operators=3)
    there = heads | set(lines(compare_methods(study, margin_mm=0.3, n_bootstrap=0)))
    assert named - there == {"how the interval was made"}
    assert "how the interval was made" in template.read_text(encoding="utf-8")


# ------------------------------------------------------------------------------ synthetic data


def test_synthetic_traces_are_called_so_before_any_ratio(tmp_path, capsys):
    import dataclasses

    from echotrace.files.native import write_measurement

    paths = []
    for method in ("contact", "immersion"):
        result = measured(clinic(n=8).of_method(method))
        paths.append(str(tmp_path / f"{method}.h5"))
        attributes = {"source": "synthetic: invented eyes"}
        write_measurement(dataclasses.replace(result, attributes=attributes), paths[-1])
    page = tmp_path / "page.html"
    assert cli.main(["compare", *paths, "--report", str(page)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert out.startswith("Synthetic traces: invented data, no patient.")
    assert NOT_MODELLED in out
    assert "a ratio of" not in out
    assert "equal spreads" not in out
    text = page.read_text(encoding="utf-8")
    head, rest = text.split("<h2>Result</h2>")
    assert "Synthetic traces: invented data" in head
    assert NOT_MODELLED in head
    assert "repeatability SD" not in head
    assert "of these synthetic traces" in rest
    table = tmp_path / "eyes.csv"
    assert cli.main(["compare", *paths, "-o", str(table), "--json"]) == 0
    loaded = json.loads(capsys.readouterr().out)
    assert loaded["synthetic"]
    assert loaded["spread"]["caveat"] == f"{NOT_MODELLED}."
    assert "ratio of" not in loaded["text"].replace("any ratio to", "")
    schema = table.with_name("eyes.schema.json").read_text(encoding="utf-8")
    assert NOT_MODELLED in schema
    # Readings of people are compared as before.
    plain = compare_methods(clinic(n=8), n_bootstrap=0)
    assert not plain.synthetic
    assert plain.spread.caveat == ""
    assert "for equal spreads" in plain.text()
    told = {row[0]: row[1] for row in answer_rows(plain)}
    for method, repeat in (
        ("contact", plain.repeatability_a),
        ("immersion", plain.repeatability_b),
    ):
        sd, wide = repeat.within_sd, repeat.wider
        assert sd.high < wide.high
        ends = [f"{item.low:.3f} to {item.high:.3f}" for item in (sd, wide)]
        assert told[f"repeatability SD, {method}"] == (
            f"{sd.value:.3f} mm (95 % interval {ends[0]}; should tails be heavy {ends[1]})"
        )


# -------------------------------------------------------------------------------------- digits


@pytest.mark.parametrize(
    ("uncertainty", "unit", "places"),
    [(0.123, "mm", 2), (0.05, "mm", 2), (0.0075, "mm", 3), (0.0001, "mm", 3), (0.6, "mm", 2),
     (25.0, "", 0),
     (0.0001, "", 5), (float("nan"), "", 3)],
)  # fmt: skip
def test_digits_follow_the_uncertainty(uncertainty, unit, places):
    assert decimals(uncertainty, unit) == places


def test_no_four_decimals_of_a_millimetre_and_no_noise_of_arithmetic(tmp_path, capsys):
    path = write_csv(tmp_path / "a.csv", clinic(n=30, operators=3))
    result = compare_methods(Study.read_csv(path), margin_mm=0.3, n_bootstrap=0)
    for _, value, interval, _ in rows_of(result):
        if value.endswith(" mm"):
            assert not re.search(r"\d\.\d{4}", f"{value} {interval}")
    lengths = [row for row in method_rows(result) if row[1].endswith(" mm")]
    assert len(lengths) > 4
    assert not re.search(r"\d\.\d{4}", str([lengths, limit_rows(result), answer_rows(result)]))
    assert not re.search(r"\d\.\d{4,} mm", result.text())
    out = tmp_path / "eyes.csv"
    assert cli.main(["compare", str(path), "-o", str(out), "--json"]) == 0
    assert not re.search(r"\d\.\d{7,}", out.read_text(encoding="utf-8"))
    mantissas = re.findall(r"\d+\.\d+", capsys.readouterr().out)
    assert max(len(text.replace(".", "").lstrip("0")) for text in mantissas) <= 10


def test_a_cv_is_given_only_where_the_spread_grows_with_the_length():
    plain = compare_methods(clinic(n=30), n_bootstrap=0)
    assert plain.repeatability_b.cv_percent is None
    assert not any("CV" in row[0] for row in method_rows(plain))
    study = clinic(n=60, both_eyes=False)
    rng = np.random.default_rng(0)
    level = study.value.copy()
    for key in np.unique(study.group("subject")):
        rows = study.group("subject") == key
        level[rows] = 22.0 + 0.1 * key
    value = level * (1.0 + 0.004 * (1.0 + (level - 22.0)) * rng.normal(size=level.size))
    grows = compare_methods(
        Study(value=value, subject=list(study.subject), method=list(study.method),
              order=study.order), n_bootstrap=0,
    )  # fmt: skip
    assert grows.repeatability_a.cv_percent.value > 0
    assert next(row for row in method_rows(grows) if row[0] == "CV")[1].endswith(" %")


def test_forms_of_the_intraclass_correlation_are_in_words():
    result = compare_methods(clinic(n=14, operators=3), n_bootstrap=0)
    rows = {row[0]: row for row in method_rows(result)}
    row = rows[
        "intraclass correlation ICC(A,1): one operator's mean, two-way random effects, absolute "
        "agreement"
    ]
    for cell, repeat in zip(
        row[1:5:2], (result.repeatability_a, result.repeatability_b), strict=True
    ):
        assert float(cell) == pytest.approx(repeat.icc["ICC(A,1)"].value, abs=1e-3)
    assert sum("consistency" in name for name in rows) == 2


def test_the_answer_comes_first_and_limits_have_a_row_each(tmp_path):
    result = compare_methods(clinic(n=24, operators=3), margin_mm=0.3)
    answer = answer_rows(result)
    assert [row[0] for row in answer] == [
        "bias contact − immersion",
        "limits of agreement, means of a sitting, same operator",
        "limits of agreement, single readings, same operator",
        "repeatability SD, contact",
        "repeatability SD, immersion",
    ]
    assert [row[2] for row in answer] == ["within ±0.3 mm", *["beyond ±0.3 mm"] * 2, "", ""]
    assert [row[0] for row in limit_rows(result)] == [item.label for item in result.all_limits]
    page = tmp_path / "page.html"
    write_agreement_page(str(page), result)
    heads = re.findall(r"<h2>([^<]+)</h2>", page.read_text(encoding="utf-8"))
    assert heads == ["Answer", "Result", "Figures", "Numbers", "By operator",
                     "How these numbers were made", "Methods paragraph"]  # fmt: skip


# --------------------------------------------------------------- methods, references, figures


@pytest.mark.parametrize(
    ("study", "has", "lacks"),
    [
        (dict(n=12), {"zou2013", "bland2007"}, {"efron1993", "patterson1971", "mcgraw1996"}),
        (dict(n=14, operators=3), {"weerahandi1993", "patterson1971", "mcgraw1996"}, {"zou2013"}),
    ],
)
def test_only_what_was_computed_is_cited(study, has, lacks):
    result = compare_methods(clinic(**study), margin_mm=0.3, n_bootstrap=0)
    text, references = methods_paragraph(result, {"echotrace": "x"})
    keys = {item.key for item in references}
    assert has | {"kottner2011", "schuirmann1987"} <= keys
    assert not lacks & keys
    numbers = {int(n) for group in re.findall(r"\[([\d,]+)\]", text) for n in group.split(",")}
    assert numbers == set(range(1, len(references) + 1))


@pytest.mark.parametrize(("n", "told"), [(30, True), (160, False)])
def test_text_and_methods_name_the_wider_intervals_while_tails_cannot_be_told(n, told):
    """Of a study with normal differences; from 146 subjects on a test tells heavy tails."""
    rng = np.random.default_rng(5)
    subject = np.repeat(np.arange(n), 2)
    method = np.tile(["contact", "immersion"], n)
    length_mm = np.repeat(rng.normal(23.5, 1.0, n), 2) - 0.1 * (method == "contact")
    length_mm += np.where(method == "contact", np.repeat(0.08 * rng.normal(size=n), 2), 0.0)
    study = Study(value=length_mm, subject=[f"S{k}" for k in subject], method=method)
    result = compare_methods(study, n_bootstrap=0)
    assert result.normality_p > 0.05
    methods, references = methods_paragraph(result, {"echotrace": "x"})
    assert ("wider intervals stand beside them" in methods) == told
    assert ("fisher1934" in {item.key for item in references}) == told
    text = paragraph(result)
    assert ("Publish these, unless" in " ".join(text.split())) == told
    # Chosen beforehand they lead, and nothing stands beside them.
    led = compare_methods(study, n_bootstrap=0, intervals="wider")
    methods, references = methods_paragraph(led, {"echotrace": "x"})
    assert "as chosen beforehand" in methods
    assert "beside them" not in methods
    assert "fisher1934" in {item.key for item in references}


def test_every_reference_of_the_code_that_is_cited_is_the_same_in_the_list():
    """Year, volume and first page of the list stand in the docstrings of the formulas too."""
    folder = Path(cli.__file__).parent / "agreement"
    code = " ".join(
        " ".join(path.read_text(encoding="utf-8").split())
        for path in folder.glob("*.py")
        if path.name != "references.py"
    )
    from_memory = {"shapiro1965", "kottner2011"}
    for key, item in REFERENCES.items():
        if key in from_memory:
            continue
        family = item.author.split(",")[0]
        assert re.search(rf"{family}\b[^()]{{0,90}}{item.year}|{family} \({item.year}", code), key
        if item.pages:
            assert f"{item.volume}:{item.pages.split('-')[0]}" in code, key


def test_bibtex_has_balanced_entries_and_refuses_unknown_keys():
    text = bibtex()
    assert text.count("@") == len(REFERENCES)
    assert text.count("{") == text.count("}")
    assert len(set(re.findall(r"@\w+\{(\w+),", text))) == len(REFERENCES)
    looked_up = [entry for entry in text.split("\n\n") if "from memory" not in entry]
    keys = {re.search(r"@\w+\{(\w+),", entry)[1] for entry in looked_up}
    assert keys == {item.key for item in REFERENCES.values() if item.checked}
    assert {"fisher1934", "taraldsen2013"} < keys
    with pytest.raises(ParameterError, match="nobody1900"):
        bibtex(["nobody1900"])


def test_figures_and_references_by_one_option_each(tmp_path):
    path = write_csv(tmp_path / "a.csv", clinic(n=12, operators=2))
    stem, refs = tmp_path / "fig", tmp_path / "refs.bib"
    arguments = ["compare", str(path), "--figures", str(stem), "--bibtex", str(refs)]
    assert cli.main(arguments) == 0
    names = {p.name for p in tmp_path.glob("fig_*")}
    plots = ("differences", "spreads", "pairs", "methods", "operators")
    assert names == {f"fig_{name}.{kind}" for name in plots for kind in ("svg", "pdf")}
    for name in plots:
        head = (tmp_path / f"fig_{name}.svg").read_text(encoding="utf-8")
        width = float(re.search(r'<svg[^>]* width="([\d.]+)pt"', head)[1])
        assert width / 72.0 * 25.4 == pytest.approx(85.0, abs=0.1)
        assert "<image" not in head
        assert (tmp_path / f"fig_{name}.pdf").read_bytes().startswith(b"%PDF")
    text = refs.read_text(encoding="utf-8")
    assert text.startswith("Agreement of contact with immersion")
    assert "@article{kottner2011," in text
    # What exists is not replaced unasked.
    assert cli.main(arguments) == 2
