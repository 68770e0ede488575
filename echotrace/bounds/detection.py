"""Is there an echo: detectors by their ROC and precision-recall curves, with exact bands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.bounds.picker_trials import isolated_echoes
from echotrace.errors import ParameterError
from echotrace.recording import Signal
from echotrace.signal.conditioning import condition
from echotrace.signal.pulse import Pulse, gaussian_pulse

__all__ = ["DETECTORS", "DetectionCurve", "detection_curves", "exact_band"]

Float = NDArray[np.float64]

DETECTORS = ("matched_filter", "envelope", "rf_magnitude")
"""Matched envelope, plain envelope, and the samples themselves, each over its own noise."""
_CONFIDENCE = 0.95


def exact_band(hits: NDArray[np.integer], n: int, confidence: float = _CONFIDENCE) -> Float:
    """Exact interval of a share, of Clopper and Pearson.

    Parameters
    ----------
    hits : ndarray of int, (k,)
    n : int
        Trials.
    confidence : float

    Returns
    -------
    ndarray of float64, (2, k)
        Lower and upper ends.

    Notes
    -----
    Clopper CJ, Pearson ES 1934, Biometrika 26:404 (value from memory).

    Examples
    --------
    >>> import numpy as np
    >>> exact_band(np.array([0, 10]), 10).round(4).tolist()
    [[0.0, 0.6915], [0.3085, 1.0]]
    """
    hits = np.asarray(hits)
    tail = 0.5 * (1.0 - confidence)
    low = np.where(hits > 0, scipy.special.betaincinv(np.maximum(hits, 1), n - hits + 1, tail), 0.0)
    high = np.where(
        hits < n, scipy.special.betaincinv(hits + 1, np.maximum(n - hits, 1), 1.0 - tail), 1.0
    )
    return np.array([low, high])


@dataclass(frozen=True, slots=True, kw_only=True)
class DetectionCurve:
    """How one detector tells windows with an echo from windows of noise.

    Attributes
    ----------
    detector : str
    snr_db : float
        Peak of the echo's envelope over the noise of one sample, dB.
    threshold_db : ndarray of float64, (k,)
        Over the detector's own noise, falling.
    false_alarm, detected : ndarray of float64, (k,)
        Share of noise windows, and of windows with an echo, that pass.
    false_alarm_band, detected_band : ndarray of float64, (2, k)
        95 % exact intervals.
    precision, precision_band : ndarray of float64, (k,) and (2, k)
        Share of what passes that is an echo, as many windows holding one as not.
    area : float
        Below the ROC curve.
    n : int
        Windows of each kind.

    Examples
    --------
    >>> import echotrace as et
    >>> curve = et.detection_curves(20.0, n=64)[0]
    >>> curve.detector, curve.area
    ('matched_filter', 1.0)
    """

    detector: str
    snr_db: float
    threshold_db: Float
    false_alarm: Float
    detected: Float
    false_alarm_band: Float
    detected_band: Float
    precision: Float
    precision_band: Float
    area: float
    n: int

    def at_false_alarm(self, rate: float) -> tuple[float, float, float]:
        """Detection at a matched false-alarm rate, and its exact interval.

        Parameters
        ----------
        rate : float
            The threshold is the lowest whose share of noise windows is at most this.

        Returns
        -------
        detected, low, high : float
        """
        k = int(np.flatnonzero(self.false_alarm <= rate)[-1])
        low, high = self.detected_band[:, k]
        return float(self.detected[k]), float(low), float(high)


def detection_curves(
    snr_db: float,
    *,
    pulse: Pulse | None = None,
    n: int = 2000,
    detectors: Sequence[str] = DETECTORS,
    seed: int = 1,
) -> list[DetectionCurve]:
    """Curves of detectors on the same windows, with and without an echo.

    Parameters
    ----------
    snr_db : float
        Peak of the envelope over the standard deviation of the noise of one sample, dB.
    pulse : Pulse, optional
        None: Gaussian, 10 MHz, 60 %, at 100 MHz.
    n : int
        Windows of each kind, 1 µs long.
    detectors : sequence of str
        Of :data:`DETECTORS`.
    seed : int

    Returns
    -------
    list of DetectionCurve

    Raises
    ------
    ParameterError
        An unknown detector, or too few windows.

    Examples
    --------
    >>> import echotrace as et
    >>> curves = et.detection_curves(4.0, n=200)
    >>> curves[0].area > curves[2].area
    True
    """
    unknown = set(detectors) - set(DETECTORS)
    if unknown:
        raise ParameterError(f"detector={sorted(unknown)[0]!r}: use one of {', '.join(DETECTORS)}")
    if n < 16:
        raise ParameterError(f"n={n!r} must be at least 16 windows of each kind")
    pulse = pulse or gaussian_pulse(100e6, 10e6, 0.6)
    rng = np.random.default_rng(seed)
    with_echo, _ = isolated_echoes(pulse, snr_db, n, rng)
    noise, _ = isolated_echoes(pulse, snr_db, n, rng, height=0.0)
    scores = [_scores(rf, pulse) for rf in (noise, with_echo)]
    return [_curve(name, snr_db, scores[0][name], scores[1][name]) for name in detectors]


def _scores(rf: NDArray[np.float32], pulse: Pulse) -> dict[str, Float]:
    """Tallest value of each detector in the middle of every trace, dB over its own noise."""
    traces = condition(
        rf,
        np.zeros(rf.shape, np.bool_),
        signal=Signal.RF,
        sampling_rate_hz=pulse.sampling_rate_hz,
        start_delay_us=0.0,
        pulse=pulse,
    )
    half = round(0.5 * pulse.sampling_rate_hz * 1e-6) + 1
    middle = slice(rf.shape[1] // 2 - half, rf.shape[1] // 2 + half + 1)
    # The noise of each is that of the same record, whose other parts hold nothing else.
    quiet = np.r_[0 : middle.start - 2 * half, middle.stop + 2 * half : rf.shape[1]]
    found = {}
    for name, rows in (
        ("matched_filter", traces.matched_envelope),
        ("envelope", traces.envelope),
        ("rf_magnitude", np.abs(rf)),
    ):
        rows = np.asarray(rows, np.float64)
        level = np.sqrt(np.mean(rows[:, quiet] ** 2, axis=1))
        found[name] = 20.0 * np.log10(rows[:, middle].max(axis=1) / level)
    return found


def _curve(name: str, snr_db: float, noise: Float, echo: Float) -> DetectionCurve:
    n = noise.size
    threshold = np.concatenate([[np.inf], np.sort(np.concatenate([noise, echo]))[::-1]])
    alarms, hits = (
        n - np.searchsorted(np.sort(values), threshold, side="left") for values in (noise, echo)
    )
    passed = np.maximum(alarms + hits, 1)
    bands = [exact_band(h, int(p))[:, 0] for h, p in zip(hits[:, None], passed, strict=True)]
    return DetectionCurve(
        detector=name,
        snr_db=snr_db,
        threshold_db=threshold,
        false_alarm=alarms / n,
        detected=hits / n,
        false_alarm_band=exact_band(alarms, n),
        detected_band=exact_band(hits, n),
        precision=np.where(alarms + hits > 0, hits / passed, 1.0),
        precision_band=np.array(bands).T,
        area=float(np.trapezoid(hits / n, alarms / n)),
        n=n,
    )
