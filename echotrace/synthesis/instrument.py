"""What an instrument displays of a scan, and an operator who stops when its readings agree.

The measuring chain never reads this: a reading is part of the truth, there to compare with. Off by
default. Nothing here copies an instrument, and no default was tuned to a published spread.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.signal.receiver import db_to_ratio
from echotrace.synthesis.probe import Disc, pulse_sigma_us
from echotrace.synthesis.sections import InstrumentSection, OperatorSection
from echotrace.target import Target

__all__ = ["attempts_kept", "displayed_length_mm", "first_crossing_us"]


def first_crossing_us(
    envelope: NDArray[np.float64],
    delay_us: NDArray[np.float64],
    threshold: float,
    start_us: float,
    stop_us: float,
) -> float:
    """Where an envelope first reaches a threshold inside a gate.

    Parameters
    ----------
    envelope : ndarray of float64, (n_samples,)
    delay_us : ndarray of float64, (n_samples,)
        Evenly spaced, µs.
    threshold : float
        In the unit of the envelope.
    start_us, stop_us : float
        The gate, µs.

    Returns
    -------
    float
        µs, between samples by a straight line; the gate's start where the envelope lies above the
        threshold there already; NaN where it never reaches it.

    Examples
    --------
    >>> first_crossing_us(np.array([0.0, 0.0, 1.0, 0.0]), np.arange(4.0), 0.5, 0.0, 3.0)
    1.5
    """
    rows = np.flatnonzero((delay_us >= start_us) & (delay_us <= stop_us))
    above = rows[envelope[rows] >= threshold]
    if above.size == 0:
        return math.nan
    k = int(above[0])
    if k == rows[0]:
        return float(delay_us[k])
    part = (threshold - envelope[k - 1]) / (envelope[k] - envelope[k - 1])
    return float(delay_us[k - 1] + part * (delay_us[k] - delay_us[k - 1]))


def displayed_length_mm(
    section: InstrumentSection,
    disc: Disc,
    target: Target,
    arrival_us: Sequence[float] | NDArray[np.float64],
    delay_us: NDArray[np.float64],
    samples: NDArray[np.floating],
    full_scale: float,
    *,
    contact: bool,
) -> float:
    """The length that an instrument displays of one scan.

    Parameters
    ----------
    section : InstrumentSection
    disc : Disc
    target : Target
        Whose interfaces and sound speeds the instrument goes by.
    arrival_us : array_like, (n_interfaces,)
        Exact arrival at each interface of the target, µs.
    delay_us : ndarray of float64, (n_samples,)
    samples : ndarray, (n_samples,)
        As the receiver gives them.
    full_scale : float
        Of the samples.
    contact : bool
        The length begins at the probe's face, whose delay the instrument knows.

    Returns
    -------
    float
        mm, in steps of ``step_mm``; NaN where a gate stayed empty.

    Notes
    -----
    With ``gate = "first_crossing"`` each gate begins ``gate_before_mm`` ahead of the arrival (a
    person sets it by what the display shows: common practice, no source) and ends as far behind.
    It takes where the envelope first reaches ``threshold_db``, corrected by as much as that
    lies ahead of the crest of an echo that just reaches full scale: a low echo is taken late, and
    a change of height from scan to scan moves the reading.

    Examples
    --------
    >>> from echotrace.synthesis.sections import InstrumentSection
    >>> from echotrace.target import eye_target
    >>> display, target = InstrumentSection(step_mm=0.01), eye_target("aphakic")
    >>> arrival_us, no = [14.3, 15.0, 45.9, 46.6], np.zeros(16)
    >>> displayed_length_mm(display, Disc(), target, arrival_us, no, no, 1.0, contact=False)
    24.240000000000002
    """
    taken = np.array(arrival_us, np.float64)
    if section.gate == "first_crossing":
        threshold = float(db_to_ratio(section.threshold_db))
        ahead_us = pulse_sigma_us(disc) * math.sqrt(-2.0 * math.log(threshold))
        envelope = np.abs(scipy.signal.hilbert(np.asarray(samples, np.float64) / full_scale))
        # A gate ahead of an interface lies in the medium before it; one speed is near enough.
        half_us = 2.0 * section.gate_before_mm / 1.55
        for k, at_us in enumerate(taken):
            if math.isfinite(at_us):
                crossing = first_crossing_us(
                    envelope, delay_us, threshold, at_us - half_us, at_us + half_us
                )
                taken[k] = crossing + ahead_us
    first = target.interface_names.index(target.length_from)
    last = target.interface_names.index(target.length_to)
    if contact:
        taken[first] = disc.face_delay_us
    length = sum(
        0.5 * 1e-3
        * target.segments[k].medium.speed_at(target.temperature_c)
        * (taken[k + 1] - taken[k])
        for k in range(first, last)
    )  # fmt: skip
    if section.step_mm > 0.0 and math.isfinite(length):
        length = section.step_mm * round(length / section.step_mm)
    return float(length)


def attempts_kept(
    section: OperatorSection, scans: int, reading_mm: Callable[[int], float]
) -> tuple[int, ...]:
    """Which attempts an operator keeps who goes on until the readings agree.

    Parameters
    ----------
    section : OperatorSection
    scans : int
        Scans of a sitting.
    reading_mm : callable
        From the number of an attempt (the first is 0) to what the instrument displays, mm.

    Returns
    -------
    tuple of int, (scans,)
        The first ``scans`` attempts in a row whose readings lie within ``stops_within_mm`` of one
        another; the last ones where ``most_attempts`` were in vain. Without the rule the first.

    Examples
    --------
    >>> readings = [23.1, 23.4, 23.42, 23.41, 23.3]
    >>> attempts_kept(OperatorSection(stops_within_mm=0.05), 3, readings.__getitem__)
    (1, 2, 3)
    """
    if section.stops_within_mm == 0.0:
        return tuple(range(scans))
    readings: list[float] = []
    for attempt in range(max(scans, section.most_attempts)):
        readings.append(reading_mm(attempt))
        last = readings[-scans:]
        # A spread with NaN in it is NaN: a scan without a reading agrees with none.
        if len(last) == scans and np.ptp(last) <= section.stops_within_mm + 1e-9:
            break
    return tuple(range(len(readings) - scans, len(readings)))
