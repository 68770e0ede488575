"""The pattern of an eye's echoes, as features that neither gain nor an unknown time gain moves.

Each echo is held against its neighbours on the trace, never against an absolute height: the
retina against the wall just behind it, the front of the cornea against its back, the lens against
itself. No single feature decides; :mod:`echotrace.quality.score` weighs them all.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from echotrace.recording import Method
from echotrace.signal.candidates import Candidates
from echotrace.target import Target

__all__ = ["PATTERN_FEATURES", "pattern_features"]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

PATTERN_FEATURES = (
    "cornea_imbalance_db",
    "cornea_against_lens_db",
    "retina_against_cornea_db",
    "retina_silence_db",
    "retina_misshape",
    "most_broadening",
    "wall_step_db",
    "wall_double_db",
    "retina_over_wall_db",
    "orbit_against_retina_db",
    "lens_echo_against_lens_db",
    "vitreous_echo_against_retina_db",
    "vitreous_echo_count",
    "anatomy_distance",
    "fluid_gap_us",
    "fluid_unseen_us",
    "chamber_mm",
    "cavity_mm",
    "retina_rise_misfit",
    "repeat_closeness_us",
    "pseudophakic_pattern_db",
    "second_cornea_db",
    "phakic_pattern_db",
    "bath_pattern_db",
    "chamber_echo_against_cornea_db",
    "chamber_echo_against_lens_db",
    "bath_echo_against_cornea_db",
    "retina_followed_db",
    "lens_clipped_samples",
    "end_clipped_samples",
)
"""Names of the features; those that a target or method does not have are NaN."""

# A repeat has no wall behind it: where the energy rises by this much, dB, stands no repeat.
_WALLED_DB = 25.0
_FAR_US = 9.0
# Where aqueous alone lies: behind the thickest cornea, and clear of the lens's own skirt.
_BEHIND_CORNEA_US, _BEFORE_LENS_US = 1.0, 0.35
# Where a bubble stands: behind the near field of the probe, and clear of the cornea's own skirt.
_BEHIND_FACE_US, _BEFORE_CORNEA_US = 2.0, 0.35
# Wall and orbit follow a retina; interference is alone.
_FOLLOWS_US = (1.0, 4.0)
# Shallower than this, mm, is a chamber two standard deviations below the mean (3.02 ± 0.45 in
# 28,709 eyes, BMC Ophthalmol 2021).
_SHALLOW_MM = 2.12


def pattern_features(
    candidates: Candidates,
    delay_us: Float64,
    level_db: Float32,
    clipped: NDArray[np.int32],
    target: Target,
    *,
    method: str,
    face_delay_us: float,
    near_field_us: float,
    receiver_known: bool,
    retina_rise_ratio: Float32,
) -> dict[str, Float32]:
    """Features of the pattern of an eye.

    Parameters
    ----------
    candidates : Candidates
    delay_us : ndarray of float64, (n_traces, n_interfaces)
        Picks, NaN where there is none.
    level_db : ndarray of float32, (n_traces, n_interfaces)
        Of the echo at each pick, clipped or not, over the noise.
    clipped : ndarray of int32, (n_traces, n_interfaces)
        Clipped samples of each.
    target : Target
        An eye.
    method : str
    face_delay_us : float
        NaN where unknown.
    near_field_us : float
        Delay before which what the transmit pulse leaves hides echoes; in contact.
    receiver_known : bool
        Whether echoes of different depth may be compared.
    retina_rise_ratio : ndarray of float32, (n_traces,)
        10-90 % rise of the retina over that of an undistorted echo.

    Returns
    -------
    dict of str to ndarray of float32, each (n_traces,)
        All of :data:`PATTERN_FEATURES`.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.quality.pattern import PATTERN_FEATURES
    >>> features = et.measure(recording).features
    >>> set(PATTERN_FEATURES) <= set(features), features["chamber_mm"].shape
    (True, (6,))
    """
    from echotrace.kernels import pattern as ask

    n = delay_us.shape[0]
    names = target.interface_names
    lens = "lens_front" in names
    natural = lens and target.segments[names.index("lens_front")].medium.name == "lens"
    immersion = method == Method.IMMERSION
    face_us = 0.0 if np.isnan(face_delay_us) else face_delay_us
    retina_k = names.index("retina")
    table = np.array(
        [
            names.index("lens_front") if lens else -1,
            names.index("lens_back") if lens else -1,
            retina_k,
            names.index("lens_back") if lens else 0,
            0 if immersion else 1,
        ]
    )
    answer = np.empty((n, ask.ANSWERS))
    ask.ask_rows(
        candidates.count,
        candidates.delay_us,
        candidates.level_db,
        candidates.before_db,
        candidates.broadening,
        np.ascontiguousarray(delay_us),
        np.ascontiguousarray(level_db, np.float32),
        face_us,
        near_field_us,
        table,
        natural,
        answer,
    )
    told = np.ascontiguousarray(answer.T)
    at = dict(zip(names, np.ascontiguousarray(delay_us.T), strict=True))
    level = dict(zip(names, level_db.T.astype(np.float64, order="C"), strict=True))
    marks = dict(zip(names, clipped.T, strict=True))
    retina, retina_db, cornea = at["retina"], level["retina"], at["cornea_front"]
    wall_db, orbit_db = told[ask.WALL_DB], told[ask.ORBIT_DB]
    table = np.full((len(PATTERN_FEATURES), n), np.nan, np.float32)
    found = dict(zip(PATTERN_FEATURES, table, strict=True))
    with np.errstate(invalid="ignore", divide="ignore"):
        found["wall_step_db"][:] = told[ask.WALL_STEP_DB]
        # A second level of the wall stands as a second first rise, one wall's thickness behind.
        found["wall_double_db"][:] = told[ask.SECOND_LEVEL_DB] - np.fmax(wall_db, retina_db)
        found["retina_over_wall_db"][:] = np.maximum(retina_db - np.fmax(wall_db, orbit_db), 0.0)
        found["orbit_against_retina_db"][:] = orbit_db - retina_db
        found["vitreous_echo_against_retina_db"][:] = told[ask.VITREOUS_DB] - retina_db
        found["vitreous_echo_count"][:] = told[ask.VITREOUS_COUNT]
        found["retina_silence_db"][:] = told[ask.RETINA_SILENCE_DB]
        found["retina_misshape"][:] = np.abs(told[ask.RETINA_BROADENING])
        found["most_broadening"][:] = told[ask.MOST_BROADENING]
        # A rise faster than the probe's pulse is no echo of it.
        found["retina_rise_misfit"][:] = np.abs(np.log(retina_rise_ratio))
        follows_db = _tallest_db(candidates, retina + _FOLLOWS_US[0], retina + _FOLLOWS_US[1])
        found["retina_followed_db"][:] = follows_db - retina_db
        found["anatomy_distance"][:] = _anatomy_distance(at, target)
        before = at["lens_back"] if lens else cornea + 0.8
        speed = target.segments[retina_k - 1].medium.speed_m_per_s
        found["cavity_mm"][:] = (retina - before) * speed / 2e3
        found["end_clipped_samples"][:] = marks["retina"]
        if immersion:
            found["end_clipped_samples"] += marks["cornea_front"]
        if lens:
            ends = np.minimum(level["lens_front"], level["lens_back"])
            found["lens_echo_against_lens_db"][:] = told[ask.LENS_INSIDE_DB] - ends
            found["lens_clipped_samples"][:] = marks["lens_front"] + marks["lens_back"]
            speed = target.segments[names.index("lens_front") - 1].medium.speed_m_per_s
            found["chamber_mm"][:] = (at["lens_front"] - cornea) * speed / 2e3
            chamber_db = _tallest_db(
                candidates, cornea + _BEHIND_CORNEA_US, at["lens_front"] - _BEFORE_LENS_US
            )
            found["chamber_echo_against_lens_db"][:] = chamber_db - level["lens_front"]
        if immersion:
            cornea_db, back_db = level["cornea_front"], level["cornea_back"]
            whole = (marks["cornea_front"] == 0) & (marks["cornea_back"] == 0)
            found["cornea_imbalance_db"][whole] = np.abs(cornea_db - back_db)[whole]
            if receiver_known:
                found["retina_against_cornea_db"][:] = retina_db - cornea_db
            if natural:
                found["cornea_against_lens_db"][:] = cornea_db - level["lens_front"]
            if lens:
                found["chamber_echo_against_cornea_db"][:] = chamber_db - cornea_db
            bath_us = np.full(n, face_us + _BEHIND_FACE_US)
            bath_db = _tallest_db(candidates, bath_us, cornea - _BEFORE_CORNEA_US)
            found["bath_echo_against_cornea_db"][:] = bath_db - cornea_db
            found["repeat_closeness_us"][:] = _repeat_closeness(
                at, level, face_us, found["wall_step_db"]
            )
        else:
            # What is shown; what is not excluded has a feature, and a warning, of its own.
            found["fluid_gap_us"][:] = np.nan_to_num(told[ask.FLUID_US])
            found["fluid_unseen_us"][:] = told[ask.FLUID_UNSEEN_US]
        if not lens or natural:
            # Both faces of an implant look like a cornea behind a bath.
            if immersion:
                # The cornea at the face itself, as tall as the echo called cornea: no bath.
                no_bath = (cornea - face_us < 1.0) | np.isnan(at["cornea_back"])
                pair = told[ask.FACE_PAIR_DB] - cornea_db
                found["bath_pattern_db"][no_bath] = pair[no_bath]
            else:
                found["bath_pattern_db"][:] = told[ask.BATH_PAIR_DB]
        # Both faces of an implant are alike (30 dB): a second echo that is taller by as much as a
        # lower one would be lower speaks no more for it.
        implant_db = told[ask.IMPLANT_DB]
        found["pseudophakic_pattern_db"][:] = np.minimum(implant_db, 60.0 - implant_db)
        # A bubble in the bath may stand before a cornea, but then the chamber is deep.
        shallow = found["chamber_mm"] < _SHALLOW_MM
        found["second_cornea_db"][shallow] = told[ask.SECOND_CORNEA_DB, shallow]
        found["phakic_pattern_db"][:] = told[ask.NATURAL_DB]
    # An echo without any height is no feature.
    table[np.isinf(table)] = np.nan
    return found


def _tallest_db(candidates: Candidates, start_us: Float64, stop_us: Float64) -> Float32:
    """Tallest echo between two delays of each trace, dB over the noise; zero where none is."""
    from echotrace.kernels.features import tallest_between

    n = candidates.count.size
    tallest = np.empty(n, np.float32)
    tallest_between(
        candidates.count, candidates.delay_us, candidates.level_db,
        np.ascontiguousarray(start_us), np.ascontiguousarray(stop_us), np.empty((n, 0)), 0.0,
        tallest,
    )  # fmt: skip
    return np.fmax(tallest, np.float32(0.0))


def _anatomy_distance(at: dict[str, Float64], target: Target) -> Float64:
    """Largest distance of a segment from its published mean, in standard deviations.

    Up to the lens only: the vitreous differs too much between eyes to tell anything.
    """
    names, distance = target.interface_names, np.full(at["retina"].size, np.nan)
    for k, segment in enumerate(target.segments[: names.index("retina") - 1]):
        if segment.name == "cornea":
            # Its back is not always picked; the chamber as a whole is judged with the aqueous.
            continue
        back = names.index("cornea_front") if segment.name == "aqueous" else k
        mean = sum(2e3 * s.mean_mm / s.medium.speed_m_per_s for s in target.segments[back : k + 1])
        sd = 2e3 * segment.sd_mm / segment.medium.speed_m_per_s
        here = np.abs(at[names[k + 1]] - at[names[back]] - mean) / sd
        distance = np.fmax(distance, here)
    return distance


def _repeat_closeness(
    at: dict[str, Float64], level: dict[str, Float64], face_us: float, wall_step_db: Float32
) -> Float64:
    """Distance of the retina from where the bath would repeat an earlier, taller echo, µs."""
    retina = at["retina"]
    bath = at["cornea_front"] - face_us
    closeness = np.full(retina.size, _FAR_US)
    for name, first in at.items():
        if name == "retina":
            break
        lower = level["retina"] < level[name] - 15.0
        if not lower.any():
            continue
        for passages in (1.0, 2.0):
            apart = np.abs(retina - first - passages * bath)
            closeness = np.where(lower, np.fmin(closeness, apart), closeness)
    closeness[wall_step_db > _WALLED_DB] = _FAR_US
    closeness[np.isnan(retina)] = np.nan
    return closeness
