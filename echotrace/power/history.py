"""What an eye has been through, and the eyes that are refused a lens power for it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum
from types import MappingProxyType

from echotrace.errors import ParameterError
from echotrace.user_input import did_you_mean

__all__ = ["EyeHistory", "parse_history", "refuse_history"]


class EyeHistory(StrEnum):
    """What is known of an eye that these formulas were not made for; ``none`` when asked.

    Examples
    --------
    >>> import echotrace as et
    >>> [str(item) for item in et.power.EyeHistory][:3]
    ['none', 'corneal_refractive_surgery', 'keratoconus']
    """

    NONE = "none"
    CORNEAL_REFRACTIVE_SURGERY = "corneal_refractive_surgery"
    KERATOCONUS = "keratoconus"
    CORNEAL_GRAFT = "corneal_graft"
    SILICONE_OIL = "silicone_oil"
    GAS = "gas"
    APHAKIA = "aphakia"
    EXISTING_IMPLANT = "existing_implant"
    PHAKIC_IMPLANT = "phakic_implant"
    PIGGYBACK = "piggyback"


_CORNEA_REASON = (
    "the ratio of front to back corneal curvature is altered, so the keratometric index does not "
    "hold and the lens position is predicted wrongly (Savini & Hoffer 2018, Eye and Vision 5)"
)

_REFUSALS: Mapping[EyeHistory, str] = MappingProxyType(
    {
        EyeHistory.CORNEAL_REFRACTIVE_SURGERY: f"{_CORNEA_REASON}; the lens would be too weak "
        "after surgery for myopia, too strong after surgery for hyperopia",
        EyeHistory.KERATOCONUS: f"{_CORNEA_REASON}; keratometer readings are not reliable either",
        EyeHistory.CORNEAL_GRAFT: f"{_CORNEA_REASON}; the graft may still change shape",
        EyeHistory.SILICONE_OIL: "oil slows the sound and bends the light: the length needs a "
        "correction that depends on the filling, and the implant another power while oil stays",
        EyeHistory.GAS: "no length can be measured through gas",
        EyeHistory.APHAKIA: "these formulas predict the position of an implant from an eye with "
        "its natural lens; a secondary implant is calculated otherwise",
        EyeHistory.EXISTING_IMPLANT: "an exchange or an added lens is calculated from the "
        "refraction and the implant in place, not with these formulas",
        EyeHistory.PHAKIC_IMPLANT: "the implant in front of the natural lens lengthens or "
        "shortens the measured length by its material and thickness, and it will be removed or "
        "stay: both change the calculation",
        EyeHistory.PIGGYBACK: "two implants share the power; these formulas hold for one",
    }
)


def parse_history(word: str) -> EyeHistory:
    """Read one word of an eye's history; an unknown one is told its nearest neighbour.

    Parameters
    ----------
    word : str

    Returns
    -------
    EyeHistory

    Raises
    ------
    ParameterError
        The word is not known; its nearest neighbour is named.

    Examples
    --------
    >>> import echotrace as et
    >>> et.power.parse_history("keratoconus").name
    'KERATOCONUS'
    """
    try:
        return EyeHistory(word)
    except ValueError:
        hint = did_you_mean(str(word), EyeHistory)
        raise ParameterError(f"history {str(word)!r}: {hint}Use {', '.join(EyeHistory)}") from None


def refuse_history(history: Iterable[EyeHistory | str]) -> None:
    """Refuse an eye that the formulas were not made for.

    Parameters
    ----------
    history : iterable of EyeHistory or str

    Raises
    ------
    ParameterError
        Naming what was declared and why no power is given, or an unknown word.

    Examples
    --------
    >>> import echotrace as et
    >>> et.power.refuse_history(["none"])
    """
    for item in history:
        known = parse_history(item)
        if known in _REFUSALS:
            raise ParameterError(
                f"no lens power is given, {known.replace('_', ' ')}: {_REFUSALS[known]}. Refer "
                "the eye to the surgeon, who has methods made for it"
            )
