"""Samples as they are stored: checked once, and arrays that nobody can write to."""

from __future__ import annotations

from typing import Any, Protocol, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.errors import RecordingError

__all__ = ["MIN_SAMPLES", "SampleStore", "check_shape", "checked_samples", "frozen"]

MIN_SAMPLES = 16
# A trace whose largest float lies beyond these has no unit anybody would store; squares of such
# numbers leave the range of float32.
_LEAST_PEAK, _MOST_PEAK = 1e-15, 1e15


class SampleStore(Protocol):
    """Anything that can stand for the samples: an array, or a file read on demand.

    Examples
    --------
    >>> isinstance(np.zeros((2, 16), np.float32), np.ndarray)
    True
    """

    @property
    def shape(self) -> tuple[int, ...]: ...  # noqa: D102
    @property
    def dtype(self) -> np.dtype[Any]: ...  # noqa: D102
    def __getitem__(self, key: Any, /) -> Any: ...


def frozen(values: ArrayLike, dtype: Any) -> NDArray[Any]:
    """A copy of values as an array that cannot be written to.

    Parameters
    ----------
    values : array_like
    dtype : dtype_like

    Returns
    -------
    ndarray

    Examples
    --------
    >>> frozen([1, 2], np.float32).flags.writeable
    False
    """
    array = np.array(values, dtype=dtype, copy=True)
    array.flags.writeable = False
    return array


def checked_samples(samples: Any) -> SampleStore:
    """Samples as a recording keeps them.

    Parameters
    ----------
    samples : array_like or SampleStore, (n_traces, n_samples)
        A store is taken as it is and read later; an array is looked at wholly.

    Returns
    -------
    SampleStore
        int16 or float32; an array is contiguous and cannot be written to.

    Raises
    ------
    RecordingError
        Samples that are not two-dimensional, real, finite, and alive in every trace, or that
        cannot be stored without loss.

    Examples
    --------
    >>> checked_samples(np.arange(32).reshape(2, 16)).dtype
    dtype('int16')
    """
    if not isinstance(samples, np.ndarray) and hasattr(samples, "shape"):
        check_shape(samples.shape)
        if samples.dtype not in (np.dtype(np.int16), np.dtype(np.float32)):
            raise RecordingError(f"stored samples are {samples.dtype}; use int16 or float32")
        return cast("SampleStore", samples)
    try:
        array = np.asarray(samples)
    except ValueError:
        raise RecordingError(
            "traces have mixed lengths; cut or pad them to one length before making a recording"
        ) from None
    check_shape(array.shape)
    array = _as_stored(array)
    array = np.ascontiguousarray(array)
    # The largest of a row is NaN if any of it is.
    if array.dtype.kind == "f":
        high, low = array.max(axis=1), array.min(axis=1)
        finite = np.isfinite(high) & np.isfinite(low)
        if not finite.all():
            _refuse(~finite, "holds NaN or infinite samples", "repair or leave out")
        peak = np.maximum(np.abs(high), np.abs(low))
        odd = (peak > _MOST_PEAK) | ((peak < _LEAST_PEAK) & (high != low))
        if odd.any():
            _refuse(odd, f"peaks at {float(peak[int(np.argmax(odd))]):.3g}", "scale them")
        constant = high == low
    else:
        # Few traces begin with equal samples; only those are looked at wholly.
        constant = (array[:, :MIN_SAMPLES] == array[:, :1]).all(axis=1)
        for k in np.flatnonzero(constant):
            constant[k] = bool((array[k] == array[k, 0]).all())
    if constant.any():
        _refuse(constant, "is constant (a dead channel?)", "leave out")
    array = array.view()
    array.flags.writeable = False
    return array


def _refuse(bad: NDArray[np.bool_], what: str, remedy: str) -> None:
    rows = np.flatnonzero(bad)
    shown = ", ".join(str(row) for row in rows[:5]) + (", …" if rows.size > 5 else "")
    subject = f"trace {shown} {what}" if rows.size == 1 else f"each of the traces {shown} {what}"
    raise RecordingError(f"samples: {subject}; {remedy} before making a recording")


def check_shape(shape: tuple[int, ...]) -> None:
    """Refuse a shape that traces cannot have.

    Parameters
    ----------
    shape : tuple of int

    Raises
    ------
    RecordingError
        Not two dimensions, no trace, or too few samples.

    Examples
    --------
    >>> check_shape((2, 16))
    """
    if len(shape) != 2:
        raise RecordingError(
            f"samples have {len(shape)} dimensions {tuple(shape)}; they must be (n_traces, "
            "n_samples)"
        )
    if shape[0] < 1:
        raise RecordingError("samples hold 0 traces; a recording needs at least one")
    if shape[1] < MIN_SAMPLES:
        raise RecordingError(
            f"traces have {shape[1]} samples; at least {MIN_SAMPLES} are needed (are rows and "
            "columns exchanged?)"
        )


def _as_stored(array: NDArray[Any]) -> NDArray[Any]:
    """Bring samples to int16 or float32 where that is exact enough, else refuse."""
    if array.dtype in (np.dtype(np.int16), np.dtype(np.float32)):
        return array
    if array.dtype.kind == "c":
        raise RecordingError("samples are complex; give the real RF or its envelope")
    if array.dtype.kind in "iu":
        if array.min() < -32768 or array.max() > 32767:
            raise RecordingError(
                f"samples run from {array.min()} to {array.max()}, outside int16; scale them or "
                "give floats"
            )
        return array.astype(np.int16)
    if array.dtype.kind == "f":
        if np.isfinite(array).all() and np.abs(array).max() > np.finfo(np.float32).max:
            raise RecordingError("samples exceed the range of float32; scale them")
        return array.astype(np.float32)
    raise RecordingError(f"samples are {array.dtype}; give integers or floats")
