"""A scan is judged alone and in its sitting, and both judgements stay to be read."""

import dataclasses

import numpy as np
import pytest
import scipy.special

import echotrace as et
from echotrace.chain.block import measure_block, prepare
from echotrace.chain.corrections import correct_by_sittings
from echotrace.chain.sitting_judgement import judged_in_sittings, warned_of_fluid
from echotrace.files.measurement_file import write_measurement
from echotrace.fitting.trials import echo_again, in_scan, trial
from echotrace.quality.findings import bits_of
from echotrace.quality.limits import QualityLimits
from echotrace.quality.score import shipped_models
from echotrace.quality.sitting_evidence import (
    SITTING_DIRECTIONS,
    SITTING_FEATURES,
    right_in_sitting,
    sitting_features,
    votes_beside,
)
from echotrace.report.measured_text import scan_rows
from echotrace.synthesis.compose import synthesise


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
    right = result.length_right_in_sitting
    assert right[1] < et.Settings().quality.min_length_right_in_sitting < right[[0, 2, 3, 4]].min()
    header, rows = scan_rows(result, range(5))
    assert [row[header.index("accepted")] for row in rows] == [
        "yes", "no (yes alone)", "yes", "yes", "yes"
    ]  # fmt: skip
    shown = [row[header.index("length right")] for row in rows]
    assert shown == [">0.99" if value >= 0.995 else f"{value:.2f}" for value in right]
    assert len({*shown}) > 1
    about = result.to_records()
    assert [record["length_right_in_sitting"] for record in about] == right.tolist()
    assert [record["accepted_alone"] for record in about] == [True] * 5
    assert not about[1]["accepted"]


def test_the_file_keeps_both_judgements(apart, tmp_path):
    result = et.measure(apart)
    write_measurement(result, tmp_path / "one.h5")
    again = et.read_measurement(tmp_path / "one.h5")
    assert np.array_equal(again.accepted_alone, result.accepted_alone)
    assert np.array_equal(again.accepted, result.accepted)
    assert np.array_equal(again.length_right_in_sitting, result.length_right_in_sitting)
    assert again.finding_list(1) == result.finding_list(1)


def test_a_scan_by_itself_is_judged_by_itself(apart):
    for rows in ([1], [0, 1]):
        some = apart.select(rows)
        result = et.measure(some)
        assert np.array_equal(result.accepted, measure_block(some, prepare(some)).accepted)
        assert np.array_equal(result.accepted, result.accepted_alone)
        assert np.array_equal(result.length_right_in_sitting, result.length_right)
        assert "sitting_distance" not in result.features


def test_what_a_person_decided_stays(apart):
    kept = et.measure(apart, decisions=et.Decisions(accept={1: "seen"}, reject={0: "a lid"}))
    assert kept.accepted.tolist() == [False, True, True, True, True]
    assert kept.decided_by.tolist() == [1, 1, 0, 0, 0]
    assert not kept.has_finding("apart_from_sitting").any()


def test_the_order_of_the_scans_does_not_matter(apart):
    straight, turned = et.measure(apart), et.measure(apart.select([4, 1, 0, 3, 2]))
    for name in (*SITTING_FEATURES, "accepted_alone"):
        np.testing.assert_array_equal(
            turned.features[name], straight.features[name][[4, 1, 0, 3, 2]]
        )


def test_features_of_a_sitting_are_counts_and_distances():
    """Against a plain search, scan by scan; a corrected scan does not vouch for others."""
    rng = np.random.default_rng(11)
    spread = np.array([0.03, 0.1])
    own = rng.choice([16.6, 16.65, 17.3, np.nan], (20, 5, 2)) + 0.01 * rng.normal(size=(20, 5, 2))
    now = own.copy()
    now[:, 2, 0] = 16.6
    found = sitting_features(now, own, spread)
    whole, whole_own = now.sum(axis=2), own.sum(axis=2)
    for s, i in np.ndindex(20, 5):
        rest = np.delete(whole_own[s], i)
        rest = rest[np.isfinite(rest)]
        there = rest.size >= 2 and np.isfinite(whole[s, i])
        apart = abs(whole[s, i] - np.median(rest)) if there else np.nan
        alike = np.mean(np.abs(rest - whole[s, i]) <= 0.1) if there else np.nan
        assert found["sitting_length_apart_mm"][s, i] == pytest.approx(apart, rel=1e-4, nan_ok=True)
        assert found["sitting_alike_share"][s, i] == pytest.approx(alike, rel=1e-6, nan_ok=True)
    for s, i in np.ndindex(20, 5):
        best = (-1.0, 0, 0)
        for k in range(2):
            rest = np.delete(own[s, :, k], i)
            rest = np.sort(rest[np.isfinite(rest)])
            groups = [rest[np.abs(rest - x) <= 3.0 * spread[k]] for x in rest]
            largest = max(groups, key=len, default=rest)
            if largest.size < 2 or not np.isfinite(now[s, i, k]):
                continue
            off = abs(now[s, i, k] - np.median(largest)) / spread[k]
            near = int((np.abs(rest - now[s, i, k]) <= 3.0 * spread[k]).sum())
            best = max(best, (off, largest.size, near), key=lambda one: one[0])
        if best[0] < 0.0:
            assert all(np.isnan(found[name][s, i]) for name in SITTING_FEATURES[:3])
            continue
        assert found["sitting_distance"][s, i] == pytest.approx(best[0], rel=1e-5)
        assert (found["sitting_against"][s, i], found["sitting_agreeing"][s, i]) == best[1:]


def test_a_doubtful_scan_that_agrees_with_its_sitting_is_held():
    """The same scans, judged by hand-made features: agreement holds what distance would not."""
    result = et.measure(et.read("synthetic_traces/immersion_sitting.h5")).select(np.arange(6))
    limits = et.Settings().quality
    doubtful = np.uint64(1 << list(result.finding_names).index("length_doubtful"))
    nats = np.float32(1.2)
    features = dict(result.features)
    features["length_right_nats"] = np.full(6, nats)
    features["length_right"] = np.full(6, 1 / (1 + np.exp(-nats)), np.float32)
    alone = dataclasses.replace(
        result,
        features=features,
        length_right=features["length_right"].astype(float),
        findings=np.full(6, doubtful),
        accepted=np.zeros(6, bool),
    )
    ones = np.ones(6, np.float32)
    near = {
        "sitting_distance": 0.2 * ones,
        "sitting_against": 5 * ones,
        "sitting_agreeing": 5 * ones,
        "sitting_length_apart_mm": 0.005 * ones,
        "sitting_alike_share": ones,
        "sitting_longer_mm": np.nan * ones,
        "sitting_votes": 0.9 * ones,
        "sitting_peer_nats": 4.0 * ones,
    }
    held = judged_in_sittings(alone, near, limits, length_apart_mm=0.005 * ones)
    level = dataclasses.replace(
        limits, min_length_right_in_sitting=float(held.length_right_in_sitting[0]) - 1e-3
    )
    held = judged_in_sittings(alone, near, level, length_apart_mm=0.005 * ones)
    assert level.min_length_right_in_sitting > held.length_right[0]
    assert held.accepted.all()
    assert not held.accepted_alone.any()
    assert held.finding_list(0) == ("held_by_sitting",)
    header, rows = scan_rows(held, [0])
    assert rows[0][header.index("accepted")] == "yes (no alone)"
    far = near | {"sitting_length_apart_mm": 0.8 * ones, "sitting_alike_share": 0 * ones}
    far |= {"sitting_votes": -0.9 * ones, "sitting_peer_nats": -4.0 * ones}
    apart = judged_in_sittings(alone, far, level, length_apart_mm=0.8 * ones)
    assert not apart.accepted.any()
    assert apart.finding_list(0) == ("length_doubtful",)
    # What another finding rejects is not held.
    low = np.uint64(1 << list(result.finding_names).index("retina_low"))
    other = judged_in_sittings(
        dataclasses.replace(alone, findings=alone.findings | low),
        near,
        level,
        length_apart_mm=0.005 * ones,
    )
    assert not other.accepted.any()
    assert not other.has_finding("held_by_sitting").any()


@pytest.mark.parametrize(("pressed", "some_silent"), [(False, False), (True, False), (True, True)])
def test_votes_are_probabilities_of_those_that_agree_less_the_rest(pressed, some_silent):
    """Against a plain loop.

    Pressed harder by any amount agrees; longer by more than twice what two scans differ by, not.
    Pressing: 0.14 mm within an eye, Ademola-Popoola 2016.
    """
    rng = np.random.default_rng(5)
    own = 23.0 + rng.choice([0.0, 0.04, 0.3, np.nan], (30, 5)) + 0.01 * rng.normal(size=(30, 5))
    now = own.copy()
    now[:, 1] = 23.02
    nats = rng.normal(1.0, 2.0, (30, 5))
    before = rng.choice([3.0, 3.35, 3.45], (30, 5))
    silent = rng.random((30, 5)) < 0.6 if some_silent else np.zeros((30, 5), np.bool_)
    found = votes_beside(
        now, own, nats,
        pressed_mm=(before, before) if pressed else None,
        silent=silent if some_silent else None,
    )  # fmt: skip
    for s, i in np.ndindex(30, 5):
        votes, peers, known, speaking = 0.0, [], 0, 0
        for j in range(5):
            if j == i or np.isnan(own[s, j]):
                continue
            known += 1
            if silent[s, j]:
                continue
            speaking += 1
            near = abs(own[s, j] - now[s, i]) <= 0.1
            near &= not pressed or before[s, i] - before[s, j] <= 2.0 * np.hypot(0.14, 0.14)
            votes += (1 if near else -1) * scipy.special.expit(nats[s, j])
            peers += [nats[s, j]] if near else []
        if known < 2 or not speaking or np.isnan(now[s, i]):
            assert np.isnan([found[name][s, i] for name in found]).all()
            continue
        assert found["sitting_votes"][s, i] == pytest.approx(votes / known, abs=1e-5)
        expected = np.mean(peers) if peers else -4.0
        assert found["sitting_peer_nats"][s, i] == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("name", ["immersion_sitting", "aphakic"])
def test_votes_of_a_sitting_that_agrees_are_what_its_scans_say_alone(name):
    """All lengths agree: the mean of the others' probabilities and log-odds."""
    recording = et.read(f"synthetic_traces/{name}.h5").select(slice(0, 5))
    alone, result = measure_block(recording, prepare(recording)), et.measure(recording)
    for k in range(5):
        rest = np.delete(np.arange(5), k)
        votes, peer = (result.features[key][k] for key in ("sitting_votes", "sitting_peer_nats"))
        assert votes == pytest.approx(alone.length_right[rest].mean(), abs=1e-5)
        assert peer == pytest.approx(alone.features["length_right_nats"][rest].mean(), abs=1e-4)


def test_agreement_can_only_help_and_distance_only_harm():
    """The table rises and falls as its directions say, and is read off the shipped file."""
    model = shipped_models()["in_sitting"]
    assert {term.feature for term in model.terms} <= set(SITTING_DIRECTIONS)
    for term in model.terms:
        assert (SITTING_DIRECTIONS[term.feature] * np.diff(term.nats) >= 0.0).all()
    one = {"length_right": 0.6, "length_right_nats": 0.4}
    one |= {"sitting_length_apart_mm": 0.01, "sitting_alike_share": 1.0, "sitting_longer_mm": 0.0}
    one |= {"sitting_votes": 0.75, "sitting_peer_nats": 2.0}
    base = {name: np.float32([value]) for name, value in one.items()}
    apart = {
        "sitting_length_apart_mm": np.float32([0.8]),
        "sitting_alike_share": np.float32([0.0]),
        "sitting_votes": np.float32([-0.75]),
        "sitting_peer_nats": np.float32([-4.0]),
    }
    assert right_in_sitting(base | apart)[0] < 0.5 < right_in_sitting(base)[0]
    assert right_in_sitting(base | {"length_right": np.float32([0.0])})[0] == 0.0
    # Gel: all behind the chamber agrees, and the chamber alone is longer.
    in_gel = base | {
        "sitting_longer_mm": np.float32([0.8]),
        "sitting_votes": np.float32([-0.75]),
        "sitting_peer_nats": np.float32([-4.0]),
    }
    assert right_in_sitting(in_gel)[0] < 0.3 * right_in_sitting(base)[0]
    # Without a lens nothing lies behind a chamber; what the chamber says is heard.
    no_lens = base | dict.fromkeys(apart, np.float32([np.nan]))
    assert right_in_sitting(no_lens | {"sitting_longer_mm": np.float32([1.0])})[0] < 0.6
    unheard = no_lens | {"sitting_longer_mm": np.float32([np.nan])}
    assert right_in_sitting(unheard)[0] == base["length_right"][0]


def test_a_scan_for_which_none_may_vouch_gains_nothing():
    """Others that are silent lower a probability and never raise it, and its level is its own."""
    limits = QualityLimits()
    recording = et.read("synthetic_traces/contact_sitting.h5").select(slice(0, 5))
    alone = measure_block(recording, prepare(recording))
    seen = {name: np.full(5, np.nan, np.float32) for name in SITTING_FEATURES}
    seen |= {
        "sitting_length_apart_mm": np.zeros(5, np.float32),
        "sitting_alike_share": np.ones(5, np.float32),
        "sitting_longer_mm": np.zeros(5, np.float32),
    }
    between = 0.5 * (limits.min_length_right + limits.min_length_right_in_sitting)
    for p, accepted in ((between, True), (limits.min_length_right - 1e-3, False)):
        doubtful = bits_of(["length_doubtful"])
        given = dataclasses.replace(
            alone,
            features={
                **alone.features,
                "length_right": np.full(5, p, np.float32),
                "length_right_nats": np.full(5, np.log(p / (1.0 - p)), np.float32),
            },
            findings=np.zeros(5, np.uint64) if accepted else np.full(5, doubtful, np.uint64),
            accepted=np.full(5, accepted),
        )
        held = judged_in_sittings(given, seen, limits, length_apart_mm=np.zeros(5))
        assert (held.length_right_in_sitting <= np.float32(p)).all()
        assert held.accepted.tolist() == [accepted] * 5
        apart = seen | {"sitting_longer_mm": np.full(5, 1.0, np.float32)}
        assert not judged_in_sittings(
            given, apart, limits, length_apart_mm=np.zeros(5)
        ).accepted.any()


def test_a_segment_apart_that_leaves_the_length_is_no_reason(apart):
    """An echo of the lens taken for its back moves both sides of it, and the length by 0.02 mm."""
    result = measure_block(apart, prepare(apart))
    limits = QualityLimits()
    seen = {name: np.full(5, 4.0, np.float32) for name in SITTING_FEATURES}
    seen["sitting_distance"][:2] = 1.01 * limits.max_sitting_distance
    seen["sitting_longer_mm"][:] = np.nan
    judged = judged_in_sittings(
        result, seen, limits, length_apart_mm=np.array([0.02, 0.2, 0.2, 0.0, 0.0])
    )
    assert judged.has_finding("apart_from_sitting").tolist() == [False, True, False, False, False]
    assert judged.accepted.tolist() == [True, False, True, True, True]


def test_an_oblique_sitting_refuses_the_scan_that_it_contradicts():
    """By either choice: 0.24 mm apart from four scans that agree, of which one is accepted.

    By itself it is nearly accepted; with the others it is more likely wrong than right.
    """
    recording = et.read("synthetic_traces/immersion_oblique.h5")
    for choice in ("jointly", "gate_by_gate"):
        picking = dataclasses.replace(et.Settings().picking, choice=choice)
        result = et.measure(recording, dataclasses.replace(et.Settings(), picking=picking))
        assert result.length_right[4] > 0.8
        assert result.length_right_in_sitting[4] < 0.5
        assert result.has_finding("apart_from_sitting").tolist() == [False] * 4 + [True]
        assert result.accepted.tolist() == [False, False, True, False, False]


def test_gel_under_one_scan_is_doubted_by_its_sitting():
    """Five contact scans, one with gel that sound crosses as fast as a cornea: 0.9 mm too long."""
    table = {
        "method": {"kind": "contact", "couplant_mm": 0.9},
        "artefacts": {"couplant": 0.0},
        "scan": [{"number": 3, "artefacts": ["couplant"]}],
    }
    recording = synthesise(table, seed=4, count=5)
    result = et.measure(recording)
    longer_mm = result.features["sitting_longer_mm"]
    gel_mm = result.axial_length_mm[2] - np.median(np.delete(result.axial_length_mm, 2))
    assert not result.accepted[2]
    assert longer_mm[2] == pytest.approx(gel_mm, abs=0.05)
    assert np.abs(np.delete(longer_mm, 2)).max() < 0.3
    immersion = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    assert np.isnan(immersion.features["sitting_longer_mm"]).all()


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
