"""One thing that is said of a sitting."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["SittingFinding"]


@dataclass(frozen=True, slots=True)
class SittingFinding:
    """A reason why a sitting should not be trusted.

    Attributes
    ----------
    name : str
    text : str
        What was seen, with its figure, and what to do.
    stops : bool
        The sitting has no acceptable result.

    Examples
    --------
    >>> from echotrace.sittings.finding import SittingFinding
    >>> SittingFinding("outlier", "Scan 3 stands apart from the rest.").stops
    False
    """

    name: str
    text: str
    stops: bool = False
