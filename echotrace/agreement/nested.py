"""Nested designs (subject, eye, sitting, reading) by unweighted means.

At every level the spread of plain means of means is taken. With equal numbers this is the textbook
analysis of variance; with unequal numbers its mean squares stay close to chi-square when eyes
differ much more than readings do, as lengths of eyes do, where the classical sums of squares do not
(Thomas & Hultquist 1978, Annals of Statistics 6:582; Burdick & Graybill 1992, Confidence Intervals
on Variance Components).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from echotrace.agreement.variance import Estimate, Floats, effective_df, mean_square_interval

__all__ = ["Nested", "renumber"]

_PIVOT_DRAWS = 1 << 14


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
        groups = [(name, renumber(codes)) for name, codes in levels]
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
        # Sums without the subjects who alone tell a level have no mean square there.
        with np.errstate(invalid="ignore"):
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
        return Estimate(min(max(value, 0.0), 1.0), float(low), float(high), how)


def renumber(codes: NDArray[np.intp]) -> NDArray[np.intp]:
    """The same groups, counted from nil without gaps.

    Parameters
    ----------
    codes : ndarray of int, (n,)

    Returns
    -------
    ndarray of int, (n,)

    Examples
    --------
    >>> renumber(np.array([7, 3, 7]))
    array([1, 0, 1])
    """
    return np.unique(codes, return_inverse=True)[1].reshape(-1).astype(np.intp)
