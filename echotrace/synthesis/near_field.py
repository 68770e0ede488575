"""What the transmitted pulse leaves at the start of a trace: ring-down, saturation, recovery.

Probes and receivers differ here more than anywhere else, and in contact the corneal front stands in
the midst of it. Kinds and ranges are chosen to look like traces of the trade (common practice, no
source); all come from the probe and its receiver, so they are the same in all scans of a scenario.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.signal.receiver import db_to_ratio
from echotrace.synthesis.probe import Disc
from echotrace.synthesis.section_keys import number_key, word_key

__all__ = ["NearFieldSection", "near_field"]

Trace = NDArray[np.float64]

# Beyond so many times of decay nothing is left, -350 dB.
_FORGOTTEN = 40.0
# How far phase, rad, and decay vary from scan to scan: standard deviations where `varies` is 1.
_PHASE_RAD, _DECAY_PART = 0.3, 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class NearFieldSection:
    """``[near_field]``: shape of what the transmitted pulse leaves at the start of a trace.

    How tall and how long it is say ``ring_down_db`` and ``ring_down_us`` of ``[receiver]``; what
    the converter cannot hold is clipped. ``two_modes`` is a ring-down at the probe's frequency and
    a weaker one below it, ``many_modes`` draws up to ``modes`` of other frequencies and decays,
    once for the scenario. ``block`` is flat, as of a saturated amplifier, and falls to zero at
    ``block_us``; ``recovery`` falls back without a carrier.

    Attributes
    ----------
    kind, modes, spread, frequency_ratio, block_us, polarity, varies, starts_us
        Default, range or words, unit and meaning of each: see
        :func:`~echotrace.synthesis.key_table.key_table`.

    Examples
    --------
    >>> NearFieldSection().kind
    'two_modes'
    """

    kind: str = word_key(
        "two_modes",
        "two_modes",
        "many_modes",
        "block",
        "recovery",
        "none",
        about="what the transmitted pulse leaves in the receiver",
    )
    modes: int = number_key(3, 1, 8, about="damped modes of `many_modes`")
    spread: float = number_key(
        0.3,
        0.0,
        0.8,
        about="how far the frequencies of `many_modes` lie about their mean, as a part",
    )
    frequency_ratio: float = number_key(
        1.0, 0.3, 2.0, about="frequency of the ring-down over the probe's centre frequency"
    )
    block_us: float = number_key(0.3, 0.0, 3.0, "us", about="delay at which `block` ends")
    polarity: str = word_key("positive", "positive", "negative", about="sign of what is left")
    varies: float = number_key(
        1.0,
        0.0,
        3.0,
        about="how far it varies from scan to scan: 1 is 0.3 rad of phase, 3 % of decay",
    )
    starts_us: float = number_key(
        0.0,
        0.0,
        5.0,
        "us",
        about="delay of a trace's first sample: what lies before is not recorded",
    )


def near_field(
    disc: Disc,
    delay_us: Trace,
    section: NearFieldSection,
    level_db: float,
    decay_us: float,
    *,
    probe_rng: np.random.Generator,
    scan_rng: np.random.Generator,
) -> Trace:
    """What the transmitted pulse leaves in the receiver.

    Parameters
    ----------
    disc : Disc
    delay_us : ndarray of float64, (n_samples,)
        Delay after the centre of the transmitted pulse.
    section : NearFieldSection
    level_db : float
        At delay zero, against the echo of a perfect plane reflector just in front of the disc.
    decay_us : float
        Time in which it falls to 1/e.
    probe_rng : numpy.random.Generator
        For what belongs to the probe: the same for all its scans.
    scan_rng : numpy.random.Generator
        Of the scan. Two numbers are drawn from it whatever the kind.

    Returns
    -------
    ndarray of float64, (n_samples,)

    Examples
    --------
    >>> delay_us = np.arange(4096) * 0.01
    >>> rng = np.random.default_rng
    >>> left = near_field(Disc(), delay_us, NearFieldSection(), -8.0, 0.18, probe_rng=rng(1),
    ...                   scan_rng=rng(2))
    >>> bool(abs(left[:50]).max() > 0.1 > abs(left[400:]).max())
    True
    """
    out = np.zeros_like(delay_us)
    near = delay_us < _FORGOTTEN * decay_us
    t = delay_us[near]
    decay = decay_us * (1.0 + section.varies * _DECAY_PART * scan_rng.standard_normal())
    phase = section.varies * _PHASE_RAD * scan_rng.standard_normal()
    turn = 2.0 * math.pi * section.frequency_ratio * disc.centre_frequency_hz * 1e-6 * t
    if section.kind == "two_modes":
        main = np.cos(turn + phase) * np.exp(-t / decay)
        radial = 0.15 * np.cos(0.62 * turn + 2.0 * phase) * np.exp(-t / (1.8 * decay))
        out[near] = main + radial
    elif section.kind == "many_modes":
        for _ in range(section.modes):
            height, rate, own, late = probe_rng.random(4)
            frequency = 1.0 + section.spread * (2.0 * rate - 1.0)
            longer = decay * 4.0 ** (late - 0.5)
            out[near] += (
                (0.2 + 0.8 * height)
                * np.cos(frequency * turn + 2.0 * math.pi * own + phase)
                * np.exp(-t / longer)
            )
    elif section.kind == "recovery":
        out[near] = np.exp(-t / decay)
    elif section.kind == "block":
        out[delay_us < section.block_us] = 1.0
    sign = -1.0 if section.polarity == "negative" else 1.0
    return np.asarray(sign * db_to_ratio(level_db) * out)
