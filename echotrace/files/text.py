"""Traces from text: comma, semicolon, tab or blank separated, as laboratory instruments save them.

A preamble is skipped, a time column recognised and checked, and decimal commas read. What is
ambiguous is refused with the option that settles it.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import FileFormatError, MissingDetailError, ParameterError
from echotrace.files.csv_table import decoded_text
from echotrace.files.foreign import Foreign, oriented
from echotrace.recording import MIN_SAMPLES

__all__ = ["DELIMITERS", "TIME_UNITS", "read_text"]

TIME_UNITS = {"s": 1e6, "ms": 1e3, "us": 1.0, "ns": 1e-3}
"""Units a time column can have, as µs."""

DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "blank": " "}
"""Names of what can stand between values."""

STEP_TOLERANCE = 1e-3
"""Largest deviation of a time column's step from its median, as a part of it."""

_DECIMALS = {"point": ".", "comma": ","}
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?|[+-]?(nan|inf(inity)?)", re.IGNORECASE)
# What a line of plain numbers cannot hold; behind commas also a number such as "012".
_UNPLAIN = re.compile(r"[^\d\s.,;+\-eE]")
_UNPLAIN_COMMAS = re.compile(rf"{_UNPLAIN.pattern}|(^|,)\s*0\d")
_TIME_HEADER = re.compile(r"\s*(time|delay|t)(?![a-z0-9])", re.IGNORECASE)
_INDEX_HEADER = re.compile(r"\s*(samples?|index|points?|no|nr|n)(?![a-z0-9])", re.IGNORECASE)
_UNIT = re.compile(r"(?:^|[\s(\[/_,])(seconds?|s|ms|us|µs|μs|ns)(?:$|[\s)\]])", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class _Block:
    """The numbers of a text file, and where they stand in it."""

    values: NDArray[np.float64]
    first_line: int
    header: list[list[str]]


def read_text(
    path: Path,
    *,
    samples_first: bool = False,
    delimiter: str | None = None,
    decimal: str | None = None,
    time_unit: str | None = None,
    ignore_timing: bool = False,
) -> Foreign:
    """Read traces from a text file.

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

    Raises
    ------
    FileFormatError
        No numbers, lines of mixed lengths, or a time column that is not uniform, with the line.
    MissingDetailError
        A time column without a unit.
    """
    block = _numbers(path, decoded_text(path), delimiter, decimal)
    values = block.values
    in_column = _time_kind(block, values[:, 0]) if values.shape[1] > 1 else None
    in_row = None
    if in_column is None and values.shape[0] > 1 and not samples_first:
        in_row = _time_kind(None, values[0])
    if in_column is None and in_row is None:
        return Foreign(samples=_integral(oriented(values, samples_first)))
    times = values[:, 0] if in_column else values[0]
    samples = values[:, 1:].T if in_column else values[1:]
    if ignore_timing or "index" in (in_column, in_row):
        return Foreign(samples=_integral(samples))
    unit = time_unit or _unit_in(block.header)
    if unit is None:
        raise MissingDetailError(
            f"{path}: the time column has no unit that can be recognised; give it with --time-unit "
            "(s, ms, us or ns)"
        )
    first_line = block.first_line if in_column else 0
    origin = "the time column" if in_column else "the row of times"
    rate_hz, start_us = _timing(path, times * TIME_UNITS[unit], first_line)
    return Foreign(
        samples=_integral(samples),
        sampling_rate_hz=rate_hz,
        start_delay_us=start_us,
        rate_from=origin,
        delay_from=origin,
        rate_tolerance=STEP_TOLERANCE / 10.0,
    )


def _numbers(path: Path, text: str, delimiter: str | None, decimal: str | None) -> _Block:
    lines = text.splitlines()
    mark = DELIMITERS[delimiter] if delimiter else _guess_delimiter(lines, decimal)
    point = _DECIMALS[decimal] if decimal else _guess_decimal(lines, mark)
    n_beside = _columns_beside(lines, mark)
    rows: list[list[float]] = []
    header: list[list[str]] = []
    first_line = 0
    for number, line in enumerate(lines, start=1):
        fields = _split(line, mark)[n_beside:]
        if not any(fields):
            continue
        values = _as_numbers(fields, point)
        if values is None:
            if len(rows) <= 1:
                # One line of numbers among words is still preamble ("points, 2500").
                header.extend([[str(x) for x in row] for row in rows])
                rows = []
                header.append(fields)
                continue
            bad = next(item for item in fields if _as_numbers([item], point) is None)
            raise FileFormatError(
                f"{path}: line {number} holds {bad!r} among the numbers; take it out or repair it"
            )
        if rows and len(values) != len(rows[0]):
            if len(rows) == 1:
                header.append([str(x) for x in rows[0]])
                rows = []
            else:
                raise FileFormatError(
                    f"{path}: line {number} has {len(values)} values, the lines before "
                    f"{len(rows[0])} (traces of mixed lengths?); cut or pad them to one length"
                )
        if not rows:
            first_line = number
        if mark == "," and point == ".":
            _check_not_decimal_commas(path, number, fields)
        rows.append(values)
        if len(rows) == 2 and not n_beside:
            rest = _plain_rest(lines[number:], mark, point, len(values))
            if rest is not None:
                return _Block(np.vstack([rows, rest]), first_line, header)
    if not rows:
        raise FileFormatError(f"{path}: no numbers found; is it a text file of traces?")
    return _Block(np.array(rows, dtype=np.float64), first_line, header)


def _columns_beside(lines: Sequence[str], mark: str) -> int:
    """Columns that hold a preamble beside the first numbers and are empty at the last."""
    last = next((line for line in reversed(lines) if line.strip()), "")
    fields = _split(last, mark)
    return next((k for k, item in enumerate(fields) if item), 0)


def _plain_rest(
    lines: Sequence[str], mark: str, point: str, n_columns: int
) -> NDArray[np.float64] | None:
    """Read the lines behind the first two at once, ten times faster than one by one.

    None where anything is out of the ordinary: the careful way then finds the line to name.
    """
    body = [line for line in lines if line.strip()]
    unplain = _UNPLAIN_COMMAS if mark == "," else _UNPLAIN
    if not body or any(unplain.search(line) for line in body):
        return None
    if point == ",":
        body = [line.replace(",", ".") for line in body]
    try:
        values = np.loadtxt(
            body, delimiter=None if mark == " " else mark, comments=None, ndmin=2, dtype=np.float64
        )
    except ValueError:
        return None
    return values if values.shape[1] == n_columns else None


def _split(line: str, mark: str) -> list[str]:
    if mark == " ":
        fields = line.replace('"', "").split()
    else:
        fields = next(csv.reader(io.StringIO(line), delimiter=mark), [])
    fields = [item.strip() for item in fields]
    while fields and not fields[-1]:
        fields.pop()
    return fields


def _as_numbers(fields: Sequence[str], point: str) -> list[float] | None:
    if point == ",":
        fields = [item.replace(",", ".") for item in fields]
    # float() alone would also take "1_000".
    if not all(_NUMBER.fullmatch(item) for item in fields):
        return None
    return [float(item) for item in fields]


def _past_preamble(lines: Sequence[str]) -> list[str]:
    """Some lines from the second half, which lies past any preamble."""
    filled = [line.strip() for line in lines if line.strip()]
    return filled[len(filled) // 2 :][:200]


def _guess_delimiter(lines: Sequence[str], decimal: str | None) -> str:
    """Take the strongest mark that every line has."""
    tail = _past_preamble(lines)
    for mark in (";", "\t"):
        if tail and all(mark in line for line in tail):
            return mark
    if decimal != "comma" and tail and all("," in line for line in tail):
        words = [line.split() for line in tail]
        # "0,5 0,7" is blank separated with decimal commas; "0.5, 0.7" is not.
        if all(len(w) > 1 and all(re.fullmatch(r"[+-]?\d+,\d+\S*", x) for x in w) for w in words):
            return " "
        return ","
    return " "


def _guess_decimal(lines: Sequence[str], mark: str) -> str:
    fields = [item for line in _past_preamble(lines) for item in _split(line, mark)]
    if any(re.fullmatch(r"[+-]?\d+,\d+([eE][+-]?\d+)?", item) for item in fields):
        return ","
    return "."


def _check_not_decimal_commas(path: Path, number: int, fields: Sequence[str]) -> None:
    """Find unquoted decimal commas in a comma-separated file by zeros at the front of a number."""
    for item in fields:
        if re.fullmatch(r"0\d+([eE][+-]?\d+)?", item):
            raise FileFormatError(
                f"{path}: line {number} holds {item!r}, which looks like the part behind a decimal "
                "comma; save the file with semicolons between values, or give --delimiter and "
                "--decimal"
            )


def _time_kind(block: _Block | None, values: NDArray[np.float64]) -> str | None:
    """Tell whether values are times or sample numbers.

    A header can say so. Without one, values that rise at every one of many steps are no echo.
    """
    rises = bool(np.all(np.diff(values) > 0.0))
    if block is not None:
        for names in reversed(block.header):
            if names and len(names) >= min(2, block.values.shape[1]):
                if _TIME_HEADER.match(names[0]):
                    return "time"
                if _INDEX_HEADER.match(names[0]) and rises:
                    return "index"
    if values.size < MIN_SAMPLES or not rises:
        return None
    counts = np.array_equal(values, values[0] + np.arange(values.size)) and values[0] in (0.0, 1.0)
    return "index" if counts else "time"


def _unit_in(header: Sequence[Sequence[str]]) -> str | None:
    """Find the unit of the time column in its header, or in the line of units below."""
    for k, names in enumerate(header):
        if names and _TIME_HEADER.match(names[0]):
            below = [header[k + 1][0]] if k + 1 < len(header) and header[k + 1] else []
            for text in (names[0], *below):
                match = _UNIT.search(text)
                if match:
                    unit = match.group(1).lower().replace("µ", "u").replace("μ", "u")
                    return "s" if unit.startswith("second") else unit
    return None


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


def check_options(delimiter: str | None, decimal: str | None, time_unit: str | None) -> None:
    """Refuse an option value that is not one of those offered."""
    for name, value, allowed in (
        ("delimiter", delimiter, DELIMITERS),
        ("decimal", decimal, _DECIMALS),
        ("time_unit", time_unit, TIME_UNITS),
    ):
        if value is not None and value not in allowed:
            raise ParameterError(f"{name}={value!r}: use one of {', '.join(allowed)}")
