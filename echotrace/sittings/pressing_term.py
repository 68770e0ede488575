"""How much longer an eye is than contact reads it, and how sure: pressing as an uncertainty.

Pressing only shortens, and one sitting cannot show all of it. What is published of it is narrowed
by what is there to see: scans of one sitting that were pressed less, the same eye by immersion, the
other eye by immersion.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.distributions import normal_quantile
from echotrace.errors import ParameterError

__all__ = [
    "PRESSING_MEAN_MM",
    "PRESSING_SD_MM",
    "PRESSING_SOURCE",
    "Compared",
    "PressingTerm",
    "eye_length_interval",
    "pressing_term",
]

Float64 = NDArray[np.float64]

PRESSING_MEAN_MM, PRESSING_SD_MM = 0.20, 0.26
"""Immersion less contact and its standard deviation between eyes, mm: Ademola-Popoola 2016."""

PRESSING_SOURCE = (
    "immersion less contact 0.20 ± 0.26 mm between eyes, up to 0.94 (Ademola-Popoola 2016); other "
    "means 0.15 (trial of 1998), 0.29 (Hitzenberger 1993)"
)

# Cells of the distribution, mm: finer towards zero, where it is steepest. The largest difference
# in that study is 0.94, so the tail beyond 2 mm is of no account.
_EDGES_MM: Float64 = 2.0 * np.linspace(0.0, 1.0, 281) ** 2
_CELLS_MM: Float64 = 0.5 * (_EDGES_MM[1:] + _EDGES_MM[:-1])
_STEPS = 801


@dataclass(frozen=True, slots=True)
class Compared:
    """How much longer another length says that the eye is than contact reads it.

    Attributes
    ----------
    difference_mm : float
        The other length less that by contact.
    scale_mm : float
        Of Student's t: what lies between the two beside pressing.
    dof : float
        Its degrees of freedom.
    what : str
        What it was held against, in words.

    Examples
    --------
    >>> Compared(0.25, 0.03, float("inf"), "immersion of the same eye").difference_mm
    0.25
    """

    difference_mm: float
    scale_mm: float
    dof: float
    what: str


@dataclass(frozen=True, slots=True, eq=False)
class PressingTerm:
    """By how much an eye is longer than contact reads it: a distribution above zero.

    Attributes
    ----------
    probability : ndarray of float64, (n_cells,)
        Of each cell; sums to 1.
    basis : str
        What it rests on, in words.

    Examples
    --------
    >>> term = pressing_term()
    >>> round(term.mean_mm, 2), round(term.u_mm, 2)
    (0.2, 0.25)
    """

    probability: Float64
    basis: str

    @property
    def mean_mm(self) -> float:
        """Mean, mm."""
        return float(self.probability @ _CELLS_MM)

    @property
    def u_mm(self) -> float:
        """Standard deviation, mm."""
        return math.sqrt(float(self.probability @ (_CELLS_MM - self.mean_mm) ** 2))


@functools.cache
def _published() -> Float64:
    """Cells of the gamma distribution with the published mean and standard deviation."""
    shape = (PRESSING_MEAN_MM / PRESSING_SD_MM) ** 2
    scale = PRESSING_SD_MM**2 / PRESSING_MEAN_MM
    mass = np.diff(_EDGES_MM**shape) * np.exp(-_CELLS_MM / scale)
    return np.asarray(mass / mass.sum())


def _student(x: Float64, dof: float) -> Float64:
    """Student's density without its factor."""
    if math.isinf(dof):
        return np.asarray(np.exp(-0.5 * x**2))
    return np.asarray((1.0 + x**2 / dof) ** (-0.5 * (dof + 1.0)))


def pressing_term(
    *,
    at_least_mm: float = 0.0,
    at_least_u_mm: float = 0.0,
    compared: Sequence[Compared] = (),
) -> PressingTerm:
    """What is believed of pressing in the mean of a contact sitting.

    Parameters
    ----------
    at_least_mm, at_least_u_mm : float
        By how much the mean was seen to be shorter than the scan that was pressed least, and its
        standard uncertainty.
    compared : sequence of Compared
        Other lengths of this eye, or of the other.

    Returns
    -------
    PressingTerm

    Raises
    ------
    ParameterError
        A difference that is no number, or without a spread.

    Notes
    -----
    Bayes' rule on a grid. What is believed before: the gamma distribution with the published mean
    and standard deviation, for pressing cannot lengthen. Where everything speaks against it (a
    contact length far beyond another), what is published is left out.

    Examples
    --------
    >>> seen = pressing_term(compared=[Compared(0.30, 0.02, float("inf"), "immersion")])
    >>> round(seen.mean_mm, 2), round(seen.u_mm, 2)
    (0.3, 0.02)
    """
    mass = _published().copy()
    basis = [PRESSING_SOURCE]
    if at_least_mm > 0.0:
        u = max(at_least_u_mm, 1e-3)
        below = (at_least_mm - _CELLS_MM) / u
        mass = mass / (1.0 + np.exp(np.clip(1.7 * below, -40.0, 40.0)))
        basis.append(f"at least {at_least_mm:.2f} mm by the scan that was pressed least")
    for item in compared:
        if not (math.isfinite(item.difference_mm) and item.scale_mm > 0.0 and item.dof > 0.0):
            raise ParameterError(f"pressing cannot be told from {item!r}")
        mass = mass * _student((_CELLS_MM - item.difference_mm) / item.scale_mm, item.dof)
        basis.append(f"{item.what}: {item.difference_mm:+.2f} mm")
    if not mass.sum() > 1e-12:
        mass = _published()
        basis = [PRESSING_SOURCE, "what was seen beside it contradicts pressing and is left out"]
    return PressingTerm(probability=mass / mass.sum(), basis="; ".join(basis))


def eye_length_interval(
    mean_mm: float, u_mm: float, dof: float, term: PressingTerm, confidence: float
) -> tuple[float, float]:
    """Shortest interval that holds the eye's length, pressing included.

    Parameters
    ----------
    mean_mm, u_mm : float
        Mean of the sitting as pressed, and its standard uncertainty without pressing, mm.
    dof : float
        Effective degrees of freedom of that uncertainty.
    term : PressingTerm
    confidence : float

    Returns
    -------
    low_mm, high_mm : float

    Notes
    -----
    The sum of both distributions, added up on a grid (JCGM 101:2008, 5.3.4: the shortest coverage
    interval where a distribution is not symmetric).

    Examples
    --------
    >>> low_mm, high_mm = eye_length_interval(23.2, 0.045, float("inf"), pressing_term(), 0.95)
    >>> round(low_mm, 2), round(high_mm, 2)
    (23.1, 23.94)
    """
    # The grid is too coarse for less, and what all scans share is never less.
    u = max(u_mm, 0.01)
    wide = min(8.0, normal_quantile(1.0 - 1e-6) * (1.0 if math.isinf(dof) else 1.0 + 4.0 / dof))
    x = np.linspace(-wide * u, _EDGES_MM[-1] + wide * u, _STEPS)
    density = _student((x[:, None] - _CELLS_MM) / u, dof) @ term.probability
    share = density / density.sum()
    order = np.argsort(-share, kind="stable")
    count = int(np.searchsorted(np.cumsum(share[order]), confidence)) + 1
    held = order[:count]
    return mean_mm + float(x[held.min()]), mean_mm + float(x[held.max()])
