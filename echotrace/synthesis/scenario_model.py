"""A whole scenario: all its sections, and the receiver that follows from them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from echotrace.recording import Receiver
from echotrace.synthesis.near_field import NearFieldSection
from echotrace.synthesis.section_keys import number_key, other_key
from echotrace.synthesis.sections import (
    ArtefactSection,
    EyeSection,
    InstrumentSection,
    MethodSection,
    OperatorSection,
    PoseSection,
    ProbeSection,
    ReceiverSection,
    ScanSection,
)

__all__ = ["Scenario"]

# Time gain that lets the retina stand beside lens and cornea: rises through the vitreous.
_USUAL_TGC: Mapping[str, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "contact": ((8.0, 30.0), (0.0, 16.0)),
    "immersion": ((24.0, 44.0), (0.0, 20.0)),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A whole scenario.

    Attributes
    ----------
    name, description : str
    scans : int
        Scans of one sitting.
    seed : int
        Used where the caller gives none.
    subject : str
        Label of the recording.
    eye, probe, method, pose, receiver, near_field, instrument, operator, artefacts
        The sections, see :mod:`echotrace.synthesis.sections`.
    scan : tuple of ScanSection
        What is different in single scans.

    Examples
    --------
    >>> Scenario(scans=3).eye.model
    'navarro'
    """

    name: str = other_key("scenario", "name of the scenario; that of its file where it is not set")
    description: str = other_key("", "what is to be seen, in words; goes into the recording")
    scans: int = number_key(5, 1, 10_000_000, about="scans of one sitting")
    seed: int = number_key(0, 0, 2**53, about="seed where none is given")
    subject: str = other_key("demo", "who is measured: a code, never a name")
    eye: EyeSection = field(default_factory=EyeSection)
    probe: ProbeSection = field(default_factory=ProbeSection)
    method: MethodSection = field(default_factory=MethodSection)
    pose: PoseSection = field(default_factory=PoseSection)
    receiver: ReceiverSection = field(default_factory=ReceiverSection)
    near_field: NearFieldSection = field(default_factory=NearFieldSection)
    instrument: InstrumentSection = field(default_factory=InstrumentSection)
    operator: OperatorSection = field(default_factory=OperatorSection)
    artefacts: ArtefactSection = field(default_factory=ArtefactSection)
    scan: tuple[ScanSection, ...] = ()

    def receiver_model(self) -> Receiver:
        """The receiver as it goes into the recording.

        Returns
        -------
        Receiver
        """
        delay_us, gain_db = _USUAL_TGC[self.method.kind]
        if self.receiver.tgc_delay_us is not None:
            delay_us = self.receiver.tgc_delay_us
        if self.receiver.tgc_gain_db is not None:
            gain_db = self.receiver.tgc_gain_db
        return Receiver(
            tgc_delay_us=delay_us,
            tgc_gain_db=gain_db,
            full_scale=self.receiver.full_scale,
            bits=self.receiver.bits,
        )
