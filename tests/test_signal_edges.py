"""Steps of the signal on made-up candidates and closed-form echoes, where each rule begins.

Rules without a source are the project's own (common practice, no source).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy
import scipy.stats
from closed_form import SIGMA_US, echo

from echotrace.errors import ParameterError
from echotrace.signal.candidates import (
    Candidates,
    false_alarm_rate_of,
    false_alarm_threshold_db,
)
from echotrace.signal.carrier import carrier_of, echo_carrier, echo_spectra
from echotrace.signal.crowded import close_pairs
from echotrace.signal.downshift import carrier_downshift
from echotrace.signal.echo_template import EchoTemplate
from echotrace.signal.envelope import envelope_slope
from echotrace.signal.gates import Gate, preset_gates
from echotrace.signal.near_field import near_field_end_us
from echotrace.signal.noise import noise_level
from echotrace.signal.pulse import gaussian_pulse, likeness
from echotrace.signal.repeats import fit_train, repeats_behind, taken_at_a_multiple
from echotrace.signal.tgc_from_noise import estimate_tgc_from_noise
from echotrace.target import eye_target

PULSE = gaussian_pulse(100e6, 10e6, 0.6)
T_US = np.arange(3000) * 0.01


def candidates(*rows):
    """Echoes of each trace as (µs, dB); rows may differ in number."""
    most = max(len(row) for row in rows)
    at, level = np.zeros((len(rows), most)), np.zeros((len(rows), most), np.float32)
    for i, row in enumerate(rows):
        for j, (place, height) in enumerate(row):
            at[i, j], level[i, j] = place, height
    count = np.array([len(row) for row in rows], np.int32)
    return Candidates(count, (100 * at).astype(np.int32), at, level, level, 0 * level)


# --- trains ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("parts", [2, 3, 4])
def test_a_back_face_at_any_multiple_of_a_thinner_wall_is_doubted(parts):
    """Echoes at 5, 7, 9, …: the wall is 2 µs; taken at 2, 3 or 4 times that it is told."""
    train = candidates([(5.0 + 2.0 * k, 60.0 - 2.0 * k) for k in range(6)])
    front = np.array([5.0])
    assert not taken_at_a_multiple(train, front, np.array([7.0]), PULSE)[0]
    assert taken_at_a_multiple(train, front, front + 2.0 * parts, PULSE)[0]
    # Without one of the echoes in between it is not, nor where that is much fainter.
    without = [(5.0 + 2.0 * k, 60.0 - 2.0 * k) for k in (0, *range(2, 6))]
    told = taken_at_a_multiple(candidates(without), front, front + 2.0 * parts, PULSE)[0]
    assert told == (parts == 4)  # of four parts two are left, at 9 µs
    # Up to four times: a fifth part is no longer looked for, and of five no half, third or quarter.
    assert not taken_at_a_multiple(train, front, front + 10.0, PULSE)[0]
    for faint_by, doubted in ((5.9, True), (6.1, False)):
        two = candidates([(5.0, 60.0), (7.0, 50.0 - faint_by), (9.0, 50.0)])
        assert taken_at_a_multiple(two, front, np.array([9.0]), PULSE)[0] == doubted


def test_what_is_not_there_is_no_multiple():
    train = candidates([(5.0, 60.0), (7.0, 58.0), (9.0, 56.0)])
    assert not taken_at_a_multiple(train, np.array([np.nan]), np.array([9.0]), PULSE)[0]
    assert not taken_at_a_multiple(train, np.array([5.0]), np.array([np.nan]), PULSE)[0]


def test_repeats_go_on_while_they_are_even_clear_of_noise_and_fall():
    front, back = np.array([5.0]), np.array([7.0])

    def columns(*rest):
        found = repeats_behind(candidates([(5.0, 60.0), (7.0, 50.0), *rest]), front, back, PULSE)
        return found[0, found[0] >= 0].tolist()

    assert columns((9.0, 45.0), (11.0, 40.0)) == [2, 3]
    assert columns((11.0, 40.0)) == []  # a gap ends it
    assert columns((9.0, 52.9)) == [2]  # 3 dB taller than the one before, not more
    assert columns((9.0, 53.1)) == []
    assert columns((9.0, 20.0)) == [2]
    assert columns((9.0, 19.9)) == []
    off_us = 0.35 * PULSE.width_us
    assert columns((9.0 + 0.99 * off_us, 45.0)) == [2]
    assert columns((9.0 + 1.01 * off_us, 45.0)) == []
    assert columns((9.0 - 0.99 * off_us, 45.0)) == [2]
    # Each next one is looked for at the mean spacing from the front: 2.02 µs after 9.04.
    assert columns((9.04, 45.0), (11.06, 40.0)) == [2, 3]
    assert columns((9.0, 48.0), (11.0, 51.5)) == [2]
    assert len(columns(*((9.0 + 2.0 * k, 45.0) for k in range(10)))) == 8


def test_repeats_of_many_traces_are_those_of_each():
    long = [(5.0, 60.0), (7.0, 50.0), (9.0, 45.0), (11.0, 40.0)]
    short = [(4.0, 60.0), (7.0, 50.0), (10.0, 45.0)]
    found = repeats_behind(
        candidates(long, short, long, long),
        np.array([5.0, 4.0, np.nan, 5.0]),
        np.array([7.0, 7.0, 7.0, 7.3]),
        PULSE,
    )
    assert [row[row >= 0].tolist() for row in found] == [[2, 3], [2], [], []]
    assert (found[found < 0] == -1).all()


def test_a_train_is_laid_by_least_squares_and_uneven_ones_cost_birges_ratio():
    """Equal variances: numpy's polyfit; uneven ones: its weights; then the scaled covariance."""
    delay = np.array([5.0, 7.001, 8.998, 11.003])
    k = np.arange(4)
    for u in (np.full(4, 1e-3), np.array([1e-3, 2e-3, 4e-3, 1e-3])):
        (apart, front), scaled = np.polyfit(k, delay, 1, w=1.0 / u, cov=True)
        fit = fit_train(delay, np.diag(u**2))
        assert fit.front_us == pytest.approx(front, abs=1e-10)
        assert fit.back_us == pytest.approx(front + apart, abs=1e-10)
        chi2 = np.sum(((delay - front - apart * k) / u) ** 2) / 2.0
        plain = scaled / chi2
        wanted = plain * max(1.0, chi2)
        assert fit.covariance_us2[0, 0] == pytest.approx(wanted[1, 1], rel=1e-6)
        assert fit.covariance_us2[1, 1] == pytest.approx(
            wanted[1, 1] + wanted[0, 0] + 2.0 * wanted[0, 1], rel=1e-6
        )
    # Two faces alone: nothing to hold against each other.
    two = fit_train(np.array([5.0, 7.0]), np.diag([1e-6, 4e-6]))
    np.testing.assert_allclose(two.covariance_us2, np.diag([1e-6, 4e-6]), atol=1e-15)


# --- carriers -------------------------------------------------------------------------------------


def rf(*parts, noise=0.0, seed=1):
    """One trace of echoes (µs, height, MHz), all of the same envelope."""
    made = noise * np.random.default_rng(seed).standard_normal(T_US.size)
    for at, height, mhz in parts:
        lag = T_US - at
        made += height * np.exp(-0.5 * (lag / SIGMA_US) ** 2) * np.cos(2 * np.pi * mhz * lag)
    return made[None]


def centroids(trace, **change):
    known = {"sampling_rate_hz": 1e8, "pulse_us": PULSE.width_us} | change
    clipped = known.pop("clipped", np.zeros(trace.shape, bool))
    found = 1e-6 * echo_spectra(trace, clipped, known.pop("delay_us", T_US), **known)[0][0]
    return found[np.isfinite(found)]


def test_what_stands_before_the_probes_face_and_its_near_field_is_left_out():
    """By default the face lies at zero: an echo at it is not looked at, one 0.6 µs behind it is."""
    delay = T_US - 1.0  # so that all of the first echo is there
    for at, seen in ((0.0, [12.0]), (0.6, [8.0, 12.0])):
        found = centroids(rf((at + 1.0, 3.0, 8.0), (10.0, 1.0, 12.0)), delay_us=delay)
        np.testing.assert_allclose(found, seen, rtol=0.01)
    behind = rf((1.5, 3.0, 8.0), (9.0, 1.0, 12.0))
    np.testing.assert_allclose(centroids(behind), [8.0, 12.0], rtol=0.01)
    np.testing.assert_allclose(centroids(behind, face_delay_us=1.6), [12.0], rtol=0.01)
    found = echo_carrier(
        rf((1.0, 3.0, 5.0), (10.0, 1.0, 10.0)), np.zeros((1, T_US.size), bool), delay,
        sampling_rate_hz=1e8, pulse_us=PULSE.width_us, stated_hz=1e7, fractional_bandwidth=0.6,
    )  # fmt: skip
    assert found.n_echoes == 1
    assert found.carrier_hz == pytest.approx(1e7, rel=0.03)


def test_the_five_tallest_echoes_in_their_order_none_twice_none_cut_off():
    parts = [(4.0 + 3.0 * k, 1.0 - 0.1 * k, 8.0 + 0.5 * k) for k in range(7)]
    np.testing.assert_allclose(centroids(rf(*parts)), 8.0 + 0.5 * np.arange(5), rtol=0.01)
    # The last echo is cut off by the record's end, and a clipped one is none.
    cut = rf((9.0, 1.0, 10.0), (29.95, 2.0, 8.0))
    np.testing.assert_allclose(centroids(cut), [10.0], rtol=0.01)
    clipped = np.zeros((1, T_US.size), bool)
    clipped[0, 900] = True
    two = rf((9.0, 2.0, 8.0), (15.0, 1.0, 10.0))
    np.testing.assert_allclose(centroids(two, clipped=clipped), [10.0], rtol=0.01)
    # Noise alone is no echo; and of a trace too short for a window nothing is said.
    assert centroids(rf(noise=1.0)).size == 0
    assert np.isnan(echo_spectra(two[:, :30], clipped[:, :30], T_US[:30], sampling_rate_hz=1e8,
                                   pulse_us=PULSE.width_us)).all()  # fmt: skip


def test_no_echo_is_no_carrier_and_scans_count_as_three_at_most():
    none = np.full((2, 5), np.nan)
    nothing = carrier_of(none, none, stated_hz=1e7, fractional_bandwidth=0.6)
    assert math.isnan(nothing.carrier_hz)
    assert math.isnan(nothing.doubt)
    assert nothing.n_echoes == 0
    one = 1.2e7 * np.array([[1.0, 0.99, 0.94, 0.91, np.nan]])
    as_stated = np.where(np.isnan(one), np.nan, 0.0)
    found = {
        n: carrier_of(
            np.repeat(one, n, axis=0), np.repeat(as_stated, n, axis=0),
            stated_hz=1e7, fractional_bandwidth=0.6,
        )
        for n in (1, 2, 3, 4, 12)
    }  # fmt: skip
    assert [found[n].n_echoes for n in found] == [4, 8, 12, 16, 48]
    # A ratio of likelihoods: its logarithm adds up over alike scans until the third.
    assert found[4].doubt == pytest.approx(found[3].doubt, rel=0.02)
    assert found[12].doubt == pytest.approx(found[3].doubt, rel=0.02)
    assert found[1].doubt < found[2].doubt < found[3].doubt


def test_downshift_of_a_pair_is_that_of_their_spectra():
    """Centroids of Gaussian spectra are their carriers; where one is missing nothing is said."""
    trace = np.concatenate([rf((8.0, 1.0, 10.0), (20.0, 0.4, 9.0))] * 6)
    first = np.array([800.0, 800.0, np.nan, 19.0, 20.0, 800.0])
    second = np.array([2000.0, 800.0, 2000.0, 2000.0, 2000.0, 2979.0])
    found = carrier_downshift(trace, first, second, half_width=20)
    assert found[0] == pytest.approx(0.1, abs=0.004)
    assert found[1] == 0.0
    assert np.isnan(found[2:4]).all()  # missing; cut off by the trace's beginning
    assert np.isnan(found[5])  # cut off by its end
    swapped = carrier_downshift(trace[:1], second[:1], first[:1], half_width=20)
    assert swapped[0] == pytest.approx(1.0 - 1.0 / 0.9, abs=0.005)


# --- time gain out of noise -----------------------------------------------------------------------


def test_time_gain_and_its_uncertainty_are_those_of_white_noise():
    """Spread of an RMS of n independent samples: 1/sqrt(2 n) of it (any textbook), in dB."""
    rng = np.random.default_rng(3)
    n_traces, found, stated = 20, [], []
    for _ in range(300):
        noise = rng.standard_normal((n_traces, 1000)) * 10 ** (T_US[:1000] / 20.0)
        got = estimate_tgc_from_noise(noise, T_US[:1000])
        if got.gain_db.size == 10:
            found.append(got.gain_db - (got.delay_us - got.delay_us[0]))
            stated.append(got.gain_u_db[1:])
        assert got.gain_u_db[0] == 0.0
    assert len(found) > 290
    wanted = math.sqrt(2.0) * 20.0 / math.log(10.0) / math.sqrt(2.0 * n_traces * 100)
    assert np.mean(stated) == pytest.approx(wanted, rel=0.05)
    assert np.std(np.array(found)[:, 1:]) == pytest.approx(wanted, rel=0.1)
    np.testing.assert_allclose(np.mean(found, axis=0), 0.0, atol=4.0 * wanted / math.sqrt(300))


def test_correlated_noise_counts_as_fewer_samples():
    """White noise through a moving mean of four: the sum of squared correlations is 2.75."""
    rng = np.random.default_rng(4)
    white = rng.standard_normal((40, 1003))
    smooth = scipy.signal.lfilter(np.ones(4) / 4.0, 1.0, white)[:, 3:]
    plain = estimate_tgc_from_noise(white[:, 3:], T_US[:1000]).gain_u_db[1]
    found = estimate_tgc_from_noise(smooth, T_US[:1000]).gain_u_db[1]
    # 1 + 2 (0.75² + 0.5² + 0.25²)
    assert (found / plain) ** 2 == pytest.approx(2.75, rel=0.06)


def test_echoes_and_windows_that_are_named_are_left_out():
    rng = np.random.default_rng(5)
    noise = rng.standard_normal((20, 1000))
    noise[:, 310:330] += 30.0 * echo(T_US[:1000], 3.2, 1.0)[310:330]
    got = estimate_tgc_from_noise(noise, T_US[:1000])
    assert not ((got.delay_us > 3.0) & (got.delay_us < 4.0)).any()
    assert got.echo_free_fraction <= 0.9
    less = estimate_tgc_from_noise(noise, T_US[:1000], exclude_us=[(6.0, 8.0)])
    assert not ((less.delay_us > 6.0) & (less.delay_us < 8.0)).any()
    assert less.echo_free_fraction == pytest.approx(got.echo_free_fraction - 0.2)
    with pytest.raises(ParameterError, match="of the trace is free of echoes, 30 % are needed"):
        estimate_tgc_from_noise(noise, T_US[:1000], exclude_us=[(0.0, 8.0)])
    with pytest.raises(ParameterError, match=r"must be \(n_traces, n_samples\)"):
        estimate_tgc_from_noise(noise[0], T_US[:1000])
    with pytest.raises(ParameterError, match="999 values for 1000 samples"):
        estimate_tgc_from_noise(noise, T_US[:999])


@pytest.mark.parametrize(("excess", "free"), [(0.14, 1.0), (0.21, 0.9)])
def test_a_bin_is_free_of_echoes_within_four_standard_errors_of_a_normal_law(excess, free):
    """Normal quantiles in every bin; in one a few are taller: its mean square, not its median.

    Of 2,000 independent values the ratio scatters by 1.7 / sqrt(2000); and a fiftieth is allowed.
    """
    values = scipy.stats.norm.ppf((np.arange(2000) + 0.5) / 2000.0)
    rng = np.random.default_rng(2)
    bins = [rng.permutation(values).reshape(20, 100) for _ in range(10)]
    tall = values.copy()
    tall[-4:] = math.sqrt((excess * 2000.0 + np.sum(values[-4:] ** 2)) / 4.0)
    bins[6] = rng.permutation(tall).reshape(20, 100)
    got = estimate_tgc_from_noise(np.concatenate(bins, axis=1), T_US[:1000])
    assert got.echo_free_fraction == pytest.approx(free)
    np.testing.assert_allclose(got.gain_db[:6], 0.0, atol=1e-9)
    if free == 1.0:
        assert got.gain_db[6] == pytest.approx(10.0 * math.log10(1.0 + excess), abs=0.02)


def test_bins_of_time_gain_are_eight_samples_at_least_and_three():
    rng = np.random.default_rng(2)
    noise = rng.standard_normal((200, 80))
    got = estimate_tgc_from_noise(noise, T_US[:80], bin_us=0.01)
    np.testing.assert_allclose(got.delay_us, 0.035 + 0.08 * np.arange(10))
    assert estimate_tgc_from_noise(noise[:, :24], T_US[:24], bin_us=0.08).gain_db.size == 3
    with pytest.raises(ParameterError, match="free of echoes"):
        estimate_tgc_from_noise(noise[:, :16], T_US[:16], bin_us=0.08)


# --- pulses, thresholds, near fields --------------------------------------------------------------


@pytest.mark.parametrize(("mhz", "band"), [(10.0, 0.6), (9.0, 0.6), (10.0, 0.3), (8.0, 0.5)])
def test_likeness_of_two_gaussian_pulses_is_their_overlap(mhz, band):
    """Integral of two complex Gaussians, by completing the square."""
    other = gaussian_pulse(100e6, 1e6 * mhz, band)
    s, t = (math.sqrt(2 * math.log(2)) / (math.pi * f) for f in (10e6 * 0.6, 1e6 * mhz * band))
    apart = 2.0 * math.pi * 1e6 * (mhz - 10.0)
    both = s**2 + t**2
    wanted = math.sqrt(2.0 * s * t / both) * math.exp(-(apart**2) * s**2 * t**2 / (2.0 * both))
    assert likeness(PULSE, other) == pytest.approx(wanted, abs=2e-3)
    assert likeness(other, PULSE) == pytest.approx(likeness(PULSE, other), rel=1e-9)
    with pytest.raises(ParameterError, match="cannot be compared sample by sample"):
        likeness(PULSE, gaussian_pulse(50e6, 10e6, 0.6))


@pytest.mark.parametrize("rate", [0.3, 0.05, 0.01, 1e-4])
def test_rate_of_false_alarms_and_its_threshold_are_inverse(rate):
    for n in (2000, 5200, 60000):
        level_db = false_alarm_threshold_db(PULSE, n, rate)
        assert false_alarm_rate_of(PULSE, n, level_db) == pytest.approx(rate, rel=1e-3)
    for wrong in (0.0, 1.0):
        with pytest.raises(ParameterError, match="false_alarm_rate"):
            false_alarm_threshold_db(PULSE, 2000, wrong)


def test_false_alarms_of_a_level_that_is_read_off_a_short_trace():
    """White noise through a filter of numpy's; its level by the quartile of ten times fewer values.

    A level that were known would let through 0.065 of them (Rice's crossings).
    """
    n, r = 1000, 10.0**0.6
    rng = np.random.default_rng(1)
    template = np.fft.fft(PULSE.analytic, n)
    alarms = 0
    for _ in range(5):
        spectrum = np.fft.fft(rng.standard_normal((600, n)), axis=1) * np.conj(template)
        envelope = np.abs(np.fft.ifft(spectrum, axis=1))
        alarms += int((envelope.max(axis=1) > r * noise_level(envelope, stride=10)).sum())
    # Of 3,000 traces, some 300: known to 6 %.
    assert false_alarm_rate_of(PULSE, n, 12.0) == pytest.approx(alarms / 3000.0, rel=0.2)


def near_field_end(rf, start_us=0.0, *, face_us=0.0, reach_us=4.0, clipped=None):
    delay = start_us + np.arange(rf.shape[1]) * 0.01
    clipped = np.zeros(rf.shape, bool) if clipped is None else clipped
    return near_field_end_us(
        rf, clipped, delay, face_delay_us=face_us, pulse_us=0.2, reach_us=reach_us
    )


def test_near_field_ends_where_the_trace_falls_silent_before_an_echo():
    """A decay of 0.1 µs: 15 dB below an echo of one after 0.1 ln(10 / 10^(-15/20)) = 0.40 µs."""
    t = np.arange(400) * 0.01
    echo_at = np.exp(-0.5 * ((t - 1.5) / 0.1) ** 2)
    one = (10.0 * np.exp(-t / 0.1) + echo_at)[None]
    wanted = 0.1 * math.log(10.0 / 10 ** (-15.0 / 20.0))
    assert near_field_end(one) == pytest.approx(wanted, abs=0.011)
    # Ten times as tall, 0.1 ln 10 later; and by the face's delay nothing changes.
    tall = (100.0 * np.exp(-t / 0.1) + echo_at)[None]
    assert near_field_end(tall) == pytest.approx(wanted + 0.1 * math.log(10.0), abs=0.011)
    assert near_field_end(one, face_us=0.3) == pytest.approx(wanted, abs=0.011)


def test_traces_that_begin_silent_or_late_have_no_near_field_or_half_a_pulse():
    t = np.arange(400) * 0.01
    echo_at = np.exp(-0.5 * ((t - 1.5) / 0.1) ** 2)[None]
    assert near_field_end(echo_at) == 0.0  # silent from the start, which is the pulse's middle
    assert near_field_end(echo_at, -1.0) == -math.inf  # silent before the face
    assert near_field_end(echo_at, 0.1) == pytest.approx(0.1 + 0.5 * 0.2)
    assert near_field_end(echo_at, 9.0) == pytest.approx(9.2)  # begins beyond what is looked at


def test_without_an_echo_behind_the_near_field_ends_25_decibels_over_the_noise():
    """A decay into a level of 0.01, the lower quartile of Rayleigh noise of 0.01 / 0.7585."""
    t = np.arange(400) * 0.01
    decay = np.maximum(10.0 * np.exp(-t / 0.1), 0.01)
    level = 0.01 / math.sqrt(-2.0 * math.log(0.75)) * 10.0**1.25
    assert near_field_end(decay[None]) == pytest.approx(0.1 * math.log(10.0 / level), abs=0.011)


def test_silence_of_three_quarters_of_a_pulse_ends_the_near_field():
    """Fifteen samples of a pulse of 0.2 µs, between two bumps in front of an echo."""
    for quiet, ends_us in ((14, 0.54), (16, 0.30)):
        trace = np.full(400, 1e-6)
        trace[:30] = trace[30 + quiet : 40 + quiet] = 1.0
        trace[200:220] = 1.0
        assert near_field_end(trace[None]) == pytest.approx(ends_us, abs=1e-9)


def test_clipped_bursts_within_0_15_microseconds_are_one_pulse():
    """And the filter spreads the last by half a pulse, ten samples."""
    for gap, last in ((15, 45), (16, 20)):
        clipped = np.zeros((3, 400), bool)
        clipped[:, :20] = clipped[:, 20 + gap : 30 + gap] = True
        trace = np.full((3, 400), 1e-6)
        trace[:, 200:220] = 1.0
        found = near_field_end(trace, clipped=clipped)
        assert found == pytest.approx(0.01 * (last + 10), abs=1e-9)
    # In half of the scans at least.
    clipped[:2] = False
    assert near_field_end(trace, clipped=clipped) == 0.0


def test_repeats_of_a_thin_wall_lie_within_a_third_of_its_spacing():
    front, back = np.array([5.0]), np.array([5.1])
    for off, found in ((0.029, [2]), (0.031, []), (-0.029, [2]), (-0.031, [])):
        train = candidates([(5.0, 60.0), (5.1, 55.0), (5.2 + off, 50.0)])
        columns = repeats_behind(train, front, back, PULSE)[0]
        assert columns[columns >= 0].tolist() == found


@pytest.mark.parametrize("cut", [1.2, 1.9])
def test_a_template_has_faded_to_a_fifth_at_its_ends(cut):
    """A Gaussian falls to a fifth at sqrt(2 ln 5) = 1.794 standard deviations."""
    k = np.arange(-round(cut * 40.0), round(cut * 40.0) + 1)
    rf = tuple(np.exp(-0.5 * (k / 40.0) ** 2) * np.cos(0.9 * k))
    if cut < math.sqrt(2.0 * math.log(5.0)):
        with pytest.raises(ParameterError, match="rf is cut off"):
            EchoTemplate(sampling_rate_hz=1e8, rf=rf)
    else:
        EchoTemplate(sampling_rate_hz=1e8, rf=rf)


def test_a_template_has_eight_to_4096_samples_and_its_centre_within_them():
    def template(n, **change):
        k = np.arange(n) - 0.5 * (n - 1)
        s = n / 9.0
        rf = np.exp(-0.5 * (k / s) ** 2) * np.cos(np.pi * k)
        return EchoTemplate(sampling_rate_hz=1e8, rf=tuple(rf), **change)

    for n in (8, 4096):
        assert len(template(n).rf) == n
    for n in (7, 4097):
        with pytest.raises(ParameterError, match=f"rf holds {n} samples; give 8 to 4096"):
            template(n)
    for centre_us in (0.0, 0.399):
        assert template(41, centre_us=centre_us).centre_us == centre_us
    for centre_us in (-0.001, 0.401):
        with pytest.raises(ParameterError, match=r"between 0 and 0\.4 µs"):
            template(41, centre_us=centre_us)
    # Kept and read again it is the same, with or without what may be left out.
    for given in ({}, {"centre_us": 0.2}, {"source": "a bench"}):
        one = template(41, **given)
        assert EchoTemplate.from_table(one.to_table()) == one
        assert set(one.to_table()) == {"sampling_rate_hz", "rf", *given}
    own = EchoTemplate.of_pulse(PULSE, source="closed form")
    assert own.centre_us == pytest.approx(0.29)
    assert own.source == "closed form"
    np.testing.assert_allclose(own.rf, PULSE.analytic.real, atol=1e-9)
    again = own.pulse(1e8)
    about = slice(again.half_length - 29, again.half_length + 30)
    np.testing.assert_allclose(again.analytic[about], PULSE.analytic, atol=1e-3)


def test_pairs_that_may_be_close_are_told_by_ranges_and_gates_of_the_user():
    """Nearest delays by hand: 2 L / v of the shortest segment, or what the gates leave."""
    eye = eye_target("phakic")
    gates = preset_gates(eye, "immersion")
    low = gaussian_pulse(100e6, 6e6, 0.6)  # two widths of it are longer than a thin cornea
    cornea = eye.segments[0]
    (pair,) = close_pairs(eye, gates, low, first_known=False)
    assert pair.front == 0
    assert pair.least_us == pytest.approx(
        2e3 * cornea.range_mm[0] / cornea.medium.speed_m_per_s, rel=1e-12
    )
    assert close_pairs(eye, gates, low, first_known=True) == ()
    # Without a gate of the back there is no pair; a gate that binds says how near it may come.
    front, back, *rest = gates
    assert close_pairs(eye, [front, *rest], low, first_known=False) == ()
    for start_us, found in ((0.1, True), (3.0, False)):
        behind = Gate(interface=back.interface, start_us=start_us, stop_us=4.0,
                      relative_to=front.interface)  # fmt: skip
        pairs = close_pairs(eye, [front, behind, *rest], PULSE, first_known=False)
        assert [(p.front, p.least_us) for p in pairs] == ([(0, start_us)] if found else [])
    fixed = Gate(interface=front.interface, start_us=8.0, stop_us=10.0)
    for start_us, least_us in ((10.2, 0.2), (9.0, 0.0)):
        behind = Gate(interface=back.interface, start_us=start_us, stop_us=12.0)
        (pair,) = close_pairs(eye, [fixed, behind, *rest], PULSE, first_known=False)
        assert pair.least_us == pytest.approx(least_us)


@pytest.mark.parametrize("method", ["quadrature", "analytic", "rectified"])
def test_slopes_of_many_traces_are_those_of_each(method):
    """And of a tone off the carrier: 2 pi times its distance, for methods with a phase."""
    rng = np.random.default_rng(2)
    tones = np.cos(2 * np.pi * np.array([[0.08], [0.09], [0.11]]) * np.arange(2000))
    many = np.concatenate([tones, rng.standard_normal((3, 2000))])
    known = {"method": method, "centre_frequency_hz": 10e6, "bandwidth_hz": 9e6}
    slope, whole = envelope_slope(many, np.abs(many), 100e6, **known)
    assert whole == (method != "rectified")
    for row, own in zip(slope, many, strict=True):
        alone = envelope_slope(own[None], np.abs(own)[None], 100e6, **known)[0][0]
        np.testing.assert_allclose(row, alone, rtol=1e-5, atol=1e-5 * alone.max())
    if whole:
        off_mhz = slope[:3, 800:1200].mean(axis=1) / (2.0 * np.pi)
        np.testing.assert_allclose(off_mhz, [2.0, 1.0, 1.0], rtol=0.15)
