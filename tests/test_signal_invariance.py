"""What may not matter to the steps of the signal: units, clock, company, place and direction.

Each is a symmetry of the physics: no figure of the code's own is held here.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from closed_form import echo

import echotrace as et
from echotrace.signal.carrier import echo_carrier, echo_spectra
from echotrace.signal.crowded import part_echoes
from echotrace.signal.downshift import carrier_downshift
from echotrace.signal.envelope import analytic_signal
from echotrace.signal.kind import lean, noise_skewness, opposite_swing, peak_shape
from echotrace.signal.near_field import near_field_end_us
from echotrace.signal.picking import PICKERS, phase_shift_us
from echotrace.signal.pulse import Pulse, estimate_pulse, gaussian_pulse
from echotrace.signal.repeats import repeats_behind, taken_at_a_multiple
from echotrace.signal.tgc_from_noise import estimate_tgc_from_noise

PULSE = gaussian_pulse(100e6, 10e6, 0.6)
N = 1541  # of which the echo search, of every fifth sample, sees both ends
T_US = np.arange(N) * 0.01
READS = [name for name in PICKERS if name != "akaike_onset"]


def _rf(n=2, noise=0.004):
    """Traces of four echoes, of which the last two overlap."""
    rng = np.random.default_rng(1)
    at = np.array([4.0, 7.0, 10.3, 10.46]) + 0.05 * rng.random((n, 4))
    rf = noise * rng.standard_normal((n, N))
    for k, height in enumerate((1.0, 0.4, 0.8, 0.6)):
        rf += echo(T_US, at[:, k, None], height, rng.uniform(0.0, 6.0, (n, 1)))
    return rf.astype(np.float32)


def _slower(pulse, factor):
    """The same samples at another rate."""
    return Pulse(
        pulse.analytic,
        pulse.sampling_rate_hz * factor,
        pulse.centre_frequency_hz * factor,
        pulse.rms_bandwidth_hz * factor,
    )


def _read(rf, pulse=PULSE, *, signal="rf", lsb=0.0, start_us=0.0):
    """All that the steps say of traces: numbers of samples, levels over the noise, counts."""
    traces = et.condition(rf, pulse=pulse, signal=signal, lsb=lsb, start_delay_us=start_us)
    echoes = et.find_echoes(traces, threshold_db=22.0)
    out = {"count": echoes.count, "sample": echoes.sample, "level_db": echoes.level_db}
    out |= {"before_db": echoes.before_db, "broadening": echoes.broadening}
    out["at"] = traces.to_sample(echoes.delay_us)
    there = np.arange(echoes.sample.shape[1]) < echoes.count[:, None]
    where = np.where(there, echoes.sample, -1)
    for name in READS:
        if signal == "rf" or not PICKERS[name].needs_rf:
            picks = et.pick_echoes(traces, None, where, picker=name)
            out |= {name: picks.sample, f"u {name}": picks.u_sample, f"why {name}": picks.reason}
    if signal == "rf":
        pair = [np.abs(echoes.sample - at) < 80 for at in (1040, N - 1 - 1040)]
        asked = there & (pair[0] | pair[1])
        parted, crowded = part_echoes(traces, echoes, asked)
        out |= {"parted": parted.count, "parted db": parted.level_db}
        out |= {f"fit {k}": v for k, v in dataclasses.asdict(crowded).items()}
    for name in ("at", "sample", "level_db", "before_db", "broadening"):
        out[name] = np.where(there, out[name], 0)
    for name in ("matched", "envelope"):
        out[f"noise {name}"] = getattr(traces, f"{name}_noise")
        out[f"slope {name}"] = getattr(traces.noise, f"{name}_slope").level
    return out


def _same(found, wanted, *, unit=1.0, per_us=1.0, rtol=1e-3):
    for name, values in wanted.items():
        factor = unit if name.startswith("noise") else 1.0
        factor = unit * per_us if name.startswith("slope") else factor
        if values.dtype.kind in "iub":
            np.testing.assert_array_equal(found[name], values, err_msg=name)
        else:
            atol = 1e-3 * np.nanmax(np.abs(values), initial=0.0) * factor
            np.testing.assert_allclose(
                found[name], factor * values, rtol=rtol, atol=atol, err_msg=name
            )


@pytest.mark.parametrize("signal", ["rf", "envelope"])
def test_units_of_the_samples_do_not_matter(signal):
    """Volts, millivolts or counts; rounding to an LSB in the same units."""
    rf = _rf() if signal == "rf" else np.abs(analytic_signal(_rf()))
    own = _read(rf, signal=signal, lsb=0.01)
    assert (own["count"] >= 3).all()
    for unit in (2.0**-10, 1000.0):
        _same(_read(unit * rf, signal=signal, lsb=0.01 * unit), own, unit=unit)


@pytest.mark.parametrize("factor", [0.5, 8.0])
def test_another_clock_counts_the_same_samples(factor):
    """A probe and a converter slower by one factor: all but the unit of time is the same."""
    rf = _rf()
    own = _read(rf, start_us=3.0)
    found = _read(rf, _slower(PULSE, factor), start_us=3.0 / factor)
    _same(found, own, per_us=factor)


def test_company_does_not_matter():
    """What is said of a trace does not hang on those that are handled with it."""
    rf = _rf(3)
    together, lsb = _read(rf, lsb=np.array([0.0, 0.01, 0.02])), (0.0, 0.01, 0.02)
    for row in range(3):
        alone = _read(rf[row : row + 1], lsb=lsb[row])
        for name, values in alone.items():
            own = together[name][row : row + 1]
            if values.ndim > 1:
                own = own[:, : values.shape[1]]
            np.testing.assert_allclose(own, values, rtol=1e-4, atol=1e-5, err_msg=name)


def test_a_mirror_turns_delays_round_and_nothing_else():
    """A symmetric pulse: what reads crests and fits reads the reversed trace alike."""
    rf = _rf(noise=0.002)
    own, found = _read(rf), _read(rf[:, ::-1])
    np.testing.assert_array_equal(found["count"], own["count"])
    for row, n in enumerate(own["count"]):
        back = slice(n - 1, None, -1) if n else slice(0)
        for name in ("matched_filter", "envelope_peak"):
            np.testing.assert_allclose(
                found[name][row, back], N - 1 - own[name][row, :n], atol=2e-3
            )
            np.testing.assert_allclose(
                found[f"u {name}"][row, back], own[f"u {name}"][row, :n], rtol=0.15
            )
        np.testing.assert_allclose(found["level_db"][row, back], own["level_db"][row, :n], atol=0.3)
    np.testing.assert_array_equal(found["parted"], own["parted"])
    for row, n in enumerate(own["parted"]):
        mirrored = N - 1 - found["fit sample"][row, n - 1 :: -1][:n]
        np.testing.assert_allclose(mirrored, own["fit sample"][row, :n], atol=5e-3)


def test_a_later_trace_is_read_as_much_later():
    rf = _rf()
    late = np.roll(rf, 65, axis=1)
    own, found = _read(rf), _read(late)
    np.testing.assert_array_equal(found["count"], own["count"])
    for name in ("at", *READS):
        np.testing.assert_allclose(
            found[name][own["at"] > 0] - own[name][own["at"] > 0], 65.0, atol=0.02, err_msg=name
        )


@pytest.mark.parametrize("unit", [2.0**-12, 1000.0])
def test_what_is_said_of_a_recording_has_no_unit(unit):
    rf, clipped = _rf(), np.zeros((2, N), bool)
    known = {"sampling_rate_hz": 1e8, "pulse_us": PULSE.width_us}
    for own, found in zip(
        echo_spectra(rf, clipped, T_US, **known, step=1e-4),
        echo_spectra(unit * rf, clipped, T_US, **known, step=1e-4 * unit),
        strict=True,
    ):
        np.testing.assert_allclose(found, own, rtol=1e-4)
    assert opposite_swing(unit * rf) == pytest.approx(opposite_swing(rf), rel=1e-5)
    bells = np.abs(analytic_signal(rf))
    for step in (lambda x: lean(x, 15.0), lambda x: noise_skewness(x, 4.0), peak_shape):
        np.testing.assert_allclose(step(unit * bells), step(bells), rtol=1e-4)
    ends = [
        near_field_end_us(
            u * rf, clipped, T_US - 3.5, face_delay_us=0.0, pulse_us=0.15, reach_us=8.0
        )
        for u in (1.0, unit)
    ]
    assert ends[0] == ends[1]
    noise = np.random.default_rng(3).standard_normal((8, 2000)) * np.geomspace(1.0, 10.0, 2000)
    own, found = (estimate_tgc_from_noise(u * noise, np.arange(2000) * 0.01) for u in (1.0, unit))
    for item in dataclasses.fields(own):
        np.testing.assert_allclose(getattr(found, item.name), getattr(own, item.name), rtol=1e-6)


@pytest.mark.parametrize("factor", [0.5, 4.0])
def test_what_is_said_of_a_recording_goes_with_the_clock(factor):
    rf, clipped = _rf(), np.zeros((2, N), bool)
    # The near field of 0.3 µs apart: it ends before the first echo at either clock.
    found = []
    for f in (1.0, factor):
        known = {"sampling_rate_hz": 1e8 * f, "pulse_us": PULSE.width_us / f}
        centroid, width = echo_spectra(rf, clipped, T_US / f, **known)
        probe = {"stated_hz": 1e7 * f, "fractional_bandwidth": 0.6}
        doubt = echo_carrier(rf, clipped, T_US / f, **known, **probe)
        found.append((centroid / f, width / f, doubt.carrier_hz / f, doubt.doubt))
        assert doubt.n_echoes == np.isfinite(centroid).sum()
    for own, other in zip(*found, strict=True):
        np.testing.assert_allclose(other, own, rtol=1e-6)
    slow = _slower(PULSE, factor)
    analytic = analytic_signal(_rf().astype(float))
    where = np.arange(2), np.full(2, 401.0)
    own, other = (estimate_pulse(analytic, *where, p) for p in (PULSE, slow))
    np.testing.assert_allclose(other.analytic, own.analytic)
    assert other.centre_frequency_hz == pytest.approx(factor * own.centre_frequency_hz)
    assert other.rms_bandwidth_hz == pytest.approx(factor * own.rms_bandwidth_hz)
    at = np.array([401, 402])
    own, other = (
        phase_shift_us(et.condition(_rf(), pulse=p), np.arange(2), at) for p in (PULSE, slow)
    )
    np.testing.assert_allclose(other, np.array(own) / factor, rtol=1e-3, atol=1e-6)


def test_what_stands_before_and_behind_does_not_move_a_downshift():
    """Only the two windows are looked at, and a constant in them is no carrier."""
    rng = np.random.default_rng(2)
    rf = _rf(2).astype(float)
    first, second = np.array([402.0, 402.0]), np.array([702.0, 702.0])
    own = carrier_downshift(rf, first, second, half_width=20)
    assert np.isfinite(own).all()
    other = rng.standard_normal(rf.shape)
    for at in (402, 702):
        other[:, at - 20 : at + 21] = rf[:, at - 20 : at + 21]
    np.testing.assert_allclose(carrier_downshift(other, first, second, half_width=20), own)
    np.testing.assert_allclose(carrier_downshift(3.0 * rf, first, second, half_width=20), own)


def test_trains_of_a_slower_clock_are_the_same_trains():
    at = np.array([[5.0, 7.0, 9.01, 11.0, 13.0]])
    level = np.array([[60.0, 50.0, 46.0, 43.0, 39.0]], np.float32)
    for factor in (1.0, 0.25, 16.0):
        pulse = _slower(PULSE, factor)
        echoes = et.Candidates(
            np.array([5], np.int32), (100 * at).astype(np.int32), at / factor, level, level,
            0 * level,
        )  # fmt: skip
        front, back = np.array([5.0 / factor]), np.array([7.0 / factor])
        found = repeats_behind(echoes, front, back, pulse)
        assert found[0][found[0] >= 0].tolist() == [2, 3, 4]
        assert taken_at_a_multiple(echoes, front, np.array([9.0 / factor]), pulse)[0]
