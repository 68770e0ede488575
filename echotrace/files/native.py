"""The native file: HDF5 that is also valid NetCDF-4, one layout for a trace or a million."""

from __future__ import annotations

from pathlib import Path

from echotrace.files.hdf5_reading import opened
from echotrace.files.measurement_file import (
    MEASUREMENT_VERSION,
    MeasurementWriter,
    read_measurement,
    write_measurement,
)
from echotrace.files.recording_file import RECORDING_VERSION, read_recording
from echotrace.files.recording_writer import RecordingWriter, write_recording
from echotrace.files.stored_samples import StoredSamples

__all__ = [
    "MEASUREMENT_VERSION",
    "RECORDING_VERSION",
    "MeasurementWriter",
    "RecordingWriter",
    "StoredSamples",
    "content_digest",
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


def content_digest(path: str | Path) -> str:
    """The digest that a native file keeps over all that a result depends on, and all labels.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    str
        32 hexadecimal digits; empty for a file of schema 1, which has none. Reading the file
        holds its content against it.

    Raises
    ------
    FileFormatError
        The file is not native or cannot be read.

    Examples
    --------
    >>> len(content_digest("synthetic_traces/contact_sitting.h5"))
    32
    """
    with opened(path, kind=None) as root:
        return root.text("content_digest")


def file_kind(path: str | Path) -> str:
    """Tell whether a native file holds a ``"recording"`` or a ``"measurement"``.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    {"recording", "measurement"}

    Raises
    ------
    FileFormatError
        It is neither.

    Examples
    --------
    >>> file_kind("synthetic_traces/contact_sitting.h5")
    'recording'
    """
    with opened(path, kind=None) as root:
        return root.text("schema_name").removeprefix("echotrace_")
