"""A template that is measured, kept, looked at and given; a pulse longer than the trace is refused.

Echoes are closed form; the chirped pulse and its delays are made here, not by the package.
"""

import dataclasses
import re

import numpy as np
import pytest
from closed_form import SIGMA_US, recording_of

import echotrace as et
from echotrace.cli import main
from echotrace.errors import EchotraceError, ParameterError
from echotrace.settings import TargetGate, settings_toml
from echotrace.signal.pulse import gaussian_pulse, likeness

RATE_HZ = 1e8
SITTING = "synthetic_traces/immersion_sitting.h5"


def _chirped(delay_us, at_us, height=1.0):
    """A pulse that rises faster than it falls and slides in frequency: no Gaussian."""
    t = delay_us - at_us
    shape = np.exp(-0.5 * (t / np.where(t < 0.0, SIGMA_US, 1.8 * SIGMA_US)) ** 2)
    return height * shape * np.cos(2.0 * np.pi * 9.0 * t + 25.0 * t**2)


def _plate(n=30, noise=0.004, apart_us=2.0):
    rng = np.random.default_rng(5)
    delay_us = np.arange(2000) * 0.01
    front = 5.0 + 0.01 * rng.random((n, 1))
    rf = _chirped(delay_us, front) + _chirped(delay_us, front + apart_us, -0.5)
    rf = rf + noise * rng.standard_normal(rf.shape)
    return recording_of(
        rf.astype(np.float32), method="other", lens_state="none", eye="none", target="plate"
    )


def _target():
    water = et.medium("water")
    wall = et.Segment(name="water", medium=water, mean_mm=1.5, sd_mm=0.4, range_mm=(1.0, 3.0))
    faces = et.Interface(name="front"), et.Interface(name="back")
    return et.Target(
        name="plate", interfaces=faces, segments=(wall,), length_from="front", length_to="back",
        temperature_c=20.0,
    )  # fmt: skip


def _settings(**more):
    gate = et.Gate(interface="front", start_us=4.0, stop_us=6.0)
    return et.Settings(gates=(TargetGate(method="any", target="plate", gate=gate),), **more)


def _given(**changes):
    t = np.arange(-60, 61) * 0.01
    rf = tuple(_chirped(t, 0.0).tolist())
    return et.EchoTemplate(**{"sampling_rate_hz": RATE_HZ, "rf": rf, "centre_us": 0.6} | changes)


@pytest.mark.compiled
def test_a_template_is_measured_on_a_named_echo_and_fits_better():
    recording, target = _plate(), _target()
    template = et.measure_template(recording, "front", settings=_settings(), target=target)
    pulse = template.pulse(RATE_HZ)
    true = _given().pulse(RATE_HZ)
    assert likeness(pulse, true) > 0.999
    assert likeness(gaussian_pulse(RATE_HZ, 1e7, 0.6), true) < 0.95
    plain = et.measure(recording, _settings(), target=target)
    fitted = et.measure(recording, _settings(template=template), target=target)
    apart = [np.diff(result.delay_us, axis=1)[:, 0] for result in (plain, fitted)]
    # Both echoes are shifted alike by whatever template; the right one is less noisy.
    assert abs(apart[1].mean() - 2.0) < 0.0005
    assert apart[1].std() < 0.9 * apart[0].std()
    u_us = np.sqrt(np.mean(np.sum(fitted.delay_u_us**2, axis=1)))
    assert 0.7 < u_us / apart[1].std() < 1.4


@pytest.mark.compiled
def test_what_is_kept_is_what_is_read(tmp_path):
    template = et.measure_template(et.read(SITTING), "cornea_front", scans=[0, 1, 3])
    path = tmp_path / "pulse.toml"
    et.write_template(template, path)
    again = et.read_template(path)
    assert again == template
    settings = et.Settings(template=template)
    assert et.Settings.from_table(settings.to_table()) == settings
    (tmp_path / "whole.toml").write_text(settings_toml(settings), encoding="utf-8")
    assert et.read_settings(tmp_path / "whole.toml") == settings
    (tmp_path / "named.toml").write_text('[template]\nfile = "pulse.toml"\n', encoding="utf-8")
    assert et.read_settings(tmp_path / "named.toml") == settings
    result = et.measure(et.read(SITTING), settings)
    np.testing.assert_allclose(result.axial_length_mm[[0, 1, 3]], 23.40, atol=0.01)
    # Results say by which samples they were read.
    assert '"source": "cornea_front, immersion' in result.settings_json


def test_a_template_is_read_at_any_rate_and_about_its_centre():
    """A Gaussian of known moments, sampled at another rate and off its centre."""
    t = np.arange(90) * 0.02 - 0.731
    rf = np.exp(-0.5 * (t / 0.1) ** 2) * np.cos(2.0 * np.pi * 5.0 * t + 0.7)
    for centre in (0.731, None):
        template = et.EchoTemplate(sampling_rate_hz=5e7, rf=tuple(rf), centre_us=centre)
        for rate_hz in (4e7, 5e7, 1e8):
            pulse = template.pulse(rate_hz)
            at = np.arange(-pulse.half_length, pulse.half_length + 1) / rate_hz * 1e6
            near = np.abs(at) < 0.5
            expected = np.exp(-0.5 * (at / 0.1) ** 2)
            np.testing.assert_allclose(np.abs(pulse.analytic)[near], expected[near], atol=0.01)
            assert pulse.centre_frequency_hz == pytest.approx(5e6, rel=0.01)
            assert pulse.width_us == pytest.approx(0.2355, rel=0.02)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"rf": (0.0,) * 40}, "not all zero"),
        ({"rf": (1.0, 2.0)}, "give 8 to 4096"),
        ({"rf": (1.0, np.nan) * 20}, "finite"),
        ({"rf": tuple(np.cos(np.arange(60)))}, "cut off"),
        ({"centre_us": 9.0}, "centre_us=9.0 must lie between 0 and 1.2"),
        ({"sampling_rate_hz": 100.0}, "sampling_rate_hz=100.0"),
    ],
)
def test_a_broken_template_is_refused(changes, says):
    with pytest.raises(ParameterError, match=says):
        _given(**changes)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("sampling_rate_hz = 1e8\n", "rf must be given"),
        ('sampling_rate_hz = 1e8\nrf = "loud"\n', "rf must be a list"),
        ("sampling_rate_hz = 1e8\nrf = [1, 'x']\n", "rf, sample 2"),
        ("sampling_rate = 1e8\nrf = [1]\n", "sampling_rate_hz"),
    ],
)
def test_a_broken_file_names_its_place(tmp_path, text, says):
    path = tmp_path / "pulse.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(EchotraceError, match=says) as error:
        et.read_template(path)
    assert "pulse.toml" in str(error.value)


def test_what_does_not_go_together_is_refused(tmp_path):
    picking = dataclasses.replace(et.Settings().picking, template="recording")
    with pytest.raises(ParameterError, match="take one of the two out"):
        et.Settings(template=_given(), picking=picking)
    with pytest.raises(ParameterError, match="half the recording's sampling rate"):
        _given().pulse(1.5e7)
    (tmp_path / "s.toml").write_text('[template]\nfile = "none.toml"\n', encoding="utf-8")
    with pytest.raises(EchotraceError, match=r"none\.toml"):
        et.read_settings(tmp_path / "s.toml")


@pytest.mark.compiled
def test_an_echo_that_does_not_stand_free_is_no_template():
    recording = et.read(SITTING)
    with pytest.raises(ParameterError, match="the recording has cornea_front"):
        et.measure_template(recording, "cornae")
    with pytest.raises(ParameterError, match="stands free in none"):
        et.measure_template(recording, "sclera", scans=[4])
    with pytest.raises(ParameterError, match="traces 0 to 5"):
        et.measure_template(recording, "retina", scans=[9])


@pytest.mark.compiled
def test_the_command_keeps_and_draws(tmp_path, capsys):
    pulse, picture = tmp_path / "pulse.toml", tmp_path / "pulse.png"
    words = ["template", SITTING, "--echo", "cornea_front", "--scan", "1", "2"]
    assert main([*words, "-o", str(pulse), "--figure", str(picture)]) == 0
    said = capsys.readouterr().out
    assert "scans 1 and 2:" in said
    assert re.search(r"carrier (9\.[89]\d?|10\S*) MHz, as described 10 MHz", said)
    assert "likeness" in said
    assert picture.stat().st_size > 10_000
    assert main(["measure", SITTING, "--template", str(pulse)]) == 0
    assert "template measured: cornea_front, immersion" in capsys.readouterr().out
    assert main(["template", SITTING, "--echo", "nothing"]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_a_pulse_longer_than_the_trace_is_refused():
    recording = et.read(SITTING)
    slow = dataclasses.replace(recording.probe, centre_frequency_hz=1e5)
    with pytest.raises(EchotraceError, match=r"pulse .* is longer than a trace, which has .* µs"):
        et.measure(dataclasses.replace(recording, probe=slow))
    short = recording.select(slice(0, 1))
    short = dataclasses.replace(short, samples=np.asarray(short.samples)[:, :40], truth=None)
    with pytest.raises(EchotraceError, match="record longer"):
        et.measure(short)
    with pytest.raises(EchotraceError, match="longer than a trace"):
        et.condition(np.zeros(40), pulse=gaussian_pulse(RATE_HZ, 1e7, 0.6))
