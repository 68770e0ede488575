"""Tilt and decentration of the beam, and how sure they are, from the heights of the echoes.

Convention, as the synthesis has it: tilt is the angle of the beam to the visual axis, with the
pivot at the corneal vertex; decentration is the distance of the tilted beam from the corneal
vertex, in the plane across the visual axis. Their directions are not estimated: echoes of a round
eye hold the angle between the two at most, which is marginalised.

The model. A trace gives up to eight figures ``y``: levels of the interfaces and of the orbit in
dB over the noise, and the logarithm of the retina's rise. For tilt, decentration and the angle
between them, ``θ``,

    y = μ(θ) + D(θ) (b + e) + H n

with tables ``μ`` and scales ``D`` from wide draws of the synthesis (they grow with the predicted
loss), ``b`` what the eye adds to all its scans (radii, attenuation, cataract, the lens's tilt),
``e`` what one hold adds (Student's t, for eyes and picks are wilder than normal), and ``n`` what
is not known at all: the gain; the slope of the time gain where the receiver is not described; the
height of an implant's faces; what silicone oil takes away. Echoes that are missing or clipped
enter as "below the search threshold" and "at least as tall as every unclipped echo".
"""

from __future__ import annotations

import functools
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.errors import FileFormatError, ParameterError
from echotrace.recording import LensState, Method, Signal
from echotrace.signal.receiver import tgc_db

if TYPE_CHECKING:
    from echotrace.measurement import Measurement
    from echotrace.recording import Recording

__all__ = [
    "AlignmentEstimate",
    "AlignmentTables",
    "alignment_prior",
    "estimate_alignment",
    "load_tables",
    "observed_figures",
]

Float64 = NDArray[np.float64]

TABLE_FILE = Path(__file__).parents[1] / "data" / "alignment_tables.npz"

TILT_NODES_DEG = (0.0, 1.0, 2.0, 3.0, 4.0, 5.5, 7.5, 10.0)
DECENTRATION_NODES_MM = (0.0, 0.25, 0.5, 0.9, 1.4)
OPENING_NODES_DEG = (0.0, 90.0, 180.0)
PROBE_NODES_MHZ_MM = (36.0, 50.0, 65.0)
"""Nodes of the tables. The opening is the angle between the directions of tilt and decentration,
0 where the beam is shifted the way it is tilted. The probe's node is its centre frequency times
its aperture, which sets its beam's width (directivity of a piston: ``k a sin``, Kinsler)."""

METHODS = ("contact", "immersion")
FIGURES = (
    "cornea_front",
    "cornea_back",
    "lens_front",
    "lens_back",
    "retina",
    "sclera",
    "orbit",
    "retina_rise",
)
"""What is compared: levels, dB over the noise, and the natural logarithm of the retina's rise over
that of an undistorted echo."""

CONTACT_ONLY_INTERFACES = ("cornea_front", "cornea_back")
"""Not heard apart from the probe's own ringing in contact: there they have no table."""

_LEVELS = len(FIGURES) - 1
_RISE = _LEVELS
_STATES = ("phakic", "aphakic", "pseudophakic")
# Echoes behind the retina may be merged with it, and the corneal back with its front: when these
# are not found, that says nothing of their height.
_OPTIONAL = ("cornea_back", "sclera")

# Nothing lower is looked for; echoes of the orbit below the second are the noise's own.
_SEARCH_DB, _ORBIT_FLOOR_DB = 13.0, 6.0
# A missing echo is below the threshold, or else was lost for another reason (gate, blink) with
# this probability (modelling choice).
_LOST_OTHERWISE = 0.15

# Standard deviations of what is not known, dB (modelling choices): gain; time gain per 20 µs where
# the receiver is not described (TGC of biometers spans 0 to some 25 dB over the vitreous; common
# practice, no source); both faces of an implant, whose material decides; all echoes behind an
# implant, in an aphakic eye, and behind silicone oil.
_GAIN_DB, _SLOPE_DB, _IMPLANT_DB = 60.0, 15.0, 12.0
_BEHIND_DB = {"phakic": 0.0, "aphakic": 3.0, "pseudophakic": 5.0}
_OIL_DB = 15.0
_FREEDOM = 5.0
_INFLATION = 1.15

# The model is a smooth picture of eyes whose echoes err together in ways it does not hold (steps,
# wrong spikes, lenses out of line). Its likelihood is therefore raised to a power below 1, which
# widens every interval (Holmes & Walker 2017, Biometrika 104:497); the value gives 90 % intervals
# their coverage on draws with a seed of its own (801), apart from those of tables and tests.
_POWER = 0.4


# The hand's distribution (common practice, no source): two normal components each of tilt and
# decentration, so that each is Rayleigh distributed. Their scales are anywhere between a steady
# hand's and a poor one's, and go together: who tilts the probe also centres it badly.
_TILT_SCALES_DEG = tuple(float(x) for x in np.geomspace(0.4, 6.0, 8))
_DECENTRATION_PER_TILT_MM = 0.15
_TILT_STEP_DEG, _DECENTRATION_STEP_MM = 0.4, 0.1
_N_TILT, _N_DECENTRATION = 30, 16
_OPENINGS_DEG = (22.5, 67.5, 112.5, 157.5)

# Scans of a sitting that fix what the eye adds; more would add time and hardly knowledge.
_MOST_JOINT = 20
_PARTICLES, _ITERATIONS, _KEPT = 300, 4, 64
# A posterior narrower than this share of the prior has learnt something.
_TOLD_SHARE = 0.7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlignmentTables:
    """Tables and scatter; see :func:`echotrace.fitting.alignment_tables.fit_tables`.

    Attributes
    ----------
    nodes : ndarray, (n_methods, n_figures, n_tilts, n_decentrations, n_openings, n_probes)
        Figures of a phakic eye, NaN where a method does not have them.
    state_offset : ndarray, (n_methods, n_states, n_figures)
        Added for aphakic and pseudophakic eyes.
    scale : ndarray, (n_methods, n_figures, 2)
        Intercept, and slope against the loss, of the scatter's scale.
    common, own : ndarray, (n_methods, n_figures, n_figures)
        Covariance of the standardised scatter that scans of one eye share, and of each scan.
    provenance : str
        JSON: how, when and from what the tables were made.
    """

    nodes: Float64
    state_offset: Float64
    scale: Float64
    common: Float64
    own: Float64
    provenance: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class ObservedFigures:
    """The figures of traces and what kind of knowledge each is; (n_traces, n_figures).

    Attributes
    ----------
    height : ndarray of float64
        NaN where not known as a number.
    below, above : ndarray of float64
        The figure lies below, or above, this; NaN where there is no such knowledge.
    """

    height: Float64
    below: Float64
    above: Float64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlignmentEstimate:
    """Where the beam of each trace lies; arrays are aligned with the traces.

    Attributes
    ----------
    tilt_deg, decentration_mm : ndarray of float64, (n_traces,)
        Medians of the posterior. NaN for traces that are not of an eye.
    tilt_interval_deg, decentration_interval_mm : ndarray of float64, (n_traces, 2)
        Shortest intervals that hold ``confidence`` of it.
    tilt_told, decentration_told : ndarray of bool, (n_traces,)
        Whether the interval is clearly narrower than what is believed of any hand before the
        trace is seen. If not, the trace does not tell.
    prior_tilt_interval_deg, prior_decentration_interval_mm : tuple of float
        What is believed before.
    posterior : ndarray of float32, (n_traces, n_tilts, n_decentrations)
        Probability of each cell of the grid; sums to 1.
    grid_tilt_deg, grid_decentration_mm : ndarray of float64
        Centres of the cells.
    confidence : float
    jointly : bool
        Whether scans of one sitting were taken together.
    """

    tilt_deg: Float64
    tilt_interval_deg: Float64
    decentration_mm: Float64
    decentration_interval_mm: Float64
    tilt_told: NDArray[np.bool_]
    decentration_told: NDArray[np.bool_]
    prior_tilt_interval_deg: tuple[float, float]
    prior_decentration_interval_mm: tuple[float, float]
    posterior: NDArray[np.float32]
    grid_tilt_deg: Float64
    grid_decentration_mm: Float64
    confidence: float
    jointly: bool

    def to_record(self, trace: int) -> dict[str, object]:
        """One trace as JSON has it; None where there is no estimate."""

        def number(value: float) -> float | None:
            return None if math.isnan(value) else round(float(value), 3)

        return {
            "trace": trace,
            "tilt_deg": number(self.tilt_deg[trace]),
            "tilt_interval_deg": [number(x) for x in self.tilt_interval_deg[trace]],
            "tilt_told": bool(self.tilt_told[trace]),
            "decentration_mm": number(self.decentration_mm[trace]),
            "decentration_interval_mm": [number(x) for x in self.decentration_interval_mm[trace]],
            "decentration_told": bool(self.decentration_told[trace]),
            "confidence": self.confidence,
        }

    def probability_within(self, max_tilt_deg: float, max_decentration_mm: float) -> Float64:
        """Probability of each trace that its beam lies within both limits.

        Parameters
        ----------
        max_tilt_deg, max_decentration_mm : float
        """
        tilt = _share_below(self.grid_tilt_deg, _TILT_STEP_DEG, max_tilt_deg)
        aside = _share_below(self.grid_decentration_mm, _DECENTRATION_STEP_MM, max_decentration_mm)
        return np.asarray(
            np.einsum("ntd,t,d->n", self.posterior.astype(np.float64), tilt, aside), np.float64
        )


def _share_below(centres: Float64, step: float, limit: float) -> Float64:
    """Share of each cell that lies below a limit."""
    return np.asarray(np.clip((limit - centres) / step + 0.5, 0.0, 1.0))


def load_tables(path: str | Path = TABLE_FILE) -> AlignmentTables:
    """Read the tables that ``python -m echotrace.fitting.alignment_tables`` wrote.

    Raises
    ------
    FileFormatError
        Naming the file.
    """
    path = Path(path)
    try:
        with np.load(path, allow_pickle=False) as stored:
            arrays = {name: stored[name] for name in stored.files}
        tables = AlignmentTables(
            provenance=str(arrays.pop("provenance")),
            **{name: values.astype(np.float64) for name, values in arrays.items()},
        )
        json.loads(tables.provenance)
        wanted = (
            len(METHODS),
            len(FIGURES),
            len(TILT_NODES_DEG),
            len(DECENTRATION_NODES_MM),
            len(OPENING_NODES_DEG),
            len(PROBE_NODES_MHZ_MM),
        )
        if tables.nodes.shape != wanted:
            raise ValueError(f"tables of shape {tables.nodes.shape}, not {wanted}")
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise FileFormatError(
            f"{path}: no alignment tables ({error}); build them with "
            "python -m echotrace.fitting.alignment_tables"
        ) from None
    return tables


@functools.cache
def _shipped_tables() -> AlignmentTables:
    return load_tables()


def observed_figures(result: Measurement, recording: Recording | None = None) -> ObservedFigures:
    """What the traces of a measurement say of the figures.

    Parameters
    ----------
    result : Measurement
    recording : Recording, optional
        For its receiver, which says how tall a clipped echo is at least.
    """
    n = result.n_traces
    nan = np.full(n, np.nan)
    height = np.full((n, len(FIGURES)), np.nan)
    below, above = height.copy(), height.copy()
    features = {name: values.astype(np.float64) for name, values in result.features.items()}
    at = dict(zip(result.interfaces, result.delay_us.T, strict=True))
    gain = np.zeros((n, len(FIGURES)))
    receiver = recording.receiver if recording is not None else None
    clipped = np.zeros((n, len(FIGURES)), bool)
    for k, name in enumerate(FIGURES[:-2]):
        delay = at.get(name, nan)
        height[:, k] = features.get(f"level_db_{name}", nan)
        if receiver is not None:
            gain[:, k] = tgc_db(np.nan_to_num(delay), receiver)
        there = np.array([name in result.interfaces]) & np.isfinite(result.score)
        if name not in _OPTIONAL:
            below[there & np.isnan(delay), k] = _SEARCH_DB
        clipped[:, k] = np.isfinite(delay) & np.isnan(height[:, k])
    orbit = features.get("orbit_level_db", nan)
    k = FIGURES.index("orbit")
    heard = orbit > _ORBIT_FLOOR_DB
    height[heard, k] = orbit[heard]
    below[~heard & np.isfinite(orbit), k] = _ORBIT_FLOOR_DB
    retina = FIGURES.index("retina")
    with np.errstate(invalid="ignore", divide="ignore"):
        rise = np.log(features.get("retina_rise_ratio", nan))
    # A clipped or hardly heard echo has no rise to speak of.
    rise[clipped[:, retina] | ~(height[:, retina] > _SEARCH_DB)] = np.nan
    height[:, _RISE] = np.where(np.isfinite(rise), rise, np.nan)
    # Full scale lies above every unclipped echo as it left the receiver.
    left = np.where(np.isfinite(height), height + gain, -np.inf)[:, : _LEVELS - 1].max(axis=1)
    bound = left[:, None] - gain
    above = np.where(clipped & np.isfinite(bound), bound, np.nan)
    return ObservedFigures(height=height, below=below, above=above)


def alignment_prior() -> tuple[Float64, Float64, Float64]:
    """Believed of a hand before a trace is seen: centres of cells, and their probabilities.

    Returns
    -------
    tilt_deg, decentration_mm : ndarray of float64
    probability : ndarray of float64, (n_tilts, n_decentrations)
        Rayleigh distributions of a common unknown scale, 0.4 to 6 degrees and 0.06 to 0.9 mm,
        each octave alike; common practice, no source.
    """
    tilt: Float64 = np.asarray((np.arange(_N_TILT) + 0.5) * _TILT_STEP_DEG, np.float64)
    aside: Float64 = np.asarray(
        (np.arange(_N_DECENTRATION) + 0.5) * _DECENTRATION_STEP_MM, np.float64
    )
    probability = np.zeros((tilt.size, aside.size))
    for scale in _TILT_SCALES_DEG:
        of_tilt = _rayleigh(tilt, _TILT_STEP_DEG, scale)
        of_aside = _rayleigh(aside, _DECENTRATION_STEP_MM, _DECENTRATION_PER_TILT_MM * scale)
        probability += np.outer(of_tilt, of_aside)
    return tilt, aside, probability / probability.sum()


def _rayleigh(centres: Float64, step: float, scale: float) -> Float64:
    """Probability of each cell."""
    edges = np.append(centres - 0.5 * step, centres[-1] + 0.5 * step)
    return np.diff(1.0 - np.exp(-0.5 * (edges / scale) ** 2))


@functools.cache
def _grid() -> tuple[Float64, Float64]:
    """Points (tilt, decentration, opening) and the logarithm of their prior, opening fastest."""
    tilt, aside, probability = alignment_prior()
    points = np.stack(np.meshgrid(tilt, aside, _OPENINGS_DEG, indexing="ij"), axis=-1)
    weights = np.repeat(probability[:, :, None], len(_OPENINGS_DEG), axis=2) / len(_OPENINGS_DEG)
    return points.reshape(-1, 3), np.log(weights.ravel())


@dataclass(frozen=True, slots=True, eq=False)
class _Expected:
    """Figures expected at the points of the grid, and the scale of their scatter."""

    mean: Float64
    scale: Float64


@functools.lru_cache(maxsize=32)
def _expected(tables: AlignmentTables, method: int, probe_mhz_mm: float) -> _Expected:
    points, _ = _grid()
    axes = (TILT_NODES_DEG, DECENTRATION_NODES_MM, OPENING_NODES_DEG, PROBE_NODES_MHZ_MM)
    probe = np.clip(probe_mhz_mm, PROBE_NODES_MHZ_MM[0], PROBE_NODES_MHZ_MM[-1])
    inside = np.column_stack([points, np.full(points.shape[0], probe)])
    for k, nodes in enumerate(axes):
        inside[:, k] = np.clip(inside[:, k], nodes[0], nodes[-1])
    values = np.moveaxis(tables.nodes[method], 0, -1)
    table = scipy.interpolate.RegularGridInterpolator(axes, values)
    mean = table(inside)
    on_axis = table(np.array([[0.0, 0.0, 0.0, probe]]))
    line = tables.scale[method]
    scale = line[:, 0] + line[:, 1] * np.abs(mean - on_axis)
    return _Expected(mean=mean, scale=scale)


def _unknown(state: str, vitreous: str, delay_us: Float64, receiver_known: bool) -> Float64:
    """Columns ``H`` times the standard deviation of each unknown; (n_figures, n_unknowns)."""
    levels = np.arange(len(FIGURES)) < _LEVELS
    behind = np.array([name in ("retina", "sclera", "orbit") for name in FIGURES])
    columns = [_GAIN_DB * levels]
    if not receiver_known:
        columns.append(_SLOPE_DB * levels * delay_us / 20.0)
    if state == "pseudophakic":
        columns.append(_IMPLANT_DB * np.array([name.startswith("lens") for name in FIGURES]))
    spread = _BEHIND_DB[state]
    if vitreous != "natural":
        spread = math.hypot(spread, _OIL_DB)
    if spread:
        columns.append(spread * behind)
    return np.column_stack(columns).astype(np.float64)


class _Likelihood:
    """Of one trace, at every point of the grid, given what the eye adds."""

    def __init__(
        self,
        expected: _Expected,
        offset: Float64,
        figures: tuple[Float64, Float64, Float64],
        unknown: Float64,
        covariance: Float64,
    ) -> None:
        height, below, above = figures
        has = np.isfinite(expected.mean[0])
        self.seen = np.flatnonzero(np.isfinite(height) & has)
        bounds = np.flatnonzero((np.isfinite(below) | np.isfinite(above)) & has)
        o = self.seen
        self._log_norm: Float64 = np.zeros(expected.mean.shape[0])
        self.empty = o.size == 0
        if self.empty:
            return
        mean = expected.mean + offset
        z = (height - mean) / expected.scale
        column = unknown[None] / expected.scale[:, :, None]
        level = np.where(np.isfinite(height), height, 40.0)
        # Of an amplitude that stands over noise, and of a rise read on it (modelling choice).
        noise = 8.686 * 10.0 ** (-level / 20.0)
        noise[_RISE] = 3.0 * 10.0 ** (-level[FIGURES.index("retina")] / 20.0)
        noise = np.minimum(noise, 8.0)
        whole = covariance + np.einsum("gik,gjk->gij", column, column)
        d = np.arange(len(FIGURES))
        whole[:, d, d] += (noise / expected.scale) ** 2
        whole *= _INFLATION
        among = whole[:, o[:, None], o]
        precision = np.linalg.inv(among)
        seen = z[:, o]
        pull = np.einsum("gij,gj->gi", precision, seen)
        # The squared distance is a quadratic in b: its constant, linear and square parts.
        square = precision.reshape(-1, o.size**2)
        self._base = np.einsum("gi,gi->g", pull, seen).astype(np.float32)
        self._rest = np.concatenate([-2.0 * pull, square], axis=1).T.astype(np.float32)
        _, logdet = np.linalg.slogdet(among)
        self._log_norm = -0.5 * logdet - np.log(expected.scale[:, o]).sum(axis=1)
        self.bounds = []
        for c in bounds:
            down = bool(np.isfinite(below[c]))
            limit = below[c] if down else above[c]
            towards = np.einsum("gi,gij->gj", whole[:, c, o], precision)
            variance = whole[:, c, c] - np.einsum("gj,gj->g", towards, whole[:, c, o])
            self.bounds.append(
                (
                    int(c),
                    1.0 if down else -1.0,
                    (limit - mean[:, c]) / expected.scale[:, c]
                    - np.einsum("gj,gj->g", towards, seen),
                    towards,
                    np.sqrt(np.maximum(variance, 1e-6)),
                    _LOST_OTHERWISE if down else 0.02,
                )
            )

    def log(self, b: Float64) -> NDArray[np.float32]:
        """Logarithm of the likelihood; ``b`` (m, n_figures) gives (m, n_points)."""
        if self.empty:
            return np.zeros((b.shape[0], self._log_norm.size), np.float32)
        k = self.seen.size
        part = b[:, self.seen]
        square = (part[:, :, None] * part[:, None, :]).reshape(-1, k * k)
        terms = np.concatenate([part, square], axis=1).astype(np.float32)
        # Student's t whose covariance is that of the tables: its scale is smaller.
        q = np.maximum(terms @ self._rest + self._base, 0.0) / np.float32(_FREEDOM - 2.0)
        value = self._log_norm.astype(np.float32) - np.float32(0.5 * (_FREEDOM + k)) * np.log1p(q)
        for c, sign, start, towards, sd, otherwise in self.bounds:
            z = (start + part @ towards.T - b[:, c : c + 1]) / sd
            share = scipy.special.ndtr(sign * z / 1.3)
            value = value + np.log((1.0 - otherwise) * share + otherwise)
        return np.asarray(value, np.float32)


def estimate_alignment(
    result: Measurement,
    recording: Recording | None = None,
    *,
    confidence: float = 0.9,
    jointly: bool = True,
    tables: AlignmentTables | None = None,
) -> AlignmentEstimate:
    """Estimate tilt and decentration of the beam of each trace, with credible intervals.

    Parameters
    ----------
    result : Measurement
        Traces of eyes; others get NaN.
    recording : Recording, optional
        What was measured, for its probe and receiver. Without it both are unknown, and the
        intervals are wider for it.
    confidence : float
        Share of the posterior that the intervals hold.
    jointly : bool
        Take the scans of a sitting together: the eye is the same, only the hold differs, so that
        what the eye does to the echoes is learnt from all of them. False: each trace alone.
    tables : AlignmentTables, optional
        Not the shipped ones.

    Notes
    -----
    A grid over tilt, decentration and the angle between them carries the posterior of each trace.
    Of a sitting, what the eye adds is drawn from its prior and moved to its posterior by adaptive
    importance sampling (Cappé et al. 2008, Stat Comput 18:447), with the grid summed for each
    draw; every scan's posterior is the average over the draws. The draws come from a fixed seed.
    """
    if not 0.0 < confidence < 1.0:
        raise ParameterError(f"confidence={confidence!r} must lie between 0 and 1")
    if recording is not None and recording.n_traces != result.n_traces:
        raise ParameterError(
            f"the recording has {recording.n_traces} traces, the measurement {result.n_traces}; "
            "give the recording that was measured"
        )
    tables = _shipped_tables() if tables is None else tables
    n = result.n_traces
    tilt, aside, prior = alignment_prior()
    posterior = np.full((n, tilt.size, aside.size), np.nan)
    observed = observed_figures(result, recording)
    for labels, traces in result.sittings():
        eye = labels["target"] == "eye" and labels["lens_state"] != LensState.NONE
        if not eye or labels["method"] not in METHODS:
            continue
        for group in [traces] if jointly else [traces[k : k + 1] for k in range(traces.size)]:
            posterior[group] = _group(tables, result, recording, labels, group, observed)
    told = [
        _marginals(posterior.sum(axis=2), tilt, _TILT_STEP_DEG, confidence),
        _marginals(posterior.sum(axis=1), aside, _DECENTRATION_STEP_MM, confidence),
    ]
    before = [
        _marginals(prior.sum(axis=1)[None], tilt, _TILT_STEP_DEG, confidence)[1][0],
        _marginals(prior.sum(axis=0)[None], aside, _DECENTRATION_STEP_MM, confidence)[1][0],
    ]
    with np.errstate(invalid="ignore"):
        narrow = [
            np.diff(interval, axis=1)[:, 0] < _TOLD_SHARE * float(np.diff(start)[0])
            for (_, interval), start in zip(told, before, strict=True)
        ]
    return AlignmentEstimate(
        tilt_deg=told[0][0],
        tilt_interval_deg=told[0][1],
        decentration_mm=told[1][0],
        decentration_interval_mm=told[1][1],
        tilt_told=narrow[0],
        decentration_told=narrow[1],
        prior_tilt_interval_deg=(float(before[0][0]), float(before[0][1])),
        prior_decentration_interval_mm=(float(before[1][0]), float(before[1][1])),
        posterior=posterior.astype(np.float32),
        grid_tilt_deg=tilt,
        grid_decentration_mm=aside,
        confidence=confidence,
        jointly=jointly,
    )


def _group(
    tables: AlignmentTables,
    result: Measurement,
    recording: Recording | None,
    labels: Mapping[str, str],
    traces: NDArray[np.intp],
    observed: ObservedFigures,
) -> Float64:
    """Posteriors of the traces of one eye, (n, n_tilts, n_decentrations)."""
    method = METHODS.index(Method(labels["method"]))
    state = labels["lens_state"]
    probes: tuple[float, ...] = PROBE_NODES_MHZ_MM
    if recording is not None and math.isfinite(recording.probe.aperture_mm):
        probe = recording.probe
        probes = (round(probe.centre_frequency_hz * 1e-6 * probe.aperture_mm, 1),)
    # The depths of an envelope whose receiver is not told cannot be compared either.
    known = recording is not None and recording.receiver is not None
    if recording is not None and recording.signal is Signal.ENVELOPE:
        receiver = recording.receiver
        known = receiver is not None and bool(receiver.tgc_delay_us)
    total, evidence = [], []
    for item in probes:
        expected = _expected(tables, method, item)
        offset = tables.state_offset[method, _STATES.index(state)]
        alone = traces.size == 1
        common, own = tables.common[method], tables.own[method]
        covariance = common + own if alone else own
        likelihoods = []
        for k in traces:
            figures = (observed.height[k], observed.below[k], observed.above[k])
            delay = _delays(result, int(k))
            unknown = _unknown(state, labels["vitreous"], delay, known)
            likelihoods.append(_Likelihood(expected, offset, figures, unknown, covariance))
        if alone:
            value = _POWER * likelihoods[0].log(np.zeros((1, len(FIGURES))))[0] + _grid()[1]
            most = value.max()
            weight = np.exp(value - most)
            total.append((weight / weight.sum())[None])
            evidence.append(most + math.log(weight.sum()))
        else:
            share, log_evidence = _with_common_eye(likelihoods, common)
            total.append(share)
            evidence.append(log_evidence)
    trust = np.exp(np.array(evidence) - max(evidence))
    trust /= trust.sum()
    whole = np.einsum("p,png->ng", trust, np.array(total))
    shape = (traces.size, _N_TILT, _N_DECENTRATION, -1)
    return np.asarray(whole.reshape(shape).sum(axis=-1), np.float64)


def _delays(result: Measurement, trace: int) -> Float64:
    """Delay of each figure, µs after the first known one; missing ones as in a usual eye."""
    usual = np.array([0.0, 0.7, 4.7, 9.5, 31.0, 32.5, 35.0, 0.0])
    row = dict(zip(result.interfaces, result.delay_us[trace], strict=True))
    found = np.array([row.get(name, np.nan) for name in FIGURES])
    known = np.flatnonzero(np.isfinite(found))
    if known.size == 0:
        return usual
    start = found[known[0]] - usual[known[0]]
    return np.asarray(np.where(np.isfinite(found), found - start, usual))


def _with_common_eye(likelihoods: list[_Likelihood], common: Float64) -> tuple[Float64, float]:
    """Posteriors of scans that share what the eye adds, and the logarithm of the evidence."""
    log_prior = _grid()[1].astype(np.float32)
    value, vector = np.linalg.eigh(common)
    keep = value > 1e-3 * max(float(value[-1]), 1e-9)
    root = (vector * np.sqrt(np.maximum(value, 0.0)))[:, keep]
    size = int(keep.sum())
    step = max(1, math.ceil(len(likelihoods) / _MOST_JOINT))
    joint = likelihoods[::step]
    rng = np.random.default_rng(20)
    mean, spread = np.zeros(size), np.eye(size)
    u, weight, log_evidence = np.zeros((1, size)), np.ones(1), 0.0
    for _ in range(_ITERATIONS):
        factor = np.linalg.cholesky(spread)
        u = mean + rng.standard_normal((_PARTICLES, size)) @ factor.T
        # A fifth from the prior keeps the weights bounded.
        u[: _PARTICLES // 5] = rng.standard_normal((_PARTICLES // 5, size))
        log_target = -0.5 * (u**2).sum(axis=1)
        away = np.linalg.solve(factor, (u - mean).T)
        moved = -0.5 * (away**2).sum(axis=0) - np.log(np.diag(factor)).sum()
        proposal = np.logaddexp(math.log(0.8) + moved, math.log(0.2) + log_target)
        log_weight = log_target - proposal
        b = u @ root.T
        for item in joint:
            log_weight = log_weight + _log_sum(np.float32(_POWER) * item.log(b) + log_prior)
        most = log_weight.max()
        weight = np.exp(log_weight - most)
        log_evidence = most + math.log(weight.mean())
        weight /= weight.sum()
        mean = weight @ u
        centred = u - mean
        # Widened, and never collapsed on a few draws.
        spread = 1.3 * (centred.T * weight) @ centred + 0.03 * np.eye(size)
    # Systematic resampling (Kitagawa 1996, J Comput Graph Stat 5:1).
    ladder = (np.arange(_KEPT) + 0.5) / _KEPT
    chosen = np.minimum(np.searchsorted(np.cumsum(weight), ladder), weight.size - 1)
    b = u[chosen] @ root.T
    found = []
    for item in likelihoods:
        value = np.float32(_POWER) * item.log(b) + log_prior
        found.append(np.exp(value - _log_sum(value)[:, None]).mean(axis=0))
    return np.array(found), float(log_evidence)


def _log_sum(value: NDArray[np.float32]) -> Float64:
    most = value.max(axis=1)
    total: Float64 = np.exp(value - most[:, None]).sum(axis=1, dtype=np.float64)
    return np.asarray(most + np.log(total))


def _marginals(
    mass: Float64, centres: Float64, step: float, confidence: float
) -> tuple[Float64, Float64]:
    """Median and shortest interval of distributions on cells, (n,) and (n, 2)."""
    edges = np.append(centres - 0.5 * step, centres[-1] + 0.5 * step)
    median = np.full(mass.shape[0], np.nan)
    interval = np.full((mass.shape[0], 2), np.nan)
    start = np.linspace(0.0, 1.0 - confidence, 41)
    for k, row in enumerate(mass):
        if not np.isfinite(row).all():
            continue
        # Strictly rising, so that it can be turned round.
        cumulative = np.concatenate([[0.0], np.cumsum(row + 1e-12)])
        cumulative /= cumulative[-1]
        median[k] = np.interp(0.5, cumulative, edges)
        low = np.interp(start, cumulative, edges)
        high = np.interp(start + confidence, cumulative, edges)
        best = int(np.argmin(high - low))
        interval[k] = low[best], high[best]
    return median, interval
