"""Sitting statistics against handbook examples, and what makes a sitting unacceptable."""

from dataclasses import replace

import numpy as np
import pytest
import scipy
from invented import sitting_of

from echotrace.chain.by_hand import decide_by_hand
from echotrace.errors import ParameterError
from echotrace.settings import SittingLimits
from echotrace.sittings import sitting as sitting_module
from echotrace.sittings.outliers import critical_deviate, extreme_studentized_deviates
from echotrace.sittings.sitting import summarise

# NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3 (Rosner 1983): 54 values (value
# from memory; the handbook's three outliers come out).
ROSNER = """
-0.25 0.68 0.94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69 1.70 1.76
1.77 1.81 1.91 1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37 2.40 2.47 2.54
2.62 2.64 2.90 2.92 2.92 2.93 3.21 3.26 3.30 3.59 3.68 4.30 4.64 5.34 5.42 6.01
"""


def test_generalised_esd_against_the_handbook():
    values = np.array(ROSNER.split(), float)
    found = extreme_studentized_deviates(values, max_outliers=10)
    assert sorted(values[found]) == [5.34, 5.42, 6.01]


def test_critical_values_of_the_handbook():
    # The same example: deviates and critical values of up to ten outliers at 5 % (values from
    # memory; the handbook cuts the fourth digit off).
    deviates = [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067]
    critical = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085]
    assert [critical_deviate(54, i) for i in range(1, 11)] == pytest.approx(critical, abs=1e-3)
    left = np.array(ROSNER.split(), float)
    for expected in deviates:
        away = np.abs(left - left.mean()) / left.std(ddof=1)
        assert away.max() == pytest.approx(expected, abs=1e-3)
        left = np.delete(left, away.argmax())


@pytest.mark.parametrize("alpha", [0.05, 0.01])
def test_critical_values_of_grubbs(alpha):
    # Grubbs & Beck 1972, Technometrics 14:847, two-sided (values from memory).
    table = {
        0.05: {3: 1.155, 4: 1.481, 5: 1.715, 6: 1.887, 7: 2.020, 8: 2.126, 9: 2.215, 10: 2.290},
        0.01: {3: 1.155, 4: 1.496, 5: 1.764, 6: 1.973, 7: 2.139, 8: 2.274, 9: 2.387, 10: 2.482},
    }[alpha]
    for n, expected in table.items():
        assert critical_deviate(n, 1, alpha) == pytest.approx(expected, abs=1.5e-3)


def test_an_outlier_counts_from_its_critical_value_on():
    # Five values, one at a distance: its deviate reaches 1.715 of the table above where the
    # distance is found by bisection, and not a thousandth before.
    def deviate(x):
        values = np.array([23.40, 23.41, 23.42, 23.43, x])
        return np.abs(values - values.mean()).max() / values.std(ddof=1)

    limit = critical_deviate(5, 1)
    at = scipy.optimize.brentq(lambda x: deviate(x) - limit, 23.44, 24.0)
    below = extreme_studentized_deviates([23.40, 23.41, 23.42, 23.43, at - 1e-6], max_outliers=1)
    above = extreme_studentized_deviates([23.40, 23.41, 23.42, 23.43, at + 1e-6], max_outliers=1)
    assert below.size == 0
    assert above.tolist() == [4]
    # As many as asked for and never more than n - 2, the most extreme first; a mask by two hides
    # both from a test for one (Rosner 1983).
    two = [*np.linspace(23.40, 23.44, 12), 24.4, 24.5]
    assert extreme_studentized_deviates(two, max_outliers=2).tolist() == [13, 12]
    # Three values: the deviate of one apart tends to 2/sqrt(3) = 1.1547, over 1.1543.
    assert extreme_studentized_deviates([23.4, 23.4001, 25.0], max_outliers=5).tolist() == [2]
    for most in (1, 2, 5):
        clean = extreme_studentized_deviates(np.linspace(23.40, 23.44, 12), max_outliers=most)
        assert clean.size == 0


def test_one_outlier_is_grubbs_test():
    # NIST/SEMATECH e-Handbook 1.3.5.17.1: G = 2.4687, critical value 2.032 for n = 8 (uranium
    # measurements of Tietjen and Moore; value from memory).
    values = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    g = np.abs(values - values.mean()).max() / values.std(ddof=1)
    assert g == pytest.approx(2.4687, abs=1e-4)
    assert extreme_studentized_deviates(values, max_outliers=1).tolist() == [7]
    assert extreme_studentized_deviates(values[:-1], max_outliers=1).size == 0


def test_esd_needs_numbers_and_survives_equal_ones():
    assert extreme_studentized_deviates([1.0] * 6, max_outliers=2).size == 0
    assert extreme_studentized_deviates([1.0, 2.0], max_outliers=3).size == 0
    with pytest.raises(ParameterError, match="finite"):
        extreme_studentized_deviates([1.0, np.nan, 2.0], max_outliers=1)


def test_mean_and_its_interval_against_scipy():
    lengths = [23.41, 23.45, 23.38, 23.44, 23.40]
    (one,) = summarise(sitting_of(lengths))
    reference = scipy.stats.ttest_1samp(lengths, 0.0).confidence_interval(0.95)
    assert one.mean_mm == pytest.approx(np.mean(lengths))
    assert one.scatter_interval_mm == pytest.approx((reference.low, reference.high), abs=1e-9)
    assert one.sd_mm == pytest.approx(np.std(lengths, ddof=1))
    assert one.u_mm == pytest.approx(scipy.stats.sem(lengths))
    assert one.median_mm == 23.41
    assert one.range_mm == (23.38, 23.45)
    # ISO 5725-6 / Bland & Altman 1986: 1.96 sqrt(2) = 2.7719.
    assert one.repeatability_mm / one.sd_mm == pytest.approx(2.7719, abs=1e-4)
    assert one.acceptable


def test_student_t_of_five_scans():
    # Student's t, 4 degrees of freedom, two-sided 95 %: 2.776 (any table).
    (one,) = summarise(sitting_of([23.0, 23.02, 23.04, 23.06, 23.08]))
    half = (one.scatter_interval_mm[1] - one.scatter_interval_mm[0]) / 2
    assert half / one.u_mm == pytest.approx(2.776, abs=5e-4)


@pytest.mark.parametrize(
    ("n", "shared_over_own", "dof", "t"),
    [
        # Student's t for 95 % (JCGM 100:2008, table G.2): 2.78 for 4, 2.31 for 8, 2.13 for 16
        # degrees of freedom; the degrees by Welch and Satterthwaite with an own part of n - 1 and
        # a shared one of infinitely many, (n - 1) (1 + ratio^2)^2 (the same, G.4.1).
        (2, 0.0, 1, 12.71),
        (2, 1.0, 4, 2.78),
        (3, 1.0, 8, 2.31),
        (2, 3**0.5, 16, 2.12),
        (5, 0.0, 4, 2.78),
        (5, 1.0, 16, 2.12),
    ],
)
def test_expanded_uncertainty_by_welch_and_satterthwaite(n, shared_over_own, dof, t):
    base = np.arange(n) - (n - 1) / 2
    lengths = 23.5 + 0.05 * base / base.std(ddof=1)
    own = 0.05 / np.sqrt(n)
    sitting = sitting_of(lengths)
    shared = np.full(n, shared_over_own * own)
    (one,) = summarise(replace(sitting, axial_length_u_shared_mm=shared))
    assert one.u_mm == pytest.approx(own)
    assert one.u_shared_mm == pytest.approx(shared_over_own * own)
    assert one.u_combined_mm == pytest.approx(own * np.sqrt(1 + shared_over_own**2))
    assert one.expanded_mm / one.u_combined_mm == pytest.approx(t, abs=6e-3)
    assert one.expanded_mm / one.u_combined_mm == pytest.approx(
        scipy.stats.t.ppf(0.975, dof), rel=1e-9
    )


def test_two_scans_keep_their_uncertainty():
    # For two readings the standard deviation is |d|/sqrt(2), that of their mean |d|/2; Student's t
    # for one degree of freedom is 12.706 (any table). A single scan has that of its picks only.
    (two,) = summarise(sitting_of([23.40, 23.46]))
    assert two.n_accepted == 2
    assert two.mean_mm == pytest.approx(23.43)
    assert two.sd_mm == pytest.approx(0.06 / np.sqrt(2))
    assert two.u_mm == pytest.approx(0.03)
    assert two.scatter_interval_mm == pytest.approx(
        (23.43 - 12.706 * 0.03, 23.43 + 12.706 * 0.03), abs=1e-4
    )
    # Their own part and the 0.04 that scans share: G.4 gives (0.05/0.03)^4 = 7.716 degrees.
    assert two.u_combined_mm == pytest.approx(0.05)
    assert two.expanded_mm == pytest.approx(0.05 * scipy.stats.t.ppf(0.975, 625 / 81), rel=1e-9)
    assert two.repeatability_mm == pytest.approx(1.96 * 0.06, abs=1e-5)
    assert two.outliers == ()
    assert two.outliers_tested == 0
    (one,) = summarise(sitting_of([23.40]))
    assert one.u_mm == 0.002
    assert one.u_combined_mm == pytest.approx(np.hypot(0.002, 0.04))
    assert np.isnan(
        [one.sd_mm, one.expanded_mm, *one.scatter_interval_mm, one.repeatability_mm]
    ).all()


def test_what_scans_share_does_not_shrink_with_their_number():
    rng = np.random.default_rng(1)
    few = summarise(sitting_of(23.5 + 0.05 * rng.standard_normal(5)))[0]
    many = summarise(sitting_of(23.5 + 0.05 * rng.standard_normal(500)))[0]
    assert many.u_mm < few.u_mm / 5
    assert many.u_shared_mm == pytest.approx(few.u_shared_mm)
    assert many.u_combined_mm > 0.04
    assert many.expanded_mm == pytest.approx(1.96 * many.u_combined_mm, rel=0.01)


def test_rejected_scans_do_not_count():
    (one,) = summarise(sitting_of([23.4, 23.42, 23.41, 25.0], accepted=[True, True, True, False]))
    assert one.n == 4
    assert one.n_accepted == 3
    assert one.mean_mm == pytest.approx(23.41)


def test_too_few_scans_and_no_scan():
    (one,) = summarise(sitting_of([23.4, 23.42, 23.41], accepted=[True, False, False]))
    assert not one.acceptable
    assert one.findings[0].name == "too_few_scans"
    assert one.u_mm == 0.002
    assert np.isnan(one.sd_mm)
    (none,) = summarise(sitting_of([23.4], accepted=[False]))
    assert np.isnan(none.mean_mm)
    assert none.to_record()["mean_mm"] is None
    assert not none.acceptable


@pytest.mark.parametrize(
    ("method", "sd", "acceptable"),
    [("immersion", 0.05, True), ("immersion", 0.08, False), ("contact", 0.08, True),
     ("contact", 0.15, False)],
)  # fmt: skip
def test_spread_limit_by_method(method, sd, acceptable):
    base = np.array([-1.2, -0.6, 0.0, 0.6, 1.2])[[2, 0, 4, 1, 3]]
    (one,) = summarise(sitting_of(23.5 + base / base.std(ddof=1) * sd, method=method))
    assert one.acceptable is acceptable
    assert ("spread_too_large" in [f.name for f in one.findings]) is not acceptable


def test_outlier_is_named_not_removed():
    lengths = [23.40, 23.41, 23.42, 23.40, 23.41, 23.42, 23.41, 23.80]
    (one,) = summarise(sitting_of(lengths), SittingLimits(max_sd_immersion_mm=1.0))
    assert one.outliers == (7,)
    assert one.outliers_tested == 2
    assert one.n_accepted == 8
    (found,) = [f for f in one.findings if f.name == "outlier"]
    assert "Scan 8 stands apart" in found.text
    assert "up to 2 tested at 0.05" in found.text
    (three,) = summarise(sitting_of([23.4, 23.4001, 23.9]), SittingLimits(max_sd_immersion_mm=1.0))
    assert three.outliers == (2,)
    assert three.outliers_tested == 1
    assert "up to 1 tested" in next(f.text for f in three.findings if f.name == "outlier")
    assert "outlier" in [f.name for f in one.findings]


def test_drift_is_seen_and_noise_is_not():
    trend = 23.4 + 0.01 * np.arange(8) + 0.002 * np.array([1, -1, 0, 1, 0, -1, 1, -1])
    names = [f.name for f in summarise(sitting_of(trend))[0].findings]
    assert "drift" in names
    level = 23.4 + 0.01 * np.array([0, 1, -1, 0, 1, -1, 0, 0])
    assert "drift" not in [f.name for f in summarise(sitting_of(level))[0].findings]


def test_a_drift_takes_four_scans_and_an_effect():
    four = 23.4 + 0.012 * np.arange(4) + 0.001 * np.array([1, -1, -1, 1])
    (found,) = [f for f in summarise(sitting_of(four))[0].findings if f.name == "drift"]
    fit = scipy.stats.linregress(np.arange(4), four)
    assert f"by {fit.slope:+.3f} mm from scan to scan (p = {fit.pvalue:.3f})" in found.text
    for lengths in (four[:3], 23.4 + 0.8 * (four - 23.4)):
        assert "drift" not in [f.name for f in summarise(sitting_of(lengths))[0].findings]


def test_equal_lengths_leave_what_scans_share():
    (one,) = summarise(sitting_of([23.41] * 4))
    assert one.sd_mm == one.u_mm == 0.0
    assert one.scatter_interval_mm == (23.41, 23.41)
    # Known by judgement: infinitely many degrees of freedom, 1.960 (any table).
    assert one.expanded_mm == pytest.approx(1.96 * 0.04, abs=1e-5)
    assert one.findings == ()


def test_micrometres_are_not_worth_a_word():
    tiny = 23.4 + 1e-4 * np.arange(8)
    tiny[7] = 23.405
    (one,) = summarise(sitting_of(tiny))
    assert one.findings == ()


def test_compression_is_read_from_the_chamber():
    chamber = [3.0, 2.98, 2.7, 3.01, 2.99]
    lengths = [23.5, 23.48, 23.42, 23.51, 23.49]
    (one,) = summarise(sitting_of(lengths, method="contact", chamber=chamber))
    (found,) = [f for f in one.findings if f.name == "cornea_pressed"]
    assert "shortest in scan 3" in found.text
    assert "0.31 mm" in found.text
    (immersion,) = summarise(sitting_of(lengths, chamber=chamber))
    assert "cornea_pressed" not in [f.name for f in immersion.findings]


def test_sittings_are_kept_apart():
    result = sitting_of([23.4, 24.4, 23.41, 24.41, 23.42, 24.42], eye=["right", "left"] * 3)
    both = summarise(result)
    assert [s.labels["eye"] for s in both] == ["right", "left"]
    assert [s.mean_mm for s in both] == pytest.approx([23.41, 24.41])


def test_decisions_by_hand_count_and_are_kept():
    result = sitting_of([23.4, 23.42, 23.41, 25.0], accepted=[True, True, False, True])
    changed = decide_by_hand(result, accept={2: "gate was right"}, reject={3: "lid"})
    assert changed.accepted.tolist() == [True, True, True, False]
    assert changed.decided_by.tolist() == [0, 0, 1, 1]
    assert "scan 4 rejected by hand: lid" in changed.attributes["by_hand"]
    assert "scan 3 accepted by hand: gate was right" in changed.attributes["by_hand"]
    assert summarise(changed)[0].mean_mm == pytest.approx(23.41)
    again = decide_by_hand(changed, reject={0: "late thought"})
    assert again.attributes["by_hand"].count("\n") == 2
    assert result.accepted.tolist() == [True, True, False, True]
    for wrong, says in (
        ({"reject": {9: "x"}}, "scans 1 to 4"),
        ({"accept": {1: "x"}, "reject": {1: "y"}}, "both accepted and rejected"),
    ):
        with pytest.raises(ParameterError, match=says):
            decide_by_hand(result, **wrong)
    blank = sitting_of([23.4, np.nan])
    with pytest.raises(ParameterError, match="has no length"):
        decide_by_hand(blank, accept={1: "please"})


@pytest.mark.parametrize("n", [3, 5])
def test_contact_has_the_degrees_of_freedom_of_welch_and_satterthwaite(monkeypatch, n):
    """What scatters has n - 1, what all scans share infinitely many (JCGM 100:2008, G.4.1)."""
    asked = []

    def kept(mean, u, dof, term, confidence):
        asked.append((u, dof))
        return mean - 0.1, mean + 0.1

    monkeypatch.setattr(sitting_module, "eye_length_interval", kept)
    lengths = 23.5 + 0.04 * np.linspace(-1.0, 1.0, n)
    sitting = sitting_of(lengths, method="contact", chamber=np.full(n, 3.1))
    shared = 0.02
    summarise(replace(sitting, axial_length_u_shared_mm=np.full(n, shared)))
    ((u, dof),) = asked
    own = np.sqrt(u**2 - shared**2)
    assert 0.0 < own < u
    assert dof == pytest.approx((n - 1) * u**4 / own**4, rel=1e-9)
