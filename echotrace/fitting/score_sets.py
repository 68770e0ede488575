"""Measured draws with their truth: what the score is fitted to and tried on."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.measure import measure
from echotrace.errors import FileFormatError, ParameterError
from echotrace.fitting.calibration_draws import (
    Draw,
    draw_recordings,
    draw_table,
    hash_of_tables,
)
from echotrace.measurement import Measurement
from echotrace.recording import Recording

__all__ = [
    "ALIGNED_DECENTRATION_MM",
    "ALIGNED_TILT_DEG",
    "DATA",
    "DIRECTIONS",
    "OFF_AXIS_DEG",
    "SHIPPED_SETS",
    "DrawSet",
    "ScoreSet",
    "draws_hash",
    "join_sets",
    "judge_truth",
    "measured_part",
    "read_sets",
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

    Examples
    --------
    >>> SHIPPED_SETS["unseen"].seed
    404
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
    findings : ndarray of uint64
        Bit set of :data:`echotrace.quality.finding_list.FINDINGS`, as measured when the set was
        made.

    Examples
    --------
    >>> data = shipped_sets()["fit_more"]
    >>> data.good.size, int(data.off_axis.sum()) > 0
    (320, True)
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
    findings: NDArray[np.uint64]

    @property
    def off_axis(self) -> NDArray[np.bool_]:
        """Tilted beyond :data:`OFF_AXIS_DEG`."""
        return np.asarray(self.tilt_deg > OFF_AXIS_DEG)

    def select(self, rows: NDArray[Any]) -> ScoreSet:
        """Some of the traces.

        Parameters
        ----------
        rows : ndarray
            Trace numbers, or one truth value per trace.

        Returns
        -------
        ScoreSet
        """
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

    Raises
    ------
    ParameterError
        A recording without truth.

    Examples
    --------
    >>> from echotrace.synthesis.compose import synthesise
    >>> recording = synthesise({"scans": 2}, 1)
    >>> judge_truth(recording, measure(recording))["good"].tolist()
    [True, True]
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

    Returns
    -------
    ScoreSet

    Examples
    --------
    >>> score_set(DrawSet(seed=3, scenarios=1, poses=2)).good.size
    2
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
    """One drawn scenario, measured.

    Parameters
    ----------
    draw : Draw
    recording : Recording
        Of that draw.

    Returns
    -------
    ScoreSet

    Examples
    --------
    >>> draw, recording = next(draw_recordings(3, 1, poses=2))
    >>> measured_part(draw, recording).draw.tolist()
    [0, 0]
    """
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
    """Join sets; a feature that one of them lacks is NaN there.

    Parameters
    ----------
    parts : list of ScoreSet

    Returns
    -------
    ScoreSet

    Examples
    --------
    >>> sets = shipped_sets()
    >>> join_sets([sets["unseen"], sets["noisy"]]).good.size
    900
    """
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


def draws_hash(draws: DrawSet) -> str:
    """SHA-256 of all scenarios of a set of draws.

    Parameters
    ----------
    draws : DrawSet

    Returns
    -------
    str

    Examples
    --------
    >>> len(draws_hash(DrawSet(seed=3, scenarios=1)))
    64
    """
    return hash_of_tables(
        draw_table(draws.seed, number, poses=draws.poses, noise_shift_db=draws.noise_shift_db).table
        for number in range(draws.scenarios)
    )


def write_sets(path: Path, sets: Mapping[str, ScoreSet]) -> None:
    """Write measured sets with their truth, numpy's own format.

    Parameters
    ----------
    path : Path
    sets : mapping of str to ScoreSet

    Examples
    --------
    >>> write_sets(Path("draws.npz"), {"mine": data})  # doctest: +SKIP
    """
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

    Parameters
    ----------
    path : Path

    Returns
    -------
    dict of str to ScoreSet

    Raises
    ------
    FileFormatError
        The file is not there or not of this kind.

    Examples
    --------
    >>> sorted(read_sets(DATA / "score_draws.npz"))
    ['fit', 'fit_more', 'noisy', 'unseen']
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


DATA = Path(__file__).parents[1] / "data"


def shipped_sets() -> dict[str, ScoreSet]:
    """The measured sets that come with the package, by their names in :data:`SHIPPED_SETS`.

    Returns
    -------
    dict of str to ScoreSet

    Examples
    --------
    >>> sorted(shipped_sets()) == sorted(SHIPPED_SETS)
    True
    """
    return read_sets(DATA / "score_draws.npz")
