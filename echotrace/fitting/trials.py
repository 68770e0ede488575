"""Synthetic sittings with a fixed seed, and the slips of a person that may follow."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np

from echotrace.chain.measure import measure
from echotrace.measurement import Measurement
from echotrace.media import Medium
from echotrace.recording import Receiver, Recording
from echotrace.settings import Settings, TargetGate
from echotrace.signal.gates import Gate, two_way_us
from echotrace.signal.pulse import gaussian_sigma_us
from echotrace.synthesis.compose import synthesise
from echotrace.target import Interface, Segment, Target

__all__ = [
    "Change",
    "FindingCase",
    "Trial",
    "at_rate",
    "echo_again",
    "in_scan",
    "on_a_plate",
    "said_to_be",
    "stopped_at",
    "trial",
]

Tables = Mapping[str, Any]
Change = Callable[[Recording], Recording]
_SEED = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One synthetic sitting.

    Attributes
    ----------
    done : str
        What was done, in a few words.
    tables : mapping
        Sections of a scenario; what is not named is the usual.
    change : callable, optional
        What a person did to the recording afterwards.
    settings : Settings
    target : Target, optional
        What the beam passes where that is no eye.

    Examples
    --------
    >>> trial("lid shut", artefacts={"blink": 1.0}).measured(1).finding_list(0)[0]
    'no_echo'
    """

    done: str
    tables: Tables = field(default_factory=dict)
    change: Change | None = None
    settings: Settings = field(default_factory=Settings)
    target: Target | None = None

    def recording(self, scans: int = 3) -> Recording:
        """Make the recording.

        Parameters
        ----------
        scans : int

        Returns
        -------
        Recording
        """
        tables = {key: dict(value) for key, value in self.tables.items()}
        made = synthesise({**tables}, seed=_SEED, count=scans)
        return made if self.change is None else self.change(made)

    def measured(self, scans: int = 3) -> Measurement:
        """Make and measure it.

        Parameters
        ----------
        scans : int

        Returns
        -------
        Measurement
        """
        return measure(self.recording(scans), self.settings, target=self.target)


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingCase:
    """What must raise a finding, and what comes near and must not.

    Attributes
    ----------
    finding : str
    case, near_miss : Trial
    alone : bool
        Only the second scan of the case is spoilt: its sitting shows it.

    Examples
    --------
    >>> shut = trial("lid shut", artefacts={"blink": 1.0})
    >>> FindingCase(finding="no_echo", case=shut, near_miss=trial("a good sitting")).finding
    'no_echo'
    """

    finding: str
    case: Trial
    near_miss: Trial
    alone: bool = False


def trial(done: str, change: Change | None = None, /, **tables: Any) -> Trial:
    """A sitting by what was done and the sections of its scenario.

    Parameters
    ----------
    done : str
    change : callable, optional
        What a person did to the recording afterwards.
    **tables : mapping
        Sections of the scenario.

    Returns
    -------
    Trial

    Examples
    --------
    >>> trial("contact", method={"kind": "contact"}).recording(2).method.present
    ('contact',)
    """
    return Trial(done=done, tables=MappingProxyType(tables), change=change)


def said_to_be(**labels: str | None) -> Change:
    """Labels that somebody entered wrongly.

    Parameters
    ----------
    **labels : str or None
        What the recording says instead.

    Returns
    -------
    callable
        From a recording to one that is changed.

    Examples
    --------
    >>> said_to_be(vitreous="gas")(trial("good").recording(1)).vitreous.present
    ('gas',)
    """

    def change(recording: Recording) -> Recording:
        return dataclasses.replace(recording, **labels)  # type: ignore[arg-type]

    return change


def at_rate(sampling_rate_hz: float) -> Change:
    """A sampling rate that somebody stated wrongly.

    Parameters
    ----------
    sampling_rate_hz : float
        What the recording says instead, Hz.

    Returns
    -------
    callable
        From a recording to one that states that rate.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> at_rate(9e7)(recording).sampling_rate_hz
    90000000.0
    """

    def change(recording: Recording) -> Recording:
        return dataclasses.replace(recording, sampling_rate_hz=sampling_rate_hz)

    return change


def stopped_at(name: str, after_us: float) -> Change:
    """The recorder stopped too early, or not quite.

    Parameters
    ----------
    name : str
        Interface.
    after_us : float
        How long after its first arrival the recording ends, µs; negative: before.

    Returns
    -------
    callable
        From a recording to one that is changed.

    Examples
    --------
    >>> stopped_at("retina", -1.0)(trial("good").recording(1)).n_samples
    4418
    """

    def change(recording: Recording) -> Recording:
        truth = recording.truth
        assert truth is not None
        last_us = float(truth.delay_us[:, truth.interfaces.index(name)].min()) + after_us
        stop = int(last_us * recording.sampling_rate_hz * 1e-6)
        return dataclasses.replace(recording, samples=np.asarray(recording.samples)[:, :stop])

    return change


def echo_again(name: str, after_us: float, height: float) -> Change:
    """The echo of an interface a second time.

    Parameters
    ----------
    name : str
    after_us : float
        Delay of the second after the first, µs.
    height : float
        Of the second over the first; negative takes away.

    Returns
    -------
    callable
        From a recording to one that is changed.

    Examples
    --------
    >>> echo_again("lens_back", 0.5, 0.9)(trial("good").recording(1)).samples.dtype
    dtype('int16')
    """

    def change(recording: Recording) -> Recording:
        truth = recording.truth
        assert truth is not None
        samples = np.array(recording.samples, np.float64)
        per_us = recording.sampling_rate_hz * 1e-6
        reach, shift = int(0.25 * per_us), round(after_us * per_us)
        for row, at_us in zip(
            samples, truth.delay_us[:, truth.interfaces.index(name)], strict=True
        ):
            at = round(at_us * per_us)
            row[at - reach + shift : at + reach + shift] += height * row[at - reach : at + reach]
        kind = recording.samples.dtype
        return dataclasses.replace(recording, samples=np.round(samples).astype(kind))

    return change


def in_scan(scan: int, change: Change) -> Change:
    """A change that befell one scan of a sitting.

    Parameters
    ----------
    scan : int
        From 0.
    change : callable

    Returns
    -------
    callable
        From a recording to one that is changed.

    Examples
    --------
    >>> made = trial("good").recording(2)
    >>> moved = in_scan(1, echo_again("lens_back", 0.5, 0.9))(made)
    >>> (np.asarray(moved.samples) != np.asarray(made.samples)).any(axis=1).tolist()
    [False, True]
    """

    def changed(recording: Recording) -> Recording:
        samples = np.array(recording.samples)
        samples[scan] = np.asarray(change(recording).samples)[scan]
        return dataclasses.replace(recording, samples=samples)

    return changed


# Steel, longitudinal waves, m/s (value from memory), and where its front face stands, µs.
_STEEL = Medium(
    name="steel", speed_m_per_s=5900.0, speed_u_m_per_s=20.0, source="value from memory"
)
_FRONT_US, _PLATE_NOISE = 6.0, 0.004


def on_a_plate(
    done: str, thickness_mm: float, heights: tuple[float, ...], range_mm: tuple[float, float]
) -> Trial:
    """A sitting on a steel plate in water: closed-form echoes in place of an eye's.

    Parameters
    ----------
    done : str
    thickness_mm : float
    heights : tuple of float
        Of the echoes of its faces and of their repeats, one delay of the plate apart.
    range_mm : tuple of float
        Where its thickness is looked for.

    Returns
    -------
    Trial

    Examples
    --------
    >>> plate = on_a_plate("steel plate", 3.0, (1.0, -0.4), (1.0, 6.0))
    >>> plate.measured(1).axial_length_mm.round(2).tolist()
    [3.0]
    """
    apart_us = two_way_us(thickness_mm, _STEEL.speed_m_per_s)

    def change(recording: Recording) -> Recording:
        probe = recording.probe
        sigma_us = gaussian_sigma_us(probe.centre_frequency_hz, probe.fractional_bandwidth)
        rng = np.random.default_rng(_SEED)
        samples = _PLATE_NOISE * rng.standard_normal(recording.samples.shape)
        for k, height in enumerate(heights):
            t = recording.delay_us - _FRONT_US - k * apart_us
            turn = 2.0 * np.pi * probe.centre_frequency_hz * 1e-6 * t
            samples += height * np.exp(-0.5 * (t / sigma_us) ** 2) * np.cos(turn)
        labels: dict[str, Any] = {"method": "other", "target": "steel plate", "gain_db": 0.0}
        return Recording(
            samples=samples.astype(np.float32),
            sampling_rate_hz=recording.sampling_rate_hz,
            start_delay_us=recording.start_delay_us,
            probe=probe,
            receiver=Receiver(full_scale=4.0),
            **labels,
        )

    gate = Gate(interface="near_face", start_us=_FRONT_US - 0.5, stop_us=_FRONT_US + 0.5)
    wall = Segment(
        name="plate",
        medium=_STEEL,
        mean_mm=0.5 * (range_mm[0] + range_mm[1]),
        sd_mm=math.inf,
        range_mm=range_mm,
    )
    return Trial(
        done=done,
        change=change,
        settings=Settings(gates=(TargetGate(method="any", target="any", gate=gate),)),
        target=Target(
            name="steel plate",
            interfaces=(Interface(name="near_face"), Interface(name="far_face")),
            segments=(wall,),
            length_from="near_face",
            length_to="far_face",
            temperature_c=20.0,
        ),
    )
