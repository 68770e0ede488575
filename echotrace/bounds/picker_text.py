"""What trials of pickers show, in words: which are worse, by how much, and why."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from echotrace.bounds.outside import OUTSIDE_MARK
from echotrace.text_out import visible

if TYPE_CHECKING:
    from echotrace.bounds.picker_trials import PickerErrors

__all__ = ["picker_text"]

_WORSE = 1.1
_FAR_FROM_ALL = 0.5

_WHY = {
    "matched_filter": "it weighs each frequency as the echo holds it; what is lost is lost at low "
    "ratios, where lobes of the noise are taken for the echo's",
    "least_squares": "it fits the echo whole, as the matched filter does; at low ratios it may fit "
    "noise as a second echo",
    "envelope_peak": "its filter is wider than the echo's band and lets more noise through",
    "leading_edge_fraction": "it reads one flank only, and the noise of the height it refers to "
    "comes with it",
    "leading_edge_level": "it reads one flank only, low on it where it is less steep; nothing is "
    "found where the level lies in the noise",
    "steepest_slope": "a slope has more of the noise's high frequencies, and few samples tell "
    "where it is steepest",
    "akaike_onset": "an onset is where there is least of the echo, and it steps with the phase of "
    "the carrier whatever the ratio",
    "scipy_find_peaks": "it reads whole samples of an envelope with the noise of all frequencies",
}
_WHY_ONSET = "it reads an onset, which comes the earlier the stronger the echo (bias), in steps of "
_WHY_ONSET += "the carrier"


def picker_text(errors: Sequence[PickerErrors], template: str, seed: int) -> str:
    """The trials as a table, and what is worse than the bound by more than a tenth.

    Parameters
    ----------
    errors : sequence of PickerErrors
    template : str
        As of :func:`echotrace.picker_errors`.
    seed : int

    Returns
    -------
    str

    Examples
    --------
    >>> import echotrace as et
    >>> from echotrace.bounds.picker_text import picker_text
    >>> errors = et.picker_errors([30.0], n=400, pickers=["matched_filter", "steepest_slope"])
    >>> print(picker_text(errors, "estimated", 1).splitlines()[-1][:40])
    steepest_slope: 2.1 to 2.1 times the bou
    """
    levels = errors[0].snr_db
    head = ["picker", *(f"{x:g} dB" for x in levels), "stated/SD", "bias, ns", "µs/trace"]
    rows = [head, ["bound, ns", *(f"{1e3 * x:.3g}" for x in errors[0].bound_us), "", "", ""]]
    for item in errors:
        mark = f" ({OUTSIDE_MARK})" if item.outside else ""
        rows.append(
            [
                visible(item.picker) + mark,
                *(_ratio(r, f) for r, f in zip(item.ratio, item.found, strict=True)),
                _range(item.stated_us / item.sd_us),
                _range(1e3 * item.bias_us),
                f"{item.us_per_trace:.0f}",
            ]
        )
    widths = [max(len(row[k]) for row in rows) for k in range(len(head))]
    lines = [
        "  ".join(
            [row[0].ljust(widths[0])]
            + [cell.rjust(w) for cell, w in zip(row[1:], widths[1:], strict=True)]
        )
        for row in rows
    ]
    lines.insert(1, "  ".join("-" * w for w in widths))
    said = [
        f"RMS error over the phase-free Cramér-Rao bound; {errors[0].n} isolated echoes at each "
        f"ratio, template {template}, seed {seed}; -: fewer than half were found.",
        "",
        *(line.rstrip() for line in lines),
        "",
    ]
    for item in errors:
        seen = item.found > _FAR_FROM_ALL
        ratio = item.ratio[seen]
        if not ratio.size:
            said.append(f"{visible(item.picker)}: found too few echoes to tell.")
        elif ratio.max() <= _WORSE:
            said.append(f"{visible(item.picker)}: within {ratio.max():.2f} of the bound.")
        else:
            why = _WHY.get(item.picker, _WHY_ONSET if item.picker.startswith("obspy_") else "")
            said.append(
                f"{visible(item.picker)}: {ratio.min():.2g} to {ratio.max():.2g} times the bound"
                + (f"; {why}." if why else ".")
            )
    return "\n".join(said)


def _ratio(ratio: float, found: float) -> str:
    return "-" if found < _FAR_FROM_ALL else f"{ratio:.2f}" if ratio < 10.0 else f"{ratio:.0f}"


def _range(values: np.ndarray) -> str:
    values = values[np.isfinite(values)]
    if not values.size:
        return "-"
    low, high = (f"{x:.2g}" if abs(x) < 99.5 else f"{x:.0f}" for x in (values.min(), values.max()))
    return low if low == high else f"{low} to {high}"
