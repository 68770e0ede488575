"""Picks of an outside picker taken through the chain: lengths, findings, figures, statistics."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from echotrace.bounds.outside import OUTSIDE_MARK, OutsidePicker, outside_delays
from echotrace.decisions import Decisions, HandPick
from echotrace.recording import Recording

__all__ = ["outside_decisions"]


def outside_decisions(
    recording: Recording, pickers: Mapping[str, OutsidePicker], *, name: str
) -> Decisions:
    """Turn what outside pickers find into decisions that the chain takes in place of its own picks.

    Parameters
    ----------
    recording : Recording
    pickers : mapping of str to callable
        One for each interface; see :mod:`echotrace.bounds.outside`. Where one finds nothing the
        chain's own pick stays.
    name : str
        Of the picker; it stands as the reason with every pick, marked as outside.

    Returns
    -------
    Decisions
        For ``measure(recording, decisions=…)``: the picks then enter lengths, findings, figures and
        files, and are marked in all of them.

    Raises
    ------
    ParameterError
        A picker that fails, or gives no delays.

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> picker = lambda traces: np.full(traces.n_traces, 42.15)
    >>> decisions = et.outside_decisions(recording, {"retina": picker}, name="fixed")
    >>> decisions.picks[0]["retina"].reason
    'outside picker fixed'
    """
    picks: dict[int, dict[str, HandPick]] = {}
    for interface, picker in pickers.items():
        delay_us, u_us = outside_delays(picker, recording, name)
        for scan in np.flatnonzero(np.isfinite(delay_us)):
            u = float(u_us[scan])
            picks.setdefault(int(scan), {})[interface] = HandPick(
                delay_us=float(delay_us[scan]),
                u_us=u if np.isfinite(u) and u > 0.0 else None,
                reason=f"{OUTSIDE_MARK} picker {name}",
            )
    return Decisions(picks=picks)
