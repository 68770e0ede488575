"""Picker by a least-squares fit of the pulse, jointly with a second echo close by."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.signal.pickers.peaks import read_matched_filter
from echotrace.signal.pickers.windows import (
    EchoWindows,
    PickerSettings,
    PickReason,
    Picks,
    cubic,
    interpolate,
)

__all__ = ["read_least_squares"]

Float = NDArray[np.float64]


@lru_cache(maxsize=32)
def _autocorrelation(pulse_key: bytes, pulse_size: int) -> tuple[NDArray[np.complex128], int]:
    """Matched output of the pulse to itself, on a four times finer grid, and that four."""
    analytic = np.frombuffer(pulse_key, np.complex128)
    fine = 4
    size = 4 * pulse_size
    spectrum = np.abs(np.fft.fft(analytic, size)) ** 2
    padded = np.zeros(size * fine, np.complex128)
    padded[: size // 2] = spectrum[: size // 2]
    padded[-(size // 2) :] = spectrum[-(size // 2) :]
    correlation = np.fft.fftshift(np.fft.ifft(padded))
    return correlation / correlation[correlation.size // 2], fine


def read_least_squares(windows: EchoWindows, settings: PickerSettings) -> Picks:
    """Fit of the pulse, jointly with a second echo close by where there is one.

    The residual of a least-squares fit of echoes of free phase and amplitude depends on their
    delays only through the matched output z there: J = z^H G^-1 z with the pulse's
    autocorrelation G (variable projection). With one echo that is the matched filter.

    Parameters
    ----------
    windows : EchoWindows
    settings : PickerSettings

    Returns
    -------
    Picks
        Before calibration: what the picker itself measures.

    Raises
    ------
    ParameterError
        The windows were cut from envelopes.

    Notes
    -----
    Golub GH, Pereyra V 1973, SIAM J Numer Anal 10:413 (variable projection; value from memory). The
    stated uncertainty is the Cramér-Rao bound of both delays with free heights and phases (Kay SM,
    Estimation Theory, ch. 3), from the curvature of J.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.recording import Signal
    >>> from echotrace.signal.conditioning import condition
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> rf = np.pad(pulse.analytic.real, 300)[None]
    >>> traces = condition(rf, rf > 2.0, signal=Signal.RF, sampling_rate_hz=100e6,
    ...                    start_delay_us=0.0, pulse=pulse)
    >>> from echotrace.signal.pickers.windows import PickerSettings, gather_windows
    >>> windows = gather_windows(traces, np.array([0]), np.array([329]))
    >>> from echotrace.signal.pickers.overlap import read_least_squares
    >>> read_least_squares(windows, PickerSettings()).sample.round(1).tolist()
    [329.0]
    """
    if windows.matched is None:
        raise ParameterError("picker 'least_squares' needs RF; this recording holds envelopes")
    single = read_matched_filter(windows, settings)
    found = single.reason == PickReason.FOUND
    if not found.any():
        return single
    omega = 2.0 * np.pi * windows.pulse.centre_frequency_hz / windows.pulse.sampling_rate_hz
    w = windows.matched.shape[1]
    base = windows.matched * np.exp(-1j * omega * np.arange(w))
    correlation, fine = _autocorrelation(
        windows.pulse.analytic.tobytes(), windows.pulse.analytic.size
    )
    middle = correlation.size // 2
    lag = np.arange(correlation.size) - middle
    smooth = correlation * np.exp(-1j * omega * lag / fine)

    def rho(delta: NDArray[np.floating]) -> NDArray[np.complex128]:
        position = np.clip(middle + delta * fine, 1.0, correlation.size - 3.0)
        k = np.floor(position).astype(np.intp)
        weights = cubic(position - k)
        return np.asarray(sum(weight * smooth[k + d - 1] for d, weight in enumerate(weights)))

    def energy(t1: Float, t2: Float) -> Float:
        z1 = interpolate(base, t1) * np.exp(1j * omega * t1)
        z2 = interpolate(base, t2) * np.exp(1j * omega * t2)
        # G_12 = R(t1 - t2): matched output at t1 of a unit echo at t2.
        g = rho(t1 - t2) * np.exp(1j * omega * (t1 - t2))
        det = np.maximum(1.0 - np.abs(g) ** 2, 1e-9)
        cross = np.real(np.conj(z1) * g * z2)
        return np.asarray((np.abs(z1) ** 2 + np.abs(z2) ** 2 - 2.0 * cross) / det)

    t1 = np.where(found, single.sample - windows.first_sample, windows.at)
    # Take the first echo out and look for what is left close by.
    z1 = interpolate(base, t1) * np.exp(1j * omega * t1)
    columns = np.arange(w)
    away = np.asarray(columns[None, :] - t1[:, None], np.float64)
    model = rho(away) * np.exp(1j * omega * away)
    rest = np.abs(windows.matched - z1[:, None] * model)
    reach = 2.5 * windows.pulse.width_us / windows.step_us
    near = np.abs(away) <= reach
    t2 = np.argmax(np.where(near, rest, 0.0), axis=1).astype(np.float64)
    left = np.max(np.where(near, rest, 0.0), axis=1)
    # What distortion leaves behind grows with the echo: a sixth of it is no second one yet.
    double = found & (left > np.abs(z1) / 6.0)
    double &= left > windows.matched_noise * 10.0 ** (settings.overlap_threshold_db / 20.0)
    if not double.any():
        return single
    # Newton's method on J from the two starting delays, with differences for derivatives.
    h = 0.25
    best = energy(t1, t2)
    hessian = np.zeros((windows.n, 2, 2))
    damping = np.full(windows.n, 1e-3)
    for _ in range(40):
        f0 = energy(t1, t2)
        fp, fm = energy(t1 + h, t2), energy(t1 - h, t2)
        gp, gm = energy(t1, t2 + h), energy(t1, t2 - h)
        pp, mm = energy(t1 + h, t2 + h), energy(t1 - h, t2 - h)
        pm, mp = energy(t1 + h, t2 - h), energy(t1 - h, t2 + h)
        gradient = np.stack([(fp - fm), (gp - gm)], axis=1) / (2 * h)
        hessian[:, 0, 0] = (fp - 2 * f0 + fm) / h**2
        hessian[:, 1, 1] = (gp - 2 * f0 + gm) / h**2
        hessian[:, 0, 1] = hessian[:, 1, 0] = (pp + mm - pm - mp) / (4 * h**2)
        # Levenberg: make the curvature safely negative before stepping.
        values, vectors = np.linalg.eigh(-hessian)
        values = np.maximum(np.abs(values), 1e-12) * (1.0 + damping[:, None])
        projected = np.einsum("nij,ni->nj", vectors, gradient) / values
        step = np.clip(np.einsum("nij,nj->ni", vectors, projected), -2.0, 2.0)
        n1, n2 = t1 + step[:, 0], t2 + step[:, 1]
        new = energy(n1, n2)
        better = new > best
        t1, t2 = np.where(better, n1, t1), np.where(better, n2, t2)
        best = np.where(better, new, best)
        damping = np.where(better, damping * 0.3, np.minimum(damping * 10.0, 1e6))
    # ln L = J / (2 sigma_q^2): its curvature is the information.
    information = -hessian / (2.0 * windows.matched_noise[:, None, None] ** 2)
    determinant = information[:, 0, 0] * information[:, 1, 1] - information[:, 0, 1] ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = information[:, 1, 1] / determinant
    usable = double & (variance > 0.0) & (np.abs(t1 - windows.at) <= reach)
    sample = np.where(usable, windows.first_sample + t1, single.sample)
    u_sample = np.where(usable, np.sqrt(np.abs(variance)), single.u_sample)
    return Picks(sample, u_sample, single.reason)
