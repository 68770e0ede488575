"""Gates: delay windows with a threshold, in which one interface each is looked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from echotrace.errors import ParameterError
from echotrace.media import medium
from echotrace.recording import Method
from echotrace.target import Target

__all__ = ["Gate", "check_gates", "lowest_threshold_db", "preset_gates", "two_way_us"]

Select = Literal["largest", "first"]


def two_way_us(length_mm: float, speed_m_per_s: float) -> float:
    """Two-way delay through a length, µs.

    Parameters
    ----------
    length_mm : float
        mm.
    speed_m_per_s : float
        m/s.

    Returns
    -------
    float
        µs.

    Examples
    --------
    >>> from echotrace.signal.gates import two_way_us
    >>> round(two_way_us(3.05, 1532.0), 3)
    3.982
    """
    return 2e3 * length_mm / speed_m_per_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """A delay window in which one interface is looked for.

    Attributes
    ----------
    interface : str
    start_us, stop_us : float
        Window, µs: after delay zero, or after the pick of ``relative_to``.
    relative_to : str
        Interface whose pick the window follows; empty for a fixed window.
    threshold_db : float or None
        Least height of an echo over the noise (standard deviation of one quadrature of the
        matched output), dB; None: that of the settings.
    threshold_fraction : float
        Least height as a fraction of the largest echo in the gate. Only where gates are searched
        one by one: the joint choice weighs height and the silence before an echo instead.
    select : {"largest", "first"}
        Which echo over the threshold is taken when gates are searched one by one.
    preset : bool
        Made from published ranges. The joint choice leans on such a gate; a gate of the user's
        binds: nothing outside it is taken, and its window takes the place of the published ranges.

    Raises
    ------
    ParameterError
        A window that ends before it begins, a threshold or fraction out of range, an unknown
        selection.

    Examples
    --------
    >>> from echotrace.signal.gates import Gate
    >>> gate = Gate(interface="retina", start_us=20.0, stop_us=34.0, relative_to="cornea_front")
    >>> gate.threshold_db, gate.select, gate.preset
    (None, 'largest', False)
    """

    interface: str
    start_us: float
    stop_us: float
    relative_to: str = ""
    threshold_db: float | None = None
    threshold_fraction: float = 0.0
    select: Select = "largest"
    preset: bool = False

    def __post_init__(self) -> None:
        where = f"gate {self.interface!r}"
        if not self.start_us < self.stop_us:
            raise ParameterError(
                f"{where}: stop_us={self.stop_us:g} must be more than start_us={self.start_us:g}"
            )
        if self.relative_to == self.interface:
            raise ParameterError(f"{where}: relative_to must name another interface")
        if self.threshold_db is not None and not 6.0 <= self.threshold_db <= 80.0:
            raise ParameterError(
                f"{where}: threshold_db={self.threshold_db:g} must lie between 6 and 80 dB over "
                "the noise"
            )
        if not 0.0 <= self.threshold_fraction < 1.0:
            raise ParameterError(
                f"{where}: threshold_fraction={self.threshold_fraction:g} must lie between 0 and 1"
            )
        if self.select not in ("largest", "first"):
            raise ParameterError(f"{where}: select={self.select!r}: use 'largest' or 'first'")


# Bath in front of the eye in immersion: the probe stands 2.5 to 20 mm off the cornea (common
# practice, no source).
_BATH_MM = (2.5, 20.0)
# The first echo behind the bath is the cornea, though the lens may be taller (common practice, no
# source); what is much lower than the tallest is a bubble or a repeat of the transmit pulse.
_CORNEA_FRACTION = 0.1


def preset_gates(target: Target, method: str) -> tuple[Gate, ...]:
    """Gates from the published ranges of the target's segments.

    Parameters
    ----------
    target : Target
    method : {"contact", "immersion", "other"}
        In contact the first interface lies at the probe's face and has no gate, nor has the back
        of the cornea, which the ring-down hides. In immersion the first gate covers the bath. For
        ``other`` the first gate is left to the user and the rest follow it.

    Returns
    -------
    tuple of Gate
        In the order of the target's interfaces; each follows the last interface before it that
        must be there.

    Examples
    --------
    >>> from echotrace.signal.gates import preset_gates
    >>> from echotrace.target import eye_target
    >>> for gate in preset_gates(eye_target("phakic"), "contact")[:2]:
    ...     print(gate.interface, gate.start_us, gate.stop_us, gate.relative_to)
    lens_front 1.638 7.311 cornea_front
    lens_back 3.291 8.044 lens_front
    """
    gates: list[Gate] = []
    names = target.interface_names
    if method == Method.IMMERSION:
        speed = medium("saline").speed_at(30.0)
        low, high = _BATH_MM
        gates.append(
            Gate(
                interface=names[0],
                start_us=round(two_way_us(low, speed), 3),
                stop_us=round(two_way_us(high, speed), 3),
                threshold_fraction=_CORNEA_FRACTION,
                select="first",
                preset=True,
            )
        )
    reference = 0
    for k in range(1, len(names)):
        item = target.interfaces[k]
        between = target.segments[reference:k]
        low_us = sum(two_way_us(s.range_mm[0], s.medium.speed_m_per_s) for s in between)
        high_us = sum(two_way_us(s.range_mm[1], s.medium.speed_m_per_s) for s in between)
        hidden = method == Method.CONTACT and k == 1 and item.optional
        if not hidden:
            gates.append(
                Gate(
                    interface=item.name,
                    start_us=round(low_us, 3),
                    stop_us=round(high_us, 3),
                    relative_to=names[reference],
                    threshold_fraction=0.03 if item.first_rise else 0.0,
                    select="first" if item.first_rise else "largest",
                    preset=True,
                )
            )
        if not item.optional:
            reference = k
    return tuple(gates)


def lowest_threshold_db(gates: Sequence[Gate], threshold_db: float) -> float:
    """The threshold with which echoes must be searched for, so that no gate lacks any.

    Parameters
    ----------
    gates : sequence of Gate
    threshold_db : float
        Of gates that have none of their own, dB over the noise.

    Returns
    -------
    float
        dB over the noise.

    Examples
    --------
    >>> from echotrace.signal.gates import Gate, lowest_threshold_db
    >>> weak = Gate(interface="retina", start_us=28.0, stop_us=34.0, threshold_db=10.0)
    >>> lowest_threshold_db([weak], 13.0)
    10.0
    """
    return min([threshold_db, *(g.threshold_db for g in gates if g.threshold_db is not None)])


def check_gates(gates: Sequence[Gate], target: Target) -> dict[str, Gate]:
    """Gates by the name of their interface.

    Parameters
    ----------
    gates : sequence of Gate
    target : Target

    Returns
    -------
    dict of str to Gate

    Raises
    ------
    ParameterError
        A gate of an interface that the target has not, given twice, or relative to one behind it.

    Examples
    --------
    >>> from echotrace.signal.gates import check_gates, preset_gates
    >>> from echotrace.target import eye_target
    >>> eye = eye_target("aphakic")
    >>> list(check_gates(preset_gates(eye, "immersion"), eye))
    ['cornea_front', 'cornea_back', 'retina', 'sclera']
    """
    by_name: dict[str, Gate] = {}
    for gate in gates:
        k = target.index(gate.interface)
        if gate.interface in by_name:
            raise ParameterError(f"gate {gate.interface!r} is given twice")
        if gate.relative_to and target.index(gate.relative_to) >= k:
            raise ParameterError(
                f"gate {gate.interface!r}: relative_to={gate.relative_to!r} must come before it "
                "on the beam"
            )
        by_name[gate.interface] = gate
    return by_name
