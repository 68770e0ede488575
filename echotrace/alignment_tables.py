"""Tables of how the echoes' heights change with tilt and decentration, from the synthesis.

``python -m echotrace.alignment_tables`` builds them once and writes them, with what they leave
unexplained on draws of the calibration, to ``echotrace/data/alignment_tables.npz``; about ten
minutes on one core.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.synthesis.alignment import Pose, beam_through_eye
from echotrace.synthesis.echoes import SampleGrid
from echotrace.synthesis.eye_model import SCHEMATIC_EYES, EyeModel, draw_eye
from echotrace.synthesis.probe import Disc
from echotrace.synthesis.scenario import MethodSection
from echotrace.synthesis.surfaces import interface_response

__all__ = ["DECENTRATION_MM", "OPENING_DEG", "TABLE_PROBES", "TILT_DEG", "build_tables"]

TILT_DEG = (0.0, 1.0, 2.0, 3.0, 4.5, 6.0, 8.0, 10.0)
DECENTRATION_MM = (0.0, 0.3, 0.6, 1.0, 1.5)
OPENING_DEG = (0.0, 90.0, 180.0)
"""Nodes of the tables; the opening is the angle between the directions of tilt and decentration."""

TABLE_PROBES = ((10.0, 3.6, 22.0), (10.0, 5.0, 25.0), (10.0, 6.5, 24.0))
"""Centre frequency MHz, aperture mm and focus mm of the probes that are tabulated."""

METHODS = ("contact", "immersion")
INTERFACES = ("cornea_front", "cornea_back", "lens_front", "lens_back", "retina", "sclera")
_FLOOR_DB = -120.0


def _levels(
    disc: Disc, grid: SampleGrid, eye: EyeModel, method: str, pose: Pose
) -> NDArray[np.float64]:
    """Heights of the echoes, dB, and the logarithm of the retina's rise."""
    path = beam_through_eye(disc, eye, MethodSection(kind=method), pose)
    names = [surface.name for surface in path.surfaces]
    out = np.full(len(INTERFACES) + 1, np.nan)
    for k, name in enumerate(INTERFACES):
        response = interface_response(disc, path, names.index(name), grid.band)
        trace = grid.new_trace()
        peak = grid.add_echo(trace, response, 10.0)[0]
        out[k] = max(_FLOOR_DB, 20.0 * np.log10(max(peak, 1e-9)))
        if name == "retina" and peak > 1e-9:
            envelope = np.abs(scipy.signal.hilbert(trace[:2048]))
            top = int(envelope.argmax())
            rising = envelope[: top + 1] / envelope[top]
            below = [np.flatnonzero(rising < level)[-1] for level in (0.1, 0.9)]
            out[-1] = np.log(max(1.0, float(below[1] - below[0])))
    return out


def build_tables(
    progress: Callable[[int, int], None] | None = None,
) -> NDArray[np.float32]:
    """Heights of the echoes at every node.

    Returns
    -------
    ndarray of float32, (n_probes, 2, n_tilts, n_decentrations, n_openings, 7)
        dB relative to a perfect plane reflector, the last the logarithm of the retina's rise over
        that on the axis; mean over a schematic and a drawn eye, by probe of :data:`TABLE_PROBES`
        and method (contact, immersion).
    """
    shape = (len(TABLE_PROBES), len(METHODS), len(TILT_DEG), len(DECENTRATION_MM), len(OPENING_DEG))
    table = np.zeros((*shape, len(INTERFACES) + 1), np.float32)
    eyes = (SCHEMATIC_EYES["navarro"], draw_eye(np.random.default_rng(5)))
    cases = list(itertools.product(range(shape[0]), range(shape[1])))
    for done, (p, m) in enumerate(cases):
        frequency, aperture, focus = TABLE_PROBES[p]
        disc = Disc(
            centre_frequency_hz=frequency * 1e6,
            fractional_bandwidth=0.6,
            aperture_mm=aperture,
            focus_mm=focus,
            edge_taper=0.6,
            tip_mm=0.75,
        )
        grid = SampleGrid(disc, 1e8, 2048)
        for a, b, c in itertools.product(*(range(n) for n in shape[2:])):
            tilt, aside = TILT_DEG[a], DECENTRATION_MM[b]
            if c > 0 and (tilt == 0.0 or aside == 0.0):
                table[p, m, a, b, c] = table[p, m, a, b, 0]
                continue
            pose = Pose(
                tilt_deg=tilt,
                decentration_mm=aside,
                decentration_azimuth_deg=OPENING_DEG[c],
            )
            found = [_levels(disc, grid, eye, METHODS[m], pose) for eye in eyes]
            table[p, m, a, b, c] = np.mean(found, axis=0)
        table[p, m, ..., -1] -= table[p, m, 0, 0, 0, -1]
        if progress is not None:
            progress(done + 1, len(cases))
    return table
