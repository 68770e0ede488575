"""Published data sets that more than one test of the statistics uses, each with its source."""

from __future__ import annotations

import numpy as np

from echotrace.agreement.study import Study

# Bland & Altman 1986, Lancet 327:307, table 1: peak expiratory flow (l/min) of 17 subjects, two
# readings by each of two meters. Value from memory; reproduces the published mean difference,
# SD, correlation and both repeatability coefficients.
LARGE_1 = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
LARGE_2 = [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]
MINI_1 = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
MINI_2 = [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443]


def peak_flow(n_readings: int = 2) -> Study:
    values = [*LARGE_1, *LARGE_2, *MINI_1, *MINI_2]
    rows = np.arange(68)
    keep = rows % 34 < 17 * n_readings
    study = Study(
        value=values,
        subject=[f"P{k % 17 + 1:02d}" for k in rows],
        method=["large"] * 34 + ["mini"] * 34,
        order=rows // 17,
        unit="l/min",
    )
    return study.select(keep)


# Bland & Altman 1999, Stat Methods Med Res 8:135, table 4: cardiac output (l/min) of 12 subjects,
# 60 pairs of readings by radionuclide ventriculography and impedance cardiography. Value from
# memory; reproduces the published mean difference and variances, and the first four subjects the
# limits and intervals that Zou 2013, Stat Methods Med Res 22:630, publishes for them.
_CARDIAC = """
7.83 6.57, 7.42 5.62, 7.89 6.90, 7.12 6.57, 7.88 6.35
6.16 4.06, 7.26 4.29, 6.71 4.26, 6.54 4.09
4.75 4.71, 5.24 5.50, 4.86 5.08, 4.78 5.02, 6.05 6.01, 5.42 5.67
4.21 4.14, 3.61 4.20, 3.72 4.61, 3.87 4.68, 3.92 5.04
3.13 3.03, 2.98 2.86, 2.85 2.77, 3.17 2.46, 3.09 2.32, 3.12 2.43
5.92 5.90, 6.42 5.81, 5.92 5.70, 6.27 5.76
7.13 5.09, 6.62 4.63, 6.58 4.61, 6.93 5.09
4.54 4.72, 4.81 4.61, 5.11 4.36, 5.29 4.20, 5.39 4.36, 5.57 4.20
4.48 3.17, 4.92 3.12, 3.97 2.96
4.22 4.35, 4.65 4.62, 4.74 3.16, 4.44 3.53, 4.50 3.53
6.78 7.20, 6.07 6.09, 6.52 7.00, 6.42 7.10, 6.41 7.40, 5.76 6.80
5.06 4.50, 4.72 4.20, 4.90 3.80, 4.80 3.80, 4.90 4.20, 5.10 4.50
"""


def cardiac_output(n_subjects: int = 12) -> Study:
    subject, a, b = [], [], []
    for k, line in enumerate(_CARDIAC.strip().splitlines()[:n_subjects]):
        for pair in line.split(","):
            first, second = pair.split()
            subject.append(f"C{k + 1:02d}")
            a.append(float(first))
            b.append(float(second))
    return Study(
        value=a + b,
        subject=subject * 2,
        method=["RV"] * len(a) + ["IC"] * len(b),
        order=np.arange(2 * len(a)),
        unit="l/min",
    )


# Shrout & Fleiss 1979, Psychological Bulletin 86:420, table 2: 6 targets, 4 judges. Value from
# memory; reproduces all six published coefficients.
SHROUT_FLEISS = [
    [9, 2, 5, 8],
    [6, 1, 3, 2],
    [8, 4, 6, 8],
    [7, 1, 2, 6],
    [10, 5, 6, 9],
    [6, 2, 4, 7],
]


# NIST Statistical Reference Datasets, one-way analysis of variance (itl.nist.gov/div898/strd).
SIRSTV = """
196.3052 196.1240 196.1890 196.2569 196.3403 196.3042 196.3825 196.1669 196.3257 196.0422
196.1303 196.2005 196.2889 196.0343 196.1811 196.2795 196.1748 196.1494 196.1485 195.9885
196.2119 196.1051 196.1850 196.0052 196.2090
"""
# Atomic weight of silver: 107.8681568 and so on; the first five digits are those of all values.
ATMWTAG = """
81568 81465 81572 81785 81446 81903 81526 81494 81616 81587 81519 81486 81419 81569 81508 81672
81385 81518 81662 81424 81360 81333 81610 81477 81079 81344 81513 81197 81604 81385 81642 81365
81151 81082 81517 81448 81198 81482 81334 81609 81101 81512 81469 81360 81254 81261 81450 81368
"""


def simon_lesage(leading: int, n_per_group: int) -> np.ndarray:
    """Sets SmLs01 to SmLs09 by their construction (Simon & Lesage 1989, Am Stat 43:13).

    Nine treatments about 1.4, 1.3, 1.5, 1.3, …; each has its centre once, then alternately a tenth
    less and a tenth more; ``leading``, where given, takes the place of the 1.
    """
    tenths = []
    for centre in (14, 13, 15, 13, 15, 13, 15, 13, 15):
        step = np.tile([-1, 1], n_per_group // 2)
        tenths.append(np.concatenate([[0], step])[:n_per_group] + centre)
    # Digits are put together before they become a number, as in the published files.
    return np.array([[float(f"{leading or 1}.{int(v) % 10}") for v in group] for group in tenths])


# Davies & Goldsmith 1972, Statistical Methods in Research and Production: strength of a paste, 10
# batches, 3 casks of each, 2 tests of each; as carried by statsmodels' tests with R lme4's results.
PASTES = """
62.8 62.6 60.1 62.3 62.7 63.1 60 61.4 57.5 56.9 61.1 58.9 58.7 57.5 63.9 63.1 65.4 63.7 57.1 56.4
56.9 58.6 64.7 64.5 55.1 55.1 54.7 54.2 58.8 57.5 63.4 64.9 59.3 58.1 60.5 60 62.5 62.6 61 58.7
56.9 57.7 59.2 59.4 65.2 66 64.8 64.1 54.8 54.8 64 64 57.7 56.8 58.3 59.3 59.2 59.2 58.9 56.6
"""


def numbers(text: str) -> np.ndarray:
    return np.array([float(item) for item in text.split()])
