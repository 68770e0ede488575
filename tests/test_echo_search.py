"""What is found in nothing but noise, and what is refused where no echo stands."""

import time
import tracemalloc

import numpy as np
import pytest
from closed_form import echo, recording_of

from echotrace.chain.block import prepare
from echotrace.chain.plain import read_reference_path
from echotrace.errors import ParameterError
from echotrace.recording import Probe, Signal
from echotrace.settings import PickingSettings, Settings
from echotrace.signal.candidates import (
    false_alarm_rate_of,
    false_alarm_threshold_db,
    find_echoes,
)
from echotrace.signal.conditioning import condition
from echotrace.signal.picking import PICKERS, PickReason, pick_echoes
from echotrace.signal.pulse import gaussian_pulse


def _conditioned(rf, pulse):
    return condition(
        rf.astype(np.float32),
        np.zeros(rf.shape, bool),
        signal=Signal.RF,
        sampling_rate_hz=pulse.sampling_rate_hz,
        start_delay_us=0.0,
        pulse=pulse,
    )


@pytest.mark.compiled
@pytest.mark.parametrize("bandwidth", [0.3, 0.6, 0.9])
@pytest.mark.parametrize(("rate_hz", "n_samples"), [(1e8, 2048), (1e8, 6144), (5e7, 2048)])
def test_threshold_means_its_false_alarm_rate(bandwidth, rate_hz, n_samples):
    """White noise alone: one trace in a hundred holds an echo, of whatever length and band."""
    pulse = gaussian_pulse(rate_hz, 1e7, bandwidth)
    rng = np.random.default_rng(round(100 * bandwidth) + n_samples)
    found = total = 0
    for _ in range(8):
        rf = rng.standard_normal((500, n_samples)).astype(np.float32)
        found += int((find_echoes(_conditioned(rf, pulse)).count > 0).sum())
        total += len(rf)
    # 40 expected of 4,000; short traces tell their noise to some per cent only.
    assert 0.003 < found / total < 0.02


@pytest.mark.compiled
@pytest.mark.parametrize("bandwidth", [0.3, 0.6, 0.9])
@pytest.mark.parametrize("n_samples", [2048, 5200, 8192])
def test_what_a_level_lets_through_of_noise_alone(bandwidth, n_samples):
    """A search threshold of 13 dB is a level: the rate stated for it is that of white noise.

    The noise passes this test's own matched filter, by FFT, and its level is told from the
    quadratures; neither is the package's.
    """
    pulse = gaussian_pulse(1e8, 1e7, bandwidth)
    rng = np.random.default_rng(round(100 * bandwidth) + n_samples)
    stated = false_alarm_rate_of(pulse, n_samples, 13.0)
    template = np.fft.fft(np.asarray(pulse.analytic), n_samples)
    found = ours = total = 0
    for _ in range(3):
        rf = rng.standard_normal((400, n_samples))
        spectrum = np.fft.fft(rf, axis=1) * np.conj(template)
        envelope = np.abs(np.fft.ifft(spectrum, axis=1))
        level = envelope / np.sqrt(0.5 * (envelope**2).mean(axis=1, keepdims=True))
        found += int((level.max(axis=1) > 10 ** (13.0 / 20)).sum())
        ours += int((find_echoes(_conditioned(rf, pulse), threshold_db=13.0).count > 0).sum())
        total += len(rf)
    slack = 4.0 * np.sqrt(stated * (1.0 - stated) / total)
    assert abs(ours / total - stated) < slack + 0.25 * stated, (ours / total, stated)
    # A true level of the noise, and peaks between the points of the search: within a third.
    assert abs(found / total - stated) < slack + 0.35 * stated, (found / total, stated)


def test_rate_and_level_are_inverse():
    for bandwidth in (0.3, 0.6, 0.9):
        pulse = gaussian_pulse(1e8, 1e7, bandwidth)
        for n_samples in (1024, 4096, 16384):
            for rate in (0.2, 0.01, 1e-4):
                level = false_alarm_threshold_db(pulse, n_samples, rate)
                if level < 20.0 * np.log10(0.7 / np.sqrt(0.41 * 10 / n_samples)):
                    back = false_alarm_rate_of(pulse, n_samples, level)
                    assert back == pytest.approx(rate, rel=1e-3)


@pytest.mark.compiled
@pytest.mark.parametrize("engine", ["fused", "plain"])
@pytest.mark.parametrize(("bandwidth", "n_samples"), [(0.3, 2048), (0.6, 6144), (0.9, 4096)])
def test_the_chain_finds_in_noise_what_its_rate_says(engine, bandwidth, n_samples):
    rate = 0.1
    pulse = gaussian_pulse(1e8, 1e7, bandwidth)
    picking = PickingSettings(false_alarm_rate=rate)
    wanted_db = false_alarm_threshold_db(pulse, n_samples, rate)
    assert picking.threshold_db(pulse, n_samples) == wanted_db
    rng = np.random.default_rng(round(100 * bandwidth) + n_samples)
    noise = rng.standard_normal((400, n_samples)).astype(np.float32)
    probe = Probe(centre_frequency_hz=1e7, fractional_bandwidth=bandwidth)
    recording = recording_of(noise, probe=probe)
    settings = Settings(picking=picking, engine=engine)
    prepared = prepare(recording, settings)
    ((state, target),) = prepared.targets.items()
    if engine == "fused":
        reading = prepared.readers[state].read(recording)
    else:
        reading = read_reference_path(recording, state[0], target, settings, pulse)
    share = float((reading.candidates.count > 0).mean())
    assert abs(share - rate) < 4.0 * np.sqrt(rate * (1.0 - rate) / 400), share


def test_false_alarm_rate_is_in_range():
    pulse = gaussian_pulse(1e8, 1e7, 0.6)
    levels = [false_alarm_threshold_db(pulse, 4096, rate) for rate in (0.5, 0.05, 0.001)]
    assert levels == sorted(levels)
    for wrong in (0.0, 1.0):
        with pytest.raises(ParameterError, match="false_alarm_rate"):
            false_alarm_threshold_db(pulse, 4096, wrong)


@pytest.mark.parametrize("picker", ["matched_filter", "envelope_peak"])
@pytest.mark.parametrize("off", [-30, -15, 15, 30])
def test_a_peak_out_of_reach_is_not_made_up(picker, off):
    t = np.arange(768) * 0.01
    pulse = gaussian_pulse(1e8, 1e7, 0.6)
    rf = echo(t, 4.0)[None] + 1e-3 * np.random.default_rng(1).standard_normal((1, 768))
    picks = pick_echoes(
        _conditioned(rf, pulse), np.array([0]), np.array([400 + off]), picker=picker
    )
    assert picks.reason[0] == PickReason.NO_ECHO
    assert np.isnan(picks.sample[0])


@pytest.mark.parametrize("off", [-8, 8])
def test_eight_samples_off_is_refused_or_right(off):
    t = np.arange(768) * 0.01
    pulse = gaussian_pulse(1e8, 1e7, 0.6)
    rf = echo(t, 4.0)[None] + 1e-3 * np.random.default_rng(1).standard_normal((1, 768))
    for name in PICKERS:
        picks = pick_echoes(
            _conditioned(rf, pulse), np.array([0]), np.array([400 + off]), picker=name
        )
        if picks.reason[0] == PickReason.FOUND:
            # An onset jumps with the oscillation's phase.
            assert abs(picks.sample[0] - 400.0) < (3.0 if name == "akaike_onset" else 0.5), name


@pytest.mark.compiled
def test_onset_table_of_a_high_rate_is_bounded():
    """At 400 MHz: 36 s and 1.8 GB before; samples that are simulated are counted now."""
    pulse = gaussian_pulse(4e8, 1e7, 0.6)
    t = np.arange(3200) * 0.0025
    rf = echo(t, 4.0)[None] + 1e-3 * np.random.default_rng(1).standard_normal((1, 3200))
    traces = _conditioned(rf, pulse)
    tracemalloc.start()
    begin = time.process_time()
    picks = pick_echoes(traces, np.array([0]), np.array([1600]), picker="akaike_onset")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    print(f"{time.process_time() - begin:.1f} s, {peak / 1e6:.0f} MB")
    assert peak < 250e6
    assert picks.reason[0] == PickReason.FOUND
    assert abs(picks.sample[0] - 1600.0) < 30.0


def test_a_band_that_ends_at_half_the_rate_is_refused_with_the_rate_that_would_do():
    gaussian_pulse(31e6, 1e7, 0.6)
    with pytest.raises(ParameterError, match=r"at least 3\.059e\+07 is needed"):
        gaussian_pulse(30e6, 1e7, 0.6)
