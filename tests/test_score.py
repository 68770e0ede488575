"""The arithmetic of the probabilities, by hand."""

import numpy as np
import pytest

from echotrace.errors import ParameterError
from echotrace.fitting.score_sets import DIRECTIONS
from echotrace.quality.score import ScoreModel, ScoreTerm, model_from_table, shipped_models
from echotrace.quality.sitting_evidence import SITTING_DIRECTIONS

STEP = ScoreTerm(feature="a_db", knots=(0.0, 10.0, 20.0), nats=(0.0, 1.0, 4.0), absent_nats=-0.5)
FALL = ScoreTerm(feature="b_us", knots=(0.1, 0.3), nats=(2.0, 0.0))
MODEL = ScoreModel(intercept_nats=-3.0, terms=(STEP, FALL))


def test_a_sum_of_lines_through_the_logistic_function():
    features = {
        "a_db": np.array([-5.0, 5.0, 15.0, 99.0, np.nan], np.float32),
        "b_us": np.array([0.0, 0.2, 0.3, 0.1, 0.4], np.float32),
    }
    # By hand: -3 + a + b.
    nats = np.array([-3 + 0 + 2, -3 + 0.5 + 1, -3 + 2.5 + 0, -3 + 4 + 2, -3 - 0.5 + 0])
    np.testing.assert_allclose(MODEL.nats(features), nats, atol=1e-6)
    np.testing.assert_allclose(MODEL.probability(features), 1 / (1 + np.exp(-nats)), atol=1e-7)


def test_a_feature_that_is_not_there_counts_as_absent():
    only = {"b_us": np.array([0.2], np.float32)}
    np.testing.assert_allclose(MODEL.nats(only), [-3.0 - 0.5 + 1.0], atol=1e-6)


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"knots": (0.0, 10.0)}, "must pair"),
        ({"knots": (0.0,), "nats": (0.0,)}, "must pair"),
        ({"knots": (0.0, 20.0, 10.0)}, "must rise"),
        ({"nats": (0.0, 2.0, 1.0)}, "all the way"),
    ],
)
def test_a_term_that_makes_no_sense_is_refused(changes, why):
    given = {"feature": "a_db", "knots": (0.0, 10.0, 20.0), "nats": (0.0, 1.0, 4.0)}
    with pytest.raises(ParameterError, match=why):
        ScoreTerm(**(given | changes))


def test_shipped_terms_speak_in_the_stated_direction():
    models = shipped_models()
    assert set(models) == {"length_right", "length_right_oil", "aligned", "in_sitting"}
    directions = {**DIRECTIONS, **SITTING_DIRECTIONS}
    for name, model in models.items():
        assert len(model.terms) >= (2 if name == "in_sitting" else 10)
        for term in model.terms:
            steps = np.diff(term.nats) * directions[term.feature]
            assert (steps >= -1e-9).all(), term.feature


def test_table_of_a_model():
    table = {
        "intercept_nats": 1.0,
        "term": [{"feature": "x", "knots": [0, 1], "nats": [0, 2], "absent_nats": 0}],
        "provenance": {"seed": 3},
    }
    model = model_from_table(table)
    assert model.provenance == {"seed": "3"}
    np.testing.assert_allclose(model.nats({"x": np.array([0.5])}), [2.0])
