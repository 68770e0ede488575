"""``echotrace compare``: agreement of two methods as text, JSON, page and table."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from echotrace.commands.arguments import InputFile, OutputFile, add_overwrite, floating, integer
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
    parser.add_argument(
        "--report", metavar="PAGE.html", action=OutputFile, suffixes=(".html", ".htm"),
        help="write a page with figures",
    )  # fmt: skip
    parser.add_argument(
        "-o", "--output", metavar="TABLE.csv", action=OutputFile, suffixes=(".csv",),
        help="write one row per eye, with a table schema beside it",
    )  # fmt: skip
    parser.add_argument(
        "--figure", metavar="FILE", action=OutputFile, suffixes=(".pdf", ".svg", ".png"),
        help="write the figures alone (.pdf, .svg or .png)",
    )  # fmt: skip
    add_overwrite(parser)


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
        confidence=args.confidence,
        seed=args.seed,
    )
    if args.output:
        _write_table(args.output, result)
    if args.report:
        _write_report(args.report, result)
    if args.figure:
        _write_figure(args.figure, result)
    if args.json:
        from echotrace.caution import CAUTION

        say_json({"caution": CAUTION, **result.to_dict()})
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
    from echotrace.caution import CAUTION

    parts = [result.design.paragraph, result.text()]
    for repeat in (result.repeatability_a, result.repeatability_b):
        if repeat is not None:
            parts.append(repeatability_paragraph(repeat, result.confidence))
    parts += [f"Warning: {warning}." for warning in result.warnings]
    parts.append(CAUTION)
    return "\n\n".join(textwrap.fill(part, 88) for part in parts)


def rows_of(result: Agreement) -> list[tuple[str, str, str, str]]:
    """Name, figure, interval and how it was made, for each line of the results table."""
    from echotrace.agreement.text import decimals, number
    from echotrace.agreement.variance import Estimate

    places = decimals(result.limits.sd.value)
    unit = result.unit
    rows: list[tuple[str, str, str, str]] = []

    def put(name: str, estimate: Estimate, digits: int, of: str = "", check: str = "") -> None:
        how = estimate.how
        if check in result.bootstrap and how != result.bootstrap[check].how:
            other = result.bootstrap[check]
            ends = f"{number(other.low, digits)} to {number(other.high, digits)}"
            how += f"; {other.how}: {ends}"
        interval = (
            f"{number(estimate.low, digits)} to {number(estimate.high, digits)}"
            if estimate.low == estimate.low
            else "–"
        )
        rows.append((name, f"{number(estimate.value, digits)} {of}".strip(), interval, how))

    put(f"bias {result.label_a} − {result.label_b}", result.bias, places, unit)
    for item in result.all_limits:
        put(f"SD of differences, {item.label}", item.sd, places, unit, f"sd, {item.of}")
        put(f"lower limit, {item.label}", item.lower, places, unit, f"lower, {item.of}")
        put(f"upper limit, {item.label}", item.upper, places, unit, f"upper, {item.of}")
    if result.quantile_limits is not None:
        item = result.quantile_limits
        put(f"2.5 % quantile of differences, {item.label}", item.lower, places, unit)
        put(f"97.5 % quantile of differences, {item.label}", item.upper, places, unit)
    put("slope of difference on average", result.slope_on_average, 4)
    if result.deming is not None:
        put("Deming slope", result.deming.slope, 4, "", "deming_slope")
        put("Deming intercept", result.deming.intercept, places, unit)
    if result.passing_bablok is not None:
        put("Passing-Bablok slope", result.passing_bablok.slope, 4)
        put("Passing-Bablok intercept", result.passing_bablok.intercept, places, unit)
    put("concordance correlation", result.concordance, 4, "", "concordance")
    for repeat in (result.repeatability_a, result.repeatability_b):
        if repeat is None:
            continue
        fine = decimals(repeat.within_sd.value)
        put(f"{repeat.method}: repeatability SD", repeat.within_sd, fine, unit)
        put(f"{repeat.method}: repeatability limit", repeat.repeatability_limit, fine, unit)
        put(f"{repeat.method}: CV", repeat.cv_percent, 3, "%")
        if repeat.reproducibility_sd is not None:
            put(f"{repeat.method}: reproducibility SD", repeat.reproducibility_sd, fine, unit)
        for name, component in repeat.components.items():
            put(f"{repeat.method}: SD between {name}s", component, fine, unit)
        for name, value in repeat.icc.items():
            put(f"{repeat.method}: intraclass correlation, {name.replace('_', ' ')}", value, 4)
    if result.spread is not None:
        put("ratio of repeatability SDs", result.spread.ratio, 2)
        put("the same, if each method spreads alike in all eyes", result.spread.ratio_f, 2)
    return rows


def operator_rows(result: Agreement) -> list[list[str]]:
    """Operator, eyes, bias and limits, each with its interval, of each operator."""
    from echotrace.agreement.text import decimals, number

    places = decimals(result.limits.sd.value)
    rows = []
    for item in result.by_operator:
        row = [item.operator, str(item.n_eyes)]
        found = [item.bias]
        if item.limits is not None:
            found += [item.limits.lower, item.limits.upper]
        for estimate in found:
            low, high = number(estimate.low, places), number(estimate.high, places)
            row += [number(estimate.value, places), f"{low} to {high}"]
        rows.append(row + ["–"] * (8 - len(row)))
    return rows


def _write_table(path: str, result: Agreement) -> None:
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
        f"mean_a{tail}": result.mean_a,
        f"mean_b{tail}": result.mean_b,
        f"difference{tail}": result.difference,
        f"average{tail}": result.average,
        f"sd_a{tail}": result.sd_a,
        f"sd_b{tail}": result.sd_b,
    }
    write_table(
        path,
        fields,
        columns,
        description=f"One row per eye measured by both methods. A is {a}, B is {b}.",
        primary_key="row",
    )


def _write_report(path: str, result: Agreement) -> None:
    from echotrace.figures.agreement import (
        COLUMN_IN,
        difference_plot,
        operator_plot,
        paired_plot,
        scatter_plot,
        spread_plot,
    )
    from echotrace.figures.style import new_figure
    from echotrace.files.atomic import save_text
    from echotrace.report.page import figure_svg, render_page

    a, b = result.label_a, result.label_b
    drawings = [
        (
            difference_plot,
            f"Difference {a} − {b} against the average. Bias (line) and limits of agreement "
            f"(dashed; {result.limits.label}), each with its interval (bands)."
            + (" One mark for each eye and operator." if result.cells is not None else ""),
        ),
        (spread_plot, "Spread within sittings of each eye; lines: pooled SDs."),
        (
            paired_plot,
            "SD within sittings (or lengths, where readings are single) of the same eyes, joined.",
        ),
        (
            scatter_plot,
            f"Means by {a} against means by {b}, with the lines of equality and Deming.",
        ),
    ]
    if len(result.by_operator) > 1:
        drawings.append(
            (
                operator_plot,
                "Bias of each operator with its interval, and the limits of agreement that hold "
                "for this operator (ticks); band: interval of the overall bias.",
            )
        )
    figures = []
    for draw, caption in drawings:
        figure = new_figure(COLUMN_IN, 2.8)
        draw(result, figure.add_subplot())
        figures.append((figure_svg(figure, caption), caption))
    page = render_page(
        "agreement.html.j2",
        f"Agreement of {a} and {b}",
        {
            "result": result,
            "rows": rows_of(result),
            "operators": operator_rows(result),
            "figures": figures,
            "percent": f"{100 * result.confidence:g} %",
        },
    )
    save_text(path, page)


def _write_figure(path: str, result: Agreement) -> None:
    from echotrace.figures.agreement import agreement_figure
    from echotrace.report.page import save_figure

    save_figure(agreement_figure(result), path, dpi=600)
