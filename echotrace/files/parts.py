"""Finished parts of a long measurement, kept until the whole is complete.

A part is written once for each few seconds of work and read only if the work was interrupted, so
its form is the one that costs least to write: arrays in numpy's own format one after another, and
a checksum of each.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrace.errors import EchotraceError, FileFormatError
from echotrace.files.atomic import atomic_target, writing
from echotrace.measurement import ARRAYS, Measurement
from echotrace.recording import COLUMNS, Column

__all__ = ["read_part", "write_part"]

_TEXTS = ("interfaces", "segments", "finding_names")


def write_part(part: Measurement, path: Path) -> None:
    """Write a part so that it is there wholly or not at all.

    Raises
    ------
    FileFormatError
        The file cannot be written.
    """
    from echotrace.kernels.checksum import fletcher32

    columns = [
        *(getattr(part, name) for name in ARRAYS),
        *(getattr(part, name).codes for name in COLUMNS),
        *part.features.values(),
    ]
    # Features of a single block can be columns of one array.
    arrays = [np.ascontiguousarray(column) for column in columns]
    head = {
        **{name: getattr(part, name) for name in _TEXTS},
        "settings_json": part.settings_json,
        "attributes": dict(part.attributes),
        "labels": [getattr(part, name).labels for name in COLUMNS],
        "features": list(part.features),
        "checksums": [fletcher32(array) for array in arrays],
    }
    with atomic_target(path) as partial, writing(path), partial.open("wb") as file:
        np.save(file, np.frombuffer(json.dumps(head).encode(), np.uint8))
        for array in arrays:
            np.save(file, array)


def read_part(path: Path) -> Measurement:
    """Read a part.

    Raises
    ------
    FileFormatError
        It is damaged.
    """
    try:
        return _read(path)
    except (OSError, EOFError, KeyError, ValueError, TypeError, EchotraceError) as error:
        raise FileFormatError(
            f"{path}: damaged part of an interrupted run ({error}); delete it, and it is measured "
            "again with all that follows it"
        ) from error


def _read(path: Path) -> Measurement:
    from echotrace.kernels.checksum import fletcher32

    with path.open("rb") as file:
        head: dict[str, Any] = json.loads(np.load(file).tobytes())
        arrays: list[NDArray[Any]] = []
        for told in head["checksums"]:
            arrays.append(np.load(file))
            if fletcher32(arrays[-1]) != told:
                raise ValueError("a checksum does not match")
    fields: dict[str, Any] = {name: tuple(head[name]) for name in _TEXTS}
    rest = iter(arrays)
    for name in ARRAYS:
        fields[name] = next(rest)
    for name, labels in zip(COLUMNS, head["labels"], strict=True):
        fields[name] = Column(next(rest), tuple(labels))
    return Measurement(
        features=dict(zip(head["features"], rest, strict=True)),
        settings_json=head["settings_json"],
        attributes=head["attributes"],
        **fields,
    )
