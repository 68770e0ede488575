"""The time gain of a receiver that is not described, seen in the noise of its traces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.errors import ParameterError
from echotrace.recording import Receiver

__all__ = ["TgcEstimate", "estimate_tgc_from_noise"]


@dataclass(frozen=True, slots=True)
class TgcEstimate:
    """Relative time gain seen in the noise.

    Attributes
    ----------
    delay_us : ndarray of float64, (n_bins,)
        Centres of the echo-free bins, µs.
    gain_db : ndarray of float64, (n_bins,)
        Gain relative to the first of them, dB.
    gain_u_db : ndarray of float64, (n_bins,)
        Standard uncertainty of ``gain_db``, dB, from the number of independent noise samples.
    echo_free_fraction : float
        Share of the trace that the bins cover.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.tgc_from_noise import TgcEstimate
    >>> delay_us, gain_db, gain_u_db = np.array([[1.0, 9.0], [0.0, 12.0], [0.0, 0.1]])
    >>> estimate = TgcEstimate(delay_us, gain_db, gain_u_db, 0.8)
    >>> estimate.to_receiver().tgc_gain_db == (0.0, 12.0)
    True
    """

    delay_us: NDArray[np.float64]
    gain_db: NDArray[np.float64]
    gain_u_db: NDArray[np.float64]
    echo_free_fraction: float

    def to_receiver(self) -> Receiver:
        """A receiver description holding the estimated curve.

        Returns
        -------
        Receiver
            With the nodes of the curve, and defaults for the rest.
        """
        return Receiver(tgc_delay_us=tuple(self.delay_us), tgc_gain_db=tuple(self.gain_db))


def estimate_tgc_from_noise(
    rf: NDArray[np.generic],
    delay_us: ArrayLike,
    *,
    bin_us: float = 1.0,
    exclude_us: Sequence[tuple[float, float]] = (),
    min_echo_free_fraction: float = 0.3,
) -> TgcEstimate:
    """Estimate the relative time gain from the receiver noise of many traces.

    Noise enters before the amplifier, so its RMS against delay is the gain curve. Each bin of
    delay collects the samples of all traces; a bin is echo free when its samples are normally
    distributed, which is told from the ratio of their mean square to their squared median
    magnitude (echoes are sparse and raise the mean only).

    Parameters
    ----------
    rf : ndarray, (n_traces, n_samples)
        RF samples as received, gain of the traces equal.
    delay_us : array_like, (n_samples,)
        Delay of each sample, µs.
    bin_us : float
        Width of the bins, µs.
    exclude_us : sequence of (start, stop)
        Windows to leave out, µs: speckle behind the wall of the eye is noise-like and cannot be
        told from noise by its distribution.
    min_echo_free_fraction : float
        Share of the trace that must be echo free.

    Returns
    -------
    TgcEstimate

    Raises
    ------
    ParameterError
        Too little of the trace is free of echoes for a curve.

    Notes
    -----
    For normal noise the median magnitude is 0.6745 standard deviations. The standard uncertainty
    of the RMS of ``n`` independent normal samples is 1/sqrt(2 n) of it; correlation between
    neighbouring samples is taken into account through the noise's measured autocorrelation.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.tgc_from_noise import estimate_tgc_from_noise
    >>> delay_us = np.arange(1000) * 0.01
    >>> noise = np.random.default_rng(1).standard_normal((40, 1000)) * 10 ** (delay_us / 20)
    >>> estimate = estimate_tgc_from_noise(noise, delay_us)
    >>> [round(float(estimate.gain_db[k]), 1) for k in (0, -1)]  # 1 dB per µs, nine bins apart
    [0.0, 9.2]
    """
    samples = np.asarray(rf)
    if samples.ndim != 2:
        raise ParameterError(f"rf must be (n_traces, n_samples), got shape {samples.shape}")
    delay = np.asarray(delay_us, np.float64)
    if delay.shape != (samples.shape[1],):
        raise ParameterError(f"delay_us has {delay.size} values for {samples.shape[1]} samples")
    step_us = float(delay[1] - delay[0])
    width = max(8, round(bin_us / step_us))
    n_bins = samples.shape[1] // width
    blocks = samples[:, : n_bins * width].reshape(samples.shape[0], n_bins, width)
    blocks = np.asarray(np.moveaxis(blocks, 1, 0).reshape(n_bins, -1), np.float64)
    centre = delay[: n_bins * width].reshape(n_bins, width).mean(axis=1)

    blocks = blocks - np.median(blocks, axis=1, keepdims=True)
    mean_square = np.mean(blocks**2, axis=1)
    robust_square = (np.median(np.abs(blocks), axis=1) / 0.674490) ** 2
    # The ratio of the two variance estimates scatters by about 1.7/sqrt(n) about one for normal
    # samples (asymptotic variance of the median magnitude against that of the mean square).
    ratio = mean_square / np.maximum(robust_square, np.finfo(np.float64).tiny)
    most_normal = np.argsort(np.abs(ratio - 1.0))[: max(1, n_bins // 2)]
    n_effective = blocks.shape[1] / _correlation_length(blocks[most_normal].reshape(-1, width))
    echo_free = np.abs(ratio - 1.0) < 4.0 * 1.7 / np.sqrt(n_effective) + 0.02
    echo_free &= robust_square > 0.0
    for start_us, stop_us in exclude_us:
        echo_free &= (centre < start_us) | (centre > stop_us)
    fraction = float(echo_free.mean())
    if fraction < min_echo_free_fraction or echo_free.sum() < 3:
        raise ParameterError(
            f"only {100 * fraction:.0f} % of the trace is free of echoes, "
            f"{100 * min_echo_free_fraction:.0f} % are needed to see the time gain in the noise; "
            "record longer traces, more of them, or describe the receiver"
        )
    gain_db = 10.0 * np.log10(mean_square[echo_free])
    u_db = (20.0 / np.log(10.0)) / np.sqrt(2.0 * n_effective)
    relative_u_db = np.full(gain_db.size, u_db * np.sqrt(2.0))
    relative_u_db[0] = 0.0
    return TgcEstimate(centre[echo_free], gain_db - gain_db[0], relative_u_db, fraction)


def _correlation_length(rows: NDArray[np.float64]) -> float:
    """Samples per independent sample of noise, from its squared autocorrelation."""
    variance = float(np.mean(rows**2))
    if variance == 0.0:
        return 1.0
    total = 1.0
    for lag in range(1, min(rows.shape[1] // 2, 32)):
        rho = float(np.mean(rows[:, lag:] * rows[:, :-lag])) / variance
        total += 2.0 * rho**2
    return total
