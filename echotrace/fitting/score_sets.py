"""Measured draws with their truth: what the probabilities are fitted to and tried on."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.measure import measure
from echotrace.errors import FileFormatError, ParameterError
from echotrace.fitting.calibration_draws import hash_of_tables
from echotrace.fitting.kept_sittings import KeptSitting, drawn_or_kept
from echotrace.fitting.sitting_draws import sitting_table
from echotrace.measurement import Measurement
from echotrace.quality.findings import accepted_by_findings, bits_of
from echotrace.quality.sitting_evidence import SITTING_FEATURES
from echotrace.recording import Recording

__all__ = [
    "ALIGNED_DECENTRATION_MM",
    "ALIGNED_TILT_DEG",
    "DATA",
    "DIRECTIONS",
    "OFF_AXIS_DEG",
    "RIGHT_MM",
    "SHIPPED_SETS",
    "DrawSet",
    "ScoreSet",
    "draws_hash",
    "join_sets",
    "judge_truth",
    "make_sets",
    "measured_part",
    "read_sets",
    "shipped_sets",
    "write_sets",
]

Float64 = NDArray[np.float64]

ALIGNED_TILT_DEG, ALIGNED_DECENTRATION_MM = 2.5, 0.5
"""Limits of an aligned beam. In the eyes of the draws the length along a beam within both differs
from that along the visual axis by less than 0.05 mm in 95 % of cases, 0.1 mm at most."""

RIGHT_MM = 0.1
"""A length further than this from the eye's is wrong: a quarter of a dioptre."""

OFF_AXIS_DEG = 4.0

DIRECTIONS: Mapping[str, int] = {
    "weakest_level_db": 1,
    "cornea_imbalance_db": -1,
    "cornea_against_lens_db": 1,
    "bath_echo_against_cornea_db": -1,
    "chamber_echo_against_lens_db": -1,
    "lens_front_against_back_db": 1,
    "lens_echo_against_lens_db": -1,
    "retina_against_lens_db": 1,
    "retina_against_cornea_db": 1,
    "retina_against_wall_db": 1,
    "retina_against_scatter_db": 1,
    "retina_silence_db": 1,
    "retina_rise_misfit": -1,
    "retina_misshape": -1,
    "retina_followed_db": 1,
    "wall_step_db": 1,
    "orbit_against_retina_db": 1,
    "orbit_decay_db": 1,
    "vitreous_echo_count": -1,
    "vitreous_echo_against_retina_db": -1,
    "least_margin": 1,
    "first_margin": 1,
    "last_margin": 1,
    "retina_over_wall_db": -1,
    "anatomy_distance": -1,
    "fluid_gap_us": -1,
    "repeat_closeness_us": 1,
    "end_clipped_samples": -1,
    "missing_count": -1,
}
"""Features of the probabilities and the direction in which each speaks for the trace.

Levels are held against other echoes of the trace; only the weakest echo is held against the noise,
and beyond 30 dB no longer, so that neither gain nor a quieter receiver moves a probability."""


@dataclass(frozen=True, slots=True)
class DrawSet:
    """Which draws a set holds.

    Attributes
    ----------
    seed, sittings, scans : int
    noise_shift_db : float

    Examples
    --------
    >>> SHIPPED_SETS["develop"].seed
    1202
    """

    seed: int
    sittings: int
    scans: int = 5
    noise_shift_db: float = 0.0


SHIPPED_SETS: Mapping[str, DrawSet] = {
    "fit": DrawSet(1101, 2400),
    "develop": DrawSet(1202, 400),
}
"""The set the shipped model is fitted to, and one by which features and the level of acceptance
were chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreSet:
    """Measured draws with their truth; arrays are aligned with the traces.

    Attributes
    ----------
    features : mapping of str to ndarray of float32
    length_right : ndarray of bool
        Measured length within :data:`RIGHT_MM` of the eye's, pressing and speeds apart, which no
        single trace can show.
    aligned : ndarray of bool
        Tilt and decentration within the limits.
    tilt_deg, decentration_mm : ndarray of float64
    retina_incidence_deg : ndarray of float64
        Angle between the beam and the retina's normal: a shift of the beam can undo there what
        its tilt does.
    error_mm : ndarray of float64
        Measured length less the eye's, pressing and speeds apart; NaN where there is no length.
    sitting, probe_kind : ndarray of int
    state, method, hand : ndarray of str
        ``hand`` is one of :data:`~echotrace.fitting.sitting_draws.HANDS`.
    oblique : ndarray of bool
        All scans of the sitting were held obliquely alike.
    rejected : ndarray of bool
        A finding other than the probabilities' own rejects the scan.
    findings : ndarray of uint64
        Bit set of :data:`echotrace.quality.finding_list.FINDINGS`, as measured when the set was
        made.

    Examples
    --------
    >>> data = shipped_sets()["develop"]
    >>> data.aligned.size, int(data.off_axis.sum()) > 0
    (2000, True)
    """

    features: Mapping[str, NDArray[np.float32]]
    length_right: NDArray[np.bool_]
    aligned: NDArray[np.bool_]
    tilt_deg: Float64
    decentration_mm: Float64
    retina_incidence_deg: Float64
    error_mm: Float64
    sitting: NDArray[np.intp]
    probe_kind: NDArray[np.intp]
    state: NDArray[np.str_]
    method: NDArray[np.str_]
    hand: NDArray[np.str_]
    oblique: NDArray[np.bool_]
    rejected: NDArray[np.bool_]
    findings: NDArray[np.uint64]

    @property
    def off_axis(self) -> NDArray[np.bool_]:
        """Tilted beyond :data:`OFF_AXIS_DEG`."""
        return np.asarray(self.tilt_deg > OFF_AXIS_DEG)

    @property
    def kind(self) -> NDArray[np.str_]:
        """Method and hand of each trace, in words."""
        alike = np.where(self.oblique, ", oblique alike", "")
        words = np.char.add(np.char.add(self.method, ", "), self.hand)
        return np.asarray(np.char.add(words, alike))

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


def judge_truth(
    recording: Recording, result: Measurement, read_mm: float
) -> dict[str, NDArray[Any]]:
    """What the truth of a synthetic recording says of each measured trace.

    Parameters
    ----------
    recording : Recording
        With its truth.
    result : Measurement
    read_mm : float
        The eye's length read at the speeds of the convention, mm.

    Returns
    -------
    dict of str to ndarray, each (n_traces,)
        ``tilt_deg``, ``decentration_mm``, ``retina_incidence_deg``, ``error_mm``, ``aligned``,
        ``length_right``.

    Raises
    ------
    ParameterError
        A recording without truth.

    Examples
    --------
    >>> from echotrace.synthesis.compose import synthesise
    >>> recording = synthesise({"scans": 2}, 1)
    >>> length_mm = float(recording.truth.columns["axial_length_mm"][0])
    >>> judge_truth(recording, measure(recording), length_mm)["length_right"].tolist()
    [True, True]
    """
    if recording.truth is None:
        raise ParameterError("only a synthetic recording can be judged: this one has no truth")
    truth = recording.truth.columns
    tilt, decentration = truth["tilt_deg"], truth["decentration_mm"]
    error_mm = result.axial_length_mm - (read_mm - truth["compression_mm"])
    with np.errstate(invalid="ignore"):
        right = np.abs(error_mm) <= RIGHT_MM
    return {
        "tilt_deg": tilt,
        "decentration_mm": decentration,
        "retina_incidence_deg": truth["retina_incidence_deg"],
        "error_mm": error_mm,
        "aligned": (tilt <= ALIGNED_TILT_DEG) & (decentration <= ALIGNED_DECENTRATION_MM),
        "length_right": right,
    }


def make_sets(
    wanted: Mapping[str, DrawSet],
    *,
    traces: Path | None = None,
    workers: int = 1,
    progress: Callable[[], object] | None = None,
) -> dict[str, ScoreSet]:
    """Draw, synthesise and measure.

    Parameters
    ----------
    wanted : mapping of str to DrawSet
    traces : Path, optional
        Folder of kept sittings: those that are there are read, others are added.
    workers : int
        Processes.
    progress : callable, optional
        Called for each sitting done.

    Returns
    -------
    dict of str to ScoreSet

    Examples
    --------
    >>> make_sets({"few": DrawSet(seed=3, sittings=1, scans=2)})["few"].aligned.size
    2
    """
    tasks = [(draws, traces, k) for draws in wanted.values() for k in range(draws.sittings)]
    parts = []
    for part in _in_turn(tasks, workers):
        parts.append(part)
        if progress is not None:
            progress()
    made, first = {}, 0
    for name, draws in wanted.items():
        made[name] = join_sets(parts[first : first + draws.sittings])
        first += draws.sittings
    return made


_Task = tuple[DrawSet, Path | None, int]


def _in_turn(tasks: list[_Task], workers: int) -> Iterator[ScoreSet]:
    if workers == 1:
        yield from map(_one, tasks)
        return
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(_one, tasks, chunksize=8)


def _one(task: _Task) -> ScoreSet:
    draws, traces, number = task
    return measured_part(
        drawn_or_kept(
            traces,
            draws.seed,
            number,
            scans=draws.scans,
            noise_shift_db=draws.noise_shift_db,
        )
    )


def _but_for_the_length(findings: NDArray[Any]) -> NDArray[Any]:
    own = bits_of(("length_doubtful", "apart_from_sitting"))
    return np.asarray(findings & ~findings.dtype.type(own))


def measured_part(sitting: KeptSitting) -> ScoreSet:
    """One drawn sitting, measured.

    Parameters
    ----------
    sitting : KeptSitting

    Returns
    -------
    ScoreSet

    Examples
    --------
    >>> measured_part(drawn_or_kept(None, 3, 1, scans=2)).sitting.tolist()
    [1, 1]
    """
    result = measure(sitting.recording)
    n = sitting.recording.n_traces
    about = sitting.about
    kept = (*DIRECTIONS, *SITTING_FEATURES, "oil_stated")
    return ScoreSet(
        features={name: values for name, values in result.features.items() if name in kept},
        sitting=np.full(n, about.number),
        probe_kind=np.full(n, about.probe_kind),
        state=np.full(n, about.state),
        method=np.full(n, about.method),
        hand=np.full(n, about.hand),
        oblique=np.full(n, about.oblique),
        rejected=~accepted_by_findings(_but_for_the_length(result.findings), result.features),
        findings=np.asarray(result.findings, np.uint64),
        **judge_truth(sitting.recording, result, about.read_mm),
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
    >>> join_sets([sets["develop"], sets["fit"]]).aligned.size
    14000
    """
    names = dict.fromkeys(name for part in parts for name in part.features)
    features = {
        name: np.concatenate(
            [
                part.features.get(name, np.full(part.aligned.size, np.nan, np.float32))
                for part in parts
            ]
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
    >>> len(draws_hash(DrawSet(seed=3, sittings=1)))
    64
    """
    return hash_of_tables(
        sitting_table(draws.seed, number, scans=draws.scans, noise_shift_db=draws.noise_shift_db)[0]
        for number in range(draws.sittings)
    )


def write_sets(path: Path, sets: Mapping[str, ScoreSet]) -> None:
    """Write measured sets with their truth, numpy's own format.

    Parameters
    ----------
    path : Path
    sets : mapping of str to ScoreSet

    Examples
    --------
    >>> data = shipped_sets()["develop"].select(np.arange(10))
    >>> write_sets(folder / "draws.npz", {"mine": data})
    >>> read_sets(folder / "draws.npz")["mine"].sitting.tolist() == data.sitting.tolist()
    True
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
    ['develop', 'fit']
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
