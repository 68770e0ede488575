"""What the scans of a sitting say of one another: groups, pressing, alignment, what to do next.

:mod:`echotrace.sittings.sitting` says whether the mean may be handed on; this module says why the
scans differ, which to believe, and what to change. Each statement carries its figure, and none is
made where the scans cannot tell. Statements do not change what is accepted.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from echotrace.errors import ParameterError
from echotrace.measurement import Measurement
from echotrace.recording import Method
from echotrace.sitting_limits import SittingLimits
from echotrace.sittings.alignment import AlignmentEstimate
from echotrace.sittings.sitting import SittingFinding, extreme_studentized_deviates

__all__ = [
    "Compression",
    "SittingJudgement",
    "compression_of",
    "judge_sittings",
    "length_groups",
    "scans_needed",
]

Float64 = NDArray[np.float64]

GROUP_ALPHA = 0.01
"""Significance at which lengths are said to fall in two groups."""

# Groups nearer to one another are of no consequence: an eighth of a dioptre (2.5 to 3 D per mm;
# StatPearls).
_LEAST_GAP_MM = 0.05
# An aligned beam, as the score has it: within both, the length errs by less than 0.05 mm.
ALIGNED_TILT_DEG, ALIGNED_DECENTRATION_MM = 2.5, 0.5
_SURE = 0.85
_HARDLY = 0.15
# How well a chamber's slope must be known before it is called pressing, and how far the chamber
# must vary for it.
_SLOPE_HALF_WIDTH = 0.5
_LEAST_CHAMBER_RANGE_MM = 0.05
_SIMULATED = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class Compression:
    """Length against chamber over the scans of a contact sitting.

    Attributes
    ----------
    slope, slope_interval : float, tuple of float
        Change of the length per change of the chamber, and its 95 % interval: 1 where the cornea
        is pressed, for nothing else shortens both alike; 0 where the chamber alone varies.
    chamber_range_mm : float
    least_pressed : int
        Scan with the deepest chamber.
    mean_shortening_mm, mean_shortening_u_mm : float
        By how much the mean is shorter than the least pressed scan, and its standard uncertainty.
        How far that scan is pressed itself is not known.
    pressed : bool
        Whether the slope is near 1 and nowhere near 0.
    scans : tuple of int
        Scans it was judged by; one whose lens lies elsewhere than in the others is left out.
    """

    slope: float
    slope_interval: tuple[float, float]
    chamber_range_mm: float
    least_pressed: int
    mean_shortening_mm: float
    mean_shortening_u_mm: float
    pressed: bool
    scans: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SittingJudgement:
    """What the scans of one sitting say of one another.

    Attributes
    ----------
    labels : mapping of str to str
    groups : tuple of tuple of int
        Accepted scans that belong together by length, the largest group first.
    believed : tuple of int
        The group to believe; empty where the scans cannot tell. All scans where there is one.
    best_scan : int or None
        Scan that is clearly aligned best.
    off_axis_scans : tuple of int
        Scans, accepted or not, whose beam is off the axis by more than chance.
    compression : Compression or None
        None outside contact, and where there are too few scans.
    more_scans : tuple of int or None
        How many scans in all the wanted half width asks for: by the spread seen, and by the
        largest spread these few scans leave open. None where there are enough.
    statements : tuple of SittingFinding
        The same in words.
    """

    labels: Mapping[str, str]
    groups: tuple[tuple[int, ...], ...]
    believed: tuple[int, ...]
    best_scan: int | None
    off_axis_scans: tuple[int, ...]
    compression: Compression | None
    more_scans: tuple[int, int] | None
    statements: tuple[SittingFinding, ...]

    def to_record(self) -> dict[str, object]:
        """A dictionary as JSON has it."""
        press = self.compression
        return {
            "groups": [list(group) for group in self.groups],
            "believed": list(self.believed),
            "best_scan": self.best_scan,
            "off_axis_scans": list(self.off_axis_scans),
            "compression": None
            if press is None
            else {
                "slope": round(press.slope, 3),
                "slope_interval": [round(x, 3) for x in press.slope_interval],
                "chamber_range_mm": round(press.chamber_range_mm, 4),
                "least_pressed": press.least_pressed,
                "mean_shortening_mm": round(press.mean_shortening_mm, 4),
                "mean_shortening_u_mm": round(press.mean_shortening_u_mm, 4),
                "pressed": press.pressed,
                "scans": list(press.scans),
            },
            "more_scans": None if self.more_scans is None else list(self.more_scans),
            "statements": [{"name": item.name, "text": item.text} for item in self.statements],
        }


def _best_split(ordered: Float64) -> tuple[NDArray[np.intp], Float64]:
    """Best place to part sorted rows in two of at least two each, and how well it parts them.

    The ratio of the squares between the parts to those within; rows are (m, n).
    """
    n = ordered.shape[1]
    first = np.arange(2, n - 1)
    total = ordered.sum(axis=1, keepdims=True)
    left = np.cumsum(ordered, axis=1)[:, first - 1]
    between = left**2 / first + (total - left) ** 2 / (n - first) - total**2 / n
    squares = ((ordered - total / n) ** 2).sum(axis=1, keepdims=True)
    ratio = between / np.maximum(squares - between, 1e-300)
    best = ratio.argmax(axis=1)
    return first[best], ratio[np.arange(ratio.shape[0]), best]


@functools.lru_cache(maxsize=64)
def _normal_ratios(n: int) -> Float64:
    """Sorted ratios of normal samples of one group."""
    rng = np.random.default_rng([1647, n])
    return np.sort(_best_split(np.sort(rng.standard_normal((_SIMULATED, n)), axis=1))[1])


def length_groups(
    lengths_mm: ArrayLike,
    u_mm: ArrayLike = 0.0,
    *,
    alpha: float = GROUP_ALPHA,
    min_gap_mm: float = _LEAST_GAP_MM,
) -> list[NDArray[np.intp]]:
    """Groups of scans by length, each of at least two.

    Parameters
    ----------
    lengths_mm : array_like, (n,)
    u_mm : array_like
        Standard uncertainty of each, from noise: what lies closer is never parted.
    alpha : float
        Significance of each division.
    min_gap_mm : float
        Least distance between the nearest scans of two groups.

    Returns
    -------
    list of ndarray of int
        Positions, the largest group first and of equal ones the longer; one group where nothing
        speaks for two.

    Notes
    -----
    Test for two clusters by the largest ratio of squares between to within over all divisions
    (Engelman & Hartigan 1969, J Am Stat Assoc 64:1647), its distribution under one normal group
    by simulation; groups are divided again as long as they hold five. (Three groups at equal
    distances look like one broad group to it.) A scan that stands alone is
    an outlier, not a group: :func:`echotrace.sittings.sitting.extreme_studentized_deviates`.
    """
    lengths = np.asarray(lengths_mm, np.float64)
    if lengths.ndim != 1 or not np.isfinite(lengths).all():
        raise ParameterError("lengths_mm must be a row of finite numbers")
    u = np.broadcast_to(np.asarray(u_mm, np.float64), lengths.shape)
    todo, done = [np.argsort(lengths, kind="stable")], []
    while todo:
        rows = todo.pop()
        if rows.size < 5:
            done.append(rows)
            continue
        ordered = lengths[rows]
        cuts, ratios = _best_split(ordered[None])
        cut = int(cuts[0])
        null = _normal_ratios(rows.size)
        p = (1.0 + float((null >= ratios[0]).sum())) / (null.size + 1.0)
        gap = ordered[cut] - ordered[cut - 1]
        least = max(min_gap_mm, 3.0 * math.hypot(u[rows[cut]], u[rows[cut - 1]]))
        if p < alpha and gap >= least:
            todo += [rows[:cut], rows[cut:]]
        else:
            done.append(rows)
    done.sort(key=lambda rows: (-rows.size, -float(lengths[rows].mean())))
    return [np.sort(rows) for rows in done]


def compression_of(
    chamber_mm: ArrayLike, lengths_mm: ArrayLike, chamber_u_mm: ArrayLike
) -> Compression | None:
    """How the length follows the chamber over the scans of a contact sitting.

    Parameters
    ----------
    chamber_mm, lengths_mm : array_like, (n,)
        Corneal front to lens front, and corneal front to retina.
    chamber_u_mm : array_like
        Standard uncertainty of each chamber.

    Returns
    -------
    Compression or None
        With ``least_pressed`` the position in the arrays. None for fewer than four scans, or a
        chamber that hardly varies against its uncertainty: then nothing can be told.

    Notes
    -----
    Least squares of length on chamber; the slope is corrected for the chamber's own errors by
    its reliability (Fuller 1987, Measurement Error Models), asked to be above 0.8. Pressing leaves
    what lies behind the chamber as it is: of five scans and more, one where that stands apart
    (another spike taken for the lens) is left out.
    """
    chamber = np.asarray(chamber_mm, np.float64)
    lengths = np.asarray(lengths_mm, np.float64)
    u = np.broadcast_to(np.asarray(chamber_u_mm, np.float64), chamber.shape)
    if chamber.shape != lengths.shape or chamber.ndim != 1:
        raise ParameterError("chamber_mm and lengths_mm must be rows of the same length")
    if chamber.size >= 5 and np.isfinite(chamber).all() and np.isfinite(lengths).all():
        rest = lengths - chamber
        apart = extreme_studentized_deviates(rest, max_outliers=1)
        apart = apart[np.abs(rest[apart] - np.median(rest)) > _LEAST_CHAMBER_RANGE_MM]
        if apart.size:
            kept = np.delete(np.arange(chamber.size), apart)
            return _of_kept(chamber, lengths, u, kept)
    return _of_kept(chamber, lengths, u, np.arange(chamber.size))


def _of_kept(
    all_chambers: Float64, all_lengths: Float64, all_u: Float64, kept: NDArray[np.intp]
) -> Compression | None:
    chamber, lengths, u = all_chambers[kept], all_lengths[kept], all_u[kept]
    n = chamber.size
    if n < 4 or not (np.isfinite(chamber).all() and np.isfinite(lengths).all()):
        return None
    spread = float(np.ptp(chamber))
    variance = float(chamber.var(ddof=1))
    noise = float(np.mean(u**2))
    if spread < _LEAST_CHAMBER_RANGE_MM or noise > 0.2 * variance:
        return None
    fit = scipy.stats.linregress(chamber, lengths)
    reliability = 1.0 - noise / variance
    slope = float(fit.slope) / reliability
    half = float(scipy.stats.t.ppf(0.975, n - 2)) * float(fit.stderr) / reliability
    deepest = int(np.argmax(chamber))
    shortening = float(chamber[deepest] - chamber.mean())
    u_shortening = math.sqrt(float(u[deepest] ** 2) * (1.0 - 1.0 / n) ** 2 + noise / n)
    # The speeds and the reliability are known to a tenth at best.
    near = half <= _SLOPE_HALF_WIDTH and slope - half <= 1.1 and slope + half >= 0.9
    return Compression(
        slope=slope,
        slope_interval=(slope - half, slope + half),
        chamber_range_mm=spread,
        least_pressed=int(kept[deepest]),
        mean_shortening_mm=shortening,
        mean_shortening_u_mm=u_shortening,
        pressed=bool(near and slope - half > 0.4),
        scans=tuple(int(k) for k in kept),
    )


def scans_needed(
    sd_mm: float, n: int, half_width_mm: float, *, confidence: float = 0.95
) -> tuple[int, int] | None:
    """How many scans in all bring the interval of the mean down to a half width.

    Parameters
    ----------
    sd_mm : float
        Standard deviation of ``n`` scans.
    n : int
    half_width_mm : float
        Wanted half width of Student's t interval.
    confidence : float
        Of that interval.

    Returns
    -------
    tuple of int, or None
        By the spread seen, and by its upper 80 % limit (chi square), for a spread from few scans
        is itself uncertain. None where ``n`` scans do.

    Notes
    -----
    Student's t interval and the chi square limit of a standard deviation: NIST/SEMATECH e-Handbook
    of Statistical Methods, 1.3.5.2 and 1.3.5.8.
    """
    if n < 2 or not sd_mm >= 0.0 or not half_width_mm > 0.0:
        raise ParameterError(
            f"sd_mm={sd_mm!r}, n={n!r}, half_width_mm={half_width_mm!r}: give at least two scans, "
            "a spread and a positive half width"
        )
    tail = 0.5 + 0.5 * confidence

    def fewest(sd: float) -> int:
        for wanted in range(2, 100):
            if float(scipy.stats.t.ppf(tail, wanted - 1)) * sd / math.sqrt(wanted) <= half_width_mm:
                return wanted
        return math.ceil((float(scipy.stats.norm.ppf(tail)) * sd / half_width_mm) ** 2) + 2

    seen = fewest(sd_mm)
    if seen <= n:
        return None
    upper = sd_mm * math.sqrt((n - 1) / float(scipy.stats.chi2.ppf(0.2, n - 1)))
    return seen, fewest(upper)


def judge_sittings(
    result: Measurement,
    alignment: AlignmentEstimate | None = None,
    limits: SittingLimits | None = None,
    *,
    half_width_mm: float = 0.05,
) -> list[SittingJudgement]:
    """Judge the scans of each sitting against one another.

    Parameters
    ----------
    result : Measurement
    alignment : AlignmentEstimate, optional
        Of the same traces; without it nothing is said of alignment.
    limits : SittingLimits, optional
    half_width_mm : float
        Wanted half width of the interval of the mean: half of the 0.1 mm that are about a
        quarter dioptre (2.5 to 3 D per mm; StatPearls).

    Returns
    -------
    list of SittingJudgement
        In the order of :func:`echotrace.summarise`.
    """
    limits = limits or SittingLimits()
    if alignment is not None and alignment.tilt_deg.size != result.n_traces:
        raise ParameterError(
            f"the alignment is of {alignment.tilt_deg.size} traces, the measurement of "
            f"{result.n_traces}"
        )
    return [
        _judge_one(result, labels, traces, alignment, limits, half_width_mm)
        for labels, traces in result.sittings()
    ]


def _judge_one(
    result: Measurement,
    labels: Mapping[str, str],
    traces: NDArray[np.intp],
    alignment: AlignmentEstimate | None,
    limits: SittingLimits,
    half_width_mm: float,
) -> SittingJudgement:
    used = traces[result.accepted[traces] & np.isfinite(result.axial_length_mm[traces])]
    lengths = result.axial_length_mm[used]
    statements: list[SittingFinding] = []

    off_axis: tuple[int, ...] = ()
    best: int | None = None
    if alignment is not None:
        off_axis, said = _off_axis(alignment, traces)
        statements += said
        best, said = _best(result, alignment, used)
        statements += said

    compression = None
    if labels["method"] == Method.CONTACT:
        compression = _compression(result, used)
        if compression is not None and compression.pressed:
            statements.append(_compression_statement(compression))

    groups = [used]
    if used.size:
        parts = length_groups(lengths, result.axial_length_u_mm[used])
        groups = [used[part] for part in parts]
    believed = used
    if len(groups) > 1:
        believed, said = _which_group(result, labels, groups, alignment)
        statements += said

    more = None
    if used.size >= 3:
        more = scans_needed(
            float(lengths.std(ddof=1)), int(used.size), half_width_mm, confidence=limits.confidence
        )
        if more is not None:
            statements.append(
                _more_statement(
                    more, float(lengths.std(ddof=1)), int(used.size), half_width_mm, len(groups)
                )
            )
    if alignment is not None:
        statements += _hold(alignment, traces)
    return SittingJudgement(
        labels=labels,
        groups=tuple(tuple(int(k) for k in group) for group in groups),
        believed=tuple(int(k) for k in believed),
        best_scan=best,
        off_axis_scans=off_axis,
        compression=compression,
        more_scans=more,
        statements=tuple(statements),
    )


def _names(scans: Sequence[int] | NDArray[np.intp]) -> str:
    numbers = [str(int(k)) for k in scans]
    if len(numbers) == 1:
        return f"scan {numbers[0]}"
    return f"scans {', '.join(numbers[:-1])} and {numbers[-1]}"


def _tilt(alignment: AlignmentEstimate, k: int) -> str:
    low, high = alignment.tilt_interval_deg[k]
    return f"{alignment.tilt_deg[k]:.1f}° ({low:.1f} to {high:.1f})"


def _aligned(alignment: AlignmentEstimate, traces: NDArray[np.intp]) -> Float64:
    return alignment.probability_within(ALIGNED_TILT_DEG, ALIGNED_DECENTRATION_MM)[traces]


def _off_axis(
    alignment: AlignmentEstimate, traces: NDArray[np.intp]
) -> tuple[tuple[int, ...], list[SittingFinding]]:
    """Scans whose beam is off the axis with near certainty."""
    aligned = _aligned(alignment, traces)
    with np.errstate(invalid="ignore"):
        off = traces[aligned < _HARDLY]
    if off.size == 0 or off.size == traces.size:
        # Where all are off, the hold is at fault and is spoken of once.
        return tuple(int(k) for k in off), []
    percent = round(100 * alignment.confidence)
    list_of = "; ".join(f"scan {int(k)}: {_tilt(alignment, int(k))}" for k in off[:6])
    more = f"; and {off.size - 6} more" if off.size > 6 else ""
    return tuple(int(k) for k in off), [
        SittingFinding(
            "scans_off_axis",
            f"The beam is off the visual axis in {_names(off[:6])}{more and ' and others'}; tilt "
            f"with its {percent} % interval, {list_of}{more}. Leave "
            f"{'them' if off.size > 1 else 'it'} out of the mean.",
        )
    ]


def _best(
    result: Measurement, alignment: AlignmentEstimate, used: NDArray[np.intp]
) -> tuple[int | None, list[SittingFinding]]:
    """The scan that is aligned better than the usual one of the sitting, if any surely is."""
    if used.size < 2:
        return None, []
    value = _aligned(alignment, used) * result.score[used]
    if not np.isfinite(value).all():
        return None, []
    k = int(used[int(np.argmax(value))])
    others = used[used != k]
    mass = alignment.posterior.sum(axis=2).astype(np.float64)
    below = np.cumsum(mass, axis=1) - 0.5 * mass
    # Probability that scan k is tilted less than each of the others.
    less = np.array([float(mass[j] @ below[k]) for j in others])
    if float(np.median(less)) < _SURE:
        return None, []
    low, high = alignment.decentration_interval_mm[k]
    return k, [
        SittingFinding(
            "best_aligned",
            f"Scan {k} is aligned best: tilt {_tilt(alignment, k)}, decentration "
            f"{alignment.decentration_mm[k]:.2f} mm ({low:.2f} to {high:.2f}), score "
            f"{result.score[k]:.2f}; it is tilted less than half of the others with "
            f"{100 * float(np.median(less)):.0f} % probability.",
        )
    ]


def _chamber(result: Measurement, scans: NDArray[np.intp]) -> tuple[Float64, Float64] | None:
    """Corneal front to lens, mm, and its standard uncertainty; None where there is no chamber."""
    if "lens" not in result.segments or "lens_front" not in result.interfaces:
        return None
    names = [name for name in ("cornea", "aqueous") if name in result.segments]
    if not names:
        return None
    columns = [result.length_mm[scans, result.segments.index(name)] for name in names]
    chamber = np.sum(columns, axis=0)
    pair = [result.interfaces.index(name) for name in ("cornea_front", "lens_front")]
    # Both ends' errors; 0.77 mm/µs is half of 1532 m/s (Jansson & Kock 1962). In contact the
    # front is the probe's face, the same in all scans.
    own = result.delay_u_us[scans][:, pair[1:]]
    u = 0.766 * np.sqrt(np.nansum(own**2, axis=1))
    return np.asarray(chamber), np.asarray(u)


def _compression(result: Measurement, used: NDArray[np.intp]) -> Compression | None:
    found = _chamber(result, used)
    if found is None:
        return None
    chamber, u = found
    press = compression_of(chamber, result.axial_length_mm[used], u)
    if press is None:
        return None
    return Compression(
        slope=press.slope,
        slope_interval=press.slope_interval,
        chamber_range_mm=press.chamber_range_mm,
        least_pressed=int(used[press.least_pressed]),
        mean_shortening_mm=press.mean_shortening_mm,
        mean_shortening_u_mm=press.mean_shortening_u_mm,
        pressed=press.pressed,
        scans=tuple(int(used[k]) for k in press.scans),
    )


def _compression_statement(press: Compression) -> SittingFinding:
    low, high = press.slope_interval
    return SittingFinding(
        "compression",
        f"Length and anterior chamber shorten together, {press.slope:.2f} mm per mm (95 % interval "
        f"{low:.2f} to {high:.2f}; pressing gives 1, a tilted beam does not): the cornea is "
        f"pressed. Against scan {press.least_pressed}, the least pressed, the mean reads "
        f"{press.mean_shortening_mm:.2f} ± {press.mean_shortening_u_mm:.2f} mm short; what that "
        "scan is pressed itself cannot be seen. Press less, or use immersion.",
    )


def _which_group(
    result: Measurement,
    labels: Mapping[str, str],
    groups: list[NDArray[np.intp]],
    alignment: AlignmentEstimate | None,
) -> tuple[NDArray[np.intp], list[SittingFinding]]:
    """Which of the groups to believe, and why; an empty group where it cannot be told."""
    means = [float(result.axial_length_mm[group].mean()) for group in groups]
    parts = " and ".join(
        f"{mean:.2f} mm ({_names(group)})" for mean, group in zip(means, groups, strict=True)
    )
    start = f"The lengths fall into {len(groups)} groups: {parts}. "
    longest = int(np.argmax(means))
    choice: int | None = None
    why = ""
    if alignment is not None:
        aligned = np.array([float(np.mean(_aligned(alignment, group))) for group in groups])
        if np.isfinite(aligned).all():
            best = int(np.argmax(aligned))
            second = float(np.partition(aligned, -2)[-2])
            # Twice as far from certainty of failure, and more likely aligned than not.
            if aligned[best] >= 0.5 and second <= 0.35 * aligned[best]:
                choice = best
                rank = "longest" if best == longest else "shorter"
                why = (
                    f"Believe {means[best]:.2f} mm, the {rank} one: its scans are aligned with "
                    f"{100 * aligned[best]:.0f} % probability, the others with "
                    f"{100 * second:.0f} %. A beam off the axis may read long as well as short."
                )
    if choice is None and labels["method"] == Method.CONTACT:
        choice, why = _by_chamber(result, groups, means, longest)
    if choice is None and not why:
        why = (
            "Neither alignment nor anything else tells which is right, and neither the longest "
            "nor the most frequent is so by that alone. Capture again."
        )
    believed = groups[choice] if choice is not None else np.empty(0, np.intp)
    return believed, [SittingFinding("two_groups", start + why)]


def _by_chamber(
    result: Measurement, groups: list[NDArray[np.intp]], means: list[float], longest: int
) -> tuple[int | None, str]:
    """In contact: whether the groups differ by what the chamber differs by."""
    found = [_chamber(result, group) for group in groups]
    chambers = [float(item[0].mean()) if item is not None else math.nan for item in found]
    if not np.isfinite(chambers).all():
        return None, ""
    deepest = int(np.argmax(chambers))
    order = np.argsort(means)
    apart = means[order[-1]] - means[order[-2]]
    deeper = chambers[order[-1]] - chambers[order[-2]]
    if deepest != longest or not abs(deeper - apart) <= max(0.03, 0.25 * apart):
        return None, ""
    names = result.finding_names
    fluid = "fluid_before_cornea" in names and bool(
        result.has_finding("fluid_before_cornea")[groups[longest]].any()
    )
    if fluid:
        return None, (
            f"They differ by {apart:.2f} mm and the chamber by {deeper:.2f} mm, but fluid before "
            "the cornea was found in the longest: it may read long. Wipe the probe and capture "
            "again."
        )
    return longest, (
        f"Believe {means[longest]:.2f} mm, the longest: the anterior chamber is deeper there by "
        f"{deeper:.2f} mm, as much as the length, and contact only shortens; no fluid was found "
        "that would lengthen."
    )


def _more_statement(
    more: tuple[int, int], sd_mm: float, n: int, half_width_mm: float, groups: int
) -> SittingFinding:
    seen, most = more
    text = (
        f"For a mean known within ± {half_width_mm:.2f} mm at 95 %, about {seen} scans like these "
        f"are needed in all, up to {most} since the spread ({sd_mm:.3f} mm) is that of only {n}. "
    )
    if groups > 1 or most > 3 * n:
        text += "A better hold brings more than more scans."
    return SittingFinding("more_scans", text.strip())


def _hold(alignment: AlignmentEstimate, traces: NDArray[np.intp]) -> list[SittingFinding]:
    """What is wrong with the hold in most scans, where the echoes tell."""
    known = np.isfinite(alignment.tilt_deg[traces])
    if known.sum() < 2:
        return []
    everything = 1e9
    tilt = 1.0 - alignment.probability_within(ALIGNED_TILT_DEG, everything)[traces][known]
    aside = 1.0 - alignment.probability_within(everything, ALIGNED_DECENTRATION_MM)[traces][known]
    found = []
    rows = traces[known]
    if float(np.median(tilt)) > _SURE:
        middle = float(np.median(alignment.tilt_deg[rows]))
        low, high = np.median(alignment.tilt_interval_deg[rows], axis=0)
        found.append(
            SittingFinding(
                "hold_tilted",
                f"Most scans are tilted, by {middle:.1f}° ({low:.1f} to {high:.1f}) in the middle "
                "one. The echoes do not tell in which direction: rock the probe about the corneal "
                "vertex until the fronts of cornea and lens and the retina stand tall together.",
            )
        )
    if float(np.median(aside)) > _SURE:
        middle = float(np.median(alignment.decentration_mm[rows]))
        low, high = np.median(alignment.decentration_interval_mm[rows], axis=0)
        found.append(
            SittingFinding(
                "hold_decentred",
                f"In most scans the beam passes beside the corneal vertex, by {middle:.1f} mm "
                f"({low:.1f} to {high:.1f}) in the middle one. The echoes do not tell to which "
                "side: slide the probe across the cornea until all spikes stand tall together.",
            )
        )
    return found
