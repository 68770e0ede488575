"""Lengths that fall into two groups, and how many more scans a wanted precision takes."""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.distributions import chi_square_quantile, normal_quantile, t_quantile
from echotrace.errors import ParameterError

__all__ = ["GROUP_ALPHA", "length_groups", "scans_needed"]

Float64 = NDArray[np.float64]


GROUP_ALPHA = 0.01
"""Significance at which lengths are said to fall in two groups."""

# Groups nearer to one another are of no consequence: an eighth of a dioptre (2.5 to 3 D per mm;
# StatPearls).
_LEAST_GAP_MM = 0.05

_SIMULATED = 4000


def _best_split(ordered: Float64) -> tuple[NDArray[np.intp], Float64]:
    """Best place to part sorted rows in two of at least two each, and how well it parts them.

    The ratio of the squares between the parts to those within; rows are (m, n).
    """
    n = ordered.shape[1]
    first = np.arange(2, n - 1)
    total = ordered.sum(axis=1, keepdims=True)
    left = np.cumsum(ordered, axis=1)[:, first - 1]
    between = left**2 / first + (total - left) ** 2 / (n - first) - total**2 / n
    squares = ((ordered - total / n) ** 2).sum(axis=1, keepdims=True)
    ratio = between / np.maximum(squares - between, 1e-300)
    best = ratio.argmax(axis=1)
    return first[best], ratio[np.arange(ratio.shape[0]), best]


@functools.lru_cache(maxsize=64)
def _normal_ratios(n: int) -> Float64:
    """Sorted ratios of normal samples of one group."""
    rng = np.random.default_rng([1647, n])
    return np.sort(_best_split(np.sort(rng.standard_normal((_SIMULATED, n)), axis=1))[1])


def length_groups(
    lengths_mm: ArrayLike,
    u_mm: ArrayLike = 0.0,
    *,
    alpha: float = GROUP_ALPHA,
    min_gap_mm: float = _LEAST_GAP_MM,
) -> list[NDArray[np.intp]]:
    """Groups of scans by length, each of at least two.

    Parameters
    ----------
    lengths_mm : array_like, (n,)
    u_mm : array_like
        Standard uncertainty of each, from noise: what lies closer is never parted.
    alpha : float
        Significance of each division.
    min_gap_mm : float
        Least distance between the nearest scans of two groups.

    Returns
    -------
    list of ndarray of int
        Positions, the largest group first and of equal ones the longer; one group where nothing
        speaks for two.

    Raises
    ------
    ParameterError
        The lengths are not a row of finite numbers.

    Notes
    -----
    Test for two clusters by the largest ratio of squares between to within over all divisions
    (Engelman & Hartigan 1969, J Am Stat Assoc 64:1647), its distribution under one normal group
    by simulation; groups are divided again as long as they hold five. (Three groups at equal
    distances look like one broad group to it.) A scan that stands alone is
    an outlier, not a group: :func:`echotrace.sittings.outliers.extreme_studentized_deviates`.

    Examples
    --------
    >>> from echotrace.sittings.groups import length_groups
    >>> [rows.tolist() for rows in length_groups([23.42, 23.40, 23.71, 23.41, 23.70, 23.72, 23.43])]
    [[0, 1, 3, 6], [2, 4, 5]]
    """
    lengths = np.asarray(lengths_mm, np.float64)
    if lengths.ndim != 1 or not np.isfinite(lengths).all():
        raise ParameterError("lengths_mm must be a row of finite numbers")
    u = np.broadcast_to(np.asarray(u_mm, np.float64), lengths.shape)
    todo, done = [np.argsort(lengths, kind="stable")], []
    while todo:
        rows = todo.pop()
        if rows.size < 5:
            done.append(rows)
            continue
        ordered = lengths[rows]
        cuts, ratios = _best_split(ordered[None])
        cut = int(cuts[0])
        null = _normal_ratios(rows.size)
        p = (1.0 + float((null >= ratios[0]).sum())) / (null.size + 1.0)
        gap = ordered[cut] - ordered[cut - 1]
        least = max(min_gap_mm, 3.0 * math.hypot(u[rows[cut]], u[rows[cut - 1]]))
        if p < alpha and gap >= least:
            todo += [rows[:cut], rows[cut:]]
        else:
            done.append(rows)
    done.sort(key=lambda rows: (-rows.size, -float(lengths[rows].mean())))
    return [np.sort(rows) for rows in done]


def scans_needed(
    sd_mm: float, n: int, half_width_mm: float, *, confidence: float = 0.95
) -> tuple[int, int] | None:
    """How many scans in all bring the interval of the mean down to a half width.

    Parameters
    ----------
    sd_mm : float
        Standard deviation of ``n`` scans.
    n : int
    half_width_mm : float
        Wanted half width of Student's t interval.
    confidence : float
        Of that interval.

    Returns
    -------
    tuple of int, or None
        By the spread seen, and by its upper 80 % limit (chi square), for a spread from few scans
        is itself uncertain. None where ``n`` scans do.

    Raises
    ------
    ParameterError
        Fewer than two scans, or no spread or half width.

    Notes
    -----
    Student's t interval and the chi square limit of a standard deviation: NIST/SEMATECH e-Handbook
    of Statistical Methods, 1.3.5.2 and 1.3.5.8.

    Examples
    --------
    >>> from echotrace.sittings.groups import scans_needed
    >>> scans_needed(0.06, 5, 0.05), scans_needed(0.03, 5, 0.05)
    ((9, 16), None)
    """
    if n < 2 or not sd_mm >= 0.0 or not half_width_mm > 0.0:
        raise ParameterError(
            f"sd_mm={sd_mm!r}, n={n!r}, half_width_mm={half_width_mm!r}: give at least two scans, "
            "a spread and a positive half width"
        )
    tail = 0.5 + 0.5 * confidence

    def fewest(sd: float) -> int:
        # Student's quantile is larger than the normal one: never fewer than that asks for.
        wanted = max(2, math.ceil((normal_quantile(tail) * sd / half_width_mm) ** 2))
        while float(t_quantile(tail, wanted - 1)) * sd / math.sqrt(wanted) > half_width_mm:
            wanted += 1
        return wanted

    seen = fewest(sd_mm)
    if seen <= n:
        return None
    upper = sd_mm * math.sqrt((n - 1) / chi_square_quantile(0.2, n - 1))
    return seen, fewest(upper)
