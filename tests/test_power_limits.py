"""Limits of what lens power is given for, as they are stated: their ends are inside, a hair is not.

The limits of lengths and corneas are those named in the README of the formulas and in
``power/biometry.py`` (Hoffer Q from 18.5 mm: its paper; the rest chosen here, no source).
"""

import math

import numpy as np
import pytest

from echotrace.errors import ParameterError
from echotrace.power import (
    Biometry,
    EyeHistory,
    EyeRecord,
    Formula,
    LensConstant,
    PowerSettings,
    power_table,
)
from echotrace.power.budgets import budget, one_more_scan
from echotrace.power.constants import convert_constant
from echotrace.power.eye_cautions import cautions
from echotrace.power.eye_length import EyeLength
from echotrace.power.eye_record import PlausibilityFinding
from echotrace.power.eye_study import EyeStudy
from echotrace.power.outcomes import outcome, simulate_refraction
from echotrace.power.plausibility_pairs import _steadiest
from echotrace.power.pressing import length_for_constants
from echotrace.power.study import study_eyes
from echotrace.power.uncertainty import InputUncertainty, published_uncertainty

SRK_T = LensConstant(Formula.SRK_T, (118.4,))
HOFFER_Q = LensConstant(Formula.HOFFER_Q, (5.20,))
HAIGIS = LensConstant(Formula.HAIGIS, (1.05, 0.4, 0.1))
HAIR = 1e-6
NOTHING = InputUncertainty(length_mm=0.0)


def eye(**changes):
    usual = {"axial_length_mm": 23.5, "k1_d": 43.5, "k2_d": 44.5, "chamber_depth_mm": 3.1}
    return Biometry(**(usual | changes))


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("axial_length_mm", 18.5, 36.0),
        ("k1_d", 30.0, 60.0),
        ("k2_d", 30.0, 60.0),
        ("chamber_depth_mm", 1.5, 6.0),
        ("vertex_mm", 1.0, 20.0),
        ("keratometric_index", 1.325, 1.345),
    ],
)
def test_ends_of_what_an_eye_may_be(name, low, high):
    for inside in (low, high):
        assert float(getattr(eye(**{name: inside}), name)) == inside
    for outside in (low - HAIR, high + HAIR):
        with pytest.raises(ParameterError, match=name):
            eye(**{name: outside})


def test_a_contact_lens_has_no_vertex_distance():
    assert eye(vertex_mm=0.0).vertex_mm == 0.0
    assert eye(vertex_mm=1.5).vertex_mm == 1.5
    with pytest.raises(ParameterError, match="metres are not meant"):
        eye(vertex_mm=0.012)


@pytest.mark.parametrize(
    ("change", "hint"),
    [
        # What a length of 18.5 to 36 mm is in other units (SI prefixes), at both ends.
        ({"axial_length_mm": 1.85}, "centimetres; give 18.5 mm"),
        ({"axial_length_mm": 3.6}, "centimetres; give 36 mm"),
        ({"axial_length_mm": 1.85 - HAIR}, "check the number"),
        ({"axial_length_mm": 3.6 + HAIR}, "check the number"),
        ({"axial_length_mm": 0.0185}, "metres; give 18.5 mm"),
        ({"axial_length_mm": 0.036}, "metres; give 36 mm"),
        ({"axial_length_mm": 0.0185 - HAIR}, "check the number"),
        ({"axial_length_mm": 0.036 + HAIR}, "check the number"),
        ({"axial_length_mm": 18_500.0}, "micrometres; give 18.5 mm"),
        ({"axial_length_mm": 36_000.0}, "micrometres; give 36 mm"),
        ({"axial_length_mm": 18_499.9}, "check the number"),
        ({"axial_length_mm": 36_000.1}, "check the number"),
        ({"axial_length_mm": 18.4}, "so short an eye"),
        ({"axial_length_mm": 10.01}, "so short an eye"),
        ({"axial_length_mm": 9.99}, "check the number"),
        ({"axial_length_mm": math.nan}, "the length is missing"),
        ({"k1_d": 5.6}, "radius in mm"),
        ({"k1_d": 11.3}, "radius in mm"),
        ({"k1_d": 5.6 - HAIR}, "so flat or so steep"),
        ({"k1_d": 11.3 + HAIR}, "so flat or so steep"),
        ({"k1_d": math.nan}, "the reading is missing"),
        # A radius of 7.5 mm by the definition of the dioptre, index 1.3375: 337.5 / 7.5.
        ({"k2_d": 7.5}, "45.00 D"),
        ({"chamber_depth_mm": 0.15}, "centimetres; give 1.5 mm"),
        ({"chamber_depth_mm": 0.6}, "centimetres; give 6 mm"),
        ({"chamber_depth_mm": 0.6 + HAIR}, "before surgery is meant"),
        ({"chamber_depth_mm": 0.15 - HAIR}, "before surgery is meant"),
        # Index of the corneal tissue: Gullstrand's eye.
        ({"keratometric_index": 1.376}, "corneal tissue"),
        ({"keratometric_index": 1.372}, "corneal tissue"),
        ({"keratometric_index": 1.380}, "corneal tissue"),
    ],
)
def test_a_number_in_another_unit_is_recognised(change, hint):
    with pytest.raises(ParameterError, match=hint):
        eye(**change)


def test_a_far_index_is_not_taken_for_the_corneas():
    with pytest.raises(ParameterError) as caught:
        eye(keratometric_index=1.39)
    assert "tissue" not in str(caught.value)


@pytest.mark.parametrize(
    ("formula", "value", "hint"),
    [
        (Formula.HOFFER_Q, 114.0, "A-constant"),
        (Formula.HOFFER_Q, 122.0, "A-constant"),
        (Formula.HOFFER_Q, 113.9, "check which"),
        (Formula.HOFFER_Q, 122.1, "check which"),
        (Formula.HOFFER_Q, -1.2, "surgeon factor"),
        (Formula.HOFFER_Q, 2.4, "surgeon factor"),
        (Formula.HOFFER_Q, -1.3, "check which"),
        (Formula.HOLLADAY_1, 3.7, "pACD"),
        (Formula.HOLLADAY_1, 7.5, "pACD"),
        (Formula.HOLLADAY_1, 7.6, "check which"),
        (Formula.SRK_T, -4.0, "pACD, SF or a0"),
        (Formula.SRK_T, 8.0, "pACD, SF or a0"),
        (Formula.SRK_T, 8.1, "check which"),
        (Formula.SRK_T, -4.1, "check which"),
    ],
)
def test_a_constant_of_another_scale_is_recognised(formula, value, hint):
    with pytest.raises(ParameterError, match=hint):
        LensConstant(formula, (value,))


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("length_mm", 10.0, 50.0),
        ("k1_d", 30.0, 60.0),
        ("k2_d", 30.0, 60.0),
        ("refraction_d", -40.0, 25.0),
        ("age_years", 0.0, 120.0),
        ("chamber_mm", 0.0, 8.0),
        ("lens_mm", 0.0, 10.0),
    ],
)
def test_ends_of_what_a_record_may_hold(name, low, high):
    usual = {"eye": "right", "length_mm": 23.5}
    for inside in (low, high):
        assert getattr(EyeRecord(**(usual | {name: inside})), name) == inside
    for outside in (low - HAIR, high + HAIR):
        with pytest.raises(ParameterError, match=name):
            EyeRecord(**(usual | {name: outside}))


def test_ends_of_what_a_table_may_be():
    for step_d in (0.25, 5.0):
        table = power_table(eye(), [SRK_T], 0.0, NOTHING, step_d=step_d, n_each_side=1)
        assert np.diff(table.power_d).tolist() == [step_d, step_d]
    for step_d in (0.0, -0.5, 5.0 + HAIR):
        with pytest.raises(ParameterError, match="step_d"):
            power_table(eye(), [SRK_T], 0.0, NOTHING, step_d=step_d)
    # One step only is a table too, fewer none.
    assert power_table(eye(), [SRK_T], 0.0, NOTHING, n_each_side=0).power_d.size == 1
    with pytest.raises(ParameterError, match="step_d"):
        power_table(eye(), [SRK_T], 0.0, NOTHING, n_each_side=-1)
    # Powers outside -30 to 60 D are left out; those on the ends stay.
    wide = power_table(eye(), [SRK_T], 0.0, NOTHING, step_d=0.5, n_each_side=150)
    assert wide.power_d.tolist() == (-30.0 + 0.5 * np.arange(181)).tolist()


def test_ends_of_shares_and_draws():
    one = eye()
    u = published_uncertainty(0.05, 0.02)
    for coverage in (0.0, 1.0):
        with pytest.raises(ParameterError, match="coverage"):
            outcome(one, SRK_T, 20.0, u, coverage=coverage)
    with pytest.raises(ParameterError, match="length_dof"):
        outcome(one, SRK_T, 20.0, u, length_dof=0.0)
    with pytest.raises(ParameterError, match="n_draws"):
        simulate_refraction(one, SRK_T, 20.0, u, n_draws=1)
    assert simulate_refraction(one, SRK_T, 20.0, u, n_draws=2).shape[-1] == 2


def test_nothing_uncertain_has_no_parts():
    parts = budget(eye(), SRK_T, 20.0, NOTHING)
    assert parts.total_d == 0.0
    assert set(parts.shares.values()) == {0.0}
    assert parts.advice == "No uncertainty was given."
    shares = budget(eye(), SRK_T, 20.0, published_uncertainty(0.05, 0.02)).shares
    assert sum(shares.values()) == pytest.approx(1.0)
    assert list(shares.values()) == sorted(shares.values(), reverse=True)


def _cautions(one, constants, **more):
    usual = {"history_asked": True, "constant_method": "immersion", "length_method": "immersion"}
    return {item.name: item for item in cautions(one, constants, **(usual | more))}


def test_formulas_that_differ_by_more_than_half_a_dioptre_are_told():
    one = eye()
    theirs = float(np.ravel(power_table(one, [HOFFER_Q], 0.0, NOTHING).for_target_d)[0])
    for apart, told in ((0.45, False), (0.55, True)):
        # SRK/T with the constant that gives so much less power than Hoffer Q.
        low, high = 114.0, 122.0
        for _ in range(60):
            a = 0.5 * (low + high)
            constant = LensConstant(Formula.SRK_T, (a,))
            power = float(np.ravel(power_table(one, [constant], 0.0, NOTHING).for_target_d)[0])
            low, high = (a, high) if power < theirs - apart else (low, a)
        found = _cautions(one, [constant, HOFFER_Q])
        assert ("formulas_disagree" in found) is told
        if told:
            assert "by 0.55 D" in found["formulas_disagree"].text


@pytest.mark.parametrize(("formula", "told"), [(Formula.HAIGIS, True), (Formula.HOFFER_Q, False)])
def test_what_a_converted_constant_means_is_told_of_haigis_alone(formula, told):
    values = {Formula.HAIGIS: HAIGIS.values, Formula.HOFFER_Q: HOFFER_Q.values}[formula]
    converted = LensConstant(formula, values, converted_from="srk_t 118.4")
    text = _cautions(eye(), [SRK_T, converted])["converted_constant"].text
    assert ("Haigis reads about 1 D more" in text) is told


def test_the_gain_of_one_more_scan_is_that_of_the_first_formula():
    measured = EyeLength(eye="right", mean_mm=23.41, u_mm=0.05, u_shared_mm=0.03, n=5, n_accepted=5)
    settings = PowerSettings(
        constants=(SRK_T, HAIGIS),
        target_d=-0.25,
        k1_d={"right": 43.5},
        k2_d={"right": 44.25},
        chamber_mm={"right": 3.1},
        history={"right": (EyeHistory.NONE,)},
        constant_method="immersion",
        n_draws=500,
    )
    (study,) = study_eyes([measured], settings)
    table = study.table
    power = float(table.power_d[np.argmin(np.abs(table.power_d - table.for_target_d[0]))])
    first, last = (
        one_more_scan(study.biometry, constant, power, study.uncertainty, 5)
        for constant in (SRK_T, HAIGIS)
    )
    assert study.gain.refraction_now_d == pytest.approx(first.refraction_now_d, rel=1e-12)
    assert abs(last.refraction_now_d / first.refraction_now_d - 1.0) > 1e-4


def test_the_steadiest_of_several_records_is_compared():
    rough = EyeRecord(eye="right", length_mm=23.1, length_u_mm=0.2)
    fine = EyeRecord(eye="right", length_mm=23.6, length_u_mm=0.02)
    unknown = EyeRecord(eye="right", length_mm=22.0)
    for order in ((rough, fine, unknown), (unknown, rough, fine), (fine, unknown, rough)):
        assert _steadiest(order) is fine


def test_an_eye_length_counts_no_scans_that_it_was_not_told_of():
    one = EyeLength(eye="right", mean_mm=23.4, u_mm=0.02)
    assert (one.n, one.n_accepted, one.u_shared_mm) == (0, 0, 0.0)


@pytest.mark.parametrize(
    ("formula", "values", "place", "low", "high"),
    [
        (Formula.SRK_T, (118.4,), 0, 114.0, 122.0),
        (Formula.HOFFER_Q, (5.2,), 0, 2.5, 7.5),
        (Formula.HOLLADAY_1, (1.5,), 0, -1.2, 3.6),
        (Formula.HAIGIS, (1.0, 0.4, 0.1), 0, -4.0, 5.0),
        (Formula.HAIGIS, (1.0, 0.4, 0.1), 1, -1.0, 1.0),
        (Formula.HAIGIS, (1.0, 0.4, 0.1), 2, -0.5, 0.6),
        (Formula.VERGENCE, (5.0,), 0, 2.0, 8.0),
    ],
)
def test_ends_of_what_a_constant_may_be(formula, values, place, low, high):
    def with_value(value):
        return LensConstant(formula, (*values[:place], value, *values[place + 1 :]))

    for inside in (low, high):
        assert with_value(inside).values[place] == inside
    for outside in (low - HAIR, high + HAIR):
        with pytest.raises(ParameterError, match="must lie between"):
            with_value(outside)


def _finding(severity):
    return PlausibilityFinding(
        name="any", severity=severity, subject="right eye", value=1.0, limit=0.5, unit="mm",
        text=f"said as {severity}", source="invented",
    )  # fmt: skip


def test_what_is_to_be_checked_is_a_warning_and_the_rest_a_note():
    length = EyeLength(eye="right", mean_mm=23.4, u_mm=0.02)
    study = EyeStudy(length=length, plausibility=(_finding("note"), _finding("check")))
    assert study.warnings == ("said as check",)
    assert study.notes == ("said as note",)


@pytest.mark.parametrize(
    ("mean_mm", "compared"),
    [(10.0 - HAIR, False), (10.0, True), (50.0, True), (50.0 + HAIR, False)],
)
def test_a_length_that_no_eye_has_is_compared_with_nothing(mean_mm, compared):
    both = [
        EyeLength(eye=name, mean_mm=mm, u_mm=0.02, n=5, n_accepted=5)
        for name, mm in (("right", 23.4), ("left", mean_mm))
    ]
    cornea = {"right": 43.5, "left": 43.5}
    settings = PowerSettings(k1_d=cornea, k2_d=cornea, constants=(SRK_T,), target_d=0.0)
    studies = study_eyes(both, settings)
    told = {item.subject for study in studies for item in study.plausibility}
    assert any(name.startswith("right against left") for name in told) is compared


@pytest.mark.parametrize(("radius", "hint"), [(44.0, "this looks like dioptres"), (3.0, "check")])
def test_a_radius_in_another_unit_is_recognised(radius, hint):
    with pytest.raises(ParameterError, match=f"r1_mm.*{hint}"):
        Biometry.from_radii(axial_length_mm=23.5, r1_mm=radius, r2_mm=7.5)


def test_a_constant_of_the_formula_itself_is_not_converted():
    assert convert_constant(HOFFER_Q, Formula.HOFFER_Q) is HOFFER_Q


def test_keratometry_of_meridians_far_apart_is_told():
    # Limit chosen here, no source.
    for apart, told in ((3.99, False), (4.01, True)):
        assert ("astigmatism" in _cautions(eye(k1_d=42.0, k2_d=42.0 + apart), [SRK_T])) is told


def test_a_length_is_of_a_right_or_a_left_eye():
    with pytest.raises(ParameterError, match="a right or a left eye"):
        EyeLength(eye="both", mean_mm=23.4, u_mm=0.02)


def test_a_contact_length_without_pressing_of_its_own_takes_the_published():
    # Immersion less contact, 0.20 ± 0.26 mm between eyes (Ademola-Popoola 2016).
    contact = EyeLength(eye="right", mean_mm=23.2, u_mm=0.03, method="contact")
    length_mm, u_mm, words = length_for_constants(contact, "immersion")
    assert (length_mm, u_mm) == pytest.approx((23.40, 0.26), abs=0.01)
    assert "23.20 mm is the eye as pressed" in words


def test_no_power_is_given_through_gas():
    gas = EyeLength(eye="right", mean_mm=23.4, u_mm=0.02, vitreous="gas", n=5, n_accepted=5)
    cornea = {"right": 43.5}
    settings = PowerSettings(k1_d=cornea, k2_d=cornea, constants=(SRK_T,), target_d=0.0)
    (study,) = study_eyes([gas], settings)
    assert "through gas" in study.refused
    assert study.table is None
