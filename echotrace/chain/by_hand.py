"""Decisions by hand about single scans."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping

import numpy as np

from echotrace.errors import ParameterError
from echotrace.measurement import Measurement
from echotrace.text_out import scan_names

__all__ = ["decide_by_hand", "with_verdicts"]


def decide_by_hand(
    result: Measurement,
    *,
    accept: Mapping[int, str] | None = None,
    reject: Mapping[int, str] | None = None,
) -> Measurement:
    """Accept or reject scans by hand after measuring; the reason is kept with the result.

    To measure with decisions, gates and picks of a person's among them, give
    :class:`~echotrace.decisions.Decisions` to :func:`echotrace.measure`.

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
    notes = []
    for word, chosen in (("accepted", accept), ("rejected", reject)):
        for trace, why in sorted(chosen.items()):
            name = scan_names([trace])
            if not 0 <= trace < result.n_traces:
                raise ParameterError(f"{name}: the recording has scans 1 to {result.n_traces}")
            if trace in accept and trace in reject:
                raise ParameterError(f"{name} is both accepted and rejected by hand")
            notes.append(f"{name} {word} by hand: {why or 'no reason given'}")
    if not notes:
        return result
    attributes = dict(result.attributes)
    earlier = attributes.get("by_hand", "")
    attributes["by_hand"] = "\n".join([*([earlier] if earlier else []), *notes])
    return dataclasses.replace(with_verdicts(result, accept, reject), attributes=attributes)


def with_verdicts(
    result: Measurement, accept: Iterable[int], reject: Iterable[int], *, first: int = 0
) -> Measurement:
    """A measurement with some scans accepted and some rejected by hand.

    Parameters
    ----------
    result : Measurement
        Of a whole recording, or of a block of it.
    accept, reject : iterable of int
        Scans of the recording, from 0; those outside the block are left to others.
    first : int
        Scan of the recording that the block begins with.

    Returns
    -------
    Measurement

    Raises
    ------
    ParameterError
        A scan without a length that is to be accepted.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.by_hand import with_verdicts
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> with_verdicts(et.measure(recording), [4], [0]).accepted.tolist()
    [False, True, False, True, True, True]
    """
    accepted, decided = result.accepted.copy(), result.decided_by.copy()
    for verdict, scans in ((True, accept), (False, reject)):
        for scan in scans:
            trace = scan - first
            if not 0 <= trace < result.n_traces:
                continue
            if verdict and np.isnan(result.axial_length_mm[trace]):
                raise ParameterError(
                    f"{scan_names([scan])} has no length "
                    f"({', '.join(result.finding_list(trace))}); it cannot be accepted by hand"
                )
            accepted[trace], decided[trace] = verdict, 1
    return dataclasses.replace(result, accepted=accepted, decided_by=decided)
