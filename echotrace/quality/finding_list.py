"""The findings: named reasons not to trust a trace, each with its feature and what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

__all__ = ["FINDINGS", "Finding", "Severity"]


class Severity(StrEnum):
    """What a finding does to a scan.

    Examples
    --------
    >>> from echotrace.quality.finding_list import Severity
    >>> [str(severity) for severity in Severity]
    ['reject', 'warn', 'note']
    """

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
        The number that shows it; empty where the finding is a plain fact.
    limit : str
        Name of the limit in :class:`~echotrace.quality.limits.QualityLimits` it was held against;
        empty where none.
    words : str
        The feature's name in plain words.
    also : tuple of str
        A second feature that raises it alone, its limit and its name in plain words; empty where
        none.
    error_mm : float
        Length error that may come with it, mm; outputs are ranked by it. For findings that 60
        traces and more of the shipped draws raise (both sets of
        :func:`echotrace.fitting.score_sets.shipped_sets` together) it is about the 90th centile
        there, whatever else was wrong with those traces:
        :func:`echotrace.fitting.confusion.error_centiles` gives it for any set. What is merely
        noted is put lower than that, fluid that cannot be excluded where fluid is, and too high a
        gain, which clips the ends of the length, before clipped lens echoes. The rest is an
        estimate from geometry: a repeat, an implant or a wrong speed moves the retina by that much
        (common practice, no source). Infinite where there is no length at all.

    Examples
    --------
    >>> from echotrace.quality.finding_list import FINDINGS
    >>> finding = FINDINGS["gain_too_low"]
    >>> str(finding.severity), finding.feature, finding.limit
    ('reject', 'weakest_level_db', 'min_level_db')
    """

    name: str
    severity: Severity
    says: str
    do: str
    feature: str = ""
    limit: str = ""
    words: str = ""
    also: tuple[str, str, str] | tuple[()] = ()
    error_mm: float = 0.0


_FINDINGS = (
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
        says="nothing was met on this trace, only noise and what lies at the probe",
        do="check that the probe touches, nothing covers the target and the cable is fast; then "
        "capture again",
        feature="echo_count",
        words="echoes behind the probe",
        error_mm=float("inf"),
    ),
    Finding(
        name="echo_missing",
        severity=Severity.REJECT,
        says="an interface that every such target has was not found",
        do="aim along the axis until all spikes stand; then capture again",
        feature="missing_count",
        words="interfaces not found",
        error_mm=float("inf"),
    ),
    Finding(
        name="gain_too_high",
        severity=Severity.REJECT,
        says="the first or the last echo of the length is clipped, so its height and rise cannot "
        "be judged, and the echo behind it may run into it",
        do="lower the gain until the tallest echo stays below the limit; then capture again",
        feature="end_clipped_samples",
        limit="max_end_clipped_samples",
        words="clipped samples in these echoes",
        error_mm=0.3,
    ),
    Finding(
        name="gain_too_low",
        severity=Severity.REJECT,
        says="the weakest echo of the length hardly stands out of the noise",
        do="improve coupling and aim, raise the gain if all echoes are low; then capture again",
        feature="weakest_level_db",
        limit="min_level_db",
        words="weakest echo over the noise",
        error_mm=3.9,
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
        words="rise of the retina",
        error_mm=1.2,
    ),
    Finding(
        name="retina_low",
        severity=Severity.REJECT,
        says="the retinal echo is low against the back of the lens, and a tilt lowers the retina "
        "first",
        do="tilt the probe until retina and sclera both stand tall; then capture again",
        feature="retina_against_lens_db",
        limit="min_retina_against_lens_db",
        words="retina against the back of the lens",
        error_mm=2.6,
    ),
    Finding(
        name="no_wall_behind_retina",
        severity=Severity.REJECT,
        says="no sclera and no orbital echoes stand behind the retina, as along the optic nerve",
        do="aim away from the nose until sclera and orbital echoes appear; then capture again",
        feature="orbit_level_db",
        limit="min_orbit_level_db",
        words="orbital echoes over the noise",
        also=("retina_over_wall_db", "max_retina_over_wall_db", "retina over all that follows"),
        error_mm=3.7,
    ),
    Finding(
        name="lens_echoes_unbalanced",
        severity=Severity.WARN,
        says="the front of the lens is low against its back, as when the beam crosses the lens "
        "obliquely",
        do="centre and tilt the beam until both lens spikes are tall",
        feature="lens_front_against_back_db",
        limit="min_lens_front_against_back_db",
        words="front of the lens against its back",
        error_mm=0.7,
    ),
    Finding(
        name="echo_in_vitreous",
        severity=Severity.WARN,
        says="a tall echo stands between lens and retina",
        do="look for opacities or a membrane, and check that the retina was taken at the right "
        "spike",
        feature="vitreous_spike_against_retina_db",
        limit="max_vitreous_spike_against_retina_db",
        words="that echo against the retina",
        error_mm=4.3,
    ),
    Finding(
        name="choice_uncertain",
        severity=Severity.WARN,
        says="another echo fits an interface almost as well as the one taken (a lead below zero: "
        "better, and the scan is rejected)",
        do="look at the picks on the trace; accept or reject it by hand",
        feature="least_margin",
        limit="min_margin",
        words="lead over the other choice",
        error_mm=2.5,
    ),
    Finding(
        name="pick_uncertain",
        severity=Severity.WARN,
        says="the noise leaves the length of this scan unsure",
        do="improve coupling or alignment; then capture again",
        feature="length_u_mm",
        limit="max_length_u_mm",
        words="standard uncertainty from noise",
        error_mm=5.3,
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
        severity=Severity.WARN,
        says="taken together, the echoes look as they do when the beam is off the visual axis",
        do="have the patient look at the light and aim again until cornea, lens and retina all "
        "stand tall; then capture again",
        feature="aligned",
        limit="min_aligned",
        words="probability that the beam is aligned",
        error_mm=3.0,
    ),
    Finding(
        name="fluid_before_cornea",
        severity=Severity.REJECT,
        says="fluid lies between the probe and the cornea, so the length reads long",
        do="wipe away gel and tears and touch the cornea without pressing; then capture again",
        feature="fluid_gap_us",
        limit="max_fluid_gap_us",
        words="cornea behind the probe's face",
        error_mm=1.35,
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
        words="cornea to lens",
        error_mm=0.6,
    ),
    Finding(
        name="spike_out_of_place",
        severity=Severity.WARN,
        says="the chamber or the lens is far from any usual length, or an echo as of a cornea "
        "stands in the chamber (then the scan is rejected), so a gate may hold the wrong spike",
        do="look at the picks of cornea and lens on the trace; move the gate or capture again",
        feature="anatomy_distance",
        limit="max_anatomy_distance",
        words="distance from the usual length",
        also=(
            "chamber_echo_against_cornea_db",
            "max_chamber_echo_db",
            "echo in the chamber against the cornea",
        ),
        error_mm=4.5,
    ),
    Finding(
        name="lens_spikes_confused",
        severity=Severity.WARN,
        says="echoes inside the lens are as tall as its front or back, as in a dense cataract",
        do="check both picks of the lens; compare its thickness with the other scans",
        feature="lens_echo_against_lens_db",
        limit="max_lens_echo_against_lens_db",
        words="echo inside the lens against its lower face",
        error_mm=1.3,
    ),
    Finding(
        name="lens_echo_clipped",
        severity=Severity.WARN,
        says="the echoes of the lens or the implant are clipped; the length hardly suffers, but "
        "their heights are lost",
        do="lower the gain if the retina stays tall enough",
        feature="lens_clipped_samples",
        limit="max_clipped_samples",
        words="clipped samples in these echoes",
        error_mm=0.24,
    ),
    Finding(
        name="repeat_taken",
        severity=Severity.REJECT,
        says="what was taken for the retina stands where the bath repeats an earlier echo",
        do="change the distance between probe and eye and capture again; a repeat moves twice as "
        "far as an echo of the eye",
        feature="repeat_closeness_us",
        limit="min_repeat_closeness_us",
        words="distance from the repeat",
        error_mm=6.0,
    ),
    Finding(
        name="lens_state_doubtful_implant",
        severity=Severity.REJECT,
        says="the recording is said to be phakic, but its echoes look like those of an implant",
        do="check the lens state with the chart; measure again with the right one",
        feature="pseudophakic_pattern_db",
        limit="max_state_pattern_db",
        words="implant pattern over a natural lens",
        also=("second_cornea_db", "max_second_cornea_db", "pair before the cornea, against it"),
        error_mm=1.5,
    ),
    Finding(
        name="lens_state_doubtful_natural",
        severity=Severity.REJECT,
        says="the recording is said to have no natural lens, but two echoes stand where its front "
        "and back would be",
        do="check the lens state with the chart; measure again with the right one",
        feature="phakic_pattern_db",
        limit="max_natural_pattern_db",
        words="natural pattern over what was expected",
        error_mm=0.6,
    ),
    Finding(
        name="vitreous_doubtful",
        severity=Severity.WARN,
        says="the vitreous cavity has an unusual length with the filling that was stated: a very "
        "long or short eye, or another filling such as silicone oil",
        do="ask whether the eye was filled with oil, and compare with the other eye",
        feature="cavity_mm",
        words="vitreous cavity",
        error_mm=10.0,
    ),
    Finding(
        name="method_doubtful",
        severity=Severity.REJECT,
        says="the trace does not look like the method it is said to be recorded with",
        do="check whether the probe touched the cornea or a bath lay between; then import again",
        feature="bath_pattern_db",
        limit="max_bath_pattern_db",
        words="pattern of the other method",
        error_mm=3.0,
    ),
    Finding(
        name="recording_unfit",
        severity=Severity.REJECT,
        says="much of the trace is clipped, and nothing can be judged on it",
        do="check gain, cable and recorder; then capture again",
        feature="clipped_fraction",
        limit="max_clipped_fraction",
        words="clipped share of the trace",
        error_mm=5.0,
    ),
    Finding(
        name="length_doubtful",
        severity=Severity.REJECT,
        says="taken together, the echoes do not look as they do where the length is right",
        do="look at the picks, aim along the visual axis and capture again",
        feature="length_right",
        limit="min_length_right",
        words="probability that the length is right",
        error_mm=1.4,
    ),
    Finding(
        name="cornea_peaks_unequal",
        severity=Severity.WARN,
        says="the two peaks of the cornea are not equally tall, as when the beam meets it "
        "obliquely",
        do="centre the beam on the cornea until both peaks stand tall",
        feature="cornea_imbalance_db",
        limit="max_cornea_imbalance_db",
        words="difference of the two peaks",
        error_mm=4.7,
    ),
    Finding(
        name="carrier_doubtful",
        severity=Severity.REJECT,
        says="the echoes have another carrier than the probe is said to have: the sampling rate or "
        "the centre frequency is stated wrongly, and a wrong rate makes every length wrong",
        do="check the sampling rate with the recorder and the centre frequency with the probe's "
        "papers; then import again",
        feature="carrier_doubt",
        limit="max_carrier_doubt",
        words="carrier of the strong echoes",
        error_mm=1.6,
    ),
    Finding(
        name="filling_contradicted",
        severity=Severity.REJECT,
        says="the vitreous cavity cannot hold what is stated: behind it the high frequencies are "
        "not as that filling leaves them, or the cavity is longer than any published",
        do="ask whether the eye was filled with oil, and measure again with the right filling; "
        "accept by hand only an eye that is known to be so long",
        feature="filling_likeness",
        limit="max_filling_likeness",
        words="likeness to another filling (1: wholly)",
        error_mm=8.8,
    ),
    Finding(
        name="implant_thickness_off",
        severity=Severity.REJECT,
        says="the implant is not as thick as its label says: another material, other echoes than "
        "its two faces, or another implant",
        do="check material and thickness with the chart, and the picks of both faces",
        feature="implant_misfit_mm",
        limit="max_implant_misfit_mm",
        words="measured against stated thickness",
        error_mm=0.7,
    ),
    Finding(
        name="implant_unchecked",
        severity=Severity.WARN,
        says="nothing checks the material of the implant, and another one would move the length",
        do="state the thickness on its label (--implant-mm), which is then checked",
        feature="implant_shift_mm",
        limit="max_implant_shift_mm",
        words="length moved by another usual material",
        error_mm=0.5,
    ),
    Finding(
        name="echoes_unresolved",
        severity=Severity.REJECT,
        says="echoes of two interfaces overlap, and where each lies cannot be told: one echo of "
        "another shape explains them nearly as well, or their joint fit is not sure",
        do="use a probe of a wider band or a higher frequency, less noise, or a template measured "
        "on a free echo (template in the settings); then capture again",
        feature="unsure_echo_count",
        words="interfaces whose echo is not told from its neighbour",
        error_mm=0.1,
    ),
    Finding(
        name="wall_repeats",
        severity=Severity.NOTE,
        says="echoes follow the wall at its own spacing: its repeats, which are part of the "
        "thickness that is stated",
        do="no action is needed unless the wall should be thicker",
        feature="repeat_count",
        words="repeats",
        error_mm=0.0,
    ),
    Finding(
        name="corrected_by_sitting",
        severity=Severity.WARN,
        says="this scan alone would take other echoes; those taken agree with the other scans of "
        "the sitting and are nearly as likely in themselves",
        do="look at the picks; reject the scan by hand where they are not right",
        feature="alone_length_mm",
        words="length by this scan alone",
        error_mm=0.5,
    ),
    Finding(
        name="apart_from_sitting",
        severity=Severity.REJECT,
        says="by itself this scan would be accepted, but held against the other scans of its "
        "sitting its length is not likely enough to be right: other echoes may have been taken, or "
        "the beam lay otherwise",
        do="look at the picks of this scan and of the others; capture more scans where it is not "
        "plain which are right",
        feature="length_right_in_sitting",
        limit="min_length_right_in_sitting",
        words="probability that the length is right, with the other scans",
        also=(
            "sitting_distance",
            "max_sitting_distance",
            "distance of a segment from the other scans, by their usual spread",
        ),
        error_mm=0.4,
    ),
    Finding(
        name="fluid_not_excluded",
        severity=Severity.WARN,
        says="the echoes do not show that the probe touches the cornea: what the transmit pulse "
        "leaves hides them, or the cornea is unusually thick; fluid would make the length long",
        do="wipe away gel and tears, lower the gain until cornea and pulse stand apart; then "
        "capture again, or compare with immersion",
        feature="fluid_unseen_us",
        limit="max_fluid_unseen_us",
        words="fluid that may be there unseen",
        error_mm=0.8,
    ),
    Finding(
        name="held_by_sitting",
        severity=Severity.WARN,
        says="by itself this scan would be rejected as doubtful, but the other scans of its "
        "sitting agree with it and make its length likely",
        do="look at the picks; reject the scan by hand where they are not right",
        feature="length_right_in_sitting",
        words="probability that the length is right, with the other scans",
        error_mm=0.12,
    ),
)

FINDINGS: Mapping[str, Finding] = MappingProxyType({item.name: item for item in _FINDINGS})
"""Every finding about a trace, in the order of its bits."""
