"""Media, targets and recordings: outside values, and what is refused."""

import numpy as np
import pytest

from echotrace.errors import ParameterError, RecordingError
from echotrace.media import (
    MEDIA,
    Medium,
    medium,
    pressure_reflection,
    pressure_transmission,
    water_speed_m_per_s,
)
from echotrace.recording import Column, Probe, Receiver, Recording, Truth
from echotrace.target import IMPLANT_MATERIALS, Interface, Segment, Target, eye_target, read_target

# --- media ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("model", "temperature_c", "speed_m_per_s"),
    [
        # Marczak W 1997, J Acoust Soc Am 102:2776.
        ("marczak_1997", 20.0, 1482.380),
        ("marczak_1997", 37.0, 1523.653),
        ("marczak_1997", 74.0, 1555.140),
        # Bilaniuk N, Wong GSK 1993/1996, 148-point fit.
        ("bilaniuk_wong_1996", 20.0, 1482.358),
        ("bilaniuk_wong_1996", 37.0, 1523.636),
        # Del Grosso VA, Mader CW 1972, J Acoust Soc Am 52:1442.
        ("del_grosso_mader_1972", 20.0, 1482.343),
        ("del_grosso_mader_1972", 37.0, 1523.618),
    ],
)
def test_water_speed_against_published_polynomials(model, temperature_c, speed_m_per_s):
    got = water_speed_m_per_s(temperature_c, model=model)
    assert got == pytest.approx(speed_m_per_s, abs=6e-4)


def test_published_water_polynomials_agree_with_each_other():
    # The fifth-order fits lie within 0.045 m/s of each other over 0 to 38 degC: a transposed
    # digit in one of them would show.
    t = np.linspace(0.0, 38.0, 200)
    speeds = [
        water_speed_m_per_s(t, model=m)
        for m in ("marczak_1997", "bilaniuk_wong_1996", "del_grosso_mader_1972")
    ]
    assert np.ptp(speeds, axis=0).max() < 0.045


def test_water_speed_against_an_independent_published_fit():
    # Lubbers J, Graaff R 1998, Ultrasound Med Biol 24:1065, 10 to 40 degC, within 0.18 m/s.
    t = np.linspace(10.0, 40.0, 50)
    lubbers = 1405.03 + 4.624 * t - 3.83e-2 * t**2
    assert np.abs(water_speed_m_per_s(t) - lubbers).max() < 0.25


def test_water_speed_refuses_what_the_fit_does_not_cover():
    with pytest.raises(ParameterError, match="0 to 95"):
        water_speed_m_per_s(300.0)
    with pytest.raises(ParameterError, match="use one of"):
        water_speed_m_per_s(20.0, model="guess")


def test_slope_of_water_with_temperature():
    # Derivative of Marczak's polynomial at 20 degC: 3.0711 m/s per degC.
    step = water_speed_m_per_s(20.5) - water_speed_m_per_s(19.5)
    assert step == pytest.approx(3.0711, abs=1e-3)
    assert medium("water").speed_slope_m_per_s_per_c == pytest.approx(3.0711)


def test_reflection_water_to_steel():
    # Krautkrämer J & H, Ultrasonic Testing of Materials: Z 1.5 and 45 MRayl, R = 0.935
    # (-0.58 dB), D = 1.935 (+5.74 dB), steel to water -23.81 dB.
    r = pressure_reflection(1.5e6, 45e6)
    assert r == pytest.approx(0.935, abs=5e-4)
    assert 20 * np.log10(r) == pytest.approx(-0.58, abs=0.005)
    assert 20 * np.log10(pressure_transmission(1.5e6, 45e6)) == pytest.approx(5.74, abs=0.005)
    assert 20 * np.log10(pressure_transmission(45e6, 1.5e6)) == pytest.approx(-23.81, abs=0.005)


def test_intensity_reflection_fat_to_muscle():
    # OpenStax College Physics 17.7: Z 1.34e6 and 1.70e6, 0.0140 of the intensity.
    assert pressure_reflection(1.34e6, 1.70e6) ** 2 == pytest.approx(0.0140, abs=5e-5)


def test_energy_is_conserved_at_an_interface():
    z1, z2 = 1.54e6, 1.79e6
    r, t = pressure_reflection(z1, z2), pressure_transmission(z1, z2)
    assert r**2 + t**2 * z1 / z2 == pytest.approx(1.0)


def test_conventions_of_the_trade():
    # Jansson F, Kock E 1962, Acta Ophthalmol 40:420: 1532 and 1641 m/s.
    assert medium("aqueous").speed_m_per_s == medium("vitreous").speed_m_per_s == 1532.0
    assert medium("lens").speed_m_per_s == 1641.0
    # Hoffer KJ 1994: factors of implants are 1 - 1532/v: 0.44, -0.56, 0.75.
    for name, factor in (("pmma", 0.44), ("silicone", -0.56), ("glass", 0.75)):
        assert 1 - 1532.0 / medium(name).speed_m_per_s == pytest.approx(factor, abs=0.005)
    # Hoffer KJ 2003, J Cataract Refract Surg 29:961: implants in front of the lens, read at
    # 1555 m/s: +0.42 (0.41 to 0.42), -0.59 (0.56 to 0.59), +0.11 (0.10 to 0.12), +0.23.
    for name, factor, allowed in (
        ("pmma", 0.42, 0.011),
        ("silicone", -0.59, 0.005),
        ("collagen_copolymer", 0.11, 0.005),
        ("acrylic", 0.23, 0.005),
    ):
        assert 1 - 1555.0 / medium(name).speed_m_per_s == pytest.approx(factor, abs=allowed)


def test_unknown_medium_is_told_its_neighbour():
    with pytest.raises(ParameterError, match="did you mean 'vitreous'"):
        medium("vitrious")
    with pytest.raises(ParameterError, match="between 100 and 20000"):
        Medium(name="x", speed_m_per_s=1.5, speed_u_m_per_s=0.0, source="none")


def test_every_medium_has_a_source():
    assert all(item.source for item in MEDIA.values())


# --- targets ----------------------------------------------------------------------------------


@pytest.mark.parametrize("vitreous", ["natural", "silicone_oil_1000", "silicone_oil_5000"])
@pytest.mark.parametrize(
    ("lens_state", "material"),
    [("phakic", "none"), ("aphakic", "none"), *[("pseudophakic", m) for m in IMPLANT_MATERIALS]],
)
def test_every_eye_state_is_a_target(lens_state, material, vitreous):
    target = eye_target(lens_state, lens_material=material, vitreous=vitreous)
    assert target.length_from == "cornea_front"
    assert target.length_to == "retina"
    back = target.length_segments[-1]
    assert back.medium.name == vitreous.replace("natural", "vitreous")
    # The prior's middle eye has the published mean length, 24.17 mm (28,709 cataract eyes,
    # BMC Ophthalmology 2021).
    assert sum(s.mean_mm for s in target.length_segments) == pytest.approx(24.15, abs=0.25)


def test_impossible_eye_states_are_refused():
    with pytest.raises(ParameterError, match="gas reflects"):
        eye_target("phakic", vitreous="gas")
    with pytest.raises(ParameterError, match="needs the material"):
        eye_target("pseudophakic")
    with pytest.raises(ParameterError, match="goes with lens_state='pseudophakic'"):
        eye_target("phakic", lens_material="pmma")
    with pytest.raises(ParameterError, match="phakic, aphakic or pseudophakic"):
        eye_target("fakic")


STACK = """
name = "acrylic_on_aluminium"
length_from = "front"
length_to = "back"
temperature_c = 21.0

[[interface]]
name = "front"
[[interface]]
name = "bond"
[[interface]]
name = "back"

[[segment]]
name = "acrylic"
speed_m_per_s = 2730.0
speed_u_m_per_s = 10.0
range_mm = [25.0, 35.0]
[[segment]]
name = "aluminium"
medium = "aluminium"
range_mm = [40.0, 60.0]
"""


def test_a_target_from_a_file(tmp_path):
    path = tmp_path / "stack.toml"
    path.write_text(STACK)
    target = read_target(path)
    assert target.interface_names == ("front", "bond", "back")
    assert target.segments[0].medium.speed_m_per_s == 2730.0
    assert target.segments[1].medium.name == "aluminium"
    assert not target.anatomy


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("speed_m_per_s", "sped_m_per_s", "did you mean 'speed_m_per_s'"),
        ("[25.0, 35.0]", "[35.0, 25.0]", "must rise"),
        ("[25.0, 35.0]", '"thick"', "two numbers"),
        ('medium = "aluminium"', 'medium = "alluminium"', "did you mean 'aluminium'"),
        ('length_to = "back"', 'length_to = "rear"', "not one of its interfaces"),
        ('name = "bond"', 'name = "front"', "must differ"),
        ("temperature_c = 21.0", 'temperature_c = "warm"', "must be a number"),
        ("[[segment]]", "[[segment", "not a TOML file"),
    ],
)
def test_a_bad_target_file_is_one_clear_error(tmp_path, old, new, says):
    path = tmp_path / "stack.toml"
    path.write_text(STACK.replace(old, new, 1))
    with pytest.raises(ParameterError, match=says) as caught:
        read_target(path)
    if "segment" not in says and "must" not in says:
        assert "stack.toml" in str(caught.value) or "medium" in str(caught.value)


def test_a_missing_target_file_names_itself(tmp_path):
    with pytest.raises(ParameterError, match=r"nowhere\.toml"):
        read_target(tmp_path / "nowhere.toml")


def test_targets_check_their_parts():
    water = medium("water")
    with pytest.raises(ParameterError, match="sd_mm"):
        Segment(name="s", medium=water, mean_mm=1.0, sd_mm=0.0, range_mm=(0.5, 2.0))
    with pytest.raises(ParameterError, match="mean_mm"):
        Segment(name="s", medium=water, mean_mm=9.0, sd_mm=1.0, range_mm=(0.5, 2.0))
    good = Segment(name="s", medium=water, mean_mm=1.0, sd_mm=0.5, range_mm=(0.5, 2.0))
    ends = (Interface(name="a"), Interface(name="b"), Interface(name="c"))
    with pytest.raises(ParameterError, match="need 2 segments"):
        Target(name="t", interfaces=ends, segments=(good,), length_from="a", length_to="c")
    with pytest.raises(ParameterError, match="must come before"):
        Target(name="t", interfaces=ends, segments=(good, good), length_from="c", length_to="a")
    hidden = (ends[0], Interface(name="b", optional=True), ends[2])
    with pytest.raises(ParameterError, match="needs assumed_mm"):
        Target(name="t", interfaces=hidden, segments=(good, good), length_from="a", length_to="c")


# --- recordings -------------------------------------------------------------------------------


def _recording(samples, **changes):
    given = {
        "sampling_rate_hz": 1e8,
        "start_delay_us": 0.0,
        "method": "immersion",
        "probe": Probe(centre_frequency_hz=1e7),
    }
    return Recording(samples=samples, **{**given, **changes})


def _noise(*shape):
    return np.random.default_rng(0).normal(size=shape).astype(np.float32)


@pytest.mark.parametrize(
    ("samples", "says"),
    [
        (np.zeros((0, 64), np.float32), "0 traces"),
        (_noise(3, 1), "1 samples"),
        (_noise(64), "1 dimensions"),
        (_noise(2, 3, 64), "3 dimensions"),
        (_noise(2, 64).astype(np.complex64), "complex"),
        ([[0.0] * 64, [0.0] * 65], "mixed lengths"),
        (np.full((2, 64), 7, np.int16), "constant"),
        (np.where(np.arange(64) == 5, np.nan, _noise(2, 64)), "NaN"),
        (np.array([["a"] * 64]), "give integers or floats"),
        (np.arange(128).reshape(2, 64) * 1000, "outside int16"),
        (_noise(2, 64).astype(np.float64) * 1e300, "range of float32"),
    ],
)
def test_samples_that_cannot_be_traces_are_refused(samples, says):
    with pytest.raises(RecordingError, match=says):
        _recording(samples)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"sampling_rate_hz": 0.0}, "must lie between"),
        ({"sampling_rate_hz": np.nan}, "is not a number"),
        ({"start_delay_us": np.inf}, "finite"),
        ({"signal": "audio"}, "'rf' or 'envelope'"),
        ({"method": "floating"}, "use one of contact"),
        ({"method": ["contact"] * 5}, "5 labels for 3 traces"),
        ({"eye": "middle"}, "use one of"),
        ({"gain_db": [1.0, 2.0]}, "2 values for 3 traces"),
        ({"gain_db": -np.inf}, "gain_db=-inf must be finite"),
        ({"gain_db": [1.0, 300.0, np.nan]}, "between -200 and 200 dB"),
        ({"sampling_rate_hz": 2e7}, "must be below half of sampling_rate_hz"),
    ],
)
def test_details_that_cannot_be_are_refused(changes, says):
    with pytest.raises((RecordingError, ParameterError), match=says):
        _recording(_noise(3, 64), **changes)


def test_dead_traces_are_named():
    samples = _noise(9, 64)
    samples[[2, 5]] = 0.25
    with pytest.raises(RecordingError, match="traces 2, 5"):
        _recording(samples)


def test_samples_keep_their_type_and_cannot_be_changed():
    whole = np.arange(128).reshape(2, 64) % 50
    assert _recording(whole).samples.dtype == np.int16
    assert _recording(_noise(2, 64).astype(np.float64)).samples.dtype == np.float32
    recording = _recording(_noise(2, 64))
    with pytest.raises(ValueError, match="read-only"):
        recording.samples[0, 0] = 1.0


def test_selecting_takes_everything_along():
    truth = Truth(interfaces=("a",), delay_us=np.arange(4.0)[:, None], columns={"x_mm": range(4)})
    recording = _recording(
        _noise(4, 64), operator=["p", "q", "p", "r"], gain_db=[0, 1, 2, 3], truth=truth
    )
    part = recording.select([3, 1])
    np.testing.assert_array_equal(part.samples, recording.samples[[3, 1]])
    assert list(part.operator) == ["r", "q"]
    assert part.gain_db.tolist() == [3.0, 1.0]
    assert part.truth.delay_us[:, 0].tolist() == [3.0, 1.0]
    assert part.truth.columns["x_mm"].tolist() == [3, 1]
    assert recording.without_truth().truth is None
    blocks = list(recording.blocks(3))
    assert [b.n_traces for b in blocks] == [3, 1]


def test_delay_axis():
    recording = _recording(_noise(1, 64), start_delay_us=3.0)
    assert recording.delay_us[0] == 3.0
    assert recording.delay_us[10] == pytest.approx(3.1)


def test_columns():
    column = Column.of(["b", "a", "b"], 3, "operator")
    assert column[0] == "b"
    assert column.where("b").tolist() == [True, False, True]
    assert not column.where("z").any()
    assert column.present == ("a", "b")
    with pytest.raises(RecordingError, match="outside its table"):
        Column.of(Column(np.array([0, 4], np.int32), ("a",)), 2, "eye")


@pytest.mark.parametrize(
    ("kind", "arguments", "says"),
    [
        (Probe, {"centre_frequency_hz": -1.0}, "between 100000 and 5e"),
        (Probe, {"centre_frequency_hz": 1e7, "fractional_bandwidth": 9.0}, "between 0.1 and 1.6"),
        (Probe, {"centre_frequency_hz": 1e7, "aperture_mm": 0.0}, "between 0.01 and 1000 mm"),
        (Probe, {"centre_frequency_hz": 1e7, "face_delay_u_us": -0.1}, "between 0 and 100 us"),
        (Probe, {"centre_frequency_hz": 1e3}, "is the unit Hz"),
        (Probe, {"centre_frequency_hz": "ten"}, "is not a number"),
        (Probe, {"centre_frequency_hz": 1e7, "fractional_bandwidth": 0.05}, "between 0.1 and 1.6"),
        (Probe, {"centre_frequency_hz": 1e7, "fractional_bandwidth": 1.9}, "between 0.1 and 1.6"),
        (Probe, {"centre_frequency_hz": 1e7, "face_delay_us": -0.1}, "between 0 and 1000 us"),
        (Probe, {"centre_frequency_hz": 1e7, "face_delay_us": np.inf}, "must be finite"),
        (Probe, {"centre_frequency_hz": 1e7, "focus_mm": -np.inf}, "0.1 mm or more"),
        (Receiver, {"tgc_delay_us": (1.0,)}, "each node needs both"),
        (Receiver, {"tgc_delay_us": (2.0, 1.0), "tgc_gain_db": (0.0, 1.0)}, "must rise"),
        (Receiver, {"tgc_delay_us": (1.0,), "tgc_gain_db": (np.nan,)}, "is not a number"),
        (Receiver, {"tgc_delay_us": (1.0,), "tgc_gain_db": (1e5,)}, "between -200 and 200 dB"),
        (Receiver, {"full_scale": 0.0}, "between 1e-09 and 1e"),
        (Receiver, {"full_scale": 1e-45}, "between 1e-09 and 1e"),
        (Receiver, {"bits": 9.5}, "whole number"),
        (Receiver, {"bits": 24}, "2 to 16"),
    ],
)
def test_impossible_probes_and_receivers_are_refused(kind, arguments, says):
    with pytest.raises(ParameterError, match=says):
        kind(**arguments)
