"""Every picker beside the least error there can be."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from echotrace.bounds.delay import delay_bound
from echotrace.bounds.outside import OUTSIDE_MARK
from echotrace.figures.style import COLOURS, new_axes, quiet_axes
from echotrace.text_out import picture_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from echotrace.bounds.picker_trials import PickerErrors
    from echotrace.signal.pulse import Pulse

__all__ = ["plot_picker_errors"]

_MARKS = ("o", "s", "^", "D", "v", "P", "X")
# From dark to light, so that they differ in grey print as well; outside picks are hollow.
_INKS = ("#1b2a33", "#31688e", "#c2571a", "#0b7a75", "#8a5a00", "#a8324a", "#7b8f9a")
_HIGHEST = 100.0


def plot_picker_errors(
    errors: Sequence[PickerErrors],
    pulse: Pulse | None = None,
    *,
    search_us: float = 1.0,
    ax: Axes | None = None,
) -> Axes:
    """Root mean square error of every picker over the bound, against signal to noise ratio.

    Parameters
    ----------
    errors : sequence of PickerErrors
        From :func:`echotrace.picker_errors`, all at the same ratios.
    pulse : Pulse, optional
        The true pulse of the trials, for the threshold; None: that of their default.
    search_us : float
        Width of the window in which the echo lay, µs.
    ax : Axes, optional
        None makes a new figure.

    Returns
    -------
    Axes

    Examples
    --------
    >>> import echotrace as et
    >>> errors = et.picker_errors([20.0, 40.0], n=32, pickers=["matched_filter", "envelope_peak"])
    >>> ax = et.plot_picker_errors(errors)
    >>> ax.get_ylabel()
    'RMS error over the bound'
    """
    from echotrace.signal.pulse import gaussian_pulse

    ax = quiet_axes(new_axes(ax, 7.2, 4.2))
    pulse = pulse or gaussian_pulse(100e6, 10e6, 0.6)
    low, high = float(errors[0].snr_db.min()), float(errors[0].snr_db.max())
    levels = np.arange(min(low, 4.0), high + 0.5, 0.5)
    threshold = delay_bound(pulse, levels, search_us=search_us) / delay_bound(pulse, levels)
    ax.fill_between(levels, 0.5, np.maximum(threshold, 1.0), color=COLOURS["band"], linewidth=0)
    ax.plot(levels, threshold, color=COLOURS["muted"], linewidth=0.9, linestyle=(0, (4, 2)))
    ax.axhline(1.0, color=COLOURS["ink"], linewidth=0.8)
    ours = others = 0
    for item in errors:
        name = picture_text(item.picker.replace("_", " "))
        number = others if item.outside else ours
        ours, others = ours + (not item.outside), others + item.outside
        ink, mark = _INKS[number % len(_INKS)], _MARKS[number % len(_MARKS)]
        # Where hardly anything was found, the error of what was is no figure of the picker.
        shown = np.where(item.found > 0.5, item.ratio, np.nan)
        ax.plot(
            item.snr_db,
            np.where(shown <= _HIGHEST, shown, np.nan),
            color=ink,
            marker=mark,
            markersize=4.5,
            markerfacecolor="white" if item.outside else ink,
            linewidth=0.9 if item.outside else 1.2,
            linestyle=":" if item.outside else "-",
            label=f"{name} ({OUTSIDE_MARK})" if item.outside else name,
        )
        off = shown > _HIGHEST
        ax.plot(item.snr_db[off], np.full(off.sum(), 1.07 * _HIGHEST), "^", color=ink, markersize=3)
    ax.set_yscale("log")
    ax.set_ylim(0.8, 1.25 * _HIGHEST)
    ticks = [1, 2, 5, 10, 20, 50, 100]
    ax.set_yticks(ticks, [str(tick) for tick in ticks])
    ax.minorticks_off()
    ax.set_xlim(levels[0], high + 0.02 * (high - levels[0]) + 0.5)
    ax.set_xlabel("peak of the envelope over the noise of one sample (dB)", fontsize=8)
    ax.set_ylabel("RMS error over the bound", fontsize=8)
    ax.set_title(
        "1: phase-free Cramér-Rao bound; dashed: Ziv-Zakai, "
        f"searched over {search_us:g} µs; nothing reaches the shaded part",
        fontsize=8,
        loc="left",
        color=COLOURS["ink"],
    )
    # Beside the axes: the lines of a dozen pickers leave no free corner.
    ax.legend(fontsize=7, frameon=False, loc="upper left", bbox_to_anchor=(1.0, 1.0))
    return ax
