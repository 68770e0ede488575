"""The interval of contact holds the eye: hands that press otherwise than the term believes."""

import math

import numpy as np
import pytest
import scipy
from invented import sitting_of

from echotrace.errors import ParameterError
from echotrace.measurement import concatenate
from echotrace.sittings.pressing_term import (
    Compared,
    eye_length_interval,
    pressing_term,
)
from echotrace.sittings.sitting import summarise

MEAN, SD = 0.20, 0.26  # Ademola-Popoola 2016: immersion less contact, between eyes.
U = 0.045


def _lognormal(rng, n):
    s = math.sqrt(math.log(1.0 + (SD / MEAN) ** 2))
    return rng.lognormal(math.log(MEAN) - 0.5 * s * s, s, n)


# Hands with the published mean and spread, or the published means of several studies, none of them
# by the term's own formula.
HANDS = {
    "lognormal": _lognormal,
    "weibull": lambda rng, n: MEAN / math.gamma(1 + 1 / 0.78) * rng.weibull(0.78, n),
    "studies": lambda rng, n: rng.choice([0.1, 0.15, 0.2, 0.29, 0.3], n) * rng.exponential(1.0, n),
    "light or heavy": lambda rng, n: np.where(
        rng.random(n) < 0.6, np.abs(rng.normal(0.05, 0.04, n)), rng.uniform(0.1, 0.8, n)
    ),
}


@pytest.mark.parametrize("hand", HANDS)
def test_the_interval_holds_the_eye_whoever_presses(hand):
    rng = np.random.default_rng(17)
    low, high = eye_length_interval(0.0, U, math.inf, pressing_term(), 0.95)
    eye = HANDS[hand](rng, 40_000) + rng.normal(0.0, U, 40_000)
    assert 0.93 <= np.mean((eye >= low) & (eye <= high)) <= 0.97


def test_the_term_is_the_gamma_distribution_with_the_published_moments():
    term = pressing_term()
    assert term.mean_mm == pytest.approx(MEAN, abs=0.005)
    assert term.u_mm == pytest.approx(SD, abs=0.01)
    low, high = eye_length_interval(0.0, 0.01, math.inf, term, 0.95)
    gamma = scipy.stats.gamma((MEAN / SD) ** 2, scale=SD**2 / MEAN)
    assert low == pytest.approx(0.0, abs=0.03)
    assert high == pytest.approx(gamma.ppf(0.95), abs=0.02)


def test_without_pressing_the_interval_is_that_of_the_mean():
    seen = pressing_term(compared=[Compared(0.0, 1e-4, math.inf, "immersion")])
    low, high = eye_length_interval(23.4, U, 9.0, seen, 0.95)
    half = scipy.stats.t.ppf(0.975, 9) * U
    assert (low, high) == (
        pytest.approx(23.4 - half, abs=0.004),
        pytest.approx(23.4 + half, abs=0.004),
    )


def test_what_the_sitting_shows_narrows_the_term():
    pressed = pressing_term(at_least_mm=0.3, at_least_u_mm=0.01)
    assert pressed.mean_mm > 0.3
    assert pressed.probability[:1] < 1e-6
    assert "at least 0.30 mm by the scan that was pressed least" in pressed.basis
    other = pressing_term(compared=[Compared(0.1, 0.18, 2.0, "immersion, other eye")])
    same = pressing_term(compared=[Compared(0.1, 0.03, 5.0, "immersion of the same eye")])
    assert same.u_mm < other.u_mm < pressing_term().u_mm
    against = pressing_term(compared=[Compared(-3.0, 0.03, math.inf, "immersion")])
    assert "contradicts" in against.basis
    assert against.u_mm == pytest.approx(pressing_term().u_mm)
    with pytest.raises(ParameterError, match="cannot be told"):
        pressing_term(compared=[Compared(math.nan, 0.03, 5.0, "immersion")])


FIVE = np.array([23.20, 23.21, 23.19, 23.20, 23.20])


def test_a_contact_sitting_states_the_eye_and_immersion_does_not_change_it():
    contact, immersion = sitting_of(FIVE, method="contact"), sitting_of(FIVE)
    (one,), (other,) = summarise(contact), summarise(immersion)
    assert one.mean_mm == other.mean_mm == pytest.approx(23.20)
    assert other.pressing is None
    assert other.stated_mm == other.mean_mm
    assert other.stated_interval_mm == (
        pytest.approx(23.20 - other.expanded_mm),
        pytest.approx(23.20 + other.expanded_mm),
    )
    assert one.stated_mm == pytest.approx(23.20 + one.pressing.mean_mm)
    low, high = one.stated_interval_mm
    assert low < 23.20
    assert high > 23.85
    assert one.budget_mm["pressing"] == pytest.approx(0.25, abs=0.02)
    assert "pressing" not in other.budget_mm
    record = one.to_record()
    assert record["stated_interval_mm"] == [low, high]
    assert set(record["pressing"]) == {"mean_mm", "u_mm", "basis"}
    assert "interval_mm" not in record


@pytest.mark.parametrize(
    ("labels", "words", "u_mm"),
    [
        ({}, "immersion of the same eye: +0.25 mm", 0.05),
        ({"eye": "left"}, "immersion, other eye: +0.25 mm", 0.24),
        ({"subject": "invented-02"}, "", 0.26),
        ({"lens_state": "aphakic"}, "", 0.26),
    ],
)
def test_immersion_beside_contact_says_how_far_it_pressed(labels, words, u_mm):
    contact = sitting_of(FIVE, method="contact")
    beside = sitting_of(FIVE + 0.25, **labels)
    (alone,) = summarise(contact)
    (one,) = summarise(contact, beside=[beside])
    assert words in one.pressing.basis
    assert one.pressing.u_mm < u_mm
    joined, _ = summarise(concatenate([contact, beside]))
    assert joined.pressing.basis == one.pressing.basis
    if not words:
        assert one.pressing.basis == alone.pressing.basis
    else:
        assert one.pressing.u_mm < alone.pressing.u_mm


def test_one_scan_has_no_interval():
    (one,) = summarise(sitting_of(FIVE[:1], method="contact"))
    assert math.isnan(one.stated_interval_mm[0])
    (none,) = summarise(sitting_of(FIVE, method="contact", accepted=np.zeros(5, bool)))
    assert none.pressing is None
    assert math.isnan(none.stated_mm)
