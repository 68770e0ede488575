"""Receiver: forward and inverse, clipping, log compression, TGC seen in noise."""

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from echotrace.errors import ParameterError
from echotrace.recording import Receiver
from echotrace.signal.receiver import (
    apply_receiver,
    clipped_samples,
    log_compress,
    ratio_to_db,
    tgc_db,
    undo_receiver,
)
from echotrace.signal.tgc_from_noise import estimate_tgc_from_noise

DELAY_US = np.arange(2048) * 0.01


def _noise(n_traces, seed=0, sd=1.0, n_samples=DELAY_US.size):
    return np.random.default_rng(seed).normal(0.0, sd, (n_traces, n_samples)).astype(np.float32)


def test_decibels_of_amplitudes():
    # ISO 80000-8 / common practice, no source: 20 dB is a factor of ten in amplitude.
    assert ratio_to_db([10.0, 2.0, 0.5]) == pytest.approx([20.0, 6.0206, -6.0206], abs=1e-4)
    assert ratio_to_db(0.0) == -np.inf


def test_tgc_is_straight_between_nodes_and_level_beyond():
    receiver = Receiver(tgc_delay_us=(2.0, 6.0), tgc_gain_db=(0.0, 20.0))
    assert tgc_db([0.0, 2.0, 4.0, 6.0, 9.0], receiver).tolist() == [0.0, 0.0, 10.0, 20.0, 20.0]


@given(
    gain_db=st.floats(-20.0, 60.0),
    slope_db=st.floats(-10.0, 40.0),
)
def test_inverse_gives_the_amplitude_back(gain_db, slope_db):
    amplitude = _noise(2, sd=1e-5)
    receiver = Receiver(tgc_delay_us=(0.0, 20.0), tgc_gain_db=(0.0, slope_db), full_scale=1e3)
    samples = apply_receiver(amplitude, DELAY_US, receiver, gain_db)
    undone = undo_receiver(samples, DELAY_US, receiver, gain_db)
    assert not undone.clipped.any()
    np.testing.assert_allclose(undone.amplitude, amplitude, rtol=2e-6)


def test_quantisation_noise_is_one_twelfth_of_a_step_squared():
    # Uniform quantisation noise: step / sqrt(12) (Widrow & Kollar, Quantization Noise, 2008).
    amplitude = _noise(20, sd=0.2)
    receiver = Receiver(bits=10, full_scale=2.0)
    samples = apply_receiver(amplitude, DELAY_US, receiver)
    undone = undo_receiver(samples, DELAY_US, receiver)
    step = 2.0 / 511
    error = undone.amplitude - amplitude
    assert error.std() == pytest.approx(step / np.sqrt(12.0), rel=0.02)
    assert samples.dtype == np.int16


def test_clipped_samples_are_marked_and_never_exceed_the_limit():
    amplitude = _noise(4, sd=1.0)
    receiver = Receiver(bits=12, full_scale=1.0)
    samples = apply_receiver(amplitude, DELAY_US, receiver)
    undone = undo_receiver(samples, DELAY_US, receiver)
    assert np.abs(samples).max() == 2047
    np.testing.assert_array_equal(undone.clipped, np.abs(samples) == 2047)
    # Normal noise clipped at one sigma: 31.7 % of the samples.
    assert undone.clipped.mean() == pytest.approx(0.3173, abs=0.02)


def test_unknown_receiver_marks_flat_tops_only():
    echo = np.sin(2 * np.pi * 0.031 * np.arange(256))[None]
    assert not clipped_samples(echo, None).any()
    flat = np.clip(echo, -0.5, 0.7)
    marked = clipped_samples(flat, None)
    np.testing.assert_array_equal(marked, (flat == 0.7) | (flat == -0.5))


def test_float_samples_clip_at_full_scale():
    receiver = Receiver(full_scale=0.3)
    samples = apply_receiver(_noise(2), DELAY_US, receiver)
    assert samples.dtype == np.float32
    assert clipped_samples(samples, receiver).mean() > 0.5


def test_log_compress_is_decibels_above_a_floor():
    levels = log_compress([1.0, 0.1, 1e-9, 0.0], floor_db=-60.0)
    assert levels.tolist() == pytest.approx([0.0, -20.0, -60.0, -60.0])
    with pytest.raises(ParameterError, match="is it RF"):
        log_compress([-0.1])
    with pytest.raises(ParameterError, match="positive"):
        log_compress([1.0], reference=0.0)


def test_tgc_is_seen_in_the_noise_with_its_uncertainty():
    receiver = Receiver(tgc_delay_us=(2.0, 18.0), tgc_gain_db=(0.0, 30.0), full_scale=1e6)
    errors, stated = [], []
    for seed in range(30):
        amplitude = _noise(40, seed)
        amplitude[:, 700:720] += 50.0  # an echo in every trace
        samples = apply_receiver(amplitude, DELAY_US, receiver)
        estimate = estimate_tgc_from_noise(samples, DELAY_US)
        truth = 10 * np.log10(
            [
                np.mean(10 ** (tgc_db(centre + np.linspace(-0.5, 0.5, 101), receiver) / 10))
                for centre in estimate.delay_us
            ]
        )
        errors.append((estimate.gain_db - (truth - truth[0]))[1:])
        stated.append(estimate.gain_u_db[1:])
        assert not np.any(np.abs(estimate.delay_us - 7.1) < 0.5)
    spread = np.sqrt(np.mean(np.concatenate(errors) ** 2))
    # Stated uncertainty against the observed error.
    assert spread == pytest.approx(np.concatenate(stated).mean(), rel=0.25)


@pytest.mark.parametrize("rho", [-0.6, 0.0, 0.5, 0.8])
def test_correlated_noise_counts_as_fewer_samples(rho):
    """The mean square of noise of autocorrelation r spreads as that of n / sum(r^2) free samples.

    Bartlett MS 1946, J R Stat Soc Suppl 8:27 (value from memory); for r_k = rho^|k| the sum is
    (1 + rho^2) / (1 - rho^2).
    """
    n_traces, per_bin = 40, 100
    free = _noise(n_traces, seed=3)
    correlated = scipy.signal.lfilter([np.sqrt(1.0 - rho**2)], [1.0, -rho], free, axis=1)
    estimate = estimate_tgc_from_noise(correlated[:, 48:], DELAY_US[48:])
    assert estimate.echo_free_fraction > 0.9
    n_free = n_traces * per_bin * (1.0 - rho**2) / (1.0 + rho**2)
    # Two such root mean squares in dB, one over the other.
    expected_db = 20.0 / np.log(10.0) / np.sqrt(2.0 * n_free) * np.sqrt(2.0)
    assert estimate.gain_u_db[0] == 0.0
    np.testing.assert_allclose(estimate.gain_u_db[1:], expected_db, rtol=0.03)


def test_tgc_says_when_too_little_is_free_of_echoes():
    crowded = _noise(10)
    crowded[:, ::37] += 40.0
    with pytest.raises(ParameterError, match="free of echoes"):
        estimate_tgc_from_noise(crowded, DELAY_US)


def test_bad_shapes_are_refused():
    with pytest.raises(ParameterError, match="n_traces, n_samples"):
        apply_receiver(np.zeros(10), DELAY_US, Receiver())
    with pytest.raises(ParameterError, match="gain_db: 3 values for 2"):
        undo_receiver(_noise(2), DELAY_US, None, [0.0, 1.0, 2.0])


def test_what_was_seen_of_the_time_gain_describes_a_receiver():
    amplitude = _noise(40, 1)
    receiver = Receiver(tgc_delay_us=(2.0, 18.0), tgc_gain_db=(0.0, 30.0), full_scale=1e6)
    estimate = estimate_tgc_from_noise(
        apply_receiver(amplitude, DELAY_US, receiver), DELAY_US, exclude_us=[(5.0, 8.0)]
    )
    assert not np.any((estimate.delay_us >= 5.0) & (estimate.delay_us <= 8.0))
    seen = estimate.to_receiver()
    # In the middles of the bins, relative to the first: the gain that was put on.
    # 30 dB over 16 µs, a straight line.
    expected = 30.0 / 16.0 * (np.clip(estimate.delay_us, 2.0, 18.0) - 2.0)
    found = tgc_db(estimate.delay_us, seen)
    np.testing.assert_allclose(found - found[0], expected - expected[0], atol=0.6)


def test_traces_of_the_wrong_form_show_no_time_gain():
    with pytest.raises(ParameterError, match=r"rf must be \(n_traces, n_samples\)"):
        estimate_tgc_from_noise(np.zeros(100), np.arange(100) * 0.01)
    with pytest.raises(ParameterError, match="delay_us has 99 values for 100 samples"):
        estimate_tgc_from_noise(np.zeros((2, 100)), np.arange(99) * 0.01)
    with pytest.raises(ParameterError, match="only 0 % of the trace is free"):
        estimate_tgc_from_noise(np.zeros((4, 1000)), np.arange(1000) * 0.01)
