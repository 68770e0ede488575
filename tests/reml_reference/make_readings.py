"""Write the studies that fit.R fits: ``python make_readings.py readings.csv``."""

from __future__ import annotations

import csv
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from reml_designs import LEVELS, random_study, told_apart
from test_repeatability import sittings

from echotrace.agreement.study import LABELS


def studies():
    """Name, values and factors of each study."""
    study = sittings(operators=4, operator_sd=0.1)
    codes = (
        study.group("subject"),
        study.group("subject", "eye"),
        study.group("operator"),
        study.group("subject", "eye", "operator"),
        study.group(*LABELS),
    )
    factors = told_apart(dict(zip(LEVELS, codes, strict=True)))
    yield "sittings of four operators", study.value, factors
    for kind, wanted in (("crossed", 26), ("nested", 10)):
        seed = 1000
        while wanted:
            seed += 1
            value, factors = random_study(seed, kind)
            if value.size <= 250 and len(factors) > 1:
                yield f"{kind} {seed}", value, factors
                wanted -= 1


if __name__ == "__main__":
    with Path(sys.argv[1]).open("w", newline="") as file:
        table = csv.writer(file)
        table.writerow(["study", *LEVELS, "value"])
        for name, value, factors in studies():
            for row, number in enumerate(value.tolist()):
                groups = (factors[k][row] if k in factors else "NA" for k in LEVELS)
                table.writerow([name, *groups, repr(number)])
