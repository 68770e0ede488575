"""The eye as the beam meets it: published schematic eyes, and draws from a population.

Frame of the eye: the visual axis is ``z``, counted from the corneal vertex into the eye; ``x``
points nasally, ``y`` upwards. All interfaces are spheres; radii are positive lengths, and the
side to which a surface bulges follows from its name. The visual axis is taken to be the axis of
symmetry, apart from a lens that may be tilted and decentred.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.media import BODY_TEMPERATURE_C, Medium, medium
from echotrace.synthesis.beam import Surface

__all__ = [
    "SCHEMATIC_EYES",
    "EyeModel",
    "direction",
    "draw_eye",
    "eye_surfaces",
    "lens_attenuation_db_per_cm_mhz",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeModel:
    """Geometry and state of one eye.

    Attributes
    ----------
    cornea_front_radius_mm, cornea_back_radius_mm : float
    lens_front_radius_mm, lens_back_radius_mm, retina_radius_mm : float
    cornea_mm, aqueous_mm, lens_mm, vitreous_mm : float
        Thicknesses along the visual axis, mm; the aqueous from the corneal back to the lens.
    retina_mm, choroid_mm, sclera_mm, orbit_mm : float
        Thicknesses of the wall's layers and of the orbital fat that is modelled, mm. Retina 0.25,
        choroid 0.3, sclera 0.9 at the posterior pole (common practice, no source).
    lens_tilt_deg, lens_decentration_mm : float
        Of the lens about its own centre, towards ``lens_azimuth_deg``.
    lens_azimuth_deg : float
        Direction in the plane across the visual axis, degrees from nasal to upwards.
    lens_state : str
    lens_material : str
        Of an implant, else ``"none"``.
    vitreous : str
        Filling of the vitreous cavity.
    cataract_grade : float
        0 (clear) to 5 (dense).
    staphyloma_slope_deg : float
        Slope of the wall against the sphere at the posterior pole, degrees.
    staphyloma_step_mm : float
        Depth of a second level of the wall that fills half the field, mm; 0: none.
    vitreous_opacities : int
        Number of clumps in the vitreous that echo.
    retina_echo_db : float
        Height of the retina's echo over that of the usual impedance step, dB: eyes differ.
    backscatter_db : float
        Scatter of the wall and the orbit over the usual, dB.
    temperature_c : float
        °C; speeds of media with a slope follow it.
    speed_errors : mapping of str to float
        By how many standard uncertainties (``speed_u_m_per_s``) the speed of a medium lies above
        the convention; none for one that is not named.

    Examples
    --------
    >>> round(SCHEMATIC_EYES["navarro"].axial_length_mm, 4)
    23.9203
    """

    cornea_front_radius_mm: float
    cornea_back_radius_mm: float
    lens_front_radius_mm: float
    lens_back_radius_mm: float
    retina_radius_mm: float
    cornea_mm: float
    aqueous_mm: float
    lens_mm: float
    vitreous_mm: float
    retina_mm: float = 0.25
    choroid_mm: float = 0.30
    sclera_mm: float = 0.90
    orbit_mm: float = 8.0
    lens_tilt_deg: float = 0.0
    lens_decentration_mm: float = 0.0
    lens_azimuth_deg: float = 0.0
    lens_state: str = "phakic"
    lens_material: str = "none"
    vitreous: str = "natural"
    cataract_grade: float = 0.0
    staphyloma_slope_deg: float = 0.0
    staphyloma_step_mm: float = 0.0
    vitreous_opacities: int = 0
    retina_echo_db: float = 0.0
    backscatter_db: float = 0.0
    temperature_c: float = BODY_TEMPERATURE_C
    speed_errors: Mapping[str, float] = field(default_factory=dict)

    @property
    def axial_length_mm(self) -> float:
        """Corneal front to retina along the visual axis, mm."""
        return self.cornea_mm + self.aqueous_mm + self.lens_mm + self.vitreous_mm


# Radii and thicknesses, mm. Navarro: Escudero-Sanz & Navarro 1999, J Opt Soc Am A 16:1881.
# Gullstrand-Le Grand, unaccommodated: Le Grand & El Hage 1980, Physiological Optics. Liou &
# Brennan 1997, J Opt Soc Am A 14:1684 (axial length as published, the rest values from memory
# that add up to it; its retina is not given: a sphere of 12 mm here).
SCHEMATIC_EYES = MappingProxyType(
    {
        "navarro": EyeModel(
            cornea_front_radius_mm=7.72,
            cornea_back_radius_mm=6.50,
            lens_front_radius_mm=10.2,
            lens_back_radius_mm=6.0,
            retina_radius_mm=12.0,
            cornea_mm=0.55,
            aqueous_mm=3.05,
            lens_mm=4.00,
            vitreous_mm=16.3203,
        ),
        "gullstrand_le_grand": EyeModel(
            cornea_front_radius_mm=7.8,
            cornea_back_radius_mm=6.5,
            lens_front_radius_mm=10.2,
            lens_back_radius_mm=6.0,
            retina_radius_mm=13.4,
            cornea_mm=0.55,
            aqueous_mm=3.05,
            lens_mm=4.0,
            vitreous_mm=16.59655,
        ),
        "liou_brennan": EyeModel(
            cornea_front_radius_mm=7.77,
            cornea_back_radius_mm=6.40,
            lens_front_radius_mm=12.40,
            lens_back_radius_mm=8.10,
            retina_radius_mm=12.0,
            cornea_mm=0.50,
            aqueous_mm=3.16,
            lens_mm=4.02,
            vitreous_mm=16.27,
        ),
    }
)
"""Published schematic eyes by name."""

# Means and standard deviations, mm: axial length, chamber (corneal front to lens), lens, cornea;
# 28,709 cataract eyes, BMC Ophthalmol 2021, with Spearman correlations chamber-length 0.544 and
# chamber-lens -0.660. That of length and lens is not given: their product, as if the chamber were
# the only link. The cornea is taken as independent. Corneal radius 7.75 ± 0.26: from memory.
_POPULATION_MEAN = np.array([24.17, 3.02, 4.52, 0.534, 7.75])
_POPULATION_SD = np.array([2.47, 0.45, 0.45, 0.04, 0.26])
_SPEARMAN = {(0, 1): 0.544, (1, 2): -0.660, (0, 2): 0.544 * -0.660}
_POPULATION_RANGE = np.array([[20.0, 32.0], [1.8, 4.6], [3.2, 6.2], [0.42, 0.66], [6.9, 8.7]])


def _population_correlation() -> NDArray[np.float64]:
    matrix = np.eye(5)
    for (i, j), rank in _SPEARMAN.items():
        # Rank correlation of a bivariate normal (Pearson 1907).
        matrix[i, j] = matrix[j, i] = 2.0 * math.sin(math.pi * rank / 6.0)
    return matrix


def draw_eye(rng: np.random.Generator) -> EyeModel:
    """Draw a phakic eye from the published population.

    Lengths are drawn from a multivariate normal distribution and drawn again while any lies
    outside the range of eyes that occur; the radii of the lens and the corneal back are those of
    the Navarro eye, the retina's radius grows with the axial length.

    Parameters
    ----------
    rng : numpy.random.Generator

    Returns
    -------
    EyeModel

    Examples
    --------
    >>> 14.0 < draw_eye(np.random.default_rng(1)).axial_length_mm < 40.0
    True
    """
    lower = np.linalg.cholesky(_population_correlation())
    while True:
        values = _POPULATION_MEAN + _POPULATION_SD * (lower @ rng.standard_normal(5))
        inside = (values >= _POPULATION_RANGE[:, 0]) & (values <= _POPULATION_RANGE[:, 1])
        axial, chamber, lens, cornea, radius = (float(value) for value in values)
        if inside.all() and axial - chamber - lens > 11.0:
            break
    navarro = SCHEMATIC_EYES["navarro"]
    return replace(
        navarro,
        cornea_front_radius_mm=radius,
        cornea_back_radius_mm=radius * navarro.cornea_back_radius_mm / 7.72,
        retina_radius_mm=12.0 * axial / navarro.axial_length_mm,
        cornea_mm=cornea,
        aqueous_mm=chamber - cornea,
        lens_mm=lens,
        vitreous_mm=axial - chamber - lens,
    )


def lens_attenuation_db_per_cm_mhz(cataract_grade: float) -> float:
    """Attenuation of the lens, growing from 0.48 (clear) to 5.2 (grade 5) dB/cm at 1 MHz.

    Parameters
    ----------
    cataract_grade : float
        0 to 5.

    Returns
    -------
    float
        dB/(cm MHz).

    Notes
    -----
    The two ends are those measured in porcine lenses before and after an induced cataract
    (PMC2843554); the geometric growth between them is a modelling choice.

    Examples
    --------
    >>> lens_attenuation_db_per_cm_mhz(0.0)
    0.48
    """
    return float(0.48 * (5.2 / 0.48) ** (cataract_grade / 5.0))


def direction(angle_deg: float, azimuth_deg: float) -> NDArray[np.float64]:
    """Unit vector at an angle to the visual axis, towards an azimuth (nasal 0, upwards 90).

    Parameters
    ----------
    angle_deg : float
        From the visual axis.
    azimuth_deg : float
        Nasal 0, up 90.

    Returns
    -------
    ndarray of float64, (3,)

    Examples
    --------
    >>> direction(90.0, 90.0).round(6).tolist()
    [0.0, 1.0, 0.0]
    """
    angle, azimuth = math.radians(angle_deg), math.radians(azimuth_deg)
    return np.array(
        [
            math.sin(angle) * math.cos(azimuth),
            math.sin(angle) * math.sin(azimuth),
            math.cos(angle),
        ]
    )


def eye_surfaces(eye: EyeModel) -> tuple[list[Surface], list[Medium]]:
    """Surfaces of the eye in beam order, and the media behind each of them.

    Parameters
    ----------
    eye : EyeModel

    Returns
    -------
    surfaces : list of Surface
        ``cornea_front``, ``cornea_back``, ``lens_front``, ``lens_back`` (where there is a lens),
        ``retina``, ``choroid``, ``sclera``, ``orbit``.
    media : list of Medium
        ``media[j]`` lies behind ``surfaces[j]``.

    Raises
    ------
    ParameterError
        Thicknesses that put a surface in front of the one before it.

    Examples
    --------
    >>> surfaces, media = eye_surfaces(SCHEMATIC_EYES["navarro"])
    >>> [surface.name for surface in surfaces][:4], len(media) - len(surfaces)
    (['cornea_front', 'cornea_back', 'lens_front', 'lens_back'], 0)
    """
    for name in ("cornea_mm", "aqueous_mm", "lens_mm", "vitreous_mm"):
        if getattr(eye, name) <= 0.0:
            raise ParameterError(
                f"{name}={getattr(eye, name):g} puts an interface in front of the one before it; "
                "give a larger axial length or thinner segments"
            )
    surfaces = [
        Surface.on_axis("cornea_front", 0.0, eye.cornea_front_radius_mm),
        Surface.on_axis("cornea_back", eye.cornea_mm, eye.cornea_back_radius_mm),
    ]
    vitreous = _in_eye(eye, "vitreous" if eye.vitreous == "natural" else eye.vitreous)
    lens_vertex = eye.cornea_mm + eye.aqueous_mm
    if eye.lens_state == "aphakic":
        media = [_in_eye(eye, "cornea"), vitreous]
    else:
        if eye.lens_state == "pseudophakic":
            lens = _in_eye(eye, eye.lens_material)
        else:
            lens = replace(
                _in_eye(eye, "lens"),
                attenuation_db_per_cm_mhz=lens_attenuation_db_per_cm_mhz(eye.cataract_grade),
            )
        media = [_in_eye(eye, "cornea"), _in_eye(eye, "aqueous"), lens, vitreous]
        surfaces += _lens_surfaces(eye, lens_vertex)
    pole = np.array([0.0, 0.0, eye.axial_length_mm])
    slope = direction(eye.staphyloma_slope_deg, 0.0)
    depth = 0.0
    for name, thickness in (
        ("retina", eye.retina_mm),
        ("choroid", eye.choroid_mm),
        ("sclera", eye.sclera_mm),
        ("orbit", eye.orbit_mm),
    ):
        # Concentric shells; a sloping wall turns them about the posterior pole.
        centre = pole - eye.retina_radius_mm * slope
        radius = -(eye.retina_radius_mm + depth)
        surfaces.append(Surface(name, centre, radius, step_mm=eye.staphyloma_step_mm))
        depth += thickness
    retina = _with_echo(medium("retina"), media[-1], eye.retina_echo_db)
    media += [retina, medium("choroid"), medium("sclera"), medium("orbital_fat")]
    return surfaces, media


def _in_eye(eye: EyeModel, name: str) -> Medium:
    """A medium with the speed that it has in this eye."""
    item = medium(name)
    error = eye.speed_errors.get(name, 0.0)
    if error == 0.0:
        return item
    return replace(item, speed_m_per_s=item.speed_m_per_s + error * item.speed_u_m_per_s)


def _with_echo(behind: Medium, before: Medium, echo_db: float) -> Medium:
    """The medium with the density that makes the echo of its front so much higher."""
    if echo_db == 0.0:
        return behind
    z_before = before.density_kg_per_m3 * before.speed_m_per_s
    z_behind = behind.density_kg_per_m3 * behind.speed_m_per_s
    step = (z_behind - z_before) / (z_behind + z_before) * 10.0 ** (echo_db / 20.0)
    density = z_before * (1.0 + step) / (1.0 - step) / behind.speed_m_per_s
    return replace(behind, density_kg_per_m3=density)


def _lens_surfaces(eye: EyeModel, vertex_mm: float) -> list[Surface]:
    axis = direction(eye.lens_tilt_deg, eye.lens_azimuth_deg)
    aside = direction(90.0, eye.lens_azimuth_deg) * eye.lens_decentration_mm
    middle = np.array([0.0, 0.0, vertex_mm + 0.5 * eye.lens_mm]) + aside
    front = middle + (eye.lens_front_radius_mm - 0.5 * eye.lens_mm) * axis
    back = middle - (eye.lens_back_radius_mm - 0.5 * eye.lens_mm) * axis
    return [
        Surface("lens_front", front, eye.lens_front_radius_mm),
        Surface("lens_back", back, -eye.lens_back_radius_mm),
    ]
