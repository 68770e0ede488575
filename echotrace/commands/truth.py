"""``--hide-truth`` and ``--show-truth``: what is known of a synthetic recording, kept or told."""

from __future__ import annotations

import argparse
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from echotrace.errors import ParameterError

if TYPE_CHECKING:
    from echotrace.measurement import Measurement
    from echotrace.recording import Recording

__all__ = [
    "HIDDEN_NAME",
    "add_truth_arguments",
    "blinded",
    "open_provenance",
    "truth_records",
    "truth_table",
    "truth_text",
    "truth_words",
]

HIDDEN_NAME = "recording"
"""What a file is called where its name could tell what is in it."""

# What says how a recording was made; that it is invented stays.
_TELLING = ("scenario", "description", "seed", "artefact_names")


def add_truth_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the two options, of which one may be given.

    Parameters
    ----------
    parser : argparse.ArgumentParser

    Examples
    --------
    >>> parser = argparse.ArgumentParser()
    >>> add_truth_arguments(parser)
    """
    either = parser.add_mutually_exclusive_group()
    either.add_argument(
        "--hide-truth",
        action="store_true",
        help="for tests: no truth, no description, no name of scenario or file in what is said",
    )
    either.add_argument(
        "--show-truth",
        action="store_true",
        help="for teaching: true length, error, tilt and pressing of synthetic scans",
    )


def open_provenance(attributes: Mapping[str, Any]) -> dict[str, Any]:
    """Provenance without what tells how a recording was made.

    Parameters
    ----------
    attributes : mapping of str to str

    Returns
    -------
    dict[str, Any]

    Examples
    --------
    >>> open_provenance({"source": "a.csv", "scenario": "off_axis.toml"})
    {'source': 'a.csv'}
    """
    return {name: text for name, text in attributes.items() if name not in _TELLING}


def blinded(recording: Recording) -> Recording:
    """The recording without its truth and without what tells how it was made.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    Recording

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> recording.truth is None, blinded(recording).truth is None
    (False, True)
    """
    return replace(recording, truth=None, attributes=open_provenance(recording.attributes))


def truth_records(
    recording: Recording, result: Measurement | None, source: str
) -> list[dict[str, Any]]:
    """What is true of each scan, and by how much the length read is wrong.

    Parameters
    ----------
    recording : Recording
    result : Measurement
    source : str
        Name of the file.

    Returns
    -------
    list[dict[str, Any]]

    Raises
    ------
    ParameterError
        The recording has no truth.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> result = et.measure(recording)
    >>> [abs(record["error_mm"]) < 0.1 for record in truth_records(recording, result, "a.h5")]
    [True, True, True, True, True, True]
    """
    if recording.truth is None or "axial_length_mm" not in recording.truth.columns:
        raise ParameterError(
            f"{source}: --show-truth: holds no truth; only synthetic recordings do"
        )
    columns = recording.truth.columns
    records = []
    for k in range(recording.n_traces):
        record: dict[str, Any] = {"scan": k + 1}
        for name in ("axial_length_mm", "tilt_deg", "decentration_mm", "compression_mm"):
            record[f"true_{name}"] = float(columns[name][k]) if name in columns else math.nan
        if result is not None:
            record["error_mm"] = float(result.axial_length_mm[k]) - record["true_axial_length_mm"]
        records.append(record)
    return records


_HEADS = {
    "scan": ("scan", "{:d}"),
    "true_axial_length_mm": ("true length (mm)", "{:.2f}"),
    "error_mm": ("error (mm)", "{:+.2f}"),
    "true_tilt_deg": ("tilt (°)", "{:.1f}"),
    "true_decentration_mm": ("beside the axis (mm)", "{:.2f}"),
    "true_compression_mm": ("pressing (mm)", "{:.2f}"),
}


def truth_table(records: Sequence[Mapping[str, Any]]) -> tuple[list[str], list[list[str]]]:
    """Names of the columns and one row a scan, as texts.

    Parameters
    ----------
    records : list of dict
        As :func:`truth_records` makes them.

    Returns
    -------
    tuple[list[str], list[list[str]]]

    Examples
    --------
    >>> head, rows = truth_table([{"scan": 1, "true_axial_length_mm": 23.41, "error_mm": 0.02}])
    >>> head, rows
    (['scan', 'true length (mm)', 'error (mm)'], [['1', '23.41', '+0.02']])
    """
    shown = [name for name in _HEADS if name in records[0]]
    rows = [
        [
            _HEADS[name][1].format(record[name]) if math.isfinite(record[name]) else "-"
            for name in shown
        ]
        for record in records
    ]
    return [_HEADS[name][0] for name in shown], rows


def truth_text(records: Sequence[Mapping[str, Any]]) -> str:
    """The truth as a table for the terminal.

    Parameters
    ----------
    records : list of dict
        As :func:`truth_records` makes them.

    Returns
    -------
    str

    Examples
    --------
    >>> print(truth_text([{"scan": 1, "true_axial_length_mm": 23.41, "error_mm": 0.02}]))
    Truth (error: length read less the true length along the axis)
    scan  true length (mm)  error (mm)
    ----  ----------------  ----------
       1             23.41       +0.02
    """
    head, rows = truth_table(records)
    wide = [max(len(row[k]) for row in (head, *rows)) for k in range(len(head))]
    lines = [
        "  ".join(cell.rjust(w) for cell, w in zip(row, wide, strict=True))
        for row in (head, ["-" * w for w in wide], *rows)
    ]
    return "\n".join(["Truth (error: length read less the true length along the axis)", *lines])


def truth_words(record: Mapping[str, Any]) -> str:
    """The truth of one scan in a few words, for the title of a picture.

    Parameters
    ----------
    record : dict
        One of those of :func:`truth_records`.

    Returns
    -------
    str

    Examples
    --------
    >>> record = {
    ...     "scan": 1, "true_axial_length_mm": 23.41, "error_mm": 0.02, "true_tilt_deg": 0.4,
    ...     "true_decentration_mm": 0.1, "true_compression_mm": 0.0,
    ... }
    >>> truth_words(record)
    'true 23.41 mm, error +0.02 mm, tilt 0.4°, pressing 0.00 mm'
    """
    error = record["error_mm"]
    said = "" if math.isnan(error) else f", error {error:+.2f} mm"
    return (
        f"true {record['true_axial_length_mm']:.2f} mm{said}, tilt "
        f"{record['true_tilt_deg']:.1f}°, pressing {record['true_compression_mm']:.2f} mm"
    )
