"""Slow, plain references for the synthesis: nothing here uses the code under test's own sums."""

from __future__ import annotations

import math

import numpy as np
import scipy

from echotrace.synthesis.beam import BeamPath
from echotrace.synthesis.probe import Disc

WATER_MM_PER_US = 1.482380  # Marczak 1997, 20 °C


def oneil_axial(
    axial_mm: np.ndarray, k_per_mm: float, radius_mm: float, focus_mm: float
) -> np.ndarray:
    """|p|/(rho c u0) on the axis of a bowl: O'Neil HT 1949, J Acoust Soc Am 21:516."""
    depth = focus_mm - math.sqrt(focus_mm**2 - radius_mm**2)
    rim = np.sqrt((axial_mm - depth) ** 2 + radius_mm**2)
    return np.abs(2.0 / (1.0 - axial_mm / focus_mm) * np.sin(0.5 * k_per_mm * (rim - axial_mm)))


def tapered(s: np.ndarray, edge_taper: float) -> np.ndarray:
    """Drive at ``s`` radii from the centre: a Tukey window over the diameter (Harris 1978)."""
    n = 20_000
    window = scipy.signal.windows.tukey(2 * n + 1, edge_taper)
    return np.interp(s, np.arange(n + 1) / n, window[n:])


def aperture_points(disc: Disc, spacing_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Points and weights that integrate over the disc: Gauss rings, equal angles."""
    n_rings = max(12, math.ceil(disc.radius_mm / spacing_mm))
    node, weight = np.polynomial.legendre.leggauss(n_rings)
    node, weight = 0.5 * (node + 1.0), 0.5 * weight
    points, weights = [], []
    for s, w in zip(node, weight, strict=True):
        n = max(8, math.ceil(2.0 * math.pi * s * disc.radius_mm / spacing_mm))
        angle = 2.0 * math.pi * (np.arange(n) + 0.5) / n
        ring = s * disc.radius_mm
        points.append(np.c_[ring * np.cos(angle), ring * np.sin(angle)])
        weights.append(np.full(n, 2.0 * math.pi / n * w * s * disc.radius_mm**2))
    return np.concatenate(points), np.concatenate(weights)


def rayleigh_echo(
    disc: Disc,
    path: BeamPath,
    j: int,
    frequency_hz: float,
    *,
    step_mm: float,
    lit_mm: float,
    aperture_step_mm: float = 0.1,
) -> complex:
    """Echo of surface ``j`` by brute force, for a time factor exp(+i omega t), delay taken out.

    Rayleigh integral over the disc without any paraxial approximation; straight lines from each
    point of the disc to each facet, each stretch at the speed of its medium (the first-order
    travel time: its error is of second order in the bending of the ray). The spreading by the
    refracting surfaces, constant over the beam, is that of the ray matrix.
    """
    omega = 2.0 * math.pi * frequency_hz * 1e-6
    axis = path.direction[0]
    centre = path.point_mm[0] - (path.length_mm[0] + disc.tip_mm) * axis
    helper = np.array([0.0, 1.0, 0.0])
    e1 = np.cross(helper, axis)
    e1 /= np.linalg.norm(e1)
    e2 = np.cross(axis, e1)
    flat, weight = aperture_points(disc, aperture_step_mm)
    sources = centre + np.outer(flat[:, 0], e1) + np.outer(flat[:, 1], e2)
    squared = np.sum(flat**2, axis=1)
    bowl = np.sqrt(disc.focus_mm**2 + squared) - disc.focus_mm
    drive = tapered(np.sqrt(squared) / disc.radius_mm, disc.edge_taper)
    driven = weight * drive * np.exp(-1j * omega / WATER_MM_PER_US * bowl)

    surface = path.surfaces[j]
    normal = surface.normal_at(path.point_mm[j])
    t1 = np.cross(helper, normal)
    t1 /= np.linalg.norm(t1)
    t2 = np.cross(normal, t1)
    n = math.ceil(lit_mm / step_mm)
    side = np.arange(-n, n + 1) * step_mm
    s, t = (grid.ravel() for grid in np.meshgrid(side, side, indexing="ij"))
    rho = np.hypot(s, t)
    keep = rho < lit_mm
    s, t, rho = s[keep], t[keep], rho[keep]
    radius = surface.radius_mm
    bend = np.sqrt(radius**2 - rho**2)
    sag = math.copysign(1.0, radius) * rho**2 / (abs(radius) + bend)
    facets = path.point_mm[j] + np.outer(s, t1) + np.outer(t, t2) + np.outer(sag, normal)
    normals = (surface.centre_mm - facets) / radius
    taper = np.where(rho > 0.75 * lit_mm, np.cos(2.0 * math.pi * (rho / lit_mm - 0.75)) ** 2, 1.0)
    area = step_mm**2 * abs(radius) / bend * taper

    speeds = path.speed_mm_per_us
    total = 0.0 + 0.0j
    for part in np.array_split(np.arange(facets.shape[0]), max(1, facets.shape[0] // 400)):
        way = facets[part][:, None, :] - sources[None, :, :]
        length = np.linalg.norm(way, axis=-1)
        unit = way / length[..., None]
        reached = np.zeros_like(length)
        time_us = np.zeros_like(length)
        for m in range(j):
            earlier = path.surfaces[m]
            offset = sources - earlier.centre_mm
            along = np.einsum("fsk,sk->fs", unit, offset)
            root = along**2 - np.sum(offset**2, axis=1) + earlier.radius_mm**2
            at = -along - math.copysign(1.0, earlier.radius_mm) * np.sqrt(np.maximum(root, 0.0))
            time_us += (at - reached) / speeds[m]
            reached = at
        time_us += (length - reached) / speeds[j]
        wave = np.exp(1j * omega * time_us) * driven / length
        pressure = wave.sum(axis=1)
        cosine = np.einsum("fsk,fk->fs", unit, normals[part])
        sloped = (wave * cosine).sum(axis=1)
        total += np.sum(area[part] * pressure * sloped)
    k = omega / speeds[0]
    spread = _straight_length(path, j) / _matrix_length(path, j, disc)
    echo = (-1j * k / (2.0 * math.pi) * spread) ** 2 * total / np.sum(weight * drive**2)
    return complex(np.conj(echo * np.exp(-1j * omega * path.delay_us[j])))


def _straight_length(path: BeamPath, j: int) -> float:
    return float(np.sum(path.length_mm[: j + 1]))


def _matrix_length(path: BeamPath, j: int, disc: Disc) -> float:
    # The reduced length counts in the reference water; the wavenumber above is the first medium's.
    spread = float(path.matrix[j, 0, 1]) * WATER_MM_PER_US / float(path.speed_mm_per_us[0])
    return spread - disc.tip_mm


def tilted_focal_plane(disc: Disc, tilt_deg: float, frequency_hz: float) -> complex:
    """Echo of a plane through the focus, tilted, of a piston: a Fourier-Bessel integral.

    The focal plane holds the Airy pattern with a quadratic phase (Goodman, Introduction to
    Fourier Optics, Fraunhofer diffraction of a circular aperture); tilting the plane by theta
    multiplies its square by exp(2 i k theta x), so that the mean pressure is a Hankel transform.
    """
    k = 2.0 * math.pi * frequency_hz * 1e-6 / WATER_MM_PER_US
    a, focus = disc.radius_mm, disc.focus_mm
    r = np.linspace(1e-9, 14.0, 200_001)
    v = k * a * r / focus
    field = k * a**2 / (2.0 * focus) * 2.0 * scipy.special.j1(v) / v
    slope = math.sin(math.radians(tilt_deg))
    kernel = field**2 * np.exp(1j * k * r**2 / focus) * scipy.special.j0(2.0 * k * slope * r) * r
    integral = scipy.integrate.simpson(kernel, x=r) * 2.0 * math.pi
    return complex(np.conj(-integral / (math.pi * a**2)))
