"""What the beam passes: ordered interfaces and the segments between them.

A :class:`Target` is data, not code. The eye in each of its states is a built-in target; a plate,
a calibration block or any stack of layers is another, read from a TOML file, and goes through the
same chain.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from echotrace.errors import ParameterError
from echotrace.media import BODY_TEMPERATURE_C, Medium, medium
from echotrace.text_out import one_line
from echotrace.user_input import (
    check_keys,
    did_you_mean,
    given,
    number,
    parsing,
    read_toml,
    shorten,
    tables_of,
    text_of,
    truth_of,
)

__all__ = ["Interface", "Segment", "Target", "eye_target", "read_target"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Interface:
    """A boundary on the beam.

    Attributes
    ----------
    name : str
    optional : bool
        The target can be measured without its echo.
    first_rise : bool
        The echo is the first one that rises out of a quiet stretch, not the tallest in its gate
        (the retina in front of sclera and orbit).

    Examples
    --------
    >>> Interface(name="plate_back", optional=True).optional
    True
    """

    name: str
    optional: bool = False
    first_rise: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """The layer between two neighbouring interfaces.

    Attributes
    ----------
    name : str
    medium : Medium
    mean_mm, sd_mm : float
        Published mean and standard deviation of the thickness, mm: the prior of the joint choice
        of echoes. A standard deviation without end says that any thickness in the range is as
        likely as any other; the first tall echo in reach is then the far face, and those behind it
        its repeats.
    range_mm : tuple of float
        Thickness outside which no echo is looked for, mm.
    assumed_mm, assumed_u_mm : float
        Thickness and its standard uncertainty, mm, used where the echo of the segment's optional
        far interface is not picked. NaN where nothing may be assumed.

    Examples
    --------
    >>> plate = Segment(
    ...     name="plate", medium=medium("pmma"), mean_mm=3.0, sd_mm=0.1, range_mm=(2.0, 4.0)
    ... )
    >>> plate.medium.speed_m_per_s
    2718.0
    """

    name: str
    medium: Medium
    mean_mm: float
    sd_mm: float
    range_mm: tuple[float, float]
    assumed_mm: float = math.nan
    assumed_u_mm: float = math.nan

    def __post_init__(self) -> None:
        low, high = self.range_mm
        if not 0.0 <= low < high:
            raise ParameterError(
                f"segment {self.name!r}: range_mm=[{low:g}, {high:g}] must rise from zero or more"
            )
        if not low <= self.mean_mm <= high:
            raise ParameterError(
                f"segment {self.name!r}: mean_mm={self.mean_mm:g} must lie inside "
                f"range_mm=[{low:g}, {high:g}]"
            )
        if not self.sd_mm > 0.0:
            raise ParameterError(f"segment {self.name!r}: sd_mm={self.sd_mm:g} must be positive")


_COLUMN = re.compile(r"[^\W\d]\w{0,39}")
_LONGEST_NAME = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Ordered interfaces and the segments between them.

    Attributes
    ----------
    name : str
    interfaces : tuple of Interface
        In the order in which the beam meets them.
    segments : tuple of Segment
        ``segments[k]`` lies between ``interfaces[k]`` and ``interfaces[k + 1]``.
    length_from, length_to : str
        Interfaces between which the total length runs (cornea front to retina in an eye).
    anatomy : bool
        True for eyes: findings that speak of anatomy apply.
    temperature_c : float
        Temperature at which the target is measured, °C.

    Examples
    --------
    >>> eye_target("aphakic").interface_names
    ('cornea_front', 'cornea_back', 'retina', 'sclera')
    """

    name: str
    interfaces: tuple[Interface, ...]
    segments: tuple[Segment, ...]
    length_from: str
    length_to: str
    anatomy: bool = False
    temperature_c: float = BODY_TEMPERATURE_C

    def __post_init__(self) -> None:
        names = self.interface_names
        if len(names) < 2:
            raise ParameterError(f"target {self.name!r}: at least two interfaces are needed")
        if len(set(names)) != len(names):
            raise ParameterError(f"target {self.name!r}: interface names must differ, got {names}")
        if len(self.segments) != len(names) - 1:
            raise ParameterError(
                f"target {self.name!r}: {len(names)} interfaces need {len(names) - 1} segments, "
                f"got {len(self.segments)}"
            )
        for end in (self.length_from, self.length_to):
            if end not in names:
                raise ParameterError(
                    f"target {self.name!r}: length runs from or to {end!r}, which is not one of "
                    f"its interfaces ({', '.join(names)})"
                )
        if names.index(self.length_from) >= names.index(self.length_to):
            raise ParameterError(
                f"target {self.name!r}: length_from={self.length_from!r} must come before "
                f"length_to={self.length_to!r}"
            )
        for k, item in enumerate(self.interfaces):
            if not item.optional:
                continue
            inside = names.index(self.length_from) < k < names.index(self.length_to)
            if inside and math.isnan(self.segments[k - 1].assumed_mm):
                raise ParameterError(
                    f"target {self.name!r}: interface {item.name!r} is optional, so segment "
                    f"{self.segments[k - 1].name!r} needs assumed_mm and assumed_u_mm"
                )
        self._check_names()

    def _check_names(self) -> None:
        """Refuse names that become columns of files and could not, before anything is measured."""
        if not self.name or len(self.name) > _LONGEST_NAME or one_line(self.name) != self.name:
            raise ParameterError(
                f"target {shorten(self.name)!r}: give it a name of 1 to {_LONGEST_NAME} characters "
                "in one line"
            )
        segments = [item.name for item in self.segments]
        for kind, names in (("interface", self.interface_names), ("segment", segments)):
            for name in names:
                if not _COLUMN.fullmatch(name) or name.startswith("axial_length"):
                    raise ParameterError(
                        f"target {self.name!r}: {kind} {shorten(name)!r}: a column of a file "
                        "cannot be called that; use up to 40 letters, digits and '_', beginning "
                        "with a letter, and not axial_length"
                    )
        if len(set(segments)) != len(segments):
            raise ParameterError(f"target {self.name!r}: segment names must differ, got {segments}")

    @property
    def interface_names(self) -> tuple[str, ...]:
        """Names of the interfaces, in beam order."""
        return tuple(item.name for item in self.interfaces)

    @property
    def length_slice(self) -> slice:
        """Segments that make up the total length."""
        names = self.interface_names
        return slice(names.index(self.length_from), names.index(self.length_to))

    @property
    def length_segments(self) -> tuple[Segment, ...]:
        """The segments that make up the total length."""
        return self.segments[self.length_slice]

    def index(self, interface: str) -> int:
        """Position of an interface by name.

        Parameters
        ----------
        interface : str

        Returns
        -------
        int
            Counted from 0.

        Raises
        ------
        ParameterError
            The target has no such interface.
        """
        names = self.interface_names
        if interface not in names:
            hint = did_you_mean(interface, names)
            raise ParameterError(
                f"target {self.name!r} has no interface {interface!r}: {hint}"
                f"It has {', '.join(names)}"
            )
        return names.index(interface)


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


_TARGET_KEYS = ("name", "length_from", "length_to", "temperature_c", "interface", "segment")
_INTERFACE_KEYS = ("name", "optional", "first_rise")
_SEGMENT_KEYS = (
    "name",
    "medium",
    "speed_m_per_s",
    "speed_u_m_per_s",
    "mean_mm",
    "sd_mm",
    "range_mm",
    "assumed_mm",
    "assumed_u_mm",
)


# Widths of layers, mm, and speeds of sound, m/s, of anything that is measured by pulse and echo.
_RANGES = {"m_per_s": (0.0, 2e4), "mm": (0.0, 1e4), "c": (-100.0, 1000.0)}


def _number(table: Mapping[str, Any], key: str, where: str, default: float | None = None) -> float:
    if key not in table and default is not None:
        return default
    value = table.get(key)
    if isinstance(value, str) or value is None:
        raise ParameterError(f"{where}: {key} must be a number, got {given(value)}")
    low, high = next(limits for end, limits in _RANGES.items() if key.endswith(f"_{end}"))
    return number(value, f"{where}: {key}", low=low, high=high)


def _segment_from_table(table: Mapping[str, Any], where: str) -> Segment:
    check_keys(table, _SEGMENT_KEYS, where)
    name = text_of(table, "name", where)
    if ("medium" in table) == ("speed_m_per_s" in table):
        raise ParameterError(f"{where}: give either medium or speed_m_per_s")
    if "medium" in table:
        layer = medium(text_of(table, "medium", where))
    else:
        layer = Medium(
            name=name,
            speed_m_per_s=_number(table, "speed_m_per_s", where),
            speed_u_m_per_s=_number(table, "speed_u_m_per_s", where, 0.0),
            source=f"user's target file ({name})",
        )
    bounds = table.get("range_mm")
    if not isinstance(bounds, list) or len(bounds) != 2:
        raise ParameterError(f"{where}: range_mm must be two numbers, [low, high], in mm")
    low, high = (_number({"range_mm": item}, "range_mm", where) for item in bounds)
    # A range alone says nothing of what is likely inside it.
    spread = (high - low) / 4.0 if "mean_mm" in table else math.inf
    return Segment(
        name=name,
        medium=layer,
        mean_mm=_number(table, "mean_mm", where, (low + high) / 2.0),
        sd_mm=_number(table, "sd_mm", where, spread),
        range_mm=(low, high),
        assumed_mm=_number(table, "assumed_mm", where, math.nan),
        assumed_u_mm=_number(table, "assumed_u_mm", where, math.nan),
    )


def read_target(path: str | Path) -> Target:
    """Read a target from a TOML file.

    The file names the target, lists its ``[[interface]]`` tables in beam order and the
    ``[[segment]]`` tables between them; a segment gives a built-in ``medium`` or its own
    ``speed_m_per_s`` and a ``range_mm`` in which its thickness is looked for.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Target

    Raises
    ------
    ParameterError
        Naming the file, the table and the key.

    Examples
    --------
    >>> read_target("plate.toml").interface_names  # doctest: +SKIP
    """
    path = Path(path)
    table = read_toml(path)
    try:
        with parsing("target", "a table of interfaces and segments", error=ParameterError):
            return _target_from_table(table, path.stem)
    except ParameterError as error:
        raise ParameterError(f"{path}: {error}") from None


def _target_from_table(table: Mapping[str, Any], default_name: str) -> Target:
    check_keys(table, _TARGET_KEYS, "target")
    interfaces = []
    for k, item in enumerate(tables_of(table, "interface", "target")):
        where = f"interface {k + 1}"
        check_keys(item, _INTERFACE_KEYS, where)
        interfaces.append(
            Interface(
                name=text_of(item, "name", where),
                optional=truth_of(item, "optional", where),
                first_rise=truth_of(item, "first_rise", where),
            )
        )
    segments = [
        _segment_from_table(item, f"segment {k + 1}")
        for k, item in enumerate(tables_of(table, "segment", "target"))
    ]
    if len(interfaces) < 2:
        raise ParameterError("at least two [[interface]] tables are needed")
    return Target(
        name=text_of(table, "name", "target", default_name),
        interfaces=tuple(interfaces),
        segments=tuple(segments),
        length_from=text_of(table, "length_from", "target", interfaces[0].name),
        length_to=text_of(table, "length_to", "target", interfaces[-1].name),
        temperature_c=_number(table, "temperature_c", "target", 20.0),
    )
