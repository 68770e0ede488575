"""Pressing in a contact length, taken in by what the lens constants hold already."""

from __future__ import annotations

import math

from echotrace.errors import ParameterError
from echotrace.power.eye_length import EyeLength
from echotrace.sittings.pressing_term import pressing_term

__all__ = ["length_for_constants"]


def length_for_constants(length: EyeLength, constant_method: str) -> tuple[float, float, str]:
    """The length that a formula is given, and what pressing leaves open of it.

    Parameters
    ----------
    length : EyeLength
    constant_method : {"contact", "immersion", "optical", ""}
        How the lengths were measured on which the constants were optimised.

    Returns
    -------
    length_mm : float
        Contact, with constants of immersion or optical lengths: the eye's, the mean of pressing on
        top. With constants of contact lengths, which hold the published mean already: only what
        this eye is pressed more or less than that. Other methods: as measured.
    u_mm : float
        Standard uncertainty of pressing, mm; zero where nothing pressed.
    words : str
        The same in words; empty where nothing pressed.

    Raises
    ------
    ParameterError
        A contact length, and it is not said to which lengths the constants belong.

    Examples
    --------
    >>> contact = EyeLength(eye="right", mean_mm=23.2, u_mm=0.03, method="contact")
    >>> length_mm, u_mm, _ = length_for_constants(contact, "immersion")
    >>> round(length_mm, 2), round(u_mm, 2)
    (23.4, 0.25)
    >>> length_for_constants(contact, "contact")[0]
    23.2
    """
    if length.method != "contact" or math.isnan(length.mean_mm):
        return length.mean_mm, 0.0, ""
    if not constant_method:
        raise ParameterError(
            f"{length.name}: the length was measured in contact, which presses the eye shorter; "
            "say which lengths the constants were optimised on (--constant-method contact, "
            "immersion or optical)"
        )
    usual = pressing_term()
    mean, u = length.pressing_mm, length.pressing_u_mm
    if math.isnan(mean):
        mean, u = usual.mean_mm, usual.u_mm
    if constant_method == "contact":
        more = mean - usual.mean_mm
        words = (
            f"The constants hold the mean of pressing already; this eye is taken as pressed "
            f"{more:+.2f} mm against it, standard uncertainty {u:.2f} mm."
        )
        return length.mean_mm + more, u, words
    words = (
        f"{length.mean_mm:.2f} mm is the eye as pressed; with constants of {constant_method} "
        f"lengths the eye's own is used, {length.mean_mm + mean:.2f} mm: pressing {mean:.2f} mm, "
        f"standard uncertainty {u:.2f} mm."
    )
    return length.mean_mm + mean, u, words
