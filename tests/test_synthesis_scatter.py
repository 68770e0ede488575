"""Speckle: its statistics, its decay, and what obliqueness does to it."""

import dataclasses
import math

import numpy as np
import pytest
import scipy

from echotrace.media import MEDIA
from echotrace.synthesis.alignment import Pose, beam_through_eye
from echotrace.synthesis.beam import Surface, attenuation, trace_beam
from echotrace.synthesis.echoes import SampleGrid, eye_echoes
from echotrace.synthesis.eye_model import SCHEMATIC_EYES
from echotrace.synthesis.facets import interface_response
from echotrace.synthesis.probe import Disc
from echotrace.synthesis.scatter import BACKSCATTER_PER_CM_SR, layer_speckle, point_speckle
from echotrace.synthesis.sections import MethodSection

DISC = Disc(edge_taper=1.0)
NAVARRO = SCHEMATIC_EYES["navarro"]
METHOD = MethodSection(kind="immersion")
RATE_HZ = 100e6
GRID = SampleGrid(DISC, RATE_HZ, 5632)


def analytic(speckle, path):
    loss = attenuation(path, speckle.layer, GRID.frequency_hz)
    spectrum = np.zeros(GRID.n_padded, np.complex128)
    part = GRID.speckle_spectrum(speckle, loss)
    spectrum[GRID.first_bin : GRID.first_bin + part.size] = 2.0 * part
    return scipy.fft.ifft(spectrum)[: GRID.n_samples]


def fat_envelopes(n, seed=5):
    path = beam_through_eye(DISC, NAVARRO, METHOD, Pose())
    j = path.index("orbit")
    rows = []
    for k in range(n):
        rng = np.random.default_rng([seed, k])
        speckle = layer_speckle(
            DISC, path, j, 8.0, BACKSCATTER_PER_CM_SR["orbital_fat"], rng, sampling_rate_hz=RATE_HZ
        )
        rows.append(np.abs(analytic(speckle, path)))
    return np.array(rows), path.delay_us[j]


def exponential_distance(intensity):
    """Kolmogorov distance of an intensity from the exponential of its own mean."""
    return scipy.stats.kstest(intensity / intensity.mean(), "expon").statistic


# Largest distance at the 1 % level where the mean is estimated from the sample: 1.308/sqrt(n)
# (Stephens 1974, J Am Stat Assoc 69:730, modified statistic; value from memory).
def limit(n):
    return 0.2 / n + 1.308 / (math.sqrt(n) + 0.26 + 0.5 / math.sqrt(n))


def test_speckle_is_rayleigh():
    # Fully developed speckle: the envelope is Rayleigh, its square exponential (Burckhardt 1978,
    # IEEE Trans Sonics Ultrason 25:1; Wagner 1983).
    envelopes, start_us = fat_envelopes(250)
    for depth_us in (1.5, 4.0):
        samples = envelopes[:, round((start_us + depth_us) * 100.0)]
        assert exponential_distance(samples**2) < limit(250)
        # Mean over standard deviation of a Rayleigh variable: 1.913.
        assert samples.mean() / samples.std() == pytest.approx(1.913, rel=0.1)


def test_few_scatterers_are_not_rayleigh():
    path = beam_through_eye(DISC, NAVARRO, METHOD, Pose())
    j = path.index("orbit")
    at = round((path.delay_us[j] + 3.0) * 100.0)
    values = []
    for k in range(300):
        rng = np.random.default_rng([6, k])
        n = 12
        speckle = point_speckle(
            DISC, path, j, rng.uniform(-2, 2, n), rng.uniform(-2, 2, n), rng.uniform(0, 8, n),
            rng.standard_normal(n) * 1e-3, sampling_rate_hz=RATE_HZ,
        )  # fmt: skip
        values.append(np.abs(analytic(speckle, path))[at])
    assert exponential_distance(np.array(values) ** 2) > 2.0 * limit(300)


def test_orbital_echoes_decay_with_the_attenuation_of_fat():
    envelopes, start_us = fat_envelopes(80, seed=7)
    power_db = 10.0 * np.log10(np.mean(envelopes**2, axis=0))
    depth_mm = np.linspace(1.0, 6.0, 26)
    at = np.round((start_us + 2.0 * depth_mm / 1.462) * 100.0).astype(int)
    slope = np.polyfit(depth_mm, power_db[at], 1)[0]
    # 1 dB/(cm MHz) at 10 MHz, both ways: 2 dB/mm; behind the focus the beam spreads as well.
    assert -3.2 < slope < -1.8


def test_doubling_the_scatterers_strength_doubles_the_power():
    path = beam_through_eye(DISC, NAVARRO, METHOD, Pose())
    j = path.index("sclera")
    powers = []
    for strength in (0.1, 0.2):
        rows = [
            np.sum(
                np.abs(
                    analytic(
                        layer_speckle(
                            DISC, path, j, 0.9, strength, np.random.default_rng([8, k]),
                            sampling_rate_hz=RATE_HZ,
                        ),
                        path,
                    )
                )
                ** 2
            )
            for k in range(4)
        ]  # fmt: skip
        powers.append(np.mean(rows))
    assert powers[1] / powers[0] == pytest.approx(2.0, rel=1e-6)


@pytest.mark.parametrize("across_mm", [0.0, 0.2])
def test_a_point_scatterer_has_the_closed_form_echo(across_mm):
    # Born echo of a point of cross-section sigma in the field P of a piston, by reciprocity:
    # lambda/A sqrt(sigma) |P|², at the focus |P| = k a²/(2F) 2 J1(v)/v (Airy pattern).
    disc = Disc(edge_taper=0.0, aperture_mm=5.0, focus_mm=25.0)
    still = dataclasses.replace(MEDIA["water"], attenuation_db_per_cm_mhz=0.0)
    path = trace_beam(
        [Surface("nothing", np.array([0.0, 0.0, 25.0 + 1e7]), 1e7)],
        [still, still],
        [1482.38, 1482.38],
        np.zeros(3),
        np.array([0.0, 0.0, 1.0]),
    )
    speckle = point_speckle(
        disc, path, 0, np.array([across_mm]), np.zeros(1), np.array([1e-6]), np.array([1e-3]),
        sampling_rate_hz=RATE_HZ,
    )  # fmt: skip
    envelope = np.abs(analytic(speckle, path))
    k = 2.0 * math.pi * 10.0 / 1.48238
    v = max(k * 2.5 * across_mm / 25.0, 1e-9)
    field = k * 2.5**2 / 50.0 * 2.0 * scipy.special.j1(v) / v
    expected = 0.148238 / (math.pi * 2.5**2) * 1e-3 * field**2
    assert envelope.max() == pytest.approx(expected, rel=0.01)
    assert envelope.argmax() / 100.0 == pytest.approx(path.delay_us[0], abs=0.011)


def wall_likeness(tilt_deg):
    """Correlation of the wall's echoes between different scatterers at one pose."""
    path = beam_through_eye(DISC, NAVARRO, METHOD, Pose(tilt_deg=tilt_deg))
    first = round((path.delay_us[path.index("retina")] - 0.3) * 100.0)
    last = round((path.delay_us[path.index("orbit")] + 0.3) * 100.0)
    rows = [
        GRID.trace(eye_echoes(DISC, GRID, NAVARRO, path, np.random.default_rng([9, k])).inner)[
            first:last
        ]
        for k in range(8)
    ]
    likeness = np.corrcoef(rows)
    return float(np.mean(likeness[np.triu_indices(8, 1)]))


def test_wall_echoes_turn_into_speckle_beyond_four_degrees():
    # What stays the same from one draw of scatterers to the next is the specular part.
    assert wall_likeness(0.0) > 0.9
    assert wall_likeness(5.0) < 0.35


def test_the_scleral_spike_stands_clear_at_normal_incidence_only():
    def contrast(tilt_deg):
        path = beam_through_eye(DISC, NAVARRO, METHOD, Pose(tilt_deg=tilt_deg))
        delay = path.delay_us[path.index("sclera")]
        j = path.index("sclera")
        specular = np.abs(
            GRID.band.analytic(
                interface_response(DISC, path, j, GRID.band), np.arange(-150, 151) * 0.01
            )
        ).max()
        at = slice(round((delay + 0.1) * 100), round((delay + 0.8) * 100))
        power = [
            np.mean(
                np.abs(
                    analytic(
                        layer_speckle(
                            DISC, path, j, NAVARRO.sclera_mm, BACKSCATTER_PER_CM_SR["sclera"],
                            np.random.default_rng([10, k]), sampling_rate_hz=RATE_HZ,
                        ),
                        path,
                    )[at]
                )
                ** 2
            )
            for k in range(12)
        ]  # fmt: skip
        return 20.0 * math.log10(specular / math.sqrt(np.mean(power)))

    assert contrast(0.0) > 8.0
    assert contrast(5.0) < 0.0


def test_a_layer_behind_a_total_reflection_is_silent():
    # 4.8 mm aside and 22 degrees oblique in contact: beyond the critical angle of the lens's front
    # (asin 1532/1641 = 69 degrees).
    path = beam_through_eye(
        DISC, NAVARRO, MethodSection(kind="contact"), Pose(tilt_deg=22.0, decentration_mm=4.8)
    )
    j = path.index("lens_front")
    assert path.incidence_deg[j] > math.degrees(math.asin(1532.0 / 1641.0))
    rng = np.random.default_rng(1)
    assert layer_speckle(DISC, path, j, 4.0, 1e-4, rng, sampling_rate_hz=RATE_HZ) is None
