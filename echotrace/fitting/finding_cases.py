"""A case for each finding, and one that comes near: what was done to the trace, what is said.

Every case is a synthetic sitting with a fixed seed: physics from :mod:`echotrace.synthesis`, then,
where a person's slip is the cause, the slip itself (a wrong entry, a wrong gate, a cut recording).
A trainer can show them; the tests hold the findings to them.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from echotrace.fitting.trials import (
    Change,
    FindingCase,
    Trial,
    at_rate,
    echo_again,
    in_scan,
    on_a_plate,
    said_to_be,
    stopped_at,
    trial,
)
from echotrace.settings import PickingSettings, Settings, TargetGate
from echotrace.signal.gates import Gate
from echotrace.signal.lengths import LengthSettings

__all__ = ["FINDING_CASES", "MORE_CASES"]


def _off(tilt_deg: float, **more: Any) -> dict[str, Any]:
    return {"kind": "oblique", "tilt_deg": tilt_deg, "azimuth_deg": 180.0, **more}


_CONTACT = {"kind": "contact"}
_FAR_OUT = {"decentration_mm": 1.2}
# Oil takes most of the echo: time gain makes up for it.
_OIL_GAIN = {"gain_db": 28.0, "tgc_delay_us": [24.0, 60.0], "tgc_gain_db": [0.0, 22.0]}
_PMMA = {"lens_state": "pseudophakic", "lens_material": "pmma"}
_ACRYLIC = {"lens_state": "pseudophakic", "lens_material": "acrylic"}


def _lens_back_gate(start_us: float, stop_us: float) -> Settings:
    gate = Gate(interface="lens_back", start_us=start_us, stop_us=stop_us, relative_to="lens_front")
    return Settings(
        picking=PickingSettings(choice="gate_by_gate"),
        gates=(TargetGate(gate=gate, target="phakic", method="immersion"),),
    )


def _labelled(done: str, change: Change | None = None, /, **tables: Any) -> Trial:
    """An implant of 0.8 mm, and its label at hand."""
    lengths = LengthSettings(implant_mm=0.8)
    return dataclasses.replace(trial(done, change, **tables), settings=Settings(lengths=lengths))


# In the order of FINDINGS.
_CASES = (
    FindingCase(
        finding="gas_filling",
        case=trial("gas in the vitreous", said_to_be(vitreous="gas")),
        near_miss=trial(
            "silicone oil, said to be so",
            eye={"lens_state": "aphakic", "vitreous": "silicone_oil_1000"},
        ),
    ),
    FindingCase(
        finding="no_echo",
        case=trial("lid shut", artefacts={"blink": 1.0}),
        near_miss=trial("interference on a good trace", artefacts={"interference": 1.0}),
    ),
    FindingCase(
        finding="echo_missing",
        case=trial("recorder stopped before the retina", stopped_at("retina", -1.0)),
        near_miss=trial("recorder stopped 3 mm behind the retina", stopped_at("retina", 4.0)),
    ),
    FindingCase(
        finding="gain_too_high",
        case=trial("18 dB too much gain", artefacts={"gain_too_high": 1.0}),
        near_miss=trial("3 dB more than usual", receiver={"gain_db": 25.0}),
    ),
    FindingCase(
        finding="gain_too_low",
        case=trial("27 dB more noise than usual", receiver={"noise_db": -65.0}),
        near_miss=trial("10 dB more noise than usual", receiver={"noise_db": -82.0}),
    ),
    FindingCase(
        finding="retina_not_steep",
        case=trial("retina in two steps", echo_again("retina", -0.2, 0.5)),
        near_miss=trial("held 1.5° off", pose=_off(1.5)),
    ),
    FindingCase(
        finding="retina_low",
        case=trial("held 4.5° off, immersion", pose=_off(4.5)),
        near_miss=trial("wall that slopes by 1.5°", eye={"staphyloma_slope_deg": 1.5}),
    ),
    FindingCase(
        finding="no_wall_behind_retina",
        case=trial(
            "beam along a nerve that does not scatter",
            pose={"kind": "optic_nerve"},
            eye={"backscatter_db": -20.0},
        ),
        near_miss=trial("orbit that does not scatter, on the axis", eye={"backscatter_db": -20.0}),
    ),
    FindingCase(
        finding="lens_echoes_unbalanced",
        case=trial("held 6° off, immersion", pose=_off(6.0)),
        near_miss=trial("lens tilted by 2°", eye={"lens_tilt_deg": 2.0}),
    ),
    FindingCase(
        finding="echo_in_vitreous",
        case=trial("membrane 4.6 mm before the retina", echo_again("retina", -6.0, 0.6)),
        near_miss=trial("clumps in the vitreous", eye={"vitreous_opacities": 8}),
    ),
    FindingCase(
        finding="choice_uncertain",
        case=trial("lens back seen twice", echo_again("lens_back", 0.5, 0.9)),
        near_miss=trial("lens back again, a tenth as tall", echo_again("lens_back", 0.5, 0.1)),
    ),
    FindingCase(
        finding="pick_uncertain",
        case=trial(
            "probe of long waves, much noise",
            probe={"centre_frequency_mhz": 5.0, "fractional_bandwidth": 0.25},
            receiver={"noise_db": -51.0},
        ),
        near_miss=trial("16 dB more noise than usual", receiver={"noise_db": -76.0}),
    ),
    FindingCase(
        finding="cornea_assumed",
        case=trial("a good sitting, contact", method=_CONTACT),
        near_miss=trial("a good sitting, immersion"),
    ),
    FindingCase(
        finding="receiver_unknown",
        case=trial("gain and time gain not told", said_to_be(receiver=None)),
        near_miss=trial("gain 6 dB lower, told", receiver={"gain_db": 16.0}),
    ),
    FindingCase(
        finding="beam_off_axis",
        case=trial("held 6° off, contact", method=_CONTACT, pose=_off(6.0)),
        near_miss=trial("held 1.5° off, contact", method=_CONTACT, pose=_off(1.5)),
    ),
    FindingCase(
        finding="fluid_before_cornea",
        case=trial(
            "0.3 mm of gel under the probe",
            method={"kind": "contact", "couplant_mm": 0.3},
            artefacts={"couplant": 1.0},
        ),
        near_miss=trial(
            "0.02 mm of gel under the probe",
            method={"kind": "contact", "couplant_mm": 0.02},
            artefacts={"couplant": 1.0},
        ),
    ),
    FindingCase(
        finding="chamber_shallow",
        case=trial(
            "cornea pressed in by 0.8 mm",
            eye={"aqueous_mm": 2.2},
            method={"kind": "contact", "compression_mm": 0.8, "compression_within_mm": 0.02},
        ),
        near_miss=trial(
            "cornea pressed in by 0.1 mm",
            eye={"aqueous_mm": 2.2},
            method={"kind": "contact", "compression_mm": 0.1, "compression_within_mm": 0.02},
        ),
    ),
    FindingCase(
        finding="spike_out_of_place",
        case=dataclasses.replace(
            trial("gate of the lens back too near", eye={"cataract_grade": 5.0}),
            settings=_lens_back_gate(1.2, 3.0),
        ),
        near_miss=dataclasses.replace(
            trial("gate of the lens back in place", eye={"cataract_grade": 2.0}),
            settings=_lens_back_gate(3.5, 6.5),
        ),
    ),
    FindingCase(
        finding="lens_spikes_confused",
        case=trial("dense cataract", eye={"cataract_grade": 5.0}, receiver={"gain_db": 30.0}),
        near_miss=trial("early cataract", eye={"cataract_grade": 1.5}),
    ),
    FindingCase(
        finding="lens_echo_clipped",
        case=trial("tall echoes of an implant", eye=_PMMA),
        near_miss=trial("implant, 14 dB less gain", eye=_PMMA, receiver={"gain_db": 8.0}),
    ),
    FindingCase(
        finding="repeat_taken",
        case=trial(
            "dense cataract, bath as long as the eye",
            eye={"cataract_grade": 5.0, "retina_echo_db": -20.0, "backscatter_db": -40.0},
            method={"kind": "immersion", "standoff_mm": 20.5},
        ),
        near_miss=trial(
            "bath as long as the eye, clear lens", method={"kind": "immersion", "standoff_mm": 20.5}
        ),
    ),
    FindingCase(
        finding="lens_state_doubtful_implant",
        case=trial(
            "implant, said to be phakic",
            said_to_be(lens_state="phakic", lens_material="none"),
            eye=_PMMA,
        ),
        near_miss=trial("thin natural lens", eye={"lens_mm": 3.4}),
    ),
    FindingCase(
        finding="lens_state_doubtful_natural",
        case=trial(
            "phakic, said to have an implant",
            said_to_be(lens_state="pseudophakic", lens_material="acrylic"),
        ),
        near_miss=trial("acrylic implant, said to be so", eye=_ACRYLIC),
    ),
    FindingCase(
        finding="vitreous_doubtful",
        case=trial(
            "silicone oil, not told",
            said_to_be(vitreous="natural"),
            eye={"vitreous": "silicone_oil_1000"},
            receiver=_OIL_GAIN,
        ),
        near_miss=trial("long eye, 29 mm", eye={"axial_length_mm": 29.0}),
    ),
    FindingCase(
        finding="method_doubtful",
        case=trial("immersion, said to be contact", said_to_be(method="contact")),
        near_miss=trial("contact, pressed", method=_CONTACT),
    ),
    FindingCase(
        finding="recording_unfit",
        case=trial("50 dB too much gain", receiver={"gain_db": 72.0}),
        near_miss=trial("12 dB too much gain", receiver={"gain_db": 34.0}),
    ),
    FindingCase(
        finding="length_doubtful",
        case=trial("beam 1.3 mm beside the axis", pose={"decentration_mm": 1.3}),
        near_miss=trial("beam 0.2 mm beside the axis", pose={"decentration_mm": 0.2}),
    ),
    FindingCase(
        finding="cornea_peaks_unequal",
        case=trial("back of the cornea a third as tall", echo_again("cornea_back", 0.0, -0.67)),
        near_miss=trial(
            "back of the cornea three quarters as tall", echo_again("cornea_back", 0.0, -0.25)
        ),
    ),
    FindingCase(
        finding="carrier_doubtful",
        case=trial("sampled at 100 MHz, said to be 112", at_rate(112e6)),
        near_miss=trial("sampled at 100 MHz, said to be 101", at_rate(101e6)),
    ),
    FindingCase(
        finding="filling_contradicted",
        case=trial(
            "silicone oil in a short eye, not told",
            said_to_be(vitreous="natural"),
            eye={"vitreous": "silicone_oil_1000", "axial_length_mm": 21.5},
            receiver=_OIL_GAIN,
        ),
        near_miss=trial("long eye, 31 mm", eye={"axial_length_mm": 31.0}),
    ),
    FindingCase(
        finding="implant_thickness_off",
        case=_labelled(
            "acrylic implant of 0.8 mm, said to be PMMA",
            said_to_be(lens_material="pmma"),
            eye=_ACRYLIC,
        ),
        near_miss=_labelled("acrylic implant of 0.8 mm, label stated", eye=_ACRYLIC),
    ),
    FindingCase(
        finding="implant_unchecked",
        case=trial("acrylic implant, thickness not stated", eye=_ACRYLIC),
        near_miss=_labelled("PMMA implant of 0.8 mm, label stated", eye=_PMMA),
    ),
    FindingCase(
        finding="echoes_unresolved",
        case=on_a_plate("steel plate of 0.05 mm", 0.05, (1.0, -0.8), (0.02, 2.0)),
        near_miss=on_a_plate("steel plate of 0.5 mm", 0.5, (1.0, -0.8), (0.02, 2.0)),
    ),
    FindingCase(
        finding="wall_repeats",
        case=on_a_plate("steel plate with repeats", 3.0, (1.0, -0.4, 0.3, -0.2), (1.0, 8.0)),
        near_miss=on_a_plate("steel plate without repeats", 3.0, (1.0, -0.4), (1.0, 8.0)),
    ),
    FindingCase(
        finding="corrected_by_sitting",
        case=trial(
            "membrane at 1.1 mm in one scan",
            in_scan(1, echo_again("retina", -1.5, 0.6)),
        ),
        near_miss=trial("membrane at 1.1 mm in all scans", echo_again("retina", -1.5, 0.6)),
        alone=True,
    ),
    FindingCase(
        finding="apart_from_sitting",
        case=trial(
            "membrane at 0.8 mm in one scan",
            in_scan(1, echo_again("retina", -1.0, 0.7)),
        ),
        near_miss=trial("membrane at 0.8 mm in all scans", echo_again("retina", -1.0, 0.7)),
        alone=True,
    ),
    FindingCase(
        finding="fluid_not_excluded",
        case=trial(
            "ring-down that hides the cornea, contact",
            method=_CONTACT,
            receiver={"ring_down_db": 20.0, "ring_down_us": 0.5},
        ),
        near_miss=trial(
            "saturated pulse before the face, contact",
            method=_CONTACT,
            receiver={"ring_down_db": 20.0},
            near_field={"kind": "block", "block_us": 0.5},
        ),
    ),
    FindingCase(
        finding="held_by_sitting",
        case=trial(
            "held 4.5° off, cataract, contact",
            method=_CONTACT,
            pose=_off(4.5),
            eye={"cataract_grade": 2.0},
        ),
        near_miss=trial("cataract, contact", method=_CONTACT, eye={"cataract_grade": 2.0}),
        # The second is the least sure of those that agree.
        alone=True,
    ),
)

FINDING_CASES: Mapping[str, FindingCase] = MappingProxyType({c.finding: c for c in _CASES})
"""A case and a near miss for each finding, in the order of
:data:`echotrace.quality.finding_list.FINDINGS`."""

_OFF_AXIS = frozenset(
    {"retina_not_steep", "retina_low", "no_wall_behind_retina", "beam_off_axis", "length_doubtful"}
)

MORE_CASES: tuple[tuple[Trial, frozenset[str]], ...] = (
    (trial("beam on the nerve head", pose={"kind": "optic_nerve"}), _OFF_AXIS),
    *(
        (
            trial(
                f"{gel_mm:g} mm of gel under the probe",
                method={"kind": "contact", "couplant_mm": gel_mm},
                artefacts={"couplant": 1.0},
            ),
            frozenset({"fluid_before_cornea"}),
        )
        for gel_mm in (0.45, 0.6, 0.8, 1.0)
    ),
    (
        trial("beam on the nerve head, contact", pose={"kind": "optic_nerve"}, method=_CONTACT),
        _OFF_AXIS | {"echo_missing"},
    ),
    (
        trial("beam on the edge of the pupil", pose={"kind": "pupil_edge", **_FAR_OUT}),
        _OFF_AXIS,
    ),
    (trial("held 8° off, immersion", pose=_off(8.0)), _OFF_AXIS),
    (
        trial("contact, said to be immersion", said_to_be(method="immersion"), method=_CONTACT),
        frozenset({"method_doubtful"}),
    ),
    (
        trial(
            "silicone oil behind no lens, not told",
            said_to_be(vitreous="natural"),
            eye={"lens_state": "aphakic", "vitreous": "silicone_oil_1000"},
            receiver=_OIL_GAIN,
        ),
        # The retina lies beyond any that an eye without oil could have.
        frozenset({"echo_missing", "length_doubtful"}),
    ),
    (
        trial(
            "silicone implant, said to be phakic",
            said_to_be(lens_state="phakic", lens_material="none"),
            eye={"lens_state": "pseudophakic", "lens_material": "silicone"},
        ),
        frozenset({"lens_state_doubtful_implant"}),
    ),
    (
        trial("phakic, said to be aphakic", said_to_be(lens_state="aphakic")),
        frozenset({"lens_state_doubtful_natural"}),
    ),
    (
        trial(
            "thick oil, not told",
            said_to_be(vitreous="natural"),
            eye={"vitreous": "silicone_oil_5000"},
            receiver=_OIL_GAIN,
        ),
        frozenset({"vitreous_doubtful"}),
    ),
)
"""More that goes wrong, and the findings of which each scan must carry one at least."""
