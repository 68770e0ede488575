"""From a scenario to a recording: eyes, poses, echoes, receiver, truth.

Every random draw belongs to one eye, one pose or one scan and has a generator of its own, so
that a trace depends on the scenario, the seed and its number only, never on how many traces are
made or in what blocks.

The echoes of one eye at one pose are computed once and kept as two spectra: what lies in front of
the aqueous, and what lies behind it and moves when contact shortens the chamber. Compression,
jitter, spoilers, noise and receiver are put on these for each scan.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.media import medium
from echotrace.receiver import apply_receiver, db_to_ratio
from echotrace.recording import Recording, Truth
from echotrace.synthesis.eye_model import SCHEMATIC_EYES, EyeModel, draw_eye, eye_surfaces
from echotrace.synthesis.probe import Disc, pulse_band, pulse_spectrum
from echotrace.synthesis.scatter import (
    BACKSCATTER_PER_CM_SR,
    Speckle,
    layer_speckle,
    point_speckle,
)
from echotrace.synthesis.scenario import SPOILERS, Scenario
from echotrace.synthesis.surfaces import (
    BeamPath,
    Surface,
    attenuation,
    interface_response,
    reflection,
    trace_beam,
)
