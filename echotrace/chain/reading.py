"""What is read off the traces of one state, by whichever engine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.quality.features import EchoFeatures
from echotrace.signal.candidates import Candidates

__all__ = ["TraceReading"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceReading:
    """What was read off traces of one state.

    Attributes
    ----------
    delay_us, delay_u_us, margin : ndarray of float64, (n_traces, n_interfaces)
    candidates : Candidates
    echo_features : EchoFeatures

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.block import prepare
    >>> (reader,) = prepare(recording).readers.values()
    >>> reader.read(recording).delay_us.shape
    (6, 6)
    """

    delay_us: NDArray[np.float64]
    delay_u_us: NDArray[np.float64]
    margin: NDArray[np.float64]
    candidates: Candidates
    echo_features: EchoFeatures
