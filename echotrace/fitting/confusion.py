"""Which findings each case raises: the matrix of cases and findings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrace.fitting.finding_cases import FINDING_CASES, MORE_CASES
from echotrace.fitting.score_sets import ScoreSet
from echotrace.fitting.trials import Trial
from echotrace.quality.finding_list import FINDINGS

__all__ = ["ConfusionMatrix", "confusion_of_findings", "error_centiles"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfusionMatrix:
    """Which findings each case raised.

    Attributes
    ----------
    done : tuple of str
        What was done to the trace; one a row.
    wanted : tuple of frozenset of str
        Findings of which each scan of a row must carry one; empty for a near miss.
    unwanted : tuple of str
        The finding that a near miss must not raise; empty for other rows.
    findings : tuple of str
        One a column.
    scans : int
        Scans of a row.
    raised : ndarray of int64, (n_rows, n_findings)
        Scans that raised each finding.
    rejected : ndarray of int64, (n_rows,)
        Scans that were not accepted.

    Examples
    --------
    >>> import numpy as np
    >>> matrix = ConfusionMatrix(
    ...     done=("lid shut",), wanted=(frozenset({"no_echo"}),), unwanted=("",),
    ...     findings=("no_echo",), scans=4, raised=np.array([[4]]), rejected=np.array([4]),
    ... )
    >>> matrix.count("lid shut", "no_echo")
    4
    """

    done: tuple[str, ...]
    wanted: tuple[frozenset[str], ...]
    unwanted: tuple[str, ...]
    findings: tuple[str, ...]
    scans: int
    raised: NDArray[np.int64]
    rejected: NDArray[np.int64]

    def count(self, done: str, finding: str) -> int:
        """Scans of a row that raised a finding.

        Parameters
        ----------
        done, finding : str

        Returns
        -------
        int
        """
        return int(self.raised[self.done.index(done), self.findings.index(finding)])

    def to_text(self) -> str:
        """The matrix as a table: columns numbered, their names below.

        Returns
        -------
        str
        """
        width = max(len(name) for name in self.done)
        numbers = "".join(f"{k + 1:>3d}" for k in range(len(self.findings)))
        lines = [
            f"Scans of {self.scans} that raised a finding, by what was done to the trace; "
            "in brackets what must (or, after 'not', must not) be raised.",
            "",
            f"{'':<{width}} {numbers} rejected",
        ]
        for row, name in enumerate(self.done):
            cells = "".join("  ·" if value == 0 else f"{value:>3d}" for value in self.raised[row])
            names = sorted(self.findings.index(item) + 1 for item in self.wanted[row])
            asked = f"[{' or '.join(map(str, names))}]"
            if self.unwanted[row]:
                asked = f"[not {self.findings.index(self.unwanted[row]) + 1}]"
            lines.append(f"{name:<{width}} {cells} {self.rejected[row]:>8d} {asked}")
        lines += ["", *(f"{k + 1:>3d} {name}" for k, name in enumerate(self.findings))]
        return "\n".join(lines)


def confusion_of_findings(scans: int = 4) -> ConfusionMatrix:
    """Make and measure every case and near miss.

    Parameters
    ----------
    scans : int
        Scans of each.

    Returns
    -------
    ConfusionMatrix

    Examples
    --------
    >>> print(confusion_of_findings(1).to_text())  # doctest: +SKIP
    """
    rows: list[tuple[Trial, frozenset[str], str]] = []
    rows += [(item.case, frozenset({item.finding}), "") for item in FINDING_CASES.values()]
    rows += [(trial, wanted, "") for trial, wanted in MORE_CASES]
    rows += [(item.near_miss, frozenset(), item.finding) for item in FINDING_CASES.values()]
    names = tuple(FINDINGS)
    raised = np.zeros((len(rows), len(names)), np.int64)
    rejected = np.zeros(len(rows), np.int64)
    # One spoilt scan is measured among as many good ones.
    among = {item.case.done for item in FINDING_CASES.values() if item.alone}
    for row, (trial, _, _) in enumerate(rows):
        result = trial.measured(scans + (trial.done in among))
        raised[row] = [int(result.has_finding(name).sum()) for name in names]
        rejected[row] = int((~result.accepted).sum())
    return ConfusionMatrix(
        done=tuple(trial.done for trial, _, _ in rows),
        wanted=tuple(wanted for _, wanted, _ in rows),
        unwanted=tuple(unwanted for _, _, unwanted in rows),
        findings=names,
        scans=scans,
        raised=raised,
        rejected=rejected,
    )


def error_centiles(data: ScoreSet, *, least: int = 100) -> dict[str, float]:
    """Length error of the traces that raised each finding: 90th centile of its size, mm.

    What else was wrong with those traces counts too: this ranks findings, it explains none.

    Parameters
    ----------
    data : ScoreSet
        From :func:`echotrace.fitting.score_sets.make_sets`.
    least : int
        Findings raised by fewer traces with a length are left out.

    Returns
    -------
    dict of str to float
        mm, by the finding's name.

    Examples
    --------
    >>> from echotrace.fitting.score_sets import shipped_sets
    >>> found = error_centiles(shipped_sets()["fit"])
    >>> found["no_wall_behind_retina"] > found["chamber_shallow"]
    True
    """
    size = np.abs(data.error_mm)
    found = {}
    for k, name in enumerate(FINDINGS):
        has = (data.findings >> np.uint64(k) & np.uint64(1)).astype(bool) & np.isfinite(size)
        if has.sum() >= least:
            found[name] = float(np.quantile(size[has], 0.9))
    return found
