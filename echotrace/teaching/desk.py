"""What a desk for looking at scans holds: settings, decisions, and what the chain says of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.measure import measure
from echotrace.chain.plain import TraceView, view_trace
from echotrace.decisions import Decisions, HandGate, HandPick
from echotrace.errors import ParameterError
from echotrace.files.atomic import save_text
from echotrace.files.decisions_file import bound_to, write_decisions
from echotrace.measurement import Measurement
from echotrace.recording import Recording
from echotrace.settings import Settings, settings_toml
from echotrace.signal.receiver import apply_receiver, tgc_db, undo_receiver

__all__ = ["Desk", "Look", "receive_again"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """One scan as it is seen.

    Attributes
    ----------
    recording : Recording
        Of this one scan, received with the gain and time gain that are set.
    result : Measurement
    view : TraceView

    Examples
    --------
    >>> import echotrace as et
    >>> look = Desk(et.read("synthetic_traces/immersion_sitting.h5")).look()
    >>> look.result.accepted.tolist()
    [True]
    """

    recording: Recording
    result: Measurement
    view: TraceView


def receive_again(recording: Recording, gain_db: float, time_gain_db: float) -> Recording:
    """The scans as they would have been received with more gain, or less.

    What was clipped stays lost; what rises above full scale is clipped, and what falls below a step
    of the converter is gone.

    Parameters
    ----------
    recording : Recording
        RF with a known receiver.
    gain_db : float
        Added at all delays, dB.
    time_gain_db : float
        Added at the end of the trace and in proportion before it, dB.

    Returns
    -------
    Recording

    Raises
    ------
    ParameterError
        The receiver is not known.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5").select(slice(0, 1))
    >>> louder = receive_again(recording, 6.0, 0.0)
    >>> round(float(louder.gain_db[0] - recording.gain_db[0]), 3)
    6.0
    """
    if gain_db == 0.0 and time_gain_db == 0.0:
        return recording
    receiver = recording.receiver
    if receiver is None or not np.isfinite(recording.gain_db).all():
        raise ParameterError("gain cannot be changed: the recording does not state its receiver")
    delay_us = recording.delay_us
    nodes = np.union1d(np.asarray(receiver.tgc_delay_us, np.float64), (delay_us[0], delay_us[-1]))
    span = float(delay_us[-1] - delay_us[0])
    added = time_gain_db * np.clip((nodes - delay_us[0]) / span, 0.0, 1.0)
    changed = replace(
        receiver,
        tgc_delay_us=tuple(float(x) for x in nodes),
        tgc_gain_db=tuple(float(x) for x in tgc_db(nodes, receiver) + added),
    )
    undone = undo_receiver(np.asarray(recording.samples[:]), delay_us, receiver, recording.gain_db)
    gain = (recording.gain_db + gain_db).astype(np.float32)
    return replace(
        recording,
        samples=apply_receiver(undone.amplitude, delay_us, changed, gain),
        receiver=changed,
        gain_db=gain,
    )


class Desk:
    """A recording with settings and decisions that may be changed.

    Parameters
    ----------
    recording : Recording
    settings : Settings, optional
    decisions : Decisions, optional

    Examples
    --------
    >>> import echotrace as et
    >>> desk = Desk(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> desk.step(2)
    >>> desk.place("retina", 42.15, "seen")
    >>> desk.look().result.picked_by_hand(0)
    ('retina',)
    """

    def __init__(
        self,
        recording: Recording,
        settings: Settings | None = None,
        decisions: Decisions | None = None,
    ) -> None:
        self.recording = recording
        self.settings = Settings() if settings is None else settings
        self.decisions = bound_to(Decisions() if decisions is None else decisions, recording)
        self.scan = 0
        self.gain_db = 0.0
        self.time_gain_db = 0.0

    def look(self) -> Look:
        """Measure the scan as everything is set now."""
        one = self.recording.select(slice(self.scan, self.scan + 1))
        one = receive_again(one, self.gain_db, self.time_gain_db)
        own = self.decisions.take([self.scan])
        return Look(
            recording=one,
            result=measure(one, self.settings, decisions=own),
            view=view_trace(one, 0, self.settings, decisions=own),
        )

    def step(self, by: int) -> None:
        """Go on by some scans; the ends hold."""
        self.scan = int(np.clip(self.scan + by, 0, self.recording.n_traces - 1))

    def set_picking(self, **changes: Any) -> None:
        """Change picker or threshold."""
        self.settings = replace(self.settings, picking=replace(self.settings.picking, **changes))

    def _decide(self, later: Decisions) -> None:
        self.decisions = self.decisions.merged(later)

    def place(self, interface: str, delay_us: float, reason: str = "") -> None:
        """Pick an interface of this scan by hand; a gate by hand that is in the way is dropped."""
        gate = self.decisions.gates.get(self.scan, {}).get(interface)
        if gate is not None and not gate.start_us <= delay_us <= gate.stop_us:
            self._drop("gates", interface)
        pick = HandPick(delay_us=delay_us, reason=reason)
        self._decide(Decisions(picks={self.scan: {interface: pick}}))

    def set_gate(self, interface: str, start_us: float, stop_us: float, reason: str = "") -> None:
        """Set where an interface of this scan is looked for; a pick by hand outside is dropped."""
        low, high = sorted((start_us, stop_us))
        pick = self.decisions.picks.get(self.scan, {}).get(interface)
        if pick is not None and not low <= pick.delay_us <= high:
            self._drop("picks", interface)
        gate = HandGate(start_us=low, stop_us=high, reason=reason)
        self._decide(Decisions(gates={self.scan: {interface: gate}}))

    def judge(self, accept: bool, reason: str) -> None:
        """Accept or reject this scan by hand.

        Raises
        ------
        ParameterError
            No reason is given.
        """
        if not reason.strip():
            raise ParameterError("give a reason first, in the line above the buttons")
        word = "accept" if accept else "reject"
        self._decide(Decisions(**{word: {self.scan: reason.strip()}}))  # type: ignore[arg-type]

    def undo(self) -> None:
        """Forget all that was decided about this scan."""
        for name in ("gates", "picks", "accept", "reject"):
            kept = {k: v for k, v in getattr(self.decisions, name).items() if k != self.scan}
            self.decisions = replace(self.decisions, **{name: kept})  # type: ignore[arg-type]

    def _drop(self, name: str, interface: str) -> None:
        marks = {k: dict(v) for k, v in getattr(self.decisions, name).items()}
        marks[self.scan].pop(interface)
        self.decisions = replace(self.decisions, **{name: marks})  # type: ignore[arg-type]

    def save(self, settings: Path | None, decisions: Path | None) -> list[Path]:
        """Write settings and decisions as files that ``echotrace measure`` takes.

        Gain and time gain are no settings of a measurement: they are not saved.
        """
        if settings is not None:
            save_text(settings, settings_toml(self.settings))
        if decisions is not None:
            write_decisions(self.decisions, decisions, self.recording)
        return [path for path in (settings, decisions) if path is not None]

    def gates_us(self, look: Look) -> dict[str, tuple[float, float]]:
        """Windows in delay, those of this scan by hand included."""
        names = look.view.target.interface_names
        found = {}
        for gate in look.view.gates:
            relative = gate.relative_to
            origin = look.view.delay_us[0, names.index(relative)] if relative else 0.0
            if np.isfinite(origin):
                found[gate.interface] = (origin + gate.start_us, origin + gate.stop_us)
        for interface, own in self.decisions.gates.get(self.scan, {}).items():
            found[interface] = (own.start_us, own.stop_us)
        return found


def levels_db(look: Look) -> NDArray[np.float64]:
    """Envelope in dB below the tallest echo picked."""
    envelope = np.asarray(look.view.traces.envelope[0], np.float64)
    picks = look.view.delay_us[0]
    delay_us = look.recording.delay_us
    near = [
        envelope[np.abs(delay_us - at) < 0.3].max(initial=0.0) for at in picks if np.isfinite(at)
    ]
    reference = max([x for x in near if x > 0.0], default=max(float(envelope.max()), 1e-30))
    level: NDArray[np.float64] = 20.0 * np.log10(np.maximum(envelope / reference, 10.0**-3.5))
    return level
