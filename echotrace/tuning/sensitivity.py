"""Which settings matter: Sobol's indices of the loss."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.errors import ParameterError
from echotrace.tuning.sweep import Tuning

__all__ = ["Sensitivity", "sensitivity_of"]

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivity:
    """First and total order indices.

    Attributes
    ----------
    keys : tuple of str
        Of the factors.
    first, total : ndarray of float64, (n_factors,)
        Share of the loss's variance that a factor explains alone, and with all others.
    first_low, first_high, total_low, total_high : ndarray of float64, (n_factors,)
        95 % bootstrap intervals.

    Examples
    --------
    >>> from echotrace.tuning.sensitivity import Sensitivity
    >>> Sensitivity.__slots__[0]
    'keys'
    """

    keys: tuple[str, ...]
    first: Float
    total: Float
    first_low: Float
    first_high: Float
    total_low: Float
    total_high: Float


def sensitivity_of(tuning: Tuning) -> Sensitivity:
    """Sobol's indices from a sweep whose design was made for them.

    Parameters
    ----------
    tuning : Tuning
        Of the design ``sensitivity``.

    Returns
    -------
    Sensitivity

    Raises
    ------
    ParameterError
        Another design, a loss that never changes, or settings that are not possible.

    Notes
    -----
    ``scipy.stats.sobol_indices`` (Saltelli et al. 2010, Comput Phys Commun 181:259; value from
    memory) on the losses of Saltelli's matrices.

    Examples
    --------
    >>> sensitivity_of(tuning).keys  # of `et.tune` by the design "sensitivity"
    ('envelope.bandwidth', 'picking.search_threshold_db')
    """
    from scipy.stats import sobol_indices

    if tuning.design != "sensitivity":
        raise ParameterError("indices need a sweep of the design 'sensitivity'")
    d = len(tuning.keys)
    losses = np.array([trial.loss_mm for trial in tuning.trials[1:]])
    if not np.isfinite(losses).all():
        raise ParameterError("some settings are not possible; narrow the ranges of the factors")
    n = losses.size // (d + 2)
    if n < 4 or np.ptp(losses) == 0.0:
        raise ParameterError("the loss hardly changes, or there are too few settings for indices")
    f_a, f_b, f_ab = losses[None, :n], losses[None, n : 2 * n], losses[2 * n :].reshape(d, 1, n)
    found = sobol_indices(func={"f_A": f_a, "f_B": f_b, "f_AB": f_ab}, n=n)
    with warnings.catch_warnings():
        # A factor that changes nothing has no scatter to draw an interval from.
        warnings.simplefilter("ignore")
        limits = found.bootstrap(confidence_level=0.95, n_resamples=999)
    return Sensitivity(
        keys=tuning.keys,
        first=np.ravel(found.first_order),
        total=np.ravel(found.total_order),
        first_low=_or(limits.first_order.confidence_interval.low, found.first_order),
        first_high=_or(limits.first_order.confidence_interval.high, found.first_order),
        total_low=_or(limits.total_order.confidence_interval.low, found.total_order),
        total_high=_or(limits.total_order.confidence_interval.high, found.total_order),
    )


def _or(limit: ArrayLike, value: ArrayLike) -> Float:
    """A limit, or the value where there is none."""
    return np.where(np.isfinite(np.ravel(limit)), np.ravel(limit), np.ravel(value))
