"""Designs drawn at random: figures lie in their intervals whatever was measured by whom."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping

import numpy as np
import pytest

from echotrace.agreement.compare import compare_methods
from echotrace.agreement.study import Study
from echotrace.agreement.variance import Estimate

DRAWN = {
    "normal": lambda rng: rng.normal(),
    "heavy": lambda rng: rng.standard_t(3),
    "skewed": lambda rng: rng.exponential(),
}


def study(seed):
    """Two to 25 subjects, one to four operators, some rows missing, one to four readings."""
    rng = np.random.default_rng(seed)
    n, k = int(rng.integers(2, 26)), int(rng.integers(1, 5))
    draw = DRAWN[rng.choice(list(DRAWN))]
    design = rng.choice(["crossed", "nested", "gaps", "own"])
    decimals = int(rng.choice([1, 2, 3, 6]))
    rows = []
    for s in range(n):
        for eye in ["right", "left"] if rng.random() < 0.3 else ["right"]:
            length, difference = rng.normal(23.5, 1.2), rng.normal(-0.2, 0.1)
            operators = range(k)
            if design == "nested":
                operators = [s % k]
            elif design in ("gaps", "own"):
                operators = rng.choice(k, rng.integers(1, k + 1), replace=False)
            for operator in operators:
                for method in ("contact", "immersion"):
                    if rng.random() < 0.03:
                        continue
                    who = operator if design != "own" else int(method == "contact")
                    at = length + (difference if method == "contact" else 0.0)
                    for sitting in range(2 if rng.random() < 0.2 else 1):
                        labels = (f"S{s}", eye, method, f"o{who}", str(sitting))
                        rows += [
                            (*labels, round(at + 0.08 * draw(rng), decimals))
                            for _ in range(int(rng.integers(1, 5)))
                        ]
    names = ("subject", "eye", "method", "operator", "sitting", "value")
    columns = dict(zip(names, zip(*rows, strict=True), strict=True))
    return Study(**columns, order=range(len(rows)))


def estimates(item, path=""):
    """Every estimate in a result, and where it stands."""
    if isinstance(item, Estimate):
        yield path, item
    elif dataclasses.is_dataclass(item):
        for field in dataclasses.fields(item):
            yield from estimates(getattr(item, field.name), f"{path}.{field.name}")
    elif isinstance(item, Mapping):
        for key, value in item.items():
            yield from estimates(value, f"{path}[{key}]")
    elif isinstance(item, tuple):
        for k, value in enumerate(item):
            yield from estimates(value, f"{path}[{k}]")


# Operators of one subject each (42, 57); a level that one subject alone tells (2, 3); a mixed model
# whose figure lay outside the pivots' interval (14, 154); shares beyond 0 and 1 (9, 30, 188).
@pytest.mark.parametrize("seed", [0, 1, 2, 3, 9, 14, 30, 42, 57, 154, 188])
@pytest.mark.parametrize("intervals", ["by test", "wider"])
def test_every_figure_lies_in_its_interval(seed, intervals):
    result = compare_methods(study(seed), intervals=intervals, margin_mm=0.3, n_bootstrap=200)
    assert result.text()
    found = dict(estimates(result))
    assert len(found) > 10
    outside = {
        path: item
        for path, item in found.items()
        if item.low > item.value + 1e-9 or item.high < item.value - 1e-9
    }
    assert not outside
    for repeat in (result.repeatability_a, result.repeatability_b):
        if repeat is not None and repeat.reproducibility_sd is not None:
            assert repeat.reproducibility_sd.value >= repeat.within_sd.value
    assert all(
        math.isfinite(item.sd.value) and item.lower.value < item.upper.value
        for item in result.all_limits
    )
