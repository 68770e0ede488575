"""What the transmitted pulse leaves: every kind against its own formula, and what is cut off."""

import numpy as np
import pytest

from echotrace.synthesis import synthesise

FLOATS = {
    "bits": 0,
    "gain_db": -20.0,
    "tgc_delay_us": [0.0],
    "tgc_gain_db": [0.0],
    "jitter_ns": 0.0,
}
LEFT_DB, DECAY_US = 6.0, 0.2
SCALE = 10.0 ** ((LEFT_DB + FLOATS["gain_db"]) / 20.0)


def made(near_field, seed=1, **receiver):
    table = {
        "scans": 2,
        "eye": {"lens_state": "aphakic"},
        "method": {"kind": "contact"},
        "pose": {"alignments": 1},
        "receiver": {**FLOATS, "ring_down_db": LEFT_DB, "ring_down_us": DECAY_US, **receiver},
        "near_field": near_field,
    }
    return synthesise(table, seed)


def left(**near_field):
    """What a kind adds to the same scans without any, in units of its level; and the delays."""
    with_it, without = made(near_field), made({"kind": "none"})
    difference = np.asarray(with_it.samples, float) - np.asarray(without.samples, float)
    return difference / SCALE, with_it.delay_us


def test_block_and_recovery_have_no_carrier():
    block, t = left(kind="block", block_us=0.4)
    np.testing.assert_allclose(block, np.tile(t < 0.4, (2, 1)), atol=1e-5)
    recovery, t = left(kind="recovery", varies=0.0)
    np.testing.assert_allclose(recovery, np.tile(np.exp(-t / DECAY_US), (2, 1)), atol=1e-5)
    turned, _ = left(kind="recovery", varies=0.0, polarity="negative")
    np.testing.assert_allclose(turned, -recovery, atol=2e-5)


def test_two_modes_are_a_ring_down_at_the_probes_frequency():
    found, t = left(varies=0.0, frequency_ratio=0.8)
    main = np.cos(2 * np.pi * 8.0 * t) * np.exp(-t / DECAY_US)
    radial = 0.15 * np.cos(2 * np.pi * 0.62 * 8.0 * t) * np.exp(-t / (1.8 * DECAY_US))
    np.testing.assert_allclose(found, np.tile(main + radial, (2, 1)), atol=1e-5)


def test_many_modes_belong_to_the_probe_and_not_to_the_scan():
    found, _ = left(kind="many_modes", modes=2, varies=0.0)
    np.testing.assert_allclose(found[0], found[1], atol=1e-5)
    # A sum of two damped modes obeys a recurrence over four samples, and none over two.
    for order, holds in ((2, False), (4, True)):
        part = found[0][:60]
        rows = np.lib.stride_tricks.sliding_window_view(part, order + 1)
        misfit = np.linalg.lstsq(rows[:, :-1], rows[:, -1], rcond=None)[1]
        assert (np.sqrt(misfit / part.size) < 1e-5).all() == holds
    other = np.asarray(made({"kind": "many_modes", "modes": 2, "varies": 0.0}, seed=2).samples)
    assert np.abs(other[0, :40] - SCALE * found[0, :40]).max() > 0.3 * SCALE
    moved, _ = left(kind="many_modes", varies=1.0)
    assert np.abs(moved[0] - moved[1]).max() > 0.01


def test_what_is_too_tall_is_clipped():
    recording = made({"kind": "block", "block_us": 0.3}, bits=10, ring_down_db=40.0, gain_db=0.0)
    assert (recording.samples[:, recording.delay_us < 0.295] == 2**9 - 1).all()
    assert not (recording.samples[:, recording.delay_us > 0.305] == 2**9 - 1).any()


def test_a_trace_may_begin_after_it():
    whole, late = made({}), made({"starts_us": 0.5})
    assert late.start_delay_us == pytest.approx(0.5)
    assert late.n_samples == whole.n_samples - 50
    np.testing.assert_array_equal(late.samples, whole.samples[:, 50:])
    np.testing.assert_allclose(late.delay_us, whole.delay_us[50:])
    np.testing.assert_array_equal(late.truth.delay_us, whole.truth.delay_us)


def test_the_kind_changes_nothing_but_the_start():
    whole, other = made({}), made({"kind": "block"})
    far = whole.delay_us > 40.0 * DECAY_US * 1.2
    np.testing.assert_array_equal(whole.samples[:, far], other.samples[:, far])
