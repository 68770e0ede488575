"""Settings tried one after the other on the same traces, kept as they come; the best of them."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

import echotrace
from echotrace.chain.measure import measure
from echotrace.chain.states import expand_gates
from echotrace.errors import ParameterError
from echotrace.settings import Settings
from echotrace.tuning.batches import Batch, batches_of, recording_of_batch
from echotrace.tuning.kept import KeptTrials
from echotrace.tuning.scoring import eye_losses, interface_scores, length_quantiles_mm
from echotrace.tuning.space import Design, Space, design_points, read_space
from echotrace.tuning.trial import Trial

__all__ = ["Tuning", "tune"]

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuning:
    """What came of a sweep.

    Attributes
    ----------
    trials : tuple of Trial
        On the eyes that were tuned on, the presets first.
    best : Trial
        The least loss among them.
    reported : tuple of Trial
        The presets and the best on other eyes and probes.
    gain_mm, gain_low_mm, gain_high_mm : float
        Loss of the presets less that of the best on those, by eye, and its 95 % interval.
    settings : Settings
        What is recommended: the presets unless the whole interval lies above zero.
    tuned : Settings
        The best, whether recommended or not.
    seed, n_traces : int
    source, design : str
    points : ndarray of float64, (n_trials - 1, n_factors)
        Places in the unit cube.
    keys : tuple of str
        Of the factors.

    Examples
    --------
    >>> tuning.n_traces, tuning.beats_presets  # of `et.tune`
    (20, False)
    """

    trials: tuple[Trial, ...]
    best: Trial
    reported: tuple[Trial, Trial]
    gain_mm: float
    gain_low_mm: float
    gain_high_mm: float
    settings: Settings
    tuned: Settings
    seed: int
    n_traces: int
    source: str
    design: str
    points: Float
    keys: tuple[str, ...]

    @property
    def beats_presets(self) -> bool:
        """The whole interval of the gain lies above zero."""
        return self.gain_low_mm > 0.0


def tune(
    source: str | Path | Mapping[str, Any],
    space: Space | str | Path,
    *,
    design: Design = "sobol",
    n: int = 64,
    traces: int = 1000,
    seed: int = 1,
    settings: Settings | None = None,
    output: str | Path | None = None,
    resume: bool = False,
    client: Any = None,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Tuning:
    r"""Try settings on traces of known truth, and report the best on eyes and probes not tuned on.

    Parameters
    ----------
    source : path or mapping
        Scenario of a population of eyes, or a recording with its truth.
    space : Space or path
        What is varied.
    design : {"grid", "sobol", "latin_hypercube", "search", "sensitivity"}
        Search is differential evolution, which needs no derivatives.
    n : int
        Settings tried (values of each range of a grid).
    traces : int
        Of a scenario, on each side.
    seed : int
        Of eyes, noise and design.
    settings : Settings, optional
        The presets that are varied; None: the defaults.
    output : path, optional
        The table that is going to be written: finished trials are kept beside it, and removed by
        :func:`~echotrace.tuning.kept.finish`.
    resume : bool
        Take up an interrupted run.
    client : dask.distributed.Client, optional
        Where trials are measured; None: here.
    workers : int, optional
        Threads, without a client.
    progress : callable, optional
        Called with (trials done, trials in all).

    Returns
    -------
    Tuning

    Raises
    ------
    ParameterError
        What cannot be tuned, or no settings that are possible.

    Notes
    -----
    Loss: the mean over eyes of the magnitude of the length error, none counted above 0.5 mm, a
    missing length as that. The gain's interval is Student's over eyes, in pairs.

    Examples
    --------
    >>> import echotrace as et
    >>> _ = (folder / "space.toml").write_text(
    ...     "[factors]\n'picking.picker' = ['steepest_slope']\n"
    ... )
    >>> family = "synthetic_traces/population_immersion.toml"
    >>> et.tune(family, folder / "space.toml", design="grid", n=1, traces=20).beats_presets
    False
    """
    base = settings or Settings()
    chosen = space if isinstance(space, Space) else read_space(space)
    if design == "sensitivity" and len(chosen.factors) < 2:
        raise ParameterError("design='sensitivity': all is due to a single factor; name two")
    batches = batches_of(source, chosen, traces, seed)
    table = base.to_table()
    where = "space" if isinstance(space, Space) else str(space)
    _check(chosen, table, [], where, of_gates=False)
    of_gates = any(factor.key.startswith("gate.") for factor in chosen.factors)
    gates = _gates(batches[0], base) if of_gates else []
    _check(chosen, table, gates, where, of_gates=True)
    manifest = json.dumps(
        {
            "version": echotrace.__version__,
            "settings": table,
            "design": [design, n, seed, traces],
            "factors": [dataclasses.asdict(f) for f in chosen.factors],
            "batches": hashlib.sha256(repr(batches).encode()).hexdigest(),
            "source": str(source) if not isinstance(source, Mapping) else "tables",
        },
        indent=1,
        default=str,
    )
    folder = None if output is None else KeptTrials(Path(output), manifest)
    with nullcontext() if folder is None else folder.alone():
        done: list[Trial] = []
        if folder is not None:
            folder.take_up(resume)
            done = list(folder.finished_trials())
        run = _Run(chosen, table, gates, batches, folder, done, client, workers, progress)
        run.trials([None], "tune")
        if design == "search":
            run.expect(n + 3)
            points = _search(run, len(chosen.factors), n, seed)
        else:
            points = design_points(chosen, design, n, seed)
            run.expect(points.shape[0] + 3)
            run.trials(list(points), "tune")
        tried = [trial for trial in run.kept if trial.split == "tune"]
        possible = [trial for trial in tried[1:] if math.isfinite(trial.loss_mm)]
        if not possible:
            raise ParameterError(f"none of the settings is possible: {tried[1].problem}")
        # The first of two alike: the order of a design is its own.
        best = min(possible, key=lambda trial: trial.loss_mm)
        point = points[best.number - 1]
        reported = run.trials([None, point], "report")
    tuned = chosen.settings_at(point, table, gates)
    gain, low, high = _gain(reported[0], reported[1])
    return Tuning(
        trials=tuple(tried),
        best=best,
        reported=(reported[0], reported[1]),
        gain_mm=gain,
        gain_low_mm=low,
        gain_high_mm=high,
        settings=tuned if low > 0.0 else base,
        tuned=tuned,
        seed=seed,
        n_traces=traces if not batches[0].rows else sum(len(b.rows) for b in batches) // 2,
        source="tables" if isinstance(source, Mapping) else Path(source).name,
        design=design,
        points=points,
        keys=tuple(f.key for f in chosen.factors),
    )


def _check(
    space: Space,
    table: Mapping[str, Any],
    gates: Sequence[Mapping[str, Any]],
    where: str,
    *,
    of_gates: bool,
) -> None:
    """Show mistakes in names and values before the traces are made, which takes minutes.

    Start and stop of a gate may be moved together, so those are tried at the ends of all ranges
    at once, everything else by itself.
    """
    gated = tuple(f for f in space.factors if f.key.startswith("gate."))
    tried = [gated] if of_gates else [(f,) for f in space.factors if f not in gated]
    for factors in filter(None, tried):
        most = max(len(f.choices) for f in factors)
        for place in (0.0, 1.0) if of_gates or not most else (np.arange(most) + 0.5) / most:
            try:
                Space(factors=factors).settings_at([place] * len(factors), table, gates)
            except ParameterError as error:
                raise ParameterError(f"{where}: {error}") from None


def _gates(batch: Batch, base: Settings) -> list[Mapping[str, Any]]:
    # Gates hang on the kind of eye, probe and rate, of which one trace tells as much as all.
    few = dataclasses.replace(batch, count=1) if batch.count else batch
    recording, _ = recording_of_batch(few)
    return list(expand_gates(base, recording, None).to_table()["gate"])


def _gain(presets: Trial, best: Trial) -> tuple[float, float, float]:
    """Mean gain by eye, and its interval."""
    gains = np.array([presets.eyes[eye] - best.eyes[eye] for eye in presets.eyes])
    mean = float(gains.mean())
    if gains.size < 2:
        return mean, -math.inf, math.inf
    half = float(scipy.special.stdtrit(gains.size - 1, 0.975) * gains.std(ddof=1))
    half /= math.sqrt(gains.size)
    return mean, mean - half, mean + half


def _search(run: _Run, d: int, n: int, seed: int) -> Float:
    """Differential evolution; its trials and their order follow from the seed and the losses."""
    size = max(5, min(15, n // 3))
    power = max(3, math.ceil(math.log2(size)))
    first = scipy.stats.qmc.Sobol(d, rng=seed).random_base2(power)[:size]
    points: list[Float] = []

    def loss(point: Float) -> float:
        points.append(np.array(point))
        (trial,) = run.trials([points[-1]], "tune")
        return trial.loss_mm if math.isfinite(trial.loss_mm) else 1.0

    generations = max(1, n // size - 1)
    # Its status would only say that these are over: what it tried is what counts.
    scipy.optimize.differential_evolution(
        loss,
        scipy.optimize.Bounds([0.0] * d, [1.0] * d),
        init=first,
        maxiter=generations,
        polish=False,
        rng=seed,
        tol=0.0,
    )
    return np.array(points)


class _Run:
    """Trials in order, each from an earlier run or worked out now."""

    def __init__(
        self,
        space: Space,
        table: Mapping[str, Any],
        gates: Sequence[Mapping[str, Any]],
        batches: Sequence[Batch],
        folder: KeptTrials | None,
        done: list[Trial],
        client: Any,
        workers: int | None,
        progress: Callable[[int, int], None] | None,
    ) -> None:
        self._space, self._table, self._gates = space, table, gates
        self._batches, self._folder, self._client = batches, folder, client
        self._workers, self._progress = workers, progress
        self._done = done
        self._total = 0
        self.kept: list[Trial] = []

    def expect(self, total: int) -> None:
        self._total = total

    def trials(self, points: Sequence[Float | None], split: str) -> list[Trial]:
        batches = [batch for batch in self._batches if batch.split == split]
        numbers = [len(self.kept) + k for k in range(len(points))]
        if split == "report":
            numbers = [0, 1]
        at = len(self.kept)
        known = self._done[at : at + len(points)]
        out: list[Trial] = []
        for trial in known:
            out.append(trial)
            self._keep(trial, new=False)
        rest = list(zip(numbers, points, strict=True))[len(known) :]
        for trial in self._worked_out(rest, batches, split):
            out.append(trial)
            self._keep(trial, new=True)
        return out

    def _worked_out(
        self, rest: list[tuple[int, Float | None]], batches: list[Batch], split: str
    ) -> Iterator[Trial]:
        jobs: list[tuple[int, dict[str, Any], Settings | None, str]] = []
        for number, point in rest:
            values: dict[str, Any] = {}
            try:
                if point is None:
                    settings = Settings.from_table(self._table)
                else:
                    values = self._space.values_at(list(point))
                    settings = self._space.settings_at(list(point), self._table, self._gates)
            except ParameterError as error:
                jobs.append((number, values, None, str(error)))
                continue
            jobs.append((number, values, settings, ""))
        if self._client is not None:
            futures: list[list[Any]] = [
                [self._client.submit(_on_batch, job[2], b, pure=False) for b in batches]
                if job[2] is not None
                else []
                for job in jobs
            ]
            parts: Iterator[list[_Part]] = ([f.result() for f in row] for row in futures)
        else:
            parts = (
                [_on_batch(job[2], b, workers=self._workers) for b in batches]
                if job[2] is not None
                else []
                for job in jobs
            )
        for (number, values, _, problem), found in zip(jobs, parts, strict=True):
            yield _together(number, split, values, problem, found)

    def _keep(self, trial: Trial, *, new: bool) -> None:
        if new and self._folder is not None:
            self._folder.save_trial(trial, len(self.kept))
        self.kept.append(trial)
        if self._progress is not None:
            self._progress(len(self.kept), max(self._total, len(self.kept)))


_Part = tuple[dict[str, float], list[dict[str, Any]], str]


def _on_batch(settings: Settings, batch: Batch, workers: int | None = 1) -> _Part:
    """Losses by eye and rows of the table, or why the settings are not possible."""
    recording, presets = recording_of_batch(batch)
    assert recording.truth is not None
    try:
        result = measure(recording, settings, workers=workers)
    except ParameterError as error:
        return {}, [], str(error)
    bound = {name: presets.delay_u_us[:, k] for k, name in enumerate(presets.interfaces)}
    eyes = {
        f"{batch.condition}/{batch.probe}/{eye}": loss
        for eye, loss in eye_losses(result, recording.truth).items()
    }
    lengths = length_quantiles_mm(result, recording.truth)
    rows = [
        {"condition": batch.condition, "probe": batch.probe, **dataclasses.asdict(score), **lengths}
        for score in interface_scores(result, recording.truth, bound)
    ]
    return eyes, rows, ""


def _together(
    number: int, split: str, values: Mapping[str, Any], problem: str, parts: list[_Part]
) -> Trial:
    problem = problem or next((part[2] for part in parts if part[2]), "")
    eyes: dict[str, float] = {}
    rows: list[dict[str, Any]] = []
    for part in parts:
        eyes |= part[0]
        rows += part[1]
    loss = float(np.mean(list(eyes.values()))) if eyes and not problem else math.nan
    return Trial(
        number=number, split=split, values=dict(values), loss_mm=loss, eyes=eyes, rows=tuple(rows),
        problem=problem,
    )  # fmt: skip
