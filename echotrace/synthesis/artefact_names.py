"""Names of what can make a trace unlike a good one."""

from __future__ import annotations

__all__ = ["ARTEFACTS", "RANDOM_ARTEFACTS"]

ARTEFACTS = (
    "oblique",
    "optic_nerve",
    "pupil_edge",
    "gain_too_high",
    "gain_too_low",
    "tgc_wrong",
    "bath_reverberation",
    "bubbles",
    "cornea_reverberation",
    "implant_reverberation",
    "couplant",
    "interference",
    "blink",
    "cataract",
    "vitreous_opacity",
    "staphyloma",
)
"""What can make a trace unlike a good one; bit ``n`` of the truth's ``artefacts`` stands for the
n-th name."""

RANDOM_ARTEFACTS = (
    "gain_too_high",
    "gain_too_low",
    "bath_reverberation",
    "bubbles",
    "cornea_reverberation",
    "couplant",
    "interference",
    "blink",
)
"""Those that are on in a scan by chance, or because its ``[[scan]]`` table says so."""
