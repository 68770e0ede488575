"""Where the Cramér-Rao bound ends: whole lobes mistaken for one another, as Ziv and Zakai count."""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.signal.pulse import Pulse

__all__ = ["ziv_zakai_us"]

Float = NDArray[np.float64]

_STEPS = 6000
_FINER = 8


def ziv_zakai_us(
    pulse: Pulse, snr_db: Float, search_us: float, *, phase_known: bool = False
) -> Float:
    """Ziv-Zakai bound of the delay of one echo in white noise, µs.

    Parameters
    ----------
    pulse : Pulse
    snr_db : ndarray of float64
        Peak of the envelope over the standard deviation of the noise of one sample, dB.
    search_us : float
        Width of the window in which the echo is evenly likely to lie, µs.
    phase_known : bool

    Returns
    -------
    ndarray of float64, shape of ``snr_db``
        Least root mean square error, µs: at most ``search_us / sqrt(12)``, and the Cramér-Rao
        bound where that is far smaller than the pulse.

    Raises
    ------
    ParameterError
        A window not longer than the pulse is wide.

    Notes
    -----
    ``(1/T) int_0^T h V[(T - h) P(h)] dh`` bounds the mean square, ``P`` being the least
    probability of error between two echoes ``h`` apart and ``V`` the filling of valleys (Ziv J,
    Zakai M 1969, IEEE Trans IT 15:386; Bellini S, Tartara G 1974, IEEE Trans Commun 22:340;
    references from memory, the form also in Johnson DH, Statistical Signal Processing, OpenStax).
    With the phase known ``P = Q(sqrt(R (1 - rho(h)) / 2))``, ``R = 2E/N0``; with an even phase
    that of two correlated signals told apart by their envelopes (Proakis JG, Digital
    Communications; value from memory). Weinstein & Weiss 1984 (IEEE Trans ASSP 32:1064) tell the
    three regions it has.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.bounds.threshold import ziv_zakai_us
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> ziv_zakai_us(pulse, np.array([-40.0, 30.0]), 2.0).round(4).tolist()
    [0.5773, 0.0012]
    """
    if not pulse.width_us < search_us < 1e6:
        raise ParameterError(
            f"search_us={search_us!r} must lie above the pulse's width of {pulse.width_us:.3g} µs "
            "and below 1e6 µs"
        )
    reach = 3.0 * pulse.analytic.size * 1e6 / pulse.sampling_rate_hz
    errors = np.empty(snr_db.shape)
    for index in np.ndindex(snr_db.shape):
        ratio = 10.0 ** (float(snr_db[index]) / 10.0) * pulse.energy / 2.0
        finest = 0.02 / (2.0 * np.pi * pulse.centre_frequency_hz * 1e-6 * np.sqrt(1.0 + ratio))
        apart_us = np.unique(
            np.concatenate(
                [
                    np.geomspace(finest, search_us, _STEPS),
                    np.linspace(0.0, min(reach, search_us), _STEPS),
                    np.linspace(0.0, search_us, _STEPS // 4),
                ]
            )
        )
        error = _least_error(_correlation(pulse, apart_us), ratio, phase_known)
        # Valleys are filled from the far end: a larger shift is never the easier to bound.
        filled = np.maximum.accumulate(((search_us - apart_us) * error)[::-1])[::-1]
        errors[index] = np.sqrt(np.trapezoid(apart_us * filled, apart_us) / search_us)
    return errors


def _correlation(pulse: Pulse, apart_us: Float) -> NDArray[np.complex128]:
    """Complex autocorrelation of the pulse at any shift, one at zero."""
    size = int(scipy.fft.next_fast_len(4 * pulse.analytic.size))
    power = np.abs(np.fft.fft(pulse.analytic, size)) ** 2
    # Without its carrier the correlation is smooth, and a spline holds it between fine steps.
    carrier = round(pulse.centre_frequency_hz / pulse.sampling_rate_hz * size)
    centred = np.zeros(_FINER * size)
    centred[(np.arange(size) - size // 2) % centred.size] = np.roll(power, size // 2 - carrier)
    smooth = np.fft.ifft(centred)[: centred.size // 2] * (centred.size / power.sum())
    step_us = 1e6 / (_FINER * pulse.sampling_rate_hz)
    spline = scipy.interpolate.CubicSpline(step_us * np.arange(smooth.size), smooth)
    out = np.zeros(apart_us.size, np.complex128)
    # Beyond the pulse the periodic sum would come round again.
    near = apart_us < 0.5 * size * 1e6 / pulse.sampling_rate_hz
    turn = 2e-6j * np.pi * carrier / size * pulse.sampling_rate_hz
    out[near] = spline(apart_us[near]) * np.exp(turn * apart_us[near])
    return out


def _least_error(correlation: NDArray[np.complex128], ratio: float, phase_known: bool) -> Float:
    """Probability of taking one of two echoes for the other, by the best test there is."""
    if phase_known:
        apart = np.maximum(1.0 - correlation.real, 0.0)
        return np.asarray(scipy.special.ndtr(-np.sqrt(0.5 * ratio * apart)))
    rest = np.sqrt(np.maximum(1.0 - np.abs(correlation) ** 2, 0.0))
    a2, b2 = 0.25 * ratio * (1.0 - rest), 0.25 * ratio * (1.0 + rest)
    # Marcum's Q of order one is the upper tail of a non-central chi-squared with two degrees.
    marcum = 1.0 - scipy.special.chndtr(b2, 2.0, a2)
    product = np.sqrt(a2 * b2)
    middle = np.exp(product - 0.5 * (a2 + b2)) * scipy.special.ive(0, product)
    return np.clip(np.nan_to_num(marcum - 0.5 * middle), 0.0, 0.5)
