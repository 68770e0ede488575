"""A plate of which only a range of thickness is known: the first of a train of echoes is the wall.

Echoes are closed form; the speed of aluminium (6320 m/s, longitudinal) is value from memory.
"""

import dataclasses
import re

import numpy as np
import pytest
from closed_form import echo, recording_of

import echotrace as et
from echotrace.quality.finding_list import FINDINGS
from echotrace.settings import TargetGate

PLATE = """
name = "plate"
length_from = "near_face"
length_to = "far_face"

[[interface]]
name = "near_face"

[[interface]]
name = "far_face"

[[segment]]
name = "plate"
speed_m_per_s = 6320.0
range_mm = [3.0, 8.0]
"""
EYE_WORDS = (
    "cornea",
    "retina",
    "lens",
    "sclera",
    "vitreous",
    "chamber",
    "orbit",
    "eye",
    "fixation",
)


def _recording(thickness_mm, heights, *, scale=1.0, n_traces=5):
    delay_us = np.arange(2000) * 0.01
    apart_us = 2e3 * thickness_mm / 6320.0
    rf = np.zeros((n_traces, delay_us.size))
    for k, height in enumerate(heights):
        rf += echo(delay_us, 5.0 + k * apart_us, height, np.pi * (k % 2))
    rng = np.random.default_rng(3)
    rf = scale * (rf + 0.002 * rng.standard_normal(rf.shape))
    return recording_of(rf, method="other", lens_state="none", eye="none", target="plate")


def _settings(engine="auto"):
    gate = et.Gate(interface="near_face", start_us=4, stop_us=6)
    own = TargetGate(method="any", target="plate", gate=gate)
    return et.Settings(gates=(own,), engine=engine)


@pytest.fixture
def plate(tmp_path):
    (tmp_path / "plate.toml").write_text(PLATE, encoding="utf-8")
    return et.read_target(tmp_path / "plate.toml")


def test_a_range_alone_is_no_guess_of_what_lies_in_it(plate, tmp_path):
    assert plate.segments[0].sd_mm == np.inf
    stated = PLATE.replace("range_mm = [3.0, 8.0]", "range_mm = [3.0, 8.0]\nmean_mm = 4.0")
    (tmp_path / "stated.toml").write_text(stated, encoding="utf-8")
    assert et.read_target(tmp_path / "stated.toml").segments[0].sd_mm == 1.25


@pytest.mark.parametrize("engine", ["fused", "plain"])
@pytest.mark.parametrize("thickness_mm", [3.2, 3.7, 6.5])
@pytest.mark.parametrize("heights", [(1, 0.5, 0.3, 0.18, 0.1), (1, 0.9, 0.85, 0.8, 0.75)])
def test_the_first_of_a_train_is_the_wall(plate, engine, thickness_mm, heights):
    result = et.measure(_recording(thickness_mm, heights), _settings(engine), target=plate)
    np.testing.assert_allclose(result.axial_length_mm, thickness_mm, atol=0.01)


def test_words_about_eyes_belong_to_eyes(plate):
    """Whatever is done to the traces of a plate, no cornea is spoken of."""
    train = (1, 0.5, 0.3)
    recordings = {
        "clipped": _recording(3.2, train, scale=40.0),
        "faint": _recording(3.2, (1, 0.006)),
        "noise": _recording(3.2, (0.0,)),
        "far face lost": _recording(3.2, (1.0,)),
    }
    told = {}
    for name, recording in recordings.items():
        receiver = dataclasses.replace(recording.receiver, full_scale=4.0)
        clipped = np.clip(recording.samples, -4.0, 4.0).astype(np.float32)
        recording = dataclasses.replace(recording, samples=clipped, receiver=receiver)
        result = et.measure(recording, _settings(), target=plate)
        told[name] = {
            item for k in range(len(recording.samples)) for item in result.finding_list(k)
        }
        for finding in told[name]:
            text = f"{FINDINGS[finding].says} {FINDINGS[finding].do} {FINDINGS[finding].words}"
            assert not [word for word in EYE_WORDS if re.search(rf"\b{word}", text)], (name, text)
    assert told["clipped"] & {"gain_too_high", "recording_unfit"}
    assert "echo_missing" in told["far face lost"]
    assert "no_echo" in told["noise"]
    assert told["faint"]
