"""Studies that nothing can be concluded from are refused, each in words of its own."""

import dataclasses

import numpy as np
import pytest
from invented import sitting_of

import echotrace as et
from echotrace.agreement.reml import fit_components
from echotrace.agreement.repeatability import repeatability
from echotrace.agreement.spreads import spread_ratio
from echotrace.agreement.study import Study
from echotrace.errors import EstimationError, ParameterError

EYES = np.repeat(list("abcdef"), 4)
METHODS = ["contact", "contact", "immersion", "immersion"] * 6
NOISE = 0.05 * np.random.default_rng(3).standard_normal(24)


def study(value, subject=EYES, method=METHODS, **more):
    more.setdefault("order", np.arange(len(value)))
    return Study(value=value, subject=subject, method=method, **more)


def test_a_study_of_these_readings_is_taken():
    result = et.compare_methods(study(23.5 + NOISE), n_bootstrap=0)
    assert result.n_eyes == 6


def exactly_apart():
    value = np.repeat(23.0 + np.arange(6.0), 4) + np.tile([0.0, 0.25, 0.5, 0.75], 6)
    return study(value)


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (lambda: study(np.full(24, 23.5)), "all readings are identical"),
        (exactly_apart, "differ by exactly -0.5 mm in every eye"),
        (lambda: study(23.5 + NOISE, method=["x", "y", "z", "z"] * 6), "say which two methods"),
        (lambda: study(23.5 + NOISE, method="contact"), "a second method is needed"),
        (lambda: study(23.5 + NOISE, subject="a"), "one subject only"),
        (lambda: study(23.5 + NOISE, subject=[*"a" * 23, "b"]), "one subject only"),
    ],
)
def test_methods_that_cannot_be_compared(made, says):
    with pytest.raises(ParameterError, match=says):
        et.compare_methods(made(), n_bootstrap=0)


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (lambda: study(23.5 + NOISE), "say which method"),
        (lambda: study(np.full(24, 23.5), method="contact"), "24 readings are identical"),
        (
            lambda: study(23.5 + NOISE, subject=[f"s{k}" for k in range(24)], method="contact"),
            "every sitting has one reading",
        ),
    ],
)
def test_readings_that_say_nothing_of_repeatability(made, says):
    with pytest.raises(ParameterError, match=says):
        repeatability(made())


def test_spreads_that_cannot_be_compared():
    sound = study(23.5 + NOISE, method="contact")
    single = study(23.5 + NOISE, subject=[f"s{k}" for k in range(24)], method="immersion")
    equal = study(np.repeat(23.0 + np.arange(6.0), 4), method="immersion")
    for other, says in ((single, "no sitting has two"), (equal, "within sittings are equal")):
        for pair in ((sound, other), (other, sound)):
            with pytest.raises(ParameterError, match=f"immersion: .*{says}"):
                spread_ratio(*pair)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"value": np.zeros((4, 1))}, r"value has shape \(4, 1\); give one column"),
        ({"value": [23.1, np.inf, 23.2, 23.3]}, "row 2 is infinite"),
        ({"order": [1, 2, 3]}, "order has 3 numbers for 4 readings"),
        ({"subject": ["a", "b", " ", "c"]}, "row 3: subject is empty"),
    ],
)
def test_columns_that_are_no_study(change, says):
    sound = {"value": [23.1, 23.4, 23.2, 23.3], "subject": list("abcd"), "method": "contact"}
    assert Study(**sound).n_readings == 4
    with pytest.raises(ParameterError, match=says):
        Study(**(sound | change))


def test_studies_that_cannot_be_joined():
    one = study(23.5 + NOISE, source="one")
    with pytest.raises(ParameterError, match="occurs in one and in two"):
        Study.join([one, dataclasses.replace(one, source="two")])
    with pytest.raises(ParameterError, match="units are mixed: one is in 'mm'"):
        Study.join([one, dataclasses.replace(one, subject=np.char.add("x", EYES), unit="D")])


def test_measured_recordings_that_are_no_study():
    one = sitting_of([23.4, 23.5])
    assert Study.from_measurements([one, sitting_of([23.4], sitting="2")]).n_readings == 3
    with pytest.raises(ParameterError, match="no measured recording was given"):
        Study.from_measurements([])
    with pytest.raises(ParameterError, match="occurs in result 1 and in result 2; leave one out"):
        Study.from_measurements([one, one])
    with pytest.raises(ParameterError, match="no scan was accepted"):
        Study.from_measurements(sitting_of([23.4, 23.5], accepted=[False, False]))


def test_components_that_cannot_be_estimated():
    value, batch = np.array([1.0, 2.0, 4.0, 5.0]), np.array([0, 0, 1, 1])
    assert fit_components(value, [("batch", batch)]).variance.size == 2
    with pytest.raises(ParameterError, match="must be a finite number"):
        fit_components(np.array([1.0, np.nan, 4.0, 5.0]), [("batch", batch)])
    with pytest.raises(ParameterError, match="batch: one level only"):
        fit_components(value, [("batch", np.zeros(4, int))])
    with pytest.raises(ParameterError, match="all values are identical"):
        fit_components(np.full(4, 2.0), [("batch", batch)])
    with pytest.raises(EstimationError, match="taken alike are identical"):
        fit_components(np.array([1.0, 1.0, 4.0, 4.0]), [("batch", batch)])
    with pytest.raises(EstimationError, match="cannot be told apart by this design"):
        fit_components(value, [("batch", batch), ("day", batch)])
