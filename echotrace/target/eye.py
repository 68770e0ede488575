"""The eye in each of its states, with published thicknesses."""

from __future__ import annotations

from dataclasses import replace

from echotrace.errors import ParameterError
from echotrace.media import medium
from echotrace.target.layers import Interface, Segment, Target

__all__ = ["IMPLANT_MATERIALS", "VITREOUS_FILLINGS", "eye_target"]

# Thickness priors, mm. Axial length 24.17 ± 2.47, chamber (corneal front to lens) 3.02 ± 0.45,
# lens 4.52 ± 0.45, cornea 0.534 ± 0.04: 28,709 cataract eyes, BMC Ophthalmol 2021. The ranges
# are wider than four standard deviations so that no real eye is cut off: vitreous from infants
# to pathological myopia (28.75 ± 2.20, openophthalmologyjournal 13:70).
_CORNEA = Segment(
    name="cornea",
    medium=medium("cornea"),
    mean_mm=0.534,
    sd_mm=0.04,
    range_mm=(0.38, 0.75),
    assumed_mm=0.534,
    assumed_u_mm=0.04,
)
_AQUEOUS = Segment(
    name="aqueous",
    medium=medium("aqueous"),
    mean_mm=2.49,
    sd_mm=0.45,
    range_mm=(0.9, 4.9),
)
_LENS = Segment(name="lens", medium=medium("lens"), mean_mm=4.52, sd_mm=0.45, range_mm=(2.7, 6.6))
_VITREOUS = Segment(
    name="vitreous",
    medium=medium("vitreous"),
    mean_mm=16.6,
    sd_mm=2.4,
    range_mm=(9.5, 30.0),
)
# Retina and choroid together in front of the sclera: 0.25 mm of retina and 0.2 to 0.3 mm of
# choroid (common practice, no source).
_WALL = Segment(name="wall", medium=medium("retina"), mean_mm=0.55, sd_mm=0.2, range_mm=(0.2, 1.6))
# An implant after cataract surgery sits behind the iris: deeper chamber than the natural lens
# (about 4 to 4.5 mm from the corneal front), 0.4 to 1.4 mm thick (value from memory).
_IMPLANT_CHAMBER = Segment(
    name="aqueous",
    medium=medium("aqueous"),
    mean_mm=3.7,
    sd_mm=0.6,
    range_mm=(1.6, 6.0),
)

_EYE_FRONT = (Interface(name="cornea_front"), Interface(name="cornea_back", optional=True))
_EYE_LENS = (Interface(name="lens_front"), Interface(name="lens_back"))
_EYE_WALL = (
    Interface(name="retina", first_rise=True),
    Interface(name="sclera", optional=True),
)

IMPLANT_MATERIALS = ("pmma", "silicone", "acrylic", "collagen_copolymer", "glass")
"""Lens materials a pseudophakic eye can have."""

VITREOUS_FILLINGS = ("natural", "silicone_oil_1000", "silicone_oil_5000", "gas")
"""What can fill the vitreous cavity; the number is the viscosity of the oil in cSt."""


def eye_target(
    lens_state: str, *, lens_material: str = "none", vitreous: str = "natural"
) -> Target:
    """The eye in one of its states.

    Parameters
    ----------
    lens_state : {"phakic", "aphakic", "pseudophakic"}
    lens_material : str
        Material of the implant, one of :data:`IMPLANT_MATERIALS`; ``"none"`` unless pseudophakic.
    vitreous : str
        One of :data:`VITREOUS_FILLINGS`.

    Returns
    -------
    Target

    Raises
    ------
    ParameterError
        Unknown state or material, or a gas filling: gas reflects the beam almost wholly, so no
        echo from behind it can be measured.

    Examples
    --------
    >>> eye_target("pseudophakic", lens_material="acrylic").name
    'pseudophakic_acrylic'
    >>> eye_target("phakic").length_to
    'retina'
    """
    lens_state, lens_material, vitreous = str(lens_state), str(lens_material), str(vitreous)
    if vitreous == "gas":
        raise ParameterError(
            "vitreous='gas': gas reflects the beam almost wholly, no length can be measured "
            "through it; measure again after the gas has gone or by another means"
        )
    if vitreous not in VITREOUS_FILLINGS:
        raise ParameterError(f"vitreous={vitreous!r}: use one of {', '.join(VITREOUS_FILLINGS)}")
    cavity = _VITREOUS
    if vitreous != "natural":
        cavity = replace(_VITREOUS, medium=medium(vitreous))
    if lens_state == "pseudophakic":
        if lens_material not in IMPLANT_MATERIALS:
            raise ParameterError(
                f"lens_material={lens_material!r}: a pseudophakic eye needs the material of its "
                f"lens, one of {', '.join(IMPLANT_MATERIALS)}"
            )
        implant = Segment(
            name="lens",
            medium=medium(lens_material),
            mean_mm=0.8,
            sd_mm=0.3,
            range_mm=(0.25, 1.8),
        )
        cavity = replace(cavity, mean_mm=18.9)
        segments: tuple[Segment, ...] = (_CORNEA, _IMPLANT_CHAMBER, implant, cavity, _WALL)
        interfaces: tuple[Interface, ...] = (*_EYE_FRONT, *_EYE_LENS, *_EYE_WALL)
    elif lens_material != "none":
        raise ParameterError(
            f"lens_material={lens_material!r} goes with lens_state='pseudophakic', not with "
            f"{lens_state!r}; use 'none'"
        )
    elif lens_state == "phakic":
        segments = (_CORNEA, _AQUEOUS, _LENS, cavity, _WALL)
        interfaces = (*_EYE_FRONT, *_EYE_LENS, *_EYE_WALL)
    elif lens_state == "aphakic":
        # Without a lens, aqueous and vitreous are one column of fluid at one speed; a filling
        # such as oil takes all of it (common practice, no source).
        column = replace(cavity, mean_mm=23.6, sd_mm=2.5, range_mm=(14.0, 38.0))
        segments = (_CORNEA, column, _WALL)
        interfaces = (*_EYE_FRONT, *_EYE_WALL)
    else:
        raise ParameterError(f"lens_state={lens_state!r}: use phakic, aphakic or pseudophakic")
    name = lens_state if lens_material == "none" else f"{lens_state}_{lens_material}"
    if vitreous != "natural":
        name = f"{name}_{vitreous}"
    return Target(
        name=name,
        interfaces=interfaces,
        segments=segments,
        length_from="cornea_front",
        length_to="retina",
        anatomy=True,
    )
