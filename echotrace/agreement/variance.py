"""Variances with their intervals, and variance components of crossed designs.

A variance that is a sum of mean squares has an interval by the modified large-sample method;
crossed designs, complete or not, are analysed by restricted maximum likelihood (Patterson &
Thompson 1971, Biometrika 58:545).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError

__all__ = [
    "Estimate",
    "check_confidence",
    "chi_square_interval",
    "effective_df",
    "mean_square_interval",
    "reml",
    "t_interval",
]

Floats = NDArray[np.float64]
_BORDER_LEVELS = 16
_LEAST_GROUPS = 5
_LEAST_FREEDOM = 0.5
"""With fewer degrees of freedom than this a component cannot be told from nil."""
_NO_LIMIT = 1e4
"""An upper limit this many times the variance of all readings says nothing: there is none."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its interval.

    Attributes
    ----------
    value, low, high : float
        NaN where the design does not give it.
    how : str
        How the interval was made.
    """

    value: float
    low: float = math.nan
    high: float = math.nan
    how: str = ""

    def map(self, function: Callable[[float], float], how: str | None = None) -> Estimate:
        """Transform figure and interval by a rising function."""
        return Estimate(
            function(self.value), function(self.low), function(self.high), how or self.how
        )

    def sqrt(self) -> Estimate:
        """SD of a variance; a negative variance gives 0."""
        return self.map(lambda x: math.sqrt(max(x, 0.0)) if not math.isnan(x) else x)


def check_confidence(confidence: float) -> None:
    """Refuse a confidence level that is not a probability worth the name."""
    if not 0.5 <= confidence < 1.0:
        raise ParameterError(f"confidence={confidence!r} must lie between 0.5 and 1, as in 0.95")


def chi_square_interval(variance: float, df: float, confidence: float) -> tuple[float, float]:
    """Interval of a variance with ``df`` degrees of freedom, exact for normal values."""
    import scipy

    if not df > 0 or math.isnan(variance):
        return math.nan, math.nan
    tail = (1.0 - confidence) / 2.0
    chi2 = scipy.stats.chi2
    return float(variance * df / chi2.isf(tail, df)), float(variance * df / chi2.ppf(tail, df))


def effective_df(squares: Floats, df: Floats) -> float:
    """Degrees of freedom of a pooled variance, fewer where the pooled groups spread differently.

    Parameters
    ----------
    squares, df : ndarray of float64, (n_groups,)
        Sum of squares and degrees of freedom of each group (each subject).

    Returns
    -------
    float
        The total; divided by the ratio of the variance seen between groups to that of a common
        normal spread where this ratio is more than two of its standard errors above one
        (Satterthwaite's matching, with the variance taken from the data).
    """
    used = df > 0
    total, n = float(df[used].sum()), int(used.sum())
    square = float(squares[used].sum())
    if n < _LEAST_GROUPS or square == 0.0:
        return total
    pooled = square / total
    seen = n / (n - 1.0) * float(np.sum((squares[used] - pooled * df[used]) ** 2))
    ratio = seen / (2.0 * pooled**2 * total)
    # Standard error of the ratio from the fourth moment of chi-square with total / n df each.
    error = math.sqrt((2.0 + 12.0 * n / total) / n)
    return total / ratio if ratio > 1.0 + 2.0 * error else total


def mean_square_interval(
    weights: Floats, mean_squares: Floats, df: Floats, confidence: float
) -> tuple[float, float]:
    """Interval of a sum of weighted independent mean squares; weights may be negative.

    Modified large-sample interval: exact when one mean square carries all, and close to nominal
    otherwise (Graybill & Wang 1980, JASA 75:869, for positive weights; Ting, Burdick, Graybill,
    Jeyaratnam & Lu 1990, J Stat Comput Simul 35:135, for differences).
    """
    import scipy

    used = weights != 0.0
    if not used.any() or not (df[used] > 0).all() or np.isnan(mean_squares[used]).any():
        return math.nan, math.nan
    w, ms, nu = weights[used], mean_squares[used], df[used]
    tail = (1.0 - confidence) / 2.0
    f_high = scipy.stats.chi2.isf(tail, nu) / nu
    f_low = scipy.stats.chi2.ppf(tail, nu) / nu
    g = 1.0 - 1.0 / f_high
    h = 1.0 / f_low - 1.0
    term = w * ms
    down = np.where(w > 0, g, h) * term
    up = np.where(w > 0, h, g) * term
    var_down, var_up = float(np.sum(down**2)), float(np.sum(up**2))
    plus, minus = np.flatnonzero(w > 0), np.flatnonzero(w < 0)
    for q in plus:
        for r in minus:
            f1 = scipy.stats.f.isf(tail, nu[q], nu[r])
            f2 = scipy.stats.f.ppf(tail, nu[q], nu[r])
            cross = abs(term[q] * term[r])
            var_down += cross * ((f1 - 1.0) ** 2 - (g[q] * f1) ** 2 - h[r] ** 2) / f1
            var_up += cross * ((1.0 - f2) ** 2 - (h[q] * f2) ** 2 - g[r] ** 2) / f2
    total = float(term.sum())
    return total - math.sqrt(max(var_down, 0.0)), total + math.sqrt(max(var_up, 0.0))


def t_interval(value: float, error: float, df: float, confidence: float) -> tuple[float, float]:
    """Student interval."""
    import scipy

    if not df > 0 or math.isnan(error):
        return math.nan, math.nan
    half = float(scipy.stats.t.ppf(0.5 + confidence / 2.0, df)) * error
    return value - half, value + half


def _renumber(codes: NDArray[np.intp]) -> NDArray[np.intp]:
    return np.unique(codes, return_inverse=True)[1].reshape(-1).astype(np.intp)


# ----------------------------------------------------------------------------- crossed designs


def reml(
    value: Floats, factors: Sequence[tuple[str, NDArray[np.intp]]], confidence: float
) -> dict[str, Estimate]:
    """Variance components of any design of random factors, by restricted maximum likelihood.

    Parameters
    ----------
    value : ndarray of float64, (n_readings,)
    factors : sequence of (name, ndarray of int, (n_readings,))
        Random intercepts, nested or crossed; the readings themselves are added as ``"reading"``.
    confidence : float

    Returns
    -------
    dict of str to Estimate
        Variances. Intervals are chi-square with the degrees of freedom that match the standard
        error from the likelihood's curvature (Satterthwaite 1946, Biometrics Bulletin 2:110); a
        component that cannot be told from nil has the upper limit only.

    Raises
    ------
    ParameterError
        A factor with a single level.

    Notes
    -----
    The likelihood is that of Bates, Mächler, Bolker & Walker 2015, J Stat Softw 67(1), section 3.
    """
    import scipy

    for name, codes in factors:
        if np.unique(codes).size < 2:
            raise ParameterError(f"{name}: one level only; its variance cannot be estimated")
    n = value.size
    scale = float(value.std()) or 1.0
    y = (value - value.mean()) / scale
    blocks = [_renumber(codes) for _, codes in factors]
    sizes = np.array([int(codes.max()) + 1 for codes in blocks])
    # Factors of few levels (operators) cross all others and would fill the sparse factor: they
    # form a dense border, eliminated after the rest.
    order = np.argsort(sizes <= _BORDER_LEVELS, kind="stable")
    n_inner = int(sizes[sizes > _BORDER_LEVELS].sum())
    starts = np.concatenate([[0], np.cumsum(sizes[order])])
    n_effects = int(starts[-1])
    z = scipy.sparse.csc_array(
        (
            np.ones(n * len(blocks)),
            (
                np.tile(np.arange(n), len(blocks)),
                np.concatenate([blocks[which] + starts[k] for k, which in enumerate(order)]),
            ),
        ),
        shape=(n, n_effects),
    )
    ztz = (z.T @ z).tocsc()
    inner = ztz[:n_inner, :n_inner].tocsc()
    border = ztz[:n_inner, n_inner:].toarray()
    corner = ztz[n_inner:, n_inner:].toarray()
    right = np.asarray(z.T @ np.stack([y, np.ones(n)], axis=1))
    identity = scipy.sparse.eye_array(n_inner, format="csc")
    yy, one_y = float(y @ y), float(y.sum())

    def terms(ratios: Floats) -> tuple[float, float]:
        """Log-determinants and the residual sum of squares for variances over the residual one."""
        spread = np.sqrt(np.repeat(ratios[order], sizes[order]))
        near, far = spread[:n_inner], spread[n_inner:]
        half = spread[:, None] * right
        edge = near[:, None] * border * far
        log_det, solved_edge, solved = 0.0, edge, half[:n_inner]
        if n_inner:
            diagonal = scipy.sparse.diags_array(near, format="csc")
            factor = scipy.sparse.linalg.splu(
                (diagonal @ inner @ diagonal + identity).tocsc(),
                permc_spec="MMD_AT_PLUS_A",
                diag_pivot_thresh=0.0,
                options={"SymmetricMode": True},
            )
            log_det = float(np.sum(np.log(np.abs(factor.U.diagonal()))))
            both = factor.solve(np.hstack([edge, half[:n_inner]]))
            solved_edge, solved = both[:, : edge.shape[1]], both[:, edge.shape[1] :]
        schur = far[:, None] * corner * far + np.eye(far.size) - edge.T @ solved_edge
        rest = half[n_inner:] - edge.T @ solved
        log_det += float(np.linalg.slogdet(schur)[1])
        explained = half[:n_inner].T @ solved + rest.T @ np.linalg.solve(schur, rest)
        a = yy - float(explained[0, 0])
        b = one_y - float(explained[0, 1])
        c = max(n - float(explained[1, 1]), np.finfo(np.float64).tiny)
        return log_det + math.log(c), max(a - b * b / c, np.finfo(np.float64).tiny)

    def deviance(variances: Floats) -> float:
        """-2 restricted log-likelihood for component variances, residual last."""
        residual = float(variances[-1])
        log_det, square = terms(variances[:-1] / residual)
        return log_det + (n - 1) * math.log(residual) + square / residual

    # The residual variance is profiled out: ratios alone are sought, in units of a first guess.
    finest = _renumber(np.unique(np.stack(blocks), axis=1, return_inverse=True)[1].reshape(-1))
    count = np.bincount(finest)
    inside = y - (np.bincount(finest, y) / count)[finest]
    pooled = float(inside @ inside) / max(n - count.size, 1)
    guess = max(1.0 / max(pooled, 1e-8), 1.0) / len(blocks)

    def profiled(roots: Floats) -> float:
        log_det, square = terms(guess * roots**2)
        return log_det + (n - 1) * math.log(square)

    found = scipy.optimize.minimize(
        profiled,
        np.full(len(blocks), 0.7),
        method="L-BFGS-B",
        bounds=[(0.0, 1e3)] * len(blocks),
        options={"ftol": 1e-12, "gtol": 1e-6 * n, "maxiter": 200},
    )
    ratios = guess * found.x**2
    residual = terms(ratios)[1] / (n - 1)
    best = np.append(ratios * residual, residual)
    names = [*(name for name, _ in factors), "reading"]
    # Curvature in the variances themselves, where a component of nil still has a slope.
    step = np.maximum(best * 1e-3, best[-1] * 1e-4)
    k = len(best)
    centre = np.maximum(best, step)
    hessian = np.zeros((k, k))
    for i in range(k):
        for j in range(i, k):
            e_i, e_j = np.zeros(k), np.zeros(k)
            e_i[i], e_j[j] = step[i] / 2, step[j] / 2
            hessian[i, j] = hessian[j, i] = (
                deviance(centre + e_i + e_j)
                - deviance(centre + e_i - e_j)
                - deviance(centre - e_i + e_j)
                + deviance(centre - e_i - e_j)
            ) / (step[i] * step[j])
    error = np.sqrt(np.abs(np.diag(np.linalg.pinv(hessian / 2.0))))
    estimates = {}
    tail = (1.0 - confidence) / 2.0
    for i, name in enumerate(names):
        variance = float(best[i]) * scale**2
        freedom = 2.0 * float(best[i] / error[i]) ** 2
        if best[i] <= step[i] or freedom < _LEAST_FREEDOM:
            high = variance + float(scipy.stats.norm.isf(tail) * error[i]) * scale**2
            estimates[name] = Estimate(variance, 0.0, high, "REML, upper limit only")
            continue
        low, high = chi_square_interval(variance, freedom, confidence)
        if high > _NO_LIMIT * scale**2:
            high = math.inf
        estimates[name] = Estimate(variance, low, high, "REML, Satterthwaite")
    return estimates
