"""What the numbers that describe a recording may be: one table of names, ranges and units.

Every object that holds such a number asks here, so a number that is not possible never reaches
the measuring chain, whichever reader, table or command it came from.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from echotrace.errors import EchotraceError, ParameterError
from echotrace.user_input import number

__all__ = ["QUANTITIES", "Quantity", "quantities", "quantity"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a number may be.

    Attributes
    ----------
    low, high : float
        Least and largest value.
    unit : str
    missing, infinite : bool
        NaN (not known) and infinity are allowed.
    also : float
        One value allowed outside the range; NaN for none.
    hint : str
        What to look at first where a value is out of range.
    """

    low: float
    high: float
    unit: str = ""
    missing: bool = False
    infinite: bool = False
    also: float = math.nan
    hint: str = ""


# Wide enough for any pulse-echo instrument, from flaw detector to acoustic microscope, and narrow
# enough that a wrong unit or a damaged byte falls outside (common practice, no source).
QUANTITIES = {
    "sampling_rate_hz": Quantity(1e5, 1e11, "Hz", hint="is the unit Hz?"),
    "centre_frequency_hz": Quantity(1e5, 5e9, "Hz", hint="is the unit Hz?"),
    "fractional_bandwidth": Quantity(0.1, 1.6),
    "aperture_mm": Quantity(1e-2, 1e3, "mm", missing=True),
    "focus_mm": Quantity(1e-1, math.inf, "mm", missing=True, infinite=True),
    "face_delay_us": Quantity(0.0, 1e3, "us", missing=True),
    "face_delay_u_us": Quantity(0.0, 1e2, "us", missing=True),
    "start_delay_us": Quantity(-1e6, 1e6, "us", hint="is the unit us?"),
    "gain_db": Quantity(-200.0, 200.0, "dB", missing=True),
    "tgc_delay_us": Quantity(-1e6, 1e6, "us"),
    "tgc_gain_db": Quantity(-200.0, 200.0, "dB"),
    "full_scale": Quantity(1e-9, 1e9),
    "bits": Quantity(2, 16, also=0.0),
}
"""Ranges of the numbers that describe a recording, by name."""


def quantity(
    name: str, value: Any, where: str = "", *, error: type[EchotraceError] = ParameterError
) -> float:
    """Check one of the numbers that describe a recording.

    Parameters
    ----------
    name : str
        One of :data:`QUANTITIES`.
    value : str, int or float
    where : str
        What stands before the name in messages: the object, the file.
    error : type
        Class of the error raised.

    Returns
    -------
    float

    Raises
    ------
    ParameterError
        Or ``error``: no number, not finite, or out of range.

    Examples
    --------
    >>> quantity("centre_frequency_hz", "1e7")
    10000000.0
    >>> quantity("face_delay_us", -1.0, "probe")
    Traceback (most recent call last):
    ...
    echotrace.errors.ParameterError: probe: face_delay_us=-1.0 must lie between 0 and 1000 us
    """
    limits = QUANTITIES[name]
    place = f"{where}: {name}" if where else name
    if isinstance(value, int | float) and value == limits.also:
        return float(value)
    try:
        return number(
            value,
            place,
            low=limits.low,
            high=limits.high,
            unit=limits.unit,
            infinite=limits.infinite,
            missing=limits.missing,
            error=error,
        )
    except error as found:
        raise error(f"{found} ({limits.hint})" if limits.hint else str(found)) from None


def quantities(name: str, values: Iterable[Any], where: str = "") -> tuple[float, ...]:
    """Check several numbers of one name.

    Parameters
    ----------
    name, where
        As for :func:`quantity`.
    values : iterable of float

    Returns
    -------
    tuple of float

    Raises
    ------
    ParameterError
        One of them is no number, not finite, or out of range.

    Examples
    --------
    >>> quantities("tgc_gain_db", [0, 20])
    (0.0, 20.0)
    """
    return tuple(quantity(name, value, where) for value in values)
