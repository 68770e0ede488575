"""How the probe lies on the eye, and the beam that follows from it.

Conventions. The beam's direction is the visual axis turned by ``tilt_deg`` about the *corneal
vertex* (the pivot), towards ``tilt_azimuth_deg``; the beam is then shifted sideways, parallel to
itself, so that it passes the plane of the corneal vertex ``decentration_mm`` from it, towards
``decentration_azimuth_deg``. Azimuths run from nasal (0) to upwards (90). In immersion the face
lies ``standoff_mm`` in front of that plane along the beam. In contact the cornea is pressed flat
against the face: its front and back are planes across the beam through the point of touch, and
the chamber behind is shortened along the beam by the compression.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from echotrace.media import MEDIA
from echotrace.synthesis.beam import BeamPath, Surface, trace_beam
from echotrace.synthesis.eye_model import EyeModel, direction, eye_surfaces
from echotrace.synthesis.probe import Disc
from echotrace.synthesis.sections import MethodSection, PoseSection, ScanSection

__all__ = [
    "ALIGNMENT_CONVENTION",
    "CENTRE_OF_ROTATION_MM",
    "NERVE_HEAD_DEG",
    "NODAL_POINT_MM",
    "Pose",
    "beam_through_eye",
    "draw_compression_mm",
    "draw_pose",
]

ALIGNMENT_CONVENTION = (
    "tilt: angle of the beam to the visual axis, pivot at the corneal vertex; decentration: "
    "distance of the tilted beam from the corneal vertex, measured in the plane across the "
    "visual axis; azimuths from nasal (0) to upwards (90 degrees)"
)

CENTRE_OF_ROTATION_MM = 13.5
"""The eye turns about a point about 13.5 mm behind the corneal vertex (value from memory)."""

NODAL_POINT_MM = 7.2
NERVE_HEAD_DEG = 15.0
"""The nerve head lies about 15° nasal of the fovea, seen from the nodal point (handbook value)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """Position of the beam; see the module for the conventions.

    Attributes
    ----------
    tilt_deg, tilt_azimuth_deg, decentration_mm, decentration_azimuth_deg : float

    Examples
    --------
    >>> Pose(tilt_deg=2.0).decentration_mm
    0.0
    """

    tilt_deg: float = 0.0
    tilt_azimuth_deg: float = 0.0
    decentration_mm: float = 0.0
    decentration_azimuth_deg: float = 0.0

    def shifted(self, x_mm: float, y_mm: float) -> Pose:
        """The pose with the beam shifted sideways further.

        Parameters
        ----------
        x_mm, y_mm : float
            Nasally and upwards, mm.

        Returns
        -------
        Pose

        Examples
        --------
        >>> Pose(decentration_mm=0.3).shifted(0.0, 0.4).decentration_mm
        0.5
        """
        azimuth = math.radians(self.decentration_azimuth_deg)
        shift, towards = _polar(
            self.decentration_mm * math.cos(azimuth) + x_mm,
            self.decentration_mm * math.sin(azimuth) + y_mm,
        )
        return replace(self, decentration_mm=shift, decentration_azimuth_deg=towards)


# The largest difference of contact and immersion in the study the draws are taken from is 0.94.
_MOST_COMPRESSION_MM = 1.0


def draw_compression_mm(rng: np.random.Generator, mean_mm: float, sd_mm: float) -> float:
    """Draw a compression: gamma distributed, so never below zero, and capped at 1 mm.

    Parameters
    ----------
    rng : numpy.random.Generator
    mean_mm, sd_mm : float
        mm; without one of them the mean itself is given.

    Returns
    -------
    float
        mm.

    Examples
    --------
    >>> draw_compression_mm(np.random.default_rng(1), 0.2, 0.0)
    0.2
    """
    if mean_mm <= 0.0 or sd_mm <= 0.0:
        return max(0.0, mean_mm)
    shape = (mean_mm / sd_mm) ** 2
    return min(_MOST_COMPRESSION_MM, float(rng.standard_gamma(shape) * mean_mm / shape))


def _polar(x: float, y: float) -> tuple[float, float]:
    return math.hypot(x, y), math.degrees(math.atan2(y, x))


def draw_pose(
    section: PoseSection,
    rng: np.random.Generator,
    fraction: float,
    scan: ScanSection | None = None,
) -> Pose:
    """Draw the pose of one scan.

    Parameters
    ----------
    section : PoseSection
    rng : numpy.random.Generator
    fraction : float
        How far the sitting has got, 0 to 1; a drifting hand tilts in proportion.
    scan : ScanSection, optional
        What the scenario fixes for this scan.

    Returns
    -------
    Pose

    Examples
    --------
    >>> still = PoseSection(tilt_sd_deg=0.0, decentration_sd_mm=0.0, fixation_sd_deg=0.0)
    >>> draw_pose(still, np.random.default_rng(1), 0.0).tilt_deg
    0.0
    """
    shake = rng.standard_normal(4)
    # An eye that turns moves against the beam: it tilts, and its vertex is carried along.
    gaze_deg = section.fixation_sd_deg * rng.standard_normal(2)
    carried_mm = CENTRE_OF_ROTATION_MM * np.sin(np.radians(gaze_deg))
    azimuth = math.radians(section.azimuth_deg)
    if section.kind == "optic_nerve":
        # The beam runs through the nodal point to the nerve head.
        tilt_offset = NERVE_HEAD_DEG
        shift_offset = -NODAL_POINT_MM * math.tan(math.radians(NERVE_HEAD_DEG))
        azimuth = 0.0
    else:
        tilt_offset = {"oblique": section.tilt_deg, "drifting": section.tilt_deg * fraction}.get(
            section.kind, 0.0
        )
        shift_offset = section.decentration_mm
    hand_deg = (
        tilt_offset * math.cos(azimuth) + section.tilt_sd_deg * shake[0],
        tilt_offset * math.sin(azimuth) + section.tilt_sd_deg * shake[1],
    )
    tilt_x, tilt_y = hand_deg[0] - gaze_deg[0], hand_deg[1] - gaze_deg[1]
    shift_x = shift_offset * math.cos(azimuth) + section.decentration_sd_mm * shake[2]
    shift_x += carried_mm[0]
    shift_y = shift_offset * math.sin(azimuth) + section.decentration_sd_mm * shake[3]
    shift_y += carried_mm[1]
    if section.pivot_mm and section.kind != "optic_nerve":
        # The beam keeps to the pivot, and so meets the plane of the vertex beside the vertex.
        shift_x -= section.pivot_mm * math.tan(math.radians(hand_deg[0]))
        shift_y -= section.pivot_mm * math.tan(math.radians(hand_deg[1]))
    tilt, tilt_azimuth = _polar(tilt_x, tilt_y)
    shift, shift_azimuth = _polar(shift_x, shift_y)
    if scan is not None and not math.isnan(scan.tilt_deg):
        tilt, tilt_azimuth = scan.tilt_deg, scan.azimuth_deg
    if scan is not None and not math.isnan(scan.decentration_mm):
        shift, shift_azimuth = scan.decentration_mm, scan.azimuth_deg
    return Pose(
        tilt_deg=tilt,
        tilt_azimuth_deg=tilt_azimuth,
        decentration_mm=shift,
        decentration_azimuth_deg=shift_azimuth,
    )


def beam_through_eye(
    disc: Disc,
    eye: EyeModel,
    method: MethodSection,
    pose: Pose,
    *,
    compression_mm: float = 0.0,
) -> BeamPath:
    """The beam of a probe at a pose on an eye.

    Parameters
    ----------
    disc : Disc
    eye : EyeModel
    method : MethodSection
    pose : Pose
    compression_mm : float
        Shortening of the chamber in contact, mm; must leave some of it.

    Returns
    -------
    BeamPath

    Examples
    --------
    >>> from echotrace.synthesis.eye_model import SCHEMATIC_EYES
    >>> eye = SCHEMATIC_EYES["navarro"]
    >>> path = beam_through_eye(Disc(), eye, MethodSection(standoff_mm=9.0), Pose(tilt_deg=3.0))
    >>> round(float(path.incidence_deg[0]), 1)
    3.0
    """
    surfaces, behind = eye_surfaces(eye)
    heading = direction(pose.tilt_deg, pose.tilt_azimuth_deg)
    aside = pose.decentration_mm * direction(90.0, pose.decentration_azimuth_deg)
    aside[2] = 0.0
    if method.kind == "immersion":
        origin = aside - method.standoff_mm * heading
        bath = MEDIA[method.bath]
        media = [bath, *behind]
        first_speed = bath.speed_at(method.bath_temperature_c)
    else:
        # The face meets the cornea where the shifted beam does, pushed in by the compression.
        touch, _ = surfaces[0].hit(aside - 5.0 * heading, heading)
        origin = touch + compression_mm * heading
        surfaces = [
            Surface.plane("cornea_front", origin, heading),
            Surface.plane("cornea_back", origin + eye.cornea_mm * heading, heading),
            *surfaces[2:],
        ]
        media = [MEDIA["water"], *behind]
        first_speed = MEDIA["water"].speed_m_per_s
    speeds = [first_speed, *(item.speed_at(eye.temperature_c) for item in behind)]
    return trace_beam(surfaces, media, speeds, origin, heading, tip_mm=disc.tip_mm)


def length_along_beam(path: BeamPath, first: str, last: str) -> float:
    """Way along the chief ray between two surfaces, mm; NaN where the beam does not get there.

    Parameters
    ----------
    path : BeamPath
    first, last : str
        Names of two surfaces, the nearer one first.

    Returns
    -------
    float
        mm.

    Examples
    --------
    >>> from echotrace.synthesis.eye_model import SCHEMATIC_EYES
    >>> path = beam_through_eye(Disc(), SCHEMATIC_EYES["navarro"], MethodSection(), Pose())
    >>> round(length_along_beam(path, "cornea_front", "retina"), 3)
    23.92
    """
    a, b = path.index(first), path.index(last)
    return float(np.sum(path.length_mm[a + 1 : b + 1]))


def incidence_deg(path: BeamPath, name: str) -> float:
    """Angle of the chief ray to the normal of a surface, degrees.

    Parameters
    ----------
    path : BeamPath
    name : str

    Returns
    -------
    float
        Degrees.

    Examples
    --------
    >>> from echotrace.synthesis.eye_model import SCHEMATIC_EYES
    >>> path = beam_through_eye(Disc(), SCHEMATIC_EYES["navarro"], MethodSection(), Pose())
    >>> incidence_deg(path, "retina")
    0.0
    """
    return float(path.incidence_deg[path.index(name)])
