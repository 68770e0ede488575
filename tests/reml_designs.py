"""Random crossed and nested studies for holding the restricted likelihood against other engines."""

from __future__ import annotations

import numpy as np

LEVELS = ("subject", "eye", "operator", "cell", "sitting")


def random_study(seed, kind="crossed"):
    """Readings of a study drawn at random, and the factors that a model of it has.

    Four to 60 subjects, one or two eyes, two to five operators, unequal numbers of readings,
    missing cells; spreads from nil to large, those of eyes by operators mostly tiny.

    Returns
    -------
    value : ndarray of float64, (n,)
    factors : dict of str to ndarray of int, (n,)
    """
    rng = np.random.default_rng([seed, kind == "nested"])
    n_subjects = int(rng.integers(4, 61))
    n_operators = int(rng.integers(2, 6)) if kind == "crossed" else 1
    two_eyes, several = rng.random() < 0.5, rng.random() < 0.6
    gone = rng.choice([0.0, 0.1, 0.4])
    sd_subject = rng.choice([0.0, 0.3, 1.2])
    sd_eye = rng.choice([0.0, 0.02, 0.3])
    sd_operator = rng.choice([0.0, 0.005, 0.05, 0.3])
    sd_cell = rng.choice([0.0, 0.003, 0.02, 0.1])
    sd_sitting = rng.choice([0.0, 0.01, 0.08])
    sd_reading = rng.choice([0.005, 0.05, 0.12])
    most = int(rng.integers(2, 7))
    bias = rng.normal(0.0, 1.0, n_operators) * sd_operator
    rows, value = [], []
    eye = cell = sitting = 0
    for s in range(n_subjects):
        length = 23.5 + sd_subject * rng.normal()
        for _ in range(int(rng.integers(1, 3)) if two_eyes else 1):
            of_eye = length + sd_eye * rng.normal()
            for o in range(n_operators):
                if rng.random() < gone:
                    continue
                here = of_eye + bias[o] + sd_cell * rng.normal()
                for _ in range(int(rng.integers(1, 4)) if several else 1):
                    mean = here + sd_sitting * rng.normal()
                    for _ in range(int(rng.integers(1, most + 1))):
                        rows.append((s, eye, o, cell, sitting))
                        value.append(mean + sd_reading * rng.normal())
                    sitting += 1
                cell += 1
            eye += 1
    factors = dict(zip(LEVELS, np.array(rows, np.intp).T, strict=True))
    return np.array(value), told_apart(factors)


def told_apart(factors):
    """The factors that a model can hold: more than one group, each finer than the one before."""
    n_groups = {name: np.unique(codes).size for name, codes in factors.items()}
    kept, last = {}, 1
    for name in ("subject", "eye", "cell", "sitting"):
        if last < n_groups[name] < factors[name].size:
            kept[name], last = factors[name], n_groups[name]
    if n_groups["operator"] > 1:
        kept["operator"] = factors["operator"]
    return kept
