"""Pass or fail against a tolerance, with the guard that uncertainty asks for."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy

from echotrace.errors import ParameterError

__all__ = ["RULE", "Conformity", "Verdict", "conformity"]

Verdict = Literal["pass", "fail", "undecided", "not judged"]
RULE = "guarded acceptance, guard band of the expanded uncertainty (k = 2): JCGM 106:2012, 8.3"
"""The rule, in words."""
_COVERAGE = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Conformity:
    """Whether an error lies within a tolerance.

    Attributes
    ----------
    verdict : {"pass", "fail", "undecided", "not judged"}
        Pass: inside by more than the expanded uncertainty. Fail: outside by more than it.
    accept_within : float
        Tolerance less the guard band; below zero, nothing can pass.
    probability : float
        That the true error lies within the tolerance, the error being normal.

    Examples
    --------
    >>> from echotrace.reference_block.decision import conformity
    >>> conformity(0.03, 0.01, 0.1).verdict
    'pass'
    """

    verdict: Verdict
    accept_within: float
    probability: float


def conformity(error: float, u: float, tolerance: float | None) -> Conformity:
    """Judge an error against a tolerance to both sides.

    Parameters
    ----------
    error : float
    u : float
        Its standard uncertainty, in the same unit.
    tolerance : float or None
        Largest error allowed, in the same unit; None: nothing is judged.

    Returns
    -------
    Conformity

    Raises
    ------
    ParameterError
        A tolerance or an uncertainty that is not above zero.

    Notes
    -----
    Guarded acceptance with ``w = U = 2u`` (JCGM 106:2012, 8.3.2; ISO 14253-1 has the same default).
    Between the two limits neither is shown (its guarded rejection, 8.3.3). Conformance
    probability: the same guide, 7.3, of a normal error. References from memory.

    Examples
    --------
    >>> from echotrace.reference_block.decision import conformity
    >>> [conformity(e, 0.02, 0.1).verdict for e in (0.05, -0.07, 0.2)]
    ['pass', 'undecided', 'fail']
    """
    if tolerance is None or not math.isfinite(error):
        return Conformity(verdict="not judged", accept_within=math.nan, probability=math.nan)
    if not (tolerance > 0.0 and u > 0.0):
        raise ParameterError(f"tolerance={tolerance!r} and u={u!r} must be above 0")
    guard = _COVERAGE * u
    verdict: Verdict = "undecided"
    if abs(error) <= tolerance - guard:
        verdict = "pass"
    elif abs(error) > tolerance + guard:
        verdict = "fail"
    inside = scipy.special.ndtr((tolerance - error) / u) - scipy.special.ndtr(
        (-tolerance - error) / u
    )
    return Conformity(
        verdict=verdict,
        accept_within=tolerance - guard,
        probability=float(np.clip(inside, 0.0, 1.0)),
    )
