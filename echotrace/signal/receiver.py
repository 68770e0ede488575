"""The receiver, forwards and backwards: gain, time gain compensation, clipping, converter.

Forwards (:func:`apply_receiver`) it makes samples from the amplitude at the receiver's input;
backwards (:func:`undo_receiver`) it gives that amplitude again and marks what was clipped on the
way, for a clipped sample says only "at least this much".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.errors import ParameterError
from echotrace.recording import Receiver

__all__ = [
    "Undone",
    "apply_receiver",
    "clipped_samples",
    "clipping_level",
    "lsb_amplitude",
    "db_to_ratio",
    "inverse_gain",
    "log_compress",
    "ratio_to_db",
    "tgc_db",
    "undo_receiver",
]

# Flat tops shorter than this are crests of small, coarsely converted echoes, not clipping.
_FLAT_TOP_SAMPLES = 3


def db_to_ratio(level_db: ArrayLike) -> NDArray[np.float64]:
    """Amplitude ratio of a level in dB (20 dB is a factor of ten).

    Parameters
    ----------
    level_db : array_like
        dB.

    Returns
    -------
    ndarray of float64, same shape

    Examples
    --------
    >>> from echotrace.signal.receiver import db_to_ratio
    >>> db_to_ratio([0.0, 20.0, -40.0]).tolist()
    [1.0, 10.0, 0.01]
    """
    return np.asarray(10.0 ** (np.asarray(level_db, np.float64) / 20.0))


def ratio_to_db(ratio: ArrayLike) -> NDArray[np.float64]:
    """Level in dB of an amplitude ratio; zero gives minus infinity, a negative ratio NaN.

    Parameters
    ----------
    ratio : array_like
        Amplitude over a reference.

    Returns
    -------
    ndarray of float64, same shape
        dB.

    Examples
    --------
    >>> from echotrace.signal.receiver import ratio_to_db
    >>> ratio_to_db([1.0, 10.0, 0.0]).tolist()
    [0.0, 20.0, -inf]
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(20.0 * np.log10(np.asarray(ratio, np.float64)))


def tgc_db(delay_us: ArrayLike, receiver: Receiver | None) -> NDArray[np.float64]:
    """Time gain at each delay (µs), dB: straight lines between the nodes, level beyond them.

    Parameters
    ----------
    delay_us : array_like
        Two-way delay, µs.
    receiver : Receiver or None
        None, or one without nodes, has no time gain.

    Returns
    -------
    ndarray of float64, same shape
        dB.

    Examples
    --------
    >>> from echotrace.recording import Receiver
    >>> from echotrace.signal.receiver import tgc_db
    >>> receiver = Receiver(tgc_delay_us=(2.0, 6.0), tgc_gain_db=(0.0, 20.0))
    >>> tgc_db([0.0, 4.0, 9.0], receiver).tolist()
    [0.0, 10.0, 20.0]
    """
    delay = np.asarray(delay_us, np.float64)
    if receiver is None or not receiver.tgc_delay_us:
        return np.zeros_like(delay)
    return np.asarray(np.interp(delay, receiver.tgc_delay_us, receiver.tgc_gain_db))


def _trace_gain(gain_db: ArrayLike, n_traces: int) -> NDArray[np.float64]:
    """Gain of each trace as a ratio; NaN counts as 0 dB."""
    gain = np.atleast_1d(np.asarray(gain_db, np.float64))
    if gain.size not in (1, n_traces):
        raise ParameterError(f"gain_db: {gain.size} values for {n_traces} traces")
    return np.broadcast_to(db_to_ratio(np.where(np.isnan(gain), 0.0, gain)), (n_traces,))


def _gain_ratio(
    delay_us: ArrayLike, receiver: Receiver | None, gain_db: ArrayLike, n_traces: int
) -> NDArray[np.float32]:
    """Gain of every sample as a ratio, (n_traces, n_samples) or (1, n_samples), float32."""
    trace_ratio = _trace_gain(gain_db, n_traces)[:, None].astype(np.float32)
    return np.asarray(trace_ratio * db_to_ratio(tgc_db(delay_us, receiver)).astype(np.float32))


def _limit(bits: int) -> int:
    return int(2 ** (bits - 1) - 1)


def inverse_gain(
    delay_us: ArrayLike, receiver: Receiver | None, gain_db: ArrayLike, n_traces: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What samples are to be multiplied by to undo the receiver: a factor a trace and one a sample.

    Parameters
    ----------
    delay_us : array_like, (n_samples,)
        Delay of each sample, µs.
    receiver : Receiver or None
        None: samples are taken as they are, but for the gain of the traces.
    gain_db : float or array_like, (n_traces,)
        Gain of each trace, dB. NaN counts as 0 dB.
    n_traces : int

    Returns
    -------
    trace_scale : ndarray of float32, (n_traces,)
    sample_scale : ndarray of float32, (n_samples,)

    Raises
    ------
    ParameterError
        As many gains as neither one nor traces.

    Examples
    --------
    >>> from echotrace.recording import Receiver
    >>> from echotrace.signal.receiver import inverse_gain
    >>> receiver = Receiver(full_scale=2.0, bits=0)
    >>> trace_scale, sample_scale = inverse_gain([0.0, 1.0], receiver, 20.0, 1)
    >>> trace_scale.round(3).tolist(), sample_scale.tolist()
    ([0.10000000149011612], [1.0, 1.0])
    """
    scale = 1.0
    if receiver is not None and receiver.bits:
        scale = receiver.full_scale / _limit(receiver.bits)
    trace_scale = (scale / _trace_gain(gain_db, n_traces)).astype(np.float32)
    return trace_scale, (1.0 / db_to_ratio(tgc_db(delay_us, receiver))).astype(np.float32)


def lsb_amplitude(
    dtype: np.dtype[np.generic], trace_scale: NDArray[np.float32], sample_scale: NDArray[np.float32]
) -> NDArray[np.float64]:
    """Amplitude of one LSB of the converter as it is seen in the middle of each trace, (n_traces,).

    Parameters
    ----------
    dtype : dtype
        Of the samples; those stored as floats have none.
    trace_scale, sample_scale : ndarray of float32
        From :func:`inverse_gain`.

    Returns
    -------
    ndarray of float64, (n_traces,)
        In the units of the amplitude.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.recording import Receiver
    >>> from echotrace.signal.receiver import inverse_gain, lsb_amplitude
    >>> scales = inverse_gain(np.arange(3.0), Receiver(full_scale=1.0, bits=12), 0.0, 1)
    >>> (1.0 / lsb_amplitude(np.dtype(np.int16), *scales)).round(1).tolist()
    [2047.0]
    """
    whole = float(np.issubdtype(dtype, np.integer))
    return np.asarray(whole * np.median(sample_scale) * trace_scale.astype(np.float64))


def clipping_level(dtype: np.dtype[np.generic], receiver: Receiver) -> float:
    """Magnitude from which a stored sample counts as clipped.

    Parameters
    ----------
    dtype : dtype
        Of the samples: int16 counts, or float32.
    receiver : Receiver

    Returns
    -------
    float
        Counts, or the units of ``receiver.full_scale``.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.recording import Receiver
    >>> from echotrace.signal.receiver import clipping_level
    >>> clipping_level(np.dtype(np.int16), Receiver(full_scale=1.0, bits=12))
    2047.0
    """
    limit = _limit(receiver.bits) if receiver.bits else receiver.full_scale * (1.0 - 1e-6)
    # The largest float32 below full scale would be missed by >= after rounding, hence the 1e-6.
    return float(np.int16(limit)) if dtype == np.int16 else float(np.float32(limit))


def apply_receiver(
    amplitude: ArrayLike, delay_us: ArrayLike, receiver: Receiver, gain_db: ArrayLike = 0.0
) -> NDArray[np.int16] | NDArray[np.float32]:
    """Make samples of the amplitude at the receiver's input.

    Parameters
    ----------
    amplitude : array_like, (n_traces, n_samples)
        In the units of ``receiver.full_scale``.
    delay_us : array_like, (n_samples,)
        Delay of each sample, µs.
    receiver : Receiver
    gain_db : float or array_like, (n_traces,)
        Gain of each trace, dB. NaN counts as 0 dB.

    Returns
    -------
    ndarray of int16 or float32, (n_traces, n_samples)
        Counts, clipped at ± (2^(bits-1) - 1); with ``bits=0`` floats clipped at full scale.

    Raises
    ------
    ParameterError
        The amplitude is not two-dimensional, or as many gains as neither one nor traces.

    Examples
    --------
    >>> from echotrace.recording import Receiver
    >>> from echotrace.signal.receiver import apply_receiver
    >>> receiver = Receiver(full_scale=1.0, bits=8)
    >>> apply_receiver([[0.25, 0.5, -2.0]], [0.0, 1.0, 2.0], receiver).tolist()
    [[32, 64, -127]]
    """
    signal = np.asarray(amplitude, np.float32)
    if signal.ndim != 2:
        raise ParameterError(f"amplitude must be (n_traces, n_samples), got shape {signal.shape}")
    amplified = signal * _gain_ratio(delay_us, receiver, gain_db, signal.shape[0])
    if receiver.bits == 0:
        full_scale = np.float32(receiver.full_scale)
        return np.asarray(np.clip(amplified, -full_scale, full_scale), np.float32)
    limit = _limit(receiver.bits)
    counts = np.rint(amplified * np.float32(limit / receiver.full_scale))
    return np.asarray(np.clip(counts, -limit, limit), np.int16)


def clipped_samples(samples: NDArray[np.generic], receiver: Receiver | None) -> NDArray[np.bool_]:
    """Mark samples that stand at the converter's limit.

    Parameters
    ----------
    samples : ndarray, (n_traces, n_samples)
    receiver : Receiver or None
        Where it is None the limit is not known: then runs of three or more equal samples at a
        trace's own largest or smallest value are taken for clipped.

    Returns
    -------
    ndarray of bool, (n_traces, n_samples)

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.receiver import clipped_samples
    >>> clipped_samples(np.array([[0.0, 0.7, 0.7, 0.7, 0.2]]), None).tolist()
    [[True, True, True, True, False]]
    """
    if receiver is None:
        return _flat_tops(samples)
    level = clipping_level(samples.dtype, receiver)
    if samples.dtype == np.int16:
        count = np.int16(level)
        return np.asarray((samples >= count) | (samples <= -count), np.bool_)
    return np.asarray(np.abs(samples) >= np.float32(level), np.bool_)


def _flat_tops(samples: NDArray[np.generic]) -> NDArray[np.bool_]:
    extreme = (samples == samples.max(axis=1, keepdims=True)) | (
        samples == samples.min(axis=1, keepdims=True)
    )
    # A run is long enough where its start, middle and end windows all lie in `extreme`.
    window = np.lib.stride_tricks.sliding_window_view(extreme, _FLAT_TOP_SAMPLES, axis=1)
    full = window.all(axis=-1)
    clipped = np.zeros(samples.shape, np.bool_)
    for k in range(_FLAT_TOP_SAMPLES):
        clipped[:, k : k + full.shape[1]] |= full
    return clipped


@dataclass(frozen=True, slots=True)
class Undone:
    """What :func:`undo_receiver` gives.

    Attributes
    ----------
    amplitude : ndarray of float32, (n_traces, n_samples)
        At the receiver's input, in units of full scale at 0 dB; relative units where the receiver
        is not known. A clipped sample holds the clipping level: a lower bound, no amplitude.
    clipped : ndarray of bool, (n_traces, n_samples)

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.recording import Receiver
    >>> from echotrace.signal.receiver import undo_receiver
    >>> undone = undo_receiver(np.array([[64, 127]], np.int16), [0.0, 1.0], Receiver(bits=8))
    >>> undone.amplitude.round(2).tolist(), undone.clipped.tolist()
    ([[0.5, 1.0]], [[False, True]])
    """

    amplitude: NDArray[np.float32]
    clipped: NDArray[np.bool_]


def undo_receiver(
    samples: NDArray[np.generic],
    delay_us: ArrayLike,
    receiver: Receiver | None,
    gain_db: ArrayLike = 0.0,
) -> Undone:
    """Give the amplitude at the receiver's input, and mark the samples that were clipped.

    Parameters
    ----------
    samples : ndarray of int16 or float32, (n_samples,) or (n_traces, n_samples)
    delay_us : array_like, (n_samples,)
        Delay of each sample, µs.
    receiver : Receiver or None
        None: samples are passed on in relative units, flat tops marked.
    gain_db : float or array_like, (n_traces,)
        Gain of each trace, dB. NaN counts as 0 dB.

    Returns
    -------
    Undone
        Of the shape of the samples.

    Raises
    ------
    ParameterError
        The samples have neither one nor two dimensions, or as many gains as neither one nor traces.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.recording import Receiver
    >>> from echotrace.signal.receiver import undo_receiver
    >>> samples = np.array([[64, 127]], np.int16)
    >>> undone = undo_receiver(samples, [0.0, 1.0], Receiver(bits=8), gain_db=20.0)
    >>> undone.amplitude.round(3).tolist()
    [[0.05000000074505806, 0.10000000149011612]]
    """
    samples = np.asarray(samples)
    if samples.ndim == 1:
        one = undo_receiver(samples[None], delay_us, receiver, gain_db)
        return Undone(one.amplitude[0], one.clipped[0])
    if samples.ndim != 2:
        raise ParameterError(
            f"samples must be (n_samples,) or (n_traces, n_samples), got shape {samples.shape}"
        )
    clipped = clipped_samples(samples, receiver)
    trace_scale, sample_scale = inverse_gain(delay_us, receiver, gain_db, samples.shape[0])
    amplitude = samples.astype(np.float32)
    amplitude *= sample_scale
    amplitude *= trace_scale[:, None]
    return Undone(amplitude, clipped)


def log_compress(
    envelope: ArrayLike, *, reference: float | ArrayLike = 1.0, floor_db: float = -80.0
) -> NDArray[np.float32]:
    """Envelope in dB relative to a reference amplitude, never below ``floor_db``.

    Parameters
    ----------
    envelope : array_like
        Magnitudes, zero or more.
    reference : float or array_like
        Amplitude of 0 dB, positive; broadcasts against ``envelope``.
    floor_db : float
        Level at which the display ends, dB.

    Returns
    -------
    ndarray of float32, same shape
        dB.

    Raises
    ------
    ParameterError
        A reference that is not positive, or an envelope below zero.

    Examples
    --------
    >>> from echotrace.signal.receiver import log_compress
    >>> log_compress([1.0, 0.1, 0.0], floor_db=-60.0).tolist()
    [0.0, -20.0, -60.0]
    """
    level = np.asarray(reference, np.float64)
    if not np.all(level > 0.0):
        raise ParameterError("reference must be positive: it is the amplitude of 0 dB")
    ratio = np.asarray(envelope, np.float64) / level
    if np.any(ratio < 0.0):
        raise ParameterError("envelope must be zero or more; is it RF?")
    floor = db_to_ratio(floor_db)
    return ratio_to_db(np.maximum(ratio, floor)).astype(np.float32)
