"""A scan is judged alone and in its sitting, and both judgements stay to be read."""

import dataclasses

import numpy as np
import pytest

import echotrace as et
from echotrace.chain.block import measure_block, prepare
from echotrace.chain.corrections import correct_by_sittings
from echotrace.chain.sitting_judgement import judged_in_sittings, warned_of_fluid
from echotrace.files.measurement_file import write_measurement
from echotrace.fitting.trials import echo_again, in_scan, trial
from echotrace.quality.limits import QualityLimits
from echotrace.quality.sitting_evidence import SITTING_FEATURES, sitting_features
from echotrace.report.measured_text import scan_rows
from echotrace.signal.agreement_of_scans import AGREE_SPREADS


@pytest.fixture(scope="module")
def apart():
    """Five scans; an echo of a membrane passes for the retina in the second."""
    return trial("one apart", in_scan(1, echo_again("retina", -1.0, 0.7))).recording(5)


def test_the_scan_that_stands_apart_is_rejected_in_its_sitting_and_says_it_stood_alone(apart):
    alone = measure_block(apart, prepare(apart))
    result = et.measure(apart)
    assert alone.accepted.all()
    assert abs(alone.axial_length_mm[1] - apart.truth.columns["beam_length_mm"][1]) > 0.5
    assert np.array_equal(result.axial_length_mm, alone.axial_length_mm)
    assert result.accepted.tolist() == [True, False, True, True, True]
    assert result.accepted_alone.all()
    assert result.has_finding("apart_from_sitting").tolist() == [False, True] + [False] * 3
    assert np.array_equal(result.length_right, alone.length_right)
    assert result.features["sitting_distance"][1] > 20.0
    assert result.features["sitting_against"][1] == 4.0
    header, rows = scan_rows(result, range(5))
    assert [row[header.index("accepted")] for row in rows] == [
        "yes", "no (yes alone)", "yes", "yes", "yes"
    ]  # fmt: skip
    about = result.to_records()
    assert [record["accepted_alone"] for record in about] == [True] * 5
    assert not about[1]["accepted"]


def test_the_file_keeps_both_judgements(apart, tmp_path):
    result = et.measure(apart)
    write_measurement(result, tmp_path / "one.h5")
    again = et.read_measurement(tmp_path / "one.h5")
    assert np.array_equal(again.accepted_alone, result.accepted_alone)
    assert np.array_equal(again.accepted, result.accepted)
    assert again.finding_list(1) == result.finding_list(1)


def test_a_scan_by_itself_is_judged_by_itself(apart):
    for rows in ([1], [0, 1]):
        some = apart.select(rows)
        result = et.measure(some)
        assert np.array_equal(result.accepted, measure_block(some, prepare(some)).accepted)
        assert np.array_equal(result.accepted, result.accepted_alone)
        assert "sitting_distance" not in result.features


def test_what_a_person_decided_stays(apart):
    kept = et.measure(apart, decisions=et.Decisions(accept={1: "seen"}, reject={0: "a lid"}))
    assert kept.accepted.tolist() == [False, True, True, True, True]
    assert kept.decided_by.tolist() == [1, 1, 0, 0, 0]
    assert not kept.has_finding("apart_from_sitting").any()


def test_the_order_of_the_scans_does_not_matter(apart):
    straight, turned = et.measure(apart), et.measure(apart.select([4, 1, 0, 3, 2]))
    for name in (*SITTING_FEATURES, "accepted_alone"):
        assert np.array_equal(turned.features[name], straight.features[name][[4, 1, 0, 3, 2]])


def test_features_of_a_sitting_are_counts_and_distances():
    """Against a plain search, scan by scan; a corrected scan does not vouch for others."""
    rng = np.random.default_rng(11)
    spread = np.array([0.03, 0.1])
    own = rng.choice([16.6, 16.65, 17.3, np.nan], (20, 5, 2)) + 0.01 * rng.normal(size=(20, 5, 2))
    now = own.copy()
    now[:, 2, 0] = 16.6
    found = sitting_features(now, own, spread)
    for s, i in np.ndindex(20, 5):
        best = (-1.0, 0, 0)
        for k in range(2):
            rest = np.delete(own[s, :, k], i)
            rest = np.sort(rest[np.isfinite(rest)])
            groups = [rest[np.abs(rest - x) <= AGREE_SPREADS * spread[k]] for x in rest]
            largest = max(groups, key=len, default=rest)
            if largest.size < 2 or not np.isfinite(now[s, i, k]):
                continue
            off = abs(now[s, i, k] - np.median(largest)) / spread[k]
            near = int((np.abs(rest - now[s, i, k]) <= AGREE_SPREADS * spread[k]).sum())
            best = max(best, (off, largest.size, near), key=lambda one: one[0])
        if best[0] < 0.0:
            assert all(np.isnan(found[name][s, i]) for name in SITTING_FEATURES)
            continue
        assert found["sitting_distance"][s, i] == pytest.approx(best[0], rel=1e-5)
        assert (found["sitting_against"][s, i], found["sitting_agreeing"][s, i]) == best[1:]


def test_four_others_are_asked_for(apart):
    """In a sitting of four nothing is rejected for it, however far it stands."""
    result = et.measure(apart.select([0, 1, 2, 3]))
    assert result.accepted.all()
    assert result.features["sitting_distance"][1] > 10.0
    assert result.features["sitting_against"][1] == 3.0
    limits = dataclasses.replace(et.Settings().quality, max_sitting_distance=900.0)
    lenient = et.measure(apart, dataclasses.replace(et.Settings(), quality=limits))
    assert lenient.accepted.all()


def test_a_segment_apart_that_leaves_the_length_is_no_reason(apart):
    """An echo of the lens taken for its back moves both sides of it, and the length by 0.02 mm."""
    result = measure_block(apart, prepare(apart))
    limits = QualityLimits()
    seen = {name: np.full(5, 4.0, np.float32) for name in SITTING_FEATURES}
    seen["sitting_distance"][:2] = 1.01 * limits.max_sitting_distance
    judged = judged_in_sittings(
        result, seen, limits, length_apart_mm=np.array([0.02, 0.2, 0.2, 0.0, 0.0])
    )
    assert judged.has_finding("apart_from_sitting").tolist() == [False, True, False, False, False]
    assert judged.accepted.tolist() == [True, False, True, True, True]


def test_an_oblique_sitting_refuses_the_scan_that_it_contradicts():
    """By either choice: 0.24 mm apart from four scans that agree, of which one is accepted."""
    recording = et.read("synthetic_traces/immersion_oblique.h5")
    for choice in ("jointly", "gate_by_gate"):
        picking = dataclasses.replace(et.Settings().picking, choice=choice)
        result = et.measure(recording, dataclasses.replace(et.Settings(), picking=picking))
        assert result.accepted_alone[4]
        assert result.has_finding("apart_from_sitting").tolist() == [False] * 4 + [True]
        assert result.accepted.tolist() == [False, False, True, False, False]


def test_no_sitting_no_second_judgement_for_what_is_no_eye():
    recording = et.read("synthetic_traces/immersion_sitting.h5")
    plate = dataclasses.replace(recording, target="plate", truth=None)
    segment = et.Segment(
        name="glass", medium=et.medium("pmma"), mean_mm=15.0, sd_mm=9.0, range_mm=(0.1, 40.0)
    )
    target = et.Target(
        name="plate",
        interfaces=(et.Interface(name="front"), et.Interface(name="back")),
        segments=(segment,),
        length_from="front",
        length_to="back",
    )
    assert "accepted_alone" not in et.measure(plate, target=target).features


@pytest.mark.parametrize(
    ("unseen_us", "gap_us", "warned"),
    [
        # A back as far behind the face as a cornea is thick, and another behind it in one scan.
        ([0.0, 0.0, 0.67, 0.0, 0.0], [0.0] * 5, [0.67, 0.67, np.nan, 0.67, 0.67]),
        # What the pulse hides has another size: it says nothing of a cornea.
        ([0.0, 0.0, 1.8, 0.25, 0.0], [0.0] * 5, [np.nan] * 5),
        # Gel in one scan is that scan's; in half of the others it is the hand's.
        ([0.0] * 5, [0.0, 0.9, 0.0, 0.0, 0.0], [np.nan] * 5),
        ([0.0] * 5, [0.0, 0.9, 0.8, 0.0, 0.0], [0.9, np.nan, np.nan, 0.9, 0.9]),
        ([np.nan] * 5, [np.nan] * 5, [np.nan] * 5),
    ],
)
def test_what_the_other_scans_say_of_fluid(unseen_us, gap_us, warned):
    for order in (np.arange(5), np.array([3, 0, 4, 2, 1])):
        given = [np.array([values], np.float32)[:, order] for values in (unseen_us, gap_us)]
        found = warned_of_fluid(*given, cornea_us=(0.65, 0.05), limits=QualityLimits())
        np.testing.assert_allclose(found[0], np.array(warned)[order], rtol=1e-6)


def test_a_scan_is_warned_by_its_sitting():
    """One of five shows an echo where the back of a cornea behind fluid would stand."""
    recording = et.read("synthetic_traces/contact_sitting.h5").select(slice(0, 5))
    prepared = prepare(recording)
    alone = measure_block(recording, prepared)
    assert not alone.has_finding("fluid_not_excluded").any()
    features = dict(alone.features)
    features["fluid_unseen_us"] = np.array([0.0, 0.66, 0.0, 0.0, 0.0], np.float32)
    whole = dataclasses.replace(alone, features=features)
    result = correct_by_sittings(recording, prepared, whole)
    assert result.has_finding("fluid_not_excluded").tolist() == [True, False, True, True, True]
    assert result.accepted.tolist() == alone.accepted.tolist()
    np.testing.assert_allclose(result.features["fluid_unseen_us"], 0.66, rtol=1e-6)
    # What the block itself holds is not changed.
    assert features["fluid_unseen_us"].tolist()[2:] == [0.0, 0.0, 0.0]
