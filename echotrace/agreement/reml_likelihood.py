"""Restricted likelihood of random factors, with its first and second derivatives.

Factors that nest in one another form a chain (sittings in eyes in subjects), which is collapsed
group by group: a group of means with variances ``v`` has one mean, whose variance is that of the
group's own effect and the reciprocal sum of ``1 / v``. Nothing is subtracted from anything larger
than itself. What crosses the chain (operators) is a dense border of few columns.

The likelihood and its residual as a penalised sum of squares: Bates, Mächler, Bolker & Walker 2015,
J Stat Softw 67(1), section 3. The derivatives: Searle, Casella & McCulloch 1992, Variance
Components, section 6.6.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.agreement.nested import renumber
from echotrace.agreement.variance import Floats

__all__ = ["Evaluation", "Likelihood"]

Codes = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Evaluation:
    """The likelihood at given ratios of the factors' variances to that of the readings.

    Attributes
    ----------
    deviance : float
        -2 times the restricted log-likelihood, at the best variance of the readings.
    residual : float
        That variance of the readings, in the squared unit of the values.
    gradient : ndarray of float64, (n_factors,)
        Of the deviance by the ratios.
    curvature : ndarray of float64, (n_factors, n_factors)
        Second derivatives of the deviance.
    trace : ndarray of float64, (n_factors,)
        Traces of ``P Z Z'``, with ``P`` in units of the readings' variance.
    information : ndarray of float64, (n_factors, n_factors)
        Traces of ``P Z_i Z_i' P Z_j Z_j'``.
    """

    deviance: float
    residual: float
    gradient: Floats
    curvature: Floats
    trace: Floats
    information: Floats

    def expected(self, n: int) -> Floats:
        """Expected curvature of the deviance of ``n`` values, (n_factors, n_factors)."""
        return self.information - np.outer(self.trace, self.trace) / (n - 1)


class Likelihood:
    """Values in groups, ready to be evaluated at any ratios of variances.

    Parameters
    ----------
    value : ndarray of float64, (n,)
        Should be centred, and in a unit in which they are of the order of one.
    factors : sequence of ndarray of int, (n,)
        The group of each value by every factor.

    Attributes
    ----------
    n : int
    sizes : ndarray of int, (n_factors,)
        Groups of each factor.
    n_cells : int
        Distinct sets of groups.
    within : float
        Sum of squares within them.
    """

    def __init__(self, value: Floats, factors: Sequence[Codes]) -> None:
        blocks = [renumber(codes) for codes in factors]
        self.n = value.size
        self.sizes = np.array([int(codes.max()) + 1 for codes in blocks])
        cell = np.zeros(self.n, dtype=np.intp)
        for codes, size in zip(blocks, self.sizes, strict=True):
            cell = renumber(cell * int(size) + codes)
        count = np.bincount(cell).astype(np.float64)
        mean = np.bincount(cell, value) / count
        rest = value - mean[cell]
        self.within = float(rest @ rest)
        self.n_cells = count.size
        first = np.unique(cell, return_index=True)[1]
        of_cell = [codes[first] for codes in blocks]

        chain: list[int] = []
        border: list[int] = []
        for k in np.argsort(-self.sizes, kind="stable").tolist():
            (chain if not chain or _nests(of_cell[chain[-1]], of_cell[k]) else border).append(k)
        self._order = np.array(chain + border)
        self._depth = len(chain)

        rows = np.lexsort([of_cell[k] for k in chain])
        self._count, self._mean = count[rows], mean[rows]
        self._starts: list[Codes] = []
        self._parent: list[Codes] = []
        node = np.arange(rows.size)
        for k in chain:
            label = of_cell[k][rows][node]
            starts = np.concatenate([[0], np.flatnonzero(np.diff(label)) + 1])
            lengths = np.diff(np.append(starts, label.size))
            self._starts.append(starts)
            self._parent.append(np.repeat(np.arange(starts.size), lengths))
            node = node[starts]
        crossing = self.sizes[border]
        self._columns = np.ones((rows.size, int(crossing.sum()) + 1))
        edges = np.concatenate([[0], np.cumsum(crossing)])
        self._slices = [slice(int(a), int(b)) for a, b in itertools.pairwise(edges)]
        for k, at in zip(border, self._slices, strict=True):
            self._columns[:, at] = of_cell[k][rows][:, None] == np.arange(self.sizes[k])

    def evaluate(self, ratios: Floats) -> Evaluation:
        """Deviance and derivatives at variances of the factors over that of the readings."""
        depth, order = self._depth, self._order
        k_all = order.size
        gamma = ratios[order]
        chain = _Chain(self, gamma[:depth])
        columns = self._columns
        scores = chain.scores(columns, 0)
        gram = columns.T @ scores[0]

        # Border effects z (over their variance) and mean: the best penalised least squares.
        weight = np.ones(columns.shape[1])
        for at, ratio in zip(self._slices, gamma[depth:], strict=True):
            weight[at] = ratio
        penalty = np.ones(weight.size)
        penalty[-1] = 0.0
        matrix = np.diag(penalty) + gram * weight
        effect = np.zeros(weight.size)
        for _ in range(3):  # the second and third refine the first
            rest = self._mean - columns @ (weight * effect)
            of_rest = chain.scores(rest[:, None], 0)
            wrong = columns.T @ of_rest[0][:, 0] - penalty * effect
            effect = effect + np.linalg.solve(matrix, wrong)
        rest = self._mean - columns @ (weight * effect)
        of_rest = chain.scores(rest[:, None], 0)
        square = (
            self.within
            + chain.square(rest[:, None])
            + float(np.sum((penalty * weight) * effect**2))
        )

        # The squares explained by each factor, and what they are made of at the cells.
        explained = np.empty(k_all)
        working = np.empty((columns.shape[0], k_all))
        for i in range(depth):
            score = of_rest[i + 1][:, 0]
            explained[i] = score @ score
            working[:, i] = chain.spread(score, i + 1, 0)
        for i, at in enumerate(self._slices, depth):
            explained[i] = effect[at] @ effect[at]
            working[:, i] = columns[:, at] @ effect[at]
        crossed = scores[0].T @ working
        bilinear = working.T @ chain.scores(working, 0)[0] - crossed.T @ (
            weight[:, None] * np.linalg.solve(matrix, crossed)
        )

        trace, information, log_det = self._determinants(chain, scores, gram, matrix, weight)
        free = self.n - 1
        share = explained / square
        gradient = trace - free * share
        curvature = free * (2.0 * bilinear / square - np.outer(share, share)) - information
        back = np.argsort(order)
        grid = np.ix_(back, back)
        return Evaluation(
            deviance=log_det + free * (1.0 + math.log(2.0 * math.pi * square / free)),
            residual=square / free,
            gradient=gradient[back],
            curvature=(0.5 * (curvature + curvature.T))[grid],
            trace=trace[back],
            information=information[grid],
        )

    def _determinants(
        self, chain: _Chain, scores: list[Floats], gram: Floats, matrix: Floats, weight: Floats
    ) -> tuple[Floats, Floats, float]:
        """Derivative, minus the second derivative, and value of the log-determinants."""
        depth, k_all = self._depth, self._order.size
        first = np.zeros(k_all)
        second = np.zeros((k_all, k_all))
        log_det, first[:depth], second[:depth, :depth] = chain.log_determinant()
        by_chain = [-(s.T @ s) for s in scores[1:]]
        marks = [np.zeros(weight.size) for _ in self._slices]
        for mark, at in zip(marks, self._slices, strict=True):
            mark[at] = 1.0
        change = [g * weight for g in by_chain] + [gram * mark for mark in marks]
        solved = [np.linalg.solve(matrix, c) for c in change]
        inverse = np.linalg.inv(matrix)
        for i in range(k_all):
            first[i] += np.trace(solved[i])
            for j in range(k_all):
                second[i, j] -= np.sum(solved[i] * solved[j].T)
        for j in range(depth):
            # Scores of the finer factor's scores, at the coarser ones.
            again = chain.scores(scores[j + 1], j + 1)
            for i in range(j, k_all):
                if i < depth:
                    bend = again[i - j].T @ scores[i + 1]
                    third = (bend + bend.T) * weight
                else:
                    third = by_chain[j] * marks[i - depth]
                second[i, j] += np.sum(inverse * third.T)
                second[j, i] = second[i, j]
        log_det += float(np.linalg.slogdet(matrix)[1])
        return first, -second, log_det


class _Chain:
    """The nested factors at given ratios. Level 0 are the cells, level k the k-th factor's groups.

    ``v`` is the variance of a node's mean and of all factors up to its own, ``total`` the sum of
    the reciprocals over its children.
    """

    def __init__(self, data: Likelihood, ratios: Floats) -> None:
        self._starts, self._parent = data._starts, data._parent
        self._count = data._count
        self.depth = ratios.size
        self.v = [1.0 / data._count]
        self.total: list[Floats] = [data._count]
        for k in range(self.depth):
            total = np.add.reduceat(1.0 / self.v[k], self._starts[k])
            self.total.append(total)
            self.v.append(1.0 / total + ratios[k])

    def _means(self, value: Floats, level: int) -> list[Floats]:
        means = [value]
        for k in range(level, self.depth):
            weighted = means[-1] / self.v[k][:, None]
            means.append(np.add.reduceat(weighted, self._starts[k]) / self.total[k + 1][:, None])
        return means

    def scores(self, value: Floats, level: int) -> list[Floats]:
        """Sums over the nodes of the inverse covariance times the columns of ``value``.

        Parameters
        ----------
        value : ndarray of float64, (n_nodes, n_columns)
            The same in all that a node holds.
        level : int
            Of these nodes.

        Returns
        -------
        list of ndarray of float64, (n_nodes, n_columns)
            From this level up to the last.
        """
        means = self._means(value, level)
        score = means[-1] / self.v[-1][:, None]
        out = [score]
        for k in range(self.depth - 1, level - 1, -1):
            parent = self._parent[k]
            above = means[k - level + 1] - score / self.total[k + 1][:, None]
            score = (means[k - level] - above[parent]) / self.v[k][:, None]
            out.append(score)
        return out[::-1]

    def square(self, value: Floats) -> float:
        """Square of one column by the inverse covariance: a sum of squares, level by level."""
        means = self._means(value, 0)
        out = float(np.sum(means[-1][:, 0] ** 2 / self.v[-1]))
        for k in range(self.depth):
            off = (means[k] - means[k + 1][self._parent[k]])[:, 0]
            out += float(np.sum(off**2 / self.v[k]))
        return out

    def spread(self, value: Floats, level: int, to: int) -> Floats:
        """Values of nodes handed down to the nodes of a finer level."""
        for k in range(level - 1, to - 1, -1):
            value = value[self._parent[k]]
        return value

    def log_determinant(self) -> tuple[float, Floats, Floats]:
        """Log-determinant of the chain's covariance with its two derivatives by the ratios."""
        size = self.depth
        value = float(np.sum(np.log(self._count)))
        first, second = np.zeros(size), np.zeros((size, size))
        dv = np.zeros((0, self.v[0].size))
        ddv = np.zeros((0, 0, self.v[0].size))
        for k in range(size + 1):
            # Level k knows the ratios of its own factor and of the k - 1 finer ones.
            v = self.v[k]
            value += float(np.sum(np.log(v)))
            first[:k] += np.sum(dv / v, axis=1)
            pair = dv[:, None] * dv
            second[:k, :k] += np.sum(ddv / v - pair / v**2, axis=2)
            if k == size:
                break
            total, starts = self.total[k + 1], self._starts[k]
            value += float(np.sum(np.log(total)))
            dt = -np.add.reduceat(dv / v**2, starts, axis=1)
            ddt = np.add.reduceat(2.0 * pair / v**3 - ddv / v**2, starts, axis=2)
            first[:k] += np.sum(dt / total, axis=1)
            pair = dt[:, None] * dt
            second[:k, :k] += np.sum(ddt / total - pair / total**2, axis=2)
            dv = np.zeros((k + 1, total.size))
            ddv = np.zeros((k + 1, k + 1, total.size))
            dv[:k] = -dt / total**2
            dv[k] = 1.0
            ddv[:k, :k] = 2.0 * pair / total**3 - ddt / total**2
        return value, first, second


def _nests(fine: Codes, coarse: Codes) -> bool:
    """Whether every group of one factor lies in one group of the other."""
    home = np.zeros(int(fine.max()) + 1, dtype=np.intp)
    home[fine] = coarse
    return bool((home[fine] == coarse).all())
