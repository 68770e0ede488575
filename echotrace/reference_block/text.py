"""A check of a block in words."""

from __future__ import annotations

import math

from echotrace.caution import CAUTION
from echotrace.reference_block.chart import RUN_RULES, Chart
from echotrace.reference_block.check import BlockCheck
from echotrace.reference_block.decision import RULE

__all__ = ["block_text", "chart_text"]

_BUDGET = ("thickness", "speed", "temperature", "clock", "distortion", "readings", "face delay")


def block_text(check: BlockCheck, *, material: str, tolerance_mm: float | None) -> str:
    """The check as text.

    Parameters
    ----------
    check : BlockCheck
    material : str
    tolerance_mm : float or None

    Returns
    -------
    str

    Examples
    --------
    >>> print(block_text(check, material="steel", tolerance_mm=0.05).splitlines()[0])
    2 traces; steel at 20 °C, stated speed 5920.0 ± 2.0 m/s (u)
    """
    said = [
        f"{check.n_traces} traces; {material} at {check.temperature_c:g} °C, stated speed "
        f"{check.stated_speed_m_per_s:.1f} ± {check.stated_speed_u_m_per_s:.1f} m/s (u)",
        "",
        "thickness, mm    measured, mm    error, mm    u, mm    verdict",
        "-------------  --------------  -----------  -------  ----------",
    ]
    for k in range(check.thickness_mm.size):
        length, error = check.length_mm[k], check.error_mm[k]
        shown = ("-", "-", "-") if math.isnan(length) else (
            f"{length:.4f}", f"{error:+.4f}", f"{check.error_u_mm[k]:.4f}"
        )  # fmt: skip
        said.append(
            f"{check.thickness_mm[k]:13.4f}  {shown[0]:>14}  {shown[1]:>11}  {shown[2]:>7}  "
            f"{check.conformity[k].verdict}"
        )
    k = check.worst
    if math.isfinite(check.error_mm[k]):
        parts = ", ".join(f"{n} {check.budget_mm[n][k]:.4f}" for n in _BUDGET)
        said += ["", f"Uncertainty at {check.thickness_mm[k]:g} mm, parts in mm: {parts}."]
    if tolerance_mm is not None:
        shown_rule = f"Rule: {RULE}; tolerance ±{tolerance_mm:g} mm"
        item = check.conformity[k]
        if math.isfinite(item.accept_within):
            shown_rule += (
                f", accepted within ±{max(item.accept_within, 0.0):.4f} mm; probability that the "
                f"error is within tolerance {item.probability:.3f}"
            )
            if item.accept_within <= 0.0:
                shown_rule += "; the uncertainty is too large for anything to pass"
        said.append(f"{shown_rule}.")
    orders = check.path_mm.size
    what = "Delay of the probe's face" if check.touching else "Front of the block at"
    said += [
        "",
        f"Speed, from {orders} delays at {len(set(check.path_mm.round(9)))} paths: "
        f"{check.speed_m_per_s:.1f} ± {check.speed_u_m_per_s:.1f} m/s (u).",
        f"{what}: {check.intercept_us:.4f} ± {check.intercept_u_us:.4f} µs (u).",
    ]
    if check.misfit > 1.0:
        said.append(
            f"The delays do not lie on a line as well as they should (chi-squared "
            f"{check.chi_squared:.1f} at {check.degrees_of_freedom} degrees of freedom); the "
            f"uncertainties of speed and intercept are widened by {check.misfit:.2g} (Birge ratio)."
        )
    if check.time_base is None:
        said.append("Time base: not tested, for that takes three echoes of one step.")
    else:
        said.append(
            f"Time base: the echoes between the first and the last lie off their line by at most "
            f"{check.time_base.largest:.3f} % of it (ISO 22232-1 allows 1 %; value from memory)."
        )
    if check.gain is None:
        said.append("Gain: not tested, for that takes three stated gains and an unclipped echo.")
    else:
        said.append(
            f"Gain: an echo's height follows the stated gain to {check.gain.largest:.2f} dB within "
            "any 20 dB (ISO 22232-1 allows 1 dB; value from memory)."
        )
    if check.n_clipped:
        said.append(f"{check.n_clipped} echoes are clipped: lower the gain for a sharper check.")
    said += ["", f"This is a check, not a certification. {CAUTION}"]
    return "\n".join(said)


def chart_text(chart: Chart, block: str) -> str:
    """Limits of the chart, and which points break which rule.

    Parameters
    ----------
    chart : Chart
    block : str

    Returns
    -------
    str

    Examples
    --------
    >>> from echotrace.reference_block.chart import individuals_chart
    >>> print(chart_text(individuals_chart([0.0, 0.01, 0.0, 0.01]), "B1").splitlines()[-1])
    No rule is broken.
    """
    said = [
        f"{block}: {chart.values.size} checks, mean {chart.middle:+.4f} mm, limits "
        f"{chart.low:+.4f} to {chart.high:+.4f} mm; mean moving range {chart.mean_range:.4f}, "
        f"limit {chart.high_range:.4f} mm."
    ]
    said += [f"Check {k + 1}: {RUN_RULES[rule]}." for k, rule in chart.broken]
    return "\n".join(said if chart.broken else [*said, "No rule is broken."])
