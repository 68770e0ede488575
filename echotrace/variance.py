"""Variance components of nested designs, and intervals for what is made of them.

Nested designs (subject, eye, sitting, reading) are analysed by unweighted means: at every level
the spread of plain means of means. With equal numbers this is the textbook analysis of variance;
with unequal numbers its mean squares stay close to chi-square when eyes differ much more than
readings do, as lengths of eyes do, where the classical sums of squares do not (Thomas & Hultquist
1978, Annals of Statistics 6:582; Burdick & Graybill 1992, Confidence Intervals on Variance
Components). Crossed designs are the business of `echotrace.reml`.

Everything a study is analysed by is a sum over subjects, so that leaving out a subject (jackknife)
or drawing subjects anew (bootstrap) is a product of matrices.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Estimate",
    "Nested",
    "bootstrap_interval",
    "chi_square_interval",
    "jackknife",
    "mean_square_interval",
]

Floats = NDArray[np.float64]
_PIVOT_DRAWS = 1 << 14
_LEAST_GROUPS = 5


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


def chi_square_interval(variance: float, df: float, confidence: float) -> tuple[float, float]:
    """Exact interval of a variance with ``df`` degrees of freedom."""
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


# -------------------------------------------------------------------------- sums over subjects


def jackknife(statistic: Callable[[Floats], Floats], sums: Floats) -> tuple[float, float, int]:
    """Value of a statistic of sums over subjects and its standard error, one subject left out.

    Parameters
    ----------
    statistic : callable
        Maps sums ``(…, n_sums)`` to values ``(…,)``.
    sums : ndarray of float64, (n_subjects, n_sums)

    Returns
    -------
    value, standard_error : float
    df : int
        One less than the number of subjects.

    Notes
    -----
    Miller 1974, Biometrika 61:1.
    """
    n = sums.shape[0]
    total = sums.sum(axis=0)
    value = float(statistic(total))
    if n < 3:
        return value, math.nan, n - 1
    left_out = statistic(total - sums)
    spread = left_out - left_out.mean()
    return value, math.sqrt(float(np.sum(spread**2)) * (n - 1) / n), n - 1


def t_interval(value: float, error: float, df: float, confidence: float) -> tuple[float, float]:
    """Student interval."""
    import scipy

    if not df > 0 or math.isnan(error):
        return math.nan, math.nan
    half = float(scipy.stats.t.ppf(0.5 + confidence / 2.0, df)) * error
    return value - half, value + half


def subject_draws(n_subjects: int, n_draws: int, seed: int) -> Floats:
    """How often each subject is drawn, (n_draws, n_subjects); subjects drawn with replacement."""
    rng = np.random.default_rng(seed)
    return rng.multinomial(n_subjects, np.full(n_subjects, 1.0 / n_subjects), n_draws).astype(
        np.float64
    )


def bootstrap_interval(
    statistic: Callable[[Floats], Floats], sums: Floats, draws: Floats, confidence: float
) -> tuple[float, float]:
    """Percentile interval of a statistic of sums over subjects, subjects drawn anew.

    Efron & Tibshirani 1993, An Introduction to the Bootstrap, chapter 13; drawing whole subjects
    keeps both eyes and all readings of a subject together.
    """
    if sums.shape[0] < 2 or not draws.shape[0]:
        return math.nan, math.nan
    values = statistic(draws @ sums)
    values = values[np.isfinite(values)]
    if values.size < draws.shape[0] // 2:
        return math.nan, math.nan
    tail = (1.0 - confidence) / 2.0
    low, high = np.quantile(values, [tail, 1.0 - tail])
    return float(low), float(high)


# ------------------------------------------------------------------------------ nested designs


class Nested:
    """Unweighted-means analysis of readings in groups in groups.

    Parameters
    ----------
    value : ndarray of float64, (n_readings,)
    levels : sequence of (name, ndarray of int, (n_readings,))
        Groups from the outermost (subjects) inwards. A level that splits no group further is
        dropped, since nothing can be said of it.

    Attributes
    ----------
    names : tuple of str
        Levels kept, then ``"reading"``.
    sums : ndarray of float64, (n_subjects, n_sums)
        One row for each outermost group; what :meth:`mean_squares` works on.
    """

    def __init__(self, value: Floats, levels: Sequence[tuple[str, NDArray[np.intp]]]) -> None:
        self.shift = float(value.mean()) if value.size else 0.0
        mean = value - self.shift
        groups = [(name, _renumber(codes)) for name, codes in levels]
        top = groups[0][1]
        kept = [groups[0]]
        for name, codes in groups[1:]:
            if codes.max() > kept[-1][1].max():
                kept.append((name, codes))
        while len(kept) > 1 and kept[-1][1].max() + 1 == value.size:
            kept.pop()
        self.names = (*(name for name, _ in kept), "reading")
        depth = len(self.names)
        self.n_top = int(top.max()) + 1

        # From the readings outwards: `mean` holds one mean for each node of the level below,
        # `noise[:, k]` how much of component k is in that mean, `home` its outermost group.
        node_of = np.arange(value.size)
        noise = np.zeros((value.size, depth))
        home = top
        squares = np.zeros((self.n_top, depth))
        df = np.zeros((self.n_top, depth))
        expected = np.zeros((self.n_top, depth, depth))
        for k in range(depth - 1, 0, -1):
            noise = noise.copy()
            noise[:, k] += 1.0
            first_row = np.unique(node_of, return_index=True)[1]
            parent = kept[k - 1][1][first_row]
            n_parent = int(parent.max()) + 1
            n_child = np.bincount(parent, minlength=n_parent).astype(np.float64)
            new_mean = np.bincount(parent, mean, n_parent) / n_child
            deviation = mean - new_mean[parent]
            parent_home = np.zeros(n_parent, dtype=np.intp)
            parent_home[parent] = home
            squares[:, k] = np.bincount(home, deviation**2, self.n_top)
            df[:, k] = np.bincount(parent_home, n_child - 1.0, self.n_top)
            new_noise = np.empty((n_parent, depth))
            for j in range(depth):
                new_noise[:, j] = np.bincount(parent, noise[:, j], n_parent) / n_child**2
                share = noise[:, j] * (1.0 - 1.0 / n_child[parent])
                expected[:, k, j] = np.bincount(home, share, self.n_top)
            mean, noise, home = new_mean, new_noise, parent_home
            node_of = kept[k - 1][1]
        noise[:, 0] += 1.0
        order = np.argsort(home)
        self.mean = mean[order] + self.shift
        centred, noise = mean[order], noise[order]
        self.depth = depth
        self.sums = np.concatenate(
            [
                np.ones((self.n_top, 1)),
                centred[:, None],
                centred[:, None] ** 2,
                noise,
                squares[:, 1:],
                df[:, 1:],
                expected[:, 1:, :].reshape(self.n_top, -1),
            ],
            axis=1,
        )

    def mean_squares(self, sums: Floats | None = None) -> tuple[Floats, Floats, Floats]:
        """Mean squares of the levels, their degrees of freedom and what they are made of.

        Parameters
        ----------
        sums : ndarray of float64, (…, n_sums), optional
            Sums over the outermost groups; by default over all of them.

        Returns
        -------
        mean_squares, df : ndarray of float64, (…, n_levels)
            Outermost level first; the last is the mean square within the innermost groups.
        content : ndarray of float64, (…, n_levels, n_levels)
            Expected mean square ``k`` is the sum over ``j`` of ``content[k, j]`` times variance
            component ``j``.
        """
        s = self.sums.sum(axis=0) if sums is None else sums
        d = self.depth
        n, total, square = s[..., 0], s[..., 1], s[..., 2]
        noise = s[..., 3 : 3 + d]
        at = 3 + d
        inner = s[..., at : at + d - 1]
        inner_df = s[..., at + d - 1 : at + 2 * (d - 1)]
        inner_expected = s[..., at + 2 * (d - 1) :].reshape(*s.shape[:-1], d - 1, d)
        with np.errstate(divide="ignore", invalid="ignore"):
            outer = (square - total**2 / n) / (n - 1.0)
            ms = np.concatenate([outer[..., None], inner / inner_df], axis=-1)
            df = np.concatenate([(n - 1.0)[..., None], inner_df], axis=-1)
            content = np.concatenate(
                [(noise / n[..., None])[..., None, :], inner_expected / inner_df[..., None]],
                axis=-2,
            )
        return ms, df, content

    def interval_df(self) -> Floats:
        """Degrees of freedom for intervals: fewer where groups spread differently."""
        df = self.mean_squares()[1].copy()
        at = 3 + self.depth
        for k in range(1, self.depth):
            squares = self.sums[:, at + k - 1]
            df[k] = effective_df(squares, self.sums[:, at + self.depth - 1 + k - 1])
        return df

    def weights(self, parts: Floats, content: Floats) -> Floats:
        """Weights of the mean squares whose sum estimates ``parts`` times the components.

        A level without degrees of freedom gets weight 0 (its component is not estimable and is
        taken as nil).
        """
        d = self.depth
        shape = np.broadcast_shapes(parts.shape, content.shape[:-1])
        rest = np.array(np.broadcast_to(parts, shape), dtype=np.float64)
        out = np.zeros(shape)
        # content is upper triangular: solve from the outermost level inwards.
        for k in range(d):
            diagonal = content[..., k, k]
            with np.errstate(divide="ignore", invalid="ignore"):
                w = np.where(np.isfinite(diagonal), rest[..., k] / diagonal, 0.0)
            out[..., k] = w
            rest = rest - w[..., None] * np.nan_to_num(content[..., k, :])
        return out

    def combination(self, parts: Floats, sums: Floats | None = None) -> Floats:
        """Estimate ``parts`` times the variance components from sums over the outermost groups."""
        ms, _, content = self.mean_squares(sums)
        w = self.weights(parts, content)
        return np.asarray(np.sum(np.where(w != 0.0, w * ms, 0.0), axis=-1))

    def estimate(self, parts: Floats, confidence: float) -> Estimate:
        """Sum of ``parts`` times the variance components, with its interval."""
        ms, _, content = self.mean_squares()
        df = self.interval_df()
        w = self.weights(parts, content)
        value = float(np.sum(w[w != 0.0] * ms[w != 0.0]))
        low, high = mean_square_interval(w, ms, df, confidence)
        return Estimate(value, max(low, 0.0), high, "modified large sample")

    def parts(self, *names: str) -> Floats:
        """Mark the components of some levels, (n_levels,)."""
        return np.array([float(name in names) for name in self.names])

    def ratio(self, top: Floats, bottom: Floats, confidence: float) -> Estimate:
        """Share ``top / (top + bottom)`` of variance components, with its interval.

        Exact when one level of groups lies above the readings of equal number (the F interval of
        McGraw & Wong 1996, Psychological Methods 1:30); otherwise by generalised pivots: every
        mean square is replaced by its distribution given the data (Weerahandi 1993, JASA 88:899).
        """
        import scipy

        ms, _, content = self.mean_squares()
        df = self.interval_df()
        w_top, w_bottom = self.weights(top, content), self.weights(bottom, content)
        if not (df > 0).all():
            return Estimate(math.nan)
        a, b = float(w_top @ ms), float(w_bottom @ ms)
        value = a / (a + b) if a + b > 0 else math.nan
        tail = (1.0 - confidence) / 2.0
        how = "F" if self.depth == 2 else "generalised pivots"
        if (df < self.mean_squares()[1]).any():
            how += ", as groups differ in spread"
        if self.depth == 2:
            m = 1.0 / content[0, 1]
            f = m * ms[0] / ms[1] if ms[1] > 0 else math.inf
            low = f / scipy.stats.f.isf(tail, df[0], df[1])
            high = f / scipy.stats.f.ppf(tail, df[0], df[1])
            if not math.isfinite(f):
                return Estimate(1.0, 1.0, 1.0, "no spread within groups")
            return Estimate(
                value,
                float((low - 1.0) / (low + m - 1.0)),
                float((high - 1.0) / (high + m - 1.0)),
                how,
            )
        pivots = np.random.default_rng(20260401).chisquare(df, (_PIVOT_DRAWS, self.depth))
        drawn = ms * df / pivots
        a_drawn, b_drawn = np.maximum(drawn @ w_top, 0.0), np.maximum(drawn @ w_bottom, 0.0)
        share = a_drawn / np.maximum(a_drawn + b_drawn, np.finfo(float).tiny)
        low, high = np.quantile(share, [tail, 1.0 - tail])
        return Estimate(value, float(low), float(high), how)


def _renumber(codes: NDArray[np.intp]) -> NDArray[np.intp]:
    return np.unique(codes, return_inverse=True)[1].reshape(-1).astype(np.intp)
