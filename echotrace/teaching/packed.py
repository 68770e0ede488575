"""Traces packed for a page: envelope in bytes, picks by name."""

from __future__ import annotations

import base64
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from echotrace.teaching.judged import Judged

__all__ = ["STEP_SAMPLES", "asset", "level_bytes", "named", "packed", "script_json"]

STEP_SAMPLES = 4
"""Samples that a point of a packed envelope stands for."""

_FLOOR_DB = -60.0
_STEPS_A_DB = 3.0


def level_bytes(one: Judged, last_us: float) -> NDArray[np.uint8]:
    """The envelope in thirds of a decibel over -60 dB of full scale, the tallest of four samples.

    Parameters
    ----------
    one : Judged
    last_us : float
        Where it ends, µs.

    Returns
    -------
    ndarray of uint8

    Examples
    --------
    >>> from echotrace.synthesis import synthesise
    >>> from echotrace.teaching.judged import judge
    >>> level_bytes(judge(synthesise({"scans": 1}, 1)), 10.0).size
    250
    """
    n = math.ceil(last_us * one.recording.sampling_rate_hz * 1e-6 / STEP_SAMPLES)
    level = one.level_db[: n * STEP_SAMPLES]
    level = np.pad(level, (0, -level.size % STEP_SAMPLES), constant_values=_FLOOR_DB)
    tallest = level.reshape(-1, STEP_SAMPLES).max(axis=1)
    steps: NDArray[np.float64] = np.clip(np.round((tallest - _FLOOR_DB) * _STEPS_A_DB), 0, 255)
    return steps.astype(np.uint8)


def packed(values: NDArray[Any] | bytes) -> str:
    """Bytes or an array as text for a page.

    Parameters
    ----------
    values : ndarray or bytes

    Returns
    -------
    str

    Examples
    --------
    >>> packed(b"abc")
    'YWJj'
    """
    raw = values if isinstance(values, bytes) else values.tobytes()
    return base64.b64encode(raw).decode("ascii")


def named(at_us: dict[str, float]) -> list[list[Any]]:
    """Names and places for the page's script.

    Parameters
    ----------
    at_us : dict of str to float

    Returns
    -------
    list of [str, float]

    Examples
    --------
    >>> named({"lens_front": 18.9876})
    [['lens front', 18.988]]
    """
    return [[name.replace("_", " "), round(at, 3)] for name, at in at_us.items()]


def script_json(value: Any) -> Markup:
    r"""JSON that may stand inside a script element of a page.

    Parameters
    ----------
    value : JSON-like

    Returns
    -------
    Markup

    Examples
    --------
    >>> str(script_json({"a": "</script>"}))
    '{"a":"\\u003c/script>"}'
    """
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return Markup(text.replace("<", "\\u003c"))


def asset(name: str) -> Markup:
    """A script of this package, to be put into a page.

    Parameters
    ----------
    name : str

    Returns
    -------
    Markup

    Examples
    --------
    >>> "drawTrace" in asset("trace.js")
    True
    """
    return Markup((Path(__file__).with_name("templates") / name).read_text("utf-8"))
