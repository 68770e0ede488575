"""Contact under transmit pulses that the synthesis never drew, on full-wave traces of others.

The two traces belong to others and are not part of this project; where they are not at hand the
tests are skipped and say so. Their eye is 24 mm long, the beam 2° and 8° off its axis, a curved
cornea under a flat face, water in the gap between them.
"""

from pathlib import Path

import numpy as np
import pytest

from echotrace.chain.measure import measure
from echotrace.recording import Probe, Receiver, Recording

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
KINDS = ("as computed", "none", "long", "modes", "block", "recovery", "begins late")


def contact(name, kind, seed=0, *, gel_us=0.0, n_traces=3):
    """The full-wave echoes under another transmit pulse: a recording in 12 bits, and its truth.

    Full scale is 1.1 times the largest echo behind 1 µs, which saturates the pulse.
    """
    path = DATA / f"fullwave_contact_{name}.npz"
    if not path.exists():
        pytest.skip(f"{path.name} is not on this machine: it is not part of the project")
    with np.load(path) as data:
        rf, echoes = (np.ravel(data[key]).astype(float) for key in ("rf", "rf_echo"))
        rate_hz, truth_mm = float(data["fs"]), float(data["true_axial_length_mm"])
    rng = np.random.default_rng(seed)
    t = np.arange(rf.size) / rate_hz * 1e6
    full = 1.1 * np.abs(rf[t > 1.0]).max()
    height = full * 10.0 ** rng.uniform(0.3, 2.0) * rng.choice([-1.0, 1.0])

    def ringing(low_mhz, high_mhz):
        turn = 2.0 * np.pi * rng.uniform(low_mhz, high_mhz) * t + rng.uniform(0.0, 6.28)
        return np.exp(-t / rng.uniform(0.04, 0.2)) * np.cos(turn)

    pulse = {
        "long": lambda: ringing(8.0, 12.0),
        "modes": lambda: sum(rng.uniform(0.2, 1.0) * ringing(4.0, 16.0) for _ in range(3)),
        "block": lambda: (t < rng.uniform(0.1, 0.4)).astype(float),
        "recovery": lambda: np.exp(-t / rng.uniform(0.05, 0.15)),
    }
    moved = round(gel_us * 1e-6 * rate_hz)
    trace = rf if kind == "as computed" else np.roll(echoes, moved)
    trace[:moved] = 0.0
    if kind in pulse:
        trace = trace + height * pulse[kind]()
    first = round(rng.uniform(0.3, 1.0) * 1e-6 * rate_hz) if kind == "begins late" else 0
    samples = trace[first:] + 1e-3 * full * rng.standard_normal((n_traces, rf.size - first))
    recording = Recording(
        samples=np.rint(np.clip(samples / full, -1.0, 1.0) * 2047).astype(np.int16),
        sampling_rate_hz=rate_hz,
        start_delay_us=first / rate_hz * 1e6,
        method="contact",
        eye="right",
        lens_state="phakic",
        subject="invented-01",
        probe=Probe(
            centre_frequency_hz=10e6,
            fractional_bandwidth=0.5,
            face_delay_us=0.0,
            face_delay_u_us=0.005,
        ),
        receiver=Receiver(full_scale=1.0, bits=12),
        gain_db=0.0,
    )
    return recording, truth_mm


@pytest.mark.compiled
@pytest.mark.parametrize("kind", KINDS)
def test_on_axis_is_accepted_and_right(kind):
    for seed in range(4):
        recording, truth_mm = contact("2deg", kind, seed)
        result = measure(recording)
        assert result.accepted.all(), result.finding_list(0)
        assert not result.has_finding("fluid_before_cornea").any()
        np.testing.assert_allclose(result.axial_length_mm, truth_mm, atol=0.03)


@pytest.mark.compiled
@pytest.mark.parametrize("kind", KINDS)
def test_off_axis_is_rejected(kind):
    for seed in range(4):
        recording, _ = contact("8deg", kind, seed)
        assert not measure(recording).accepted.any()


@pytest.mark.compiled
@pytest.mark.parametrize("kind", ["none", "block", "recovery"])
@pytest.mark.parametrize("gel_us", [0.3, 0.6, 1.2])
def test_fluid_is_still_seen(kind, gel_us):
    """0.23 to 0.92 mm of gel; no claim is made where a ring-down of 1 µs covers it."""
    recording, _ = contact("2deg", kind, seed=1, gel_us=gel_us)
    result = measure(recording)
    assert result.has_finding("fluid_before_cornea").all()
    assert not result.accepted.any()
    np.testing.assert_allclose(result.features["fluid_gap_us"], gel_us, atol=0.08)
