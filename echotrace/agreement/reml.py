"""Variance components of crossed designs by restricted maximum likelihood, proven or refused.

The ratios of the variances to that of the readings are sought by Newton steps in a trust region,
with exact derivatives, from several starts; what is found must be a minimum by its slope and its
curvature, components of nil by the sign of theirs (Karush, Kuhn & Tucker), or nothing is given.
Patterson & Thompson 1971, Biometrika 58:545; Searle, Casella & McCulloch 1992, Variance Components,
chapter 6.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from echotrace.agreement.reml_likelihood import Codes, Evaluation, Likelihood
from echotrace.agreement.variance import Estimate, Floats, chi_square_interval
from echotrace.errors import EstimationError, ParameterError

__all__ = ["Fit", "fit_components", "reml"]

READING = "reading"
_LEAST_DF = 0.5
"""With fewer degrees of freedom than this a component cannot be told from nil."""
_NO_LIMIT = 1e4
"""An upper limit this many times the variance of all readings says nothing: there is none."""
_LARGEST_RATIO = 1e14
"""Beyond it the readings' own spread is lost in the rounding of the others."""
_ALIASED = 1e-10
"""Least eigenvalue of the correlations of the information; one reading among n gives about 1/n."""
_MOST_STEPS = 100
_WIDEST_STEP = 6.0
_SETTLED = 1e-10
_GAP = 1e-6
"""Largest deviance that may be left between the result and the foot of its parabola."""
_LEAST_CURVATURE = 1e-4
"""Of the deviance over its expectation; less is no minimum that its parabola describes."""


@dataclass(frozen=True, slots=True)
class Fit:
    """Variance components at the proven maximum of the restricted likelihood.

    Attributes
    ----------
    names : tuple of str
        The factors, then ``"reading"``.
    variance : ndarray of float64, (n_names,)
        In the squared unit of the values.
    covariance : ndarray of float64, (n_names, n_names)
        Of these variances, inverse of their expected information.
    deviance : float
        -2 times the restricted log-likelihood, all constants included.
    nil : tuple of str
        Components at nil, where the likelihood falls as they grow.
    """

    names: tuple[str, ...]
    variance: Floats
    covariance: Floats
    deviance: float
    nil: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Point:
    """A place of the search: ``ratio = unit * (exp(t) - 1)``, straight at nil and log far out.

    A scale of roots would have a false stationary point at nil, and one of logs no nil at all.
    """

    t: Floats
    at: Evaluation
    gradient: Floats
    curvature: Floats
    expected: Floats


def reml(
    value: Floats, factors: Sequence[tuple[str, Codes]], confidence: float
) -> dict[str, Estimate]:
    """Variance components of any design of random factors, with intervals.

    Parameters
    ----------
    value : ndarray of float64, (n_readings,)
    factors : sequence of (name, ndarray of int, (n_readings,))
        Random intercepts, nested or crossed; the readings themselves are added as ``"reading"``.
    confidence : float

    Returns
    -------
    dict of str to Estimate
        In the squared unit of ``value``. Intervals are chi-square with degrees of freedom from the
        expected information (Satterthwaite 1946, Biometrics Bulletin 2:110); a component that
        cannot be told from nil has the upper limit only.

    Raises
    ------
    ParameterError
        A factor with a single level, or values that are not finite or all the same.
    EstimationError
        Components that the design cannot tell apart, readings without a spread of their own, or a
        best fit that could not be proven.

    Examples
    --------
    >>> import numpy as np
    >>> batch = np.repeat([0, 1, 2], 2)
    >>> found = reml(np.array([1.0, 3.0, 5.0, 7.0, 2.0, 4.0]), [("batch", batch)], 0.95)
    >>> round(found["batch"].value, 4), round(found["reading"].value, 4)
    (3.3333, 2.0)
    """
    import scipy

    fit = fit_components(value, factors)
    error = np.sqrt(np.diag(fit.covariance))
    total = float(value.var())
    tail = (1.0 - confidence) / 2.0
    estimates = {}
    for name, variance, sd in zip(fit.names, fit.variance.tolist(), error.tolist(), strict=True):
        df = 2.0 * (variance / sd) ** 2
        if name in fit.nil or df < _LEAST_DF:
            high = variance + float(scipy.stats.norm.isf(tail)) * sd
            estimates[name] = Estimate(variance, 0.0, high, "REML, upper limit only")
            continue
        low, high = chi_square_interval(variance, df, confidence)
        if high > _NO_LIMIT * total:
            high = math.inf
        estimates[name] = Estimate(variance, low, high, "REML, Satterthwaite")
    return estimates


def fit_components(value: Floats, factors: Sequence[tuple[str, Codes]]) -> Fit:
    """Variance components at the proven maximum of the restricted likelihood.

    Parameters
    ----------
    value : ndarray of float64, (n_readings,)
    factors : sequence of (name, ndarray of int, (n_readings,))
        As in :func:`reml`.

    Returns
    -------
    Fit

    Raises
    ------
    ParameterError
        A factor with a single level, or values that are not finite or all the same.
    EstimationError
        As in :func:`reml`.

    Examples
    --------
    >>> batch = np.repeat([0, 1, 2], 2)
    >>> fit = fit_components(np.array([1.0, 3.0, 5.0, 7.0, 2.0, 4.0]), [("batch", batch)])
    >>> fit.names, fit.variance.round(4)
    (('batch', 'reading'), array([3.3333, 2.    ]))
    """
    names = tuple(name for name, _ in factors)
    if not np.isfinite(value).all():
        raise ParameterError("variance components: every value must be a finite number")
    for name, codes in factors:
        if np.unique(codes).size < 2:
            raise ParameterError(f"{name}: one level only; its variance cannot be estimated")
    if np.ptp(value) == 0.0:
        raise ParameterError("variance components: all values are identical")
    mean, scale = float(value.mean()), float(value.std())
    data = Likelihood((value - mean) / scale, [codes for _, codes in factors])
    rounding = 4.0 * np.finfo(np.float64).eps * float(np.abs(value).max()) / scale
    if data.n > data.n_cells and data.within <= data.n * rounding**2:
        raise EstimationError(
            "readings taken alike are identical, so they have no spread to weigh the spread "
            f"between {_listed(names)} against; copies of a reading are no readings"
        )
    search = _Search(data, names)
    search.refuse_aliases()
    best = search.best()
    search.prove(best)
    ratios = search.ratios(best.t)
    variance, covariance = _with_readings(best.at, ratios, data.n)
    return Fit(
        names=(*names, READING),
        variance=variance * scale**2,
        covariance=covariance * scale**4,
        deviance=best.at.deviance + 2.0 * (data.n - 1) * math.log(scale),
        nil=tuple(name for name, ratio in zip(names, ratios, strict=True) if ratio == 0.0),
    )


class _Search:
    """The best ratios of a likelihood, and the proof that they are."""

    def __init__(self, data: Likelihood, names: tuple[str, ...]) -> None:
        self.data, self.names = data, names
        self.unit = data.sizes / data.n
        """A group's mean of so many readings has this variance, in units of the readings'."""
        self.top = np.log1p(_LARGEST_RATIO / self.unit)
        self.noise = 1e-13 * data.n

    def ratios(self, t: Floats) -> Floats:
        """Ratios of variances at a place of the search."""
        return np.asarray(self.unit * np.expm1(t))

    def point(self, t: Floats) -> _Point:
        """Deviance and derivatives at a place of the search."""
        at = self.data.evaluate(self.ratios(t))
        rate = self.unit * np.exp(t)
        both = np.outer(rate, rate)
        gradient = at.gradient * rate
        return _Point(
            t,
            at,
            gradient,
            at.curvature * both + np.diag(gradient),
            at.expected(self.data.n) * both,
        )

    def refuse_aliases(self) -> None:
        """Refuse factors whose spreads the design cannot tell apart, whatever the values."""
        at = self.data.evaluate(self.unit)
        whole = np.block(
            [
                [at.information, at.trace[:, None]],
                [at.trace[None, :], np.array([[self.data.n - 1]])],
            ]
        )
        # The last row is of all variances together; of the readings alone it is without the rest.
        parts = np.eye(len(whole))
        parts[-1, :-1] = -self.unit
        information = parts @ whole @ parts.T
        sd = np.sqrt(np.diag(information))
        values, vectors = np.linalg.eigh(information / np.outer(sd, sd))
        if values[0] > _ALIASED:
            return
        alike = np.flatnonzero(np.abs(vectors[:, 0]) > 0.1)
        names = [(*self.names, READING)[k] for k in alike]
        raise EstimationError(
            f"the spreads of {_listed(names)} cannot be told apart by this design; more than one "
            "reading, sitting or eye under each of them is needed, or one of them must be left out"
        )

    def best(self) -> _Point:
        """Lowest of the minima reached from several starts."""
        pooled = self.data.within / max(self.data.n - self.data.n_cells, 1)
        ample = min(max(1.0 / max(pooled, 1e-12), 1.0), 1e12) / len(self.names)
        best = self._descend(np.log1p(ample / self.unit))
        for start in (np.zeros(len(self.names)), np.ones(len(self.names))):
            best = self._lower(best, self._descend(start))
        # Each component in turn moved between nil and ample, the rest left where they are best.
        for k in range(len(self.names)):
            moved = best.t.copy()
            moved[k] = 0.0 if moved[k] > 0.0 else np.log1p(ample / self.unit[k])
            best = self._lower(best, self._descend(moved))
        return best

    def _lower(self, one: _Point, other: _Point) -> _Point:
        return other if other.at.deviance < one.at.deviance - self.noise else one

    def _descend(self, t: Floats) -> _Point:
        """Newton steps in a box of trust, from ``t`` to where they settle."""
        here = self.point(np.clip(t, 0.0, self.top))
        radius = 2.0
        for _ in range(_MOST_STEPS):
            step, gain = self._step(here, radius)
            there = self.point(here.t + step)
            actual = here.at.deviance - there.at.deviance
            if actual < 0.1 * gain - self.noise:
                radius = 0.25 * float(np.abs(step).max())
                if radius < 1e-12:
                    break
                continue
            if actual > 0.75 * gain:
                radius = min(2.0 * radius, _WIDEST_STEP)
            here = there
            if gain <= _SETTLED:
                break
        return here

    def _step(self, here: _Point, radius: float) -> tuple[Floats, float]:
        """Step within the bounds and the radius, and the fall of the deviance it promises.

        The curvature is made positive: a parabola that opens downwards is mirrored.
        """
        import scipy

        values, vectors = np.linalg.eigh(here.curvature)
        size = np.abs(values)
        size = np.maximum(size, 1e-10 * max(float(size.max()), 1e-10))
        root = np.sqrt(size)[:, None] * vectors.T
        low = np.maximum(-here.t, -radius)
        high = np.maximum(np.minimum(self.top - here.t, radius), 1e-300)
        # Its status is not asked for: any step within the bounds will do. What a step brings is
        # judged by the trust region, and where the steps end by `prove`.
        found = scipy.optimize.lsq_linear(
            root, -(vectors.T @ here.gradient) / np.sqrt(size), (low, high), "bvls", tol=1e-14
        )
        step = np.clip(found.x, low, high)
        return step, -float(here.gradient @ step + 0.5 * np.sum((root @ step) ** 2))

    def prove(self, found: _Point) -> None:
        """Raise unless the point is a minimum: slopes nil or held by a bound, curvature upwards."""
        nil = found.t == 0.0
        nil_names = [name for name, at in zip(self.names, nil, strict=True) if at]
        where = f" (with {_listed(nil_names)} at nil)" if nil_names else ""
        remedy = "more subjects, operators or readings are needed, or fewer levels told apart"
        if (found.t >= self.top - 1e-6).any():
            raise EstimationError(
                f"beside the spread between {_listed(self.names)} the readings have no spread of "
                "their own that could be told from nil; record them with all their digits"
            )
        slope_allowed = math.sqrt(_GAP * 1e-2) * np.sqrt(np.maximum(np.diag(found.expected), 1.0))
        for k in np.flatnonzero(nil & (found.gradient < -slope_allowed)):
            raise EstimationError(
                f"the best fit could not be proven: it would improve if the spread between "
                f"{self.names[k]} were above nil{where}; {remedy}"
            )
        free = np.flatnonzero(~nil)
        if not free.size:
            return
        grid = np.ix_(free, free)
        sd = np.sqrt(np.diag(found.expected)[free])
        seen = found.curvature[grid] / np.outer(sd, sd)
        expected = found.expected[grid] / np.outer(sd, sd)
        root = np.linalg.cholesky(expected + 1e-14 * np.eye(free.size))
        against = np.linalg.solve(root, np.linalg.solve(root, seen).T)
        values, vectors = np.linalg.eigh(0.5 * (against + against.T))
        slope = np.linalg.solve(root, found.gradient[free] / sd)
        if values[0] < _LEAST_CURVATURE:
            weak = free[int(np.argmax(np.abs(np.linalg.solve(root.T, vectors[:, 0]))))]
            raise EstimationError(
                "the best fit could not be proven: many spreads between "
                f"{self.names[weak]} fit these readings as well as one another{where}; {remedy}"
            )
        gap = 0.5 * float(np.sum((vectors.T @ slope) ** 2 / values))
        if not gap <= _GAP:
            steep = free[int(np.argmax(np.abs(slope)))]
            raise EstimationError(
                "the best fit could not be proven: it would still improve with another spread "
                f"between {self.names[steep]}{where}; {remedy}"
            )


def _with_readings(at: Evaluation, ratios: Floats, n: int) -> tuple[Floats, Floats]:
    """Variances, that of the readings last, and the inverse of their expected information."""
    k = ratios.size
    residual = at.residual
    information = np.empty((k + 1, k + 1))
    information[:k, :k] = 0.5 * at.information
    information[:k, k] = information[k, :k] = 0.5 * at.trace / residual
    information[k, k] = 0.5 * (n - 1) / residual**2
    sd = np.sqrt(np.diag(information))
    inverse = np.linalg.inv(information / np.outer(sd, sd)) / np.outer(sd, sd)
    change = np.eye(k + 1) * residual
    change[:k, k] = ratios
    change[k, k] = 1.0
    return np.append(ratios, 1.0) * residual, change @ inverse @ change.T


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
