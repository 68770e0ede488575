"""Plans agree with the analyses that will be run: power by formula against the tool's own tests."""

from __future__ import annotations

import math

import numpy as np
import pytest

from echotrace.agreement.limits import limits_of_agreement
from echotrace.agreement.sample_size import (
    equivalence_power,
    eyes_for_spread_ratio,
    limits_power,
    spread_heterogeneity,
    spread_ratio_power,
    subjects_for_equivalence,
)
from echotrace.agreement.spreads import spread_ratio
from echotrace.agreement.study import Study
from echotrace.errors import ParameterError
from echotrace.figures.plans import power_plot


def studies(rng, ratio, n, m, h, shared=0.0):
    """Two methods whose spread differs between eyes by a lognormal factor."""
    factors = rng.multivariate_normal([0, 0], [[1, shared], [shared, 1]], n)
    length = np.repeat(rng.normal(23.5, 1.2, n), m)
    return [
        Study(
            value=length + sd * np.repeat(np.exp(h * factors[:, k]), m) * rng.normal(size=n * m),
            subject=np.repeat([f"S{j}" for j in range(n)], m).tolist(),
            method=f"m{k}",
        )
        for k, sd in enumerate((0.05 * ratio, 0.05))
    ]


def reached(seed, n_draws, ratio, n, m, h, shared=0.0):
    rng = np.random.default_rng(seed)
    p = [spread_ratio(*studies(rng, ratio, n, m, h, shared), n_bootstrap=0).p
         for _ in range(n_draws)]  # fmt: skip
    return float(np.mean(np.array(p) < 0.05))


@pytest.mark.parametrize(("h", "shared"), [(0.0, 0.0), (0.4, 0.0), (0.4, 0.8)])
def test_power_of_a_ratio_is_that_of_the_tools_own_test(h, shared):
    expected = spread_ratio_power(1.4, 30, 5, heterogeneity=h, shared=shared)
    # 0.1 is three standard errors of a share of 250 and what the delta method leaves out.
    assert reached(1, 250, 1.4, 30, 5, h, shared) == pytest.approx(expected, abs=0.1)


PLANS = [(1.25, 0.4, 0.0), (1.5, 0.4, 0.0), (1.5, 0.65, 0.5), (2.0, 0.65, 0.0), (1.25, 0.0, 0.0)]


@pytest.mark.slow
@pytest.mark.parametrize(("ratio", "h", "shared"), PLANS)
def test_a_plan_for_ninety_percent_reaches_it(ratio, h, shared):
    n = eyes_for_spread_ratio(ratio, 5, heterogeneity=h, shared=shared)
    # 0.88 to 0.92 and two standard errors of a share of 1,500.
    assert 0.865 <= reached(2, 1500, ratio, n, 5, h, shared) <= 0.935


def test_the_delta_method_for_very_many_eyes_agrees_with_simulation(monkeypatch):
    from echotrace.agreement import spread_power

    given = 0.1, 800, (5, 5), 0.05, (0.3, 0.3), 0.2
    simulated = spread_power.ratio_test_power(*given)
    monkeypatch.setattr(spread_power, "_MOST_SIMULATED", 0)
    assert spread_power.ratio_test_power.__wrapped__(*given) == pytest.approx(simulated, abs=0.03)


@pytest.mark.parametrize("limits", [False, True])
def test_a_plan_for_equivalence_reaches_ninety_percent_by_the_tools_own_verdict(limits):
    from echotrace.agreement.equivalence import equivalence

    sd, margin, bias = 0.12, 0.4 if limits else 0.1, 0.02
    n = subjects_for_equivalence(margin, sd, bias=bias, limits=limits)
    rng, shown = np.random.default_rng(7), []
    for _ in range(1000):
        d = rng.normal(bias, sd, n)
        found, of = limits_of_agreement(d)
        error = d.std(ddof=1) / math.sqrt(n)
        verdict = equivalence(found.value, error, n - 1.0, [of], margin, 0.95)
        shown.append(verdict.equivalent[f"limits of {of.label}" if limits else "bias"])
    # 0.88 to 0.92 and two standard errors of a share of 1,000.
    assert 0.861 <= np.mean(shown) <= 0.939


def test_heterogeneity_of_a_large_pilot_is_found():
    a, b = studies(np.random.default_rng(3), 2.0, 4000, 6, 0.4, 0.7)
    (h_a, h_b), shared = spread_heterogeneity(a, b)
    assert h_a == pytest.approx(0.4, abs=0.05)
    assert h_b == pytest.approx(0.4, abs=0.05)
    assert shared == pytest.approx(0.7, abs=0.15)
    # Eyes that scatter by one method are steady by the other.
    _, shared = spread_heterogeneity(*studies(np.random.default_rng(6), 2.0, 4000, 6, 0.4, -0.7))
    assert shared == pytest.approx(-0.7, abs=0.15)
    alike = spread_heterogeneity(*studies(np.random.default_rng(4), 2.0, 4000, 6, 0.0))
    assert max(alike[0]) < 0.12
    with pytest.raises(ParameterError, match="five at least"):
        spread_heterogeneity(*studies(np.random.default_rng(5), 2.0, 4, 6, 0.0))


@pytest.mark.parametrize(("bias", "n"), [(0.0, 15), (0.04, 40)])
def test_power_of_equivalence_and_of_limits_agrees_with_simulation(bias, n):
    from scipy import stats

    d = np.random.default_rng(6).normal(bias, 0.12, (20000, n))
    mean, sd = d.mean(axis=1), d.std(axis=1, ddof=1)
    half = stats.t.ppf(0.95, n - 1) * sd / math.sqrt(n)
    share = np.mean((mean - half > -0.1) & (mean + half < 0.1))
    assert equivalence_power(0.1, 0.12, n, bias=bias) == pytest.approx(share, abs=0.012)
    # The factor of the outer end of a limit, from the analysis itself.
    found, limits = limits_of_agreement(d[0])
    outer = (limits.upper.high - found.value) / sd[0]
    share = np.mean((mean - outer * sd > -0.36) & (mean + outer * sd < 0.36))
    assert limits_power(0.36, 0.12, n, bias=bias) == pytest.approx(share, abs=0.012)


def test_what_cannot_be_shown_is_refused():
    with pytest.raises(ParameterError, match="no study can show it"):
        subjects_for_equivalence(0.1, 0.1, bias=0.1)
    with pytest.raises(ParameterError, match=r"limits reach 0\.235"):
        subjects_for_equivalence(0.2, 0.12, limits=True)
    with pytest.raises(ParameterError, match="heterogeneity"):
        spread_ratio_power(1.5, 20, 5, heterogeneity=-0.1)
    with pytest.raises(ParameterError, match="margin"):
        equivalence_power(-0.1, 0.1, 20)


def test_heavy_work_of_a_plan_is_kept():
    from echotrace.agreement.spread_power import ratio_test_power

    spread_ratio_power(1.7, 21, 5)
    before = ratio_test_power.cache_info().hits
    spread_ratio_power(1.7, 21, 5)
    assert ratio_test_power.cache_info().hits == before + 1


def test_power_curves_are_those_of_the_function():
    counts = [10, 40, 80]
    ax = power_plot({"alike": lambda n: spread_ratio_power(1.5, n, 5, heterogeneity=0.0),
                     "as published": lambda n: spread_ratio_power(1.5, n, 5)}, counts)  # fmt: skip
    drawn = [line for line in ax.lines if line.get_label() == "as published"]
    np.testing.assert_allclose(
        drawn[0].get_ydata(), [spread_ratio_power(1.5, n, 5) for n in counts]
    )
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["alike", "as published"]
