"""Whether what was stated of filling and implant can be true, as features.

The label decides the speed, and a wrong one moves the length by up to 10 mm; two things show it.
Silicone oil takes the upper part of the band on its way, vitreous does not. And the thickness of an
implant stands on its label.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from echotrace.media import MEDIA
from echotrace.target import Target

__all__ = ["filling_likeness", "implant_features", "oil_downshift"]

_OIL = "silicone_oil_1000"
# Where no implant of another material than the stated one is usual any more: glass.
_MATERIALS = ("pmma", "silicone", "acrylic", "collagen_copolymer")
# Less than this part of the carrier cannot be told from what noise and facets do.
_LEAST_SHIFT = 0.08


def oil_downshift(
    way_us: NDArray[np.float64], centre_frequency_hz: float, fractional_bandwidth: float
) -> NDArray[np.float64]:
    """Part of its carrier that a pulse loses on a way through silicone oil.

    Parameters
    ----------
    way_us : ndarray of float64, (n,)
        Two-way delay of the way, µs.
    centre_frequency_hz, fractional_bandwidth : float
        Of the pulse-echo response, -6 dB.

    Returns
    -------
    ndarray of float64, (n,)

    Notes
    -----
    A Gaussian band of standard deviation s whose attenuation grows by b for each Hz moves down by
    b s² (Kuc 1984, IEEE Trans Acoust Speech Signal Process 32:1; value from memory); of that two
    thirds are seen, for the band is cut off and its middle weighs most.

    Examples
    --------
    >>> oil_downshift(np.array([32.0]), 10e6, 0.6).round(2)
    array([0.26])
    """
    oil, mhz = MEDIA[_OIL], centre_frequency_hz * 1e-6
    slope = oil.attenuation_exponent * oil.attenuation_db_per_cm(mhz) / mhz
    sigma_mhz = 0.5 * fractional_bandwidth * mhz / math.sqrt(2.0 * math.log(2.0))
    # Two-way: the way in cm there and back is delay times speed.
    neper_per_mhz = slope / (20.0 / math.log(10.0)) * way_us * oil.speed_m_per_s * 1e-4
    return np.asarray(neper_per_mhz * sigma_mhz**2 / mhz * 2.0 / 3.0)


def filling_likeness(
    downshift: NDArray[np.float64],
    way_us: NDArray[np.float64],
    *,
    centre_frequency_hz: float,
    fractional_bandwidth: float,
    oil_stated: bool,
) -> NDArray[np.float32]:
    """How much the carrier behind the cavity speaks for the other filling: 0 not, 1 wholly.

    Parameters
    ----------
    downshift : ndarray of float64, (n,)
        From :func:`echotrace.signal.downshift.carrier_downshift`.
    way_us : ndarray of float64, (n,)
        Two-way delay of the cavity, µs.
    centre_frequency_hz, fractional_bandwidth : float
    oil_stated : bool
        The cavity is said to hold silicone oil.

    Returns
    -------
    ndarray of float32, (n,)
        NaN where a probe's band is too narrow to tell.

    Examples
    --------
    >>> given = {"centre_frequency_hz": 10e6, "fractional_bandwidth": 0.6}
    >>> way_us = np.array([32.0, 32.0])
    >>> filling_likeness(np.array([0.0, 0.26]), way_us, oil_stated=False, **given).round(1)
    array([0., 1.], dtype=float32)
    """
    expected = oil_downshift(way_us, centre_frequency_hz, fractional_bandwidth)
    with np.errstate(invalid="ignore", divide="ignore"):
        like_oil = np.where(expected >= _LEAST_SHIFT, downshift / expected, np.nan)
    return np.asarray(1.0 - like_oil if oil_stated else like_oil, np.float32)


def implant_features(
    delay_us: NDArray[np.float64], target: Target, stated_mm: float
) -> dict[str, NDArray[np.float32]]:
    """What an implant's two echoes say of its label.

    Parameters
    ----------
    delay_us : ndarray of float64, (n, n_interfaces)
    target : Target
    stated_mm : float
        Thickness on the implant's label, mm; zero where it is not known.

    Returns
    -------
    dict of str to ndarray of float32, each (n,)
        Empty where there is no implant. ``implant_misfit_mm``: measured against stated thickness;
        ``implant_shift_mm``: by how much another usual material would move the length, where the
        thickness is not there to check the material by.

    Examples
    --------
    >>> from echotrace.target import eye_target
    >>> pmma = eye_target("pseudophakic", lens_material="pmma")
    >>> delay_us = np.array([[0.0, 0.7, 5.4, 6.0, 30.0, np.nan]])
    >>> implant_features(delay_us, pmma, 0.8)["implant_misfit_mm"].round(3)
    array([0.015], dtype=float32)
    """
    names = target.interface_names
    if "lens_front" not in names:
        return {}
    front = names.index("lens_front")
    inside = target.segments[front].medium
    if inside.name == "lens":
        return {}
    apart = delay_us[:, front + 1] - delay_us[:, front]
    if stated_mm > 0.0:
        misfit = np.abs(5e-4 * inside.speed_m_per_s * apart - stated_mm)
        return {"implant_misfit_mm": misfit.astype(np.float32)}
    widest = max(abs(MEDIA[name].speed_m_per_s - inside.speed_m_per_s) for name in _MATERIALS)
    return {"implant_shift_mm": (5e-4 * widest * apart).astype(np.float32)}
