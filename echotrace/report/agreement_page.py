"""The page of a comparison: results, figures, how they were made, and a methods paragraph."""

from __future__ import annotations

import platform
from collections.abc import Iterable, Mapping
from importlib import metadata

from echotrace import __version__
from echotrace.agreement.methods_text import methods_paragraph
from echotrace.agreement.results import Agreement
from echotrace.agreement.text import NOT_MODELLED, number, p_text, places_of
from echotrace.caution import SYNTHETIC
from echotrace.files.atomic import save_text
from echotrace.report.agreement_rows import (
    answer_rows,
    limit_rows,
    method_rows,
    operator_rows,
    rows_of,
)
from echotrace.report.page import figure_svg, render_page

__all__ = ["lines_of", "versions", "write_agreement_page"]


_FEW_OPERATORS = 4
"""Below, the interval of the bias was measured to be too wide where operators do not differ."""


def versions() -> dict[str, str]:
    """Programs that the numbers were computed with, and their versions.

    Returns
    -------
    dict[str, str]

    Examples
    --------
    >>> "echotrace" in versions()
    True
    """
    found = {"echotrace": __version__, "Python": platform.python_version()}
    return found | {name: metadata.version(name) for name in ("numpy", "scipy")}


def _grouped(pairs: Iterable[tuple[str, str]]) -> list[str]:
    """A sentence for each text with the names that it holds for."""
    names: dict[str, list[str]] = {}
    for text, name in pairs:
        names.setdefault(text, []).append(name)
    lines = [f"{'; '.join(found)}: {text}." for text, found in names.items()]
    return [line[0].upper() + line[1:] for line in lines]


def lines_of(result: Agreement, made_with: Mapping[str, str]) -> list[tuple[str, list[str]]]:
    """What a reviewer asks for, one name and its sentences a line.

    Parameters
    ----------
    result : Agreement
    made_with : mapping of str to str
        Programs and their versions.

    Returns
    -------
    list of (name, sentences)

    Examples
    --------
    >>> [name for name, _ in lines_of(agreement, versions())][:3]  # of `et.compare_methods`
    ['Kind of data', 'Design', 'Source files']
    """
    a, b, unit = result.label_a, result.label_b, result.unit
    design = result.design
    percent = f"{100 * result.confidence:g} %"
    lines: list[tuple[str, list[str]]] = []

    def put(name: str, *sentences: str) -> None:
        lines.append((name, [text for text in sentences if text]))

    put(
        "Kind of data",
        SYNTHETIC
        if result.synthetic
        else "The sources do not say that their readings are invented; who measured whom is for "
        "the paper to say.",
        f"{NOT_MODELLED}." if result.synthetic else "",
    )
    put("Design", design.paragraph)
    put(
        "Source files",
        *(f"{item.name}: SHA-256 {item.sha256 or 'not taken (no file)'}" for item in result.files),
        "" if result.files else "None: the readings were given as arrays.",
    )
    put(
        "Made with",
        f"{', '.join(f'{name} {version}' for name, version in made_with.items())}.",
        f"Resampling of subjects: {result.n_bootstrap} draws, seed {result.seed}.",
    )
    put(
        "Numbers measured",
        f"{result.n_subjects} subjects, {result.n_eyes} eyes with both methods, "
        f"{design.n_readings} readings in {design.n_sittings} sittings; operators: "
        f"{', '.join(design.operators)}.",
    )
    put(
        "Readings in each mean",
        *(
            f"{name}: {low if low == high else f'{low} to {high}'}."
            for name, (low, high) in (
                (a, result.readings_per_mean_a), (b, result.readings_per_mean_b),
            )
        ),
    )  # fmt: skip
    put("Left out", *(f"{text}." for text in result.left_out), *(
        () if result.left_out or design.n_missing else ("No reading.",)
    ), *(f"{text}." for text in result.warnings if "left out" in text))  # fmt: skip
    put(
        "How limits are defined",
        "2.5 % and 97.5 % quantiles, since differences are not normally distributed; beside them:"
        if result.limits.as_quantiles
        else "",
        f"Bias ± 1.96 SD of the differences {a} − {b}, which hold 95 % of normally distributed "
        f"differences. Those drawn are of {result.limits.label}.",
        *_grouped((f"intervals by {item.lower.how}", item.label) for item in result.all_limits),
    )
    if result.equivalence is not None:
        margin = result.equivalence
        put(
            "Margin",
            f"±{margin.margin:.3g} {unit}. Bias: "
            f"{'within' if margin.equivalent['bias'] else 'not shown to lie within'} "
            f"({p_text(margin.p)}).",
            *_grouped((text, name) for name, text in margin.limits.items()),
            "Within: the outer ends of the intervals are. A margin must be set before the data are "
            "seen.",
        )
    put(
        "Normality of differences",
        f"Shapiro-Wilk {p_text(result.normality_p)}"
        + (", means by subject without what operators add" if result.cells is not None else "")
        + f"; skewness {number(result.skewness, 2)}, excess kurtosis "
        + f"{number(result.excess_kurtosis, 2)}"
        + (", differences of the eyes." if result.cells is not None else "."),
        f"{result.tails}." if result.tails else "",
        "Wider intervals lead in this report, as chosen beforehand."
        if result.intervals == "wider"
        else "Wider intervals stand beside normal ones, and lead only where p is below 0.05.",
    )
    trend = result.slope_on_average
    put(
        "Spread against length",
        f"Size of differences: Kendall's tau {number(result.difference_tau, 2)} "
        f"({p_text(result.difference_tau_p)}).",
        *(
            f"SD within sittings, {item.method}: "
            + (
                f"Kendall's tau {number(item.trend.tau, 2)} ({p_text(item.trend.p)})."
                if item.trend is not None
                else "not tested (fewer than five sittings with a spread)."
            )
            for item in (result.repeatability_a, result.repeatability_b)
            if item is not None
        ),
        f"Differences against averages: slope {number(trend.value, places_of('', trend))} "
        f"({p_text(result.slope_p)}).",
        "A coefficient of variation is given only where the SD grows with the length.",
    )
    put(
        "Degrees of freedom",
        f"Bias: {number(result.bias_df, 1).removesuffix('.0')}.",
        "Where operators hardly differ, the interval of the bias holds more often than it says "
        "(two operators 98 to 99, three 97 to 98 times in 100)."
        if result.cells is not None and len(result.cells.operators) < _FEW_OPERATORS
        else "",
        *(
            f"Repeatability, {item.method}: {item.df_within}."
            for item in (result.repeatability_a, result.repeatability_b)
            if item is not None
        ),
    )
    if result.by_operator:
        put(
            "SD within sittings by operator",
            *(
                f"{item.operator}: {a} {number(item.within_sd_a, 3)}, {b} "
                f"{number(item.within_sd_b, 3)} {unit}."
                for item in result.by_operator
            ),
        )
    put(
        "Not in the data",
        "How subjects and operators were chosen, their training, blinding, the time between "
        f"measurements, and how the sample size was found: for the paper to say. {percent} "
        "intervals assume that subjects are a random sample.",
    )
    return lines


def _notes(result: Agreement) -> list[tuple[str, str]]:
    """Notes on the repeatability and whose they are; one of both methods is said once."""
    whose: dict[str, list[str]] = {}
    for repeat in (result.repeatability_a, result.repeatability_b):
        if repeat is not None:
            for note in repeat.notes:
                whose.setdefault(note, []).append(repeat.method)
    return [(note, " and ".join(methods)) for note, methods in whose.items()]


def write_agreement_page(path: str, result: Agreement) -> None:
    """Write the page of a comparison.

    Parameters
    ----------
    path : str
    result : Agreement

    Raises
    ------
    FileFormatError
        The page cannot be written.

    Examples
    --------
    >>> write_agreement_page(f"{folder}/agreement.html", agreement)  # of `et.compare_methods`
    >>> (folder / "agreement.html").read_text(encoding="utf-8")[:15]
    '<!doctype html>'
    """
    from echotrace.figures.agreement import (
        COLUMN_IN,
        difference_plot,
        operator_plot,
        paired_plot,
        scatter_plot,
        spread_plot,
    )
    from echotrace.figures.style import new_figure

    made_with = versions()
    paragraph, references = methods_paragraph(result, made_with)
    a, b = result.label_a, result.label_b
    drawings = [
        (
            difference_plot,
            f"Difference {a} − {b} against the average. Bias (line) and limits of agreement "
            "(dashed), each with its interval (bands)."
            + (" One mark for each eye and operator." if result.cells is not None else "")
            + (" Dotted: the margin." if result.equivalence is not None else ""),
        ),
        (
            spread_plot,
            "Spread within sittings of each eye; lines: pooled SDs."
            + (" Synthetic: no finding about the methods." if result.synthetic else ""),
        ),
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
        figure = new_figure(COLUMN_IN, 2.35)
        draw(result, figure.add_subplot())
        figures.append((figure_svg(figure, caption), caption))
    page = render_page(
        "agreement.html.j2",
        f"Agreement of {a} and {b}",
        {
            "result": result,
            "answer": answer_rows(result),
            "limits": limit_rows(result),
            "rows": rows_of(result),
            "methods": method_rows(result),
            "operators": operator_rows(result),
            "figures": figures,
            "lines": lines_of(result, made_with),
            "synthetic": SYNTHETIC if result.synthetic else "",
            "not_modelled": f"{NOT_MODELLED}.",
            "notes": _notes(result),
            "paragraph": paragraph,
            "references": [item.text for item in references],
            "percent": f"{100 * result.confidence:g} %",
        },
    )
    save_text(path, page)
