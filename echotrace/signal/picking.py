"""Delays of echoes, to a small fraction of a sample, each with its standard uncertainty.

A picker takes the surroundings of echoes that were already found and says exactly where each is.
Pickers measure different things (the peak, the middle of the rise, the onset); the constant
between what one measures and the centre of the pulse is calibrated on the template itself, so that
all of them agree on an undistorted echo. What then differs is how noise, overlap and distortion
move them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace._renamed import old_keywords
from echotrace.errors import ParameterError
from echotrace.extensions import Registry, takes
from echotrace.recording import Signal
from echotrace.signal.conditioning import Conditioned
from echotrace.signal.envelope import EnvelopeMethod
from echotrace.signal.pickers.edges import (
    read_edge_fraction,
    read_edge_level,
    read_steepest_slope,
)
from echotrace.signal.pickers.onset import read_akaike_onset
from echotrace.signal.pickers.overlap import read_least_squares
from echotrace.signal.pickers.peaks import read_envelope_peak, read_matched_filter
from echotrace.signal.pickers.template import (
    TemplateKey,
    template_key,
    template_key_of,
    template_traces,
)
from echotrace.signal.pickers.windows import (
    EchoWindows,
    PickerSettings,
    PickReason,
    Picks,
    gather_windows,
    interpolate,
    skirt_samples,
)
from echotrace.signal.pulse import Pulse

__all__ = [
    "PICKERS",
    "EchoWindows",
    "PickReason",
    "Picker",
    "PickerSettings",
    "Picks",
    "calibrated_offset_sample",
    "gather_windows",
    "phase_shift_us",
    "pick_echoes",
    "picker_named",
    "register_picker",
    "skirt_samples",
]

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Picker:
    """One way of reading a delay.

    Attributes
    ----------
    read : callable
        ``read(windows, settings) -> Picks``.
    convention : str
        What it measures before calibration: ``peak``, ``half height``, ``level``, ``steepest
        rise`` or ``onset``.
    needs_rf : bool

    Examples
    --------
    >>> from echotrace.signal.picking import PICKERS
    >>> PICKERS["steepest_slope"].convention, PICKERS["least_squares"].needs_rf
    ('steepest rise', True)
    """

    read: Callable[[EchoWindows, PickerSettings], Picks]
    convention: str
    needs_rf: bool = False


PICKERS: Mapping[str, Picker] = MappingProxyType(
    {
        "matched_filter": Picker(read_matched_filter, "peak"),
        "least_squares": Picker(read_least_squares, "peak", needs_rf=True),
        "envelope_peak": Picker(read_envelope_peak, "peak"),
        "leading_edge_fraction": Picker(read_edge_fraction, "half height"),
        "leading_edge_level": Picker(read_edge_level, "level"),
        "steepest_slope": Picker(read_steepest_slope, "steepest rise"),
        "akaike_onset": Picker(read_akaike_onset, "onset", needs_rf=True),
    }
)
"""The pickers that are built in, by name. ``matched_filter`` is the default."""


def _checked_picker(name: str, given: Any) -> Picker:
    found = given if isinstance(given, Picker) else Picker(given, "peak")
    if not takes(found.read, 2):
        raise ParameterError(
            f"picker {name!r}: must be a function of (windows, settings) that gives Picks, or a "
            "Picker of one"
        )
    return found


_REGISTRY = Registry("picker", "echotrace.pickers", PICKERS, _checked_picker)


def register_picker(
    name: str,
    read: Callable[[EchoWindows, PickerSettings], Picks],
    *,
    convention: str = "peak",
    needs_rf: bool = False,
) -> None:
    """Add a picker for this session; a package adds one by an entry point ``echotrace.pickers``.

    Its constant offset is worked out on the template, as that of the pickers built in.

    Parameters
    ----------
    name : str
        By which settings and :func:`pick_echoes` know it.
    read : callable
        ``read(windows, settings) -> Picks``, all echoes at once, positions in samples of the trace.
    convention : str
        What it measures, as :class:`Picker` has it.
    needs_rf : bool

    Raises
    ------
    ParameterError
        A name that is taken or cannot be one, or a function that takes other arguments.

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> def tallest_sample(windows, settings):
    ...     first = windows.at - 10
    ...     column = first + windows.envelope[:, first : first + 21].argmax(axis=1)
    ...     reason = np.zeros(windows.n, np.uint8)
    ...     return et.Picks(windows.first_sample + column, np.full(windows.n, 0.3), reason)
    >>> et.register_picker("tallest_sample", tallest_sample)
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> settings = et.Settings.from_table({"picking": {"picker": "tallest_sample"}})
    >>> et.measure(recording, settings).axial_length_mm[0].round(1)
    np.float64(23.4)
    """
    _REGISTRY.register(name, Picker(read, convention, needs_rf))


def picker_named(name: str) -> Picker:
    """A picker: built in, registered in this session, or of an installed package.

    Parameters
    ----------
    name : str

    Returns
    -------
    Picker

    Raises
    ------
    ParameterError
        There is none of that name, or its package is broken.

    Examples
    --------
    >>> from echotrace.signal.picking import picker_named
    >>> picker_named("matched_filter").convention
    'peak'
    """
    return _REGISTRY.get(name)


def _picks_of(name: str, windows: EchoWindows, settings: PickerSettings) -> Picks:
    """What a picker reads; of one from outside, its form is checked."""
    read = picker_named(name).read
    if name in PICKERS:
        return read(windows, settings)
    try:
        picks = read(windows, settings)
    # A function of others may fail in any way.
    except Exception as error:
        raise ParameterError(f"picker {name!r} failed ({type(error).__name__}: {error})") from error
    wrong = not isinstance(picks, Picks) or any(
        np.shape(getattr(picks, part)) != (windows.n,) for part in ("sample", "u_sample", "reason")
    )
    if wrong:
        raise ParameterError(
            f"picker {name!r} must give Picks of three arrays, one value for each of its windows"
        )
    return picks


@lru_cache(maxsize=128)
def _offset_sample(name: str, settings: PickerSettings, key: TemplateKey) -> float:
    """Mean of (reading - centre of the pulse) over all fractions of a sample, no noise."""
    if name == "akaike_onset":
        return 0.0  # its table holds the offset, which changes with the noise
    traces, truth = template_traces(key, 32, noise_to_amplitude=0.0, rng=None)
    windows = gather_windows(traces, np.arange(32), np.rint(truth).astype(np.intp))
    return float(np.mean(_picks_of(name, windows, settings).sample - truth))


@old_keywords(options="settings")
def calibrated_offset_sample(
    pulse: Pulse,
    envelope_method: EnvelopeMethod,
    bandwidth_hz: float,
    signal: Signal,
    *,
    picker: str = "matched_filter",
    settings: PickerSettings | None = None,
) -> float:
    """What a picker measures less the centre of the pulse, samples, worked out on the template.

    Parameters
    ----------
    pulse : Pulse
    envelope_method : {"analytic", "quadrature", "rectified"}
    bandwidth_hz : float
        Of the plain envelope, Hz.
    signal : Signal
    picker : str
        One of :data:`PICKERS`, or one registered.
    settings : PickerSettings, optional

    Returns
    -------
    float
        Samples; negative for a picker that reads before the centre.

    Examples
    --------
    >>> from echotrace.recording import Signal
    >>> from echotrace.signal.picking import calibrated_offset_sample
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> given = pulse, "quadrature", 9e6, Signal.RF
    >>> round(calibrated_offset_sample(*given, picker="steepest_slope"), 1)
    -7.6
    """
    key = template_key(pulse, envelope_method, bandwidth_hz, signal)
    return _offset_sample(picker, settings or PickerSettings(), key)


@old_keywords(options="settings")
def pick_echoes(
    traces: Conditioned,
    trace_idx: NDArray[np.integer] | int | None,
    sample_idx: NDArray[np.integer],
    *,
    picker: str = "matched_filter",
    settings: PickerSettings | None = None,
) -> Picks:
    """Read the delay of echoes.

    Parameters
    ----------
    traces : Conditioned
    trace_idx : ndarray of int, int or None
        Trace of each echo; broadcasts against ``sample_idx``. None: row ``i`` of ``sample_idx``
        belongs to trace ``i``, or all of it to the one trace that there is.
    sample_idx : ndarray of int, (n,) or (n_traces, n)
        Sample of each echo's maximum in the matched envelope; below zero where there is no echo.
    picker : str
        One of :data:`PICKERS`, or one registered.
    settings : PickerSettings, optional

    Returns
    -------
    Picks
        Positions of the centre of the pulse, whatever the picker measures; of the shape of
        ``sample_idx``.

    Raises
    ------
    ParameterError
        An echo of a trace or at a sample that is not there, an unknown picker, or one that needs RF
        on a recording of envelopes.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.recording import Signal
    >>> from echotrace.signal.conditioning import condition
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> rf = np.pad(pulse.analytic.real, 300)[None]
    >>> traces = condition(rf, rf > 2.0, signal=Signal.RF, sampling_rate_hz=100e6,
    ...                    start_delay_us=0.0, pulse=pulse)
    >>> from echotrace.signal.picking import pick_echoes
    >>> picks = pick_echoes(traces, np.array([0]), np.array([329]))
    >>> picks.sample.round(1).tolist(), bool(picks.u_sample[0] < 0.01)
    ([329.0], True)
    """
    if traces.rf is None and picker_named(picker).needs_rf:
        raise ParameterError(f"picker {picker!r} needs RF; this recording holds envelopes")
    settings = settings or PickerSettings()
    rows, samples = _placed(traces, trace_idx, sample_idx)
    wanted = samples >= 0
    if wanted.all():
        return _read(traces, rows, samples, picker, settings)
    found = _read(traces, rows[wanted], samples[wanted], picker, settings)
    sample, u_sample = np.full(samples.shape, np.nan), np.full(samples.shape, np.nan)
    reason = np.full(samples.shape, int(PickReason.NO_ECHO), np.uint8)
    sample[wanted], u_sample[wanted], reason[wanted] = found.sample, found.u_sample, found.reason
    return Picks(sample, u_sample, reason)


def _placed(
    traces: Conditioned, trace_idx: NDArray[np.integer] | int | None, sample_idx: ArrayLike
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Trace and sample of each echo, of one shape, checked."""
    n_traces, n_samples = traces.envelope.shape
    samples = np.asarray(sample_idx)
    if samples.dtype.kind not in "iu":
        raise ParameterError(f"sample_idx must hold whole numbers, not {samples.dtype}")
    if trace_idx is None:
        if samples.ndim == 2 and samples.shape[0] == n_traces:
            trace_idx = np.arange(n_traces)[:, None]
        elif samples.ndim == 1 and n_traces == 1:
            trace_idx = 0
        else:
            raise ParameterError(
                f"sample_idx has shape {samples.shape}; for {n_traces} traces give "
                f"({n_traces}, n), or say the trace of each echo (trace_idx)"
            )
    try:
        rows, samples = np.broadcast_arrays(trace_idx, samples)
    except ValueError:
        raise ParameterError(
            f"trace_idx has shape {np.shape(trace_idx)}, sample_idx {samples.shape}; they must "
            "fit each other"
        ) from None
    for name, values, most in (("trace_idx", rows, n_traces), ("sample_idx", samples, n_samples)):
        if values.size and (values.max() >= most or (name == "trace_idx" and values.min() < 0)):
            raise ParameterError(f"{name} must lie between 0 and {most - 1}")
    return np.asarray(rows, np.intp), np.asarray(samples, np.intp)


def _read(
    traces: Conditioned,
    rows: NDArray[np.intp],
    samples: NDArray[np.intp],
    picker: str,
    settings: PickerSettings,
) -> Picks:
    """What a picker reads of echoes that are there, less its constant offset."""
    windows = gather_windows(traces, rows.ravel(), samples.ravel())
    picks = _picks_of(picker, windows, settings)
    sample = picks.sample - _offset_sample(picker, settings, template_key_of(windows))
    shape = rows.shape
    return Picks(sample.reshape(shape), picks.u_sample.reshape(shape), picks.reason.reshape(shape))


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

    Raises
    ------
    ParameterError
        The recording holds envelopes.

    Notes
    -----
    Weinstein E, Weiss AJ 1984, IEEE Trans ASSP 32:1064: the carrier sharpens the delay by
    sqrt(1 + (f0/B_rms)^2) where its ambiguity is resolved.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.recording import Signal
    >>> from echotrace.signal.pickers.template import template_key, template_traces
    >>> from echotrace.signal.picking import phase_shift_us
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> key = template_key(gaussian_pulse(100e6, 10e6, 0.6), "quadrature", 9e6, Signal.RF)
    >>> traces, truth = template_traces(key, 2, noise_to_amplitude=0.0, rng=None)
    >>> shift_us, u_us = phase_shift_us(traces, np.arange(2), np.rint(truth).astype(int))
    >>> round(float(shift_us[1] - shift_us[0]), 4)  # half a sample
    0.005
    """
    windows = gather_windows(traces, trace_idx, sample_idx)
    if windows.matched is None:
        raise ParameterError("a phase shift needs RF; this recording holds envelopes")
    picks = read_matched_filter(windows, PickerSettings())
    # One column for all, so that a shift of the echo is a turn of the phase.
    centre = float(np.nanmean(picks.sample))
    z = interpolate(
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
