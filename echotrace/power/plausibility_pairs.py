"""Two sittings of one subject against each other: methods, fellow eyes, then and now."""

from __future__ import annotations

import math
from collections.abc import Sequence

from echotrace.power.eye_record import EyeRecord, FindingList, Severity
from echotrace.power.natural_lens import natural_lens_power_d

__all__ = ["against_earlier", "between_eyes", "between_methods"]


def between_methods(findings: FindingList, records: Sequence[EyeRecord]) -> None:
    """Contact against immersion of the same eye.

    Parameters
    ----------
    findings : FindingList
        What is found is added to it.
    records : sequence of EyeRecord
        Today's sittings of one subject.

    Examples
    --------
    >>> from echotrace.power.eye_record import EyeRecord, FindingList
    >>> from echotrace.power.plausibility_limits import LIMITS
    >>> from echotrace.power.plausibility_pairs import between_methods
    >>> found = FindingList(LIMITS)
    >>> pressed = EyeRecord(eye="right", length_mm=22.6, method="contact")
    >>> free = EyeRecord(eye="right", length_mm=23.4, method="immersion")
    >>> between_methods(found, [pressed, free])
    >>> [item.name for item in found.found]
    ['contact_against_immersion']
    """
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


def between_eyes(findings: FindingList, records: Sequence[EyeRecord]) -> None:
    """Right against left: length and keratometry.

    Parameters
    ----------
    findings : FindingList
        What is found is added to it.
    records : sequence of EyeRecord
        Today's sittings of one subject.

    Examples
    --------
    >>> from echotrace.power.eye_record import EyeRecord, FindingList
    >>> from echotrace.power.plausibility_limits import LIMITS
    >>> from echotrace.power.plausibility_pairs import between_eyes
    >>> found = FindingList(LIMITS)
    >>> right = EyeRecord(eye="right", length_mm=23.4)
    >>> left = EyeRecord(eye="left", length_mm=24.4)
    >>> between_eyes(found, [right, left])
    >>> [item.severity for item in found.found]
    ['check']
    """
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


def _fellow_lengths(findings: FindingList, a: EyeRecord, b: EyeRecord) -> None:
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


def against_earlier(
    findings: FindingList, records: Sequence[EyeRecord], earlier: Sequence[EyeRecord]
) -> None:
    """Each of today's lengths against the steadiest earlier one of that eye.

    Parameters
    ----------
    findings : FindingList
        What is found is added to it.
    records : sequence of EyeRecord
        Today's sittings of one subject.
    earlier : sequence of EyeRecord

    Examples
    --------
    >>> from echotrace.power.eye_record import EyeRecord, FindingList
    >>> from echotrace.power.plausibility_limits import LIMITS
    >>> from echotrace.power.plausibility_pairs import against_earlier
    >>> found = FindingList(LIMITS)
    >>> now, then = (EyeRecord(eye="left", length_mm=x, method="immersion") for x in (23.9, 23.4))
    >>> against_earlier(found, [now], [then])
    >>> [item.name for item in found.found]
    ['length_against_earlier']
    """
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
