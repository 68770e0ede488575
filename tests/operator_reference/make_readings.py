"""Invented cells of eyes and operators, one reading each, for `../reml_reference/fit.R` to fit.

`python make_readings.py` writes readings.csv: of every design the readings by A, by B and their
differences. They are drawn once and kept; the tests read the file.
"""

import csv
import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from agreement_coverage import COMMON, CONTACT, World  # noqa: E402

SINGLE = {"fewest": 1, "most": 1}
DESIGNS = {
    "crossed": World(n_operators=3, n_subjects=15, **COMMON, **SINGLE),
    "gaps": World(n_operators=4, n_subjects=20, design="gaps", two_eyes=True, **CONTACT, **SINGLE),
    "nested": World(n_operators=4, n_subjects=24, design="nested", **CONTACT, **SINGLE),
}


def main() -> None:
    """Write the file."""
    with (HERE / "readings.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["study", "subject", "eye", "cell", "sitting", "operator", "value"])
        for seed, (name, world) in enumerate(DESIGNS.items(), start=71):
            study = world.draw(np.random.default_rng(seed))
            cells: dict[tuple[str, str, str], dict[str, float]] = {}
            for k in range(study.n_readings):
                key = (study.subject[k], study.eye[k], study.operator[k])
                cells.setdefault(key, {})[study.method[k]] = round(float(study.value[k]), 6)
            for part in ("a", "b", "d"):
                for (subject, eye, operator), found in cells.items():
                    a, b = found["contact"], found["immersion"]
                    value = {"a": a, "b": b, "d": round(a - b, 6)}[part]
                    eye_code = f"{subject}{eye}" if world.two_eyes else "NA"
                    writer.writerow(
                        [f"{name} {part}", subject, eye_code, "NA", "NA", operator, value]
                    )


if __name__ == "__main__":
    main()
