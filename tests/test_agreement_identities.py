"""Identities that agreement statistics must obey, and figures of general libraries."""

import math
import re

import numpy as np
import pytest
import scipy
from agreement_coverage import CONTACT, World, differences_of

from echotrace.agreement import reml as engine
from echotrace.agreement.apart import eyes_apart
from echotrace.agreement.compare import compare_methods
from echotrace.agreement.limits import limits_of_agreement
from echotrace.agreement.reml import fit_components
from echotrace.agreement.reml_likelihood import Likelihood
from echotrace.agreement.study import Study
from echotrace.errors import EstimationError


def test_differences_the_other_way_round_mirror_both_limits():
    d = np.random.default_rng(4).normal(-0.2, 0.1, 17)
    _, limits = limits_of_agreement(d)
    _, mirrored = limits_of_agreement(-d)
    for one, other in ((limits.lower, mirrored.upper), (limits.upper, mirrored.lower)):
        assert (one.low, one.value, one.high) == pytest.approx(
            (-other.high, -other.value, -other.low), rel=1e-12
        )
        assert one.low < one.value < one.high


def test_no_eye_of_nine_is_named_and_one_of_ten():
    """At most a tenth of the eyes."""
    d = np.append(0.1 * np.sin(np.arange(9.0)), 3.0)
    assert eyes_apart(d, "mm") == [9]
    assert eyes_apart(d[1:], "mm") == []


def test_ranked_regression_takes_one_mean_of_a_subject():
    """Both eyes of some subjects are off the line by as much to either side."""
    rng = np.random.default_rng(3)
    subject = np.repeat(np.arange(12), np.where(np.arange(12) % 3, 2, 1))
    both = np.bincount(subject)[subject] == 2
    eye = np.append(0, np.diff(subject) == 0)
    base = 21.0 + 0.5 * subject + 0.3 * both * (eye - 0.5)
    off = 0.05 * both * (eye - 0.5)
    study = Study(
        value=np.concatenate([1.5 + 0.9 * base + off, base]),
        subject=[f"S{k:02d}" for k in subject] * 2,
        eye=["left" if k else "right" for k in eye] * 2,
        method=["a"] * base.size + ["b"] * base.size,
        order=rng.permutation(2 * base.size),
    )
    line = compare_methods(study, n_bootstrap=0).passing_bablok
    assert line.slope.value == pytest.approx(0.9, rel=1e-9)
    assert line.intercept.value == pytest.approx(1.5, rel=1e-6)


def test_shape_of_differences_is_said_as_scipy_has_it():
    d = -0.2 + 0.1 * np.random.default_rng(2).exponential(size=40)
    length = np.linspace(21.0, 27.0, 40)
    study = Study(
        value=np.concatenate([length + d, length]),
        subject=[f"S{k:02d}" for k in range(40)] * 2,
        method=["a"] * 40 + ["b"] * 40,
    )
    (told,) = [x for x in compare_methods(study, n_bootstrap=0).warnings if "skewness" in x]
    found = re.search(r"skewness (\S+), excess kurtosis ([^\s)]+)", told)
    shape = [float(x.replace("−", "-")) for x in found.groups()]
    assert shape == pytest.approx([scipy.stats.skew(d), scipy.stats.kurtosis(d)], abs=0.006)


def test_both_eyes_of_a_subject_are_of_one_operator():
    """Subjects of their own, two eyes each: as with one eye, limits have intervals."""
    world = World(n_operators=4, n_subjects=24, design="nested", **CONTACT | {"two_eyes": True})
    study = world.draw(np.random.default_rng(5))
    assert len({*zip(study.subject, study.eye, strict=True)}) > 24
    found = differences_of(study)
    assert {item.operators for item in found.limits} == {"same operator"}
    for item in found.limits:
        assert item.lower.low < item.lower.value < item.lower.high


def test_a_small_spread_about_a_large_value_is_no_copy():
    """Readings that differ by 1e-5 about 1e6: a double holds 1e-10 of them."""
    rng = np.random.default_rng(1)
    groups = np.repeat(np.arange(8), 4)
    value = rng.normal(size=8)[groups] + 1e-5 * rng.normal(size=32)
    fit = fit_components(value + 1e6, [("subject", groups)])
    within = value.reshape(8, 4).var(axis=1, ddof=1).mean()
    between = value.reshape(8, 4).mean(axis=1).var(ddof=1) - within / 4.0
    np.testing.assert_allclose(fit.variance, [between, within], rtol=1e-3)


def test_what_is_left_of_the_deviance_decides_the_proof():
    """A millionth is allowed between a result and the foot of its parabola."""
    rng = np.random.default_rng(6)
    groups = np.repeat(np.arange(20), 5)
    value = rng.normal(size=20)[groups] + rng.normal(size=100)
    data = Likelihood((value - value.mean()) / value.std(), [groups])
    search = engine._Search(data, ("subject",))
    best = search.best()
    search.prove(best)
    for left, proven in ((0.3e-6, True), (3e-6, False)):
        step = math.sqrt(2.0 * left / best.curvature[0, 0])
        moved = search.point(best.t + step)
        assert moved.at.deviance - best.at.deviance == pytest.approx(left, rel=0.05)
        if proven:
            search.prove(moved)
        else:
            with pytest.raises(EstimationError, match="another spread between subject"):
                search.prove(moved)
