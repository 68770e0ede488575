"""Coverage of the intervals of agreement, by simulation: the cases, and the table of them all.

``python tests/agreement_coverage.py [N_DRAWS]`` prints the table that DEVELOPERS.md speaks of.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from echotrace.agreement.differences import analyse_differences
from echotrace.agreement.limits import Z_LIMITS
from echotrace.agreement.pairing import common_eyes
from echotrace.agreement.study import Study

BIAS = -0.2


@dataclass(frozen=True)
class World:
    """How lengths are made: SDs in mm of what differs between subjects, eyes, operators, readings.

    ``operator_a`` and ``operator_b`` are effects of operators by either method, of correlation
    ``operator_rho``; ``eye_operator`` is common to both methods.
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
    noise: Callable[[np.random.Generator, int], np.ndarray] = field(
        default=lambda rng, n: rng.normal(size=n)
    )

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
            length, shift = 23.5 + rng.normal(0, self.subject), rng.normal(0, self.difference)
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


def differences_of(study: Study):
    """The analysis of differences alone, without all the rest of a comparison."""
    a, b, eyes, _ = common_eyes(study.of_method("contact"), study.of_method("immersion"))
    subject = np.unique([key[0] for key in eyes], return_inverse=True)[1].reshape(-1)
    return analyse_differences(a, b, eyes, subject)


def limits_coverage(world: World, seed: int, n_draws: int) -> dict[str, float]:
    """Share of studies whose intervals hold the truth, for the bias and every kind of limits."""
    rng = np.random.default_rng(seed)
    held: dict[str, int] = {}
    for _ in range(n_draws):
        found = differences_of(world.draw(rng))
        inside = {"bias": found.bias.low <= BIAS <= found.bias.high}
        for item in found.limits:
            sd = world.sd(
                reading=item.of == "single readings", same="different" not in item.operators
            )
            for name, estimate, truth in (
                ("SD", item.sd, sd),
                ("lower", item.lower, BIAS - Z_LIMITS * sd),
                ("upper", item.upper, BIAS + Z_LIMITS * sd),
            ):
                inside[f"{name}, {item.label}"] = estimate.low <= truth <= estimate.high
        for name, value in inside.items():
            held[name] = held.get(name, 0) + bool(value)
    return {name: count / n_draws for name, count in held.items()}


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


def main(n_draws: int = 2000) -> None:
    """Print the table."""
    print("| case | least | most | of |\n|---|---|---|---|")
    for seed, (name, world) in enumerate(OPERATOR_CASES.items(), start=2001):
        held = limits_coverage(world, seed, n_draws)
        low, high = min(held, key=held.get), max(held, key=held.get)
        print(f"| {name} | {held[low]:.3f} ({low}) | {held[high]:.3f} ({high}) | {len(held)} |")
        sys.stdout.flush()


if __name__ == "__main__":
    main(*(int(item) for item in sys.argv[1:]))
