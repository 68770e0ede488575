"""The whole reading of a block of traces in one call of the fused kernel, where that applies.

The plain chain goes step by step and serves every picker and envelope. The usual combination
(RF, matched filter of a symmetric pulse, quadrature envelope) is read by
:mod:`echotrace.kernels.fused`, which gives the same picks and features many times faster; this
module says what its filters are, and when it applies.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.reading import TraceReading
from echotrace.quality.features import (
    EchoFeatures,
    echo_reach_samples,
    nominal_rise_us,
    trace_windows,
)
from echotrace.recording import Method, Recording, Signal
from echotrace.signal.candidates import empty_candidates, search_plan
from echotrace.signal.choice_plan import choice_plan
from echotrace.signal.conditioning import envelope_band_hz
from echotrace.signal.envelope import image_is_negligible, matched_taps, quadrature_taps
from echotrace.signal.gates import Gate, lowest_threshold_db
from echotrace.signal.noise import lsb_noise
from echotrace.signal.picking import calibrated_offset_sample, skirt_samples
from echotrace.signal.pulse import Pulse
from echotrace.signal.receiver import clipping_level, inverse_gain, lsb_amplitude
from echotrace.target import Target

if TYPE_CHECKING:
    from echotrace.kernels.echoes import SearchPlan
    from echotrace.kernels.evidence import ChoicePlan
    from echotrace.kernels.filters import FilterPlan
    from echotrace.kernels.fused import ReadPlan
    from echotrace.settings import Settings

__all__ = ["BlockReader", "block_reader", "filter_plan"]


# The two filters in a row may differ from the matched filter by this fraction of its norm.
_TOLERANCE = 1e-3
# Fewer grid points than this tell too little of a trace's noise.
_LEAST_GRID = 64


def _padded(taps: NDArray[np.complexfloating], multiple: int) -> NDArray[np.float32]:
    """Cosine and sine rows, filled with zeros to a multiple of a size."""
    out = np.zeros((2, math.ceil(taps.size / multiple) * multiple), np.float32)
    out[0, : taps.size], out[1, : taps.size] = taps.real, taps.imag
    return out


class _PulseKey(Pulse):
    """A pulse that can be looked up; pulses made from one probe are equal."""

    __slots__ = ()

    def __hash__(self) -> int:
        return hash((self.analytic.tobytes(), self.sampling_rate_hz))

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, Pulse)
            and self.sampling_rate_hz == other.sampling_rate_hz
            and np.array_equal(self.analytic, other.analytic)
        )


def filter_plan(pulse: Pulse, bandwidth_hz: float, n_samples: int) -> FilterPlan | str:
    """The filters of the fused kernel.

    Parameters
    ----------
    pulse : Pulse
    bandwidth_hz : float
        Of the plain envelope.
    n_samples : int

    Returns
    -------
    FilterPlan or str
        The reason where the matched filter is not the plain envelope's filter followed by a short
        symmetric one: a pulse that is not symmetric about its centre, an envelope narrower than
        the pulse or so wide that its filter passes the carrier's mirror image; or where the
        traces are too short for statistics of their noise.

    Examples
    --------
    >>> from echotrace.chain.fused import filter_plan
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> pulse = gaussian_pulse(100e6, 10e6, 0.6)
    >>> print(filter_plan(pulse, 9e6, 4096).stride, filter_plan(pulse, 9e6, 128))
    5 traces of 128 samples are too short for it, from 316 on it reads them
    """
    key = _PulseKey(
        pulse.analytic, pulse.sampling_rate_hz, pulse.centre_frequency_hz, pulse.rms_bandwidth_hz
    )
    return _filter_plan(key, bandwidth_hz, n_samples)


@lru_cache(maxsize=32)
def _filter_plan(pulse: Pulse, bandwidth_hz: float, n_samples: int) -> FilterPlan | str:
    from echotrace.kernels.filters import ARM, TAPS, FilterPlan

    stride = pulse.grid_stride
    n_grid = math.ceil(n_samples / stride)
    if n_grid < _LEAST_GRID:
        return (
            f"traces of {n_samples} samples are too short for it, from "
            f"{(_LEAST_GRID - 1) * stride + 1} on it reads them"
        )
    if not image_is_negligible(pulse.centre_frequency_hz, bandwidth_hz):
        return (
            f"an envelope of {bandwidth_hz * 1e-6:.3g} MHz about "
            f"{pulse.centre_frequency_hz * 1e-6:.3g} MHz is so wide that it passes the carrier's "
            "mirror image"
        )
    rate_hz = pulse.sampling_rate_hz
    turn = 2.0 * np.pi * pulse.centre_frequency_hz / rate_hz
    taps = quadrature_taps(rate_hz, pulse.centre_frequency_hz, bandwidth_hz)
    half = taps.size // 2
    band = np.real(taps * np.exp(1j * turn * np.arange(-half, half + 1)))
    # Correlation with the pulse, at baseband; real where the pulse is symmetric.
    wanted = matched_taps(pulse)
    around = np.arange(-pulse.half_length, pulse.half_length + 1)
    base = wanted * np.exp(1j * turn * around)
    size = 2 * (max(pulse.half_length, half + ARM * stride) + 2) + 1
    target = np.zeros(size, np.complex128)
    middle = size // 2
    target[middle - pulse.half_length : middle + pulse.half_length + 1] = base
    columns = np.zeros((size, ARM + 1))
    odd = np.zeros((size, ARM + 1))
    for k in range(ARM + 1):
        for sign in (-1, 1):
            at = middle + sign * k * stride
            columns[at - half : at + half + 1, k] += band if k else 0.5 * band
            odd[at - half : at + half + 1, k] += sign * band if k else 0.0
    rest = np.linalg.lstsq(columns, target.real, rcond=None)[0]
    frequency = np.fft.fftfreq(size)
    slope_per_us = np.real(np.fft.ifft(2j * np.pi * frequency * np.fft.fft(target.real)))
    slope_per_us *= rate_hz * 1e-6
    rest_slope = np.zeros(ARM + 1)
    rest_slope[1:] = np.linalg.lstsq(odd[:, 1:], slope_per_us, rcond=None)[0]
    norm = np.linalg.norm
    if norm(columns @ rest - target) > _TOLERANCE * norm(target) or norm(
        odd @ rest_slope - slope_per_us
    ) > 5.0 * _TOLERANCE * norm(slope_per_us):
        return (
            "the matched filter cannot be made of the envelope's filter and a short one, as the "
            "pulse is not symmetric, or its band wider than the envelope's"
        )
    # The first tap a whole number of grid points before the centre, split by phase; and in a row.
    ahead = math.ceil(half / stride) * stride
    split = _padded(np.concatenate([np.zeros(ahead - half), taps]), TAPS * stride)
    # Whole vector registers of outputs and of the matched filter's taps.
    phase = turn * stride * (np.arange(n_grid + 2 * ARM) - ARM)
    return FilterPlan(
        stride=stride,
        n_grid=n_grid,
        lead=ARM + ahead // stride,
        pulse_half=pulse.half_length,
        band=np.ascontiguousarray(split.reshape(2, -1, stride).swapaxes(1, 2)),
        near=_padded(taps, TAPS)[:, None, :],
        near_half=half,
        turn=_padded(np.exp(1j * phase), 8),
        # Correlating with an odd kernel: slope of the output, not of the kernel.
        rest=np.stack([rest, -rest_slope]).astype(np.float32),
        pulse=_padded(wanted, 8),
    )


@dataclass(frozen=True, slots=True)
class BlockReader:
    """What the fused kernel needs to read blocks of traces of one state; made once for all blocks.

    Attributes
    ----------
    filters, search, chooser, plan : tuple
        Plans of :mod:`echotrace.kernels.filters`, :mod:`~echotrace.kernels.echoes`,
        :mod:`~echotrace.kernels.evidence` and :mod:`~echotrace.kernels.fused`.
    first_us : float
        Known delay of the first interface, µs; NaN where it is looked for.
    nominal_rise_us : float

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.block import prepare
    >>> (reader,) = prepare(recording).readers.values()
    >>> reader.read(recording).margin.shape
    (6, 6)
    """

    filters: FilterPlan
    search: SearchPlan
    chooser: ChoicePlan
    plan: ReadPlan
    first_us: float
    nominal_rise_us: float

    def read(self, block: Recording) -> TraceReading:
        """Read traces in memory.

        Parameters
        ----------
        block : Recording
            Of the state the reader was made for.

        Returns
        -------
        TraceReading
        """
        from echotrace.kernels import fused

        samples = np.asarray(block.samples)
        n, q = samples.shape[0], self.chooser.gate.shape[0]
        trace_scale, sample_scale = inverse_gain(block.delay_us, block.receiver, block.gain_db, n)
        candidates = empty_candidates(n)
        out = fused.Reading(
            count=candidates.count,
            sample=candidates.sample,
            delay_us=candidates.delay_us,
            level_db=candidates.level_db,
            before_db=candidates.before_db,
            broadening=candidates.broadening,
            feature=np.empty((n, q, fused.FEATURES)),
            noise=np.empty(n),
            clipped=np.empty(n, np.int64),
            window=np.empty((n, self.plan.window.shape[0], 2), np.float32),
        )
        fused.read_rows(
            samples,
            trace_scale,
            sample_scale,
            lsb_amplitude(samples.dtype, trace_scale, sample_scale),
            self.filters,
            self.search,
            self.chooser,
            self.plan,
            out,
        )
        # One row a feature and interface: columns of what follows are contiguous.
        feature = np.ascontiguousarray(out.feature.transpose(2, 1, 0)).transpose(0, 2, 1)
        step_us = self.search.step_us
        delay_us = block.start_delay_us + feature[fused.SAMPLE] * step_us
        delay_u_us = feature[fused.U_SAMPLE] * step_us
        if not math.isnan(self.first_us):
            # The corneal front lies at the probe's face; its uncertainty is shared by all scans.
            delay_us[:, 0], delay_u_us[:, 0] = self.first_us, 0.0
        return TraceReading(
            delay_us=delay_us,
            delay_u_us=delay_u_us,
            margin=feature[fused.MARGIN],
            candidates=candidates,
            echo_features=EchoFeatures(
                noise=out.noise,
                height=feature[fused.HEIGHT].astype(np.float32),
                rise_us=(feature[fused.RISE] * step_us).astype(np.float32),
                width_us=(feature[fused.WIDTH] * step_us).astype(np.float32),
                clipped=feature[fused.CLIPPED].astype(np.int32),
                clipped_fraction=(out.clipped / samples.shape[1]).astype(np.float32),
                largest=out.window[:, :, 0],
                mean_square=out.window[:, :, 1],
                nominal_rise_us=self.nominal_rise_us,
            ),
        )


def block_reader(
    recording: Recording,
    method: str,
    target: Target,
    settings: Settings,
    pulse: Pulse,
    gates: Sequence[Gate],
) -> BlockReader | str:
    """Prepare the fused kernel for the traces of one state.

    Parameters
    ----------
    recording : Recording
        Any part of it: only what all traces share is looked at.
    method : str
    target : Target
    settings : Settings
    pulse : Pulse
    gates : sequence of Gate

    Returns
    -------
    BlockReader or str
        Why it does not apply, where it does not; that does not depend on the state.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.fused import block_reader
    >>> from echotrace.chain.states import gates_for
    >>> from echotrace.chain.template import template_pulse
    >>> eye, settings = et.eye_target("phakic"), et.Settings()
    >>> pulse, gates = template_pulse(recording, settings), gates_for(eye, "immersion", settings)
    >>> block_reader(recording, "immersion", eye, settings, pulse, gates).search.stride
    5
    """
    if recording.signal != Signal.RF:
        return "the recording holds envelopes, and it reads RF"
    if settings.picking.picker != "matched_filter":
        return f"picker {settings.picking.picker!r} is not its own, which is 'matched_filter'"
    if settings.envelope.method != "quadrature":
        return f"envelope method {settings.envelope.method!r} is not its own, which is 'quadrature'"
    bandwidth_hz = envelope_band_hz(pulse, settings.envelope.bandwidth)
    filters = filter_plan(pulse, bandwidth_hz, recording.n_samples)
    if isinstance(filters, str):
        return filters
    from echotrace.kernels.fused import ReadPlan

    first_us = recording.probe.face_delay_us if method == Method.CONTACT else math.nan
    threshold_db = settings.picking.threshold_db(pulse, recording.n_samples)
    search = search_plan(
        pulse,
        recording.signal,
        recording.start_delay_us,
        lowest_threshold_db(gates, threshold_db),
    )
    reach, far = echo_reach_samples(pulse)
    limit = math.inf
    if recording.receiver is not None:
        limit = clipping_level(recording.samples.dtype, recording.receiver)
    window = [
        (
            target.index(part.start[0]),
            part.start[1] / search.step_us,
            target.index(part.stop[0]),
            part.stop[1] / search.step_us,
        )
        for part in trace_windows(target)
    ]
    return BlockReader(
        filters=filters,
        search=search,
        chooser=choice_plan(
            gates,
            target,
            jointly=settings.picking.choice == "jointly",
            first_us=first_us,
            settings=settings.joint_choice,
            threshold_db=threshold_db,
        ),
        plan=ReadPlan(
            clip_high=np.float32(limit),
            clip_low=np.float32(-limit),
            flat_tops=recording.receiver is None,
            offset_sample=calibrated_offset_sample(
                pulse,
                settings.envelope.method,
                bandwidth_hz,
                recording.signal,
                settings=settings.pickers,
            ),
            climb=max(2, pulse.grid_stride),
            skirt=skirt_samples(pulse),
            first_sample=(first_us - recording.start_delay_us) / search.step_us,
            reach=reach,
            far=far,
            lsb_noise=np.array(lsb_noise(pulse, bandwidth_hz, recording.signal)),
            window=np.array(window, np.float64).reshape(-1, 4),
        ),
        first_us=first_us,
        nominal_rise_us=nominal_rise_us(pulse, bandwidth_hz),
    )
