"""Calibrated probabilities, each read from a small table of steps.

The model is additive and monotone. Each feature adds a number of nats that never falls in the
direction in which the feature speaks for the trace: a line through the knots, level beyond the
first and the last. A feature that could not be had adds its own number. The probability is the
logistic function of the sum. What any feature is worth can be read off the table
(``echotrace/data/score_model.toml``), which ``python -m echotrace.fitting.calibration`` makes.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError

__all__ = [
    "ScoreModel",
    "ScoreTerm",
    "length_right_nats",
    "model_from_table",
    "shipped_models",
]

Float64 = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreTerm:
    """What one feature adds.

    Attributes
    ----------
    feature : str
    knots : tuple of float
        Values of the feature, rising, in its unit.
    nats : tuple of float
        What it adds at each knot; rises, or falls, all the way.
    absent_nats : float
        What it adds where the feature is NaN.

    Raises
    ------
    ParameterError
        Knots that do not rise or do not pair with the nats, or nats that both rise and fall.

    Examples
    --------
    >>> from echotrace.quality.score import ScoreTerm
    >>> ScoreTerm(feature="wall_step_db", knots=(0.0, 20.0), nats=(0.0, 3.0)).absent_nats
    0.0
    """

    feature: str
    knots: tuple[float, ...]
    nats: tuple[float, ...]
    absent_nats: float = 0.0

    def __post_init__(self) -> None:
        if len(self.knots) != len(self.nats) or len(self.knots) < 2:
            raise ParameterError(f"score term {self.feature!r}: knots and nats must pair, from two")
        if np.any(np.diff(self.knots) <= 0.0):
            raise ParameterError(f"score term {self.feature!r}: knots must rise")
        steps = np.diff(self.nats)
        if np.any(steps > 1e-9) and np.any(steps < -1e-9):
            raise ParameterError(f"score term {self.feature!r}: nats must rise or fall all the way")


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreModel:
    """An additive model of a probability.

    Attributes
    ----------
    intercept_nats : float
    terms : tuple of ScoreTerm
    provenance : mapping of str to str
        From what, when and by which version it was made.

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.quality.score import ScoreModel, ScoreTerm
    >>> term = ScoreTerm(feature="wall_step_db", knots=(0.0, 20.0), nats=(0.0, 4.0))
    >>> model = ScoreModel(intercept_nats=-2.0, terms=(term,))
    >>> model.probability({"wall_step_db": np.array([0.0, 10.0, 30.0])}).round(3).tolist()
    [0.119, 0.5, 0.881]
    """

    intercept_nats: float
    terms: tuple[ScoreTerm, ...]
    provenance: Mapping[str, str] = field(default_factory=dict)
    # Knots and nats of each term as arrays.
    _lines: tuple[tuple[Float64, Float64], ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        lines = tuple(
            (np.array(term.knots, np.float64), np.array(term.nats, np.float64))
            for term in self.terms
        )
        object.__setattr__(self, "_lines", lines)

    def nats(self, features: Mapping[str, NDArray[np.floating]]) -> Float64:
        """Sum of all terms for each trace; a feature that is not there counts as absent.

        Parameters
        ----------
        features : mapping of str to ndarray, each (n_traces,)

        Returns
        -------
        ndarray of float64, (n_traces,)
        """
        from echotrace.kernels.score import add_worth

        n = next(iter(features.values())).size
        total = np.full(n, self.intercept_nats)
        for term, (knots, nats) in zip(self.terms, self._lines, strict=True):
            if term.feature in features:
                values = np.ascontiguousarray(features[term.feature], np.float32)
                add_worth(values, knots, nats, term.absent_nats, total)
            else:
                total += term.absent_nats
        return total

    def probability(self, features: Mapping[str, NDArray[np.floating]]) -> Float64:
        """Probability of each trace, 0 to 1.

        Parameters
        ----------
        features : mapping of str to ndarray, each (n_traces,)

        Returns
        -------
        ndarray of float64, (n_traces,)
        """
        return np.asarray(1.0 / (1.0 + np.exp(-np.clip(self.nats(features), -40.0, 40.0))))


def model_from_table(table: Mapping[str, Any]) -> ScoreModel:
    """Make a model of one table of the model file.

    Parameters
    ----------
    table : mapping
        With ``intercept_nats``, ``term`` (a list of tables) and ``provenance``.

    Returns
    -------
    ScoreModel

    Raises
    ------
    ParameterError
        As :class:`ScoreTerm`.
    KeyError
        Something is missing.

    Examples
    --------
    >>> from echotrace.quality.score import model_from_table
    >>> model_from_table({"intercept_nats": 0.5, "term": []}).intercept_nats
    0.5
    """
    return ScoreModel(
        intercept_nats=float(table["intercept_nats"]),
        terms=tuple(
            ScoreTerm(
                feature=item["feature"],
                knots=tuple(item["knots"]),
                nats=tuple(item["nats"]),
                absent_nats=float(item["absent_nats"]),
            )
            for item in table["term"]
        ),
        provenance=MappingProxyType({k: str(v) for k, v in table.get("provenance", {}).items()}),
    )


def length_right_nats(
    models: Mapping[str, ScoreModel], features: Mapping[str, NDArray[np.floating]]
) -> Float64:
    """Log-odds of a right length, each trace by the model of what is said to fill its eye.

    Parameters
    ----------
    models : mapping of str to ScoreModel
        With ``length_right`` and ``length_right_oil``.
    features : mapping of str to ndarray, each (n_traces,)
        Where ``oil_stated`` is there and 1, oil is said to fill the cavity.

    Returns
    -------
    ndarray of float64, (n_traces,)

    Examples
    --------
    >>> import numpy as np
    >>> from echotrace.quality.score import ScoreModel, length_right_nats
    >>> models = {"length_right": ScoreModel(intercept_nats=1.0, terms=()),
    ...           "length_right_oil": ScoreModel(intercept_nats=2.0, terms=())}
    >>> length_right_nats(models, {"oil_stated": np.array([0.0, 1.0])}).tolist()
    [1.0, 2.0]
    """
    nats = models["length_right"].nats(features)
    oil = features.get("oil_stated", np.float32(0.0)) > 0
    if oil.any():
        nats = np.where(oil, models["length_right_oil"].nats(features), nats)
    return nats


@functools.cache
def shipped_models() -> Mapping[str, ScoreModel]:
    """The models that come with the package.

    Returns
    -------
    mapping of str to ScoreModel
        ``length_right``: the length lies within 0.1 mm of the eye's, pressing and speeds apart;
        ``length_right_oil`` the same of eyes of which oil fills the cavity.
        ``aligned``: the beam lies within the limits of tilt and decentration, whatever was picked.
        ``in_sitting``: the first with what the other scans of the sitting say.

    Examples
    --------
    >>> from echotrace.quality.score import shipped_models
    >>> sorted(shipped_models())
    ['aligned', 'in_sitting', 'length_right', 'length_right_oil']
    """
    text = (files("echotrace") / "data" / "score_model.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    shared = table["provenance"]
    return MappingProxyType(
        {
            name: model_from_table({**table["model"][name], "provenance": shared})
            for name in table["model"]
        }
    )
