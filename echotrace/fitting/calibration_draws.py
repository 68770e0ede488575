"""Wide draws of eyes, probes, receivers and artefacts: what the probabilities are fitted to.

Everything here is invented by the synthesis; no patient data. How the probe is held and pressed is
drawn beside it, in :mod:`echotrace.fitting.sitting_draws`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

__all__ = ["LENS_STATES", "PROBE_KINDS", "Draw", "draw_table", "hash_of_tables"]

PROBE_KINDS: tuple[tuple[float, float, float, float, float], ...] = (
    (10.0, 0.60, 5.0, 25.0, 0.8),
    (10.0, 0.50, 3.6, 22.0, 0.6),
    (8.0, 0.65, 6.0, 26.0, 1.0),
    (12.0, 0.55, 4.5, 23.0, 0.7),
    (10.0, 0.75, 6.5, 24.0, 0.5),
)
"""Centre frequency MHz, fractional bandwidth, aperture mm, focus mm and edge taper of the kinds of
probe; each draw varies the first four by a few per cent. The taper belongs to the kind, for each
asks for tables of its own."""

LENS_STATES = ("phakic", "aphakic", "pseudophakic", "oil")
_STATE_SHARE = (0.62, 0.10, 0.20, 0.08)
_IMPLANTS = ("pmma", "silicone", "acrylic", "collagen_copolymer")

_LAYERS_SHARE = 0.12
# Gel under a probe that touches the eye: how often, and how thick, mm.
_GEL_SHARE, _MOST_GEL_MM = 0.12, 1.5
_RING_DOWN_US = (0.1, 0.5)
# What the transmitted pulse leaves: the usual two modes, or another probe's and amplifier's.
_NEAR_FIELD_SHARE = {
    "two_modes": 0.55,
    "many_modes": 0.2,
    "block": 0.1,
    "recovery": 0.1,
    "none": 0.05,
}
# How often a recording in contact begins later, and where, µs: at most behind the face.
_LATE_SHARE, _LATE_US = 0.1, (0.2, 1.3)


@dataclass(frozen=True, slots=True)
class Draw:
    """One eye behind one probe and receiver, and what it belongs to.

    Attributes
    ----------
    number : int
    table : dict
        The scenario, as its TOML file would hold it, without pose and scans.
    probe_kind : int
        Row of :data:`PROBE_KINDS`.
    state : str
        One of :data:`LENS_STATES`.
    receiver_told : bool
        Whether the recording describes its receiver.

    Examples
    --------
    >>> draw_table(101, 0).state in LENS_STATES
    True
    """

    number: int
    table: dict[str, Any]
    probe_kind: int
    state: str
    receiver_told: bool


def _near_field(rng: np.random.Generator, method: str) -> dict[str, Any]:
    """What a probe and its amplifier leave at the start of a trace, and where the trace begins."""
    kinds, shares = list(_NEAR_FIELD_SHARE), list(_NEAR_FIELD_SHARE.values())
    found: dict[str, Any] = {
        "kind": str(rng.choice(kinds, p=shares)),
        "modes": int(rng.integers(2, 6)),
        "spread": rng.uniform(0.1, 0.6),
        "frequency_ratio": rng.uniform(0.6, 1.2),
        "block_us": rng.uniform(0.1, 1.0),
        "polarity": str(rng.choice(["positive", "negative"])),
        "varies": rng.uniform(0.0, 1.5),
    }
    late, start_us = bool(rng.random() < _LATE_SHARE), rng.uniform(*_LATE_US)
    if late and method == "contact":
        found["starts_us"] = start_us
    return found


def draw_table(seed: int, number: int, *, noise_shift_db: float = 0.0) -> Draw:
    """Draw one scenario.

    Parameters
    ----------
    seed, number : int
        Of the whole set and of the draw in it: a draw does not depend on the others.
    noise_shift_db : float
        Added to the noise, dB.

    Returns
    -------
    Draw

    Examples
    --------
    >>> draw_table(101, 7).table["eye"]["model"]
    'population'
    """
    rng = np.random.default_rng([seed, number])
    state = str(rng.choice(LENS_STATES, p=_STATE_SHARE))
    kind = int(rng.integers(len(PROBE_KINDS)))
    frequency, band, aperture, focus = (
        value * rng.uniform(0.95, 1.05) for value in PROBE_KINDS[kind][:4]
    )
    method = "contact" if rng.random() < 0.5 else "immersion"
    eye: dict[str, Any] = {
        "model": "population",
        "lens_tilt_deg": rng.uniform(0.0, 4.0),
        "lens_decentration_mm": rng.uniform(0.0, 0.25),
        "lens_azimuth_deg": rng.uniform(0.0, 360.0),
        "retina_radius_mm": rng.uniform(10.5, 14.5),
        "retina_echo_db": float(np.clip(rng.normal(0.0, 4.0), -10.0, 10.0)),
        # A share without any scatter: layered models and phantoms have none.
        "backscatter_db": -80.0
        if rng.random() < _LAYERS_SHARE
        else float(np.clip(rng.normal(0.0, 4.0), -10.0, 10.0)),
    }
    lens = {
        "lens_front_radius_mm": rng.uniform(8.5, 12.5),
        "lens_back_radius_mm": rng.uniform(5.2, 7.5),
    }
    grade = rng.uniform(0.0, 4.0) if rng.random() < 0.75 else 0.0
    implant = str(rng.choice(_IMPLANTS))
    if state == "phakic":
        eye |= {"cataract_grade": grade, **lens}
    elif state == "pseudophakic":
        eye |= {"lens_state": "pseudophakic", "lens_material": implant}
    else:
        eye["lens_state"] = "aphakic"
    if state == "oil":
        eye["vitreous"] = "silicone_oil_1000"
    if rng.random() < 0.10:
        eye["vitreous_opacities"] = int(rng.integers(1, 5))
    if rng.random() < 0.06:
        eye |= {
            "staphyloma_slope_deg": rng.uniform(0.0, 6.0),
            "staphyloma_step_mm": rng.uniform(0.2, 1.2),
        }
    rises = rng.uniform(6.0, 24.0)
    start_us = rng.uniform(8.0, 12.0) if method == "contact" else rng.uniform(20.0, 26.0)
    receiver = {
        "gain_db": rng.uniform(10.0, 28.0),
        "noise_db": rng.uniform(-100.0, -84.0) + noise_shift_db,
        "tgc_delay_us": [start_us, start_us + rng.uniform(16.0, 26.0)],
        "tgc_gain_db": [0.0, rises],
        "bits": int(rng.choice([10, 12, 14])),
        "sampling_rate_mhz": float(rng.choice([80.0, 100.0])),
        "ring_down_db": rng.uniform(-30.0, 4.0),
        "ring_down_us": float(np.exp(rng.uniform(*np.log(_RING_DOWN_US)))),
    }
    artefacts = {
        "gain_too_high": 0.05,
        "gain_too_low": 0.05,
        "bubbles": 0.06,
        "cornea_reverberation": 0.3,
        "couplant": _GEL_SHARE,
        "interference": 0.06,
        "blink": 0.02,
    }
    table = {
        "name": f"draw {number}",
        "seed": int(rng.integers(2**40)),
        "eye": eye,
        "probe": {
            "centre_frequency_mhz": frequency,
            "fractional_bandwidth": band,
            "aperture_mm": aperture,
            "focus_mm": focus,
            "edge_taper": PROBE_KINDS[kind][4],
        },
        "method": {
            "kind": method,
            "standoff_mm": rng.uniform(6.0, 13.0),
            "bath_temperature_c": rng.uniform(19.0, 30.0),
            "couplant_mm": rng.uniform(0.0, _MOST_GEL_MM),
        },
        "receiver": receiver,
        # Numbers of its own: all else stays as it was drawn before there was such a section.
        "near_field": _near_field(np.random.default_rng([seed, number, 2]), method),
        "artefacts": artefacts,
    }
    return Draw(number, table, kind, state, bool(rng.random() < 0.7))


def hash_of_tables(tables: Iterable[Mapping[str, Any]]) -> str:
    """SHA-256 of drawn scenarios: what shipped files were made from.

    Parameters
    ----------
    tables : iterable of mapping

    Returns
    -------
    str
        Of the numbers to twelve digits: processors differ in the last digit of an exponential,
        which changes no scenario.

    Examples
    --------
    >>> hash_of_tables([{"scans": 1}])[:8]
    'e856db90'
    """
    rounded = [_rounded(table) for table in tables]
    return hashlib.sha256(json.dumps(rounded, sort_keys=True).encode()).hexdigest()


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.12g}")
    if isinstance(value, Mapping):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    return value
