"""Bounds of a delay: published values and limits, closed forms, Monte Carlo."""

import math

import numpy as np
import pytest
import scipy
from closed_form import SIGMA_US, echo

import echotrace as et
from echotrace.bounds.outside import outside_delays
from echotrace.bounds.picker_text import picker_text
from echotrace.bounds.sampled import cell_information, sample_information
from echotrace.cli import main
from echotrace.errors import ParameterError
from echotrace.signal.pulse import Pulse

PULSE = et.gaussian_pulse(100e6, 10e6, 0.6)
DELAY_US = np.arange(512) * 0.01


def _flat_band(centre_mhz, band_mhz):
    """A pulse whose spectrum is a rectangle: sin(x)/x times the carrier."""
    t = np.arange(-6000, 6001) * 0.01
    analytic = np.sinc(band_mhz * t) * np.exp(2j * np.pi * centre_mhz * t)
    return Pulse(analytic, 100e6, 1e6 * centre_mhz, 1e6 * band_mhz / math.sqrt(12))


@pytest.mark.parametrize(("phase", "width_hz"), [("unknown", 1.802e6), ("known", 10.161e6)])
def test_white_noise_is_steins_form(phase, width_hz):
    """1/(2 pi F sqrt(2E/N0)): Stein 1981, IEEE Trans ASSP 29:588; F from the Gaussian's sigma."""
    envelope = np.exp(-0.5 * (np.arange(-40, 41) * 0.01 / SIGMA_US) ** 2)
    level = np.array([0.0, 20.0, 50.0])
    ratio = 10 ** (level / 10) * np.sum(envelope**2) / 2
    expected = 1e6 / (2 * np.pi * width_hz * np.sqrt(ratio))
    np.testing.assert_allclose(et.delay_bound(PULSE, level, phase=phase), expected, rtol=1e-3)


@pytest.mark.parametrize(("band", "factor"), [(5.0, 49.0), (10.0, 13.0), (6.0, 34.33)])
def test_what_the_phase_is_worth(band, factor):
    """Variance ratio 1 + 12 (f0/B)^2 of a flat band: 12 (f0/B)^2 in Weinstein & Weiss 1984."""
    pulse = _flat_band(10.0, band)
    ratio = et.delay_bound(pulse, 20.0) / et.delay_bound(pulse, 20.0, phase="known")
    assert float(ratio) ** 2 == pytest.approx(factor, rel=0.01)


def test_coloured_noise_against_monte_carlo_and_a_closed_form():
    """The best estimator for noise of that colour comes to the bound; so does the closed form."""

    def density(frequency_hz):
        return 0.05 + 1.0 / (1.0 + (frequency_hz / 6e6) ** 4)

    level, n = 24.0, 2000
    bound = float(et.delay_bound(PULSE, level, noise_spectrum=density))
    rng = np.random.default_rng(5)
    frequency = np.fft.rfftfreq(DELAY_US.size, 1e-8)
    two_sided = np.abs(np.fft.fftfreq(DELAY_US.size, 1e-8))
    shape = np.sqrt(density(frequency) / density(two_sided).mean())
    white = np.fft.rfft(rng.standard_normal((n, DELAY_US.size)), axis=1)
    noise = 10 ** (-level / 20) * np.fft.irfft(white * shape, DELAY_US.size, axis=1)
    truth = 2.5 + 0.01 * rng.random(n)
    rf = echo(DELAY_US, truth[:, None], 1.0, rng.uniform(0, 2 * np.pi, n)[:, None]) + noise
    # Matched to the echo and the noise's colour; a lag of the maximum by a parabola on a fine grid.
    template = np.fft.rfft(echo(DELAY_US, 2.5)) / shape**2
    one_sided = np.zeros((n, 16 * DELAY_US.size), complex)
    one_sided[:, : frequency.size] = np.fft.rfft(rf, axis=1) * template.conj()
    size = np.abs(np.fft.ifft(one_sided, axis=1))
    top = size.argmax(axis=1)
    at = (top[:, None] + [-1, 0, 1]) % size.shape[1]
    a, b, c = np.log(np.take_along_axis(size, at, axis=1)).T
    lag = (top + 0.5 * (a - c) / (a - 2 * b + c) + size.shape[1] / 2) % size.shape[1]
    error = (lag - size.shape[1] / 2) / 16 * 0.01 + 2.5 - truth
    assert error.std() == pytest.approx(bound, rel=0.06)
    assert error.std() > 0.95 * bound
    # White noise is the special case, and the unit of the density does not matter.
    same = et.delay_bound(PULSE, level, noise_spectrum=lambda f: np.full(f.shape, 7.0))
    assert same == pytest.approx(float(et.delay_bound(PULSE, level)))
    with pytest.raises(ParameterError, match="above zero at all frequencies"):
        et.delay_bound(PULSE, level, noise_spectrum=lambda f: np.where(f > 4e7, 0.0, 1.0))


def test_two_echoes_by_differences_of_closed_form_echoes():
    """Fisher information of six numbers, by differences (Kay, Estimation Theory, ch. 3)."""
    gap, second = 0.9 * PULSE.width_us, 0.6
    step = 1e-5 * np.eye(6)
    variance = []
    for k in range(8):
        turn = 2 * np.pi * k / 8
        row = np.array([2.5, 1.0, turn, 2.5 + gap, second, 2 * turn + 0.4])
        slope = [
            sum(s * echo(DELAY_US, *(row + s * h)[i : i + 3]) for i in (0, 3) for s in (1, -1))
            for h in step
        ]
        slope = np.array(slope) / 2e-5
        variance.append(1e-4 * np.linalg.inv(slope @ slope.T)[0, 0])
    found = et.delay_bound(
        PULSE, 40.0, second_after_us=gap, second_level_db=20 * math.log10(second)
    )
    # The phase of a shifted analytic echo turns with the carrier; over all phases it is the same.
    assert float(found) == pytest.approx(math.sqrt(np.mean(variance)), rel=0.05)
    alone = float(et.delay_bound(PULSE, 40.0))
    assert float(et.delay_bound(PULSE, 40.0, second_after_us=5.0)) == pytest.approx(alone)
    assert float(et.delay_bound(PULSE, 40.0, second_after_us=0.05)) > 4 * alone


def test_one_bit_and_fine_steps_keep_the_published_share():
    """2/pi at one bit (Van Vleck & Middleton 1966), 1/(1 + q^2/12) for fine steps (Sheppard).

    Both value from memory.
    """
    assert cell_information([0.0], [0.0], 0.7)[0] == pytest.approx(2 / np.pi)
    for lsb in (0.3, 0.6):  # of the noise: both sides of where the code changes its way
        edges = lsb * (np.arange(-40, 40) + 0.5)
        share = cell_information(np.linspace(-0.2, 0.2, 9), edges, 1.0)
        np.testing.assert_allclose(share, 1 / (1 + lsb**2 / 12), rtol=2e-3)
    # On either side of where the way of computing changes (an LSB of a quarter of the noise).
    mean = np.linspace(-1.3, 1.3, 27)
    coarse, fine = (sample_information(mean, n, full_scale=1.0, bits=6) for n in (0.1249, 0.1251))
    np.testing.assert_allclose(coarse, fine, atol=2e-3)


def test_rounded_and_clipped_samples_by_the_scatter_of_their_score():
    """Fisher information is the variance of the score: drawn samples, probabilities of scipy."""
    rng = np.random.default_rng(2)
    noise, scale, bits, n = 0.2, 0.8, 4, 100_000
    lsb = scale / 2 ** (bits - 1)
    mean = np.array([0.0, 0.33, 0.75, 0.95])
    drawn = mean + noise * rng.standard_normal((n, 4))
    code = np.clip(np.rint(drawn / lsb), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    low = np.where(code == code.min(), -np.inf, (code - 0.5) * lsb)
    high = np.where(code == 2 ** (bits - 1) - 1, np.inf, (code + 0.5) * lsb)

    def log_likelihood(m):
        return np.log(scipy.stats.norm.cdf(high, m, noise) - scipy.stats.norm.cdf(low, m, noise))

    score = (log_likelihood(mean + 1e-4) - log_likelihood(mean - 1e-4)) / 2e-4
    share = sample_information(mean, noise, full_scale=scale, bits=bits)
    np.testing.assert_allclose(score.var(axis=0) * noise**2, share, rtol=0.03)
    # Clipped only: what lies inside scores linearly, what lies beyond as one cell.
    above = drawn > scale
    tail = scipy.stats.norm.logsf
    beyond = (tail(scale, mean + 1e-4, noise) - tail(scale, mean - 1e-4, noise)) / 2e-4
    score = np.where(above, beyond, (drawn - mean) / noise**2)
    share = sample_information(mean, noise, full_scale=scale)
    np.testing.assert_allclose(score.var(axis=0) * noise**2, share, rtol=0.03)


def test_clipping_and_rounding_cost_and_never_gain():
    free = float(et.delay_bound(PULSE, 30.0))
    assert float(et.delay_bound(PULSE, 30.0, full_scale=1.2, bits=12)) == pytest.approx(
        free, rel=1e-3
    )
    costs = [float(et.delay_bound(PULSE, 30.0, full_scale=s)) / free for s in (2.0, 0.7, 0.5, 0.2)]
    assert costs[0] == pytest.approx(1.0, abs=1e-3)
    assert sorted(costs) == costs
    assert costs[2] > 1.1
    steps = [float(et.delay_bound(PULSE, 20.0, full_scale=1.2, bits=b)) / free for b in (8, 4, 3)]
    assert sorted(steps) == steps


def test_threshold_has_the_published_regions():
    """T/sqrt(12) in noise alone, the Cramér-Rao bound at high ratios.

    Between the two thresholds of a known phase it is the phase-free bound, 12 (f0/B)^2 in variance
    (Weinstein & Weiss 1984, abstract).
    """
    for phase in ("known", "unknown"):
        bound = et.delay_bound(PULSE, [-60.0, 40.0], phase=phase, search_us=2.0)
        assert bound[0] == pytest.approx(2.0 / math.sqrt(12), rel=0.01)
        local = float(et.delay_bound(PULSE, 40.0, phase=phase))
        assert bound[1] == pytest.approx(local, rel=2e-3)
    narrow = _flat_band(30.0, 0.4)
    level = 10 * math.log10(2 * 10**2.0 / narrow.energy)  # 2E/N0 of 20 dB
    known = et.delay_bound(narrow, level, phase="known", search_us=50.0)
    assert float(known) == pytest.approx(float(et.delay_bound(narrow, level)), rel=0.1)
    assert known / et.delay_bound(narrow, level, phase="known") > 50
    with pytest.raises(ParameterError, match="search_us"):
        et.delay_bound(PULSE, 20.0, search_us=0.1)


def test_no_estimator_beats_the_threshold_bound_and_the_best_comes_near():
    """Maximum likelihood on drawn traces: the tallest point of the matched envelope."""
    levels = [-4.0, 2.0, 6.0]
    errors = et.picker_errors(levels, n=2000, pickers=["matched_filter"], template="known")[0]
    bound = et.delay_bound(PULSE, levels, search_us=1.0)
    assert (errors.rmse_us > 0.97 * bound).all()
    # Above its threshold a maximum-likelihood reading comes near; in noise alone it takes any
    # place, which is worse by sqrt(2) than to say the middle of the window.
    assert errors.rmse_us[-1] < float(et.delay_bound(PULSE, levels[-1] - 2.5, search_us=1.0))
    assert errors.rmse_us[0] < math.sqrt(2) * 1.0 / math.sqrt(12)


@pytest.mark.parametrize(
    ("given", "match"),
    [
        ({"phase": "half"}, "phase='half'"),
        ({"bits": 8}, "finite full_scale"),
        ({"full_scale": -1.0}, "full_scale"),
        ({"second_after_us": 0.0}, "second_after_us"),
        ({"search_us": 1.0, "bits": 8, "full_scale": 1.0}, "threshold"),
        ({"noise_spectrum": np.ones_like, "bits": 8, "full_scale": 1.0}, "white noise"),
    ],
)
def test_what_does_not_go_together_is_refused(given, match):
    with pytest.raises(ParameterError, match=match):
        et.delay_bound(PULSE, 20.0, **given)
    with pytest.raises(ParameterError, match="finite"):
        et.delay_bound(PULSE, math.nan)


@pytest.mark.compiled
def test_default_picker_with_a_template_it_has_to_estimate():
    """Within 1.1 of the phase-free bound from 10 to 50 dB; the probe is described 8 % off."""
    errors = et.picker_errors([10.0, 15.0, 30.0, 50.0], n=2500, pickers=["matched_filter"], seed=3)
    assert (errors[0].ratio < 1.1).all()
    assert (errors[0].ratio > 0.95).all()
    assert (errors[0].found == 1.0).all()


@pytest.mark.compiled
def test_outside_pickers_stand_beside_ours(tmp_path, capsys):
    def half_a_sample_late(traces):
        samples = np.abs(np.asarray(traces.samples, float))
        return traces.delay_us[samples.argmax(axis=1)] + 0.005, 0.02

    errors = et.picker_errors(
        [20.0, 40.0], n=64, pickers=["matched_filter"], outside={"late": half_a_sample_late}
    )
    assert [item.outside for item in errors] == [False, True]
    assert np.allclose(errors[1].stated_us, 0.02)
    assert errors[1].bias_us == pytest.approx([0.005, 0.005], abs=0.003)
    text = picker_text(errors, "estimated", 1)
    assert "late (outside)" in text
    ax = et.plot_picker_errors(errors)
    assert [t.get_text() for t in ax.get_legend().get_texts()] == [
        "matched filter",
        "late (outside)",
    ]
    out = tmp_path / "p.csv"
    args = ["pickers", "--snr-db", "30", "--count", "64", "--libraries", "-o", str(out)]
    assert main([*args, "--figure", str(tmp_path / "p.png")]) == 0
    assert "scipy_find_peaks (outside)" in capsys.readouterr().out
    lines = out.read_text().splitlines()
    assert lines[0].startswith("picker,outside,snr_db,bound_us,rmse_us")
    assert sum(line.split(",")[1] == "true" for line in lines[1:]) >= 1


@pytest.mark.parametrize(
    ("picker", "match"),
    [
        (lambda r: np.zeros(3), r"shape \(3,\) for 6 traces"),
        (lambda r: "now", "must give numbers"),
        (lambda r: 1 / 0, "failed: ZeroDivisionError"),
        (lambda r: np.full(r.n_traces, np.inf), "infinite"),
    ],
)
def test_what_an_outside_picker_gives_is_checked(picker, match):
    recording = et.read("synthetic_traces/immersion_sitting.h5")
    with pytest.raises(ParameterError, match=match):
        outside_delays(picker, recording, "odd")
