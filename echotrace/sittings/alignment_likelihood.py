"""How likely the features of one trace are at every pose of the grid.

The model. A trace gives up to eight features ``y``: levels of the interfaces and of the orbit in
dB over the noise, and the logarithm of the retina's rise. For tilt, decentration and the angle
between them, ``θ``,

    y = μ(θ) + D(θ) (b + e) + H n

with tables ``μ`` and scales ``D`` from wide draws of the synthesis (they grow with the predicted
loss), ``b`` what the eye adds to all its scans (radii, attenuation, cataract, the lens's tilt),
``e`` what one pose adds (Student's t, for eyes and picks are wilder than normal), and ``n`` what
is not known at all: the gain; the slope of the time gain where the receiver is not described; the
height of an implant's faces; what silicone oil takes away. Echoes that are missing or clipped
enter as "below the search threshold" and "at least as tall as every unclipped echo".
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.sittings.alignment_prior import grid
from echotrace.sittings.alignment_tables import (
    AZIMUTH_NODES_DEG,
    DECENTRATION_NODES_MM,
    FEATURES,
    LEVELS,
    PROBE_NODES_MHZ_MM,
    RISE,
    TILT_NODES_DEG,
    AlignmentTables,
)

__all__ = ["ExpectedFeatures", "Likelihood", "expected_features", "unknowns"]

Float64 = NDArray[np.float64]


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

_T_DEGREES = 5.0

_INFLATION = 1.15


@dataclass(frozen=True, slots=True, eq=False)
class ExpectedFeatures:
    """Features expected at the points of the grid, and the scale of their scatter.

    Attributes
    ----------
    mean : ndarray of float64, (n_points, n_features)
        dB over the noise, and the logarithm of the retina's rise.
    scale : ndarray of float64, (n_points, n_features)
        Of the scatter, in the same units.

    Examples
    --------
    >>> from echotrace.sittings.alignment_likelihood import expected_features
    >>> from echotrace.sittings.alignment_tables import shipped_tables
    >>> expected = expected_features(shipped_tables(), 1, 50.0)
    >>> expected.mean.shape == expected.scale.shape
    True
    """

    mean: Float64
    scale: Float64


@functools.lru_cache(maxsize=32)
def expected_features(
    tables: AlignmentTables, method: int, probe_mhz_mm: float
) -> ExpectedFeatures:
    """Interpolate the tables at every pose of the grid.

    Parameters
    ----------
    tables : AlignmentTables
    method : int
        Position in ``METHODS``.
    probe_mhz_mm : float
        Centre frequency times aperture.

    Returns
    -------
    ExpectedFeatures
        At the points of :func:`echotrace.sittings.alignment_prior.grid`.

    Examples
    --------
    >>> from echotrace.sittings.alignment_likelihood import expected_features
    >>> from echotrace.sittings.alignment_tables import shipped_tables
    >>> expected = expected_features(shipped_tables(), 1, 50.0)
    >>> bool((expected.mean[0, :7] > 0.0).all())
    True
    """
    points, _ = grid()
    axes = (TILT_NODES_DEG, DECENTRATION_NODES_MM, AZIMUTH_NODES_DEG, PROBE_NODES_MHZ_MM)
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
    return ExpectedFeatures(mean=mean, scale=scale)


def unknowns(state: str, vitreous: str, delay_us: Float64, receiver_known: bool) -> Float64:
    """Columns ``H`` times the standard deviation of each unknown; (n_features, n_unknowns).

    Parameters
    ----------
    state : {"phakic", "aphakic", "pseudophakic"}
    vitreous : str
        ``natural``, or an oil.
    delay_us : ndarray of float64, (n_features,)
        Where each feature lies, µs.
    receiver_known : bool
        Whether the time gain is described.

    Returns
    -------
    ndarray of float64, (n_features, n_unknowns)
        Gain first; dB.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.sittings.alignment_likelihood import unknowns
    >>> unknowns("phakic", "natural", np.zeros(8), True).shape
    (8, 1)
    """
    levels = np.arange(len(FEATURES)) < LEVELS
    behind = np.array([name in ("retina", "sclera", "orbit") for name in FEATURES])
    columns = [_GAIN_DB * levels]
    if not receiver_known:
        columns.append(_SLOPE_DB * levels * delay_us / 20.0)
    if state == "pseudophakic":
        columns.append(_IMPLANT_DB * np.array([name.startswith("lens") for name in FEATURES]))
    spread = _BEHIND_DB[state]
    if vitreous != "natural":
        spread = math.hypot(spread, _OIL_DB)
    if spread:
        columns.append(spread * behind)
    return np.column_stack(columns).astype(np.float64)


class Likelihood:
    """Of one trace, at every point of the grid, given what the eye adds.

    Parameters
    ----------
    expected : ExpectedFeatures
    offset : ndarray of float64, (n_features,)
        Added to the expected features for the eye's state.
    features : tuple of ndarray
        Height, and what it lies below and above, of one trace; each (n_features,).
    unknown : ndarray of float64, (n_features, n_unknowns)
        Of :func:`unknowns`.
    covariance : ndarray of float64, (n_features, n_features)
        Of the standardised scatter.
    """

    def __init__(
        self,
        expected: ExpectedFeatures,
        offset: Float64,
        features: tuple[Float64, Float64, Float64],
        unknown: Float64,
        covariance: Float64,
    ) -> None:
        height, below, above = features
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
        noise[RISE] = 3.0 * 10.0 ** (-level[FEATURES.index("retina")] / 20.0)
        noise = np.minimum(noise, 8.0)
        whole = covariance + np.einsum("gik,gjk->gij", column, column)
        d = np.arange(len(FEATURES))
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
        """Logarithm of the likelihood; ``b`` (m, n_features) gives (m, n_points).

        Parameters
        ----------
        b : ndarray of float64, (m, n_features)
            What the eye adds, in units of the scatter's scale; m draws of it.

        Returns
        -------
        ndarray of float32, (m, n_points)
            Natural logarithm, but for a constant.
        """
        if self.empty:
            return np.zeros((b.shape[0], self._log_norm.size), np.float32)
        k = self.seen.size
        part = b[:, self.seen]
        square = (part[:, :, None] * part[:, None, :]).reshape(-1, k * k)
        terms = np.concatenate([part, square], axis=1).astype(np.float32)
        # Student's t whose covariance is that of the tables: its scale is smaller.
        q = np.maximum(terms @ self._rest + self._base, 0.0) / np.float32(_T_DEGREES - 2.0)
        value = self._log_norm.astype(np.float32) - np.float32(0.5 * (_T_DEGREES + k)) * np.log1p(q)
        for c, sign, start, towards, sd, otherwise in self.bounds:
            z = (start + part @ towards.T - b[:, c : c + 1]) / sd
            share = scipy.special.ndtr(sign * z / 1.3)
            value = value + np.log((1.0 - otherwise) * share + otherwise)
        return np.asarray(value, np.float32)
