"""The samples of a block made ready for picking, as its receiver and the settings ask."""

from __future__ import annotations

import numpy as np

from echotrace.recording import Recording
from echotrace.settings import Settings
from echotrace.signal.conditioning import Conditioned, condition
from echotrace.signal.pulse import Pulse
from echotrace.signal.receiver import inverse_gain, lsb_amplitude, undo_receiver

__all__ = ["condition_block"]


def condition_block(block: Recording, pulse: Pulse, settings: Settings) -> Conditioned:
    """Undo the receiver and filter: traces in memory.

    Parameters
    ----------
    block : Recording
    pulse : Pulse
        Template of the matched filter.
    settings : Settings

    Returns
    -------
    Conditioned

    Raises
    ------
    ParameterError
        As :func:`~echotrace.signal.conditioning.condition`.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.conditioned import condition_block
    >>> from echotrace.chain.template import template_pulse
    >>> pulse = template_pulse(recording, et.Settings())
    >>> condition_block(recording, pulse, et.Settings()).envelope.shape == recording.samples.shape
    True
    """
    undone = undo_receiver(np.asarray(block.samples), block.delay_us, block.receiver, block.gain_db)
    trace_scale, sample_scale = inverse_gain(
        block.delay_us, block.receiver, block.gain_db, block.n_traces
    )
    step = lsb_amplitude(block.samples.dtype, trace_scale, sample_scale)
    if step.any() and np.ptp(sample_scale) > 0.0:
        step = np.multiply.outer(step / np.median(sample_scale), sample_scale)
    return condition(
        undone.amplitude,
        undone.clipped,
        signal=block.signal,
        sampling_rate_hz=block.sampling_rate_hz,
        start_delay_us=block.start_delay_us,
        pulse=pulse,
        envelope_method=settings.envelope.method,
        envelope_bandwidth=settings.envelope.bandwidth,
        lsb=step,
    )
