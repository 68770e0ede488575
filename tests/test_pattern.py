"""The pattern's features against the same questions asked in plain numpy (`plain_pattern.py`)."""

from pathlib import Path

import numpy as np
import pytest
from closed_form import LE_GRAND_US, echo, eye_traces, recording_of
from plain_pattern import NAMES
from plain_pattern import pattern_features as plain

from echotrace.chain.measure import measure
from echotrace.files.native import read_recording
from echotrace.quality import features as quality
from echotrace.quality.pattern import PATTERN_FEATURES
from echotrace.recording import Probe

COLLECTION = sorted((Path(__file__).parent.parent / "synthetic_traces").glob("*.h5"))
T = np.arange(5200) * 0.01


@pytest.fixture
def asked(monkeypatch):
    """Every call of the pattern's features while a recording is measured, and its answer."""
    calls, real = [], quality.pattern_features

    def spy(*args, **changes):
        found = real(*args, **changes)
        calls.append((args, changes, found))
        return found

    monkeypatch.setattr(quality, "pattern_features", spy)
    return calls


def _same_as_plain(calls):
    assert calls
    for args, changes, found in calls:
        expected = plain(*args, **changes)
        assert set(found) == set(expected) == set(NAMES) == set(PATTERN_FEATURES)
        for name in PATTERN_FEATURES:
            got, wanted = found[name], expected[name]
            np.testing.assert_array_equal(np.isnan(got), np.isnan(wanted), err_msg=name)
            np.testing.assert_allclose(got, wanted, atol=1e-3, rtol=1e-4, err_msg=name)


@pytest.mark.compiled
@pytest.mark.parametrize("path", COLLECTION, ids=lambda path: path.stem)
def test_on_the_collection(path, asked):
    measure(read_recording(path))
    _same_as_plain(asked)


def _with(*more):
    rf = eye_traces(2)
    for at_us, height in more:
        rf = rf + echo(T, at_us, height).astype(np.float32)
    return rf


CONTACT = {
    "method": "contact",
    "probe": Probe(
        centre_frequency_hz=1e7, fractional_bandwidth=0.6, face_delay_us=1.0, face_delay_u_us=0.005
    ),
}
CLOSED = {
    "good": (eye_traces(3), {}),
    "no wall": (eye_traces(2, with_wall=False), {}),
    "no retina": (eye_traces(2, skip=(4,), with_wall=False), {}),
    "no corneal back": (eye_traces(2, skip=(1,)), {}),
    "lens back missing": (eye_traces(2, skip=(3,)), {}),
    "echo in the lens": (_with((10.0 + LE_GRAND_US[2] + 2.0, 0.4)), {}),
    "echo in the vitreous": (_with((25.0, 0.3)), {}),
    "noise only": (eye_traces(2, skip=(0, 1, 2, 3, 4), with_wall=False), {}),
    "contact": (eye_traces(2, cornea_us=1.0), CONTACT),
    "contact with fluid": (eye_traces(2, cornea_us=1.3), CONTACT),
    "immersion said to be contact": (eye_traces(2), CONTACT),
    "contact said to be immersion": (eye_traces(2, cornea_us=0.3), {}),
    "natural lens, said to be an implant": (
        eye_traces(2),
        {"lens_state": "pseudophakic", "lens_material": "acrylic"},
    ),
    "natural lens, said to be none": (eye_traces(2), {"lens_state": "aphakic"}),
    "pair before the cornea": (_with((5.0, 0.5), (5.67, 0.4)), {}),
    "receiver not told": (eye_traces(2), {"receiver": None}),
}


@pytest.mark.parametrize("name", CLOSED)
def test_on_closed_form_traces(name, asked):
    samples, changes = CLOSED[name]
    measure(recording_of(samples, **changes))
    _same_as_plain(asked)


def test_features_of_a_closed_form_trace():
    """Heights as they were put in: 1.0, 0.9, 0.6, 0.55, 0.5, and what was added."""
    lens_front = 10.0 + LE_GRAND_US[2]
    rf = _with((lens_front + 2.0, 0.3), (26.0, 0.1))
    found = measure(recording_of(rf)).features

    def ratio(a, b):
        # A candidate's level is read on the grid, not at the crest: up to 0.6 dB with the noise.
        return pytest.approx(20.0 * np.log10(a / b), abs=1.0)

    assert found["cornea_imbalance_db"][0] == ratio(1.0, 0.9)
    assert found["cornea_against_lens_db"][0] == ratio(1.0, 0.6)
    assert found["lens_echo_against_lens_db"][0] == ratio(0.3, 0.55)
    assert found["vitreous_echo_against_retina_db"][0] == ratio(0.1, 0.5)
    assert found["vitreous_spike_against_retina_db"][0] == ratio(0.1, 0.5)
    assert found["chamber_mm"][0] == pytest.approx(LE_GRAND_US[2] * 1.532 / 2, abs=0.01)
    contact = measure(recording_of(eye_traces(1, cornea_us=1.3), **CONTACT)).features
    assert contact["fluid_gap_us"][0] == pytest.approx(0.3, abs=0.003)
