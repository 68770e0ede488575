"""The settings tree: round trips, and every wrong key, type and value is named."""

import pytest

from echotrace.errors import ParameterError
from echotrace.media import medium
from echotrace.settings import (
    EnvelopeSettings,
    PickingSettings,
    Settings,
    SittingLimits,
    TargetGate,
    read_settings,
    settings_toml,
)
from echotrace.signal.gates import Gate
from echotrace.signal.lengths import LengthSettings, measure_lengths
from echotrace.tuning.space import Factor, Space

CHANGED = Settings(
    engine="plain",
    envelope=EnvelopeSettings(method="rectified", bandwidth=0.7),
    picking=PickingSettings(picker="steepest_slope", choice="gate_by_gate"),
    sitting=SittingLimits(min_accepted=5, max_sd_contact_mm=0.1),
    gates=(
        TargetGate(
            method="contact",
            target="any",
            gate=Gate(interface="sclera", start_us=1.0 / 3.0, stop_us=4.0, relative_to="retina"),
        ),
    ),
)  # fmt: skip


@pytest.mark.parametrize("settings", [Settings(), CHANGED])
def test_written_and_read_back_is_the_same(tmp_path, settings):
    path = tmp_path / "s.toml"
    path.write_text(settings_toml(settings))
    assert read_settings(path) == settings


def test_every_default_is_written():
    table = Settings().to_table()
    assert {"envelope", "picking", "pickers", "joint_choice", "lengths", "quality"} <= set(table)
    assert table["picking"]["picker"] == "matched_filter"
    assert table["engine"] == "auto"


def test_what_is_left_out_keeps_its_default(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text("[quality]\nmin_level_db = 20\n")
    settings = read_settings(path)
    assert settings.quality.min_level_db == 20.0
    assert settings.picking == PickingSettings()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[qualty]\n", "did you mean 'quality'"),
        ("[quality]\nmin_levl_db = 3\n", "did you mean 'min_level_db'"),
        ("[quality]\nmin_level_db = 'high'\n", "must be a number"),
        ("[quality]\nmin_level_db = true\n", "is not a number"),
        ("[sitting]\nmin_accepted = 2.5\n", "whole number"),
        ("[sitting]\nmin_accepted = 0\n", "at least 1"),
        ("[sitting]\nconfidence = 95\n", "between 0 and 1"),
        ("[sitting]\nmax_sd_contact_mm = 0\n", "positive"),
        ("[sitting]\nmax_outliers = -1\n", "max_outliers=-1 must lie between"),
        ("[picking]\npicker = 'best'\n", "use one of matched_filter"),
        ("[picking]\nchoice = 'both'\n", "jointly"),
        ("[picking]\ntemplate = 'guess'\n", "probe"),
        ("[picking]\nsearch_threshold_db = 1\n", "between 6 and 60"),
        ("[picking]\npicker = 3\n", "must be a text"),
        ("[envelope]\nmethod = 'fast'\n", "analytic, quadrature or rectified"),
        ("[envelope]\nbandwidth = 0\n", "between 0.3 and 5"),
        ("[quality]\nmin_margin = 1e5\n", "out of range"),
        ("quality = 3\n", "must be a table"),
        ("engine = 'fast'\n", "engine='fast': use auto, fused or plain"),
        ("[engine]\n", "use auto, fused or plain"),
        ("gate = 3\n", "array of tables"),
        ("gate = [1]\n", r"\[\[gate\]\] 1: must be a table of keys, got 1"),
        ("[quality]\nmin_aligned = 5\n", "min_aligned=5.0 must lie between 0 and 1"),
        ("[quality]\nmin_level_db = nan\n", "min_level_db=nan is not a number"),
        ("[lengths]\nclock_ppm = inf\n", "clock_ppm=inf must be finite"),
        (f"[quality]\nmin_level_db = {'9' * 5000}\n", "not a TOML file"),
        (f"[quality]\nmin_level_db = {'9' * 4000}\n", "too large"),
        (f"quality = {'[' * 3000}{']' * 3000}\n", "nested too deeply|must be a table"),
        ("quality = 2026-02-31\n", "not a TOML file"),
        ("[[gate]]\nmethod = 1\n", "method must be a text, got 1"),
        ("[[gate]]\ninterface = 'retina'\n", "start_us, stop_us must be given"),
        ("[[gate]]\ninterface = 'retina'\nstart_us = 2\nstop_us = 1\n", "must be more than"),
        ("[[gate]]\nmethod = 'air'\ninterface = 'r'\nstart_us = 1\nstop_us = 2\n", "use contact"),
        ("[quality\n", "not a TOML file"),
    ],
)
def test_each_mistake_is_one_clear_error(tmp_path, text, says):
    path = tmp_path / "mine.toml"
    path.write_text(text)
    with pytest.raises(ParameterError, match=says) as caught:
        read_settings(path)
    assert "mine.toml" in str(caught.value)


def test_a_missing_file_names_itself(tmp_path):
    with pytest.raises(ParameterError, match=r"nowhere\.toml"):
        read_settings(tmp_path / "nowhere.toml")


def test_old_names_of_tables_and_keywords_still_work_and_name_the_new_one(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text("[picker_options]\nedge_fraction = 0.3\n[joint_weights]\nmissing = 8.0\n")
    settings = read_settings(path)
    assert (settings.pickers.edge_fraction, settings.joint_choice.missing) == (0.3, 8.0)
    with pytest.warns(FutureWarning, match="Settings: picker_options is now pickers;") as caught:
        assert settings.picker_options is settings.pickers
    assert caught[0].filename == __file__
    with pytest.warns(FutureWarning, match="joint_weights is now joint_choice;") as caught:
        made = Settings(joint_weights=settings.joint_choice, pickers=settings.pickers)
    assert caught[0].filename == __file__
    assert made == settings
    path.write_text("[picker_options]\n[pickers]\n")
    with pytest.raises(ParameterError, match="'picker_options' is the old name of 'pickers'"):
        read_settings(path)
    space = Space(factors=(Factor(key="picker_options.edge_fraction", choices=(0.2,)),))
    assert space.settings_at([0.5], settings.to_table()).pickers.edge_fraction == 0.2


def test_old_keywords_of_functions_still_work_and_name_the_new_one():
    wanted = LengthSettings(average_speed_m_per_s=1000.0)
    given = [5.0, 9.0], [0.001, 0.001], [medium("water")]
    with pytest.warns(FutureWarning, match="measure_lengths: options is now settings;") as caught:
        assert measure_lengths(*given, options=wanted).total_mm == 2.0  # 4 µs there and back
    assert caught[0].filename == __file__
    with pytest.raises(ParameterError, match="'options' is the old name of 'settings'"):
        measure_lengths(*given, options=wanted, settings=wanted)
