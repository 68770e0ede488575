"""A target of the user's own, from a TOML file."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from echotrace.errors import ParameterError
from echotrace.media import Medium, medium
from echotrace.target.layers import Interface, Segment, Target
from echotrace.user_input import (
    check_keys,
    given,
    number,
    parsing,
    read_toml,
    tables_of,
    text_of,
    truth_of,
)

__all__ = ["read_target"]

_TARGET_KEYS = ("name", "length_from", "length_to", "temperature_c", "interface", "segment")
_INTERFACE_KEYS = ("name", "optional", "first_rise")
_SEGMENT_KEYS = (
    "name",
    "medium",
    "speed_m_per_s",
    "speed_u_m_per_s",
    "mean_mm",
    "sd_mm",
    "range_mm",
    "assumed_mm",
    "assumed_u_mm",
)


# Widths of layers, mm, and speeds of sound, m/s, of anything that is measured by pulse and echo.
_RANGES = {"m_per_s": (0.0, 2e4), "mm": (0.0, 1e4), "c": (-100.0, 1000.0)}


def _number(table: Mapping[str, Any], key: str, where: str, default: float | None = None) -> float:
    if key not in table and default is not None:
        return default
    value = table.get(key)
    if isinstance(value, str) or value is None:
        raise ParameterError(f"{where}: {key} must be a number, got {given(value)}")
    low, high = next(limits for end, limits in _RANGES.items() if key.endswith(f"_{end}"))
    return number(value, f"{where}: {key}", low=low, high=high)


def _segment_from_table(table: Mapping[str, Any], where: str) -> Segment:
    check_keys(table, _SEGMENT_KEYS, where)
    name = text_of(table, "name", where)
    if ("medium" in table) == ("speed_m_per_s" in table):
        raise ParameterError(f"{where}: give either medium or speed_m_per_s")
    if "medium" in table:
        layer = medium(text_of(table, "medium", where))
    else:
        layer = Medium(
            name=name,
            speed_m_per_s=_number(table, "speed_m_per_s", where),
            speed_u_m_per_s=_number(table, "speed_u_m_per_s", where, 0.0),
            source=f"user's target file ({name})",
        )
    bounds = table.get("range_mm")
    if not isinstance(bounds, list) or len(bounds) != 2:
        raise ParameterError(f"{where}: range_mm must be two numbers, [low, high], in mm")
    low, high = (_number({"range_mm": item}, "range_mm", where) for item in bounds)
    # A range alone says nothing of what is likely inside it.
    spread = (high - low) / 4.0 if "mean_mm" in table else math.inf
    return Segment(
        name=name,
        medium=layer,
        mean_mm=_number(table, "mean_mm", where, (low + high) / 2.0),
        sd_mm=_number(table, "sd_mm", where, spread),
        range_mm=(low, high),
        assumed_mm=_number(table, "assumed_mm", where, math.nan),
        assumed_u_mm=_number(table, "assumed_u_mm", where, math.nan),
    )


def read_target(path: str | Path) -> Target:
    """Read a target from a TOML file.

    The file names the target, lists its ``[[interface]]`` tables in beam order and the
    ``[[segment]]`` tables between them; a segment gives a built-in ``medium`` or its own
    ``speed_m_per_s`` and a ``range_mm`` in which its thickness is looked for.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Target

    Raises
    ------
    ParameterError
        Naming the file, the table and the key.

    Examples
    --------
    >>> file = folder / "plate.toml"
    >>> _ = file.write_text('''
    ... name = "plate"
    ... [[interface]]
    ... name = "near_face"
    ... [[interface]]
    ... name = "far_face"
    ... [[segment]]
    ... name = "plate"
    ... medium = "pmma"
    ... range_mm = [2.0, 4.0]
    ... ''')
    >>> read_target(file).interface_names
    ('near_face', 'far_face')
    """
    path = Path(path)
    table = read_toml(path)
    try:
        with parsing("target", "a table of interfaces and segments", error=ParameterError):
            return _target_from_table(table, path.stem)
    except ParameterError as error:
        raise ParameterError(f"{path}: {error}") from None


def _target_from_table(table: Mapping[str, Any], default_name: str) -> Target:
    check_keys(table, _TARGET_KEYS, "target")
    interfaces = []
    for k, item in enumerate(tables_of(table, "interface", "target")):
        where = f"interface {k + 1}"
        check_keys(item, _INTERFACE_KEYS, where)
        interfaces.append(
            Interface(
                name=text_of(item, "name", where),
                optional=truth_of(item, "optional", where),
                first_rise=truth_of(item, "first_rise", where),
            )
        )
    segments = [
        _segment_from_table(item, f"segment {k + 1}")
        for k, item in enumerate(tables_of(table, "segment", "target"))
    ]
    if len(interfaces) < 2:
        raise ParameterError("at least two [[interface]] tables are needed")
    return Target(
        name=text_of(table, "name", "target", default_name),
        interfaces=tuple(interfaces),
        segments=tuple(segments),
        length_from=text_of(table, "length_from", "target", interfaces[0].name),
        length_to=text_of(table, "length_to", "target", interfaces[-1].name),
        temperature_c=_number(table, "temperature_c", "target", 20.0),
    )
