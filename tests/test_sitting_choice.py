"""A scan that disagrees with its sitting is looked at again, and says so where it is corrected."""

import dataclasses

import numpy as np
import pytest

import echotrace as et
from echotrace.chain.block import measure_block, prepare
from echotrace.chain.measure import measure_blocks
from echotrace.files.measurement_file import write_measurement
from echotrace.files.table import write_measurement_table
from echotrace.fitting.trials import echo_again, in_scan, trial
from echotrace.measurement import concatenate
from echotrace.quality.findings import describe_finding
from echotrace.recording import COLUMNS
from echotrace.signal.agreement_of_scans import agreement_of
from echotrace.signal.candidates import Candidates
from echotrace.signal.choice_plan import choice_plan, run_choice
from echotrace.signal.gates import preset_gates
from echotrace.signal.sitting_choice import EyeSeen, _Weigher, path_of_the_sitting
from echotrace.target import eye_target

SPOILT = trial("one scan with a membrane", in_scan(1, echo_again("retina", -1.5, 0.6)))


@pytest.fixture(scope="module")
def spoilt():
    return SPOILT.recording(5)


def test_the_scan_that_stands_alone_is_corrected_and_says_both_lengths(spoilt):
    alone = measure_block(spoilt, prepare(spoilt))
    result = et.measure(spoilt)
    true_mm = spoilt.truth.columns["beam_length_mm"]
    assert abs(alone.axial_length_mm[1] - true_mm[1]) > 1.0
    assert np.abs(result.axial_length_mm - true_mm).max() < 0.05
    assert result.has_finding("corrected_by_sitting").tolist() == [False, True, False, False, False]
    assert [result.corrected(k) for k in range(3)] == [False, True, False]
    one = {name: float(values[1]) for name, values in result.features.items()}
    assert one["alone_length_mm"] == pytest.approx(alone.axial_length_mm[1], abs=1e-5)
    assert one["sitting_length_mm"] == pytest.approx(result.axial_length_mm[1], abs=1e-5)
    assert one["sitting_lead_nats"] >= np.log(20.0)
    text = describe_finding("corrected_by_sitting", one)
    assert f"alone: {alone.axial_length_mm[1]:.2f} mm; with the sitting: " in text
    assert f"with the sitting: {result.axial_length_mm[1]:.2f} mm" in text
    assert result.to_records()[1]["alone_length_mm"] == one["alone_length_mm"]
    for k in (0, 2, 3, 4):
        assert result.axial_length_mm[k] == alone.axial_length_mm[k]
        assert result.findings[k] == alone.findings[k]
        assert np.isnan(result.features["alone_length_mm"][k])


def test_one_scan_by_itself_stays_as_it_is(spoilt):
    one = spoilt.select([1])
    assert et.measure(one).axial_length_mm[0] == measure_block(one, prepare(one)).axial_length_mm[0]
    two = et.measure(spoilt.select([1, 2]))
    assert not two.has_finding("corrected_by_sitting").any()


def test_the_order_of_the_scans_does_not_matter(spoilt):
    straight = et.measure(spoilt)
    for order in ([4, 3, 2, 1, 0], [1, 0, 2, 4, 3], [2, 4, 0, 3, 1]):
        turned = et.measure(spoilt.select(order))
        np.testing.assert_allclose(
            turned.axial_length_mm, straight.axial_length_mm[order], rtol=0, atol=1e-6
        )
        assert np.array_equal(turned.findings, straight.findings[order])
        assert np.array_equal(turned.accepted, straight.accepted[order])


def _several(spoilt, turn):
    """Three sittings of the same scans, one after the other or in turn."""
    rows = np.tile(np.arange(5), 3)
    sitting = np.repeat(["a", "b", "c"], 5)
    order = np.arange(15).reshape(3, 5).T.ravel() if turn else np.arange(15)
    many = spoilt.select(rows[order])
    return dataclasses.replace(many, sitting=sitting[order].tolist()), rows[order]


@pytest.mark.parametrize("turn", [False, True])
def test_blocks_do_not_matter_and_each_sitting_stands_by_itself(spoilt, turn):
    straight = et.measure(spoilt)
    many, rows = _several(spoilt, turn)
    prepared = prepare(many)
    for size in (2, 4, 16):
        parts = list(measure_blocks(many, dataclasses.replace(prepared, block_traces=size)))
        found = concatenate(parts)
        # A corrected scan is read by the reference path, whose transforms round by what else is in
        # a block on some processors.
        np.testing.assert_allclose(
            found.axial_length_mm, straight.axial_length_mm[rows], rtol=0, atol=1e-6
        )
        assert np.array_equal(found.findings, straight.findings[rows])


def test_the_reference_path_corrects_alike(spoilt):
    fused = et.measure(spoilt)
    plain = et.measure(spoilt, et.Settings(engine="plain"))
    assert np.array_equal(plain.findings, fused.findings)
    assert np.abs(plain.axial_length_mm - fused.axial_length_mm).max() < 1e-4


def test_what_a_person_set_is_never_corrected(spoilt):
    alone = measure_block(spoilt, prepare(spoilt))
    at_us = float(alone.delay_us[1, alone.interfaces.index("retina")])
    for decisions in (
        et.Decisions(picks={1: {"retina": at_us}}),
        et.Decisions(gates={1: {"retina": (at_us - 0.3, at_us + 0.3)}}),
    ):
        result = et.measure(spoilt, decisions=decisions)
        assert not result.has_finding("corrected_by_sitting").any()
        assert result.axial_length_mm[1] == pytest.approx(alone.axial_length_mm[1], abs=0.01)
    rejected = et.measure(spoilt, decisions=et.Decisions(reject={1: "a membrane"}))
    assert rejected.corrected(1)
    assert not rejected.accepted[1]
    assert rejected.decided_by[1] == 1


def test_gates_of_the_settings_bind_and_gate_by_gate_is_left_alone(spoilt):
    table = {"picking": {"choice": "gate_by_gate"}}
    by_gates = et.Settings.from_table(table)
    assert not et.measure(spoilt, by_gates).has_finding("corrected_by_sitting").any()
    alone = measure_block(spoilt, prepare(spoilt))
    at_us = float(alone.delay_us[1, alone.interfaces.index("retina")])
    gate = {"interface": "retina", "start_us": at_us - 0.4, "stop_us": 60.0}
    bound = et.Settings.from_table({"gate": [gate]})
    changed = et.measure(spoilt, bound).has_finding("corrected_by_sitting")
    assert not changed.any()


def test_the_file_keeps_it(spoilt, tmp_path):
    result = et.measure(spoilt)
    write_measurement(result, tmp_path / "one.h5")
    again = et.read_measurement(tmp_path / "one.h5")
    assert again.corrected(1)
    assert np.array_equal(
        again.features["alone_length_mm"], result.features["alone_length_mm"], equal_nan=True
    )
    write_measurement_table(result, tmp_path / "one.csv")
    text = (tmp_path / "one.csv").read_text()
    assert "corrected_by_sitting" in text
    assert "alone_length_mm" in text


def test_the_score_of_a_path_is_what_the_kernels_add_up():
    """The lead of the best path over the next is the difference of both scores."""
    rng = np.random.default_rng(5)
    eye = eye_target("phakic")
    checked = 0
    for first_us in (np.nan, 1.0):
        method = "immersion" if np.isnan(first_us) else "contact"
        plan = choice_plan(preset_gates(eye, method), eye, jointly=True, first_us=first_us)
        for _ in range(40):
            front = 10.0 if np.isnan(first_us) else 1.0
            at = front + np.array([0.0, 0.68, 4.6, 9.5, 31.2, 32.0]) + 0.02 * rng.normal(size=6)
            at = np.sort(np.append(at, rng.uniform(front + 1.0, 45.0, 3)))[None]
            n = at.shape[1]
            level = rng.uniform(30.0, 60.0, (1, n)).astype(np.float32)
            before = rng.uniform(-20.0, 20.0, (1, n)).astype(np.float32)
            wide = rng.uniform(0.0, 0.4, (1, n)).astype(np.float32)
            samples = np.arange(n, dtype=np.int32)[None]
            echoes = Candidates(np.array([n], np.int32), samples, at, level, before, wide)
            (best,), (margin,) = run_choice(plan, echoes)
            weigh = _Weigher(echoes, plan)
            seen = np.full(5, np.nan)
            # The best path with another retina is what a sitting that saw that one proposes.
            for j in range(n):
                through = at[0, j] - weigh.delays(best)[3]
                if j == best[4] or best[3] < 0 or not 13.0 < through < 38.0:
                    continue
                seen = np.full(5, np.nan)
                seen[3] = through
                path = path_of_the_sitting(
                    echoes, plan, EyeSeen(seen, np.full(5, 0.003)), least_lead_nats=-np.inf
                )
                if path is None or path.candidate[3] != best[3]:
                    continue
                # No other path with another echo there is better than by the margin.
                assert path.loss_nats >= margin[4] - 1e-3
                checked += abs(path.loss_nats - margin[4]) < 1e-3
    assert checked > 10


def test_agreement_is_that_of_the_largest_group_of_the_others():
    """Against a plain search; alike are those within three spreads (common practice, no source)."""
    rng = np.random.default_rng(3)
    spread = np.array([0.03, 0.1])
    lengths = rng.choice([16.6, 16.65, 17.3, 18.2, np.nan], (30, 5, 2)) + 0.01 * rng.normal(
        size=(30, 5, 2)
    )
    found = agreement_of(lengths, spread)
    for s, i, k in np.ndindex(30, 5, 2):
        rest = np.sort(np.delete(lengths[s, :, k], i))
        rest = rest[np.isfinite(rest)]
        groups = [rest[np.abs(rest - x) <= 3.0 * spread[k]] for x in rest]
        largest = max(groups, key=len, default=rest)
        assert found.others[s, i, k] == rest.size
        if largest.size < 2:
            assert found.agreeing[s, i, k] == 0
            assert np.isnan(found.centre_mm[s, i, k])
        else:
            assert found.agreeing[s, i, k] == largest.size
            assert found.centre_mm[s, i, k] == pytest.approx(np.median(largest), abs=1e-12)


def test_two_against_two_decide_nothing():
    """Half of the others is no majority, however well they agree."""
    recording = trial("a good sitting").recording(5)
    membrane = echo_again("retina", -1.5, 0.6)
    for scan in (0, 1):
        recording = in_scan(scan, membrane)(recording)
    four = recording.select([0, 1, 2, 3])
    result = et.measure(four)
    assert not result.has_finding("corrected_by_sitting").any()


def _of_both_eyes(spoilt, other, **labels):
    """The sitting and another of the same person, in one recording."""
    rows = np.concatenate([np.asarray(spoilt.samples), np.asarray(other.samples)])
    n, m = spoilt.n_traces, other.n_traces
    columns = {name: getattr(spoilt, name)[0] for name in COLUMNS} | {"subject": "someone"}
    columns |= {name: [old] * n + [new] * m for name, (old, new) in labels.items()}
    return dataclasses.replace(spoilt, samples=rows, truth=None, gain_db=0.0, **columns)


def test_other_sittings_of_the_person_are_weighed_but_do_not_decide():
    """A sitting of the same eye, or of the other, shifts the lead; no majority, no correction."""
    spoilt = SPOILT.recording(5)
    good = trial("a good sitting").recording(5)
    shallow = trial("as spoilt", echo_again("retina", -1.5, 0.6)).recording(5)
    lead = {}
    for name, other, labels in (
        ("alone", None, {}),
        ("same eye agrees", good, {"sitting": ("1", "2")}),
        ("other eye agrees", good, {"eye": ("right", "left")}),
        ("same eye disagrees", shallow, {"sitting": ("1", "2")}),
        ("of somebody else", good, {"sitting": ("1", "2")}),
    ):
        both = spoilt if other is None else _of_both_eyes(spoilt, other, **labels)
        if name == "of somebody else":
            both = dataclasses.replace(both, subject=["one"] * 5 + ["another"] * 5)
        result = et.measure(both)
        lead[name] = float(
            result.features["sitting_lead_nats"][1] if result.corrected(1) else -np.inf
        )
    assert lead["same eye agrees"] > lead["other eye agrees"] > lead["alone"] > 3.0
    assert lead["same eye disagrees"] == -np.inf
    assert lead["of somebody else"] == pytest.approx(lead["alone"], abs=1e-6)
