"""The table of what holds elsewhere: its rows, what counts as wrong, and a small part of it."""

import numpy as np
import pytest

from echotrace.chain.measure import measure
from echotrace.fitting.distribution_shift import ROWS, RowResult, measure_row, shift_table
from echotrace.fitting.sitting_draws import HANDS, PIVOTS, draw_sitting, sitting_table

pytestmark = pytest.mark.compiled


# Behind the corneal vertex: both nodal points of Gullstrand's eye; the eye's centre of rotation,
# which a wandering gaze turns it about (handbook values, from memory). A wrist is in front of it.
WHERE_MM = {
    "nodal point": (7.08, 7.33),
    "rotation": (13.0, 14.0),
    "gaze": (13.0, 14.0),
    "wrist": (-100.0, -5.0),
}


def _row(name):
    return next(row for row in ROWS if row.name == name)


def test_every_row_is_there_once():
    names = [row.name for row in ROWS]
    assert len(set(names)) == len(names) == 19
    assert [row.name for row in ROWS if row.cannot_tell] == ["speeds of the eye 1 % higher"]


def test_a_drawn_sitting_says_its_length_and_what_is_read_of_it():
    """Read at the convention's speeds: each segment times convention over true speed."""
    drawn = draw_sitting(3, 1)
    eye, truth = drawn.synthesis.eye(0), drawn.synthesis.block(0, 1).truth
    assert drawn.state == "phakic"
    assert drawn.length_mm == eye.axial_length_mm
    speeds = {"cornea": 1641.0, "aqueous": 1532.0, "lens": 1641.0, "vitreous": 1532.0}
    read = sum(
        getattr(eye, f"{name}_mm") * speed / truth.columns[f"{name}_speed_m_per_s"][0]
        for name, speed in speeds.items()
    )
    assert drawn.read_mm == pytest.approx(read, abs=1e-9)
    assert drawn.read_mm != drawn.length_mm
    plain = draw_sitting(3, 1, speed_spread=0.0)
    assert plain.read_mm == pytest.approx(plain.length_mm, abs=1e-9)


def test_hands_turn_about_every_pivot_and_press_as_published():
    drawn = [
        sitting_table(5, k, scans=2, changes={"method": {"kind": "contact"}}) for k in range(400)
    ]
    share = {name: sum(hand == name for _, hand in drawn) / 400 for name in HANDS}
    # Four standard errors of a share of a fifth, and none left out.
    assert all(share[name] == pytest.approx(0.2, abs=0.08) for name in PIVOTS)
    assert min(share.values()) > 0.0
    for table, hand in drawn:
        nearest, farthest = WHERE_MM.get(hand, (0.0, 0.0))
        assert nearest <= table["pose"].get("pivot_mm", 0.0) <= farthest
    oblique = [table["pose"].get("kind") == "oblique" for table, _ in drawn]
    assert np.mean(oblique) == pytest.approx(0.35 * 0.92, abs=4 * np.sqrt(0.22 / 400))
    pressed = [np.mean([scan["compression_mm"] for scan in table["scan"]]) for table, _ in drawn]
    # Three standard errors of a mean about 0.20 mm with 0.26 between eyes.
    assert np.mean(pressed) == pytest.approx(0.20, abs=3 * 0.26 / np.sqrt(400))
    assert np.max(pressed) <= 1.0


def test_gel_is_drawn_up_to_a_millimetre_and_a_half():
    gel_mm = [sitting_table(6, k)[0]["method"]["couplant_mm"] for k in range(300)]
    assert min(gel_mm) < 0.05
    assert 1.45 < max(gel_mm) <= 1.5


@pytest.fixture(scope="module")
def in_gel():
    """What is told behind gel that sound crosses as fast as a cornea."""
    changes = {key: dict(values) for key, values in _row("gel of 0.5 mm").changes.items()}
    drawn = [draw_sitting(7001, number, changes=changes) for number in range(4)]
    return [measure(sitting.recording) for sitting in drawn]


def test_no_sitting_in_gel_is_accepted_without_a_warning(in_gel):
    """Gel that is told is rejected; of a sitting that is not, the warning says so."""
    told = [result.has_finding("fluid_before_cornea") for result in in_gel]
    assert sum(rows.all() for rows in told) >= 2
    for result, rows in zip(in_gel, told, strict=True):
        assert not result.accepted[rows].any()
        if result.accepted.any():
            assert result.has_finding("fluid_not_excluded").any()


def test_no_scan_in_gel_is_accepted_without_a_warning(in_gel):
    for result in in_gel:
        assert result.has_finding("fluid_not_excluded")[result.accepted].all()


def test_speeds_are_wrong_by_what_they_are_off():
    """All speeds 1 % higher: 0.2 mm and more in any eye, which no echo shows."""
    found = measure_row(_row("speeds of the eye 1 % higher"), 7001, 4)
    assert found.accepted > 0
    assert found.wrong == found.accepted


def test_an_envelope_in_decibels_is_refused_or_rejected():
    found = measure_row(_row("envelope in decibels"), 7001, 4)
    assert found.accepted == 0


def test_the_table_has_a_line_for_each_row():
    result = RowResult(
        row=_row("8 bits"), scans=5, refused=1, accepted=3, wrong=2, silent=1,
        intervals={"contact": 0, "immersion": 4}, held={"contact": 0, "immersion": 3},
    )  # fmt: skip
    lines = shift_table([result]).splitlines()
    assert len(lines) == 3
    assert lines[2] == "| 8 bits | 5 | 1 | 3 | 2 | 1 | – | 3 of 4 |"
    assert len({line.count("|") for line in lines}) == 1
