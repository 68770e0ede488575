"""Shipped scenarios and recordings say what is true; the page of their keys is made of the code."""

import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

import echotrace as et
from echotrace.errors import ParameterError
from echotrace.synthesis.artefact_names import ARTEFACTS, RANDOM_ARTEFACTS
from echotrace.synthesis.key_table import BEGIN, END, key_table, main, put_into_page

FOLDER = Path(__file__).parents[1] / "synthetic_traces"
NAMES = sorted(path.stem for path in FOLDER.glob("*.toml"))

# What each recording is shipped to show: artefacts by scan, counted from 1; every other is unlike
# none but for the bath's echo, which all immersion traces have.
ALL = "all"
SHOWN = {
    "aphakic": {ALL: {"vitreous_opacity"}},
    "contact_drifting": {ALL: set(), **{k: {"oblique"} for k in range(5, 11)}},
    "contact_sitting": {ALL: {"cataract"}},
    "dense_cataract": {ALL: {"cataract"}},
    "immersion_oblique": {ALL: {"oblique", "cataract"}},
    "immersion_sitting": {ALL: {"cataract"}, 3: {"oblique"}, 5: {"gain_too_high"}},
    "long_eye_staphyloma": {ALL: {"staphyloma"}},
    "optic_nerve": {ALL: {"optic_nerve", "oblique"}},
    "population_contact": {ALL: {"cataract"}},
    "population_immersion": {ALL: {"cataract"}},
    "pseudophakic_pmma": {ALL: {"implant_reverberation"}},
    "pupil_edge": {ALL: {"pupil_edge"}},
    "silicone_oil": {ALL: set()},
    "troubled_bath": {
        ALL: set(),
        2: {"bubbles"},
        4: {"blink", "interference"},
        5: {"interference"},
        6: {"gain_too_low", "interference"},
    },
    "wrong_time_gain": {ALL: {"tgc_wrong", "cornea_reverberation"}},
}  # fmt: skip
# Words of a description, and the artefact that must then be in some scan.
WORDS = {
    "gel": "couplant",
    "bubbles": "bubbles",
    "interference": "interference",
    "blink": "blink",
    "too much gain": "gain_too_high",
    "too little gain": "gain_too_low",
    "between probe and cornea": "cornea_reverberation",
    "time gain": "tgc_wrong",
    "oblique": "oblique",
    "staphyloma": "staphyloma",
    "cataract": "cataract",
    "opacities": "vitreous_opacity",
    "optic nerve": "optic_nerve",
    "edge of the pupil": "pupil_edge",
}


def _artefacts(recording):
    return [
        {name for n, name in enumerate(ARTEFACTS) if int(bits) >> n & 1}
        for bits in recording.truth.columns["artefacts"]
    ]


@pytest.mark.parametrize("name", NAMES)
def test_a_recording_has_the_artefacts_it_is_shipped_for(name):
    recording = et.read(FOLDER / f"{name}.h5")
    always = {"bath_reverberation"} if recording.method.present == ("immersion",) else set()
    wanted = [
        always | SHOWN[name][ALL] | SHOWN[name].get(k + 1, set()) for k in range(recording.n_traces)
    ]
    assert _artefacts(recording) == wanted
    assert recording.attributes["artefact_names"].split() == list(ARTEFACTS)


@pytest.mark.parametrize("name", NAMES)
def test_descriptions_name_what_is_there(name):
    recording = et.read(FOLDER / f"{name}.h5")
    scenario = et.read_scenario(FOLDER / f"{name}.toml")
    told = recording.attributes["description"]
    assert told == scenario.description
    found = _artefacts(recording)
    for word, artefact in WORDS.items():
        if word in told:
            assert any(artefact in scan for scan in found), word
    assert told.startswith(
        {"contact": "Contact", "immersion": "Immersion"}[recording.method.present[0]]
    )
    # "scan 3" is the third: the scenario has a table of that number, or the truth shows it.
    for number in map(int, re.findall(r"scan (\d+)", told)):
        assert number in {item.number for item in scenario.scan}
    if "first five are one eye" in told:
        assert recording.n_traces == 5
        assert len(recording.subject.present) == 1
        assert scenario.eye.eyes > 1
    # No chance that the seed left unused: what is asked for can be seen.
    table = tomllib.loads((FOLDER / f"{name}.toml").read_text(encoding="utf-8"))
    for artefact in table.get("artefacts", {}):
        assert any(artefact in scan for scan in found), artefact
    assert not {"hold", "spoilers"} & table.keys()


def test_what_the_descriptions_say_in_numbers():
    truth = {name: et.read(FOLDER / f"{name}.h5").truth.columns for name in NAMES}
    assert np.all(truth["long_eye_staphyloma"]["axial_length_mm"] == pytest.approx(29.4))
    assert truth["immersion_oblique"]["tilt_deg"].mean() == pytest.approx(4.0, abs=0.3)
    assert truth["contact_drifting"]["tilt_deg"][0] < 1.0
    assert truth["contact_drifting"]["tilt_deg"][-1] == pytest.approx(4.0, abs=0.5)
    pair = [truth[f"{kind}_sitting"]["axial_length_mm"][0] for kind in ("contact", "immersion")]
    assert pair[0] == pair[1]
    pair = [truth[f"population_{kind}"]["axial_length_mm"] for kind in ("contact", "immersion")]
    assert np.array_equal(*pair)


# --- the table of keys ---------------------------------------------------------------------------


def test_the_page_has_the_table_that_the_code_makes(tmp_path):
    page = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert page == put_into_page(page), "python -m echotrace.synthesis.key_table README.md"
    copy = tmp_path / "README.md"
    copy.write_text(page.replace("| `standoff_mm` | 10 |", "| `standoff_mm` | 11 |"))
    assert copy.read_text() != page
    assert main([str(copy)]) == 0
    assert copy.read_text(encoding="utf-8") == page


def test_a_page_without_marks_is_refused():
    with pytest.raises(ParameterError, match="lacks the lines"):
        put_into_page("# A page\n")
    with pytest.raises(ParameterError, match="lacks the lines"):
        put_into_page(f"{END}\n{BEGIN}\n")


def test_the_table_holds_every_key_once_with_its_range():
    table = key_table()
    scenario = et.read_scenario(FOLDER / "immersion_sitting.toml")
    sections = {
        name: getattr(scenario, name)
        for name in scenario.__dataclass_fields__
        if hasattr(getattr(scenario, name), "__dataclass_fields__")
    }
    parts = {
        match[1]: match[2]
        for match in re.finditer(r"### `\[+(\w+)\]+`[^\n]*\n(.*?)(?=\n###|\Z)", table, re.S)
    }
    assert set(parts) == {*sections, "scan"}
    for name, section in [*sections.items(), ("scan", scenario.scan[0])]:
        keys = re.findall(r"^\| `(\w+)` \|", parts[name], re.M)
        assert keys == list(section.__dataclass_fields__)
    assert "| `standoff_mm` | 10 | 3 to 30 mm | bath between face and cornea |" in table
    assert "also read: `[hold]`" in table
    assert all(f"`{name}` | 0 | 0 to 1" in table for name in RANDOM_ARTEFACTS if "bath" not in name)
    # No row without a meaning.
    assert not re.search(r"\|\s*\|\s*$", table, re.M)
