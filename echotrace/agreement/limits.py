"""Limits of agreement and their intervals."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from echotrace.agreement.nested import Nested
from echotrace.agreement.variance import Estimate, Floats, mean_square_interval, t_interval
from echotrace.errors import EstimationError, ParameterError

__all__ = [
    "DIFFERENT_OPERATORS",
    "ONE_OPERATOR",
    "OWN_OPERATORS",
    "SAME_OPERATOR",
    "TOO_FEW",
    "Z_LIMITS",
    "Extra",
    "Limits",
    "limits_of",
    "limits_of_agreement",
    "recovered_limits",
    "tolerance_factor",
]

Z_LIMITS = 1.959963984540054
"""Limits of agreement hold 95 % of the differences."""

ONE_OPERATOR = "one operator"
SAME_OPERATOR = "same operator"
DIFFERENT_OPERATORS = "different operators"
OWN_OPERATORS = "the operator of each method"

TOO_FEW = "too few operators to tell"
"""Stands in place of an interval that would have to count operators."""

_EXACT_MOST = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Limits of agreement.

    Attributes
    ----------
    of : str
        Which values differ: ``"pairs"``, ``"means of a sitting"`` or ``"single readings"``.
    operators : str
        Who takes the two values: ``"one operator"`` (the one of the study), ``"same operator"``
        (any one, by both methods), ``"different operators"`` (any two), or ``"the operator of each
        method"``, where each method has an operator of its own.
    sd : Estimate
        SD of the differences.
    lower, upper : Estimate
        Each with the interval of that limit alone.
    pair_factors : tuple of float or None
        Bias ± factor times SD: inner and outer bound of both limits taken as a pair. Only where
        the intervals are exact.
    as_quantiles : bool
        The limits are the 2.5 % and 97.5 % quantiles of the differences, not bias ± 1.96 SD.
    wider : mapping of str to Estimate
        ``"sd"``, ``"lower"`` and ``"upper"`` with the outer ends of their normal intervals and of
        those for Student's t with 3 degrees of freedom, which withstand heavy tails that no test
        notices (where differences are not normal also of those by resampling); of one operator,
        from 8 subjects on, else empty.
    """

    of: str
    operators: str = ONE_OPERATOR
    sd: Estimate
    lower: Estimate
    upper: Estimate
    pair_factors: tuple[float, float] | None = None
    as_quantiles: bool = False
    wider: Mapping[str, Estimate] = field(default_factory=dict)

    @property
    def label(self) -> str:
        """What the limits are of, in words."""
        return f"{self.of}, {self.operators}{', as quantiles' if self.as_quantiles else ''}"

    @property
    def beside(self) -> Mapping[str, Estimate]:
        """The wider intervals where others lead: what stands beside those. Else empty."""
        return self.wider if self.wider and self.wider["lower"] != self.lower else {}


@dataclass(frozen=True, slots=True)
class Extra:
    """Spread of one method that the eye means do not show, as weighted mean squares.

    Attributes
    ----------
    nested : Nested
        Readings of the method, eyes (or cells) outermost.
    parts : ndarray of float64, (n_levels,)
        How much of each variance component is hidden.
    alike : bool
        Every mean is of as many readings.
    """

    nested: Nested
    parts: Floats
    alike: bool = True


@functools.lru_cache
def tolerance_factor(n: int, confidence: float, content: float = 0.95, *, df: int = 0) -> float:
    """Factor ``k`` such that mean ± k SD holds ``content`` of a normal population.

    Parameters
    ----------
    n : int
        Number of differences.
    confidence : float
        Probability that it holds at least that share. 0.025 and 0.975 bound a pair of limits of
        agreement (Carkeet 2015, Optom Vis Sci 92:e71).
    content : float
    df : int, optional
        Degrees of freedom of the SD; ``n - 1`` by default.

    Returns
    -------
    float

    Raises
    ------
    ParameterError
        Fewer than two differences.
    EstimationError
        The widths did not settle.

    Examples
    --------
    >>> round(tolerance_factor(30, 0.975), 4)
    2.6854
    """
    import scipy

    df = df or n - 1
    if n < 2 or df < 1:
        raise ParameterError(f"tolerance factor: n={n!r} must be at least 2")
    nodes, weights = np.polynomial.hermite_e.hermegauss(101)
    weights = weights / weights.sum()
    shift = nodes / math.sqrt(n)
    # Half width that holds `content` about a mean that is off by `shift` SDs.
    half = np.abs(shift) + scipy.stats.norm.ppf((1.0 + content) / 2.0)
    for _ in range(60):
        excess = scipy.stats.norm.cdf(shift + half) - scipy.stats.norm.cdf(shift - half) - content
        density = scipy.stats.norm.pdf(shift + half) + scipy.stats.norm.pdf(shift - half)
        step = excess / np.maximum(density, 1e-300)
        half = np.maximum(half - np.clip(step, -0.5, 0.5), 1e-6)
        if np.abs(step).max() < 1e-13:
            break
    else:
        raise EstimationError(f"tolerance factor for n={n}: its half widths did not settle")

    def excess_confidence(log_k: float) -> float:
        k = math.exp(log_k)
        return float(weights @ scipy.stats.chi2.sf(df * half**2 / k**2, df)) - confidence

    return math.exp(scipy.optimize.brentq(excess_confidence, -3.0, 8.0, xtol=1e-12))


def _exact_limits(
    of: str, bias: float, sd: Estimate, n: int, confidence: float, how: str
) -> Limits:
    import scipy

    tail = (1.0 - confidence) / 2.0
    root = math.sqrt(n)
    inner, outer = (
        sd.value * float(scipy.stats.nct.ppf(p, n - 1, Z_LIMITS * root)) / root
        for p in (tail, 1.0 - tail)
    )
    return Limits(
        of=of,
        sd=sd,
        lower=Estimate(bias - Z_LIMITS * sd.value, bias - outer, bias - inner, how),
        upper=Estimate(bias + Z_LIMITS * sd.value, bias + inner, bias + outer, how),
        pair_factors=(tolerance_factor(n, tail), tolerance_factor(n, 1.0 - tail)),
    )


def recovered_limits(of: str, bias: Estimate, sd: Estimate) -> Limits:
    """Limits whose intervals are recovered from those of bias and SD (Zou 2013).

    Parameters
    ----------
    of : str
        Which values differ, for the result.
    bias, sd : Estimate

    Returns
    -------
    Limits

    Examples
    --------
    >>> found = recovered_limits("pairs", Estimate(0.0, -0.1, 0.1), Estimate(1.0, 0.8, 1.3))
    >>> round(found.upper.low, 3), round(found.upper.high, 3)
    (1.555, 2.556)
    """
    z = Z_LIMITS
    near = z * (sd.value - sd.low)
    far = z * (sd.high - sd.value)
    down, up = bias.value - bias.low, bias.high - bias.value
    lower, upper = bias.value - z * sd.value, bias.value + z * sd.value
    how = "recovered from bias and SD"
    return Limits(
        of=of,
        sd=sd,
        lower=Estimate(lower, lower - math.hypot(down, far), lower + math.hypot(up, near), how),
        upper=Estimate(upper, upper - math.hypot(down, near), upper + math.hypot(up, far), how),
    )


def limits_of_agreement(difference: ArrayLike, confidence: float = 0.95) -> tuple[Estimate, Limits]:
    """Bias and limits of agreement of independent single differences.

    The intervals are exact for normal differences.

    Parameters
    ----------
    difference : array_like of float, (n,)
        One of each subject.
    confidence : float

    Returns
    -------
    bias : Estimate
    limits : Limits

    Raises
    ------
    ParameterError
        Fewer than two differences, or differences that are all the same.

    Notes
    -----
    Bland & Altman 1986, Lancet 327:307; intervals by the noncentral t distribution, Carkeet 2015,
    Optom Vis Sci 92:e71.

    Examples
    --------
    >>> bias, limits = limits_of_agreement([0.1, -0.2, 0.0, 0.3, -0.1, 0.2])
    >>> round(bias.value, 3), round(limits.upper.value, 3), limits.upper.how
    (0.05, 0.417, 'exact for normal differences')
    """
    d = np.asarray(difference, dtype=np.float64)
    return limits_of(Nested(d, [("subject", np.arange(d.size))]), None, None, "pairs", confidence)


def limits_of(
    difference: Nested, a: Extra | None, b: Extra | None, of: str, confidence: float
) -> tuple[Estimate, Limits]:
    """Bias and limits of nested differences.

    Parameters
    ----------
    difference : Nested
        Differences in eyes in subjects.
    a, b : Extra or None
        Spread of either method that the differences do not show.
    of : str
        Which values differ, for the result.
    confidence : float

    Returns
    -------
    bias : Estimate
    limits : Limits

    Raises
    ------
    ParameterError
        One subject only, or differences that are all the same.

    Notes
    -----
    Replicates: Bland & Altman 1999, Stat Methods Med Res 8:135, section 5; intervals: modified
    large sample for the SD, recovered for the limits (Zou 2013, Stat Methods Med Res 22:630).

    Examples
    --------
    >>> d = Nested(np.array([0.1, -0.2, 0.0, 0.3]), [("subject", np.arange(4))])
    >>> round(limits_of(d, None, None, "pairs", 0.95)[1].sd.value, 3)
    0.208
    """
    n = difference.n_top
    if n < 2:
        raise ParameterError("agreement: one subject only; at least two are needed, better thirty")
    ms, _, content = difference.mean_squares()
    weights = [difference.weights(np.ones(difference.depth), content)]
    squares, dfs = [ms], [difference.interval_df()]
    for extra in (a, b):
        if extra is not None:
            ms_x, _, content_x = extra.nested.mean_squares()
            weights.append(extra.nested.weights(extra.parts, content_x))
            squares.append(ms_x)
            dfs.append(extra.nested.interval_df())
    w, all_ms, all_df = (np.concatenate(items) for items in (weights, squares, dfs))
    w[np.abs(w) < 1e-12] = 0.0
    used = w != 0.0
    variance = float(w[used] @ all_ms[used])
    if variance <= 0.0:
        raise ParameterError(
            "agreement: all differences are identical; there is no spread to analyse"
        )
    low, high = mean_square_interval(w, all_ms, all_df, confidence)
    simple = bool(used.sum() == 1 and used[0])
    how = "chi-square" if simple else "modified large sample"
    sd = Estimate(variance, max(low, 0.0), high, how).sqrt()
    bias_value = float(difference.mean.mean())
    error = math.sqrt(ms[0] / n)
    bias = Estimate(bias_value, *t_interval(bias_value, error, n - 1, confidence), "t")
    if simple and abs(w[0] - 1.0) < 1e-9 and n <= _EXACT_MOST:
        # Means of unlike numbers of readings have unlike variances: then it is close, not exact.
        alike = all(extra is None or extra.alike for extra in (a, b))
        how = "exact for normal differences" if alike else "noncentral t"
        return bias, _exact_limits(of, bias_value, sd, n, confidence, how)
    return bias, recovered_limits(of, bias, sd)
