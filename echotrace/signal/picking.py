"""Delays of echoes, to a small fraction of a sample, each with its standard uncertainty.

A picker takes the surroundings of echoes that were already found and says exactly where each is.
Pickers measure different things (the peak, the middle of the rise, the onset); the constant
between what one measures and the centre of the pulse is calibrated on the template itself, so that
all of them agree on an undistorted echo. What then differs is how noise, overlap and distortion
move them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import IntEnum
from functools import lru_cache
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.recording import Signal
from echotrace.signal.conditioning import Conditioned, condition
from echotrace.signal.envelope import EnvelopeMethod
from echotrace.signal.pulse import HALF_HEIGHT_OVER_RMS, Pulse

__all__ = [
    "PICKERS",
    "EchoWindows",
    "PickReason",
    "Picker",
    "PickerOptions",
    "Picks",
    "calibrated_offset_sample",
    "gather_windows",
    "phase_shift_us",
    "pick_echoes",
    "skirt_samples",
]

Float = NDArray[np.float64]


class PickReason(IntEnum):
    """Why a picker has no delay to give."""

    FOUND = 0
    NO_ECHO = 1
    AT_THE_EDGE = 2
    LEVEL_NOT_REACHED = 3
    NO_RISE = 4
    REFERENCE_MISSING = 5
    LEFT_OUT = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class PickerOptions:
    """What the pickers need to be told.

    Attributes
    ----------
    edge_fraction : float
        ``leading_edge_fraction``: fraction of the echo's own height at which its rise is read.
    edge_level_db : float
        ``leading_edge_level``: level at which every rise is read, dB relative to the largest echo
        of the trace.
    overlap_threshold_db : float
        ``least_squares``: how far over the noise a second echo must stand, after the first was
        taken out, to be fitted with it, dB.
    """

    edge_fraction: float = 0.5
    edge_level_db: float = -10.0
    overlap_threshold_db: float = 14.0

    def __post_init__(self) -> None:
        if not 0.05 <= self.edge_fraction <= 0.95:
            raise ParameterError(
                f"edge_fraction={self.edge_fraction!r} must lie between 0.05 and 0.95"
            )
        if not -60.0 <= self.edge_level_db < 0.0:
            raise ParameterError(
                f"edge_level_db={self.edge_level_db!r} must lie between -60 and 0 dB"
            )
        if not 6.0 <= self.overlap_threshold_db <= 60.0:
            raise ParameterError(
                f"overlap_threshold_db={self.overlap_threshold_db!r} must lie between 6 and 60 dB"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class EchoWindows:
    """The surroundings of echoes, one row an echo.

    Attributes
    ----------
    matched : ndarray of complex, (n, w), or None
    matched_envelope, envelope : ndarray of float64, (n, w)
    rf : ndarray of float64, (n, w), or None
    at : int
        Column of the candidate's largest sample.
    first_sample : ndarray of int, (n,)
        Sample of the trace that column 0 is.
    matched_noise, envelope_noise, matched_slope, envelope_slope : ndarray of float64, (n,)
        As in :class:`~echotrace.signal.conditioning.Conditioned`.
    largest : ndarray of float64, (n,)
        Height of the largest echo of the trace in the plain envelope.
    inside : ndarray of bool, (n,)
        The echo lies wholly inside the trace; beyond the ends windows repeat the end samples.
    pulse : Pulse
    envelope_method : str
    bandwidth_hz : float
    """

    matched: NDArray[np.complex128] | None
    matched_envelope: Float
    envelope: Float
    rf: Float | None
    at: int
    first_sample: NDArray[np.intp]
    matched_noise: Float
    envelope_noise: Float
    matched_slope: Float
    envelope_slope: Float
    largest: Float
    inside: NDArray[np.bool_]
    pulse: Pulse
    envelope_method: EnvelopeMethod
    bandwidth_hz: float

    @property
    def n(self) -> int:
        """Number of echoes."""
        return int(self.first_sample.size)

    @property
    def step_us(self) -> float:
        """Time between samples, µs."""
        return 1e6 / self.pulse.sampling_rate_hz


@dataclass(frozen=True, slots=True)
class Picks:
    """What a picker found.

    Attributes
    ----------
    sample : ndarray of float64, (n,)
        Position in samples from the start of the trace, NaN where nothing was found.
    u_sample : ndarray of float64, (n,)
        Standard uncertainty from noise, samples.
    reason : ndarray of uint8, (n,)
        A :class:`PickReason`.
    """

    sample: Float
    u_sample: Float
    reason: NDArray[np.uint8]


def _window_reach(pulse: Pulse) -> tuple[int, int]:
    """Samples before and after an echo that the pickers look at."""
    width = pulse.width_us * pulse.sampling_rate_hz * 1e-6
    return int(np.ceil(8.0 * width)), int(np.ceil(5.0 * width))


def skirt_samples(pulse: Pulse) -> int:
    """Samples on either side of an echo's centre that must lie inside the trace."""
    return int(np.ceil(1.5 * pulse.width_us * pulse.sampling_rate_hz * 1e-6))


def gather_windows(
    traces: Conditioned, trace_idx: NDArray[np.integer], sample_idx: NDArray[np.integer]
) -> EchoWindows:
    """Cut the surroundings of echoes out of traces.

    Parameters
    ----------
    traces : Conditioned
    trace_idx, sample_idx : ndarray of int, (n,)
        Trace and sample of each candidate: its maximum in the matched envelope.
    """
    before, after = _window_reach(traces.pulse)
    n_samples = traces.envelope.shape[1]
    first = np.asarray(sample_idx, np.intp) - before
    columns = np.clip(first[:, None] + np.arange(before + after + 1), 0, n_samples - 1)
    # An echo must stand wholly inside the trace; the quiet stretch before it need not.
    skirt = skirt_samples(traces.pulse)
    inside = (np.asarray(sample_idx) >= skirt) & (np.asarray(sample_idx) < n_samples - skirt)
    rows = np.asarray(trace_idx, np.intp)[:, None]
    return EchoWindows(
        matched=None
        if traces.matched is None
        else np.asarray(traces.matched[rows, columns], np.complex128),
        matched_envelope=np.asarray(traces.matched_envelope[rows, columns], np.float64),
        envelope=np.asarray(traces.envelope[rows, columns], np.float64),
        rf=None if traces.rf is None else np.asarray(traces.rf[rows, columns], np.float64),
        at=before,
        first_sample=first,
        matched_noise=traces.matched_noise[trace_idx],
        envelope_noise=traces.envelope_noise[trace_idx],
        matched_slope=traces.matched_slope[trace_idx],
        envelope_slope=traces.envelope_slope[trace_idx],
        largest=np.asarray(traces.envelope.max(axis=1), np.float64)[trace_idx],
        inside=inside,
        pulse=traces.pulse,
        envelope_method=traces.envelope_method,
        bandwidth_hz=traces.bandwidth_hz,
    )


def _finish(
    windows: EchoWindows, column: Float, u_sample: Float, reason: NDArray[np.integer]
) -> Picks:
    """Turn columns into samples of the trace, and blank what was not found."""
    why = np.where(windows.inside, reason, int(PickReason.AT_THE_EDGE)).astype(np.uint8)
    found = why == PickReason.FOUND
    sample = np.where(found, windows.first_sample + column, np.nan)
    return Picks(sample, np.where(found, u_sample, np.nan), why)


def _local_peak(
    rows: Float, centre: int, reach: int
) -> tuple[NDArray[np.intp], Float, Float, Float]:
    """Peak of each row near a column.

    Returns
    -------
    k : column of the largest sample
    column : column of the vertex of the parabola through the logarithm around it: exact for a
        Gaussian
    height : of the vertex
    curvature : minus the second derivative of the logarithm, per sample squared
    """
    n, w = rows.shape
    low, high = max(1, centre - reach), min(w - 1, centre + reach + 1)
    k = low + np.argmax(rows[:, low:high], axis=1)
    k = np.clip(k, 1, w - 2)
    i = np.arange(n)
    tiny = np.finfo(np.float64).tiny
    before, middle, after = (np.log(np.maximum(rows[i, k + d], tiny)) for d in (-1, 0, 1))
    curvature = 2.0 * middle - before - after
    with np.errstate(divide="ignore", invalid="ignore"):
        offset = np.where(curvature > 0.0, 0.5 * (after - before) / curvature, 0.0)
    offset = np.clip(offset, -1.0, 1.0)
    height = np.exp(middle + 0.25 * (after - before) * offset)
    return k, k + offset, height, curvature


def _peak_pick(windows: EchoWindows, rows: Float, slope: Float, reach: int) -> Picks:
    """Peak of an envelope: the noise's slope over the peak's curvature is its jitter."""
    _, column, height, curvature = _local_peak(rows, windows.at, reach)
    found = (curvature > 0.0) & (height > 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        u_sample = slope * windows.step_us / (height * curvature)
    reason = np.where(found, int(PickReason.FOUND), int(PickReason.NO_ECHO))
    return _finish(windows, column, u_sample, reason)


def _matched_filter(windows: EchoWindows, options: PickerOptions) -> Picks:
    del options
    reach = max(2, windows.pulse.grid_stride)
    return _peak_pick(windows, windows.matched_envelope, windows.matched_slope, reach)


def _reach(windows: EchoWindows) -> int:
    """How far from the matched peak the plain envelope's own peak may lie, samples."""
    return int(np.ceil(0.7 * windows.pulse.width_us / windows.step_us))


def _envelope_peak(windows: EchoWindows, options: PickerOptions) -> Picks:
    del options
    return _peak_pick(windows, windows.envelope, windows.envelope_slope, _reach(windows))


def _last_below(
    rows: Float, peak: NDArray[np.intp], level: Float
) -> tuple[Float, Float, NDArray[np.bool_]]:
    """Where each row last crosses a level upwards before its peak.

    Returns
    -------
    column : crossing by straight line between samples, NaN where there is none
    slope : of the row there, per sample
    has : whether there is one
    """
    columns = np.arange(rows.shape[1])
    below = (rows < level[:, None]) & (columns < peak[:, None])
    has = below.any(axis=1)
    last = rows.shape[1] - 1 - np.argmax(below[:, ::-1], axis=1)
    last = np.clip(last, 0, rows.shape[1] - 2)
    i = np.arange(rows.shape[0])
    low, high = rows[i, last], rows[i, last + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        column = last + (level - low) / (high - low)
    return (
        np.where(has, column, np.nan),
        np.asarray(high - low, np.float64),
        np.asarray(has, np.bool_),
    )


def _edge(windows: EchoWindows, level: Float, fraction: Float, too_low: NDArray[np.bool_]) -> Picks:
    peak, peak_column, _, _ = _local_peak(windows.envelope, windows.at, _reach(windows))
    column, slope, has = _last_below(windows.envelope, peak, level)
    # Noise at the crossing and, through the level, at the peak; their correlation falls like that
    # of Gaussian noise of the same slope.
    noise = windows.envelope_noise
    rms = windows.envelope_slope * windows.step_us / noise
    rho = np.exp(-0.5 * (rms * (peak_column - np.nan_to_num(column))) ** 2)
    variance = noise**2 * (1.0 + fraction**2 - 2.0 * fraction * rho)
    with np.errstate(divide="ignore", invalid="ignore"):
        u_sample = np.sqrt(variance) / slope
    reason = np.where(has, int(PickReason.FOUND), int(PickReason.NO_RISE))
    reason = np.where(too_low, int(PickReason.LEVEL_NOT_REACHED), reason)
    return _finish(windows, column, u_sample, reason)


def _leading_edge_fraction(windows: EchoWindows, options: PickerOptions) -> Picks:
    _, _, height, _ = _local_peak(windows.envelope, windows.at, _reach(windows))
    fraction = np.full(windows.n, options.edge_fraction)
    return _edge(windows, options.edge_fraction * height, fraction, np.zeros(windows.n, np.bool_))


def _leading_edge_level(windows: EchoWindows, options: PickerOptions) -> Picks:
    _, _, height, _ = _local_peak(windows.envelope, windows.at, _reach(windows))
    level = windows.largest * 10.0 ** (options.edge_level_db / 20.0)
    # A level that the noise itself reaches is crossed anywhere.
    hidden = level < 3.0 * windows.envelope_noise
    return _edge(windows, level, np.zeros(windows.n), (height <= level) | hidden)


def _steepest_slope(windows: EchoWindows, options: PickerOptions) -> Picks:
    del options
    rows = windows.envelope
    slope = np.zeros_like(rows)
    slope[:, 1:-1] = 0.5 * (rows[:, 2:] - rows[:, :-2])
    peak, _, _, _ = _local_peak(rows, windows.at, _reach(windows))
    # The steepest rise lies less than one width before the peak.
    reach = int(np.ceil(1.2 * windows.pulse.width_us / windows.step_us))
    columns = np.arange(rows.shape[1])
    near = (columns <= peak[:, None]) & (columns >= peak[:, None] - reach)
    masked = np.where(near, slope, -np.inf)
    k = np.clip(np.argmax(masked, axis=1), 2, rows.shape[1] - 3)
    i = np.arange(windows.n)
    before, middle, after = slope[i, k - 1], slope[i, k], slope[i, k + 1]
    curvature = 2.0 * middle - before - after
    with np.errstate(divide="ignore", invalid="ignore"):
        offset = np.clip(np.where(curvature > 0.0, 0.5 * (after - before) / curvature, 0.0), -1, 1)
        # The zero of the second derivative moves by the noise's second derivative over the third
        # derivative of the echo. The band's noise is Gaussian in frequency, for which the fourth
        # moment is three times the squared second.
        rms = windows.envelope_slope * windows.step_us / windows.envelope_noise
        u_sample = np.sqrt(3.0) * windows.envelope_noise * rms**2 / curvature
    reason = np.where(curvature > 0.0, int(PickReason.FOUND), int(PickReason.NO_RISE))
    return _finish(windows, k + offset, u_sample, reason)


def _akaike_raw(windows: EchoWindows) -> tuple[Float, NDArray[np.integer]]:
    """Column of the onset by Akaike's criterion on the samples up to the envelope's peak."""
    rows = windows.envelope if windows.rf is None else windows.rf
    peak, _, height, _ = _local_peak(windows.envelope, windows.at, _reach(windows))
    w = rows.shape[1]
    columns = np.arange(w)
    # Sums over [0, k) and [k, peak]; a floor 60 dB below the echo keeps silence finite.
    inside = columns <= peak[:, None]
    values = np.where(inside, rows, 0.0)
    total = np.cumsum(values, axis=1)
    square = np.cumsum(values**2, axis=1)
    count_before = columns + 1.0
    count_after = (peak[:, None] + 1.0) - count_before
    floor = (1e-3 * height[:, None]) ** 2 + np.finfo(np.float64).tiny
    with np.errstate(divide="ignore", invalid="ignore"):
        var_before = square / count_before - (total / count_before) ** 2
        var_after = (square[:, -1:] - square) / count_after - (
            (total[:, -1:] - total) / count_after
        ) ** 2
        aic = count_before * np.log(np.maximum(var_before, 0.0) + floor) + (
            count_after - 1.0
        ) * np.log(np.maximum(var_after, 0.0) + floor)
    usable = (columns >= 8) & (count_after >= 4.0)
    aic = np.where(usable, aic, np.inf)
    k = np.clip(np.argmin(aic, axis=1), 1, w - 2)
    i = np.arange(windows.n)
    before, middle, after = aic[i, k - 1], aic[i, k], aic[i, k + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        curvature = before + after - 2.0 * middle
        offset = 0.5 * (before - after) / curvature
    offset = np.where(np.isfinite(offset), np.clip(offset, -0.5, 0.5), 0.0)
    found = np.isfinite(middle)
    # The onset lies after sample k, which still belongs to the quiet part.
    column = k + 1.0 + offset
    return column, np.where(found, int(PickReason.FOUND), int(PickReason.NO_RISE))


_ONSET_LEVELS_DB = np.arange(8.0, 100.0, 2.0)


@lru_cache(maxsize=32)
def _onset_table(key: _CalibrationKey) -> tuple[Float, Float, Float]:
    """Mean error and spread of the Akaike onset against the height seen over the noise.

    The onset comes later the deeper the foot of the echo lies in the noise; there is no closed
    form, so it is simulated once for each template, with a fixed seed. Below 16 dB the spread
    falls steeply with height, and the height that is seen scatters: the table is corrected until
    its root mean square over what is seen equals the spread at every true height.
    """
    rng = np.random.default_rng(20240611)
    seen: list[Float] = []
    mean, spread = [], []
    for snr_db in _ONSET_LEVELS_DB:
        n = 1600 if snr_db < 20.0 else 200
        sd = 10.0 ** (-snr_db / 20.0)
        traces, truth = _template_traces(key, n, noise_sd=sd, rng=rng)
        windows = gather_windows(traces, np.arange(n), np.rint(truth).astype(np.intp))
        column, _ = _akaike_raw(windows)
        error = windows.first_sample + column - truth
        mean.append(float(error.mean()))
        spread.append(float(error.std()))
        seen.append(_seen_level(windows))
    level = np.array([np.median(values) for values in seen])
    table = np.log(spread)
    for _ in range(8):
        stated = [
            0.5 * np.log(np.mean(np.exp(2.0 * np.interp(values, level, table)))) for values in seen
        ]
        table += np.log(spread) - np.array(stated)
    return level, np.array(mean), np.exp(table)


def _seen_level(windows: EchoWindows) -> Float:
    """Logarithm of the echo's height over the noise in the matched envelope."""
    _, _, height, _ = _local_peak(windows.matched_envelope, windows.at, 2)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(height / windows.matched_noise))


def _akaike_onset(windows: EchoWindows, options: PickerOptions) -> Picks:
    del options
    column, reason = _akaike_raw(windows)
    level, mean, spread = _onset_table(_key_of(windows))
    seen = _seen_level(windows)
    return _finish(
        windows,
        column - np.interp(seen, level, mean),
        np.exp(np.interp(seen, level, np.log(spread))),
        reason,
    )


def _cubic(x: NDArray[np.floating]) -> tuple[NDArray[np.floating], ...]:
    """Weights of the samples -1, 0, 1, 2 in four-point Lagrange interpolation at x in [0, 1)."""
    return (
        -x * (x - 1) * (x - 2) / 6,
        (x + 1) * (x - 1) * (x - 2) / 2,
        -(x + 1) * x * (x - 2) / 2,
        (x + 1) * x * (x - 1) / 6,
    )


def _interpolate(
    values: NDArray[np.complex128], column: NDArray[np.floating]
) -> NDArray[np.complex128]:
    """Cubic interpolation of each row at one column."""
    k = np.clip(np.floor(column).astype(np.intp), 1, values.shape[1] - 3)
    i = np.arange(values.shape[0])
    weights = _cubic(column - k)
    return np.asarray(sum(weight * values[i, k + d - 1] for d, weight in enumerate(weights)))


@lru_cache(maxsize=32)
def _autocorrelation(pulse_key: bytes, pulse_size: int) -> tuple[NDArray[np.complex128], int]:
    """Matched output of the pulse to itself, on a four times finer grid, and that four."""
    analytic = np.frombuffer(pulse_key, np.complex128)
    fine = 4
    size = 4 * pulse_size
    spectrum = np.abs(np.fft.fft(analytic, size)) ** 2
    padded = np.zeros(size * fine, np.complex128)
    padded[: size // 2] = spectrum[: size // 2]
    padded[-(size // 2) :] = spectrum[-(size // 2) :]
    correlation = np.fft.fftshift(np.fft.ifft(padded))
    return correlation / correlation[correlation.size // 2], fine


def _least_squares(windows: EchoWindows, options: PickerOptions) -> Picks:
    """Fit of the pulse, jointly with a second echo close by where there is one.

    The residual of a least-squares fit of echoes of free phase and amplitude depends on their
    delays only through the matched output z there: J = z^H G^-1 z with the pulse's
    autocorrelation G (variable projection). With one echo that is the matched filter.
    """
    if windows.matched is None:
        raise ParameterError("picker 'least_squares' needs RF; this recording holds envelopes")
    single = _matched_filter(windows, options)
    found = single.reason == PickReason.FOUND
    if not found.any():
        return single
    omega = 2.0 * np.pi * windows.pulse.centre_frequency_hz / windows.pulse.sampling_rate_hz
    w = windows.matched.shape[1]
    base = windows.matched * np.exp(-1j * omega * np.arange(w))
    correlation, fine = _autocorrelation(
        windows.pulse.analytic.tobytes(), windows.pulse.analytic.size
    )
    middle = correlation.size // 2
    lag = np.arange(correlation.size) - middle
    smooth = correlation * np.exp(-1j * omega * lag / fine)

    def rho(delta: NDArray[np.floating]) -> NDArray[np.complex128]:
        position = np.clip(middle + delta * fine, 1.0, correlation.size - 3.0)
        k = np.floor(position).astype(np.intp)
        weights = _cubic(position - k)
        return np.asarray(sum(weight * smooth[k + d - 1] for d, weight in enumerate(weights)))

    def energy(t1: Float, t2: Float) -> Float:
        z1 = _interpolate(base, t1) * np.exp(1j * omega * t1)
        z2 = _interpolate(base, t2) * np.exp(1j * omega * t2)
        # G_12 = R(t1 - t2): matched output at t1 of a unit echo at t2.
        g = rho(t1 - t2) * np.exp(1j * omega * (t1 - t2))
        det = np.maximum(1.0 - np.abs(g) ** 2, 1e-9)
        cross = np.real(np.conj(z1) * g * z2)
        return np.asarray((np.abs(z1) ** 2 + np.abs(z2) ** 2 - 2.0 * cross) / det)

    t1 = np.where(found, single.sample - windows.first_sample, windows.at)
    # Take the first echo out and look for what is left close by.
    z1 = _interpolate(base, t1) * np.exp(1j * omega * t1)
    columns = np.arange(w)
    away = np.asarray(columns[None, :] - t1[:, None], np.float64)
    model = rho(away) * np.exp(1j * omega * away)
    rest = np.abs(windows.matched - z1[:, None] * model)
    reach = 2.5 * windows.pulse.width_us / windows.step_us
    near = np.abs(away) <= reach
    t2 = np.argmax(np.where(near, rest, 0.0), axis=1).astype(np.float64)
    left = np.max(np.where(near, rest, 0.0), axis=1)
    # What distortion leaves behind grows with the echo: a sixth of it is no second one yet.
    double = found & (left > np.abs(z1) / 6.0)
    double &= left > windows.matched_noise * 10.0 ** (options.overlap_threshold_db / 20.0)
    if not double.any():
        return single
    # Newton's method on J from the two starting delays, with differences for derivatives.
    h = 0.25
    best = energy(t1, t2)
    hessian = np.zeros((windows.n, 2, 2))
    damping = np.full(windows.n, 1e-3)
    for _ in range(40):
        f0 = energy(t1, t2)
        fp, fm = energy(t1 + h, t2), energy(t1 - h, t2)
        gp, gm = energy(t1, t2 + h), energy(t1, t2 - h)
        pp, mm = energy(t1 + h, t2 + h), energy(t1 - h, t2 - h)
        pm, mp = energy(t1 + h, t2 - h), energy(t1 - h, t2 + h)
        gradient = np.stack([(fp - fm), (gp - gm)], axis=1) / (2 * h)
        hessian[:, 0, 0] = (fp - 2 * f0 + fm) / h**2
        hessian[:, 1, 1] = (gp - 2 * f0 + gm) / h**2
        hessian[:, 0, 1] = hessian[:, 1, 0] = (pp + mm - pm - mp) / (4 * h**2)
        # Levenberg: make the curvature safely negative before stepping.
        values, vectors = np.linalg.eigh(-hessian)
        values = np.maximum(np.abs(values), 1e-12) * (1.0 + damping[:, None])
        projected = np.einsum("nij,ni->nj", vectors, gradient) / values
        step = np.clip(np.einsum("nij,nj->ni", vectors, projected), -2.0, 2.0)
        n1, n2 = t1 + step[:, 0], t2 + step[:, 1]
        new = energy(n1, n2)
        better = new > best
        t1, t2 = np.where(better, n1, t1), np.where(better, n2, t2)
        best = np.where(better, new, best)
        damping = np.where(better, damping * 0.3, np.minimum(damping * 10.0, 1e6))
    # ln L = J / (2 sigma_q^2): its curvature is the information.
    information = -hessian / (2.0 * windows.matched_noise[:, None, None] ** 2)
    determinant = information[:, 0, 0] * information[:, 1, 1] - information[:, 0, 1] ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = information[:, 1, 1] / determinant
    usable = double & (variance > 0.0) & (np.abs(t1 - windows.at) <= reach)
    sample = np.where(usable, windows.first_sample + t1, single.sample)
    u_sample = np.where(usable, np.sqrt(np.abs(variance)), single.u_sample)
    return Picks(sample, u_sample, single.reason)


@dataclass(frozen=True, slots=True)
class Picker:
    """One way of reading a delay.

    Attributes
    ----------
    read : callable
        ``read(windows, options) -> Picks``.
    convention : str
        What it measures before calibration: ``peak``, ``half height``, ``level``, ``steepest
        rise`` or ``onset``.
    needs_rf : bool
    """

    read: Callable[[EchoWindows, PickerOptions], Picks]
    convention: str
    needs_rf: bool = False


PICKERS: Mapping[str, Picker] = MappingProxyType(
    {
        "matched_filter": Picker(_matched_filter, "peak"),
        "least_squares": Picker(_least_squares, "peak", needs_rf=True),
        "envelope_peak": Picker(_envelope_peak, "peak"),
        "leading_edge_fraction": Picker(_leading_edge_fraction, "half height"),
        "leading_edge_level": Picker(_leading_edge_level, "level"),
        "steepest_slope": Picker(_steepest_slope, "steepest rise"),
        "akaike_onset": Picker(_akaike_onset, "onset", needs_rf=True),
    }
)
"""The pickers by name. ``matched_filter`` is the default."""


@dataclass(frozen=True, slots=True)
class _CalibrationKey:
    """What an offset depends on; hashable, so that it is worked out once."""

    pulse_bytes: bytes
    pulse_size: int
    sampling_rate_hz: float
    centre_frequency_hz: float
    rms_bandwidth_hz: float
    envelope_method: EnvelopeMethod
    envelope_bandwidth: float
    signal: Signal

    @property
    def pulse(self) -> Pulse:
        return Pulse(
            np.frombuffer(self.pulse_bytes, np.complex128),
            self.sampling_rate_hz,
            self.centre_frequency_hz,
            self.rms_bandwidth_hz,
        )


def _key(
    pulse: Pulse, envelope_method: EnvelopeMethod, bandwidth_hz: float, signal: Signal
) -> _CalibrationKey:
    return _CalibrationKey(
        pulse.analytic.tobytes(),
        pulse.analytic.size,
        pulse.sampling_rate_hz,
        pulse.centre_frequency_hz,
        pulse.rms_bandwidth_hz,
        envelope_method,
        bandwidth_hz / (HALF_HEIGHT_OVER_RMS * pulse.rms_bandwidth_hz),
        signal,
    )


def _key_of(windows: EchoWindows) -> _CalibrationKey:
    signal = Signal.ENVELOPE if windows.rf is None else Signal.RF
    return _key(windows.pulse, windows.envelope_method, windows.bandwidth_hz, signal)


def _template_traces(
    key: _CalibrationKey, n: int, *, noise_sd: float, rng: np.random.Generator | None
) -> tuple[Conditioned, Float]:
    """Traces of one echo each, the template itself at evenly spread fractions of a sample."""
    pulse = key.pulse
    before, after = _window_reach(pulse)
    size = 4 * (before + after)
    centre = 2 * (before + after)
    truth = centre + np.arange(n) / n
    template = np.zeros(size, np.complex128)
    template[: pulse.analytic.size] = pulse.analytic
    spectrum = np.fft.fft(np.roll(template, -pulse.half_length))
    shifted = np.fft.ifft(
        spectrum * np.exp(-2j * np.pi * np.fft.fftfreq(size) * truth[:, None]), axis=1
    )
    if key.signal == Signal.RF:
        amplitude = np.real(shifted)
        if rng is not None:
            # Every phase, for the echo of a rear interface is the negative of a front one.
            phase = np.exp(2j * np.pi * rng.random(n))[:, None]
            amplitude = np.real(shifted * phase) + noise_sd * rng.standard_normal((n, size))
    else:
        amplitude = np.abs(shifted)
    traces = condition(
        amplitude.astype(np.float32),
        np.zeros((n, size), np.bool_),
        signal=key.signal,
        sampling_rate_hz=key.sampling_rate_hz,
        start_delay_us=0.0,
        pulse=pulse,
        envelope_method=key.envelope_method,
        envelope_bandwidth=key.envelope_bandwidth,
    )
    return traces, truth


@lru_cache(maxsize=128)
def _offset_sample(name: str, options: PickerOptions, key: _CalibrationKey) -> float:
    """Mean of (reading - centre of the pulse) over all fractions of a sample, no noise."""
    if name == "akaike_onset":
        return 0.0  # its table holds the offset, which changes with the noise
    traces, truth = _template_traces(key, 32, noise_sd=0.0, rng=None)
    windows = gather_windows(traces, np.arange(32), np.rint(truth).astype(np.intp))
    return float(np.mean(PICKERS[name].read(windows, options).sample - truth))


def calibrated_offset_sample(
    pulse: Pulse,
    envelope_method: EnvelopeMethod,
    bandwidth_hz: float,
    signal: Signal,
    *,
    picker: str = "matched_filter",
    options: PickerOptions | None = None,
) -> float:
    """What a picker measures less the centre of the pulse, samples, worked out on the template."""
    key = _key(pulse, envelope_method, bandwidth_hz, signal)
    return _offset_sample(picker, options or PickerOptions(), key)


def pick_echoes(
    traces: Conditioned,
    trace_idx: NDArray[np.integer],
    sample_idx: NDArray[np.integer],
    *,
    picker: str = "matched_filter",
    options: PickerOptions | None = None,
) -> Picks:
    """Read the delay of echoes.

    Parameters
    ----------
    traces : Conditioned
    trace_idx, sample_idx : ndarray of int, (n,)
        Trace and sample of each echo's maximum in the matched envelope.
    picker : str
        One of :data:`PICKERS`.
    options : PickerOptions, optional

    Returns
    -------
    Picks
        Positions of the centre of the pulse, whatever the picker measures.

    Raises
    ------
    ParameterError
        Unknown picker, or one that needs RF on a recording of envelopes.
    """
    if picker not in PICKERS:
        raise ParameterError(f"picker={picker!r}: use one of {', '.join(PICKERS)}")
    if traces.rf is None and PICKERS[picker].needs_rf:
        raise ParameterError(f"picker {picker!r} needs RF; this recording holds envelopes")
    options = options or PickerOptions()
    windows = gather_windows(traces, trace_idx, sample_idx)
    picks = PICKERS[picker].read(windows, options)
    return replace(picks, sample=picks.sample - _offset_sample(picker, options, _key_of(windows)))


def phase_shift_us(
    traces: Conditioned, trace_idx: NDArray[np.integer], sample_idx: NDArray[np.integer]
) -> tuple[Float, Float]:
    """Shifts of one echo between repeated traces of one target, read from the carrier's phase.

    Six to seven times sharper in noise than an envelope, but an unexpected 30 degrees of phase
    move it by 6 µm and a reversed reflection by 38 µm: it compares an echo with itself and is
    never a length. Shifts must stay below half a period between traces.

    Parameters
    ----------
    traces : Conditioned
        Of one target, repeated.
    trace_idx, sample_idx : ndarray of int, (n,)
        The same echo in each trace.

    Returns
    -------
    shift_us, u_us : ndarray of float64, (n,)
        Shift against the mean of all, µs, and its standard uncertainty from noise.

    Notes
    -----
    Weinstein E, Weiss AJ 1984, IEEE Trans ASSP 32:1064: the carrier sharpens the delay by
    sqrt(1 + (f0/B_rms)^2) where its ambiguity is resolved.
    """
    windows = gather_windows(traces, trace_idx, sample_idx)
    if windows.matched is None:
        raise ParameterError("a phase shift needs RF; this recording holds envelopes")
    picks = _matched_filter(windows, PickerOptions())
    # One column for all, so that a shift of the echo is a turn of the phase.
    centre = float(np.nanmean(picks.sample))
    z = _interpolate(
        windows.matched
        * np.exp(
            -2j
            * np.pi
            * windows.pulse.centre_frequency_hz
            / windows.pulse.sampling_rate_hz
            * (windows.first_sample[:, None] + np.arange(windows.matched.shape[1]))
        ),
        centre - windows.first_sample,
    )
    mean = np.sum(z)
    turn = np.angle(z * np.conj(mean))
    omega_per_us = 2.0 * np.pi * windows.pulse.centre_frequency_hz * 1e-6
    with np.errstate(divide="ignore"):
        u_us = windows.matched_noise / np.abs(z) / omega_per_us
    return -turn / omega_per_us, u_us
