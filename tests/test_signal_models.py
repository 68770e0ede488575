"""Models of the signal against scipy, closed forms and plain arithmetic.

Rules without a source are the project's own (common practice, no source).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.integrate
import scipy.optimize
import scipy.stats
from closed_form import SIGMA_US, echo

import echotrace as et
from echotrace.recording import Signal
from echotrace.signal import carrier
from echotrace.signal.carrier import carrier_of
from echotrace.signal.joint_fit import best_second_sample, first_and_last, fit_echoes
from echotrace.signal.kind import lean, noise_skewness, opposite_swing, peak_shape
from echotrace.signal.parting import part_windows
from echotrace.signal.pickers.edges import (
    read_edge_fraction,
    read_edge_level,
    read_steepest_slope,
)
from echotrace.signal.pickers.onset import _akaike_raw
from echotrace.signal.pickers.peaks import read_envelope_peak, read_matched_filter
from echotrace.signal.pickers.template import template_key, template_traces
from echotrace.signal.pickers.windows import (
    EchoWindows,
    PickerSettings,
    PickReason,
    finish,
    gather_windows,
    interpolate,
    local_peak,
    window_reach,
)
from echotrace.signal.pulse import gaussian_pulse

PULSE = gaussian_pulse(100e6, 10e6, 0.6)
SIGMA = 100.0 * SIGMA_US
WIDTH = 2.0 * math.sqrt(2.0 * math.log(2.0)) * SIGMA

# --- what echoes say of their carrier -------------------------------------------------------------


def _density(x, b):
    """Of the logarithm of a centroid over the carrier, as :func:`carrier_of` documents it."""
    total = 0.0
    for share, scatter in ((0.55, 0.045), (0.45, 0.145)):
        s, mean = math.hypot(0.006, scatter * b), max(0.25 * b, 0.02)
        less = scipy.stats.exponnorm(mean / s, 0.0, s).pdf(-np.asarray(x))
        total = total + share * (0.8 * less + 0.2 * scipy.stats.norm(0.0, s).pdf(x))
    anywhere = np.where(np.asarray(x) < 0.0, 0.045 / 1.2, 0.02 / 1.0)
    return 0.935 * total + anywhere


@pytest.mark.parametrize("band", [0.25, 0.6, 1.1])
def test_centroids_of_echoes_are_normal_less_exponential(band):
    """scipy's exponentially modified normal law, mirrored."""
    x, value = carrier._log_likelihood(band**2)
    assert x[0] == -3.0
    assert x[-1] == pytest.approx(3.0, abs=0.003)
    at = np.abs(x) > 1e-9  # where strays above and below meet
    np.testing.assert_allclose(value[at], np.log(_density(x[at], band**2)), rtol=1e-6, atol=1e-6)
    inside = (x > -1.2) & (x < 1.0)  # over which strays spread
    whole = scipy.integrate.simpson(np.exp(value[inside]), x=x[inside])
    assert whole == pytest.approx(1.0, abs=0.02)


def _carrier_by_search(centroid_mhz, widening, band, shared):
    """Carrier and doubt by maximising the documented likelihoods over all of them."""
    b = band**2
    rows = np.isfinite(centroid_mhz).any(axis=1)
    seen, wide = np.log(centroid_mhz[rows] / 10.0), widening[rows]
    weight = 1.0 / (1.0 + ((wide - np.nanmedian(wide)) / 0.07) ** 2)
    scans = min(1.0, 3.0 / len(seen))
    told = wide[np.isfinite(wide)]
    middle = np.median(told)
    spread = 1.4826 * np.median(np.abs(told - middle)) if told.size > 2 else 0.1
    error = 1.25 * max(spread, 0.02) / math.sqrt(max(1.0, told.size * scans))
    error = math.sqrt(error**2 + 0.006**2 + (0.08 * b * b) ** 2)

    def of_width(at):
        off = middle + 0.01 - 0.5 * np.log(0.5 + 0.5 * np.exp(2.0 * at))
        root = math.sqrt(2.0 * math.pi)
        sure = scipy.stats.norm(0.0, math.hypot(error, 0.012)).pdf(off)
        loose = scipy.stats.norm(0.0, math.hypot(error, 0.08)).pdf(off)
        return np.log(root * (0.95 * sure + 0.05 * loose))

    at = np.arange(-0.6, 0.6, 0.001)
    each = np.nansum(weight[..., None] * np.log(_density(seen[..., None] - at, b)), axis=(0, 1))
    mean = max(shared * b, 0.01)
    # All echoes share a downshift, whichever explains them best: none, or any more.
    total = np.array([np.max(scans * each[: k + 1] - (at[k] - at[: k + 1]) / mean)
                      for k in range(at.size)])  # fmt: skip
    stated = (total - 0.5 * (at / 0.012) ** 2).max() + of_width(0.0)
    other = total + np.maximum(of_width(at), of_width(0.0) - 1.0)
    doubt = math.sqrt(2.0 * max(0.0, other.max() - stated))
    return 10.0 * math.exp(at[other.argmax()]), doubt


@pytest.mark.parametrize("scans", [1, 2, 5])
def test_doubt_of_a_carrier_is_a_ratio_of_the_documented_likelihoods(scans):
    """Echoes drawn at random, some missing, of probes and rates that are off or as stated."""
    rng = np.random.default_rng(scans)
    doubts = []
    for factor in (0.85, 0.97, 1.0, 1.05, 1.25):
        band = rng.uniform(0.3, 0.9)
        seen = 10.0 * factor * np.exp(-rng.exponential(0.25 * band**2, (scans, 5)))
        widening = 0.5 * math.log(factor) + rng.normal(0.0, 0.03, seen.shape)
        if scans > 1:
            seen[0, 3:] = widening[0, 3:] = np.nan
            seen[1] = widening[1] = np.nan
        found = carrier_of(1e6 * seen, widening, stated_hz=1e7, fractional_bandwidth=band,
                           shared_downshift=0.05)  # fmt: skip
        mhz, doubt = _carrier_by_search(seen, widening, band, 0.05)
        assert found.carrier_hz == pytest.approx(1e6 * mhz, rel=0.006)
        assert found.doubt**2 == pytest.approx(doubt**2, rel=0.03, abs=0.03)
        assert found.n_echoes == np.isfinite(seen).sum()
        doubts.append(doubt)
    assert max(doubts) > 2.0
    # Of two echoes the median absolute deviation says nothing of the spread.
    two, wide = np.array([[12.0, 11.5]]), np.array([[0.08, 0.1]])
    found = carrier_of(1e6 * two, wide, stated_hz=1e7, fractional_bandwidth=0.5)
    assert found.doubt == pytest.approx(_carrier_by_search(two, wide, 0.5, 0.1)[1], abs=0.06)


# --- kind -----------------------------------------------------------------------------------------


def test_lean_and_skewness_are_those_of_scipys_distributions():
    """(Q98 + Q2 - 2 Q50) / (Q98 - Q2) of quantile functions; third moments of scipy.stats."""
    rng = np.random.default_rng(3)
    for law in (scipy.stats.rayleigh, scipy.stats.gumbel_l, scipy.stats.norm, scipy.stats.expon):
        noise = law.rvs(size=(20, 16000), random_state=rng)
        low, middle, high = law.ppf([0.02, 0.5, 0.98])
        wanted = (high + low - 2.0 * middle) / (high - low)
        found, u_found = lean(noise, 2.0)
        assert found == pytest.approx(wanted, abs=0.03)
        assert noise_skewness(noise, 2.0) == pytest.approx(float(law.stats(moments="s")), abs=0.08)
        # The standard error is that of 160 parts' mean: of other 160 as far off.
        means = [lean(part, 2.0)[0] for part in np.split(noise, 10)]
        assert u_found == pytest.approx(np.std(means, ddof=1) / math.sqrt(10.0), rel=0.6)


def test_parts_of_eight_independent_samples_tell_and_of_fewer_do_not():
    noise = np.random.default_rng(1).rayleigh(size=(3, 1600))  # parts of 100
    for pulse, told in ((12.4, True), (12.6, False)):
        assert math.isfinite(lean(noise, pulse)[0]) == told
        assert math.isfinite(noise_skewness(noise, pulse)) == told
    # Eighty values of all eight quiet parts make a mean skewness.
    for pulse, told in ((10.0, True), (10.1, False)):
        assert math.isfinite(noise_skewness(noise[:1], pulse)) == told
    assert math.isnan(lean(noise[:, :10], 1.0)[0])


@pytest.mark.parametrize("levels", [12, 30])
def test_a_coarse_converter_tells_nothing_of_a_distribution(levels):
    noise = np.random.default_rng(2).rayleigh(size=(4, 6400))
    coarse = np.floor(noise * levels / np.quantile(noise, 0.98))
    assert math.isfinite(lean(coarse, 1.0)[0]) == (levels > 20)
    assert math.isfinite(noise_skewness(coarse, 1.0)) == (levels > 20)


def test_widths_of_bells_and_parabolas_are_their_closed_forms():
    """2.355 sigma and sqrt(ln 4 / ln(4/3)); of decibels sqrt(floor) laws; scans: the lesser."""
    t = np.arange(-400.0, 401.0)
    for s in (9.0, 20.0, 33.3):
        bell = np.exp(-0.5 * (t / s) ** 2)
        width, shape = peak_shape(bell[None])
        assert width == pytest.approx(2.0 * s * math.sqrt(2.0 * math.log(2.0)), rel=2e-3)
        assert shape == pytest.approx(math.sqrt(math.log(4.0) / math.log(4.0 / 3.0)), rel=5e-3)
        round_ = np.maximum(1.0 - (t / (4.0 * s)) ** 2, 0.0)
        width, shape = peak_shape(round_[None])
        assert width == pytest.approx(8.0 * s * math.sqrt(0.5), rel=2e-3)
        assert shape == pytest.approx(math.sqrt(3.0), rel=5e-3)
    # Of three echoes the narrowest; what is lower than 0.6 of the tallest does not count.
    wide = np.arange(3000.0)
    made = sum(
        h * np.exp(-0.5 * ((wide - at) / s) ** 2)
        for at, h, s in ((400, 1.0, 20.0), (1100, 0.8, 12.0), (1900, 0.61, 16.0), (2600, 0.58, 5.0))
    )
    assert peak_shape(made[None])[0] == pytest.approx(2.3548 * 12.0, rel=0.01)
    # A flat top is clipped and says nothing.
    assert math.isnan(peak_shape(np.minimum(np.exp(-0.5 * (t / 20.0) ** 2), 0.7)[None])[0])
    two = np.stack([np.exp(-0.5 * (t / s) ** 2) for s in (10.0, 14.0)])
    assert peak_shape(two)[0] == pytest.approx(2.3548 * 10.0, rel=0.01)


@pytest.mark.parametrize("cycles", [0.08, 0.1, 0.15])
def test_the_swing_of_a_cosine_is_half_a_period_of_its_envelope(cycles):
    """-cos at half a period, under the Gaussian there: by a fine search of the closed form."""
    t = np.arange(2000.0) - 900.0
    for s in (4.0, 6.25, 9.0):
        rf = np.exp(-0.5 * (t / s) ** 2) * np.cos(2.0 * np.pi * cycles * t)
        assert opposite_swing(rf[None]) == pytest.approx(-rf.min(), abs=1e-6)
        assert opposite_swing(-rf[None]) == pytest.approx(-rf.min(), abs=1e-6)
        assert opposite_swing((5.0 + 0.0 * rf + rf)[None]) == pytest.approx(-rf.min(), abs=1e-5)
        assert opposite_swing(np.abs(rf)[None]) < 1e-9
    assert math.isnan(opposite_swing(np.random.default_rng(1).standard_normal((2, 2000))))


# --- windows of the pickers -----------------------------------------------------------------------

FINE = gaussian_pulse(400e6, 10e6, 0.6)
FINE_SIGMA = 400.0 * SIGMA_US


def _windows(*, away=0.3, height=2.0, noise=0.01, slope=0.2, largest=None, base=0.0):
    """A closed-form envelope alone, without any filter: Gaussian about column ``at + away``."""
    before, after = window_reach(FINE)
    t = np.arange(before + after + 1) - before - away
    bell = np.asarray(base + height * np.exp(-0.5 * (t / FINE_SIGMA) ** 2))[None]
    one = np.ones(1)
    return EchoWindows(
        matched=None,
        matched_envelope=1.5 * bell,
        envelope=bell,
        rf=None,
        at=before,
        first_sample=np.array([1000 - before]),
        matched_noise=3.0 * noise * one,
        envelope_noise=noise * one,
        matched_slope=5.0 * slope * one,
        envelope_slope=slope * one,
        largest=(height if largest is None else largest) * one,
        inside=np.array([True]),
        pulse=FINE,
        envelope_method="quadrature",
        bandwidth_hz=9e6,
    )


def _one(picks):
    return float(picks.sample[0]), float(picks.u_sample[0]), int(picks.reason[0])


@pytest.mark.parametrize("fraction", [0.3, 0.5, 0.8])
def test_a_rise_is_crossed_where_a_gaussian_crosses_it(fraction):
    """By hand: t = -s sqrt(2 ln 1/p); noise there and, through the level, at the peak."""
    windows = _windows()
    sample, u_sample, reason = _one(
        read_edge_fraction(windows, PickerSettings(edge_fraction=fraction))
    )
    back = FINE_SIGMA * math.sqrt(2.0 * math.log(1.0 / fraction))
    assert reason == PickReason.FOUND
    assert sample == pytest.approx(1000.3 - back, abs=0.01)
    steepness = 2.0 * fraction * back / FINE_SIGMA**2
    # A slope of 0.2 per µs over a noise of 0.01: 20 rad/µs, and a sample is 2.5 ns.
    rho = math.exp(-0.5 * (20.0 * 0.0025 * back) ** 2)
    wanted = 0.01 * math.sqrt(1.0 + fraction**2 - 2.0 * fraction * rho) / steepness
    assert u_sample == pytest.approx(wanted, rel=0.02)


def test_a_level_is_crossed_where_a_gaussian_crosses_it():
    for level_db in (-3.0, -10.0, -20.0):
        ratio = 10.0 ** (level_db / 20.0)
        windows = _windows(height=1.5, largest=2.0)
        settings = PickerSettings(edge_level_db=level_db)
        sample, u_sample, reason = _one(read_edge_level(windows, settings))
        back = FINE_SIGMA * math.sqrt(2.0 * math.log(1.5 / (2.0 * ratio)))
        assert reason == PickReason.FOUND
        assert sample == pytest.approx(1000.3 - back, abs=0.02)
        assert u_sample == pytest.approx(0.01 / (2.0 * ratio * back / FINE_SIGMA**2), rel=0.05)
    # An echo below the level, or a level in the noise (three of it), is not read.
    at_tenth = PickerSettings(edge_level_db=-20.0)
    for height, noise, why in (
        (0.21, 0.01, PickReason.FOUND),
        (0.19, 0.01, PickReason.LEVEL_NOT_REACHED),
        (2.0, 0.066, PickReason.FOUND),
        (2.0, 0.067, PickReason.LEVEL_NOT_REACHED),
    ):
        windows = _windows(height=height, noise=noise, largest=2.0)
        assert _one(read_edge_level(windows, at_tenth))[2] == why
    # Nor what does not rise from below it.
    assert _one(read_edge_level(_windows(base=0.3), at_tenth))[2] == PickReason.NO_RISE


def test_the_steepest_rise_of_a_gaussian_is_one_standard_deviation_before_it():
    """Noise of a second derivative, sqrt(3) of Gaussian noise's squared slope, over a third one.

    At -s the third derivative of A exp(-t²/2s²) is -2 A exp(-1/2) / s³.
    """
    sample, u_sample, reason = _one(read_steepest_slope(_windows(), PickerSettings()))
    assert reason == PickReason.FOUND
    assert sample == pytest.approx(1000.3 - FINE_SIGMA, abs=0.03)
    wanted = math.sqrt(3.0) * 0.01 * (20.0 * 0.0025) ** 2 / (4.0 * math.exp(-0.5) / FINE_SIGMA**3)
    assert u_sample == pytest.approx(wanted, rel=0.02)


def test_the_crest_of_a_gaussian_feels_the_slope_of_the_noise_over_its_curvature():
    for read, height, slope in (
        (read_envelope_peak, 2.0, 0.2),
        (read_matched_filter, 3.0, 1.0),
    ):
        sample, u_sample, reason = _one(read(_windows(), PickerSettings()))
        assert reason == PickReason.FOUND
        assert sample == pytest.approx(1000.3, abs=1e-6)
        assert u_sample == pytest.approx(slope * 0.0025 * FINE_SIGMA**2 / height, rel=2e-3)
    # Within 0.7 widths, and no further: there it still rises.
    reach = 0.7 * 2.3548 * FINE_SIGMA
    for away, why in ((reach - 1.0, 0), (-reach + 1.0, 0), (reach + 3.0, 1), (-reach - 3.0, 1)):
        assert _one(read_envelope_peak(_windows(away=away), PickerSettings()))[2] == why


def test_the_steepest_slope_scatters_as_its_closed_form_says():
    """Echoes and noise made by numpy, read by numpy: the figure is outside the code.

    Quadrature detection with a Gaussian low-pass of one half at half the band b: a white noise of
    standard deviation one has 2 pi b / (4 sqrt(ln 2)) of RMS slope; the echo is widened by the
    filter, s'² = s² + 2 ln 2 / (pi b)², and so much lower. At 400 MHz samples are as good as
    continuous.
    """
    rng = np.random.default_rng(1)
    n, t = 200, np.arange(800) / 400.0
    at = 1.0 + rng.random((n, 1)) / 400.0
    turn = rng.uniform(0.0, 2.0 * np.pi, (n, 1))
    noise = 0.01
    rf = echo(t, at, 1.0, turn) + noise * rng.standard_normal((n, t.size))
    band = 9.0
    base = 2.0 * rf * np.exp(-2j * np.pi * 10.0 * t)
    gain = 0.5 ** ((np.fft.fftfreq(t.size, 1.0 / 400.0) / (band / 2.0)) ** 2)
    envelope = np.abs(np.fft.ifft(np.fft.fft(base) * gain))
    widened = math.hypot(SIGMA_US, math.sqrt(2.0 * math.log(2.0)) / (math.pi * band))
    height = SIGMA_US / widened
    rms = 2.0 * math.pi * band / (4.0 * math.sqrt(math.log(2.0)))
    # Power of white noise through the filter, of one quadrature.
    floor = noise * math.sqrt(2.0 * np.mean(gain**2))
    wanted_us = math.sqrt(3.0) * floor * rms**2 * widened**3 * math.exp(0.5) / (2.0 * height)
    # By numpy: the vertex of a parabola through 25 samples of the gradient.
    slope = np.gradient(envelope, axis=1)
    k = slope[:, 300:410].argmax(axis=1) + 300
    lag = np.arange(-12, 13)
    fits = np.polyfit(lag, slope[np.arange(n)[:, None], k[:, None] + lag].T, 2)
    own = (k - 0.5 * fits[1] / fits[0]) / 400.0 - at[:, 0]
    assert own.std() == pytest.approx(wanted_us, rel=0.12)
    traces = et.condition(rf.astype(np.float32), pulse=FINE)
    found = et.pick_echoes(
        traces, np.arange(n), np.rint(400.0 * at[:, 0]).astype(int), picker="steepest_slope"
    )
    error_us = found.sample / 400.0 - at[:, 0]
    assert error_us.std() == pytest.approx(wanted_us, rel=0.12)
    stated_us = found.u_sample / 400.0
    assert np.median(stated_us) == pytest.approx(wanted_us, rel=0.08)


def test_windows_hold_eight_widths_before_an_echo_and_five_behind():
    """Of a ramp every window is its own axis; beyond the ends the last samples are repeated."""
    ramp = np.arange(700, dtype=np.float32)[None]
    pulse = gaussian_pulse(100e6, 10e6, 0.6)
    traces = et.condition(np.repeat(ramp, 2, axis=0), pulse=pulse)
    at = np.array([350, 3, 699, 22, 23, 676, 677])
    windows = gather_windows(traces, np.array([0, 1, 0, 1, 0, 1, 0]), at)
    before, after = math.ceil(8.0 * WIDTH), math.ceil(5.0 * WIDTH)
    assert (windows.at, windows.n) == (before, 7)
    wanted = np.clip(at[:, None] + np.arange(-before, after + 1), 0, 699)
    np.testing.assert_array_equal(windows.rf, wanted)
    for name in ("matched", "matched_envelope", "envelope"):
        assert getattr(windows, name).shape == wanted.shape
    np.testing.assert_array_equal(windows.first_sample, at - before)
    # One and a half widths to either side must be there.
    skirt = math.ceil(1.5 * WIDTH)
    assert skirt == 23
    np.testing.assert_array_equal(windows.inside, (at >= skirt) & (at < 700 - skirt))
    picks = finish(windows, np.full(7, before + 0.25), np.full(7, 0.1), np.zeros(7, int))
    np.testing.assert_array_equal(picks.sample, np.where(windows.inside, at + 0.25, np.nan))
    np.testing.assert_array_equal(picks.reason, np.where(windows.inside, 0, 2))
    np.testing.assert_array_equal(picks.u_sample, np.where(windows.inside, 0.1, np.nan))


def test_the_vertex_of_a_gaussian_is_exact_wherever_it_lies():
    rng = np.random.default_rng(2)
    x = np.arange(41.0)
    for _ in range(30):
        s, height = rng.uniform(1.5, 6.0), rng.uniform(0.1, 9.0)
        centre, reach = int(rng.integers(5, 36)), int(rng.integers(2, 5))
        at = centre + rng.uniform(-reach, reach)
        k, column, top, curvature = local_peak(
            height * np.exp(-0.5 * ((x - at) / s) ** 2)[None], centre, reach
        )
        assert k[0] == round(at)
        assert (column[0], top[0], curvature[0]) == pytest.approx((at, height, s**-2), rel=1e-9)
    # At the ends of the row, and of the reach, the tallest sample inside is taken.
    rows = np.stack([x, x[::-1]]) + 1.0
    assert local_peak(rows, 0, 3)[0].tolist() == [3, 1]
    assert local_peak(rows, 40, 3)[0].tolist() == [39, 37]
    assert local_peak(rows, 20, 4)[0].tolist() == [24, 16]
    # A straight row and an empty one have no vertex of their own.
    k, column, top, curvature = local_peak(np.zeros((1, 9)), 4, 2)
    assert column[0] == k[0]
    assert curvature[0] == 0.0
    assert top[0] == pytest.approx(0.0, abs=1e-300)


def test_four_points_interpolate_a_cubic_exactly():
    rng = np.random.default_rng(4)
    coefficient = rng.normal(size=(20, 4)) + 1j * rng.normal(size=(20, 4))
    x = np.arange(10.0)
    values = np.array([np.polyval(c, x) for c in coefficient])
    column = np.concatenate([rng.uniform(0.0, 9.0, 16), [0.2, 8.9, 3.0, 7.0]])
    wanted = [np.polyval(c, at) for c, at in zip(coefficient, column, strict=True)]
    np.testing.assert_allclose(interpolate(values, column), wanted, rtol=1e-9)


def test_the_onset_is_akaikes_by_two_variances_at_every_place():
    """numpy's variances of both parts, each place tried; the vertex by numpy's polyfit."""
    rng = np.random.default_rng(5)
    n, t = 6, np.arange(700) * 0.01
    at = 3.5 + 0.01 * rng.random((n, 1))
    rf = echo(t, at, 1.0, rng.uniform(0, 6, (n, 1))) + 0.02 * rng.standard_normal((n, 700))
    windows = gather_windows(
        et.condition(rf.astype(np.float32), pulse=PULSE),
        np.arange(n),
        np.rint(100.0 * at[:, 0]).astype(int),
    )
    column, reason = _akaike_raw(windows)
    assert (reason == PickReason.FOUND).all()
    for row, envelope, found in zip(windows.rf, windows.envelope, column, strict=True):
        near = slice(windows.at - 11, windows.at + 12)
        peak = windows.at - 11 + int(envelope[near].argmax())
        floor = (1e-3 * envelope[near].max()) ** 2
        aic = np.full(peak + 1, np.inf)
        for k in range(8, peak - 3):
            first, rest = row[: k + 1], row[k + 1 : peak + 1]
            aic[k] = first.size * math.log(first.var() + floor)
            aic[k] += (rest.size - 1) * math.log(rest.var() + floor)
        k = int(aic.argmin())
        a, b, _ = np.polyfit([-1.0, 0.0, 1.0], aic[k - 1 : k + 2], 2)
        assert found == pytest.approx(k + 1.0 + np.clip(-0.5 * b / a, -0.5, 0.5), abs=0.01)


def test_traces_of_the_template_are_closed_form_echoes():
    key = template_key(PULSE, "quadrature", 9e6, Signal.RF)
    traces, truth = template_traces(key, 8, noise_to_amplitude=0.0, rng=None)
    size = traces.rf.shape[1]
    t = np.arange(size) * 0.01
    assert size == 4 * (math.ceil(8.0 * WIDTH) + math.ceil(5.0 * WIDTH))
    np.testing.assert_allclose(truth, size // 2 + np.arange(8) / 8.0)
    np.testing.assert_allclose(traces.rf, echo(t, 0.01 * truth[:, None], 1.0), atol=2e-4)
    np.testing.assert_array_equal(traces.envelope_noise, 1e-6)  # that of rounding
    own = template_key(PULSE, "quadrature", 9e6, Signal.ENVELOPE)
    traces, truth = template_traces(own, 8, noise_to_amplitude=0.0, rng=None)
    bell = np.exp(-0.5 * ((t - 0.01 * truth[:, None]) / SIGMA_US) ** 2)
    np.testing.assert_allclose(traces.envelope, bell, atol=2e-4)
    # With noise: its level, far from the echo, and every phase.
    rng = np.random.default_rng(1)
    traces, truth = template_traces(key, 400, noise_to_amplitude=0.1, rng=rng)
    assert traces.rf[:, : size // 4].std() == pytest.approx(0.1, rel=0.02)
    crest = traces.matched[np.arange(400), np.rint(truth).astype(int)]
    assert abs(np.mean(crest / np.abs(crest))) < 0.15
    assert np.abs(crest).mean() == pytest.approx(1.0, rel=0.02)
    # A matched filter leaves as much as its energy allows.
    left = 0.1 / math.sqrt(PULSE.energy / 2.0)
    assert np.median(traces.matched_noise) == pytest.approx(left, rel=0.05)


# --- several echoes -------------------------------------------------------------------------------

WINDOW_US = np.arange(160) * 0.01


def _bent(at, height, turn, mhz, sigma_us, chirp):
    """A Gaussian echo of another carrier, length and chirp, in closed form."""
    lag = WINDOW_US - at
    return height * np.real(
        np.exp(
            -0.5 * (1.0 + 1j * chirp) * (lag / sigma_us) ** 2 + 1j * (2 * np.pi * mhz * lag + turn)
        )
    )


@pytest.mark.parametrize(
    ("mhz", "length", "chirp"),
    [(10.0, 1.0, 0.0), (10.4, 1.0, 0.0), (9.7, 1.08, 0.0), (10.1, 0.95, 0.15), (10.0, 1.05, -0.2)],
)
def test_a_bent_pulse_is_any_gaussian_and_its_delay_is_known_to_fishers_information(
    mhz, length, chirp
):
    """Tilt, curvature and chirp of a Gaussian spectrum make another Gaussian, without a rest."""
    values = np.array([0.7837, 0.8, 0.5, mhz, length * SIGMA_US, chirp])
    rf = _bent(*values)[None]
    used = np.ones(rf.shape, bool)
    used[0, [60, 75, 76, 90]] = False  # clipped samples say nothing
    fit = fit_echoes(rf, used, np.array([[75.0]]), PULSE, shaped=True)
    assert fit.converged.all()
    assert fit.numbers == 6
    # But for the ends of the band, where nothing is bent any further.
    assert fit.rest[0] < 3e-5 * np.sum(rf**2)
    assert fit.sample[0, 0] == pytest.approx(78.37, abs=0.05)
    step = np.diag(1e-5 * np.maximum(np.abs(values), 0.1))
    slope = [(_bent(*(values + h)) - _bent(*(values - h))) / (2.0 * h.sum()) for h in step]
    slope = np.array(slope)[:, used[0]]
    bound = 1e4 * np.linalg.inv(slope @ slope.T)[0, 0]
    assert fit.covariance[0, 0, 0] == pytest.approx(bound, rel=0.12)


@pytest.mark.parametrize("m", [1, 2, 3])
def test_a_joint_fit_is_scipys_least_squares(m):
    """Delays, heights and rest of noisy echoes with holes, by another optimiser on closed forms."""
    rng = np.random.default_rng(m)
    n = 4
    at = 0.45 + 0.27 * np.arange(m) + 0.02 * rng.random((n, m))
    height, turn = rng.uniform(0.4, 1.5, (n, m)), rng.uniform(0.0, 6.0, (n, m))
    rf = sum(
        echo(WINDOW_US, at[:, k, None], height[:, k, None], turn[:, k, None]) for k in range(m)
    )
    rf = rf + 0.03 * rng.standard_normal(rf.shape)
    used = rng.random(rf.shape) > 0.1
    used[:, :9] = used[:, 140:] = False
    start = 100.0 * at[:, ::-1] + 1.0
    fit = fit_echoes(rf, used, start, PULSE)
    assert fit.converged.all()
    assert fit.numbers == 3 * m
    for row in range(n):

        def left(x, row=row):
            made = sum(echo(WINDOW_US, *x[3 * k : 3 * k + 3]) for k in range(m))
            return (rf[row] - made)[used[row]]

        known = np.stack([at[row], height[row], turn[row]], axis=1).ravel()
        found = scipy.optimize.least_squares(left, known, xtol=1e-12, ftol=1e-12)
        assert found.success
        assert fit.rest[row] == pytest.approx(2.0 * found.cost, rel=1e-4)
        np.testing.assert_allclose(fit.sample[row], 100.0 * found.x[::3], atol=0.01)
        np.testing.assert_allclose(np.abs(fit.height[row]), found.x[1::3], rtol=2e-3)
        turned = np.exp(1j * (np.angle(fit.height[row]) - found.x[2::3]))
        np.testing.assert_allclose(turned, 1.0, atol=5e-3)
        bound = 1e4 * np.linalg.inv(found.jac.T @ found.jac)[::3, ::3]
        np.testing.assert_allclose(
            fit.covariance[row], bound, rtol=0.03, atol=0.01 * np.diag(bound).max()
        )
        first, last = first_and_last(used[row : row + 1])
        assert (first[0], last[0]) == (used[row].argmax(), np.flatnonzero(used[row])[-1])


def test_windows_of_nothing_hold_echoes_of_no_height(recwarn):
    nothing = np.zeros((3, 160))
    used = np.ones(nothing.shape, bool)
    for shaped in (False, True):
        for start in ([[60.0], [80.0], [100.0]], [[50.0, 90.0], [70.0, 75.0], [60.0, 61.0]]):
            fit = fit_echoes(nothing, used, np.array(start), PULSE, shaped=shaped)
            np.testing.assert_array_equal(fit.height, 0.0)
            np.testing.assert_array_equal(fit.rest, 0.0)
            np.testing.assert_array_equal(fit.sample, start)
    assert not recwarn.list


def test_an_echo_of_no_height_beside_another_moves_neither():
    """Where nothing pulls at a number, the step along it is nil and the others' is theirs."""
    rf = np.repeat(echo(WINDOW_US, 0.5, 1.0)[None], 3, axis=0)
    start = np.array([[50.0, 110.0], [50.0, 120.0], [50.001, 110.0]])
    fit = fit_echoes(rf, np.ones(rf.shape, bool), start, PULSE)
    np.testing.assert_allclose(fit.sample[:, 0], 50.0, atol=1e-3)
    np.testing.assert_allclose(fit.sample[:, 1], start[:, 1], atol=0.01)
    np.testing.assert_allclose(np.abs(fit.height), [[1.0, 0.0]] * 3, atol=1e-6)
    assert (fit.rest < 1e-6).all()
    # Of another nothing at all is seen: what is seen of the first is read all the same.
    used = np.ones(rf.shape, bool)
    used[:, 80:] = False
    hidden = fit_echoes(rf, used, np.array([[49.0, 87.0]] * 3), PULSE)
    np.testing.assert_allclose(hidden.sample[:, 0], 50.0, atol=2e-3)
    assert np.isfinite(hidden.sample).all()


@pytest.mark.parametrize("start", [60.0, 65.0])
def test_two_echoes_that_begin_in_one_place_part_to_where_they_are(start):
    """They are one there, of which no share can be told; closed forms say where they belong."""
    rng = np.random.default_rng(2)
    apart = np.array([0.1, 0.2, 0.13, 0.06])
    rf = echo(WINDOW_US, 0.6, 1.0, 0.3) + echo(WINDOW_US, 0.6 + apart[:, None], 0.7, 2.0)
    rf = rf + 0.01 * rng.standard_normal(rf.shape)
    fit = fit_echoes(rf, np.ones(rf.shape, bool), np.full((4, 2), start), PULSE)
    assert fit.converged.all()
    np.testing.assert_allclose(fit.sample[:, 0], 60.0, atol=0.25)
    np.testing.assert_allclose(fit.sample[:, 1], 60.0 + 100.0 * apart, atol=0.25)
    np.testing.assert_allclose(np.abs(fit.height), [[1.0, 0.7]] * 4, rtol=0.1)
    assert (fit.rest < 1.4 * 160 * 0.01**2).all()


def test_one_more_echo_is_looked_for_where_it_would_leave_least():
    """By numpy's lstsq of closed-form echoes at every half sample between the two ends."""
    rng = np.random.default_rng(6)
    rf = echo(WINDOW_US, 0.6, 1.0, 1.0) + echo(WINDOW_US, [[0.85], [0.78], [1.1]], 0.5, 2.0)
    rf = rf + 0.02 * rng.standard_normal(rf.shape)
    used = np.ones(rf.shape, bool)
    used[2, 100:118] = False
    low, high = np.array([20.0, 20.0, 20.0]), np.array([140.0, 72.0, 140.0])
    fit = fit_echoes(rf, used, np.full((3, 1), 60.0), PULSE)
    found = best_second_sample(rf, used, fit, PULSE, low=low, high=high)
    for row in range(3):

        def rest(place, row=row):
            phases = (0.0, np.pi / 2.0)
            columns = [echo(WINDOW_US, 0.01 * fit.sample[row, 0], 1.0, p) for p in phases]
            columns += [echo(WINDOW_US, 0.01 * place, 1.0, p) for p in phases]
            made = np.stack(columns, axis=1)[used[row]]
            return np.linalg.lstsq(made, rf[row, used[row]])[1].sum()

        places = np.arange(low[row], high[row] + 0.5, 0.5)
        places = places[np.abs(places - fit.sample[row, 0]) > 2.0]
        rests = np.array([rest(place) for place in places])
        alone = fit.rest[row]
        assert low[row] <= found[row] <= high[row]
        # On a grid of a sixth of a width: half a step off it.
        assert alone - rest(found[row]) > 0.9 * (alone - rests.min())
        assert found[row] == pytest.approx(places[rests.argmin()], abs=0.6 * WIDTH / 6.0 + 0.5)


def _made_windows(n, rng, noise):
    """One to three echoes of other lengths than the template's, in noise."""
    rf = np.zeros((n, 160))
    seeds = np.full((n, 1), 60.0)
    for row in range(n):
        sigma = SIGMA_US * rng.choice([0.8, 1.0, 1.0, 1.3])
        at = 0.6
        for _ in range(rng.integers(1, 4)):
            rf[row] += echo(WINDOW_US, at, rng.uniform(0.3, 1.0), rng.uniform(0, 6), sigma=sigma)
            at += rng.uniform(0.1, 0.3)
    return rf + noise * rng.standard_normal(rf.shape), seeds


def test_units_of_the_samples_do_not_part_echoes():
    """Volts, counts or millivolts: the same echoes, sure of as much, of other heights."""
    rng = np.random.default_rng(7)
    for noise, unit in ((0.002, 1e3), (0.02, 1e-3)):
        rf, seeds = _made_windows(8, rng, noise)
        used, level = np.ones(rf.shape, bool), np.full(8, noise)
        given = {"total_noise": 1.2 * level}
        own = part_windows(rf, used, seeds, level, PULSE, **given)
        assert len(set(own.count.tolist())) > 2
        assert own.sure.any()
        for apart, row, n in zip(own.least_apart, own.sample, own.count, strict=True):
            if n > 1:
                assert apart == np.diff(row[:n]).min()
        assert not own.sure.all()
        found = part_windows(
            unit * rf, used, seeds, unit * level, PULSE, total_noise=1.2 * unit * level
        )
        for name in ("count", "shaped", "sure"):
            np.testing.assert_array_equal(getattr(found, name), getattr(own, name))
        for name in ("sample", "covariance", "least_apart"):
            np.testing.assert_allclose(getattr(found, name), getattr(own, name), rtol=1e-4)
        np.testing.assert_allclose(found.height, unit * own.height, rtol=1e-4)


@pytest.mark.parametrize("tone", [0.06, 0.068, 0.073, 0.09])
def test_what_no_model_explains_may_be_a_twentieth_of_the_echo(tone):
    """A tone of 40 MHz, where the pulse has nothing: a²/2 over the echo's height squared."""
    rf = echo(WINDOW_US, 0.8, 2.0, 0.4) + 2.0 * tone * np.cos(2.0 * np.pi * 40.0 * WINDOW_US)
    used = np.ones((1, 160), bool)
    found = part_windows(rf[None], used, np.array([[80.0]]), np.array([0.004]), PULSE)
    assert found.count.tolist() == [1]
    assert found.sure.tolist() == [bool(tone / math.sqrt(2.0) < 0.05)]
    # And what is left beyond all noise is the variance that the bound is taken at.
    alone = fit_echoes(rf[None], used, np.array([[80.0]]), PULSE)
    numbers = 6 if found.shaped[0] else 3
    if found.shaped[0]:
        alone = fit_echoes(rf[None], used, alone.sample, PULSE, shaped=True)
    left = 160 - numbers
    beyond = alone.rest[0] / left - 0.004**2 * (1.0 + 2.0 * math.sqrt(2.0 / left))
    assert found.covariance[0, 0, 0] == pytest.approx(
        alone.covariance[0, 0, 0] * (0.004**2 + beyond), rel=1e-6
    )
