"""Coverage over all studies of a size, noticed or not: ``python tests/tail_coverage.py [N_DRAWS]``.

Prints the table of DEVELOPERS.md: differences of one pair a subject, and repeatability of two
readings a sitting, under five laws and for five numbers of subjects; what leads by default, and
what stands beside it for heavy tails (`wider`). Some ten minutes of processor time for 1,000 draws;
every row has a seed of its own.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace

import numpy as np
import scipy
from agreement_coverage import (
    BIAS,
    QUANTILES,
    SHAPE_CASES,
    Shape,
    World,
    differences_of,
    normal,
    skew,
    t3,
    t5,
)

from echotrace.agreement.limits import Z_LIMITS
from echotrace.agreement.repeatability import repeatability
from echotrace.agreement.robust import ALPHA_NORMAL
from echotrace.agreement.variance import Estimate

N_BOOTSTRAP = 400
SEED = 2501
SUBJECTS = (8, 12, 30, 60, 150)


def gamma4(rng: np.random.Generator, n: int) -> np.ndarray:
    """Gamma of shape 4, skewness 1."""
    return (rng.gamma(4.0, size=n) - 4.0) / 2.0


ENDS = QUANTILES | {gamma4: tuple(scipy.stats.gamma.ppf([0.025, 0.975], 4.0) / 2.0 - 2.0)}
LAWS: dict[str, Shape] = {
    "normal": normal,
    "t, 5 df": t5,
    "t, 3 df": t3,
    "gamma, shape 4": gamma4,
    "exponential": skew,
}
CASES = {f"{law}, {n}": (shape, n) for n in SUBJECTS for law, shape in LAWS.items()}


def _inside(estimate: Estimate, truth: float) -> bool:
    return estimate.low <= truth <= estimate.high


def held(name: str, n_draws: int) -> dict[str, list[tuple[bool, bool]]]:
    """Whether the study was noticed and its interval held, for each interval of each study."""
    shape, n = CASES[name]
    rng = np.random.default_rng(SEED + list(CASES).index(name))
    pairs = replace(SHAPE_CASES["differences normal, 12 subjects"], n_subjects=n, shape=shape)
    readings = World(n_subjects=n, fewest=2, most=2, noise=shape)
    sd = pairs.sd(reading=False, same=True)
    found: dict[str, list[tuple[bool, bool]]] = {}

    def note(key: str, noticed: bool, inside: bool) -> None:
        found.setdefault(key, []).append((noticed, inside))

    for _ in range(n_draws):
        study = pairs.draw(rng)
        result = differences_of(study, N_BOOTSTRAP)
        noticed = result.normality_p < ALPHA_NORMAL
        by_sd = next(item for item in result.limits if not item.as_quantiles)
        leads = result.limits[0]
        note("SD", noticed, _inside(by_sd.sd, sd))
        note("wider SD", noticed, _inside(by_sd.wider["sd"], sd))
        for side, sign, end in zip(("lower", "upper"), (-1, 1), ENDS[shape], strict=True):
            at = {"limits": BIAS + sign * Z_LIMITS * sd, "quantiles": BIAS + end * sd}
            for kind, truth in at.items():
                note(f"{side} {kind}", noticed, _inside(getattr(leads, side), truth))
                wide = by_sd.wider[side]
                note(f"wider {side} {kind}", noticed, _inside(wide, truth))
        repeat = repeatability(readings.draw(rng).of_method("contact"), n_bootstrap=N_BOOTSTRAP)
        seen = any("tails" in text or "differ in their" in text for text in repeat.notes)
        note("repeatability", seen, _inside(repeat.within_sd, readings.contact))
        note("wider repeatability", seen, _inside(repeat.wider, readings.contact))
    return found


def share(values: list[tuple[bool, bool]], noticed: bool | None = None) -> float:
    """Of all, or of those that were noticed or not; NaN of fewer than fifty."""
    kept = [inside for seen, inside in values if noticed in (None, seen)]
    return float(np.mean(kept)) if noticed is None or len(kept) >= 50 else math.nan


def row(found: dict[str, list[tuple[bool, bool]]]) -> list[str]:
    """The cells of a case."""

    def cell(key: str, noticed: bool | None = None) -> str:
        names = [key] if key in found else [key.replace("*", s) for s in ("lower", "upper")]
        values = [share(found[name], noticed) for name in names]
        return "; ".join("–" if math.isnan(value) else f"{value:.3f}" for value in values)

    seen = float(np.mean([noticed for noticed, _ in found["SD"]]))
    return [
        f"{seen:.2f}",
        *(cell(key) for key in ("SD", "* limits", "* quantiles")),
        *(cell(f"wider {key}") for key in ("SD", "* limits", "* quantiles")),
        cell("* limits", False),
        cell("wider * limits", False),
        cell("repeatability"),
        cell("wider repeatability"),
    ]


def main(n_draws: int = 1000, *wanted: str) -> None:
    """Print the table, or some rows of it."""
    heads = ["law, subjects", "noticed"]
    heads += [f"{who}{what}" for who in ("", "wider: ") for what in ("SD", "limits", "quantiles")]
    heads += ["not noticed: limits", "wider", "repeatability SD", "wider"]
    print(f"| {' | '.join(heads)} |\n|{'---|' * len(heads)}")
    for name in wanted or CASES:
        print(f"| {name} | {' | '.join(row(held(name, n_draws)))} |", flush=True)


if __name__ == "__main__":
    main(*(int(item) for item in sys.argv[1:2]), *sys.argv[2:])
