"""What a trace says of the features that alignment is read from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from echotrace.signal.receiver import tgc_db
from echotrace.sittings.alignment_tables import FEATURES, LEVELS, RISE

if TYPE_CHECKING:
    from echotrace.measurement import Measurement
    from echotrace.recording import Recording

__all__ = ["SEARCH_DB", "ObservedFeatures", "observed_features"]

Float64 = NDArray[np.float64]


# Echoes behind the retina may be merged with it, and the corneal back with its front: when these
# are not found, that says nothing of their height.
_OPTIONAL = ("cornea_back", "sclera")

# Nothing lower is looked for; echoes of the orbit below the second are the noise's own.
SEARCH_DB, _ORBIT_FLOOR_DB = 13.0, 6.0


@dataclass(frozen=True, slots=True, eq=False)
class ObservedFeatures:
    """The features of traces and what kind of knowledge each is; (n_traces, n_features).

    Attributes
    ----------
    height : ndarray of float64
        NaN where not known as a number.
    below, above : ndarray of float64
        The feature lies below, or above, this; NaN where there is no such knowledge.

    Examples
    --------
    >>> from echotrace.sittings.alignment_features import observed_features
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> observed_features(result).height.shape
    (6, 8)
    """

    height: Float64
    below: Float64
    above: Float64


def observed_features(result: Measurement, recording: Recording | None = None) -> ObservedFeatures:
    """What the traces of a measurement say of the features.

    Parameters
    ----------
    result : Measurement
    recording : Recording, optional
        For its receiver, which says how tall a clipped echo is at least.

    Returns
    -------
    ObservedFeatures
        dB over the noise, and the natural logarithm of the retina's rise ratio.

    Examples
    --------
    >>> from echotrace.sittings.alignment_features import observed_features
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> observed_features(result).height[0].round(0).tolist()  # doctest: +SKIP
    """
    n = result.n_traces
    nan = np.full(n, np.nan)
    height = np.full((n, len(FEATURES)), np.nan)
    below, above = height.copy(), height.copy()
    features = {name: values.astype(np.float64) for name, values in result.features.items()}
    at = dict(zip(result.interfaces, result.delay_us.T, strict=True))
    gain = np.zeros((n, len(FEATURES)))
    receiver = recording.receiver if recording is not None else None
    clipped = np.zeros((n, len(FEATURES)), bool)
    for k, name in enumerate(FEATURES[:-2]):
        delay = at.get(name, nan)
        height[:, k] = features.get(f"level_db_{name}", nan)
        if receiver is not None:
            gain[:, k] = tgc_db(np.nan_to_num(delay), receiver)
        there = np.array([name in result.interfaces]) & np.isfinite(result.score)
        if name not in _OPTIONAL:
            below[there & np.isnan(delay), k] = SEARCH_DB
        clipped[:, k] = np.isfinite(delay) & np.isnan(height[:, k])
    orbit = features.get("orbit_level_db", nan)
    k = FEATURES.index("orbit")
    heard = orbit > _ORBIT_FLOOR_DB
    height[heard, k] = orbit[heard]
    below[~heard & np.isfinite(orbit), k] = _ORBIT_FLOOR_DB
    retina = FEATURES.index("retina")
    with np.errstate(invalid="ignore", divide="ignore"):
        rise = np.log(features.get("retina_rise_ratio", nan))
    # A clipped or hardly heard echo has no rise to speak of.
    rise[clipped[:, retina] | ~(height[:, retina] > SEARCH_DB)] = np.nan
    height[:, RISE] = np.where(np.isfinite(rise), rise, np.nan)
    # Full scale lies above every unclipped echo as it left the receiver.
    left = np.where(np.isfinite(height), height + gain, -np.inf)[:, : LEVELS - 1].max(axis=1)
    bound = left[:, None] - gain
    above = np.where(clipped & np.isfinite(bound), bound, np.nan)
    return ObservedFeatures(height=height, below=below, above=above)
