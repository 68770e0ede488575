"""The page to play with: states packed as typed arrays, a script of our own, nothing else."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from echotrace.caution import SYNTHETIC
from echotrace.quality.finding_list import FINDINGS, Severity
from echotrace.report.page import render_page
from echotrace.synthesis import Synthesis
from echotrace.synthesis.eye_model import eye_surfaces
from echotrace.teaching.packed import STEP_SAMPLES, asset, level_bytes, packed, script_json
from echotrace.teaching.play import (
    GROUPS,
    SLIDERS,
    State,
    make_states,
    state_scenario,
)

__all__ = ["play_page"]

# Room behind the last arrival that is worth showing.
_BEHIND_US = 5.0


def play_page(
    shown: Callable[[Sequence[Any]], Iterable[Any]] = list,
    groups: Mapping[str, Iterable[State]] | None = None,
) -> str:
    """One HTML file without server or network.

    Parameters
    ----------
    shown : callable
        Walks what is computed, to show how far it is.
    groups : mapping of str to iterable of State, optional
        States made already; None makes them (a minute or two).

    Returns
    -------
    str

    Examples
    --------
    >>> few = {name: [next(iter(make_states(name)))] for name in GROUPS}
    >>> play_page(groups=few)[:15]
    '<!doctype html>'
    """
    if groups is None:
        groups = {name: make_states(name, shown) for name in GROUPS}
    pack = {
        "sliders": [_slider(name) for name in SLIDERS],
        "groups": {name: _group(name, list(groups[name])) for name in GROUPS},
        "findings": [
            {"says": f.says, "do": f.do, "note": f.severity is Severity.NOTE}
            for f in FINDINGS.values()
        ],
        "eyes": {word: _outline(word) for word in SLIDERS["lens"].stops},
    }
    return render_page(
        "play.html.j2",
        "Hold the probe: what tilt, aim, gain and pressing do to a trace",
        {
            "synthetic": SYNTHETIC,
            "sliders": {name: _slider(name) for name in SLIDERS},
            "n_states": sum(math.prod(len(SLIDERS[s].stops) for s in g) for g in GROUPS.values()),
            "pack": script_json(pack),
            "trace_js": asset("trace.js"),
            "script": asset("play.js"),
        },
        package="echotrace.teaching",
    )


def _slider(name: str) -> dict[str, Any]:
    slider = SLIDERS[name]
    words = slider.words or tuple(
        f"{stop:g} {slider.unit}".replace(" °", "°") for stop in slider.stops
    )
    return {
        "name": name,
        "label": slider.label,
        "words": list(words),
        "neutral": slider.neutral,
        "stops": list(slider.stops),
    }


_INTERFACES = ("cornea_front", "cornea_back", "lens_front", "lens_back", "retina", "sclera")


def _group(name: str, states: list[State]) -> dict[str, Any]:
    judged = [state.judged for state in states]
    last_us = max(max(one.true_us.values()) for one in judged) + _BEHIND_US
    last_us = min(last_us, *(float(one.recording.delay_us[-1]) for one in judged))
    level = np.stack([level_bytes(one, last_us) for one in judged])
    picks = np.array([[one.picks_us.get(i, math.nan) for i in _names(one)] for one in judged])
    truth = np.array([[one.true_us.get(i, math.nan) for i in _names(one)] for one in judged])
    return {
        "axes": list(GROUPS[name]),
        "method": str(judged[0].recording.method[0]),
        "count": len(states),
        "points": level.shape[1],
        "last_us": last_us,
        "step_us": STEP_SAMPLES * 1e6 / judged[0].recording.sampling_rate_hz,
        "names": [word.replace("_", " ") for word in _INTERFACES],
        "level": packed(level),
        "picks": packed(picks.astype("<f4")),
        "truth": packed(truth.astype("<f4")),
        # In full, so that every digit shown is the chain's.
        "length_mm": packed(np.array([one.length_mm for one in judged], "<f8")),
        "error_mm": packed(np.array([one.error_mm for one in judged], "<f8")),
        "findings": packed(np.array([one.result.findings[0] for one in judged], "<u8")),
        "accepted": packed(np.array([one.accepted for one in judged], np.uint8)),
        "ray": packed(np.stack([state.ray_mm for state in states]).astype("<f4")),
    }


def _names(one: Any) -> list[str]:
    # An implant's faces are named as those of a lens, wherever it lies.
    own = set(one.result.interfaces)
    return [name if name in own else "" for name in _INTERFACES]


def _outline(lens: str) -> list[list[Any]]:
    """Surfaces of an eye: name, where it meets the axis and radius of curvature, mm."""
    made = Synthesis(state_scenario("eye", (0.0, lens)))
    surfaces, _ = eye_surfaces(made.eye(0))
    return [
        [s.name, round(float(s.centre_mm[2] - s.radius_mm), 4), round(float(s.radius_mm), 4)]
        for s in surfaces
        if s.name in _INTERFACES
    ]
