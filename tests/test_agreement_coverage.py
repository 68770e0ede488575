"""Do 95 % intervals hold the truth 95 times in 100? Minutes of simulation, so marked slow."""

from __future__ import annotations

import math

import numpy as np
import pytest

from echotrace.agreement.compare import compare_methods
from echotrace.agreement.limits import Z_LIMITS
from echotrace.agreement.study import Study

N_DRAWS = 2000
SUBJECT, EYE, DIFFERENCE, EYE_DIFFERENCE, CONTACT, IMMERSION = 1.2, 0.2, 0.10, 0.06, 0.13, 0.05
BIAS = -0.2


def draw(rng, n_subjects, fewest, most, two_eyes):
    subject, eye, method, value = [], [], [], []
    for s in range(n_subjects):
        length, shift = 23.5 + rng.normal(0, SUBJECT), rng.normal(0, DIFFERENCE)
        for e in range(2 if two_eyes and s % 3 else 1):
            here = length + rng.normal(0, EYE)
            difference = shift + rng.normal(0, EYE_DIFFERENCE)
            for name, offset, sd in (
                ("contact", BIAS + difference, CONTACT),
                ("immersion", 0.0, IMMERSION),
            ):
                n = int(rng.integers(fewest, most + 1))
                subject += [f"S{s}"] * n
                eye += [f"{e}"] * n
                method += [name] * n
                value.append(here + offset + sd * rng.normal(size=n))
    return Study(value=np.concatenate(value), subject=subject, eye=eye, method=method)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("seed", "n_subjects", "fewest", "most", "two_eyes"),
    [(1, 20, 1, 1, False), (2, 30, 3, 5, False), (3, 12, 3, 5, False), (4, 30, 3, 5, True)],
    ids=["single pairs", "replicates", "few subjects", "two eyes of most subjects"],
)
def test_intervals_hold_the_truth(seed, n_subjects, fewest, most, two_eyes):
    rng = np.random.default_rng(seed)
    difference = DIFFERENCE**2 + EYE_DIFFERENCE**2
    inverse = np.mean([1.0 / n for n in range(fewest, most + 1)])
    of_means = math.sqrt(difference + (CONTACT**2 + IMMERSION**2) * inverse)
    of_readings = math.sqrt(difference + CONTACT**2 + IMMERSION**2)
    between = SUBJECT**2 + EYE**2 + difference
    truth = {
        "bias": BIAS,
        "lower": BIAS - Z_LIMITS * of_means,
        "upper": BIAS + Z_LIMITS * of_means,
        "deming": 1.0,
    }
    if most > 1:
        truth |= {
            "lower, readings": BIAS - Z_LIMITS * of_readings,
            "upper, readings": BIAS + Z_LIMITS * of_readings,
            "icc": between / (between + CONTACT**2),
            "ratio": CONTACT / IMMERSION,
            "ratio, F": CONTACT / IMMERSION,
            "within": CONTACT,
        }
    held = dict.fromkeys(truth, 0)
    for _ in range(N_DRAWS):
        result = compare_methods(draw(rng, n_subjects, fewest, most, two_eyes), n_bootstrap=0)
        found = {
            "bias": result.bias,
            "lower": result.limits.lower,
            "upper": result.limits.upper,
            "deming": result.deming.slope,
        }
        if most > 1:
            found |= {
                "lower, readings": result.limits_reading.lower,
                "upper, readings": result.limits_reading.upper,
                "icc": result.repeatability_a.icc["reading"],
                "ratio": result.spread.ratio,
                "ratio, F": result.spread.ratio_f,
                "within": result.repeatability_a.within_sd,
            }
        for name, estimate in found.items():
            held[name] += estimate.low <= truth[name] <= estimate.high
    share = {name: count / N_DRAWS for name, count in held.items()}
    # A true 0.97 (single readings of 12 subjects) lies above it in half of all runs of 2,000 draws.
    scatter = math.sqrt(0.97 * 0.03 / N_DRAWS)
    wrong = {
        name: value for name, value in share.items() if not 0.93 <= value <= 0.97 + 2 * scatter
    }
    assert not wrong


@pytest.mark.slow
def test_a_shared_difficulty_of_eyes_breaks_the_f_interval_but_not_the_jackknife():
    rng = np.random.default_rng(5)
    held = {"jackknife": 0, "F": 0}
    n, m = 40, 4
    from echotrace.agreement.spreads import spread_ratio

    for _ in range(N_DRAWS):
        studies = []
        for sd in (CONTACT, IMMERSION):
            spread = sd * np.repeat(np.exp(rng.normal(0, 0.4, n)), m)
            studies.append(
                Study(
                    value=23.5 + spread * rng.normal(size=n * m),
                    subject=np.repeat([f"S{k}" for k in range(n)], m).tolist(),
                    method=f"m{sd}",
                )
            )
        result = spread_ratio(*studies, n_bootstrap=0)
        truth = CONTACT / IMMERSION
        held["jackknife"] += result.ratio.low <= truth <= result.ratio.high
        held["F"] += result.ratio_f.low <= truth <= result.ratio_f.high
    assert 0.92 <= held["jackknife"] / N_DRAWS <= 0.97
    assert held["F"] / N_DRAWS < 0.90
