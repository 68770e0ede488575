"""The states of the eyes in a recording: their targets, and the gates that apply to each."""

from __future__ import annotations

import dataclasses
import warnings
from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import EchotraceWarning, MissingDetailError, ParameterError
from echotrace.recording import Method, Recording, distinct_rows
from echotrace.settings import Settings, TargetGate
from echotrace.signal.gates import Gate, preset_gates
from echotrace.target import IMPLANT_MATERIALS, VITREOUS_FILLINGS, Target, eye_target
from echotrace.user_input import did_you_mean

__all__ = [
    "STATE_COLUMNS",
    "State",
    "check_gates_apply",
    "expand_gates",
    "gate_empty",
    "gates_for",
    "mark_own_gates",
    "rows_of_state",
    "state_of",
    "targets_of",
]

State = tuple[str, str, str, str, str]
"""Method, lens state, lens material, filling of the vitreous cavity, and name of the target."""

_OLD_THRESHOLD_DB = 13.0

STATE_COLUMNS = ("method", "lens_state", "lens_material", "vitreous", "target")
"""Labels that say which target the beam passes, and how."""


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
    columns = [getattr(recording, name) for name in STATE_COLUMNS]
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
    edited, is the user's. One that says nothing and is the preset as version 0.1 wrote it is still
    the preset. A gate for any target is passed over where the target has no such interface.

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
    own = {name: _as_preset(gate, preset.get(name)) for name, gate in own.items()}
    if method == Method.OTHER and first not in own:
        raise ParameterError(
            f"target {target.name!r}: the first interface ({first}) has no preset gate for method "
            "'other'; give one in the settings ([[gate]])"
        )
    merged = {**preset, **own}
    return tuple(merged[name] for name in target.interface_names if name in merged)


def _as_preset(gate: Gate, preset: Gate | None) -> Gate:
    """The preset where a gate was written out of it and not changed since, else the gate, bound."""
    if preset is None:
        return dataclasses.replace(gate, preset=False)
    # Version 0.1 wrote the threshold into each gate, and took the tallest echo for the cornea.
    written = dataclasses.replace(preset, preset=False, threshold_db=_OLD_THRESHOLD_DB)
    if not preset.relative_to:
        written = dataclasses.replace(written, threshold_fraction=0.0, select="largest")
    return preset if gate in (preset, written) else dataclasses.replace(gate, preset=False)


def _applies(item: TargetGate, target: Target, method: str) -> bool:
    if item.target == "any" and item.gate.interface not in target.interface_names:
        return False
    return item.method in ("any", method) and item.target in ("any", target.name)


def check_gates_apply(settings: Settings, targets: Mapping[State, Target | None]) -> None:
    """Refuse gates of no target and no interface that there is; tell of those that apply nowhere.

    Parameters
    ----------
    settings : Settings
    targets : mapping of tuple to Target or None
        From :func:`targets_of`.

    Raises
    ------
    ParameterError
        A target of that name is neither measured nor built in, or no target that is measured has
        the interface.

    Warns
    -----
    EchotraceWarning
        A gate of the user's applies to no scan of the recording.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.states import check_gates_apply, targets_of
    >>> targets = targets_of(et.read("synthetic_traces/immersion_sitting.h5"), None)
    >>> table = {"gate": [{"interface": "retina", "target": "phakik", "start_us": 1, "stop_us": 2}]}
    >>> check_gates_apply(et.Settings.from_table(table), targets)
    Traceback (most recent call last):
    ...
    echotrace.errors.ParameterError: gate 'retina': target='phakik' is neither measured nor built \
in: did you mean 'phakic'? Measured here: phakic
    """
    measured = {state[0]: found for state, found in targets.items() if found is not None}
    there = {found.name: found for found in targets.values() if found is not None}
    if not there:
        return
    interfaces = list(dict.fromkeys(n for found in there.values() for n in found.interface_names))
    for item in settings.gates:
        gate, place = item.gate, f"gate {item.gate.interface!r}"
        if item.target != "any" and item.target not in there:
            built_in = _built_in_names()
            if item.target not in built_in:
                hint = did_you_mean(item.target, [*there, *built_in])
                raise ParameterError(
                    f"{place}: target={item.target!r} is neither measured nor built in: {hint}"
                    f"Measured here: {', '.join(there)}"
                )
        elif item.target == "any" and gate.interface not in interfaces:
            known = [n for name in there for n in there[name].interface_names]
            raise ParameterError(
                f"{place}: no target here has it: {did_you_mean(gate.interface, known)}"
                f"Interfaces here: {', '.join(interfaces)}"
            )
        applies = any(
            found is not None and _applies(item, found, state[0])
            for state, found in targets.items()
        )
        if not applies and not gate.preset:
            methods = ", ".join(dict.fromkeys(measured))
            warnings.warn(
                f"{place} for method {item.method!r} and target {item.target!r} applies to no scan "
                f"of this recording, which has {methods} of {', '.join(there)}",
                EchotraceWarning,
                stacklevel=2,
            )


def _built_in_names() -> set[str]:
    """Names of all eyes that are built in."""
    states = [("phakic", "none"), ("aphakic", "none")]
    states += [("pseudophakic", material) for material in IMPLANT_MATERIALS]
    return {
        eye_target(state, lens_material=material, vitreous=filling).name
        for state, material in states
        for filling in VITREOUS_FILLINGS
        if filling != "gas"
    }


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
    if not settings.gates:
        return settings
    binds: dict[int, bool] = {}
    for state, found in targets.items():
        if found is None:
            continue
        used = {gate.interface: gate for gate in gates_for(found, state[0], settings)}
        for k, item in enumerate(settings.gates):
            if _applies(item, found, state[0]):
                binds[k] = binds.get(k, False) or not used[item.gate.interface].preset
    marked = [
        dataclasses.replace(item, gate=dataclasses.replace(item.gate, preset=not binds[k]))
        if k in binds
        else item
        for k, item in enumerate(settings.gates)
    ]
    return dataclasses.replace(settings, gates=tuple(marked))


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


def gate_empty(
    delay_us: NDArray[np.float64],
    method: str,
    target: Target,
    settings: Settings,
    gated: Iterable[str] = (),
) -> NDArray[np.bool_]:
    """Traces in which a gate of a person's holds no echo, be it of what need not be there.

    Parameters
    ----------
    delay_us : ndarray of float64, (n_traces, n_interfaces)
        Picks, µs.
    method : str
    target : Target
    settings : Settings
    gated : iterable of str
        Interfaces with a gate by hand in these traces.

    Returns
    -------
    ndarray of bool, (n_traces,)

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> from echotrace.chain.states import gate_empty
    >>> nothing = np.full((1, 6), np.nan)
    >>> gate_empty(nothing, "immersion", et.eye_target("phakic"), et.Settings(), ["retina"])
    array([ True])
    """
    asked = set(gated)
    if settings.gates:
        asked |= {g.interface for g in gates_for(target, method, settings) if not g.preset}
    columns = [target.index(name) for name in asked]
    return np.asarray(np.isnan(delay_us[:, columns]).any(axis=1))


def state_of(recording: Recording, trace: int) -> State:
    """The combination of states of one trace.

    Parameters
    ----------
    recording : Recording
    trace : int

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.chain.states import state_of
    >>> state_of(et.read("synthetic_traces/immersion_sitting.h5"), 0)
    ('immersion', 'phakic', 'none', 'natural', 'eye')
    """
    method, lens_state, lens_material, vitreous, target = (
        getattr(recording, name)[trace] for name in STATE_COLUMNS
    )
    return method, lens_state, lens_material, vitreous, target


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
        getattr(block, name).where(label) for name, label in zip(STATE_COLUMNS, state, strict=True)
    ]
    return np.flatnonzero(np.all(has, axis=0))
