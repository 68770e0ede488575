"""Fit of the score to wide synthetic draws, and how it does on draws it never saw.

``python -m echotrace.calibration`` refits the shipped model: it draws, synthesises, measures, fits
and writes ``echotrace/data/score_model.toml`` with its provenance.
"""

from __future__ import annotations

import argparse
import datetime
import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace import __version__
from echotrace.calibration_draws import draw_recordings, draw_table
from echotrace.chain import measure
from echotrace.errors import ParameterError
from echotrace.measurement import Measurement
from echotrace.recording import Recording
from echotrace.score import ScoreModel, ScoreTerm

__all__ = [
    "ALIGNED_DECENTRATION_MM",
    "ALIGNED_TILT_DEG",
    "DIRECTIONS",
    "SHIPPED_DRAWS",
    "ScoreSet",
    "brier_score",
    "calibration_curve",
    "calibration_error",
    "fit_model",
    "models_toml",
    "roc_area",
    "roc_band",
    "roc_curve",
    "score_set",
]

Float64 = NDArray[np.float64]

ALIGNED_TILT_DEG, ALIGNED_DECENTRATION_MM = 2.5, 0.5
"""Limits of an aligned beam. In the eyes of the draws the length along a beam within both differs
from that along the visual axis by less than 0.05 mm in 95 % of cases, 0.1 mm at most."""

_RIGHT_MM = 0.06
OFF_AXIS_DEG = 4.0

DIRECTIONS: Mapping[str, int] = {
    "level_db_cornea_front": 1,
    "level_db_lens_front": 1,
    "level_db_retina": 1,
    "weakest_level_db": 1,
    "cornea_imbalance_db": -1,
    "cornea_against_lens_db": 1,
    "lens_front_against_back_db": 1,
    "lens_echo_against_lens_db": -1,
    "retina_against_lens_db": 1,
    "retina_against_cornea_db": 1,
    "retina_against_wall_db": 1,
    "retina_against_scatter_db": 1,
    "sclera_against_scatter_db": 1,
    "retina_silence_db": 1,
    "retina_rise_misfit": -1,
    "retina_misshape": -1,
    "least_stretch": 1,
    "wall_step_db": 1,
    "wall_double_db": 1,
    "orbit_against_retina_db": 1,
    "orbit_level_db": 1,
    "orbit_decay_db": 1,
    "vitreous_echo_count": -1,
    "vitreous_echo_against_retina_db": -1,
    "least_margin": 1,
    "last_margin": 1,
    "retina_over_wall_db": -1,
    "anatomy_distance": -1,
    "length_u_mm": -1,
    "fluid_gap_us": -1,
    "repeat_closeness_us": 1,
    "end_clipped_samples": -1,
    "missing_count": -1,
    "pseudophakic_pattern_db": -1,
    "phakic_pattern_db": -1,
    "bath_pattern_db": -1,
}
"""Features of the score and the direction in which each speaks for the trace."""

SHIPPED_DRAWS = {"seed": 101, "scenarios": 260, "poses": 12}
"""The draws that the shipped model is fitted to."""

# Knots of features that are the same in nearly all traces, where quantiles say nothing.
_KNOTS: Mapping[str, tuple[float, ...]] = {
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
}
_QUANTILES = (0.02, 0.15, 0.30, 0.50, 0.70, 0.85, 0.98)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreSet:
    """Measured draws with their truth; arrays are aligned with the traces.

    Attributes
    ----------
    features : mapping of str to ndarray of float32
    good : ndarray of bool
        Aligned and correctly picked.
    aligned : ndarray of bool
        Tilt and decentration within the limits.
    tilt_deg, decentration_mm : ndarray of float64
    error_mm : ndarray of float64
        Measured length less the true one (less the true compression, in contact, which no single
        trace can show); NaN where there is no length.
    draw, probe_kind : ndarray of int
    state : ndarray of str
    accepted : ndarray of bool
        As measured with the shipped settings.
    score : ndarray of float64
    findings : ndarray of uint32
    """

    features: Mapping[str, NDArray[np.float32]]
    good: NDArray[np.bool_]
    aligned: NDArray[np.bool_]
    tilt_deg: Float64
    decentration_mm: Float64
    error_mm: Float64
    draw: NDArray[np.intp]
    probe_kind: NDArray[np.intp]
    state: NDArray[np.str_]
    accepted: NDArray[np.bool_]
    score: Float64
    findings: NDArray[np.uint32]

    def select(self, rows: NDArray[Any]) -> ScoreSet:
        """Some of the traces."""
        values: dict[str, Any] = {
            name: getattr(self, name)[rows] for name in self.__slots__ if name != "features"
        }
        return ScoreSet(features={k: v[rows] for k, v in self.features.items()}, **values)


def judge_truth(recording: Recording, result: Measurement) -> dict[str, NDArray[Any]]:
    """What the truth of a synthetic recording says of each measured trace.

    Parameters
    ----------
    recording : Recording
        With its truth.
    result : Measurement

    Returns
    -------
    dict of str to ndarray, each (n_traces,)
        ``tilt_deg``, ``decentration_mm``, ``error_mm``, ``aligned``, ``good``.
    """
    if recording.truth is None:
        raise ParameterError("only a synthetic recording can be judged: this one has no truth")
    truth = recording.truth.columns
    tilt, decentration = truth["tilt_deg"], truth["decentration_mm"]
    aligned = (tilt <= ALIGNED_TILT_DEG) & (decentration <= ALIGNED_DECENTRATION_MM)
    beam_mm = truth["beam_length_mm"]
    with np.errstate(invalid="ignore"):
        right = np.abs(result.axial_length_mm - beam_mm) <= _RIGHT_MM
    return {
        "tilt_deg": tilt,
        "decentration_mm": decentration,
        "error_mm": result.axial_length_mm - (truth["axial_length_mm"] - truth["compression_mm"]),
        "aligned": aligned,
        "good": aligned & right,
    }


def score_set(
    seed: int,
    scenarios: int,
    *,
    poses: int = 12,
    noise_shift_db: float = 0.0,
    progress: Callable[[int, int], None] | None = None,
) -> ScoreSet:
    """Draw, synthesise and measure.

    Parameters
    ----------
    seed, scenarios, poses, noise_shift_db
        As for :func:`echotrace.calibration_draws.draw_recordings`.
    progress : callable, optional
        Called with (scenarios done, scenarios in all).
    """
    parts = []
    for draw, recording in draw_recordings(
        seed, scenarios, poses=poses, noise_shift_db=noise_shift_db
    ):
        parts.append(_part(draw.number, draw.probe_kind, draw.state, recording))
        if progress is not None:
            progress(draw.number + 1, scenarios)
    return join_sets(parts)


def _part(number: int, probe_kind: int, state: str, recording: Recording) -> ScoreSet:
    result = measure(recording)
    n = recording.n_traces
    return ScoreSet(
        features=dict(result.features),
        draw=np.full(n, number),
        probe_kind=np.full(n, probe_kind),
        state=np.full(n, state),
        accepted=np.asarray(result.accepted),
        score=np.asarray(result.score),
        findings=np.asarray(result.findings),
        **judge_truth(recording, result),
    )


def join_sets(parts: list[ScoreSet]) -> ScoreSet:
    """Join sets; a feature that one of them lacks is NaN there."""
    names = dict.fromkeys(name for part in parts for name in part.features)
    features = {
        name: np.concatenate(
            [part.features.get(name, np.full(part.good.size, np.nan, np.float32)) for part in parts]
        )
        for name in names
    }
    rest: dict[str, Any] = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in ScoreSet.__slots__
        if name != "features"
    }
    return ScoreSet(features=features, **rest)


def _knots(name: str, values: NDArray[np.floating]) -> Float64:
    """A few rounded quantiles; fewer than two where the feature is hardly ever there."""
    known = values[np.isfinite(values)].astype(np.float64)
    if known.size < 20:
        return np.empty(0)
    if name in _KNOTS:
        return np.asarray(_KNOTS[name])
    return np.unique([float(f"{x:.3g}") for x in np.quantile(known, _QUANTILES)])


def _ramps(values: NDArray[np.floating], knots: Float64) -> Float64:
    """One column a stretch between knots: 0 before it, 1 behind it."""
    low, high = knots[:-1], knots[1:]
    filled = np.nan_to_num(values.astype(np.float64), nan=float(knots[0]))
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

    Notes
    -----
    Steps are held at zero or more and their sum is penalised, intercept and absences have a weak
    quadratic penalty; the problem is convex and L-BFGS-B finds its only minimum.
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
        ramps = ramps if sign > 0 else ramps - 1.0
        block = np.where(missing[:, None], 0.0, sign * ramps if sign > 0 else -ramps)
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


def draws_hash(seed: int, scenarios: int, poses: int) -> str:
    """SHA-256 of all scenarios of a set of draws."""
    tables = [draw_table(seed, number, poses=poses).table for number in range(scenarios)]
    return hashlib.sha256(json.dumps(tables, sort_keys=True).encode()).hexdigest()


def fit_models(data: ScoreSet) -> dict[str, ScoreModel]:
    """Both shipped models: ``score`` and ``on_axis``."""
    clear = data.aligned | (data.tilt_deg > OFF_AXIS_DEG) | (data.decentration_mm > 1.0)
    axis = data.select(clear)
    return {
        "score": fit_model(data.features, data.good),
        "on_axis": fit_model(axis.features, axis.aligned, penalty=3.0),
    }


def models_toml(models: Mapping[str, ScoreModel], provenance: Mapping[str, str]) -> str:
    """Models and provenance as the text of the model file."""
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


def roc_curve(score: Float64, positive: NDArray[np.bool_]) -> tuple[Float64, Float64]:
    """False and true positive rates over all thresholds, from none to all accepted."""
    order = np.argsort(-score, kind="stable")
    hits = positive[order]
    last = np.flatnonzero(np.diff(score[order], append=-np.inf))
    true = np.cumsum(hits)[last] / max(1, hits.sum())
    false = np.cumsum(~hits)[last] / max(1, (~hits).sum())
    return np.concatenate([[0.0], false]), np.concatenate([[0.0], true])


def roc_area(score: Float64, positive: NDArray[np.bool_]) -> float:
    """Area under the ROC curve: the chance that a good trace scores above a bad one.

    Notes
    -----
    Mann-Whitney statistic with ties counted half (Hanley & McNeil 1982, Radiology 143:29).
    """
    rank = scipy.stats.rankdata(score)
    n_pos = int(positive.sum())
    n_neg = positive.size - n_pos
    if not n_pos or not n_neg:
        return float("nan")
    return float((rank[positive].sum() - n_pos * (n_pos + 1) / 2.0) / (n_pos * n_neg))


def roc_band(
    score: Float64,
    positive: NDArray[np.bool_],
    groups: NDArray[np.intp],
    *,
    seed: int = 0,
    rounds: int = 400,
    confidence: float = 0.95,
) -> tuple[Float64, Float64, Float64, tuple[float, float]]:
    """Band of the ROC curve and interval of its area, by drawing whole scenarios again.

    Parameters
    ----------
    score, positive
        As for :func:`roc_curve`.
    groups : ndarray of int
        Scenario of each trace: traces of one scenario are alike and are drawn together.
    seed, rounds : int
    confidence : float

    Returns
    -------
    false_rate, low, high : ndarray of float64
    area_interval : tuple of float
    """
    rng = np.random.default_rng(seed)
    axis = np.linspace(0.0, 1.0, 201)
    members = [np.flatnonzero(groups == g) for g in np.unique(groups)]
    curves, areas = [], []
    for _ in range(rounds):
        rows = np.concatenate([members[k] for k in rng.integers(len(members), size=len(members))])
        if positive[rows].all() or not positive[rows].any():
            continue
        false, true = roc_curve(score[rows], positive[rows])
        curves.append(np.interp(axis, false, true))
        areas.append(roc_area(score[rows], positive[rows]))
    tails = [0.5 - 0.5 * confidence, 0.5 + 0.5 * confidence]
    low, high = np.quantile(curves, tails, axis=0)
    a, b = np.quantile(areas, tails)
    return axis, np.asarray(low), np.asarray(high), (float(a), float(b))


def brier_score(score: Float64, outcome: NDArray[np.bool_]) -> float:
    """Mean squared difference of probability and outcome (Brier 1950, Mon Weather Rev 78:1)."""
    return float(np.mean((score - outcome) ** 2))


def calibration_curve(
    score: Float64, outcome: NDArray[np.bool_], *, bins: int = 10
) -> tuple[Float64, Float64, NDArray[np.intp]]:
    """Mean score, share of good traces and number of traces in bins of equal numbers."""
    order = np.argsort(score, kind="stable")
    parts = np.array_split(order, bins)
    return (
        np.array([score[p].mean() for p in parts]),
        np.array([outcome[p].mean() for p in parts]),
        np.array([p.size for p in parts]),
    )


def calibration_error(score: Float64, outcome: NDArray[np.bool_], *, bins: int = 10) -> float:
    """Mean distance of score and share of good traces over the bins, weighted by number."""
    mean, share, number = calibration_curve(score, outcome, bins=bins)
    return float(np.sum(np.abs(mean - share) * number) / number.sum())


def main(arguments: list[str] | None = None) -> int:
    """Refit the score and write its model file."""
    from tqdm import tqdm

    default = Path(__file__).parent / "data" / "score_model.toml"
    parser = argparse.ArgumentParser(
        description=main.__doc__, prog="python -m echotrace.calibration"
    )
    parser.add_argument("-o", "--output", type=Path, default=default, metavar="FILE.toml")
    for name, value in SHIPPED_DRAWS.items():
        parser.add_argument(f"--{name}", type=int, default=value, help=f"default {value}")
    given = parser.parse_args(arguments)
    numbers = {name: getattr(given, name) for name in SHIPPED_DRAWS}
    with tqdm(total=given.scenarios, unit="scenario", disable=None) as bar:
        data = score_set(
            given.seed, given.scenarios, poses=given.poses, progress=lambda *_: bar.update()
        )
    write_models(given.output, fit_models(data), numbers)
    return 0


def write_models(path: Path, models: Mapping[str, ScoreModel], draws: Mapping[str, int]) -> None:
    """Write the model file with its provenance."""
    from echotrace.files.atomic import atomic_target

    provenance = {
        "made_by": f"python -m echotrace.calibration, echotrace {__version__}",
        "date": datetime.datetime.now(datetime.UTC).date().isoformat(),
        "fitted_to": "invented eyes of the synthesis; no patient data",
        "scenarios_sha256": draws_hash(draws["seed"], draws["scenarios"], draws["poses"]),
        "aligned": f"tilt to {ALIGNED_TILT_DEG:g} deg, decentration to "
        f"{ALIGNED_DECENTRATION_MM:g} mm",
        **{name: str(value) for name, value in draws.items()},
    }
    with atomic_target(path) as temporary:
        temporary.write_text(models_toml(models, provenance), encoding="utf-8")


if __name__ == "__main__":
    raise SystemExit(main())
