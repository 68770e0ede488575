"""The fit of a probability: an additive model whose terms rise or fall all the way."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.errors import EstimationError, ParameterError
from echotrace.fitting.score_sets import DIRECTIONS, ScoreSet
from echotrace.quality.score import ScoreModel, ScoreTerm, length_right_nats
from echotrace.quality.sitting_evidence import SITTING_DIRECTIONS, heard_in_sitting

__all__ = ["fit_model", "fit_models", "leave_out", "models_toml"]

Float64 = NDArray[np.float64]

# Knots of features that are the same in nearly all traces, where quantiles say nothing.
_KNOTS: Mapping[str, tuple[float, ...]] = {
    "weakest_level_db": (10.0, 14.0, 18.0, 24.0, 30.0),
    "fluid_gap_us": (0.045, 0.07, 0.12),
    "vitreous_echo_count": (0.0, 1.0, 3.0, 8.0),
    "missing_count": (0.0, 1.0, 2.0),
    "end_clipped_samples": (0.0, 4.0, 12.0, 24.0),
    "repeat_closeness_us": (0.0, 0.1, 0.2, 0.6),
    "cornea_imbalance_db": (0.0, 3.0, 6.0, 12.0, 20.0),
    "anatomy_distance": (0.0, 1.0, 2.0, 3.0, 4.5),
    "least_margin": (0.0, 0.3, 1.0, 3.0, 6.0),
    "last_margin": (0.0, 0.3, 1.0, 3.0, 6.0, 10.0),
    "retina_over_wall_db": (0.0, 2.0, 6.0, 15.0),
    "retina_rise_misfit": (0.02, 0.1, 0.2, 0.4, 0.8, 1.4),
    "length_right_nats": (-4.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0, 6.0),
    "sitting_length_apart_mm": (0.0, 0.01, 0.03, 0.06, 0.1, 0.2, 0.5, 1.5),
    "sitting_alike_share": (0.0, 0.25, 0.5, 0.75, 1.0),
    "sitting_longer_mm": (0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.6, 1.0),
    "sitting_votes": (-0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.625, 0.75, 0.875, 1.0),
    "sitting_peer_nats": (-4.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0, 6.0),
}
# Parts of the sittings, each judged by a model fitted to the others.
_FOLDS = 2
_QUANTILES = (0.02, 0.15, 0.30, 0.50, 0.70, 0.85, 0.98)


def _knots(name: str, values: NDArray[np.floating]) -> Float64:
    """A few rounded quantiles; fewer than two where the feature is hardly ever there."""
    known = values[np.isfinite(values)].astype(np.float64)
    if known.size < 20:
        return np.empty(0)
    if name in _KNOTS:
        return np.asarray(_KNOTS[name])
    return np.unique(np.round(np.quantile(known, _QUANTILES), 2))


def _ramps(values: NDArray[np.floating], knots: Float64) -> Float64:
    """One column for each pair of neighbouring knots: 0 before it, 1 behind it."""
    low, high = knots[:-1], knots[1:]
    filled = np.nan_to_num(values.astype(np.float64), nan=float(knots[0]))
    filled = np.clip(filled, knots[0], knots[-1])
    return np.asarray(np.clip((filled[:, None] - low) / (high - low), 0.0, 1.0))


def fit_model(
    features: Mapping[str, NDArray[np.floating]],
    outcome: NDArray[np.bool_],
    *,
    penalty: float = 2.0,
    directions: Mapping[str, int] = DIRECTIONS,
) -> ScoreModel:
    """Fit the additive monotone model by penalised maximum likelihood.

    Parameters
    ----------
    features : mapping of str to ndarray, each (n,)
    outcome : ndarray of bool, (n,)
    penalty : float
        Cost of each nat of a step, in nats of log likelihood: steps that the draws do not ask for
        become zero.
    directions : mapping of str to int
        Features used, and the sign with which each may act.

    Returns
    -------
    ScoreModel

    Raises
    ------
    ParameterError
        Draws of one outcome only.
    EstimationError
        The optimiser did not reach the minimum.

    Notes
    -----
    Steps are held at zero or more and their sum is penalised, intercept and absences have a weak
    quadratic penalty; the problem is convex and L-BFGS-B finds its only minimum.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> retina_db = rng.normal(size=400)
    >>> good = rng.random(400) < 1 / (1 + np.exp(-3 * retina_db))
    >>> model = fit_model({"retina_against_cornea_db": retina_db}, good)
    >>> [term.feature for term in model.terms]
    ['retina_against_cornea_db']
    """
    if outcome.all() or not outcome.any():
        raise ParameterError("the draws must hold both outcomes")
    columns, spans, knots_of = [], [], []
    for name, sign in directions.items():
        if name not in features:
            continue
        knots = _knots(name, features[name])
        if knots.size < 2:
            continue
        ramps = _ramps(features[name], knots)
        missing = np.isnan(features[name])
        block = np.where(missing[:, None], 0.0, ramps if sign > 0 else 1.0 - ramps)
        columns.append(np.column_stack([block, missing.astype(np.float64)]))
        spans.append((name, sign))
        knots_of.append(knots)
    design = np.column_stack([np.ones(outcome.size), *columns])
    free = np.zeros(design.shape[1], bool)
    free[0] = True
    at = 1
    places = []
    for knots in knots_of:
        places.append((at, at + knots.size - 1))
        at += knots.size
        free[at - 1] = True
    sign_y = np.where(outcome, 1.0, -1.0)

    def loss(w: Float64) -> tuple[float, Float64]:
        margin = sign_y * (design @ w)
        slope = -sign_y * scipy.special.expit(-margin)
        value = float(np.logaddexp(0.0, -margin).sum())
        value += penalty * float(w[~free].sum()) + 0.25 * penalty * float((w[free][1:] ** 2).sum())
        gradient = design.T @ slope
        gradient[~free] += penalty
        weak = np.where(free, 0.5 * penalty * w, 0.0)
        weak[0] = 0.0
        return value, gradient + weak

    bounds = [(None, None) if f else (0.0, None) for f in free]
    result = scipy.optimize.minimize(
        loss,
        np.zeros(design.shape[1]),
        jac=True,
        method="L-BFGS-B",
        bounds=bounds,
        options={"maxiter": 20000, "maxfun": 60000, "ftol": 1e-13, "gtol": 1e-7, "maxcor": 30},
    )
    if not result.success:
        raise EstimationError(
            f"the fit did not settle ({result.message}); its draws or their features "
            "are not what they were"
        )
    w = np.round(result.x, 4)
    terms = []
    for (name, sign), (first, last), knots in zip(spans, places, knots_of, strict=True):
        steps = w[first:last]
        if not steps.any() and abs(w[last]) < 0.005:
            continue
        rise = np.concatenate([[0.0], np.cumsum(steps)])
        nats = rise if sign > 0 else rise[-1] - rise
        terms.append(
            ScoreTerm(
                feature=name,
                knots=tuple(float(x) for x in knots),
                nats=tuple(round(float(x), 4) for x in nats),
                absent_nats=float(w[last]),
            )
        )
    return ScoreModel(intercept_nats=float(w[0]), terms=tuple(terms))


def fit_models(data: ScoreSet) -> dict[str, ScoreModel]:
    """The shipped models: two of a right length, ``aligned`` and ``in_sitting``.

    Eyes with oil have a ``length_right`` of their own. The last adds what the other scans of a
    sitting say to the log-odds of the scan alone, which are here those of a model fitted to other
    sittings. It is fitted to scans that no finding rejects.

    Parameters
    ----------
    data : ScoreSet

    Returns
    -------
    dict of str to ScoreModel

    Examples
    --------
    >>> from echotrace.fitting.score_sets import shipped_sets
    >>> data = shipped_sets()["develop"]
    >>> sorted(fit_models(data.select(data.sitting % 8 < 2)))
    ['aligned', 'in_sitting', 'length_right', 'length_right_oil']
    """
    alone = np.clip(leave_out(data, data.sitting % _FOLDS), 1e-9, 1.0 - 1e-9)
    seen = {
        "length_right_nats": np.log(alone / (1.0 - alone)).astype(np.float32),
        **{name: data.features[name] for name in SITTING_DIRECTIONS if name in data.features},
    }
    open_to_it = ~data.rejected & heard_in_sitting(data.features)
    return {
        **_fit_lengths(data),
        "aligned": fit_model(data.features, data.aligned),
        "in_sitting": fit_model(
            {name: values[open_to_it] for name, values in seen.items()},
            data.length_right[open_to_it],
            directions=SITTING_DIRECTIONS,
        ),
    }


def _fit_lengths(data: ScoreSet) -> dict[str, ScoreModel]:
    """The models of a right length: with oil the retina and what lies behind it look otherwise.

    Where the draws hold no oil with both outcomes, it has the other model.
    """
    oil = data.features["oil_stated"] > 0
    natural, filled = data.select(~oil), data.select(oil)
    model = with_oil = fit_model(natural.features, natural.length_right)
    if filled.length_right.any() and not filled.length_right.all():
        with_oil = fit_model(filled.features, filled.length_right)
    return {"length_right": model, "length_right_oil": with_oil}


def leave_out(data: ScoreSet, groups: NDArray[Any]) -> Float64:
    """Probability of a right length of each group's traces by a model fitted to all other groups.

    Parameters
    ----------
    data : ScoreSet
    groups : ndarray, (n,)
        Kind of probe, state of the eye, number of the sitting modulo some number, ...

    Returns
    -------
    ndarray of float64, (n,)

    Examples
    --------
    >>> from echotrace.fitting.score_sets import shipped_sets
    >>> data = shipped_sets()["develop"]
    >>> data = data.select(np.arange(0, data.aligned.size, 8))
    >>> leave_out(data, data.method).size == data.aligned.size
    True
    """
    right = np.full(data.aligned.size, np.nan)
    for group in np.unique(groups):
        rows = np.flatnonzero(groups == group)
        others = data.select(np.flatnonzero(groups != group))
        nats = length_right_nats(_fit_lengths(others), data.select(rows).features)
        right[rows] = scipy.special.expit(nats)
    return right


def models_toml(models: Mapping[str, ScoreModel], provenance: Mapping[str, str]) -> str:
    """Models and provenance as the text of the model file.

    Parameters
    ----------
    models : mapping of str to ScoreModel
    provenance : mapping of str to str

    Returns
    -------
    str

    Examples
    --------
    >>> model = ScoreModel(intercept_nats=0.5, terms=())
    >>> models_toml({"score": model}, {"made_by": "me"}).split()[:2]
    ['[provenance]', 'made_by']
    """
    import tomli_w

    table: dict[str, Any] = {"provenance": dict(provenance), "model": {}}
    for name, model in models.items():
        table["model"][name] = {
            "intercept_nats": model.intercept_nats,
            "term": [
                {
                    "feature": term.feature,
                    "knots": list(term.knots),
                    "nats": list(term.nats),
                    "absent_nats": term.absent_nats,
                }
                for term in model.terms
            ],
        }
    return tomli_w.dumps(table)
