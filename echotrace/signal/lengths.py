"""Lengths from delays and sound speeds, with their uncertainty by the GUM.

What belongs to one scan alone (the noise of its picks) is kept apart from what all scans of a
sitting share (sound speeds, temperature, the probe's offset, the clock, distortion): averaging
scans makes the first smaller and leaves the second as it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrace._renamed import old_keywords
from echotrace.errors import ParameterError
from echotrace.media import Medium
from echotrace.target import Interface, Segment, Target

__all__ = [
    "LengthSettings",
    "Lengths",
    "average_speed_m_per_s",
    "length_at_average_speed_mm",
    "measure_lengths",
    "plain_stack",
    "rescale_length_mm",
]

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthSettings:
    """What is known of the shared sources of uncertainty.

    Attributes
    ----------
    average_speed_m_per_s : float
        Zero: one speed for each segment (the default). Otherwise the total length is half the
        delay between its ends times this speed, as the average-speed convention has it.
    average_speed_u_m_per_s : float
        Standard uncertainty of that average speed, m/s.
    clock_ppm : float
        Standard uncertainty of the sampling rate, parts per million.
    temperature_u_c : float
        Standard uncertainty of the temperature, °C.
    distortion_us : float
        Standard uncertainty of each pick by distortion of its echo (clipping, attenuation,
        overlap, a pulse other than the template), µs. Ten nanoseconds are 8 µm of aqueous: the
        middle of what the tests of this package see above 20 dB signal to noise.
    implant_mm : float
        Thickness on the label of the implant, mm; 0: not known. The length is made of delays all
        the same: this is what they are checked against.

    Raises
    ------
    ParameterError
        A speed out of range, or an uncertainty below zero.

    Examples
    --------
    >>> from echotrace.signal.lengths import LengthSettings
    >>> LengthSettings(average_speed_m_per_s=1555.0).clock_ppm
    50.0
    """

    average_speed_m_per_s: float = 0.0
    average_speed_u_m_per_s: float = 5.0
    clock_ppm: float = 50.0
    temperature_u_c: float = 0.5
    distortion_us: float = 0.01
    implant_mm: float = 0.0

    def __post_init__(self) -> None:
        if self.average_speed_m_per_s != 0.0 and not 300.0 <= self.average_speed_m_per_s <= 1e4:
            raise ParameterError(
                f"average_speed_m_per_s={self.average_speed_m_per_s!r} must lie between 300 and "
                "10000 m/s, or be 0 for one speed for each segment"
            )
        if self.implant_mm != 0.0 and not 0.2 <= self.implant_mm <= 2.0:
            raise ParameterError(
                f"implant_mm={self.implant_mm!r} must lie between 0.2 and 2 mm, or be 0 where the "
                "thickness is not known"
            )
        for name in (
            "average_speed_u_m_per_s",
            "clock_ppm",
            "temperature_u_c",
            "distortion_us",
        ):
            if not getattr(self, name) >= 0.0:
                raise ParameterError(f"{name}={getattr(self, name)!r} must be zero or more")


@dataclass(frozen=True, slots=True)
class Lengths:
    """Lengths and their uncertainty.

    Attributes
    ----------
    segment_mm : ndarray of float64, (n, n_segments)
    total_mm : ndarray of float64, (n,)
    total_u_mm : ndarray of float64, (n,)
        Standard uncertainty of the scan's own part, mm.
    total_u_shared_mm : ndarray of float64, (n,)
        Standard uncertainty that all scans of the same sitting share, mm.
    assumed : ndarray of bool, (n, n_segments)
        The segment's thickness was assumed, not measured.
    budget_mm : mapping of str to ndarray, each (n,)
        Standard uncertainty of the total by source, mm: ``picks`` (own); ``speed``,
        ``temperature``, ``clock``, ``offset``, ``distortion``, ``assumed`` (shared).
    segment_u_mm : ndarray of float64, (n, n_segments)
        Standard uncertainty of each segment from the noise of its two picks, with their covariance,
        mm; NaN where one was not picked.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.lengths import measure_lengths
    >>> from echotrace.target import eye_target
    >>> delay_us = np.array([[0.0, 0.6703, 4.6520, 9.5271, 31.1936, np.nan]])
    >>> lengths = measure_lengths(delay_us, 0.001 + 0 * delay_us, eye_target("phakic"))
    >>> [round(float(lengths.budget_mm[source][0]) * 1e3, 1) for source in ("picks", "speed")]  # µm
    [1.1, 37.2]
    """

    segment_mm: Float
    total_mm: Float
    total_u_mm: Float
    total_u_shared_mm: Float
    assumed: NDArray[np.bool_]
    budget_mm: Mapping[str, Float]
    segment_u_mm: Float


def average_speed_m_per_s(length_mm: ArrayLike, speed_m_per_s: ArrayLike) -> Float:
    """Average speed over segments: their summed length over their summed time of flight.

    Parameters
    ----------
    length_mm, speed_m_per_s : array_like, (..., n_segments)

    Returns
    -------
    ndarray of float64, (...)
        m/s.

    Notes
    -----
    The segment rule behind the published average speeds: Hoffer KJ 1994, J Cataract Refract
    Surg 20:554.

    Examples
    --------
    >>> from echotrace.signal.lengths import average_speed_m_per_s
    >>> round(float(average_speed_m_per_s([0.55, 18.32, 4.63], [1641.0, 1532.0, 1641.0])))
    1555
    """
    length = np.asarray(length_mm, np.float64)
    time = np.sum(length / np.asarray(speed_m_per_s, np.float64), axis=-1)
    return np.asarray(np.sum(length, axis=-1) / time)


def length_at_average_speed_mm(delay_us: ArrayLike, speed_m_per_s: float) -> Float:
    """Length of a two-way delay at one speed, L = v t / 2 (ASTM E797), mm.

    Parameters
    ----------
    delay_us : array_like
        Two-way delay, µs.
    speed_m_per_s : float
        m/s.

    Returns
    -------
    ndarray of float64, same shape
        mm.

    Examples
    --------
    >>> from echotrace.signal.lengths import length_at_average_speed_mm
    >>> round(float(length_at_average_speed_mm(30.833, 1555.0)), 3)
    23.973
    """
    return np.asarray(np.asarray(delay_us, np.float64) * speed_m_per_s * 5e-4)


def rescale_length_mm(
    length_mm: ArrayLike, *, from_speed_m_per_s: float, to_speed_m_per_s: float
) -> Float:
    """Length read at one average speed, read again at another (exact: the delay is the same).

    Parameters
    ----------
    length_mm : array_like
        mm.
    from_speed_m_per_s, to_speed_m_per_s : float
        Speed at which it was read, and that at which it is to be read, m/s.

    Returns
    -------
    ndarray of float64, same shape
        mm.

    Raises
    ------
    ParameterError
        A speed outside 300 to 10000 m/s.

    Examples
    --------
    >>> from echotrace.signal.lengths import rescale_length_mm
    >>> round(float(rescale_length_mm(23.5, from_speed_m_per_s=1532.0, to_speed_m_per_s=1555.0)), 3)
    23.853
    """
    for name, value in (
        ("from_speed_m_per_s", from_speed_m_per_s),
        ("to_speed_m_per_s", to_speed_m_per_s),
    ):
        if not 300.0 <= value <= 1e4:
            raise ParameterError(f"{name}={value!r} must lie between 300 and 10000 m/s")
    return np.asarray(np.asarray(length_mm, np.float64) * (to_speed_m_per_s / from_speed_m_per_s))


@old_keywords(options="settings")
def measure_lengths(
    delay_us: Float,
    delay_u_us: Float,
    target: Target | Sequence[Medium],
    *,
    delay_cov_us2: Float | None = None,
    offset_u_us: float = 0.0,
    settings: LengthSettings | None = None,
) -> Lengths:
    """Segment lengths, their sum and its uncertainty.

    Parameters
    ----------
    delay_us, delay_u_us : ndarray of float64, (n_interfaces,) or (n, n_interfaces)
        Picks and their standard uncertainties from noise, µs. NaN where there is none. An optional
        interface that was not picked makes its segment take the assumed thickness; another one
        leaves its neighbours NaN.
    target : Target or sequence of Medium
        What the beam passes; of a plain stack the media between the interfaces will do, at the
        temperature of the first.
    delay_cov_us2 : ndarray of float64, (n_interfaces - 1,) or (n, n_interfaces - 1), optional
        Covariance of each pick with the next from noise, µs squared, as of overlapping echoes that
        were fitted jointly; None: none.
    offset_u_us : float
        Standard uncertainty of the first interface's delay that all scans share (a calibrated
        probe face), µs.
    settings : LengthSettings, optional

    Returns
    -------
    Lengths
        Without the first axis where the delays have none.

    Raises
    ------
    ParameterError
        Delays, or covariances, of another number of interfaces than the target's.

    Notes
    -----
    L = sum v_k (t_{k+1} - t_k) / 2. Uncertainties by the law of propagation (JCGM 100:2008,
    5.1.2) with the sensitivities of that sum: an interior pick enters with half the difference of
    the two speeds, the end picks with half a speed. Segments of one medium share its speed error;
    temperature moves all speeds together.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.signal.lengths import measure_lengths
    >>> from echotrace.target import eye_target
    >>> delay_us = np.array([[0.0, 0.6703, 4.6520, 9.5271, 31.1936, np.nan]])
    >>> lengths = measure_lengths(delay_us, 0.001 + 0 * delay_us, eye_target("phakic"))
    >>> lengths.total_mm.round(3).tolist(), lengths.total_u_mm.round(4).tolist()
    ([24.197], [0.0011])
    >>> from echotrace.media import medium
    >>> plate = measure_lengths([5.0, 9.06], [0.001, 0.001], [medium("water")])
    >>> round(float(plate.total_mm), 3)
    3.009
    """
    settings = settings or LengthSettings()
    delay_us, delay_u_us = np.asarray(delay_us, np.float64), np.asarray(delay_u_us, np.float64)
    target = target if isinstance(target, Target) else plain_stack(target)
    if delay_us.ndim == 1:
        return _first_of(
            measure_lengths(
                delay_us[None],
                np.atleast_2d(delay_u_us),
                target,
                delay_cov_us2=None if delay_cov_us2 is None else np.atleast_2d(delay_cov_us2),
                offset_u_us=offset_u_us,
                settings=settings,
            )
        )
    if delay_us.ndim != 2:
        raise ParameterError(
            f"delay_us has shape {delay_us.shape}; give (n_interfaces,) or (n, n_interfaces)"
        )
    n, q = delay_us.shape
    if q != len(target.interfaces) or delay_u_us.shape != delay_us.shape:
        raise ParameterError(
            f"delay_us has shape {delay_us.shape}; target {target.name!r} has "
            f"{len(target.interfaces)} interfaces"
        )
    between = np.zeros((q - 1, 1))
    if delay_cov_us2 is not None:
        between = np.asarray(delay_cov_us2, np.float64).T
        if between.shape != (q - 1, n):
            raise ParameterError(
                f"delay_cov_us2 has shape {between.T.shape}; give {(n, q - 1)}, one value for each "
                "two neighbouring interfaces"
            )
    segments, inside = target.segments, range(len(target.segments))[target.length_slice]
    first, last = target.index(target.length_from), target.index(target.length_to)
    speed = np.array([s.medium.speed_at(_temperature(target, s)) for s in segments])
    half = speed * 5e-4  # mm of length per µs of two-way delay
    # One row an interface or a segment: contiguous.
    delay, delay_u = np.ascontiguousarray(delay_us.T), np.ascontiguousarray(delay_u_us.T)
    segment = (delay[1:] - delay[:-1]) * half[:, None]
    apart_variance = delay_u[1:] ** 2 + delay_u[:-1] ** 2 - 2.0 * between
    segment_u = np.sqrt(np.maximum(apart_variance, 0.0)) * half[:, None]
    assumed = np.zeros(segment.shape, np.bool_)
    # Sensitivity of the total to each delay, mm/µs: one column for all traces, or one for each.
    sensitivity = np.zeros((q, 1))
    for k in inside:
        sensitivity[k] -= half[k]
        sensitivity[k + 1] += half[k]
    assumed_variance = np.zeros(1)
    for k, item in enumerate(target.interfaces):
        if not item.optional or k == 0 or k >= len(segments):
            continue
        front = segments[k - 1]
        missing = np.isnan(delay[k])
        if not missing.any() or np.isnan(front.assumed_mm):
            continue
        rest = (delay[k + 1] - delay[k - 1] - front.assumed_mm / half[k - 1]) * half[k]
        segment[k - 1, missing] = front.assumed_mm
        segment[k, missing] = rest[missing]
        assumed[k - 1] = missing
        if k - 1 in inside and k in inside:
            passed_over = sensitivity.copy()
            passed_over[k - 1] += half[k - 1] - half[k]
            passed_over[k] = 0.0
            sensitivity = np.where(missing, passed_over, sensitivity)
            variance = ((1.0 - half[k] / half[k - 1]) * front.assumed_u_mm) ** 2
            assumed_variance = assumed_variance + np.where(missing, variance, 0.0)
    if settings.average_speed_m_per_s:
        factor = settings.average_speed_m_per_s * 5e-4
        total = (delay[last] - delay[first]) * factor
        sensitivity = np.zeros((q, 1))
        sensitivity[[first, last]] = factor
        assumed_variance = np.zeros(1)
        speed_u = total * settings.average_speed_u_m_per_s / settings.average_speed_m_per_s
        temperature_u = np.zeros(1)
    else:
        total = segment[target.length_slice].sum(axis=0)
        by_medium: dict[str, Float] = {}
        temperature_u = np.zeros(n)
        relative = np.where(assumed, 0.0, segment) / speed[:, None]
        for k in inside:
            medium = segments[k].medium
            sum_u = by_medium.get(medium.name, 0.0) + relative[k] * medium.speed_u_m_per_s
            by_medium[medium.name] = sum_u
            temperature_u += relative[k] * medium.speed_slope_m_per_s_per_c
        speed_u = _root_sum_of_squares(by_medium.values())
        temperature_u = np.abs(temperature_u) * settings.temperature_u_c
    used = sensitivity != 0.0
    picks_u = _root_sum_of_squares(np.where(used, sensitivity * delay_u, 0.0))
    if delay_cov_us2 is not None:
        shared_part = 2.0 * np.sum(sensitivity[1:] * sensitivity[:-1] * between, axis=0)
        picks_u = np.sqrt(np.maximum(picks_u**2 + shared_part, 0.0))
    budget = {
        "picks": picks_u,
        "speed": speed_u,
        "temperature": temperature_u,
        "clock": np.abs(total) * settings.clock_ppm * 1e-6,
        "offset": np.abs(sensitivity[first]) * offset_u_us,
        "distortion": _root_sum_of_squares(sensitivity) * settings.distortion_us,
        "assumed": np.sqrt(assumed_variance),
    }
    blank = np.isnan(total)
    budget = {name: np.where(blank, np.nan, values) for name, values in budget.items()}
    shared = _root_sum_of_squares(budget[name] for name in budget if name != "picks")
    return Lengths(
        segment.T, total, budget["picks"], shared, assumed.T, MappingProxyType(budget), segment_u.T
    )


def _first_of(lengths: Lengths) -> Lengths:
    """Lengths of one scan, without the axis over scans."""
    budget = {name: values[0] for name, values in lengths.budget_mm.items()}
    return Lengths(
        segment_mm=lengths.segment_mm[0],
        total_mm=lengths.total_mm[0],
        total_u_mm=lengths.total_u_mm[0],
        total_u_shared_mm=lengths.total_u_shared_mm[0],
        assumed=lengths.assumed[0],
        segment_u_mm=lengths.segment_u_mm[0],
        budget_mm=MappingProxyType(budget),
    )


def plain_stack(media: Sequence[Medium], names: Sequence[str] = ()) -> Target:
    """A target of which nothing is known but the media between its interfaces.

    Parameters
    ----------
    media : sequence of Medium
        In the order of the beam.
    names : sequence of str
        Of the interfaces, one more than media; none: ``interface_1``, ``interface_2``, ….

    Returns
    -------
    Target
        At the temperature of the first medium; any thickness is as likely.

    Raises
    ------
    ParameterError
        No medium.

    Examples
    --------
    >>> from echotrace.media import medium
    >>> from echotrace.signal.lengths import plain_stack
    >>> plain_stack([medium("water"), medium("cornea")]).interface_names
    ('interface_1', 'interface_2', 'interface_3')
    """
    if not media:
        raise ParameterError("give the medium of each segment, one at least")
    names = names or [f"interface_{k + 1}" for k in range(len(media) + 1)]
    return Target(
        name="stack",
        interfaces=tuple(Interface(name=name) for name in names),
        segments=tuple(
            Segment(
                name=f"segment_{k + 1}",
                medium=item,
                range_mm=(1e-6, 1e4),
                mean_mm=1.0,
                sd_mm=np.inf,
            )
            for k, item in enumerate(media)
        ),
        length_from=names[0],
        length_to=names[-1],
        anatomy=False,
        temperature_c=media[0].temperature_c,
    )


def _root_sum_of_squares(rows: Iterable[Float]) -> Float:
    """Independent uncertainties taken together (JCGM 100:2008, 5.1.2)."""
    return np.asarray(np.sqrt(sum(row**2 for row in rows)))


def _temperature(target: Target, segment: object) -> float:
    """Temperature at which a segment is measured: that of the target where its slope is known."""
    medium = segment.medium  # type: ignore[attr-defined]
    return target.temperature_c if medium.speed_slope_m_per_s_per_c else medium.temperature_c
