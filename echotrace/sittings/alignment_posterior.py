"""From the likelihoods of the traces of one eye to the posterior of each trace's pose."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from echotrace.measurement import Measurement
from echotrace.recording import Method, Recording, Signal
from echotrace.sittings.alignment_features import ObservedFeatures
from echotrace.sittings.alignment_likelihood import Likelihood, expected_features, unknowns
from echotrace.sittings.alignment_prior import N_DECENTRATION, N_TILT, grid
from echotrace.sittings.alignment_tables import (
    FEATURES,
    METHODS,
    PROBE_NODES_MHZ_MM,
    STATES,
    AlignmentTables,
)

__all__ = ["group_posteriors"]

Float64 = NDArray[np.float64]


# The model is a smooth picture of eyes whose echoes err together in ways it does not hold (steps,
# wrong spikes, lenses out of line). Its likelihood is therefore raised to a power below 1, which
# widens every interval (Holmes & Walker 2017, Biometrika 104:497); the value gives 90 % intervals
# their coverage on draws with a seed of its own (801), apart from those of tables and tests.
_POWER = 0.4

# Scans of a sitting that fix what the eye adds; more would add time and hardly knowledge.
_MOST_JOINT = 20

_PARTICLES, _ITERATIONS, _KEPT = 300, 4, 64


def group_posteriors(
    tables: AlignmentTables,
    result: Measurement,
    recording: Recording | None,
    labels: Mapping[str, str],
    traces: NDArray[np.intp],
    observed: ObservedFeatures,
) -> Float64:
    """Posteriors of the traces of one eye, (n, n_tilts, n_decentrations).

    Parameters
    ----------
    tables : AlignmentTables
    result : Measurement
    recording : Recording or None
        For probe and receiver.
    labels : mapping of str to str
        Of the sitting.
    traces : ndarray of int, (n,)
        One scan, or those that share an eye.
    observed : ObservedFeatures
        Of all traces of the measurement.

    Returns
    -------
    ndarray of float64, (n, n_tilts, n_decentrations)
        Each sums to 1.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.sittings.alignment_features import observed_features
    >>> from echotrace.sittings.alignment_tables import shipped_tables
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> result = et.measure(recording)
    >>> observed = observed_features(result, recording)
    >>> ((labels, scans),) = result.sittings()
    >>> posterior = group_posteriors(
    ...     shipped_tables(), result, recording, labels, scans[:1], observed
    ... )
    >>> posterior.sum(axis=(1, 2)).round(6)
    array([1.])
    """
    method = METHODS.index(Method(labels["method"]))
    state = labels["lens_state"]
    probes: tuple[float, ...] = PROBE_NODES_MHZ_MM
    if recording is not None and math.isfinite(recording.probe.aperture_mm):
        probe = recording.probe
        probes = (round(probe.centre_frequency_hz * 1e-6 * probe.aperture_mm, 1),)
    # The depths of an envelope whose receiver is not told cannot be compared either.
    known = recording is not None and recording.receiver is not None
    if recording is not None and recording.signal is Signal.ENVELOPE:
        receiver = recording.receiver
        known = receiver is not None and bool(receiver.tgc_delay_us)
    total, evidence = [], []
    for item in probes:
        expected = expected_features(tables, method, item)
        offset = tables.state_offset[method, STATES.index(state)]
        alone = traces.size == 1
        common, own = tables.common[method], tables.own[method]
        covariance = common + own if alone else own
        likelihoods = []
        for k in traces:
            features = (observed.height[k], observed.below[k], observed.above[k])
            delay = _delays(result, int(k))
            unknown = unknowns(state, labels["vitreous"], delay, known)
            likelihoods.append(Likelihood(expected, offset, features, unknown, covariance))
        if alone:
            value = _POWER * likelihoods[0].log(np.zeros((1, len(FEATURES))))[0] + grid()[1]
            most = value.max()
            weight = np.exp(value - most)
            total.append((weight / weight.sum())[None])
            evidence.append(most + math.log(weight.sum()))
        else:
            share, log_evidence = _with_common_eye(likelihoods, common)
            total.append(share)
            evidence.append(log_evidence)
    trust = np.exp(np.array(evidence) - max(evidence))
    trust /= trust.sum()
    whole = np.einsum("p,png->ng", trust, np.array(total))
    shape = (traces.size, N_TILT, N_DECENTRATION, -1)
    return np.asarray(whole.reshape(shape).sum(axis=-1), np.float64)


def _delays(result: Measurement, trace: int) -> Float64:
    """Delay of each feature, µs after the first known one; missing ones as in a usual eye."""
    usual = np.array([0.0, 0.7, 4.7, 9.5, 31.0, 32.5, 35.0, 0.0])
    row = dict(zip(result.interfaces, result.delay_us[trace], strict=True))
    found = np.array([row.get(name, np.nan) for name in FEATURES])
    known = np.flatnonzero(np.isfinite(found))
    if known.size == 0:
        return usual
    start = found[known[0]] - usual[known[0]]
    return np.asarray(np.where(np.isfinite(found), found - start, usual))


def _with_common_eye(likelihoods: list[Likelihood], common: Float64) -> tuple[Float64, float]:
    """Posteriors of scans that share what the eye adds, and the logarithm of the evidence."""
    log_prior = grid()[1].astype(np.float32)
    value, vector = np.linalg.eigh(common)
    keep = value > 1e-3 * max(float(value[-1]), 1e-9)
    root = (vector * np.sqrt(np.maximum(value, 0.0)))[:, keep]
    size = int(keep.sum())
    step = max(1, math.ceil(len(likelihoods) / _MOST_JOINT))
    joint = likelihoods[::step]
    rng = np.random.default_rng(20)
    mean, spread = np.zeros(size), np.eye(size)
    u, weight, log_evidence = np.zeros((1, size)), np.ones(1), 0.0
    for _ in range(_ITERATIONS):
        factor = np.linalg.cholesky(spread)
        u = mean + rng.standard_normal((_PARTICLES, size)) @ factor.T
        # A fifth from the prior keeps the weights bounded.
        u[: _PARTICLES // 5] = rng.standard_normal((_PARTICLES // 5, size))
        log_target = -0.5 * (u**2).sum(axis=1)
        away = np.linalg.solve(factor, (u - mean).T)
        moved = -0.5 * (away**2).sum(axis=0) - np.log(np.diag(factor)).sum()
        proposal = np.logaddexp(math.log(0.8) + moved, math.log(0.2) + log_target)
        log_weight = log_target - proposal
        b = u @ root.T
        for item in joint:
            log_weight = log_weight + _log_sum(np.float32(_POWER) * item.log(b) + log_prior)
        most = log_weight.max()
        weight = np.exp(log_weight - most)
        log_evidence = most + math.log(weight.mean())
        weight /= weight.sum()
        mean = weight @ u
        centred = u - mean
        # Widened, and never collapsed on a few draws.
        spread = 1.3 * (centred.T * weight) @ centred + 0.03 * np.eye(size)
    # Systematic resampling (Kitagawa 1996, J Comput Graph Stat 5:1).
    ladder = (np.arange(_KEPT) + 0.5) / _KEPT
    chosen = np.minimum(np.searchsorted(np.cumsum(weight), ladder), weight.size - 1)
    b = u[chosen] @ root.T
    found = []
    for item in likelihoods:
        value = np.float32(_POWER) * item.log(b) + log_prior
        found.append(np.exp(value - _log_sum(value)[:, None]).mean(axis=0))
    return np.array(found), float(log_evidence)


def _log_sum(value: NDArray[np.float32]) -> Float64:
    most = value.max(axis=1)
    total: Float64 = np.exp(value - most[:, None]).sum(axis=1, dtype=np.float64)
    return np.asarray(most + np.log(total))
