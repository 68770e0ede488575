"""From a measurement to powers: the study of each eye, the command, its page and pictures."""

from __future__ import annotations

import json
import math
import re

import numpy as np
import pytest

from echotrace.commands import power
from echotrace.commands.arguments import CommandParser
from echotrace.errors import EchotraceError, FileFormatError, MissingDetailError, ParameterError
from echotrace.figures.power import plot_budget, plot_power_table, plot_sensitivity
from echotrace.files.measurement_table import read_measurement_table
from echotrace.files.native import write_measurement
from echotrace.files.table import write_measurement_table
from echotrace.measurement import Measurement
from echotrace.power import (
    PARTS,
    EyeHistory,
    EyeLength,
    Formula,
    LensConstant,
    PowerSettings,
    lengths_of,
    refraction_d,
    study_eyes,
)
from echotrace.power.eye_study import signed
from echotrace.recording import Column

CONSTANTS = (
    LensConstant(Formula.SRK_T, (118.4,)),
    LensConstant(Formula.HOFFER_Q, (5.20,)),
    LensConstant(Formula.HOLLADAY_1, (1.45,)),
    LensConstant(Formula.HAIGIS, (1.05, 0.4, 0.1)),
)
FOUR = ["srk_t=118.4", "hoffer_q=5.2", "holladay_1=1.45", "haigis=1.05,0.4,0.1"]


def measurement(*sittings):
    """Invented scans. A sitting: eye, lengths, and what else differs from the ordinary."""
    rows = [
        {"eye": eye, "length": length, "accepted": True} | dict(more)
        for eye, lengths, more in sittings
        for length in lengths
    ]
    n = len(rows)

    def column(name, default):
        return Column.of([row.get(name, default) for row in rows], n, name)

    lengths = np.array([row["length"] for row in rows])
    segments = np.tile([0.55, 2.55, 4.5, 0.0], (n, 1))
    segments[:, 3] = lengths - segments.sum(axis=1)
    return Measurement(
        interfaces=(),
        segments=("cornea", "aqueous", "lens", "vitreous"),
        delay_us=np.empty((n, 0)),
        delay_u_us=np.empty((n, 0)),
        length_mm=segments,
        axial_length_mm=lengths,
        axial_length_u_mm=np.full(n, 0.01),
        axial_length_u_shared_mm=np.full(n, 0.03),
        length_right=np.full(n, 0.9),
        aligned=np.full(n, 0.9),
        findings=np.array([row.get("findings", 0) for row in rows], np.uint64),
        finding_names=("low_retina", "clipped"),
        accepted=np.array([row["accepted"] for row in rows]),
        decided_by=np.zeros(n, np.uint8),
        subject=column("subject", "S1"),
        eye=column("eye", ""),
        method=column("method", "immersion"),
        lens_state=column("lens_state", "phakic"),
        lens_material=column("lens_material", "none"),
        vitreous=column("vitreous", "natural"),
        operator=column("operator", "A"),
        sitting=column("sitting", "1"),
        target=column("target", "eye"),
    )


GOOD = [23.40, 23.42, 23.41, 23.43, 23.39]


def inputs(**more):
    usual = {
        "constants": CONSTANTS,
        "target_d": -0.25,
        "k1_d": {"right": 43.5, "left": 43.75},
        "k2_d": {"right": 44.25, "left": 44.0},
        "history": {"right": (EyeHistory.NONE,), "left": (EyeHistory.NONE,)},
        "constant_method": "immersion",
        "n_draws": 2000,
    }
    return PowerSettings(**(usual | more))


def command(*words):
    parser = CommandParser(prog="echotrace power", allow_abbrev=False)
    power.add_arguments(parser)
    return power.run(parser.read([str(word) for word in words]))


@pytest.fixture
def good_file(tmp_path):
    path = tmp_path / "measured.h5"
    write_measurement(measurement(("right", GOOD, {})), path)
    return path


# --- the study -----------------------------------------------------------------------------------


def test_lengths_come_with_both_uncertainties_and_the_chamber():
    (length,) = lengths_of(measurement(("right", GOOD, {})))
    assert length.mean_mm == pytest.approx(23.41)
    assert length.u_mm == pytest.approx(np.std(GOOD, ddof=1) / math.sqrt(5))
    assert length.u_shared_mm == pytest.approx(0.03)
    assert (length.n, length.n_accepted) == (5, 5)
    assert length.chamber_mm == pytest.approx(3.10)
    assert length.lens_mm == pytest.approx(4.5)
    assert not length.stops


def test_a_clean_eye_is_acceptable_and_without_warnings():
    (study,) = study_eyes(lengths_of(measurement(("right", GOOD, {}))), inputs())
    assert study.acceptable
    assert study.warnings == ()
    assert study.chamber_origin == "from these scans"
    row = study.table.nearest(0)
    expected = refraction_d(study.biometry, CONSTANTS[0], study.table.power_d[row])
    assert study.table.outcomes[0].refraction_d[row] == pytest.approx(float(expected))
    assert study.gain.floor_mm == pytest.approx(0.03)
    low, high = study.drawn_d[0]
    assert low == pytest.approx(study.table.outcomes[0].low_d[row], abs=0.15)
    assert high == pytest.approx(study.table.outcomes[0].high_d[row], abs=0.15)


def test_what_the_sitting_says_comes_first():
    wide = [23.0, 23.4, 23.9, 23.2, 23.6]
    (study,) = study_eyes(lengths_of(measurement(("right", wide, {}))), inputs())
    assert not study.acceptable
    assert study.warnings[0].startswith("The sitting has no acceptable result")
    assert study.warnings[1].startswith("The measurement: The accepted lengths spread")
    assert study.to_dict()["acceptable"] is False
    assert study.to_dict()["warnings"] == list(study.warnings)
    assert study.table is not None


def test_no_accepted_scan_gives_no_power():
    (study,) = study_eyes(lengths_of(measurement(("right", GOOD, {"accepted": False}))), inputs())
    assert "no accepted scan" in study.refused
    assert study.table is None
    assert not study.acceptable
    about = study.to_dict()
    assert about["axial_length_mm"] is None
    assert "rows" not in about
    json.dumps(about, allow_nan=False)


@pytest.mark.parametrize(
    ("labels", "told"),
    [
        ({"lens_state": "aphakic"}, "aphakia"),
        ({"lens_state": "pseudophakic", "lens_material": "acrylic"}, "existing implant"),
        ({"vitreous": "silicone_oil_1000"}, "silicone oil"),
    ],
)
def test_states_that_the_formulas_do_not_know_are_refused_alone(labels, told):
    studies = study_eyes(
        lengths_of(measurement(("right", GOOD, labels), ("left", GOOD, {}))), inputs()
    )
    assert told in studies[0].refused
    assert studies[0].table is None
    assert studies[1].table is not None


@pytest.mark.parametrize("shift", [-6.0, 14.0, -20.0, 40.0])
def test_a_length_outside_the_formulas_is_refused_alone(shift):
    right, left = study_eyes(
        lengths_of(measurement(("right", [x + shift for x in GOOD], {}), ("left", GOOD, {}))),
        inputs(),
    )
    assert "lies outside 18.5 to 36 mm" in right.refused
    assert right.table is None
    assert left.table is not None


def test_declared_history_refuses_one_eye_only():
    history = {"right": (EyeHistory.KERATOCONUS,), "left": (EyeHistory.NONE,)}
    right, left = study_eyes(
        lengths_of(measurement(("right", GOOD, {}), ("left", GOOD, {}))), inputs(history=history)
    )
    assert "keratoconus" in right.refused
    assert left.refused == ""


def test_plausibility_reaches_the_eyes_it_speaks_of():
    lengths = lengths_of(measurement(("right", GOOD, {}), ("left", [x + 1.0 for x in GOOD], {})))
    for study in study_eyes(lengths, inputs()):
        assert any("1.00 mm longer than the other" in text for text in study.warnings)
    lengths = lengths_of(measurement(("right", GOOD, {}), ("left", GOOD, {})))
    steep = inputs(k2_d={"right": 47.5, "left": 44.0}, k1_d={"right": 47.2, "left": 43.75})
    right, left = study_eyes(lengths, steep)
    assert any("unusually steep" in text for text in right.warnings)
    assert not any("unusually steep" in text for text in left.warnings)


def test_one_scan_and_missing_uncertainty_are_said():
    one = EyeLength(eye="right", mean_mm=23.4, u_mm=0.0, n=1, n_accepted=1)
    (study,) = study_eyes([one], inputs())
    text = " ".join(study.warnings)
    assert "Only one scan" in text
    assert "without uncertainty" in text
    assert study.gain is None
    bare = dict.fromkeys(inputs().uncertainty, 0.0)
    (study,) = study_eyes([one], inputs(uncertainty=bare))
    assert any(
        "leaves out the uncertainty of k, chamber, lens position" in text for text in study.warnings
    )


def test_contact_chamber_is_named():
    (study,) = study_eyes(
        lengths_of(measurement(("right", GOOD, {"method": "contact"}))),
        inputs(constant_method="contact"),
    )
    assert any("contact scans, which press" in text for text in study.warnings)
    (study,) = study_eyes(
        lengths_of(measurement(("right", GOOD, {"method": "contact"}))),
        inputs(constant_method="contact", chamber_mm={"right": 3.2}),
    )
    assert study.chamber_origin == "given"
    assert study.biometry.chamber_depth_mm == 3.2


def test_a_contact_length_asks_which_lengths_the_constants_belong_to():
    """Published mean of pressing 0.20 mm, SD 0.26 (Ademola-Popoola 2016), in or not in them."""
    lengths = lengths_of(measurement(("right", GOOD, {"method": "contact"})))
    mean = float(np.mean(GOOD))
    with pytest.raises(ParameterError, match="--constant-method contact, immersion or optical"):
        study_eyes(lengths, inputs(constant_method=""))
    powers = {}
    for method in ("contact", "immersion", "optical"):
        (study,) = study_eyes(lengths, inputs(constant_method=method))
        used = mean if method == "contact" else mean + 0.20
        assert study.biometry.axial_length_mm == pytest.approx(used, abs=0.005)
        assert study.uncertainty.pressing_mm == pytest.approx(0.26, abs=0.01)
        record = study.to_dict()
        assert record["axial_length_mm"] == pytest.approx(mean)
        assert record["axial_length_used_mm"] == pytest.approx(used, abs=0.005)
        budget = record["formulas"][0]["budget_d"]
        assert budget["pressing_mm"] > 2 * budget["length_shared_mm"]
        assert study.pressing
        powers[method] = study.table.for_target_d[0]
    # A longer eye needs less power: 2.5 to 3 D per mm (StatPearls).
    assert 0.5 <= powers["contact"] - powers["immersion"] <= 0.6
    assert powers["immersion"] == powers["optical"]
    (plain,) = study_eyes(lengths_of(measurement(("right", GOOD, {}))), inputs(constant_method=""))
    assert plain.uncertainty.pressing_mm == 0.0
    assert plain.pressing == ""


def test_an_impossible_chamber_is_told_and_not_used():
    length = EyeLength(
        eye="right", mean_mm=23.4, u_mm=0.03, n=5, n_accepted=5, lens_state="phakic",
        chamber_mm=1.2,
    )  # fmt: skip
    (study,) = study_eyes([length], inputs())
    assert any("chamber of 1.20 mm" in text for text in study.warnings)
    assert "1.20 mm in these scans is not used" in study.chamber_origin
    assert math.isnan(study.biometry.chamber_depth_mm)


def test_bending_formula_is_caught_by_drawing():
    # Beside the guard of SRK/T (48 D, 26.28 mm) the derivative says nothing of the spread.
    length = EyeLength(eye="right", mean_mm=26.26, u_mm=0.15, n=5, n_accepted=5)
    (study,) = study_eyes(
        [length],
        inputs(
            constants=CONSTANTS[:1],
            k1_d={"right": 48.0},
            k2_d={"right": 48.0},
            n_draws=20_000,
        ),
    )
    assert any(item.name == "formula_bends" for item in study.cautions)


def test_subjects_and_eyes_are_not_mixed():
    two = measurement(("right", GOOD, {}), ("right", GOOD, {"subject": "S2"}))
    with pytest.raises(ParameterError, match="2 subjects"):
        study_eyes(lengths_of(two), inputs())
    with pytest.raises(ParameterError, match="no sitting"):
        study_eyes([], inputs())
    with pytest.raises(ParameterError, match="right or a left eye"):
        lengths_of(measurement(("none", GOOD, {"target": "plate", "method": "immersion"})))
    with pytest.raises(ParameterError, match="u_mm"):
        EyeLength(eye="right", mean_mm=23.4, u_mm=math.nan)


@pytest.mark.parametrize(("value", "text"), [(-0.001, "+0.00"), (0.254, "+0.25"), (-1.25, "-1.25")])
def test_refractions_are_written_with_their_sign(value, text):
    assert signed(value) == text


@pytest.mark.compiled
def test_from_traces_to_power():
    # Synthetic traces with known lengths, through the whole chain: the power found on the
    # measured length is the power of the true one, within its interval.
    from echotrace.chain.measure import measure
    from echotrace.synthesis.compose import synthesise

    recording = synthesise({"scans": 4, "method": {"kind": "immersion"}}, seed=3)
    (length,) = lengths_of(measure(recording))
    (study,) = study_eyes([length], inputs())
    names = list(recording.truth.interfaces)
    speeds = {"cornea": 1641.0, "aqueous": 1532.0, "lens": 1641.0, "vitreous": 1532.0}
    ends = ["cornea_front", "cornea_back", "lens_front", "lens_back", "retina"]
    delays = recording.truth.delay_us[:, [names.index(name) for name in ends]].mean(axis=0)
    true_mm = float(np.diff(delays) @ np.array(list(speeds.values())) / 2000.0)
    truth = EyeLength(eye=length.eye, mean_mm=true_mm, u_mm=0.0, chamber_mm=length.chamber_mm)
    (known,) = study_eyes([truth], inputs())
    for k in range(len(CONSTANTS)):
        error_d = study.table.for_target_d[k] - known.table.for_target_d[k]
        assert abs(error_d) < 3.6 * 3.0 * math.hypot(length.u_mm, length.u_shared_mm)


# --- the table of scans --------------------------------------------------------------------------


def test_table_round_trip(tmp_path):
    original = measurement(
        ("right", GOOD, {"findings": 2}), ("left", GOOD, {"accepted": False, "method": "contact"})
    )
    path = tmp_path / "scans.csv"
    write_measurement_table(original, path)
    back = read_measurement_table(path)
    assert np.array_equal(back.axial_length_mm, original.axial_length_mm)
    assert np.array_equal(back.axial_length_u_shared_mm, original.axial_length_u_shared_mm)
    assert np.array_equal(back.accepted, original.accepted)
    assert back.segments == original.segments
    assert np.array_equal(back.length_mm, original.length_mm)
    assert list(back.method) == list(original.method)
    assert back.finding_list(0) == ("clipped",)
    assert repr(lengths_of(back)) == repr(lengths_of(original))


def test_a_short_table_made_by_hand_is_enough(tmp_path):
    path = tmp_path / "hand.csv"
    path.write_text(
        "eye,method,lens_state,accepted,axial_length_mm\n"
        + "".join(f"right,contact,phakic,true,{x}\n" for x in GOOD),
        encoding="utf-8",
    )
    (length,) = lengths_of(read_measurement_table(path))
    assert length.mean_mm == pytest.approx(23.41)
    assert math.isnan(length.chamber_mm)


HEAD = "eye,method,lens_state,accepted,axial_length_mm\n"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "the file is empty"),
        (HEAD, "holds no scans"),
        ("eye,method,accepted,axial_length_mm\nright,contact,true,23\n", "no column 'lens_state'"),
        (
            HEAD + "right,contact,phakic,true,23;4\n",
            "line 2, column 'axial_length_mm': '23;4' is not a number",
        ),
        (HEAD + "right,contact,phakic,true,-23\n", "must be 0 or more"),
        (HEAD + "right,contact,phakic,maybe,23\n", "line 2, column 'accepted': 'maybe'"),
        (HEAD + "OD,contact,phakic,true,23\n", "line 2, column 'eye': 'OD'"),
        (HEAD + "right,contact,phakic,true,23,4\n", "line 2 has 6 cells"),
        ("eye,eye\nright,left\n", "occurs twice"),
        ("eye;method;lens_state\nright;contact;phakic\n", "no column 'accepted'"),
        (HEAD + 'right,contact,"phakic,true,23\n', "is a quote left open"),
        (HEAD + "right,contact,phakic,true,2_3.5\n", "'2_3.5' is not a number"),
        (HEAD + "right,contact,phakic,true,1e9\n", "must be 10000 or less"),
        (HEAD + f"right,contact,phakic,true,{'2' * 200_000}\n", "not a table of separated cells"),
    ],
)
def test_broken_tables_are_told_in_one_line(tmp_path, text, told):
    path = tmp_path / "broken.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises((FileFormatError, MissingDetailError)) as caught:
        read_measurement_table(path)
    assert told in str(caught.value)
    assert "broken.csv" in str(caught.value)
    with pytest.raises(FileFormatError, match="cannot be read"):
        read_measurement_table(tmp_path / "absent.csv")


# --- the command ---------------------------------------------------------------------------------

CORNEA = ["--k1", "43.5", "--k2", "44.25"]
ASKED = ["--history", "none", "--constant-method", "immersion"]


def test_command_prints_formulas_side_by_side(good_file, capsys):
    code = command(good_file, *CORNEA, "--constant", *FOUR, "--target", "-0.25", *ASKED)
    text = capsys.readouterr().out
    assert code == 0
    assert text.startswith("Not a medical device")
    assert "surgeon in charge" in text
    head = next(line for line in text.splitlines() if line.lstrip().startswith("power "))
    assert [name in head for name in ("SRK/T", "Hoffer Q", "Holladay 1", "Haigis")] == [True] * 4
    powers = [float(m) for m in re.findall(r"^ {2,}(\d+\.\d) +[+-]", text, re.MULTILINE)]
    assert len(powers) >= 7
    assert np.allclose(np.diff(powers), 0.5)
    assert "WARNING" not in text
    assert "not a recommendation" in text
    assert "One more scan" in text
    assert "goes below 0.030 mm" in text
    assert "Norrby 2008" in text
    assert max(len(line) for line in text.splitlines()) < 130


def test_command_json_carries_warnings_beside_numbers(good_file, capsys):
    code = command(good_file, *CORNEA, "--constant", *FOUR, "--target", "-0.25", "--json")
    about = json.loads(capsys.readouterr().out)
    assert code == 0
    (eye,) = about["eyes"]
    assert "not a prescription" in about["caution"].lower()
    assert any("untouched" in text for text in eye["warnings"])
    assert {row["formula"] for row in eye["rows"]} == {item.split("=")[0] for item in FOUR}
    assert eye["formulas"][0]["constant"] == {"A": 118.4}
    assert sum(eye["formulas"][0]["budget_share"].values()) == pytest.approx(1.0)
    assert eye["one_more_scan"]["floor_mm"] == pytest.approx(0.03)


def test_command_on_a_bad_sitting_warns_before_any_number_and_exits_one(tmp_path, capsys):
    path = tmp_path / "measured.h5"
    write_measurement(measurement(("right", [23.0, 23.4, 23.9, 23.2, 23.6], {})), path)
    code = command(path, *CORNEA, "--constant", "srk_t=118.4", "--target", "0", *ASKED)
    text = capsys.readouterr().out
    assert code == 1
    assert text.index("WARNING") < text.index("predicted refraction")
    assert re.search(r"under \d+ warnings? above", text)


def test_command_on_a_refused_eye_gives_no_number(tmp_path, capsys):
    path = tmp_path / "measured.h5"
    write_measurement(measurement(("right", GOOD, {})), path)
    code = command(
        path, *CORNEA, "--constant", "srk_t=118.4", "--target", "0",
        "--history", "corneal_refractive_surgery",
    )  # fmt: skip
    text = capsys.readouterr().out
    assert code == 1
    assert "REFUSED" in text
    assert "predicted refraction" not in text


def test_command_without_a_file(capsys):
    code = command(
        "--axial-length-mm", "right=23.41", "left=23.6", "--axial-length-u-mm", "right=0.05",
        "left=0.04", "--scans", "5", "--k1", "right=43.5", "left=43.2", "--k2", "right=44.25",
        "left=44", "--constant", "srk_t=118.4", "--target", "-0.5", "--convert",
        "--k-u", "0.25", "--lens-position-u-mm", "0",
    )  # fmt: skip
    text = " ".join(capsys.readouterr().out.split())
    assert code == 0
    assert text.count("predicted refraction, D") == 2
    assert "start values" in text
    assert "0.250 D " in text
    assert "leaves out the uncertainty of lens position" in text


def test_command_takes_radii(good_file, capsys):
    command(
        good_file, "--r1-mm", 337.5 / 43.5, "--r2-mm", 337.5 / 44.25, "--constant", "srk_t=118.4",
        "--target", "0", "--json",
    )  # fmt: skip
    radii = json.loads(capsys.readouterr().out)["eyes"][0]["rows"]
    command(good_file, *CORNEA, "--constant", "srk_t=118.4", "--target", "0", "--json")
    readings = json.loads(capsys.readouterr().out)["eyes"][0]["rows"]
    assert len(readings) == len(radii)
    for one, other in zip(readings, radii, strict=True):
        assert one["refraction_d"] == pytest.approx(other["refraction_d"])


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "give either a measurement file or --axial-length-mm"),
        (["--axial-length-mm", "23.4", *CORNEA], "say whose it is"),
        (["--axial-length-mm", "right=23.4", *CORNEA], "the right eye lacks it"),
        (["--axial-length-mm", "OD=23.4", *CORNEA], "'OD' is not an eye"),
        (["--axial-length-mm", "right=23,4", *CORNEA], "is not a number"),
        (["--axial-length-mm", "right=23.4", "right=23.5", *CORNEA], "two values"),
        (["--axial-length-mm", "right=2.34", *CORNEA], "centimetres; give 23.4 mm"),
        (["--axial-length-mm", "right=23.4", "scan.h5", *CORNEA], "the file before the options"),
    ],
)
def test_command_refuses_unclear_lengths(words, told):
    with pytest.raises(EchotraceError) as caught:
        command(*words, "--constant", "srk_t=118.4", "--target", "0")
    assert told in str(caught.value)


GIVEN = ["--eye", "right", "--axial-length-mm", "23.4", "--axial-length-u-mm", "0.05"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "give keratometry"),
        ([*CORNEA, "--r1-mm", "7.7"], "give keratometry"),
        (["--k1", "43.5"], "--k2: the right eye lacks it"),
        (["--k1", "7.7", "--k2", "7.6"], "radius in mm"),
        (["--r1-mm", "43.5", "--r2-mm", "44"], "looks like dioptres"),
        (["--k1", "left=43.5", "--k2", "44"], "--k1: the right eye lacks it"),
        ([*CORNEA, "--history", "none", "keratoconus"], "contradict"),
        ([*CORNEA, "--history", "keratokonus"], "did you mean 'keratoconus'"),
        ([*CORNEA, "--history", "OD=none"], "'OD' is not an eye"),
        ([*CORNEA, "--k-u", "-1"], "--k-u: '-1' must lie between"),
        ([*CORNEA, "--coverage", "95"], "--coverage: '95' must lie between"),
        ([*CORNEA, "--steps", "-1"], "--steps: '-1' must lie between"),
        ([*CORNEA, "--keratometric-index", "1.376"], "corneal tissue"),
        ([*CORNEA, "--limits", "absent.toml"], "cannot be read"),
        ([*CORNEA, "--constant", "srk_t=118.5"], "two constants of one formula"),
    ],
)
def test_command_refuses_unclear_inputs(words, told):
    with pytest.raises(EchotraceError) as caught:
        command(*GIVEN, "--constant", "srk_t=118.4", "--target", "0", *words)
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


def test_command_does_not_lend_one_cornea_to_two_eyes(tmp_path):
    path = tmp_path / "measured.h5"
    write_measurement(
        measurement(("right", GOOD, {}), ("left", GOOD, {}), ("left", GOOD, {"subject": "S2"})),
        path,
    )
    tail = [*CORNEA, "--constant", "srk_t=118.4", "--target", "0", *ASKED]
    with pytest.raises(ParameterError, match="2 subjects"):
        command(path, *tail)
    with pytest.raises(ParameterError, match="say whose it is"):
        command(path, "--subject", "S1", *tail)
    with pytest.raises(ParameterError, match="no sitting with subject 'S9'"):
        command(path, "--subject", "S9", *tail)
    with pytest.raises(ParameterError, match="the file has its own"):
        command(path, "--subject", "S1", "--scans", "5", *tail)


def test_command_reads_a_table_and_chooses_an_eye(tmp_path, capsys):
    path = tmp_path / "scans.csv"
    write_measurement_table(measurement(("right", GOOD, {}), ("left", GOOD, {})), path)
    code = command(
        path, "--eye", "left", *CORNEA, "--constant", "srk_t=118.4", "--target", "0", *ASKED
    )
    text = capsys.readouterr().out
    assert code == 0
    assert "left eye, immersion" in text
    assert "right eye" not in text


# --- page and pictures ---------------------------------------------------------------------------


def test_page_puts_warnings_before_numbers_and_stands_alone(tmp_path, capsys):
    measured, page = tmp_path / "measured.h5", tmp_path / "page.html"
    rows = [("right", [23.0, 23.4, 23.9, 23.2, 23.6], {"subject": "<b>S1</b>"})]
    write_measurement(measurement(*rows), measured)
    code = command(measured, *CORNEA, "--constant", *FOUR, "--target", "-0.25", "--report", page)
    assert code == 1
    assert "page.html" in capsys.readouterr().out
    html = page.read_text(encoding="utf-8")
    assert html.index("no number below") < html.index("23.42 mm")
    assert "&lt;b&gt;S1" in html
    assert html.count("<svg") == 3
    assert "surgeon in charge" in html
    assert not re.search(r"(src|href)=\"(https?:)?//", html)


def test_page_of_a_refused_eye_has_no_table(tmp_path):
    page = tmp_path / "page.html"
    command(
        *GIVEN, *CORNEA, "--constant", "srk_t=118.4", "--target", "0", "--history", "keratoconus",
        "--report", page,
    )  # fmt: skip
    html = page.read_text(encoding="utf-8")
    assert "No lens power." in html
    assert "<table" not in html


@pytest.fixture(scope="module")
def study():
    return study_eyes(lengths_of(measurement(("right", GOOD, {}))), inputs())[0]


def test_budget_picture(study):
    ax = plot_budget(study.budgets[3])
    parts = {name: part for name, part in study.budgets[3].parts_d.items() if part >= 0.005}
    assert sorted(bar.get_width() for bar in ax.patches) == pytest.approx(sorted(parts.values()))
    labels = [tick.get_text() for tick in ax.get_yticklabels()]
    assert set(labels) == {PARTS[name][0] for name in parts}
    # The largest on top.
    assert ax.patches[-1].get_width() == max(parts.values())
    assert ax.get_xlabel().endswith("D")


def test_power_picture(study):
    ax = plot_power_table(study.table)
    assert len(ax.containers) == len(CONSTANTS)
    assert [text.get_text() for text in ax.get_legend().get_texts()] == [
        "SRK/T", "Hoffer Q", "Holladay 1", "Haigis",
    ]  # fmt: skip
    line = ax.containers[0].lines[0]
    assert np.allclose(line.get_ydata(), study.table.outcomes[0].refraction_d)
    assert "D" in ax.get_ylabel()


def test_sensitivity_picture_and_given_axes(study):
    from echotrace.figures.style import new_figure

    mine = new_figure().add_subplot()
    ax = plot_sensitivity(study.biometry, CONSTANTS, ax=mine)
    assert ax is mine
    curves = [line for line in ax.lines if len(line.get_xdata()) > 2]
    assert len(curves) == len(CONSTANTS)
    # Olsen: 0.1 mm is about a quarter dioptre in the average eye.
    for curve in curves:
        at = np.interp(23.5, curve.get_xdata(), curve.get_ydata())
        assert at == pytest.approx(0.25, abs=0.05)
