"""What the user's own gates were, and what was set and decided by hand, in words."""

from __future__ import annotations

import json

from echotrace.decisions import Decisions
from echotrace.measurement import BY_HAND, Measurement
from echotrace.settings import Settings, TargetGate
from echotrace.signal.gates import Gate
from echotrace.target import eye_target

__all__ = ["gate_words", "hand_lines", "hand_words", "own_gates", "own_gates_line"]


def gate_words(gate: Gate) -> str:
    """The window of a gate.

    Parameters
    ----------
    gate : Gate

    Returns
    -------
    str

    Examples
    --------
    >>> from echotrace.report.gates import gate_words
    >>> from echotrace.signal.gates import Gate
    >>> gate_words(Gate(interface="retina", start_us=20.5, stop_us=34, relative_to="cornea_front"))
    '20.5 to 34 µs behind the cornea front'
    """
    words = f"{gate.start_us:.6g} to {gate.stop_us:.6g} µs"
    return f"{words} behind the {_plain(gate.relative_to)}" if gate.relative_to else words


def hand_words(result: Measurement, trace: int) -> list[str]:
    """What a person set in a scan, a few words each.

    Parameters
    ----------
    result : Measurement
    trace : int
        Counted from 0.

    Returns
    -------
    list[str]

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.report.gates import hand_words
    >>> decisions = et.Decisions(picks={2: {"retina": 43.11}})
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> hand_words(et.measure(recording, decisions=decisions), 2)
    ['retina picked by hand']
    """
    words = {"pick": "picked by hand", "gate": "in a gate by hand"}
    return [f"{_plain(name)} {words[mark]}" for name, mark in result.marks(trace).items()]


_HAND_RULE = (
    "A pick by hand raises no probability, and makes no scan accepted that would be rejected "
    "without it; that takes accepting it by hand, with a reason."
)


def hand_lines(result: Measurement) -> list[str]:
    """All that was set and decided by hand, a line each, and what a pick by hand does not do.

    Parameters
    ----------
    result : Measurement

    Returns
    -------
    list[str]

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.report.gates import hand_lines
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> hand_lines(et.measure(recording, decisions=et.Decisions(reject={0: "lid in the way"})))
    ['scan 1 rejected by hand: lid in the way']
    """
    lines = [line for line in result.attributes.get("by_hand", "").split("\n") if line]
    picked = (result.by_hand == BY_HAND.index("pick")).any()
    return [*lines, _HAND_RULE] if picked else lines


def _plain(name: str) -> str:
    return name.replace("_", " ")


def _all_own(result: Measurement) -> list[TargetGate]:
    gates = json.loads(result.settings_json).get("gate", [])
    return [g for g in Settings.from_table({"gate": gates}).gates if not g.gate.preset]


def own_gates(result: Measurement, trace: int) -> dict[str, Gate]:
    """Gates that the user set for one trace, by interface.

    Parameters
    ----------
    result : Measurement
    trace : int

    Returns
    -------
    dict[str, Gate]

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.report.gates import own_gates
    >>> from echotrace.settings import TargetGate
    >>> from echotrace.signal.gates import Gate
    >>> retina = Gate(interface="retina", start_us=39.0, stop_us=43.0)
    >>> gate = TargetGate(method="immersion", target="phakic", gate=retina)
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> own_gates(et.measure(recording, et.Settings(gates=(gate,))), 0)["retina"].stop_us
    43.0
    """
    found = _all_own(result)
    by_hand = _hand_gates(result, trace)
    if not found:
        return by_hand
    target = result.target[trace]
    if target == "eye" and result.lens_state[trace] != "none":
        target = eye_target(
            result.lens_state[trace],
            lens_material=result.lens_material[trace],
            vitreous=result.vitreous[trace] if result.vitreous[trace] != "gas" else "natural",
        ).name
    return {
        g.gate.interface: g.gate
        for g in found
        if g.method in ("any", result.method[trace]) and g.target in ("any", target)
    } | by_hand


def _hand_gates(result: Measurement, trace: int) -> dict[str, Gate]:
    """Gates that a person set for this scan."""
    names = [name for name, mark in result.marks(trace).items() if mark == "gate"]
    if not names or "decisions" not in result.attributes:
        return {}
    gates = Decisions.from_table(json.loads(result.attributes["decisions"])).gates.get(trace, {})
    return {
        name: Gate(interface=name, start_us=gates[name].start_us, stop_us=gates[name].stop_us)
        for name in names
        if name in gates
    }


def own_gates_line(result: Measurement) -> str:
    """All gates that the user set, in one sentence; empty where there are none.

    Parameters
    ----------
    result : Measurement

    Returns
    -------
    str

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.report.gates import own_gates_line
    >>> from echotrace.settings import TargetGate
    >>> from echotrace.signal.gates import Gate
    >>> retina = Gate(interface="retina", start_us=39.0, stop_us=43.0)
    >>> gate = TargetGate(method="immersion", target="any", gate=retina)
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> own_gates_line(et.measure(recording, et.Settings(gates=(gate,))))
    'Gates set by the user, outside which nothing was taken: retina 39 to 43 µs (immersion).'
    """
    words = []
    for item in _all_own(result):
        if item.method not in ("any", *result.method.present):
            continue
        where = ", ".join(_plain(w) for w in (item.method, item.target) if w != "any")
        words.append(
            f"{_plain(item.gate.interface)} {gate_words(item.gate)}{f' ({where})' if where else ''}"
        )
    if not words:
        return ""
    return f"Gates set by the user, outside which nothing was taken: {'; '.join(words)}."
