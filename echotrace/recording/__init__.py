"""The data model of what was received: samples, how they were acquired, and labels per trace.

A :class:`Recording` is validated once, on construction, and never changes. Delay zero is the
centre of the transmitted pulse at the probe's face; all delays are two-way, in microseconds.
"""

from echotrace.recording.acquisition import Probe, Receiver
from echotrace.recording.labels import (
    COLUMNS,
    Column,
    Eye,
    LensState,
    Method,
    Signal,
    distinct_rows,
)
from echotrace.recording.samples import MIN_SAMPLES, SampleStore
from echotrace.recording.traces import Recording
from echotrace.recording.truth import Truth

__all__ = [
    "COLUMNS",
    "MIN_SAMPLES",
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
