"""The chief ray of a beam through spherical interfaces, and what it loses on the way.

The *chief ray* leaves the disc's centre along its axis and is refracted exactly (Snell) at every
interface. Ray matrices of the layers and of the refracting surfaces go with it (Collins 1970, J
Opt Soc Am 60:1168): distance and curvature of the wavefront around it come from them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.media import Medium
from echotrace.synthesis.probe import REFERENCE_SPEED_MM_PER_US

__all__ = [
    "BeamPath",
    "Surface",
    "Vector",
    "attenuation",
    "reflection",
    "trace_beam",
    "two_way_transmission",
]

Vector = NDArray[np.float64]

_DB_TO_NEPER = math.log(10.0) / 20.0


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """A spherical interface in the frame of the eye.

    Attributes
    ----------
    name : str
    centre_mm : ndarray of float64, (3,)
        Centre of curvature, mm.
    radius_mm : float
        Positive where the surface bulges towards the probe (its centre lies behind it); infinite
        is not allowed, a plane has a very large radius.
    parallel_to_face : bool
        The surface is pressed flat against the probe: its echo is that of a parallel plane.
    step_mm : float
        How much deeper the half of the surface lies that is beyond the beam in its own first
        tangent direction (a doubled wall), mm.

    Examples
    --------
    >>> Surface.on_axis("cornea_front", 0.0, 7.72).centre_mm.tolist()
    [0.0, 0.0, 7.72]
    """

    name: str
    centre_mm: Vector
    radius_mm: float
    parallel_to_face: bool = False
    step_mm: float = 0.0

    @classmethod
    def on_axis(cls, name: str, vertex_mm: float, radius_mm: float) -> Surface:
        """Surface whose centre lies on the visual axis.

        Parameters
        ----------
        name : str
        vertex_mm : float
            Where it meets the axis, mm behind the corneal vertex.
        radius_mm : float

        Returns
        -------
        Surface
        """
        return cls(name, np.array([0.0, 0.0, vertex_mm + radius_mm]), radius_mm)

    @classmethod
    def plane(cls, name: str, point_mm: Vector, normal: Vector) -> Surface:
        """Plane through a point, pressed against the probe's face.

        Parameters
        ----------
        name : str
        point_mm : ndarray, (3,)
        normal : ndarray, (3,)
            Unit vector that points away from the disc.

        Returns
        -------
        Surface
        """
        radius_mm = 1e7
        return cls(name, point_mm + radius_mm * normal, radius_mm, True)

    def hit(self, origin_mm: Vector, direction: Vector) -> tuple[Vector, float]:
        """Where a ray meets the surface, and how far along: (point, distance in mm).

        A ray that misses the sphere meets it, by convention, where it comes closest: the distance
        is NaN.

        Parameters
        ----------
        origin_mm : ndarray, (3,)
        direction : ndarray, (3,)
            Unit vector.

        Returns
        -------
        point_mm : ndarray, (3,)
        distance_mm : float
            NaN for a ray that misses the sphere; the point is then the one where it comes closest.
        """
        offset = origin_mm - self.centre_mm
        along = float(offset @ direction)
        root = along**2 - float(offset @ offset) + self.radius_mm**2
        if root < 0.0:
            return origin_mm - along * direction, math.nan
        distance = -along - math.copysign(math.sqrt(root), self.radius_mm)
        return origin_mm + distance * direction, distance

    def normal_at(self, point_mm: Vector) -> Vector:
        """Unit normal that points away from the disc.

        Parameters
        ----------
        point_mm : ndarray, (3,)

        Returns
        -------
        ndarray, (3,)
        """
        return np.asarray((self.centre_mm - point_mm) / self.radius_mm)


@dataclass(frozen=True, slots=True, eq=False)
class BeamPath:
    """The chief ray through a stack of surfaces, with the ray matrices along it.

    Attributes
    ----------
    surfaces : tuple of Surface
    media : tuple of Medium
        One more than surfaces: ``media[j]`` lies in front of ``surfaces[j]``.
    speed_mm_per_us : ndarray, (n + 1,)
    point_mm, direction : ndarray, (n, 3)
        Where the ray meets each surface and its direction in front of it, which is known too
        for a surface that the ray then misses.
    length_mm : ndarray, (n,)
        Way of the chief ray in each medium.
    delay_us : ndarray, (n,)
        Two-way delay of each surface after the transmitted pulse leaves the disc.
    matrix : ndarray, (n, 2, 2)
        Reduced ray matrix from the disc to each surface.
    incidence_deg : ndarray, (n,)
        Angle between chief ray and normal of each surface.

    Examples
    --------
    >>> from echotrace.synthesis.alignment import Pose, beam_through_eye
    >>> from echotrace.synthesis.eye_model import SCHEMATIC_EYES
    >>> from echotrace.synthesis.probe import Disc
    >>> from echotrace.synthesis.sections import MethodSection
    >>> disc, eye = Disc(edge_taper=1.0), SCHEMATIC_EYES["navarro"]
    >>> path = beam_through_eye(disc, eye, MethodSection(), Pose())
    >>> path.surfaces[path.index("retina")].name
    'retina'
    >>> round(float(path.delay_us[path.index("retina")]), 2)
    44.18
    """

    surfaces: tuple[Surface, ...]
    media: tuple[Medium, ...]
    speed_mm_per_us: Vector
    point_mm: Vector
    direction: Vector
    length_mm: Vector
    delay_us: Vector
    matrix: Vector
    incidence_deg: Vector

    def index(self, name: str) -> int:
        """Position of a surface by name.

        Parameters
        ----------
        name : str

        Returns
        -------
        int
        """
        return [surface.name for surface in self.surfaces].index(name)

    def refractive_index(self, j: int) -> float:
        """Speed in the reference water over that in medium ``j``.

        Parameters
        ----------
        j : int
            Of the medium in front of surface ``j``.

        Returns
        -------
        float
        """
        return float(REFERENCE_SPEED_MM_PER_US / self.speed_mm_per_us[j])


def trace_beam(
    surfaces: Sequence[Surface],
    media: Sequence[Medium],
    speed_m_per_s: Sequence[float],
    origin_mm: Vector,
    direction: Vector,
    *,
    tip_mm: float = 0.0,
) -> BeamPath:
    """Follow the chief ray through the surfaces.

    Parameters
    ----------
    surfaces : sequence of Surface
        In the order in which the beam meets them.
    media : sequence of Medium
        One more than surfaces.
    speed_m_per_s : sequence of float
        Speed of each medium as it is, m/s (temperature, individual eye).
    origin_mm, direction : ndarray, (3,)
        Centre of the probe's face and unit vector of its axis.
    tip_mm : float
        Length of the water-filled tip between disc and face, mm.

    Returns
    -------
    BeamPath
        From the first surface that the ray misses or at which it is reflected totally, delays
        are NaN.

    Examples
    --------
    >>> from echotrace.media import MEDIA
    >>> surface = Surface.on_axis("front", 10.0, 8.0)
    >>> water, cornea = MEDIA["water"], MEDIA["cornea"]
    >>> axis = np.array([0.0, 0.0, 1.0])
    >>> path = trace_beam([surface], [water, cornea], [1500.0, 1641.0], 0.0 * axis, axis)
    >>> round(float(path.delay_us[0]), 3)
    13.333
    """
    n = len(surfaces)
    speed = np.asarray(speed_m_per_s, np.float64) * 1e-3
    points, directions = np.full((n, 3), np.nan), np.full((n, 3), np.nan)
    lengths, incidence = np.full(n, np.nan), np.full(n, np.nan)
    matrices = np.full((n, 2, 2), np.nan)
    point, heading = np.asarray(origin_mm, np.float64), np.asarray(direction, np.float64)
    matrix = np.array([[1.0, tip_mm], [0.0, 1.0]])
    for j, surface in enumerate(surfaces):
        directions[j] = heading
        target, distance = surface.hit(point, heading)
        if not distance >= -1e-6:
            break
        index_before = REFERENCE_SPEED_MM_PER_US / speed[j]
        index_behind = REFERENCE_SPEED_MM_PER_US / speed[j + 1]
        matrix = np.array([[1.0, distance / index_before], [0.0, 1.0]]) @ matrix
        normal = surface.normal_at(target)
        cosine = float(heading @ normal)
        points[j], lengths[j] = target, distance
        incidence[j] = math.degrees(math.acos(min(1.0, cosine)))
        matrices[j] = matrix
        ratio = index_before / index_behind
        inside = 1.0 - ratio**2 * (1.0 - cosine**2)
        if inside <= 0.0:
            break
        cosine_behind = math.sqrt(inside)
        power = (index_behind * cosine_behind - index_before * cosine) / surface.radius_mm
        matrix = np.array([[1.0, 0.0], [-power, 1.0]]) @ matrix
        heading = ratio * heading + (cosine_behind - ratio * cosine) * normal
        heading = heading / np.linalg.norm(heading)
        point = target
    face_delay_us = 2.0 * tip_mm / REFERENCE_SPEED_MM_PER_US
    delay_us = face_delay_us + 2.0 * np.cumsum(lengths / speed[:-1])
    return BeamPath(
        tuple(surfaces),
        tuple(media),
        speed,
        points,
        directions,
        lengths,
        delay_us,
        matrices,
        incidence,
    )


def attenuation(path: BeamPath, j: int, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Two-way amplitude factor of the losses in all media in front of surface ``j``.

    Parameters
    ----------
    path : BeamPath
    j : int
    frequency_hz : ndarray, (n_frequencies,)

    Returns
    -------
    ndarray of float64, (n_frequencies,)

    Examples
    --------
    >>> from echotrace.synthesis.alignment import Pose, beam_through_eye
    >>> from echotrace.synthesis.eye_model import SCHEMATIC_EYES
    >>> from echotrace.synthesis.probe import Disc
    >>> from echotrace.synthesis.sections import MethodSection
    >>> disc, eye = Disc(edge_taper=1.0), SCHEMATIC_EYES["navarro"]
    >>> path = beam_through_eye(disc, eye, MethodSection(), Pose())
    >>> attenuation(path, path.index("retina"), np.array([10e6])).round(3).tolist()
    [0.532]
    """
    loss_db = np.zeros_like(frequency_hz)
    mhz = frequency_hz * 1e-6
    for m in range(j + 1):
        medium = path.media[m]
        loss_db += (
            2.0
            * medium.attenuation_db_per_cm_mhz
            * mhz**medium.attenuation_exponent
            * path.length_mm[m]
            / 10.0
        )
    return np.asarray(np.exp(-_DB_TO_NEPER * loss_db))


def reflection(path: BeamPath, j: int) -> float:
    """Pressure reflection coefficient of surface ``j`` at normal incidence.

    Parameters
    ----------
    path : BeamPath
    j : int

    Returns
    -------
    float

    Notes
    -----
    (Z2 - Z1)/(Z2 + Z1) with the impedances of the media in front and behind (Kinsler and others,
    Fundamentals of Acoustics, normal incidence).

    Examples
    --------
    >>> from echotrace.synthesis.alignment import Pose, beam_through_eye
    >>> from echotrace.synthesis.eye_model import SCHEMATIC_EYES
    >>> from echotrace.synthesis.probe import Disc
    >>> from echotrace.synthesis.sections import MethodSection
    >>> disc, eye = Disc(edge_taper=1.0), SCHEMATIC_EYES["navarro"]
    >>> path = beam_through_eye(disc, eye, MethodSection(), Pose())
    >>> round(reflection(path, 0), 3)
    0.068
    """
    before = path.media[j].density_kg_per_m3 * path.speed_mm_per_us[j]
    behind = path.media[j + 1].density_kg_per_m3 * path.speed_mm_per_us[j + 1]
    return float((behind - before) / (behind + before))


def two_way_transmission(path: BeamPath, j: int) -> float:
    """Pressure passed by all surfaces in front of surface ``j``, there and back.

    Parameters
    ----------
    path : BeamPath
    j : int

    Returns
    -------
    float

    Examples
    --------
    >>> from echotrace.synthesis.alignment import Pose, beam_through_eye
    >>> from echotrace.synthesis.eye_model import SCHEMATIC_EYES
    >>> from echotrace.synthesis.probe import Disc
    >>> from echotrace.synthesis.sections import MethodSection
    >>> disc, eye = Disc(edge_taper=1.0), SCHEMATIC_EYES["navarro"]
    >>> path = beam_through_eye(disc, eye, MethodSection(), Pose())
    >>> round(two_way_transmission(path, path.index("retina")), 3)
    0.981
    """
    return math.prod(1.0 - reflection(path, m) ** 2 for m in range(j))
