"""A sweep of settings: losses tried, gain on other eyes, and which settings matter."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from echotrace.figures.style import COLOURS, new_figure, quiet_axes
from echotrace.text_out import picture_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from echotrace.tuning.sensitivity import Sensitivity
    from echotrace.tuning.sweep import Tuning

__all__ = ["tuning_figure"]


def tuning_figure(tuning: Tuning, sensitivity: Sensitivity | None = None) -> Figure:
    """The losses against each factor, the gain by eye, and Sobol's indices where there are some.

    Parameters
    ----------
    tuning : Tuning
    sensitivity : Sensitivity, optional

    Returns
    -------
    matplotlib.figure.Figure

    Examples
    --------
    >>> tuning_figure(tuning).savefig(folder / "sweep.png")  # of `et.tune`
    """
    panels = len(tuning.keys) + 1 + (sensitivity is not None)
    rows = -(-panels // 3)
    figure = new_figure(7.2, 2.5 * rows)
    axes = [quiet_axes(ax) for ax in figure.subplots(rows, 3, squeeze=False).ravel()]
    for k in range(len(tuning.keys)):
        _losses(tuning, k, axes[k])
    _gains(tuning, axes[len(tuning.keys)])
    if sensitivity is not None:
        _indices(sensitivity, axes[panels - 1])
    for ax in axes[panels:]:
        ax.set_visible(False)
    return figure


def _losses(tuning: Tuning, k: int, ax: Axes) -> None:
    key = tuning.keys[k]
    tried = [trial for trial in tuning.trials[1:] if np.isfinite(trial.loss_mm)]
    values = [trial.values[key] for trial in tried]
    loss = np.array([trial.loss_mm for trial in tried])
    if isinstance(values[0], str):
        names = sorted(set(values))
        at = np.array([names.index(v) for v in values]) + 0.25 * np.sin(np.arange(loss.size) * 2.4)
        short = [picture_text(name).replace("_", "\n") for name in names]
        ax.set_xticks(range(len(names)), short, fontsize=6)
    else:
        at = np.array(values, np.float64)
    ax.plot(at, loss, "o", color=COLOURS["trace"], markersize=3, alpha=0.7)
    best = tried.index(tuning.best)
    ax.plot(at[best], loss[best], "D", color=COLOURS["accent"], markersize=6, fillstyle="none")
    ax.axhline(tuning.trials[0].loss_mm, color=COLOURS["ink"], linewidth=0.9, linestyle="--")
    ax.set_xlabel(picture_text(key), fontsize=7)
    ax.set_ylabel("loss on eyes tuned on (mm)", fontsize=7)
    if k == 0:
        ax.set_title("dashed: presets; diamond: best", fontsize=7, loc="left")


def _gains(tuning: Tuning, ax: Axes) -> None:
    presets, best = tuning.reported
    gains = 1e3 * np.array([presets.eyes[eye] - best.eyes[eye] for eye in presets.eyes])
    ax.axvline(0.0, color=COLOURS["muted"], linewidth=0.8)
    ax.plot(np.sort(gains), np.arange(gains.size), "o", color=COLOURS["trace"], markersize=2.5)
    middle = 0.5 * gains.size
    ax.errorbar(
        [1e3 * tuning.gain_mm],
        [middle],
        xerr=[
            [1e3 * (tuning.gain_mm - tuning.gain_low_mm)],
            [1e3 * (tuning.gain_high_mm - tuning.gain_mm)],
        ],
        fmt="s",
        color=COLOURS["accent"],
        capsize=4,
    )
    ax.set_yticks([])
    ax.set_xlabel("gain over the presets, each eye (µm)", fontsize=7)
    word = "beats the presets" if tuning.beats_presets else "presets recommended"
    ax.set_title(f"other eyes and probes: {word}", fontsize=7, loc="left")


def _indices(sensitivity: Sensitivity, ax: Axes) -> None:
    at = np.arange(len(sensitivity.keys))
    for shift, name, ink in ((0.18, "first", "trace"), (-0.18, "total", "accent")):
        value = getattr(sensitivity, name)
        low, high = (getattr(sensitivity, f"{name}_{end}") for end in ("low", "high"))
        ax.errorbar(
            value, at + shift, xerr=np.maximum([value - low, high - value], 0.0), capsize=2,
            fmt="o" if name == "first" else "s", color=COLOURS[ink], markersize=4, label=name,
        )  # fmt: skip
    ax.axvline(0.0, color=COLOURS["muted"], linewidth=0.8)
    ax.set_yticks(
        at, [picture_text(key).replace(".", ".\n") for key in sensitivity.keys], fontsize=6
    )
    ax.set_xlabel("share of the loss's variance", fontsize=7)
    ax.legend(fontsize=6.5, frameon=False)
