"""The offset of a converter: found once for a recording, and taken off block by block."""

from __future__ import annotations

import copy
import warnings
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import EchotraceWarning, RecordingError
from echotrace.recording import Recording, Signal
from echotrace.signal.kind import row_medians

__all__ = [
    "baseline_offset",
    "check_bits",
    "full_scale_of",
    "head_of",
    "say_offset",
    "without_offset",
]

# A recording has one converter: its first traces tell, as they tell rate and probe.
_TRACES = 32
# Less is the rounding of the samples, or the scatter of a median of noise.
_LEAST_COUNTS = 0.75
_LEAST_OVER_NOISE = 0.25
# Of full scale: a count of 8 bits, 0.8 %, is not worth a word.
_WORTH_SAYING_PERCENT = 1.0


def head_of(recording: Recording) -> Recording:
    """The first 32 traces in memory, which are looked at to tell what all of them share.

    Parameters
    ----------
    recording : Recording
        In memory or lazy.

    Returns
    -------
    Recording

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.offset import head_of
    >>> head_of(et.read("synthetic_traces/immersion_sitting.h5")).n_traces
    6
    """
    return recording.select(slice(0, _TRACES))


def baseline_offset(recording: Recording) -> float:
    """Constant offset of a recording's RF, in the units of its samples.

    The median over the first traces of each trace's median: between echoes RF swings about its
    baseline. Zero where it is less than a count, or lost in the noise of samples in floats.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    float
        Zero for envelopes, whose baseline is zero by nature.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.offset import baseline_offset
    >>> baseline_offset(et.read("synthetic_traces/immersion_sitting.h5"))
    0.0
    """
    if recording.signal != Signal.RF:
        return 0.0
    # Every seventh sample: runs of neighbours would beat with a slow baseline.
    first = _first(recording)[:, ::7]
    offset = float(np.median(row_medians(first)))
    if first.dtype == np.int16:
        return float(np.rint(offset)) if abs(offset) >= _LEAST_COUNTS else 0.0
    noise = float(np.median(np.abs(first - offset))) / 0.6745
    return offset if abs(offset) > _LEAST_OVER_NOISE * noise else 0.0


def without_offset(block: Recording, offset: float) -> Recording:
    """The same traces about a baseline of zero; what stood at the converter's limit still does.

    Parameters
    ----------
    block : Recording
        In memory.
    offset : float
        From :func:`baseline_offset`.

    Returns
    -------
    Recording

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> from echotrace.chain.offset import baseline_offset, without_offset
    >>> counts = 128 + np.rint(90 * np.random.default_rng(1).normal(size=(2, 64))).clip(-128, 127)
    >>> recording = et.Recording(samples=counts.astype(np.int16), sampling_rate_hz=1e8,
    ...     start_delay_us=0.0, method="other", probe=et.Probe(centre_frequency_hz=1e7),
    ...     receiver=et.Receiver(bits=8))
    >>> int(without_offset(recording, 128.0).samples.min())
    -128
    """
    if offset == 0.0:
        return block
    samples = np.asarray(block.samples)
    moved = samples.astype(np.float64) - offset
    receiver = block.receiver
    if receiver is not None and not _is_unsigned(samples, receiver.bits):
        limit = 2.0 ** (receiver.bits - 1) - 1.0 if receiver.bits else receiver.full_scale
        moved = np.where(np.abs(samples) >= limit, np.sign(samples) * limit, moved)
    if samples.dtype == np.int16:
        moved = np.clip(np.rint(moved), -32768, 32767)
    return _with_samples(block, moved.astype(samples.dtype))


def _with_samples(block: Recording, samples: NDArray[Any]) -> Recording:
    """The recording with other samples of the same kind and shape."""
    other = copy.copy(block)
    samples.flags.writeable = False
    object.__setattr__(other, "samples", samples)
    return other


def _first(recording: Recording) -> NDArray[Any]:
    return np.asarray(recording.samples[:_TRACES])


def _is_unsigned(samples: NDArray[Any], bits: int) -> bool:
    """Counts from zero up to what a converter without sign holds."""
    return bool(
        bits
        and samples.dtype == np.int16
        and samples.min() >= 0
        and 2 ** (bits - 1) <= samples.max() < 2**bits
    )


def full_scale_of(recording: Recording) -> float:
    """Largest magnitude that samples can have, in their own units.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    float
        Of the stated converter; where nothing is stated, the largest sample of the first traces.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.offset import full_scale_of
    >>> full_scale_of(et.read("synthetic_traces/immersion_sitting.h5"))
    2047.0
    """
    receiver = recording.receiver
    if receiver is not None and receiver.bits:
        return 2.0 ** (receiver.bits - 1) - 1.0
    if receiver is not None and recording.samples.dtype != np.int16:
        return float(receiver.full_scale)
    return float(np.abs(_first(recording).astype(np.float64)).max())


def say_offset(recording: Recording, offset: float) -> str:
    """Warn of an offset that is taken off; the words, empty where it is not worth any.

    Parameters
    ----------
    recording : Recording
    offset : float
        From :func:`baseline_offset`.

    Returns
    -------
    str

    Warns
    -----
    EchotraceWarning
        An offset of more than one per cent of full scale.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.offset import say_offset
    >>> say_offset(et.read("synthetic_traces/immersion_sitting.h5"), 2.0)
    ''
    """
    percent = 100.0 * abs(offset) / full_scale_of(recording)
    if percent <= _WORTH_SAYING_PERCENT:
        return ""
    told = f"{offset:+g}" if offset.is_integer() else f"{offset:+.3g}"
    words = (
        f"samples stand {told} off zero ({percent:.1f} % of full scale), as those of a "
        "converter without sign or with an offset; it was taken off before measuring: check how "
        "the recorder codes its samples"
    )
    warnings.warn(words, EchotraceWarning, stacklevel=3)
    return words


def check_bits(recording: Recording) -> None:
    """Refuse samples that a converter of the stated bits cannot give.

    Parameters
    ----------
    recording : Recording
        Its first traces are looked at.

    Raises
    ------
    RecordingError
        Counts beyond the stated bits, signed, and not from zero up as without sign.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.offset import check_bits
    >>> check_bits(et.read("synthetic_traces/immersion_sitting.h5"))
    """
    receiver = recording.receiver
    if receiver is None or not receiver.bits or recording.samples.dtype != np.int16:
        return
    first = _first(recording)
    low, high = int(first.min()), int(first.max())
    most = 2 ** (receiver.bits - 1)
    if -most <= low and high <= most - 1:
        return
    if _is_unsigned(first, receiver.bits):
        if recording.signal != Signal.RF:
            return
        if abs(float(np.median(first)) - most) <= most / 2:
            return
        raise RecordingError(
            f"samples: {low} to {high} are counts without sign, but half of them lie below "
            f"{np.median(first):g} where a converter of {receiver.bits} bits has its middle at "
            f"{most}; state signal='envelope' if they are one, or subtract the middle"
        )
    raise RecordingError(
        f"receiver: bits={receiver.bits} holds {-most} to {most - 1}, and samples run from {low} "
        f"to {high}; state the bits of the converter (--bits), or 0 where they are not known"
    )
