"""One choice of settings, and how it did."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["Trial"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One choice of settings on one part of the traces.

    Attributes
    ----------
    number : int
        0: the presets.
    split : str
        ``tune`` or ``report``.
    values : mapping of str to object
        Of the factors; empty for the presets.
    loss_mm : float
        Mean over eyes of the capped length error, mm; NaN where the settings are not possible.
    eyes : mapping of str to float
        The same for each eye.
    rows : tuple of mapping
        One a batch and interface: what the table is made of.
    problem : str
        Why settings are not possible.

    Examples
    --------
    >>> from echotrace.tuning.trial import Trial
    >>> Trial(number=0, split="tune", values={}, loss_mm=0.02, eyes={}, rows=()).problem
    ''
    """

    number: int
    split: str
    values: Mapping[str, Any]
    loss_mm: float
    eyes: Mapping[str, float]
    rows: tuple[Mapping[str, Any], ...]
    problem: str = ""
