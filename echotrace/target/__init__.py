"""What the beam passes: ordered interfaces and the segments between them.

A :class:`Target` is data, not code. The eye in each of its states is a built-in target; a plate,
a calibration block or any stack of layers is another, read from a TOML file, and goes through the
same chain.
"""

from echotrace.target.eye import IMPLANT_MATERIALS, VITREOUS_FILLINGS, eye_target
from echotrace.target.layers import Interface, Segment, Target
from echotrace.target.target_file import read_target

__all__ = [
    "IMPLANT_MATERIALS",
    "VITREOUS_FILLINGS",
    "Interface",
    "Segment",
    "Target",
    "eye_target",
    "read_target",
]
