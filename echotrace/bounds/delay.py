"""Least error with which the delay of an echo can be read, whatever reads it.

The echo is known but for its delay, its height and, if asked for, its phase. Above a threshold
the Cramér-Rao bound holds; below it whole lobes are mistaken for one another, which the Ziv-Zakai
bound of :mod:`echotrace.bounds.threshold` counts as well.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal, get_args

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from echotrace.bounds.sampled import sample_information
from echotrace.bounds.threshold import ziv_zakai_us
from echotrace.errors import ParameterError
from echotrace.signal.pulse import Pulse

__all__ = ["Phase", "delay_bound"]

Phase = Literal["unknown", "known"]
Float = NDArray[np.float64]

# Phases and fractions of a sample over which the bound is averaged: one converter sees them all.
_PHASES, _FRACTIONS = 8, 3


def delay_bound(
    pulse: Pulse,
    snr_db: ArrayLike,
    *,
    phase: Phase = "unknown",
    noise_spectrum: Callable[[Float], ArrayLike] | None = None,
    second_after_us: float | None = None,
    second_level_db: float = 0.0,
    full_scale: float = math.inf,
    bits: int = 0,
    search_us: float | None = None,
) -> Float:
    """Least standard deviation of an echo's delay, µs, its height not known.

    Parameters
    ----------
    pulse : Pulse
        The echo's shape, known.
    snr_db : array_like
        Peak of the echo's envelope over the standard deviation of the noise of one sample, dB.
    phase : {"unknown", "known"}
        Whether the carrier's phase is known: that of a reflection is not, so no length may rest
        on it.
    noise_spectrum : callable, optional
        Power density of the noise at frequencies in Hz, in any unit; None: white.
    second_after_us : float, optional
        Delay of a second echo of the same shape behind the first, µs, as of the two faces of a
        cornea. Its delay, height and phase are then to be found as well.
    second_level_db : float
        Its height against the first, dB.
    full_scale : float
        Magnitude at which samples clip, as a multiple of the echo's peak.
    bits : int
        Bits of the converter, which rounds to ``full_scale / 2**(bits - 1)``; 0: no rounding.
    search_us : float, optional
        Width of the window, µs, in which the echo is looked for without any other knowledge: the
        Ziv-Zakai bound is given instead, which holds at any signal to noise ratio.

    Returns
    -------
    ndarray of float64, shape of ``snr_db``
        µs; root mean square over phases and fractions of a sample. Infinite where nothing can be
        told.

    Raises
    ------
    ParameterError
        What does not go together, or is not possible.

    Notes
    -----
    Fisher information of delay, height and phase of a known pulse in Gaussian noise: Kay SM,
    Fundamentals of Statistical Signal Processing: Estimation Theory, ch. 3 (value from memory).
    For one echo in white noise it is Stein's form (Stein S 1981, IEEE Trans ASSP 29:588),
    ``1 / (2 pi F sqrt(2E/N0))`` with ``F`` the RMS bandwidth about the carrier where the phase is
    unknown, and ``sqrt(f0**2 + F**2)`` where it is known; ``2E/N0`` is
    ``10**(snr_db / 10) * pulse.energy / 2``. Coloured noise divides the spectra by its power
    density (the same chapter; the record is taken as long against the pulse). A rounded or
    clipped sample keeps the share of its information that
    :func:`~echotrace.bounds.sampled.sample_information` gives, the noise being white.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> (et.delay_bound(pulse, [20.0, 40.0]) * 1e3).round(3).tolist()  # ns
    [3.755, 0.375]
    >>> float(et.delay_bound(pulse, 40.0, phase="known").round(6))
    6.7e-05
    >>> float(et.delay_bound(pulse, -30.0, search_us=2.0).round(2))  # 2 / sqrt(12)
    0.58
    """
    levels = np.asarray(snr_db, np.float64)
    sampled = bits != 0 or math.isfinite(full_scale)
    _check(phase, levels, full_scale, bits, second_after_us)
    if search_us is not None:
        if sampled or noise_spectrum is not None or second_after_us is not None:
            raise ParameterError(
                "search_us: the threshold is worked out for one echo in white noise, neither "
                "rounded nor clipped"
            )
        return ziv_zakai_us(pulse, levels, search_us, phase_known=phase == "known")
    if sampled and noise_spectrum is not None:
        raise ParameterError("noise_spectrum: rounding and clipping are worked out in white noise")
    after = None if second_after_us is None else second_after_us * pulse.sampling_rate_hz * 1e-6
    second = 10.0 ** (second_level_db / 20.0)
    size = int(scipy.fft.next_fast_len(4 * pulse.analytic.size + math.ceil(after or 0.0)))
    weight = _weights(noise_spectrum, size, pulse.sampling_rate_hz)
    variance = np.zeros(levels.shape)
    draws = [
        (turn, fraction)
        for turn in 2.0 * np.pi * np.arange(_PHASES) / _PHASES
        for fraction in (np.arange(_FRACTIONS) / _FRACTIONS if sampled else (0.0,))
    ]
    for turn, fraction in draws:
        # Half of the turns for the second echo: its phase against the first goes round as well.
        places = [(fraction, 1.0, turn)]
        if after is not None:
            places.append((fraction + after, second, 2.0 * turn + 0.4))
        mean, slopes = _model(pulse, size, places, phase)
        for index in np.ndindex(levels.shape):
            noise = 10.0 ** (-float(levels[index]) / 20.0)
            if sampled:
                share = sample_information(mean, noise, full_scale=full_scale, bits=bits)
                information = (slopes * share) @ slopes.T / noise**2
            else:
                spectra = np.fft.fft(slopes, axis=1)
                information = np.real((spectra * weight) @ spectra.conj().T) / size / noise**2
            variance[index] += _first_variance(information)
    return np.asarray(np.sqrt(variance / len(draws)) * 1e6 / pulse.sampling_rate_hz)


def _check(
    phase: str, levels: Float, full_scale: float, bits: int, second_after_us: float | None
) -> None:
    if phase not in get_args(Phase):
        raise ParameterError(f"phase={phase!r}: use 'unknown' or 'known'")
    if not np.isfinite(levels).all():
        raise ParameterError("snr_db must be finite")
    if not full_scale > 0.0:
        raise ParameterError(f"full_scale={full_scale!r} must be above 0, in heights of the echo")
    if bits != 0 and (not 2 <= bits <= 16 or not math.isfinite(full_scale)):
        raise ParameterError(
            f"bits={bits!r} must be 2 to 16 with a finite full_scale, or 0 for no rounding"
        )
    if second_after_us is not None and not 0.0 < second_after_us < 1e3:
        raise ParameterError(f"second_after_us={second_after_us!r} must lie between 0 and 1000 µs")


def _weights(
    noise_spectrum: Callable[[Float], ArrayLike] | None, size: int, sampling_rate_hz: float
) -> Float:
    """One over the noise's power density at each frequency, its mean density being one."""
    if noise_spectrum is None:
        return np.ones(size)
    frequency_hz = np.abs(np.fft.fftfreq(size, 1.0 / sampling_rate_hz))
    density = np.broadcast_to(np.asarray(noise_spectrum(frequency_hz), np.float64), (size,))
    if not (np.isfinite(density).all() and (density > 0.0).all()):
        raise ParameterError(
            "noise_spectrum must be finite and above zero at all frequencies up to half of the "
            "sampling rate: where there is no noise, a delay is known exactly"
        )
    return np.asarray(density.mean() / density)


def _model(
    pulse: Pulse, size: int, places: list[tuple[float, float, float]], phase: str
) -> tuple[Float, Float]:
    """The echoes' sum, and its derivatives by each delay (per sample), height and phase."""
    padded = np.zeros(size, np.complex128)
    padded[: pulse.analytic.size] = pulse.analytic
    start = size // 4 - pulse.half_length
    spectrum = np.fft.fft(padded)
    omega = 2.0 * np.pi * np.fft.fftfreq(size)
    mean, slopes = np.zeros(size), []
    for sample, height, turn in places:
        moved = spectrum * np.exp(-1j * omega * (sample + start)) * np.exp(1j * turn)
        echo = np.fft.ifft(moved)
        mean = mean + height * echo.real
        slopes += [height * np.fft.ifft(-1j * omega * moved).real, echo.real]
        if phase == "unknown":
            slopes.append(-height * echo.imag)
    return mean, np.array(slopes)


def _first_variance(information: Float) -> float:
    """The bound of the first parameter, the others not known; infinite where it is not told."""
    scale = np.sqrt(np.diag(information))
    if not (scale > 0.0).all():
        return math.inf
    scaled = information / np.outer(scale, scale)
    # Two echoes in one place: no inverse, and nothing can be told of either.
    if np.linalg.cond(scaled) > 1e13:
        return math.inf
    return float(np.linalg.inv(scaled)[0, 0] / scale[0] ** 2)
