"""How many subjects a study needs: for the width of limits of agreement, for a ratio of spreads."""

from __future__ import annotations

import math
from collections.abc import Callable

from echotrace.agreement.limits import Z_LIMITS
from echotrace.errors import ParameterError

__all__ = ["eyes_for_spread_ratio", "limits_width", "spread_ratio_power", "subjects_for_limits"]

_MOST = 1_000_000


def limits_width(
    n_subjects: int,
    sd: float,
    *,
    confidence: float = 0.95,
    assurance: float | None = None,
    eyes_per_subject: int = 1,
    eye_correlation: float = 1.0,
) -> float:
    """Width of the interval of each limit of agreement that a study will give.

    Parameters
    ----------
    n_subjects : int
    sd : float
        Expected SD of the differences; the width is in its unit.
    confidence : float
    assurance : float, optional
        Probability that the width is not exceeded; by default the expected width.
    eyes_per_subject : int
    eye_correlation : float
        Correlation of the differences of the two eyes of a subject. With the default of 1 a
        second eye adds nothing.

    Notes
    -----
    Exact interval by the noncentral t distribution (Carkeet 2015, Optom Vis Sci 92:e71); assured
    width by the distribution of the SD (Shieh 2018, BMC Med Res Methodol 18:45). Two eyes count
    as ``m / (1 + (m - 1) rho)`` (Kish 1965, Survey Sampling).
    """
    import scipy

    _check(n_subjects, sd, confidence)
    if eyes_per_subject < 1 or not 0.0 <= eye_correlation <= 1.0:
        raise ParameterError(
            f"eyes_per_subject={eyes_per_subject!r} must be at least 1 and "
            f"eye_correlation={eye_correlation!r} between 0 and 1"
        )
    n = n_subjects * eyes_per_subject / (1.0 + (eyes_per_subject - 1) * eye_correlation)
    df, root, tail = n - 1.0, math.sqrt(n), (1.0 - confidence) / 2.0
    inner, outer = (
        float(scipy.stats.nct.ppf(p, df, Z_LIMITS * root)) / root for p in (tail, 1.0 - tail)
    )
    if assurance is None:
        shrink = math.sqrt(2.0 / df) * math.exp(math.lgamma(n / 2.0) - math.lgamma(df / 2.0))
    else:
        if not 0.0 < assurance < 1.0:
            raise ParameterError(f"assurance={assurance!r} must lie between 0 and 1")
        shrink = math.sqrt(float(scipy.stats.chi2.ppf(assurance, df)) / df)
    return (outer - inner) * sd * shrink


def subjects_for_limits(
    width: float,
    sd: float,
    *,
    confidence: float = 0.95,
    assurance: float | None = None,
    eyes_per_subject: int = 1,
    eye_correlation: float = 1.0,
) -> int:
    """Fewest subjects for an interval of each limit of agreement not wider than ``width``.

    Parameters are those of :func:`limits_width`.

    Raises
    ------
    ParameterError
        A width that a million subjects would not reach.
    """
    _check(2, sd, confidence)
    if not width > 0:
        raise ParameterError(f"width={width!r} must be positive")

    def enough(n: int) -> bool:
        return width >= limits_width(
            n,
            sd,
            confidence=confidence,
            assurance=assurance,
            eyes_per_subject=eyes_per_subject,
            eye_correlation=eye_correlation,
        )

    return _fewest(enough, 3, f"an interval of {width:g}")


def spread_ratio_power(
    ratio: float,
    n_eyes: int,
    n_readings: int,
    n_readings_b: int | None = None,
    *,
    alpha: float = 0.05,
) -> float:
    """Power to show that two methods differ in repeatability.

    Parameters
    ----------
    ratio : float
        True repeatability SD of A over that of B.
    n_eyes : int
        Eyes measured by both methods.
    n_readings, n_readings_b : int
        Readings in each sitting by A, and by B where different.
    alpha : float

    Notes
    -----
    Two-sided variance-ratio F test; each method is taken to spread alike in all eyes.
    """
    import scipy

    b = n_readings if n_readings_b is None else n_readings_b
    if not ratio > 0 or n_eyes < 1 or min(n_readings, b) < 2 or not 0.0 < alpha < 1.0:
        raise ParameterError(
            f"ratio={ratio!r} must be positive, n_eyes={n_eyes!r} at least 1, readings "
            f"{n_readings!r} and {b!r} at least 2, alpha={alpha!r} between 0 and 1"
        )
    f = scipy.stats.f(n_eyes * (n_readings - 1), n_eyes * (b - 1))
    low, high = f.ppf(alpha / 2.0), f.isf(alpha / 2.0)
    return float(f.cdf(low / ratio**2) + f.sf(high / ratio**2))


def eyes_for_spread_ratio(
    ratio: float,
    n_readings: int,
    n_readings_b: int | None = None,
    *,
    power: float = 0.9,
    alpha: float = 0.05,
) -> int:
    """Fewest eyes that show a ratio of repeatability SDs with the wanted power.

    Parameters are those of :func:`spread_ratio_power`.

    Raises
    ------
    ParameterError
        A ratio of 1, which cannot be shown.
    """
    if not alpha < power < 1.0:
        raise ParameterError(f"power={power!r} must lie between alpha and 1")
    if ratio == 1.0:
        raise ParameterError("ratio=1 is no difference; no number of eyes can show it")

    def enough(n: int) -> bool:
        return spread_ratio_power(ratio, n, n_readings, n_readings_b, alpha=alpha) >= power

    return _fewest(enough, 1, f"a ratio of {ratio:g}")


def _fewest(enough: Callable[[int], bool], start: int, what: str) -> int:
    high = start
    while not enough(high):
        high *= 2
        if high > _MOST:
            raise ParameterError(f"{what} needs more than {_MOST:,} subjects")
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        if middle < start or not enough(middle):
            low = middle
        else:
            high = middle
    return high


def _check(n: int, sd: float, confidence: float) -> None:
    if n < 2 or not sd > 0 or not 0.5 <= confidence < 1.0:
        raise ParameterError(
            f"n={n!r} must be at least 2, sd={sd!r} positive and confidence={confidence!r} "
            "between 0.5 and 1"
        )
