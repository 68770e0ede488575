"""What is varied: settings within a range or a list, and the conditions they are tried under."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import ParameterError
from echotrace.settings import OLD_TABLES, Settings
from echotrace.user_input import (
    check_keys,
    number,
    parsing,
    read_toml,
    table_of,
    tables_of,
    text_of,
)

__all__ = ["Condition", "Factor", "Space", "design_points", "read_space"]

Float = NDArray[np.float64]
Design = Literal["grid", "sobol", "latin_hypercube", "search", "sensitivity"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Factor:
    """One setting that is varied.

    Attributes
    ----------
    key : str
        Table and key of the settings, ``picking.search_threshold_db``; of a gate
        ``gate.retina.start_us``, ``stop_us`` or ``threshold_db``.
    choices : tuple
        Its values; empty for a range.
    low, high : float
        Range; NaN where there are choices.

    Raises
    ------
    ParameterError
        Neither choices nor a range, or both.

    Examples
    --------
    >>> from echotrace.tuning.space import Factor
    >>> Factor(key="picking.search_threshold_db", low=10.0, high=20.0).at(0.25)
    12.5
    """

    key: str
    choices: tuple[Any, ...] = ()
    low: float = float("nan")
    high: float = float("nan")

    def __post_init__(self) -> None:
        if bool(self.choices) == (self.low < self.high):
            raise ParameterError(
                f"factor {self.key!r}: give a list of values, or low and high with low below high"
            )
        if self.key.count(".") != (2 if self.key.startswith("gate.") else 1):
            raise ParameterError(
                f"factor {self.key!r}: write TABLE.KEY as in the settings, or "
                "gate.INTERFACE.start_us"
            )

    def at(self, place: float) -> Any:
        """The value at a place from 0 to 1.

        Parameters
        ----------
        place : float

        Returns
        -------
        object
        """
        if self.choices:
            return self.choices[min(int(place * len(self.choices)), len(self.choices) - 1)]
        return self.low + place * (self.high - self.low)


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """How traces differ from the scenario.

    Attributes
    ----------
    name : str
    changes : mapping of str to object
        Section and key of the scenario (``receiver.bits``, ``pose.tilt_deg``) to value.

    Examples
    --------
    >>> from echotrace.tuning.space import Condition
    >>> Condition(name="eight bits", changes={"receiver.bits": 8}).name
    'eight bits'
    """

    name: str
    changes: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Space:
    """Factors and conditions.

    Attributes
    ----------
    factors : tuple of Factor
    conditions : tuple of Condition

    Examples
    --------
    >>> from echotrace.tuning.space import Factor, Space
    >>> space = Space(factors=(Factor(key="envelope.bandwidth", low=1.0, high=2.0),))
    >>> space.settings_at([0.5], {}).envelope.bandwidth
    1.5
    """

    factors: tuple[Factor, ...]
    conditions: tuple[Condition, ...] = (Condition(name="as stated", changes={}),)

    def values_at(self, point: Sequence[float]) -> dict[str, Any]:
        """The value of each factor at a point of the unit cube.

        Parameters
        ----------
        point : sequence of float, (n_factors,)

        Returns
        -------
        dict of str to object
        """
        return {f.key: f.at(float(x)) for f, x in zip(self.factors, point, strict=True)}

    def settings_at(
        self,
        point: Sequence[float],
        base: Mapping[str, Any],
        gates: Sequence[Mapping[str, Any]] = (),
    ) -> Settings:
        """The settings at a point.

        Parameters
        ----------
        point : sequence of float, (n_factors,)
        base : mapping
            Settings as tables, which the factors change.
        gates : sequence of mapping
            Gates in force, for factors of a gate.

        Returns
        -------
        Settings

        Raises
        ------
        ParameterError
            A factor that is no setting, or a value that is not possible.
        """
        table: dict[str, Any] = {
            k: dict(v) if isinstance(v, Mapping) else v for k, v in base.items() if k != "gate"
        }
        own = [dict(item) for item in base.get("gate", ())]
        for key, value in self.values_at(point).items():
            parts = key.split(".")
            parts[0] = OLD_TABLES.get(parts[0], parts[0])
            if parts[0] != "gate":
                section = table.setdefault(parts[0], {})
                if not isinstance(section, dict):
                    raise ParameterError(f"factor {key!r}: [{parts[0]}] is no table of settings")
                section[parts[1]] = value
                continue
            found = [item for item in own if item["interface"] == parts[1]]
            if not found:
                found = [dict(item) for item in gates if item["interface"] == parts[1]]
                own += found
            if not found:
                raise ParameterError(f"factor {key!r}: the target has no gate of {parts[1]!r}")
            for item in found:
                item[parts[2]] = value
                item.pop("preset", None)
        return Settings.from_table(table | {"gate": own}, "[factors]")


def design_points(space: Space, design: Design, n: int, seed: int) -> Float:
    """Points of the unit cube at which settings are tried.

    Parameters
    ----------
    space : Space
    design : {"grid", "sobol", "latin_hypercube", "sensitivity"}
        Grid: every combination, ``n`` values of each range. Sensitivity: Saltelli's matrices A, B
        and A with one column of B, for which ``n`` is taken up to a power of two.
    n : int
        Points, or values of each range of a grid.
    seed : int

    Returns
    -------
    ndarray of float64, (n_points, n_factors)

    Raises
    ------
    ParameterError
        A grid of more than a million points, or no point.

    Examples
    --------
    >>> from echotrace.tuning.space import Factor, Space, design_points
    >>> space = Space(factors=(Factor(key="picking.picker", choices=("a", "b")),))
    >>> design_points(space, "grid", 5, 0).tolist()
    [[0.25], [0.75]]
    """
    from scipy.stats import qmc

    d = len(space.factors)
    if n < 1:
        raise ParameterError(f"n={n!r} settings: at least one is needed")
    if design == "grid":
        sides = [
            (np.arange(len(f.choices)) + 0.5) / len(f.choices)
            if f.choices
            else np.linspace(0.0, 1.0, n)
            for f in space.factors
        ]
        total = np.prod([float(len(side)) for side in sides])
        if total > 1e6:
            raise ParameterError(f"the grid has {total:,.0f} settings; take fewer values, or sobol")
        return np.array(list(itertools.product(*sides)))
    if design == "latin_hypercube":
        return np.asarray(qmc.LatinHypercube(d, rng=seed).random(n))
    if design == "sobol":
        return np.asarray(qmc.Sobol(d, rng=seed).random_base2(_power(n))[:n])
    both = np.asarray(qmc.Sobol(2 * d, rng=seed).random_base2(_power(n)))
    a, b = both[:, :d], both[:, d:]
    mixed = np.repeat(a[None], d, axis=0)
    for k in range(d):
        mixed[k, :, k] = b[:, k]
    return np.concatenate([a, b, mixed.reshape(-1, d)])


def _power(n: int) -> int:
    return max(0, int(np.ceil(np.log2(n))))


def read_space(path: str | Path) -> Space:
    r"""Read what is varied from a TOML file.

    ``[factors]`` maps each setting to a list of values or to a table of low and high;
    ``[[condition]]`` tables have a name and keys of the scenario.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Space

    Raises
    ------
    ParameterError
        Naming the file and the key.

    Examples
    --------
    >>> file = folder / "space.toml"
    >>> _ = file.write_text('[factors]\n"picking.search_threshold_db" = {low = 10, high = 18}\n')
    >>> read_space(file).factors[0].high
    18.0
    """
    path = Path(path)
    table = read_toml(path)
    with parsing(path, "what is to be varied", error=ParameterError):
        check_keys(table, ["factors", "condition"], str(path))
        factors = []
        for key, value in table_of(table.get("factors", {}), f"{path}: [factors]").items():
            where = f"{path}: {key}"
            if isinstance(value, list):
                factors.append(Factor(key=key, choices=tuple(value)))
                continue
            limits = table_of(value, where)
            check_keys(limits, ["low", "high"], where)
            if set(limits) != {"low", "high"}:
                raise ParameterError(f"{where}: give a list of values, or low and high")
            low, high = (number(limits[k], f"{where}: {k}") for k in ("low", "high"))
            factors.append(Factor(key=key, low=low, high=high))
        if not factors:
            raise ParameterError(f"{path}: [factors] names no setting to vary")
        conditions = [
            Condition(
                name=text_of(item, "name", f"{path}: [[condition]] {k + 1}"),
                changes={key: value for key, value in item.items() if key != "name"},
            )
            for k, item in enumerate(tables_of(table, "condition", str(path)))
        ]
    if not conditions:
        return Space(factors=tuple(factors))
    return Space(factors=tuple(factors), conditions=tuple(conditions))
