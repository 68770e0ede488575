"""How the two probabilities do on drawn sittings, as a table.

``python -m echotrace.fitting.score_report develop`` prints it for a set that is shipped; with
``--seed S --sittings N`` for draws that were never looked at.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from echotrace.fitting.roc import calibration_chance, calibration_error, roc_area, roc_band
from echotrace.fitting.score_sets import DrawSet, ScoreSet, make_sets, shipped_sets
from echotrace.measurement import ALIGNED_TOLD
from echotrace.quality.features import score_traces
from echotrace.quality.limits import QualityLimits
from echotrace.quality.sitting_evidence import right_in_sitting, vouched_in_sitting

__all__ = ["kind_errors", "main", "probabilities", "score_report"]

Float64 = NDArray[np.float64]

# Bins of a kind: fewer scans than all together.
_KIND_BINS, _LEAST_OF_KIND = 5, 60


def probabilities(data: ScoreSet) -> dict[str, Float64]:
    """The shipped probabilities of measured draws.

    Parameters
    ----------
    data : ScoreSet

    Returns
    -------
    dict of str to ndarray of float64, (n,)
        ``length_right`` and ``aligned`` of each scan alone, and ``in_sitting``: a right length with
        what the other scans of its sitting say.

    Examples
    --------
    >>> sorted(probabilities(shipped_sets()["develop"]))
    ['aligned', 'in_sitting', 'length_right']
    """
    said = score_traces(data.features)
    both = right_in_sitting({**data.features, **said})
    found = {"length_right": said["length_right"], "aligned": said["aligned"], "in_sitting": both}
    return {name: values.astype(np.float64) for name, values in found.items()}


def kind_errors(
    probability: Float64, outcome: NDArray[np.bool_], data: ScoreSet
) -> dict[str, float]:
    """Calibration error within each kind of hand and method.

    Parameters
    ----------
    probability : ndarray of float64, (n,)
    outcome : ndarray of bool, (n,)
    data : ScoreSet

    Returns
    -------
    dict of str to float
        By kind; five bins of equal numbers. Kinds of fewer than 60 scans are left out.

    Examples
    --------
    >>> data = shipped_sets()["develop"]
    >>> errors = kind_errors(data.aligned.astype(float), data.aligned, data)
    >>> max(errors.values())
    0.0
    """
    found = {}
    for kind in np.unique(data.kind):
        rows = data.kind == kind
        if rows.sum() >= _LEAST_OF_KIND:
            found[str(kind)] = calibration_error(probability[rows], outcome[rows], bins=_KIND_BINS)
    return found


def _share(part: NDArray[np.bool_], of: NDArray[np.bool_]) -> str:
    n = int(of.sum())
    return f"{100.0 * part[of].mean():.1f} % ({int(part[of].sum())} of {n})" if n else "none"


def score_report(data: ScoreSet, level: float | None = None) -> str:
    """The figures of merit as text.

    Parameters
    ----------
    data : ScoreSet
    level : float, optional
        Of acceptance, alone and in a sitting; the presets where it is None.

    Returns
    -------
    str
        Markdown.

    Examples
    --------
    >>> score_report(shipped_sets()["develop"]).splitlines()[0]
    '| what | found |'
    """
    limits = QualityLimits()
    said = probabilities(data)
    alone, right, aligned = said["length_right"], said["in_sitting"], said["aligned"]
    alone_level = limits.min_length_right if level is None else level
    # Where no other may vouch for it, a scan is judged by the level of one alone.
    vouched = vouched_in_sitting(data.features)
    in_level = np.where(vouched, limits.min_length_right_in_sitting, alone_level)
    in_level = in_level if level is None else np.full(vouched.size, level)
    good, wrong = data.length_right, ~data.length_right
    low, high = ALIGNED_TOLD
    told = (aligned <= low) | (aligned >= high)
    # Where a finding rejects, the second probability was not fitted and decides nothing.
    open_to_it = ~data.rejected
    rows = [("scans, of which right", f"{good.size}, {int(good.sum())}")]
    for words, values, level_of, among in (
        ("alone", alone, alone_level, np.ones_like(good)),
        ("with its sitting, no finding", right, in_level, open_to_it),
    ):
        *_, (least, most) = roc_band(values[among], good[among], data.sitting[among])
        accepted = (values >= level_of) & open_to_it
        rows += [
            (
                f"ROC area, right against wrong, a scan {words}",
                f"{roc_area(values[among], good[among]):.3f} ({least:.3f} to {most:.3f})",
            ),
            ("… right scans accepted, findings and all", _share(accepted, good)),
            ("… of the accepted, wrong", _share(wrong, accepted)),
        ]
    everything = (
        ("length right, alone", alone, good, data),
        (
            "length right, with the sitting, no finding",
            right[open_to_it],
            good[open_to_it],
            data.select(open_to_it),
        ),
        ("aligned", aligned, data.aligned, data),
    )
    for name, probability, outcome, part in everything:
        error = calibration_error(probability, outcome)
        chance = calibration_chance(probability, outcome, part.sitting)
        errors = kind_errors(probability, outcome, part)
        worst = max(errors, key=lambda kind: errors[kind])
        rows += [
            (
                f"calibration error, {name} (other sittings of as many)",
                f"{error:.3f} ({chance:.3f})",
            ),
            ("… largest within a kind of hand and method", f"{errors[worst]:.3f} ({worst})"),
        ]
    for method in ("immersion", "contact"):
        here = data.method == method
        area = roc_area(aligned[here], data.aligned[here])
        as_told = (aligned >= high) == data.aligned
        rows += [
            (f"ROC area, aligned, {method}", f"{area:.3f}"),
            (f"alignment told, {method}", _share(told, here)),
            (f"… and as told, {method}", _share(as_told, here & told)),
        ]
    return "\n".join(["| what | found |", "|---|---|", *(f"| {a} | {b} |" for a, b in rows)])


def main(arguments: list[str] | None = None) -> int:
    """Print how the two probabilities do.

    Parameters
    ----------
    arguments : list of str, optional
        Those of the process where it is None.

    Returns
    -------
    int
        0.

    Examples
    --------
    >>> main(["develop"])  # doctest: +ELLIPSIS
    | what | found |
    ...
    0
    """
    parser = argparse.ArgumentParser(
        description=main.__doc__, prog="python -m echotrace.fitting.score_report"
    )
    parser.add_argument("set", nargs="?", default="develop", help="a shipped set")
    parser.add_argument("--seed", type=int, help="of draws that are not shipped")
    parser.add_argument("--sittings", type=int, default=400)
    parser.add_argument("--traces", type=Path, help="folder in which their traces are kept")
    parser.add_argument("--workers", type=int, default=1)
    given = parser.parse_args(arguments)
    if given.seed is None:
        data = shipped_sets()[given.set]
    else:
        draws = {"new": DrawSet(given.seed, given.sittings)}
        data = make_sets(draws, traces=given.traces, workers=given.workers)["new"]
    print(score_report(data))  # noqa: T201
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
