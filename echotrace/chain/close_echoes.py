"""A second look at traces whose interfaces lie close together, or whose wall repeats itself.

Where two interfaces may lie within two widths of the pulse and their echoes look so, the echoes of
that place are fitted jointly and the interfaces chosen again. Where a wall is followed by an even
train of repeats, the train says how thick it is.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.reading import CloseReading, TraceReading
from echotrace.recording import Method
from echotrace.signal.candidates import Candidates
from echotrace.signal.crowded import ClosePair, CrowdedEchoes, crowded_echoes
from echotrace.signal.pulse import Pulse
from echotrace.signal.repeats import fit_train, repeats_behind, taken_at_a_multiple
from echotrace.target import Target

__all__ = [
    "covariance_of",
    "is_a_wall",
    "lay_train",
    "merge_readings",
    "overlap_of_picks",
    "rows_to_look_at",
]

Float = NDArray[np.float64]


def is_a_wall(target: Target, method: str) -> bool:
    """Whether a target is one wall between two faces that are both echoes of the trace.

    Parameters
    ----------
    target : Target
    method : str

    Returns
    -------
    bool

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.close_echoes import is_a_wall
    >>> is_a_wall(et.eye_target("phakic"), "immersion")
    False
    """
    return not target.anatomy and len(target.interfaces) == 2 and method != Method.CONTACT


def rows_to_look_at(
    candidates: Candidates,
    delay_us: Float,
    pairs: Sequence[ClosePair],
    pulse: Pulse,
    target: Target,
    method: str,
) -> NDArray[np.bool_]:
    """Traces in which echoes overlap, or a wall repeats itself.

    Parameters
    ----------
    candidates : Candidates
    delay_us : ndarray of float64, (n_traces, n_interfaces)
        First picks.
    pairs : sequence of ClosePair
    pulse : Pulse
    target : Target
    method : str

    Returns
    -------
    ndarray of bool, (n_traces,)

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.close_echoes import rows_to_look_at
    >>> from echotrace.chain.plain import view_trace
    >>> view = view_trace(et.read("synthetic_traces/immersion_sitting.h5"), 0)
    >>> pulse, target = view.traces.pulse, view.target
    >>> rows_to_look_at(view.candidates, view.delay_us, (), pulse, target, "immersion").tolist()
    [False]
    """
    looked = np.zeros(delay_us.shape[0], np.bool_)
    if pairs:
        crowd = crowded_echoes(candidates, delay_us, pairs, pulse, anatomy=target.anatomy)
        looked |= crowd.any(axis=1)
    if is_a_wall(target, method):
        faces = candidates, delay_us[:, 0], delay_us[:, 1], pulse
        looked |= (repeats_behind(*faces)[:, 0] >= 0) | taken_at_a_multiple(*faces)
    return looked


def overlap_of_picks(
    candidate: NDArray[np.integer], crowded: CrowdedEchoes, step_us: float
) -> tuple[Float, Float, CloseReading]:
    """What joint fits say of the candidates that were chosen.

    Parameters
    ----------
    candidate : ndarray of int, (n_traces, n_interfaces)
        Columns; -1 for none.
    crowded : CrowdedEchoes
    step_us : float

    Returns
    -------
    sample, u_sample : ndarray of float64, (n_traces, n_interfaces)
        NaN where no joint fit says anything.
    close : CloseReading
        Without repeats.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.chain.close_echoes import overlap_of_picks
    >>> from echotrace.signal.crowded import CrowdedEchoes
    >>> one = np.ones((1, 3))
    >>> found = CrowdedEchoes(
    ...     sample=one, u_sample=one, with_following=np.full((1, 3, 8), -0.5), unsure=one > 2,
    ...     as_stated=one > 2
    ... )
    >>> overlap_of_picks(np.array([[0, 1]]), found, 0.01)[2].covariance_us2.round(6).tolist()
    [[-5e-05]]
    """
    rows = np.arange(candidate.shape[0])[:, None]
    chosen, safe = candidate >= 0, np.maximum(candidate, 0)
    sample = np.where(chosen, crowded.sample[rows, safe], np.nan)
    u_sample = np.where(chosen, crowded.u_sample[rows, safe], np.nan)
    both = covariance_of(candidate, crowded, step_us)
    k = np.arange(candidate.shape[1] - 1)
    covariance = both[:, k, k + 1]
    unsure = (chosen & crowded.unsure[rows, safe]).sum(axis=1, dtype=np.float32)
    as_stated = (chosen & crowded.as_stated[rows, safe]).any(axis=1)
    nothing = np.zeros(unsure.size, np.float32)
    close = CloseReading(
        covariance_us2=covariance, unsure=unsure, repeats=nothing, as_stated=as_stated
    )
    return sample, u_sample, close


def covariance_of(candidate: NDArray[np.integer], crowded: CrowdedEchoes, step_us: float) -> Float:
    """Covariance of candidates that were fitted jointly, two by two.

    Parameters
    ----------
    candidate : ndarray of int, (n_traces, m)
        Columns, rising; -1 for none.
    crowded : CrowdedEchoes
    step_us : float

    Returns
    -------
    ndarray of float64, (n_traces, m, m)
        µs squared; zero on the diagonal and where two were read apart.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.chain.close_echoes import covariance_of
    >>> from echotrace.signal.crowded import CrowdedEchoes
    >>> one = np.ones((1, 3))
    >>> found = CrowdedEchoes(
    ...     sample=one, u_sample=one, with_following=np.full((1, 3, 8), -0.5), unsure=one > 2,
    ...     as_stated=one > 2
    ... )
    >>> covariance_of(np.array([[0, 2, -1]]), found, 1.0).tolist()
    [[[0.0, -0.5, 0.0], [-0.5, 0.0, 0.0], [0.0, 0.0, 0.0]]]
    """
    n, m = candidate.shape
    out = np.zeros((n, m, m))
    rows, reach = np.arange(n), crowded.with_following.shape[2]
    for j in range(m):
        for k in range(j + 1, m):
            lag = candidate[:, k] - candidate[:, j]
            fit = (candidate[:, j] >= 0) & (candidate[:, k] >= 0) & (lag > 0) & (lag < reach)
            at = np.maximum(candidate[:, j], 0), np.clip(lag, 0, reach - 1)
            between = crowded.with_following[rows, at[0], at[1]]
            out[:, j, k] = out[:, k, j] = np.where(fit & np.isfinite(between), between, 0.0)
    return out * step_us**2


def lay_train(
    delay_us: Float,
    delay_u_us: Float,
    close: CloseReading,
    train_us: Float,
    train_u_us: Float,
    covariance_us2: Float,
) -> None:
    """Replace the two faces of a wall by what its train says of them, where it repeats itself.

    Parameters
    ----------
    delay_us, delay_u_us : ndarray of float64, (n_traces, 2)
        In and out.
    close : CloseReading
        In and out.
    train_us, train_u_us : ndarray of float64, (n_traces, m)
        Repeats in order, and their standard uncertainties; NaN beyond the last.
    covariance_us2 : ndarray of float64, (n_traces, m + 2, m + 2)
        Of both faces and the repeats, two by two, µs squared; its diagonal is not looked at.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.chain.close_echoes import lay_train
    >>> from echotrace.chain.reading import CloseReading
    >>> delay, u, close = np.array([[5.0, 7.01]]), np.full((1, 2), 0.01), CloseReading.nothing(1, 2)
    >>> lay_train(delay, u, close, np.array([[9.0]]), np.array([[0.01]]), np.zeros((1, 3, 3)))
    >>> delay.round(4).tolist(), close.repeats.tolist()
    ([[5.0033, 7.0033]], [1.0])
    """
    for row in np.flatnonzero(np.isfinite(train_us[:, 0])):
        m = int(np.isfinite(train_us[row]).sum())
        at = np.concatenate([delay_us[row], train_us[row, :m]])
        u = np.concatenate([delay_u_us[row], train_u_us[row, :m]])
        covariance = covariance_us2[row, : m + 2, : m + 2].copy()
        np.fill_diagonal(covariance, u**2)
        # Of echoes whose places can hardly be told apart nothing is gained.
        if not np.linalg.eigvalsh(covariance / np.outer(u, u))[0] > 1e-6:
            continue
        fit = fit_train(at, covariance)
        delay_us[row] = fit.front_us, fit.back_us
        delay_u_us[row] = np.sqrt(np.diag(fit.covariance_us2))
        close.covariance_us2[row, 0] = fit.covariance_us2[0, 1]
        close.repeats[row] = m


def merge_readings(
    reading: TraceReading, rows: NDArray[np.intp], again: TraceReading
) -> TraceReading:
    """A reading with some of its traces replaced by those that were looked at again.

    Parameters
    ----------
    reading : TraceReading
    rows : ndarray of int, (m,)
    again : TraceReading
        Of ``m`` traces.

    Returns
    -------
    TraceReading

    Examples
    --------
    >>> import echotrace as et
    >>> import numpy as np
    >>> from echotrace.chain.block import prepare
    >>> from echotrace.chain.close_echoes import merge_readings
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> (reader,) = prepare(recording).readers.values()
    >>> reading, one = reader.read(recording), reader.read(recording.select([2]))
    >>> merged = merge_readings(reading, np.array([0]), one)
    >>> bool(merged.delay_us[0, 1] == merged.delay_us[2, 1])
    True
    """
    n, q = reading.delay_us.shape
    close = reading.close or CloseReading.nothing(n, q)
    own = again.close or CloseReading.nothing(rows.size, q)
    return TraceReading(
        delay_us=_with_rows(reading.delay_us, rows, again.delay_us),
        delay_u_us=_with_rows(reading.delay_u_us, rows, again.delay_u_us),
        margin=_with_rows(reading.margin, rows, again.margin),
        candidates=_merged(reading.candidates, rows, again.candidates),
        echo_features=_merged(reading.echo_features, rows, again.echo_features),
        close=_merged(close, rows, own),
    )


def _merged(one: Any, rows: NDArray[np.intp], other: Any) -> Any:
    """A dataclass of arrays over traces with some rows of another."""
    changes = {}
    for item in dataclasses.fields(one):
        values = getattr(one, item.name)
        if isinstance(values, np.ndarray):
            changes[item.name] = _with_rows(values, rows, getattr(other, item.name))
    return dataclasses.replace(one, **changes)


def _with_rows(values: NDArray[Any], rows: NDArray[np.intp], others: NDArray[Any]) -> NDArray[Any]:
    out = values.copy()
    if out.ndim == 1:
        out[rows] = others
    else:
        # Of echoes a trace has as many as it has; what lies beyond means nothing.
        width = min(out.shape[1], others.shape[1])
        out[rows, :width] = others[:, :width]
    return out
