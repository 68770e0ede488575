"""Make ``readings.csv``: twenty invented studies, ten of pairs and ten with three readings each.

``python tests/agreement_reference/make_readings.py``; then, in this folder,
``Rscript fit.R readings.csv statistics.csv``.
"""

import csv
from pathlib import Path

import numpy as np


def main() -> None:
    """Write the table beside this file."""
    rng = np.random.default_rng(20260711)
    rows = []
    for study in range(20):
        n, m = int(rng.integers(8, 33)), 1 if study < 10 else 3
        for subject in range(n):
            length, shift = rng.normal(23.5, 1.2), rng.normal(-0.2, 0.12)
            for method, offset, sd in (("contact", shift, 0.13), ("immersion", 0.0, 0.05)):
                for value in length + offset + sd * rng.normal(size=m):
                    rows.append((f"{study:02d}", f"S{subject:02d}", method, f"{value:.6f}"))
    path = Path(__file__).with_name("readings.csv")
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("study", "subject", "method", "length_mm"))
        writer.writerows(rows)


if __name__ == "__main__":
    main()
