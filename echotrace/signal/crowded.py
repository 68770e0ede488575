"""Candidates that lie closer than two widths of the pulse: which they are, and their joint fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.signal.candidates import Candidates
from echotrace.signal.conditioning import Conditioned
from echotrace.signal.gates import Gate, two_way_us
from echotrace.signal.parting import MOST_ECHOES, Parted, part_around, reach_samples
from echotrace.signal.pulse import Pulse
from echotrace.target import Target

__all__ = [
    "ClosePair",
    "CrowdedEchoes",
    "close_pairs",
    "crowded_echoes",
    "noise_of_samples",
    "part_echoes",
]

Float = NDArray[np.float64]

# From here on two equal echoes move each other's crest by less than 0.3 ns at 10 MHz.
_NEAR_WIDTHS = 2.25
# What stands closer than this to a fitted echo reaches into its window.
_CHAIN_WIDTHS = 3.0
# Where an interface is missing, echoes down to this against the tallest are looked at, dB.
_FAINT_DB = 30.0
# A crest bent by less than this, or by four times what noise does to it, is one echo.
_LEAST_BROADENING, _NOISE_BROADENING = 0.06, 4.0


@dataclass(frozen=True, slots=True)
class ClosePair:
    """Two neighbouring interfaces whose echoes may overlap.

    Attributes
    ----------
    front : int
        Number of the first of them.
    least_us : float
        Least delay between them, µs.

    Examples
    --------
    >>> from echotrace.signal.crowded import ClosePair
    >>> ClosePair(0, 0.1).least_us
    0.1
    """

    front: int
    least_us: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CrowdedEchoes:
    """What the joint fit says of candidates, aligned with them.

    Attributes
    ----------
    sample, u_sample : ndarray of float64, (n_traces, c)
        Place of each fitted echo and its standard uncertainty, samples; NaN where none was fitted.
    with_following : ndarray of float64, (n_traces, c, 8)
        Covariance of its place with that of the candidate so many columns further, samples squared;
        NaN where the two were not fitted together.
    unsure : ndarray of bool, (n_traces, c)
        Neither it nor its neighbour is sure.
    as_stated : ndarray of bool, (n_traces, c)
        It was surely fitted with the template as it is: its carrier is the stated one.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.crowded import CrowdedEchoes
    >>> one = np.ones((1, 2))
    >>> found = CrowdedEchoes(
    ...     sample=one, u_sample=one, with_following=np.ones((1, 2, 8)), unsure=one > 2,
    ...     as_stated=one > 2
    ... )
    >>> found.sample.shape
    (1, 2)
    """

    sample: Float
    u_sample: Float
    with_following: Float
    unsure: NDArray[np.bool_]
    as_stated: NDArray[np.bool_]


def close_pairs(
    target: Target, gates: Sequence[Gate], pulse: Pulse, *, first_known: bool
) -> tuple[ClosePair, ...]:
    """Neighbouring interfaces of a target that may lie within two widths of the pulse.

    Parameters
    ----------
    target : Target
    gates : sequence of Gate
        One that binds takes the place of the target's range.
    pulse : Pulse
    first_known : bool
        The first interface is no echo of the trace (contact).

    Returns
    -------
    tuple of ClosePair
        In an eye none beyond its length: what lies behind the retina scatters, and is not made of
        faces.

    Examples
    --------
    >>> from echotrace.signal.crowded import close_pairs
    >>> from echotrace.signal.gates import preset_gates
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> from echotrace.target import eye_target
    >>> eye = eye_target("phakic")
    >>> gates = preset_gates(eye, "immersion")
    >>> close_pairs(eye, gates, gaussian_pulse(100e6, 10e6, 0.6), first_known=False)
    ()
    >>> [pair.front for pair in close_pairs(eye, gates, gaussian_pulse(100e6, 6e6, 0.6),
    ...                                     first_known=False)]
    [0]
    """
    by_name = {gate.interface: gate for gate in gates}
    last = target.index(target.length_to) if target.anatomy else len(target.segments)
    found = []
    for k in range(1 if first_known else 0, last):
        segment = target.segments[k]
        least_us = two_way_us(segment.range_mm[0], segment.medium.speed_m_per_s)
        front, back = (by_name.get(target.interface_names[j]) for j in (k, k + 1))
        if front is None or back is None:
            continue
        if not back.preset:
            least_us = 0.0
            if back.relative_to == front.interface:
                least_us = back.start_us
            elif not (back.relative_to or front.relative_to or front.preset):
                least_us = back.start_us - front.stop_us
        least_us = max(0.0, least_us)
        if least_us < _NEAR_WIDTHS * pulse.width_us:
            found.append(ClosePair(k, least_us))
    return tuple(found)


def crowded_echoes(
    candidates: Candidates,
    delay_us: Float,
    pairs: Sequence[ClosePair],
    pulse: Pulse,
    *,
    anatomy: bool,
) -> NDArray[np.bool_]:
    """Candidates at the picks of close pairs that overlap with another, or look as two in one.

    Parameters
    ----------
    candidates : Candidates
    delay_us : ndarray of float64, (n_traces, n_interfaces)
        Picks; NaN where there is none.
    pairs : sequence of ClosePair
    pulse : Pulse
    anatomy : bool
        In an eye a bent crest is tissue, unless the other echo of its pair is missing.

    Returns
    -------
    ndarray of bool, (n_traces, c)
        ``c`` is the largest number of candidates of a trace.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.candidates import Candidates
    >>> from echotrace.signal.crowded import ClosePair, crowded_echoes
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> at = np.array([[10.0, 10.25, 14.0]])
    >>> level = np.full((1, 3), 50.0, np.float32)
    >>> echoes = Candidates(np.array([3], np.int32), (100 * at).astype(np.int32), at, level,
    ...                     level, 0 * level)
    >>> picks, pairs = np.array([[10.0, 14.0]]), [ClosePair(0, 0.1)]
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> crowded_echoes(echoes, picks, pairs, pulse, anatomy=False).tolist()
    [[True, False, False]]
    """
    n, c = candidates.count.size, int(candidates.count.max(initial=0))
    asked = np.zeros((n, c), np.bool_)
    if not c:
        return asked
    there = np.arange(c) < candidates.count[:, None]
    at = np.where(there, candidates.delay_us[:, :c], np.inf)
    with np.errstate(invalid="ignore"):
        step = np.diff(at, axis=1)
    near = np.zeros((n, c), np.bool_)
    near[:, 1:] = step < _NEAR_WIDTHS * pulse.width_us
    near[:, :-1] |= near[:, 1:]
    level = np.where(there, candidates.level_db[:, :c], -np.inf)
    noise = 10.0 ** (-np.where(there, level, 0.0) / 20.0)
    limit = np.maximum(_LEAST_BROADENING, _NOISE_BROADENING * noise)
    bending = np.abs(np.where(there, candidates.broadening[:, :c], 0.0))
    bent = there & (bending > limit)
    rows = np.arange(n)
    for pair in pairs:
        for k, other in ((pair.front, pair.front + 1), (pair.front + 1, pair.front)):
            apart = np.abs(at - delay_us[:, k, None])
            apart = np.where(np.isfinite(apart), apart, np.inf)
            own = np.argmin(apart, axis=1)
            met = apart[rows, own] < pulse.width_us
            doubt = near[rows, own]
            looked = bent[rows, own]
            if anatomy:
                looked = looked & np.isnan(delay_us[:, other])
            elif k == pair.front:
                # A low echo on the flank of a tall one neither bends its crest nor has one.
                looked = np.ones(n, np.bool_)
            asked[rows, own] |= met & (doubt | looked)
        if not anatomy:
            # Two echoes in one crest may lie in the gate of neither, and a low one bends it little.
            both = delay_us[:, pair.front : pair.front + 2]
            lost = np.asarray(np.isnan(both).any(axis=1))
            tall = level >= level.max(axis=1, keepdims=True) - _FAINT_DB
            asked |= lost[:, None] & tall & there
    return asked


def noise_of_samples(noise: Float, slope: Float, pulse: Pulse) -> Float:
    """Noise of a sample, were it white and as harmful to an echo as the noise that there is.

    Parameters
    ----------
    noise, slope : ndarray of float64
        Noise of the matched output, and of the slope that a crest feels, per µs.
    pulse : Pulse

    Returns
    -------
    ndarray of float64
        Standard deviation of a sample of white noise with as much of that slope, or of the matched
        output where that is more.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.crowded import noise_of_samples
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> slope = np.array(2e-6 * np.pi * pulse.rms_bandwidth_hz)
    >>> [float(noise_of_samples(np.array(1.0), k * slope, pulse).round(2)) for k in (1.0, 2.0)]
    [2.35, 4.71]
    """
    white = 2e-6 * np.pi * pulse.rms_bandwidth_hz
    return np.asarray(np.maximum(noise, slope / white) * np.sqrt(pulse.energy / 2.0))


def part_echoes(
    traces: Conditioned,
    candidates: Candidates,
    asked: NDArray[np.bool_],
    *,
    least_us: float = 0.0,
) -> tuple[Candidates, CrowdedEchoes]:
    """Fit crowded candidates jointly with their neighbours, and put the fitted echoes in place.

    Parameters
    ----------
    traces : Conditioned
        Of RF.
    candidates : Candidates
    asked : ndarray of bool, (n_traces, c)
        From :func:`crowded_echoes`.
    least_us : float
        Echoes closer than this are no two interfaces: they are parted only on sure evidence, and
        leave no doubt where there is none.

    Returns
    -------
    candidates : Candidates
        With one candidate for each echo that was fitted.
    crowded : CrowdedEchoes
        Aligned with them.

    Raises
    ------
    ParameterError
        Traces of envelopes.

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> from echotrace.signal.crowded import part_echoes
    >>> pulse = et.gaussian_pulse(100e6, 10e6, 0.6)
    >>> one = np.pad(pulse.analytic.real, 300)
    >>> noise = 0.003 * np.random.default_rng(1).standard_normal(one.size)
    >>> traces = et.condition(one - 0.7 * np.roll(one, 11) + noise, pulse=pulse)
    >>> echoes = et.find_echoes(traces)
    >>> parted, crowded = part_echoes(traces, echoes, np.ones(echoes.sample.shape, bool))
    >>> crowded.sample[0].round(1).tolist(), crowded.unsure.any()
    ([329.0, 340.0], np.False_)
    """
    if traces.rf is None:
        raise ParameterError("overlapping echoes are parted in RF; this recording holds envelopes")
    groups = _groups(candidates, asked, traces.pulse)
    fitted = _fit(traces, candidates, [group for group in groups if group.size <= MOST_ECHOES])
    least = least_us * traces.sampling_rate_hz * 1e-6
    rows: dict[int, list[_Fitted | _Group]] = {}
    for group in groups:
        rows.setdefault(group.row, []).append(fitted.get((group.row, group.first), group))
    return _in_place(traces, candidates, rows, least)


@dataclass(frozen=True, slots=True)
class _Group:
    """Candidates ``first`` up to ``stop`` of a trace, fitted together or too many for it."""

    row: int
    first: int
    stop: int

    @property
    def size(self) -> int:
        return self.stop - self.first


@dataclass(frozen=True, slots=True)
class _Fitted:
    """A group and what its fit says."""

    group: _Group
    sample: Float
    height: Float
    covariance: Float
    sure: bool
    shaped: bool
    least_apart: float


def _groups(candidates: Candidates, asked: NDArray[np.bool_], pulse: Pulse) -> list[_Group]:
    found = []
    for row in np.flatnonzero(asked.any(axis=1)).tolist():
        count = int(candidates.count[row])
        gap = np.diff(candidates.delay_us[row, :count])
        edges = np.flatnonzero(gap > _CHAIN_WIDTHS * pulse.width_us) + 1
        for part in np.split(np.arange(count), edges):
            if asked[row, part].any():
                found.append(_Group(row, int(part[0]), int(part[-1]) + 1))
    return found


def _fit(
    traces: Conditioned, candidates: Candidates, groups: list[_Group]
) -> dict[tuple[int, int], _Fitted]:
    """Joint fits of groups, in one batch."""
    assert traces.rf is not None
    if not groups:
        return {}
    pulse = traces.pulse
    row = np.array([group.row for group in groups])
    seeds = np.full((len(groups), MOST_ECHOES), np.nan)
    for seed, group in zip(seeds, groups, strict=True):
        at = candidates.delay_us[group.row, group.first : group.stop]
        seed[: group.size] = traces.to_sample(at)
    reach = reach_samples(pulse)
    first = np.floor(np.nanmin(seeds, axis=1)).astype(np.intp) - reach
    longest = int(np.ceil((np.nanmax(seeds, axis=1) - first).max())) + reach
    columns = first[:, None] + np.arange(longest)
    inside = (columns >= 0) & (columns < traces.rf.shape[1])
    columns = np.clip(columns, 0, traces.rf.shape[1] - 1)
    allowed = inside & ~traces.clipped[row[:, None], columns]
    at = np.rint(np.nanmean(seeds, axis=1)).astype(np.intp)
    along = traces.noise
    noise = noise_of_samples(along.matched.at(row, at), along.matched_slope.at(row, at), pulse)
    rf = np.asarray(traces.rf[row[:, None], columns], np.float64)
    parted = part_around(
        rf, allowed, seeds - first[:, None], noise, pulse, total_noise=_total_noise(traces.rf, row)
    )
    return {
        (group.row, group.first): _of(group, parted, k, float(first[k]))
        for k, group in enumerate(groups)
        if parted.count[k]
    }


def _total_noise(rf: NDArray[np.floating], row: NDArray[np.intp]) -> Float:
    """Noise of the samples of traces, of which echoes fill a small part."""
    rows, back = np.unique(row, return_inverse=True)
    return np.asarray(np.median(np.abs(rf[rows]), axis=1)[back] / 0.6745, np.float64)


def _of(group: _Group, parted: Parted, k: int, first: float) -> _Fitted:
    m = int(parted.count[k])
    return _Fitted(
        group,
        first + parted.sample[k, :m],
        parted.height[k, :m],
        parted.covariance[k, :m, :m],
        bool(parted.sure[k]),
        bool(parted.shaped[k]),
        float(parted.least_apart[k]),
    )


def _absorbing(item: _Fitted, candidates: Candidates, traces: Conditioned) -> _Group:
    """The group, with the candidates beside it that its fit has found as well."""
    group = item.group
    if item.sample.size == 1:
        return group
    reach = 0.5 * traces.pulse.width_us
    low, high = traces.to_delay_us(item.sample[[0, -1]])
    at = candidates.delay_us[group.row, : candidates.count[group.row]]
    inside = np.flatnonzero((at > low - reach) & (at < high + reach))
    first = min(group.first, int(inside[0])) if inside.size else group.first
    stop = max(group.stop, int(inside[-1]) + 1) if inside.size else group.stop
    return _Group(group.row, first, stop)


def _in_place(
    traces: Conditioned,
    candidates: Candidates,
    rows: dict[int, list[_Fitted | _Group]],
    least: float,
) -> tuple[Candidates, CrowdedEchoes]:
    """Candidates with the fitted echoes among them."""
    n, c = candidates.count.size, max(1, int(candidates.count.max(initial=0)))
    room = c + MOST_ECHOES
    names = ("sample", "delay_us", "level_db", "before_db", "broadening")
    out = {name: getattr(candidates, name)[:, :c] for name in names}
    out = {
        name: np.concatenate([values, np.zeros((n, room - c), values.dtype)], axis=1)
        for name, values in out.items()
    }
    count = candidates.count.copy()
    fits = np.full((2, n, room), np.nan)
    following = np.full((n, room, MOST_ECHOES), np.nan)
    unsure, as_stated = np.zeros((2, n, room), np.bool_)
    for row, found in rows.items():
        # From the last group on, so that the places of those before stay theirs.
        taken = int(candidates.count[row])
        for item in reversed(found):
            if isinstance(item, _Group):
                unsure[row, item.first : item.stop] = True
                continue
            group, m = _absorbing(item, candidates, traces), item.sample.size
            if group.stop > taken:
                # What stands here was found with the group behind it.
                continue
            taken = group.first
            doubt = not item.sure and not item.least_apart < least
            close = m > 1 and bool((np.diff(item.sample) < least).any())
            if m < group.size or m == 1 or (close and not item.sure):
                unsure[row, group.first : group.stop] = doubt
                continue
            grown = m - group.size
            if count[row] + grown > room:
                unsure[row, group.first : group.stop] = True
                continue
            for values in (*out.values(), *fits, following, unsure, as_stated):
                values[row, group.stop + grown :] = values[row, group.stop : room - grown].copy()
            count[row] += grown
            put = slice(group.first, group.first + m)
            delay_us = traces.to_delay_us(item.sample)
            level_db = 20.0 * np.log10(np.maximum(item.height / traces.matched_noise[row], 1e-9))
            out["sample"][row, put] = np.rint(item.sample)
            out["delay_us"][row, put] = delay_us
            out["level_db"][row, put] = level_db
            # What stands before the first of them stands before all.
            out["before_db"][row, put] = out["before_db"][row, group.first]
            out["broadening"][row, put] = 0.0
            fits[0, row, put] = item.sample
            fits[1, row, put] = np.sqrt(np.diag(item.covariance))
            for k in range(m):
                following[row, group.first + k, : m - k] = item.covariance[k, k:]
            unsure[row, put] = doubt
            as_stated[row, put] = item.sure and not item.shaped
    used = max(1, int(count.max(initial=0)))
    parted = Candidates(count, *(np.ascontiguousarray(out[name][:, :used]) for name in names))
    sample, u_sample = (np.ascontiguousarray(values[:, :used]) for values in fits)
    return parted, CrowdedEchoes(
        sample=sample,
        u_sample=u_sample,
        with_following=following[:, :used].copy(),
        unsure=unsure[:, :used].copy(),
        as_stated=as_stated[:, :used].copy(),
    )
