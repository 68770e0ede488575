"""Figures, limits and wording of what is said of a sitting, each at its edge."""

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy
from invented import sitting_of
from test_sitting_quality import FIVE, _estimate, _measurement, _said

from echotrace.errors import ParameterError
from echotrace.sittings.groups import _best_split, _normal_ratios, length_groups, scans_needed
from echotrace.sittings.judged_poses import aligned_probability
from echotrace.sittings.pressing import chamber_of, compression_of, judge_pressing
from echotrace.sittings.sitting import summarise
from echotrace.sittings.sitting_quality import judge_sittings
from echotrace.text_out import scan_names

# --- groups ------------------------------------------------------------------------------------


def test_significance_of_a_division_is_that_of_a_simulated_test():
    # Davison & Hinkley 1997, Bootstrap Methods, 4.2: p = (1 + number at least as extreme)/(1 + N).
    lengths = np.array([23.40, 23.43, 23.47, 23.60, 23.64, 23.66])
    _, ratio = _best_split(lengths[None])
    null = _normal_ratios(lengths.size)
    beyond = sum(1 for value in null if value >= ratio[0])
    assert 3 < beyond < 1000
    p = (1 + beyond) / (1 + null.size)
    assert len(length_groups(lengths, alpha=p * (1 - 1e-9))) == 1
    assert len(length_groups(lengths, alpha=p)) == 1
    assert len(length_groups(lengths, alpha=p * (1 + 1e-9))) == 2


def test_groups_are_parted_by_the_gap_between_their_nearest_scans():
    near = np.array([23.400, 23.402, 23.410, 23.457, 23.459, 23.467])
    assert len(length_groups(near)) == 1
    assert len(length_groups(near, min_gap_mm=0.0469)) == 2
    assert len(length_groups(near, min_gap_mm=0.0471)) == 1


def test_groups_are_not_parted_by_less_than_three_uncertainties_of_their_nearest_scans():
    lengths = np.array([23.40, 23.41, 23.42, 23.52, 23.53, 23.54])
    edge = 0.10 / (3 * math.sqrt(2))
    for u, groups in ((0.99 * edge, 2), (1.01 * edge, 1)):
        assert len(length_groups(lengths, u)) == groups
    # Those of the other scans do not matter.
    far = np.where(np.isin(np.arange(6), [2, 3]), 0.001, 1.0)
    assert len(length_groups(lengths, far)) == 2
    for k in (2, 3):
        one = np.full(6, 0.001)
        one[k] = 0.034
        assert len(length_groups(lengths, one)) == 1
        one[k] = 0.033
        assert len(length_groups(lengths, one)) == 2


# --- more scans --------------------------------------------------------------------------------


def _fewest(sd, half, confidence=0.95):
    n = 2
    while scipy.stats.t.ppf(0.5 + confidence / 2, n - 1) * sd / math.sqrt(n) > half:
        n += 1
    return n


@pytest.mark.parametrize(
    ("n", "chi_square"),
    # Chi-square with 20 % below it (any table): 0.446, 1.005, 1.649, 3.070, 5.380.
    [(3, 0.446), (4, 1.005), (5, 1.649), (7, 3.070), (10, 5.380)],
)
def test_the_upper_limit_of_the_spread_decides_the_larger_number(n, chi_square):
    sd = 0.19
    assert scans_needed(sd, n, 0.05) == (
        _fewest(sd, 0.05),
        # The table has four digits.
        pytest.approx(_fewest(sd * math.sqrt((n - 1) / chi_square), 0.05), abs=1),
    )


@pytest.mark.parametrize("sd", [0.05, 0.2, 0.26, 0.3, 0.345, 0.4, 0.52, 0.7, 0.9])
@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
def test_the_number_of_scans_is_the_least_that_will_do(sd, confidence):
    assert scans_needed(sd, 2, 0.04, confidence=confidence)[0] == _fewest(sd, 0.04, confidence)


def test_scans_needed_asks_for_two_scans_and_a_spread():
    for sd, n, half in ((0.1, 1, 0.05), (-0.1, 5, 0.05), (math.nan, 5, 0.05), (0.1, 5, 0.0)):
        with pytest.raises(ParameterError, match="at least two scans"):
            scans_needed(sd, n, half)
    assert scans_needed(0.0, 2, 0.05) is None


def test_what_is_asked_for_is_what_is_recorded():
    spread = 23.5 + 0.08 * np.array([-1.2, -0.4, 0.1, 0.5, 1.0])
    (one,) = judge_sittings(_measurement(spread))
    assert one.more_scans == scans_needed(float(spread.std(ddof=1)), 5, 0.05)
    seen, most = one.more_scans
    assert one.to_record()["more_scans"] == [seen, most]
    assert f"about {seen} scans like these are needed in all, up to {most}" in str(one.statements)
    assert f"({spread.std(ddof=1):.3f} mm) is that of only 5." in str(one.statements)
    assert "A better pose brings more" in str(one.statements)
    # Wider by ten per cent of the wanted half width: fewer, and no talk of the pose.
    (calm,) = judge_sittings(_measurement(spread), half_width_mm=0.08)
    assert calm.more_scans == scans_needed(float(spread.std(ddof=1)), 5, 0.08)
    assert calm.more_scans[1] <= 15
    assert "pose" not in str(calm.statements)
    (enough,) = judge_sittings(_measurement(spread), half_width_mm=0.2)
    assert enough.more_scans is None
    assert enough.to_record()["more_scans"] is None
    # Two scans say nothing of their spread.
    (two,) = judge_sittings(_measurement(spread[:2]))
    assert two.more_scans is None


# --- pressing ----------------------------------------------------------------------------------

CHAMBER = np.array([3.02, 3.10, 2.84, 2.97, 2.80, 3.06])


def _on_a_line(slope, half):
    """Lengths whose slope on the chamber, and the half width of its 95 % interval, are given."""
    n = CHAMBER.size
    rest = np.array([1.0, -1.0, 0.5, -1.5, 0.7, 0.3])
    plane = np.column_stack([np.ones(n), CHAMBER])
    rest -= plane @ np.linalg.lstsq(plane, rest, rcond=None)[0]
    spread = ((CHAMBER - CHAMBER.mean()) ** 2).sum()
    # Of a straight line: standard error sqrt(SSE/(n - 2)/Sxx), t for 4 degrees of freedom 2.776.
    wanted = (half / scipy.stats.t.ppf(0.975, n - 2)) ** 2 * (n - 2) * spread
    return 20.5 + slope * CHAMBER + rest * math.sqrt(wanted / (rest**2).sum())


@pytest.mark.parametrize(
    ("slope", "half", "pressed", "alone"),
    [
        (1.0, 0.3, True, False),
        (1.0, 0.49, True, False),
        (1.0, 0.51, False, False),
        (0.86, 0.45, True, False),
        (0.84, 0.45, False, False),
        (0.8, 0.05, False, True),
        (0.84, 0.05, False, True),
        (0.86, 0.05, True, False),
        (1.14, 0.05, True, False),
        (1.16, 0.05, False, False),
        (0.0, 0.4, False, True),
    ],
)
def test_pressing_needs_a_slope_of_one_that_is_known_well(slope, half, pressed, alone):
    found = compression_of(CHAMBER, _on_a_line(slope, half), 0.0)
    assert found.slope == pytest.approx(slope)
    assert found.slope_interval == pytest.approx((slope - half, slope + half))
    assert (found.pressed, found.alone) == (pressed, alone)
    assert found.chamber_range_mm == pytest.approx(0.30)
    assert found.least_pressed == 1
    assert found.mean_shortening_mm == pytest.approx(3.10 - CHAMBER.mean())
    assert found.scans == (0, 1, 2, 3, 4, 5)


def test_slope_is_corrected_for_errors_of_the_chamber():
    # Fuller 1987, Measurement Error Models, 1.1: the least-squares slope is too small by the
    # reliability, one less the errors' share of the variance.
    lengths = _on_a_line(0.9, 0.2)
    u = 0.3 * CHAMBER.std(ddof=1)
    found = compression_of(CHAMBER, lengths, u)
    assert found.slope == pytest.approx(0.9 / (1 - 0.09))
    assert np.diff(found.slope_interval)[0] == pytest.approx(0.4 / (1 - 0.09))
    for share, told in ((0.199, True), (0.201, False)):
        found = compression_of(CHAMBER, lengths, math.sqrt(share) * CHAMBER.std(ddof=1))
        assert (found is not None) == told


@pytest.mark.parametrize("n", [4, 5, 6, 9])
def test_uncertainty_of_the_shortening(n):
    # Largest less mean of n chambers of equal uncertainty u: u sqrt(1 - 1/n) (JCGM 100:2008,
    # 5.1.2); what is stated may be larger, by 6 % at most.
    chamber = 3.1 - np.linspace(0.0, 0.3, n) ** 1.1
    found = compression_of(chamber, 20.4 + chamber, 0.01)
    exact = 0.01 * math.sqrt(1 - 1 / n)
    assert exact <= found.mean_shortening_u_mm <= 1.06 * exact


def test_what_cannot_tell_is_not_judged():
    lengths = _on_a_line(1.0, 0.1)
    assert compression_of(CHAMBER[:4], lengths[:4], 0.0) is not None
    assert compression_of(CHAMBER[:3], lengths[:3], 0.0) is None
    for rows in (np.arange(6), np.arange(4)):
        missing = CHAMBER[rows].copy()
        missing[2] = np.nan
        assert compression_of(missing, lengths[rows], 0.0) is None
    flat = 3.0 + (CHAMBER - 3.0) / 0.30
    for width, told in ((0.051, True), (0.049, False)):
        assert (compression_of(3.0 + (flat - 3.0) * width, lengths, 0.0) is not None) == told
    with pytest.raises(ParameterError, match="same length"):
        compression_of(CHAMBER, lengths[:5], 0.0)


def test_a_scan_with_another_spike_for_the_lens_is_left_out():
    lengths, chamber = _on_a_line(1.0, 0.02), CHAMBER.copy()
    chamber[3] -= 0.4
    found = compression_of(chamber, lengths, 0.002)
    assert found.scans == (0, 1, 2, 4, 5)
    assert found.least_pressed == 1
    # By less than 0.05 mm from the rest it stays in.
    chamber[3] = CHAMBER[3] - 0.045
    assert compression_of(chamber, lengths, 0.002).scans == (0, 1, 2, 3, 4, 5)


def test_chamber_runs_from_cornea_to_lens():
    sitting = sitting_of(FIVE, chamber=[3.0, 2.9, 2.8, 3.05, 2.95])
    u = np.tile([0.002, 0.005, 0.007, 0.011], (5, 1))
    chamber, chamber_u = chamber_of(replace(sitting, delay_u_us=u), np.array([1, 3]))
    assert chamber == pytest.approx([0.55 + 2.9, 0.55 + 3.05])
    # Half of 1532 m/s (Jansson & Kock 1962) times the lens front's 0.005 us.
    assert chamber_u == pytest.approx([0.766 * 0.005] * 2)
    without = replace(sitting, segments=("cornea", "aqueous", "implant", "vitreous"))
    assert chamber_of(without, np.array([1, 3])) is None
    without = replace(
        sitting, interfaces=("cornea_front", "implant_front", "implant_back", "retina")
    )
    assert chamber_of(without, np.array([1, 3])) is None
    nothing = replace(sitting, segments=("bath", "fluid", "lens", "vitreous"))
    assert chamber_of(nothing, np.array([1, 3])) is None


def test_summary_and_judgement_speak_of_one_judgement():
    """Where the length follows the chamber both say so; where it surely does not, neither does."""
    pressed = sitting_of(_on_a_line(1.0, 0.05), method="contact", chamber=CHAMBER - 0.55)
    names = [item.name for item in summarise(pressed)[0].findings]
    assert "cornea_pressed" in names
    assert "chamber_varies" not in names
    (judged,) = judge_sittings(pressed)
    assert judged.compression.pressed
    assert "compression" in _said(judged)

    alone = sitting_of(_on_a_line(0.0, 0.05), method="contact", chamber=CHAMBER - 0.55)
    (found,) = [f for f in summarise(alone)[0].findings if f.name == "chamber_varies"]
    assert "differs by 0.30 mm between scans" in found.text
    assert "shortest in scan 5" in found.text
    assert "0.00 mm per mm, 95 % interval -0.05 to 0.05" in found.text
    assert "cornea_pressed" not in [item.name for item in summarise(alone)[0].findings]
    (judged,) = judge_sittings(alone)
    assert not judged.compression.pressed
    assert "compression" not in _said(judged)


def test_the_record_of_a_pressed_sitting():
    lengths = _on_a_line(1.0123456, 0.0512345)
    sitting = sitting_of(lengths, method="contact", chamber=CHAMBER - 0.55 + 1e-6)
    sitting = replace(sitting, delay_u_us=np.full((6, 4), 0.0))
    (one,) = judge_sittings(sitting)
    assert one.to_record()["compression"] == {
        "slope": 1.012,
        "slope_interval": [0.961, 1.064],
        "chamber_range_mm": 0.3,
        "least_pressed": 2,
        "mean_shortening_mm": 0.135,
        "mean_shortening_u_mm": 0.0,
        "pressed": True,
        "scans": [1, 2, 3, 4, 5, 6],
    }


def test_pressing_of_accepted_scans_only_and_by_their_own_numbers():
    chamber = np.array([3.02, 2.0, 3.10, 2.84, 2.97, 2.80, 3.06]) - 0.55
    lengths = np.insert(_on_a_line(1.0, 0.05), 1, 25.0)
    accepted = np.arange(7) != 1
    sitting = sitting_of(lengths, method="contact", chamber=chamber, accepted=accepted)
    pressing = judge_pressing(sitting, np.flatnonzero(accepted))
    assert pressing.chamber_range_mm == pytest.approx(0.30)
    assert pressing.flattest == 5
    assert pressing.compression.least_pressed == 2
    assert pressing.compression.scans == (0, 2, 3, 4, 5, 6)
    for limit, said in ((0.299, True), (0.301, False)):
        assert (pressing.finding(limit) is not None) == said
    assert judge_pressing(sitting, np.array([0])) is None
    two = judge_pressing(sitting, np.array([0, 3]))
    assert two.chamber_range_mm == pytest.approx(0.18)
    assert two.compression is None
    assert two.statement is None


# --- poses -------------------------------------------------------------------------------------


def test_names_of_scans():
    assert scan_names([3]) == "scan 4"
    assert scan_names([0, 4]) == "scans 1 and 5"
    assert scan_names([1, 2, 5]) == "scans 2, 3 and 6"


def test_aligned_means_within_two_and_a_half_degrees_and_half_a_millimetre():
    # Normal posteriors: the share below a limit is the normal integral.
    normal = scipy.stats.norm.cdf
    estimate = _estimate([2.0, 3.0, 1.0, 1.0], tilt_sd=0.5, aside=[0.2, 0.2, 0.45, 0.6])
    found = aligned_probability(estimate, np.arange(4))
    tilt = normal((2.5 - np.array([2.0, 3.0, 1.0, 1.0])) / 0.5)
    aside = normal((0.5 - np.array([0.2, 0.2, 0.45, 0.6])) / 0.1)
    assert found == pytest.approx(tilt * aside, abs=0.03)


def _many(n):
    return 23.41 + 0.01 * np.cos(3.0 * np.arange(n))


def test_scans_off_the_axis_are_listed_up_to_six():
    def said(off, n=14):
        tilt = np.where(np.arange(n) < off, 6.0, 0.8)
        return _said(judge_sittings(_measurement(_many(n)), _estimate(tilt))[0])["scans_off_axis"]

    one, six, eight = said(1), said(6), said(8)
    assert "in scan 1; tilt with its 90 % interval, scan 1: 6.0° (5.0 to 7.0). Leave it" in one
    assert "in scans 1, 2, 3, 4, 5 and 6; tilt" in six
    assert "more" not in six
    assert six.endswith("scan 6: 6.0° (5.0 to 7.0). Leave them out of the mean.")
    assert "in scans 1, 2, 3, 4, 5 and 6 and others; tilt" in eight
    assert "; and 2 more. Leave them" in eight
    assert "scan 7:" not in eight
    assert "Leave them" in said(2)


def test_all_scans_off_are_a_pose_and_not_a_list():
    (one,) = judge_sittings(_measurement(FIVE), _estimate(np.full(5, 6.0)))
    assert one.off_axis_scans == (0, 1, 2, 3, 4)
    assert set(_said(one)) == {"pose_tilted"}
    assert "by 6.0° (5.0 to 7.0) in the middle one" in _said(one)["pose_tilted"]
    (two,) = judge_sittings(_measurement(FIVE[:2]), _estimate(np.full(2, 6.0)))
    assert "pose_tilted" in _said(two)
    (single,) = judge_sittings(_measurement(FIVE[:1]), _estimate(np.full(1, 6.0)))
    assert "pose_tilted" not in _said(single)


def _tilted_less(estimate, k, j):
    """Probability that scan k is tilted less than scan j, ties halved, cell by cell."""
    a, b = (estimate.posterior[i].sum(axis=1).astype(float) for i in (k, j))
    less = 0.0
    for m, share in enumerate(a):
        less += share * (b[m + 1 :].sum() + 0.5 * b[m])
    return less


def test_the_best_aligned_scan_is_tilted_less_than_half_of_the_others():
    estimate = _estimate([0.5, 1.5, 2.2], tilt_sd=0.4)
    (one,) = judge_sittings(_measurement(FIVE[:3]), estimate)
    assert one.best_scan == 0
    middle = np.median([_tilted_less(estimate, 0, j) for j in (1, 2)])
    said = _said(one)["best_aligned"]
    assert "Scan 1 is aligned best: tilt 0.5° (0.0 to 1.2), decentration 0.20 mm (0.04 to" in said
    assert "score 0.90" in said
    assert f"with {100 * middle:.0f} % probability" in said
    assert 0.9 < middle < 0.995
    # Two scans will do; between 1.0 and 1.5 degrees it is 81 %, and at 1.6 86 %.
    for tilt, found in ((1.5, None), (1.62, 0)):
        pair = _estimate([1.0, tilt], tilt_sd=0.4)
        assert (_tilted_less(pair, 0, 1) >= 0.85) == (found is not None)
        assert judge_sittings(_measurement(FIVE[:2]), pair)[0].best_scan == found


def test_the_score_weighs_in_which_scan_is_best():
    estimate = _estimate([0.5, 1.9, 5.0, 5.0], tilt_sd=0.2)
    even = judge_sittings(_measurement(FIVE[:4], score=[0.9] * 4), estimate)[0]
    assert even.best_scan == 0
    low = judge_sittings(_measurement(FIVE[:4], score=[0.3, 0.9, 0.9, 0.9]), estimate)[0]
    assert low.best_scan == 1


# --- which group -------------------------------------------------------------------------------

SEVEN = np.array([23.42, 23.40, 23.71, 23.41, 23.70, 23.72, 23.43])
LONG = np.array([2, 4, 5])


def _two_groups(short, long):
    tilt = np.full(7, short)
    tilt[LONG] = long
    estimate = _estimate(tilt)
    (one,) = judge_sittings(_measurement(SEVEN), estimate)
    share = [aligned_probability(estimate, rows).mean() for rows in ([0, 1, 3, 6], LONG)]
    return one, share, _said(one)["two_groups"]


def test_a_group_is_believed_for_its_alignment_and_says_how_sure():
    one, share, said = _two_groups(0.8, 6.0)
    assert one.believed == (0, 1, 3, 6)
    assert f"aligned with {100 * share[0]:.0f} % probability, the others with" in said
    assert f"the others with {100 * share[1]:.0f} %. A beam" in said
    assert said.startswith(
        "The lengths fall into 2 groups: 23.41 mm (scans 1, 2, 4 and 7) and 23.71 mm "
        "(scans 3, 5 and 6). "
    )
    # Aligned with less than one half: neither, however much worse the other is.
    one, share, _ = _two_groups(2.9, 6.0)
    assert 0.15 < share[0] < 0.5
    assert one.believed == ()
    # The other more than 0.35 times as likely aligned: neither.
    one, share, _ = _two_groups(0.8, 2.6)
    assert share[1] > 0.35 * share[0]
    assert one.believed == ()
    one, share, _ = _two_groups(0.8, 3.2)
    assert share[1] < 0.35 * share[0]
    assert one.believed == (0, 1, 3, 6)


def _by_chamber(lengths, chambers):
    sizes = np.repeat(np.arange(len(lengths)), 3)
    spread = np.tile([-0.004, 0.0, 0.004], len(lengths))
    sitting = sitting_of(
        np.asarray(lengths)[sizes] + spread,
        method="contact",
        chamber=np.asarray(chambers)[sizes],
    )
    return judge_sittings(sitting)[0].believed


def test_in_contact_the_chamber_must_be_deeper_by_as_much_as_the_length():
    assert _by_chamber([23.4, 23.7], [2.5, 2.8]) == (3, 4, 5)
    # Within a quarter of 0.3 mm.
    assert _by_chamber([23.4, 23.7], [2.5, 2.73]) == (3, 4, 5)
    assert _by_chamber([23.4, 23.7], [2.5, 2.72]) == ()
    assert _by_chamber([23.4, 23.7], [2.5, 2.65]) == ()
    assert _by_chamber([23.4, 23.7], [2.5, 2.88]) == ()
    # The chamber is deeper in the shorter group.
    assert _by_chamber([23.4, 23.7], [2.8, 2.5]) == ()
    # Of three groups the two longest are compared.
    assert _by_chamber([22.0, 23.4, 23.7], [2.3, 2.5, 2.8]) == (6, 7, 8)
    assert _by_chamber([22.0, 23.4, 23.7], [2.3, 2.78, 2.8]) == ()
