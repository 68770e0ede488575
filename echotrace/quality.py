"""What each trace looks like, and why it should not be trusted.

Features are figures, in dB over the trace's own noise or in microseconds, so that receiver gain
does not move them. Findings are made from them: each names one reason, shows its figure and says
what to do next.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from echotrace.conditioning import Conditioned
from echotrace.errors import ParameterError
from echotrace.gates import Candidates
from echotrace.recording import Method
from echotrace.target import Target

__all__ = [
    "FINDINGS",
    "Finding",
    "QualityLimits",
    "Severity",
    "describe_finding",
    "finding_bits",
    "provisional_score",
    "rejecting_bits",
    "trace_features",
]

Float32 = NDArray[np.float32]


class Severity(StrEnum):
    """What a finding does to a scan."""

    REJECT = "reject"
    WARN = "warn"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One named reason.

    Attributes
    ----------
    name : str
    severity : Severity
    says : str
        What was seen, in plain words.
    do : str
        What to do next.
    feature : str
        The figure that shows it; empty where the finding is a plain fact.
    limit : str
        Name of the limit in :class:`QualityLimits` it was held against; empty where none.
    """

    name: str
    severity: Severity
    says: str
    do: str
    feature: str = ""
    limit: str = ""


_ALL_FINDINGS = (
    Finding(
        name="gas_filling",
        severity=Severity.REJECT,
        says="the vitreous cavity holds gas, through which no length can be measured",
        do="measure again after the gas has gone, or by another means",
    ),
    Finding(
        name="no_echo",
        severity=Severity.REJECT,
        says="nothing but noise and near field",
        do="check probe contact, cable and gain, and whether the lid was closed; capture again",
        feature="echo_count",
    ),
    Finding(
        name="echo_missing",
        severity=Severity.REJECT,
        says="an interface that must be there was not found",
        do="aim along the visual axis until all spikes stand, then capture again",
        feature="missing_count",
    ),
    Finding(
        name="gain_too_high",
        severity=Severity.REJECT,
        says="echoes used for the length are clipped: their height and shape are lost",
        do="lower the gain until the tallest echo stays below the limit, then capture again",
        feature="clipped_samples",
        limit="max_clipped_samples",
    ),
    Finding(
        name="gain_too_low",
        severity=Severity.REJECT,
        says="the weakest echo of the length hardly stands out of the noise",
        do="raise the gain or improve coupling, then capture again",
        feature="weakest_level_db",
        limit="min_level_db",
    ),
    Finding(
        name="retina_not_steep",
        severity=Severity.REJECT,
        says="the retinal echo rises slowly or in steps, as it does off the visual axis",
        do="tilt the probe until the retinal spike rises straight from the baseline",
        feature="retina_rise_ratio",
        limit="max_retina_rise_ratio",
    ),
    Finding(
        name="retina_low",
        severity=Severity.REJECT,
        says="the retinal echo is low against the back of the lens, whose echo hardly feels a tilt",
        do="tilt the probe until retina and sclera both stand tall",
        feature="retina_against_lens_db",
        limit="min_retina_against_lens_db",
    ),
    Finding(
        name="no_wall_behind_retina",
        severity=Severity.REJECT,
        says="no scleral or orbital echoes stand behind the retina, as along the optic nerve",
        do="aim temporally of the disc until sclera and orbital echoes appear",
        feature="orbit_level_db",
        limit="min_orbit_level_db",
    ),
    Finding(
        name="lens_echoes_unbalanced",
        severity=Severity.WARN,
        says="the front of the lens is weak against its back: the beam crosses the lens obliquely",
        do="centre and tilt the beam until both lens spikes are tall",
        feature="lens_front_against_back_db",
        limit="min_lens_front_against_back_db",
    ),
    Finding(
        name="echo_in_vitreous",
        severity=Severity.WARN,
        says="an echo stands between lens and retina",
        do="check for opacities or a membrane, and that the retinal pick is the right spike",
        feature="vitreous_echo_db",
        limit="max_vitreous_echo_db",
    ),
    Finding(
        name="choice_uncertain",
        severity=Severity.WARN,
        says="another echo fits an interface almost as well as the one chosen",
        do="look at the picks on the trace; accept or reject by hand",
        feature="least_margin",
        limit="min_margin",
    ),
    Finding(
        name="pick_uncertain",
        severity=Severity.WARN,
        says="the noise leaves the length of this scan unsure",
        do="improve coupling or alignment and capture again",
        feature="length_u_mm",
        limit="max_length_u_mm",
    ),
    Finding(
        name="cornea_assumed",
        severity=Severity.NOTE,
        says="the back of the cornea was not resolved; its usual thickness was taken",
        do="no action is needed unless the cornea is unusually thick or thin",
    ),
    Finding(
        name="receiver_unknown",
        severity=Severity.NOTE,
        says="the recording does not describe its receiver; levels against depth are as received",
        do="describe gain and TGC when importing, to compare echoes of different depth",
    ),
)

FINDINGS: Mapping[str, Finding] = MappingProxyType({item.name: item for item in _ALL_FINDINGS})
"""Every finding about a trace, in the order of its bits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityLimits:
    """Where a figure becomes a finding. Common practice, no source, except where said.

    Attributes
    ----------
    max_clipped_samples : float
        Clipped samples allowed within the echoes that make the length.
    min_level_db : float
        Least level over the noise of the weakest echo that makes the length, dB.
    max_retina_rise_ratio : float
        10-90 % rise of the retina over that of an undistorted echo.
    min_retina_against_lens_db : float
        Retina against the back of a natural lens, dB.
    min_orbit_level_db : float
        Root mean square of the stretch behind the sclera over the noise, dB.
    min_lens_front_against_back_db : float
        Front of a natural lens against its back, dB.
    max_vitreous_echo_db : float
        Largest echo between lens and retina over the noise, dB.
    min_margin : float
        Least lead of the chosen echoes over another choice, nats.
    max_length_u_mm : float
        Standard uncertainty of one scan's length from noise, mm. A third of the 0.1 mm that is a
        quarter dioptre (Olsen; value from memory).
    """

    max_clipped_samples: float = 2.0
    min_level_db: float = 16.0
    max_retina_rise_ratio: float = 1.8
    min_retina_against_lens_db: float = -28.0
    min_orbit_level_db: float = 6.0
    min_lens_front_against_back_db: float = -8.0
    max_vitreous_echo_db: float = 24.0
    min_margin: float = 1.0
    max_length_u_mm: float = 0.033

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if not -200.0 <= value <= 1e4:
                raise ParameterError(f"quality limit {name}={value!r} is out of range")


def _over_noise_db(value: NDArray[np.floating], noise: NDArray[np.floating]) -> Float32:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(20.0 * np.log10(value / noise), np.float32)


def _nominal_rise_us(traces: Conditioned) -> float:
    """10-90 % rise of an undistorted echo in the plain envelope, µs.

    For a Gaussian the rise is 1.687 standard deviations; detection widens the pulse by the
    envelope's own band.
    """
    # Full width at half height of the pulse -> standard deviation of its amplitude.
    sigma_us = traces.pulse.width_us / 2.3548
    if traces.rf is not None and traces.envelope_method != "analytic":
        # Gaussian response of one half at half the band: sigma of its impulse response in µs.
        filter_us = np.sqrt(2.0 * np.log(2.0)) / (np.pi * traces.bandwidth_hz * 1e-6)
        sigma_us = float(np.hypot(sigma_us, filter_us))
    return 1.6868 * sigma_us


def trace_features(
    traces: Conditioned,
    delay_us: NDArray[np.float64],
    target: Target,
    *,
    method: str,
    candidates: Candidates,
    face_delay_us: float,
    margin: NDArray[np.float64],
    length_u_mm: NDArray[np.float64],
) -> dict[str, Float32]:
    """Figures that say what each trace looks like.

    Parameters
    ----------
    traces : Conditioned
    delay_us : ndarray of float64, (n_traces, n_interfaces)
        Picks, NaN where there is none.
    target : Target
    method : str
        In contact the first interface is no echo of the trace and has no figures.
    candidates : Candidates
        All echoes of the traces.
    face_delay_us : float
        Delay of the probe's face, µs; NaN counts as zero.
    margin : ndarray of float64, (n_traces, n_interfaces)
        Lead of the joint choice, nats.
    length_u_mm : ndarray of float64, (n_traces,)

    Returns
    -------
    dict of str to ndarray of float32, each (n_traces,)
        ``level_db_NAME``, ``rise_us_NAME`` and ``width_us_NAME`` for each interface; the level of
        a clipped echo is NaN, for its height is not known. Then the figures of the whole trace.
    """
    from echotrace.kernels.features import echo_shape

    n, q = delay_us.shape
    envelope = np.ascontiguousarray(traces.envelope, np.float32)
    at = traces.to_sample(delay_us)
    if method == Method.CONTACT:
        at = at.copy()
        at[:, 0] = np.nan
    height, rise, width = (np.empty((n, q), np.float32) for _ in range(3))
    clipped = np.empty((n, q), np.int32)
    reach = int(np.ceil(traces.pulse.width_us / traces.step_us))
    far = int(np.ceil(16.0 * traces.pulse.width_us / traces.step_us))
    echo_shape(
        envelope,
        np.ascontiguousarray(traces.clipped),
        at,
        reach,
        far,
        height,
        rise,
        width,
        clipped,
    )
    noise = traces.envelope_noise
    level_db = _over_noise_db(height, noise[:, None])
    level_db[clipped > 0] = np.nan
    step_us = np.float32(traces.step_us)
    features: dict[str, Float32] = {}
    for k, name in enumerate(target.interface_names):
        features[f"level_db_{name}"] = level_db[:, k]
        features[f"rise_us_{name}"] = rise[:, k] * step_us
        features[f"width_us_{name}"] = width[:, k] * step_us
    features["echo_count"] = _echoes_behind_near_field(candidates, method)
    required = [k for k, item in enumerate(target.interfaces) if not item.optional]
    features["missing_count"] = np.isnan(delay_us[:, required]).sum(axis=1).astype(np.float32)
    ends = [k for k in required if k <= target.index(target.length_to)]
    features["clipped_samples"] = clipped[:, ends].sum(axis=1).astype(np.float32)
    features["clipped_fraction"] = traces.clipped.mean(axis=1).astype(np.float32)
    features["weakest_level_db"] = _least(_over_noise_db(height, noise[:, None])[:, ends])
    features["least_margin"] = _least(margin[:, ends].astype(np.float32))
    features["length_u_mm"] = length_u_mm.astype(np.float32)
    if target.anatomy:
        features |= _eye_features(traces, envelope, delay_us, target, level_db)
        features["vitreous_echo_db"] = _vitreous_echo_db(
            candidates, delay_us, target, method, 0.0 if np.isnan(face_delay_us) else face_delay_us
        )
        features["retina_rise_ratio"] = features["rise_us_retina"] / np.float32(
            _nominal_rise_us(traces)
        )
    return features


def _least(values: Float32) -> Float32:
    """Smallest of each row, NaN only where all are."""
    filled = np.where(np.isnan(values), np.inf, values).min(axis=1)
    return np.asarray(np.where(np.isinf(filled), np.nan, filled), np.float32)


def _window(
    traces: Conditioned,
    envelope: Float32,
    start_us: NDArray[np.float64],
    stop_us: NDArray[np.float64],
) -> tuple[Float32, Float32]:
    """Largest envelope and root mean square in a window, both in dB over the noise."""
    from echotrace.kernels.features import window_levels

    n = envelope.shape[0]
    largest, mean_square = np.empty(n, np.float32), np.empty(n, np.float32)
    window_levels(
        envelope, traces.to_sample(start_us), traces.to_sample(stop_us), largest, mean_square
    )
    # The mean square of the noise's envelope is twice the variance of one quadrature.
    return (
        _over_noise_db(largest, traces.envelope_noise),
        _over_noise_db(np.sqrt(mean_square), np.sqrt(2.0) * traces.envelope_noise),
    )


# Stretches of the trace, µs: an echo's own skirts reach about 0.8 µs; sclera and orbit follow the
# retina within 1 and 7 µs (0.8 and 5 mm).
_SKIRT_US = 0.8
_WALL_US = (0.25, 7.0)
_ORBIT_US = (1.6, 7.0)


def _eye_features(
    traces: Conditioned,
    envelope: Float32,
    delay_us: NDArray[np.float64],
    target: Target,
    level_db: Float32,
) -> dict[str, Float32]:
    """Figures that speak of anatomy."""
    found: dict[str, Float32] = {}
    retina = delay_us[:, target.index("retina")]
    retina_level = level_db[:, target.index("retina")]
    wall, _ = _window(traces, envelope, retina + _WALL_US[0], retina + _WALL_US[1])
    found["retina_against_wall_db"] = retina_level - wall
    _, found["orbit_level_db"] = _window(
        traces, envelope, retina + _ORBIT_US[0], retina + _ORBIT_US[1]
    )
    middle = 0.5 * (_ORBIT_US[0] + _ORBIT_US[1])
    _, near = _window(traces, envelope, retina + _ORBIT_US[0], retina + middle)
    _, far = _window(traces, envelope, retina + middle, retina + _ORBIT_US[1])
    found["orbit_decay_db"] = near - far
    found["sclera_against_retina_db"] = level_db[:, target.index("sclera")] - retina_level
    names = target.interface_names
    if "lens_front" in names:
        front, back = names.index("lens_front"), names.index("lens_back")
        if target.segments[front].medium.name == "lens":
            # An implant's echoes are as tall as its material makes them; they say nothing here.
            found["lens_front_against_back_db"] = level_db[:, front] - level_db[:, back]
            found["retina_against_lens_db"] = retina_level - level_db[:, back]
        found["lens_echo_db"], _ = _window(
            traces, envelope, delay_us[:, front] + _SKIRT_US, delay_us[:, back] - _SKIRT_US
        )
    return found


# Ring-down and the corneal complex: echoes in the first 2 µs of a trace say nothing of an eye.
_NEAR_FIELD_US = 2.0


def _echoes_behind_near_field(candidates: Candidates, method: str) -> Float32:
    start_us = -np.inf if method == Method.OTHER else _NEAR_FIELD_US
    real = np.arange(candidates.sample.shape[1]) < candidates.count[:, None]
    behind = real & (candidates.delay_us > start_us)
    return np.asarray(behind.sum(axis=1), np.float32)


def _vitreous_echo_db(
    candidates: Candidates,
    delay_us: NDArray[np.float64],
    target: Target,
    method: str,
    face_us: float,
) -> Float32:
    """Tallest echo between the last interface before the retina and the retina, dB over noise.

    In immersion the bath sends every echo of the front of the eye a second time, one passage of
    the bath later, often into the vitreous; those repeats are known for what they are and left
    out.
    """
    retina = target.index("retina")
    before = delay_us[:, retina - 1] + 2.0 * _SKIRT_US
    after = delay_us[:, retina] - _SKIRT_US
    at = candidates.delay_us
    inside = np.arange(at.shape[1]) < candidates.count[:, None]
    inside = inside & (at > before[:, None]) & (at < after[:, None])
    if method == Method.IMMERSION:
        for passages in (1, 2):
            for k in range(retina):
                repeat = delay_us[:, k] + passages * (delay_us[:, 0] - face_us)
                inside &= ~(np.abs(at - repeat[:, None]) < 0.5 * _SKIRT_US)
    # An empty vitreous shows the search threshold at most: nothing there is no figure at all.
    level = np.where(inside, candidates.level_db, -np.inf).max(axis=1)
    return np.asarray(np.where(np.isfinite(level), level, np.nan), np.float32)


_BELOW = frozenset(
    {
        "gain_too_low",
        "retina_low",
        "no_wall_behind_retina",
        "lens_echoes_unbalanced",
        "choice_uncertain",
    }
)


def finding_bits(
    features: Mapping[str, Float32],
    limits: QualityLimits,
    *,
    cornea_assumed: NDArray[np.bool_],
    receiver_known: bool,
) -> NDArray[np.uint32]:
    """Findings of each trace as a bit set; bit ``k`` is the ``k``-th of :data:`FINDINGS`.

    Parameters
    ----------
    features : mapping
        From :func:`trace_features`; findings are made of those that are there.
    limits : QualityLimits
    cornea_assumed : ndarray of bool, (n_traces,)
    receiver_known : bool
    """
    n = features["echo_count"].size
    raised: dict[str, NDArray[np.bool_]] = {
        "no_echo": features["echo_count"] < 1,
        "cornea_assumed": cornea_assumed,
        "receiver_unknown": np.full(n, not receiver_known),
    }
    raised["echo_missing"] = (features["missing_count"] > 0) & ~raised["no_echo"]
    for name, finding in FINDINGS.items():
        if not finding.limit or finding.feature not in features:
            continue
        figure, limit = features[finding.feature], getattr(limits, finding.limit)
        # A figure that could not be had (NaN) raises nothing: what it lacks has its own finding.
        with np.errstate(invalid="ignore"):
            raised[name] = figure < limit if name in _BELOW else figure > limit
    bits = np.zeros(n, np.uint32)
    for k, name in enumerate(FINDINGS):
        if name in raised:
            bits |= raised[name].astype(np.uint32) << np.uint32(k)
    return bits


def rejecting_bits() -> np.uint32:
    """The bits of all findings that reject a scan."""
    return np.uint32(
        sum(1 << k for k, item in enumerate(_ALL_FINDINGS) if item.severity is Severity.REJECT)
    )


def provisional_score(bits: NDArray[np.uint32]) -> NDArray[np.float64]:
    """A first ordering of scans by their findings, one for none.

    Not a probability: every rejecting finding counts a factor 0.1 and every warning 0.6.
    """
    score = np.ones(bits.shape)
    factor = {Severity.REJECT: 0.1, Severity.WARN: 0.6, Severity.NOTE: 1.0}
    for k, item in enumerate(_ALL_FINDINGS):
        score = np.where(bits >> np.uint32(k) & np.uint32(1), score * factor[item.severity], score)
    return score


_UNITS = (("_db", "dB"), ("_us", "µs"), ("_mm", "mm"), ("_ratio", "times an undistorted echo"))


def describe_finding(
    name: str, features: Mapping[str, float], limits: QualityLimits | None = None
) -> str:
    """A finding in plain words, with its figure and what to do.

    Parameters
    ----------
    name : str
    features : mapping of str to float
        The features of the one trace.
    limits : QualityLimits, optional
        To say what the figure was held against.
    """
    if name not in FINDINGS:
        raise ParameterError(f"unknown finding {name!r}; known: {', '.join(FINDINGS)}")
    finding = FINDINGS[name]
    text = finding.says
    if finding.feature in features and np.isfinite(features[finding.feature]):
        unit = next((word for end, word in _UNITS if finding.feature.endswith(end)), "")
        figure = f"{_label(finding.feature)} {features[finding.feature]:.3g} {unit}".rstrip()
        if finding.limit and limits is not None:
            word = "at least" if name in _BELOW else "at most"
            figure += f", {word} {getattr(limits, finding.limit):g} wanted"
        text += f" ({figure})"
    return f"{text[0].upper()}{text[1:]}. {finding.do[0].upper()}{finding.do[1:]}."


def _label(feature: str) -> str:
    for end, _ in _UNITS:
        if feature.endswith(end):
            feature = feature[: -len(end)]
    return feature.replace("_", " ")
