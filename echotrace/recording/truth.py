"""What is known of a synthetic recording, because it was made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import RecordingError
from echotrace.recording.samples import frozen

__all__ = ["Truth"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is exactly known of a synthetic recording. Never read by the measuring chain.

    Attributes
    ----------
    interfaces : tuple of str
    delay_us : ndarray of float64, (n_traces, n_interfaces)
        True arrival of each interface's echo along the beam; NaN where there is none.
    columns : mapping of str to ndarray, each (n_traces,)
        Further truths, the unit in the name: ``axial_length_mm`` (along the visual axis),
        ``beam_length_mm``, ``tilt_deg``, ``decentration_mm``, ``compression_mm``, ``snr_db``, …

    Raises
    ------
    RecordingError
        Arrays whose shapes do not go together, or a column that is no column of numbers.

    Examples
    --------
    >>> tilt_deg = np.array([0.4])
    >>> truth = Truth(interfaces=("front",), delay_us=[[14.1]], columns={"tilt_deg": tilt_deg})
    >>> float(truth.columns["tilt_deg"][0])
    0.4
    """

    interfaces: tuple[str, ...]
    delay_us: NDArray[np.float64]
    columns: Mapping[str, NDArray[Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        delay = frozen(self.delay_us, np.float64)
        if delay.ndim != 2 or delay.shape[1] != len(self.interfaces):
            raise RecordingError(
                f"truth: delay_us has shape {delay.shape}, expected (n_traces, "
                f"{len(self.interfaces)})"
            )
        object.__setattr__(self, "delay_us", delay)
        columns = {}
        for name, values in self.columns.items():
            array = np.asarray(values)
            array = frozen(array, array.dtype)
            if array.shape != (delay.shape[0],) or array.dtype.kind not in "fiu":
                raise RecordingError(
                    f"truth: column {name!r} must hold one number per trace, got shape "
                    f"{array.shape} of {array.dtype}"
                )
            columns[name] = array
        object.__setattr__(self, "columns", MappingProxyType(columns))

    def take(self, rows: slice | NDArray[Any]) -> Truth:
        """The truth of some of the traces.

        Parameters
        ----------
        rows : slice or ndarray
            Trace numbers, or one truth value per trace.

        Returns
        -------
        Truth
        """
        return Truth(
            interfaces=self.interfaces,
            delay_us=self.delay_us[rows],
            columns={name: values[rows] for name, values in self.columns.items()},
        )
