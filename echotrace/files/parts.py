"""Finished parts of a long measurement, kept until the whole is complete.

A part is written once for each few seconds of work and read only if the work was interrupted, so
its form is the one that costs least to write: a head as JSON and the bytes of the arrays, one after
another. The file starts with the size of the head and its checksum; the head has type, shape and
checksum of each array, so that no byte that is read goes unchecked.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Sequence
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
# Bytes of the head, and their checksum.
_START = struct.Struct("<II")


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
        "engine": part.engine,
        "attributes": dict(part.attributes),
        "labels": [getattr(part, name).labels for name in COLUMNS],
        "features": list(part.features),
        "arrays": [(array.dtype.str, array.shape, fletcher32(array)) for array in arrays],
    }
    text = np.frombuffer(json.dumps(head).encode(), np.uint8)
    with atomic_target(path) as partial, writing(path), partial.open("wb") as file:
        file.write(_START.pack(text.size, fletcher32(text)))
        for array in (text, *arrays):
            array.tofile(file)


def read_part(path: Path) -> Measurement:
    """Read a part.

    Raises
    ------
    FileFormatError
        It is damaged.
    """
    try:
        return _read(path)
    except (
        OSError,
        MemoryError,
        struct.error,
        KeyError,
        ValueError,
        TypeError,
        EchotraceError,
    ) as error:
        raise FileFormatError(
            f"{path}: damaged part of an interrupted run ({error}); delete it, and it is measured "
            "again with all that follows it"
        ) from error


def _read(path: Path) -> Measurement:
    from echotrace.kernels.checksum import fletcher32

    with path.open("rb") as file:

        def numbers(dtype: str, shape: Sequence[int], told: int) -> NDArray[Any]:
            wanted = math.prod(shape) * np.dtype(dtype).itemsize
            raw = np.frombuffer(file.read(wanted), np.uint8)
            if raw.size != wanted:
                raise ValueError("cut short")
            if fletcher32(raw) != told:
                raise ValueError("a checksum does not match")
            return raw.view(dtype).reshape(shape)

        size, told = _START.unpack(file.read(_START.size))
        head: dict[str, Any] = json.loads(numbers("u1", (size,), told).tobytes())
        arrays = [numbers(*form) for form in head["arrays"]]
    fields: dict[str, Any] = {name: tuple(head[name]) for name in _TEXTS}
    rest = iter(arrays)
    for name in ARRAYS:
        fields[name] = next(rest)
    for name, labels in zip(COLUMNS, head["labels"], strict=True):
        fields[name] = Column(next(rest), tuple(labels))
    return Measurement(
        features=dict(zip(head["features"], rest, strict=True)),
        settings_json=head["settings_json"],
        engine=head["engine"],
        attributes=head["attributes"],
        **fields,
    )
