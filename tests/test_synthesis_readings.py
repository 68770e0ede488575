"""Readings of an instrument, an operator who stops at agreement, a shell off centre: all off by
default, and each does what its definition says."""

import math

import numpy as np
import pytest

from echotrace.errors import ParameterError
from echotrace.synthesis import Synthesis, synthesise
from echotrace.synthesis.instrument import attempts_kept, displayed_length_mm, first_crossing_us
from echotrace.synthesis.probe import Disc, pulse, pulse_sigma_us
from echotrace.synthesis.scenario import scenario_from_mapping
from echotrace.synthesis.sections import InstrumentSection, OperatorSection
from echotrace.target import eye_target

STILL = {"tilt_sd_deg": 0.0, "decentration_sd_mm": 0.0, "fixation_sd_deg": 0.0}
CROSSING = {"gate": "first_crossing"}


def test_off_by_default_and_traces_do_not_depend_on_readings():
    plain = synthesise({"scans": 2}, 4)
    read = synthesise({"scans": 2, "instrument": {"step_mm": 0.01, **CROSSING}}, 4)
    assert set(read.truth.columns) - set(plain.truth.columns) == {"reading_mm"}
    assert np.array_equal(plain.samples, read.samples)
    assert plain.operator.present == ("demo",)
    assert synthesise({"scans": 1, "operator": "A"}, 4).operator.present == ("A",)
    assert synthesise({"scans": 1, "operator": {"label": "B"}}, 4).operator.present == ("B",)


def test_steps_round_the_way_of_the_beam():
    """At the speeds of the target, which are those of the eye, exact arrivals give the beam."""
    columns = synthesise({"scans": 4, "instrument": {"step_mm": 0.01}}, 5).truth.columns
    steps = columns["reading_mm"] / 0.01
    assert steps == pytest.approx(np.round(steps), abs=1e-6)
    assert np.all(np.abs(columns["reading_mm"] - columns["beam_length_mm"]) <= 0.005 + 2e-3)
    fine = synthesise({"scans": 4, "instrument": {"step_mm": 1e-6}}, 5).truth.columns
    assert fine["reading_mm"] == pytest.approx(fine["beam_length_mm"], abs=2e-3)
    assert np.array_equal(columns["beam_length_mm"], fine["beam_length_mm"])


@pytest.mark.parametrize("low_db", [0.0, -6.0, -12.0])
def test_a_low_echo_is_taken_late_by_as_much_as_a_gaussian_envelope_says(low_db):
    """Crossing of ``h exp(-t²/2s²)`` and a level L: ``t = -s sqrt(2 ln(h/L))``."""
    disc = Disc(tip_mm=0.75)
    target = eye_target("aphakic")
    delay_us = np.arange(0.0, 60.0, 0.01)
    arrival_us = np.array([14.3, 15.0, 45.9, 46.6])
    heights = np.array([1.0, 1.0, 10.0 ** (low_db / 20.0), 0.5])
    samples = sum(h * pulse(disc, delay_us - at) for h, at in zip(heights, arrival_us, strict=True))
    section = InstrumentSection(gate="first_crossing", threshold_db=-20.0)

    def length_mm(section):
        return displayed_length_mm(
            section, disc, target, arrival_us, delay_us, samples, 1.0, contact=False
        )

    sigma_us = pulse_sigma_us(disc)
    late_us = sigma_us * (
        math.sqrt(2.0 * math.log(10.0)) - math.sqrt(2.0 * math.log(10.0 * heights[2]))
    )
    speed_mm_per_us = target.segments[1].medium.speed_at(target.temperature_c) * 1e-3
    exact = length_mm(InstrumentSection())
    # The straight line between samples of 10 ns is good for a tenth of one: 0.8 um.
    assert length_mm(section) - exact == pytest.approx(0.5 * speed_mm_per_us * late_us, abs=8e-4)


def test_pulse_sigma_is_that_of_the_envelope():
    """-6 dB of amplitude at half the bandwidth from the centre: the Gaussian's Fourier pair."""
    disc = Disc(centre_frequency_hz=8e6, fractional_bandwidth=0.5)
    sigma_hz = 0.5 * 0.5 * 8e6 / math.sqrt(2.0 * math.log(2.0))
    assert pulse_sigma_us(disc) == pytest.approx(1e6 / (2.0 * math.pi * sigma_hz))


def test_an_empty_gate_and_one_that_begins_on_an_echo():
    envelope, delay_us = np.array([0.6, 0.2, 0.1, 0.9]), np.arange(4.0)
    assert math.isnan(first_crossing_us(envelope, delay_us, 1.0, 0.0, 3.0))
    assert first_crossing_us(envelope, delay_us, 0.5, 0.0, 3.0) == 0.0
    assert first_crossing_us(envelope, delay_us, 0.5, 1.0, 3.0) == 2.5
    # No echo reaches nearly full scale where there is hardly any gain: nothing is displayed.
    low = {"receiver": {"gain_db": -20.0}, "instrument": CROSSING, "scans": 2}
    assert np.isnan(synthesise(low, 1).truth.columns["reading_mm"]).all()


def test_contact_begins_at_the_face():
    """Gel moves the cornea, not the face: the reading is longer by the gel, at the cornea's speed
    for the first segment."""
    tables = {
        "scans": 1,
        "pose": STILL,
        "receiver": {"jitter_ns": 0.0},
        "instrument": {"step_mm": 1e-6},
        "method": {"kind": "contact", "compression_within_mm": 0.0, "couplant_mm": 0.3},
    }
    bare = synthesise(tables, 2).truth.columns["reading_mm"][0]
    gel = synthesise({**tables, "artefacts": {"couplant": 1.0}}, 2).truth.columns["reading_mm"][0]
    target = eye_target("phakic")
    speed = target.segments[0].medium.speed_at(target.temperature_c)
    water_m_per_s = 1482.38  # 20 degC: Del Grosso & Mader 1972, J Acoust Soc Am 52:1442.
    assert gel - bare == pytest.approx(0.3 * speed / water_m_per_s, abs=2e-4)


# --- an operator who stops at agreement ----------------------------------------------------------


@pytest.mark.parametrize(
    ("readings", "scans", "within", "most", "kept"),
    [
        ([1.0, 1.0, 1.0], 3, 0.1, 20, (0, 1, 2)),
        ([1.0, 2.0, 2.05, 2.1], 3, 0.1, 20, (1, 2, 3)),
        ([1.0, 2.0, 3.0, 4.0], 2, 0.1, 4, (2, 3)),
        ([1.0, math.nan, 1.0, 1.01], 2, 0.1, 20, (2, 3)),
        ([math.nan] * 3, 3, 0.1, 3, (0, 1, 2)),
        ([5.0, 1.0], 2, 0.0, 20, (0, 1)),
    ],
)
def test_which_attempts_are_kept(readings, scans, within, most, kept):
    section = OperatorSection(stops_within_mm=within, most_attempts=most)
    assert attempts_kept(section, scans, readings.__getitem__) == kept


def test_a_sitting_of_an_operator_who_stops():
    tables = {
        "scans": 3,
        "pose": {"alignments": 1},
        "method": {"kind": "contact"},
        "instrument": {"step_mm": 0.01},
        "operator": {"stops_within_mm": 0.05, "most_attempts": 60},
    }
    made = Synthesis(tables, seed=8)
    whole = made.block(0, 9)
    readings = whole.truth.columns["reading_mm"].reshape(3, 3)
    attempts = whole.truth.columns["attempt"].reshape(3, 3)
    assert np.all(np.ptp(readings, axis=1) <= 0.05 + 1e-9)
    assert np.all(np.diff(attempts, axis=1) == 1)
    assert attempts.max() > 3
    # In whatever blocks it is made, and those attempts that need no rule are those of the plain
    # sitting.
    again = Synthesis(tables, seed=8).block(4, 8)
    assert np.array_equal(again.samples, whole.samples[4:8])
    plain = synthesise({**tables, "operator": "demo"}, 8, count=9)
    for row, attempt in enumerate(attempts.ravel()):
        if attempt <= 3:
            same = whole.samples[row] == plain.samples[3 * (row // 3) + int(attempt) - 1]
            assert same.all()
    # A sitting that stops at agreement scatters less: that is what the rule is for.
    loose = plain.truth.columns["reading_mm"].reshape(3, 3)
    assert readings.std(axis=1).mean() < loose.std(axis=1).mean()


# --- a shell off centre --------------------------------------------------------------------------


def test_a_shell_stays_for_a_sitting_and_is_seated_anew_for_the_next():
    tables = {"scans": 2, "pose": STILL, "method": {"shell_sd_mm": 0.4}}
    recording = synthesise(tables, 6, count=60)
    shift = recording.truth.columns["decentration_mm"].reshape(30, 2)
    assert shift[:, 0] == pytest.approx(shift[:, 1])
    # A distance with two normal parts: Rayleigh's distribution, mean s sqrt(pi/2).
    standard_error = 0.4 * math.sqrt((2.0 - math.pi / 2.0) / 30)
    assert abs(shift[:, 0].mean() - 0.4 * math.sqrt(math.pi / 2.0)) < 3.5 * standard_error
    assert np.unique(shift[:, 0].round(9)).size == 30


@pytest.mark.parametrize(
    ("tables", "words"),
    [
        ({"method": {"kind": "contact", "shell_sd_mm": 0.3}}, "kind='immersion'"),
        ({"method": {"shell_sd_mm": 0.3}, "pose": {"alignments": 2}}, "alignments"),
        ({"operator": {"stops_within_mm": 0.1}, "scan": [{"number": 1}]}, r"\[\[scan\]\]"),
        ({"operator": {"stops_within_mm": 0.1, "most_attempts": 3}}, "at least scans=5"),
        ({"operator": 3}, r"\[operator\]"),
        ({"instrument": {"gate": "first_crosing"}}, "did you mean 'first_crossing'"),
    ],
)
def test_what_does_not_go_together(tables, words):
    with pytest.raises(ParameterError, match=words):
        scenario_from_mapping(tables)
