"""Decisions by hand about single scans."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np

from echotrace.errors import ParameterError
from echotrace.measurement import Measurement
from echotrace.text_out import scan_names

__all__ = ["decide_by_hand"]


def decide_by_hand(
    result: Measurement,
    *,
    accept: Mapping[int, str] | None = None,
    reject: Mapping[int, str] | None = None,
) -> Measurement:
    """Accept or reject scans by hand; the reason is kept with the result.

    Parameters
    ----------
    result : Measurement
    accept, reject : mapping of int to str
        Index of the trace, from 0, and the reason; texts count scans from 1.

    Returns
    -------
    Measurement
        With the decisions and, under ``by_hand`` of its attributes, their reasons.

    Raises
    ------
    ParameterError
        A trace that is not there, named twice, or accepted without a length.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> result = et.decide_by_hand(et.measure(recording), reject={1: "the patient blinked"})
    >>> bool(result.accepted[1]), result.attributes["by_hand"]
    (False, 'scan 2 rejected by hand: the patient blinked')
    """
    accept, reject = dict(accept or {}), dict(reject or {})
    accepted, decided = result.accepted.copy(), result.decided_by.copy()
    notes = []
    for word, chosen in (("accepted", accept), ("rejected", reject)):
        for trace, why in sorted(chosen.items()):
            name = scan_names([trace])
            if not 0 <= trace < result.n_traces:
                raise ParameterError(f"{name}: the recording has scans 1 to {result.n_traces}")
            if trace in accept and trace in reject:
                raise ParameterError(f"{name} is both accepted and rejected by hand")
            if word == "accepted" and np.isnan(result.axial_length_mm[trace]):
                raise ParameterError(
                    f"{name} has no length ({', '.join(result.finding_list(trace))}); it "
                    "cannot be accepted by hand"
                )
            accepted[trace] = word == "accepted"
            decided[trace] = 1
            notes.append(f"{name} {word} by hand: {why or 'no reason given'}")
    if not notes:
        return result
    attributes = dict(result.attributes)
    earlier = attributes.get("by_hand", "")
    attributes["by_hand"] = "\n".join([*([earlier] if earlier else []), *notes])
    return dataclasses.replace(result, accepted=accepted, decided_by=decided, attributes=attributes)
