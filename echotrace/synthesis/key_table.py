"""The table of all keys of a scenario: ``python -m echotrace.synthesis.key_table README.md``.

The table is made of the sections themselves (:mod:`echotrace.synthesis.sections`) and put between
two marks of the page, so that page and code cannot differ; a test runs this and compares.
"""

from __future__ import annotations

import argparse
import dataclasses
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, get_type_hints

from echotrace.errors import ParameterError
from echotrace.synthesis.scenario import OLD_NAMES, SECTIONS
from echotrace.synthesis.scenario_model import Scenario
from echotrace.synthesis.sections import ScanSection

__all__ = ["key_table", "put_into_page"]

BEGIN, END = "<!-- keys: made by echotrace.synthesis.key_table -->", "<!-- end of keys -->"


def _shown(value: Any) -> str:
    if value is None or value == () or (isinstance(value, float) and math.isnan(value)):
        return "not set"
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, int | float) else f'"{value}"'


def _allowed(kind: Any, metadata: Mapping[str, Any]) -> str:
    if "range" in metadata:
        low, high = (f"{x:.16g}" for x in metadata["range"])
        whole = "whole, " if kind is int else ""
        return f"{whole}{low} to {high} {metadata['unit']}".rstrip()
    if "words" in metadata:
        words = ", ".join(metadata["words"])
        return words if kind is str else f"list of: {words}"
    return {bool: "true, false", str: "text"}.get(kind, "list of numbers")


def _rows(section: type) -> list[str]:
    kinds = get_type_hints(section)
    return [
        f"| `{item.name}` | {_shown(item.default)} | {_allowed(kinds[item.name], item.metadata)} "
        f"| {item.metadata['about']} |"
        for item in dataclasses.fields(section)
        if "about" in item.metadata
    ]


def key_table() -> str:
    """All keys of a scenario, section by section, as Markdown.

    Returns
    -------
    str
        A heading and a table (key, default, allowed values with their unit, meaning) for the keys
        above all sections and for each section.

    Examples
    --------
    >>> print(key_table().splitlines()[4])
    | `name` | "scenario" | text | name of the scenario; that of its file where it is not set |
    """
    was = {new: f" (also read: `[{old}]`)" for old, new in OLD_NAMES.items()}
    parts: list[tuple[str, type]] = [("Above all sections", Scenario)]
    parts += [(f"`[{name}]`{was.get(name, '')}", section) for name, section in SECTIONS.items()]
    parts.append(("`[[scan]]`: any number of them", ScanSection))
    lines = []
    for heading, section in parts:
        lines += [
            f"### {heading}",
            "",
            "| key | default | allowed | what it is |",
            "|---|---|---|---|",
        ]
        lines += [*_rows(section), ""]
    return "\n".join(lines).rstrip() + "\n"


def put_into_page(page: str) -> str:
    r"""A page with the table between its marks made anew.

    Parameters
    ----------
    page : str
        Text with a line :data:`BEGIN` and a later line :data:`END`.

    Returns
    -------
    str
        What stands before and behind the marks is left as it is.

    Raises
    ------
    ParameterError
        A page without the two marks.

    Examples
    --------
    >>> put_into_page(f"# Keys\n{BEGIN}\n{END}\n").splitlines()[3]
    '### Above all sections'
    """
    before, begin, rest = page.partition(BEGIN)
    _, end, behind = rest.partition(END)
    if not (begin and end):
        raise ParameterError(f"the page lacks the lines {BEGIN!r} and {END!r}")
    return f"{before}{BEGIN}\n\n{key_table()}\n{END}{behind}"


def main(arguments: list[str] | None = None) -> int:
    r"""Write the table of a scenario's keys into a page.

    Parameters
    ----------
    arguments : list of str, optional
        The page; those of the process where it is None.

    Returns
    -------
    int
        0.

    Examples
    --------
    >>> page = folder / "README.md"
    >>> _ = page.write_text(f"{BEGIN}\n{END}\n", encoding="utf-8")
    >>> main([str(page)])
    0
    >>> "[eye]" in page.read_text(encoding="utf-8")
    True
    """
    parser = argparse.ArgumentParser(
        description=main.__doc__, prog="python -m echotrace.synthesis.key_table"
    )
    parser.add_argument("page", type=Path, metavar="README.md")
    path = parser.parse_args(arguments).page
    path.write_text(put_into_page(path.read_text(encoding="utf-8")), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
