"""Facet kernel against a vectorised numpy sum, in turn; time of a long synthetic recording."""

import numpy as np
import pytest
from test_speed import in_turn, once, say

from echotrace.kernels.facets import facet_sum
from echotrace.synthesis.alignment import Pose, beam_through_eye
from echotrace.synthesis.compose import Synthesis
from echotrace.synthesis.eye_model import SCHEMATIC_EYES
from echotrace.synthesis.facets import facets_on, interface_response, table_for
from echotrace.synthesis.probe import Disc, pulse_band
from echotrace.synthesis.sections import MethodSection

DISC = Disc(edge_taper=1.0, tip_mm=0.75)


def vectorised(table, facets, k):
    """The same table, the same weights, all facets and wavenumbers at once."""
    u = (np.multiply.outer(k, facets.u_per_k) - table.u_min) / table.step_u
    v = np.multiply.outer(k, facets.v_per_k) / table.step_v
    row, column = u.astype(int), v.astype(int)
    upper, s = u - row, v - column
    nodes = (
        -s * (s - 1) * (s - 2) / 6,
        (s + 1) * (s - 1) * (s - 2) / 2,
        -(s + 1) * s * (s - 2) / 2,
        (s + 1) * s * (s - 1) / 6,
    )
    values = table.values[..., 0] + 1j * table.values[..., 1]
    field = sum(
        weight * ((1 - upper) * values[row, column + n] + upper * values[row + 1, column + n])
        for n, weight in enumerate(nodes)
    )
    turn = np.exp(1j * np.multiply.outer(k, facets.phase_per_k))
    return np.sum(facets.weight * field**2 * turn, axis=1)


@pytest.mark.parametrize("kind", ["immersion", "contact"])
@pytest.mark.parametrize("name", ["lens_front", "retina"])
def test_facet_kernel(benchmark, kind, name):
    path = beam_through_eye(
        DISC, SCHEMATIC_EYES["navarro"], MethodSection(kind=kind), Pose(tilt_deg=2.0)
    )
    facets = facets_on(DISC, path, path.index(name))
    k = pulse_band(DISC).wavenumber_per_mm
    table = table_for(DISC, facets, float(k[-1]))

    def kernel():
        total = np.zeros((k.size, 2))
        facet_sum(
            table.values, table.u_min, table.step_u, table.step_v, facets.u_per_k,
            facets.v_per_k, facets.phase_per_k, facets.weight, float(k[0]), float(k[1] - k[0]),
            total,
        )  # fmt: skip
        return total @ np.array([1.0, 1j])

    ours = kernel()
    plain = vectorised(table, facets, k)
    assert np.abs(ours - plain).max() < 1e-4 * np.abs(plain).max()
    each = in_turn([kernel, lambda: vectorised(table, facets, k)], 9)
    print(f"\n  {kind} {name}: {facets.weight.size} facets, {k.size} frequencies", end="")
    say(benchmark, "kernel, ms", 1e3 * each[:, 0])
    say(benchmark, "times faster than numpy", each[:, 1] / each[:, 0])
    once(benchmark, kernel)


def test_ten_thousand_scans_of_five_hundred_alignments(benchmark):
    """Told from 20 scans of 20 alignments, new and known: both parts are in proportion."""
    scenario = {"method": {"kind": "immersion"}, "pose": {"alignments": 20}, "scans": 20}
    known = Synthesis(scenario, seed=1)
    each = in_turn(
        [lambda: Synthesis(scenario, seed=1).block(0, 20), lambda: known.block(0, 20)], 5
    )
    say(benchmark, "a new alignment, ms", (each[:, 0] - each[:, 1]) / 20 * 1e3)
    say(benchmark, "a scan of a known alignment, ms", each[:, 1] / 20 * 1e3)
    minutes = (500 * (each[:, 0] - each[:, 1]) / 20 + 10_000 * each[:, 1] / 20) / 60
    say(benchmark, "10,000 scans of 500 alignments, minutes", minutes)
    once(benchmark, lambda: known.block(0, 20))


def test_one_interface(benchmark):
    path = beam_through_eye(
        DISC, SCHEMATIC_EYES["navarro"], MethodSection(kind="immersion"), Pose(tilt_deg=2.0)
    )
    band = pulse_band(DISC)
    j = path.index("cornea_front")
    benchmark(lambda: interface_response(DISC, path, j, band))
