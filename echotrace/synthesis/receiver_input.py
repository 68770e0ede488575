"""One trace at the receiver's input: which artefacts are on in a scan, and what they add."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from echotrace.signal.receiver import db_to_ratio
from echotrace.synthesis import artefacts
from echotrace.synthesis.alignment import Pose
from echotrace.synthesis.artefact_names import ARTEFACTS, RANDOM_ARTEFACTS
from echotrace.synthesis.echoes import EyeEchoes, SampleGrid
from echotrace.synthesis.near_field import near_field
from echotrace.synthesis.probe import Disc
from echotrace.synthesis.scenario_model import Scenario
from echotrace.synthesis.sections import ScanSection

__all__ = ["artefact_bits", "artefacts_by_chance", "receiver_input"]

_OBLIQUE_FROM_DEG = 2.0


def artefacts_by_chance(
    scenario: Scenario, rng: np.random.Generator, fixed: ScanSection | None
) -> dict[str, bool]:
    """Which of the artefacts that come by chance are on in a scan.

    Parameters
    ----------
    scenario : Scenario
    rng : numpy.random.Generator
        Of the scan.
    fixed : ScanSection or None
        What the scenario fixes for this scan.

    Returns
    -------
    dict of str to bool
        For each of :data:`~echotrace.synthesis.artefact_names.RANDOM_ARTEFACTS`; those that the
        method cannot have are off.

    Examples
    --------
    >>> from echotrace.synthesis.scenario import scenario_from_mapping
    >>> scenario = scenario_from_mapping({"artefacts": {"blink": 1.0, "couplant": 1.0}})
    >>> on = artefacts_by_chance(scenario, np.random.default_rng(1), None)
    >>> on["blink"], on["couplant"]
    (True, False)
    """
    chance = rng.random(len(RANDOM_ARTEFACTS))
    forced = fixed.artefacts if fixed is not None else ()
    on = {
        name: bool(chance[n] < getattr(scenario.artefacts, name)) or name in forced
        for n, name in enumerate(RANDOM_ARTEFACTS)
    }
    contact = scenario.method.kind == "contact"
    on["bath_reverberation"] &= not contact
    on["bubbles"] &= not contact
    on["cornea_reverberation"] &= contact
    on["couplant"] &= contact
    return on


def artefact_bits(
    scenario: Scenario, on: Mapping[str, bool], pose: Pose, fixed: ScanSection | None
) -> int:
    """All that makes a scan unlike a good one, as the bits of the truth's ``artefacts``.

    Parameters
    ----------
    scenario : Scenario
    on : mapping of str to bool
        From :func:`artefacts_by_chance`.
    pose : Pose
    fixed : ScanSection or None

    Returns
    -------
    int

    Examples
    --------
    >>> bits = artefact_bits(Scenario(), {"bubbles": True, "blink": False}, Pose(), None)
    >>> [name for n, name in enumerate(ARTEFACTS) if bits >> n & 1]
    ['bubbles']
    """
    eye, section = scenario.eye, scenario.pose
    active = {name for name, value in on.items() if value}
    if pose.tilt_deg >= _OBLIQUE_FROM_DEG:
        active.add("oblique")
    if section.kind in ("optic_nerve", "pupil_edge") and not (fixed and fixed.sets_pose):
        active.add(section.kind)
    if scenario.receiver.tgc_is_wrong:
        active.add("tgc_wrong")
    if eye.lens_state == "pseudophakic":
        active.add("implant_reverberation")
    if eye.cataract_grade > 0.0:
        active.add("cataract")
    if eye.vitreous_opacities:
        active.add("vitreous_opacity")
    if eye.staphyloma_slope_deg or eye.staphyloma_step_mm:
        active.add("staphyloma")
    return sum(1 << ARTEFACTS.index(name) for name in active)


def receiver_input(
    scenario: Scenario,
    disc: Disc,
    grid: SampleGrid,
    echoes: EyeEchoes,
    on: Mapping[str, bool],
    bits: int,
    rng: np.random.Generator,
    *,
    probe_rng: np.random.Generator,
    shift_us: float,
    squeeze_us: float,
    delay_us: NDArray[np.float64],
) -> tuple[NDArray[np.float64], float]:
    """Put artefacts and noise on the echoes of an eye.

    Parameters
    ----------
    scenario : Scenario
    disc : Disc
    grid : SampleGrid
    echoes : EyeEchoes
        At the pose of the scan and the mean compression of the eye.
    on : mapping of str to bool
        From :func:`artefacts_by_chance`.
    bits : int
        From :func:`artefact_bits`.
    rng : numpy.random.Generator
        Of the scan; what is drawn, and in which order, is part of what a seed means.
    probe_rng : numpy.random.Generator
        For what belongs to the probe: in the same state for each of its scans.
    shift_us : float
        By which all echoes come late.
    squeeze_us : float
        By which those behind the cornea come later than at the mean compression.
    delay_us : ndarray of float64, (n_interfaces,)
        Arrival of each echo, both included.

    Returns
    -------
    trace : ndarray of float64, (n_samples,)
        Relative to the echo of a perfect plane reflector just in front of the disc.
    passed : float
        What reaches the receiver of the retina's amplitude, 0 to 1.

    Examples
    --------
    >>> from echotrace.synthesis import Synthesis
    >>> made, rng = Synthesis({"scans": 1}), np.random.default_rng(1)
    >>> echoes, none = made.echoes(0), dict.fromkeys(ARTEFACTS, False)
    >>> trace, passed = receiver_input(
    ...     made.scenario, made.disc, made.grid, echoes, none, 0, rng, probe_rng=rng,
    ...     shift_us=0.0, squeeze_us=0.0, delay_us=echoes.delay_us,
    ... )
    >>> trace.size == made.grid.n_samples, passed
    (True, 1.0)
    """
    axis_us = grid.delay_us
    face_us = disc.face_delay_us
    pupil_edge = bool(bits >> ARTEFACTS.index("pupil_edge") & 1)
    inner = echoes.inner.astype(np.complex128)
    reaches = 1.0
    if pupil_edge:
        reaches = artefacts.PUPIL_EDGE_PASSES
        inner = reaches * inner
    front = echoes.front.astype(np.complex128)
    train = np.zeros_like(front)
    if on["bath_reverberation"]:
        train = artefacts.bath_reverberation(grid, front, float(delay_us[0]) - face_us)
    if on["cornea_reverberation"]:
        way_us = float(delay_us[1] - delay_us[0])
        train = artefacts.cornea_reverberation(grid, front, way_us)
    spectrum = front + train + grid.shifted(inner, squeeze_us)
    trace = grid.trace(grid.shifted(spectrum, shift_us))
    if on["blink"]:
        trace[:] = 0.0
        reaches = 0.0
        artefacts.add_lid(disc, trace, axis_us, float(delay_us[0]), rng)
    elif pupil_edge and "lens_front" in echoes.names:
        at_us = float(delay_us[echoes.names.index("lens_front")])
        artefacts.add_iris(disc, trace, axis_us, at_us, rng)
    if on["bubbles"]:
        last_us = float(delay_us[0]) - 1.0
        first_us = face_us + 0.4 * (last_us - face_us)
        shadow = np.zeros_like(trace)
        passed = artefacts.add_bubbles(disc, shadow, axis_us, first_us, last_us, rng)
        trace = shadow + passed * trace
        reaches *= passed
    trace += near_field(
        disc,
        axis_us,
        scenario.near_field,
        scenario.receiver.ring_down_db,
        scenario.receiver.ring_down_us,
        probe_rng=probe_rng,
        scan_rng=rng,
    )
    if scenario.method.kind == "immersion" or on["couplant"]:
        artefacts.add_face_echo(disc, trace, axis_us, face_us)
    if on["interference"]:
        artefacts.add_interference(trace, axis_us, rng)
    noise = float(db_to_ratio(scenario.receiver.noise_db))
    return np.asarray(trace + noise * rng.standard_normal(trace.size)), reaches
