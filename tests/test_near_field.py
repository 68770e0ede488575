"""Contact under transmit pulses that the synthesis never drew (`near_field_table.py`).

The full-wave traces belong to others and are not part of this project; where they are not at hand
the tests are skipped and say so.
"""

import numpy as np
import pytest
from near_field_table import PULSES, contact, outcome

from echotrace.chain.measure import measure
from echotrace.signal.near_field import near_field_end_us
from echotrace.synthesis import synthesise


def made(name, kind, seed=0, **changes):
    found = contact(name, kind, seed, **changes)
    if found is None:
        pytest.skip(f"the full-wave trace {name} is not on this machine: not part of the project")
    return found


@pytest.mark.compiled
@pytest.mark.parametrize("kind", PULSES)
@pytest.mark.parametrize("scans", [1, 3])
def test_on_axis_is_accepted_and_right(kind, scans):
    for seed in range(4):
        recording, truth_mm = made("2deg", kind, seed, n_traces=scans)
        result = measure(recording)
        assert result.accepted.all(), result.finding_list(0)
        assert not result.has_finding("fluid_before_cornea").any()
        np.testing.assert_allclose(result.axial_length_mm, truth_mm, atol=0.03)


@pytest.mark.compiled
@pytest.mark.parametrize("kind", PULSES)
def test_off_axis_is_rejected(kind):
    for seed in range(4):
        recording, _ = made("8deg", kind, seed)
        assert not measure(recording).accepted.any()


@pytest.mark.compiled
@pytest.mark.parametrize("kind", [kind for kind in PULSES if kind != "as computed"])
@pytest.mark.parametrize("gel_mm", [0.1, 0.2, 0.3, 0.45, 0.6, 0.9, 1.2, 1.5])
def test_gel_is_never_silent(kind, gel_mm):
    """Long gel or short, of one thickness or another in each scan: rejected, or a warning."""
    for seed in range(2):
        # A tenth of a millimetre that varies is at times none to speak of.
        for varies_mm in (0.0, 0.05) if gel_mm > 0.1 else (0.0,):
            recording, truth_mm = made("2deg", kind, seed, gel_mm=gel_mm, gel_varies_mm=varies_mm)
            told = outcome(recording, truth_mm)
            assert told["silent"] == 0
            assert told["rejected"] + told["warned"] == recording.n_traces


@pytest.mark.compiled
@pytest.mark.parametrize("kind", ["none", "block", "recovery"])
@pytest.mark.parametrize("gel_mm", [0.3, 0.6, 0.9, 1.2, 1.5])
def test_gel_behind_a_short_pulse_is_seen(kind, gel_mm):
    recording, _ = made("2deg", kind, seed=1, gel_mm=gel_mm)
    result = measure(recording)
    assert result.has_finding("fluid_before_cornea").all()
    assert not result.accepted.any()
    np.testing.assert_allclose(result.features["fluid_gap_us"], 2.0 * gel_mm / 1.532, atol=0.08)


@pytest.mark.compiled
def test_without_a_pulse_contact_is_shown():
    recording, _ = made("2deg", "none")
    result = measure(recording)
    assert not result.has_finding("fluid_not_excluded").any()
    np.testing.assert_array_equal(result.features["fluid_unseen_us"], 0.0)
    hidden, _ = made("2deg", "longer")
    assert measure(hidden).has_finding("fluid_not_excluded").all()


def _synthetic(near_field, **tables):
    contact = {"method": {"kind": "contact"}, "probe": {"tip_mm": 0.0}, "scans": 3}
    return synthesise({**contact, "near_field": near_field, **tables}, seed=3)


@pytest.mark.compiled
@pytest.mark.parametrize(
    "near_field", [{"kind": "none"}, {"kind": "block"}, {"starts_us": 0.4}, {"varies": 0.1}]
)
def test_repeats_in_the_cornea_are_no_fluid(near_field):
    result = measure(_synthetic(near_field, artefacts={"cornea_reverberation": 1.0}))
    assert not result.has_finding("fluid_before_cornea").any(), result.features["fluid_gap_us"]


@pytest.mark.compiled
def test_a_recovery_on_one_side_of_the_baseline_is_still_rf():
    """Its echoes are 30 dB below the saturated start, which alone would look like an envelope."""
    receiver = {"gain_db": -4.0, "ring_down_db": 30.0, "ring_down_us": 0.3}
    result = measure(_synthetic({"kind": "recovery"}, receiver=receiver))
    assert np.isfinite(result.axial_length_mm).all()
    assert not result.has_finding("carrier_doubtful").any()


T_US = np.arange(800) * 0.01
GIVEN = {"face_delay_us": 0.0, "pulse_us": 0.15}


def _echo(at_us, height=1.0, width_us=0.1):
    return height * np.exp(-0.5 * ((T_US - at_us) / width_us) ** 2).astype(complex)


def _end_us(*traces, clipped_us=0.0):
    clipped = np.tile(clipped_us > T_US, (len(traces), 1))
    return near_field_end_us(np.array(traces), clipped, T_US, **GIVEN)


def test_a_pulse_ends_where_it_is_silent_before_an_echo():
    """15 dB below the echo: 0.178 of it; a decay of 0.1 µs from 10 gets there in 0.40 µs."""
    decay = 10.0 * np.exp(-T_US / 0.1)
    assert _end_us(decay + _echo(1.5)) == pytest.approx(0.1 * np.log(10.0 / 0.178), abs=0.011)
    # With no echo behind it, where a cornea would stand out of the noise; there is none here.
    assert _end_us(decay) > 1.5
    # Clipped samples hide all, and half a pulse more.
    assert _end_us(_echo(2.0), clipped_us=0.8) == pytest.approx(0.875, abs=0.011)
    assert _end_us(_echo(2.0)) == 0.0


def test_modes_that_beat_are_not_silent():
    beat = 10.0 * np.exp(-T_US / 0.8) * (1.0 + np.exp(2j * np.pi * 4.0 * T_US)) / 2.0
    assert (np.abs(beat) < 1.78 * np.exp(-T_US / 0.8)).any()
    assert _end_us(beat + _echo(0.9, 0.5)) > 1.5


def test_what_moves_from_scan_to_scan_is_no_near_field():
    """A bump at one place is the probe's as long as nothing else is known; moving, an echo."""
    steady = 3.0 * np.exp(-T_US / 0.05) + _echo(0.35)
    assert _end_us(steady + _echo(1.2)) == pytest.approx(
        0.35 + 0.1 * np.sqrt(2 * np.log(5.62)), abs=0.05
    )
    scans = [
        3.0 * np.exp(-T_US / 0.05) + np.exp(1j * 2.1 * k) * _echo(0.35 + 0.02 * k) + _echo(1.2)
        for k in range(12)
    ]
    assert _end_us(*scans) < 0.25
