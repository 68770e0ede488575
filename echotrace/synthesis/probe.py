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

from echotrace.errors import ParameterError
from echotrace.media import MEDIA
from echotrace.recording import Probe

__all__ = [
    "REFERENCE_SPEED_MM_PER_US",
    "Band",
    "Disc",
    "LommelTable",
    "disc_pressure",
    "edge_drive",
    "highest_wavenumber",
    "lommel_table",
    "parallel_plane_response",
    "pulse",
    "pulse_band",
    "pulse_sigma_us",
    "pulse_spectrum",
]

REFERENCE_SPEED_MM_PER_US = MEDIA["water"].speed_m_per_s * 1e-3
"""Speed in the water in which the focus of a probe is stated, mm/µs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Disc:
    """The transducer of a probe: a disc with a spherical focus.

    Attributes
    ----------
    centre_frequency_hz : float
    fractional_bandwidth : float
        -6 dB pulse-echo bandwidth over centre frequency.
    aperture_mm, focus_mm : float
        Diameter, and distance of the focus in water of 20 °C, mm.
    edge_taper : float
        Outer part of the radius over which the drive falls smoothly (cosine squared) to zero: 0
        is a piston, whose rim sends a strong edge wave of its own; 1 falls from the middle on.
    tip_mm : float
        Length of the water-filled tip between the disc and the face that touches the eye, mm.

    Raises
    ------
    ParameterError
        Sizes and bands that are not positive, or an ``edge_taper`` outside 0 to 1.

    Examples
    --------
    >>> round(Disc(tip_mm=0.75).face_delay_us, 3)
    1.012
    """

    centre_frequency_hz: float = 10e6
    fractional_bandwidth: float = 0.6
    aperture_mm: float = 5.0
    focus_mm: float = 25.0
    edge_taper: float = 0.0
    tip_mm: float = 0.0

    def __post_init__(self) -> None:
        for name in ("centre_frequency_hz", "fractional_bandwidth", "aperture_mm", "focus_mm"):
            if not getattr(self, name) > 0.0:
                raise ParameterError(f"disc: {name}={getattr(self, name)!r} must be positive")
        if not 0.0 <= self.edge_taper <= 1.0:
            raise ParameterError(f"disc: edge_taper={self.edge_taper!r} must lie in 0 to 1")

    @property
    def radius_mm(self) -> float:
        """Radius of the disc, mm."""
        return 0.5 * self.aperture_mm

    @property
    def face_delay_us(self) -> float:
        """Two-way delay of the face, µs."""
        return 2.0 * self.tip_mm / REFERENCE_SPEED_MM_PER_US

    @property
    def effective_area_mm2(self) -> float:
        """Integral of the squared drive over the disc, mm²."""
        return math.pi * self.radius_mm**2 * _mean_squared_drive(self.edge_taper)

    def as_probe(self) -> Probe:
        """The description that goes into a recording; the face delay is taken as calibrated.

        Returns
        -------
        Probe
        """
        return Probe(
            centre_frequency_hz=self.centre_frequency_hz,
            fractional_bandwidth=self.fractional_bandwidth,
            aperture_mm=self.aperture_mm,
            focus_mm=self.focus_mm,
            face_delay_us=self.face_delay_us,
            face_delay_u_us=0.005,
        )


def edge_drive(s: NDArray[np.float64], edge_taper: float) -> NDArray[np.float64]:
    """Drive at a distance ``s`` (in radii) from the centre of the disc.

    Parameters
    ----------
    s : ndarray
        0 to 1.
    edge_taper : float

    Returns
    -------
    ndarray

    Examples
    --------
    >>> edge_drive(np.array([0.0, 0.75, 1.0]), 0.5).round(2).tolist()
    [1.0, 0.5, 0.0]
    """
    if edge_taper == 0.0:
        return np.ones_like(s)
    rim = np.clip((s - (1.0 - edge_taper)) / edge_taper, 0.0, 1.0)
    return np.asarray(np.cos(0.5 * math.pi * rim) ** 2)


@functools.cache
def _mean_squared_drive(edge_taper: float) -> float:
    s, weight = np.polynomial.legendre.leggauss(200)
    s, weight = 0.5 * (s + 1.0), 0.5 * weight
    return float(2.0 * np.sum(weight * s * edge_drive(s, edge_taper) ** 2))


_legendre_points = functools.lru_cache(maxsize=32)(np.polynomial.legendre.leggauss)
# The pulse spectrum is cut where its amplitude has fallen to exp(-_BAND_SIGMAS**2 / 2), -39 dB.
_BAND_SIGMAS = 3.0


def _sigma_hz(disc: Disc) -> float:
    """Standard deviation of the Gaussian pulse-echo spectrum, Hz."""
    half_width_hz = 0.5 * disc.fractional_bandwidth * disc.centre_frequency_hz
    # Half amplitude (-6.02 dB) lies sqrt(2 ln 2) standard deviations from the centre.
    return half_width_hz / math.sqrt(2.0 * math.log(2.0))


def highest_wavenumber(disc: Disc) -> float:
    """Largest wavenumber of the pulse in the reference water, 1/mm.

    Parameters
    ----------
    disc : Disc

    Returns
    -------
    float
        1/mm.

    Examples
    --------
    >>> round(highest_wavenumber(Disc()), 1)
    74.8
    """
    highest_hz = disc.centre_frequency_hz + _BAND_SIGMAS * _sigma_hz(disc)
    return 2.0 * math.pi * highest_hz * 1e-6 / REFERENCE_SPEED_MM_PER_US


def pulse_spectrum(disc: Disc, frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Pulse-echo amplitude spectrum, 1 at the centre frequency: a Gaussian.

    Parameters
    ----------
    disc : Disc
        Its ``fractional_bandwidth`` is the -6 dB width of this spectrum over the centre.
    frequency_hz : array_like

    Returns
    -------
    ndarray of float64

    Examples
    --------
    >>> pulse_spectrum(Disc(), [10e6, 13e6]).round(2).tolist()
    [1.0, 0.5]
    """
    offset = np.asarray(frequency_hz, np.float64) - disc.centre_frequency_hz
    return np.asarray(np.exp(-0.5 * (offset / _sigma_hz(disc)) ** 2))


def pulse_sigma_us(disc: Disc) -> float:
    """Standard deviation of the Gaussian envelope of the pulse-echo pulse.

    Parameters
    ----------
    disc : Disc

    Returns
    -------
    float
        µs.

    Examples
    --------
    >>> round(pulse_sigma_us(Disc(centre_frequency_hz=10e6, fractional_bandwidth=0.6)), 4)
    0.0625
    """
    return 1e6 / (2.0 * math.pi * _sigma_hz(disc))


def pulse(disc: Disc, delay_us: ArrayLike) -> NDArray[np.float64]:
    """Pulse-echo pulse of unit peak, centred at delay zero.

    Parameters
    ----------
    disc : Disc
    delay_us : array_like

    Returns
    -------
    ndarray of float64

    Examples
    --------
    >>> pulse(Disc(), [0.0, 0.05]).round(2).tolist()
    [1.0, -0.73]
    """
    t_s = np.asarray(delay_us, np.float64) * 1e-6
    envelope = np.exp(-0.5 * (2.0 * math.pi * _sigma_hz(disc) * t_s) ** 2)
    return np.asarray(envelope * np.cos(2.0 * math.pi * disc.centre_frequency_hz * t_s))


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

    Examples
    --------
    >>> pulse_band(Disc(), 4.0).window_us
    4.0
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

    def analytic(
        self, response: NDArray[np.complex128], delay_us: ArrayLike
    ) -> NDArray[np.complex128]:
        """Analytic signal of an echo; see :meth:`waveform`.

        Parameters
        ----------
        response : ndarray of complex128, (n_frequencies,)
        delay_us : array_like

        Returns
        -------
        ndarray of complex128, of the shape of ``delay_us``
        """
        omega = 2.0 * math.pi * self.frequency_hz * 1e-6
        turn = np.exp(1j * np.multiply.outer(np.asarray(delay_us, np.float64), omega))
        return np.asarray(turn @ (response * self.spectrum))

    def waveform(
        self, response: NDArray[np.complex128], delay_us: ArrayLike
    ) -> NDArray[np.float64]:
        """Echo of a transfer function at some delays relative to the one it is referred to.

        Parameters
        ----------
        response : ndarray of complex128, (n_frequencies,)
            For a time factor exp(+i omega t).
        delay_us : array_like
            Beyond half the window it repeats periodically: do not ask for that.

        Returns
        -------
        ndarray of float64, of the shape of ``delay_us``
        """
        return np.asarray(self.analytic(response, delay_us).real, np.float64)


def pulse_band(disc: Disc, window_us: float = 3.6) -> Band:
    """Frequencies that hold the pulse, spaced so that an echo may last ``window_us``.

    Parameters
    ----------
    disc : Disc
    window_us : float
        µs.

    Returns
    -------
    Band

    Examples
    --------
    >>> band = pulse_band(Disc())
    >>> round(float(band.waveform(np.ones_like(band.spectrum), 0.0)), 6)
    1.0
    """
    step_hz = 1e6 / window_us
    reach_hz = _BAND_SIGMAS * _sigma_hz(disc)
    first = max(1, math.ceil((disc.centre_frequency_hz - reach_hz) / step_hz))
    last = math.floor((disc.centre_frequency_hz + reach_hz) / step_hz)
    frequency_hz = np.arange(first, last + 1, dtype=np.float64) * step_hz
    spectrum = pulse_spectrum(disc, frequency_hz)
    return Band(frequency_hz, spectrum / spectrum.sum(), window_us)


@dataclass(frozen=True, slots=True, eq=False)
class LommelTable:
    """Table of the Lommel integral for interpolation in the kernels.

    Attributes
    ----------
    values : ndarray of float32, (n_u, n_v, 2)
        ``exp(-i u / 4)`` times the integral over s from 0 to 1 of
        ``W(s) exp(i u s^2 / 2) J0(v s) s`` with the drive ``W``; real and imaginary part. The
        first column is at ``v = -step_v``, which the cubic interpolation needs.
    u_min, step_u, step_v : float

    Examples
    --------
    >>> lommel_table(0.0, 10.0, 20.0).values.shape[2]
    2
    """

    values: NDArray[np.float32]
    u_min: float
    step_u: float
    step_v: float


def _lommel(
    u: NDArray[np.float64], v: NDArray[np.float64], edge_taper: float
) -> NDArray[np.complex128]:
    """The integral on the grid (u, v), by Gauss-Legendre quadrature."""
    fastest = 0.5 * float(np.abs(u).max()) + float(np.abs(v).max())
    s, weight = _legendre_points(24 + int(0.75 * fastest))
    s, weight = 0.5 * (s + 1.0), 0.5 * weight
    drive = s * weight * edge_drive(s, edge_taper)
    radial = scipy.special.j0(np.multiply.outer(s, v)) * drive[:, None]
    angle = np.multiply.outer(u, 0.5 * s**2 - 0.25)
    return np.asarray(np.cos(angle) @ radial + 1j * (np.sin(angle) @ radial))


@functools.lru_cache(maxsize=24)
def _table(u_low: int, u_high: int, v_high: int, edge_taper: float) -> LommelTable:
    step_u = step_v = 0.25
    u = np.arange(u_low, u_high + step_u / 2, step_u)
    v = np.arange(-step_v, v_high + 2.5 * step_v, step_v)
    integral = _lommel(u, v, edge_taper)
    values = np.stack([integral.real, integral.imag], axis=-1).astype(np.float32)
    values.flags.writeable = False
    return LommelTable(values, float(u_low), step_u, step_v)


def lommel_table(u_min: float, u_max: float, v_max: float, edge_taper: float = 0.0) -> LommelTable:
    """Table that covers a range of the Lommel coordinates; kept in memory.

    With steps of 1/4 in both coordinates the interpolation error is below 5e-4 of the integral's
    largest value.

    Parameters
    ----------
    u_min, u_max, v_max : float
        Range of the Lommel coordinates: u from below or at zero to above or at it, v from zero.
    edge_taper : float

    Returns
    -------
    LommelTable

    Examples
    --------
    >>> table = lommel_table(0.0, 10.0, 20.0)
    >>> table.values.dtype
    dtype('float32')
    """
    grain = 128
    # A step to spare on each side: the interpolation needs both neighbours of a point.
    low = math.floor((u_min - 1.0) / grain) * grain
    high = math.ceil((u_max + 1.0) / grain) * grain
    return _table(low, high, math.ceil((v_max + 1.0) / grain) * grain, edge_taper)


def disc_pressure(
    disc: Disc, axial_mm: ArrayLike, radial_mm: ArrayLike, frequency_hz: float
) -> NDArray[np.complex128]:
    """Pressure of the focused disc in the reference water, in units of rho c u0.

    Parameters
    ----------
    disc : Disc
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

    Examples
    --------
    >>> abs(disc_pressure(Disc(), 25.0, [0.0, 1.0], 10e6)).round(2).tolist()
    [5.3, 0.38]
    """
    z, r = np.broadcast_arrays(np.asarray(axial_mm, np.float64), np.asarray(radial_mm, np.float64))
    a = disc.radius_mm
    k = 2.0 * math.pi * frequency_hz * 1e-6 / REFERENCE_SPEED_MM_PER_US
    u = k * a**2 * (1.0 / z - 1.0 / disc.focus_mm)
    v = k * a * r / z
    s, weight = np.polynomial.legendre.leggauss(
        24 + int(0.75 * (0.5 * np.abs(u).max() + np.abs(v).max()))
    )
    s, weight = 0.5 * (s + 1.0), 0.5 * weight
    integral = np.zeros(z.shape, np.complex128)
    drives = edge_drive(s, disc.edge_taper)
    for node, node_weight, drive in zip(s, weight, drives, strict=True):
        integral += (
            node_weight * node * drive * np.exp(0.5j * u * node**2) * scipy.special.j0(v * node)
        )
    pressure = -1j * (k * a**2 / z) * np.exp(0.5j * k * r**2 / z) * integral
    return np.asarray(np.conj(pressure))


def parallel_plane_response(
    disc: Disc, distance_mm: float, frequency_hz: ArrayLike
) -> NDArray[np.complex128]:
    """Echo of a perfect plane parallel to the disc and close to it, delay taken out.

    Parameters
    ----------
    disc : Disc
    distance_mm : float
        Diffraction distance (in reference water) from disc to plane, mm; far short of the focus.
    frequency_hz : array_like

    Returns
    -------
    ndarray of complex128, (n_frequencies,)

    Notes
    -----
    Mean pressure of a flat disc over its mirror image: Rogers PH, Van Buren AL 1974, J Acoust Soc
    Am 55:724. Focusing is neglected: over twice a few millimetres its phase at the rim stays
    below half a radian.

    Examples
    --------
    >>> abs(parallel_plane_response(Disc(), 1.0, [10e6])).round(2).tolist()
    [0.95]
    """
    k = 2.0 * math.pi * np.asarray(frequency_hz, np.float64) * 1e-6 / REFERENCE_SPEED_MM_PER_US
    if distance_mm <= 0.0:
        return np.ones(k.shape, np.complex128)
    a = disc.radius_mm
    argument = k * a**2 / (2.0 * distance_mm)
    bessel = scipy.special.j0(argument) + 1j * scipy.special.j1(argument)
    return np.asarray(1.0 - np.exp(-1j * argument) * bessel)
