"""Whether a length makes sense beside everything else known of the subject.

Findings across the sittings of one subject: the fellow eye, keratometry and refraction, chamber
and lens for the age, values that guidelines want measured twice, immersion against contact, today
against an earlier record. A finding is a reason to look again, never a verdict; the limits can be
changed, and each says where it comes from.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from echotrace.errors import ParameterError
from echotrace.power.eye_record import EyeRecord, FindingList, PlausibilityFinding
from echotrace.power.natural_lens import AGE_SOURCE, expected_mm, natural_lens_power_d
from echotrace.power.plausibility_limits import LIMITS, Limit
from echotrace.power.plausibility_pairs import against_earlier, between_eyes, between_methods

__all__ = ["check_plausibility"]


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

    Raises
    ------
    ParameterError
        A limit is missing.

    Examples
    --------
    >>> import echotrace as et
    >>> right = et.power.EyeRecord(eye="right", length_mm=27.1, length_u_mm=0.03)
    >>> [item.name for item in et.power.check_plausibility([right])]
    ['length_second_look']
    """
    missing = set(LIMITS) - set(limits)
    if missing:
        raise ParameterError(f"limits lack {', '.join(sorted(missing))}: start from limits_with")
    findings = FindingList(limits)
    for record in records:
        _second_look(findings, record)
        _cornea_and_refraction(findings, record)
        _chamber_and_lens(findings, record)
    between_methods(findings, records)
    between_eyes(findings, records)
    against_earlier(findings, records, earlier)
    return tuple(sorted(findings.found, key=lambda item: item.severity != "check"))


def _second_look(findings: FindingList, record: EyeRecord) -> None:
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


def _cornea_and_refraction(findings: FindingList, record: EyeRecord) -> None:
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


def _chamber_and_lens(findings: FindingList, record: EyeRecord) -> None:
    if record.lens_state not in ("", "phakic"):
        return
    for part, value in (("chamber", record.chamber_mm), ("lens", record.lens_mm)):
        if math.isnan(value):
            continue
        expected, sd = expected_mm(part, record.age_years)
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
        for_age = (
            "a cataract patient"
            if math.isnan(record.age_years)
            else f"{record.age_years:.0f} years"
        )
        findings.add(
            f"{part}_against_age",
            "check",
            record.name,
            deviation,
            f"{part}_deviation_sd",
            f"The {part} of {value:.2f} mm is {abs(deviation):.1f} SD "
            f"{'below' if small else 'above'} the {expected:.2f} mm expected at {for_age}. "
            f"{cause} Look at the gates of these scans.",
            AGE_SOURCE,
        )
