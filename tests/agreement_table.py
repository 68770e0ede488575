"""The table of digits against R and of coverage: ``python tests/agreement_table.py [N_DRAWS]``.

R is run where it is installed with lme4; otherwise the values that it gave are used, which
``agreement_reference/fit.R`` made of ``agreement_reference/readings.csv``. Coverage takes ten to
twenty minutes with 2000 draws (the default), and is left out with 0.
"""

from __future__ import annotations

import csv
import math
import shutil
import subprocess
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

import agreement_coverage

from echotrace.agreement.compare import compare_methods
from echotrace.agreement.limits import limits_of_agreement
from echotrace.agreement.results import Agreement
from echotrace.agreement.study import Study

FOLDER = Path(__file__).parent / "agreement_reference"


def has_r() -> bool:
    """Whether R is installed with lme4."""
    command = shutil.which("Rscript")
    if command is None:
        return False
    asked = subprocess.run(
        [command, "-e", "library(lme4)"], capture_output=True, check=False, timeout=120
    )
    return asked.returncode == 0


def reference(*, live: bool) -> dict[str, dict[str, float]]:
    """What R makes of each study: statistics by name, stored ones or of R as it is here."""
    path = FOLDER / "statistics.csv"
    with tempfile.TemporaryDirectory() as folder:
        if live:
            path = Path(folder) / "statistics.csv"
            command = ["Rscript", str(FOLDER / "fit.R"), str(FOLDER / "readings.csv"), str(path)]
            subprocess.run(command, check=True, capture_output=True, timeout=600)
        found: dict[str, dict[str, float]] = defaultdict(dict)
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                found[row["study"]][row["name"]] = float(row["value"])
    return found


def ours() -> dict[str, dict[str, float]]:
    """The same statistics of the same studies by the package."""
    rows = defaultdict(list)
    with (FOLDER / "readings.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            rows[row["study"]].append(row)
    found = {}
    for study, table in rows.items():
        readings = Study(
            value=[float(row["length_mm"]) for row in table],
            subject=[row["subject"] for row in table],
            method=[row["method"] for row in table],
            order=range(len(table)),
        )
        found[study] = _statistics(compare_methods(readings, margin_mm=0.3, n_bootstrap=0))
    return found


def _statistics(result: Agreement) -> dict[str, float]:
    out = {
        "bias": result.bias.value,
        "bias, low": result.bias.low,
        "bias, high": result.bias.high,
        "p for no bias": result.bias_p,
        "two one-sided tests, p": result.equivalence.p,
        "SD of differences": result.difference.std(ddof=1),
        "Shapiro-Wilk p": result.normality_p,
        "slope on average": result.slope_on_average.value,
        "Kendall's tau": result.difference_tau,
        "Kendall's tau, p": result.difference_tau_p,
        "concordance": result.concordance.value,
    }
    if result.repeatability_a is None:
        # Exact intervals; a comparison takes others where differences are not normal.
        limits = limits_of_agreement(result.difference)[1]
        return out | {
            "upper limit": limits.upper.value,
            "upper limit, low": limits.upper.low,
            "upper limit, high": limits.upper.high,
            "SD of differences, low": limits.sd.low,
            "SD of differences, high": limits.sd.high,
            "Deming slope": result.deming.slope.value,
        }
    icc, ratio = result.repeatability_a.icc["reading"], result.spread.ratio
    return out | {
        "repeatability SD": result.repeatability_a.within_sd.value,
        "SD of differences, single readings": result.limits_reading.sd.value,
        "ICC": icc.value,
        "ICC, low": icc.low,
        "ICC, high": icc.high,
        "ratio of SDs": ratio.value,
        "ratio of SDs, low": ratio.low,
        "ratio of SDs, high": ratio.high,
        "ratio of SDs, p": result.spread.p,
        "SD between subjects (lme4)": result.repeatability_a.components["subject"].value,
    }


def digits(found: dict[str, dict[str, float]], wanted: dict[str, dict[str, float]]):
    """For each statistic how many studies have it, and the digits that agree in the worst."""
    out: dict[str, list[float]] = defaultdict(list)
    for study, statistics in wanted.items():
        for name, value in statistics.items():
            error = abs(found[study][name] - value) / max(abs(value), 1e-300)
            out[name].append(16.0 if error == 0.0 else min(16.0, -math.log10(error)))
    return {name: (len(values), min(values)) for name, values in out.items()}


def main(n_draws: int = 2000) -> None:
    """Print both tables."""
    live = has_r()
    source = "R as it is here" if live else "R's values as stored"
    print(f"| statistic | studies | digits that agree with {source}, in the worst study |")
    print("|---|---|---|")
    for name, (n, worst) in digits(ours(), reference(live=live)).items():
        print(f"| {name} | {n} | {worst:.1f} |")
    if n_draws:
        print()
        agreement_coverage.main(n_draws)


if __name__ == "__main__":
    main(*(int(item) for item in sys.argv[1:]))
