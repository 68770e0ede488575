"""Quantiles and the line against scipy.stats, a general-purpose reference library."""

import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from echotrace.distributions import (
    chi_square_quantile,
    line_through,
    normal_quantile,
    t_cdf,
    t_quantile,
)

P = st.floats(1e-6, 1.0 - 1e-6)
DOF = st.floats(0.5, 1e6)


@given(P, DOF)
def test_quantiles_are_those_of_the_reference_library(p, dof):
    assert normal_quantile(p) == pytest.approx(scipy.stats.norm.ppf(p), rel=1e-9, abs=1e-12)
    assert float(t_quantile(p, dof)) == pytest.approx(scipy.stats.t.ppf(p, dof), rel=1e-7, abs=1e-9)
    assert chi_square_quantile(p, dof) == pytest.approx(scipy.stats.chi2.ppf(p, dof), rel=1e-7)
    x = float(t_quantile(p, dof))
    assert float(t_cdf(x, dof)) == pytest.approx(scipy.stats.t.cdf(x, dof), rel=1e-7)


def test_published_quantiles():
    """NIST/SEMATECH e-Handbook of Statistical Methods, tables 1.3.6.7.2 and 1.3.6.7.4."""
    assert float(t_quantile(0.975, 10)) == pytest.approx(2.228, abs=5e-4)
    assert float(t_quantile(0.95, 1)) == pytest.approx(6.314, abs=5e-4)
    assert chi_square_quantile(0.95, 10) == pytest.approx(18.307, abs=5e-4)
    assert chi_square_quantile(0.05, 10) == pytest.approx(3.940, abs=5e-4)


def test_without_end_of_degrees_of_freedom_student_is_normal():
    dof = np.array([4.0, math.inf])
    assert t_quantile(0.975, dof) == pytest.approx([2.7764451, 1.9599640], abs=1e-6)


@given(st.integers(0, 10_000), st.integers(3, 30))
def test_line_is_that_of_the_reference_library(seed, n):
    rng = np.random.default_rng(seed)
    x, y = rng.normal(size=n), rng.normal(size=n)
    line, known = line_through(x, y), scipy.stats.linregress(x, y)
    assert line.slope == pytest.approx(known.slope, rel=1e-9)
    assert line.intercept == pytest.approx(known.intercept, rel=1e-9, abs=1e-12)
    assert line.slope_error == pytest.approx(known.stderr, rel=1e-6)
    assert line.p_value == pytest.approx(known.pvalue, rel=1e-6, abs=1e-12)


def test_a_line_that_fits_and_lines_that_cannot_be_told():
    line = line_through(np.array([0.0, 1.0, 2.0]), np.array([1.0, 3.0, 5.0]))
    assert (line.slope, line.intercept, line.slope_error, line.p_value) == (2.0, 1.0, 0.0, 0.0)
    two = line_through(np.array([0.0, 1.0]), np.array([1.0, 3.0]))
    assert two.slope == 2.0
    assert math.isnan(two.slope_error)
    assert math.isnan(two.p_value)
    for x in (np.ones(3), np.ones(1)):
        with pytest.raises(ValueError, match="two points that lie apart"):
            line_through(x, x)
