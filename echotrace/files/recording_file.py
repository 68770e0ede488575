"""The native file of a recording: its layout, and reading it whole or block by block.

A recording has ``samples (trace, sample)``, ``delay_us (sample)`` and one column per trace for
everything that can differ between traces; a synthetic one has its truth in the group ``truth``.
Label columns are whole-number codes into a small table beside them (``subject`` into
``subject_label``), so that they stream like numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import EchotraceError, FileFormatError
from echotrace.files import chunks, hdf5
from echotrace.files.labels import read_column, read_provenance
from echotrace.recording import COLUMNS, Probe, Receiver, Recording, Signal, Truth

__all__ = [
    "CHUNK_BYTES",
    "PROBE_NUMBERS",
    "RECORDING_VERSION",
    "SIGNALS",
    "StoredSamples",
    "read_recording",
]

RECORDING_VERSION = 1

# Size of a chunk of samples, and why there is no compression unless asked for. 4000 noisy int16
# traces of 4096 samples (noise 0.5 % of full scale), chunks of 256 to 1024 KiB, one core, best of
# three, MB of samples per second:
#                          size   writing   reading
#   plain                  1.00    1200     800-3200
#   fletcher32             1.00     750     600-1200
#   shuffle, gzip 1, fl.   0.27 (8 bits) to 0.67 (16 bits)    55-85    160-290
# The checksum costs half of a rate that nothing else in the chain comes near, and finds damage
# that would otherwise be measured. Compression costs four times more on reading for half the disk.
CHUNK_BYTES = 512 * 1024

PROBE_NUMBERS = {
    "centre_frequency_hz": "centre frequency of the probe",
    "fractional_bandwidth": "-6 dB pulse-echo bandwidth over centre frequency",
    "aperture_mm": "diameter of the active disc",
    "focus_mm": "distance of the geometric focus in water",
    "face_delay_us": "two-way delay of the probe's face after delay zero",
    "face_delay_u_us": "standard uncertainty of the probe's face delay",
}
SIGNALS = tuple(str(item) for item in Signal)


@dataclass(frozen=True, slots=True)
class StoredSamples:
    """Samples that stay in their file; each slice opens it, reads, and closes it.

    Slices may be read by several threads at once.

    Attributes
    ----------
    path : Path
        Absolute, so that it holds when the working folder changes.
    shape : tuple of int
    dtype : numpy.dtype
    """

    path: Path
    shape: tuple[int, ...]
    dtype: np.dtype[Any]

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, key: Any, /) -> Any:
        row_key, rest = (key[0], key[1:]) if isinstance(key, tuple) else (key, ())
        if isinstance(row_key, slice) and row_key.step in (None, 1):
            # The usual case, a block of a long file, without a list of all of its rows.
            start, stop, _ = row_key.indices(self.shape[0])
            if (stop - start) * self.shape[1] * self.dtype.itemsize >= CHUNK_BYTES:
                read = chunks.read_rows(self.path, "samples", self.shape, self.dtype, start, stop)
                if read is not None:
                    return read[(slice(None), *rest)]
            rows = np.arange(start, stop)
        else:
            rows = np.arange(self.shape[0])[row_key]
        wanted, place = np.unique(rows, return_inverse=True)
        out = np.empty((wanted.size, self.shape[1]), self.dtype)
        with hdf5.opened(self.path, kind="recording", newest=RECORDING_VERSION) as (file, _):
            data = hdf5.dataset(file, "samples")
            if (data.shape, data.dtype) != (self.shape, self.dtype):
                raise FileFormatError(
                    f"{self.path}: the file was replaced since it was opened; read it again"
                )
            # Run by run: h5py picks single rows far more slowly than it reads stretches.
            for run in np.split(np.arange(wanted.size), np.flatnonzero(np.diff(wanted) != 1) + 1):
                if run.size:
                    first = int(wanted[run[0]])
                    data.read_direct(
                        out,
                        np.s_[first : first + run.size],
                        np.s_[int(run[0]) : int(run[0]) + run.size],
                    )
        ordered = np.array_equal(rows.reshape(-1), wanted)
        picked = out if ordered else out[place.reshape(-1)]
        picked = picked.reshape((*rows.shape, self.shape[1]))
        return picked[(..., *rest)] if rest else picked

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        if copy is False:
            raise ValueError("samples that lie in a file cannot be had without a copy")
        return np.asarray(self[:], dtype=dtype)


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
        The file is not there, not of this layout, cut short, damaged or locked.
    SchemaVersionError
        The file was written by a newer echotrace.
    """
    with hdf5.opened(path, kind="recording", newest=RECORDING_VERSION) as (file, _):
        data = hdf5.dataset(file, "samples")
        hdf5.check_form(data, (None, None), "if")
        n_traces, n_samples = (int(n) for n in data.shape)
        _check_delays(file, n_samples)
        samples = (
            StoredSamples(Path(path).resolve(), tuple(data.shape), data.dtype) if lazy else data[()]
        )
        fields: dict[str, Any] = {name: read_column(file, name, n_traces) for name in COLUMNS}
        fields |= {
            "sampling_rate_hz": hdf5.read_number(file, "sampling_rate_hz"),
            "start_delay_us": hdf5.read_number(file, "start_delay_us"),
            "signal": _read_signal(file),
            "gain_db": hdf5.read_array(file, "gain_db", (n_traces,), np.float32),
            "attributes": read_provenance(file),
        }
        try:
            return Recording(
                samples=samples,
                probe=Probe(
                    **{name: hdf5.read_number(file, f"probe_{name}") for name in PROBE_NUMBERS}
                ),
                receiver=_read_receiver(file),
                truth=_read_truth(file, n_traces),
                **fields,
            )
        except FileFormatError:
            raise
        except EchotraceError as error:
            raise FileFormatError(f"{path}: {error}") from error


def _check_delays(file: Any, n_samples: int) -> None:
    """Compare the rate and the start with the delays, which say the same under a checksum."""
    rate_hz = hdf5.read_number(file, "sampling_rate_hz")
    start_us = hdf5.read_number(file, "start_delay_us")
    delay_us = hdf5.read_array(file, "delay_us", (n_samples,))
    with np.errstate(all="ignore"):
        told = start_us + np.arange(n_samples) * (1e6 / np.float64(rate_hz))
    if not np.allclose(delay_us, told, rtol=1e-9, atol=1e-9):
        raise FileFormatError(
            f"{file.filename}: /delay_us does not agree with /sampling_rate_hz={rate_hz:g} and "
            f"/start_delay_us={start_us:g}; the file is damaged or was changed by another program"
        )


def _read_signal(file: Any) -> str:
    code = int(hdf5.read_array(file, "signal", (), kinds="iu"))
    if not 0 <= code < len(SIGNALS):
        raise FileFormatError(
            f"{file.filename}: /signal is {code}, not one of 0 to {len(SIGNALS) - 1}"
        )
    return SIGNALS[code]


def _read_receiver(file: Any) -> Receiver | None:
    if "receiver_full_scale" not in file:
        return None
    nodes: dict[str, tuple[float, ...]] = {}
    if "tgc_node" in file:
        nodes = {
            name: tuple(hdf5.read_array(file, name, (None,)).tolist())
            for name in ("tgc_delay_us", "tgc_gain_db")
        }
    return Receiver(
        full_scale=hdf5.read_number(file, "receiver_full_scale"),
        bits=int(hdf5.read_number(file, "receiver_bits")),
        **nodes,
    )


def _read_truth(file: Any, n_traces: int) -> Truth | None:
    group = file.get("truth")
    if group is None:
        return None
    interfaces = hdf5.read_label_table(group, "interface")
    return Truth(
        interfaces=interfaces,
        delay_us=hdf5.read_array(group, "delay_us", (n_traces, len(interfaces)), np.float64),
        columns={
            name: hdf5.read_array(group, name, (n_traces,))
            for name in group
            if name not in ("interface", "delay_us")
        },
    )
