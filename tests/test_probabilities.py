"""Two probabilities in place of one score: their words, old names and files, what feeds them."""

import numpy as np
import pytest
from closed_form import LE_GRAND_US, echo, eye_traces, recording_of
from invented import measurement

from echotrace.chain.measure import measure
from echotrace.errors import EchotraceWarning
from echotrace.files.measurement_table import read_measurement_table
from echotrace.quality.features import score_traces
from echotrace.report.measured_text import probabilities_mean, scan_rows
from echotrace.settings import Settings

T = np.arange(5200) * 0.01
CORNEA_US, LENS_US, RETINA_US = 10.0, 10.0 + LE_GRAND_US[2], 10.0 + LE_GRAND_US[4]


def _features(*extra, **changes):
    """Features of good traces to which echoes were added: (delay µs, amplitude) each."""
    rf = eye_traces(2, seed=5, **changes)
    for at_us, amplitude in extra:
        rf = rf + echo(T, at_us, amplitude).astype(np.float32)
    return measure(recording_of(rf)).features


def test_alignment_is_told_only_where_one_answer_is_four_times_as_likely():
    """Odds of 4 to 1 are probabilities of 0.8 and 0.2."""
    aligned = np.array([0.02, 0.2, 0.21, 0.5, 0.79, 0.8, 0.97, np.nan])
    result = measurement(8, aligned=aligned)
    assert result.aligned_told.tolist() == [True, True, False, False, False, True, True, False]
    words = [result.aligned_in_words(k) for k in range(8)]
    assert words == ["0.02", "0.20", *["cannot be told"] * 3, "0.80", "0.97", "-"]
    assert [record["aligned_in_words"] for record in result.to_records()] == words


def test_both_stand_in_every_table_and_the_old_name_says_where_it_went():
    result = measure(recording_of(eye_traces(2)))
    header, rows = scan_rows(result, [0, 1])
    at = header.index("length right")
    assert header[at : at + 3] == ["length right", "aligned", "accepted"]
    assert rows[0][at : at + 2] == [f"{result.length_right[0]:.2f}", result.aligned_in_words(0)]
    assert "within 0.1 mm" in probabilities_mean(result)
    assert "cannot be told" in probabilities_mean(result)
    with pytest.warns(DeprecationWarning, match="now length_right"):
        np.testing.assert_array_equal(result.score, result.length_right)


def test_score_of_an_old_table_is_shown_as_what_it_was(tmp_path):
    path = tmp_path / "old.csv"
    path.write_text(
        "subject,eye,method,lens_state,accepted,axial_length_mm,score,findings\n"
        "demo-1,right,contact,phakic,false,23.41,0.25,score_low\n",
        encoding="utf-8",
    )
    old = read_measurement_table(path)
    assert np.isnan(old.length_right).all()
    assert np.isnan(old.aligned).all()
    with pytest.warns(DeprecationWarning, match="length_right"):
        assert old.score.tolist() == [0.25]
    header, rows = scan_rows(old, [0])
    assert "length right" not in header
    assert rows[0][header.index("score")] == "0.25"
    assert "aligned" in probabilities_mean(old)
    assert "the version that measured this file" in probabilities_mean(old)
    assert old.finding_list(0) == ("length_doubtful",)
    assert old.has_finding("score_low").tolist() == [True]


def test_what_is_no_eye_has_no_words_of_them():
    nothing = np.full(6, np.nan)
    assert probabilities_mean(measurement(length_right=nothing, aligned=nothing)) == ""


def test_log_odds_are_those_of_the_probability():
    result = measure(recording_of(eye_traces(4, amplitudes=(1.0, 0.9, 0.6, 0.55, 0.05))))
    nats = result.features["length_right_nats"].astype(float)
    np.testing.assert_allclose(1 / (1 + np.exp(-nats)), result.length_right, atol=1e-6)
    missing = dict(result.features) | {"missing_count": np.float32([1, 0, 0, 2])}
    found = score_traces(missing)
    assert np.isneginf(found["length_right_nats"]).tolist() == [True, False, False, True]
    assert found["length_right"][[0, 3]].tolist() == [0.0, 0.0]


def test_limits_of_the_score_are_told_to_be_gone_and_not_taken_over():
    with pytest.warns(EchotraceWarning, match="min_length_right is the limit of another"):
        read = Settings.from_table({"quality": {"min_score": 0.9, "max_fluid_gap_us": 0.2}})
    assert read.quality.min_length_right == Settings().quality.min_length_right
    assert read.quality.max_fluid_gap_us == 0.2


@pytest.mark.parametrize(
    ("feature", "extra"),
    [
        ("bath_echo_against_cornea_db", (6.0, 0.3)),
        ("chamber_echo_against_lens_db", (LENS_US - 1.2, 0.3)),
        ("vitreous_echo_against_retina_db", (RETINA_US - 4.0, 0.3)),
    ],
)
def test_echoes_where_an_eye_has_none(feature, extra):
    """Levels by hand: 0.3 against the echo of the eye; silent traces lie far below."""
    against = {
        "bath_echo_against_cornea_db": 1.0,
        "chamber_echo_against_lens_db": 0.6,
        "vitreous_echo_against_retina_db": 0.5,
    }
    silent, heard = _features()[feature], _features(extra)[feature]
    assert (silent < -25.0).all()
    np.testing.assert_allclose(heard, 20 * np.log10(0.3 / against[feature]), atol=1.5)


def test_a_retina_without_a_wall_is_followed_by_nothing():
    """The orbit is scattered at random: held against it only roughly."""
    walled, alone = _features()["retina_followed_db"], _features(with_wall=False)
    assert (walled > -15.0).all()
    assert (alone["retina_followed_db"] < -30.0).all()
