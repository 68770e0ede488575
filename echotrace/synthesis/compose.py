"""From a scenario to a recording: eyes, poses, echoes, artefacts, receiver, truth.

Every random draw belongs to one eye, one pose or one scan and has a generator of its own, so
that a trace depends on the scenario, the seed and its number only, never on how many traces are
made or in what blocks.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace import __version__
from echotrace.errors import ParameterError
from echotrace.recording import Recording, Truth
from echotrace.signal.receiver import apply_receiver
from echotrace.synthesis.alignment import (
    ALIGNMENT_CONVENTION,
    Pose,
    beam_through_eye,
    draw_compression_mm,
    draw_pose,
    incidence_deg,
)
from echotrace.synthesis.artefact_names import ARTEFACTS
from echotrace.synthesis.artefacts import GAIN_ERROR_DB
from echotrace.synthesis.described_eye import eye_of
from echotrace.synthesis.echoes import EyeEchoes, SampleGrid, eye_echoes
from echotrace.synthesis.eye_model import EyeModel
from echotrace.synthesis.eye_speeds import speeds_truth, with_speeds
from echotrace.synthesis.instrument import attempts_kept, displayed_length_mm
from echotrace.synthesis.probe import REFERENCE_SPEED_MM_PER_US, Disc
from echotrace.synthesis.receiver_input import artefact_bits, artefacts_by_chance, receiver_input
from echotrace.synthesis.scenario import read_scenario, scenario_from_mapping
from echotrace.synthesis.scenario_model import Scenario
from echotrace.target import eye_target

__all__ = ["Synthesis", "synthesise"]

# Streams of random numbers; part of what a seed means, so they never change.
_EYE, _COMPRESSION, _POSE, _SPECKLE, _SCAN, _POOL_POSE, _SHELL, _SPEEDS, _PROBE = range(1, 10)
# Attempts beyond the scans of a sitting are numbered from here on.
_FURTHER = 1 << 42

_KEPT_POSES = 1024
_EXTRA_INTERFACES = ("orbit",)
_LONGEST_EYE_MM = 33.0


@dataclass(frozen=True, slots=True)
class _Scan:
    """One trace before the receiver, with its truth."""

    amplitude: NDArray[np.float32]
    gain_db: float
    delay_us: NDArray[np.float64]
    truth: Mapping[str, float]
    flags: int


class Synthesis:
    """A scenario made ready: gives any of its traces, in blocks.

    Parameters
    ----------
    scenario : Scenario, mapping, str or Path
        A scenario, its tables, or the path of its file.
    seed : int, optional
        Zero or more; the scenario's own where it is None.

    Raises
    ------
    ParameterError
        A scenario that is not possible, or a seed that is no whole number from zero on.

    Examples
    --------
    >>> made = Synthesis({"scans": 3, "method": {"kind": "contact"}}, seed=1)
    >>> made.block(1, 3).n_traces
    2
    """

    def __init__(
        self,
        scenario: Scenario | Mapping[str, Any] | str | Path,
        *,
        seed: int | None = None,
    ) -> None:
        if isinstance(scenario, str | Path):
            scenario = read_scenario(scenario)
        elif not isinstance(scenario, Scenario):
            scenario = scenario_from_mapping(scenario)
        seed = scenario.seed if seed is None else seed
        if isinstance(seed, bool) or not isinstance(seed, int | np.integer) or seed < 0:
            raise ParameterError(f"seed={seed!r} must be a whole number, zero or more")
        self.scenario = scenario
        self.seed = int(seed)
        probe = scenario.probe
        self.disc = Disc(
            centre_frequency_hz=probe.centre_frequency_mhz * 1e6,
            fractional_bandwidth=probe.fractional_bandwidth,
            aperture_mm=probe.aperture_mm,
            focus_mm=probe.focus_mm,
            edge_taper=probe.edge_taper,
            tip_mm=probe.tip_mm,
        )
        rate_hz = scenario.receiver.sampling_rate_mhz * 1e6
        self.receiver = scenario.receiver_model()
        self.grid = SampleGrid(self.disc, rate_hz, self._sample_count(rate_hz))
        self._target = eye_target(
            scenario.eye.lens_state,
            lens_material=scenario.eye.lens_material,
            vitreous=scenario.eye.vitreous,
        )
        self.interfaces = (*self._target.interface_names, *_EXTRA_INTERFACES)
        self._echoes: OrderedDict[tuple[int, int], tuple[Pose, EyeEchoes]] = OrderedDict()
        self._eyes: dict[int, tuple[EyeModel, float]] = {}
        self._fixed = {item.number: item for item in scenario.scan}
        self._stops = scenario.operator.stops_within_mm > 0.0
        self._reads = scenario.instrument.reads or self._stops
        self._sitting_kept: tuple[int, list[_Scan]] = (-1, [])

    def _sample_count(self, rate_hz: float) -> int:
        duration_us = self.scenario.receiver.duration_us
        if math.isnan(duration_us):
            duration_us = self._duration_us()
        return 64 * math.ceil(duration_us * rate_hz * 1e-6 / 64)

    def _duration_us(self) -> float:
        """Long enough for the orbit of the eye, or of the longest eye of the population."""
        eye = eye_of(self.scenario.eye, None)
        path = beam_through_eye(self.disc, eye, self.scenario.method, Pose())
        population = self.scenario.eye.model == "population"
        spare_mm = _LONGEST_EYE_MM - eye.axial_length_mm if population else 0.0
        vitreous_speed = float(path.speed_mm_per_us[path.index("retina")])
        return float(path.delay_us[-1]) + 2.0 * spare_mm / vitreous_speed + 6.0

    def _rng(self, *key: int) -> np.random.Generator:
        return np.random.default_rng([self.seed, *key])

    def eye(self, index: int) -> EyeModel:
        """One of the scenario's eyes.

        Parameters
        ----------
        index : int
            Counted from 0.

        Returns
        -------
        EyeModel
        """
        return self._eye_and_compression(index)[0]

    def _eye_and_compression(self, index: int) -> tuple[EyeModel, float]:
        """The eye, and the mean compression that contact gives it, mm."""
        if index not in self._eyes:
            if len(self._eyes) > 4 * _KEPT_POSES:
                self._eyes.clear()
            method = self.scenario.method
            mean = (
                0.0
                if method.kind == "immersion"
                else draw_compression_mm(
                    self._rng(_COMPRESSION, index),
                    method.compression_mm,
                    method.compression_between_mm if self.scenario.eye.eyes > 1 else 0.0,
                )
            )
            eye = eye_of(self.scenario.eye, self._rng(_EYE, index))
            if spread := self.scenario.eye.speed_spread:
                eye = with_speeds(eye, self._rng(_SPEEDS, index), spread)
            self._eyes[index] = (eye, mean)
        return self._eyes[index]

    def _number(self, sitting: int, attempt: int) -> int:
        """Number of an attempt among all: what its random draws belong to."""
        scans = self.scenario.scans
        if attempt < scans:
            return sitting * scans + attempt
        return _FURTHER + sitting * self.scenario.operator.most_attempts + attempt

    def _pose_and_echoes(self, sitting: int, attempt: int) -> tuple[Pose, EyeEchoes]:
        """Pose of an attempt and the echoes at the eye's mean compression."""
        section, scans = self.scenario.pose, self.scenario.scans
        eye_index = sitting % self.scenario.eye.eyes
        scan = self._number(sitting, attempt)
        fixed = self._fixed.get(attempt + 1)
        as_held = fixed is None or not fixed.sets_pose
        if section.alignments and as_held:
            pool = scan % section.alignments
            key, rng = (eye_index, -1 - pool), self._rng(_POOL_POSE, eye_index, pool)
        else:
            key, rng = (eye_index, scan), self._rng(_POSE, scan)
        if key in self._echoes:
            self._echoes.move_to_end(key)
            return self._echoes[key]
        pose = draw_pose(section, rng, min(1.0, attempt / max(1, scans - 1)), fixed)
        shell_mm = self.scenario.method.shell_sd_mm
        if shell_mm > 0.0 and (fixed is None or math.isnan(fixed.decentration_mm)):
            pose = pose.shifted(*(shell_mm * self._rng(_SHELL, sitting).standard_normal(2)))
        eye, compression = self._eye_and_compression(eye_index)
        path = beam_through_eye(
            self.disc, eye, self.scenario.method, pose, compression_mm=compression
        )
        echoes = eye_echoes(
            self.disc,
            self.grid,
            eye,
            path,
            self._rng(_SPECKLE, eye_index, key[1] + (1 << 40)),
            on_nerve=section.kind == "optic_nerve" and as_held,
        )
        self._echoes[key] = (pose, echoes)
        if len(self._echoes) > _KEPT_POSES:
            self._echoes.popitem(last=False)
        return pose, echoes

    def echoes(self, scan: int) -> EyeEchoes:
        """Echoes of the interfaces and scatterers of one scan, before artefacts and receiver.

        Parameters
        ----------
        scan : int
            Counted from 0, over all sittings.

        Returns
        -------
        EyeEchoes
        """
        return self._pose_and_echoes(*divmod(scan, self.scenario.scans))[1]

    def _scan(self, scan: int) -> _Scan:
        """A scan of the recording, which need not be the attempt of the same number."""
        sitting, place = divmod(scan, self.scenario.scans)
        if not self._stops:
            return self._attempt(sitting, place)
        if self._sitting_kept[0] != sitting:
            made: list[_Scan] = []

            def reading_mm(attempt: int) -> float:
                made.append(self._attempt(sitting, attempt))
                return made[-1].truth["reading_mm"]

            kept = attempts_kept(self.scenario.operator, self.scenario.scans, reading_mm)
            self._sitting_kept = (sitting, [made[attempt] for attempt in kept])
        return self._sitting_kept[1][place]

    def _attempt(self, sitting: int, attempt: int) -> _Scan:
        scenario = self.scenario
        eye_index = sitting % scenario.eye.eyes
        eye, mean_compression = self._eye_and_compression(eye_index)
        pose, echoes = self._pose_and_echoes(sitting, attempt)
        fixed = self._fixed.get(attempt + 1)
        rng = self._rng(_SCAN, self._number(sitting, attempt))
        on = artefacts_by_chance(scenario, rng, fixed)
        contact = scenario.method.kind == "contact"
        compression = squeeze_us = 0.0
        if contact:
            compression = draw_compression_mm(
                rng, mean_compression, mean_compression * scenario.method.relative_compression_sd
            )
            if fixed is not None and not math.isnan(fixed.compression_mm):
                compression = fixed.compression_mm
            aqueous = echoes.names.index("cornea_back") + 1
            speed = float(echoes.path.speed_mm_per_us[aqueous])
            squeeze_us = -2.0 * (compression - mean_compression) / speed
        shift_us = scenario.receiver.jitter_ns * 1e-3 * rng.standard_normal()
        gap_mm = scenario.method.couplant_mm if on["couplant"] else 0.0
        shift_us += 2.0 * gap_mm / REFERENCE_SPEED_MM_PER_US

        is_front = np.array([name.startswith("cornea") for name in echoes.names])
        delay_us = echoes.delay_us + shift_us + np.where(is_front, 0.0, squeeze_us)
        flags = artefact_bits(scenario, on, pose, fixed)
        amplitude, passed = receiver_input(
            scenario,
            self.disc,
            self.grid,
            echoes,
            on,
            flags,
            rng,
            probe_rng=self._rng(_PROBE),
            shift_us=shift_us,
            squeeze_us=squeeze_us,
            delay_us=delay_us,
        )
        gain_db = scenario.receiver.gain_db
        if fixed is not None and not math.isnan(fixed.gain_db):
            gain_db = fixed.gain_db
        gain_db += GAIN_ERROR_DB * (on["gain_too_high"] - on["gain_too_low"])

        by_name = dict(zip(echoes.names, delay_us, strict=True))
        peak = dict(zip(echoes.names, echoes.peak, strict=True))
        truth = {
            "axial_length_mm": eye.axial_length_mm,
            "beam_length_mm": echoes.beam_length_mm - (compression - mean_compression),
            "tilt_deg": pose.tilt_deg,
            "tilt_azimuth_deg": pose.tilt_azimuth_deg,
            "decentration_mm": pose.decentration_mm,
            "decentration_azimuth_deg": pose.decentration_azimuth_deg,
            "cornea_incidence_deg": incidence_deg(echoes.path, "cornea_front"),
            "retina_incidence_deg": incidence_deg(echoes.path, "retina"),
            "compression_mm": compression,
            "couplant_mm": gap_mm,
            "snr_db": _level_db(passed * peak["retina"]) - scenario.receiver.noise_db,
            "eye_number": float(eye_index),
        }
        if scenario.eye.speed_spread:
            truth |= speeds_truth(eye, echoes.path, self._target)
        shifts = zip(echoes.names, echoes.shift_us, echoes.fit_shift_us, strict=True)
        for name, shift, fit_shift in shifts:
            if name in self.interfaces:
                truth[f"{name}_echo_shift_us"] = shift
                truth[f"{name}_fit_shift_us"] = fit_shift
        arrival_us = np.array([by_name[name] for name in self.interfaces])
        received = amplitude.astype(np.float32)
        if self._stops:
            truth["attempt"] = attempt + 1.0
        if self._reads:
            truth["reading_mm"] = self._reading_mm(received, gain_db, arrival_us)
        return _Scan(
            amplitude=received,
            gain_db=gain_db,
            delay_us=arrival_us,
            truth=truth,
            flags=flags,
        )

    def _reading_mm(
        self, amplitude: NDArray[np.float32], gain_db: float, arrival_us: NDArray[np.float64]
    ) -> float:
        """What the instrument displays of a trace."""
        samples = apply_receiver(
            amplitude[None], self.grid.delay_us, self.receiver, np.array([gain_db], np.float32)
        )[0]
        bits = self.receiver.bits
        return displayed_length_mm(
            self.scenario.instrument,
            self.disc,
            self._target,
            arrival_us[: len(self._target.interfaces)],
            self.grid.delay_us,
            samples,
            2.0 ** (bits - 1) - 1.0 if bits else self.receiver.full_scale,
            contact=self.scenario.method.kind == "contact",
        )

    def block(self, start: int, stop: int) -> Recording:
        """Traces ``start`` to ``stop`` (not included) as a recording.

        Parameters
        ----------
        start, stop : int
            Counted from 0, over all sittings; the first sitting holds traces 0 to ``scans - 1``.

        Returns
        -------
        Recording
            With its truth.

        Raises
        ------
        ParameterError
            No trace, or one before the first.
        """
        if not 0 <= start < stop:
            raise ParameterError(f"traces {start} to {stop}: give 0 <= start < stop")
        scenario = self.scenario
        scans = [self._scan(number) for number in range(start, stop)]
        gain_db = np.array([scan.gain_db for scan in scans], np.float32)
        samples = apply_receiver(
            np.stack([scan.amplitude for scan in scans]),
            self.grid.delay_us,
            self.receiver,
            gain_db,
        )
        first = round(scenario.near_field.starts_us * self.grid.sampling_rate_hz * 1e-6)
        columns: dict[str, NDArray[Any]] = {
            name: np.array([scan.truth[name] for scan in scans]) for name in scans[0].truth
        }
        columns["artefacts"] = np.array([scan.flags for scan in scans], np.uint32)
        sitting = [number // scenario.scans for number in range(start, stop)]
        eye = scenario.eye
        if eye.eyes > 1:
            subject = [f"{scenario.subject}-{item % eye.eyes + 1:04d}" for item in sitting]
        else:
            subject = [scenario.subject] * len(sitting)
        return Recording(
            samples=samples[:, first:],
            sampling_rate_hz=self.grid.sampling_rate_hz,
            start_delay_us=float(self.grid.delay_us[first]),
            method=scenario.method.kind,  # type: ignore[arg-type]
            probe=self.disc.as_probe(),
            receiver=self.receiver,
            gain_db=gain_db,
            subject=subject,  # type: ignore[arg-type]
            eye=eye.side,  # type: ignore[arg-type]
            lens_state=eye.lens_state,  # type: ignore[arg-type]
            lens_material=eye.lens_material,  # type: ignore[arg-type]
            vitreous=eye.vitreous,  # type: ignore[arg-type]
            operator=scenario.operator.label,  # type: ignore[arg-type]
            sitting=[str(item + 1) for item in sitting],  # type: ignore[arg-type]
            truth=Truth(
                interfaces=self.interfaces,
                delay_us=np.stack([scan.delay_us for scan in scans]),
                columns=columns,
            ),
            attributes=self._attributes(),
        )

    def _attributes(self) -> dict[str, str]:
        return {
            "source": "synthetic: invented eyes, no patient data",
            "scenario": self.scenario.name,
            "description": self.scenario.description,
            "seed": str(self.seed),
            "made_by": f"echotrace {__version__}",
            "alignment_convention": ALIGNMENT_CONVENTION,
            "artefact_names": " ".join(ARTEFACTS),
        }

    def blocks(self, count: int, n_traces: int = 256) -> Iterator[Recording]:
        """All traces up to ``count``, in blocks of at most ``n_traces``.

        Parameters
        ----------
        count : int
            Traces in all.
        n_traces : int
            Of a block, at most.

        Yields
        ------
        Recording

        Raises
        ------
        ParameterError
            No trace.
        """
        if count < 1:
            raise ParameterError(f"count={count!r} must be at least 1")
        for start in range(0, count, n_traces):
            yield self.block(start, min(count, start + n_traces))


def _level_db(peak: float) -> float:
    """Level of an echo, dB; NaN where there is none."""
    return 20.0 * math.log10(peak) if peak > 0.0 else math.nan


def synthesise(
    scenario: Scenario | Mapping[str, Any] | str | Path,
    seed: int | None = None,
    *,
    count: int | None = None,
) -> Recording:
    """Make a recording from a scenario.

    Parameters
    ----------
    scenario : Scenario, mapping, str or Path
        A scenario, its tables as a TOML file would give them, or the path of its file.
    seed : int, optional
        The same scenario, seed and number of a trace give the same trace. The scenario's own
        where it is None.
    count : int, optional
        Number of traces; one sitting of the scenario where it is None.

    Returns
    -------
    Recording
        With its truth.

    Raises
    ------
    ParameterError
        A scenario that is not possible, naming the key.

    Examples
    --------
    >>> recording = synthesise({"scans": 2, "pose": {"kind": "oblique", "tilt_deg": 4.0}}, seed=1)
    >>> recording
    Recording(2 traces of 5312 int16 samples at 100 MHz, rf, immersion, target eye)
    >>> recording.truth.columns["tilt_deg"].round(1).tolist()
    [3.8, 3.2]
    """
    made = Synthesis(scenario, seed=seed)
    n = made.scenario.scans if count is None else count
    if n < 1:
        raise ParameterError(f"count={n!r} must be at least 1")
    return made.block(0, n)
