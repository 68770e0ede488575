"""The sum of the score's terms."""

from __future__ import annotations

import numpy as np

from echotrace.kernels.jit import kernel

__all__ = ["add_worth"]


@kernel
def add_worth(values, knots, nats, absent_nats, total):
    """Add to each trace what a term is worth: a line through the knots, level beyond them.

    Piece by piece, for then the compiler takes several traces at a time.

    Parameters
    ----------
    values : (n,) float32
        The term's feature; NaN where it could not be had.
    knots, nats : (k,) float64
    absent_nats : float
    total : (n,) float64, in and out
    """
    for i in range(values.size):
        total[i] += absent_nats if np.isnan(values[i]) else nats[0]
    for k in range(knots.size - 1):
        low, high = knots[k], knots[k + 1]
        slope = (nats[k + 1] - nats[k]) / (high - low)
        if slope == 0.0:
            continue
        for i in range(values.size):
            # What is not there stays at the piece's foot, where it adds nothing.
            x = values[i] if values[i] > low else low
            x = x if x < high else high
            total[i] += slope * (x - low)
