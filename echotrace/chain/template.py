"""The template of the matched filter: from the probe's description, or from the recording."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from echotrace.chain.conditioned import condition_block
from echotrace.chain.offset import baseline_offset, without_offset
from echotrace.errors import ParameterError
from echotrace.recording import Recording, Signal
from echotrace.settings import Settings
from echotrace.signal.candidates import Candidates, find_echoes
from echotrace.signal.conditioning import Conditioned
from echotrace.signal.envelope import analytic_signal
from echotrace.signal.picking import pick_echoes
from echotrace.signal.pulse import Pulse, estimate_pulse, fitting_in, gaussian_pulse

__all__ = ["template_pulse"]

# Traces from which a recording's own pulse is estimated.
_TEMPLATE_TRACES = 256


def template_pulse(recording: Recording, settings: Settings) -> Pulse:
    """The pulse of the matched filter.

    Parameters
    ----------
    recording : Recording
    settings : Settings

    Returns
    -------
    Pulse
        At the recording's sampling rate.

    Raises
    ------
    ParameterError
        A sampling rate too low for the probe, or a pulse longer than a trace; a template from a
        recording of envelopes, or from one without an echo that stands free.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.template import template_pulse
    >>> round(template_pulse(recording, et.Settings()).centre_frequency_hz * 1e-6, 2)
    10.0
    """
    probe = recording.probe
    if settings.template is not None:
        return fitting_in(settings.template.pulse(recording.sampling_rate_hz), recording.n_samples)
    pulse = gaussian_pulse(
        recording.sampling_rate_hz, probe.centre_frequency_hz, probe.fractional_bandwidth
    )
    fitting_in(pulse, recording.n_samples)
    if settings.picking.template == "probe":
        return pulse
    if recording.signal != Signal.RF:
        raise ParameterError("template='recording' needs RF; this recording holds envelopes")
    first = recording.select(slice(0, _TEMPLATE_TRACES))
    first = without_offset(first, baseline_offset(recording))
    traces = condition_block(first, pulse, settings)
    threshold_db = settings.picking.threshold_db(pulse, first.n_samples)
    candidates = find_echoes(traces, threshold_db=max(26.0, threshold_db))
    rows, sample = _cleanest_echoes(candidates, traces)
    if rows.size == 0:
        raise ParameterError(
            "template='recording': no trace holds an unclipped echo 26 dB over the noise that "
            "stands free; use template='probe'"
        )
    picks = pick_echoes(traces, rows, sample)
    usable = np.isfinite(picks.sample)
    assert traces.rf is not None
    return estimate_pulse(analytic_signal(traces.rf), rows[usable], picks.sample[usable], pulse)


def _cleanest_echoes(
    candidates: Candidates, traces: Conditioned
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The tallest echo of each trace that is neither clipped nor crowded."""
    n, c = candidates.sample.shape
    real = np.arange(c) < candidates.count[:, None]
    width_us = traces.pulse.width_us
    delay = np.where(real, candidates.delay_us, np.inf)
    gap = np.full((n, c), np.inf)
    if c > 1:
        with np.errstate(invalid="ignore"):
            step = np.diff(delay, axis=1)
        step = np.where(np.isfinite(step), step, np.inf)
        gap[:, 1:] = step
        gap[:, :-1] = np.minimum(gap[:, :-1], step)
    reach = int(np.ceil(1.5 * width_us / traces.step_us))
    rows = np.broadcast_to(np.arange(n)[:, None], (n, c))
    clipped = np.zeros((n, c), np.bool_)
    for shift in range(-reach, reach + 1):
        columns = np.clip(candidates.sample + shift, 0, traces.clipped.shape[1] - 1)
        clipped |= traces.clipped[rows, columns]
    free = real & (gap > 4.0 * width_us) & ~clipped & (np.abs(candidates.broadening) < 0.5)
    free &= candidates.before_db < candidates.level_db - 20.0
    level = np.where(free, candidates.level_db, -np.inf)
    best = np.argmax(level, axis=1)
    has = np.flatnonzero(free.any(axis=1))
    return has, candidates.sample[has, best[has]].astype(np.intp)
