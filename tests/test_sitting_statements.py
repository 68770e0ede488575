"""Figures, limits and wording of what is said of a sitting, each at its edge."""

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy
from invented import sitting_of
from test_sitting_quality import FIVE, _measurement, _said

from echotrace.errors import ParameterError
from echotrace.sittings.more_scans import MOST_SCANS, scans_needed
from echotrace.sittings.pressing import chamber_of, compression_of, judge_pressing
from echotrace.sittings.sitting import summarise
from echotrace.sittings.sitting_quality import judge_sittings
from echotrace.text_out import scan_names

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
    sd = 0.07
    upper = _fewest(sd * math.sqrt((n - 1) / chi_square), 0.05)
    assert scans_needed(sd, n, 0.05) == (
        _fewest(sd, 0.05),
        # The table has four digits.
        pytest.approx(upper, abs=1) if upper <= MOST_SCANS else None,
    )


@pytest.mark.parametrize("sd", [0.05, 0.08, 0.09, 0.11, 0.12, 0.13])
@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
def test_the_number_of_scans_is_the_least_that_will_do(sd, confidence):
    fewest = _fewest(sd, 0.04, confidence)
    wanted = fewest if fewest <= MOST_SCANS else None
    assert scans_needed(sd, 2, 0.04, confidence=confidence)[0] == wanted


def test_scans_needed_asks_for_two_scans_and_a_spread():
    for sd, n, half in ((0.1, 1, 0.05), (-0.1, 5, 0.05), (math.nan, 5, 0.05), (0.1, 5, 0.0)):
        with pytest.raises(ParameterError, match="at least two scans"):
            scans_needed(sd, n, half)
    assert scans_needed(0.0, 2, 0.05) is None


def test_what_is_asked_for_is_what_is_recorded():
    spread = 23.5 + 0.12 * np.array([-1.2, -0.4, 0.1, 0.5, 1.0])
    sd = float(spread.std(ddof=1))
    (one,) = judge_sittings(_measurement(spread))
    # What they share is that of invented sittings, 0.04 mm.
    assert one.more_scans == scans_needed(sd, 5, 0.1, shared_u_mm=0.04)
    seen, most = one.more_scans
    assert one.to_record()["more_scans"] == [seen, most]
    assert f"about {seen} scans like these are needed in all, up to {most}" in str(one.statements)
    assert f"({sd:.3f} mm) is that of only 5." in str(one.statements)
    assert "A better pose brings more" in str(one.statements)
    (enough,) = judge_sittings(_measurement(spread), half_width_mm=0.3)
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


def test_of_four_scans_none_is_left_out():
    # Three are too few for a line with a spread of its own: the fourth stays, whatever it says.
    chamber, rest = np.array([3.1, 3.0, 2.9, 2.8]), np.array([20.4, 20.401, 20.399, 20.6])
    found = compression_of(chamber, chamber + rest, 0.0)
    assert found.scans == (0, 1, 2, 3)
    assert found.slope == pytest.approx(np.polyfit(chamber, chamber + rest, 1)[0])


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


# --- words -------------------------------------------------------------------------------------


def test_names_of_scans():
    assert scan_names([3]) == "scan 4"
    assert scan_names([0, 4]) == "scans 1 and 5"
    assert scan_names([1, 2, 5]) == "scans 2, 3 and 6"
