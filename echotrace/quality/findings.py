"""Why a trace should not be trusted: named reasons, each with its figure and what to do next.

Findings are made from the figures of :mod:`echotrace.quality.features`, each held against its
limit.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.quality.score_reasons import against_the_score

__all__ = [
    "FINDINGS",
    "Finding",
    "QualityLimits",
    "Severity",
    "describe_finding",
    "finding_bits",
    "rank_findings",
    "rejecting_bits",
]

Float32 = NDArray[np.float32]


class Severity(StrEnum):
    """What a finding does to a scan."""

    REJECT = "reject"
    WARN = "warn"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One named reason.

    Attributes
    ----------
    name : str
    severity : Severity
    says : str
        What was seen, in plain words.
    do : str
        What to do next.
    feature : str
        The figure that shows it; empty where the finding is a plain fact.
    limit : str
        Name of the limit in :class:`QualityLimits` it was held against; empty where none.
    figure : str
        The figure's name in plain words.
    also : tuple of str
        Feature, limit and name of a second figure that raises it alone; empty where none.
    error_mm : float
        Length error that may come with it, mm; outputs are ranked by it. For findings that the
        synthetic draws of :mod:`echotrace.fitting.calibration_draws` raise often (50 traces and
        more of two sets of 4,200 and 1,200) it is about the 90th centile there, whatever else was
        wrong with those traces: :func:`echotrace.fitting.confusion.error_centiles` gives it for
        any set. What is clipped, unsure from noise or merely noted is put lower than that. The rest
        is an estimate from geometry: a repeat, an implant or a wrong speed moves the retina by that
        much (common practice, no source). Infinite where there is no length at all.
    """

    name: str
    severity: Severity
    says: str
    do: str
    feature: str = ""
    limit: str = ""
    figure: str = ""
    also: tuple[str, str, str] | tuple[()] = ()
    error_mm: float = 0.0


_ALL_FINDINGS = (
    Finding(
        name="gas_filling",
        severity=Severity.REJECT,
        says="the vitreous cavity holds gas, and no length can be measured through it",
        do="measure again when the gas has gone, or by another means",
        error_mm=float("inf"),
    ),
    Finding(
        name="no_echo",
        severity=Severity.REJECT,
        says="there is no eye on this trace, only noise and what lies at the probe or the lid",
        do="check that the lid is open, the probe touches and the cable is fast; then capture "
        "again",
        feature="echo_count",
        figure="echoes from inside the eye",
        error_mm=float("inf"),
    ),
    Finding(
        name="echo_missing",
        severity=Severity.REJECT,
        says="an interface that every such eye has was not found",
        do="aim along the visual axis until all spikes stand; then capture again",
        feature="missing_count",
        figure="interfaces not found",
        error_mm=float("inf"),
    ),
    Finding(
        name="gain_too_high",
        severity=Severity.REJECT,
        says="the echo of the cornea or the retina is clipped, so its height and rise cannot be "
        "judged, and retina and sclera may run together",
        do="lower the gain until the tallest echo stays below the limit; then capture again",
        feature="end_clipped_samples",
        limit="max_end_clipped_samples",
        figure="clipped samples in these echoes",
        error_mm=0.1,
    ),
    Finding(
        name="gain_too_low",
        severity=Severity.REJECT,
        says="the weakest echo of the length hardly stands out of the noise",
        do="improve coupling and aim, raise the gain if all echoes are low; then capture again",
        feature="weakest_level_db",
        limit="min_level_db",
        figure="weakest echo over the noise",
        error_mm=4.5,
    ),
    Finding(
        name="retina_not_steep",
        severity=Severity.REJECT,
        says="the retinal echo rises slowly or in steps, as it does when the beam meets the retina "
        "obliquely",
        do="tilt the probe until the retinal spike rises straight from the baseline; then capture "
        "again",
        feature="retina_rise_ratio",
        limit="max_retina_rise_ratio",
        figure="rise of the retina",
        error_mm=0.75,
    ),
    Finding(
        name="retina_low",
        severity=Severity.REJECT,
        says="the retinal echo is low against the back of the lens, and a tilt lowers the retina "
        "first",
        do="tilt the probe until retina and sclera both stand tall; then capture again",
        feature="retina_against_lens_db",
        limit="min_retina_against_lens_db",
        figure="retina against the back of the lens",
        error_mm=0.5,
    ),
    Finding(
        name="no_wall_behind_retina",
        severity=Severity.REJECT,
        says="no sclera and no orbital echoes stand behind the retina, as along the optic nerve",
        do="aim away from the nose until sclera and orbital echoes appear; then capture again",
        feature="orbit_level_db",
        limit="min_orbit_level_db",
        figure="orbital echoes over the noise",
        also=("retina_over_wall_db", "max_retina_over_wall_db", "retina over all that follows"),
        error_mm=1.7,
    ),
    Finding(
        name="lens_echoes_unbalanced",
        severity=Severity.WARN,
        says="the front of the lens is low against its back, as when the beam crosses the lens "
        "obliquely",
        do="centre and tilt the beam until both lens spikes are tall",
        feature="lens_front_against_back_db",
        limit="min_lens_front_against_back_db",
        figure="front of the lens against its back",
        error_mm=0.55,
    ),
    Finding(
        name="echo_in_vitreous",
        severity=Severity.WARN,
        says="a tall echo stands between lens and retina",
        do="look for opacities or a membrane, and check that the retina was taken at the right "
        "spike",
        feature="vitreous_spike_against_retina_db",
        limit="max_vitreous_spike_against_retina_db",
        figure="that echo against the retina",
        error_mm=2.0,
    ),
    Finding(
        name="choice_uncertain",
        severity=Severity.WARN,
        says="another echo fits an interface almost as well as the one taken",
        do="look at the picks on the trace; accept or reject it by hand",
        feature="least_margin",
        limit="min_margin",
        figure="lead over the other choice",
        error_mm=1.6,
    ),
    Finding(
        name="pick_uncertain",
        severity=Severity.WARN,
        says="the noise leaves the length of this scan unsure",
        do="improve coupling or alignment; then capture again",
        feature="length_u_mm",
        limit="max_length_u_mm",
        figure="standard uncertainty from noise",
        error_mm=0.05,
    ),
    Finding(
        name="cornea_assumed",
        severity=Severity.NOTE,
        says="the back of the cornea was not resolved, and its usual thickness was taken",
        do="no action is needed unless the cornea is unusually thick or thin",
        error_mm=0.01,
    ),
    Finding(
        name="receiver_unknown",
        severity=Severity.NOTE,
        says="the recording does not describe its receiver, so heights at different depths are "
        "compared as received",
        do="state gain and time gain when importing",
        error_mm=0.0,
    ),
    Finding(
        name="beam_off_axis",
        severity=Severity.REJECT,
        says="taken together, the echoes look as they do when the beam is off the visual axis",
        do="have the patient look at the light and aim again until cornea, lens and retina all "
        "stand tall; then capture again",
        feature="on_axis_probability",
        limit="min_on_axis_probability",
        figure="probability that the beam is on the axis",
        error_mm=0.65,
    ),
    Finding(
        name="fluid_before_cornea",
        severity=Severity.REJECT,
        says="fluid lies between the probe and the cornea, so the length reads long",
        do="wipe away gel and tears and touch the cornea without pressing; then capture again",
        feature="fluid_gap_us",
        limit="max_fluid_gap_us",
        figure="cornea behind the probe's face",
        error_mm=0.45,
    ),
    Finding(
        name="chamber_shallow",
        severity=Severity.WARN,
        says="the anterior chamber is shallow: the probe presses on the cornea, or the eye is so "
        "by nature",
        do="press less and capture again; if it stays shallow, compare with immersion or the "
        "other eye",
        feature="chamber_mm",
        limit="min_chamber_mm",
        figure="cornea to lens",
        error_mm=0.4,
    ),
    Finding(
        name="spike_out_of_place",
        severity=Severity.WARN,
        says="the chamber or the lens is far from any usual length, so a gate may hold the wrong "
        "spike",
        do="look at the picks of cornea and lens on the trace; move the gate or capture again",
        feature="anatomy_distance",
        limit="max_anatomy_distance",
        figure="distance from the usual length",
        error_mm=0.3,
    ),
    Finding(
        name="lens_spikes_confused",
        severity=Severity.WARN,
        says="echoes inside the lens are as tall as its front or back, as in a dense cataract",
        do="check both picks of the lens; compare its thickness with the other scans",
        feature="lens_echo_against_lens_db",
        limit="max_lens_echo_against_lens_db",
        figure="echo inside the lens against its lower face",
        error_mm=1.5,
    ),
    Finding(
        name="lens_echo_clipped",
        severity=Severity.WARN,
        says="the echoes of the lens or the implant are clipped; the length hardly suffers, but "
        "their heights are lost",
        do="lower the gain if the retina stays tall enough",
        feature="lens_clipped_samples",
        limit="max_clipped_samples",
        figure="clipped samples in these echoes",
        error_mm=0.02,
    ),
    Finding(
        name="repeat_taken",
        severity=Severity.REJECT,
        says="what was taken for the retina stands where the bath repeats an earlier echo",
        do="change the distance between probe and eye and capture again; a repeat moves twice as "
        "far as an echo of the eye",
        feature="repeat_closeness_us",
        limit="min_repeat_closeness_us",
        figure="distance from the repeat",
        error_mm=6.0,
    ),
    Finding(
        name="lens_state_doubtful_implant",
        severity=Severity.REJECT,
        says="the recording is said to be phakic, but its echoes look like those of an implant",
        do="check the lens state with the chart; measure again with the right one",
        feature="pseudophakic_pattern_db",
        limit="max_state_pattern_db",
        figure="implant pattern over a natural lens",
        also=("second_cornea_db", "max_second_cornea_db", "pair before the cornea, against it"),
        error_mm=4.0,
    ),
    Finding(
        name="lens_state_doubtful_natural",
        severity=Severity.REJECT,
        says="the recording is said to have no natural lens, but two echoes stand where its front "
        "and back would be",
        do="check the lens state with the chart; measure again with the right one",
        feature="phakic_pattern_db",
        limit="max_natural_pattern_db",
        figure="natural pattern over what was expected",
        error_mm=0.6,
    ),
    Finding(
        name="vitreous_doubtful",
        severity=Severity.WARN,
        says="the vitreous cavity has an unusual length with the filling that was stated: a very "
        "long or short eye, or another filling such as silicone oil",
        do="ask whether the eye was filled with oil, and compare with the other eye",
        feature="cavity_mm",
        figure="vitreous cavity",
        error_mm=8.0,
    ),
    Finding(
        name="method_doubtful",
        severity=Severity.REJECT,
        says="the trace does not look like the method it is said to be recorded with",
        do="check whether the probe touched the cornea or a bath lay between; then import again",
        feature="bath_pattern_db",
        limit="max_bath_pattern_db",
        figure="pattern of the other method",
        error_mm=3.0,
    ),
    Finding(
        name="recording_unfit",
        severity=Severity.REJECT,
        says="much of the trace is clipped, and nothing can be judged on it",
        do="check gain, cable and recorder; then capture again",
        feature="clipped_fraction",
        limit="max_clipped_fraction",
        figure="clipped share of the trace",
        error_mm=5.0,
    ),
    Finding(
        name="score_low",
        severity=Severity.REJECT,
        says="the trace as a whole does not look like one that is aligned and correctly picked",
        do="look at the picks, aim along the visual axis and capture again",
        feature="score",
        limit="min_score",
        figure="score",
        error_mm=0.55,
    ),
    Finding(
        name="cornea_peaks_unequal",
        severity=Severity.WARN,
        says="the two peaks of the cornea are not equally tall, as when the beam meets it "
        "obliquely",
        do="centre the beam on the cornea until both peaks stand tall",
        feature="cornea_imbalance_db",
        limit="max_cornea_imbalance_db",
        figure="difference of the two peaks",
        error_mm=0.1,
    ),
)

FINDINGS: Mapping[str, Finding] = MappingProxyType({item.name: item for item in _ALL_FINDINGS})
"""Every finding about a trace, in the order of its bits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityLimits:
    """Where a figure becomes a finding. Common practice, no source, except where said.

    Attributes
    ----------
    max_clipped_samples : float
        Clipped samples allowed within the echoes of the lens.
    max_end_clipped_samples : float
        Clipped samples allowed within cornea and retina; in a target that is no eye, within all
        echoes of the length.
    min_level_db : float
        Least level over the noise of the weakest echo that makes the length, dB; 98 % of aligned
        draws lie above. An echo is found from 13 dB on, and what noise makes is nearly as tall.
    max_retina_rise_ratio : float
        10-90 % rise of the retina over that of an undistorted echo. 99 % of aligned draws lie
        below; between 1.7 (98 %) and this, steepness alone rejected none but good traces.
    min_retina_against_lens_db : float
        Retina against the back of a natural lens, dB. 99 % of aligned draws lie above.
    min_orbit_level_db : float
        Root mean square of the stretch behind the sclera over the noise, dB. 99 % of aligned
        draws lie above, an eighth of which have no scatter at all.
    max_retina_over_wall_db : float
        Retina over the tallest that follows it, dB: 99.5 % of aligned draws lie below, eyes
        without any scatter at about 12.
    min_lens_front_against_back_db : float
        Front of a natural lens against its back, dB. 98 % of aligned draws lie above.
    max_vitreous_spike_against_retina_db : float
        Tallest echo between lens and retina that is no repeat of the bath or bounce of an
        implant, against the retina, dB: a quarter of its height. Over the noise it would grow
        with nothing but a quieter receiver.
    min_margin : float
        Least lead of the chosen echoes over another choice, nats.
    max_length_u_mm : float
        Standard uncertainty of one scan's length from noise, mm: 99.5 % of aligned draws lie below
        0.01, and echoes too weak for much more are not found at all.
    min_on_axis_probability : float
        Least probability that the beam lies on the axis, by the shipped model.
    max_fluid_gap_us : float
        Delay of the corneal echo behind the probe's face in contact, µs.
    min_chamber_mm : float
        Corneal front to lens, mm: mean less two standard deviations of 28,709 eyes (3.02 ± 0.45,
        BMC Ophthalmol 2021).
    max_anatomy_distance : float
        Chamber or lens from its published mean, in standard deviations.
    max_lens_echo_against_lens_db : float
        Tallest echo inside the lens against the lower of its front and back, dB.
    min_repeat_closeness_us : float
        Retina from where a repeat of an earlier, taller echo would stand, µs.
    max_cornea_imbalance_db : float
        Front of the cornea against its back in immersion, dB, either way. The trade asks for
        equal peaks; 95 % of aligned draws lie within 4 dB, 98 % within 11.
    max_state_pattern_db, max_natural_pattern_db, max_bath_pattern_db : float
        How clearly another lens state or method shows, dB.
    max_second_cornea_db : float
        Pair of a cornea's thickness before what was taken for the cornea, against it, dB, in front
        of a shallow chamber: an implant was taken for the cornea.
    min_cavity_mm, max_cavity_mm : float
        Vitreous cavity with the stated filling, mm: from infants to an eye of 31 mm, one standard
        deviation beyond the mean of pathological myopia (28.75 ± 2.20, openophthalmologyjournal
        13:70). An oil taken for vitreous makes a usual eye longer than that.
    max_clipped_fraction : float
        Clipped share of all samples.
    min_score : float
        Least score of an accepted trace.
    """

    max_clipped_samples: float = 2.0
    min_level_db: float = 20.0
    max_retina_rise_ratio: float = 2.2
    min_retina_against_lens_db: float = -33.0
    min_orbit_level_db: float = 3.0
    max_retina_over_wall_db: float = 18.0
    min_lens_front_against_back_db: float = -13.0
    max_vitreous_spike_against_retina_db: float = -12.0
    min_margin: float = 1.0
    max_length_u_mm: float = 0.015
    max_end_clipped_samples: float = 16.0
    min_on_axis_probability: float = 0.15
    max_fluid_gap_us: float = 0.04
    min_chamber_mm: float = 2.12
    max_anatomy_distance: float = 3.5
    max_lens_echo_against_lens_db: float = 0.0
    min_repeat_closeness_us: float = 0.12
    max_cornea_imbalance_db: float = 8.0
    max_state_pattern_db: float = 24.0
    max_second_cornea_db: float = -30.0
    max_natural_pattern_db: float = 0.0
    max_bath_pattern_db: float = -14.0
    min_cavity_mm: float = 11.5
    max_cavity_mm: float = 23.5
    max_clipped_fraction: float = 0.12
    min_score: float = 0.4

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if not -200.0 <= value <= 1e4:
                raise ParameterError(f"quality limit {name}={value!r} is out of range")


_BELOW = frozenset(
    {
        "beam_off_axis",
        "chamber_shallow",
        "repeat_taken",
        "score_low",
        "gain_too_low",
        "retina_low",
        "no_wall_behind_retina",
        "lens_echoes_unbalanced",
        "choice_uncertain",
    }
)


_WITHOUT_AN_EYE = frozenset(
    {"no_echo", "cornea_assumed", "receiver_unknown", "recording_unfit", "score_low"}
)


def finding_bits(
    features: Mapping[str, Float32],
    limits: QualityLimits,
    *,
    cornea_assumed: NDArray[np.bool_],
    receiver_known: bool,
) -> NDArray[np.uint32]:
    """Findings of each trace as a bit set; bit ``k`` is the ``k``-th of :data:`FINDINGS`.

    Parameters
    ----------
    features : mapping
        From :func:`echotrace.quality.features.trace_features`; findings are made of those that are
        there.
    limits : QualityLimits
    cornea_assumed : ndarray of bool, (n_traces,)
    receiver_known : bool
    """
    no_echo = features["echo_count"] < 1
    raised = np.zeros((len(FINDINGS), no_echo.size), np.bool_)
    of = dict(zip(FINDINGS, raised, strict=True))
    of["no_echo"][:] = no_echo
    of["echo_missing"][:] = features["missing_count"] > 0
    of["cornea_assumed"][:] = cornea_assumed
    of["receiver_unknown"][:] = not receiver_known
    # A figure that could not be had (NaN) raises nothing: what it lacks has its own finding.
    with np.errstate(invalid="ignore"):
        for name, finding in FINDINGS.items():
            if not finding.limit or finding.feature not in features:
                continue
            beyond = np.less if name in _BELOW else np.greater
            beyond(features[finding.feature], getattr(limits, finding.limit), out=of[name])
            if finding.also and finding.also[0] in features:
                of[name] |= features[finding.also[0]] > getattr(limits, finding.also[1])
        if "cavity_mm" in features:
            # In an aphakic eye the cavity runs from the cornea on.
            front = np.float32(0.0 if "lens_echo_db" in features else 6.5)
            cavity = features["cavity_mm"] - front
            of["vitreous_doubtful"][:] = (cavity < limits.min_cavity_mm) | (
                cavity > limits.max_cavity_mm
            )
        elif "clipped_samples" in features:
            np.greater(
                features["clipped_samples"], limits.max_clipped_samples, out=of["gain_too_high"]
            )
    bits = np.zeros(no_echo.size, np.uint32)
    for k in np.flatnonzero(raised.any(axis=1)):
        bits[raised[k]] |= 1 << int(k)
    # Where there is no eye on the trace, nothing can be said of it.
    bits[no_echo] &= _bits_of(_WITHOUT_AN_EYE)
    return bits


def _bits_of(names: Iterable[str]) -> np.uint32:
    return np.uint32(sum(1 << list(FINDINGS).index(name) for name in names))


@functools.cache
def rejecting_bits() -> np.uint32:
    """The bits of all findings that reject a scan."""
    return _bits_of(item.name for item in _ALL_FINDINGS if item.severity is Severity.REJECT)


def rank_findings(names: Iterable[str]) -> list[str]:
    """Findings by the length error that they can cause, largest first.

    A low score comes behind them, for it only sums up; notes come last.
    """
    return sorted(
        names,
        key=lambda name: (
            FINDINGS[name].severity is Severity.NOTE,
            name == "score_low",
            -FINDINGS[name].error_mm,
        ),
    )


_UNITS = (
    ("_db", " dB"),
    ("_us", " µs"),
    ("_mm", " mm"),
    ("_ratio", " times that of an undistorted echo"),
    ("_distance", " standard deviations"),
)


def describe_finding(
    name: str, features: Mapping[str, float], limits: QualityLimits | None = None
) -> str:
    """A finding in plain words, with its figure and what to do.

    Parameters
    ----------
    name : str
    features : mapping of str to float
        The features of the one trace.
    limits : QualityLimits, optional
        To say what the figure was held against.
    """
    if name not in FINDINGS:
        raise ParameterError(f"unknown finding {name!r}; known: {', '.join(FINDINGS)}")
    finding = FINDINGS[name]
    parts = [finding.says, _figure(finding, features, limits)]
    if name == "score_low" and features:
        against = against_the_score(features)
        parts.append(f"what weighs most against it: {', then '.join(against)}" if against else "")
    parts.append(finding.do)
    return " ".join(f"{part[0].upper()}{part[1:]}." for part in parts if part)


def _figure(finding: Finding, features: Mapping[str, float], limits: QualityLimits | None) -> str:
    """The figure that raised a finding, in words; empty where there is none."""
    feature, limit, words = finding.feature, finding.limit, finding.figure
    below = finding.name in _BELOW
    if finding.also and limits is not None:
        second = features.get(finding.also[0], np.nan)
        first = features.get(feature, np.nan)
        least = getattr(limits, limit)
        if second > getattr(limits, finding.also[1]) and not (
            first < least if below else first > least
        ):
            (feature, limit, words), below = finding.also, False
    value = features.get(feature, np.nan)
    if not words or not np.isfinite(value):
        return ""
    unit = next((word for end, word in _UNITS if feature.endswith(end)), "")
    wanted = getattr(limits, limit) if limit and limits is not None else np.nan
    text = f"{words}: {_number(value, feature, wanted)}{unit}"
    if np.isfinite(wanted):
        text += f"; {'at least' if below else 'at most'} {wanted:g} wanted"
    elif feature == "cavity_mm" and limits is not None:
        text += f"; {limits.min_cavity_mm:g} to {limits.max_cavity_mm:g} expected"
    return text


def _number(value: float, feature: str, wanted: float) -> str:
    """As many digits as tell the figure from what was wanted."""
    if feature.endswith(("_samples", "_count")):
        return f"{value:.0f}"
    digits = 1 if feature.endswith(("_db", "_ratio", "_distance")) else 2
    while digits < 4 and float(f"{value:.{digits}f}") == wanted:
        digits += 1
    return f"{value:.{digits}f}"
