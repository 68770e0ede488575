"""Candidate echoes of a trace, and the joint choice among them."""

from __future__ import annotations

import numpy as np

from echotrace.kernels.jit import kernel

__all__ = ["choose_constellation", "find_candidates"]


@kernel
def find_candidates(envelope, threshold, dip_ratio, far, near, count, sample, value, before):
    """Find the local maxima of each trace that stand out.

    A maximum counts when it is over the threshold and the envelope falls below ``dip_ratio`` of
    it on both sides before it rises above it: ripples on the flank of an echo are no echoes.

    Parameters
    ----------
    envelope : (n, n_samples) float32
    threshold : (n,) float32
    dip_ratio : float
    far, near : int
        The quiet window looked at before each maximum, samples before it.
    count : (n,) int32, out
    sample : (n, c) int32, out
    value, before : (n, c) float32, out
        Height, and the largest envelope in the quiet window.
    """
    n, m = envelope.shape
    room = sample.shape[1]
    for i in range(n):
        row = envelope[i]
        found = 0
        high = row[0]
        high_at = 0
        low = row[0]
        rising = True
        for k in range(1, m):
            x = row[k]
            if rising:
                if x > high:
                    high = x
                    high_at = k
                elif x < dip_ratio * high:
                    if high >= threshold[i] and high_at > 0 and found < room:
                        sample[i, found] = high_at
                        value[i, found] = high
                        found += 1
                    rising = False
                    low = x
            elif x < low:
                low = x
            elif x * dip_ratio > low:
                rising = True
                high = x
                high_at = k
        count[i] = found
        for j in range(found):
            top = np.float32(0.0)
            first = max(0, sample[i, j] - far)
            for k in range(first, max(first, sample[i, j] - near)):
                if row[k] > top:
                    top = row[k]
            before[i, j] = top


@kernel
def choose_constellation(
    count,
    delay_us,
    emission,
    gate_low_us,
    gate_high_us,
    low_us,
    high_us,
    mean_us,
    var_us2,
    skip_cost,
    outside_cost,
    prior_weight,
    fixed_first_us,
    choice,
    margin,
):
    """Choose one candidate, or none, for every interface at once.

    The chosen delays rise in the order of the interfaces. The sum of the candidates' emissions,
    of a normal prior on each segment's delay and of a cost for every interface left out is
    maximised by dynamic programming over (interface, candidate).

    Parameters
    ----------
    count : (n,) int32
    delay_us : (n, c) float64, rising along the candidates
    emission : (n, q, c) float64, -inf where a candidate cannot be that interface
    gate_low_us, gate_high_us : (q,) float64
        Gate of each interface in absolute delay, NaN where it has none; a candidate outside pays
        ``outside_cost``.
    low_us, high_us, mean_us, var_us2 : (q - 1,) float64
        Range and prior of each segment's two-way delay.
    skip_cost : (q,) float64
    outside_cost, prior_weight : float
    fixed_first_us : float
        Known delay of the first interface, NaN where it must be found. It is then candidate
        number ``c``.
    choice : (n, q) int32, out: candidate number, -1 for none
    margin : (n, q) float64, out: how much worse the best choice with another candidate is
    """
    n, c = delay_us.shape
    q = skip_cost.size
    width = c + 1
    forward = np.empty((q, width))
    backward = np.empty((q, width))
    at = np.empty(width)
    came_q = np.empty((q, width), np.int32)
    came_c = np.empty((q, width), np.int32)
    for i in range(n):
        m = count[i]
        for j in range(m):
            at[j] = delay_us[i, j]
        at[c] = fixed_first_us
        has_fixed = not np.isnan(fixed_first_us)
        own = np.full((q, width), -np.inf)
        for k in range(q):
            if k == 0 and has_fixed:
                own[0, c] = 0.0
                continue
            for j in range(m):
                e = emission[i, k, j]
                if e == -np.inf:
                    continue
                if not np.isnan(gate_low_us[k]) and (
                    at[j] < gate_low_us[k] or at[j] > gate_high_us[k]
                ):
                    e -= outside_cost
                own[k, j] = e

        # Forward: best score of a path that ends at (interface, candidate).
        lead = 0.0
        for k in range(q):
            for j in range(width):
                came_q[k, j] = -1
                came_c[k, j] = -1
                forward[k, j] = -np.inf
                if own[k, j] == -np.inf:
                    continue
                if k == 0 or not has_fixed:
                    forward[k, j] = own[k, j] - lead
                low = 0.0
                high = 0.0
                mean = 0.0
                var = 0.0
                skipped = 0.0
                for kp in range(k - 1, -1, -1):
                    low += low_us[kp]
                    high += high_us[kp]
                    mean += mean_us[kp]
                    var += var_us2[kp]
                    for jp in range(width):
                        if forward[kp, jp] == -np.inf:
                            continue
                        d = at[j] - at[jp]
                        if d < low or d > high:
                            continue
                        s = (
                            forward[kp, jp]
                            + own[k, j]
                            - skipped
                            - 0.5 * prior_weight * (d - mean) ** 2 / var
                        )
                        if s > forward[k, j]:
                            forward[k, j] = s
                            came_q[k, j] = kp
                            came_c[k, j] = jp
                    skipped += skip_cost[kp]
            lead += skip_cost[k]

        # Backward: best score of what can follow (interface, candidate).
        for k in range(q - 1, -1, -1):
            tail = 0.0
            for kn in range(k + 1, q):
                tail += skip_cost[kn]
            for j in range(width):
                backward[k, j] = -tail
                if forward[k, j] == -np.inf:
                    continue
                low = 0.0
                high = 0.0
                mean = 0.0
                var = 0.0
                skipped = 0.0
                for kn in range(k + 1, q):
                    low += low_us[kn - 1]
                    high += high_us[kn - 1]
                    mean += mean_us[kn - 1]
                    var += var_us2[kn - 1]
                    for jn in range(width):
                        if own[kn, jn] == -np.inf:
                            continue
                        d = at[jn] - at[j]
                        if d < low or d > high:
                            continue
                        s = (
                            backward[kn, jn]
                            + own[kn, jn]
                            - skipped
                            - 0.5 * prior_weight * (d - mean) ** 2 / var
                        )
                        if s > backward[k, j]:
                            backward[k, j] = s
                    skipped += skip_cost[kn]

        best = -np.inf
        best_q = -1
        best_c = -1
        for k in range(q):
            for j in range(width):
                if forward[k, j] > -np.inf:
                    tail = 0.0
                    for kn in range(k + 1, q):
                        tail += skip_cost[kn]
                    if forward[k, j] - tail > best:
                        best = forward[k, j] - tail
                        best_q = k
                        best_c = j
        for k in range(q):
            choice[i, k] = -1
            margin[i, k] = np.nan
        k = best_q
        j = best_c
        while k >= 0:
            choice[i, k] = j
            k, j = came_q[k, j], came_c[k, j]
        for k in range(q):
            if choice[i, k] < 0:
                continue
            second = -np.inf
            for j in range(width):
                if j != choice[i, k] and forward[k, j] > -np.inf:
                    second = max(second, forward[k, j] + backward[k, j])
            margin[i, k] = best - second
