"""The data model of what was received: samples, how they were acquired, and labels per trace.

A :class:`Recording` is validated once, on construction, and never changes. Delay zero is the
centre of the transmitted pulse at the probe's face; all delays are two-way, in microseconds.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, field, replace
from enum import StrEnum
from types import MappingProxyType
from typing import Any, Protocol, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.errors import ParameterError, RecordingError
from echotrace.quantities import QUANTITIES, quantities, quantity
from echotrace.user_input import whole_number

__all__ = [
    "COLUMNS",
    "Column",
    "Eye",
    "LensState",
    "Method",
    "Probe",
    "Receiver",
    "Recording",
    "SampleStore",
    "Signal",
    "Truth",
    "distinct_rows",
]

MIN_SAMPLES = 16
# A trace whose largest float lies beyond these has no unit anybody would store; squares of such
# numbers leave the range of float32.
_LEAST_PEAK, _MOST_PEAK = 1e-15, 1e15


class Method(StrEnum):
    """How the probe meets the eye; ``other`` for blocks and plates."""

    CONTACT = "contact"
    IMMERSION = "immersion"
    OTHER = "other"


class Eye(StrEnum):
    """Which eye; ``none`` for blocks and plates."""

    RIGHT = "right"
    LEFT = "left"
    NONE = "none"


class LensState(StrEnum):
    """State of the lens; ``none`` for blocks and plates."""

    PHAKIC = "phakic"
    APHAKIC = "aphakic"
    PSEUDOPHAKIC = "pseudophakic"
    NONE = "none"


class Signal(StrEnum):
    """What the samples are: the oscillating echo, or its envelope."""

    RF = "rf"
    ENVELOPE = "envelope"


class SampleStore(Protocol):
    """Anything that can stand for the samples: an array, or a file read on demand."""

    @property
    def shape(self) -> tuple[int, ...]: ...  # noqa: D102
    @property
    def dtype(self) -> np.dtype[Any]: ...  # noqa: D102
    def __getitem__(self, key: Any, /) -> Any: ...


@dataclass(frozen=True, slots=True)
class Column:
    """One label per trace, stored as a code into a short table of labels.

    Attributes
    ----------
    codes : ndarray of int32, (n_traces,)
    labels : tuple of str
    """

    codes: NDArray[np.int32]
    labels: tuple[str, ...]

    @classmethod
    def of(cls, value: str | Sequence[str] | Column, n_traces: int, name: str) -> Column:
        """Make a column from one label for all traces, or one label each."""
        if isinstance(value, Column):
            column = value
        elif isinstance(value, str):
            column = cls(np.zeros(n_traces, np.int32), (str(value),))
        else:
            labels, codes = np.unique(
                np.asarray([str(item) for item in value], dtype=np.str_), return_inverse=True
            )
            column = cls(codes.astype(np.int32).reshape(-1), tuple(str(item) for item in labels))
        if column.codes.shape != (n_traces,):
            raise RecordingError(
                f"{name}: {column.codes.size} labels for {n_traces} traces; give one for each "
                "trace or a single one for all"
            )
        if n_traces and not (
            int(column.codes.min()) >= 0 and int(column.codes.max()) < len(column.labels)
        ):
            raise RecordingError(f"{name}: a code points outside its table of labels")
        return cls(_frozen(column.codes, np.int32), column.labels)

    def __len__(self) -> int:
        return int(self.codes.size)

    def __getitem__(self, k: int) -> str:
        return self.labels[int(self.codes[k])]

    def __iter__(self) -> Iterator[str]:
        return (self.labels[int(code)] for code in self.codes)

    def take(self, rows: slice | NDArray[Any]) -> Column:
        """The column of some of the traces."""
        return Column(_frozen(self.codes[rows], np.int32), self.labels)

    def where(self, label: str) -> NDArray[np.bool_]:
        """Mark the traces that carry a label."""
        if label not in self.labels:
            return np.zeros(len(self), dtype=np.bool_)
        return np.asarray(self.codes == self.labels.index(label), dtype=np.bool_)

    @property
    def present(self) -> tuple[str, ...]:
        """Labels that at least one trace carries, in table order."""
        used = np.bincount(self.codes, minlength=len(self.labels)) > 0
        return tuple(label for label, has in zip(self.labels, used, strict=True) if has)


def distinct_rows(columns: Sequence[Column]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Combinations of labels in several columns.

    Returns
    -------
    first : ndarray of int, (n_combinations,)
        Trace at which each appears first, rising.
    inverse : ndarray of int, (n_traces,)
        Number of each trace's combination.
    """
    n = len(columns[0])
    inverse = np.zeros(n, np.intp)
    first = np.zeros(1, np.intp)
    for column in columns:
        size = len(column.labels)
        key = inverse * size + column.codes
        # At most all pairs of what was distinct so far and this column's labels: by counting.
        first_of = np.full(first.size * size, n, np.intp)
        order = np.arange(n - 1, -1, -1)
        first_of[key[::-1]] = order
        used = np.flatnonzero(first_of < n)
        used = used[np.argsort(first_of[used], kind="stable")]
        number = np.empty(first_of.size, np.intp)
        number[used] = np.arange(used.size)
        inverse, first = number[key], first_of[used]
    return first, inverse


def _frozen(values: ArrayLike, dtype: Any) -> NDArray[Any]:
    array = np.array(values, dtype=dtype, copy=True)
    array.flags.writeable = False
    return array


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """The transducer.

    Attributes
    ----------
    centre_frequency_hz : float
    fractional_bandwidth : float
        -6 dB pulse-echo bandwidth over centre frequency.
    aperture_mm : float
        Diameter of the active disc, mm. NaN where not stated.
    focus_mm : float
        Distance of the geometric focus in water, mm; infinite for a flat disc, NaN where not
        stated.
    face_delay_us, face_delay_u_us : float
        Two-way delay of the probe's face after delay zero (delay tip, electronics, trigger) and
        its standard uncertainty, µs, from the probe's description or a reference block. NaN where
        not stated: a contact recording cannot be measured without it.
    """

    centre_frequency_hz: float
    fractional_bandwidth: float = 0.6
    aperture_mm: float = math.nan
    focus_mm: float = math.nan
    face_delay_us: float = math.nan
    face_delay_u_us: float = math.nan

    def __post_init__(self) -> None:
        for name in self.__slots__:
            object.__setattr__(self, name, quantity(name, getattr(self, name), "probe"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Receiver:
    """What stood between the probe and the samples, apart from the gain of each trace.

    Attributes
    ----------
    tgc_delay_us, tgc_gain_db : tuple of float
        Nodes of the piecewise-linear time gain compensation, µs and dB. Before the first and
        after the last node the gain is that of the node. Empty: none.
    full_scale : float
        Magnitude at which the converter clips, in units of the samples' physical quantity
        (volts at the converter's input, or 1 for relative units).
    bits : int
        Resolution of the converter; 0 where samples are floats in units of ``full_scale``.
    """

    tgc_delay_us: tuple[float, ...] = ()
    tgc_gain_db: tuple[float, ...] = ()
    full_scale: float = 1.0
    bits: int = 0

    def __post_init__(self) -> None:
        put = object.__setattr__
        for name in ("tgc_delay_us", "tgc_gain_db"):
            put(self, name, quantities(name, getattr(self, name), "receiver"))
        if len(self.tgc_delay_us) != len(self.tgc_gain_db):
            raise ParameterError(
                f"receiver: {len(self.tgc_delay_us)} tgc_delay_us for "
                f"{len(self.tgc_gain_db)} tgc_gain_db; each node needs both"
            )
        if any(b <= a for a, b in zip(self.tgc_delay_us, self.tgc_delay_us[1:], strict=False)):
            raise ParameterError("receiver: tgc_delay_us must rise from node to node")
        put(self, "full_scale", quantity("full_scale", self.full_scale, "receiver"))
        put(self, "bits", whole_number(self.bits, "receiver: bits"))
        if self.bits != 0 and not 2 <= self.bits <= 16:
            raise ParameterError(f"receiver: bits={self.bits} must be 2 to 16, or 0 for floats")


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is exactly known of a synthetic recording. Never read by the measuring chain.

    Attributes
    ----------
    interfaces : tuple of str
    delay_us : ndarray of float64, (n_traces, n_interfaces)
        True arrival of each interface's echo along the beam; NaN where there is none.
    columns : mapping of str to ndarray, each (n_traces,)
        Further truths, the unit in the name: ``axial_length_mm`` (along the visual axis),
        ``beam_length_mm``, ``tilt_deg``, ``decentration_mm``, ``compression_mm``, ``snr_db``, …
    """

    interfaces: tuple[str, ...]
    delay_us: NDArray[np.float64]
    columns: Mapping[str, NDArray[Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        delay = _frozen(self.delay_us, np.float64)
        if delay.ndim != 2 or delay.shape[1] != len(self.interfaces):
            raise RecordingError(
                f"truth: delay_us has shape {delay.shape}, expected (n_traces, "
                f"{len(self.interfaces)})"
            )
        object.__setattr__(self, "delay_us", delay)
        columns = {}
        for name, values in self.columns.items():
            array = np.asarray(values)
            array = _frozen(array, array.dtype)
            if array.shape != (delay.shape[0],) or array.dtype.kind not in "fiu":
                raise RecordingError(
                    f"truth: column {name!r} must hold one number per trace, got shape "
                    f"{array.shape} of {array.dtype}"
                )
            columns[name] = array
        object.__setattr__(self, "columns", MappingProxyType(columns))

    def take(self, rows: slice | NDArray[Any]) -> Truth:
        """The truth of some of the traces."""
        return Truth(
            interfaces=self.interfaces,
            delay_us=self.delay_us[rows],
            columns={name: values[rows] for name, values in self.columns.items()},
        )


COLUMNS = (
    "subject",
    "eye",
    "method",
    "lens_state",
    "lens_material",
    "vitreous",
    "operator",
    "sitting",
    "target",
)
"""Names of the label columns of a recording."""

_ALLOWED = {
    "eye": {str(item) for item in Eye},
    "method": {str(item) for item in Method},
    "lens_state": {str(item) for item in LensState},
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """A set of traces of one sampling rate, with how they were acquired and a label per trace.

    Parameters
    ----------
    samples : array_like, (n_traces, n_samples)
        int16 counts or float32 amplitudes as stored; time last. Other integer and float types
        are converted where that loses nothing, refused where it would. May be a
        :class:`SampleStore`, read block by block.
    sampling_rate_hz : float
    start_delay_us : float
        Delay of the first sample, µs after delay zero.
    method : str or sequence of str
        ``"contact"``, ``"immersion"`` or ``"other"``. No default: it decides where zero is.
    signal : {"rf", "envelope"}
    probe : Probe
    receiver : Receiver, optional
        None where nothing is known of the gain: levels are then relative only.
    gain_db : float or sequence of float
        Receiver gain of each trace, dB. NaN where not known.
    subject, eye, lens_state, lens_material, vitreous, operator, sitting, target : str or sequence
        Labels, one for all traces or one each. ``subject`` is a code, never a name. ``target`` is
        ``"eye"``, or the name of a target of the user's.
    truth : Truth, optional
        Only for synthetic recordings.
    attributes : mapping of str to str
        Provenance: ``source``, ``source_sha256``, ``seed``, ``history``, ….

    Raises
    ------
    RecordingError
        Samples that are not two-dimensional, real, finite and alive, or labels that do not fit.
    ParameterError
        A sampling rate or delay that is not possible.
    """

    samples: SampleStore
    sampling_rate_hz: float
    start_delay_us: float
    method: Column
    probe: Probe
    signal: Signal = Signal.RF
    receiver: Receiver | None = None
    gain_db: NDArray[np.float32] = field(default_factory=lambda: np.array(np.nan, np.float32))
    subject: Column = cast("Column", "unnamed")
    eye: Column = cast("Column", "none")
    lens_state: Column = cast("Column", "none")
    lens_material: Column = cast("Column", "none")
    vitreous: Column = cast("Column", "natural")
    operator: Column = cast("Column", "unnamed")
    sitting: Column = cast("Column", "1")
    target: Column = cast("Column", "eye")
    truth: Truth | None = None
    attributes: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        put = object.__setattr__
        for name in ("sampling_rate_hz", "start_delay_us"):
            put(self, name, quantity(name, getattr(self, name)))
        try:
            put(self, "signal", Signal(str(self.signal)))
        except ValueError:
            raise ParameterError(f"signal={self.signal!r}: use 'rf' or 'envelope'") from None
        put(self, "samples", _checked_samples(self.samples))
        n_traces = self.n_traces
        for name in COLUMNS:
            column = Column.of(getattr(self, name), n_traces, name)
            wrong = set(column.present) - _ALLOWED.get(name, set(column.present))
            if wrong:
                raise RecordingError(
                    f"{name}={sorted(wrong)[0]!r}: use one of {', '.join(sorted(_ALLOWED[name]))}"
                )
            put(self, name, column)
        try:
            gain = np.broadcast_to(np.asarray(self.gain_db, np.float32), (n_traces,))
        except ValueError:
            raise RecordingError(
                f"gain_db: {np.size(self.gain_db)} values for {n_traces} traces; give one for "
                "each trace or a single one for all"
            ) from None
        put(self, "gain_db", _frozen(gain, np.float32))
        _check_gain(self.gain_db)
        _check_band(self)
        if self.truth is not None and self.truth.delay_us.shape[0] != n_traces:
            raise RecordingError(
                f"truth: {self.truth.delay_us.shape[0]} rows for {n_traces} traces"
            )
        put(
            self,
            "attributes",
            MappingProxyType({str(k): str(v) for k, v in self.attributes.items()}),
        )

    @property
    def n_traces(self) -> int:
        """Number of traces."""
        return int(self.samples.shape[0])

    @property
    def n_samples(self) -> int:
        """Number of samples of each trace."""
        return int(self.samples.shape[1])

    @property
    def delay_us(self) -> NDArray[np.float64]:
        """Delay of each sample, µs, (n_samples,)."""
        step_us = 1e6 / self.sampling_rate_hz
        return self.start_delay_us + np.arange(self.n_samples, dtype=np.float64) * step_us

    def select(self, rows: slice | ArrayLike) -> Recording:
        """The recording of some of the traces, in memory.

        Parameters
        ----------
        rows : slice or array_like
            A slice, trace numbers, or one truth value per trace.
        """
        key: slice | NDArray[Any] = rows if isinstance(rows, slice) else np.asarray(rows)
        samples = np.asarray(self.samples[key])
        if not isinstance(self.samples, np.ndarray):
            samples = cast("NDArray[Any]", _checked_samples(samples))
        _check_shape(samples.shape)
        samples.flags.writeable = False
        # Rows of what was checked need no second check: a million traces pass here in blocks.
        part = copy(self)
        put = object.__setattr__
        put(part, "samples", samples)
        put(part, "gain_db", _frozen(self.gain_db[key], np.float32))
        put(part, "truth", None if self.truth is None else self.truth.take(key))
        for name in COLUMNS:
            put(part, name, getattr(self, name).take(key))
        return part

    def blocks(self, n_traces: int) -> Iterator[Recording]:
        """Walk the recording in blocks of at most ``n_traces``, each read when it is asked for."""
        if n_traces < 1:
            raise ParameterError(f"n_traces={n_traces!r} of a block must be at least 1")
        for start in range(0, self.n_traces, n_traces):
            yield self.select(slice(start, start + n_traces))

    def without_truth(self) -> Recording:
        """The same recording with its truth taken out."""
        return replace(self, truth=None)

    def __repr__(self) -> str:
        return (
            f"Recording({self.n_traces} traces of {self.n_samples} {self.samples.dtype} samples "
            f"at {self.sampling_rate_hz / 1e6:g} MHz, {self.signal}, "
            f"{'/'.join(self.method.present)}, target {'/'.join(self.target.present)})"
        )


def _check_band(recording: Recording) -> None:
    """Refuse RF that was sampled too slowly to hold the probe's pulse."""
    rate, centre = recording.sampling_rate_hz, recording.probe.centre_frequency_hz
    if recording.signal == Signal.RF and centre >= 0.5 * rate:
        raise ParameterError(
            f"probe: centre_frequency_hz={centre:g} must be below half of "
            f"sampling_rate_hz={rate:g}, or rf samples cannot hold the pulse (are both in Hz?)"
        )


def _check_gain(gain_db: NDArray[np.float32]) -> None:
    limits = QUANTITIES["gain_db"]
    wrong = ~((gain_db >= limits.low) & (gain_db <= limits.high) | np.isnan(gain_db))
    if wrong.any():
        quantity("gain_db", float(gain_db[int(np.argmax(wrong))]))


def _checked_samples(samples: Any) -> SampleStore:
    if not isinstance(samples, np.ndarray) and hasattr(samples, "shape"):
        _check_shape(samples.shape)
        if samples.dtype not in (np.dtype(np.int16), np.dtype(np.float32)):
            raise RecordingError(f"stored samples are {samples.dtype}; use int16 or float32")
        return cast("SampleStore", samples)
    try:
        array = np.asarray(samples)
    except ValueError:
        raise RecordingError(
            "traces have mixed lengths; cut or pad them to one length before making a recording"
        ) from None
    _check_shape(array.shape)
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


def _check_shape(shape: tuple[int, ...]) -> None:
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
