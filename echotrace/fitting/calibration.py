"""Fit of the score to wide synthetic draws, and how it does on draws it never saw.

``python -m echotrace.fitting.calibration`` refits the shipped model: it draws, synthesises and
measures the sets of :data:`SHIPPED_SETS` (an hour on one core), keeps what was measured with its
truth in ``echotrace/data/score_draws.npz``, fits, and writes ``echotrace/data/score_model.toml``
with its provenance. ``--refit`` begins with the measured sets that are there.
"""

from __future__ import annotations

import argparse
import datetime
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace import __version__
from echotrace.chain.measure import measure
from echotrace.errors import FileFormatError, ParameterError
from echotrace.fitting.calibration_draws import (
    Draw,
    draw_recordings,
    draw_table,
    hash_of_tables,
)
from echotrace.measurement import Measurement
from echotrace.quality.score import ScoreModel, ScoreTerm
from echotrace.recording import Recording

__all__ = [
    "ALIGNED_DECENTRATION_MM",
    "ALIGNED_TILT_DEG",
    "DIRECTIONS",
    "OFF_AXIS_DEG",
    "SHIPPED_SETS",
    "DrawSet",
    "ScoreSet",
    "brier_score",
    "calibration_curve",
    "calibration_error",
    "fit_model",
    "fit_models",
    "judge_truth",
    "leave_out",
    "models_toml",
    "read_sets",
    "roc_area",
    "roc_band",
    "roc_curve",
    "score_set",
    "shipped_sets",
    "write_sets",
]

Float64 = NDArray[np.float64]

ALIGNED_TILT_DEG, ALIGNED_DECENTRATION_MM = 2.5, 0.5
"""Limits of an aligned beam. In the eyes of the draws the length along a beam within both differs
from that along the visual axis by less than 0.05 mm in 95 % of cases, 0.1 mm at most."""

_RIGHT_MM = 0.06
OFF_AXIS_DEG = 4.0

DIRECTIONS: Mapping[str, int] = {
    "weakest_level_db": 1,
    "cornea_imbalance_db": -1,
    "cornea_against_lens_db": 1,
    "lens_front_against_back_db": 1,
    "lens_echo_against_lens_db": -1,
    "retina_against_lens_db": 1,
    "retina_against_cornea_db": 1,
    "retina_against_wall_db": 1,
    "retina_against_scatter_db": 1,
    "retina_silence_db": 1,
    "retina_rise_misfit": -1,
    "retina_misshape": -1,
    "wall_step_db": 1,
    "orbit_against_retina_db": 1,
    "orbit_decay_db": 1,
    "vitreous_echo_count": -1,
    "vitreous_echo_against_retina_db": -1,
    "least_margin": 1,
    "last_margin": 1,
    "retina_over_wall_db": -1,
    "anatomy_distance": -1,
    "fluid_gap_us": -1,
    "repeat_closeness_us": 1,
    "end_clipped_samples": -1,
    "missing_count": -1,
}
"""Features of the score and the direction in which each speaks for the trace.

Levels are held against other echoes of the trace; only the weakest echo is held against the noise,
and beyond 30 dB no longer, so that neither gain nor a quieter receiver moves the score."""


@dataclass(frozen=True, slots=True)
class DrawSet:
    """Which draws a set holds.

    Attributes
    ----------
    seed, scenarios, poses : int
    noise_shift_db : float
    """

    seed: int
    scenarios: int
    poses: int = 12
    noise_shift_db: float = 0.0


SHIPPED_SETS: Mapping[str, DrawSet] = {
    "fit": DrawSet(101, 480),
    "fit_more": DrawSet(102, 80, poses=4),
    "unseen": DrawSet(404, 150, poses=4),
    "noisy": DrawSet(505, 75, poses=4, noise_shift_db=6.0),
}
"""The two sets the shipped model is fitted to, a set that neither the fit nor its makers saw, and
one with 6 dB more noise than any of them."""

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
    retina_incidence_deg : ndarray of float64
        Angle between the beam and the retina's normal: a shift of the beam can undo there what
        its tilt does.
    error_mm : ndarray of float64
        Measured length less the true one (less the true compression, in contact, which no single
        trace can show); NaN where there is no length.
    draw, probe_kind : ndarray of int
    state : ndarray of str
    findings : ndarray of uint32
        Bit set of :data:`echotrace.quality.finding_list.FINDINGS`, as measured when the set was
        made.
    """

    features: Mapping[str, NDArray[np.float32]]
    good: NDArray[np.bool_]
    aligned: NDArray[np.bool_]
    tilt_deg: Float64
    decentration_mm: Float64
    retina_incidence_deg: Float64
    error_mm: Float64
    draw: NDArray[np.intp]
    probe_kind: NDArray[np.intp]
    state: NDArray[np.str_]
    findings: NDArray[np.uint32]

    @property
    def off_axis(self) -> NDArray[np.bool_]:
        """Tilted beyond :data:`OFF_AXIS_DEG`."""
        return np.asarray(self.tilt_deg > OFF_AXIS_DEG)

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
        ``tilt_deg``, ``decentration_mm``, ``retina_incidence_deg``, ``error_mm``, ``aligned``,
        ``good``.
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
        "retina_incidence_deg": truth["retina_incidence_deg"],
        "error_mm": result.axial_length_mm - (truth["axial_length_mm"] - truth["compression_mm"]),
        "aligned": aligned,
        "good": aligned & right,
    }


def score_set(draws: DrawSet, *, progress: Callable[[int, int], None] | None = None) -> ScoreSet:
    """Draw, synthesise and measure.

    Parameters
    ----------
    draws : DrawSet
    progress : callable, optional
        Called with (scenarios done, scenarios in all).
    """
    parts = []
    for draw, recording in draw_recordings(
        draws.seed, draws.scenarios, poses=draws.poses, noise_shift_db=draws.noise_shift_db
    ):
        parts.append(measured_part(draw, recording))
        if progress is not None:
            progress(draw.number + 1, draws.scenarios)
    return join_sets(parts)


def measured_part(draw: Draw, recording: Recording) -> ScoreSet:
    """One drawn scenario, measured."""
    result = measure(recording)
    n = recording.n_traces
    return ScoreSet(
        features={name: result.features[name] for name in DIRECTIONS if name in result.features},
        draw=np.full(n, draw.number),
        probe_kind=np.full(n, draw.probe_kind),
        state=np.full(n, draw.state),
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
    return np.unique(np.round(np.quantile(known, _QUANTILES), 2))


def _ramps(values: NDArray[np.floating], knots: Float64) -> Float64:
    """One column a stretch between knots: 0 before it, 1 behind it."""
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


def draws_hash(draws: DrawSet) -> str:
    """SHA-256 of all scenarios of a set of draws."""
    return hash_of_tables(
        draw_table(draws.seed, number, poses=draws.poses, noise_shift_db=draws.noise_shift_db).table
        for number in range(draws.scenarios)
    )


def leave_out(data: ScoreSet, groups: NDArray[Any]) -> tuple[Float64, Float64]:
    """Probabilities of each group's traces by models fitted to all other groups.

    Parameters
    ----------
    data : ScoreSet
    groups : ndarray, (n,)
        Kind of probe, state of the eye, number of the draw modulo some number, ...

    Returns
    -------
    score, on_axis : ndarray of float64, (n,)
    """
    score, on_axis = np.full(data.good.size, np.nan), np.full(data.good.size, np.nan)
    for group in np.unique(groups):
        rows = np.flatnonzero(groups == group)
        models = fit_models(data.select(np.flatnonzero(groups != group)))
        held = data.select(rows).features
        score[rows] = models["score"].probability(held)
        on_axis[rows] = models["on_axis"].probability(held)
    return score, on_axis


# --- the measured sets as a file ------------------------------------------------------------


def write_sets(path: Path, sets: Mapping[str, ScoreSet]) -> None:
    """Write measured sets with their truth, numpy's own format."""
    from echotrace.files.atomic import atomic_target

    arrays: dict[str, NDArray[Any]] = {}
    for name, data in sets.items():
        arrays |= {f"{name}/feature/{key}": values for key, values in data.features.items()}
        arrays |= {
            f"{name}/{key}": getattr(data, key) for key in data.__slots__ if key != "features"
        }
    with atomic_target(path) as temporary, temporary.open("wb") as file:
        np.savez_compressed(file, **arrays)  # type: ignore[arg-type]


def read_sets(path: Path) -> dict[str, ScoreSet]:
    """Read what :func:`write_sets` has written.

    Raises
    ------
    FileFormatError
        The file is not there or not of this kind.
    """
    try:
        with np.load(path) as file:
            arrays = {key: file[key] for key in file.files}
    except (OSError, ValueError) as error:
        raise FileFormatError(f"{path}: no measured draws can be read ({error})") from None
    sets = {}
    for name in dict.fromkeys(key.split("/")[0] for key in arrays):
        start = f"{name}/feature/"
        rest: dict[str, Any] = {
            key: arrays[f"{name}/{key}"] for key in ScoreSet.__slots__ if key != "features"
        }
        sets[name] = ScoreSet(
            features={
                key.removeprefix(start): values
                for key, values in arrays.items()
                if key.startswith(start)
            },
            **rest,
        )
    return sets


_DATA = Path(__file__).parents[1] / "data"


def shipped_sets() -> dict[str, ScoreSet]:
    """The measured sets that come with the package, by their names in :data:`SHIPPED_SETS`."""
    return read_sets(_DATA / "score_draws.npz")


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
    """Refit the score: write the measured draws and the model."""
    from tqdm import tqdm

    parser = argparse.ArgumentParser(
        description=main.__doc__, prog="python -m echotrace.fitting.calibration"
    )
    parser.add_argument(
        "--folder", type=Path, default=_DATA, help="where the two files lie (the package's data)"
    )
    parser.add_argument(
        "--refit", action="store_true", help="take the measured draws that lie there"
    )
    given = parser.parse_args(arguments)
    table = given.folder / "score_draws.npz"
    if not given.refit:
        sets = {}
        total = sum(item.scenarios for item in SHIPPED_SETS.values())
        with tqdm(total=total, unit="scenario", disable=None) as bar:
            for name, draws in SHIPPED_SETS.items():
                sets[name] = score_set(draws, progress=lambda *_: _advance(bar))
        write_sets(table, sets)
    sets = read_sets(table)
    models = fit_models(join_sets([sets["fit"], sets["fit_more"]]))
    write_models(given.folder / "score_model.toml", models)
    return 0


def _advance(bar: Any) -> None:
    bar.update()


def write_models(path: Path, models: Mapping[str, ScoreModel]) -> None:
    """Write the model file with its provenance."""
    from echotrace.files.atomic import save_text

    draws = {name: SHIPPED_SETS[name] for name in ("fit", "fit_more")}
    provenance = {
        "made_by": f"python -m echotrace.fitting.calibration, echotrace {__version__}",
        "date": datetime.datetime.now(datetime.UTC).date().isoformat(),
        "fitted_to": "invented eyes of the synthesis; no patient data",
        "aligned": f"tilt to {ALIGNED_TILT_DEG:g} deg, decentration to "
        f"{ALIGNED_DECENTRATION_MM:g} mm",
    }
    for name, item in draws.items():
        provenance[f"{name}_draws"] = (
            f"seed {item.seed}, {item.scenarios} scenarios of {item.poses} traces"
        )
        provenance[f"{name}_scenarios_sha256"] = draws_hash(item)
    save_text(path, models_toml(models, provenance))


if __name__ == "__main__":
    raise SystemExit(main())
