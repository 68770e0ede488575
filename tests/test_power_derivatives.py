"""The derivatives of every formula against differences of the formula written out anew.

Nothing of the package is used to compute an expected value: refraction follows from vergences in
metres, step by step from retina to spectacles, and each formula's corneal power, lens position and
optical length are written as in its paper (coefficients from memory, as in the package): Retzlaff,
Sanders & Kraff 1990, J Cataract Refract Surg 16:333; Hoffer 1993, 19:700; Holladay et al. 1988,
14:17; Haigis, thin-lens form of Gernet, Ostholt & Werner 1970.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from echotrace.power import (
    Biometry,
    Formula,
    LensConstant,
    refraction_d,
    sensitivity,
    spectacle_plane_d,
)

A, PACD, SF, HAIGIS, ELP = 118.4, 5.20, 1.45, (1.05, 0.4, 0.1), 5.0


def _srk_t(length, r1, r2, _chamber):
    k = (337.5 / r1 + 337.5 / r2) / 2
    r = 337.5 / k
    long = length if length <= 24.2 else -3.446 + 1.716 * length - 0.0237 * length**2
    width = -5.40948 + 0.58412 * long + 0.098 * k
    height = r - math.sqrt(max(r**2 - width**2 / 4, 0.0))
    return 333.0 / r, height + 0.62467 * A - 68.747 - 3.336, length * 0.97971 + 0.65696


def _hoffer_q(length, r1, r2, _chamber):
    k = (337.5 / r1 + 337.5 / r2) / 2
    kept = min(max(length, 18.5), 31.0)
    m, g = (1, 28.0) if kept <= 23.0 else (-1, 23.5)
    position = (
        PACD
        + 0.3 * (kept - 23.5)
        + math.tan(math.radians(k)) ** 2
        + 0.1 * m * (23.5 - kept) ** 2 * math.tan(math.radians(0.1 * (g - kept) ** 2))
        - 0.99166
    )
    return k, position + 0.05, length


def _holladay_1(length, r1, r2, _chamber):
    k = (337.5 / r1 + 337.5 / r2) / 2
    r = max(337.5 / k, 7.0)
    ag = min(12.5 * length / 23.45, 13.5)
    return k * 4 / 4.05, 0.56 + r - math.sqrt(r * r - ag * ag / 4) + SF, length + 0.2


def _haigis(length, r1, r2, chamber):
    chamber = 0.139 * length - 0.241 if math.isnan(chamber) else chamber
    a0, a1, a2 = HAIGIS
    return 331.5 / ((r1 + r2) / 2), a0 + a1 * chamber + a2 * length, length


def _vergence(length, r1, r2, _chamber):
    return (337.5 / r1 + 337.5 / r2) / 2, ELP, length


FORMULAS = {
    Formula.SRK_T: (_srk_t, (A,)),
    Formula.HOFFER_Q: (_hoffer_q, (PACD,)),
    Formula.HOLLADAY_1: (_holladay_1, (SF,)),
    Formula.HAIGIS: (_haigis, HAIGIS),
    Formula.VERGENCE: (_vergence, (ELP,)),
}


def written_out(formula, length, k1, k2, chamber, power, *, index=1.3375, vertex=12.0, shift=0.0):
    """Spectacle refraction, D, by vergences in metres from the retina to the spectacles."""
    radii = (1000 * (index - 1) / k1, 1000 * (index - 1) / k2)
    cornea, position, optical = FORMULAS[formula][0](length, *radii, chamber)
    position, optical = (position + shift) / 1000, optical / 1000
    at_lens = 1.336 / (optical - position) - power
    at_cornea = 1.336 / (1.336 / at_lens + position)
    refraction = at_cornea - cornea
    return 1 / (1 / refraction + vertex / 1000) if refraction else 0.0


def slope(function, at, h=1e-4):
    """Central difference with its error of the second order taken out (Richardson)."""

    def central(step):
        return (function(at + step) - function(at - step)) / (2 * step)

    return (4 * central(h / 2) - central(h)) / 3


# Both laws of SRK/T (24.2 mm) and Hoffer Q (23.0 mm), the limits of Hoffer Q (31 mm) and Holladay 1
# (25.3 mm, 48.2 D), the guard of SRK/T (45.5 D, 34.5 mm).
EYES = [
    (19.3, 43.5, 45.0, 2.6),
    (22.4, 44.0, 44.5, 3.1),
    (23.6, 41.0, 43.0, math.nan),
    (24.9, 43.5, 44.5, 3.3),
    (26.8, 49.0, 50.5, 3.5),
    (30.3, 40.0, 41.0, math.nan),
    (32.5, 40.0, 40.0, 3.6),
    (34.5, 45.5, 45.5, 3.6),
]


@pytest.mark.parametrize("formula", list(FORMULAS), ids=str)
@pytest.mark.parametrize("eye", EYES, ids=lambda eye: f"{eye[0]} mm")
@pytest.mark.parametrize(("index", "vertex"), [(1.3375, 12.0), (1.332, 14.0)])
def test_refraction_and_its_derivatives(formula, eye, index, vertex):
    length, k1, k2, chamber = eye
    power = 28.0 - 2.3 * (length - 20.0)
    one = Biometry(
        axial_length_mm=length,
        k1_d=k1,
        k2_d=k2,
        chamber_depth_mm=np.asarray(chamber),
        keratometric_index=index,
        vertex_mm=vertex,
    )
    constant = LensConstant(formula, FORMULAS[formula][1])

    def f(dl=0.0, dk=0.0, dc=0.0, dx=0.0, dp=0.0):
        return written_out(
            formula,
            length + dl,
            k1 + dk,
            k2 + dk,
            chamber + dc,
            power + dp,
            index=index,
            vertex=vertex,
            shift=dx,
        )

    assert float(refraction_d(one, constant, power)) == pytest.approx(f(), abs=1e-9)
    found = sensitivity(one, constant, power)
    expected = {
        "length_d_per_mm": slope(lambda x: f(dl=x), 0.0),
        "k_d_per_d": slope(lambda x: f(dk=x), 0.0),
        "chamber_d_per_mm": 0.0 if math.isnan(chamber) else slope(lambda x: f(dc=x), 0.0),
        "lens_position_d_per_mm": slope(lambda x: f(dx=x), 0.0),
        "lens_power_d_per_d": slope(lambda x: f(dp=x), 0.0),
    }
    for name, value in expected.items():
        assert float(getattr(found, name)) == pytest.approx(value, rel=2e-7, abs=1e-8), name


@pytest.mark.parametrize("refraction", [-6.0, -0.5, 0.25, 4.0])
def test_vertex_conversion_has_the_slope_that_is_used(refraction):
    # S = 1/(1/C + v): dS/dC = 1/(1 + v C)^2 (common paraxial optics).
    found = slope(lambda c: float(spectacle_plane_d(c, 12.0)), refraction)
    assert found == pytest.approx(1 / (1 + 0.012 * refraction) ** 2, rel=1e-9)
