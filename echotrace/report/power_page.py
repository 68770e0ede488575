"""The page of ``echotrace power``: warnings first, then powers, then where the doubt comes from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, cast

from echotrace.caution import SYNTHETIC
from echotrace.figures.power import plot_budget, plot_power_table, plot_sensitivity
from echotrace.power.eye_cautions import NOT_A_PRESCRIPTION
from echotrace.power.eye_study import EyeStudy, signed
from echotrace.power.outcomes import BOUNDS_D
from echotrace.power.settings import PowerSettings
from echotrace.power.uncertainty import PARTS, PUBLISHED
from echotrace.report.page import figure_svg, render_page

if TYPE_CHECKING:
    from markupsafe import Markup
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["power_page"]


def power_page(studies: Sequence[EyeStudy], settings: PowerSettings) -> str:
    """Write the page for the eyes of one subject.

    Parameters
    ----------
    studies : sequence of EyeStudy
    settings : PowerSettings

    Returns
    -------
    str
        Self-contained HTML.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.report.power_page import power_page
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> length = et.power.EyeLength(eye="right", mean_mm=23.4, u_mm=0.03, n=5, n_accepted=5)
    >>> given = et.power.PowerSettings(
    ...     constants=(srk_t,), target_d=-0.25, k1_d={"right": 43.5}, k2_d={"right": 44.5}
    ... )
    >>> page = power_page(et.power.study_eyes([length], given), given)
    >>> page.startswith("<!DOCTYPE html>") or page[:15]
    '<!doctype html>'
    """
    subject = studies[0].length.subject if studies else ""
    title = "What the length means for an implant" + (f", subject {subject}" if subject else "")
    return render_page(
        "power.html.j2",
        title,
        {
            "prescription": NOT_A_PRESCRIPTION,
            "synthetic": SYNTHETIC if any(item.length.synthetic for item in studies) else "",
            "eyes": [_eye(item, settings) for item in studies],
            "sources": [
                (PARTS[name][0], PUBLISHED[name][1])
                for name in PUBLISHED
                if name not in settings.uncertainty_given and settings.uncertainty[name] > 0.0
            ],
        },
    )


def _eye(study: EyeStudy, settings: PowerSettings) -> dict[str, Any]:
    length = study.length
    about: dict[str, Any] = {
        "name": length.name,
        "refused": study.refused,
        "acceptable": study.acceptable,
        "warnings": study.warnings,
        "notes": study.notes,
        "length": "" if math.isnan(length.mean_mm) else f"{length.mean_mm:.2f} mm",
        "length_u": f"{math.hypot(length.u_mm, length.u_shared_mm):.3f} mm",
        "pressing": study.pressing,
        "made_with": [line for line in length.made_with.split("\n") if line],
        "scans": f"{length.n_accepted} of {length.n} scans accepted" if length.n else "",
        "table": None,
    }
    table, eye, spread = study.table, study.biometry, study.uncertainty
    if table is None or eye is None or spread is None:
        return about
    first = study.budgets[0]
    nearest = [table.nearest(k) for k in range(len(table.constants))]
    chamber = eye.chamber_depth_mm.item()
    about |= {
        "cornea": f"{eye.k1_d.item():.2f} / {eye.k2_d.item():.2f} D "
        f"(index {eye.keratometric_index:g})",
        "chamber": study.chamber_origin
        if math.isnan(chamber)
        else f"{chamber:.2f} mm ({study.chamber_origin})",
        "target": f"{table.target_d:+.2f} D",
        "coverage": f"{100 * study.coverage:g} %",
        "length_alone": f"{table.outcomes[0].u_length_d[nearest[0]]:.2f} D",
        "table": {
            "heads": [(item.formula.label, str(item)) for item in table.constants],
            "rows": [
                {
                    "power": f"{power:.1f}",
                    "cells": [
                        {
                            "refraction": signed(result.refraction_d[row]),
                            "interval": " to ".join(
                                signed(end[row]) for end in (result.low_d, result.high_d)
                            ),
                            "nearest": row == nearest[k],
                        }
                        for k, result in enumerate(table.outcomes)
                    ],
                }
                for row, power in enumerate(table.power_d)
            ],
        },
        "formulas": [
            {
                "name": item.formula.label,
                "exact": f"{table.for_target_d[k]:.2f}",
                "power": f"{table.power_d[nearest[k]]:.1f}",
                "chance": [f"{100 * value:.0f} %" for value in table.chance[k, nearest[k]]],
                "drawn": " to ".join(signed(value) for value in study.drawn_d[k]),
            }
            for k, item in enumerate(table.constants)
        ],
        "bounds": [f"within {bound:g} D" for bound in BOUNDS_D],
        "spread": f"{float(table.for_target_d.max() - table.for_target_d.min()):.2f} D",
        "budget_of": f"{table.constants[0].formula.label}, {table.power_d[nearest[0]]:.1f} D",
        "advice": first.advice,
        "parts": [
            {
                "name": PARTS[name][0],
                "input": f"{getattr(spread, name):.3f} {_unit(name)}",
                "published": name in PUBLISHED and name not in settings.uncertainty_given,
                "part": f"{first.parts_d[name]:.2f} D",
                "share": f"{100 * share:.0f} %",
            }
            for name, share in first.shares.items()
            if first.parts_d[name] >= 0.005
        ],
        "total": f"{first.total_d:.2f} D",
        "gain": study.gain,
        "powers_figure": _svg(
            plot_power_table(table),
            "predicted refraction with its interval by power and formula",
        ),
        "budget_figure": _svg(
            plot_budget(first), "what each input adds to the uncertainty of the refraction"
        ),
        "sensitivity_figure": _svg(
            plot_sensitivity(eye, table.constants, target_d=table.target_d),
            "refraction per 0.1 mm of axial length, by length",
        ),
    }
    return about


def _svg(ax: Axes, label: str) -> Markup:
    return figure_svg(cast("Figure", ax.figure), label)


def _unit(name: str) -> str:
    return "mm" if name.endswith("_mm") else "D"
