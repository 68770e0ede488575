"""What is read off the traces of one state, by whichever engine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.quality.features import EchoFeatures
from echotrace.signal.candidates import Candidates

__all__ = ["CloseReading", "TraceReading"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseReading:
    """What was found where interfaces lie close together, or a wall repeats itself.

    Attributes
    ----------
    covariance_us2 : ndarray of float64, (n_traces, n_interfaces - 1)
        Of the delays of neighbouring interfaces, µs squared; zero where they were read apart.
    unsure : ndarray of float32, (n_traces,)
        Interfaces whose echoes overlap with others and cannot be told from them with certainty.
    repeats : ndarray of float32, (n_traces,)
        Echoes behind a wall, evenly spaced by its delay.
    as_stated : ndarray of bool, (n_traces,)
        Overlapping echoes were surely fitted with the template as it is. What interference does to
        their spectrum then says nothing against the stated carrier.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.chain.reading import CloseReading
    >>> CloseReading.nothing(2, 3).covariance_us2.shape
    (2, 2)
    """

    covariance_us2: NDArray[np.float64]
    unsure: NDArray[np.float32]
    repeats: NDArray[np.float32]
    as_stated: NDArray[np.bool_]

    @classmethod
    def nothing(cls, n_traces: int, n_interfaces: int) -> CloseReading:
        """Of traces without any of it.

        Parameters
        ----------
        n_traces, n_interfaces : int

        Returns
        -------
        CloseReading
        """
        return cls(
            covariance_us2=np.zeros((n_traces, n_interfaces - 1)),
            unsure=np.zeros(n_traces, np.float32),
            repeats=np.zeros(n_traces, np.float32),
            as_stated=np.zeros(n_traces, np.bool_),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceReading:
    """What was read off traces of one state.

    Attributes
    ----------
    delay_us, delay_u_us, margin : ndarray of float64, (n_traces, n_interfaces)
    candidates : Candidates
    echo_features : EchoFeatures
    close : CloseReading, optional
        None for a target whose interfaces neither can lie close together nor repeat themselves.

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
    close: CloseReading | None = None
