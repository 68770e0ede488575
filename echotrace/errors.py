"""The errors and warnings echotrace raises.

Every error that bad input can cause is an :class:`EchotraceError`, so that a caller (and the
command line) can tell "your input" from "our bug" with one ``except``. A message names what was
given, what is allowed and what to do.
"""

from __future__ import annotations

__all__ = [
    "EchotraceError",
    "EchotraceWarning",
    "EstimationError",
    "FileFormatError",
    "MissingDetailError",
    "ParameterError",
    "RecordingError",
    "SchemaVersionError",
]


class EchotraceError(Exception):
    """Base class of every error that bad input can cause."""


class ParameterError(EchotraceError, ValueError):
    """An argument, a setting or a scenario value that is not allowed."""


class EstimationError(EchotraceError, ValueError):
    """A figure that the data do not prove, and that is therefore not given."""


class RecordingError(EchotraceError, ValueError):
    """Samples or columns that cannot form a recording."""


class FileFormatError(EchotraceError, ValueError):
    """A file that cannot be read as what it claims to be."""


class SchemaVersionError(FileFormatError):
    """A native file written by a newer echotrace than this one."""


class MissingDetailError(EchotraceError, ValueError):
    """Something the file does not say and that must not be guessed (sampling rate, method, …)."""


class EchotraceWarning(UserWarning):
    """Input that is usable but that a careful person would look at again."""
