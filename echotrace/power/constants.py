"""Lens constants: one lens on the scale of each formula, read, checked and converted.

Constants come from the user; none of any lens is kept here. Relations whose origin could not be
re-read say ``value from memory``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from echotrace.errors import ParameterError
from echotrace.user_input import did_you_mean

__all__ = [
    "Formula",
    "LensConstant",
    "acd_constant_mm",
    "convert_constant",
    "implied_a_constant",
    "parse_constant",
    "start_values",
]


_A_RANGE = (114.0, 122.0)


class Formula(StrEnum):
    """The formulas, as they are written on the command line and in files.

    Examples
    --------
    >>> import echotrace as et
    >>> et.power.Formula("srk_t").label, et.power.Formula.HAIGIS.constant_names
    ('SRK/T', ('a0', 'a1', 'a2'))
    """

    SRK_T = "srk_t"
    HOFFER_Q = "hoffer_q"
    HOLLADAY_1 = "holladay_1"
    HAIGIS = "haigis"
    VERGENCE = "vergence"

    @property
    def label(self) -> str:
        """Name as the trade prints it."""
        return _LABELS[self]

    @property
    def constant_names(self) -> tuple[str, ...]:
        """Names of the constants, in the order in which they are given."""
        return _CONSTANT_NAMES[self]


_LABELS = {
    Formula.SRK_T: "SRK/T",
    Formula.HOFFER_Q: "Hoffer Q",
    Formula.HOLLADAY_1: "Holladay 1",
    Formula.HAIGIS: "Haigis",
    Formula.VERGENCE: "vergence",
}

_CONSTANT_NAMES: dict[Formula, tuple[str, ...]] = {
    Formula.SRK_T: ("A",),
    Formula.HOFFER_Q: ("pACD",),
    Formula.HOLLADAY_1: ("SF",),
    Formula.HAIGIS: ("a0", "a1", "a2"),
    Formula.VERGENCE: ("ELP",),
}

# What each scale can hold for a lens whose A-constant lies between 114 and 122 (chosen here, no
# source; the other rows follow through the published conversions, rounded outwards). Narrow
# enough that a constant of another scale is caught.
_CONSTANT_RANGES: dict[str, tuple[float, float]] = {
    "A": _A_RANGE,
    "pACD": (2.5, 7.5),
    "SF": (-1.2, 3.6),
    "a0": (-4.0, 5.0),
    "a1": (-1.0, 1.0),
    "a2": (-0.5, 0.6),
    "ELP": (2.0, 8.0),
}


@dataclass(frozen=True, slots=True)
class LensConstant:
    """The constant of one lens for one formula.

    Attributes
    ----------
    formula : Formula
    values : tuple of float
        ``(A,)`` for SRK/T; ``(pACD,)``, mm, for Hoffer Q; ``(SF,)``, mm, for Holladay 1;
        ``(a0, a1, a2)``, mm, 1 and 1, for Haigis; ``(ELP,)``, the position of the implant behind
        the cornea in mm, for the vergence equation.
    converted_from : str
        The constant it was computed from, empty when the user gave it. A converted constant is
        a start value only.

    Raises
    ------
    ParameterError
        Too few or too many values, or one that belongs on another scale.

    Examples
    --------
    >>> import echotrace as et
    >>> print(et.power.LensConstant(et.power.Formula.HAIGIS, (1.05, 0.4, 0.1)))
    a0 1.05, a1 0.4, a2 0.1
    """

    formula: Formula
    values: tuple[float, ...]
    converted_from: str = ""

    def __post_init__(self) -> None:
        names = self.formula.constant_names
        if len(self.values) != len(names):
            raise ParameterError(
                f"{self.formula.label} needs {len(names)} constant(s) ({', '.join(names)}), "
                f"got {len(self.values)}; write {self.formula}={','.join(names)}"
            )
        for name, value in zip(names, self.values, strict=True):
            low, high = _CONSTANT_RANGES[name]
            if not low <= value <= high:
                raise ParameterError(
                    f"{self.formula.label}: {name}={value:g} must lie between {low:g} and "
                    f"{high:g}{_other_scale(self.formula, value)}"
                )

    def __str__(self) -> str:
        pairs = zip(self.formula.constant_names, self.values, strict=True)
        text = ", ".join(f"{name} {round(value, 3):g}" for name, value in pairs)
        return f"{text} (start value, {self.converted_from})" if self.converted_from else text


def _other_scale(formula: Formula, value: float) -> str:
    if _A_RANGE[0] <= value <= _A_RANGE[1]:
        return (
            "; this looks like an A-constant: give it as srk_t=, or convert it (a converted "
            "constant is a start value only)"
        )
    if formula is Formula.HOLLADAY_1 and 3.6 < value <= 7.5:
        return "; this looks like an ACD constant (pACD): give it as hoffer_q="
    if formula is Formula.HOFFER_Q and -1.2 <= value < 2.5:
        return "; this looks like a surgeon factor (SF) or an a0: give it under its own formula"
    if formula is Formula.SRK_T and -4.0 <= value <= 8.0:
        return "; this looks like a pACD, SF or a0: give it under its own formula"
    return "; check which formula the constant belongs to"


def parse_constant(text: str) -> LensConstant:
    """Read a constant written as ``formula=value`` (``haigis=a0,a1,a2``).

    Parameters
    ----------
    text : str
        ``srk_t=A``, ``hoffer_q=pACD``, ``holladay_1=SF``, ``haigis=a0,a1,a2`` or ``vergence=ELP``.

    Returns
    -------
    LensConstant

    Raises
    ------
    ParameterError
        Unknown formula, a value that is not a number, or a constant of another scale.

    Examples
    --------
    >>> import echotrace as et
    >>> et.power.parse_constant("srk_t=118.4").values
    (118.4,)
    """
    name, sign, numbers = text.partition("=")
    known = [str(item) for item in Formula]
    if name not in known or not sign:
        hint = did_you_mean(name.lower().replace("/", "_"), known, cutoff=0.4)
        raise ParameterError(
            f"constant {text!r}: {hint}write FORMULA=VALUE with one of {', '.join(known)}"
        )
    try:
        values = tuple(float(item) for item in numbers.split(","))
    except ValueError:
        raise ParameterError(
            f"constant {text!r}: {numbers!r} is not a number (a decimal point, not a comma; "
            "commas separate a0,a1,a2 of Haigis)"
        ) from None
    return LensConstant(Formula(name), values)


def convert_constant(constant: LensConstant, to: Formula) -> LensConstant:
    """Turn the constant of one formula into a start value for another.

    Parameters
    ----------
    constant : LensConstant
        A, pACD, SF, or a Haigis triple with the standard a1 = 0.4 and a2 = 0.1.
    to : Formula

    Returns
    -------
    LensConstant
        Marked as converted: a start value, to be replaced by a constant optimised for the lens,
        the formula and the way of measuring.

    Raises
    ------
    ParameterError
        The vergence equation has no constant to convert, and neither has a Haigis triple with
        its own a1 and a2.

    Notes
    -----
    pACD = 0.58357 A - 63.896 and SF = 0.5663 A - 65.600, equivalent to
    pACD = (SF + 3.595)/0.9704: Holladay et al. 1988, J Cataract Refract Surg 14:17 (values from
    memory). a0 = ACDconst - 0.4 x 3.37 - 0.1 x 23.39 with ACDconst = 0.62467 A - 68.747 of
    Retzlaff et al. 1990, 16:333 (values from memory). In an eye of 23.5 mm and 44 D the a0 so
    found asks for 0.8 to 1.0 D more power than the other three formulas do (computed here).

    Examples
    --------
    >>> import echotrace as et
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> print(et.power.convert_constant(srk_t, et.power.Formula.HOFFER_Q))
    pACD 5.199 (start value, from A 118.4)
    """
    if constant.formula is to:
        return constant
    if Formula.VERGENCE in (to, constant.formula):
        raise ParameterError(
            "the vergence equation has no lens constant to convert: give the position of the "
            "implant in mm, vergence=ELP"
        )
    a_constant = implied_a_constant(constant)
    if math.isnan(a_constant):
        raise ParameterError(
            "a Haigis triple with its own a1 and a2 cannot be converted: only a0 with a1 = 0.4 "
            "and a2 = 0.1 lies on the same scale as A"
        )
    values: tuple[float, ...]
    if to is Formula.SRK_T:
        values = (a_constant,)
    elif to is Formula.HOFFER_Q:
        values = (0.58357 * a_constant - 63.896,)
    elif to is Formula.HOLLADAY_1:
        values = (0.5663 * a_constant - 65.600,)
    else:
        values = (acd_constant_mm(a_constant) - 0.4 * 3.37 - 0.1 * 23.39, 0.4, 0.1)
    pairs = zip(constant.formula.constant_names, constant.values, strict=True)
    origin = "from " + ", ".join(f"{name} {round(value, 3):g}" for name, value in pairs)
    return LensConstant(to, values, converted_from=origin)


def acd_constant_mm(a_constant: float) -> float:
    """ACD constant of SRK/T from A, mm (Retzlaff et al. 1990, values from memory).

    Parameters
    ----------
    a_constant : float
        A of SRK/T.

    Returns
    -------
    float
        mm.

    Examples
    --------
    >>> import echotrace as et
    >>> round(et.power.acd_constant_mm(118.4), 3)
    5.214
    """
    return 0.62467 * a_constant - 68.747


def implied_a_constant(constant: LensConstant) -> float:
    """A-constant on whose scale a constant lies; NaN where there is no published relation.

    Parameters
    ----------
    constant : LensConstant

    Returns
    -------
    float
        By the relations of :func:`convert_constant` turned round; NaN for the vergence equation and
        for a Haigis triple with its own a1 and a2.

    Examples
    --------
    >>> import echotrace as et
    >>> q = et.power.LensConstant(et.power.Formula.HOFFER_Q, (5.20,))
    >>> round(et.power.implied_a_constant(q), 1)
    118.4
    """
    value = constant.values[0]
    if constant.formula is Formula.SRK_T:
        return value
    if constant.formula is Formula.HOFFER_Q:
        return (value + 63.896) / 0.58357
    if constant.formula is Formula.HOLLADAY_1:
        return (value + 65.600) / 0.5663
    if constant.formula is Formula.HAIGIS and constant.values[1:] == (0.4, 0.1):
        return (value + 0.4 * 3.37 + 0.1 * 23.39 + 68.747) / 0.62467
    return math.nan


def start_values(constants: Sequence[LensConstant]) -> tuple[LensConstant, ...]:
    """The given constants, and start values for the other formulas converted from the first.

    Parameters
    ----------
    constants : sequence of LensConstant
        One at least that can be converted.

    Returns
    -------
    tuple of LensConstant
        SRK/T, Hoffer Q, Holladay 1 and Haigis, then a given vergence equation; converted ones are
        marked as start values.

    Raises
    ------
    ParameterError
        None of the constants can be converted.

    Examples
    --------
    >>> import echotrace as et
    >>> srk_t = et.power.LensConstant(et.power.Formula.SRK_T, (118.4,))
    >>> [str(item.formula) for item in et.power.start_values([srk_t])]
    ['srk_t', 'hoffer_q', 'holladay_1', 'haigis']
    """
    given = {item.formula: item for item in constants}
    source = next((item for item in constants if not math.isnan(implied_a_constant(item))), None)
    if source is None:
        raise ParameterError("no constant that can be converted was given: give srk_t=A")
    order = (Formula.SRK_T, Formula.HOFFER_Q, Formula.HOLLADAY_1, Formula.HAIGIS)
    filled = [given.get(item) or convert_constant(source, item) for item in order]
    extra = [item for item in constants if item.formula is Formula.VERGENCE]
    return (*filled, *extra)
