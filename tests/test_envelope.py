"""Pulse, envelope detectors, matched filter and noise figures."""

import numpy as np
import pytest
import scipy
from closed_form import BANDWIDTH, FREQUENCY_MHZ, SIGMA_US, echo

from echotrace.bounds.delay import delay_bound
from echotrace.errors import ParameterError
from echotrace.recording import Signal
from echotrace.signal.candidates import false_alarm_threshold_db
from echotrace.signal.conditioning import condition
from echotrace.signal.envelope import (
    analytic_signal,
    detect_envelope,
    matched_filter,
    matched_slope,
    smooth_envelope,
)
from echotrace.signal.noise import noise_curve, noise_level
from echotrace.signal.pulse import estimate_pulse, gaussian_pulse, gaussian_sigma_us

RATE_HZ = 1e8
DELAY_US = np.arange(2048) * 0.01
PULSE = gaussian_pulse(RATE_HZ, FREQUENCY_MHZ * 1e6, BANDWIDTH)
BAND_HZ = 1.5 * BANDWIDTH * FREQUENCY_MHZ * 1e6


def _detect(rf, method):
    return detect_envelope(
        rf,
        RATE_HZ,
        method=method,
        centre_frequency_hz=FREQUENCY_MHZ * 1e6,
        bandwidth_hz=BAND_HZ,
    )


def test_gaussian_pulse_has_its_stated_band():
    assert gaussian_sigma_us(1e7, 0.6) == pytest.approx(SIGMA_US)
    spectrum = np.abs(np.fft.fft(PULSE.analytic, 1 << 16))
    frequency = np.fft.fftfreq(1 << 16, 1 / RATE_HZ)
    level = spectrum / spectrum.max()
    inside = frequency[level >= 0.5]
    # ASTM E1065: bandwidth between the -6 dB points, centre their mean.
    assert inside.max() - inside.min() == pytest.approx(6e6, rel=2e-3)
    assert (inside.max() + inside.min()) / 2 == pytest.approx(1e7, rel=1e-3)
    # RMS width of a Gaussian power spectrum of envelope sigma: 1 / (2 sqrt(2) pi sigma).
    assert PULSE.rms_bandwidth_hz == pytest.approx(
        1e6 / (2 * np.sqrt(2) * np.pi * SIGMA_US), rel=1e-3
    )
    # Full width at half height: 2.3548 sigma.
    assert PULSE.width_us == pytest.approx(2.3548 * SIGMA_US, rel=2e-3)


def test_pulse_above_nyquist_is_refused():
    with pytest.raises(ParameterError, match="too low for a pulse"):
        gaussian_pulse(2e7, 1e7, 0.6)


def test_bound_against_the_published_number():
    # 10 MHz, -6 dB band 60 %, 2E/N0 = 20 dB: the phase-free bound is 8.83 ns (computed from
    # sigma = 1/(2 pi B_rms sqrt(2E/N0)), Stein 1981), 6.8 µm of aqueous one way.
    ratio = np.sqrt(100.0 / (PULSE.energy / 2))
    assert delay_bound(PULSE, 20 * np.log10(ratio)) == pytest.approx(8.83e-3, rel=2e-3)
    # Rectangular band B: B_rms = B / sqrt(12); RF against envelope 1 + 12 (f0/B)^2 = 49 at
    # f0 = 10, B = 5 (Weinstein & Weiss 1984).
    b_rms = 5.0 / np.sqrt(12)
    assert (10.0**2 + b_rms**2) / b_rms**2 == pytest.approx(49.0)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("n", [2048, 2047])
def test_analytic_signal_against_scipy(n, dtype):
    rf = np.random.default_rng(0).normal(size=(3, n)).astype(dtype)
    got = analytic_signal(rf)
    reference = scipy.signal.hilbert(rf.astype(np.float64), axis=-1)
    tolerance = 1e-5 if dtype == np.float32 else 1e-12
    np.testing.assert_allclose(got, reference, atol=tolerance)
    assert got.dtype == (np.complex64 if dtype == np.float32 else np.complex128)
    np.testing.assert_allclose(_detect(rf, "analytic"), np.abs(reference), atol=tolerance)


@pytest.mark.parametrize("method", ["analytic", "quadrature", "rectified"])
def test_detectors_do_not_move_an_echo(method):
    """A symmetric echo keeps its peak to 0.01 sample at every fraction of a sample and phase."""
    rng = np.random.default_rng(2)
    centre = 10.0 + rng.random(64) * 0.01
    phase = rng.uniform(0, 2 * np.pi, 64)
    rf = echo(DELAY_US, centre[:, None], 1.0, phase[:, None])
    envelope = _detect(rf, method)
    k = envelope.argmax(axis=1)
    rows = np.arange(64)
    a, b, c = (np.log(envelope[rows, k + d]) for d in (-1, 0, 1))
    peak = k + 0.5 * (a - c) / (a - 2 * b + c)
    # The rectifier's ripple depends on the phase: a small spread, no common shift.
    error = peak - centre * 100
    assert abs(error.mean()) < 0.01
    assert error.std() < (0.01 if method != "rectified" else 0.05)


@pytest.mark.parametrize("method", ["quadrature", "rectified"])
def test_detectors_have_their_stated_band(method):
    """A steady tone comes out at its amplitude; modulation at half the band at one half."""
    t = np.arange(8192) * 0.01
    tone = np.cos(2 * np.pi * 10 * t)
    middle = slice(2000, 6000)
    # Ten samples a period: the rectifier's harmonics fold back onto its mean, 1.7 %.
    tolerance = 2e-3 if method == "quadrature" else 0.02
    assert _detect(tone, method)[middle] == pytest.approx(1.0, abs=tolerance)
    rate = BAND_HZ * 1e-6 / 2
    modulated = (1 + 0.2 * np.cos(2 * np.pi * rate * t)) * tone
    swing = np.ptp(_detect(modulated, method)[middle]) / 2
    # The rectifier also folds its harmonics of the carrier into the band.
    assert swing == pytest.approx(0.1, rel=0.03 if method == "quadrature" else 0.1)


def test_envelopes_agree_on_an_echo():
    rf = echo(DELAY_US, 10.0)[None]
    wide = detect_envelope(
        rf, RATE_HZ, method="quadrature", centre_frequency_hz=1e7, bandwidth_hz=4e7
    )
    np.testing.assert_allclose(wide, _detect(rf, "analytic"), atol=0.03)


def test_matched_filter_keeps_amplitude_and_ignores_phase():
    phase = np.linspace(0, 2 * np.pi, 9)[:, None]
    rf = echo(DELAY_US, 10.0, 0.37, phase)
    matched = matched_filter(rf, PULSE)
    assert matched.envelope.max(axis=1) == pytest.approx(0.37, rel=1e-4)
    assert (matched.envelope.argmax(axis=1) == 1000).all()


def test_matched_filter_against_plain_correlation():
    rf = np.random.default_rng(4).normal(size=(2, 600))
    got = matched_filter(rf, PULSE).output
    want = [
        scipy.signal.correlate(row, PULSE.analytic, mode="same") / (PULSE.energy / 2) for row in rf
    ]
    # The filter leaves out the template's negative frequencies, 1e-4 of a Gaussian pulse.
    np.testing.assert_allclose(got, want, atol=3e-4)


def test_smoothed_envelope_keeps_place_and_height():
    envelope = np.exp(-0.5 * ((DELAY_US - 10.0) / SIGMA_US) ** 2)[None]
    smooth = smooth_envelope(envelope, PULSE)
    assert smooth.max() == pytest.approx(1.0, rel=1e-4)
    assert smooth.argmax() == 1000


def test_noise_level_and_slope_in_closed_form():
    """White noise of unit variance through the matched filter.

    One quadrature has variance 2/S (S the template's energy), its slope the RMS bandwidth times
    2 pi: Rice SO 1945, Bell Syst Tech J 24:46.
    """
    noise = np.random.default_rng(6).normal(size=(200, 4096)).astype(np.float32)
    envelope = matched_filter(noise, PULSE).envelope
    expected = np.sqrt(2.0 / PULSE.energy)
    assert noise_level(envelope).mean() == pytest.approx(expected, rel=0.02)
    slope = expected * 2 * np.pi * PULSE.rms_bandwidth_hz * 1e-6
    found = noise_curve(matched_slope(noise, PULSE), stride=10).level
    np.testing.assert_allclose(found.mean(axis=0), slope, rtol=0.05)
    assert found.mean() == pytest.approx(slope, rel=0.03)


def test_noise_is_hardly_moved_by_echoes():
    rng = np.random.default_rng(7)
    noise = rng.normal(size=(100, 4096)).astype(np.float32)
    t = np.arange(4096) * 0.01
    crowded = noise.copy()
    for centre in (3, 5, 9, 12, *np.arange(31, 38, 0.2)):
        crowded += echo(t, centre, 200.0).astype(np.float32)
    quiet = matched_filter(noise, PULSE).envelope
    loud = matched_filter(crowded, PULSE).envelope
    assert noise_level(loud).mean() == pytest.approx(noise_level(quiet).mean(), rel=0.1)
    with_echoes = noise_curve(matched_slope(crowded, PULSE), stride=10).level
    without = noise_curve(matched_slope(noise, PULSE), stride=10).level
    np.testing.assert_allclose(with_echoes.mean(axis=0), without.mean(axis=0), rtol=0.25)


def test_pulse_from_the_recordings_own_echoes():
    """A template 20 % longer than the probe's description is found from noisy echoes."""
    rng = np.random.default_rng(8)
    centre = 10.0 + rng.random(60) * 0.3
    phase = rng.uniform(0, 2 * np.pi, 60)
    rf = echo(DELAY_US, centre[:, None], 1.0, phase[:, None], sigma=1.2 * SIGMA_US)
    rf = rf + 0.02 * rng.standard_normal(rf.shape)
    found = estimate_pulse(analytic_signal(rf), np.arange(60), centre * 100, PULSE)
    assert found.width_us == pytest.approx(1.2 * PULSE.width_us, rel=0.02)
    assert found.centre_frequency_hz == pytest.approx(1e7, rel=0.01)
    with pytest.raises(ParameterError, match="no echo stands free"):
        estimate_pulse(analytic_signal(rf), np.array([0]), np.array([3.0]), PULSE)


def test_envelopes_pass_through_conditioning():
    envelope = np.abs(np.random.default_rng(1).normal(size=(2, 512))).astype(np.float32)
    traces = condition(
        envelope,
        np.zeros(envelope.shape, bool),
        signal=Signal.ENVELOPE,
        sampling_rate_hz=RATE_HZ,
        start_delay_us=0.0,
        pulse=PULSE,
    )
    np.testing.assert_array_equal(traces.envelope, envelope)
    assert traces.rf is None
    assert traces.matched is None


def test_bad_requests_are_refused():
    rf = np.zeros((1, 64))
    with pytest.raises(ParameterError, match="analytic, quadrature or rectified"):
        _detect(rf, "magic")
    with pytest.raises(ParameterError, match="bandwidth_hz"):
        detect_envelope(rf, RATE_HZ, centre_frequency_hz=1e7, bandwidth_hz=0.0)
    with pytest.raises(ParameterError, match="complex"):
        analytic_signal(rf.astype(complex))
    with pytest.raises(ParameterError, match="sampled at"):
        condition(
            rf,
            rf > 0,
            signal=Signal.RF,
            sampling_rate_hz=5e7,
            start_delay_us=0.0,
            pulse=PULSE,
        )


@pytest.mark.parametrize("n", [4, 8, 15, 16, 40])
def test_noise_of_short_rows(n):
    """Rayleigh values of unit noise: few of them still give noise of that order."""
    rng = np.random.default_rng(5)
    rows = np.abs(rng.normal(size=(200, n)) + 1j * rng.normal(size=(200, n))).astype(np.float32)
    found = noise_level(rows, stride=1)
    assert 0.5 < np.median(found) < 2.0
    # All of a row near zero is rare, not impossible.
    assert np.quantile(found, 0.05) > 0.05
    assert found.min() > 0.0


@pytest.mark.parametrize("n", [4, 16])
def test_echoes_without_scatter_keep_all_of_their_spectrum(n):
    # Few echoes, or echoes that are alike to the last bit: nothing is taken for noise.
    rf = np.repeat(echo(DELAY_US, np.array([[10.0]]), 1.0, sigma=1.2 * SIGMA_US), n, axis=0)
    found = estimate_pulse(analytic_signal(rf), np.arange(n), np.full(n, 1000.0), PULSE)
    assert found.width_us == pytest.approx(1.2 * PULSE.width_us, rel=2e-3)
    assert found.centre_frequency_hz == pytest.approx(1e7, rel=1e-3)


@pytest.mark.parametrize("rate", [0.0, 1.0])
def test_a_rate_of_false_alarms_lies_between_none_and_all(rate):
    with pytest.raises(ParameterError, match="must lie between 0 and 1"):
        false_alarm_threshold_db(PULSE, 4096, rate)
