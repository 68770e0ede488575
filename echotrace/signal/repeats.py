"""The train of repeats behind a wall: which echoes they are, and what they say of its thickness."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.signal.candidates import Candidates
from echotrace.signal.pulse import Pulse

__all__ = ["TrainFit", "fit_train", "repeats_behind", "taken_at_a_multiple"]

Float = NDArray[np.float64]

_MOST_REPEATS = 8
# A repeat lies within a third of a width, and of the spacing, from its place, stands clear of the
# noise, and is not taller than the echo before it by more than interference can make it.
_OFF_WIDTHS, _OFF_SPACING, _LEAST_DB, _TALLER_DB = 0.35, 0.3, 20.0, 3.0
# An echo this far below the one that was taken could be its forerunner.
_FAINTER_DB = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainFit:
    """Delays of the two faces of a wall, from its whole train.

    Attributes
    ----------
    front_us, back_us : float
        µs.
    covariance_us2 : ndarray of float64, (2, 2)
        Of the two, µs squared.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.repeats import fit_train
    >>> round(fit_train(np.array([5.0, 7.0, 9.0]), 1e-6 * np.eye(3)).back_us, 6)
    7.0
    """

    front_us: float
    back_us: float
    covariance_us2: Float


def _nearest(at: Float, place: Float) -> tuple[NDArray[np.intp], Float]:
    """Column of the candidate nearest to a place in each trace, and how far off it lies."""
    place = np.where(np.isfinite(place), place, -1e9)
    off = np.abs(at - place[:, None])
    column = np.argmin(off, axis=1)
    return column, off[np.arange(column.size), column]


def _places(candidates: Candidates) -> tuple[Float, Float]:
    c = max(1, int(candidates.count.max(initial=0)))
    there = np.arange(c) < candidates.count[:, None]
    at = np.where(there, candidates.delay_us[:, :c], np.inf)
    level = np.where(there, candidates.level_db[:, :c], np.float32(-np.inf)).astype(np.float64)
    return at, level


def repeats_behind(
    candidates: Candidates, front_us: Float, back_us: Float, pulse: Pulse
) -> NDArray[np.intp]:
    """Candidates that repeat a wall: one delay of the wall behind the other, without a gap.

    Parameters
    ----------
    candidates : Candidates
    front_us, back_us : ndarray of float64, (n_traces,)
        Picks of the two faces; NaN where there is none.
    pulse : Pulse

    Returns
    -------
    ndarray of int, (n_traces, 8)
        Columns of the repeats in order, -1 beyond the last.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.candidates import Candidates
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> from echotrace.signal.repeats import repeats_behind
    >>> at, level = np.array([[5.0, 7.0, 9.0, 11.0]]), np.float32([[60, 54, 48, 42]])
    >>> echoes = Candidates(np.array([4], np.int32), (100 * at).astype(np.int32), at, level,
    ...                     level, 0 * level)
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> repeats_behind(echoes, np.array([5.0]), np.array([7.0]), pulse)[0, :3].tolist()
    [2, 3, -1]
    """
    at, level = _places(candidates)
    rows = np.arange(at.shape[0])
    found = np.full((rows.size, _MOST_REPEATS), -1, np.intp)
    column, off = _nearest(at, back_us)
    going = np.isfinite(front_us) & (off < pulse.width_us)
    before = level[rows, column]
    last_us, crossings = back_us, 1
    for k in range(_MOST_REPEATS):
        if not going.any():
            break
        apart = (last_us - front_us) / crossings
        column, off = _nearest(at, np.where(going, last_us + apart, np.nan))
        here = level[rows, column]
        most = np.minimum(_OFF_WIDTHS * pulse.width_us, _OFF_SPACING * apart)
        going &= (off < most) & (here >= _LEAST_DB)
        going &= here <= before + _TALLER_DB
        found[going, k] = column[going]
        last_us = np.where(going, at[rows, column], last_us)
        before, crossings = here, crossings + 1
    return found


def taken_at_a_multiple(
    candidates: Candidates, front_us: Float, back_us: Float, pulse: Pulse
) -> NDArray[np.bool_]:
    """Walls whose back face is as well a repeat of a thinner one: even echoes stand before it.

    Parameters
    ----------
    candidates, front_us, back_us, pulse
        As for :func:`repeats_behind`.

    Returns
    -------
    ndarray of bool, (n_traces,)

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.candidates import Candidates
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> from echotrace.signal.repeats import taken_at_a_multiple
    >>> at, level = np.array([[5.0, 7.0, 9.0, 11.0]]), np.float32([[60, 54, 48, 42]])
    >>> echoes = Candidates(np.array([4], np.int32), (100 * at).astype(np.int32), at, level,
    ...                     level, 0 * level)
    >>> pulse, front = gaussian_pulse(100e6, 10e6, 0.6), np.array([5.0])
    >>> [bool(taken_at_a_multiple(echoes, front, np.array([back]), pulse)[0])
    ...  for back in (7.0, 9.0)]
    [False, True]
    """
    at, level = _places(candidates)
    rows = np.arange(at.shape[0])
    column, off = _nearest(at, back_us)
    own = np.where(off < pulse.width_us, level[rows, column], np.inf)
    doubted = np.zeros(rows.size, np.bool_)
    for parts in (2, 3, 4):
        even = np.isfinite(back_us - front_us)
        for j in range(1, parts):
            place = front_us + (back_us - front_us) * j / parts
            column, off = _nearest(at, place)
            spacing = (back_us - front_us) / parts
            even &= off < np.minimum(_OFF_WIDTHS * pulse.width_us, _OFF_SPACING * spacing)
            even &= level[rows, column] >= own - _FAINTER_DB
        doubted |= even
    return doubted


def fit_train(delay_us: Float, covariance_us2: Float) -> TrainFit:
    """Lay an even train through the echoes of a wall, by weighted least squares.

    Parameters
    ----------
    delay_us : ndarray of float64, (m,)
        Front face, back face, and repeats in order, µs.
    covariance_us2 : ndarray of float64, (m, m)
        Of them, µs squared.

    Returns
    -------
    TrainFit
        Where the echoes lie less evenly than their uncertainties allow, its covariance is raised by
        the same factor.

    Notes
    -----
    Generalised least squares (Aitken AC 1936, Proc R Soc Edinburgh 55:42), scaled by the ratio of
    Birge RT 1932, Phys Rev 40:207 (both value from memory).

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.repeats import fit_train
    >>> fit = fit_train(np.array([5.0, 7.0, 9.0, 11.0]), 1e-6 * np.eye(4))
    >>> apart = np.array([-1.0, 1.0])
    >>> round(float(apart @ fit.covariance_us2 @ apart) ** 0.5 * 1e3, 3)  # ns; of two alone 1.414
    0.447
    """
    m = delay_us.size
    design = np.stack([np.ones(m), np.arange(m)], axis=1)
    scale = np.sqrt(np.diag(covariance_us2))
    inverse = np.linalg.inv(covariance_us2 / np.outer(scale, scale)) / np.outer(scale, scale)
    normal = np.linalg.inv(design.T @ inverse @ design)
    front, apart = normal @ (design.T @ inverse @ (delay_us - delay_us[0]))
    rest = delay_us - delay_us[0] - design @ np.array([front, apart])
    birge = max(1.0, float(rest @ inverse @ rest) / (m - 2)) if m > 2 else 1.0
    to_faces = np.array([[1.0, 0.0], [1.0, 1.0]])
    return TrainFit(
        front_us=float(delay_us[0] + front),
        back_us=float(delay_us[0] + front + apart),
        covariance_us2=birge * to_faces @ normal @ to_faces.T,
    )
