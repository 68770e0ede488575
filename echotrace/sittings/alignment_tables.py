"""What the echoes of a usual eye look like by tilt and decentration: the shipped tables."""

from __future__ import annotations

import functools
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import FileFormatError

__all__ = ["AlignmentTables", "load_tables", "shipped_tables"]

Float64 = NDArray[np.float64]


TABLE_FILE = Path(__file__).parents[1] / "data" / "alignment_tables.npz"

TILT_NODES_DEG = (0.0, 1.0, 2.0, 3.0, 4.0, 5.5, 7.5, 10.0)

DECENTRATION_NODES_MM = (0.0, 0.25, 0.5, 0.9, 1.4)

AZIMUTH_NODES_DEG = (0.0, 90.0, 180.0)

PROBE_NODES_MHZ_MM = (36.0, 50.0, 65.0)
"""Nodes of the tables. The azimuth difference is the angle between the directions of tilt and
decentration, 0 where the beam is shifted the way it is tilted. The probe's node is its centre
frequency times its aperture, which sets its beam's width (directivity of a piston: ``k a sin``,
Kinsler)."""

METHODS = ("contact", "immersion")

FEATURES = (
    "cornea_front",
    "cornea_back",
    "lens_front",
    "lens_back",
    "retina",
    "sclera",
    "orbit",
    "retina_rise",
)
"""What is compared: levels, dB over the noise, and the natural logarithm of the retina's rise over
that of an undistorted echo."""

CONTACT_ONLY_INTERFACES = ("cornea_front", "cornea_back")
"""Not heard apart from the probe's own ringing in contact: there they have no table."""

LEVELS = len(FEATURES) - 1

RISE = LEVELS

STATES = ("phakic", "aphakic", "pseudophakic")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlignmentTables:
    """Tables and scatter; see :func:`echotrace.fitting.alignment_tables.fit_tables`.

    Attributes
    ----------
    nodes : ndarray, (n_methods, n_features, n_tilts, n_decentrations, n_azimuths, n_probes)
        Features of a phakic eye, NaN where a method does not have them.
    state_offset : ndarray, (n_methods, n_states, n_features)
        Added for aphakic and pseudophakic eyes.
    scale : ndarray, (n_methods, n_features, 2)
        Intercept, and slope against the loss, of the scatter's scale.
    common, own : ndarray, (n_methods, n_features, n_features)
        Covariance of the standardised scatter that scans of one eye share, and of each scan.
    provenance : str
        JSON: how, when and from what the tables were made.

    Examples
    --------
    >>> from echotrace.sittings.alignment_tables import shipped_tables
    >>> shipped_tables().nodes.shape
    (2, 8, 8, 5, 3, 3)
    """

    nodes: Float64
    state_offset: Float64
    scale: Float64
    common: Float64
    own: Float64
    provenance: str = ""


def load_tables(path: str | Path = TABLE_FILE) -> AlignmentTables:
    """Read the tables that ``python -m echotrace.fitting.alignment_tables`` wrote.

    Parameters
    ----------
    path : str or Path
        Of a ``.npz`` file.

    Returns
    -------
    AlignmentTables

    Raises
    ------
    FileFormatError
        Naming the file.

    Examples
    --------
    >>> from echotrace.sittings.alignment_tables import load_tables
    >>> load_tables().scale.shape
    (2, 8, 2)
    """
    path = Path(path)
    try:
        with np.load(path, allow_pickle=False) as stored:
            arrays = {name: stored[name] for name in stored.files}
        tables = AlignmentTables(
            provenance=str(arrays.pop("provenance")),
            **{name: values.astype(np.float64) for name, values in arrays.items()},
        )
        json.loads(tables.provenance)
        wanted = (
            len(METHODS),
            len(FEATURES),
            len(TILT_NODES_DEG),
            len(DECENTRATION_NODES_MM),
            len(AZIMUTH_NODES_DEG),
            len(PROBE_NODES_MHZ_MM),
        )
        if tables.nodes.shape != wanted:
            raise ValueError(f"tables of shape {tables.nodes.shape}, not {wanted}")
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise FileFormatError(
            f"{path}: no alignment tables ({error}); build them with "
            "python -m echotrace.fitting.alignment_tables"
        ) from None
    return tables


@functools.cache
def shipped_tables() -> AlignmentTables:
    """The tables that come with the package.

    Returns
    -------
    AlignmentTables
        Read once.

    Examples
    --------
    >>> from echotrace.sittings.alignment_tables import shipped_tables
    >>> shipped_tables() is shipped_tables()
    True
    """
    return load_tables()
