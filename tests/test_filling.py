"""Labels that decide the speed are held against what the echoes say of them."""

import numpy as np
import pytest

from echotrace.chain.measure import measure
from echotrace.media import MEDIA
from echotrace.quality.filling import filling_likeness, implant_features, oil_downshift
from echotrace.signal.downshift import carrier_downshift
from echotrace.synthesis.compose import Synthesis
from echotrace.target import eye_target

T_US = np.arange(4000) * 0.01


def _echo(at_us, mhz):
    return np.exp(-0.5 * ((T_US - at_us) / 0.0625) ** 2) * np.cos(2 * np.pi * mhz * (T_US - at_us))


@pytest.mark.parametrize("mhz", [6.0, 8.0, 9.5, 10.0, 11.0])
def test_downshift_is_that_of_the_echoes(mhz):
    rf = (_echo(10.0, 10.0) + 0.3 * _echo(30.0, mhz))[None]
    found = carrier_downshift(rf, np.array([1000.0]), np.array([3000.0]), half_width=20)
    assert found[0] == pytest.approx(1.0 - mhz / 10.0, abs=0.015)
    for first, second in ((np.nan, 3000.0), (1000.0, 3990.0), (5.0, 3000.0)):
        lost = carrier_downshift(rf, np.array([first]), np.array([second]), half_width=20)
        assert np.isnan(lost[0])


def test_oil_takes_what_a_gaussian_band_loses():
    """By integrating the attenuated band itself, of which two thirds are counted."""
    oil, f = MEDIA["silicone_oil_1000"], np.linspace(1.0, 20.0, 20001)
    way_us = 32.0
    sigma = 3.0 / np.sqrt(2 * np.log(2))
    # A short way: the slope of the attenuation is that at the centre.
    way_cm = 0.05 * way_us * oil.speed_m_per_s * 1e-4
    loss = oil.attenuation_db_per_cm_mhz * f**oil.attenuation_exponent * way_cm
    band = np.exp(-0.5 * ((f - 10.0) / sigma) ** 2) * 10 ** (-loss / 20)
    shift = 10.0 - np.sum(f * band) / np.sum(band)
    found = oil_downshift(np.array([0.05 * way_us]), 10e6, 0.6)[0]
    assert found == pytest.approx(shift / 10.0 * 2 / 3, rel=0.05)


def test_likeness_turns_about_with_what_is_stated():
    given = {"centre_frequency_hz": 10e6, "fractional_bandwidth": 0.6}
    way = np.full(3, 32.0)
    shift = np.array([0.0, 0.13, 0.26])
    natural = filling_likeness(shift, way, oil_stated=False, **given)
    oil = filling_likeness(shift, way, oil_stated=True, **given)
    assert natural == pytest.approx([0.0, 0.5, 1.0], abs=0.02)
    assert oil == pytest.approx(1.0 - natural, abs=1e-6)
    narrow = {"centre_frequency_hz": 5e6, "fractional_bandwidth": 0.2}
    assert np.isnan(filling_likeness(shift, way, oil_stated=False, **narrow)).all()


@pytest.mark.parametrize(
    ("true", "called"),
    [("acrylic", "pmma"), ("silicone", "acrylic"), ("pmma", "acrylic"), ("acrylic", "silicone")],
)
def test_thickness_on_the_label_tells_a_wrong_material(true, called):
    """0.8 mm at the true speed, read at the stated one (speeds: media.py, with their sources)."""
    apart = 2e3 * 0.8 / MEDIA[true].speed_m_per_s
    delay = np.array([[0.0, 0.7, 5.4, 5.4 + apart, 30.0, np.nan]])
    target = eye_target("pseudophakic", lens_material=called)
    read = 0.8 * MEDIA[called].speed_m_per_s / MEDIA[true].speed_m_per_s
    found = implant_features(delay, target, 0.8)
    assert found["implant_misfit_mm"][0] == pytest.approx(abs(read - 0.8), abs=1e-5)
    assert found["implant_misfit_mm"][0] > 0.1
    right = implant_features(delay, eye_target("pseudophakic", lens_material=true), 0.8)
    assert right["implant_misfit_mm"][0] == pytest.approx(0.0, abs=1e-5)
    # Not stated: by how much the length could be wrong, at least by what it is here.
    unknown = implant_features(delay, target, 0.0)
    assert unknown["implant_shift_mm"][0] >= abs(read - 0.8) - 1e-5


def test_eyes_without_an_implant_have_no_such_features():
    delay = np.zeros((1, 6))
    assert implant_features(delay, eye_target("phakic"), 0.8) == {}
    assert implant_features(delay[:, :4], eye_target("aphakic"), 0.0) == {}


@pytest.mark.compiled
@pytest.mark.parametrize("seed", [7, 8])
def test_a_bubble_is_not_accepted_as_a_cornea(seed):
    """The true cornea stands in the chamber then, where aqueous alone should be."""
    tables = {
        "eye": {"model": "population", "eyes": 12, "cataract_grade": 1.0},
        "artefacts": {"bubbles": 1.0},
    }
    recording = Synthesis(tables, seed=seed).block(0, 60)
    result = measure(recording)
    error = np.abs(result.axial_length_mm - recording.truth.columns["axial_length_mm"])
    # Where the true cornea was taken for the lens, the chamber is silent: that only warns.
    wrong = result.accepted & (error > 0.1)
    assert wrong.sum() <= 1
    assert result.has_finding("lens_spikes_confused")[wrong].all()
    assert result.accepted.sum() >= 40
    echo = result.features["chamber_echo_against_cornea_db"]
    assert (echo[result.accepted] < -50.0).all()
    taken = ~result.accepted & (echo > -30.0)
    assert taken.any()
    assert result.has_finding("spike_out_of_place")[taken].all()
