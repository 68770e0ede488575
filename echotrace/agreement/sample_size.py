"""How many subjects a study needs, by the analysis that will be run."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from echotrace.agreement.limits import Z_LIMITS
from echotrace.agreement.spread_power import ratio_test_power
from echotrace.agreement.spreads import within_sums
from echotrace.agreement.study import Study
from echotrace.errors import ParameterError

__all__ = [
    "equivalence_power",
    "eyes_for_spread_ratio",
    "limits_power",
    "limits_width",
    "spread_heterogeneity",
    "spread_ratio_power",
    "subjects_for_equivalence",
    "subjects_for_limits",
]

HETEROGENEITY = 0.65
"""SD between eyes of the logarithm of the SD within an eye. From SDs of 0.14 ± 0.12 mm by contact
(Ademola-Popoola 2016, as in an abstract): a variation of 0.86, of which five readings explain 0.36
by sampling; that there were five is assumed."""

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

    Returns
    -------
    float

    Raises
    ------
    ParameterError
        A number that is out of range.

    Examples
    --------
    >>> round(limits_width(30, 0.12), 3)
    0.155
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

    Parameters
    ----------
    width : float
        Of the interval, in the unit of ``sd``.
    sd, confidence, assurance, eyes_per_subject, eye_correlation
        As in :func:`limits_width`.

    Raises
    ------
    ParameterError
        A width that a million subjects would not reach.

    Returns
    -------
    int

    Examples
    --------
    >>> subjects_for_limits(0.1, 0.12)
    68
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
    heterogeneity: float | tuple[float, float] = HETEROGENEITY,
    shared: float = 0.0,
) -> float:
    """Power of the test that will be run to show that two methods differ in repeatability.

    Parameters
    ----------
    ratio : float
        True repeatability SD of A over that of B.
    n_eyes : int
        Eyes measured by both methods, one of each subject; 3 at least.
    n_readings, n_readings_b : int
        Readings in each sitting by A, and by B where different.
    alpha : float
    heterogeneity : float or tuple of float
        SD between eyes of the logarithm of the SD within an eye, for both methods or for A and B;
        0 if a method spreads alike in all eyes. :func:`spread_heterogeneity` estimates it from a
        pilot. By default 0.65, from the SDs that a published study found in its eyes.
    shared : float
        Correlation of these logarithms: how far eyes that are hard by A are hard by B.

    Returns
    -------
    float

    Raises
    ------
    ParameterError
        A number that is out of range.

    Notes
    -----
    The test is that of :func:`echotrace.agreement.spreads.spread_ratio`, Student's t of the
    logarithm with the jackknife's error, run on simulated studies: the spread of variances within
    eyes is lognormal, their sampling chi-square. With more than 1,000 eyes by the delta method.

    Examples
    --------
    >>> round(spread_ratio_power(1.5, 40, 5, heterogeneity=0.0), 2)
    1.0
    >>> round(spread_ratio_power(1.5, 40, 5), 2)
    0.42
    """
    b = n_readings if n_readings_b is None else n_readings_b
    h = heterogeneity if isinstance(heterogeneity, tuple) else (heterogeneity, heterogeneity)
    if not ratio > 0 or n_eyes < 3 or min(n_readings, b) < 2 or not 0.0 < alpha < 1.0:
        raise ParameterError(
            f"ratio={ratio!r} must be positive, n_eyes={n_eyes!r} at least 3, readings "
            f"{n_readings!r} and {b!r} at least 2, alpha={alpha!r} between 0 and 1"
        )
    if not all(0.0 <= item <= 2.0 for item in h) or not -1.0 <= shared <= 1.0:
        raise ParameterError(
            f"heterogeneity={heterogeneity!r} must lie between 0 and 2, shared={shared!r} between "
            "-1 and 1"
        )
    return ratio_test_power(math.log(ratio), n_eyes, (n_readings, b), alpha, h, shared)


def spread_heterogeneity(study_a: Study, study_b: Study) -> tuple[tuple[float, float], float]:
    """How eyes differ in spread, from a pilot, as :func:`spread_ratio_power` wants it.

    Parameters
    ----------
    study_a, study_b : Study
        One method each; subjects are matched by their codes.

    Returns
    -------
    heterogeneity : tuple of float
        SD between subjects of the logarithm of the SD within sittings, by A and by B. A pilot of
        few subjects tells it badly.
    shared : float
        Correlation of both logarithms; 0 where one of them does not differ.

    Raises
    ------
    ParameterError
        Fewer than five subjects with replicates by both methods.

    Notes
    -----
    Moments of the variances within subjects, their chi-square sampling taken off.

    Examples
    --------
    >>> subject = [name for name in "abcde" for _ in range(3)]
    >>> value = [20.0, 20.1, 20.2, 21.0, 21.4, 21.8, 22.0, 22.1, 22.1, 23.0, 23.2, 23.3]
    >>> value += [24.0, 24.0, 24.1]
    >>> a = Study(value=value, subject=subject, method="contact")
    >>> b = Study(value=value[::-1], subject=subject, method="immersion")
    >>> (h_a, h_b), shared = spread_heterogeneity(a, b)
    >>> round(h_a, 2)
    0.35
    """
    common = sorted({*study_a.subject.present} & {*study_b.subject.present})
    tables = []
    for study in (study_a, study_b):
        number = {name: k for k, name in enumerate(common)}
        codes = np.array([number.get(name, len(common)) for name in study.subject.labels])
        tables.append(within_sums(study, codes[study.subject.codes], len(common) + 1)[:-1])
    used = (tables[0][:, 1] > 0) & (tables[1][:, 1] > 0)
    if used.sum() < 5:
        raise ParameterError(
            f"{study_a.source}: {int(used.sum())} subjects have replicates by both methods; a "
            "pilot needs five at least"
        )
    squares, df = (np.stack([table[used, k] for table in tables]) for k in (0, 1))
    pooled = squares.sum(axis=1) / df.sum(axis=1)
    if not (pooled > 0).all():
        raise ParameterError(f"{study_a.source}: a method has no spread within sittings")
    scaled = squares / pooled[:, None]
    # E[S²] = E[f⁴] df (df + 2) and E[S_A S_B] = E[f_A² f_B²] df_A df_B, with E[f²] = 1.
    fourth = (scaled**2).sum(axis=1) / (df * (df + 2.0)).sum(axis=1)
    h = np.sqrt(np.log(np.maximum(fourth, 1.0)) / 4.0)
    cross = float(np.sum(scaled[0] * scaled[1]) / np.sum(df[0] * df[1]))
    shared = 0.0
    if h.min() > 0.0 and cross > 0.0:
        shared = float(np.clip(math.log(cross) / (4.0 * h[0] * h[1]), -1.0, 1.0))
    return (float(h[0]), float(h[1])), shared


def eyes_for_spread_ratio(
    ratio: float,
    n_readings: int,
    n_readings_b: int | None = None,
    *,
    power: float = 0.9,
    alpha: float = 0.05,
    heterogeneity: float | tuple[float, float] = HETEROGENEITY,
    shared: float = 0.0,
) -> int:
    """Fewest eyes, one of each subject, that show a ratio of SDs with the wanted power.

    Parameters
    ----------
    ratio, n_readings, n_readings_b, alpha, heterogeneity, shared
        As in :func:`spread_ratio_power`.
    power : float
        Wanted.

    Returns
    -------
    int

    Raises
    ------
    ParameterError
        A ratio of 1, which cannot be shown.

    Examples
    --------
    >>> eyes_for_spread_ratio(1.5, 5, heterogeneity=0.0), eyes_for_spread_ratio(1.5, 5)
    (19, 208)
    """
    if not alpha < power < 1.0:
        raise ParameterError(f"power={power!r} must lie between alpha and 1")
    if ratio == 1.0:
        raise ParameterError("ratio=1 is no difference; no number of eyes can show it")

    def enough(n: int) -> bool:
        found = spread_ratio_power(
            ratio,
            n,
            n_readings,
            n_readings_b,
            alpha=alpha,
            heterogeneity=heterogeneity,
            shared=shared,
        )
        return found >= power

    return _fewest(enough, 3, f"a ratio of {ratio:g}")


def equivalence_power(
    margin: float, sd: float, n_subjects: int, *, bias: float = 0.0, confidence: float = 0.95
) -> float:
    """Power of the two one-sided tests to show that the bias lies within a margin.

    Parameters
    ----------
    margin, sd, bias : float
        Margin, SD of the differences and true bias, in one unit.
    n_subjects : int
    confidence : float
        As in the comparison: each test has level ``1 - confidence``.

    Returns
    -------
    float

    Raises
    ------
    ParameterError
        A number that is out of range.

    Notes
    -----
    Schuirmann 1987, J Pharmacokinet Biopharm 15:657; the mean integrated over the exact
    distribution of the SD.

    Examples
    --------
    >>> round(equivalence_power(0.1, 0.15, 30), 2)
    0.95
    """
    import scipy

    _check(n_subjects, sd, confidence)
    factor = float(scipy.stats.t.ppf(confidence, n_subjects - 1)) / math.sqrt(n_subjects)
    return _within(margin, sd, n_subjects, bias, factor)


def limits_power(
    margin: float, sd: float, n_subjects: int, *, bias: float = 0.0, confidence: float = 0.95
) -> float:
    """Power to show that both limits of agreement lie within a margin, by their intervals' ends.

    Parameters
    ----------
    margin, sd, n_subjects, bias, confidence
        As in :func:`equivalence_power`.

    Returns
    -------
    float

    Notes
    -----
    The interval of each limit is the exact one of the comparison (Carkeet 2015, Optom Vis Sci
    92:e71).

    Examples
    --------
    >>> round(limits_power(0.4, 0.12, 30), 2)
    0.88
    """
    import scipy

    _check(n_subjects, sd, confidence)
    root = math.sqrt(n_subjects)
    outer = scipy.stats.nct.ppf((1.0 + confidence) / 2.0, n_subjects - 1, Z_LIMITS * root) / root
    return _within(margin, sd, n_subjects, bias, float(outer))


def subjects_for_equivalence(
    margin: float,
    sd: float,
    *,
    bias: float = 0.0,
    power: float = 0.9,
    confidence: float = 0.95,
    limits: bool = False,
) -> int:
    """Fewest subjects who show that the bias (or both limits) lies within a margin.

    Parameters
    ----------
    margin, sd, bias : float
        As in :func:`equivalence_power`.
    power : float
        Wanted.
    confidence : float
    limits : bool
        Both limits of agreement are to lie within the margin, not the bias alone.

    Returns
    -------
    int

    Raises
    ------
    ParameterError
        A bias, or limits, that do not lie within the margin.

    Examples
    --------
    >>> subjects_for_equivalence(0.1, 0.15), subjects_for_equivalence(0.4, 0.12, limits=True)
    (26, 32)
    """
    _check(2, sd, confidence)
    reach = abs(bias) + (Z_LIMITS * sd if limits else 0.0)
    if not reach < margin:
        raise ParameterError(
            f"margin={margin!r}: the true {'limits reach' if limits else 'bias reaches'} "
            f"{reach:.3g}, so no study can show it"
        )
    if not 0.0 < power < 1.0:
        raise ParameterError(f"power={power!r} must lie between 0 and 1")
    found = limits_power if limits else equivalence_power
    return _fewest(
        lambda n: found(margin, sd, n, bias=bias, confidence=confidence) >= power,
        3,
        f"a margin of {margin:g}",
    )


def _within(margin: float, sd: float, n: int, bias: float, factor: float) -> float:
    """Probability that mean ± factor times SD lies within ± margin."""
    import scipy

    if not margin > 0 or not math.isfinite(bias):
        raise ParameterError(f"margin={margin!r} must be positive and bias={bias!r} a number")
    nodes, weights = np.polynomial.legendre.leggauss(200)
    df = n - 1.0
    found = sd * np.sqrt(scipy.stats.chi2.ppf(0.5 * (nodes + 1.0), df) / df)
    room = np.maximum(margin - factor * found, 0.0)
    error = sd / math.sqrt(n)
    cdf = scipy.stats.norm.cdf
    inside = np.where(room > 0.0, cdf((room - bias) / error) - cdf((-room - bias) / error), 0.0)
    return float(0.5 * weights @ inside)


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
