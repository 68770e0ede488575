"""What is said of the scans of a sitting, each with a case that must and a near miss."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
import scipy
from invented import sitting_of

from echotrace.errors import ParameterError
from echotrace.quality.finding_list import FINDINGS
from echotrace.sittings.alignment import AlignmentEstimate
from echotrace.sittings.alignment_prior import alignment_prior
from echotrace.sittings.groups import _best_split, length_groups, scans_needed
from echotrace.sittings.pressing import compression_of
from echotrace.sittings.sitting_quality import judge_sittings


def _measurement(lengths, *, fluid=(), score=None, **given):
    sitting = sitting_of(lengths, u=0.003, **given)
    findings = sitting.findings.copy()
    findings[list(fluid)] |= np.uint32(1 << list(FINDINGS).index("fluid_before_cornea"))
    score = np.full(sitting.n_traces, 0.9) if score is None else np.asarray(score, np.float64)
    return replace(sitting, findings=findings, score=score)


def _estimate(tilt, *, tilt_sd=0.6, aside=0.2, aside_sd=0.1):
    """Normal posteriors about given tilts."""
    grid_tilt, grid_aside, _ = alignment_prior()
    tilt = np.asarray(tilt, np.float64)
    aside = np.broadcast_to(np.asarray(aside, np.float64), tilt.shape)
    a = np.exp(-0.5 * ((grid_tilt - tilt[:, None]) / tilt_sd) ** 2)
    b = np.exp(-0.5 * ((grid_aside - aside[:, None]) / aside_sd) ** 2)
    mass = a[:, :, None] * b[:, None, :]
    mass /= mass.sum(axis=(1, 2), keepdims=True)
    near = 1.645 * np.array([-1.0, 1.0])
    return AlignmentEstimate(
        tilt_deg=tilt,
        tilt_interval_deg=np.maximum(tilt[:, None] + tilt_sd * near, 0.0),
        decentration_mm=aside,
        decentration_interval_mm=np.maximum(aside[:, None] + aside_sd * near, 0.0),
        tilt_told=np.ones(tilt.size, bool),
        decentration_told=np.ones(tilt.size, bool),
        prior_tilt_interval_deg=(0.0, 6.0),
        prior_decentration_interval_mm=(0.0, 0.9),
        posterior=mass.astype(np.float32),
        grid_tilt_deg=grid_tilt,
        grid_decentration_mm=grid_aside,
        confidence=0.9,
        jointly=True,
    )


def _said(judgement):
    return {item.name: item.text for item in judgement.statements}


# --- groups ------------------------------------------------------------------------------------


def test_best_split_is_the_best_of_all_divisions():
    """In one dimension the best two clusters are neighbours on the line (Fisher 1958, J Am Stat
    Assoc 53:789): compared with every division into at least two and two."""
    rng = np.random.default_rng(3)
    for _ in range(20):
        values = np.sort(rng.standard_normal(7))
        best = 0.0
        for size in (2, 3):
            for part in itertools.combinations(range(7), size):
                inside = np.isin(np.arange(7), part)
                within = sum(((g - g.mean()) ** 2).sum() for g in (values[inside], values[~inside]))
                total = ((values - values.mean()) ** 2).sum()
                best = max(best, (total - within) / within)
        cut, ratio = _best_split(values[None])
        assert ratio[0] == pytest.approx(best)
        assert 2 <= cut[0] <= 5


def test_two_groups_are_told_apart():
    lengths = [23.42, 23.40, 23.71, 23.41, 23.70, 23.72, 23.43]
    groups = length_groups(lengths, 0.004)
    assert [group.tolist() for group in groups] == [[0, 1, 3, 6], [2, 4, 5]]


def test_three_groups_are_told_apart():
    lengths = np.repeat([22.0, 23.5, 24.0], 6) + np.tile(np.linspace(-0.02, 0.02, 6), 3)
    assert [group.size for group in length_groups(lengths)] == [6, 6, 6]


@pytest.mark.parametrize("n", [5, 8, 15])
def test_one_group_is_seldom_parted(n):
    """One normal group: parted in at most one of a hundred (binomial limit of 400 draws)."""
    rng = np.random.default_rng(n)
    parted = sum(len(length_groups(23.5 + 0.2 * rng.standard_normal(n))) > 1 for _ in range(400))
    assert parted <= scipy.stats.binom.ppf(0.999, 400, 0.01)


def test_a_scan_alone_and_a_small_gap_make_no_groups():
    assert len(length_groups([23.40, 23.41, 23.42, 23.43, 24.2])) == 1
    assert len(length_groups([23.400, 23.401, 23.402, 23.440, 23.441, 23.442])) == 1
    wide = [23.40, 23.41, 23.42, 23.50, 23.51, 23.52]
    assert len(length_groups(wide, 0.04)) == 1
    assert len(length_groups([23.4, 23.4])) == 1
    with pytest.raises(ParameterError, match="finite"):
        length_groups([1.0, np.nan])


TWO = [23.42, 23.40, 23.71, 23.41, 23.70, 23.72, 23.43]
LONG = np.array([2, 4, 5])


def test_the_aligned_group_is_believed_even_where_it_is_shorter():
    tilt = np.full(7, 0.8)
    tilt[LONG] = 6.0
    (one,) = judge_sittings(_measurement(TWO), _estimate(tilt))
    assert one.believed == (0, 1, 3, 6)
    assert "Believe 23.41 mm, the shorter one" in _said(one)["two_groups"]
    (other,) = judge_sittings(_measurement(TWO), _estimate(6.8 - tilt))
    assert other.believed == (2, 4, 5)
    assert "Believe 23.71 mm, the longest one" in _said(other)["two_groups"]


def test_neither_group_is_believed_where_nothing_tells():
    for alignment in (None, _estimate(np.full(7, 1.0)), _estimate(np.full(7, 3.0), tilt_sd=3.0)):
        (one,) = judge_sittings(_measurement(TWO), alignment)
        assert one.believed == ()
        assert "Capture again" in _said(one)["two_groups"]


def test_the_longest_is_believed_in_contact_where_the_chamber_is_as_much_deeper():
    chamber = np.full(7, 2.8)
    chamber[LONG] = 3.1
    contact = _measurement(TWO, method="contact", chamber=chamber)
    (one,) = judge_sittings(contact, _estimate(np.full(7, 1.0)))
    assert one.believed == (2, 4, 5)
    assert "contact only shortens" in _said(one)["two_groups"]
    # In immersion nothing presses: the chamber says nothing.
    (immersion,) = judge_sittings(_measurement(TWO, chamber=chamber))
    assert immersion.believed == ()
    # Fluid lengthens both alike.
    wet = _measurement(TWO, method="contact", chamber=chamber, fluid=[2])
    (one,) = judge_sittings(wet)
    assert one.believed == ()
    assert "fluid" in _said(one)["two_groups"]


def test_one_group_is_not_spoken_of():
    (one,) = judge_sittings(_measurement([23.42, 23.40, 23.41, 23.43, 23.41]))
    assert one.believed == (0, 1, 2, 3, 4)
    assert one.statements == ()


# --- compression -------------------------------------------------------------------------------


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
    # Known spread: (1.96 s / h)² from a large sample (NIST/SEMATECH e-Handbook 7.2.2.2).
    seen, most = scans_needed(1.0, 2000, 0.02)
    assert seen == pytest.approx((1.96 / 0.02) ** 2, rel=0.002)
    assert most < 1.04 * seen
    assert scans_needed(0.01, 5, 0.05) is None
    with pytest.raises(ParameterError, match="half_width_mm"):
        scans_needed(0.1, 5, 0.0)


def test_more_scans_are_asked_for_only_where_they_are_needed():
    spread = 23.5 + 0.08 * np.array([-1.2, -0.4, 0.1, 0.5, 1.0])
    (one,) = judge_sittings(_measurement(spread))
    assert "more_scans" in _said(one)
    (calm,) = judge_sittings(_measurement(23.5 + 0.3 * (spread - 23.5)))
    assert calm.more_scans is None
    assert "more_scans" not in _said(calm)


# --- alignment ---------------------------------------------------------------------------------

FIVE = [23.42, 23.40, 23.41, 23.43, 23.41]


def test_the_best_aligned_scan_is_named_only_where_it_stands_out():
    (one,) = judge_sittings(_measurement(FIVE), _estimate([3.0, 2.9, 0.6, 3.2, 2.4]))
    assert one.best_scan == 2
    assert "Scan 3 is aligned best" in _said(one)["best_aligned"]
    (alike,) = judge_sittings(_measurement(FIVE), _estimate([1.2, 1.0, 0.8, 1.1, 0.9]))
    assert alike.best_scan is None
    assert "best_aligned" not in _said(alike)
    (vague,) = judge_sittings(_measurement(FIVE), _estimate([3.0, 2.9, 0.6, 3.2, 2.4], tilt_sd=4.0))
    assert vague.best_scan is None


def test_scans_off_the_axis_are_named_only_where_that_is_sure():
    (one,) = judge_sittings(_measurement(FIVE), _estimate([0.6, 0.9, 6.0, 0.7, 1.0]))
    assert one.off_axis_scans == (2,)
    assert "scan 3: 6.0°" in _said(one)["scans_off_axis"]
    (near,) = judge_sittings(_measurement(FIVE), _estimate([0.6, 0.9, 2.9, 0.7, 1.0]))
    assert near.off_axis_scans == ()


def test_the_hold_is_spoken_of_where_most_scans_are_off():
    (tilted,) = judge_sittings(_measurement(FIVE), _estimate(np.full(5, 5.0)))
    assert "do not tell in which direction" in _said(tilted)["pose_tilted"]
    (aside,) = judge_sittings(_measurement(FIVE), _estimate(np.full(5, 0.8), aside=0.9))
    assert "to which side" in _said(aside)["pose_decentred"]
    (good,) = judge_sittings(_measurement(FIVE), _estimate([0.8, 1.0, 5.0, 0.7, 0.9]))
    assert not {"pose_tilted", "pose_decentred"} & set(_said(good))
    (vague,) = judge_sittings(_measurement(FIVE), _estimate(np.full(5, 3.0), tilt_sd=3.0))
    assert "pose_tilted" not in _said(vague)


def test_records_are_plain_and_alignment_must_fit():
    import json

    chamber = np.array([3.0, 2.9, 2.8, 3.05, 2.95])
    result = _measurement(20.5 + chamber, method="contact", chamber=chamber)
    (one,) = judge_sittings(result, _estimate(np.full(5, 1.0)))
    again = json.loads(json.dumps(one.to_record(), allow_nan=False))
    assert again["compression"]["pressed"] is True
    assert again["groups"] == [[1, 2, 3, 4, 5]]
    with pytest.raises(ParameterError, match="alignment"):
        judge_sittings(result, _estimate([1.0]))


def test_an_empty_sitting_is_judged_in_silence():
    (one,) = judge_sittings(_measurement(FIVE, accepted=np.zeros(5, bool)))
    assert one.statements == ()
    assert one.believed == ()
