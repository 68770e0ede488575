"""Whether the probe pressed the cornea flat: length against chamber over the scans of a sitting."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace.distributions import line_through, t_quantile
from echotrace.errors import ParameterError
from echotrace.measurement import Measurement
from echotrace.sittings.finding import SittingFinding
from echotrace.sittings.outliers import extreme_studentized_deviates
from echotrace.text_out import scan_names

__all__ = [
    "Compression",
    "Pressing",
    "chamber_of",
    "compression_of",
    "judge_pressing",
    "scatter_apart_from_pressing",
]

Float64 = NDArray[np.float64]


# How well a chamber's slope must be known before it is called pressing, and how far the chamber
# must vary for it.
_SLOPE_HALF_WIDTH = 0.5

_LEAST_CHAMBER_RANGE_MM = 0.05
# What counts as 1: the speeds and the reliability are known to a tenth at best.
_NEAR_ONE = (0.9, 1.1)


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

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.sittings.pressing import compression_of
    >>> press = np.array([0.0, 0.05, 0.12, 0.20, 0.31])
    >>> found = compression_of(3.1 - press, 23.5 - press, 0.004)
    >>> found.pressed, found.least_pressed
    (True, 0)
    """

    slope: float
    slope_interval: tuple[float, float]
    chamber_range_mm: float
    least_pressed: int
    mean_shortening_mm: float
    mean_shortening_u_mm: float
    pressed: bool
    scans: tuple[int, ...]

    @property
    def alone(self) -> bool:
        """Whether the chamber varies and the length surely does not follow it."""
        return self.slope_interval[1] < _NEAR_ONE[0]


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

    Raises
    ------
    ParameterError
        Rows of different lengths.

    Notes
    -----
    Least squares of length on chamber; the slope is corrected for the chamber's own errors by
    its reliability (Fuller 1987, Measurement Error Models), asked to be above 0.8. Pressing leaves
    what lies behind the chamber as it is: of five scans and more, one where that stands apart
    (another spike taken for the lens) is left out.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.sittings.pressing import compression_of
    >>> press = np.array([0.0, 0.05, 0.12, 0.20, 0.31])
    >>> found = compression_of(3.1 - press, 23.5 - press, 0.004)
    >>> round(found.slope, 2), round(found.mean_shortening_mm, 3)
    (1.0, 0.136)
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
    fit = line_through(chamber, lengths)
    reliability = 1.0 - noise / variance
    slope = fit.slope / reliability
    half = float(t_quantile(0.975, n - 2)) * fit.slope_error / reliability
    deepest = int(np.argmax(chamber))
    shortening = float(chamber[deepest] - chamber.mean())
    u_shortening = math.sqrt(float(u[deepest] ** 2) * (1.0 - 1.0 / n) ** 2 + noise / n)
    near = (
        half <= _SLOPE_HALF_WIDTH and slope - half <= _NEAR_ONE[1] and slope + half >= _NEAR_ONE[0]
    )
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


def chamber_of(result: Measurement, scans: NDArray[np.intp]) -> tuple[Float64, Float64] | None:
    """Corneal front to lens, mm, and its standard uncertainty; None where there is no chamber.

    Parameters
    ----------
    result : Measurement
    scans : ndarray of int, (n,)

    Returns
    -------
    chamber_mm, u_mm : ndarray of float64, (n,)
        Or None.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.sittings.pressing import chamber_of
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/immersion_sitting.h5"))
    >>> chamber_mm, u_mm = chamber_of(result, np.array([0, 1]))
    >>> chamber_mm.round(1).tolist()
    [3.1, 3.1]
    """
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


# Standard deviation within an eye by immersion, where nothing is pressed: 0.03 ± 0.04 mm
# (Ademola-Popoola 2016), root mean square.
_UNPRESSED_SD_MM = 0.05


def scatter_apart_from_pressing(result: Measurement, used: NDArray[np.intp], u_mm: float) -> float:
    """Standard uncertainty of the mean of contact scans by all scatter that is not pressing, mm.

    By how much an eye is longer than the mean of its scans holds what these scans were pressed:
    published spreads are of means. Counted in the scatter as well it would be counted twice.

    Parameters
    ----------
    result : Measurement
    used : ndarray of int, (n,)
        The accepted scans.
    u_mm : float
        That by all scatter.

    Returns
    -------
    float
        By what lies behind the chamber, which pressing leaves as it is; where a scan shows no
        chamber, by the published spread within an eye where nothing is pressed. At most ``u_mm``.

    Examples
    --------
    >>> import numpy as np
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/contact_sitting.h5"))
    >>> used = np.flatnonzero(result.accepted)
    >>> scatter_apart_from_pressing(result, used, 0.04) < 0.02
    True
    """
    n = int(used.size)
    if n < 2:
        return u_mm
    found = chamber_of(result, used)
    rest = np.full(n, np.nan) if found is None else result.axial_length_mm[used] - found[0]
    sd = float(rest.std(ddof=1)) if np.isfinite(rest).all() else _UNPRESSED_SD_MM
    return min(u_mm, sd / math.sqrt(n))


@dataclass(frozen=True, slots=True, kw_only=True)
class Pressing:
    """The one judgement of pressing, of which both summary and judgement of a sitting speak.

    Attributes
    ----------
    chamber_range_mm : float
        Largest less smallest chamber of the scans, mm; NaN where one of them has none.
    flattest : int
        Scan with the smallest chamber.
    compression : Compression or None
        How the length follows the chamber; None where that cannot be told.

    Examples
    --------
    >>> from echotrace.sittings.pressing import Pressing
    >>> Pressing(chamber_range_mm=0.2, flattest=3, compression=None).finding(0.15).name
    'cornea_pressed'
    """

    chamber_range_mm: float
    flattest: int
    compression: Compression | None

    @property
    def statement(self) -> SittingFinding | None:
        """By how much the mean reads short, where the cornea was pressed."""
        press = self.compression
        if press is None or not press.pressed:
            return None
        low, high = press.slope_interval
        u = press.mean_shortening_u_mm
        known = f" ± {u:.3f}" if u >= 0.0005 else ""
        return SittingFinding(
            "compression",
            f"Length and anterior chamber shorten together, {press.slope:.2f} mm per mm (95 % "
            f"interval {low:.2f} to {high:.2f}; pressing gives 1, a tilted beam does not): the "
            f"cornea is pressed. Against {scan_names([press.least_pressed])}, the least pressed, "
            f"the mean reads {press.mean_shortening_mm:.3f}{known} mm short; what "
            "that scan is pressed itself cannot be seen. Press less, or use immersion.",
        )

    def finding(self, max_chamber_range_mm: float) -> SittingFinding | None:
        """What speaks against the mean, where the chamber differs by more than is wanted.

        Parameters
        ----------
        max_chamber_range_mm : float
            mm.

        Returns
        -------
        SittingFinding or None
            ``cornea_pressed``, or ``chamber_varies`` where the length surely does not follow.
        """
        if not self.chamber_range_mm > max_chamber_range_mm:
            return None
        start = (
            f"The anterior chamber differs by {self.chamber_range_mm:.2f} mm between scans, at "
            f"most {max_chamber_range_mm:g} mm is wanted; it is shortest in "
            f"{scan_names([self.flattest])}. "
        )
        press = self.compression
        if press is not None and self.flattest in press.scans and press.alone:
            low, high = press.slope_interval
            return SittingFinding(
                "chamber_varies",
                f"{start}The length does not follow it ({press.slope:.2f} mm per mm, 95 % interval "
                f"{low:.2f} to {high:.2f}; pressing gives 1): look whether the same spike was "
                "taken for the front of the lens in all scans.",
            )
        return SittingFinding(
            "cornea_pressed",
            f"{start}The probe presses the cornea: trust the scans with the deepest chamber, or "
            "capture again with less pressure.",
        )


def judge_pressing(result: Measurement, used: NDArray[np.intp]) -> Pressing | None:
    """Judge whether the cornea was pressed in the scans of a contact sitting.

    Parameters
    ----------
    result : Measurement
    used : ndarray of int, (n,)
        Numbers of the accepted scans.

    Returns
    -------
    Pressing or None
        None for fewer than two scans, and where there is no chamber.

    Notes
    -----
    Only contact presses; the method is for the caller to look at.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.sittings.pressing import judge_pressing
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/contact_sitting.h5"))
    >>> pressing = judge_pressing(result, np.flatnonzero(result.accepted))
    >>> 0.0 <= pressing.chamber_range_mm < 1.0
    True
    """
    found = chamber_of(result, used) if used.size > 1 else None
    if found is None:
        return None
    chamber, u = found
    press = compression_of(chamber, result.axial_length_mm[used], u)
    if press is not None:
        press = replace(
            press,
            least_pressed=int(used[press.least_pressed]),
            scans=tuple(int(used[k]) for k in press.scans),
        )
    return Pressing(
        chamber_range_mm=float(chamber.max() - chamber.min()),
        flattest=int(used[np.argmin(chamber)]),
        compression=press,
    )
