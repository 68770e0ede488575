"""What the beam passes through: sound speed, attenuation and density, each with its source.

Speeds of the ocular media are the *conventions* of the trade at body temperature, not a
measurement of the eye in front of the probe; ``speed_u_m_per_s`` says how far the two can be
apart and feeds the uncertainty of every length. The word ``memory`` in a source means that the
value is a value from memory: it is common in the trade but its origin was not re-read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from echotrace.errors import ParameterError
from echotrace.user_input import did_you_mean

__all__ = [
    "BODY_TEMPERATURE_C",
    "MEDIA",
    "Medium",
    "medium",
    "pressure_reflection",
    "pressure_transmission",
    "water_speed_m_per_s",
]

BODY_TEMPERATURE_C = 37.0

WaterModel = Literal["marczak_1997", "bilaniuk_wong_1996", "del_grosso_mader_1972"]

# Coefficients k0..k5 of c = sum k_i T^i, m/s, T in degC, and the range they were fitted over.
_WATER_SPEED: dict[WaterModel, tuple[tuple[float, ...], tuple[float, float]]] = {
    # Marczak W 1997, J Acoust Soc Am 102:2776 (ITS-90).
    "marczak_1997": (
        (1402.385, 5.038813, -5.799136e-2, 3.287156e-4, -1.398845e-6, 2.787860e-9),
        (0.0, 95.0),
    ),
    # Bilaniuk N, Wong GSK 1993 J Acoust Soc Am 93:1609 and 1996 99:3257, 148-point fit (ITS-90).
    "bilaniuk_wong_1996": (
        (1402.38744, 5.03836171, -5.81172916e-2, 3.34638117e-4, -1.48259672e-6, 3.16585020e-9),
        (0.0, 100.0),
    ),
    # Del Grosso VA, Mader CW 1972, J Acoust Soc Am 52:1442 (T68 scale).
    "del_grosso_mader_1972": (
        (1402.38754, 5.03711129, -5.80852166e-2, 3.34198834e-4, -1.47800417e-6, 3.14643091e-9),
        (0.0, 95.0),
    ),
}


def water_speed_m_per_s(
    temperature_c: ArrayLike, *, model: WaterModel = "marczak_1997"
) -> np.ndarray:
    """Sound speed in pure water at atmospheric pressure.

    Parameters
    ----------
    temperature_c : array_like
        Temperature, °C.
    model : {"marczak_1997", "bilaniuk_wong_1996", "del_grosso_mader_1972"}
        The published polynomial; the three agree within 0.05 m/s over 0 to 38 °C.

    Returns
    -------
    ndarray
        Speed, m/s, same shape as ``temperature_c``.

    Raises
    ------
    ParameterError
        Unknown model, or a temperature outside the range of the fit.

    Notes
    -----
    Marczak 1997, J Acoust Soc Am 102:2776-2779; Bilaniuk & Wong 1996, 99:3257; Del Grosso &
    Mader 1972, 52:1442-1446.

    Examples
    --------
    >>> round(float(water_speed_m_per_s(20.0)), 2)
    1482.38
    """
    if model not in _WATER_SPEED:
        raise ParameterError(f"model={model!r}: use one of {', '.join(_WATER_SPEED)}")
    coefficients, (low_c, high_c) = _WATER_SPEED[model]
    temperature = np.asarray(temperature_c, dtype=np.float64)
    if not np.all((temperature >= low_c) & (temperature <= high_c)):
        raise ParameterError(
            f"temperature_c={temperature_c!r}: {model} holds from {low_c:g} to {high_c:g} °C"
        )
    return np.polynomial.polynomial.polyval(temperature, coefficients)


@dataclass(frozen=True, slots=True, kw_only=True)
class Medium:
    """One homogeneous medium.

    Attributes
    ----------
    name : str
    speed_m_per_s : float
        Longitudinal sound speed at ``temperature_c``, m/s.
    speed_u_m_per_s : float
        Standard uncertainty of the speed for one particular specimen, m/s.
    speed_slope_m_per_s_per_c : float
        Change of speed with temperature near ``temperature_c``, m/s per °C.
    temperature_c : float
        Temperature at which the speed is stated, °C.
    attenuation_db_per_cm_mhz : float
        One-way attenuation at 1 MHz, dB/cm.
    attenuation_exponent : float
        Power of frequency with which attenuation grows.
    density_kg_per_m3 : float
        NaN where none was found.
    source : str
        Where the numbers come from.

    Examples
    --------
    >>> gel = Medium(name="gel", speed_m_per_s=1540.0, speed_u_m_per_s=5.0, source="data sheet")
    >>> gel.speed_at(25.0)
    1540.0
    """

    name: str
    speed_m_per_s: float
    speed_u_m_per_s: float
    speed_slope_m_per_s_per_c: float = 0.0
    temperature_c: float = BODY_TEMPERATURE_C
    attenuation_db_per_cm_mhz: float = 0.0
    attenuation_exponent: float = 1.0
    density_kg_per_m3: float = float("nan")
    source: str

    def __post_init__(self) -> None:
        if not 100.0 <= self.speed_m_per_s <= 20_000.0:
            raise ParameterError(
                f"medium {self.name!r}: speed_m_per_s={self.speed_m_per_s!r} must lie between "
                "100 and 20000 m/s"
            )
        if not 0.0 <= self.speed_u_m_per_s < self.speed_m_per_s:
            raise ParameterError(
                f"medium {self.name!r}: speed_u_m_per_s={self.speed_u_m_per_s!r} must be zero or "
                "more and less than the speed"
            )

    def speed_at(self, temperature_c: float) -> float:
        """Speed at another temperature, m/s, along the stated slope.

        Parameters
        ----------
        temperature_c : float
            °C.

        Returns
        -------
        float
            m/s.
        """
        return self.speed_m_per_s + self.speed_slope_m_per_s_per_c * (
            temperature_c - self.temperature_c
        )

    def attenuation_db_per_cm(self, frequency_mhz: float) -> float:
        """One-way attenuation at a frequency in MHz, dB/cm.

        Parameters
        ----------
        frequency_mhz : float

        Returns
        -------
        float
            dB/cm.
        """
        return float(self.attenuation_db_per_cm_mhz * frequency_mhz**self.attenuation_exponent)


def pressure_reflection(from_rayl: ArrayLike, into_rayl: ArrayLike) -> np.ndarray:
    """Pressure reflection coefficient at normal incidence, (Z2 - Z1)/(Z2 + Z1).

    A negative value inverts the phase of the echo.

    Parameters
    ----------
    from_rayl, into_rayl : array_like
        Acoustic impedances in front of and behind the boundary, rayl.

    Returns
    -------
    ndarray

    Notes
    -----
    Kinsler LE, Frey AR, Coppens AB, Sanders JV, Fundamentals of Acoustics, normal incidence.

    Examples
    --------
    >>> round(float(pressure_reflection(1.54e6, 1.79e6)), 3)
    0.075
    """
    z1, z2 = np.asarray(from_rayl, np.float64), np.asarray(into_rayl, np.float64)
    return (z2 - z1) / (z2 + z1)


def pressure_transmission(from_rayl: ArrayLike, into_rayl: ArrayLike) -> np.ndarray:
    """Pressure transmission coefficient at normal incidence, 2 Z2/(Z2 + Z1).

    Parameters
    ----------
    from_rayl, into_rayl : array_like
        Acoustic impedances in front of and behind the boundary, rayl.

    Returns
    -------
    ndarray

    Notes
    -----
    One more than the reflection coefficient: pressure is continuous.

    Examples
    --------
    >>> round(float(pressure_transmission(1.54e6, 1.79e6)), 3)
    1.075
    """
    z1, z2 = np.asarray(from_rayl, np.float64), np.asarray(into_rayl, np.float64)
    return 2.0 * z2 / (z2 + z1)


_CONVENTION = "Jansson & Kock 1962, Acta Ophthalmol 40:420 (origin from memory), 37 °C"

_ALL = [
    Medium(
        name="water",
        speed_m_per_s=1482.380,
        speed_u_m_per_s=0.05,
        speed_slope_m_per_s_per_c=3.0711,
        temperature_c=20.0,
        attenuation_db_per_cm_mhz=0.00219,
        attenuation_exponent=2.0,
        density_kg_per_m3=998.2,
        source="Marczak 1997 at 20 °C; Pinkerton 1949; Kell 1975",
    ),
    Medium(
        name="saline",
        speed_m_per_s=1482.380 + 10.6,
        speed_u_m_per_s=1.0,
        speed_slope_m_per_s_per_c=2.98,
        temperature_c=20.0,
        attenuation_db_per_cm_mhz=0.00219,
        attenuation_exponent=2.0,
        density_kg_per_m3=1005.0,
        source="0.9 % NaCl: 10.6 m/s above water at 20 °C and 9.3 at 37 °C; density from memory",
    ),
    Medium(
        name="cornea",
        speed_m_per_s=1641.0,
        speed_u_m_per_s=20.0,
        attenuation_db_per_cm_mhz=0.6,
        density_kg_per_m3=1053.0,
        source="trade convention; 1605 m/s bovine, Silverman 2009 UMB 35:839; density from memory; "
        "attenuation between Silverman 2009 (0.93) and Ye 1995 (0.26)",
    ),
    Medium(
        name="aqueous",
        speed_m_per_s=1532.0,
        speed_u_m_per_s=2.0,
        speed_slope_m_per_s_per_c=1.84,
        attenuation_db_per_cm_mhz=0.00139,
        attenuation_exponent=2.0,
        density_kg_per_m3=1003.0,
        source=f"{_CONVENTION}; slope of water at 37 °C; density from memory",
    ),
    Medium(
        name="lens",
        speed_m_per_s=1641.0,
        speed_u_m_per_s=12.0,
        attenuation_db_per_cm_mhz=1.0,
        density_kg_per_m3=1090.0,
        source=f"{_CONVENTION}; no temperature trend: Meister 2014; cataract range 1590 to 1670 "
        "from memory; attenuation 0.48 to 5.2, PMC2843554; density from memory",
    ),
    Medium(
        name="vitreous",
        speed_m_per_s=1532.0,
        speed_u_m_per_s=2.0,
        speed_slope_m_per_s_per_c=1.84,
        attenuation_db_per_cm_mhz=0.00139,
        attenuation_exponent=2.0,
        density_kg_per_m3=1003.0,
        source=f"{_CONVENTION}; slope of water at 37 °C; density from memory",
    ),
    Medium(
        name="retina",
        speed_m_per_s=1618.0,
        speed_u_m_per_s=58.0,
        attenuation_db_per_cm_mhz=1.0,
        density_kg_per_m3=1.57e6 / 1618.0,
        source="PMC7536713 table 2 (speed, impedance); attenuation from memory",
    ),
    Medium(
        name="choroid",
        speed_m_per_s=1612.0,
        speed_u_m_per_s=63.0,
        attenuation_db_per_cm_mhz=1.0,
        density_kg_per_m3=1.59e6 / 1612.0,
        source="PMC7536713 table 2 (speed, impedance); attenuation from memory",
    ),
    Medium(
        name="sclera",
        speed_m_per_s=1622.0,
        speed_u_m_per_s=20.0,
        attenuation_db_per_cm_mhz=0.86,
        density_kg_per_m3=1.71e6 / 1622.0,
        source="Ye 1995 (speed, 4.3 dB/mm at 50 MHz); PMC7536713 (impedance)",
    ),
    Medium(
        name="orbital_fat",
        speed_m_per_s=1462.0,
        speed_u_m_per_s=20.0,
        attenuation_db_per_cm_mhz=1.0,
        density_kg_per_m3=930.0,
        source="handbook values of fat, from memory",
    ),
    Medium(
        name="pmma",
        speed_m_per_s=2718.0,
        speed_u_m_per_s=17.0,
        attenuation_db_per_cm_mhz=1.0,
        density_kg_per_m3=1190.0,
        source="Hoffer 1994 (factor 0.44 = 1 - 1532/2718); 2660 in Holladay & Prager 1989",
    ),
    Medium(
        name="silicone",
        speed_m_per_s=980.0,
        speed_u_m_per_s=20.0,
        attenuation_db_per_cm_mhz=1.5,
        density_kg_per_m3=1050.0,
        source="Hoffer 1994 (factor -0.56 = 1 - 1532/980); up to 1049 from memory",
    ),
    Medium(
        name="acrylic",
        speed_m_per_s=2026.0,
        speed_u_m_per_s=45.0,
        attenuation_db_per_cm_mhz=1.0,
        density_kg_per_m3=1150.0,
        source="Hoffer 2003 (factor 0.23 = 1 - 1555/2026); up to 2180 from memory",
    ),
    Medium(
        name="collagen_copolymer",
        speed_m_per_s=1740.0,
        speed_u_m_per_s=24.0,
        attenuation_db_per_cm_mhz=1.0,
        density_kg_per_m3=1100.0,
        source="Ling 1986; Hoffer 2003 (factor 0.11 = 1 - 1555/1740); density from memory",
    ),
    Medium(
        name="glass",
        speed_m_per_s=6040.0,
        speed_u_m_per_s=100.0,
        density_kg_per_m3=2500.0,
        source="Hoffer 1994 (factor 0.75 = 1 - 1532/6040)",
    ),
    Medium(
        name="silicone_oil_1000",
        speed_m_per_s=987.0,
        speed_u_m_per_s=4.0,
        attenuation_db_per_cm_mhz=0.35,
        attenuation_exponent=1.5,
        density_kg_per_m3=970.0,
        source="1000 to 1300 cSt, 980 to 987 m/s: Murray 1999 and Hoffer (value from memory); "
        "attenuation from memory",
    ),
    Medium(
        name="silicone_oil_5000",
        speed_m_per_s=1040.0,
        speed_u_m_per_s=10.0,
        attenuation_db_per_cm_mhz=0.35,
        attenuation_exponent=1.5,
        density_kg_per_m3=970.0,
        source="5000 cSt: Hoffer (value from memory); attenuation from memory",
    ),
    Medium(
        name="aluminium",
        speed_m_per_s=6320.0,
        speed_u_m_per_s=30.0,
        temperature_c=20.0,
        density_kg_per_m3=2700.0,
        source="handbook value, from memory",
    ),
    Medium(
        name="steel",
        speed_m_per_s=5920.0,
        speed_u_m_per_s=30.0,
        temperature_c=20.0,
        density_kg_per_m3=7800.0,
        source="handbook value, from memory",
    ),
]

MEDIA: Mapping[str, Medium] = MappingProxyType({item.name: item for item in _ALL})
"""The built-in media by name."""


def medium(name: str) -> Medium:
    """Look a built-in medium up by name; an unknown name is told its nearest neighbour.

    Parameters
    ----------
    name : str

    Returns
    -------
    Medium

    Raises
    ------
    ParameterError
        A name that is not in :data:`MEDIA`, with the nearest that is.

    Examples
    --------
    >>> medium("vitreous").speed_m_per_s
    1532.0
    """
    try:
        return MEDIA[name]
    except KeyError:
        hint = did_you_mean(name, MEDIA)
        raise ParameterError(f"unknown medium {name!r}: {hint}Known: {', '.join(MEDIA)}") from None
