"""Detectors held against one another: ROC and precision against recall, with exact bands."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from echotrace.figures.style import COLOURS, new_figure, quiet_axes
from echotrace.text_out import picture_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from echotrace.bounds.detection import DetectionCurve

__all__ = ["detection_figure"]

_LOOKS = (("trace", "-"), ("accent", "--"), ("muted", "-."))


def detection_figure(curves: Sequence[DetectionCurve]) -> Figure:
    """ROC (false alarms on a logarithmic axis) and precision-recall curves with 95 % bands.

    Parameters
    ----------
    curves : sequence of DetectionCurve
        From :func:`echotrace.detection_curves`.

    Returns
    -------
    matplotlib.figure.Figure

    Examples
    --------
    >>> import echotrace as et
    >>> figure = et.detection_figure(et.detection_curves(6.0, n=100))
    >>> [ax.get_xlabel() for ax in figure.axes]
    ['false alarms a window of 1 µs', 'share of echoes found']
    """
    figure = new_figure(7.2, 3.2)
    left, right = (quiet_axes(ax) for ax in figure.subplots(1, 2))
    for k, curve in enumerate(curves):
        ink, style = _LOOKS[k % len(_LOOKS)]
        name = picture_text(curve.detector.replace("_", " "))
        _banded(left, curve.false_alarm, curve.detected, curve.detected_band, ink, style,
                f"{name}, area {curve.area:.3f}")  # fmt: skip
        _banded(right, curve.detected, curve.precision, curve.precision_band, ink, style, name)
    left.set_xscale("log")
    left.set_xlim(0.5 / curves[0].n, 1.0)
    left.set_ylim(0.0, 1.02)
    right.set_ylim(0.45, 1.02)
    right.set_xlim(0.0, 1.02)
    left.set_xlabel("false alarms a window of 1 µs", fontsize=8)
    left.set_ylabel("share of echoes found", fontsize=8)
    right.set_xlabel("share of echoes found", fontsize=8)
    right.set_ylabel("share of what is found that is an echo", fontsize=8)
    left.legend(fontsize=7, frameon=False, loc="lower right")
    left.set_title(
        f"echo at {curves[0].snr_db:g} dB, {curves[0].n} windows each; bands: 95 %, exact",
        fontsize=7.5, loc="left", color=COLOURS["ink"],
    )  # fmt: skip
    return figure


def _banded(
    ax: Axes, x: np.ndarray, y: np.ndarray, band: np.ndarray, ink: str, style: str, label: str
) -> None:
    ax.fill_between(x, band[0], band[1], color=COLOURS[ink], alpha=0.18, linewidth=0)
    ax.plot(x, y, color=COLOURS[ink], linestyle=style, linewidth=1.2, label=label)
