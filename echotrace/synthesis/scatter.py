"""Tissue that scatters: speckle of the wall of the eye, of a cataract, of clumps in the vitreous.

Scatterers are scattered at random through the part of a layer that the beam lights up, at least
ten to a resolution cell, each with the field of the disc at its place: so the speckle of a layer
that the beam meets obliquely is spread in delay as the layer is. A layer's strength is its
backscatter coefficient; lateral pattern and loss inside a layer are those at the centre
frequency, the loss on the way to the layer that of each frequency.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from echotrace.kernels.facets import deposit_scatterers
from echotrace.synthesis.beam import BeamPath, reflection, two_way_transmission
from echotrace.synthesis.facets import beam_radius_mm, field_coordinates, tangents
from echotrace.synthesis.probe import REFERENCE_SPEED_MM_PER_US, Disc, lommel_table

__all__ = ["BACKSCATTER_PER_CM_SR", "Speckle", "layer_speckle", "point_speckle"]

# Backscatter coefficients at 10 MHz, 1/(cm sr). Values from memory, chosen in the order found for
# collagenous, vascular and fatty tissue; only their order of magnitude is claimed.
BACKSCATTER_PER_CM_SR = MappingProxyType(
    {
        "retina": 1e-3,
        "choroid": 3e-2,
        "sclera": 3e-1,
        "orbital_fat": 6e-2,
        "optic_nerve": 3e-3,
        "lens": 1e-6,
    }
)
"""Backscatter coefficient of each tissue at 10 MHz, 1/(cm sr)."""

_PER_CELL = 12.0
_PER_CM_TO_PER_MM = 0.1
_MAX_SCATTERERS = 60_000


@dataclass(frozen=True, slots=True, eq=False)
class Speckle:
    """Echoes of the scatterers of one layer before the pulse is put on.

    Attributes
    ----------
    baseband : ndarray of complex128, (n_samples,)
        Weights by sample, for a time factor exp(+i omega t).
    first_sample : int
        Where it begins, in samples after delay zero.
    layer : int
        Index of the surface in front of the layer.

    Examples
    --------
    >>> Speckle(np.zeros(4, complex), 100, 2).first_sample
    100
    """

    baseband: NDArray[np.complex128]
    first_sample: int
    layer: int


def layer_speckle(
    disc: Disc,
    path: BeamPath,
    j: int,
    thickness_mm: float,
    backscatter_per_cm_sr: float,
    rng: np.random.Generator,
    *,
    sampling_rate_hz: float,
    inner_radius_mm: float = 0.0,
    outer_radius_mm: float = math.inf,
    first_depth_mm: float = 0.0,
) -> Speckle | None:
    """Speckle of the layer behind surface ``j``.

    Parameters
    ----------
    disc : Disc
    path : BeamPath
    j : int
    thickness_mm : float
        Of the layer, along the normal of its front surface.
    backscatter_per_cm_sr : float
        At the centre frequency.
    rng : numpy.random.Generator
    sampling_rate_hz : float
    inner_radius_mm, outer_radius_mm : float
        Only the scatterers between these distances from the chief ray are kept.
    first_depth_mm : float
        Depth behind the surface at which the layer begins, mm.

    Returns
    -------
    Speckle or None
        None where the beam does not reach the layer.

    Examples
    --------
    >>> from echotrace.synthesis.alignment import Pose, beam_through_eye
    >>> from echotrace.synthesis.eye_model import SCHEMATIC_EYES
    >>> from echotrace.synthesis.sections import MethodSection
    >>> disc, eye = Disc(edge_taper=1.0), SCHEMATIC_EYES["navarro"]
    >>> path = beam_through_eye(disc, eye, MethodSection(), Pose())
    >>> speckle = layer_speckle(
    ...     disc, path, 4, 0.2, 1e-2, np.random.default_rng(1), sampling_rate_hz=100e6
    ... )
    >>> speckle.layer
    4
    """
    if not np.isfinite(path.delay_us[j]) or backscatter_per_cm_sr <= 0.0:
        return None
    k = _carrier_wavenumber(disc)
    matrix = path.matrix[j]
    wavelength = float(path.speed_mm_per_us[j + 1]) / (disc.centre_frequency_hz * 1e-6)
    radius = min(
        beam_radius_mm(disc, matrix, k, reach=7.0),
        0.8 * abs(path.surfaces[j].radius_mm),
        outer_radius_mm,
    )
    volume = math.pi * radius**2 * thickness_mm
    cells = volume / _cell_mm3(disc, matrix, k, wavelength)
    n = int(min(_MAX_SCATTERERS, max(50.0, _PER_CELL * cells)))
    rho = radius * np.sqrt(rng.random(n))
    angle = 2.0 * math.pi * rng.random(n)
    depth = first_depth_mm + thickness_mm * rng.random(n)
    strength = rng.standard_normal(n)
    strength *= math.sqrt(backscatter_per_cm_sr * _PER_CM_TO_PER_MM * volume / n)
    keep = rho >= inner_radius_mm
    return point_speckle(
        disc,
        path,
        j,
        (rho * np.cos(angle))[keep],
        (rho * np.sin(angle))[keep],
        depth[keep],
        strength[keep],
        sampling_rate_hz=sampling_rate_hz,
    )


def point_speckle(
    disc: Disc,
    path: BeamPath,
    j: int,
    first_mm: NDArray[np.float64],
    second_mm: NDArray[np.float64],
    depth_mm: NDArray[np.float64],
    strength_mm: NDArray[np.float64],
    *,
    sampling_rate_hz: float,
) -> Speckle | None:
    """Echoes of given scatterers behind surface ``j``.

    Parameters
    ----------
    disc : Disc
    path : BeamPath
    j : int
    first_mm, second_mm : ndarray, (n,)
        Distances across, from where the beam meets the surface, in its two tangents.
    depth_mm : ndarray, (n,)
        Depth along the normal of the surface.
    strength_mm : ndarray, (n,)
        Signed root of the differential cross-section, mm/sr^(1/2).
    sampling_rate_hz : float

    Returns
    -------
    Speckle or None
        None where there is no scatterer or the beam does not reach them.

    Notes
    -----
    A scatterer of differential cross-section ``sigma`` in a field ``P`` gives the mean pressure
    ``i lambda / A sqrt(sigma) P^2`` on the disc, by reciprocity.

    Examples
    --------
    >>> from echotrace.synthesis.alignment import Pose, beam_through_eye
    >>> from echotrace.synthesis.eye_model import SCHEMATIC_EYES
    >>> from echotrace.synthesis.sections import MethodSection
    >>> disc, eye = Disc(edge_taper=1.0), SCHEMATIC_EYES["navarro"]
    >>> path = beam_through_eye(disc, eye, MethodSection(), Pose())
    >>> zero = np.zeros(1)
    >>> depth, strength = zero + 0.1, zero + 1e-2
    >>> one = point_speckle(disc, path, 4, zero, zero, depth, strength, sampling_rate_hz=100e6)
    >>> int(np.count_nonzero(one.baseband)) <= 2
    True
    """
    if first_mm.size == 0 or not _passes(path, j):
        return None
    k = _carrier_wavenumber(disc)
    speed = float(path.speed_mm_per_us[j + 1])
    wavelength = speed / (disc.centre_frequency_hz * 1e-6)
    surface = path.surfaces[j]
    normal = surface.normal_at(path.point_mm[j])
    first, second = tangents(normal)
    rho_squared = first_mm**2 + second_mm**2
    bend = np.sqrt(np.maximum(surface.radius_mm**2 - rho_squared, 0.0))
    sag = math.copysign(1.0, surface.radius_mm) * rho_squared / (abs(surface.radius_mm) + bend)
    front = (
        path.point_mm[j]
        + np.outer(first_mm, first)
        + np.outer(second_mm, second)
        + np.outer(sag, normal)
    )
    normals = (surface.centre_mm - front) / surface.radius_mm
    points = front + depth_mm[:, None] * normals
    u, v, phase, amplitude, along = field_coordinates(disc, path, j, points, behind=True)
    loss_db = 0.2 * path.media[j + 1].attenuation_db_per_cm(disc.centre_frequency_hz * 1e-6) * along
    passed = two_way_transmission(path, j) * (1.0 - reflection(path, j) ** 2)
    weight = (
        strength_mm
        * (wavelength / disc.effective_area_mm2)
        * (k * amplitude) ** 2
        * passed
        * 10.0 ** (-loss_db / 20.0)
    )
    sampling_per_us = sampling_rate_hz * 1e-6
    deeper = surface.step_mm * (first_mm > 0.0) / path.speed_mm_per_us[j]
    delay = path.delay_us[j] + 2.0 * (along / speed + deeper)
    first_sample = math.floor(float(delay.min()) * sampling_per_us) - 2
    position = delay * sampling_per_us - first_sample
    # The delay along the chief ray is in `position`; the phase that is left is the field's own.
    own_phase = k * (phase - 2.0 * path.refractive_index(j + 1) * along)
    baseband = np.zeros((int(position.max()) + 3, 2))
    table = lommel_table(
        min(0.0, float(u.min()) * k),
        max(0.0, float(u.max()) * k),
        float(v.max()) * k,
        disc.edge_taper,
    )
    deposit_scatterers(
        table.values,
        table.u_min,
        table.step_u,
        table.step_v,
        u * k,
        v * k,
        own_phase,
        weight,
        position,
        disc.centre_frequency_hz / sampling_rate_hz,
        baseband,
    )
    return Speckle(baseband[:, 0] + 1j * baseband[:, 1], first_sample, j)


def _passes(path: BeamPath, j: int) -> bool:
    """Whether the beam reaches surface ``j`` and is not reflected totally there."""
    goes_on = j + 1 == len(path.surfaces) or np.isfinite(path.direction[j + 1]).all()
    return bool(np.isfinite(path.delay_us[j]) and goes_on)


def _carrier_wavenumber(disc: Disc) -> float:
    return 2.0 * math.pi * disc.centre_frequency_hz * 1e-6 / REFERENCE_SPEED_MM_PER_US


def _cell_mm3(disc: Disc, matrix: NDArray[np.float64], k: float, wavelength_mm: float) -> float:
    """Volume of a resolution cell: -6 dB beam area times half the pulse's length."""
    a = disc.radius_mm
    diffracted = 1.6 * matrix[0, 1] / (k * a)
    geometric = a * abs(matrix[0, 0] - matrix[0, 1] / disc.focus_mm)
    axial = 0.44 * wavelength_mm / disc.fractional_bandwidth
    return float(math.pi * max(diffracted, geometric) ** 2 * axial)
