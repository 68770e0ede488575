"""A set of traces: samples, how they were acquired, and a label per trace."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from copy import copy
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.errors import ParameterError, RecordingError
from echotrace.quantities import QUANTITIES, quantity
from echotrace.recording.acquisition import Probe, Receiver
from echotrace.recording.labels import ALLOWED, COLUMNS, Column, Signal
from echotrace.recording.samples import SampleStore, check_shape, checked_samples, frozen
from echotrace.recording.truth import Truth

__all__ = ["Recording"]


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

    Examples
    --------
    >>> samples = np.random.default_rng(1).integers(-100, 100, (5, 4096), np.int16)
    >>> recording = Recording(
    ...     samples=samples,
    ...     sampling_rate_hz=100e6,
    ...     start_delay_us=0.0,
    ...     method="immersion",
    ...     probe=Probe(centre_frequency_hz=10e6),
    ... )
    >>> recording
    Recording(5 traces of 4096 int16 samples at 100 MHz, rf, immersion, target eye)
    >>> recording.select([0, 2]).n_traces
    2
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
        put(self, "samples", checked_samples(self.samples))
        n_traces = self.n_traces
        for name in COLUMNS:
            column = Column.of(getattr(self, name), n_traces, name)
            wrong = set(column.present) - ALLOWED.get(name, set(column.present))
            if wrong:
                raise RecordingError(
                    f"{name}={sorted(wrong)[0]!r}: use one of {', '.join(sorted(ALLOWED[name]))}"
                )
            put(self, name, column)
        try:
            gain = np.broadcast_to(np.asarray(self.gain_db, np.float32), (n_traces,))
        except ValueError:
            raise RecordingError(
                f"gain_db: {np.size(self.gain_db)} values for {n_traces} traces; give one for "
                "each trace or a single one for all"
            ) from None
        put(self, "gain_db", frozen(gain, np.float32))
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

        Returns
        -------
        Recording
        """
        key: slice | NDArray[Any] = rows if isinstance(rows, slice) else np.asarray(rows)
        samples = np.asarray(self.samples[key])
        if not isinstance(self.samples, np.ndarray):
            samples = cast("NDArray[Any]", checked_samples(samples))
        check_shape(samples.shape)
        samples.flags.writeable = False
        # Rows of what was checked need no second check: a million traces pass here in blocks.
        part = copy(self)
        put = object.__setattr__
        put(part, "samples", samples)
        put(part, "gain_db", frozen(self.gain_db[key], np.float32))
        put(part, "truth", None if self.truth is None else self.truth.take(key))
        for name in COLUMNS:
            put(part, name, getattr(self, name).take(key))
        return part

    def blocks(self, n_traces: int) -> Iterator[Recording]:
        """Walk the recording in blocks of at most ``n_traces``, each read when it is asked for.

        Parameters
        ----------
        n_traces : int
            1 or more.

        Yields
        ------
        Recording

        Raises
        ------
        ParameterError
            Blocks of no trace.
        """
        if n_traces < 1:
            raise ParameterError(f"n_traces={n_traces!r} of a block must be at least 1")
        for start in range(0, self.n_traces, n_traces):
            yield self.select(slice(start, start + n_traces))

    def without_truth(self) -> Recording:
        """The same recording with its truth taken out.

        Returns
        -------
        Recording
        """
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
