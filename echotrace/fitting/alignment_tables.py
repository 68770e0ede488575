"""Tables of how the echoes' heights change with tilt and decentration, fitted to synthetic draws.

``python -m echotrace.fitting.alignment_tables`` draws eyes, probes and poses widely, synthesises
and measures them without noise, fits the tables and what they leave unexplained, and writes
``echotrace/data/alignment_tables.npz`` with its provenance; about ten minutes on one core. All of
it is invented by the synthesis; no patient data.
"""

from __future__ import annotations

import argparse
import datetime
import itertools
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace import __version__
from echotrace.chain.measure import measure
from echotrace.errors import ParameterError
from echotrace.fitting.calibration_draws import draw_table, hash_of_tables
from echotrace.sittings.alignment_features import observed_features
from echotrace.sittings.alignment_tables import (
    AZIMUTH_NODES_DEG,
    CONTACT_ONLY_INTERFACES,
    DECENTRATION_NODES_MM,
    FEATURES,
    METHODS,
    PROBE_NODES_MHZ_MM,
    TABLE_FILE,
    TILT_NODES_DEG,
    AlignmentTables,
)
from echotrace.synthesis.compose import Synthesis

__all__ = ["SHIPPED_TABLE_DRAWS", "TableDraws", "fit_tables", "table_draws", "write_tables"]

Float64 = NDArray[np.float64]

SHIPPED_TABLE_DRAWS = {"seed": 501, "scenarios": 400}
"""The draws behind the shipped tables."""

EYES, SCANS = 2, 2
"""Eyes of each scenario and poses of each eye: pairs of poses tell what an eye keeps."""

# Echoes picked elsewhere than at their interface say nothing of its height.
_SAME_US = 0.15
_STATES = ("phakic", "aphakic", "pseudophakic")
# Weights of the roughness of the tables in units of one trace's squared residual over 1 dB², by
# axis: tilt, decentration, azimuth difference, probe.
_ROUGHNESS = (0.3, 0.3, 0.6, 1.0)
_TIE = 30.0
# Least scale of a level's scatter, dB, and of the rise's, nats: no picker reads finer.
_LEAST_SCALE = (1.0, 0.08)
_ROUNDS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class TableDraws:
    """Measured draws with their truth; arrays are aligned with the traces.

    Attributes
    ----------
    figures : ndarray of float64, (n, n_figures)
        Levels in dB over the noise and the natural logarithm of the retina's rise ratio; NaN where
        the echo was not found or not at its interface.
    tilt_deg, decentration_mm, azimuth_difference_deg : ndarray of float64, (n,)
    probe_mhz_mm : ndarray of float64, (n,)
        Centre frequency times aperture.
    method, state, eye : ndarray of int, (n,)
        Positions in ``METHODS`` and of the lens state; a number for each eye.

    Examples
    --------
    >>> draws = table_draws(3, 1)
    >>> draws.select(draws.eye == 0).tilt_deg.size == SCANS
    True
    """

    figures: Float64
    tilt_deg: Float64
    decentration_mm: Float64
    azimuth_difference_deg: Float64
    probe_mhz_mm: Float64
    method: NDArray[np.intp]
    state: NDArray[np.intp]
    eye: NDArray[np.intp]

    def select(self, rows: NDArray[Any]) -> TableDraws:
        """Some of the traces.

        Parameters
        ----------
        rows : ndarray
            Trace numbers, or one truth value per trace.

        Returns
        -------
        TableDraws
        """
        return TableDraws(**{name: getattr(self, name)[rows] for name in self.__slots__})


def table_scenario(seed: int, number: int) -> dict[str, Any]:
    """One draw of the calibration, held widely and received without noise, clipping or TGC.

    Parameters
    ----------
    seed, number : int
        Of the set and of the draw in it.

    Returns
    -------
    dict
        As the TOML file of a scenario would hold it.

    Examples
    --------
    >>> table_scenario(501, 0)["scans"] == SCANS
    True
    """
    table = draw_table(seed, number, poses=EYES).table
    rng = np.random.default_rng([seed, number, 1])
    table["scans"] = SCANS
    table["eye"].pop("vitreous", None)
    table["pose"] = {
        "tilt_sd_deg": float(np.exp(rng.uniform(np.log(0.5), np.log(4.5)))),
        "decentration_sd_mm": float(np.exp(rng.uniform(np.log(0.08), np.log(0.7)))),
    }
    table["receiver"] = {
        "gain_db": 6.0,
        "noise_db": -112.0,
        "tgc_delay_us": [0.0, 100.0],
        "tgc_gain_db": [0.0, 0.0],
        "bits": 0,
        "sampling_rate_mhz": 80.0,
        "ring_down_db": table["receiver"]["ring_down_db"],
    }
    table["artefacts"] = {"cornea_reverberation": 0.3}
    return table


def table_draws(
    seed: int, scenarios: int, *, progress: Callable[[int, int], None] | None = None
) -> TableDraws:
    """Draw, synthesise and measure.

    Parameters
    ----------
    seed, scenarios : int
        A draw does not depend on how many there are.
    progress : callable, optional
        Called with (scenarios done, scenarios in all).

    Returns
    -------
    TableDraws

    Raises
    ------
    ParameterError
        A synthesis that gave no truth.

    Examples
    --------
    >>> table_draws(3, 1).tilt_deg.size == EYES * SCANS
    True
    """
    rows: dict[str, list[Any]] = {name: [] for name in TableDraws.__slots__}
    for number in range(scenarios):
        table = table_scenario(seed, number)
        recording = Synthesis(table).block(0, EYES * SCANS)
        truth = recording.truth
        if truth is None:
            raise ParameterError("the synthesis gave no truth")
        result = measure(recording)
        at = dict(zip(truth.interfaces, truth.delay_us.T, strict=True))
        wrong = {
            name: ~(np.abs(result.delay_us[:, k] - at[name]) < _SAME_US)
            for k, name in enumerate(result.interfaces)
            if name in at
        }
        figures = observed_features(result).height
        for k, name in enumerate(FEATURES):
            of = {"orbit": "retina", "retina_rise": "retina"}.get(name, name)
            figures[wrong.get(of, np.zeros(figures.shape[0], bool)), k] = np.nan
        columns, n = truth.columns, figures.shape[0]
        apart = columns["tilt_azimuth_deg"] - columns["decentration_azimuth_deg"]
        probe = table["probe"]
        rows["figures"].append(figures)
        rows["tilt_deg"].append(columns["tilt_deg"])
        rows["decentration_mm"].append(columns["decentration_mm"])
        rows["azimuth_difference_deg"].append(np.abs((apart + 180.0) % 360.0 - 180.0))
        rows["probe_mhz_mm"].append(
            np.full(n, probe["centre_frequency_mhz"] * probe["aperture_mm"])
        )
        rows["method"].append(np.full(n, METHODS.index(table["method"]["kind"])))
        rows["state"].append(np.full(n, _STATES.index(table["eye"].get("lens_state", "phakic"))))
        rows["eye"].append(number * EYES + np.arange(n) // SCANS)
        if progress is not None:
            progress(number + 1, scenarios)
    return TableDraws(**{name: np.concatenate(parts) for name, parts in rows.items()})


def _hats(nodes: tuple[float, ...], values: Float64) -> Float64:
    """Weights of linear interpolation between nodes, held beyond the ends; (n, n_nodes)."""
    axis = np.asarray(nodes)
    x = np.clip(values, axis[0], axis[-1])
    left = np.clip(np.searchsorted(axis, x, side="right") - 1, 0, axis.size - 2)
    part = (x - axis[left]) / (axis[left + 1] - axis[left])
    weights = np.zeros((x.size, axis.size))
    rows = np.arange(x.size)
    weights[rows, left] = 1.0 - part
    weights[rows, left + 1] = part
    return weights


_SHAPE = tuple(
    len(nodes)
    for nodes in (TILT_NODES_DEG, DECENTRATION_NODES_MM, AZIMUTH_NODES_DEG, PROBE_NODES_MHZ_MM)
)


def _design(draws: TableDraws) -> Float64:
    """Interpolation weights of every trace, and one column for each state but the phakic."""
    parts = [
        _hats(TILT_NODES_DEG, draws.tilt_deg),
        _hats(DECENTRATION_NODES_MM, draws.decentration_mm),
        _hats(AZIMUTH_NODES_DEG, draws.azimuth_difference_deg),
        _hats(PROBE_NODES_MHZ_MM, draws.probe_mhz_mm),
    ]
    whole = np.einsum("na,nb,nc,nd->nabcd", *parts).reshape(draws.tilt_deg.size, -1)
    states = np.column_stack([draws.state == k for k in range(1, len(_STATES))])
    return np.column_stack([whole, states.astype(np.float64)])


def _roughness() -> Float64:
    """Rows that punish curvature along each axis, and azimuth differences that cannot matter."""
    number = np.arange(np.prod(_SHAPE)).reshape(_SHAPE)
    rows = []
    axes = (TILT_NODES_DEG, DECENTRATION_NODES_MM, AZIMUTH_NODES_DEG, PROBE_NODES_MHZ_MM)
    for axis, (nodes, weight) in enumerate(zip(axes, _ROUGHNESS, strict=True)):
        along = np.moveaxis(number, axis, 0)
        for k in range(1, len(nodes) - 1):
            before, after = nodes[k] - nodes[k - 1], nodes[k + 1] - nodes[k]
            scale = 0.5 * (before + after)
            for a, b, c in zip(
                along[k - 1].ravel(), along[k].ravel(), along[k + 1].ravel(), strict=True
            ):
                row = np.zeros(number.size + len(_STATES) - 1)
                row[a], row[c] = scale / before, scale / after
                row[b] = -row[a] - row[c]
                rows.append(np.sqrt(weight) * row)
    for a, b in itertools.product(range(_SHAPE[0]), range(_SHAPE[1])):
        if a and b:
            continue
        for c, d in itertools.product(range(1, _SHAPE[2]), range(_SHAPE[3])):
            row = np.zeros(number.size + len(_STATES) - 1)
            row[number[a, b, c, d]], row[number[a, b, 0, d]] = _TIE, -_TIE
            rows.append(row)
    return np.array(rows)


def fit_tables(draws: TableDraws, *, provenance: str = "") -> AlignmentTables:
    """Fit tables, scatter and what of it belongs to the eye.

    Parameters
    ----------
    draws : TableDraws
    provenance : str
        JSON that is kept with the tables.

    Returns
    -------
    AlignmentTables

    Notes
    -----
    Each figure is a multilinear function between the nodes, fitted by least squares with a
    penalty on its second differences (Eilers & Marx 1996, Stat Sci 11:89) and Cauchy-like weights
    ``1 / (1 + (r / 2.5 s)²)`` against wild traces. The scatter's scale grows linearly with the
    figure's loss against its value on the axis. Of the standardised residuals, the part that two
    poses of one eye have in common is the mean product of the residuals of such pairs; the rest
    belongs to the pose.

    Examples
    --------
    >>> fit_tables(table_draws(501, 400))  # doctest: +SKIP
    """
    rough = _roughness()
    n_figures = len(FEATURES)
    nodes = np.full((len(METHODS), n_figures, *_SHAPE), np.nan)
    offset = np.zeros((len(METHODS), len(_STATES), n_figures))
    scale = np.full((len(METHODS), n_figures, 2), np.nan)
    common = np.zeros((len(METHODS), n_figures, n_figures))
    own = np.zeros_like(common)
    for m in range(len(METHODS)):
        part = draws.select(draws.method == m)
        if part.tilt_deg.size == 0:
            continue
        design = _design(part)
        z = np.full(part.figures.shape, np.nan)
        for k, name in enumerate(FEATURES):
            if METHODS[m] == "contact" and name in CONTACT_ONLY_INTERFACES:
                continue
            seen = np.isfinite(part.figures[:, k])
            fit, residual = _robust_fit(design[seen], part.figures[seen, k], rough)
            nodes[m, k] = fit[: -len(_STATES) + 1].reshape(_SHAPE)
            offset[m, 1:, k] = fit[-len(_STATES) + 1 :]
            on_axis = nodes[m, k, 0, 0, 0]
            predicted = design[seen] @ fit - design[seen, -2:] @ fit[-2:]
            axis_value = _hats(PROBE_NODES_MHZ_MM, part.probe_mhz_mm[seen]) @ on_axis
            loss = np.abs(axis_value - predicted)
            keep = part.state[seen] != _STATES.index("pseudophakic")
            keep |= not name.startswith("lens")
            least = _LEAST_SCALE[int(name == "retina_rise")]
            scale[m, k] = _scale_line(loss[keep], residual[keep], least)
            standard = residual / (scale[m, k, 0] + scale[m, k, 1] * loss)
            standard[~keep] = np.nan
            z[seen, k] = np.clip(standard, -4.0, 4.0)
        common[m], own[m] = _split(z, part.eye)
    return AlignmentTables(
        nodes=nodes,
        state_offset=offset,
        scale=scale,
        common=common,
        own=own,
        provenance=provenance,
    )


def _robust_fit(design: Float64, values: Float64, rough: Float64) -> tuple[Float64, Float64]:
    centre = float(np.median(values))
    weight = np.ones(values.size)
    penalty = rough.T @ rough
    fit: Float64 = np.zeros(design.shape[1])
    for _ in range(_ROUNDS):
        left = (design * weight[:, None]).T @ design + penalty + 1e-6 * np.eye(fit.size)
        fit = scipy.linalg.solve(left, design.T @ (weight * (values - centre)), assume_a="pos")
        residual = values - centre - design @ fit
        spread = 1.4826 * float(np.median(np.abs(residual)))
        weight = 1.0 / (1.0 + (residual / (2.5 * max(spread, 1e-6))) ** 2)
    fit[: -len(_STATES) + 1] += centre
    return fit, values - design @ fit


def _scale_line(loss: Float64, residual: Float64, least: float) -> Float64:
    """Intercept and slope of the scatter's scale against loss, by the size of residuals."""
    edges = np.quantile(loss, np.linspace(0.0, 1.0, 9))
    middle, spread = [], []
    for low, high in itertools.pairwise(edges):
        inside = (loss >= low) & (loss <= high)
        middle.append(loss[inside].mean())
        spread.append(1.4826 * np.median(np.abs(residual[inside])))
    design = np.column_stack([np.ones(8), middle])
    line: Float64
    line, _ = scipy.optimize.nnls(design, np.array(spread))
    line[0] = max(line[0], least, 0.25 * float(np.median(spread)))
    return np.asarray(line)


def _covariance(products: Float64) -> Float64:
    """Mean of products where both are known, symmetric, 0 where never."""
    known = np.isfinite(products)
    count = np.maximum(known.sum(axis=0), 1)
    mean = np.where(known, products, 0.0).sum(axis=0) / count
    return np.asarray(0.5 * (mean + mean.T))


def _semidefinite(matrix: Float64, least: float) -> Float64:
    value, vector = np.linalg.eigh(matrix)
    return np.asarray((vector * np.maximum(value, least)) @ vector.T)


def _split(z: Float64, eye: NDArray[np.intp]) -> tuple[Float64, Float64]:
    """Covariance that poses of one eye share, and that of each pose."""
    total = _covariance(z[:, :, None] * z[:, None, :])
    order = np.argsort(eye, kind="stable")
    first, second = order[::SCANS], order[1::SCANS]
    shared = _covariance(z[first][:, :, None] * z[second][:, None, :])
    shared = _semidefinite(shared, 0.0)
    return shared, _semidefinite(total - shared, 0.05)


def draws_hash(seed: int, scenarios: int) -> str:
    """SHA-256 of all scenarios of a set of draws.

    Parameters
    ----------
    seed, scenarios : int

    Returns
    -------
    str

    Examples
    --------
    >>> len(draws_hash(3, 1))
    64
    """
    return hash_of_tables(table_scenario(seed, number) for number in range(scenarios))


def write_tables(path: str | Path, tables: AlignmentTables) -> None:
    """Write tables so that the file is either the old one or the whole new one.

    Parameters
    ----------
    path : str or Path
    tables : AlignmentTables

    Examples
    --------
    >>> write_tables("alignment_tables.npz", tables)  # doctest: +SKIP
    """
    from echotrace.files.atomic import atomic_target, writing

    with atomic_target(path) as partial, writing(path), partial.open("wb") as file:
        np.savez_compressed(
            file,
            nodes=tables.nodes.astype(np.float32),
            state_offset=tables.state_offset.astype(np.float32),
            scale=tables.scale.astype(np.float32),
            common=tables.common.astype(np.float32),
            own=tables.own.astype(np.float32),
            provenance=np.array(tables.provenance),
        )


def main(arguments: list[str] | None = None) -> int:
    """Build the alignment tables and write their file.

    Parameters
    ----------
    arguments : list of str, optional
        Those of the process where it is None.

    Returns
    -------
    int
        0.

    Examples
    --------
    >>> main(["-o", "tables.npz", "--scenarios", "40"])  # doctest: +SKIP
    """
    from tqdm import tqdm

    parser = argparse.ArgumentParser(
        description=main.__doc__, prog="python -m echotrace.fitting.alignment_tables"
    )
    parser.add_argument("-o", "--output", type=Path, default=TABLE_FILE, metavar="FILE.npz")
    for name, value in SHIPPED_TABLE_DRAWS.items():
        parser.add_argument(f"--{name}", type=int, default=value, help=f"default {value}")
    given = parser.parse_args(arguments)
    with tqdm(total=given.scenarios, unit="scenario", disable=None) as bar:

        def advance(done: int, total: int) -> None:
            del done, total
            bar.update()

        draws = table_draws(given.seed, given.scenarios, progress=advance)
    provenance = {
        "made_by": f"python -m echotrace.fitting.alignment_tables, echotrace {__version__}",
        "date": datetime.datetime.now(datetime.UTC).date().isoformat(),
        "fitted_to": "invented eyes of the synthesis; no patient data",
        "seed": given.seed,
        "scenarios": given.scenarios,
        "traces": int(draws.tilt_deg.size),
        "scenarios_sha256": draws_hash(given.seed, given.scenarios),
    }
    write_tables(given.output, fit_tables(draws, provenance=json.dumps(provenance)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
