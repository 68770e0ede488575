"""A margin against the bias and against the limits: they answer two questions."""

from __future__ import annotations

import math
from collections.abc import Sequence

from echotrace.agreement.limits import Limits
from echotrace.agreement.results import BEYOND, NOT_SHOWN, WITHIN, Equivalence
from echotrace.agreement.variance import t_interval
from echotrace.errors import ParameterError

__all__ = ["equivalence"]


def equivalence(
    bias: float,
    error: float,
    df: float,
    limits: Sequence[Limits],
    margin: float,
    confidence: float,
) -> Equivalence:
    """Hold bias and limits of agreement against a margin.

    Parameters
    ----------
    bias, error, df : float
        Bias, its standard error and degrees of freedom.
    limits : sequence of Limits
    margin : float
        In the unit of the readings.
    confidence : float

    Returns
    -------
    Equivalence

    Raises
    ------
    ParameterError
        A margin that is not positive.

    Examples
    --------
    >>> found = equivalence(0.02, 0.01, 29.0, [], 0.1, 0.95)
    >>> found.equivalent, round(found.high, 3)
    ({'bias': True}, 0.037)
    """
    import scipy

    if not (margin > 0 and math.isfinite(margin)):
        raise ParameterError(f"margin of equivalence {margin!r} must be a positive number")
    alpha = 1.0 - confidence
    t = scipy.stats.t
    p = max(float(t.sf((margin + bias) / error, df)), float(t.sf((margin - bias) / error, df)))
    low, high = t_interval(bias, error, df, 1.0 - 2.0 * alpha)
    verdicts = {f"limits of {item.label}": _verdict(item, margin) for item in limits}
    return Equivalence(
        margin=margin,
        p=p,
        low=low,
        high=high,
        limits=verdicts,
        equivalent={"bias": p < alpha} | {key: text == WITHIN for key, text in verdicts.items()},
    )


def _verdict(limits: Limits, margin: float) -> str:
    if max(-limits.lower.value, limits.upper.value) > margin:
        return BEYOND
    # An end that is not known (NaN) shows nothing.
    return WITHIN if -limits.lower.low < margin and limits.upper.high < margin else NOT_SHOWN
