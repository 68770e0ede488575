"""The settings tree: round trips, and every wrong key, type and value is named."""

import pytest

from echotrace.errors import ParameterError
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
    assert {"envelope", "picking", "picker_options", "joint_weights", "lengths", "quality"} <= set(
        table
    )
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
