"""Pressing and the budget of a sitting against integrals and published shares, by scipy."""

import dataclasses
import itertools
import math

import numpy as np
import pytest
import scipy
from invented import sitting_of

import echotrace as et
from echotrace.errors import ParameterError
from echotrace.sittings.pressing import scatter_apart_from_pressing
from echotrace.sittings.pressing_seen import (
    _OTHER_EYE_DOF,
    _OTHER_EYE_MM,
    immersion_lengths,
    sitting_pressing,
)
from echotrace.sittings.pressing_term import Compared, eye_length_interval, pressing_term
from echotrace.sittings.sitting import summarise

# Immersion less contact, 0.20 ± 0.26 mm between eyes (Ademola-Popoola 2016), as a gamma density.
PUBLISHED = scipy.stats.gamma((0.20 / 0.26) ** 2, scale=0.26**2 / 0.20)
FIVE = 23.20 + np.array([0.002, -0.004, 0.001, 0.003, -0.002])


def _moments(weight):
    """Mean and SD of the published density up to 2 mm times a weight, by quadrature."""
    parts = [1e-12, 0.01, 0.1, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 1.0, 2.0]
    m0, m1, m2 = (
        sum(
            scipy.integrate.quad(lambda x: x**k * PUBLISHED.pdf(x) * weight(x), a, b)[0]  # noqa: B023
            for a, b in itertools.pairwise(parts)
        )
        for k in range(3)
    )
    return m1 / m0, math.sqrt(m2 / m0 - (m1 / m0) ** 2)


@pytest.mark.parametrize(("u_mm", "within_mm"), [(0.05, 0.003), (0.1, 0.01)])
def test_seen_at_least_is_bayes_rule_with_the_normal_integral(u_mm, within_mm):
    mean, sd = _moments(lambda x: scipy.stats.norm.cdf((x - 0.3) / u_mm))
    term = pressing_term(at_least_mm=0.3, at_least_u_mm=u_mm)
    # The logistic function stands for the normal integral (within 0.01 of it: Haley 1952,
    # value from memory).
    assert term.mean_mm == pytest.approx(mean, abs=within_mm)
    assert term.u_mm == pytest.approx(sd, abs=within_mm)


def test_seen_at_least_without_uncertainty_cuts_the_density():
    mean, sd = _moments(lambda x: float(x >= 0.3))
    for term in (pressing_term(at_least_mm=0.3), pressing_term(at_least_mm=0.3, at_least_u_mm=0.0)):
        assert term.mean_mm == pytest.approx(mean, abs=0.005)
        assert term.u_mm == pytest.approx(sd, abs=0.005)
    # Nothing seen changes nothing.
    assert pressing_term(at_least_u_mm=0.1).mean_mm == pressing_term().mean_mm


@pytest.mark.parametrize(("scale_mm", "dof"), [(0.06, 5.0), (0.18, 2.0), (0.1, math.inf)])
def test_another_length_is_bayes_rule_with_students_density(scale_mm, dof):
    density = scipy.stats.norm if math.isinf(dof) else scipy.stats.t(dof)
    mean, sd = _moments(lambda x: density.pdf((x - 0.25) / scale_mm))
    term = pressing_term(compared=[Compared(0.25, scale_mm, dof, "immersion")])
    assert term.mean_mm == pytest.approx(mean, abs=0.003)
    assert term.u_mm == pytest.approx(sd, abs=0.003)


@pytest.mark.parametrize(("u_mm", "dof"), [(0.045, math.inf), (0.1, 4.0), (0.3, 30.0)])
def test_the_interval_holds_its_share_of_the_sum(u_mm, dof):
    term = pressing_term()
    low, high = eye_length_interval(0.0, u_mm, dof, term, 0.95)
    density = scipy.stats.norm if math.isinf(dof) else scipy.stats.t(dof)
    pressing, share = (
        np.linspace(0.0005, 3.9995, 4000),
        np.diff(PUBLISHED.cdf(np.arange(4001) / 1000)),
    )
    below, within = (
        float(share @ density.cdf((end - pressing) / u_mm)) / share.sum() for end in (low, high)
    )
    assert within - below == pytest.approx(0.95, abs=0.006)
    # The shortest: the density of the sum is the same at both ends (JCGM 101:2008, 5.3.4).
    ends = [share @ density.pdf((end - pressing) / u_mm) / u_mm for end in (low, high)]
    most = max(share @ density.pdf((x - pressing) / u_mm) / u_mm for x in np.linspace(0, 0.5, 51))
    assert abs(ends[0] - ends[1]) < 0.05 * most


def test_two_eyes_differ_as_often_as_published():
    # 24 % of 1,379 patients differ by 0.3 mm and more (J Cataract Refract Surg 2008).
    beyond = 2.0 * scipy.stats.t.sf(0.3 / _OTHER_EYE_MM, _OTHER_EYE_DOF)
    assert beyond == pytest.approx(0.24, abs=0.01)
    contact = sitting_of(FIVE, method="contact")
    ((labels, scans),) = contact.sittings()
    seen = immersion_lengths([sitting_of(FIVE + 0.25, eye="left")])
    term = sitting_pressing(contact, labels, scans, 0.002, seen)
    mean, sd = _moments(lambda x: scipy.stats.t(2).pdf((x - 0.25) / 0.18))
    assert (term.mean_mm, term.u_mm) == (
        pytest.approx(mean, abs=0.003),
        pytest.approx(sd, abs=0.003),
    )


def test_what_immersion_is_held_against():
    assert immersion_lengths([sitting_of(FIVE[:1])]) == []
    (two,) = immersion_lengths([sitting_of(FIVE[:2])])
    assert two.mean_mm == pytest.approx(23.199)
    assert two.u_mm == pytest.approx(0.003)  # half the difference of two
    assert immersion_lengths([sitting_of([23.2, 23.301])]) == []
    assert len(immersion_lengths([sitting_of([23.2, 23.299])])) == 1
    assert immersion_lengths([sitting_of(FIVE, method="contact")]) == []
    assert immersion_lengths([sitting_of(FIVE, accepted=[True, False, False, False, False])]) == []


def test_shared_sources_are_root_mean_squares_over_accepted_scans():
    clock = np.array([0.001, 0.007, 0.002, 0.5], np.float32)
    result = dataclasses.replace(
        sitting_of([23.41, 23.42, 23.40, 23.9], accepted=[True, True, True, False]),
        features={"u_clock_mm": clock},
    )
    (one,) = summarise(result)
    # (1 + 49 + 4) / 3 = 18.
    assert one.budget_mm["clock"] == pytest.approx(math.sqrt(18.0) * 1e-3, rel=1e-5)
    assert set(one.budget_mm) == {"scatter", "clock"}
    (plain,) = summarise(sitting_of([23.41, 23.42, 23.40]))
    assert plain.budget_mm["shared"] == pytest.approx(0.04)


def test_segments_are_averaged_and_empty_ones_left_out():
    result = sitting_of([23.41, 23.43, 23.9], accepted=[True, True, False], chamber=[3.0, 3.1, 9.0])
    lengths = result.length_mm.copy()
    lengths[:, 0] = math.nan
    (one,) = summarise(dataclasses.replace(result, length_mm=lengths))
    assert dict(one.segment_mean_mm) == {
        "aqueous": pytest.approx(3.05),
        "lens": pytest.approx(4.5),
        "vitreous": pytest.approx(23.42 - 5.05 - 3.05),
    }


@pytest.mark.parametrize(("n", "tested"), [(1, 0), (2, 0), (3, 1), (4, 2), (40, 2)])
def test_as_many_outliers_are_tested_as_leave_a_spread(n, tested):
    lengths = 23.4 + 0.002 * np.sin(np.arange(n))
    (one,) = summarise(sitting_of(lengths))
    assert one.outliers_tested == tested


@pytest.mark.parametrize("wrong", [{"dof": 0.0}, {"dof": -0.5}, {"scale_mm": 0.0}])
def test_another_length_needs_a_scale_and_degrees_of_freedom(wrong):
    sound = Compared(0.25, 0.06, 5.0, "immersion")
    with pytest.raises(ParameterError, match="pressing cannot be told"):
        pressing_term(compared=[dataclasses.replace(sound, **wrong)])


def test_two_scans_by_contact_have_an_interval_with_pressing():
    # What is added is independent and never negative: the interval of the sum is wider than that
    # without it, and its middle lies above the mean.
    (two,) = summarise(sitting_of([23.40, 23.46], method="contact"))
    low, high = two.stated_interval_mm
    assert high - low > 2.0 * two.expanded_mm
    assert 0.5 * (low + high) > two.mean_mm
    assert low < two.stated_mm < high


def test_what_was_pressed_in_a_sitting_is_counted_once():
    """Scatter by pressing is in the published spread of means; what lies behind the chamber is not.

    Five scans pressed by 0 to 0.4 mm, on top a hand that scatters by 0.01 mm: the budget holds the
    hand's part, and without a chamber 0.05 mm by immersion (0.03 ± 0.04, Ademola-Popoola 2016).
    """
    result = et.measure(et.read("synthetic_traces/contact_sitting.h5")).select(slice(0, 5))
    press = np.array([0.0, 0.1, 0.2, 0.3, 0.4])
    hand = np.array([0.01, -0.01, 0.0, 0.01, -0.01])
    length, segments = 23.5 - press + hand, np.full((5, len(result.segments)), np.nan)
    at = {name: k for k, name in enumerate(result.segments)}
    segments[:, at["cornea"]] = 0.534
    segments[:, at["aqueous"]] = 2.5 - press
    segments[:, at["lens"]] = 4.5
    with_chamber = dataclasses.replace(
        result,
        axial_length_mm=length,
        length_mm=segments,
        accepted=np.ones(5, np.bool_),
    )
    used = np.arange(5)
    by_all = float(length.std(ddof=1)) / np.sqrt(5.0)
    found = scatter_apart_from_pressing(with_chamber, used, by_all)
    assert found == pytest.approx(float(hand.std(ddof=1)) / np.sqrt(5.0), rel=1e-9)
    blind = dataclasses.replace(with_chamber, length_mm=np.full_like(segments, np.nan))
    assert scatter_apart_from_pressing(blind, used, by_all) == pytest.approx(0.05 / np.sqrt(5.0))
    assert scatter_apart_from_pressing(blind, used, 0.001) == 0.001
    (one,) = et.summarise(with_chamber)
    assert one.budget_mm["scatter"] == pytest.approx(found)
    assert one.u_mm == pytest.approx(by_all)
    low_mm, high_mm = one.stated_interval_mm
    assert low_mm <= length.mean() + press.mean() <= high_mm
