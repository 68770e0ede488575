"""Gates and picks that a person set for one scan, laid into the chain's own steps."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.states import State, rows_of_state
from echotrace.decisions import Decisions, HandPick, ScanMarks
from echotrace.errors import ParameterError
from echotrace.measurement import BY_HAND
from echotrace.recording import Method, Recording
from echotrace.recording.digest import traces_digest
from echotrace.signal.candidates import Candidates
from echotrace.signal.conditioning import Conditioned
from echotrace.signal.gates import Gate
from echotrace.signal.pulse import Pulse
from echotrace.target import Target
from echotrace.text_out import one_line, scan_names

__all__ = [
    "check_decisions",
    "gates_of_scan",
    "hand_u_us",
    "lay_picks",
    "mark_codes",
    "notes_of_decisions",
    "offer_picks",
]

# Level of an echo that is offered where a person picked, dB over the noise, where it is lower.
_OFFERED_DB = 20.0


def hand_u_us(pick: HandPick, pulse: Pulse) -> float:
    """Standard uncertainty of a pick by hand, µs.

    Parameters
    ----------
    pick : HandPick
    pulse : Pulse
        Of which nobody reads a place better than to its width, unless it is said how well.

    Returns
    -------
    float
        µs.

    Notes
    -----
    A rectangle over the pulse's width at half height: that width over the square root of twelve
    (JCGM 100:2008, 4.3.7).

    Examples
    --------
    >>> from echotrace.chain.hand_marks import hand_u_us
    >>> from echotrace.decisions import HandPick
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> round(hand_u_us(HandPick(delay_us=30.42), gaussian_pulse(100e6, 10e6, 0.6)), 4)
    0.0425
    """
    return pulse.width_us / 12.0**0.5 if pick.u_us is None else pick.u_us


def check_decisions(
    recording: Recording,
    targets: Mapping[State, Target | None],
    decisions: Decisions,
) -> None:
    """Refuse decisions that cannot be about this recording.

    Parameters
    ----------
    recording : Recording
    targets : mapping of tuple to Target or None
        From :func:`~echotrace.chain.states.targets_of`.
    decisions : Decisions

    Raises
    ------
    ParameterError
        Decisions bound to other traces; a scan that is not there; an interface that its target has
        not, or that lies at the probe's face; a gate or a pick outside the trace; picks that are
        not in the order of the beam.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.hand_marks import check_decisions
    >>> from echotrace.chain.states import targets_of
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> decisions = et.Decisions(picks={2: {"retina": 99.0}})
    >>> check_decisions(recording, targets_of(recording, None), decisions)
    Traceback (most recent call last):
    ...
    echotrace.errors.ParameterError: scan 3: the pick of retina by hand, 99 µs, lies outside the \
trace, which runs from 0 to 51.19 µs
    """
    for scan in decisions.scans:
        if scan >= recording.n_traces:
            raise ParameterError(
                f"{scan_names([scan])} was decided by hand, but the recording has scans 1 to "
                f"{recording.n_traces}"
            )
    if decisions.traces_digest:
        decisions.bound(traces_digest(recording))
    marked = decisions.marked
    if not marked:
        return
    states = {
        scan: state
        for state in targets
        for scan in np.intersect1d(rows_of_state(recording, state), marked).tolist()
    }
    for scan in marked:
        state = states[scan]
        _check_scan(recording, state[0], targets[state], scan, decisions.of_scan(scan))


def _check_scan(
    recording: Recording, method: str, target: Target | None, scan: int, marks: ScanMarks
) -> None:
    name = scan_names([scan])
    if target is None:
        raise ParameterError(
            f"{name}: the vitreous cavity holds gas, and nothing is looked for; take its gates and "
            "picks by hand out"
        )
    start_us = recording.start_delay_us
    stop_us = start_us + (recording.n_samples - 1) / recording.sampling_rate_hz * 1e6
    runs = f"the trace, which runs from {start_us:.4g} to {stop_us:.4g} µs"
    for interface in (*marks.gates, *marks.picks):
        try:
            position = target.index(interface)
        except ParameterError as error:
            raise ParameterError(f"{name}: {error}") from None
        if method == Method.CONTACT and position == 0:
            raise ParameterError(
                f"{name}: in contact {interface} lies at the probe's face and is not looked for; "
                "take its gate or pick by hand out"
            )
    for interface, gate in marks.gates.items():
        if gate.stop_us <= start_us or gate.start_us >= stop_us:
            raise ParameterError(
                f"{name}: the gate of {interface} by hand, {gate.start_us:.6g} to "
                f"{gate.stop_us:.6g} µs, lies outside {runs}"
            )
    for interface, pick in marks.picks.items():
        if not start_us <= pick.delay_us <= stop_us:
            raise ParameterError(
                f"{name}: the pick of {interface} by hand, {pick.delay_us:.6g} µs, lies outside "
                f"{runs}"
            )
    ordered = sorted(marks.picks, key=target.index)
    for before, after in pairwise(ordered):
        if marks.picks[before].delay_us >= marks.picks[after].delay_us:
            raise ParameterError(
                f"{name}: by hand {after} is picked at {marks.picks[after].delay_us:.6g} µs, not "
                f"behind {before} at {marks.picks[before].delay_us:.6g} µs, which the beam meets "
                "first"
            )


def notes_of_decisions(decisions: Decisions, pulse: Pulse) -> str:
    """What was set by hand, a line each, as results keep it.

    Parameters
    ----------
    decisions : Decisions
    pulse : Pulse
        Template of the recording.

    Returns
    -------
    str

    Examples
    --------
    >>> from echotrace.chain.hand_marks import notes_of_decisions
    >>> from echotrace.decisions import Decisions
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> decisions = Decisions(picks={2: {"retina": 30.42}}, reject={0: "lid in the way"})
    >>> print(notes_of_decisions(decisions, gaussian_pulse(100e6, 10e6, 0.6)))
    scan 1 rejected by hand: lid in the way
    scan 3: retina picked by hand at 30.42 µs, u 0.042 µs (from the pulse's width)
    """
    lines = []
    for scan in decisions.scans:
        name, marks = scan_names([scan]), decisions.of_scan(scan)
        for interface, gate in marks.gates.items():
            line = (
                f"{name}: {interface.replace('_', ' ')} looked for in {gate.start_us:.6g} to "
                f"{gate.stop_us:.6g} µs, a gate by hand"
            )
            lines.append(_with_reason(line, gate.reason))
        for interface, pick in marks.picks.items():
            line = (
                f"{name}: {interface.replace('_', ' ')} picked by hand at {pick.delay_us:.6g} µs, "
                f"u {hand_u_us(pick, pulse):.2g} µs"
            )
            line += " (from the pulse's width)" if pick.u_us is None else ""
            lines.append(_with_reason(line, pick.reason))
        for word, reasons in (("accepted", decisions.accept), ("rejected", decisions.reject)):
            if scan in reasons:
                why = reasons[scan] or "no reason given"
                lines.append(_with_reason(f"{name} {word} by hand", why))
    return "\n".join(lines)


def _with_reason(line: str, reason: str) -> str:
    return f"{line}: {one_line(reason)}" if reason else line


def gates_of_scan(
    gates: Sequence[Gate], marks: ScanMarks, target: Target, pulse: Pulse
) -> tuple[Gate, ...]:
    """The gates of one scan: a person's in place of the others; a pick is the narrowest of gates.

    Parameters
    ----------
    gates : sequence of Gate
        From :func:`~echotrace.chain.states.gates_for`.
    marks : ScanMarks
    target : Target
    pulse : Pulse

    Returns
    -------
    tuple of Gate
        In the order of the target's interfaces. A gate by hand keeps the threshold, and which echo
        is taken, of the gate that it takes the place of.

    Raises
    ------
    ParameterError
        An interface that the target has not.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.hand_marks import gates_of_scan
    >>> from echotrace.signal.gates import preset_gates
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> eye, pulse = et.eye_target("phakic"), gaussian_pulse(100e6, 10e6, 0.6)
    >>> marks = et.Decisions(gates={2: {"retina": (30.1, 31.0)}}).of_scan(2)
    >>> own = gates_of_scan(preset_gates(eye, "immersion"), marks, eye, pulse)
    >>> [(g.interface, g.start_us) for g in own if not g.preset]
    [('retina', 30.1)]
    """
    by_name = {gate.interface: gate for gate in gates}
    for name, window in marks.gates.items():
        target.index(name)
        own = by_name.get(name) or Gate(interface=name, start_us=0.0, stop_us=1.0)
        by_name[name] = dataclasses.replace(
            own,
            start_us=window.start_us,
            stop_us=window.stop_us,
            relative_to="",
            preset=False,
        )
    reach_us = _reach_us(marks, pulse)
    for name, pick in marks.picks.items():
        target.index(name)
        by_name[name] = Gate(
            interface=name,
            start_us=pick.delay_us - reach_us,
            stop_us=pick.delay_us + reach_us,
            threshold_db=_OFFERED_DB - 1.0,
        )
    return tuple(by_name[name] for name in target.interface_names if name in by_name)


def _reach_us(marks: ScanMarks, pulse: Pulse) -> float:
    """How far about a pick no other echo is offered: half a pulse, less where picks are close."""
    at = np.sort([pick.delay_us for pick in marks.picks.values()])
    return min(0.5 * pulse.width_us, 0.4 * float(np.diff(at).min(initial=np.inf)))


def offer_picks(candidates: Candidates, marks: ScanMarks, traces: Conditioned) -> Candidates:
    """Candidates of one trace with an echo where a person picked, and no other close to it.

    Parameters
    ----------
    candidates : Candidates
        Of one trace.
    marks : ScanMarks
    traces : Conditioned

    Returns
    -------
    Candidates
        For the choice alone: what is read off the trace is read off its own echoes.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.hand_marks import offer_picks
    >>> from echotrace.chain.plain import view_trace
    >>> view = view_trace(et.read("synthetic_traces/immersion_sitting.h5"), 2)
    >>> marks = et.Decisions(picks={2: {"retina": 30.42}}).of_scan(2)
    >>> 30.42 in offer_picks(view.candidates, marks, view.traces).delay_us
    True
    """
    n = int(candidates.count[0])
    delay_us = candidates.delay_us[0, :n]
    picks_us = np.array([pick.delay_us for pick in marks.picks.values()], np.float64)
    apart = np.abs(delay_us[:, None] - picks_us) if picks_us.size else np.full((n, 1), np.inf)
    kept = (apart > _reach_us(marks, traces.pulse)).all(axis=1)
    last = traces.matched_envelope.shape[1] - 1
    sample = np.clip(np.rint(traces.to_sample(picks_us)), 0, last).astype(np.int32)
    with np.errstate(divide="ignore"):
        level = 20.0 * np.log10(traces.matched_envelope[0, sample] / traces.matched_noise[0])
    level_db = np.maximum(level, _OFFERED_DB).astype(np.float32)
    order = np.argsort(np.concatenate([delay_us[kept], picks_us]), kind="stable")

    def joined(own: NDArray[Any], offered: NDArray[Any]) -> NDArray[Any]:
        return np.concatenate([own[0, :n][kept], offered.astype(own.dtype)])[order][None]

    return Candidates(
        np.array([order.size], np.int32),
        joined(candidates.sample, sample),
        joined(candidates.delay_us, picks_us),
        joined(candidates.level_db, level_db),
        joined(candidates.before_db, level_db),
        joined(candidates.broadening, np.zeros(picks_us.size)),
    )


def lay_picks(
    delay_us: NDArray[np.float64],
    delay_u_us: NDArray[np.float64],
    marks: ScanMarks,
    target: Target,
    pulse: Pulse,
) -> None:
    """Put what a person picked in place of what the chain read, in one trace; in place.

    Parameters
    ----------
    delay_us, delay_u_us : ndarray of float64, (1, n_interfaces)
        Where the chain read something that is not in the beam's order with a pick by hand, it is
        blanked.
    marks : ScanMarks
    target : Target
    pulse : Pulse

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> from echotrace.chain.hand_marks import lay_picks
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> marks = et.Decisions(picks={2: {"retina": 41.0}}).of_scan(2)
    >>> delay_us, u_us = np.array([[10.0, 10.7, 14.6, 19.5, 41.2, 40.9]]), np.full((1, 6), 0.001)
    >>> lay_picks(delay_us, u_us, marks, et.eye_target("phakic"), gaussian_pulse(1e8, 1e7, 0.6))
    >>> delay_us[0, 3:].tolist()
    [19.5, 41.0, nan]
    """
    for name, pick in marks.picks.items():
        k = target.index(name)
        delay_us[0, k], delay_u_us[0, k] = pick.delay_us, hand_u_us(pick, pulse)
        wrong = np.zeros(delay_us.shape[1], np.bool_)
        wrong[:k] = delay_us[0, :k] >= pick.delay_us
        wrong[k + 1 :] = delay_us[0, k + 1 :] <= pick.delay_us
        for other in marks.picks:
            wrong[target.index(other)] = False
        delay_us[0, wrong] = delay_u_us[0, wrong] = np.nan


def mark_codes(marks: ScanMarks, names: Sequence[str]) -> NDArray[np.uint8]:
    """What was set by hand of each interface, as results keep it.

    Parameters
    ----------
    marks : ScanMarks
    names : sequence of str
        Interfaces.

    Returns
    -------
    ndarray of uint8, (n_interfaces,)
        Codes of :data:`echotrace.measurement.BY_HAND`.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.hand_marks import mark_codes
    >>> mark_codes(et.Decisions(picks={2: {"b": 4.0}}).of_scan(2), ("a", "b")).tolist()
    [0, 2]
    """
    word = {**dict.fromkeys(marks.gates, "gate"), **dict.fromkeys(marks.picks, "pick")}
    return np.array([BY_HAND.index(word.get(name, BY_HAND[0])) for name in names], np.uint8)
