"""A measured pulse beside the one that the probe is said to send."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from echotrace.figures.style import COLOURS, new_axes, quiet_axes
from echotrace.text_out import picture_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from echotrace.signal.echo_template import EchoTemplate
    from echotrace.signal.pulse import Pulse

__all__ = ["plot_template"]


def plot_template(
    template: EchoTemplate, described: Pulse | None = None, *, ax: Axes | None = None
) -> Axes:
    """Draw a measured pulse: RF and envelope, and the envelope of the pulse as described.

    Parameters
    ----------
    template : EchoTemplate
    described : Pulse, optional
        Of the probe's description, to compare with.
    ax : Axes, optional
        None makes a new figure.

    Returns
    -------
    Axes

    Examples
    --------
    >>> import echotrace as et
    >>> pulse = et.gaussian_pulse(100e6, 10e6, 0.6)
    >>> ax = et.plot_template(et.EchoTemplate.of_pulse(pulse, "its formula"), pulse)
    >>> ax.get_xlabel()
    'time from the centre, µs'
    """
    ax = quiet_axes(new_axes(ax, 7.2, 3.6))
    fine = template.pulse(max(template.sampling_rate_hz, 24.0 * _carrier_hz(template)))
    time_us = np.arange(-fine.half_length, fine.half_length + 1) / fine.sampling_rate_hz * 1e6
    ax.plot(time_us, fine.analytic.real, color=COLOURS["muted"], linewidth=0.9, label="RF")
    ax.plot(
        time_us, np.abs(fine.analytic), color=COLOURS["ink"], linewidth=1.6, label="its envelope"
    )
    if described is not None:
        at_us = np.arange(-described.half_length, described.half_length + 1)
        ax.plot(
            at_us / described.sampling_rate_hz * 1e6,
            np.abs(described.analytic),
            color=COLOURS["accent"],
            linewidth=1.2,
            linestyle=(0, (4, 2)),
            label="envelope as described",
        )
    ax.set_xlim(-4.0 * fine.width_us, 4.0 * fine.width_us)
    ax.set_xlabel("time from the centre, µs")
    ax.set_ylabel("part of the height")
    ax.set_ylim(-1.08, 1.12)
    ax.legend(frameon=False, loc="upper right")
    source = [picture_text(part) for part in template.source.split(", ")]
    ax.set_title(", ".join(source) or "measured pulse", loc="left", fontsize=9)
    return ax


def _carrier_hz(template: EchoTemplate) -> float:
    return template.pulse(template.sampling_rate_hz).centre_frequency_hz
