"""What is said of the scans of a sitting, each with a case that must and a near miss."""

import numpy as np
import pytest
import scipy
from invented import sitting_of

from echotrace.errors import ParameterError
from echotrace.settings import SittingLimits
from echotrace.sittings.more_scans import more_scans_statement, scans_needed
from echotrace.sittings.pressing import compression_of
from echotrace.sittings.sitting import summarise
from echotrace.sittings.sitting_quality import judge_sittings


def _measurement(lengths, **given):
    return sitting_of(lengths, u=0.003, **given)


def _said(judgement):
    return {item.name: item.text for item in judgement.statements}


# --- pressing ----------------------------------------------------------------------------------


def _pressed_sittings(rng, n, *, own_mm=0.03, press_mm=0.2):
    press = press_mm * rng.standard_gamma(2.0, n) / 2.0
    chamber = 3.1 - press + 0.004 * rng.standard_normal(n)
    return press, chamber, 23.5 - press + own_mm * rng.standard_normal(n)


def test_pressing_is_measured_against_the_least_pressed_scan():
    rng = np.random.default_rng(5)
    inside, called, errors = 0, 0, []
    for _ in range(300):
        press, chamber, lengths = _pressed_sittings(rng, 6)
        found = compression_of(chamber, lengths, 0.004)
        if found is None:
            continue
        inside += found.slope_interval[0] <= 1.0 <= found.slope_interval[1]
        called += found.pressed
        truth = press[list(found.scans)].mean() - press[found.least_pressed]
        errors.append((found.mean_shortening_mm - truth) / found.mean_shortening_u_mm)
    n = len(errors)
    assert n > 280
    low, high = scipy.stats.binom.interval(0.999, n, 0.95)
    assert low <= inside <= high
    assert called > 0.7 * n
    assert 0.7 < np.std(errors) < 1.3
    assert abs(np.mean(errors)) < 0.4


def test_a_chamber_that_the_length_does_not_follow_is_not_pressing():
    rng = np.random.default_rng(6)
    called = 0
    for _ in range(200):
        # The front of the lens picked differently: the chamber changes, the length does not.
        chamber = 3.0 + 0.1 * rng.standard_normal(6)
        found = compression_of(chamber, 23.5 + 0.03 * rng.standard_normal(6), 0.004)
        called += found is not None and found.pressed
    assert called <= 2


def test_a_chamber_that_hardly_varies_says_nothing():
    rng = np.random.default_rng(7)
    tilted = 23.5 + 0.2 * rng.standard_normal(6)
    assert compression_of(3.0 + 0.004 * rng.standard_normal(6), tilted, 0.004) is None
    assert compression_of(3.0 + 0.1 * rng.standard_normal(3), tilted[:3], 0.004) is None
    # Chamber noise alone, as large as the range.
    assert compression_of(3.0 + 0.05 * rng.standard_normal(6), tilted, 0.05) is None


def test_pressing_is_said_in_contact_only():
    _, chamber, lengths = _pressed_sittings(np.random.default_rng(8), 6)
    (one,) = judge_sittings(_measurement(lengths, chamber=chamber, method="contact"))
    assert one.compression.pressed
    assert "Press less" in _said(one)["compression"]
    (other,) = judge_sittings(_measurement(lengths, chamber=chamber))
    assert other.compression is None
    assert "compression" not in _said(other)


# --- more scans --------------------------------------------------------------------------------


def test_number_of_scans_against_student_t():
    """The least n whose t interval is narrow enough, by scipy's interval of a made-up sample."""
    seen, most = scans_needed(0.08, 5, 0.05)
    for n, enough in ((seen, True), (seen - 1, False)):
        sample = (
            np.tile([-1.0, 1.0], n)[:n] if n % 2 == 0 else np.r_[np.tile([-1.0, 1.0], n // 2), 0.0]
        )
        sample = 0.08 * sample / sample.std(ddof=1)
        interval = scipy.stats.ttest_1samp(sample, 0.0).confidence_interval(0.95)
        assert (0.5 * (interval.high - interval.low) <= 0.05) == enough
    assert most > seen > 5
    assert scans_needed(0.01, 5, 0.05) is None
    with pytest.raises(ParameterError, match="half_width_mm"):
        scans_needed(0.1, 5, 0.0)


def test_no_number_of_scans_lowers_what_they_share():
    """JCGM 100:2008, G.4: with u_shared alone the half width is 1.96 u_shared, however many."""
    assert scans_needed(0.03, 5, 0.08, shared_u_mm=0.041) == (None, None)
    assert scans_needed(0.08, 5, 0.082, shared_u_mm=0.041)[0] is None
    # Half as much left for the scatter: (1.96 s)² / (w² - (1.96 u)²) scans and more.
    seen, _ = scans_needed(0.08, 5, 0.1, shared_u_mm=0.03)
    assert (1.96 * 0.08) ** 2 / (0.1**2 - (1.96 * 0.03) ** 2) <= seen <= 8
    assert scans_needed(0.5, 5, 0.05) == (None, None)
    spread = 23.5 + 0.08 * np.array([-1.2, -0.4, 0.1, 0.5, 1.0])
    (one,) = judge_sittings(_measurement(spread), half_width_mm=0.07)
    said = _said(one)["more_scans"]
    assert said == (
        "No number of scans brings the length within ± 0.07 mm at 95 %: what all of them share "
        "(sound speeds above all) makes ± 0.08 mm by itself."
    )
    (wild,) = judge_sittings(_measurement(23.5 + 20 * (spread - 23.5)))
    assert _said(wild)["more_scans"].startswith("More than 50 scans like these")
    assert wild.to_record()["more_scans"] == [None, None]
    # In contact pressing is shared too, whatever the scatter.
    (contact,) = judge_sittings(_measurement(FIVE, method="contact"))
    assert "pressing, sound speeds" in _said(contact)["more_scans"]
    assert "Immersion does not press." in _said(contact)["more_scans"]


def test_from_three_scans_on_more_are_asked_for():
    (three,) = judge_sittings(_measurement([23.40, 23.60, 23.50]))
    (two,) = judge_sittings(_measurement([23.40, 23.60]))
    assert three.more_scans[0] > 3
    assert "more_scans" in _said(three)
    assert two.more_scans is None


def test_more_scans_are_asked_for_only_where_they_are_needed():
    spread = 23.5 + 0.12 * np.array([-1.2, -0.4, 0.1, 0.5, 1.0])
    (one,) = judge_sittings(_measurement(spread))
    assert "more_scans" in _said(one)
    (calm,) = judge_sittings(_measurement(23.5 + 0.3 * (spread - 23.5)))
    assert calm.more_scans is None
    assert "more_scans" not in _said(calm)


FIVE = [23.42, 23.40, 23.41, 23.43, 23.41]


def test_records_are_plain():
    import json

    chamber = np.array([3.0, 2.9, 2.8, 3.05, 2.95])
    result = _measurement(20.5 + chamber, method="contact", chamber=chamber)
    (one,) = judge_sittings(result)
    again = json.loads(json.dumps(one.to_record(), allow_nan=False))
    assert again["compression"]["pressed"] is True


def test_an_empty_sitting_is_judged_in_silence():
    (one,) = judge_sittings(_measurement(FIVE, accepted=np.zeros(5, bool)))
    assert one.statements == ()


@pytest.mark.parametrize(("most", "pose"), [(15, False), (16, True), (None, True)])
def test_a_better_pose_is_advised_where_more_than_three_times_the_scans_may_be_needed(most, pose):
    known = {"sd_mm": 0.08, "n": 5, "half_width_mm": 0.1, "shared_u_mm": 0.01, "contact": False}
    text = more_scans_statement((7, most), **known).text
    assert f"up to {most}" in text or most is None
    assert text.endswith(" A better pose brings more than more scans.") == pose


def test_records_keep_a_tenth_of_a_micrometre():
    chamber = np.array([3.00004, 2.9, 2.8, 3.061237, 2.95])
    (one,) = judge_sittings(_measurement(20.5 + chamber, method="contact", chamber=chamber))
    record = one.to_record()["compression"]
    assert record["chamber_range_mm"] == 0.2612
    for name in ("mean_shortening_mm", "mean_shortening_u_mm"):
        assert record[name] == pytest.approx(getattr(one.compression, name), abs=0.5e-4)


@pytest.mark.parametrize("asked", [3, 4, 5, 6])
def test_as_many_scans_as_are_asked_for_are_enough(asked):
    limits = SittingLimits(min_accepted=asked)
    (one,) = summarise(_measurement(FIVE), limits=limits)
    assert ("too_few_scans" in {item.name for item in one.findings}) == (asked > 5)
