"""Traces to tune on, and others to report on: never the same eyes, nor the same probes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from echotrace.errors import ParameterError
from echotrace.measurement import Measurement
from echotrace.recording import Recording
from echotrace.synthesis.scenario import scenario_from_mapping
from echotrace.tuning.space import Condition, Space
from echotrace.user_input import read_toml

__all__ = ["Batch", "batches_of", "recording_of_batch"]

# The probe as it is described, and probes that differ from it as pieces of one kind do.
_PROBES = {"tune": ((1.0, 1.0), (0.96, 0.93)), "report": ((1.03, 1.05), (0.98, 0.9))}
_EYES_EACH = 12
_FEWEST_SUBJECTS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Some traces of one condition and one probe.

    Attributes
    ----------
    split : str
        ``tune`` or ``report``.
    condition : str
    probe : str
    source : str
        JSON of the scenario, or the recording's file name.
    seed, count : int
        Of a scenario.
    rows : tuple of int
        Of a recording; empty for a scenario.

    Examples
    --------
    >>> from echotrace.tuning.batches import Batch
    >>> Batch(split="tune", condition="as stated", probe="1", source="{}", seed=1, count=5).rows
    ()
    """

    split: str
    condition: str
    probe: str
    source: str
    seed: int = 0
    count: int = 0
    rows: tuple[int, ...] = ()


def batches_of(
    source: str | Path | Mapping[str, Any], space: Space, traces: int, seed: int
) -> list[Batch]:
    """Divide a scenario or a recording with truth into what is tuned on and what is reported on.

    Parameters
    ----------
    source : path or mapping
        Scenario (TOML file or tables), or a recording that holds its truth.
    space : Space
        Its conditions are changes of the scenario; a recording has one only.
    traces : int
        Of a scenario, for each of the two parts.
    seed : int

    Returns
    -------
    list of Batch

    Raises
    ------
    ParameterError
        A scenario of one eye only, a recording without truth or of fewer than four eyes.

    Examples
    --------
    >>> from echotrace.tuning.batches import batches_of
    >>> from echotrace.tuning.space import Factor, Space
    >>> space = Space(factors=(Factor(key="envelope.bandwidth", low=1.0, high=2.0),))
    >>> found = batches_of({"eye": {"model": "population"}}, space, 40, 1)
    >>> [(batch.split, batch.count) for batch in found]
    [('tune', 20), ('tune', 20), ('report', 20), ('report', 20)]
    """
    if not isinstance(source, Mapping) and Path(source).suffix.lower() != ".toml":
        return _of_recording(Path(source), space)
    table = dict(source) if isinstance(source, Mapping) else read_toml(Path(source))
    if table.get("eye", {}).get("model") != "population":
        raise ParameterError(
            "tuning needs eyes that differ, or nothing could be reported on others: set "
            '[eye] model = "population" in the scenario'
        )
    kinds = len(space.conditions) * len(_PROBES["tune"])
    each = traces // kinds
    if each < 10:
        raise ParameterError(
            f"traces={traces}: {kinds} conditions and probes share them; give {10 * kinds} at least"
        )
    found = []
    for part, split in enumerate(_PROBES):
        for k, condition in enumerate(space.conditions):
            for p, factors in enumerate(_PROBES[split]):
                changed = _changed(table, condition, factors)
                scenario_from_mapping(changed, f"condition {condition.name!r}")
                found.append(
                    Batch(
                        split=split,
                        condition=condition.name,
                        probe=f"{split} {p + 1}",
                        source=json.dumps(changed),
                        # Eyes of their own for every part, condition and probe.
                        seed=1000 * seed + 500 * part + 10 * k + p,
                        count=each,
                    )
                )
    return found


def _changed(
    table: Mapping[str, Any], condition: Condition, factors: tuple[float, float]
) -> dict[str, Any]:
    out = {k: dict(v) if isinstance(v, Mapping) else v for k, v in table.items()}
    # Scans that are made bad on purpose would be the same numbers in every batch.
    out.pop("scan", None)
    out["eye"] = {**out["eye"], "eyes": _EYES_EACH}
    probe = dict(out.get("probe", {}))
    probe["centre_frequency_mhz"] = factors[0] * probe.get("centre_frequency_mhz", 10.0)
    probe["fractional_bandwidth"] = factors[1] * probe.get("fractional_bandwidth", 0.6)
    out["probe"] = probe
    for key, value in condition.changes.items():
        parts = key.split(".")
        if len(parts) != 2:
            raise ParameterError(
                f"condition {condition.name!r}: {key!r}: write SECTION.KEY as in a scenario"
            )
        section = out.setdefault(parts[0], {})
        if not isinstance(section, dict):
            raise ParameterError(f"condition {condition.name!r}: {parts[0]!r} is no section")
        section[parts[1]] = value
    return out


def _of_recording(path: Path, space: Space) -> list[Batch]:
    from echotrace.files.native import read_recording

    recording = read_recording(path, lazy=True)
    if recording.truth is None:
        raise ParameterError(f"{path}: holds no truth to tune against; synthetic recordings do")
    if any(condition.changes for condition in space.conditions):
        raise ParameterError("conditions change a scenario; a recording is as it is")
    eyes = np.array(recording.truth.columns.get("eye_number", np.zeros(recording.n_traces)))
    known = np.unique(eyes)
    if known.size < _FEWEST_SUBJECTS:
        raise ParameterError(
            f"{path}: holds {known.size} eyes; {_FEWEST_SUBJECTS} at least are needed to tune on "
            "some and report on others"
        )
    found = []
    for part, split in enumerate(_PROBES):
        rows = np.flatnonzero(np.isin(eyes, known[part::2]))
        found.append(
            Batch(
                split=split,
                condition="as recorded",
                probe="as recorded",
                source=str(path.resolve()),
                rows=tuple(int(k) for k in rows),
            )
        )
    return found


@lru_cache(maxsize=64)
def recording_of_batch(batch: Batch) -> tuple[Recording, Measurement]:
    """The traces of a batch, and what the presets make of them.

    Parameters
    ----------
    batch : Batch

    Returns
    -------
    recording : Recording
    presets : Measurement
        With the default settings: its stated uncertainties are the least there can be.

    Examples
    --------
    >>> made = {"scans": 1, "eye": {"model": "gullstrand_le_grand"}}
    >>> batch = Batch(split="tune", condition="as made", probe="as made", source=json.dumps(made),
    ...               seed=1, count=2)
    >>> recording, presets = recording_of_batch(batch)
    >>> recording.n_traces, bool(presets.accepted.all())
    (2, True)
    """
    from echotrace.chain.measure import measure
    from echotrace.files.native import read_recording
    from echotrace.synthesis import Synthesis

    if batch.rows:
        recording = read_recording(batch.source).select(list(batch.rows))
    else:
        made = Synthesis(json.loads(batch.source), seed=batch.seed)
        recording = made.block(0, batch.count)
    return recording, measure(recording, workers=1)
