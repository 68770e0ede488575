"""One eye after the other: from the length of a sitting to what is said about an implant.

Brings together the length with its uncertainty, keratometry, plausibility, formulas, budget and
cautions, so that the command line, the page and a notebook all show the same numbers under the
same warnings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from echotrace.errors import ParameterError
from echotrace.measurement import Measurement
from echotrace.power.cautions import FULL_CAUTION, Caution, EyeHistory, cautions, refuse_history
from echotrace.power.lens_power import (
    AXIAL_LENGTH_RANGE_MM,
    CHAMBER_DEPTH_RANGE_MM,
    KERATOMETRIC_INDEX,
    VERTEX_MM,
    Biometry,
    Formula,
    LensConstant,
)
from echotrace.power.plausibility import (
    LIMITS,
    EyeRecord,
    Limit,
    PlausibilityFinding,
    check_plausibility,
)
from echotrace.power.propagation import (
    PUBLISHED,
    Budget,
    InputUncertainty,
    PowerTable,
    ScanGain,
    budget,
    one_more_scan,
    power_table,
    simulate_refraction,
)
from echotrace.sittings.sitting import summarise

__all__ = ["EyeLength", "EyeStudy", "PowerInputs", "lengths_of", "signed", "study_eyes"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeLength:
    """The length of one sitting of one eye, as it was measured.

    Attributes
    ----------
    eye : {"right", "left"}
    mean_mm : float
        Mean of the accepted scans, mm; NaN where there is none.
    u_mm, u_shared_mm : float
        Standard uncertainty of the mean: the scans' own part and the part they share, mm.
    n, n_accepted : int
        Scans taken and accepted; zero where it is not known.
    subject, method, operator, sitting : str
    lens_state, vitreous : str
    chamber_mm, lens_mm : float
        Corneal front to lens front and lens thickness from the same scans, mm.
    findings : tuple of str
        What the chain found wrong with the sitting, in words.
    stops : bool
        One of them says that the sitting has no acceptable result.
    """

    eye: str
    mean_mm: float
    u_mm: float
    u_shared_mm: float = 0.0
    n: int = 0
    n_accepted: int = 0
    subject: str = ""
    method: str = ""
    operator: str = ""
    sitting: str = ""
    lens_state: str = ""
    vitreous: str = ""
    chamber_mm: float = math.nan
    lens_mm: float = math.nan
    findings: tuple[str, ...] = ()
    stops: bool = False

    def __post_init__(self) -> None:
        if self.eye not in ("right", "left"):
            raise ParameterError(f"eye={self.eye!r}: a lens power belongs to a right or a left eye")
        for name in ("u_mm", "u_shared_mm"):
            if not (getattr(self, name) >= 0.0 or math.isnan(self.mean_mm)):
                raise ParameterError(
                    f"{self.eye} eye: {name}={getattr(self, name)!r} must be zero or more, in mm"
                )

    @property
    def name(self) -> str:
        """Title of this sitting."""
        parts = [
            f"{self.eye} eye",
            self.method,
            f"sitting {self.sitting}" if self.sitting else "",
            f"operator {self.operator}" if self.operator else "",
        ]
        return ", ".join(part for part in parts if part)


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerInputs:
    """Everything but the length. Mappings go from ``right``/``left`` to a number.

    Attributes
    ----------
    constants : tuple of LensConstant
    target_d : float
        Wanted spectacle refraction, D.
    k1_d, k2_d : mapping of str to float
        Keratometry as read, D.
    keratometric_index, vertex_mm : float
    chamber_mm : mapping of str to float
        Chamber depth from elsewhere, mm; takes the place of the one in the scans.
    refraction_d : mapping of str to float
        Spherical equivalent before surgery, D: for plausibility only.
    age_years : float
        For plausibility only.
    history : mapping of str to tuple of EyeHistory
        What was declared of each eye.
    constant_method : str
        How the lengths behind the constants were measured.
    uncertainty : mapping of str to float
        Standard uncertainty of the inputs other than the length, by the names of
        :data:`~echotrace.power.propagation.PUBLISHED`.
    uncertainty_given : frozenset of str
        Those of them that are the user's own.
    coverage : float
    n_each_side : int
        Steps of 0.5 D shown on either side.
    n_draws, seed : int
        Monte Carlo draws, and their seed.
    earlier : tuple of EyeRecord
    limits : mapping of str to Limit
    """

    constants: tuple[LensConstant, ...]
    target_d: float
    k1_d: Mapping[str, float]
    k2_d: Mapping[str, float]
    keratometric_index: float = KERATOMETRIC_INDEX
    vertex_mm: float = VERTEX_MM
    chamber_mm: Mapping[str, float] = field(default_factory=dict)
    refraction_d: Mapping[str, float] = field(default_factory=dict)
    age_years: float = math.nan
    history: Mapping[str, tuple[EyeHistory, ...]] = field(default_factory=dict)
    constant_method: str = ""
    uncertainty: Mapping[str, float] = field(
        default_factory=lambda: {name: value for name, (value, _) in PUBLISHED.items()}
    )
    uncertainty_given: frozenset[str] = frozenset()
    coverage: float = 0.95
    n_each_side: int = 3
    n_draws: int = 20_000
    seed: int = 0
    earlier: tuple[EyeRecord, ...] = ()
    limits: Mapping[str, Limit] = field(default_factory=lambda: LIMITS)


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
    """

    length: EyeLength
    refused: str = ""
    biometry: Biometry | None = None
    chamber_origin: str = ""
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
        """For JSON: plain numbers and texts, warnings beside the numbers."""
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
            "acceptable": self.acceptable,
            "refused": self.refused,
            "warnings": list(self.warnings),
            "notes": list(self.notes),
        }
        if self.table is None or self.biometry is None or self.uncertainty is None:
            return about
        table, eye = self.table, self.biometry
        about |= {
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
    """A refraction as it is written: with its sign, two decimals, no negative zero."""
    return f"{round(float(value), 2) + 0.0:+.2f}"


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value


def lengths_of(measurement: Measurement) -> list[EyeLength]:
    """The lengths of the sittings of a measurement.

    Raises
    ------
    ParameterError
        A sitting is not of an eye.
    """
    found = []
    for one in summarise(measurement):
        labels, segments = one.labels, one.segment_mean_mm
        if labels["eye"] not in ("right", "left"):
            raise ParameterError(
                f"the sitting of target {labels['target']!r} says eye={labels['eye']!r}: a lens "
                "power belongs to a right or a left eye"
            )
        phakic = labels["lens_state"] == "phakic"
        chamber = segments.get("cornea", math.nan) + segments.get("aqueous", math.nan)
        found.append(
            EyeLength(
                eye=labels["eye"],
                mean_mm=one.mean_mm,
                u_mm=one.u_mm,
                u_shared_mm=one.u_shared_mm,
                n=one.n,
                n_accepted=one.n_accepted,
                subject=labels["subject"],
                method=labels["method"],
                operator=labels["operator"],
                sitting=labels["sitting"],
                lens_state=labels["lens_state"],
                vitreous=labels["vitreous"],
                chamber_mm=chamber if phakic else math.nan,
                lens_mm=segments.get("lens", math.nan) if phakic else math.nan,
                findings=tuple(item.text for item in one.findings),
                stops=not one.acceptable,
            )
        )
    return found


def study_eyes(lengths: Sequence[EyeLength], inputs: PowerInputs) -> tuple[EyeStudy, ...]:
    """What the lengths of one subject's eyes mean for an implant.

    Parameters
    ----------
    lengths : sequence of EyeLength
        Sittings of one subject, both eyes perhaps.
    inputs : PowerInputs

    Returns
    -------
    tuple of EyeStudy
        One a sitting, in order. An eye the formulas were not made for, and a sitting without an
        accepted scan, come back refused with the reason; they do not stop the others.

    Raises
    ------
    ParameterError
        No sitting, several subjects, keratometry or constants that cannot be used.
    """
    if not lengths:
        raise ParameterError("there is no sitting to work on")
    subjects = {item.subject for item in lengths}
    if len(subjects) > 1:
        raise ParameterError(
            f"{len(subjects)} subjects ({', '.join(sorted(subjects)[:3])}, ...) but one "
            "keratometry: choose one subject"
        )
    findings = _plausibility(lengths, inputs)
    return tuple(_study(item, inputs, findings) for item in lengths)


def _record(length: EyeLength, inputs: PowerInputs) -> EyeRecord:
    to_standard = (KERATOMETRIC_INDEX - 1.0) / (inputs.keratometric_index - 1.0)
    return EyeRecord(
        eye=length.eye,
        length_mm=length.mean_mm,
        length_u_mm=math.hypot(length.u_mm, length.u_shared_mm),
        method=length.method,
        lens_state=length.lens_state,
        chamber_mm=_chamber(length, inputs)[0],
        lens_mm=length.lens_mm,
        k1_d=inputs.k1_d.get(length.eye, math.nan) * to_standard,
        k2_d=inputs.k2_d.get(length.eye, math.nan) * to_standard,
        refraction_d=inputs.refraction_d.get(length.eye, math.nan),
        age_years=inputs.age_years,
        label=_record_label(length),
    )


def _plausibility(
    lengths: Sequence[EyeLength], inputs: PowerInputs
) -> tuple[PlausibilityFinding, ...]:
    # A length that no eye has is refused by itself and compared with nothing.
    known = [item for item in lengths if 10.0 <= item.mean_mm <= 50.0]
    return check_plausibility(
        [_record(item, inputs) for item in known], earlier=inputs.earlier, limits=inputs.limits
    )


def _concerns(finding: PlausibilityFinding, length: EyeLength) -> bool:
    if finding.subject.startswith("right against left"):
        return True
    own = _record_label(length)
    name = f"{length.eye} eye, {own}" if own else f"{length.eye} eye"
    return finding.subject in (name, f"{length.eye} eye, contact against immersion")


def _record_label(length: EyeLength) -> str:
    parts = (length.method, length.sitting, length.operator)
    return ", ".join(part for part in parts if part)


def _chamber(length: EyeLength, inputs: PowerInputs) -> tuple[float, str]:
    if length.eye in inputs.chamber_mm:
        return inputs.chamber_mm[length.eye], "given"
    if length.lens_state in ("", "phakic") and not math.isnan(length.chamber_mm):
        return length.chamber_mm, "from these scans"
    return math.nan, "not known"


def _history_of(length: EyeLength, inputs: PowerInputs) -> tuple[EyeHistory, ...]:
    seen = list(inputs.history.get(length.eye, ()))
    if length.lens_state == "aphakic":
        seen.append(EyeHistory.APHAKIA)
    if length.lens_state == "pseudophakic":
        seen.append(EyeHistory.EXISTING_IMPLANT)
    if length.vitreous.startswith("silicone_oil"):
        seen.append(EyeHistory.SILICONE_OIL)
    if length.vitreous == "gas":
        seen.append(EyeHistory.GAS)
    return tuple(seen)


def _study(
    length: EyeLength, inputs: PowerInputs, findings: Sequence[PlausibilityFinding]
) -> EyeStudy:
    mine = tuple(item for item in findings if _concerns(item, length))
    history = _history_of(length, inputs)
    if math.isnan(length.mean_mm):
        return EyeStudy(
            length=length,
            plausibility=mine,
            refused="no lens power is given, no accepted scan: measure this eye again",
        )
    low, high = AXIAL_LENGTH_RANGE_MM
    if not low <= length.mean_mm <= high:
        return EyeStudy(
            length=length,
            plausibility=mine,
            refused=f"no lens power is given, the length of {length.mean_mm:.2f} mm lies outside "
            f"{low:g} to {high:g} mm, for which these formulas were not made; measure again, and "
            "check the gates and the eye's state",
        )
    try:
        refuse_history(history)
    except ParameterError as error:
        return EyeStudy(length=length, plausibility=mine, refused=str(error))
    chamber, origin = _chamber(length, inputs)
    low, high = CHAMBER_DEPTH_RANGE_MM
    if origin == "from these scans" and not low <= chamber <= high:
        # Plausibility tells of it; the formulas go on without.
        chamber, origin = math.nan, f"{chamber:.2f} mm in these scans is not used"
    eye = Biometry(
        axial_length_mm=np.array(length.mean_mm),
        k1_d=np.array(inputs.k1_d[length.eye]),
        k2_d=np.array(inputs.k2_d[length.eye]),
        chamber_depth_mm=np.array(chamber),
        keratometric_index=inputs.keratometric_index,
        vertex_mm=inputs.vertex_mm,
    )
    uncertainty = InputUncertainty(
        length_mm=length.u_mm, length_shared_mm=length.u_shared_mm, **inputs.uncertainty
    )
    dof = float(length.n_accepted - 1) if length.n_accepted > 1 else math.inf
    table = power_table(
        eye,
        inputs.constants,
        inputs.target_d,
        uncertainty,
        n_each_side=inputs.n_each_side,
        coverage=inputs.coverage,
        length_dof=dof,
    )
    nearest = [table.power_d[table.nearest(k)].item() for k in range(len(table.constants))]
    warned = cautions(
        eye,
        inputs.constants,
        target_d=inputs.target_d,
        history_asked=EyeHistory.NONE in history,
        constant_method=inputs.constant_method,
        length_method=length.method,
    )
    tails = [0.5 - inputs.coverage / 2.0, 0.5 + inputs.coverage / 2.0]
    drawn = []
    for constant, power in zip(table.constants, nearest, strict=True):
        values = simulate_refraction(
            eye,
            constant,
            power,
            uncertainty,
            n_draws=inputs.n_draws,
            seed=inputs.seed,
            length_dof=dof,
        )
        low, high = np.quantile(values, tails)
        drawn.append((float(low), float(high)))
    return EyeStudy(
        length=length,
        biometry=eye,
        chamber_origin=origin,
        uncertainty=uncertainty,
        table=table,
        budgets=tuple(
            budget(eye, constant, power, uncertainty)
            for constant, power in zip(table.constants, nearest, strict=True)
        ),
        drawn_d=tuple(drawn),
        gain=(
            one_more_scan(eye, table.constants[0], nearest[0], uncertainty, length.n_accepted)
            if length.n_accepted > 1
            else None
        ),
        cautions=(*_own_cautions(length, inputs, table, drawn, origin), *warned),
        plausibility=mine,
        coverage=inputs.coverage,
    )


def _own_cautions(
    length: EyeLength,
    inputs: PowerInputs,
    table: PowerTable,
    drawn: Sequence[tuple[float, float]],
    chamber_origin: str,
) -> tuple[Caution, ...]:
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
    left_out = [name for name, value in inputs.uncertainty.items() if value == 0.0]
    if left_out:
        words = ", ".join(name.rsplit("_", 1)[0].replace("_", " ") for name in left_out)
        found.append(
            Caution(
                "inputs_left_out",
                "warning",
                f"The interval leaves out the uncertainty of {words}: real outcomes scatter more.",
            )
        )
    if length.method == "contact" and not inputs.constant_method:
        found.append(
            Caution(
                "contact_length",
                "warning",
                "Contact presses the eye shorter, 0.1 to 0.3 mm in most studies, and the interval "
                "does not hold that: it is right only with constants optimised on contact lengths.",
            )
        )
    haigis = any(
        item.formula is Formula.HAIGIS and item.values[1] != 0.0 for item in inputs.constants
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
