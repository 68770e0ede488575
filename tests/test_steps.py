"""The chain's steps on plain arrays, as README shows them: one trace or many, no target for a gate.

Echoes are closed form.
"""

import re
from pathlib import Path

import numpy as np
import pytest
from closed_form import echo

import echotrace as et
from echotrace.errors import ParameterError

T_US = np.arange(3000) * 0.01
FACE_US, BACK_US = 5.003, 9.1234
PULSE = et.gaussian_pulse(1e8, 1e7, 0.6)
GATES = [
    et.Gate(interface="face", start_us=4.0, stop_us=6.0),
    et.Gate(interface="back", start_us=2.0, stop_us=6.0, relative_to="face"),
]


def _rf(n):
    rf = echo(T_US, FACE_US) + echo(T_US, BACK_US, 0.4, np.pi)
    return rf + 0.002 * np.random.default_rng(3).standard_normal((n, T_US.size))


def _steps(rf):
    undone = et.undo_receiver(rf, T_US, None)
    traces = et.condition(undone.amplitude, undone.clipped, pulse=PULSE)
    picks = et.pick_echoes(traces, None, et.echoes_in_gates(et.find_echoes(traces), GATES))
    return undone, traces, picks


def test_one_trace_is_the_first_of_many():
    rf = _rf(3)
    undone, traces, picks = _steps(rf)
    one, alone, pick = _steps(rf[0])
    assert one.amplitude.shape == one.clipped.shape == (T_US.size,)
    np.testing.assert_array_equal(one.amplitude, undone.amplitude[0])
    np.testing.assert_array_equal(alone.envelope[0], traces.envelope[0])
    np.testing.assert_array_equal(pick.sample[0], picks.sample[0])
    delay_us = traces.to_delay_us(picks.sample)
    np.testing.assert_allclose(delay_us, np.tile([FACE_US, BACK_US], (3, 1)), atol=2e-3)
    water = et.medium("water")
    lengths = et.measure_lengths(delay_us, picks.u_sample * 0.01, [water])
    expected = (BACK_US - FACE_US) * water.speed_m_per_s * 5e-4
    np.testing.assert_allclose(lengths.total_mm, expected, atol=3e-3)
    single = et.measure_lengths(delay_us[0], picks.u_sample[0] * 0.01, [water])
    assert single.total_mm == lengths.total_mm[0]
    assert single.segment_mm.tolist() == lengths.segment_mm[0].tolist()
    assert single.budget_mm["picks"] == lengths.budget_mm["picks"][0]
    assert single.assumed.tolist() == [False]


def test_echoes_are_picked_by_place_whatever_the_shape():
    _, traces, picks = _steps(_rf(3))
    at = np.rint(picks.sample).astype(int)
    for trace_idx, sample_idx in (
        (np.arange(3)[:, None], at),
        (None, at),
        (np.repeat(np.arange(3), 2), at.ravel()),
    ):
        found = et.pick_echoes(traces, trace_idx, sample_idx)
        assert found.sample.shape == np.shape(sample_idx)
        np.testing.assert_allclose(found.sample.ravel(), picks.sample.ravel(), atol=1e-9)
    assert et.pick_echoes(traces, 1, at[1]).sample.tolist() == picks.sample[1].tolist()
    gone = np.array([[at[0, 0], -1], [-1, -1], [-1, at[2, 1]]])
    found = et.pick_echoes(traces, None, gone)
    np.testing.assert_array_equal(np.isnan(found.sample), gone < 0)
    np.testing.assert_array_equal(found.reason == et.PickReason.NO_ECHO, gone < 0)
    assert found.sample[2, 1] == picks.sample[2, 1]
    assert np.isnan(et.pick_echoes(traces, None, np.full((3, 2), -1)).sample).all()


def test_gates_need_no_target():
    echoes = et.find_echoes(_steps(_rf(2))[1])
    assert et.echoes_in_gates(echoes, GATES[:1]).tolist() == [[500], [500]]
    empty = et.Gate(interface="none", start_us=15.0, stop_us=20.0)
    assert et.echoes_in_gates(echoes, [*GATES, empty])[:, 2].tolist() == [-1, -1]
    behind = et.Gate(interface="back", start_us=1.0, stop_us=2.0, relative_to="none")
    assert et.echoes_in_gates(echoes, [empty, behind]).tolist() == [[-1, -1]] * 2
    for gates, said in (
        ([], "one gate at least"),
        ([GATES[0], GATES[0]], "'face' is given twice"),
        ([GATES[1], GATES[0]], "must come before it"),
        ([GATES[1]], "has no interface 'face'"),
    ):
        with pytest.raises(ParameterError, match=said):
            et.echoes_in_gates(echoes, gates)


def test_envelopes_go_the_same_way():
    envelope = np.abs(echo(T_US, FACE_US, frequency=0.0)) + 0.001
    traces = et.condition(envelope, pulse=PULSE, signal="envelope")
    assert traces.rf is None
    picks = et.pick_echoes(traces, None, et.find_echoes(traces).sample[:, :1])
    assert picks.sample[0, 0] * 0.01 == pytest.approx(FACE_US, abs=0.01)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: et.undo_receiver(np.zeros((1, 2, 3)), T_US[:3], None), "samples must be"),
        (lambda: et.condition(np.zeros((1, 2, 300)), pulse=PULSE), "amplitude and clipped must"),
        (lambda: et.condition(np.zeros(0), pulse=PULSE), "amplitude and clipped must"),
        (
            lambda: et.condition(np.zeros(300), np.zeros(299, bool), pulse=PULSE),
            r"got shapes \(1, 300\) and \(1, 299\)",
        ),
        (lambda: et.condition(np.zeros(300), pulse=PULSE, sampling_rate_hz=9e7), "is sampled at"),
        (lambda: et.condition(np.zeros(300), pulse=PULSE, signal="video"), "signal='video'"),
        (lambda: et.pick_echoes(_steps(_rf(2))[1], None, np.array([500])), "for 2 traces give"),
        (lambda: et.pick_echoes(_steps(_rf(2))[1], 2, np.array([500])), "trace_idx must lie"),
        (lambda: et.pick_echoes(_steps(_rf(2))[1], 0, np.array([3000])), "sample_idx must lie"),
        (lambda: et.pick_echoes(_steps(_rf(2))[1], 0, np.array([5.0])), "whole numbers"),
        (
            lambda: et.pick_echoes(_steps(_rf(2))[1], np.arange(2), np.zeros((1, 3), int)),
            "must fit each other",
        ),
        (lambda: et.measure_lengths([1.0], [0.1], [et.medium("water")]), "has 2 interfaces"),
        (lambda: et.measure_lengths([1.0, 2.0], [0.1, 0.1], []), "the medium of each segment"),
        (lambda: et.measure_lengths(1.0, 0.1, [et.medium("water")]), "delay_us has shape"),
    ],
)
def test_arrays_that_cannot_be_are_one_error(call, said):
    with pytest.raises(ParameterError, match=said):
        call()


def test_the_example_of_the_readme_runs():
    page = (Path(__file__).parents[1] / "README.md").read_text("utf-8")
    (code,) = re.findall(r"<!-- steps -->\n```python\n(.*?)```", page, re.S)
    found = {}
    exec(code, found)
    np.testing.assert_allclose(found["delay_us"], [[5.0, 8.0]] * 5, atol=2e-3)
    speed = et.medium("pmma").speed_m_per_s
    np.testing.assert_allclose(found["lengths"].total_mm, 3.0 * speed * 5e-4, atol=3e-3)
    assert found["picks"].sample.shape == (5, 2)
