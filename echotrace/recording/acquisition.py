"""How traces were acquired: the probe, and the receiver behind it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from echotrace.errors import ParameterError

__all__ = ["Probe", "Receiver"]


def _finite_positive(value: float, name: str, owner: str) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise ParameterError(f"{owner}: {name}={value!r} must be a positive number")


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
    """

    centre_frequency_hz: float
    fractional_bandwidth: float = 0.6
    aperture_mm: float = math.nan
    focus_mm: float = math.nan
    face_delay_us: float = math.nan
    face_delay_u_us: float = math.nan

    def __post_init__(self) -> None:
        _finite_positive(self.centre_frequency_hz, "centre_frequency_hz", "probe")
        if not 0.05 <= self.fractional_bandwidth <= 2.0:
            raise ParameterError(
                f"probe: fractional_bandwidth={self.fractional_bandwidth!r} must lie between "
                "0.05 and 2 (-6 dB band over centre frequency)"
            )
        for name in ("aperture_mm", "focus_mm"):
            value = getattr(self, name)
            if not (math.isnan(value) or value > 0.0):
                raise ParameterError(f"probe: {name}={value!r} must be positive")
        if self.face_delay_u_us < 0.0:
            raise ParameterError(
                f"probe: face_delay_u_us={self.face_delay_u_us!r} must be zero or more"
            )


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
    """

    tgc_delay_us: tuple[float, ...] = ()
    tgc_gain_db: tuple[float, ...] = ()
    full_scale: float = 1.0
    bits: int = 0

    def __post_init__(self) -> None:
        object.__setattr__(self, "tgc_delay_us", tuple(float(x) for x in self.tgc_delay_us))
        object.__setattr__(self, "tgc_gain_db", tuple(float(x) for x in self.tgc_gain_db))
        if len(self.tgc_delay_us) != len(self.tgc_gain_db):
            raise ParameterError(
                f"receiver: {len(self.tgc_delay_us)} tgc_delay_us for "
                f"{len(self.tgc_gain_db)} tgc_gain_db; each node needs both"
            )
        if any(not math.isfinite(x) for x in (*self.tgc_delay_us, *self.tgc_gain_db)):
            raise ParameterError("receiver: TGC nodes must be finite numbers")
        if any(b <= a for a, b in zip(self.tgc_delay_us, self.tgc_delay_us[1:], strict=False)):
            raise ParameterError("receiver: tgc_delay_us must rise from node to node")
        _finite_positive(self.full_scale, "full_scale", "receiver")
        if self.bits != 0 and not 2 <= self.bits <= 16:
            raise ParameterError(f"receiver: bits={self.bits!r} must be 2 to 16, or 0 for floats")
