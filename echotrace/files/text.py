"""Traces from text: comma, semicolon, tab or blank separated, as laboratory instruments save them.

A time column or an index is recognised and checked, and decimal commas read. What is ambiguous is
refused with the option that settles it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import FileFormatError, MissingDetailError
from echotrace.files.foreign import Foreign, oriented
from echotrace.files.text_lines import (
    DELIMITERS,
    NumberLines,
    counts,
    read_number_lines,
)
from echotrace.recording import MIN_SAMPLES

__all__ = ["DELIMITERS", "TIME_UNITS", "read_text"]

TIME_UNITS = {"s": 1e6, "ms": 1e3, "us": 1.0, "ns": 1e-3}
"""Units a time column can have, as µs."""

STEP_TOLERANCE = 1e-3
"""Largest deviation of a time column's step from its median, as a part of it."""

# Headings of a time column, also as instruments set to another language write them.
_TIME_HEADER = re.compile(
    r"[^a-z0-9]*(time|delay|seconds?|t|zeit|sekunden?|temps|secondes?|tiempo|segundos?|tempo)"
    r"(?![a-z0-9])",
    re.IGNORECASE,
)
_INDEX_HEADER = re.compile(
    r"\s*(samples?|index|points?|no|nr|n|traces?|scans?|unnamed: 0)(?![a-z0-9])", re.IGNORECASE
)
_UNIT = re.compile(
    r"(?:^|[\s(\[/_,])(seconds?|sekunden?|secondes?|segundos?|s|ms|us|µs|μs|ns)(?:$|[\s)\]])",
    re.IGNORECASE,
)

_VALUE_UNIT = re.compile(r"(?:^|[\s(\[/_,])(volts?|mv|uv|µv|μv|v)(?:$|[\s)\]])", re.IGNORECASE)


def read_text(
    path: Path,
    *,
    samples_first: bool = False,
    delimiter: str | None = None,
    decimal: str | None = None,
    time_unit: str | None = None,
    ignore_timing: bool = False,
    skip_lines: int | None = None,
    index_column: bool | None = None,
) -> Foreign:
    r"""Read traces from a text file.

    Parameters
    ----------
    path : Path
    samples_first : bool
        Each line is a sample and each column a trace. A time column says so by itself.
    delimiter : {"comma", "semicolon", "tab", "blank"}, optional
    decimal : {"point", "comma"}, optional
    time_unit : {"s", "ms", "us", "ns"}, optional
        Unit of the time column, where its header does not say.
    ignore_timing : bool
        Leave a time column out of account.
    skip_lines : int, optional
        Lines at the beginning that are left out; given, no line of the preamble is doubted.
    index_column : bool, optional
        Whether the first column only numbers the lines. Told from the header where it is not
        given.

    Returns
    -------
    Foreign

    Raises
    ------
    FileFormatError
        No numbers, something else among them, lines of mixed lengths, or a time column that is not
        uniform, with the line.
    MissingDetailError
        A time column without a unit, or a first column that may be an index.

    Examples
    --------
    >>> file = folder / "trace.csv"
    >>> rows = (f"{k * 0.01:.2f},{k % 7}" for k in range(100))
    >>> _ = file.write_text("time_us,amplitude\n" + "\n".join(rows) + "\n")
    >>> found = read_text(file)
    >>> found.samples.shape, round(found.sampling_rate_hz / 1e6, 6)
    ((1, 100), 100.0)
    """
    block = read_number_lines(path, delimiter=delimiter, decimal=decimal, skip_lines=skip_lines)
    block = _without_index(block, index_column)
    values = block.values
    in_column = _column_kind(path, block, index_column)
    in_row = None
    if in_column != "time" and values.shape[0] > 1:
        first = values[0, 1:] if in_column else values[0]
        _ask_of_heading(path, block, first, skip_lines)
        in_row = None if samples_first else _risen(first)
    if in_column == "index" and in_row is None:
        by_line = _lines_are_samples(block, samples_first)
        return Foreign(samples=_integral(oriented(values[:, 1:], by_line)))
    if in_column is None and in_row is None:
        return Foreign(samples=_integral(oriented(values, samples_first)))
    if in_row is not None:
        body = values[:, 1:] if in_column else values
        times, samples, first_line = body[0], body[1:], 0
    else:
        times, samples, first_line = values[:, 0], values[:, 1:].T, block.first_line
    if ignore_timing or in_row == "index":
        return Foreign(samples=_integral(samples))
    unit = time_unit or _unit_in(block.header)
    if unit is None:
        raise MissingDetailError(
            f"{path}: the time column has no unit that can be recognised; give it with --time-unit "
            "(s, ms, us or ns)"
        )
    origin = "the row of times" if in_row else "the time column"
    rate_hz, start_us = _timing(path, times * TIME_UNITS[unit], first_line)
    return Foreign(
        samples=_integral(samples),
        sampling_rate_hz=rate_hz,
        start_delay_us=start_us,
        rate_from=origin,
        delay_from=origin,
        rate_tolerance=STEP_TOLERANCE / 10.0,
        value_unit=_value_unit_in(block.header),
    )


def _without_index(block: NumberLines, told: bool | None) -> NumberLines:
    """Lines without the numbers that a table has in front of its time column."""
    values = block.values
    if told is False or values.shape[1] < 3:
        return block
    names = next((n for n in reversed(block.header) if len(n) == values.shape[1]), None)
    if names is None or not _TIME_HEADER.match(names[1]):
        return block
    if (names[0] and not _INDEX_HEADER.match(names[0])) or not counts(values[:, 0]):
        return block
    header = [n[1:] if len(n) == values.shape[1] else n for n in block.header]
    return replace(block, values=values[:, 1:], header=header)


def _column_kind(path: Path, block: NumberLines, told: bool | None) -> str | None:
    """Tell whether the first column holds times or only numbers the lines.

    A header can say so. Without one, values that rise at every one of many steps are no echo, and
    what counts from 0 or 1 is an index; a short count could be either.
    """
    if block.values.shape[1] < 2:
        return None
    values = block.values[:, 0]
    if told is not None:
        return "index" if told else _risen(values, no_index=True)
    rises = bool(np.all(np.diff(values) > 0.0))
    for names in reversed(block.header):
        if len(names) >= 2:
            if _TIME_HEADER.match(names[0]):
                return "time"
            if (not names[0] or _INDEX_HEADER.match(names[0])) and rises:
                return "index" if names[0] or counts(values) else _risen(values)
    kind = _risen(values)
    if kind is None and values.size > 1 and counts(values):
        raise MissingDetailError(
            f"{path}: the first column counts {values[0]:g}, {values[1]:g}, …: say whether it only "
            "numbers the lines (--index-column) or holds samples (--no-index-column)"
        )
    return kind


def _risen(values: NDArray[np.float64], no_index: bool = False) -> str | None:
    if values.size < MIN_SAMPLES or not np.all(np.diff(values) > 0.0):
        return None
    return "index" if counts(values) and not no_index else "time"


def _ask_of_heading(
    path: Path, block: NumberLines, values: NDArray[np.float64], skip_lines: int | None
) -> None:
    """Ask where a first line of few numbers counts the columns, as tables without names do."""
    few = 1 < values.size < MIN_SAMPLES and not block.header
    if few and skip_lines is None and counts(values):
        raise MissingDetailError(
            f"{path}: line {block.first_line} counts {values[0]:g}, {values[1]:g}, …: say whether "
            f"it is a heading (--skip-lines {block.first_line}) or holds samples (--skip-lines 0)"
        )


def _lines_are_samples(block: NumberLines, samples_first: bool) -> bool:
    """Whether what an index numbers are samples: by their number, by its name, or as told."""
    n_lines, n_columns = block.values.shape
    if min(n_lines, n_columns - 1) < MIN_SAMPLES:
        return bool(n_lines >= n_columns)
    name = block.header[-1][0].lower() if block.header else ""
    if name.startswith(("sample", "point")):
        return True
    return samples_first and not name.startswith(("trace", "scan"))


def _unit_in(header: Sequence[Sequence[str]]) -> str | None:
    """Find the unit of the time column in its header, or in the line of units below."""
    for k, names in enumerate(header):
        if names and _TIME_HEADER.match(names[0]):
            below = [header[k + 1][0]] if k + 1 < len(header) and header[k + 1] else []
            for text in (names[0], *below):
                match = _UNIT.search(text)
                if match:
                    unit = match.group(1).lower().replace("µ", "u").replace("μ", "u")
                    return "s" if unit.startswith(("sec", "sek", "seg")) else unit
    return None


def _value_unit_in(header: Sequence[Sequence[str]]) -> str:
    """The unit of the samples, if the heading of the first column behind the times names one."""
    for k, names in enumerate(header):
        if len(names) > 1 and _TIME_HEADER.match(names[0]):
            below = [header[k + 1][1]] if k + 1 < len(header) and len(header[k + 1]) > 1 else []
            for text in (names[1], *below):
                match = _VALUE_UNIT.search(text)
                if match:
                    unit = match.group(1).lower().replace("µ", "u").replace("μ", "u")
                    return {"mv": "mV", "uv": "uV"}.get(unit, "V")
    return ""


def _timing(path: Path, times_us: NDArray[np.float64], first_line: int) -> tuple[float, float]:
    """Sampling rate, Hz, and first delay, µs, of times that must be uniform."""
    if not np.isfinite(times_us).all():
        row = int(np.flatnonzero(~np.isfinite(times_us))[0])
        raise FileFormatError(f"{path}: the time {_place(row, first_line)} is not a number")
    if times_us.size < 2:
        raise FileFormatError(f"{path}: one time is not enough to tell the sampling rate")
    steps = np.diff(times_us)
    step_us = float(np.median(steps))
    if step_us <= 0.0:
        raise FileFormatError(f"{path}: the time column does not rise")
    wrong = np.abs(steps - step_us) > STEP_TOLERANCE * step_us
    if wrong.any():
        row = int(np.flatnonzero(wrong)[0]) + 1
        raise FileFormatError(
            f"{path}: the time {_place(row, first_line)} is {steps[row - 1]:.6g} us after the one "
            f"before, the others are {step_us:.6g} us apart; save times with more digits, or give "
            "--ignore-file-timing and --sampling-rate-mhz"
        )
    rate_hz = 1e6 * (times_us.size - 1) / float(times_us[-1] - times_us[0])
    # Nine digits: what is beyond them is the rounding of the printed times.
    return float(f"{rate_hz:.9g}"), float(f"{times_us[0]:.12g}")


def _place(row: int, first_line: int) -> str:
    return f"in line {first_line + row} (row {row + 1})" if first_line else f"in column {row + 1}"


def _integral(samples: NDArray[np.float64]) -> NDArray[np.float64] | NDArray[np.int16]:
    """Keep whole numbers in the range of a converter as int16, which is what they were."""
    whole = np.isfinite(samples).all() and np.array_equal(samples, np.rint(samples))
    if whole and np.abs(samples).max() <= 32767:
        return samples.astype(np.int16)
    return samples
