"""What is to be synthesised, as a short TOML file a person can read and edit.

Every key has a range or a list of words; a wrong or unknown one gets one error that names the
file, the key, what is allowed and the nearest known key.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any, get_type_hints

from echotrace._renamed import renamed_keys
from echotrace.errors import ParameterError
from echotrace.synthesis.near_field import NearFieldSection
from echotrace.synthesis.scenario_checks import check_relations
from echotrace.synthesis.scenario_model import Scenario
from echotrace.synthesis.sections import (
    ArtefactSection,
    EyeSection,
    InstrumentSection,
    MethodSection,
    OperatorSection,
    PoseSection,
    ProbeSection,
    ReceiverSection,
    ScanSection,
)
from echotrace.user_input import check_keys, did_you_mean, given, parsing, read_toml, table_of

__all__ = ["read_scenario", "scenario_from_mapping"]

SECTIONS: Mapping[str, type] = {
    "eye": EyeSection,
    "probe": ProbeSection,
    "method": MethodSection,
    "pose": PoseSection,
    "receiver": ReceiverSection,
    "near_field": NearFieldSection,
    "instrument": InstrumentSection,
    "operator": OperatorSection,
    "artefacts": ArtefactSection,
}

OLD_NAMES: Mapping[str, str] = {"hold": "pose", "spoilers": "artefacts"}


def read_scenario(path: str | Path) -> Scenario:
    """Read a scenario from a TOML file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Scenario

    Raises
    ------
    ParameterError
        Naming the file and the key.

    Examples
    --------
    >>> read_scenario("synthetic_traces/contact_sitting.toml").method.kind
    'contact'
    """
    path = Path(path)
    table = read_toml(path)
    table.setdefault("name", path.stem)
    with parsing(path, "a scenario", error=ParameterError):
        return scenario_from_mapping(table, str(path))


def scenario_from_mapping(table: Mapping[str, Any], where: str = "scenario") -> Scenario:
    """Make a scenario of nested tables, as a TOML file gives them.

    Parameters
    ----------
    table : mapping
    where : str
        What errors call the source: a file's name.

    Returns
    -------
    Scenario

    Raises
    ------
    ParameterError
        Naming the source, the key, what is allowed, and the nearest key to an unknown one.

    Examples
    --------
    >>> scenario_from_mapping({"scans": 3, "method": {"kind": "contact"}}).scans
    3
    """
    top = {item.name: item for item in fields(Scenario)}
    kinds = get_type_hints(Scenario)
    values: dict[str, Any] = {}
    table = renamed_keys(table, OLD_NAMES, where)
    check_keys(table, top, where)
    for key, value in table.items():
        if key == "operator" and isinstance(value, str):
            values[key] = OperatorSection(label=value)
        elif key in SECTIONS:
            values[key] = _section(value, SECTIONS[key], f"{where}: [{key}]")
        elif key == "scan":
            if not isinstance(value, list):
                raise ParameterError(f"{where}: write [[scan]] with double brackets")
            values[key] = tuple(
                _section(item, ScanSection, f"{where}: [[scan]] {n + 1}")
                for n, item in enumerate(value)
            )
        else:
            values[key] = _checked(value, kinds[key], top[key].metadata, f"{where}: {key}")
    scenario = Scenario(**values)
    try:
        check_relations(scenario)
    except ParameterError as error:
        raise ParameterError(f"{where}: {error}") from None
    return scenario


def _section(table: Any, section: type, where: str) -> Any:
    table = table_of(table, where)
    if section is ScanSection:
        table = renamed_keys(table, {"spoilers": "artefacts"}, where)
    known = {item.name: item for item in fields(section)}
    kinds = get_type_hints(section)
    values = {}
    check_keys(table, known, where)
    for key, value in table.items():
        values[key] = _checked(value, kinds[key], known[key].metadata, f"{where} {key}")
    return section(**values)


def _checked(value: Any, kind: Any, metadata: Mapping[str, Any], where: str) -> Any:
    if kind is bool:
        if not isinstance(value, bool):
            raise ParameterError(f"{where} must be true or false, got {given(value)}")
        return value
    if kind is str:
        words = metadata.get("words", ())
        if not isinstance(value, str) or (words and value not in words):
            hint = did_you_mean(given(value), words, cutoff=0.5)
            allowed = f"one of {', '.join(words)}" if words else "a text"
            raise ParameterError(f"{where}={given(value)}: {hint}It must be {allowed}")
        return value
    if kind in (int, float):
        return _checked_number(value, kind, metadata, where)
    # What is left are the lists: of numbers, or of words.
    if not isinstance(value, list):
        raise ParameterError(f"{where} must be a list, got {given(value)}")
    item_kind = str if "words" in metadata else float
    return tuple(_checked(item, item_kind, metadata, where) for item in value)


def _checked_number(value: Any, kind: type, metadata: Mapping[str, Any], where: str) -> Any:
    low, high = metadata.get("range", (-math.inf, math.inf))
    unit = metadata.get("unit", "")
    allowed = f"{low:g} to {high:g}{' ' + unit if unit else ''}"
    number = isinstance(value, int | float) and not isinstance(value, bool)
    whole = number and (isinstance(value, int) or value.is_integer())
    if not (whole if kind is int else number):
        word = "whole number" if kind is int else "number"
        raise ParameterError(f"{where}={given(value)} must be a {word} from {allowed}")
    if not (low <= value <= high and math.isfinite(value)):
        raise ParameterError(f"{where}={given(value)} must lie in {allowed}")
    return kind(value)
