"""Gates, candidates, and the joint choice against gates searched one by one."""

import itertools

import numpy as np
import pytest
import scipy
from closed_form import LE_GRAND_US, echo, eye_traces

from echotrace.errors import ParameterError
from echotrace.kernels.echoes import SearchPlan, find_rows
from echotrace.media import medium
from echotrace.recording import Method, Signal
from echotrace.signal.candidates import empty_candidates, find_echoes
from echotrace.signal.choice import choose_in_gates, choose_jointly
from echotrace.signal.choice_plan import JointChoiceSettings
from echotrace.signal.conditioning import condition
from echotrace.signal.gates import Gate, lowest_threshold_db, preset_gates, two_way_us
from echotrace.signal.picking import PickReason
from echotrace.signal.pulse import gaussian_pulse
from echotrace.target import Interface, Segment, Target, eye_target

PULSE = gaussian_pulse(1e8, 1e7, 0.6)
PHAKIC = eye_target("phakic")
NAMES = PHAKIC.interface_names
CORNEA_US = 10.0


def _candidates(rf):
    traces = condition(
        np.asarray(rf, np.float32),
        np.zeros(rf.shape, bool),
        signal=Signal.RF,
        sampling_rate_hz=1e8,
        start_delay_us=0.0,
        pulse=PULSE,
    )
    return find_echoes(traces)


def _chosen_us(candidates, choice):
    rows = np.arange(choice.candidate.shape[0])[:, None]
    delay = candidates.delay_us[rows, np.maximum(choice.candidate, 0)]
    return np.where(choice.candidate >= 0, delay, np.nan)


def _both(rf, gates=None):
    """Delays chosen jointly and gate by gate, relative to the true cornea."""
    candidates = _candidates(rf)
    gates = gates or preset_gates(PHAKIC, "immersion")
    joint = _chosen_us(candidates, choose_jointly(candidates, gates, PHAKIC))
    single = _chosen_us(candidates, choose_in_gates(candidates, gates, PHAKIC))
    return joint - CORNEA_US, single - CORNEA_US


def _right(delays, *, skip=()):
    """Share of traces in which every interface of the length is where it is."""
    wanted = [k for k in range(5) if k not in skip]
    near = np.abs(delays[:, wanted] - LE_GRAND_US[wanted]) < 0.05
    return near.all(axis=1).mean()


def test_two_way_delay():
    # ASTM E797: T = V t / 2; 1.532 mm of aqueous is 2 us.
    assert two_way_us(1.532, 1532.0) == pytest.approx(2.0)


def test_presets_hold_the_published_population():
    """Mean plus or minus three standard deviations of each segment lies inside its gate.

    28,709 cataract eyes (BMC Ophthalmology 2021): axial length 24.17 ± 2.47, chamber 3.02 ± 0.45,
    lens 4.52 ± 0.45, cornea 0.534 ± 0.04 mm.
    """
    gates = {g.interface: g for g in preset_gates(PHAKIC, "immersion")}
    for name, mean, sd, speed in (
        ("cornea_back", 0.534, 0.04, 1641.0),
        ("lens_back", 4.52, 0.45, 1641.0),
    ):
        assert gates[name].start_us <= two_way_us(mean - 3 * sd, speed)
        assert gates[name].stop_us >= two_way_us(mean + 3 * sd, speed)
    vitreous = gates["retina"]
    assert vitreous.relative_to == "lens_back"
    # Axial lengths of 17.5 mm (mean - 2.7 SD) to 36 mm with an ordinary front of the eye.
    front = 3.02 + 4.52
    assert vitreous.start_us <= two_way_us(17.5 - front, 1532.0)
    assert vitreous.stop_us >= two_way_us(36.0 - front, 1532.0)


def test_contact_has_no_gate_for_what_lies_at_the_face():
    names = [g.interface for g in preset_gates(PHAKIC, "contact")]
    assert names == ["lens_front", "lens_back", "retina", "sclera"]
    lens = preset_gates(PHAKIC, "contact")[0]
    assert lens.relative_to == "cornea_front"


def test_candidates_are_the_echoes():
    rf = eye_traces(3, seed=1, with_wall=False)
    candidates = _candidates(rf)
    assert candidates.count.tolist() == [5, 5, 5]
    for i in range(3):
        at = candidates.delay_us[i, :5] - CORNEA_US
        np.testing.assert_allclose(at, LE_GRAND_US, atol=0.011)
    assert np.abs(candidates.broadening[:, :5]).max() < 0.1
    assert (candidates.before_db[:, 0] < 15).all()
    assert (candidates.before_db[:, 1] > 50).all()


def test_candidates_against_a_slow_search():
    """The kernel against a plain search by the definition: maxima parted by a dip of 2 dB."""
    rng = np.random.default_rng(3)
    envelope = np.abs(rng.normal(size=(4, 400))).astype(np.float32)
    envelope = np.apply_along_axis(lambda r: np.convolve(r, np.hanning(9), "same"), 1, envelope)
    envelope = envelope.astype(np.float32)
    threshold = np.full(4, 2.0, np.float32)
    plan = SearchPlan(1, np.float32(0.8), 1.0, 30, 5, 2, 1.0, 0.0, 1.0)
    count, sample = np.zeros(4, np.int32), np.zeros((4, 100), np.int32)
    delay_us = np.zeros((4, 100))
    level_db, before_db, broadening = (np.zeros((4, 100), np.float32) for _ in range(3))
    find_rows(
        plan,
        envelope,
        threshold.astype(np.float64),
        count,
        sample,
        delay_us,
        level_db,
        before_db,
        broadening,
    )
    for i, row in enumerate(envelope):
        found, rising, high, low = [], True, 0, row[0]
        for k in range(1, row.size):
            if rising and row[k] > row[high]:
                high = k
            elif rising and row[k] < 0.8 * row[high]:
                if row[high] >= 2.0 and high > 0:
                    found.append(high)
                rising, low = False, row[k]
            elif not rising and row[k] < low:
                low = row[k]
            elif not rising and row[k] * 0.8 > low:
                rising, high = True, k
        assert count[i] == len(found)
        # A crest between two samples of one height lies half a sample from either, not nearer.
        np.testing.assert_allclose(delay_us[i, : count[i]], found, atol=0.501)
        for j, k in enumerate(found):
            # The parabola through three logarithms, by polynomial fit.
            fit = np.polyfit([-1, 0, 1], np.log(row[k - 1 : k + 2].astype(float)), 2)
            peak = -fit[1] / (2 * fit[0])
            assert delay_us[i, j] == pytest.approx(k + peak, abs=1e-4)
            height = np.exp(np.polyval(fit, peak))
            assert level_db[i, j] == pytest.approx(20 * np.log10(height / 2.0), abs=1e-4)
            first = max(0, k - 30)
            quiet = row[first : max(first, k - 5)]
            if quiet.size:
                expected = 20 * np.log10(quiet.max() / 2.0)
                assert before_db[i, j] == pytest.approx(expected, abs=1e-4)
            else:
                assert before_db[i, j] == -np.inf


@pytest.mark.parametrize("seed", range(3))
def test_candidates_against_scipy_prominence(seed):
    """A dip to 0.8 on both sides is a prominence of -ln 0.8 in the logarithm (scipy.signal)."""
    rng = np.random.default_rng(seed)
    shape = np.hanning(9)
    for m in (64, 301, 820):
        row = np.abs(np.convolve(rng.normal(size=(m + 8)) + 1j * rng.normal(size=m + 8), shape))
        row = row[8 : m + 8].astype(np.float32)
        for height in rng.exponential(20.0, 6):
            at, width = rng.uniform(-5.0, m + 5.0), rng.uniform(1.0, 12.0)
            row += (height * np.exp(-(((np.arange(m) - at) / width) ** 2))).astype(np.float32)
        # A peak on a flank that is cut off by the trace's start counts here, and not there.
        row[0] = 0.01
        threshold = float(np.quantile(row, 0.6))
        wanted, _ = scipy.signal.find_peaks(np.log(row), prominence=-np.log(0.8))
        wanted = wanted[row[wanted] >= threshold]
        plan = SearchPlan(1, np.float32(0.8), 1.0, 30, 5, 2, 1.0, 0.0, 1.0)
        shape_of = (1, 200)
        count, sample = np.zeros(1, np.int32), np.zeros(shape_of, np.int32)
        figures = [np.zeros(shape_of), *(np.zeros(shape_of, np.float32) for _ in range(3))]
        find_rows(plan, row[None], np.array([threshold]), count, sample, *figures)
        assert count[0] == wanted.size > 0
        np.testing.assert_allclose(figures[0][0, : count[0]], wanted, atol=0.501)  # as above


@pytest.mark.parametrize("first_us", [np.nan, 0.9])
def test_a_trace_without_any_echo_gets_no_choice(first_us):
    """No candidate at all, in plain Python too, where an index too far fails."""
    target = eye_target("phakic")
    method = Method.IMMERSION if np.isnan(first_us) else Method.CONTACT
    none = empty_candidates(2)
    none.count[:] = 0
    choice = choose_jointly(none, preset_gates(target, method), target, first_us=first_us)
    assert (choice.candidate == -1).all()


@pytest.mark.compiled
def test_noise_alone_gives_almost_no_candidates():
    rf = np.random.default_rng(0).normal(size=(300, 4096))
    # At 13 dB over one quadrature the matched noise of a whole trace passes about once in a
    # hundred traces (Rayleigh: exp(-10) for each of some 250 independent places).
    assert _candidates(rf).count.mean() < 0.05


def test_clean_eyes_are_read_both_ways():
    joint, single = _both(eye_traces(20, seed=1))
    assert _right(joint) == 1.0
    assert _right(single) == 1.0


def test_the_retina_is_the_first_rise_not_the_tallest():
    """A retina 20 dB below the wall behind it."""
    rf = eye_traces(20, seed=2, amplitudes=(1.0, 0.9, 0.6, 0.55, 0.05))
    t = np.arange(rf.shape[1]) * 0.01
    rf = rf + echo(t, CORNEA_US + LE_GRAND_US[4] + 0.7, 0.6).astype(np.float32)
    joint, single = _both(rf)
    assert _right(joint) == 1.0
    assert _right(single) == 1.0


def test_a_missing_lens_back():
    """A scatterer in the vitreous behind a lens whose back is not seen.

    Searched one by one, the gate takes the opacity for the lens's back and the retina's gate
    shifts with it; jointly, the lens would be too thick to be worth it.
    """
    rf = eye_traces(20, seed=3, skip=(3,))
    t = np.arange(rf.shape[1]) * 0.01
    rf = rf + echo(t, CORNEA_US + LE_GRAND_US[2] + 7.9, 0.05).astype(np.float32)
    joint, single = _both(rf)
    assert _right(joint, skip=(3,)) == 1.0
    assert np.isnan(joint[:, 3]).mean() == 1.0
    assert np.isnan(single[:, 3]).mean() == 0.0


def test_a_reverberation_stronger_than_the_echo():
    """A strong echo in the lens's gate, 14 dB over the lens's front, 1.2 mm in front of it."""
    rf = eye_traces(20, seed=4, amplitudes=(1.0, 0.9, 0.1, 0.1, 0.5))
    t = np.arange(rf.shape[1]) * 0.01
    rf = rf + echo(t, CORNEA_US + LE_GRAND_US[2] - 2.6, 0.5).astype(np.float32)
    joint, single = _both(rf)
    assert _right(joint) == 1.0
    assert _right(single) == 0.0


def _with(*own):
    """The presets with gates of a user's in their place."""
    names = {g.interface for g in own}
    return [*(g for g in preset_gates(PHAKIC, "immersion") if g.interface not in names), *own]


def test_a_gate_of_the_users_binds_and_a_preset_does_not():
    """A fixed retinal gate that begins behind the retina and holds nothing, or a wrong echo."""
    retina_us = CORNEA_US + LE_GRAND_US[4]
    rf = eye_traces(20, seed=5, with_wall=False)
    for preset in (True, False):
        empty = Gate(
            interface="retina",
            start_us=retina_us + 0.3,
            stop_us=retina_us + 5,
            threshold_db=18.0,
            preset=preset,  # Now and then noise stands over 13 dB.
        )
        joint, single = _both(rf, _with(empty))
        assert _right(joint) == preset
        assert np.isnan(single[:, 4]).all()
        assert np.isnan(joint[:, 4]).all() == (not preset)
        # The rest of the eye is where it was.
        np.testing.assert_allclose(joint[:, :4], np.tile(LE_GRAND_US[:4], (20, 1)), atol=0.02)
    t = np.arange(rf.shape[1]) * 0.01
    for at_us, height in ((-9.0, 0.03), (3.0, 0.03)):
        wrong = rf + echo(t, retina_us + at_us, height).astype(np.float32)
        around = Gate(
            interface="retina", start_us=retina_us + at_us - 0.4, stop_us=retina_us + at_us + 0.4
        )
        for chosen in _both(wrong, _with(around)):
            np.testing.assert_allclose(chosen[:, 4], LE_GRAND_US[4] + at_us, atol=0.05)
            np.testing.assert_allclose(chosen[:, :4], np.tile(LE_GRAND_US[:4], (20, 1)), atol=0.02)


@pytest.mark.parametrize("first_us", [np.nan, CORNEA_US])
def test_a_relative_gate_of_the_users_follows_the_pick_it_is_given_behind(first_us):
    """In both choices, with interfaces in between, and where the first one is known."""
    rf = eye_traces(6, seed=11, with_wall=False)
    t = np.arange(rf.shape[1]) * 0.01
    rf = rf + echo(t, CORNEA_US + 22.0, 0.02).astype(np.float32)
    candidates = _candidates(rf)
    for start, stop, at in ((21.5, 22.5, 22.0), (24.0, 25.0, np.nan)):
        own = Gate(
            interface="retina", start_us=start, stop_us=stop, relative_to="cornea_front",
            threshold_db=18.0,
        )  # fmt: skip
        for choose in (choose_jointly, choose_in_gates):
            choice = choose(candidates, _with(own), PHAKIC, first_us=first_us)
            delays = _chosen_us(candidates, choice) - CORNEA_US
            np.testing.assert_allclose(delays[:, 4], np.full(6, at), atol=0.02)
            np.testing.assert_allclose(delays[:, 2:4], np.tile(LE_GRAND_US[2:4], (6, 1)), atol=0.02)
    nothing = Gate(interface="cornea_front", start_us=3.0, stop_us=4.0, threshold_db=18.0)
    own = Gate(interface="retina", start_us=20.0, stop_us=35.0, relative_to="cornea_front")
    for choose in (choose_jointly, choose_in_gates):
        choice = choose(candidates, _with(nothing, own), PHAKIC)
        assert (choice.candidate[:, [0, 4]] == -1).all()
        assert (choice.reason[:, 4] == PickReason.REFERENCE_MISSING).all()


def test_a_gate_has_a_threshold_of_its_own_or_that_of_the_settings():
    rf = eye_traces(1, with_wall=False)
    t = np.arange(rf.shape[1]) * 0.01
    rf = rf + echo(t, CORNEA_US + LE_GRAND_US[4] + 3.0, 0.01).astype(np.float32)
    candidates = _candidates(rf)
    near = {"interface": "retina", "start_us": CORNEA_US + LE_GRAND_US[4] + 2.5, "stop_us": 48.0}
    level_db = candidates.level_db[0, : candidates.count[0]][-1]
    for choose in (choose_jointly, choose_in_gates):
        for own_db, threshold_db, found in (
            (None, level_db - 1, True),
            (None, level_db + 1, False),
            (level_db - 1, level_db + 1, True),
            (level_db + 1, level_db - 1, False),
        ):
            gate = Gate(**near, threshold_db=own_db)
            choice = choose(candidates, _with(gate), PHAKIC, threshold_db=threshold_db)
            assert (choice.candidate[0, 4] >= 0) == found
    assert lowest_threshold_db([Gate(**near, threshold_db=9.0), Gate(**near)], 13.0) == 9.0
    assert lowest_threshold_db([Gate(**near, threshold_db=19.0)], 13.0) == 13.0
    assert lowest_threshold_db([], 11.0) == 11.0


def test_gate_by_gate_the_joint_score_tells_how_far_a_choice_leads():
    gates = preset_gates(PHAKIC, "immersion")
    candidates = _candidates(eye_traces(4, seed=12))
    joint = choose_jointly(candidates, gates, PHAKIC)
    single = choose_in_gates(candidates, gates, PHAKIC)
    np.testing.assert_array_equal(single.candidate[:, :5], joint.candidate[:, :5])
    np.testing.assert_allclose(single.margin[:, :5], joint.margin[:, :5], atol=1e-4)
    # The gate takes the tallest echo for the lens, which the joint score does not believe.
    rf = eye_traces(4, seed=4, amplitudes=(1.0, 0.9, 0.1, 0.1, 0.5))
    t = np.arange(rf.shape[1]) * 0.01
    rf = rf + echo(t, CORNEA_US + LE_GRAND_US[2] - 2.6, 0.5).astype(np.float32)
    wrong = choose_in_gates(_candidates(rf), gates, PHAKIC)
    assert (wrong.margin[:, 2] < 0.0).all()


def _worth(numbers, own, lead, at, weights):
    """Evidence of candidates for three interfaces 2.0 ± 0.5 mm of water apart, less all costs."""
    picked = [(k, j) for k, j in enumerate(numbers) if j is not None]
    factor = 2e3 / medium("water").speed_m_per_s
    score = sum(own[j] for _, j in picked) - weights.missing * (3 - len(picked))
    score -= sum(lead[j] for k, j in picked if k == 0)
    for (k0, j0), (k1, j1) in itertools.pairwise(picked):
        d, m = at[j1] - at[j0], k1 - k0
        if not m * 0.5 * factor <= d <= m * 4.0 * factor:
            return -np.inf
        score -= 0.5 * (d - m * 2.0 * factor) ** 2 / (m * (0.5 * factor) ** 2)
    return score


def test_joint_choice_against_trying_everything():
    """Dynamic programming against an exhaustive search on a small target."""
    water = medium("water")
    layer = {"medium": water, "mean_mm": 2.0, "sd_mm": 0.5, "range_mm": (0.5, 4.0)}
    target = Target(
        name="t",
        interfaces=(Interface(name="a"), Interface(name="b"), Interface(name="c")),
        segments=(Segment(name="ab", **layer), Segment(name="bc", **layer)),
        length_from="a",
        length_to="c",
    )
    gates = [Gate(interface=n, start_us=0.0, stop_us=20.0, preset=True) for n in "abc"]
    rng = np.random.default_rng(8)
    t = np.arange(2000) * 0.01
    weights = JointChoiceSettings()
    for _ in range(10):
        places = np.sort(rng.choice(np.arange(2.0, 18.0, 0.5), 6, replace=False))
        rf = sum(echo(t, p, rng.uniform(0.03, 1.0), rng.uniform(0, 6)) for p in places)
        candidates = _candidates((rf + 0.003 * rng.standard_normal(2000))[None])
        choice = choose_jointly(candidates, gates, target).candidate[0]
        n = int(candidates.count[0])
        at = candidates.delay_us[0]
        own = np.clip((candidates.level_db[0] - 13.0) / 10.0, 0, weights.height_limit).astype(float)
        own -= np.minimum(0.5 * candidates.broadening[0].astype(float) ** 2, 2.0)
        # An echo in front of the first interface that is nearly as tall, or taller, costs.
        level = candidates.level_db[0].astype(float)
        rivals = [np.clip((level[:j] - level[j] + 14.0) / 8.0, 0, 1).sum() for j in range(n)]
        lead = weights.leading_echo * np.minimum(rivals, 2.0)
        options = [None, *range(n)]
        everything = [
            item
            for item in itertools.product(options, repeat=3)
            if any(j is not None for j in item)
        ]
        best = max(_worth(item, own, lead, at, weights) for item in everything)
        chosen = [None if j < 0 else int(j) for j in choice]
        assert _worth(chosen, own, lead, at, weights) == pytest.approx(best, abs=1e-9)


def test_margin_tells_a_close_call():
    sure = choose_jointly(
        _candidates(eye_traces(1, with_wall=False)), preset_gates(PHAKIC, "immersion"), PHAKIC
    )
    rf = eye_traces(1, with_wall=False)
    t = np.arange(rf.shape[1]) * 0.01
    rf = rf + echo(t, CORNEA_US + LE_GRAND_US[3] + 0.5, 0.55).astype(np.float32)
    close = choose_jointly(_candidates(rf), preset_gates(PHAKIC, "immersion"), PHAKIC)
    assert close.margin[0, 3] < 1.0 < sure.margin[0, 3]


def test_reasons_when_nothing_is_chosen():
    rf = eye_traces(1, skip=(3, 4), with_wall=False)
    candidates = _candidates(rf)
    gates = preset_gates(PHAKIC, "immersion")
    single = choose_in_gates(candidates, gates, PHAKIC)
    assert single.reason[0, 3] == PickReason.NO_ECHO
    assert single.reason[0, 4] == PickReason.REFERENCE_MISSING
    joint = choose_jointly(candidates, gates, PHAKIC)
    assert joint.reason[0, 4] == PickReason.LEFT_OUT


def test_impossible_gates_are_refused():
    for wrong, says in (
        ({"start_us": 5.0, "stop_us": 5.0}, "must be more than"),
        ({"threshold_db": 2.0}, "between 6 and 80"),
        ({"threshold_fraction": 1.0}, "between 0 and 1"),
        ({"select": "nearest"}, "'largest' or 'first'"),
        ({"relative_to": "retina"}, "another interface"),
    ):
        with pytest.raises(ParameterError, match=says):
            Gate(**{"interface": "retina", "start_us": 1.0, "stop_us": 2.0, **wrong})
    candidates = _candidates(eye_traces(1))
    retina = Gate(interface="retina", start_us=1.0, stop_us=2.0)
    with pytest.raises(ParameterError, match="given twice"):
        choose_jointly(candidates, [retina, retina], PHAKIC)
    backwards = Gate(interface="lens_front", start_us=1.0, stop_us=2.0, relative_to="retina")
    with pytest.raises(ParameterError, match="must come before"):
        choose_in_gates(candidates, [backwards], PHAKIC)
    unknown = Gate(interface="retnia", start_us=1.0, stop_us=2.0)
    with pytest.raises(ParameterError, match="did you mean 'retina'"):
        choose_in_gates(candidates, [unknown], PHAKIC)
    with pytest.raises(ParameterError, match="missing"):
        JointChoiceSettings(missing=-1.0)
