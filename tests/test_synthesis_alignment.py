"""Poses: what each kind of pose does, and the conventions of tilt and decentration."""

import math

import numpy as np
import pytest

from echotrace.media import medium
from echotrace.synthesis import Synthesis
from echotrace.synthesis.alignment import (
    Pose,
    beam_through_eye,
    draw_pose,
)
from echotrace.synthesis.eye_model import SCHEMATIC_EYES, direction
from echotrace.synthesis.probe import Disc
from echotrace.synthesis.sections import MethodSection, PoseSection, ScanSection

NAVARRO = SCHEMATIC_EYES["navarro"]
STILL = {"tilt_sd_deg": 0.0, "decentration_sd_mm": 0.0, "fixation_sd_deg": 0.0}


def rng(seed=1):
    return np.random.default_rng(seed)


def test_a_still_steady_hand_lies_on_the_axis():
    pose = draw_pose(PoseSection(**STILL), rng(), 0.5)
    assert pose.tilt_deg == 0.0
    assert pose.decentration_mm == 0.0


def test_tilt_components_are_normal():
    section = PoseSection(**{**STILL, "tilt_sd_deg": 0.7})
    generator = rng()
    tilt = np.array([draw_pose(section, generator, 0.0).tilt_deg for _ in range(4000)])
    # Two normal components of standard deviation s: Rayleigh with mean s sqrt(pi/2).
    assert tilt.mean() == pytest.approx(0.7 * math.sqrt(math.pi / 2.0), rel=0.04)


def test_a_wandering_gaze_turns_the_eye_about_its_own_centre():
    section = PoseSection(**{**STILL, "fixation_sd_deg": 0.5})
    generator = rng()
    poses = [draw_pose(section, generator, 0.0) for _ in range(2000)]
    tilt = np.array([pose.tilt_deg for pose in poses])
    assert tilt.mean() == pytest.approx(0.5 * math.sqrt(math.pi / 2.0), rel=0.05)
    for pose in poses[:5]:
        # A hand that does not move still aims at the centre, about which the eye has turned.
        path = beam_through_eye(Disc(), NAVARRO, MethodSection(), pose)
        start, heading = path.point_mm[0], path.direction[0]
        # 13.5 mm behind the cornea (handbook value, from memory).
        at_centre = start + (13.5 - start[2]) / heading[2] * heading
        assert at_centre[:2] == pytest.approx([0.0, 0.0], abs=0.002)
        assert pose.decentration_mm > 0.01


def test_a_drifting_hand_tilts_in_proportion():
    section = PoseSection(kind="drifting", tilt_deg=4.0, **STILL)
    found = [draw_pose(section, rng(), fraction).tilt_deg for fraction in (0.0, 0.25, 1.0)]
    assert found == pytest.approx([0.0, 1.0, 4.0])


def test_an_oblique_hand_tilts_towards_its_azimuth():
    pose = draw_pose(PoseSection(kind="oblique", tilt_deg=3.0, azimuth_deg=90.0, **STILL), rng(), 0)
    assert (pose.tilt_deg, pose.tilt_azimuth_deg) == pytest.approx((3.0, 90.0))


def test_the_beam_to_the_nerve_head_passes_the_nodal_point():
    pose = draw_pose(PoseSection(kind="optic_nerve", **STILL), rng(), 0.0)
    path = beam_through_eye(Disc(), NAVARRO, MethodSection(), pose)
    # Between both nodal points of Gullstrand's eye, 7.08 and 7.33 mm (handbook value, from memory).
    to_go = (0.5 * (7.08 + 7.33) - path.point_mm[0, 2]) / path.direction[0, 2]
    at_nodal = path.point_mm[0] + to_go * path.direction[0]
    assert at_nodal[:2] == pytest.approx([0.0, 0.0], abs=0.01)
    # About 4 to 5 mm nasal of the fovea on the retina.
    assert 3.5 < path.point_mm[path.index("retina"), 0] < 5.5


def test_a_scan_table_fixes_the_pose():
    scan = ScanSection(number=1, tilt_deg=2.5, decentration_mm=0.2, azimuth_deg=45.0)
    pose = draw_pose(PoseSection(), rng(), 0.0, scan)
    assert pose == Pose(
        tilt_deg=2.5, tilt_azimuth_deg=45.0, decentration_mm=0.2, decentration_azimuth_deg=45.0
    )


@pytest.mark.parametrize("kind", ["immersion", "contact"])
def test_the_pivot_is_the_corneal_vertex(kind):
    # Whatever the tilt, an undecentred beam passes the vertex.
    path = beam_through_eye(Disc(), NAVARRO, MethodSection(kind=kind), Pose(tilt_deg=6.0))
    assert path.point_mm[0] == pytest.approx([0.0, 0.0, 0.0], abs=1e-6)
    turned = math.degrees(math.acos(path.direction[0, 2]))
    assert turned == pytest.approx(6.0, abs=1e-6)


def test_decentration_is_measured_in_the_plane_of_the_vertex():
    pose = Pose(tilt_deg=6.0, decentration_mm=0.8, decentration_azimuth_deg=90.0)
    path = beam_through_eye(Disc(), NAVARRO, MethodSection(), pose)
    start, heading = path.point_mm[0], path.direction[0]
    in_plane = start - start[2] / heading[2] * heading
    assert in_plane == pytest.approx([0.0, 0.8, 0.0], abs=1e-9)


def test_in_contact_the_cornea_faces_the_probe():
    path = beam_through_eye(
        Disc(), NAVARRO, MethodSection(kind="contact"), Pose(tilt_deg=6.0, decentration_mm=0.5)
    )
    assert path.incidence_deg[:2] == pytest.approx([0.0, 0.0], abs=1e-3)
    assert path.length_mm[path.index("cornea_back")] == pytest.approx(NAVARRO.cornea_mm)


def test_both_methods_draw_the_same_eyes():
    eyes = {
        kind: Synthesis(
            {"eye": {"model": "population", "eyes": 3}, "method": {"kind": kind}}, seed=6
        )
        for kind in ("immersion", "contact")
    }
    for n in range(3):
        assert eyes["immersion"].eye(n) == eyes["contact"].eye(n)
    assert eyes["contact"].eye(0) != eyes["contact"].eye(1)


def test_a_scan_that_changes_only_its_gain_stays_on_the_nerve():
    made = Synthesis(
        {"pose": {"kind": "optic_nerve"}, "scan": [{"number": 1, "gain_db": 10.0}]}, seed=1
    )
    truth = made.block(0, 1).truth
    assert math.isnan(truth.delay_us[0, truth.interfaces.index("sclera")])


@pytest.mark.parametrize("pivot_mm", [7.2, 13.5, -12.0])
def test_a_beam_that_turns_about_a_pivot_passes_through_it(pivot_mm):
    """Plane geometry: a line through (0, p) at an angle t meets the vertex plane at -p tan t."""
    section = PoseSection(
        kind="oblique", tilt_deg=5.0, azimuth_deg=30.0, pivot_mm=pivot_mm, **STILL
    )
    pose = draw_pose(section, np.random.default_rng(1), 0.0)
    heading = direction(pose.tilt_deg, pose.tilt_azimuth_deg)
    start = pose.decentration_mm * direction(90.0, pose.decentration_azimuth_deg)
    at_pivot = start + (pivot_mm - start[2]) / heading[2] * heading
    assert pose.tilt_deg == pytest.approx(5.0)
    # Tilt is put together from two components, so the way back is exact for small angles only.
    assert np.hypot(*at_pivot[:2]) < 0.003 * abs(pivot_mm)


def test_speeds_of_eyes_are_drawn_from_their_published_spread():
    """The spread of 400 eyes is that of the media; without it every eye has the convention."""
    tables = {"eye": {"model": "population", "eyes": 400, "speed_spread": 1.0}}
    eyes = [Synthesis(tables, seed=5).eye(k) for k in range(400)]
    for name in ("cornea", "aqueous", "lens", "vitreous"):
        speeds = [
            medium(name).speed_m_per_s + e.speed_errors[name] * medium(name).speed_u_m_per_s
            for e in eyes
        ]
        # Three standard errors of a mean and of a standard deviation (Student, 1908).
        u = medium(name).speed_u_m_per_s
        assert np.mean(speeds) == pytest.approx(medium(name).speed_m_per_s, abs=3 * u / 20)
        assert np.std(speeds) == pytest.approx(u, rel=3 / np.sqrt(800))
    assert np.std([e.temperature_c for e in eyes]) == pytest.approx(0.5, rel=3 / np.sqrt(800))
    plain = Synthesis({"eye": {"model": "population", "eyes": 3}}, seed=5)
    assert not plain.eye(2).speed_errors
    assert plain.eye(2).temperature_c == 37.0
    assert "temperature_c" not in plain.block(0, 1).truth.columns


def test_the_truth_says_the_speeds_that_made_the_delays():
    """Delay of each segment on the axis: twice its length over its speed (ASTM E797)."""
    tables = {
        "eye": {"speed_spread": 1.0},
        "pose": STILL,
        "receiver": {"jitter_ns": 0.0},
    }
    made = Synthesis(tables, seed=4)
    eye, recording = made.eye(0), made.block(0, 1)
    delay = dict(zip(recording.truth.interfaces, recording.truth.delay_us[0], strict=True))
    ends = ("cornea_front", "cornea_back", "lens_front", "lens_back", "retina")
    names = ("cornea", "aqueous", "lens", "vitreous")
    for name, first, last in zip(names, ends[:-1], ends[1:], strict=True):
        speed = recording.truth.columns[f"{name}_speed_m_per_s"][0]
        length = 5e-4 * speed * (delay[last] - delay[first])
        assert length == pytest.approx(getattr(eye, f"{name}_mm"), abs=1e-6)
        assert speed != medium(name).speed_m_per_s
