"""CSV tables with their description beside them, as a Frictionless table schema.

A column's type, unit, meaning and limits stand in ``NAME.schema.json``, so that a statistics
program or a validator reads the table without being told.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

import numpy as np

from echotrace.caution import CAUTION, SYNTHETIC, is_synthetic
from echotrace.errors import ParameterError
from echotrace.files.atomic import atomic_target, writing
from echotrace.files.hdf5 import unit_of
from echotrace.measurement import Measurement
from echotrace.recording import Eye, LensState, Method
from echotrace.text_out import table_cell, visible

__all__ = ["Field", "schema_path", "write_measurement_table", "write_table"]

_TYPES = ("string", "number", "integer", "boolean")


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """The description of a column.

    Attributes
    ----------
    name : str
        The unit in the name.
    type : {"string", "number", "integer", "boolean"}
    description : str
    unit : str
        Valid in UCUM and udunits; empty for texts and truth values.
    constraints : mapping
        As the table schema standard names them: ``required``, ``minimum``, ``maximum``, ``enum``,
        ``unique``, ``pattern``.
    """

    name: str
    type: str
    description: str
    unit: str = ""
    constraints: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.type not in _TYPES:
            raise ParameterError(
                f"field {self.name!r}: type={self.type!r}; use one of {', '.join(_TYPES)}"
            )

    def descriptor(self) -> dict[str, Any]:
        """The field as the table schema standard writes it."""
        described: dict[str, Any] = {
            "name": self.name,
            "type": self.type,
            "description": self.description,
        }
        if self.unit:
            described["unit"] = self.unit
        if self.constraints:
            described["constraints"] = dict(self.constraints)
        return described


def schema_path(path: str | Path) -> Path:
    """Where the schema of a table lies: ``results.csv`` has ``results.schema.json``.

    Parameters
    ----------
    path : str or Path
        Of the table.

    Returns
    -------
    Path

    Examples
    --------
    >>> schema_path("results.csv").name
    'results.schema.json'
    """
    return Path(path).with_suffix(".schema.json")


def write_table(
    path: str | Path,
    fields: Sequence[Field],
    columns: Mapping[str, Iterable[Any]],
    *,
    description: str = "",
    primary_key: str | None = None,
) -> None:
    """Write a CSV table and its schema.

    Both files appear under their names only when both are complete. Missing numbers (NaN, None)
    are empty cells; numbers are written so that they read back exactly.

    Parameters
    ----------
    path : str or Path
    fields : sequence of Field
        In the order of the columns.
    columns : mapping of str to iterable
        The values of each field, all of one length.
    description : str
        What the table is; the caution is added to it.
    primary_key : str, optional
        Name of the field that numbers the rows.

    Raises
    ------
    ParameterError
        Fields and columns do not match.
    FileFormatError
        The files cannot be written.

    Examples
    --------
    >>> fields = [
    ...     Field(name="scan", type="integer", description="number of the scan"),
    ...     Field(name="length_mm", type="number", description="length", unit="mm"),
    ... ]
    >>> write_table(folder / "l.csv", fields, {"scan": [1, 2], "length_mm": [23.41, float("nan")]})
    >>> (folder / "l.csv").read_text().split()
    ['scan,length_mm', '1,23.41', '2,']
    """
    path = Path(path)
    if path.suffix == ".json":
        raise ParameterError(f"{path}: give a table another ending than .json, such as .csv")
    names = [item.name for item in fields]
    if set(names) != set(columns) or len(set(names)) != len(names):
        odd = sorted(set(names) ^ set(columns)) or names
        raise ParameterError(f"{path}: fields and columns do not match at {', '.join(odd)}")
    values = {name: list(columns[name]) for name in names}
    lengths = {name: len(items) for name, items in values.items()}
    if len(set(lengths.values())) > 1:
        raise ParameterError(f"{path}: columns have different lengths: {lengths}")
    schema: dict[str, Any] = {
        "$schema": "https://specs.frictionlessdata.io/schemas/table-schema.json",
        "description": f"{description} {CAUTION}".strip(),
        "fields": [item.descriptor() for item in fields],
        "missingValues": [""],
    }
    if primary_key is not None:
        schema["primaryKey"] = primary_key
    with ExitStack() as stack:
        # Opened in this order, the table takes its name first and the schema last.
        schema_file = stack.enter_context(atomic_target(schema_path(path)))
        table_file = stack.enter_context(atomic_target(path))
        with writing(path):
            schema_file.write_text(
                json.dumps(schema, indent=2, ensure_ascii=False) + "\n", encoding="utf-8"
            )
            with table_file.open("w", encoding="utf-8", newline="") as file:
                writer = csv.writer(file, lineterminator="\n")
                writer.writerow(names)
                rows = zip(*(values[name] for name in names), strict=True)
                writer.writerows([_cell(item) for item in row] for row in rows)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, np.float32):
        # The shortest text that is this float32, not the digits of its double.
        return "" if math.isnan(value) else str(value)
    if isinstance(value, float | np.floating):
        return "" if math.isnan(value) else repr(float(value))
    return table_cell(visible(value)) if isinstance(value, str) else str(value)


def _caution(attributes: Mapping[str, str]) -> str:
    """The caution in the table itself, for a spreadsheet does not show the schema."""
    return f"{SYNTHETIC} {CAUTION}" if is_synthetic(attributes) else CAUTION


def _one_of(states: type[StrEnum]) -> dict[str, Any]:
    return {"required": True, "enum": [str(item) for item in states]}


_LABELS: dict[str, tuple[str, dict[str, Any]]] = {
    "subject": ("code of the subject, never a name", {}),
    "eye": ("which eye", _one_of(Eye)),
    "method": ("how the probe meets the eye", _one_of(Method)),
    "lens_state": ("state of the lens", _one_of(LensState)),
    "lens_material": ("material of an implanted lens", {}),
    "vitreous": ("what fills the vitreous cavity", {}),
    "operator": ("code of who held the probe", {}),
    "sitting": ("traces taken without a break", {}),
    "target": ("eye, or the name of a block or plate", {}),
}


def write_measurement_table(measurement: Measurement, path: str | Path) -> None:
    """Write one row per scan, accepted and rejected, its findings named, and the schema beside.

    Parameters
    ----------
    measurement : Measurement
    path : str or Path
        Such as ``results.csv``; the schema goes to ``results.schema.json``.

    Raises
    ------
    FileFormatError
        The files cannot be written.

    Examples
    --------
    >>> import echotrace as et
    >>> result = et.measure(et.read("synthetic_traces/contact_sitting.h5"))
    >>> write_measurement_table(result, folder / "results.csv")
    >>> sorted(item.name for item in folder.iterdir())
    ['results.csv', 'results.schema.json']
    """
    n = measurement.n_traces
    fields: list[Field] = []
    columns: dict[str, Iterable[Any]] = {}

    def put(
        name: str, kind: str, values: Iterable[Any], description: str, **constraints: Any
    ) -> None:
        unit = (unit_of(name) or "") if kind == "number" else ""
        fields.append(
            Field(name=name, type=kind, description=description, unit=unit, constraints=constraints)
        )
        columns[name] = values

    put("scan", "integer", range(1, n + 1), "number of the scan", required=True, minimum=1)
    for name, (meaning, limits) in _LABELS.items():
        put(name, "string", getattr(measurement, name), meaning, **limits)
    put("accepted", "boolean", measurement.accepted, "counts towards the result", required=True)
    deciders = ["hand" if code else "findings" for code in measurement.decided_by]
    put(
        "decided_by", "string", deciders, "what accepted or rejected the scan",
        required=True, enum=["findings", "hand"],
    )  # fmt: skip
    marked = np.any(measurement.by_hand, axis=1).tolist()
    by_hand = [
        " ".join(f"{name}:{word}" for name, word in measurement.marks(k).items() if marked[k])
        for k in range(n)
    ]
    put(
        "by_hand", "string", by_hand,
        "interfaces with a gate or a pick that a person set for this scan; empty where there is "
        "none",
        pattern=r"(\w+:(gate|pick)( \w+:(gate|pick))*)?",
    )  # fmt: skip
    named = [" ".join(measurement.finding_list(k)) for k in range(n)]
    known = "|".join(measurement.finding_names)
    put(
        "findings", "string", named,
        "reasons not to trust the scan, separated by blanks; empty where there is none",
        pattern=f"(({known})( ({known}))*)?" if known else "",
    )  # fmt: skip
    put(
        "length_right", "number", measurement.length_right,
        "calibrated probability that the total length is within 0.1 mm of the eye's, pressing and "
        "sound speeds apart",
        minimum=0, maximum=1,
    )  # fmt: skip
    put(
        "aligned", "number", measurement.aligned,
        "calibrated probability that the beam was within 2.5 degrees and 0.5 mm of the visual "
        "axis; between 0.2 and 0.8 it cannot be told",
        minimum=0, maximum=1,
    )  # fmt: skip
    lengths = {
        "axial_length_mm": "total length",
        "axial_length_u_mm": "standard uncertainty of this scan's own part of the total length",
        "axial_length_u_shared_mm": "standard uncertainty that all scans of a sitting share",
    }
    for name, meaning in lengths.items():
        put(name, "number", getattr(measurement, name), meaning, minimum=0)
    for k, segment in enumerate(measurement.segments):
        put(
            f"{segment}_mm", "number", measurement.length_mm[:, k], f"length of the {segment}",
            minimum=0,
        )  # fmt: skip
    for k, interface in enumerate(measurement.interfaces):
        words = interface.replace("_", " ")
        put(
            f"{interface}_delay_us", "number", measurement.delay_us[:, k],
            f"two-way delay of the {words}",
        )  # fmt: skip
        put(
            f"{interface}_delay_u_us", "number", measurement.delay_u_us[:, k],
            f"standard uncertainty of that delay from noise: {words}", minimum=0,
        )  # fmt: skip
    for name, values in measurement.features.items():
        put(f"feature_{name}", "number", values, "what the findings were made from")
    said = measurement.attributes.get("made_with") or measurement.attributes.get("sound_speeds", "")
    made_with = said.replace("\n", " ")
    put("made_with", "string", [made_with] * n, "speeds, offset of the probe, changed settings")
    put("caution", "string", [_caution(measurement.attributes)] * n, "to be read with the numbers")
    write_table(
        path,
        fields,
        columns,
        description=(
            "One row per scan, accepted and rejected. A length that is missing has a finding that "
            "says why."
        ),
        primary_key="scan",
    )
