"""Synthetic traces side by side: aligned and not, by each method, with artefacts and without."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrace.figures.style import (
    COLOURS,
    INTERFACE_COLOURS,
    new_axes,
    new_figure,
    quiet_axes,
    with_room_below,
)
from echotrace.signal.receiver import log_compress

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from echotrace.recording import Recording

__all__ = [
    "display_db",
    "level_figure",
    "levels_against_tilt",
    "plot_display",
    "plot_levels_against_tilt",
    "side_by_side",
    "artefact_traces",
    "artefact_figure",
    "tilt_figure",
]

_FLOOR_DB = -60.0
# The boundary of the orbit is nobody's pick, but its spike may be the tallest of the wall.
_TICK_COLOURS = {**INTERFACE_COLOURS, "orbit": COLOURS["muted"]}
_TILTS_DEG = (0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0)


def display_db(recording: Recording, trace: int) -> NDArray[np.float32]:
    """Envelope of one trace of RF in dB of full scale, gain and time gain as they were.

    Parameters
    ----------
    recording : Recording
    trace : int

    Returns
    -------
    ndarray of float32, (n_samples,)
        dB; never below -60.

    Examples
    --------
    >>> from echotrace.synthesis import synthesise
    >>> display_db(synthesise({"scans": 1}, 1), 0).shape
    (5312,)
    """
    receiver = recording.receiver
    full_scale = 1.0
    if receiver is not None:
        full_scale = 2.0 ** (receiver.bits - 1) - 1.0 if receiver.bits else receiver.full_scale
    samples = np.asarray(recording.samples[trace], np.float32)
    # Padded, so that the ring-down at the start does not come round to the end.
    size = scipy.fft.next_fast_len(samples.size + samples.size // 4)
    spectrum = scipy.fft.fft(samples, size)
    frequency_hz = scipy.fft.fftfreq(size, 1.0 / recording.sampling_rate_hz)
    # The one-sided spectrum without its lowest part: the ring-down starts with a step, whose
    # transform would else trail along the whole trace.
    lowest_hz = 0.5e6 if recording.probe is None else 0.2 * recording.probe.centre_frequency_hz
    rise = np.clip(frequency_hz / lowest_hz - 1.0, 0.0, 1.0)
    window = 2.0 * np.sin(0.5 * math.pi * rise) ** 2
    envelope = np.abs(scipy.fft.ifft(spectrum * window))[: samples.size]
    return log_compress(envelope, reference=full_scale, floor_db=_FLOOR_DB)


def plot_display(
    recording: Recording, trace: int = 0, *, ax: Axes | None = None, title: str = ""
) -> Axes:
    """One trace as a display shows it: envelope in dB of full scale, true arrivals ticked.

    Parameters
    ----------
    recording : Recording
    trace : int
    ax : Axes, optional
        None makes a new figure.
    title : str

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> from echotrace.synthesis import synthesise
    >>> plot_display(synthesise({"scans": 1}, 1), title="immersion").get_xlabel()
    'delay (µs)'
    """
    ax = quiet_axes(new_axes(ax, 6.4, 2.0))
    level_db = display_db(recording, trace)
    delay_us = recording.delay_us
    ax.fill_between(delay_us, _FLOOR_DB, level_db, color=COLOURS["band"], linewidth=0.0)
    ax.plot(delay_us, level_db, color=COLOURS["trace"], linewidth=0.45)
    ax.axhline(0.0, color=COLOURS["muted"], linewidth=0.5, linestyle=(0, (4, 3)))
    if recording.truth is not None:
        for name, at_us in zip(
            recording.truth.interfaces, recording.truth.delay_us[trace], strict=True
        ):
            if name not in _TICK_COLOURS or not math.isfinite(at_us):
                continue
            colour = _TICK_COLOURS[name]
            if at_us > float(delay_us[-1]):
                # Beyond the trace: an arrow at its end, not a tick in a wrong place.
                how: dict[str, Any] = {"marker": ">", "markersize": 4, "clip_on": False}
                ax.plot([delay_us[-1]], [5.0], color=colour, **how)
                continue
            ax.plot([at_us, at_us], [3.0, 7.0], color=colour, linewidth=1.2, clip_on=False)
    ax.set_ylim(_FLOOR_DB, 3.0)
    ax.set_xlim(0.0, float(delay_us[-1]))
    ax.set_yticks([-60, -40, -20, 0])
    ax.set_ylabel("envelope\n(dB of full scale)", fontsize=8)
    ax.set_xlabel("delay (µs)", fontsize=8)
    if title:
        ax.set_title(title, fontsize=9, color=COLOURS["ink"], loc="left", pad=9)
    return ax


def side_by_side(traces: Sequence[tuple[str, Recording, int]], *, columns: int = 2) -> Figure:
    """Several traces in one figure, each with its title.

    Parameters
    ----------
    traces : sequence of (title, recording, trace)
    columns : int

    Returns
    -------
    Figure

    Examples
    --------
    >>> from echotrace.synthesis import synthesise
    >>> recording = synthesise({"scans": 2}, 1)
    >>> len(side_by_side([("one", recording, 0), ("two", recording, 1)]).axes)
    2
    """
    rows = math.ceil(len(traces) / columns)
    figure = new_figure(5.2 * columns, 1.55 * rows + 0.4)
    engine = figure.get_layout_engine()
    if engine is not None:
        engine.set(h_pad=0.07, w_pad=0.07)  # type: ignore[call-arg]
    axes = figure.subplots(rows, columns, squeeze=False)
    for n, (title, recording, trace) in enumerate(traces):
        row, column = divmod(n, columns)
        ax = plot_display(recording, trace, ax=axes[row, column], title=title)
        if column:
            ax.set_ylabel("")
        if n + columns < len(traces):
            ax.set_xlabel("")
    for n in range(len(traces), rows * columns):
        axes[divmod(n, columns)].set_visible(False)
    _legend(figure)
    return figure


def _legend(figure: Figure) -> None:
    from matplotlib.lines import Line2D

    handles = [
        Line2D([], [], color=colour, linewidth=2, label=name.replace("_", " "))
        for name, colour in _TICK_COLOURS.items()
    ]
    figure.legend(
        handles=handles,
        loc="outside lower left",
        ncols=len(handles),
        fontsize=8,
        frameon=False,
        title="true arrival along the beam",
        title_fontsize=8,
    )


def _fixed_pose(tables: Mapping[str, Any], tilt_deg: float) -> dict[str, Any]:
    """The scenario with a hand that does not shake, at a given tilt."""
    pose = {
        "kind": "oblique",
        "tilt_deg": tilt_deg,
        "tilt_sd_deg": 0.0,
        "decentration_sd_mm": 0.0,
        "fixation_sd_deg": 0.0,
    }
    method = {**tables.get("method", {}), "compression_within_mm": 0.0}
    return {**tables, "pose": pose, "method": method, "scans": 1}


def tilt_figure(
    tables: Mapping[str, Any] | None = None,
    *,
    tilts_deg: Sequence[float] = _TILTS_DEG,
    seed: int = 1,
) -> Figure:
    """Traces from on axis to far off, immersion on the left and contact on the right.

    Parameters
    ----------
    tables : mapping, optional
        Scenario whose pose and method are replaced; the default eye where it is None.
    tilts_deg : sequence of float
    seed : int

    Returns
    -------
    Figure

    Examples
    --------
    >>> len(tilt_figure(tilts_deg=[0.0, 4.0]).axes)
    4
    """
    from echotrace.synthesis import synthesise

    traces = []
    for tilt_deg in tilts_deg:
        for kind in ("immersion", "contact"):
            scenario = _fixed_pose({**(tables or {}), "method": {"kind": kind}}, tilt_deg)
            traces.append((f"{kind}, {tilt_deg:g}° off axis", synthesise(scenario, seed), 0))
    return side_by_side(traces)


_WITH_ARTEFACT: tuple[tuple[str, str, dict[str, Any]], ...] = (
    ("aligned, nothing wrong", "immersion", {}),
    ("too much gain", "immersion", {"artefacts": {"gain_too_high": 1.0}}),
    ("too little gain", "immersion", {"artefacts": {"gain_too_low": 1.0}}),
    (
        "time gain that falls",
        "immersion",
        {
            "receiver": {
                "tgc_delay_us": [15.0, 40.0],
                "tgc_gain_db": [6.0, -10.0],
                "tgc_is_wrong": True,
            }
        },
    ),
    ("bubbles in the bath", "immersion", {"artefacts": {"bubbles": 1.0}}),
    ("electrical interference", "immersion", {"artefacts": {"interference": 1.0}}),
    ("blink", "immersion", {"artefacts": {"blink": 1.0}}),
    ("beam along the optic nerve", "immersion", {"pose": {"kind": "optic_nerve"}}),
    (
        "beam on the pupil's edge",
        "immersion",
        {"pose": {"kind": "pupil_edge", "decentration_mm": 0.7}},
    ),
    ("dense cataract", "immersion", {"eye": {"cataract_grade": 3.5}}),
    (
        "implant of PMMA",
        "immersion",
        {"eye": {"lens_state": "pseudophakic", "lens_material": "pmma"}},
    ),
    (
        "silicone oil, no lens",
        "immersion",
        {"eye": {"lens_state": "aphakic", "vitreous": "silicone_oil_1000"}},
    ),
    ("staphyloma", "immersion", {"eye": {"staphyloma_slope_deg": 4.0, "staphyloma_step_mm": 0.9}}),
    ("opacities in the vitreous", "immersion", {"eye": {"vitreous_opacities": 16}}),
    ("gel between probe and cornea", "contact", {"artefacts": {"couplant": 1.0}}),
    (
        "echoes between probe and cornea",
        "contact",
        {"artefacts": {"cornea_reverberation": 1.0}},
    ),
)


def artefact_traces(*, seed: int = 3) -> list[tuple[str, Recording, int]]:
    """One trace for each artefact, and a good one to compare with.

    Parameters
    ----------
    seed : int

    Returns
    -------
    list of (title, recording, trace)
        As :func:`side_by_side` takes them.

    Examples
    --------
    >>> [title for title, _, _ in artefact_traces()][:2]
    ['aligned, nothing wrong (immersion)', 'too much gain (immersion)']
    """
    from echotrace.synthesis import synthesise

    steady = {"tilt_sd_deg": 0.2, "decentration_sd_mm": 0.03, "fixation_sd_deg": 0.0}
    traces = []
    for title, kind, changes in _WITH_ARTEFACT:
        scenario = {
            **changes,
            "method": {"kind": kind},
            "pose": {**steady, **changes.get("pose", {})},
            "scans": 1,
        }
        traces.append((f"{title} ({kind})", synthesise(scenario, seed), 0))
    return traces


def artefact_figure(*, seed: int = 3) -> Figure:
    """Traces with artefacts side by side.

    Parameters
    ----------
    seed : int

    Returns
    -------
    Figure

    Examples
    --------
    >>> artefact_figure().savefig(folder / "artefacts.png")
    """
    return side_by_side(artefact_traces(seed=seed))


def levels_against_tilt(
    kind: str,
    tilts_deg: Sequence[float],
    *,
    tables: Mapping[str, Any] | None = None,
) -> dict[str, NDArray[np.float64]]:
    """Level of each interface's echo against tilt, dB relative to the echo on axis.

    Parameters
    ----------
    kind : {"contact", "immersion"}
    tilts_deg : sequence of float
        The first is the one the others are compared with.
    tables : mapping, optional
        Scenario to start from.

    Returns
    -------
    dict of str to ndarray, each (n_tilts,)
        Of the interfaces alone: no speckle, noise or receiver.

    Examples
    --------
    >>> levels_against_tilt("immersion", [0.0, 4.0])["retina"].round(0).tolist()
    [0.0, -14.0]
    """
    from echotrace.synthesis import Synthesis

    levels: dict[str, list[float]] = {}
    for tilt_deg in tilts_deg:
        made = Synthesis(
            _fixed_pose({**(tables or {}), "method": {"kind": kind}}, tilt_deg), seed=0
        )
        echoes = made.echoes(0)
        for name, peak in zip(echoes.names, echoes.peak, strict=True):
            levels.setdefault(name, []).append(20.0 * math.log10(max(peak, 1e-12)))
    return {name: np.array(values) - values[0] for name, values in levels.items()}


def plot_levels_against_tilt(
    tilts_deg: Sequence[float],
    levels_db: Mapping[str, NDArray[np.float64]],
    *,
    ax: Axes | None = None,
    title: str = "",
) -> Axes:
    """Level of each echo against tilt.

    Parameters
    ----------
    tilts_deg : sequence of float
    levels_db : mapping of str to ndarray
        As :func:`levels_against_tilt` gives them.
    ax : Axes, optional
        None makes a new figure.
    title : str

    Returns
    -------
    Axes
        What was drawn on.

    Examples
    --------
    >>> levels_db = {"retina": np.array([0.0, -9.0])}
    >>> ax = plot_levels_against_tilt([0.0, 4.0], levels_db, title="immersion")
    >>> ax.get_title(loc="left")
    'immersion'
    """
    ax = quiet_axes(new_axes(ax, 4.6, 3.2))
    ends = []
    for name, level in levels_db.items():
        if name not in _TICK_COLOURS:
            continue
        ax.plot(tilts_deg, level, color=_TICK_COLOURS[name], linewidth=1.4, label=name)
        ends.append((name, float(level[-1])))
    ax.set_ylim(-45.0, 3.0)
    ax.set_xlim(float(tilts_deg[0]), float(tilts_deg[-1]))
    ax.grid(color=COLOURS["grid"], linewidth=0.5)
    ax.set_xlabel("tilt about the corneal vertex (degrees)", fontsize=8)
    ax.set_ylabel("echo level (dB of on axis)", fontsize=8)
    ax.legend(
        [name.replace("_", " ") for name, _ in ends], fontsize=7, frameon=False, loc="lower left"
    )
    if title:
        ax.set_title(title, fontsize=9, color=COLOURS["ink"], loc="left")
    return ax


def level_figure(*, tilts_deg: Sequence[float] | None = None) -> Figure:
    """Level of each echo against tilt, immersion on the left and contact on the right.

    Parameters
    ----------
    tilts_deg : sequence of float, optional
        0 to 10 degrees in halves where it is None.

    Returns
    -------
    Figure

    Examples
    --------
    >>> len(level_figure(tilts_deg=[0.0, 4.0]).axes)
    2
    """
    tilts = np.linspace(0.0, 10.0, 21).tolist() if tilts_deg is None else tilts_deg
    figure = with_room_below(new_figure(9.6, 3.6), 0.04)
    for ax, kind in zip(figure.subplots(1, 2), ("immersion", "contact"), strict=True):
        plot_levels_against_tilt(tilts, levels_against_tilt(kind, tilts), ax=ax, title=kind)
    return figure
