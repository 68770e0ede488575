"""ROC and precision with exact bands, against scipy's exact intervals and a closed form."""

import numpy as np
import pytest
import scipy

import echotrace as et
from echotrace.bounds.detection import exact_band
from echotrace.bounds.outside_picks import outside_decisions
from echotrace.errors import ParameterError


def test_exact_band_is_that_of_clopper_and_pearson():
    hits = np.array([0, 1, 7, 40])
    low, high = exact_band(hits, 40)
    for k, hit in enumerate(hits):
        found = scipy.stats.binomtest(int(hit), 40).proportion_ci(0.95, "exact")
        assert (low[k], high[k]) == pytest.approx((found.low, found.high))


def test_curves_and_matched_false_alarm_rate():
    curves = {c.detector: c for c in et.detection_curves(5.0, n=600)}
    matched, raw = curves["matched_filter"], curves["rf_magnitude"]
    for curve in curves.values():
        assert (np.diff(curve.detected) >= 0).all()
        assert (np.diff(curve.false_alarm) >= 0).all()
        assert (curve.detected_band[0] <= curve.detected).all()
        assert (curve.detected <= curve.detected_band[1]).all()
        # The area is the chance that an echo scores above noise (Mann and Whitney).
        assert 0.5 < curve.area <= 1.0
    # What the filter is for: at one rate of false alarms it finds more.
    found, low, high = matched.at_false_alarm(0.01)
    assert low <= found <= high
    assert low > raw.at_false_alarm(0.01)[2]
    assert matched.area > curves["envelope"].area > raw.area
    # No echo: nothing is told.
    nothing = et.detection_curves(-60.0, n=400, detectors=["matched_filter"])[0]
    assert nothing.area == pytest.approx(0.5, abs=0.06)
    with pytest.raises(ParameterError, match="use one of matched_filter"):
        et.detection_curves(10.0, detectors=["nose"])
    assert len(et.detection_figure(list(curves.values())).axes) == 2


def test_false_alarms_of_noise_are_rayleighs():
    """Of one independent sample of a normal noise's envelope exp(-t^2/2) pass t sigma (Rice 1945).

    In a window of 1 µs there are some band times length independent ones: the count of passes
    falls with the threshold as that law does.
    """
    curve = et.detection_curves(-60.0, n=3000, detectors=["matched_filter"], seed=5)[0]
    # Level is the root mean square of the envelope, sqrt(2) sigma.
    t2 = 2.0 * 10 ** (curve.threshold_db / 10)
    at = [int(np.argmin(np.abs(curve.false_alarm - rate))) for rate in (0.3, 0.03)]
    expected = [-np.log1p(-curve.false_alarm[k]) * np.exp(t2[k] / 2) / np.sqrt(t2[k]) for k in at]
    assert expected[0] == pytest.approx(expected[1], rel=0.2)


def test_outside_picks_enter_the_chain_marked_as_such():
    recording = et.read("synthetic_traces/immersion_sitting.h5")
    ours = et.measure(recording)
    retina = ours.interfaces.index("retina")

    def late(traces):
        return ours.delay_us[:, retina] + 0.1, np.full(traces.n_traces, 0.02)

    decisions = outside_decisions(recording, {"retina": late}, name="late")
    result = et.measure(recording, decisions=decisions)
    moved = result.axial_length_mm - ours.axial_length_mm
    # 0.1 µs of vitreous, there and back: 1532 m/s / 2 (arithmetic).
    assert moved == pytest.approx(np.full(6, 0.0766), abs=2e-3)
    assert result.picked_by_hand(0) == ("retina",)
    assert decisions.picks[0]["retina"].reason == "outside picker late"
    assert decisions.picks[0]["retina"].u_us == 0.02
    gone = outside_decisions(recording, {"retina": lambda r: np.full(r.n_traces, np.nan)}, name="x")
    assert not gone.picks
