"""The picture of a plate: two traces on one depth and one level scale."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from echotrace.caution import CAUTION, SYNTHETIC, is_synthetic
from echotrace.figures.style import COLOURS, new_figure, quiet_axes
from echotrace.figures.trace import interface_colour
from echotrace.teaching.judged import Judged, error_words, length_words
from echotrace.teaching.plates import Plate
from echotrace.teaching.recipe import Note
from echotrace.text_out import visible

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["fewer_points", "plate_figure", "plot_pair"]

_FLOOR_DB, _TOP_DB = -60.0, 26.0
_RF_TOP_DB = 0.0
_BETWEEN = {"lens": ("lens_front", "lens_back"), "vitreous": ("lens_back", "retina")}


def plate_figure(plate: Plate) -> Figure:
    """A sheet of A4, lying: both traces, what differs, what the chain says, and the error.

    Parameters
    ----------
    plate : Plate

    Returns
    -------
    Figure

    Examples
    --------
    >>> from echotrace.teaching.plates import plate_of_file
    >>> plate = plate_of_file("synthetic_traces/immersion_sitting.h5", scan=2)
    >>> len(plate_figure(plate).axes)
    2
    """
    figure = new_figure(11.69, 8.27)
    figure.set_layout_engine("none")
    figure.patch.set_facecolor("white")
    ink, muted = COLOURS["ink"], COLOURS["muted"]
    figure.text(0.06, 0.945, _drawn(plate.title), fontsize=19, color=ink, weight="bold")
    point = "\n".join(textwrap.wrap(_drawn(plate.point), 138))
    figure.text(0.06, 0.93, point, fontsize=10.5, color=ink, va="top", linespacing=1.35)
    upper = figure.add_axes((0.06, 0.495, 0.655, 0.335))
    lower = figure.add_axes((0.06, 0.095, 0.655, 0.335))
    plot_pair(plate, (upper, lower), size=10.0)
    _say(figure, plate.good, 0.83)
    _say(figure, plate.spoilt, 0.43)
    said = "\n".join(textwrap.wrap(f"{_kind(plate)} {CAUTION}", 170))
    figure.text(0.06, 0.012, said, fontsize=7.5, color=muted, va="bottom")
    return figure


def _kind(plate: Plate) -> str:
    invented = all(
        one.recording.truth is not None or is_synthetic(one.recording.attributes)
        for one in (plate.good, plate.spoilt)
    )
    return SYNTHETIC if invented else ""


def _drawn(text: str) -> str:
    """Text of a recipe as a figure takes it: no signs of formulas, no control characters."""
    return visible(text).replace("$", r"\$")


def plot_pair(plate: Plate, axes: tuple[Axes, Axes], *, size: float = 8.0) -> None:
    """Draw the two traces of a plate on axes of the same width.

    Parameters
    ----------
    plate : Plate
    axes : tuple of Axes, (2,)
    size : float
        Of the letters, points.

    Examples
    --------
    >>> from echotrace.teaching.plates import plate_of_file
    >>> plate = plate_of_file("synthetic_traces/immersion_sitting.h5")
    >>> upper, lower = new_figure().subplots(2, 1)
    >>> plot_pair(plate, (upper, lower))
    >>> upper.get_title(loc="left") == plate.labels[0]
    True
    """
    last_us = max(_last_us(one) for one in (plate.good, plate.spoilt))
    for ax, one, label, which in zip(
        axes, (plate.good, plate.spoilt), plate.labels, ("good", "spoilt"), strict=True
    ):
        _plot_trace(ax, one, last_us, size)
        ax.set_title(_drawn(label), fontsize=size + 2, loc="left", color=COLOURS["ink"])
        _point_at(ax, one, [note for note in plate.notes if note.on == which], last_us, size)
    axes[0].tick_params(labelbottom=False)
    axes[1].set_xlabel(
        "delay after the pulse leaves the probe (µs); lines: picks, triangles: true arrivals",
        fontsize=size,
    )


def _last_us(one: Judged) -> float:
    known = [*one.picks_us.values(), *one.true_us.values()]
    return min(max(known, default=math.inf) + 4.0, float(one.recording.delay_us[-1]))


_SAMPLES_A_POINT = 8


def fewer_points(
    delay_us: NDArray[np.float64], values: NDArray[Any]
) -> tuple[NDArray[np.float64], NDArray[Any]]:
    """The lowest and the highest of every few samples: the same picture from fewer points.

    Parameters
    ----------
    delay_us : ndarray of float64, (n,)
    values : ndarray, (n,)

    Returns
    -------
    delay_us, values : ndarray, (n // 4,)

    Examples
    --------
    >>> fewer_points(np.arange(8.0), np.array([0, 1, 5, 2, 1, -3, 0, 0]))[1].tolist()
    [5, -3]
    """
    n = delay_us.size // _SAMPLES_A_POINT
    rows = values[: n * _SAMPLES_A_POINT].reshape(n, _SAMPLES_A_POINT)
    order = np.sort(np.stack([rows.argmin(axis=1), rows.argmax(axis=1)], axis=1), axis=1)
    kept = (order + _SAMPLES_A_POINT * np.arange(n)[:, None]).ravel()
    return delay_us[kept], values[kept]


def _plot_trace(ax: Axes, one: Judged, last_us: float, size: float) -> None:
    quiet_axes(ax)
    delay_us, level = one.recording.delay_us, one.level_db
    shown = delay_us <= last_us
    samples = np.asarray(one.recording.samples[0], np.float64)[shown]
    if one.recording.signal == "rf":
        # Faint, and only as a shape: the transmitted pulse must not set its scale.
        later = np.abs(samples[delay_us[shown] > 1.5])
        tallest = max(float(later.max(initial=0.0)), 1e-12)
        middle = 0.5 * (_FLOOR_DB + _RF_TOP_DB)
        half = 0.5 * (_RF_TOP_DB - _FLOOR_DB)
        ax.plot(
            *fewer_points(delay_us[shown], middle + half * np.clip(samples / tallest, -1.0, 1.0)),
            color="#bcc7cc",
            linewidth=0.5,
            zorder=1,
        )
    ax.plot(
        *fewer_points(delay_us[shown], level[shown]),
        color=COLOURS["envelope"],
        linewidth=0.85,
        zorder=3,
    )
    ax.axhline(0.0, color=COLOURS["muted"], linewidth=0.6, linestyle=(0, (4, 3)), zorder=2)
    ax.annotate(
        "limit",
        (1.0, 0.0),
        xycoords=("axes fraction", "data"),
        xytext=(3, 0),
        textcoords="offset points",
        fontsize=size - 2,
        va="center",
        color=COLOURS["muted"],
        annotation_clip=False,
    )
    _mark(ax, one, last_us, size)
    ax.set_xlim(0.0, last_us)
    ax.set_ylim(_FLOOR_DB - 5.0, _TOP_DB)
    ax.set_yticks([-60, -40, -20, 0])
    ax.tick_params(labelsize=size - 1)
    ax.set_ylabel("envelope (dB of full scale)", fontsize=size, y=0.38)


def _mark(ax: Axes, one: Judged, last_us: float, size: float) -> None:
    """Picks as lines with their names; true arrivals as small triangles on the base."""
    rows: list[float] = [-math.inf, -math.inf, -math.inf]
    for k, (name, at) in enumerate(one.picks_us.items()):
        colour = interface_colour(name, list(one.result.interfaces).index(name))
        words = name.replace("_", " ")
        width = (0.0125 * len(words) + 0.012) * last_us * size / 9.0
        row = next((r for r in range(3) if rows[r] <= at), k % 3)
        rows[row] = at + width
        high = 5.0 + 7.0 * row
        ax.plot([at, at], [_FLOOR_DB, high + 4.5], color=colour, linewidth=1.0, zorder=4)
        ax.annotate(
            words,
            (at, high),
            xytext=(3, 0),
            textcoords="offset points",
            fontsize=size - 1,
            color=COLOURS["ink"],
            va="bottom",
            annotation_clip=False,
            bbox={"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none"},
            zorder=5,
        )
    wanted = [at for name, at in one.true_us.items() if name in one.result.interfaces]
    here = [at for at in wanted if at <= last_us]
    how: dict[str, Any] = {"linestyle": "none", "markersize": size * 0.55, "color": COLOURS["ink"]}
    ax.plot(here, [_FLOOR_DB - 2.5] * len(here), marker="^", zorder=5, **how)
    if len(here) < len(wanted):
        # Beyond the picture: an arrow at its edge, and words, not a mark in a wrong place.
        ax.plot([last_us], [_FLOOR_DB - 2.5], marker=">", clip_on=False, zorder=5, **how)
        ax.annotate(
            "true arrival beyond the picture",
            (last_us, _FLOOR_DB - 2.5),
            xytext=(-6, 4),
            textcoords="offset points",
            fontsize=size - 2,
            ha="right",
            color=COLOURS["ink"],
        )


def _place_us(one: Judged, at: str) -> float:
    known = {**one.picks_us, **one.true_us}
    if at == "bath":
        delay_us = one.recording.delay_us
        within = (delay_us > 2.5) & (delay_us < known.get("cornea_front", 0.0) - 0.6)
        tallest = np.where(within, one.level_db, -np.inf)
        return float(delay_us[np.argmax(tallest)]) if within.any() else math.nan
    if at in _BETWEEN:
        first, second = (known.get(name, math.nan) for name in _BETWEEN[at])
        return 0.5 * (first + second)
    return known.get(at, math.nan)


def _point_at(ax: Axes, one: Judged, notes: list[Note], last_us: float, size: float) -> None:
    """Words with a line to the place they are about, in the quiet parts of a trace."""
    known = {**one.picks_us, **one.true_us}
    cornea = known.get("cornea_front", 0.0)
    lens = known.get("lens_back", known.get("cornea_back", 0.0))
    retina = known.get("retina", last_us)
    bath_free = cornea > 0.18 * last_us
    in_bath, behind = 0, 0
    placed = [(_place_us(one, note.at), note) for note in notes]
    # The farthest place stands highest, so that no line crosses another's words.
    for at, note in sorted(placed, key=lambda item: -item[0]):
        if not math.isfinite(at):
            continue
        reach = 0.6 if note.at not in (*_BETWEEN, "bath") else 1.5
        near = np.abs(one.recording.delay_us - at) < reach
        # A line to a spike ends at its shoulder, where no name stands.
        high = float(np.clip(one.level_db[near].max(initial=_FLOOR_DB) - 4.0, _FLOOR_DB + 6, -4))
        if bath_free and note.at in ("cornea_front", "bath"):
            x, y = 0.50 * cornea, -6.0 - 17.0 * in_bath
            wide = max(12, round(0.30 * cornea / last_us * 132 * 9 / size))
            in_bath += 1
        else:
            x, y = 0.5 * (lens + retina), -5.0 - 16.0 * behind
            wide = max(16, round(0.62 * (retina - lens) / last_us * 132 * 9 / size))
            behind += 1
        ax.annotate(
            "\n".join(textwrap.wrap(_drawn(note.words), wide)),
            (at, high),
            xytext=(x, y),
            fontsize=size,
            color=COLOURS["accent"],
            weight="bold",
            ha="center",
            va="top",
            linespacing=1.2,
            arrowprops={"arrowstyle": "-", "color": COLOURS["accent"], "linewidth": 1.0},
            bbox={"boxstyle": "square,pad=0.15", "facecolor": "white", "edgecolor": "none",
                  "alpha": 0.85},
            zorder=6,
        )  # fmt: skip


def _say(figure: Figure, one: Judged, top: float) -> None:
    """What the chain makes of a trace, beside it."""
    ink, muted = COLOURS["ink"], COLOURS["muted"]
    left = 0.755
    figure.text(left, top, length_words(one.length_mm), fontsize=19, color=ink, va="top")
    if math.isfinite(one.true_length_mm):
        figure.text(
            left, top - 0.042, error_words(one.error_mm), fontsize=12.5, va="top", weight="bold",
            color=ink,
        )  # fmt: skip
        figure.text(
            left, top - 0.068, f"truth {one.true_length_mm:.2f} mm along the axis",
            fontsize=9, va="top", color=muted,
        )  # fmt: skip
    word = "accepted" if one.accepted else "rejected"
    found = one.reasons()
    heads = [text.split(". ")[0] for text in found]
    figure.text(
        left, top - 0.094, f"the chain: {word}",
        fontsize=11, va="top", color=COLOURS["good" if one.accepted else "bad"], weight="bold",
    )  # fmt: skip
    lines: list[str] = []
    for text in heads:
        piece = textwrap.wrap(text, 38, initial_indent="– ", subsequent_indent="   ")
        if len(lines) + len(piece) > 11:
            lines.append(f"– and {len(heads) - heads.index(text)} more")
            break
        lines += piece
    figure.text(
        left, top - 0.121, "\n".join(lines), fontsize=9, va="top", color=ink, linespacing=1.3
    )
