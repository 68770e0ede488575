"""Plausibility: what is said about which eye, and that limits have sources."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from echotrace.errors import EchotraceError, ParameterError
from echotrace.power import (
    LIMITS,
    EyeRecord,
    check_plausibility,
    limits_with,
    natural_lens_power_d,
    read_limits,
)


def record(eye="right", length=23.5, **more):
    ordinary = {
        "length_u_mm": 0.03,
        "method": "immersion",
        "lens_state": "phakic",
        "k1_d": 43.5,
        "k2_d": 44.2,
        "refraction_d": 0.0,
        "age_years": 70.0,
        "chamber_mm": 3.0,
        "lens_mm": 4.6,
    }
    return EyeRecord(eye=eye, length_mm=length, **(ordinary | more))


def found(*records, **more):
    return {item.name: item for item in check_plausibility(records, **more)}


def test_an_ordinary_subject_gets_no_findings():
    assert check_plausibility([record(), record("left", 23.6)]) == ()
    bare = [EyeRecord(eye="right", length_mm=23.5), EyeRecord(eye="left", length_mm=23.4)]
    assert check_plausibility(bare) == ()


# RCOphth cataract guidelines 2010 and Knox Cartwright et al. 2010, Eye 24:894 (values from
# memory): measure again below 21.20 and above 26.60 mm, K below 41 and above 47 D, fellow eyes
# more than 0.70 mm or 0.9 D apart.
@pytest.mark.parametrize(
    ("length", "refraction", "told"),
    [(21.19, 7.5, "unusually short"), (26.61, -9.0, "unusually long")],
)
def test_lengths_that_want_a_second_look(length, refraction, told):
    finding = found(record(length=length, refraction_d=refraction))["length_second_look"]
    assert finding.severity == "check"
    assert told in finding.text
    assert finding.unit == "mm"
    assert "value from memory" in finding.source


def test_the_limits_themselves_are_ordinary():
    for length in (21.20, 26.60):
        assert "length_second_look" not in found(EyeRecord(eye="right", length_mm=length))


@pytest.mark.parametrize(("k", "told"), [(40.9, "laser surgery"), (47.1, "keratoconus")])
def test_corneas_that_want_a_second_look(k, told):
    finding = found(record(k2_d=k, k1_d=44.0))["k_second_look"]
    assert told in finding.text
    assert finding.value == k


def test_keratometry_between_eyes():
    near = record("left", k1_d=44.3, k2_d=45.0)
    far = record("left", k1_d=44.5, k2_d=45.2)
    assert "k_between_eyes" not in found(record(), near)
    assert found(record(), far)["k_between_eyes"].value == pytest.approx(1.0)


# Interocular axial length difference and age-related cataract, J Cataract Refract Surg 2008: 24 %
# of 1379 patients differ by 0.3 mm or more; 95th centile 0.5 mm where the longer eye is 22.0 mm
# or less, 4.0 mm where it is 28 mm or more.
def between(a, b, **more):
    left = more.pop("left", {})
    one = record("right", a, refraction_d=math.nan, **more)
    other = record("left", b, refraction_d=math.nan, **(more | left))
    return found(one, other).get("length_between_eyes")


def test_fellow_eyes_differing_a_little_are_told_but_not_condemned():
    assert between(23.50, 23.79) is None
    finding = between(23.50, 23.85)
    assert finding.severity == "note"
    assert "24 %" in finding.text
    assert "24 % of 1379" in finding.source
    assert "left eye is 0.35 mm longer" in finding.text


def test_fellow_eyes_differing_much_are_to_be_checked():
    finding = between(24.3, 23.5)
    assert finding.severity == "check"
    assert "right eye is 0.80 mm longer" in finding.text
    assert "again" in finding.text


def test_short_eyes_are_judged_by_short_eyes():
    assert between(21.4, 21.95).severity == "check"
    assert "one in twenty" in between(21.4, 21.95).text
    assert between(22.6, 23.15).severity == "note"


def test_long_eyes_are_judged_by_long_eyes_but_not_silently():
    finding = between(29.0, 27.5)
    assert finding.severity == "check"
    assert "95 % lie within 4 mm" in finding.text
    assert "95 %" not in between(33.0, 28.0).text


def test_spread_method_and_state_are_named_beside_the_difference():
    assert "spread of the two sittings" in between(23.5, 23.9, length_u_mm=0.2).text
    assert "different methods" in between(23.5, 23.9, left={"method": "contact"}).text
    assert "lens states differ" in between(23.5, 23.9, left={"lens_state": "pseudophakic"}).text


def test_refraction_explains_or_contradicts_a_difference():
    # 1 mm is about 2.5 D of refraction (Olsen 2007, value from memory).
    agrees = found(record(length=23.5), record("left", 24.3, refraction_d=-2.0))
    assert "agrees with it" in agrees["length_between_eyes"].text
    contradicts = found(record(length=23.5), record("left", 24.15, refraction_d=+1.5))
    finding = contradicts["length_between_eyes"]
    assert "NOT agree" in finding.text
    assert finding.severity == "check"


def test_fellow_eyes_are_compared_by_the_same_method_where_possible():
    records = [
        record("right", 23.5),
        record("left", 23.1, method="contact", length_u_mm=0.01),
        record("left", 23.45),
    ]
    assert "length_between_eyes" not in found(*records)


# --- length against cornea and refraction ----------------------------------------


def test_natural_lens_power_of_a_schematic_eye():
    # Le Grand & El Hage 1980 (unaccommodated; geometry as in public schematic-eye code): cornea
    # 7.8/6.5 mm, lens 10.2/-6.0 mm, thickness 4.0 mm, indices 1.3771, 1.3374, 1.42, 1.336;
    # emmetropic at 24.19655 mm. Its lens by surface powers, independent of the estimate:
    front = (1.42 - 1.3374) / 10.2e-3
    back = (1.336 - 1.42) / -6.0e-3
    lens = front + back - 4.0e-3 / 1.42 * front * back
    assert lens == pytest.approx(21.78, abs=0.01)
    estimate = natural_lens_power_d(24.19655, 337.5 / 7.8, 0.0, 3.6, 4.0)
    # The estimate knows the front of the cornea only: 0.4 D of cornea, hence under 1 D of lens.
    assert estimate == pytest.approx(lens, abs=0.8)


@pytest.mark.parametrize("refraction_d", [-8.0, -3.0, 4.0])
def test_the_estimated_lens_brings_parallel_light_to_the_retina(refraction_d):
    """Ray matrices from spectacles to retina; planes of the lens at 0.571 T and 0.378 T.

    Bennett 1988, Ophthalmic Physiol Opt 8:53 (values from memory); an index of 4/3 for the cornea.
    """
    length, k, chamber, lens = 23.5, 43.5, 3.2, 4.5
    power = natural_lens_power_d(length, k, refraction_d, chamber, lens)

    def surface(power_d):
        return np.array([[1.0, 0.0], [-power_d, 1.0]])

    def way(mm, index):
        return np.array([[1.0, 1e-3 * mm / index], [0.0, 1.0]])

    radius_m = 0.3375 / k
    height, _ = (
        way(length - chamber - lens + 0.378 * lens, 1.336)
        @ surface(power)
        @ way(chamber + 0.571 * lens, 1.336)
        @ surface((4.0 / 3.0 - 1.0) / radius_m)
        @ way(12.0, 1.0)
        @ surface(refraction_d)
        @ np.array([1.0, 0.0])
    )
    assert height == pytest.approx(0.0, abs=1e-9)


def test_average_eye_has_an_average_lens():
    # Shahroud Eye Cohort Study (PMC4795389): 22.54 D in emmetropes of 55 to 64 years.
    assert natural_lens_power_d(23.3, 44.0, 0.0) == pytest.approx(22.54, abs=1.5)


@pytest.mark.parametrize(
    ("length", "refraction", "told"),
    [
        (21.9, 0.0, "too short, or a nuclear cataract"),
        (25.9, 0.5, "too long for this eye"),
        (23.5, -6.0, "nuclear cataract"),
    ],
)
def test_length_against_refraction(length, refraction, told):
    finding = found(record(length=length, refraction_d=refraction))["length_against_refraction"]
    assert told in finding.text
    assert "belong to this eye" in finding.text
    assert finding.unit == "D"


@pytest.mark.parametrize(
    ("length", "refraction"), [(21.6, 4.5), (25.5, -5.0), (28.0, -12.0), (23.5, -2.0)]
)
def test_ametropia_that_fits_its_length_is_not_flagged(length, refraction):
    assert "length_against_refraction" not in found(record(length=length, refraction_d=refraction))


def test_length_against_cornea_where_refraction_is_unknown():
    # A gate on the back of the lens or on a reverberation.
    wrong = record(length=18.9, refraction_d=math.nan)
    finding = found(wrong)["length_against_cornea"]
    assert finding.unit == "1"
    assert "Too short" in finding.text
    assert "length_against_cornea" not in found(record(length=22.0, refraction_d=math.nan))
    # After cataract surgery the refraction says nothing of a natural lens.
    implant = record(length=18.9, lens_state="pseudophakic")
    assert "length_against_cornea" in found(implant)
    assert "length_against_refraction" not in found(implant)


# --- chamber and lens ----------------------------------------


@pytest.mark.parametrize(
    ("change", "name", "told"),
    [
        ({"chamber_mm": 1.8}, "chamber_against_age", "pressed cornea"),
        ({"chamber_mm": 4.3}, "chamber_against_age", "no natural lens"),
        ({"lens_mm": 3.2}, "lens_against_age", "may be another one"),
        ({"lens_mm": 5.9}, "lens_against_age", "behind the lens"),
    ],
)
def test_chamber_and_lens_for_the_age(change, name, told):
    finding = found(record(**change))[name]
    assert told in finding.text
    assert "70 years" in finding.text
    assert finding.unit == "SD"
    assert abs(finding.value) > 2.5


def test_age_moves_what_is_expected():
    # Dubbelman 2001 (values from memory): a lens of 3.5 mm is ordinary at 25 years, not at 75.
    assert "lens_against_age" not in found(record(lens_mm=3.5, age_years=25.0, chamber_mm=3.4))
    assert "lens_against_age" in found(record(lens_mm=3.5, age_years=85.0))
    # At the mean age of cataract patients the law meets the mean of 28,709 of them.
    # (2.93 + 0.0236 x 67 = 4.51 mm by his law, 4.52 mm by their mean.)
    assert "4.52 mm expected" in found(record(lens_mm=6.0, age_years=67.0))["lens_against_age"].text


def test_eyes_without_a_natural_lens_are_not_judged_by_it():
    assert "lens_against_age" not in found(record(lens_state="pseudophakic", lens_mm=0.8))


# --- methods and earlier records ----------------------------------------


def pair(difference, u=0.03):
    return found(
        record(length=23.5, length_u_mm=u),
        record(length=23.5 + difference, method="contact", length_u_mm=u),
    )


def test_contact_against_immersion():
    # Ademola-Popoola 2016: contact less immersion -0.20 (SD 0.26) mm.
    assert "contact_against_immersion" not in pair(-0.2)
    assert "shorter than immersion" in pair(-0.75)["contact_against_immersion"].text
    assert "longer than immersion" in pair(0.35)["contact_against_immersion"].text
    assert pair(0.15)["contact_longer_than_immersion"].severity == "note"
    assert "contact_longer_than_immersion" not in pair(0.05)
    assert "contact_longer_than_immersion" not in pair(0.15, u=0.1)


def test_today_against_an_earlier_record():
    old = record(length=23.5)
    assert "length_against_earlier" not in found(record(length=23.65), earlier=[old])
    finding = found(record(length=23.75), earlier=[old])["length_against_earlier"]
    assert "0.25 mm longer" in finding.text
    assert "not the same eye" in finding.text
    # Cass et al. 2002: contact repeats within 0.51 mm between sessions.
    contact = record(length=23.9, method="contact")
    assert "length_against_earlier" not in found(contact, earlier=[old])
    far = found(record(length=22.9, method="contact"), earlier=[old])["length_against_earlier"]
    assert "methods differ" in far.text
    implant = record(length=23.9, lens_state="pseudophakic", lens_mm=0.8, chamber_mm=4.2)
    assert "lens state was phakic" in found(implant, earlier=[old])["length_against_earlier"].text
    assert "length_against_earlier" not in found(record("left", 24.0), earlier=[old])


def test_contact_on_two_days_may_differ_by_what_is_published():
    # Cass et al. 2002, as stated beside the limit: 95 % between sessions within 0.51 mm.
    old = record(length=23.5, method="contact")
    for apart, told in ((0.50, False), (-0.50, False), (0.52, True), (-0.52, True)):
        now = record(length=23.5 + apart, method="contact")
        assert ("length_against_earlier" in found(now, earlier=[old])) is told


def test_the_steadiest_sittings_of_two_eyes_are_compared():
    rough = record("left", 24.6, length_u_mm=0.2)
    fine = record("left", 23.9, length_u_mm=0.02)
    for left in ((rough, fine), (fine, rough)):
        assert found(record(), *left)["length_between_eyes"].value == pytest.approx(0.4)
    # And of the right eye, whichever stands first.
    rough, fine = record(length=24.3, length_u_mm=0.2), record(length=23.5, length_u_mm=0.02)
    for right in ((rough, fine), (fine, rough)):
        one = found(*right, record("left", 23.9))["length_between_eyes"]
        assert one.value == pytest.approx(0.4)


@pytest.mark.parametrize("earlier_right", [[], [record(length=23.5)]])
def test_every_eye_is_held_against_its_own_earlier_record(earlier_right):
    # Whether the first has none, or one that agrees: the second is looked at all the same.
    earlier = [*earlier_right, record("left", 23.9)]
    told = found(record(length=23.55), record("left", 23.5), earlier=earlier)
    assert told["length_against_earlier"].subject == "left eye"


# --- limits ----------------------------------------


def test_every_limit_has_a_source():
    for name, limit in LIMITS.items():
        assert np.isfinite(limit.value), name
        assert len(limit.source) > 10, name


def test_limits_can_be_changed_and_say_so(tmp_path):
    path = tmp_path / "limits.toml"
    path.write_text("length_difference_note_mm = 0.2\n", encoding="utf-8")
    limits = read_limits(path)
    finding = found(record(), record("left", 23.75, refraction_d=math.nan), limits=limits)
    assert finding["length_between_eyes"].source == "set in limits.toml"
    assert "length_between_eyes" not in found(record(), record("left", 23.75))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("length_lo_mm = 20.0", "did you mean 'length_low_mm'"),
        ("length_low_mm = 'a'", "must be a number"),
        ("length_low_mm = nan", "must be a number"),
        ("length_low_mm = true", "must be a number"),
        ("length_low_mm = 27.0", "must be below length_high_mm=26.6"),
        ("length_low_mm 27.0", "not a TOML file"),
    ],
)
def test_broken_limits_are_refused(tmp_path, text, told):
    path = tmp_path / "limits.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ParameterError, match=told) as caught:
        read_limits(path)
    assert "limits.toml" in str(caught.value)
    with pytest.raises(ParameterError, match="cannot be read"):
        read_limits(tmp_path / "absent.toml")


def test_partial_limits_are_refused():
    with pytest.raises(ParameterError, match="start from limits_with"):
        check_plausibility([record()], limits={"k_low_d": LIMITS["k_low_d"]})
    assert set(limits_with({})) == set(LIMITS)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"eye": "OD"}, "use right or left"),
        ({"length_mm": 2.35}, "length_mm=2.35"),
        ({"length_mm": math.nan}, "length_mm=nan"),
        ({"k1_d": 7.7}, "radius in mm"),
        ({"age_years": 700.0}, "age_years"),
        ({"refraction_d": 60.0}, "refraction_d"),
    ],
)
def test_records_are_checked(change, told):
    good = dataclasses.asdict(record())
    with pytest.raises(ParameterError, match=told):
        EyeRecord(**(good | change))


def test_checks_come_before_notes():
    findings = check_plausibility(
        [record(length=23.5), record("left", 23.9, refraction_d=-1.0, lens_mm=6.2)]
    )
    assert [item.severity for item in findings] == ["check", "note"]


def test_a_long_unknown_limit_is_cut_in_the_message(tmp_path):
    path = tmp_path / "limits.toml"
    path.write_text(f"length_lo{'x' * 5000} = 1.0\n")
    with pytest.raises(EchotraceError) as caught:
        read_limits(path)
    assert "unknown limit 'length_lo" in str(caught.value)
    assert len(str(caught.value)) < 1000
