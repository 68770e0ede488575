"""The sound speeds that lengths are read with, in words with their sources."""

from __future__ import annotations

from collections.abc import Iterable

from echotrace.target import Target

__all__ = ["speeds_words"]


def speeds_words(targets: Iterable[Target | None], average_speed_m_per_s: float = 0.0) -> list[str]:
    """Sentences that say at which speeds lengths are read.

    Parameters
    ----------
    targets : iterable of Target or None
        Of the states of the eyes; None where the cavity holds gas.
    average_speed_m_per_s : float
        The one speed the whole length is read at; 0 where each segment has its own.

    Returns
    -------
    list of str

    Examples
    --------
    >>> from echotrace.target import eye_target
    >>> speeds_words([eye_target("aphakic")])[0][:52]
    'Sound speeds, m/s: cornea 1641 (trade convention); v'
    """
    media: dict[str, list[str]] = {}
    for found in targets:
        for segment in () if found is None else found.length_segments:
            item = segment.medium
            words = f"{item.name.replace('_', ' ')} {item.speed_m_per_s:g}"
            named = media.setdefault(item.source.split(";")[0], [])
            if words not in named:
                named.append(words)
    speeds = "; ".join(f"{', '.join(words)} ({source})" for source, words in media.items())
    said = []
    if average_speed_m_per_s:
        said.append(
            f"The whole length is read at one average speed, {average_speed_m_per_s:g} m/s (as "
            "set). Each segment is read at its own speed, so they do not add up to the length."
        )
    if speeds:
        of = " of the segments" if average_speed_m_per_s else ""
        said.append(f"Sound speeds{of}, m/s: {speeds}.")
    return said
