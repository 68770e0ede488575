"""The native file of a recording: its layout, and reading it whole or block by block.

A recording has ``samples (trace, sample)``, ``delay_us (sample)`` and one column per trace for
everything that can differ between traces; a synthetic one has its truth in the group ``truth``.
Label columns are whole-number codes into a small table beside them (``subject`` into
``subject_label``), so that they stream like numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from echotrace.errors import EchotraceError, FileFormatError
from echotrace.files.digest import ContentDigest
from echotrace.files.hdf5_reading import NativeGroup, damaged, opened
from echotrace.files.labels import (
    add_labels,
    check_digest,
    has_digest,
    read_column,
    read_provenance,
    warn_without_digest,
)
from echotrace.files.stored_samples import CHUNK_BYTES, StoredSamples, checked_blocks, rows_in
from echotrace.recording import COLUMNS, Probe, Receiver, Recording, Signal, Truth

__all__ = ["PROBE_NUMBERS", "RECORDING_VERSION", "SIGNALS", "add_facts", "read_recording"]

RECORDING_VERSION = 2
"""2: with a content digest, which version 1 had not."""

PROBE_NUMBERS = {
    "centre_frequency_hz": "centre frequency of the probe",
    "fractional_bandwidth": "-6 dB pulse-echo bandwidth over centre frequency",
    "aperture_mm": "diameter of the active disc",
    "focus_mm": "distance of the geometric focus in water",
    "face_delay_us": "two-way delay of the probe's face after delay zero",
    "face_delay_u_us": "standard uncertainty of the probe's face delay",
}
SIGNALS = tuple(str(item) for item in Signal)


def read_recording(path: str | Path, *, lazy: bool = False) -> Recording:
    """Read a recording from a native file.

    Parameters
    ----------
    path : str or Path
    lazy : bool
        Leave the samples in the file and read each slice when it is asked for. The file is open
        only while a slice is read. Values are then checked block by block instead of at once.

    Returns
    -------
    Recording

    Raises
    ------
    FileFormatError
        The file is not there, not of this layout, cut short, damaged, locked, or changed while it
        was read.
    SchemaVersionError
        The file was written by a newer echotrace.

    Warns
    -----
    EchotraceWarning
        The file is of schema 1, which has no content digest.

    Examples
    --------
    >>> recording = read_recording("synthetic_traces/contact_sitting.h5", lazy=True)
    >>> recording.samples[1:3].shape
    (2, 3904)
    """
    with opened(path, kind="recording", newest=RECORDING_VERSION) as root:
        digest = ContentDigest()
        samples = _read_samples(root, digest, lazy)
        n_traces, n_samples = samples.shape
        columns: dict[str, Any] = {name: read_column(root, name, n_traces) for name in COLUMNS}
        for name, column in columns.items():
            digest.array(name, column.codes)
        add_labels(digest, {name: column.labels for name, column in columns.items()})
        fields: dict[str, Any] = {
            "sampling_rate_hz": root.number("sampling_rate_hz"),
            "start_delay_us": root.number("start_delay_us"),
            "signal": _read_signal(root),
            "attributes": read_provenance(root),
        }
        try:
            fields["probe"] = Probe(
                **{name: root.number(f"probe_{name}") for name in PROBE_NUMBERS}
            )
            fields["receiver"] = _read_receiver(root)
            add_facts(digest, **fields)
            fields["gain_db"] = root.array("gain_db", (n_traces,), np.float32)
            digest.array("gain_db", fields["gain_db"])
            fields["truth"] = _read_truth(root, n_traces, digest)
            _check_delays(root, n_samples)
            check_digest(root, digest)
            recording = Recording(samples=samples, **columns, **fields)
        except FileFormatError:
            raise
        except EchotraceError as error:
            raise FileFormatError(f"{path}: {error}") from error
        warn_without_digest(root)
    return recording


def add_facts(
    digest: ContentDigest,
    *,
    sampling_rate_hz: float,
    start_delay_us: float,
    signal: str,
    probe: Probe,
    receiver: Receiver | None,
    attributes: Mapping[str, str],
) -> None:
    """Add to a digest what all traces of a recording share.

    Parameters
    ----------
    digest : ContentDigest
    sampling_rate_hz, start_delay_us, signal, probe, receiver, attributes
        As in a :class:`~echotrace.recording.Recording`.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/contact_sitting.h5")
    >>> digest = ContentDigest()
    >>> add_facts(
    ...     digest,
    ...     sampling_rate_hz=recording.sampling_rate_hz,
    ...     start_delay_us=recording.start_delay_us,
    ...     signal=recording.signal,
    ...     probe=recording.probe,
    ...     receiver=recording.receiver,
    ...     attributes=recording.attributes,
    ... )
    >>> len(digest.hexdigest())
    32
    """
    digest.number("sampling_rate_hz", sampling_rate_hz)
    digest.number("start_delay_us", start_delay_us)
    digest.texts("signal", str(signal))
    digest.texts("provenance", attributes)
    for name in PROBE_NUMBERS:
        digest.number(f"probe_{name}", getattr(probe, name))
    if receiver is not None:
        digest.number("receiver_full_scale", receiver.full_scale)
        digest.number("receiver_bits", receiver.bits)
        for name in ("tgc_delay_us", "tgc_gain_db"):
            digest.array(name, np.array(getattr(receiver, name), np.float64))


def _read_samples(root: NativeGroup, digest: ContentDigest, lazy: bool) -> Any:
    data = root.form_of("samples", (None, None), "if")
    shape = tuple(int(n) for n in data.shape)
    if not all(shape):
        raise FileFormatError(f"{root.path}: /samples has shape {shape}, so it holds no traces")
    block_rows, digests = rows_in(CHUNK_BYTES, shape[1], data.dtype), b""
    if has_digest(root):
        told = root.array("samples_digest", (None,), np.uint64, kinds="u")
        block_rows = int(root.dataset("samples_digest").attrs.get("rows_per_block", 0))
        if block_rows < 1 or told.size != -(-shape[0] // block_rows):
            raise damaged(root.path, "the digests of its samples do not fit their number")
        digest.array("samples_digest", told)
        digest.number("rows_per_block", block_rows)
        digest.texts("samples", [str(shape), data.dtype.str])
        digests = told.tobytes()
    stored = StoredSamples(
        path=root.path.resolve(),
        shape=shape,
        dtype=data.dtype,
        state=root.guard.state,
        block_rows=block_rows,
        digests=digests,
    )
    if lazy:
        return stored
    root.afford(data)
    if data.size * data.dtype.itemsize >= CHUNK_BYTES:
        return stored[:]
    return checked_blocks(root.path, np.asarray(data[()]), 0, block_rows, digests)


def _check_delays(root: NativeGroup, n_samples: int) -> None:
    """Compare the rate and the start with the delays, which say the same under a checksum."""
    rate_hz = root.number("sampling_rate_hz")
    start_us = root.number("start_delay_us")
    delay_us = root.array("delay_us", (n_samples,))
    with np.errstate(all="ignore"):
        told = start_us + np.arange(n_samples) * (1e6 / np.float64(rate_hz))
    if not np.allclose(delay_us, told, rtol=1e-9, atol=1e-9):
        raise FileFormatError(
            f"{root.path}: /delay_us does not agree with /sampling_rate_hz={rate_hz:g} and "
            f"/start_delay_us={start_us:g}; the file is damaged or was changed by another program"
        )


def _read_signal(root: NativeGroup) -> str:
    code = root.whole_number("signal")
    if not 0 <= code < len(SIGNALS):
        raise FileFormatError(f"{root.path}: /signal is {code}, not one of 0 to {len(SIGNALS) - 1}")
    return SIGNALS[code]


def _read_receiver(root: NativeGroup) -> Receiver | None:
    if "receiver_full_scale" not in root:
        return None
    nodes: dict[str, tuple[float, ...]] = {}
    if "tgc_node" in root:
        nodes = {
            name: tuple(root.array(name, (None,)).tolist())
            for name in ("tgc_delay_us", "tgc_gain_db")
        }
    return Receiver(
        full_scale=root.number("receiver_full_scale"),
        bits=root.whole_number("receiver_bits"),
        **nodes,
    )


def _read_truth(root: NativeGroup, n_traces: int, digest: ContentDigest) -> Truth | None:
    group = root.subgroup("truth")
    if group is None:
        return None
    interfaces = group.labels("interface")
    delay_us = group.array("delay_us", (n_traces, len(interfaces)), np.float64)
    columns = {
        name: group.array(name, (n_traces,))
        for name in group
        if name not in ("interface", "delay_us")
    }
    digest.texts("truth/interface", interfaces)
    digest.texts("truth", list(columns))
    for name, values in {"delay_us": delay_us, **columns}.items():
        digest.array(f"truth/{name}", values)
    return Truth(interfaces=interfaces, delay_us=delay_us, columns=columns)
