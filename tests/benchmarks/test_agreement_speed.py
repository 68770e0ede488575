"""Speed of a study of 100,000 readings, as a ratio to sorting its labels in the same process.

Run with ``pytest tests/benchmarks``; not part of the default suite.
"""

from __future__ import annotations

import numpy as np
import pytest

from echotrace.agreement.compare import compare_methods
from echotrace.agreement.study import Study

N_EYES = 10_000


@pytest.fixture(scope="module")
def study():
    rng = np.random.default_rng(0)
    rows = np.arange(N_EYES * 10)
    eye, contact = rows // 10, rows % 10 < 5
    length = (rng.normal(23.5, 1.2, N_EYES // 2)[:, None] + rng.normal(0, 0.2, (1, 2))).ravel()
    value = length[eye] - 0.2 * contact + np.where(contact, 0.13, 0.05) * rng.normal(size=rows.size)
    return Study(
        value=value,
        subject=[f"S{k // 2}" for k in eye],
        eye=["right" if k % 2 else "left" for k in eye],
        method=["contact" if c else "immersion" for c in contact],
        order=rows,
    )


def test_reference_sorting_the_labels(benchmark, study):
    benchmark(lambda: np.unique(np.array(list(study.subject)), return_inverse=True))


@pytest.mark.parametrize("n_bootstrap", [0, 2000])
def test_whole_comparison(benchmark, study, n_bootstrap):
    result = benchmark.pedantic(
        compare_methods, args=(study,), kwargs={"n_bootstrap": n_bootstrap}, rounds=1
    )
    assert result.n_eyes == N_EYES
