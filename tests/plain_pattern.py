"""The features of an eye's pattern in plain numpy, one array a window of the trace.

Nothing of it comes from the code it is held against.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from echotrace.recording import Method
from echotrace.signal.candidates import Candidates
from echotrace.target import Target

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

# Echoes nearer to each other than this, µs, are one and the same to a search among candidates.
_SAME_US = 0.12
# What is compared with the wall: the second level of a wall begins at least this far behind, µs.
_STEP_BEFORE_US, _STEP_BEHIND_US = 3.0, 1.0
_UNHEARD_DB = 10.0
_WALLED_DB = 25.0
_FAR_US = 9.0

NAMES = (
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
    "chamber_echo_against_cornea_db",
    "chamber_echo_against_lens_db",
    "bath_echo_against_cornea_db",
    "retina_followed_db",
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
    "lens_clipped_samples",
    "end_clipped_samples",
)


def _finite(values: Float64, wanted: NDArray[np.bool_] | None = None) -> Float32:
    good = np.isfinite(values)
    if wanted is not None:
        good &= wanted
    return np.where(good, values, np.nan).astype(np.float32)


class _Echoes:
    """All echoes of the traces, for questions about windows of delay."""

    def __init__(self, candidates: Candidates) -> None:
        columns = np.arange(candidates.sample.shape[1])
        self.real = columns < candidates.count[:, None]
        self.at = candidates.delay_us
        self.level = candidates.level_db
        self.before = candidates.before_db
        self.broadening = candidates.broadening

    def tallest(self, start_us: Float64, stop_us: Float64) -> tuple[Float64, Float64]:
        """Level and delay of the tallest echo of a window; minus infinity and NaN for none."""
        inside = self.real & (self.at >= start_us[:, None]) & (self.at <= stop_us[:, None])
        level = np.where(inside, self.level, -np.inf)
        rows, best = np.arange(level.shape[0]), level.argmax(axis=1)
        found = level[rows, best]
        return (
            np.asarray(found, np.float64),
            np.where(np.isfinite(found), self.at[rows, best], np.nan),
        )

    def count(self, start_us: Float64, stop_us: Float64, least_db: Float64) -> Float64:
        """Echoes of a window that reach a level."""
        inside = self.real & (self.at >= start_us[:, None]) & (self.at <= stop_us[:, None])
        return np.asarray((inside & (self.level >= least_db[:, None])).sum(axis=1), np.float64)

    def energy(self, start_us: Float64, stop_us: Float64) -> Float64:
        """Sum of squares of the echoes of a window, over the noise's."""
        inside = self.real & (self.at >= start_us[:, None]) & (self.at <= stop_us[:, None])
        power = 10.0 ** (0.1 * np.minimum(self.level.astype(np.float64), 200.0))
        return np.asarray(np.where(inside, power, 0.0).sum(axis=1))

    def of(self, delay_us: Float64) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
        """The candidate at each pick, and whether there is one."""
        distance = np.where(self.real, np.abs(self.at - delay_us[:, None]), np.inf)
        best = distance.argmin(axis=1)
        near = distance[np.arange(best.size), best] < _SAME_US
        return best, near


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
    """As :func:`echotrace.quality.pattern.pattern_features`."""
    n = delay_us.shape[0]
    nan = np.full(n, np.nan, np.float32)
    found: dict[str, Float32] = dict.fromkeys(NAMES, nan)
    echoes = _Echoes(candidates)
    names = target.interface_names
    at = dict(zip(names, delay_us.T, strict=True))
    level = dict(zip(names, level_db.T.astype(np.float64), strict=True))
    marks = dict(zip(names, clipped.T, strict=True))
    immersion = method == Method.IMMERSION
    retina = at["retina"]
    last = "lens_back" if "lens_back" in names else "cornea_back"
    last_us = at[last] if last == "lens_back" else at["cornea_front"] + 0.8
    with np.errstate(invalid="ignore", divide="ignore"):
        if immersion:
            both = (marks["cornea_front"] == 0) & (marks["cornea_back"] == 0)
            imbalance = np.abs(level["cornea_front"] - level["cornea_back"])
            found["cornea_imbalance_db"] = _finite(imbalance, both)
            face_us = 0.0 if np.isnan(face_delay_us) else face_delay_us
            bath = _inside(echoes, np.full(n, face_us + 2.0), at["cornea_front"] - 0.35)
            found["bath_echo_against_cornea_db"] = _finite(bath - level["cornea_front"])
            if receiver_known:
                found["retina_against_cornea_db"] = _finite(level["retina"] - level["cornea_front"])
        if last == "lens_back":
            ends = np.minimum(level["lens_front"], level["lens_back"])
            inside, _ = echoes.tallest(at["lens_front"] + 0.5, at["lens_back"] - 0.4)
            found["lens_echo_against_lens_db"] = _finite(np.maximum(inside, _UNHEARD_DB) - ends)
            chamber = _inside(echoes, at["cornea_front"] + 1.0, at["lens_front"] - 0.35)
            found["chamber_echo_against_lens_db"] = _finite(chamber - level["lens_front"])
            if immersion:
                against = chamber - level["cornea_front"]
                found["chamber_echo_against_cornea_db"] = _finite(against)
            if immersion and target.segments[names.index("lens_front")].medium.name == "lens":
                against = level["cornea_front"] - level["lens_front"]
                found["cornea_against_lens_db"] = _finite(against)
            lens_marks = marks["lens_front"] + marks["lens_back"]
            found["lens_clipped_samples"] = lens_marks.astype(np.float32)
        end_marks = marks["retina"] + (marks["cornea_front"] if immersion else 0)
        found["end_clipped_samples"] = end_marks.astype(np.float32)
        found |= _retina(echoes, retina, last_us, level["retina"])
        follows = _inside(echoes, retina + 1.0, retina + 4.0)
        found["retina_followed_db"] = _finite(follows - level["retina"])
        found |= _shapes(echoes, delay_us, target, contact=not immersion)
        # A rise faster than the probe's pulse is no echo of it.
        found["retina_rise_misfit"] = _finite(np.abs(np.log(retina_rise_ratio)).astype(np.float64))
        found["anatomy_distance"] = _finite(_anatomy_distance(at, target))
        cavity = target.segments[names.index("retina") - 1]
        found["cavity_mm"] = _finite((retina - last_us) * cavity.medium.speed_m_per_s / 2e3)
        if "lens_front" in names:
            chamber = at["lens_front"] - at["cornea_front"]
            speed = target.segments[names.index("lens_front") - 1].medium.speed_m_per_s
            found["chamber_mm"] = _finite(chamber * speed / 2e3)
        found |= _method(echoes, at, level, retina, immersion, face_delay_us, near_field_us)
        if target.name.startswith("pseudophakic"):
            # Both faces of an implant look like a cornea behind a bath.
            found["bath_pattern_db"] = nan
        found |= _state(echoes, at, level, target, immersion)
        # Before a deep chamber stands no second cornea: 3.02 mm less two times 0.45 mm.
        deep = ~(found["chamber_mm"] < 2.12)
        found["second_cornea_db"] = np.where(deep, np.float32(np.nan), found["second_cornea_db"])
        # A repeat has no wall behind it; a retina may well stand where one would be.
        walled = found["wall_step_db"] > _WALLED_DB
        found["repeat_closeness_us"] = np.where(
            walled & np.isfinite(found["repeat_closeness_us"]),
            np.float32(_FAR_US),
            found["repeat_closeness_us"],
        )
    return found


def _anatomy_distance(at: dict[str, Float64], target: Target) -> Float64:
    """The worse of the chamber, cornea and aqueous together, and the lens: |L - mean| / sd."""
    segment = {item.name: item for item in target.segments}
    distance = np.full(at["retina"].shape, np.nan)
    if "lens" not in segment:
        return distance
    cornea, aqueous, lens = (segment[name] for name in ("cornea", "aqueous", "lens"))

    def usual_us(item) -> float:
        return item.mean_mm / (item.medium.speed_m_per_s * 5e-4)

    for first, last, parts in (
        ("cornea_front", "lens_front", (cornea, aqueous)),
        ("lens_front", "lens_back", (lens,)),
    ):
        off_us = at[last] - at[first] - sum(usual_us(item) for item in parts)
        off_mm = off_us * parts[-1].medium.speed_m_per_s * 5e-4
        distance = np.fmax(distance, np.abs(off_mm) / parts[-1].sd_mm)
    return distance


def _retina(
    echoes: _Echoes, retina: Float64, last_us: Float64, level: Float64
) -> dict[str, Float32]:
    """The retina against what lies just before and behind it."""
    behind = echoes.energy(retina - _SAME_US, retina + _STEP_BEHIND_US)
    before = echoes.energy(retina - _STEP_BEFORE_US, retina - _SAME_US)
    step = 10.0 * np.log10(behind / (before + 10.0 ** (0.1 * _UNHEARD_DB)))
    # A second level of the wall stands as a second first rise, one wall's thickness behind.
    nearest, _ = echoes.tallest(retina + 1.2, retina + 3.0)
    wall, _ = echoes.tallest(retina + 0.45, retina + 1.2)
    orbit = 10.0 * np.log10(echoes.energy(retina + 1.6, retina + 7.0) + 1.0)
    vitreous, _ = echoes.tallest(last_us + 1.6, retina - 0.8)
    vitreous = np.maximum(vitreous, _UNHEARD_DB)
    start = np.maximum(last_us + 1.6, retina - 6.0)
    return {
        "wall_step_db": _finite(step),
        "wall_double_db": _finite(
            np.maximum(nearest, _UNHEARD_DB) - np.maximum(np.maximum(wall, _UNHEARD_DB), level)
        ),
        "retina_over_wall_db": _finite(
            np.maximum(level - np.maximum(np.maximum(wall, _UNHEARD_DB), orbit), 0.0)
        ),
        "orbit_against_retina_db": _finite(orbit - level),
        "vitreous_echo_against_retina_db": _finite(vitreous - level),
        "vitreous_echo_count": _finite(
            echoes.count(start, retina - _SAME_US, level - 20.0), np.isfinite(retina)
        ),
    }


def _shapes(
    echoes: _Echoes, delay_us: Float64, target: Target, *, contact: bool
) -> dict[str, Float32]:
    """Agreement of the echoes with the probe's pulse, and the silence before the retina."""
    names = target.interface_names
    rows = np.arange(delay_us.shape[0])
    most = np.full(delay_us.shape[0], -np.inf)
    out: dict[str, Float32] = {}
    for k in range(int(contact), names.index("retina") + 1):
        best, near = echoes.of(delay_us[:, k])
        broadening = np.where(near, echoes.broadening[rows, best], np.nan).astype(np.float64)
        most = np.fmax(most, broadening)
        if names[k] == "retina":
            out["retina_misshape"] = _finite(np.abs(broadening))
            quiet = echoes.level[rows, best] - np.maximum(echoes.before[rows, best], _UNHEARD_DB)
            out["retina_silence_db"] = _finite(quiet.astype(np.float64), near)
    out["most_broadening"] = _finite(most)
    return out


def _method(
    echoes: _Echoes,
    at: dict[str, Float64],
    level: dict[str, Float64],
    retina: Float64,
    immersion: bool,
    face_delay_us: float,
    near_field_us: float,
) -> dict[str, Float32]:
    """Bath, face and what lies between them and the cornea."""
    n = retina.size
    out: dict[str, Float32] = {}
    face = np.full(n, 0.0 if np.isnan(face_delay_us) else face_delay_us)
    if immersion:
        bath = at["cornea_front"] - face
        closeness = np.full(n, np.inf)
        for name, first in at.items():
            if name in ("retina", "sclera"):
                break
            for passages in (1.0, 2.0):
                apart = np.abs(retina - first - passages * bath)
                lower = level["retina"] < level[name] - 15.0
                closeness = np.where(lower, np.fmin(closeness, apart), closeness)
        out["repeat_closeness_us"] = _finite(np.minimum(closeness, _FAR_US), np.isfinite(retina))
        # The cornea at the face itself, as tall as the echo called cornea: no bath at all.
        first, _ = echoes.tallest(face - 0.1, face + 0.1)
        behind, _ = echoes.tallest(face + 0.5, face + 0.95)
        pair = np.minimum(first, behind)
        missing = np.isnan(at["cornea_back"])
        at_face = at["cornea_front"] - face < 1.0
        out["bath_pattern_db"] = _finite(pair - level["cornea_front"], missing | at_face)
        return out
    fluid = np.array([_fluid(echoes, i, face[i], near_field_us) for i in range(n)])
    out["fluid_gap_us"], out["fluid_unseen_us"] = np.nan_to_num(fluid).T
    # A tall pair of a cornea's thickness out of silence, where contact has none.
    pair = np.full(n, -np.inf)
    best = np.full(n, -np.inf)
    columns = echoes.at.shape[1]
    for j in range(columns):
        here = np.where(echoes.real[:, j], echoes.level[:, j], -np.inf).astype(np.float64)
        first = echoes.at[:, j]
        partner, _ = echoes.tallest(first + 0.45, first + 0.95)
        far = (first > face + 3.0) & (first < face + 26.0) & (echoes.before[:, j] < here - 30.0)
        both = np.where(far, np.minimum(here, partner), -np.inf)
        pair = np.maximum(pair, both)
        best = np.maximum(best, np.where(first > face + 0.9, here, -np.inf))
        if j >= 24:
            break
    out["bath_pattern_db"] = _finite(pair - best)
    return out


def _state(
    echoes: _Echoes,
    at: dict[str, Float64],
    level: dict[str, Float64],
    target: Target,
    immersion: bool,
) -> dict[str, Float32]:
    """Patterns of another lens state than the one said, as heights over what was expected."""
    cornea = at["cornea_front"]
    out: dict[str, Float32] = {}
    phakic = "lens_back" in at and (
        target.segments[target.index("lens_front")].medium.name == "lens"
    )
    if phakic:
        # An implant: two tall echoes 0.25 to 2.4 µs apart behind the chamber and nothing as tall
        # where the back of a natural lens would be.
        _, first = echoes.tallest(cornea + 3.0, cornea + 8.0)
        top, _ = echoes.tallest(first - 1.5, first + 1.5)
        before, _ = echoes.tallest(first - 2.4, first - 0.25)
        after, _ = echoes.tallest(first + 0.25, first + 2.4)
        twin = np.maximum(np.maximum(before, after), _UNHEARD_DB)
        natural, _ = echoes.tallest(first + 3.2, first + 8.1)
        like = np.minimum(twin - top + 30.0, twin - np.maximum(natural, _UNHEARD_DB))
        # A second face that is taller by d counts as one that is lower by d: 30 + d as 30 - d.
        like = np.where(like > 30.0, 30.0 - (like - 30.0), like)
        out["pseudophakic_pattern_db"] = _finite(like, np.isfinite(first))
        if immersion:
            # A pair of a cornea's thickness where the cornea lies before an implant.
            pair = np.full(cornea.size, -np.inf)
            for j in range(echoes.at.shape[1]):
                start = echoes.at[:, j]
                partner, _ = echoes.tallest(start + 0.45, start + 0.95)
                here = echoes.real[:, j] & (start >= cornea - 8.0) & (start <= cornea - 3.0)
                lower = np.minimum(echoes.level[:, j], partner)
                pair = np.where(here, np.maximum(pair, lower), pair)
            out["second_cornea_db"] = _finite(pair - level["cornea_front"])
        return out
    # A natural lens: a tall pair 3.3 to 8 µs apart in front of the vitreous.
    _, first = echoes.tallest(cornea + 2.2, cornea + 6.5)
    front, _ = echoes.tallest(first - _SAME_US, first + _SAME_US)
    back, back_us = echoes.tallest(first + 4.0, first + 7.0)
    between, _ = echoes.tallest(first + 0.3, back_us - 0.3)
    reference = np.fmax(level["retina"] - 6.0, 20.0)
    if "lens_back" in at:
        lower = np.fmin(level["lens_front"], level["lens_back"])
        reference = np.where(np.isnan(lower), reference, lower)
    pattern = np.minimum(front, back) - np.maximum(between + 6.0, reference - 6.0)
    out["phakic_pattern_db"] = _finite(pattern)
    return out


def _fluid(echoes, i, face, near_field):
    """Gap before the cornea, and what may be unseen: the last tall echo near is its back."""
    heard = [(at - face, level) for at, level in _of_trace(echoes, i)]
    hidden = near_field - face
    clear = hidden <= -0.1
    at_face = [(level, at) for at, level in heard if abs(at) <= 0.1 and clear]
    near = [level for at, level in heard if -0.1 <= at <= 3.15]
    if at_face:
        level, at = max(at_face)
        behind = [b for a, b in heard if 0.45 <= a <= 0.95]
        if behind and abs(max(behind) - level) <= 9.0 and level >= max(near) - 9.0:
            return max(0.0, at), 0.0
    unseen = max(hidden - 0.55, 0.25)
    backs = [(at, level) for at, level in heard if max(0.45, hidden) <= at <= 3.15]
    if not backs or max(level for _, level in backs) < 25.0:
        return np.nan, unseen
    loudest = max(level for _, level in backs)
    low = bool(at_face) and max(at_face)[0] < loudest - 12.0
    for at, level in reversed(backs):
        behind = at - 0.67
        if level < loudest - (9.0 if behind > 0.1 else 15.0):
            continue
        if _is_repeat(heard, at, level):
            continue
        fronts = [(b, a) for a, b in heard if max(at - 0.95, hidden) <= a <= at - 0.45]
        if fronts and abs(max(fronts)[0] - level) <= 9.0:
            front = max(fronts)[1]
            step = at - front
            even = front > 0.45 and abs(front - round(front / step) * step) < 0.08
            if not clear and level < max(fronts)[0] and even:
                return np.nan, max(unseen, front)
            return max(0.0, front if clear else min(front, behind)), 0.0
        if low or behind < -0.12:
            continue
        if behind <= 0.1:
            return max(0.0, behind), 0.0
        if behind < 0.25:
            return np.nan, max(unseen, behind)
        if behind - 0.12 < hidden:
            if abs(behind - 0.67) < 0.24 and hidden > 0.55:
                return np.nan, max(unseen, behind)
            return behind, 0.0
    if low:
        return min(at for at, level in heard if at > 0.1 and level >= loudest - 12.0), 0.0
    return np.nan, unseen


def _is_repeat(heard, at, level):
    """At a multiple of an earlier way and 5 dB lower, or the third of a falling even train."""
    for a, b in heard:
        if not 0.45 < a < at:
            continue
        ways = round(at / a)
        if ways >= 2 and abs(at - ways * a) < 0.08 and level <= b - 5.0:
            return True
        train = 0.45 <= at - a <= 0.95 and level < b
        if train and any(c < a and abs(2 * a - c - at) < 0.08 and d > b for c, d in heard):
            return True
    return False


def _inside(echoes: _Echoes, start_us: Float64, stop_us: Float64) -> Float64:
    """Tallest echo between two delays of each trace; zero where all is silent."""
    found = []
    for i in range(start_us.size):
        here = echoes.real[i] & (echoes.at[i] > start_us[i]) & (echoes.at[i] < stop_us[i])
        found.append(max(0.0, *echoes.level[i][here]) if here.any() else 0.0)
    return np.array(found)


def _of_trace(echoes, i):
    real = echoes.real[i]
    return list(zip(echoes.at[i, real], echoes.level[i, real].astype(np.float64), strict=True))
