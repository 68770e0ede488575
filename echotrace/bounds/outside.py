"""Pickers that are not ours: any callable of a recording, and those of general-purpose libraries.

An outside picker is called with a :class:`~echotrace.recording.Recording` and gives the delay of
one echo for each trace, µs after delay zero (NaN: none found), or a pair of delays and standard
uncertainties. What it measures is its own affair: onset pickers read early, and that shows as
bias. Wherever its picks appear they are marked as outside picks.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.recording import Recording
from echotrace.text_out import visible

__all__ = ["OutsidePicker", "OUTSIDE_MARK", "library_pickers", "outside_delays"]

Float = NDArray[np.float64]
OutsidePicker = Callable[[Recording], Any]
OUTSIDE_MARK = "outside"
"""What marks a picker that is not ours in tables, figures and attributes."""


def outside_delays(
    picker: OutsidePicker, recording: Recording, name: str = "picker"
) -> tuple[Float, Float]:
    """Call an outside picker and check what it gives.

    Parameters
    ----------
    picker : callable
        ``picker(recording)`` gives delays, or (delays, standard uncertainties), µs, one a trace.
    recording : Recording
    name : str
        Named in errors.

    Returns
    -------
    delay_us, u_us : ndarray of float64, (n_traces,)
        NaN where nothing was found, and where no uncertainty is stated.

    Raises
    ------
    ParameterError
        It gives something else, or fails.

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> from echotrace.bounds.outside import outside_delays
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> def tallest(traces):
    ...     return traces.delay_us[np.abs(traces.samples.astype(float)).argmax(axis=1)]
    >>> delay_us, u_us = outside_delays(tallest, recording, "tallest")
    >>> delay_us.shape, bool(np.isnan(u_us).all())
    ((6,), True)
    """
    called = f"outside picker {visible(name)!r}"
    try:
        found = picker(recording)
    except Exception as error:
        raise ParameterError(f"{called} failed: {type(error).__name__}: {error}") from error
    delays, uncertainties = found if isinstance(found, tuple) else (found, np.nan)
    try:
        delay_us = np.array(delays, np.float64)
        u_us = np.array(np.broadcast_to(np.asarray(uncertainties, np.float64), delay_us.shape))
    except (TypeError, ValueError):
        raise ParameterError(
            f"{called} must give numbers: delays in µs, or a pair of delays and uncertainties"
        ) from None
    if delay_us.shape != (recording.n_traces,):
        raise ParameterError(
            f"{called} gave delays of shape {delay_us.shape} for {recording.n_traces} traces; one "
            "a trace is wanted, NaN where there is none"
        )
    if np.isinf(delay_us).any() or (u_us < 0.0).any():
        raise ParameterError(f"{called} gave an infinite delay or an uncertainty below zero")
    return delay_us, u_us


def library_pickers() -> Mapping[str, OutsidePicker]:
    """Pickers of general-purpose libraries that are installed here.

    Returns
    -------
    mapping of str to callable
        ``scipy_find_peaks`` (tallest peak of the Hilbert envelope), and where obspy is installed
        (extra ``bench``) ``obspy_aic``, ``obspy_ar_aic`` and ``obspy_trigger``, made for
        earthquakes.

    Examples
    --------
    >>> from echotrace.bounds.outside import library_pickers
    >>> "scipy_find_peaks" in library_pickers()
    True
    """
    found: dict[str, OutsidePicker] = {"scipy_find_peaks": _scipy_find_peaks}
    if importlib.util.find_spec("obspy") is not None:
        found |= {
            "obspy_aic": _obspy_aic,
            "obspy_ar_aic": _obspy_ar_aic,
            "obspy_trigger": _obspy_trigger,
        }
    return found


def _at(recording: Recording, sample: Float) -> Float:
    step_us = 1e6 / recording.sampling_rate_hz
    return np.asarray(recording.start_delay_us + sample * step_us)


def _scipy_find_peaks(recording: Recording) -> Float:
    envelope = np.abs(scipy.signal.hilbert(np.asarray(recording.samples, np.float64), axis=1))
    sample = np.full(recording.n_traces, np.nan)
    for i, row in enumerate(envelope):
        peaks, _ = scipy.signal.find_peaks(row)
        if peaks.size:
            sample[i] = peaks[np.argmax(row[peaks])]
    return _at(recording, sample)


def _before_tallest(rf: Float, reach: int) -> tuple[int, int]:
    """Where to look for the onset of the tallest echo."""
    top = int(np.argmax(np.abs(rf)))
    return max(0, top - reach), top + 1


def _reach(recording: Recording) -> int:
    # Ten periods of the carrier: noise and rise in about equal parts.
    return round(10.0 * recording.sampling_rate_hz / recording.probe.centre_frequency_hz)


def _obspy_aic(recording: Recording) -> Float:
    from obspy.signal.trigger import aic_simple

    sample = np.full(recording.n_traces, np.nan)
    for i, rf in enumerate(np.asarray(recording.samples, np.float64)):
        first, stop = _before_tallest(rf, _reach(recording))
        if stop - first > 10:
            sample[i] = first + int(np.argmin(aic_simple(rf[first:stop])))
    return _at(recording, sample)


def _obspy_ar_aic(recording: Recording) -> Float:
    from obspy.signal.trigger import ar_pick

    rate, centre = recording.sampling_rate_hz, recording.probe.centre_frequency_hz
    half = 0.5 * recording.probe.fractional_bandwidth
    # Its rates and bands are those of earthquakes: time is told to it a million times slower.
    rate, low, high = (x * 1e-6 for x in (rate, centre * (1.0 - half), centre * (1.0 + half)))
    period = 1.0 / (centre * 1e-6)
    sample = np.full(recording.n_traces, np.nan)
    for i, rf in enumerate(np.asarray(recording.samples, np.float64)):
        onset, _ = ar_pick(
            rf, rf, rf, rate, low, min(high, 0.49 * rate), 10.0 * period, 2.0 * period,
            10.0 * period, 2.0 * period, 2, 8, 2.0 * period, 2.0 * period, s_pick=False,
        )  # fmt: skip
        sample[i] = onset * rate if onset > 0.0 else np.nan
    return _at(recording, sample)


def _obspy_trigger(recording: Recording) -> Float:
    from obspy.signal.trigger import recursive_sta_lta, trigger_onset

    period = recording.sampling_rate_hz / recording.probe.centre_frequency_hz
    sample = np.full(recording.n_traces, np.nan)
    for i, rf in enumerate(np.asarray(recording.samples, np.float64)):
        ratio = recursive_sta_lta(rf, max(2, round(period)), round(20.0 * period))
        on = trigger_onset(ratio, 0.6 * ratio.max(), 0.3 * ratio.max())
        if len(on):
            sample[i] = on[0][0]
    return _at(recording, sample)
