"""The transmitted pulse and the field of a focused disc.

Conventions of the whole package: lengths in mm, delays in µs, frequencies in Hz in arguments.
Transfer functions hold for a time factor ``exp(+i omega t)``, so that a delay is a falling phase.
A pressure is normalised to ``rho c u0``, the pressure of the plane wave in front of the disc, and
an echo to the one a perfect plane reflector just in front of the disc would give.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from echotrace.media import MEDIA
from echotrace.recording import Probe

__all__ = [
    "REFERENCE_SPEED_MM_PER_US",
    "Band",
    "LommelTable",
    "disc_pressure",
    "lommel_table",
    "parallel_plane_response",
    "pulse",
    "pulse_band",
    "pulse_spectrum",
]

REFERENCE_SPEED_MM_PER_US = MEDIA["water"].speed_m_per_s * 1e-3
"""Speed in the water in which the focus of a probe is stated, mm/µs."""

# The pulse spectrum is cut where its amplitude has fallen to exp(-_BAND_SIGMAS**2 / 2), -47 dB.
_BAND_SIGMAS = 3.3


def _sigma_hz(probe: Probe) -> float:
    """Standard deviation of the Gaussian pulse-echo spectrum, Hz."""
    half_width_hz = 0.5 * probe.fractional_bandwidth * probe.centre_frequency_hz
    # Half amplitude (-6.02 dB) lies sqrt(2 ln 2) standard deviations from the centre.
    return half_width_hz / math.sqrt(2.0 * math.log(2.0))


def pulse_spectrum(probe: Probe, frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Pulse-echo amplitude spectrum, 1 at the centre frequency: a Gaussian.

    Parameters
    ----------
    probe : Probe
        Its ``fractional_bandwidth`` is the -6 dB width of this spectrum over the centre.
    frequency_hz : array_like
    """
    offset = np.asarray(frequency_hz, np.float64) - probe.centre_frequency_hz
    return np.asarray(np.exp(-0.5 * (offset / _sigma_hz(probe)) ** 2))


def pulse(probe: Probe, delay_us: ArrayLike) -> NDArray[np.float64]:
    """Pulse-echo pulse of unit peak, centred at delay zero.

    Parameters
    ----------
    probe : Probe
    delay_us : array_like
    """
    t_s = np.asarray(delay_us, np.float64) * 1e-6
    envelope = np.exp(-0.5 * (2.0 * math.pi * _sigma_hz(probe) * t_s) ** 2)
    return np.asarray(envelope * np.cos(2.0 * math.pi * probe.centre_frequency_hz * t_s))


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """The frequencies at which echoes are computed.

    Attributes
    ----------
    frequency_hz : ndarray of float64, (n_frequencies,)
        Multiples of ``1 / window_us``.
    spectrum : ndarray of float64, (n_frequencies,)
        Pulse-echo spectrum, scaled so that the sum of ``spectrum * cos(omega t)`` is a pulse of
        unit peak.
    window_us : float
        Length of the stretch that an echo computed from this band can fill without folding.
    """

    frequency_hz: NDArray[np.float64]
    spectrum: NDArray[np.float64]
    window_us: float

    @property
    def wavenumber_per_mm(self) -> NDArray[np.float64]:
        """Wavenumbers in the reference water, 1/mm."""
        return np.asarray(
            2.0 * math.pi * self.frequency_hz * 1e-6 / REFERENCE_SPEED_MM_PER_US, np.float64
        )

    def waveform(
        self, response: NDArray[np.complex128], delay_us: ArrayLike
    ) -> NDArray[np.float64]:
        """Echo of a transfer function at some delays relative to the one it is referred to.

        Delays beyond half the window repeat periodically: do not ask for them.
        """
        omega = 2.0 * math.pi * self.frequency_hz * 1e-6
        turn = np.exp(1j * np.multiply.outer(np.asarray(delay_us, np.float64), omega))
        return np.asarray((turn @ (response * self.spectrum)).real, np.float64)


def pulse_band(probe: Probe, window_us: float = 3.6) -> Band:
    """Frequencies that hold the pulse, spaced so that an echo may last ``window_us``."""
    step_hz = 1e6 / window_us
    reach_hz = _BAND_SIGMAS * _sigma_hz(probe)
    first = max(1, math.ceil((probe.centre_frequency_hz - reach_hz) / step_hz))
    last = math.floor((probe.centre_frequency_hz + reach_hz) / step_hz)
    frequency_hz = np.arange(first, last + 1, dtype=np.float64) * step_hz
    spectrum = pulse_spectrum(probe, frequency_hz)
    return Band(frequency_hz, spectrum / spectrum.sum(), window_us)


@dataclass(frozen=True, slots=True, eq=False)
class LommelTable:
    """Table of the Lommel integral for interpolation in the kernels.

    Attributes
    ----------
    values : ndarray of float32, (n_u, n_v, 2)
        ``exp(-i u / 4)`` times the integral over s from 0 to 1 of
        ``exp(i u s^2 / 2) J0(v s) s``; real and imaginary part. The first column is at
        ``v = -step_v``, which the cubic interpolation needs.
    u_min, step_u, step_v : float
    """

    values: NDArray[np.float32]
    u_min: float
    step_u: float
    step_v: float


def _lommel(u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.complex128]:
    """The integral on the grid (u, v), by Gauss-Legendre quadrature."""
    fastest = 0.5 * float(np.abs(u).max()) + float(np.abs(v).max())
    s, weight = np.polynomial.legendre.leggauss(24 + int(0.75 * fastest))
    s, weight = 0.5 * (s + 1.0), 0.5 * weight
    radial = scipy.special.j0(np.multiply.outer(s, v)) * (s * weight)[:, None]
    angle = np.multiply.outer(u, 0.5 * s**2 - 0.25)
    return np.asarray(np.cos(angle) @ radial + 1j * (np.sin(angle) @ radial))


@functools.lru_cache(maxsize=8)
def _table(u_low: int, u_high: int, v_high: int) -> LommelTable:
    step_u = step_v = 0.25
    u = np.arange(u_low, u_high + step_u / 2, step_u)
    v = np.arange(-step_v, v_high + 2.5 * step_v, step_v)
    integral = _lommel(u, v)
    values = np.stack([integral.real, integral.imag], axis=-1).astype(np.float32)
    values.flags.writeable = False
    return LommelTable(values, float(u_low), step_u, step_v)


def lommel_table(u_min: float, u_max: float, v_max: float) -> LommelTable:
    """Table that covers a range of the Lommel coordinates; kept in memory.

    With steps of 1/4 in both coordinates the interpolation error is below 5e-4 of the integral's
    largest value.
    """
    grain = 64
    low, high = (math.floor(u_min / grain) * grain, math.ceil(u_max / grain) * grain)
    return _table(low, max(high, low + grain), max(grain, math.ceil(v_max / grain) * grain))


def disc_pressure(
    probe: Probe, axial_mm: ArrayLike, radial_mm: ArrayLike, frequency_hz: float
) -> NDArray[np.complex128]:
    """Pressure of the focused disc in the reference water, in units of rho c u0.

    Parameters
    ----------
    probe : Probe
    axial_mm : array_like
        Distance from the disc along its axis, mm, above zero.
    radial_mm : array_like
        Distance from the axis, mm; broadcasts against ``axial_mm``.
    frequency_hz : float

    Returns
    -------
    ndarray of complex128
        With the phase of the way ``axial_mm`` taken out.

    Notes
    -----
    Fresnel (paraxial) approximation of the Rayleigh integral, which makes it a Lommel function
    (Born & Wolf, Principles of Optics, 8.8). The neglected phase at the disc's rim is
    ``k a^4 / 8 (1/z^3 - 1/F^3)``: 0.2 rad at 10 mm for a disc of 5 mm at 10 MHz.
    """
    z, r = np.broadcast_arrays(
        np.asarray(axial_mm, np.float64), np.asarray(radial_mm, np.float64)
    )
    a = 0.5 * probe.aperture_mm
    k = 2.0 * math.pi * frequency_hz * 1e-6 / REFERENCE_SPEED_MM_PER_US
    u = k * a**2 * (1.0 / z - 1.0 / probe.focus_mm)
    v = k * a * r / z
    s, weight = np.polynomial.legendre.leggauss(
        24 + int(0.75 * (0.5 * np.abs(u).max() + np.abs(v).max()))
    )
    s, weight = 0.5 * (s + 1.0), 0.5 * weight
    integral = np.zeros(z.shape, np.complex128)
    for node, node_weight in zip(s, weight, strict=True):
        integral += (
            node_weight * node * np.exp(0.5j * u * node**2) * scipy.special.j0(v * node)
        )
    pressure = -1j * (k * a**2 / z) * np.exp(0.5j * k * r**2 / z) * integral
    return np.asarray(np.conj(pressure))


def parallel_plane_response(
    probe: Probe, distance_mm: float, frequency_hz: ArrayLike
) -> NDArray[np.complex128]:
    """Echo of a perfect plane parallel to the disc and close to it, delay taken out.

    Parameters
    ----------
    probe : Probe
    distance_mm : float
        Diffraction distance (in reference water) from disc to plane, mm; far short of the focus.
    frequency_hz : array_like

    Notes
    -----
    Mean pressure of a flat disc over its mirror image: Rogers PH, Van Buren AL 1974, J Acoust Soc
    Am 55:724. Focusing is neglected: over twice a few millimetres its phase at the rim stays
    below half a radian.
    """
    k = 2.0 * math.pi * np.asarray(frequency_hz, np.float64) * 1e-6 / REFERENCE_SPEED_MM_PER_US
    if distance_mm <= 0.0:
        return np.ones(k.shape, np.complex128)
    a = 0.5 * probe.aperture_mm
    argument = k * a**2 / (2.0 * distance_mm)
    bessel = scipy.special.j0(argument) + 1j * scipy.special.j1(argument)
    return np.asarray(1.0 - np.exp(-1j * argument) * bessel)
