"""Lengths, speed conventions and the uncertainty budget against outside values."""

import dataclasses

import numpy as np
import pytest
from closed_form import LE_GRAND_AXIAL_MM, LE_GRAND_US

from echotrace.errors import ParameterError
from echotrace.signal.lengths import (
    LengthSettings,
    average_speed_m_per_s,
    length_at_average_speed_mm,
    measure_lengths,
    rescale_length_mm,
)
from echotrace.target import eye_target

PHAKIC = eye_target("phakic")


def _lengths(delays, u_us=0.0, target=PHAKIC, **options):
    delays = np.atleast_2d(np.asarray(delays, np.float64))
    u = np.where(np.isnan(delays), np.nan, u_us)
    return measure_lengths(delays, u, target, settings=LengthSettings(**options))


@pytest.mark.parametrize(
    ("eye", "thickness_mm", "axial_mm", "retina_us", "read_at"),
    [
        # Escudero-Sanz I, Navarro R 1999; Le Grand Y, El Hage SG 1980; Liou HL, Brennan NA 1997
        # (parts from memory, their sum is the published 23.95). Speeds 1641/1532/1641/1532 m/s;
        # the delays and the lengths read at one speed are plain arithmetic from those.
        (
            "Navarro",
            (0.55, 3.05, 4.0, 16.3203),
            23.9203,
            30.8330,
            {1550: 23.8956, 1555: 23.9727, 1532: 23.6181},
        ),
        (
            "Gullstrand-Le Grand",
            (0.55, 3.05, 4.0, 16.59655),
            24.19655,
            31.1936,
            {1550: 24.1751, 1555: 24.2531, 1532: 23.8943},
        ),
        (
            "Liou-Brennan",
            (0.50, 3.16, 4.02, 16.27),
            23.95,
            30.8744,
            {1550: 23.9276, 1555: 24.0048, 1532: 23.6498},
        ),
    ],
)
def test_schematic_eyes(eye, thickness_mm, axial_mm, retina_us, read_at):
    speeds = (1641.0, 1532.0, 1641.0, 1532.0)
    delays = [0.0]
    for length, speed in zip(thickness_mm, speeds, strict=True):
        delays.append(delays[-1] + 2e3 * length / speed)
    assert delays[-1] == pytest.approx(retina_us, abs=6e-5)
    found = _lengths([*delays, np.nan])
    assert found.total_mm[0] == pytest.approx(axial_mm, abs=1e-9)
    np.testing.assert_allclose(found.segment_mm[0, :4], thickness_mm, atol=1e-9)
    for speed, length in read_at.items():
        assert length_at_average_speed_mm(delays[-1], speed) == pytest.approx(length, abs=1e-4)
        conventional = _lengths([*delays, np.nan], average_speed_m_per_s=float(speed))
        assert conventional.total_mm[0] == pytest.approx(length, abs=1e-4)


def test_published_average_speeds():
    # Hoffer KJ 1994, J Cataract Refract Surg 20:554: a 23.5 mm eye averages 1555 m/s phakic and
    # 1534 aphakic (cornea 0.55 and lens 4.63 mm).
    phakic = average_speed_m_per_s([0.55, 23.5 - 0.55 - 4.63, 4.63], [1641.0, 1532.0, 1641.0])
    aphakic = average_speed_m_per_s([0.55, 22.95], [1641.0, 1532.0])
    assert round(float(phakic)) == 1555
    assert round(float(aphakic)) == 1534
    # The same for 30 mm: 1549 in print, the segment rule gives 1549.9.
    long_eye = average_speed_m_per_s([0.55, 30 - 5.18, 4.63], [1641.0, 1532.0, 1641.0])
    assert float(long_eye) == pytest.approx(1549.0, abs=1.0)


def test_rescaling_between_conventions_is_exact():
    # L_true = L_read * v_true / v_read: 23.5 mm at 1532 is 23.853 at 1555.
    assert rescale_length_mm(
        23.5, from_speed_m_per_s=1532.0, to_speed_m_per_s=1555.0
    ) == pytest.approx(23.5 * 1555 / 1532)
    with pytest.raises(ParameterError, match="from_speed"):
        rescale_length_mm(23.5, from_speed_m_per_s=0.0, to_speed_m_per_s=1555.0)


def test_thickness_gauge_examples():
    # OpenStax College Physics: 0.750 us at 1540 m/s is 5.78e-4 m; 0.13 ms at 1450 m/s 0.094 m.
    assert length_at_average_speed_mm(0.750, 1540.0) == pytest.approx(0.5775, abs=5e-4)
    assert length_at_average_speed_mm(130.0, 1450.0) == pytest.approx(94.25, abs=0.25)


def test_hoffers_correction_is_the_segment_method():
    # Hoffer 1994: AL = AL1532 + 0.35 at 4.7 mm of lens, for cornea 0.04 + lens 0.32 (additive
    # terms t (1 - 1532/1641)).
    delays = [0.0, 2e3 * 0.55 / 1641, 0, 0, 0]
    delays[2] = delays[1] + 2e3 * 3.0 / 1532
    delays[3] = delays[2] + 2e3 * 4.7 / 1641
    delays[4] = delays[3] + 2e3 * 15.25 / 1532
    read_at_1532 = length_at_average_speed_mm(delays[4], 1532.0)
    assert 23.5 - read_at_1532 == pytest.approx(0.35, abs=0.002)


@pytest.mark.parametrize(
    ("material", "factor"),
    # Hoffer KJ 1994: 44 % PMMA, -56 % silicone, 75 % glass of the implant's thickness.
    [("pmma", 0.44), ("silicone", -0.56), ("glass", 0.75)],
)
def test_pseudophakic_correction_is_the_segment_method(material, factor):
    target = eye_target("pseudophakic", lens_material=material)
    speed = target.segments[2].medium.speed_m_per_s
    thickness = 1.0
    delays = np.cumsum(
        [0.0, 2e3 * 0.55 / 1641, 2e3 * 4.0 / 1532, 2e3 * thickness / speed, 2e3 * 17.95 / 1532]
    )
    found = _lengths([*delays, np.nan], target=target)
    assert found.total_mm[0] == pytest.approx(23.5, abs=1e-9)
    read_at_1532 = length_at_average_speed_mm(delays[-1], 1532.0)
    assert found.total_mm[0] - read_at_1532 - 0.0365 == pytest.approx(factor * thickness, abs=0.005)


def test_silicone_oil_eye():
    # Hoffer's phakic eye with oil of 1000 cSt averages 1139 m/s (987 m/s oil; 23.5 mm with cornea
    # 0.55, chamber 3.0, lens 4.63).
    target = eye_target("phakic", vitreous="silicone_oil_1000")
    parts = [0.55, 3.0, 4.63, 15.32]
    speeds = [s.medium.speed_m_per_s for s in target.length_segments]
    assert average_speed_m_per_s(parts, speeds) == pytest.approx(1139.0, abs=0.5)
    delays = np.concatenate([[0.0], np.cumsum(2e3 * np.array(parts) / speeds)])
    assert _lengths([*delays, np.nan], target=target).total_mm[0] == pytest.approx(23.5)


def test_a_missing_cornea_back_takes_the_usual_thickness():
    delays = np.append(LE_GRAND_US, np.nan)
    hidden = delays.copy()
    hidden[1] = np.nan
    full, assumed = _lengths(delays), _lengths(hidden)
    assert assumed.assumed[0, 0]
    assert not full.assumed.any()
    assert assumed.segment_mm[0, 0] == 0.534
    # 16 µm of cornea at the wrong speed move the sum by 1.1 µm.
    assert assumed.total_mm[0] - full.total_mm[0] == pytest.approx(
        -0.016 * (1 - 1532 / 1641), abs=1e-6
    )
    assert assumed.budget_mm["assumed"][0] == pytest.approx(0.04 * (1 - 1532 / 1641), rel=1e-6)


def test_a_missing_interface_leaves_its_neighbours_missing():
    delays = np.append(LE_GRAND_US, np.nan)
    delays[3] = np.nan
    found = _lengths(delays)
    assert np.isnan(found.segment_mm[0, 2:4]).all()
    assert np.isnan(found.total_mm[0])
    assert np.isnan(found.total_u_mm[0])
    assert np.isnan(found.total_u_shared_mm[0])


def test_budget_by_drawing():
    """The law of propagation against drawing every source at random (JCGM 101:2008)."""
    rng = np.random.default_rng(5)
    n = 200_000
    u_us = np.array([0.004, 0.006, 0.01, 0.02, 0.015])
    picks = LE_GRAND_US + rng.standard_normal((n, 5)) * u_us
    found = _lengths(
        np.column_stack([picks, np.full(n, np.nan)]),
    )
    one = measure_lengths(
        np.append(LE_GRAND_US, np.nan)[None],
        np.append(u_us, np.nan)[None],
        PHAKIC,
        offset_u_us=0.012,
    )
    assert one.budget_mm["picks"][0] == pytest.approx(found.total_mm.std(), rel=0.01)
    # Shared sources, drawn through L = sum v t / 2 by hand.
    step = np.diff(LE_GRAND_US)
    names = [s.medium.name for s in PHAKIC.length_segments]
    u_speed = {s.medium.name: s.medium.speed_u_m_per_s for s in PHAKIC.length_segments}
    draw = {name: rng.standard_normal(n) * u for name, u in u_speed.items()}
    warm = rng.standard_normal(n) * 0.5
    clock = 1 + rng.standard_normal(n) * 50e-6
    bend = rng.standard_normal((n, 5)) * 0.01
    bend[:, 0] += rng.standard_normal(n) * 0.012
    total = np.zeros(n)
    for k, segment in enumerate(PHAKIC.length_segments):
        speed = (
            segment.medium.speed_m_per_s
            + draw[names[k]]
            + warm * segment.medium.speed_slope_m_per_s_per_c
        )
        total += speed * (step[k] + bend[:, k + 1] - bend[:, k]) * clock * 5e-4
    assert total.mean() == pytest.approx(LE_GRAND_AXIAL_MM, abs=1e-3)
    assert one.total_u_shared_mm[0] == pytest.approx(total.std(), rel=0.01)


def test_each_shared_source_by_moving_it():
    """Each term is what the length moves by when its source alone does (JCGM 100:2008, 5.1.3)."""
    delays = np.append(LE_GRAND_US, np.nan)
    (length,) = _lengths(delays).total_mm

    def moved(delays=delays, target=PHAKIC):
        return abs(_lengths(delays, target=target).total_mm[0] - length)

    def budget(**options):
        nothing = {"clock_ppm": 0.0, "temperature_u_c": 0.0, "distortion_us": 0.0}
        found = measure_lengths(
            delays[None],
            np.where(np.isnan(delays), np.nan, 0.0)[None],
            PHAKIC,
            offset_u_us=options.pop("offset_u_us", 0.0),
            settings=LengthSettings(**(nothing | options)),
        )
        assert found.total_u_mm[0] == 0.0
        # The speeds are known as well as their media say; the rest is the one source.
        return np.sqrt(found.total_u_shared_mm[0] ** 2 - found.budget_mm["speed"][0] ** 2)

    # A clock 80 ppm fast; 0.4 °C warmer; the probe's face 3 ns later.
    assert budget(clock_ppm=80.0) == pytest.approx(moved(delays * (1 + 80e-6)), rel=1e-5)
    warmer = dataclasses.replace(PHAKIC, temperature_c=PHAKIC.temperature_c + 0.4)
    assert budget(temperature_u_c=0.4) == pytest.approx(moved(target=warmer), rel=1e-5)
    face = np.eye(6)[0]
    assert budget(offset_u_us=0.003) == pytest.approx(moved(delays + 0.003 * face), rel=1e-5)
    # Each echo bent on its own by 10 ns.
    bent = [moved(delays + 0.01 * np.eye(6)[k]) for k in range(5)]
    assert budget(distortion_us=0.01) == pytest.approx(np.linalg.norm(bent), rel=1e-5)


def test_shared_part_of_the_average_speed_convention():
    # dL/L = dv/v: 5 m/s in 1550 are 0.0806 mm at 25 mm.
    delay = 2e3 * 25.0 / 1550
    found = _lengths(
        [0.0, np.nan, np.nan, np.nan, delay, np.nan],
        average_speed_m_per_s=1550.0,
        average_speed_u_m_per_s=5.0,
    )
    assert found.total_mm[0] == pytest.approx(25.0)
    assert found.budget_mm["speed"][0] == pytest.approx(0.0806, abs=1e-4)


def test_impossible_options_are_refused():
    with pytest.raises(ParameterError, match="average_speed"):
        LengthSettings(average_speed_m_per_s=1.55)
    with pytest.raises(ParameterError, match="clock_ppm"):
        LengthSettings(clock_ppm=-1.0)
    with pytest.raises(ParameterError, match="interfaces"):
        _lengths([0.0, 1.0])


def test_the_label_of_an_implant_has_a_range():
    assert LengthSettings(implant_mm=0.8).implant_mm == 0.8
    for wrong in (0.1, 3.0, -0.8, float("nan")):
        with pytest.raises(ParameterError, match="implant_mm="):
            LengthSettings(implant_mm=wrong)
