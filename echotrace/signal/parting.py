"""How many echoes a crowded place holds, one of another shape or several, and where each lies."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from echotrace.signal.joint_fit import (
    JointFit,
    best_second_sample,
    first_and_last,
    fit_echoes,
)
from echotrace.signal.pulse import Pulse

__all__ = ["MOST_ECHOES", "Parted", "part_around", "part_windows", "reach_samples"]

Float = NDArray[np.float64]

MOST_ECHOES = 8
"""More echoes in a row than this are not fitted together."""

# Beyond the outermost echo a fit looks so many widths of the pulse further.
_MARGIN = 1.3
# About a lone crest it looks so much further, and to what it finds so far beyond, so often.
_ASIDE, _FURTHER, _WIDENED = 0.7, 4.0, 3
# Twice the log of the evidence for each more echo. From 10 on it is called very strong (Kass RE,
# Raftery AE 1995, J Am Stat Assoc 90:773; value from memory), but of a thousand pulses 10 % longer
# than the template one passes that as two echoes; of two echoes that can be told apart none stays
# below this.
_STRONG = 16.0
# Rest over that of noise, from which on a fit is tried with another shape of the pulse.
_LOST = 1.4
# Samples for two more echoes than one, of another shape.
_FEWEST = 15
# Two echoes are told apart where they lie as many standard uncertainties from one another.
_APART = 3.0
# Closer than a width of the pulse the distance of two echoes and the pulse's shape make the same
# crest: there no bent pulse is taken, nor a template that another shape would improve on
# (chi-squared of three numbers, 5 %), or move them by so many standard uncertainties.
_SHAPE_TELLS, _SHAPE_GAIN, _SHAPE_MOVES = 1.0, 7.8, 4.0
# What no model explains of a window, as a part of its tallest echo, is another pulse altogether.
_MOST_REST = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Parted:
    """What crowded windows hold, one row a window.

    Attributes
    ----------
    count : ndarray of int, (n,)
        Echoes that the evidence asks for.
    sample : ndarray of float64, (n, m)
        Their columns, in order; NaN beyond ``count``.
    height : ndarray of float64, (n, m)
        Of their envelopes.
    covariance : ndarray of float64, (n, m, m)
        Of the columns, samples squared, for the noise that was given, or for what the fit leaves
        where that is more.
    shaped : ndarray of bool, (n,)
        The pulse there is not the template.
    sure : ndarray of bool, (n,)
        The fit converged, its number of echoes is preferred to others on very strong evidence, the
        echoes lie apart by three standard uncertainties, and they explain the window.
    least_apart : ndarray of float64, (n,)
        Least distance of neighbours, samples, in the fit that was chosen; where that is of one
        echo, in the best fit of more.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.parting import part_windows
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> one = np.pad(pulse.analytic.real, (30, 60))
    >>> noise = 0.01 * np.random.default_rng(1).standard_normal(one.size)
    >>> rf, noise_rms = (one - 0.7 * np.roll(one, 12) + noise)[None], np.array([0.01])
    >>> found = part_windows(rf, np.ones(rf.shape, bool), np.array([[62.0]]), noise_rms, pulse)
    >>> found.count.tolist(), found.sample[0, :2].round(1).tolist(), found.sure.tolist()
    ([2], [59.0, 71.0], [True])
    """

    count: NDArray[np.intp]
    sample: Float
    height: Float
    covariance: Float
    shaped: NDArray[np.bool_]
    sure: NDArray[np.bool_]
    least_apart: Float


def part_around(
    rf: Float,
    allowed: NDArray[np.bool_],
    seeds: Float,
    noise: Float,
    pulse: Pulse,
    *,
    total_noise: Float | None = None,
) -> Parted:
    """Part what stands about some echoes, in a window that holds all that is found.

    Parameters
    ----------
    rf : ndarray of float64, (n, w)
        Reaching beyond the outermost seeds by :func:`reach_samples`.
    allowed : ndarray of bool, (n, w)
        Samples that may count: those that are there and not clipped.
    seeds, noise, pulse, total_noise
        As for :func:`part_windows`.

    Returns
    -------
    Parted

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.parting import part_around
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> one = np.pad(pulse.analytic.real, (60, 90))
    >>> rf = one - 0.5 * np.roll(one, 17) + 0.25 * np.roll(one, 34)
    >>> rf = (rf + 0.003 * np.random.default_rng(1).standard_normal(one.size))[None]
    >>> seeds, noise, used = np.array([[90.0]]), np.array([0.003]), np.ones(rf.shape, bool)
    >>> found = part_around(rf, used, seeds, noise, pulse)
    >>> found.sample[0, :3].round().tolist(), found.sure.tolist()
    ([89.0, 106.0, 123.0], [True])
    """
    width = pulse.width_us * pulse.sampling_rate_hz * 1e-6
    lone = np.isfinite(seeds).sum(axis=1) == 1
    # A lone crest may be two echoes, of which one lies off it.
    aside = np.where(lone, _ASIDE * width, 0.0)
    low, high = np.nanmin(seeds, axis=1) - aside, np.nanmax(seeds, axis=1) + aside
    total = noise if total_noise is None else np.maximum(total_noise, noise)
    used = _window(allowed, low, high, width)
    found = part_windows(rf, used, seeds, noise, pulse, total_noise=total)
    # What lies at the edge of its window is not known well: look again in one that holds it. Behind
    # the next one of a train lies another.
    start, end = low.copy(), high.copy()
    for _ in range(_WIDENED):
        first, last = found.sample[:, 0], np.nanmax(np.nan_to_num(found.sample, nan=-1e9), axis=1)
        beyond = (found.count > 1) & ((first < start - 0.5 * width) | (last > end + 0.5 * width))
        beyond &= (first > low - _FURTHER * width) & (last < high + _FURTHER * width)
        rows = np.flatnonzero(beyond)
        if not rows.size:
            break
        start[rows], end[rows] = first[rows], last[rows]
        used = _window(allowed[rows], first[rows], last[rows], width)
        again = part_windows(
            rf[rows], used, found.sample[rows], noise[rows], pulse, total_noise=total[rows]
        )
        for item in fields(Parted):
            getattr(found, item.name)[rows] = getattr(again, item.name)
    return found


def reach_samples(pulse: Pulse) -> int:
    """How far beyond the outermost seeds :func:`part_around` may look, samples.

    Parameters
    ----------
    pulse : Pulse

    Returns
    -------
    int

    Examples
    --------
    >>> from echotrace.signal.parting import reach_samples
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> reach_samples(gaussian_pulse(100e6, 10e6, 0.6))
    90
    """
    width = pulse.width_us * pulse.sampling_rate_hz * 1e-6
    return int(np.ceil((_ASIDE + _FURTHER + _MARGIN) * width)) + 1


def _window(
    allowed: NDArray[np.bool_], first: Float, last: Float, width: float
) -> NDArray[np.bool_]:
    columns = np.arange(allowed.shape[1])
    reach = _MARGIN * width
    inside = (columns >= first[:, None] - reach) & (columns <= last[:, None] + reach)
    return np.asarray(inside & allowed)


def part_windows(
    rf: Float,
    used: NDArray[np.bool_],
    seeds: Float,
    noise: Float,
    pulse: Pulse,
    *,
    total_noise: Float | None = None,
) -> Parted:
    """Choose between one echo, one of another shape, and several, and fit what is chosen.

    Parameters
    ----------
    rf : ndarray of float64, (n, w)
    used : ndarray of bool, (n, w)
        Samples that count: those that are not clipped, and belong to no other echo.
    seeds : ndarray of float64, (n, m)
        Columns of the echoes that are seen in any case; NaN for none.
    noise : ndarray of float64, (n,)
        Standard deviation of the noise of one sample, as white noise would have it that an echo
        feels as much.
    pulse : Pulse
        Template.
    total_noise : ndarray of float64, (n,), optional
        Of all noise of a sample, whatever its frequencies; None: the same.

    Returns
    -------
    Parted

    Notes
    -----
    Models are held against each other by the Bayesian information criterion, rest over variance
    plus the number of fitted numbers times the log of the samples (Schwarz G 1978, Ann Stat 6:461).
    It knows of the template's misfit in two ways: a pulse of another width, tilt and chirp is one
    of the models, and the variance is that of noise and of what the richest model leaves beyond it
    (as Mallows CL 1973, Technometrics 15:661, takes it from the full model; both value from
    memory): what no model explains tells neither for nor against any.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.parting import part_windows
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> longer, pulse = gaussian_pulse(100e6, 10e6, 0.5), gaussian_pulse(100e6, 10e6, 0.6)
    >>> one = np.pad(longer.analytic.real, 30)
    >>> rf = (one + 0.01 * np.random.default_rng(1).standard_normal(one.size))[None]
    >>> seeds = np.array([[float(rf.shape[1] // 2)]])
    >>> found = part_windows(rf, np.ones(rf.shape, bool), seeds, np.array([0.01]), pulse)
    >>> found.count.tolist(), found.shaped.tolist()
    ([1], [True])
    """
    n = rf.shape[0]
    seeds = np.where(used.sum(axis=1, keepdims=True) > _FEWEST, seeds, np.nan)
    total = noise if total_noise is None else np.maximum(total_noise, noise)
    found = Parted(
        count=np.zeros(n, np.intp),
        sample=np.full((n, MOST_ECHOES), np.nan),
        height=np.full((n, MOST_ECHOES), np.nan),
        covariance=np.full((n, MOST_ECHOES, MOST_ECHOES), np.nan),
        shaped=np.zeros(n, np.bool_),
        sure=np.zeros(n, np.bool_),
        least_apart=np.full(n, np.nan),
    )
    known = np.isfinite(seeds).sum(axis=1)
    for m in np.unique(known[(known > 0) & (known <= MOST_ECHOES)]):
        rows = np.flatnonzero(known == m)
        start = np.sort(seeds[rows], axis=1)[:, :m]
        levels = np.stack([noise[rows], total[rows]])
        _part_alike(rf[rows], used[rows], start, levels, pulse, rows, found)
    return found


@dataclass(slots=True)
class _Trial:
    """One model on some of the windows: infinite rest where it was not tried."""

    echoes: int
    shaped: bool
    fit: JointFit
    rows: NDArray[np.intp]

    def rest(self, n: int) -> Float:
        out = np.full(n, np.inf)
        out[self.rows] = self.fit.rest
        return out


def _part_alike(
    rf: Float,
    used: NDArray[np.bool_],
    start: Float,
    levels: Float,
    pulse: Pulse,
    into: NDArray[np.intp],
    found: Parted,
) -> None:
    """Windows that begin with the same number of echoes."""
    n, m = start.shape
    everything = np.arange(n)
    plain = fit_echoes(rf, used, start, pulse)
    trials = [_Trial(m, False, plain, everything)]
    trials.append(
        _Trial(m, True, fit_echoes(rf, used, plain.sample, pulse, shaped=True), everything)
    )
    samples = used.sum(axis=1)
    rows, last = everything, plain
    for echoes in range(m + 1, min(m + 2, MOST_ECHOES) + 1):
        if not rows.size:
            break
        more = _one_more(rf[rows], used[rows], last, pulse)
        trials.append(_Trial(echoes, False, more, rows))
        # With a wrong template two echoes leave something as well.
        lost = more.rest > _LOST * (samples[rows] - more.numbers) * levels[1, rows] ** 2
        if lost.any():
            bent = fit_echoes(
                rf[rows[lost]], used[rows[lost]], more.sample[lost], pulse, shaped=True
            )
            trials.append(_Trial(echoes, True, bent, rows[lost]))
        cost = _costs(trials, samples, levels)
        ahead = (
            np.array([trial.echoes for trial in trials])[np.argmin(cost, axis=0)][rows] == echoes
        )
        rows, last = rows[ahead], _of_rows(more, ahead)
    cost = _costs(trials, samples, levels)
    width = pulse.width_us * pulse.sampling_rate_hz * 1e-6
    _choose(trials, cost, samples, levels, width, into, found)
    # The place of an echo beyond its window is guessed from a skirt.
    low, high = first_and_last(used)
    at = found.sample[into]
    beyond = (at < low[:, None]) | (at > high[:, None])
    found.sure[into] &= ~beyond.any(axis=1)


def _of_rows(fit: JointFit, rows: NDArray[np.bool_]) -> JointFit:
    return JointFit(
        sample=fit.sample[rows],
        height=fit.height[rows],
        rest=fit.rest[rows],
        covariance=fit.covariance[rows],
        converged=fit.converged[rows],
        numbers=fit.numbers,
    )


def _one_more(rf: Float, used: NDArray[np.bool_], fit: JointFit, pulse: Pulse) -> JointFit:
    reach = 2.0 * pulse.width_us * pulse.sampling_rate_hz * 1e-6
    low, high = fit.sample[:, 0] - reach, fit.sample[:, -1] + reach
    new = best_second_sample(rf, used, fit, pulse, low=low, high=high)
    new = np.where(np.isfinite(new), new, high)
    return fit_echoes(rf, used, np.column_stack([fit.sample, new]), pulse)


def _variance(rest: Float, left: NDArray[np.integer], levels: Float) -> Float:
    """Variance of a sample: what an echo feels of the noise, and what is left beyond all noise.

    Noise leaves its variance give or take; what lies within two standard deviations of that (of a
    chi-squared variable) is not held against a fit.
    """
    expected = levels[1] ** 2 * (1.0 + 2.0 * np.sqrt(2.0 / left))
    return np.asarray(levels[0] ** 2 + np.maximum(rest / left - expected, 0.0))


def _costs(trials: list[_Trial], samples: NDArray[np.intp], levels: Float) -> Float:
    """Information criterion of each model in each window, (models, n)."""
    n = samples.size
    rest = np.stack([trial.rest(n) for trial in trials])
    numbers = np.array([trial.fit.numbers for trial in trials])[:, None]
    left = np.maximum(samples - numbers, 1)
    variance = np.min(_variance(rest, left, levels), axis=0)
    return np.asarray(rest / variance + numbers * np.log(samples))


def _choose(
    trials: list[_Trial],
    cost: Float,
    samples: NDArray[np.intp],
    levels: Float,
    width: float,
    into: NDArray[np.intp],
    found: Parted,
) -> None:
    n = samples.size
    echoes = np.array([trial.echoes for trial in trials])
    shaped = np.array([trial.shaped for trial in trials])
    # Each more echo is taken on very strong evidence only.
    best = np.argmin(cost + _STRONG * echoes[:, None], axis=0)
    chosen = cost[best, np.arange(n)]
    fewer = np.where(echoes[:, None] < echoes[best], cost, np.inf).min(axis=0)
    more = np.where(echoes[:, None] > echoes[best], cost, np.inf).min(axis=0)
    # Where a pulse had to be bent it may be the doing of more echoes of the template. Of bent ones
    # they need only fit no better; but a lone crest bent by two may take any shape with one.
    preferred = (fewer - chosen >= _STRONG) & (more >= chosen)
    rivals = (echoes[:, None] > echoes[best]) & (~shaped[:, None] | (echoes[best] == 1))
    nearest = np.where(rivals, cost, np.inf).min(axis=0)
    preferred &= ~shaped[best] | (nearest - chosen >= _STRONG)
    for k, trial in enumerate(trials):
        of = best[trial.rows] == k
        if not of.any():
            continue
        rows, m, fit = trial.rows[of], trial.echoes, _of_rows(trial.fit, of)
        at = into[rows]
        left = np.maximum(samples[rows] - fit.numbers, 1)
        variance = _variance(fit.rest, left, levels[:, rows])
        covariance = fit.covariance * variance[:, None, None]
        height = np.abs(fit.height)
        found.count[at] = m
        found.sample[at, :m] = fit.sample
        found.height[at, :m] = height
        found.covariance[at, :m, :m] = covariance
        found.shaped[at] = trial.shaped
        spread = np.einsum("nii->ni", covariance)
        between = covariance[:, np.arange(m - 1), np.arange(1, m)]
        u_apart = np.sqrt(np.maximum(spread[:, 1:] + spread[:, :-1] - 2.0 * between, 0.0))
        apart = (np.diff(fit.sample, axis=1) > _APART * u_apart).all(axis=1)
        if m > 1:
            found.least_apart[at] = np.diff(fit.sample, axis=1).min(axis=1)
        else:
            found.least_apart[at] = _apart_in_pairs(trials, cost)[rows]
        most = np.maximum(_MOST_REST * height.max(axis=1), 3.0 * levels[0, rows])
        explained = variance <= most**2
        found.sure[at] = preferred[rows] & fit.converged & apart & explained
        if m > 1:
            hangs = _hangs_on_shape(trials, trial, rows, u_apart, samples, levels)
            found.sure[at] &= ~(hangs & (found.least_apart[at] < _SHAPE_TELLS * width))


def _hangs_on_shape(
    trials: list[_Trial],
    chosen: _Trial,
    rows: NDArray[np.intp],
    u_apart: Float,
    samples: NDArray[np.intp],
    levels: Float,
) -> NDArray[np.bool_]:
    """Windows in which another shape of the pulse would fit better or put the echoes elsewhere.

    Of two estimates, one of which asks for more, the difference tells a wrong model (Hausman JA
    1978, Econometrica 46:1251, value from memory).
    """
    if chosen.shaped:
        return np.ones(rows.size, np.bool_)
    hangs = np.zeros(rows.size, np.bool_)
    for trial in trials:
        if not (trial.shaped and trial.echoes == chosen.echoes):
            continue
        _, own, bent = np.intersect1d(rows, trial.rows, return_indices=True)
        plain = _of_rows(chosen.fit, np.isin(chosen.rows, rows[own]))
        left = np.maximum(samples[rows[own]] - trial.fit.numbers, 1)
        variance = _variance(trial.fit.rest[bent], left, levels[:, rows[own]])
        better = plain.rest - trial.fit.rest[bent] > _SHAPE_GAIN * variance
        moved = np.abs(np.diff(trial.fit.sample[bent], axis=1) - np.diff(plain.sample, axis=1))
        hangs[own] = better | (moved > _SHAPE_MOVES * u_apart[own]).any(axis=1)
    return hangs


def _apart_in_pairs(trials: list[_Trial], cost: Float) -> Float:
    """Least distance of neighbours in the best fit of more than one echo; NaN where none is."""
    apart = np.full(cost.shape, np.nan)
    for k, trial in enumerate(trials):
        if trial.echoes > 1:
            apart[k, trial.rows] = np.diff(trial.fit.sample, axis=1).min(axis=1)
    several = np.where(np.isfinite(apart), cost, np.inf)
    best = np.argmin(several, axis=0)
    return np.asarray(apart[best, np.arange(cost.shape[1])])
