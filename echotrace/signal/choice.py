"""Which echo is which interface: gate by gate, or all interfaces at once.

Gate by gate is what instruments do. Jointly, a published prior of the segment lengths and the
shape of each echo are weighed for all interfaces together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from echotrace._renamed import old_keywords
from echotrace.errors import ParameterError
from echotrace.media import medium
from echotrace.signal.candidates import Candidates
from echotrace.signal.choice_plan import Choice, JointChoiceSettings, choice_plan, run_choice
from echotrace.signal.gates import Gate, check_gates
from echotrace.signal.lengths import plain_stack
from echotrace.signal.picking import PickReason
from echotrace.target import Target

__all__ = ["choose_in_gates", "choose_jointly", "echoes_in_gates"]


def _references(
    gates: Mapping[str, Gate], target: Target, fixed: bool
) -> Iterator[tuple[int, int]]:
    """Interfaces looked for behind the pick of another, and that other."""
    for gate in gates.values():
        if gate.relative_to:
            back = target.index(gate.relative_to)
            if back or not fixed:
                yield target.index(gate.interface), back


@old_keywords(weights="settings")
def choose_in_gates(
    candidates: Candidates,
    gates: Sequence[Gate],
    target: Target,
    *,
    first_us: float = np.nan,
    settings: JointChoiceSettings | None = None,
    threshold_db: float = 13.0,
) -> Choice:
    """Search the gates one by one, in beam order.

    Parameters
    ----------
    candidates : Candidates
    gates : sequence of Gate
        An interface without a gate is not looked for.
    target : Target
    first_us : float
        Known delay of the first interface, µs (contact); NaN where it is looked for.
    settings : JointChoiceSettings, optional
        Of the joint score, which tells how far each choice leads.
    threshold_db : float
        Of gates that have none of their own, dB over the noise.

    Returns
    -------
    Choice

    Raises
    ------
    ParameterError
        As :func:`~echotrace.signal.gates.check_gates`.

    Examples
    --------
    >>> from echotrace.signal.candidates import Candidates
    >>> from echotrace.signal.choice import choose_in_gates
    >>> from echotrace.signal.gates import preset_gates
    >>> from echotrace.target import eye_target
    >>> import numpy as np
    >>> at = np.array([[10.0, 10.67, 14.65, 19.53, 41.19]])
    >>> n = np.arange(5, dtype=np.int32)[None]
    >>> level = np.full((1, 5), 60.0, np.float32)
    >>> echoes = Candidates(np.array([5], np.int32), 100 * n, at, level, level - 60, 0 * level)
    >>> eye = eye_target("phakic")
    >>> choose_in_gates(echoes, preset_gates(eye, "immersion"), eye).candidate.tolist()
    [[0, 1, 2, 3, 4, -1]]
    """
    by_name = check_gates(gates, target)
    plan = choice_plan(
        gates,
        target,
        jointly=False,
        first_us=first_us,
        settings=settings,
        threshold_db=threshold_db,
    )
    chosen, margin = run_choice(plan, candidates)
    reason = np.where(chosen >= 0, int(PickReason.FOUND), int(PickReason.NO_ECHO))
    fixed = bool(np.isfinite(first_us))
    for k, back in _references(by_name, target, fixed):
        reason[chosen[:, back] < 0, k] = int(PickReason.REFERENCE_MISSING)
    if fixed:
        reason[:, 0] = int(PickReason.FOUND)
    return Choice(chosen, reason.astype(np.uint8), margin)


def echoes_in_gates(
    echoes: Candidates, gates: Sequence[Gate], *, threshold_db: float = 13.0
) -> NDArray[np.int32]:
    """The echo in each of some gates, whatever they are of.

    Parameters
    ----------
    echoes : Candidates
        From :func:`~echotrace.signal.candidates.find_echoes`.
    gates : sequence of Gate
        In the order of the beam; one may follow the echo of another before it (``relative_to``).
    threshold_db : float
        Of gates that have none of their own, dB over the noise.

    Returns
    -------
    ndarray of int32, (n_traces, n_gates)
        Sample of each echo's maximum in the matched envelope; -1 where a gate holds none.

    Raises
    ------
    ParameterError
        No gate, two for one interface, or one relative to another that is not before it.

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> pulse = et.gaussian_pulse(100e6, 10e6, 0.6)
    >>> echoes = et.find_echoes(et.condition(np.pad(pulse.analytic.real, 300), pulse=pulse))
    >>> gates = [et.Gate(interface="face", start_us=3.0, stop_us=4.0),
    ...          et.Gate(interface="back", start_us=1.0, stop_us=2.0, relative_to="face")]
    >>> et.echoes_in_gates(echoes, gates).tolist()
    [[329, -1]]
    """
    if not gates:
        raise ParameterError("give one gate at least")
    names = [gate.interface for gate in gates]
    twice = next((name for k, name in enumerate(names) if name in names[:k]), None)
    if twice is not None:
        raise ParameterError(f"gate {twice!r} is given twice")
    # A target has two interfaces at least; what has no gate is not looked for.
    names += [f"{names[0]}_behind"] * (len(names) == 1)
    target = plain_stack([medium("water")] * (len(names) - 1), names)
    chosen = choose_in_gates(echoes, gates, target, threshold_db=threshold_db).candidate
    chosen = chosen[:, : len(gates)]
    rows = np.arange(chosen.shape[0])[:, None]
    return np.where(chosen >= 0, echoes.sample[rows, np.maximum(chosen, 0)], -1).astype(np.int32)


@old_keywords(weights="settings")
def choose_jointly(
    candidates: Candidates,
    gates: Sequence[Gate],
    target: Target,
    *,
    first_us: float = np.nan,
    settings: JointChoiceSettings | None = None,
    threshold_db: float = 13.0,
) -> Choice:
    """Choose all interfaces at once.

    Dynamic programming over (interface, candidate) maximises the sum of each chosen echo's
    evidence (height over its threshold, shape, rise out of silence), the normal log prior of each
    segment's delay, and costs for interfaces left out. Segment ranges of the target are hard
    limits; a fixed preset gate is a preference that strong evidence overrules. A gate of the user's
    binds instead: only echoes inside it are weighed, one of them is taken, and neither range nor
    prior of the segments in front of it has a say.

    Parameters
    ----------
    candidates : Candidates
    gates : sequence of Gate
        An interface without a gate is not looked for.
    target : Target
    first_us : float
        Known delay of the first interface, µs (contact); NaN where it is looked for.
    settings : JointChoiceSettings, optional
    threshold_db : float
        Of gates that have none of their own, dB over the noise.

    Returns
    -------
    Choice

    Raises
    ------
    ParameterError
        As :func:`~echotrace.signal.gates.check_gates`.

    Examples
    --------
    >>> from echotrace.signal.candidates import Candidates
    >>> from echotrace.signal.choice import choose_jointly
    >>> from echotrace.signal.gates import preset_gates
    >>> from echotrace.target import eye_target
    >>> import numpy as np
    >>> at = np.array([[10.0, 10.67, 14.65, 19.53, 41.19]])
    >>> n = np.arange(5, dtype=np.int32)[None]
    >>> level = np.full((1, 5), 60.0, np.float32)
    >>> echoes = Candidates(np.array([5], np.int32), 100 * n, at, level, level - 60, 0 * level)
    >>> eye = eye_target("phakic")
    >>> choose_jointly(echoes, preset_gates(eye, "immersion"), eye).candidate.tolist()
    [[0, 1, 2, 3, 4, -1]]
    """
    plan = choice_plan(
        gates, target, jointly=True, first_us=first_us, settings=settings, threshold_db=threshold_db
    )
    chosen, margin = run_choice(plan, candidates)
    given = {gate.interface for gate in gates}
    looked_for = np.array([name in given for name in target.interface_names])
    missed = np.where(looked_for, int(PickReason.LEFT_OUT), int(PickReason.NO_ECHO))
    reason = np.where(chosen >= 0, int(PickReason.FOUND), missed).astype(np.uint8)
    fixed = bool(np.isfinite(first_us))
    binding = {gate.interface: gate for gate in gates if not gate.preset}
    for k, back in _references(binding, target, fixed):
        reason[chosen[:, back] < 0, k] = int(PickReason.REFERENCE_MISSING)
    if fixed:
        reason[:, 0] = int(PickReason.FOUND)
    return Choice(chosen, reason, margin)
