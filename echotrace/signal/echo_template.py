"""A measured pulse that can be kept, looked at and given: samples of one echo, and their rate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.signal.pulse import NYQUIST_SHARE, Pulse, pulse_of
from echotrace.user_input import check_keys, number, parsing, read_toml, text_of

__all__ = ["EchoTemplate", "read_template"]

_FEWEST, _MOST = 8, 4096
# At its ends an echo has faded to this part of its height; what is cut off has steps for slopes.
_MOST_AT_ENDS = 0.2
# Energy beyond what another rate can hold.
_MOST_BEYOND = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class EchoTemplate:
    """An echo as it was measured, as the template of the matched filter.

    Attributes
    ----------
    sampling_rate_hz : float
    rf : tuple of float
        Samples of one echo, in any unit, from where it rises to where it has faded.
    centre_us : float or None
        Where in it a delay is read, µs after the first sample; None: at its envelope's largest.
    source : str
        Where it comes from, for people.

    Raises
    ------
    ParameterError
        Too few samples or too many, none that is not zero, an echo that is cut off at its ends, or
        a centre outside.

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> t_us = np.arange(-40, 41) / 100.0
    >>> rf = np.exp(-0.5 * (t_us / 0.07) ** 2) * np.cos(2.0 * np.pi * 9.5 * t_us)
    >>> template = et.EchoTemplate(sampling_rate_hz=100e6, rf=tuple(rf), source="a bench")
    >>> round(template.pulse(50e6).centre_frequency_hz * 1e-6, 2)
    9.5
    >>> settings = et.Settings(template=template)
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> et.measure(recording, settings).axial_length_mm[:2].round(2).tolist()
    [23.4, 23.4]
    """

    sampling_rate_hz: float
    rf: tuple[float, ...]
    centre_us: float | None = None
    source: str = ""

    def __post_init__(self) -> None:
        if not 1e4 <= self.sampling_rate_hz <= 1e11:
            raise ParameterError(
                f"template: sampling_rate_hz={self.sampling_rate_hz!r} must lie between 1e4 and "
                "1e11 Hz"
            )
        if not _FEWEST <= len(self.rf) <= _MOST:
            raise ParameterError(
                f"template: rf holds {len(self.rf)} samples; give {_FEWEST} to {_MOST} of one echo"
            )
        samples = np.asarray(self.rf, np.float64)
        if not np.isfinite(samples).all() or not samples.any():
            raise ParameterError("template: rf must hold finite samples that are not all zero")
        envelope = np.abs(_analytic(samples))
        ends = max(envelope[0], envelope[-1])
        if ends > _MOST_AT_ENDS * envelope.max():
            part = 100.0 * float(ends / envelope.max())
            raise ParameterError(
                f"template: rf is cut off: at an end it still has {part:.0f} % of its height; give "
                f"it from before it rises to where it has faded below {100.0 * _MOST_AT_ENDS:.0f} %"
            )
        last_us = (len(self.rf) - 1) / self.sampling_rate_hz * 1e6
        if self.centre_us is not None and not 0.0 <= self.centre_us <= last_us:
            raise ParameterError(
                f"template: centre_us={self.centre_us!r} must lie between 0 and {last_us:g} µs, "
                "within its samples"
            )

    def pulse(self, sampling_rate_hz: float) -> Pulse:
        """The template at the sampling rate of a recording.

        Parameters
        ----------
        sampling_rate_hz : float

        Returns
        -------
        Pulse
            With a unit peak envelope and its centre in the middle.

        Raises
        ------
        ParameterError
            Its band does not fit that rate.
        """
        samples = np.asarray(self.rf, np.float64)
        analytic, size = _analytic(samples), samples.size
        rate = self.sampling_rate_hz
        if self.centre_us is None:
            centre = _crest(np.abs(analytic))
        else:
            centre = self.centre_us * rate * 1e-6
        spectrum = np.fft.fft(analytic, 2 * size)
        frequency_hz = np.fft.fftfreq(2 * size, 1.0 / rate)
        beyond = np.abs(frequency_hz) > 0.5 * NYQUIST_SHARE * sampling_rate_hz
        power = np.abs(spectrum) ** 2
        if power[beyond].sum() > _MOST_BEYOND * power.sum():
            raise ParameterError(
                f"template: its band reaches beyond {NYQUIST_SHARE:g} of half the recording's "
                f"sampling rate of {sampling_rate_hz:g} Hz; check both rates"
            )
        reach = max(centre, size - 1 - centre) / rate
        half = max(4, int(np.ceil(reach * sampling_rate_hz)))
        at = centre + np.arange(-half, half + 1) * (rate / sampling_rate_hz)
        inside = (at > -0.5) & (at < size - 0.5)
        turns = np.exp(2j * np.pi * np.multiply.outer(at[inside], np.fft.fftfreq(2 * size)))
        moved = np.zeros(2 * half + 1, np.complex128)
        moved[inside] = turns @ spectrum / (2 * size)
        return pulse_of(moved / np.abs(moved).max(), sampling_rate_hz)

    @classmethod
    def of_pulse(cls, pulse: Pulse, source: str = "") -> EchoTemplate:
        """A pulse as a template that can be kept.

        Parameters
        ----------
        pulse : Pulse
        source : str

        Returns
        -------
        EchoTemplate
        """
        return cls(
            sampling_rate_hz=pulse.sampling_rate_hz,
            rf=tuple(round(float(x), 9) for x in pulse.analytic.real),
            centre_us=round(pulse.half_length / pulse.sampling_rate_hz * 1e6, 9),
            source=source,
        )

    def to_table(self) -> dict[str, Any]:
        """As a plain table, as TOML and JSON have it.

        Returns
        -------
        dict of str to object
        """
        table: dict[str, Any] = {"sampling_rate_hz": self.sampling_rate_hz}
        if self.centre_us is not None:
            table["centre_us"] = self.centre_us
        if self.source:
            table["source"] = self.source
        return table | {"rf": list(self.rf)}

    @classmethod
    def from_table(cls, table: Mapping[str, Any], where: str = "template") -> EchoTemplate:
        """A template out of a plain table.

        Parameters
        ----------
        table : mapping
        where : str
            What errors name as the place.

        Returns
        -------
        EchoTemplate

        Raises
        ------
        ParameterError
            Naming the key.
        """
        check_keys(table, ("sampling_rate_hz", "centre_us", "source", "rf"), where)
        for key in ("sampling_rate_hz", "rf"):
            if key not in table:
                raise ParameterError(f"{where}: {key} must be given")
        samples = table["rf"]
        if not isinstance(samples, list):
            raise ParameterError(f"{where}: rf must be a list of numbers, one for each sample")
        if len(samples) > _MOST:
            raise ParameterError(f"{where}: rf holds more than {_MOST} samples")
        centre = table.get("centre_us")
        try:
            return cls(
                sampling_rate_hz=number(
                    table["sampling_rate_hz"], f"{where}: sampling_rate_hz", low=1e4, high=1e11
                ),
                rf=tuple(
                    number(x, f"{where}: rf, sample {k + 1}", low=-1e12, high=1e12)
                    for k, x in enumerate(samples)
                ),
                centre_us=None
                if centre is None
                else number(centre, f"{where}: centre_us", low=0.0, high=1e6),
                source=text_of(table, "source", where, ""),
            )
        except ParameterError as error:
            said = str(error)
            raise ParameterError(said if said.startswith(where) else f"{where}: {said}") from None


def _analytic(samples: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Analytic signal, without what the ends would wrap round."""
    size = samples.size
    return np.asarray(scipy.signal.hilbert(samples, 4 * size)[:size], np.complex128)


def _crest(envelope: NDArray[np.float64]) -> float:
    """Place of the largest value, between samples by a parabola through the logarithm."""
    k = int(np.argmax(envelope))  # never at an end: what is cut off there is refused
    before, here, after = np.log(np.maximum(envelope[k - 1 : k + 2], 1e-300))
    bend = 2.0 * here - before - after
    return k + (0.5 * float(after - before) / float(bend) if bend > 0.0 else 0.0)


def read_template(path: str | Path) -> EchoTemplate:
    """Read a measured pulse from a TOML file.

    Parameters
    ----------
    path : str or Path
        With ``sampling_rate_hz``, ``rf`` (a list of samples), and if wanted ``centre_us`` and
        ``source``.

    Returns
    -------
    EchoTemplate

    Raises
    ------
    ParameterError
        Naming the file and the key.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "pulse.toml"
    >>> et.write_template(et.measure_template(recording, "cornea_front"), path)
    >>> round(et.read_template(path).pulse(100e6).centre_frequency_hz * 1e-6)
    10
    """
    path = Path(path)
    table = read_toml(path)
    with parsing(path, "a measured pulse", error=ParameterError):
        return EchoTemplate.from_table(table, str(path))
