"""The fused walk over the traces against the plain chain, step by step, on the same traces.

The plain chain is numpy and scipy at the full rate and is itself held against closed forms in
`test_chain.py` and `test_picking.py`; here it is the reference.
"""

import dataclasses
import re
from pathlib import Path

import h5py
import numpy as np
import pytest
import scipy
from closed_form import LE_GRAND_US, echo, eye_traces, recording_of, up_to

from echotrace.chain import block as block_module
from echotrace.chain.block import prepare
from echotrace.chain.fused import filter_plan
from echotrace.chain.measure import measure
from echotrace.chain.plain import view_trace
from echotrace.errors import EchotraceWarning, ParameterError
from echotrace.files.describe import describe
from echotrace.files.native import read_measurement, read_recording, write_measurement
from echotrace.kernels import filters
from echotrace.quality.limits import QualityLimits
from echotrace.recording import Probe, Receiver, Signal
from echotrace.report.gates import gate_words
from echotrace.report.measured_text import measurement_text
from echotrace.settings import EnvelopeSettings, PickingSettings, Settings, TargetGate
from echotrace.signal.conditioning import condition, envelope_band_hz
from echotrace.signal.gates import Gate
from echotrace.signal.noise import noise_curve, noise_level
from echotrace.signal.pulse import gaussian_pulse
from echotrace.signal.receiver import apply_receiver
from echotrace.sittings.sitting import summarise

SCENARIOS = Path(__file__).resolve().parents[1] / "synthetic_traces"


# What the two engines may differ by. Both round to float32, in another order, so a weak echo beside
# a tall one is off by more of a sample than a tall one, as it is by noise; what is held against the
# noise also sees that the fused walk estimates it from every fifth sample. Beside each is what was
# reached over the cases below and the collection on one machine: another may add up in another
# order.
DELAY_SAMPLE, DELAY_OVER_U = 1e-4, 0.005  # with 0.005 u taken off, 8e-6; median 5e-5
LENGTH_MM, SEGMENT_MM = 1e-5, 1e-4  # 5.5e-6 and 2.6e-5, where u is 0.01 mm and more
U_RATIO = 0.15  # reached 0.063: two estimates of one trace's noise
# Features by the ends of their names, the first that fits: unit and what was reached.
FEATURES = {
    "length_u_mm": (U_RATIO, 0.0),
    "echo_count": (0.0, 1.0),  # an echo that just reaches the threshold, for one and not the other
    "_count": (0.0, 0.0),
    "clipped_samples": (0.0, 0.0),
    "clipped_fraction": (0.0, 1e-7),
    "_mm": (0.0, 1e-4),  # 2e-5
    # Echo against echo in one envelope: the noise falls out (1.5e-4 dB).
    "cornea_imbalance_db": (0.0, 1e-3),
    "cornea_against_lens_db": (0.0, 1e-3),
    "lens_front_against_back_db": (0.0, 1e-3),
    "retina_against_lens_db": (0.0, 1e-3),
    "retina_against_cornea_db": (0.0, 1e-3),
    "retina_against_wall_db": (0.0, 1e-3),
    "_against_scatter_db": (0.0, 1e-3),
    "sclera_against_retina_db": (0.0, 1e-3),
    "orbit_decay_db": (0.0, 1e-3),
    # Height over the noise (0.05 dB), and candidates' heights against picked ones' (0.12 dB).
    "level_db": (0.0, 0.15),
    "lens_echo_db": (0.0, 0.15),
    "vitreous_echo_db": (0.0, 0.15),
    "_db": (0.0, 0.35),
    "margin": (0.0, 0.15),  # 0.043 nats
    "_us": (0.0, 5e-5),  # 1.1e-5
    "retina_rise_ratio": (0.0, 3e-4),  # 4e-5
    "retina_rise_misfit": (0.0, 3e-4),
    "anatomy_distance": (0.0, 3e-4),  # 5e-5
    "most_broadening": (0.0, 0.02),  # 0.005, from points of the grid in the noise
    "retina_misshape": (0.0, 0.02),
    "length_right": (0.0, 0.01),
    "length_right_in_sitting": (0.0, 0.01),
    "length_right_nats": (0.0, 0.1),
    "aligned": (0.0, 0.01),
    # Of the lengths by source: lengths agree far better than their uncertainties need.
    **{
        f"u_{source}_mm": (1e-5, 1e-12)
        for source in ("speed", "temperature", "clock", "offset", "distortion", "assumed")
    },
    # Of the recording, worked out once for both engines.
    "carrier_mhz": (0.0, 1e-12),
    "carrier_misfit": (0.0, 1e-12),
    "carrier_doubt": (0.0, 1e-12),
    # A carrier of the recording over the shift that the cavity of each trace would make.
    "filling_likeness": (1e-4, 1e-3),
    "offset_percent": (0.0, 1e-12),
    # Lengths over the spread of scans, hundredths of a millimetre: they agree far better.
    "sitting_distance": (0.0, 1e-2),
    "sitting_alike_share": (0.0, 1e-6),
    # Probabilities and log-odds of the other scans.
    "sitting_votes": (0.0, 0.01),
    "sitting_peer_nats": (0.0, 0.1),
    "oil_stated": (0.0, 1e-12),
    **dict.fromkeys(("sitting_agreeing", "sitting_against", "accepted_alone"), (0.0, 1e-12)),
}


# Of the tallest echo found in a stretch, and what rests on it: an echo that just reaches the
# threshold or the stretch's end, for one engine and not the other, is no echo or one of 13 dB.
OF_ECHOES_FOUND = (
    "chamber_echo_against_lens_db",
    "chamber_echo_against_cornea_db",
    "bath_echo_against_cornea_db",
    "retina_followed_db",
    "length_right_in_sitting",
    "sitting_votes",
    "sitting_peer_nats",
    "length_right",
    "length_right_nats",
    "aligned",
)
# Of windows that begin at a whole sample behind a pick: where a pick lies at a whole sample, one
# engine's window begins a sample before the other's.
OF_WINDOWS = (
    "orbit_level_db",
    "orbit_decay_db",
    "retina_against_scatter_db",
    "sclera_against_scatter_db",
    "retina_against_wall_db",
    *OF_ECHOES_FOUND[-6:],
)
AT_A_SAMPLE, AT_THE_LIMIT = 1e-3, 1e-3
FEW = 0.2


def _tolerance(name):
    name = re.sub(r"^(level_db|rise_us|width_us)_.*", r"\1", name)
    return next(limits for end, limits in FEATURES.items() if name.endswith(end))


def _assert_same(fast, plain, rate_hz):
    assert (fast.engine, plain.engine) == ("fused", "plain")
    np.testing.assert_array_equal(np.isnan(fast.delay_us), np.isnan(plain.delay_us))
    step_us = 1e6 / rate_hz
    apart, u = np.abs(fast.delay_us - plain.delay_us) / step_us, plain.delay_u_us / step_us
    picked = np.isfinite(apart)
    assert np.all(apart[picked] <= DELAY_SAMPLE + DELAY_OVER_U * u[picked])
    # A shift of all picks alike would be far below what single ones may differ by.
    assert np.median(apart[picked]) <= 0.6 * DELAY_SAMPLE
    np.testing.assert_allclose(fast.length_mm, plain.length_mm, rtol=0, atol=SEGMENT_MM)
    lengths = fast.axial_length_mm - plain.axial_length_mm
    np.testing.assert_array_equal(np.isnan(lengths), np.isnan(plain.axial_length_mm))
    measured = np.isfinite(lengths)
    assert np.all(np.abs(lengths[measured]) <= LENGTH_MM)
    np.testing.assert_allclose(
        fast.axial_length_u_shared_mm, plain.axial_length_u_shared_mm, rtol=1e-5
    )
    for name in ("delay_u_us", "axial_length_u_mm"):
        np.testing.assert_allclose(getattr(fast, name), getattr(plain, name), rtol=U_RATIO)
    # A probability on the limit of acceptance lies on either side of it.
    unsure = np.abs(plain.length_right - QualityLimits().min_length_right) < AT_THE_LIMIT
    beside = [{"length_doubtful"} if near else set() for near in unsure]
    differ = [
        (k, fast.finding_list(k), plain.finding_list(k))
        for k in np.flatnonzero(fast.findings != plain.findings)
        if not {*fast.finding_list(k)} ^ {*plain.finding_list(k)} <= beside[k]
    ]
    assert not differ
    np.testing.assert_array_equal(fast.accepted[~unsure], plain.accepted[~unsure])
    assert set(fast.features) == set(plain.features)
    place = plain.delay_us / step_us
    edge = np.any(np.abs(place - np.round(place)) < AT_A_SAMPLE, axis=1)
    for name, values in plain.features.items():
        rtol, atol = _tolerance(name)
        found = fast.features[name]
        apart = ~np.isclose(found, values, rtol=rtol, atol=atol, equal_nan=True)
        if name in OF_WINDOWS:
            apart &= ~edge
        if name in OF_ECHOES_FOUND and np.mean(apart) <= FEW:
            continue
        assert not apart.any(), (name, found[apart], values[apart])


def _compare(recording, settings=None):
    settings = settings or Settings()
    fast, plain = (
        measure(recording, dataclasses.replace(settings, engine=engine))
        for engine in ("fused", "plain")
    )
    _assert_same(fast, plain, recording.sampling_rate_hz)
    return fast, plain


MANY = up_to(24)
SHIFTS = np.linspace(0.0, 0.037, MANY)


@pytest.mark.parametrize("choice", ["jointly", "gate_by_gate"])
@pytest.mark.parametrize("noise", [0.0005, 0.01, 0.06])
def test_immersion(choice, noise):
    samples = eye_traces(MANY, seed=5, noise=noise, shift_us=SHIFTS)
    _compare(recording_of(samples), Settings(picking=PickingSettings(choice=choice)))


def test_contact():
    samples = eye_traces(MANY, seed=6, cornea_us=0.0, shift_us=np.zeros(MANY), noise=0.004)
    _compare(recording_of(samples, method="contact"))


def _own(interface, start_us, stop_us, relative_to=""):
    gate = Gate(interface=interface, start_us=start_us, stop_us=stop_us, relative_to=relative_to)
    return TargetGate(method="any", target="any", gate=gate)


@pytest.mark.parametrize("choice", ["jointly", "gate_by_gate"])
@pytest.mark.parametrize("method", ["immersion", "contact"])
def test_gates_of_the_users(choice, method):
    """Nothing is taken outside them, and what they hold is, by either engine."""
    cornea_us = 10.0 if method == "immersion" else 0.0
    retina_us = cornea_us + LE_GRAND_US[4]
    n = up_to(8)
    samples = eye_traces(
        n, seed=6, cornea_us=cornea_us, shift_us=np.zeros(n), noise=0.001, with_wall=False
    )
    t = np.arange(samples.shape[1]) * 0.01
    samples = samples + echo(t, retina_us - 9.0, 0.1).astype(np.float32)
    recording = recording_of(samples, method=method)
    for gate, found_us in (
        (_own("retina", retina_us + 0.5, retina_us + 3.0), np.nan),
        (_own("retina", retina_us - 9.5, retina_us - 8.5), retina_us - 9.0),
        (_own("retina", 21.7, 22.7, "cornea_front"), retina_us - 9.0),
        (_own("retina", 24.0, 25.0, "cornea_front"), np.nan),
        (_own("retina", 24.0, 25.0, "lens_back"), np.nan),
    ):
        # Noise that just reaches a threshold does so in one engine and not in the other.
        picking = PickingSettings(choice=choice, search_threshold_db=18.0)
        settings = Settings(picking=picking, gates=(gate,))
        fast, _ = _compare(recording, settings)
        k = fast.interfaces.index("retina")
        np.testing.assert_allclose(fast.delay_us[:, k], np.full(n, found_us), atol=0.02)
        missing = np.isnan(found_us)
        assert (np.isnan(fast.axial_length_mm) == missing).all()
        assert (fast.has_finding("echo_missing") == missing).all()
        window = gate_words(gate.gate)
        words = " ".join(measurement_text(fast, summarise(fast), settings.quality).split())
        assert f"Gates set by the user, outside which nothing was taken: retina {window}." in words
        assert (f"Not found: retina (the user's gate: {window})." in words) == missing


def test_missing_echoes_and_clipping():
    samples = 3.0 * eye_traces(MANY, seed=7, skip=(1, 3), noise=0.004)
    receiver = Receiver(full_scale=1.5, bits=12)
    delay_us = np.arange(samples.shape[1]) * 0.01
    _compare(recording_of(apply_receiver(samples, delay_us, receiver), receiver=receiver))


def test_receiver_not_known():
    samples = np.clip(eye_traces(up_to(16), seed=8, noise=0.004), -0.4, 0.4)
    _compare(recording_of(samples, receiver=None))


def test_gain_and_time_gain():
    receiver = Receiver(tgc_delay_us=(5.0, 45.0), tgc_gain_db=(0.0, 20.0), full_scale=4.0, bits=16)
    n_traces = up_to(16)
    gain_db = np.linspace(0.0, 12.0, n_traces)
    amplitude = 0.3 * eye_traces(n_traces, seed=9, noise=0.004)
    delay_us = np.arange(amplitude.shape[1]) * 0.01
    samples = apply_receiver(amplitude, delay_us, receiver, gain_db)
    assert samples.dtype == np.int16
    _compare(recording_of(samples, receiver=receiver, gain_db=gain_db))


@pytest.mark.parametrize(("rate_hz", "n_samples"), [(4e7, 2081), (6.25e7, 3250), (2.5e8, 13003)])
def test_other_sampling_rates(rate_hz, n_samples):
    n_traces = up_to(6, 1)
    samples = eye_traces(
        n_traces, seed=10, n_samples=n_samples, sampling_rate_hz=rate_hz, noise=0.004
    )
    _compare(recording_of(samples, sampling_rate_hz=rate_hz))


def test_another_probe():
    probe = Probe(centre_frequency_hz=1e7, fractional_bandwidth=0.35, face_delay_us=0.0)
    _compare(recording_of(eye_traces(up_to(8), seed=11, noise=0.004), probe=probe))


@pytest.mark.compiled
@pytest.mark.skipif(not list(SCENARIOS.glob("*.h5")), reason="no scenario collection here")
@pytest.mark.parametrize("path", sorted(SCENARIOS.glob("*.h5")), ids=lambda path: path.stem)
def test_scenario_collection(path):
    recording = read_recording(path)
    if prepare(recording).engine != "fused":
        pytest.skip("not read by the fused walk")
    _compare(recording)


def test_a_shift_of_a_hundredth_of_a_sample_is_seen():
    recording = recording_of(eye_traces(2, seed=5, noise=0.001))
    fast, plain = _compare(recording)
    for change in ({"delay_us": fast.delay_us + 1e-4}, {"length_mm": fast.length_mm + 2e-4}):
        with pytest.raises(AssertionError):
            _assert_same(dataclasses.replace(fast, **change), plain, recording.sampling_rate_hz)
    for name in fast.features:
        rtol, atol = _tolerance(name)
        values = fast.features[name]
        moved = dict(fast.features) | {name: values * (1 + 2 * rtol) + 2 * atol + 1e-3}
        if not np.isfinite(values).any():
            continue
        with pytest.raises(AssertionError, match=name):
            _assert_same(
                dataclasses.replace(fast, features=moved), plain, recording.sampling_rate_hz
            )


@pytest.mark.parametrize(
    ("changes", "settings", "says"),
    [
        ({}, {"picking": PickingSettings(picker="least_squares")}, "picker 'least_squares'"),
        ({}, {"envelope": EnvelopeSettings(method="analytic")}, "envelope method 'analytic'"),
        ({}, {"envelope": EnvelopeSettings(bandwidth=0.5)}, "band wider than the envelope's"),
        ({}, {"envelope": EnvelopeSettings(bandwidth=3.0)}, "mirror image"),
        ({"signal": "envelope"}, {}, "holds envelopes"),
        ({"sampling_rate_hz": 1.5e9}, {}, "samples are too short for it, from 4789 on"),
    ],
)
def test_where_it_does_not_apply(changes, settings, says):
    """Left to choose, the plain chain reads; told to use the fused walk, the reason is said."""
    samples = eye_traces(2)
    if changes.get("signal") == "envelope":
        samples = np.abs(samples)
    if "sampling_rate_hz" in changes:
        samples = samples[:, :3000]
    recording = recording_of(samples, **changes)
    assert prepare(recording, Settings(**settings)).engine == "plain"
    with pytest.raises(ParameterError, match=f"engine='fused' does not apply: .*{says}"):
        prepare(recording, Settings(engine="fused", **settings))


def test_the_engine_is_recorded(tmp_path):
    recording = recording_of(eye_traces(2))
    for engine, ran in (("auto", "fused"), ("fused", "fused"), ("plain", "plain")):
        result = measure(recording, Settings(engine=engine))
        assert result.engine == ran
        assert result.select(slice(0, 1)).engine == ran
        write_measurement(result, tmp_path / f"{engine}.h5")
        assert read_measurement(tmp_path / f"{engine}.h5").engine == ran
        assert describe(tmp_path / f"{engine}.h5")["engine"] == ran
    gas = recording_of(eye_traces(2), vitreous="gas")
    assert measure(gas).engine == "none"


def test_files_of_the_first_version_are_read(tmp_path):
    """They do not say what read them, and name a feature otherwise, with the other sign.

    They hold one score in place of two probabilities.
    """
    result = measure(recording_of(eye_traces(3)))
    write_measurement(result, tmp_path / "m.h5")
    with h5py.File(tmp_path / "m.h5", "r+") as file:
        del file.attrs["engine"]
        del file.attrs["content_digest"]
        file.attrs["schema_version"] = np.int32(1)
        file["features/least_stretch"] = -file["features/most_broadening"][:]
        del file["features/most_broadening"]
        file["score"] = file["length_right"][:]
        del file["length_right"], file["aligned"]
    with pytest.warns(EchotraceWarning, match="without a content digest"):
        old = read_measurement(tmp_path / "m.h5")
    assert old.engine == "not recorded"
    assert set(old.features) == {*result.features, "score"}
    np.testing.assert_array_equal(old.features["score"], np.float32(result.length_right))
    np.testing.assert_array_equal(
        old.features["most_broadening"], result.features["most_broadening"]
    )


# --- the same bits, however the work is cut -------------------------------------------------


def _bits(result):
    arrays = {name: getattr(result, name) for name in ("delay_us", "delay_u_us", "length_mm")}
    arrays |= {name: getattr(result, name) for name in ("axial_length_mm", "findings", "accepted")}
    return {k: v.tobytes() for k, v in (arrays | dict(result.features)).items()}


@pytest.mark.compiled
def test_workers_and_blocks_change_no_bit(monkeypatch):
    samples = np.tile(eye_traces(32, seed=12, noise=0.01, n_samples=4096, cornea_us=6.0), (8, 1))
    recording = recording_of(
        samples
        + np.float32(1e-3) * np.random.default_rng(0).normal(size=samples.shape).astype(np.float32)
    )
    expected = _bits(measure(recording, workers=1))
    for block in (17, 64, 100):
        monkeypatch.setattr(block_module, "_BLOCK_TRACES", block)
        for workers in (1, 2, 5):
            assert _bits(measure(recording, workers=workers)) == expected
    with pytest.raises(ParameterError, match="workers=0"):
        measure(recording, workers=0)


def test_progress_counts_every_trace(monkeypatch):
    monkeypatch.setattr(block_module, "_BLOCK_TRACES", 5)
    seen = []
    measure(recording_of(eye_traces(12)), progress=lambda done, total: seen.append((done, total)))
    assert seen == [(5, 12), (10, 12), (12, 12)]


# --- its parts ------------------------------------------------------------------------------

PULSE = gaussian_pulse(1e8, 1e7, 0.6)


def _grid(rf, pulse):
    """Plain envelope, matched envelope and slope of one trace on the grid, by the kernels."""
    plan = filter_plan(pulse, envelope_band_hz(pulse, 1.5), rf.size)
    columns = -(-rf.size // plan.stride)
    one = np.ones((plan.stride, columns), np.float32)
    n_band = plan.turn.shape[1]
    rows = np.zeros((plan.stride, n_band + plan.band.shape[2] + plan.lead), np.float32)
    real, imag = (np.empty(n_band, np.float32) for _ in range(2))
    envelope, matched, slope = (np.empty(plan.n_grid, np.float32) for _ in range(3))
    filters.split_by_phase(rf, one, np.float32(1.0), plan.lead, rows)
    filters.band(rows, plan.band, real, imag)
    filters.to_baseband(plan.turn, real, imag)
    filters.magnitude(real[filters.ARM :], imag[filters.ARM :], envelope)
    filters.matched_grid(real, imag, plan.rest, matched, slope)
    return plan.stride, envelope, matched, slope


@pytest.mark.parametrize("bandwidth", [0.3, 0.6, 0.9])
def test_decimated_filters_against_direct_correlation(bandwidth):
    """Every grid point against numpy.correlate in float64, ends of the trace included."""
    pulse = gaussian_pulse(1e8, 1e7, bandwidth)
    rf = np.random.default_rng(1).normal(size=1500).astype(np.float32)
    stride, _, matched, slope = _grid(rf, pulse)
    taps = pulse.analytic / (pulse.energy / 2.0)
    full = np.correlate(rf.astype(float), taps, "full")[pulse.half_length :][: rf.size]
    np.testing.assert_allclose(matched, np.abs(full)[::stride], atol=2e-3 * np.abs(full).max())
    # Slope of the output brought to baseband, from its spectrum, ten times finer than the samples.
    base = full * np.exp(-2j * np.pi * 0.1 * np.arange(rf.size))
    fine = scipy.signal.resample(base, 10 * rf.size)
    expected = np.abs(np.gradient(fine, 1e-3))[:: 10 * stride]
    inside = slice(20, -20)
    middle, most = np.quantile(np.abs(slope - expected)[inside], [0.5, 0.95])
    assert middle < 0.01 * np.median(expected)
    assert most < 0.03 * np.median(expected)


@pytest.mark.compiled
def test_noise_by_counting_against_sorted_quantiles():
    """Rayleigh quartile and normal median by numpy.quantile; with echoes and with ties."""
    rng = np.random.default_rng(2)
    rows = np.abs(rng.normal(size=(200, 2048)) + 1j * rng.normal(size=(200, 2048)))
    expected = np.quantile(rows, 0.25, axis=1) / np.sqrt(-2 * np.log(0.75))
    found = noise_level(rows.astype(np.float32), stride=1)
    np.testing.assert_allclose(found, expected, rtol=0.02)
    assert found.std() == pytest.approx(expected.std(), rel=0.1)
    rows[:, 700:900] += 500.0
    crowded = noise_level(rows.astype(np.float32), stride=1)
    assert crowded.mean() == pytest.approx(1.0, rel=0.01)
    # A trace of few levels, as a coarse converter leaves it, must not hang or fail.
    coarse = np.rint(rows[:3]).astype(np.float32)
    assert np.isfinite(noise_level(coarse, stride=1)).all()
    assert noise_level(np.zeros((1, 256), np.float32), stride=1)[0] > 0.0
    for few in (coarse, np.zeros((1, 256)), echo(np.arange(4096) * 0.01, 20.0)[None]):
        for stride in (1, 8):
            level = noise_curve(np.abs(few), stride=stride).level
            assert np.isfinite(level).all()
            assert (level > 0.0).all()


def test_plain_chain_is_the_reference_of_pictures():
    """`view_trace` shows the plain chain; its picks are those that are measured."""
    recording = recording_of(eye_traces(3, seed=13))
    view = view_trace(recording, 1)
    np.testing.assert_allclose(view.delay_us[0], measure(recording).delay_us[1], atol=2e-4)
    traces = condition(
        np.asarray(recording.samples),
        np.zeros(recording.samples.shape, bool),
        signal=Signal.RF,
        sampling_rate_hz=1e8,
        start_delay_us=0.0,
        pulse=PULSE,
    )
    np.testing.assert_allclose(view.traces.envelope[0], traces.envelope[1], rtol=1e-5, atol=1e-7)
