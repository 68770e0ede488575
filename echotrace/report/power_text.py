"""The text of ``echotrace power``: warnings first, then powers, then where the doubt comes from."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

from echotrace.caution import SYNTHETIC
from echotrace.power.eye_cautions import FULL_CAUTION
from echotrace.power.eye_study import EyeStudy, signed
from echotrace.power.settings import PowerSettings
from echotrace.power.uncertainty import LENGTH_PARTS, PARTS, PUBLISHED
from echotrace.report.text import spread_text
from echotrace.text_out import one_line

__all__ = ["power_text"]

_WIDTH = 100


def power_text(studies: Sequence[EyeStudy], settings: PowerSettings) -> str:
    """Write what was worked out for the eyes of one subject.

    Parameters
    ----------
    studies : sequence of EyeStudy
    settings : PowerSettings

    Returns
    -------
    str
        Lines of at most 100 characters, but for wide tables.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.report.power_text import power_text
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> length = et.power.EyeLength(eye="right", mean_mm=23.4, u_mm=0.03, n=5, n_accepted=5)
    >>> given = et.power.PowerSettings(
    ...     constants=(srk_t,), target_d=-0.25, k1_d={"right": 43.5}, k2_d={"right": 44.5}
    ... )
    >>> text = power_text(et.power.study_eyes([length], given), given)
    >>> "WARNING" in text
    True
    """
    lines = [SYNTHETIC, ""] if any(item.length.synthetic for item in studies) else []
    lines += _wrapped("", FULL_CAUTION)
    for study in studies:
        lines += ["", *_eye_text(study, settings)]
    if any(item.table is not None for item in studies):
        lines += ["", *_origin_text(settings)]
    return "\n".join(lines)


def _wrapped(mark: str, text: str) -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark), break_on_hyphens=False
    )


def _eye_text(study: EyeStudy, settings: PowerSettings) -> list[str]:
    length = study.length
    subject = f" (subject {one_line(length.subject, 40)})" if length.subject else ""
    title = f"{length.name}{subject}"
    lines = [title, "=" * len(title)]
    if not math.isnan(length.mean_mm):
        u = math.hypot(length.u_mm, length.u_shared_mm)
        scans = f", {length.n_accepted} of {length.n} scans accepted" if length.n else ""
        lines.append(
            f"axial length {length.mean_mm:.2f} mm, standard uncertainty {u:.3f} mm "
            f"(scatter {spread_text(length.u_mm)}, common to all scans "
            f"{spread_text(length.u_shared_mm)}){scans}"
        )
        for said in length.made_with.split("\n") if length.made_with else ():
            lines += _wrapped("  ", said)
    lines += _wrapped("  ", study.pressing) if study.pressing else []
    if study.refused:
        lines += _wrapped("REFUSED  ", _sentence(study.refused))
    for text in study.warnings:
        lines += _wrapped("WARNING  ", text)
    if study.table is None or study.biometry is None:
        return lines
    eye = study.biometry
    chamber = eye.chamber_depth_mm.item()
    lines.append(
        f"K {eye.k1_d.item():.2f} / {eye.k2_d.item():.2f} D (index {eye.keratometric_index:g}), "
        + (
            f"chamber depth {study.chamber_origin}"
            if math.isnan(chamber)
            else f"chamber {chamber:.2f} mm ({study.chamber_origin})"
        )
        + f", target {study.table.target_d:+.2f} D at {eye.vertex_mm:g} mm"
    )
    lines += ["", *_table_text(study), ""]
    lines += _summary_text(study)
    lines += ["", *_budget_text(study, settings)]
    if study.notes:
        lines.append("")
    for text in study.notes:
        lines += _wrapped("note  ", text)
    return lines


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}" + ("" if text.endswith(".") else ".")


def _table_text(study: EyeStudy) -> list[str]:
    table = study.table
    assert table is not None
    n = len(study.warnings)
    content = 100 * study.coverage
    heads = [[item.formula.label, str(item).split(" (start")[0]] for item in table.constants]
    cells = [
        [
            f"{signed(result.refraction_d[row]):>6}{'*' if row == table.nearest(k) else ' '} "
            f"({signed(result.low_d[row])} to {signed(result.high_d[row])})"
            for k, result in enumerate(table.outcomes)
        ]
        for row in range(table.power_d.size)
    ]
    widths = [
        max(len(text) for text in (*heads[k], *(row[k] for row in cells)))
        for k in range(len(heads))
    ]
    lines = [
        f"predicted refraction, D, and its {content:g} % interval"
        + (f"; under {n} warning{'s' if n > 1 else ''} above" if n else "")
    ]
    for line, left in enumerate(("power", "")):
        lines.append(
            f"{left:>7}  " + "   ".join(f"{heads[k][line]:<{widths[k]}}" for k in range(len(heads)))
        )
    for power, row in zip(table.power_d, cells, strict=True):
        lines.append(
            f"{power:7.1f}  " + "   ".join(f"{text:<{widths[k]}}" for k, text in enumerate(row))
        )
    lines.append("* nearest to the target by this formula; not a recommendation")
    return [line.rstrip() for line in lines]


def _summary_text(study: EyeStudy) -> list[str]:
    table = study.table
    assert table is not None
    lines: list[str] = []
    exact = ", ".join(
        f"{item.formula.label} {power:.2f}"
        for item, power in zip(table.constants, table.for_target_d, strict=True)
    )
    lines.append(f"power for exactly the target, D: {exact}")
    if len(table.constants) > 1:
        spread = float(table.for_target_d.max() - table.for_target_d.min())
        row = table.nearest(0)
        low, high = (end[row] for end in table.disagreement_d())
        lines.append(
            f"the formulas differ by {spread:.2f} D of lens power; for {table.power_d[row]:.1f} D "
            f"they predict {signed(low)} to {signed(high)} D"
        )
    row = table.nearest(0)
    lines.append(
        f"the uncertainty of the length alone (one standard uncertainty) is worth "
        f"{table.outcomes[0].u_length_d[row]:.2f} D"
    )
    for k, constant in enumerate(table.constants):
        row = table.nearest(k)
        quarter, half, one = (100.0 * value for value in table.chance[k, row])
        lines.append(
            f"{constant.formula.label} {table.power_d[row]:.1f} D: chance of ending within 0.25 D "
            f"{quarter:.0f} %, 0.5 D {half:.0f} %, 1 D {one:.0f} % of the target"
        )
    return lines


def _budget_text(study: EyeStudy, settings: PowerSettings) -> list[str]:
    table = study.table
    assert table is not None
    assert study.uncertainty is not None
    first, power = study.budgets[0], table.power_d[table.nearest(0)]
    low, high = study.drawn_d[0]
    lines = [
        f"where the uncertainty comes from ({table.constants[0].formula.label}, {power:.1f} D)",
        f"  {'input':<36}{'standard uncertainty':>22}{'of refraction':>16}{'share':>8}",
    ]
    for name, share in first.shares.items():
        value, part = getattr(study.uncertainty, name), first.parts_d[name]
        unit = name.rsplit("_", 1)[1].replace("d", "D")
        own = "" if name in LENGTH_PARTS or name in settings.uncertainty_given else "†"
        if part >= 0.005:
            lines.append(
                f"  {PARTS[name][0]:<36}{f'{value:.3f} {unit}{own}':>22}{f'{part:.2f} D':>16}"
                f"{f'{100 * share:.0f} %':>8}"
            )
    lines.append(f"  {'all together':<36}{'':>22}{f'{first.total_d:.2f} D':>16}")
    lines.append(
        f"  {100 * study.coverage:g} % interval by drawing: {signed(low)} to {signed(high)} D"
    )
    lines += _wrapped("  ", first.advice)
    if study.gain is not None:
        lines += _wrapped("  ", study.gain.sentence)
    return lines


def _origin_text(settings: PowerSettings) -> list[str]:
    lines = []
    names = [
        name
        for name in PUBLISHED
        if name not in settings.uncertainty_given and settings.uncertainty[name] > 0.0
    ]
    if names:
        lines.append("† published, not of this clinic:")
    for name in names:
        lines += _wrapped("  ", f"{PARTS[name][0]}: {PUBLISHED[name][1]}")
    return lines
