"""What the user's own gates were, in words."""

from __future__ import annotations

import json

from echotrace.measurement import Measurement
from echotrace.settings import Settings, TargetGate
from echotrace.signal.gates import Gate
from echotrace.target import eye_target

__all__ = ["gate_words", "own_gates", "own_gates_line"]


def gate_words(gate: Gate) -> str:
    """The window of a gate.

    Parameters
    ----------
    gate : Gate

    Examples
    --------
    >>> from echotrace.report.gates import gate_words
    >>> from echotrace.signal.gates import Gate
    >>> gate_words(Gate(interface="retina", start_us=20.5, stop_us=34, relative_to="cornea_front"))
    '20.5 to 34 µs behind the cornea front'
    """
    words = f"{gate.start_us:.6g} to {gate.stop_us:.6g} µs"
    return f"{words} behind the {_plain(gate.relative_to)}" if gate.relative_to else words


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
    if not found:
        return {}
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
    }


def own_gates_line(result: Measurement) -> str:
    """All gates that the user set, in one sentence; empty where there are none.

    Parameters
    ----------
    result : Measurement

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
        where = ", ".join(_plain(w) for w in (item.method, item.target) if w != "any")
        words.append(
            f"{_plain(item.gate.interface)} {gate_words(item.gate)}{f' ({where})' if where else ''}"
        )
    if not words:
        return ""
    return f"Gates set by the user, outside which nothing was taken: {'; '.join(words)}."
