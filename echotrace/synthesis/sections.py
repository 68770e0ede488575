"""The sections of a scenario: each key with its default, its range or words, its unit and meaning.

The metadata of a field say what may be written; :mod:`echotrace.synthesis.key_table` makes the
table of ``synthetic_traces/README.md`` of them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from echotrace.synthesis.artefact_names import RANDOM_ARTEFACTS
from echotrace.synthesis.eye_model import SCHEMATIC_EYES
from echotrace.synthesis.section_keys import number_key, other_key, word_key
from echotrace.target import IMPLANT_MATERIALS

__all__ = [
    "EyeSection",
    "PoseSection",
    "MethodSection",
    "ProbeSection",
    "ReceiverSection",
    "ScanSection",
    "ArtefactSection",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeSection:
    """``[eye]``: geometry and state. NaN means "as in the model".

    ``model = "population"`` draws ``eyes`` eyes from the published distribution; the scans of a
    sitting belong to one eye. ``axial_length_mm`` sets the vitreous depth.

    Attributes
    ----------
    model, side, speed_spread, eyes, axial_length_mm, cornea_front_radius_mm, cornea_back_radius_mm
    lens_front_radius_mm, lens_back_radius_mm, retina_radius_mm, cornea_mm, aqueous_mm
    lens_mm, lens_tilt_deg, lens_decentration_mm, lens_azimuth_deg, lens_state, lens_material
    vitreous, cataract_grade, staphyloma_slope_deg, staphyloma_step_mm, vitreous_opacities
    retina_echo_db, backscatter_db
        Default, range or words, unit and meaning of each: see
        :func:`~echotrace.synthesis.key_table.key_table`.

    Examples
    --------
    >>> EyeSection().model
    'navarro'
    """

    model: str = word_key(
        "navarro",
        *SCHEMATIC_EYES,
        "population",
        about="schematic eye to start from, or a draw from the published population",
    )
    side: str = word_key("right", "right", "left", about="which eye")
    speed_spread: float = number_key(
        0.0,
        0.0,
        3.0,
        about="how far each eye's sound speeds and temperature lie from the convention: standard "
        "deviation in published standard uncertainties; 0: the convention itself",
    )
    eyes: int = number_key(
        1, 1, 1_000_000, about="eyes of the population; sittings go through them in turn"
    )
    axial_length_mm: float = number_key(
        math.nan,
        14.0,
        40.0,
        "mm",
        about="length along the visual axis; sets the depth of the vitreous",
    )
    cornea_front_radius_mm: float = number_key(
        math.nan, 5.0, 12.0, "mm", about="radius of curvature"
    )
    cornea_back_radius_mm: float = number_key(
        math.nan, 4.0, 11.0, "mm", about="radius of curvature"
    )
    lens_front_radius_mm: float = number_key(
        math.nan, 4.0, 100.0, "mm", about="radius of curvature"
    )
    lens_back_radius_mm: float = number_key(math.nan, 3.0, 100.0, "mm", about="radius of curvature")
    retina_radius_mm: float = number_key(math.nan, 6.0, 30.0, "mm", about="radius of curvature")
    cornea_mm: float = number_key(math.nan, 0.3, 1.0, "mm", about="thickness of the cornea")
    aqueous_mm: float = number_key(
        math.nan, 0.5, 6.0, "mm", about="depth from the back of the cornea to the lens"
    )
    lens_mm: float = number_key(math.nan, 0.2, 7.0, "mm", about="thickness of the lens")
    lens_tilt_deg: float = number_key(
        0.0, 0.0, 20.0, "deg", about="tilt of the lens against the visual axis"
    )
    lens_decentration_mm: float = number_key(
        0.0, 0.0, 2.0, "mm", about="sideways shift of the lens"
    )
    lens_azimuth_deg: float = number_key(
        0.0, -360.0, 360.0, "deg", about="direction of both: nasal 0, up 90"
    )
    lens_state: str = word_key(
        "phakic",
        "phakic",
        "aphakic",
        "pseudophakic",
        about="whether there is a lens, or an implant",
    )
    lens_material: str = word_key(
        "none", "none", *IMPLANT_MATERIALS, about="material of the implant"
    )
    vitreous: str = word_key(
        "natural",
        "natural",
        "silicone_oil_1000",
        "silicone_oil_5000",
        about="what fills the vitreous cavity",
    )
    cataract_grade: float = number_key(0.0, 0.0, 5.0, about="more scatter and loss in the lens")
    staphyloma_slope_deg: float = number_key(
        0.0, 0.0, 30.0, "deg", about="slope of the wall against the visual axis"
    )
    staphyloma_step_mm: float = number_key(
        0.0, 0.0, 4.0, "mm", about="how much deeper half of the wall lies"
    )
    vitreous_opacities: int = number_key(0, 0, 20, about="clumps in the vitreous")
    retina_echo_db: float = number_key(
        0.0, -20.0, 20.0, "dB", about="level of the retina's echo above the usual"
    )
    backscatter_db: float = number_key(
        0.0, -80.0, 20.0, "dB", about="scatter of all tissues above the usual"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeSection:
    """``[probe]``: the transducer and its tip; see :class:`~echotrace.synthesis.probe.Disc`.

    A disc with a sharp edge (``edge_taper`` below 0.5) is refused where an interface lies so near
    that the paraxial field has the phase of the waves from its edge wrong by more than 0.2 rad.

    Attributes
    ----------
    centre_frequency_mhz, fractional_bandwidth, aperture_mm, focus_mm, edge_taper, tip_mm
        Default, range or words, unit and meaning of each: see
        :func:`~echotrace.synthesis.key_table.key_table`.

    Examples
    --------
    >>> ProbeSection(aperture_mm=4.0).focus_mm
    25.0
    """

    centre_frequency_mhz: float = number_key(10.0, 1.0, 50.0, "MHz", about="centre frequency")
    fractional_bandwidth: float = number_key(
        0.6, 0.2, 1.2, about="-6 dB pulse-echo band over centre frequency"
    )
    aperture_mm: float = number_key(5.0, 1.0, 15.0, "mm", about="diameter of the disc")
    focus_mm: float = number_key(25.0, 5.0, 200.0, "mm", about="distance of the focus in water")
    edge_taper: float = number_key(
        1.0, 0.0, 1.0, about="part of the radius over which the drive falls to zero: 0 a piston"
    )
    tip_mm: float = number_key(0.75, 0.0, 10.0, "mm", about="water between disc and face")


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodSection:
    """``[method]``: contact or immersion.

    In contact the cornea is flat against the face and each scan shortens the anterior chamber by
    a draw from a gamma distribution. Its mean varies from eye to eye (``compression_mm`` and
    ``compression_between_mm``); its standard deviation within an eye is in proportion to the
    eye's mean and is ``compression_within_mm`` for an eye of average compression. Defaults:
    contact minus immersion -0.20 ± 0.26 mm, and within an eye 0.14 ± 0.12 mm: Ademola-Popoola
    2016. (That the two go together is a modelling choice; it gives the published ± 0.12.)

    Attributes
    ----------
    kind, standoff_mm, bath, bath_temperature_c, compression_mm, compression_between_mm
    compression_within_mm, couplant_mm, shell_sd_mm
        Default, range or words, unit and meaning of each: see
        :func:`~echotrace.synthesis.key_table.key_table`.

    Examples
    --------
    >>> round(MethodSection().relative_compression_sd, 2)
    0.7
    """

    kind: str = word_key("immersion", "contact", "immersion", about="method")
    standoff_mm: float = number_key(10.0, 3.0, 30.0, "mm", about="bath between face and cornea")
    bath: str = word_key("saline", "saline", "water", about="liquid of the bath")
    bath_temperature_c: float = number_key(
        22.0, 10.0, 40.0, "degC", about="temperature of the bath"
    )
    compression_mm: float = number_key(
        0.20, 0.0, 1.0, "mm", about="mean shortening of the chamber in contact"
    )
    compression_between_mm: float = number_key(
        0.26, 0.0, 1.0, "mm", about="its standard deviation between eyes"
    )
    compression_within_mm: float = number_key(
        0.14, 0.0, 1.0, "mm", about="its standard deviation within an eye of average compression"
    )
    couplant_mm: float = number_key(
        0.15, 0.0, 2.0, "mm", about="gel under the probe where the artefact `couplant` is on"
    )
    shell_sd_mm: float = number_key(
        0.0,
        0.0,
        3.0,
        "mm",
        about="how far off centre the shell sits: standard deviation in each direction, drawn for "
        "each sitting; immersion",
    )

    @property
    def relative_compression_sd(self) -> float:
        """Standard deviation of the compression within an eye over its mean."""
        if self.compression_mm == 0.0:
            return 0.0
        return self.compression_within_mm / self.compression_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class PoseSection:
    """``[pose]``: how the probe lies on the visual axis.

    Tilt is the angle between the probe's axis and the visual axis, counted about the corneal
    vertex; decentration is the distance by which the axis, tilted, is then shifted sideways. A hand
    that turns about another point, ``pivot_mm`` behind the vertex, shifts the beam as it tilts it:
    7.2 is the nodal point, 13.5 the centre of rotation (gaze aside), -12 a wrist in front.
    Both have two components drawn from normal distributions of the given standard deviations
    (how steady a hand is: common practice, no source). Gaze wanders too: the eye turns about its
    own centre by ``fixation_sd_deg`` in each direction, 12.0 minutes of arc by default, the
    stability of fixation through 4 D of blur, as a cataract may give it (Ukwade & Bedell 1993,
    Optom Vis Sci 70:123; 8.9 without blur).
    ``steady`` adds nothing; ``drifting`` adds a tilt that grows to ``tilt_deg`` over the sitting;
    ``oblique`` adds ``tilt_deg`` to each scan; ``optic_nerve`` aims at the nerve head;
    ``pupil_edge`` shifts the beam by ``decentration_mm`` so that the iris cuts part of it.
    ``alignments`` draws that many poses for each eye and uses them in turn (0: one a scan).

    Attributes
    ----------
    kind, tilt_deg, decentration_mm, azimuth_deg, tilt_sd_deg, decentration_sd_mm
    fixation_sd_deg, pivot_mm, alignments
        Default, range or words, unit and meaning of each: see
        :func:`~echotrace.synthesis.key_table.key_table`.

    Examples
    --------
    >>> PoseSection().kind
    'steady'
    """

    kind: str = word_key(
        "steady",
        "steady",
        "drifting",
        "oblique",
        "optic_nerve",
        "pupil_edge",
        about="how the beam lies on the eye",
    )
    tilt_deg: float = number_key(
        0.0, 0.0, 25.0, "deg", about="tilt that `oblique` adds and `drifting` ends at"
    )
    decentration_mm: float = number_key(0.0, 0.0, 5.0, "mm", about="sideways shift of the beam")
    azimuth_deg: float = number_key(
        0.0, -360.0, 360.0, "deg", about="direction of tilt and shift: nasal 0, up 90"
    )
    tilt_sd_deg: float = number_key(
        0.4,
        0.0,
        10.0,
        "deg",
        about="standard deviation of the hand's tilt from scan to scan, in each direction",
    )
    decentration_sd_mm: float = number_key(
        0.06, 0.0, 3.0, "mm", about="the same of its sideways shift"
    )
    fixation_sd_deg: float = number_key(
        0.20,
        0.0,
        5.0,
        "deg",
        about="the same of the gaze, which turns about the eye's centre of rotation",
    )
    pivot_mm: float = number_key(
        0.0,
        -60.0,
        60.0,
        "mm",
        about="point about which the hand turns, behind the corneal vertex; negative: in front",
    )
    alignments: int = number_key(
        0, 0, 1_000_000, about="poses drawn for each eye and used in turn; 0: one for each scan"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverSection:
    """``[receiver]``: from the probe's voltage to samples.

    ``noise_db`` is the RMS noise at the receiver's input relative to the echo of a perfect plane
    reflector just in front of the disc; ``gain_db`` brings that echo to so much above full
    scale. Without TGC nodes the time gain is one that suits the method.

    Attributes
    ----------
    gain_db, noise_db, tgc_delay_us, tgc_gain_db, tgc_is_wrong, full_scale, bits
    sampling_rate_mhz, duration_us, jitter_ns, ring_down_db, ring_down_us
        Default, range or words, unit and meaning of each: see
        :func:`~echotrace.synthesis.key_table.key_table`.

    Examples
    --------
    >>> ReceiverSection().bits
    12
    """

    gain_db: float = number_key(
        22.0,
        -20.0,
        120.0,
        "dB",
        about="how far a plane reflector's echo would come above full scale",
    )
    noise_db: float = number_key(
        -92.0, -160.0, -10.0, "dB", about="RMS noise at the input, against a plane reflector's echo"
    )
    tgc_delay_us: tuple[float, ...] | None = other_key(None, "nodes of the time gain, µs")
    tgc_gain_db: tuple[float, ...] | None = other_key(None, "gain at each node, dB")
    tgc_is_wrong: bool = other_key(False, "marks the truth: this time gain is a mistake")
    full_scale: float = number_key(1.0, 1e-6, 1e6, about="level at which the converter clips")
    bits: int = number_key(12, 0, 16, about="bits of the converter; 0: samples are floats")
    sampling_rate_mhz: float = number_key(100.0, 20.0, 1000.0, "MHz", about="sampling rate")
    duration_us: float = number_key(
        math.nan, 10.0, 400.0, "us", about="length of a trace; not set: long enough for the eye"
    )
    jitter_ns: float = number_key(1.0, 0.0, 100.0, "ns", about="standard deviation of the trigger")
    ring_down_db: float = number_key(
        -8.0, -120.0, 60.0, "dB", about="level of what the transmitted pulse leaves, at delay zero"
    )
    ring_down_us: float = number_key(0.18, 0.01, 3.0, "us", about="time in which it falls to 1/e")


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentSection:
    """``[instrument]``: what is displayed of a scan, as ``reading_mm`` of the truth.

    See :mod:`echotrace.synthesis.instrument`. The traces do not depend on it.

    Attributes
    ----------
    step_mm, gate, threshold_db, gate_before_mm
        Default, range or words, unit and meaning of each: see
        :func:`~echotrace.synthesis.key_table.key_table`.

    Examples
    --------
    >>> InstrumentSection(step_mm=0.01).reads
    True
    """

    step_mm: float = number_key(
        0.0, 0.0, 0.5, "mm", about="step of the displayed length; 0: no steps"
    )
    gate: str = word_key(
        "exact",
        "exact",
        "first_crossing",
        about="what a gate takes: the exact arrival, or the first crossing of a threshold",
    )
    threshold_db: float = number_key(
        -20.0, -40.0, -1.0, "dB", about="that threshold, against full scale"
    )
    gate_before_mm: float = number_key(
        0.3, 0.05, 2.0, "mm", about="how far ahead of an echo its gate begins"
    )

    @property
    def reads(self) -> bool:
        """Whether the recording gets readings."""
        return self.step_mm > 0.0 or self.gate != "exact"


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorSection:
    """``[operator]``: who measures, and when they stop; ``operator = "label"`` gives a label only.

    With ``stops_within_mm`` a sitting holds the first ``scans`` attempts in a row whose readings
    agree that well; ``attempt`` of the truth numbers them.

    Attributes
    ----------
    label, stops_within_mm, most_attempts
        Default, range or words, unit and meaning of each: see
        :func:`~echotrace.synthesis.key_table.key_table`.

    Examples
    --------
    >>> OperatorSection(label="A").most_attempts
    20
    """

    label: str = other_key("demo", "who measures: a label of the recording, never a name")
    stops_within_mm: float = number_key(
        0.0,
        0.0,
        5.0,
        "mm",
        about="scans again until all readings of a sitting lie within this; 0: keeps all scans",
    )
    most_attempts: int = number_key(
        20, 1, 10_000, about="attempts after which the last scans are kept as they are"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ArtefactSection:
    """``[artefacts]``: the chance of each to be on in a scan, 0 to 1.

    Attributes
    ----------
    gain_too_high, gain_too_low, bath_reverberation, bubbles, cornea_reverberation, couplant
    interference, blink
        Default, range or words, unit and meaning of each: see
        :func:`~echotrace.synthesis.key_table.key_table`.

    Examples
    --------
    >>> ArtefactSection().bath_reverberation
    1.0
    """

    gain_too_high: float = number_key(0.0, 0.0, 1.0, about="18 dB too much gain")
    gain_too_low: float = number_key(0.0, 0.0, 1.0, about="18 dB too little gain")
    bath_reverberation: float = number_key(
        1.0, 0.0, 1.0, about="the cornea's echo once more by way of the face; immersion"
    )
    bubbles: float = number_key(0.0, 0.0, 1.0, about="bubbles in the bath; immersion")
    cornea_reverberation: float = number_key(
        0.0, 0.0, 1.0, about="echoes between face and cornea; contact"
    )
    couplant: float = number_key(
        0.0, 0.0, 1.0, about="gel under the probe, `couplant_mm` thick; contact"
    )
    interference: float = number_key(0.0, 0.0, 1.0, about="electrical spikes")
    blink: float = number_key(0.0, 0.0, 1.0, about="the lid in the way: nothing behind it")


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanSection:
    """``[[scan]]``: what is different in one scan of every sitting. NaN: as drawn.

    ``number`` counts from 1. ``artefacts`` are on in this scan, besides those that chance picks.

    Attributes
    ----------
    number, tilt_deg, decentration_mm, azimuth_deg, compression_mm, gain_db, artefacts
        Default, range or words, unit and meaning of each: see
        :func:`~echotrace.synthesis.key_table.key_table`.

    Examples
    --------
    >>> ScanSection(number=3, tilt_deg=4.5).sets_pose
    True
    """

    number: int = number_key(
        1, 1, 1_000_000, about="number of the scan in its sitting: the first is 1"
    )
    tilt_deg: float = number_key(math.nan, 0.0, 25.0, "deg", about="tilt of this scan")
    decentration_mm: float = number_key(
        math.nan, 0.0, 5.0, "mm", about="sideways shift of this scan"
    )
    azimuth_deg: float = number_key(0.0, -360.0, 360.0, "deg", about="direction of both")
    compression_mm: float = number_key(math.nan, 0.0, 1.0, "mm", about="compression of this scan")
    gain_db: float = number_key(math.nan, -20.0, 120.0, "dB", about="gain of this scan")
    artefacts: tuple[str, ...] = field(
        default=(),
        metadata={
            "words": RANDOM_ARTEFACTS,
            "about": "artefacts of this scan, besides those by chance",
        },
    )

    @property
    def sets_pose(self) -> bool:
        """Whether the scan is held differently from the others."""
        return not (math.isnan(self.tilt_deg) and math.isnan(self.decentration_mm))
