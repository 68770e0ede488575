"""Pictures of what a length means for an implant: budget, refraction by power, sensitivity."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from echotrace.figures.style import COLOURS, new_axes, quiet_axes
from echotrace.power.biometry import Biometry
from echotrace.power.budgets import Budget
from echotrace.power.constants import LensConstant
from echotrace.power.lens_power import lens_power_d
from echotrace.power.sensitivities import sensitivity
from echotrace.power.table import PowerTable
from echotrace.power.uncertainty import MEASURED_PARTS, PARTS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_budget", "plot_power_table", "plot_sensitivity"]

# Marker and colour of each formula, in the order given; told apart by shape in grey print.
_FORMULA_LOOK = (
    ("o", "trace"),
    ("s", "accent"),
    ("^", "envelope"),
    ("D", "bad"),
    ("v", "muted"),
)


def plot_budget(parts: Budget, *, ax: Axes | None = None) -> Axes:
    """Bar chart of what each input adds to the uncertainty of the refraction.

    Parameters
    ----------
    parts : Budget
    ax : matplotlib.axes.Axes, optional
        A new figure where it is not given.

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.figures.power import plot_budget
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> u = et.power.published_uncertainty(0.05, 0.02)
    >>> ax = plot_budget(et.power.budget(eye, srk_t, 20.5, u))
    >>> ax.get_xlabel()
    'standard uncertainty of the refraction, D'
    """
    ax = quiet_axes(new_axes(ax, 6.4, 3.2))
    shares = {name: share for name, share in parts.shares.items() if parts.parts_d[name] >= 0.005}
    names = list(shares)[::-1]
    values = [parts.parts_d[name] for name in names]
    colours = [COLOURS["accent" if name in MEASURED_PARTS else "muted"] for name in names]
    ax.barh(range(len(names)), values, height=0.62, color=colours)
    ax.set_yticks(range(len(names)), [PARTS[name][0] for name in names])
    for row, (name, value) in enumerate(zip(names, values, strict=True)):
        ax.annotate(
            f"{value:.2f} D, {100 * shares[name]:.0f} % of variance",
            (value, row),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            fontsize=8,
            color=COLOURS["ink"],
        )
    ax.set_xlim(0.0, 1.55 * max(values, default=1.0))
    ax.set_xlabel("standard uncertainty of the refraction, D")
    ax.set_title(
        f"all together {parts.total_d:.2f} D; orange: measuring can improve it",
        fontsize=9,
        loc="left",
        color=COLOURS["ink"],
    )
    return ax


def plot_power_table(table: PowerTable, *, ax: Axes | None = None) -> Axes:
    """Predicted refraction with its interval, for each power and formula.

    Parameters
    ----------
    table : PowerTable
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.figures.power import plot_power_table
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> u = et.power.published_uncertainty(0.05, 0.02)
    >>> ax = plot_power_table(et.power.power_table(eye, [srk_t], -0.25, u))
    >>> ax.get_xlabel()
    'power of the implant, D'
    """
    ax = quiet_axes(new_axes(ax, 6.4, 3.8))
    n = len(table.constants)
    step = float(np.diff(table.power_d).min()) if table.power_d.size > 1 else 0.5
    ax.axhspan(table.target_d - 0.5, table.target_d + 0.5, color=COLOURS["band"], zorder=0)
    ax.axhline(table.target_d, color=COLOURS["muted"], linewidth=1.0, zorder=1)
    for k, (constant, result) in enumerate(zip(table.constants, table.outcomes, strict=True)):
        marker, colour = _FORMULA_LOOK[k % len(_FORMULA_LOOK)]
        ax.errorbar(
            table.power_d + (k - (n - 1) / 2.0) * 0.7 * step / n,
            result.refraction_d,
            yerr=[result.refraction_d - result.low_d, result.high_d - result.refraction_d],
            fmt=marker,
            markersize=4.5,
            color=COLOURS[colour],
            elinewidth=1.0,
            label=constant.formula.label,
        )
    ax.set_xticks(table.power_d)
    ax.set_xlabel("power of the implant, D")
    ax.set_ylabel("predicted refraction, D (spectacle plane)")
    ax.set_title(
        f"line: target {table.target_d:+.2f} D, band: within 0.5 D of it",
        fontsize=9,
        loc="left",
        color=COLOURS["ink"],
    )
    low, high = ax.get_ylim()
    ax.set_ylim(low, high + 0.1 * (high - low))
    ax.legend(frameon=False, fontsize=8, ncols=min(n, 5), loc="upper right")
    return ax


def plot_sensitivity(
    eye: Biometry,
    constants: Sequence[LensConstant],
    *,
    target_d: float = 0.0,
    range_mm: tuple[float, float] = (20.0, 30.0),
    ax: Axes | None = None,
) -> Axes:
    """What 0.1 mm of length means, by length, for this eye's cornea.

    Parameters
    ----------
    eye : Biometry
        One eye; its own length is marked.
    constants : sequence of LensConstant
    target_d : float
        At each length the implant is the one that reaches it, D.
    range_mm : tuple of float
        Lengths shown, mm.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.figures.power import plot_sensitivity
    >>> eye = et.power.Biometry(axial_length_mm=23.5, k1_d=43.5, k2_d=44.5, chamber_depth_mm=3.1)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> ax = plot_sensitivity(eye, [srk_t])
    >>> ax.get_ylabel()
    'refraction per 0.1 mm, D'
    """
    ax = quiet_axes(new_axes(ax, 6.4, 3.2))
    own = eye.axial_length_mm.item()
    lengths = np.linspace(min(range_mm[0], own), max(range_mm[1], own), 201)
    many = Biometry(
        axial_length_mm=lengths,
        k1_d=eye.k1_d,
        k2_d=eye.k2_d,
        chamber_depth_mm=eye.chamber_depth_mm,
        keratometric_index=eye.keratometric_index,
        vertex_mm=eye.vertex_mm,
    )
    for k, constant in enumerate(constants):
        marker, colour = _FORMULA_LOOK[k % len(_FORMULA_LOOK)]
        power = lens_power_d(many, constant, target_d)
        slope = 0.1 * np.abs(sensitivity(many, constant, power).length_d_per_mm)
        # Beside the guard of SRK/T the slope has no bound; it is not drawn there.
        slope = np.where(slope < 1.0, slope, np.nan)
        ax.plot(
            lengths,
            slope,
            marker=marker,
            markevery=25,
            markersize=4,
            linewidth=1.3,
            color=COLOURS[colour],
            label=constant.formula.label,
        )
    ax.axvline(own, color=COLOURS["muted"], linewidth=1.0, linestyle="--")
    ax.set_ylim(0.0, 1.12 * ax.get_ylim()[1])
    ax.annotate(
        f"this eye, {own:.2f} mm",
        (own, 0.03),
        xytext=(4, 0),
        xycoords=("data", "axes fraction"),
        textcoords="offset points",
        fontsize=8,
        color=COLOURS["ink"],
    )
    ax.set_xlabel("axial length, mm")
    ax.set_ylabel("refraction per 0.1 mm, D")
    ax.legend(frameon=False, fontsize=8, ncols=5, loc="upper right")
    return ax
