"""The states of the eyes in a recording: their targets, and the gates that apply to each."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import MissingDetailError, ParameterError
from echotrace.recording import Method, Recording, distinct_rows
from echotrace.settings import Settings, TargetGate
from echotrace.signal.gates import Gate, preset_gates
from echotrace.target import Target, eye_target

__all__ = [
    "State",
    "expand_gates",
    "gates_for",
    "mark_own_gates",
    "rows_of_state",
    "targets_of",
]

State = tuple[str, str, str, str, str]
"""Method, lens state, lens material, filling of the vitreous cavity, and name of the target."""

_STATE_COLUMNS = ("method", "lens_state", "lens_material", "vitreous", "target")


def targets_of(recording: Recording, target: Target | None) -> dict[State, Target | None]:
    """The target of every combination of states in the recording; None where it holds gas.

    Parameters
    ----------
    recording : Recording
    target : Target or None
        What the beam passes in all traces; None: the eye each trace says.

    Returns
    -------
    dict of tuple to Target or None
        By state; None where the vitreous cavity holds gas.

    Raises
    ------
    MissingDetailError
        A target that is not built in, a lens state that is not said, or a contact recording that
        does not say where the probe's face is.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.states import targets_of
    >>> {state[1]: target.name for state, target in targets_of(recording, None).items()}
    {'phakic': 'phakic'}
    """
    columns = [getattr(recording, name) for name in _STATE_COLUMNS]
    first, _ = distinct_rows(columns)
    found: dict[State, Target | None] = {}
    for row in first:
        method, lens_state, lens_material, vitreous, name = state = tuple(
            column[int(row)] for column in columns
        )
        if target is not None:
            found[state] = target
        elif name != "eye":
            raise MissingDetailError(
                f"the recording is of target {name!r}, which is not built in; give its "
                "description (--target FILE.toml)"
            )
        elif lens_state == "none":
            raise MissingDetailError(
                "the recording does not say the lens state (phakic, aphakic, pseudophakic); "
                "import it again with --lens-state, or give --target FILE.toml if it is no eye"
            )
        elif vitreous == "gas":
            found[state] = None
        else:
            found[state] = eye_target(lens_state, lens_material=lens_material, vitreous=vitreous)
        if method == Method.CONTACT and np.isnan(recording.probe.face_delay_us):
            raise MissingDetailError(
                "a contact recording needs the delay of the probe's face after delay zero; "
                "import it again with --face-delay-us (and --face-delay-u-us)"
            )
    return found


def gates_for(target: Target, method: str, settings: Settings) -> tuple[Gate, ...]:
    """The gates that apply: the user's where there is one, else the preset.

    A gate that says it is a preset and has another window, as when a file of written settings was
    edited, is the user's.

    Parameters
    ----------
    target : Target
    method : {"contact", "immersion", "other"}
    settings : Settings

    Returns
    -------
    tuple of Gate
        In the order of the target's interfaces.

    Raises
    ------
    ParameterError
        A gate for an interface that the target has not, one for the first interface in contact, or
        none for that of a target that is measured by another method.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.states import gates_for
    >>> [gate.interface for gate in gates_for(et.eye_target("aphakic"), "contact", et.Settings())]
    ['retina', 'sclera']
    """
    own = {
        item.gate.interface: item.gate for item in settings.gates if _applies(item, target, method)
    }
    for name in own:
        target.index(name)
    preset = {gate.interface: gate for gate in preset_gates(target, method)}
    first = target.interface_names[0]
    if method == Method.CONTACT and first in own:
        raise ParameterError(
            f"gate {first!r}: in contact it lies at the probe's face and is not looked for; give "
            "the gate method = 'immersion', or leave it out"
        )
    own = {
        name: dataclasses.replace(gate, preset=gate == preset.get(name))
        for name, gate in own.items()
    }
    if method == Method.OTHER and first not in own:
        raise ParameterError(
            f"target {target.name!r}: the first interface ({first}) has no preset gate for method "
            "'other'; give one in the settings ([[gate]])"
        )
    merged = {**preset, **own}
    return tuple(merged[name] for name in target.interface_names if name in merged)


def _applies(item: TargetGate, target: Target, method: str) -> bool:
    return item.method in ("any", method) and item.target in ("any", target.name)


def mark_own_gates(settings: Settings, targets: Mapping[State, Target | None]) -> Settings:
    """The settings with every gate said to be the user's that binds, as provenance needs it.

    Parameters
    ----------
    settings : Settings
    targets : mapping of tuple to Target or None
        From :func:`targets_of`.

    Returns
    -------
    Settings

    Raises
    ------
    ParameterError
        As :func:`gates_for`.

    Examples
    --------
    >>> import dataclasses
    >>> import echotrace as et
    >>> from echotrace.chain.states import expand_gates, mark_own_gates, targets_of
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> settings = expand_gates(et.Settings(), recording, None)
    >>> *rest, last = settings.gates
    >>> wider = dataclasses.replace(last.gate, stop_us=last.gate.stop_us + 1.0)
    >>> edited = dataclasses.replace(
    ...     settings, gates=(*rest, dataclasses.replace(last, gate=wider)))
    >>> marked = mark_own_gates(edited, targets_of(recording, None))
    >>> [item.gate.interface for item in marked.gates if not item.gate.preset]
    ['sclera']
    """
    gates = list(settings.gates)
    for state, found in targets.items():
        if found is None:
            continue
        used = {gate.interface: gate for gate in gates_for(found, state[0], settings)}
        for k, item in enumerate(gates):
            if _applies(item, found, state[0]) and not used[item.gate.interface].preset:
                gates[k] = dataclasses.replace(
                    item, gate=dataclasses.replace(item.gate, preset=False)
                )
    return dataclasses.replace(settings, gates=tuple(gates))


def expand_gates(settings: Settings, recording: Recording, target: Target | None) -> Settings:
    """The settings with every gate written out that applies to a recording.

    The first interface of a target that is measured by another method has no preset: it gets a gate
    over the whole trace, to be narrowed.

    Parameters
    ----------
    settings : Settings
    recording : Recording
    target : Target or None

    Returns
    -------
    Settings

    Raises
    ------
    MissingDetailError, ParameterError
        As :func:`targets_of` and :func:`gates_for`.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.states import expand_gates
    >>> len(expand_gates(et.Settings(), recording, None).gates)
    6
    """
    gates: list[TargetGate] = []
    for state, found in targets_of(recording, target).items():
        if found is None:
            continue
        own = settings
        if state[0] == Method.OTHER:
            last_us = (
                recording.start_delay_us + recording.n_samples / recording.sampling_rate_hz * 1e6
            )
            whole = Gate(
                interface=found.interface_names[0],
                start_us=round(recording.start_delay_us, 3),
                stop_us=round(last_us, 3),
            )
            # Ahead of the user's own, of which the last that applies is taken.
            first = TargetGate(method=state[0], target=found.name, gate=whole)
            own = dataclasses.replace(settings, gates=(first, *settings.gates))
        gates += [
            TargetGate(method=state[0], target=found.name, gate=gate)
            for gate in gates_for(found, state[0], own)
        ]
    return dataclasses.replace(settings, gates=tuple(dict.fromkeys(gates)))


def rows_of_state(block: Recording, state: State) -> NDArray[np.intp]:
    """Traces of one combination of states.

    Parameters
    ----------
    block : Recording
    state : tuple of str

    Returns
    -------
    ndarray of int, (n,)
        Numbers of the traces in the block.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.states import rows_of_state, targets_of
    >>> (state,) = targets_of(recording, None)
    >>> rows_of_state(recording, state).size == recording.n_traces
    True
    """
    has = [
        getattr(block, name).where(label) for name, label in zip(_STATE_COLUMNS, state, strict=True)
    ]
    return np.flatnonzero(np.all(has, axis=0))
