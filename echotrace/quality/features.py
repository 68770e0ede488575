"""What each trace looks like, as features: numbers read off it.

They are in dB over the trace's own noise or in microseconds, so that receiver gain does not move
them. Two probabilities weigh them, and :mod:`echotrace.quality.findings` holds them against limits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.quality.pattern import pattern_features
from echotrace.quality.score import length_right_nats, shipped_models
from echotrace.recording import Method
from echotrace.signal.candidates import Candidates
from echotrace.signal.conditioning import Conditioned
from echotrace.signal.pulse import Pulse
from echotrace.target import Target

__all__ = [
    "EchoFeatures",
    "TraceWindow",
    "echo_reach_samples",
    "echo_features",
    "nominal_rise_us",
    "score_traces",
    "trace_features",
    "trace_windows",
]

Float32 = NDArray[np.float32]

# 20 dB a decade, as a natural logarithm: that is faster than the decimal one.
_DB_PER_NEPER = 20.0 / np.log(10.0)


def _over_noise_db(value: NDArray[np.floating], noise: NDArray[np.floating]) -> Float32:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(_DB_PER_NEPER * np.log(value / noise), np.float32)


def nominal_rise_us(pulse: Pulse, bandwidth_hz: float) -> float:
    """10-90 % rise of an undistorted echo in the plain envelope, µs.

    For a Gaussian the rise is 1.687 standard deviations; detection widens the pulse by the
    envelope's own band (``bandwidth_hz``, zero where there is none).

    Parameters
    ----------
    pulse : Pulse
    bandwidth_hz : float
        Of the plain envelope, Hz; zero where it has none of its own.

    Returns
    -------
    float
        µs.

    Examples
    --------
    >>> from echotrace.quality.features import nominal_rise_us
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> round(nominal_rise_us(gaussian_pulse(100e6, 10e6, 0.6), 9e6), 3)
    0.127
    """
    # Full width at half height of the pulse -> standard deviation of its amplitude.
    sigma_us = pulse.width_us / 2.3548
    if bandwidth_hz > 0.0:
        # Gaussian response of one half at half the band: sigma of its impulse response in µs.
        filter_us = np.sqrt(2.0 * np.log(2.0)) / (np.pi * bandwidth_hz * 1e-6)
        sigma_us = float(np.hypot(sigma_us, filter_us))
    return 1.6868 * sigma_us


# Windows of the trace, µs: an echo's own skirts reach about 0.8 µs; sclera and orbit follow the
# retina within 1 and 7 µs (0.8 and 5 mm).
_SKIRT_US = 0.8
_WALL_US = (0.25, 7.0)
_ORBIT_US = (1.6, 7.0)


@dataclass(frozen=True, slots=True)
class TraceWindow:
    """A window of the trace whose level is a feature, between two interfaces.

    Attributes
    ----------
    name : str
    start, stop : tuple of str and float
        Interface, and delay after its pick, µs.

    Examples
    --------
    >>> from echotrace.quality.features import TraceWindow
    >>> TraceWindow("orbit", ("retina", 1.6), ("retina", 7.0)).stop
    ('retina', 7.0)
    """

    name: str
    start: tuple[str, float]
    stop: tuple[str, float]


def trace_windows(target: Target) -> tuple[TraceWindow, ...]:
    """The windows of a target that are looked at.

    Parameters
    ----------
    target : Target

    Returns
    -------
    tuple of TraceWindow
        None for a target that is no eye.

    Examples
    --------
    >>> from echotrace.quality.features import trace_windows
    >>> from echotrace.target import eye_target
    >>> [window.name for window in trace_windows(eye_target("phakic"))]
    ['wall', 'orbit', 'orbit_near', 'orbit_far', 'lens']
    """
    if not target.anatomy:
        return ()
    middle = 0.5 * (_ORBIT_US[0] + _ORBIT_US[1])
    found = [
        TraceWindow("wall", ("retina", _WALL_US[0]), ("retina", _WALL_US[1])),
        TraceWindow("orbit", ("retina", _ORBIT_US[0]), ("retina", _ORBIT_US[1])),
        TraceWindow("orbit_near", ("retina", _ORBIT_US[0]), ("retina", middle)),
        TraceWindow("orbit_far", ("retina", middle), ("retina", _ORBIT_US[1])),
    ]
    if "lens_front" in target.interface_names:
        found.append(TraceWindow("lens", ("lens_front", _SKIRT_US), ("lens_back", -_SKIRT_US)))
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class EchoFeatures:
    """Raw features of echoes and windows, read in the plain envelope.

    Attributes
    ----------
    noise : ndarray of float64, (n,)
        Standard deviation of one quadrature.
    height, rise_us, width_us : ndarray of float32, (n, n_interfaces)
        Of the echo at each pick.
    clipped : ndarray of int32, (n, n_interfaces)
        Clipped samples in it.
    clipped_fraction : ndarray of float32, (n,)
        Of the whole trace.
    largest, mean_square : ndarray of float32, (n, n_windows)
        In each of :func:`trace_windows`, on the grid of
        :attr:`~echotrace.signal.pulse.Pulse.grid_stride`.
    nominal_rise_us : float
        Rise of an undistorted echo.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.block import prepare
    >>> (reader,) = prepare(recording).readers.values()
    >>> reader.read(recording).echo_features.height.shape
    (6, 6)
    """

    noise: NDArray[np.float64]
    height: Float32
    rise_us: Float32
    width_us: Float32
    clipped: NDArray[np.int32]
    clipped_fraction: Float32
    largest: Float32
    mean_square: Float32
    nominal_rise_us: float


def echo_reach_samples(pulse: Pulse) -> tuple[int, int]:
    """How far from a pick the echo's own maximum may lie, and its longest rise, samples.

    Parameters
    ----------
    pulse : Pulse

    Returns
    -------
    reach, far : int
        Samples.

    Examples
    --------
    >>> from echotrace.quality.features import echo_reach_samples
    >>> from echotrace.signal.pulse import gaussian_pulse
    >>> echo_reach_samples(gaussian_pulse(100e6, 10e6, 0.6))
    (15, 236)
    """
    width = pulse.width_us * pulse.sampling_rate_hz * 1e-6
    return int(np.ceil(width)), int(np.ceil(16.0 * width))


def echo_features(
    traces: Conditioned, delay_us: NDArray[np.float64], target: Target, *, method: str
) -> EchoFeatures:
    """Read the raw features of traces.

    Parameters
    ----------
    traces : Conditioned
    delay_us : ndarray of float64, (n_traces, n_interfaces)
        Picks, NaN where there is none.
    target : Target
    method : str
        In contact the first interface is no echo of the trace and has no features.

    Returns
    -------
    EchoFeatures

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> from echotrace.chain.plain import view_trace
    >>> from echotrace.quality.features import echo_features
    >>> view = view_trace(recording, 0)
    >>> found = echo_features(view.traces, view.delay_us, view.target, method="immersion")
    >>> found.rise_us.shape, found.clipped.tolist()
    ((1, 6), [[0, 0, 0, 0, 0, 0]])
    """
    from echotrace.kernels.features import echo_shapes, windows

    n, q = delay_us.shape
    envelope = np.ascontiguousarray(traces.envelope, np.float32)
    place = traces.to_sample(delay_us)
    at = place.copy()
    if method == Method.CONTACT:
        at[:, 0] = np.nan
    height, rise, width = (np.empty((n, q), np.float32) for _ in range(3))
    clipped = np.empty((n, q), np.int32)
    reach, far = echo_reach_samples(traces.pulse)
    marks = np.ascontiguousarray(traces.clipped).view(np.uint8)
    echo_shapes(envelope, marks, at, reach, far, height, rise, width, clipped)
    stride = traces.pulse.grid_stride
    parts = trace_windows(target)
    start, stop = np.empty((n, len(parts))), np.empty((n, len(parts)))
    for k, part in enumerate(parts):
        for out, (name, after_us) in ((start, part.start), (stop, part.stop)):
            out[:, k] = (place[:, target.index(name)] + after_us / traces.step_us) / stride
    largest, mean_square = (np.empty((n, len(parts)), np.float32) for _ in range(2))
    windows(np.ascontiguousarray(envelope[:, ::stride]), start, stop, largest, mean_square)
    return EchoFeatures(
        noise=traces.envelope_noise,
        height=height,
        rise_us=rise * np.float32(traces.step_us),
        width_us=width * np.float32(traces.step_us),
        clipped=clipped,
        clipped_fraction=traces.clipped.mean(axis=1).astype(np.float32),
        largest=largest,
        mean_square=mean_square,
        nominal_rise_us=nominal_rise_us(
            traces.pulse,
            # An envelope that was recorded, or taken over the whole band, is widened by no filter.
            0.0
            if traces.rf is None or traces.envelope_method == "analytic"
            else traces.bandwidth_hz,
        ),
    )


def trace_features(
    echoes: EchoFeatures,
    delay_us: NDArray[np.float64],
    target: Target,
    *,
    method: str,
    candidates: Candidates,
    face_delay_us: float,
    margin: NDArray[np.float64],
    length_u_mm: NDArray[np.float64],
    near_field_us: float = -np.inf,
    receiver_known: bool = True,
) -> dict[str, Float32]:
    """Features that say what each trace looks like.

    Parameters
    ----------
    echoes : EchoFeatures
    delay_us : ndarray of float64, (n_traces, n_interfaces)
        Picks, NaN where there is none.
    target : Target
    method : str
    candidates : Candidates
        All echoes of the traces.
    face_delay_us : float
        Delay of the probe's face, µs; NaN counts as zero.
    margin : ndarray of float64, (n_traces, n_interfaces)
        Lead of the joint choice, nats.
    length_u_mm : ndarray of float64, (n_traces,)
    near_field_us : float
        Delay before which what the transmit pulse leaves hides echoes in contact, µs.
    receiver_known : bool
        Whether gain and TGC were undone.

    Returns
    -------
    dict of str to ndarray of float32, each (n_traces,)
        ``level_db_NAME``, ``rise_us_NAME`` and ``width_us_NAME`` for each interface; the level of
        a clipped echo is NaN, for its height is not known. Then the features of the whole trace.

    Examples
    --------
    >>> import echotrace as et
    >>> recording = et.read("synthetic_traces/immersion_sitting.h5")
    >>> features = et.measure(recording).features
    >>> features["retina_rise_ratio"].shape, list(features)[:2]
    ((6,), ['level_db_cornea_front', 'rise_us_cornea_front'])
    """
    all_level_db = _over_noise_db(echoes.height, echoes.noise[:, None])
    level_db = np.where(echoes.clipped > 0, np.float32(np.nan), all_level_db)
    names, features = target.interface_names, dict[str, Float32]()
    for k, name in enumerate(names):
        features[f"level_db_{name}"] = level_db[:, k]
        features[f"rise_us_{name}"] = echoes.rise_us[:, k]
        features[f"width_us_{name}"] = echoes.width_us[:, k]
    face_us = 0.0 if np.isnan(face_delay_us) else face_delay_us
    features["echo_count"] = _echoes_inside(candidates, method, face_us)
    required = [k for k, item in enumerate(target.interfaces) if not item.optional]
    features["missing_count"] = np.isnan(delay_us[:, required]).sum(axis=1, dtype=np.float32)
    end = names.index(target.length_to)
    ends = [k for k in required if k <= end]
    features["clipped_samples"] = echoes.clipped[:, ends].sum(axis=1, dtype=np.float32)
    features["clipped_fraction"] = echoes.clipped_fraction
    features["weakest_level_db"] = _least(all_level_db[:, ends])
    features["least_margin"] = _least(margin[:, ends].astype(np.float32))
    features["length_u_mm"] = length_u_mm.astype(np.float32)
    features["last_margin"] = margin[:, end].astype(np.float32)
    if method != Method.CONTACT:
        features["first_margin"] = margin[:, 0].astype(np.float32)
    if target.anatomy:
        features |= _eye_features(echoes, target, level_db)
        spike_db = _vitreous_echo_db(candidates, delay_us, target, method, face_us)
        features["vitreous_echo_db"] = spike_db
        retina_db = all_level_db[:, names.index("retina")]
        features["vitreous_spike_against_retina_db"] = spike_db - retina_db
        nominal_us = np.float32(echoes.nominal_rise_us)
        features["retina_rise_ratio"] = features["rise_us_retina"] / nominal_us
        features |= pattern_features(
            candidates,
            delay_us,
            all_level_db,
            echoes.clipped,
            target,
            method=method,
            face_delay_us=face_delay_us,
            near_field_us=near_field_us,
            receiver_known=receiver_known,
            retina_rise_ratio=features["retina_rise_ratio"],
        )
    return features


def _least(values: Float32) -> Float32:
    """Smallest of each row, NaN only where all are."""
    least = np.fmin.reduce(values, axis=1)
    least[np.isinf(least)] = np.nan
    return np.asarray(least, np.float32)


def _eye_features(echoes: EchoFeatures, target: Target, level_db: Float32) -> dict[str, Float32]:
    """Features that speak of anatomy."""
    names, parts = target.interface_names, [part.name for part in trace_windows(target)]
    # The mean square of the noise's envelope is twice the variance of one quadrature.
    noise_rms = np.sqrt(2.0) * echoes.noise

    def tallest(name: str) -> Float32:
        return _over_noise_db(echoes.largest[:, parts.index(name)], echoes.noise)

    def rms(name: str) -> Float32:
        return _over_noise_db(np.sqrt(echoes.mean_square[:, parts.index(name)]), noise_rms)

    retina_level, sclera_level = (level_db[:, names.index(name)] for name in ("retina", "sclera"))
    # Neither half of the orbit can lie below the noise.
    near, far = (np.maximum(rms(f"orbit_{half}"), np.float32(0.0)) for half in ("near", "far"))
    found = {
        "retina_against_wall_db": retina_level - tallest("wall"),
        "orbit_level_db": rms("orbit"),
        "orbit_decay_db": near - far,
        # The deep orbit scatters into all directions: what is specular is held against it.
        "retina_against_scatter_db": retina_level - far,
        "sclera_against_scatter_db": sclera_level - far,
        "sclera_against_retina_db": sclera_level - retina_level,
    }
    if "lens_front" in names:
        front, back = names.index("lens_front"), names.index("lens_back")
        if target.segments[front].medium.name == "lens":
            # An implant's echoes are as tall as its material makes them; they say nothing here.
            found["lens_front_against_back_db"] = level_db[:, front] - level_db[:, back]
            found["retina_against_lens_db"] = retina_level - level_db[:, back]
        found["lens_echo_db"] = tallest("lens")
    return found


# Ring-down and the corneal complex: echoes in the first 2 µs of a trace say nothing of an eye. A
# shut lid under a bath scatters for some 5 µs behind its front, an eye from there on.
_NEAR_FIELD_US = 2.0
_LID_US = 6.0


def _echoes_inside(candidates: Candidates, method: str, face_us: float) -> Float32:
    """Echoes behind the near field, in immersion behind the reach of a lid as well."""
    from echotrace.kernels.features import count_behind

    near_us = -np.inf if method == Method.OTHER else face_us + _NEAR_FIELD_US
    reach_us = _LID_US if method == Method.IMMERSION else 0.0
    behind = np.empty(candidates.count.size, np.float32)
    count_behind(candidates.count, candidates.delay_us, near_us, reach_us, behind)
    return behind


_BOUNCES = 12


def _vitreous_echo_db(
    candidates: Candidates,
    delay_us: NDArray[np.float64],
    target: Target,
    method: str,
    face_us: float,
) -> Float32:
    """Tallest echo between the last interface before the retina and the retina, dB over noise.

    In immersion the bath sends every echo of the front of the eye a second time, one passage of
    the bath later, often into the vitreous, and an implant sends bounces between its faces behind
    itself; those repeats are known for what they are and left out.
    """
    from echotrace.kernels.features import tallest_between

    n, names = delay_us.shape[0], target.interface_names
    retina = names.index("retina")
    repeats = [np.empty((n, 0))]
    if method == Method.IMMERSION:
        bath_us = delay_us[:, :1] - face_us
        repeats += [delay_us[:, :retina] + passages * bath_us for passages in (1.0, 2.0)]
    if "lens_back" in names and target.segments[retina - 2].medium.name != "lens":
        front, back = delay_us[:, retina - 2, None], delay_us[:, retina - 1, None]
        repeats.append(back + (back - front) * np.arange(1.0, _BOUNCES + 1.0))
    # An empty vitreous shows the search threshold at most: nothing there is no feature at all.
    level = np.empty(n, np.float32)
    tallest_between(
        candidates.count,
        candidates.delay_us,
        candidates.level_db,
        delay_us[:, retina - 1] + 2.0 * _SKIRT_US,
        delay_us[:, retina] - _SKIRT_US,
        np.ascontiguousarray(np.concatenate(repeats, axis=1)),
        0.5 * _SKIRT_US,
        level,
    )
    return level


def score_traces(features: Mapping[str, Float32]) -> dict[str, Float32]:
    """The two probabilities of the shipped models.

    Parameters
    ----------
    features : mapping
        Of eyes, from :func:`trace_features`; eyes with ``oil_stated`` 1 have a model of their own.

    Returns
    -------
    dict of str to ndarray of float32, each (n_traces,)
        ``length_right``: the length is within 0.1 mm of the eye's, pressing and speeds apart; zero
        where an interface of the length is missing; ``length_right_nats``: its log-odds; and
        ``aligned``.

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.quality.features import score_traces
    >>> features = et.measure(et.read("synthetic_traces/immersion_sitting.h5")).features
    >>> sorted(score_traces(features))
    ['aligned', 'length_right', 'length_right_nats']
    """
    models = shipped_models()
    nats = length_right_nats(models, features)
    nats[features["missing_count"] > 0] = -np.inf
    with np.errstate(over="ignore"):
        right = 1.0 / (1.0 + np.exp(-nats))
    return {
        "length_right": right.astype(np.float32),
        "length_right_nats": nats.astype(np.float32),
        "aligned": models["aligned"].probability(features).astype(np.float32),
    }
