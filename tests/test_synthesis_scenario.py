"""Scenarios: what they may say, and the one clear error for what they may not."""

import math

import numpy as np
import pytest

from echotrace.errors import ParameterError
from echotrace.synthesis import Synthesis, read_scenario, synthesise
from echotrace.synthesis.described_eye import eye_of
from echotrace.synthesis.eye_model import SCHEMATIC_EYES, draw_eye
from echotrace.synthesis.scenario import scenario_from_mapping


def refusal(text, tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ParameterError) as caught:
        read_scenario(path)
    message = str(caught.value)
    assert str(path) in message
    assert "\n" not in message.strip()
    return message


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[eye]\ncornea_front_radius_mm = -7.8\n", ["cornea_front_radius_mm", "5 to 12 mm"]),
        ("[eye]\naxial_length_mm = 14.0\nlens_mm = 7.0\naqueous_mm = 6.0\n",
         ["axial_length_mm", "retina", "lens back", "at least"]),
        ("[probe]\nfocus_mm = 0\n", ["focus_mm", "5 to 200 mm"]),
        ("[probe]\nfocus_mn = 20\n", ["focus_mn", "did you mean 'focus_mm'"]),
        ("[prob]\nfocus_mm = 20\n", ["prob", "did you mean 'probe'"]),
        ("scan_count = 3\n", ["scan_count"]),
        ("scans = 2.5\n", ["scans", "whole number"]),
        ("scans = 0\n", ["scans", "1 to"]),
        ("[eye]\nmodel = 'navaro'\n", ["model", "did you mean 'navarro'"]),
        ("[eye]\nlens_state = 'pseudophakic'\n", ["lens_material", "pmma"]),
        ("[eye]\nlens_material = 'pmma'\n", ["lens_material", "pseudophakic"]),
        ("[eye]\nlens_state = 'aphakic'\ncataract_grade = 2\n", ["cataract_grade"]),
        ("[eye]\neyes = 4\n", ["eyes", "population"]),
        ("[method]\nkind = 'immersed'\n", ["kind", "immersion"]),
        ("[method]\nstandoff_mm = '10'\n", ["standoff_mm", "number"]),
        ("[method]\nstandoff_mm = nan\n", ["standoff_mm", "3 to 30 mm"]),
        ("[pose]\ntilt_deg = 40\n", ["tilt_deg", "0 to 25 deg"]),
        ("[receiver]\nbits = 1\n", ["bits", "2 to 16"]),
        ("[receiver]\nbits = 20\n", ["bits", "0 to 16"]),
        ("[receiver]\nsampling_rate_mhz = 25\n", ["sampling_rate_mhz", "at least"]),
        ("[receiver]\ntgc_delay_us = [1, 2]\n", ["tgc_gain_db"]),
        ("[receiver]\ntgc_delay_us = [2, 1]\ntgc_gain_db = [0, 1]\n", ["tgc_delay_us", "rise"]),
        ("[receiver]\ntgc_is_wrong = 1\n", ["tgc_is_wrong", "true or false"]),
        ("[receiver]\ntgc_delay_us = 4\n", ["tgc_delay_us", "list"]),
        ("[probe]\nedge_taper = 0\n[method]\nkind = 'contact'\n",
         ["edge_taper=0", "0.5 to 1", "lens is 4.1 mm", "nearer than 9.9 mm"]),
        ("[probe]\nedge_taper = 0.4\n[method]\nstandoff_mm = 4\n",
         ["edge_taper=0.4", "cornea is 4.8 mm", "standoff_mm"]),
        ("[[scan]]\nnumber = 9\n", ["number=9", "1 to scans=5"]),
        ("[[scan]]\nartefacts = ['bubble']\n", ["bubble", "did you mean 'bubbles'"]),
        ("[scan]\nnumber = 1\n", ["[[scan]]"]),
        ("eye = 3\n", ["[eye]", "table"]),
        ("scans = \n", ["not a TOML file"]),
    ],
)  # fmt: skip
def test_bad_scenarios(text, words, tmp_path):
    message = refusal(text, tmp_path)
    for word in words:
        assert word in message, message


@pytest.mark.parametrize(
    "tables",
    [
        {"probe": {"edge_taper": 0.0}},
        {"probe": {"edge_taper": 0.0, "aperture_mm": 2.0}, "method": {"kind": "contact"}},
        {"probe": {"edge_taper": 0.5}, "method": {"kind": "contact"}},
        {
            "probe": {"edge_taper": 0.0},
            "method": {"kind": "contact"},
            "eye": {"lens_state": "aphakic"},
        },
    ],
)
def test_a_sharp_edge_may_be_where_its_waves_are_right(tables):
    assert scenario_from_mapping(tables).probe.edge_taper == tables["probe"]["edge_taper"]


def test_old_names_of_sections_and_keys_are_read():
    old = {
        "hold": {"tilt_deg": 3.0},
        "spoilers": {"bubbles": 0.5},
        "scan": [{"spoilers": ["blink"]}],
    }
    new = {
        "pose": {"tilt_deg": 3.0},
        "artefacts": {"bubbles": 0.5},
        "scan": [{"artefacts": ["blink"]}],
    }
    # As text: NaN stands for what is not given, and is not equal to itself from Python 3.13 on.
    assert repr(scenario_from_mapping(old)) == repr(scenario_from_mapping(new))
    assert repr(scenario_from_mapping(new)) != repr(scenario_from_mapping({**new, "pose": {}}))


def test_a_missing_file(tmp_path):
    with pytest.raises(ParameterError, match="cannot be read"):
        read_scenario(tmp_path / "none.toml")


@pytest.mark.parametrize("seed", [-1, 1.5, True])
def test_bad_seeds(seed):
    with pytest.raises(ParameterError, match="seed"):
        Synthesis({}, seed=seed)


@pytest.mark.parametrize("count", [0, -3])
def test_bad_counts(count):
    with pytest.raises(ParameterError, match="count"):
        synthesise({}, 1, count=count)


@pytest.mark.parametrize(
    ("model", "axial_length_mm"),
    [("navarro", 23.9203), ("gullstrand_le_grand", 24.19655), ("liou_brennan", 23.95)],
)
def test_published_axial_lengths(model, axial_length_mm):
    # Escudero-Sanz & Navarro 1999; Le Grand & El Hage 1980; Liou & Brennan 1997.
    assert SCHEMATIC_EYES[model].axial_length_mm == pytest.approx(axial_length_mm, abs=1e-6)


def test_the_population_has_the_published_moments():
    rng = np.random.default_rng(3)
    eyes = [draw_eye(rng) for _ in range(3000)]
    axial = np.array([eye.axial_length_mm for eye in eyes])
    chamber = np.array([eye.cornea_mm + eye.aqueous_mm for eye in eyes])
    lens = np.array([eye.lens_mm for eye in eyes])
    # BMC Ophthalmol 2021, 28,709 eyes: 24.17 ± 2.47, 3.02 ± 0.45, 4.52 ± 0.45 mm, Spearman 0.544
    # and -0.660. Eyes that cannot be are drawn again, which trims the tails a little.
    assert axial.mean() == pytest.approx(24.17, abs=0.35)
    assert axial.std() == pytest.approx(2.47, rel=0.15)
    assert chamber.mean() == pytest.approx(3.02, abs=0.06)
    assert lens.mean() == pytest.approx(4.52, abs=0.06)
    assert lens.std() == pytest.approx(0.45, rel=0.12)

    def spearman(a, b):
        return np.corrcoef(np.argsort(np.argsort(a)), np.argsort(np.argsort(b)))[0, 1]

    assert spearman(chamber, axial) == pytest.approx(0.544, abs=0.06)
    assert spearman(chamber, lens) == pytest.approx(-0.660, abs=0.06)


def test_overrides_reach_the_eye():
    scenario = scenario_from_mapping(
        {"eye": {"axial_length_mm": 22.0, "lens_mm": 4.4, "lens_tilt_deg": 3.0}}
    )
    eye = eye_of(scenario.eye, None)
    assert eye.axial_length_mm == pytest.approx(22.0)
    assert eye.lens_mm == 4.4
    assert eye.lens_tilt_deg == 3.0
    assert eye.vitreous_mm == pytest.approx(22.0 - 4.4 - 0.55 - 3.05)


def test_every_default_is_within_its_own_range():
    scenario = scenario_from_mapping({})
    for name in scenario.__dataclass_fields__:
        section = getattr(scenario, name)
        for key, item in getattr(section, "__dataclass_fields__", {}).items():
            value = getattr(section, key)
            if "range" in item.metadata and not math.isnan(value):
                low, high = item.metadata["range"]
                assert low <= value <= high, (name, key)
            if isinstance(value, str) and "words" in item.metadata:
                assert value in item.metadata["words"], (name, key)
