"""Every picker on isolated echoes of known delay, beside the least error there can be."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.bounds.delay import delay_bound
from echotrace.bounds.outside import OutsidePicker, outside_delays
from echotrace.errors import ParameterError
from echotrace.recording import Column, Probe, Recording, Signal
from echotrace.signal.conditioning import Conditioned, condition
from echotrace.signal.envelope import analytic_signal
from echotrace.signal.picking import PICKERS, PickerSettings, pick_echoes, picker_named
from echotrace.signal.pulse import (
    HALF_HEIGHT_OVER_RMS,
    Pulse,
    estimate_pulse,
    gaussian_pulse,
)

__all__ = ["PickerErrors", "isolated_echoes", "picker_errors"]

Float = NDArray[np.float64]

# The probe as it is described lies off by this much in frequency and in band: the template is to
# be found, not given.
_FREQUENCY_OFF, _BAND_OFF = 1.08, 0.88
# Echoes from which a template is taken, as the chain takes them.
_TEMPLATE_ECHOES = 256
_SEARCH_US = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PickerErrors:
    """How one picker did at several signal to noise ratios.

    Attributes
    ----------
    picker : str
    outside : bool
        It is not one of ours.
    convention : str
        What it measures: peak, half height, onset, …; empty for one that is not ours.
    snr_db : ndarray of float64, (n,)
        Peak of the envelope over the standard deviation of the noise of one sample, dB.
    bias_us, sd_us, rmse_us : ndarray of float64, (n,)
        Of (reading - centre of the pulse), µs, where something was found.
    stated_us : ndarray of float64, (n,)
        Root mean square of the stated standard uncertainty, µs; NaN where none is stated.
    found : ndarray of float64, (n,)
        Share of echoes for which there is a reading.
    bound_us : ndarray of float64, (n,)
        Phase-free Cramér-Rao bound, µs.
    n : int
        Echoes at each ratio.
    us_per_trace : float
        Time taken, µs a trace, on this machine; conditioning not counted for our own.

    Examples
    --------
    >>> import echotrace as et
    >>> errors = et.picker_errors([30.0], n=64, pickers=["matched_filter"])
    >>> errors[0].picker, errors[0].outside, bool(errors[0].ratio[0] < 1.5)
    ('matched_filter', False, True)
    """

    picker: str
    outside: bool
    convention: str
    snr_db: Float
    bias_us: Float
    sd_us: Float
    rmse_us: Float
    stated_us: Float
    found: Float
    bound_us: Float
    n: int
    us_per_trace: float

    @property
    def ratio(self) -> Float:
        """Root mean square error over the bound."""
        return self.rmse_us / self.bound_us


def picker_errors(
    snr_db: ArrayLike,
    *,
    pulse: Pulse | None = None,
    n: int = 2000,
    pickers: Sequence[str] | None = None,
    outside: Mapping[str, OutsidePicker] | None = None,
    settings: PickerSettings | None = None,
    template: str = "estimated",
    seed: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> list[PickerErrors]:
    """Pick isolated echoes of known delay in white noise with every picker, ours and others.

    Parameters
    ----------
    snr_db : array_like, (k,)
        Peak of the envelope over the standard deviation of the noise of one sample, dB.
    pulse : Pulse, optional
        The true pulse; None: Gaussian, 10 MHz, 60 %, at 100 MHz.
    n : int
        Echoes at each ratio, each at a delay and phase of its own.
    pickers : sequence of str, optional
        Built in or registered; None: all that are built in.
    outside : mapping of str to callable, optional
        See :mod:`echotrace.bounds.outside`; they see the same traces.
    settings : PickerSettings, optional
    template : {"estimated", "described", "known"}
        The template of our own pickers: estimated from the first echoes of the same traces by a
        first guess 8 % off in frequency and 12 % in band; that guess itself; or the true pulse.
    seed : int
    progress : callable, optional
        Called with (ratios done, ratios in all).

    Returns
    -------
    list of PickerErrors
        In the order asked for, outside pickers last.

    Raises
    ------
    ParameterError
        An unknown picker or template, too few echoes, or an outside picker named as ours.

    Notes
    -----
    The echo is looked for as the tallest within ±0.5 µs of the trace's middle, where it evenly
    lies: gross errors at low ratios count.

    Examples
    --------
    >>> import echotrace as et
    >>> (errors,) = et.picker_errors([20.0], n=32, pickers=["envelope_peak"], template="known")
    >>> errors.rmse_us.shape, float(errors.found[0])
    ((1,), 1.0)
    """
    levels = np.atleast_1d(np.asarray(snr_db, np.float64))
    pulse = pulse or gaussian_pulse(100e6, 10e6, 0.6)
    names = list(PICKERS if pickers is None else pickers)
    known = {name: picker_named(name) for name in names}
    if template not in ("estimated", "described", "known"):
        raise ParameterError(f"template={template!r}: use estimated, described or known")
    if n < 16:
        raise ParameterError(f"n={n!r} must be at least 16 echoes")
    others = dict(outside or {})
    if set(others) & set(PICKERS):
        raise ParameterError(f"outside: {sorted(set(others) & set(PICKERS))[0]!r} is one of ours")
    rows: dict[str, list[tuple[float, ...]]] = {name: [] for name in (*names, *others)}
    spent = dict.fromkeys(rows, 0.0)
    rng = np.random.default_rng(seed)
    for k, level in enumerate(levels):
        rf, truth_us = isolated_echoes(pulse, float(level), n, rng)
        traces, sample = _conditioned(rf, pulse, template)
        for name in names:
            begin = time.perf_counter()
            picks = pick_echoes(traces, np.arange(n), sample, picker=name, settings=settings)
            spent[name] += time.perf_counter() - begin
            rows[name].append(
                _summary(
                    traces.to_delay_us(picks.sample), picks.u_sample * traces.step_us, truth_us
                )
            )
        recording = _recording(rf, pulse) if others else None
        for name, picker in others.items():
            assert recording is not None
            begin = time.perf_counter()
            delay_us, u_us = outside_delays(picker, recording, name)
            spent[name] += time.perf_counter() - begin
            rows[name].append(_summary(delay_us, u_us, truth_us))
        if progress is not None:
            progress(k + 1, levels.size)
    bound_us = delay_bound(pulse, levels)
    return [
        PickerErrors(
            picker=name,
            outside=name in others,
            convention="" if name in others else known[name].convention,
            snr_db=levels,
            n=n,
            bound_us=bound_us,
            us_per_trace=1e6 * spent[name] / (n * levels.size),
            **dict(
                zip(
                    ("bias_us", "sd_us", "rmse_us", "stated_us", "found"),
                    np.array(found).T,
                    strict=True,
                )
            ),
        )
        for name, found in rows.items()
    ]


def isolated_echoes(
    pulse: Pulse, snr_db: float, n: int, rng: np.random.Generator, *, height: float = 1.0
) -> tuple[NDArray[np.float32], Float]:
    """Traces of one echo each, at any delay and phase, in white noise.

    Parameters
    ----------
    pulse : Pulse
    snr_db : float
        Peak of an envelope of height one over the standard deviation of a sample, dB.
    n : int
    rng : numpy.random.Generator
    height : float
        Of the echoes; 0: noise alone.

    Returns
    -------
    rf : ndarray of float32, (n, n_samples)
    truth_us : ndarray of float64, (n,)
        Delay of each echo, evenly within ±0.5 µs of the trace's middle.

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> from echotrace.bounds.picker_trials import isolated_echoes
    >>> rf, truth_us = isolated_echoes(
    ...     et.gaussian_pulse(100e6, 10e6, 0.6), 30.0, 4, np.random.default_rng(1))
    >>> rf.shape[0], truth_us.shape
    (4, (4,))
    """
    step_us = 1e6 / pulse.sampling_rate_hz
    size = round((_SEARCH_US + 30.0 * pulse.width_us) / step_us) + 4 * pulse.analytic.size
    truth = 0.5 * size + (rng.random(n) - 0.5) * _SEARCH_US / step_us
    padded = np.zeros(size, np.complex128)
    padded[: pulse.analytic.size] = pulse.analytic
    spectrum = np.fft.fft(padded) * np.exp(2j * np.pi * np.fft.fftfreq(size) * pulse.half_length)
    rf = np.empty((n, size), np.float32)
    for start in range(0, n, 256):
        rows = slice(start, start + 256)
        turn = np.exp(-2j * np.pi * np.fft.fftfreq(size) * truth[rows, None])
        phase = np.exp(2j * np.pi * rng.random((turn.shape[0], 1)))
        noise = 10.0 ** (-snr_db / 20.0) * rng.standard_normal(turn.shape)
        rf[rows] = height * np.fft.ifft(spectrum * turn * phase, axis=1).real + noise
    return rf, truth * step_us


def _conditioned(
    rf: NDArray[np.float32], pulse: Pulse, template: str
) -> tuple[Conditioned, NDArray[np.intp]]:
    """Traces filtered with the template, and the tallest sample near the middle of each."""
    described = _described(pulse)
    guess = gaussian_pulse(
        pulse.sampling_rate_hz, described.centre_frequency_hz, described.fractional_bandwidth
    )
    if template == "known":
        return _filtered(rf, pulse)
    if template == "described":
        return _filtered(rf, guess)
    few = rf[:_TEMPLATE_ECHOES]
    found = guess
    # The second pass aligns the echoes with the first one's pulse, which fits them better.
    for _ in range(2):
        traces, sample = _filtered(few, found)
        picks = pick_echoes(traces, np.arange(few.shape[0]), sample)
        usable = np.flatnonzero(np.isfinite(picks.sample))
        found = estimate_pulse(analytic_signal(few), usable, picks.sample[usable], guess)
    return _filtered(rf, found)


def _filtered(rf: NDArray[np.float32], pulse: Pulse) -> tuple[Conditioned, NDArray[np.intp]]:
    traces = condition(
        rf,
        np.zeros(rf.shape, np.bool_),
        signal=Signal.RF,
        sampling_rate_hz=pulse.sampling_rate_hz,
        start_delay_us=0.0,
        pulse=pulse,
    )
    half = round(0.5 * _SEARCH_US / traces.step_us) + 1
    low = rf.shape[1] // 2 - half
    window = traces.matched_envelope[:, low : low + 2 * half + 1]
    return traces, (low + np.argmax(window, axis=1)).astype(np.intp)


def _described(pulse: Pulse) -> Probe:
    """The probe as its papers describe it, a little off."""
    band = HALF_HEIGHT_OVER_RMS * pulse.rms_bandwidth_hz / pulse.centre_frequency_hz
    return Probe(
        centre_frequency_hz=_FREQUENCY_OFF * pulse.centre_frequency_hz,
        fractional_bandwidth=_BAND_OFF * band,
    )


def _recording(rf: NDArray[np.float32], pulse: Pulse) -> Recording:
    return Recording(
        samples=rf,
        sampling_rate_hz=pulse.sampling_rate_hz,
        start_delay_us=0.0,
        method=cast("Column", "other"),
        target=cast("Column", "isolated echo"),
        probe=_described(pulse),
    )


def _summary(delay_us: Float, u_us: Float, truth_us: Float) -> tuple[float, ...]:
    error = delay_us - truth_us
    found = np.isfinite(error)
    if not found.any():
        return (np.nan, np.nan, np.nan, np.nan, 0.0)
    error, stated = error[found], u_us[found]
    known = np.isfinite(stated)
    return (
        float(error.mean()),
        float(error.std()),
        float(np.sqrt(np.mean(error**2))),
        float(np.sqrt(np.mean(stated[known] ** 2))) if known.any() else np.nan,
        float(found.mean()),
    )
