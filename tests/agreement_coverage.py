"""Coverage of the intervals of agreement, by simulation: the cases, and the table of them all.

``python tests/agreement_coverage.py [N_DRAWS [GROUP or CASE …]]`` prints the table that is shown in
DEVELOPERS.md: a quarter of an hour of processor time for 2,000 draws. Every case has a seed of its
own, so that a row run apart is the row of the whole.
"""

from __future__ import annotations

import contextlib
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from unittest import mock

import numpy as np

from echotrace.agreement import operators
from echotrace.agreement.differences import analyse_differences
from echotrace.agreement.limits import Z_LIMITS
from echotrace.agreement.operators import OperatorLimits
from echotrace.agreement.pairing import common_eyes
from echotrace.agreement.repeatability import repeatability
from echotrace.agreement.resampling import subject_draws
from echotrace.agreement.robust import ALPHA_NORMAL
from echotrace.agreement.spreads import spread_ratio
from echotrace.agreement.study import Study
from echotrace.agreement.variance import Estimate

BIAS = -0.2


Shape = Callable[[np.random.Generator, int], np.ndarray]


def normal(rng: np.random.Generator, n: int) -> np.ndarray:
    """Standard normal."""
    return rng.normal(size=n)


def t5(rng: np.random.Generator, n: int) -> np.ndarray:
    """Student's t with 5 degrees of freedom."""
    return rng.standard_t(5, n) / math.sqrt(5.0 / 3.0)


def t3(rng: np.random.Generator, n: int) -> np.ndarray:
    """Student's t with 3 degrees of freedom: no fourth moment."""
    return rng.standard_t(3, n) / math.sqrt(3.0)


def skew(rng: np.random.Generator, n: int) -> np.ndarray:
    """Exponential, skewness 2."""
    return rng.exponential(size=n) - 1.0


QUANTILES = {
    normal: (-1.959964, 1.959964),
    t5: (-2.570582 / math.sqrt(5.0 / 3.0), 2.570582 / math.sqrt(5.0 / 3.0)),
    t3: (-3.182446 / math.sqrt(3.0), 3.182446 / math.sqrt(3.0)),
    skew: (-math.log(0.975) - 1.0, -math.log(0.025) - 1.0),
}
"""2.5 % and 97.5 % quantiles: tables of the normal and of Student's t, and by the logarithm."""


@dataclass(frozen=True)
class World:
    """How lengths are made: SDs in mm of what differs between subjects, eyes, operators, readings.

    ``operator_a`` and ``operator_b`` are effects of operators by either method, of correlation
    ``operator_rho``; ``eye_operator`` is common to both methods. ``noise`` and ``shape`` draw the
    readings' errors and the subjects' differences, with mean 0 and SD 1.
    """

    n_subjects: int = 20
    n_operators: int = 1
    design: str = "crossed"
    two_eyes: bool = False
    fewest: int = 3
    most: int = 5
    subject: float = 1.2
    eye: float = 0.2
    difference: float = 0.10
    eye_difference: float = 0.06
    operator_a: float = 0.0
    operator_b: float = 0.0
    operator_rho: float = 0.0
    eye_operator: float = 0.0
    contact: float = 0.13
    immersion: float = 0.05
    noise: Shape = normal
    shape: Shape = normal

    def draw(self, rng: np.random.Generator) -> Study:
        """One study."""
        covariance = self.operator_rho * self.operator_a * self.operator_b
        operators = rng.multivariate_normal(
            [0.0, 0.0],
            [[self.operator_a**2, covariance], [covariance, self.operator_b**2]],
            self.n_operators,
        )
        labels: list[tuple[str, str, str, str]] = []
        value = []
        for s in range(self.n_subjects):
            length = 23.5 + rng.normal(0, self.subject)
            shift = self.difference * float(self.shape(rng, 1)[0])
            for e in range(2 if self.two_eyes and s % 3 else 1):
                here = length + rng.normal(0, self.eye)
                difference = shift + rng.normal(0, self.eye_difference)
                for o in self._operators_of(rng, s):
                    together = here + rng.normal(0, self.eye_operator)
                    for name, offset, sd, effect in (
                        ("contact", BIAS + difference, self.contact, operators[o, 0]),
                        ("immersion", 0.0, self.immersion, operators[o, 1]),
                    ):
                        n = int(rng.integers(self.fewest, self.most + 1))
                        labels += [(f"S{s}", f"{e}", name, f"op{o}")] * n
                        value.append(together + offset + effect + sd * self.noise(rng, n))
        subject, eye, method, operator = zip(*labels, strict=True)
        return Study(
            value=np.concatenate(value),
            subject=subject,
            eye=eye,
            method=method,
            operator=operator,
            order=np.arange(len(labels)),
        )

    def _operators_of(self, rng: np.random.Generator, subject: int) -> list[int]:
        k = self.n_operators
        if self.design == "nested":
            return [subject % k]
        if self.design == "gaps" and k > 1:
            # Two or three of the operators see an eye; the first subject is seen by all.
            n = k if subject == 0 else int(rng.integers(max(k - 1, 1), k + 1))
            return sorted(rng.choice(k, n, replace=False).tolist())
        return list(range(k))

    def sd(self, *, reading: bool, same: bool) -> float:
        """True SD of the difference of two values."""
        inverse = np.mean([1.0 / n for n in range(self.fewest, self.most + 1)])
        variance = self.difference**2 + self.eye_difference**2
        variance += (self.contact**2 + self.immersion**2) * (1.0 if reading else inverse)
        variance += self.operator_a**2 + self.operator_b**2
        if same:
            variance -= 2.0 * self.operator_rho * self.operator_a * self.operator_b
        else:
            variance += 2.0 * self.eye_operator**2
        return math.sqrt(variance)


def differences_of(study: Study, n_bootstrap: int = 0):
    """The analysis of differences alone, without all the rest of a comparison."""
    a, b, eyes, _ = common_eyes(study.of_method("contact"), study.of_method("immersion"))
    subject = np.unique([key[0] for key in eyes], return_inverse=True)[1].reshape(-1)
    draws = subject_draws(int(subject.max()) + 1, n_bootstrap, 0)
    return analyse_differences(a, b, eyes, subject, draws=draws)


@contextlib.contextmanager
def intervals_only():
    """Leave out what intervals do not hang on: REML's figures, and pivots beyond 4,096.

    Limits of several operators have their figure from the mixed model and their interval from mean
    squares; tests/test_operator_limits.py holds that the interval is the same without the former.
    """
    with (
        mock.patch.object(OperatorLimits, "_components", return_value={}),
        mock.patch.object(operators, "_DRAWS", 1 << 12),
    ):
        yield


_FEWEST_NOTICED = 50
"""A share of fewer studies says too little."""


class Held:
    """Which intervals held the truth, by name and by whether tails were noticed."""

    def __init__(self) -> None:
        self._all: dict[str, list[tuple[bool, bool]]] = {}

    def note(self, name: str, estimate: Estimate, truth: float, *, noticed: bool = False) -> None:
        if not math.isnan(estimate.low):
            inside = estimate.low <= truth <= estimate.high
            self._all.setdefault(name, []).append((noticed, inside))

    def shares(self, noticed: bool | None = None) -> dict[str, float]:
        """Of all studies, or of those in which the rule noticed what is not normal, or did not."""
        kept = {
            name: [inside for seen, inside in values if noticed in (None, seen)]
            for name, values in self._all.items()
        }
        fewest = 1 if noticed is None else _FEWEST_NOTICED
        return {name: float(np.mean(v)) for name, v in kept.items() if len(v) >= fewest}


def limits_held(world: World, seed: int, n_draws: int, n_bootstrap: int = 0) -> Held:
    """Intervals of the bias and of every kind of limits that a user is given, by the rule.

    Also those of quantile limits, the wider ones and, with a bootstrap, its intervals as such.
    """
    rng = np.random.default_rng(seed)
    held = Held()
    with intervals_only():
        for _ in range(n_draws):
            study = world.draw(rng)
            found = differences_of(study, n_bootstrap)
            noticed = found.normality_p < ALPHA_NORMAL
            held.note("bias", found.bias, BIAS, noticed=noticed)
            for item in found.limits:
                if item.as_quantiles:
                    continue
                same = "different" not in item.operators
                sd = world.sd(reading=item.of == "single readings", same=same)
                truth = {"sd": sd, "lower": BIAS - Z_LIMITS * sd, "upper": BIAS + Z_LIMITS * sd}
                for name, value in truth.items():
                    label = f"{name}, {item.label}"
                    held.note(label, getattr(item, name), value, noticed=noticed)
                    check = f"{name}, {item.of}"
                    others = {
                        "bootstrap": found.bootstrap.get(check),
                        "wider": item.wider.get(name),
                    }
                    for how, other in others.items():
                        if n_bootstrap and other is not None:
                            held.note(f"{check}, {how}", other, value, noticed=noticed)
            if found.quantiles is not None:
                leads = found.limits[0].as_quantiles
                for name, end in zip(("lower", "upper"), QUANTILES[world.shape], strict=True):
                    truth_at = BIAS + end * world.difference
                    estimate = getattr(found.quantiles, name)
                    held.note(f"{name} quantile", estimate, truth_at, noticed=leads)
    return held


def limits_coverage(
    world: World, seed: int, n_draws: int, n_bootstrap: int = 0
) -> dict[str, float]:
    """Share of studies whose intervals hold the truth, for each of them."""
    return limits_held(world, seed, n_draws, n_bootstrap).shares()


def spread_held(world: World, seed: int, n_draws: int, n_bootstrap: int) -> Held:
    """The same for the repeatability of contact and the ratio of both repeatability SDs."""
    rng = np.random.default_rng(seed)
    held = Held()
    ratio = world.contact / world.immersion
    for _ in range(n_draws):
        study = world.draw(rng)
        a, b = study.of_method("contact"), study.of_method("immersion")
        repeat = repeatability(a, n_bootstrap=n_bootstrap)
        noticed = any("tails" in note or "differ in their" in note for note in repeat.notes)
        found = spread_ratio(a, b, n_bootstrap=n_bootstrap)
        for name, estimate, truth in (
            ("repeatability SD", repeat.within_sd, world.contact),
            ("repeatability SD, wider", repeat.wider, world.contact),
            ("ratio", found.ratio, ratio),
            ("ratio, bootstrap", found.bootstrap, ratio),
        ):
            held.note(name, estimate, truth, noticed=noticed)
    return held


def spread_coverage(world: World, seed: int, n_draws: int, n_bootstrap: int) -> dict[str, float]:
    """Share of studies whose intervals hold the truth, for each of them."""
    return spread_held(world, seed, n_draws, n_bootstrap).shares()


COMMON = {"operator_a": 0.10, "operator_b": 0.10, "operator_rho": 1.0}
"""An operator's effect of 0.1 mm that both methods share."""
CONTACT = {"operator_a": 0.10, "operator_b": 0.02, "eye_operator": 0.03}
"""Hands differ by contact and hardly by immersion."""

OPERATOR_CASES = {
    "3 operators, effect common to both methods": World(n_operators=3, **COMMON),
    "4 operators, effect common to both methods": World(n_operators=4, n_subjects=15, **COMMON),
    "3 operators who differ by contact": World(n_operators=3, n_subjects=30, **CONTACT),
    "4 operators who differ by contact": World(n_operators=4, **CONTACT),
    "3 operators who differ in nothing": World(n_operators=3),
    "4 operators, cells missing, two eyes": World(
        n_operators=4, n_subjects=24, design="gaps", two_eyes=True, **CONTACT
    ),
    "3 operators, cells missing": World(n_operators=3, design="gaps", **COMMON),
    "4 operators with subjects of their own": World(
        n_operators=4, n_subjects=24, design="nested", **CONTACT
    ),
    "3 operators, single readings": World(n_operators=3, fewest=1, most=1, **COMMON),
}


NORMAL_CASES = {
    "one operator, 30 subjects, 3 to 5 readings": World(n_subjects=30),
    "one operator, 15 subjects, 3 to 5 readings": World(n_subjects=15),
    "one operator, 8 subjects, 3 to 5 readings": World(n_subjects=8),
    "one operator, 30 subjects, two eyes of most": World(n_subjects=30, two_eyes=True),
}
_PAIRS = {"fewest": 1, "most": 1, "contact": 1e-9, "immersion": 1e-9, "eye_difference": 0.0}
SHAPE_CASES = {
    "differences t with 5 df, 30 subjects": World(n_subjects=30, shape=t5, **_PAIRS),
    "differences t with 3 df, 30 subjects": World(n_subjects=30, shape=t3, **_PAIRS),
    "differences exponential, 30 subjects": World(n_subjects=30, shape=skew, **_PAIRS),
    "differences t with 3 df, 150 subjects": World(n_subjects=150, shape=t3, **_PAIRS),
    "differences exponential, 150 subjects": World(n_subjects=150, shape=skew, **_PAIRS),
    "differences normal, 150 subjects": World(n_subjects=150, **_PAIRS),
    "differences normal, 12 subjects": World(n_subjects=12, **_PAIRS),
    "differences t with 3 df, 12 subjects": World(n_subjects=12, shape=t3, **_PAIRS),
}
SPREAD_CASES = {
    "readings normal, 30 subjects": World(n_subjects=30),
    "readings normal, 8 subjects": World(n_subjects=8),
    "readings t with 5 df, 30 subjects": World(n_subjects=30, noise=t5),
    "readings t with 3 df, 30 subjects": World(n_subjects=30, noise=t3),
    "readings t with 3 df, 12 subjects": World(n_subjects=12, noise=t3),
}
"""What the rules for heavy tails make of readings of four kinds."""


GROUPS: dict[str, tuple[int, dict[str, World], Callable[[World, int, int], Held]]] = {
    "operators": (2001, OPERATOR_CASES, limits_held),
    "normal": (2101, NORMAL_CASES, lambda *given: limits_held(*given, 500)),
    "shapes": (2201, SHAPE_CASES, lambda *given: limits_held(*given, 500)),
    "spreads": (2301, SPREAD_CASES, lambda *given: spread_held(*given, 500)),
}
"""First seed, cases and simulation, by the name of each part of the table."""


def chosen(*wanted: str) -> list[tuple[str, str, int]]:
    """Group, name and seed of each case of the table, or of those of some groups and cases.

    Raises
    ------
    ValueError
        A word that names neither.
    """
    cases = [
        (group, name, seed)
        for group, (first, worlds, _) in GROUPS.items()
        for seed, name in enumerate(worlds, start=first)
    ]
    unknown = set(wanted) - {word for group, name, _ in cases for word in (group, name)}
    if unknown:
        raise ValueError(f"neither a group nor a case: {', '.join(sorted(unknown))}")
    return [case for case in cases if not wanted or {case[0], case[1]} & set(wanted)]


def simulated(name: str, n_draws: int = 2000) -> Held:
    """A row of the table: the case of this name with its own seed."""
    ((group, _, seed),) = chosen(name)
    _, cases, simulate = GROUPS[group]
    return simulate(cases[name], seed, n_draws)


def _kind(name: str) -> str:
    """Of which kind an interval is, for a row of the table."""
    if name in ("bias", "ratio", "repeatability SD", "repeatability SD, wider"):
        return name
    kinds = [word for word in ("wider", "bootstrap", "quantile") if word in name]
    return ("ratio, " if "ratio" in name else "") + (kinds[0] if kinds else "limits and SD")


def summary(held: Held) -> str:
    """Least and greatest share of each kind of interval; by what was noticed where both occur."""
    parts = []
    for seen, words in ((None, "all"), (True, "noticed"), (False, "not noticed")):
        kinds: dict[str, list[float]] = {}
        for name, share in held.shares(seen).items():
            kinds.setdefault(_kind(name), []).append(share)
        texts = [
            f"{kind} {min(found):.3f}" + (f" to {max(found):.3f}" if len(found) > 1 else "")
            for kind, found in kinds.items()
        ]
        if texts:
            parts.append(f"{words}: {', '.join(texts)}")
    return "; ".join(parts)


def main(n_draws: int = 2000, *wanted: str) -> None:
    """Print the table, or some groups or rows of it."""
    print("| case | seed | shares of 95 % intervals that hold the truth |\n|---|---|---|")
    for _, name, seed in chosen(*wanted):
        print(f"| {name} | {seed} | {summary(simulated(name, n_draws))} |", flush=True)


if __name__ == "__main__":
    main(*(int(item) for item in sys.argv[1:2]), *sys.argv[2:])
