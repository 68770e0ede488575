"""A template measured on a named echo of a recording."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from echotrace.chain.conditioned import condition_block
from echotrace.chain.measure import measure
from echotrace.chain.offset import baseline_offset, without_offset
from echotrace.chain.template import template_pulse
from echotrace.errors import ParameterError
from echotrace.recording import Recording, Signal
from echotrace.settings import Settings
from echotrace.signal.candidates import find_echoes
from echotrace.signal.echo_template import EchoTemplate
from echotrace.signal.envelope import analytic_signal
from echotrace.signal.pulse import estimate_pulse
from echotrace.target import Target
from echotrace.text_out import scan_names

__all__ = ["measure_template"]

_MOST_SCANS = 256
# Free: nothing within so many widths that stands nearer to it in height than this, dB.
_FREE_WIDTHS, _FREE_DB, _LEAST_DB = 4.0, 20.0, 26.0


def measure_template(
    recording: Recording,
    echo: str,
    *,
    scans: Sequence[int] | None = None,
    settings: Settings | None = None,
    target: Target | None = None,
) -> EchoTemplate:
    """The pulse as a named echo of a recording shows it, averaged over scans.

    Parameters
    ----------
    recording : Recording
        Of RF.
    echo : str
        Interface whose echo is taken: one that is specular and stands free.
    scans : sequence of int, optional
        Traces, counted from 0; None: all, up to the first 256.
    settings, target
        As for :func:`echotrace.measure`, by which the echo is found.

    Returns
    -------
    EchoTemplate

    Raises
    ------
    ParameterError
        Envelopes, an interface or scan that is not there, or an echo that stands free in none of
        them: clipped, less than 26 dB over the noise, or with another within four widths.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> template = et.measure_template(recording, "cornea_front", scans=[0, 1, 3])
    >>> template.source
    'cornea_front, immersion, scans 1, 2 and 4'
    """
    settings = settings or Settings()
    if recording.signal != Signal.RF:
        raise ParameterError("a template is measured on RF; this recording holds envelopes")
    wanted = list(range(min(recording.n_traces, _MOST_SCANS))) if scans is None else list(scans)
    outside = [k for k in wanted if not 0 <= k < recording.n_traces]
    if outside or not wanted:
        raise ParameterError(
            f"scans={list(scans or [])}: the recording has traces 0 to {recording.n_traces - 1}"
        )
    some = recording.select(np.asarray(wanted))
    result = measure(some, settings, target=target)
    if echo not in result.interfaces:
        raise ParameterError(f"echo={echo!r}: the recording has {', '.join(result.interfaces)}")
    delay_us = result.delay_us[:, result.interfaces.index(echo)]
    pulse = template_pulse(some, settings)
    some = without_offset(some, baseline_offset(recording))
    traces = condition_block(some, pulse, settings)
    found = find_echoes(traces)
    kept = []
    reach = round(1.5 * pulse.width_us / traces.step_us)
    for row, at_us in enumerate(delay_us):
        away = np.abs(found.delay_us[row, : found.count[row]] - at_us)
        if not np.isfinite(at_us) or not away.size or away.min() > pulse.width_us:
            continue
        level = found.level_db[row, : found.count[row]]
        own = float(level[np.argmin(away)])
        beside = (away > 0.5 * pulse.width_us) & (away < _FREE_WIDTHS * pulse.width_us)
        at = round(float(traces.to_sample(at_us)))
        clipped = traces.clipped[row, max(at - reach, 0) : at + reach + 1].any()
        free = not (beside & (level > own - _FREE_DB)).any()
        if free and own >= _LEAST_DB and not clipped:
            kept.append(row)
    if not kept:
        raise ParameterError(
            f"echo={echo!r} stands free in none of {len(wanted)} scans: it is clipped, less than "
            f"{_LEAST_DB:g} dB over the noise, or has another echo within {_FREE_WIDTHS:g} widths; "
            "name another echo"
        )
    rows = np.asarray(kept)
    assert traces.rf is not None
    estimated = estimate_pulse(
        analytic_signal(traces.rf), rows, traces.to_sample(delay_us[rows]), pulse
    )
    # No subject: a template goes from file to file.
    named = scan_names([wanted[k] for k in kept])
    return EchoTemplate.of_pulse(estimated, f"{echo}, {some.method[0]}, {named}")
