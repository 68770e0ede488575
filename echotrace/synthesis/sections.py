"""The sections of a scenario: each key with its default, its range or words, and its unit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from echotrace.recording import Receiver
from echotrace.synthesis.eye_model import SCHEMATIC_EYES
from echotrace.target import IMPLANT_MATERIALS

__all__ = [
    "RANDOM_ARTEFACTS",
    "ARTEFACTS",
    "EyeSection",
    "PoseSection",
    "MethodSection",
    "ProbeSection",
    "ReceiverSection",
    "ScanSection",
    "Scenario",
    "ArtefactSection",
]

ARTEFACTS = (
    "oblique",
    "optic_nerve",
    "pupil_edge",
    "gain_too_high",
    "gain_too_low",
    "tgc_wrong",
    "bath_reverberation",
    "bubbles",
    "cornea_reverberation",
    "implant_reverberation",
    "couplant",
    "interference",
    "blink",
    "cataract",
    "vitreous_opacity",
    "staphyloma",
)
"""What can make a trace unlike a good one; bit ``n`` of the truth's ``artefacts`` stands for the
n-th name."""

RANDOM_ARTEFACTS = (
    "gain_too_high",
    "gain_too_low",
    "bath_reverberation",
    "bubbles",
    "cornea_reverberation",
    "couplant",
    "interference",
    "blink",
)
"""Those that are on in a scan by chance, or because its ``[[scan]]`` table says so."""


def _number(default: float, low: float, high: float, unit: str = "") -> Any:
    return field(default=default, metadata={"range": (low, high), "unit": unit})


def _word(default: str, *allowed: str) -> Any:
    return field(default=default, metadata={"words": allowed})


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeSection:
    """``[eye]``: geometry and state. NaN means "as in the model".

    ``model = "population"`` draws ``eyes`` eyes from the published distribution; the scans of a
    sitting belong to one eye. ``axial_length_mm`` sets the vitreous depth.
    """

    model: str = _word("navarro", *SCHEMATIC_EYES, "population")
    side: str = _word("right", "right", "left")
    eyes: int = _number(1, 1, 1_000_000)
    axial_length_mm: float = _number(math.nan, 14.0, 40.0, "mm")
    cornea_front_radius_mm: float = _number(math.nan, 5.0, 12.0, "mm")
    cornea_back_radius_mm: float = _number(math.nan, 4.0, 11.0, "mm")
    lens_front_radius_mm: float = _number(math.nan, 4.0, 100.0, "mm")
    lens_back_radius_mm: float = _number(math.nan, 3.0, 100.0, "mm")
    retina_radius_mm: float = _number(math.nan, 6.0, 30.0, "mm")
    cornea_mm: float = _number(math.nan, 0.3, 1.0, "mm")
    aqueous_mm: float = _number(math.nan, 0.5, 6.0, "mm")
    lens_mm: float = _number(math.nan, 0.2, 7.0, "mm")
    lens_tilt_deg: float = _number(0.0, 0.0, 20.0, "deg")
    lens_decentration_mm: float = _number(0.0, 0.0, 2.0, "mm")
    lens_azimuth_deg: float = _number(0.0, -360.0, 360.0, "deg")
    lens_state: str = _word("phakic", "phakic", "aphakic", "pseudophakic")
    lens_material: str = _word("none", "none", *IMPLANT_MATERIALS)
    vitreous: str = _word("natural", "natural", "silicone_oil_1000", "silicone_oil_5000")
    cataract_grade: float = _number(0.0, 0.0, 5.0)
    staphyloma_slope_deg: float = _number(0.0, 0.0, 30.0, "deg")
    staphyloma_step_mm: float = _number(0.0, 0.0, 4.0, "mm")
    vitreous_opacities: int = _number(0, 0, 20)
    retina_echo_db: float = _number(0.0, -20.0, 20.0, "dB")
    backscatter_db: float = _number(0.0, -80.0, 20.0, "dB")


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeSection:
    """``[probe]``: the transducer and its tip; see :class:`~echotrace.synthesis.probe.Disc`.

    A disc with a sharp edge (``edge_taper`` below 0.5) is refused where an interface lies so near
    that the paraxial field has the phase of the waves from its edge wrong by more than 0.2 rad.
    """

    centre_frequency_mhz: float = _number(10.0, 1.0, 50.0, "MHz")
    fractional_bandwidth: float = _number(0.6, 0.2, 1.2)
    aperture_mm: float = _number(5.0, 1.0, 15.0, "mm")
    focus_mm: float = _number(25.0, 5.0, 200.0, "mm")
    edge_taper: float = _number(1.0, 0.0, 1.0)
    tip_mm: float = _number(0.75, 0.0, 10.0, "mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodSection:
    """``[method]``: contact or immersion.

    In contact the cornea is flat against the face and each scan shortens the anterior chamber by
    a draw from a gamma distribution. Its mean varies from eye to eye (``compression_mm`` and
    ``compression_between_mm``); its standard deviation within an eye is in proportion to the
    eye's mean and is ``compression_within_mm`` for an eye of average compression. Defaults:
    contact minus immersion -0.20 ± 0.26 mm, and within an eye 0.14 ± 0.12 mm: Ademola-Popoola
    2016. (That the two go together is a modelling choice; it gives the published ± 0.12.)
    """

    kind: str = _word("immersion", "contact", "immersion")
    standoff_mm: float = _number(10.0, 3.0, 30.0, "mm")
    bath: str = _word("saline", "saline", "water")
    bath_temperature_c: float = _number(22.0, 10.0, 40.0, "degC")
    compression_mm: float = _number(0.20, 0.0, 1.0, "mm")
    compression_between_mm: float = _number(0.26, 0.0, 1.0, "mm")
    compression_within_mm: float = _number(0.14, 0.0, 1.0, "mm")
    couplant_mm: float = _number(0.15, 0.0, 1.0, "mm")

    @property
    def relative_compression_sd(self) -> float:
        """Standard deviation of the compression within an eye over its mean."""
        if self.compression_mm == 0.0:
            return 0.0
        return self.compression_within_mm / self.compression_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class PoseSection:
    """``[pose]``: how the probe lies on the visual axis.

    Tilt is the angle between the probe's axis and the visual axis, the pivot being the corneal
    vertex; decentration is the distance by which the axis, tilted, is then shifted sideways.
    Both have two components drawn from normal distributions of the given standard deviations
    (how steady a hand is: common practice, no source). Gaze wanders too: the eye turns about its
    own centre by ``fixation_sd_deg`` in each direction, 12.0 minutes of arc by default, the
    stability of fixation through 4 D of blur, as a cataract may give it (Ukwade & Bedell 1993,
    Optom Vis Sci 70:123; 8.9 without blur).
    ``steady`` adds nothing; ``drifting`` adds a tilt that grows to ``tilt_deg`` over the sitting;
    ``oblique`` adds ``tilt_deg`` to each scan; ``optic_nerve`` aims at the nerve head;
    ``pupil_edge`` shifts the beam by ``decentration_mm`` so that the iris cuts part of it.
    ``alignments`` draws that many poses for each eye and uses them in turn (0: one a scan).
    """

    kind: str = _word("steady", "steady", "drifting", "oblique", "optic_nerve", "pupil_edge")
    tilt_deg: float = _number(0.0, 0.0, 25.0, "deg")
    decentration_mm: float = _number(0.0, 0.0, 5.0, "mm")
    azimuth_deg: float = _number(0.0, -360.0, 360.0, "deg")
    tilt_sd_deg: float = _number(0.4, 0.0, 10.0, "deg")
    decentration_sd_mm: float = _number(0.06, 0.0, 3.0, "mm")
    fixation_sd_deg: float = _number(0.20, 0.0, 5.0, "deg")
    alignments: int = _number(0, 0, 1_000_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverSection:
    """``[receiver]``: from the probe's voltage to samples.

    ``noise_db`` is the RMS noise at the receiver's input relative to the echo of a perfect plane
    reflector just in front of the disc; ``gain_db`` brings that echo to so much above full
    scale. Without TGC nodes the time gain is one that suits the method.
    """

    gain_db: float = _number(22.0, -20.0, 120.0, "dB")
    noise_db: float = _number(-92.0, -160.0, -10.0, "dB")
    tgc_delay_us: tuple[float, ...] | None = None
    tgc_gain_db: tuple[float, ...] | None = None
    tgc_is_wrong: bool = False
    full_scale: float = _number(1.0, 1e-6, 1e6)
    bits: int = _number(12, 0, 16)
    sampling_rate_mhz: float = _number(100.0, 20.0, 1000.0, "MHz")
    duration_us: float = _number(math.nan, 10.0, 400.0, "us")
    jitter_ns: float = _number(1.0, 0.0, 100.0, "ns")
    ring_down_db: float = _number(-8.0, -120.0, 20.0, "dB")
    ring_down_us: float = _number(0.18, 0.01, 3.0, "us")


@dataclass(frozen=True, slots=True, kw_only=True)
class ArtefactSection:
    """``[artefacts]``: the chance of each to be on in a scan, 0 to 1."""

    gain_too_high: float = _number(0.0, 0.0, 1.0)
    gain_too_low: float = _number(0.0, 0.0, 1.0)
    bath_reverberation: float = _number(1.0, 0.0, 1.0)
    bubbles: float = _number(0.0, 0.0, 1.0)
    cornea_reverberation: float = _number(0.0, 0.0, 1.0)
    couplant: float = _number(0.0, 0.0, 1.0)
    interference: float = _number(0.0, 0.0, 1.0)
    blink: float = _number(0.0, 0.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanSection:
    """``[[scan]]``: what is different in one scan of every sitting. NaN: as drawn.

    ``number`` counts from 1. ``artefacts`` are on in this scan, besides those that chance picks.
    """

    number: int = _number(1, 1, 1_000_000)
    tilt_deg: float = _number(math.nan, 0.0, 25.0, "deg")
    decentration_mm: float = _number(math.nan, 0.0, 5.0, "mm")
    azimuth_deg: float = _number(0.0, -360.0, 360.0, "deg")
    compression_mm: float = _number(math.nan, 0.0, 1.0, "mm")
    gain_db: float = _number(math.nan, -20.0, 120.0, "dB")
    artefacts: tuple[str, ...] = field(default=(), metadata={"words": RANDOM_ARTEFACTS})

    @property
    def sets_pose(self) -> bool:
        """Whether the scan is held differently from the others."""
        return not (math.isnan(self.tilt_deg) and math.isnan(self.decentration_mm))


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
    operator, subject : str
        Labels of the recording.
    """

    name: str = "scenario"
    description: str = ""
    scans: int = _number(5, 1, 10_000_000)
    seed: int = _number(0, 0, 2**53)
    operator: str = "demo"
    subject: str = "demo"
    eye: EyeSection = field(default_factory=EyeSection)
    probe: ProbeSection = field(default_factory=ProbeSection)
    method: MethodSection = field(default_factory=MethodSection)
    pose: PoseSection = field(default_factory=PoseSection)
    receiver: ReceiverSection = field(default_factory=ReceiverSection)
    artefacts: ArtefactSection = field(default_factory=ArtefactSection)
    scan: tuple[ScanSection, ...] = ()

    def receiver_model(self) -> Receiver:
        """The receiver as it goes into the recording."""
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
