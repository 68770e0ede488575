"""The native file: HDF5 that is also valid NetCDF-4, one layout for a trace or a million."""

from __future__ import annotations

from pathlib import Path

from echotrace.files import hdf5
from echotrace.files.measurement_file import (
    MEASUREMENT_VERSION,
    MeasurementWriter,
    read_measurement,
    write_measurement,
)
from echotrace.files.recording_file import RECORDING_VERSION, StoredSamples, read_recording
from echotrace.files.recording_writer import RecordingWriter, write_recording

__all__ = [
    "MEASUREMENT_VERSION",
    "RECORDING_VERSION",
    "MeasurementWriter",
    "RecordingWriter",
    "StoredSamples",
    "file_kind",
    "read",
    "read_measurement",
    "read_recording",
    "write",
    "write_measurement",
    "write_recording",
]

# Names of the public surface: recordings are what is read and written most.
read, write = read_recording, write_recording


def file_kind(path: str | Path) -> str:
    """Tell whether a native file holds a ``"recording"`` or a ``"measurement"``.

    Raises
    ------
    FileFormatError
        It is neither.
    """
    with hdf5.opened(path, kind=None) as (file, _):
        return str(file.attrs["schema_name"]).removeprefix("echotrace_")
