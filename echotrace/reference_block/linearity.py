"""Linearity of time base and gain, in the manner of the standards for pulse-echo instruments.

Not a certification: those standards ask for more, and set up the instrument in ways that a
recording does not show.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Linearity", "gain_linearity", "time_base_linearity"]

Float = NDArray[np.float64]

_SPAN_DB = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Linearity:
    """Deviations from a straight line.

    Attributes
    ----------
    at : ndarray of float64, (n,)
        Order of the echo, or stated gain in dB.
    deviation : ndarray of float64, (n,)
        Per cent of the range for the time base, dB for gain.
    largest : float
        Of the time base the largest magnitude; of gain the largest change within any 20 dB.

    Examples
    --------
    >>> from echotrace.reference_block.linearity import time_base_linearity
    >>> import numpy as np
    >>> time_base_linearity(np.arange(4), np.array([1.0, 2.0, 3.03, 4.0])).largest
    1.0
    """

    at: Float
    deviation: Float
    largest: float


def time_base_linearity(orders: NDArray[np.integer], delay_us: Float) -> Linearity | None:
    """Deviation of a train's echoes from the line through its first and its last.

    Parameters
    ----------
    orders : ndarray of int, (n,)
    delay_us : ndarray of float64, (n,)
        µs; NaN where there is none.

    Returns
    -------
    Linearity or None
        In per cent of the range between first and last; None for fewer than three echoes.

    Notes
    -----
    Repeats of one thickness are laid on the scale by the first and the last of them, and the
    others are read off it: so a published inspection manual describes the check (T.O. 33B-1-1,
    horizontal linearity), and ASTM E317 with other set points. ISO 22232-1 allows 1 % (value from
    memory).

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.reference_block.linearity import time_base_linearity
    >>> time_base_linearity(np.array([1, 2]), np.array([7.0, 14.0])) is None
    True
    """
    there = np.isfinite(delay_us)
    k, t = np.asarray(orders, np.float64)[there], delay_us[there]
    if k.size < 3:
        return None
    line = t[0] + (t[-1] - t[0]) * (k - k[0]) / (k[-1] - k[0])
    deviation = 100.0 * (t - line) / (t[-1] - t[0])
    return Linearity(at=k, deviation=deviation, largest=float(np.abs(deviation).max().round(12)))


def gain_linearity(gain_db: Float, height_db: Float) -> Linearity | None:
    """How echo height follows stated gain.

    Parameters
    ----------
    gain_db : ndarray of float64, (n,)
        Stated gain of each trace, dB.
    height_db : ndarray of float64, (n,)
        Height of one and the same echo after that gain was undone, dB; NaN where it is clipped.

    Returns
    -------
    Linearity or None
        None for fewer than three gains. Heights of one gain are averaged.

    Notes
    -----
    Gain is stepped and the height of one echo followed; ISO 22232-1 (EN 12668-1) allows 1 dB
    within any 20 dB (value from memory).

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.reference_block.linearity import gain_linearity
    >>> found = gain_linearity(np.array([0.0, 6.0, 12.0]), np.array([-9.0, -9.0, -8.5]))
    >>> found.largest
    0.5
    """
    there = np.isfinite(gain_db) & np.isfinite(height_db)
    gains = np.unique(np.round(gain_db[there], 6))
    if gains.size < 3:
        return None
    heights = np.array(
        [height_db[there & np.isclose(gain_db, gain, atol=1e-5)].mean() for gain in gains]
    )
    change = np.abs(heights[:, None] - heights[None, :])
    near = np.abs(gains[:, None] - gains[None, :]) <= _SPAN_DB
    return Linearity(
        at=gains,
        deviation=heights - heights.mean(),
        largest=float(np.where(near, change, 0.0).max()),
    )
