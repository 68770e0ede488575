"""What is in a native file, as plain data for a table or for JSON."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from echotrace.files.layout import layout_problems
from echotrace.files.native import (
    content_digest,
    file_kind,
    read_measurement,
    read_recording,
)
from echotrace.measurement import Measurement
from echotrace.recording import COLUMNS, Recording
from echotrace.signal.receiver import clipped_samples

__all__ = ["describe"]

_BLOCK_SAMPLES = 4_000_000


def describe(path: str | Path) -> dict[str, Any]:
    """Describe a recording or a measurement; the samples are walked block by block.

    Parameters
    ----------
    path : str or Path
        A native file.

    Returns
    -------
    dict
        Of numbers, texts, lists and dicts; None where something is not stated.

    Raises
    ------
    FileFormatError
        The file is not native or cannot be read.

    Examples
    --------
    >>> about = describe("synthetic_traces/contact_sitting.h5")
    >>> about["kind"], about["n_traces"], about["sampling_rate_hz"]
    ('recording', 6, 100000000.0)
    """
    kind = file_kind(path)
    about: dict[str, Any] = {"file": Path(path).name, "kind": kind}
    if kind == "recording":
        about |= _recording(read_recording(path, lazy=True))
    else:
        about |= _measurement(read_measurement(path))
    about["content_digest"] = content_digest(path) or None
    about["layout_problems"] = layout_problems(path)
    return about


def _recording(recording: Recording) -> dict[str, Any]:
    low, high, clipped_share = _sample_range(recording)
    receiver = recording.receiver
    gain = recording.gain_db[np.isfinite(recording.gain_db)]
    return {
        "n_traces": recording.n_traces,
        "n_samples": recording.n_samples,
        "dtype": str(recording.samples.dtype),
        "signal": str(recording.signal),
        "sampling_rate_hz": recording.sampling_rate_hz,
        "start_delay_us": recording.start_delay_us,
        "stop_delay_us": float(recording.delay_us[-1]),
        "sample_min": low,
        "sample_max": high,
        "clipped_share": clipped_share,
        "probe": {
            name: _stated(getattr(recording.probe, name)) for name in recording.probe.__slots__
        },
        "receiver": None
        if receiver is None
        else {name: getattr(receiver, name) for name in receiver.__slots__},
        "gain_db": [float(gain.min()), float(gain.max())] if gain.size else None,
        "truth": None
        if recording.truth is None
        else {
            "interfaces": list(recording.truth.interfaces),
            "columns": list(recording.truth.columns),
        },
        "sittings": _sittings(recording),
        "provenance": dict(recording.attributes),
    }


def _stated(value: float) -> float | None:
    return None if math.isnan(value) else value


def _sample_range(recording: Recording) -> tuple[float, float, float]:
    """Lowest and highest sample, and the share of clipped samples."""
    low, high, n_clipped = math.inf, -math.inf, 0
    for block in recording.blocks(max(1, _BLOCK_SAMPLES // recording.n_samples)):
        samples = np.asarray(block.samples[:])
        low, high = min(low, float(samples.min())), max(high, float(samples.max()))
        n_clipped += int(np.count_nonzero(clipped_samples(samples, recording.receiver)))
    return low, high, n_clipped / (recording.n_traces * recording.n_samples)


def _sittings(labelled: Recording | Measurement) -> list[dict[str, Any]]:
    codes = np.stack([getattr(labelled, name).codes for name in COLUMNS], axis=1)
    _, first, counts = np.unique(codes, axis=0, return_index=True, return_counts=True)
    return [
        {name: getattr(labelled, name)[int(first[k])] for name in COLUMNS}
        | {"n_traces": int(counts[k])}
        for k in np.argsort(first, kind="stable")
    ]


def _measurement(measurement: Measurement) -> dict[str, Any]:
    accepted = measurement.accepted
    lengths = measurement.axial_length_mm[accepted]
    lengths = lengths[np.isfinite(lengths)]
    counts = {name: int(measurement.has_finding(name).sum()) for name in measurement.finding_names}
    return {
        "n_traces": measurement.n_traces,
        "n_accepted": int(accepted.sum()),
        "n_decided_by_hand": int(np.count_nonzero(measurement.decided_by)),
        "n_set_by_hand": int(np.count_nonzero(measurement.by_hand.any(axis=1))),
        "accepted_axial_length_mm": [float(lengths.min()), float(lengths.max())]
        if lengths.size
        else None,
        "interfaces": list(measurement.interfaces),
        "segments": list(measurement.segments),
        "features": list(measurement.features),
        "findings": {name: n for name, n in counts.items() if n},
        "sittings": _sittings(measurement) if measurement.n_traces else [],
        "engine": measurement.engine,
        "settings": measurement.settings_json,
        "provenance": dict(measurement.attributes),
    }
