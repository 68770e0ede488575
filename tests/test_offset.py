"""Samples that do not swing about zero, and samples that the stated bits cannot hold."""

import dataclasses

import numpy as np
import pytest
from closed_form import LE_GRAND_AXIAL_MM, eye_traces, recording_of

from echotrace.chain.measure import measure
from echotrace.chain.plain import view_trace
from echotrace.errors import EchotraceWarning, RecordingError
from echotrace.recording import Receiver
from echotrace.settings import Settings

ENGINES = ["fused", "plain"]


def _counts(bits=8, n_traces=4, seed=0):
    limit = 2 ** (bits - 1) - 1
    return np.rint(0.75 * limit * eye_traces(n_traces, seed=seed)).clip(-limit, limit)


def _recording(counts, bits=8, **more):
    receiver = Receiver(full_scale=1.0, bits=bits, **more)
    return recording_of(counts.astype(np.int16), receiver=receiver)


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(("bits", "offset"), [(8, 128), (8, 12), (12, 2048), (12, -90)])
def test_an_offset_is_taken_off_and_said(engine, bits, offset):
    """The same digits as without it, but for the finding with its size."""
    counts = _counts(bits)
    if offset < 2 ** (bits - 1):
        counts = 0.8 * counts
    counts = np.rint(counts)
    settings = Settings(engine=engine)
    clean = measure(_recording(counts, bits), settings)
    with pytest.warns(EchotraceWarning, match=rf"samples stand \{offset:+d} off zero"):
        found = measure(_recording(counts + offset, bits), settings)
    np.testing.assert_array_equal(found.delay_us, clean.delay_us)
    assert f"{100 * abs(offset) / (2 ** (bits - 1) - 1):.1f} %" in found.attributes["offset"]
    assert "offset" not in clean.attributes
    np.testing.assert_array_equal(found.accepted, clean.accepted)
    assert found.accepted.all()
    np.testing.assert_allclose(found.axial_length_mm, LE_GRAND_AXIAL_MM, atol=5e-3)
    features = {name: float(values[0]) for name, values in found.features.items()}
    full = 2 ** (bits - 1) - 1
    assert features["offset_percent"] == pytest.approx(100 * abs(offset) / full)
    assert view_trace(_recording(counts + offset, bits), 0).delay_us[0, -2] == pytest.approx(
        clean.delay_us[0, -2], abs=1e-3
    )


@pytest.mark.parametrize("engine", ENGINES)
def test_offset_of_samples_in_floats(engine):
    rf = eye_traces(3)
    with pytest.warns(EchotraceWarning, match=r"samples stand \+0\.5"):
        found = measure(recording_of(rf + 0.5), Settings(engine=engine))
    clean = measure(recording_of(rf), Settings(engine=engine))
    np.testing.assert_allclose(found.delay_us, clean.delay_us, atol=1e-5)


@pytest.mark.parametrize("engine", ENGINES)
def test_clipped_samples_stay_clipped(engine):
    counts = np.rint(1.6 * _counts()).clip(-127, 127)
    lifted = (counts + 12).clip(-127, 127)
    clean = measure(_recording(counts), Settings(engine=engine))
    with pytest.warns(EchotraceWarning):
        found = measure(_recording(lifted), Settings(engine=engine))
    assert (clean.features["clipped_fraction"] > 0.0).all()
    assert (found.features["clipped_fraction"] >= clean.features["clipped_fraction"]).all()


@pytest.mark.parametrize("engine", ENGINES)
def test_a_count_under_strong_time_gain_raises_nothing(engine):
    delay_us = np.arange(5200) * 0.01
    gain = 10.0 ** (np.interp(delay_us, [0.0, 50.0], [0.0, 30.0]) / 20.0)
    tgc = {"tgc_delay_us": (0.0, 50.0), "tgc_gain_db": (0.0, 30.0)}
    rf = eye_traces(3, noise=0.001, amplitudes=(0.5, 0.45, 0.2, 0.15, 0.04))
    counts = np.rint(127 * rf * gain).clip(-127, 127)
    settings = Settings(engine=engine)
    clean = measure(_recording(counts, **tgc), settings)
    found = measure(_recording((counts + 1).clip(-127, 127), **tgc), settings)
    np.testing.assert_array_equal(found.findings, clean.findings)
    np.testing.assert_allclose(found.axial_length_mm, clean.axial_length_mm, atol=2e-3)


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("period_us", [10.0, 52.0])
def test_a_slow_baseline_moves_nothing(engine, period_us):
    """A fifth of full scale, as a converter that warms up or a coupling that recovers."""
    rf = eye_traces(3)
    drift = 0.3 * np.cos(2 * np.pi * np.arange(rf.shape[1]) * 0.01 / period_us)
    clean = measure(recording_of(rf), Settings(engine=engine))
    found = measure(recording_of(rf + drift.astype(np.float32)), Settings(engine=engine))
    np.testing.assert_allclose(found.axial_length_mm, clean.axial_length_mm, atol=2e-3)
    np.testing.assert_array_equal(found.accepted, clean.accepted)
    np.testing.assert_array_equal(found.findings, clean.findings)


def test_what_the_bits_cannot_hold_is_refused():
    counts = _counts()
    counts[0, 100] = 229
    with pytest.raises(RecordingError, match=r"bits=8 holds -128 to 127, and samples run from"):
        measure(_recording(counts))
    # Without sign, but not about the middle.
    with pytest.raises(RecordingError, match="has its middle at 128"):
        measure(_recording(np.abs(1.9 * _counts())))
    measure(_recording(_counts(), bits=9))
    unknown = dataclasses.replace(_recording(_counts()).receiver, bits=0)
    counts[0, 100] = 229
    measure(recording_of(counts.astype(np.int16), receiver=unknown))
