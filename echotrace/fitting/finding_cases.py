"""A case for each finding, and one that comes near: what was done to the trace, what is said.

Every case is a synthetic sitting with a fixed seed: physics from :mod:`echotrace.synthesis`, then,
where a person's slip is the cause, the slip itself (a wrong entry, a wrong gate, a cut recording).
A trainer can show them; the tests hold the findings to them.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.measure import measure
from echotrace.fitting.calibration import ScoreSet
from echotrace.measurement import Measurement
from echotrace.quality.finding_list import FINDINGS
from echotrace.recording import Recording
from echotrace.settings import PickingSettings, Settings, TargetGate
from echotrace.signal.gates import Gate
from echotrace.synthesis.compose import synthesise

__all__ = [
    "FINDING_CASES",
    "MORE_CASES",
    "ConfusionMatrix",
    "FindingCase",
    "Trial",
    "confusion_of_findings",
    "error_centiles",
]

Tables = Mapping[str, Any]
Change = Callable[[Recording], Recording]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One synthetic sitting.

    Attributes
    ----------
    done : str
        What was done, in a few words.
    tables : mapping
        Sections of a scenario; what is not named is the usual.
    change : callable, optional
        What a person did to the recording afterwards.
    settings : Settings
    """

    done: str
    tables: Tables = field(default_factory=dict)
    change: Change | None = None
    settings: Settings = field(default_factory=Settings)

    def recording(self, scans: int = 3) -> Recording:
        """Make the recording.

        Parameters
        ----------
        scans : int
        """
        tables = {key: dict(value) for key, value in self.tables.items()}
        made = synthesise({**tables}, seed=_SEED, count=scans)
        return made if self.change is None else self.change(made)

    def measured(self, scans: int = 3) -> Measurement:
        """Make and measure it."""
        return measure(self.recording(scans), self.settings)


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingCase:
    """What must raise a finding, and what comes near and must not.

    Attributes
    ----------
    finding : str
    case, near_miss : Trial
    """

    finding: str
    case: Trial
    near_miss: Trial


_SEED = 7


def _said_to_be(**labels: str | None) -> Change:
    def change(recording: Recording) -> Recording:
        return dataclasses.replace(recording, **labels)  # type: ignore[arg-type]

    return change


def _stopped_at(name: str, after_us: float) -> Change:
    """The recorder stopped too early, or not quite."""

    def change(recording: Recording) -> Recording:
        truth = recording.truth
        assert truth is not None
        last_us = float(truth.delay_us[:, truth.interfaces.index(name)].min()) + after_us
        stop = int(last_us * recording.sampling_rate_hz * 1e-6)
        return dataclasses.replace(recording, samples=np.asarray(recording.samples)[:, :stop])

    return change


def _echo_again(name: str, after_us: float, height: float) -> Change:
    """The echo of an interface a second time, a little later."""

    def change(recording: Recording) -> Recording:
        truth = recording.truth
        assert truth is not None
        samples = np.array(recording.samples, np.float64)
        per_us = recording.sampling_rate_hz * 1e-6
        reach, shift = int(0.25 * per_us), round(after_us * per_us)
        for row, at_us in zip(
            samples, truth.delay_us[:, truth.interfaces.index(name)], strict=True
        ):
            at = round(at_us * per_us)
            row[at - reach + shift : at + reach + shift] += height * row[at - reach : at + reach]
        kind = recording.samples.dtype
        return dataclasses.replace(recording, samples=np.round(samples).astype(kind))

    return change


def _trial(done: str, change: Change | None = None, /, **tables: Any) -> Trial:
    return Trial(done=done, tables=MappingProxyType(tables), change=change)


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


# In the order of FINDINGS.
_CASES = (
    FindingCase(
        finding="gas_filling",
        case=_trial("gas in the vitreous", _said_to_be(vitreous="gas")),
        near_miss=_trial(
            "silicone oil, said to be so",
            eye={"lens_state": "aphakic", "vitreous": "silicone_oil_1000"},
        ),
    ),
    FindingCase(
        finding="no_echo",
        case=_trial("lid shut", spoilers={"blink": 1.0}),
        near_miss=_trial("interference on a good trace", spoilers={"interference": 1.0}),
    ),
    FindingCase(
        finding="echo_missing",
        case=_trial("recorder stopped before the retina", _stopped_at("retina", -1.0)),
        near_miss=_trial("recorder stopped 3 mm behind the retina", _stopped_at("retina", 4.0)),
    ),
    FindingCase(
        finding="gain_too_high",
        case=_trial("18 dB too much gain", spoilers={"gain_too_high": 1.0}),
        near_miss=_trial("3 dB more than usual", receiver={"gain_db": 25.0}),
    ),
    FindingCase(
        finding="gain_too_low",
        case=_trial("27 dB more noise than usual", receiver={"noise_db": -65.0}),
        near_miss=_trial("10 dB more noise than usual", receiver={"noise_db": -82.0}),
    ),
    FindingCase(
        finding="retina_not_steep",
        case=_trial("retina in two steps", _echo_again("retina", -0.2, 0.5)),
        near_miss=_trial("held 1.5° off", hold=_off(1.5)),
    ),
    FindingCase(
        finding="retina_low",
        case=_trial("held 4.5° off, immersion", hold=_off(4.5)),
        near_miss=_trial("wall that slopes by 1.5°", eye={"staphyloma_slope_deg": 1.5}),
    ),
    FindingCase(
        finding="no_wall_behind_retina",
        case=_trial(
            "beam along a nerve that does not scatter",
            hold={"kind": "optic_nerve"},
            eye={"backscatter_db": -20.0},
        ),
        near_miss=_trial("orbit that does not scatter, on the axis", eye={"backscatter_db": -20.0}),
    ),
    FindingCase(
        finding="lens_echoes_unbalanced",
        case=_trial("held 6° off, immersion", hold=_off(6.0)),
        near_miss=_trial("lens tilted by 2°", eye={"lens_tilt_deg": 2.0}),
    ),
    FindingCase(
        finding="echo_in_vitreous",
        case=_trial("membrane 4.6 mm before the retina", _echo_again("retina", -6.0, 0.6)),
        near_miss=_trial("clumps in the vitreous", eye={"vitreous_opacities": 8}),
    ),
    FindingCase(
        finding="choice_uncertain",
        case=_trial("lens back seen twice", _echo_again("lens_back", 0.5, 0.9)),
        near_miss=_trial("lens back again, a tenth as tall", _echo_again("lens_back", 0.5, 0.1)),
    ),
    FindingCase(
        finding="pick_uncertain",
        case=_trial(
            "probe of long waves, much noise",
            probe={"centre_frequency_mhz": 5.0, "fractional_bandwidth": 0.25},
            receiver={"noise_db": -51.0},
        ),
        near_miss=_trial("16 dB more noise than usual", receiver={"noise_db": -76.0}),
    ),
    FindingCase(
        finding="cornea_assumed",
        case=_trial("a good sitting, contact", method=_CONTACT),
        near_miss=_trial("a good sitting, immersion"),
    ),
    FindingCase(
        finding="receiver_unknown",
        case=_trial("gain and time gain not told", _said_to_be(receiver=None)),
        near_miss=_trial("gain 6 dB lower, told", receiver={"gain_db": 16.0}),
    ),
    FindingCase(
        finding="beam_off_axis",
        case=_trial("held 6° off, contact", method=_CONTACT, hold=_off(6.0)),
        near_miss=_trial("held 1.5° off, contact", method=_CONTACT, hold=_off(1.5)),
    ),
    FindingCase(
        finding="fluid_before_cornea",
        case=_trial(
            "0.3 mm of gel under the probe",
            method={"kind": "contact", "couplant_mm": 0.3},
            spoilers={"couplant": 1.0},
        ),
        near_miss=_trial(
            "0.02 mm of gel under the probe",
            method={"kind": "contact", "couplant_mm": 0.02},
            spoilers={"couplant": 1.0},
        ),
    ),
    FindingCase(
        finding="chamber_shallow",
        case=_trial(
            "cornea pressed in by 0.8 mm",
            eye={"aqueous_mm": 2.2},
            method={"kind": "contact", "compression_mm": 0.8, "compression_within_mm": 0.02},
        ),
        near_miss=_trial(
            "cornea pressed in by 0.1 mm",
            eye={"aqueous_mm": 2.2},
            method={"kind": "contact", "compression_mm": 0.1, "compression_within_mm": 0.02},
        ),
    ),
    FindingCase(
        finding="spike_out_of_place",
        case=dataclasses.replace(
            _trial("gate of the lens back too near", eye={"cataract_grade": 5.0}),
            settings=_lens_back_gate(1.2, 3.0),
        ),
        near_miss=dataclasses.replace(
            _trial("gate of the lens back in place", eye={"cataract_grade": 2.0}),
            settings=_lens_back_gate(3.5, 6.5),
        ),
    ),
    FindingCase(
        finding="lens_spikes_confused",
        case=_trial("dense cataract", eye={"cataract_grade": 5.0}, receiver={"gain_db": 30.0}),
        near_miss=_trial("early cataract", eye={"cataract_grade": 1.5}),
    ),
    FindingCase(
        finding="lens_echo_clipped",
        case=_trial("tall echoes of an implant", eye=_PMMA),
        near_miss=_trial("implant, 14 dB less gain", eye=_PMMA, receiver={"gain_db": 8.0}),
    ),
    FindingCase(
        finding="repeat_taken",
        case=_trial(
            "dense cataract, bath as long as the eye",
            eye={"cataract_grade": 5.0, "retina_echo_db": -20.0, "backscatter_db": -40.0},
            method={"kind": "immersion", "standoff_mm": 20.5},
        ),
        near_miss=_trial(
            "bath as long as the eye, clear lens", method={"kind": "immersion", "standoff_mm": 20.5}
        ),
    ),
    FindingCase(
        finding="lens_state_doubtful_implant",
        case=_trial(
            "implant, said to be phakic",
            _said_to_be(lens_state="phakic", lens_material="none"),
            eye=_PMMA,
        ),
        near_miss=_trial("thin natural lens", eye={"lens_mm": 3.4}),
    ),
    FindingCase(
        finding="lens_state_doubtful_natural",
        case=_trial(
            "phakic, said to have an implant",
            _said_to_be(lens_state="pseudophakic", lens_material="acrylic"),
        ),
        near_miss=_trial("acrylic implant, said to be so", eye=_ACRYLIC),
    ),
    FindingCase(
        finding="vitreous_doubtful",
        case=_trial(
            "silicone oil, not told",
            _said_to_be(vitreous="natural"),
            eye={"vitreous": "silicone_oil_1000"},
            receiver=_OIL_GAIN,
        ),
        near_miss=_trial("long eye, 29 mm", eye={"axial_length_mm": 29.0}),
    ),
    FindingCase(
        finding="method_doubtful",
        case=_trial("immersion, said to be contact", _said_to_be(method="contact")),
        near_miss=_trial("contact, pressed", method=_CONTACT),
    ),
    FindingCase(
        finding="recording_unfit",
        case=_trial("50 dB too much gain", receiver={"gain_db": 72.0}),
        near_miss=_trial("12 dB too much gain", receiver={"gain_db": 34.0}),
    ),
    FindingCase(
        finding="score_low",
        case=_trial("beam 1.3 mm beside the axis", hold={"decentration_mm": 1.3}),
        near_miss=_trial("beam 0.2 mm beside the axis", hold={"decentration_mm": 0.2}),
    ),
    FindingCase(
        finding="cornea_peaks_unequal",
        case=_trial("back of the cornea a third as tall", _echo_again("cornea_back", 0.0, -0.67)),
        near_miss=_trial(
            "back of the cornea three quarters as tall", _echo_again("cornea_back", 0.0, -0.25)
        ),
    ),
)

FINDING_CASES: Mapping[str, FindingCase] = MappingProxyType({c.finding: c for c in _CASES})
"""A case and a near miss for each finding, in the order of
:data:`echotrace.quality.finding_list.FINDINGS`."""

_OFF_AXIS = frozenset(
    {"retina_not_steep", "retina_low", "no_wall_behind_retina", "beam_off_axis", "score_low"}
)

MORE_CASES: tuple[tuple[Trial, frozenset[str]], ...] = (
    (_trial("beam on the nerve head", hold={"kind": "optic_nerve"}), _OFF_AXIS),
    (
        _trial("beam on the nerve head, contact", hold={"kind": "optic_nerve"}, method=_CONTACT),
        _OFF_AXIS | {"echo_missing"},
    ),
    (
        _trial("beam on the edge of the pupil", hold={"kind": "pupil_edge", **_FAR_OUT}),
        _OFF_AXIS,
    ),
    (_trial("held 4.5° off, contact", method=_CONTACT, hold=_off(4.5)), _OFF_AXIS),
    (_trial("held 8° off, immersion", hold=_off(8.0)), _OFF_AXIS),
    (
        _trial("contact, said to be immersion", _said_to_be(method="immersion"), method=_CONTACT),
        frozenset({"method_doubtful"}),
    ),
    (
        _trial(
            "silicone oil behind no lens, not told",
            _said_to_be(vitreous="natural"),
            eye={"lens_state": "aphakic", "vitreous": "silicone_oil_1000"},
            receiver=_OIL_GAIN,
        ),
        # The retina lies beyond any that an eye without oil could have.
        frozenset({"echo_missing", "score_low"}),
    ),
    (
        _trial(
            "silicone implant, said to be phakic",
            _said_to_be(lens_state="phakic", lens_material="none"),
            eye={"lens_state": "pseudophakic", "lens_material": "silicone"},
        ),
        frozenset({"lens_state_doubtful_implant"}),
    ),
    (
        _trial("phakic, said to be aphakic", _said_to_be(lens_state="aphakic")),
        frozenset({"lens_state_doubtful_natural"}),
    ),
    (
        _trial(
            "thick oil, not told",
            _said_to_be(vitreous="natural"),
            eye={"vitreous": "silicone_oil_5000"},
            receiver=_OIL_GAIN,
        ),
        frozenset({"vitreous_doubtful"}),
    ),
)
"""More that goes wrong, and the findings of which each scan must carry one at least."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfusionMatrix:
    """Which findings each case raised.

    Attributes
    ----------
    done : tuple of str
        What was done to the trace; one a row.
    wanted : tuple of frozenset of str
        Findings of which each scan of a row must carry one; empty for a near miss.
    unwanted : tuple of str
        The finding that a near miss must not raise; empty for other rows.
    findings : tuple of str
        One a column.
    scans : int
        Scans of a row.
    raised : ndarray of int64, (n_rows, n_findings)
        Scans that raised each finding.
    rejected : ndarray of int64, (n_rows,)
        Scans that were not accepted.
    """

    done: tuple[str, ...]
    wanted: tuple[frozenset[str], ...]
    unwanted: tuple[str, ...]
    findings: tuple[str, ...]
    scans: int
    raised: NDArray[np.int64]
    rejected: NDArray[np.int64]

    def count(self, done: str, finding: str) -> int:
        """Scans of a row that raised a finding.

        Parameters
        ----------
        done, finding : str
        """
        return int(self.raised[self.done.index(done), self.findings.index(finding)])

    def to_text(self) -> str:
        """The matrix as a table: columns numbered, their names below."""
        width = max(len(name) for name in self.done)
        numbers = "".join(f"{k + 1:>3d}" for k in range(len(self.findings)))
        lines = [
            f"Scans of {self.scans} that raised a finding, by what was done to the trace; "
            "in brackets what must (or, after 'not', must not) be raised.",
            "",
            f"{'':<{width}} {numbers} rejected",
        ]
        for row, name in enumerate(self.done):
            cells = "".join("  ·" if value == 0 else f"{value:>3d}" for value in self.raised[row])
            names = sorted(self.findings.index(item) + 1 for item in self.wanted[row])
            asked = f"[{' or '.join(map(str, names))}]"
            if self.unwanted[row]:
                asked = f"[not {self.findings.index(self.unwanted[row]) + 1}]"
            lines.append(f"{name:<{width}} {cells} {self.rejected[row]:>8d} {asked}")
        lines += ["", *(f"{k + 1:>3d} {name}" for k, name in enumerate(self.findings))]
        return "\n".join(lines)


def confusion_of_findings(scans: int = 4) -> ConfusionMatrix:
    """Make and measure every case and near miss.

    Parameters
    ----------
    scans : int
        Scans of each.
    """
    rows: list[tuple[Trial, frozenset[str], str]] = []
    rows += [(item.case, frozenset({item.finding}), "") for item in _CASES]
    rows += [(trial, wanted, "") for trial, wanted in MORE_CASES]
    rows += [(item.near_miss, frozenset(), item.finding) for item in _CASES]
    names = tuple(FINDINGS)
    raised = np.zeros((len(rows), len(names)), np.int64)
    rejected = np.zeros(len(rows), np.int64)
    for row, (trial, _, _) in enumerate(rows):
        result = trial.measured(scans)
        raised[row] = [int(result.has_finding(name).sum()) for name in names]
        rejected[row] = int((~result.accepted).sum())
    return ConfusionMatrix(
        done=tuple(trial.done for trial, _, _ in rows),
        wanted=tuple(wanted for _, wanted, _ in rows),
        unwanted=tuple(unwanted for _, _, unwanted in rows),
        findings=names,
        scans=scans,
        raised=raised,
        rejected=rejected,
    )


def error_centiles(data: ScoreSet, *, least: int = 100) -> dict[str, float]:
    """Length error of the traces that raised each finding: 90th centile of its size, mm.

    What else was wrong with those traces counts too: this ranks findings, it explains none.

    Parameters
    ----------
    data : ScoreSet
        From :func:`echotrace.fitting.calibration.score_set`.
    least : int
        Findings raised by fewer traces with a length are left out.
    """
    size = np.abs(data.error_mm)
    found = {}
    for k, name in enumerate(FINDINGS):
        has = (data.findings >> np.uint32(k) & 1).astype(bool) & np.isfinite(size)
        if has.sum() >= least:
            found[name] = float(np.quantile(size[has], 0.9))
    return found
