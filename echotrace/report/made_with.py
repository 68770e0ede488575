"""What a result rests on, in words: speeds and their sources, probe, changed settings, invented."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from echotrace.chain.speeds import speeds_words
from echotrace.chain.states import targets_of
from echotrace.recording import Recording
from echotrace.settings import Settings
from echotrace.target import Target

__all__ = ["made_with"]


def made_with(recording: Recording, settings: Settings, target: Target | None = None) -> list[str]:
    """Sentences that say how lengths were made: what anyone needs to make them again.

    Parameters
    ----------
    recording : Recording
    settings : Settings
        Those the recording is measured with.
    target : Target, optional
        As for :func:`echotrace.measure`.

    Returns
    -------
    list of str
        Speeds with their sources, the probe's offset, settings that differ from the presets.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.settings import Settings
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> made_with(recording, Settings())[-1]
    'All settings are the presets.'
    """
    targets = targets_of(recording, target).values()
    said = speeds_words(targets, settings.lengths.average_speed_m_per_s)
    probe = recording.probe
    if math.isnan(probe.face_delay_us):
        said.append("Delay of the probe's face: not stated.")
    else:
        u = "" if math.isnan(probe.face_delay_u_us) else f" ± {probe.face_delay_u_us:g}"
        said.append(f"Delay of the probe's face: {probe.face_delay_us:g}{u} µs.")
    changed = _changed(settings.to_table(), Settings().to_table())
    said.append(
        f"Settings that differ from the presets: {'; '.join(changed)}."
        if changed
        else "All settings are the presets."
    )
    return said


def _changed(table: Mapping[str, Any], preset: Mapping[str, Any]) -> list[str]:
    found = []
    for section, values in table.items():
        if section == "gate":
            own = [gate for gate in values if not gate["preset"]]
            if own:
                found.append(f"{len(own)} gate{'s' if len(own) > 1 else ''} of the user's")
            continue
        if section == "template":
            found.append(f"template measured: {values.get('source') or 'source not stated'}")
            continue
        own = preset[section]
        if not isinstance(values, Mapping):
            if values != own:
                found.append(f"{section} {values} (preset {own})")
            continue
        for key, value in values.items():
            if value != own[key]:
                found.append(f"{section}.{key} {value} (preset {own[key]})")
    return found
