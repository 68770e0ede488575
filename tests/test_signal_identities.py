"""Steps of the signal against identities: what a definition says of them, by other arithmetic.

Rules without a source are the project's own (common practice, no source).
"""

from __future__ import annotations

import dataclasses
import inspect
import math
from itertools import pairwise

import numpy as np
import pytest
import scipy.optimize
import scipy.signal
import scipy.stats
from closed_form import LE_GRAND_US, SIGMA_US, echo

import echotrace as et
from echotrace.errors import ParameterError
from echotrace.kernels.evidence import CLEAR_BEFORE
from echotrace.recording import Signal
from echotrace.signal import choice, choice_plan, crowded
from echotrace.signal.agreement_of_scans import AGREE_SPREADS, agreement_of
from echotrace.signal.candidates import Candidates, empty_candidates
from echotrace.signal.carrier import _stated_width, carrier_of, echo_spectra
from echotrace.signal.choice_plan import JointChoiceSettings
from echotrace.signal.downshift import carrier_downshift
from echotrace.signal.gates import preset_gates
from echotrace.signal.kind import lean, opposite_swing, row_medians
from echotrace.signal.lengths import LengthSettings, measure_lengths
from echotrace.signal.noise import NoiseCurve, lsb_noise, noise_curve
from echotrace.signal.pickers import overlap
from echotrace.signal.picking import pick_echoes
from echotrace.signal.pulse import estimate_pulse, gaussian_pulse
from echotrace.signal.sitting_choice import EyeSeen, _agree, _Weigher
from echotrace.target import eye_target

PULSE = gaussian_pulse(100e6, 10e6, 0.6)
T_US = np.arange(3000) * 0.01


def _analytic(at_us, mhz=10.0):
    """Closed-form analytic signal of one echo."""
    lag = T_US[:600] - at_us
    return np.exp(-0.5 * (lag / SIGMA_US) ** 2) * np.exp(2j * np.pi * mhz * lag)


# --- pulses ---------------------------------------------------------------------------------------


def test_an_echo_that_the_end_cuts_off_is_no_part_of_the_pulse():
    whole = _analytic(3.0)
    n, half = whole.size, 2 * PULSE.half_length
    alone = estimate_pulse(whole[None], np.array([0]), np.array([300.0]), PULSE)
    for at in (half - 1, n - half, n - 2):
        traces = np.stack([whole, _analytic(0.01 * at, 8.0)])
        found = estimate_pulse(traces, np.arange(2), np.array([300.0, at]), PULSE)
        np.testing.assert_array_equal(found.analytic, alone.analytic)
        with pytest.raises(ParameterError, match="stands free enough"):
            estimate_pulse(traces, np.array([1]), np.array([float(at)]), PULSE)
    for at in (half, n - half - 1):  # of these all is there
        trace = _analytic(0.01 * at)[None]
        found = estimate_pulse(trace, np.array([0]), np.array([float(at)]), PULSE)
        assert found.centre_frequency_hz == pytest.approx(1e7, rel=0.01)


def test_noise_is_told_from_the_pulse_by_the_scatter_of_eight_echoes_or_more():
    """Power beyond 25 MHz, where an echo of 10 MHz and 60 % has none: taken out, or left."""
    rng = np.random.default_rng(1)
    beyond = {}
    for n in (7, 8, 12):
        traces = np.repeat(_analytic(3.0)[None], n, axis=0)
        traces = traces + 0.1 * (rng.normal(size=traces.shape) + 1j * rng.normal(size=traces.shape))
        pulse = estimate_pulse(traces, np.arange(n), np.full(n, 300.0), PULSE)
        power = np.abs(np.fft.fft(pulse.analytic)) ** 2
        outside = np.abs(np.fft.fftfreq(power.size, 0.01) - 10.0) > 15.0
        beyond[n] = power[outside].sum() / power.sum()
    assert beyond[8] < 0.1 * beyond[7]
    assert beyond[12] < 0.1 * beyond[7]


# --- noise ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("stride", [1, 4])
def test_a_noise_curve_stands_where_its_noise_does(stride):
    """Rayleigh noise whose level rises a hundredfold along the trace, known at every sample."""
    n = 16384
    level = np.geomspace(1.0, 100.0, n)
    re, im = np.random.default_rng(5).standard_normal((2, 8, n))
    curve = noise_curve(np.hypot(re, im) * level, stride=stride)
    at = np.arange(n // 8, n - n // 8, n // 64)
    rows = np.repeat(np.arange(8), at.size)
    found = curve.at(rows, np.tile(at, 8)).reshape(8, -1)
    ratio = found.mean(axis=0) / level[at]
    np.testing.assert_allclose(ratio / ratio.mean(), 1.0, atol=0.05)
    # Half a part off would be a tenth.
    assert ratio.mean() == pytest.approx(1.0, abs=0.06)


def test_a_floor_of_the_noise_counts_where_it_lies():
    """A trace of nothing but its floor, which rises a hundredfold: rounding under time gain."""
    n = 16384
    floor = np.geomspace(1.0, 100.0, n)[None]
    curve = noise_curve(1e-9 * np.random.default_rng(5).random((1, n)), stride=4, floor=floor)
    at = np.arange(n // 8, n - n // 8, n // 64)
    found = curve.at(np.zeros(at.size, int), at)
    np.testing.assert_allclose(found, floor[0, at], rtol=0.01)


def test_a_path_agrees_with_its_sitting_within_three_spreads_in_every_segment():
    """Of all segments of which something is said, each by its own spread."""
    seen = EyeSeen(np.array([1.0, 2.0, np.nan]), np.array([0.1, 0.05, 0.1]))
    for first, second, agrees in (
        (1.29, 1.86, True),
        (0.71, 2.14, True),
        (1.31, 2.0, False),
        (1.0, 1.84, False),
    ):
        assert _agree(np.array([first, second, 99.0]), seen) is agrees


def test_a_noise_curve_goes_through_the_middles_of_its_parts():
    """Straight in the logarithm between them: half-way stands the geometric mean."""
    level = np.array([[1.0, 2.0, 8.0, 4.0], [3.0, 3.0, 3.0, 9.0]])
    curve = NoiseCurve(level, 10.0, 100.0)
    middles = np.array([60, 160, 260, 360])
    for row in range(2):
        rows = np.full(4, row)
        np.testing.assert_allclose(curve.at(rows, middles), level[row], rtol=1e-12)
        half_way = np.sqrt(level[row, :-1] * level[row, 1:])
        np.testing.assert_allclose(curve.at(rows[:3], middles[:3] + 50), half_way, rtol=1e-12)
        # No extrapolation.
        np.testing.assert_allclose(curve.at(rows[:2], np.array([0, 9999])), level[row, [0, -1]])


@pytest.mark.parametrize(("mhz", "band"), [(10.0, 0.6), (5.0, 0.4), (15.0, 0.5)])
def test_rounding_of_a_trace_leaves_what_is_stated(mhz, band):
    """A trace of many LSBs is rounded; the errors are filtered by scipy, or by numpy's sums."""
    pulse = gaussian_pulse(100e6, 1e6 * mhz, band)
    wide_hz = 1e6 * mhz * band * 1.5
    rng = np.random.default_rng(3)
    smooth = 40.0 * rng.standard_normal(200_000)
    error = np.rint(smooth) - smooth
    plain, matched, slope = lsb_noise(pulse, wide_hz, Signal.RF)
    # The matched filter gives an echo its own height: the response is divided by half its energy.
    response = pulse.analytic / (pulse.energy / 2.0)
    filtered = np.convolve(error, np.conj(response[::-1]), mode="valid")
    assert matched == pytest.approx(filtered.real.std(), rel=0.02)
    # Of its slope about the carrier, what rounding may hide is felt as well: anything up to where
    # the rounded tails of normal noise have the variance that rounding is taken to have, evenly.
    base = filtered * np.exp(-2j * np.pi * 0.01 * mhz * np.arange(filtered.size))
    most = scipy.optimize.brentq(lambda s: 2.0 * scipy.stats.norm.sf(0.5 / s) - 1 / 12, 0.1, 0.5)
    hidden = scipy.stats.uniform(0.0, most).moment(2)
    felt = np.gradient(100.0 * base).std() / math.sqrt(2.0) * math.sqrt(1.0 + 12.0 * hidden)
    assert slope == pytest.approx(felt, rel=0.035)
    # Quadrature detection: 2 e exp(-i w t) through a Gaussian of one half at half the band.
    t = np.arange(error.size)
    mixed = 2.0 * error * np.exp(-2j * np.pi * 0.01 * mhz * t)
    frequency = np.fft.fftfreq(error.size, 0.01)
    gain = 0.5 ** ((frequency * 2e6 / wide_hz) ** 2)
    assert plain == pytest.approx(np.fft.ifft(np.fft.fft(mixed) * gain).real.std(), rel=0.02)


def test_noise_of_smoothed_envelopes_is_how_much_their_crests_scatter():
    """Envelopes by scipy of echoes of 34 dB in noise of the probe's band: stated and observed."""
    rng = np.random.default_rng(1)
    white = rng.standard_normal((300, 1800))
    noise = scipy.signal.fftconvolve(white, PULSE.analytic.real[None], mode="same")[:, 100:1700]
    rf = echo(T_US[:1600], 8.0, 1.0) + 0.02 * noise / noise.std()
    envelope = np.abs(scipy.signal.hilbert(rf, axis=1)).astype(np.float32)
    traces = et.condition(envelope, pulse=PULSE, signal="envelope")
    for stated, rows in (
        (traces.matched_noise, traces.matched_envelope),
        (traces.envelope_noise, traces.envelope),
    ):
        # A spread of 300 is known to 4 %.
        assert np.median(stated) == pytest.approx(rows[:, 800].std(), rel=0.12)


# --- carriers -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("mhz", "band"), [(10.0, 0.6), (8.0, 0.3), (12.0, 0.8)])
def test_the_width_that_is_stated_is_the_one_that_echoes_show(mhz, band):
    """Echoes as stated, of either phase, looked at as those of a recording are: down to -10 dB."""
    pulse_us = gaussian_pulse(100e6, 1e6 * mhz, band).width_us
    sigma_us = math.sqrt(2.0 * math.log(2.0)) / (math.pi * mhz * band)
    lag = T_US - 9.0
    shape = np.exp(-0.5 * (lag / sigma_us) ** 2)
    rf = np.array([shape * wave(2.0 * np.pi * mhz * lag) for wave in (np.cos, np.sin)])
    # The tallest sample of a sine stands beside its middle; there the window is laid.
    known = {"sampling_rate_hz": 1e8, "pulse_us": pulse_us}
    width_hz = echo_spectra(rf, np.zeros(rf.shape, bool), T_US, **known)[1][:, 0]
    half = round(100.0 * pulse_us)
    stated = 1e8 * _stated_width(half, 0.01 * mhz, band)
    assert stated == pytest.approx(width_hz.mean(), rel=0.01)
    # And the cosine, whose tallest sample is its middle, by a plain sum over frequencies.
    window = rf[0, 900 - half : 901 + half]
    taper = np.sin(np.pi * np.arange(1, 2 * half + 2) / (2 * half + 2)) ** 2
    widths = []
    for wave in (np.cos, np.sin):
        lags = np.arange(-half, half + 1) * 0.01
        own = np.exp(-0.5 * (lags / sigma_us) ** 2) * wave(2.0 * np.pi * mhz * lags)
        power = np.abs(np.fft.rfft((own - own.mean()) * taper, 512)) ** 2
        crest = int(power.argmax())
        low = np.flatnonzero(power < 0.1 * power.max())
        first, stop = low[low < crest].max(initial=-1) + 1, low[low > crest].min()
        k = np.arange(first, stop)
        mean = np.average(k, weights=power[first:stop])
        widths.append(np.sqrt(np.average((k - mean) ** 2, weights=power[first:stop])) / 512.0)
    assert window.max() == 1.0
    assert stated == pytest.approx(1e8 * np.mean(widths), rel=1e-4)


@pytest.mark.parametrize("factor", [0.6, 0.75])
def test_one_echo_anywhere_is_a_stray_and_no_other_carrier(factor):
    """Some lie anywhere, one in twenty below: so much and no more can one speak against a probe."""
    centroid = np.array([[1e7 * factor, np.nan]])
    width = np.array([[0.0, np.nan]])
    doubt = carrier_of(centroid, width, stated_hz=1e7, fractional_bandwidth=0.6).doubt
    assert 1.0 < doubt < et.Settings().quality.max_carrier_doubt


def test_an_echo_behind_a_one_sided_pulse_tells_rf():
    """Ten samples to the crossing: looked at again some nine times as far behind the crest."""
    t = np.arange(600.0)
    pulse = np.where(np.abs(t - 100.0) < 10.0, 1.0 - np.abs(t - 100.0) / 10.0, -0.01)
    assert opposite_swing(pulse[None]) == 0.0
    for at in (199.0, 240.0, 400.0):
        lag = t - at
        rf = 0.5 * np.exp(-0.5 * (lag / 5.0) ** 2) * np.cos(2.0 * np.pi * lag / 10.0)
        # The lobe half a period on: exp(-1/2), less the step of the baseline.
        assert opposite_swing((pulse + rf)[None]) == pytest.approx(math.exp(-0.5), abs=0.05)


def test_the_window_of_an_echo_may_reach_the_first_sample_and_no_further():
    trace = (echo(T_US, 0.2, 1.0) + echo(T_US, 20.0, 0.5))[None]
    for at, there in ((20.0, True), (19.0, False)):
        found = carrier_downshift(trace, np.array([at]), np.array([2000.0]), half_width=20)
        assert np.isfinite(found[0]) == there


def test_a_long_window_holds_the_same_carriers_as_a_short_one():
    """Two echoes in silence, at 10 and 8 MHz: what lies about them adds nothing."""
    time = np.arange(9000) * 0.01
    first, second = (
        np.exp(-0.5 * ((time - at) / 0.2) ** 2) * np.cos(2.0 * np.pi * mhz * (time - at))
        for at, mhz in ((22.0, 10.0), (67.0, 8.0))
    )
    at = np.array([2200.0]), np.array([6700.0])
    for half_width in (100, 400, 2000):
        found = carrier_downshift((first + second)[None], *at, half_width=half_width)
        assert found[0] == pytest.approx(0.2, abs=0.005)


def test_quiet_parts_are_told_by_quantiles_and_not_by_one_sample():
    """Half of the parts are narrow noise with one deep spike; the wide rest leans to one side."""
    rng = np.random.default_rng(6)
    parts = np.empty((4, 16, 400))
    parts[:, ::2] = rng.standard_normal((4, 8, 400))
    parts[:, 1::2] = -3.0 * rng.exponential(size=(4, 8, 400))
    parts[:, ::2, 200] = -1000.0
    leaning, _ = lean(parts.reshape(4, -1), 1.0, narrow=True)
    assert abs(leaning) < 0.05


# --- picking --------------------------------------------------------------------------------------


def test_a_lone_echo_of_the_template_needs_no_joint_fit(monkeypatch):
    """At whatever height over the noise: no more is left of it than noise leaves."""
    rng = np.random.default_rng(7)
    n = 60
    time = np.arange(768) * 0.01
    at = 4.0 + 0.01 * rng.random((n, 1))
    turn = rng.uniform(0.0, 2.0 * np.pi, (n, 1))
    rf = np.geomspace(10.0, 1000.0, n)[:, None] * echo(time, at, 1.0, turn)
    traces = et.condition((rf + rng.standard_normal(rf.shape)).astype(np.float32), pulse=PULSE)
    asked = []

    def none(rf, *rest, **more):
        asked.append(len(rf))
        raise AssertionError

    monkeypatch.setattr(overlap, "part_around", none)
    where = np.arange(n), np.rint(100.0 * at[:, 0]).astype(int)
    found = pick_echoes(traces, *where, picker="least_squares")
    single = pick_echoes(traces, *where, picker="matched_filter")
    np.testing.assert_array_equal(found.sample, single.sample)
    assert not asked


@pytest.mark.parametrize("sure", [True, False])
def test_a_fit_of_fewer_echoes_than_were_found_takes_none_away(monkeypatch, sure):
    """Three echoes stand apart; a fit that would have two leaves all three as they were."""
    time = np.arange(1200) * 0.01
    rf = sum(echo(time, at, 1.0, 0.0) for at in (4.0, 4.35, 4.7))
    rf = rf + 0.003 * np.random.default_rng(3).standard_normal(time.size)
    traces = et.condition(rf.astype(np.float32), pulse=PULSE)
    before = et.find_echoes(traces)
    n = int(before.count[0])
    assert n == 3

    original = crowded.part_around

    def fewer(rf, allowed, seeds, *rest, **more):
        found = original(rf, allowed, seeds, *rest, **more)
        return dataclasses.replace(
            found, count=np.array([2]), sure=np.array([sure]), least_apart=np.array([35.0])
        )

    monkeypatch.setattr(crowded, "part_around", fewer)
    after, told = crowded.part_echoes(traces, before, np.ones((1, n), bool))
    np.testing.assert_array_equal(after.count, before.count)
    np.testing.assert_array_equal(after.sample[:, :n], before.sample[:, :n])
    np.testing.assert_array_equal(after.delay_us[:, :n], before.delay_us[:, :n])
    np.testing.assert_array_equal(after.level_db[:, :n], before.level_db[:, :n])
    assert np.isnan(told.sample).all()
    assert told.unsure[0, :n].tolist() == [not sure] * n
    assert not told.as_stated.any()


def test_the_first_place_that_does_not_exist_is_refused():
    traces = et.condition(echo(T_US, 9.0, 1.0)[None].astype(np.float32), pulse=PULSE)
    assert pick_echoes(traces, np.array([0]), np.array([T_US.size - 1])).reason.tolist() == [2]
    for name, row, sample in (
        ("trace_idx", 1, 900),
        ("trace_idx", -1, 900),
        ("sample_idx", 0, 3000),
    ):
        with pytest.raises(ParameterError, match=f"{name} must lie between 0 and"):
            pick_echoes(traces, np.array([row]), np.array([sample]))


def test_a_template_may_be_sampled_at_either_end_of_the_range():
    k = np.arange(-20, 21)
    rf = tuple((np.exp(-0.5 * (k / 5.0) ** 2) * np.cos(1.5 * k)).tolist())
    for rate_hz in (1e4, 1e11):
        assert et.EchoTemplate(sampling_rate_hz=rate_hz, rf=rf).sampling_rate_hz == rate_hz
    for rate_hz in (0.999e4, 1.001e11):
        with pytest.raises(ParameterError, match="must lie between 1e4 and 1e11"):
            et.EchoTemplate(sampling_rate_hz=rate_hz, rf=rf)


# --- choice ---------------------------------------------------------------------------------------


def test_the_steps_look_as_deep_as_a_measurement_does():
    asked = et.Settings().picking.search_threshold_db
    for step in (choice_plan.choice_plan, choice.choose_in_gates, et.echoes_in_gates):
        assert inspect.signature(step).parameters["threshold_db"].default == asked


@pytest.mark.parametrize("n", [2, 3, 4])
def test_what_the_other_scans_say_is_a_plain_search_among_them(n):
    """The largest group within reach of one of them, two at least; its median is the middle."""
    rng = np.random.default_rng(n)
    spread = np.array([0.03])
    length = rng.choice([16.6, 16.65, 17.3, np.nan], (200, n, 1), p=[0.4, 0.2, 0.2, 0.2])
    length = length + 0.01 * rng.normal(size=length.shape)
    found = agreement_of(length, spread)
    told = 0
    for s, i in np.ndindex(200, n):
        rest = np.delete(length[s, :, 0], i)
        rest = np.sort(rest[np.isfinite(rest)])
        assert found.others[s, i, 0] == rest.size
        groups = [rest[np.abs(rest - x) <= AGREE_SPREADS * spread[0]] for x in rest]
        largest = max(groups, key=len, default=rest)
        if largest.size < 2:
            assert np.isnan(found.centre_mm[s, i, 0])
            continue
        told += 1
        assert found.centre_mm[s, i, 0] == pytest.approx(np.median(largest))
    assert (told > 50) == (n > 2)


def test_an_echo_between_is_as_much_a_rival_as_it_would_be_none_the_other_way_round():
    """By symmetry alone: even odds where as tall as the lower, and so much above as below."""
    eye = eye_target("phakic")
    plan = choice_plan.choice_plan(preset_gates(eye, "immersion"), eye, jointly=True)

    def rival(*level_db):
        n = len(level_db)
        level = np.array([level_db], np.float32)
        at, k = 10.0 + np.arange(n)[None], np.arange(n, dtype=np.int32)[None]
        echoes = Candidates(np.array([n], np.int32), 100 * k, at, level, level, 0 * level)
        return _Weigher(echoes, plan)._rival(0, n - 1)

    rng = np.random.default_rng(1)
    for lower, higher, off in zip(
        rng.uniform(20.0, 50.0, 40), rng.uniform(0.0, 20.0, 40), rng.uniform(0.0, 9.0, 40),
        strict=True,
    ):  # fmt: skip
        ends = (lower, lower + higher)
        both = [rival(ends[0], lower + x, ends[1]) for x in (off, -off)]
        assert sum(both) == pytest.approx(1.0, abs=1e-5)
        assert both[0] >= 0.5
        # Which of the two is the lower, what both lie above, and lesser ones between: no matter.
        assert rival(ends[1], lower + off, ends[0]) == pytest.approx(both[0], abs=1e-5)
        assert rival(ends[0] + 7.0, lower + off + 7.0, ends[1] + 7.0) == pytest.approx(
            both[0], abs=1e-5
        )
        assert rival(ends[0], lower - 9.0, lower + off, lower - 5.0, ends[1]) == both[0]
    # Half as tall in amplitude is none, twice as tall one wholly, and little less is not.
    twice = 20.0 * math.log10(2.0)
    assert rival(40.0, 40.0 - twice, 50.0) == 0.0
    assert rival(40.0, 40.0 + twice, 50.0) == 1.0
    assert 0.0 < rival(40.0, 40.2 - twice, 50.0) < 0.02
    assert 0.98 < rival(40.0, 39.8 + twice, 50.0) < 1.0
    assert rival(40.0, 50.0) == 0.0


def test_echoes_may_stand_before_the_retina_and_not_before_the_back_of_the_lens():
    """Opacities do, which are no rivals of it (common practice, no source)."""
    eye = eye_target("phakic")
    plan = choice_plan.choice_plan(preset_gates(eye, "immersion"), eye, jointly=True)
    clear = dict(zip(eye.interface_names, plan.gate[:, CLEAR_BEFORE] != 0.0, strict=True))
    assert clear["lens_back"]
    assert not clear["retina"]


def test_weights_of_the_joint_choice_end_at_a_thousand():
    for value in (0.0, 1000.0):
        assert JointChoiceSettings(prior=value).prior == value
    for value in (-1e-9, 1000.1):
        with pytest.raises(ParameterError, match="prior"):
            JointChoiceSettings(prior=value)


def test_agreement_is_the_log_ratio_of_two_densities():
    """Student's t with 3 degrees of freedom over the published normal; scipy's densities."""
    eye = eye_target("phakic")
    plan = choice_plan.choice_plan(preset_gates(eye, "immersion"), eye, jointly=True)
    at = np.array([[10.0, 10.67, 14.65, 19.53, 41.1, 41.9]])
    n, level = np.arange(6, dtype=np.int32)[None], np.full((1, 6), 60.0, np.float32)
    echoes = Candidates(np.array([6], np.int32), 100 * n, at, level, level - 60.0, 0 * level)
    weigh = _Weigher(echoes, plan)
    path = np.arange(6, dtype=np.int32)
    through = np.diff(at[0])
    for off, spread in ((0.0, 0.04), (0.1, 0.04), (1.0, 0.3), (-3.0, 0.05)):
        seen = EyeSeen(through + off, np.full(5, spread))
        wanted = 0.0
        for before, k in pairwise(range(6)):
            _, _, mean, weight = plan.pair[before, k, :4]
            if weight == 0.0:
                continue
            published = scipy.stats.norm(mean, math.sqrt(0.5 / weight)).pdf(through[before])
            sitting = scipy.stats.t(3, through[before] + off, spread).pdf(through[before])
            wanted += math.log(0.95 * sitting / published + 0.05)
        assert weigh.agreement(path, seen) == pytest.approx(wanted, rel=1e-9)


# --- lengths --------------------------------------------------------------------------------------


@pytest.mark.parametrize("hidden", [(), (1,)])
def test_noise_of_picks_counts_as_much_as_each_moves_the_length(hidden):
    """By moving each delay alone (JCGM 100:2008, 5.1.3), the usual cornea taken or measured."""
    eye = eye_target("phakic")
    delay = np.append(LE_GRAND_US, np.nan)
    delay[list(hidden)] = np.nan
    u_us = np.array([0.004, 0.006, 0.01, 0.02, 0.015, 0.0])

    def total(at):
        return float(measure_lengths(at[None], 0.0 * at[None], eye).total_mm[0])

    step = 1e-3 * np.eye(6)
    seen = [k for k in range(5) if k not in hidden]
    slopes = np.array([(total(delay + step[k]) - total(delay - step[k])) / 2e-3 for k in seen])
    found = measure_lengths(delay[None], u_us[None], eye)
    assert found.budget_mm["picks"][0] == pytest.approx(
        np.linalg.norm(slopes * u_us[seen]), rel=1e-6
    )


def test_an_average_speed_is_as_sure_as_the_two_in_use_agree():
    """Le Grand's eye read at 1550 and 1555 m/s, 24.1751 and 24.2531 mm: 78 µm, one uncertainty."""
    delay, nothing = np.append(LE_GRAND_US, np.nan)[None], np.zeros((1, 6))
    read = {
        speed: measure_lengths(
            delay, nothing, eye_target("phakic"),
            settings=LengthSettings(average_speed_m_per_s=speed),
        )
        for speed in (1550.0, 1555.0)
    }  # fmt: skip
    apart_mm = float(read[1555.0].total_mm[0] - read[1550.0].total_mm[0])
    assert read[1550.0].budget_mm["speed"][0] == pytest.approx(apart_mm, rel=1e-9)


# --- values in rows -------------------------------------------------------------------------------


@pytest.mark.parametrize("dtype", [np.int16, np.float32, np.float64])
@pytest.mark.parametrize("size", [1, 2, 7, 128, 513])
def test_medians_by_sorting_are_those_of_numpy(dtype, size):
    values = (300.0 * np.random.default_rng(size).normal(size=(5, 4, size))).astype(dtype)
    found, wanted = row_medians(values), np.median(values, axis=-1)
    assert found.dtype == wanted.dtype
    np.testing.assert_array_equal(found, wanted)


def test_columns_of_echoes_in_one_piece_of_memory_do_not_overlap():
    echoes = empty_candidates(7)
    columns = [getattr(echoes, item.name) for item in dataclasses.fields(echoes)]
    for k, column in enumerate(columns):
        assert column.flags.c_contiguous
        assert column.flags.aligned
        column[...] = k
    for k, column in enumerate(columns):
        np.testing.assert_array_equal(column, k)
