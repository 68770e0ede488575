"""What a block says of the instrument: length error, speed, face delay, linearity."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from echotrace.errors import ParameterError
from echotrace.media import Medium
from echotrace.recording import Probe, Recording
from echotrace.reference_block.decision import Conformity, conformity
from echotrace.reference_block.linearity import Linearity, gain_linearity, time_base_linearity
from echotrace.reference_block.train import FirstEcho, find_trains
from echotrace.settings import Settings

__all__ = ["BlockCheck", "check_block"]

Float = NDArray[np.float64]

# The preset of the budget, 10 ns at 10 MHz and 60 %, as a part of the pulse's width: longer pulses
# are bent by more.
_DISTORTION = 0.068
# Standard error of a median over that of a mean, for normal readings.
_MEDIAN = math.sqrt(math.pi / 2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockCheck:
    """The result of checking a recording of a block, or of a wedge of several thicknesses.

    Attributes
    ----------
    thickness_mm, thickness_u_mm : ndarray of float64, (n_steps,)
        As stated, and its standard uncertainty, mm.
    length_mm : ndarray of float64, (n_steps,)
        As measured with the stated speed, mm; NaN where the step has one echo only.
    error_mm, error_u_mm : ndarray of float64, (n_steps,)
        Measured less stated, mm, and its combined standard uncertainty.
    budget_mm : mapping of str to ndarray, each (n_steps,)
        The parts of that uncertainty, mm.
    conformity : tuple of Conformity
        One for each step.
    stated_speed_m_per_s, stated_speed_u_m_per_s : float
        At the temperature of the check.
    speed_m_per_s, speed_u_m_per_s : float
        From all steps and echoes, m/s.
    intercept_us, intercept_u_us : float
        Delay of no path at all: of the probe's face where it touches the block, else of the
        block's front, µs.
    touching : bool
        The intercept is the probe's face.
    chi_squared, degrees_of_freedom : float, int
        Of the fit of delay against path.
    misfit : float
        Factor by which the fit's uncertainties were widened because its residuals ask for it
        (Birge ratio); 1: none.
    path_mm, delay_us, delay_u_us, residual_us : ndarray of float64, (n_points,)
        Path through the block and back, mm; delays, their uncertainties and what the fit leaves.
    time_base : Linearity or None
        Of the step with most echoes.
    gain : Linearity or None
    n_traces, n_clipped : int
        Traces, and echoes that are clipped.
    probe : Probe
        As the recording has it, with this face delay where it was measured.
    temperature_c : float

    Examples
    --------
    >>> check.thickness_mm.tolist(), check.touching, check.verdict  # of `et.check_block`
    ([5.0, 10.0], True, 'pass')
    """

    thickness_mm: Float
    thickness_u_mm: Float
    length_mm: Float
    error_mm: Float
    error_u_mm: Float
    budget_mm: Mapping[str, Float]
    conformity: tuple[Conformity, ...]
    stated_speed_m_per_s: float
    stated_speed_u_m_per_s: float
    speed_m_per_s: float
    speed_u_m_per_s: float
    intercept_us: float
    intercept_u_us: float
    touching: bool
    chi_squared: float
    degrees_of_freedom: int
    misfit: float
    path_mm: Float
    delay_us: Float
    delay_u_us: Float
    residual_us: Float
    time_base: Linearity | None
    gain: Linearity | None
    n_traces: int
    n_clipped: int
    probe: Probe
    temperature_c: float

    @property
    def verdict(self) -> str:
        """Of all steps: fail before undecided before pass."""
        verdicts = {item.verdict for item in self.conformity}
        return next(v for v in ("fail", "undecided", "pass", "not judged") if v in verdicts)

    @property
    def worst(self) -> int:
        """The step with the largest error, for the log."""
        return int(np.argmax(np.abs(np.nan_to_num(self.error_mm))))


def check_block(
    recording: Recording,
    thickness_mm: ArrayLike,
    *,
    material: Medium,
    thickness_u_mm: ArrayLike = 0.005,
    temperature_c: float = 20.0,
    temperature_u_c: float = 0.5,
    tolerance_mm: float | None = None,
    first: FirstEcho | None = None,
    after_us: float | None = None,
    settings: Settings | None = None,
) -> BlockCheck:
    """Check an instrument on a block of known thickness.

    Parameters
    ----------
    recording : Recording
        Of a block, or of several steps one after the other.
    thickness_mm : float or sequence of float
        mm. Of several one for each sitting, in the order in which sittings come, or one a trace.
    material : Medium
        Its speed, with the uncertainty of the piece at hand.
    thickness_u_mm : float or sequence of float
        Standard uncertainty of each thickness, mm.
    temperature_c, temperature_u_c : float
        Of the block, and its standard uncertainty, °C.
    tolerance_mm : float, optional
        Largest length error allowed, mm.
    first : {"front", "back"}, optional
        The earliest echo: see :func:`~echotrace.reference_block.train.find_trains`.
    after_us : float, optional
        Delay before which nothing counts, µs.
    settings : Settings, optional
        Picker and template; clock and distortion for the budget.

    Returns
    -------
    BlockCheck

    Raises
    ------
    ParameterError
        Thicknesses that do not fit the recording, or are not possible.
    RecordingError
        No echo train.

    Notes
    -----
    Delay against path is fitted by generalised least squares: the error of a thickness is shared
    by all repeats of its echo. Budgets follow JCGM 100:2008, 5.1.2. The scale of the time base
    enters speed and length; a fit of several paths (ASTM E797: two-point calibration) parts it
    from the delay of the probe's face.

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> t_us = np.arange(2400) / 100.0  # a wedge of steel, 5 and 10 mm: repeats of its back
    >>> def echo(at):
    ...     return np.exp(-(((t_us - at) / 0.0625) ** 2) / 2) * np.cos(20 * np.pi * (t_us - at))
    >>> noise = 0.003 * np.random.default_rng(1).standard_normal((2, t_us.size))
    >>> rf = noise + [
    ...     3 * echo(0.0) + sum((-0.8) ** k * echo(0.8 + 2e3 * k * mm / 5920) for k in range(1, 6))
    ...     for mm in (5.0, 10.0)
    ... ]
    >>> recording = et.Recording(
    ...     samples=rf, sampling_rate_hz=100e6, start_delay_us=0.0, method="contact", eye="none",
    ...     lens_state="none", sitting=["thin", "thick"],
    ...     probe=et.Probe(centre_frequency_hz=10e6, fractional_bandwidth=0.6, face_delay_us=0.8),
    ... )
    >>> steel = et.Medium(name="steel", speed_m_per_s=5920.0, speed_u_m_per_s=2.0,
    ...                   temperature_c=20.0, source="value from memory")
    >>> found = et.check_block(recording, [5.0, 10.0], thickness_u_mm=0.002, material=steel)
    >>> round(found.speed_m_per_s), round(found.intercept_us, 2)
    (5920, 0.8)
    """
    settings = settings or Settings()
    steps, group = _steps(recording, thickness_mm)
    given_u = np.asarray(thickness_u_mm, np.float64)
    if given_u.ndim > 0 and given_u.size not in (1, steps.size):
        raise ParameterError(f"thickness_u_mm: {given_u.size} values for {steps.size} thicknesses")
    steps_u = np.broadcast_to(given_u, steps.shape).astype(np.float64)
    if not (np.isfinite(steps_u).all() and (steps_u > 0.0).all() and (steps_u < steps).all()):
        raise ParameterError("thickness_u_mm must be above 0 and below the thickness")
    speed = material.speed_at(temperature_c)
    train = find_trains(
        recording, 2e3 * steps[group] / speed, first=first, after_us=after_us, settings=settings
    )
    touching = int(train.orders[0]) == 1
    shared = settings.lengths
    middle, spread = _by_step(train.delay_us, train.u_us, group, steps.size)
    distortion_us = max(shared.distortion_us, _DISTORTION * train.pulse_width_us)
    step, column = np.nonzero(np.isfinite(middle))
    order = train.orders[column].astype(np.float64)
    path_mm = 2.0 * order * steps[step]
    delay_us = middle[step, column]
    variance = spread[step, column] ** 2 + distortion_us**2
    if np.unique(path_mm).size < 2:
        raise ParameterError("two path lengths at least are needed: repeats, or several steps")
    slope, intercept, covariance, residual, chi_squared = _fit(
        path_mm, delay_us, variance, step, 2.0 * order * steps_u[step]
    )
    degrees = delay_us.size - 2
    misfit = 1.0
    if degrees > 0 and scipy.special.chdtrc(degrees, chi_squared) < 0.01:
        misfit = math.sqrt(chi_squared / degrees)
    covariance = covariance * misfit**2
    clock = shared.clock_ppm * 1e-6
    found_speed = 1e3 / slope
    u_speed = found_speed * math.hypot(math.sqrt(covariance[0, 0]) / slope, clock)
    u_intercept = math.hypot(math.sqrt(covariance[1, 1]), clock * intercept)
    length, budget = _lengths(
        middle, spread, train.orders, speed, recording.probe, distortion_us, touching
    )
    budget |= {
        "thickness": steps_u,
        "speed": steps * material.speed_u_m_per_s / speed,
        "temperature": steps * abs(material.speed_slope_m_per_s_per_c) * temperature_u_c / speed,
        "clock": steps * clock,
    }
    error = length - steps
    error_u = np.sqrt(sum(part**2 for part in budget.values()))
    most = int(np.argmax(np.isfinite(middle).sum(axis=1)))
    free = np.where(train.clipped, np.nan, train.height_db)
    # The echo that is free in most traces tells the gain.
    followed = int(np.argmax(np.isfinite(free).sum(axis=0)))
    return BlockCheck(
        thickness_mm=steps,
        thickness_u_mm=steps_u,
        length_mm=length,
        error_mm=error,
        error_u_mm=error_u,
        budget_mm=MappingProxyType(budget),
        conformity=tuple(
            conformity(float(e), float(u), tolerance_mm)
            for e, u in zip(error, error_u, strict=True)
        ),
        stated_speed_m_per_s=speed,
        stated_speed_u_m_per_s=math.hypot(
            material.speed_u_m_per_s, material.speed_slope_m_per_s_per_c * temperature_u_c
        ),
        speed_m_per_s=found_speed,
        speed_u_m_per_s=u_speed,
        intercept_us=intercept,
        intercept_u_us=u_intercept,
        touching=touching,
        chi_squared=chi_squared,
        degrees_of_freedom=degrees,
        misfit=misfit,
        path_mm=path_mm,
        delay_us=delay_us,
        delay_u_us=np.sqrt(variance),
        residual_us=residual,
        time_base=time_base_linearity(train.orders, middle[most]),
        gain=gain_linearity(
            np.asarray(recording.gain_db, np.float64)[group == most],
            free[group == most, followed],
        ),
        n_traces=recording.n_traces,
        n_clipped=int(train.clipped.sum()),
        probe=(
            replace(recording.probe, face_delay_us=intercept, face_delay_u_us=u_intercept)
            if touching and intercept >= 0.0
            else recording.probe
        ),
        temperature_c=temperature_c,
    )


def _steps(recording: Recording, thickness_mm: ArrayLike) -> tuple[Float, NDArray[np.intp]]:
    """The thicknesses, and which each trace has."""
    given = np.atleast_1d(np.asarray(thickness_mm, np.float64))
    if not (np.isfinite(given).all() and (given > 0.01).all() and (given < 1e4).all()):
        raise ParameterError("thickness_mm must lie between 0.01 and 10000 mm")
    labels = [str(label) for label in recording.sitting]
    names = list(dict.fromkeys(labels))
    if given.size == 1:
        return given, np.zeros(recording.n_traces, np.intp)
    if given.size == len(names):
        return given, np.array([names.index(label) for label in labels], np.intp)
    if given.size == recording.n_traces:
        steps, group = np.unique(given, return_inverse=True)
        return steps, group.astype(np.intp)
    raise ParameterError(
        f"thickness_mm: {given.size} thicknesses for {len(names)} sittings of {recording.n_traces} "
        "traces; give one for all, one for each sitting, or one for each trace"
    )


def _by_step(
    delay_us: Float, u_us: Float, group: NDArray[np.intp], n_steps: int
) -> tuple[Float, Float]:
    """Median delay of each echo of each step, and its standard uncertainty; NaN for rare ones."""
    middle, spread = (np.full((n_steps, delay_us.shape[1]), np.nan) for _ in range(2))
    for i in range(n_steps):
        rows = group == i
        for k in range(delay_us.shape[1]):
            there = rows & np.isfinite(delay_us[:, k])
            n = int(there.sum())
            # An echo that most traces lack is none of the block's.
            if n == 0 or 2 * n < rows.sum():
                continue
            t = delay_us[there, k]
            middle[i, k] = np.median(t)
            seen = 1.4826 * float(np.median(np.abs(t - middle[i, k])))
            stated = float(np.sqrt(np.mean(u_us[there, k] ** 2)))
            spread[i, k] = max(seen, stated) * (_MEDIAN if n > 2 else 1.0) / math.sqrt(n)
    return middle, spread


def _fit(
    path_mm: Float, delay_us: Float, variance: Float, step: NDArray[np.intp], path_u_mm: Float
) -> tuple[float, float, Float, Float, float]:
    """Slope (µs/mm), intercept (µs), their covariance, residuals and chi-squared."""
    design = np.column_stack([path_mm, np.ones(path_mm.size)])
    slope = float(np.polyfit(path_mm, delay_us, 1)[0])
    together = (step[:, None] == step[None, :]) * np.outer(path_u_mm, path_u_mm)
    for _ in range(4):
        weight = np.linalg.inv(np.diag(variance) + slope**2 * together)
        covariance = np.linalg.inv(design.T @ weight @ design)
        slope, intercept = covariance @ design.T @ weight @ delay_us
    residual = delay_us - slope * path_mm - intercept
    return float(slope), float(intercept), covariance, residual, float(residual @ weight @ residual)


def _lengths(
    middle: Float,
    spread: Float,
    orders: NDArray[np.intp],
    speed_m_per_s: float,
    probe: Probe,
    distortion_us: float,
    touching: bool,
) -> tuple[Float, dict[str, Float]]:
    """Length of each step at the stated speed, mm, and what its delays add to the uncertainty."""
    length, repeat, distortion, offset = (np.full(middle.shape[0], np.nan) for _ in range(4))
    half = speed_m_per_s * 5e-4
    for i, row in enumerate(middle):
        there = np.isfinite(row)
        k, t, u = orders[there].astype(np.float64), row[there], spread[i, there]
        if k.size >= 2:
            gain = (k - k.mean()) / np.sum((k - k.mean()) ** 2)
            offset[i] = 0.0
        elif k.size == 1 and touching and math.isfinite(probe.face_delay_us):
            gain, t = 1.0 / k, t - probe.face_delay_us
            offset[i] = half * np.nan_to_num(probe.face_delay_u_us) / k[0]
        else:
            continue
        length[i] = half * float(gain @ t)
        repeat[i] = half * float(np.sqrt(np.sum((gain * u) ** 2)))
        distortion[i] = half * float(np.sqrt(np.sum(gain**2))) * distortion_us
    return length, {"readings": repeat, "distortion": distortion, "face delay": offset}
