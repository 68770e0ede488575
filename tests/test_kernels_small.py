"""Kernels that need many samples elsewhere, on so few that they run in plain Python too."""

import math

import numpy as np
import pytest
from test_chunks import hdf5_checksum

from echotrace.kernels.checksum import fletcher32
from echotrace.kernels.facets import deposit_scatterers, facet_sum

U_MIN, STEP_U, STEP_V = -3.0, 0.5, 0.25


def field(u, v):
    """Linear along its first axis, cubic along its second: what the table's lookup has exactly."""
    return (1.0 + 0.3 * u) * (1.0 - 0.2 * v + 0.05 * v**3) + 1j * (0.4 * u + 0.1 * v**2)


@pytest.fixture(scope="module")
def table():
    u = U_MIN + STEP_U * np.arange(17)
    v = STEP_V * (np.arange(23) - 1.0)
    values = field(u[:, None], v[None, :])
    return np.stack([values.real, values.imag], axis=-1).astype(np.float32)


def test_facets_are_summed_with_their_phases(table):
    """More wavenumbers than the eight whose turns are taken singly; one facet off the table."""
    u_per_k, v_per_k = np.array([0.01, -0.05, 0.08, 9.0]), np.array([0.02, 0.07, 0.0, 0.02])
    phase_per_k, weight = np.array([1.0, -2.5, 40.0, 1.0]), np.array([1.0, -0.7, 0.25, 3.0])
    first, step, n = 20.0, 1.5, 19
    total = np.ones((n, 2))
    facet_sum(
        table, U_MIN, STEP_U, STEP_V, u_per_k, v_per_k, phase_per_k, weight, first, step, total
    )
    k = (first + step * np.arange(n))[:, None]
    seen = np.array([1.0, 1.0, 1.0, 0.0])
    parts = seen * weight * field(k * u_per_k, k * v_per_k) ** 2 * np.exp(1j * k * phase_per_k)
    # Added to what was there.
    np.testing.assert_allclose(total @ [1.0, 1j] - (1.0 + 1j), parts.sum(axis=1), rtol=2e-5)


def test_scatterers_lie_in_their_nearest_sample(table):
    u, v = np.array([0.4, -1.2, 2.0, 0.0, 0.0]), np.array([0.6, 1.9, 0.0, 0.0, 0.0])
    phase, weight = np.array([0.3, -1.0, 2.0, 0.0, 0.0]), np.array([1.0, 2.0, -0.5, 1.0, 1.0])
    position = np.array([2.3, 2.49, 6.5, -0.6, 8.6])  # the last two lie outside
    baseband = np.zeros((9, 2))
    deposit_scatterers(table, U_MIN, STEP_U, STEP_V, u, v, phase, weight, position, 0.1, baseband)
    wanted = np.zeros(9, complex)
    for j, n in ((0, 2), (1, 2), (2, 7)):
        # Conjugate to the sum over facets; the rest of a sample turns the carrier.
        turn = phase[j] + 2.0 * math.pi * 0.1 * (position[j] - n)
        wanted[n] += weight[j] * np.conj(field(u[j], v[j]) ** 2) * np.exp(-1j * turn)
    np.testing.assert_allclose(baseband @ [1.0, 1j], wanted, rtol=2e-5, atol=1e-12)


@pytest.mark.parametrize("n", [1, 4095, 4096, 4100, 8193])
def test_checksum_is_that_of_hdf5(n):
    words = np.random.default_rng(n).integers(0, 65536, n).astype("<u2")
    for values in (words, np.full(n, 65535, "<u2"), np.zeros(n, "<u2"), words.view(np.uint8)[:-1]):
        assert fletcher32(np.ascontiguousarray(values)) == hdf5_checksum(values)
