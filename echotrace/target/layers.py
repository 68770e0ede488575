"""Interfaces, the segments between them, and both in order."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from echotrace.errors import ParameterError
from echotrace.media import BODY_TEMPERATURE_C, Medium
from echotrace.text_out import one_line
from echotrace.user_input import did_you_mean, shorten

__all__ = ["Interface", "Segment", "Target"]


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
    >>> from echotrace.media import medium
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
    >>> from echotrace.target import eye_target
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
