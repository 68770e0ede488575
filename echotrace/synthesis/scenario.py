"""What is to be synthesised, as a short TOML file a person can read and edit.

Every key has a range or a list of words; a wrong or unknown one gets one error that names the
file, the key, what is allowed and the nearest known key.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, get_type_hints

import numpy as np

from echotrace.errors import ParameterError
from echotrace.media import MEDIA
from echotrace.recording import Receiver
from echotrace.signal.receiver import tgc_db
from echotrace.synthesis.eye_model import SCHEMATIC_EYES, EyeModel, draw_eye
from echotrace.target import IMPLANT_MATERIALS
from echotrace.user_input import check_keys, did_you_mean, read_toml

__all__ = [
    "RANDOM_SPOILERS",
    "SPOILERS",
    "EyeSection",
    "HoldSection",
    "MethodSection",
    "ProbeSection",
    "ReceiverSection",
    "ScanSection",
    "Scenario",
    "SpoilerSection",
    "eye_of",
    "read_scenario",
    "scenario_from_mapping",
]

SPOILERS = (
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
"""What can spoil a trace; bit ``n`` of the truth's ``spoilers`` stands for the n-th name."""

RANDOM_SPOILERS = (
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
class HoldSection:
    """``[hold]``: how the probe lies on the visual axis.

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
class SpoilerSection:
    """``[spoilers]``: the chance of each to be on in a scan, 0 to 1."""

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

    ``number`` counts from 1. ``spoilers`` are on in this scan, besides those that chance picks.
    """

    number: int = _number(1, 1, 1_000_000)
    tilt_deg: float = _number(math.nan, 0.0, 25.0, "deg")
    decentration_mm: float = _number(math.nan, 0.0, 5.0, "mm")
    azimuth_deg: float = _number(0.0, -360.0, 360.0, "deg")
    compression_mm: float = _number(math.nan, 0.0, 1.0, "mm")
    gain_db: float = _number(math.nan, -20.0, 120.0, "dB")
    spoilers: tuple[str, ...] = field(default=(), metadata={"words": RANDOM_SPOILERS})

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
    hold: HoldSection = field(default_factory=HoldSection)
    receiver: ReceiverSection = field(default_factory=ReceiverSection)
    spoilers: SpoilerSection = field(default_factory=SpoilerSection)
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


_SECTIONS: Mapping[str, type] = {
    "eye": EyeSection,
    "probe": ProbeSection,
    "method": MethodSection,
    "hold": HoldSection,
    "receiver": ReceiverSection,
    "spoilers": SpoilerSection,
}


def _checked(value: Any, kind: Any, metadata: Mapping[str, Any], where: str) -> Any:
    if kind is bool:
        if not isinstance(value, bool):
            raise ParameterError(f"{where} must be true or false, got {value!r}")
        return value
    if kind is str:
        words = metadata.get("words", ())
        if not isinstance(value, str) or (words and value not in words):
            hint = did_you_mean(str(value), words, cutoff=0.5)
            allowed = f"one of {', '.join(words)}" if words else "a text"
            raise ParameterError(f"{where}={value!r}: {hint}It must be {allowed}")
        return value
    if kind in (int, float):
        return _checked_number(value, kind, metadata, where)
    # What is left are the lists: of numbers, or of words.
    if not isinstance(value, list):
        raise ParameterError(f"{where} must be a list, got {value!r}")
    item_kind = str if "words" in metadata else float
    return tuple(_checked(item, item_kind, metadata, where) for item in value)


def _checked_number(value: Any, kind: type, metadata: Mapping[str, Any], where: str) -> Any:
    low, high = metadata.get("range", (-math.inf, math.inf))
    unit = metadata.get("unit", "")
    allowed = f"{low:g} to {high:g}{' ' + unit if unit else ''}"
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if kind is int and not (number and float(value).is_integer()):
        raise ParameterError(f"{where}={value!r} must be a whole number from {allowed}")
    if not number:
        raise ParameterError(f"{where}={value!r} must be a number from {allowed}")
    if not low <= value <= high:
        raise ParameterError(f"{where}={value!r} must lie in {allowed}")
    return kind(value)


def _section(table: Any, section: type, where: str) -> Any:
    if not isinstance(table, Mapping):
        raise ParameterError(f"{where}: must be a table of keys, got {table!r}")
    known = {item.name: item for item in fields(section)}
    kinds = get_type_hints(section)
    values = {}
    check_keys(table, known, where)
    for key, value in table.items():
        values[key] = _checked(value, kinds[key], known[key].metadata, f"{where} {key}")
    return section(**values)


def scenario_from_mapping(table: Mapping[str, Any], where: str = "scenario") -> Scenario:
    """Make a scenario of nested tables, as a TOML file gives them.

    Parameters
    ----------
    table : mapping
    where : str
        What errors call the source: a file's name.

    Raises
    ------
    ParameterError
        Naming the source, the key, what is allowed, and the nearest key to an unknown one.
    """
    top = {item.name: item for item in fields(Scenario)}
    kinds = get_type_hints(Scenario)
    values: dict[str, Any] = {}
    check_keys(table, top, where)
    for key, value in table.items():
        if key in _SECTIONS:
            values[key] = _section(value, _SECTIONS[key], f"{where}: [{key}]")
        elif key == "scan":
            if not isinstance(value, list):
                raise ParameterError(f"{where}: write [[scan]] with double brackets")
            values[key] = tuple(
                _section(item, ScanSection, f"{where}: [[scan]] {n + 1}")
                for n, item in enumerate(value)
            )
        else:
            values[key] = _checked(value, kinds[key], top[key].metadata, f"{where}: {key}")
    scenario = Scenario(**values)
    try:
        _check_relations(scenario)
    except ParameterError as error:
        raise ParameterError(f"{where}: {error}") from None
    return scenario


_OVERRIDES = (
    "cornea_front_radius_mm",
    "cornea_back_radius_mm",
    "lens_front_radius_mm",
    "lens_back_radius_mm",
    "retina_radius_mm",
    "cornea_mm",
    "aqueous_mm",
    "lens_mm",
)
_MIN_VITREOUS_MM = 5.0
# Behind the iris an implant lies deeper than the natural lens did: 4.3 mm from the corneal front
# (value from memory), 0.8 mm thick with faces of 12 mm (common practice, no source).
_IMPLANT_CHAMBER_MM, _IMPLANT_MM, _IMPLANT_RADIUS_MM = 4.3, 0.8, 12.0


def eye_of(section: EyeSection, rng: np.random.Generator | None) -> EyeModel:
    """The eye that a section describes.

    Parameters
    ----------
    section : EyeSection
    rng : numpy.random.Generator or None
        Draws a population's eye; None gives a typical one.

    Raises
    ------
    ParameterError
        Lengths that put the retina in front of, or too near, the lens.
    """
    if section.model == "population" and rng is not None:
        base = draw_eye(rng)
    else:
        base = SCHEMATIC_EYES[section.model if section.model in SCHEMATIC_EYES else "navarro"]
    axial = base.axial_length_mm
    changes: dict[str, Any] = {}
    if section.lens_state == "pseudophakic":
        changes = {
            "aqueous_mm": _IMPLANT_CHAMBER_MM - base.cornea_mm,
            "lens_mm": _IMPLANT_MM,
            "lens_front_radius_mm": _IMPLANT_RADIUS_MM,
            "lens_back_radius_mm": _IMPLANT_RADIUS_MM,
        }
    for key in _OVERRIDES:
        if not math.isnan(getattr(section, key)):
            changes[key] = getattr(section, key)
    eye = replace(base, **changes)
    if not math.isnan(section.axial_length_mm):
        axial = section.axial_length_mm
    front = eye.cornea_mm + eye.aqueous_mm + eye.lens_mm
    if axial - front < _MIN_VITREOUS_MM:
        raise ParameterError(
            f"[eye] axial_length_mm={axial:g} puts the retina {axial - front:.2f} mm behind the "
            f"lens back, which lies at {front:.2f} mm; it must be at least "
            f"{front + _MIN_VITREOUS_MM:.2f} mm"
        )
    return replace(
        eye,
        vitreous_mm=axial - front,
        lens_tilt_deg=section.lens_tilt_deg,
        lens_decentration_mm=section.lens_decentration_mm,
        lens_azimuth_deg=section.lens_azimuth_deg,
        lens_state=section.lens_state,
        lens_material=section.lens_material,
        vitreous=section.vitreous,
        cataract_grade=section.cataract_grade,
        staphyloma_slope_deg=section.staphyloma_slope_deg,
        staphyloma_step_mm=section.staphyloma_step_mm,
        vitreous_opacities=section.vitreous_opacities,
        retina_echo_db=section.retina_echo_db,
        backscatter_db=section.backscatter_db,
    )


# Against the Rayleigh integral (contact, 5 mm disc, tilts to 8 degrees) the echo of the lens is
# wrong by up to 6 dB for a sharp edge, 2 dB for 0.25, 0.5 dB for 0.5; in immersion at 10.75 mm,
# where the phase is 0.15 rad, a sharp edge is right within 0.5 dB down to -25 dB.
_SOFT_EDGE = 0.5
_MOST_RIM_PHASE_RAD = 0.2


def _check_edge(scenario: Scenario) -> None:
    """Refuse a sharp edge where the paraxial field does not hold."""
    probe, method = scenario.probe, scenario.method
    if probe.edge_taper >= _SOFT_EDGE:
        return
    if method.kind == "immersion":
        nearest, depth_mm = "cornea", method.standoff_mm
    elif scenario.eye.lens_state == "aphakic":
        return  # Nothing but the flat cornea is near.
    else:
        eye = eye_of(scenario.eye, None)
        nearest, depth_mm = "lens", eye.cornea_mm + eye.aqueous_mm - method.compression_mm
    water = MEDIA["water"].speed_m_per_s
    k_per_mm = 2.0e3 * math.pi * probe.centre_frequency_mhz / water
    rim = k_per_mm * (0.5 * probe.aperture_mm) ** 4 / 8.0

    def phase_rad(distance_mm: float) -> float:
        return rim * abs(distance_mm**-3 - probe.focus_mm**-3)

    distance_mm = depth_mm + probe.tip_mm
    found = phase_rad(distance_mm)
    if found > _MOST_RIM_PHASE_RAD:
        farther_mm = (_MOST_RIM_PHASE_RAD / rim + probe.focus_mm**-3) ** (-1.0 / 3.0)
        raise ParameterError(
            f"[probe] edge_taper={probe.edge_taper:g} must lie in {_SOFT_EDGE:g} to 1 here: the "
            f"{nearest} is {distance_mm:.1f} mm from the disc, and nearer than {farther_mm:.1f} mm "
            "the waves from a sharp edge come out wrong by several dB; a smaller aperture_mm or, "
            "in immersion, a longer standoff_mm helps as well"
        )


def _check_relations(scenario: Scenario) -> None:
    """What single ranges cannot see."""
    eye = scenario.eye
    if eye.lens_state == "pseudophakic" and eye.lens_material == "none":
        raise ParameterError(
            "[eye] lens_material='none' does not go with lens_state='pseudophakic'; use one of "
            + ", ".join(IMPLANT_MATERIALS)
        )
    if eye.lens_state != "pseudophakic" and eye.lens_material != "none":
        raise ParameterError(
            f"[eye] lens_material={eye.lens_material!r} goes only with lens_state='pseudophakic'"
        )
    if eye.lens_state != "phakic" and eye.cataract_grade > 0.0:
        raise ParameterError("[eye] cataract_grade goes only with lens_state='phakic'")
    if eye.model != "population" and eye.eyes != 1:
        raise ParameterError(
            f"[eye] eyes={eye.eyes} goes only with model='population'; a schematic eye is one"
        )
    eye_of(eye, None)
    for item in scenario.scan:
        if item.number > scenario.scans:
            raise ParameterError(
                f"[[scan]] number={item.number} must lie in 1 to scans={scenario.scans}"
            )
    receiver, probe = scenario.receiver, scenario.probe
    needed_mhz = 2.0 * probe.centre_frequency_mhz * (1.0 + 1.3 * probe.fractional_bandwidth)
    if receiver.sampling_rate_mhz < needed_mhz:
        raise ParameterError(
            f"[receiver] sampling_rate_mhz={receiver.sampling_rate_mhz:g} must be at least "
            f"{needed_mhz:g} for the band of this probe"
        )
    _check_edge(scenario)
    if (receiver.tgc_delay_us is None) != (receiver.tgc_gain_db is None):
        raise ParameterError("[receiver] give tgc_delay_us and tgc_gain_db together, or neither")
    if receiver.bits == 1:
        raise ParameterError("[receiver] bits=1 must be 2 to 16, or 0 for floats")
    try:
        tgc_db(0.0, scenario.receiver_model())
    except ParameterError as error:
        raise ParameterError(f"[receiver] {error}") from None


def read_scenario(path: str | Path) -> Scenario:
    """Read a scenario from a TOML file.

    Parameters
    ----------
    path : str or Path

    Raises
    ------
    ParameterError
        Naming the file and the key.
    """
    path = Path(path)
    table = read_toml(path)
    table.setdefault("name", path.stem)
    return scenario_from_mapping(table, str(path))
