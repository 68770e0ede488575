"""What the range of a single key cannot see: keys of a scenario that do not go together."""

from __future__ import annotations

import math

from echotrace.errors import ParameterError
from echotrace.media import MEDIA
from echotrace.signal.receiver import tgc_db
from echotrace.synthesis.described_eye import eye_of
from echotrace.synthesis.scenario_model import Scenario
from echotrace.target import IMPLANT_MATERIALS

__all__ = ["check_relations"]

# Against the Rayleigh integral (contact, 5 mm disc, tilts to 8 degrees) the echo of the lens is
# wrong by up to 6 dB for a sharp edge, 2 dB for 0.25, 0.5 dB for 0.5; in immersion at 10.75 mm,
# where the phase is 0.15 rad, a sharp edge is right within 0.5 dB down to -25 dB.
_SOFT_EDGE = 0.5
_MOST_RIM_PHASE_RAD = 0.2


def check_relations(scenario: Scenario) -> None:
    """What single ranges cannot see.

    Parameters
    ----------
    scenario : Scenario

    Raises
    ------
    ParameterError
        Naming the section and the key, without the file.

    Examples
    --------
    >>> check_relations(Scenario())
    """
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
    _check_readings(scenario)
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


def _check_readings(scenario: Scenario) -> None:
    """Refuse what a shell, an instrument or an operator cannot do."""
    if scenario.method.shell_sd_mm > 0.0:
        if scenario.method.kind != "immersion":
            raise ParameterError("[method] shell_sd_mm goes only with kind='immersion'")
        if scenario.pose.alignments:
            raise ParameterError(
                "[method] shell_sd_mm does not go with [pose] alignments: the poses of an eye "
                "would be used again under another shell"
            )
    if scenario.operator.stops_within_mm > 0.0:
        if scenario.scan:
            raise ParameterError(
                "[operator] stops_within_mm does not go with [[scan]]: which attempts are kept is "
                "not known beforehand"
            )
        if scenario.operator.most_attempts < scenario.scans:
            raise ParameterError(
                f"[operator] most_attempts={scenario.operator.most_attempts} must be at least "
                f"scans={scenario.scans}"
            )


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
