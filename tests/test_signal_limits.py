"""Where each rule of the signal's steps begins, on made-up input that stands just at either side.

Rules without a source are the project's own (common practice, no source).
"""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest
import scipy.fft
import scipy.optimize
import scipy.stats
from closed_form import SIGMA_US, echo

import echotrace as et
from echotrace.errors import ParameterError, RecordingError
from echotrace.kernels import evidence as kernel
from echotrace.media import medium
from echotrace.recording import Signal
from echotrace.signal import carrier, parting
from echotrace.signal import crowded as crowded_module
from echotrace.signal.agreement_of_scans import expected_spread_mm
from echotrace.signal.candidates import Candidates, search_plan
from echotrace.signal.carrier import echo_spectra
from echotrace.signal.choice_plan import choice_plan, run_choice
from echotrace.signal.conditioning import condition_noiseless
from echotrace.signal.crowded import ClosePair, close_pairs, crowded_echoes, part_echoes
from echotrace.signal.envelope import (
    analytic_signal,
    detect_envelope,
    quadrature_taps,
    smooth_envelope,
)
from echotrace.signal.gates import Gate, preset_gates
from echotrace.signal.joint_fit import JointFit, fit_echoes
from echotrace.signal.kind import check_kind, lean, noise_skewness, opposite_swing
from echotrace.signal.lengths import measure_lengths, plain_stack
from echotrace.signal.noise import lsb_noise, noise_curve
from echotrace.signal.parting import part_windows
from echotrace.signal.pickers import overlap
from echotrace.signal.pickers.onset import _akaike_raw
from echotrace.signal.pickers.windows import PickerSettings, PickReason, gather_windows
from echotrace.signal.picking import phase_shift_us
from echotrace.signal.pulse import (
    _over_noise,
    estimate_pulse,
    fast_length,
    fitting_in,
    gaussian_pulse,
)
from echotrace.signal.sitting_choice import EyeSeen, SittingPath, _held_to, path_of_the_sitting
from echotrace.target import eye_target

PULSE = gaussian_pulse(100e6, 10e6, 0.6)
WIDTH_US = 2.0 * math.sqrt(2.0 * math.log(2.0)) * SIGMA_US
T_US = np.arange(3000) * 0.01
# Of samples that are one up, one down, the median magnitude is one: as normal noise of 1.4826.
NOISE = 1.0 / 0.6745


def _flicker(n=3000):
    """Noise of which every quantile of the magnitude is known: +1, +1, -1, -1, …"""
    return np.where(np.arange(n) % 4 < 2, 1.0, -1.0)


# --- kind -----------------------------------------------------------------------------------------


def _bell(at, height=1.0, sigma=6.25, n=3000):
    return height * np.exp(-0.5 * ((np.arange(n) - at) / sigma) ** 2)


@pytest.mark.parametrize(
    ("share", "rf"), [(0.13, False), (0.145, False), (0.155, True), (0.2, True)]
)
def test_a_swing_of_0_15_parts_rf_from_envelopes(share, rf):
    """One lobe behind a bell, of that part of its height."""
    trace = (_bell(900) - share * _bell(925, sigma=3.0))[None]
    assert opposite_swing(trace) == pytest.approx(share, rel=0.02)
    for signal in ("rf", "envelope"):
        if (signal == "rf") == rf:
            check_kind(trace, signal, pulse_sample=14.7)
        else:
            with pytest.raises(RecordingError, match=f"signal='{signal}'"):
                check_kind(trace, signal, pulse_sample=14.7)


def test_peaks_of_twenty_decibels_tell_the_swing_and_lesser_ones_do_not():
    for height, told in ((10.3 * NOISE, True), (9.7 * NOISE, False)):
        trace = _flicker()
        trace[880:921] = _bell(900, height)[880:921] - 0.5 * _bell(915, height, 3.0)[880:921]
        assert math.isfinite(opposite_swing(trace[None])) == told
    # A twentieth of the tallest is the least; and the fourth tallest is the last that is looked at.
    for share, told in ((0.06, True), (0.04, False)):
        small = share * (_bell(1500) - 0.5 * _bell(1515, sigma=3.0))
        assert (opposite_swing((_bell(500) + small)[None]) > 0.3) == told
    for taller, told in ((3, True), (4, False)):
        trace = 0.5 * (_bell(2500) - 0.5 * _bell(2515, sigma=3.0))
        for k in range(taller):
            bell = _bell(300 + 500 * k, 1.0 - 0.05 * k)
            trace = trace + np.where(bell < 1e-3, 0.0, bell)
        assert (opposite_swing(trace[None]) > 0.3) == told


def _parts(values, seed=1):
    """Sixteen parts of the same values in another order: their moments without chance."""
    rng = np.random.default_rng(seed)
    return np.concatenate([rng.permutation(values) for _ in range(16)])


PLACES = (np.arange(400) + 0.5) / 400


@pytest.mark.parametrize(("skewness", "decibels"), [(-0.2, 0), (-0.24, 0), (-0.26, 1), (-0.4, 1)])
def test_an_envelope_whose_noise_has_a_low_tail_is_in_decibels(skewness, decibels):
    """Normal quantiles, of which the lowest hundredth lies lower: a quarter is the limit."""

    def values(depth):
        found = scipy.stats.norm.ppf(PLACES)
        found[:4] -= depth
        return found

    depth = scipy.optimize.brentq(lambda d: scipy.stats.skew(values(d)) - skewness, 0.0, 9.0)
    noise = 10.0 + _parts(values(depth))
    assert noise_skewness(noise[None], 5.0) == pytest.approx(skewness, abs=1e-6)
    noise[3000:3200] += _bell(100, 90.0, n=200)
    if decibels:
        with pytest.raises(RecordingError, match="decibels"):
            check_kind(noise[None], "envelope", pulse_sample=14.7)
    else:
        check_kind(noise[None], "envelope", pulse_sample=14.7)


@pytest.mark.parametrize(("leaning", "decibels"), [(-0.03, 0), (-0.044, 0), (-0.051, 1), (-0.1, 1)])
def test_noise_that_leans_low_is_in_decibels(leaning, decibels):
    """Mirrored gamma laws by their quantiles: half way between an envelope's and decibels'."""

    def wanted(k):
        low, middle, high = -scipy.stats.gamma.ppf([0.98, 0.5, 0.02], k)
        return (high + low - 2.0 * middle) / (high - low) - leaning

    k = scipy.optimize.brentq(wanted, 4.0, 4000.0)
    values = -scipy.stats.gamma.ppf((np.arange(4000) + 0.5) / 4000, k)
    values = (values - np.median(values)) / values.std()
    noise = _parts(values)
    assert lean(noise[None], 5.0)[0] == pytest.approx(leaning, abs=1e-3)
    noise[30000:30200] += 60.0 * echo(T_US[:200], 1.0, 1.0)
    if decibels:
        with pytest.raises(RecordingError, match="decibels"):
            check_kind(noise[None], "rf", pulse_sample=14.7)
    else:
        check_kind(noise[None], "rf", pulse_sample=14.7)


@pytest.mark.parametrize("levels", [15, 16, 17])
def test_sixteen_steps_of_a_converter_between_the_quantiles_are_enough(levels):
    values = np.tile(np.arange(levels + 1.0), 40)
    noise = np.tile(np.random.default_rng(1).permutation(values), 16)[None]
    assert math.isfinite(lean(noise, 5.0)[0]) == (levels >= 16)
    assert math.isfinite(noise_skewness(noise, 5.0)) == (levels >= 16)


@pytest.mark.parametrize(
    ("shape", "times", "refused"),
    [("bell", 1.55, False), ("bell", 1.65, True), ("round", 1.36, False), ("round", 1.44, True)],
)
def test_wide_echoes_are_decibels_where_they_are_rounded_off_too(shape, times, refused):
    """1.4 times the pulse and round as a parabola, or 1.6 times whatever the shape."""
    t = np.arange(3000) - 1500.0
    half = 0.5 * times * 14.7
    if shape == "bell":
        trace = np.exp(-math.log(2.0) * (t / half) ** 2)
    else:
        trace = np.maximum(1.0 - 0.5 * (t / half) ** 2, 0.0)
    if refused:
        with pytest.raises(RecordingError, match="times as wide"):
            check_kind(trace[None], "envelope", pulse_sample=14.7)
    else:
        check_kind(trace[None], "envelope", pulse_sample=14.7)


# --- carriers -------------------------------------------------------------------------------------


def _seen(trace, **more):
    known = {"sampling_rate_hz": 1e8, "pulse_us": PULSE.width_us} | more
    delay = known.pop("delay_us", T_US[: trace.size])
    centroid = echo_spectra(trace[None], np.zeros((1, trace.size), bool), delay, **known)[0]
    return int(np.isfinite(centroid).sum())


def test_an_echo_tells_its_carrier_from_26_decibels_over_noise_and_steps():
    for height, told in ((20.5, 1), (19.5, 0)):
        trace = _flicker()
        trace[860:941] = NOISE * height * echo(T_US, 9.0, 1.0)[860:941]
        assert _seen(trace) == told
        # Of one quarter the noise counts, wherever it is.
        quiet = np.where(T_US < 22.5, 1e-3, 1.0) * _flicker()
        quiet[860:941] = trace[860:941]
        assert _seen(quiet) == told
    for step, told in ((0.17, 1), (0.18, 0)):  # 20 steps / sqrt(12)
        assert _seen(echo(T_US, 9.0, 1.0), step=step) == told
    for share, seen in ((1.2e-3, 2), (0.8e-3, 1)):
        assert _seen(echo(T_US, 9.0, 1.0) + echo(T_US, 20.0, share)) == seen


def test_the_near_field_of_0_3_microseconds_is_left_out():
    for behind, seen in ((0.27, 0), (0.33, 1)):
        # Of an echo at its end the flank would be taken for one: all of it lies before or behind.
        trace = np.zeros(3000)
        trace[450 + round(100 * behind)] = 1.0
        assert _seen(trace, face_delay_us=4.5) == seen


def test_ten_peaks_are_looked_at_for_an_echo_that_tells():
    """Clipped ones are none, and are passed over; behind ten of them nothing more is looked for."""
    for n_clipped, seen in ((9, 1), (10, 0)):
        trace, clipped = 0.5 * echo(T_US, 29.0, 1.0), np.zeros((1, 3000), bool)
        for k in range(n_clipped):
            trace = trace + echo(T_US, 3.0 + 2.0 * k, 1.0)
            clipped[0, 300 + 200 * k] = True
        centroid, _ = echo_spectra(
            trace[None], clipped, T_US, sampling_rate_hz=1e8, pulse_us=PULSE.width_us
        )
        assert np.isfinite(centroid).sum() == seen


def test_as_much_of_an_echo_is_looked_at_as_its_pulse_and_eight_samples_at_least():
    """A sixteenth of the trace at most, as of a probe that is stated far too low."""
    for pulse_us, n, half in (
        (0.147, 3000, 15),
        (0.153, 3000, 15),
        (0.01, 3000, 8),
        (5.0, 3000, 187),
        (5.0, 100, 8),
    ):
        assert carrier._half_window(pulse_us, 1e8, n) == half


# --- crowded echoes -------------------------------------------------------------------------------


def _made(rng, n, m):
    at = np.sort(rng.uniform(5.0, 5.0 + 0.25 * m, (n, m)), axis=1)
    count = rng.integers(0, m + 1, n).astype(np.int32)
    level = rng.uniform(15.0, 60.0, (n, m)).astype(np.float32)
    bend = rng.normal(0.0, 0.15, (n, m)).astype(np.float32)
    return Candidates(count, (100 * at).astype(np.int32), at, level, level, bend)


@pytest.mark.parametrize("anatomy", [False, True])
def test_crowded_are_the_picks_of_a_pair_that_overlap_or_look_bent(anatomy):
    """The rule echo by echo: within 2.25 widths of another, or bent by 0.06 and four noises."""
    rng = np.random.default_rng(3)
    echoes, pairs = _made(rng, 300, 6), [ClosePair(0, 0.1), ClosePair(2, 0.0)]
    picks = np.full((300, 4), np.nan)
    for i, k in itertools.product(range(300), range(4)):
        if echoes.count[i] and rng.random() < 0.75:
            j = rng.integers(echoes.count[i])
            picks[i, k] = echoes.delay_us[i, j] + rng.choice([0.0, 0.01, -0.9, 0.9]) * WIDTH_US
    found = crowded_echoes(echoes, picks, pairs, PULSE, anatomy=anatomy)
    asked = np.zeros_like(found)
    for i in range(300):
        n = int(echoes.count[i])
        at, level = echoes.delay_us[i, :n], echoes.level_db[i, :n].astype(float)
        for pair in pairs:
            front = pair.front
            for k, other in ((front, front + 1), (front + 1, front)):
                if not n or np.isnan(picks[i, k]):
                    continue
                j = int(np.abs(at - picks[i, k]).argmin())
                if abs(at[j] - picks[i, k]) >= PULSE.width_us:
                    continue
                rest = np.delete(at, j)
                near = rest.size and np.abs(rest - at[j]).min() < 2.25 * PULSE.width_us
                bent = abs(echoes.broadening[i, j]) > max(0.06, 4.0 * 10.0 ** (-level[j] / 20.0))
                if anatomy:
                    bent = bent and np.isnan(picks[i, other])
                elif k == front:
                    bent = True  # a low echo on its flank bends it little
                asked[i, j] |= bool(near or bent)
            if not anatomy and n and np.isnan(picks[i, front : front + 2]).any():
                asked[i, :n] |= level >= level.max() - 30.0
    np.testing.assert_array_equal(found, asked)
    assert 0.05 < found.mean() < 0.95
    none = Candidates(*(x[:0] for x in (echoes.count, echoes.sample, echoes.delay_us)),
                      *(3 * [echoes.level_db[:0]]))  # fmt: skip
    assert crowded_echoes(none, picks[:0], pairs, PULSE, anatomy=anatomy).shape == (0, 0)


def test_a_gate_that_follows_another_leaves_its_pair_no_least_delay_of_its_own():
    """Only what two fixed gates of the user leave, or one relative to the other, is known."""
    eye = eye_target("phakic")
    front, back, *rest = preset_gates(eye, "immersion")
    fixed = Gate(interface=back.interface, start_us=12.0, stop_us=14.0)
    moving = Gate(interface=front.interface, start_us=8.0, stop_us=10.0, preset=False)
    (pair,) = close_pairs(eye, [front, fixed, *rest], PULSE, first_known=False)
    assert pair.least_us == 0.0  # a preset front may lie anywhere
    assert close_pairs(eye, [moving, fixed, *rest], PULSE, first_known=False) == ()
    lens, behind = rest[0], rest[1]
    follows = Gate(interface=lens.interface, start_us=3.0, stop_us=5.0, relative_to=front.interface)
    own = Gate(interface=behind.interface, start_us=18.0, stop_us=20.0)
    gates = [front, back, follows, own, *rest[2:]]
    pairs = close_pairs(eye, gates, PULSE, first_known=False)
    assert [(pair.front, pair.least_us) for pair in pairs] == [(1, 0.0), (2, 0.0)]
    # A pair without one of its gates is none, and no reason to look no further.
    pairs = close_pairs(eye, gates[1:], PULSE, first_known=False)
    assert [pair.front for pair in pairs] == [1, 2]


def _traces(*rows, noise=0.01, seed=1, n=1200):
    """Traces of echoes (µs, height, radians) in white noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(n) * 0.01
    rf = noise * rng.standard_normal((len(rows), n))
    for trace, row in zip(rf, rows, strict=True):
        for at, height, turn in row:
            trace += echo(t, at, height, turn)
    return et.condition(rf.astype(np.float32), pulse=PULSE)


def test_parted_echoes_carry_their_covariance_to_the_echoes_behind():
    """By Fisher's information of closed forms: places, what they share, heights over the noise."""
    rows = [
        [(3.0, 0.5, 0.0), (5.0, 1.0, 0.3), (5.16, 0.7, 2.0), (8.0, 0.6, 0.0)],
        [(5.0, 1.0, 0.3), (5.16, 0.7, 2.0), (5.37, 0.9, 4.0), (9.0, 0.3, 1.0)],
    ]
    traces = _traces(*rows)
    echoes = et.find_echoes(traces, threshold_db=22.0)
    asked = np.abs(echoes.delay_us - 5.2) < 0.5
    parted, crowded = part_echoes(traces, echoes, asked)
    assert parted.count.tolist() == [4, 4]
    t = np.arange(1200) * 0.01
    for i, row in enumerate(rows):
        truth = np.array([at for at, _, _ in row])
        np.testing.assert_allclose(parted.delay_us[i], truth, atol=0.012)
        np.testing.assert_allclose(parted.sample[i], 100.0 * truth, atol=1.6)
        np.testing.assert_allclose(
            parted.level_db[i],
            [20.0 * math.log10(h / traces.matched_noise[i]) for _, h, _ in row],
            atol=0.5,
        )
        close = [k for k, (at, _, _) in enumerate(row) if abs(at - 5.2) < 0.5]
        first, m = close[0], len(close)
        assert np.isnan(np.delete(crowded.sample[i], close)).all()
        np.testing.assert_allclose(crowded.sample[i, close], 100.0 * parted.delay_us[i, close])
        np.testing.assert_array_equal(parted.broadening[i, close], 0.0)
        assert len(set(parted.before_db[i, close].tolist())) == 1
        assert not crowded.unsure[i].any()
        np.testing.assert_array_equal(crowded.as_stated[i], np.isin(range(4), close))
        values = np.array(row)[close].ravel()

        def made(x):
            return sum(echo(t, *x[k : k + 3]) for k in range(0, x.size, 3))

        step = 1e-5 * np.eye(values.size)
        slope = np.array([made(values + h) - made(values - h) for h in step]) / 2e-5
        bound = np.linalg.inv(slope @ slope.T)[::3, ::3] * (0.01 * 100.0) ** 2
        for k in range(m):
            shared = crowded.with_following[i, first + k]
            assert shared[0] == pytest.approx(crowded.u_sample[i, first + k] ** 2)
            np.testing.assert_allclose(
                shared[: m - k] / shared[0], bound[k, k:] / bound[k, k], rtol=0.1, atol=0.05
            )
            # The noise is read off the trace itself.
            assert 0.7 < shared[0] / bound[k, k] < 1.8
            assert np.isnan(shared[m - k :]).all()
    # A lone echo further on, and a row of more than eight, leave those before them in place.
    every, fits = part_echoes(traces, echoes, np.ones(asked.shape, bool))
    np.testing.assert_allclose(fits.sample[0], crowded.sample[0])
    np.testing.assert_allclose(every.delay_us, parted.delay_us)
    row = [(3.0, 1.0, 0.0), (3.16, 0.7, 2.0), *((6.0 + 0.36 * k, 0.8, 0.5 * k) for k in range(9))]
    crowd = _traces(row)
    found = et.find_echoes(crowd, threshold_db=22.0)
    _, fits = part_echoes(crowd, found, np.ones(found.sample.shape, bool))
    np.testing.assert_allclose(fits.sample[0, :2], [300.0, 316.0], atol=1.0)
    assert fits.unsure[0, 2:].all()
    # What was not asked stays as it was.
    same, nothing = part_echoes(traces, echoes, asked & False)
    np.testing.assert_array_equal(same.delay_us, echoes.delay_us)
    assert np.isnan(nothing.sample).all()
    assert not nothing.unsure.any()


def test_echoes_that_an_end_cuts_into_are_fitted_by_what_is_there():
    """At either end of a trace, without noise, and beside samples that are marked as clipped."""
    t = np.arange(1200) * 0.01
    for at in ([0.07, 0.26], [11.69, 11.92]):
        rf = (echo(t, at[0], 1.0, 0.5) + echo(t, at[1], 0.8, 2.0)).astype(np.float32)
        rf = rf + np.float32(1e-4) * np.random.default_rng(1).standard_normal(1200, np.float32)
        clipped = np.zeros((1, 1200), bool)
        near = round(100.0 * np.mean(at))
        clipped[0, near - 2 : near + 2] = True
        spoilt = rf.copy()
        spoilt[near - 2 : near + 2] = 3.0
        traces = et.condition(spoilt[None], clipped, pulse=PULSE)
        place = np.array([at])
        level = np.full((1, 2), 70.0, np.float32)
        echoes = Candidates(np.array([2], np.int32), (100 * place).astype(np.int32), place, level,
                            level, 0 * level)  # fmt: skip
        _, crowded = part_echoes(traces, echoes, np.ones((1, 2), bool))
        np.testing.assert_allclose(crowded.sample[0], 100.0 * place[0], atol=0.03)


def test_what_is_parted_says_whether_its_pulse_is_the_template():
    """One echo or two of the template, or of pulses a sixth shorter, in closed form."""
    t = np.arange(160) * 0.01
    rng = np.random.default_rng(5)
    for sigma, shaped in ((SIGMA_US, False), (0.85 * SIGMA_US, True)):
        for count in (1, 2):
            rf = echo(t, 0.6, 1.0, 0.4, sigma=sigma)
            if count == 2:
                rf = rf + echo(t, 0.6 + 1.4 * WIDTH_US, 0.7, 2.0, sigma=sigma)
            rf = rf + 0.004 * rng.standard_normal(160)
            found = part_windows(
                rf[None], np.ones((1, 160), bool), np.array([[60.0]]), np.array([0.004]), PULSE
            )
            assert (found.count[0], found.shaped[0]) == (count, shaped)
            assert found.sure[0] or shaped
            places = [60.0, 60.0 + 140.0 * WIDTH_US][:count]
            np.testing.assert_allclose(found.sample[0, :count], places, atol=0.15)
            assert np.isnan(found.sample[0, count:]).all()
            if count == 2:
                assert found.least_apart[0] == np.diff(found.sample[0, :2])[0]


def test_least_distance_is_that_of_the_fit_that_was_chosen():
    """A third echo that might be there, but not on very strong evidence, has no say."""
    t = np.arange(160) * 0.01
    rng = np.random.default_rng(8)
    heights = np.linspace(0.02, 0.04, 6)[:, None]
    rf = echo(t, 0.6, 1.0, 0.4) + echo(t, 0.82, 0.7, 2.0) + echo(t, 1.0, heights, 1.0)
    rf = rf + 0.01 * rng.standard_normal(rf.shape)
    seeds, noise = np.full((6, 1), 60.0), np.full(6, 0.01)
    found = part_windows(rf, np.ones(rf.shape, bool), seeds, noise, PULSE)
    assert (found.count == 2).any()
    for apart, places, n in zip(found.least_apart, found.sample, found.count, strict=True):
        assert apart == np.diff(places[:n]).min()


def test_models_are_weighed_by_schwarzs_criterion_at_the_variance_of_the_richest():
    """Rest over variance plus numbers times log samples; what is beyond noise is nobody's fault."""
    samples, levels = np.array([100, 60]), np.array([[0.1, 0.1], [0.2, 0.2]])
    rests, numbers = np.array([[9.0, 30.0], [5.0, 2.0]]), (3, 9)
    trials = [
        parting._Trial(
            1,
            False,
            JointFit(
                sample=np.zeros((2, 1)), height=np.zeros((2, 1), complex), rest=rest,
                covariance=np.zeros((2, 1, 1)), converged=np.ones(2, bool), numbers=number,
            ),
            np.arange(2),
        )
        for rest, number in zip(rests, numbers, strict=True)
    ]  # fmt: skip
    for i in range(2):
        least = min(
            0.1**2
            + max(
                rest[i] / (samples[i] - number)
                - 0.2**2 * (1.0 + 2.0 * math.sqrt(2.0 / (samples[i] - number))),
                0.0,
            )
            for rest, number in zip(rests, numbers, strict=True)
        )
        wanted = [
            rest[i] / least + number * math.log(samples[i])
            for rest, number in zip(rests, numbers, strict=True)
        ]
        np.testing.assert_allclose(parting._costs(trials, samples, levels)[:, i], wanted)


def _chosen(rest, *, apart=20.0, bent_apart=None, converged=True, height=1.0):
    """What is chosen of one and two echoes, of the template and bent, that leave so much.

    A window of a hundred samples with noise of one: costs are the rests and 4.6 for each number.
    Each place is known to one sample.
    """
    trials = []
    for (echoes, shaped), left in rest.items():
        distance = bent_apart if shaped and bent_apart is not None else apart
        fit = JointFit(
            sample=40.0 + distance * np.arange(echoes)[None],
            height=np.full((1, echoes), height + 0j),
            rest=np.array([left]),
            covariance=np.eye(echoes)[None],
            converged=np.array([converged]),
            numbers=3 * echoes + 3 * shaped,
        )
        trials.append(parting._Trial(echoes, shaped, fit, np.arange(1)))
    samples, levels = np.array([100]), np.ones((2, 1))
    found = parting.Parted(
        count=np.zeros(1, int),
        shaped=np.zeros(1, bool),
        sure=np.zeros(1, bool),
        least_apart=np.full(1, np.nan),
        sample=np.full((1, 8), np.nan),
        height=np.full((1, 8), np.nan),
        covariance=np.full((1, 8, 8), np.nan),
    )
    cost = parting._costs(trials, samples, levels)
    parting._choose(trials, cost, samples, levels, 14.7, np.arange(1), found)
    return int(found.count[0]), bool(found.shaped[0]), bool(found.sure[0]), found.least_apart[0]


def test_another_echo_needs_evidence_of_16_and_its_place_three_uncertainties():
    one, bent, two, bent_two = (1, False), (1, True), (2, False), (2, True)
    log = math.log(100.0)
    usual = {one: 900.0, bent: 800.0, two: 50.0, bent_two: 49.0}
    assert _chosen(usual) == (2, False, True, 20.0)
    # Against one bent echo, of as many numbers, and one of the template, of three fewer.
    for more, sure in ((16.1, True), (15.9, False)):
        assert _chosen(usual | {bent: 50.0 + more})[:3] == ((2, False, True) if sure else
                                                            (1, True, False))  # fmt: skip
        found = _chosen(usual | {one: 50.0 + 3.0 * log + more})
        assert found[:3] == ((2, False, True) if sure else (1, False, False))
    # Three standard uncertainties of the distance, which is sqrt(2).
    for apart, sure in ((3.05, True), (2.95, False)):
        assert _chosen(usual, apart=apart * math.sqrt(2.0))[2] == sure
    assert not _chosen(usual, converged=False)[2]
    # Nearer than a width no shape may fit better by chi-squared of three, or move them by four.
    for apart, gain, sure in ((10.0, 7.7, True), (10.0, 7.9, False), (14.8, 7.9, True)):
        assert _chosen(usual | {bent_two: 50.0 - gain}, apart=apart)[2] == sure
    for apart, moved, sure in ((10.0, 3.9, True), (10.0, 4.1, False), (14.8, 4.1, True)):
        other = apart + moved * math.sqrt(2.0)
        assert _chosen(usual, apart=apart, bent_apart=other)[2] == sure
    # One bent echo is sure where no two, bent or not, come within 16 of it.
    lone = {one: 900.0, bent: 50.0, two: 300.0, bent_two: 300.0}
    assert _chosen(lone)[:3] == (1, True, True)
    assert _chosen(lone)[3] == 20.0
    for off, sure in ((16.1, True), (15.9, False)):
        assert _chosen(lone | {two: 50.0 + off})[2] == sure
        assert _chosen(lone | {bent_two: 50.0 - 3.0 * log + off})[2] == sure
    # Two bent ones need only fit no better than three: of the template they would need 16.
    assert _chosen({**lone, bent: 900.0, two: 900.0, bent_two: 50.0})[:2] == (2, True)


@pytest.mark.parametrize(("variance", "sure"), [(8.6, True), (9.4, False)])
def test_what_is_left_beyond_the_noise_may_be_three_times_as_much(variance, sure):
    """Of echoes so low that a twentieth of them is less than that."""
    left = 100 - 6
    two = left * (variance + 2.0 * math.sqrt(2.0 / left))
    rest = {(1, False): 9000.0, (1, True): 8000.0, (2, False): two, (2, True): two}
    assert _chosen(rest, height=20.0)[:3] == (2, False, sure)
    assert _chosen(rest, height=70.0)[2]  # a twentieth is 3.5


def test_all_noise_of_a_sample_is_no_less_than_what_an_echo_feels_of_it():
    """Left out, the same, or said to be half as much: one answer, where it looks again too."""
    t = np.arange(260) * 0.01
    rf = sum(echo(t, 1.0 + 0.2 * k, 0.9**k, 1.0 * k) for k in range(3))
    rf = (rf + 0.01 * np.random.default_rng(3).standard_normal(260))[None]
    used, seeds, noise = np.ones(rf.shape, bool), np.array([[100.0]]), np.array([0.01])
    found = [
        parting.part_around(rf, used, seeds, noise, PULSE, **given)
        for given in ({}, {"total_noise": noise}, {"total_noise": 0.5 * noise})
    ]
    np.testing.assert_allclose(found[0].sample[0, :3], [100.0, 120.0, 140.0], atol=0.4)
    for other in found[1:]:
        for item in dataclasses.fields(other):
            np.testing.assert_array_equal(getattr(other, item.name), getattr(found[0], item.name))


def test_windows_of_fifteen_samples_tell_nothing():
    t = np.arange(160) * 0.01
    rf = echo(t, [[0.8], [0.8]], 1.0)
    used = np.zeros(rf.shape, bool)
    used[0, 72:87] = used[1, 72:88] = True
    found = part_windows(rf, used, np.full((2, 1), 80.0), np.full(2, 0.01), PULSE)
    assert found.count.tolist() == [0, 1]
    assert not found.sure[0]


def test_what_was_found_with_the_echoes_behind_leaves_those_before_in_place(monkeypatch):
    """The fit of the last of three groups finds the middle one as well: the first stays fitted."""
    traces = _traces([(4.0, 1.0, 0.0), (4.17, 0.8, 1.0), (6.0, 0.9, 0.0), (6.6, 0.9, 0.0)])
    echoes = et.find_echoes(traces, threshold_db=30.0)
    at = echoes.delay_us[0, : echoes.count[0]]
    original = crowded_module.part_around

    def wider(rf, allowed, seeds, *rest, **more):
        found = original(rf, allowed, seeds, *rest, **more)
        last = found.sample[-1, 0]
        found.count[-1] = 2
        found.sample[-1, :2] = last - 60.0, last
        found.height[-1, :2] = 0.9
        found.covariance[-1, :2, :2] = np.diag([4e-4, 4e-4])
        found.sure[-1] = True
        return found

    monkeypatch.setattr(crowded_module, "part_around", wider)
    parted, crowded = part_echoes(traces, echoes, np.ones((1, at.size), bool))
    assert parted.count[0] == 4
    np.testing.assert_allclose(crowded.sample[0, :4], [400.0, 417.0, 600.0, 660.0], atol=0.3)
    np.testing.assert_allclose(crowded.u_sample[0, 2:4], 0.02)


def test_of_an_echo_beyond_its_window_a_fit_goes_no_further_than_0_7_widths():
    t = np.arange(120) * 0.01
    most = 0.7 * 100.0 * WIDTH_US
    for beyond, found in ((7.0, True), (16.0, False)):
        for at in (-beyond, 119.0 + beyond):
            used = np.ones((1, 120), bool)
            fit = fit_echoes(echo(t, 0.01 * at, 1.0)[None], used, np.clip([[at]], -5, 124), PULSE)
            assert fit.converged[0] == found
            if found:
                assert fit.sample[0, 0] == pytest.approx(at, abs=0.05)
            else:
                end = -most if at < 0.0 else 119.0 + most
                assert fit.sample[0, 0] == pytest.approx(end, abs=0.1)
    assert parting.reach_samples(PULSE) == math.ceil(6.0 * 100.0 * WIDTH_US) + 1


def test_a_least_rise_keeps_silence_finite_for_akaikes_onset():
    """Without any noise the quiet part counts as 60 dB below the echo, by numpy's variances."""
    rf = echo(np.arange(700) * 0.01, 3.503, 1.0, 0.7)[None].astype(np.float32)
    windows = gather_windows(et.condition(rf, pulse=PULSE), np.array([0]), np.array([350]))
    row, envelope = windows.rf[0], windows.envelope[0]
    peak = int(envelope.argmax())
    floor = (1e-3 * envelope.max()) ** 2
    aic = np.full(peak + 1, np.inf)
    for k in range(8, peak - 3):
        first, rest = row[: k + 1], row[k + 1 : peak + 1]
        aic[k] = first.size * math.log(first.var() + floor)
        aic[k] += (rest.size - 1) * math.log(rest.var() + floor)
    column, _ = _akaike_raw(windows)
    assert abs(column[0] - (aic.argmin() + 1.0)) <= 0.5


def _asked(monkeypatch, rf, at, **settings):
    """What the least-squares picker asks to be parted, and its picks."""
    asked = []
    original = overlap.part_around

    def recorded(rf, allowed, seeds, noise, pulse, *, total_noise):
        asked.append((rf, seeds, noise, total_noise))
        return original(rf, allowed, seeds, noise, pulse, total_noise=total_noise)

    monkeypatch.setattr(overlap, "part_around", recorded)
    traces = et.condition(rf.astype(np.float32), pulse=PULSE)
    picks = et.pick_echoes(
        traces, np.arange(len(rf)), np.full(len(rf), at), picker="least_squares",
        settings=PickerSettings(**settings),
    )  # fmt: skip
    monkeypatch.setattr(overlap, "part_around", original)
    return asked, picks, traces


def test_least_squares_looks_within_2_5_widths_for_a_fiftieth_or_14_decibels(monkeypatch):
    """What is left when the echo is taken out: elsewhere, or of less, nothing is parted."""
    t = np.arange(1000) * 0.01
    quiet = 1e-5 * np.random.default_rng(1).standard_normal((1, 1000))

    def second(widths, height, noise=quiet):
        return echo(t, 5.0, 1.0) + echo(t, 5.0 + widths * WIDTH_US, height, 1.0) + noise

    for widths, height, parted in (
        (1.5, 0.03, True),
        (1.5, 0.014, False),
        (2.2, 0.5, True),
        # Whose skirt, of sqrt(2) the pulse's width in the matched output, reaches so near or not.
        (4.0, 1.0, True),
        (4.7, 1.0, False),
    ):
        assert bool(_asked(monkeypatch, second(widths, height), 500)[0]) == parted
    # The level over the noise: 14 dB and what the settings say. A tall echo of noise known.
    noise = np.random.default_rng(2).standard_normal((1, 1000))
    level = 0.01 / math.sqrt(PULSE.energy / 2.0)
    for over_db, parted in ((17.5, True), (10.0, False)):
        trace = second(1.5, level * 10.0 ** (over_db / 20.0), 0.01 * noise)
        assert bool(_asked(monkeypatch, trace, 500)[0]) == parted
        other = 12.0 if not parted else 24.0
        trace = second(1.5, level * 10.0 ** ((14.0 if parted else 16.0) / 20.0), 0.01 * noise)
        found = bool(_asked(monkeypatch, trace, 500, overlap_threshold_db=other)[0])
        assert found == (not parted)


def test_least_squares_begins_with_the_crests_that_reach_into_one_another(monkeypatch):
    """Each three widths from the next at most, a tenth of the first's height, none twice."""
    t = np.arange(1000) * 0.01
    noise = 0.002 * np.random.default_rng(3).standard_normal((1, 1000))
    at = 5.0 + WIDTH_US * np.array([0.0, 2.1, 4.9, -2.8])
    height = (1.0, 0.6, 0.4, 0.3)
    rf = noise + sum(echo(t, x, h, k) for k, (x, h) in enumerate(zip(at, height, strict=True)))
    rf = rf + echo(t, 5.0 - 6.5 * WIDTH_US, 0.5)  # too far off
    ((windows, seeds, stated, total),), picks, traces = _asked(monkeypatch, rf, 500)
    first = 500 - math.ceil(8.0 * 100.0 * WIDTH_US)
    found = np.sort(seeds[0, np.isfinite(seeds[0])]) + first
    np.testing.assert_allclose(found, np.sort(100.0 * at), atol=2.5)
    assert windows.shape == (1, 118 + 74 + 1)
    # Noise of a sample: what the window holds, and what the matched filter leaves of it.
    assert total[0] == pytest.approx(np.median(np.abs(windows[0, :118])) / 0.6745)
    scale = math.sqrt(PULSE.energy / 2.0)
    assert stated[0] >= 0.99 * scale * traces.noise.matched.at(np.array([0]), np.array([500]))[0]
    assert picks.sample[0] == pytest.approx(500.0, abs=0.05)
    # A crest of less than a tenth is none.
    low = noise + echo(t, 5.0, 1.0) + echo(t, 5.0 + 2.1 * WIDTH_US, 0.5, 1.0)
    for share, n in ((0.12, 3), (0.08, 2)):
        trace = low + echo(t, 5.0 - 2.3 * WIDTH_US, share, 2.0)
        ((_, seeds, _, _),), _, _ = _asked(monkeypatch, trace, 500)
        assert np.isfinite(seeds[0]).sum() == n


def test_a_leg_of_the_eye_is_its_segments_added_up():
    """Delays add up, independent spreads by their squares; of what is not known nothing is said."""
    seen = EyeSeen(np.array([0.7, 4.0, np.nan, 21.0]), np.array([0.03, 0.04, np.nan, 0.1]))
    assert seen.leg(0, 1) == pytest.approx((0.7, 0.03))
    assert seen.leg(0, 2) == pytest.approx((4.7, 0.05))
    assert seen.leg(3, 4) == pytest.approx((21.0, 0.1))
    assert math.isnan(seen.leg(1, 3)[0])
    path = SittingPath.as_measured(np.array([10.0, np.nan, 14.6]))
    assert path.candidate.tolist() == [0, -1, 0]
    assert np.isnan(path.margin).all()
    assert math.isnan(path.lead_nats)
    assert math.isnan(path.loss_nats)
    at = np.array([[10.02, 12.0, 14.59, 99.0]])
    level = np.full((1, 4), 50.0, np.float32)
    echoes = Candidates(np.array([3], np.int32), np.zeros((1, 4), np.int32), at, level, level,
                        level)  # fmt: skip
    chosen = path.choice(echoes)
    assert chosen.candidate.tolist() == [[0, -1, 2]]
    assert chosen.reason.tolist() == [[0, 6, 0]]


# --- plans ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("state", ["phakic", "aphakic", "pseudophakic"])
def test_the_plan_of_a_choice_holds_what_is_published_of_the_segments(state):
    """2 L / v added up along the beam, variances added, weights of a normal law: 1 / (2 s²)."""
    material = "acrylic" if state == "pseudophakic" else "none"
    eye = eye_target(state, lens_material=material)
    plan = choice_plan(preset_gates(eye, "immersion"), eye, jointly=True)
    low, high, mean, sd = (
        np.array([2e3 * value(s) / s.medium.speed_m_per_s for s in eye.segments])
        for value in (
            lambda s: s.range_mm[0],
            lambda s: s.range_mm[1],
            lambda s: s.mean_mm,
            lambda s: s.sd_mm,
        )
    )
    skip = [0.5 if item.optional else 6.0 for item in eye.interfaces]
    n = len(eye.interfaces)
    for i, j in itertools.combinations(range(n), 2):
        legs = slice(i, j)
        wanted = [
            low[legs].sum(),
            high[legs].sum(),
            mean[legs].sum(),
            0.5 / np.sum(sd[legs] ** 2),
            sum(skip[i + 1 : j]),
        ]
        np.testing.assert_allclose(plan.pair[i, j], wanted, rtol=1e-12)
    for k, item in enumerate(eye.interfaces):
        row = plan.gate[k]
        assert row[kernel.LEAD] == pytest.approx(sum(skip[:k]))
        assert row[kernel.TAIL] == pytest.approx(sum(skip[k + 1 :]))
        assert row[kernel.EARLIEST_US] == pytest.approx(low[:k].sum())
        assert row[kernel.FIRST_RISE] == item.first_rise
        if k < n - 1:
            assert row[kernel.WALL_US] == pytest.approx(high[k])
        assert row[kernel.THRESHOLD_DB] == 13.0
        assert not row[kernel.BINDS]


def test_what_a_sitting_says_takes_the_place_of_what_is_published():
    """Means added up, a normal law of its spread, a window of three; but for a gate that binds."""
    eye = eye_target("phakic")
    seen = EyeSeen(
        np.array([0.7, 4.0, np.nan, 21.0, np.nan]), np.array([0.03, 0.04, np.nan, 0.1, np.nan])
    )
    own = Gate(interface="lens_front", start_us=14.0, stop_us=16.0)
    gates = [gate for gate in preset_gates(eye, "immersion") if gate.interface != "lens_front"]
    for binds in (False, True):
        given = [*gates, own] if binds else preset_gates(eye, "immersion")
        plan = choice_plan(given, eye, jointly=True)
        held = _held_to(plan, seen)
        for i, j in itertools.combinations(range(6), 2):
            mean = seen.centre_us[i:j].sum()
            spread = math.sqrt(np.sum(seen.spread_us[i:j] ** 2))
            wanted = plan.pair[i, j]
            if math.isfinite(mean) and not (binds and eye.interfaces[j].name == "lens_front"):
                wanted = [mean - 3.0 * spread, mean + 3.0 * spread, mean, 0.5 / spread**2]
                wanted = [*wanted, plan.pair[i, j, 4]]
            np.testing.assert_allclose(held.pair[i, j], wanted, rtol=1e-12)
        np.testing.assert_array_equal(held.gate, plan.gate)


def test_a_path_must_agree_in_every_segment_of_which_something_is_said():
    """Of a scan without the back of its cornea nothing is known of two segments: it cannot."""
    eye = eye_target("phakic")
    plan = choice_plan(preset_gates(eye, "immersion"), eye, jointly=True)
    at = np.array([[10.0, 14.65, 19.53, 38.0, 41.19]])  # one too many behind the lens
    n, level = np.arange(5, dtype=np.int32)[None], np.full((1, 5), 60.0, np.float32)
    echoes = Candidates(np.array([5], np.int32), 100 * n, at, level, level - 60, 0 * level)
    assert run_choice(plan, echoes)[0].tolist() == [[0, -1, 1, 2, 4, -1]]
    said = np.array([0.67, 3.98, 4.88, 18.47, np.nan])
    assert path_of_the_sitting(echoes, plan, EyeSeen(said, np.full(5, 0.05))) is None
    said[:2] = np.nan
    found = path_of_the_sitting(echoes, plan, EyeSeen(said, np.full(5, 0.05)))
    assert found.candidate.tolist() == [0, -1, 1, 2, 3, -1]


def test_fractions_of_gates_lie_between_nothing_and_the_tallest():
    for fraction in (0.0, 0.99):
        gate = Gate(interface="retina", start_us=1.0, stop_us=2.0, threshold_fraction=fraction)
        assert gate.threshold_fraction == fraction
    for fraction in (-0.01, 1.0):
        with pytest.raises(ParameterError, match="threshold_fraction"):
            Gate(interface="retina", start_us=1.0, stop_us=2.0, threshold_fraction=fraction)
    for level in (6.0, 80.0):
        assert (
            Gate(interface="r", start_us=1.0, stop_us=2.0, threshold_db=level).threshold_db == level
        )
    for level in (5.9, 80.1):
        with pytest.raises(ParameterError, match="threshold_db"):
            Gate(interface="r", start_us=1.0, stop_us=2.0, threshold_db=level)
    with pytest.raises(ParameterError, match="must be more than"):
        Gate(interface="r", start_us=2.0, stop_us=2.0)


def test_what_settings_leave_out_means_what_it_meant_in_older_files():
    """Half of the height, 10 dB below the tallest, 14 dB over the noise (common practice)."""
    assert PickerSettings() == PickerSettings(
        edge_fraction=0.5, edge_level_db=-10.0, overlap_threshold_db=14.0
    )


def test_reasons_have_the_numbers_that_files_of_all_versions_hold():
    names = ["FOUND", "NO_ECHO", "AT_THE_EDGE", "LEVEL_NOT_REACHED", "NO_RISE",
             "REFERENCE_MISSING", "LEFT_OUT"]  # fmt: skip
    assert {reason.name: int(reason) for reason in PickReason} == dict(
        zip(names, range(7), strict=True)
    )


@pytest.mark.parametrize("method", ["contact", "immersion", "other"])
def test_preset_gates_are_the_published_ranges_to_a_nanosecond(method):
    """2 L / v of what lies between; a bath of 2.5 to 20 mm of saline (common practice)."""
    eye = eye_target("phakic")
    names, reference = list(eye.interface_names), 0
    wanted = {}
    if method == "immersion":
        speed = medium("saline").speed_at(30.0)
        wanted[names[0]] = (5e3 / speed, 40e3 / speed, "")
    for k in range(1, len(names)):
        legs = eye.segments[reference:k]
        ends = [sum(2e3 * s.range_mm[e] / s.medium.speed_m_per_s for s in legs) for e in (0, 1)]
        if not (method == "contact" and k == 1):
            wanted[names[k]] = (*ends, names[reference])
        reference = reference if eye.interfaces[k].optional else k
    gates = preset_gates(eye, method)
    assert [gate.interface for gate in gates] == list(wanted)
    for gate in gates:
        low, high, relative = wanted[gate.interface]
        assert (gate.start_us, gate.stop_us) == pytest.approx((low, high), abs=5.01e-4)
        assert gate.relative_to == relative
        assert gate.preset
        first = gate.interface == "retina"
        bath = method == "immersion" and gate.interface == names[0]
        assert gate.select == ("first" if first or bath else "largest")
        assert gate.threshold_fraction == (0.1 if bath else 0.03 if first else 0.0)


def test_a_gate_of_the_user_takes_the_place_of_what_is_published():
    eye = eye_target("phakic")
    gates = [gate for gate in preset_gates(eye, "immersion") if gate.interface != "retina"]
    own = Gate(interface="retina", start_us=20.0, stop_us=33.0, relative_to="lens_back",
               threshold_db=17.0, threshold_fraction=0.1, select="first")  # fmt: skip
    plan = choice_plan([*gates, own], eye, jointly=True, threshold_db=14.0)
    k, back = eye.index("retina"), eye.index("lens_back")
    row = plan.gate[k]
    assert row[[kernel.LOW_US, kernel.HIGH_US]].tolist() == [20.0, 33.0]
    assert row[kernel.THRESHOLD_DB] == 17.0
    assert row[kernel.FRACTION_DB] == pytest.approx(-20.0)
    assert row[kernel.RELATIVE_TO] == back
    assert row[kernel.BINDS]
    assert row[kernel.TAKE_FIRST]
    assert row[kernel.EARLIEST_US] == -np.inf
    assert row[kernel.LEAD] == np.inf  # never first: it follows a pick
    assert plan.pair[back, k, :4].tolist() == [20.0, 33.0, 0.0, 0.0]
    assert (plan.pair[:back, k, 0] == np.inf).all()
    assert plan.pair[back + 1 : k, k, :4].tolist() == []
    assert plan.gate[back, kernel.THRESHOLD_DB] == 14.0
    # Behind a face whose delay is known a relative gate is an absolute one.
    at = Gate(interface="lens_front", start_us=1.5, stop_us=4.0, relative_to="cornea_front")
    plan = choice_plan([at], eye, jointly=True, first_us=1.25)
    row = plan.gate[eye.index("lens_front")]
    assert row[[kernel.LOW_US, kernel.HIGH_US, kernel.RELATIVE_TO]].tolist() == [2.75, 5.25, -1.0]
    assert plan.gate[eye.index("retina"), kernel.THRESHOLD_DB] == np.inf  # not looked for
    assert not plan.gate[eye.index("retina"), kernel.LOOKED_FOR]


def test_of_walls_of_which_nothing_is_known_nothing_may_stand_before_the_back():
    stack = plain_stack([medium("water"), medium("cornea"), medium("water")])
    gates = [Gate(interface=name, start_us=1.0, stop_us=30.0) for name in stack.interface_names]
    plan = choice_plan(gates, stack, jointly=True)
    assert (plan.gate[:, kernel.CLEAR_BEFORE] != 0.0).tolist() == [False, True, True, True]
    assert (plan.gate[:, kernel.EARLIEST_US] == -np.inf).all()


@pytest.mark.parametrize(("mhz", "band"), [(10.0, 0.6), (5.0, 0.5), (15.0, 0.4)])
def test_the_search_expects_the_curvature_of_the_pulses_own_correlation(mhz, band):
    """The autocorrelation of a Gaussian of s is one of sqrt(2) s: twice d² / (4 s²) at d."""
    pulse = gaussian_pulse(200e6, 1e6 * mhz, band)
    plan = search_plan(pulse, Signal.RF, 2.5, 26.0)
    s = 200.0 * math.sqrt(2.0 * math.log(2.0)) / (math.pi * mhz * band)
    width = 2.0 * math.sqrt(2.0 * math.log(2.0)) * s
    stride = int(width / 2.9)
    assert plan.stride == stride == pulse.grid_stride
    assert plan.arm == max(1, round(0.5 * width / stride))
    d = plan.arm * stride
    assert plan.curvature == pytest.approx(2.0 * d**2 / (4.0 * s**2), rel=0.01)
    assert plan.near == math.ceil(2.2 * width / stride)
    assert plan.far == math.ceil(12.0 * width / stride)
    assert plan.threshold_ratio == pytest.approx(10.0**1.3)
    assert (plan.start_us, plan.step_us) == (2.5, pytest.approx(0.005))


def test_scans_of_one_eye_scatter_as_expected_and_pressing_adds_its_own():
    """Pressing within an eye: 0.14 mm (Ademola-Popoola 2016), in the segment behind the cornea."""
    own = {"cornea": 0.015, "aqueous": 0.03, "lens": 0.03, "vitreous": 0.03}
    for state in ("phakic", "aphakic"):
        eye = eye_target(state)
        names = [segment.name for segment in eye.segments]
        wanted = np.array([own.get(name, np.nan) for name in names])
        wanted[eye.index(eye.length_to) :] = np.nan
        np.testing.assert_array_equal(expected_spread_mm(eye, pressed=False), wanted)
        wanted[1] = math.hypot(wanted[1], 0.14)
        np.testing.assert_allclose(expected_spread_mm(eye, pressed=True), wanted)


# --- pulses, filters, noise -----------------------------------------------------------------------


def test_lengths_of_transforms_are_scipys():
    for n in range(1, 2200):
        assert fast_length(n) == scipy.fft.next_fast_len(n, real=True)


def test_a_gaussian_pulse_has_the_moments_of_its_closed_form():
    rng = np.random.default_rng(1)
    for _ in range(20):
        rate, mhz, band = rng.uniform(80.0, 400.0), rng.uniform(5.0, 15.0), rng.uniform(0.3, 0.9)
        pulse = gaussian_pulse(1e6 * rate, 1e6 * mhz, band)
        s = math.sqrt(2.0 * math.log(2.0)) / (math.pi * mhz * band)
        assert pulse.half_length == math.ceil(4.5 * s * rate)
        assert pulse.width_us == pytest.approx(2.0 * math.sqrt(2.0 * math.log(2.0)) * s, rel=0.01)
        assert pulse.energy == pytest.approx(math.sqrt(math.pi) * s * rate, rel=1e-6)
        assert 1e-6 * pulse.centre_frequency_hz == pytest.approx(mhz, rel=1e-4)
        # Of a power spectrum exp(-(2 pi f s)²).
        assert 1e-6 * pulse.rms_bandwidth_hz == pytest.approx(
            1.0 / (2.0 * math.sqrt(2.0) * math.pi * s), rel=2e-3
        )


def test_a_pulse_longer_than_its_trace_is_refused_with_its_numbers():
    """59 samples of 10 ns; 0.147 µs at half height."""
    assert fitting_in(PULSE, 59) is PULSE
    with pytest.raises(ParameterError) as told:
        fitting_in(PULSE, 58)
    for said in ("10 MHz", "0.147 µs wide", "0.59 µs from end", "which has 0.58 µs"):
        assert said in str(told.value)


@pytest.mark.parametrize("off", [-0.4, 0.3])
def test_an_estimated_pulse_is_centred_where_its_matched_output_peaks(off):
    """Echoes that are said to lie beside where they do: the pulse comes out in the middle."""
    t = np.arange(400.0)
    s = 100.0 * SIGMA_US
    rows = np.exp(-0.5 * ((t - 200.0) / s) ** 2) * np.exp(0.2j * np.pi * (t - 200.0))
    rows = np.repeat(rows[None], 3, axis=0)
    pulse = estimate_pulse(rows, np.arange(3), np.full(3, 200.0 + off), PULSE)
    lag = np.arange(pulse.analytic.size) - pulse.half_length
    np.testing.assert_allclose(np.abs(pulse.analytic), np.exp(-0.5 * (lag / s) ** 2), atol=2e-3)


def test_a_sum_of_echoes_weighed_by_wiener_lies_nearer_to_the_truth():
    """Mean squares over draws, within the band that is kept, with and without the weights."""
    rng = np.random.default_rng(6)
    k = np.arange(101) - 50
    truth = np.exp(-0.5 * (k / 6.25) ** 2) * np.exp(0.2j * np.pi * k)
    spectrum = np.fft.fft(truth)
    errors = np.zeros(2)
    for _ in range(60):
        noise = rng.standard_normal((10, 101)) + 1j * rng.standard_normal((10, 101))
        echoes = truth + 0.4 * noise
        weighed = np.fft.fft(_over_noise(echoes)) / 10.0
        kept = np.abs(weighed) > 1e-12
        assert 5 <= kept.sum() < 60
        plain = np.fft.fft(echoes.mean(axis=0))
        errors += [np.sum(np.abs((x - spectrum)[kept]) ** 2) for x in (weighed, plain)]
    assert errors[0] < errors[1]


def test_a_template_may_lose_a_hundredth_of_its_energy_to_a_lower_rate():
    """A Gaussian's energy beyond 0.85 of half the rate, by scipy's normal law."""
    k = np.arange(-60, 61)
    mhz, s_us = 10.0, 0.0625
    rf = np.exp(-0.5 * (0.005 * k / s_us) ** 2) * np.cos(2.0 * np.pi * mhz * 0.005 * k)
    template = et.EchoTemplate(sampling_rate_hz=2e8, rf=tuple(rf))
    # Power exp(-(2 pi (f - f0) s)²): a normal law of this spread.
    spread = 1.0 / (2.0 * math.sqrt(2.0) * math.pi * s_us)
    edge = scipy.stats.norm(mhz, spread).isf(0.01)
    assert template.pulse(2e6 / 0.85 * edge * 1.01).half_length > 0
    with pytest.raises(ParameterError, match="band reaches beyond"):
        template.pulse(2e6 / 0.85 * edge * 0.99)


def test_lengths_without_their_last_interface_and_of_echoes_that_share_more_than_they_have():
    """An optional last interface is no reason to assume anything; a variance is never below nil."""
    eye = eye_target("phakic")
    delay = np.array([[0.0, 0.67, 4.65, 9.53, 31.2, np.nan]])
    u_us = np.where(np.isnan(delay), np.nan, 0.001)
    found = measure_lengths(delay, u_us, eye,
                            delay_cov_us2=np.full((1, 5), 2e-6))  # fmt: skip
    np.testing.assert_array_equal(found.segment_u_mm[0, :4], 0.0)
    assert np.isnan(found.segment_u_mm[0, 4])
    names = [dataclasses.replace(item, optional=True) for item in eye.interfaces[-1:]]
    last = dataclasses.replace(eye.segments[-1], assumed_mm=0.5, assumed_u_mm=0.1)
    other = dataclasses.replace(
        eye, interfaces=(*eye.interfaces[:-1], *names), segments=(*eye.segments[:-1], last)
    )
    same = measure_lengths(delay, u_us, other)
    np.testing.assert_array_equal(same.total_mm, found.total_mm)
    assert not same.assumed.any()


def test_filters_work_along_the_last_axis_whatever_stands_before_it():
    rng = np.random.default_rng(2)
    many = rng.standard_normal((2, 3, 400))
    given = {"centre_frequency_hz": 1e7, "bandwidth_hz": 9e6}
    for step in (
        analytic_signal,
        lambda x: smooth_envelope(np.abs(x), PULSE),
        *(
            lambda x, method=method: detect_envelope(x, 1e8, method=method, **given)
            for method in ("analytic", "quadrature", "rectified")
        ),
    ):
        whole = step(many)
        assert whole.shape == many.shape
        for i, j in np.ndindex(2, 3):
            np.testing.assert_allclose(whole[i, j], step(many[i, j]), rtol=1e-9, atol=1e-9)
            np.testing.assert_allclose(whole[i, j], step(many[i])[j], rtol=1e-9, atol=1e-9)


def test_quadrature_taps_are_a_gaussian_of_its_half_band():
    """To 3.6 standard deviations; a tone at the carrier passes whole, at the band's edge half."""
    taps = quadrature_taps(2e8, 8e6, 5e6)
    s = 200.0 * math.sqrt(2.0 * math.log(2.0)) / (math.pi * 5.0)
    assert taps.size == 2 * math.ceil(3.6 * s) + 1
    lag = np.arange(taps.size) - taps.size // 2
    for mhz, passed in ((8.0, 1.0), (5.5, 0.5), (10.5, 0.5), (3.0, 0.5**4)):
        tone = np.exp(2j * np.pi * mhz / 200.0 * lag)
        assert abs(taps @ tone) / 2.0 == pytest.approx(passed, abs=4e-3)


def test_rounding_stands_for_noise_where_there_is_none():
    traces = condition_noiseless(
        echo(T_US, 9.0, 1.0)[None].astype(np.float32), pulse=PULSE, signal=Signal.RF,
        envelope_method="quadrature", envelope_bandwidth=1.5,
    )  # fmt: skip
    at = np.arange(0, 3000, 100)
    for curve in (traces.noise.matched, traces.noise.envelope):
        np.testing.assert_allclose(curve.at(0 * at, at), 1e-6)
    per_us = 2e-6 * np.pi * PULSE.rms_bandwidth_hz
    for curve in (traces.noise.matched_slope, traces.noise.envelope_slope):
        np.testing.assert_allclose(curve.at(0 * at, at), 1e-6 * per_us)
    assert traces.noise.matched.part_samples == 3000 / 16
    assert (traces.matched_noise[0], traces.envelope_noise[0]) == (1e-6, 1e-6)
    delay = np.array([0.0, 3.17])
    np.testing.assert_allclose(traces.to_sample(traces.to_delay_us(delay)), delay)


def test_rounding_of_a_recorded_envelope_is_a_twelfth_and_its_slope_that_of_the_pulse():
    """Of a Gaussian power spectrum exp(-(2 pi f s)²) the RMS width is 1 / (2 sqrt(2) pi s)."""
    plain, matched, slope = lsb_noise(PULSE, 9e6, Signal.ENVELOPE)
    assert plain == matched == pytest.approx(math.sqrt(1.0 / 12.0))
    assert slope == pytest.approx(plain / (math.sqrt(2.0) * SIGMA_US), rel=2e-3)


def test_short_traces_have_one_level_of_noise():
    """Fewer than 128 values that are looked at: the quantile of all, by scipy's law."""
    rng = np.random.default_rng(3)
    for law, complex_values in ((scipy.stats.rayleigh, True), (scipy.stats.halfnorm, False)):
        rows = 2.0 * law.rvs(size=(40, 500), random_state=rng)
        curve = noise_curve(rows, stride=4, complex_values=complex_values)
        assert np.ptp(curve.level, axis=1).max() == 0.0
        assert curve.level[:, 0].mean() == pytest.approx(2.0, rel=0.04)
        floor = np.linspace(1.0, 9.0, 500) * np.ones((40, 1))
        curve = noise_curve(rows, stride=4, complex_values=complex_values, floor=floor)
        np.testing.assert_allclose(curve.level, 5.0, rtol=0.01)


@pytest.mark.parametrize("signal", ["rf", "envelope"])
def test_noise_is_never_less_than_rounding_leaves_whatever_the_shape_it_is_given_in(signal):
    """A twelfth of an LSB squared, of each trace or sample its own; through a matched filter."""
    silent = np.tile(np.abs(echo(T_US, 9.0, 1.0)), (3, 1)).astype(np.float32)
    lsb = np.array([0.01, 0.02, 0.04])
    root = math.sqrt(1.0 / 12.0)
    at = np.array([1500, 1500, 1500])
    for given in (lsb, lsb[:, None] * np.ones((1, 3000))):
        traces = et.condition(silent, pulse=PULSE, signal=signal, lsb=given)
        along = traces.noise.matched.at(np.arange(3), at)
        if signal == "rf":
            through = root / math.sqrt(PULSE.energy / 2.0)
            np.testing.assert_allclose(traces.matched_noise, lsb * through, rtol=1e-6)
            np.testing.assert_allclose(along, lsb * through, rtol=1e-6)
        else:
            np.testing.assert_allclose(traces.envelope_noise, lsb * root, rtol=1e-6)
            assert (along >= 0.999 * lsb * root).all()
        for found in (traces.envelope_noise, traces.matched_noise, along):
            np.testing.assert_allclose(found / lsb, found[0] / lsb[0], rtol=1e-6)
    one = et.condition(silent, pulse=PULSE, signal=signal, lsb=0.02)
    np.testing.assert_allclose(one.matched_noise, traces.matched_noise[1], rtol=1e-6)


def test_traces_pulse_and_marks_must_go_together():
    rf = echo(T_US, 9.0, 1.0)[None]
    for off, fine in ((5e-7, True), (2e-6, False)):
        for rate in (1e8 * (1.0 + off), 1e8 * (1.0 - off)):
            if fine:
                assert et.condition(rf, pulse=PULSE, sampling_rate_hz=rate).sampling_rate_hz == rate
            else:
                with pytest.raises(ParameterError, match="the pulse is sampled at"):
                    et.condition(rf, pulse=PULSE, sampling_rate_hz=rate)
    for wrong, marks in (
        (rf[None], None),
        (rf[:, :0], None),
        (rf, np.zeros((1, 2999), bool)),
        (rf, np.zeros((2, 3000), bool)),
    ):
        with pytest.raises(ParameterError, match="amplitude and clipped must both be"):
            et.condition(wrong, marks, pulse=PULSE)
    marked = et.condition(rf[0], np.abs(rf[0]) > 0.9, pulse=PULSE)
    np.testing.assert_array_equal(marked.clipped, np.abs(rf) > 0.9)
    assert not et.condition(rf, pulse=PULSE).clipped.any()


@pytest.mark.parametrize(("mhz", "noise"), [(10.0, 0.01), (6.0, 0.03)])
def test_a_shift_by_phase_is_as_sure_as_the_noise_turns_it(mhz, noise):
    """A quadrature of noise over the height is an angle, and 2 pi f turns it into time."""
    n, rng = 150, np.random.default_rng(4)
    pulse = gaussian_pulse(100e6, 1e6 * mhz, 0.6)
    t = np.arange(1200) * 0.01
    sigma = math.sqrt(2.0 * math.log(2.0)) / (math.pi * 0.6 * mhz)
    at = 6.0 + rng.uniform(-0.02, 0.02, (n, 1))
    rf = 2.0 * echo(t, at, 1.0, 0.8, frequency=mhz, sigma=sigma)
    rf = rf + noise * rng.standard_normal(rf.shape)
    traces = et.condition(rf.astype(np.float32), pulse=pulse)
    where = np.arange(n), np.rint(100.0 * at[:, 0]).astype(int)
    shift_us, u_us = phase_shift_us(traces, *where)
    wanted = noise / math.sqrt(pulse.energy / 2.0) / 2.0 / (2.0 * math.pi * mhz)
    assert np.median(u_us) == pytest.approx(wanted, rel=0.1)
    error = shift_us - at[:, 0]
    assert error.std() == pytest.approx(wanted, rel=0.25)
    assert abs(np.mean(shift_us)) < 1e-3
