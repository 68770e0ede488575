"""Whether a length makes sense beside everything else known of the subject.

Findings across the sittings of one subject: the fellow eye, keratometry and refraction, chamber
and lens for the age, values that guidelines want measured twice, immersion against contact, today
against an earlier record. A finding is a reason to look again, never a verdict; the limits can be
changed, and each says where it comes from.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from echotrace.errors import ParameterError
from echotrace.user_input import did_you_mean, read_toml

__all__ = [
    "LIMITS",
    "EyeRecord",
    "Limit",
    "PlausibilityFinding",
    "check_plausibility",
    "limits_with",
    "natural_lens_power_d",
    "read_limits",
]

Severity = Literal["note", "check"]


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit and its standing.

    Attributes
    ----------
    value : float
        In the unit that ends its name.
    source : str
        Published source, ``common practice, no source``, or ``value from memory`` beside it.
    """

    value: float
    source: str


_GUIDELINE = (
    "Royal College of Ophthalmologists, cataract surgery guidelines 2010, and Knox Cartwright et "
    "al. 2010, Eye 24:894 (value from memory)"
)
_FELLOW = (
    "Interocular axial length difference and age-related cataract, J Cataract Refract Surg 2008"
)
_POPULATION = "28,709 cataract eyes, BMC Ophthalmology 2021"
_METHODS = "contact less immersion -0.20 (SD 0.26) mm, Ademola-Popoola 2016; mean and 1.96 SD"
_NO_SOURCE = "common practice, no source"

LIMITS: Mapping[str, Limit] = MappingProxyType(
    {
        "length_low_mm": Limit(21.20, _GUIDELINE),
        "length_high_mm": Limit(26.60, _GUIDELINE),
        "k_low_d": Limit(41.0, _GUIDELINE),
        "k_high_d": Limit(47.0, _GUIDELINE),
        "k_difference_d": Limit(0.9, _GUIDELINE),
        "length_difference_note_mm": Limit(
            0.30, f"trade rule; exceeded by 24 % of 1379 patients: {_FELLOW}"
        ),
        "length_difference_check_mm": Limit(0.70, _GUIDELINE),
        "length_difference_short_mm": Limit(
            0.5, f"95th centile where the longer eye is 22.0 mm or less: {_FELLOW}"
        ),
        "length_difference_long_mm": Limit(
            4.0, f"95th centile where the longer eye is 28 mm or more: {_FELLOW}"
        ),
        "length_radius_ratio_low": Limit(2.6, _NO_SOURCE),
        "length_radius_ratio_high": Limit(3.7, _NO_SOURCE),
        # Mean 22.3 to 22.5 D in 1006 older adults (Shahroud Eye Cohort Study, PMC4795389) and
        # three times a spread of 2 D (value from memory).
        "natural_lens_low_d": Limit(
            16.5, "mean of the Shahroud Eye Cohort Study less 3 SD (SD: value from memory)"
        ),
        "natural_lens_high_d": Limit(
            28.5, "mean of the Shahroud Eye Cohort Study and 3 SD (SD: value from memory)"
        ),
        "natural_lens_difference_d": Limit(1.5, _NO_SOURCE),
        "chamber_deviation_sd": Limit(2.5, f"spread of {_POPULATION}; factor: {_NO_SOURCE}"),
        "lens_deviation_sd": Limit(2.5, f"spread of {_POPULATION}; factor: {_NO_SOURCE}"),
        "contact_less_immersion_low_mm": Limit(-0.71, _METHODS),
        "contact_less_immersion_high_mm": Limit(0.31, _METHODS),
        "earlier_contact_mm": Limit(0.51, "between sessions, contact, 95 %: Cass et al. 2002"),
        "earlier_immersion_mm": Limit(0.2, _NO_SOURCE),
    }
)
"""Limits by name; change them with :func:`limits_with` or a TOML file."""

# Chamber (corneal front to lens front) and lens of cataract eyes, mm; mean age taken as the one
# at which the lens law below gives the mean (67 years).
_CHAMBER_MM, _CHAMBER_SD_MM = 3.02, 0.45
_LENS_MM, _LENS_SD_MM = 4.52, 0.45
_MEAN_AGE_YEARS = 67.0
# Growth of the lens 0.0236 mm and loss of the chamber 0.010 mm a year: Dubbelman et al. 2001,
# Optom Vis Sci 78:411 (values from memory; his lens law 2.93 + 0.0236 age gives 4.51 at 67).
_LENS_PER_YEAR_MM, _CHAMBER_PER_YEAR_MM = 0.0236, -0.010
_AGE_SOURCE = (
    f"{_POPULATION}; change with age: Dubbelman et al. 2001, Optom Vis Sci 78:411 (value from "
    "memory)"
)


def limits_with(
    changes: Mapping[str, float], *, source: str = "set by the user"
) -> dict[str, Limit]:
    """The limits with some of them changed.

    Parameters
    ----------
    changes : mapping of str to float
    source : str
        Who set them.

    Raises
    ------
    ParameterError
        Unknown name, a value that is not a number, or a pair of limits in the wrong order.
    """
    limits = dict(LIMITS)
    for name, value in changes.items():
        if name not in LIMITS:
            hint = did_you_mean(name, LIMITS)
            raise ParameterError(f"unknown limit {name!r}: {hint}Known: {', '.join(LIMITS)}")
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not math.isfinite(value)
        ):
            raise ParameterError(f"limit {name}={value!r} must be a number")
        limits[name] = Limit(float(value), source)
    for name in limits:
        partner = name.replace("_low", "_high")
        if partner != name and limits[name].value >= limits[partner].value:
            raise ParameterError(
                f"limit {name}={limits[name].value:g} must be below "
                f"{partner}={limits[partner].value:g}"
            )
    return limits


def read_limits(path: str | Path) -> dict[str, Limit]:
    """Read changed limits from a TOML file of ``name = number`` lines."""
    path = Path(path)
    table = read_toml(path)
    try:
        return limits_with(table, source=f"set in {path.name}")
    except ParameterError as error:
        raise ParameterError(f"{path}: {error}") from None


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeRecord:
    """One sitting of one eye, with what else is known of the eye. NaN or empty: not known.

    Attributes
    ----------
    eye : {"right", "left"}
    length_mm, length_u_mm : float
        Mean axial length and its standard uncertainty, mm.
    method : {"", "contact", "immersion", "other"}
    lens_state : {"", "phakic", "aphakic", "pseudophakic"}
    chamber_mm, lens_mm : float
        Corneal front to lens front, and lens thickness, mm.
    k1_d, k2_d : float
        Keratometry, D (index 1.3375).
    refraction_d : float
        Spherical equivalent, D, before surgery.
    age_years : float
    label : str
        How findings name this sitting.
    """

    eye: str
    length_mm: float
    length_u_mm: float = math.nan
    method: str = ""
    lens_state: str = ""
    chamber_mm: float = math.nan
    lens_mm: float = math.nan
    k1_d: float = math.nan
    k2_d: float = math.nan
    refraction_d: float = math.nan
    age_years: float = math.nan
    label: str = ""

    def __post_init__(self) -> None:
        if self.eye not in ("right", "left"):
            raise ParameterError(f"eye={self.eye!r}: use right or left")
        bounds = {
            "length_mm": (10.0, 50.0, "mm"),
            "k1_d": (30.0, 60.0, "D; a radius in mm is not meant"),
            "k2_d": (30.0, 60.0, "D; a radius in mm is not meant"),
            "refraction_d": (-40.0, 25.0, "D"),
            "age_years": (0.0, 120.0, "years"),
            "chamber_mm": (0.0, 8.0, "mm"),
            "lens_mm": (0.0, 10.0, "mm"),
        }
        for name, (low, high, unit) in bounds.items():
            value = getattr(self, name)
            missing = math.isnan(value) and name != "length_mm"
            if not missing and not low <= value <= high:
                raise ParameterError(
                    f"{self.eye} eye: {name}={value:g} must lie between {low:g} and {high:g} {unit}"
                )

    @property
    def mean_k_d(self) -> float:
        """Mean keratometry, D; NaN where not known."""
        return (self.k1_d + self.k2_d) / 2.0

    @property
    def name(self) -> str:
        """How findings name it: the eye, and the sitting where it has a label."""
        return f"{self.eye} eye, {self.label}" if self.label else f"{self.eye} eye"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlausibilityFinding:
    """One reason to look again.

    Attributes
    ----------
    name : str
    severity : {"note", "check"}
        ``check``: do not pass the length on before somebody has looked at it.
    subject : str
        The eye or sittings it speaks of.
    value, limit : float
        The figure found, and the limit that it crossed.
    unit : str
    text : str
        What was found, what may be behind it and what to do.
    source : str
        Where the limit comes from.
    """

    name: str
    severity: Severity
    subject: str
    value: float
    limit: float
    unit: str
    text: str
    source: str


def natural_lens_power_d(
    length_mm: float,
    mean_k_d: float,
    refraction_d: float,
    chamber_mm: float = _CHAMBER_MM,
    lens_mm: float = _LENS_MM,
) -> float:
    """Power that the natural lens must have for length, cornea and refraction to belong together.

    Parameters
    ----------
    length_mm : float
        mm.
    mean_k_d : float
        Mean keratometry, D (index 1.3375).
    refraction_d : float
        Spherical equivalent in the spectacle plane at 12 mm, D.
    chamber_mm, lens_mm : float
        Corneal front to lens front, and lens thickness, mm.

    Returns
    -------
    float
        Equivalent power of the lens in the eye, D.

    Notes
    -----
    Bennett 1988, Ophthalmic Physiol Opt 8:53, with the principal planes of the lens 0.571 T
    behind its front and 0.378 T before its back (values from memory).
    """
    cornea = mean_k_d * (1000.0 / 3.0) / 337.5
    in_front = cornea + refraction_d / (1.0 - 0.012 * refraction_d)
    first_plane = chamber_mm + 0.571 * lens_mm
    behind = length_mm - chamber_mm - lens_mm + 0.378 * lens_mm
    return 1336.0 / behind - 1336.0 / (1336.0 / in_front - first_plane)


class _Findings:
    """Collects findings; looks limits and their sources up."""

    def __init__(self, limits: Mapping[str, Limit]) -> None:
        self.limits = limits
        self.found: list[PlausibilityFinding] = []

    def value(self, name: str) -> float:
        return self.limits[name].value

    def add(
        self,
        name: str,
        severity: Severity,
        subject: str,
        value: float,
        limit: str,
        text: str,
        source: str = "",
    ) -> None:
        unit = {"mm": "mm", "d": "D", "sd": "SD"}.get(limit.rsplit("_", 1)[1], "1")
        self.found.append(
            PlausibilityFinding(
                name=name,
                severity=severity,
                subject=subject,
                value=value,
                limit=self.value(limit),
                unit=unit,
                text=text,
                source=source or self.limits[limit].source,
            )
        )


def check_plausibility(
    records: Sequence[EyeRecord],
    *,
    earlier: Sequence[EyeRecord] = (),
    limits: Mapping[str, Limit] = LIMITS,
) -> tuple[PlausibilityFinding, ...]:
    """Look at all sittings of one subject together.

    Parameters
    ----------
    records : sequence of EyeRecord
        Today's sittings of both eyes, one subject.
    earlier : sequence of EyeRecord
        Earlier ones of the same subject.
    limits : mapping of str to Limit
        All of :data:`LIMITS`, some perhaps changed.

    Returns
    -------
    tuple of PlausibilityFinding
        Those to check first, in the order in which the eyes were given.
    """
    missing = set(LIMITS) - set(limits)
    if missing:
        raise ParameterError(f"limits lack {', '.join(sorted(missing))}: start from limits_with")
    findings = _Findings(limits)
    for record in records:
        _second_look(findings, record)
        _cornea_and_refraction(findings, record)
        _chamber_and_lens(findings, record)
    _methods(findings, records)
    _fellow_eyes(findings, records)
    _earlier(findings, records, earlier)
    return tuple(sorted(findings.found, key=lambda item: item.severity != "check"))


def _second_look(findings: _Findings, record: EyeRecord) -> None:
    if not findings.value("length_low_mm") <= record.length_mm <= findings.value("length_high_mm"):
        short = record.length_mm < findings.value("length_low_mm")
        findings.add(
            "length_second_look",
            "check",
            record.name,
            record.length_mm,
            "length_low_mm" if short else "length_high_mm",
            f"{record.length_mm:.2f} mm is an unusually {'short' if short else 'long'} eye: "
            "measure again, if possible by another person. "
            + (
                "A beam off axis, a pressed cornea or a gate before the retina read too short."
                if short
                else "In a long eye a staphyloma can put the retina echo beside the fovea; oil "
                "and a wrong eye state read too long."
            ),
        )
    for name, reading in (("K1", record.k1_d), ("K2", record.k2_d)):
        low, high = findings.value("k_low_d"), findings.value("k_high_d")
        if not math.isnan(reading) and not low <= reading <= high:
            flat = reading < low
            findings.add(
                "k_second_look",
                "check",
                record.name,
                reading,
                "k_low_d" if flat else "k_high_d",
                f"{name} of {reading:.2f} D is unusually {'flat' if flat else 'steep'}: repeat "
                "keratometry, and ask about "
                + (
                    "laser surgery for myopia."
                    if flat
                    else "keratoconus and surgery for hyperopia."
                ),
            )


def _cornea_and_refraction(findings: _Findings, record: EyeRecord) -> None:
    if math.isnan(record.mean_k_d):
        return
    if math.isnan(record.refraction_d) or record.lens_state not in ("", "phakic"):
        ratio = record.length_mm * record.mean_k_d / 337.5
        low = findings.value("length_radius_ratio_low")
        if not low <= ratio <= findings.value("length_radius_ratio_high"):
            short = ratio < low
            findings.add(
                "length_against_cornea",
                "check",
                record.name,
                ratio,
                "length_radius_ratio_low" if short else "length_radius_ratio_high",
                f"The length is {ratio:.2f} times the corneal radius; about 3 is usual. "
                f"{'Too short' if short else 'Too long'} for this cornea, or the wrong "
                "keratometry: check both, and compare with the refraction before the cataract.",
            )
        return
    known = {
        name: value
        for name, value in (("chamber_mm", record.chamber_mm), ("lens_mm", record.lens_mm))
        if not math.isnan(value)
    }
    power = natural_lens_power_d(record.length_mm, record.mean_k_d, record.refraction_d, **known)
    low = findings.value("natural_lens_low_d")
    if low <= power <= findings.value("natural_lens_high_d"):
        return
    weak = power < low
    findings.add(
        "length_against_refraction",
        "check",
        record.name,
        power,
        "natural_lens_low_d" if weak else "natural_lens_high_d",
        f"With {record.mean_k_d:.2f} D of cornea and {record.refraction_d:+.2f} D of refraction "
        f"this length asks for a natural lens of {power:.1f} D; about 22 D is usual. "
        + (
            "The length may be too long for this eye."
            if weak
            else "The length may be too short, or a nuclear cataract has made the eye myopic: "
            "compare with the refraction before the cataract."
        )
        + " Check length, keratometry and refraction, and that all three belong to this eye.",
    )


def _chamber_and_lens(findings: _Findings, record: EyeRecord) -> None:
    if record.lens_state not in ("", "phakic"):
        return
    age_known = not math.isnan(record.age_years)
    years = record.age_years - _MEAN_AGE_YEARS if age_known else 0.0
    for part, value, mean, slope, sd in (
        ("chamber", record.chamber_mm, _CHAMBER_MM, _CHAMBER_PER_YEAR_MM, _CHAMBER_SD_MM),
        ("lens", record.lens_mm, _LENS_MM, _LENS_PER_YEAR_MM, _LENS_SD_MM),
    ):
        if math.isnan(value):
            continue
        expected = mean + slope * years
        deviation = (value - expected) / sd
        if abs(deviation) <= findings.value(f"{part}_deviation_sd"):
            continue
        small = deviation < 0
        if part == "chamber":
            cause = (
                "A pressed cornea (contact), the lens gate on the iris, or a swollen lens."
                if small
                else "The lens gate may sit inside the lens, or the eye have no natural lens."
            )
        else:
            cause = (
                "One of the two lens echoes may be another one, or the eye have an implant."
                if small
                else "A swollen or dense lens, or the back gate on an echo behind the lens."
            )
        for_age = f"{record.age_years:.0f} years" if age_known else "a cataract patient"
        findings.add(
            f"{part}_against_age",
            "check",
            record.name,
            deviation,
            f"{part}_deviation_sd",
            f"The {part} of {value:.2f} mm is {abs(deviation):.1f} SD "
            f"{'below' if small else 'above'} the {expected:.2f} mm expected at {for_age}. "
            f"{cause} Look at the gates of these scans.",
            _AGE_SOURCE,
        )


def _methods(findings: _Findings, records: Sequence[EyeRecord]) -> None:
    for eye in ("right", "left"):
        mine = [item for item in records if item.eye == eye]
        contact = [item for item in mine if item.method == "contact"]
        immersion = [item for item in mine if item.method == "immersion"]
        if not contact or not immersion:
            continue
        a, b = _steadiest(contact), _steadiest(immersion)
        difference = a.length_mm - b.length_mm
        low = findings.value("contact_less_immersion_low_mm")
        high = findings.value("contact_less_immersion_high_mm")
        subject = f"{eye} eye, contact against immersion"
        if difference < low:
            findings.add(
                "contact_against_immersion",
                "check",
                subject,
                difference,
                "contact_less_immersion_low_mm",
                f"Contact is {-difference:.2f} mm shorter than immersion, more than pressing the "
                "cornea usually does: look for a beam off axis or a gate on the wrong echo.",
            )
        elif difference > high:
            findings.add(
                "contact_against_immersion",
                "check",
                subject,
                difference,
                "contact_less_immersion_high_mm",
                f"Contact is {difference:.2f} mm longer than immersion. Contact can only press the "
                "eye shorter: look for fluid between probe and cornea, or a wrong corneal pick in "
                "the immersion traces.",
            )
        elif difference > 2.0 * _joint_u(a, b) and difference > 0.0:
            findings.add(
                "contact_longer_than_immersion",
                "note",
                subject,
                difference,
                "contact_less_immersion_high_mm",
                f"Contact is {difference:.2f} mm longer than immersion; most studies found it 0.1 "
                "to 0.3 mm shorter. Fluid between probe and cornea does this.",
            )


def _fellow_eyes(findings: _Findings, records: Sequence[EyeRecord]) -> None:
    right = [item for item in records if item.eye == "right"]
    left = [item for item in records if item.eye == "left"]
    if not right or not left:
        return
    pairs = [(a, b) for a in right for b in left]
    same_method = [(a, b) for a, b in pairs if a.method == b.method]
    a, b = min(same_method or pairs, key=lambda pair: _joint_u(pair[0], pair[1], unknown=1.0))
    _fellow_lengths(findings, a, b)
    difference = abs(a.mean_k_d - b.mean_k_d)
    if difference > findings.value("k_difference_d"):
        findings.add(
            "k_between_eyes",
            "check",
            "right against left eye",
            difference,
            "k_difference_d",
            f"The mean keratometry of the two eyes differs by {difference:.2f} D: repeat it in "
            "both, and ask whether one cornea was operated on.",
        )


def _fellow_lengths(findings: _Findings, a: EyeRecord, b: EyeRecord) -> None:
    difference = abs(a.length_mm - b.length_mm)
    longer = max(a.length_mm, b.length_mm)
    limit = "length_difference_note_mm"
    severity: Severity = "note"
    if difference > findings.value("length_difference_check_mm"):
        limit, severity = "length_difference_check_mm", "check"
    elif longer <= 22.0 and difference > findings.value("length_difference_short_mm"):
        limit, severity = "length_difference_short_mm", "check"
    if difference <= findings.value(limit):
        return
    side = "right" if a.length_mm > b.length_mm else "left"
    text = [f"The {side} eye is {difference:.2f} mm longer than the other."]
    if limit == "length_difference_note_mm":
        text.append(
            "So were a quarter of cataract patients (24 % differed by 0.3 mm or more), so this "
            "alone is no error; but see that both eyes were measured on axis."
        )
    elif limit == "length_difference_short_mm":
        text.append("Only one in twenty short eyes differs so much from its fellow.")
    elif longer >= 28.0 and difference <= findings.value("length_difference_long_mm"):
        text.append(
            "Among eyes of 28 mm or more, 95 % lie within 4 mm of their fellow; measure both "
            "again all the same."
        )
    else:
        text.append("Measure both eyes again, if possible by another person.")
    if difference < 2.0 * _joint_u(a, b):
        text.append("The spread of the two sittings alone could make it.")
    if a.method != b.method:
        text.append(f"The eyes were measured by different methods ({a.method}, {b.method}).")
    if a.lens_state != b.lens_state:
        text.append(f"Their lens states differ ({a.lens_state}, {b.lens_state}).")
    elif a.lens_state in ("", "phakic"):
        powers = [
            natural_lens_power_d(item.length_mm, item.mean_k_d, item.refraction_d)
            for item in (a, b)
        ]
        if not any(math.isnan(power) for power in powers):
            apart = abs(powers[0] - powers[1])
            agrees = apart <= findings.value("natural_lens_difference_d")
            text.append(
                "The difference in refraction agrees with it."
                if agrees
                else "The difference in refraction does NOT agree with it."
            )
            if not agrees:
                severity = "check"
    findings.add(
        "length_between_eyes",
        severity,
        "right against left eye",
        difference,
        limit,
        " ".join(text),
    )


def _earlier(
    findings: _Findings, records: Sequence[EyeRecord], earlier: Sequence[EyeRecord]
) -> None:
    for record in records:
        past = [item for item in earlier if item.eye == record.eye]
        if not past:
            continue
        same = [item for item in past if item.method == record.method]
        old = _steadiest(same or past)
        difference = record.length_mm - old.length_mm
        contact = "contact" in (record.method, old.method)
        limit = "earlier_contact_mm" if contact else "earlier_immersion_mm"
        if abs(difference) <= findings.value(limit):
            continue
        text = [
            f"{abs(difference):.2f} mm {'longer' if difference > 0 else 'shorter'} than the "
            f"earlier {old.length_mm:.2f} mm. The eye of an adult does not change so much: one of "
            "the two is wrong, or they are not the same eye."
        ]
        if record.lens_state != old.lens_state and record.lens_state and old.lens_state:
            text.append(
                f"The lens state was {old.lens_state} then and is {record.lens_state} now: check "
                "the sound speeds of both."
            )
        if record.method != old.method and record.method and old.method:
            text.append(f"The methods differ ({old.method} then, {record.method} now).")
        findings.add(
            "length_against_earlier", "check", record.name, difference, limit, " ".join(text)
        )


def _steadiest(records: Sequence[EyeRecord]) -> EyeRecord:
    return min(
        records, key=lambda item: math.inf if math.isnan(item.length_u_mm) else item.length_u_mm
    )


def _joint_u(a: EyeRecord, b: EyeRecord, unknown: float = 0.0) -> float:
    """Standard uncertainty of the difference of two lengths, mm."""
    both = [unknown if math.isnan(item.length_u_mm) else item.length_u_mm for item in (a, b)]
    return math.hypot(*both)
