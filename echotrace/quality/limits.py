"""Limits: where a feature becomes a finding."""

from __future__ import annotations

from dataclasses import dataclass

from echotrace.errors import ParameterError

__all__ = ["QualityLimits"]


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityLimits:
    """Where a feature becomes a finding. Common practice, no source, except where said.

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
        Root mean square of the window behind the sclera over the noise, dB. 99 % of aligned
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
    min_aligned : float
        Least probability that the beam is aligned: below, it is told not to be
        (:data:`~echotrace.measurement.ALIGNED_TOLD`).
    max_fluid_gap_us : float
        Cornea behind the probe's face in contact, µs, of which its thickness makes 0.043 (a
        standard deviation), and a curved cornea under a flat face 0.05: 0.077 mm of length.
    max_fluid_unseen_us : float
        Fluid that may lie unseen before the cornea in contact, µs; as for what is seen.
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
    max_chamber_echo_db : float
        Tallest echo between cornea and lens against the cornea in immersion, dB: aqueous is silent,
        below -55 in good synthetic scans. Above, a bubble was taken for the cornea, which stands
        there.
    max_filling_likeness : float
        How far the carrier behind the cavity may speak for another filling: 0 not at all, 1 as that
        filling would. Long natural eyes lie below 0.1, nine in ten with a wall of two levels below
        0.55, since the levels interfere; eyes with oil above 0.7.
    max_published_cavity_mm : float
        Longest vitreous cavity that is published of, mm: an eye of 33.15 mm, two standard
        deviations beyond the mean of pathological myopia (28.75 ± 2.20,
        openophthalmologyjournal 13:70), less cornea, chamber and lens (8.2 mm).
    max_implant_misfit_mm : float
        Measured thickness of an implant against the one on its label, mm: an implant of 0.8 mm
        called by the nearest other material is off by 0.11.
    max_implant_shift_mm : float
        By how much another material of the implant may move the length unchecked, mm.
    max_clipped_fraction : float
        Clipped share of all samples.
    min_length_right : float
        Least probability of an accepted trace that its length is right, by itself.
    min_length_right_in_sitting : float
        The same with what the other scans of its sitting say. Both were chosen on all
        draws of the two shipped sets, of whose accepted scans fewer than 1 % are wrong; of two sets
        that were opened once 1.0 % were (8 of 807, 9 of 884).
    max_sitting_distance : float
        Distance of a segment from that of four other scans and more that agree with one another,
        in expected spreads between scans. 6.7 spreads of a vitreous are 0.2 mm: two lengths that
        differ by more are not both right to 0.1.
    max_carrier_misfit : float
        Carrier of the echoes off the stated one, as a part of it, either way. Less is within what
        a measured centre frequency is known to (common practice, no source).
    max_carrier_doubt : float
        How surely it is another, in standard deviations, by
        :func:`echotrace.signal.carrier.carrier_of`.

    Raises
    ------
    ParameterError
        A limit below -200 or above 10000.

    Examples
    --------
    >>> from echotrace.quality.limits import QualityLimits
    >>> QualityLimits(min_length_right=0.5).min_length_right
    0.5
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
    min_aligned: float = 0.2
    max_fluid_gap_us: float = 0.1
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
    max_chamber_echo_db: float = -30.0
    max_filling_likeness: float = 0.65
    max_published_cavity_mm: float = 25.0
    max_implant_misfit_mm: float = 0.1
    max_implant_shift_mm: float = 0.05
    max_fluid_unseen_us: float = 0.1
    max_clipped_fraction: float = 0.12
    min_length_right: float = 0.885
    min_length_right_in_sitting: float = 0.95
    max_sitting_distance: float = 6.7
    max_carrier_misfit: float = 0.03
    max_carrier_doubt: float = 3.0

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if not -200.0 <= value <= 1e4:
                raise ParameterError(f"quality limit {name}={value!r} is out of range")
