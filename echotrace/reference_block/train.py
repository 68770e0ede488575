"""The train of echoes between the faces of a block: one at every whole multiple of its delay."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.conditioned import condition_block
from echotrace.chain.template import template_pulse
from echotrace.errors import ParameterError, RecordingError
from echotrace.recording import Method, Recording
from echotrace.settings import Settings
from echotrace.signal.candidates import find_echoes
from echotrace.signal.picking import pick_echoes

__all__ = ["EchoTrain", "FirstEcho", "find_trains"]

Float = NDArray[np.float64]
FirstEcho = Literal["front", "back"]

# The speed of a block is known to within this part before it is measured.
_SPEED_OFF = 0.06
_MOST_CANDIDATES, _MOST_ORDERS, _NEAR_TALLEST_DB = 40, 12, 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class EchoTrain:
    """Echoes of a block in each trace, by how often they have crossed it there and back.

    Attributes
    ----------
    orders : ndarray of int, (n_orders,)
        Crossings there and back: 0 is the front face, 1 the back face, 2 the first repeat, …
    delay_us, u_us : ndarray of float64, (n_traces, n_orders)
        Two-way delays and their standard uncertainties from noise, µs; NaN where there is none.
    height_db : ndarray of float64, (n_traces, n_orders)
        Of the envelope, gain undone, dB in the units of the samples.
    clipped : ndarray of bool, (n_traces, n_orders)
    pulse_width_us : float
        Of the template, µs.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.reference_block.train import EchoTrain
    >>> one = np.full((1, 2), 3.0)
    >>> train = EchoTrain(orders=np.array([1, 2]), delay_us=one, u_us=one, height_db=one,
    ...                   clipped=one > 4.0, pulse_width_us=0.15)
    >>> train.orders.tolist()
    [1, 2]
    """

    orders: NDArray[np.intp]
    delay_us: Float
    u_us: Float
    height_db: Float
    clipped: NDArray[np.bool_]
    pulse_width_us: float


def find_trains(
    recording: Recording,
    spacing_us: Float,
    *,
    first: FirstEcho | None = None,
    after_us: float | None = None,
    settings: Settings | None = None,
) -> EchoTrain:
    """Find the echo train of a block in every trace.

    Parameters
    ----------
    recording : Recording
    spacing_us : ndarray of float64, (n_traces,)
        Expected delay through the block and back, µs; the train's may lie 6 % to either side.
    first : {"front", "back"}, optional
        What the earliest echo of the train is: the front face of a block in a bath, or the back
        face of one that the probe touches. None: back in contact, else front.
    after_us : float, optional
        Delay before which nothing counts (transmit pulse, ringing), µs; None: two pulse widths.
    settings : Settings, optional
        Template, picker and threshold.

    Returns
    -------
    EchoTrain

    Raises
    ------
    ParameterError
        ``first`` is not one of these.
    RecordingError
        No trace holds two echoes of such a train.

    Examples
    --------
    >>> import echotrace as et
    >>> t_us = np.arange(3000) / 100.0  # a plate in a bath: its front and three repeats of its back
    >>> def echo(at):
    ...     return np.exp(-(((t_us - at) / 0.0625) ** 2) / 2) * np.cos(20 * np.pi * (t_us - at))
    >>> rf = sum((-0.6) ** k * echo(8.0 + 3.4 * k) for k in range(4))
    >>> rf = rf + 0.003 * np.random.default_rng(1).standard_normal(t_us.size)
    >>> recording = et.Recording(
    ...     samples=rf[None], sampling_rate_hz=100e6, start_delay_us=0.0, method="immersion",
    ...     eye="none", lens_state="none",
    ...     probe=et.Probe(centre_frequency_hz=10e6, fractional_bandwidth=0.6, face_delay_us=0.0),
    ... )
    >>> train = find_trains(recording, np.array([3.4]))
    >>> train.orders.tolist(), train.delay_us.round(2).tolist()
    ([0, 1, 2, 3], [[8.0, 11.4, 14.8, 18.2]])
    """
    settings = settings or Settings()
    if first is not None and first not in get_args(FirstEcho):
        raise ParameterError(f"first={first!r}: use 'front' or 'back'")
    touching = recording.method.present == (str(Method.CONTACT),)
    begin = 1 if (first or ("back" if touching else "front")) == "back" else 0
    pulse = template_pulse(recording, settings)
    traces = condition_block(recording, pulse, settings)
    threshold_db = settings.picking.threshold_db(pulse, recording.n_samples)
    found = find_echoes(traces, threshold_db=threshold_db)
    least_us = 2.0 * pulse.width_us if after_us is None else after_us
    n = recording.n_traces
    sample = np.full((n, _MOST_ORDERS), -1, np.intp)
    for i in range(n):
        c = slice(0, found.count[i])
        delay, level = found.delay_us[i, c], found.level_db[i, c].astype(np.float64)
        kept = np.flatnonzero(delay >= least_us)
        kept = np.sort(kept[np.argsort(-level[kept], kind="stable")[:_MOST_CANDIDATES]])
        train = _best_train(delay[kept], level[kept], float(spacing_us[i]), pulse.width_us)
        if begin and len(train) > 1:
            # What would put the face before delay zero is the face itself.
            face_us = 2.0 * delay[kept[train[0]]] - delay[kept[train[1]]]
            if face_us < -0.5 * pulse.width_us - 0.01 * spacing_us[i]:
                train = train[1:]
        train = train[:_MOST_ORDERS]
        sample[i, : len(train)] = found.sample[i, kept[train]]
    if (sample[:, 1] < 0).all():
        raise RecordingError(
            "no trace holds two echoes that are one delay of the block apart "
            f"({np.min(spacing_us):.4g} to {np.max(spacing_us):.4g} µs, within 6 %); are "
            "thickness, material and temperature right, and does the recording reach that far?"
        )
    used = int((sample >= 0).any(axis=0).sum())
    sample = sample[:, :used]
    rows, columns = np.nonzero(sample >= 0)
    picks = pick_echoes(
        traces,
        rows,
        sample[rows, columns],
        picker=settings.picking.picker,
        settings=settings.pickers,
    )
    delay_us, u_us, height_db = (np.full(sample.shape, np.nan) for _ in range(3))
    delay_us[rows, columns] = traces.to_delay_us(picks.sample)
    u_us[rows, columns] = picks.u_sample * traces.step_us
    at = sample[rows, columns]
    height_db[rows, columns] = 20.0 * np.log10(np.maximum(traces.matched_envelope[rows, at], 1e-30))
    clipped = np.zeros(sample.shape, np.bool_)
    reach = round(pulse.width_us / traces.step_us)
    around = np.clip(at[:, None] + np.arange(-reach, reach + 1), 0, recording.n_samples - 1)
    clipped[rows, columns] = traces.clipped[rows[:, None], around].any(axis=1)
    return EchoTrain(
        orders=begin + np.arange(used),
        delay_us=delay_us,
        u_us=u_us,
        height_db=height_db,
        clipped=clipped,
        pulse_width_us=pulse.width_us,
    )


def _best_train(delay: Float, level: Float, spacing_us: float, width_us: float) -> list[int]:
    """The train whose echoes are tallest together; of two alike, the earlier one."""
    best: list[int] = []
    best_sum = 0.0
    for a in range(delay.size):
        apart = delay - delay[a]
        for b in np.flatnonzero(np.abs(apart - spacing_us) <= _SPEED_OFF * spacing_us):
            train = [a, int(b)]
            while len(train) < _MOST_ORDERS + 1:
                step = (delay[train[-1]] - delay[a]) / (len(train) - 1)
                # Beam spread and reversal shift an echo by a fraction of its width.
                off = np.abs(delay - delay[train[-1]] - step)
                near = np.flatnonzero(off <= max(0.7 * width_us, 0.004 * spacing_us))
                if not near.size:
                    break
                train.append(int(near[np.argmax(level[near])]))
            total = float(level[train].sum())
            # A block's train holds its tallest echo, or nearly so; what lacks it is chance.
            if total > best_sum + 1e-9 and level[train].max() > level.max() - _NEAR_TALLEST_DB:
                best, best_sum = train, total
    return best
