"""Features and findings: what raises each, what does not, and that gain moves none."""

import numpy as np
import pytest
from closed_form import LE_GRAND_US, SIGMA_US, echo, eye_traces, recording_of

from echotrace.chain.measure import measure
from echotrace.errors import ParameterError
from echotrace.quality.finding_list import FINDINGS, Severity
from echotrace.quality.findings import describe_finding, rank_findings, rejecting_bits
from echotrace.quality.limits import QualityLimits
from echotrace.recording import Receiver
from echotrace.settings import Settings
from echotrace.signal.receiver import apply_receiver

T = np.arange(5200) * 0.01
RETINA_US = 10.0 + LE_GRAND_US[4]


def _found(samples, **changes):
    result = measure(recording_of(samples, **changes))
    return [set(result.finding_list(k)) for k in range(result.n_traces)], result


def test_a_good_trace_has_no_finding():
    found, result = _found(eye_traces(5))
    assert all(not names for names in found)
    assert result.accepted.all()
    assert (result.length_right > 0.5).all()


def test_rise_of_an_undistorted_echo():
    """10-90 % rise of a Gaussian: 1.687 sigma; the detector widens it by its own band."""
    _, result = _found(eye_traces(3, noise=0.0005))
    detector = np.sqrt(2 * np.log(2)) / (np.pi * 9.0)
    expected = 1.6868 * np.hypot(SIGMA_US, detector)
    for name in ("cornea_front", "lens_front", "lens_back", "retina"):
        assert result.features[f"rise_us_{name}"] == pytest.approx(expected, rel=0.02)
    assert result.features["retina_rise_ratio"] == pytest.approx(1.0, abs=0.02)


def test_levels_are_decibels_over_the_noise():
    _, result = _found(eye_traces(8, noise=0.004))
    front, back = (result.features[f"level_db_{n}"] for n in ("cornea_front", "lens_front"))
    # Amplitudes 1.0 and 0.6 apart.
    assert np.mean(front - back) == pytest.approx(20 * np.log10(1 / 0.6), abs=0.1)


@pytest.mark.parametrize("gain_db", [-10.0, 0.0, 15.0])
def test_gain_moves_no_feature(gain_db):
    """The same echoes through another gain and TGC, described: figures within the noise."""
    amplitude = eye_traces(4, seed=3) * 0.02
    receiver = Receiver(tgc_delay_us=(12.0, 45.0), tgc_gain_db=(0.0, 12.0), full_scale=4.0, bits=16)
    samples = apply_receiver(amplitude, T, receiver, 10.0 + gain_db)
    reference = measure(recording_of(amplitude, receiver=Receiver(full_scale=4.0)))
    result = measure(recording_of(samples, receiver=receiver, gain_db=10.0 + gain_db))
    np.testing.assert_array_equal(result.findings, reference.findings)
    np.testing.assert_allclose(result.axial_length_mm, reference.axial_length_mm, atol=5e-4)
    for name, values in reference.features.items():
        # Within the lens and behind it is only noise here, of which the converter is part.
        levels = name.startswith("level_db") or name.endswith("_db")
        if levels and not name.startswith(("lens_echo", "vitreous_")):
            np.testing.assert_allclose(result.features[name], values, atol=1.5, err_msg=name)


def _clipped():
    return np.clip(eye_traces(1) * 12, -1, 1), {"receiver": Receiver(full_scale=1.0)}


def _weak():
    return eye_traces(1, noise=0.35, amplitudes=(2, 2, 2, 2, 1.0)), {}


def _slow_retina():
    rf = eye_traces(1, skip=(4,))
    rf = rf + echo(T, RETINA_US, 0.3, sigma=3.5 * SIGMA_US).astype(np.float32)
    return rf, {}


def _low_retina():
    return eye_traces(1, noise=0.0003, amplitudes=(1.0, 0.9, 0.6, 0.55, 0.01)), {}


def _nerve():
    return eye_traces(1, with_wall=False), {}


def _oblique_lens():
    return eye_traces(1, amplitudes=(1.0, 0.9, 0.1, 0.55, 0.5)), {}


def _floater():
    rf = eye_traces(1)
    return rf + echo(T, RETINA_US - 8.0, 0.2).astype(np.float32), {}


def _close_call():
    rf = eye_traces(1)
    return rf + echo(T, 10.0 + LE_GRAND_US[3] + 0.5, 0.55).astype(np.float32), {}


def _no_retina():
    return eye_traces(1, skip=(4,), with_wall=False), {}


def _blink():
    rf = 0.003 * np.random.default_rng(0).standard_normal((1, 5200))
    return rf + echo(T, 0.4, 2.0), {}


def _gas():
    return eye_traces(1), {"vitreous": "gas"}


def _unknown_receiver():
    return eye_traces(1), {"receiver": None}


def _hidden_cornea():
    return eye_traces(1, skip=(1,)), {}


CASES = {
    "gain_too_high": _clipped,
    "gain_too_low": _weak,
    "retina_not_steep": _slow_retina,
    "retina_low": _low_retina,
    "no_wall_behind_retina": _nerve,
    "lens_echoes_unbalanced": _oblique_lens,
    "echo_in_vitreous": _floater,
    "choice_uncertain": _close_call,
    "echo_missing": _no_retina,
    "no_echo": _blink,
    "gas_filling": _gas,
    "receiver_unknown": _unknown_receiver,
    "cornea_assumed": _hidden_cornea,
}


@pytest.mark.parametrize("name", CASES)
def test_each_finding_is_raised_by_its_cause(name):
    samples, changes = CASES[name]()
    (found,), result = _found(samples, **changes)
    assert name in found
    if FINDINGS[name].severity is Severity.REJECT:
        assert not result.accepted[0]


def test_an_unsure_pick_is_told():
    settings = Settings(quality=QualityLimits(max_length_u_mm=1e-5))
    result = measure(recording_of(eye_traces(1)), settings)
    assert "pick_uncertain" in result.finding_list(0)
    assert result.accepted[0]


def test_a_clipped_echo_has_no_height():
    samples, changes = _clipped()
    _, result = _found(samples, **changes)
    assert np.isnan(result.features["level_db_cornea_front"][0])
    assert result.features["clipped_samples"][0] > 2
    assert result.features["clipped_fraction"][0] > 0


def test_bath_repeats_are_no_opacities():
    """The bath sends the cornea a second time, one passage later: here 5 mm before the retina."""
    rf = eye_traces(1, cornea_us=24.0, n_samples=7000)
    t = np.arange(7000) * 0.01
    repeat = rf + echo(t, 48.0, 0.15).astype(np.float32)
    other = rf + echo(t, 46.0, 0.15).astype(np.float32)
    assert "echo_in_vitreous" not in _found(repeat)[0][0]
    assert "echo_in_vitreous" in _found(other)[0][0]


def test_findings_read_as_sentences():
    features = {"retina_rise_ratio": 2.44}
    text = describe_finding("retina_not_steep", features, QualityLimits())
    assert text.startswith("The retinal echo rises slowly")
    assert "2.4 times that of an undistorted echo; at most 2.2 wanted." in text
    assert text.endswith("straight from the baseline; then capture again.")
    assert describe_finding("gas_filling", {}).count(".") == 2
    close = describe_finding("retina_low", {"retina_against_lens_db": -33.02}, QualityLimits())
    assert "-33.0 dB, just under the -33 dB wanted" in close
    over = {"orbit_level_db": 30.0, "retina_over_wall_db": 22.0}
    text = describe_finding("no_wall_behind_retina", over, QualityLimits())
    assert "Retina over all that follows: 22.0 dB; at most 18 dB wanted." in text
    silent = {"orbit_level_db": 1.0, "retina_over_wall_db": 22.0}
    text = describe_finding("no_wall_behind_retina", silent, QualityLimits())
    assert "Orbital echoes over the noise: 1.0 dB; at least 3 dB wanted." in text
    with pytest.raises(ParameterError, match="unknown finding"):
        describe_finding("looks_odd", {})
    for name in FINDINGS:
        sentence = describe_finding(name, {})
        assert sentence[0].isupper()
        assert sentence.endswith(".")


def test_findings_are_ranked_by_the_error_they_can_cause():
    ranked = rank_findings(
        ["receiver_unknown", "length_doubtful", "lens_echo_clipped", "repeat_taken", "echo_missing"]
    )
    assert ranked == [
        "echo_missing",
        "repeat_taken",
        "lens_echo_clipped",
        "length_doubtful",
        "receiver_unknown",
    ]
    sizes = [FINDINGS[name].error_mm for name in rank_findings(set(FINDINGS) - {"length_doubtful"})]
    severe = [FINDINGS[name].severity is not Severity.NOTE for name in rank_findings(FINDINGS)]
    assert severe == sorted(severe, reverse=True)
    assert sizes[: sum(severe) - 1] == sorted(sizes[: sum(severe) - 1], reverse=True)
    assert len(FINDINGS) <= 64
    assert int(rejecting_bits()) > 0
