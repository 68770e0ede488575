"""How a measurement did against the truth: by interface, and one number for each eye."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.measurement import Measurement
from echotrace.recording import Truth

__all__ = ["CAP_MM", "InterfaceScore", "eye_losses", "interface_scores", "length_quantiles_mm"]

Float = NDArray[np.float64]

CAP_MM = 0.5
"""A length that is missing, or wrong by more, counts as wrong by so much."""
_SAME_ECHO_US = 0.3
"""A pick further from its echo than two widths of the pulse is of something else."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InterfaceScore:
    """One interface.

    Attributes
    ----------
    interface : str
    n : int
        Traces in which it has an echo.
    missed, wrong : float
        Share with no pick, and with a pick of something else, of all traces.
    bias_us, sd_us, rmse_us : float
        Of the picks that are right, µs.
    bound_ratio : float
        Spread within eyes over the least there can be, as the matched filter states it for the
        same echoes; NaN where that is not given.
    stated_ratio : float
        Stated standard uncertainty over that spread.

    Examples
    --------
    >>> from echotrace.tuning.scoring import InterfaceScore
    >>> sorted(InterfaceScore.__slots__)[:2]
    ['bias_us', 'bound_ratio']
    """

    interface: str
    n: int
    missed: float
    wrong: float
    bias_us: float
    sd_us: float
    rmse_us: float
    bound_ratio: float
    stated_ratio: float


def interface_scores(
    result: Measurement, truth: Truth, bound_us: dict[str, Float] | None = None
) -> list[InterfaceScore]:
    """Score every interface that the truth knows.

    Parameters
    ----------
    result : Measurement
    truth : Truth
        Of the same traces.
    bound_us : dict of str to ndarray, optional
        Least standard deviation of each interface's pick in each trace, µs.

    Returns
    -------
    list of InterfaceScore

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.tuning.scoring import interface_scores
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> scores = interface_scores(et.measure(recording), recording.truth)
    >>> scores[0].interface, scores[0].missed
    ('cornea_front', 0.0)
    """
    eyes = truth.columns.get("eye_number", np.zeros(result.n_traces))
    found = []
    for k, name in enumerate(result.interfaces):
        if name not in truth.interfaces:
            continue
        true_us = truth.delay_us[:, truth.interfaces.index(name)]
        there = np.isfinite(true_us)
        if not there.any():
            continue
        # The first of two faces that are one echo apart must not be taken for the other.
        error = result.delay_us[:, k] - true_us
        picked = there & np.isfinite(error)
        right = picked & (np.abs(error) <= _SAME_ECHO_US)
        e = error[right]
        within = _within(e, eyes[right])
        stated = _rms(result.delay_u_us[right, k])
        least = np.nan if bound_us is None or name not in bound_us else _rms(bound_us[name][right])
        found.append(
            InterfaceScore(
                interface=name,
                n=int(there.sum()),
                missed=float(np.mean(~picked[there])),
                wrong=float(np.mean((picked & ~right)[there])),
                bias_us=float(e.mean()) if e.size else np.nan,
                sd_us=float(e.std()) if e.size else np.nan,
                rmse_us=_rms(e),
                bound_ratio=within / least if least > 0.0 else np.nan,
                stated_ratio=stated / within if within > 0.0 else np.nan,
            )
        )
    return found


def _rms(values: Float) -> float:
    values = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(values**2))) if values.size else np.nan


def _within(values: Float, eyes: Float) -> float:
    """Standard deviation within eyes."""
    squares, df = 0.0, 0
    for eye in np.unique(eyes):
        own = values[eyes == eye]
        squares += float(np.sum((own - own.mean()) ** 2)) if own.size else 0.0
        df += max(own.size - 1, 0)
    return float(np.sqrt(squares / df)) if df else np.nan


def _length_error_mm(result: Measurement, truth: Truth) -> Float:
    true_mm = truth.columns.get("beam_length_mm", truth.columns.get("axial_length_mm"))
    if true_mm is None:
        raise ParameterError("truth: has no beam_length_mm, so lengths cannot be judged")
    return np.asarray(result.axial_length_mm - true_mm, np.float64)


def eye_losses(result: Measurement, truth: Truth) -> dict[int, float]:
    """Mean of the length errors' magnitudes of each eye, mm, none counted above the cap.

    Parameters
    ----------
    result : Measurement
    truth : Truth

    Returns
    -------
    dict of int to float
        By number of the eye.

    Raises
    ------
    ParameterError
        The truth has no length.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.tuning.scoring import eye_losses
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> losses = eye_losses(et.measure(recording), recording.truth)
    >>> len(losses), bool(max(losses.values()) < 0.1)
    (1, True)
    """
    error = np.abs(_length_error_mm(result, truth))
    capped = np.minimum(np.nan_to_num(error, nan=CAP_MM), CAP_MM)
    eyes = truth.columns.get("eye_number", np.zeros(result.n_traces))
    return {int(eye): float(capped[eyes == eye].mean()) for eye in np.unique(eyes)}


def length_quantiles_mm(result: Measurement, truth: Truth) -> dict[str, float]:
    """Quantiles of the length error's magnitude, and the share of lengths that are missing.

    Parameters
    ----------
    result : Measurement
    truth : Truth

    Returns
    -------
    dict of str to float
        ``length_q50_mm``, ``length_q90_mm``, ``length_q99_mm``, ``length_missing``.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.tuning.scoring import length_quantiles_mm
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> length_quantiles_mm(et.measure(recording), recording.truth)["length_missing"]
    0.0
    """
    error = np.abs(_length_error_mm(result, truth))
    there = error[np.isfinite(error)]
    values = np.quantile(there, [0.5, 0.9, 0.99]) if there.size else [np.nan] * 3
    named = dict(zip(("length_q50_mm", "length_q90_mm", "length_q99_mm"), values, strict=True))
    return {k: float(v) for k, v in named.items()} | {
        "length_missing": float(np.mean(~np.isfinite(error)))
    }
