"""What was measured: picks, lengths, findings and acceptance, aligned with the traces."""

from __future__ import annotations

import dataclasses
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.recording import COLUMNS, Column, distinct_rows

__all__ = ["ALIGNED_TOLD", "BY_HAND", "CANNOT_BE_TOLD", "NOT_RECORDED", "Measurement"]

NOT_RECORDED = "not recorded"
"""Engine of a measurement that does not say what read it."""

ALIGNED_TOLD = (0.2, 0.8)
"""Up to the first probability a beam is told as not aligned, from the second on as aligned; between
them neither is four times as likely as the other, and it cannot be told."""

CANNOT_BE_TOLD = "cannot be told"
"""What is said instead of such a probability."""

BY_HAND = ("no", "gate", "pick")
"""What a person set of an interface in a scan, by its code in ``Measurement.by_hand``."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurement:
    """The result of measuring a recording; every array is aligned with its traces.

    Missing is NaN, and a finding says why.

    Attributes
    ----------
    interfaces, segments : tuple of str
        Names of the columns of the arrays below. A recording of several eye states has the union.
    delay_us, delay_u_us : ndarray of float64, (n_traces, n_interfaces)
        Two-way delay of each pick and its standard uncertainty from noise, µs.
    length_mm : ndarray of float64, (n_traces, n_segments)
        Segment lengths, mm.
    axial_length_mm : ndarray of float64, (n_traces,)
        Total length, mm.
    axial_length_u_mm : ndarray of float64, (n_traces,)
        Standard uncertainty of this one scan's own part, mm: shrinks when scans are averaged.
    axial_length_u_shared_mm : ndarray of float64, (n_traces,)
        Standard uncertainty that all scans of a sitting share (sound speeds, probe offset,
        waveform distortion), mm: does not shrink with the number of scans.
    length_right : ndarray of float64, (n_traces,)
        Probability that the length lies within 0.1 mm of the eye's, pressing and speeds apart,
        which no single trace can show. NaN in files of version 0.1, which have a ``score`` among
        the features instead: aligned and correctly picked.
    aligned : ndarray of float64, (n_traces,)
        Probability that the beam lay within 2.5° and 0.5 mm of the visual axis. Where neither
        answer is four times as likely as the other it cannot be told (:attr:`aligned_told`).
    findings : ndarray of uint64, (n_traces,)
        Bit set; ``finding_names[k]`` belongs to bit ``k``.
    finding_names : tuple of str
    accepted : ndarray of bool, (n_traces,)
    decided_by : ndarray of uint8, (n_traces,)
        0: accepted or rejected by the findings; 1: by hand.
    features : mapping of str to ndarray of float32, each (n_traces,)
        What the findings were made from, the unit in the name.
    subject, eye, method, lens_state, lens_material, vitreous : Column
    operator, sitting, target : Column
        The labels of the recording.
    settings_json : str
        The settings that made it.
    by_hand : ndarray of uint8, (n_traces, n_interfaces)
        0: found by the chain; 1: in a gate that a person set for this scan; 2: picked by a person
        (:data:`BY_HAND`).
    engine : str
        What read the traces: ``fused``, ``plain`` (the reference path), ``fused and plain`` where
        scans with a gate or a pick by hand took the reference path and the others the fused walk,
        ``none`` where there was nothing to read, or ``not recorded`` (files of version 0.1,
        tables).
    attributes : mapping of str to str
        Provenance.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> result.axial_length_mm[:2].round(2).tolist()
    [23.4, 23.4]
    >>> result.finding_list(4)
    ('gain_too_high', 'lens_echo_clipped')
    """

    interfaces: tuple[str, ...]
    segments: tuple[str, ...]
    delay_us: NDArray[np.float64]
    delay_u_us: NDArray[np.float64]
    length_mm: NDArray[np.float64]
    axial_length_mm: NDArray[np.float64]
    axial_length_u_mm: NDArray[np.float64]
    axial_length_u_shared_mm: NDArray[np.float64]
    length_right: NDArray[np.float64]
    aligned: NDArray[np.float64]
    findings: NDArray[np.uint64]
    finding_names: tuple[str, ...]
    accepted: NDArray[np.bool_]
    decided_by: NDArray[np.uint8]
    subject: Column
    eye: Column
    method: Column
    lens_state: Column
    lens_material: Column
    vitreous: Column
    operator: Column
    sitting: Column
    target: Column
    features: Mapping[str, NDArray[np.float32]] = field(default_factory=dict)
    by_hand: NDArray[np.uint8] = field(default_factory=lambda: np.empty((0, 0), np.uint8))
    settings_json: str = "{}"
    engine: str = NOT_RECORDED
    attributes: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        n = self.axial_length_mm.size
        if self.by_hand.size == 0:
            nothing = np.zeros((n, len(self.interfaces)), np.uint8)
            object.__setattr__(self, "by_hand", nothing)
        wanted = {
            "delay_us": (n, len(self.interfaces)),
            "delay_u_us": (n, len(self.interfaces)),
            "length_mm": (n, len(self.segments)),
            "by_hand": (n, len(self.interfaces)),
            **dict.fromkeys(_PER_TRACE, (n,)),
        }
        for name, shape in wanted.items():
            array = getattr(self, name)
            if array.shape != shape:
                raise ParameterError(f"measurement: {name} has shape {array.shape}, not {shape}")
            if name == "findings":
                array = array.astype(np.uint64, copy=False)  # earlier sets had 32 bits
            _freeze(self, name, array)
        for name in COLUMNS:
            if len(getattr(self, name)) != n:
                raise ParameterError(f"measurement: {name} has not one label per trace")
        features = {}
        for name, values in self.features.items():
            if values.shape != (n,):
                raise ParameterError(f"measurement: feature {name!r} has not one value per trace")
            now, sign = _RENAMED_FEATURES.get(name, (name, 1))
            features[now] = values if sign == 1 else sign * values
        object.__setattr__(self, "features", MappingProxyType(features))
        names = tuple(_RENAMED_FINDINGS.get(name, name) for name in self.finding_names)
        object.__setattr__(self, "finding_names", names)
        object.__setattr__(self, "attributes", MappingProxyType(dict(self.attributes)))

    @property
    def n_traces(self) -> int:
        """Number of traces."""
        return int(self.axial_length_mm.size)

    @property
    def aligned_told(self) -> NDArray[np.bool_]:
        """Whether the echoes tell if the beam was aligned: :data:`ALIGNED_TOLD`."""
        low, high = ALIGNED_TOLD
        return np.asarray((self.aligned <= low) | (self.aligned >= high))

    def aligned_in_words(self, trace: int) -> str:
        """The probability that the beam was aligned, that it cannot be told, or a dash: no eye.

        Parameters
        ----------
        trace : int
            Counted from 0.

        Returns
        -------
        str
        """
        if np.isnan(self.aligned[trace]):
            return "-"
        return f"{self.aligned[trace]:.2f}" if self.aligned_told[trace] else CANNOT_BE_TOLD

    @property
    def score(self) -> NDArray[np.float64]:
        """Old name of :attr:`length_right`, of which it was a part; goes with version 0.3.

        Of a file of version 0.1 it is what it was: aligned and correctly picked.
        """
        warnings.warn(
            "Measurement.score is now length_right, with aligned beside it; the old name goes "
            "with version 0.3",
            DeprecationWarning,
            stacklevel=2,
        )
        if "score" in self.features:
            return self.features["score"].astype(np.float64)
        return self.length_right

    @property
    def shared_budget_mm(self) -> dict[str, NDArray[np.float64]]:
        """Standard uncertainty of each total length by what all scans share, mm, by source.

        Empty where the measurement does not tell the sources apart (older files, tables).
        """
        found = {name: self.features.get(f"u_{name}_mm") for name in _SHARED_SOURCES}
        return {k: values.astype(np.float64) for k, values in found.items() if values is not None}

    def finding_list(self, trace: int) -> tuple[str, ...]:
        """Names of the findings of one trace.

        Parameters
        ----------
        trace : int
            Counted from 0.

        Returns
        -------
        tuple of str
        """
        bits = int(self.findings[trace])
        return tuple(name for k, name in enumerate(self.finding_names) if bits >> k & 1)

    @property
    def accepted_alone(self) -> NDArray[np.bool_]:
        """Whether each scan would be accepted if it stood by itself."""
        alone = self.features.get("accepted_alone")
        if alone is None:
            return self.accepted
        return np.where(np.isnan(alone), self.accepted, alone > 0.0)

    @property
    def length_right_in_sitting(self) -> NDArray[np.float64]:
        """Probability of a right length with what the other scans of the sitting say.

        That of the scan alone where it stands by itself. It decides what is accepted.
        """
        seen = self.features.get("length_right_in_sitting")
        if seen is None:
            return self.length_right
        return np.where(np.isnan(seen), self.length_right, seen)

    def corrected(self, trace: int) -> bool:
        """Whether a scan was corrected in the light of its sitting.

        Parameters
        ----------
        trace : int
            Counted from 0.

        Returns
        -------
        bool
        """
        return "corrected_by_sitting" in self.finding_list(trace)

    def picked_by_hand(self, trace: int) -> tuple[str, ...]:
        """Names of the interfaces that a person picked in one trace.

        Parameters
        ----------
        trace : int
            Counted from 0.

        Returns
        -------
        tuple of str
        """
        return tuple(name for name, word in self.marks(trace).items() if word == "pick")

    def marks(self, trace: int) -> dict[str, str]:
        """What a person set in one trace: ``gate`` or ``pick``, by interface.

        Parameters
        ----------
        trace : int
            Counted from 0.

        Returns
        -------
        dict of str to str
        """
        return {
            name: BY_HAND[code]
            for name, code in zip(self.interfaces, self.by_hand[trace], strict=True)
            if code
        }

    def has_finding(self, name: str) -> NDArray[np.bool_]:
        """Mark the traces that carry a finding.

        Parameters
        ----------
        name : str

        Returns
        -------
        ndarray of bool, (n_traces,)

        Raises
        ------
        ParameterError
            A name that is none of ``finding_names``.
        """
        name = _RENAMED_FINDINGS.get(name, name)
        if name not in self.finding_names:
            raise ParameterError(
                f"unknown finding {name!r}; known: {', '.join(self.finding_names)}"
            )
        return np.asarray(self.findings >> self.finding_names.index(name) & 1, dtype=np.bool_)

    def select(self, rows: slice | NDArray[Any]) -> Measurement:
        """The measurement of some of the traces.

        Parameters
        ----------
        rows : slice or ndarray
            Trace numbers from 0, or one truth value per trace.

        Returns
        -------
        Measurement
        """
        changes: dict[str, Any] = {name: getattr(self, name)[rows] for name in ARRAYS}
        changes |= {name: getattr(self, name).take(rows) for name in COLUMNS}
        changes["features"] = {name: values[rows] for name, values in self.features.items()}
        return dataclasses.replace(self, **changes)

    def sittings(self) -> list[tuple[dict[str, str], NDArray[np.intp]]]:
        """Sittings in order of first appearance: labels, and the numbers of their traces.

        A sitting is the traces of one subject's eye, one method, one operator, one lens state
        and one sitting label.

        Returns
        -------
        list of (dict of str to str, ndarray of int)
        """
        names = [name for name in COLUMNS]
        first, inverse = distinct_rows([getattr(self, name) for name in names])
        order = np.argsort(inverse, kind="stable")
        counts = np.bincount(inverse, minlength=first.size)
        groups = np.split(order, np.cumsum(counts)[:-1])
        return [
            ({name: getattr(self, name)[int(row)] for name in names}, traces)
            for row, traces in zip(first, groups, strict=True)
        ]

    def to_records(self) -> list[dict[str, Any]]:
        """One flat dictionary per trace: number from 1, labels, lengths, probabilities, findings.

        Returns
        -------
        list of dict
        """
        records = []
        for k in range(self.n_traces):
            record: dict[str, Any] = {"scan": k + 1}
            record |= {name: getattr(self, name)[k] for name in COLUMNS}
            record |= {
                f"{name}_mm": float(self.length_mm[k, j]) for j, name in enumerate(self.segments)
            }
            record |= {
                "axial_length_mm": float(self.axial_length_mm[k]),
                "axial_length_u_mm": float(self.axial_length_u_mm[k]),
                "axial_length_u_shared_mm": float(self.axial_length_u_shared_mm[k]),
                "length_right": float(self.length_right[k]),
                "length_right_in_sitting": float(self.length_right_in_sitting[k]),
                "aligned": float(self.aligned[k]),
                "aligned_in_words": self.aligned_in_words(k),
                "accepted": bool(self.accepted[k]),
                "accepted_alone": bool(self.accepted_alone[k]),
                "decided_by": "hand" if self.decided_by[k] else "findings",
                "findings": list(self.finding_list(k)),
                "by_hand": self.marks(k),
            }
            if self.corrected(k):
                record["alone_length_mm"] = float(self.features["alone_length_mm"][k])
            record |= {
                f"{name}_delay_us": float(self.delay_us[k, j])
                for j, name in enumerate(self.interfaces)
            }
            records.append(record)
        return records


_SHARED_SOURCES = ("speed", "temperature", "clock", "offset", "distortion", "assumed")
_PER_TRACE = (
    "axial_length_mm",
    "axial_length_u_mm",
    "axial_length_u_shared_mm",
    "length_right",
    "aligned",
    "findings",
    "accepted",
    "decided_by",
)
# What files of version 0.1 call a feature, what it is called now, and the sign between them.
_RENAMED_FEATURES = {"least_stretch": ("most_broadening", -1)}
_RENAMED_FINDINGS = {"score_low": "length_doubtful"}

ARRAYS = ("delay_us", "delay_u_us", "length_mm", "by_hand", *_PER_TRACE)
"""Names of the arrays of a measurement, apart from its features."""


def _freeze(owner: object, name: str, array: NDArray[Any]) -> None:
    view = array.view()
    view.flags.writeable = False
    object.__setattr__(owner, name, view)


def concatenate(parts: Sequence[Measurement]) -> Measurement:
    """Join measurements of blocks of one recording, in order.

    Parameters
    ----------
    parts : sequence of Measurement
        At least one; of the same interfaces and segments.

    Returns
    -------
    Measurement

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/contact_sitting.h5"))
    >>> concatenate([result.select(slice(0, 4)), result.select(slice(4, 6))]).n_traces
    6
    """
    first = parts[0]
    if len(parts) == 1:
        return first
    changes: dict[str, Any] = {
        name: np.concatenate([getattr(part, name) for part in parts]) for name in ARRAYS
    }
    for name in COLUMNS:
        columns: list[Column] = [getattr(part, name) for part in parts]
        labels = tuple(dict.fromkeys(label for column in columns for label in column.labels))
        codes = [
            np.array([labels.index(label) for label in column.labels], np.int32)[column.codes]
            for column in columns
        ]
        changes[name] = Column(np.concatenate(codes), labels)
    # A block without traces of some eye state lacks that state's features: NaN there.
    names = dict.fromkeys(name for part in parts for name in part.features)
    changes["features"] = {
        name: np.concatenate(
            [part.features.get(name, np.full(part.n_traces, np.nan, np.float32)) for part in parts]
        )
        for name in names
    }
    return dataclasses.replace(first, **changes)
