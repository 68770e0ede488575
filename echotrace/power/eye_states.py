"""Lengths of eyes that are not simply phakic, and what it costs to take one for another.

An instrument that knows one average speed reads every eye at that speed. The published additive
conversions turn such a reading into a length for an eye without a lens, with an implant or with
an implant beside its lens; they are the segment method in small print, each layer adding
``thickness x (1 - speed set / speed in the layer)``. The chain of this project measures segments
and needs none of them; they are here to read other people's numbers, and to show what a wrongly
declared eye state does.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.errors import ParameterError
from echotrace.media import medium
from echotrace.power.lens_power import (
    AXIAL_LENGTH_RANGE_MM,
    Biometry,
    LensConstant,
    lens_power_d,
    refraction_d,
)
from echotrace.target import IMPLANT_MATERIALS, VITREOUS_FILLINGS, Target, eye_target

__all__ = [
    "BIPHAKIC_FACTORS",
    "PSEUDOPHAKIC_FACTORS",
    "StateCost",
    "aphakic_mm",
    "average_speed_m_per_s",
    "biphakic_mm",
    "cost_of_wrong_state",
    "costs_of_wrong_states",
    "layer_factor",
    "phakic_mm",
    "pseudophakic_mm",
    "reading_mm",
    "silicone_oil_mm",
]

Array = NDArray[np.float64]

# Hoffer 1994, J Cataract Refract Surg 20:554, for readings at 1532 m/s: fraction of the implant's
# centre thickness to add. He gives no acrylic and no collagen copolymer lens.
PSEUDOPHAKIC_FACTORS: Mapping[str, float] = MappingProxyType(
    {"pmma": 0.44, "silicone": -0.56, "glass": 0.75}
)
"""Published fraction of an implant's thickness to add to a reading at 1532 m/s."""

# Hoffer 2003, J Cataract Refract Surg 29:961, for readings at 1555 m/s.
BIPHAKIC_FACTORS: Mapping[str, float] = MappingProxyType(
    {"pmma": 0.42, "silicone": -0.59, "collagen_copolymer": 0.11, "acrylic": 0.23}
)
"""Published fraction of a phakic implant's thickness to add to a reading at 1555 m/s."""

# Hoffer 1994: the corneal term, 0.55 mm x (1 - 1532/1641).
_CORNEA_MM = 0.04
# Hoffer 1994: average speeds of eyes with most of the cavity full of oil.
_OIL_SPEED_M_PER_S = {"phakic": 1139.0, "aphakic": 1052.0}
_APHAKIC_SPEED_M_PER_S = 1534.0


def _length(value: ArrayLike, name: str) -> Array:
    array = np.asarray(value, dtype=np.float64)
    if not np.all((array >= 10.0) & (array <= 60.0)):
        raise ParameterError(
            f"{name}={value!r} must lie between 10 and 60 mm: a reading of a whole eye is meant"
        )
    return array


def _thickness(value: float, material: str) -> float:
    if not 0.05 <= value <= 2.5:
        raise ParameterError(
            f"thickness_mm={value!r}: the centre thickness of a {material} implant in mm is "
            "meant, between 0.05 and 2.5"
        )
    return value


def layer_factor(medium_name: str, set_speed_m_per_s: float) -> float:
    """Fraction of a layer's thickness that a single set speed leaves out: 1 - v_set/v_layer.

    Negative where the layer is slower than the set speed and is read too thick.
    """
    if not 500.0 <= set_speed_m_per_s <= 7000.0:
        raise ParameterError(
            f"set_speed_m_per_s={set_speed_m_per_s!r} must lie between 500 and 7000 m/s"
        )
    return 1.0 - set_speed_m_per_s / medium(medium_name).speed_m_per_s


def phakic_mm(length_1532_mm: ArrayLike) -> Array:
    """Length of a phakic eye read at 1532 m/s throughout, mm: L^2/(L - 0.35).

    Notes
    -----
    Hoffer 1994, J Cataract Refract Surg 20:554. The 0.35 mm are cornea (0.037) and a lens of
    4.7 mm (0.312); longer and shorter eyes get their own average speed that way.
    """
    length = _length(length_1532_mm, "length_1532_mm")
    return np.asarray(length**2 / (length - 0.35))


def aphakic_mm(length_1532_mm: ArrayLike) -> Array:
    """Length of an aphakic eye read at 1532 m/s, mm: its average speed is 1534 m/s.

    Notes
    -----
    Hoffer 1994, J Cataract Refract Surg 20:554: 1534 m/s whatever the length.
    """
    length = _length(length_1532_mm, "length_1532_mm")
    return np.asarray(length * _APHAKIC_SPEED_M_PER_S / 1532.0)


def pseudophakic_mm(length_1532_mm: ArrayLike, material: str, thickness_mm: float) -> Array:
    """Length of an eye with an implant read at 1532 m/s, mm: L + 0.04 + factor x thickness.

    Parameters
    ----------
    length_1532_mm : array_like
        mm.
    material : str
        Material of the implant. Published factors (Hoffer 1994) for pmma, silicone and glass;
        for acrylic and collagen_copolymer the same rule, 1 - 1532/v, with the project's speeds.
    thickness_mm : float
        Centre thickness of the implant, mm. It depends on the power of the lens: ask for both.
    """
    if material not in IMPLANT_MATERIALS:
        raise ParameterError(f"material={material!r}: use one of {', '.join(IMPLANT_MATERIALS)}")
    factor = PSEUDOPHAKIC_FACTORS.get(material, layer_factor(material, 1532.0))
    length = _length(length_1532_mm, "length_1532_mm")
    return np.asarray(length + _CORNEA_MM + factor * _thickness(thickness_mm, material))


def biphakic_mm(length_1555_mm: ArrayLike, material: str, thickness_mm: float) -> Array:
    """Length of an eye with its lens and an implant in front, read at 1555 m/s, mm.

    Parameters
    ----------
    length_1555_mm : array_like
        mm.
    material : str
        One of :data:`BIPHAKIC_FACTORS`.
    thickness_mm : float
        Centre thickness of the phakic implant, mm.

    Notes
    -----
    Hoffer 2003, J Cataract Refract Surg 29:961: L + X T.
    """
    if material not in BIPHAKIC_FACTORS:
        raise ParameterError(
            f"material={material!r}: published for {', '.join(BIPHAKIC_FACTORS)} only"
        )
    length = _length(length_1555_mm, "length_1555_mm")
    return np.asarray(length + BIPHAKIC_FACTORS[material] * _thickness(thickness_mm, material))


def silicone_oil_mm(length_mm: ArrayLike, set_speed_m_per_s: float, lens_state: str) -> Array:
    """Rough length of an eye with most of its vitreous cavity full of silicone oil, mm.

    Parameters
    ----------
    length_mm : array_like
        Reading, mm.
    set_speed_m_per_s : float
        Speed at which it was read, m/s.
    lens_state : {"phakic", "aphakic"}

    Notes
    -----
    Hoffer 1994, J Cataract Refract Surg 20:554: average speeds of 1139 m/s (phakic) and 1052 m/s
    (aphakic). They hold for one eye of average size and for the oil he used; he says himself that
    other fillings need their own calculation. Segments, with the filling measured, are better.
    """
    if lens_state not in _OIL_SPEED_M_PER_S:
        raise ParameterError(
            f"lens_state={lens_state!r}: published for {' and '.join(_OIL_SPEED_M_PER_S)} only"
        )
    layer_factor("aqueous", set_speed_m_per_s)
    return np.asarray(
        _length(length_mm, "length_mm") * _OIL_SPEED_M_PER_S[lens_state] / set_speed_m_per_s
    )


def _times_and_lengths(
    target: Target, thickness_mm: Mapping[str, float] | None
) -> tuple[list[str], Array, Array]:
    segments = target.length_segments
    given = dict(thickness_mm or {})
    names = [item.name for item in segments]
    unknown = set(given) - set(names)
    if unknown:
        raise ParameterError(
            f"target {target.name!r} has no segment {sorted(unknown)[0]!r}: it has "
            f"{', '.join(names)}"
        )
    lengths = np.array([given.get(item.name, item.mean_mm) for item in segments])
    if not np.all((lengths >= 0.0) & np.isfinite(lengths)):
        raise ParameterError(f"thickness_mm={given}: every thickness must be zero or more, in mm")
    speeds = np.array([item.medium.speed_m_per_s for item in segments])
    return names, lengths, lengths / speeds


def average_speed_m_per_s(target: Target, thickness_mm: Mapping[str, float] | None = None) -> float:
    """One speed that gives the right length of an eye: L / sum(L_i / v_i), m/s.

    Parameters
    ----------
    target : Target
        The eye in its state.
    thickness_mm : mapping of str to float, optional
        Thickness of its segments, mm; the target's mean for those not named.
    """
    _, lengths, times = _times_and_lengths(target, thickness_mm)
    return float(lengths.sum() / times.sum())


def reading_mm(
    target: Target, set_speed_m_per_s: float, thickness_mm: Mapping[str, float] | None = None
) -> float:
    """What an instrument set to one speed reads in this eye, mm.

    Parameters
    ----------
    target : Target
        The eye as it is.
    set_speed_m_per_s : float
        m/s.
    thickness_mm : mapping of str to float, optional
        Thickness of its segments, mm; the target's mean for those not named.
    """
    _, _, times = _times_and_lengths(target, thickness_mm)
    return float(times.sum() * set_speed_m_per_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class StateCost:
    """What it costs to measure an eye as if it were in another state.

    Attributes
    ----------
    true_state, assumed_state : str
        Names of the targets.
    true_mm, read_mm : float
        Length of the eye, and the length that comes out, mm.
    chosen_power_d : float
        Power chosen on the wrong length, D.
    refraction_error_d : float
        Refraction after surgery less target, D; minus is myopic. NaN where the wrong length is
        outside the formulas: then it is the length that gives the mistake away.
    """

    true_state: str
    assumed_state: str
    true_mm: float
    read_mm: float
    chosen_power_d: float
    refraction_error_d: float

    @property
    def error_mm(self) -> float:
        """Reading less true length, mm."""
        return self.read_mm - self.true_mm


def cost_of_wrong_state(
    true: Target,
    assumed: Target,
    constant: LensConstant,
    *,
    k_d: float = 44.0,
    target_d: float = 0.0,
    thickness_mm: Mapping[str, float] | None = None,
) -> StateCost:
    """Length and refraction that follow from a wrongly declared eye state.

    Parameters
    ----------
    true, assumed : Target
        The eye as it is, and as it was declared.
    constant : LensConstant
        Names the formula with which the lens is then chosen.
    k_d : float
        Mean keratometry, D (index 1.3375).
    target_d : float
        D.
    thickness_mm : mapping of str to float, optional
        Segments of the true eye, mm; its means for those not named.

    Returns
    -------
    StateCost

    Notes
    -----
    Where both states have the same segments, their echoes are found at the same delays and only
    the speeds are wrong. Where they differ (a lens that is or is not there) the whole delay is
    read at the average speed of the assumed state. The dioptres compare the lens chosen on the
    wrong length with the refraction it leaves in the eye as it is, by the same formula.
    """
    names, lengths, times = _times_and_lengths(true, thickness_mm)
    assumed_names = [item.name for item in assumed.length_segments]
    if names == assumed_names:
        speeds = np.array([item.medium.speed_m_per_s for item in assumed.length_segments])
        read = float((times * speeds).sum())
    else:
        read = float(times.sum() * average_speed_m_per_s(assumed))
    truth = float(lengths.sum())

    def eye(length: float) -> Biometry:
        return Biometry(axial_length_mm=np.array(length), k1_d=np.array(k_d), k2_d=np.array(k_d))

    low, high = AXIAL_LENGTH_RANGE_MM
    power = error = math.nan
    if low <= read <= high:
        power = lens_power_d(eye(read), constant, target_d).item()
        error = refraction_d(eye(truth), constant, power).item() - target_d
    return StateCost(
        true_state=true.name,
        assumed_state=assumed.name,
        true_mm=truth,
        read_mm=read,
        chosen_power_d=power,
        refraction_error_d=error,
    )


def costs_of_wrong_states(
    true: Target,
    constant: LensConstant,
    *,
    k_d: float = 44.0,
    target_d: float = 0.0,
    thickness_mm: Mapping[str, float] | None = None,
) -> tuple[StateCost, ...]:
    """One eye measured as if it were in each of the states that can be declared.

    Parameters
    ----------
    true : Target
        The eye as it is.
    constant, k_d, target_d, thickness_mm
        As in :func:`cost_of_wrong_state`.

    Returns
    -------
    tuple of StateCost
        The true state among them, at no cost; gas left out, as nothing is measured through it.
    """
    fillings = [name for name in VITREOUS_FILLINGS if name != "gas"]
    lenses = [("phakic", "none"), ("aphakic", "none")]
    lenses += [("pseudophakic", material) for material in IMPLANT_MATERIALS]
    return tuple(
        cost_of_wrong_state(
            true,
            eye_target(state, lens_material=material, vitreous=filling),
            constant,
            k_d=k_d,
            target_d=target_d,
            thickness_mm=thickness_mm,
        )
        for filling in fillings
        for state, material in lenses
    )
