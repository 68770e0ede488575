"""A block's check, and its log over months."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from echotrace.figures.style import COLOURS, new_figure, quiet_axes
from echotrace.reference_block.chart import individuals_chart
from echotrace.text_out import picture_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from echotrace.reference_block.check import BlockCheck
    from echotrace.reference_block.log import BlockRecord

__all__ = ["block_figure", "block_log_figure"]


def block_figure(check: BlockCheck, *, tolerance_mm: float | None = None) -> Figure:
    """Delay against path with the fit, what it leaves, and the length errors with their limits.

    Parameters
    ----------
    check : BlockCheck
    tolerance_mm : float, optional

    Returns
    -------
    matplotlib.figure.Figure

    Examples
    --------
    >>> block_figure(check, tolerance_mm=0.05).savefig(folder / "block.png")  # of `et.check_block`
    """
    figure = new_figure(7.2, 3.2)
    left, right = figure.subplots(1, 2, width_ratios=(1.2, 1.0))
    _residuals(check, quiet_axes(left))
    _errors(check, tolerance_mm, quiet_axes(right))
    return figure


def _residuals(check: BlockCheck, ax: Axes) -> None:
    ax.axhline(0.0, color=COLOURS["muted"], linewidth=0.8)
    ax.errorbar(
        check.path_mm, 1e3 * check.residual_us, 2e3 * check.delay_u_us, fmt="o", markersize=4,
        color=COLOURS["trace"], ecolor=COLOURS["muted"], elinewidth=0.8, capsize=2,
    )  # fmt: skip
    ax.set_xlim(left=0.0)
    ax.set_xlabel("path through the block and back (mm)", fontsize=8)
    ax.set_ylabel("delay less its line (ns)", fontsize=8)
    what = "face" if check.touching else "front"
    ax.set_title(
        f"{check.speed_m_per_s:.1f} ± {check.speed_u_m_per_s:.1f} m/s, {what} at "
        f"{check.intercept_us:.4f} ± {check.intercept_u_us:.4f} µs (u); bars: 2 u",
        fontsize=7.5, loc="left", color=COLOURS["ink"],
    )  # fmt: skip


def _errors(check: BlockCheck, tolerance_mm: float | None, ax: Axes) -> None:
    at = np.arange(check.error_mm.size)
    if tolerance_mm is not None:
        ax.axhspan(-tolerance_mm, tolerance_mm, color=COLOURS["band"], linewidth=0)
        for k, item in enumerate(check.conformity):
            for limit in (item.accept_within, -item.accept_within):
                if item.accept_within > 0.0:
                    ax.plot([k - 0.3, k + 0.3], [limit, limit], color=COLOURS["ink"], linewidth=1.0)
    ax.axhline(0.0, color=COLOURS["muted"], linewidth=0.8)
    ax.errorbar(
        at, check.error_mm, 2.0 * check.error_u_mm, fmt="s", markersize=4,
        color=COLOURS["accent"], ecolor=COLOURS["accent"], elinewidth=1.0, capsize=3,
    )  # fmt: skip
    ax.set_xticks(
        at,
        [
            f"{mm:g}\n{item.verdict}"
            for mm, item in zip(check.thickness_mm, check.conformity, strict=True)
        ],
    )
    ax.set_xlim(-0.6, at[-1] + 0.6)
    ax.set_xlabel("thickness (mm)", fontsize=8)
    ax.set_ylabel("length error (mm)", fontsize=8)
    told = "; shaded: tolerance, lines: accepted within" if tolerance_mm is not None else ""
    ax.set_title(f"bars: 2 u{told}", fontsize=7.5, loc="left", color=COLOURS["ink"])


def block_log_figure(records: Sequence[BlockRecord]) -> Figure:
    """Individuals and moving-range chart of each block in a log, what breaks a rule marked.

    Parameters
    ----------
    records : sequence of BlockRecord
        From :func:`echotrace.reference_block.log.read_block_log`.

    Returns
    -------
    matplotlib.figure.Figure

    Examples
    --------
    >>> from echotrace.reference_block.log import block_record
    >>> record = block_record(check, block="B1", material="steel", recording="b.h5")
    >>> block_log_figure([record, record]).savefig(folder / "log.png")
    """
    blocks = {
        name: [r for r in records if r.block == name and np.isfinite(r.error_mm)]
        for name in dict.fromkeys(record.block for record in records)
    }
    figure = new_figure(7.2, 3.6 * len(blocks))
    axes = figure.subplots(2 * len(blocks), 1, squeeze=False, height_ratios=[2, 1] * len(blocks))
    for k, (name, own) in enumerate(blocks.items()):
        upper, lower = quiet_axes(axes[2 * k, 0]), quiet_axes(axes[2 * k + 1, 0])
        upper.set_title(picture_text(name), fontsize=8, loc="left", color=COLOURS["ink"])
        if len(own) < 2:
            upper.text(0.5, 0.5, "two checks are needed", ha="center", transform=upper.transAxes)
            lower.set_visible(False)
            continue
        _chart(own, upper, lower)
    return figure


def _chart(own: list[BlockRecord], upper: Axes, lower: Axes) -> None:
    chart = individuals_chart([record.error_mm for record in own])
    at = np.arange(len(own))
    upper.axhspan(chart.low, chart.high, color=COLOURS["band"], linewidth=0)
    upper.axhline(chart.middle, color=COLOURS["muted"], linewidth=0.8)
    upper.plot(at, chart.values, "-o", color=COLOURS["trace"], markersize=3.5, linewidth=0.8)
    lower.axhline(chart.mean_range, color=COLOURS["muted"], linewidth=0.8)
    lower.axhline(chart.high_range, color=COLOURS["ink"], linewidth=0.8, linestyle=(0, (4, 2)))
    lower.plot(at[1:], chart.ranges, "-o", color=COLOURS["trace"], markersize=3.5, linewidth=0.8)
    marked: dict[int, list[str]] = {}
    for k, rule in chart.broken:
        ax, value = (lower, chart.ranges[k - 1]) if rule == "range" else (upper, chart.values[k])
        ax.plot(k, value, "D", color=COLOURS["bad"], markersize=6, fillstyle="none")
        if rule != "range":
            marked.setdefault(k, []).append(rule)
    for k, rules in marked.items():
        # One word a run: its end is enough.
        if not set(rules) <= set(marked.get(k - 1, ())):
            upper.annotate(
                rules[0], (k, chart.values[k]), xytext=(4, 5), textcoords="offset points",
                fontsize=6.5, color=COLOURS["bad"], ha="right" if k > 0.7 * len(own) else "left",
            )  # fmt: skip
    failed = [k for k, record in enumerate(own) if record.verdict == "fail"]
    if failed:
        upper.plot(
            failed, chart.values[failed], "x", color=COLOURS["bad"], markersize=7,
            label="out of tolerance",
        )  # fmt: skip
        upper.legend(fontsize=7, frameon=False, loc="upper left")
    few = at[:: max(1, len(own) // 8)]
    for ax in (upper, lower):
        ax.set_xlim(-0.5, len(own) - 0.5)
    upper.set_xticks(few, [])
    lower.set_xticks(few, [own[k].utc[:10] for k in few], fontsize=7)
    upper.set_ylabel("length error (mm)", fontsize=8)
    lower.set_ylabel("moving range (mm)", fontsize=8)
    lower.set_ylim(bottom=0.0)
    lower.text(
        1.0, 0.98, "dashed: 3.267 times the mean; above shaded: ± 2.66 times", fontsize=6.5,
        ha="right", va="top", transform=lower.transAxes, color=COLOURS["muted"],
    )  # fmt: skip
