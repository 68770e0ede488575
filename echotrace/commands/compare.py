"""``echotrace compare``: agreement of two methods as text, JSON, page and table."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from echotrace.commands.arguments import (
    PAGES,
    PICTURES,
    InputFile,
    OutputFile,
    add_output,
    add_overwrite,
    floating,
    integer,
)
from echotrace.commands.process import say, say_json

if TYPE_CHECKING:
    from echotrace.agreement.results import Agreement
    from echotrace.agreement.study import Study

SUMMARY = "compare two methods on the same eyes: bias, limits of agreement, spreads"
EXAMPLE = "echotrace compare contact.h5 immersion.h5 --margin 0.1 --report agreement.html"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "a", metavar="A", action=InputFile, help="measured file (.h5, .nc) or CSV of lengths"
    )
    parser.add_argument(
        "b", metavar="B", nargs="?", action=InputFile,
        help="the same for method B; leave out if A holds both",
    )  # fmt: skip
    parser.add_argument(
        "--methods", nargs=2, metavar=("A", "B"),
        help="which methods to compare, or names for them; differences are A minus B",
    )  # fmt: skip
    margin = parser.add_mutually_exclusive_group()
    margin.add_argument(
        "--margin",
        type=floating(0, 10, "mm", above=True),
        metavar="MM",
        help="test equivalence within ± this many mm",
    )
    margin.add_argument(
        "--margin-dioptre", type=floating(0, 30, "D", above=True), metavar="D",
        help="the same in dioptres of lens power",
    )  # fmt: skip
    parser.add_argument(
        "--dioptre-per-mm", type=floating(0, 20, "D", above=True), metavar="D",
        help="lens power for a millimetre of length (default 2.7)",
    )  # fmt: skip
    parser.add_argument(
        "--linked", action="store_true",
        help="readings of A and B were taken in pairs, k-th with k-th",
    )  # fmt: skip
    parser.add_argument(
        "--operators", choices=("same", "different"), default="same",
        help="whose limits answer the question where several operators measured: both methods by "
        "the same operator (default), or by different ones; all are listed",
    )  # fmt: skip
    parser.add_argument(
        "--intervals", choices=("test", "wider"), default="test",
        help="whether wider intervals, which withstand heavy tails, lead only where a test finds "
        "values not normal (default), or always; choose before the data are seen",
    )  # fmt: skip
    parser.add_argument("--all-scans", action="store_true", help="count rejected scans too")
    parser.add_argument(
        "--confidence", type=floating(0.5, 0.999999), default=0.95, metavar="P",
        help="of intervals (default 0.95)",
    )  # fmt: skip
    parser.add_argument(
        "--seed", type=integer(0, 2**63 - 1), default=0,
        help="of the bootstrap by subject (default 0)",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print all numbers as JSON")
    add_output(
        parser, "--report", suffixes=PAGES, metavar="PAGE.html", help="write a page with figures"
    )
    add_output(
        parser, "-o", "--output", suffixes=(".csv",), metavar="TABLE.csv",
        help="write one row per eye, with a table schema beside it",
    )  # fmt: skip
    add_output(
        parser, "--figure", suffixes=PICTURES, help="write the figures alone (.png, .pdf or .svg)"
    )
    parser.add_argument(
        "--figures", metavar="STEM", action=_FigureFiles,
        help="write each figure by itself, 85 mm wide, as STEM_differences.svg and .pdf, …",
    )  # fmt: skip
    add_output(
        parser, "--bibtex", suffixes=(".bib",), metavar="FILE.bib",
        help="write the sources of what was computed, and a methods paragraph that cites them",
    )  # fmt: skip
    add_overwrite(parser)


_DECIMALS = 6
"""A nanometre: what lies below in a mean is rounding of the arithmetic."""
_PLOTS = ("differences", "spreads", "pairs", "methods", "operators")


def _figure_names(stem: str) -> list[Path]:
    return [Path(f"{stem}_{name}.{kind}") for name in _PLOTS for kind in ("svg", "pdf")]


class _FigureFiles(OutputFile):
    """A beginning of names: every figure that may be written is declared."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: str | Sequence[Any] | None,
        option_string: str | None = None,
    ) -> None:
        """Keep the beginning, and remember all names that are made of it."""
        for path in _figure_names(str(values)):
            super().__call__(parser, namespace, str(path), option_string)
        setattr(namespace, self.dest, values)


def run(args: argparse.Namespace) -> int:
    """Compare and print."""
    from echotrace.agreement.compare import DIOPTRE_PER_MM, compare_methods

    a = _read(args.a, args.all_scans)
    b = None if args.b is None else _read(args.b, args.all_scans)
    result = compare_methods(
        a,
        b,
        methods=tuple(args.methods) if args.methods else None,
        margin_mm=args.margin,
        margin_d=args.margin_dioptre,
        dioptre_per_mm=DIOPTRE_PER_MM if args.dioptre_per_mm is None else args.dioptre_per_mm,
        linked=args.linked,
        operators=args.operators,
        intervals="wider" if args.intervals == "wider" else "by test",
        confidence=args.confidence,
        seed=args.seed,
    )
    if args.output:
        _write_table(args.output, result)
    if args.report:
        from echotrace.report.agreement_page import write_agreement_page

        write_agreement_page(args.report, result)
    if args.figure:
        _write_figure(args.figure, result)
    if args.figures:
        _write_figures(args.figures, result)
    if args.bibtex:
        _write_references(args.bibtex, result)
    if args.json:
        from echotrace.agreement.methods_text import methods_paragraph
        from echotrace.caution import CAUTION
        from echotrace.report.agreement_page import versions

        made_with = versions()
        paragraph, references = methods_paragraph(result, made_with)
        methods = {"text": paragraph, "references": [item.text for item in references]}
        told = {"caution": CAUTION, "made_with": made_with, "methods": methods}
        say_json({**told, **result.to_dict()})
    else:
        say(_summary(result))
    return 0


def _read(path: str, all_scans: bool) -> Study:
    from echotrace.agreement.study import Study

    suffix = Path(path).suffix.lower()
    if suffix in (".csv", ".tsv", ".txt"):
        return Study.read_csv(path, all_scans=all_scans)
    if suffix in (".xlsx", ".xls", ".ods"):
        from echotrace.errors import FileFormatError

        raise FileFormatError(f"{path}: a workbook is not read; save the sheet as CSV in UTF-8")
    from echotrace.files.native import read_measurement

    return Study.from_measurements(read_measurement(path), all_scans=all_scans, source=path)


def _summary(result: Agreement) -> str:
    import textwrap

    from echotrace.agreement.text import repeatability_paragraph
    from echotrace.caution import CAUTION, SYNTHETIC

    parts = [SYNTHETIC] if result.synthetic else []
    parts += [result.design.paragraph, result.text()]
    for repeat in (result.repeatability_a, result.repeatability_b):
        if repeat is not None:
            parts.append(repeatability_paragraph(repeat, result.confidence))
    parts += [f"Warning: {warning}." for warning in result.warnings]
    parts.append(CAUTION)
    return "\n\n".join(textwrap.fill(part, 88) for part in parts)


def _write_table(path: Path, result: Agreement) -> None:
    from echotrace.agreement.text import NOT_MODELLED
    from echotrace.caution import SYNTHETIC
    from echotrace.files.table import Field, write_table

    unit = result.unit
    # The unit is part of the column's name, where a name can hold it.
    tail = "_mm" if unit == "mm" else ""
    known = unit if unit == "mm" else ""

    def column(name: str, description: str, **constraints: Any) -> Field:
        return Field(
            name=f"{name}{tail}",
            type="number",
            description=f"{description}, {unit}",
            unit=known,
            constraints=constraints,
        )

    a, b = result.label_a, result.label_b
    fields = [
        Field(
            name="row", type="integer", description="number of the eye",
            constraints={"required": True, "minimum": 1, "unique": True},
        ),
        Field(
            name="subject", type="string", description="code of the subject, never a name",
            constraints={"required": True},
        ),
        Field(name="eye", type="string", description="which eye", constraints={"required": True}),
        column("mean_a", f"mean by {a}", required=True),
        column("mean_b", f"mean by {b}", required=True),
        column("difference", f"{a} minus {b}", required=True),
        column("average", "average of both methods", required=True),
        column("sd_a", f"SD within sittings by {a}; empty with single readings", minimum=0),
        column("sd_b", f"SD within sittings by {b}; empty with single readings", minimum=0),
    ]  # fmt: skip
    columns = {
        "row": range(1, result.n_eyes + 1),
        "subject": result.subject,
        "eye": result.eye,
        f"mean_a{tail}": result.mean_a.round(_DECIMALS),
        f"mean_b{tail}": result.mean_b.round(_DECIMALS),
        f"difference{tail}": result.difference.round(_DECIMALS),
        f"average{tail}": result.average.round(_DECIMALS),
        f"sd_a{tail}": result.sd_a.round(_DECIMALS),
        f"sd_b{tail}": result.sd_b.round(_DECIMALS),
    }
    told = f"One row per eye measured by both methods. A is {a}, B is {b}."
    if result.synthetic:
        told += f" {SYNTHETIC} {NOT_MODELLED}."
    write_table(
        path,
        fields,
        columns,
        description=told,
        primary_key="row",
    )


def _write_figures(stem: str, result: Agreement) -> None:
    """Each plot as SVG and PDF, one journal column wide."""
    from echotrace.figures.agreement import COLUMN_IN, PLOTS
    from echotrace.figures.style import mark_figure, new_figure
    from echotrace.report.page import save_figure

    for path in _figure_names(stem):
        name = path.stem.removeprefix(f"{Path(stem).name}_")
        if name == "operators" and len(result.by_operator) < 2:
            continue
        figure = new_figure(COLUMN_IN, 2.8)
        PLOTS[name](result, figure.add_subplot())
        save_figure(mark_figure(figure, synthetic=bool(result.synthetic)), path)


def _write_references(path: Path, result: Agreement) -> None:
    from echotrace.agreement.methods_text import methods_paragraph
    from echotrace.agreement.references import bibtex
    from echotrace.files.atomic import save_text
    from echotrace.report.agreement_page import versions
    from echotrace.text_out import one_line

    paragraph, references = methods_paragraph(result, versions())
    # Outside its entries BibTeX skips everything up to the sign that begins the next.
    paragraph = one_line(paragraph).replace("@", "(at)")
    save_text(path, f"{paragraph}\n\n{bibtex(item.key for item in references)}")


def _write_figure(path: Path, result: Agreement) -> None:
    from echotrace.figures.agreement import agreement_figure
    from echotrace.figures.style import mark_figure
    from echotrace.report.page import save_figure

    figure = mark_figure(agreement_figure(result), synthetic=bool(result.synthetic))
    save_figure(figure, path, dpi=600)
