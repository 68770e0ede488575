"""Intervals that are exact for Student's t, as the usual ones are for normal values.

Values of a known law with unknown place and scale (and each sitting with a place of its own): the
fiducial distribution of place and scale is the likelihood times the right Haar measure, and its
quantiles hold as often as they say, whatever the sample looks like: where its tails are seen and
where they are not (Fisher 1934, Proc R Soc A 144:285, for place and scale; Taraldsen & Lindqvist
2013, Ann Stat 41:323, for groups). With infinite degrees of freedom they are the chi-square
interval of an SD and the noncentral t interval of a limit. Integrals are sums over grids.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from echotrace.agreement.limits import Z_LIMITS, Limits, recovered_limits
from echotrace.agreement.nested import Nested
from echotrace.agreement.variance import Estimate, Floats, chi_square_interval

__all__ = [
    "MOST_VALUES",
    "STUDENT",
    "TAIL_DF",
    "student_intervals",
    "student_limits",
    "student_pooled_sd",
    "tail_words",
]

TAIL_DF = 3.0
"""The fewest whole degrees of freedom with which Student's t has an SD: the heaviest tails here."""
STUDENT = "Student's t with 3 degrees of freedom"
MOST_VALUES = 500
"""Beyond, tails show: Shapiro and Wilk's test finds those of t with 3 df in 19 of 20 samples of 150
already."""
_MEASURED = (
    (8, "14 to 22", "79 to 84"),
    (12, "22 to 43", "68 to 80"),
    (30, "43 to 71", "43 to 70"),
    (60, "71 to 95", "at most 44"),
)
"""From so many subjects on to the next line (the last to 145), of t with 3 df: how often in 100 the
test notices, and normal intervals of limits hold where it does not (tests/tail_coverage.py)."""
_ENOUGH = 146

_REACH = 14.0
"""Logarithm of how far below its top a density is left out."""
_COARSE, _FINE, _PLACES, _ANGLES = 46, 49, 65, 128


def _log_density(square: Floats, df: float) -> Floats:
    """Logarithm of the density of Student's t but for a constant, by the square of its argument."""
    return -0.5 * square if math.isinf(df) else -0.5 * (df + 1.0) * np.log1p(square / df)


def _sd_of_scale(df: float) -> float:
    return 1.0 if math.isinf(df) else math.sqrt(df / (df - 2.0))


def _grid(log_density: Floats, at: Floats) -> Floats:
    """A finer grid over where a density of a coarse one is not negligible."""
    kept = np.flatnonzero(log_density > log_density.max() - _REACH)
    low, high = max(kept[0] - 1, 0), min(kept[-1] + 1, at.size - 1)
    return np.linspace(at[low], at[high], _FINE)


def _quantile(p: Floats, at: Floats, density: Floats) -> Floats:
    """Quantiles of a density on an even grid."""
    import scipy

    total = scipy.interpolate.CubicSpline(at, density).antiderivative()
    fine = np.linspace(at[0], at[-1], 20 * at.size)
    return np.interp(p, total(fine) / total(at[-1]), fine)


def student_limits(value: Floats, confidence: float, df: float = TAIL_DF) -> dict[str, Estimate]:
    """Intervals of the SD and of mean ± 1.96 SD of independent values of Student's t.

    Parameters
    ----------
    value : ndarray of float64, (n,)
    confidence : float
    df : float
        Degrees of freedom of the law, above 2; infinite for a normal one.

    Returns
    -------
    dict of str to Estimate
        ``"sd"``, ``"lower"`` and ``"upper"``, about the usual mean and SD; empty with fewer than
        8 or more than 500 values, or without spread.

    Examples
    --------
    >>> found = student_limits(np.sin(np.arange(30.0)), 0.95)
    >>> round(found["sd"].low, 2), round(found["sd"].high, 2)
    (0.82, 1.57)
    """
    import scipy

    n = value.size
    if not 8 <= n <= MOST_VALUES or np.ptp(value) == 0.0:
        return {}
    unit, middle = float(value.std(ddof=1)), float(np.median(value))
    x = (value - middle) / unit
    ends = sorted((0.0, float(x.mean())))

    def logarithms(log_scale: Floats, n_places: int) -> tuple[Floats, Floats]:
        """Places for each scale, and the logarithm of the density of both there."""
        scale = np.exp(log_scale)[:, None]
        room = 8.0 * scale / math.sqrt(n)
        place = ends[0] - room + (ends[1] - ends[0] + 2.0 * room) * np.linspace(0, 1, n_places)
        square = ((x[None, None, :] - place[:, :, None]) / scale[:, :, None]) ** 2
        return place, _log_density(square, df).sum(axis=2) - n * log_scale[:, None]

    log_scale = np.linspace(-7.0, 3.0, _COARSE)
    place, found = logarithms(log_scale, 25)
    log_scale = _grid(found.max(axis=1) + np.log(np.ptp(place, axis=1)), log_scale)
    place, found = logarithms(log_scale, _PLACES)
    step = np.diff(place[:, :2], axis=1)
    weight = np.exp(found - found.max()) * step
    tails = np.array([0.5 - confidence / 2.0, 0.5 + confidence / 2.0])
    sd = np.exp(log_scale) * _sd_of_scale(df)
    out = {"sd": np.exp(_quantile(tails, log_scale, weight.sum(axis=1))) * _sd_of_scale(df)}
    # The chance of each place below a point, for each scale.
    below = scipy.interpolate.CubicSpline(
        np.linspace(0, 1, _PLACES), weight, axis=1
    ).antiderivative()
    fine = np.linspace(0, 1, 401)
    chance = below(fine) / below(1.0).sum()
    for name, sign in (("lower", -1.0), ("upper", 1.0)):
        limit = place + sign * Z_LIMITS * sd[:, None]
        ends_at = limit[:, :1] + np.ptp(limit, axis=1)[:, None] * fine
        found_at = np.array([limit.min(), limit.max()])
        for _ in range(2):
            # A second time between the points where the ends were found, and a little beyond.
            room = 0.05 * np.ptp(found_at)
            points = np.linspace(found_at[0] - room, found_at[1] + room, 501)
            total = sum(np.interp(points, x, p) for x, p in zip(ends_at, chance, strict=True))
            found_at = np.interp(tails, total, points)
        out[name] = found_at
    mean, spread = float(value.mean()), Z_LIMITS * unit
    usual = {"sd": unit, "lower": mean - spread, "upper": mean + spread}
    shift = {"sd": 0.0, "lower": middle, "upper": middle}
    return {
        name: Estimate(
            usual[name], float(low) * unit + shift[name], float(high) * unit + shift[name], STUDENT
        )
        for name, (low, high) in out.items()
    }


def student_pooled_sd(
    value: Floats, sitting: NDArray[np.intp], confidence: float, df: float = TAIL_DF
) -> Estimate | None:
    """Interval of the SD of readings about sittings' own places, of Student's t in every sitting.

    Parameters
    ----------
    value : ndarray of float64, (n_readings,)
    sitting : ndarray of int, (n_readings,)
        Number of the sitting of each.
    confidence : float
    df : float
        Degrees of freedom of the law, above 2; infinite for a normal one.

    Returns
    -------
    Estimate or None
        About the usual pooled SD; None with fewer than 8 or more than 500 values that have another
        beside them, or without spread.

    Examples
    --------
    >>> found = student_pooled_sd(np.sin(np.arange(30.0)), np.arange(30) // 3, 0.95)
    >>> round(found.low, 2), round(found.high, 2)
    (0.78, 1.66)
    """
    count = np.bincount(sitting)
    used = count[sitting] > 1
    _, home, n = np.unique(sitting[used], return_inverse=True, return_counts=True)
    home, x = home.reshape(-1), value[used]
    if not 8 <= x.size <= MOST_VALUES:
        return None
    x = x - (np.bincount(home, x) / n)[home]
    pooled = math.sqrt(float(np.sum(x**2)) / (x.size - n.size))
    if pooled == 0.0:
        return None
    x = x / pooled
    # Readings of each sitting side by side, those that are not there far off with no weight.
    first = np.concatenate([[0], np.cumsum(n)[:-1]])
    order = np.argsort(home, kind="stable")
    table = np.zeros((n.size, n.max()))
    there = np.zeros(table.shape, dtype=bool)
    column = np.arange(x.size) - np.repeat(first, n)
    table[home[order], column] = x[order]
    there[home[order], column] = True
    angle = (np.arange(_ANGLES) + 0.5) / _ANGLES * math.pi - math.pi / 2.0
    reach = np.where(there, np.abs(table), 0.0).max(axis=1)

    def logarithms(log_scale: Floats) -> Floats:
        out = np.empty(log_scale.size)
        for k, scale in enumerate(np.exp(log_scale)):
            # Over the whole line by an angle: what is summed is smooth and repeats itself.
            room = np.sqrt(3.0 * scale**2 + reach**2)[:, None]
            place = room * np.tan(angle)
            found = np.log(room) - 2.0 * np.log(np.cos(angle))
            for j in range(table.shape[1]):
                square = ((table[:, j : j + 1] - place) / scale) ** 2
                found += np.where(there[:, j : j + 1], _log_density(square, df), 0.0)
            top = found.max(axis=1, keepdims=True)
            integral = top[:, 0] + np.log(np.exp(found - top).sum(axis=1))
            out[k] = integral.sum() - x.size * log_scale[k]
        return out

    log_scale = np.linspace(-4.0, 3.0, 36)
    log_scale = _grid(logarithms(log_scale), log_scale)
    found = logarithms(log_scale)
    tails = np.array([0.5 - confidence / 2.0, 0.5 + confidence / 2.0])
    ends = np.exp(_quantile(tails, log_scale, np.exp(found - found.max())))
    low, high = (float(end) * _sd_of_scale(df) * pooled for end in ends)
    return Estimate(pooled, low, high, STUDENT)


def student_intervals(
    difference: Nested, bias: Estimate, limits: Limits, confidence: float
) -> dict[str, Estimate]:
    """Intervals of limits of agreement should subjects' differences be of Student's t.

    Parameters
    ----------
    difference : Nested
        Differences, subjects outermost.
    bias : Estimate
    limits : Limits
        With their normal intervals.
    confidence : float

    Returns
    -------
    dict of str to Estimate
        ``"sd"``, ``"lower"`` and ``"upper"``, or nothing, as in :func:`student_limits`. Where
        limits hang on one difference of each subject they are exact; otherwise the normal interval
        of the SD is stretched, on the logarithm, as that of the spread between subjects is, and
        limits are recovered from it.

    Examples
    --------
    >>> from echotrace.agreement.limits import limits_of
    >>> d = Nested(np.sin(np.arange(30.0)), [("subject", np.arange(30))])
    >>> bias, limits = limits_of(d, None, None, "pairs", 0.95)
    >>> round(student_intervals(d, bias, limits, 0.95)["sd"].high, 2)
    1.57
    """
    exact = student_limits(difference.mean, confidence)
    if not exact or limits.pair_factors is not None:
        return exact
    one = exact["sd"]
    df = difference.n_top - 1.0
    low, high = (math.sqrt(v) for v in chi_square_interval(one.value**2, df, confidence))
    to_low = math.log(one.low / one.value) / math.log(low / one.value)
    sd = limits.sd

    def stretched(normal: float, power: float) -> float:
        return sd.value * (normal / sd.value) ** max(power, 1.0) if normal > 0 else normal

    to_high = math.log(one.high / one.value) / math.log(high / one.value)
    wide = Estimate(sd.value, stretched(sd.low, to_low), stretched(sd.high, to_high), STUDENT)
    found = recovered_limits(limits.of, bias, wide)
    lower, upper = (
        Estimate(item.value, item.low, item.high, STUDENT) for item in (found.lower, found.upper)
    )
    return {"sd": wide, "lower": lower, "upper": upper}


def tail_words(n_subjects: int, *, withstood: bool) -> str:
    """What a study of so many subjects cannot tell of tails, with figures measured by simulation.

    Parameters
    ----------
    n_subjects : int
    withstood : bool
        Intervals that withstand heavy tails stand beside.

    Returns
    -------
    str
        Nothing from 146 subjects on.

    Examples
    --------
    >>> tail_words(30, withstood=True)[:37]
    '30 subjects cannot rule out heavy tai'
    """
    if n_subjects >= _ENOUGH:
        return ""
    head = f"{n_subjects} subjects cannot rule out heavy tails"
    rows = [row for row in _MEASURED if row[0] <= n_subjects]
    if not rows or not withstood:
        return f"{head}, and no interval of the limits is given that withstands them"
    _, noticed, normal = rows[-1]
    return (
        f"{head}: in studies of about this size those of Student's t with 3 degrees of freedom are "
        f"noticed {noticed} times in 100, and where they are not, normal intervals of the limits "
        f"hold {normal} times in 100 instead of 95, the wider ones 95 to 97"
    )
