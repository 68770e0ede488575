"""Kernels where nothing is compiled: loops by whole arrays, without numba, and the same numbers."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from echotrace.kernels import choice, echoes, evidence, noise, noise_profile

sys.path.insert(0, str(Path(__file__).parent / "golden"))

from make_measured import FILE, FOLDER, differences

pytestmark = pytest.mark.compiled

COUNT, Q = 21, 5


@pytest.fixture
def rng():
    return np.random.default_rng(11)


def _plan(rng, *, fixed):
    """Gates and legs of five interfaces: some hold nothing, some everything."""
    gate = np.zeros((Q, evidence.GATE_COLUMNS))
    gate[:, evidence.LOOKED_FOR] = [1, 1, 0, 1, 1]
    gate[:, evidence.THRESHOLD_DB] = rng.uniform(10, 20, Q)
    gate[:, evidence.LOW_US] = [2, 5, 8, 12, 20]
    gate[:, evidence.HIGH_US] = [9, 14, 20, 30, 40]
    gate[:, evidence.RELATIVE_TO] = [-1, -1, 0, -1, 2]
    gate[:, evidence.LEAD] = rng.uniform(0, 5, Q)
    gate[:, evidence.TAIL] = rng.uniform(0, 5, Q)
    gate[:, evidence.CLEAR_BEFORE] = [0, 1, 0, 1, 1]
    gate[:, evidence.EARLIEST_US] = [0, 3, 3, 3, 15]
    pair = np.zeros((Q, Q, 5))
    for low in range(Q):
        for high in range(low + 1, Q):
            pair[low, high] = (high - low, 9.0 * (high - low), 4.0 * (high - low), 0.2, 1.5)
    first_us = np.float32(1.7 if fixed else 0.0)
    return gate, pair, first_us, rng.uniform(0.5, 3.0, 9)


def _space(rng):
    space = evidence.choice_space.py_func(Q, COUNT)
    n = space.row.shape[1]
    space.row[evidence.AT, :COUNT] = np.sort(rng.uniform(1.0, 40.0, COUNT))
    space.row[evidence.AT, COUNT:] = 1e6
    space.row[evidence.LEVEL, :COUNT] = rng.uniform(5, 50, COUNT)
    space.row[evidence.LEVEL, COUNT:] = evidence.LOW_DB
    space.row[evidence.ECHO_SHAPE, :COUNT] = rng.uniform(0, 3, COUNT)
    space.rival[:, :] = 0.0
    assert n > COUNT
    return space


@pytest.mark.parametrize("fixed", [False, True])
def test_weighing_and_paths_by_arrays(rng, fixed):
    gate, pair, first_us, weight = _plan(rng, fixed=fixed)
    one, other = _space(np.random.default_rng(3)), _space(np.random.default_rng(3))
    n = one.row.shape[1]
    choice._rivals.py_func(COUNT, one.row[evidence.LEVEL], one.rival)
    choice._rivals_by_arrays(COUNT, other.row[evidence.LEVEL], other.rival)
    np.testing.assert_array_equal(one.rival, other.rival)
    assert 0.1 < (one.rival > 0.0).mean() < 0.9
    evidence._weigh.py_func(gate, fixed, weight, n, COUNT, one)
    evidence._weigh_by_arrays(gate, fixed, weight, n, COUNT, other)
    np.testing.assert_allclose(one.table, other.table, rtol=1e-6)
    choice._forward.py_func(gate, pair, fixed, first_us, 2.0, COUNT, one)
    choice._forward_by_arrays(gate, pair, fixed, first_us, 2.0, COUNT, other)
    choice._backward.py_func(gate, pair, 2.0, COUNT, one)
    choice._backward_by_arrays(gate, pair, 2.0, COUNT, other)
    for row in (evidence.FORWARD, evidence.BACKWARD):
        known = one.table[row][:, :COUNT]
        np.testing.assert_allclose(known, other.table[row][:, :COUNT], rtol=1e-5, atol=1e-5)
        assert np.isfinite(known).any()
    assert np.isinf(one.table[evidence.FORWARD, :, :COUNT]).any()


@pytest.mark.parametrize("count", [0, 1])
def test_paths_of_no_echo_and_of_one(rng, count):
    gate, pair, first_us, _ = _plan(rng, fixed=True)
    for fixed in (False, True):
        one, other = _space(np.random.default_rng(3)), _space(np.random.default_rng(3))
        for space, forward, backward in (
            (one, choice._forward.py_func, choice._backward.py_func),
            (other, choice._forward_by_arrays, choice._backward_by_arrays),
        ):
            forward(gate, pair, fixed, first_us, 2.0, count, space)
            backward(gate, pair, 2.0, count, space)
        np.testing.assert_allclose(one.table[1:, :, :count], other.table[1:, :, :count], rtol=1e-5)


def test_describing_echoes_by_arrays(rng):
    seen = rng.uniform(0.5, 2.0, (8, 40)).astype(np.float32)
    seen[1] = np.maximum(seen[0], seen[2]) * rng.uniform(1.0, 2.0, 40).astype(np.float32)
    seen[3, ::5] = 0.0
    seen[1, ::7] = 0.2  # A dip, no crest.
    found = []
    for describe in (echoes._describe.py_func, echoes._describe_by_arrays):
        out = [np.zeros(40, np.float32) for _ in range(4)]
        describe(seen.copy(), np.float32(3.0), np.float32(0.7), *out)
        found.append(out)
    for one, other in zip(*found, strict=True):
        np.testing.assert_allclose(one, other, rtol=2e-6, atol=5e-6)
        assert np.ptp(one[np.isfinite(one)]) > 0.0


def test_counts_and_sums_by_arrays(rng):
    values = rng.rayleigh(1.0, 333).astype(np.float32)
    for low, high in ((0.5, 2.0), (0.0, np.inf), (9.0, 9.0)):
        low, high = np.float32(low), np.float32(high)
        assert noise._count.py_func(values, low, high) == noise._count_by_arrays(values, low, high)
    squares = rng.rayleigh(1.0, (332, noise_profile.PARTS)).astype(np.float32) ** 2
    cap = np.linspace(0.1, 9.0, noise_profile.PARTS, dtype=np.float32)
    one, other = (np.zeros(noise_profile.PARTS, np.float32) for _ in range(2))
    noise_profile._capped_sums.py_func(squares, cap, one)
    noise_profile._capped_sums_by_arrays(squares, cap, other)
    np.testing.assert_allclose(one, other, rtol=1e-5)
    np.testing.assert_allclose(one, np.minimum(squares.astype(np.float64), cap).sum(0), rtol=1e-5)


PLAIN = """
import json, sys
sys.path.insert(0, {golden!r})
from make_measured import FOLDER, measured
found = {{path.stem: measured(path) for path in sorted(FOLDER.glob("*.h5"))}}
assert "numba" not in sys.modules
print(json.dumps(found))
"""


@pytest.mark.elsewhere
def test_every_shipped_recording_without_numba():
    """What the command line prints of a sitting is what machine code reads, within what is stated
    for other machines."""
    code = PLAIN.format(golden=str(Path(__file__).parent / "golden"))
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    stored = json.loads(FILE.read_text(encoding="utf-8"))
    assert len(found) == len(list(FOLDER.glob("*.h5")))
    off = [words for name in stored for words in differences(found[name], stored[name], name)]
    assert not off, "\n".join(off)
