"""How traces were acquired: the probe, and the receiver behind it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from echotrace.errors import ParameterError
from echotrace.quantities import quantities, quantity
from echotrace.user_input import whole_number

__all__ = ["Probe", "Receiver"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """The transducer.

    Attributes
    ----------
    centre_frequency_hz : float
    fractional_bandwidth : float
        -6 dB pulse-echo bandwidth over centre frequency.
    aperture_mm : float
        Diameter of the active disc, mm. NaN where not stated.
    focus_mm : float
        Distance of the geometric focus in water, mm; infinite for a flat disc, NaN where not
        stated.
    face_delay_us, face_delay_u_us : float
        Two-way delay of the probe's face after delay zero (delay tip, electronics, trigger) and
        its standard uncertainty, µs, from the probe's description or a reference block. NaN where
        not stated: a contact recording cannot be measured without it.

    Examples
    --------
    >>> Probe(centre_frequency_hz=10e6, face_delay_us=1.01).fractional_bandwidth
    0.6
    """

    centre_frequency_hz: float
    fractional_bandwidth: float = 0.6
    aperture_mm: float = math.nan
    focus_mm: float = math.nan
    face_delay_us: float = math.nan
    face_delay_u_us: float = math.nan

    def __post_init__(self) -> None:
        for name in self.__slots__:
            object.__setattr__(self, name, quantity(name, getattr(self, name), "probe"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Receiver:
    """What stood between the probe and the samples, apart from the gain of each trace.

    Attributes
    ----------
    tgc_delay_us, tgc_gain_db : tuple of float
        Nodes of the piecewise-linear time gain compensation, µs and dB. Before the first and
        after the last node the gain is that of the node. Empty: none.
    full_scale : float
        Magnitude at which the converter clips, in units of the samples' physical quantity
        (volts at the converter's input, or 1 for relative units).
    bits : int
        Resolution of the converter; 0 where samples are floats in units of ``full_scale``.

    Examples
    --------
    >>> Receiver(tgc_delay_us=(8, 30), tgc_gain_db=(0, 16), bits=12).tgc_delay_us
    (8.0, 30.0)
    """

    tgc_delay_us: tuple[float, ...] = ()
    tgc_gain_db: tuple[float, ...] = ()
    full_scale: float = 1.0
    bits: int = 0

    def __post_init__(self) -> None:
        put = object.__setattr__
        for name in ("tgc_delay_us", "tgc_gain_db"):
            put(self, name, quantities(name, getattr(self, name), "receiver"))
        if len(self.tgc_delay_us) != len(self.tgc_gain_db):
            raise ParameterError(
                f"receiver: {len(self.tgc_delay_us)} tgc_delay_us for "
                f"{len(self.tgc_gain_db)} tgc_gain_db; each node needs both"
            )
        if any(b <= a for a, b in zip(self.tgc_delay_us, self.tgc_delay_us[1:], strict=False)):
            raise ParameterError("receiver: tgc_delay_us must rise from node to node")
        put(self, "full_scale", quantity("full_scale", self.full_scale, "receiver"))
        put(self, "bits", whole_number(self.bits, "receiver: bits"))
        if self.bits != 0 and not 2 <= self.bits <= 16:
            raise ParameterError(f"receiver: bits={self.bits} must be 2 to 16, or 0 for floats")
