"""Cautions that rest on how the length was measured and on what the formulas did with it."""

from __future__ import annotations

from collections.abc import Sequence

from echotrace.power.constants import Formula
from echotrace.power.eye_cautions import Caution
from echotrace.power.eye_length import EyeLength
from echotrace.power.eye_study import signed
from echotrace.power.settings import PowerSettings
from echotrace.power.table import PowerTable

__all__ = ["study_cautions"]


def study_cautions(
    length: EyeLength,
    settings: PowerSettings,
    table: PowerTable,
    drawn: Sequence[tuple[float, float]],
    chamber_origin: str,
) -> tuple[Caution, ...]:
    """Warnings about one eye that need its sitting, its settings and its table.

    Parameters
    ----------
    length : EyeLength
    settings : PowerSettings
    table : PowerTable
    drawn : sequence of tuple of float
        Interval by Monte Carlo, D, one a formula.
    chamber_origin : str
        Where the chamber depth came from.

    Returns
    -------
    tuple of Caution

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.power.study_cautions import study_cautions
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> length = et.power.EyeLength(eye="right", mean_mm=23.4, u_mm=0.03, n=5, n_accepted=1)
    >>> given = et.power.PowerSettings(
    ...     constants=(srk_t,), target_d=-0.25, k1_d={"right": 43.5}, k2_d={"right": 44.5}
    ... )
    >>> (study,) = et.power.study_eyes([length], given)
    >>> [x.name for x in study_cautions(length, given, study.table, study.drawn_d, "not known")]
    ['one_scan']
    """
    found = []
    if length.n_accepted == 1:
        found.append(
            Caution(
                "one_scan",
                "warning",
                "Only one scan was accepted: how far another would have differed is not known, "
                "and the interval is too narrow.",
            )
        )
    if length.u_mm == 0.0 and length.u_shared_mm == 0.0:
        found.append(
            Caution(
                "length_without_uncertainty",
                "warning",
                "The length was given without uncertainty: the interval leaves it out.",
            )
        )
    left_out = [name for name, value in settings.uncertainty.items() if value == 0.0]
    if left_out:
        words = ", ".join(name.rsplit("_", 1)[0].replace("_", " ") for name in left_out)
        found.append(
            Caution(
                "inputs_left_out",
                "warning",
                f"The interval leaves out the uncertainty of {words}: real outcomes scatter more.",
            )
        )
    haigis = any(
        item.formula is Formula.HAIGIS and item.values[1] != 0.0 for item in settings.constants
    )
    if haigis and chamber_origin == "from these scans" and length.method == "contact":
        found.append(
            Caution(
                "chamber_by_contact",
                "warning",
                "The chamber depth that Haigis uses comes from contact scans, which press the "
                "chamber flatter: 0.1 mm of it is about 0.05 D.",
            )
        )
    for k, (low, high) in enumerate(drawn):
        result, row = table.outcomes[k], table.nearest(k)
        apart = max(abs(low - result.low_d[row]), abs(high - result.high_d[row]))
        # Ten times the scatter of a quantile of 20 000 draws.
        if apart > max(0.1, 0.06 * (high - low)):
            found.append(
                Caution(
                    "formula_bends",
                    "warning",
                    f"{table.constants[k].formula.label} bends so much for this eye that its "
                    f"interval is wrong; by drawing it is {signed(low)} to {signed(high)} D for "
                    f"{table.power_d[row]:.1f} D.",
                )
            )
    return tuple(found)
