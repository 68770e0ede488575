"""What an import understood, in words and as a small plot of letters; nothing is written."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from echotrace.files.description import ImportDescription
from echotrace.files.importing import missing_details, understood
from echotrace.text_out import one_line

__all__ = ["preview_text", "text_plot"]

_FIRST_SAMPLES = 6
_FIRST_FILES = 5


def text_plot(samples: NDArray[np.generic], *, width: int = 72, height: int = 8) -> str:
    """The heights of a trace as columns of ``#``, in dB below its tallest sample.

    Parameters
    ----------
    samples : ndarray, (n_samples,)
    width, height : int
        Letters.

    Returns
    -------
    str
        Lines; one row is 6 dB.

    Examples
    --------
    >>> print(text_plot(np.array([0.0, 0.5, 1.0, 0.25]), width=4, height=3))
      0 dB |  #
     -6 dB | ##
    -12 dB | ###
    """
    values = np.abs(np.asarray(samples, np.float64))
    values = np.where(np.isfinite(values), values, 0.0)
    pieces = np.array_split(values, min(width, values.size))
    peaks = np.array([piece.max() for piece in pieces])
    tallest = peaks.max()
    level = np.full(peaks.size, -np.inf)
    heard = peaks > 0.0
    level[heard] = np.log10(peaks[heard] / tallest)
    lines = []
    for row in range(height):
        floor_db = -6.0 * row
        # Half a dB of grace: 6 dB is not quite a factor of two.
        marks = "".join("#" if 20.0 * x >= floor_db - 0.5 else " " for x in level)
        lines.append(f"{floor_db:3.0f} dB |{marks}".rstrip().replace("-0 dB", " 0 dB"))
    return "\n".join(lines)


def preview_text(paths: list[Path], told: ImportDescription) -> str:
    """What files say, what is still missing, and how their first trace looks.

    Parameters
    ----------
    paths : list of Path
        Files or folders.
    told : ImportDescription

    Returns
    -------
    str

    Raises
    ------
    FileFormatError
        As :func:`echotrace.import_recording`.

    Examples
    --------
    >>> np.save(folder / "traces.npy", np.sin(np.arange(3000.0))[None])
    >>> print(preview_text([folder / "traces.npy"], ImportDescription()).splitlines()[2].strip())
    traces             1 of 3000 samples
    """
    files, foreign, rate_hz, start_us = understood(paths, told)
    samples = foreign.samples
    trace = samples[0]
    names = ", ".join(one_line(path.name, 60) for path in files[:_FIRST_FILES])
    if len(files) > _FIRST_FILES:
        names += f", … {one_line(files[-1].name, 60)} ({len(files)} files)"
    finite = samples[np.isfinite(samples)] if samples.dtype.kind == "f" else samples
    extremes = f"{finite.min():.6g} to {finite.max():.6g}" if finite.size else "no finite numbers"
    first = ", ".join(f"{float(x):.6g}" for x in trace[:_FIRST_SAMPLES])
    rate = "not stated" if rate_hz is None else f"{rate_hz / 1e6:.9g} MHz"
    start = "not stated" if start_us is None else f"{start_us:.9g} us"
    rate += f" (from {foreign.rate_from})" if foreign.sampling_rate_hz else ""
    kind = "whole numbers" if samples.dtype.kind in "iu" else "fractions"
    rows = [
        ("from", names),
        ("traces", f"{samples.shape[0]} of {samples.shape[1]} samples"),
        ("sampling rate", rate),
        ("first sample at", start),
        ("samples", f"{kind}, {extremes}"),
        ("unit of samples", foreign.value_unit or "not stated"),
        ("first samples", f"{first}, …"),
    ]
    if foreign.variable:
        rows.insert(1, ("variable", one_line(foreign.variable, 60)))
    missing = missing_details(rate_hz, start_us, told)
    lines = [f"  {name:<17}  {text}" for name, text in rows]
    lines += ["", "first trace, heights in dB below its tallest sample:", text_plot(trace), ""]
    if missing:
        lines.append("still to be said before it can be imported:")
        lines += [f"  {item}" for item in missing]
    else:
        lines.append("nothing is missing")
    return "\n".join(lines)
