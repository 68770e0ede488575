"""All that is said about one eye, and nothing without its warnings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from echotrace.caution import SYNTHETIC
from echotrace.power.biometry import Biometry
from echotrace.power.budgets import Budget, ScanGain
from echotrace.power.eye_cautions import FULL_CAUTION, Caution
from echotrace.power.eye_length import EyeLength
from echotrace.power.eye_record import PlausibilityFinding
from echotrace.power.table import PowerTable
from echotrace.power.uncertainty import InputUncertainty

__all__ = ["EyeStudy", "signed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeStudy:
    """All that is said about one eye, and nothing without its warnings.

    Attributes
    ----------
    length : EyeLength
    refused : str
        Why no power is given; empty where one is. All below is then empty.
    biometry : Biometry or None
    chamber_origin : str
        Where the chamber depth came from.
    pressing : str
        How pressing was taken in, in words; empty where nothing pressed.
    uncertainty : InputUncertainty or None
    table : PowerTable or None
    budgets : tuple of Budget
        One a formula, at the power nearest to the target.
    drawn_d : tuple of tuple of float
        One a formula: interval at that power by Monte Carlo, D.
    gain : ScanGain or None
        By the first formula; None where the number of scans is not known.
    cautions : tuple of Caution
    plausibility : tuple of PlausibilityFinding
        Those that speak of this eye or of both.
    coverage : float

    Examples
    --------
    >>> import echotrace as et
    >>> length = et.power.EyeLength(eye="right", mean_mm=23.4, u_mm=0.03, n=5, n_accepted=5)
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> given = et.power.PowerSettings(
    ...     constants=(srk_t,), target_d=-0.25, k1_d={"right": 43.5}, k2_d={"right": 44.5}
    ... )
    >>> (study,) = et.power.study_eyes([length], given)
    >>> study.acceptable, round(float(study.table.for_target_d[0]), 2)
    (True, 20.71)
    """

    length: EyeLength
    refused: str = ""
    biometry: Biometry | None = None
    chamber_origin: str = ""
    pressing: str = ""
    uncertainty: InputUncertainty | None = None
    table: PowerTable | None = None
    budgets: tuple[Budget, ...] = ()
    drawn_d: tuple[tuple[float, float], ...] = ()
    gain: ScanGain | None = None
    cautions: tuple[Caution, ...] = ()
    plausibility: tuple[PlausibilityFinding, ...] = ()
    coverage: float = 0.95

    @property
    def warnings(self) -> tuple[str, ...]:
        """What must be read before any number of this eye, most important first."""
        not_acceptable = (
            "The sitting has no acceptable result: the powers below only show what it would mean, "
            "and must not be used to choose a lens. Measure again."
        )
        return (
            *((not_acceptable,) if self.length.stops and self.table is not None else ()),
            *(f"The measurement: {text}" for text in self.length.findings),
            *(item.text for item in self.plausibility if item.severity == "check"),
            *(item.text for item in self.cautions if item.severity == "warning"),
        )

    @property
    def notes(self) -> tuple[str, ...]:
        """What is worth knowing besides."""
        return (
            *(item.text for item in self.plausibility if item.severity != "check"),
            *(item.text for item in self.cautions if item.severity != "warning"),
        )

    @property
    def acceptable(self) -> bool:
        """A power is given, and nothing says that the sitting has no acceptable result."""
        return not self.refused and not self.length.stops

    def to_dict(self) -> dict[str, Any]:
        """For JSON: plain numbers and texts, warnings beside the numbers.

        Returns
        -------
        dict
            Lengths in mm, powers and refractions in D; missing numbers are None.
        """
        length = self.length
        about: dict[str, Any] = {
            "eye": length.eye,
            "subject": length.subject,
            "method": length.method,
            "operator": length.operator,
            "sitting": length.sitting,
            "n_scans": length.n,
            "n_accepted": length.n_accepted,
            "axial_length_mm": _or_none(length.mean_mm),
            "axial_length_u_mm": _or_none(length.u_mm),
            "axial_length_u_shared_mm": _or_none(length.u_shared_mm),
            "caution": FULL_CAUTION,
            "synthetic": SYNTHETIC if length.synthetic else None,
            "made_with": [line for line in length.made_with.split("\n") if line],
            "acceptable": self.acceptable,
            "refused": self.refused,
            "warnings": list(self.warnings),
            "notes": list(self.notes),
        }
        if self.table is None or self.biometry is None or self.uncertainty is None:
            return about
        table, eye = self.table, self.biometry
        about |= {
            "axial_length_used_mm": eye.axial_length_mm.item(),
            "pressing_u_mm": self.uncertainty.pressing_mm,
            "pressing": self.pressing,
            "k1_d": eye.k1_d.item(),
            "k2_d": eye.k2_d.item(),
            "keratometric_index": eye.keratometric_index,
            "vertex_mm": eye.vertex_mm,
            "chamber_depth_mm": _or_none(eye.chamber_depth_mm.item()),
            "chamber_depth_origin": self.chamber_origin,
            "target_d": table.target_d,
            "coverage": self.coverage,
            "formulas_low_d": [x.item() for x in table.disagreement_d()[0]],
            "formulas_high_d": [x.item() for x in table.disagreement_d()[1]],
            "formulas": [
                {
                    "formula": str(constant.formula),
                    "constant": dict(
                        zip(constant.formula.constant_names, constant.values, strict=True)
                    ),
                    "constant_converted": constant.converted_from,
                    "power_for_target_d": table.for_target_d[k].item(),
                    "nearest_power_d": table.power_d[table.nearest(k)].item(),
                    "drawn_interval_d": list(self.drawn_d[k]),
                    "budget_d": dict(self.budgets[k].parts_d),
                    "budget_share": self.budgets[k].shares,
                    "u_d": self.budgets[k].total_d,
                    "advice": self.budgets[k].advice,
                }
                for k, constant in enumerate(table.constants)
            ],
            "rows": table.to_records(),
        }
        if self.gain is not None:
            about["one_more_scan"] = {
                name: getattr(self.gain, name) for name in ScanGain.__dataclass_fields__
            }
        return about


def signed(value: float) -> str:
    """A refraction as it is written: with its sign, two decimals, no negative zero.

    Parameters
    ----------
    value : float
        D.

    Returns
    -------
    str

    Examples
    --------
    >>> from echotrace.power.eye_study import signed
    >>> signed(-0.25), signed(-0.001)
    ('-0.25', '+0.00')
    """
    return f"{round(float(value), 2) + 0.0:+.2f}"


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value
