"""The field of the disc and the echo of a plane against closed forms."""

import dataclasses
import math

import numpy as np
import pytest
import scipy
from synthesis_reference import WATER_MM_PER_US, oneil_axial, tapered, tilted_focal_plane

from echotrace.errors import ParameterError
from echotrace.kernels.facets import facet_sum
from echotrace.media import MEDIA
from echotrace.synthesis.beam import Surface, trace_beam
from echotrace.synthesis.facets import facets_on, interface_response
from echotrace.synthesis.probe import (
    Band,
    Disc,
    disc_pressure,
    lommel_table,
    parallel_plane_response,
    pulse,
    pulse_band,
    pulse_spectrum,
)

# check values were computed for 1532 m/s at 10 MHz; the same wavenumber in the reference water:
K_1532 = 2.0 * math.pi * 10.0 / 1.532
F_1532_HZ = 10e6 * WATER_MM_PER_US / 1.532

WALL = dataclasses.replace(MEDIA["water"], name="wall", density_kg_per_m3=1e12)
STILL_WATER = dataclasses.replace(MEDIA["water"], attenuation_db_per_cm_mhz=0.0)


def single_frequency(frequency_hz: float) -> Band:
    return Band(np.array([frequency_hz, frequency_hz * 1.001]), np.ones(2), 3.6)


def plane_echo(disc: Disc, distance_mm: float, tilt_deg: float, frequency_hz: float) -> complex:
    """Echo of a perfect plane by the facet sum."""
    tilt = math.radians(tilt_deg)
    normal = np.array([math.sin(tilt), 0.0, math.cos(tilt)])
    plane = Surface("plane", np.array([0.0, 0.0, distance_mm]) + 1e7 * normal, 1e7)
    path = trace_beam(
        [plane],
        [STILL_WATER, WALL],
        [1000.0 * WATER_MM_PER_US] * 2,
        np.zeros(3),
        np.array([0.0, 0.0, 1.0]),
    )
    return complex(interface_response(disc, path, 0, single_frequency(frequency_hz))[0])


def test_axial_pressure_is_oneils():
    disc = Disc(aperture_mm=5.0, focus_mm=25.0)
    z = np.linspace(10.0, 60.0, 501)
    z = z[np.abs(z - 25.0) > 0.05]
    ours = np.abs(disc_pressure(disc, z, 0.0, F_1532_HZ))
    closed = oneil_axial(z, K_1532, 2.5, 25.0)
    # The paraxial approximation costs at most this much of the largest pressure.
    assert np.max(np.abs(ours - closed)) < 0.02 * closed.max()


def test_focal_gain_and_axial_maximum():
    disc = Disc(aperture_mm=5.0, focus_mm=25.0)
    # O'Neil 1949: k h = 5.1395 at the focus; maximum 6.0404 at 18.857 mm (R = 25 mm, D = 5 mm,
    # 10 MHz, 1532 m/s).
    assert abs(disc_pressure(disc, 25.0, 0.0, F_1532_HZ)) == pytest.approx(5.1395, rel=0.005)
    z = np.linspace(15.0, 23.0, 8001)
    axial = np.abs(disc_pressure(disc, z, 0.0, F_1532_HZ))
    assert axial.max() == pytest.approx(6.0404, rel=0.005)
    assert z[axial.argmax()] == pytest.approx(18.857, abs=0.05)


def test_near_field_length_of_a_flat_disc():
    disc = Disc(aperture_mm=5.0, focus_mm=math.inf)
    z = np.linspace(30.0, 55.0, 2501)
    axial = np.abs(disc_pressure(disc, z, 0.0, F_1532_HZ))
    # Last axial maximum at D²/(4 lambda) - lambda/4 = 40.76 mm (Kinsler et al., Fundamentals of
    # Acoustics, circular piston).
    assert z[axial.argmax()] == pytest.approx(40.76, abs=0.08)
    assert axial.max() == pytest.approx(2.0, rel=1e-3)


def test_beam_width_at_the_focus():
    disc = Disc(aperture_mm=5.0, focus_mm=25.0)
    wavelength, f_number = 0.1532, 5.0
    r = np.linspace(0.0, 1.5, 3001)
    lateral = np.abs(disc_pressure(disc, 25.0, r, F_1532_HZ))
    lateral /= lateral[0]
    one_way = 2.0 * r[np.argmax(lateral < 10 ** (-6.0 / 20.0))]
    two_way = 2.0 * r[np.argmax(lateral**2 < 10 ** (-6.0 / 20.0))]
    # -6 dB widths of the Airy pattern: 1.408 F lambda one way, 1.027 F lambda pulse-echo (the
    # handbook's "1.03 F lambda").
    assert one_way == pytest.approx(1.408 * f_number * wavelength, rel=0.005)
    assert two_way == pytest.approx(1.027 * f_number * wavelength, rel=0.005)


def test_depth_of_field():
    disc = Disc(aperture_mm=8.0, focus_mm=30.0)
    k = 2.0 * math.pi * 10.0 / WATER_MM_PER_US
    z = np.linspace(12.0, 120.0, 20001)
    axial = np.abs(disc_pressure(disc, z, 0.0, 10e6)) ** 2
    inside = z[axial > 0.5 * axial.max()]
    near_field = 16.0 * k / (2.0 * math.pi)
    s_f = 30.0 / near_field
    # Focal zone of the handbooks, N S² 2/(1 + S/2), -6 dB pulse-echo (value from memory, an
    # approximation itself).
    handbook = near_field * s_f**2 * 2.0 / (1.0 + 0.5 * s_f)
    assert inside[-1] - inside[0] == pytest.approx(handbook, rel=0.15)


@pytest.mark.parametrize("frequency_hz", [6e6, 10e6, 14e6])
def test_plane_at_the_focus(frequency_hz):
    disc = Disc(aperture_mm=5.0, focus_mm=25.0)
    # Chen X et al. 1997, diffraction correction of a focused disc and a plane at its focus:
    # 1 - exp(-i G) (J0(G) + i J1(G)) with G = k a²/(2 F) in modulus (value from memory); the
    # wave that went through the focus comes back inverted and conjugate.
    g = 2.0 * math.pi * frequency_hz * 1e-6 / WATER_MM_PER_US * 2.5**2 / (2.0 * 25.0)
    closed = 1.0 - np.exp(-1j * g) * (scipy.special.j0(g) + 1j * scipy.special.j1(g))
    ours = plane_echo(disc, 25.0, 0.0, frequency_hz)
    assert ours == pytest.approx(-np.conj(closed), abs=0.02)


@pytest.mark.parametrize("distance_mm", [2.0, 5.0])
def test_plane_in_the_near_field_of_a_flat_disc(distance_mm):
    disc = Disc(aperture_mm=5.0, focus_mm=1e6)
    # Rogers & Van Buren 1974, J Acoust Soc Am 55:724, mean pressure over the mirror image.
    closed = parallel_plane_response(disc, distance_mm, np.array([10e6]))[0]
    assert abs(closed) > 0.85
    assert plane_echo(disc, distance_mm, 0.0, 10e6) == pytest.approx(closed, abs=0.03)


def test_tilted_plane_against_piston_directivity():
    disc = Disc(aperture_mm=7.0, focus_mm=1e6)
    k = 2.0 * math.pi * 10.0 / WATER_MM_PER_US
    on_axis = abs(plane_echo(disc, 4.0, 0.0, 10e6))
    for tilt_deg in (0.1, 0.25, 0.43, 0.6):
        # A collimated beam comes back turned by twice the tilt: 2 J1(x)/x, x = k a sin(2 tilt)
        # (directivity of a piston, Kinsler et al.). Half amplitude at 0.43° for 7 mm.
        x = k * 3.5 * math.sin(2.0 * math.radians(tilt_deg))
        expected = 2.0 * scipy.special.j1(x) / x
        assert abs(plane_echo(disc, 4.0, tilt_deg, 10e6)) / on_axis == pytest.approx(
            expected,
            abs=0.04,  # the rim's diffraction over 8 mm, Fresnel number 20
        )


def test_tilted_plane_at_the_focus_against_fourier_bessel():
    disc = Disc(aperture_mm=5.0, focus_mm=25.0)
    on_axis = abs(tilted_focal_plane(disc, 0.0, 10e6))
    lowest = 0.0
    for tilt_deg in np.arange(0.0, 5.01, 0.2):
        expected = 20.0 * math.log10(abs(tilted_focal_plane(disc, tilt_deg, 10e6)) / on_axis)
        if expected < -30.0:
            continue
        lowest = min(lowest, expected)
        ours = 20.0 * math.log10(abs(plane_echo(disc, 25.0, tilt_deg, 10e6)) / on_axis)
        assert ours == pytest.approx(expected, abs=0.3), tilt_deg
    assert lowest < -15.0


def test_kernel_against_plain_sum():
    disc = Disc(edge_taper=0.5)
    surface = Surface.on_axis("cap", 12.0, 9.0)
    path = trace_beam(
        [surface],
        [STILL_WATER, WALL],
        [1000.0 * WATER_MM_PER_US] * 2,
        np.zeros(3),
        np.array([0.03, 0.0, math.sqrt(1.0 - 0.03**2)]),
    )
    facets = facets_on(disc, path, 0, facets_per_wavelength=0.5)
    k = np.array([30.0, 42.0, 54.0])
    table = lommel_table(0.0, 200.0, 200.0, 0.5)
    total = np.zeros((3, 2))
    facet_sum(
        table.values, table.u_min, table.step_u, table.step_v, facets.u_per_k, facets.v_per_k,
        facets.phase_per_k, facets.weight, 30.0, 12.0, total,
    )  # fmt: skip
    node, weight = np.polynomial.legendre.leggauss(300)
    s, weight = 0.5 * (node + 1.0), 0.5 * weight
    for m, wavenumber in enumerate(k):
        u, v = wavenumber * facets.u_per_k, wavenumber * facets.v_per_k
        integral = (
            np.exp(1j * np.multiply.outer(u, 0.5 * s**2 - 0.25))
            * scipy.special.j0(np.multiply.outer(v, s))
        ) @ (weight * s * tapered(s, 0.5))
        plain = np.sum(facets.weight * integral**2 * np.exp(1j * wavenumber * facets.phase_per_k))
        assert total[m] @ [1.0, 1j] == pytest.approx(plain, rel=3e-3)


def test_pulse_has_the_stated_bandwidth():
    disc = Disc(centre_frequency_hz=10e6, fractional_bandwidth=0.6)
    step_us = 0.002
    wave = pulse(disc, (np.arange(4096) - 2048) * step_us)
    spectrum = np.abs(np.fft.rfft(wave))
    frequency_mhz = np.fft.rfftfreq(4096, step_us)
    inside = frequency_mhz[spectrum >= 10 ** (-6.0206 / 20.0) * spectrum.max()]
    # ASTM E1065: bandwidth between the -6 dB edges, centre frequency their mean.
    assert inside[-1] - inside[0] == pytest.approx(6.0, abs=0.25)
    assert 0.5 * (inside[-1] + inside[0]) == pytest.approx(10.0, abs=0.1)
    assert pulse_spectrum(disc, 13e6) == pytest.approx(0.5, rel=1e-6)


def test_band_makes_the_pulse():
    disc = Disc()
    band = pulse_band(disc)
    t = np.linspace(-0.5, 0.5, 401)
    made = band.waveform(np.ones(band.frequency_hz.size, np.complex128), t)
    assert np.max(np.abs(made - pulse(disc, t))) < 0.01


@pytest.mark.parametrize("change", [{"focus_mm": 0.0}, {"aperture_mm": -1.0}, {"edge_taper": 1.5}])
def test_impossible_discs(change):
    with pytest.raises(ParameterError, match=next(iter(change))):
        Disc(**change)
